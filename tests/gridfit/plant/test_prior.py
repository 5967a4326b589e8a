"""What the car sheet alone allows: centred even draws, guesses pooled, wider where the sheet is silent."""

import numpy as np
import pytest
from cases.goodcar import swap, write_all

from gridfit.carsheet import read_carsheet
from gridfit.plant.prior import SET_WHEELS, from_carsheet, prior_free, prior_table
from gridfit.simulate.parameters import HIGH, LOW, NAMES, to_free


def rows(path):
    return {row.name: row for row in prior_table(read_carsheet(path))}


def test_even_draws_centre_on_the_prior(tmp_path):
    """Exactly so wherever no draw met a bound."""
    sheet = read_carsheet(write_all(tmp_path) / "car.toml")
    centre, width = prior_free(sheet)
    plant = from_carsheet(sheet, np.random.default_rng(4), n_draws=40)
    inside = ((plant.draws > LOW) & (plant.draws < HIGH)).all(axis=0)
    assert inside.mean() > 0.8
    free = to_free(plant.draws)
    np.testing.assert_allclose(free.mean(axis=0)[inside], centre[inside], atol=1e-12)
    many = to_free(from_carsheet(sheet, np.random.default_rng(4), n_draws=4000).draws)
    i = NAMES.index("mass_kg")
    assert many[:, i].std() == pytest.approx(width[i], rel=0.05)


def test_the_sheets_inertia_is_pooled_with_the_rule_of_thumb(tmp_path):
    """The product of two normal densities on the log scale, on a fine grid: 0.13 (28 %) and 0.1179 (40 %)."""
    row = rows(write_all(tmp_path) / "car.toml")["engine_inertia_kgm2"]
    x = np.linspace(-8.0, 4.0, 200_001)
    log_density = -0.5 * ((x - np.log(0.13)) / 0.28) ** 2 - 0.5 * ((x - np.log(0.00045 * 262)) / 0.40) ** 2
    density = np.exp(log_density - log_density.max())
    mean = np.average(x, weights=density)
    assert np.log(row.centre) == pytest.approx(mean, abs=1e-6)
    assert row.width == pytest.approx(np.average((x - mean) ** 2, weights=density) ** 0.5, rel=1e-4)


@pytest.mark.parametrize(
    ("line", "name", "centre"),
    [
        ("inertia_kgm2 = 0.13\n", "engine_inertia_kgm2", 0.00045 * 262),
        ("cg_height_m = 0.48\n", "cg_height_m", 0.50),
        ("cda_m2 = 0.62\n", "cda_m2", 0.66),
        ("efficiency = 0.93\n", "efficiency", 0.92),
        ("mu = 1.1\n", "mu_peak", 1.0),
    ],
)
def test_what_the_sheet_leaves_out_is_usual_and_wider(tmp_path, line, name, centre):
    path = write_all(tmp_path) / "car.toml"
    told = rows(path)[name]
    swap(path, line, "")
    left_out = rows(path)[name]
    assert left_out.centre == pytest.approx(centre, rel=1e-9)
    assert left_out.width > told.width


def test_the_same_seed_gives_the_same_prior_without_logs(tmp_path):
    sheet = read_carsheet(write_all(tmp_path) / "car.toml")
    one, two = (from_carsheet(sheet, np.random.default_rng(9), n_draws=7) for _ in range(2))
    np.testing.assert_array_equal(one.draws, two.draws)
    assert (one.origin, one.compounds, one.episodes) == ("prior", ("hard",), (0,) * 6)


def test_set_wheels_narrow_the_speed_factor_and_nothing_else(tmp_path):
    sheet = read_carsheet(write_all(tmp_path) / "car.toml")
    loose, fast = (
        from_carsheet(sheet, np.random.default_rng(4), n_draws=512, wheels_set=known)
        for known in (False, True)
    )
    factor = NAMES.index("driven_factor")
    others = np.arange(len(NAMES)) != factor
    np.testing.assert_array_equal(fast.draws[:, others], loose.draws[:, others])
    assert np.log(fast.draws[:, factor]).std() == pytest.approx(SET_WHEELS, rel=0.05)
    assert np.log(loose.draws[:, factor]).std() > 2.0 * SET_WHEELS

"""The fit on windows whose truth is known by construction, and the prior that it starts from."""

import dataclasses

import numpy as np
import pytest

from gridfit.carsheet import read_carsheet
from gridfit.plant.fit import fit
from gridfit.plant.posterior import draw, what_moved
from gridfit.plant.prior import from_carsheet, prior_table
from gridfit.plant.projection import densest
from gridfit.plant.residuals import Problem
from gridfit.plant.windows import Windows
from gridfit.simulate.parameters import INDEX, NAMES, from_free, to_free
from gridfit.simulate.plantfiles import read_plant, to_document
from gridfit.simulate.quantities import cut_gain_kmhps_per_pct

TICKS, LENGTH, COUNT = 0.01, 28, 160


def _windows(sheet, rng):
    """Inputs of many short windows: full throttle, cut switched on within, speeds and slips spread."""
    n = 60 * COUNT
    time = np.arange(n) * TICKS
    throttle, cut = np.ones(n), np.zeros(n)
    driven, undriven, bounds, gear = np.zeros(n), np.zeros(n), [], []
    radius = 0.31
    ratios = np.array(sheet.gearbox.ratios) * sheet.gearbox.final_drive
    for i in range(COUNT):
        a = 60 * i + 30
        g = int(rng.integers(1, 3))
        v = rng.uniform(0.45, 0.75) * sheet.engine.limit_rpm / ratios[g - 1] * 2 * np.pi / 60 * radius
        slip = rng.uniform(0.03, 0.35)
        undriven[60 * i : 60 * i + 60], driven[60 * i : 60 * i + 60] = v, v * (1.0 + slip)
        cut[a + int(rng.integers(2, 12)) : 60 * i + 60] = rng.uniform(0.2, 0.7)
        bounds.append((60 * i, 60 * i, a, a + LENGTH))
        gear.append(g)
    used = np.ones(n, dtype=bool)
    noise = np.tile([0.05, 0.05, 0.02], (COUNT, 1))
    numbers = np.arange(COUNT)
    return Windows(
        time, throttle, cut, driven, undriven, driven.copy(), used, used, np.array(bounds), np.array(gear),
        np.zeros(COUNT, dtype=np.int64), np.zeros(COUNT, dtype=np.int64), numbers, np.zeros(COUNT), noise,
        np.zeros(COUNT), np.zeros(COUNT), ("made",), (sheet.tyre.compound,),
    )  # fmt: skip


@pytest.fixture(scope="module")
def made(demo):
    """Windows predicted at a known vector, with noise; the truth; and the fit to them."""
    sheet = read_carsheet(demo / "car.toml")
    rng = np.random.default_rng(5)
    windows = _windows(sheet, rng)
    problem = Problem(sheet, windows, {})
    start = problem.begin()
    start[:, 5] = 0.0
    true = problem.centre.copy()
    for name, shift in (
        ("mu_peak", 0.08),
        ("slip_peak", -0.2),
        ("engine_inertia_kgm2", 0.25),
        ("cut_effect", -0.05),
    ):
        true[INDEX[name]] += shift
    speeds = problem.predict(true[None], start[None])[0]
    channels = [windows.driven.copy(), windows.undriven.copy(), windows.engine.copy()]
    for i, (_, _, a, b) in enumerate(windows.bounds):
        for channel, sd, row in zip(channels, (0.05, 0.05, 0.02), speeds[i], strict=True):
            channel[a:b] = row[: b - a] + sd * rng.standard_normal(b - a)
    windows = dataclasses.replace(windows, driven=channels[0], undriven=channels[1], engine=channels[2])
    return sheet, windows, true, fit(sheet, windows, {})


def test_known_tyre_and_cut_are_found_again(made):
    sheet, _, true, result = made
    want, got = (from_free(x[None, : len(NAMES)]) for x in (true, result.x))
    grip = np.exp(result.x[result.layout.runs].mean())
    assert got[0, INDEX["mu_peak"]] * grip == pytest.approx(want[0, INDEX["mu_peak"]], rel=0.03)
    assert got[0, INDEX["slip_peak"]] == pytest.approx(want[0, INDEX["slip_peak"]], rel=0.15)
    gains = [cut_gain_kmhps_per_pct(sheet, x)[0, :2] for x in (got, want)]
    np.testing.assert_allclose(gains[0], gains[1], rtol=0.08)


def test_the_wrong_cut_fits_worse(made):
    """Negative control: cut shifted from window to window."""
    sheet, windows, _, result = made
    wrong = fit(sheet, dataclasses.replace(windows, cut=np.roll(windows.cut, 60)), {})
    assert wrong.scale > 1.2 * result.scale


def test_draws_spread_and_go_through_a_file(made, tmp_path):
    import json

    sheet, _, _, result = made
    plant = draw(sheet, result, np.random.default_rng(0), n_draws=12)
    document = to_document(sheet, plant)
    assert document["format"] == "gridfit-plant/1"
    assert {"gear", "episodes", "cut_gain_kmhps_per_pct", "dead_time_s", "lag_s", "inertia_kg"} <= set(
        document["gears"][0]
    )
    path = tmp_path / "plant.json"
    path.write_text(json.dumps(document))
    np.testing.assert_allclose(read_plant(path).draws, plant.draws, rtol=1e-7)
    informed = {m.name for m in what_moved(result, plant) if m.informed}
    assert "slip_peak" in informed
    assert "cg_height_m" not in informed


def test_even_draws_of_the_prior_centre_on_it(demo):
    sheet = read_carsheet(demo / "car.toml")
    plant = from_carsheet(sheet, np.random.default_rng(0), n_draws=40)
    centre = to_free(np.array([row.centre for row in prior_table(sheet)]))
    np.testing.assert_allclose(to_free(plant.draws).mean(axis=0), centre, atol=0.12)


def test_half_sample_mode_ignores_a_far_cluster():
    rng = np.random.default_rng(0)
    values = np.concatenate([rng.normal(0.0, 0.02, 60), rng.normal(-0.3, 0.1, 40)])
    assert abs(densest(values)) < 0.03


def test_late_stamps_count_as_dead_time_does(made):
    """What is known of the stamps is taken off the dead time: the same speeds from either."""
    sheet, windows, true, result = made
    late_s, dead = 0.004, INDEX["dead_time_s"]
    problem = Problem(sheet, windows, {})
    longer = true.copy()
    longer[dead] = np.log(np.exp(true[dead]) + late_s)
    later = Problem(sheet, dataclasses.replace(windows, late_s=np.full(len(windows), late_s)), {})
    start = result.start[None]
    np.testing.assert_allclose(
        later.predict(true[None], start), problem.predict(longer[None], start), atol=1e-9
    )
    assert np.abs(problem.predict(true[None], start) - problem.predict(longer[None], start)).max() > 0.01


def test_unknown_stamps_widen_the_dead_time_alone(made):
    sheet, windows, _, result = made
    sd_s = 0.003
    loose = dataclasses.replace(
        result, windows=dataclasses.replace(windows, stamp_sd_s=np.full(len(windows), sd_s))
    )
    draws = [draw(sheet, r, np.random.default_rng(1), n_draws=400) for r in (result, loose)]
    dead = [p.column("dead_time_s") + p.column("dead_time_cycles") * 0.02 for p in draws]
    added = np.sqrt(np.var(dead[1]) - np.var(dead[0]))
    assert added == pytest.approx(sd_s, rel=0.4)
    gains = [cut_gain_kmhps_per_pct(sheet, p.draws)[:, 0].std() for p in draws]
    assert gains[1] < 1.3 * gains[0]

"""The table of plant parameters: scales there and back, bounds, shapes, and tyres by compound."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from gridfit.simulate.parameters import HIGH, INDEX, LOG, LOW, NAMES, Plant, from_free, to_free

SHARES = st.lists(st.floats(0.0, 1.0), min_size=len(NAMES), max_size=len(NAMES)).map(np.array)


@given(SHARES)
def test_the_fits_scale_and_back(share):
    values = LOW + share * (HIGH - LOW)
    np.testing.assert_allclose(from_free(to_free(values)), values, rtol=1e-12, atol=1e-15)


@given(st.lists(st.floats(-50.0, 50.0), min_size=len(NAMES), max_size=len(NAMES)).map(np.array))
def test_nothing_leaves_its_bounds(free):
    values = from_free(free)
    assert (values >= LOW).all()
    assert (values <= HIGH).all()


def test_logarithmic_parameters_are_positive_and_names_are_single():
    assert (LOW[LOG] > 0.0).all()
    assert (LOW < HIGH).all()
    assert len(set(NAMES)) == len(NAMES)


def plant():
    middle = from_free(0.5 * (to_free(LOW) + to_free(HIGH)))
    grip, slip = np.array([[1.0, 1.2], [1.0, 0.8]]), np.array([[1.0, 0.9], [1.0, 1.1]])
    return Plant(np.tile(middle, (2, 1)), "fit", ("hard", "soft"), grip, slip, (3, 2))


def test_wrong_shapes_are_refused():
    good = plant()
    for draws, grip in (
        (good.draws[:, :-1], good.grip),
        (good.draws, good.grip[:, :1]),
        (good.draws[:1], good.grip),
    ):
        with pytest.raises(ValueError, match="must be"):
            Plant(draws, "fit", good.compounds, grip, good.slip)


def test_another_compound_scales_peak_and_slip_alone():
    hard = plant()
    soft = hard.on_compound("soft")
    np.testing.assert_allclose(soft.column("mu_peak") / hard.column("mu_peak"), [1.2, 0.8], rtol=1e-12)
    np.testing.assert_allclose(soft.column("slip_peak") / hard.column("slip_peak"), [0.9, 1.1], rtol=1e-12)
    others = [i for name, i in INDEX.items() if name not in ("mu_peak", "slip_peak")]
    np.testing.assert_array_equal(soft.draws[:, others], hard.draws[:, others])
    assert soft.compounds == ("soft", "hard")
    np.testing.assert_allclose(soft.on_compound("hard").draws, hard.draws, rtol=1e-12)
    assert hard.on_compound("unheard of") is hard


def test_mean_is_the_geometric_one_for_logarithmic_parameters():
    draws = np.tile(plant().draws[:1], (2, 1))
    draws[:, INDEX["mass_kg"]] = 1000.0, 1440.0
    ones = np.ones((2, 1))
    assert Plant(draws, "prior", ("hard",), ones, ones).mean()[INDEX["mass_kg"]] == pytest.approx(1200.0)

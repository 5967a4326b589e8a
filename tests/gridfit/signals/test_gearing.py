"""Ratios as driven, against those of the car sheet."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gridfit.signals import gearing


@settings(max_examples=50, deadline=None)
@given(
    st.lists(st.floats(1.18, 1.6), min_size=2, max_size=6),
    st.floats(-0.06, 0.06),
    st.integers(0, 2**32 - 1),
)
def test_the_offset_is_found_for_any_gearbox(steps, shift, seed):
    rng = np.random.default_rng(seed)
    ratios = np.log(16.0) - np.concatenate([[0.0], np.cumsum(np.log(steps))])
    observed = rng.choice(ratios, 600) + shift + 0.004 * rng.standard_normal(600)
    assert gearing.offset(observed, ratios, gearing.RADIUS_DOUBT).mean == pytest.approx(shift, abs=0.002)


def driven(ratios, used, rng, seconds=12.0, offset=0.0):
    """Time at steady ratios, with shifts that pass between them."""
    pieces = []
    for gear in used:
        pieces += [
            np.full(round(seconds * 100), ratios[gear - 1]),
            np.linspace(0.0, 0.3, 20) + ratios[gear - 1],
        ]
    return np.concatenate(pieces) + offset + 0.003 * rng.standard_normal(sum(map(len, pieces)))


def numbers(used, seconds=12.0):
    return np.concatenate([[gear] * round(seconds * 100) + [0] * 20 for gear in used]).astype(np.int64)


SHEET_RATIOS = np.log(np.array([3.4, 2.2, 1.6, 1.2, 0.95]) * 3.9)


@pytest.mark.parametrize("logged", [True, False])
@settings(max_examples=15, deadline=None)
@given(share=st.floats(0.06, 0.2), up=st.booleans(), seed=st.integers(0, 2**32 - 1))
def test_a_wrong_final_drive_is_found(logged, share, up, seed):
    rng = np.random.default_rng(seed)
    off = np.log1p(share) * (1 if up else -1)
    used = [1, 2, 3, 4, 5]
    observed = driven(SHEET_RATIOS, used, rng, offset=off)
    found = gearing.find(observed, numbers(used) if logged else None, SHEET_RATIOS, 0.01)
    assert found.offset.mean == pytest.approx(off, abs=0.003)
    assert found.wrong == {}
    assert found.numbering == 0


@pytest.mark.parametrize("logged", [True, False])
@settings(max_examples=15, deadline=None)
@given(
    gear=st.integers(2, 4), share=st.floats(0.03, 0.07), up=st.booleans(), offset=st.floats(-0.03, 0.03),
    seed=st.integers(0, 2**32 - 1),
)  # fmt: skip
def test_a_wrong_ratio_is_found(logged, gear, share, up, offset, seed):
    rng = np.random.default_rng(seed)
    true = SHEET_RATIOS.copy()
    true[gear - 1] += np.log1p(share) * (1 if up else -1)
    used = [1, 2, 3, 4, 5]
    observed = driven(true, used, rng, offset=offset)
    found = gearing.find(observed, numbers(used) if logged else None, SHEET_RATIOS, 0.01)
    assert set(found.wrong) == {gear}
    assert found.log_ratios == pytest.approx(true, abs=0.004)


@pytest.mark.parametrize("off", [-1, 1])
def test_a_numbering_that_is_one_off_is_no_wrong_ratio(off):
    used = [2, 3, 4]
    observed = driven(SHEET_RATIOS, used, np.random.default_rng(1))
    logged = numbers(used)
    found = gearing.find(observed, np.where(logged > 0, logged + off, 0), SHEET_RATIOS, 0.01)
    assert found.numbering == -off
    assert found.wrong == {}


def test_right_ratios_are_left_alone():
    used = [1, 2, 3, 4, 5]
    found = gearing.find(driven(SHEET_RATIOS, used, np.random.default_rng(2)), None, SHEET_RATIOS, 0.01)
    assert found.wrong == {}
    assert found.offset.mean == pytest.approx(0.0, abs=0.002)
    assert found.support > 0.95

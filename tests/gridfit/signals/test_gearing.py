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

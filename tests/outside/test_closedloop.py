"""Grid pairs in closed loop on an outside car: the scenarios are the standard ones, and the score tells pairs apart."""

import json
from pathlib import Path

import numpy as np
import pytest
from outside.cars import car
from outside.closedloop import COUNTS, scenarios, score
from outside.logs import PAIRS, grid_pair

from gridfit import recovery as rc

BEST = Path(__file__).parent / "best"


@pytest.fixture(scope="module")
def sorrel():
    own = car(0)
    return own, scenarios(own)


def test_twenty_eight_scenarios_in_each_gear_that_breaks_traction(sorrel):
    own, chosen = sorrel
    assert sum(COUNTS.values()) == 28
    for gear in own.gears:
        kinds = [s.kind for s in chosen if s.gear == gear]
        assert {kind: kinds.count(kind) for kind in COUNTS} == COUNTS


def test_the_score_tells_pairs_apart(sorrel):
    """No cut is worse than the common-practice start, and a long search found better than both."""
    own, chosen = sorrel
    some = chosen[::4]
    none, start = score(own, grid_pair(15.0, [0.0] * 5), some)[0], score(own, PAIRS["grids_a"], some)[0]
    best = score(own, json.loads((BEST / "sorrel.json").read_text()), some)[0]
    assert best < 0.5 * start
    assert start < none


def test_nothing_better_than_the_ideal(sorrel):
    """Drive lost counts from the best that tyre and engine can do, so it is never a gain worth the name."""
    own, chosen = sorrel
    _, parts = score(own, PAIRS["grids_b"], chosen[::4])
    assert np.isfinite(parts).all()
    assert (parts[:, rc.PART_INDEX["drive_lost_kmh"]] > -0.5).all()


def test_score_does_not_rest_on_the_step(sorrel):
    own, chosen = sorrel
    some = chosen[::6]
    whole, half = (score(own, PAIRS["grids_b"], some, step)[0] for step in (0.001, 0.0005))
    assert whole == pytest.approx(half, rel=0.03)

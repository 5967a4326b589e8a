"""The Pareto front and its hypervolume, against an independent library, and the record of trials."""

import moocore
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from gridfit.recovery import PART_INDEX, PARTS
from gridfit.search.ledger import Ledger
from gridfit.search.objective import Played, everything
from gridfit.search.pareto import front, hypervolume, nondominated, roughness
from tests.gridfit.search.landscape import START, pair_of

points = hnp.arrays(
    np.float64, st.tuples(st.integers(1, 30), st.integers(2, 3)), elements=st.integers(0, 12).map(float)
)


@given(points)
def test_front_is_that_of_moocore(found):
    # moocore 0.3, is_nondominated with keep_weakly: the same definition, written by others
    np.testing.assert_array_equal(nondominated(found), moocore.is_nondominated(found, keep_weakly=True))


@given(points, st.floats(0.5, 14.0))
def test_hypervolume_is_that_of_moocore(found, corner):
    # moocore 0.3, hypervolume: the same quantity by another algorithm, written by others
    reference = np.full(found.shape[1], corner)
    want = moocore.hypervolume(found, ref=reference)
    assert hypervolume(found, reference) == pytest.approx(want, rel=1e-12, abs=1e-12)


def test_the_front_s_share_of_the_box_of_all_pairs():
    # by hand: three pairs, each best in one figure and worst in the two others, command nothing of the box; a fourth
    # at half of each commands an eighth
    means = np.zeros((4, len(PARTS)))
    for n, (part, worst) in enumerate((("drive_lost_kmh", 4.0), ("reslips", 3.0), ("excess_slip_m", 2.0))):
        means[:, PART_INDEX[part]] = worst
        means[n, PART_INDEX[part]] = 0.0
        means[3, PART_INDEX[part]] = 0.5 * worst
    labels = ["start", "", "", ""]
    assert front([START] * 4, labels, means, np.zeros(4), chosen=3).hypervolume == pytest.approx(0.125)
    assert front([START] * 3, labels[:3], means[:3], np.zeros(3), chosen=0).hypervolume == 0.0
    assert front([START], ["start"], means[:1], np.zeros(1), chosen=0).hypervolume == 0.0


def test_roughness_is_half_the_jerk_and_the_reslips():
    # default weights of the recovery score: 0.5 per 1/s of jerk, 1 per re-slip
    parts = np.zeros(len(PARTS))
    parts[PART_INDEX["jerk_rms"]], parts[PART_INDEX["reslips"]] = 3.0, 2.0
    assert roughness(parts) == 3.5


def test_front_table_marks_the_proposal_and_keeps_named_pairs():
    means = np.zeros((4, len(PARTS)))
    means[:, PART_INDEX["drive_lost_kmh"]] = [2.0, 1.0, 3.0, 4.0]
    means[:, PART_INDEX["reslips"]] = [1.0, 2.0, 3.0, 0.5]
    pairs = [pair_of(value, 25.0) for value in (8.0, 9.0, 10.0, 11.0)]
    made = front(pairs, ["proposal", "", "start", ""], means, np.arange(4.0), chosen=0)
    assert list(made.table["drive_lost_kmh"]) == [1.0, 2.0, 3.0, 4.0]
    assert list(made.table["on_front"]) == [True, True, False, True]
    assert list(made.table["label"]) == ["", "proposal", "start", ""]
    assert list(made.table["chosen"]) == [False, True, False, False]
    assert [pair.target.slip_pct[0] for pair in made.pairs] == [9.0, 8.0, 10.0, 11.0]


def test_beaten_pairs_without_a_name_are_left_out():
    means = np.zeros((3, len(PARTS)))
    means[:, PART_INDEX["drive_lost_kmh"]] = [1.0, 2.0, 2.0]
    means[:, PART_INDEX["reslips"]] = [1.0, 2.0, 3.0]
    made = front([START] * 3, ["proposal", "", "start"], means, np.zeros(3), chosen=0)
    assert list(made.table["label"]) == ["proposal", "start"]


def test_front_candidates_come_from_the_trials_on_most_draws():
    ledger = Ledger()
    few = Played(np.zeros((1, 2, len(PARTS))), everything(2, 1))
    many = Played(np.ones((2, 6, len(PARTS))), everything(2, 3))
    ledger.add("a", 0, [pair_of(5.0, 1.0)], few, np.array([0.0]))
    ledger.add("a", 1, [pair_of(6.0, 1.0), pair_of(7.0, 1.0)], many, np.array([1.0, 1.0]))
    picked = ledger.front_candidates(10)
    assert [pair.target.slip_pct[0] for pair in picked] == [6.0, 7.0]
    assert list(ledger.history()["trial"]) == [0, 0, 1]
    assert Ledger().front_candidates(3) == []

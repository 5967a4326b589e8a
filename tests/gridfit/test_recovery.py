"""The recovery score by hand: an episode's cost, a pair's cost, named weights, crossings."""

import numpy as np
import pytest

from gridfit.errors import CallError
from gridfit.recovery import (
    PART_INDEX,
    PARTS,
    PREFERENCES,
    Preference,
    episode_cost,
    pair_cost,
    preference,
    recovery_by_crossings,
)


def parts(**values):
    row = np.zeros(len(PARTS))
    for name, value in values.items():
        row[PART_INDEX[name]] = value
    return row


EPISODE = parts(
    drive_lost_kmh=2.0, excess_slip_m=1.5, recovery_s=0.5, reslips=2.0, jerk_rms=0.4, lateral_lost=0.05,
    overshoot_kmh=9.0, recovery_soft_s=0.25, reslips_soft=0.5, window_s=2.5,
)  # fmt: skip


def test_episode_cost_by_hand():
    """2 + 1.5 + 4 x 0.5/2.5 + 2 + 0.5 x 0.4 + 20 x 0.05 = 7.5; overshoot and window carry no weight."""
    assert episode_cost(EPISODE) == pytest.approx(7.5, rel=1e-12)


def test_soft_twin_by_hand():
    """2 + 1.5 + 4 x 0.25/2.5 + 0.5 + 0.2 + 1 = 5.6."""
    assert episode_cost(EPISODE, soft=True) == pytest.approx(5.6, rel=1e-12)


def test_each_weight_multiplies_its_own_part():
    names = {
        "drive_lost": "drive_lost_kmh", "excess_slip": "excess_slip_m", "recovery": "recovery_s",
        "reslips": "reslips", "jerk": "jerk_rms", "lateral": "lateral_lost",
    }  # fmt: skip
    for weight, part in names.items():
        only = Preference("only", **{n: (3.0 if n == weight else 0.0) for n in names})
        size = EPISODE[PART_INDEX[part]] / (2.5 if part == "recovery_s" else 1.0)
        assert episode_cost(EPISODE, only) == pytest.approx(3.0 * size, rel=1e-12)


def test_pair_cost_by_hand():
    """1..20: mean 10.5, worst tenth (19 + 20)/2 = 19.5, 10.5 + 0.5 x 9 = 15; order and axis do not matter."""
    cost = np.random.default_rng(0).permutation(np.arange(1.0, 21.0))
    assert pair_cost(cost) == pytest.approx(15.0, rel=1e-12)
    np.testing.assert_allclose(pair_cost(np.column_stack([cost, 2.0 * cost]), axis=0), [15.0, 30.0])
    assert pair_cost(cost, Preference(tail=0.0)) == pytest.approx(10.5, rel=1e-12)
    assert pair_cost(np.array([1.0, 2.0, 6.0])) == pytest.approx(4.5, rel=1e-12)


def test_preferences_by_name():
    assert preference("balanced") == Preference()
    assert all(preference(name).name == name for name in PREFERENCES)
    with pytest.raises(CallError, match="calm") as caught:
        preference("clam")
    assert caught.value.exit_code == 2


def crossings(times, errors, *, short=False, length=2.5):
    """Score a broken line of errors."""
    time = np.linspace(0.0, length, round(length / 0.0005) + 1)
    return recovery_by_crossings(time, np.interp(time, times, errors), short, length, 2.5)


def test_recovery_by_hand():
    """Up through 2 at 0.2 s, down through 2 at 0.8 s."""
    took, again = crossings([0, 0.1, 0.3, 0.7, 0.9, 2.5], [0, 0, 4, 4, 0, 0])
    assert took == pytest.approx(0.6, abs=1e-6)
    assert again == 0.0


def test_a_reslip_counts_and_prolongs():
    """Back at 0.5 s, out again at 0.7 s (0.2 s inside, less than the 0.3 s wanted), back for good at 0.9 s."""
    took, again = crossings([0, 0.1, 0.3, 0.4, 0.6, 0.8, 1.0, 2.5], [0, 0, 4, 4, 0, 4, 0, 0])
    assert took == pytest.approx(0.7, abs=1e-6)
    assert again == 1.0


def test_never_out_and_never_back():
    assert crossings([0, 2.5], [0, 1.9]) == (0.0, 0.0)
    assert crossings([0, 2.5], [5, 5]) == (2.5, 0.0)
    late = [0, 0.5, 0.7, 2.2, 2.4, 2.5], [0, 0, 4, 4, 0, 0]
    assert crossings(*late) == (2.5, 0.0)
    assert crossings(*late, short=True)[0] == pytest.approx(1.7, abs=1e-6)

"""Did the last change of the grids help? On made-up episodes whose effects are known."""

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from gridfit.errors import DataError
from gridfit.gridchange import OUTCOMES, compare_grids, gained_kmh, labels, run_effects
from gridfit.grids import CutGrid, GridPair, TargetGrid

RECOVERY = next(one for one in OUTCOMES if one.key == "recovery_s")
SLIP = next(one for one in OUTCOMES if one.key == "peak_slip_kmh")


def _pair(cut=25.0, slip=15.0):
    return GridPair(
        TargetGrid(np.array([20.0, 100.0]), np.array([slip, slip])),
        CutGrid(np.array([0.0, 10.0]), np.array([1.0]), np.array([[cut, cut]])), {},
    )  # fmt: skip


def _episodes(rng, change, runs=10, each=14, run_sd=0.05):
    """Episodes of runs that take turns between two pairs; gears and causes are mixed unlike from run to run."""
    rows = []
    for run in range(runs):
        own = run_sd * rng.standard_normal() + (change if run % 2 else 0.0)
        odds = rng.dirichlet([1.0, 1.0, 1.0])
        for _ in range(each):
            gear = int(rng.choice([1, 2, 3], p=odds))
            cause = str(rng.choice(["throttle", "damp"]))
            base = 0.4 * gear + (0.3 if cause == "damp" else 0.0)
            noise = rng.normal(0.0, 0.25, 2)
            rows.append(
                {
                    "run": f"r{run}", "gear": gear, "cause": cause, "start_index": 0, "end_index": 5,
                    "recovery_s": 0.3 * np.exp(base + own + noise[0]),
                    "peak_slip_kmh": 12.0 * np.exp(0.5 * base + own + noise[1]),
                }
            )  # fmt: skip
    return pd.DataFrame(rows)


def _signals(pairs):
    """Runs with their grids, too short for a speed gained."""
    table = pd.DataFrame(
        {
            "time_s": np.arange(6) * 0.01,
            "throttle": 1.0,
            "gear": 2,
            "brake": False,
            "valid": True,
            "v_u_mps": 10.0,
        }
    )
    return [SimpleNamespace(name=f"r{i}", grids=pair, table=table) for i, pair in enumerate(pairs)]


def _runs(count=10, compound="soft"):
    return pd.DataFrame(
        {
            "run": [f"r{i}" for i in range(count)], "grids": ["old.json", "new.json"] * (count // 2),
            "compound": compound, "track_temp_c": 25.0, "day": "2026-05-01", "track": "north", "radius_m": 0.31,
        }
    )  # fmt: skip


def _compared(seed, change, pairs=None, **more):
    rng = np.random.default_rng(seed)
    pairs = pairs or [_pair(25.0), _pair(40.0)] * 5
    return compare_grids(_signals(pairs), _episodes(rng, change), _runs(**more), rng)


def test_a_change_that_helped_is_found_with_its_size():
    found = _compared(1, np.log(0.75))
    pair = found.outcomes["recovery_s"].pairs[0]
    assert (pair.a, pair.b) == ("old.json", "new.json")
    assert pair.peak_mu_diff_pct.covers(-25.0)
    assert found.verdict(RECOVERY, pair) == "better"
    assert found.verdict(SLIP, found.outcomes["peak_slip_kmh"].pairs[0]) == "better"
    assert "gained_kmh" not in found.outcomes  # no episode was long enough


def test_no_change_is_called_one_no_oftener_than_the_level():
    """60 seasons of the same pair under two names; two outcomes held to 5 % together."""
    wrong = 0
    for seed in range(60):
        found = _compared(seed, 0.0)
        wrong += any(
            found.verdict(one, found.outcomes[one.key].pairs[0]) != "undecided" for one in (RECOVERY, SLIP)
        )
    assert wrong <= stats.binom.ppf(0.999, 60, 0.05)


def test_mix_of_gears_and_causes_is_taken_out():
    """Least squares with a run and a kind each: the same estimates as statsmodels' formula of it."""
    import statsmodels.formula.api as smf

    table = _episodes(np.random.default_rng(3), 0.0)
    found = run_effects(table, RECOVERY)
    table = table.assign(y=np.log(table["recovery_s"]), kind=table["gear"].astype(str) + table["cause"])
    outside = smf.ols("y ~ 0 + run + kind", table).fit()
    ours = found.set_index("run")["log_mu"]
    theirs = outside.params[[f"run[{name}]" for name in ours.index]]
    assert (ours - ours["r0"]).to_numpy() == pytest.approx((theirs - theirs.iloc[0]).to_numpy(), abs=1e-9)
    raw = table.groupby("run")["y"].mean()
    assert ours.std() < 0.6 * raw.std()


def test_recovery_is_not_compared_between_unlike_targets():
    found = _compared(1, np.log(0.75), pairs=[_pair(25.0, 15.0), _pair(25.0, 8.0)] * 5)
    assert not found.same_target
    assert found.verdict(RECOVERY, found.outcomes["recovery_s"].pairs[0]) == "not comparable"
    assert found.verdict(SLIP, found.outcomes["peak_slip_kmh"].pairs[0]) == "better"


def test_a_pair_on_one_compound_only_is_refused():
    """Pair and compound cannot be told apart, so nothing is said."""
    with pytest.raises(DataError, match="tell them"):
        _compared(1, 0.3, compound=["soft", "hard"] * 5)


def test_compounds_are_compared_within_themselves():
    table = _episodes(np.random.default_rng(5), np.log(0.75))
    worse = table["run"].isin([f"r{i}" for i in (0, 1, 2, 3)])
    table.loc[worse, "recovery_s"] *= 2.0
    runs = _runs(compound=["hard"] * 4 + ["soft"] * 6)
    found = compare_grids(_signals([_pair(25.0), _pair(40.0)] * 5), table, runs, np.random.default_rng(0))
    pair = found.outcomes["recovery_s"].pairs[0]
    assert pair.peak_mu_diff_pct.covers(-25.0)
    assert found.verdict(RECOVERY, pair) == "better"


def test_one_run_of_a_pair_is_refused():
    rng = np.random.default_rng(1)
    runs = _runs().assign(grids=["old.json", *["new.json"] * 9])
    with pytest.raises(DataError, match="two grid pairs must have 2 runs or more") as caught:
        compare_grids(_signals([_pair()] * 10), _episodes(rng, 0.0), runs, rng)
    assert caught.value.exit_code == 4


def test_pairs_that_steer_alike_share_a_name():
    signals = _signals([_pair(25.0), _pair(40.0), _pair(25.0), None])
    files = {"r0": "a.json", "r1": "b.json", "r2": "copy_of_a.json", "r3": ""}
    assert labels(signals, files) == {"r0": "a.json", "r1": "b.json", "r2": "a.json"}
    twice = labels(signals, dict.fromkeys(files, "a.json"))
    assert len(set(twice.values())) == 2


def test_speed_gained_is_read_from_the_log():
    time = np.arange(200) * 0.01
    table = pd.DataFrame(
        {
            "time_s": time,
            "throttle": 1.0,
            "gear": 2,
            "brake": False,
            "valid": True,
            "v_u_mps": 10.0 + 4.0 * time,
        }
    )
    signal = SimpleNamespace(name="r0", grids=None, table=table)
    episodes = pd.DataFrame({"run": ["r0", "r0"], "start_index": [50, 180], "end_index": [90, 199]})
    gained = gained_kmh([signal], episodes)
    assert gained[0] == pytest.approx(3.6 * 4.0 * 0.6)
    assert np.isnan(gained[1])  # the log ends too soon
    signal.table.loc[80:, "gear"] = 3  # a shift leaves it open
    assert np.isnan(gained_kmh([signal], episodes)[0])

"""The mixed model on real runs: slip of a robot on four floors, 72 runs each at 0.1 m/s.

Source: BrOleg5/research-wheel-slippage (Apache-2.0); see datasets/surfaces/README.md. The means are facts of that
table, quoted to its last digit.
"""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from gridfit import mixedmodel
from gridfit.compounds import compare

MEANS = {"table": 9.49, "brown": 15.18, "gray": 27.38, "green": 49.22}
"""Mean slip on each floor at 0.1 m/s [%], in the order of rising slip."""


@pytest.fixture(scope="module")
def fitted():
    """Mixed model with one effect per floor."""
    runs = pd.read_csv(Path(__file__).parents[2] / "datasets" / "surfaces" / "runs.csv")
    slow = runs[runs.set_mm_s.round() == 100]
    number = slow.surface.map(list(MEANS).index).to_numpy()
    design = np.eye(len(MEANS))[number]
    return mixedmodel.fit(slow.slip_pct, design, number, np.zeros((len(slow), len(slow))))


def test_the_means_of_the_floors(fitted):
    for i, mean in enumerate(MEANS.values()):
        assert fitted.contrast(np.eye(4)[i]).estimate == pytest.approx(mean, abs=0.005)


def test_the_floors_are_in_order_and_no_interval_holds_a_tie(fitted):
    for i in range(3):
        low, _ = fitted.contrast(np.eye(4)[i + 1] - np.eye(4)[i]).interval(0.90)
        assert low > 0.0


RUN_TABLE = {"surface": "compound", "exp": "run"}


def _as_runs(rows):
    """The summary table as a run table: slip as the figure, commanded speed as the speed."""
    return rows.rename(columns=RUN_TABLE).assign(
        log_mu=np.log(rows["slip_pct"]), se=0.0, speed_kmh=3.6e-3 * rows["set_mm_s"]
    )


@pytest.fixture(scope="module")
def summary():
    return pd.read_csv(Path(__file__).parents[2] / "datasets" / "surfaces" / "runs.csv")


def test_the_comparison_puts_the_floors_in_order_without_ties(summary):
    """All six pairs at 0.1 m/s: every interval on one side, every verdict for the floor with more slip."""
    slow = _as_runs(summary[summary.set_mm_s.round() == 100])
    found = compare(slow, np.random.default_rng(0))
    order = list(MEANS)
    assert sorted(found.peak_mu, key=lambda name: found.peak_mu[name].mean) == order
    assert len(found.pairs) == 6
    for pair in found.pairs:
        size = pair.peak_mu_diff_pct
        rising = order.index(pair.b) > order.index(pair.a)
        assert size.lo > 0.0 if rising else size.hi < 0.0
        assert pair.verdict == ("b" if rising else "a")
        assert next(one for one in pair.findings if one.check == "speeds alike").passed
    assert found.beyond_in_speed == ()


def test_the_comparison_says_that_speed_is_confounded_on_two_floors(summary):
    """All 576 rows: gray and green also ran at 0.2 and 0.3 m/s, where table and brown never did."""
    found = compare(_as_runs(summary), np.random.default_rng(0))
    assert set(found.beyond_in_speed) == {"gray", "green"}
    for pair in found.pairs:
        speeds = next(one for one in pair.findings if one.check == "speeds alike")
        assert speeds.passed == ({pair.a, pair.b} in ({"gray", "green"}, {"table", "brown"}))
        if not speeds.passed:
            assert "confounded" in speeds.meaning
    assert "speed_confounded_on" in found.to_dict()


def test_differences_in_slip_with_their_published_errors(fitted):
    """Over table: +5.69, +17.89, +39.73 points (differences of the means, facts of the table)."""
    for name, gap in (("brown", 5.69), ("gray", 17.89), ("green", 39.73)):
        weights = np.eye(4)[list(MEANS).index(name)] - np.eye(4)[0]
        assert fitted.contrast(weights).estimate == pytest.approx(gap, abs=0.01)

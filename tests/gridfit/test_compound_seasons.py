"""Null distribution, coverage, power and bias of the comparison on simulated seasons, at the size that tells.

Run-to-run grip of 2 % (standard deviation), 3 to 8 runs a side, each run's own error known but for chance, interleaved
runs on like track temperatures. The limits are those asked of the comparison; 400 seasons know 5 % to 1.1 points and
90 % to 1.5.
"""

import numpy as np
import pandas as pd
import pytest

from gridfit.compounds import compare

SEASONS = 400
RUN_SD = 0.02
FIVE_PCT = np.log1p(0.05)


def _season(rng, runs, difference, error, slope):
    """One row per run: two compounds in turn; temperature rises through each day for both."""
    sides = np.repeat([0, 1], runs)
    turn = np.concatenate([np.arange(n) for n in runs])
    temperature = 20.0 + 1.5 * turn + 0.7 * sides + rng.normal(0.0, 1.0, sides.size)
    own = error * np.exp(0.3 * rng.standard_normal(sides.size))
    y = difference * sides + rng.normal(0.0, RUN_SD, sides.size) + own * rng.standard_normal(sides.size)
    return pd.DataFrame(
        {
            "run": [f"r{i}" for i in range(sides.size)], "compound": np.where(sides == 0, "a", "b"),
            "log_mu": y + slope * (temperature - 25.0), "se": own, "track_temp_c": temperature,
        }
    )  # fmt: skip


@pytest.mark.parametrize(("error", "slope"), [(0.0, 0.0), (0.005, -0.002)])
def test_false_positives_and_coverage_without_a_difference(error, slope):
    rng = np.random.default_rng(20260301)
    pairs = [
        compare(_season(rng, rng.integers(3, 9, 2), 0.0, error, slope), rng).pairs[0] for _ in range(SEASONS)
    ]
    wrong = np.mean([pair.verdict != "undecided" for pair in pairs])
    covered = np.mean([pair.peak_mu_diff_pct.covers(0.0) for pair in pairs])
    assert 0.02 <= wrong <= 0.07, f"false positives {100 * wrong:.1f} %"
    assert 0.86 <= covered <= 0.94, f"intervals cover {100 * covered:.1f} %"


def test_power_bias_and_coverage_at_five_per_cent():
    """Five runs a side; the error of a run as the plant's fit has it on good logs."""
    rng = np.random.default_rng(20260302)
    pairs = [compare(_season(rng, (5, 5), FIVE_PCT, 0.003, 0.0), rng).pairs[0] for _ in range(SEASONS)]
    power = np.mean([pair.verdict == "b" for pair in pairs])
    bias = np.mean([pair.peak_mu_diff_pct.mean for pair in pairs]) - 5.0
    covered = np.mean([pair.peak_mu_diff_pct.covers(5.0) for pair in pairs])
    assert power >= 0.9, f"power {power:.3f}"
    assert abs(bias) <= 0.3, f"bias {bias:.2f} %"
    assert 0.86 <= covered <= 0.94, f"intervals cover {100 * covered:.1f} %"
    # the tool's own forecast of what such runs can do is near what they did: 80 % at the least difference
    assert np.median([pair.minimum_detectable_pct for pair in pairs]) < 5.0
    assert np.median([pair.runs_needed_for_pct[5.0] for pair in pairs]) <= 5

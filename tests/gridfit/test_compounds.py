"""Compounds against each other: verdicts, intervals, negative controls, confounding, refusals."""

import json

import numpy as np
import pandas as pd
import pytest
from scipy import stats
from scipy.optimize import brentq

from gridfit.compounds import compare
from gridfit.errors import DataError, InputError


def _table(compounds, log_mu, **columns):
    runs = [f"run{i}" for i in range(len(compounds))]
    return pd.DataFrame({"run": runs, "compound": compounds, "log_mu": log_mu, "se": 0.0, **columns})


def _rng():
    return np.random.default_rng(0)


LOG_MU = np.array([0.10, 0.11, 0.09, 0.10, 0.16, 0.17, 0.15, 0.18])
TWO = ["soft"] * 4 + ["hard"] * 4


def test_without_errors_or_temperature_it_is_the_pooled_t_test():
    pair = compare(_table(TWO, LOG_MU), _rng()).pairs[0]
    outside = stats.ttest_ind(LOG_MU[4:], LOG_MU[:4])
    assert pair.p_value == pytest.approx(outside.pvalue, rel=1e-9)
    assert pair.difference.df == pytest.approx(6)
    interval = outside.confidence_interval(0.90)
    assert pair.peak_mu_diff_pct.lo == pytest.approx(100 * np.expm1(interval.low))
    assert pair.peak_mu_diff_pct.hi == pytest.approx(100 * np.expm1(interval.high))
    assert pair.p_value_permutation == pytest.approx(2 / 70)


def test_verdict_names_the_side_with_more_grip_and_turns_with_the_order():
    forward = compare(_table(TWO, LOG_MU), _rng()).pairs[0]
    assert (forward.a, forward.b, forward.verdict) == ("soft", "hard", "b")
    backward = compare(_table(TWO[::-1], LOG_MU[::-1]), _rng()).pairs[0]
    assert (backward.a, backward.b, backward.verdict) == ("hard", "soft", "a")
    assert backward.p_value == pytest.approx(forward.p_value)
    ratio = 1 + forward.peak_mu_diff_pct.mean / 100
    assert 1 + backward.peak_mu_diff_pct.mean / 100 == pytest.approx(1 / ratio)


def test_document_is_plain_json_of_the_agreed_form():
    comparison = compare(_table(TWO, LOG_MU, track_temp_c=[20, 24, 22, 23, 21, 25, 22, 20]), _rng())
    document = json.loads(json.dumps(comparison.to_dict()))
    assert document["format"] == "gridfit-compare/1"
    pair = document["pairs"][0]
    assert set(pair["peak_mu_diff_pct"]) == {"mean", "lo", "hi"}
    assert pair["verdict"] in {"a", "b", "undecided"}
    assert pair["runs"] == [4, 4]
    assert isinstance(pair["runs_needed"], int)
    assert pair["minimum_detectable_pct"] > 0
    assert set(pair["runs_needed_for_pct"]) == {"2", "3", "5"}
    assert document["temperature_slope_pct_per_c"] is not None
    assert "hard over soft" in str(comparison)


def test_three_compounds_share_their_spread_and_hold_the_family_level():
    y = np.concatenate([LOG_MU, [0.12, 0.13, 0.11, 0.12]])
    comparison = compare(_table([*TWO, *["medium"] * 4], y), _rng())
    assert [(p.a, p.b) for p in comparison.pairs] == [
        ("soft", "hard"),
        ("soft", "medium"),
        ("hard", "medium"),
    ]
    alone = np.array([pair.p_value_alone for pair in comparison.pairs])
    held = np.array([pair.p_value for pair in comparison.pairs])
    assert np.all(held >= alone)
    assert held.min() == pytest.approx(3 * alone.min())
    assert [pair.difference.df for pair in comparison.pairs] == pytest.approx([9, 9, 9])
    groups = [y[:4], y[4:8], y[8:]]
    pooled = np.sqrt(np.mean([np.var(group, ddof=1) for group in groups]))
    assert comparison.run_sd_pct == pytest.approx(100 * pooled)
    assert list(comparison.peak_mu) == ["soft", "hard", "medium"]
    assert comparison.peak_mu["soft"].mean == pytest.approx(np.exp(0.10))


def test_a_known_temperature_effect_is_taken_out():
    """Grip falls 0.4 % per C; hard ran 6 C hotter on average, over ranges that overlap."""
    temperature = np.array([16.0, 20, 24, 28, 32, 22, 26, 30, 34, 38])
    noise = np.random.default_rng(1).normal(0, 0.003, 10)
    y = -0.004 * (temperature - 25) + noise
    compounds = ["soft"] * 5 + ["hard"] * 5
    with_it = compare(_table(compounds, y, track_temp_c=temperature), _rng())
    without = compare(_table(compounds, y), _rng())
    assert abs(with_it.pairs[0].peak_mu_diff_pct.mean) < 0.6
    assert without.pairs[0].peak_mu_diff_pct.mean < -2.0
    assert with_it.temperature_slope_pct_per_c is not None
    assert with_it.temperature_slope_pct_per_c.covers(-0.4)
    assert without.temperature_slope_pct_per_c is None


def test_equal_temperatures_change_nothing():
    plain = compare(_table(TWO, LOG_MU), _rng()).pairs[0]
    same = compare(_table(TWO, LOG_MU, track_temp_c=25.0), _rng()).pairs[0]
    assert same.p_value == pytest.approx(plain.p_value)


def _failed(pair):
    return {finding.check for finding in pair.findings if not finding.passed}


def test_compounds_separated_by_temperature_are_said_and_widen_the_answer():
    near = compare(_table(TWO, LOG_MU, track_temp_c=[20, 24, 22, 23, 21, 25, 22, 20]), _rng()).pairs[0]
    apart = compare(_table(TWO, LOG_MU, track_temp_c=[20, 21, 19, 20, 39, 41, 40, 42]), _rng()).pairs[0]
    assert _failed(near) == set()
    assert _failed(apart) == {"temperature alike"}
    assert (near.verdict, apart.verdict) == ("b", "undecided")
    finding = next(finding for finding in apart.findings if not finding.passed)
    assert "19 to 21 C" in finding.meaning
    assert "39 to 42 C" in finding.meaning
    assert finding.value == pytest.approx(20.5)
    assert finding.remedy


@pytest.mark.parametrize("temperature", [None, [20, np.nan, 22, 23, 21, 25, 22, 20]])
def test_missing_temperatures_are_said(temperature):
    columns = {} if temperature is None else {"track_temp_c": temperature}
    pair = compare(_table(TWO, LOG_MU, **columns), _rng()).pairs[0]
    assert "temperature known" in _failed(pair)


def test_days_tracks_and_gears_that_differ_are_said():
    columns = {
        "day": ["1"] * 4 + ["2"] * 4,
        "track": ["north"] * 4 + ["south"] * 4,
        "mean_gear": [1.5] * 4 + [2.4] * 4,
    }
    pair = compare(_table(TWO, LOG_MU, track_temp_c=25.0, **columns), _rng()).pairs[0]
    assert _failed(pair) == {"day shared", "track shared", "gears alike"}
    mixed = {key: values[::2] + values[::2] for key, values in columns.items()}
    assert _failed(compare(_table(TWO, LOG_MU, track_temp_c=25.0, **mixed), _rng()).pairs[0]) == set()


def test_one_run_a_side_is_refused_with_reason_and_remedy():
    for compounds in (["soft", "hard"], ["soft", "hard", "hard"], ["soft"] * 5):
        with pytest.raises(DataError, match="2 runs or more") as caught:
            compare(_table(compounds, np.linspace(0.1, 0.2, len(compounds))), _rng())
        assert caught.value.exit_code == 4
        assert "Log more runs" in str(caught.value)
        assert f"soft {compounds.count('soft')}" in str(caught.value)


def test_a_compound_with_one_run_beside_others_gets_no_verdict():
    y = np.concatenate([LOG_MU, [0.9]])
    comparison = compare(_table([*TWO, "rain"], y), _rng())
    by_names = {(pair.a, pair.b): pair for pair in comparison.pairs}
    assert by_names["soft", "rain"].verdict == "undecided"
    assert "runs" in _failed(by_names["soft", "rain"])
    assert by_names["soft", "hard"].verdict == "b"


def test_runs_without_an_identified_peak_are_left_out_and_counted():
    y = LOG_MU.copy()
    y[3] = np.nan
    comparison = compare(_table(TWO, y), _rng())
    assert comparison.left_out == ("run3",)
    assert comparison.pairs[0].runs == (3, 4)


def test_unusable_tables_are_refused():
    with pytest.raises(InputError, match="Add se"):
        compare(_table(TWO, LOG_MU).drop(columns="se"), _rng())
    with pytest.raises(InputError, match="run table, run0"):
        compare(_table(TWO, LOG_MU).assign(se=-0.01), _rng())
    with pytest.raises(DataError, match="must differ between runs"):
        compare(_table(TWO, np.full(8, 0.1)), _rng())


def test_an_unknown_error_is_taken_as_the_middle_one():
    known = compare(_table(TWO, LOG_MU).assign(se=0.01), _rng()).pairs[0]
    partly = compare(_table(TWO, LOG_MU).assign(se=[0.01] * 7 + [np.nan]), _rng()).pairs[0]
    assert partly.p_value == pytest.approx(known.p_value)


def test_shuffled_compounds_give_no_verdict():
    """Negative control: a difference that is decided vanishes when the labels are dealt out evenly."""
    y = np.random.default_rng(2).normal(0, 0.01, 16) + np.repeat([0.0, 0.08], 8)
    true = compare(_table(["soft"] * 8 + ["hard"] * 8, y), _rng()).pairs[0]
    dealt = compare(_table(["soft", "hard"] * 8, y), _rng()).pairs[0]
    assert true.verdict == "b"
    assert dealt.verdict == "undecided"
    assert dealt.p_value > 0.3


def _simulated(rng, n, difference, run_sd, error):
    y = rng.normal(0, run_sd, 2 * n) + rng.normal(0, error, 2 * n) + np.repeat([0.0, difference], n)
    table = _table(["soft"] * n + ["hard"] * n, y).assign(se=error)
    return compare(table, rng).pairs[0]


@pytest.mark.parametrize(("n", "error"), [(3, 0.0), (4, 0.008)])
def test_false_verdicts_and_coverage_on_simulated_runs(n, error):
    """No true difference: verdicts at most at 5 %, 90 % intervals cover at least 90 %, but for chance."""
    count, rng = 300, np.random.default_rng(7)
    pairs = [_simulated(rng, n, 0.0, 0.02, error) for _ in range(count)]
    wrong = sum(pair.verdict != "undecided" for pair in pairs)
    covered = sum(pair.peak_mu_diff_pct.covers(0.0) for pair in pairs)
    assert wrong <= stats.binom.ppf(0.999, count, 0.05)
    assert covered >= stats.binom.ppf(0.001, count, 0.90)
    if error == 0.0:  # the test is exact here, so it must not be shy either
        assert wrong >= stats.binom.ppf(0.001, count, 0.05)
        assert covered <= stats.binom.ppf(0.999, count, 0.90)


def test_detectable_difference_is_found_four_times_in_five():
    """Power at the detectable difference of the true spread: 4 runs a side, 2 % run to run."""
    count, rng = 300, np.random.default_rng(8)
    edge = stats.t.isf(0.025, 6)
    ratio = brentq(lambda x: stats.nct.sf(edge, 6, x) - 0.80, 1.0, 6.0)
    found = sum(
        _simulated(rng, 4, ratio * 0.02 * np.sqrt(2 / 4), 0.02, 0.0).verdict == "b" for _ in range(count)
    )
    assert stats.binom.ppf(0.001, count, 0.80) <= found <= stats.binom.ppf(0.999, count, 0.80)

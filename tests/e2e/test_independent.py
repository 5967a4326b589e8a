"""The whole job on logs from an independent vehicle simulator, through the command line, against its truth."""

import json
import tomllib

import numpy as np
import pandas as pd
import pytest
from e2e.contractkeys import (
    CAUSES,
    COMPARE_PAIR,
    EPISODE_COLUMNS,
    assert_estimate,
    check_plant,
    check_report,
    check_summary,
)

from gridfit.carsheet import read_carsheet
from gridfit.grids import common_practice, read_grids
from pipelines.cli import main


def call(*arguments):
    """Run a command as a user would; return its exit code."""
    return main([str(a) for a in arguments])


@pytest.fixture(scope="module")
def refined(independent, tmp_path_factory):
    out = tmp_path_factory.mktemp("refine") / "out"
    code = call(
        "refine", independent / "car.toml", independent, "--grids", independent / "grids_b.json",
        "--out", out, "--no-tracking", "--budget", "quick",
    )  # fmt: skip
    assert code == 0
    return out


@pytest.fixture(scope="module")
def truth(independent):
    return read(independent / "truth.json")


def read(path):
    return json.loads(path.read_text())


def check_folder(out, job):
    """What every job promises of its folder."""
    check_summary(read(out / "summary.json"), job, out)
    check_report((out / "report.html").read_text())


def check_episodes(out):
    table = pd.read_csv(out / "episodes.csv")
    assert tuple(table.columns[: len(EPISODE_COLUMNS)]) == EPISODE_COLUMNS
    assert set(table["cause"]) <= CAUSES
    return table


def test_everything_promised_is_written(refined):
    check_folder(refined, "refine")
    check_plant(read(refined / "plant.json"))
    check_episodes(refined)
    assert set(read(refined / "grids.json")) >= {"format", "target", "cut"}


def test_cut_never_falls_with_error(refined):
    pair = read_grids(refined / "grids.json")
    assert (np.diff(pair.cut.cut_pct, axis=1) >= 0).all()
    assert (pair.target.slip_pct > 0).all()


def test_the_target_has_an_upper_limit(refined, independent, truth):
    """No cell above common practice's 20 km/h of slip nor, where an episode can tell, far past the tyre's peak.

    20 km/h is the upper end of the good range (common practice, no source). Past its peak a tyre loses drive and
    side force, so a target of twice the true slip at peak would be no limit at all; below 30 km/h few episodes
    start and the cells may stay as they were.
    """
    target = read_grids(refined / "grids.json").target
    start = read_grids(independent / "grids_b.json").target
    assert (target.slip_pct * target.speed_kmh / 100.0 <= 20.0).all()
    peak = truth["compounds"]["semi-slick"]["slip_peak_pct"]
    moved = ~np.isclose(target.slip_pct, start.at(target.speed_kmh), atol=0.05)
    told = moved & (target.speed_kmh >= 30.0)
    assert told.any()
    assert (target.slip_pct[told] <= 2.0 * peak).all()


def test_episodes_are_found(refined, truth):
    found = pd.read_csv(refined / "episodes.csv")
    hits, wanted = 0, 0
    for run in truth["runs"]:
        mine = found[found["run"] == run["run"]][["start_s", "end_s"]].to_numpy()
        taken = set()
        for episode in run["episodes"]:
            wanted += 1
            low = np.minimum(mine[:, 1], episode["end_s"]) - np.maximum(mine[:, 0], episode["start_s"])
            high = np.maximum(mine[:, 1], episode["end_s"]) - np.minimum(mine[:, 0], episode["start_s"])
            share = np.where(low > 0, low / high, 0.0)
            best = int(np.argmax(share))
            if share[best] >= 0.5 and best not in taken:
                taken.add(best)
                hits += 1
    assert hits / wanted >= 0.85, "recall"
    assert hits / len(found) >= 0.85, "precision"


def test_the_tyre_is_near_the_truth(refined, truth):
    (tyre,) = read(refined / "plant.json")["tyres"]
    true = truth["compounds"][tyre["compound"]]
    assert tyre["peak_mu"]["mean"] == pytest.approx(true["mu_peak_as_run"], rel=0.06)
    assert tyre["peak_slip_pct"]["mean"] == pytest.approx(true["slip_peak_pct"], abs=4.0)


def test_the_cut_gain_is_near_the_truth(refined, truth):
    gears = read(refined / "plant.json")["gears"]
    enough = [g for g in gears if g["episodes"] >= 10]
    assert enough
    for gear in enough:
        true = truth["gears"][str(gear["gear"])]["gain_free_wheel_kmhs_per_pct"]
        assert gear["cut_gain_kmhps_per_pct"]["mean"] == pytest.approx(true, rel=0.15), gear["gear"]


@pytest.fixture(scope="module")
def inspected(independent, tmp_path_factory):
    out = tmp_path_factory.mktemp("inspect") / "out"
    assert call("inspect", independent / "car.toml", independent, "--out", out, "--no-tracking") == 0
    return out


def test_inspect_writes_what_it_promises_and_finds_the_same_episodes(inspected, refined):
    check_folder(inspected, "inspect")
    pd.testing.assert_frame_equal(check_episodes(inspected), check_episodes(refined))
    findings = pd.read_csv(inspected / "findings.csv")
    assert {"check", "run", "statistic", "value", "operator", "threshold", "passed"} <= set(findings.columns)


def test_inspect_finds_the_scale_between_the_axles_and_the_radius(inspected, truth):
    """The slip that a wrong scale fakes counts in points, so 1 % is the least that a calibrator can use."""
    for run in read(inspected / "calibration.json")["runs"]:
        factor, radius = run["factor_driven_over_undriven"], run["rolling_radius_m"]
        assert factor["mean"] == pytest.approx(truth["driven_speed_scale"], abs=0.01)
        assert factor["lo"] <= truth["driven_speed_scale"] <= factor["hi"]
        assert radius["mean"] == pytest.approx(truth["rolling_radius_m"], rel=0.01)


@pytest.fixture(scope="module")
def scored(independent, refined, tmp_path_factory):
    """The pair that drove run2, on the plant that refine found, with both runs."""
    out = tmp_path_factory.mktemp("score") / "out"
    code = call(
        "score", independent / "car.toml", independent / "grids_b.json", independent, "--plant",
        refined / "plant.json", "--out", out, "--no-tracking",
    )  # fmt: skip
    assert code == 0
    return out


def test_score_writes_what_it_promises(scored):
    check_folder(scored, "score")
    content = read(scored / "score.json")
    assert content["format"] == "gridfit-score/1"
    assert content["plant"] == "fit"
    for pairs in (content["all_gears"], *(gear["pairs"] for gear in content["gears"])):
        assert set(pairs) == {"common practice", "this pair"}
        for parts in pairs.values():
            for name, value in parts.items():
                assert_estimate(value, name)


def test_score_measures_only_the_runs_that_the_pair_drove(scored, independent):
    notes = {path.stem: tomllib.loads(path.read_text()) for path in independent.glob("run?.toml")}
    driven = {name for name, note in notes.items() if note["grids"] == "grids_b.json"}
    assert driven == {"run2"}
    assert set(check_episodes(scored)["run"]) == driven
    assert any("run1" in warning for warning in read(scored / "summary.json")["warnings"])


def test_the_refined_pair_scores_better_than_the_one_in_force(refined, scored, independent, tmp_path):
    """On scenarios that the search did not see (another seed), by the job that knows nothing of the search."""
    costs = []
    for name in ("grids.json", "grids_b.json"):
        grids = refined / name if name == "grids.json" else independent / name
        assert call("score", independent / "car.toml", grids, "--plant", refined / "plant.json",
                    "--out", tmp_path / name, "--no-tracking", "--seed", 99) == 0  # fmt: skip
        costs.append(read(tmp_path / name / "score.json")["all_gears"]["this pair"]["cost"]["mean"])
    assert costs[0] < costs[1]


def test_propose_writes_what_it_promises_and_stays_within_limits(independent, tmp_path):
    out = tmp_path / "out"
    assert call("propose", independent / "car.toml", "--out", out, "--no-tracking", "--budget", "quick") == 0
    check_folder(out, "propose")
    check_plant(read(out / "plant.json"))
    pair = read_grids(out / "grids.json")
    usual = common_practice(read_carsheet(independent / "car.toml"))
    assert (pair.target.slip_pct <= usual.target.at(pair.target.speed_kmh) * 20.0 / 15.0).all(), (
        "20 km/h of slip"
    )
    assert (np.diff(pair.cut.cut_pct, axis=1) >= 0).all()


def test_same_seed_same_grids(independent, tmp_path):
    for name in ("one", "two"):
        assert call("propose", independent / "car.toml", "--out", tmp_path / name, "--no-tracking",
                    "--budget", "quick", "--draws", 8, "--seed", 5) == 0  # fmt: skip
    assert (tmp_path / "one" / "grids.json").read_bytes() == (tmp_path / "two" / "grids.json").read_bytes()


@pytest.fixture(scope="module")
def compared(demo, tmp_path_factory):
    out = tmp_path_factory.mktemp("compare") / "out"
    runs = (demo / "soft", demo / "hard")
    assert call("compare", demo / "car.toml", *runs, "--out", out, "--no-tracking") == 0
    return out


def test_compounds_of_the_demo_are_told_apart(compared):
    """The demo's second compound was made with 4 % less grip; its runs vary by about 1 %."""
    out = compared
    check_folder(out, "compare")
    check_plant(read(out / "plant.json"))
    content = read(out / "compare.json")
    assert content["format"] == "gridfit-compare/1"
    (pair,) = content["pairs"]
    assert set(pair) >= COMPARE_PAIR
    assert_estimate(pair["peak_mu_diff_pct"])
    assert 0.0 <= pair["p_value"] <= 1.0
    assert pair["minimum_detectable_pct"] > 0.0
    assert pair["runs"] == [4, 4]
    assert pair["runs_needed"] >= 2
    sign = 1.0 if (pair["a"], pair["b"]) == ("soft", "hard") else -1.0
    assert pair["verdict"] == ("a" if sign > 0 else "b")
    interval = pair["peak_mu_diff_pct"]
    assert interval["lo"] * interval["hi"] > 0, "the interval must exclude zero"
    assert sign * interval["lo"] < 0, "the difference must point to the soft compound"
    assert set(pair["runs_still_needed_for_pct"]) == {"2", "3", "5"}
    for worth in pair["worth"]:
        for key in ("exit_speed_kmh", "drive_lost_kmh", "recovery_s", "cost"):
            assert_estimate(worth[key])
        assert sign * worth["exit_speed_kmh"]["mean"] < 0, "less grip must not gain exit speed"
    assert [worth["under"] for worth in pair["worth"]] == ["own best", "common"]
    assert {figure["figure"] for figure in content["figures"]} == {
        "peak_slip_pct", "fall_off_pct", "drift_pct_per_min",
    }  # fmt: skip


def test_every_run_has_its_figures_with_errors(compared):
    runs = pd.read_csv(compared / "runs.csv")
    assert len(runs) == 8
    for value, error in (("log_mu", "se"), ("log_slip", "log_slip_se"), ("fall_off_pct", "fall_off_se"),
                         ("drift_pct_per_min", "drift_se")):  # fmt: skip
        assert np.isfinite(runs[value]).all()
        assert (runs[error] > 0).all()
    # the demo was made with slip at the peak of 11 % on both compounds
    assert runs["peak_slip_pct"].mean() == pytest.approx(11.0, abs=2.0)
    page = (compared / "report.html").read_text()
    for run in runs["run"]:
        assert page.count(run) >= 4, "every run stands in the figures and tables"


def test_grid_pairs_are_compared_as_driven(demo, tmp_path):
    out = tmp_path / "out"
    assert call("compare", demo / "car.toml", demo / "soft", demo / "hard", "--by", "grids", "--out", out,
                "--no-tracking") == 0  # fmt: skip
    content = read(out / "gridchange.json")
    assert content["format"] == "gridfit-gridchange/1"
    assert not content["one_target"]
    by_name = {outcome["outcome"]: outcome["pairs"][0] for outcome in content["outcomes"]}
    assert by_name["recovery_s"]["verdict"] == "not comparable"
    assert by_name["peak_slip_kmh"]["verdict"] == "better"  # the milder pair has the tighter target
    assert by_name["peak_slip_kmh"]["runs"] == [2, 6]
    assert {path.name for path in out.iterdir()} >= {
        "runs.csv",
        "next_runs.csv",
        "episodes.csv",
        "report.html",
    }
    check_report((out / "report.html").read_text())


def test_logs_of_two_cars_are_refused(demo, independent, tmp_path, capsys):
    """Runs of another car under this car's sheet would pass for another compound."""
    for by in ("compound", "grids"):
        assert call("compare", demo / "car.toml", demo / "soft", independent, "--by", by, "--out", tmp_path / "out",
                    "--no-tracking") == 4  # fmt: skip
        told = capsys.readouterr().err
        assert "One comparison is of one car" in told
        assert "run1" in told
        assert "soft1" not in told
        assert not (tmp_path / "out").exists()


def test_a_plant_of_two_compounds_is_scored_on_the_car_sheets(compared, demo, tmp_path):
    """plant.json lists the compounds in the order of the runs; the sheet says which one is on the car."""
    sheet = (demo / "car.toml").read_text()
    assert 'compound = "soft"' in sheet
    friction = {item["compound"]: item["peak_mu"]["mean"] for item in read(compared / "plant.json")["tyres"]}
    cost = {}
    for name in friction:
        car = tmp_path / f"{name}.toml"
        car.write_text(sheet.replace('compound = "soft"', f'compound = "{name}"'))
        assert call("score", car, demo / "grids_milder.json", "--plant", compared / "plant.json",
                    "--out", tmp_path / name, "--no-tracking") == 0  # fmt: skip
        summary = read(tmp_path / name / "summary.json")
        assert summary["results"]["compound"] == name
        cost[name] = summary["scores"]["this pair"]["cost"]["mean"]
    assert len(set(cost.values())) == len(friction) == 2


def test_one_compound_is_refused_with_a_reason(independent, tmp_path, capsys):
    assert (
        call("compare", independent / "car.toml", independent, "--out", tmp_path / "out", "--no-tracking")
        == 4
    )
    assert not (tmp_path / "out").exists()
    assert capsys.readouterr().err.strip()

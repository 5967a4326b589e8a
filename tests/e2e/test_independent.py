"""The whole job on logs from an independent vehicle simulator, through the command line, against its truth."""

import json

import numpy as np
import pandas as pd
import pytest

from gridfit.grids import read_grids
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
    return json.loads((independent / "truth.json").read_text())


def test_everything_promised_is_written(refined):
    names = {p.name for p in refined.iterdir()}
    assert {
        "summary.json",
        "report.html",
        "grids.json",
        "target.csv",
        "cut.csv",
        "plant.json",
        "episodes.csv",
    } <= names
    page = (refined / "report.html").read_text()
    assert "Closed course" in page
    assert "http://" not in page.replace("http://www.w3.org", "")
    assert "https://" not in page


def test_cut_never_falls_with_error(refined):
    pair = read_grids(refined / "grids.json")
    assert (np.diff(pair.cut.cut_pct, axis=1) >= 0).all()
    assert (pair.target.slip_pct > 0).all()


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
    (tyre,) = json.loads((refined / "plant.json").read_text())["tyres"]
    true = truth["compounds"][tyre["compound"]]
    assert tyre["peak_mu"]["mean"] == pytest.approx(true["mu_peak_as_run"], rel=0.06)
    assert tyre["peak_slip_pct"]["mean"] == pytest.approx(true["slip_peak_pct"], abs=4.0)


def test_the_cut_gain_is_near_the_truth(refined, truth):
    gears = json.loads((refined / "plant.json").read_text())["gears"]
    enough = [g for g in gears if g["episodes"] >= 10]
    assert enough
    for gear in enough:
        true = truth["gears"][str(gear["gear"])]["gain_free_wheel_kmhs_per_pct"]
        assert gear["cut_gain_kmhps_per_pct"]["mean"] == pytest.approx(true, rel=0.15), gear["gear"]


def test_same_seed_same_grids(independent, tmp_path):
    for name in ("one", "two"):
        assert call("propose", independent / "car.toml", "--out", tmp_path / name, "--no-tracking",
                    "--budget", "quick", "--draws", 8, "--seed", 5) == 0  # fmt: skip
    assert (tmp_path / "one" / "grids.json").read_bytes() == (tmp_path / "two" / "grids.json").read_bytes()


def test_compounds_of_the_demo_are_told_apart(demo, tmp_path):
    """The demo's second compound was made with 4 % less grip; its runs vary by about 1 %."""
    out = tmp_path / "out"
    assert (
        call("compare", demo / "car.toml", demo / "soft", demo / "hard", "--out", out, "--no-tracking") == 0
    )
    (pair,) = json.loads((out / "compare.json").read_text())["pairs"]
    sign = 1.0 if (pair["a"], pair["b"]) == ("soft", "hard") else -1.0
    assert pair["verdict"] == ("a" if sign > 0 else "b")
    interval = pair["peak_mu_diff_pct"]
    assert interval["lo"] * interval["hi"] > 0, "the interval must exclude zero"
    assert sign * interval["lo"] < 0, "the difference must point to the soft compound"


def test_one_compound_is_refused_with_a_reason(independent, tmp_path, capsys):
    assert (
        call("compare", independent / "car.toml", independent, "--out", tmp_path / "out", "--no-tracking")
        == 4
    )
    assert not (tmp_path / "out").exists()
    assert capsys.readouterr().err.strip()

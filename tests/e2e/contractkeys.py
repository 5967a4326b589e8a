"""The keys that every result file promises, as README.md and the file formats give them, and the standing cautions."""

import re
from html import unescape
from pathlib import Path

ESTIMATE = {"mean", "lo", "hi"}

SUMMARY = {
    "format", "job", "car", "result_id", "started", "finding", "asked", "inputs", "seed", "versions", "scores",
    "results", "warnings", "findings", "stood_in", "candidates", "studies", "tracking", "files",
}  # fmt: skip
PLANT_GEAR = {"gear", "episodes", "cut_gain_kmhps_per_pct", "dead_time_s", "lag_s", "inertia_kg"}
PLANT_TYRE = {"compound", "peak_mu", "peak_slip_pct"}
COMPARE_PAIR = {
    "a", "b", "peak_mu_diff_pct", "p_value", "verdict", "minimum_detectable_pct", "runs", "runs_needed",
}  # fmt: skip
EPISODE_COLUMNS = ("run", "start_s", "end_s", "gear", "cause", "peak_slip_kmh", "recovery_s")
CAUSES = {"throttle", "kerb", "damp", "shift", "unknown"}

FILES = {
    "propose": {"grids.json", "target.csv", "cut.csv", "plant.json"},
    "inspect": {"episodes.csv", "findings.csv", "calibration.json"},
    "refine": {"grids.json", "target.csv", "cut.csv", "plant.json", "episodes.csv", "findings.csv"},
    "score": {"score.json"},
    "compare": {"compare.json", "worth.json", "next_runs.csv", "runs.csv", "episodes.csv", "plant.json"},
}

CAUTIONS = (
    ("closed course", "trained driver"),
    ("unburnt", "hot exhaust"),
    ("fuel cut", "cylinders lean"),
    ("driveline shock",),
    ("no stability, braking or safety system",),
    ("local rules", "licensed"),
)
"""Words that must stand together in one caution of every report."""


def check_report(page: str) -> None:
    """See that a report carries every caution, names what it rests on, puts the next step first and stands alone."""
    box = re.search(r'<div class="cautions".*?</div>', page, re.DOTALL)
    assert box, "the cautions have no box of their own"
    items = [
        unescape(re.sub("<[^>]+>", "", item)).lower() for item in re.findall(r"<li>(.*?)</li>", box[0], re.S)
    ]
    for words in CAUTIONS:
        assert any(all(word in item for word in words) for item in items), words
    titles = re.findall(r'<h2><span class="number">\d+</span>(.*?)</h2>', page)
    assert titles[0] == "What to do next"
    assert "What rests on data, what on the prior" in titles
    assert "http://" not in page.replace("http://www.w3.org", "")
    assert "https://" not in page


def check_summary(summary: dict[str, object], job: str, out: Path) -> None:
    """See that summary.json has its keys, belongs to the job and lists what is in the folder."""
    assert set(summary) == SUMMARY
    assert summary["format"] == "gridfit-summary/1"
    assert summary["job"] == job
    found = {path.relative_to(out).as_posix() for path in out.rglob("*") if path.is_file()}
    assert set(summary["files"]) == found
    assert FILES[job] <= found
    for item in summary["inputs"]:
        assert re.fullmatch("[0-9a-f]{64}", item["sha256"])
    for parts in summary["scores"].values():
        for name, value in parts.items():
            assert_estimate(value, name)


def assert_estimate(value: dict[str, float], name: str = "") -> None:
    """See that a figure is a mean with its interval."""
    assert set(value) == ESTIMATE, name
    assert value["lo"] <= value["hi"], name


def check_plant(plant: dict[str, object]) -> None:
    """See that plant.json has the promised keys; more are allowed."""
    assert plant["format"] == "gridfit-plant/1"
    for gear in plant["gears"]:
        assert set(gear) >= PLANT_GEAR
        for name in PLANT_GEAR - {"gear", "episodes"}:
            assert_estimate(gear[name], name)
        assert gear["cut_gain_kmhps_per_pct"]["mean"] < 0.0
    for tyre in plant["tyres"]:
        assert set(tyre) >= PLANT_TYRE
        for name in PLANT_TYRE - {"compound"}:
            assert_estimate(tyre[name], name)

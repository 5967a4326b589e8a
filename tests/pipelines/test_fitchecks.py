"""Checks of the plant in a job: quiet and complete on the demo, loud when the logs break the plant."""

import io
import shutil

import numpy as np
import pandas as pd
import pytest
from cases.htmlpage import check as check_html

from pipelines import fitchecks
from pipelines.identify import identify
from pipelines.ingest import Source, ingest
from pipelines.progress import silent
from pipelines.report.blocks import Page, Picture, Table
from pipelines.report.cautions import cautions
from pipelines.report.figures_fit import draw_followed, error_data, followed_data
from pipelines.report.fit_section import fit_section
from pipelines.report.page import render

LATE_SAMPLES = 30
"""0.3 s at the demo's 100 Hz."""


def checked(car, runs, budget):
    logs = ingest(Source(car, runs), silent)
    identified = identify(logs, np.random.default_rng(1), 24, silent)
    return logs, fitchecks.check(logs, identified, budget, silent)


@pytest.fixture(scope="module")
def usual(demo):
    return checked(demo / "car.toml", (demo / "soft",), "normal")


@pytest.fixture(scope="module")
def late(demo, tmp_path_factory):
    """The demo's runs with every wheel speed logged 0.3 s late."""
    folder = tmp_path_factory.mktemp("late")
    for path in (*demo.glob("*.toml"), *demo.glob("*.json")):
        shutil.copy(path, folder)
    shutil.copytree(demo / "soft", folder / "soft")
    for path in (folder / "soft").glob("*.parquet"):
        table = pd.read_parquet(path)
        speeds = [name for name in table.columns if name.startswith("ws_")]
        table[speeds] = table[speeds].shift(LATE_SAMPLES).bfill()
        table.to_parquet(path)
    return checked(folder / "car.toml", (folder / "soft",), "quick")


def test_the_demo_s_plant_passes_without_a_word(usual):
    _, checks = usual
    assert fitchecks.warnings(checks) == ()
    assert all(finding.passed for finding in checks.findings)


def test_late_wheel_speeds_are_warned_of_and_say_what_to_do(late):
    _, checks = late
    (warning,) = fitchecks.warnings(checks)
    assert "gridfit inspect" in warning
    assert "propose" in warning
    assert "The plant may not be this car" in warning


def test_findings_follow_those_of_the_logs(usual):
    logs, checks = usual
    table = fitchecks.with_findings(logs.findings, checks)
    assert list(table.columns) == list(logs.findings.columns)
    assert len(table) == len(logs.findings) + len(checks.findings)
    assert table["passed"].dtype == logs.findings["passed"].dtype


def test_files_hold_the_tables(usual):
    _, checks = usual
    tables = {name: pd.read_csv(io.StringIO(text)) for name, text in fitchecks.files(checks).items()}
    assert set(tables) == {"parameters.csv", "residuals.csv", "heldout.csv"}
    assert tables["parameters.csv"]["parameter"].is_unique
    assert set(tables["parameters.csv"]["moved"]) == {"yes", "no", "held"}
    assert set(tables["residuals.csv"]["by"]) == {"gear", "speed from [km/h]"}
    assert tables["heldout.csv"]["run"].iloc[-1] == "all runs"


def test_a_quick_budget_leaves_no_run_out(late):
    _, checks = late
    assert checks.held_out is None
    assert "heldout.csv" not in fitchecks.files(checks)


def test_predictions_run_beside_what_was_measured(usual):
    _, checks = usual
    best, _, worst = followed_data(checks)
    errors = [np.nanmax(np.abs(e.predicted_kmh[0] - e.measured_kmh[0])) for e in (best, worst)]
    assert errors[0] < 0.3
    assert errors[1] > errors[0]
    assert best.time_s[0] == 0.0
    assert np.isnan(best.time_s).sum() == best.starts_s.size
    assert draw_followed((best, worst)) == draw_followed((best, worst))


def test_panels_hold_one_place_per_gear_and_speed_class(usual):
    _, checks = usual
    by_gear, by_speed = error_data(checks)
    assert by_gear.places == tuple(f"gear {g}" for g in sorted(set(checks.by_gear["group"])))
    assert len(by_speed.places) == by_speed.noise.size == checks.by_speed["group"].nunique()
    assert np.all(by_gear.noise > 0)


@pytest.mark.parametrize("case", ["usual", "late"])
def test_the_section_is_valid_html_with_every_figure_in_it(case, request):
    logs, checks = request.getfixturevalue(case)
    section = fit_section(checks)
    page = Page("A car", "Found.", (), "careful", (), (), cautions(logs.sheet.engine.cut), (section,))
    text = render(page)
    assert {"figure", "table", "details"} <= set(check_html(text).tags)
    folded = [b.caption for b in section.blocks if isinstance(b, Table) and b.folded]
    assert "Every figure of the plant" in folded
    assert sum(isinstance(block, Picture) for block in section.blocks) == 2
    table = next(
        b for b in section.blocks if isinstance(b, Table) and b.caption == "Every figure of the plant"
    )
    assert len(table.rows) == len(checks.parameters)
    assert not any("e+" in cell.text + cell.below for row in table.rows for cell in row)
    told = "Not everywhere" if case == "late" else "Yes: all"
    assert told in text

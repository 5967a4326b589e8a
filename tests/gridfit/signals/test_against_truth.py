"""Factor, gears and episodes of logs from an independent vehicle simulator, against its truth."""

import json
from dataclasses import replace

import numpy as np
import pytest

from gridfit.carsheet import read_carsheet
from gridfit.grids import read_grids
from gridfit.signals import episodes
from gridfit.signals.prepare import prepare
from gridfit.signals.readers import find_map, read_run


@pytest.fixture(scope="module")
def logs(independent):
    sheet = read_carsheet(independent / "car.toml")
    paths = sorted(independent.glob("run*.parquet"))
    runs = [read_run(path, find_map(path), sheet) for path in paths]
    grids = {run.name: read_grids(independent / run.note.grids) for run in runs}
    return sheet, runs, grids, json.loads((independent / "truth.json").read_text())


def unlogged(runs):
    """The same runs without their gear channel."""
    return [
        replace(
            run,
            table=run.table.drop(columns="gear"),
            roles=tuple(role for role in run.roles if role != "gear"),
        )
        for run in runs
    ]


def matched(table, truth):
    """Number of true episodes that some found one overlaps by half or more, each found one used once."""
    hits = 0
    for run in truth["runs"]:
        found = table.loc[table["run"] == run["run"], ["start_s", "end_s"]].to_numpy()
        taken = set()
        for one in run["episodes"]:
            low = np.minimum(found[:, 1], one["end_s"]) - np.maximum(found[:, 0], one["start_s"])
            high = np.maximum(found[:, 1], one["end_s"]) - np.minimum(found[:, 0], one["start_s"])
            share = np.where(low > 0, low / high, 0.0)
            best = int(np.argmax(share))
            if share[best] >= 0.5 and best not in taken:
                taken.add(best)
                hits += 1
    return hits


def test_the_factor_is_within_three_thousandths_and_covered(logs):
    sheet, runs, grids, truth = logs
    for signals in prepare(runs, sheet, grids):
        assert signals.factor.mean == pytest.approx(truth["driven_speed_scale"], rel=0.003)
        assert signals.factor.covers(truth["driven_speed_scale"])


@pytest.mark.parametrize("gear_logged", [True, False])
def test_episodes_are_found_and_no_others(logs, gear_logged):
    sheet, runs, grids, truth = logs
    table = episodes.find(prepare(runs if gear_logged else unlogged(runs), sheet, grids), sheet)
    hits = matched(table, truth)
    assert hits / sum(len(run["episodes"]) for run in truth["runs"]) >= 0.92
    assert hits / len(table) >= 0.92


def test_gears_are_right_without_the_channel(logs):
    sheet, runs, grids, _ = logs
    right = total = 0
    for run, with_gear, without in zip(
        runs, prepare(runs, sheet, grids), prepare(unlogged(runs), sheet, grids), strict=True
    ):
        logged = np.nan_to_num(run.table["gear"].to_numpy()).round()
        driven = (logged > 0) & ~with_gear.table["shift"].to_numpy() & (with_gear.table["v_u_mps"] > 2.5)
        right += int((without.table["gear"].to_numpy() == logged)[driven].sum())
        total += int(driven.sum())
    assert right / total >= 0.99

"""Logs of a car that gridfit did not write, fitted, against that car's truth."""

import json

import numpy as np
import pytest
from outside.make_cars import make

from gridfit.carsheet import read_carsheet
from gridfit.grids import read_grids
from gridfit.plant.identification import identify
from gridfit.signals.episodes import find
from gridfit.signals.prepare import prepare
from gridfit.signals.readers import expand, find_map, read_run
from gridfit.simulate.plantfiles import to_document

ENOUGH = 10
"""A gear is judged from so many episodes on."""


@pytest.fixture(scope="module")
def logged(tmp_path_factory):
    """Folder of two runs of the rear-driven street car."""
    folder = tmp_path_factory.mktemp("outside") / "sorrel"
    make(0, folder, seconds=300.0, runs=2)
    return folder


@pytest.fixture(scope="module")
def prepared(logged):
    sheet = read_carsheet(logged / "sheet.toml")
    runs = [read_run(path, find_map(path), sheet) for path in expand([logged])]
    grids = {run.name: read_grids(logged / run.note.grids) for run in runs}
    signals = prepare(runs, sheet, grids)
    return sheet, signals, find(signals, sheet)


@pytest.fixture(scope="module")
def fitted(prepared):
    """plant.json's document of the fit."""
    sheet, signals, episodes = prepared
    return to_document(sheet, identify(sheet, signals, episodes, np.random.default_rng(0)).plant)


@pytest.fixture(scope="module")
def truth(logged):
    return json.loads((logged / "truth.json").read_text())


def test_episodes_are_found(prepared, truth):
    _, _, episodes = prepared
    hits = wanted = 0
    for run in truth["runs"]:
        mine = episodes.loc[episodes["run"] == run["run"], ["start_s", "end_s"]].to_numpy()
        for one in run["episodes"]:
            wanted += 1
            both = np.minimum(mine[:, 1], one["end_s"]) - np.maximum(mine[:, 0], one["start_s"])
            either = np.maximum(mine[:, 1], one["end_s"]) - np.minimum(mine[:, 0], one["start_s"])
            hits += bool((both / either > 0.5).any())
    assert wanted > 40
    assert hits / wanted > 0.85
    assert hits / len(episodes) > 0.85


def test_wheel_speed_factor_is_found(prepared, truth):
    _, signals, _ = prepared
    for one in signals:
        assert one.factor.mean == pytest.approx(truth["driven_speed_scale"], abs=0.002)


def test_peak_friction_within_four_per_cent(fitted, truth):
    (tyre,) = fitted["tyres"]
    true = truth["compounds"][tyre["compound"]]
    assert tyre["peak_mu"]["mean"] == pytest.approx(true["mu_peak_as_run"], rel=0.04)
    assert tyre["peak_slip_pct"]["mean"] == pytest.approx(true["slip_peak_pct"], abs=2.0)


def test_cut_gain_within_ten_per_cent(fitted, truth):
    judged = [gear for gear in fitted["gears"] if gear["episodes"] >= ENOUGH]
    assert len(judged) >= 2
    for gear in judged:
        true = truth["gears"][str(gear["gear"])]
        told = true["gain_free_wheel_kmhs_per_pct"]
        assert gear["cut_gain_kmhps_per_pct"]["mean"] == pytest.approx(told, rel=0.10), gear["gear"]

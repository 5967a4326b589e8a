"""plant.json: its keys, there and back, and broken files refused with the way out."""

import json

import numpy as np
import pytest
from cases.goodcar import write_all

from gridfit.carsheet import read_carsheet
from gridfit.errors import CallError, InputError
from gridfit.plant.prior import from_carsheet
from gridfit.simulate.plantfiles import read_plant, to_document


@pytest.fixture
def made(tmp_path):
    sheet = read_carsheet(write_all(tmp_path) / "car.toml")
    plant = from_carsheet(sheet, np.random.default_rng(1), n_draws=5)
    return plant, to_document(sheet, plant), tmp_path / "plant.json"


def test_keys_per_gear_and_tyre(made):
    _, document, _ = made
    assert document["format"] == "gridfit-plant/1"
    assert [row["gear"] for row in document["gears"]] == [1, 2, 3, 4, 5, 6]
    wanted = {"gear", "episodes", "cut_gain_kmhps_per_pct", "dead_time_s", "lag_s", "inertia_kg"}
    assert all(wanted <= set(row) for row in document["gears"])
    assert all({"compound", "peak_mu", "peak_slip_pct"} <= set(row) for row in document["tyres"])
    for row in document["gears"]:
        assert row["cut_gain_kmhps_per_pct"]["hi"] < 0.0
        assert row["inertia_kg"]["lo"] <= row["inertia_kg"]["mean"] <= row["inertia_kg"]["hi"]


def test_there_and_back(made):
    plant, document, path = made
    path.write_text(json.dumps(document, allow_nan=False), encoding="utf-8")
    again = read_plant(path)
    np.testing.assert_allclose(again.draws, plant.draws, rtol=1e-7)
    assert (again.origin, again.compounds, again.episodes) == ("prior", ("hard",), (0,) * 6)


def test_a_missing_file_is_a_wrong_call(tmp_path):
    with pytest.raises(CallError, match="no such plant file"):
        read_plant(tmp_path / "plant.json")


def _names(document):
    document["draws"]["names"][0] = "weight"


def _short(document):
    document["draws"]["values"] = [row[:-1] for row in document["draws"]["values"]]


def _nan(document):
    document["draws"]["grip"][0][0] = float("nan")


def _word(document):
    document["draws"]["values"][0][0] = "heavy"


BREAKS = {
    "is not a plant of this version": lambda d: d.update(format="gridfit-plant/9"),
    "do not name this version's parameters": _names,
    "have wrong shapes": _short,
    "values that are not numbers": _nan,
    "cannot be read": _word,
}


@pytest.mark.parametrize("message", BREAKS)
def test_broken_documents_are_refused(made, message):
    _, document, path = made
    BREAKS[message](document)
    path.write_text(json.dumps(document), encoding="utf-8")
    with pytest.raises(InputError, match=message) as caught:
        read_plant(path)
    assert caught.value.exit_code == 3
    assert "plant.json" in str(caught.value)


@pytest.mark.parametrize("text", ["{", "[]", "not json"])
def test_other_files_are_refused(tmp_path, text):
    path = tmp_path / "plant.json"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(InputError):
        read_plant(path)

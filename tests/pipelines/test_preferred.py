"""The preference that a job runs with stands in its record, exactly, with the file that it came from."""

import json

import pytest

from gridfit.preferences import to_toml
from gridfit.recovery import PREFERENCES, Preference
from pipelines.delivery import Delivery
from pipelines.ingest import Source
from pipelines.outputs import digest
from pipelines.plain import to_json
from pipelines.preferred import preferred
from pipelines.score import ScoreRequest, run

OWN = Preference("wet", recovery=1 / 3, jerk=5e-324, cut_swing=1000.0)


@pytest.mark.parametrize("name", PREFERENCES)
def test_a_name_comes_from_no_file(name):
    found = preferred(name)
    assert found.weights == PREFERENCES[name]
    assert found.inputs() == ()
    assert found.asked()["preference"] == name


def test_a_file_is_an_input_with_its_digest(tmp_path):
    path = tmp_path / "own.toml"
    path.write_text(to_toml(OWN), encoding="utf-8")
    found = preferred(str(path))
    assert found.weights == OWN
    [item] = found.inputs()
    assert (item.role, item.path, item.sha256) == ("preference", path, digest(path))


def test_the_record_holds_the_weights_to_the_last_digit():
    asked = json.loads(to_json(preferred(OWN).asked()))
    assert Preference(asked["preference"], **asked["weights"]) == OWN


def test_a_result_is_scored_again_alike_from_its_own_file(demo, tmp_path):
    def score(out, asked):
        source = Source(demo / "car.toml", (), None, demo / "grids_milder.json")
        run(ScoreRequest(source, Delivery(tmp_path / out), preference=asked, draws=4))
        return tmp_path / out

    first = score("first", OWN)
    again = score("again", str(first / "preference.toml"))
    for name in ("score.json", "preference.toml"):
        assert (again / name).read_bytes() == (first / name).read_bytes()
    summary = json.loads((again / "summary.json").read_text(encoding="utf-8"))
    assert summary["asked"]["weights"] == OWN.weights()
    assert [one["role"] for one in summary["inputs"]] == ["car sheet", "grids", "preference"]
    assert "cut_swing 1000" in (again / "report.html").read_text(encoding="utf-8")

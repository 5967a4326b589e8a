"""What a job keeps: the journal of simulations, stages as archives, and nothing read back that is not whole."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from gridfit.carsheet import read_carsheet
from gridfit.estimate import Estimate
from gridfit.grids import read_grids
from gridfit.plant.prior import from_carsheet
from gridfit.simulate.batch import Simulator
from gridfit.simulate.scenarios import catalogue
from pipelines.service import archive
from pipelines.service.memory import Journal, Memory


def key(number: int) -> bytes:
    return number.to_bytes(32, "big")


def array(number: int) -> np.ndarray:
    return np.random.default_rng(number).normal(size=(6, 4, 5))


def test_a_journal_gives_back_to_the_bit(tmp_path):
    journal = Journal(tmp_path / "j")
    for n in range(20):
        journal.put(key(n), array(n))
    journal.close()
    again = Journal(tmp_path / "j")
    assert len(again) == 20
    for n in range(20):
        np.testing.assert_array_equal(again.get(key(n)), array(n))
    assert again.get(key(99)) is None
    again.close()


@pytest.mark.parametrize("cut", [1, 7, 40, 60, 900])
def test_a_record_that_was_cut_off_is_dropped_and_the_rest_stays(tmp_path, cut):
    journal = Journal(tmp_path / "j")
    for n in range(3):
        journal.put(key(n), array(n))
    journal.close()
    whole = (tmp_path / "j").read_bytes()
    (tmp_path / "j").write_bytes(whole[:-cut])
    again = Journal(tmp_path / "j")
    assert len(again) == 2
    again.put(key(2), array(2))
    again.close()
    assert (tmp_path / "j").read_bytes() == whole


def test_a_record_that_was_damaged_is_not_believed(tmp_path):
    journal = Journal(tmp_path / "j")
    journal.put(key(0), array(0))
    journal.close()
    raw = bytearray((tmp_path / "j").read_bytes())
    raw[-5] ^= 1
    (tmp_path / "j").write_bytes(raw)
    again = Journal(tmp_path / "j")
    assert len(again) == 0
    again.close()


@pytest.fixture
def simulator(demo):
    sheet = read_carsheet(demo / "car.toml")
    plant = from_carsheet(sheet, np.random.default_rng(1), n_draws=4)
    scenarios = catalogue(sheet, plant, np.random.default_rng(2))
    return sheet, plant, scenarios


def test_simulations_are_made_once_and_come_back_to_the_bit(tmp_path, demo, simulator):
    sheet, plant, scenarios = simulator
    pair = read_grids(demo / "grids_start.json")
    plain = Simulator(sheet, scenarios, plant).parts([pair], [0, 3], [1, 2])
    memory = Memory(tmp_path / "m")
    with memory.simulations():
        np.testing.assert_array_equal(Simulator(sheet, scenarios, plant).parts([pair], [0, 3], [1, 2]), plain)
        assert memory.marks == 1
        # another simulator of the same content asks the same question
        np.testing.assert_array_equal(Simulator(sheet, scenarios, plant).parts([pair], [0, 3], [1, 2]), plain)
        assert memory.marks == 1
        others = [
            Simulator(sheet, scenarios, plant).parts([pair], [0, 4], [1, 2]),
            Simulator(sheet, scenarios, plant).parts([pair], [0, 3], [0, 2]),
            Simulator(sheet, scenarios, plant).parts(
                [read_grids(demo / "grids_milder.json")], [0, 3], [1, 2]
            ),
            Simulator(sheet, scenarios, plant, step_s=0.001).parts([pair], [0, 3], [1, 2]),
            Simulator(sheet, scenarios, replace(plant, draws=plant.draws * 1.0001)).parts(
                [pair], [0, 3], [1, 2]
            ),
        ]
        assert memory.marks == 6, "whatever changes the answer changes the key"
    assert all(not np.array_equal(one, plain) for one in others)
    memory.journal.close()
    assert Simulator.play.__qualname__ == "Simulator.play", "the plain way is back"


def test_archives_hold_what_stages_are_made_of():
    value = {
        "numbers": [1, 2.5, float("nan"), -0.0, None, True],
        ("a", 1): Estimate(1.0, 0.5, 2.0),
        "table": pd.DataFrame(
            {
                "run": ["a", "b"],
                "x": [1.5, np.nan],
                "n": np.array([1, 2]),
                "ok": [True, False],
                "mixed": ["t", None],
            }
        ),
        "array": np.arange(6, dtype=np.int64).reshape(2, 3),
        "scalar": np.float64(0.1),
    }
    back = archive.from_bytes(archive.to_bytes(value))
    assert back[("a", 1)] == Estimate(1.0, 0.5, 2.0)
    assert str(back["numbers"]) == str(value["numbers"])
    pd.testing.assert_frame_equal(back["table"], value["table"])
    np.testing.assert_array_equal(back["array"], value["array"])
    assert type(back["scalar"]) is np.float64


def test_archives_make_nothing_but_known_classes():
    class Stranger:
        pass

    with pytest.raises(TypeError, match="Stranger"):
        archive.to_bytes(Stranger())
    with pytest.raises(TypeError, match="object"):
        archive.to_bytes(np.array([object()]))


def test_a_damaged_stage_is_made_anew(tmp_path):
    memory = Memory(tmp_path / "m")
    assert memory.keep("s", lambda: 1) == 1
    assert memory.keep("s", lambda: 2) == 1
    (tmp_path / "m" / "s.npz").write_bytes(b"PK\x03\x04 nothing")
    assert memory.keep("s", lambda: 3) == 3
    memory.journal.close()

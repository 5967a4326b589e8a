"""The same log in every format gives the same run; whatever a user gets wrong about it is said."""

import importlib.util
from pathlib import Path

import numpy as np
import pytest
from cases import seedlogs
from cases.goodcar import log_rows, log_text
from cases.seedlogs import Seed, write_seeds
from numpy.testing import assert_allclose

from gridfit.carsheet import CarSheet, read_carsheet
from gridfit.errors import CallError, InputError
from gridfit.signals.formats import FORMATS, read_columns
from gridfit.signals.rawlog import Hints, Wanted
from gridfit.signals.readers import expand, read_run
from gridfit.signals.run import Run
from gridfit.signals.source import ending

ROWS = 120
CAN_NAMES = (
    "frames.log",
    "frames.asc",
    "frames.blf",
    "frames.trc",
    "frames.csv",
    "frames.mf4",
    "screen.log",
    "table.csv",
)
WHEELS = ("speed_fl_mps", "speed_fr_mps", "speed_rl_mps", "speed_rr_mps")


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("seeds")


@pytest.fixture(scope="module")
def seeds(folder: Path) -> dict[str, Seed]:
    return {one.name: one for one in write_seeds(folder, ROWS)}


@pytest.fixture(scope="module")
def sheet(folder: Path, seeds: dict[str, Seed]) -> CarSheet:
    return read_carsheet(folder / "car.toml")


def read(seed: Seed, sheet: CarSheet, map_text: str | None = None) -> Run:
    """Read a seed, with another map when one is given."""
    if map_text is not None:
        (seed.path.parent / "channels.toml").write_text(map_text)
    try:
        return read_run(seed.path, None, sheet)
    finally:
        (seed.path.parent / "channels.toml").write_text(seedlogs.map_text(seed.time))


def test_every_format_is_tried(seeds: dict[str, Seed]):
    assert {ending(one.path) for one in seeds.values()} >= set(FORMATS) - {".tsv", ".mdf"}


@pytest.mark.parametrize("name", [*CAN_NAMES, "packed.log.gz", "plain.csv", "german.csv", "wide.csv", "packed.csv.gz",
                                  "flat.parquet", "zstd.parquet", "long.parquet", "old.mf4", "deflate.mf4",
                                  "transposed.mf4"])  # fmt: skip
def test_every_format_gives_the_same_run(seeds: dict[str, Seed], sheet: CarSheet, name: str):
    run, rows = read(seeds[name], sheet), log_rows(ROWS)
    # Logs of frames count from their first frame.
    start = rows[0, 0] if run.table["time_s"][0] < 1.0 else 0.0
    # TRC stamps have three decimals of a millisecond, BLF 10 us or 1 ns; text has microseconds.
    assert_allclose(run.table["time_s"] + start, rows[:, 0], rtol=0.0, atol=1.1e-6)
    for at, column in enumerate(WHEELS, start=1):
        assert_allclose(run.table[column] * 3.6, rows[:, at], rtol=0.0, atol=1e-9)
    inside = run.table["rpm"].notna().to_numpy()
    assert inside.sum() >= ROWS - 2
    # The engine's message comes every 40 ms, 1 ms later: between its stamps rpm and throttle are interpolated.
    assert_allclose(run.table["rpm"][inside], rows[inside, 6], atol=6.0)
    assert_allclose(run.table["throttle"][inside] * 100.0, rows[inside, 5], atol=0.2)
    assert set(run.table["gear"].dropna()) == {2.0}
    assert run.rows_dropped == 0
    assert run.name == name.split(".")[0]


def test_only_the_message_table_that_was_read_is_told(seeds: dict[str, Seed], sheet: CarSheet):
    assert [one.name for one in read(seeds["frames.blf"], sheet).beside] == ["bus.dbc"]
    assert read(seeds["old.mf4"], sheet).beside == ()


@pytest.mark.parametrize("name", [name for name in CAN_NAMES if not name.startswith("packed")])
def test_without_a_message_table_frames_are_refused(seeds, sheet, name):
    table = seeds[name].path.parent / "bus.dbc"
    table.unlink()
    try:
        with pytest.raises(
            InputError, match=rf"{name} message table = no DBC file beside the log.*Put the DBC file"
        ):
            read(seeds[name], sheet)
    finally:
        table.write_text(seedlogs.DBC)


def test_a_map_may_name_the_message_table_and_the_bus(seeds, sheet, folder):
    seed = seeds["frames.log"]
    (seed.path.parent / "other.dbc").write_text(seedlogs.DBC)
    try:
        with pytest.raises(InputError, match=r"bus.dbc, other.dbc: .* or the channel map name one"):
            read(seed, sheet)
        for bus in ('"can0"', "0"):
            told = f'dbc = "other.dbc"\nbus = {bus}'
            assert read(seed, sheet, seedlogs.map_text("time", told)).beside[0].name == "other.dbc"
        for told, said in (
            ('dbc = "third.dbc"', r'channels.toml:2 \[file\] dbc = "third.dbc": must name a DBC file'),
            ('dbc = "bus.dbc"\nbus = 3', r'channels.toml:3 \[file\] bus = "3": must be a bus that carries'),
        ):
            with pytest.raises(InputError, match=said):
                read(seed, sheet, seedlogs.map_text("time", told))
    finally:
        (seed.path.parent / "other.dbc").unlink()


def test_a_message_on_two_buses_needs_a_word_which(seeds, sheet):
    seed = seeds["frames.log"]
    whole = seed.path.read_text()
    try:
        seed.path.write_text(whole + whole.replace("can0", "can1"))
        with pytest.raises(InputError, match=r"frames.log message WHEELS \(0x100\) = on buses can0, can1"):
            read(seed, sheet)
        assert len(read(seed, sheet, seedlogs.map_text("time", "bus = 1")).table) == ROWS
    finally:
        seed.path.write_text(whole)


def test_signals_may_be_asked_for_by_their_message(seeds, sheet):
    text = seedlogs.map_text("time").replace('"fl"', '"WHEELS.fl"')
    table = read(seeds["frames.log"], sheet, text).table
    assert_allclose(table["speed_fl_mps"] * 3.6, log_rows(ROWS)[:, 1])


def test_a_signal_that_two_messages_have_is_asked_for_by_its_message(tmp_path, seeds, sheet):
    second = '\nBO_ 257 SPARE: 8 ECU\n SG_ fl : 7|16@0+ (0.01,0) [0|655] "km/h" ECU\n'
    seed = seeds["frames.log"]
    whole, table = seed.path.read_text(), seed.path.parent / "bus.dbc"
    try:
        seed.path.write_text(whole.replace(" 100#", " 101#", 3))
        table.write_text(seedlogs.DBC + second)
        with pytest.raises(
            InputError, match=r'speed_fl column = "fl": must be a column of frames.log .*WHEELS.fl'
        ):
            read(seed, sheet)
    finally:
        seed.path.write_text(whole)
        table.write_text(seedlogs.DBC)


@pytest.mark.parametrize(
    ("library", "package", "name", "extra"),
    [
        ("cantools", "cantools", "frames.log", "can"),
        ("can", "python-can", "frames.blf", "can"),
        ("asammdf", "asammdf", "old.mf4", "mdf"),
    ],
)
def test_a_library_that_is_missing_is_named_with_what_to_install(
    seeds, sheet, monkeypatch, library, package, name, extra
):
    real = importlib.util.find_spec
    monkeypatch.setattr(
        importlib.util, "find_spec", lambda one, *rest: None if one == library else real(one, *rest)
    )
    with pytest.raises(
        CallError, match=rf"{library} is not installed.*pip install {package}, or .* extra \[{extra}\]"
    ):
        read(seeds[name], sheet)


def test_columns_can_be_read_without_a_map(seeds: dict[str, Seed]):
    wanted = [Wanted("time", "time", "call"), Wanted("rr", "speed", "call")]
    log = read_columns(seeds["transposed.mf4"].path, wanted)
    assert_allclose(log.columns["rr"], log_rows(ROWS)[:, 4])
    assert log.units["rr"] == "km/h"
    with pytest.raises(InputError, match=r'call column = "lift": must be a column of old.mf4 \(time, fl, fr'):
        read_columns(seeds["old.mf4"].path, [Wanted("lift", "speed", "call")])


@pytest.mark.parametrize("name", ["frames.log", "old.mf4", "long.parquet", "frames.mf4"])
def test_the_time_alone_can_be_asked_for(seeds: dict[str, Seed], name: str):
    log = read_columns(seeds[name].path, [Wanted("time", "time", "call")], Hints())
    assert np.all(np.diff(log.columns["time"]) > 0)


def test_a_table_of_frames_is_told_from_a_log(tmp_path: Path, sheet: CarSheet):
    (tmp_path / "run1.csv").write_text(log_text().replace("gear", "id", 1))
    (tmp_path / "channels.toml").write_text(seedlogs.map_text("t").replace('"gear"', '"id"'))
    assert read_run(tmp_path / "run1.csv", None, sheet).table["gear"].iloc[0] == 2.0


def test_one_run_in_two_formats_or_packed_twice_is_refused(tmp_path: Path):
    for name in ("run1.csv", "run1.csv.gz", "run1.mf4"):
        (tmp_path / name).write_bytes(b"x")
    with pytest.raises(CallError) as caught:
        expand([tmp_path])
    assert str(caught.value).count("the run is already given as") == 2

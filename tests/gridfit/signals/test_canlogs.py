"""Raw frames as they come from the field: cut-off ends, tables of many kinds, MDF with frames and channels."""

import base64
from pathlib import Path

import asammdf
import can
import numpy as np
import pytest
from cases import seedlogs
from cases.goodcar import log_rows
from numpy.testing import assert_allclose

from gridfit.errors import InputError
from gridfit.signals import cancsv
from gridfit.signals.formats import read_columns
from gridfit.signals.rawlog import RawLog, Wanted

ROWS = log_rows(200)
WANTED = (Wanted("time", "time", "test"), Wanted("fl", "speed", "test"), Wanted("revs", "rotation", "test"))


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "bus.dbc").write_text(seedlogs.DBC)
    return tmp_path


def check(log: RawLog, rows: int = len(ROWS)) -> None:
    assert_allclose(log.columns["fl"], ROWS[:rows, 1], rtol=0.0, atol=1e-9)
    assert_allclose(log.columns["time"], ROWS[:rows, 0] - ROWS[0, 0], rtol=0.0, atol=1.1e-6)


@pytest.mark.parametrize("name", ["run.log", "run.asc", "run.trc", "run.csv"])
def test_a_text_log_whose_last_line_is_cut_off_gives_the_rest(folder: Path, name: str):
    path = seedlogs.write_can(folder / name, ROWS)
    text = path.read_text().rstrip("\n")
    lines = text.split("\n")
    last = max(at for at, line in enumerate(lines) if " 8 " in line or "100" in line)
    path.write_text("\n".join(lines[: last + 1])[:-7])
    log = read_columns(path, WANTED)
    assert log.columns["fl"].size >= len(ROWS) - 2
    check(log, log.columns["fl"].size)
    assert sum(count for _, count in log.repairs) <= 1


@pytest.mark.parametrize("share", [0.6, 0.9, 0.99])
def test_a_binary_log_that_was_cut_off_gives_the_rest(folder: Path, share: float):
    path = folder / "run.blf"
    with can.BLFWriter(str(path), max_container_size=1000) as writer:
        for message in seedlogs.messages(ROWS):
            writer.on_message_received(message)
    path.write_bytes(path.read_bytes()[: int(share * path.stat().st_size)])
    log = read_columns(path, WANTED)
    assert share * 0.8 * len(ROWS) < log.columns["fl"].size < len(ROWS)
    check(log, log.columns["fl"].size)
    assert log.repairs == (("cut-off end of the log", 1),)


def test_a_few_broken_lines_are_left_out_and_counted(folder: Path):
    path = seedlogs.write_can(folder / "run.log", ROWS)
    lines = path.read_text().split("\n")
    lines[100], lines[200] = "garbage", lines[200][:-3] + "?"
    path.write_text("\n".join(lines))
    log = read_columns(path, WANTED)
    assert log.repairs == (("broken line", 2),)
    assert log.columns["fl"].size >= len(ROWS) - 2


def test_lines_that_the_library_leaves_out_are_counted(folder: Path, caplog: pytest.LogCaptureFixture):
    path = seedlogs.write_can(folder / "run.trc", ROWS)
    lines = path.read_text().split("\n")
    lines[100], lines[150] = lines[100][:30], lines[150][:12]
    path.write_text("\n".join(lines))
    log = read_columns(path, WANTED)
    assert log.repairs == (("broken line", 2),)
    assert not caplog.records
    path.write_text("\n".join(line[:30] if at > 40 else line for at, line in enumerate(lines)))
    with pytest.raises(InputError, match=r"run.trc CAN log = \d+ of \d+ lines hold no frame"):
        read_columns(path, WANTED)


def frame_table(header: str, line: str, **kinds: object) -> str:
    """Write frames as a table; `line` is filled from each message."""
    rows = [header]
    for one in seedlogs.messages(ROWS):
        known = {
            "t": f"{one.timestamp:.6f}", "id": one.arbitration_id, "hex": f"{one.arbitration_id:X}",
            "ext": int(one.is_extended_id), "dlc": one.dlc, "data": one.data.hex(),
            "spaced": one.data.hex(" ").upper(), "b64": base64.b64encode(one.data).decode(),
        }  # fmt: skip
        rows.append(line.format(**known))
    return "\n".join(rows) + "\n"


@pytest.mark.parametrize(
    ("header", "line"),
    [
        ("timestamp,arbitration_id,extended,remote,error,dlc,data", "{t},0x{hex},{ext},0,0,{dlc},{b64}"),
        ("time,addr,bus,data", "{t},{id},0,{data}"),
        ("Time;ID;IDE;DLC;Data", "{t};{hex};{ext};{dlc};{spaced}"),
        ("timestamp\tcan_id\tchannel\tpayload", "{t}\t{hex}h\t1\t0x{data}"),
    ],
)
def test_tables_of_frames_of_many_kinds(folder: Path, header: str, line: str):
    path = folder / "run.csv"
    path.write_text(frame_table(header, line))
    check(read_columns(path, WANTED))


@pytest.mark.parametrize(
    "columns", [("t", "fl", "fr", "gear"), ("time", "id", "speed"), ("time", "data"), ()]
)
def test_a_log_of_channels_is_no_table_of_frames(columns):
    assert cancsv.layout(columns) is None


def test_frames_and_channels_of_one_mdf_share_its_clock(folder: Path):
    path = seedlogs.write_can(folder / "frames.mf4", ROWS)
    both = folder / "both.mf4"
    with asammdf.MDF(path) as frames:
        start = float(frames.get_master(0)[0])
        steering = asammdf.Signal(
            np.sin(ROWS[:, 0]), ROWS[:, 0] - ROWS[0, 0] + start, name="steer", unit="rad"
        )
        frames.append([steering], comment="steering column")
        frames.save(both, overwrite=True)
    log = read_columns(both, [*WANTED, Wanted("steer", "angle", "test")])
    check(log)
    assert_allclose(log.columns["steer"], np.sin(ROWS[:, 0]), atol=1e-5)
    assert log.units["steer"] == "rad"


def test_channels_of_one_name_in_two_groups_carry_their_groups_name(folder: Path):
    path = folder / "run.mf4"
    with asammdf.MDF() as file:
        for group, factor in (("left", 1.0), ("right", 2.0)):
            speed = asammdf.Signal(factor * ROWS[:, 1], ROWS[:, 0], name="speed", unit="km/h")
            file.append([speed], comment=group)
        file.save(path)
    log = read_columns(path, [Wanted("left.speed", "speed", "t"), Wanted("right.speed", "speed", "t")])
    assert_allclose(2.0 * log.columns["left.speed"], log.columns["right.speed"])


def test_a_channel_of_text_is_refused(folder: Path):
    path = folder / "run.mf4"
    with asammdf.MDF() as file:
        words = np.array([b"on", b"off"] * 100)
        file.append([asammdf.Signal(words, ROWS[:, 0], name="mode", encoding="utf-8")])
        file.save(path)
    with pytest.raises(
        InputError, match=r"run.mf4 channel 'mode' = .*: must be a channel of numbers. Log it as"
    ):
        read_columns(path, [Wanted("mode", "count", "channels.toml:3")])


def test_invalid_samples_of_mdf_are_left_out(folder: Path):
    path = folder / "run.mf4"
    invalid = np.arange(len(ROWS)) % 50 == 7
    with asammdf.MDF() as file:
        file.append(
            [
                asammdf.Signal(ROWS[:, 1], ROWS[:, 0], name="fl", unit="km/h"),
                asammdf.Signal(ROWS[:, 6], ROWS[:, 0], name="revs", unit="rpm", invalidation_bits=invalid),
            ]
        )
        file.save(path)
    log = read_columns(path, WANTED)
    assert dict(log.remarks) == {"sample of revs interpolated over lost ones": int(invalid.sum())}

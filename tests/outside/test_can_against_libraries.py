"""Frames and signals against cantools and python-can, the open libraries of the field, on random tables and logs."""

from pathlib import Path

import can
import cantools
import numpy as np
import pytest
from cases import seedlogs
from cases.goodcar import log_rows
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose, assert_array_equal

from gridfit.signals import candump, dbc
from gridfit.signals.candecode import decode
from gridfit.signals.framelog import Frames
from gridfit.signals.source import opened

HEAD = 'VERSION ""\n\nNS_ :\n\nBS_:\n\nBU_: ECU\n\n'


@st.composite
def tables(draw: st.DrawFn) -> str:
    """A message of 8 bytes with signals of any place, order and sign, two of them behind a multiplexer."""
    lines = ["BO_ 100 M: 8 ECU", ' SG_ mux M : 0|4@1+ (1,0) [0|0] "" ECU']
    for at in range(draw(st.integers(2, 3))):
        length = draw(st.integers(1, 40))
        first = draw(st.integers(8, 64 - length))
        big = draw(st.booleans())
        start = 8 * (first // 8) + 7 - first % 8 if big else first
        sign, factor = draw(st.sampled_from("+-")), draw(st.sampled_from([1, 0.25, -0.1, 3]))
        behind = (" m1", " m3", "")[at % 3]
        lines.append(
            f' SG_ s{at}{behind} : {start}|{length}@{0 if big else 1}{sign} ({factor},-7) [0|0] "rpm" ECU'
        )
    return HEAD + "\n".join(lines) + "\n"


@settings(max_examples=60, deadline=None)
@given(tables(), st.lists(st.binary(min_size=8, max_size=8), min_size=1, max_size=12))
def test_signals_are_those_of_cantools(tmp_path_factory, table: str, frames: list[bytes]):
    # cantools refuses a frame whose multiplexer names no signal: every frame here names 1 or 3.
    frames = [bytes([one[0] & 0xF0 | (1, 3)[one[7] % 2]]) + one[1:] for one in frames]
    path = tmp_path_factory.mktemp("dbc") / "a.dbc"
    path.write_text(table)
    message = cantools.database.load_string(table, "dbc", strict=False).messages[0]
    expected: dict[str, list[tuple[int, float]]] = {}
    for at, data in enumerate(frames):
        for name, value in message.decode(data, allow_truncated=True).items():
            expected.setdefault(name, []).append((at, float(value)))
    columns = Frames(
        np.arange(len(frames), dtype=np.float64),
        np.frombuffer(b"".join(frames), np.uint8).reshape(-1, 8),
        np.full(len(frames), 8),
    )
    for coded in dbc.read_dbc(path).signals:
        time_s, values = decode(columns, coded)
        wanted = expected.get(coded.name, [])
        assert_array_equal(time_s, [at for at, _ in wanted])
        assert_allclose(values, [value for _, value in wanted], rtol=1e-12, atol=1e-9)


@pytest.mark.parametrize("fault", ["", "(1.0) can0 001#R\n", "(1.0) can0 20000084#0000000000000000\n"])
def test_candump_logs_are_read_as_python_can_reads_them(tmp_path: Path, fault: str):
    path = tmp_path / "run1.log"
    seedlogs.write_can(path, log_rows())
    lines = path.read_text().splitlines(keepends=True)
    lines.insert(40, fault)
    lines.insert(60, "(3.5) vcan1 123##1" + "0102030405060708090A0B0C\n")
    path.write_text("".join(lines))
    expected: dict[tuple[int, bool], list[can.Message]] = {}
    with can.CanutilsLogReader(str(path)) as reader:
        for one in reader:
            if not one.is_error_frame and not one.is_remote_frame:
                expected.setdefault((one.arbitration_id, one.is_extended_id), []).append(one)
    with opened(path) as source:
        log = candump.read(source, frozenset(expected))
    assert log.seen == set(expected)
    assert log.repairs == ()
    for frame, messages in expected.items():
        (found,) = log.frames[frame].values()
        start = 3.0
        assert_allclose(found.time_s, [one.timestamp - start for one in messages], atol=1e-9)
        assert [bytes(row[:size]) for row, size in zip(found.data, found.length, strict=True)] == [
            bytes(one.data) for one in messages
        ]
    assert set(log.frames[0x123, False]) == {"vcan1"}

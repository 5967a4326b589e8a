"""Bits of a frame as numbers, against Python's own integers and struct."""

import struct

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from gridfit.signals import canbits

FRAME = bytes(range(16, 24))


@given(st.binary(min_size=8, max_size=8), st.integers(0, 63), st.integers(1, 64))
def test_little_endian_bits_are_those_of_the_whole_number(data: bytes, start: int, length: int):
    length = min(length, 64 - start)
    whole = int.from_bytes(data, "little")
    found = canbits.raw_bits(np.frombuffer(data, np.uint8)[None, :], start, length, big_endian=False)
    assert int(found[0]) == whole >> start & (1 << length) - 1


@given(st.binary(min_size=8, max_size=8), st.integers(0, 63), st.integers(1, 64))
def test_big_endian_bits_are_those_of_the_whole_number(data: bytes, first: int, length: int):
    # `first` counts from the most significant bit of byte 0; the file format counts within each byte from below.
    length = min(length, 64 - first)
    whole = int.from_bytes(data, "big")
    start = 8 * (first // 8) + 7 - first % 8
    found = canbits.raw_bits(np.frombuffer(data, np.uint8)[None, :], start, length, big_endian=True)
    assert int(found[0]) == whole >> 64 - first - length & (1 << length) - 1
    assert canbits.bytes_needed(start, length, True) == (first + length + 7) // 8


@pytest.mark.parametrize(("length", "code"), [(8, "b"), (16, "h"), (32, "i"), (64, "q")])
@given(data=st.binary(min_size=8, max_size=8))
def test_signed_numbers(data: bytes, length: int, code: str):
    (expected,) = struct.unpack_from(f"<{code}", data)
    raw = canbits.raw_bits(np.frombuffer(data, np.uint8)[None, :], 0, length, big_endian=False)
    assert canbits.numbers(raw, length, signed=True, floating=False)[0] == float(expected)


@pytest.mark.parametrize(("length", "code"), [(16, "e"), (32, "f"), (64, "d")])
@given(value=st.floats(-1000, 1000, width=16))
def test_floating_numbers(value: float, length: int, code: str):
    data = np.frombuffer(struct.pack(f"<{code}", value).ljust(8, b"\0"), np.uint8)[None, :]
    raw = canbits.raw_bits(data, 0, length, big_endian=False)
    assert canbits.numbers(raw, length, signed=False, floating=True)[0] == value


def test_bytes_past_a_frames_end_count_as_nothing():
    data = np.frombuffer(FRAME[:2], np.uint8)[None, :]
    assert int(canbits.raw_bits(data, 8, 16, big_endian=False)[0]) == FRAME[1]

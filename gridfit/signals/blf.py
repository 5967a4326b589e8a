"""A first walk over a binary CAN log (BLF), so that the library that reads it never meets a broken length.

Source of the layout: the open readers of the format. Objects of a 16-byte head (``LOBJ``, head size, head
version, object size, type); containers (type 10) hold more objects, packed with zlib or not at all.
"""

import struct
import zlib
from typing import NoReturn

from gridfit.errors import InputError
from gridfit.signals.source import Source

_HEAD = struct.Struct("<4sHHII")
_CONTAINER = struct.Struct("<H6xI4x")
_FILE_HEAD_BYTES = 144
_TYPE_CONTAINER = 10
_ZLIB = 2
MOST_CONTAINER_BYTES = 64 << 20
"""Size that one container may unpack to; loggers write 128 kB."""


def check(source: Source) -> tuple[tuple[str, int], ...]:
    """Check the lengths of a binary CAN log.

    Parameters
    ----------
    source : Source

    Returns
    -------
    tuple of (str, int)
        Repairs: whether the log was cut off.

    Raises
    ------
    InputError
        When it is no such log, or a length in it cannot be.
    """
    size = source.file.stat().st_size
    tail, at = b"", _FILE_HEAD_BYTES
    with source.file.open("rb") as stream:
        head = stream.read(_FILE_HEAD_BYTES)
        if len(head) < _FILE_HEAD_BYTES or head[:4] != b"LOGG":
            _refuse(source, 0, f"a file that begins with {head[:4]!r}")
        at = struct.unpack_from("<I", head, 4)[0]
        if not _FILE_HEAD_BYTES <= at <= size:
            _refuse(source, 4, f"a head of {at} bytes")
        stream.seek(at)
        while base := stream.read(_HEAD.size):
            if len(base) < _HEAD.size:
                return (("cut-off end of the log", 1),)
            mark, _, _, length, kind = _HEAD.unpack(base)
            if mark != b"LOBJ" or not _HEAD.size <= length <= MOST_CONTAINER_BYTES:
                _refuse(source, at, f"an object of {length} bytes marked {mark!r}")
            if at + length > size:
                # The library reads what there is of the last container.
                length, cut = size - at, True
            else:
                cut = False
            body = stream.read(length - _HEAD.size)
            if kind == _TYPE_CONTAINER:
                tail = _walk(source, at, tail + _unpacked(source, at, body))
            if cut:
                return (("cut-off end of the log", 1),)
            stream.read(length % 4)
            at += length + length % 4
    return ()


def _refuse(source: Source, at: int, value: str) -> NoReturn:
    raise InputError.of(
        where=f"{source.name} byte {at}",
        what="CAN log",
        value=value,
        allowed="must be a whole BLF log of CAN frames",
        remedy="Copy the log again from the logger, or export it in another format.",
    )


def _unpacked(source: Source, at: int, body: bytes) -> bytes:
    if len(body) < _CONTAINER.size:
        return b""
    method, _ = _CONTAINER.unpack_from(body)
    if method != _ZLIB:
        return body[_CONTAINER.size :] if method == 0 else b""
    unpacker = zlib.decompressobj()
    try:
        data = unpacker.decompress(body[_CONTAINER.size :], MOST_CONTAINER_BYTES + 1)
    except zlib.error as error:
        _refuse(source, at, f"a container that cannot be unpacked ({error})")
    if len(data) > MOST_CONTAINER_BYTES:
        _refuse(source, at, f"a container of more than {MOST_CONTAINER_BYTES >> 20} MB")
    return data


def _walk(source: Source, at: int, data: bytes) -> bytes:
    """Follow the objects of a container; return what belongs to an object that goes on in the next."""
    place = 0
    while True:
        found = data.find(b"LOBJ", place, place + 8)
        if found < 0:
            if place + 8 <= len(data):
                _refuse(source, at, "a container in which the next object is missing")
            return data[place:]
        if found + _HEAD.size > len(data):
            return data[place:]
        _, _, _, length, _ = _HEAD.unpack_from(data, found)
        if length < _HEAD.size:
            _refuse(source, at, f"an object of {length} bytes")
        if found + length > len(data):
            if length > MOST_CONTAINER_BYTES:
                _refuse(source, at, f"an object of {length} bytes")
            return data[place:]
        place = found + length

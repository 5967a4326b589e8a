"""A first walk over the blocks of an MDF 4 file: every length, link and place is checked before it is read.

The library that reads the file trusts its numbers; a damaged length would make it ask for all memory, and a
link that leads back would make it run for ever.
Source of the layout: ASAM MDF 4.1, as the open readers have it. A block begins with its mark (4 bytes), 4
reserved bytes, its length and its number of links (8 bytes each); then come the links, then its data.
"""

import struct
from collections.abc import Iterator
from dataclasses import dataclass
from mmap import ACCESS_READ, mmap
from typing import NoReturn

from gridfit.errors import InputError
from gridfit.signals.rawlog import shown
from gridfit.signals.source import Source

_HEAD = struct.Struct("<4sIQQ")
_LINK_BYTES = 8
_FILE_HEAD_BYTES = 64
MOST_LINKS = 1 << 20
MOST_UNPACKED_BYTES = 8 << 30
"""Size that the data of a file may unpack to."""
MOST_EMPTY_RECORDS = 1 << 20
"""Records without a byte that a group may count: those of channels that are only counted."""
MOST_PACKED = 1100
"""How many times smaller deflate can make data [1], a little above its limit of 1032."""

CHILDREN: dict[bytes, tuple[int, ...] | None] = {
    b"##HD": (0,), b"##DG": (0, 1, 2), b"##CG": (0, 1), b"##CN": (0, 1, 4, 5), b"##CC": None,
    b"##DL": None, b"##HL": None, b"##LD": None,
}  # fmt: skip
"""Links that a reader follows down: their places among a block's links, None for all of them."""


@dataclass(frozen=True, slots=True)
class _Block:
    at: int
    mark: bytes
    length: int
    links: tuple[int, ...]
    data_at: int


def check(source: Source) -> int:
    """Check the blocks of an MDF 4 file.

    Parameters
    ----------
    source : Source

    Returns
    -------
    int
        The most records that a channel group counts.

    Raises
    ------
    InputError
        When it is no finished MDF 4 file, or damaged; names the byte.
    """
    size = source.file.stat().st_size
    with source.file.open("rb") as stream:
        _check_version(source, stream.read(_FILE_HEAD_BYTES))
        if size < _FILE_HEAD_BYTES + _HEAD.size:
            _refuse(source, size, "the file ends here")
        with mmap(stream.fileno(), 0, access=ACCESS_READ) as file:
            walk = _Walk(source, file, size)
            walk.check()
            return walk.most_records


def _check_version(source: Source, head: bytes) -> None:
    mark, version = head[:8], head[8:16].split(b"\0")[0].decode("latin-1").strip()
    remedy = "Export the log as MDF 4.1, or as CSV or Parquet."
    flags = struct.unpack_from("<HH", head, 60) if len(head) == _FILE_HEAD_BYTES else (0, 0)
    if mark == b"UnFinMF " or (mark == b"MDF     " and any(flags)):
        value, allowed = "a file that the logger did not finish", "must be a finished MDF 4 file"
        remedy = "Let the logger's software finish it (it may call this sorting or repairing), or export it."
    elif mark != b"MDF     " or len(head) < _FILE_HEAD_BYTES:
        value, allowed = f"a file that begins with {head[:8]!r}", "must be an MDF 4 file"
    elif not version.startswith("4."):
        value, allowed = f"MDF version {shown(version) or 0}", "must be version 4"
    else:
        return
    raise InputError.of(where=source.name, what="log", value=value, allowed=allowed, remedy=remedy)


def _refuse(source: Source, at: int, value: str) -> NoReturn:
    raise InputError.of(
        where=f"{source.name} byte {at}",
        what="MDF block",
        value=value,
        allowed="every length and link must lie within the file",
        remedy="The file is damaged or cut off: copy it again from the logger.",
    )


class _Walk:
    """A walk over the blocks of a file, from its head down."""

    def __init__(self, source: Source, file: mmap, size: int) -> None:
        self.source, self.file, self.size = source, file, size
        self.unpacked, self.most_records = 0, 0
        self.sound: set[int] = set()
        self.counted: set[int] = set()

    def check(self) -> None:
        """Visit every block that a reader may come to; a link back to a block above is refused."""
        above: set[int] = set()
        first = self.block(_FILE_HEAD_BYTES)
        if first.mark != b"##HD":
            _refuse(self.source, first.at, f"a block {first.mark!r} where the head must stand")
        stack = [(first, self.children(first))]
        above.add(first.at)
        while stack:
            block, children = stack[-1]
            link = next(children, None)
            if link is None:
                stack.pop()
                above.discard(block.at)
                self.sound.add(block.at)
                continue
            if link in above:
                _refuse(self.source, block.at, f"a link back to byte {link}")
            if link not in self.sound:
                child = self.block(link)
                above.add(link)
                stack.append((child, self.children(child)))

    def block(self, at: int) -> _Block:
        """Read and check the head of a block."""
        if at < _FILE_HEAD_BYTES or at + _HEAD.size > self.size:
            _refuse(self.source, at, f"a link to byte {at} of {self.size}")
        mark, _, length, count = _HEAD.unpack_from(self.file, at)
        least = _HEAD.size + _LINK_BYTES * count
        if mark[:2] != b"##" or count > MOST_LINKS or not least <= length <= self.size - at:
            _refuse(self.source, at, f"a block {mark!r} of {length} bytes and {count} links")
        links = struct.unpack_from(f"<{count}Q", self.file, at + _HEAD.size)
        found = _Block(at, mark, length, links, at + least)
        _CHECKS.get(mark, _nothing)(self, found)
        return found

    def children(self, block: _Block) -> Iterator[int]:
        """Yield the blocks that a block leads down to; the others that it names only have their head checked."""
        places = CHILDREN.get(block.mark, ())
        down = range(len(block.links)) if places is None else places
        for place, link in enumerate(block.links):
            if not link:
                continue
            if place in down:
                yield link
            elif link not in self.sound:
                self.block(link)
                self.sound.add(link)

    def data(self, block: _Block, layout: str) -> tuple[int, ...]:
        """Return the numbers at the start of a block's data."""
        form = struct.Struct(layout)
        if block.data_at + form.size > block.at + block.length:
            _refuse(self.source, block.at, f"a block {block.mark!r} of {block.length} bytes")
        return form.unpack_from(self.file, block.data_at)


def _nothing(walk: _Walk, block: _Block) -> None:
    """Blocks of which only the head matters."""


def _check_group(walk: _Walk, block: _Block) -> None:
    """A channel group: its channels must lie within its record."""
    if len(block.links) < 6:
        _refuse(walk.source, block.at, f"a channel group with {len(block.links)} links")
    _, cycles, flags, _, _, data_bytes, invalid_bytes = walk.data(block, "<QQHHIII")
    if flags & 1:
        return
    if data_bytes > walk.size or invalid_bytes > walk.size or cycles > MOST_UNPACKED_BYTES:
        _refuse(walk.source, block.at, f"{cycles} records of {data_bytes} and {invalid_bytes} bytes")
    walk.most_records = max(walk.most_records, cycles)
    for channel in _chain(walk, block.links[1]):
        _, _, kind, bit, byte, bits, _, invalid_bit = walk.data(channel, "<BBBBIIII")
        last = byte + (bit + bits + 7) // 8
        if (
            last > data_bytes
            or bit > 7
            or (kind < 6 and bits > 64)
            or invalid_bit // 8 > max(invalid_bytes, 1 << 16)
        ):
            _refuse(
                walk.source,
                channel.at,
                f"a channel of {bits} bits at byte {byte} of a record of {data_bytes}",
            )


def _chain(walk: _Walk, link: int, depth: int = 0) -> Iterator[_Block]:
    """Yield the channels of a group, those inside others too."""
    seen: set[int] = set()
    while link:
        if link in seen or depth > 16:
            _refuse(walk.source, link, "a channel that leads back to itself")
        seen.add(link)
        block = walk.block(link)
        if block.mark != b"##CN":
            return
        yield block
        if len(block.links) > 1 and block.links[1]:
            yield from _chain(walk, block.links[1], depth + 1)
        link = block.links[0]


def _check_channel(walk: _Walk, block: _Block) -> None:
    if len(block.links) < 8:
        _refuse(walk.source, block.at, f"a channel with {len(block.links)} links")
    walk.data(block, "<BBBBIIII")


def _check_data_group(walk: _Walk, block: _Block) -> None:
    """A data group: its records must be there, all that its channel groups count."""
    if len(block.links) < 4:
        _refuse(walk.source, block.at, f"a data group with {len(block.links)} links")
    (id_bytes,) = walk.data(block, "<B")
    if id_bytes not in (0, 1, 2, 4, 8):
        _refuse(walk.source, block.at, f"record numbers of {id_bytes} bytes")
    needed, link, seen = 0, block.links[1], set[int]()
    while link and link not in seen:
        seen.add(link)
        group = walk.block(link)
        if group.mark != b"##CG":
            _refuse(walk.source, link, f"a block {group.mark!r} where a channel group must stand")
        needed += _stored_bytes(walk, group, id_bytes)
        link = group.links[0]
    there = _data_bytes(walk, block.links[2]) if needed else 0
    if needed > there:
        _refuse(walk.source, block.at, f"records of {needed} bytes, of which {there} are there")


def _stored_bytes(walk: _Walk, group: _Block, id_bytes: int) -> int:
    """Return the bytes that a channel group's records take; a count of empty records must be moderate."""
    _, cycles, flags, _, _, data_bytes, invalid_bytes = walk.data(group, "<QQHHIII")
    if flags & 1:
        # Records of variable length: the two fields hold the length of all of them.
        return data_bytes + (invalid_bytes << 32)
    record = id_bytes + data_bytes + invalid_bytes
    return cycles * max(record, int(cycles > MOST_EMPTY_RECORDS))


def _data_bytes(walk: _Walk, link: int) -> int:
    """Return how many bytes of data a link leads to, unpacked, over all parts of a list."""
    total, waiting, seen = 0, [link], set[int]()
    while waiting:
        at = waiting.pop()
        if not at or at in seen:
            continue
        seen.add(at)
        block = walk.block(at)
        if block.mark == b"##DZ":
            total += walk.data(block, "<2sBBIQQ")[4]
        elif block.mark in (b"##DL", b"##HL", b"##LD"):
            waiting += block.links
        else:
            total += block.length - (block.data_at - block.at)
    return total


def _check_packed(walk: _Walk, block: _Block) -> None:
    """A packed data block: what it unpacks to must be possible, and so must its transposition."""
    _, kind, _, columns, unpacked, packed = walk.data(block, "<2sBBIQQ")
    if packed > block.length or unpacked > MOST_PACKED * max(packed, 1):
        _refuse(walk.source, block.at, f"{packed} packed bytes that unpack to {unpacked}")
    if kind == 1 and not 1 <= columns <= max(unpacked, 1):
        _refuse(walk.source, block.at, f"packed rows of {columns} bytes")
    walk.unpacked += unpacked if block.at not in walk.counted else 0
    walk.counted.add(block.at)
    if walk.unpacked > MOST_UNPACKED_BYTES:
        _refuse(walk.source, block.at, f"data that unpack to more than {MOST_UNPACKED_BYTES >> 30} GB")


def _check_conversion(walk: _Walk, block: _Block) -> None:
    if len(block.links) < 4:
        _refuse(walk.source, block.at, f"a conversion with {len(block.links)} links")
    _, _, _, references, values, _, _ = walk.data(block, "<BBHHHdd")
    if references > len(block.links) - 4 or block.data_at + 24 + 8 * values > block.at + block.length:
        _refuse(walk.source, block.at, f"a conversion of {references} references and {values} values")


_CHECKS = {
    b"##CG": _check_group,
    b"##CN": _check_channel,
    b"##DG": _check_data_group,
    b"##DZ": _check_packed,
    b"##CC": _check_conversion,
}

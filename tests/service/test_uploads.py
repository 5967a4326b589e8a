"""Uploads: names are made by us, bytes lie under their digest, what breaks off leaves nothing."""

import asyncio
import gzip
import hashlib
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gridfit.errors import InputError
from gridfit.signals.formats import FORMATS
from pipelines.service.uploads import RunName, blob_path, keep_text, take_in


async def chunks(*parts: bytes):
    for part in parts:
        yield part


def take(data, name: str, *parts: bytes, most: int = 1 << 20):
    return asyncio.run(take_in(data, RunName.of(name), chunks(*parts), most))


def test_bytes_lie_under_their_digest(data):
    stored = take(data, "a.csv", b"time,", b"speed\n")
    path = blob_path(data, stored.sha256)
    assert path.read_bytes() == b"time,speed\n"
    assert stored.sha256 == hashlib.sha256(b"time,speed\n").hexdigest()
    assert take(data, "b.csv", b"time,speed\n") == stored


def test_what_breaks_off_leaves_nothing(data):
    async def broken():
        yield b"time"
        raise ConnectionError("gone")

    with pytest.raises(ConnectionError):
        asyncio.run(take_in(data, RunName.of("a.csv"), broken()))
    assert not list(data.incoming.iterdir())
    assert not list(data.blobs.rglob("*.*"))


def test_a_packed_log_of_several_members_is_taken(data):
    body = gzip.compress(b"time,speed\n") + gzip.compress(b"0,1\n")
    assert take(data, "a.csv.gz", body[:10], body[10:]).size == len(body)


@given(st.text(max_size=60), st.sampled_from([*FORMATS, ".dbc", ".csv.gz", ".CSV", ".Mf4"]))
def test_no_name_becomes_a_path(text, ending):
    try:
        name = RunName.of(text + ending)
    except InputError:
        return
    assert re.fullmatch(r"[a-z0-9]([a-z0-9-]*[a-z0-9])?\.[a-z0-9]+(\.gz)?", name.file)
    assert len(name.stem) <= 80


@pytest.mark.parametrize("digest", ["", "../../etc", "A" * 64, "0" * 63, "0" * 65])
def test_only_digests_are_places(data, digest):
    with pytest.raises(ValueError, match="sha256"):
        blob_path(data, digest)


def test_texts_are_kept_once(data):
    assert keep_text(data, "a = 1") == keep_text(data, "a = 1")
    assert len([path for path in data.blobs.rglob("*") if path.is_file()]) == 1

"""A log opened for reading: packed, in wide letters, cut off, or a trap."""

import gzip
import hashlib
import zlib
from pathlib import Path

import pytest

from gridfit.errors import InputError
from gridfit.signals import source

TEXT = "time,speed\n" + "".join(f"{at},{at * 2}\n" for at in range(1000))


@pytest.mark.parametrize(
    ("name", "ending", "stem"),
    [
        ("run1.csv", ".csv", "run1"),
        ("Run1.CSV.GZ", ".csv", "Run1"),
        ("day.2.log.gz", ".log", "day.2"),
        ("a.mf4", ".mf4", "a"),
    ],
)
def test_names(name: str, ending: str, stem: str):
    assert (source.ending(Path(name)), source.stem(Path(name))) == (ending, stem)


def test_a_plain_log_is_read_where_it_lies(tmp_path: Path):
    path = tmp_path / "run1.csv"
    path.write_text(TEXT)
    with source.opened(path) as opened:
        assert opened.file == path
        assert opened.sha256() == hashlib.sha256(path.read_bytes()).hexdigest()


@pytest.mark.parametrize(
    "encoding", ["utf-16", "utf-16-le", "utf-16-be", "utf-32", "utf-8-sig", "utf-8", "latin-1"]
)
@pytest.mark.parametrize("packed", [False, True])
def test_every_encoding_comes_out_as_one_byte_a_letter(tmp_path: Path, encoding: str, packed: bool):
    raw = TEXT.encode(encoding)
    path = tmp_path / ("run1.csv.gz" if packed else "run1.csv")
    path.write_bytes(gzip.compress(raw) if packed else raw)
    with source.opened(path) as opened:
        assert opened.file.read_bytes().decode("utf-8-sig") == TEXT
        assert opened.sha256() == hashlib.sha256(path.read_bytes()).hexdigest()
        copy = opened.file
    assert copy == path or not copy.exists()


def test_a_cut_off_packed_log_gives_what_came_before_the_cut(tmp_path: Path):
    path = tmp_path / "run1.csv.gz"
    path.write_bytes(gzip.compress(TEXT.encode())[:-900])
    with source.opened(path) as opened:
        assert TEXT.startswith(opened.file.read_text())
        assert opened.repairs == (("cut-off packed file", 1),)


@pytest.mark.parametrize(
    "damage", [lambda raw: b"no gzip" + raw, lambda raw: raw[:200] + b"\xff" * 300 + raw[500:]]
)
def test_a_broken_packed_log_is_refused(tmp_path: Path, damage):
    path = tmp_path / "run1.csv.gz"
    path.write_bytes(damage(gzip.compress(TEXT.encode(), 1)))
    with pytest.raises(InputError, match=r"run1.csv.gz packed log = .*: must be a whole gzip file. Copy"):
        with source.opened(path):
            pass


def test_a_log_that_unpacks_without_end_is_refused(tmp_path: Path):
    path = tmp_path / "run1.csv.gz"
    packer = zlib.compressobj(9, wbits=31)
    zeros = bytes(1 << 20)
    path.write_bytes(b"".join(packer.compress(zeros) for _ in range(200)) + packer.flush())
    with pytest.raises(InputError, match="must not unpack to more than 400 times its size"):
        with source.opened(path):
            pass


def test_what_is_kept_is_made_once(tmp_path: Path):
    path = tmp_path / "run1.csv"
    path.write_text(TEXT)
    made = []
    with source.opened(path) as opened:
        for _ in range(3):
            opened.keep("x", lambda: made.append(1))
    assert made == [1]

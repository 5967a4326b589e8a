"""A job that is killed outright leaves nothing that the next job does not clear, and nobody's file is lost."""

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from pipelines import outputs
from pipelines.leftovers import FORMAT, Mark, clear, remove_listed
from pipelines.outputs import check_destination, commit, staged
from pipelines.plain import to_json

ROOT = Path(__file__).resolve().parents[2]

WRITE = """
import json, os, pathlib, signal, sys
from pipelines.outputs import check_destination, commit, staged

out, files, place, name, at, when = json.loads(sys.argv[1])
out, module = pathlib.Path(out), {"os": os, "Path": pathlib.Path}[place]
real, uses = getattr(module, name), 0

def die():
    # On Windows, where there is no SIGKILL, SIGTERM ends the process just as hard.
    os.kill(os.getpid(), getattr(signal, "SIGKILL", signal.SIGTERM))

def deadly(*args, **options):
    global uses
    uses += 1
    if uses == at and when == "before":
        die()
    done = real(*args, **options)
    if uses == at:
        die()
    return done

target = check_destination(out, overwrite=True)
setattr(module, name, deadly)
with staged(target, files, overwrite=True) as stage:
    commit(stage)
"""
"""Writes a result and kills itself at the n-th use of a call, before or after it took effect."""

WAIT = """
import pathlib, sys
from pipelines.outputs import staged

with staged(pathlib.Path(sys.argv[1]), {"a.csv": "half"}):
    print("written", flush=True)
    sys.stdin.read()
"""
"""Holds a half-finished result until its standard input ends."""


def result(files: dict[str, str]) -> dict[str, str]:
    return {**files, "summary.json": to_json({"format": outputs.SUMMARY_FORMAT, "files": sorted(files)})}


OLD = result({"a.csv": "old", "deep/b.csv": "old", "gone.csv": "old"})
NEW = result({"a.csv": "new", "deep/b.csv": "new"})


def write(out: Path, files: dict[str, str]) -> None:
    target = check_destination(out, overwrite=True)
    with staged(target, files, overwrite=True) as stage:
        commit(stage)


def python(code: str, *arguments: str) -> list[str]:
    return [sys.executable, "-c", code, *arguments]


def killed_write(out: Path, place: str, name: str, at: int, when: str) -> int:
    """Write NEW to `out` in a process of its own; return its exit code."""
    asked = json.dumps([str(out), NEW, place, name, at, when])
    return subprocess.run(python(WRITE, asked), cwd=ROOT, timeout=60, check=False).returncode


def content(folder: Path) -> dict[str, bytes]:
    return {p.relative_to(folder).as_posix(): p.read_bytes() for p in folder.rglob("*") if p.is_file()}


def as_written(files: dict[str, str]) -> dict[str, bytes]:
    return {name: text.encode() for name, text in files.items()}


def hidden(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir() if path.name.startswith("."))


ALONE = [
    ("os", "fsync", 1, "before"),  # lock file made, not yet safe on the disk
    ("Path", "mkdir", 1, "after"),
    ("os", "fsync", 2, "after"),  # first file
    ("os", "fsync", 4, "before"),  # last file
    ("os", "rename", 1, "before"),
    ("os", "rename", 1, "after"),  # with an older result: that one is aside, the new one not yet in place
    ("Path", "unlink", 1, "before"),
]
OVER_AN_OLDER_ONE = [
    ("os", "rename", 2, "after"),  # the new result stands, the older one waits to be removed
    ("Path", "unlink", 2, "after"),  # the older result half removed
    ("Path", "unlink", 4, "after"),
    ("Path", "rmdir", 2, "after"),  # only the lock file is left
]
POINTS = [(*point, older) for older in (False, True) for point in ALONE]
POINTS += [(*point, True) for point in OVER_AN_OLDER_ONE]


@pytest.mark.parametrize(("place", "name", "at", "when", "older"), POINTS)
def test_the_next_job_clears_what_a_killed_one_left(tmp_path, place, name, at, when, older):
    out = tmp_path / "r"
    if older:
        write(out, OLD)
    assert killed_write(out, place, name, at, when) != 0, "it was not killed: this point tests nothing"
    check_destination(out, overwrite=True)
    found = content(out) if out.exists() else {}
    assert found in (as_written(NEW), as_written(OLD) if older else {})
    assert hidden(tmp_path) == []
    write(out, NEW)
    assert content(out) == as_written(NEW)
    assert hidden(tmp_path) == []


def test_an_older_result_comes_back_at_a_job_with_another_name(tmp_path):
    write(tmp_path / "r", OLD)
    assert killed_write(tmp_path / "r", "os", "rename", 1, "after") != 0
    assert not (tmp_path / "r").exists()
    write(tmp_path / "other", NEW)
    assert content(tmp_path / "r") == as_written(OLD)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["other", "r"]


def test_an_older_result_is_kept_when_its_place_was_taken(tmp_path):
    write(tmp_path / "r", OLD)
    assert killed_write(tmp_path / "r", "os", "rename", 1, "after") != 0
    (tmp_path / "r").mkdir()
    (tmp_path / "r" / "mine.txt").write_text("mine")
    before = hidden(tmp_path)
    clear(tmp_path)
    assert hidden(tmp_path) == before
    assert (tmp_path / "r" / "mine.txt").read_text() == "mine"
    (old,) = tmp_path.glob(".r.*.old")
    assert content(old) == as_written(OLD)


def test_a_job_that_still_works_is_left_alone(tmp_path):
    job = subprocess.Popen(
        python(WAIT, str(tmp_path / "r")), cwd=ROOT, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    )
    try:
        assert job.stdout is not None
        assert job.stdout.readline() == "written\n"
        check_destination(tmp_path / "r", overwrite=False)
        (partial,) = tmp_path.glob(".r.*.partial")
        assert (partial / "a.csv").read_text() == "half"
        job.kill()  # by its own number
        job.wait(timeout=60)
        assert partial.exists()
        check_destination(tmp_path / "r", overwrite=False)
        assert hidden(tmp_path) == []
    finally:
        job.kill()
        job.communicate()


def test_files_of_somebody_else_stay(tmp_path):
    assert killed_write(tmp_path / "r", "os", "rename", 1, "before") != 0
    (partial,) = tmp_path.glob(".r.*.partial")
    (partial / "mine.txt").write_text("mine")
    clear(tmp_path)
    assert content(partial) == {"mine.txt": b"mine"}


LOOKALIKES = {
    "empty": b"",
    "no JSON": b"\xff\xfe",
    "another program's": b'{"format": "other/1", "files": ["a.csv"], "older": []}',
    "no list": to_json({"format": FORMAT, "files": "a.csv", "older": []}).encode(),
    "a way out": to_json({"format": FORMAT, "files": ["../thesis.txt", "a.csv"], "older": []}).encode(),
    "an absolute way out": to_json({"format": FORMAT, "files": [], "older": [os.path.abspath("x")]}).encode(),
}


@pytest.mark.parametrize("text", LOOKALIKES.values(), ids=LOOKALIKES.keys())
def test_what_only_looks_alike_is_not_touched(tmp_path, text):
    (tmp_path / ".r.0123abcd.partial").mkdir()
    (tmp_path / ".r.0123abcd.partial" / "a.csv").write_text("mine")
    (tmp_path / "thesis.txt").write_text("ten years")
    (tmp_path / ".r.0123abcd.lock").write_bytes(text)
    clear(tmp_path)
    assert content(tmp_path) == {
        ".r.0123abcd.partial/a.csv": b"mine",
        ".r.0123abcd.lock": text,
        "thesis.txt": b"ten years",
    }


def test_folders_without_a_lock_file_are_not_touched(tmp_path):
    for name in (".r.0123abcd.partial", ".r.0123abcd.old"):
        (tmp_path / name).mkdir()
    clear(tmp_path)
    assert hidden(tmp_path) == [".r.0123abcd.old", ".r.0123abcd.partial"]


def test_a_folder_that_is_not_there_is_nothing_to_clear(tmp_path):
    clear(tmp_path / "none")


def test_a_link_is_not_followed(tmp_path):
    (tmp_path / "real").mkdir()
    (tmp_path / "real" / "a.csv").write_text("mine")
    (tmp_path / "link").symlink_to(tmp_path / "real")
    remove_listed(tmp_path / "link", ["a.csv"])
    assert (tmp_path / "real" / "a.csv").read_text() == "mine"


def test_lifting_a_mark_leaves_nothing(tmp_path):
    mark = Mark.set(tmp_path / "r", ["a.csv"], [])
    assert len(hidden(tmp_path)) == 1
    mark.lift()
    assert hidden(tmp_path) == []

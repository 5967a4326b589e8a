"""A result folder is written whole or not at all, whatever fails and whenever."""

import os
from pathlib import Path

import pytest

from gridfit.errors import CallError
from pipelines import outputs
from pipelines.outputs import check_destination, commit, digest, rewrite, staged
from pipelines.plain import to_json

FILES = {"a.csv": "1,2\n", "deep/b.parquet": b"\x00\x01", "report.html": "<p>µ</p>"}
SUMMARY = to_json({"format": outputs.SUMMARY_FORMAT, "files": [*FILES, "summary.json"]})
RESULT = {**FILES, "summary.json": SUMMARY}


def write(out: Path, files=RESULT, *, overwrite: bool = False) -> Path:
    target = check_destination(out, overwrite=overwrite)
    with staged(target, files, overwrite=overwrite) as stage:
        return commit(stage)


def content(folder: Path) -> dict[str, bytes]:
    return {p.relative_to(folder).as_posix(): p.read_bytes() for p in folder.rglob("*") if p.is_file()}


def left_over(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir() if path.name.startswith("."))


def test_files_are_written_as_given(tmp_path):
    out = write(tmp_path / "r")
    assert content(out) == {
        name: text.encode() if isinstance(text, str) else text for name, text in RESULT.items()
    }
    assert left_over(tmp_path) == []


def test_missing_parents_are_made(tmp_path):
    assert (write(tmp_path / "x" / "y" / "r") / "summary.json").is_file()


def test_digest_is_the_published_one(tmp_path):
    # SHA-256 of "abc": FIPS 180-2, appendix B.1.
    (tmp_path / "f").write_bytes(b"abc")
    assert digest(tmp_path / "f") == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"


def test_an_empty_folder_is_taken(tmp_path):
    (tmp_path / "r").mkdir()
    assert (write(tmp_path / "r") / "summary.json").is_file()


def test_an_older_result_is_kept_unless_overwriting_is_asked(tmp_path):
    out = write(tmp_path / "r")
    before = content(out)
    with pytest.raises(CallError, match="--overwrite") as caught:
        write(out, {**RESULT, "a.csv": "new"})
    assert caught.value.exit_code == 2
    assert content(out) == before
    write(out, {**RESULT, "a.csv": "new"}, overwrite=True)
    assert content(out)["a.csv"] == b"new"
    assert left_over(tmp_path) == []


@pytest.mark.parametrize("summary", [None, "{}", "not json", '{"format": "other/1"}', "[1]"])
def test_a_folder_that_is_no_result_is_never_replaced(tmp_path, summary):
    out = tmp_path / "r"
    out.mkdir()
    (out / "thesis.txt").write_text("ten years")
    if summary is not None:
        (out / "summary.json").write_text(summary)
    with pytest.raises(CallError, match="did not write"):
        check_destination(out, overwrite=True)
    assert (out / "thesis.txt").read_text() == "ten years"


def test_files_that_somebody_added_to_a_result_are_not_lost(tmp_path):
    out = write(tmp_path / "r")
    (out / "notes.txt").write_text("mine")
    with pytest.raises(CallError, match=r"notes\.txt"):
        check_destination(out, overwrite=True)


def test_a_file_is_no_destination(tmp_path):
    (tmp_path / "r").write_text("x")
    with pytest.raises(CallError, match="is a file"):
        check_destination(tmp_path / "r", overwrite=True)


def test_a_destination_below_a_file_is_refused(tmp_path):
    (tmp_path / "f").write_text("x")
    with pytest.raises(CallError, match="cannot be made"):
        check_destination(tmp_path / "f" / "r", overwrite=False)


def test_a_link_is_followed_and_stays(tmp_path):
    write(tmp_path / "real")
    link = tmp_path / "link"
    link.symlink_to(tmp_path / "real")
    write(link, {**RESULT, "a.csv": "new"}, overwrite=True)
    assert link.is_symlink()
    assert (tmp_path / "real" / "a.csv").read_text() == "new"


class Failing:
    """Stands for a system call and fails at its n-th use."""

    def __init__(self, call, at: int, error: BaseException) -> None:
        self.call, self.at, self.error, self.uses = call, at, error, 0

    def __call__(self, *args):
        self.uses += 1
        if self.uses == self.at:
            raise self.error
        return self.call(*args)


CALLS = [(os, "fsync"), (os, "rename"), (outputs, "_write"), (outputs, "_flush_folder")]
EXPECTED = {name: text.encode() if isinstance(text, str) else text for name, text in RESULT.items()}


def attempt(monkeypatch, folder: Path, place, name: str, at: int, error: BaseException, older: bool):
    """Write a result while the n-th use of a call fails; return how often it was used and what came of it."""
    folder.mkdir()
    if older:
        write(folder / "r", {**RESULT, "a.csv": "old"})
    failing, raised = Failing(getattr(place, name), at, error), None
    with monkeypatch.context() as patch:
        patch.setattr(place, name, failing)
        try:
            write(folder / "r", overwrite=older)
        except (CallError, KeyboardInterrupt) as caught:
            raised = caught
    return failing.uses, raised


@pytest.mark.parametrize("error", [OSError(28, "No space left on device"), KeyboardInterrupt()])
@pytest.mark.parametrize(("place", "name"), CALLS)
@pytest.mark.parametrize("older", [False, True])
def test_a_failure_at_any_call_leaves_all_or_nothing(tmp_path, monkeypatch, place, name, error, older):
    often, raised = attempt(monkeypatch, tmp_path / "whole", place, name, -1, error, older)
    assert raised is None
    assert often >= 1
    for at in range(1, often + 1):
        folder = tmp_path / str(at)
        _, raised = attempt(monkeypatch, folder, place, name, at, error, older)
        found = content(folder / "r") if (folder / "r").exists() else {}
        before = {**EXPECTED, "a.csv": b"old"} if older else {}
        assert found in (before, EXPECTED), f"{name} call {at} left {sorted(found)}"
        assert left_over(folder) == []
        if raised is None or isinstance(raised, CallError):
            # What is said agrees with what is there.
            assert found == (EXPECTED if raised is None else before)


def test_a_failure_before_commit_removes_the_parents_it_made(tmp_path):
    with pytest.raises(ZeroDivisionError), staged(tmp_path / "x" / "y" / "r", RESULT):
        raise ZeroDivisionError
    assert list(tmp_path.iterdir()) == []


def test_a_result_that_appeared_meanwhile_is_not_replaced_unasked(tmp_path):
    target = check_destination(tmp_path / "r", overwrite=False)
    with staged(target, RESULT) as stage:
        write(tmp_path / "r", {**RESULT, "a.csv": "faster"})
        with pytest.raises(CallError, match="--overwrite"):
            commit(stage)
    assert (tmp_path / "r" / "a.csv").read_text() == "faster"
    assert left_over(tmp_path) == []


def test_a_file_that_somebody_added_meanwhile_is_not_lost(tmp_path):
    out = write(tmp_path / "r")
    with staged(out, RESULT, overwrite=True) as stage:
        (out / "mine.txt").write_text("mine")
        with pytest.raises(CallError, match="mine"):
            commit(stage)
    assert (out / "mine.txt").read_text() == "mine"
    assert left_over(tmp_path) == []


def test_a_staged_file_can_be_rewritten(tmp_path):
    with staged(tmp_path / "r", RESULT) as stage:
        rewrite(stage, "a.csv", "late")
        commit(stage)
    assert (tmp_path / "r" / "a.csv").read_text() == "late"

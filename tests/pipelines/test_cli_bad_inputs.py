"""Broken inputs through the command line: the right exit code, place and remedy, nothing written."""

import pytest
from cases.bad_inputs import CASES, Case

from pipelines import cli


def test_there_are_enough_of_them():
    assert len({case.name for case in CASES}) >= 40


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_a_broken_input_is_refused(case: Case, tmp_path, elsewhere, capsys, request):
    folder = tmp_path / "given"
    folder.mkdir()
    arguments = case.write(folder)
    before = {path: path.stat().st_mtime_ns for path in tmp_path.rglob("*")}
    code = cli.main([*arguments, "--no-tracking"])
    streams = capsys.readouterr()
    assert code == case.exit_code, streams.err
    assert code in (2, 3)
    for word in case.words:
        assert word in streams.err, streams.err
    assert "Traceback" not in streams.err
    assert streams.out == ""
    # The first line names what is wrong and ends with what to do about it.
    assert streams.err.splitlines()[0].rstrip()[-1] in ".?!:)", streams.err
    assert {path: path.stat().st_mtime_ns for path in tmp_path.rglob("*")} == before

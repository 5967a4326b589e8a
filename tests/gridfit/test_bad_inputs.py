"""Every broken input is refused with file, place, value, allowed range and remedy."""

from pathlib import Path

import pytest
from cases.bad_inputs import CASES, Case
from cases.goodcar import write_all

from gridfit.carsheet import read_carsheet
from gridfit.errors import GridfitError
from gridfit.grids import read_grids
from gridfit.signals.readers import expand, read_run


def load(arguments: list[str]) -> None:
    """Read what a job with these arguments reads, in its order."""
    command, car, *rest = arguments[: arguments.index("--out")]
    sheet = read_carsheet(car)
    if "--grids" in rest:
        read_grids(rest.pop(rest.index("--grids") + 1))
        rest.remove("--grids")
    if command == "score":
        read_grids(rest[0])
        return
    for run in expand(rest):
        read_run(run, None, sheet)


def test_the_good_folder_is_read(tmp_path: Path):
    folder = write_all(tmp_path / "day1")
    car, run, grids = (str(folder / name) for name in ("car.toml", "run1.csv", "grids.json"))
    load(["refine", car, run, "--grids", grids, "--out", "x"])


def test_names_are_distinct_and_many():
    assert len({case.name for case in CASES}) == len(CASES) >= 45


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_refused(case: Case, tmp_path: Path):
    arguments = case.write(tmp_path / "day1")
    with pytest.raises(GridfitError) as caught:
        load(arguments)
    error = caught.value
    text = str(error)
    assert error.exit_code == case.exit_code, text
    for word in case.words:
        assert word in text, f"{word!r} is not in: {text}"
    for problem in error.problems:
        assert problem.where, text
        assert problem.allowed, text
        assert problem.remedy, text
        assert problem.value or "missing" in problem.allowed or "unknown" in problem.allowed, text
    assert not (tmp_path / "day1" / "out").exists()

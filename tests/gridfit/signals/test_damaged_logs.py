"""A small slice of the fuzz run: damaged logs of every format are read, or refused in one clear line.

The whole run is tests/fuzz/fuzz_readers.py, in processes of their own with limits of time and memory.
"""

from pathlib import Path

import numpy as np
import pytest
from cases.mutations import answer, mutate
from cases.seedlogs import DBC, Seed, write_seeds
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from gridfit.carsheet import CarSheet, read_carsheet

SLICE = settings(
    max_examples=400,
    deadline=5000,
    derandomize=True,
    database=None,
    suppress_health_check=[HealthCheck.too_slow],
)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("seeds")


@pytest.fixture(scope="module")
def seeds(folder: Path) -> list[Seed]:
    return write_seeds(folder)


@pytest.fixture(scope="module")
def sheet(folder: Path, seeds: list[Seed]) -> CarSheet:
    return read_carsheet(folder / "car.toml")


class Whole:
    """The good files' bytes; said in a word, so that a report of a failure can be read."""

    def __init__(self, seeds: list[Seed]) -> None:
        self.files = [one.path.read_bytes() for one in seeds]

    def __repr__(self) -> str:
        return "Whole"


@pytest.fixture(scope="module")
def whole(seeds: list[Seed]) -> Whole:
    return Whole(seeds)


@SLICE
@given(st.integers(0, 10**6), st.integers(0, 2**32 - 1))
def test_a_damaged_log_is_read_or_refused_in_one_clear_line(seeds, whole, sheet, which: int, seed: int):
    rng = np.random.default_rng(seed)
    at = which % len(seeds)
    damaged = mutate(whole.files[at], whole.files[int(rng.integers(len(seeds)))], rng)
    try:
        seeds[at].path.write_bytes(damaged)
        assert answer(seeds[at].path, sheet) in ("read", "refused")
    finally:
        seeds[at].path.write_bytes(whole.files[at])


@settings(SLICE, max_examples=60)
@given(st.integers(0, 2**32 - 1))
@example(1)
def test_a_damaged_message_table_is_read_or_refused_in_one_clear_line(seeds, whole, sheet, seed: int):
    rng = np.random.default_rng(seed)
    log = next(one for one in seeds if one.name == "frames.log")
    table = log.path.parent / "bus.dbc"
    try:
        table.write_bytes(mutate(DBC.encode(), whole.files[int(rng.integers(len(seeds)))], rng))
        assert answer(log.path, sheet) in ("read", "refused")
    finally:
        table.write_text(DBC)


def test_every_good_log_is_read(seeds: list[Seed], sheet: CarSheet):
    assert {answer(one.path, sheet) for one in seeds} == {"read"}

"""Data files into test cases, and the one comparison with a printed value.

A test module names its tables: ``TABLES = {"argument": ("file.toml", "table")}``; a test that takes that
argument runs once per row.
"""

import tomllib
from pathlib import Path

import pytest

DATA = Path(__file__).parent / "data"


def pytest_generate_tests(metafunc):
    for argument, (file, table) in getattr(metafunc.module, "TABLES", {}).items():
        if argument in metafunc.fixturenames:
            content = tomllib.loads((DATA / file).read_text(encoding="utf-8"))
            assert content["source"]
            rows = content[table]
            metafunc.parametrize(argument, rows, ids=[str(row["name"]) for row in rows])


def _half_unit(printed: str) -> float:
    mantissa, _, exponent = printed.partition("e")
    return 0.5 * 10.0 ** (-len(mantissa.partition(".")[2]) + int(exponent or 0))


@pytest.fixture
def agrees():
    """Compare with a value as printed (text: half a unit of the last digit) or exact (number: 1e-12)."""

    def check(found, printed) -> None:
        if isinstance(printed, str):
            # The 1e-9 lets a value pass that stands on the rounding edge itself.
            assert abs(float(found) - float(printed)) <= _half_unit(printed) * (1 + 1e-9), (found, printed)
        else:
            assert float(found) == pytest.approx(printed, rel=1e-12, abs=1e-15)

    return check

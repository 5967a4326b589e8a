"""Times of day and dates in a text log become seconds."""

import numpy as np
import pandas as pd
import pytest
from cases.goodcar import log_rows, log_text, write_all
from numpy.testing import assert_allclose

from gridfit.carsheet import read_carsheet
from gridfit.signals import stamps
from gridfit.signals.readers import read_run


@pytest.mark.parametrize(
    ("text", "holds"),
    [
        ("12:34:56.789", True), ("9:00:00", True), ("23:59:59,5", True), ("2026-03-14T12:34:56.7", True),
        ("2026-03-14 12:34:56+01:00", True), ("12.5", False), ("12:34", False), ("", False),
        ("14/03/2026 12:34:56", False),
    ],
)  # fmt: skip
def test_what_is_a_stamp(text: str, holds: bool):
    assert stamps.is_stamp(text) is holds


def test_a_time_of_day_goes_on_past_midnight():
    found = stamps.seconds(pd.Series(["23:59:59.5", "23:59:59.75", "x", "00:00:00.0", "00:00:00.25"]))
    assert_allclose(found, [86399.5, 86399.75, np.nan, 86400.0, 86400.25])


def test_dates_count_from_the_first():
    found = stamps.seconds(
        pd.Series(["2026-03-14T12:00:00.000001", "2026-03-14T12:00:00.010001", "2026-03-15T12:00:00.000001"])
    )
    assert_allclose(found, [0.0, 0.01, 86400.0], rtol=0.0, atol=1e-9)


@pytest.mark.parametrize("form", ["%H:%M:%S.%f", "%Y-%m-%dT%H:%M:%S.%f", "%Y-%m-%d %H:%M:%S.%f"])
@pytest.mark.parametrize("delimiter", [",", ";"])
def test_a_log_with_a_clock_of_any_kind_gives_the_same_run(tmp_path, form: str, delimiter: str):
    folder = write_all(tmp_path / "day1")
    sheet = read_carsheet(folder / "car.toml")
    plain = read_run(folder / "run1.csv", None, sheet)
    clock = pd.Timestamp("2026-03-14 09:30:00") + pd.to_timedelta(log_rows()[:, 0], unit="s")
    lines = log_text(delimiter=delimiter).split("\n")
    made = [lines[0]]
    for text, line in zip(clock.strftime(form), lines[1:], strict=False):
        made.append(text + line[line.index(delimiter) :])
    if delimiter == ";":
        made = [line.replace(".", ",") for line in made]
        (folder / "channels.toml").write_text((folder / "channels.toml").read_text().replace('","', '";"'))
    (folder / "run1.csv").write_text("\n".join(made) + "\n")
    run = read_run(folder / "run1.csv", None, sheet)
    assert_allclose(np.diff(run.table["time_s"]), np.diff(plain.table["time_s"]), atol=2e-6)
    pd.testing.assert_frame_equal(run.table.drop(columns="time_s"), plain.table.drop(columns="time_s"))

"""Coverage: episodes and seconds per gear and speed, and what is asked for next."""

from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from gridfit.carsheet import read_carsheet
from pipelines.report.coverage import ENOUGH, coverage, coverage_blocks, missing

SHEET = read_carsheet(Path(__file__).parents[2] / "datasets" / "demo" / "car.toml")
STEP_S = 0.01


def run(*episodes: tuple[float, float, int, str]):
    """A run at a speed that rises by 1 km/h every second, and its episodes: (start [s], end [s], gear, cause)."""
    time_s = STEP_S * np.arange(15_000)
    table = pd.DataFrame({"time_s": time_s, "v_u_smooth_mps": time_s / 3.6})
    rows = [
        {
            "run": "a", "start_s": start, "end_s": end, "gear": gear, "cause": cause,
            "start_index": round(start / STEP_S), "end_index": round(end / STEP_S) - 1,
        }
        for start, end, gear, cause in episodes
    ]  # fmt: skip
    columns = ["run", "start_s", "end_s", "gear", "cause", "start_index", "end_index"]
    return SimpleNamespace(name="a", table=table, step_s=STEP_S), pd.DataFrame(rows, columns=columns)


def found(*episodes):
    item, table = run(*episodes)
    return coverage(SHEET, (item,), table)


def cell(one, gear: int, speed_kmh: float) -> tuple[int, int]:
    return one.gears.index(gear), int(np.searchsorted(one.edges_kmh, speed_kmh, side="right") - 1)


def test_episodes_count_where_they_start_and_seconds_where_they_pass():
    # From 39 to 41 km/h: one second on either side of an edge of the bands, at 40 km/h.
    one = found((39.0, 41.0, 2, "throttle"), (45.0, 46.0, 2, "damp"), (30.0, 31.0, 0, "kerb"))
    assert 40.0 in one.edges_kmh
    slow, fast = cell(one, 2, 39.0), cell(one, 2, 41.0)
    assert one.episodes[slow] == one.episodes[fast] == 1
    assert one.seconds[slow] == pytest.approx(1.0, abs=STEP_S)
    assert one.seconds[fast] == pytest.approx(2.0, abs=STEP_S)
    assert one.causes[slow[0]][slow[1]] == {"throttle": 1}
    assert one.episodes.sum() == 2  # an unknown gear belongs to no cell


def test_gears_that_can_break_traction_are_asked_for_until_there_are_enough():
    empty = found()
    assert {1, 2} <= set(empty.gears)
    assert "none so far" in missing(empty)[0]
    # 30 to 64 % of 7000 rpm in gear 1: ratio 3.40 x 3.90, 235/40R18, is 18.7 to 39.9 km/h by hand.
    assert np.flatnonzero(empty.wanted[0]).tolist() == [cell(empty, 1, 25.0)[1]]
    filled = found(*[(22.0 + 3.0 * at, 23.0 + 3.0 * at, 1, "throttle") for at in range(ENOUGH)])
    assert not any(text.startswith("Gear 1:") for text in missing(filled))
    assert any(text.startswith("Gear 2:") for text in missing(filled))


def test_a_gear_that_slipped_is_shown_even_if_the_sheet_says_that_it_cannot():
    one = found((100.0, 101.0, 5, "damp"))
    assert 5 in one.gears
    assert not one.wanted[one.gears.index(5)].any()


def test_the_table_marks_thin_cells():
    table, asked = coverage_blocks(found((25.0, 26.0, 1, "throttle")))
    cells = {row[0].text: row[1:] for row in table.rows}
    marked = cells["gear 1"][1]
    assert (marked.text, marked.mark) == ("1", "bad")
    assert marked.below == "1.0 s · throttle 1"
    assert any("Gear 1: roll-ons" in point and "(1 so far)" in point for point in asked.points)

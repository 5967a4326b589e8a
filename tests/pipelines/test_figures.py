"""What the figures show is right in the data; the drawings repeat exactly and name no place outside."""

import dataclasses
import re

import numpy as np
import pandas as pd
import pytest

from gridfit.estimate import Estimate
from gridfit.grids import CutGrid, GridPair, TargetGrid
from pipelines.report.figures_compounds import (
    Difference,
    compound_data,
    draw_compounds,
    draw_differences,
    draw_shapes,
    shape_data,
)
from pipelines.report.figures_grids import cut_data, draw_cut, draw_target, target_data
from pipelines.report.figures_plant import PlantRow, draw_plant, plant_data
from pipelines.report.figures_score import (
    draw_front,
    draw_history,
    draw_parts,
    front_data,
    history_data,
    parts_data,
)
from pipelines.report.figures_traces import Example, Response, draw_traces, traces_data

BEFORE = GridPair(
    TargetGrid([20.0, 100.0], [40.0, 10.0]), CutGrid([0.0, 10.0], [1.0, 2.0], [[10, 30], [5, 20]])
)
AFTER = GridPair(TargetGrid([20.0, 60.0], [20.0, 10.0]), CutGrid([0.0, 20.0], [1.0, 2.0], [[0, 80], [0, 40]]))


def test_target_as_slip_speed_in_the_car_s_unit():
    data = target_data(AFTER, BEFORE, "mph")
    # 100 km/h = 62.137 mph (NIST SP 811, 1 mi = 1.609344 km); 10 % of it is 6.2137 mph.
    assert data.before_speed[-1] == pytest.approx(62.1371, abs=1e-4)
    assert data.before_slip_speed[-1] == pytest.approx(6.21371, abs=1e-5)


def test_cut_rows_on_the_breakpoints_of_both():
    data = cut_data(AFTER, BEFORE)
    at = list(data.error_pct)
    assert {0.0, 10.0, 20.0, 25.0} <= set(at)
    assert data.after_pct[0, at.index(10.0)] == 40.0
    assert data.before_pct[1, at.index(25.0)] == 20.0  # held above the last breakpoint
    assert data.gears == (1, 2)


def test_parts_keep_order_and_leave_out_what_is_not_everywhere():
    scores = {
        "before": {"cost": Estimate(9, 8, 10), "reslips": Estimate(1, 0, 2)},
        "after": {"cost": Estimate(2, 1, 3)},
    }
    data = parts_data(scores, {"reslips": "re-slips", "cost": "cost [1]"})
    assert data.parts == ("cost [1]",)
    assert data.mean.tolist() == [[9.0, 2.0]]
    assert data.hi.tolist() == [[10.0, 3.0]]


FRONT = pd.DataFrame(
    {
        "drive_lost_kmh": [1.0, 2.0, 2.0],
        "roughness": [3.0, 1.0, 1.0],
        "on_front": [True, True, False],
        "chosen": [False, True, False],
        "label": ["", "proposal", "start"],
    }
)


def test_the_chosen_pair_is_marked():
    assert front_data(FRONT, {}).chosen == 1
    assert front_data(FRONT.assign(chosen=False), {}).chosen == -1


def test_labels_at_one_place_are_joined():
    text = draw_front(front_data(FRONT, {}))
    assert "proposal, start" in text


def test_labels_of_close_places_do_not_lie_on_each_other():
    close = FRONT.assign(roughness=[3.0, 1.0, 0.95])
    heights = {
        name: float(re.search(rf'y="([-\d.]+)"[^>]*>{name}<', draw_front(front_data(close, {})))[1])
        for name in ("proposal", "start")
    }
    # letters are 9 points high, and the picture counts downwards
    assert heights["start"] - heights["proposal"] >= 9.0


HISTORY = pd.DataFrame({"block": ["g", "g", "g", "t"], "round": [0, 0, 0, 0], "cost": [5.0, 7.0, 3.0, 4.0]})


def test_history_is_the_lowest_so_far():
    data = history_data(HISTORY)
    assert data.blocks == ("g, round 1", "t, round 1")
    assert data.best[0].tolist() == [5.0, 5.0, 3.0]


def test_plant_leaves_out_what_nobody_knows():
    known = PlantRow("a", ("gear 1",), (Estimate(1, 0, 2),), ())
    unknown = PlantRow("b", ("gear 1",), (Estimate(np.nan, np.nan, np.nan),), ())
    assert plant_data([known, unknown]).panels == (known,)


RESPONSE = Response(
    np.linspace(0, 2, 2001), np.linspace(0, 30, 2001), np.full(2001, 8.0), np.zeros(2001), np.full(2001, 60.0)
)


def test_traces_are_thinned_with_one_axis():
    data = traces_data([Example("stab", RESPONSE, RESPONSE)])
    assert data.examples[0].before.time_s.size <= 401
    assert data.ceiling_pct == pytest.approx(32.4)


RUNS = pd.DataFrame(
    {
        "compound": ["soft", "hard", "soft"],
        "run": ["r1", "r2", "r3"],
        "log_mu": np.log([1.2, 1.0, 1.1]),
        "se": [0.01, 0.02, 0.0],
        "track_temp_c": [20.0, np.nan, 25.0],
    }
)


def test_compounds_are_grouped_with_intervals():
    data = compound_data(RUNS)
    assert data.compounds == ("hard", "soft")
    assert data.runs == ("r2", "r1", "r3")
    assert data.mu == pytest.approx([1.0, 1.2, 1.1])
    assert data.lo[2] == data.hi[2]
    # 1.645 is the 95 % point of the normal distribution in every table of it.
    assert data.hi[0] == pytest.approx(np.exp(1.645 * 0.02), rel=1e-4)


SHAPES = RUNS.assign(
    peak_slip_pct=[12.0, 14.0, np.nan], log_slip_se=[0.05, 0.1, np.nan], fall_off_pct=[6.0, 8.0, 7.0],
    fall_off_se=[1.0, 2.0, np.nan], drift_pct_per_min=[0.5, -1.0, np.nan], drift_se=[0.4, 0.5, np.nan],
)  # fmt: skip
MANY = compound_data(pd.concat([RUNS] * 4).assign(run=[f"r{i}" for i in range(12)]))
DIFFERENCE = Difference("hard over soft", -4.0, -6.0, -2.0, 3.0, decided=True)


def test_figures_of_each_run_have_their_intervals():
    data = shape_data(SHAPES)
    assert data.runs == ("r2", "r1", "r3")
    slip, fall, drift = data.values
    assert slip[1][0] == 14.0
    assert slip[3][0] == pytest.approx(14.0 * np.exp(1.645 * 0.1), rel=1e-3)
    assert np.isnan(slip[1][2])
    assert fall[2][1] == pytest.approx(6.0 - 1.645, rel=1e-3)
    assert drift[1][0] == -1.0


def test_differences_show_what_the_runs_cannot_tell():
    page = draw_differences((DIFFERENCE,))
    assert "hard over soft" in page
    assert draw_differences((DIFFERENCE,)) != draw_differences((dataclasses.replace(DIFFERENCE, least=1.0),))


DRAWINGS = {
    "target": lambda: draw_target(target_data(AFTER, BEFORE)),
    "cut": lambda: draw_cut(cut_data(AFTER, BEFORE)),
    "parts": lambda: draw_parts(parts_data({"x": {"cost": Estimate(1, 0, 2)}}, {"cost": "cost"})),
    "front": lambda: draw_front(front_data(FRONT, {})),
    "history": lambda: draw_history(history_data(HISTORY)),
    "plant": lambda: draw_plant(
        plant_data([PlantRow("a", ("gear 1",), (Estimate(1, 0, 2),), (Estimate(1, 1, 1),))])
    ),
    "traces": lambda: draw_traces(traces_data([Example("stab", RESPONSE, RESPONSE)])),
    "compounds": lambda: draw_compounds(compound_data(RUNS)),
    "shapes": lambda: draw_shapes(shape_data(SHAPES)),
    "differences": lambda: draw_differences((DIFFERENCE,)),
    "many": lambda: draw_compounds(MANY, "peak friction [1]", "many"),
}


@pytest.mark.parametrize("name", DRAWINGS)
def test_a_drawing_repeats_exactly_and_stands_alone(name):
    first, second = DRAWINGS[name](), DRAWINGS[name]()
    assert first == second
    assert first.startswith("<svg viewBox=")
    assert first.endswith("</svg>")
    assert "http" not in first
    assert "<metadata" not in first
    assert len(first) < 250_000
    identifiers = re.findall(r' id="([^"]+)"', first)
    assert len(identifiers) == len(set(identifiers))
    assert all(identifier.startswith(f"{name}-") for identifier in identifiers)
    for target in re.findall(r'(?:href="#|url\(#)([^")]+)', first):
        assert target in identifiers

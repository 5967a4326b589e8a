"""Shapes: what the cube can draw, in order and inside the limits, and back again."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from gridfit.grids import GridPair, TargetGrid
from gridfit.search.space import (
    EDGE,
    SLIP_HIGH_KMH,
    SLIP_LOW_KMH,
    STEEPEST,
    blend,
    coordinate,
    fraction,
    generic,
    on_axes,
    row_space,
    target_space,
    with_row,
    with_target,
)
from tests.gridfit.search.landscape import ERROR, GEARS, SPEED, START, pair_of


def cube(n):
    return hnp.arrays(np.float64, n, elements=st.floats(-0.3, 1.3))


def axis(low, high, least, most):
    return st.lists(st.integers(low, high), min_size=least, max_size=most, unique=True).map(
        lambda values: np.array(sorted(values), dtype=float)
    )


@given(axis(5, 320, 4, 20), st.data())
def test_target_never_rises_and_keeps_to_its_limits(speed, data):
    space = target_space(speed, float(speed[0]), float(speed[-1]), knots=data.draw(st.integers(1, 5)))
    grid = space.grid(data.draw(cube(len(space.names))))
    assert np.all(np.diff(grid.slip_pct) <= 1e-12)
    slip_kmh = grid.slip_pct * speed / 100.0
    assert np.all(slip_kmh >= np.minimum(SLIP_LOW_KMH, 0.6 * speed) - 1e-9)
    assert np.all(slip_kmh <= SLIP_HIGH_KMH + 1e-9)


@given(cube(4))
def test_target_comes_back_from_the_cube_unless_the_limits_bent_it(unit):
    space = target_space(SPEED, 20.0, 110.0)
    grid = space.grid(unit)
    knots = SPEED[list(space.knot)]
    again = space.grid(space.unit(grid))
    slip_kmh = grid.at(knots) * knots / 100.0
    inside = np.all((slip_kmh > SLIP_LOW_KMH * 1.001) & (slip_kmh < SLIP_HIGH_KMH * 0.999))
    # where a limit on slip speed cut a knot off, that knot still comes back
    atol = 1e-9 if inside else 0.02
    np.testing.assert_allclose(again.at(knots), grid.at(knots), rtol=atol, atol=1e-9)


def test_one_stretch_that_falls_too_steeply_does_not_shift_the_knots_behind_it():
    space = target_space(SPEED, 20.0, 110.0, knots=3)
    knots = SPEED[list(space.knot)]
    slip = np.interp(SPEED, knots, [50.0, 8.0, 8.0])
    drawn = space.grid(space.unit(TargetGrid(SPEED, slip)))
    first = float(knots[1] / knots[0]) ** -STEEPEST * 50.0
    assert drawn.at(knots[1]) == pytest.approx(max(8.0, first), rel=1e-9)
    assert drawn.at(knots[2]) == pytest.approx(8.0, rel=1e-6)


def test_fifteen_kmh_of_slip_is_a_line_of_exponent_one():
    # common practice, no source: 15 km/h of slip at every speed is a target that falls as 1/speed
    space = target_space(SPEED, 30.0, 200.0)
    slip = 1500.0 / SPEED
    drawn = space.grid(space.unit(TargetGrid(SPEED, slip)))
    at = SPEED >= 30.0
    np.testing.assert_allclose(drawn.slip_pct[at] * SPEED[at] / 100.0, 15.0, rtol=1e-9)


@given(axis(0, 60, 2, 16), st.floats(20.0, 100.0), st.data())
def test_row_never_falls_and_stays_below_the_largest_cut(error, top, data):
    space = row_space(error, top, knots=data.draw(st.integers(2, 7)))
    row = space.row(data.draw(cube(len(space.names))))
    assert np.all(np.diff(row) >= 0.0)
    assert row[0] >= 0.0
    assert row[-1] <= top + 1e-9


@given(cube(7))
def test_row_comes_back_from_the_cube(unit):
    space = row_space(ERROR, 100.0)
    row = space.row(unit)
    np.testing.assert_allclose(space.row(space.unit(row)), row, atol=1e-9)


@given(hnp.arrays(np.float64, ERROR.size, elements=st.floats(0.0, 100.0)))
def test_row_out_of_order_is_met_from_above(row):
    space = row_space(ERROR, 100.0)
    np.testing.assert_allclose(space.row(space.unit(row)), np.maximum.accumulate(row), atol=1e-6)


def test_no_cut_at_a_negative_error():
    space = row_space(np.array([-10.0, -5, 0, 5, 10]), 100.0)
    row = space.row(np.full(len(space.names), 0.9))
    assert np.all(row[:3] == 0.0)
    assert row[3] > 0.0


@given(st.floats(0.0, 1.0))
def test_margins_act_as_the_end_of_the_range(share):
    assert fraction(np.array([EDGE * share]))[0] == 0.0
    assert fraction(np.array([1.0 - EDGE * share]))[0] == 1.0
    assert fraction(coordinate(np.array([share])))[0] == pytest.approx(share, abs=1e-12)


def test_a_row_with_more_breakpoints_than_knots_is_a_line_between_them():
    error = np.arange(0.0, 32.0, 2.0)
    space = row_space(error, 100.0, knots=5)
    assert len(space.names) == 5
    row = space.row(np.full(5, 0.4))
    between = [i for i in range(error.size) if i not in space.knot]
    lines = np.interp(error, error[list(space.knot)], row[list(space.knot)])
    np.testing.assert_allclose(row[between], lines[between])


@settings(max_examples=30)
@given(st.integers(1, 4), cube(7), cube(4))
def test_replacing_a_part_leaves_the_rest(gear, row, target):
    pair = with_row(START, gear, row_space(ERROR, 100.0).row(row))
    others = [g for g in range(1, 5) if g != gear]
    assert all(np.array_equal(pair.cut.row(g), START.cut.row(g)) for g in others)
    moved = with_target(pair, target_space(SPEED, 20.0, 110.0).grid(target))
    assert np.array_equal(moved.cut.cut_pct, pair.cut.cut_pct)


def test_generic_pair_is_on_the_axes_of_any_car_and_within_its_largest_cut():
    # its figures were found by the project's own search over invented cars
    pair = generic(START, 80.0)
    assert np.all((pair.target.slip_pct >= 8.0) & (pair.target.slip_pct <= 11.0))
    assert pair.cut.cut_pct[0, 0] == 15.0
    assert np.all(pair.cut.cut_pct[0] >= pair.cut.cut_pct[1])
    assert np.array_equal(pair.cut.cut_pct[1], pair.cut.cut_pct[2])
    assert pair.cut.cut_pct[0, -1] == 80.0
    assert pair.is_monotone


def test_other_axes_are_read_as_the_controller_reads_them():
    axes = GridPair(START.target, START.cut)
    coarse = pair_of(10.0, 30.0)
    fine = on_axes(coarse, axes)
    assert np.array_equal(fine.cut.gear, GEARS)
    np.testing.assert_allclose(fine.target.slip_pct, 10.0)


def test_a_blend_goes_from_one_pair_to_the_other():
    one, other = pair_of(8.0, 20.0), pair_of(18.0, 60.0)
    for share, pair in ((0.0, one), (1.0, other)):
        np.testing.assert_allclose(blend(one, other, share).cut.cut_pct, pair.cut.cut_pct)
        np.testing.assert_allclose(blend(one, other, share).target.slip_pct, pair.target.slip_pct)
    # halfway: 12 is the geometric mean of 8 and 18, 40 the mean of 20 and 60
    half = blend(one, other, 0.5)
    np.testing.assert_allclose(half.target.slip_pct, 12.0)
    np.testing.assert_allclose(half.cut.cut_pct, 40.0)

"""Where a few breakpoints serve best: the optimal knots of a piecewise linear curve, by dynamic programming.

The error of every stretch between two candidates stands by itself, so the best way to reach a knot is the best way to
the one before it and one stretch more (Bellman, "On the approximation of curves by line segments using dynamic
programming", Communications of the ACM 4 (1961), p. 284). What it finds is the optimum over the candidates.
"""

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

DOUBT = 0.1
"""What a curve may yet bow between the ends of the axis, as a share of its largest value [1]: it spreads knots over
stretches that look straight, since the values there may still be moved."""


def stretch_costs(axis: FloatArray, curves: FloatArray, weight: FloatArray, bend: FloatArray) -> FloatArray:
    """Return the error of drawing one straight line from one candidate to another.

    Parameters
    ----------
    axis : float64[K]
        Candidates for knots, rising.
    curves : float64[F, K]
        Curves that share the knots.
    weight : float64[F, K]
        What an error at a candidate counts.
    bend : float64[F]
        Second derivative that a curve may have beyond what is known of it; it spreads knots over what looks straight.

    Returns
    -------
    float64[K, K]
        Weighted sum of squares over the candidates in between, of all curves: [from, to]; infinite unless from < to.
    """
    size = axis.size
    cost = np.full((size, size), np.inf)
    for i in range(size - 1):
        gap = axis[i:] - axis[i]
        ends = np.arange(1, gap.size)
        share = np.minimum(gap[None, :] / gap[ends, None], 1.0)
        inside = gap[None, :] < gap[ends, None]
        here = curves[:, i:]
        line = here[:, :1, None] + (here[:, ends, None] - here[:, :1, None]) * share
        unknown = 0.5 * bend[:, None, None] * gap * (gap[ends, None] - gap)
        off = np.where(inside, (line - here[:, None, :]) ** 2 + unknown**2, 0.0)
        cost[i, i + 1 :] = np.einsum("fjs,fs->j", off, weight[:, i:])
    return cost


def held_costs(
    axis: FloatArray, curves: FloatArray, weight: FloatArray, slope: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return the error of holding the curves below the first knot and above the last one, float64[K] each.

    Parameters
    ----------
    axis, curves, weight
        As in `stretch_costs`.
    slope : float64[F]
        First derivative that a curve may have beyond what is known of it.
    """
    off = (curves[:, None, :] - curves[:, :, None]) ** 2
    unknown = slope[:, None, None] * (axis[None, :] - axis[:, None])
    apart = np.sum((off + unknown**2) * weight[:, None, :], axis=0)
    return np.tril(apart).sum(axis=1), np.triu(apart).sum(axis=1)


def best_knots(
    stretch: FloatArray, before: FloatArray, after: FloatArray, count: int
) -> tuple[tuple[int, ...], float]:
    """Return the `count` knots of least error, and the error.

    Parameters
    ----------
    stretch : float64[K, K]
        As in `stretch_costs`.
    before, after : float64[K]
        Error ahead of the first knot and past the last one, by where that knot is; infinite forbids it.
    count : int
        Knots, 2 to K.

    Returns
    -------
    (tuple of int, float)
        Indices of the candidates, rising.
    """
    size = before.size
    if not 2 <= count <= size:
        raise ValueError(f"best_knots count = {count}: must be 2 to {size}, the number of candidates")
    reach, came = before, []
    for _ in range(count - 1):
        total = reach[:, None] + stretch
        came.append(total.argmin(axis=0))
        reach = total.min(axis=0)
    total_after = reach + after
    knots = [int(np.argmin(total_after))]
    for step in reversed(came):
        knots.append(int(step[knots[-1]]))
    return tuple(reversed(knots)), float(total_after.min())


def place_knots(
    axis: FloatArray, curves: FloatArray, weight: FloatArray, count: int, *, first_fixed: bool
) -> FloatArray:
    """Return the `count` candidates between which straight lines follow the curves best.

    Parameters
    ----------
    axis, curves, weight
        As in `stretch_costs`.
    count : int
        Knots; all candidates if there are no more.
    first_fixed : bool
        Whether the first candidate is a knot; else the curves are held below the first knot. They always are above the
        last one.

    Returns
    -------
    float64[min(count, K)]
    """
    span = axis[-1] - axis[0]
    doubt = DOUBT * np.abs(curves).max(axis=1)
    stretch = stretch_costs(axis, curves, weight, 8.0 * doubt / span**2)
    before, after = held_costs(axis, curves, weight, 2.0 * doubt / span)
    if first_fixed:
        before = np.where(np.arange(axis.size) == 0, 0.0, np.inf)
    knots, _ = best_knots(stretch, before, after, min(count, axis.size))
    return axis[list(knots)]

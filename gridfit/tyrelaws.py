"""Tyre laws behind one interface: friction over slip, both in units of their values at the peak.

A plant may follow either law, so that what logs cannot decide about the curve's shape stays in the draws.
Each law is a function of normalised slip whose largest value is 1 at 1; peak friction and slip at the peak
are parameters of their own.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gridfit.tyre import burckhardt, magic_formula, magic_formula_from_peak

Floats = NDArray[np.float64]
SLIDE_FLOOR = 0.3
"""Least friction over its peak at any slip [1]: the exponential law would fall below zero far out."""


@dataclass(frozen=True, slots=True)
class TyreLaw:
    """One law.

    Parameters
    ----------
    name : str
        What people call it.
    shape_names : tuple of str
        Plant parameters that shape it.
    friction : callable
        (slip over slip at peak[N], *shape) -> friction over peak friction[N].
    """

    name: str
    shape_names: tuple[str, ...]
    friction: Callable[..., Floats]


def normalised_magic_formula(rho: Floats, c: float, e: float) -> Floats:
    """Magic Formula with its peak at (1, 1): slip over slip at peak[N], shape C, curvature E -> float64[N].

    Source: Pacejka, Tire and Vehicle Dynamics, 3rd ed. 2012, ch. 4.
    """
    b, shape, scale, curvature = magic_formula_from_peak(1.0, 1.0, c, e)
    result: Floats = magic_formula(rho, b, shape, scale, curvature)
    return result


def normalised_exponential(rho: Floats, rate: float) -> Floats:
    """Burckhardt's c1 (1 - exp(-c2 s)) - c3 s with its peak at (1, 1): slip over slip at peak[N], c2 -> float64[N].

    Source: M. Burckhardt, Fahrwerktechnik: Radschlupf-Regelsysteme, Vogel 1993 (from memory); c1 and c3 from the
    two conditions at the peak.
    """
    left = np.exp(-rate)
    first = 1.0 / (1.0 - left - rate * left)
    curve = burckhardt(rho, first, rate, first * rate * left)
    result: Floats = np.where(rho > 1.0, np.maximum(curve, SLIDE_FLOOR), curve)
    return result


LAWS: tuple[TyreLaw, ...] = (
    TyreLaw("Magic Formula", ("tyre_c", "tyre_e"), normalised_magic_formula),
    TyreLaw("exponential", ("tyre_rate",), normalised_exponential),
)
"""In the order of the plant parameter `tyre_law`."""

"""Bumps, which are no wheelspin: short, and met by the other axle a wheelbase later, or made by the undriven axle."""

import numpy as np

from gridfit.carsheet import CarSheet
from gridfit.recovery import BAND_PCT
from gridfit.signals import filters
from gridfit.signals.filters import Floats
from gridfit.signals.prepared import Signals
from gridfit.units import KMH_PER_MPS

LONGEST_S = 0.2
"""What a bump does to one axle is over in this time [s]."""

CALM_S = 0.4
"""A car's own speed is a smooth curve over this time [s]."""

SAME_SHARE = 0.4
"""The other axle meets the same bump when it is thrown by this share of what the first one was [1]."""

OUT_SD = 4.0
"""...and by this many standard deviations of its noise."""

WITHIN_S = 0.04
"""It meets it within this of wheelbase over speed later [s]."""

AFTER_SHIFT_S = 0.15
"""After a shift a short slip is the clutch's [s]."""


def is_bump(signals: Signals, sheet: CarSheet, first: int, last: int) -> bool:
    """Say whether a short stretch above the band is a bump.

    Parameters
    ----------
    signals : Signals
    sheet : CarSheet
        Wheelbase, and which axle drives.
    first, last : int
        First and last sample of the stretch.
    """
    table, step_s = signals.table, signals.step_s
    time_s = table["time_s"].to_numpy(dtype=np.float64)
    before = max(0, first - round(AFTER_SHIFT_S / step_s))
    if time_s[last] - time_s[first] > LONGEST_S or table["shift"].to_numpy()[before : last + 1].any():
        return False
    reach = round((CALM_S + sheet.car.wheelbase_m / 3.0) / step_s)
    piece = slice(max(0, first - reach), min(time_s.size, last + reach + 1))
    v_u, v_d = (table[name].to_numpy(dtype=np.float64)[piece] for name in ("v_u_mps", "v_d_mps"))
    start, stop = first - piece.start, last - piece.start + 1
    window = round(CALM_S / step_s) | 1
    return _by_undriven(signals, sheet, v_u, piece, start, stop, window) or _both(
        v_u, v_d, start, stop, window, sheet, step_s
    )


def _by_undriven(
    signals: Signals, sheet: CarSheet, v_u: Floats, piece: slice, start: int, stop: int, window: int
) -> bool:
    """Say whether the error stays in the band against a car speed that cannot jump."""
    calm = filters.quadratic(v_u, window)
    table = signals.table
    v_d = table["v_d_smooth_mps"].to_numpy(dtype=np.float64)[piece]
    smooth_u = table["v_u_smooth_mps"].to_numpy(dtype=np.float64)[piece]
    error = table["error_smooth_pct"].to_numpy(dtype=np.float64)[piece]
    least = sheet.controller.min_speed_kmh / KMH_PER_MPS
    change = 100.0 * (v_d - calm) / np.maximum(calm, least) - 100.0 * (v_d - smooth_u) / np.maximum(
        smooth_u, least
    )
    return bool(np.max((error + change)[start:stop]) < BAND_PCT)


def _both(
    v_u: Floats, v_d: Floats, start: int, stop: int, window: int, sheet: CarSheet, step_s: float
) -> bool:
    """Say whether the other axle is thrown up too, a wheelbase later, or earlier where the rear axle drives."""
    calm = filters.quadratic(v_u, window)
    slip = float(np.median((v_d - calm)[max(0, start - window) : start])) if start else 0.0
    thrown_d, thrown_u = v_d - calm - slip, v_u - calm
    later = sheet.car.wheelbase_m / max(float(calm[start]), 3.0)
    shift = round((later if sheet.driven == "front" else -later) / step_s)
    within = max(1, round(WITHIN_S / step_s))
    low, high = max(0, start + shift - within), max(0, stop + shift + within)
    other = float(np.max(thrown_u[low:high], initial=0.0))
    own = float(np.max(thrown_d[start:stop], initial=0.0))
    noise = float(np.nan_to_num(filters.noise_sd(v_u)))
    return bool(other > SAME_SHARE * own and other > OUT_SD * noise)

"""Speeds of both axles on the log's clock: raw, repaired and calibrated, and smoothed no more than needed."""

import numpy as np
import pandas as pd

from gridfit.carsheet import CarSheet
from gridfit.signals import command, filters
from gridfit.signals.filters import Floats
from gridfit.signals.gears import Gears
from gridfit.signals.repair import Repaired
from gridfit.units import KMH_PER_MPS, RPM_PER_RADPS

ERROR_SD_PCT = 0.45
"""Noise of slip error that smoothing aims to leave [percentage points]: a quarter of the 2-point band."""

UNDRIVEN_SHARE = 0.5
"""Share of that noise that the undriven axle may add [1]; a car is slow to change."""

ENGINE_SHARE = 0.7
"""Share of that noise to aim at where engine speed keeps the edges [1]."""

LONGEST_TWIST_S = 0.15
"""Longest smoothing of what driven axle and engine speed differ by [s]."""

LONGEST_DRIVEN_S = 0.11
"""Longest smoothing of the driven axle [s]; slip of 40 ms must survive it."""

LONGEST_UNDRIVEN_S = 0.35
"""Longest smoothing of the undriven axle [s]."""

SHORTEST_UNDRIVEN_S = 0.11
"""Shortest smoothing of the undriven axle [s]: a car's speed does not change faster."""


def speeds(item: Repaired, gear: Gears, reading: Floats, factor: float, sheet: CarSheet) -> pd.DataFrame:
    """Return clock, raw, repaired and smoothed speeds, columns as in `Signals`.

    Parameters
    ----------
    item : Repaired
    gear : Gears
    reading : float64[S]
        What the driven axle reads over the undriven one without slip [1].
    factor : float
        The same when going straight on [1].
    sheet : CarSheet

    Returns
    -------
    DataFrame
    """
    step_s = item.run.period_s
    v_u, v_d = item.undriven.speed_mps, item.driven.speed_mps / reading
    sd_u, sd_d = item.undriven.sd_mps, item.driven.sd_mps / reading
    base = np.maximum(v_u, sheet.controller.min_speed_kmh / KMH_PER_MPS)
    wanted = ERROR_SD_PCT / 100.0 * base
    shortest = round(SHORTEST_UNDRIVEN_S / step_s) | 1
    calm = filters.quadratic(v_u, shortest)
    stronger = filters.smooth_to(v_u, sd_u, UNDRIVEN_SHARE * wanted, round(LONGEST_UNDRIVEN_S / step_s))
    enough = sd_u * filters.noise_gain(shortest) <= UNDRIVEN_SHARE * wanted
    engine = by_engine(item, gear) * factor / reading
    return pd.DataFrame(
        {
            "time_s": item.time_s,
            "v_u_mps": v_u,
            "v_d_mps": v_d,
            "v_u_raw_kmh": command.in_kmh(item.undriven.raw_mps),
            "v_d_raw_kmh": command.in_kmh(item.driven.raw_mps),
            "v_u_smooth_mps": np.where(enough, calm, stronger),
            "v_d_smooth_mps": _smooth_driven(item, v_d, sd_d, wanted, gear, engine),
        }
    )


def by_engine(item: Repaired, gear: Gears) -> Floats:
    """Return the driven axle's speed by engine speed and ratio [m/s], straight on; NaN where unknown."""
    speed = item.rpm / RPM_PER_RADPS * gear.radius.mean / gear.ratios[np.maximum(gear.gear, 1) - 1]
    return np.where(gear.gear > 0, speed, np.nan)


def _smooth_driven(
    item: Repaired, v_d: Floats, sd: Floats, wanted: Floats, gear: Gears, engine: Floats
) -> Floats:
    """Smooth the driven axle; with the clutch closed only its difference from engine speed is smoothed.

    Engine speed is far quieter than a wheel's, and what the two differ by, the twist of the shafts, is small
    and needs no sharp edges; so the edges of slip survive although the noise goes.
    """
    longest = round(LONGEST_DRIVEN_S / item.run.period_s)
    plain = filters.smooth_to(v_d, sd, wanted, longest)
    closed = gear.coupled & np.isfinite(engine)
    if not closed.any():
        return plain
    longer = round(LONGEST_TWIST_S / item.run.period_s)
    reach = longer // 2 + 1
    inner = ~filters.widen(~closed, reach, reach)
    rest = filters.fill_gaps(item.time_s, np.where(closed, v_d - engine, np.nan))
    return np.where(inner, engine + filters.smooth_to(rest, sd, ENGINE_SHARE * wanted, longer), plain)

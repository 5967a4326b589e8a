"""Prepared signals and episodes -> short windows of log over which the plant's prediction is judged.

Windows cover every episode with its surroundings, and, more thinly, hard driving without slip, from which
torque over mass, drag and slip stiffness come. A window never spans a shift, a brake, a fault, a kerb or the
rev limiter.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter1d

from gridfit.carsheet import CarSheet
from gridfit.errors import DataError
from gridfit.signals import turns
from gridfit.signals.prepared import Signals
from gridfit.simulate.packing import GRAVITY_MPS2, overall_ratios
from gridfit.simulate.parameters import Floats

WINDOW_S = 0.28
"""Length of a window [s]: short enough for the falling side of the friction curve."""
RUN_UP_S = 0.30
"""Log ahead of a window over which the inputs' lags are run up [s]."""
STEERING_RATIO = 15.0
"""Steering wheel angle over road wheel angle, where only the former is logged (12 to 18 for cars; from memory)."""
LIMITER_S = 0.15
"""Surroundings of the rev limiter in which torque is not the throttle's [s]."""
SETTLE_S = 0.12
"""Start of a stretch that no window uses [s]: clutch and half shafts are still settling after a shift."""
LOCKED = 0.06
"""Engine and wheels further apart than this share of their speed are not joined: clutch slip or a wrong gear."""
ENGINE_FLOOR_MPS = 0.02
"""Smallest noise taken for the engine's speed at the rim [m/s]: its sensor is finer than the driveline is simple."""
BEFORE_S, AFTER_S = 0.12, 0.30
"""Surroundings of an episode that count as its own [s]."""
KERB = -2
"""Owner of samples over a kerb: the wheel's load there is not the model's, so no window uses them."""
QUIET_PER_RUN = 150
"""Most windows without an episode taken from one run."""
QUIET_THROTTLE = 0.5
"""Throttle above which driving without slip is used [1]."""


@dataclass(frozen=True, slots=True)
class Windows:
    """Windows over the samples of all runs, one run after the other.

    Parameters
    ----------
    time, throttle, cut, driven, undriven, engine : float64[S]
        Log [s], [1], [1], [m/s], [m/s], [m/s]; engine speed over the gear's overall ratio, at the driven wheels'
        rim (the driven wheels' own speed where it is not known).
    used, engine_used : bool[S]
        Samples whose wheel speeds, or engine speed, may be compared.
    bounds : int64[W, 4]
        Run-up, sample from which the clutch is closed, first sample, one past the last sample.
    gear, run, compound, episode : int64[W]
        Gear number; positions of run and compound; episode number or -1.
    lateral : float64[W]
        Mean lateral acceleration over g, 0 where unknown.
    noise : float64[W, 3]
        Noise of driven, undriven and engine speed [m/s].
    late_s : float64[W]
        How much later than a line between the rows' cuts the controller's turns are, where that is known [s].
    stamp_sd_s : float64[W]
        Standard deviation of the turns about that [s].
    runs, compounds : tuple of str
        Names.
    """

    time: Floats
    throttle: Floats
    cut: Floats
    driven: Floats
    undriven: Floats
    engine: Floats
    used: NDArray[np.bool_]
    engine_used: NDArray[np.bool_]
    bounds: NDArray[np.int64]
    gear: NDArray[np.int64]
    run: NDArray[np.int64]
    compound: NDArray[np.int64]
    episode: NDArray[np.int64]
    lateral: Floats
    noise: Floats
    late_s: Floats
    stamp_sd_s: Floats
    runs: tuple[str, ...]
    compounds: tuple[str, ...]

    def __len__(self) -> int:
        """Number of windows W."""
        return int(self.bounds.shape[0])


def noise_mps(speed_mps: Floats, used: NDArray[np.bool_]) -> float:
    """Noise of a speed signal [m/s], from its second differences by the median, so that motion drops out."""
    second = speed_mps[2:] - 2.0 * speed_mps[1:-1] + speed_mps[:-2]
    good = used[2:] & used[1:-1] & used[:-2]
    if good.sum() < 50:
        return 0.1
    spread = 1.4826 * float(np.median(np.abs(second[good])))
    # the mean keeps quantised channels from reading zero
    return float(max(spread / 6.0**0.5, 0.25 * float(np.std(second[good])) / 6.0**0.5, 0.01))


def _lateral_g(sheet: CarSheet, signals: Signals) -> Floats:
    """Size of the lateral acceleration over g, by the best that the log has: float64[S], 0 where it has nothing.

    Logged acceleration first; else speed squared times the path's curvature from the undriven wheels; else the
    same from the steering wheel, with an assumed steering ratio.
    """
    table = signals.table
    square = np.nan_to_num(table["v_u_mps"].to_numpy()) ** 2
    side = table["lateral_mps2"].to_numpy().astype(np.float64)
    if not np.isfinite(side).any() and "curvature_1pm" in table:
        side = square * table["curvature_1pm"].to_numpy()
    if not np.isfinite(side).any() and "steering_rad" in signals.run.table:
        wheel = signals.run.table["steering_rad"].to_numpy()
        side = square * np.tan(np.clip(wheel / STEERING_RATIO, -0.7, 0.7)) / sheet.car.wheelbase_m
    result: Floats = np.minimum(np.abs(np.nan_to_num(side)) / GRAVITY_MPS2, 2.0)
    return result


def _engine(sheet: CarSheet, signals: Signals) -> tuple[Floats, NDArray[np.bool_]]:
    """Engine speed at the driven wheels' rim [m/s], and where it is known."""
    table = signals.table
    driven = np.nan_to_num(table["v_d_mps"].to_numpy())
    gear = table["gear"].to_numpy().astype(np.int64)
    ratio = overall_ratios(sheet)[np.clip(gear - 1, 0, len(sheet.gearbox.ratios) - 1)]
    rim = table["rpm"].to_numpy() * (2.0 * np.pi / 60.0) / ratio * signals.radius.mean
    known = np.isfinite(rim) & (gear > 0) & ~table["shift"].to_numpy()
    known &= np.abs(np.nan_to_num(rim) / np.maximum(driven, 1.0) - 1.0) < LOCKED
    return np.where(known, np.nan_to_num(rim), driven), known


def _widened(marked: NDArray[np.bool_], samples: int) -> NDArray[np.bool_]:
    """Mark also so many samples before and after each marked one."""
    result: NDArray[np.bool_] = maximum_filter1d(marked, 2 * samples + 1)
    return result


def _usable(table: pd.DataFrame) -> NDArray[np.bool_]:
    """Samples that can be inside a window."""
    good = table["valid"].to_numpy() & ~table["shift"].to_numpy() & ~table["brake"].to_numpy()
    step = float(np.median(np.diff(table["time_s"].to_numpy())))
    if "limiter" in table:
        good &= ~_widened(table["limiter"].to_numpy(), round(LIMITER_S / step))
    if "coupled" in table and np.isfinite(table["rpm"].to_numpy()).any():
        good &= table["coupled"].to_numpy()
    known = np.isfinite(table["cut_pct"].to_numpy()) & np.isfinite(table["throttle"].to_numpy())
    moving = (table["v_u_mps"].to_numpy() > 3.0) & (table["gear"].to_numpy() > 0)
    result: NDArray[np.bool_] = good & known & moving & (table["throttle"].to_numpy() > 0.2)
    return result


def _stretches(usable: NDArray[np.bool_], gear: NDArray[np.int64], time: Floats) -> list[tuple[int, int]]:
    """Longest stretches of usable samples in one gear without a gap: [begin, end)."""
    step = float(np.median(np.diff(time)))
    joined = usable[1:] & usable[:-1] & (gear[1:] == gear[:-1]) & (np.diff(time) < 2.6 * step)
    edges = np.flatnonzero(np.diff(np.concatenate([[0], joined.astype(np.int8), [0]])))
    return [(int(a), int(b) + 1) for a, b in zip(edges[::2], edges[1::2], strict=True)]


def _cover(begin: int, end: int, length: int) -> list[tuple[int, int]]:
    """Cut a stretch into windows of about one length, none shorter than half of it."""
    count = max(1, round((end - begin) / length))
    edges = np.linspace(begin, end, count + 1).round().astype(int)
    return [(int(a), int(b)) for a, b in pairwise(edges) if b - a >= 0.5 * length]


def _run_windows(signals: Signals, episodes: pd.DataFrame, number: int) -> list[tuple[int, int, int]]:
    """Windows of one run: (first, one past last, episode number or -1), counted in the run's samples."""
    table = signals.table
    time = table["time_s"].to_numpy()
    gear = table["gear"].to_numpy().astype(np.int64)
    length = max(6, round(WINDOW_S / float(np.median(np.diff(time)))))
    owner = np.full(time.size, -1, dtype=np.int64)
    spans = episodes[["start_s", "end_s"]].to_numpy(dtype=np.float64)
    kerb = episodes["cause"].to_numpy() == "kerb"
    for position, (start, end) in enumerate(spans):
        mine = (time >= start - BEFORE_S) & (time <= end + AFTER_S)
        owner[mine] = KERB if kerb[position] else number + position
    found, quiet = [], []
    for begin, end in _stretches(_usable(table), gear, time):
        begin += round(SETTLE_S / WINDOW_S * length)
        if end - begin < 0.5 * length:
            continue
        for a, b in _cover(begin, end, length):
            inside = owner[a:b]
            if (inside == KERB).any():
                continue
            if (inside >= 0).mean() > 0.3:
                found.append((a, b, int(inside[inside >= 0][0])))
            elif table["throttle"].to_numpy()[a:b].min() > QUIET_THROTTLE:
                quiet.append((a, b, -1))
    stride = max(1, -(-len(quiet) // QUIET_PER_RUN))
    return found + quiet[::stride]


def _before(time: Floats, first: int, usable: NDArray[np.bool_], gear: NDArray[np.int64]) -> tuple[int, int]:
    """Sample from which the inputs' lags are run up, and the one from which the engine drives in this gear."""
    pre = int(max(0, np.searchsorted(time, time[first] - RUN_UP_S)))
    apart = np.flatnonzero(~usable[pre:first] | (gear[pre:first] != gear[first]))
    return pre, pre + int(apart[-1]) + 1 if apart.size else pre


def build(sheet: CarSheet, signals: Sequence[Signals], episodes: pd.DataFrame) -> Windows:
    """Make the windows of a car.

    Parameters
    ----------
    sheet : CarSheet
        The car.
    signals : sequence of Signals
        Prepared runs.
    episodes : DataFrame
        As found by `gridfit.signals.episodes.find`, all runs together.

    Returns
    -------
    Windows

    Raises
    ------
    DataError
        If no run has a usable window.
    """
    late_s, stamp_sd_s = turns.stamps(sheet, signals)
    compounds = tuple(dict.fromkeys(s.run.note.compound for s in signals))
    samples: dict[str, list[Floats]] = {
        n: [] for n in ("time", "throttle", "cut", "driven", "undriven", "engine", "used", "known")
    }
    bounds, gear, run, compound, episode, lateral, noise = [], [], [], [], [], [], []
    offset, number = 0, 0
    for r, s in enumerate(signals):
        table = s.table
        mine = episodes[episodes["run"] == s.run.name]
        time = table["time_s"].to_numpy()
        side = _lateral_g(sheet, s)
        used = table["valid"].to_numpy() & ~table["kerb"].to_numpy()
        usable, gears = _usable(table), table["gear"].to_numpy().astype(np.int64)
        engine, known = _engine(sheet, s)
        levels = [noise_mps(table[c].to_numpy(), used) for c in ("v_d_mps", "v_u_mps")]
        levels.append(max(ENGINE_FLOOR_MPS, noise_mps(engine, known & usable)))
        for a, b, owner in _run_windows(s, mine, number):
            pre, joined = _before(time, a, usable, gears)
            bounds.append((offset + pre, offset + joined, offset + a, offset + b))
            gear.append(int(table["gear"].iloc[a]))
            run.append(r)
            compound.append(compounds.index(s.run.note.compound))
            episode.append(owner)
            lateral.append(float(side[a:b].mean()))
            noise.append(levels)
        samples["time"].append(time)
        samples["throttle"].append(np.nan_to_num(table["throttle"].to_numpy()))
        samples["cut"].append(np.nan_to_num(table["cut_pct"].to_numpy()) / 100.0)
        samples["driven"].append(np.nan_to_num(table["v_d_mps"].to_numpy()))
        samples["undriven"].append(np.nan_to_num(table["v_u_mps"].to_numpy()))
        samples["engine"].append(engine)
        samples["used"].append(used.astype(np.float64))
        samples["known"].append(known.astype(np.float64))
        offset += time.size
        number += len(mine)
    if not bounds:
        raise DataError.of(
            where=", ".join(s.run.name for s in signals),
            what="no stretch of these runs can be used to fit the plant",
            value="0 windows",
            allowed=f"{WINDOW_S} s of throttle above 20 % in one gear, no brake, no shift, speeds valid",
            remedy="Run `gridfit inspect` on these logs and mend what it finds; log throttle, speeds and gear or rpm.",
        )
    flat = {name: np.concatenate(parts) for name, parts in samples.items()}
    return Windows(
        flat["time"], flat["throttle"], flat["cut"], flat["driven"], flat["undriven"],
        flat["engine"], flat["used"].astype(bool), flat["known"].astype(bool),
        np.array(bounds, dtype=np.int64), np.array(gear, dtype=np.int64),
        np.array(run, dtype=np.int64), np.array(compound, dtype=np.int64), np.array(episode, dtype=np.int64),
        np.array(lateral), np.array(noise),
        np.full(len(bounds), late_s), np.full(len(bounds), stamp_sd_s), tuple(s.run.name for s in signals), compounds,
    )  # fmt: skip

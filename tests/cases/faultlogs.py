"""Faults to put into a sound log, with their size, and what must be said about each.

Kinds are those that the trade knows of its sensors and loggers; common practice, no source. `size` runs from 0, the
smallest that matters, to 1, the largest that a log can bear.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from gridfit.carsheet import CarSheet
from gridfit.signals.run import ROLES, Run

Rng = np.random.Generator
WHEELS = ("speed_fl_mps", "speed_fr_mps", "speed_rl_mps", "speed_rr_mps")
FRONT, REAR = WHEELS[:2], WHEELS[2:]


@dataclass(frozen=True)
class Injected:
    """A log with a fault, the car sheet that goes with it, and what changed.

    `struck` are the samples that the fault touched; `factor` by what it multiplies the wheel-speed factor.
    """

    run: Run
    sheet: CarSheet
    struck: np.ndarray
    factor: float = 1.0


@dataclass(frozen=True)
class Fault:
    """A kind of fault.

    `said` are checks of which at least one must fail, or kinds of the fault table of which one must be there; empty
    when the fault must leave no mark because it is repaired without loss.
    `episodes` says whether the episodes away from the fault must stay where they were.
    """

    name: str
    inject: Callable[[Run, CarSheet, float, Rng], Injected]
    said: tuple[str, ...]
    episodes: bool = True


def joined(table: pd.DataFrame) -> pd.DataFrame:
    """Axle speeds anew from the wheels, as the reader makes them: the mean, or the one wheel that is there."""
    for axle, sides in (("undriven", FRONT), ("driven", REAR)):
        pair = table[list(sides)].to_numpy()
        known = np.isfinite(pair)
        count = known.sum(axis=1)
        total = np.where(known, pair, 0.0).sum(axis=1)
        table[f"speed_{axle}_mps"] = np.where(count > 0, total / np.maximum(count, 1), np.nan)
    return table


def changed(run: Run, table: pd.DataFrame) -> Run:
    """The run with another table."""
    roles = tuple(role.name for role in ROLES if role.column in table and role.name in run.roles)
    return replace(run, table=joined(table.reset_index(drop=True)), roles=roles)


def stretch(run: Run, rng: Rng, seconds: float) -> np.ndarray:
    """A stretch of driving, as a mask."""
    count = len(run.table)
    length = max(1, round(seconds / 0.01))
    fast = np.flatnonzero(run.table["speed_undriven_mps"].to_numpy() > 12.0)
    first = int(rng.choice(fast[(fast > 500) & (fast < count - length - 500)]))
    mask = np.zeros(count, dtype=bool)
    mask[first : first + length] = True
    return mask


def on_channel(
    columns: tuple[str, ...],
    seconds: tuple[float, float],
    change: Callable[[np.ndarray, np.ndarray, Rng], np.ndarray],
) -> Callable[[Run, CarSheet, float, Rng], Injected]:
    """A fault of one stretch: `change` gets values and mask."""

    def inject(run: Run, sheet: CarSheet, size: float, rng: Rng) -> Injected:
        table = run.table.copy()
        mask = stretch(run, rng, seconds[0] + size * (seconds[1] - seconds[0]))
        for column in columns:
            table[column] = change(table[column].to_numpy(dtype=np.float64).copy(), mask, rng)
        return Injected(changed(run, table), sheet, mask)

    return inject


def missing(values: np.ndarray, mask: np.ndarray, rng: Rng) -> np.ndarray:
    values[mask] = np.nan
    return values


def nought(values: np.ndarray, mask: np.ndarray, rng: Rng) -> np.ndarray:
    values[mask] = 0.0
    return values


def held(values: np.ndarray, mask: np.ndarray, rng: Rng) -> np.ndarray:
    values[mask] = values[np.flatnonzero(mask)[0]]
    return values


def weak(values: np.ndarray, mask: np.ndarray, rng: Rng) -> np.ndarray:
    values[mask] *= rng.uniform(0.3, 0.6)
    return values


def scattered(
    columns: tuple[str, ...], height: float, most: int, floor: float = 0.0
) -> Callable[[Run, CarSheet, float, Rng], Injected]:
    """Single samples that jump by `height` and more, up to `most` of them."""

    def inject(run: Run, sheet: CarSheet, size: float, rng: Rng) -> Injected:
        table = run.table.copy()
        count = 2 + round(size * (most - 2))
        fast = np.flatnonzero(table["speed_undriven_mps"].to_numpy() > 10.0)[600:-600]
        at = rng.choice(fast[::40], count, replace=False)
        mask = np.zeros(len(table), dtype=bool)
        mask[at] = True
        for column in columns:
            values = table[column].to_numpy(dtype=np.float64).copy()
            sign = rng.choice([-1.0, 1.0], count)
            values[at] = np.maximum(values[at] + sign * height * rng.uniform(1.0, 2.0, count), floor)
            table[column] = values
        return Injected(changed(run, table), sheet, mask)

    return inject


def scaled(columns: tuple[str, ...], low: float, high: float, factor_power: float) -> Callable[..., Injected]:
    """A scale error of the whole channel, by low to high; the factor changes by its power."""

    def inject(run: Run, sheet: CarSheet, size: float, rng: Rng) -> Injected:
        table = run.table.copy()
        by = low + size * (high - low)
        for column in columns:
            table[column] = table[column] * by
        return Injected(changed(run, table), sheet, np.zeros(len(table), dtype=bool), by**factor_power)

    return inject


def rounded(columns: tuple[str, ...], small: float, large: float) -> Callable[..., Injected]:
    """A coarse resolution, from small to large in the column's unit."""

    def inject(run: Run, sheet: CarSheet, size: float, rng: Rng) -> Injected:
        table = run.table.copy()
        step = small + size * (large - small)
        for column in columns:
            table[column] = np.round(table[column] / step) * step
        return Injected(changed(run, table), sheet, np.zeros(len(table), dtype=bool))

    return inject


def clipped(columns: tuple[str, ...], share: tuple[float, float]) -> Callable[..., Injected]:
    """A range that ends at a share of the largest value."""

    def inject(run: Run, sheet: CarSheet, size: float, rng: Rng) -> Injected:
        table = run.table.copy()
        mask = np.zeros(len(table), dtype=bool)
        top = (share[1] + size * (share[0] - share[1])) * max(float(table[c].abs().max()) for c in columns)
        for column in columns:
            mask |= table[column].abs().to_numpy() > top
            table[column] = table[column].clip(-top, top)
        return Injected(changed(run, table), sheet, mask)

    return inject


def teeth(columns: tuple[str, ...], power: float) -> Callable[..., Injected]:
    """A ring whose teeth were miscounted by one to three of forty."""

    def inject(run: Run, sheet: CarSheet, size: float, rng: Rng) -> Injected:
        off = 1 + round(2.0 * size)
        return scaled(columns, 1.0 + off / 40.0, 1.0 + off / 40.0, power)(run, sheet, 0.0, rng)

    return inject


def grown(run: Run, sheet: CarSheet, size: float, rng: Rng) -> Injected:
    """Driven tyres that grow with the square of speed, by 0.5 to 1 % at 40 m/s."""
    table = run.table.copy()
    share = (0.005 + 0.005 * size) / 40.0**2
    for column in REAR:
        table[column] *= 1.0 - share * (table["speed_undriven_mps"] ** 2 - 20.0**2)
    return Injected(changed(run, table), sheet, np.zeros(len(table), dtype=bool))


def locked_axle(run: Run, sheet: CarSheet, size: float, rng: Rng) -> Injected:
    """Both driven wheels turn at one speed."""
    table = run.table.copy()
    mean = table[list(REAR)].mean(axis=1)
    for column in REAR:
        table[column] = mean + 0.02 * rng.standard_normal(len(table))
    return Injected(changed(run, table), sheet, np.zeros(len(table), dtype=bool))


def locked_brakes(run: Run, sheet: CarSheet, size: float, rng: Rng) -> Injected:
    """Front wheels that lock in braking, one to six times."""
    table = run.table.copy()
    brake = table["brake"].to_numpy() > 1e6
    starts = np.flatnonzero(np.diff(brake.astype(int)) == 1)
    mask = np.zeros(len(table), dtype=bool)
    for at in rng.choice(starts[2:-2], 1 + round(5 * size), replace=False):
        mask[at + 10 : at + 35] = True
    mask &= brake
    for column in FRONT:
        table.loc[mask, column] *= 0.3
    return Injected(changed(run, table), sheet, mask)


def kerbs(run: Run, sheet: CarSheet, size: float, rng: Rng) -> Injected:
    """Strikes that shake all wheels for two samples."""
    return scattered(WHEELS, 1.5, 12)(run, sheet, size, rng)


def hole(run: Run, sheet: CarSheet, size: float, rng: Rng) -> Injected:
    """A second to ten without rows."""
    mask = stretch(run, rng, 1.0 + 9.0 * size)
    kept = run.table[~mask]
    struck = np.zeros(len(kept), dtype=bool)
    struck[max(0, int(np.flatnonzero(mask)[0]) - 5) : int(np.flatnonzero(mask)[0]) + 5] = True
    return Injected(changed(run, kept.copy()), sheet, struck)


def jitter(run: Run, sheet: CarSheet, size: float, rng: Rng) -> Injected:
    """Stamps that are off by up to 2 ms."""
    table = run.table.copy()
    table["time_s"] += rng.uniform(-1.0, 1.0, len(table)) * 0.002 * size
    return Injected(changed(run, table), sheet, np.zeros(len(table), dtype=bool))


def noisy(run: Run, sheet: CarSheet, size: float, rng: Rng) -> Injected:
    """Wheel speeds with 0.1 to 0.4 km/h of noise more."""
    table = run.table.copy()
    for column in WHEELS:
        table[column] += (0.1 + 0.3 * size) / 3.6 * rng.standard_normal(len(table))
    return Injected(changed(run, table), sheet, np.zeros(len(table), dtype=bool))


def without(*columns: str) -> Callable[..., Injected]:
    """Channels that are not logged."""

    def inject(run: Run, sheet: CarSheet, size: float, rng: Rng) -> Injected:
        return Injected(
            changed(run, run.table.drop(columns=list(columns))), sheet, np.zeros(len(run.table), dtype=bool)
        )

    return inject


def numbered(by: int) -> Callable[..., Injected]:
    """A gear channel that counts off by one, 0 stays 0."""

    def inject(run: Run, sheet: CarSheet, size: float, rng: Rng) -> Injected:
        table = run.table.copy()
        gear = table["gear"].to_numpy()
        table["gear"] = np.where(gear > 0, np.clip(gear + by, 1, sheet.gears), gear)
        return Injected(changed(run, table), sheet, np.zeros(len(table), dtype=bool))

    return inject


def gear_held(run: Run, sheet: CarSheet, size: float, rng: Rng) -> Injected:
    """A gear channel that stays at one number."""
    table = run.table.copy()
    table["gear"] = float(rng.integers(1, sheet.gears))
    return Injected(changed(run, table), sheet, np.zeros(len(table), dtype=bool))


def wrong_drive(run: Run, sheet: CarSheet, size: float, rng: Rng) -> Injected:
    """A car sheet whose final drive is 6 to 15 % off."""
    by = (1.06 + 0.09 * size) ** rng.choice([-1.0, 1.0])
    box = sheet.gearbox.model_copy(update={"final_drive": sheet.gearbox.final_drive * by})
    return Injected(run, replace(sheet, gearbox=box), np.zeros(len(run.table), dtype=bool))


def wrong_ratio(run: Run, sheet: CarSheet, size: float, rng: Rng) -> Injected:
    """A car sheet with one wrong ratio, 3 to 7 % off."""
    ratios = list(sheet.gearbox.ratios)
    ratios[int(rng.integers(1, 4))] *= (1.03 + 0.04 * size) ** rng.choice([-1.0, 1.0])
    box = sheet.gearbox.model_copy(update={"ratios": tuple(ratios)})
    return Injected(run, replace(sheet, gearbox=box), np.zeros(len(run.table), dtype=bool))


def brake_held(run: Run, sheet: CarSheet, size: float, rng: Rng) -> Injected:
    """A brake channel that reads on throughout."""
    table = run.table.copy()
    table["brake"] = 0.0 if size < 0.0 else 1.0
    table.loc[:50, "brake"] = 0.0
    return Injected(changed(run, table), sheet, np.zeros(len(table), dtype=bool))


FAULTS: tuple[Fault, ...] = (
    Fault("wheel missing", on_channel(("speed_fl_mps",), (0.05, 8.0), missing), ("dropout",)),
    Fault("driven wheel missing", on_channel(("speed_rr_mps",), (0.05, 8.0), missing), ("dropout",)),
    Fault("undriven axle missing", on_channel(FRONT, (0.3, 5.0), missing), ("dropout",)),
    Fault("driven axle missing", on_channel(REAR, (0.3, 5.0), missing), ("dropout",)),
    Fault("engine speed missing", on_channel(("rpm",), (0.05, 6.0), missing), ("dropout",)),
    Fault("throttle missing", on_channel(("throttle",), (0.05, 6.0), missing), ("dropout",)),
    Fault("gear missing", on_channel(("gear",), (0.05, 6.0), missing), ("dropout",)),
    Fault("lateral missing", on_channel(("lateral_acc_mps2",), (0.05, 6.0), missing), ("dropout",)),
    Fault(
        "wheel reads nought", on_channel(("speed_rl_mps",), (0.05, 6.0), nought), ("dropout", "lost pulses")
    ),
    Fault("undriven wheels read nought", on_channel(FRONT, (0.05, 4.0), nought), ("dropout",)),
    Fault("driven wheels read nought", on_channel(REAR, (0.05, 4.0), nought), ("dropout",)),
    Fault("wheel stuck", on_channel(("speed_fr_mps",), (0.3, 8.0), held), ("stuck",)),
    Fault("driven wheel stuck", on_channel(("speed_rl_mps",), (0.3, 8.0), held), ("stuck",)),
    Fault("undriven axle stuck", on_channel(FRONT, (0.3, 4.0), held), ("stuck",)),
    Fault("driven axle stuck", on_channel(REAR, (0.3, 4.0), held), ("stuck",)),
    Fault("engine speed stuck", on_channel(("rpm",), (0.3, 6.0), held), ("stuck",)),
    Fault(
        "wheel loses pulses", on_channel(("speed_rr_mps",), (0.3, 6.0), weak), ("lost pulses", "brake lock")
    ),
    Fault("wheel spikes", scattered(("speed_fl_mps",), 3.0, 60), ("spikes",)),
    Fault("driven wheel spikes", scattered(("speed_rr_mps",), 4.0, 60), ("spikes",)),
    Fault("kerb strikes", kerbs, ("kerb",)),
    Fault("engine speed spikes", scattered(("rpm",), 1500.0, 60), ("spikes", "impossible")),
    Fault("throttle spikes", scattered(("throttle",), 0.6, 40), ("spikes",)),
    Fault("throttle impossible", scattered(("throttle",), 2.0, 40), ("impossible", "spikes")),
    Fault("lateral spikes", scattered(("lateral_acc_mps2",), 20.0, 40, -99.0), ("spikes", "impossible")),
    Fault("wheels locked by brakes", locked_brakes, ("brake lock",)),
    Fault("wheel speeds end", clipped(WHEELS, (0.75, 0.95)), ("saturated", "stuck")),
    Fault("lateral ends", clipped(("lateral_acc_mps2",), (0.5, 0.8)), ("saturated", "stuck")),
    Fault("wheel speeds coarse", rounded(WHEELS, 0.5 / 3.6, 1.0 / 3.6), ("coarse",), episodes=False),
    Fault("engine speed coarse", rounded(("rpm",), 10.0, 50.0), ()),
    Fault("wheels noisy", noisy, ()),
    Fault("one driven wheel scaled", scaled(("speed_rl_mps",), 1.035, 1.05, 0.5), ("driven wheels alike",)),
    Fault(
        "one undriven wheel scaled",
        scaled(("speed_fr_mps",), 1.02, 1.03, -0.5),
        ("undriven wheels alike",),
        # As below: the mean of the two reads another speed, and the target is looked up there.
        episodes=False,
    ),
    Fault("driven teeth miscounted", teeth(REAR, 1.0), ("wheel-speed scale",)),
    Fault(
        "undriven axle scaled",
        scaled(FRONT, 0.95, 0.98, -1.0),
        ("wheel-speed scale",),
        # The target is looked up at the speed that the controller reads, so it changes with the fault.
        episodes=False,
    ),
    Fault("driven axle scaled", scaled(REAR, 0.93, 0.96, 1.0), ("wheel-speed scale",)),
    Fault("tyre grows", grown, ()),
    Fault("locked differential", locked_axle, ("differential",)),
    Fault("hole in the clock", hole, ("holes",)),
    Fault("clock jitters", jitter, ()),
    Fault("gear not logged", without("gear"), ("channel gear",)),
    Fault("gear one too low", numbered(-1), ("gear agrees with engine speed",)),
    Fault("gear one too high", numbered(1), ("gear agrees with engine speed",)),
    Fault("gear held", gear_held, ("gear agrees with engine speed",)),
    Fault("engine speed halved", scaled(("rpm",), 0.5, 0.5, 0.0), ("rolling radius", "gear known")),
    Fault("final drive wrong in the sheet", wrong_drive, ("final drive of the sheet",)),
    Fault("a ratio wrong in the sheet", wrong_ratio, ("ratios of the sheet",)),
    Fault("brake reads on", brake_held, ("brake and throttle together",), episodes=False),
    Fault("no engine speed", without("rpm"), ("channel rpm",), episodes=False),
)
"""Every kind of fault of the table."""

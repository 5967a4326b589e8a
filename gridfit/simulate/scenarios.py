"""Scenarios, and the standard catalogue for a car: 28 episodes per gear that can break traction.

Eight throttle stabs, seven roll-ons, five damp patches, four painted kerbs and four upshifts, spread over
entry speed, grip and lateral demand, and kept where the engine can exceed the grip.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gridfit.carsheet import CarSheet
from gridfit.errors import DataError
from gridfit.simulate import kernel as k
from gridfit.simulate.packing import pack
from gridfit.simulate.parameters import Floats, Plant

KINDS: tuple[str, ...] = ("stab", "roll-on", "damp patch", "painted kerb", "upshift")
COUNTS: tuple[int, ...] = (8, 7, 5, 4, 4)
"""Scenarios of each kind per gear."""
LATERAL_DEMANDS: tuple[float, ...] = (0.0, 0.0, 0.15, 0.3, 0.45, 0.6)
"""Share of the grip that cornering asks for [1]."""
GRIPS: tuple[float, ...] = (0.85, 1.0, 1.0, 1.1)
"""Grip of the surface over the plant's [1]."""
ENTRY_SHARE = (0.30, 0.64)
"""Entry engine speed over limit_rpm [1]."""
BREAKING = 0.9
"""A gear can break traction where its force exceeds this share of the dry grip: surfaces vary by more [1]."""
TRIES = 200
"""Draws of one scenario before the most slippery one is taken as it is."""


@dataclass(frozen=True, slots=True)
class Scenarios:
    """Episodes to simulate, as a structure of arrays over N scenarios.

    Parameters
    ----------
    values : float64[N, N_SCENARIO]
        Columns of the kernel's scenario rows, SI.
    gear : int64[N]
        Gear number.
    kind : tuple of str
        Kind of each scenario, one of `KINDS` or "logged".
    """

    values: Floats
    gear: NDArray[np.int64]
    kind: tuple[str, ...]

    def __len__(self) -> int:
        """Number of scenarios N."""
        return int(self.gear.size)

    def take(self, index: NDArray[np.int64] | list[int]) -> "Scenarios":
        """Return the scenarios at these positions."""
        at = np.asarray(index, dtype=np.int64)
        return Scenarios(self.values[at], self.gear[at], tuple(self.kind[i] for i in at))

    def in_gear(self, gear: int) -> NDArray[np.int64]:
        """Positions of the scenarios in one gear: int64[n]."""
        return np.flatnonzero(self.gear == gear)

    def gears(self) -> tuple[int, ...]:
        """Gears that occur, lowest first."""
        return tuple(int(g) for g in np.unique(self.gear))

    def label(self, position: int) -> str:
        """Words for one scenario: kind, gear, entry speed, grip and lateral demand."""
        row = self.values[position]
        lateral = f", {100 * row[k.S_LATERAL]:.0f} % of grip used by cornering" if row[k.S_LATERAL] else ""
        return (
            f"{self.kind[position]}, gear {self.gear[position]}, {3.6 * row[k.S_V0]:.0f} km/h, "
            f"grip x{row[k.S_BASE] * row[k.S_GRIP]:.2f}{lateral}"
        )


def join(parts: list[Scenarios]) -> Scenarios:
    """Return all scenarios of several sets as one."""
    return Scenarios(
        np.concatenate([p.values for p in parts]),
        np.concatenate([p.gear for p in parts]),
        tuple(kind for p in parts for kind in p.kind),
    )


@dataclass(frozen=True, slots=True)
class Traction:
    """What engine and tyre can do in each gear, by the mean of a plant's draws."""

    car: Floats
    gears: Floats
    torque: Floats
    rpm_step: float

    @classmethod
    def of(cls, sheet: CarSheet, plant: Plant) -> "Traction":
        """Pack the mean plant of a car."""
        rows = pack(sheet, plant.mean()[None, :])
        return cls(rows.car[0], rows.gears[0], rows.torque[0], rows.rpm_step)

    def drive_n(self, gear: int, speed_mps: Floats) -> Floats:
        """Full-throttle force of the engine at the driven wheels [N]."""
        row = self.gears[gear - 1]
        at = speed_mps * row[k.G_RPM] / self.rpm_step
        force: Floats = row[k.G_FORCE] * np.interp(at, np.arange(self.torque.size), self.torque)
        return force

    def grip_n(self, speed_mps: Floats, grip: float = 1.0) -> Floats:
        """Largest force of the driven tyres at steady acceleration [N]; load transfer solved with it."""
        c = self.car
        mu = c[k.C_MU] * (1.0 - c[k.C_SMU] * (speed_mps - 15.0)) * grip
        force = mu * c[k.C_FZ0]
        for _ in range(30):
            load = c[k.C_FZ0] + c[k.C_CZ] * (force - c[k.C_ROLL] - c[k.C_DRAG] * speed_mps**2) / c[k.C_MASS]
            force = mu * (1.0 - c[k.C_SLOAD] * (load / c[k.C_FZ0] - 1.0)) * load
        return np.asarray(force)

    def asked(self, gear: int, throttle: float, speed_mps: float) -> float:
        """Share of full torque that a throttle asks for when entered at a speed [1]."""
        shape = k.throttle_shape(self.car, speed_mps * self.gears[gear - 1, k.G_RPM])
        return float(k.torque_share(throttle, shape))

    def entry_mps(self, gear: int, share: float, limit_rpm: float) -> float:
        """Vehicle speed at a share of the limit in a gear [m/s]."""
        return float(share * limit_rpm / self.gears[gear - 1, k.G_RPM])


def breaking_gears(sheet: CarSheet, plant: Plant) -> tuple[int, ...]:
    """Gears in which full throttle reaches the grip somewhere from 30 % of limit_rpm upward.

    Raises
    ------
    DataError
        If no gear can.
    """
    traction = Traction.of(sheet, plant)
    found = []
    best = 0.0
    for gear in range(1, len(sheet.gearbox.ratios) + 1):
        speeds = (
            np.linspace(ENTRY_SHARE[0], 0.97, 60) * sheet.engine.limit_rpm / traction.gears[gear - 1, k.G_RPM]
        )
        ratio = float(np.max(traction.drive_n(gear, speeds) / traction.grip_n(speeds)))
        best = max(best, ratio)
        if ratio > BREAKING:
            found.append(gear)
    if not found:
        raise DataError.of(
            where=f"{sheet.source} [engine] torque_nm, [gearbox] ratios, [tyre] mu",
            what="the engine cannot break traction in any gear, so there is nothing to control",
            value=f"best ratio of drive force to grip {best:.2f}",
            allowed=f"above {BREAKING} in at least one gear",
            remedy="Check torque, ratios, mass and mu; on a dry surface this car needs no slip control.",
        )
    return tuple(found)


def _draw(kind: str, rng: np.random.Generator) -> Floats:
    """One scenario of a kind, without its entry speed."""
    row = np.zeros(k.N_SCENARIO)
    row[[k.S_GRIP, k.S_LOAD, k.S_U0, k.S_U1, k.S_RAMP]] = 1.0, 1.0, 1.0, 1.0, 0.01
    row[k.S_LATERAL] = rng.choice(LATERAL_DEMANDS)
    row[k.S_BASE] = rng.choice(GRIPS)
    if kind == "stab":
        row[k.S_U0], row[k.S_RAMP] = 0.06, rng.uniform(0.04, 0.15)
    elif kind == "roll-on":
        row[k.S_U0], row[k.S_U1], row[k.S_RAMP] = 0.06, rng.uniform(0.7, 1.0), rng.uniform(0.5, 1.2)
    elif kind == "damp patch":
        row[k.S_GRIP], row[k.S_PATCH] = 0.75, rng.uniform(0.4, 0.7)
    elif kind == "painted kerb":
        row[k.S_GRIP], row[k.S_PATCH], row[k.S_LOAD] = 0.6, rng.uniform(0.1, 0.3), rng.uniform(0.7, 0.9)
    else:
        row[k.S_CLUTCH] = rng.uniform(0.06, 0.2)
    return row


def _overspeed(sheet: CarSheet, gear: int) -> float:
    """Engine speed before an upshift into this gear over the speed after it, less one [1]."""
    ratios = sheet.gearbox.ratios
    if gear == 1:
        return float(ratios[0] / ratios[1] - 1.0) if len(ratios) > 1 else 0.3
    return float(ratios[gear - 2] / ratios[gear - 1] - 1.0)


def _excess(traction: Traction, gear: int, row: Floats) -> float:
    """Drive force over grip where the scenario is most slippery, from entry on over the next 30 % of speed."""
    speeds = row[k.S_V0] * np.linspace(1.0, 1.3, 7)
    cornering = np.sqrt(1.0 - row[k.S_LATERAL] ** 2)
    grip = traction.grip_n(speeds, float(row[k.S_BASE] * row[k.S_GRIP] * cornering)) * row[k.S_LOAD]
    asked = traction.asked(gear, float(row[k.S_U1]), float(row[k.S_V0]))
    return float(np.max(asked * traction.drive_n(gear, speeds) / grip))


def _kept(sheet: CarSheet, traction: Traction, gear: int, kind: str, rng: np.random.Generator) -> Floats:
    """Draw until the engine exceeds the grip; else the most slippery of the draws."""
    best, best_excess = np.zeros(k.N_SCENARIO), -1.0
    for _ in range(TRIES):
        row = _draw(kind, rng)
        row[k.S_V0] = traction.entry_mps(gear, rng.uniform(*ENTRY_SHARE), sheet.engine.limit_rpm)
        row[k.S_OVERSPEED] = _overspeed(sheet, gear) if kind == "upshift" else 0.0
        excess = _excess(traction, gear, row)
        if excess > best_excess:
            best, best_excess = row, excess
        if excess > 1.02:
            return row
    return best


def catalogue(sheet: CarSheet, plant: Plant, rng: np.random.Generator) -> Scenarios:
    """The standard scenarios of a car.

    Parameters
    ----------
    sheet : CarSheet
        The car.
    plant : Plant
        What is known of its response; the mean of the draws decides where traction can break.
    rng : numpy.random.Generator
        Source of the spread; the same seed gives the same catalogue.

    Returns
    -------
    Scenarios
        28 per gear that can break traction, lowest gear first.

    Raises
    ------
    DataError
        If no gear can break traction.
    """
    traction = Traction.of(sheet, plant)
    rows, gears, kinds = [], [], []
    for gear in breaking_gears(sheet, plant):
        for kind, count in zip(KINDS, COUNTS, strict=True):
            for _ in range(count):
                rows.append(_kept(sheet, traction, gear, kind, rng))
                gears.append(gear)
                kinds.append(kind)
    return Scenarios(np.array(rows), np.array(gears, dtype=np.int64), tuple(kinds))

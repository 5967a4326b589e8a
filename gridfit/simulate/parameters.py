"""The one table of plant parameters, and the Plant: named draws with their origin.

The table makes the prior, the fit's vector, plant.json, the report and the documentation, so that a
parameter's unit, bounds and meaning are written once.
"""

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Parameter:
    """One physical parameter of the plant.

    Parameters
    ----------
    name, unit, meaning : str
        Name, unit ("1" for none) and what it is.
    low, high : float
        Bounds in its unit.
    log : bool
        Whether the fit works on its logarithm.
    """

    name: str
    unit: str
    low: float
    high: float
    log: bool
    meaning: str


MAX_GEARS = 8
"""Gears that a plant can hold."""

PARAMETERS: tuple[Parameter, ...] = (
    Parameter("mass_kg", "kg", 250.0, 4000.0, True, "car with driver"),
    Parameter("torque_scale", "1", 0.5, 1.6, True, "engine torque over the car sheet's curve"),
    Parameter("torque_low", "1", 0.7, 1.4, True, "torque below 0.3 limit_rpm over that at 0.6, against the curve"),
    Parameter("torque_high", "1", 0.7, 1.4, True, "torque at limit_rpm over that at 0.6, against the curve"),
    Parameter("efficiency", "1", 0.75, 0.99, True, "driveline efficiency"),
    Parameter("engine_inertia_kgm2", "kg m2", 0.01, 1.5, True, "engine and gearbox input, at the crank"),
    Parameter("wheel_inertia_kgm2", "kg m2", 0.3, 8.0, True, "driven axle's wheels and brakes"),
    Parameter("shaft_stiffness_nmprad", "N m/rad", 3e3, 1e5, True, "half shafts, both together, at the wheels"),
    Parameter("shaft_damping_nmsprad", "N m s/rad", 5.0, 1000.0, True, "damping of the half shafts' twist"),
    Parameter("cut_effect", "1", 0.4, 1.4, True, "share of torque taken off per share of events dropped"),
    Parameter("intake_lag_s", "s", 0.005, 0.4, True, "first-order lag from throttle to torque"),
    Parameter("throttle_shape", "1", 0.7, 4.0, True, "p at 0.5 limit_rpm in the torque share 1 - (1 - u)^p"),
    Parameter("throttle_early", "1", -0.5, 1.5, False, "power of 0.5 limit_rpm over engine speed by which p grows"),
    Parameter("dead_time_s", "s", 0.0005, 0.12, True, "fixed part of the dead time, command to torque"),
    Parameter("dead_time_cycles", "1", 0.02, 3.0, True, "part of the dead time in engine cycles of 120/n s"),
    Parameter("cut_lag_s", "s", 0.0008, 0.15, True, "first-order lag of the cut after its dead time"),
    Parameter("mu_peak", "1", 0.15, 2.5, True, "peak friction at 15 m/s and static load"),
    Parameter("slip_peak", "1", 0.02, 0.6, True, "slip ratio at the peak at 15 m/s, on vehicle speed"),
    Parameter("tyre_c", "1", 1.1, 1.9, True, "shape factor C of the Magic Formula; above 2 a slide would push back"),
    Parameter("tyre_e", "1", -4.0, 0.95, False, "curvature factor E of the Magic Formula"),
    Parameter("tyre_law", "1", 0.0, 1.0, False, "law of the tyre curve: 0 Magic Formula, 1 exponential"),
    Parameter("tyre_rate", "1", 2.5, 9.0, True, "rate of the exponential law over the slip at the peak"),
    Parameter("mu_per_mps", "s/m", -0.01, 0.015, False, "share of peak friction lost per m/s"),
    Parameter("slip_per_mps", "s/m", -0.015, 0.02, False, "share of the slip at peak lost per m/s"),
    Parameter("load_sensitivity", "1", -0.1, 0.5, False, "share of friction lost per share of load gained"),
    Parameter("relaxation_m", "m", 0.02, 1.2, True, "relaxation length of the tyre"),
    Parameter("cg_height_m", "m", 0.2, 1.1, True, "height of the centre of gravity"),
    Parameter("load_lag_s", "s", 0.005, 0.4, True, "first-order lag of the load transfer"),
    Parameter("cda_m2", "m2", 0.2, 2.5, True, "drag area"),
    Parameter("rolling", "1", 0.003, 0.05, True, "rolling resistance coefficient"),
    Parameter("driven_factor", "1", 0.85, 1.18, True, "driven over undriven speed as the controller reads them"),
    Parameter("sensor_lag_s", "s", 0.0008, 0.08, True, "lag of the wheel speeds that the controller reads"),
    Parameter("rolling_radius_m", "m", 0.15, 0.6, True, "rolling radius of the driven wheels"),
    *(
        Parameter(f"inertia_factor_{g}", "1", 0.5, 2.0, True, f"equivalent inertia in gear {g} over the formula's")
        for g in range(1, MAX_GEARS + 1)
    ),
)  # fmt: skip

NAMES: tuple[str, ...] = tuple(p.name for p in PARAMETERS)
INDEX: dict[str, int] = {name: i for i, name in enumerate(NAMES)}
LOG: NDArray[np.bool_] = np.array([p.log for p in PARAMETERS])
LOW: Floats = np.array([p.low for p in PARAMETERS])
HIGH: Floats = np.array([p.high for p in PARAMETERS])


def to_free(values: Floats) -> Floats:
    """Map parameters to the scale on which the fit works: values[..., P] -> free[..., P]."""
    return np.where(LOG, np.log(np.where(LOG, values, 1.0)), values)


def from_free(free: Floats) -> Floats:
    """Map free[..., P] back to parameters, kept inside their bounds."""
    values = np.where(LOG, np.exp(np.where(LOG, free, 0.0)), free)
    result: Floats = np.clip(values, LOW, HIGH)
    return result


@dataclass(frozen=True, slots=True)
class Plant:
    """A car's response as draws from what is known of it.

    Parameters
    ----------
    draws : float64[D, P]
        Parameters in the order of `PARAMETERS`, in their units.
    origin : str
        "prior" (car sheet alone) or "fit" (car sheet and logs).
    compounds : tuple of str
        Compounds that the draws tell apart; the first is the one that `mu_peak` holds.
    grip : float64[D, K]
        Peak friction of each compound over the first one's.
    slip : float64[D, K]
        Slip at peak of each compound over the first one's.
    episodes : tuple of int
        Episodes behind each gear, gear 1 first; zeros for a prior.
    """

    draws: Floats
    origin: str
    compounds: tuple[str, ...]
    grip: Floats
    slip: Floats
    episodes: tuple[int, ...] = field(default=())

    def __post_init__(self) -> None:
        """Check the shapes."""
        d, p = self.draws.shape
        k = len(self.compounds)
        if p != len(PARAMETERS) or self.grip.shape != (d, k) or self.slip.shape != (d, k):
            message = (
                f"draws {self.draws.shape}, grip {self.grip.shape}, slip {self.slip.shape}: must be "
                f"[D, {len(PARAMETERS)}], [D, {k}], [D, {k}]; build a Plant through prior or posterior"
            )
            raise ValueError(message)

    def __len__(self) -> int:
        """Number of draws."""
        return int(self.draws.shape[0])

    def column(self, name: str) -> Floats:
        """Draws of one parameter: float64[D], in its unit."""
        column: Floats = self.draws[:, INDEX[name]]
        return column

    def take(self, count: int) -> "Plant":
        """Return the plant on its first `count` draws (all, if it has no more)."""
        n = min(count, len(self))
        return Plant(self.draws[:n], self.origin, self.compounds, self.grip[:n], self.slip[:n], self.episodes)

    def on_compound(self, compound: str) -> "Plant":
        """Return the plant on another of its compounds (the same one, if it does not know it)."""
        if compound not in self.compounds:
            return self
        k = self.compounds.index(compound)
        draws = self.draws.copy()
        draws[:, INDEX["mu_peak"]] *= self.grip[:, k]
        draws[:, INDEX["slip_peak"]] *= self.slip[:, k]
        order = (k, *(j for j in range(len(self.compounds)) if j != k))
        grip = self.grip[:, order] / self.grip[:, [k]]
        slip = self.slip[:, order] / self.slip[:, [k]]
        names = tuple(self.compounds[j] for j in order)
        return Plant(draws, self.origin, names, grip, slip, self.episodes)

    def mean(self) -> Floats:
        """Mean of the draws on the fit's scale: float64[P], in the parameters' units."""
        return from_free(to_free(self.draws).mean(axis=0))

"""Wheel-speed factor: driven over undriven speed when rolling free, its growth with speed, and bends.

Stretches of steady driving without brake give one point each: ratio of the speeds against the force that the
driven wheels carry, over mass. A robust line through them meets zero force at the factor. Force comes from the
car's acceleration; since that is noisy and small, and noise flattens a line, it is split into what the engine
explains and the rest, each with a slope of its own (instrumental variable; Wooldridge, Econometric Analysis,
ch. 5, from memory).
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from gridfit.carsheet import CarSheet
from gridfit.driveline import driven_share
from gridfit.estimate import Estimate
from gridfit.signals import filters
from gridfit.signals.filters import Bools, Floats
from gridfit.signals.regression import Prior, robust
from gridfit.signals.steady import Points
from gridfit.units import GRAVITY_MPS2

GENTLE_MPS2 = (1.0, 2.0, 3.5)
"""Limits of force over mass, tried in turn until there are enough points [m/s2]."""

LIGHT_THROTTLE = 0.3
"""Largest mean throttle of a point [1]."""

ENOUGH_POINTS = 80
"""Points that make a fit worth trusting [1]; four overlap."""

FEWEST_POINTS = 20
"""Below this the factor is taken as 1 [1]."""

SLIP_STIFFNESS = 20.0
"""Slip stiffness of a tyre over its load [1]; car tyres 15 to 30, common practice, no source."""

SLIP_STIFFNESS_DOUBT = 0.3
"""Standard deviation of the slope that it gives, as a share [1]."""

GROWTH_SD = 4.0e-6
"""Standard deviation of growth of driven over undriven tyres before the data [s2/m2]: 0.4 % at 30 m/s."""

REFERENCE_MPS = 20.0
"""Speed at which the factor holds where there is growth [m/s]."""

GROWTH_MATTERS = 0.002
"""Growth that changes the factor by less than this at the fastest point is left out [1]."""

STEERING_RATIO = 15.0
"""Steering wheel angle over road wheel angle [1]; cars 12 to 18, common practice, no source."""

UNKNOWN_SD = 0.012
"""Standard deviation of the factor when nothing is known: tyre sizes and wear [1]."""

SYSTEMATIC_SD = 0.0010
"""What no number of points removes: tread, slip at rest, drag area [1]. Judgement."""

FORCE_SD_MPS2 = 0.1
"""Error of the mean force over mass: drag area, rolling resistance, slope of the road [m/s2]. Judgement."""

CORNERING_SD = 0.0014
"""What is added where all points lie in bends taken at 1 g: sideslip and drag of the front tyres [1]."""


@dataclass(frozen=True, slots=True)
class Calibration:
    """Factor of a car, run by run.

    Parameters
    ----------
    factors : tuple of Estimate
        Driven over undriven wheel speed when rolling free, one per run [1].
    points : tuple of int
        Points used, one per run.
    slope_s2pm : float
        Slip per force over mass [s2/m].
    spread : float
        Standard deviation of the factor between runs beyond its error [1].
    growth : Estimate
        Growth of the factor with the square of speed, from `REFERENCE_MPS` [s2/m2].
    bend : float
        Logarithm of the ratio of the axles' paths per squared bend of the points [m2 or 1/rad2].
    side : float
        The same per bend, signed: other than 0 where an axle's speed is that of one wheel [m or 1/rad].
    """

    factors: tuple[Estimate, ...]
    points: tuple[int, ...]
    slope_s2pm: float
    spread: float
    growth: Estimate
    bend: float
    side: float

    @property
    def growth_used(self) -> float:
        """Growth to correct for [s2/m2]: 0 unless its interval excludes that and it matters."""
        matters = abs(self.growth.mean) * 20.0 * REFERENCE_MPS > GROWTH_MATTERS
        return self.growth.mean if matters and self.growth.lo * self.growth.hi > 0.0 else 0.0

    def reading(self, index: int, speed_mps: Floats, bend: Floats) -> Floats:
        """Return what the driven axle reads over the undriven one without slip, sample by sample [1].

        Parameters
        ----------
        index : int
            Run.
        speed_mps : float64[S]
            Undriven axle [m/s].
        bend : float64[S]
            As in the points, smoothed; NaN counts as straight on.

        Returns
        -------
        float64[S]
        """
        turn = np.nan_to_num(bend)
        path = np.clip(self.bend * turn**2 + self.side * turn, -0.12, 0.12)
        grown = self.growth_used * (speed_mps**2 - REFERENCE_MPS**2)
        return np.asarray(self.factors[index].mean * np.exp(path + grown))


def fit(runs: Sequence[Points], sheet: CarSheet) -> Calibration:
    """Find the factor of every run of a car.

    Slope, growth and bend hold for all runs. Runs share their factor as far as they agree: each is drawn to
    the mean in proportion to its error against the spread between runs (random effects, DerSimonian and
    Laird 1986).

    Parameters
    ----------
    runs : sequence of Points
        One per run.
    sheet : CarSheet

    Returns
    -------
    Calibration
    """
    chosen = gentle(runs)
    used = tuple(int(keep.sum()) for keep in chosen)
    slope = 1.0 / (driven_share(sheet) * SLIP_STIFFNESS * GRAVITY_MPS2)
    bend = _path_of(runs, sheet)
    if sum(used) < FEWEST_POINTS:
        unknown = Estimate.from_mean_sd(1.0, UNKNOWN_SD)
        no_growth = Estimate.from_mean_sd(0.0, GROWTH_SD)
        return Calibration((unknown,) * len(runs), used, slope, 0.0, no_growth, bend, 0.0)
    joined = _join(runs, chosen)
    number = np.repeat(np.arange(len(runs)), used)
    columns, priors = _columns(joined, slope, bend)
    found = robust(joined.ratio_log, number, joined.cluster, columns, priors)
    shrunk, spread = _random_effects(found.level, found.level_sd)
    lateral = _lateral(joined, sheet)
    level = FORCE_SD_MPS2 * found.coefficient[0]
    common = float(np.sqrt(found.common_sd**2 + SYSTEMATIC_SD**2 + level**2 + (CORNERING_SD * lateral) ** 2))
    factors = tuple(_as_factor(mean, float(np.hypot(sd, common))) for mean, sd in shrunk)
    named = dict(zip(columns, zip(found.coefficient, found.coefficient_sd, strict=True), strict=True))
    if "bend" in named:
        bend = named["bend"][0]
    return Calibration(
        factors, used, named["force"][0], spread, Estimate.from_mean_sd(*named["growth"]), bend, _side(named)
    )


def _side(named: dict[str, tuple[float, float]]) -> float:
    """Return the signed effect of a bend where it is far beyond doubt, else 0."""
    value, sd = named.get("side", (0.0, 1.0))
    return value if abs(value) > 5.0 * sd else 0.0


def _path_of(runs: Sequence[Points], sheet: CarSheet) -> float:
    """Return the logarithm of driven over undriven path per squared bend.

    The rear axle runs inside the front one, by 1 - (wheelbase x curvature)^2/2 (from geometry, small slip
    angles); wheelbase x curvature is the angle of the front wheels, that of the steering wheel over its ratio.
    """
    side = 1.0 if sheet.driven == "front" else -1.0
    if runs and all(run.curved for run in runs):
        return side * 0.5 * float(sheet.car.wheelbase_m) ** 2
    return side * 0.5 / STEERING_RATIO**2


def _join(runs: Sequence[Points], chosen: Sequence[Bools]) -> Points:
    """Return the chosen points of all runs as one; clusters stay apart."""

    def gather(name: str) -> Floats:
        return np.concatenate([getattr(r, name)[keep] for r, keep in zip(runs, chosen, strict=True)])

    cluster = [100_000 * i + r.cluster[k] for i, (r, k) in enumerate(zip(runs, chosen, strict=True))]
    names = (
        "ratio_log",
        "force_mps2",
        "force_sd_mps2",
        "drive_mps2",
        "drag_mps2",
        "bend",
        "speed_mps",
        "throttle",
    )
    arrays = {name: gather(name) for name in names}
    return Points(**arrays, curved=all(r.curved for r in runs), cluster=np.concatenate(cluster))


def gentle(runs: Sequence[Points]) -> list[Bools]:
    """Return which points to use: the gentlest limit that leaves enough of them."""
    chosen: list[Bools] = []
    for limit in GENTLE_MPS2:
        chosen = [(np.abs(r.force_mps2) < limit) & (r.throttle < LIGHT_THROTTLE) for r in runs]
        if sum(int(keep.sum()) for keep in chosen) >= ENOUGH_POINTS:
            break
    return chosen


def _columns(joined: Points, slope: float, bend: float) -> tuple[dict[str, Floats], dict[str, Prior]]:
    """Return the columns of the line by name, and what is known of their coefficients beforehand."""
    explained, rest = _split(joined)
    columns = {"force": explained, "rest": rest, "growth": joined.speed_mps**2 - REFERENCE_MPS**2}
    doubt = SLIP_STIFFNESS_DOUBT * slope
    priors = {
        "force": Prior(slope, doubt),
        "rest": Prior(0.5 * slope, 0.5 * slope),
        "growth": Prior(0.0, GROWTH_SD),
    }
    if joined.curved:
        columns["bend"] = joined.bend**2
        priors["bend"] = Prior(bend, 0.1 * abs(bend))
    elif np.any(joined.bend != 0.0):
        columns["bend"], columns["side"] = joined.bend**2, joined.bend
        priors["bend"] = Prior(bend, 0.6 * abs(bend))
        priors["side"] = Prior(0.0, 0.05)
    return columns, priors


def _split(joined: Points) -> tuple[Floats, Floats]:
    """Return the part of the force that the engine explains, and the rest.

    Without an engine the rest is what noise in speed leaves of the spread: the expectation of the true force
    given the noisy one lies nearer to the mean.
    """
    force = joined.force_mps2
    engine = np.column_stack([np.ones(force.size), joined.drive_mps2, joined.drag_mps2])
    known = np.isfinite(engine).all(axis=1)
    if known.sum() < max(ENOUGH_POINTS, 0.8 * force.size):
        spread = max(float(np.var(force)), 1e-6)
        trust = float(np.clip(1.0 - float(np.mean(joined.force_sd_mps2**2)) / spread, 0.2, 1.0))
        explained = force.mean() + trust * (force - force.mean())
        return explained, np.zeros(force.size)
    weight = known.astype(np.float64)
    design = np.nan_to_num(engine)
    fitted = force
    for _ in range(15):
        root = np.sqrt(weight)[:, None]
        answer = np.linalg.lstsq(design * root, force * root[:, 0], rcond=None)[0]
        fitted = design @ answer
        away = np.abs(force - fitted)
        scale = filters.MAD_TO_SD * float(np.median(away[known])) + 1e-6
        weight = known * np.minimum(1.0, 1.345 * scale / np.maximum(away, 1e-12))
    explained = np.where(known, fitted, force)
    return explained, force - explained


def _lateral(joined: Points, sheet: CarSheet) -> float:
    """Return the mean lateral acceleration of the points over g, at most 1 [1]."""
    curvature = joined.bend
    if not joined.curved:
        curvature = joined.bend / STEERING_RATIO / sheet.car.wheelbase_m
    lateral = np.abs(curvature) * joined.speed_mps**2 / GRAVITY_MPS2
    return float(np.mean(np.minimum(lateral, 1.0)))


def _as_factor(level: float, sd: float) -> Estimate:
    factor = float(np.exp(level))
    return Estimate.from_mean_sd(factor, factor * sd)


def _random_effects(means: Floats, errors: Floats) -> tuple[list[tuple[float, float]], float]:
    """Return (level, standard deviation) of each run and the spread between runs."""
    known = np.isfinite(errors)
    weight = np.where(known, 1.0 / np.where(known, errors, 1.0) ** 2, 0.0)
    centre = float(np.sum(weight * means) / np.sum(weight))
    runs = int(known.sum())
    variance = 0.0
    if runs > 1:
        excess = float(np.sum(weight * (means - centre) ** 2)) - (runs - 1)
        variance = max(0.0, excess / float(np.sum(weight) - np.sum(weight**2) / np.sum(weight)))
    total = np.where(known, 1.0 / (np.where(known, errors, 1.0) ** 2 + variance), 0.0)
    centre = float(np.sum(total * means) / np.sum(total))
    centre_var = 1.0 / float(np.sum(total))
    result = []
    for mean, error in zip(means, errors, strict=True):
        own = variance / (variance + error**2) if np.isfinite(error) and variance > 0.0 else 0.0
        own_var = own * error**2 if own > 0.0 else variance
        result.append((centre + own * (mean - centre), float(np.sqrt(own_var + (1 - own) ** 2 * centre_var))))
    return result, float(np.sqrt(variance))

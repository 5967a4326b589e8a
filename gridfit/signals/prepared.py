"""The prepared form of a run: calibrated speeds, gear, masks, target, cut and slip on the log's own clock."""

from dataclasses import dataclass, field

import pandas as pd

from gridfit.estimate import Estimate
from gridfit.grids import GridPair
from gridfit.signals.quality import Finding
from gridfit.signals.run import Run

UNKNOWN = Estimate(float("nan"), float("nan"), float("nan"))
"""What could not be measured."""


@dataclass(frozen=True, slots=True)
class Signals:
    """One run, ready for episodes and for the fit.

    Parameters
    ----------
    run : Run
        As it was read.
    grids : GridPair or None
        Pair in force, when the note names one.
    factor : Estimate
        Driven over undriven wheel speed when rolling free, straight on [1].
    radius : Estimate
        Rolling radius of the driven wheels by engine speed and known ratios, on the undriven axle's scale
        [m]; NaN without engine speed.
    table : DataFrame
        One row per sample of the log:

        ``time_s`` the log's clock [s]; ``v_u_mps`` undriven axle, repaired [m/s]; ``v_d_mps`` driven axle,
        repaired, over the factor, its growth and its own path in bends [m/s]; ``v_u_raw_kmh``,
        ``v_d_raw_kmh`` as the controller reads them [km/h]; ``throttle`` 0 to 1 [1]; ``rpm`` [1/min], NaN
        where unknown; ``gear`` int, 0 unknown; ``shift``, ``brake``, ``valid``, ``kerb``, ``limiter`` bool;
        ``cut_pct`` logged or worked out from the grids, else NaN [%]; ``target_pct`` [%]; ``slip_pct`` [%];
        ``slip_error_pct`` slip minus target [percentage points]; ``error_smooth_pct`` the same, smoothed as
        far as its noise asks for; ``v_d_smooth_mps``, ``v_u_smooth_mps`` the speeds behind that [m/s];
        ``lateral_mps2`` [m/s2], NaN where unknown; ``curvature_1pm`` path curvature from the undriven wheels
        [1/m], NaN where unknown.
    findings : tuple of Finding
        What the checks say about this run.
    faults : DataFrame
        Faults of sensors and logger, and what looks like slip and is none, in time order: ``kind``,
        ``channel``, ``start_s``, ``end_s`` [s], ``samples``, ``detail``; see `gridfit.signals.faults`.
    growth : Estimate
        Growth of the factor with the square of speed, from 20 m/s [s2/m2].
    differential : Estimate
        Difference of the driven wheels over that of the undriven ones in bends [1]: 1 when they turn
        freely, 0 when the axle is locked; NaN where it cannot be told.
    steady : DataFrame
        Stretches that the factor is found from, and stronger ones: ``speed_mps`` undriven [m/s],
        ``force_mps2`` of the driven axle over mass, by the car's acceleration [m/s2], ``ratio`` driven over
        undriven speed, straight on and without growth [1], ``used`` bool.
    slip_per_force_s2pm : float
        Slope of the logarithm of that ratio over that force, by the fit over all runs [s2/m].
    """

    run: Run
    grids: GridPair | None
    factor: Estimate
    radius: Estimate
    table: pd.DataFrame
    findings: tuple[Finding, ...]
    faults: pd.DataFrame = field(default_factory=pd.DataFrame)
    growth: Estimate = UNKNOWN
    differential: Estimate = UNKNOWN
    steady: pd.DataFrame = field(default_factory=pd.DataFrame)
    slip_per_force_s2pm: float = float("nan")

    @property
    def name(self) -> str:
        """Name of the run."""
        return self.run.name

    @property
    def step_s(self) -> float:
        """Median time between samples [s]."""
        return float(self.table["time_s"].diff().median())

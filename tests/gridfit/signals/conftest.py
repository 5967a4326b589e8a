"""Made-up runs whose truth is known by construction."""

from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from gridfit.carsheet import CarSheet, read_carsheet
from gridfit.driveline import ROLLING_RESISTANCE, drag_force_n, overall_ratio, rolling_radius_m
from gridfit.grids import CutGrid, GridPair, TargetGrid
from gridfit.signals.run import ROLES, Run, RunNote
from gridfit.units import GRAVITY_MPS2

SHEET = """
[car]
name = "made up"
drive = "rwd"
mass_kg = 1300
wheelbase_m = 2.6
front_weight_pct = 50.0
cg_height_m = 0.5
cda_m2 = 0.65
track_m = 1.55

[engine]
rpm = [1000, 2000, 3000, 4000, 5000, 6000, 7000]
torque_nm = [200, 260, 300, 320, 330, 320, 290]
cylinders = 4
idle_rpm = 900
limit_rpm = 7000
inertia_kgm2 = 0.15
cut = "ignition"

[gearbox]
ratios = [3.4, 2.2, 1.6, 1.2, 0.95]
final_drive = 3.9
efficiency = 0.92

[tyre]
size = "225/45R17"
compound = "street"
mu = 1.1

[sensors]
teeth_driven = 48
teeth_undriven = 48
log_hz = 100

[controller]
loop_hz = 100
min_speed_kmh = 5
throttle_gate_pct = 20
"""

STEP_S = 0.01


@dataclass
class Drive:
    """A drive sample by sample; change the arrays, then ask for the run."""

    sheet: CarSheet
    seconds: float
    time_s: np.ndarray = field(init=False)
    v_u_mps: np.ndarray = field(init=False)
    slip_pct: np.ndarray = field(init=False)
    throttle: np.ndarray = field(init=False)
    brake_pa: np.ndarray = field(init=False)
    gear: np.ndarray = field(init=False)

    def __post_init__(self) -> None:
        count = round(self.seconds / STEP_S)
        self.time_s = 10.0 + STEP_S * np.arange(count)
        self.v_u_mps = np.full(count, 18.0)
        self.slip_pct = self.rolling_slip_pct(np.zeros(count))
        self.throttle = np.full(count, 0.06)
        self.brake_pa = np.zeros(count)
        self.gear = np.full(count, 2.0)

    def rolling_slip_pct(self, acceleration_mps2: np.ndarray) -> np.ndarray:
        """Slip of a wheel that carries drag, rolling resistance and an acceleration: 1 % per m/s2."""
        car = self.sheet.car
        drag = drag_force_n(self.v_u_mps, car.cda_m2) / car.mass_kg
        return acceleration_mps2 + drag + ROLLING_RESISTANCE * GRAVITY_MPS2

    def between(self, start_s: float, end_s: float) -> np.ndarray:
        """Samples of a stretch, from the start of the drive."""
        clock = self.time_s - self.time_s[0]
        return (clock >= start_s - 1e-9) & (clock < end_s - 1e-9)

    def run(
        self,
        *,
        name: str = "run1",
        factor: float = 1.0,
        noise_kmh: float = 0.0,
        rng: np.random.Generator | None = None,
        without: tuple[str, ...] = (),
    ) -> Run:
        noise = rng or np.random.default_rng(0)
        sd = noise_kmh / 3.6
        v_d = self.v_u_mps * (1.0 + self.slip_pct / 100.0)
        radius = rolling_radius_m(self.sheet.tyre.size)
        ratio = overall_ratio(self.sheet, np.nan_to_num(np.maximum(self.gear, 1), nan=1).astype(np.int64))
        table = pd.DataFrame(
            {
                "time_s": self.time_s,
                "speed_driven_mps": factor * v_d + sd * noise.standard_normal(v_d.size),
                "speed_undriven_mps": self.v_u_mps + sd * noise.standard_normal(v_d.size),
                "throttle": self.throttle,
                "rpm": v_d / radius * ratio * 60.0 / (2.0 * np.pi),
                "gear": self.gear,
                "brake": self.brake_pa,
            }
        ).drop(columns=list(without))
        roles = tuple(role.name for role in ROLES if role.column in table)
        return Run(name, Path(f"{name}.csv"), table, RunNote(compound="street"), roles, "", 0)


@pytest.fixture(scope="session")
def sheet(tmp_path_factory: pytest.TempPathFactory) -> CarSheet:
    path = tmp_path_factory.mktemp("car") / "car.toml"
    path.write_text(SHEET, encoding="utf-8")
    return read_carsheet(path)


@pytest.fixture
def drive(sheet: CarSheet) -> Callable[[float], Drive]:
    """Make a drive at 65 km/h in second gear, throttle light, no slip."""
    return lambda seconds: Drive(sheet, seconds)


@pytest.fixture(scope="session")
def ten_pct() -> GridPair:
    """A target of 10 % at every speed, and a cut of 5 % per point of error up to 50 %."""
    return GridPair(
        TargetGrid(np.array([20.0, 200.0]), np.array([10.0, 10.0])),
        CutGrid(np.array([0.0, 10.0]), np.array([1.0, 2.0]), np.array([[0.0, 50.0], [0.0, 50.0]])),
    )

"""The tables of a car sheet: keys, units, allowed ranges, and what stands in for a missing figure."""

from collections.abc import Callable, Mapping, Sequence
from typing import Annotated, Any, Literal

from pydantic import Field

from gridfit.documents import Table

Rpm = Annotated[float, Field(ge=200, le=20000)]
Torque = Annotated[float, Field(ge=1, le=3000)]
Ratio = Annotated[float, Field(ge=0.3, le=6)]
SpeedBreakpoint = Annotated[float, Field(ge=0, le=450)]
ErrorBreakpoint = Annotated[float, Field(ge=0, le=200)]


class Car(Table):
    """Table ``[car]``: the chassis, with the driver aboard."""

    name: str = Field(min_length=1, description="a name in quotes")
    drive: Literal["rwd", "fwd"] = Field(description="the driven axle")
    mass_kg: float = Field(ge=300, le=4000, description="kg, with driver")
    wheelbase_m: float = Field(ge=1.2, le=5, description="m")
    track_m: float = Field(ge=0.8, le=2.5, description="m, left to right wheel")
    front_weight_pct: float = Field(ge=25, le=75, description="% of the mass on the front axle")
    cg_height_m: float = Field(ge=0.15, le=1.2, description="m, centre of gravity above ground")
    cda_m2: float = Field(ge=0.15, le=2.5, description="m2, drag coefficient times frontal area")


class Engine(Table):
    """Table ``[engine]``: full-throttle torque at the crank and what is cut."""

    rpm: tuple[Rpm, ...] = Field(min_length=3, max_length=200, description="rpm, increasing")
    torque_nm: tuple[Torque, ...] = Field(min_length=3, max_length=200, description="N.m at full throttle")
    cylinders: int = Field(ge=1, le=16, description="whole number")
    idle_rpm: float = Field(ge=300, le=4000, description="rpm")
    limit_rpm: float = Field(ge=1500, le=20000, description="rpm, where the limiter acts")
    inertia_kgm2: float = Field(ge=0.005, le=3, description="kg.m2, crank, flywheel and clutch")
    cut: Literal["ignition", "fuel"] = Field(description="what is left out in a dropped firing event")


class Gearbox(Table):
    """Table ``[gearbox]``: ratios from first gear on, engine turns per turn of the output."""

    ratios: tuple[Ratio, ...] = Field(min_length=1, max_length=10, description="engine turns per output turn")
    final_drive: float = Field(ge=0.8, le=12, description="output turns per wheel turn")
    efficiency: float = Field(ge=0.6, le=1, description="a fraction, crank to wheels")


class Tyre(Table):
    """Table ``[tyre]``: the tyre of the driven axle."""

    size: str = Field(description="a size code such as 245/40R18")
    compound: str = Field(min_length=1, description="a name in quotes")
    mu: float = Field(ge=0.2, le=2.5, description="peak friction coefficient, roughly")


class Sensors(Table):
    """Table ``[sensors]``: wheel-speed rings and the logger."""

    teeth_driven: int = Field(ge=1, le=500, description="teeth on a driven wheel's ring, whole number")
    teeth_undriven: int = Field(ge=1, le=500, description="teeth on an undriven wheel's ring, whole number")
    log_hz: float = Field(ge=1, le=5000, description="Hz, samples per second of the log")


class Controller(Table):
    """Table ``[controller]``: the loop and the shape of its grids.

    ``speed_breakpoints`` and ``speed_step`` stand in the file in ``units`` and here always in km/h.
    """

    loop_hz: float = Field(ge=5, le=2000, description="Hz, turns of the control loop per second")
    min_speed_kmh: float = Field(ge=1, le=80, description="km/h, no cut below")
    throttle_gate_pct: float = Field(ge=0, le=95, description="% throttle, no cut below")
    driven_from: Literal["mean", "faster"] = Field(description="how two wheels make the axle's speed")
    undriven_from: Literal["mean", "faster"] = Field(description="how two wheels make the axle's speed")
    cut_step_pct: float = Field(ge=0.01, le=50, description="%, smallest step of a cut cell")
    cut_max_pct: float = Field(ge=1, le=100, description="%, largest cut that the controller may ask")
    speed_breakpoints: tuple[SpeedBreakpoint, ...] = Field(
        min_length=2, max_length=64, description="speeds in `units`, increasing"
    )
    error_breakpoints: tuple[ErrorBreakpoint, ...] = Field(
        min_length=2, max_length=64, description="percentage points of slip above the target, increasing"
    )
    free_breakpoints: bool = Field(description="true or false: may the search choose the breakpoints")
    speed_columns: int = Field(
        ge=2, le=64, description="whole number, speeds that the target grid has room for"
    )
    error_columns: int = Field(
        ge=2, le=64, description="whole number, slip errors that the cut grid has room for"
    )
    speed_step: float = Field(ge=0.1, le=20, description="step of a speed breakpoint, in `units`")
    error_step_pct: float = Field(
        ge=0.05, le=10, description="percentage points, step of an error breakpoint"
    )
    units: Literal["km/h", "mph"] = Field(description="of the controller's editor")


SECTIONS: dict[str, type[Table]] = {
    "car": Car,
    "engine": Engine,
    "gearbox": Gearbox,
    "tyre": Tyre,
    "sensors": Sensors,
    "controller": Controller,
}
"""The tables of a car sheet."""

Raw = Mapping[str, Any]

INERTIA_PER_TORQUE_KGM2_PER_NM = 0.00045
"""Engine inertia over peak torque; rule of thumb, no source."""


def _engine_inertia(data: Raw) -> float:
    numbers = [item for item in data.get("engine", {}).get("torque_nm", ()) if isinstance(item, int | float)]
    return round(min(3.0, max(0.02, INERTIA_PER_TORQUE_KGM2_PER_NM * max(numbers, default=300.0))), 3)


SPEEDS_MPH = (10.0, 20.0, 25.0, 30.0, 40.0, 50.0, 60.0, 80.0, 100.0, 125.0)
SPEEDS_KMH = (20.0, 30.0, 40.0, 50.0, 60.0, 80.0, 100.0, 130.0, 160.0, 200.0)
ERRORS_PCT = (0.0, 2.0, 5.0, 10.0, 15.0, 20.0, 30.0)


def thinned(values: Sequence[float], most: object) -> tuple[float, ...]:
    """Return at most so many of the values, both ends among them, evenly by rank; all if `most` is no such number."""
    if not isinstance(most, int) or not 2 <= most < len(values):
        return tuple(values)
    return tuple(values[round(i * (len(values) - 1) / (most - 1))] for i in range(most))


def _speed_breakpoints(data: Raw) -> tuple[float, ...]:
    controller = data.get("controller", {})
    usual = SPEEDS_MPH if controller.get("units") == "mph" else SPEEDS_KMH
    return thinned(usual, controller.get("speed_columns"))


def _error_breakpoints(data: Raw) -> tuple[float, ...]:
    return thinned(ERRORS_PCT, data.get("controller", {}).get("error_columns"))


def _columns(key: str, usual: int) -> Callable[[Raw], int]:
    """Return what counts the breakpoints of a sheet, within what a table may have."""

    def count(data: Raw) -> int:
        given = data.get("controller", {}).get(key)
        return min(max(len(given), 2), 64) if isinstance(given, tuple) else usual

    return count


STAND_INS: dict[str, tuple[object | Callable[[Raw], object], str]] = {
    "car.cg_height_m": (0.50, "usual for a lowered saloon; common practice, no source"),
    "car.cda_m2": (0.66, "0.33 times 2.0 m2, usual for a saloon; common practice, no source"),
    "engine.inertia_kgm2": (
        _engine_inertia,
        "0.00045 kg.m2 per N.m of peak torque; rule of thumb, no source",
    ),
    "gearbox.efficiency": (0.92, "usual for a manual gearbox with final drive; common practice, no source"),
    "tyre.mu": (1.0, "dry asphalt, road tyre; common practice, no source"),
    "controller.driven_from": ("mean", "mean of left and right"),
    "controller.undriven_from": ("mean", "mean of left and right"),
    "controller.cut_step_pct": (1.0, "whole per cent"),
    "controller.cut_max_pct": (100.0, "no limit below a full cut"),
    "controller.speed_breakpoints": (_speed_breakpoints, "an even spread over the speeds that a car reaches"),
    "controller.error_breakpoints": (_error_breakpoints, "closer near the target"),
    "controller.free_breakpoints": (False, "breakpoints stay where they are"),
    "controller.speed_columns": (
        _columns("speed_breakpoints", len(SPEEDS_KMH)),
        "as many as speed_breakpoints",
    ),
    "controller.error_columns": (
        _columns("error_breakpoints", len(ERRORS_PCT)),
        "as many as error_breakpoints",
    ),
    "controller.speed_step": (1.0, "whole km/h or mph"),
    "controller.error_step_pct": (0.5, "half a point"),
    "controller.units": ("km/h", "the unit of the files"),
}
"""Keys that may be missing: what stands in (or how it is computed from the file) and why."""

"""The car sheet as fields of a form: one per key, with its meaning and range from the sheet's own model."""

import tomllib
from dataclasses import dataclass
from typing import Any, Literal, get_args, get_origin

from pydantic.fields import FieldInfo

from gridfit.cartables import SECTIONS, STAND_INS

TITLES = {
    "car": "Chassis", "engine": "Engine", "gearbox": "Gearbox", "tyre": "Driven tyres", "sensors": "Wheel sensors",
    "controller": "Controller",
}  # fmt: skip
"""What the tables of a sheet are called on the page."""

WORDS = {
    "car.name": "Name of the car", "car.drive": "Driven axle", "car.mass_kg": "Mass with driver", "car.wheelbase_m":
    "Wheelbase", "car.track_m": "Track width", "car.front_weight_pct": "Weight on the front axle", "car.cg_height_m":
    "Height of the centre of gravity", "car.cda_m2": "Drag area", "engine.rpm": "Engine speeds", "engine.torque_nm":
    "Torque at these speeds", "engine.cylinders": "Cylinders", "engine.idle_rpm": "Idle speed", "engine.limit_rpm":
    "Limiter", "engine.inertia_kgm2": "Inertia of the engine", "engine.cut": "What is cut", "gearbox.ratios":
    "Ratios, first gear on", "gearbox.final_drive": "Final drive", "gearbox.efficiency": "Efficiency to the wheels",
    "tyre.size": "Size code", "tyre.compound": "Compound", "tyre.mu": "Peak friction, roughly",
    "sensors.teeth_driven": "Teeth, driven axle", "sensors.teeth_undriven": "Teeth, undriven axle",
    "sensors.log_hz": "Rate of the log", "controller.loop_hz": "Rate of the loop", "controller.min_speed_kmh":
    "Works from", "controller.throttle_gate_pct": "Works above throttle of", "controller.driven_from":
    "Driven speed is", "controller.undriven_from": "Undriven speed is", "controller.cut_step_pct":
    "Step of a cut cell", "controller.cut_max_pct": "Largest cut", "controller.speed_breakpoints":
    "Speeds of the target grid", "controller.error_breakpoints": "Slip errors of the cut grid",
    "controller.free_breakpoints": "Choose breakpoints", "controller.speed_columns": "Speeds in the table",
    "controller.error_columns": "Slip errors in the table", "controller.speed_step": "Step of a speed",
    "controller.error_step_pct": "Step of a slip error", "controller.units": "Unit of speed",
}  # fmt: skip
"""What its keys are called."""


@dataclass(frozen=True, slots=True)
class Field:
    """One field.

    Parameters
    ----------
    key, label, hint, value : str
        ``section.key``; name; meaning and range; what stands there.
    kind : {"text", "number", "list", "choice", "flag"}
        A flag's choices are written without quotes.
    choices : tuple of str
    needed : bool
        Whether it may be left empty.
    """

    key: str
    label: str
    hint: str
    value: str
    kind: str
    choices: tuple[str, ...]
    needed: bool


def fields(text: str) -> dict[str, list[Field]]:
    """Return the fields of a sheet's text by table; an empty or broken text gives empty fields."""
    try:
        data: dict[str, Any] = tomllib.loads(text)
    except tomllib.TOMLDecodeError:
        data = {}
    return {
        TITLES[section]: [
            _field(section, key, info, data.get(section, {}).get(key))
            for key, info in model.model_fields.items()
        ]
        for section, model in SECTIONS.items()
    }


def _field(section: str, key: str, info: FieldInfo, value: object) -> Field:
    name = f"{section}.{key}"
    optional = name in STAND_INS
    choices = (
        tuple(str(item) for item in get_args(info.annotation))
        if get_origin(info.annotation) is Literal
        else ()
    )
    if info.annotation is bool:
        choices = ("true", "false")
    kind = "flag" if info.annotation is bool else "choice" if choices else _kind(info)
    return Field(
        name, WORDS.get(name, key), _hint(info, optional), _shown(value), kind, choices, not optional
    )


def _kind(info: FieldInfo) -> str:
    if info.annotation is str:
        return "text"
    return "list" if get_origin(info.annotation) is tuple else "number"


def _hint(info: FieldInfo, optional: bool) -> str:
    low = next((item.ge for item in info.metadata if hasattr(item, "ge")), None)
    high = next((item.le for item in info.metadata if hasattr(item, "le")), None)
    said = (info.description or "").replace("a name in quotes", "a name")
    span = f"{low:g} to {high:g}" if low is not None and high is not None else ""
    words = ", ".join(part for part in (said, span) if part)
    return f"{words}; may be left empty" if optional else words


def _shown(value: object) -> str:
    if value is None:
        return ""
    if isinstance(value, list):
        return ", ".join(_shown(item) for item in value)
    if isinstance(value, bool):
        return str(value).lower()
    return f"{value:g}" if isinstance(value, float) else str(value)

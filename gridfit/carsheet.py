"""The car sheet: what the owner writes about a car, read and checked; what is missing is stood in for."""

from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from gridfit import tyresize
from gridfit.cartables import SECTIONS, STAND_INS, Car, Controller, Engine, Gearbox, Raw, Sensors, Tyre
from gridfit.documents import Document, Table, read_toml, unknown_sections
from gridfit.errors import InputError, Problem
from gridfit.units import KMH_PER_MPH


@dataclass(frozen=True, slots=True)
class StandIn:
    """A figure that the owner left out: what stands in for it, and where that comes from."""

    value: object
    reason: str


@dataclass(frozen=True, slots=True)
class CarSheet:
    """A complete car sheet.

    Parameters
    ----------
    car, engine, gearbox, tyre, sensors, controller : Table
        The tables of the file, nothing missing.
    stood_in : dict of str to StandIn
        ``"car.cg_height_m"`` and so on, for every figure that the file left out.
    source : Path
    sha256 : str
        Digest of the file.
    """

    car: Car
    engine: Engine
    gearbox: Gearbox
    tyre: Tyre
    sensors: Sensors
    controller: Controller
    stood_in: dict[str, StandIn]
    source: Path
    sha256: str

    @property
    def gears(self) -> int:
        """Number of forward gears."""
        return len(self.gearbox.ratios)

    @property
    def driven(self) -> Literal["front", "rear"]:
        """The driven axle."""
        return "front" if self.car.drive == "fwd" else "rear"

    @property
    def speed_breakpoints_kmh(self) -> NDArray[np.float64]:
        """Speed breakpoints of the target grid, float64[K] [km/h]."""
        return np.array(self.controller.speed_breakpoints, dtype=np.float64)

    @property
    def error_breakpoints_pct(self) -> NDArray[np.float64]:
        """Slip-error breakpoints of the cut grid, float64[E] [percentage points]."""
        return np.array(self.controller.error_breakpoints, dtype=np.float64)

    def to_dict(self) -> dict[str, object]:
        """Return all tables and what stood in, as plain values for JSON; speeds in km/h."""
        tables = {name: getattr(self, name).model_dump(mode="json") for name in SECTIONS}
        stood_in = {key: {"value": item.value, "reason": item.reason} for key, item in self.stood_in.items()}
        return {**tables, "stood_in": stood_in}


def read_carsheet(path: Path | str) -> CarSheet:
    """Read and check a car sheet.

    Parameters
    ----------
    path : Path or str
        A TOML file.

    Returns
    -------
    CarSheet

    Raises
    ------
    CallError
        When there is no such file.
    InputError
        When anything in it is wrong; all faults are listed.
    """
    document = read_toml(Path(path), "car sheet")
    problems = unknown_sections(document, SECTIONS)
    filled, stood_in = _fill(document.data)
    tables: dict[str, Any] = {}
    for name, model in SECTIONS.items():
        table, faults = _table(document, name, model, filled)
        problems += faults
        tables[name] = table
    for name, check in _CROSS_CHECKS.items():
        if tables[name] is not None:
            problems += check(document, tables[name])
    if problems:
        raise InputError(problems)
    tables["controller"] = _in_kmh(tables["controller"])
    return CarSheet(**tables, stood_in=stood_in, source=document.path, sha256=document.sha256)


def _table(
    document: Document, name: str, model: type[Table], data: Raw
) -> tuple[Table | None, list[Problem]]:
    if name not in document.data:
        keys = [key for key in model.model_fields if f"{name}.{key}" not in STAND_INS]
        remedy = f"Add the table with {', '.join(keys)}."
        return None, [Problem(document.path.name, f"[{name}]", "", "is missing", remedy)]
    if not isinstance(document.data[name], dict):
        problem = Problem(
            document.where("", name), name, "", "must be a table", f"Write [{name}] on its own line."
        )
        return None, [problem]
    return document.check(model, name, data[name])


def _fill(data: Raw) -> tuple[dict[str, Any], dict[str, StandIn]]:
    """Return the tables with stand-ins where keys are missing, and the list of them."""
    filled = {name: dict(table) for name, table in data.items() if isinstance(table, dict)}
    stood_in: dict[str, StandIn] = {}
    for dotted, (value, reason) in STAND_INS.items():
        section, key = dotted.split(".")
        if section in filled and key not in filled[section]:
            filled[section][key] = value(data) if callable(value) else value
            stood_in[dotted] = StandIn(filled[section][key], reason)
    for key in ("driven_from", "undriven_from"):
        if filled.get("controller", {}).get(key) in ("fastest", "max"):
            filled["controller"][key] = "faster"
    return filled, stood_in


def _in_kmh(controller: Controller) -> Controller:
    factor = KMH_PER_MPH if controller.units == "mph" else 1.0
    speeds = tuple(speed * factor for speed in controller.speed_breakpoints)
    return controller.model_copy(
        update={"speed_breakpoints": speeds, "speed_step": controller.speed_step * factor}
    )


def _steps(document: Document, section: str, key: str, values: tuple[float, ...], sign: int) -> list[Problem]:
    """Return a problem for the first value that does not go on increasing (sign 1) or decreasing (-1)."""
    word = "larger" if sign > 0 else "smaller"
    for at, (before, after) in enumerate(pairwise(values), start=2):
        if sign * (after - before) <= 0:
            allowed = f"must be {word} than the one before it ({before:g})"
            remedy = "Put the values in order; look for a swapped or mistyped one."
            return [Problem(document.where(section, key), f"{key}[{at}]", f"{after:g}", allowed, remedy)]
    return []


def _check_engine(document: Document, engine: Engine) -> list[Problem]:
    problems = _steps(document, "engine", "rpm", engine.rpm, 1)
    if len(engine.torque_nm) != len(engine.rpm):
        where = document.where("engine", "torque_nm")
        allowed = f"must have as many values as rpm ({len(engine.rpm)})"
        problems.append(
            Problem(
                where, "torque_nm", f"{len(engine.torque_nm)} values", allowed, "Give one torque per rpm."
            )
        )
    if engine.limit_rpm > 1.15 * max(engine.rpm):
        allowed = f"must not exceed the torque curve's last rpm ({max(engine.rpm):g}) by more than 15 %"
        remedy = "Extend the torque curve, or correct the limit."
        problems.append(_limit(document, "limit_rpm", engine.limit_rpm, allowed, remedy))
    if engine.limit_rpm <= min(engine.rpm):
        allowed = f"must lie above the torque curve's first rpm ({min(engine.rpm):g})"
        problems.append(
            _limit(document, "limit_rpm", engine.limit_rpm, allowed, "Correct the limit or the curve.")
        )
    if engine.idle_rpm >= engine.limit_rpm:
        allowed = f"must lie below limit_rpm ({engine.limit_rpm:g})"
        problems.append(_limit(document, "idle_rpm", engine.idle_rpm, allowed, "Are the two swapped?"))
    return problems


def _limit(document: Document, key: str, value: float, allowed: str, remedy: str) -> Problem:
    return Problem(document.where("engine", key), key, f"{value:g}", allowed, remedy)


def _check_gearbox(document: Document, gearbox: Gearbox) -> list[Problem]:
    return _steps(document, "gearbox", "ratios", gearbox.ratios, -1)


def _check_tyre(document: Document, tyre: Tyre) -> list[Problem]:
    try:
        tyresize.parse(tyre.size, f"{document.where('tyre', 'size')} size")
    except InputError as error:
        return list(error.problems)
    return []


def _check_controller(document: Document, controller: Controller) -> list[Problem]:
    problems = [
        fault
        for key in ("speed_breakpoints", "error_breakpoints")
        for fault in _steps(document, "controller", key, getattr(controller, key), 1)
    ]
    for key, room in (("speed_breakpoints", "speed_columns"), ("error_breakpoints", "error_columns")):
        problems += _too_many(document, key, len(getattr(controller, key)), room, getattr(controller, room))
    if controller.cut_step_pct > controller.cut_max_pct:
        where = document.where("controller", "cut_step_pct")
        allowed = f"must not exceed cut_max_pct ({controller.cut_max_pct:g})"
        problems.append(
            Problem(where, "cut_step_pct", f"{controller.cut_step_pct:g}", allowed, "Are the two swapped?")
        )
    return problems


def _too_many(document: Document, key: str, given: int, room_key: str, room: int) -> list[Problem]:
    if given <= room:
        return []
    allowed = f"must hold at most {room} values, the table's {room_key}"
    remedy = f"Take breakpoints out, or correct {room_key}."
    return [Problem(document.where("controller", key), key, f"{given} values", allowed, remedy)]


_CROSS_CHECKS: dict[str, Callable[[Document, Any], list[Problem]]] = {
    "engine": _check_engine,
    "gearbox": _check_gearbox,
    "tyre": _check_tyre,
    "controller": _check_controller,
}

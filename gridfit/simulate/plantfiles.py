"""plant.json in and out: what a person reads per gear and compound, and the draws behind it."""

import json
from pathlib import Path
from typing import Any

import numpy as np

from gridfit.carsheet import CarSheet
from gridfit.errors import CallError, InputError
from gridfit.estimate import Estimate
from gridfit.simulate.packing import car_rows
from gridfit.simulate.parameters import INDEX, NAMES, PARAMETERS, Floats, Plant
from gridfit.simulate.quantities import cut_gain_kmhps_per_pct, dead_time_s, inertia_kg, peak_as_run

FORMAT = "gridfit-plant/1"
"""Value of the key `format`."""


def _estimate(values: Floats) -> dict[str, float]:
    return Estimate.from_draws(values).to_dict()


def _gears(sheet: CarSheet, plant: Plant) -> list[dict[str, Any]]:
    gain, inertia = cut_gain_kmhps_per_pct(sheet, plant.draws), inertia_kg(sheet, plant.draws)
    dead, lag = dead_time_s(sheet, plant.draws), plant.column("cut_lag_s")
    counts = plant.episodes or (0,) * gain.shape[1]
    return [
        {
            "gear": g + 1,
            "episodes": counts[g],
            "cut_gain_kmhps_per_pct": _estimate(gain[:, g]),
            "dead_time_s": _estimate(dead),
            "lag_s": _estimate(lag),
            "inertia_kg": _estimate(inertia[:, g]),
        }
        for g in range(gain.shape[1])
    ]


def _tyres(sheet: CarSheet, plant: Plant) -> list[dict[str, Any]]:
    rows = []
    for compound in plant.compounds:
        draws = plant.on_compound(compound).draws
        rows.append(
            {
                "compound": compound,
                "peak_mu": _estimate(peak_as_run(car_rows(sheet, draws))),
                "peak_slip_pct": _estimate(100.0 * draws[:, INDEX["slip_peak"]]),
            }
        )
    return rows


def to_document(sheet: CarSheet, plant: Plant) -> dict[str, Any]:
    """Return the plant as the document of plant.json.

    Parameters
    ----------
    sheet : CarSheet
        The car.
    plant : Plant
        Its draws.

    Returns
    -------
    dict
        The contract's keys, and beside them origin, parameters (name, unit, meaning, estimate) and the draws.
    """
    return {
        "format": FORMAT,
        "gears": _gears(sheet, plant),
        "tyres": _tyres(sheet, plant),
        "origin": plant.origin,
        "parameters": [
            {"name": p.name, "unit": p.unit, "meaning": p.meaning, **_estimate(plant.column(p.name))}
            for p in PARAMETERS
        ],
        "draws": {
            "names": list(NAMES),
            "values": [[float(f"{v:.8g}") for v in row] for row in plant.draws],
            "compounds": list(plant.compounds),
            "grip": [[float(f"{v:.8g}") for v in row] for row in plant.grip],
            "slip": [[float(f"{v:.8g}") for v in row] for row in plant.slip],
        },
    }


def _load(path: Path) -> dict[str, Any]:
    try:
        document = json.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError as fault:
        raise CallError.of(
            where=str(path), what="no such plant file", value="missing", allowed="a plant.json of gridfit",
            remedy="Give the plant.json that propose or refine wrote.",
        ) from fault  # fmt: skip
    except (UnicodeDecodeError, json.JSONDecodeError) as fault:
        raise InputError.of(
            where=str(path), what="is not JSON", value=str(fault), allowed="RFC 8259 JSON in UTF-8",
            remedy="Give the plant.json that propose or refine wrote, unedited.",
        ) from fault  # fmt: skip
    if not isinstance(document, dict) or document.get("format") != FORMAT:
        found = document.get("format") if isinstance(document, dict) else type(document).__name__
        raise InputError.of(
            where=f"{path} format", what="is not a plant of this version", value=repr(found), allowed=repr(FORMAT),
            remedy="Give the plant.json that propose or refine wrote.",
        )  # fmt: skip
    return document


def _draws(path: Path, document: dict[str, Any]) -> tuple[Floats, Floats, Floats, list[str]]:
    draws = document.get("draws")
    if not isinstance(draws, dict) or list(draws.get("names", [])) != list(NAMES):
        raise InputError.of(
            where=f"{path} draws.names", what="do not name this version's parameters",
            value=str(len(draws.get("names", [])) if isinstance(draws, dict) else "none"),
            allowed=f"the {len(NAMES)} names of the parameter table, in its order",
            remedy="Run propose or refine again with this version of gridfit.",
        )  # fmt: skip
    try:
        values, grip, slip = (np.array(draws[key], dtype=np.float64) for key in ("values", "grip", "slip"))
        compounds = [str(name) for name in draws["compounds"]]
    except (KeyError, TypeError, ValueError) as fault:
        raise InputError.of(
            where=f"{path} draws", what="cannot be read", value=str(fault), allowed="tables of numbers",
            remedy="Run propose or refine again.",
        ) from fault  # fmt: skip
    shape = (values.shape[0], len(compounds))
    whole = values.ndim == 2 and values.shape[1] == len(NAMES) and grip.shape == slip.shape == shape
    if not whole or not all(np.isfinite(a).all() for a in (values, grip, slip)) or values.shape[0] < 1:
        raise InputError.of(
            where=f"{path} draws", what="have wrong shapes or values that are not numbers",
            value=f"values {values.shape}, grip {grip.shape}, slip {slip.shape}",
            allowed=f"[D, {len(NAMES)}] and twice [D, {len(compounds)}], finite, D at least 1",
            remedy="Run propose or refine again.",
        )  # fmt: skip
    return values, grip, slip, compounds


def read_plant(path: Path | str) -> Plant:
    """Read a plant.json that gridfit wrote.

    Parameters
    ----------
    path : Path or str
        The file.

    Returns
    -------
    Plant

    Raises
    ------
    CallError
        If there is no such file.
    InputError
        If it is not a plant of this version.
    """
    place = Path(path)
    document = _load(place)
    values, grip, slip, compounds = _draws(place, document)
    gears = document.get("gears", [])
    counts = tuple(int(row.get("episodes", 0)) for row in gears if isinstance(row, dict))
    return Plant(values, str(document.get("origin", "fit")), tuple(compounds), grip, slip, counts)

"""Results of stages as files without pickles: numbers, texts, arrays, tables and our own frozen dataclasses.

What is read back is equal to the bit to what was written. Only classes that are named here are ever made.
"""

import dataclasses
import hashlib
import io
import json
import os
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from gridfit.estimate import Estimate
from gridfit.plant.crossvalidation import HeldOut
from gridfit.plant.fit import FitResult
from gridfit.plant.identification import Identification
from gridfit.plant.modelchecks import ModelChecks
from gridfit.plant.posterior import Moved
from gridfit.plant.predictions import Predictions
from gridfit.plant.residuals import Layout
from gridfit.plant.windows import Windows
from gridfit.signals.quality import Finding
from gridfit.simulate.parameters import Plant
from pipelines.identify import Identified
from pipelines.report.figures_traces import Example, Response

CLASSES: dict[str, type] = {
    cls.__name__: cls
    for cls in (
        Estimate, Example, Finding, FitResult, HeldOut, Identification, Identified, Layout, ModelChecks, Moved,
        Plant, Predictions, Response, Windows,
    )
}  # fmt: skip
"""Dataclasses that an archive may hold."""

TREE = "tree"
"""Name of the array that holds everything but the arrays."""


def to_bytes(value: object) -> bytes:
    """Return the archive of a value.

    Raises
    ------
    TypeError
        It holds something of another kind.
    """
    arrays: dict[str, np.ndarray] = {}
    tree = json.dumps(_flat(value, arrays), separators=(",", ":"))
    stream = io.BytesIO()
    np.savez(
        stream, allow_pickle=False, **{TREE: np.frombuffer(tree.encode("utf-8"), dtype=np.uint8)}, **arrays
    )
    return stream.getvalue()


def from_bytes(data: bytes) -> Any:  # noqa: ANN401 - whatever was archived
    """Return the value of an archive.

    Raises
    ------
    ValueError, KeyError, TypeError, OSError
        It is damaged, or of another version of gridfit.
    """
    with np.load(io.BytesIO(data), allow_pickle=False) as arrays:
        return _value(json.loads(arrays[TREE].tobytes().decode("utf-8")), arrays)


def write(path: Path, value: object) -> None:
    """Write an archive, whole or not at all."""
    part = path.with_name(f"{path.name}.part")
    with part.open("wb") as stream:
        stream.write(to_bytes(value))
        stream.flush()
        os.fsync(stream.fileno())
    os.replace(part, path)


def digest_of(value: object) -> bytes:
    """Return the SHA-256 of what a value holds, whatever dataclasses it is made of."""
    found = hashlib.sha256()
    _feed(value, found)
    return found.digest()


def _feed(value: object, found: "hashlib._Hash") -> None:
    if isinstance(value, np.ndarray):
        found.update(f"array {value.dtype.str} {value.shape}".encode())
        found.update(np.ascontiguousarray(value).tobytes())
    elif dataclasses.is_dataclass(value) and not isinstance(value, type):
        found.update(f"object {type(value).__name__}".encode())
        for field in dataclasses.fields(value):
            found.update(f"field {field.name}".encode())
            _feed(getattr(value, field.name), found)
    elif isinstance(value, dict):
        for key in sorted(value, key=str):
            found.update(f"key {key}".encode())
            _feed(value[key], found)
    elif isinstance(value, list | tuple):
        found.update(f"list {len(value)}".encode())
        for item in value:
            _feed(item, found)
    elif value is None or isinstance(value, bool | int | float | str | np.generic):
        found.update(f"{type(value).__name__} {value!r}".encode())
    else:
        raise TypeError(f"{type(value).__name__}: cannot be part of a digest; give plain values and arrays")


def _flat(value: object, arrays: dict[str, np.ndarray]) -> Any:  # noqa: ANN401 - JSON
    if value is None or (isinstance(value, bool | int | float | str) and not isinstance(value, np.generic)):
        return value
    if isinstance(value, np.generic):
        value = np.asarray(value)
        return {"$scalar": _kept(value, arrays)}
    if isinstance(value, np.ndarray):
        return {"$array": _kept(value, arrays)}
    if isinstance(value, pd.DataFrame):
        return _flat_table(value, arrays)
    if isinstance(value, list | tuple):
        items = [_flat(item, arrays) for item in value]
        return items if isinstance(value, list) else {"$tuple": items}
    if isinstance(value, dict):
        return {"$dict": [[_flat(key, arrays), _flat(item, arrays)] for key, item in value.items()]}
    if CLASSES.get(type(value).__name__) is type(value):
        fields = [field.name for field in dataclasses.fields(value)]  # type: ignore[arg-type]
        return {
            "$object": type(value).__name__,
            "fields": {name: _flat(getattr(value, name), arrays) for name in fields},
        }
    raise TypeError(f"{type(value).__name__}: cannot be archived; known are {', '.join(sorted(CLASSES))}")


def _kept(value: np.ndarray, arrays: dict[str, np.ndarray]) -> str:
    if value.dtype.hasobject:
        raise TypeError(f"array of {value.dtype}: cannot be archived; use numbers or a list of texts")
    name = f"a{len(arrays)}"
    arrays[name] = value
    return name


def _flat_table(table: pd.DataFrame, arrays: dict[str, np.ndarray]) -> dict[str, Any]:
    columns = []
    for name in table.columns:
        column = table[name]
        plain = isinstance(column.dtype, np.dtype) and not column.dtype.hasobject
        # missing texts come back as they went: None or NaN
        held = _flat(column.to_numpy() if plain else column.tolist(), arrays)
        columns.append([_flat(name, arrays), str(column.dtype), held])
    return {"$table": columns, "rows": len(table)}


def _value(tree: Any, arrays: Any) -> Any:  # noqa: ANN401 - JSON
    if isinstance(tree, list):
        return [_value(item, arrays) for item in tree]
    if not isinstance(tree, dict):
        return tree
    if "$array" in tree:
        return arrays[tree["$array"]]
    if "$scalar" in tree:
        return arrays[tree["$scalar"]][()]
    if "$tuple" in tree:
        return tuple(_value(item, arrays) for item in tree["$tuple"])
    if "$dict" in tree:
        return {_value(key, arrays): _value(item, arrays) for key, item in tree["$dict"]}
    if "$table" in tree:
        made = {
            _value(name, arrays): pd.Series(_value(held, arrays), dtype=kind)
            for name, kind, held in tree["$table"]
        }
        return pd.DataFrame(made, index=pd.RangeIndex(tree["rows"]))
    cls = CLASSES[tree["$object"]]
    return cls(**{name: _value(item, arrays) for name, item in tree["fields"].items()})

"""Values of every kind to strict JSON (RFC 8259): no NaN, no infinity, no library types."""

import json
import math
from collections.abc import Mapping
from dataclasses import fields, is_dataclass
from pathlib import PurePath
from typing import Protocol, TypeAlias, runtime_checkable

import numpy as np
import pandas as pd

Plain: TypeAlias = "bool | int | float | str | list[Plain] | dict[str, Plain] | None"
"""What JSON can hold."""


@runtime_checkable
class _HasToDict(Protocol):
    def to_dict(self) -> object: ...


def plain(value: object) -> Plain:
    """Return `value` made of dict, list, str, int, finite float, bool and None only.

    Parameters
    ----------
    value : object
        Numbers that are not finite become None; dataclasses and objects with ``to_dict`` become dicts;
        arrays become lists; tables become lists of rows; paths become text.

    Returns
    -------
    Plain
        Fit for `json.dumps` with ``allow_nan=False``.
    """
    if value is None or isinstance(value, bool | str):
        return value
    if isinstance(value, np.generic):
        return plain(value.item())
    if isinstance(value, int):
        return value
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    return _container(value)


def to_json(value: object) -> str:
    """Return strict JSON text of `value`, indented, ending with a newline."""
    return json.dumps(plain(value), indent=2, ensure_ascii=False, allow_nan=False) + "\n"


def _container(value: object) -> Plain:
    """Return `plain` of something that holds other values, or its text when nothing else is known."""
    if isinstance(value, Mapping):
        return {str(key): plain(item) for key, item in value.items()}
    if isinstance(value, pd.DataFrame):
        return [plain(row) for row in value.to_dict("records")]
    if isinstance(value, np.ndarray | pd.Series):
        return [plain(item) for item in value.tolist()]
    if isinstance(value, _HasToDict):
        return plain(value.to_dict())
    if is_dataclass(value) and not isinstance(value, type):
        return {field.name: plain(getattr(value, field.name)) for field in fields(value)}
    if isinstance(value, PurePath):
        return str(value)
    if isinstance(value, list | tuple | set | frozenset):
        return [plain(item) for item in (sorted(value) if isinstance(value, set | frozenset) else value)]
    return str(value)

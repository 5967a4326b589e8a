"""Columns weighed one by one: how sure name, unit and numbers make it that a column plays a role."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from gridfit import units
from gridfit.carsheet import CarSheet
from gridfit.signals import channelphysics, channelscales
from gridfit.signals.channelnames import Named
from gridfit.signals.channelscales import REFUTED, UNIT_UNTOLD
from gridfit.signals.run import CORNERS

Floats = NDArray[np.float64]

RIVAL = 0.06
"""A second column whose name is this near leaves a role open [1]; chosen."""
SAME = 0.999
"""Correlation from which on two columns hold the same [1]; chosen."""
REFUTED_UNIT = 0.8
"""Share of samples in the car's gears that refutes a unit that is told [1]; chosen."""
ENGINE_SURE = 0.6
"""How sure an engine speed must be to tell the unit of the speeds [1]; chosen."""


@dataclass(frozen=True, slots=True)
class Candidate:
    """A column for a role.

    Parameters
    ----------
    role, column, unit : str
    sure : float
        How sure that is [1].
    reason : str
    told : bool
        Whether log or name tell the unit.
    """

    role: str
    column: str
    unit: str
    sure: float
    reason: str
    told: bool

    def times(self, left: float, reason: str) -> "Candidate":
        """Return the same with what a further reason leaves of it."""
        return replace(self, sure=self.sure * left, reason=f"{self.reason}; {reason}")


def choose(named: Sequence[Named], columns: Mapping[str, Floats], sheet: CarSheet) -> dict[str, Candidate]:
    """Give every role its best column.

    Parameters
    ----------
    named : sequence of Named
        Roles by name.
    columns : dict of str to float64[S]
        As logged; every named column is there.
    sheet : CarSheet

    Returns
    -------
    dict of str to Candidate
        By role. A column of nearly as good a name that holds other numbers leaves a role in doubt.
    """
    listed = [_alone(one, columns[one.column], sheet) for one in named]
    return _choose(_with_speed_unit(listed, columns, sheet), columns)


def _alone(one: Named, values: Floats, sheet: CarSheet) -> Candidate:
    scaled = channelscales.own(one.role, values, one.unit, one.odd_unit, sheet)
    told = bool(one.unit or one.odd_unit)
    return Candidate(
        one.role, one.column, scaled.unit, one.sure * scaled.left, f"{one.reason}; {scaled.reason}", told
    )


def _with_speed_unit(
    listed: Sequence[Candidate], columns: Mapping[str, Floats], sheet: CarSheet
) -> list[Candidate]:
    """Give the speeds whose unit nothing tells the unit in which the car runs in its gears; doubt a told one."""
    revs = [one for one in listed if one.role == "rpm" and one.sure >= ENGINE_SURE]
    speeds = [one for one in listed if one.role.startswith("speed") and one.sure > 0.0]
    if not revs or not speeds:
        return list(listed)
    rpm = columns[max(revs, key=lambda one: one.sure).column]
    driven = ("speed_driven", *CORNERS[sheet.driven])
    best = min(speeds, key=lambda one: (one.role not in driven, one.told, -one.sure))
    unit, share = channelphysics.speed_unit(columns[best.column], rpm, sheet)
    if not unit:
        return list(listed)
    return [_in_unit(one, unit, share, columns, sheet) if one in speeds else one for one in listed]


def _in_unit(
    one: Candidate, unit: str, share: float, columns: Mapping[str, Floats], sheet: CarSheet
) -> Candidate:
    if one.told:
        if one.unit in channelphysics.SPEED_UNITS and one.unit != unit and share > REFUTED_UNIT:
            return one.times(REFUTED, f"{unit} by the ratios of the gearbox")
        return one
    values = columns[one.column]
    fit = channelphysics.fits(one.role, units.to_si(values[np.isfinite(values)], unit, "speed"), sheet)
    base = one.reason.split(";")[0]
    return replace(
        one,
        unit=unit,
        sure=one.sure / UNIT_UNTOLD * min(1.0, share + 0.2) * fit,
        reason=f"{base}; {unit} by the ratios of the gearbox in {100 * share:.0f} % of the samples",
    )


def _choose(listed: Sequence[Candidate], columns: Mapping[str, Floats]) -> dict[str, Candidate]:
    """Give every role its best column; a column of nearly as good a name that holds other numbers leaves doubt."""
    chosen: dict[str, Candidate] = {}
    for one in sorted(listed, key=lambda candidate: -candidate.sure):
        if (
            one.sure > 0.0
            and one.role not in chosen
            and one.column not in {o.column for o in chosen.values()}
        ):
            chosen[one.role] = one
    for role, best in chosen.items():
        rivals = [
            one.column
            for one in listed
            if one.role == role
            and one.column not in {o.column for o in chosen.values()}
            and one.sure > best.sure - RIVAL
            and not _same(columns[one.column], columns[best.column], clock=role == "time")
        ]
        if rivals:
            chosen[role] = best.times(UNIT_UNTOLD, f"'{rivals[0]}' could be it as well")
    return chosen


def _same(a: Floats, b: Floats, *, clock: bool) -> bool:
    known = np.isfinite(a) & np.isfinite(b)
    if np.count_nonzero(known) < 2:
        return False
    first, second = (np.diff(one[known]) if clock else one[known] for one in (a, b))
    if clock:
        return bool(np.allclose(first, second, rtol=0.01))
    if min(float(np.std(first)), float(np.std(second))) == 0.0 or np.corrcoef(first, second)[0, 1] < SAME:
        return False
    return bool(np.allclose(first, second, rtol=0.05, atol=0.02 * float(np.max(np.abs(first)))))

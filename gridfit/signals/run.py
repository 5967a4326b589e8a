"""A run: one log in SI units on its own clock, with the note written beside it, and the table of roles."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

import pandas as pd

from gridfit.estimate import Estimate


@dataclass(frozen=True, slots=True)
class Role:
    """What a logged channel can be.

    Parameters
    ----------
    name : str
        As the channel map writes it.
    column : str
        Column of `Run.table` that holds it.
    dimension : str
        Dimension in the table of units.
    meaning : str
        One line for people.
    """

    name: str
    column: str
    dimension: str
    meaning: str


ROLES: tuple[Role, ...] = (
    Role("time", "time_s", "time", "the log's own clock"),
    Role("speed_driven", "speed_driven_mps", "speed", "driven axle"),
    Role("speed_undriven", "speed_undriven_mps", "speed", "undriven axle"),
    Role("speed_fl", "speed_fl_mps", "speed", "front left wheel"),
    Role("speed_fr", "speed_fr_mps", "speed", "front right wheel"),
    Role("speed_rl", "speed_rl_mps", "speed", "rear left wheel"),
    Role("speed_rr", "speed_rr_mps", "speed", "rear right wheel"),
    Role("throttle", "throttle", "fraction", "pedal or throttle plate, 0 closed, 1 open"),
    Role("rpm", "rpm", "rotation", "engine speed"),
    Role("gear", "gear", "count", "gear engaged, 0 unknown or shifting"),
    Role("brake", "brake", "brake", "brake pressure [Pa], or 1 while braking"),
    Role("lateral_acc", "lateral_acc_mps2", "acceleration", "lateral acceleration"),
    Role("longitudinal_acc", "longitudinal_acc_mps2", "acceleration", "longitudinal acceleration"),
    Role("steering", "steering_rad", "angle", "steering wheel angle"),
    Role("cut", "cut_pct", "percent", "share of firing events dropped, as commanded"),
    Role("slip", "slip_pct", "percent", "slip on vehicle speed, as the controller had it"),
    Role("slip_target", "slip_target_pct", "percent", "target slip in force"),
    Role("lambda", "lambda", "count", "air-fuel ratio over the stoichiometric one"),
    Role("lap", "lap", "count", "lap number"),
)
"""Every role of the channel map, in the order of the columns of `Run.table`."""

ROLE_OF: dict[str, Role] = {role.name: role for role in ROLES}
"""The same table by name."""

CORNERS: dict[str, tuple[str, str]] = {"front": ("speed_fl", "speed_fr"), "rear": ("speed_rl", "speed_rr")}
"""Roles of the wheels of each axle."""


@dataclass(frozen=True, slots=True)
class Channel:
    """Where a role is found in a log.

    Parameters
    ----------
    column : str
        Name of the column.
    unit : str
        Unit that it is logged in.
    sure : float
        1 when a person wrote it, less when it was guessed [1].
    reason : str
        Why it was guessed so; empty when a person wrote it.
    """

    column: str
    unit: str
    sure: float = 1.0
    reason: str = ""


@dataclass(frozen=True, slots=True)
class RunNote:
    """What the driver wrote about a run.

    Parameters
    ----------
    compound : str
        Tyre compound on the driven axle; ``"unknown"`` when no note was written.
    date : str
        ISO 8601 date; empty when unknown.
    track : str
        Where; empty when unknown.
    track_temp_c : float or None
        Track surface temperature [deg C].
    grids : str or None
        File name of the grid pair that was in force, relative to the note.
    notes : str
        Free text.
    """

    compound: str = "unknown"
    date: str = ""
    track: str = ""
    track_temp_c: float | None = None
    grids: str | None = None
    notes: str = ""


@dataclass(frozen=True, slots=True)
class Run:
    """One log, read and converted to SI, nothing calibrated yet.

    Parameters
    ----------
    name : str
        File name without its ending.
    path : Path
        Where it was read from.
    table : DataFrame
        One row per sample, float64, columns of `ROLES` that the log has. ``time_s`` increases strictly and
        stays the log's own clock; ``speed_driven_mps`` and ``speed_undriven_mps`` are always there.
    note : RunNote
    roles : tuple of str
        Roles that the log itself carried, in the order of `ROLES`.
    sha256 : str
        Digest of the file, hexadecimal.
    rows_dropped : int
        Rows removed: a truncated last line, duplicated rows and backward stamps.
    repairs : tuple of (str, int)
        What was dropped or found, with counts, for the report.
    channels : dict of str to Channel
        The channel map's entries that were read, by role.
    beside : tuple of Path
        Other files that were read, for instance a CAN log's message table.
    unsure : dict of str to Channel
        Channels that were guessed and not used, since the guess is not sure enough.
    lags : dict of str to Estimate
        By column of `table` that came after the wheel speeds: by how much [s]; taken out of the table.
    """

    name: str
    path: Path
    table: pd.DataFrame
    note: RunNote
    roles: tuple[str, ...]
    sha256: str
    rows_dropped: int
    repairs: tuple[tuple[str, int], ...] = ()
    channels: Mapping[str, Channel] = field(default_factory=dict)
    beside: tuple[Path, ...] = ()
    unsure: Mapping[str, Channel] = field(default_factory=dict)
    lags: Mapping[str, Estimate] = field(default_factory=dict)

    def has(self, role: str) -> bool:
        """Say whether the log carried the channel of this role itself."""
        return role in self.roles

    @property
    def duration_s(self) -> float:
        """Time from the first sample to the last [s]."""
        time_s = self.table["time_s"]
        return float(time_s.iloc[-1] - time_s.iloc[0])

    @property
    def period_s(self) -> float:
        """Median time between samples [s]."""
        return float(self.table["time_s"].diff().median())

"""Bodies of requests and answers: strict, no unknown keys, no numbers that are not finite."""

import datetime
from typing import Annotated, Any, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, StringConstraints, model_validator

from gridfit.search.budget import DRAWS
from pipelines.service.asking import Wish

CarId = Annotated[str, StringConstraints(pattern=r"^[0-9a-f]{12}$")]
JobId = Annotated[str, StringConstraints(pattern=r"^[0-9a-f]{16}$")]
PairId = Annotated[str, StringConstraints(pattern=r"^[0-9a-f]{16}$")]
RunFile = Annotated[str, StringConstraints(pattern=r"^[a-z0-9-]{1,80}\.[a-z0-9]{2,8}(\.gz)?$")]
Finite = Annotated[float, Field(allow_inf_nan=False)]
Cells = Annotated[list[Finite], Field(min_length=1, max_length=64)]
Line = Annotated[str, StringConstraints(min_length=1, max_length=120, pattern=r"^[^\x00-\x1f\x7f]+$")]
Text = Annotated[str, StringConstraints(max_length=4000, pattern=r"^[^\x00-\x08\x0b-\x1f\x7f]*$")]
# What neither an address nor a file's name would have to escape, but for letters.
PreferenceName = Annotated[str, StringConstraints(pattern=r"^\w([\w .+-]{0,38}\w)?$")]
Preferred = Annotated[
    PreferenceName,
    Field(description="calm, balanced, sharp or the name of a saved one", examples=["balanced"]),
]
Toml = Annotated[str, StringConstraints(min_length=1, max_length=200_000)]


class Given(BaseModel):
    """What a client sends."""

    model_config = ConfigDict(strict=True, extra="forbid")


class SheetIn(Given):
    """A car sheet as text."""

    sheet: Toml = Field(description="The car sheet, TOML 1.0", examples=['[car]\nname = "marten"\n...'])


class ChannelsIn(Given):
    """A channel map as text."""

    channels: Toml | None = Field(description="channels.toml, TOML 1.0; null removes it")


class TargetIn(Given):
    """The target grid."""

    speed_kmh: Cells = Field(description="Breakpoints, increasing [km/h]", examples=[[20.0, 60.0, 120.0]])
    slip_pct: Cells = Field(description="Allowed slip at each [%]", examples=[[25.0, 13.5, 8.0]])


class CutIn(Given):
    """The cut grid."""

    slip_error_pct: Cells = Field(
        description="Breakpoints, increasing [percentage points]", examples=[[0.0, 10.0]]
    )
    gear: Annotated[list[Annotated[int, Field(ge=1, le=10)]], Field(min_length=1, max_length=10)] = Field(
        description="Gears that have a row", examples=[[1, 2]]
    )
    cut_pct: Annotated[list[Cells], Field(min_length=1, max_length=10)] = Field(
        description="Cut, one row per gear [%]", examples=[[[5.0, 31.0], [4.0, 26.0]]]
    )

    @model_validator(mode="after")
    def _rows_fit(self) -> Self:
        """Refuse rows of another length than the breakpoints: they make no table at all."""
        if {len(row) for row in self.cut_pct} != {len(self.slip_error_pct)}:
            raise ValueError(
                f"cut_pct: every row must hold {len(self.slip_error_pct)} values, one per slip error"
            )
        return self


class GridsIn(Given):
    """A grid pair, as grids.json has it."""

    format: Literal["gridfit-grids/1"] = "gridfit-grids/1"
    target: TargetIn
    cut: CutIn


class PairIn(Given):
    """A grid pair to keep."""

    label: Line = Field(description="What to call it", examples=["as delivered"])
    grids: GridsIn


class InForceIn(Given):
    """Which pair is in the car."""

    pair: PairId


class NoteIn(Given):
    """The note of a run."""

    compound: Line = Field(description="Compound of the driven tyres", examples=["soft"])
    date: Annotated[
        str, StringConstraints(pattern=r"^[0-9]{4}-(0[1-9]|1[0-2])-(0[1-9]|[12][0-9]|3[01])$")
    ] = Field(description="Day, year-month-day", examples=["2026-04-11"])
    track: Line = Field(examples=["Sandpiper Loop"])
    track_temp_c: Annotated[float, Field(ge=-30, le=90, allow_inf_nan=False, strict=False)] | None = Field(
        default=None, description="Track surface [deg C]"
    )
    pair: PairId | None = Field(default=None, description="Grid pair that was in the car")
    notes: Text = ""


class JobIn(Given):
    """A job to be done."""

    kind: Literal["propose", "refine", "compare", "inspect", "score"]
    runs: Annotated[list[RunFile], Field(min_length=1, max_length=500)] | None = Field(
        default=None, description="Runs by name; all of the car when left out (score: none)"
    )
    pair: PairId | None = Field(
        default=None, description="Where refine starts, what score scores; else the one in force"
    )
    plant_of: JobId | None = Field(default=None, description="For score: the refine whose plant is used")
    seed: Annotated[int, Field(ge=0, le=2**31 - 1)] = 1
    draws: Annotated[int, Field(ge=4, le=200)] = DRAWS
    preference: Preferred = "balanced"
    budget: Literal["quick", "normal", "long"] = "normal"

    def wish(self) -> Wish:
        """Return the same as plain values."""
        runs = None if self.runs is None else tuple(sorted(set(self.runs)))
        return Wish(
            self.kind, runs, self.pair, self.plant_of, self.seed, self.draws, self.preference, self.budget
        )


class WhatIfIn(Given):
    """A grid pair to play on the standard scenarios."""

    grids: GridsIn
    beside: PairId | None = Field(default=None, description="Pair to hold it against; else the one in force")
    plant_of: JobId | None = Field(
        default=None, description="Refine whose plant is used; else the car sheet's prior"
    )
    preference: Preferred = "balanced"
    scenario: Annotated[int, Field(ge=0, le=999)] = Field(
        default=0, description="Scenario whose course is returned"
    )


class TokenIn(Given):
    """The token."""

    token: Annotated[str, StringConstraints(min_length=1, max_length=200)]


class CarOut(BaseModel):
    """A car."""

    id: CarId
    name: str
    version: int = Field(ge=1)
    created: datetime.datetime
    sheet: str
    channels: str | None
    in_force: PairId | None
    units: Literal["km/h", "mph"]
    stood_in: list[str] = Field(description="Keys that the sheet leaves out")


class RunOut(BaseModel):
    """An upload."""

    name: str
    kind: Literal["run", "table"]
    sha256: str = Field(pattern=r"^[0-9a-f]{64}$")
    size: int = Field(ge=0)
    given: str = Field(description="What the client called it")
    created: datetime.datetime
    note: dict[str, Any] | None


class PairOut(BaseModel):
    """A kept grid pair."""

    id: PairId
    label: str
    origin: str = Field(description="entered, or job: and the job's id")
    created: datetime.datetime
    grids: dict[str, Any]


class JobOut(BaseModel):
    """A job."""

    id: JobId
    car: CarId
    kind: Literal["propose", "refine", "compare", "inspect", "score"]
    state: Literal["queued", "running", "done", "refused", "failed", "cancelled"]
    stage: str
    share: float = Field(ge=0, le=1, description="Done of the stage")
    attempts: int = Field(ge=0)
    created: datetime.datetime
    started: datetime.datetime | None
    ended: datetime.datetime | None
    headline: str | None
    preference: str | None = Field(description="Name under which it was asked for; null where there is none")
    problem: dict[str, Any] | None
    files: list[str] = Field(description="Files of the result; empty until it is done")


class EntryOut(BaseModel):
    """A line of a car's history."""

    at: datetime.datetime
    kind: str
    text: str
    ref: str


class CarList(BaseModel):
    """A page of cars."""

    items: list[CarOut]
    next: str | None = Field(description="Cursor of the next page; null at the end")


class RunList(BaseModel):
    """A page of uploads."""

    items: list[RunOut]
    next: str | None


class PairList(BaseModel):
    """A page of grid pairs."""

    items: list[PairOut]
    next: str | None


class JobList(BaseModel):
    """A page of jobs."""

    items: list[JobOut]
    next: str | None


class HistoryList(BaseModel):
    """A page of a car's history."""

    items: list[EntryOut]
    next: str | None


class Health(BaseModel):
    """Whether the service works."""

    status: Literal["ok"]
    version: str
    token_needed: bool

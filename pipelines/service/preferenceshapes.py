"""Bodies of requests and answers about preferences."""

import datetime
from typing import Annotated, Literal

from pydantic import BaseModel, Field

from gridfit.preferences import Weights
from pipelines.service.shapes import Given, PreferenceName


class PreferenceIn(Given):
    """Weights to save; those left out are taken from a preference, balanced unless told otherwise."""

    based_on: Literal["balanced", "calm", "sharp"] | None = None
    sharpness: Annotated[float, Field(ge=-1, le=1, allow_inf_nan=False)] | None = Field(
        default=None, description="In place of based_on: -1 calm, 0 balanced, 1 sharp", examples=[-0.4]
    )
    weights: Weights = Field(default=Weights(), examples=[{"recovery": 5.0, "lateral": 24.0}])


class WeightsOut(BaseModel):
    """Weights of the score's parts."""

    drive_lost: float
    excess_slip: float
    recovery: float
    reslips: float
    jerk: float
    lateral: float
    tail: float
    cut_swing: float


class PreferenceOut(BaseModel):
    """A preference."""

    name: PreferenceName
    built_in: bool = Field(description="Comes with gridfit, and never changes")
    version: int = Field(ge=1)
    etag: str = Field(description="Tag of this version, for If-Match")
    created: datetime.datetime | None
    changed: datetime.datetime | None
    weights: WeightsOut


class PreferenceList(BaseModel):
    """A page of saved preferences."""

    built_in: list[PreferenceOut] = Field(description="Those that come with gridfit, on every page")
    items: list[PreferenceOut]
    next: str | None

"""Times of day and dates in the cells of a text log, as seconds."""

import re
from typing import Any

import numpy as np
import pandas as pd

from gridfit.signals.rawlog import Floats

DAY_S = 86400.0
_CLOCK = re.compile(r"\d{1,2}:\d\d:\d\d([.,]\d+)?")
_DATE = re.compile(r"\d{4}-\d\d-\d\d[T ]\d\d:\d\d(:\d\d([.,]\d+)?)?(Z|[+-]\d\d:?\d\d)?")


def is_stamp(text: str) -> bool:
    """Say whether a cell holds a time of day (12:34:56.7) or a date with its time in the form of ISO 8601."""
    bare = text.strip()
    return bool(_CLOCK.fullmatch(bare) or _DATE.fullmatch(bare))


def seconds(cells: "pd.Series[Any]") -> Floats:
    """Return the seconds that cells of stamps stand for.

    Parameters
    ----------
    cells : Series of str
        Each a time of day, or each a date with its time; the first that is a stamp says which.

    Returns
    -------
    float64[S]
        Since midnight of the first row's day, or since the first stamp, which a double can hold to the
        nanosecond; NaN where a cell is no stamp.
    """
    text = cells.astype("str").str.strip().str.replace(",", ".")
    first = next((one for one in text if is_stamp(one)), "")
    if _CLOCK.fullmatch(first):
        text = text.where(text.str.fullmatch(_CLOCK.pattern))
        since_midnight = pd.to_timedelta(text, errors="coerce").dt.total_seconds()
        return _past_midnight(np.asarray(since_midnight, dtype=np.float64))
    text = text.where(text.str.fullmatch(_DATE.pattern))
    stamps = pd.to_datetime(text, format="ISO8601", utc=True, errors="coerce")
    return np.asarray((stamps - stamps.min()).dt.total_seconds(), dtype=np.float64)


def _past_midnight(time_s: Floats) -> Floats:
    """Add a day after each midnight, where the time of day falls by more than half a day."""
    known = np.isfinite(time_s)
    step = np.diff(time_s[known], prepend=time_s[known][:1])
    made = time_s.copy()
    made[known] += DAY_S * np.cumsum(step < -0.5 * DAY_S)
    return made

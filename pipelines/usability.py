"""Is a run fit to refine, to compare or to score with: the reason, and what to change before the next test."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
import pandas as pd

from gridfit.errors import DataError, Problem
from gridfit.signals.prepared import Signals
from pipelines.ingest import Ingested
from pipelines.stops import Use, stops_of

Level = Literal["fit", "fit with corrections", "not fit"]

SOME_EPISODES = 3
"""Fewer episodes than this [1] say next to nothing about a gear."""

HARMLESS = ("differential", "fault: kerb", "fault: brake lock", "target known")
"""Failed checks that say how the car was driven or built, not that the log is wrong."""

OF_REFINE = ("channel cut", "cut saturates", "channel gear", "throttle opens")
"""Failed checks that a comparison of grip does not rest on."""


@dataclass(frozen=True, slots=True)
class RunVerdict:
    """Whether a run is fit for a use.

    Parameters
    ----------
    run : str
    use : {"refine", "compare", "score"}
    level : {"fit", "fit with corrections", "not fit"}
    reasons : tuple of str
        Why it is not fit; what was corrected or limits it; empty when it is fit.
    changes : tuple of str
        What to change on car, logger, sheet or note before the next test; one per reason when it is not fit.
    checks : tuple of str
        Names of the failed checks that matter; what they found was corrected, or limits what can be said.
    """

    run: str
    use: Use
    level: Level
    reasons: tuple[str, ...]
    changes: tuple[str, ...]
    checks: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class UseVerdict:
    """Whether logs are fit for a use.

    Parameters
    ----------
    use : {"refine", "compare", "score"}
    level : {"fit", "fit with corrections", "not fit"}
    because : str
        The reason, with numbers.
    runs : tuple of RunVerdict
    """

    use: Use
    level: Level
    because: str
    runs: tuple[RunVerdict, ...]

    @property
    def fit_runs(self) -> tuple[str, ...]:
        """Names of the runs that can be used."""
        return tuple(run.run for run in self.runs if run.level != "not fit")


def judge(logs: Ingested, use: Use) -> UseVerdict:
    """Judge every run, and all of them together, for a use.

    Parameters
    ----------
    logs : Ingested
    use : {"refine", "compare", "score"}

    Returns
    -------
    UseVerdict
    """
    runs = tuple(_of_run(logs, item, use) for item in logs.signals)
    return _together(logs, use, runs)


def usable(logs: Ingested, use: Use) -> Ingested:
    """Leave out the runs that are not fit for a use.

    Parameters
    ----------
    logs : Ingested
    use : {"refine", "compare", "score"}

    Returns
    -------
    Ingested
        Runs and episodes that are left, and what was left out; checks and inputs are those of all runs.

    Raises
    ------
    DataError
        When none is left.
    """
    judged = judge(logs, use)
    kept = judged.fit_runs
    if not kept:
        raise _refusal(judged)
    if len(kept) == len(logs.signals):
        return logs
    episodes = logs.episodes[logs.episodes["run"].isin(kept)].reset_index(drop=True)
    signals = tuple(item for item in logs.signals if item.name in kept)
    return replace(
        logs,
        signals=signals,
        episodes=episodes,
        left_out=tuple(f"Left out. {text}" for text in unfit(judged)),
    )


def _refusal(judged: UseVerdict) -> DataError:
    """Return the refusal of a use for which no run is fit; runs with the same reasons together."""
    groups: dict[tuple[str, str], list[str]] = {}
    for one in judged.runs:
        groups.setdefault(("; ".join(one.reasons), " ".join(_unique(one.changes))), []).append(one.run)
    return DataError(
        Problem(", ".join(runs), f"{'are' if len(runs) > 1 else 'is'} not fit to {judged.use}", "", why, todo)
        for (why, todo), runs in groups.items()
    )


def unfit(*judged: UseVerdict) -> tuple[str, ...]:
    """Return a sentence per reason for which runs are not fit for uses."""
    found: dict[str, tuple[list[str], list[str]]] = {}
    for use in judged:
        for one in use.runs:
            for reason in one.reasons if one.level == "not fit" else ():
                uses, runs = found.setdefault(reason, ([], []))
                uses.append(use.use)
                runs.append(one.run)
    return tuple(
        f"Not fit to {' or to '.join(_unique(uses))}: {', '.join(_unique(runs))}: {reason}."
        for reason, (uses, runs) in found.items()
    )


def serious(findings: pd.DataFrame, run: str, use: Use) -> pd.DataFrame:
    """Return the failed checks of a run that matter for a use, each fault once.

    Parameters
    ----------
    findings : DataFrame
        Of all runs.
    run : str
    use : {"refine", "compare", "score"}
    """
    own = findings[(findings["run"] == run) & ~findings["passed"].astype(bool)]
    skipped = (*HARMLESS, *(OF_REFINE if use == "compare" else ()))
    names = [str(name) for name in own["check"]]
    # The table of faults names the same with times and counts.
    counted = {name.rsplit(", ", 1)[-1] for name in names if name.startswith("fault: ")}
    keep = np.array(
        [
            not name.startswith(skipped)
            and not (name == "holes" and "gaps in the clock" in names)
            and not (
                name.startswith(("stuck: ", "missing: ", "spikes: ", "gaps: ")) and _tail(name) in counted
            )
            for name in names
        ],
        dtype=np.bool_,
    )
    return own[keep]


def _tail(name: str) -> str:
    return name.split(": ", 1)[-1]


def _of_run(logs: Ingested, item: Signals, use: Use) -> RunVerdict:
    stops = stops_of(logs, item, use)
    failed = serious(logs.findings, item.name, use)
    checks = _unique(failed["check"])
    if stops:
        reasons, changes = zip(*stops, strict=True)
        return RunVerdict(item.name, use, "not fit", tuple(reasons), tuple(changes), checks)
    if failed.empty:
        return RunVerdict(item.name, use, "fit", (), (), ())
    reasons = tuple(f"{row.check}: {row.meaning}" for row in failed.itertuples())
    return RunVerdict(item.name, use, "fit with corrections", reasons, _unique(failed["remedy"]), checks)


def _together(logs: Ingested, use: Use, runs: Sequence[RunVerdict]) -> UseVerdict:
    fit = [one for one in runs if one.level != "not fit"]
    count = f"{len(fit)} of {len(runs)} run{'s' if len(runs) != 1 else ''}"
    if not fit:
        # What follows from a reason stands in the verdict of each run.
        reasons = _unique(reason.partition(", so ")[0] for one in runs for reason in one.reasons)
        return UseVerdict(use, "not fit", "; ".join(reasons), tuple(runs))
    short = _too_few(logs, use, {one.run for one in fit})
    if short:
        return UseVerdict(use, "not fit", short, tuple(runs))
    level: Level = "fit" if all(one.level == "fit" for one in fit) else "fit with corrections"
    return UseVerdict(use, level, count, tuple(runs))


def _too_few(logs: Ingested, use: Use, fit: set[str]) -> str:
    """Return what the runs that are fit lack together for a use; empty when they suffice."""
    if use == "compare":
        counts = pd.Series(
            [item.run.note.compound for item in logs.signals if item.name in fit]
        ).value_counts()
        if int((counts >= 2).sum()) >= 2:
            return ""
        driven = " and ".join(f"{number} on {name}" for name, number in counts.items())
        return f"it takes two runs on each of two compounds; these are {driven}"
    known = int((logs.episodes["run"].isin(fit) & (logs.episodes["gear"] > 0)).sum())
    if use == "score" or known >= SOME_EPISODES:
        return ""
    return f"{known} slip episodes in a known gear; at least {SOME_EPISODES} are needed"


def _unique(texts: Iterable[object]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(str(text) for text in texts if text))

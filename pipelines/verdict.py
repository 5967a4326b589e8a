"""Are the logs fit to use: a few questions, each answered yes, partly or no, with the reason."""

from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd

from pipelines.ingest import Ingested
from pipelines.usability import SOME_EPISODES, Level, UseVerdict, judge, serious, unfit

Answer = Literal["yes", "partly", "no"]

ENOUGH_EPISODES = 10
"""Episodes in a gear from which its own response can be told apart from the other gears' [1]."""


WEIGHTY = ("wheel-speed scale", "ratios of the sheet", "final drive of the sheet", "gear agrees")
"""Failed checks that say what controller or car sheet have wrong."""

SAME = (
    ("wheel-speed factor:", "the wheel-speed factor is"),
    ("final drive of the sheet:", "so final drive, tyre size or"),
    ("channel throttle:", "no throttle is logged"),
    ("sampling:", "samples per second"),
    ("brake and throttle together:", "the brake reads on"),
)
"""Failed checks, and words of the reasons that say the same where it rules a run out."""

EPISODES_ASKED = "Are there enough slip episodes?"


@dataclass(frozen=True, slots=True)
class Question:
    """One question about the logs.

    Parameters
    ----------
    asked : str
    answer : {"yes", "partly", "no"}
    because : str
        The reason, with numbers.
    remedy : str
        What to do; empty when the answer is yes.
    """

    asked: str
    answer: Answer
    because: str
    remedy: str = ""


@dataclass(frozen=True, slots=True)
class Verdict:
    """Whether the logs carry a fit, and a comparison.

    Parameters
    ----------
    level : {"fit", "fit with corrections", "not fit"}
        Of the use that the logs are fittest for.
    headline : str
        In two sentences, with numbers.
    uses : tuple of UseVerdict
        To refine and to compare, run by run.
    questions : tuple of Question
        What the verdict stands on.
    changes : tuple of Change
        What to change before the next test, what stands in the way first.
    """

    level: Level
    headline: str
    uses: tuple[UseVerdict, ...]
    questions: tuple[Question, ...]
    changes: tuple["Change", ...]

    @property
    def warnings(self) -> tuple[str, ...]:
        """Which runs are not fit, and why, and what stops a fit; one compound alone is no warning."""
        refine = self.uses[0]
        few = refine.level == "not fit" and refine.fit_runs
        return (*unfit(*self.uses), *((f"Not fit to refine: {refine.because}.",) if few else ()))


@dataclass(frozen=True, slots=True)
class Change:
    """What to change on car, logger, sheet or note before the next test.

    Parameters
    ----------
    todo : str
    because : tuple of str
        Reasons, each with the checks or runs that gave it.
    runs : tuple of str
    stops : bool
        Whether a run cannot be used until it is done.
    """

    todo: str
    because: tuple[str, ...]
    runs: tuple[str, ...]
    stops: bool


def verdict(logs: Ingested) -> Verdict:
    """Judge whether a fit can be made from the logs.

    Parameters
    ----------
    logs : Ingested

    Returns
    -------
    Verdict
    """
    questions = (_episodes(logs), _target(logs), _factor(logs), _gear(logs), _channels(logs), _signals(logs))
    uses = (judge(logs, "refine"), judge(logs, "compare"))
    order: dict[Level, int] = {"fit": 0, "fit with corrections": 1, "not fit": 2}
    level = min((use.level for use in uses), key=lambda each: order[each])
    return Verdict(level, _headline(logs, uses), uses, questions, _changes(logs, uses, questions))


def _headline(logs: Ingested, uses: tuple[UseVerdict, ...]) -> str:
    total, runs = len(logs.episodes), len(logs.signals)
    good = [str(gear) for gear, count in _per_gear(logs).items() if count >= ENOUGH_EPISODES]
    gears = f", {ENOUGH_EPISODES} or more in gear {', '.join(good)}" if good else ""
    said = [f"To {use.use}: {use.level} ({use.because})." for use in uses]
    if uses[0].level == uses[1].level and uses[0].because == uses[1].because:
        said = [f"To refine and to compare: {uses[0].level} ({uses[0].because})."]
    return f"{total} slip episodes in {runs} run{'s' if runs != 1 else ''}{gears}. {' '.join(said)}"


def _changes(
    logs: Ingested, uses: tuple[UseVerdict, ...], questions: tuple[Question, ...]
) -> tuple[Change, ...]:
    """Gather what to change, each once, with its reasons and runs; what rules runs out comes first."""
    rows: dict[str, list[tuple[str, str, bool]]] = {}
    for use in uses:
        for one in use.runs:
            for reason, change in (
                zip(one.reasons, one.changes, strict=False) if one.level == "not fit" else ()
            ):
                rows.setdefault(change, []).append((reason, one.run, True))
    for question in questions:
        if question.asked == EPISODES_ASKED and question.remedy:
            rows.setdefault(question.remedy, []).append((question.because, "", question.answer == "no"))
    stopped = {reason for use in uses for one in use.runs if one.level == "not fit" for reason in one.reasons}
    for todo, reason, run in _by_check(logs):
        if not any(
            reason.startswith(check) and any(word in stop for stop in stopped) for check, word in SAME
        ):
            rows.setdefault(todo, []).append((reason, run, False))
    made = [
        Change(
            todo,
            tuple(dict.fromkeys(reason for reason, _, _ in group)),
            tuple(dict.fromkeys(run for _, run, _ in group if run)),
            any(stops for _, _, stops in group),
        )
        for todo, group in rows.items()
        if todo
    ]
    return tuple(sorted(made, key=_rank))


def _rank(change: Change) -> int:
    """Put what rules runs out first, then what the controller and the sheet have wrong, then the rest."""
    if change.stops:
        return 0
    return 1 if any(reason.startswith(WEIGHTY) for reason in change.because) else 2


def _by_check(logs: Ingested) -> list[tuple[str, str, str]]:
    """Return (what to do, why, run) of every failed check; of several runs the worst one words both."""
    failed = pd.concat([serious(logs.findings, item.name, "refine") for item in logs.signals])
    found = []
    for check, group in failed.groupby("check", sort=False):
        distance = (group["value"] - group["threshold"]).abs().to_numpy(dtype=np.float64)
        worst = group.iloc[int(np.argmax(np.nan_to_num(distance, nan=np.inf)))]
        found += [(str(worst["remedy"]), f"{check}: {worst['meaning']}", str(run)) for run in group["run"]]
    return found


def _per_gear(logs: Ingested) -> dict[int, int]:
    counts = logs.episodes.loc[logs.episodes["gear"] > 0, "gear"].value_counts().sort_index()
    return {int(gear): int(count) for gear, count in counts.items()}  # type: ignore[call-overload]


def _episodes(logs: Ingested) -> Question:
    asked = EPISODES_ASKED
    counts = _per_gear(logs)
    text = ", ".join(f"gear {gear}: {count}" for gear, count in counts.items()) or "none in a known gear"
    remedy = (
        f"Drive roll-ons and throttle stabs in the gears that slip until each has {ENOUGH_EPISODES} episodes."
    )
    if max(counts.values(), default=0) < SOME_EPISODES:
        return Question(asked, "no", text, remedy)
    thin = [str(gear) for gear, count in counts.items() if count < ENOUGH_EPISODES]
    if thin:
        return Question(asked, "partly", f"{text}; few in gear {', '.join(thin)}", remedy)
    return Question(asked, "yes", text)


def _target(logs: Ingested) -> Question:
    asked = "Is the target in force known?"
    unknown = [item.name for item in logs.signals if not np.isfinite(item.table["target_pct"]).any()]
    if not unknown:
        return Question(asked, "yes", "from the log or from the grid pair in force, in every run")
    answer: Answer = "no" if len(unknown) == len(logs.signals) else "partly"
    remedy = 'Write grids = "FILE.json" into the run\'s note, pass --grids, or log the slip target.'
    return Question(asked, answer, f"not in {', '.join(unknown)}: slip error is unknown there", remedy)


def _factor(logs: Ingested) -> Question:
    asked = "Do the wheel speeds of both axles agree when rolling?"
    failed = _failed(logs, "wheel-speed factor") + _failed(logs, "factor between runs")
    factors = [item.factor.mean for item in logs.signals]
    text = f"driven over undriven {_range(min(factors), max(factors), 4)}, and corrected by that"
    if not failed:
        return Question(asked, "yes", text)
    return Question(
        asked, "partly", f"{text}; not told well in {', '.join(sorted(set(failed)))}", _remedy(logs, failed)
    )


def _remedy(logs: Ingested, runs: list[str]) -> str:
    rows = logs.findings[~logs.findings["passed"] & logs.findings["run"].isin(runs)]
    rows = rows[rows["check"].isin(["wheel-speed factor", "factor between runs"])]
    return " ".join(dict.fromkeys(str(text) for text in rows["remedy"]))


def _gear(logs: Ingested) -> Question:
    asked = "Is the gear known?"
    moving = [(item.table["v_u_mps"] > 5.0) & np.isfinite(item.table["v_u_mps"]) for item in logs.signals]
    shares = [
        float((item.table.loc[mask, "gear"] > 0).mean()) if mask.any() else 0.0
        for item, mask in zip(logs.signals, moving, strict=True)
    ]
    logged = all(item.run.has("gear") for item in logs.signals)
    how = "logged" if logged else "found from engine speed and ratios where it is not logged"
    text = f"{how}; known in {_range(100 * min(shares), 100 * max(shares), 0)} % of driving"
    remedy = "Log the gear, or engine speed with correct ratios and final drive in the car sheet."
    if min(shares) >= 0.8:
        return Question(asked, "yes", text)
    return Question(asked, "no" if max(shares) < 0.2 else "partly", text, remedy)


def _channels(logs: Ingested) -> Question:
    asked = "Are the channels there?"
    lacking: dict[str, list[str]] = {}
    for role in ("throttle", "rpm", "gear", "brake", "cut", "lateral_acc"):
        runs = [item.name for item in logs.signals if not item.run.has(role)]
        if runs:
            lacking[role] = runs
    if not lacking:
        return Question(asked, "yes", "throttle, rpm, gear, brake, cut and lateral acceleration in every run")
    text = "; ".join(
        f"no {role} in {'any run' if len(runs) == len(logs.signals) else ', '.join(runs)}"
        for role, runs in lacking.items()
    )
    remedy = "What each missing channel costs stands in the checks below."
    none = len(lacking.get("throttle", ())) == len(logs.signals)
    return Question(asked, "no" if none else "partly", text, remedy)


def _signals(logs: Ingested) -> Question:
    asked = "Are clock and sensors sound?"
    shares = [1.0 - float(item.table["valid"].mean()) for item in logs.signals]
    failed = logs.findings[~logs.findings["passed"]]
    failures = f"{len(failed) or 'no'} check{'' if len(failed) == 1 else 's'} failed"
    text = f"{100 * max(shares):.1f} % of samples unusable in the worst run, {failures}"
    if max(shares) < 0.02:
        return Question(asked, "yes", text)
    remedy = "See the failed checks below; look at plugs, air gaps and the logger first."
    return Question(asked, "no" if min(shares) > 0.5 else "partly", text, remedy)


def _range(low: float, high: float, decimals: int) -> str:
    ends = dict.fromkeys(f"{value:.{decimals}f}" for value in (low, high))
    return " to ".join(ends)


def _failed(logs: Ingested, check: str) -> list[str]:
    rows = logs.findings[(logs.findings["check"] == check) & ~logs.findings["passed"]]
    return [str(run) for run in rows["run"]]

"""Are the logs fit to use: a few questions, each answered yes, partly or no, with the reason."""

from dataclasses import dataclass
from typing import Literal

import numpy as np

from pipelines.ingest import Ingested

Answer = Literal["yes", "partly", "no"]

ENOUGH_EPISODES = 10
"""Episodes in a gear from which its own response can be told apart from the other gears' [1]."""

SOME_EPISODES = 3
"""Fewer than this [1] say next to nothing about a gear."""


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
    """Whether the logs carry a fit.

    Parameters
    ----------
    answer : {"yes", "partly", "no"}
        The worst answer of the questions that decide.
    headline : str
        In a sentence, with numbers.
    questions : tuple of Question
    """

    answer: Answer
    headline: str
    questions: tuple[Question, ...]


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
    order: dict[Answer, int] = {"yes": 0, "partly": 1, "no": 2}
    worst = max((question.answer for question in questions), key=lambda answer: order[answer])
    total, runs = len(logs.episodes), len(logs.signals)
    words = {
        "yes": "The logs are fit to use",
        "partly": "The logs can be used, with limits",
        "no": "The logs are not fit to use as they are",
    }[worst]
    good = [str(gear) for gear, count in _per_gear(logs).items() if count >= ENOUGH_EPISODES]
    gears = f", {ENOUGH_EPISODES} or more in gear {', '.join(good)}" if good else ""
    headline = f"{words}: {total} slip episodes in {runs} run{'s' if runs != 1 else ''}{gears}."
    return Verdict(worst, headline, questions)


def _per_gear(logs: Ingested) -> dict[int, int]:
    counts = logs.episodes.loc[logs.episodes["gear"] > 0, "gear"].value_counts().sort_index()
    return {int(gear): int(count) for gear, count in counts.items()}  # type: ignore[call-overload]


def _episodes(logs: Ingested) -> Question:
    asked = "Are there enough slip episodes?"
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
    for role in ("rpm", "gear", "brake", "cut", "lateral_acc"):
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
    return Question(asked, "partly", text, remedy)


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

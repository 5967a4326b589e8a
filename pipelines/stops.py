"""What makes a run unfit to refine, to compare or to score with: each a reason and what to change."""

from typing import Literal

import numpy as np

from gridfit.signals.gearing import RADIUS_DOUBT
from gridfit.signals.prepared import Signals
from pipelines.ingest import Ingested

Use = Literal["refine", "compare", "score"]

SLOWEST_STEP_S = 0.08
"""Time between samples from which on a slip of 40 ms can fall between two of them [s]."""

FACTOR_HALF_WIDTH = 0.01
"""Half width of the factor's interval that is a point of slip: half of the band that counts as on target [1]."""

UNUSABLE_SHARE = 0.5
"""Share of samples without axle speeds from which on a run shows too little [1]; chosen."""

WRONG_GEAR_SHARE = 0.5
"""Share of samples on the logged gear's ratio below which the logged gear is not believed [1]; chosen."""

UNKNOWN_COMPOUND = "unknown"
"""Compound of a run without a note."""


def stops_of(logs: Ingested, item: Signals, use: Use) -> list[tuple[str, str]]:
    """Return (reason, what to change) of everything that rules a run out.

    Parameters
    ----------
    logs : Ingested
    item : Signals
        The run.
    use : {"refine", "compare", "score"}
    """
    found = [
        *_channels(item),
        *_sensors(item),
        *_factor(item, use),
        *_ratios(logs, item, use),
        *_gear(logs, item, use),
    ]
    if not found and use != "score":
        found += _episodes(logs, item)
    if use == "compare" and item.run.note.compound == UNKNOWN_COMPOUND:
        found.append(
            ("no note names its compound", f'Write {item.name}.toml beside the log with compound = "...".')
        )
    return found


def _channels(item: Signals) -> list[tuple[str, str]]:
    found = []
    if not item.run.has("throttle"):
        maybe = item.run.unsure.get("throttle")
        change = (
            f"Column '{maybe.column}' may be the throttle ({maybe.reason}): confirm or correct its line in the "
            "channels.toml that gridfit inspect proposes, and put that beside the log."
            if maybe
            else "Log the throttle (pedal or plate), at the rate of the wheel speeds."
        )
        found.append(
            ("no throttle is logged, so no slip episode can be told from braking or coasting", change)
        )
    if not np.isfinite(item.table["target_pct"].to_numpy(dtype=np.float64)).any():
        found.append(
            (
                "the target in force is not known, so slip error and episodes are not either",
                'Write grids = "FILE.json" into the run\'s note, pass --grids, or log the slip target.',
            )
        )
    return found


def _sensors(item: Signals) -> list[tuple[str, str]]:
    found = []
    share = 1.0 - float(item.table["valid"].mean())
    if share > UNUSABLE_SHARE:
        found.append(
            (
                f"the speed of an axle is unknown in {100 * share:.0f} % of the samples",
                "Mend wheel-speed sensor, plug or ring before anything else; timeline and faults.csv say where.",
            )
        )
    if item.step_s > SLOWEST_STEP_S:
        found.append(
            (
                f"{1.0 / item.step_s:.0f} samples per second; a slip of 40 ms falls between two",
                "Log wheel speeds, throttle and engine speed at 50 Hz or faster.",
            )
        )
    return found


def _factor(item: Signals, use: Use) -> list[tuple[str, str]]:
    half = 0.5 * (item.factor.hi - item.factor.lo)
    if use == "compare" or half <= FACTOR_HALF_WIDTH:
        return []
    return [
        (
            f"the wheel-speed factor is {item.factor}: slip is known no better than to {100 * half:.1f} points",
            "Log a minute of steady driving on a straight at several speeds, throttle light, no brake.",
        )
    ]


def _ratios(logs: Ingested, item: Signals, use: Use) -> list[tuple[str, str]]:
    """Stop a fit of forces on a sheet whose ratios, tyre or speeds are far off; a comparison's two sides share it."""
    rows = logs.findings[
        (logs.findings["run"] == item.name) & (logs.findings["check"] == "final drive of the sheet")
    ]
    if rows.empty or use != "refine" or not float(rows["value"].iloc[0]) > RADIUS_DOUBT:
        return []
    return [(str(rows["meaning"].iloc[0]), str(rows["remedy"].iloc[0]))]


def _gear(logs: Ingested, item: Signals, use: Use) -> list[tuple[str, str]]:
    rows = logs.findings[
        (logs.findings["run"] == item.name) & (logs.findings["check"] == "gear agrees with engine speed")
    ]
    if rows.empty or use == "compare" or float(rows["value"].iloc[0]) >= WRONG_GEAR_SHARE:
        return []
    row = rows.iloc[0]
    return [(f"{row['meaning']} ({100 * row['value']:.0f} % of samples on it)", str(row["remedy"]))]


def _episodes(logs: Ingested, item: Signals) -> list[tuple[str, str]]:
    own = logs.episodes[logs.episodes["run"] == item.name]
    if (own["gear"] > 0).any():
        return []
    if len(own):
        return [
            (
                f"{len(own)} slip episodes, none in a known gear",
                "Log the gear, or engine speed with correct ratios in the sheet.",
            )
        ]
    pedals = logs.findings[
        (logs.findings["run"] == item.name) & (logs.findings["check"] == "brake and throttle together")
    ]
    if len(pedals) and not bool(pedals["passed"].iloc[0]):
        return [(str(pedals["meaning"].iloc[0]), str(pedals["remedy"].iloc[0]))]
    return [
        (
            "no slip episode: it shows nothing of how slip begins and ends",
            "Drive roll-ons and throttle stabs that slip, in each gear that can.",
        )
    ]

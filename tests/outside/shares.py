"""Logs with part of their episodes, and what a fit tells of them against the truth of the car."""

import dataclasses

import numpy as np

from gridfit.simulate.plantfiles import to_document

BEFORE_S, AFTER_S = 0.2, 0.5
"""Surroundings of an episode that go with it [s]; wider than what the fit counts as the episode's own."""
ENOUGH = 10
"""A gear is judged when the whole logs hold so many episodes in it."""


def thinned(signals, episodes, share, rng):
    """Signals and episodes with a share of the episodes, drawn at random; the others' samples are marked invalid.

    Driving without slip stays as it is.
    """
    count = max(1, round(share * len(episodes)))
    chosen = np.zeros(len(episodes), dtype=bool)
    chosen[rng.permutation(len(episodes))[:count]] = True
    dropped, left = episodes[~chosen], []
    for one in signals:
        table = one.table.copy()
        time, valid = table["time_s"].to_numpy(), table["valid"].to_numpy().copy()
        for start, end in dropped.loc[dropped["run"] == one.run.name, ["start_s", "end_s"]].to_numpy(float):
            valid[(time >= start - BEFORE_S) & (time <= end + AFTER_S)] = False
        table["valid"] = valid
        left.append(dataclasses.replace(one, table=table))
    return left, episodes[chosen].reset_index(drop=True)


def judged_gears(truth, episodes):
    """Gears whose true response is asked for: those with enough episodes in the whole logs."""
    counts = episodes["gear"].value_counts()
    return [g for g in sorted(int(k) for k in truth["gears"]) if counts.get(g, 0) >= ENOUGH]


def told(sheet, plant, truth, gears):
    """What a plant tells beside the truth: list of (quantity, unit, error, half the 90 % interval, inside).

    Errors and widths in % of the truth, in points of slip, or in ms.
    """
    document, rows = to_document(sheet, plant), []

    def add(quantity, unit, estimate, true):
        scale = {"%": 100.0 / abs(true), "points": 1.0, "ms": 1000.0}[unit]
        half = 0.5 * (estimate["hi"] - estimate["lo"])
        inside = estimate["lo"] <= true <= estimate["hi"]
        # a gain is negative: more of it than is true counts as a positive error
        error = (estimate["mean"] - true) * np.sign(true)
        rows.append((quantity, unit, scale * error, scale * half, inside))

    for tyre in document["tyres"]:
        true = truth["compounds"].get(tyre["compound"])
        if true is not None:
            add("peak friction", "%", tyre["peak_mu"], true["mu_peak_as_run"])
            add("slip at peak", "points", tyre["peak_slip_pct"], true["slip_peak_pct"])
    for gear in document["gears"]:
        if gear["gear"] in gears:
            true = truth["gears"][str(gear["gear"])]
            add(
                f"cut gain {gear['gear']}",
                "%",
                gear["cut_gain_kmhps_per_pct"],
                true["gain_free_wheel_kmhs_per_pct"],
            )
            add(f"dead time {gear['gear']}", "ms", gear["dead_time_s"], true["dead_time_from_command_s"])
    return rows

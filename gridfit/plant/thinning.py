"""Fewer windows for the car's shared parameters, where a season has more than a fit needs.

What all runs share (torque, inertia, the cut, the curve's shape) is known well from some hundred windows; each run's
own figures are then read from all of its windows (`gridfit.plant.runtyre`). Windows are dropped evenly from each run,
gear and kind (episode or quiet driving), so that nothing that was driven drops out.
"""

from dataclasses import replace

import numpy as np

from gridfit.plant.predictions import subset
from gridfit.plant.windows import Windows

MOST_WINDOWS = 240
"""Windows beyond which the shared fit takes fewer: about ten seconds of fit; more narrow no shared parameter much."""
SAMPLES = ("time", "throttle", "cut", "driven", "undriven", "engine", "used", "engine_used")
"""Fields of `Windows` that have a row per sample."""
MOST_RUNS = 8
"""Runs beyond which those of a compound share one grip in the shared fit [1]."""


def compact(windows: Windows) -> Windows:
    """Return the windows with the samples that they read, run-up included, and no others.

    Predictions are the same to the last bit; a season's samples between the windows would be most of the memory and of
    the time, since every parameter set has its own row of predicted samples.
    """
    begin, end = windows.bounds[:, 0], windows.bounds[:, 3]
    length = end - begin
    first = np.concatenate([[0], np.cumsum(length)[:-1]])
    take = np.repeat(begin - first, length) + np.arange(int(length.sum()))
    samples = {name: getattr(windows, name)[take] for name in SAMPLES}
    return replace(windows, bounds=windows.bounds + (first - begin)[:, None], **samples)


def pooled(windows: Windows) -> Windows:
    """Return the windows with the runs of each compound taken for one: what runs have of their own is then read later.

    A season's runs would each add a parameter to the shared fit; there a window's own grip takes it up.
    """
    return replace(windows, run=windows.compound.copy(), runs=windows.compounds)


def thin(windows: Windows, most: int = MOST_WINDOWS) -> Windows:
    """Return at most about so many windows, evenly from each run, gear and kind.

    Parameters
    ----------
    windows : Windows
        All of them.
    most : int
        How many to keep [1]; a group keeps one at least.

    Returns
    -------
    Windows
        The same object when there are no more than that.
    """
    total = len(windows)
    if total <= most:
        return windows
    groups: dict[tuple[int, int, bool], list[int]] = {}
    for at in range(total):
        groups.setdefault(
            (int(windows.run[at]), int(windows.gear[at]), bool(windows.episode[at] >= 0)), []
        ).append(at)
    chosen: list[int] = []
    for group in groups.values():
        count = max(1, round(len(group) * most / total))
        chosen += [group[int(place)] for place in np.linspace(0, len(group) - 1, count).round()]
    return subset(windows, np.array(sorted(chosen), dtype=np.int64))

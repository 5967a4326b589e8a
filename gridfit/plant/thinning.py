"""Fewer windows for the car's shared parameters, where a season has more than a fit needs.

What all runs share (torque, inertia, the cut, the curve's shape) is known well from some hundred windows; each run's
own figures are then read from all of its windows (`gridfit.plant.runtyre`). Windows are dropped evenly from each run,
gear and kind (episode or quiet driving), so that nothing that was driven drops out.
"""

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from gridfit.plant.windows import Windows

MOST_WINDOWS = 450
"""Windows beyond which the shared fit takes fewer: about ten seconds of fit; more narrow no shared parameter much."""
MOST_RUNS = 8
"""Runs beyond which those of a compound share one grip in the shared fit [1]."""
PER_WINDOW = ("bounds", "gear", "run", "compound", "episode", "lateral", "noise")
"""Fields of `Windows` that have a row per window."""


def select(windows: Windows, chosen: NDArray[np.bool_]) -> Windows:
    """Return some of the windows: chosen[W]; runs and compounds keep their numbers."""
    return replace(windows, **{name: getattr(windows, name)[chosen] for name in PER_WINDOW})


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
    chosen = np.zeros(total, dtype=np.bool_)
    for group in groups.values():
        count = max(1, round(len(group) * most / total))
        chosen[[group[int(place)] for place in np.linspace(0, len(group) - 1, count).round()]] = True
    return select(windows, chosen)

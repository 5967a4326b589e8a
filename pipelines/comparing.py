"""What the comparisons are asked, of compounds and of grid pairs alike."""

from dataclasses import dataclass

from gridfit.search.budget import DRAWS
from pipelines.delivery import Delivery
from pipelines.ingest import Source
from pipelines.progress import Progress, silent


@dataclass(frozen=True, slots=True)
class CompareRequest:
    """What compare is asked.

    Parameters
    ----------
    source : Source
        Car sheet and runs; each run's note names its compound.
    delivery : Delivery
    seed : int
    draws : int
        Draws of the fitted plant.
    progress : Progress
    """

    source: Source
    delivery: Delivery
    seed: int = 1
    draws: int = DRAWS
    progress: Progress = silent

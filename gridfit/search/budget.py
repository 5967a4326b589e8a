"""How much a search may try."""

import math
from dataclasses import dataclass, replace

DRAWS = 128
"""Draws of the plant to search and judge on unless told otherwise: with 24 a search tunes to the draws it saw."""

SAMPLER = "cmaes"
"""Sampler of a search unless told otherwise, a name of `samplers.SAMPLERS`; it won the measurement."""

MOST_MORE = 4
"""Most times as many starts, polished pairs and passes for a plant of few draws."""

FEW = 4
"""A plant is one of few draws where the search's are so many times as many."""

LOGS_TIMES, MEETS_TIMES = 6, 4
"""Times as many catalogues, and scenarios that a draw meets in polish and jury, where the plant was fitted."""

USUAL_GEARS = 2
"""Gears that break traction on a usual car: up to so many the draws of a budget are as they stand."""

LEAST_SHARE, LEAST_FINAL = 0.5, 2.0 / 3.0
"""Least share of the draws that is left for more gears, while searching and for the verdict [1]."""


@dataclass(frozen=True, slots=True)
class Budget:
    """How much a search may try. The same budget and seed give the same grids.

    Parameters
    ----------
    population : int
        Points per call of a study.
    rounds : int
        Rounds of gear by gear and target; the first one screens.
    starts : int
        Starts of the first round, the best of a scan; without rounds the known pairs are all there is.
    trials_per_gear, trials_target : int
        Trials of each study in a round.
    together : bool
        Whether studies of everything at once come after the rounds; with logs.
    joint_starts : int
        So many of them, from the best so far; then one nearer, from the best of them.
    joint_trials, joint_population : int
        Trials of each and points per call.
    joint_reach : float
        Half-width of their bounds in the cube [1].
    front_trials : int
        Trials of each of the two studies that lean to a sharper and to a calmer pair, for the front.
    front_pairs : int
        Pairs played in full for the front.
    screen_draws, search_draws, polish_draws, final_draws : int
        Draws of the plant in the first round, after it, for the polish, and for the verdict.
    catalogues : int
        Catalogues of scenarios to search on, the one of the verdict among them: a pair that is tuned to
        one set of 28 scenarios does worse on the next.
    per_gear, polish_per_gear : int
        Scenarios of a gear that each draw meets while searching, and in the polish; the verdict plays everything.
    jury_draws, jury_per_gear : int
        Draws, and the same, when the proposal is chosen among a few pairs.
    polish_starts, polish_passes : int
        Pairs of the rounds that are polished beside the one of the least mean cost among those known, the cheapest
        first, and passes of the polish.
    wide : bool
        Whether the polish moves far; see `polish`.
    soft : bool
        Search on the smooth twins of the parts that jump; the verdict never does.
    seconds : float or None
        Ends studies early by the clock; None (never) keeps the search repeatable.
    sampler : str
        A name of `samplers.SAMPLERS`.
    """

    population: int = 8
    rounds: int = 3
    starts: int = 2
    trials_per_gear: int = 32
    trials_target: int = 32
    together: bool = False
    joint_starts: int = 2
    joint_trials: int = 480
    joint_population: int = 16
    joint_reach: float = 0.3
    front_trials: int = 16
    front_pairs: int = 10
    screen_draws: int = 32
    search_draws: int = 64
    polish_draws: int = 128
    final_draws: int = 48
    catalogues: int = 4
    per_gear: int = 4
    polish_per_gear: int = 4
    jury_draws: int = DRAWS
    jury_per_gear: int = 8
    polish_starts: int = 1
    polish_passes: int = 2
    wide: bool = False
    soft: bool = True
    seconds: float | None = None
    sampler: str = SAMPLER

    def for_draws(self, n_draws: int) -> "Budget":
        """Return the budget with more of all where the plant has so few draws that each pair is cheap to judge."""
        more = min(MOST_MORE, max(1, self.search_draws // (FEW * n_draws)))
        return replace(
            self,
            trials_per_gear=min(2, more) * self.trials_per_gear,
            trials_target=min(2, more) * self.trials_target,
            starts=more * self.starts,
            polish_starts=more * self.polish_starts,
            polish_passes=more * self.polish_passes,
            wide=self.wide or more > 1,
        )

    def for_logs(self) -> "Budget":
        """Return the budget for a fitted plant, whose draws are much alike.

        It meets more scenarios, and after one round everything moves at once.
        """
        return replace(
            self,
            rounds=min(1, self.rounds),
            together=self.rounds > 0,
            catalogues=LOGS_TIMES * self.catalogues,
            polish_per_gear=MEETS_TIMES * self.polish_per_gear,
            jury_per_gear=MEETS_TIMES * self.jury_per_gear,
        )

    def for_gears(self, count: int) -> "Budget":
        """Return the budget with fewer draws where so many gears break traction that each draw meets more episodes."""
        share = min(1.0, max(LEAST_SHARE, USUAL_GEARS / count))
        return replace(
            self,
            search_draws=math.ceil(share * self.search_draws),
            polish_draws=math.ceil(share * self.polish_draws),
            jury_draws=math.ceil(share * self.jury_draws),
            final_draws=math.ceil(max(share, LEAST_FINAL) * self.final_draws),
        )

    def reach(self, round_: int) -> float:
        """Half-width of a study's bounds in a round: wide first, narrower later [1]."""
        return max(0.2, 0.5 * 0.8**round_)

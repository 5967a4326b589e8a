"""How much a search may try."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Budget:
    """How much a search may try. The same budget and seed give the same grids.

    Parameters
    ----------
    population : int
        Points per call of a study.
    rounds : int
        Rounds of gear by gear and target; the first one screens.
    trials_per_gear, trials_target : int
        Trials of each study in a round.
    joint_trials, joint_population : int
        Trials and points per call of the study of everything at once.
    joint_reach : float
        Half-width of its bounds in the cube [1].
    front_trials : int
        Trials of each of the two studies that lean to a sharper and to a calmer pair, for the front.
    front_pairs : int
        Pairs played in full for the front.
    screen_draws, search_draws, final_draws : int
        Draws of the plant in the first round, after it, and for the verdict.
    screen_every : int
        The first round plays every n-th scenario of a gear.
    polish_passes : int
        Passes of the polish.
    seconds : float or None
        Ends studies early by the clock; None (never) keeps the search repeatable.
    """

    population: int = 12
    rounds: int = 3
    trials_per_gear: int = 60
    trials_target: int = 48
    joint_trials: int = 320
    joint_population: int = 16
    joint_reach: float = 0.25
    front_trials: int = 48
    front_pairs: int = 24
    screen_draws: int = 4
    search_draws: int = 8
    final_draws: int = 24
    screen_every: int = 2
    polish_passes: int = 3
    seconds: float | None = None

    def reach(self, round_: int) -> float:
        """Half-width of a study's bounds in a round: wide first, narrower later [1]."""
        return max(0.2, 0.5 * 0.7**round_)

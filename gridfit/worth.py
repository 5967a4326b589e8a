"""What a difference of compounds is worth in the standard scenarios, under each one's own best grids and a common pair.

Each compound is the car's fitted plant on its own tyre: peak friction and slip at the peak as the run-level model has
them, with that model's uncertainty, and its own rolling radius. All compounds meet the same scenarios and the same
draws of the car, so that differences are of the tyre alone. The common pair is, of all pairs at hand (each
compound's best and those in force), the one that costs least over all compounds.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from gridfit.carsheet import CarSheet
from gridfit.comparison import Comparison, Effects
from gridfit.estimate import Estimate
from gridfit.exitspeed import STEP_S, speeds_kmh
from gridfit.grids import GridPair
from gridfit.recovery import PART_INDEX, Preference, episode_cost, pair_cost
from gridfit.runfigures import by_key
from gridfit.search.budget import Budget
from gridfit.search.study import search
from gridfit.simulate.batch import Simulator
from gridfit.simulate.parameters import INDEX, Plant
from gridfit.simulate.scenarios import catalogue

Floats = NDArray[np.float64]
Progress = Callable[[str, float], None]

BUDGET = Budget(
    rounds=1, starts=1, trials_per_gear=16, trials_target=16, front_trials=8, front_pairs=1, screen_draws=16,
    search_draws=16, final_draws=24, catalogues=1, polish_passes=1,
)  # fmt: skip
"""Search for each compound's own best pair: about an eighth of refine's."""
DRAWS = 48
"""Draws of the plant behind the figures."""
OWN, COMMON = "own best", "common"
UNDER = (OWN, COMMON)
"""Which grids a figure is under."""
FIGURES = ("exit_speed_kmh", "drive_lost_kmh", "recovery_s", "cost")
"""What a difference is told in: each a difference of b less a."""
LEAST_DF = 3.0
"""Draws of the compounds' grip have no heavier tails than those of a t distribution with so many degrees of freedom."""


@dataclass(frozen=True, slots=True)
class Worth:
    """What one pair of compounds differs by.

    Attributes
    ----------
    a, b : str
        The compounds.
    under : str
        `OWN` or `COMMON`.
    differences : dict of str to Estimate
        b less a, mean over the scenarios: exit speed [km/h] (speed at the end of the shorter of both windows), drive
        lost [km/h], recovery [s], cost [1].
    """

    a: str
    b: str
    under: str
    differences: dict[str, Estimate]

    def to_dict(self) -> dict[str, object]:
        """Return it as plain values for JSON."""
        return {"under": self.under, **{key: value.to_dict() for key, value in self.differences.items()}}


@dataclass(frozen=True, slots=True)
class WorthResult:
    """What all compounds are worth.

    Attributes
    ----------
    pairs : tuple of Worth
        Two per pair of compounds: under their own best grids, and under the common pair.
    levels : dict of (str, str) to dict of str to Estimate
        By compound and grids: drive lost, recovery, cost.
    own : dict of str to GridPair
        Best pair found for each compound.
    common : GridPair
    common_is : str
        Where the common pair comes from.
    scenarios : int
        How many the means are over.
    """

    pairs: tuple[Worth, ...]
    levels: dict[tuple[str, str], dict[str, Estimate]]
    own: dict[str, GridPair]
    common: GridPair
    common_is: str
    scenarios: int

    def of(self, a: str, b: str, under: str) -> Worth:
        """Return one of the pairs."""
        return next(one for one in self.pairs if (one.a, one.b, one.under) == (a, b, under))


def compound_plants(
    plant: Plant, comparison: Comparison, radius_ratio: Mapping[str, float], rng: np.random.Generator
) -> dict[str, Plant]:
    """Return the plant on each compound as the run-level model has it.

    Parameters
    ----------
    plant : Plant
        Draws of the fit; it knows all compounds.
    comparison : Comparison
    radius_ratio : mapping of str to float
        Rolling radius of each compound over the mean of all [1].
    rng : numpy.random.Generator
        Draws what the run-level model leaves open.

    Returns
    -------
    dict of str to Plant
        Same draws of the car; peak friction, slip at the peak and rolling radius are the compound's.
    """
    effects = comparison.effects
    names, count = effects.names, len(plant)
    level = np.log(np.stack([plant.on_compound(name).column("mu_peak") for name in names], axis=1)).mean(
        axis=1
    )
    grip = level[:, None] + _centred(effects, count, rng)
    slips = by_key(comparison.figures).get("peak_slip_pct")
    found = {}
    for k, name in enumerate(names):
        draws = plant.draws.copy()
        draws[:, INDEX["mu_peak"]] = np.exp(grip[:, k])
        if slips is None or name not in slips.levels:
            draws[:, INDEX["slip_peak"]] = plant.on_compound(name).column("slip_peak")
        else:
            one = slips.levels[name]
            spread = np.log(one.hi / one.lo) / 3.29 * rng.standard_normal(count)
            # the draws' own spread is what all runs share: the tyre law and the car
            shared = np.log(plant.column("slip_peak")) - np.log(plant.column("slip_peak")).mean()
            draws[:, INDEX["slip_peak"]] = one.mean / 100.0 * np.exp(shared + spread)
        draws[:, INDEX["rolling_radius_m"]] *= radius_ratio.get(name, 1.0)
        draws[:, INDEX["driven_factor"]] /= radius_ratio.get(name, 1.0)
        ones = np.ones((count, 1))
        found[name] = Plant(draws, plant.origin, (name,), ones, ones.copy(), plant.episodes)
    return found


def _centred(effects: Effects, count: int, rng: np.random.Generator) -> Floats:
    """Draws of the compounds' log grip about their common mean: float64[D, K]."""
    size = len(effects.names)
    centre = np.eye(size) - 1.0 / size
    values, vectors = np.linalg.eigh(centre @ effects.covariance @ centre)
    root = vectors * np.sqrt(np.maximum(values, 0.0))
    df = max(effects.df, LEAST_DF)
    tail = np.sqrt(df / rng.chisquare(df, (count, 1)))
    draws: Floats = centre @ effects.log_mu + tail * (rng.standard_normal((count, size)) @ root.T)
    return draws


def appraise(
    sheet: CarSheet,
    plants: Mapping[str, Plant],
    in_force: Sequence[GridPair],
    *,
    preference: Preference | None = None,
    budget: Budget = BUDGET,
    seed: int = 0,
    progress: Progress | None = None,
) -> WorthResult:
    """Search each compound's own best grids and tell what the compounds are worth under them and under a common pair.

    Parameters
    ----------
    sheet : CarSheet
    plants : mapping of str to Plant
        The car on each compound, from `compound_plants`; two or more.
    in_force : sequence of GridPair
        Grid pairs that were driven; at least one: the first is where the searches start.
    preference : Preference, optional
        Weights of the cost.
    budget : Budget
        How much each search may try.
    seed : int
        Same seed, same answer.
    progress : callable, optional
        Told the stage and the share done.

    Returns
    -------
    WorthResult

    Raises
    ------
    DataError
        If no gear can break traction.
    """
    weights = preference or Preference()
    names = list(plants)
    used = {name: plant.take(DRAWS) for name, plant in plants.items()}
    scenarios = catalogue(sheet, _middle(list(used.values())), np.random.default_rng(seed))
    own: dict[str, GridPair] = {}
    for number, name in enumerate(names):
        if progress is not None:
            progress(f"searching grids for {name}", number / len(names))
        own[name] = search(
            sheet, used[name], scenarios, in_force[0], preference=weights, budget=budget, seed=seed
        ).best
    candidates = [*own.values(), *in_force]
    labels = [*(f"best of {name}" for name in names), *("grids in force" for _ in in_force)]
    parts = {name: Simulator(sheet, scenarios, used[name]).parts(candidates) for name in names}
    own_at = {name: _cheapest(parts[name], weights) for name in names}
    common = int(np.argmin(sum(_costs(parts[name], weights).mean(axis=1) for name in names)))
    at = {OWN: own_at, COMMON: dict.fromkeys(names, common)}
    speeds = {
        (under, name): speeds_kmh(sheet, used[name], scenarios, parts[name][at[under][name]])
        for under in at for name in names
    }  # fmt: skip
    return WorthResult(
        tuple(
            _worth(names[i], names[j], under, parts, at[under], speeds, weights)
            for i in range(len(names)) for j in range(i + 1, len(names)) for under in at
        ),
        {
            (name, under): _levels(parts[name][at[under][name]], weights)
            for name in names for under in at
        },
        {name: candidates[own_at[name]] for name in names},
        candidates[common],
        labels[common],
        len(scenarios),
    )  # fmt: skip


def _middle(plants: Sequence[Plant]) -> Plant:
    """The car on a tyre between the compounds: the scenarios are drawn from it."""
    draws = plants[0].draws.copy()
    for name in ("mu_peak", "slip_peak", "rolling_radius_m", "driven_factor"):
        draws[:, INDEX[name]] = np.exp(np.mean([np.log(plant.column(name)) for plant in plants], axis=0))
    return replace(plants[0], draws=draws)


def _costs(parts: Floats, weights: Preference) -> Floats:
    """Cost of each pair under each draw: parts[C, N, D, M] -> float64[C, D]."""
    return pair_cost(episode_cost(parts, weights), weights, axis=1)


def _cheapest(parts: Floats, weights: Preference) -> int:
    return int(np.argmin(_costs(parts, weights).mean(axis=1)))


def _levels(parts: Floats, weights: Preference) -> dict[str, Estimate]:
    """Parts of one pair, mean over scenarios: parts[N, D, M]."""
    means = {name: parts[..., PART_INDEX[name]].mean(axis=0) for name in ("drive_lost_kmh", "recovery_s")}
    cost = pair_cost(episode_cost(parts, weights), weights, axis=0)
    return {key: Estimate.from_draws(value) for key, value in {**means, "cost": cost}.items()}


def _worth(
    a: str, b: str, under: str, parts: Mapping[str, Floats], at: Mapping[str, int],
    speeds: Mapping[tuple[str, str], Floats], weights: Preference,
) -> Worth:  # fmt: skip
    """Compare two compounds draw by draw."""
    one, two = parts[a][at[a]], parts[b][at[b]]
    part = {
        name: (two - one)[..., PART_INDEX[name]].mean(axis=0) for name in ("drive_lost_kmh", "recovery_s")
    }
    cost = [pair_cost(episode_cost(each, weights), weights, axis=0) for each in (one, two)]
    window = np.minimum(one[..., PART_INDEX["window_s"]], two[..., PART_INDEX["window_s"]])
    first, second = speeds[under, a], speeds[under, b]
    step = np.minimum((window / STEP_S).astype(np.int64), first.shape[0] - 1)[None]
    gained = (np.take_along_axis(second, step, axis=0) - np.take_along_axis(first, step, axis=0))[0].mean(
        axis=0
    )
    draws = {"exit_speed_kmh": gained, **part, "cost": cost[1] - cost[0]}
    return Worth(a, b, under, {name: Estimate.from_draws(draws[name]) for name in FIGURES})

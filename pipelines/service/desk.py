"""What-if: an edited grid pair on all standard scenarios and a few draws, with everything ready to go."""

import hashlib
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from threading import Lock
from typing import Any

import numpy as np

from gridfit.carsheet import CarSheet
from gridfit.estimate import Estimate
from gridfit.grids import GridPair, common_practice
from gridfit.plant.prior import from_carsheet
from gridfit.recovery import PART_INDEX, PARTS, Preference, episode_cost, pair_cost
from gridfit.simulate.batch import Simulator
from gridfit.simulate.courses import Course, courses
from gridfit.simulate.parameters import Floats, Plant
from gridfit.simulate.plantfiles import read_plant
from gridfit.simulate.scenarios import Scenarios, catalogue
from pipelines.partnames import COST, PART_LABELS

DRAWS = 16
"""Plants that an edited pair is played on; the jobs use more."""

SEED = 1
"""Of draws and scenarios, so that the same edit gives the same score."""

MOST_DESKS = 6
"""Cars and plants that are kept ready; the one that was not used longest is put away."""

MOST_PLAYED = 96
"""Rows of a desk whose scores are remembered; each holds about a hundred kB."""

COURSE_EVERY_S = 0.01
"""Time between the samples of a course that is sent [s]."""


@dataclass(slots=True)
class Desk:
    """One car on one plant, ready to play grid pairs.

    Parameters
    ----------
    sheet : CarSheet
    plant : Plant
        A few draws.
    scenarios : Scenarios
    simulator : Simulator
    played : OrderedDict
        Parts by what a pair does in a gear.
    """

    sheet: CarSheet
    plant: Plant
    scenarios: Scenarios
    simulator: Simulator
    played: "OrderedDict[bytes, Floats]"

    @classmethod
    def of(cls, sheet: CarSheet, plant_file: Path | None) -> "Desk":
        """Lay out a car with the plant of a refine, or with its sheet's prior.

        Raises
        ------
        DataError
            The car cannot break traction in any gear.
        InputError
            The plant is of another version.
        """
        plant_seed, scenario_seed = np.random.SeedSequence(SEED).spawn(2)
        if plant_file is None:
            plant = from_carsheet(sheet, np.random.default_rng(plant_seed), n_draws=DRAWS, wheels_set=True)
        else:
            plant = evenly(read_plant(plant_file).on_compound(sheet.tyre.compound), DRAWS)
        scenarios = catalogue(sheet, plant, np.random.default_rng(scenario_seed))
        # One thread a call: on a machine that also works on a job, more of them wait for each other.
        return cls(sheet, plant, scenarios, Simulator(sheet, scenarios, plant, threads=1), OrderedDict())

    def parts(self, pair: GridPair) -> Floats:
        """Parts of a pair, float64[N, D, M]; only gears are played whose row or target was not played before."""
        found = np.empty((len(self.scenarios), len(self.plant), len(PARTS)))
        for gear in self.scenarios.gears():
            rows = self.scenarios.in_gear(gear)
            key = gear_key(pair, gear)
            played = self.played.pop(key, None)
            if played is None:
                played = self.simulator.parts([pair], rows.tolist())[0]
            self.played[key] = played
            found[rows] = played
        while len(self.played) > MOST_PLAYED:
            self.played.popitem(last=False)
        return found


def evenly(plant: Plant, count: int) -> Plant:
    """Return a plant on `count` of its draws, spread evenly, since draws of one tyre law lie side by side."""
    at = np.unique(np.linspace(0, len(plant) - 1, min(count, len(plant))).round().astype(int))
    return Plant(
        plant.draws[at], plant.origin, plant.compounds, plant.grip[at], plant.slip[at], plant.episodes
    )


def gear_key(pair: GridPair, gear: int) -> bytes:
    """Return the digest of all that a pair does in one gear: target, errors, and the gear's row."""
    target, cut = pair.target, pair.cut
    arrays = (target.speed_kmh, target.slip_pct, cut.slip_error_pct, cut.row(gear))
    text = b"|".join(array.tobytes() + str(array.shape).encode() for array in arrays)
    return hashlib.sha256(f"{gear}|".encode() + text).digest()


class Desks:
    """Desks that are kept ready. The compiled loop runs one call at a time: its threads serve one caller."""

    def __init__(self) -> None:
        self._desks: OrderedDict[tuple[str, str], Desk] = OrderedDict()
        self._lock = Lock()

    def play(
        self,
        key: tuple[str, str],
        make: Callable[[], Desk],
        pair: GridPair,
        beside: GridPair | None,
        weights: Preference,
        scenario: int,
    ) -> dict[str, Any]:
        """Play a pair and the one beside it.

        Parameters
        ----------
        key : (str, str)
            Car sheet and plant.
        make : callable
            Makes the desk when it is not ready.
        pair, beside : GridPair
            Edited pair; the one to hold it against, or None for common practice.
        weights : Preference
        scenario : int
            Position of the scenario whose course is returned; the last one if there are fewer.

        Returns
        -------
        dict
            As the API answers.
        """
        with self._lock:
            desk = self._desks.pop(key, None) or make()
            self._desks[key] = desk
            if len(self._desks) > MOST_DESKS:
                self._desks.popitem(last=False)
            other = common_practice(desk.sheet) if beside is None else beside
            own, against = desk.parts(pair), desk.parts(other)
            at = min(scenario, len(desk.scenarios) - 1)
            runs = courses(desk.sheet, [pair, other], desk.scenarios, at, desk.plant, every_s=COURSE_EVERY_S)
        return {
            "plant": desk.plant.origin,
            "draws": len(desk.plant),
            "scenarios": [desk.scenarios.label(i) for i in range(len(desk.scenarios))],
            "scenario": at,
            "all_gears": _sides(own, against, weights),
            "gears": [
                {"gear": gear, **_sides(own[rows], against[rows], weights)}
                for gear in desk.scenarios.gears()
                if (rows := desk.scenarios.in_gear(gear)).size
            ],
            "course": {"edited": _course(runs[0]), "beside": _course(runs[1])},
        }


def _sides(own: Floats, against: Floats, weights: Preference) -> dict[str, Any]:
    """Cost and parts of both pairs, and the difference of cost on the same draws."""
    costs = [pair_cost(episode_cost(parts, weights), weights, axis=0) for parts in (own, against)]
    return {
        "edited": _figures(own, costs[0]),
        "beside": _figures(against, costs[1]),
        "change": Estimate.from_draws(costs[0] - costs[1]).to_dict(),
    }


def _figures(parts: Floats, cost: Floats) -> dict[str, Any]:
    names = [name for name in PART_LABELS if name != COST]
    means = {name: Estimate.from_draws(parts[..., PART_INDEX[name]].mean(axis=0)).to_dict() for name in names}
    return {COST: Estimate.from_draws(cost).to_dict(), **means}


def _course(course: Course) -> dict[str, list[float]]:
    return {
        "time_s": np.round(course.time_s, 3).tolist(),
        "slip_pct": np.round(course.slip_pct, 2).tolist(),
        "target_pct": np.round(course.target_pct, 2).tolist(),
        "cut_pct": np.round(course.cut_pct, 1).tolist(),
        "speed_kmh": np.round(course.speed_kmh, 2).tolist(),
    }

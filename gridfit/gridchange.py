"""Did the last change of the grids help? Runs under one grid pair against runs under another, as they were driven.

Each episode gives the speed gained just after its onset, its largest slip speed, and what it took to recover. Gears
and causes are not alike from run to run, so each run's figure is its effect beside those of gear and cause (least
squares over all episodes), with its error. From there on it is the comparison of compounds: the run is the unit, and
the same model, corrections and checks decide. Compounds are compared within themselves.

Recovery is measured from each pair's own target, so between pairs of unlike targets it does not say which is better.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from gridfit import compounds
from gridfit.comparison import Comparison, Pair
from gridfit.errors import DataError
from gridfit.grids import GridPair
from gridfit.permutation import holm
from gridfit.signals.prepared import Signals
from gridfit.units import KMH_PER_MPS

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Outcome:
    """What is compared.

    Parameters
    ----------
    key : str
        Column of the episodes, with its unit.
    label : str
        In words.
    better : int
        1 where more is better, -1 where less is.
    least : float
        Smaller values are held here before the logarithm, in the unit of the key.
    own_target : bool
        Whether it is counted from each pair's own target.
    """

    key: str
    label: str
    better: int
    least: float
    own_target: bool = False


OUTCOMES: tuple[Outcome, ...] = (
    Outcome("gained_kmh", "speed gained in 0.6 s after onset", 1, 0.5),
    Outcome("peak_slip_kmh", "largest slip speed", -1, 0.5),
    Outcome("recovery_s", "time to recover, from each own target", -1, 0.02, own_target=True),
)
"""In the order of the report."""
GAIN_S = 0.6
"""The speed gained is read so long after the onset [s]."""
FEWEST = 3
"""Episodes of a run below which it is left out [1]."""


@dataclass(frozen=True, slots=True)
class GridChange:
    """Grid pairs against each other, as driven.

    Attributes
    ----------
    outcomes : dict of str to Comparison
        By key of `OUTCOMES`; differences in % of the figure, later pair over earlier.
    p_values : dict of (str, str, str) to float
        Two-sided [1], held over all outcomes and pairs: by outcome, a, b.
    left_out : tuple of str
        Runs whose grids are not known.
    same_target : bool
        Whether all pairs have one target grid.
    run_effects : dict of str to DataFrame
        By key of `OUTCOMES`, one row per run: run, compound (here the grid pair), log_mu (log of the run's figure), se,
        track_temp_c.
    """

    outcomes: dict[str, Comparison]
    p_values: dict[tuple[str, str, str], float]
    left_out: tuple[str, ...]
    same_target: bool
    run_effects: dict[str, pd.DataFrame]

    def telling(self) -> tuple[Outcome, ...]:
        """Outcomes that say which pair is better: those counted from own targets only where the targets are one."""
        return tuple(
            one for one in OUTCOMES if one.key in self.outcomes and (self.same_target or not one.own_target)
        )

    def verdict(self, outcome: Outcome, pair: Pair) -> str:
        """Return ``better``, ``worse``, ``undecided`` or ``not comparable``: the later pair, in this outcome."""
        if outcome not in self.telling():
            return "not comparable"
        if self.p_values[outcome.key, pair.a, pair.b] >= 0.05 or min(pair.runs) < 2:
            return "undecided"
        return "better" if pair.difference.estimate * outcome.better > 0.0 else "worse"

    def to_dict(self) -> dict[str, object]:
        """Return the comparison as plain values for JSON."""
        return {
            "format": "gridfit-gridchange/1",
            "outcomes": [
                {
                    "outcome": one.key,
                    "pairs": [self._pair(one, pair) for pair in self.outcomes[one.key].pairs],
                    "run_sd_pct": self.outcomes[one.key].run_sd_pct,
                }
                for one in OUTCOMES
                if one.key in self.outcomes
            ],
            "one_target": self.same_target,
            "runs_left_out": list(self.left_out),
        }

    def _pair(self, outcome: Outcome, pair: Pair) -> dict[str, object]:
        document = pair.to_dict()
        document["diff_pct"] = document.pop("peak_mu_diff_pct")
        document["p_value"] = self.p_values[outcome.key, pair.a, pair.b]
        return document | {"verdict": self.verdict(outcome, pair)}


def labels(signals: Sequence[Signals], in_force: Mapping[str, str]) -> dict[str, str]:
    """Return the grid pair of each run by the name of its file; pairs that steer alike share the first one's name."""
    known: list[tuple[str, GridPair]] = []
    found: dict[str, str] = {}
    for item in signals:
        if item.grids is None:
            continue
        name = next((one for one, pair in known if _alike(pair, item.grids)), None)
        if name is None:
            name = in_force.get(item.name, "") or f"pair {len(known) + 1}"
            taken = {one for one, _ in known}
            name = name if name not in taken else f"{name} ({len(known) + 1})"
            known.append((name, item.grids))
        found[item.name] = name
    return found


def _alike(one: GridPair, other: GridPair) -> bool:
    return all(np.array_equal(a, b) for a, b in zip(one.arrays(), other.arrays(), strict=True))


def gained_kmh(signals: Sequence[Signals], episodes: pd.DataFrame) -> Floats:
    """Vehicle speed gained in `GAIN_S` after each episode's onset: float64[E] [km/h].

    NaN where throttle, gear or speed did not hold for so long.
    """
    tables = {item.name: item.table for item in signals}
    gained = np.full(len(episodes), np.nan)
    for at, episode in enumerate(episodes.to_dict("records")):
        table = tables[str(episode["run"])]
        time = table["time_s"].to_numpy(dtype=np.float64)
        first = int(episode["start_index"])
        last = int(np.searchsorted(time, time[first] + GAIN_S))
        if last >= time.size:
            continue
        inside = table.iloc[first : last + 1]
        held = inside["throttle"].to_numpy() > 0.5 * inside["throttle"].to_numpy()[0]
        if (
            held.all()
            and inside["gear"].nunique() == 1
            and not inside["brake"].any()
            and inside["valid"].all()
        ):
            speed = inside["v_u_mps"].to_numpy(dtype=np.float64)
            gained[at] = KMH_PER_MPS * (speed[-1] - speed[0])
    return gained


def run_effects(episodes: pd.DataFrame, outcome: Outcome) -> pd.DataFrame:
    """Return each run's effect on the logarithm of an outcome, beside gear and cause.

    Parameters
    ----------
    episodes : DataFrame
        ``run``, ``gear``, ``cause`` and the outcome.
    outcome : Outcome

    Returns
    -------
    DataFrame
        run, log_mu (mean logarithm at the average mix of gears and causes), se, episodes; runs with fewer than
        `FEWEST` are left out.
    """
    known = episodes[np.isfinite(episodes[outcome.key].to_numpy(dtype=np.float64))]
    counts = known["run"].value_counts()
    known = known[known["run"].isin(counts[counts >= FEWEST].index)]
    runs = list(dict.fromkeys(known["run"]))
    empty = pd.DataFrame({"run": [], "log_mu": [], "se": [], "episodes": []})
    if not runs:
        return empty
    y = np.log(np.maximum(known[outcome.key].to_numpy(dtype=np.float64), outcome.least))
    side = np.array([[one == run for run in runs] for one in known["run"]], dtype=np.float64)
    cells = known["gear"].astype(str) + " " + known["cause"].astype(str)
    kinds = list(dict.fromkeys(cells))
    mix = np.array([[one == kind for kind in kinds] for one in cells], dtype=np.float64)
    design = np.concatenate([side, mix - mix.mean(axis=0)], axis=1)
    inverse = np.linalg.pinv(design.T @ design)
    effects = inverse @ design.T @ y
    left = y - design @ effects
    variance = float(left @ left) / max(1, y.size - int(np.linalg.matrix_rank(design)))
    error = np.sqrt(np.maximum(variance * np.diag(inverse)[: len(runs)], 0.0))
    number = [int(counts[run]) for run in runs]
    return pd.DataFrame({"run": runs, "log_mu": effects[: len(runs)], "se": error, "episodes": number})


def compare_grids(
    signals: Sequence[Signals],
    episodes: pd.DataFrame,
    runs: pd.DataFrame,
    rng: np.random.Generator,
) -> GridChange:
    """Compare grid pairs as they were driven.

    Parameters
    ----------
    signals : sequence of Signals
        Prepared runs.
    episodes : DataFrame
        Their episodes.
    runs : DataFrame
        One row per run: ``run``, ``grids`` (empty when not known), ``compound``, and what `gridfit.confounding` and
        `gridfit.imbalance` read; in the order of time.
    rng : numpy.random.Generator
        For permutations that are too many to count.

    Returns
    -------
    GridChange

    Raises
    ------
    DataError
        When there are not two pairs with two runs each.
    """
    known = runs[runs["grids"] != ""]
    table = episodes[episodes["gear"] > 0].reset_index(drop=True)
    table = table.assign(gained_kmh=gained_kmh(signals, table))
    outcomes: dict[str, Comparison] = {}
    per_run: dict[str, pd.DataFrame] = {}
    refused: DataError | None = None
    for outcome in OUTCOMES:
        effects = run_effects(table[table["run"].isin(known["run"])], outcome)
        columns = known.drop(columns=["log_mu", "se", "episodes"], errors="ignore")
        rows = columns.merge(effects, on="run", how="inner", sort=False)
        rows = rows.assign(block=rows["compound"], compound=rows["grids"]).drop(
            columns=["grids", "radius_m"], errors="ignore"
        )
        per_run[outcome.key] = rows
        try:
            outcomes[outcome.key] = compounds.compare(rows, rng, noun="grid pair", temperature_sd=0.0)
        except DataError as error:
            refused = error if refused is None or len(rows) else refused
    if not outcomes:
        raise refused if refused is not None else AssertionError("no outcome")
    keys = [(key, pair.a, pair.b) for key, one in outcomes.items() for pair in one.pairs]
    alone = [pair.p_value_alone for one in outcomes.values() for pair in one.pairs]
    held = dict(zip(keys, (float(p) for p in holm(alone)), strict=True))
    used = {str(run) for run in known["run"]}
    left_out = tuple(str(run) for run in runs["run"] if str(run) not in used)
    one_target = _one_target([one.grids for one in signals if one.grids is not None])
    return GridChange(outcomes, held, left_out, one_target, per_run)


def _one_target(pairs: Sequence[GridPair]) -> bool:
    return all(
        np.array_equal(one.target.speed_kmh, pairs[0].target.speed_kmh)
        and np.array_equal(one.target.slip_pct, pairs[0].target.slip_pct)
        for one in pairs
    )

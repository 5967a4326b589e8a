"""Car sheet -> the distribution of plants that the sheet allows; with no logs it is the answer.

Owners' sheets are roughly right: mass within 2 %, torque within 3 %, inertia and height of the centre of
gravity often a guess. Each width below says where it comes from.
"""

from dataclasses import dataclass

import numpy as np
from scipy.special import ndtri
from scipy.stats import qmc

from gridfit.carsheet import CarSheet
from gridfit.driveline import rolling_radius_m
from gridfit.simulate.parameters import INDEX, LOG, MAX_GEARS, NAMES, Floats, Plant, from_free

EDGE = 1e-6
"""Least share of the prior on either side of a draw [1]: 4.8 standard deviations out."""

SET_WHEELS = 0.005
"""Standard deviation of the driven wheels' speed factor on a car whose circumferences have been entered so that both
axles read alike when it rolls [1]: what every proposal asks for before the first drive."""

PRIOR_DRAWS = 24
"""Draws of a prior plant unless told otherwise."""


@dataclass(frozen=True, slots=True)
class PriorRow:
    """What is known of one parameter before any log.

    Parameters
    ----------
    name : str
        Parameter.
    centre : float
        Median, in the parameter's unit.
    width : float
        Standard deviation on the fit's scale: relative for logarithmic parameters, else in its unit.
    source : str
        Where centre and width come from.
    """

    name: str
    centre: float
    width: float
    source: str


def _pooled(
    name: str, told: float, told_width: float, usual: float, usual_width: float, source: str
) -> PriorRow:
    """Weigh what the sheet says against what is usual, by their precisions on the log scale."""
    a, b = told_width**-2, usual_width**-2
    centre = float(np.exp((a * np.log(told) + b * np.log(usual)) / (a + b)))
    return PriorRow(name, centre, float((a + b) ** -0.5), source)


def _engine_rows(sheet: CarSheet) -> list[PriorRow]:
    rule = 0.00045 * max(sheet.engine.torque_nm)
    guess = "engine.inertia_kgm2" in sheet.stood_in
    inertia = (
        PriorRow("engine_inertia_kgm2", rule, 0.35, "0.00045 kg m2 per N m of peak torque; rule of thumb, no source")
        if guess
        else _pooled("engine_inertia_kgm2", sheet.engine.inertia_kgm2, 0.28, rule, 0.40,
                     "car sheet, often a guess, weighed against the rule of thumb")
    )  # fmt: skip
    told = "gearbox.efficiency" not in sheet.stood_in
    return [
        PriorRow("torque_scale", 1.0, 0.03, "car sheet; owners' torque curves are within 3 %"),
        PriorRow("torque_low", 1.0, 0.02, "owners' torque curves bend within their 3 %"),
        PriorRow("torque_high", 1.0, 0.02, "owners' torque curves bend within their 3 %"),
        PriorRow(
            "efficiency", sheet.gearbox.efficiency, 0.02 if told else 0.03, "car sheet or 0.92; from memory"
        ),
        inertia,
        PriorRow("throttle_shape", 1.6, 0.30, "torque rises faster than throttle, 1 to 2.5; from memory"),
        PriorRow(
            "throttle_early",
            0.5,
            0.3,
            "air through an opening over what the engine's speed asks for would be 1; "
            "throttle maps take some of it back; no source",
        ),
        PriorRow("intake_lag_s", 0.07, 0.35, "manifold filling, 0.04-0.12 s; from memory"),
    ]


def _cut_rows(sheet: CarSheet) -> list[PriorRow]:
    """Dead time: the wait for the next event, the way to the torque, the link's share of a cycle.

    The wait is half an interval on average; its spread, 0.29 of an interval, is partly the lag's.
    """
    period = 1.0 / sheet.controller.loop_hz
    wait = 0.35 / sheet.engine.cylinders
    fuel = sheet.engine.cut == "fuel"
    return [
        PriorRow("cut_effect", 1.0, 0.06, "one event in ten takes off roughly 10 %; common practice, no source"),
        PriorRow("dead_time_s", 0.002 + 0.25 * period, 0.9,
                 "link and controller, a millisecond to more than a cycle; no source"),
        PriorRow("dead_time_cycles", wait + (0.7 if fuel else 0.03), 0.35 if fuel else 0.6,
                 "waiting for the next event, and for fuel the strokes until it would burn; arithmetic"),
        PriorRow("cut_lag_s", 0.025 if fuel else 0.003, 0.5 if fuel else 0.6,
                 "wall film and mixing for fuel, none to speak of for ignition; from memory"),
        PriorRow("sensor_lag_s", 0.003 + 0.5 * period, 0.5, "tooth timing and averaging over 1-3 cycles; no source"),
    ]  # fmt: skip


def _tyre_rows(sheet: CarSheet) -> list[PriorRow]:
    known = "tyre.mu" not in sheet.stood_in
    mu = sheet.tyre.mu
    return [
        PriorRow("mu_peak", mu, 0.10 if known else 0.18, "car sheet (rough), else 1.0"),
        PriorRow("slip_peak", 0.12, 0.25, "8-20 % on vehicle speed for road and circuit tyres; from memory"),
        PriorRow("tyre_c", 1.5, 0.12, "slide-to-peak ratio 0.6-0.9 on paved roads; from memory"),
        PriorRow("tyre_e", 0.0, 0.6, "shape around the peak; from memory"),
        PriorRow("tyre_law", 0.5, 0.5, "both laws alike"),
        PriorRow(
            "tyre_rate", 4.4, 0.20, "4.1 dry asphalt, 4.4 wet asphalt in Burckhardt's table; from memory"
        ),
        PriorRow("mu_per_mps", 0.002, 0.0025, "grip falls a little with speed; from memory"),
        PriorRow("slip_per_mps", 0.006, 0.005, "the peak moves to less slip with speed; from memory"),
        PriorRow("load_sensitivity", 0.10, 0.07, "friction falls with load; from memory"),
        PriorRow("relaxation_m", 0.25, 0.4, "about half to one contact radius; from memory"),
    ]


def _body_rows(sheet: CarSheet) -> list[PriorRow]:
    guess = "car.cg_height_m" in sheet.stood_in
    height = (
        PriorRow("cg_height_m", 0.50, 0.13, "usual for cars, 0.40-0.60 m; from memory")
        if guess
        else _pooled("cg_height_m", sheet.car.cg_height_m, 0.12, 0.50, 0.13,
                     "car sheet, often a guess, weighed against what is usual")
    )  # fmt: skip
    drag = 0.25 if "car.cda_m2" in sheet.stood_in else 0.12
    return [
        PriorRow("mass_kg", sheet.car.mass_kg, 0.02, "car sheet; owners' masses are within 2 %"),
        height,
        PriorRow("load_lag_s", 0.06, 0.5, "pitch of the body on its springs; from memory"),
        PriorRow("cda_m2", sheet.car.cda_m2, drag, "car sheet, else 0.66 m2"),
        PriorRow("rolling", 0.013, 0.25, "0.010-0.016 on asphalt; Bosch Automotive Handbook, from memory"),
        PriorRow(
            "wheel_inertia_kgm2", 1.9, 0.25, "two wheels with tyres and brakes, 0.6-1.3 kg m2 each; no source"
        ),
        PriorRow("shaft_stiffness_nmprad", 1.5e4, 0.5, "driveline twist at 4-12 Hz by gear; from memory"),
        PriorRow("shaft_damping_nmsprad", 100.0, 0.6, "a tenth of critical; from memory"),
        PriorRow(
            "driven_factor", 1.0, 0.015, "tyre size against the figure entered; common practice, no source"
        ),
        PriorRow(
            "rolling_radius_m",
            rolling_radius_m(sheet.tyre.size),
            0.01,
            "size code x 0.97; ETRTO, from memory",
        ),
    ]


def prior_table(sheet: CarSheet) -> tuple[PriorRow, ...]:
    """Prior of every parameter, in the order of the parameter table.

    Parameters
    ----------
    sheet : CarSheet
        The car.

    Returns
    -------
    tuple of PriorRow
        One row per parameter.
    """
    rows = [*_engine_rows(sheet), *_cut_rows(sheet), *_tyre_rows(sheet), *_body_rows(sheet)]
    rows += [
        PriorRow(
            f"inertia_factor_{g}", 1.0, 0.01, "same shafts in every gear, apart from the gearbox's own parts"
        )
        for g in range(1, MAX_GEARS + 1)
    ]
    by_name = {row.name: row for row in rows}
    return tuple(by_name[name] for name in NAMES)


def prior_free(sheet: CarSheet) -> tuple[Floats, Floats]:
    """Centre and standard deviation on the fit's scale: float64[P], float64[P]."""
    table = prior_table(sheet)
    centre = np.array([row.centre for row in table])
    return np.where(LOG, np.log(np.where(LOG, centre, 1.0)), centre), np.array([row.width for row in table])


def _even_normal(count: int, size: int, rng: np.random.Generator) -> Floats:
    """Return standard normal points that fill the space more evenly than independent ones, float64[count, size].

    Source: Sobol's sequence, scrambled; A. B. Owen, Journal of Complexity 14, 1998 (from memory). On three invented
    cars 128 draws erred by a third less in the difference of two grid pairs' costs.
    """
    sequence = qmc.Sobol(size, rng=rng)
    points = sequence.random_base2(max(0, (count - 1).bit_length()))[:count]
    # a point at the very edge would be infinitely far out
    return np.asarray(ndtri(np.clip(points, EDGE, 1.0 - EDGE)), dtype=np.float64)


def from_carsheet(
    sheet: CarSheet, rng: np.random.Generator, *, n_draws: int = PRIOR_DRAWS, wheels_set: bool = False
) -> Plant:
    """The plant that the car sheet alone allows.

    Parameters
    ----------
    sheet : CarSheet
        The car.
    rng : numpy.random.Generator
        Source of the draws.
    n_draws : int
        Number of draws D.
    wheels_set : bool
        The circumferences are right to `SET_WHEELS`, as somebody leaves them who has let the car roll.

    Returns
    -------
    Plant
        Draws of the prior; origin "prior". They fill the prior evenly, so that few of them stand for it, and come
        in antithetic pairs, so that their mean on the fit's scale is the prior's centre for any even number.
    """
    centre, width = prior_free(sheet)
    if wheels_set:
        width[INDEX["driven_factor"]] = SET_WHEELS
    half = _even_normal((n_draws + 1) // 2, centre.size, rng)
    # pair after pair, so that the first so many stand for the prior too
    normal = np.stack([half, -half], axis=1).reshape(-1, centre.size)[:n_draws]
    draws = from_free(centre + width * normal)
    draws[:, INDEX["tyre_law"]] = np.round(draws[:, INDEX["tyre_law"]])
    ones = np.ones((n_draws, 1))
    return Plant(draws, "prior", (sheet.tyre.compound,), ones, ones.copy(), (0,) * len(sheet.gearbox.ratios))

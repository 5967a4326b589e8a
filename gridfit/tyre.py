"""Friction used against slip: Magic Formula, Burckhardt, slip frames, combined slip, relaxation.

Arrays in, arrays out; every argument broadcasts. Friction is force over load [1]. Two slips are in use:
``kappa = (omega r - v)/v`` on vehicle speed, as the target grid has it, and, driving,
``s = (omega r - v)/(omega r)`` on wheel speed, as Burckhardt's table has it.
A curve without a peak answers with the friction that it tends to and a peak slip of NaN.
"""

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

_NEWTON_STEPS = 80  # enough for C = 1.0001 and E = 0.9999; 5 to 9 are used in practice


class MagicFormula(NamedTuple):
    """Coefficients of D sin(C atan(B k - E (B k - atan B k))), each float64[...]."""

    b: NDArray[np.float64]
    c: NDArray[np.float64]
    d: NDArray[np.float64]
    e: NDArray[np.float64]


class Peak(NamedTuple):
    """Peak friction [1] and slip at the peak [1, NaN where the curve has none], each float64[...]."""

    peak_mu: NDArray[np.float64]
    peak_slip: NDArray[np.float64]


def magic_formula(
    kappa: ArrayLike, b: ArrayLike, c: ArrayLike, d: ArrayLike, e: ArrayLike
) -> NDArray[np.float64]:
    """Return friction used [1] of the Magic Formula, without shifts.

    Parameters
    ----------
    kappa : float64[...]
        Slip on vehicle speed [1], positive when driving (or tan of the slip angle).
    b, c, d, e : float64[...]
        Stiffness factor [1], shape factor [1], peak [1] (or [N], then the answer is [N]), curvature [1].

    Source: Pacejka, Tire and Vehicle Dynamics, 3rd ed. 2012, ch. 4 (from memory).
    """
    x = np.multiply(b, kappa)
    # Regrouped: B k - E (B k - atan B k) loses every digit of the arc tangent at large slip with E = 1.
    phase = np.subtract(1.0, e) * x + np.multiply(e, np.arctan(x))
    return np.asarray(np.multiply(d, np.sin(np.multiply(c, np.arctan(phase)))), dtype=np.float64)


def _peak_abscissa(c: ArrayLike, e: ArrayLike) -> NDArray[np.float64]:
    """Return x = B * peak slip [1] that solves x - E (x - atan x) = tan(pi/(2 C)); NaN where none does.

    The left side g rises for E <= 1 and bends one way only. Started at x = tan(pi/(2C)), Newton's method
    comes from the right of the root where g is convex (E < 0) and from its left where g is concave
    (E > 0); either way every step stays on that side, so it needs no bracket.
    """
    shape, curvature = np.broadcast_arrays(np.asarray(c, np.float64), np.asarray(e, np.float64))
    target = np.tan(np.pi / (2.0 * np.where(shape > 1.0, shape, np.nan)))
    reachable = (curvature < 1.0) | ((curvature == 1.0) & (target < np.pi / 2.0))
    target = np.where(reachable, target, np.nan)
    x = target.copy()
    for _ in range(_NEWTON_STEPS):
        excess = (1.0 - curvature) * x + curvature * np.arctan(x) - target
        step = excess / (1.0 - curvature * x * x / (1.0 + x * x))
        x = x - step
        if not np.any(np.abs(step) > 1e-15 * np.abs(x)):
            break
    return x


def magic_peak(b: ArrayLike, c: ArrayLike, d: ArrayLike, e: ArrayLike) -> Peak:
    """Return peak friction [1] and slip at the peak [1] of the Magic Formula in closed form.

    Parameters
    ----------
    b, c, d, e : float64[...]
        As in `magic_formula`.

    Returns
    -------
    Peak
        The peak is D at B k = x with x - E (x - atan x) = tan(pi/(2 C)). It exists for C > 1 and E < 1, and
        for E = 1 where C > pi/(2 atan(pi/2)) = 1.56472; elsewhere `peak_slip` is NaN and `peak_mu` the value
        that the curve tends to (NaN for E > 1, where the formula is no friction curve).

    Source: Pacejka 2012, ch. 4 (from memory); limits by derivation.
    """
    x = _peak_abscissa(c, e)
    limit_phase = np.where(np.equal(e, 1.0), np.arctan(np.pi / 2.0), np.pi / 2.0)
    limit = np.where(np.greater(e, 1.0), np.nan, np.multiply(d, np.sin(np.multiply(c, limit_phase))))
    peak_mu = np.where(np.isnan(x), limit, np.asarray(d, np.float64))
    return Peak(np.asarray(peak_mu, np.float64), np.asarray(np.divide(x, b), np.float64))


def magic_formula_from_peak(
    peak_mu: ArrayLike, peak_slip: ArrayLike, c: ArrayLike, e: ArrayLike
) -> MagicFormula:
    """Return the Magic Formula whose peak is `peak_mu` [1] at slip `peak_slip` [1].

    Parameters
    ----------
    peak_mu : float64[...]
        Friction at the peak [1], above 0.
    peak_slip : float64[...]
        Slip at the peak [1], above 0.
    c, e : float64[...]
        Shape factor [1, above 1] and curvature [1, below 1]; B is NaN where these give no peak.

    Returns
    -------
    MagicFormula
        b, c, d, e broadcast against each other.
    """
    b = _peak_abscissa(c, e) / np.asarray(peak_slip, np.float64)
    return MagicFormula(*(np.array(part, np.float64) for part in np.broadcast_arrays(b, c, peak_mu, e)))


def slip_stiffness(b: ArrayLike, c: ArrayLike, d: ArrayLike) -> NDArray[np.float64]:
    """Return the slope of the Magic Formula at zero slip, B C D [1 per unit of slip]."""
    return np.asarray(np.multiply(np.multiply(b, c), d), dtype=np.float64)


def burckhardt(s: ArrayLike, c1: ArrayLike, c2: ArrayLike, c3: ArrayLike) -> NDArray[np.float64]:
    """Return friction used [1], c1 (1 - exp(-c2 s)) - c3 s, mirrored for negative slip.

    Parameters
    ----------
    s : float64[...]
        Slip referred to the faster of wheel and road speed [1], -1 to 1.
    c1, c2, c3 : float64[...]
        Coefficients [1].

    Source: M. Burckhardt, Fahrwerktechnik: Radschlupf-Regelsysteme, Vogel 1993 (from memory).
    """
    size = np.abs(s)
    rise = np.multiply(c1, -np.expm1(-np.multiply(c2, size)))
    return np.asarray(np.sign(s) * (rise - np.multiply(c3, size)), dtype=np.float64)


def burckhardt_peak(c1: ArrayLike, c2: ArrayLike, c3: ArrayLike) -> Peak:
    """Return peak friction [1] and slip at the peak [1, on the faster speed] of Burckhardt's curve.

    Parameters
    ----------
    c1, c2, c3 : float64[...]
        Coefficients [1]; with c3 = 0 the curve rises without a peak towards c1.

    Returns
    -------
    Peak
        s* = ln(c1 c2/c3)/c2 and mu* = c1 - (c3/c2)(1 + ln(c1 c2/c3)); without a peak c1 and NaN.

    Source: zero of the derivative.
    """
    first, second, third = (np.asarray(part, np.float64) for part in (c1, c2, c3))
    falls = third > 0.0
    logarithm = np.log(np.where(falls, first * second, np.nan) / np.where(falls, third, 1.0))
    peak_mu = np.where(falls, first - third / second * (1.0 + logarithm), first)
    return Peak(np.asarray(peak_mu, np.float64), np.asarray(logarithm / second, np.float64))


def slip_on_wheel_speed(kappa: ArrayLike) -> NDArray[np.float64]:
    """Return driving slip on wheel speed [1] from slip on vehicle speed `kappa` [1, above -1]."""
    return np.asarray(np.divide(kappa, np.add(1.0, kappa)), dtype=np.float64)


def slip_on_vehicle_speed(s: ArrayLike) -> NDArray[np.float64]:
    """Return slip on vehicle speed [1] from driving slip on wheel speed `s` [1, below 1]."""
    return np.asarray(np.divide(s, np.subtract(1.0, s)), dtype=np.float64)


def combined_friction(
    kappa: ArrayLike, alpha_rad: ArrayLike, longitudinal: MagicFormula, lateral: MagicFormula
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return longitudinal and lateral friction used [1] under combined slip, by similarity.

    Each slip is divided by its own slip at the peak; both curves are read at the length of that vector and
    their forces shared along it. Pure slip comes back exactly; the pair never leaves the friction ellipse.

    Parameters
    ----------
    kappa : float64[...]
        Slip on vehicle speed [1].
    alpha_rad : float64[...]
        Slip angle [rad].
    longitudinal : MagicFormula
        Against kappa.
    lateral : MagicFormula
        Against tan of the slip angle, as a positive friction.

    Source: similarity method, Pacejka 2012, ch. 4 (from memory).
    """
    along = np.divide(kappa, magic_peak(*longitudinal).peak_slip)
    across = np.divide(np.tan(alpha_rad), magic_peak(*lateral).peak_slip)
    length = np.hypot(along, across)
    safe = np.where(length > 0.0, length, 1.0)
    mu_x = magic_formula(length * magic_peak(*longitudinal).peak_slip, *longitudinal) * along / safe
    mu_y = magic_formula(length * magic_peak(*lateral).peak_slip, *lateral) * across / safe
    return mu_x, mu_y


def longitudinal_share(lateral_use: ArrayLike) -> NDArray[np.float64]:
    """Return the share of longitudinal friction left [1] when cornering uses `lateral_use` [1, 0 to 1].

    The friction ellipse sqrt(1 - u^2); 0 where the bend asks for all of the grip or more.
    """
    return np.sqrt(np.maximum(0.0, 1.0 - np.square(lateral_use)))


def relaxation_time_s(relaxation_m: ArrayLike, speed_mps: ArrayLike) -> NDArray[np.float64]:
    """Return the time constant [s] of a tyre with relaxation length [m] at a road speed [m/s]."""
    return np.asarray(np.divide(relaxation_m, speed_mps), dtype=np.float64)


def relaxed_slip(
    start: ArrayLike, end: ArrayLike, distance_m: ArrayLike, relaxation_m: ArrayLike
) -> NDArray[np.float64]:
    """Return the slip that the contact patch feels [unit of `start`] after a step of wheel slip.

    Parameters
    ----------
    start, end : float64[...]
        Slip before and after the step, one unit for both.
    distance_m : float64[...]
        Way rolled since the step [m].
    relaxation_m : float64[...]
        Relaxation length [m]: 63 % of the step is felt after it.

    Source: first-order lag over distance, Pacejka 2012, ch. 7 (from memory).
    """
    fade = np.exp(-np.divide(distance_m, relaxation_m))
    return np.asarray(np.add(end, np.subtract(start, end) * fade), dtype=np.float64)

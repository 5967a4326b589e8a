"""Linear mixed model for few observations, each with a known error of its own, by restricted likelihood.

y = X beta + u + e, with u independent of variance theta[group] and e of known covariance. Small samples are
paid for twice: the covariance of beta is enlarged and the degrees of freedom follow Satterthwaite. One group
without known errors is the pooled t test, one group per sample is Welch's.

Sources: Patterson and Thompson, Biometrika 58, 1971 (restricted likelihood); Satterthwaite, Biometrics
Bulletin 2, 1946; Kenward and Roger, Biometrics 53, 1997 (covariance); all from memory, checked by tests.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from gridfit.errors import DataError, FitError

Floats = NDArray[np.float64]

_STEPS = 100
_SETTLED = 1e-24  # log likelihood left to gain, so a variance is right to about twelve digits
_NEAR = 1e-6  # log likelihood left to gain from which a full step is taken without looking
_FLOOR = 1e-12  # smallest variance, over that of the data: keeps the covariance invertible


@dataclass(frozen=True, slots=True)
class Contrast:
    """A linear combination of effects.

    Attributes
    ----------
    estimate : float
        In the unit of the data.
    se : float
        Its standard error, small-sample corrected.
    df : float
        Degrees of freedom of t = estimate/se.
    """

    estimate: float
    se: float
    df: float

    @property
    def p_value(self) -> float:
        """Two-sided p value of no effect [1]."""
        return float(2.0 * special.stdtr(self.df, -abs(self.estimate) / self.se))

    def interval(self, level: float = 0.90) -> tuple[float, float]:
        """Return the central interval of this coverage, in the unit of the data."""
        half = -float(special.stdtrit(self.df, (1.0 - level) / 2.0)) * self.se
        return self.estimate - half, self.estimate + half


@dataclass(frozen=True, slots=True)
class MixedFit:
    """A fitted mixed model.

    Attributes
    ----------
    beta : float64[p]
        Fixed effects.
    covariance : float64[p, p]
        Their covariance at the fitted variances.
    inflation : float64[p, p]
        What the uncertainty of the variances adds to it.
    theta : float64[g]
        Variance of the random effect of each group.
    theta_covariance : float64[g, g]
        Inverse of the expected information.
    sensitivity : float64[g, p, p]
        Derivative of `covariance` by each variance.
    residual_df : int
        Observations less fixed effects.
    criterion : float
        -2 log restricted likelihood, without the constant (R - p) log(2 pi).
    """

    beta: Floats
    covariance: Floats
    inflation: Floats
    theta: Floats
    theta_covariance: Floats
    sensitivity: Floats
    residual_df: int
    criterion: float

    def contrast(self, weights: ArrayLike) -> Contrast:
        """Return a combination of the fixed effects, weights float64[p]."""
        w = np.asarray(weights, dtype=np.float64)
        plain = float(w @ self.covariance @ w)
        gradient = np.einsum("i,gij,j->g", w, self.sensitivity, w)
        df = 2.0 * plain**2 / float(gradient @ self.theta_covariance @ gradient)
        # Known errors are estimates themselves, so they never buy more certainty than the data's own count.
        df = min(df, float(self.residual_df))
        # Welch's has one run less than the smaller side at least; with the variance at zero the formula would go below.
        df = max(df, 1.0)
        added = max(0.0, float(w @ self.inflation @ w))  # below 0 by rounding only
        return Contrast(float(w @ self.beta), math.sqrt(plain + added), df)


@dataclass(frozen=True, slots=True)
class _State:
    """The likelihood and what is needed of it at one set of variances."""

    theta: Floats
    inverse: Floats
    covariance: Floats
    beta: Floats
    score: Floats
    information: Floats
    observed: Floats
    criterion: float


def fit(y: ArrayLike, design: ArrayLike, groups: ArrayLike, known: ArrayLike) -> MixedFit:
    """Fit the model by restricted maximum likelihood.

    Parameters
    ----------
    y : float64[R]
        Observations.
    design : float64[R, p]
        Fixed effects, of full rank.
    groups : int[R]
        Which variance the random effect of each observation has, 0 to g - 1.
    known : float64[R, R]
        Known covariance of the errors; may be zero.

    Returns
    -------
    MixedFit

    Raises
    ------
    DataError
        When there are not more observations than effects.
    FitError
        When the likelihood has no maximum that can be found.
    """
    data, x = np.asarray(y, np.float64), np.asarray(design, np.float64)
    members = np.eye(int(np.max(groups)) + 1)[np.asarray(groups, np.int64)]
    if not _estimable(x, members):
        raise DataError.of(
            where="mixed model",
            what="observations",
            value=data.size,
            allowed=f"must exceed the {x.shape[1]} effects and tell them, and each group's variance, apart",
            remedy="Add runs, so that a compound whose spread is asked for has two or more.",
        )
    error = np.asarray(known, np.float64)
    residual = data - x @ np.linalg.lstsq(x, data, rcond=None)[0]
    spread = float(residual @ residual) / (data.size - x.shape[1])
    floor = _FLOOR * max(spread, float(np.trace(error)) / data.size, np.finfo(np.float64).tiny)
    states = [_climb(data, x, members, error, start, floor) for start in (max(spread, floor), floor)]
    return _finish(min(states, key=lambda state: state.criterion), x, members)


def _estimable(x: Floats, members: Floats) -> bool:
    count, effects = x.shape
    if count <= effects or np.linalg.matrix_rank(x) < effects:
        return False
    residual = np.eye(count) - x @ np.linalg.pinv(x)
    return bool(np.linalg.matrix_rank(members.T @ residual**2 @ members, tol=1e-9) == members.shape[1])


def _inverse(matrix: Floats) -> Floats:
    return np.asarray(np.linalg.inv(matrix), dtype=np.float64)


def _state(y: Floats, x: Floats, members: Floats, known: Floats, theta: Floats) -> _State:
    v = known + np.diag(members @ theta)
    inverse = _inverse(v)
    weighted = x.T @ inverse
    covariance = _inverse(weighted @ x)
    projection = inverse - weighted.T @ covariance @ weighted
    reduced = projection @ y
    score = 0.5 * members.T @ (reduced**2 - np.diag(projection))
    information = 0.5 * members.T @ projection**2 @ members
    observed = members.T @ (np.outer(reduced, reduced) * projection) @ members - information
    criterion = float(np.linalg.slogdet(v)[1] - np.linalg.slogdet(covariance)[1] + y @ reduced)
    beta = covariance @ weighted @ y
    return _State(theta, inverse, covariance, beta, score, information, observed, criterion)


def _climb(y: Floats, x: Floats, members: Floats, known: Floats, start: float, floor: float) -> _State:
    """Newton's method (Fisher's where the likelihood is not concave), variances at or above the floor."""
    state, gain = _state(y, x, members, known, np.full(members.shape[1], start)), np.inf
    for _ in range(_STEPS):
        step, concave = _step(state, floor)
        gain = float(state.score @ step)
        if gain < _SETTLED:
            return state
        for halving in range(40):
            trial = _state(y, x, members, known, np.maximum(floor, state.theta + step * 0.5**halving))
            if (concave and gain < _NEAR) or trial.criterion < state.criterion:
                break
        else:
            return state  # no descent is left within rounding
        state = trial
    if gain < _NEAR:
        return state  # rounding keeps it from settling further
    raise FitError.of(
        where="mixed model",
        what="run-to-run variance",
        value=state.theta.tolist(),
        allowed=f"must settle within {_STEPS} steps",
        remedy="Look for a run whose standard error is far from the others'.",
    )


def _step(state: _State, floor: float) -> tuple[Floats, bool]:
    """Return the step of the variances, and whether the likelihood is concave there."""
    free = (state.theta > floor) | (state.score > 0.0)
    step, concave = np.zeros_like(state.theta), True
    if free.any():
        block = np.ix_(free, free)
        concave = bool(np.linalg.eigvalsh(state.observed[block]).min() > 0.0)
        step[free] = np.linalg.solve(
            (state.observed if concave else state.information)[block], state.score[free]
        )
    return step, concave


def _finish(state: _State, x: Floats, members: Floats) -> MixedFit:
    """Return the fit with its small-sample corrections; V depends linearly on the variances."""
    c = state.covariance
    w = _inverse(state.information)
    # half[g] = E_g V^-1 X, with E_g the unit diagonal of group g
    half = members.T[:, :, None] * (state.inverse @ x)[None]
    slope = np.einsum("rp,grq->gpq", state.inverse @ x, half)
    curvature = np.einsum("grp,rs,hsq->ghpq", half, state.inverse, half)
    excess = curvature - np.einsum("gpq,qr,hrs->ghps", slope, c, slope)
    inflation = 2.0 * c @ np.einsum("gh,ghpq->pq", w, excess) @ c
    sensitivity = np.einsum("pq,gqr,rs->gps", c, slope, c)
    df = x.shape[0] - x.shape[1]
    return MixedFit(state.beta, c, inflation, state.theta, w, sensitivity, df, state.criterion)

"""One round of the fit: least squares on the projected errors and the prior, with the nuisances' linearisation held.

scipy sees the errors compressed: residuals of the length of the vector with the same sum of squares, gradient and
curvature as the windows' own, so that a season costs it no more than a run.
"""

from dataclasses import dataclass

import numpy as np
from scipy.optimize import least_squares

from gridfit.plant.projection import Projection
from gridfit.plant.residuals import Problem
from gridfit.simulate.parameters import Floats

INNER = 4
"""Most evaluations of a round."""
MISMATCH = 3.0
"""Errors of the model count as so many standard errors of the sensors' noise: neighbouring windows err alike, so the
data's weight against the prior is its square less. From fits to cars of another simulator."""
RANK = 1e-12
"""Curvature below this share of the largest is none [1]."""


@dataclass(frozen=True, slots=True)
class Compressed:
    """Residuals with the sum of squares, gradient and curvature of many more.

    Parameters
    ----------
    residual : float64[F + 1]
        The last one holds what no entry of the vector can change.
    jacobian : float64[F + 1, F]
    """

    residual: Floats
    jacobian: Floats


def compress(square: float, gradient: Floats, curvature: Floats) -> Compressed:
    """Compress residuals r with Jacobian J, known by r'r, J'r[F] and J'J[F, F]."""
    values, vectors = np.linalg.eigh(curvature)
    root = np.sqrt(np.maximum(values, 0.0))
    sound = values > RANK * max(float(values[-1]), 1e-300)
    along = np.where(sound, vectors.T @ gradient / np.where(sound, root, 1.0), 0.0)
    rest = max(square - float(along @ along), 0.0) ** 0.5
    jacobian = np.vstack([np.where(sound, root, 0.0)[:, None] * vectors.T, np.zeros(gradient.size)])
    return Compressed(np.append(along, rest), jacobian)


def improve(problem: Problem, x: Floats, start: Floats, on_patch: Floats, projection: Projection) -> Floats:
    """Improve the vector with the nuisances' linearisation held.

    Parameters
    ----------
    problem : Problem
        The fit.
    x : float64[X]
        Vector to begin with.
    start : float64[W, 9]
        Nuisances at which the projection was made.
    on_patch : float64[W]
        Probability that each window lies on a patch [1].
    projection : Projection
        Takes out of the errors what the nuisances explain.

    Returns
    -------
    float64[X]
    """
    mean, sd = problem.start_prior(on_patch)
    tail = (start - mean) / sd
    free, width = problem.free, problem.width[problem.free]
    ways, one_row = problem.directions(free), np.zeros(len(problem.windows), dtype=np.int64)
    last: dict[bytes, Compressed] = {}

    def at(part: Floats) -> Compressed:
        if part.tobytes() not in last:
            whole = x.copy()
            whole[free] = part
            errors, slope = problem.sensitivity(whole, start, ways)
            left = projection.apply(projection.stack(errors, tail)) / MISMATCH
            slope = projection.apply(projection.stack_slope(slope)) / MISMATCH
            gradient = ways.spread(np.einsum("wnc,wn->wc", slope, left), one_row, 1)[0, free]
            last.clear()
            last[part.tobytes()] = compress(
                float((left**2).sum()), gradient, ways.gather(slope)[np.ix_(free, free)]
            )
        return last[part.tobytes()]

    def residual(part: Floats) -> Floats:
        return np.concatenate([at(part).residual, (part - problem.centre[free]) / width])

    def jacobian(part: Floats) -> Floats:
        return np.concatenate([at(part).jacobian, np.diag(1.0 / width)])

    result = least_squares(
        residual, x[free], jac=jacobian, method="trf", x_scale=width, max_nfev=INNER, xtol=1e-6, ftol=1e-6,
    )  # fmt: skip
    better = x.copy()
    better[free] = result.x
    return better

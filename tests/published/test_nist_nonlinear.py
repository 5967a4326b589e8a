"""NIST's certified nonlinear regressions through the optimiser settings that the plant's fit calls scipy with.

Source: NIST StRD, nonlinear regression, the files beside this test (data/nist/README.md). Certified values there have
11 digits. The settings are not repeated here: they are read off the fit's own call.

As in the fit, errors are in units of their standard deviation (here the certified one of the residuals), parameters are
scaled by a width (here the size of their start), the Jacobian is the caller's (here by complex steps, exact to
rounding), and runs of the optimiser follow one another until nothing moves. One setting is not
taken over: the fit allows each run a handful of evaluations only, since it works out its nuisances anew in between;
here a run may go on until its tolerances are met.
"""

import re
from pathlib import Path

import numpy as np
import pytest
from scipy.optimize import least_squares

from gridfit.carsheet import read_carsheet
from gridfit.plant import leastsquares
from gridfit.plant.fit import fit
from gridfit.plant.windows import build
from gridfit.signals.episodes import find
from gridfit.signals.prepare import prepare
from gridfit.signals.readers import find_map, read_run

DATA = Path(__file__).parent / "data" / "nist"
DIGITS = 6
ROUNDS = 400
"""Most runs of the optimiser that follow one another."""
EVALUATIONS = 2000
"""Most evaluations of one run."""
STILL = 1e-10
"""Largest relative move of a parameter at which the runs end [1]."""


def _gauss(x, b):
    return (
        b[0] * np.exp(-b[1] * x) + b[2] * np.exp(-((x - b[3]) ** 2) / b[4] ** 2)
        + b[5] * np.exp(-((x - b[6]) ** 2) / b[7] ** 2)
    )  # fmt: skip


def _cubics(x, b):
    return (b[0] + b[1] * x + b[2] * x**2 + b[3] * x**3) / (1.0 + b[4] * x + b[5] * x**2 + b[6] * x**3)


def _saturation(x, b):
    return b[0] * (1.0 - np.exp(-b[1] * x))


MODELS = {
    "Misra1a": _saturation,
    "BoxBOD": _saturation,
    "DanWood": lambda x, b: b[0] * x ** b[1],
    "Lanczos3": lambda x, b: b[0] * np.exp(-b[1] * x) + b[2] * np.exp(-b[3] * x) + b[4] * np.exp(-b[5] * x),
    "Gauss1": _gauss,
    "Kirby2": lambda x, b: (b[0] + b[1] * x + b[2] * x**2) / (1.0 + b[3] * x + b[4] * x**2),
    "MGH17": lambda x, b: b[0] + b[1] * np.exp(-x * b[3]) + b[2] * np.exp(-x * b[4]),
    "Hahn1": _cubics,
    "Thurber": _cubics,
    "MGH09": lambda x, b: b[0] * (x**2 + x * b[1]) / (x**2 + x * b[2] + b[3]),
    "MGH10": lambda x, b: b[0] * np.exp(b[1] / (x + b[2])),
    "Eckerle4": lambda x, b: b[0] / b[1] * np.exp(-0.5 * ((x - b[2]) / b[1]) ** 2),
    "Rat42": lambda x, b: b[0] / (1.0 + np.exp(b[1] - b[2] * x)),
    "Rat43": lambda x, b: b[0] / (1.0 + np.exp(b[1] - b[2] * x)) ** (1.0 / b[3]),
    "Bennett5": lambda x, b: b[0] * (b[1] + x) ** (-1.0 / b[2]),
}
"""Right-hand sides as the files print them."""


def read_set(name):
    """Starts[2, P], certified values[P], their standard deviations[P], residual sum, y[S], x[S]."""
    text = (DATA / f"{name}.dat").read_text(encoding="ascii", errors="replace")
    rows = re.findall(r"^\s*b\d+\s*=\s*(\S+)\s+(\S+)\s+(\S+)\s+(\S+)\s*$", text, re.MULTILINE)
    table = np.array(rows, dtype=float)
    total = float(re.search(r"Residual Sum of Squares:\s+(\S+)", text)[1])
    first, last = map(int, re.search(r"Data\s+\(lines\s+(\d+)\s+to\s+(\d+)\)", text).groups())
    y, x = np.array([line.split() for line in text.splitlines()[first - 1 : last]], dtype=float).T
    return table[:, :2].T, table[:, 2], table[:, 3], total, y, x


class _Called(Exception):
    """No fault: it carries the settings out of the fit."""

    def __init__(self, settings):
        super().__init__(settings)
        self.settings = settings


@pytest.fixture(scope="module")
def settings(demo):
    """Keyword arguments with which the plant's fit calls scipy, less its own scale and Jacobian."""

    def seen(_function, _start, **keywords):
        raise _Called(keywords)

    sheet = read_carsheet(demo / "car.toml")
    path = sorted((demo / "soft").glob("*.parquet"))[0]
    signals = prepare([read_run(path, find_map(path), sheet)], sheet, {})
    windows = build(sheet, signals, find(signals, sheet))
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(leastsquares, "least_squares", seen)
        with pytest.raises(_Called) as caught:
            fit(sheet, windows, {})
    found = dict(caught.value.settings)
    assert callable(found.pop("jac")), "the fit passes its own Jacobian"
    width = np.asarray(found.pop("x_scale"))
    assert (width > 0).all(), "the fit scales by widths of its own"
    assert found.get("method", "trf") == "trf"
    return found | {"max_nfev": EVALUATIONS}


def solve(model, x, y, noise, start, settings):
    """Runs of the optimiser, one after another, until nothing moves: parameters and residual sum."""
    width = np.abs(start)

    def errors(b):
        return np.nan_to_num((model(x, b) - y) / noise, nan=1e30, posinf=1e30, neginf=-1e30)

    def slope(b):
        columns = []
        for j, w in enumerate(width):
            moved = b.astype(complex)
            moved[j] += 1e-200j * w
            columns.append(np.nan_to_num(model(x, moved).imag / (1e-200 * w * noise)))
        return np.stack(columns, axis=1)

    b = start.copy()
    for _ in range(ROUNDS):
        with np.errstate(all="ignore"):  # trial steps may leave the model's domain; they are refused
            found = least_squares(errors, b, jac=slope, x_scale=width, **settings).x
        moved = float(np.max(np.abs(found - b) / np.abs(b)))
        b = found
        if moved < STILL:
            break
    return b, float(((model(x, b) - y) ** 2).sum())


@pytest.mark.parametrize("start", [0, 1], ids=["far start", "near start"])
@pytest.mark.parametrize("name", sorted(MODELS))
def test_certified_values_are_met(name, start, settings):
    starts, certified, _, total, y, x = read_set(name)
    noise = np.sqrt(total / (y.size - certified.size))
    found, left = solve(MODELS[name], x, y, noise, starts[start], settings)
    digits = -np.log10(np.maximum(np.abs(found / certified - 1.0), 1e-11))
    assert digits.min() >= DIGITS, (found, certified)
    assert left == pytest.approx(total, rel=1e-8)


@pytest.mark.parametrize("name", sorted(MODELS))
def test_certified_standard_deviations_are_met(name):
    """Gauss-Newton covariance at the certified values, as the plant's curvature is used for its intervals."""
    _, certified, deviations, total, y, x = read_set(name)
    columns = []
    for j, size in enumerate(np.abs(certified)):
        moved = certified.astype(complex)
        moved[j] += 1e-200j * size
        columns.append(MODELS[name](x, moved).imag / 1e-200)
    slope = np.stack(columns, axis=1)
    variance = total / (y.size - certified.size)
    scaled = np.sqrt(variance * np.diag(np.linalg.inv(slope.T @ slope))) * np.abs(certified)
    assert scaled == pytest.approx(deviations, rel=1e-5)

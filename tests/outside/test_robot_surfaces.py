"""The mixed model on real runs: slip of a robot on four floors, 72 runs each at 0.1 m/s.

Source: BrOleg5/research-wheel-slippage (Apache-2.0); see datasets/surfaces/README.md. The means are facts of that
table, quoted to its last digit.
"""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from gridfit import mixedmodel

MEANS = {"table": 9.49, "brown": 15.18, "gray": 27.38, "green": 49.22}
"""Mean slip on each floor at 0.1 m/s [%], in the order of rising slip."""


@pytest.fixture(scope="module")
def fitted():
    """Mixed model with one effect per floor."""
    runs = pd.read_csv(Path(__file__).parents[2] / "datasets" / "surfaces" / "runs.csv")
    slow = runs[runs.set_mm_s.round() == 100]
    number = slow.surface.map(list(MEANS).index).to_numpy()
    design = np.eye(len(MEANS))[number]
    return mixedmodel.fit(slow.slip_pct, design, number, np.zeros((len(slow), len(slow))))


def test_the_means_of_the_floors(fitted):
    for i, mean in enumerate(MEANS.values()):
        assert fitted.contrast(np.eye(4)[i]).estimate == pytest.approx(mean, abs=0.005)


def test_the_floors_are_in_order_and_no_interval_holds_a_tie(fitted):
    for i in range(3):
        low, _ = fitted.contrast(np.eye(4)[i + 1] - np.eye(4)[i]).interval(0.90)
        assert low > 0.0

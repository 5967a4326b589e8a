"""A table of injected faults: each is repaired, masked or reported, and what lies away from it stays put.

Base is a log of an independent vehicle simulator, which has faults of its own; the clean result is what comes out
without the injected one. Where a run lies against the simulator's truth is tested in tests/e2e.
"""

from functools import cache

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gridfit.carsheet import read_carsheet
from gridfit.grids import read_grids
from gridfit.signals import episodes
from gridfit.signals.prepare import prepare
from gridfit.signals.readers import find_map, read_run
from tests.cases.faultlogs import FAULTS

AWAY_S = 0.7
"""Episodes within this of a fault may move [s]."""


@cache
def base(folder):
    path = folder / "run1.parquet"
    sheet = read_carsheet(folder / "car.toml")
    run = read_run(path, find_map(path), sheet)
    grids = read_grids(folder / run.note.grids)
    clean = prepare([run], sheet, {run.name: grids})[0]
    return run, sheet, grids, clean, episodes.find(clean, sheet)


def overlap(one, other):
    """Intersection over union of each interval of `one` with its best of `other`."""
    low = np.minimum(one[:, None, 1], other[None, :, 1]) - np.maximum(one[:, None, 0], other[None, :, 0])
    high = np.maximum(one[:, None, 1], other[None, :, 1]) - np.minimum(one[:, None, 0], other[None, :, 0])
    return np.where(low > 0, low / high, 0.0).max(axis=1, initial=0.0)


def away(table, struck_s):
    """Episodes that no struck sample comes near."""
    bounds = table[["start_s", "end_s"]].to_numpy()
    if struck_s.size == 0:
        return bounds
    near = [((struck_s > a - AWAY_S) & (struck_s < b + AWAY_S)).any() for a, b in bounds]
    return bounds[~np.array(near, dtype=bool)]


def said(signals):
    failed = {finding.check for finding in signals.findings if not finding.passed}
    return failed | set(signals.faults["kind"])


@pytest.mark.parametrize("fault", FAULTS, ids=lambda fault: fault.name.replace(" ", "-"))
@settings(max_examples=4, deadline=None)
@given(size=st.floats(0.0, 1.0), seed=st.integers(0, 2**32 - 1))
def test_a_fault_is_repaired_masked_or_reported(fault, independent, size, seed):
    run, sheet, grids, clean, wanted = base(independent)
    injected = fault.inject(run, sheet, size, np.random.default_rng(seed))
    signals = prepare([injected.run], injected.sheet, {run.name: grids})[0]
    new = said(signals)
    if "wheel-speed factor" in new:
        # Nothing told the factor, which is said; then its interval must be wide enough.
        assert signals.factor.hi - signals.factor.lo > 0.03
    else:
        assert signals.factor.mean == pytest.approx(clean.factor.mean * injected.factor, rel=0.003)
    if fault.said:
        assert new & set(fault.said), sorted(new - said(clean))
    table = episodes.find(signals, injected.sheet)
    if fault.episodes:
        struck_s = injected.run.table["time_s"].to_numpy()[injected.struck]
        before, after = away(wanted, struck_s), away(table, struck_s)
        if len(before):
            assert np.mean(overlap(before, table[["start_s", "end_s"]].to_numpy()) >= 0.5) >= 0.92, "lost"
        if len(after):
            assert np.mean(overlap(after, wanted[["start_s", "end_s"]].to_numpy()) >= 0.5) >= 0.92, "added"

"""Logs of three cars under names of seven languages, in other units, orders and company: mapped right, or asked.

The truth is the map that each log came with. A map that is wrong and not asked about is the failure.
"""

from collections import Counter
from pathlib import Path

import numpy as np
import pytest
from cases import namedlogs
from cases.namedlogs import DECOYS, OTHER_UNITS, SPEEDS, STYLES, Log
from hypothesis import given, settings
from hypothesis import strategies as st

from gridfit.carsheet import read_carsheet
from gridfit.errors import InputError

DATASETS = Path(__file__).parents[3] / "datasets"
LOGS = {
    "demo, hard tyre": ("demo/car.toml", "demo/hard/hard1.parquet"),
    "demo, soft tyre": ("demo/car.toml", "demo/soft/soft1.parquet"),
    "independent": ("independent/car.toml", "independent/run1.parquet"),
}
BASES = {
    name: namedlogs.base(DATASETS / log, read_carsheet(DATASETS / car)) for name, (car, log) in LOGS.items()
}
NEEDED = {"time", "throttle", "speed_fl", "speed_fr", "speed_rl", "speed_rr"}


def variants() -> dict[str, Log]:
    """Return the table: three logs in every style, unit and company."""
    found: dict[str, Log] = {}
    for name, log in BASES.items():
        for at, style in enumerate(STYLES):
            rng = np.random.default_rng(at)
            written = namedlogs.renamed(log, style)
            for how in ("line", "bracket", "none"):
                found[f"{name}, {style}, units {how}"] = namedlogs.permuted(namedlogs.told(written, how), rng)
            speed = tuple(SPEEDS)[at % 3]
            other = {role: tuple(table)[at % len(table)] for role, table in OTHER_UNITS.items()}
            in_other = namedlogs.rescaled(written, speed, **other)
            found[f"{name}, {style}, in {speed} and others, untold"] = in_other
            company = [one for one in rng.permutation(DECOYS)[:12] if one not in written.columns]
            found[f"{name}, {style}, in {speed}, with decoys"] = namedlogs.with_decoys(in_other, company, rng)
            found[f"{name}, {style}, axles swapped"] = namedlogs.axles_swapped(written)
    return found


TABLE = variants()
OUTCOMES: dict[str, str] = {}


@pytest.mark.parametrize("name", TABLE)
def test_mapped_right_or_asked(name: str):
    log = TABLE[name]
    outcome, roles = log.outcome()
    OUTCOMES[name] = outcome
    assert outcome != "wrong", (roles, log.guess().to_toml())
    if "axles swapped" in name:
        assert outcome == "asked"
    elif "decoys" not in name:
        # Names that are common practice and numbers of a lap must be enough for what every log needs.
        assert outcome in ("right", "part"), outcome
        assert not NEEDED & set(roles)


@pytest.mark.parametrize("name", BASES)
def test_told_units_leave_nothing_to_ask(name: str):
    for style in STYLES:
        outcome, roles = namedlogs.told(namedlogs.renamed(BASES[name], style), "line").outcome()
        assert (outcome, roles) == ("right", []), style


def test_most_of_the_table_is_mapped_and_nothing_wrong():
    counts = Counter(log.outcome()[0] for log in TABLE.values())
    assert len(TABLE) >= 60
    assert counts["wrong"] == 0
    assert counts["right"] + counts["part"] > 0.7 * len(TABLE)


@settings(max_examples=60, deadline=None)
@given(st.data())
def test_no_change_of_names_units_order_or_company_gives_a_wrong_map(data: st.DataObject):
    log = BASES[data.draw(st.sampled_from(sorted(BASES)))]
    start, size = data.draw(st.integers(0, 20_000)), data.draw(st.integers(500, 20_000))
    log = Log(
        {name: values[start : start + size] for name, values in log.columns.items()}, log.truth, log.sheet
    )
    log = namedlogs.renamed(log, data.draw(st.sampled_from(sorted(STYLES))))
    other = {role: data.draw(st.sampled_from(sorted(table))) for role, table in OTHER_UNITS.items()}
    log = namedlogs.rescaled(log, data.draw(st.sampled_from(sorted(SPEEDS))), **other)
    log = namedlogs.told(log, data.draw(st.sampled_from(["none", "bracket"])))
    rng = np.random.default_rng(data.draw(st.integers(0, 2**32 - 1)))
    log = namedlogs.with_decoys(
        log, data.draw(st.lists(st.sampled_from(DECOYS), max_size=8, unique=True)), rng
    )
    outcome, roles = namedlogs.permuted(log, rng).outcome()
    assert outcome != "wrong", roles


@settings(max_examples=30, deadline=None)
@given(st.data())
def test_a_wheel_speed_told_in_the_wrong_unit_is_asked_about(data: st.DataObject):
    log = BASES[data.draw(st.sampled_from(sorted(BASES)))]
    true, said = data.draw(st.permutations(sorted(SPEEDS)))[:2]
    log = namedlogs.rescaled(namedlogs.renamed(log, "plain"), true)
    lying = {one.column: said if role.startswith("speed") else one.unit for role, one in log.truth.items()}
    with pytest.raises(InputError, match=r"by the ratios of the gearbox|the numbers are not those of"):
        Log(log.columns, log.truth, log.sheet, lying).guess()

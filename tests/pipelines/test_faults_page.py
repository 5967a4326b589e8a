"""Faults of all runs, counted; repairs and lags are told."""

from types import SimpleNamespace

import pandas as pd

from gridfit.estimate import Estimate
from gridfit.signals.faults import COLUMNS
from pipelines.report.blocks import Table, Text
from pipelines.report.faults_page import fault_table, faults_section


def run(name, faults=(), repairs=(), lags=()):
    table = pd.DataFrame(faults, columns=list(COLUMNS))
    return SimpleNamespace(name=name, faults=table, run=SimpleNamespace(repairs=repairs, lags=dict(lags)))


SPIKE = ("spikes", "speed_fl_mps", 1.0, 1.02, 2, "stood out")
LATER = ("spikes", "speed_fl_mps", 5.0, 5.5, 3, "stood out")


def test_faults_of_all_runs_are_counted_by_kind_and_channel():
    logs = SimpleNamespace(signals=(run("a", [SPIKE, LATER]), run("b", [SPIKE]), run("c")))
    assert fault_table(logs)["run"].tolist() == ["a", "a", "b"]
    (table,) = faults_section(logs).blocks
    (row,) = table.rows
    assert [cell.text for cell in row[:6]] == ["spikes", "speed_fl_mps", "3", "7", "0.50", "a, b"]


def test_no_fault_is_said_and_the_table_keeps_its_columns():
    logs = SimpleNamespace(signals=(run("a"),))
    assert list(fault_table(logs).columns) == ["run", *COLUMNS]
    (text,) = faults_section(logs).blocks
    assert isinstance(text, Text)


def test_repairs_and_lags_are_told():
    late = run("a", repairs=(("duplicated row", 4),), lags={"rpm": Estimate(0.16, 0.14, 0.18)})
    blocks = faults_section(SimpleNamespace(signals=(late,))).blocks
    tables = {block.caption: block for block in blocks if isinstance(block, Table)}
    assert [cell.text for cell in tables["Repaired on reading"].rows[0]] == ["a", "duplicated row", "4"]
    assert tables["Came late, and was moved"].rows[0][2].text.startswith("0.16")

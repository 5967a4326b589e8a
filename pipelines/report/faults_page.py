"""Section of a report on logs: faults of sensors and logger, counted, and what was repaired on reading."""

import pandas as pd

from gridfit.signals.faults import COLUMNS, MEANING
from pipelines.ingest import Ingested
from pipelines.report.blocks import Block, Cell, Section, Table, Text


def fault_table(logs: Ingested) -> pd.DataFrame:
    """Return the faults of all runs: run, and the columns of `gridfit.signals.faults`.

    Parameters
    ----------
    logs : Ingested
    """
    tables = [item.faults.assign(run=item.name) for item in logs.signals if len(item.faults)]
    if not tables:
        return pd.DataFrame(columns=["run", *COLUMNS])
    return pd.concat(tables, ignore_index=True)[["run", *COLUMNS]]


def faults_section(logs: Ingested) -> Section:
    """Return faults by kind and channel, and repairs by run.

    Parameters
    ----------
    logs : Ingested
    """
    faults = fault_table(logs)
    blocks: list[Block] = (
        [_counted(faults)] if len(faults) else [Text(("No fault was found in any channel.",))]
    )
    repairs = [(item.name, what, count) for item in logs.signals for what, count in item.run.repairs]
    if repairs:
        rows = tuple((Cell(run), Cell(what), Cell(str(count), mark="number")) for run, what, count in repairs)
        blocks.append(Table("Repaired on reading", ("run", "what", "count"), rows))
    lags = [(item.name, column, lag) for item in logs.signals for column, lag in item.run.lags.items()]
    if lags:
        rows = tuple((Cell(run), Cell(column), Cell(f"{lag}", mark="number")) for run, column, lag in lags)
        blocks.append(
            Table("Came late, and was moved", ("run", "channel", "lag behind the driven wheels [s]"), rows)
        )
    return Section("Faults", tuple(blocks))


def _counted(faults: pd.DataFrame) -> Table:
    rows = []
    for (kind, channel), group in faults.groupby(["kind", "channel"], sort=True):
        meaning, remedy = MEANING[str(kind)]
        longest = float((group["end_s"] - group["start_s"]).max())
        runs = ", ".join(dict.fromkeys(str(run) for run in group["run"]))
        rows.append(
            (
                Cell(str(kind)),
                Cell(str(channel)),
                Cell(str(len(group)), mark="number"),
                Cell(str(int(group["samples"].sum())), mark="number"),
                Cell(f"{longest:.2f}", mark="number"),
                Cell(runs),
                Cell(meaning, remedy),
            )
        )
    head = ("kind", "channel", "times", "samples", "longest [s]", "runs", "what follows, and what to do")
    return Table(
        "Faults by kind and channel", head, tuple(rows), "Each with its time: faults.csv, and the time lines."
    )

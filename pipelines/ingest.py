"""Car sheet and run paths to prepared runs and episodes, once, for every job that reads logs."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from gridfit.carsheet import CarSheet, read_carsheet
from gridfit.grids import GridPair, read_grids
from gridfit.signals import clockchecks
from gridfit.signals import episodes as episode_finder
from gridfit.signals.channelmap import ChannelMap, read_channel_map
from gridfit.signals.note import note_path
from gridfit.signals.prepare import prepare
from gridfit.signals.prepared import Signals
from gridfit.signals.readers import expand, find_map, read_run
from gridfit.signals.run import Run
from pipelines.progress import Progress
from pipelines.record import InputFile


@dataclass(frozen=True, slots=True)
class Ingested:
    """Everything that the logs say, before any plant is fitted.

    Parameters
    ----------
    sheet : CarSheet
    signals : tuple of Signals
        One per run, in the order of the call.
    episodes : DataFrame
        Slip episodes of all runs.
    findings : DataFrame
        Checks of all runs: check, run, statistic, value, operator, threshold, passed, meaning, remedy.
    in_force : dict of str to str
        By run: file of the grid pair in force, or empty when none is known.
    inputs : tuple of InputFile
        Car sheet, logs, message tables, notes, channel maps, grid pairs.
    left_out : tuple of str
        Which runs were left out as not fit for the job, and why, in sentences.
    """

    sheet: CarSheet
    signals: tuple[Signals, ...]
    episodes: pd.DataFrame
    findings: pd.DataFrame
    in_force: dict[str, str]
    inputs: tuple[InputFile, ...]
    left_out: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Source:
    """Where runs come from.

    Parameters
    ----------
    car : Path
        The car sheet.
    runs : tuple of Path
        Logs or folders.
    channels : Path or None
        Channel map for all runs.
    grids : Path or None
        Grid pair in force in runs whose note names none.
    """

    car: Path
    runs: tuple[Path, ...]
    channels: Path | None = None
    grids: Path | None = None

    def asked(self) -> dict[str, object]:
        """Return what was asked, for the record of a job."""
        return {
            "car": self.car,
            "runs": [str(path) for path in self.runs],
            "channels": self.channels,
            "grids": self.grids,
        }


def ingest(source: Source, progress: Progress) -> Ingested:
    """Read and prepare the runs of one car.

    Parameters
    ----------
    source : Source
    progress : Progress

    Returns
    -------
    Ingested

    Raises
    ------
    CallError
        A path does not exist, or a run is named twice.
    InputError
        A car sheet, log, note, channel map or grid pair is wrong.
    DataError
        The logs cannot be used at all.
    """
    sheet = read_carsheet(source.car)
    paths = expand(source.runs)
    given = None if source.channels is None else read_channel_map(source.channels)
    default = None if source.grids is None else read_grids(source.grids)
    runs = []
    for number, path in enumerate(paths):
        progress(f"reading {path.name}", number / len(paths))
        runs.append(read_run(path, given, sheet))
    grids, in_force = _grids_in_force(runs, default, source.grids)
    progress("calibrating wheel speeds", 0.0)
    signals = tuple(prepare(runs, sheet, grids))
    progress("finding episodes", 0.9)
    return Ingested(
        sheet,
        signals,
        episode_finder.find(signals, sheet),
        _findings(signals),
        {name: "" if path is None else path.name for name, path in in_force.items()},
        _inputs(source, runs, given, in_force.values()),
    )


def _grids_in_force(
    runs: Sequence[Run], default: GridPair | None, default_path: Path | None
) -> tuple[dict[str, GridPair | None], dict[str, Path | None]]:
    """Return the grid pair in force in each run, and its file; a note goes before the option."""
    pairs: dict[str, GridPair | None] = {}
    files: dict[str, Path | None] = {}
    read: dict[Path, GridPair] = {}
    for run in runs:
        if run.note.grids is None:
            pairs[run.name], files[run.name] = default, default_path
            continue
        path = run.path.parent / run.note.grids
        if path not in read:
            read[path] = read_grids(path)
        pairs[run.name], files[run.name] = read[path], path
    return pairs, files


def _findings(signals: Sequence[Signals]) -> pd.DataFrame:
    rows = [
        finding.to_dict() for item in signals for finding in (*item.findings, *clockchecks.check(item.run))
    ]
    columns = ["check", "run", "statistic", "value", "operator", "threshold", "passed", "meaning", "remedy"]
    return pd.DataFrame(rows, columns=columns)


def _inputs(
    source: Source, runs: Sequence[Run], given: ChannelMap | None, grids: Iterable[Path | None]
) -> tuple[InputFile, ...]:
    """Return every file that was read, each once."""
    found: dict[Path, str] = {source.car: "car sheet"}
    if source.channels is not None:
        found[source.channels] = "channel map"
    for run in runs:
        path = run.path
        found[path] = "run"
        found |= dict.fromkeys(run.beside, "message table")
        if note_path(path).is_file():
            found[note_path(path)] = "note"
        mapped = given or find_map(path)
        if mapped is not None and mapped.document is not None:
            found[mapped.document.path] = "channel map"
    found |= {path: "grids" for path in grids if path is not None}
    return tuple(InputFile.of(role, path) for path, role in found.items())

"""From a finished computation to a result folder and a tracked run, in the order in which nothing is lost.

Files beside the destination first, then tracking, then one rename.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from pipelines.outputs import SUMMARY, check_destination, commit, rewrite, staged
from pipelines.plain import Plain, to_json
from pipelines.record import Record
from pipelines.stores import Place
from pipelines.studies import journal, keep, slug
from pipelines.tracking import Tracking, tracking

if TYPE_CHECKING:
    import optuna

REPORT = "report.html"
"""Name of the page in every result folder."""


@dataclass(frozen=True, slots=True)
class Delivery:
    """Where a result goes.

    Parameters
    ----------
    out : Path
        The result folder.
    overwrite : bool
        Whether an older result there is replaced.
    track : Place or None
        Tracking store; None for no tracking.
    """

    out: Path
    overwrite: bool = False
    track: Place | None = None

    def checked(self) -> "Delivery":
        """Return the same with an absolute destination, or raise CallError before any work is done."""
        return replace(self, out=check_destination(self.out, overwrite=self.overwrite))


@dataclass(frozen=True, slots=True)
class JobResult:
    """What a job hands back.

    Parameters
    ----------
    out : Path
        The result folder.
    report : Path
        The page in it.
    summary : Plain
        Content of summary.json.
    headline : str
        The finding.
    warnings : tuple of str
    """

    out: Path
    report: Path
    summary: Plain
    headline: str
    warnings: tuple[str, ...]


def deliver(
    delivery: Delivery,
    record: Record,
    files: Mapping[str, str | bytes],
    page: Callable[[Record], str],
    *,
    studies: "Mapping[str, optuna.Study] | None" = None,
) -> JobResult:
    """Track a job and write its result folder, whole or not at all.

    Parameters
    ----------
    delivery : Delivery
        Already checked.
    record : Record
    files : mapping of file name to content
        The job's own files.
    page : callable
        Makes the report from the final record.
    studies : mapping of str to optuna.Study, optional
        Searches to keep.

    Returns
    -------
    JobResult

    Raises
    ------
    CallError
        The disk refused; then nothing is written and the tracked run is closed as failed.
    """
    record = replace(record, files=tuple(sorted({*files, SUMMARY, REPORT})))
    record = _with_studies(delivery.track, record, studies or {})
    with tracking(delivery.track, record) as tracked:
        record = _with_tracking(record, tracked)
        content = {**files, REPORT: page(record), SUMMARY: to_json(record.summary())}
        with staged(delivery.out, content, overwrite=delivery.overwrite) as stage:
            tracked.log(record, stage.folder)
            if tracked.warning and tracked.warning not in record.warnings:
                record = record.warned(tracked.warning)
                rewrite(stage, REPORT, page(record))
                rewrite(stage, SUMMARY, to_json(record.summary()))
            out = commit(stage)
    return JobResult(out, out / REPORT, record.summary(), record.headline, record.warnings)


def _with_tracking(record: Record, tracked: Tracking) -> Record:
    record = replace(record, tracked=tracked.run)
    return record.warned(tracked.warning) if tracked.warning else record


def _with_studies(place: Place | None, record: Record, studies: "Mapping[str, optuna.Study]") -> Record:
    """Copy the searches to the durable store; without tracking there is none."""
    if place is None or not studies:
        return record
    prefix = f"{slug(record.car)}/{record.job}/{record.result_id}"
    try:
        names = keep(place, prefix, studies)
    except Exception as error:  # noqa: BLE001 - a store that fails must leave the result alone
        text = " ".join(str(error).split())[:300]
        return record.warned(f"The searches could not be kept for reopening: {type(error).__name__}: {text}.")
    return replace(record, studies=names, study_store=str(journal(place, prefix)))

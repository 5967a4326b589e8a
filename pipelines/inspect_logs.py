"""inspect: are the logs fit to use? Channels, calibration, gears, episodes, one verdict."""

from dataclasses import dataclass

from gridfit.signals.channelmap import ChannelMap
from pipelines.delivery import Delivery, JobResult, deliver
from pipelines.ingest import Ingested, Source, ingest
from pipelines.plain import to_json
from pipelines.progress import Progress, silent
from pipelines.record import Record, new_result_id, utc_now
from pipelines.report.blocks import Page, Section, Text
from pipelines.report.calibration_page import calibration_section, channels_section, gears_section
from pipelines.report.cautions import cautions
from pipelines.report.faults_page import fault_table, faults_section
from pipelines.report.logs_page import (
    checks_section,
    coverage_section,
    next_section,
    runs_section,
    verdict_section,
)
from pipelines.report.page import render
from pipelines.report.sections import corner, made_section, stand_in_blocks, stand_ins
from pipelines.verdict import Verdict, verdict

BASIS = (
    "On the logs: the wheel-speed factor, the episodes and their slip, the checks.",
    "On the car sheet: gear ratios and tyre size (lines of the gears, gears that were not logged), the throttle gate "
    "and the least speed of an episode, and the target where the log holds none, through the grid pair in force.",
    "Nothing here rests on a fitted plant; whether a fit holds is what gridfit refine tells.",
)
"""What the figures of an inspection rest on."""

TONES = {"fit": "good", "fit with corrections": "careful", "not fit": "bad"}


@dataclass(frozen=True, slots=True)
class InspectRequest:
    """What inspect is asked.

    Parameters
    ----------
    source : Source
        Car sheet, runs, channel map, grid pair in force.
    delivery : Delivery
    seed : int
        Kept with the result; inspect draws nothing at random.
    progress : Progress
    """

    source: Source
    delivery: Delivery
    seed: int = 1
    progress: Progress = silent


def run(request: InspectRequest) -> JobResult:
    """Inspect logs and write the result.

    Parameters
    ----------
    request : InspectRequest

    Returns
    -------
    JobResult

    Raises
    ------
    CallError
        The destination or a path is wrong.
    InputError
        A file is wrong.
    """
    started, delivery = utc_now(), request.delivery.checked()
    logs = ingest(request.source, request.progress)
    judged = verdict(logs)
    record = Record(
        job="inspect",
        car=logs.sheet.car.name,
        result_id=new_result_id(started),
        started=started,
        asked=request.source.asked(),
        inputs=logs.inputs,
        seed=request.seed,
        headline=judged.headline,
        figures=_figures(logs, judged),
        warnings=judged.warnings,
        findings=logs.findings,
        stand_ins=stand_ins(logs.sheet),
    )
    return deliver(
        delivery,
        record,
        inspect_files(logs, judged),
        lambda final: render(_page(final, logs, judged)),
    )


def inspect_files(logs: Ingested, judged: Verdict) -> dict[str, str | bytes]:
    """Return the files of an inspection: episodes, checks, calibration, and the channel map if it was guessed."""
    calibration = {
        "verdict": judged,
        "runs": [
            {
                "run": item.name,
                "compound": item.run.note.compound,
                "factor_driven_over_undriven": item.factor,
                "rolling_radius_m": item.radius,
                "rows_dropped": item.run.rows_dropped,
                "repairs": [{"what": what, "count": count} for what, count in item.run.repairs],
                "channels": item.run.roles,
                "grids_in_force": logs.in_force[item.name],
            }
            for item in logs.signals
        ],
    }
    return {
        **proposed_maps(logs),
        "episodes.csv": logs.episodes.to_csv(index=False),
        "findings.csv": logs.findings.to_csv(index=False),
        "faults.csv": fault_table(logs).to_csv(index=False),
        "calibration.json": to_json(calibration),
    }


def proposed_maps(logs: Ingested) -> dict[str, str | bytes]:
    """Return the channel maps that were guessed: one channels.toml, or one per run where they differ."""
    texts = {
        item.name: ChannelMap(item.run.channels, unsure=item.run.unsure).to_toml()
        for item in logs.signals
        if any(channel.sure < 1.0 for channel in item.run.channels.values())
    }
    maps = {
        item.name: (
            {role: (one.column, one.unit) for role, one in item.run.channels.items()},
            {role: (one.column, one.unit) for role, one in item.run.unsure.items()},
        )
        for item in logs.signals
        if item.name in texts
    }
    if not texts:
        return {}
    if all(one == next(iter(maps.values())) for one in maps.values()):
        return {"channels.toml": next(iter(texts.values()))}
    return {f"channels_{name}.toml": text for name, text in texts.items()}


def _figures(logs: Ingested, judged: Verdict) -> dict[str, object]:
    counts = logs.episodes["gear"].value_counts().sort_index()
    return {
        "verdict": {use.use: use for use in judged.uses},
        "change_before_next_test": judged.changes,
        "questions": judged.questions,
        "runs": len(logs.signals),
        "episodes": len(logs.episodes),
        "episodes_by_gear": {str(gear): int(count) for gear, count in counts.items()},
        "factor_driven_over_undriven": {item.name: item.factor for item in logs.signals},
    }


def _page(record: Record, logs: Ingested, judged: Verdict) -> Page:
    sections = (
        next_section(judged, len(logs.signals)),
        verdict_section(judged),
        calibration_section(logs),
        gears_section(logs),
        coverage_section(logs),
        channels_section(logs),
        faults_section(logs),
        checks_section(logs.findings),
        runs_section(logs),
        Section("What rests on data, what on the prior", (Text(BASIS),)),
        Section("What the car sheet left out", stand_in_blocks(record)),
        made_section(record),
    )
    return Page(
        title=f"Logs of {record.car}: are they fit to use?",
        headline=judged.headline,
        remarks=(),
        tone=TONES[judged.level],
        corner=corner(record),
        warnings=record.warnings,
        cautions=cautions(logs.sheet.engine.cut),
        sections=sections,
    )

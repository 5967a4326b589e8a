"""The command line: arguments in, a job called, exit code and messages out; no logic.

Heavy imports stand inside the commands, so that --help answers at once.
"""

import atexit
import gc
import signal
import sys
import warnings
from importlib.metadata import version
from types import FrameType
from typing import Annotated

import typer

from gridfit.search.budget import DRAWS
from pipelines.options import (
    AsJson,
    BudgetName,
    By,
    Car,
    Channels,
    Draws,
    Effort,
    Grids,
    GridsArgument,
    NoTracking,
    Open,
    Out,
    Overwrite,
    PlantFile,
    Preferred,
    Runs,
    SamplerName,
    Sampling,
    Seed,
    Side,
    SomeRuns,
    StartGrids,
    Tracking,
)
from pipelines.running import EXIT_CALL, guarded, run_job
from pipelines.serving import serve

EPILOG = (
    "Exit codes: 0 done; 2 the call is wrong; 3 an input file is wrong; 4 refused, the evidence does not "
    "carry the answer; 1 a fault of the program; 130 stopped by Ctrl-C. Nothing is written unless a job ends "
    "with 0."
)

HELP = """
Measured plants and objective search for the two grids of closed-loop slip control: the TARGET grid (allowed
slip against speed) and the CUT grid (share of firing events dropped against slip error, per gear).

In go a car sheet (TOML) and, for most jobs, logs (CSV, Parquet, MDF 4 or CAN, each with a note beside it). Out
comes a folder with summary.json, a report.html to read and print, and the job's own files such as grids.json.

Closed course and trained driver only. Cutting sends unburnt mixture into a hot exhaust, can run cylinders
lean and shocks the driveline. This is not a stability, braking or safety system.
"""

app = typer.Typer(
    name="gridfit",
    help=HELP,
    epilog=EPILOG,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
)


def _version(value: bool) -> None:
    if value:
        typer.echo(f"gridfit {version('gridfit')}")
        raise typer.Exit


@app.callback()
def common(
    show_version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Print the version and end.")
    ] = False,
) -> None:
    """Take options that stand before the command."""


@app.command(epilog=f"Example: gridfit propose car.toml --out first --open\n\n{EPILOG}")
def propose(
    car: Car,
    out: Out,
    overwrite: Overwrite = False,
    seed: Seed = 1,
    preference: Preferred = "balanced",
    budget: Effort = BudgetName.NORMAL,
    sampler: Sampling = SamplerName.CMAES,
    draws: Draws = DRAWS,
    tracking: Tracking = None,
    no_tracking: NoTracking = False,
    as_json: AsJson = False,
    open_report: Open = False,
) -> None:
    """Give a new car a starting grid pair, from its sheet.

    Writes grids.json, target.csv and cut.csv (to paste into the controller's editor), plant.json,
    choices.json (calmer and sharper pairs), next_tests.json, summary.json and report.html.
    """
    from pipelines.propose import ProposeRequest, run

    run_job(
        lambda delivery, progress: run(
            ProposeRequest(car, delivery, seed, preference, budget.value, draws, progress, sampler.value)
        ),
        out, overwrite, tracking, no_tracking, as_json, open_report,
    )  # fmt: skip


@app.command("inspect", epilog=f"Example: gridfit inspect car.toml logs --out checked --open\n\n{EPILOG}")
def inspect_command(
    car: Car,
    runs: Runs,
    out: Out,
    channels: Channels = None,
    grids: Grids = None,
    seed: Seed = 1,
    overwrite: Overwrite = False,
    tracking: Tracking = None,
    no_tracking: NoTracking = False,
    as_json: AsJson = False,
    open_report: Open = False,
) -> None:
    """Tell whether logs are fit to use, and what to mend.

    Looks at channels, clock, sensors, the calibration between the axles, gears and slip episodes. Channels
    that a log lacks narrow what can be said; they do not stop it. Every run is called fit, fit with
    corrections or not fit, to refine and to compare; those jobs leave out what is not fit. Writes
    episodes.csv, findings.csv, faults.csv, calibration.json, summary.json and report.html.
    """
    from pipelines.ingest import Source
    from pipelines.inspect_logs import InspectRequest, run

    run_job(
        lambda delivery, progress: run(
            InspectRequest(Source(car, tuple(runs), channels, grids), delivery, seed, progress)
        ),
        out, overwrite, tracking, no_tracking, as_json, open_report,
    )  # fmt: skip


@app.command(
    epilog=f"Example: gridfit refine car.toml logs --grids in_force.json --out better --open\n\n{EPILOG}"
)
def refine(
    car: Car,
    runs: Runs,
    grids: StartGrids,
    out: Out,
    channels: Channels = None,
    overwrite: Overwrite = False,
    seed: Seed = 1,
    preference: Preferred = "balanced",
    budget: Effort = BudgetName.NORMAL,
    sampler: Sampling = SamplerName.CMAES,
    draws: Draws = DRAWS,
    tracking: Tracking = None,
    no_tracking: NoTracking = False,
    as_json: AsJson = False,
    open_report: Open = False,
) -> None:
    """Find a better grid pair, from logs.

    Fits the car's response to the slip episodes of the logs, searches both grids on it, and starts from the
    grids in force. Cells that no episode passed through are marked. Writes grids.json, target.csv, cut.csv,
    cells.csv (why each cell moved), plant.json, parameters.csv (every figure of the plant and what it rests on),
    residuals.csv and heldout.csv (how well the plant follows the logs), episodes.csv, findings.csv, choices.json,
    next_tests.json, summary.json and report.html.
    """
    from pipelines.ingest import Source
    from pipelines.refine import RefineRequest, run

    source = Source(car, tuple(runs), channels, grids)
    run_job(
        lambda delivery, progress: run(
            RefineRequest(
                source, delivery, seed, preference, budget.value, draws, progress, sampler=sampler.value
            )
        ),
        out, overwrite, tracking, no_tracking, as_json, open_report,
    )  # fmt: skip


@app.command(epilog=f"Example: gridfit compare car.toml soft_runs hard_runs --out tyres --open\n\n{EPILOG}")
def compare(
    car: Car,
    runs: Runs,
    out: Out,
    by: By = Side.COMPOUND,
    channels: Channels = None,
    grids: Grids = None,
    overwrite: Overwrite = False,
    seed: Seed = 1,
    draws: Draws = DRAWS,
    tracking: Tracking = None,
    no_tracking: NoTracking = False,
    as_json: AsJson = False,
    open_report: Open = False,
) -> None:
    """Compare tyre compounds, or grid pairs as driven, from logs.

    The run is the unit: two runs or more of each side are needed, driven in mixed order. The note beside each run
    names its compound and the grids in force. Writes compare.json and worth.json (what a difference is worth), or
    with --by grids gridchange.json (did the last change help?); and next_runs.csv (a run plan), runs.csv,
    episodes.csv, plant.json (not with --by grids), summary.json and report.html.
    """
    from pipelines import compare as by_compound
    from pipelines import compare_grids as by_grids
    from pipelines.comparing import CompareRequest
    from pipelines.ingest import Source

    source, run = (
        Source(car, tuple(runs), channels, grids),
        by_grids.run if by is Side.GRIDS else by_compound.run,
    )
    run_job(
        lambda delivery, progress: run(CompareRequest(source, delivery, seed, draws, progress)),
        out, overwrite, tracking, no_tracking, as_json, open_report,
    )  # fmt: skip


@app.command(
    epilog=f"Example: gridfit score car.toml grids.json --plant better/plant.json --out scored\n\n{EPILOG}"
)
def score(
    car: Car,
    grids: GridsArgument,
    out: Out,
    runs: SomeRuns = None,
    plant: PlantFile = None,
    channels: Channels = None,
    overwrite: Overwrite = False,
    seed: Seed = 1,
    preference: Preferred = "balanced",
    draws: Draws = DRAWS,
    tracking: Tracking = None,
    no_tracking: NoTracking = False,
    as_json: AsJson = False,
    open_report: Open = False,
) -> None:
    """Tell what a grid pair would do and, with runs, did.

    Simulates the pair on the standard scenarios beside the common-practice start, on the plant of an earlier
    refine or on the car sheet's prior. Runs that were driven with this pair are measured. Writes score.json,
    episodes.csv and findings.csv (with runs), summary.json and report.html.
    """
    from pipelines.ingest import Source
    from pipelines.score import ScoreRequest, run

    source = Source(car, tuple(runs or ()), channels, grids)
    run_job(
        lambda delivery, progress: run(
            ScoreRequest(source, delivery, plant, seed, preference, draws, progress)
        ),
        out, overwrite, tracking, no_tracking, as_json, open_report,
    )  # fmt: skip


app.command("serve", epilog=f"Example: gridfit serve --demo\n\n{EPILOG}")(serve)


def main(arguments: list[str] | None = None) -> int:
    """Run the command line and return its exit code.

    Parameters
    ----------
    arguments : list of str, optional
        Without the program's name; those of the process when left out.

    Returns
    -------
    int
        0 done, 1 fault, 2 wrong call, 3 wrong input file, 4 refused, 130 interrupted.
    """
    if not sys.warnoptions:
        warnings.simplefilter("ignore")  # a library's warning tells a tuner nothing; tests make them errors
    signal.signal(signal.SIGTERM, _stop)
    if arguments is None:
        atexit.register(
            gc.freeze
        )  # the collector's last walk over all that the libraries made takes a second
    given = sys.argv[1:] if arguments is None else arguments
    code = guarded(lambda: app(args=given or ["--help"], prog_name="gridfit", standalone_mode=False))
    return code if given else EXIT_CALL


def _stop(number: int, frame: FrameType | None) -> None:
    raise KeyboardInterrupt

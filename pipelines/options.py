"""Arguments and options of the command line, each with its help, in one place for all commands."""

from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer


class BudgetName(StrEnum):
    """What --budget takes."""

    QUICK = "quick"
    NORMAL = "normal"
    LONG = "long"


class SamplerName(StrEnum):
    """What --sampler takes."""

    CMAES = "cmaes"
    TPE = "tpe"
    NSGA2 = "nsga2"
    QMC = "qmc"
    RANDOM = "random"


PREFERENCE_NAMES = ("calm", "balanced", "sharp")
"""What --preference takes beside a file."""


def _preference(text: str) -> str:
    if text in PREFERENCE_NAMES or text.endswith(".toml"):
        return text
    raise typer.BadParameter(f"{text!r} is not {', '.join(PREFERENCE_NAMES)} or the path of a .toml file.")


Car = Annotated[Path, typer.Argument(metavar="CAR", help="The car sheet, a TOML file.", show_default=False)]
Runs = Annotated[
    list[Path],
    typer.Argument(
        metavar="RUN",
        help="Logs (CSV, Parquet, MDF 4 or CAN), or folders of logs. NAME.toml beside NAME.csv is the note of a run.",
        show_default=False,
    ),
]
SomeRuns = Annotated[
    list[Path] | None,
    typer.Argument(
        metavar="RUN", help="Logs, or folders of logs, driven with this grid pair.", show_default=False
    ),
]
GridsArgument = Annotated[
    Path, typer.Argument(metavar="GRIDS.json", help="The grid pair to score.", show_default=False)
]
Out = Annotated[
    Path, typer.Option("--out", metavar="DIR", help="Folder for the result, made new.", show_default=False)
]
Overwrite = Annotated[
    bool, typer.Option("--overwrite", help="Replace an older result of gridfit in that folder.")
]
Seed = Annotated[int, typer.Option("--seed", metavar="N", min=0, help="Same seed, same inputs: same answer.")]
AsJson = Annotated[
    bool, typer.Option("--json", help="Print summary.json to standard output, and nothing else there.")
]
Open = Annotated[bool, typer.Option("--open", help="Open the report in the browser when it is done.")]
Tracking = Annotated[
    str | None,
    typer.Option(
        "--tracking",
        metavar="DIR|URL",
        help="Where runs are tracked: a folder, or the address of a tracking server.",
        show_default="gridfit-runs in this folder",
    ),
]
NoTracking = Annotated[bool, typer.Option("--no-tracking", help="Track nothing.")]
Channels = Annotated[
    Path | None,
    typer.Option(
        "--channels",
        metavar="MAP",
        help="Channel map for all runs. Without it: channels.toml beside the log, or a guess.",
        show_default=False,
    ),
]
Grids = Annotated[
    Path | None,
    typer.Option(
        "--grids",
        metavar="GRIDS.json",
        help="Grid pair in force in runs whose note does not name one.",
        show_default=False,
    ),
]
StartGrids = Annotated[
    Path,
    typer.Option(
        "--grids",
        metavar="GRIDS.json",
        help="Grid pair in force: refine starts from it, and it holds for runs whose note names none.",
        show_default=False,
    ),
]
PlantFile = Annotated[
    Path | None,
    typer.Option(
        "--plant",
        metavar="PLANT.json",
        help="Plant from an earlier refine; without it the car sheet's prior.",
        show_default=False,
    ),
]
Preferred = Annotated[
    str,
    typer.Option(
        "--preference",
        metavar="NAME|FILE.toml",
        help="Calmer or sharper: calm, balanced, sharp, or a file with weights of the score's parts.",
        callback=_preference,
    ),
]
Effort = Annotated[BudgetName, typer.Option("--budget", help="How long to search.")]
Sampling = Annotated[
    SamplerName,
    typer.Option("--sampler", help="How the search draws its trials; the default won by measurement."),
]
Draws = Annotated[
    int,
    typer.Option("--draws", metavar="N", min=4, max=200, help="Plants drawn from what is known of the car."),
]


class Side(StrEnum):
    """What compare compares."""

    COMPOUND = "compound"
    GRIDS = "grids"


By = Annotated[
    Side,
    typer.Option(
        "--by",
        help="Compare tyre compounds, or grid pairs as they were driven: did the last change help?",
    ),
]
Port = Annotated[
    int,
    typer.Option(
        "--port", metavar="N", min=0, max=65535, help="Port to listen on; 0 takes any that is free."
    ),
]
Host = Annotated[
    str,
    typer.Option(
        "--host",
        metavar="H",
        help="Address to listen on; beyond this machine a token is needed, and printed once.",
    ),
]
DataFolder = Annotated[
    Path | None,
    typer.Option(
        "--data",
        metavar="DIR",
        help="Folder for cars, uploads, results and tracked runs.",
        show_default="the user's data folder for gridfit",
    ),
]
Demo = Annotated[bool, typer.Option("--demo", help="Enter the demo car with its logs, and start on them.")]
NewToken = Annotated[
    bool, typer.Option("--new-token", help="Make and print a new token; the old one and all sessions end.")
]
HostNames = Annotated[
    list[str] | None,
    typer.Option(
        "--name", metavar="NAME", help="Host name under which others call this machine; may be repeated."
    ),
]

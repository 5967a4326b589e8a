"""A service for tests, as a process of its own: prints its address, and works on jobs until it is killed."""

import argparse
import sys
import warnings
from pathlib import Path

from pipelines.service.places import Data
from pipelines.service.server import serve
from pipelines.service.settings import Settings


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--data", type=Path, required=True)
    parser.add_argument("--host", default="127.0.0.1")
    parser.add_argument("--tries", type=int, default=3)
    parser.add_argument("--nice", type=int, default=0)
    given = parser.parse_args()
    warnings.simplefilter("ignore")
    serve(
        Settings(Data(given.data), given.host, 0, niceness=given.nice, most_tries=given.tries),
        lambda line: print(line, file=sys.stdout, flush=True),  # noqa: T201 - read by the test
    )


if __name__ == "__main__":
    main()

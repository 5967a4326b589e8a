"""Data that tests share; nothing outside the project is needed."""

import os
from pathlib import Path

import pytest
from hypothesis import settings

# Tests run side by side already: libraries that spread small matrices over all cores would only wait for each other.
# Read when they are first imported, and passed on to the commands that tests start.
for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

# How long one example takes says how busy the machine is, not whether the code is right. Examples are the same in
# every run, so that a change answers for what it changed; new ones: `--hypothesis-profile=default`.
settings.register_profile("gridfit", deadline=None, derandomize=True)
settings.load_profile("gridfit")

DATASETS = Path(__file__).resolve().parents[1] / "datasets"


@pytest.fixture(scope="session")
def demo():
    """Folder of the demo scenario, made by gridfit's own simulator."""
    return DATASETS / "demo"


@pytest.fixture(scope="session")
def independent():
    """Folder of logs from an independent vehicle simulator, with its truth."""
    return DATASETS / "independent"

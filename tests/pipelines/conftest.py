"""A record to write out, and a watch on the network."""

import socket
from datetime import UTC, datetime
from pathlib import Path

import pytest

from gridfit.estimate import Estimate
from pipelines.record import Candidate, InputFile, Record


@pytest.fixture
def record(tmp_path) -> Record:
    sheet = tmp_path / "car.toml"
    sheet.write_text("[car]\n", encoding="utf-8")
    return Record(
        job="propose",
        car="Test car",
        result_id="20260101-120000-abcdef",
        started=datetime(2026, 1, 1, 12, tzinfo=UTC),
        asked={"car": sheet, "preference": "balanced", "note": "x" * 900, "nothing": None},
        inputs=(InputFile.of("car sheet", sheet),),
        seed=7,
        headline="Cost 2 against 9.",
        scores={"before": {"cost": Estimate(9.0, 8.0, 10.0)}, "after": {"cost": Estimate(2.0, 1.0, 3.0)}},
        figures={"episodes": 12, "gears": (1, 2)},
        candidates=(Candidate("calmest kept", {"cost": 2.5, "reslips": float("nan")}),),
    )


@pytest.fixture
def look_ups(monkeypatch) -> list[str]:
    """Names that anything tries to look up while the test runs; looking up fails."""
    asked: list[str] = []

    def refuse(host, *args, **kwargs):
        asked.append(str(host))
        raise socket.gaierror(f"no network in tests: {host}")

    for name in ("getaddrinfo", "gethostbyname", "gethostbyname_ex"):
        monkeypatch.setattr(socket, name, refuse)
    return asked


@pytest.fixture
def elsewhere(tmp_path, monkeypatch) -> Path:
    """An empty current folder, to see what is dropped into it."""
    folder = tmp_path / "elsewhere"
    folder.mkdir()
    monkeypatch.chdir(folder)
    return folder

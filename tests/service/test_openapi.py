"""The API against its own description, by schemathesis: property-based requests, good and bad."""

import os
import re
import subprocess
import sys

import pytest
from service.client import running
from service.test_api import GRIDS

LEAST_CASES = 2000


def test_the_description_has_examples_and_problems_everywhere(data):
    with running(data) as service:
        schema = service.client.get("/api/openapi.json").json()
    operations = [op for path in schema["paths"].values() for op in path.values()]
    assert len(operations) >= 25
    for operation in operations:
        for status in ("400", "401", "404", "422"):
            assert "application/problem+json" in operation["responses"][status]["content"]
    shapes = schema["components"]["schemas"]
    assert "HTTPValidationError" not in shapes
    for name in ("SheetIn", "NoteIn", "PairIn", "TargetIn", "CutIn", "PreferenceIn"):
        assert any("examples" in one for one in shapes[name]["properties"].values()), name


@pytest.mark.timeout(600)
def test_2000_requests_find_no_fault(data, demo, tmp_path):
    with running(data) as service:
        sheet = (demo / "car.toml").read_text(encoding="utf-8")
        # Something to find: half of the interesting paths end early on cars that are not there.
        car = service.client.post("/api/cars", json={"sheet": sheet}).json()["id"]
        service.client.post(f"/api/cars/{car}/grids", json={"label": "as found", "grids": GRIDS})
        service.client.put("/api/preferences/wet", json={"based_on": "calm"})
        job = service.client.post(f"/api/cars/{car}/jobs", json={"kind": "propose"}).json()["id"]
        settings = tmp_path / "schemathesis.toml"
        settings.write_text(
            f'[parameters]\ncar_id = "{car}"\njob_id = "{job}"\npreference = "wet"\n', encoding="utf-8"
        )
        command = [
            sys.executable, "-m", "schemathesis.cli", "--config-file", str(settings), "run",
            f"{service.address}/api/openapi.json",
            "--checks", "not_a_server_error,response_schema_conformance,status_code_conformance,"
            "content_type_conformance,response_headers_conformance",
            "--max-examples", "50", "--phases", "examples,coverage,fuzzing,stateful", "--seed", "7",
            "--generation-deterministic", "--suppress-health-check", "all",
            "--request-timeout", "30", "--max-failures", "5", "--no-color",
            "--exclude-path-regex", "/events$",
        ]  # fmt: skip
        done = subprocess.run(
            command, capture_output=True, text=True, env={**os.environ, "PYTHONIOENCODING": "utf-8"}
        )
    assert done.returncode == 0, done.stdout[-6000:] + done.stderr[-2000:]
    cases = int(re.search(r"(\d[\d,]*) generated", done.stdout)[1].replace(",", ""))
    assert cases >= LEAST_CASES, done.stdout[-1500:]

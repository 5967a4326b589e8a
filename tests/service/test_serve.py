"""gridfit serve as a process: address, demo, token beyond loopback, stop, start again, backup by copying."""

import re
import shutil
import signal
import subprocess
import sys
import time

import httpx
import pytest
from service.conftest import REFINE, ask
from service.serverprocess import ServerProcess
from service.smallcar import enter_small_car

from pipelines.cli import main
from pipelines.service.garage import Garage
from pipelines.service.jobtable import JobTable
from pipelines.service.places import Data
from pipelines.service.supervisor import Supervisor


class Serving:
    """The command itself."""

    def __init__(self, *options: str) -> None:
        code = "import sys; from pipelines.cli import main; sys.exit(main())"
        command = [sys.executable, "-c", code, "serve", "--port", "0", *options]
        self.process = subprocess.Popen(command, stderr=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
        self.said = ""
        while "Stop with Ctrl-C" not in self.said:
            line = self.process.stderr.readline()
            assert line, f"it ended: {self.said}"
            self.said += line
        self.address = re.search(r"at (http://\S+)", self.said)[1]

    def end(self, number: int) -> int:
        self.process.send_signal(number)
        out, _ = self.process.communicate(timeout=60)
        assert out == "", "nothing belongs on standard output"
        return self.process.returncode


def get(address: str, **options) -> httpx.Response:
    for _ in range(200):
        try:
            return httpx.get(address, timeout=60, **options)
        except httpx.ConnectError:
            time.sleep(0.1)
    raise AssertionError("no answer")


def test_demo_opens_with_the_demo_car_and_ends_quietly(quick_folder):
    serving = Serving("--data", str(quick_folder / "d"), "--demo")
    page = get(serving.address)
    assert page.status_code == 200
    assert "marten" in page.text
    assert serving.end(signal.SIGINT) in (0, 130, -signal.SIGINT)
    data = Data(quick_folder / "d")
    [car] = Garage(data).cars(0, 10)
    states = {job.kind: job.state for job in JobTable(data.database).of_car(car.id, None, 10)}
    assert set(states) == {"inspect", "refine"}
    assert "running" not in states.values(), "what was under way waits for the next start"


def test_beyond_loopback_a_token_is_told_once(quick_folder):
    options = ("--data", str(quick_folder / "d"), "--host", "0.0.0.0")
    serving = Serving(*options)
    token = re.search(r"Token .*: (\S+)", serving.said)[1]
    here = serving.address.replace("0.0.0.0", "127.0.0.1")
    assert get(f"{here}api/cars").status_code == 401
    assert get(f"{here}api/cars", headers={"Authorization": f"Bearer {token}"}).status_code == 200
    serving.end(signal.SIGTERM)
    again = Serving(*options)
    assert "Token" not in again.said
    again.end(signal.SIGTERM)
    renewed = Serving(*options, "--new-token")
    assert re.search(r"Token .*: (\S+)", renewed.said)[1] != token
    renewed.end(signal.SIGTERM)


def test_a_port_that_is_taken_and_a_folder_that_is_none_are_said(quick_folder, capsys):
    serving = ServerProcess(quick_folder / "d")
    port = serving.address.rsplit(":", 1)[1]
    try:
        assert main(["serve", "--port", port, "--data", str(quick_folder / "e")]) == 2
        assert "another port" in capsys.readouterr().err
    finally:
        serving.stop()
    (quick_folder / "file").write_text("x")
    assert main(["serve", "--port", "0", "--data", str(quick_folder / "file")]) == 2
    assert "--data" in capsys.readouterr().err


def test_small_answers_do_not_wait_for_an_acknowledgement(quick_folder):
    """Nagle's rule and delayed acknowledgements (RFC 896, RFC 1122) would add 40 ms to each on a kept connection."""
    serving = ServerProcess(quick_folder / "d")
    try:
        took = []
        for _ in range(30):
            begun = time.perf_counter()
            serving.client.get("/api/health")
            took.append(time.perf_counter() - begun)
        assert sorted(took)[5] < 0.03
    finally:
        serving.stop()


def test_a_copied_directory_is_a_backup(finished, quick_folder):
    folder, ids = finished
    copied = Data(quick_folder / "backup")
    shutil.copytree(folder, copied.root)
    service = ServerProcess(copied.root)
    try:
        job = service.client.get(f"/api/jobs/{ids['refine']}").json()
        assert job["state"] == "done"
        kept = service.client.get(f"/api/jobs/{ids['refine']}/files/grids.json").content
        assert kept == (folder / "results" / ids["refine"] / "grids.json").read_bytes()
        assert service.client.get(f"/cars/{ids['car']}").status_code == 200
    finally:
        service.stop()


def test_what_ended_jobs_left_is_swept_at_the_start(data, demo):
    car = enter_small_car(data, demo)
    job_id = ask(data, car.id, REFINE)
    stale = data.root / "jobs" / "0123456789abcdef"
    stale.mkdir()
    kept = data.job(job_id)
    kept.mkdir()
    part = data.incoming / "x.part"
    part.write_bytes(b"x")
    table = JobTable(data.database)
    table.cancel(job_id)
    supervisor = Supervisor(data, table)
    supervisor.start()
    supervisor.stop()
    assert not stale.exists()
    assert not part.exists()
    assert kept.exists(), "a cancelled job may be tried again, with what it had got done"


@pytest.mark.parametrize("owner", ["elsewhere:1:x", None])
def test_a_worker_of_another_machine_is_trusted_until_its_lease_ends(data, demo, owner):
    car = enter_small_car(data, demo)
    job_id = ask(data, car.id, REFINE)
    table = JobTable(data.database, lease_s=60.0 if owner else -1.0)
    table.claim(owner or "elsewhere:1:x")
    supervisor = Supervisor(data, table, slots=0)
    supervisor.look()
    assert table.get(job_id).state == ("running" if owner else "queued")

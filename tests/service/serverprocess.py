"""Starts the service as a process, and kills it without mercy."""

import re
import subprocess
import sys
import time
from pathlib import Path

import httpx

ROOT = Path(__file__).parents[2]
SCRIPT = Path(__file__).with_name("runserver.py")
START_S = 90.0


class ServerProcess:
    """A running service."""

    def __init__(self, data: Path, *options: str) -> None:
        self.process = subprocess.Popen(
            [sys.executable, str(SCRIPT), "--data", str(data), *options],
            stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True, cwd=ROOT,
        )  # fmt: skip
        self.lines: list[str] = []
        self.address = self._address()
        self.token = next((line.split(": ", 1)[1] for line in self.lines if line.startswith("Token")), "")
        self.client = httpx.Client(base_url=self.address, timeout=60.0)
        self._wait()

    def _address(self) -> str:
        for line in self.process.stdout:
            self.lines.append(line.strip())
            found = re.match(r"gridfit is at (http://[^/]+)/", line)
            if found:
                return found[1]
        raise AssertionError(f"the service ended before it said where it is: {self.lines}")

    def _wait(self) -> None:
        end = time.monotonic() + START_S
        while True:
            try:
                assert self.client.get("/api/health").status_code == 200
            except httpx.TransportError:
                assert time.monotonic() < end, "the service does not answer"
                time.sleep(0.05)
            else:
                return

    def kill(self) -> None:
        self.client.close()
        self.process.kill()
        self.process.wait()
        self.process.stdout.close()

    def stop(self) -> None:
        self.client.close()
        self.process.terminate()
        self.process.wait(30)
        self.process.stdout.close()

"""Build the wheel, install it alone in an empty environment, and see that it works away from the project.

Run by .ci/run with the project's own Python. Versions are held to those of the lock, so that a release of
somebody else cannot break this check overnight; whether the wheel names all that it needs is what it shows.
"""

import re
import subprocess
import sys
import tempfile
import time
import urllib.error
import urllib.request
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent))
from fresh import LOCK, ROOT, find_uv


def run(*command, cwd=ROOT):
    """Run a command and stop at the first that fails."""
    subprocess.run([str(part) for part in command], cwd=cwd, check=True)


def constraints(folder):
    """Write the lock's versions without their hashes."""
    lines = LOCK.read_text(encoding="utf-8").splitlines()
    pins = [line.rstrip(" \\") for line in lines if re.match(r"[a-z0-9].*==", line)]
    path = folder / "constraints.txt"
    path.write_text("\n".join(pins) + "\n", encoding="utf-8")
    return path


def serve(gridfit, folder):
    """Start the service on the demo car that the wheel holds, and ask for its page and the files of the page."""
    command = [str(gridfit), "serve", "--port", "0", "--demo", "--data", str(folder / "data")]
    process = subprocess.Popen(command, cwd=folder, stderr=subprocess.PIPE, text=True)
    try:
        line = process.stderr.readline()
        address = re.search(r"(http://\S+?/)cars/\S+", line)
        if address is None:
            sys.exit("serve said: " + line)
        for path in (address[0], address[1] + "static/notebook.js", address[1] + "static/notebook.css"):
            fetch(path)
    finally:
        process.terminate()
        process.communicate(timeout=60)


def fetch(address):
    """Fetch a page of this machine; the service may need a moment after it has said where it is."""
    for _ in range(300):
        try:
            with urllib.request.urlopen(address, timeout=60) as answer:
                return answer.read()
        except urllib.error.URLError as error:
            if not isinstance(error.reason, ConnectionRefusedError):
                raise
            time.sleep(0.1)
    sys.exit("no answer from " + address)


def main():
    """Build, install, try."""
    uv = find_uv()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        if uv:
            run(uv, "build", "--quiet", "--wheel", "--out-dir", folder)
        else:
            run(sys.executable, "-m", "pip", "wheel", "--quiet", "--no-deps", "--wheel-dir", folder, ROOT)
        (wheel,) = folder.glob("gridfit-*.whl")
        run(sys.executable, "-m", "venv", folder / "bare")
        scripts = folder / "bare" / ("Scripts" if sys.platform == "win32" else "bin")
        pip = [uv, "pip", "install", "--python", scripts / "python"] if uv else [scripts / "pip", "install"]
        run(*pip, "--quiet", "--constraint", constraints(folder), wheel)
        run(scripts / "gridfit", "--version", cwd=folder)
        run(scripts / "gridfit", "--help", cwd=folder)
        car, runs = (
            ROOT / "datasets" / "demo" / "car.toml",
            ROOT / "datasets" / "demo" / "soft" / "soft1.parquet",
        )
        serve(scripts / "gridfit", folder)
        run(
            scripts / "gridfit",
            "inspect",
            car,
            runs,
            "--out",
            folder / "checked",
            "--no-tracking",
            cwd=folder,
        )
        wanted = {"summary.json", "report.html", "episodes.csv", "findings.csv", "calibration.json"}
        missing = wanted - {path.name for path in (folder / "checked").iterdir()}
        if missing:
            sys.exit("the installed wheel's inspect did not write %s" % ", ".join(sorted(missing)))
        print("bare install: inspect wrote", ", ".join(sorted(wanted)))


if __name__ == "__main__":
    main()

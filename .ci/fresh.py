"""From a fresh copy of the project to a result: make .venv, install from the lock, then run the demo or the tests.

Needs Python 3.11 or newer and the package registry, nothing else. Uses uv where it is there or can be had, and
pip otherwise. Run it again at any time: what is already set up is left as it is.

    python3 .ci/fresh.py demo            refine the demo car's logs into out/demo and open the report
    python3 .ci/fresh.py test [OPTION..] run the tests (options go to pytest)
    python3 .ci/fresh.py setup           only make .venv
"""

import hashlib
import os
import shutil
import subprocess
import sys
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
VENV = ROOT / ".venv"
LOCK = ROOT / "requirements.lock"
STAMP = VENV / "gridfit-installed.txt"
BIN = VENV / ("Scripts" if os.name == "nt" else "bin")
PYTHON = BIN / ("python.exe" if os.name == "nt" else "python")
OLDEST = (3, 11)


def say(text):
    print(text, file=sys.stderr, flush=True)


def call(*command, **options):
    """Run a command in the project's folder and return its exit code."""
    return subprocess.run([str(part) for part in command], cwd=ROOT, **options).returncode


def must(*command):
    """Run a command that has to succeed; its exit code ends the script otherwise."""
    code = call(*command)
    if code:
        say("This failed with exit code %d: %s" % (code, " ".join(str(part) for part in command)))
        sys.exit(code)


def fingerprint():
    """What the environment was made from: lock, project file, interpreter."""
    digest = hashlib.sha256(LOCK.read_bytes() + (ROOT / "pyproject.toml").read_bytes())
    return "%s %s" % (digest.hexdigest(), sys.version.split()[0])


def find_uv():
    """Return the command of a uv that works, or None. A uv of the environment itself counts too."""
    for found in (shutil.which("uv"), BIN / ("uv.exe" if os.name == "nt" else "uv")):
        if found and Path(found).exists() and not call(found, "--version", stdout=subprocess.DEVNULL):
            return str(found)
    return None


def make_venv():
    """Make an empty environment with the interpreter that runs this script."""
    if VENV.exists():
        shutil.rmtree(VENV)
    if call(sys.executable, "-m", "venv", VENV):
        say("Python could not make a virtual environment. On Debian and Ubuntu: apt install python3-venv.")
        sys.exit(1)
    if not PYTHON.exists():
        say("%s is missing after the environment was made; is another Python in the way?" % PYTHON)
        sys.exit(1)


def install():
    """Install everything of the lock, by hash, then the project itself."""
    uv = find_uv()
    if uv is None:
        call(PYTHON, "-m", "pip", "install", "--quiet", "--disable-pip-version-check", "uv")
        uv = find_uv()
    if uv is None:
        say("uv is not to be had; going on with pip, which takes a minute or more.")
        # Compiling all libraries ahead takes pip longer than fetching them; as with uv, it happens at first use.
        pip = (PYTHON, "-m", "pip", "install", "--quiet", "--no-compile", "--disable-pip-version-check")
    else:
        pip = (uv, "pip", "install", "--quiet", "--python", PYTHON)
    must(*pip, "--require-hashes", "-r", LOCK)
    must(*pip, "--no-deps", "-e", ROOT)


def setup():
    """Make the environment unless it is there and made from the same lock."""
    if STAMP.exists() and STAMP.read_text(encoding="utf-8") == fingerprint():
        return
    begun = time.monotonic()
    say("Setting up .venv from requirements.lock ...")
    make_venv()
    install()
    STAMP.write_text(fingerprint(), encoding="utf-8")
    say("Set up in %.0f s." % (time.monotonic() - begun))


def demo(options):
    """Refine the demo car's grids from its logs and open the report."""
    demo_files = Path("datasets") / "demo"
    say("Refining the demo car's grids; the first run also compiles the simulator, about a minute more.")
    return call(
        BIN / ("gridfit.exe" if os.name == "nt" else "gridfit"), "refine", demo_files / "car.toml",
        demo_files / "soft", "--grids", demo_files / "grids_milder.json", "--out", Path("out") / "demo",
        "--overwrite", "--tracking", Path("out") / "tracking", "--open", *options,
    )  # fmt: skip


def test(options):
    """Run the tests on up to two processes."""
    spread = [] if any(o.startswith("-n") for o in options) else ["-n", str(min(2, os.cpu_count() or 1))]
    return call(PYTHON, "-m", "pytest", *spread, *options)


def main(arguments):
    """Do what is asked and return the exit code."""
    if sys.version_info < OLDEST:
        say(
            "Python %s is too old: 3.11 or newer is needed. Try python3.11 or newer." % sys.version.split()[0]
        )
        return 2
    tasks = {"demo": demo, "test": test, "setup": lambda options: 0}
    if not arguments or arguments[0] not in tasks:
        say(__doc__)
        return 2
    setup()
    return tasks[arguments[0]](arguments[1:])


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))

"""Audit of what is installed, as far as it goes without a network: against the lock, and each other.

A database of known faults lies on the network and is not asked here. What can be seen offline: that every package is
the version that the lock names, that the lock has a hash for each file, and that no package lacks or contradicts
another.
"""

import re
import subprocess
import sys
from importlib.metadata import distributions
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent))
from fresh import LOCK, find_uv

TOOLS = {"pip", "setuptools", "wheel", "uv", "gridfit"}
"""What an environment holds besides the lock's packages."""


def plain(name):
    """Return a package's name as registries compare it (PEP 503)."""
    return re.sub(r"[-_.]+", "-", name).lower()


def main():
    """Compare, check, and end with 1 when something is wrong."""
    text = LOCK.read_text(encoding="utf-8")
    pins = re.findall(
        r"^([a-z0-9._-]+)==([^ ;\\]+)[^\n]*\\\n((?:    --hash=sha256:[0-9a-f]{64}[^\n]*\n)+)",
        text,
        flags=re.M,
    )
    named = len(re.findall(r"^[a-z0-9._-]+==", text, flags=re.M))
    faults = [] if len(pins) == named else ["%d of %d pins have no hash" % (named - len(pins), named)]
    locked = {}
    for name, version, _ in pins:
        locked.setdefault(plain(name), set()).add(version)
    for one in distributions():
        name = plain(one.metadata["Name"])
        if name not in TOOLS and one.version not in locked.get(name, set()):
            faults.append("%s %s is not what the lock names" % (name, one.version))
    uv = find_uv()
    check = [uv, "pip", "check", "--python", sys.executable] if uv else [sys.executable, "-m", "pip", "check"]
    if subprocess.run(check, stdout=subprocess.DEVNULL).returncode:
        faults.append("packages contradict each other: %s" % " ".join(check))
    print("%d packages, each with its hash; %d faults" % (len(locked), len(faults)))
    sys.exit("\n".join(faults) or None)


if __name__ == "__main__":
    main()

"""Make the example reports in reports/ from the demo scenario, and pictures of them where Chromium is at hand.

Run with the project's own Python: .venv/bin/python .ci/examples.py
"""

import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
DEMO = Path("datasets") / "demo"
REPORTS = ROOT / "reports"
CAR, SOFT, HARD = DEMO / "car.toml", DEMO / "soft", DEMO / "hard"
GRIDS = DEMO / "grids_milder.json"
JOBS = {
    "inspect": ["inspect", CAR, SOFT, "--grids", GRIDS],
    "propose": ["propose", CAR],
    "refine": ["refine", CAR, SOFT, "--grids", GRIDS],
    "score": ["score", CAR, GRIDS],
    "compare": ["compare", CAR, SOFT, HARD],
}
HEIGHT = 1800


def chromium():
    """Return the command of a Chromium, or None."""
    return next(
        (p for name in ("chromium", "chromium-browser", "google-chrome") if (p := shutil.which(name))), None
    )


def picture(browser, page, target):
    """Take a picture of the head of a report."""
    with tempfile.TemporaryDirectory() as profile:
        subprocess.run(
            [
                browser, "--headless", "--no-sandbox", "--disable-gpu", "--no-first-run", "--hide-scrollbars",
                "--disable-background-networking", "--disable-sync", f"--user-data-dir={profile}",
                f"--window-size=1280,{HEIGHT}", f"--screenshot={target}", page.as_uri(),
            ],
            check=True, stderr=subprocess.DEVNULL, stdout=subprocess.DEVNULL,
        )  # fmt: skip


def main():
    """Run each job and keep its report."""
    browser = chromium()
    with tempfile.TemporaryDirectory() as name:
        for job, arguments in JOBS.items():
            out = Path(name) / job
            command = [
                Path(sys.executable).parent / "gridfit",
                *arguments,
                "--out",
                out,
                "--no-tracking",
                "--seed",
                "1",
            ]
            subprocess.run([str(part) for part in command], check=True, cwd=ROOT)
            shutil.copy(out / "report.html", REPORTS / f"{job}.html")
            if browser:
                picture(browser, REPORTS / f"{job}.html", REPORTS / f"{job}.png")
            print("made", f"reports/{job}.html")


if __name__ == "__main__":
    main()

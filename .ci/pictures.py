"""Make the README's pictures of the notebook, reports/notebook_*.png, from the demo car; needs Chromium.

Run with the project's own Python: .venv/bin/python .ci/pictures.py
"""

import sys
import tempfile
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
sys.path.insert(0, str(ROOT / "tests"))

from playwright.sync_api import expect
from service.browser import opened
from service.client import running

from pipelines.service import demo
from pipelines.service.places import Data

CELL = "input[data-grid='cut'][data-row='0'][data-col='1']"


def between(page, first, last):
    """Return the part of the page from one heading to the next."""
    top = page.locator(first).bounding_box()["y"] - 30
    end = page.locator(last).bounding_box()["y"] - 30
    return {"x": 0, "y": top, "width": 1280, "height": end - top}


def main():
    """Let the demo's jobs run, open the page, edit a cell, take the pictures."""
    with tempfile.TemporaryDirectory() as folder:
        data = Data(Path(folder) / "data").prepare()
        car = demo.enter(data)
        with running(data, supervise=True) as service, opened(service.address) as seen:
            while service.jobs.in_state("queued") or service.jobs.in_state("running"):
                time.sleep(1.0)
            page = seen.page
            page.set_viewport_size({"width": 1280, "height": 900})
            page.goto(f"/cars/{car}")
            expect(page.locator("#verdict")).to_contain_text("Cost", timeout=60_000)
            page.locator(CELL).fill("60")
            page.wait_for_timeout(3000)
            page.locator("html").evaluate("(one) => one.scrollTo({ top: 0, behavior: 'instant' })")
            for name, first, last in (
                ("logs", "h1", "#plant"), ("grids", "#grids", "#episodes"), ("episodes", "#episodes", "#tyres"),
            ):  # fmt: skip
                target = ROOT / "reports" / f"notebook_{name}.png"
                page.screenshot(path=str(target), full_page=True, clip=between(page, first, last))
                print(target.relative_to(ROOT))


if __name__ == "__main__":
    main()

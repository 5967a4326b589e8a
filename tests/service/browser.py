"""Debian's Chromium driven by Playwright; absent on a developer's machine its tests are skipped, in CI they fail."""

import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from playwright.sync_api import Page, sync_playwright

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
AXE = Path(__file__).parent / "vendor" / "axe.min.js"
SHOTS = os.environ.get("GRIDFIT_SHOTS")
"""Folder for pictures of the pages, to be looked at; none are kept without it."""

ARGUMENTS = [
    "--no-sandbox", "--disable-gpu", "--disable-background-networking", "--disable-component-update",
    "--disable-sync", "--disable-quic", "--no-first-run", "--disable-dev-shm-usage",
]  # fmt: skip

needs_browser = pytest.mark.skipif(
    CHROMIUM is None and not os.environ.get("CI"),
    reason="no Chromium on this machine; install the package chromium to run the browser tests (CI always does)",
)


class Watched:
    """A page, and everything that went wrong on it."""

    def __init__(self, page: Page, address: str) -> None:
        self.page, self.faults, self.address = page, [], address
        page.on("pageerror", lambda error: self.faults.append(f"error: {error}"))
        page.on("console", self._heard)
        page.on("request", self._asked)

    def _heard(self, message) -> None:
        if (
            message.type == "error" and "status of 4" not in message.text
        ):  # refused entries are part of the flow
            self.faults.append(f"console: {message.text}")

    def _asked(self, request) -> None:
        if not request.url.startswith((self.address, "blob:", "data:")):
            self.faults.append(f"asked for {request.url}")

    def shot(self, name: str) -> None:
        if SHOTS:
            Path(SHOTS).mkdir(parents=True, exist_ok=True)
            self.page.screenshot(path=str(Path(SHOTS) / f"{name}.png"), full_page=True)


@contextmanager
def opened(address: str, **context) -> Iterator[Watched]:
    """A fresh browser on the service's address."""
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM or "/usr/bin/chromium", args=ARGUMENTS)
        try:
            page = browser.new_context(base_url=address, locale="en-GB", **context).new_page()
            page.set_default_timeout(60_000)
            yield Watched(page, address)
        finally:
            browser.close()


def serious_issues(page: Page) -> list[str]:
    """What axe-core finds that is serious or critical.

    Source: axe-core 4.14.1 (vendored; MPL-2.0), rules of WCAG 2.0 to 2.2, levels A and AA.
    """
    # The page's policy lets no foreign script in; the test's own world is apart from it.
    session = page.context.new_cdp_session(page)
    frame = session.send("Page.getFrameTree")["frameTree"]["frame"]["id"]
    world = session.send("Page.createIsolatedWorld", {"frameId": frame, "worldName": "axe"})[
        "executionContextId"
    ]
    ask = (
        AXE.read_text(encoding="utf-8")
        + ";axe.run(document,{runOnly:['wcag2a','wcag2aa','wcag21a','wcag21aa','wcag22aa','best-practice']})"
        ".then(r=>JSON.stringify(r.violations.map(v=>[v.impact,v.id,v.nodes.map(n=>n.target.join(' ')).slice(0,3)])))"
    )
    answer = session.send("Runtime.evaluate", {"expression": ask, "contextId": world, "awaitPromise": True})
    assert "exceptionDetails" not in answer, answer
    import json

    found = json.loads(answer["result"]["value"])
    return [f"{impact} {name}: {where}" for impact, name, where in found if impact in ("serious", "critical")]

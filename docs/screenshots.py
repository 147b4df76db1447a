"""Pictures of the demo's report for the docs. Run by hand: python docs/screenshots.py [FOLDER]

Needs Chromium and the packages of the extra `test`. Look at the pictures before they are kept.
"""

from __future__ import annotations

import shutil
import sys
import tempfile
from pathlib import Path
from typing import Any

from playwright.sync_api import sync_playwright

import waysapart as wa

ROOT = Path(__file__).resolve().parents[1]
PICTURES = ROOT / "docs" / "pictures"
WIDTH, HEIGHT = 1180, 860


def main() -> None:
    """Write the report, open it, and take one picture of each thing that the docs speak of."""
    folder = Path(sys.argv[1]) if len(sys.argv) > 1 else PICTURES
    folder.mkdir(parents=True, exist_ok=True)
    browser_at = next(
        path
        for name in ("chromium", "chromium-browser", "google-chrome")
        if (path := shutil.which(name))
    )
    with tempfile.TemporaryDirectory() as made, sync_playwright() as driver:
        report = Path(made) / "report.html"
        wa.write_report(wa.prove(wa.read_study(ROOT / "examples" / "estuary")), report)
        browser = driver.chromium.launch(
            executable_path=browser_at, args=["--no-sandbox", "--disable-gpu"]
        )
        context = browser.new_context(
            offline=True, reduced_motion="reduce", viewport={"width": WIDTH, "height": HEIGHT}
        )
        page = context.new_page()
        page.goto(report.as_uri())
        page.wait_for_selector(".plan-canvas[data-drawn]", state="attached")
        page.screenshot(path=folder / "report-answer.png")
        _map(page, folder)
        _strip(page, "C03", folder / "report-strip.png")
        _strip(page, "C25", folder / "report-strip-near.png")
        browser.close()


def _map(page: Any, folder: Path) -> None:
    """A pit picked on the map, and a circuit chosen that it takes."""
    page.select_option("#plan-circuit", label="C04 · Heronfleet-Plovermoor 1")
    page.fill("#plan-find", "PIT-HER-7")
    page.keyboard.press("Enter")
    page.select_option("#plan-circuit", label="C17 · Heronfleet-Plovermoor trip")
    page.evaluate("document.getElementById('map').scrollIntoView()")
    page.screenshot(path=folder / "report-map.png")
    page.keyboard.press("Escape")


def _strip(page: Any, circuit: str, path: Path) -> None:
    entry = page.locator(f"details.circuit:has(h3 .id:text-is('{circuit}'))")
    entry.scroll_into_view_if_needed()
    entry.locator(".strip-box").screenshot(path=path)


if __name__ == "__main__":
    main()

"""Headless Chromium for the tests of the report, and a page that tells what it did."""

from __future__ import annotations

import json
import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

BROWSERS = ("chromium", "chromium-browser", "google-chrome", "google-chrome-stable")
ARGUMENTS = ["--no-sandbox", "--disable-gpu", "--disable-quic"]
NEEDED = os.environ.get("WAYSAPART_NEED_BROWSER") == "1"


@contextmanager
def chromium() -> Iterator[Any]:
    """A browser; where none is found the test is skipped, or fails if one is needed."""
    found = next((path for name in BROWSERS if (path := shutil.which(name))), None)
    if found is None:
        if NEEDED:
            pytest.fail(f"no browser found; looked for {', '.join(BROWSERS)}")
        pytest.skip("no browser found")
    playwright = pytest.importorskip("playwright.sync_api")
    with playwright.sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=found, args=ARGUMENTS)
        try:
            yield browser
        finally:
            browser.close()


class Watched:
    """Opens reports from files, without a network; remembers requests and complaints."""

    def __init__(self, browser: Any) -> None:
        self._browser = browser
        self._contexts: list[Any] = []
        self.requests: list[str] = []
        self.complaints: list[str] = []

    def open(self, path: Path, *, drawn: bool = True, **options: Any) -> Any:
        """A page with the report in it; `drawn`: once its map is drawn, if it has one."""
        wanted: dict[str, Any] = {"viewport": {"width": 1300, "height": 900}} | options
        context = self._browser.new_context(offline=True, reduced_motion="reduce", **wanted)
        self._contexts.append(context)
        page = context.new_page()
        page.on("request", lambda request: self.requests.append(request.url))
        page.on("pageerror", lambda error: self.complaints.append(str(error)))
        page.on("console", lambda message: self.complaints.append(message.text))
        page.on("dialog", lambda dialog: self.complaints.append(dialog.message))
        page.add_init_script("window.ran = n => { window.hasRun = n; };")
        page.goto(path.as_uri())
        if drawn and page.locator(".plan-frame").count():
            page.wait_for_selector(".plan-canvas[data-drawn]", state="attached")
        return page

    def close(self) -> None:
        """Close all pages; nothing may have been asked for but the files themselves."""
        for context in self._contexts:
            context.close()
        assert self.complaints == []
        elsewhere = [
            url for url in self.requests if not url.startswith(("file:", "data:", "blob:"))
        ]
        assert elsewhere == []
        assert sum(url.startswith("file:") for url in self.requests) == len(self._contexts)


def pixels(page: Any, name: str) -> int:
    """How many pixels of the map have a colour of the page."""
    found: int = page.evaluate(
        """name => {
          const drawn = document.querySelector('.plan-canvas');
          const h = getComputedStyle(document.querySelector('.folium-map'))
            .getPropertyValue('--' + name).trim();
          const want = [1, 3, 5].map(i => parseInt(h.slice(i, i + 2), 16));
          const copy = new OffscreenCanvas(drawn.width, drawn.height)
            .getContext('2d', { willReadFrequently: true });
          copy.drawImage(drawn, 0, 0);
          const d = copy.getImageData(0, 0, drawn.width, drawn.height).data;
          let n = 0;
          for (let i = 0; i < d.length; i += 4)
            if (d[i + 3] > 250 && want.every((v, k) => Math.abs(v - d[i + k]) < 4)) n++;
          return n;
        }""",
        name,
    )
    return found


def marks_of(text: str) -> list[tuple[float, str]]:
    """Place and id of every mark: of an even row the two ends and their number are kept."""
    found: list[tuple[float, str]] = []
    for one in json.loads(text):
        if len(one) == 2:
            found.append((one[0], one[1]))
            continue
        x, last_x, first, last, count = one
        head = first.rstrip("0123456789")
        begin, end = int(first[len(head) :]), int(last[len(head) :])
        assert abs(end - begin) == count - 1 > 2
        wide = len(first) - len(head) if "0" in (first[len(head)], last[len(head)]) else 0
        for k in range(count):
            number = begin + k * (1 if end > begin else -1)
            found.append((x + k * (last_x - x) / (count - 1), f"{head}{number:0{wide}d}"))
    return found

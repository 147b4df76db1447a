"""Headless Chromium and Firefox for the tests of the report, and a page that tells what it did."""

from __future__ import annotations

import json
import os
import shutil
import socket
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

BROWSERS = ("chromium", "chromium-browser", "google-chrome", "google-chrome-stable")
FOXES = ("firefox-esr", "firefox")
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


class Fox:
    """A window of Firefox, for what must work in a second engine."""

    def __init__(self, driver: Any) -> None:
        self._driver = driver

    def open(self, path: Path, *, at: str = "") -> None:
        """The page anew, even where it was open at another hash."""
        self._driver.navigate("about:blank")
        self._driver.navigate(path.as_uri() + at)

    def run(self, script: str, *arguments: Any) -> Any:
        """What a script returns; `await` may be used in it."""
        return self._driver.execute_async_script(
            "const [given, done] = arguments, { waysapart } = window.wrappedJSObject;"
            f"(async () => {{ {script} }})().then(value => done([value, null]),"
            " error => done([null, String(error)]));",
            script_args=(list(arguments),),
        )


@contextmanager
def firefox(profile: Path) -> Iterator[Fox]:
    """Firefox without a window, driven by Marionette; skipped or failed as `chromium`."""
    found = next((path for name in FOXES if (path := shutil.which(name))), None)
    if found is None:
        (pytest.fail if NEEDED else pytest.skip)(f"no Firefox found; looked for {FOXES}")
    marionette = pytest.importorskip("marionette_driver.marionette")
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    profile.mkdir(parents=True, exist_ok=True)
    settings = {
        "marionette.port": port,
        "browser.shell.checkDefaultBrowser": False,
        "browser.startup.page": 0,
        "datareporting.policy.dataSubmissionEnabled": False,
        "toolkit.telemetry.reportingpolicy.firstRun": False,
        "network.proxy.type": 1,  # no page may reach a network: all goes to a port that is shut
        "network.proxy.http": "127.0.0.1",
        "network.proxy.http_port": 9,
        "network.proxy.ssl": "127.0.0.1",
        "network.proxy.ssl_port": 9,
    }
    lines = [f"user_pref({json.dumps(name)}, {json.dumps(to)});" for name, to in settings.items()]
    (profile / "user.js").write_text("\n".join(lines), encoding="utf-8")
    process = subprocess.Popen(
        [found, "--headless", "--marionette", "--no-remote", "--profile", str(profile)],
        stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        env={**os.environ, "HOME": str(profile), "MOZ_HEADLESS_WIDTH": "1300"},
    )  # fmt: skip
    try:
        driver = marionette.Marionette(host="127.0.0.1", port=port)
        driver.raise_for_port(timeout=90)
        driver.start_session()
        driver.timeout.script = 120
        yield Fox(driver)
        driver.delete_session()
    finally:
        process.terminate()
        process.wait(30)


class Watched:
    """Opens reports from files, without a network; remembers requests and complaints."""

    def __init__(self, browser: Any) -> None:
        self._browser = browser
        self._contexts: list[Any] = []
        self.requests: list[str] = []
        self.complaints: list[str] = []

    def open(self, path: Path, *, drawn: bool = True, at: str = "", **options: Any) -> Any:
        """A page with the report in it, at a hash; `drawn`: once its map is, if it has one."""
        wanted: dict[str, Any] = {
            "viewport": {"width": 1300, "height": 900}, "reduced_motion": "reduce",
        } | options  # fmt: skip
        context = self._browser.new_context(offline=True, **wanted)
        self._contexts.append(context)
        page = context.new_page()
        page.on("request", lambda request: self.requests.append(request.url))
        page.on("pageerror", lambda error: self.complaints.append(str(error)))
        page.on("console", lambda message: self.complaints.append(message.text))
        page.on("dialog", lambda dialog: self.complaints.append(dialog.message))
        page.add_init_script("window.ran = n => { window.hasRun = n; };")
        page.goto(path.as_uri() + at)
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

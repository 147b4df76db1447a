"""Size of reports of large plants, and how soon a browser answers in them.

    python tests/benchmarks/report_size.py [--sizes 10k grid 100k]

Run by hand, with headless Chromium. The figures go under 'Reports' in docs/performance.md,
in the place of those that stand there. Interactive means: the map is drawn and a frame has
been shown after it, counted from the start of navigation to the file; after that each tool is
used once and timed from the press to the frame that shows its answer.
"""

from __future__ import annotations

import argparse
import os
import shutil
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from national_plant import SIZES, Plant
from playwright.sync_api import sync_playwright
from run import PAGE, machine

import waysapart as wa
from waysapart.cli.common import json_text
from waysapart.evidence_file import in_file

BEGIN, END = "<!-- reports: begin -->", "<!-- reports: end -->"
BROWSERS = ("chromium", "chromium-browser", "google-chrome")
LIMITS = {"10k": "15 MB, 3 s", "grid": "15 MB", "100k": "40 MB, usable"}
"""Goals; `grid` is a transmission grid, where 253 of 400 circuits share long stretches."""
FRAME = "await new Promise(r => requestAnimationFrame(() => setTimeout(r, 0)));"
TOOLS = {
    "choose a circuit": """
        const list = document.querySelector('#plan-circuit'); list.selectedIndex = 1;
        list.dispatchEvent(new Event('change'));""",
    "find an asset": """
        const box = document.querySelector('#plan-find'); box.value = '7';
        box.dispatchEvent(new Event('input'));
        document.querySelector('#plan-found button').click();""",
    "filter the table": """
        const box = document.querySelector('.table-tools input'); box.value = 'shared';
        box.dispatchEvent(new Event('input'));""",
    "sort the table": "document.querySelector('table[data-table=circuits] .sort').click();",
    "open an entry": """
        const one = document.querySelector('details.circuit:not([open])'); one.open = true;
        one.scrollIntoView();""",
}


@dataclass(frozen=True)
class Opened:
    """Until interactive on the clock and in the page's processor time; memory; each tool."""

    interactive_ms: float
    cpu_s: float
    heap_bytes: float
    tools_ms: dict[str, float]


def opened(browser: Any, path: Path) -> Opened:
    """Open a report in a fresh window and use each tool once."""
    page = browser.new_context(offline=True, viewport={"width": 1300, "height": 900}).new_page()
    page.set_default_timeout(120_000)
    session = page.context.new_cdp_session(page)
    session.send("Performance.enable")
    page.goto(path.as_uri(), wait_until="commit")
    page.wait_for_selector(".plan-canvas[data-drawn]", state="attached")
    begun = page.evaluate(f"async () => {{ {FRAME} return performance.now(); }}")
    told = session.send("Performance.getMetrics")["metrics"]
    cpu = next(one["value"] for one in told if one["name"] == "ProcessTime")
    heap = page.evaluate("performance.memory.usedJSHeapSize")
    tools = {
        name: page.evaluate(
            "async () => { const begin = performance.now();"
            f" {act} {FRAME} return performance.now() - begin; }}"
        )
        for name, act in TOOLS.items()
    }
    page.context.close()
    return Opened(begun, cpu, heap, tools)


def row(size: str, folder: Path, browser: Any, runs: int) -> str:
    """Write the report of a plant and measure it."""
    Plant(SIZES[size]).write(folder / size)
    proof = wa.prove(wa.read_study(folder / size))
    begin, path = time.perf_counter(), folder / f"{size}.html"
    wa.write_report(proof, path)
    written = time.perf_counter() - begin
    evidence = len(json_text(in_file(proof.facts())))
    found = sorted((opened(browser, path) for _ in range(runs)), key=lambda o: o.interactive_ms)
    middle = found[len(found) // 2]
    tools = "; ".join(f"{name} {ms:.0f} ms" for name, ms in middle.tools_ms.items())
    segments = len(proof.study.tables["segments"])
    return (
        f"| {segments:,} / {SIZES[size].circuits:,} | {LIMITS[size]} "
        f"| {path.stat().st_size / 1e6:.1f} MB | {evidence / 1e6:.1f} MB | {written:.0f} s "
        f"| {middle.cpu_s:.1f} s ({middle.interactive_ms / 1000:.1f} s) "
        f"| {middle.heap_bytes / 1e6:.0f} MB | {tools} |"
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--sizes", nargs="+", choices=sorted(LIMITS), default=list(LIMITS))
    parser.add_argument("--runs", type=int, default=3)
    parser.add_argument("--dry", action="store_true", help="print only")
    chosen = parser.parse_args()
    program = next((path for name in BROWSERS if (path := shutil.which(name))), None)
    if program is None:
        sys.exit(f"no browser found; looked for {', '.join(BROWSERS)}")
    with tempfile.TemporaryDirectory() as made, sync_playwright() as driver:
        browser = driver.chromium.launch(
            executable_path=program, args=["--no-sandbox", "--disable-gpu"]
        )
        rows = [row(size, Path(made), browser, chosen.runs) for size in chosen.sizes]
        told = [
            f"{machine()} Chromium {browser.version}, headless, without a graphics processor; "
            f"median of {chosen.runs} openings. Load average when done: {os.getloadavg()[0]:.0f}. "
            "Interactive after: processor time of the page's process (time on the clock).",
            "",
            "| Segments / circuits | Goal | Report | JSON | Written in | Interactive after "
            "| Script memory | From press to answer |",
            "| --- | --- | --- | --- | --- | --- | --- | --- |",
            *rows,
        ]
        browser.close()
    print("\n".join(told))
    if not chosen.dry:
        text = PAGE.read_text(encoding="utf-8")
        before, after = text.split(BEGIN)[0], text.split(END)[1]
        PAGE.write_text("\n".join([before + BEGIN, *told, END]) + after, encoding="utf-8")


if __name__ == "__main__":
    main()

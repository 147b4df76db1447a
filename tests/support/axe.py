"""axe-core, an accessibility engine from npm, for the tests of the pages alone.

It is taken from WAYSAPART_AXE (the path of axe.min.js), else installed into a folder that goes
away again.
"""

from __future__ import annotations

import os
import shutil
import subprocess
from pathlib import Path
from typing import Any

import pytest

from browser import NEEDED

RULES = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]
"""WCAG 2.2, levels A and AA, as axe-core names them."""


def axe_source(folder: Path) -> str:
    """The engine's script."""
    given = os.environ.get("WAYSAPART_AXE")
    if given:
        return Path(given).read_text(encoding="utf-8")
    npm = shutil.which("npm")
    command = [npm, "install", "--silent", "--no-save", "--prefix", str(folder), "axe-core@4"]
    try:
        found = npm is not None and not subprocess.run(command, timeout=90, check=False).returncode
    except subprocess.TimeoutExpired:
        found = False
    if not found:
        (pytest.fail if NEEDED else pytest.skip)(
            "axe-core is not here: give its axe.min.js in WAYSAPART_AXE, or install npm"
        )
    source = folder / "node_modules" / "axe-core" / "axe.min.js"
    return source.read_text(encoding="utf-8")


def findings(page: Any, axe: str, kind: str, values: list[str]) -> list[Any]:
    """What the engine finds on a page."""
    page.evaluate(axe)
    told = page.evaluate(
        "wanted => axe.run(document, {runOnly: wanted, resultTypes: ['violations']})",
        {"type": kind, "values": values},
    )
    assert len(told["passes"]) >= (15 if kind == "tag" else 1)
    return [
        (one["id"], [(n["html"][:120], n["failureSummary"][:300]) for n in one["nodes"][:3]])
        for one in told["violations"]
    ]


def look_through(page: Any) -> None:
    """Down the page and back, as a reader goes: a wide table takes the focus once it is near.

    Each step waits for two frames, as a busy machine draws late.
    """
    page.evaluate(
        "(async () => { const frame = () => new Promise(r => requestAnimationFrame(r));"
        " const pause = async () => { await frame(); await frame();"
        " await new Promise(r => setTimeout(r, 30)); };"
        " for (let y = 0; y < document.documentElement.scrollHeight; y += 700) {"
        " window.scrollTo(0, y); await pause(); } window.scrollTo(0, 0); await pause(); })()"
    )


def complaints(page: Any, axe: str, scheme: str) -> list[Any]:
    """What the engine finds in a colour scheme; in the dark, colours alone can differ."""
    look_through(page)
    wanted = ("rule", ["color-contrast"]) if scheme == "dark" else ("tag", RULES)
    return findings(page, axe, *wanted)

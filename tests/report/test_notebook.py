"""Studies and proofs in a notebook: shown well, shown safely, and the example notebook runs."""

from __future__ import annotations

import json
import os
import re
import shutil
from pathlib import Path
from typing import Any

import pytest

import waysapart as wa
from proofs import proof_of
from small_study import write_small_study

EXAMPLES = Path(__file__).resolve().parents[2] / "examples"
NOTEBOOK = EXAMPLES / "estuary.ipynb"
HOSTILE = "<script>ran(1)</script>{{ 7*7 }}{% raw %}`${ran(2)}`<img src=x onerror=ran(3)>\u202eevil"


@pytest.fixture(scope="module")
def estuary(estuary_proof: wa.Proof) -> wa.Proof:
    return estuary_proof


@pytest.fixture(scope="module")
def hostile(tmp_path_factory: pytest.TempPathFactory) -> wa.Proof:
    """The small study, its ids, kinds and names made of what starts code somewhere."""
    folder = write_small_study(tmp_path_factory.mktemp("hostile"))
    for path in folder.iterdir():
        text = path.read_text(encoding="utf-8")
        for name in ("K1", "S2", "West Sands", "tower", "Small estuary"):
            quoted = json.dumps(name + HOSTILE)[1:-1]
            if path.suffix == ".csv":
                text = re.sub(rf"\b{name}\b", lambda found: found[0] + HOSTILE, text)
            else:
                text = text.replace(f'"{name}"', f'"{quoted}"')
        path.write_text(text, encoding="utf-8")
    return proof_of(folder)


def test_a_study_shows_its_roles_and_where_they_came_from(estuary: wa.Proof) -> None:
    shown = estuary.study._repr_html_()
    assert "<strong>Estuary ring, revision A</strong>" in shown
    assert "<td>circuits</td><td>33</td><td>circuits.csv</td>" in shown


def test_a_proof_shows_what_needs_a_decision_first(estuary: wa.Proof) -> None:
    shown = estuary._repr_html_()
    assert "14 shared, 3 unproven, 1 accepted, 15 apart" in shown
    assert "<td>C04</td><td>shared</td><td>PIT-HER-7</td><td>0</td><td>kept</td>" in shown
    assert "<td>C06</td><td>shared</td><td>nothing; the paths come near or cross</td>" in shown
    order = re.findall(r"<td>(shared|unproven|accepted|apart)</td>", shown)
    assert order == sorted(order, key=("shared", "unproven", "accepted", "apart").index)
    assert len(order) == len(estuary.trials)


def test_hostile_text_is_text(hostile: wa.Proof) -> None:
    for shown in (hostile._repr_html_(), hostile.study._repr_html_()):
        assert "&lt;script&gt;" in shown
        assert "⟨U+202E⟩" in shown
        assert not re.search(r"<script|<img|\u202e", shown)


def test_a_map_asks_the_network_for_nothing(estuary: wa.Proof, tmp_path: Path) -> None:
    path = tmp_path / "map.html"
    wa.explore(estuary, ["C07"]).save(path)
    assert not re.search(r"(?:https?:)?//[a-z0-9.-]+\.[a-z]{2,}/", path.read_text(encoding="utf-8"))


def test_a_map_asks_for_the_background_that_was_asked_for(
    estuary: wa.Proof, tmp_path: Path
) -> None:
    tiles = wa.Tiles("https://tiles.example/{z}/{x}/{y}.png", "Charts <b>of</b> {{ 7*7 }}")
    path = tmp_path / "map.html"
    wa.explore(estuary, ["C07"], tiles=tiles).save(path)
    page = path.read_text(encoding="utf-8")
    assert "https://tiles.example/{z}/{x}/{y}.png" in page
    assert "<b>of</b>" not in page
    assert "49" not in re.findall(r"Charts[^\"]*", page)[0]


def test_a_map_shows_the_ways_asked_for(estuary: wa.Proof, tmp_path: Path) -> None:
    """C04 runs over line N3 and the buried route U3, and shares one pit."""
    path = tmp_path / "map.html"
    wa.explore(estuary, ["C04"]).save(path)
    page = path.read_text(encoding="utf-8")
    assert "main of C04" in page
    assert "alternate of C04" in page
    assert "of C07" not in page


def test_a_circuit_that_is_not_there(estuary: wa.Proof) -> None:
    with pytest.raises(wa.CallError, match="C99"):
        wa.explore(estuary, ["C99"])


@pytest.mark.browser
def test_a_map_of_hostile_text_runs_none_of_it(hostile: wa.Proof, tmp_path: Path) -> None:
    found = next(
        (
            path
            for name in ("chromium", "chromium-browser", "google-chrome")
            if (path := shutil.which(name))
        ),
        None,
    )
    if found is None:
        if os.environ.get("WAYSAPART_NEED_BROWSER"):
            pytest.fail("no browser found")
        pytest.skip("no browser found")
    playwright = pytest.importorskip("playwright.sync_api")
    path = tmp_path / "map.html"
    wa.explore(hostile).save(path)
    with playwright.sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=found, args=["--no-sandbox"])
        context = browser.new_context(offline=True)
        page = context.new_page()
        requests: list[str] = []
        faults: list[str] = []
        page.on("request", lambda request: requests.append(request.url))
        page.on("pageerror", lambda error: faults.append(str(error)))
        page.add_init_script("window.ran = n => { window.hasRun = n; };")
        page.goto(path.as_uri())
        page.wait_for_selector("canvas.leaflet-zoom-animated", state="attached")
        box = page.locator(".folium-map").bounding_box()
        tooltip = _hover_until_told(page, box)
        ran = page.evaluate("window.hasRun")
        browser.close()
    assert ran is None
    assert faults == []
    assert [url for url in requests if not url.startswith(("file:", "data:"))] == []
    assert "<script>ran(1)</script>{{ 7*7 }}" in tooltip


def _hover_until_told(page: Any, box: dict[str, float]) -> str:
    """Move down over the map where the hostile span is, until a tooltip tells of it.

    The study is centred at 2 km, and the span reaches from 1 km to 2 km.
    """
    for row in range(400):
        page.mouse.move(
            box["x"] + box["width"] * 0.48, box["y"] + box["height"] * (0.25 + row / 800)
        )
        told = page.locator(".leaflet-tooltip")
        if told.count() and "ran(1)" in (text := told.first.inner_text()):
            return str(text)
    return ""


def test_the_example_notebook_runs(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """In a real kernel, from a copy of the examples; no cell fails, and each proof shows itself."""
    nbformat = pytest.importorskip("nbformat")
    nbclient = pytest.importorskip("nbclient")
    shutil.copytree(EXAMPLES / "estuary", tmp_path / "estuary")
    package = Path(str(wa.__file__)).resolve().parents[1]
    monkeypatch.setenv("PYTHONPATH", str(package))  # the kernel runs what the tests run
    notebook = nbformat.read(NOTEBOOK, as_version=4)
    nbformat.validate(notebook)
    client = nbclient.NotebookClient(
        notebook, timeout=120, resources={"metadata": {"path": str(tmp_path)}}
    )
    client.execute()
    shown = [
        output["data"]
        for cell in notebook.cells
        if cell.cell_type == "code"
        for output in cell.outputs
        if "data" in output
    ]
    html = "".join(data.get("text/html", "") for data in shown)
    assert "14 shared, 3 unproven, 1 accepted, 15 apart" in html
    assert "<iframe" in html or "leaflet" in html
    assert "'C04': 'lost'" in shown[-1]["text/plain"]


def test_the_example_notebook_is_kept_without_outputs() -> None:
    cells = json.loads(NOTEBOOK.read_text(encoding="utf-8"))["cells"]
    code = [cell for cell in cells if cell["cell_type"] == "code"]
    assert len(code) >= 5
    assert not [cell for cell in code if cell["outputs"] or cell["execution_count"] is not None]

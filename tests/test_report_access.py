"""The report for people who use a keyboard, a screen reader, a phone or dark colours."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner

from axe import axe_source, complaints
from waysapart.cli import main

pytestmark = pytest.mark.browser

ESTUARY = Path(__file__).resolve().parents[1] / "examples" / "estuary"


@pytest.fixture(scope="module")
def axe(tmp_path_factory):
    return axe_source(tmp_path_factory.mktemp("axe"))


@pytest.fixture(scope="module")
def reports(tmp_path_factory):
    """The demo's report, and the one for readers outside, which has no map."""
    folder = tmp_path_factory.mktemp("access")
    evidence = folder / "before.json"
    CliRunner().invoke(main, ["prove", str(ESTUARY), "--json", str(evidence), "--quiet"])
    older = json.loads(evidence.read_text(encoding="utf-8"))
    older["circuits"][0]["verdict"] = "apart"
    evidence.write_text(json.dumps(older), encoding="utf-8")
    made = {"full": folder / "full.html", "outside": folder / "outside.html"}
    for name, more in (("full", ["--since", str(evidence)]), ("outside", ["--share-outside"])):
        run = CliRunner().invoke(main, ["report", str(ESTUARY), "-o", str(made[name]), *more])
        assert run.exit_code == 1, run.output
    return made


@pytest.mark.parametrize(
    ("report", "scheme", "width"),
    [
        ("full", "light", 1300),
        ("full", "dark", 1300),
        ("full", "light", 360),
        ("outside", "light", 1300),
    ],
)
def test_the_engine_finds_nothing(report, scheme, width, reports, axe, watched):
    """With every entry open, a circuit chosen, an asset picked and a search under way."""
    page = watched.open(
        reports[report], color_scheme=scheme, viewport={"width": width, "height": 900}
    )
    page.evaluate("document.querySelectorAll('details').forEach(d => { d.open = true; })")
    page.select_option("#plan-circuit", "2")
    page.fill("#plan-find", "1")
    page.keyboard.press("Enter")
    page.fill("#plan-find", "2")
    assert page.is_visible("#plan-card")
    assert page.locator("#plan-found button").count() > 3
    assert complaints(page, axe, scheme) == []


def test_a_walk_by_keyboard_reaches_everything(reports, watched):
    """Tab from the top: skip link, contents, circuits that need a decision, map, table."""
    page = watched.open(reports["full"])
    seen = []
    for _ in range(70):
        page.keyboard.press("Tab")
        seen.append(
            page.evaluate(
                "(() => { const e = document.activeElement, b = e.getBoundingClientRect();"
                " return [e.id || e.className || e.textContent.trim(), b.width > 0 && b.height > 0,"
                " getComputedStyle(e).outlineStyle]; })()"
            )
        )
    names = [name for name, _, _ in seen]
    for wanted in ("skip", "plan-circuit", "plan-find", "plan-measure"):
        assert wanted in names
    assert "map_plan" in names
    assert all(shown for _, shown, _ in seen)
    assert all(outline != "none" for _, _, outline in seen)


def test_an_asset_is_picked_and_a_way_measured_by_keyboard(reports, watched):
    """On the map the cross in the middle stands for the pointer."""
    page = watched.open(reports["full"])
    page.fill("#plan-find", "PIT-HER-7")
    page.keyboard.press("Enter")
    page.focus(".folium-map")
    page.keyboard.press("Escape")
    assert page.is_hidden("#plan-card")
    page.keyboard.press("Enter")
    assert page.text_content("#plan-card .id") == "PIT-HER-7"
    assert page.is_visible("#plan-cross")
    page.keyboard.press("Escape")
    page.focus("#plan-measure")
    page.keyboard.press("Enter")
    assert page.get_attribute("#plan-measure", "aria-pressed") == "true"
    page.focus(".folium-map")
    page.keyboard.press("Enter")
    page.evaluate("waysapart.map.panBy([100, 0], {animate: false})")
    page.keyboard.press("Enter")
    metres = page.evaluate(
        "(() => { const m = waysapart.map, c = m.getCenter(),"
        " p = m.containerPointToLatLng(m.latLngToContainerPoint(c).subtract([100, 0]));"
        " return m.distance(c, p); })()"
    )
    told = page.text_content("#plan-length")
    assert told.endswith(" m")
    assert float(told.split()[0]) == pytest.approx(metres, rel=0.005)
    page.keyboard.press("Escape")
    assert page.get_attribute("#plan-measure", "aria-pressed") == "false"

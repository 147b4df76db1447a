"""The report for people who use a keyboard, a screen reader, a phone or dark colours."""

from __future__ import annotations

import pytest
from pyproj import Geod

import waysapart as wa
from axe import complaints
from waysapart.report.redaction import Outside

pytestmark = pytest.mark.browser


@pytest.fixture(scope="module")
def reports(tmp_path_factory, estuary_proof):
    """The demo's report, and the one for readers outside, which has no map."""
    folder = tmp_path_factory.mktemp("access")
    older = estuary_proof.facts()
    older["circuits"][0]["verdict"] = "apart"
    return {
        "full": wa.write_report(estuary_proof, folder / "full.html", since=older),
        "outside": wa.write_report(estuary_proof, folder / "outside.html", outside=Outside()),
    }


@pytest.mark.parametrize(
    ("report", "scheme", "width", "entries"),
    [
        ("full", "light", 360, 6),
        pytest.param("full", "dark", 1300, 6, marks=pytest.mark.slow),
        pytest.param("full", "light", 360, 1000, marks=pytest.mark.slow),
        pytest.param("full", "dark", 1300, 1000, marks=pytest.mark.slow),
        pytest.param("full", "light", 1300, 1000, marks=pytest.mark.slow),
        pytest.param("outside", "light", 1300, 1000, marks=pytest.mark.slow),
    ],
)
def test_the_engine_finds_nothing(report, scheme, width, entries, reports, axe, watched):
    """With so many entries open, a circuit chosen, an asset picked and a search under way.

    Entries are alike, and the engine takes half a second for each; with --all every one is open.
    """
    page = watched.open(
        reports[report], color_scheme=scheme, viewport={"width": width, "height": 900}
    )
    page.evaluate(
        "most => { document.querySelectorAll('details:not(.circuit)').forEach(d => "
        "{ if (!d.closest('.circuit')) d.open = true; });"
        " [...document.querySelectorAll('details.circuit')].slice(0, most).forEach(d => {"
        " d.open = true; d.querySelectorAll('details').forEach(one => { one.open = true; }); }); }",
        entries,
    )
    page.select_option("#plan-circuit", "2")
    page.fill("#plan-find", "1")
    page.keyboard.press("Enter")
    page.fill("#plan-find", "2")
    assert page.is_visible("#plan-card")
    assert page.locator("#plan-found button").count() > 3
    assert complaints(page, axe, scheme) == []


def test_nothing_is_wider_than_a_phone(reports, watched):
    """With every entry open and laid out; wide tables scroll by themselves."""
    page = watched.open(reports["full"], viewport={"width": 360, "height": 900})
    page.evaluate(
        "() => { document.querySelectorAll('details').forEach(d => { d.open = true; });"
        " const all = new CSSStyleSheet();"
        " all.replaceSync('* { content-visibility: visible !important; }');"
        " document.adoptedStyleSheets = [...document.adoptedStyleSheets, all]; }"
    )
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")


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
    middle = "(c => [c.lng, c.lat])(waysapart.map.getCenter())"
    ends = [page.evaluate(middle)]
    page.keyboard.press("Enter")
    page.evaluate("waysapart.map.panBy([100, 0], {animate: false})")
    ends.append(page.evaluate(middle))
    page.keyboard.press("Enter")
    (metres,) = Geod(ellps="WGS84").line_lengths(*zip(*ends, strict=True))
    told = page.text_content("#plan-length")
    assert told.endswith(" m")
    assert metres > 100
    assert float(told.split()[0]) == pytest.approx(metres, rel=1e-3)
    page.keyboard.press("Escape")
    assert page.get_attribute("#plan-measure", "aria-pressed") == "false"

"""The report on paper: what it is on every page, nothing shrunk, the chosen circuit's map.

A browser shrinks all of a print when one part is wider than the paper, so no part may be.
"""

from __future__ import annotations

import re

import pytest

from browser import Watched, chromium
from waysapart.report.escape import css_string
from waysapart.report.page import render_report

pytestmark = pytest.mark.browser

PAPER_PX = 688  # A4 less its margins, 182 mm
BEFORE = "window.dispatchEvent(new Event('beforeprint'))"
AFTER = "window.dispatchEvent(new Event('afterprint'))"
RUNNING = """() => {
  const all = rules => [...rules].flatMap(r => r instanceof CSSMediaRule ? all(r.cssRules) : [r]);
  return [...document.styleSheets].flatMap(sheet => all(sheet.cssRules))
    .filter(rule => rule instanceof CSSPageRule).map(rule => rule.cssText).join(" ");
}"""
TITLE = 'A "study" */ } @import url(x); \\ </style><script>ran(1)</script>'


@pytest.fixture(scope="module")
def watched():
    with chromium() as browser:
        found = Watched(browser)
        yield found
        found.close()


@pytest.fixture(scope="module")
def page(watched, tmp_path_factory, estuary_report):
    facts, geo = estuary_report
    path = tmp_path_factory.mktemp("print") / "report.html"
    path.write_text(render_report(facts, geo, title=TITLE), encoding="utf-8")
    return watched.open(path, viewport={"width": PAPER_PX, "height": 1000})


@pytest.fixture
def paper(page):
    page.emulate_media(media="print")
    page.evaluate(BEFORE)
    yield page
    page.evaluate(AFTER)
    page.emulate_media(media="screen")


def test_every_page_says_what_it_is_of(page):
    """Title, kind of report with revision, day, number of the page; hostile text is text."""
    said = page.evaluate(RUNNING)
    boxes = dict(re.findall(r'@(top-left|top-right|bottom-left) \{ content: "(.*?)"; \}', said))
    plain = {box: text.replace('\\"', '"').replace("\\\\", "\\") for box, text in boxes.items()}
    assert plain["top-left"] == TITLE
    assert plain["top-right"] == "Route separation report · revision A"
    assert re.match(r"Study Estuary ring · \d{4}-\d\d-\d\d", plain["bottom-left"])
    assert "counter(page)" in said
    assert "counter(pages)" in said
    assert page.evaluate("window.hasRun") is None
    assert css_string("x" * 200).endswith('\\2026 "')


def test_no_part_is_wider_than_the_paper(paper):
    assert paper.evaluate("document.documentElement.scrollWidth") == PAPER_PX


def test_circuits_that_are_apart_are_rows_of_a_table(paper, estuary_report):
    facts, _ = estuary_report
    entries = paper.locator("details.circuit")
    shown = [one for one in entries.all() if one.is_visible()]
    decide = [
        one["id"]
        for one in facts["circuits"]
        if one["verdict"] != "apart" or one["within_limits"] is not True
    ]
    assert sorted(one.locator("h3 .id").text_content() for one in shown) == sorted(decide)
    rows = paper.locator("table[data-table=figures] tbody tr")
    assert rows.count() == len(facts["circuits"])
    assert rows.first.is_visible()
    listed = paper.locator(".ledger tbody tr").all()
    seen = [one.locator("button.pick").text_content() for one in listed if one.is_visible()]
    assert set(seen) == {
        one["id"]
        for one in facts["circuits"]
        if one["verdict"] != "apart" or one["within_limits"] is False
    }
    assert "stand on paper in tables only" in paper.locator(".in-brief").text_content()
    heads = paper.locator("main table > thead").all()
    assert {one.evaluate("e => getComputedStyle(e).display") for one in heads} == {
        "table-header-group"
    }


def test_the_chosen_circuit_has_its_map_with_the_numbers_of_its_findings(page):
    """C02 shares plant; the numbers stand on the map in the order of the entry."""
    index = page.evaluate("waysapart.data.circuits.findIndex(one => one.id === 'C02')")
    page.evaluate("index => waysapart.choose(index, 'test')", index)
    page.evaluate("waysapart.map.setView([0, 0], 3, { animate: false })")
    page.emulate_media(media="print")
    page.evaluate(BEFORE)
    assert page.is_visible(".plan-frame")
    assert page.locator("#map > .side-by-side .picture").is_hidden()
    assert page.evaluate("waysapart.map.getSize().x") == 678
    found = page.locator("#C02 .circuit-body > .shared > li")
    numbers = page.locator("#map-numbers li")
    assert numbers.count() == found.count() > 0
    assert numbers.first.text_content() == " ".join(
        found.first.locator("> .what").inner_text().split()
    )
    assert page.locator("#map-of").text_content().startswith("Circuit C02")
    assert page.evaluate(
        "() => document.querySelector('.plan-canvas').width / parseFloat("
        "document.querySelector('.plan-canvas').style.width)"
    ) == pytest.approx(3, abs=0.01)
    page.evaluate(AFTER)
    page.emulate_media(media="screen")
    assert page.locator("#map-numbers li").count() == 0
    assert page.evaluate("waysapart.map.getZoom()") == 3
    page.evaluate("waysapart.choose(null, 'test')")

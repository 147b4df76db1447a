"""What a reader does with the report of the demo, in a browser: each tool from press to answer."""

from __future__ import annotations

import copy
import json
import re
from pathlib import Path

import pytest
from click.testing import CliRunner
from pyproj import Transformer

from browser import marks_of
from read_strip import boxes
from waysapart.cli import main
from waysapart.report.page import render_report
from waysapart.report.write import report_facts

pytestmark = pytest.mark.browser

ESTUARY = Path(__file__).resolve().parents[2] / "examples" / "estuary"


@pytest.fixture(scope="module")
def proof(estuary_proof):
    return estuary_proof


@pytest.fixture(scope="module")
def report(tmp_path_factory, proof):
    """Since an earlier proof: C03 was apart, C27 shared something, and C29 was not there."""
    folder = tmp_path_factory.mktemp("tools")
    evidence, path = folder / "before.json", folder / "report.html"
    older = json.loads(json.dumps(proof.facts()))
    older["revision"] = "older"
    by_id = {one["id"]: one for one in older["circuits"]}
    by_id["C03"].update(verdict="apart", shared=[])
    by_id["C27"].update(verdict="shared", shared=[{**by_id["C04"]["shared"][0], "asset": "OLD-1"}])
    older["circuits"] = [one for one in older["circuits"] if one["id"] != "C29"]
    evidence.write_text(json.dumps(older), encoding="utf-8")
    arguments = ["report", str(ESTUARY), "-o", str(path), "--since", str(evidence)]
    run = CliRunner().invoke(main, arguments)
    assert run.exit_code == 1, run.output
    return path


@pytest.fixture
def page(watched, report):
    return watched.open(report)


def card(page):
    terms = page.locator("#plan-card dt").all_text_contents()
    told = page.locator("#plan-card dd").all_text_contents()
    return {term: text.split() for term, text in zip(terms, told, strict=True)}


def test_what_digging_at_a_pit_would_cut(page):
    page.fill("#plan-find", "pit-her-7")
    page.keyboard.press("Enter")
    told = card(page)
    assert told["If this is lost, circuits lost"] == ["C04", "C17", "C33"]
    assert told["Circuits left with one path"] == ["C14", "C22", "C23", "C24"]
    assert told["Cables that need it"] == ["AP-N3-HER", "UC-U3"]
    page.click("#plan-card button:has-text('UC-U3')")
    assert page.text_content("#plan-card .id") == "UC-U3"


def test_an_asset_without_a_place_is_found_with_what_holds_it(page):
    page.fill("#plan-find", "BAT-STK-3")
    page.keyboard.press("Enter")
    told = card(page)
    assert told["Lies in, on or at"] == ["RM-STK", "STK"]
    assert "C08" in told["If this is lost, circuits lost"]
    assert told["On the map"][-1] == "STK"


def test_a_press_on_a_hazard_picks_it(page):
    page.fill("#plan-find", "HZ-FLOOD-1")
    page.keyboard.press("Enter")
    page.keyboard.press("Escape")
    page.evaluate("document.getElementById('map').scrollIntoView()")
    frame = page.locator(".folium-map").bounding_box()
    page.mouse.click(frame["x"] + frame["width"] / 2, frame["y"] + frame["height"] / 2)
    assert page.text_content("#plan-card .id") == "HZ-FLOOD-1"
    assert "C26" in card(page)["If this happens, circuits lost"]


def test_the_pointer_reads_the_coordinates_of_the_study(page, proof):
    page.evaluate("document.getElementById('map').scrollIntoView()")
    frame = page.locator(".folium-map").bounding_box()
    turn = Transformer.from_crs("EPSG:4326", proof.study.crs, always_xy=True)
    for share in (0.2, 0.5, 0.8):
        page.mouse.move(frame["x"] + share * frame["width"], frame["y"] + share * frame["height"])
        text = page.text_content("#plan-where").replace(" ", " ")
        own, degrees = text.split("\n")
        east, north = re.search(r"E ([\d ]+?)  N ([\d ]+?)  EPSG:32626", own).groups()
        lat, lon = (float(x) for x in re.findall(r"[\d.]+(?=°)", degrees))
        assert degrees.endswith("W")
        wanted = turn.transform(-lon, lat)
        assert int(east.replace(" ", "")) == pytest.approx(wanted[0], abs=1.5)
        assert int(north.replace(" ", "")) == pytest.approx(wanted[1], abs=1.5)


def test_a_press_on_a_strip_picks_the_asset_and_chooses_the_circuit(page):
    box = page.locator("details.circuit:has(h3:has-text('C03')) .strip-box").first
    box.scroll_into_view_if_needed()
    upper, *_ = boxes(box.locator(".spots .bridge").first.get_attribute("d"))
    frame = box.locator("svg.strip").bounding_box()
    scale = frame["width"] / 1000
    x, y = ((low + high) / 2 * scale for low, high in (upper[:2], upper[2:]))
    page.mouse.click(frame["x"] + x, frame["y"] + y)
    assert page.text_content("#plan-card .id") == "TR-1"
    assert page.text_content("tr.chosen button.pick") == "C03"
    assert "chosen" in page.get_attribute("details.circuit:has(h3:has-text('C03'))", "class")


def test_pointing_at_a_mark_names_it(page):
    """All that stands there: the tower, and the joint box on it."""
    box = page.locator("details.circuit:has(h3:has-text('C03')) .strip-box").first
    box.scroll_into_view_if_needed()
    svg = box.locator("svg.strip")
    marks = marks_of(svg.locator(".marks").first.get_attribute("data-marks"))
    x = next(x for x, name in marks if name == "N2-T10")
    frame = svg.bounding_box()
    lane = svg.locator(".marks").first.bounding_box()
    page.mouse.move(frame["x"] + x * frame["width"] / 1000, lane["y"] + lane["height"] / 2)
    assert box.locator(".strip-told").text_content() == "tower N2-T10, joint J-N2-T10"


def test_a_circuit_from_the_list_is_shown_with_no_row_half_beneath_the_head(page):
    """C04, C17 and C25 stand in the middle of it: what is above scrolls away by whole rows."""
    for name in ("C04", "C17", "C25"):
        option = page.locator(f"#plan-circuit option:has-text('{name}')").get_attribute("value")
        page.select_option("#plan-circuit", option)
        top, shown, cut = page.evaluate(
            "(() => { const box = document.querySelector('.ledger .scroll'),"
            " head = box.querySelector('thead').getBoundingClientRect().bottom,"
            " end = box.getBoundingClientRect().bottom,"
            " rows = Array.from(box.querySelectorAll('tbody tr'), r => r.getBoundingClientRect()),"
            " at = box.querySelector('tr.chosen').getBoundingClientRect();"
            " return [box.scrollTop, at.top >= head - 1 && at.bottom <= end,"
            " rows.filter(r => r.top < head - 1 && r.bottom > head + 1).length]; })()"
        )
        assert shown
        assert cut == 0, (name, top)


def test_a_worst_place_is_shown_on_the_map(page):
    page.click("table[data-table=places] button.place >> nth=1")
    zoom = page.evaluate("waysapart.map.getZoom()")
    at = page.evaluate("(c => [c.lng, c.lat])(waysapart.map.getCenter())")
    place = page.evaluate("waysapart.data.worst[1].at")
    assert zoom == 16
    assert at == pytest.approx(place, abs=1e-4)


def test_the_report_says_what_the_revision_changes(page):
    section = page.locator("#sign-off")
    rows = section.locator("table[data-table=changes] tbody tr")
    told = {}
    for number in range(rows.count()):
        cells = [" ".join(x.split()) for x in rows.nth(number).locator("td").all_text_contents()]
        told[cells[0]] = cells[3]
    assert told == {"C03": "worse", "C27": "better", "C29": "new"}
    text = " ".join(section.text_content().split())
    assert "against revision older" in text
    assert "Shared before and no longer: OLD-1" in text
    assert "Prepared" in text
    assert "Approved" in text


def test_a_link_to_a_folded_entry_opens_it(page):
    entry = page.locator("details.circuit:has(h3:has-text('C27'))")
    assert entry.get_attribute("open") is None
    page.locator("tr:has(button.pick:text-is('C27')) a.more").click()
    entry.locator("svg.strip").first.wait_for(state="visible")  # a fold opens a moment later


def test_the_counts_show_their_circuits_alone(page):
    """Two circuits are outside a limit though apart; a filter typed afterwards looks at all."""
    rows = page.locator("table[data-table=circuits] tbody tr:visible button.pick")
    page.click("#answer a[data-only=over]")
    assert rows.all_text_contents() == ["C14", "C15"]
    assert page.text_content(".ledger [role=status]").startswith("2 of 33 rows are outside a limit")
    page.click("#answer a[data-only=unproven]")
    assert rows.all_text_contents() == ["C09", "C12", "C32"]
    page.click(".ledger button:has-text('Show all')")
    assert rows.count() == 33
    assert page.text_content(".ledger [role=status]") == ""


def test_the_sign_off_lists_what_is_to_be_decided(page):
    """All that are shared, outside a limit or unproven, then groups, then what is accepted."""
    rows = page.locator("table[data-table=decisions] tbody tr")
    listed = [rows.nth(k).locator("a").text_content() for k in range(rows.count())]
    assert [listed.pop(), listed.pop(), listed.pop()] == ["C16", "G3", "G1"]
    circuits = page.locator("table[data-table=circuits] tbody tr")
    open_ = [
        circuits.nth(k).locator("button.pick").text_content()
        for k in range(circuits.count())
        if set(circuits.nth(k).get_attribute("data-is").split()) & {"shared", "unproven", "over"}
    ]
    assert sorted(listed) == sorted(open_)
    assert len(listed) == 14 + 2 + 3
    assert rows.first.locator("td").last.text_content() == ""
    assert "revision A of this report" in page.text_content("#sign-off .lead")


def test_print_shows_a_still_map_and_no_tools(page):
    page.emulate_media(media="print")
    page.evaluate("window.dispatchEvent(new Event('beforeprint'))")
    assert page.is_visible(".picture")
    for hidden in (".plan-frame", ".plan-tools", ".table-tools", "nav", "#plan-card"):
        assert page.locator(hidden).first.is_hidden()
    assert page.locator("details.circuit:not(.in-file):not([open])").count() == 0
    assert page.locator(".circuit[open] details:not(.in-file):not([open])").count() == 0
    pdf = page.pdf(format="A4", prefer_css_page_size=True)
    assert 10 < len(re.findall(rb"/Type\s*/Page\b", pdf)) <= 33
    page.evaluate("window.dispatchEvent(new Event('afterprint'))")


def test_without_scripts_all_findings_and_a_still_map_are_there(watched, report):
    page = watched.open(report, java_script_enabled=False, drawn=False)
    assert page.is_visible(".picture")
    assert page.locator("noscript p").is_visible()
    assert page.locator("details.circuit").count() == 33


def test_a_large_report_puts_an_entry_in_when_it_is_opened(watched, proof, tmp_path):
    """The demo's circuits three times over: what needs no decision waits, and is there on paper."""
    facts, geo = report_facts(proof)
    many = copy.deepcopy(facts)
    for copy_ in ("x", "y"):
        for one in facts["circuits"]:
            many["circuits"].append({**one, "id": one["id"] + copy_})
            many["strips"]["circuit"][one["id"] + copy_] = facts["strips"]["circuit"][one["id"]]
    path = tmp_path / "large.html"
    path.write_text(render_report(many, geo, title="Large"), encoding="utf-8")
    page = watched.open(path)
    entry = page.locator("details.circuit:has(h3:has-text('C27x'))")
    assert entry.locator(".strip").count() == 0
    entry.locator("summary").first.click()
    entry.locator("svg.strip").first.wait_for(state="visible")  # a fold opens a moment later
    assert page.locator("details.circuit:has(h3:has-text('C03x')) svg.strip").count() == 1
    link = entry.locator("a[href^='#budget:']").first
    budget = page.locator(f"[id='{link.get_attribute('href')[1:]}']")
    link.click()
    assert budget.evaluate("one => one.open")
    assert "loss (sum)" in budget.text_content()
    page.emulate_media(media="print")
    page.evaluate("window.dispatchEvent(new Event('beforeprint'))")
    assert entry.is_visible()
    waiting = page.locator("details.circuit:has(> script.later)")
    rows = page.locator(".in-brief tbody tr")
    assert rows.first.is_visible()
    assert waiting.count() > 50
    assert all(one.is_hidden() for one in waiting.all()[:5])
    brief = {one.split()[0] for one in rows.locator("td:first-child").all_text_contents()}
    assert {one.text_content() for one in waiting.locator("h3 .id").all()} <= brief

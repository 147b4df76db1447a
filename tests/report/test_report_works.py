"""The works notice: whom to tell, what is taken, where, and what must not overlap."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner

import waysapart as wa
from axe import complaints
from hostile_sides import hostile_study
from hostile_text import HOSTILE
from waysapart.cli import main
from waysapart.report.works_page import Site, works_geometry

EXAMPLES = Path(__file__).resolve().parents[2] / "examples"
ESTUARY = EXAMPLES / "estuary"
WORKS = EXAMPLES / "works" / "works.geojson"
PIT = (7.165254, 54.466397)
"""The pit at Heronfleet, within a metre."""


@pytest.fixture(scope="module")
def study(estuary_proof):
    return estuary_proof.study


def run(*arguments):
    return CliRunner().invoke(main, [str(one) for one in arguments])


def test_the_area_is_drawn_with_its_reach_and_what_it_hits_is_marked(study):
    """5 m round the pit: the circle is 10 m across, and only what `hit` lists is marked as hit."""
    works = wa.dig(study, at=PIT, radius_m=5.0)
    geo = works_geometry(works.base, [Site("", works, works.area, 5.0)])
    (area,) = geo["hazards"]["features"]
    ring = area["geometry"]["coordinates"][0]
    assert max(y for _, y in ring) - min(y for _, y in ring) == pytest.approx(
        10 / 111_300, rel=0.01
    )
    marks = {
        feature["properties"]["id"]
        for role in ("plant", "points")
        for feature in geo[role]["features"]
        if feature["properties"].get("mark") == "hit"
    }
    assert marks == set(works.facts()["hit"]) > {"PIT-HER-7"}
    west, south, east, north = geo["opening"]
    assert west < PIT[0] < east
    assert south < PIT[1] < north
    assert (north - south) * 111.3 < 1.0


def test_who_says_how_well_the_plant_is_surveyed(study):
    """As asked, else on record, else by the rules; assets named by id have no distance at all."""
    asked = wa.dig(study, at=PIT, radius_m=5.0, accuracy_m=3.0).facts()["hits"]
    assert {(one["accuracy_m"], one["accuracy_from"]) for one in asked} == {(3.0, "call")}
    tables = dict(study.tables)
    tables["structures"] = tables["structures"].copy()
    pit = tables["structures"]["id"] == "PIT-HER-7"
    tables["structures"].loc[pit, "accuracy_m"] = 0.25
    hits = wa.dig(replace(study, tables=tables), at=PIT, radius_m=5.0).facts()["hits"]
    told = {one["asset"]: (one["accuracy_m"], one["accuracy_from"]) for one in hits}
    assert told.pop("PIT-HER-7") == (0.25, "record")
    assert set(told.values()) == {(1.0, "rules")}
    (named,) = wa.dig(study, assets=["PIT-HER-7"]).facts()["hits"]
    assert (named["accuracy_m"], named["accuracy_from"]) == (None, None)


@pytest.mark.parametrize("command", ["dig", "outage"])
def test_the_command_says_and_returns_the_same_with_a_page(command, tmp_path):
    page = tmp_path / "notice.html"
    plain = run(command, ESTUARY, "--asset", "PIT-HER-7")
    told = run(command, ESTUARY, "--asset", "PIT-HER-7", "-o", page)
    assert (told.exit_code, told.output) == (plain.exit_code, plain.output)
    assert told.exit_code == 1
    html = page.read_text(encoding="utf-8")
    assert "3 circuits lost, 4 left with one path, 3 unknown." in html
    assert "It is no permit" in html
    assert [one.name for one in tmp_path.iterdir()] == ["notice.html"]


def test_an_input_is_never_written_over(tmp_path):
    area = tmp_path / "area.html"
    area.write_bytes(WORKS.read_bytes())
    refused = run("dig", ESTUARY, "--area", area, "-o", area)
    assert refused.exit_code == 2
    assert "not written over" in refused.output
    assert area.read_bytes() == WORKS.read_bytes()


@pytest.fixture(scope="module")
def pages(study, tmp_path_factory):
    folder = tmp_path_factory.mktemp("notice")
    hostile = hostile_study()
    return {
        "dig": wa.write_notice(wa.dig(study, WORKS, reach_m=3.0), folder / "dig.html"),
        "plan": wa.write_notice(wa.plan_works(study, WORKS), folder / "plan.html"),
        "hostile": wa.write_notice(
            wa.dig(hostile, assets=[HOSTILE + "PIT-HER-7"]), folder / "hostile.html"
        ),
        "nothing": wa.write_notice(
            wa.dig(study, at=(7.2, 54.44), radius_m=1.0), folder / "nothing.html"
        ),
    }


@pytest.mark.browser
def test_the_notice_tells_whom_what_and_what_next(pages, watched):
    """COVER: C04 and C17 are lost; C14 is in service on its main path, C24 on its alternate."""
    page = watched.open(pages["plan"])
    order = page.locator("table[data-table=order] tbody td:first-child").all_text_contents()
    assert order == ["DRAIN", "FOOTING", "COVER"]
    clashes = page.locator("table[data-table=clashes] tbody tr").all_text_contents()
    assert len(clashes) == 2
    assert "no order helps" in page.text_content("#plan-of-works")
    cover = page.locator("table[data-table=tell]").nth(2)
    rows = {
        row.locator("button.pick").text_content(): row.locator("td").all_text_contents()
        for row in cover.locator("tbody tr").all()
    }
    assert "lost" in rows["C04"][2]
    assert "in service on main only" in rows["C14"][2]
    assert "in service on alternate only" in rows["C24"][2]
    assert rows["C14"][1] == "not recorded"
    assert rows["C14"][4].startswith("any of ")
    assert rows["C14"][5:] == ["", ""]
    page.locator("button.pick:has-text('C14')").first.click()
    assert page.locator("#plan-circuit option:checked").text_content().startswith("C14")
    page.fill("#plan-find", "PIT-HER-7")
    page.keyboard.press("Enter")
    assert "hit by COVER" in page.text_content("#plan-card")


@pytest.mark.browser
def test_works_that_hit_nothing_say_so(pages, watched):
    page = watched.open(pages["nothing"])
    assert "Nothing on record is hit; the nearest plant is" in page.text_content("#taken")


@pytest.mark.browser
def test_hostile_text_shows_as_it_is_and_nothing_runs(pages, watched):
    page = watched.open(pages["hostile"])
    for name in ("tell", "hits", "cables"):
        page.locator(f"table[data-table={name}] th button").first.click()
    page.locator("button.pick").first.click()
    page.fill("#plan-find", "PIT-HER-7")
    page.keyboard.press("Enter")
    for where in ("h1", ".decide", "table[data-table=tell]", "#taken", "#plan-card"):
        assert HOSTILE[:20] in page.locator(where).first.text_content(), where
    assert "Grid owner" in page.locator("table[data-table=tell] tbody td").nth(1).text_content()
    assert page.evaluate("window.hasRun") is None
    assert page.locator("img, svg[onload], script[src]").count() == 0
    assert "49" not in page.title()
    assert "\u202e" not in page.evaluate("document.documentElement.textContent")


@pytest.mark.browser
@pytest.mark.parametrize(
    ("name", "scheme", "width"),
    [("dig", "light", 1300), ("dig", "dark", 1300), ("plan", "light", 360)],
)
def test_the_engine_finds_nothing(name, scheme, width, pages, watched, axe):
    page = watched.open(pages[name], color_scheme=scheme, viewport={"width": width, "height": 900})
    page.evaluate("document.querySelectorAll('details').forEach(d => { d.open = true; })")
    page.select_option("#plan-circuit", "2")
    page.fill("#plan-find", "PIT-HER-7")
    page.keyboard.press("Enter")
    assert complaints(page, axe, scheme) == []
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")


@pytest.mark.browser
def test_without_scripts_and_on_paper_there_is_room_to_sign(pages, watched):
    page = watched.open(pages["dig"], drawn=False, java_script_enabled=False)
    assert page.locator(".picture .k-hit").first.is_visible()
    assert page.locator(".picture .p-hazard").count() == 3
    page.emulate_media(media="print")
    assert page.is_hidden("nav")
    empty = page.locator("table[data-table=tell] tbody tr >> nth=0").locator("td").nth(6)
    box = empty.bounding_box()
    assert box["width"] > 50
    assert box["height"] > 25

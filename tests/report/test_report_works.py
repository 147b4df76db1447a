"""The works notice: whom to tell, what is taken, where, and what must not overlap."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import geopandas as gpd
import numpy as np
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
PIT = (-28.834746, 54.466397)
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
    assert "C04, C17 and C33 are lost; 4 left with one path, 3 unknown." in html
    assert "It is no permit" in html
    assert [one.name for one in tmp_path.iterdir()] == ["notice.html"]


def test_an_input_is_never_written_over(tmp_path):
    area = tmp_path / "area.html"
    area.write_bytes(WORKS.read_bytes())
    refused = run("dig", ESTUARY, "--area", area, "-o", area)
    assert refused.exit_code == 2
    assert "not written over" in refused.output
    assert area.read_bytes() == WORKS.read_bytes()


def week():
    """The plan of the example, with a contractor, a phone, a place in words, and hours."""
    frame = gpd.read_file(WORKS)
    frame["from"] = ["2026-05-04", "2026-05-05T07:30", "2026-05-07"]
    frame["to"] = ["2026-05-05", "2026-05-06T16:00", "2026-05-08"]
    frame["contractor"] = ["Ditch crew", None, None]
    frame["contact"] = None
    frame["phone"] = ["0555 0101", None, None]
    frame["place"] = [None, None, "Behind the west gate"]
    return frame


def with_contacts(study):
    """Circuit C04, the pit at Heronfleet and the site itself have contacts; C04 has an owner."""
    tables = dict(study.tables)
    for role, names, column, said in (
        ("circuits", ("C04",), "owner", "Grid desk"),
        ("circuits", ("C04",), "contact", "duty 0555 0100"),
        ("structures", ("PIT-HER-7",), "contact", "ducts 0555 0200"),
        ("sites", ("HER",), "contact", "gate 0555 0300"),
    ):
        table = tables[role]
        tables[role] = table.assign(**{column: np.where(table["id"].isin(names), said, None)})
    return replace(study, tables=tables)


def hostile_plan(hostile):
    """Two works at one pit on one day, all of whose texts are hostile."""
    pit = hostile.tables["structures"]
    at = hostile.lonlat("structures")[int(np.flatnonzero(pit["id"] == HOSTILE + "PIT-HER-7")[0])]
    said, day = [HOSTILE + "said", HOSTILE + "said"], ["2026-05-04", "2026-05-04"]
    frame = gpd.GeoDataFrame(
        {"id": [HOSTILE + "W1", HOSTILE + "W2"]}
        | dict.fromkeys(("from", "to"), day)
        | dict.fromkeys(("name", "place", "contractor", "contact", "phone"), said),
        geometry=[at, at],
        crs="EPSG:4326",
    )
    return wa.plan_works(hostile, frame)


@pytest.fixture(scope="module")
def pages(study, tmp_path_factory):
    folder = tmp_path_factory.mktemp("notice")
    hostile = hostile_study()
    hostile.tables["structures"]["contact"] = HOSTILE + "pits"
    contacts = with_contacts(study)
    return {
        "week": wa.write_notice(wa.plan_works(contacts, week()), folder / "week.html"),
        "contacts": wa.write_notice(
            wa.dig(contacts, assets=["PIT-HER-7"]), folder / "contacts.html"
        ),
        "hostile plan": wa.write_notice(hostile_plan(hostile), folder / "hostile-plan.html"),
        "dig": wa.write_notice(wa.dig(study, WORKS, reach_m=3.0), folder / "dig.html"),
        "plan": wa.write_notice(wa.plan_works(study, WORKS), folder / "plan.html"),
        "hostile": wa.write_notice(
            wa.dig(hostile, assets=[HOSTILE + "PIT-HER-7"]), folder / "hostile.html"
        ),
        "nothing": wa.write_notice(
            wa.dig(study, at=(-28.8, 54.44), radius_m=1.0), folder / "nothing.html"
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
    assert "out of service, whatever else is in service" in page.text_content("#plan-of-works")
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
    assert rows["C14"][5:] == ["", "", ""]
    page.locator("button.pick:has-text('C14')").first.click()
    assert page.locator("#plan-circuit option:checked").text_content().startswith("C14")
    page.fill("#plan-find", "PIT-HER-7")
    page.keyboard.press("Enter")
    assert "hit by COVER" in page.text_content("#plan-card")


@pytest.mark.browser
def test_the_notice_says_what_where_and_when(pages, watched):
    """COVER: its place as the plan says it and from the pit; its corners in degrees and grid."""
    page = watched.open(pages["week"])
    drain, footing, cover = page.locator(".one-work").all()
    assert "Field drain across the buried route U2" in drain.locator("h3").text_content()
    said = drain.locator(".crew").text_content()
    assert "2026-05-04 to 2026-05-05" in said
    assert "Ditch crew" in said
    assert "0555 0101" in said
    assert "FOOTING: together they lose C03" in said
    assert "2026-05-05 07:30 to 2026-05-06 16:00" in footing.locator(".crew").text_content()
    assert "not stated" in footing.locator(".crew").text_content()
    said = cover.locator(".crew").text_content()
    assert "Behind the west gate" in said
    assert "at pit PIT-HER-7, 95 m east of site Heronfleet" in said
    rows = cover.locator(".spots tbody tr").all()
    assert len(rows) == 5
    assert rows[1].locator("td").all_text_contents() == [
        "corner 1", "54.466362° N", "28.834809° W", "381084.0", "6036961.0",
    ]  # fmt: skip
    assert "WGS 84 / UTM zone 26N (EPSG:32626)" in cover.text_content()


@pytest.mark.browser
def test_days_say_what_all_works_together_lose_and_who_is_told(pages, watched):
    """From 7:30 on the 5th DRAIN and FOOTING run together, and C03 is lost until the day ends."""
    page = watched.open(pages["week"])
    rows = [
        row.locator("td").all_text_contents()
        for row in page.locator("table[data-table=as-planned] tbody tr").all()
    ]
    assert [row[:3] for row in rows] == [
        ["2026-05-04 to 2026-05-05 07:30", "DRAIN", "none"],
        ["2026-05-05 07:30 to 2026-05-05", "DRAIN, FOOTING", "C03"],
        ["2026-05-06 to 2026-05-06 16:00", "FOOTING", "none"],
        ["2026-05-07 to 2026-05-08", "COVER", "C04, C17, C33"],
    ]
    assert all("C09" in row[6] for row in rows), "unknown every day"
    days = page.locator(".one-day").all()
    assert len(days) == 4
    calls = {
        row.locator("td").nth(0).text_content(): row.locator("td").all_text_contents()
        for row in days[3].locator("tbody tr").all()
    }
    assert calls["Grid deskduty 0555 0100"][1:] == ["lost: C04", "", "", ""]
    assert calls["ducts 0555 0200"][1] == "plant: PIT-HER-7"
    assert calls["gate 0555 0300"][1] == "sites: HER"
    assert "lost: C17, C33" in calls["not recorded"][1]
    assert "at work on DRAIN" in days[0].text_content()


@pytest.mark.browser
def test_contacts_stand_beside_whom_to_tell_in_a_notice_of_one_dig(pages, watched):
    page = watched.open(pages["contacts"])
    row = page.locator("table[data-table=tell] tbody tr", has_text="C04").first
    assert row.locator("td").nth(1).text_content() == "Grid deskduty 0555 0100"
    assert "ducts 0555 0200" in page.locator("table[data-table=hits]").text_content()
    assert "gate 0555 0300" in page.locator("table.calls").text_content()


@pytest.mark.browser
def test_the_annex_has_in_full_what_the_tables_cut_off(pages, study, watched):
    """Every list of what comes next that is longer than 8 stands there, whole."""
    plan = wa.plan_works(study, WORKS)
    page = watched.open(pages["plan"])
    tables = page.locator("table.following").all()
    found = {}
    for work, table in zip(("DRAIN", "FOOTING", "COVER"), tables, strict=True):
        for row in table.locator("tbody tr").all():
            cells = row.locator("td")
            for circuit in cells.nth(0).text_content().split(", "):
                found[work, circuit] = (
                    int(cells.nth(1).text_content()), cells.nth(2).text_content(),
                )  # fmt: skip
    wanted = {}
    for work in plan.works:
        for one in wa.dig(study, assets=study_ids(plan, work)).facts()["circuits"]:
            told = one["touched"] or one["weakened"] or one["state"] == "unknown"
            if told and len(one["next"]) > 8:
                wanted[work.id, one["id"]] = one["next"]
    assert set(found) == set(wanted)
    for key, (count, said) in found.items():
        assert count == len(wanted[key])
        assert unfolded(said) == wanted[key], key


@pytest.mark.browser
def test_what_becomes_fatal_stands_in_full_in_the_annex(pages, study, watched):
    """For each work, its `next_events`, those that take the same in one row."""
    page = watched.open(pages["plan"])
    rows = {}
    for table in page.locator("table[data-table=all-fatal]").all():
        work = table.locator("caption").text_content().split()[-1]
        for row in table.locator("tbody tr").all():
            cells = row.locator("td").all_text_contents()
            rows.setdefault(work, {}).update(dict.fromkeys(unfolded(cells[2]), cells[0]))
    plan = wa.plan_works(study, WORKS)
    wanted = {
        work.id: {
            one["asset"]: ", ".join([*one["lost"], *(f"group {g}" for g in one["groups"])])
            for one in wa.dig(study, assets=study_ids(plan, work)).facts()["next_events"]
        }
        for work in plan.works
    }
    assert rows == wanted


def study_ids(plan, work):
    return plan.base.network.assets.ids(work.hit)


def unfolded(said):
    """Ids of a list in which `A1 to A4` stands for four."""
    found = []
    for part in said.split(", "):
        first, _, last = part.partition(" to ")
        if not last:
            found.append(first)
            continue
        head = first.rstrip("0123456789")
        digits = len(first) - len(head)
        for number in range(int(first[len(head) :]), int(last[len(head) :]) + 1):
            found.append(f"{head}{number:0{digits}d}")
    return found


@pytest.mark.browser
def test_ids_of_hit_plant_are_drawn_on_the_map_and_in_the_pictures(pages, study, watched):
    hit = {name for one in wa.plan_works(study, WORKS).facts()["works"] for name in one["hit"]}
    page = watched.open(pages["plan"], drawn=False)
    page.add_init_script(
        "window.drawnTexts = new Set(); const fill = CanvasRenderingContext2D.prototype.fillText;"
        "CanvasRenderingContext2D.prototype.fillText = function (text) {"
        " window.drawnTexts.add(text); return fill.apply(this, arguments); };"
    )
    page.goto("about:blank")
    page.set_content(pages["plan"].read_text(encoding="utf-8"))
    page.wait_for_selector(".plan-canvas[data-drawn]", state="attached")
    assert hit <= set(page.evaluate("[...window.drawnTexts]"))
    ids = page.locator("#map .picture .p-id").all_text_contents()
    assert set(ids) == hit
    for work, picture in zip(
        wa.plan_works(study, WORKS).facts()["works"], page.locator(".one-work .picture").all(),
        strict=True,
    ):  # fmt: skip
        assert set(picture.locator(".p-id").all_text_contents()) == set(work["hit"])


@pytest.mark.browser
def test_hostile_text_of_a_plan_shows_as_it_is_and_nothing_runs(pages, watched):
    page = watched.open(pages["hostile plan"])
    for where in (".one-work", "#days", "#plan-of-works", "#tell", "#annex", "table.calls"):
        assert HOSTILE[:20] in page.locator(where).first.text_content(), where
    assert page.evaluate("window.hasRun") is None
    assert page.locator("img, svg[onload], script[src]").count() == 0
    assert "\u202e" not in page.evaluate("document.documentElement.textContent")


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
    [("dig", "light", 1300), ("dig", "dark", 1300), ("plan", "light", 360), ("week", "dark", 390)],
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
    for cell in (5, 6, 7):
        empty = page.locator("table[data-table=tell] tbody tr >> nth=0").locator("td").nth(cell)
        box = empty.bounding_box()
        assert box["width"] > 60
        assert box["height"] >= 49, "13 mm"
    assert page.locator(".write-in").first.is_visible()


@pytest.mark.browser
def test_heads_of_tables_are_text_on_paper(pages, watched):
    """A browser repeats a head on each page, but leaves out buttons in it."""
    page = watched.open(pages["plan"])
    head = page.locator("table[data-table=tell] th .sort").first
    assert head.evaluate("e => getComputedStyle(e).display") != "contents"
    page.emulate_media(media="print")
    for one in page.locator("th .sort").all():
        assert one.evaluate("e => getComputedStyle(e).display") == "contents"

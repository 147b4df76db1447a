"""The page of a rerouting: proposals side by side, cuts of proofs, and what comes next."""

from __future__ import annotations

import csv
import html
import io
import json
import re
import shlex
from dataclasses import replace
from pathlib import Path

import geopandas as gpd
import networkx as nx
import pytest
import shapely
from click.testing import CliRunner

import waysapart as wa
from axe import complaints
from browser import pixels
from hostile_text import HOSTILE, hostile_tables
from reroute_plants import Plant
from reroute_studies import ask, one_pit
from waysapart.cli import main
from waysapart.report.geometry import proof_geometry
from waysapart.report.reroute_map import places_of, proposals_of, reroute_geometry, steps_of


@pytest.fixture(scope="module")
def small(tmp_path_factory):
    """Circuit K, both of whose paths pass pit P; a duct past it serves on either side."""
    plant = Plant()
    one_pit(plant)
    return ask(plant, tmp_path_factory.mktemp("small") / "study")


@pytest.fixture(scope="module")
def pages(small, estuary_reroute, tmp_path_factory):
    folder = tmp_path_factory.mktemp("reroute")
    return {
        "estuary": wa.write_reroute(estuary_reroute, folder / "estuary.html", options=[]),
        "small": wa.write_reroute(small, folder / "small.html"),
    }


@pytest.fixture(scope="module")
def hostile(small, tmp_path_factory):
    """The small plant with hostile text in every text but the kinds, by which plant is known."""
    study = small.before.study
    tables = hostile_tables(study)
    for role, table in tables.items():
        for column in ("kind", "service", "fibre_type"):
            if column in table:
                table[column] = study.tables[role][column]
    tables["circuits"]["name"] = HOSTILE + "Line 1"
    spelled = replace(study, name=HOSTILE + "small", revision=HOSTILE + "A", tables=tables)
    found = wa.reroute(spelled, [HOSTILE + "K"])
    page = tmp_path_factory.mktemp("hostile") / "reroute.html"
    return wa.write_reroute(found, page, options=["--circuit", HOSTILE + "K"])


def run(*arguments):
    return CliRunner().invoke(main, [str(one) for one in arguments])


# --- What the map draws.


def test_new_plant_and_the_paths_of_each_proposal_are_drawn(small):
    """Past P a duct of 400 m in the north, or one of 500 m in the south."""
    proposals = proposals_of(small, small.facts())
    assert [one.key for one in proposals] == ["build-1", "build-2"]
    geo, new = reroute_geometry(small, proposals)
    assert {key: one.ids for key, one in new.items()} == {
        "build-1": ["new-N1-N2"],
        "build-2": ["new-S1-S2"],
    }
    marked = {
        one["properties"]["id"]: one["geometry"]["coordinates"]
        for one in geo["plant"]["features"]
        if one["properties"].get("mark") == "new"
    }
    course = small.facts()["build"]["single"][0]["segments"][0]["lonlat"]
    assert set(marked) == {"new-N1-N2", "new-S1-S2"}
    assert [list(at) for at in marked["new-N1-N2"]] == [pytest.approx(at) for at in course]
    paths = {
        (one["properties"]["when"], one["properties"]["path"]): one["properties"]["segments"]
        for one in geo["paths"]["features"]
    }
    assert paths["record", "main"] == ["CN-1", "CN-2", "CN-3", "CN-4"]
    assert paths["build-1", "main"] == ["CN-1", "new-N1-N2", "CN-4"]
    assert paths["build-1", "alternate"] == paths["record", "alternate"]
    assert paths["build-2", "alternate"] == ["CS-1", "new-S1-S2", "CS-4"]


def test_a_step_has_its_cut_and_what_either_end_still_reaches(tmp_path):
    """A is joined to M1 and to M2, and either to B, both times past pit P: the cut is there."""
    plant = Plant()
    plant.site("M1", 1500, 400)
    plant.site("M2", 1500, -400)
    plant.nodes("pit", N=(700, 300), S=(700, -300), P=(2200, 0))
    plant.laid("CN", "A", "N", "M1")
    plant.laid("CS", "A", "S", "M2")
    plant.laid("C1", "M1", "P", "B")
    plant.laid("C2", "M2", "P", "B")
    plant.link("L1", "CN", "C1")
    plant.link("L2", "CS", "C2")
    plant.way("K", "main", "L1")
    plant.way("K", "alternate", "L2")
    found = ask(plant, tmp_path, build=wa.Candidates(wanted=False))
    place = places_of(proof_geometry(found.before))
    (step,) = steps_of(found.found[0], place).steps
    assert step.avoid == ["P"]
    assert step.paths == [1, 2]
    assert set(step.drawn.cut) == {"C1-1", "C1-2", "C2-1", "C2-2"}
    names = {number: name for name, number in place.items()}
    (near, sites), (far, others) = step.drawn.sides
    assert {names[number] for number in near} == {"CN-1", "CN-2", "CS-1", "CS-2"}
    assert (set(sites), far, others) == ({"A", "M1", "M2"}, [], ["B"])


def test_the_sides_of_every_cut_are_those_that_the_proof_leaves(estuary_reroute):
    """The graph of the JSON, by networkx: without the cut, the equipment that each end reaches."""
    found = estuary_reroute
    place = places_of(proof_geometry(found.before))
    site = dict(
        zip(*(found.before.study.tables["equipment"][name] for name in ("id", "site")), strict=True)
    )
    sites = set(found.before.study.tables["sites"]["id"])
    checked = 0
    for one, told in zip(found.found, found.facts()["circuits"], strict=True):
        proof = told["no_pair_proof"]
        steps = steps_of(one, place)
        assert bool(steps.steps) == (proof is not None)
        for step in steps.steps:
            if not step.cut:
                continue
            graph = nx.Graph()
            stands = {}
            out = {*proof["without"], *step.cut}
            for edge in proof["edges"]:
                graph.add_nodes_from(edge["ends"])
                stands |= dict(zip(edge["ends"], edge["at"], strict=True))
                if edge["id"] not in out:
                    graph.add_edge(*edge["ends"])
            for end, side in zip(proof["ends"], step.drawn.sides, strict=True):
                reached = {stands[node] for node in nx.node_connected_component(graph, end)}
                at = {site.get(name, name) for name in reached}
                assert at & sites == set(side[1]), told["id"]
            checked += 1
    assert checked == 5  # C08, C10, C11, C32 and G3


def test_a_proof_that_rests_on_loss_names_what_it_avoids_and_cuts_nothing(estuary_reroute):
    one = next(one for one in estuary_reroute.found if one.target.id == "C03")
    steps = steps_of(one, {})
    assert set(steps.named) == {"TR-1", "ENT-HER-2"}
    assert steps.pairs == [("N2-S18", "N2B-S21")]
    assert [step.cut for step in steps.steps] == [[], [], []]
    assert {step.said for step in steps.steps} == {
        "it would come to at least 21.19 dB of loss, where 16 dB are allowed"
    }


# --- The page.


@pytest.mark.browser
def test_the_answer_comes_first_and_every_link_lands(pages, watched):
    page = watched.open(pages["estuary"])
    assert page.text_content(".answer") == (
        "Of 22 circuits and groups, 13 have separate paths over the plant on record, 9 have none. "
        "Something to build or change was found for 8 of these."
    )
    assert "not permission to work" in page.text_content("#answer")
    targets = page.eval_on_selector_all(
        "a[href^='#']:not([href='#'])", "all => all.map(a => a.getAttribute('href').slice(1))"
    )
    assert len(set(targets)) > 30
    assert [name for name in set(targets) if not page.query_selector(f"[id='{name}']")] == []


@pytest.mark.browser
def test_each_circuit_has_its_paths_as_lanes_its_figures_and_its_proposals(pages, watched):
    page = watched.open(pages["estuary"])

    def entry(name):
        return page.locator(f"details.circuit:has(h3 .id:text-is('{name}'))")

    assert [one.get_attribute("data-when") for one in entry("C07").locator(".shows").all()] == [
        "all"
    ]
    assert entry("C07").locator("svg.strip .lane").count() == 2
    assert "length 36,178 m together, the least there is" in entry("C07").text_content()
    assert "C07-alternate-new" in entry("C07").locator(".shows tbody").first.text_content()
    shown = [one.get_attribute("data-when") for one in entry("C03").locator(".shows").all()]
    assert shown == ["record", "build-1"]
    assert "Paths with proposal 1, the set" in entry("C03").text_content()  # the same in both
    assert entry("C03").locator("svg.strip").count() == 2
    assert "every pair of paths shares at least that much" in entry("C03").text_content()
    assert entry("C03").locator("button.step").count() == 3
    assert entry("G1").locator("svg.strip").count() == 1


@pytest.mark.browser
def test_a_step_is_drawn_on_the_map_and_hides_the_paths(pages, watched):
    page = watched.open(pages["small"])
    page.select_option("#plan-circuit", label="K")
    assert pixels(page, "main") > 200
    assert pixels(page, "removed") == 0
    page.click("button.step")
    assert page.input_value("#plan-step") == "0"
    assert page.get_attribute("button.step", "aria-pressed") == "true"
    assert pixels(page, "removed") > 200
    assert pixels(page, "main") == 0
    assert pixels(page, "common") > 20
    page.select_option("#plan-step", "")
    assert pixels(page, "removed") == 0
    assert pixels(page, "main") > 200


@pytest.mark.browser
def test_either_side_of_a_cut_is_drawn(pages, watched):
    page = watched.open(pages["estuary"])
    page.locator("details.circuit:has(h3 .id:text-is('C08')) button.step").click()
    assert pixels(page, "side-b") > 200
    page.click("#plan-layers summary")
    page.uncheck("#plan-layers input[value=proof]")
    assert pixels(page, "side-b") == 0


@pytest.mark.browser
def test_a_proposal_shows_its_new_plant_and_the_paths_over_it(pages, watched):
    page = watched.open(pages["small"])
    assert pixels(page, "added") > 50
    thin = pixels(page, "added")
    page.click("#build-2 .proposal-on-map")
    assert page.input_value("#plan-proposal") == "build-2"
    assert page.locator("#build-2").get_attribute("class") == "proposal chosen"
    assert pixels(page, "added") > 2 * thin
    assert pixels(page, "common") == 0  # nothing is shared with it
    page.fill("#plan-find", "new-S1-S2")
    page.keyboard.press("Enter")
    assert "to be built: proposal 2" in page.text_content("#plan-card")
    page.fill("#plan-find", "P")
    page.keyboard.press("Enter")
    assert "named in the proof for K" in page.text_content("#plan-card")


@pytest.mark.browser
def test_a_card_says_what_new_plant_meets_and_what_is_to_be_surveyed(tmp_path, watched):
    """X from N1 to N2, 400 m due east: duct E 6 m beside, F across, pit Q 4 m away, a creek.

    Y is the same line without what it lies in: apart only once that is recorded.
    """
    plant = Plant()
    one_pit(plant)
    plant.nodes(
        "pit", E1=(1400, 156), E2=(1500, 156), F1=(1600, 100), F2=(1600, 200), Q=(1450, 146)
    )
    plant.segment("E", "duct", "E1", "E2", a="E1", b="E2")
    plant.segment("F", "duct", "F1", "F2", a="F1", b="F2")
    plant.settings = '[[layer]]\nname = "water"\nsource = "water.geojson"\n'
    (tmp_path / "study").mkdir()

    def lines(rows):
        shapes = [shapely.LineString([plant.to_degrees(*at) for at in row["line"]]) for row in rows]
        cells = [{key: value for key, value in row.items() if key != "line"} for row in rows]
        return gpd.GeoDataFrame(cells, geometry=shapes, crs=4326)

    lines([{"id": "Creek", "line": [(1550, 0), (1550, 300)]}]).to_file(
        tmp_path / "study" / "water.geojson"
    )
    course = [(1300, 150), (1700, 150)]
    given = [{"id": "X", "line": course, "within": "-"}, {"id": "Y", "line": course}]
    found = ask(plant, tmp_path / "study", build=wa.Candidates(lines=lines(given)))
    page = watched.open(wa.write_reroute(found, tmp_path / "page.html"))

    def told(name):
        card = page.locator(f".proposal:has(.new-segment h5 button[value='{name}'])")
        rows = card.locator(".new-segment dl > div").all()
        texts = [
            [" ".join(one.split()) for one in row.locator("dt, dd").all_text_contents()]
            for row in rows
        ]
        return card, dict(texts)

    card, one = told("X")
    assert one["Course"] == "as the candidate is drawn"
    assert one["Lies in"] == "nothing"
    assert one["Runs beside"].startswith("duct E, 6.00 m away over 116 m, 54.")
    assert one["Crosses"].startswith("duct F, 54.")
    assert "pit Q, 4.00 m away" in one["Passes"]
    assert one["Other layers"] == "water Creek: 1 crossing"
    assert "crosses or enters water (Creek)" in one["To survey"]
    assert "proved" in card.locator(".counts dt").first.text_content()
    card, one = told("Y")
    assert one["Lies in"] == "not on record: what depends on it is unproven"
    assert "once it is on record" in card.locator(".counts").text_content()
    row = page.locator("table[data-table=proposals] tbody tr", has_text="duct Y").locator("td")
    assert [row.nth(2).text_content(), row.nth(3).text_content()] == ["", "K"]
    assert "and for" not in page.text_content(".answer")


@pytest.mark.browser
def test_each_proposal_has_its_budget_and_what_is_unknown_stays_so(tmp_path, watched):
    """A metre at 120, a port at 40, a joint at nothing stated: 400 m and 500 m, of 50,000 EUR."""
    plant = Plant()
    one_pit(plant)
    plant.write(tmp_path / "study")
    rules = tmp_path / "study" / "rules.toml"
    prices = '[build]\nunit = "EUR"\nper_m = 120\nper_port = 40\nbudget = 50000\n'
    rules.write_text(f"{rules.read_text(encoding='utf-8')}\n{prices}", encoding="utf-8")
    found = wa.reroute(wa.read_study(tmp_path / "study"), ["K"])
    page = watched.open(wa.write_reroute(found, tmp_path / "page.html"))
    costs = page.locator("table[data-table=proposals] td:nth-child(7)").all_text_contents()
    assert [" ".join(one.split()) for one in costs] == [
        "not known, at least 48,332 EUR",
        "not known, at least 60,344 EUR over budget",
    ]
    rows = [
        [" ".join(cell.split()) for cell in row.locator("td").all_text_contents()]
        for row in page.locator("#build-1 .terms tbody tr").all()
    ]
    assert rows[0] == ["duct new-N1-N2", "400.1 m", "120", "48,012"]
    assert rows[1][1:] == ["2", "not known", "not known"]
    assert "build.per_joint" in rows[1][0]
    assert rows[2][1:] == ["8", "40", "320"]
    assert "not known whether it is kept" in page.text_content("#build-1")
    assert "over budget" in page.text_content("#build-2")
    assert "new-S1-S2 (60,024 EUR)" in page.text_content("#proposals")
    prices = page.locator("table[data-table=prices] tbody tr").all_text_contents()
    assert any("build.per_m" in row and "120" in row for row in prices)


@pytest.mark.browser
def test_all_work_is_saved_as_csv(pages, watched, estuary_reroute):
    page = watched.open(pages["estuary"])
    with page.expect_download() as saved:
        page.click("#work button.save")
    text = Path(saved.value.path()).read_text(encoding="utf-8-sig")
    rows = list(csv.DictReader(io.StringIO(text)))
    facts = estuary_reroute.facts()
    build = facts["build"]
    every = [facts["work"], *(one["work"] for one in build["single"]), build["set"]["work"]]
    assert [row["Work"] for row in rows] == [one["text"] for work in every for one in work]
    assert {row["Proposal"] for row in rows} == {
        "over plant on record", "proposal 1", "proposal 2", "proposal 3", "proposal 4",
        "proposal 5", "the set",
    }  # fmt: skip


# --- What comes next: the commands of the page, run as they stand there.


def commands_of(page):
    part = re.search(r'<section id="next".*?</section>', page.read_text(encoding="utf-8"), re.S)
    found = [html.unescape(one) for one in re.findall(r"<code>(.*?)</code>", part[0])]
    return [shlex.split(one) for one in found if one.startswith("waysapart ")]


@pytest.mark.parametrize("folder", [None, "new ways"])
def test_the_commands_of_the_page_lead_from_it_to_the_notice(folder, tmp_path, monkeypatch):
    """Each in turn; without --proposal the first one writes the proposals."""
    plant = Plant()
    one_pit(plant)
    plant.write(tmp_path / "my study")
    monkeypatch.chdir(tmp_path)
    line = shapely.LineString([plant.to_degrees(*plant.at[name]) for name in ("N1", "N2")])
    gpd.GeoDataFrame({"id": ["X"], "within": ["-"]}, geometry=[line], crs=4326).to_file(
        "lines.geojson"
    )
    more = () if folder is None else ("--proposal", folder)
    told = run(
        "reroute", "my study", "-c", "K", "--build", "lines.geojson", "-o", "page.html", *more
    )
    assert told.exit_code == 1, told.output
    lines = commands_of(tmp_path / "page.html")
    if folder is None:
        first = "reroute 'my study' --circuit K --build lines.geojson --proposal proposals"
        assert lines[0][1:] == shlex.split(first)
    else:
        assert lines[0][:4] == ["waysapart", "compare", "my study", "new ways/build-1"]
    for line in lines:
        done = run(*line[1:])
        assert done.exit_code in (0, 1, 3), (line, done.output)
    assert {"compare-build-1.html", "notice-build-1.html"} <= {
        one.name for one in tmp_path.iterdir()
    }
    assert "N1" in (tmp_path / "notice-build-1.html").read_text(encoding="utf-8")
    run("compare", "my study", f"{folder or 'proposals'}/build-1", "--json", "compared.json")
    (one,) = json.loads((tmp_path / "compared.json").read_text(encoding="utf-8"))["circuits"]
    assert (one["id"], one["before"], one["after"]) == ("K", "shared", "apart")


def test_recheck_checks_what_the_page_carries(tmp_path):
    plant = Plant()
    one_pit(plant)
    wa.write_reroute(ask(plant, tmp_path / "study"), tmp_path / "page.html")
    done = run("recheck", tmp_path / "study", tmp_path / "page.html")
    assert done.exit_code == 0, done.output
    assert "0 false" in done.output


def test_where_nothing_is_to_be_rerouted_the_page_says_so(tmp_path):
    plant = Plant()
    plant.nodes("pit", N=(1500, 500), S=(1500, -500))
    plant.laid("CN", "A", "N", "B")
    plant.laid("CS", "A", "S", "B")
    plant.link("L1", "CN")
    plant.link("L2", "CS")
    plant.way("K", "main", "L1")
    plant.way("K", "alternate", "L2")
    found = wa.reroute(plant.read(tmp_path / "study"))
    page = wa.write_reroute(found, tmp_path / "page.html")
    assert "there is nothing to reroute" in page.read_text(encoding="utf-8")


def test_the_command_says_and_returns_the_same_with_a_page(tmp_path):
    plant = Plant()
    one_pit(plant)
    plant.write(tmp_path / "study")
    plain = run("reroute", tmp_path / "study")
    told = run("reroute", tmp_path / "study", "-o", tmp_path / "page.html")
    assert (told.exit_code, told.output) == (plain.exit_code, plain.output)
    refused = run("reroute", tmp_path / "study", "-o", tmp_path / "page.pdf")
    assert refused.exit_code == 2
    assert "ends in .html" in refused.output


# --- For every reader, and whatever the layers say.


@pytest.mark.browser
def test_hostile_text_shows_as_it_is_and_nothing_runs(hostile, watched):
    page = watched.open(hostile)
    page.evaluate("document.querySelectorAll('details').forEach(d => { d.open = true; })")
    page.locator("button.step").first.click()
    page.locator(".proposal-on-map").first.click()
    page.locator("table[data-table=work] th button").first.click()
    page.fill("#plan-find", "new-")
    page.keyboard.press("Enter")
    for where in (
        "h1",
        ".kicker",
        "#answer .decide",
        "#plan-circuit option:nth-child(2)",
        "#plan-proposal option:last-child",
        "table[data-table=reroute] button.pick",
        "details.circuit h3",
        "details.circuit .lead-finding",
        ".steps",
        ".shows svg desc",
        ".shows tbody",
        ".proposal .what-built",
        "table[data-table=proposals] td:nth-child(2)",
        "table[data-table=work] td:last-child",
        "#next code",
        "#plan-card",
    ):
        assert HOSTILE[:20] in page.locator(where).first.text_content(), where
    assert page.evaluate("window.hasRun") is None
    assert page.locator("img, svg[onload], script[src]").count() == 0
    assert "49" not in page.title()
    assert "\u202e" not in page.evaluate("document.documentElement.textContent")


@pytest.mark.browser
@pytest.mark.parametrize(
    ("name", "scheme", "width"),
    [
        ("small", "light", 390),
        ("small", "dark", 1300),
        pytest.param("estuary", "light", 1300, marks=pytest.mark.slow),
    ],
)
def test_the_engine_finds_nothing(name, scheme, width, pages, watched, axe):
    page = watched.open(pages[name], color_scheme=scheme, viewport={"width": width, "height": 900})
    page.evaluate("document.querySelectorAll('details').forEach(d => { d.open = true; })")
    page.locator("button.step").first.click()
    page.fill("#plan-find", "N")
    page.keyboard.press("Enter")
    assert complaints(page, axe, scheme) == []


@pytest.mark.browser
@pytest.mark.parametrize("name", ["small", "estuary"])
def test_nothing_is_wider_than_a_phone(name, pages, watched):
    page = watched.open(pages[name], viewport={"width": 390, "height": 844})
    page.evaluate(
        "() => { document.querySelectorAll('details').forEach(d => { d.open = true; });"
        " const all = new CSSStyleSheet();"
        " all.replaceSync('* { content-visibility: visible !important; }');"
        " document.adoptedStyleSheets = [...document.adoptedStyleSheets, all]; }"
    )
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")


@pytest.mark.browser
def test_without_scripts_and_on_paper_pictures_replace_the_map(pages, watched):
    page = watched.open(pages["small"], drawn=False, java_script_enabled=False)
    assert page.locator("#map .picture .k-new").first.is_visible()
    assert page.locator(".cut-picture .k-removed").first.is_visible()
    page.emulate_media(media="print")
    assert page.is_hidden("nav")
    assert page.locator(".cut-picture .picture").is_visible()
    assert not page.locator("button.step").first.is_visible()

"""The page of a comparison: both plants on one map, told apart, and what went and came."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner

import waysapart as wa
from axe import complaints
from browser import pixels
from everyday import some
from hostile_sides import hostile_before, hostile_study
from hostile_text import HOSTILE
from reroute_plants import Plant
from reroute_studies import ask, one_pit
from waysapart.cli import main
from waysapart.figures import before_and_after, metres
from waysapart.report.compare_page import comparison_geometry

EXAMPLES = Path(__file__).resolve().parents[2] / "examples"


@pytest.fixture(scope="module")
def proofs(estuary_proof):
    proposals = ("proposal-a", "proposal-b")
    return {
        "estuary": estuary_proof,
        **{name: wa.prove(wa.read_study(EXAMPLES / name)) for name in proposals},
    }


def marked(geo):
    return {
        str(feature["properties"]["id"]): feature["properties"]["mark"]
        for role in ("plant", "points", "hazards")
        for feature in geo[role]["features"]
        if feature["properties"].get("mark")
    }


def run(*arguments):
    return CliRunner().invoke(main, [str(one) for one in arguments])


def test_added_removed_and_moved_plant_is_marked_and_nothing_else(proofs):
    """The footbridge adds a bridge, two pits, three ducts for one given up; then one duct moves."""
    first = wa.compare(proofs["estuary"], proofs["proposal-b"])
    assert marked(comparison_geometry(first)) == {
        **dict.fromkeys(["BRG-2", "NB-P1", "NB-P2", "NB-D1", "NB-D2", "NB-D3"], "added"),
        "B2-D08": "removed",
    }
    second = wa.compare(proofs["proposal-a"], proofs["proposal-b"])
    assert marked(comparison_geometry(second)) == {
        "NB-D3": "changed",
        "NB-D3 (before)": "was",
        "NB-D4": "removed",
    }
    same = wa.compare(proofs["estuary"], proofs["estuary"])
    assert marked(comparison_geometry(same)) == {}


def test_what_reroute_would_build_shows_as_added(tmp_path):
    """The proposal lays one segment, N1 to N2, past the pit on both paths; nothing is removed."""
    plant = Plant()
    one_pit(plant)
    found = ask(plant, tmp_path / "base")
    found.write_all(tmp_path / "out")
    comparison = wa.compare(tmp_path / "base", tmp_path / "out" / "build-1")
    marks = marked(comparison_geometry(comparison))
    assert marks["new-N1-N2"] == "added"
    assert set(marks.values()) == {"added"}


def test_what_a_path_left_is_what_it_followed_and_follows_no_longer(proofs):
    """Only the alternate of C07 moves: from the duct on the road bridge to the footbridge."""
    geo = comparison_geometry(wa.compare(proofs["estuary"], proofs["proposal-b"]))
    left = {
        (told["circuit"], told["path"]): told["segments"]
        for told in (path["properties"] for path in geo["paths"]["features"])
        if told["when"] == "left" and told["segments"]
    }
    assert left == {("C07", "alternate"): ["B2-D08"]}


def test_two_figures_that_differ_never_read_the_same():
    assert before_and_after(16085.708, 16085.9, metres) == ("16085.708", "16085.9")
    assert before_and_after(5.0, 5.0, metres) == ("5.00 m", "5.00 m")
    assert before_and_after(None, 5.0, metres) == ("", "5.00 m")


def test_evidence_alone_is_said_and_nothing_is_marked(proofs, tmp_path):
    evidence = tmp_path / "before.json"
    evidence.write_text(json.dumps(proofs["estuary"].facts()), encoding="utf-8")
    assert marked(comparison_geometry(wa.compare(evidence, proofs["proposal-b"]))) == {}
    comparison = wa.compare(proofs["proposal-b"], evidence)
    geo = comparison_geometry(comparison)
    assert marked(geo) == {}
    assert len(geo["plant"]["features"]) == len(proofs["proposal-b"].study.tables["segments"])
    page = wa.write_comparison(comparison, tmp_path / "page.html").read_text(encoding="utf-8")
    assert "its plant is not in that file" in page
    assert 'id="plan-when"' not in page
    neither = wa.write_comparison(wa.compare(evidence, evidence), tmp_path / "two.html")
    assert "there is no map" in neither.read_text(encoding="utf-8")


def test_the_command_says_and_returns_the_same_with_a_page(tmp_path):
    better, worse = tmp_path / "better.html", tmp_path / "worse.html"
    sides = EXAMPLES / "estuary", EXAMPLES / "proposal-b"
    plain, told = run("compare", *sides), run("compare", *sides, "-o", better)
    assert (told.exit_code, told.output) == (plain.exit_code, plain.output) == (0, told.output)
    assert (
        "Nothing gets worse: 1 better, 32 same. C07 becomes apart: BRG-1 no longer shared."
        in better.read_text("utf-8")
    )
    assert run("compare", *reversed(sides), "-o", worse).exit_code == 1
    said = "C07 becomes shared: BRG-1 newly shared. Circuits: 1 worse, 0 better, 32 same."
    assert said in worse.read_text("utf-8")
    assert sorted(one.name for one in tmp_path.iterdir()) == ["better.html", "worse.html"]


def test_an_input_is_never_written_over_and_a_page_is_html(proofs, tmp_path):
    evidence = tmp_path / "before.html.json"
    evidence.write_text(json.dumps(proofs["estuary"].facts()), encoding="utf-8")
    kept = evidence.read_bytes()
    refused = run("compare", evidence, EXAMPLES / "estuary", "-o", evidence)
    assert refused.exit_code == 2
    assert evidence.read_bytes() == kept
    assert "ends in .html" in run("compare", evidence, evidence, "-o", tmp_path / "x.txt").output


@pytest.fixture(scope="module")
def pages(proofs, tmp_path_factory):
    """The footbridge, and a comparison in which every text is hostile."""
    folder = tmp_path_factory.mktemp("compare")
    after = hostile_study()
    made = {"plain": folder / "plain.html", "hostile": folder / "hostile.html"}
    wa.write_comparison(wa.compare(proofs["estuary"], proofs["proposal-b"]), made["plain"])
    wa.write_comparison(wa.compare(hostile_before(after), after), made["hostile"])
    return made


@pytest.mark.browser
def test_the_map_tells_added_from_removed_and_shows_both_ways(pages, watched):
    page = watched.open(pages["plain"])
    page.click("#plan-marked")
    assert pixels(page, "added") > 500
    assert pixels(page, "removed") > 200
    page.click("#plan-layers summary")
    page.uncheck("#plan-layers input[value=marked]")
    assert (pixels(page, "added"), pixels(page, "removed")) == (0, 0)
    page.click("#plan-layers summary")
    page.click("table[data-table=changes] button:has-text('C07')")
    page.click("#plan-marked")
    both = pixels(page, "alternate")
    page.select_option("#plan-when", "after")
    after = pixels(page, "alternate")
    page.select_option("#plan-when", "before")
    assert 0 < after < both
    assert pixels(page, "alternate") > 0
    page.fill("#plan-find", "B2-D08")
    page.keyboard.press("Enter")
    assert "removed" in page.text_content("#plan-card")


@pytest.mark.browser
def test_hostile_text_shows_as_it_is_and_nothing_runs(pages, watched):
    page = watched.open(pages["hostile"])
    for name in ("changes", "figures", "records", "findings"):
        page.locator(f"table[data-table={name}] th button").first.click()
    page.click("#plan-marked")
    page.fill("#plan-find", "OLD-PIT")
    page.keyboard.press("Enter")
    assert "removed" in page.text_content("#plan-card")
    assert HOSTILE[:20] in page.text_content("#plan-card")
    for where in ("h1", ".answer + .aside ~ .decide", "#records", "#figures", "#gaps", ".reading"):
        assert HOSTILE[:20] in page.locator(where).first.text_content(), where
    assert page.evaluate("window.hasRun") is None
    assert page.locator("img, svg[onload], script[src]").count() == 0
    assert "49" not in page.title()
    assert "\u202e" not in page.evaluate("document.documentElement.textContent")


@pytest.mark.browser
@pytest.mark.parametrize(
    ("scheme", "width"), some([("light", 1300), ("dark", 1300), ("light", 360)], every=4)
)
def test_the_engine_finds_nothing(scheme, width, pages, watched, axe):
    page = watched.open(
        pages["plain"], color_scheme=scheme, viewport={"width": width, "height": 900}
    )
    page.select_option("#plan-circuit", "0")
    page.fill("#plan-find", "BRG-2")
    page.keyboard.press("Enter")
    assert complaints(page, axe, scheme) == []
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")


@pytest.fixture(scope="module")
def worse_page(proofs, tmp_path_factory):
    """The first footbridge: a pit shared in place of the road bridge."""
    page = tmp_path_factory.mktemp("worse") / "worse.html"
    return wa.write_comparison(wa.compare(proofs["estuary"], proofs["proposal-a"]), page)


@pytest.mark.browser
@pytest.mark.parametrize("width", [1300, 390])
def test_the_answer_comes_first_on_wide_and_narrow_screens(width, worse_page, watched):
    """What got worse and what came from the proposal, in their order, before the map."""
    page = watched.open(worse_page, viewport={"width": width, "height": 1000})
    asked = page.locator("#answer .asked").inner_text()
    answer = (
        "C07 gets worse: B1-P08 newly shared, closest approach 12.0 m to 0 m. Circuits: 1 worse, "
        "0 better, 32 same."
    )
    assert answer in asked
    asked = asked.split(answer)[1]
    wanted = (
        "From this proposal: 3 structures, 4 segments",
        "C07",
        "newly shared: B1-P08",
        "closest approach 12.0 m to 0 m",
        "but better: no longer shared: BRG-1",
        "The same: 32 circuits, 3 groups, 1 scheme",
    )
    place = 0
    for text in wanted:
        assert text in asked[place:], f"{text} does not follow what comes before it"
        place = asked.index(text, place) + len(text)
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
    lowest = page.locator("#answer .decide li").first.bounding_box()
    assert lowest["y"] + lowest["height"] < 1000
    page.emulate_media(media="print")
    assert page.locator("#answer .decide li").first.is_visible()
    assert page.locator("#tolerances table").is_visible()


@pytest.mark.browser
def test_the_keyboard_goes_down_the_page(pages, watched):
    """Skip link, contents, cautions, then the map's tools in the order in which they stand."""
    page = watched.open(pages["plain"])
    seen = []
    for _ in range(26):
        page.keyboard.press("Tab")
        seen.append(page.evaluate("document.activeElement.id || document.activeElement.className"))
    wanted = ["skip", "plan-circuit", "plan-when", "plan-marked", "plan-find", "plan-measure"]
    assert [one for one in seen if one in wanted] == wanted
    assert "map_plan" in seen


@pytest.mark.browser
def test_without_scripts_and_on_paper_a_picture_stands_in(pages, watched):
    page = watched.open(pages["plain"], drawn=False, java_script_enabled=False)
    assert page.locator(".picture .k-added").first.is_visible()
    assert page.locator(".picture .k-removed").count() == 2  # the whole, and closer
    assert page.is_hidden(".plan-frame")
    page.emulate_media(media="print")
    assert page.is_hidden("nav")
    assert page.locator(".picture").last.is_visible()
    assert page.is_visible("table.signing")

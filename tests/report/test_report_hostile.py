"""Hostile text from layers on disk to the opened report: shown as it is, and nothing runs."""

from __future__ import annotations

import tomllib
from dataclasses import replace
from pathlib import Path

import pytest
import tomli_w
from click.testing import CliRunner

from browser import Watched, chromium
from hostile_text import HOSTILE, hostile_tables
from study_formats import write_study
from waysapart.cli import main
from waysapart.report.escape import visible
from waysapart.schema import ROLES
from waysapart.study.read import read_study

pytestmark = pytest.mark.browser

ESTUARY = Path(__file__).resolve().parents[2] / "examples" / "estuary"


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """The demo on disk with hostile text in every text column, id, reference and rule."""
    study = read_study(ESTUARY)
    folder = tmp_path_factory.mktemp("hostile") / "study"
    hostile = replace(
        study, name=HOSTILE + study.name, revision=HOSTILE + "A", tables=hostile_tables(study)
    )
    write_study(hostile, folder)
    path = folder / "rules.toml"
    rules = tomllib.loads(path.read_text(encoding="utf-8"))
    rules["services"] = {
        name if name == "default" else HOSTILE + name: values
        for name, values in rules.get("services", {}).items()
    }
    rules["fibres"] = {
        HOSTILE + "G.652.D": {
            "db_per_km": {"1310": 0.35, "1550": 0.22},
            "group_index": {"1310": 1.4677, "1550": 1.4682},
        }
    }
    for waiver in rules["waiver"]:
        for key in ("circuit", "asset", "reason", "by"):
            if key in waiver:
                waiver[key] = HOSTILE + waiver[key]
    path.write_text(tomli_w.dumps(rules), encoding="utf-8")
    return folder


@pytest.fixture(scope="module")
def report(folder, tmp_path_factory):
    path = tmp_path_factory.mktemp("report") / "report.html"
    run = CliRunner().invoke(main, ["report", str(folder), "-o", str(path)])
    assert run.exit_code == 1, run.output
    return path


@pytest.fixture(scope="module")
def page(report):
    with chromium() as browser:
        watched = Watched(browser)
        yield watched.open(report)
        watched.close()


def test_the_layers_are_hostile(folder):
    """Otherwise the rest would show nothing: every asset id of the study that is read begins so."""
    study = read_study(folder)
    for role, told in ROLES.items():
        table = study.tables[role]
        if told.asset and len(table):
            assert all(name.startswith(HOSTILE) for name in table["id"]), role
    assert study.tables["sites"]["name"].iloc[0].startswith(HOSTILE)
    assert study.tables["sites"]["kind"].iloc[0].startswith(HOSTILE)


SHOWN = visible(HOSTILE).strip()


@pytest.mark.parametrize(
    "where",
    [
        "h1",
        ".kicker",
        "#answer .decide a",
        "#answer .decide li:nth-child(3) .finding",  # the first two are whole routes: kilometres
        "table[data-table=circuits] button.pick",
        "table[data-table=circuits] .sub",
        "#plan-circuit option:nth-child(2)",
        "details.circuit h3",
        "details.circuit .facts b",
        "details.circuit .what .asset",
        "details.circuit .chain li",
        "details.circuit .chain-label >> nth=1",
        "details.circuit .strip title",
        "details.circuit .strip desc",
        "details.circuit .strip .bridge-label >> nth=2",  # as above
        "details.circuit .evidence .asset",
        "details.circuit .terms .id",
        "#groups article h3",
        "table[data-table=events] .asset",
        "table[data-table=events] td:nth-child(2)",
        "table[data-table=gaps] td",
        "table[data-table=waivers] td",
        "table[data-table=waivers] td:nth-child(2)",
        "table[data-table=waivers] td:nth-child(4)",
        "table[data-table=waivers] td:nth-child(5)",
        ".picture text",
    ],
)
def test_it_is_shown_as_it_is(page, where):
    page.evaluate("document.querySelectorAll('details').forEach(d => { d.open = true; })")
    assert SHOWN[:20] in page.locator(where).first.text_content()


def test_every_circuit_is_named_in_full(page, folder):
    wanted = {visible(name) for name in read_study(folder).tables["circuits"]["id"]}
    found = page.locator("table[data-table=circuits] button.pick").all_text_contents()
    assert {" ".join(name.split()) for name in found} == {" ".join(x.split()) for x in wanted}


def test_the_map_and_its_card_show_it_too(page):
    page.select_option("#plan-circuit", "3")
    page.fill("#plan-find", "PIT-HER-7")
    page.keyboard.press("Enter")
    card = page.locator("#plan-card")
    assert SHOWN in card.locator(".id").first.text_content()
    told = dict(
        zip(
            card.locator("dt").all_text_contents(),
            card.locator("dd").all_text_contents(),
            strict=True,
        )
    )
    assert SHOWN in told["Kind"]
    assert SHOWN in told["If this is lost, circuits lost"]
    assert SHOWN in told["Cables that need it"]


def test_nothing_has_run_and_nothing_is_markup(page):
    for table in ("circuits", "events", "inputs"):
        page.locator(f"table[data-table={table}] th button").first.click()
    frame = page.locator(".folium-map").bounding_box()
    page.mouse.click(frame["x"] + frame["width"] / 2, frame["y"] + frame["height"] / 2)
    page.evaluate("window.dispatchEvent(new Event('beforeprint'))")
    page.evaluate("window.dispatchEvent(new Event('afterprint'))")
    assert page.evaluate("window.hasRun") is None
    assert page.locator("img, svg[onload], script[src]").count() == 0
    assert "49" not in page.title()
    assert "\u202e" not in page.evaluate("document.documentElement.textContent")


def test_none_of_it_reaches_a_report_for_outside(folder, tmp_path):
    path = tmp_path / "outside.html"
    run = CliRunner().invoke(main, ["report", str(folder), "-o", str(path), "--share-outside"])
    assert run.exit_code == 1, run.output
    html = path.read_text(encoding="utf-8")
    assert "7*7" not in html
    assert "ran(" not in html
    assert "HER" not in html

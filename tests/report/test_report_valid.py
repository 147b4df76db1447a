"""The report is valid HTML: the validator html-validate, from npm, is used by this test alone.

It is taken from WAYSAPART_HTML_VALIDATE (its command), else installed into a folder that goes
away again.
"""

from __future__ import annotations

import base64
import gzip
import json
import os
import re
import shutil
import subprocess
from pathlib import Path

import pytest

import waysapart as wa
from browser import NEEDED
from reroute_plants import Plant
from reroute_studies import ask, one_pit
from waysapart.report.page import render_report
from waysapart.report.redaction import Outside, reduced
from waysapart.report.walkdown_page import walkdown_page
from waysapart.report.works_page import notice_page
from waysapart.report.write import report_facts
from waysapart.whatif.walkdown import hangs_on

pytestmark = pytest.mark.browser

ESTUARY = Path(__file__).resolve().parents[2] / "examples" / "estuary"
BROKEN = "<!DOCTYPE html><html lang='en'><head><title>x</title></head><body><ul><p>x</ul></html>"


@pytest.fixture(scope="module")
def validator(tmp_path_factory):
    """Gives the rules that a file breaks."""
    folder = tmp_path_factory.mktemp("valid")
    command = os.environ.get("WAYSAPART_HTML_VALIDATE")
    if command is None:
        npm = shutil.which("npm")
        install = [npm, "install", "--silent", "--no-save", "--prefix", str(folder)]
        try:
            done = npm and subprocess.run([*install, "html-validate@9"], timeout=120, check=False)
        except subprocess.TimeoutExpired:
            done = None
        if not done or done.returncode:
            (pytest.fail if NEEDED else pytest.skip)(
                "html-validate is not here: give its command in WAYSAPART_HTML_VALIDATE, "
                "or install npm"
            )
        command = str(folder / "node_modules" / ".bin" / "html-validate")
    rules = folder / "rules.json"
    rules.write_text(json.dumps({"extends": ["html-validate:standard"], "root": True}), "utf-8")

    def broken(html):
        page = folder / "page.html"
        page.write_text(html, encoding="utf-8")
        told = folder / "told.json"
        with told.open("wb") as file:  # through a pipe a long answer is cut off
            subprocess.run(
                [command, "--config", str(rules), "--formatter", "json", str(page)],
                stdout=file, check=False,
            )  # fmt: skip
        return [
            (one["ruleId"], one["line"], one["message"])
            for found in json.loads(told.read_text(encoding="utf-8"))
            for one in found["messages"]
        ]

    return broken


@pytest.fixture(scope="module")
def proof(estuary_proof):
    return estuary_proof


def test_the_validator_finds_what_is_wrong(validator):
    assert "element-permitted-content" in {rule for rule, *_ in validator(BROKEN)}


def test_the_report_is_valid(validator, proof):
    """With what has changed since a revision that knew only some of the circuits."""
    before = proof.facts()
    before["circuits"] = [{**one, "verdict": "shared"} for one in before["circuits"][:-2]]
    assert validator(render_report(*report_facts(proof, since=before), title="Estuary")) == []


def test_a_large_report_is_valid(validator, proof):
    """The circuits three times over: most of its entries wait as text."""
    facts, geo = report_facts(proof)
    more = [{**one, "id": f"{one['id']}-{k}"} for k in (2, 3) for one in facts["circuits"]]
    many = {**facts, "circuits": [*facts["circuits"], *more]}
    page = render_report(many, geo, title="Large")
    assert page.count('class="later"') > 50
    assert validator(page) == []
    opened = re.sub(
        r'<script type="application/gzip" class="later">(.*?)</script>',
        lambda kept: gzip.decompress(base64.b64decode(kept[1])).decode(),
        page,
    )
    assert len(opened) > 1.3 * len(page)
    assert validator(opened) == []


@pytest.mark.parametrize("grid_m", [None, 1730.0])
def test_the_report_for_readers_outside_is_valid(validator, proof, grid_m):
    facts, geo = reduced(*report_facts(proof), proof.study.crs, Outside(grid_m))
    assert validator(render_report(facts, geo, title="Outside")) == []


def test_notices_are_valid(validator, proof):
    """Of a dig, of assets named, of works that hit nothing, of a plan."""
    works = ESTUARY.parent / "works" / "works.geojson"
    for one in (
        wa.dig(proof, works, reach_m=3.0),
        wa.dig(proof, assets=["PIT-HER-7", "OP-N1"]),
        wa.dig(proof, at=(-28.8, 54.44), radius_m=1.0),
        wa.plan_works(proof, works),
    ):
        assert validator(notice_page(one)) == []


def test_walk_down_sheets_are_valid(validator, proof):
    """With records and a circuit that is not apart; with nothing to look at."""
    for names in (["C14", "G2", "C01"], ["C01"]):
        assert validator(walkdown_page(hangs_on(proof, circuits=names))) == []


def test_an_empty_report_is_valid(validator, empty_report):
    """A study without circuits, and without a map as readers outside get it."""
    facts, _ = empty_report
    assert validator(render_report(facts, {}, title="Nothing yet")) == []


def test_the_page_of_a_rerouting_is_valid(validator, tmp_path):
    """With a proof step by step, two proposals and their new segments."""
    plant = Plant()
    one_pit(plant)
    page = wa.write_reroute(ask(plant, tmp_path / "study"), tmp_path / "page.html", options=[])
    text = page.read_text(encoding="utf-8")
    assert text.count('class="proposal"') == 2
    assert validator(text) == []

"""What is signed: the digest that ties paper to file, the text above the boxes, and the ages.

The small study has positions surveyed on one day, one test, and a waiver where a test writes one.
"""

from __future__ import annotations

import base64
import gzip
import hashlib
import json
import os
import re
import shutil
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import pytest

import waysapart as wa
from commands import run
from small_study import write_small_study
from waysapart.recheck import recheck
from waysapart.report import sign_off
from waysapart.report.page import render_report

MM = 96 / 25.4
"""CSS pixels in a millimetre."""
PAPER_PX = 688
"""Width of the text on A4, 182 mm, in whole pixels."""
OLD = datetime(2019, 7, 1, 12, tzinfo=UTC).timestamp()
BOXES = "table.decisions:not([data-table=to-sign]) tbody tr, table.signing tbody tr"
WAIVER = '\n[[waiver]]\ncircuit = "K1"\nasset = "H1"\nreason = "Until the second pit is built"\n'
ACCEPTED = WAIVER + 'by = "design note 7"\nuntil = 2999-12-31\n'


def study(folder: Path) -> Path:
    """The small study, its segments surveyed in 2016 but for one, one cable tested in 2021."""
    write_small_study(folder)
    segments = json.loads((folder / "segments.geojson").read_text())
    for one in segments["features"][1:]:
        one["properties"]["surveyed"] = "2016-05-04"
    (folder / "segments.geojson").write_text(json.dumps(segments))
    (folder / "measurements.csv").write_text("cable,loss_db,date\nC2,1.9,2021-03-09\n")
    for file in folder.iterdir():
        os.utime(file, (OLD, OLD))
    return folder


def accepted(folder: Path) -> Path:
    """The same with a flood that takes a tower and a pit, accepted by a waiver."""
    study(folder)
    hazard = {
        "type": "Feature",
        "properties": {"id": "H1", "kind": "flood", "takes": "pit;tower"},
        "geometry": {"type": "Polygon", "coordinates": [_around(folder)]},
    }
    layer = {"type": "FeatureCollection", "features": [hazard]}
    (folder / "hazards.geojson").write_text(json.dumps(layer))
    (folder / "rules.toml").write_text(ACCEPTED)
    return folder


def _around(folder: Path) -> list[list[float]]:
    """A ring around all that is drawn but for the sites."""
    structures = json.loads((folder / "structures.geojson").read_text())["features"]
    at = {one["properties"]["id"]: one["geometry"]["coordinates"] for one in structures}
    low, high = at["P2"], at["T2"]
    west, east, south, north = low[0] - 1e-3, high[0] + 1e-3, low[1] - 1e-3, high[1] + 1e-3
    ring = [[west, south], [east, south], [east, north], [west, north], [west, south]]
    return [[float(a), float(b)] for a, b in ring]


def carried(page: str, name: str) -> bytes:
    """What a page carries, as `base64 -d | gunzip` gives it."""
    (packed,) = re.findall(
        rf'^<script type="application/gzip" id="{name}">(.*?)</script>', page, re.M
    )
    return gzip.decompress(base64.b64decode(packed))


def signed(page: str) -> str:
    """The text of the sign-off."""
    text = re.sub(r"<[^>]+>", " ", page[page.index('id="sign-off"') :])
    return re.sub(r"\s+", " ", text)


# --- The digest.


def test_the_digest_on_paper_is_that_of_the_evidence_in_the_file(tmp_path: Path) -> None:
    """By three ways: as the page says to check it by hand, on the page, and from `recheck`."""
    folder, page = study(tmp_path / "study"), tmp_path / "report.html"
    run("report", folder, "-o", page)
    text = page.read_text()
    by_hand = hashlib.sha256(carried(text, "evidence")).hexdigest()
    assert f"SHA-256 {by_hand} of the evidence" in signed(text)
    done = run("recheck", folder, page)
    assert f"SHA-256 of the evidence: {by_hand}\n" in done.output
    assert recheck(folder, page)["sha256"] == by_hand


def test_the_digest_of_a_json_file_is_that_of_the_file(tmp_path: Path) -> None:
    folder, file = study(tmp_path / "study"), tmp_path / "evidence.json"
    run("prove", folder, "--json", file)
    assert recheck(folder, file)["sha256"] == hashlib.sha256(file.read_bytes()).hexdigest()


def test_a_copy_has_other_file_dates_and_the_same_digest(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Evidence is made of what files hold; the day of copying stands on the page alone."""
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "1700000000")
    folder, copy = study(tmp_path / "study"), tmp_path / "copy"
    shutil.copytree(folder, copy, copy_function=shutil.copyfile)
    pages = []
    for where in (folder, copy):
        wa.write_report(wa.prove(wa.read_study(where)), tmp_path / "report.html")
        pages.append((tmp_path / "report.html").read_text())
    first, second = pages
    assert carried(first, "evidence") == carried(second, "evidence")
    assert "oldest file 2019-07-01" in first
    assert "2019-07-01" not in second


@pytest.mark.parametrize("kind", ["compare", "dig"])
def test_other_pages_carry_what_their_digest_is_of(kind: str, tmp_path: Path) -> None:
    """The change, and the works, with the hashes of the files that they were made from."""
    folder, page = accepted(tmp_path / "study"), tmp_path / "page.html"
    if kind == "compare":
        run("compare", folder, study(tmp_path / "before"), "-o", page)
    else:
        run("dig", folder, "--asset", "P2", "-o", page)
    text = page.read_text()
    data = carried(text, "carried")
    assert f"SHA-256 {hashlib.sha256(data).hexdigest()} of the facts" in signed(text)
    held = json.dumps(json.loads(data))
    assert hashlib.sha256((folder / "links.csv").read_bytes()).hexdigest() in held
    assert run("recheck", folder, page).exit_code == 2, "no evidence of a proof"


# --- What a signature covers.


def test_the_sign_off_says_what_it_covers(estuary_page: str, estuary_report: Any) -> None:
    facts, _ = estuary_report
    text = signed(estuary_page)
    counts = facts["summary"]
    assert (
        f"{counts['circuits']} circuits: {counts['shared']} shared, {counts['unproven']} unproven, "
        f"{counts['accepted']} accepted, {counts['apart']} apart; 2 outside a limit"
    ) in text
    assert "1 in force; 2 that do not count." in text
    sources = [one["source"] for one in facts["assumptions"]]
    without = sum("no source" in one for one in sources)
    assert without > 50
    assert f"{without} without a source in all" in text
    assert f"{counts['gaps']}: " in text
    assert "this file carries no evidence" in text, "made without"


def test_gaps_on_both_count_for_both() -> None:
    gaps = [
        {"bears_on": "both", "count": 2},
        {"bears_on": "limits", "count": 1},
    ]
    said = sign_off.gaps_said(gaps)  # type: ignore[arg-type]
    assert said == "3: 2 bear on separation, 3 on limits (some on both)."


def test_an_accepted_circuit_says_who_accepted_it_until_when_and_why(tmp_path: Path) -> None:
    folder, page = accepted(tmp_path / "study"), tmp_path / "report.html"
    proof = wa.prove(wa.read_study(folder))
    assert proof.verdicts[0] == "accepted"
    wa.write_report(proof, page)
    rows = re.findall(r"<tr>.*?</tr>", page.read_text()[page.read_text().index('id="sign-off"') :])
    (row,) = [one for one in rows if "Accepted by waiver" in one]
    cells = [re.sub(r"<[^>]+>", "", one) for one in re.findall(r"<td>(.*?)</td>", row)]
    assert cells == [
        *("K1", "Accepted by waiver: H1.", "accepted: Until the second pit is built"),
        *("2999-12-31", "design note 7", ""),
    ]


# --- Ages.


def test_each_layer_has_its_rows_and_dates(tmp_path: Path) -> None:
    """Eight segments, one of them not surveyed; the day of the file is not in the evidence."""
    read = wa.read_study(study(tmp_path / "study"), on=date(2026, 1, 1))
    facts = wa.prove(read).facts()
    by_file = {one["file"]: one for one in facts["layers"]}
    assert by_file["segments.geojson"] == {
        "role": "segments",
        "file": "segments.geojson",
        "layer": None,
        "rows": 8,
        "dates": [
            {
                "column": "surveyed",
                "dated": 7,
                "undated": 1,
                "oldest": "2016-05-04",
                "newest": "2016-05-04",
            }
        ],
    }
    assert by_file["measurements.csv"]["dates"][0]["oldest"] == "2021-03-09"
    assert by_file["circuits.csv"]["dates"] == []
    assert {one.modified for one in read.layers} == {date(2019, 7, 1)}
    assert "2019" not in json.dumps(facts)


def test_a_date_after_the_day_of_judgement_is_none(tmp_path: Path) -> None:
    read = wa.read_study(study(tmp_path / "study"), on=date(2016, 5, 3))
    by_file = {one["file"]: one for one in wa.prove(read).facts()["layers"]}
    (dates,) = by_file["segments.geojson"]["dates"]
    assert (dates["dated"], dates["undated"], dates["oldest"]) == (0, 8, None)


def test_the_header_names_the_oldest_file_survey_and_test(tmp_path: Path) -> None:
    page = tmp_path / "report.html"
    folder = study(tmp_path / "study")
    os.utime(folder / "joints.csv", (OLD - 40 * 86400, OLD - 40 * 86400))
    wa.write_report(wa.prove(wa.read_study(folder)), page)
    header = page.read_text()[: page.read_text().index("</header>")]
    header = header[header.index('<p class="made oldest">') :]
    assert "oldest file 2019-05-22 (joints.csv)" in header
    assert "oldest survey 2016-05-04 (segments.geojson, 9 of 16 undated)" in header
    assert "oldest test 2021-03-09 (measurements.csv)" in header


def test_what_is_not_dated_is_not_known(estuary_report: Any) -> None:
    """A database has no file date; a table without days of survey is not called new."""
    layers = estuary_report[0]["layers"]
    said = sign_off.oldest_said(layers, [None] * len(layers))
    assert said[0] == "date of no file known"
    assert said[1].startswith("oldest survey not known: none of ")
    rows = sign_off.layer_rows(layers, [None] * len(layers))
    assert {row.modified for row in rows} == {"not known"}
    assert next(row for row in rows if row.role == "sites").surveyed.startswith("not known")


@pytest.mark.parametrize("field", ["rows", "oldest", "dated", "file", "gone"])
def test_recheck_finds_a_forged_age(field: str, tmp_path: Path) -> None:
    folder, file = study(tmp_path / "study"), tmp_path / "evidence.json"
    run("prove", folder, "--json", file)
    facts = json.loads(file.read_text())
    (layer,) = [one for one in facts["layers"] if one["file"] == "segments.geojson"]
    if field == "gone":
        facts["layers"].remove(layer)
    elif field in layer:
        layer[field] = {"rows": 9, "file": "other.geojson"}[field]
    else:
        layer["dates"][0][field] = {"oldest": "2025-05-04", "dated": 8}[field]
    file.write_text(json.dumps(facts))
    told = recheck(folder, file)["false"]
    assert [said for said in told if said.startswith("layers: ")]
    # A layer that is gone takes its records with it, and those of the layers after it.
    assert all(said.startswith(("layers: ", "records")) for said in told)
    assert field == "gone" or len(told) == 1


def test_the_same_records_in_another_file_are_the_same_ages(tmp_path: Path) -> None:
    """The evidence names the old file, which recheck reports as an input that has changed."""
    folder, file = study(tmp_path / "study"), tmp_path / "evidence.json"
    run("prove", folder, "--json", file)
    with (folder / "study.toml").open("a") as toml:
        toml.write('\n[[layer]]\nrole = "measurements"\nsource = "tests.csv"\n')
    (folder / "measurements.csv").rename(folder / "tests.csv")
    found = recheck(folder, file)
    assert found["false"] == []
    assert "tests.csv is new" in found["changed_inputs"]


# --- Boxes that a pen can fill.


@pytest.mark.browser
def test_boxes_are_high_enough_for_a_pen_on_paper(
    watched: Any, tmp_path: Path, estuary_report: Any
) -> None:
    """12 mm in print, on the report, a comparison and a works notice; the last cells are empty."""
    folder, before = accepted(tmp_path / "study"), study(tmp_path / "before")
    facts, geo = estuary_report
    pages = [tmp_path / f"{name}.html" for name in ("report", "change", "works")]
    pages[0].write_text(render_report(facts, geo, title="Estuary ring"))
    run("compare", before, folder, "-o", pages[1])
    run("dig", folder, "--asset", "P2", "-o", pages[2])
    for path in pages:
        page = watched.open(path, drawn=False)
        page.set_viewport_size({"width": PAPER_PX, "height": 900})
        page.emulate_media(media="print")
        wide = page.evaluate("document.documentElement.scrollWidth")
        assert wide <= PAPER_PX, f"{path.name}: the browser would shrink the page, boxes and all"
        heights = page.eval_on_selector_all(BOXES, "all => all.map(e => e.offsetHeight)")
        assert len(heights) >= 4, path.name
        assert min(heights) >= 12 * MM, path.name
        head = page.locator("table.decisions[data-table=decisions] th").all_text_contents()
        assert [text.strip() for text in head][1:] == [
            "Found",
            "Decision",
            "Until",
            "Who",
            "Initials",
        ]
        initials = page.locator("table[data-table=decisions] tbody td:last-child")
        assert set(initials.all_text_contents()) == {""}

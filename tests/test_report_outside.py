"""The report for readers outside: no name, id, free text or coordinate of the study stays in it."""

from __future__ import annotations

import json
import re
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pytest
import shapely
from click.testing import CliRunner
from pyproj import Transformer

from waysapart.cli import main
from waysapart.errors import CallError
from waysapart.network.ends import geometries
from waysapart.network.lengths import to_lonlat
from waysapart.report.outside import Outside, reduced
from waysapart.report.page import render_report
from waysapart.report.write import report_facts
from waysapart.schema import ROLES

ESTUARY = Path(__file__).resolve().parents[1] / "examples" / "estuary"
GRID_M = 1730.0
"""The demo's own places are drawn on whole kilometres; no node of this grid is one of them."""
GEOMETRY = [role for role, told in ROLES.items() if told.geometry]


@pytest.fixture(scope="module")
def proof(estuary_proof):
    return estuary_proof


@pytest.fixture(scope="module")
def full(proof):
    """With a change since an earlier revision in it, so that this part is looked at too."""
    before = proof.facts()
    before["circuits"] = [{**one, "verdict": "shared"} for one in before["circuits"][:-1]]
    return report_facts(proof, since=before)


def page(full, proof, grid_m=None):
    facts, geo = reduced(*full, proof.study.crs, Outside(grid_m))
    return render_report(facts, geo, title="Report for readers outside")


@pytest.fixture(scope="module")
def without_map(full, proof):
    return page(full, proof)


@pytest.fixture(scope="module")
def on_grid(full, proof):
    return page(full, proof, GRID_M)


class Shown(HTMLParser):
    """Everything in a page but its own scripts and styles: texts, attributes, data."""

    def __init__(self, html):
        super().__init__()
        self.parts, self.data, self.skip = [], [], None
        self.feed(html)
        self.text = "\n".join(self.parts)

    def handle_starttag(self, tag, attrs):
        given = dict(attrs)
        if tag in ("script", "style"):
            self.skip = "data" if given.get("type") == "application/json" else tag
            return
        ours = {"class", "d", "id", "href", "for", "style", "content", "viewbox"}
        self.parts += [value for name, value in attrs if value and name not in ours]

    def handle_endtag(self, tag):
        if tag in ("script", "style"):
            self.skip = None

    def handle_data(self, data):
        if self.skip is None:
            self.parts.append(data)
        elif self.skip == "data":
            self.parts.append(data)
            self.data.append(json.loads(data))


def ids_and_names(study):
    found = {study.name}
    for table in study.tables.values():
        for column in ("id", "name"):
            if column in table:
                found |= {value for value in table[column] if isinstance(value, str)}
    found |= {one.file for one in study.inputs}
    for waiver in study.rules.waivers:
        found |= {waiver.reason, waiver.by}
    return found


@pytest.mark.parametrize("made", ["without_map", "on_grid"])
def test_no_id_name_file_or_reason_of_the_study_is_in_the_file(made, proof, request):
    """As whole words; our own scripts and styles, the same in every report, are left out."""
    shown = Shown(request.getfixturevalue(made)).text
    wanted = ids_and_names(proof.study)
    assert len(wanted) > 700
    words = set(re.findall(r"[^\s<>\"'\\,;:()\[\]{}]+", shown))
    left = {one for one in wanted if one in words}
    left |= {one for one in wanted if " " in one and one in shown}
    assert left == set()


@pytest.mark.parametrize("made", ["without_map", "on_grid"])
def test_no_word_of_a_place_is_in_the_file(made, proof, request):
    """Parts of names too: Ternsand, Saltmarsh, and so on."""
    html = request.getfixturevalue(made)
    names = {
        word
        for role in ("sites", "circuits")
        for name in proof.study.tables[role]["name"].dropna()
        for word in re.findall(r"[A-Z][a-z]{4,}", name)
    }
    assert {"Ternsand", "Saltmarsh", "Heronfleet"} <= names
    common = {"Station", "Thermal", "Converter", "Landfall", "Platform"}
    assert {name for name in names - common if name in html} == set()


def coordinates_of(study):
    """All vertices in longitude and latitude, and in metres of the working system."""
    shapes = [geometries(study, role) for role in GEOMETRY]
    metres = np.vstack([shapely.get_coordinates(one) for one in shapes])
    degrees = np.vstack([shapely.get_coordinates(to_lonlat(study, one)) for one in shapes])
    assert len(metres) > 700
    return metres, degrees


@pytest.mark.parametrize(
    ("made", "digits"),
    [*(("without_map", digits) for digits in (7, 6, 5, 4)), ("on_grid", 7), ("on_grid", 6)],
)
def test_no_coordinate_in_degrees_is_in_the_file(made, digits, proof, request):
    _, degrees = coordinates_of(proof.study)
    html = request.getfixturevalue(made)
    numbers = set(re.findall(r"-?\d+\.\d{4,}", html))
    rounded = {f"{value:.{digits}f}" for value in degrees.ravel()}
    cut = {str(value)[: str(value).index(".") + 1 + digits] for value in degrees.ravel()}
    assert len(rounded) > 500
    assert numbers & (rounded | cut) == set()


@pytest.mark.parametrize("digits", [5, 4])
def test_no_place_in_degrees_is_in_the_file_with_a_grid(on_grid, digits, proof):
    """Pairs: one of the two numbers of a node may well be that of some other place."""
    _, degrees = coordinates_of(proof.study)
    wanted = {(f"{lat:.{digits}f}", f"{lon:.{digits}f}") for lon, lat in degrees}
    told = re.findall(r"(\d+\.\d{5})° N (\d+\.\d{5})° E", Shown(on_grid).text)
    assert len(told) > 40
    assert {(lat[: 3 + digits], lon[: 2 + digits]) for lat, lon in told} & wanted == set()


def test_no_coordinate_in_metres_is_in_the_file(without_map, on_grid, proof):
    """To the metre and to the tenth; lengths and distances are shorter than any coordinate here."""
    metres, _ = coordinates_of(proof.study)
    wanted = {f"{value:.{digits}f}" for value in metres.ravel() for digits in (0, 1, 2, 3)}
    for html in (without_map, on_grid):
        assert (
            set(re.findall(r"(?<![\w.])\d{6,}(?:\.\d+)?(?!\w)", Shown(html).text)) & wanted == set()
        )


def unpacked(xy):
    return np.cumsum(np.array(xy).reshape(-1, 2), axis=0) / 1e6


def test_every_place_on_the_map_is_a_node_of_the_grid(on_grid, proof):
    (data,) = Shown(on_grid).data
    turn = Transformer.from_crs("EPSG:4326", proof.study.crs, always_xy=True)
    packed = [data[role]["xy"] for role in ("plant", "points", "hazards")]
    packed += [one["xy"] for one in data["close"]]
    places = np.vstack([unpacked(xy) for xy in packed])
    places = np.vstack([places, [one["at"] for one in (*data["marks"], *data["worst"])]])
    off = np.abs(np.column_stack(turn.transform(places[:, 0], places[:, 1])) % GRID_M)
    assert np.minimum(off, GRID_M - off).max() < 1.0
    assert len(np.unique(places.round(4), axis=0)) < 200


@pytest.mark.parametrize("grid_m", [100.0, 1000.0, 50_000.0])
def test_areas_that_fall_together_on_a_wide_grid_stay_on_the_map(full, proof, grid_m):
    """The flood of the demo is 2 km wide: an area on a grid of 100 m, one node at 50 km."""
    html = page(full, proof, grid_m)
    (data,) = Shown(html).data
    assert len(data["hazards"]["id"]) == len(proof.study.tables["hazards"])
    assert all(data["hazards"]["of"].count(k) for k in range(len(data["hazards"]["id"])))
    assert ("point" in data["hazards"]["shape"]) == (grid_m == 50_000.0)
    assert ("area" in data["hazards"]["shape"]) == (grid_m < 50_000.0)


@pytest.mark.parametrize(
    ("polygon", "left"),
    [
        ([[[0, 0], [400, 0], [400, 400], [0, 0]]], "MultiPolygon"),
        ([[[0, 0], [400, 0], [400, 60], [0, 60], [0, 0]]], "LineString"),
        ([[[0, 0], [60, 0], [60, 60], [0, 0]]], "Point"),
    ],
)
def test_what_is_left_of_an_area(proof, polygon, left):
    """On a grid of 200 m: a triangle stays, a strip of 60 m becomes a line, a small one a point."""
    crs = proof.study.crs
    back = Transformer.from_crs(crs, "EPSG:4326", always_xy=True)
    ring = [back.transform(500_000 + x, 6_000_000 + y) for x, y in polygon[0]]
    told = {"id": "HZ", "kind": "flood", "name": ""}
    feature = {
        "type": "Feature",
        "properties": told,
        "geometry": {"type": "Polygon", "coordinates": [ring]},
    }
    geo = {"hazards": {"type": "FeatureCollection", "features": [feature]}}
    _, made = reduced({"circuits": []}, geo, crs, Outside(200.0))
    assert made["hazards"]["features"][0]["geometry"]["type"] == left


def test_without_a_grid_there_is_no_map(without_map):
    (data,) = Shown(without_map).data
    assert data["plant"]["xy"] == data["points"]["xy"] == data["hazards"]["xy"] == []
    assert data["close"] == data["worst"] == data["marks"] == []
    assert data["grid"] is None
    assert 'class="folium-map"' not in without_map
    assert "plan-frame" not in Shown(without_map).text
    assert "coordinates are left out" in Shown(without_map).text.lower()


def test_the_page_says_how_wide_the_grid_is(on_grid):
    assert "a grid of 1730 m" in Shown(on_grid).text


def test_verdicts_figures_and_hashes_stay(full, without_map):
    facts, _ = full
    shown = Shown(without_map).text
    for row in facts["inputs"]:
        assert row["sha256"] in shown
    assert shown.count("unproven") >= facts["summary"]["unproven"]
    assert "14 of 33 circuits share plant" in shown
    assert "of 5000 µs" in shown


def test_the_same_study_gives_each_thing_one_id_everywhere(full, proof):
    facts, _ = reduced(*full, proof.study.crs, Outside())
    circuit = next(
        new
        for old, new in zip(full[0]["circuits"], facts["circuits"], strict=True)
        if old["id"] == "C03"
    )
    assert sorted(one["asset"] for one in circuit["shared"]) == ["right-of-way-1", "trench-1"]
    assert facts["strips"]["circuit"][circuit["id"]]["bridges"][0]["asset"] == "trench-1"
    loss, _, _ = facts["effects"]["of"]["trench-1"]
    assert facts["effects"]["losses"][loss][0] == [circuit["id"]]


def test_an_id_that_is_our_own_word_for_another_thing_does_not_come_back(full, proof):
    """A study may call a pit `trench-1` already; then the new ids skip that number."""
    facts, geo = json.loads(json.dumps(full).replace('"PIT-HER-7"', '"trench-1"'))
    made, _ = reduced(facts, geo, proof.study.crs, Outside())
    assert "trench-1" not in json.dumps(made)


@pytest.mark.parametrize("grid", [0.0, 5.0, 1e6, float("nan")])
def test_a_grid_that_hides_nothing_is_refused(grid):
    with pytest.raises(CallError, match="expected 10 m to 100 km"):
        Outside(grid)


def test_the_command(tmp_path):
    made = tmp_path / "outside.html"
    run = CliRunner().invoke(main, ["report", str(ESTUARY), "-o", str(made), "--share-outside"])
    assert run.exit_code == 1
    assert "Heronfleet" not in made.read_text(encoding="utf-8")
    wrong = CliRunner().invoke(main, ["report", str(ESTUARY), "-o", str(made), "--grid", "500"])
    assert wrong.exit_code == 2

"""The report for readers outside: no name, id, free text or coordinate of the study stays in it."""

from __future__ import annotations

import base64
import gzip
import html as html_entities
import json
import os
import re
import shutil
import stat
import tomllib
from dataclasses import replace
from html.parser import HTMLParser
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
import shapely
import tomli_w
from click.testing import CliRunner
from pyproj import Transformer

from small_study import write_small_study
from study_formats import write_study
from waysapart.cli import main
from waysapart.errors import CallError
from waysapart.network.lengths import positions_deg
from waysapart.report.page import render_report
from waysapart.report.redaction import SECRET_FILE, Outside, kept_secret, reduced
from waysapart.report.strip import strip_said
from waysapart.report.write import report_facts
from waysapart.schema import ROLES
from waysapart.study.read import read_study

ESTUARY = Path(__file__).resolve().parents[2] / "examples" / "estuary"
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
    facts, geo = reduced(*full, proof.study.crs, Outside(grid_m, b"outside " * 4))
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
        if tag in ("text", "rect", "circle"):  # heights in a drawing: of rows, in pixels
            ours |= {"y", "cy", "height"}
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
    shapes = [study.geometries(role) for role in GEOMETRY]
    metres = np.vstack([shapely.get_coordinates(one) for one in shapes])
    degrees = np.vstack([shapely.get_coordinates(positions_deg(study, one)) for one in shapes])
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
    values = [*degrees.ravel(), *np.abs(degrees[:, 0])]  # a longitude is also written '28.9° W'
    rounded = {f"{value:.{digits}f}" for value in values}
    cut = {str(value)[: str(value).index(".") + 1 + digits] for value in values}
    assert len(rounded) > 500
    assert numbers & (rounded | cut) == set()


@pytest.mark.parametrize("digits", [5, 4])
def test_no_place_in_degrees_is_in_the_file_with_a_grid(on_grid, digits, proof):
    """Pairs: one of the two numbers of a node may well be that of some other place."""
    _, degrees = coordinates_of(proof.study)
    wanted = {(f"{lat:.{digits}f}", f"{-lon:.{digits}f}") for lon, lat in degrees}
    told = re.findall(r"(\d+\.\d{5})° N (\d+\.\d{5})° W", Shown(on_grid).text)
    assert len(told) > 40
    assert {(lat[: 3 + digits], lon[: 3 + digits]) for lat, lon in told} & wanted == set()


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
def test_what_is_left_of_an_area(full, proof, polygon, left):
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
    _, made = reduced(full[0], geo, crs, Outside(200.0))
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


def test_verdicts_stay_and_hashes_do_not(full, without_map):
    facts, _ = full
    shown = Shown(without_map).text
    for row in facts["inputs"]:
        assert row["sha256"] not in shown
    assert shown.count("unproven") >= facts["summary"]["unproven"]
    assert "14 of 33 circuits share plant" in shown
    assert "of 5000 µs" in shown


def test_the_same_study_gives_each_thing_one_id_everywhere(full, proof):
    facts, _ = reduced(*full, proof.study.crs, Outside())
    (circuit,) = [
        one
        for one in facts["circuits"]
        if sorted(str(shared["kind"]) for shared in one["shared"]) == ["right-of-way", "trench"]
    ]
    (trench,) = [one["asset"] for one in circuit["shared"] if one["kind"] == "trench"]
    assert facts["strips"]["circuit"][circuit["id"]]["bridges"][0]["asset"] == trench
    loss, _, _ = facts["effects"]["of"][trench]
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
    study = shutil.copytree(ESTUARY, tmp_path / "study")
    run = CliRunner().invoke(main, ["report", str(study), "-o", str(made), "--share-outside"])
    assert run.exit_code == 1
    assert "Heronfleet" not in made.read_text(encoding="utf-8")
    wrong = CliRunner().invoke(main, ["report", str(ESTUARY), "-o", str(made), "--grid", "500"])
    assert wrong.exit_code == 2


# What decides the new ids


def test_new_ids_follow_the_secret_and_no_order_of_the_old_ones(full, proof):
    """The pits of the demo in the order of their ids: numbers that neither rise nor fall."""
    made = [
        reduced(*full, proof.study.crs, Outside(GRID_M, bytes([key]) * 32)) for key in (1, 1, 2)
    ]
    assert json.dumps(made[0]) == json.dumps(made[1])
    assert json.dumps(made[0]) != json.dumps(made[2])
    ways = [{one["id"]: one["a"] for one in facts["circuits"]} for facts, _ in made]
    assert ways[0] != ways[2]
    for facts, geo in made:
        circuits = [int(one["id"].split("-")[1]) for one in facts["circuits"]]
        assert circuits == sorted(circuits)
        points = [one["properties"]["id"] for one in geo["points"]["features"]]
        assert points == sorted(points, key=lambda id_: (id_[: id_.rindex("-")], _number(id_)))
        for lists in ("losses", "cables", "kinds"):
            place = ("losses", "cables", "kinds").index(lists)
            first = [row[place] for row in facts["effects"]["of"].values() if row[place] >= 0]
            assert list(dict.fromkeys(first)) == list(range(len(set(first))))
    old = [one["id"] for one in full[0]["circuits"]]
    shuffled = _order(full, made[0][0], old)
    assert shuffled not in (sorted(shuffled), sorted(shuffled, reverse=True))
    steps = sum(b == a + 1 for a, b in pairwise(shuffled))
    assert steps < len(old) / 4


def _number(id_):
    return int(id_.rpartition("-")[2])


def _order(full, facts, old):
    """Numbers of the new ids of circuits in the order of the old: told by what they rely on."""

    def told(one):
        ways = one["paths"].values()
        return (one["verdict"], len(one["shared"]), *(way["relies_on"] for way in ways))

    new = {}
    for one in facts["circuits"]:
        new.setdefault(told(one), []).append(_number(one["id"]))
    alone = [one for one in full[0]["circuits"] if len(new[told(one)]) == 1]
    assert len(alone) > len(old) / 2
    return [new[told(one)][0] for one in alone]


def test_without_a_secret_each_report_has_ids_of_its_own(full, proof):
    made = [reduced(*full, proof.study.crs, Outside())[0] for _ in range(2)]
    assert json.dumps(made[0]) != json.dumps(made[1])


def test_the_secret_is_made_once_and_for_its_owner_only(tmp_path):
    secret, said = kept_secret(tmp_path)
    path = tmp_path / SECRET_FILE
    assert len(secret) == 32
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert path.read_text() == secret.hex() + "\n"
    assert "never hand it out" in said
    assert kept_secret(tmp_path)[0] == secret
    assert os.listdir(tmp_path) == [SECRET_FILE]


def test_in_a_folder_that_takes_no_file_the_secret_is_fresh_and_that_is_said(tmp_path, monkeypatch):
    def refused(*_args):
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(os, "open", refused)
    found = [kept_secret(tmp_path) for _ in range(2)]
    assert found[0][0] != found[1][0]
    assert "Permission denied" in found[0][1]
    assert "thrown away" in found[0][1]
    assert os.listdir(tmp_path) == []


@pytest.mark.parametrize("held", ["", "abc", "z" * 64, "0" * 1000])
def test_a_file_that_is_no_secret_is_named_and_left(held, tmp_path):
    (tmp_path / SECRET_FILE).write_text(held)
    with pytest.raises(CallError, match=r"remove it"):
        kept_secret(tmp_path)
    assert (tmp_path / SECRET_FILE).read_text() == held


# Figures


OTHERS = ("assumptions", "strips", "lines", "outside")


def floats(value, key=""):
    """Every number that is no whole one, but coordinates and what the program ships."""
    if isinstance(value, float):
        yield key, value
    elif isinstance(value, dict):
        for name, item in value.items():
            if not name.endswith("at") and name not in (
                "assumptions",
                "strips",
                "lines",
                "outside",
            ):
                yield from floats(item, name)
    elif isinstance(value, list):
        for item in value:
            yield from floats(item, key)


def test_figures_have_two_digits(full, proof):
    """8123.4 m is 8100 m: what is known of a plant elsewhere does not find it again."""
    facts, _ = reduced(*full, proof.study.crs, Outside(GRID_M, bytes(32)))
    found = list(floats(facts))
    assert len(found) > 3000
    assert {key for key, one in found if one != float(f"{one:.2g}")} <= {"wavelength_nm"}


def test_a_drawing_keeps_the_order_and_loses_the_lengths(full, proof):
    """Every place of a lane is as far from the next, and nothing changes sides."""
    facts, _ = reduced(*full, proof.study.crs, Outside())
    old = sorted(len(lane["marks"]) for one in strips_of(full[0]) for lane in one["lanes"])
    assert sorted(len(lane["marks"]) for one in strips_of(facts) for lane in one["lanes"]) == old
    for strip in strips_of(facts):
        assert strip["profile"] is None
        for lane in strip["lanes"]:
            places = {end for part in lane["stretches"] for end in part[:2]}
            gaps = np.diff(sorted({*places, *(mark[0] for mark in lane["marks"])}))
            width = min(gaps, default=1.0)
            assert np.allclose(gaps / width, np.round(gaps / width), atol=0.01)
            assert lane["length_m"] == pytest.approx(float(f"{lane['length_m']:.2g}"))


def test_a_drawing_without_scale_says_no_metres(full, proof, without_map):
    """Neither on an axis nor in the words for readers who do not see it."""
    facts, _ = reduced(*full, proof.study.crs, Outside())
    strip = next(one for one in strips_of(facts) if one["bridges"] and not one["near"])
    bridges = [{**one, "label": one["asset"]} for one in strip["bridges"]]
    assert not re.search(r"\d k?m\b", strip_said(strip, bridges))
    assert 'class="km' not in without_map
    assert "to no scale" in without_map
    assert "curve below" not in without_map


def strips_of(facts):
    return [one for found in facts["strips"].values() for one in found.values()]


# Canaries

CANARY = "Kanari\u00f8"
NUMBERS = {
    "length_m": 1043.217,
    "sag_m": 3.7931,
    "accuracy_m": 1.7319,
    "slack_m": 77.731,
    "overlength_pct": 1.3719,
    "db_per_km": 0.24713,
    "loss_db": 0.31379,
    "autonomy_h": 7.3917,
    "delay_us": 311.377,
    "tx_min_dbm": -7.3171,
    "tx_max_dbm": -3.1719,
    "rx_min_dbm": -31.397,
    "rx_max_dbm": -1.3937,
    "reserve_db": 1.7391,
    "extra_delay_us": 17.391,
    "reach_m": 171.93,
    "per_year": 0.013579,
    "repair_h": 13.973,
    "unavailability": 0.00012379,
    "recovery_ms": 31.937,
    "dispersion_limit_ps_nm": 1739.1,
    "bandwidth_mhz": 713.93,
    "height": 37.193,
}
RULES = f"""
[services."{CANARY}line-differential"]
max_delay_us = 431.79
max_asymmetry_us = 213.97
min_margin_db = 3.1793
max_unavailability = 0.00013971
[services."{CANARY}line-differential".separation_m]
"{CANARY}span/{CANARY}span" = 713.31
"{CANARY}duct/{CANARY}span" = 539.17
[fibres."{CANARY}G.652.D"]
core_um = 9
db_per_km = {{ 1310 = 0.37193, 1550 = 0.23917 }}
group_index = {{ 1310 = 1.4713, 1550 = 1.4719 }}
[failures."{CANARY}span"]
per_km_year = 0.00071393
repair_h = 18.619
[failures."kanari_m"]
per_year = 0.0039171
repair_h = 19.373
[defaults.overlength_pct]
"{CANARY}opgw" = 1.9371
[records.within]
"{CANARY}duct" = "none"
[reliance]
ignore_kinds = ["{CANARY}right-of-way"]
[groups]
excuse = ["{CANARY}room"]
[[waiver]]
circuit = "{CANARY}K1"
asset = "{CANARY}P2"
reason = "{CANARY} reason"
by = "{CANARY} somebody"
until = 2049-12-31
"""


def planted(folder):
    """The small study with a canary in every text, kind, rule, file and column that it names."""
    write_small_study(folder / "plain")
    with (folder / "plain" / "circuits.csv").open("a") as file:
        file.write("K2,R-W,R-M,line-differential,Second,G1,both\nK3,R-W,R-M,line-differential,,,\n")
    with (folder / "plain" / "circuit_paths.csv").open("a") as file:
        file.write("K2,main,1,L2\nK2,third,1,L1\nK3,main,1,L3\nK3,alternate,1,L1\n")
    equipment = folder / "plain" / "equipment.csv"
    equipment.write_text(equipment.read_text().replace("relay,-,B-M", "relay,-,"))
    with (folder / "plain" / "links.csv").open("a") as file:
        file.write("L3,R-W,R-M,,leased,,\n")
    (folder / "plain" / "measurements.csv").write_text(
        "cable,fibre,wavelength_nm,length_m\nC1,17,1310,3971.3\n"
    )
    study = read_study(folder / "plain")
    tables = {}
    for role, table in study.tables.items():
        made = table.copy()
        for name, column in ROLES[role].column.items():
            if column.type in ("text", "list") and not column.choices and name in made:
                made[name] = made[name].map(_spelled, na_action="ignore")
            elif name in NUMBERS and column.type == "number" and len(made):
                made[name] = [NUMBERS[name] * (1 + 0.0173 * k) for k in range(len(made))]
        if len(made):
            made[f"{CANARY} column"] = f"{CANARY} cell"
        tables[role] = made
    holders = tables["holders"]
    holders["kind"] = holders["kind"].where(~holders["kind"].str.endswith("charger"), "kanari_m")
    points = tables["structures"]["geometry"]
    tables["structures"]["geometry"] = shapely.force_3d(points.to_numpy(), NUMBERS["height"])
    named = replace(study, name=f"{CANARY} study", revision=f"{CANARY}7", tables=tables)
    target = folder / f"{CANARY} folder"
    write_study(named, target, "csv")
    toml = tomllib.loads((target / "study.toml").read_text(encoding="utf-8"))
    layers = {layer["role"]: layer for layer in toml["layer"]}
    for path in sorted(target.glob("*.csv")):
        role = path.stem
        path.rename(target / f"{CANARY}_{path.name}")
        layers[role]["source"] = f"{CANARY}_{path.name}"
        if role in ("equipment", "circuits"):
            column = {"equipment": "supplies", "circuits": "service"}[role]
            text = (target / f"{CANARY}_{path.name}").read_text(encoding="utf-8")
            head, _, rows = text.partition("\n")
            rows = re.sub(f"({CANARY}K3,.*){CANARY}line-diff", rf"\1{CANARY}unknown-", rows)
            head = ",".join(f"{CANARY}_col" if one == column else one for one in head.split(","))
            (target / f"{CANARY}_{path.name}").write_text(f"{head}\n{rows}", encoding="utf-8")
            if column in text:
                layers[role]["columns"] = {column: f"{CANARY}_col"}
    toml["rules"] = f"{CANARY}.toml"
    (target / "study.toml").write_text(tomli_w.dumps(toml), encoding="utf-8")
    (target / f"{CANARY}.toml").write_text(RULES, encoding="utf-8")
    return target


def _spelled(cell):
    keep = ("-", "main", "alternate")
    return ";".join(one if one in keep else CANARY + one for one in cell.split(";"))


def decoded(html):
    """The page, its entities, and whatever stands in it in base64 or packed."""
    parts = [html, html_entities.unescape(html)]
    for found in re.findall(r"[A-Za-z0-9+/]{40,}={0,2}", html):
        data = base64.b64decode(found + "=" * (-len(found) % 4))
        if data.startswith(b"\x1f\x8b"):
            data = gzip.decompress(data)
        parts += [data.decode("utf-8", "replace"), data.decode("latin-1")]
    return "\n".join(parts)


@pytest.fixture(scope="module")
def canaries(tmp_path_factory):
    """The page for everybody, and the one for readers outside with and without a map."""
    folder = tmp_path_factory.mktemp("canaries")
    study = planted(folder)
    (study / SECRET_FILE).write_text("0123456789abcdef" * 4 + "\n")
    pages = []
    for number, more in enumerate(([], ["--share-outside"], ["--share-outside", "--grid", "1730"])):
        path = folder / f"{number}.html"
        run = CliRunner().invoke(main, ["report", str(study), "-o", str(path), *more])
        assert run.exit_code in (1, 3), run.output
        pages.append(path.read_text(encoding="utf-8"))
    return study, pages


def forms(number):
    """A figure as a page may write it, from three digits on."""
    return {f"{abs(number) * scale:.{digits}g}" for digits in (3, 4, 5, 6) for scale in (1, 1e-3)}


def figures_in(html):
    return set(re.findall(r"(?<![\w.])\d+(?:\.\d+)?(?!\w)", Shown(html).text))


def wanted_figures(study):
    rules = re.sub(r"1310|1550|2049-12-31|G\.652", "", RULES)
    found = {float(one) for one in re.findall(r"\d+\.\d{2,}", rules)} | {3971.3}
    for table in study.tables.values():
        for name in NUMBERS:
            if name in table and table[name].dtype.kind == "f":
                found |= set(table[name].dropna())
    return found


@pytest.mark.parametrize("place", [1, 2])
def test_no_canary_of_any_text_is_in_the_page(canaries, place):
    """Texts, kinds, services, fibres, rules, waivers, files, folder, columns, revision, labels."""
    _, pages = canaries
    plain = decoded(pages[0]).lower().replace("\\u00f8", "\u00f8")
    for part in (
        "line-differential",
        "span",
        "g.652.d",
        " reason",
        " somebody",
        "third",
        "k1",
        "7",
        "_col",
    ):
        assert f"{CANARY}{part}".lower() in plain, part
    left = decoded(pages[place]).lower()
    assert "kanari" not in left
    assert not any(
        base64.b64encode(b"  "[:shift] + b"Kanari").decode()[shift + (shift > 0) : 6]
        in pages[place]
        for shift in range(3)
    )


@pytest.mark.parametrize("place", [1, 2])
def test_no_canary_of_any_figure_is_in_the_page(canaries, place):
    """Lengths, losses, delays, powers, rates, limits and heights, from three digits on."""
    folder, pages = canaries
    wanted = wanted_figures(read_study(folder))
    assert len(wanted) > 60
    every = {form for number in wanted for form in forms(number)}
    every = {one for one in every if len(one.strip("0.").replace(".", "")) >= 3}
    assert len(figures_in(pages[0]) & every) > 10
    assert figures_in(pages[place]) & every == set()


def test_a_kind_that_reads_like_a_field_of_ours_is_called_other(canaries):
    """`failures.kanari_m.per_year` has the form of `defaults.reel_m.opgw`."""
    _, pages = canaries
    assert "failures.other.per_year" in pages[1]


def test_the_command_says_what_decides_the_ids_and_keeps_to_it(tmp_path):
    study = write_small_study(tmp_path / "study")
    made = []
    for number in range(2):
        path = tmp_path / f"{number}.html"
        run = CliRunner().invoke(main, ["report", str(study), "-o", str(path), "--share-outside"])
        assert SECRET_FILE in run.output
        made.append(re.sub(r"\d{4}-\d\d-\d\dT[\d:]+Z|\d\d:\d\d(:\d\d)?", "", path.read_text()))
    assert made[0] == made[1]
    assert (study / SECRET_FILE).read_text().strip() not in made[0]

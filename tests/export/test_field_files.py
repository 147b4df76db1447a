"""Works as GeoPackage, GPX, KML and calendar: each is read back by another program."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET
from datetime import date, datetime
from pathlib import Path
from typing import Any

import geopandas as gpd
import icalendar
import numpy as np
import pandas as pd
import pyogrio
import pytest
import shapely
from click.testing import CliRunner
from pyproj import Geod

import waysapart as wa
from hostile_sides import hostile_study
from hostile_text import HOSTILE
from waysapart.cli import main
from waysapart.export.field_files import LAYERS
from waysapart.text import visible

EXAMPLES = Path(__file__).resolve().parents[2] / "examples"
ESTUARY = EXAMPLES / "estuary"
WORKS = EXAMPLES / "works" / "works.geojson"
SUFFIXES = (".gpkg", ".gpx", ".kml", ".ics")
GPX = "{http://www.topografix.com/GPX/1/1}"
KML = "{http://www.opengis.net/kml/2.2}"


def run(*arguments: object) -> Any:
    return CliRunner().invoke(main, [str(one) for one in arguments])


@pytest.fixture(scope="module")
def plan(estuary_proof: wa.Proof) -> wa.WorksPlan:
    """The three works of the example, with names, a contractor, a phone, and hours for one."""
    frame = gpd.read_file(WORKS)
    frame["from"] = ["2026-05-04", "2026-05-05T07:30", "2026-05-07"]
    frame["to"] = ["2026-05-05", "2026-05-06T16:00", "2026-05-08"]
    frame["contractor"] = ["Ditch crew", None, None]
    frame["contact"] = None
    frame["phone"] = ["0555 0101", None, None]
    frame["place"] = [None, None, "Behind the west gate; ask there"]
    return wa.plan_works(estuary_proof, frame)


@pytest.fixture(scope="module")
def files(plan: wa.WorksPlan, tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    folder = tmp_path_factory.mktemp("field")
    paths = [folder / f"week{suffix}" for suffix in SUFFIXES]
    assert wa.write_field_files(plan, *paths) == paths
    assert sorted(one.name for one in folder.iterdir()) == sorted(one.name for one in paths)
    return dict(zip(SUFFIXES, paths, strict=True))


# --- GeoPackage.


def test_the_package_has_the_layers_and_fields_that_the_docs_list(files: dict[str, Path]) -> None:
    assert {name for name, _ in pyogrio.list_layers(files[".gpkg"])} == set(LAYERS)
    for layer, (_, fields) in LAYERS.items():
        info = pyogrio.read_info(files[".gpkg"], layer=layer)
        assert list(info["fields"]) == list(fields)
        assert info["crs"] == "EPSG:4326"


def test_areas_have_their_reach_and_what_the_plan_says(files: dict[str, Path]) -> None:
    """FOOTING is a point that reaches 6 m: a circle of 12 m across on the ellipsoid."""
    areas = gpd.read_file(files[".gpkg"], layer="works_areas").set_index("work")
    west, _, east, north = areas.loc["FOOTING"].geometry.bounds
    middle = areas.loc["FOOTING"].geometry.centroid
    across = Geod(ellps="WGS84").inv(west, middle.y, east, middle.y)[2]
    assert across == pytest.approx(12.0, rel=0.01)
    assert areas.loc["FOOTING", "reach_m"] == 6.0
    assert north > middle.y
    assert areas.loc["DRAIN", "contractor"] == "Ditch crew"
    assert areas.loc["DRAIN", "phone"] == "0555 0101"
    assert areas.loc["DRAIN", "name"] == "Field drain across the buried route U2"
    assert areas.loc["COVER", "place"] == "Behind the west gate; ask there"
    assert areas.loc["FOOTING", "place"] == "at tower N2-T05, 1.8 km east of site Saltmarsh"
    assert areas.loc["FOOTING", ["begins", "ends"]].tolist() == [
        "2026-05-05 07:30",
        "2026-05-06 16:00",
    ]
    assert areas.loc["COVER", "lost"] == "C04;C17;C33"
    assert areas.loc["FOOTING", "not_with"] == "DRAIN;COVER"


def test_plant_is_what_the_facts_say_and_lies_where_the_study_has_it(
    files: dict[str, Path], plan: wa.WorksPlan
) -> None:
    hit = gpd.read_file(files[".gpkg"], layer="works_hit")
    facts = {one["id"]: one["hit"] for one in plan.facts()["works"]}
    assert hit.groupby("work")["asset"].apply(list).to_dict() == facts
    pit = hit[hit["asset"] == "PIT-HER-7"].iloc[0]
    table = plan.base.study.tables["structures"]
    row = int(np.flatnonzero(table["id"] == "PIT-HER-7")[0])
    wanted = plan.base.study.lonlat("structures")[row]
    assert pit.geometry.distance(wanted) < 1e-8
    assert pit["cables"] == "AP-N3-HER;UC-U3"
    fallen = gpd.read_file(files[".gpkg"], layer="works_fallen")
    assert "J-N2-T05" in set(fallen["asset"])
    assert fallen.set_index("asset").loc["J-N2-T05", "through"] == "N2-T05"


def test_places_agree_in_degrees_and_in_the_grid(files: dict[str, Path]) -> None:
    places = gpd.read_file(files[".gpkg"], layer="works_places")
    moved = places.to_crs("EPSG:32626")
    assert (
        np.hypot(moved.geometry.x - moved["east_m"], moved.geometry.y - moved["north_m"]).max()
        < 0.02
    )
    assert set(places.loc[places["work"] == "DRAIN", "what"]) == {"middle", "start", "end"}


# --- GPX: what its schema says, read without GDAL, and once more with it.

POINT_ORDER = (
    "ele",
    "time",
    "magvar",
    "geoidheight",
    "name",
    "cmt",
    "desc",
    "src",
    "link",
    "sym",
    "type",
)
TRACK_ORDER = ("name", "cmt", "desc", "src", "link", "number", "type", "extensions", "trkseg")
ROOT_ORDER = ("metadata", "wpt", "rte", "trk", "extensions")


def in_order(names: list[str], order: tuple[str, ...]) -> bool:
    places = [order.index(one) for one in names]
    return places == sorted(places)


def tags(element: ET.Element, space: str) -> list[str]:
    assert all(one.tag.startswith(space) for one in element)
    return [one.tag.removeprefix(space) for one in element]


def check_gpx(path: Path) -> ET.Element:
    """The sequences, attributes and ranges of the GPX 1.1 schema, for the elements written."""
    root = ET.parse(path).getroot()
    assert root.tag == f"{GPX}gpx"
    assert root.get("version") == "1.1"
    assert root.get("creator", "").startswith("waysapart ")
    assert in_order(tags(root, GPX), ROOT_ORDER)
    assert in_order(
        tags(root.find(f"{GPX}metadata"), GPX),
        ("name", "desc", "author", "copyright", "link", "time", "keywords", "bounds"),
    )
    assert re.fullmatch(
        r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ", root.findtext(f"{GPX}metadata/{GPX}time", "")
    )
    points = [*root.iter(f"{GPX}wpt"), *root.iter(f"{GPX}trkpt")]
    assert points
    for point in points:
        assert set(point.attrib) == {"lat", "lon"}
        assert -90.0 <= float(point.get("lat", "")) <= 90.0
        assert -180.0 <= float(point.get("lon", "")) < 180.0
        assert in_order(tags(point, GPX), POINT_ORDER)
    for track in root.iter(f"{GPX}trk"):
        assert in_order(tags(track, GPX), TRACK_ORDER)
    return root


def test_gpx_has_waypoints_of_works_and_of_hit_plant(
    files: dict[str, Path], plan: wa.WorksPlan
) -> None:
    root = check_gpx(files[".gpx"])
    points = {
        (one.findtext(f"{GPX}type"), one.findtext(f"{GPX}name")): one
        for one in root.iter(f"{GPX}wpt")
    }
    works = [name for kind, name in points if kind == "works"]
    hit = [name for kind, name in points if kind == "hit"]
    assert works == ["DRAIN", "FOOTING", "COVER"]
    assert hit == [name for one in plan.facts()["works"] for name in one["hit"]]
    duct = points["hit", "U2-D05"]
    area = next(one.area for one in plan.works if one.id == "DRAIN")
    at = shapely.Point(float(duct.get("lon")), float(duct.get("lat")))
    assert at.distance(area.lonlat[0]) < 1e-6, "where the drain crosses the duct, not its middle"
    told = points["works", "DRAIN"].findtext(f"{GPX}desc", "")
    assert "Must not overlap with: FOOTING (lost together: C03)" in told
    assert "Phone: 0555 0101" in told
    assert "It is no permit" in told


def test_gdal_reads_the_same_gpx(files: dict[str, Path]) -> None:
    points = gpd.read_file(files[".gpx"], layer="waypoints")
    assert set(points["name"]) >= {"DRAIN", "PIT-HER-7"}
    tracks = gpd.read_file(files[".gpx"], layer="tracks").set_index("name")
    ring = shapely.get_coordinates(tracks.loc["COVER outline 1"].geometry)
    assert (ring[0] == ring[-1]).all()
    assert tracks.loc["U2-D05"].geometry.length > 0.01


# --- KML.

FEATURE_ORDER = ("name", "description", "styleUrl", "Style", "ExtendedData", "Folder", "Placemark")


def check_kml(path: Path) -> ET.Element:
    """The order of elements of OGC KML 2.2, closed rings that run counter-clockwise outside."""
    root = ET.parse(path).getroot()
    assert root.tag == f"{KML}kml"
    (document,) = root
    styles = {f"#{one.get('id')}" for one in document.findall(f"{KML}Style")}
    assert in_order(tags(document, KML), FEATURE_ORDER)
    shapes = ("Point", "LineString", "Polygon", "MultiGeometry")
    for mark in root.iter(f"{KML}Placemark"):
        names = tags(mark, KML)
        kept = [one for one in names if one not in shapes]
        assert names[: len(kept)] == kept == ["name", "description", "styleUrl", "ExtendedData"]
        assert len(names) - len(kept) <= 1
        assert mark.findtext(f"{KML}styleUrl") in styles
        for value in mark.find(f"{KML}ExtendedData"):
            assert value.tag == f"{KML}Data"
            assert value.get("name")
            assert tags(value, KML) == ["value"]
    for ring in root.iter(f"{KML}LinearRing"):
        points = [
            tuple(map(float, one.split(","))) for one in ring.findtext(f"{KML}coordinates").split()
        ]
        assert len(points) >= 4
        assert points[0] == points[-1]
    for outer in root.iter(f"{KML}outerBoundaryIs"):
        text = outer.findtext(f"{KML}LinearRing/{KML}coordinates")
        assert shapely.LinearRing(
            [tuple(map(float, one.split(","))) for one in text.split()]
        ).is_ccw
    return root


def test_kml_has_a_folder_for_each_layer(files: dict[str, Path]) -> None:
    root = check_kml(files[".kml"])
    folders = {
        one.findtext(f"{KML}name"): [m.findtext(f"{KML}name") for m in one.iter(f"{KML}Placemark")]
        for one in root.iter(f"{KML}Folder")
    }
    assert list(folders) == ["Works", "Hit", "Lost with what is hit", "Places"]
    assert folders["Works"] == ["DRAIN 1", "FOOTING 1", "COVER 1"]
    assert "PIT-HER-7" in folders["Hit"]


def test_gdal_reads_the_same_kml_as_the_package(files: dict[str, Path]) -> None:
    mine = gpd.read_file(files[".kml"], layer="Hit")
    other = gpd.read_file(files[".gpkg"], layer="works_hit")
    assert list(mine["Name"]) == list(other["asset"])
    assert list(mine["work"]) == list(other["work"])
    for one, two in zip(mine.geometry, other.geometry, strict=True):
        assert one.hausdorff_distance(two) < 1e-6


# --- Calendar.


def events(path: Path) -> list[Any]:
    raw = path.read_bytes()
    assert raw.endswith(b"\r\n")
    assert b"\n" not in raw.replace(b"\r\n", b"")
    assert max(len(line) for line in raw.split(b"\r\n")) <= 75, "RFC 5545, 3.1: folded"
    calendar = icalendar.Calendar.from_ical(raw)
    assert str(calendar["version"]) == "2.0"
    assert calendar["prodid"]
    found = list(calendar.walk("VEVENT"))
    for one in found:
        assert one["uid"]
        assert one["dtstamp"].dt.tzinfo is not None
    assert len({str(one["uid"]) for one in found}) == len(found)
    return found


def test_the_calendar_has_whole_days_hours_and_exclusions(files: dict[str, Path]) -> None:
    found = {str(one["summary"]): one for one in events(files[".ics"])}
    drain = found["DRAIN: Field drain across the buried route U2"]
    assert (drain["dtstart"].dt, drain["dtend"].dt) == (date(2026, 5, 4), date(2026, 5, 6))
    footing = found["FOOTING: New footing for tower 5 of line N2"]
    assert footing["dtstart"].dt == datetime(2026, 5, 5, 7, 30)
    assert footing["dtend"].dt == datetime(2026, 5, 6, 16)
    assert "Must not overlap with: DRAIN (lost together: C03)" in footing["description"]
    assert "Must not overlap with: COVER (lost together: C14)" in footing["description"]
    cover = found["COVER: New cover for the pit at Heronfleet"]
    assert str(cover["location"]) == "Behind the west gate; ask there"
    overlap = found["Must not overlap: DRAIN and FOOTING"]
    assert overlap["dtstart"].dt == datetime(2026, 5, 5, 7, 30)
    assert overlap["dtend"].dt == datetime(2026, 5, 6)
    assert "C03" in overlap["description"]
    assert "Must not overlap: FOOTING and COVER" not in found, "they do not, as planned"
    lat, lon = map(float, drain["geo"].to_ical().split(";"))
    assert (lat, lon) == pytest.approx((54.46024, -28.96081), abs=1e-4)


def test_the_ids_of_entries_outlive_a_change_of_days(plan: wa.WorksPlan, tmp_path: Path) -> None:
    """A calendar that takes the file again moves its entries and adds none."""
    later = pd.DataFrame(
        {"id": ["DRAIN"], "from": ["2026-06-01"], "to": ["2026-06-02"], "assets": ["U2-D05"]}
    )
    first, second = tmp_path / "first.ics", tmp_path / "second.ics"
    wa.write_field_files(plan, first)
    wa.write_field_files(wa.plan_works(plan.base.study, later), second)
    (moved,) = events(second)
    before = {str(one["summary"]).split(":")[0]: str(one["uid"]) for one in events(first)}
    assert str(moved["uid"]) == before["DRAIN"]
    assert str(moved["uid"]) not in {uid for name, uid in before.items() if name != "DRAIN"}


def test_works_without_days_have_no_calendar(estuary_proof: wa.Proof, tmp_path: Path) -> None:
    works = wa.dig(estuary_proof, assets=["PIT-HER-7"])
    with pytest.raises(wa.CallError, match=r"a calendar needs days.*--plan"):
        wa.write_field_files(works, tmp_path / "a.ics", tmp_path / "a.gpx")
    assert not list(tmp_path.iterdir())
    told = run("dig", ESTUARY, "--asset", "PIT-HER-7", "-o", tmp_path / "a.ics")
    assert told.exit_code == 2
    assert "--plan" in told.output


# --- Hostile text.


@pytest.fixture(scope="module")
def hostile(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """The demo with hostile text everywhere, and a plan as hostile: line feeds and controls too."""
    study = hostile_study()
    study.tables["structures"]["contact"] = f"{HOSTILE}pits\x07\x1b[2J"
    said = f"{HOSTILE}\nBEGIN:VEVENT\r\nSUMMARY:forged\n]]>&amp;\x00\x0b"
    pit = study.lonlat("structures")[
        int(np.flatnonzero(study.tables["structures"]["id"] == HOSTILE + "PIT-HER-7")[0])
    ]
    works = gpd.GeoDataFrame(
        {
            "id": [HOSTILE + "W1", HOSTILE + "W2"],
            "from": ["2026-05-04", "2026-05-04"],
            "to": ["2026-05-04", "2026-05-04"],
            "name": [said, said],
            "place": [said, None],
            "contractor": [said, said],
            "contact": [said, said],
            "phone": [said, said],
        },
        geometry=[pit, shapely.Point(pit.x + 0.0001, pit.y)],
        crs="EPSG:4326",
    )
    folder = tmp_path_factory.mktemp("hostile")
    paths = [folder / f"week{suffix}" for suffix in SUFFIXES]
    wa.write_field_files(wa.plan_works(study, works), *paths)
    return dict(zip(SUFFIXES, paths, strict=True))


def test_hostile_text_is_text_in_gpx(hostile: dict[str, Path]) -> None:
    root = check_gpx(hostile[".gpx"])
    names = {one.findtext(f"{GPX}name") for one in root.iter(f"{GPX}wpt")}
    assert visible(HOSTILE + "PIT-HER-7") in names
    assert {one.tag.removeprefix(GPX) for one in root.iter()} <= {
        *ROOT_ORDER, *POINT_ORDER, *TRACK_ORDER, "gpx", "trkpt",
    }  # fmt: skip
    assert not re.search(r"[\x00-\x08\x0b\x0c\x0e-\x1f\u202e\u200b]", hostile[".gpx"].read_text())


def test_hostile_text_is_text_in_kml_and_in_its_descriptions(hostile: dict[str, Path]) -> None:
    """A viewer shows a description as HTML: read as HTML, it has no tag but the line breaks."""
    root = check_kml(hostile[".kml"])
    names = {one.findtext(f"{KML}name") for one in root.iter(f"{KML}Placemark")}
    assert visible(HOSTILE + "PIT-HER-7") in names
    described = [one.text for one in root.iter(f"{KML}description")]
    assert described
    for one in described:
        assert set(re.findall(r"<[^>]*>", one)) <= {"<br>"}
        assert "&lt;script&gt;" in one or "permit" in one or "work" in one


def test_hostile_text_makes_no_entry_of_its_own(hostile: dict[str, Path]) -> None:
    found = events(hostile[".ics"])
    assert not any(str(one["summary"]) == "forged" for one in found)
    works = [one for one in found if str(one["categories"].cats[0]) == "Works"]
    assert len(works) == 2
    assert str(works[0]["summary"]).startswith(visible(HOSTILE + "W1: " + HOSTILE)[:200])
    assert "forged" in str(works[0]["location"])
    raw = hostile[".ics"].read_bytes()
    assert not re.search(rb"[\x00-\x08\x0b\x0c\x0e-\x1f]", raw)
    assert raw.count(b"\r\nBEGIN:VEVENT\r\n") == len(found)


def test_hostile_text_is_whole_in_the_package(hostile: dict[str, Path]) -> None:
    hit = gpd.read_file(hostile[".gpkg"], layer="works_hit")
    assert visible(HOSTILE + "PIT-HER-7") in set(hit["asset"])
    pit = hit[hit["asset"] == visible(HOSTILE + "PIT-HER-7")].iloc[0]
    assert pit["contact"] == visible(f"{HOSTILE}pits\x07\x1b[2J")


# --- Files: whole or not there.


def test_the_command_writes_each_kind_and_says_what_it_says_without(tmp_path: Path) -> None:
    paths = [tmp_path / f"week{suffix}" for suffix in (".html", *SUFFIXES)]
    options = [part for one in paths for part in ("-o", one)]
    plain = run("dig", ESTUARY, "--plan", WORKS)
    told = run("dig", ESTUARY, "--plan", WORKS, *options)
    assert (told.exit_code, told.output) == (plain.exit_code, plain.output)
    assert sorted(tmp_path.iterdir()) == sorted(paths)
    again = run("outage", ESTUARY, "--plan", WORKS, *options)
    assert again.exit_code == plain.exit_code, "its own files are replaced"


def test_unknown_suffixes_are_named_together_with_those_known(tmp_path: Path) -> None:
    options = [part for name in ("a.foo", "b", "c.gpx") for part in ("-o", tmp_path / name)]
    told = run("dig", ESTUARY, "--asset", "PIT-HER-7", *options)
    assert told.exit_code == 2
    assert "a.foo: give it a name that ends in .html, .gpkg, .gpx, .kml or .ics" in told.output
    assert "b: give it" in told.output
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize("suffix", [".html", *SUFFIXES])
def test_files_of_others_stay_and_so_does_everything_else(suffix: str, tmp_path: Path) -> None:
    """One of five holds something of somebody's: none is written, until that is forced."""
    paths = [tmp_path / f"week{one}" for one in (".html", *SUFFIXES)]
    options = [part for one in paths for part in ("-o", one)]
    theirs = tmp_path / f"week{suffix}"
    theirs.write_text("mine\n")
    told = run("dig", ESTUARY, "--plan", WORKS, *options)
    assert told.exit_code == 2
    assert "--force" in told.output
    assert [one.name for one in tmp_path.iterdir()] == [theirs.name]
    assert theirs.read_text() == "mine\n"


def test_one_that_cannot_be_written_leaves_the_others_as_they_were(
    plan: wa.WorksPlan, tmp_path: Path
) -> None:
    kept = tmp_path / "week.gpx"
    wa.write_field_files(plan, kept)
    before = kept.read_bytes()
    with pytest.raises(wa.CallError, match="no folder"):
        wa.write_field_files(plan, kept, tmp_path / "none" / "week.kml", force=True)
    assert kept.read_bytes() == before
    assert [one.name for one in tmp_path.iterdir()] == ["week.gpx"]


def test_a_package_with_a_layer_of_somebody_elses_is_not_ours(
    plan: wa.WorksPlan, tmp_path: Path
) -> None:
    path = tmp_path / "week.gpkg"
    wa.write_field_files(plan, path)
    gpd.GeoDataFrame({"seen": ["ok"]}, geometry=[shapely.Point(7, 54)], crs=4326).to_file(
        path, layer="marks", mode="a"
    )
    before = path.read_bytes()
    with pytest.raises(wa.CallError, match="--force"):
        wa.write_field_files(plan, path)
    assert path.read_bytes() == before
    wa.write_field_files(plan, path, force=True)
    assert {name for name, _ in pyogrio.list_layers(path)} == set(LAYERS)


@pytest.mark.parametrize("name", ["works.gpx", "works.gpkg"])
def test_a_plan_is_an_input_and_is_never_written_over(name: str, tmp_path: Path) -> None:
    """GDAL tells what a file is by its content: a plan may be called anything."""
    plan = tmp_path / name
    plan.write_bytes(WORKS.read_bytes())
    told = run("dig", ESTUARY, "--plan", plan, "-o", plan, "--force")
    assert told.exit_code == 2
    assert "not written over" in told.output
    assert plan.read_bytes() == WORKS.read_bytes()


def test_the_page_is_left_to_the_function_that_writes_it(
    plan: wa.WorksPlan, tmp_path: Path
) -> None:
    with pytest.raises(wa.CallError, match="write_notice"):
        wa.write_field_files(plan, tmp_path / "week.html")
    with pytest.raises(wa.CallError, match="no file named"):
        wa.write_field_files(plan)


# --- Where there is little, and across the antimeridian.


def test_works_that_hit_nothing_make_whole_files(estuary_proof: wa.Proof, tmp_path: Path) -> None:
    works = wa.dig(estuary_proof, at=(-28.8, 54.44), radius_m=1.0)
    paths = [tmp_path / f"none{suffix}" for suffix in (".gpkg", ".gpx", ".kml")]
    wa.write_field_files(works, *paths)
    assert len(gpd.read_file(paths[0], layer="works_hit")) == 0
    assert len(gpd.read_file(paths[0], layer="works_areas")) == 1
    check_gpx(paths[1])
    check_kml(paths[2])


def test_an_area_across_the_antimeridian_is_parted_there(tmp_path: Path) -> None:
    """50 m about 180 degrees: two halves, neither of which goes round the globe."""
    folder = tmp_path / "study"
    folder.mkdir()
    (folder / "study.toml").write_text('name = "Line"\n', encoding="utf-8")
    gpd.GeoDataFrame(
        {"id": ["P1", "P2"], "kind": ["pit", "pit"], "within": ["-", "-"]},
        geometry=[shapely.Point(179.9999, -17), shapely.Point(-179.9999, -17)],
        crs="EPSG:4326",
    ).to_file(folder / "structures.geojson")
    works = wa.dig(wa.read_study(folder), at=(180.0, -17.0), radius_m=50.0)
    paths = [tmp_path / f"line{suffix}" for suffix in (".gpkg", ".gpx", ".kml")]
    wa.write_field_files(works, *paths)
    (area,) = gpd.read_file(paths[0], layer="works_areas").geometry
    assert area.geom_type == "MultiPolygon"
    assert [part.bounds[2] - part.bounds[0] < 0.001 for part in area.geoms] == [True, True]
    assert area.area * (111_320**2) * np.cos(np.radians(17)) == pytest.approx(7850, rel=0.02)
    check_gpx(paths[1])
    assert len(list(check_kml(paths[2]).iter(f"{KML}MultiGeometry"))) == 1

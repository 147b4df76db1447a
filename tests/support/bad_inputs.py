"""Bad inputs: each the small sound study with one thing made wrong, and what must be said.

`CASES` serves the tests of reading and those of the command line alike.
"""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import geopandas as gpd
import pandas as pd
import shapely

from small_study import CRS_NAME, X0, Y0

Feature = dict[str, Any]


@dataclass(frozen=True)
class Case:
    """One bad input.

    `file`, `layer`, `row`, `column` and `id` are those of the problem that
    must be reported; `phrase` stands in its message.
    """

    name: str
    mutate: Callable[[Path], None]
    phrase: str
    file: str | None = None
    layer: str | None = None
    row: int | None = None
    column: str | None = None
    id: str | None = None


# Ways of making something wrong


def text(file: str, old: str, new: str) -> Callable[[Path], None]:
    """Replace a text that stands in a file exactly once."""

    def mutate(folder: Path) -> None:
        path = folder / file
        content = path.read_text(encoding="utf-8")
        assert content.count(old) == 1, f"{old!r} stands {content.count(old)} times in {file}"
        path.write_text(content.replace(old, new), encoding="utf-8")

    return mutate


def more(file: str, lines: str) -> Callable[[Path], None]:
    """Put lines at the end of a file (made where it is not there)."""

    def mutate(folder: Path) -> None:
        with (folder / file).open("a", encoding="utf-8") as stream:
            stream.write(lines)

    return mutate


def feature(file: str, id_: str, change: Callable[[Feature], None]) -> Callable[[Path], None]:
    """Change one feature of a GeoJSON file."""

    def mutate(folder: Path) -> None:
        path = folder / file
        collection = json.loads(path.read_text(encoding="utf-8"))
        found = [one for one in collection["features"] if one["properties"]["id"] == id_]
        assert len(found) == 1
        change(found[0])
        path.write_text(json.dumps(collection), encoding="utf-8")

    return mutate


def every_feature(file: str, change: Callable[[Feature], None]) -> Callable[[Path], None]:
    """Change each feature of a GeoJSON file."""

    def mutate(folder: Path) -> None:
        path = folder / file
        collection = json.loads(path.read_text(encoding="utf-8"))
        for one in collection["features"]:
            change(one)
        path.write_text(json.dumps(collection), encoding="utf-8")

    return mutate


def shape(kind: str, coordinates: Any) -> Callable[[Feature], None]:
    """Give a feature another geometry."""

    def change(one: Feature) -> None:
        one["geometry"] = {"type": kind, "coordinates": coordinates}

    return change


def value(column: str, new: object) -> Callable[[Feature], None]:
    """Give a feature another value."""

    def change(one: Feature) -> None:
        one["properties"][column] = new

    return change


def no_geometry(one: Feature) -> None:
    one["geometry"] = None


def zero_length(one: Feature) -> None:
    start = one["geometry"]["coordinates"][0]
    one["geometry"]["coordinates"] = [start, start]


def swapped(one: Feature) -> None:
    places = one["geometry"]["coordinates"]
    one["geometry"]["coordinates"] = (
        places[::-1] if isinstance(places[0], float) else [place[::-1] for place in places]
    )


def two_parts(one: Feature) -> None:
    line = one["geometry"]["coordinates"]
    away = [[x + 0.01, y] for x, y in line]
    one["geometry"] = {"type": "MultiLineString", "coordinates": [line, away]}


def without_crs(folder: Path) -> None:
    frame = gpd.GeoDataFrame(
        {"id": ["P9"], "kind": ["pit"]}, geometry=[shapely.Point(X0 + 900, Y0 - 400)]
    )
    frame.to_file(folder / "structures.shp")
    whole_toml('[[layer]]\nrole = "structures"\nsource = "structures.shp"\n')(folder)
    toml = folder / "study.toml"
    toml.write_text(toml.read_text().replace(f'crs = "{CRS_NAME}"\n', ""))


def not_finite(folder: Path) -> None:
    more(
        "segments.csv",
        'id,kind,geometry\nD9,duct,"LINESTRING (500000 5980000, 500010 NaN)"\n',
    )(folder)
    whole_toml(
        f'[[layer]]\nrole = "segments"\nsource = "segments.csv"\ncrs = "{CRS_NAME}"\n',
    )(folder)


def whole_toml(extra: str) -> Callable[[Path], None]:
    """Name every layer in study.toml, and one more."""

    def mutate(folder: Path) -> None:
        names = sorted(
            path.name for path in folder.iterdir() if path.suffix in {".csv", ".geojson"}
        )
        layers = "".join(
            f'[[layer]]\nrole = "{name.split(".")[0]}"\nsource = "{name}"\n'
            for name in names
            if name not in extra
        )
        with (folder / "study.toml").open("a", encoding="utf-8") as stream:
            stream.write(layers + extra)

    return mutate


def geopackage_of_two_layers(extra: str) -> Callable[[Path], None]:
    def mutate(folder: Path) -> None:
        frame = gpd.GeoDataFrame(
            {"id": ["P8", "P9"], "kind": ["pit", None]},
            geometry=[shapely.Point(X0 + 800, Y0 - 400), shapely.Point(X0 + 900, Y0 - 400)],
            crs=CRS_NAME,
        )
        frame.to_file(folder / "plant.gpkg", layer="pits")
        frame.iloc[:1].to_file(folder / "plant.gpkg", layer="poles")
        whole_toml(f'[[layer]]\nrole = "structures"\nsource = "plant.gpkg"\n{extra}')(folder)

    return mutate


def replaced(file: str, by: str) -> Callable[[Path], None]:
    def mutate(folder: Path) -> None:
        (folder / file).write_text(by, encoding="utf-8")

    return mutate


def renamed(file: str, to: str) -> Callable[[Path], None]:
    def mutate(folder: Path) -> None:
        (folder / file).rename(folder / to)

    return mutate


def in_feet(folder: Path) -> None:
    more("segments.csv", "id,kind,LEN,geometry\n")(folder)
    whole_toml(
        f'[[layer]]\nrole = "segments"\nsource = "segments.csv"\ncrs = "{CRS_NAME}"\n'
        'columns = { length_m = "LEN" }\nunits = { length_m = "furlong" }\n'
    )(folder)


def parquet_that_is_none(folder: Path) -> None:
    more("hazards.parquet", "this is no Parquet\n")(folder)


def extending(toml: str) -> Callable[[Path], None]:
    """Make the study a proposal on top of a copy of itself."""

    def mutate(folder: Path) -> None:
        base = folder / "base"
        base.mkdir()
        for path in list(folder.iterdir()):
            if path.is_file():
                shutil.move(path, base / path.name)
        (folder / "study.toml").write_text(f'extends = "base"\n{toml}', encoding="utf-8")

    return mutate


def circle(folder: Path) -> None:
    extending("")(folder)
    toml = folder / "base" / "study.toml"
    toml.write_text(f'extends = ".."\n{toml.read_text(encoding="utf-8")}', encoding="utf-8")


def wide_number(folder: Path) -> None:
    frame = pd.DataFrame({"id": ["X1"], "kind": ["room"], "geometry": ["POINT (0 0"]})
    frame.to_csv(folder / "hazards.csv", index=False)


def rules(content: str) -> Callable[[Path], None]:
    return replaced("rules.toml", content)


CASES: list[Case] = [
    # study.toml
    Case(
        "unknown key",
        text("study.toml", "revision", "revison"),
        "did you mean 'revision'",
        file="study.toml",
        column="revison",
    ),
    Case(
        "not TOML",
        text("study.toml", 'revision = "A"', "revision = A"),
        "not valid TOML",
        file="study.toml",
        row=2,
    ),
    Case(
        "unknown role",
        whole_toml('[[layer]]\nrole = "segmnts"\nsource = "segments.geojson"\n'),
        "did you mean 'segments'",
        file="study.toml",
        column="layer.13.role",
    ),
    Case(
        "unknown CRS",
        text("study.toml", CRS_NAME, "EPSG:999999"),
        "unknown coordinate system",
        file="study.toml",
        column="crs",
    ),
    Case(
        "out names no asset",
        more("study.toml", 'out = ["S11"]\n'),
        "no asset 'S11'",
        file="study.toml",
        column="out",
        id="S11",
    ),
    Case(
        "remove without extends",
        more("study.toml", 'remove = ["S1"]\n'),
        "only with extends",
        file="study.toml",
        column="remove",
    ),
    Case(
        "remove names no id",
        extending('remove = ["S1", "S77"]\n'),
        "removes 'S77'",
        file="study.toml",
        column="remove",
        id="S77",
    ),
    Case(
        "extends in a circle",
        circle,
        "circle",
        file="study.toml",
        column="extends",
    ),
    Case(
        "unknown file",
        whole_toml('[[layer]]\nrole = "hazards"\nsource = "flood.geojson"\n'),
        "does not exist",
        file="flood.geojson",
        layer="hazards",
    ),
    Case(
        "unknown layer",
        geopackage_of_two_layers('layer = "pit"\n'),
        "its layers are pits, poles",
        file="plant.gpkg",
        layer="pit",
    ),
    Case(
        "which layer",
        geopackage_of_two_layers(""),
        "say which one with `layer`: pits, poles",
        file="plant.gpkg",
        layer="structures",
    ),
    Case(
        "filter that cannot be used",
        whole_toml('[[layer]]\nrole = "cables"\nsource = "cables.csv"\nwhere = "colour ="\n'),
        "the filter",
        file="cables.csv",
        layer="cables",
    ),
    Case("unknown unit", in_feet, "unknown unit 'furlong'", file="study.toml"),
    Case(
        "columns names a column that the layer lacks",
        whole_toml(
            '[[layer]]\nrole = "cables"\nsource = "cables.csv"\ncolumns = { name = "NAM" }\n'
        ),
        "columns names 'NAM'",
        file="cables.csv",
        layer="cables",
        column="name (NAM)",
    ),
    Case(
        "columns for a column that the role lacks",
        whole_toml(
            '[[layer]]\nrole = "cables"\nsource = "cables.csv"\ncolumns = { fibre_typ = "kind" }\n'
        ),
        "did you mean 'fibre_type'",
        file="study.toml",
        column="layer.13.columns.fibre_typ",
    ),
    # columns and values
    Case(
        "missing required column",
        text("equipment.csv", "id,site,kind", "id,SITE_NO,kind"),
        "the required column 'site'",
        file="equipment.csv",
        layer="equipment",
        column="site",
    ),
    Case(
        "required cell is blank",
        text("cable_runs.csv", "C1,2,S2", "C1,2,"),
        "is blank",
        file="cable_runs.csv",
        layer="cable_runs",
        row=3,
        column="segment",
        id="C1",
    ),
    Case(
        "required cell is blank in a GeoPackage",
        geopackage_of_two_layers('layer = "pits"\n'),
        "is blank",
        file="plant.gpkg",
        layer="pits",
        row=2,
        column="kind",
        id="P9",
    ),
    Case(
        "negative length",
        feature("segments.geojson", "D2", value("length_m", -12.5)),
        "more than 0 m; found -12.5",
        file="segments.geojson",
        layer="segments",
        row=6,
        column="length_m",
        id="D2",
    ),
    Case(
        "decimal comma",
        text("joints.csv", "0.08", '"0,08"'),
        "decimal comma",
        file="joints.csv",
        layer="joints",
        row=2,
        column="loss_db",
        id="J1",
    ),
    Case(
        "number spelt out",
        text("joints.csv", "0.08", "NaN"),
        "expected a number, or a blank cell",
        file="joints.csv",
        row=2,
        column="loss_db",
        id="J1",
    ),
    Case(
        "endless number",
        text("joints.csv", "0.08", "inf"),
        "finite number",
        file="joints.csv",
        row=2,
        column="loss_db",
        id="J1",
    ),
    Case(
        "count with a fraction",
        text("cable_runs.csv", "C2,2,D2", "C2,2.5,D2"),
        "whole number",
        file="cable_runs.csv",
        row=7,
        column="seq",
        id="C2",
    ),
    Case(
        "value out of its range",
        text("links.csv", "1310", "13100"),
        "at most 2000 nm",
        file="links.csv",
        row=2,
        column="wavelength_nm",
        id="L1",
    ),
    Case(
        "none of the choices",
        text("links.csv", "1310,fibre", "1310,fiber"),
        "expected one of fibre",
        file="links.csv",
        row=2,
        column="medium",
        id="L1",
    ),
    Case(
        "fibre link without wavelength",
        text("links.csv", "1310,fibre", ",fibre"),
        "needs its wavelength",
        file="links.csv",
        row=2,
        column="wavelength_nm",
        id="L1",
    ),
    Case(
        "fibre numbers as a range",
        text("link_runs.csv", "L1,1,C1,1;2", "L1,1,C1,1-2"),
        "whole numbers with ';' between",
        file="link_runs.csv",
        row=2,
        column="fibres",
        id="L1",
    ),
    Case(
        "no date",
        more("measurements.csv", "cable,date\nC1,30.06.2027\n"),
        "expected a date such as",
        file="measurements.csv",
        row=2,
        column="date",
        id="C1",
    ),
    Case(
        "measurement of nothing",
        more("measurements.csv", "cable,link,loss_db\n,,0.3\n"),
        "either a cable or a link",
        file="measurements.csv",
        row=2,
        column="cable",
    ),
    Case(
        "more values than names",
        text("cables.csv", "C2,G.652.D,48,duct,", "C2,G.652.D,48,duct,,long, blue"),
        "expected 5 values",
        file="cables.csv",
        layer="cables",
        row=3,
    ),
    Case(
        "a column named twice",
        text("cables.csv", "fibre_count,kind", "kind,kind"),
        "more than once",
        file="cables.csv",
        row=1,
    ),
    Case(
        "empty file",
        replaced("joints.csv", ""),
        "the file is empty",
        file="joints.csv",
        layer="joints",
    ),
    Case(
        "no vector file",
        replaced("structures.geojson", "{ this is no GeoJSON"),
        "GDAL cannot read",
        file="structures.geojson",
        layer="structures",
    ),
    Case(
        "no Parquet file",
        parquet_that_is_none,
        "is no Parquet file",
        file="hazards.parquet",
        layer="hazards",
    ),
    # ids
    Case(
        "duplicate id",
        text("cables.csv", "C2,G.652.D", "C1,G.652.D"),
        "taken by an earlier row (cables of cables.csv, row 2)",
        file="cables.csv",
        row=3,
        column="id",
        id="C1",
    ),
    Case(
        "duplicate id in two roles",
        text("cables.csv", "C2,G.652.D", "T1,G.652.D"),
        "taken by an earlier row (structures of structures.geojson, row 1)",
        file="cables.csv",
        row=3,
        column="id",
        id="T1",
    ),
    Case(
        "id with a control character",
        text("joints.csv", "J1,P2", "J\x071,P2"),
        "control character",
        file="joints.csv",
        row=2,
        column="id",
        id="J\x071",
    ),
    Case(
        "id with the separator",
        text("joints.csv", "J1,P2", "J;1,P2"),
        "expected one id",
        file="joints.csv",
        row=2,
        column="id",
        id="J;1",
    ),
    Case(
        "id that means something else",
        text("joints.csv", "J1,P2", "-,P2"),
        "is no id",
        file="joints.csv",
        row=2,
        column="id",
        id="-",
    ),
    Case(
        "a list of an id and a dash",
        text("holders.csv", "TR1,right-of-way,Sand Lane,-", "TR1,right-of-way,Sand Lane,WS;-"),
        "'-' alone",
        file="holders.csv",
        row=2,
        column="within",
        id="TR1",
    ),
    # references
    Case(
        "dangling reference",
        text("cable_runs.csv", "C1,2,S2", "C1,2,S22"),
        "there is no 'S22'; did you mean 'S2'",
        file="cable_runs.csv",
        layer="cable_runs",
        row=3,
        column="segment",
        id="C1",
    ),
    Case(
        "reference to another role",
        text("cable_runs.csv", "C1,2,S2", "C1,2,T2"),
        "'T2' is one of structures",
        file="cable_runs.csv",
        row=3,
        column="segment",
        id="C1",
    ),
    Case(
        "dangling reference in a list",
        text("joints.csv", "C2,0.08", "C2;C3,0.08"),
        "there is no 'C3'",
        file="joints.csv",
        row=2,
        column="cables",
        id="J1",
    ),
    Case(
        "list with commas",
        text("joints.csv", "C2,0.08", '"C1,C2",0.08'),
        "';' between, not ','",
        file="joints.csv",
        row=2,
        column="cables",
        id="J1",
    ),
    Case(
        "lies within itself through another role",
        lambda folder: (
            text("holders.csv", "Sand Lane,-", "Sand Lane,D1")(folder),
            None,
        )[1],
        "lies within itself: TR1 -> D1 -> TR1",
        file="holders.csv",
        layer="holders",
        row=2,
        column="within",
        id="TR1",
    ),
    Case(
        "carried by each other",
        lambda folder: (
            text("cables.csv", "24,opgw,", "24,opgw,C2")(folder),
            text("cables.csv", "48,duct,", "48,duct,C1")(folder),
        )[0],
        "carried by itself: C1 -> C2 -> C1",
        file="cables.csv",
        row=2,
        column="carried_by",
        id="C1",
    ),
    Case(
        "two steps in one place",
        text("cable_runs.csv", "C1,3,S3", "C1,2,S3"),
        "same cable, seq",
        file="cable_runs.csv",
        row=4,
        column="seq",
        id="C1",
    ),
    Case(
        "paths stated twice",
        lambda folder: (
            more("rings.csv", "ring,seq,link\nRG,1,L1\nRG,2,L2\n")(folder),
            more("ring_circuits.csv", "circuit,ring\nK1,RG\n")(folder),
        )[0],
        "stands in circuit_paths as well",
        file="ring_circuits.csv",
        row=2,
        column="circuit",
        id="K1",
    ),
    Case(
        "unknown service",
        text("circuits.csv", "line-differential", "line-diff"),
        "expected a key of [services]",
        file="circuits.csv",
        row=2,
        column="service",
        id="K1",
    ),
    Case(
        "unknown type of fibre",
        text("cables.csv", "C1,G.652.D", "C1,G.652.X"),
        "expected a key of [fibres]",
        file="cables.csv",
        row=2,
        column="fibre_type",
        id="C1",
    ),
    # geometry
    Case(
        "missing geometry",
        feature("segments.geojson", "D3", no_geometry),
        "the geometry is missing",
        file="segments.geojson",
        row=7,
        column="geometry",
        id="D3",
    ),
    Case(
        "empty geometry",
        feature("segments.geojson", "D3", shape("LineString", [])),
        "the geometry is empty",
        file="segments.geojson",
        row=7,
        column="geometry",
        id="D3",
    ),
    Case(
        "wrong type",
        feature("structures.geojson", "P2", shape("LineString", [[9.0, 53.9], [9.1, 53.9]])),
        "expected Point or Polygon or MultiPolygon; found LineString",
        file="structures.geojson",
        row=5,
        column="geometry",
        id="P2",
    ),
    Case(
        "line in two parts",
        feature("segments.geojson", "D3", two_parts),
        "part 1 of 2 ends at (9.0609723, 53.9656357), part 2 starts at (9.0404862, 53.9656473)",
        file="segments.geojson",
        row=7,
        column="geometry",
        id="D3",
    ),
    Case(
        "invalid polygon",
        feature(
            "sites.geojson",
            "WS",
            shape("Polygon", [[[9, 53.9], [9.1, 54], [9.1, 53.9], [9, 54], [9, 53.9]]]),
        ),
        "the polygon is invalid (Self-intersection",
        file="sites.geojson",
        row=1,
        column="geometry",
        id="WS",
    ),
    Case(
        "line without length",
        feature("segments.geojson", "D3", zero_length),
        "the line has no length",
        file="segments.geojson",
        row=7,
        column="geometry",
        id="D3",
    ),
    Case(
        "coordinate that is no number",
        not_finite,
        "not a finite number",
        file="segments.csv",
        row=2,
        column="geometry",
        id="D9",
    ),
    Case(
        "text that is no geometry",
        wide_number,
        "expected well-known text",
        file="hazards.csv",
        row=2,
        column="geometry",
        id="X1",
    ),
    Case(
        "layer without CRS",
        without_crs,
        'crs = "EPSG:25832"',
        file="structures.shp",
        layer="structures",
        column="geometry",
    ),
    Case(
        "axes swapped in one row",
        feature("structures.geojson", "P2", swapped),
        "x and y look swapped",
        file="structures.geojson",
        row=5,
        column="geometry",
        id="P2",
    ),
    Case(
        "axes swapped throughout",
        every_feature("segments.geojson", swapped),
        "every geometry lies far from all other plant",
        file="segments.geojson",
        layer="segments",
        column="geometry",
    ),
    # rules
    Case(
        "unknown key in the rules",
        rules("[services.mine]\nmax_dely_us = 4000\n"),
        "did you mean 'max_delay_us'",
        file="rules.toml",
        column="services.mine.max_dely_us",
    ),
    Case(
        "rules are no TOML",
        rules("[services.mine]\nmax_delay_us = \n"),
        "not valid TOML",
        file="rules.toml",
        row=2,
    ),
    Case(
        "waiver without an end",
        rules('[[waiver]]\ncircuit = "K1"\nasset = "P2"\nreason = "r"\nby = "b"\n'),
        "'until' is required",
        file="rules.toml",
        column="waiver.1.until",
    ),
    Case(
        "waiver of nothing",
        rules('[[waiver]]\ncircuit = "K1"\nreason = "r"\nby = "b"\nuntil = 2030-01-01\n'),
        "state one of asset (one id), within (one id)",
        file="rules.toml",
        column="waiver.1",
    ),
    Case(
        "waiver of an unknown circuit",
        rules(
            '[[waiver]]\ncircuit = "K9"\nasset = "P2"\nreason = "r"\nby = "b"\nuntil = 2030-01-01\n'
        ),
        "neither a circuit nor a group",
        file="rules.toml",
        column="waiver.1.circuit",
        id="K9",
    ),
]

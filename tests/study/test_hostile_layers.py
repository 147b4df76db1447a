"""Layers that reach elsewhere, never end, or unpack without end: refused, each with a reason.

A local server counts requests: no file may make one, whoever reads it.
"""

from __future__ import annotations

import json
import os
import shutil
import socket
import sqlite3
import struct
import tempfile
import threading
import zipfile
from collections.abc import Callable, Iterator
from contextlib import closing
from functools import cache
from pathlib import Path
from typing import Any

import geopandas as gpd
import pandas as pd
import pytest
import shapely

import waysapart as wa
from everyday import some
from fuzzing import outcome
from small_study import write_small_study
from waysapart.errors import StudyError
from waysapart.input_files import MOST_FILTER_SIGNS
from waysapart.recheck import recheck


@pytest.fixture
def asked(monkeypatch: pytest.MonkeyPatch) -> Iterator[tuple[str, list[str]]]:
    """The address of a server, and the first line of each request that it has had."""
    for name in ("no_proxy", "NO_PROXY"):  # nothing may turn a request past the fence
        monkeypatch.setenv(name, "*")
    requests: list[str] = []
    with socket.socket() as listening:
        listening.bind(("127.0.0.1", 0))
        listening.listen(20)

        def serve() -> None:
            while True:
                try:
                    one, _ = listening.accept()
                except OSError:
                    return
                with one:
                    one.settimeout(1)
                    try:
                        requests.append(one.recv(200).decode("latin-1").split("\r\n")[0])
                    except OSError:
                        requests.append("?")

        threading.Thread(target=serve, daemon=True).start()
        yield f"http://127.0.0.1:{listening.getsockname()[1]}/x", requests
        listening.shutdown(socket.SHUT_RDWR)


def _named(study: Path, extra: str, *, instead: str = "") -> Path:
    """The study with every layer named in study.toml, and one more or one instead."""
    text = (study / "study.toml").read_text()
    for path in sorted(study.iterdir()):
        if path.suffix in {".csv", ".geojson"} and path.name != instead:
            text += f'[[layer]]\nrole = "{path.stem}"\nsource = "{path.name}"\n'
    (study / "study.toml").write_text(text + extra)
    return study


@cache
def _sound_evidence() -> str:
    with tempfile.TemporaryDirectory() as folder:
        return json.dumps(wa.prove(wa.read_study(write_small_study(Path(folder) / "s"))).facts())


def _told(study: Path, tmp_path: Path) -> str:
    """What reading says; `recheck` names the same file, holding evidence of the sound study."""
    evidence = tmp_path / "sound.json"
    evidence.write_text(_sound_evidence())
    with pytest.raises(StudyError) as ours:
        wa.read_study(study)
    with pytest.raises(StudyError) as theirs:
        recheck(study, evidence)
    (other,) = theirs.value.problems
    assert str(ours.value.problems[0].file) in other.message
    return str(ours.value)


def _collection(study: Path, **more: Any) -> None:
    """The structures, with more beside the features."""
    path = study / "structures.geojson"
    found = json.loads(path.read_text())
    found.pop("crs", None)
    path.write_text(json.dumps({**found, **more}))


LINKS: dict[str, Callable[[str], dict[str, Any]]] = {
    "link": lambda to: {"crs": {"type": "link", "properties": {"href": to}}},
    "url": lambda to: {"crs": {"type": "URL", "properties": {"url": to}}},
    "another case": lambda to: {"CRS": {"TYPE": "Link", "PROPERTIES": {"HREF": to}}},
    "a name that is an address": lambda to: {"crs": {"type": "name", "properties": {"name": to}}},
    "a file": lambda _to: {"crs": {"type": "link", "properties": {"href": "file:///etc/passwd"}}},
}


@pytest.mark.parametrize("kind", LINKS)
def test_a_coordinate_system_elsewhere_is_not_fetched(
    kind: str, asked: tuple[str, list[str]], tmp_path: Path
) -> None:
    """GDAL by itself asks three times. What to do instead is said."""
    study = write_small_study(tmp_path / "study")
    _collection(study, **LINKS[kind](asked[0]))
    told = _told(study, tmp_path)
    assert "structures.geojson, layer structures: says where its coordinate system" in told
    assert 'crs = "EPSG:25832"' in told
    assert asked[1] == []


def test_a_link_with_escaped_letters_is_seen(asked: tuple[str, list[str]], tmp_path: Path) -> None:
    study = write_small_study(tmp_path / "study")
    _collection(study, **LINKS["link"](asked[0]))
    path = study / "structures.geojson"
    path.write_text(
        path.read_text().replace('"crs"', r'"\u0063rs"').replace('"link"', r'"l\u0069nk"')
    )
    assert "says where its coordinate system" in _told(study, tmp_path)
    assert asked[1] == []


@pytest.mark.parametrize(
    "crs",
    [
        None,
        {"type": "name", "properties": {"name": "urn:ogc:def:crs:OGC:1.3:CRS84"}},
        {"type": "name", "properties": {"name": "EPSG:4326"}},
        {"properties": {"name": "http://www.opengis.net/def/crs/OGC/1.3/CRS84"}, "type": "name"},
    ],
)
def test_a_coordinate_system_by_name_is_taken(
    crs: object, asked: tuple[str, list[str]], tmp_path: Path
) -> None:
    study = write_small_study(tmp_path / "study")
    _collection(study, crs=crs)
    assert wa.prove(wa.read_study(study)).counts()["apart"] == 1
    assert asked[1] == []


def _vrt(to: str) -> str:
    return (
        '<OGRVRTDataSource><OGRVRTLayer name="structures"><SrcDataSource>'
        f"{to}</SrcDataSource></OGRVRTLayer></OGRVRTDataSource>"
    )


ELSEWHERE: dict[str, tuple[str, Callable[[str], str]]] = {
    "VRT": ("plant.vrt", lambda to: _vrt(f"/vsicurl/{to}.geojson")),
    "VRT as GeoJSON": ("plant.geojson", lambda to: _vrt(f"/vsicurl/{to}.geojson")),
    "VRT as GeoPackage": ("plant.gpkg", lambda to: _vrt(f"/vsicurl/{to}.gpkg")),
    "VRT of another file": ("plant.shp", lambda _to: _vrt("../sound/structures.geojson")),
    "pipeline": (
        "plant.json",
        lambda to: json.dumps(
            {
                "type": "gdal_streamed_alg",
                "command_line": f"gdal vector pipeline ! read /vsicurl/{to}.geojson",
            }
        ),
    ),
    "GML": (
        "plant.gml",
        lambda to: (
            '<gml:FeatureCollection xmlns:gml="http://www.opengis.net/gml" '
            f'xmlns:xsi="http://www.w3.org/2001/XMLSchema-instance" xsi:schemaLocation="a {to}">'
            "</gml:FeatureCollection>"
        ),
    ),
    "KML": (
        "plant.kml",
        lambda to: (
            '<kml xmlns="http://www.opengis.net/kml/2.2"><NetworkLink><Link>'
            f"<href>{to}</href></Link></NetworkLink></kml>"
        ),
    ),
    "XML entity": (
        "plant.gpx",
        lambda to: f'<!DOCTYPE a [<!ENTITY b SYSTEM "{to}">]><gpx><wpt>&b;</wpt></gpx>',
    ),
    "DXF": ("plant.dxf", lambda _to: "  0\nSECTION\n  2\nBLOCKS\n  0\nBLOCK\n  1\n/etc/passwd\n"),
    "WFS": ("plant.xml", lambda to: f"<OGRWFSDataSource><URL>{to}</URL></OGRWFSDataSource>"),
}


@pytest.mark.parametrize("kind", ELSEWHERE)
def test_what_names_other_files_and_hosts_is_not_opened(
    kind: str, asked: tuple[str, list[str]], tmp_path: Path
) -> None:
    name, made = ELSEWHERE[kind]
    study = _named(
        write_small_study(tmp_path / "study"),
        f'[[layer]]\nrole = "hazards"\nsource = "{name}"\n',
    )
    (study / name).write_text(made(asked[0]))
    said = _told(study, tmp_path)
    assert f"{name}, layer hazards: " in said
    assert asked[1] == []


@pytest.mark.parametrize("source", ["/vsicurl/{to}.geojson", "{to}.geojson", "/vsizip/a.zip/b.shp"])
def test_an_address_is_no_source(
    source: str, asked: tuple[str, list[str]], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Not even where a folder is called `http:` and the study is read from within it."""
    to = asked[0]
    study = _named(
        write_small_study(tmp_path / "study"),
        f'[[layer]]\nrole = "hazards"\nsource = "{source.format(to=to)}"\n',
    )
    if not source.startswith("/"):
        (study / f"{to}.geojson").parent.mkdir(parents=True)
        (study / f"{to}.geojson").write_text('{"type": "FeatureCollection", "features": []}')
        monkeypatch.chdir(study)
        assert wa.prove(wa.read_study(".")).counts()["apart"] == 1
    else:
        assert "does not exist" in _told(study, tmp_path)
    assert asked[1] == []


def test_no_archive_is_opened(tmp_path: Path) -> None:
    study = write_small_study(tmp_path / "study")
    with zipfile.ZipFile(study / "plant.zip", "w") as archive:
        archive.write(study / "structures.geojson", "structures.geojson")
    _named(study, '[[layer]]\nrole = "hazards"\nsource = "plant.zip"\n')
    assert "plant.zip, layer hazards: archives" in _told(study, tmp_path)


def _into_package(study: Path) -> Path:
    """The structures of the study in a GeoPackage."""
    frame = gpd.read_file(study / "structures.geojson")
    frame.to_file(study / "plant.gpkg", layer="structures", driver="GPKG")
    return study / "plant.gpkg"


def _of_package(study: Path, more: str) -> Path:
    layer = f'[[layer]]\nrole = "structures"\nsource = "plant.gpkg"\n{more}'
    return _named(study, layer, instead="structures.geojson")


VIEWS = {
    "recursive": "WITH RECURSIVE c(x) AS (SELECT 1 UNION ALL SELECT x + 1 FROM c) "
    "SELECT 1 AS fid, 'P1' AS id, 'pit' AS kind, max(x) AS x FROM c",
    "wide": "SELECT fid, id, kind, zeroblob(900000000) AS b FROM structures",
    "elsewhere": "SELECT fid, id, kind, ogr_geocode(id) AS b FROM structures",
    "multiplied": "SELECT a.fid, a.id, a.kind FROM structures a"
    + "".join(f", structures b{n}" for n in range(14)),
}


@pytest.mark.parametrize("kind", VIEWS)
def test_a_view_without_end_is_refused(kind: str, tmp_path: Path) -> None:
    study = write_small_study(tmp_path / "study")
    with sqlite3.connect(_into_package(study)) as base:
        base.execute(f"CREATE VIEW seen AS {VIEWS[kind]}")
        base.execute(
            "INSERT INTO gpkg_contents (table_name, data_type, identifier) "
            "VALUES ('seen', 'attributes', 'seen')"
        )
    _of_package(study, 'layer = "seen"\n')
    with pytest.raises(StudyError, match=r"plant.gpkg, layer seen: the view"):
        wa.read_study(study)


def test_a_view_is_a_layer(tmp_path: Path) -> None:
    study = write_small_study(tmp_path / "study")
    with sqlite3.connect(_into_package(study)) as base:
        base.execute("CREATE VIEW seen AS SELECT *, upper(kind) AS loud FROM structures")
        base.execute(
            "INSERT INTO gpkg_contents SELECT 'seen', data_type, 'seen', '', last_change, min_x, "
            "min_y, max_x, max_y, srs_id FROM gpkg_contents"
        )
        base.execute(
            "INSERT INTO gpkg_geometry_columns SELECT 'seen', column_name, geometry_type_name, "
            "srs_id, z, m FROM gpkg_geometry_columns"
        )
    _of_package(study, 'layer = "seen"\n')
    assert wa.prove(wa.read_study(study)).counts()["apart"] == 1


def test_a_table_made_up_by_code_is_refused(tmp_path: Path) -> None:
    study = write_small_study(tmp_path / "study")
    with sqlite3.connect(_into_package(study)) as base:
        base.execute("PRAGMA writable_schema = 1")
        base.execute(
            "INSERT INTO sqlite_master VALUES ('table', 'evil', 'evil', 0, "
            "'CREATE VIRTUAL TABLE evil USING VirtualOGR(''/etc/passwd'')')"
        )
    _of_package(study, 'layer = "structures"\n')
    assert "virtual table 'evil', which reads what lies elsewhere" in _told(study, tmp_path)


def test_another_database_is_no_geopackage(tmp_path: Path) -> None:
    study = write_small_study(tmp_path / "study")
    with sqlite3.connect(study / "plant.gpkg") as base:
        base.execute("CREATE TABLE structures (id TEXT)")
    assert "no GeoPackage" in _told(_of_package(study, ""), tmp_path)


FILTERS = {
    "recursive": "id IN (WITH RECURSIVE c(x) AS (SELECT 1 UNION ALL SELECT x + 1 FROM c) "
    "SELECT x FROM c)",
    "long": "id = 'P1' OR " * (MOST_FILTER_SIGNS // 10) + "id = 'P1'",
    "deep": "(" * 5_000 + "id = 'P1'" + ")" * 5_000,
    "negated": "NOT " * 2_000 + "id = 'P1'",
    "wide": "length(zeroblob(900000000)) > 0",
    "from another table": "id IN (SELECT sql FROM sqlite_master) OR load_extension('x') IS NULL",
}


@pytest.mark.parametrize("source", some(["cables.csv", "plant.gpkg"], every=4))
@pytest.mark.parametrize("kind", FILTERS)
def test_a_filter_without_end_is_refused(kind: str, source: str, tmp_path: Path) -> None:
    """In a table that SQLite filters here, and in a GeoPackage, which it filters in GDAL."""
    study = write_small_study(tmp_path / "study")
    where = f'where = "{FILTERS[kind]}"\n'
    if source == "plant.gpkg":
        _into_package(study)
        _of_package(study, where)
    else:
        _named(study, f'[[layer]]\nrole = "cables"\nsource = "{source}"\n{where}', instead=source)
    with pytest.raises(StudyError, match=r"filter"):
        wa.read_study(study)


@pytest.mark.parametrize("name", ["deep", "negated", "long"])
def test_a_filter_that_gdal_reads_itself_is_no_deeper(name: str, tmp_path: Path) -> None:
    study = write_small_study(tmp_path / "study")
    layer = '[[layer]]\nrole = "structures"\nsource = "structures.geojson"\n'
    _named(study, f'{layer}where = "{FILTERS[name]}"\n', instead="structures.geojson")
    assert "structures.geojson, layer structures: the filter" in _told(study, tmp_path)


def _pipe(path: Path) -> None:
    os.mkfifo(path)


def _folder(path: Path) -> None:
    path.mkdir()


def _socket(path: Path) -> None:
    with socket.socket(socket.AF_UNIX) as one:
        before = Path.cwd()
        os.chdir(path.parent)  # an address takes 108 signs
        one.bind(path.name)
        os.chdir(before)


def _device(path: Path) -> None:
    path.symlink_to("/dev/zero")


NO_FILES = {"a pipe": _pipe, "a folder": _folder, "a socket": _socket, "a device": _device}


LAYERS = ("cables.csv", "structures.geojson", "study.gpkg", "hazards.parquet", "hazards.shp")


def _no_file(kind: str, path: Path) -> None:
    """Put one of them in the place of a file."""
    if kind != "a folder" and os.name != "posix":
        pytest.skip("pipes, sockets and devices of a POSIX system")
    NO_FILES[kind](path)


@pytest.mark.parametrize("kind", NO_FILES)
@pytest.mark.parametrize("name", some(LAYERS, every=6))
def test_what_is_no_file_is_no_layer(kind: str, name: str, tmp_path: Path) -> None:
    """A pipe would be waited for, a device read without end."""
    study = write_small_study(tmp_path / "study")
    (study / name).unlink(missing_ok=True)
    _no_file(kind, study / name)
    run = outcome(["check", str(study)], seconds=10)
    assert run.exit_code == 2
    assert f"is {kind}" in " ".join(run.said.split())


@pytest.mark.parametrize("kind", ["a pipe", "a socket", "a device"])
@pytest.mark.parametrize("name", ["study.toml", "rules.toml"])
def test_what_is_no_file_is_no_settings(kind: str, name: str, tmp_path: Path) -> None:
    study = write_small_study(tmp_path / "study")
    (study / name).unlink(missing_ok=True)
    _no_file(kind, study / name)
    run = outcome(["check", str(study)], seconds=10)
    assert run.exit_code == 2
    assert f"{name} is {kind}" in " ".join(run.said.split())


@pytest.mark.parametrize("kind", NO_FILES)
@pytest.mark.parametrize("command", ["recheck", "compare"])
def test_what_is_no_file_is_no_evidence(kind: str, command: str, tmp_path: Path) -> None:
    study, odd = write_small_study(tmp_path / "study"), tmp_path / "odd.json"
    _no_file(kind, odd)
    pair = [str(study), str(odd)] if command == "recheck" else [str(odd), str(study)]
    run = outcome([command, *pair], seconds=10)
    assert run.exit_code == 2
    assert kind in run.said or "is a directory" in run.said


NOUGHTS = ("cables.csv", "structures.geojson", "study.gpkg", "study.toml", "hazards.parquet")


@pytest.mark.parametrize("name", [*NOUGHTS, "rules.toml"])
def test_a_file_of_noughts_is_told_by_name(name: str, tmp_path: Path) -> None:
    """A GeoPackage, table, tree or settings of 64 MB that take no room on the disk."""
    study = write_small_study(tmp_path / "study")
    with (study / name).open("wb") as file:
        file.truncate(1 << 26)
    run = outcome(["check", str(study)], seconds=20)
    assert run.exit_code == 2
    assert name in run.said
    assert "could not go on" not in run.said


def test_too_little_memory_is_said_in_words(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """MemoryError has no text of its own."""
    study = write_small_study(tmp_path / "study")

    def none_left(*_given: object, **_named: object) -> None:
        raise MemoryError

    monkeypatch.setattr("waysapart.study.read.validate", none_left)
    run = outcome(["check", str(study)])
    assert run.exit_code == 2
    assert "not enough memory" in run.said
    monkeypatch.undo()
    monkeypatch.setattr("waysapart.study.sources.read_bytes", none_left)
    run = outcome(["check", str(study)])
    assert "cables.csv, layer cables needs more memory" in " ".join(run.said.split())


def test_a_million_columns_of_a_table(tmp_path: Path) -> None:
    study = write_small_study(tmp_path / "study")
    (study / "cables.csv").write_text("id" + ",x" * 500_000 + "\nC1\n")
    run = outcome(["check", str(study)], seconds=10)
    assert "cables.csv, layer cables has 500,001 columns; at most 2,000" in " ".join(
        run.said.split()
    )
    (study / "cables.csv").write_text("id," + "x" * (1 << 21) + "\nC1,1\n")
    assert "first line of more than" in outcome(["check", str(study)], seconds=10).said


def test_a_hundred_thousand_columns_of_a_feature(tmp_path: Path) -> None:
    study = write_small_study(tmp_path / "study")
    path = study / "structures.geojson"
    layer = json.loads(path.read_text())
    layer["features"][0]["properties"] |= {f"x{n}": n for n in range(20_000)}
    path.write_text(json.dumps(layer))
    told = _told(study, tmp_path)
    assert "structures.geojson, layer structures: has 20,00" in told


def test_a_long_line_in_a_table_is_read(tmp_path: Path) -> None:
    """Python's reader of tables stops at 131,072 characters a cell, a line of 5,000 vertices."""
    study = write_small_study(tmp_path / "study")
    places = ", ".join(f"{9.2 + n / 1e6:.6f} 53.9" for n in range(12_000))
    (study / "hazards.csv").write_text(
        f'id,kind,geometry\nH1,flood,"LINESTRING ({places})"\n"H2\n",flood,"POINT (9 54)"\n'
    )
    layer = '[[layer]]\nrole = "hazards"\nsource = "hazards.csv"\ncrs = "EPSG:4326"\n'
    _named(study, layer, instead="hazards.csv")
    assert len(wa.read_study(study).tables["hazards"]) == 2


def _sheets(path: Path, content: bytes, count: int = 1) -> None:
    pd.DataFrame({"id": ["C1"]}).to_csv(path.with_suffix(".csv"), index=False)
    path.with_suffix(".csv").unlink()
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        for number in range(count):
            archive.writestr(f"xl/worksheets/sheet{number}.xml", content)


@pytest.mark.parametrize("name", ["study.xlsx", "study.ods"])
def test_sheets_that_unpack_without_end(name: str, tmp_path: Path) -> None:
    """100 MB of blanks in 100 kB; a spreadsheet's XML packs to a tenth or a twentieth."""
    study = write_small_study(tmp_path / "study")
    _sheets(study / name, b" " * 100_000_000)
    run = outcome(["check", str(study)], seconds=10)
    assert run.exit_code == 2
    assert f"{name} unpacks to more than" in " ".join(run.said.split())


def test_sheets_that_lie_about_their_size(tmp_path: Path) -> None:
    """Said to hold ten bytes; the checksum is of all that comes out."""
    study = write_small_study(tmp_path / "study")
    path = study / "study.xlsx"
    _sheets(path, b" " * 100_000_000)
    data = path.read_bytes().replace(struct.pack("<I", 100_000_000), struct.pack("<I", 10))
    path.write_bytes(data)
    assert "study.xlsx is a damaged spreadsheet" in " ".join(
        outcome(["check", str(study)], seconds=10).said.split()
    )


def _parquet(study: Path, table: Any, **options: Any) -> Path:
    pq = pytest.importorskip("pyarrow.parquet")
    pq.write_table(table, study / "hazards.parquet", **options)
    return study


def test_parquet_that_unpacks_without_end(tmp_path: Path) -> None:
    """Sixty million rows of one value in a few kB, and a long text that a dictionary repeats."""
    pa = pytest.importorskip("pyarrow")
    import numpy as np

    study = write_small_study(tmp_path / "study")
    _parquet(study, pa.table({"id": pa.array(np.zeros(60_000_000, dtype=np.int8))}))
    assert (study / "hazards.parquet").stat().st_size < 300_000
    assert "hazards.parquet, layer hazards: unpacks to more than" in _told(study, tmp_path)
    long = pa.DictionaryArray.from_arrays(
        pa.array(np.zeros(5_000, dtype=np.int32)), pa.array(["x" * 100_000])
    )
    _parquet(study, pa.table({"id": long.cast(pa.string())}), compression="none")
    assert (study / "hazards.parquet").stat().st_size < 500_000
    with pytest.raises(StudyError, match="unpacks to more than"):
        wa.read_study(study)


GEO: dict[str, bytes] = {
    "no JSON": b"{",
    "a number": b"3",
    "no columns": b'{"version": "1.0.0", "primary_column": "geometry"}',
    "a missing column": json.dumps(
        {
            "version": "1.0.0",
            "primary_column": "where",
            "columns": {"where": {"encoding": "WKB", "geometry_types": []}},
        }
    ).encode(),
    "another encoding": json.dumps(
        {
            "version": "1.0.0",
            "primary_column": "geometry",
            "columns": {"geometry": {"encoding": "XYZ", "geometry_types": []}},
        }
    ).encode(),
    "a column that is none": b'{"version": "1.0.0", "primary_column": {}, "columns": []}',
    "deep": b'{"version": "1.0.0", "primary_column": "geometry", "columns": '
    + b"[" * 100_000
    + b"]" * 100_000
    + b"}",
    "a CRS that is none": json.dumps(
        {
            "version": "1.0.0",
            "primary_column": "geometry",
            "columns": {"geometry": {"encoding": "WKB", "geometry_types": [], "crs": {"a": 1}}},
        }
    ).encode(),
}


SHAPES = (b"\x01\x01", b"\x01\x02\x00\x00\x00\xff\xff\xff\x0f")
"""A point that is cut off, and a line that declares more points than there can be."""


@pytest.mark.parametrize("kind", GEO)
@pytest.mark.parametrize("shape", some(SHAPES, every=4))
def test_geoparquet_with_odd_metadata(kind: str, shape: bytes, tmp_path: Path) -> None:
    """And points that are cut off, or declared a quarter of a thousand million times."""
    pa = pytest.importorskip("pyarrow")
    study = write_small_study(tmp_path / "study")
    table = pa.table({"id": ["H1"], "kind": ["flood"], "geometry": [shape]})
    _parquet(study, table.replace_schema_metadata({b"geo": GEO[kind]}))
    run = outcome(["check", str(study)], seconds=10)
    assert run.exit_code in (2, 3)
    assert "hazards.parquet" in run.said


def test_parquet_cut_off(tmp_path: Path) -> None:
    pa = pytest.importorskip("pyarrow")
    study = _parquet(write_small_study(tmp_path / "study"), pa.table({"id": ["H1"] * 1000}))
    data = (study / "hazards.parquet").read_bytes()
    for cut in (0, 3, 4, 8, 100, len(data) - 9, len(data) - 1):
        (study / "hazards.parquet").write_bytes(data[:cut])
        run = outcome(["check", str(study)], seconds=10)
        assert run.exit_code == 2
        assert "hazards.parquet" in run.said


CURVES = {
    "CIRCULARSTRING (9.1 53.9, 9.11 53.91, 9.12 53.9)": "CircularString",
    "COMPOUNDCURVE ((9.1 53.9, 9.11 53.9), CIRCULARSTRING (9.11 53.9, 9.12 53.91, 9.13 53.9))": (
        "CompoundCurve"
    ),
    "CURVEPOLYGON (CIRCULARSTRING (9.1 53.9, 9.12 53.92, 9.14 53.9, 9.12 53.88, 9.1 53.9))": (
        "CurvePolygon"
    ),
    "MULTICURVE ((9.1 53.9, 9.11 53.9))": "MultiCurve",
    "TIN (((9 53, 9 54, 10 53, 9 53)))": "TIN",
    "POLYHEDRALSURFACE (((9 53, 9 54, 10 53, 9 53)))": "PolyhedralSurface",
    "TRIANGLE ((9 53, 9 54, 10 53, 9 53))": "Triangle",
}


@pytest.mark.parametrize("wkt", CURVES, ids=CURVES.values())
def test_a_curve_is_told_by_row(wkt: str, tmp_path: Path) -> None:
    """As text in a table: each row that cannot be used says so, and which it is."""
    study = write_small_study(tmp_path / "study")
    (study / "hazards.csv").write_text(
        f'id,kind,geometry\nH1,flood,POINT (9 54)\nH2,flood,"{wkt}"\n'
    )
    layer = '[[layer]]\nrole = "hazards"\nsource = "hazards.csv"\ncrs = "EPSG:4326"\n'
    _named(study, layer, instead="hazards.csv")
    gaps = [gap for gap in wa.read_study(study).gaps if gap.code == "unusable-geometry"]
    assert [(gap.file, gap.row) for gap in gaps] == [("hazards.csv", 3)]


@pytest.mark.filterwarnings("ignore:geometry column type")
def test_curves_of_a_package_are_straightened_with_a_note(tmp_path: Path) -> None:
    """The first segment bends by 10 m at its middle: an arc instead of a line, for both readers."""
    study = write_small_study(tmp_path / "study")
    lines = gpd.read_file(study / "segments.geojson").to_crs("EPSG:25832")
    (study / "segments.geojson").unlink()
    one = lines.geometry.iloc[0]
    ends = [shapely.Point(one.coords[at]) for at in (0, -1)]
    top = shapely.Point(one.centroid.x + 10, one.centroid.y)
    lines.loc[0, "geometry"] = shapely.LineString([ends[0], top, ends[1]])
    lines.to_file(study / "lines.gpkg", layer="segments", engine="pyogrio")
    with closing(sqlite3.connect(study / "lines.gpkg")) as base:
        for (name,) in base.execute(
            "SELECT name FROM sqlite_master WHERE type='trigger'"
        ).fetchall():
            base.execute(f'DROP TRIGGER "{name}"')
        (blob,) = base.execute("SELECT geom FROM segments WHERE fid = 1").fetchone()
        at = blob.index(struct.pack("<BI", 1, 2))
        curve = blob[:at] + struct.pack("<BI", 1, 8) + blob[at + 5 :]
        base.execute("UPDATE segments SET geom = ? WHERE fid = 1", (curve,))
        base.execute("UPDATE gpkg_geometry_columns SET geometry_type_name = 'GEOMETRY'")
        base.commit()
    layer = '[[layer]]\nrole = "segments"\nsource = "lines.gpkg"\n'
    _named(study, layer, instead="segments.geojson")
    read = wa.read_study(study)
    assert any("lines.gpkg" in note and "holds curves" in note for note in read.notes)
    table = read.tables["segments"].set_index("id")
    assert len(table.loc[lines["id"].iloc[0], "geometry"].coords) > 3
    evidence = tmp_path / "e.json"
    evidence.write_text(json.dumps(wa.prove(read).facts()), encoding="utf-8")
    assert recheck(study, evidence)["false"] == []


def test_declared_points_take_no_memory(tmp_path: Path) -> None:
    """A line of a hundred million points that a file of a few kB says it holds."""
    study = write_small_study(tmp_path / "study")
    package = _into_package(study)
    head = struct.pack("<BI", 1, 2) + struct.pack("<I", 100_000_000)
    with sqlite3.connect(package) as base:
        base.execute("DROP TRIGGER IF EXISTS rtree_structures_geom_update6")
        names = [n for (n,) in base.execute("SELECT name FROM sqlite_master WHERE type='trigger'")]
        for name in names:
            base.execute(f'DROP TRIGGER "{name}"')
        blob = b"GP\x00\x01" + struct.pack("<i", 4326) + head + b"\x00" * 32
        base.execute("UPDATE structures SET geom = ? WHERE fid = 1", (blob,))
    run = outcome(["check", str(_of_package(study, ""))], seconds=10)
    assert run.exit_code in (2, 3)
    assert "plant.gpkg" in run.said


@pytest.mark.parametrize("name", ["cables.csv", "structures.geojson"])
def test_a_file_that_changes_while_it_is_read(
    name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What was read is not what its hash is of: told, in prove and in recheck."""
    from waysapart import input_files

    study = write_small_study(tmp_path / "study")
    facts = tmp_path / "facts.json"
    facts.write_text(json.dumps(wa.prove(wa.read_study(study)).facts()))
    real = input_files.sha256

    def then_replaced(path: Path) -> str:
        found = real(path)
        if path.name == name:
            other = path.with_name("other")
            other.write_bytes(path.read_bytes())
            other.replace(path)
        return found

    monkeypatch.setattr(input_files, "sha256", then_replaced)
    with pytest.raises(StudyError, match=f"{name}.* has changed while it was read"):
        wa.read_study(study)
    with pytest.raises(StudyError, match=f"{name} has changed while it was read"):
        recheck(study, facts)


def test_every_file_of_a_shapefile_is_hashed(tmp_path: Path) -> None:
    """Indices of attributes decide what a filter keeps; ends in capitals are the same ends."""
    study = write_small_study(tmp_path / "study")
    shape = gpd.GeoDataFrame({"id": ["H1"], "kind": ["flood"]}, geometry=[shapely.Point(9, 54)])
    shape.set_crs(4326).to_file(study / "FLOOD.shp")
    (study / "FLOOD.dbf").rename(study / "FLOOD.DBF")
    (study / "FLOOD.idm").write_bytes(b"")
    _named(study, '[[layer]]\nrole = "hazards"\nsource = "FLOOD.shp"\n')
    told = {one.file for one in wa.read_study(study).inputs}
    assert {"FLOOD.shp", "FLOOD.DBF", "FLOOD.shx", "FLOOD.prj", "FLOOD.cpg", "FLOOD.idm"} <= told


def test_pages_that_sqlite_holds_back(tmp_path: Path) -> None:
    """Reading would write them into the file, and sources are only ever read."""
    study = write_small_study(tmp_path / "study")
    package = _into_package(study)
    with closing(sqlite3.connect(package)) as base:
        base.execute("PRAGMA journal_mode = WAL")
        base.execute("PRAGMA wal_autocheckpoint = 0")
        base.execute("CREATE TABLE more (id TEXT)")
        base.commit()
        for end in ("", "-wal"):  # as they lie there when the writer has lost its power
            shutil.copy(f"{package}{end}", f"{study / 'copy.gpkg'}{end}")
    layer = '[[layer]]\nrole = "structures"\nsource = "copy.gpkg"\nlayer = "structures"\n'
    _named(study, layer, instead="structures.geojson")
    before = (study / "copy.gpkg").read_bytes()
    assert "not yet written into it (copy.gpkg-wal)" in _told(study, tmp_path)
    assert (study / "copy.gpkg").read_bytes() == before


def test_geojson_by_lines(tmp_path: Path) -> None:
    """Whatever the end of its name."""
    study = write_small_study(tmp_path / "study")
    features = json.loads((study / "structures.geojson").read_text())["features"]
    lines = "\n".join(json.dumps(one) for one in features)
    for name in ("plant.geojsonl", "structures.geojson"):
        (study / name).write_text(lines)
    (study / "structures.geojson").rename(study / "lines.json")
    for name in ("plant.geojsonl", "lines.json"):
        folder = write_small_study(tmp_path / name)
        (folder / name).write_text(lines)
        layer = f'[[layer]]\nrole = "structures"\nsource = "{name}"\n'
        _named(folder, layer, instead="structures.geojson")
        assert wa.prove(wa.read_study(folder)).counts()["apart"] == 1


def test_a_damaged_projection_is_told(tmp_path: Path) -> None:
    """Found by the fuzzer: a Shapefile whose .prj GDAL makes nothing of, for both readers."""
    study = write_small_study(tmp_path / "study")
    frame = gpd.read_file(study / "structures.geojson").to_crs("EPSG:25832")
    frame.to_file(study / "structures.shp")
    (study / "structures.geojson").unlink()
    evidence = tmp_path / "e.json"
    evidence.write_text(json.dumps(wa.prove(wa.read_study(study)).facts()), encoding="utf-8")
    data = (study / "structures.prj").read_bytes()
    assert b'"Greenwich' in data
    (study / "structures.prj").write_bytes(data.replace(b'"Greenwich', b'"\xff\xfeGreenwich'))
    run = outcome(["check", str(study)])
    assert run.exit_code == 2
    assert "structures.shp" in run.said
    assert "coordinate system" in run.said
    run = outcome(["recheck", str(study), str(evidence)])
    assert run.exit_code == 2
    assert "coordinate system" in run.said

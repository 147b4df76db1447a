"""What is written is read back the same, in every format; a blank study is sound."""

from __future__ import annotations

import csv
import re
import tomllib
from dataclasses import replace
from pathlib import Path

import geopandas as gpd
import pandas as pd
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from small_study import CRS_NAME, X0, Y0, name_layers, write_small_study
from study_formats import FORMATS, Format, write_study
from waysapart.errors import CallError
from waysapart.recheck.records import _csv_rows
from waysapart.reroute.proposal_rows import Draft, write_drafts
from waysapart.schema import ROLES, csv_meant, csv_safe
from waysapart.study.blank import write_blank
from waysapart.study.model import Study
from waysapart.study.read import read_study
from waysapart.study.write import study_texts


def rich_study(folder: Path) -> Study:
    """The small study with what makes writing hard: long column names, lists, extra columns,
    sites drawn as points and as polygons, cables with and without geometry, a long text in
    another script, layers of different accuracy, rules."""
    write_small_study(folder)
    polygon = shapely.box(X0 + 3950, Y0 - 50, X0 + 4100, Y0 + 60)
    gpd.GeoDataFrame(
        {"id": ["YARD"], "name": ["Höft, „Umspannwerk“; yard"], "accuracy_m": [0.25], "OWNER": "x"},
        geometry=[polygon],
        crs=CRS_NAME,
    ).to_file(folder / "sites.gpkg")
    gpd.GeoDataFrame(
        {
            "id": ["C3"],
            "fibre_type": ["G.655"],
            "fibre_count": [12],
            "kind": ["wrapped"],
            "carried_by": ["C1"],
            "overlength_pct": [1.25],
            "wrap_pitch_m": [1.1],
            "wrap_diameter_mm": [17.3],
        },
        geometry=[shapely.LineString([(X0, Y0), (X0 + 1000, Y0 + 200)])],
        crs="EPSG:31467",
    ).set_geometry(
        gpd.GeoSeries([shapely.LineString([(X0, Y0), (X0 + 1000, Y0 + 200)])], crs=CRS_NAME).to_crs(
            "EPSG:31467"
        )
    ).to_file(folder / "cables.gpkg")
    (folder / "measurements.csv").write_text("cable,date,loss_db\nC1,2026-03-01,1.5\n")
    (folder / "rules.toml").write_text(
        '[services.default]\nseparation_m = { "span/span" = 40 }\n'
        '[fibres."G.652.D"]\ndb_per_km = { 1550 = 0.19 }\n'
        '[[waiver]]\ncircuit = "K1"\nasset = "P2"\nreason = "a \\"b\\""\nby = "role"\n'
        "until = 2027-06-30\n"
    )
    with (folder / "study.toml").open("a") as stream:
        stream.write('out = ["S4"]\nsnap_m = 1.5\n')
    name_layers(folder)
    return read_study(folder)


@pytest.mark.parametrize("fmt", FORMATS)
def test_what_is_written_is_read_back_the_same(tmp_path: Path, fmt: Format) -> None:
    """All but where a row came from; GeoJSON goes by way of degrees, so that its places come
    back to a micrometre."""
    before = rich_study(tmp_path / "rich")
    assert write_study(before, tmp_path / fmt, fmt).is_file()
    after = read_study(tmp_path / fmt)
    for name in ROLES:
        hidden = ["_layer", "_row", "geometry"]
        one = pd.DataFrame(before.tables[name]).drop(columns=hidden, errors="ignore")
        two = pd.DataFrame(after.tables[name]).drop(columns=hidden, errors="ignore")
        pd.testing.assert_frame_equal(one, two, check_exact=fmt != "shp", rtol=1e-12)
        if ROLES[name].geometry:
            shapes = [
                shapely.normalize(s.tables[name].geometry.to_numpy()) for s in (before, after)
            ]
            assert (
                shapely.equals_exact(*shapes, tolerance=1e-6).sum()
                == (~shapely.is_missing(shapes[0])).sum()
            )
        accuracy = [
            [study.layers[number].accuracy_m for number in study.tables[name]["_layer"]]
            for study in (before, after)
        ]
        assert accuracy[0] == accuracy[1]
    assert after.rules == before.rules
    assert after.rules.assumptions() == before.rules.assumptions()
    assert (after.name, after.revision, after.out, after.snap_m) == (
        before.name,
        before.revision,
        before.out,
        before.snap_m,
    )
    assert after.crs == before.crs


def test_ten_letter_names_of_a_shapefile_are_mapped_back(tmp_path: Path) -> None:
    write_study(rich_study(tmp_path / "rich"), tmp_path / "shp", "shp")
    fields = set(gpd.read_file(tmp_path / "shp" / "cables_2.shp").columns)
    assert {"overlength", "wrap_pitch", "wrap_diame"} <= fields
    toml = (tmp_path / "shp" / "study.toml").read_text()
    assert 'overlength_pct = "overlength"' in toml


HOSTILE = [
    '"]\nrules = "other.toml"',
    "back\\slash \\u0041 'single'",
    "tab\t return\r\n delete\x7f nought\x00 escape\x1b[2J",
    "[[layer]]\n# no comment",
    "\u202eright to left, line separator\u2028, \U0001f50c",
]


@pytest.mark.parametrize("text", HOSTILE)
def test_a_hostile_text_stays_one_text_in_study_toml(text: str, tmp_path: Path) -> None:
    """In the name, the revision, the files and columns of layers, and in no other key."""
    study = read_study(write_small_study(tmp_path / "small"))
    study = replace(study, name=text, revision=text, out=(text, text))
    layers = [{"role": "sites", "source": text, "columns": {text: text, "id": "a b"}}] * 2
    (written,) = study_texts(study, layers).values()
    assert tomllib.loads(written) == {
        "name": text,
        "revision": text,
        "crs": "EPSG:25832",
        "snap_m": study.snap_m,
        "out": [text, text],
        "layer": layers,
    }


def test_a_blank_study_is_sound_and_complete(tmp_path: Path) -> None:
    paths = write_blank(tmp_path / "new")
    assert all(path.is_file() for path in paths)
    study = read_study(tmp_path / "new")
    assert study.name == "new"
    assert study.notes == ()
    assert {layer.role for layer in study.layers} == set(ROLES)
    for frame in study.tables.values():
        assert len(frame) == 0


def test_a_blank_study_takes_rows(tmp_path: Path) -> None:
    write_blank(tmp_path / "new", crs=CRS_NAME)
    frame = gpd.read_file(tmp_path / "new" / "study.gpkg", layer="structures")
    assert frame.crs == CRS_NAME
    assert set(ROLES["structures"].column) <= set(frame)
    row = gpd.GeoDataFrame(
        {"id": ["P1"], "kind": ["pit"]}, geometry=[shapely.Point(X0, Y0)], crs=CRS_NAME
    )
    row.to_file(tmp_path / "new" / "study.gpkg", layer="structures", mode="a")
    assert read_study(tmp_path / "new").tables["structures"]["id"].tolist() == ["P1"]


def test_blank_overwrites_nothing(tmp_path: Path) -> None:
    (tmp_path / "circuits.csv").write_text("mine\n")
    with pytest.raises(CallError, match=r"circuits.csv.*nothing was written"):
        write_blank(tmp_path)
    assert [path.name for path in tmp_path.iterdir()] == ["circuits.csv"]


FORMULAS = list("=+-@＝＋－＠';\t\r\n 1a\"")


@settings(derandomize=True, deadline=None)
@given(st.text(st.sampled_from(FORMULAS)) | st.text())
def test_a_text_marked_against_spreadsheets_comes_back(text: str) -> None:
    """And no part of it that a spreadsheet may take for a cell begins like a formula."""
    safe = csv_safe(text)
    assert csv_meant(safe) == text
    for part in [safe, *re.split(r"[;\t\r\n]", safe)]:
        bare = part.lstrip(" \t\r\n")
        number = re.fullmatch(r"[+-]?[0-9]+(\.[0-9]+)?([eE][+-]?[0-9]+)?", part)
        assert bare[:1] not in set("=+-@＝＋－＠") or bare == "" or part == "-" or number


HOSTILE_IDS = ["=1+1", "'=1", "''=x", "+A1", "-B", "@SUM(1)", "＝2", "'a", "x,=1", '"=1']


def hostile_study(folder: Path) -> Study:
    """The small study with an extra column named like a formula and ids that begin like one."""
    study = read_study(write_small_study(folder))
    cables = study.tables["cables"]
    ids = dict(zip(cables["id"], [f"{HOSTILE_IDS[k]}{k}" for k in range(len(cables))], strict=True))
    more = pd.DataFrame(cables.iloc[:1].reindex([0] * len(HOSTILE_IDS)))
    more = more.assign(id=HOSTILE_IDS, carried_by=None)
    tables = {
        **study.tables,
        "cables": pd.concat([cables.assign(id=cables["id"].map(ids)), more], ignore_index=True),
        "cable_runs": study.tables["cable_runs"].assign(
            cable=study.tables["cable_runs"]["cable"].map(ids)
        ),
        "link_runs": study.tables["link_runs"].assign(
            cable=study.tables["link_runs"]["cable"].map(ids)
        ),
    }
    count = len(tables["cables"])
    extra = {"=cmd": "-x", "'+b": "=2", "n": [-1.5] * count, "@t": " =lead\r\nb"}
    tables["cables"] = tables["cables"].assign(**extra)
    return replace(study, tables=tables)


def test_ids_that_begin_like_formulas_go_through_csv(tmp_path: Path) -> None:
    """Ids, extra columns and their names come back; no cell is a formula; numbers stay."""
    study = hostile_study(tmp_path / "study")
    write_study(study, tmp_path / "csv", "csv")
    back = read_study(tmp_path / "csv")
    for role in ("cables", "cable_runs", "link_runs"):
        for column in study.tables[role].columns:
            if column in ("id", "cable", "=cmd", "'+b", "@t"):
                wanted = study.tables[role][column].tolist()
                assert sorted(back.tables[role][column]) == sorted(wanted), column
    assert set(back.tables["cables"]["n"]) == {"-1.5"}
    for path in (tmp_path / "csv").glob("*.csv"):
        with path.open(encoding="utf-8", newline="") as file:
            for row in csv.reader(file):
                for cell in row:
                    number = re.fullmatch(r"-?[0-9.]+(e-?[0-9]+)?", cell)
                    assert not cell.startswith(tuple("=+-@\t\r＝")) or number or cell == "-", cell


def test_recheck_reads_marked_cells_as_the_prover_does(tmp_path: Path) -> None:
    study = hostile_study(tmp_path / "study")
    write_study(study, tmp_path / "csv", "csv")
    (rows,) = [_csv_rows(path) for path in (tmp_path / "csv").glob("cables.csv")]
    assert {row["id"] for row in rows} == set(study.tables["cables"]["id"])
    assert {(row["=cmd"], row["'+b"], row["n"]) for row in rows} == {("-x", "=2", "-1.5")}


def test_what_a_person_wrote_without_marks_is_read_as_it_stands(tmp_path: Path) -> None:
    """`=1+1` in a file of another program is the id `=1+1`; so is `'=1+1`, marked."""
    write_small_study(tmp_path)
    with (tmp_path / "cables.csv").open("a", encoding="utf-8") as file:
        file.write("=1+1,G.652.D,24,,\n'=1+2,G.652.D,24,,\n'x,G.652.D,24,,\n")
    ids = set(read_study(tmp_path).tables["cables"]["id"])
    assert {"=1+1", "=1+2", "'x"} <= ids


def test_a_proposal_of_reroute_holds_no_formula(tmp_path: Path) -> None:
    study = read_study(write_small_study(tmp_path / "study"))
    rows = {"cables": [{"id": "=1+1", "kind": "@x", "fibre_count": -3}]}
    write_drafts(study, [(Draft(rows=rows), tmp_path / "draft", "")])
    text = (tmp_path / "draft" / "cables.csv").read_text()
    assert text == "id,kind,fibre_count\n'=1+1,'@x,-3\n"

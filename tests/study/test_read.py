"""Reading: which files are taken, what becomes of their rows, columns and values."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely

from small_study import CRS_NAME, X0, Y0, name_layers, write_small_study
from waysapart.errors import StudyError
from waysapart.schema import ROLES
from waysapart.study import sources
from waysapart.study.model import Study
from waysapart.study.read import read_study


def layer(folder: Path, toml: str) -> None:
    """Name in study.toml every file that is there, and one more layer as given."""
    names = sorted(path.name for path in folder.iterdir() if path.suffix in {".csv", ".geojson"})
    text = "".join(
        f'[[layer]]\nrole = "{name.split(".")[0]}"\nsource = "{name}"\n'
        for name in names
        if f'"{name}"' not in toml
    )
    with (folder / "study.toml").open("a", encoding="utf-8") as stream:
        stream.write(text + toml)


def pits(folder: Path, **columns: object) -> gpd.GeoDataFrame:
    """Three pits, a hundred metres apart, in the working CRS."""
    frame = gpd.GeoDataFrame(
        {"id": ["P7", "P8", "P9"], "kind": ["pit", "pit", "pole"], **columns},
        geometry=shapely.points(X0 + np.array([700, 800, 900]), np.full(3, Y0 - 400)),
        crs=CRS_NAME,
    )
    return frame


def rows_of(study: Study, role: str, *columns: str) -> list[tuple[object, ...]]:
    return list(study.tables[role][list(columns)].itertuples(index=False, name=None))


# The study as a whole


def test_every_role_is_there_with_every_column_typed(tmp_path: Path) -> None:
    study = read_study(write_small_study(tmp_path))
    assert list(study.tables) == list(ROLES)
    for name, role in ROLES.items():
        frame = study.tables[name]
        assert list(frame)[: len(role.columns)] == list(role.column)
        assert list(frame)[-2:] == ["_layer", "_row"]
        assert ("geometry" in frame) == bool(role.geometry)
        assert isinstance(frame, gpd.GeoDataFrame) == bool(role.geometry)
        for column in role.columns:
            kind = frame[column.name].dtype
            expected = {"number": "float64", "count": "float64", "date": "datetime64[ns]"}
            assert str(kind) == expected.get(column.type, "str"), (name, column.name)


def test_rows_come_in_the_order_of_their_key_and_know_their_place(tmp_path: Path) -> None:
    study = read_study(write_small_study(tmp_path))
    assert rows_of(study, "segments", "id", "_row")[:5] == [
        ("D1", 5),
        ("D2", 6),
        ("D3", 7),
        ("D4", 8),
        ("S1", 1),
    ]
    assert rows_of(study, "cable_runs", "cable", "seq", "_row")[:2] == [("C1", 1, 2), ("C1", 2, 3)]
    of_runs = study.layers[int(study.tables["cable_runs"]["_layer"].iloc[0])]
    assert (of_runs.role, of_runs.file, of_runs.layer) == ("cable_runs", "cable_runs.csv", None)


def test_tables_are_in_degrees_and_say_so(tmp_path: Path) -> None:
    """P1 to P2 was drawn 2000 m long on the grid that the study shows, which has a scale of 0.9996.

    In the study's plane, whose scale is 1 in the middle of the plant, it is as long as on Earth.
    """
    study = read_study(write_small_study(tmp_path))
    segments = study.tables["segments"].set_index("id")
    assert study.crs.to_epsg() == 25832
    assert segments.crs.to_epsg() == 4326
    assert segments.geometry.to_crs(study.crs)["D2"].length == pytest.approx(2000, abs=1e-3)
    (line,) = study.geometries("segments")[(study.tables["segments"]["id"] == "D2").to_numpy()]
    assert line.length == pytest.approx(2000 / 0.9996, abs=0.02)


def test_order_of_the_source_means_nothing(tmp_path: Path) -> None:
    folder = write_small_study(tmp_path)
    before = read_study(folder)
    path = folder / "cable_runs.csv"
    header, *lines = path.read_text().splitlines()
    path.write_text("\n".join([header, *reversed(lines)]) + "\n")
    after = read_study(folder)
    drop = ["_row"]
    pd.testing.assert_frame_equal(
        before.tables["cable_runs"].drop(columns=drop),
        after.tables["cable_runs"].drop(columns=drop),
    )


def test_every_file_is_an_input_with_its_sha256(tmp_path: Path) -> None:
    folder = write_small_study(tmp_path)
    (folder / "rules.toml").write_text("[services.default]\nend_zone_m = 60\n")
    pits(folder).to_file(folder / "structures.shp")
    name_layers(folder)
    study = read_study(folder)
    found = {one.file: one.sha256 for one in study.inputs}
    assert set(found) == {path.name for path in folder.iterdir()}
    for name, digest in found.items():
        assert digest == hashlib.sha256((folder / name).read_bytes()).hexdigest()


# Which files


def test_a_folder_without_study_toml_works_by_role_names(tmp_path: Path) -> None:
    folder = write_small_study(tmp_path / "dunes")
    (folder / "study.toml").unlink()
    study = read_study(folder)
    assert study.name == "dunes"
    assert study.crs.to_epsg() == 32632  # the UTM zone of 9 to 9.1 degrees east


def test_a_study_is_named_by_its_toml_too(tmp_path: Path) -> None:
    folder = write_small_study(tmp_path)
    (folder / "study.toml").rename(folder / "winter.toml")
    study = read_study(folder / "winter.toml")
    assert (study.name, study.revision) == ("Small estuary", "A")


def test_no_study_at_all(tmp_path: Path) -> None:
    for path in (tmp_path, tmp_path / "none"):
        with pytest.raises(StudyError) as raised:
            read_study(path)
        assert raised.value.problems[0].file in {"study.toml", "none"}


# Formats and rows as their owner counts them


@pytest.mark.parametrize("suffix", ["gpkg", "fgb", "shp", "geojson", "parquet"])
def test_rows_are_counted_as_the_owner_sees_them_filtered_or_not(
    tmp_path: Path, suffix: str
) -> None:
    """GeoPackage: feature id, from 1 on as GDAL writes it; others: place, from 1 on."""
    folder = write_small_study(tmp_path)
    frame = pits(folder)
    name = f"plant.{suffix}"
    if suffix == "parquet":
        frame.to_parquet(folder / name)
    elif suffix == "fgb":
        frame.to_file(folder / name, layer_options={"SPATIAL_INDEX": "NO"})
    else:
        frame.to_file(folder / name)
    layer(folder, f'[[layer]]\nrole = "structures"\nsource = "{name}"\nwhere = "id > \'P7\'"\n')
    study = read_study(folder)
    assert rows_of(study, "structures", "id", "_row")[-5:] == [
        ("P8", 2),
        ("P9", 3),
        ("T1", 1),
        ("T2", 2),
        ("T3", 3),
    ]


def test_filters_of_csv_compare_numbers_as_numbers(tmp_path: Path) -> None:
    """As text '9' would be more than '10'."""
    folder = write_small_study(tmp_path)
    (folder / "spare.csv").write_text("id,kind,size\nX1,room,9\nX2,room,10\nX3,rack,11\n")
    layer(
        folder,
        '[[layer]]\nrole = "holders"\nsource = "spare.csv"\n'
        "where = \"size > 9 AND kind = 'room'\"\n",
    )
    study = read_study(folder)
    assert [row for row in rows_of(study, "holders", "id", "_row") if row[0][0] == "X"] == [
        ("X2", 3)
    ]


def test_geoparquet_without_its_extra_says_what_to_install(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = write_small_study(tmp_path)
    pits(folder).to_parquet(folder / "structures.parquet")
    name_layers(folder)
    monkeypatch.setattr(sources, "find_spec", lambda _name: None)
    with pytest.raises(StudyError, match=r"waysapart\[parquet\]"):
        read_study(folder)


@pytest.mark.parametrize("suffix", ["gpkg", "geojson", "parquet"])
def test_a_filter_that_cannot_be_used_is_told(tmp_path: Path, suffix: str) -> None:
    folder = write_small_study(tmp_path)
    name = f"plant.{suffix}"
    pits(folder).to_parquet(folder / name) if suffix == "parquet" else pits(folder).to_file(
        folder / name
    )
    layer(folder, f'[[layer]]\nrole = "structures"\nsource = "{name}"\nwhere = "colour = 1"\n')
    with pytest.raises(StudyError, match="colour = 1") as raised:
        read_study(folder)
    assert raised.value.problems[0].file == name


def csv_study(tmp_path: Path, content: bytes) -> Study:
    folder = write_small_study(tmp_path)
    (folder / "hazards.csv").write_bytes(content)
    (folder / "study.toml").write_text(
        (folder / "study.toml").read_text(encoding="utf-8"), encoding="utf-8"
    )
    return read_study(folder)


@pytest.mark.parametrize("delimiter", [",", ";", "\t"])
def test_delimiters_and_byte_order_mark(tmp_path: Path, delimiter: str) -> None:
    lines = ["id,kind,name,lon,lat", "H1,flood,Spring tide,9.01,53.97"]
    content = "\ufeff" + "\r\n".join(lines).replace(",", delimiter) + "\r\n"
    study = csv_study(tmp_path, content.encode("utf-8"))
    assert rows_of(study, "hazards", "id", "name") == [("H1", "Spring tide")]
    assert study.notes == ()


def test_text_that_is_not_utf8_is_read_with_a_note(tmp_path: Path) -> None:
    content = "id,kind,name,lon,lat\nH1,flood,Süderhöft – tide,9.01,53.97\n"
    study = csv_study(tmp_path, content.encode("cp1252"))
    assert rows_of(study, "hazards", "name") == [("Süderhöft – tide",)]
    assert study.notes == ("hazards.csv is not UTF-8; read as Windows-1252",)


def test_lines_are_counted_through_blank_lines_and_quoted_line_ends(tmp_path: Path) -> None:
    """Line 1 blank, 2 header, 3 and 4 one row, 5 blank, 6 a row, 7 separators only, 8 a row."""
    content = (
        "\n"
        "id,kind,name,lon,lat\n"
        'H1,flood,"Spring\ntide",9.01,53.97\n'
        "\n"
        "H2,flood,5 m,9.02,53.97\n"
        ",,,,\n"
        'H3,slip,"a ""b"", c",9.03,53.97\n'
    )
    study = csv_study(tmp_path, content.encode())
    assert rows_of(study, "hazards", "id", "name", "_row") == [
        ("H1", "Spring\ntide", 3),
        ("H2", "5 m", 6),
        ("H3", 'a "b", c', 8),
    ]


def test_an_inch_mark_is_no_quote(tmp_path: Path) -> None:
    content = 'id,kind,name,lon,lat\nH1,flood,4" pipe,9.01,53.97\nH2,flood,6" pipe,9.02,53.97\n'
    study = csv_study(tmp_path, content.encode())
    assert rows_of(study, "hazards", "name", "_row") == [('4" pipe', 2), ('6" pipe', 3)]


def test_geometry_of_csv_from_wkt_and_from_x_and_y(tmp_path: Path) -> None:
    folder = write_small_study(tmp_path)
    (folder / "wkt.csv").write_text(
        f'id,kind,WKT\nH1,slip,"LINESTRING ({X0} {Y0}, {X0} {Y0 + 9})"\n'
    )
    (folder / "xy.csv").write_text(f"id,kind,E,N\nH2,slip,{X0 + 1},{Y0 + 2}\n")
    layer(
        folder,
        '[[layer]]\nrole = "hazards"\nsource = "wkt.csv"\ncrs = "EPSG:25832"\n'
        'columns = { geometry = "WKT" }\n'
        '[[layer]]\nrole = "hazards"\nsource = "xy.csv"\ncrs = "EPSG:25832"\n'
        'columns = { x = "E", y = "N" }\n',
    )
    hazards = read_study(folder).tables["hazards"]
    drawn = hazards.geometry.to_crs(CRS_NAME)
    assert drawn.to_wkt(rounding_precision=3, trim=True).tolist() == [
        f"LINESTRING ({X0:.0f} {Y0:.0f}, {X0:.0f} {Y0 + 9:.0f})",
        f"POINT ({X0 + 1:.0f} {Y0 + 2:.0f})",
    ]
    assert list(hazards)[-3:] == ["geometry", "_layer", "_row"]


# Columns and values


def test_columns_values_units_prefix_and_refers(tmp_path: Path) -> None:
    """100 ft are 30.48 m (the international foot is 0.3048 m exactly); ids get D-, as do the
    ids in `within` alone, and '-' stays."""
    folder = write_small_study(tmp_path)
    line = shapely.LineString([(X0, Y0 - 500), (X0 + 30, Y0 - 500)])
    gpd.GeoDataFrame(
        {"NO": [17, 18], "LEN": [100.0, None], "IN": ["18", "-"], "DEPTH": ["0.9", "1.1"]},
        geometry=[line, line],
        crs=CRS_NAME,
    ).to_file(folder / "plant.gpkg", layer="ducts")
    layer(
        folder,
        '[[layer]]\nrole = "segments"\nsource = "plant.gpkg"\nlayer = "ducts"\n'
        'columns = { id = "NO", name = "NO", length_m = "LEN", within = "IN" }\n'
        'values = { kind = "duct", accuracy_m = 2 }\nunits = { length_m = "ft" }\n'
        'prefix = "D-"\nrefers = ["within"]\n',
    )
    study = read_study(folder)
    found = study.tables["segments"].set_index("id").loc[["D-17", "D-18"]]
    assert found["name"].tolist() == ["17", "18"]
    assert found["kind"].tolist() == ["duct", "duct"]
    assert found["accuracy_m"].tolist() == [2, 2]
    assert found["length_m"].iloc[0] == pytest.approx(30.48)
    assert np.isnan(found["length_m"].iloc[1])
    assert found["within"].tolist() == ["D-18", "-"]
    assert found["DEPTH"].tolist() == ["0.9", "1.1"]
    of = study.layers[int(found["_layer"].iloc[0])]
    assert (of.file, of.layer, of.their_columns["id"]) == ("plant.gpkg", "ducts", "NO")


@pytest.mark.parametrize("ids", [[17, 18], [17.0, 18.0], ["17", " 18 "], ["17", "18\u00a0"]])
def test_ids_are_text_whatever_the_source_holds(tmp_path: Path, ids: list[object]) -> None:
    folder = write_small_study(tmp_path)
    frame = pits(folder).iloc[:2].assign(id=ids)
    frame.to_file(folder / "structures.gpkg")
    name_layers(folder)
    assert {"17", "18"} <= set(read_study(folder).tables["structures"]["id"])


def test_numbers_as_text_are_numbers(tmp_path: Path) -> None:
    folder = write_small_study(tmp_path)
    pits(folder, accuracy_m=[" 12.5", "1e1", None]).to_file(folder / "structures.gpkg")
    name_layers(folder)
    found = read_study(folder).tables["structures"].set_index("id")["accuracy_m"]
    assert found[["P7", "P8"]].tolist() == [12.5, 10.0]
    assert np.isnan(found["P9"])


def test_lists_are_tidied(tmp_path: Path) -> None:
    folder = write_small_study(tmp_path)
    (folder / "joints.csv").write_text("id,at,cables\nJ1,P2, C1 ; C2;;\nJ2,P2,;\n")
    assert rows_of(read_study(folder), "joints", "id", "cables")[0] == ("J1", "C1;C2")
    assert read_study(folder).tables["joints"]["cables"].isna().tolist() == [False, True]


def test_lists_of_a_geojson_are_lists(tmp_path: Path) -> None:
    folder = write_small_study(tmp_path)
    path = folder / "sites.geojson"
    sites = json.loads(path.read_text())
    sites["features"][0]["properties"]["within"] = ["TR1", "CH-M"]
    sites["features"][1]["properties"]["within"] = ["CH-M"]
    path.write_text(json.dumps(sites))
    found = read_study(folder).tables["sites"].set_index("id")["within"]
    assert found.to_dict() == {"WS": "TR1;CH-M", "MP": "CH-M"}


def test_fibre_numbers_lose_leading_zeros_only(tmp_path: Path) -> None:
    folder = write_small_study(tmp_path)
    path = folder / "link_runs.csv"
    path.write_text(path.read_text().replace("L1,1,C1,1;2", "L1,1,C1,01; 20"))
    assert rows_of(read_study(folder), "link_runs", "fibres") == [("1;20",), ("1;2",)]


def test_dates(tmp_path: Path) -> None:
    folder = write_small_study(tmp_path)
    (folder / "measurements.csv").write_text(
        "cable,date,loss_db\nC1,2026-03-01,1\nC1,2026-03-02T10:00:00+02:00,1\nC1,,1\n"
    )
    found = read_study(folder).tables["measurements"].sort_values("_row")["date"]
    assert found.tolist()[:2] == [
        pd.Timestamp("2026-03-01"),
        pd.Timestamp("2026-03-02T08:00:00"),
    ]
    assert pd.isna(found.tolist()[2])


def test_known_kinds_are_lower_case_and_other_words_are_kept(tmp_path: Path) -> None:
    folder = write_small_study(tmp_path)
    frame = pits(folder).assign(kind=["PIT", "Sinkhole", "Pole"])
    frame.to_file(folder / "structures.gpkg")
    name_layers(folder)
    found = read_study(folder).tables["structures"].set_index("id")["kind"]
    assert found[["P7", "P8", "P9"]].tolist() == ["pit", "Sinkhole", "pole"]


def test_notes_on_what_is_easily_overlooked(tmp_path: Path) -> None:
    """An unknown kind of segment, ids that differ in case, ids with a Cyrillic letter or a
    zero-width space, a column that nearly has one of our names: read, with a note on each."""
    folder = write_small_study(tmp_path)
    frame = pits(folder).assign(id=["p1", "Р2", "P3\u200b"], WITHIN=["-", "-", "-"])
    frame.to_file(folder / "structures.gpkg")
    name_layers(folder)
    path = folder / "segments.geojson"
    path.write_text(path.read_text().replace('"kind": "duct"', '"kind": "ductbank"', 1))
    notes = "\n".join(read_study(folder).notes)
    assert "kind 'ductbank'" in notes
    assert "differ in case only: P1, p1" in notes
    assert "look alike and are not: P2, Р2 (\\u04202)" in notes
    assert "P3\\u200b) holds a character that cannot be seen" in notes
    assert "the column 'WITHIN' is not used" in notes


def test_a_column_of_theirs_under_our_name_does_not_hide_the_mapped_one(tmp_path: Path) -> None:
    folder = write_small_study(tmp_path)
    frame = pits(folder, asset=["A7", "A8", "A9"])
    frame.to_file(folder / "plant.gpkg")
    layer(
        folder,
        '[[layer]]\nrole = "structures"\nsource = "plant.gpkg"\ncolumns = { id = "asset" }\n',
    )
    found = read_study(folder).tables["structures"].set_index("id")
    assert found.loc["A7", "id (unused)"] == "P7"


# Geometry


def one_more_segment(folder: Path, shape: shapely.Geometry) -> None:
    """A duct D9 in a layer of its own beside the small study's segments."""
    gpd.GeoDataFrame({"id": ["D9"], "kind": ["duct"]}, geometry=[shape], crs=CRS_NAME).to_file(
        folder / "more.gpkg"
    )
    name_layers(folder)
    with (folder / "study.toml").open("a") as toml:
        toml.write('[[layer]]\nrole = "segments"\nsource = "more.gpkg"\n')


def parts(*lines: list[tuple[float, ...]]) -> shapely.MultiLineString:
    """Lines given in metres from a place by the estuary."""
    return shapely.MultiLineString(
        [[(X0 + x, Y0 - 500 + y, *z) for x, y, *z in line] for line in lines]
    )


def test_parts_are_unwrapped_and_heights_dropped(tmp_path: Path) -> None:
    folder = write_small_study(tmp_path)
    one_more_segment(folder, parts([(0, 0, 3.0), (30, 0, 4.0)]))
    found = read_study(folder).tables["segments"].set_index("id").geometry["D9"]
    assert found.geom_type == "LineString"
    assert not found.has_z


def test_parts_that_join_in_order_are_one_line(tmp_path: Path) -> None:
    """0 to 30 m, on to 60 m, and up by 40 m: one line of 100 m with four vertices."""
    folder = write_small_study(tmp_path)
    one_more_segment(folder, parts([(0, 0), (30, 0)], [(30, 0), (60, 0)], [(60, 0), (60, 40)]))
    study = read_study(folder)
    found = study.tables["segments"].to_crs(CRS_NAME).set_index("id").geometry["D9"]
    assert found.geom_type == "LineString"
    assert found.length == pytest.approx(100.0)
    assert len(found.coords) == 4
    assert study.gaps == ()


@pytest.mark.parametrize(
    ("lines", "said"),
    [
        (
            [[(0, 0), (30, 0)], [(31, 0), (60, 0)]],
            "part 1 of 2 ends at (500030.000, 5979500.000), part 2 starts at "
            "(500031.000, 5979500.000)",
        ),
        (
            [[(0, 0), (30, 0)], [(30, 0), (60, 0)], [(0, 40), (60, 0)]],
            "part 2 of 3 ends at (500060.000, 5979500.000), part 3 starts at "
            "(500000.000, 5979540.000)",
        ),
    ],
)
def test_parts_that_do_not_join_are_told_with_both_ends(
    lines: list[list[tuple[float, ...]]], said: str, tmp_path: Path
) -> None:
    """A gap of a metre, and a part drawn the other way round. Strictly an error, else a gap."""
    folder = write_small_study(tmp_path)
    one_more_segment(folder, parts(*lines))
    with pytest.raises(StudyError) as raised:
        read_study(folder, strict=True)
    assert said in raised.value.problems[0].message
    (gap,) = read_study(folder).gaps
    assert gap.code == "unusable-geometry"
    assert said in gap.message


def test_optional_geometry_may_be_blank(tmp_path: Path) -> None:
    study = read_study(write_small_study(tmp_path))
    assert study.tables["cables"].geometry.isna().all()


def test_a_fibre_carries_two_links_on_two_wavelengths_or_channels(tmp_path: Path) -> None:
    folder = write_small_study(tmp_path)
    runs = folder / "link_runs.csv"
    runs.write_text(runs.read_text().replace("L2,1,C2,1;2", "L2,1,C1,1;2"))
    assert read_study(folder).gaps == ()  # 1310 and 1550 nm
    links = folder / "links.csv"
    links.write_text(
        "id,a,b,wavelength_nm,medium,channel\nL1,R-W,R-M,1550,fibre,21\nL2,R-W,R-M,1550,fibre,22\n"
    )
    assert read_study(folder).gaps == ()

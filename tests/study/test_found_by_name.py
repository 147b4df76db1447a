"""Roles that files, layers and sheets of their name feed: one each, and `check` lists them."""

from __future__ import annotations

import json
from pathlib import Path

import pandas as pd
import pyogrio
import pytest

import waysapart as wa
from commands import run
from small_study import TABLES, write_small_study


def sheets(folder: Path, file: str, driver: str, *roles: str) -> None:
    """Move tables of the small study into sheets of one file."""
    for role in roles:
        table = pd.read_csv(folder / f"{role}.csv", dtype={"fibres": str})
        path = folder / file
        pyogrio.write_dataframe(table, path, layer=role, driver=driver, append=path.exists())
        (folder / f"{role}.csv").unlink()


def same(one: wa.Study, other: wa.Study) -> None:
    for role, table in one.tables.items():
        hidden = ["_layer", "_row"]
        pd.testing.assert_frame_equal(
            pd.DataFrame(table.drop(columns=hidden)),
            pd.DataFrame(other.tables[role].drop(columns=hidden)),
        )


@pytest.mark.parametrize(("file", "driver"), [("study.xlsx", "XLSX"), ("study.ods", "ODS")])
def test_sheets_feed_the_roles_they_are_named_after(file: str, driver: str, tmp_path: Path) -> None:
    """Every table of the small study as a sheet; `holders` has no number in it, and no name row."""
    plain = wa.read_study(write_small_study(tmp_path / "plain"))
    folder = write_small_study(tmp_path / "sheets")
    sheets(folder, file, driver, *TABLES)
    study = wa.read_study(folder)
    same(plain, study)
    cables = study.tables["cables"]
    assert cables["_row"].tolist() == [2, 3]  # as the spreadsheet numbers its rows


def test_a_fault_in_a_sheet_names_sheet_and_row(tmp_path: Path) -> None:
    folder = write_small_study(tmp_path)
    runs = folder / "cable_runs.csv"
    runs.write_text(runs.read_text().replace("C1,2,S2", "C1,2,S22"))
    sheets(folder, "study.xlsx", "XLSX", "cable_runs")
    (gap,) = wa.read_study(folder).gaps
    assert (gap.file, gap.layer, gap.row) == ("study.xlsx", "cable_runs", 3)


@pytest.mark.parametrize("kind", ["file", "layer", "sheet"])
def test_two_candidates_for_one_role_are_an_error(kind: str, tmp_path: Path) -> None:
    """cables.csv, and beside it cables.json, or a layer or a sheet called cables."""
    folder = write_small_study(tmp_path)
    table = pd.read_csv(folder / "cables.csv")
    if kind == "file":
        other = "cables.json"
        (folder / other).write_text('{"type": "FeatureCollection", "features": []}')
    else:
        other = {"layer": "study.gpkg", "sheet": "study.xlsx"}[kind]
        driver = {"layer": "GPKG", "sheet": "XLSX"}[kind]
        pyogrio.write_dataframe(table, folder / other, layer="cables", driver=driver)
    for strict in (False, True):
        with pytest.raises(wa.StudyError) as raised:
            wa.read_study(folder, strict=strict)
        (problem,) = raised.value.problems
        assert "cables.csv" in problem.message
        assert other in problem.message
        assert "bear the name of the role cables" in problem.message
        assert "[[layer]]" in problem.message


def test_layers_named_in_study_toml_may_be_several(tmp_path: Path) -> None:
    """Then that role is not found by name, and any number of layers feed it."""
    folder = write_small_study(tmp_path)
    (folder / "cables.json").write_text('{"type": "FeatureCollection", "features": []}')
    with (folder / "study.toml").open("a") as toml:
        for path in sorted(folder.glob("*.*")):
            if path.suffix != ".toml":
                toml.write(f'[[layer]]\nrole = "{path.stem}"\nsource = "{path.name}"\n')
    study = wa.read_study(folder)
    assert not any(layer.by_name for layer in study.layers)
    assert [layer.file for layer in study.layers if layer.role == "cables"] == [
        "cables.csv",
        "cables.json",
    ]


def test_a_layer_entry_overrides_one_role_and_leaves_the_others(tmp_path: Path) -> None:
    """cables.csv no longer counts, as `more.csv` feeds the role; all other tables are found.

    `recheck` reads the same tables: the evidence holds, with C1 and C2 of more.csv.
    """
    folder = write_small_study(tmp_path)
    table = (folder / "cables.csv").read_text()
    (folder / "more.csv").write_text(table.replace("24", "96"))
    (folder / "cables.csv").write_text("id\nC9\n")
    with (folder / "study.toml").open("a") as toml:
        toml.write('[[layer]]\nrole = "cables"\nsource = "more.csv"\n')
    study = wa.read_study(folder)
    assert study.tables["cables"]["fibre_count"].tolist() == [96.0, 48.0]
    assert {layer.role for layer in study.layers if layer.by_name} == {
        *TABLES,
        *("sites", "structures", "segments"),
    } - {"cables"}
    evidence = tmp_path / "evidence.json"
    run("prove", folder, "--json", evidence)
    assert json.loads(evidence.read_text())["circuits"][0]["verdict"] == "apart"
    assert run("recheck", folder, evidence).exit_code == 0


def test_a_role_with_an_entry_may_have_two_candidates_by_name(tmp_path: Path) -> None:
    """Neither of them counts."""
    folder = write_small_study(tmp_path)
    (folder / "cables.csv").rename(folder / "all.csv")
    for name in ("cables.json", "cables.geojson"):
        (folder / name).write_text('{"type": "FeatureCollection", "features": []}')
    with (folder / "study.toml").open("a") as toml:
        toml.write('[[layer]]\nrole = "cables"\nsource = "all.csv"\n')
    assert len(wa.read_study(folder).tables["cables"]) == 2


def test_a_variant_in_the_same_folder_leaves_the_tables_to_what_it_extends(tmp_path: Path) -> None:
    """The variant removes D2: found by name a second time, segments.geojson would bring it back."""
    folder = write_small_study(tmp_path)
    (folder / "variant.toml").write_text('extends = "study.toml"\nremove = ["D2"]\n')
    study = wa.read_study(folder / "variant.toml")
    assert "D2" not in study.tables["segments"]["id"].tolist()
    evidence = tmp_path / "evidence.json"
    run("prove", folder / "variant.toml", "--json", evidence)
    assert json.loads(evidence.read_text())["circuits"][0]["verdict"] == "unproven"
    assert run("recheck", folder / "variant.toml", evidence).exit_code == 0


def test_check_lists_what_was_found_by_name(tmp_path: Path) -> None:
    folder = write_small_study(tmp_path)
    sheets(folder, "study.xlsx", "XLSX", "cables")
    found = json.loads(run("check", folder, "--json", "-").stdout)["found_by_name"]
    assert {"role": "cables", "file": "study.xlsx", "layer": "cables"} in found
    assert {"role": "sites", "file": "sites.geojson", "layer": None} in found
    assert len(found) == len(TABLES) + 3
    told = " ".join(run("check", folder).output.split())
    assert "found by name: sites.geojson, structures.geojson," in told
    assert "study.xlsx (cables)" in told

"""What a proposal holds, what of it nothing reads, and where its plant meets what is there."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

import waysapart as wa
from dig_plant import two_ways
from drawn_plant import DrawnPlant
from sheets import write_xlsx
from waysapart.cli import main

Draw = Callable[[DrawnPlant], None]


def run(*arguments: object) -> Result:
    return CliRunner().invoke(main, [str(one) for one in arguments], env={"COLUMNS": "240"})


@pytest.fixture
def base(tmp_path: Path) -> Path:
    return two_ways().write(tmp_path / "base")


def proposal(folder: Path, draw: Draw, extends: str = "../base", more: str = "") -> Path:
    """A study that extends another, with what `draw` adds to it."""
    plant = DrawnPlant((0, 0), (4000, 0))
    plant.rows.clear()
    plant.settings = f'name = "Bypass"\nextends = "{extends}"\n{more}'
    draw(plant)
    return plant.write(folder)


def _duct_along_the_pits(plant: DrawnPlant) -> None:
    """A duct as one line from A to B, 0.5 m beside pits P1 and P3 and 1 m beside P2."""
    plant.segment("n1", "duct", "A", (2000, 1), "B", a="A", b="B")
    plant.rows["cable_runs"].append({"cable": "CA", "seq": 1, "segment": "n1"})


def test_new_plant_that_passes_old_pits_is_told(base: Path, tmp_path: Path) -> None:
    """K's alternate moves into the new duct, and relies on the pits of its main path."""
    after = proposal(tmp_path / "bypass", _duct_along_the_pits)
    facts = wa.compare(base, after).facts()
    assert [(one["segment"], one["structure"], one["distance_m"]) for one in facts["passes"]] == [
        ("n1", "P1", pytest.approx(0.5, abs=0.01)),
        ("n1", "P3", pytest.approx(0.5, abs=0.01)),
        ("n1", "P2", pytest.approx(1.0, abs=0.01)),
    ]
    assert {one["new"] for one in facts["passes"]} == {"segment"}
    assert [one["circuits"] for one in facts["passes"]] == [["K"]] * 3
    (row,) = facts["circuits"]
    assert row["worse"][:2] == ["apart to shared", "newly shared: P1, P2, P3"]
    beside = {(one["segment"], one["beside"]): one for one in facts["beside"]}
    assert {name for pair in beside for name in pair} == {"n1", "d1", "d2", "d3", "d4"}
    for one in facts["beside"]:
        assert one["circuit"] == "K"
        assert one["distance_m"] <= 1.0 < one["limit_m"]
    told = run("compare", base, after)
    assert told.exit_code == 1
    assert "new n1 passes P1 at 0.500 m: relied on by K" in told.output
    assert wa.compare(after, base).passes == []


def test_old_plant_that_passes_a_new_structure_is_told(base: Path, tmp_path: Path) -> None:
    after = proposal(tmp_path / "pit", lambda plant: plant.node("N", 500, 0.6))
    (one,) = wa.compare(base, after).facts()["passes"]
    assert (one["segment"], one["structure"], one["new"]) == ("d1", "N", "structure")
    assert one["distance_m"] == pytest.approx(0.6, abs=0.01)
    assert one["circuits"] == ["K"]
    assert "d1 passes the new N at 0.600 m: relied on by K" in run("compare", base, after).output


def test_plant_that_no_circuit_uses_is_told_as_such(base: Path, tmp_path: Path) -> None:
    def draw(plant: DrawnPlant) -> None:
        plant.segment("n1", "duct", (900, 0.3), (1100, 0.3))

    after = proposal(tmp_path / "spare", draw)
    comparison = wa.compare(base, after)
    (one,) = comparison.facts()["passes"]
    assert (one["structure"], one["circuits"]) == ("P1", [])
    assert (
        "new n1 passes P1 at 0.300 m: no circuit runs there" in run("compare", base, after).output
    )
    assert comparison.exit_code() == 0


def test_new_plant_that_runs_beside_old_is_told_with_what_is_required(
    base: Path, tmp_path: Path
) -> None:
    """The alternate in a duct 3 m north of the pits passes none of them; 5 m are required."""

    def draw(plant: DrawnPlant) -> None:
        plant.segment("n1", "duct", "A", (100, 3), (3900, 3), "B", a="A", b="B")
        plant.rows["cable_runs"].append({"cable": "CA", "seq": 1, "segment": "n1"})

    after = proposal(tmp_path / "beside", draw)
    facts = wa.compare(base, after).facts()
    assert facts["passes"] == []
    found = {one["beside"]: one for one in facts["beside"]}
    assert set(found) == {"d1", "d2", "d3", "d4"}
    assert found["d2"]["segment"] == "n1"
    assert found["d2"]["distance_m"] == pytest.approx(3.0, abs=0.01)
    assert found["d2"]["length_m"] == pytest.approx(1000, abs=1)
    assert (found["d2"]["limit_m"], found["d2"]["waived"]) == (5.0, False)
    said = "K: new n1 runs beside d2 of another path, 3.00 m from it, 5 m required, for 1.00 km"
    assert said in " ".join(run("compare", base, after).output.split())


def test_a_study_against_itself_has_no_such_plant(base: Path) -> None:
    facts = wa.compare(base, base).facts()
    assert (facts["passes"], facts["beside"], facts["proposal"]) == ([], [], None)


# --- What comes from the proposal.


def test_what_a_proposal_adds_replaces_and_removes_is_counted(base: Path, tmp_path: Path) -> None:
    def draw(plant: DrawnPlant) -> None:
        plant.nodes("pit", N1=(0, -900), N2=(4000, -900), Q2=(2000, -410))
        plant.segment("n1", "duct", "N1", "N2")

    after = proposal(tmp_path / "content", draw, more='remove = ["e2"]\n')
    facts = wa.compare(base, after).facts()
    content = facts["proposal"]
    assert content is not None
    assert (content["study"], content["extends"]) == ("Bypass", "base")
    assert content["rows"] == {
        "structures": {"added": ["N1", "N2"], "replaced": ["Q2"], "removed": []},
        "segments": {"added": ["n1"], "replaced": [], "removed": ["e2"]},
    }
    said = "From this proposal: 2 structures, 1 segment; replaced: 1 structure; removed: 1 segment"
    assert said in run("compare", base, after).output
    assert said in run("check", after).output
    assert json.loads(run("check", after, "--json", "-").stdout)["proposal"] == content
    assert json.loads(run("check", base, "--json", "-").stdout)["proposal"] is None


def test_a_proposal_on_a_proposal_is_told_whole_or_by_itself(base: Path, tmp_path: Path) -> None:
    """The second moves a pit of the first and takes its duct away."""

    def first(plant: DrawnPlant) -> None:
        plant.nodes("pit", N1=(0, -900), N2=(4000, -900))
        plant.segment("n1", "duct", "N1", "N2")

    one = proposal(tmp_path / "one", first)
    two = proposal(
        tmp_path / "two",
        lambda plant: plant.nodes("pit", N1=(0, -950), N3=(0, -990)),
        extends="../one",
        more='remove = ["n1"]\n',
    )
    whole = wa.compare(base, two).proposal
    assert whole is not None
    assert whole["rows"] == {
        "structures": {"added": ["N1", "N2", "N3"], "replaced": [], "removed": []}
    }
    last = wa.compare(one, two).proposal
    assert last is not None
    assert last["extends"] == "Bypass"
    assert last["rows"] == {
        "structures": {"added": ["N3"], "replaced": ["N1"], "removed": []},
        "segments": {"added": [], "replaced": [], "removed": ["n1"]},
    }
    assert wa.compare(two, base).proposal is None


def test_evidence_before_takes_what_extends_the_study_of_its_name(
    base: Path, tmp_path: Path
) -> None:
    evidence = tmp_path / "evidence.json"
    evidence.write_text(json.dumps(wa.prove(wa.read_study(base)).facts()), encoding="utf-8")
    after = proposal(tmp_path / "bypass", _duct_along_the_pits)
    facts = wa.compare(evidence, after).facts()
    assert facts["records"] is None
    assert facts["proposal"] is not None
    assert facts["proposal"]["rows"]["segments"]["added"] == ["n1"]
    assert {one["structure"] for one in facts["passes"]} == {"P1", "P2", "P3"}
    assert "From this proposal: 1 segment; replaced: 1 course of a cable" in (
        run("compare", evidence, after).output
    )


# --- What nothing reads.


def _with_layer(folder: Path, role: str, source: str) -> None:
    with (folder / "study.toml").open("a", encoding="utf-8") as file:
        file.write(f'[[layer]]\nrole = "{role}"\nsource = "{source}"\n')


def test_a_layer_of_a_proposal_that_nothing_reads_is_named(base: Path, tmp_path: Path) -> None:
    """The duct stands in segments.geojson; study.toml feeds segments from another file."""
    folder = proposal(tmp_path / "bypass", _duct_along_the_pits)
    drawn = (folder / "segments.geojson").read_text(encoding="utf-8")
    (folder / "other.geojson").write_text(drawn.replace('"n1"', '"n2"'), encoding="utf-8")
    assert wa.compare(base, folder).unread == ["other.geojson"]
    _with_layer(folder, "segments", "other.geojson")
    comparison = wa.compare(base, folder)
    assert comparison.facts()["unread"] == ["segments.geojson"]
    told = run("compare", base, folder)
    assert "Not read: segments.geojson. It counts for nothing: name what is to count" in told.output
    checked = run("check", folder)
    assert "Not read: segments.geojson. It counts for nothing" in checked.output
    assert json.loads(run("check", folder, "--json", "-").stdout)["unread"] == ["segments.geojson"]
    page = wa.write_comparison(comparison, tmp_path / "page.html").read_text(encoding="utf-8")
    assert "Not read: segments.geojson." in page
    _with_layer(folder, "segments", "segments.geojson")
    assert wa.compare(base, folder).unread == []


def test_a_proposal_that_is_not_read_at_all_says_so_though_nothing_changed(
    base: Path, tmp_path: Path
) -> None:
    folder = tmp_path / "empty"
    folder.mkdir()
    (folder / "study.toml").write_text('extends = "../base"\n', encoding="utf-8")
    (folder / "Segments.csv.geojson").write_text("{}", encoding="utf-8")
    told = run("compare", base, folder)
    assert told.exit_code == 0
    assert "Nothing changed." in told.output
    assert "From this proposal: no rows" in told.output
    assert "Not read: Segments.csv.geojson." in told.output


def test_layers_and_sheets_of_files_that_are_read_are_named_too(base: Path, tmp_path: Path) -> None:
    import geopandas as gpd

    folder = proposal(tmp_path / "bypass", lambda plant: plant.nodes("pit", N1=(0, -900)))
    pits = gpd.read_file(folder / "structures.geojson")
    (folder / "structures.geojson").unlink()
    for layer in ("pits", "pits_old"):
        pits.to_file(folder / "plant.gpkg", layer=layer, driver="GPKG")
    with (folder / "study.toml").open("a", encoding="utf-8") as file:
        file.write('[[layer]]\nrole = "structures"\nsource = "plant.gpkg"\nlayer = "pits"\n')
    write_xlsx(folder / "study.xlsx", joints=[["id", "at"]], Ducts=[["id", "kind"]])
    assert wa.read_study(folder).unread == (
        "plant.gpkg (layer pits_old)",
        "study.xlsx (sheet Ducts)",
    )


def test_what_belongs_to_another_study_or_is_no_layer_is_not_named(
    base: Path, tmp_path: Path
) -> None:
    """Two proposals in one folder; evidence, a report, notes; the base's own folder."""
    folder = proposal(tmp_path / "two", _duct_along_the_pits)
    (folder / "north.geojson").write_text("{}", encoding="utf-8")
    (folder / "north.toml").write_text(
        'extends = "../base"\n[[layer]]\nrole = "segments"\nsource = "north.geojson"\n',
        encoding="utf-8",
    )
    for name in ("evidence.json", "page.html", "notes.txt", "work.txt"):
        (folder / name).write_text("{}", encoding="utf-8")
    (base / "survey.geojson").write_text("{}", encoding="utf-8")
    assert wa.read_study(folder).unread == ()
    assert wa.read_study(base).unread == ("survey.geojson",)


def test_files_of_a_proposal_in_between_are_named_with_their_folder(
    base: Path, tmp_path: Path
) -> None:
    proposal(tmp_path / "one", lambda plant: plant.nodes("pit", N1=(0, -900)))
    (tmp_path / "one" / "ducts.geojson").write_text("{}", encoding="utf-8")
    two = proposal(
        tmp_path / "two", lambda plant: plant.nodes("pit", N2=(0, -950)), extends="../one"
    )
    assert wa.read_study(two).unread == ("one/ducts.geojson",)


def test_hostile_names_of_files_come_through_as_text(base: Path, tmp_path: Path) -> None:
    folder = proposal(tmp_path / "bypass", lambda plant: plant.nodes("pit", N1=(0, -900)))
    name = "<img src=x onerror=hasRun=1>\x1b[31m.geojson"
    (folder / name).write_text("{}", encoding="utf-8")
    comparison = wa.compare(base, folder)
    assert comparison.unread == [name]
    assert "\x1b" not in run("compare", base, folder).output
    page = wa.write_comparison(comparison, tmp_path / "page.html").read_text(encoding="utf-8")
    assert "<img src=x" not in page
    assert "&lt;img src=x" in page


def summary(facts: Any) -> dict[str, int]:
    return {key: count for key, count in facts["summary"].items() if count}


def test_the_same_figures_stand_on_terminal_and_in_json(base: Path, tmp_path: Path) -> None:
    after = proposal(tmp_path / "bypass", _duct_along_the_pits)
    facts = wa.compare(base, after).facts()
    assert summary(facts) == {"worse": 1}
    lines = run("compare", base, after).output.splitlines()
    assert lines[1].startswith("K becomes shared: P1, P2, P3 newly shared, ")
    assert lines[1].endswith(" newly near. Circuits: 1 worse, 0 better, 0 same.")
    order = [line.strip() for line in lines if line.strip() in ("Worse", "Better", "New", "Gone")]
    assert order == ["Worse"]

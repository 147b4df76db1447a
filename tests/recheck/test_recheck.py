"""`recheck` confirms what is true, tells what is false, and shares no code with the prover."""

from __future__ import annotations

import ast
import json
import shutil
import sys
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner
from pyproj import Transformer

import drawn_plant
import waysapart as wa
from everyday import some
from mutations import Files
from proofs import proof_of
from random_plant import write_random_study
from small_study import write_small_study
from waysapart.cli import main
from waysapart.errors import StudyError
from waysapart.recheck import recheck
from waysapart.recheck.evidence import About, Tally
from waysapart.recheck.figures import hanging_m
from waysapart.recheck.no_pair import Edge, NoPair, check_tree

ROOT = Path(__file__).resolve().parents[2]
PACKAGE = ROOT / "src" / "waysapart"
OUTSIDE = {"pyogrio", "pyproj", "shapely", "numpy", "pyarrow"}


def _imported(path: Path) -> set[str]:
    found = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path.name} imports relatively"
            found.add(str(node.module))
        elif isinstance(node, ast.Import):
            found |= {name.name for name in node.names}
    return found


def _proved(folder: Path) -> dict[str, Any]:
    facts = json.loads(json.dumps(proof_of(folder).facts()))
    return dict(facts)


def _held(folder: Path, facts: dict[str, Any], file: Path) -> dict[str, Any]:
    file.write_text(json.dumps(facts), encoding="utf-8")
    return recheck(folder, file)


TABLES = {
    *("waysapart.errors", "waysapart.gaps", "waysapart.evidence", "waysapart.schema"),
    *("waysapart.evidence_file", "waysapart.input_files"),
}
"""What both may use; `opening` says which files may be opened, and reads no layer."""


def test_it_imports_nothing_of_the_prover() -> None:
    """Of waysapart its own modules, errors, gap codes and form; outside, readers and geometry."""
    for path in sorted((PACKAGE / "recheck").glob("*.py")):
        for module in _imported(path):
            top = module.split(".")[0]
            if top == "waysapart":
                allowed = module.startswith("waysapart.recheck") or module in TABLES
                assert allowed, f"{path.name} imports {module}"
            else:
                assert top in OUTSIDE or top in sys.stdlib_module_names, f"{path.name}: {module}"


def test_only_the_command_line_imports_it() -> None:
    users = {
        path.relative_to(PACKAGE).parts[0]
        for path in PACKAGE.rglob("*.py")
        if any(module.startswith("waysapart.recheck") for module in _imported(path))
    }
    assert users == {"cli", "recheck"}


def test_the_demo_is_confirmed(tmp_path: Path) -> None:
    study = ROOT / "examples" / "estuary"
    found = _held(study, _proved(study), tmp_path / "evidence.json")
    assert found["false"] == []
    assert found["changed_inputs"] == []
    assert found["confirmed"] > 4000


@pytest.mark.parametrize(
    ("crs", "east", "north"),
    [
        ("EPSG:3035", 4_321_000, 3_210_000),
        ("EPSG:25832", 430_000, 6_020_000),
        ("EPSG:32760", 730_000, 5_350_000),  # up to 180 degrees
        ("EPSG:32633", 500_000, 8_880_000),  # 80 degrees north
        ("EPSG:32719", 430_000, 4_000_000),
    ],
)
@pytest.mark.parametrize("feet", some([16.0, 221.5], every=4))
def test_distances_hold_anywhere_on_earth(
    crs: str, east: float, north: float, feet: float, tmp_path: Path, monkeypatch: Any
) -> None:
    """Ways 60 m apart for 8 km; plant 440 km away widens the study. Limits are in feet."""
    monkeypatch.setattr(drawn_plant, "CRS", crs)
    to_degrees = Transformer.from_crs(crs, "EPSG:4326", always_xy=True).transform
    monkeypatch.setattr(drawn_plant, "_to_degrees", to_degrees)
    monkeypatch.setattr(drawn_plant, "EAST", east)
    monkeypatch.setattr(drawn_plant, "NORTH", north)
    plant = drawn_plant.DrawnPlant((0, 0), (9_000, 400))
    far = (-180_000, 400_000 if north < 5_000_000 else -400_000)
    plant.nodes("pit", PA=(500, 60), PB=(8_500, 60), FAR=far, FURTHER=(far[0] + 50, far[1]))
    plant.nodes("tower", T1=(500, 0), T2=(8_500, 0))
    plant.segment("S0", "span", "A", "T1")
    plant.segment("S1", "span", "T1", "T2")
    plant.segment("S2", "span", "T2", "B")
    plant.segment("D0", "duct", "A", "PA")
    plant.segment("D1", "duct", "PA", "PB")
    plant.segment("D2", "duct", "PB", "B")
    plant.segment("D3", "duct", "FAR", "FURTHER")
    plant.listed("M", "S0 S1 S2")
    plant.listed("N", "D0 D1 D2")
    plant.circuit("M", "N")
    study = tmp_path / "study"
    plant.read(study)
    rules = f"separation_m = {{ 'span/duct' = {feet * 0.3048} }}\nend_zone_m = 700\n"
    (study / "rules.toml").write_text(f"[services.default]\n{rules}", encoding="utf-8")
    facts = _proved(study)
    assert (facts["circuits"][0]["verdict"] == "shared") == (feet > 200)
    assert _held(study, facts, tmp_path / "evidence.json")["false"] == []


HOSTILE = ("{} (1)", '"{}"', "{}, {}", "{{{}}}", "<b>{}</b>", "{} for {}", "it's {}", "{} [0-3]")


@pytest.mark.parametrize("dress", some(HOSTILE, every=4))
def test_ids_may_hold_anything(dress: str, tmp_path: Path) -> None:
    """Quotes, brackets, commas and markup in every id and in the name of the service."""

    def called(name: str) -> str:
        return dress.replace("{{", "{").replace("}}", "}").replace("{}", name)

    study = write_random_study(tmp_path / "study", 4, waivers=0.0)
    files = Files(study)
    ids = {row["id"] for rows in files.rows.values() for row in rows if row.get("id")}
    ids |= {
        row[name]
        for rows in files.rows.values()
        for row in rows
        for name in ("scheme",)
        if row.get(name)
    }
    for rows in files.rows.values():
        for row in rows:
            for column, value in row.items():
                if isinstance(value, str) and column not in ("kind", "path", "medium"):
                    parts = [called(one) if one in ids else one for one in value.split(";")]
                    row[column] = ";".join(parts)
    for row in files.rows["circuits"]:
        row["service"] = called("fast")
    files.write()
    services = f"\n[services.{json.dumps(called('fast'))}]\nmax_delay_us = 4000\n"
    rules = study / "rules.toml"
    rules.write_text(rules.read_text(encoding="utf-8") + services, encoding="utf-8")
    facts = _proved(study)
    assert {one["id"] for one in facts["circuits"]} >= {called("K1")}
    assert _held(study, facts, tmp_path / "evidence.json")["false"] == []


@pytest.mark.parametrize("seed", [*some(range(0, 14, 2), every=6), 2009])
def test_random_studies_are_confirmed(seed: int, tmp_path: Path) -> None:
    """In 2009 a cable of one tray could lie either way round: its end at the pit is the one."""
    study = write_random_study(tmp_path / "study", seed)
    found = _held(study, _proved(study), tmp_path / "evidence.json")
    assert found["false"] == []
    assert found["confirmed"] > 100


def test_a_proposal_is_confirmed(tmp_path: Path) -> None:
    """Laid over the small study: D3 goes, a new duct and another course of the cable come."""
    write_small_study(tmp_path / "base")
    after = tmp_path / "after"
    after.mkdir()
    shutil.copy(tmp_path / "base" / "segments.geojson", after)
    layer = json.loads((after / "segments.geojson").read_text())
    layer["features"] = [f for f in layer["features"] if f["properties"]["id"] == "D3"]
    layer["features"][0]["properties"]["id"] = "D9"
    (after / "segments.geojson").write_text(json.dumps(layer))
    (after / "cable_runs.csv").write_text("cable,seq,segment\nC2,1,D1\nC2,2,D2\nC2,3,D9\nC2,4,D4\n")
    (after / "study.toml").write_text('extends = "../base"\nremove = ["D3", "TR1"]\n')
    facts = _proved(after)
    assert [gap["code"] for gap in facts["gaps"]].count("removed-reference") >= 1
    found = _held(after, facts, tmp_path / "evidence.json")
    assert found["false"] == []
    assert found["changed_inputs"] == []


def test_changed_inputs_are_named(tmp_path: Path) -> None:
    """A comment in a file changes its hash and no fact."""
    study = write_small_study(tmp_path / "study")
    facts = _proved(study)
    with (study / "study.toml").open("a") as file:
        file.write("# seen\n")
    (study / "hazards.geojson").write_text('{"type": "FeatureCollection", "features": []}')
    found = _held(study, facts, tmp_path / "evidence.json")
    assert found["false"] == []
    assert found["changed_inputs"] == ["study.toml has changed since", "hazards.geojson is new"]


def test_a_false_verdict_names_the_circuit(tmp_path: Path) -> None:
    study = write_small_study(tmp_path / "study")
    facts = _proved(study)
    facts["circuits"][0]["verdict"] = "shared"
    found = _held(study, facts, tmp_path / "evidence.json")
    assert any("circuit K1: verdict" in sentence for sentence in found["false"])


@pytest.mark.parametrize("text", ["", "nonsense", "[]", "{}", '{"evidence": {"schema": "x"}}'])
def test_what_is_no_evidence_is_refused(text: str, tmp_path: Path) -> None:
    study = write_small_study(tmp_path / "study")
    (tmp_path / "evidence.json").write_text(text)
    with pytest.raises(StudyError):
        recheck(study, tmp_path / "evidence.json")


def test_the_command(tmp_path: Path) -> None:
    """0 where all holds, 1 where something is false, 2 where there is no study."""
    study, file = write_small_study(tmp_path / "study"), tmp_path / "evidence.json"
    facts = _proved(study)
    file.write_text(json.dumps(facts))
    runner = CliRunner()
    sound = runner.invoke(main, ["recheck", str(study), str(file)])
    assert sound.exit_code == 0
    assert "0 false" in sound.output
    facts["circuits"][0]["paths"]["main"]["length_m"] += 1.0
    file.write_text(json.dumps(facts))
    told = runner.invoke(main, ["recheck", str(study), str(file), "--json", "-"])
    assert told.exit_code == 1
    assert any("length_m" in sentence for sentence in json.loads(told.output)["false"])
    assert runner.invoke(main, ["recheck", str(tmp_path / "none"), str(file)]).exit_code == 2
    assert runner.invoke(main, ["recheck", str(study)]).exit_code == 2


def test_hanging_by_the_closed_form() -> None:
    """A catenary with c = 500 m over 400 m: sag 500 (cosh 0.4 - 1), length 1000 sinh 0.4."""
    from math import cosh, sinh

    assert hanging_m(400.0, 500 * (cosh(0.4) - 1), 0.0) == pytest.approx(1000 * sinh(0.4))
    assert hanging_m(300.0, 0.0, 40.0) == pytest.approx((300**2 + 40**2) ** 0.5)


BRIDGE = {"ab": Edge(("a", "b"), frozenset({"P"})), "bc": Edge(("b", "c"), frozenset({"Q"}))}
FORK = {
    "risk": "P",
    "between": [0, 1],
    "then": [{"way": 0, "avoid": ["P"], "cut": ["ab"]}, {"way": 1, "avoid": ["P"], "cut": ["ab"]}],
}


def _tree(tree: dict[str, Any], edges: dict[str, Edge]) -> list[str]:
    proof = {"ends": ["a", "c"], "ways": 2, "avoid_from_start": [], "without": [], "tree": tree}
    proof["edges"] = [{"id": name, "weights": {"loss": 2}} for name in edges]
    proof["limits"] = {"most": {"loss": 3}, "apart_most": {"loss": 1}, "kept": {}}
    tally = Tally()
    check_tree(NoPair(proof, edges, About(tally, "circuit K")))
    return tally.false


def test_proofs_are_read_under_their_old_and_new_names() -> None:
    """Version 0.1 wrote `ways`, `way` and `fewer_than_ways`."""
    few = {"fewer_than_ways": ["P"], "cut": ["ab"]}
    for tree in (FORK, {**FORK, "then": [FORK["then"][0], few]}):
        old = {"ends": ["a", "c"], "ways": 2, "avoid_from_start": [], "without": [], "tree": tree}
        new = json.loads(
            json.dumps(old)
            .replace("fewer_than_ways", "fewer_than_paths")
            .replace('"ways"', '"paths"')
            .replace('"way"', '"path"')
        )
        assert new != old
        assert NoPair(old, {}, About(Tally(), "K")).told == new
        assert NoPair(new, {}, About(Tally(), "K")).told == new


def test_a_no_pair_proof_by_hand() -> None:
    """From a over b to c there is one edge each: the two paths share P, whichever avoids it."""
    assert _tree(FORK, BRIDGE) == []


def test_a_leaf_on_a_limit_by_hand() -> None:
    """Two edges of 2 each: every path has 4 of it, over a limit of 3."""
    leaf = {"way": 0, "avoid": [], "weight": "loss", "least": 4, "most": 3}
    assert _tree(leaf, BRIDGE) == []


def test_a_leaf_that_lists_courses_by_hand() -> None:
    """The one course has 4: neither at most 3, nor, beside another of at least 5, 5 or more."""
    low = {"way": 0, "avoid": [], "windows": [{"weight": "loss", "least": 0, "most": 3}]}
    assert _tree(low, BRIDGE) == []
    high = {"way": 0, "avoid": [], "windows": [{"weight": "loss", "least": 5, "most": None}]}
    parted = {"weight": "loss", "at_most": 5, "or_at_least": 5}
    assert _tree({**parted, "then": [low, high]}, BRIDGE) == []
    assert _tree({**parted, "or_at_least": 6, "then": [low, high]}, BRIDGE)
    assert _tree(high, BRIDGE)


@pytest.mark.parametrize(
    ("tree", "edges"),
    [
        (FORK, {**BRIDGE, "ab2": Edge(("a", "b"), frozenset({"R"}))}),
        (FORK, {**BRIDGE, "ab": Edge(("a", "b"), frozenset({"R"}))}),
        ({**FORK, "between": [0, 0]}, BRIDGE),
        ({"way": 0, "avoid": ["P"], "cut": ["ab"]}, BRIDGE),
        ({**FORK, "risk": "Q"}, BRIDGE),
        ({"fewer_than_ways": ["P", "Q"], "cut": ["ab"]}, BRIDGE),
        ({"way": 0, "avoid": [], "weight": "loss", "least": 6, "most": 5}, BRIDGE),
    ],
    ids=[
        "another edge",
        "another risk",
        "one way",
        "no fork",
        "another fork",
        "not fewer",
        "within",
    ],
)
def test_a_false_no_pair_proof_is_told(tree: dict[str, Any], edges: dict[str, Edge]) -> None:
    assert _tree(tree, edges) != []


def test_a_report_carries_its_evidence(estuary_proof: wa.Proof, tmp_path: Path) -> None:
    """The whole of `prove --json`; a report for readers outside carries none."""
    study = Path(estuary_proof.study.folder)
    page = wa.write_report(estuary_proof, tmp_path / "report.html")
    alone = tmp_path / "evidence.json"
    alone.write_text(json.dumps(estuary_proof.facts()), encoding="utf-8")
    found = recheck(study, page)
    assert found["false"] == []
    digest = found.pop("sha256")  # of the bytes: a page carries a more compact form
    assert digest != (other := recheck(study, alone)).pop("sha256")
    assert found == other
    done = CliRunner().invoke(main, ["recheck", str(study), str(page)])
    assert done.exit_code == 0, done.output


@pytest.mark.parametrize(
    ("block", "said"),
    [
        ("", "carries no evidence"),
        ('<script type="application/gzip" id="evidence">AA==</script>' * 2, "not one"),
        (
            '<script type="application/gzip" id="evidence">bm8gZ3ppcA==</script>',
            "cannot be unpacked",
        ),
        ('<script type="application/gzip" id="evidence">H4sIAAAA</script>', "cut off"),
    ],
)
def test_a_page_without_evidence_is_refused(block: str, said: str, tmp_path: Path) -> None:
    page = tmp_path / "report.html"
    page.write_text(f"<!DOCTYPE html>\n<html>{block}</html>", encoding="utf-8")
    with pytest.raises(StudyError, match=said):
        recheck(ROOT / "examples" / "estuary", page)


def test_evidence_without_layers_is_confirmed_but_for_them(tmp_path: Path) -> None:
    """Evidence made before layers stood in it: nothing is false, what is not checked is said."""
    study = ROOT / "examples" / "estuary"
    facts = _proved(study)
    del facts["layers"], facts["records"]
    found = _held(study, facts, tmp_path / "earlier.json")
    assert found["false"] == []
    assert any(said.startswith("layers:") for said in found["not_checked"])

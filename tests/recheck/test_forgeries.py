"""Coherent forgeries of the evidence: each turns a bad answer good, and each is told."""

from __future__ import annotations

import json
from collections.abc import Callable
from copy import deepcopy
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

import drawn_plant
import waysapart as wa
from proofs import proof_of
from random_plant import write_random_study
from small_study import write_small_study
from waysapart.cli import main
from waysapart.errors import StudyError
from waysapart.recheck import recheck

Facts = dict[str, Any]


def _proved(folder: Path) -> Facts:
    return dict(json.loads(json.dumps(proof_of(folder).facts())))


def _told(folder: Path, facts: Facts, text: str | None = None) -> list[str]:
    """What recheck says is false, or why it refuses the file."""
    file = folder.parent / "forged.json"
    file.write_text(json.dumps(facts) if text is None else text, encoding="utf-8")
    try:
        return [str(one) for one in recheck(folder, file)["false"]]
    except StudyError as error:
        return [problem.message for problem in error.problems]


@pytest.fixture(scope="module")
def plant(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Facts]:
    """A random plant with several circuits and groups."""
    folder = write_random_study(tmp_path_factory.mktemp("forged") / "study", 3)
    facts = _proved(folder)
    assert _told(folder, facts) == []
    return folder, facts


def _swap_names(facts: Facts) -> None:
    one, other = facts["circuits"][:2]
    one["name"], other["name"] = other["name"] or "Y", one["name"] or "X"


def _swap_ends(facts: Facts) -> None:
    one = facts["circuits"][0]
    one["a"], one["b"] = one["b"], one["a"]


def _softer_service(facts: Facts) -> None:
    facts["circuits"][0]["service"] = "a softer one"


def _no_proof(facts: Facts) -> None:
    """Every circuit said to be found apart by a rerouting, which gives no proof of that."""
    del facts["evidence"]
    for one in facts["circuits"]:
        one["status"] = "apart"


def _another_format(facts: Facts) -> None:
    facts["format"] = 1


def _no_format(facts: Facts) -> None:
    del facts["format"]


def _a_field_more(facts: Facts) -> None:
    facts["signed_by"] = "nobody"


def _no_gaps(facts: Facts) -> None:
    del facts["gaps"]


def _a_scale_of_a_thousand(facts: Facts) -> None:
    """All that must lie within a distance on the ground would lie within it."""
    facts["crs"] = "+proj=utm +zone=32 +datum=WGS84 +units=km +type=crs"


def _a_local_grid(facts: Facts) -> None:
    facts["crs"] = "+proj=tmerc +lat_0=54 +lon_0=9 +k=0.001 +datum=WGS84 +units=m +type=crs"


def _yet_to_come(facts: Facts) -> None:
    facts["made"] = "2999-01-01T00:00:00Z"


def _a_member_less(facts: Facts) -> None:
    facts["groups"][0]["members"].pop()


@pytest.mark.parametrize(
    "forge",
    [
        *(_swap_names, _swap_ends, _softer_service, _no_proof, _another_format, _no_format),
        *(_a_field_more, _no_gaps, _a_scale_of_a_thousand, _a_local_grid, _yet_to_come),
        _a_member_less,
    ],
)
def test_what_is_told_of_the_whole(
    forge: Callable[[Facts], None], plant: tuple[Path, Facts]
) -> None:
    folder, sound = plant
    facts = deepcopy(sound)
    forge(facts)
    assert facts != sound
    assert _told(folder, facts)


@pytest.mark.parametrize(
    "text",
    [
        '{"circuits": []}',
        '{"format": 2, "circuits": []}',
        '{"format": 2, "cost_is": "length", "circuits": []}',
        '{"format": 2, "circuits": [], "circuits": [], "evidence": {}}',
    ],
)
def test_an_empty_or_stripped_file_is_refused(text: str, plant: tuple[Path, Facts]) -> None:
    assert _told(plant[0], {}, text)


@pytest.mark.parametrize("numbers", ["0-60000000000", "60000000000"])
def test_a_set_without_end_is_told_at_once(numbers: str, plant: tuple[Path, Facts]) -> None:
    folder, sound = plant
    facts = deepcopy(sound)
    facts["evidence"]["paths"][0]["relies_on"] += f" {numbers}"
    told = _told(folder, facts)
    assert any("names assets that the evidence does not list" in one for one in told)


def test_a_key_that_stands_twice_is_refused(plant: tuple[Path, Facts]) -> None:
    """A reader that takes the first would show `apart`, one that takes the last the truth."""
    folder, facts = plant
    text = json.dumps(facts).replace('"verdict":', '"verdict": "apart", "verdict":', 1)
    (told,) = _told(folder, facts, text)
    assert "'verdict' stands twice" in told


def test_a_waiver_that_has_lapsed_since_is_told(tmp_path: Path) -> None:
    """Judged for a day on which it was in force; today nothing rests on it."""
    folder = write_small_study(tmp_path / "study")
    runs = (folder / "link_runs.csv").read_text(encoding="utf-8")
    (folder / "link_runs.csv").write_text(runs.replace("L2,1,C2", "L2,1,C1"), encoding="utf-8")
    waiver = (
        '[[waiver]]\ncircuit = "K1"\nasset = "{}"\nreason = "r"\nby = "b"\nuntil = 2020-06-30\n'
    )
    study = wa.read_study(folder)
    shared = [one["asset"] for one in wa.prove(study).facts()["circuits"][0]["shared"]]
    text = "".join(waiver.format(asset) for asset in shared)
    rules = folder / "rules.toml"
    rules.write_text(rules.read_text(encoding="utf-8") + text if rules.exists() else text)
    evidence = tmp_path / "evidence.json"
    run = CliRunner()
    run.invoke(main, ["prove", str(folder), "--on", "2020-01-01", "--json", str(evidence)])
    facts = json.loads(evidence.read_text(encoding="utf-8"))
    assert all(one["counts"] for one in facts["waivers"])
    told = _told(folder, facts)
    assert any("lapsed on 2020-06-30" in one for one in told)
    done = run.invoke(main, ["recheck", str(folder), str(evidence)])
    assert done.exit_code == 1


def test_a_record_that_changed_since_makes_it_no_longer_true(tmp_path: Path) -> None:
    """The evidence was sound; it is not called false for that."""
    folder = write_small_study(tmp_path / "study")
    evidence = tmp_path / "evidence.json"
    run = CliRunner()
    run.invoke(main, ["prove", str(folder), "--json", str(evidence)])
    runs = (folder / "link_runs.csv").read_text(encoding="utf-8")
    (folder / "link_runs.csv").write_text(runs.replace("L2,1,C2", "L2,1,C1"), encoding="utf-8")
    done = run.invoke(main, ["recheck", str(folder), str(evidence)])
    assert done.exit_code == 1
    assert "no longer true: " in done.output
    assert "false: " not in done.output


def test_what_tests_found_is_not_talked_away(estuary_proof: wa.Proof, tmp_path: Path) -> None:
    """Ten dB less by a measured loss of nobody's, with sum and margin to match."""
    facts = json.loads(json.dumps(estuary_proof.facts()))
    tested = {str(row) for row in estuary_proof.study.tables["measurements"]["link"].dropna()}
    rows = [one["loss"] for one in facts["links"] if one["id"] in tested]
    rows = [row for row in rows if row["margin_db"] is not None]
    assert rows
    for row in rows:
        row["terms"]["test_db"] -= 10.0
    paths = [path for one in facts["circuits"] for path in one["paths"].values()]
    short = [row for path in paths for row in path["loss"] if row["link"] in tested]
    for row in (*rows, *short):
        row["loss_db"] -= 10.0
        row["margin_db"] += 10.0
    evidence = tmp_path / "forged.json"
    evidence.write_text(json.dumps(facts), encoding="utf-8")
    told = recheck(Path(estuary_proof.study.folder), evidence)["false"]
    assert any("its tests say" in text for text in told)


def test_a_doubt_of_ones_own_excuses_nothing(tmp_path: Path) -> None:
    """Both cables lie in one duct. Whoever doubts the course of a drawn one has to say so in a
    gap of the circuit, and what is shared does not become unavoidable by it."""
    plant = drawn_plant.DrawnPlant((0, 0), (3_000, 0))
    plant.nodes("pit", P1=(500, 0), P2=(2_500, 0))
    plant.segment("D1", "duct", "A", "P1")
    plant.segment("D2", "duct", "P1", "P2")
    plant.segment("D3", "duct", "P2", "B")
    plant.cable("M", "A", "P1", "P2", "B")
    plant.listed("N", "D1 D2 D3")
    plant.circuit("M", "N")
    folder = tmp_path / "study"
    plant.read(folder)
    facts = _proved(folder)
    assert _told(folder, facts) == []
    (circuit,) = facts["circuits"]
    assert circuit["verdict"] == "shared"
    gap = {
        "code": "match-ambiguous", "asset": "M", "assets": ["M"], "count": 1, "message": "doubtful",
        "bears_on": "both", "column": None, "file": None, "layer": None, "row": None,
        "rows": [None],
    }  # fmt: skip
    for place in ("both", "study alone"):
        forged = deepcopy(facts)
        (one,) = forged["circuits"]
        forged["gaps"].append(gap)
        if place == "both":
            brief = ("code", "asset", "message", "bears_on", "count")
            one["gaps"].append({name: gap[name] for name in brief})
        one["unavoidable"] = sorted([*one["unavoidable"], *(s["asset"] for s in one["shared"])])
        one["shared"], one["stretches"] = [], []
        one["verdict"] = "unproven" if place == "both" else "apart"
        told = _told(folder, forged)
        assert any("unavoidable" in text for text in told)
        assert place == "both" or any("no gap says so" in text for text in told)


def test_a_contradiction_is_not_struck_out(tmp_path: Path) -> None:
    """A test found 5 km of fibre where the record makes 3; without that gap all were apart."""
    plant = drawn_plant.DrawnPlant((0, 0), (3_000, 0))
    plant.nodes("pit", P1=(1_500, 600))
    plant.segment("D1", "duct", "A", "B")
    plant.segment("D2", "duct", "A", "P1", "B")
    plant.listed("M", "D1")
    plant.listed("N", "D2")
    plant.circuit("M", "N")
    plant.rows["measurements"].append({"cable": "M", "fibre": 1, "length_m": 5_000})
    folder = tmp_path / "study"
    plant.read(folder)
    (folder / "rules.toml").write_text(
        "[services.default]\nend_zone_m = 300\n[records]\nwithin = 'none'\n", encoding="utf-8"
    )
    facts = _proved(folder)
    assert _told(folder, facts) == []
    (circuit,) = facts["circuits"]
    assert circuit["verdict"] == "unproven"
    for part in (facts, circuit):
        part["gaps"] = [one for one in part["gaps"] if one["code"] != "measured-length"]
    facts["summary"]["gaps"] = sum(one["count"] for one in facts["gaps"])
    circuit["verdict"] = facts["evidence"]["verdicts"][0]["verdict"] = "apart"
    facts["summary"]["unproven"], facts["summary"]["apart"] = 0, 1
    assert any("measured-length" in one for one in _told(folder, facts))

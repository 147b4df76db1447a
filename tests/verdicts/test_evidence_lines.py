"""One fact to a line: everything comes back, and a record that changes moves a few lines."""

from __future__ import annotations

import csv
import difflib
import json
import random
from pathlib import Path
from typing import Any

import pytest

import waysapart as wa
from commands import run
from everyday import some
from proofs import proof_of
from random_plant import write_random_study
from small_study import write_small_study
from waysapart.cli.common import json_text
from waysapart.evidence_file import in_file

ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture(scope="module", params=["awkward", *some(range(6), every=6)])
def facts(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Any:
    if request.param == "awkward":
        return proof_of(ROOT / "examples" / "awkward").facts()
    folder = tmp_path_factory.mktemp("plant") / "study"
    write_random_study(folder, 300 + request.param)
    return proof_of(folder).facts()


def test_everything_comes_back_from_lines_and_from_json(facts: Any, tmp_path: Path) -> None:
    before = json.dumps(facts)
    (tmp_path / "facts.jsonl").write_text("\n".join(wa.fact_lines(facts)) + "\n")
    (tmp_path / "evidence.json").write_text(json_text(in_file(facts)))
    named = json.loads(json.dumps(wa.with_ids(facts)))
    assert wa.read_facts(tmp_path / "facts.jsonl") == named
    assert list(wa.read_facts(tmp_path / "facts.jsonl")) == list(named)
    assert wa.read_facts(tmp_path / "evidence.json") == named
    assert json.dumps(facts) == before, "the facts stay as they are"


def test_no_place_stands_twice_and_nothing_is_outside_ascii(facts: Any) -> None:
    lines = list(wa.fact_lines(facts))
    places = [json.dumps(json.loads(line)["at"]) for line in lines[1:]]
    assert len(places) == len(set(places))
    assert "".join(lines).isascii()


def test_ids_stand_for_the_numbers(facts: Any) -> None:
    """Against the assets counted off by hand."""
    told, named = facts["evidence"], wa.with_ids(facts)["evidence"]
    for mine, ids in ((told["roles"], named["roles"]), (told["links"], named["links"])):
        for key, text in mine.items():
            numbers = []
            for part in text.split():
                ends = [int(one) for one in part.split("-")]
                numbers += list(range(ends[0], ends[-1] + 1))
            assert ids[key] == [told["assets"][number] for number in numbers]
    for mine, one in zip(told["verdicts"], named["verdicts"], strict=True):
        assert [
            [[told["paths"][k]["circuit"], told["paths"][k]["path"]] for k in side]
            for side in mine["sides"]
        ] == one["sides"]
    assert sum(len(one["relies_on"]) for one in named["paths"]) == sum(
        path["relies_on"] for circuit in facts["circuits"] for path in circuit["paths"].values()
    )


def changed(before: Path, after: Path) -> list[str]:
    """Lines of two files that differ, with + and -, as git shows them."""
    lines = [file.read_text().splitlines() for file in (before, after)]
    return [
        line
        for line in difflib.unified_diff(*lines, lineterm="", n=0)
        if not line.startswith(("---", "+++", "@@"))
    ]


def proved(folder: Path, target: Path) -> Path:
    assert run("prove", folder, "--json-lines", target, "--on", "2026-03-01", "-q").exit_code != 2
    return target


def test_one_record_that_changes_moves_a_handful_of_lines(tmp_path: Path) -> None:
    """The loss of joint J1 in the duct: the hash of its file, its record, the loss of link L2 with
    what follows from it, and nothing of the other link."""
    folder = write_small_study(tmp_path / "study")
    links = folder / "links.csv"
    links.write_text(links.read_text().replace(",2\n", ",\n"))  # splices as the joints say
    before = proved(folder, tmp_path / "before.jsonl")
    joints = folder / "joints.csv"
    joints.write_text(joints.read_text().replace("0.08", "0.30"))
    moved = changed(before, proved(folder, tmp_path / "after.jsonl"))
    facts = [json.loads(line[1:]) for line in moved]
    places = {json.dumps(one["at"]) for one in facts} - {'["made"]'}
    assert 3 < len(places) <= 12, sorted(places)
    told = ("joints.csv", "J1", "L2")
    assert all(any(f'"{name}"' in place for name in told) for place in places), sorted(places)
    (row,) = (one for one in facts if one["at"][0] == "records" and one["value"]["loss_db"] == 0.3)
    assert row["value"]["id"] == "J1"


def test_a_pit_more_is_told_where_it_counts_and_nowhere_else(tmp_path: Path) -> None:
    """A pit that no path passes, first in its layer: its hash, its record, the rows' numbers."""
    folder = write_small_study(tmp_path / "study")
    before = proved(folder, tmp_path / "before.jsonl")
    layer = folder / "structures.geojson"
    read = json.loads(layer.read_text())
    new = json.loads(json.dumps(read["features"][0]))
    new["properties"]["id"] = "P0"
    new["geometry"]["coordinates"][1] += 0.2
    layer.write_text(json.dumps({**read, "features": [new, *read["features"]]}))
    moved = changed(before, proved(folder, tmp_path / "after.jsonl"))
    facts = [json.loads(line[1:]) for line in moved]
    assert {one["at"][0] for one in facts} <= {"made", "inputs", "records", "layers", "ages"}
    assert len(facts) < 12


def test_the_order_of_rows_in_the_layers_does_not_matter(tmp_path: Path) -> None:
    """All rows of all layers shuffled: hashes and numbers of rows differ, and nothing else."""
    folder = write_small_study(tmp_path / "study")
    before = proved(folder, tmp_path / "before.jsonl")
    rng = random.Random(3)
    for file in folder.iterdir():
        if file.suffix == ".csv":
            head, *rows = list(csv.reader(file.read_text().splitlines()))
            rng.shuffle(rows)
            file.write_text("\n".join(",".join(row) for row in [head, *rows]) + "\n")
        elif file.suffix == ".geojson":
            layer = json.loads(file.read_text())
            rng.shuffle(layer["features"])
            file.write_text(json.dumps(layer))
    for line in changed(before, proved(folder, tmp_path / "after.jsonl")):
        at = json.loads(line[1:])["at"]
        assert at[0] in ("made", "inputs", "gaps", "record_first") or at[-1] == "at", line


def test_version_study_time_and_hashes_come_first(tmp_path: Path) -> None:
    target = proved(write_small_study(tmp_path / "study"), tmp_path / "facts.jsonl")
    head, *lines = [json.loads(line) for line in target.read_text().splitlines()]
    assert list(head) == ["format", "waysapart", "lines"]
    names = [line["at"][0] for line in lines]
    assert names[:4] == ["study", "revision", "made", "on"]
    count = names.count("inputs")
    assert names[4 : 4 + count] == ["inputs"] * count
    # and of JSON, whose upper lists and objects have a line for each entry
    whole = tmp_path / "evidence.json"
    run("prove", tmp_path / "study", "--json", whole)
    rows = whole.read_text().splitlines()
    assert sum('"made"' in row for row in rows) == 1
    assert all(row.count('"sha256"') <= 1 for row in rows)


def test_lines_go_to_standard_output_alone(tmp_path: Path) -> None:
    folder = write_small_study(tmp_path / "study")
    told = run("prove", folder, "--json-lines", "-", "--on", "2026-03-01").stdout
    assert all("at" in json.loads(line) for line in told.splitlines()[1:])
    both = run("prove", folder, "--json", "-", "--json-lines", "-")
    assert both.exit_code == 2
    assert "cannot both" in both.output
    kept = tmp_path / "notes.txt"
    kept.write_text("mine\n")
    assert run("prove", folder, "--json-lines", kept).exit_code == 2
    assert kept.read_text() == "mine\n"
    target = proved(folder, tmp_path / "facts.jsonl")
    assert proved(folder, target).stat().st_size, "its own file may be replaced"


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ('{"at":["made"]}', "line 3: no value"),
        ('{"at":[],"value":1}', "line 3: no place"),
        ('{"at":[["x"]],"value":1}', "line 3: no place"),
        ('{"value":1}', "line 3"),
        ("[1]", "line 3"),
        ("{", "line 3"),
        ('{"at":["study"],"value":"again"}', "line 3: the same place twice"),
        ('{"at":["study",["x"]],"value":"again"}', "line 3: "),
        ('{"at":["circuits",["C1"],5],"value":"again"}', "line 3: "),
        ("", "less than the evidence"),
        ('{"at":["records","tables"],"value":[{"columns":3}]}', "less than the evidence"),
    ],
)
def test_a_broken_line_is_refused_by_its_number(line: str, said: str, tmp_path: Path) -> None:
    file = tmp_path / "facts.jsonl"
    head = '{"format":2,"waysapart":"0.1.0","lines":1}'
    file.write_text(f'{head}\n{{"at":["study"],"value":"S"}}\n{line}\n')
    with pytest.raises(wa.CallError) as told:
        wa.read_facts(file)
    assert said in str(told.value)


@pytest.mark.parametrize("text", ["", "[]", '{"format":2}', '{"lines":9,"format":2}', "\x00"])
def test_what_is_no_evidence_is_refused(text: str, tmp_path: Path) -> None:
    (tmp_path / "file").write_text(text)
    with pytest.raises(wa.CallError):
        wa.read_facts(tmp_path / "file")
    with pytest.raises(wa.CallError):
        wa.read_facts(tmp_path / "none")


def test_profiles_are_read_under_their_old_name(tmp_path: Path) -> None:
    """`ways` of version 0.1 are `paths`; with the lines they have the paths that they are along."""
    folder = write_small_study(tmp_path / "study")
    file, lines = tmp_path / "evidence.json", tmp_path / "facts.jsonl"
    asked = ("prove", folder, "-c", "K1", "--on", "2026-03-01")
    run(*asked, "--json", file, "--json-lines", lines)
    told = json.loads(file.read_text())
    found = wa.read_facts(file)
    assert found["profiles"][0]["paths"][0]["along"] == "main"
    assert wa.read_facts(lines)["profiles"] == found["profiles"]
    told["profiles"][0]["ways"] = told["profiles"][0].pop("paths")
    file.write_text(json.dumps(told))
    assert wa.read_facts(file)["profiles"] == found["profiles"]

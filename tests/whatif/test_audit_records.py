"""Whatever cell of a study is edited, the audit names it: file, row, column, before, after.

One cell of each column of each role is edited, one by one, and the proof from before is held
against the study as it is then. Where anything of a circuit differs, the cell is among the causes
that stand with the circuit.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

import waysapart as wa
from audited_plant import audited_plant, edit, write
from everyday import some
from waysapart.schema import ROLES
from waysapart.verdicts.facts_records import record_facts

Facts = dict[str, Any]
CELLS = [
    (role, column)
    for role, told in ROLES.items()
    for column in (*told.column, *(["geometry"] if told.geometry else []))
    if (role, column)
    not in {("holders", "geometry"), ("links", "geometry"), ("cables", "geometry")}
]


@pytest.fixture(scope="module")
def signed(tmp_path_factory: pytest.TempPathFactory) -> Facts:
    """The evidence of the plant before anything was edited, as a file holds it."""
    folder = write(audited_plant(), tmp_path_factory.mktemp("signed") / "study")
    found: Facts = json.loads(json.dumps(wa.prove(wa.read_study(folder)).facts()))
    return found


def test_the_plant_has_rows_of_every_role(signed: Facts) -> None:
    assert {table["role"] for table in signed["records"]["tables"]} == set(ROLES)


def test_the_same_study_again_differs_in_nothing(signed: Facts, tmp_path: Path) -> None:
    folder = write(audited_plant(), tmp_path / "study")
    facts = wa.compare(signed, wa.read_study(folder)).facts()
    assert facts["records_changed"] == []
    assert not any(row["moved"] or row["causes"] for row in facts["circuits"])


@pytest.mark.parametrize(("role", "column"), some(CELLS, every=24))
def test_an_edited_cell_is_named_and_tied_to_what_it_moves(
    role: str, column: str, signed: Facts, tmp_path: Path
) -> None:
    plant = audited_plant()
    before = _cell_of(plant.rows[role], edit(audited_plant(), role, column)[0], column)
    place, value = edit(plant, role, column)
    folder = write(plant, tmp_path / "study")
    study = wa.read_study(folder)
    proof = wa.prove(study)
    facts = json.loads(json.dumps(wa.compare(signed, proof).facts()))

    (record,) = facts["records_changed"]
    assert (record["role"], record["change"]) == (role, "changed")
    drawn = any("line" in row for row in plant.rows[role])
    assert record["file"] == f"{role}.{'geojson' if drawn else 'csv'}"
    assert record["row"] == record["row_before"] == place + (1 if drawn else 2)
    (cell,) = record["cells"]
    assert cell["column"] == column
    if column == "geometry":
        assert cell["moved_m"] == pytest.approx(12, abs=0.05)
        assert cell["before"] != cell["after"]
    else:
        default = ROLES[role].column[column].default
        assert (cell["before"], cell["after"]) == (
            _as_read(before, default),
            _as_read(value, default),
        )

    after = json.loads(json.dumps(proof.facts()))
    for row in facts["circuits"]:
        if row["change"] in ("new", "gone"):
            continue
        moved = _all_of(signed, row["id"]) != _all_of(after, row["id"])
        named = [one for one in row["causes"] if one["record"] == 0 and one["column"] == column]
        assert bool(named) == moved, (row["id"], row["moved"], row["causes"])
        assert bool(row["moved"]) == moved
        if moved:
            assert all(one["kind"] == "record" and one["sure"] for one in row["causes"])
            assert row["id"] in record["circuits"]
            assert row["id"] in record["explains"]


def _cell_of(rows: list[dict[str, Any]], place: int, column: str) -> Any:
    return rows[place].get(column)


def _as_read(value: Any, default: float | None) -> Any:
    """A cell as it is read: blanks are null, or what the column holds by default."""
    return default if value in (None, "") else value


def _all_of(facts: Facts, circuit: str) -> Any:
    """All that the evidence says of a circuit and of the links of its paths."""
    (row,) = (one for one in facts["circuits"] if one["id"] == circuit)
    mine = {link for path in row["paths"].values() for link in path["links"]}
    relied = {
        json.dumps(sorted(facts["evidence"]["assets"][n] for n in _numbers(path["relies_on"])))
        for path in facts["evidence"]["paths"]
        if path["circuit"] == circuit
    }
    links = [one for one in facts["links"] if one["id"] in mine]
    return row, links, sorted(relied)


def _numbers(text: str) -> list[int]:
    found: list[int] = []
    for run in text.split():
        low, _, high = run.partition("-")
        found += range(int(low), int(high or low) + 1)
    return found


def test_records_do_not_depend_on_the_order_of_rows(tmp_path: Path) -> None:
    plant = audited_plant()
    one = record_facts(wa.read_study(write(plant, tmp_path / "one")))
    for rows in plant.rows.values():
        rows.reverse()
    other = record_facts(wa.read_study(write(plant, tmp_path / "other")))
    assert [table["rows"] for table in one["tables"]] == [
        table["rows"] for table in other["tables"]
    ]

"""Single wrong cells that undo a verdict: each that is found does, none of the kinds is missed.

Every value is written into the tables of the study and proved again, by the whole prover.
"""

from __future__ import annotations

from pathlib import Path

import pytest

import waysapart as wa
from everyday import some
from random_plant import write_random_study
from single_cells import with_cell, with_error
from walk_plant import two_routes
from waysapart.whatif.single_errors import SingleError, single_errors
from waysapart.whatif.walkdown import NOT_TRIED

Cell = tuple[str, str, str]
"""Role, id (for runs the cable or link and the number of its row), column."""
FAR = 1e6
"""A reach at which place rules nothing out, so that only kinds do."""
KINDS = {
    "segments": {"right-of-way"},
    "structures": {"right-of-way"},
    "supplies": {"room"},
    "equipment": {"rack"},
}
"""What such things lie in somewhere in this plant."""


@pytest.fixture(scope="module")
def proof(tmp_path_factory: pytest.TempPathFactory) -> wa.Proof:
    found = two_routes().proof(tmp_path_factory.mktemp("walk") / "study")
    assert found.verdicts == ["apart"]
    return found


@pytest.fixture(scope="module")
def near(proof: wa.Proof) -> list[SingleError]:
    return single_errors(proof, [0])


@pytest.fixture(scope="module")
def far(proof: wa.Proof) -> list[SingleError]:
    return single_errors(proof, [0], reach_m=FAR)


def row_of(proof: wa.Proof, role: str, name: str) -> int:
    table = proof.study.tables[role]
    if role in ("cable_runs", "link_runs"):
        of, number = name.split()
        column = "cable" if role == "cable_runs" else "link"
        (row,) = ((table[column] == of) & (table["seq"] == float(number))).to_numpy().nonzero()[0]
    else:
        (row,) = (table["id"] == name).to_numpy().nonzero()[0]
    return int(row)


SOUND: list[Cell] = [
    ("cable_runs", "CN 2", "segment"),
    ("cable_runs", "CS 1", "segment"),
    ("segments", "DN1", "a"),
    ("segments", "DS0", "b"),
    ("segments", "DN1", "within"),
    ("segments", "DS0", "within"),
    ("structures", "N2", "within"),
    ("structures", "S1", "geometry"),
    ("joints", "JN", "at"),
    ("joints", "JS", "cables"),
    ("equipment", "MA1", "supplies"),
    ("supplies", "BTB2", "needs"),
    ("holders", "RKA1", "within"),
    ("holders", "CHB1", "within"),
    ("equipment", "MB2", "within"),
    ("link_runs", "F1 1", "cable"),
]


@pytest.mark.parametrize("cell", some(list(map(list, SOUND)), every=8))
def test_each_found_value_undoes_the_verdict(
    cell: list[str], proof: wa.Proof, near: list[SingleError]
) -> None:
    role, name, column = cell
    row = row_of(proof, role, name)
    mine = [one for one in near if (one.role, one.row, one.column) == (role, row, column)]
    assert mine
    for error in mine:
        again = wa.prove(with_error(proof, error))
        assert again.verdicts[0] == "shared", error
        shared = {one["asset"] for one in again.facts()["circuits"][0]["shared"]}
        assert {proof.names[asset][0] for asset in error.shared} <= shared, error


def cells(plant_rows: dict[str, list[dict[str, object]]]) -> list[Cell]:
    """Every cell of the stated kinds in the plant."""
    found: list[Cell] = []
    for role, columns in (
        ("segments", ("a", "b", "within")),
        ("structures", ("within",)),
        ("equipment", ("within", "supplies")),
        ("supplies", ("within", "needs", "supplies")),
        ("holders", ("within",)),
        ("joints", ("at", "cables")),
    ):
        found += [(role, str(one["id"]), column) for column in columns for one in plant_rows[role]]
    found += [
        ("cable_runs", f"{one['cable']} {one['seq']}", "segment")
        for one in plant_rows["cable_runs"]
    ]
    found += [
        ("link_runs", f"{one['link']} {one['seq']}", "cable") for one in plant_rows["link_runs"]
    ]
    return found


def values(rows: dict[str, list[dict[str, object]]], cell: Cell, now: str) -> list[str]:
    """All values of the stated kinds for a cell, read from the rows of the plant alone."""
    role, name, column = cell

    def ids(of: str, **like: object) -> list[str]:
        return [
            str(one["id"])
            for one in rows[of]
            if all(one.get(key) == value for key, value in like.items()) and one["id"] != name
        ]

    site = name[-2] if role in ("supplies", "equipment") else None
    if column == "segment":
        tried = ids("segments")
    elif column in ("a", "b", "at"):
        tried = [*ids("structures"), *(ids("sites") if column != "at" else [])]
    elif column == "cable":
        tried = ids("cables")
    elif column == "cables":
        tried = [f"{now};{one}" for one in ids("cables") if one != now]
    elif column == "supplies":
        tried = ids("supplies", site=site) if role == "equipment" or now else []
    elif column == "needs":
        tried = [one for one in ids("holders", kind="charger") if one[-2] == site]
    else:
        kinds = {one["kind"] for one in rows["holders"] if one["id"] == now} or KINDS.get(
            role, set()
        )
        tried = [
            one
            for kind in sorted(map(str, kinds))
            for one in ids("holders", kind=kind)
            if kind == "right-of-way" or name[-2] == one[-2]
        ]
    return [one for one in tried if one != now]


ROWS = two_routes().rows


@pytest.mark.parametrize("cell", some(list(map(list, cells(ROWS))), every=14))
def test_no_value_that_undoes_it_is_missed(
    cell: list[str], proof: wa.Proof, far: list[SingleError]
) -> None:
    """Every value of the plant in every cell of the stated kinds, by brute force."""
    role, name, column = cell
    row = row_of(proof, role, name)
    was = proof.study.tables[role][column].iloc[row]
    now = was if isinstance(was, str) else ""
    found = {one.cell for one in far if (one.role, one.row, one.column) == (role, row, column)}
    tried = values(ROWS, (role, name, column), now)
    undoing = {
        value
        for value in tried
        if wa.prove(with_cell(proof.study, role, row, column, value)).verdicts[0] == "shared"
    }
    assert found == undoing


def test_the_cells_of_this_plant_are_not_vacuous(far: list[SingleError]) -> None:
    assert len(far) > 50
    assert {one.kind for one in far} == {
        *("run", "cable", "end", "within", "joint", "feed", "position"),
    }


@pytest.mark.parametrize("seed", some([1, 7, 13, 17, 18, 24, 44, 59, *range(60, 70)], every=18))
def test_found_values_undo_verdicts_of_random_plants(seed: int, tmp_path: Path) -> None:
    study = wa.read_study(write_random_study(tmp_path, seed, gaps=0.0, blanks=0.3))
    found = wa.prove(study)
    errors = single_errors(found, range(len(found.trials)), reach_m=300.0)
    by_kind: dict[str, list[SingleError]] = {}
    for error in errors:
        by_kind.setdefault(error.kind, []).append(error)
    for several in by_kind.values():
        for error in several[:: max(1, len(several) // 3)]:
            again = wa.prove(with_error(found, error))
            assert again.verdicts[error.trial] == "shared", error


def test_only_what_lies_within_reach_is_tried(proof: wa.Proof) -> None:
    """The routes are 30 m apart between their pits."""
    close = single_errors(proof, [0], reach_m=20.0)
    wide = single_errors(proof, [0], reach_m=31.0)

    def placed(errors: list[SingleError]) -> set[tuple[str, int, str]]:
        return {(one.kind, one.row, one.value) for one in errors if one.kind in ("end", "joint")}

    assert not placed(close)
    assert placed(wide)
    assert all(one.distance_m <= 31.0 or one.distance_m != one.distance_m for one in wide)


def test_a_circuit_that_is_not_apart_has_none(tmp_path: Path) -> None:
    plant = two_routes()
    plant.rows["cable_runs"][1]["segment"] = "DS1"
    found = plant.proof(tmp_path)
    assert found.verdicts == ["shared"]
    assert single_errors(found, [0]) == []


def test_lines_beside_each_other_that_come_too_near(tmp_path: Path) -> None:
    """5 m required, 30.01 m kept: each middle duct, moved 25.06 m, comes too near the other.

    The plant is drawn 30 m apart on a grid whose scale is 0.9996 there; 5 cm go beyond the limit.

    No run does: whoever lies in the other duct shares it.
    """
    plant = two_routes()
    plant.separation_m = 5.0
    plant.segment("DX", "duct", (205, -11), (395, -11), within="-")
    plant.nodes("pit", X1=(205, -11), X2=(395, -11))
    found = plant.proof(tmp_path)
    assert found.verdicts == ["apart"]
    errors = [one for one in single_errors(found, [0]) if not one.shared]
    ids = found.study.tables["segments"]["id"].to_list()
    moved = {ids[one.row]: one for one in errors if one.kind == "position"}
    assert {"DN1", "DS1"} <= set(moved)
    assert moved["DN1"].moved_m == pytest.approx(30 / 0.9996 - 5 + 0.05, abs=0.005)
    runs = {one.value for one in errors if one.kind == "run"}
    assert runs == {"DX"}
    for error in (moved["DN1"], next(one for one in errors if one.kind == "run")):
        again = wa.prove(with_error(found, error))
        assert again.verdicts == ["shared"]
        assert again.facts()["circuits"][0]["near"]


def test_what_stands_behind_two_supplies_is_not_tried_and_the_sheet_says_so(
    tmp_path: Path,
) -> None:
    """Both multiplexers of A have both batteries.

    Battery 2 on charger 1, or in its room, leaves them one thing to hang on.
    """
    plant = two_routes()
    for row in plant.rows["equipment"]:
        if row["id"] in ("MA1", "MA2"):
            row["supplies"] = "BTA1;BTA2"
    found = plant.proof(tmp_path)
    assert found.verdicts == ["apart"]
    row = row_of(found, "supplies", "BTA2")
    for column, value in (("needs", "CHA1"), ("within", "RMA1")):
        again = wa.prove(with_cell(found.study, "supplies", row, column, value))
        assert again.verdicts == ["shared"]
    assert not [
        one for one in single_errors(found, [0]) if (one.role, one.row) == ("supplies", row)
    ]
    assert any("behind several supplies" in one for one in NOT_TRIED)


def test_a_group_hangs_on_racks_that_one_circuit_is_excused(tmp_path: Path) -> None:
    """Relays of one circuit may share a rack at its ends; those of two in a group may not."""
    plant = two_routes()
    plant.rows["circuits"][0]["group"] = "G"
    for site in ("A", "B"):
        plant.machine(f"Q{site}", site, "relay", within=f"RK{site}2", supplies="-", delay_us=0)
        for row in plant.rows["equipment"]:
            if row["id"] == f"R{site}":
                row["within"] = f"RK{site}1"
    plant.fibre("L", "QA", "QB", "CS")
    plant.fibre("LN", "QA", "QB", "CN")
    plant.way("J", "main", "L", a="QA", b="QB", group="G")
    plant.way("J", "alternate", "LN")
    found = plant.proof(tmp_path)
    names = [one.id for one in found.trials]
    assert found.verdicts[names.index("G")] == "apart"
    equipment = found.study.tables["equipment"]["id"].to_list()
    errors = single_errors(found, range(len(names)))
    relays = {
        (names[one.trial], equipment[one.row], one.value)
        for one in errors
        if one.role == "equipment" and one.column == "within" and equipment[one.row] in ("RA", "QA")
    }
    assert relays == {("G", "RA", "RKA2"), ("G", "QA", "RKA1")}
    for error in errors:
        if error.role == "equipment" and equipment[error.row] in ("RA", "QA"):
            assert wa.prove(with_error(found, error)).verdicts[error.trial] == "shared"


@pytest.mark.slow
def test_cords_on_the_other_paths_panel_in_the_demo(estuary_proof: wa.Proof) -> None:
    """Links of the demo are traced from port to port: a wrong cord leads over the other panel."""
    trial = estuary_proof.circuit_ids.index("C15")
    cords = [one for one in single_errors(estuary_proof, [trial]) if one.kind == "cord"]
    assert {one.column for one in cords} == {"a", "b"}
    for error in cords:
        assert wa.prove(with_error(estuary_proof, error)).verdicts[trial] == "shared", error

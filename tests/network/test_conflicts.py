"""Records that contradict each other leave what they touch unproven, and everything else as it is.

Each bad input that is no fault of the file as a whole is made in a study of two circuits: K1 of
the small study, and `k2` on plant of its own 20 km north of it. What is wrong about K1's records
leaves K1 unproven, or its limits open; `k2` stays apart, unless nobody can tell what the faulty
row touches.
"""

from __future__ import annotations

import json
import random
import shutil
from pathlib import Path
from typing import Any

import pytest

import waysapart as wa
from bad_inputs import CASES, Case, feature, more, text
from commands import run
from conflicting_studies import (
    DAMAGE,
    NORTH_M,
    TOUCHED,
    add_pits,
    doubled,
    pit,
    two_circuits,
)
from everyday import some
from mutations import Files
from proofs import proof_of
from random_plant import write_random_study
from small_study import POINTS, lon_lat, write_small_study


def judged(folder: Path) -> tuple[wa.Proof, dict[str, Any]]:
    proof = proof_of(folder)
    return proof, {one["id"]: one for one in proof.facts()["circuits"]}


def test_without_a_fault_both_are_apart(tmp_path: Path) -> None:
    proof, found = judged(two_circuits(tmp_path))
    assert [gap.code for gap in proof.record_gaps] == ["lone-member"]  # the small study's group
    for name in ("K1", "k2"):
        assert found[name]["verdict"] == "apart"
        assert found[name]["within_limits"] is True


@pytest.mark.parametrize("case", [c for c in CASES if c.name in TOUCHED], ids=lambda c: c.name)
def test_a_conflict_leaves_open_what_it_touches(case: Case, tmp_path: Path) -> None:
    codes, verdict, within, other = TOUCHED[case.name]
    proof, found = judged(two_circuits(tmp_path / "two", case.mutate))
    assert {gap.code for gap in proof.study.gaps} == codes
    told = [gap for gap in proof.study.gaps if case.phrase in gap.message]
    assert told or case.name in {"duplicate id", "duplicate id in two roles"}
    assert all(gap.file and (gap.row or gap.code == "waiver-owner") for gap in proof.study.gaps)
    assert found["K1"]["verdict"] == verdict
    assert found["K1"]["within_limits"] is within
    assert found["k2"]["verdict"] == other
    if other == "apart":
        assert found["k2"]["within_limits"] is True


@pytest.mark.parametrize(
    "case", some([c for c in CASES if c.name in TOUCHED], every=8), ids=lambda c: c.name
)
def test_strictly_the_same_is_an_error(case: Case, tmp_path: Path) -> None:
    folder = write_small_study(tmp_path / "small")
    case.mutate(folder)
    with pytest.raises(wa.StudyError):
        wa.read_study(folder, strict=True)


UNREADABLE = [one for one in CASES if one.name not in TOUCHED]


@pytest.mark.parametrize("case", some(UNREADABLE, every=8), ids=lambda c: c.name)
def test_what_makes_the_input_unreadable_is_an_error_anyway(case: Case, tmp_path: Path) -> None:
    folder = write_small_study(tmp_path / "small")
    case.mutate(folder)
    with pytest.raises(wa.StudyError):
        wa.read_study(folder)


def test_gaps_are_named_beside_errors(tmp_path: Path) -> None:
    """Nobody mends the errors first, only to be told of the rest in the next run."""
    folder = write_small_study(tmp_path)
    text("cable_runs.csv", "C1,2,S2", "C1,2,S22")(folder)
    text("equipment.csv", "id,site,kind", "id,SITE_NO,kind")(folder)
    with pytest.raises(wa.StudyError) as raised:
        wa.read_study(folder)
    assert [problem.column for problem in raised.value.problems] == ["site"]
    assert any("there is no 'S22'" in note for note in raised.value.notes)


def test_check_lists_gaps_and_strictly_errors(tmp_path: Path) -> None:
    folder = two_circuits(tmp_path / "two", text("cable_runs.csv", "C1,2,S2", "C1,2,S22"))
    for command, code in (("check", 3), ("prove", 3)):
        done = run(command, folder)
        assert done.exit_code == code
        assert "dangling-reference" in done.output
    done = run("check", folder, "--strict", "--json", "-")
    assert done.exit_code == 2
    facts = json.loads(done.stdout)
    assert [error["row"] for error in facts["errors"]] == [3]
    assert facts["gaps"] == []


def test_a_row_with_a_taken_id_keeps_its_place(tmp_path: Path) -> None:
    """T1 is the id of a tower of the line, and of a pit that the duct D2 passes at 1000 m.

    Both are kept. The spans say that they end at T1, which may be either: they end where they are
    drawn, at the tower. The path through the pit relies on it, and both paths are touched.
    """
    study = wa.read_study(two_circuits(tmp_path, add_pits(pit("T1", 1000, -300))))
    structures = study.tables["structures"]
    assert {"T1", "T1 (2)"} <= set(structures["id"])
    (gap,) = study.gaps
    assert gap.code == "duplicate-id"
    assert set(gap.assets) == {"T1", "T1 (2)"}
    proof = wa.prove(study)
    number = dict(zip(proof.network.assets.frame["id"], range(10_000), strict=False))
    passed = set(proof.network.passed.structure.tolist())
    of_pit = structures.loc[(structures["kind"] == "pit"), "id"]
    mine = [name for name in of_pit if name.startswith("T1")]
    assert [number[name] in passed for name in mine] == [True]
    assert {gap.code for gap in proof.network.gaps} == {"duplicate-id"}
    assert proof.verdicts[0] == "unproven"


def test_which_row_keeps_the_id_does_not_hang_on_their_order(tmp_path: Path) -> None:
    """Two pits P2 in two places, in either order: the same place has the same id."""
    places = []
    for order in (1, -1):
        folder = write_small_study(tmp_path / str(order))
        path = folder / "structures.geojson"
        collection = json.loads(path.read_text(encoding="utf-8"))
        collection["features"].append(pit("P2", 1500, -300))
        collection["features"] = collection["features"][::order]
        path.write_text(json.dumps(collection), encoding="utf-8")
        table = wa.read_study(folder).tables["structures"].set_index("id")
        places.append([table.geometry[name].wkt for name in ("P2", "P2 (2)")])
    assert places[0] == places[1]
    assert places[0][0] != places[0][1]


def test_the_same_row_twice_counts_once(tmp_path: Path) -> None:
    """An id and a step that stand twice, word for word: no gap, and a note for each table."""
    folder = two_circuits(
        tmp_path,
        lambda one: (
            more("cable_runs.csv", "C1,2,S2\n")(one),
            more("cables.csv", "C2,G.652.D,48,duct,\n")(one),
        )[0],
    )
    study = wa.read_study(folder)
    assert study.gaps == ()
    assert len([note for note in study.notes if "word for word" in note]) == 2
    assert wa.prove(study).verdicts[:2] == ["apart", "apart"]


def test_a_reference_means_the_one_of_its_role(tmp_path: Path) -> None:
    """The duct's cable is called T1, as a tower is: runs and links mean the cable, and hold."""

    def mutate(folder: Path) -> None:
        for file, old, new in (
            ("cables.csv", "C2,G.652.D", "T1,G.652.D"),
            ("link_runs.csv", "L2,1,C2", "L2,1,T1"),
            ("joints.csv", "J1,P2,C2", "J1,P2,T1"),
            *(("cable_runs.csv", f"C2,{n},D{n}", f"T1,{n},D{n}") for n in (1, 2, 3, 4)),
        ):
            text(file, old, new)(folder)

    study = wa.read_study(two_circuits(tmp_path, mutate))
    assert [gap.code for gap in study.gaps] == ["duplicate-id"]
    proof = wa.prove(study)
    assert {gap.code for gap in proof.network.gaps} == {"duplicate-id"}
    assert proof.verdicts[:2] == ["unproven", "apart"]


@pytest.mark.parametrize(("east", "verdict"), [(1000.0, "unproven"), (1003.9, "unproven")])
def test_a_structure_of_unknown_kind_touches_what_may_pass_it(
    east: float, verdict: str, tmp_path: Path
) -> None:
    """On the duct D2, or beside it by less than twice snap_m (2 m)."""
    mutate = add_pits(pit("PX", 1000.0, -300.0 + east - 1000.0, kind=None))
    _, found = judged(two_circuits(tmp_path, mutate))
    assert found["K1"]["verdict"] == verdict
    assert found["k2"]["verdict"] == "apart"


def test_a_structure_of_unknown_kind_far_from_all_plant_touches_nothing(tmp_path: Path) -> None:
    proof, found = judged(two_circuits(tmp_path, add_pits(pit("PX", 1000.0, -290.0, kind=None))))
    assert [gap.code for gap in proof.study.gaps] == ["blank-required"]
    assert found["K1"]["verdict"] == "apart"


def test_a_segment_without_geometry_may_be_what_a_drawn_cable_follows(tmp_path: Path) -> None:
    """Cable c2 is drawn and not listed. D3 has no geometry: it may be one that c2 follows."""

    def mutate(folder: Path) -> None:
        feature("segments.geojson", "D3", lambda one: one.update(geometry=None))(folder)

    folder = two_circuits(tmp_path, mutate)
    runs = folder / "cable_runs.csv"
    kept = [line for line in runs.read_text().splitlines() if not line.startswith("c2,")]
    runs.write_text("\n".join(kept) + "\n")
    course = ", ".join(
        "{} {}".format(*lon_lat(x, y + NORTH_M))
        for x, y in (POINTS[name] for name in ("WS", "P1", "P2", "P3", "MP"))
    )
    cables = (folder / "cables.csv").read_text().splitlines()
    drawn = [f"{cables[0]},geometry", *(f"{line}," for line in cables[1:-1])]
    drawn.append(f'{cables[-1]},"LINESTRING ({course})"')
    (folder / "cables.csv").write_text("\n".join(drawn) + "\n")
    with (folder / "study.toml").open("a") as toml:
        for path in sorted(folder.glob("*.*")):
            if path.suffix in {".csv", ".geojson"}:
                toml.write(f'[[layer]]\nrole = "{path.stem}"\nsource = "{path.name}"\n')
                if path.stem == "cables":
                    toml.write('crs = "EPSG:4326"\n')
    proof, found = judged(folder)
    (gap,) = proof.study.gaps
    assert set(gap.assets) == {"D3", "c2"}
    assert found["k2"]["verdict"] == "unproven"


def test_a_site_in_no_known_place_makes_nothing_near(tmp_path: Path) -> None:
    """Both paths leave West Sands side by side: near, but for the zone round the site.

    Where the site lies nobody knows, so that its zone may cover everything: unproven, not shared.
    """
    mutate = feature("sites.geojson", "WS", lambda one: one.update(geometry=None))
    proof, found = judged(two_circuits(tmp_path, mutate))
    assert [gap.code for gap in proof.study.gaps] == ["unusable-geometry"]
    assert found["K1"]["verdict"] == "unproven"
    assert found["K1"]["near"] == []


def test_a_step_without_a_place_is_still_relied_on(tmp_path: Path) -> None:
    """Blank seq: D2 comes last, so that the cable breaks and ends elsewhere, but it has D2."""
    folder = two_circuits(tmp_path, text("cable_runs.csv", "C2,2,D2", "C2,,D2"))
    proof = proof_of(folder)
    codes = {gap.code for gap in proof.network.gaps}
    assert codes == {"blank-required", "cable-broken", "link-end"}
    cable = list(proof.study.tables["cables"]["id"]).index("C2")
    ids = proof.study.tables["segments"]["id"].to_numpy()
    chain = proof.network.chains
    assert set(ids[chain.segment[chain.rows(cable)]]) == {"D1", "D2", "D3", "D4"}


def test_a_conflict_in_a_row_that_a_proposal_replaces_is_none(tmp_path: Path) -> None:
    base = write_small_study(tmp_path / "base")
    text("cables.csv", "C1,G.652.D,24", "C1,G.652.D,many")(base)
    assert [gap.code for gap in wa.read_study(base).gaps] == ["unreadable-figure"]
    after = tmp_path / "after"
    after.mkdir()
    (after / "study.toml").write_text('extends = "../base"\n')
    (after / "cables.csv").write_text("id,fibre_type,fibre_count,kind\nC1,G.652.D,24,opgw\n")
    assert wa.read_study(after).gaps == ()


def test_many_faults_of_one_kind_are_one_line(tmp_path: Path) -> None:
    """150 joints with a loss that is none: one line, 150 joints counted in it."""
    folder = write_small_study(tmp_path)
    with (folder / "joints.csv").open("a", encoding="utf-8") as stream:
        stream.writelines(f"X{number},P2,C2,{-number}\n" for number in range(1, 151))
    done = run("check", folder, "--json", "-")
    assert done.exit_code == 3
    (gap,) = json.loads(done.stdout)["gaps"]
    assert gap["code"] == "unreadable-figure"
    assert gap["count"] == 150
    assert gap["message"].startswith("150 rows of joints, loss_db: a cell holds no figure")


# Damage to random plants


@pytest.mark.parametrize("seed", [1, pytest.param(4, marks=pytest.mark.slow)])
def test_no_conflict_makes_anything_apart(seed: int, tmp_path: Path) -> None:
    """What was shared or unproven is never apart, accepted or within limits by a conflict."""
    nothing_becomes_apart(seed, len(DAMAGE), tmp_path)


@pytest.mark.slow
@pytest.mark.parametrize("seed", [1, 4, 8, 13])
def test_no_conflict_of_many_makes_anything_apart(seed: int, tmp_path: Path) -> None:
    nothing_becomes_apart(seed, 2 * len(DAMAGE), tmp_path)


def nothing_becomes_apart(seed: int, times: int, tmp_path: Path) -> None:
    """Damage a plant in each way in turn, each time afresh, and hold the verdicts against it."""
    source = write_random_study(tmp_path / "sound", seed)
    before = _verdicts(source)
    rng = random.Random(f"conflicts {seed}")
    codes: set[str] = set()
    for number in range(times):
        folder = tmp_path / f"damaged{number}"
        shutil.copytree(source, folder)
        files = Files(folder)
        kind = DAMAGE[number % len(DAMAGE)]
        what = kind(files, rng)
        files.write()
        study = wa.read_study(folder)
        codes |= {gap.code for gap in study.gaps}
        after = _verdicts(study)
        for name, (verdict, within) in after.items():
            was, was_within = before.get(name, ("apart", True))
            if was in ("shared", "unproven"):
                assert verdict in ("shared", "unproven"), f"{kind.__name__} {what}: {name}"
            if was_within is not True and "measurements" not in what:
                assert within is not True, f"{kind.__name__} {what}: limits of {name}"
    assert len(codes) >= 3


def _verdicts(study: Path | wa.Study) -> dict[tuple[str, str], tuple[str, bool | None]]:
    facts = wa.prove(study if isinstance(study, wa.Study) else wa.read_study(study)).facts()
    return {
        (kind, one["id"]): (one["verdict"], one.get("within_limits"))
        for kind in ("circuits", "groups")
        for one in facts[kind]
    }


@pytest.mark.parametrize("seed", [2, 9])
def test_nothing_hangs_on_the_order_of_conflicting_rows(seed: int, tmp_path: Path) -> None:
    """Ids and steps that stand several times: the same verdicts with all rows turned about."""
    source = write_random_study(tmp_path / "study", seed)
    files = Files(source)
    rng = random.Random(f"order {seed}")
    for _ in range(6):
        doubled(files, rng)
    files.write()
    before = _verdicts(source)
    for rows in files.rows.values():
        rows.reverse()
    files.write()
    assert _verdicts(source) == before

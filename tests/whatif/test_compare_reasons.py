"""Each figure that worsens beyond its tolerance makes a change worse, and says so."""

from __future__ import annotations

import json
import random
import shutil
from pathlib import Path
from typing import Any

import pytest

import waysapart as wa
from compare_reading import got_worse
from dig_plant import two_ways
from drawn_plant import DrawnPlant
from everyday import some
from mutations import STUDY, Files, NothingToDamageError
from random_plant import write_random_study
from waysapart.whatif.changes import Difference, changes
from waysapart.whatif.tolerances import TOLERANCES

ROOT = Path(__file__).resolve().parents[2]


def _one(before: dict[str, Any], after: dict[str, Any]) -> Difference:
    (change,) = changes(
        [{"id": "K", "verdict": "shared", **before}], [{"id": "K", "verdict": "shared", **after}]
    )
    return change


def _shared(*assets: str, **more: Any) -> dict[str, Any]:
    return {"shared": [{"asset": one, "waived": False, "through": None} for one in assets], **more}


def _near(*pairs: tuple[str, str, float, float]) -> dict[str, Any]:
    return {
        "near": [
            {"main": a, "alternate": b, "distance_m": distance, "length_m": length, "waived": False}
            for a, b, distance, length in pairs
        ]
    }


def _gap(code: str, bears_on: str = "both", count: int = 1) -> dict[str, Any]:
    return {"code": code, "asset": "X", "bears_on": bears_on, "count": count}


def test_one_shared_thing_in_place_of_another_is_worse_and_both_are_named() -> None:
    """The road bridge is no longer shared, a pit is, and the paths meet in it."""
    change = _one(_shared("BRG-1", closest_m=12.003), _shared("B1-P08", closest_m=0.0))
    assert change.change == "worse"
    assert change.worse == ("newly shared: B1-P08", "closest approach 12.0 m to 0 m")
    assert change.better == ("no longer shared: BRG-1",)
    told = change.as_dict()["reasons"]
    assert told[1] == {
        "figure": "closest_m",
        "change": "worse",
        "text": "closest approach 12.0 m to 0 m",
        "before": 12.003,
        "after": 0.0,
        "tolerance": 1.0,
    }


def test_what_holds_a_newly_shared_thing_is_counted_not_named() -> None:
    after = _shared("P1")
    after["shared"].append({"asset": "TR-1", "waived": False, "through": "P1"})
    assert _one({}, after).worse == ("newly shared: P1, and what holds it (1)",)


@pytest.mark.parametrize(
    ("before", "after", "worse", "better"),
    [
        pytest.param(
            _near(("d1", "e1", 3.0, 100)),
            _near(("d2", "e2", 4.0, 50)),
            ["newly near: d2 / e2 (4.00 m over 50.0 m)"],
            ["no longer near: d1 / e1 (3.00 m over 100 m)"],
            id="elsewhere",
        ),
        pytest.param(
            _near(("d1", "e1", 3.0, 100)),
            _near(("d1", "e1", 3.0, 160)),
            ["near for 100 m to 160 m"],
            [],
            id="longer",
        ),
        pytest.param(
            _near(("d1", "e1", 4.0, 100)),
            _near(("d1", "e1", 1.5, 100)),
            ["d1 / e1 4.00 m to 1.50 m apart"],
            [],
            id="closer",
        ),
        pytest.param(
            _near(("d1", "e1", 4.0, 100)),
            _near(("d1", "e1", 3.2, 108)),
            [],
            [],
            id="within tolerance",
        ),
        pytest.param(
            {"cross": [{"main": "d1", "alternate": "e1", "forbidden": True}]},
            {"cross": [{"main": "d2", "alternate": "e1", "forbidden": True}]},
            ["newly crossing: d2 / e1"],
            ["no longer crossing: d1 / e1"],
            id="crossing elsewhere",
        ),
        pytest.param(
            {},
            {"cross": [{"main": "d2", "alternate": "e1", "forbidden": False}]},
            [],
            [],
            id="a crossing that the rules allow",
        ),
        pytest.param(
            {"gaps": [_gap("end-far")]},
            {"gaps": [_gap("end-far"), _gap("cable-broken")]},
            ["record gaps that bear on separation 1 to 2"],
            [],
            id="a gap more",
        ),
        pytest.param(
            {"gaps": [_gap("end-far")]},
            {"gaps": [_gap("cable-broken")]},
            [],
            [],
            id="a gap for another",
        ),
        pytest.param(
            {"gaps": [_gap("x", "limits", 3)]},
            {"gaps": [_gap("end-far", "separation")]},
            ["record gaps that bear on separation 0 to 1"],
            ["record gaps that bear on limits alone 3 to 0"],
            id="fewer gaps, and a graver one",
        ),
        pytest.param(
            {"blank_within": 2},
            {"blank_within": 5},
            ["assets whose within is blank 2 to 5"],
            [],
            id="blanks",
        ),
        pytest.param(
            {"single_points": {"stretches": [], "assets": ["R1"]}, "shared": []},
            {"single_points": {"stretches": [], "assets": ["R1", "CHG"]}, "shared": []},
            ["single points beyond what is shared 1 to 2 (CHG)"],
            [],
            id="a single point more",
        ),
        pytest.param(
            {"single_points": {"stretches": [], "assets": ["R1"]}, "shared": []},
            {
                "single_points": {"stretches": [], "assets": ["R1", "CHG"]},
                "shared": [],
                "unavoidable": ["R1"],
            },
            ["single points beyond what is shared 1 to 2, of which 1 at the ends (CHG)"],
            [],
            id="a single point at an end",
        ),
        pytest.param(
            {"paths": {"main": {"links": ["a"]}, "alternate": {"links": ["b"]}}},
            {"paths": {"main": {"links": ["a"]}}},
            ["paths in service 2 to 1"],
            [],
            id="a path less",
        ),
        pytest.param(
            {"closest_m": 40.0}, {"closest_m": None}, ["closest approach no longer known"], []
        ),
        pytest.param(
            {"delay": {"recovery_ok": True, "recovery_ms": 50}},
            {"delay": {"recovery_ok": False, "recovery_ms": 900}},
            ["recovery outside its limit"],
            [],
            id="recovery",
        ),
    ],
)
def test_what_is_found_and_counted(
    before: dict[str, Any], after: dict[str, Any], worse: list[str], better: list[str]
) -> None:
    change = _one(before, after)
    assert (list(change.worse), list(change.better)) == (worse, better)
    assert change.change == ("worse" if worse else "better" if better else "same")
    back = _one(after, before)
    if "no longer known" not in "".join(worse):
        assert (len(back.worse), len(back.better)) == (len(better), len(worse))


def _paths(main_m: float, alternate_m: float) -> dict[str, Any]:
    lengths = {"main": main_m, "alternate": alternate_m}
    return {"paths": {k: {"links": [k], "length_m": m, "loss": []} for k, m in lengths.items()}}


def test_a_longer_way_round_is_worse_unless_it_is_the_price_of_a_better_verdict() -> None:
    """22 km to 26 km of fibre. Main and alternate that change names are no change."""
    change = _one(_paths(12_000, 10_000), _paths(12_000, 14_000))
    assert change.worse == ("fibre of all paths 22.0 km to 26.0 km",)
    assert _one(_paths(12_000, 10_000), _paths(12_000, 11_500)).change == "same"
    assert _one(_paths(12_000, 10_000), _paths(10_000, 12_000)).change == "same"
    better = _one(_paths(12_000, 10_000), {**_paths(12_000, 14_000), "verdict": "apart"})
    assert (better.change, better.worse) == ("better", ())
    assert better.costs == ("fibre of all paths 22.0 km to 26.0 km",)


def test_a_better_verdict_excuses_nothing_that_is_found() -> None:
    """Shared, then unproven: no better for a record that was lost."""
    lost = _one(_shared("P1"), {"verdict": "unproven", "gaps": [_gap("cable-broken")]})
    assert lost.change == "worse"
    assert lost.better == ("shared to unproven", "no longer shared: P1")


def test_a_waiver_that_lapses_beside_another_finding_is_worse() -> None:
    """P2 was accepted and is no longer; P1 keeps the verdict as it is."""
    before = _shared("P1", "P2")
    before["shared"][1]["waived"] = True
    (change,) = changes(
        [{"id": "K", "verdict": "shared", **before}],
        [{"id": "K", "verdict": "shared", **_shared("P1", "P2")}],
        {"K": ["waiver of P2: lapsed"]},
    )
    assert change.worse == ("no longer accepted: P2", "waiver of P2: lapsed")


def test_the_page_lists_every_tolerance() -> None:
    page = (ROOT / "docs" / "crossing.md").read_text(encoding="utf-8")
    for one in TOLERANCES.values():
        cost = "yes" if one.cost else ""
        assert f"| {one.what} | {one.said} | {one.because} | {cost} |" in page
    assert page.count("\n| a ") >= 3


def test_figures_within_their_tolerance_are_the_same_and_listed(tmp_path: Path) -> None:
    """A pit of the alternate moves 10 m away: two ducts of 2 km become 25 mm longer each."""
    base = two_ways().proof(tmp_path / "base")
    moved = two_ways()
    for role in ("structures", "segments"):
        for row in moved.rows[role]:
            row["line"] = [(2000, -410) if at == (2000, -400) else at for at in row["line"]]
    facts = wa.compare(base, moved.proof(tmp_path / "moved")).facts()
    (row,) = facts["circuits"]
    assert (row["change"], row["differs"], row["reasons"]) == ("same", True, [])
    assert row["figures"]
    assert facts["summary"]["within_tolerance"] == 1
    assert not facts["nothing_changed"]


# --- The same, read a second time.


def _agrees(before: dict[str, Any], after: dict[str, Any]) -> int:
    """Hold every change of two proofs to an independent reading; how many were read."""
    facts = wa.compare(before, after).facts()
    for key in ("circuits", "groups", "schemes"):
        old = {one["id"]: one for one in before[key]}
        new = {one["id"]: one for one in after[key]}
        for row in facts[key]:  # type: ignore[literal-required]
            if row["id"] not in old or row["id"] not in new:
                assert row["change"] in ("new", "gone")
                continue
            one, other = old[row["id"]], new[row["id"]]
            worse = got_worse(one, other)
            assert (row["change"] == "worse") == bool(worse), (row, worse)
            assert bool(row["worse"]) == bool(worse), (row, worse)
            if row["change"] == "same":
                assert not row["reasons"], row
                assert not got_worse(other, one) - {"unavailability", "closest unknown"}, row
            if row["change"] == "better":
                assert row["better"], row
            if one == other:
                assert row["change"] == "same", row
    return sum(len(facts[key]) for key in ("circuits", "groups", "schemes"))  # type: ignore[literal-required]


def _facts(folder: Path) -> dict[str, Any]:
    return dict(json.loads(json.dumps(wa.prove(wa.read_study(folder)).facts())))


@pytest.mark.filterwarnings("ignore")
@pytest.mark.parametrize("seed", some(range(12), every=12))
def test_random_changes_are_read_as_an_independent_reader_does(seed: int, tmp_path: Path) -> None:
    """A random plant is changed five times over, each time in one way; all pairs are compared."""
    first = write_random_study(tmp_path / "0", 7700 + seed)
    proofs = [_facts(first)]
    rng = random.Random(seed)
    for number in range(1, 20):
        if len(proofs) == 5:
            break
        other = tmp_path / str(number)
        shutil.copytree(first, other)
        files = Files(other)
        try:
            for change in rng.sample(STUDY, 2):
                change(files, rng)
        except NothingToDamageError:
            continue
        files.write()
        try:
            proofs.append(_facts(other))
        except wa.StudyError:
            continue
    assert len(proofs) == 5
    read = sum(_agrees(one, other) for one in proofs for other in proofs)
    assert read >= 25


def _drawn(rng: random.Random) -> DrawnPlant:
    """Two ducts side by side, from 0 to 30 m apart, that may meet at pits, over some 4 km."""
    plant = DrawnPlant((0, 0), (4000, 0))
    for name, y in (("P", 0.0), ("Q", rng.choice([1.0, 3.0, 4.5, 8.0, 30.0]))):
        shift = rng.choice([0.0, 0.4, 2.0])
        plant.nodes("pit", **{f"{name}1": (1000, y), f"{name}2": (3000, y + shift)})
    meet = rng.choice(["", "", "1", "2"])
    for name, cable in (("P", "CM"), ("Q", "CA")):
        names = [f"{'P' if n == meet else name}{n}" for n in ("1", "2")]
        segments = []
        for n, (a, b) in enumerate((("A", names[0]), tuple(names), (names[1], "B"))):
            within = {} if rng.random() < 0.8 else {"within": ""}
            plant.segment(f"{name.lower()}{n}", "duct", a, b, **within)
            segments.append(f"{name.lower()}{n}")
        if rng.random() < 0.15:
            segments.pop(1)
        plant.listed(cable, " ".join(segments))
    plant.circuit("CM", "CA")
    return plant


@pytest.mark.filterwarnings("ignore")
@pytest.mark.parametrize("seed", some(range(6), every=6))
def test_random_ducts_side_by_side_are_read_so_too(seed: int, tmp_path: Path) -> None:
    rng = random.Random(seed)
    proofs = [
        dict(json.loads(json.dumps(_drawn(rng).proof(tmp_path / str(n)).facts()))) for n in range(5)
    ]
    changes_seen = set()
    for one in proofs:
        for other in proofs:
            _agrees(one, other)
            changes_seen |= {row.change for row in wa.compare(one, other).circuits}
    assert {"worse", "same"} <= changes_seen

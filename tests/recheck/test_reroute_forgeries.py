"""Forgeries of what `reroute --json` writes: paths that are not apart, empty proofs."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

import waysapart as wa
from proofs import proof_of
from waysapart.errors import StudyError
from waysapart.recheck import recheck
from waysapart.reroute.api import reroute

ESTUARY = Path(__file__).resolve().parents[2] / "examples" / "estuary"
Facts = dict[str, Any]


@pytest.fixture(scope="module")
def facts() -> Facts:
    """C01 is apart over a new link, C18 by what is on record; of C03 and C10 no two paths are."""
    nothing = wa.Candidates(wanted=False)
    found = reroute(proof_of(ESTUARY), ["C01", "C03", "C10", "C18"], build=nothing)
    return dict(json.loads(json.dumps(found.facts())))


def _of(facts: Facts, name: str) -> Facts:
    return next(one for one in facts["circuits"] if one["id"] == name)


def _told(facts: Facts, folder: Path) -> list[str]:
    file = folder / "forged.json"
    file.write_text(json.dumps(facts), encoding="utf-8")
    try:
        return [str(one) for one in recheck(ESTUARY, file)["false"]]
    except StudyError as error:
        return [problem.message for problem in error.problems]


def _say_apart(facts: Facts, name: str, ways: dict[str, list[str]]) -> None:
    _of(facts, name).update(
        status="apart", paths=ways, cost=24_000.0, lower_bound=24_000.0, optimal=True,
        no_pair_proof=None, least_shared=None, shared=[], says="separate paths are on record",
    )  # fmt: skip
    facts["summary"] = {"apart": 3, "none": 1, "undecided": 0}


def no_ways_and_apart(facts: Facts) -> None:
    _say_apart(facts, "C03", {})


def ways_that_share_and_apart(facts: Facts) -> None:
    """The ways of C03 on record, which share an entry."""
    _say_apart(facts, "C03", {"main": ["C03-M"], "alternate": ["C03-A"]})


def one_way_and_apart(facts: Facts) -> None:
    _say_apart(facts, "C03", {"main": ["C03-M"]})


def ways_of_another(facts: Facts) -> None:
    _say_apart(facts, "C03", dict(_of(facts, "C18")["paths"]))


def the_proof_says_so_too(facts: Facts) -> None:
    """C03 is apart in the proof of the proposal as well, with every count."""
    ways_that_share_and_apart(facts)
    proof = facts["proposal"]["proof"]
    for one in (*proof["circuits"], *proof["evidence"]["verdicts"]):
        if one["id"] == "C03":
            one["verdict"] = "apart"
    proof["summary"]["shared"] -= 1
    proof["summary"]["apart"] += 1
    facts["proved"]["counts"] = {name: proof["summary"][name] for name in facts["proved"]["counts"]}


def another_way_than_proved(facts: Facts) -> None:
    _of(facts, "C18")["paths"]["alternate"] = ["C19-A"]


def no_proposal(facts: Facts) -> None:
    facts["proposal"] = None


def a_proposal_without_its_rows(facts: Facts) -> None:
    facts["proposal"]["rows"] = {}


def a_proposal_over_another_cable(facts: Facts) -> None:
    for row in facts["proposal"]["rows"]["link_runs"]:
        row["cable"] = "OP-N1"


def a_pit_moved_by_the_proposal(facts: Facts) -> None:
    """Plant on record is moved out of the way: 'build nothing, move the entry'."""
    entry = {"id": "ENT-HER-2", "kind": "entry", "within": "-", "geometry": "POINT (0 0)"}
    facts["proposal"]["rows"]["structures"] = [entry]


def plant_changed_by_the_proposal(facts: Facts) -> None:
    """The trench that both paths lie in lies in nothing that is shared, from now on."""
    segments = {"id": "TR-1", "kind": "trench", "within": "-"}
    facts["proposal"]["rows"]["segments"] = [segments]


def a_role_of_ones_own(facts: Facts) -> None:
    facts["proposal"]["rows"]["waivers"] = [{"circuit": "C03"}]


def a_cheaper_way(facts: Facts) -> None:
    for name in ("cost", "lower_bound"):
        _of(facts, "C18")[name] /= 2


def a_bound_above_its_cost(facts: Facts) -> None:
    _of(facts, "C18")["lower_bound"] *= 2


def more_apart_than_there_are(facts: Facts) -> None:
    facts["summary"] = {"apart": 3, "none": 1, "undecided": 0}


def fewer_counted(facts: Facts) -> None:
    counts = facts["proved"]["counts"]
    counts["shared"], counts["apart"] = counts["shared"] - 1, counts["apart"] + 1


def a_circuit_twice(facts: Facts) -> None:
    facts["circuits"].append(dict(_of(facts, "C18")))
    facts["summary"]["apart"] += 1


def a_circuit_of_nobody(facts: Facts) -> None:
    facts["circuits"].append({**_of(facts, "C18"), "id": "C99", "members": ["C99"]})
    facts["summary"]["apart"] += 1


def a_field_more(facts: Facts) -> None:
    _of(facts, "C18")["approved"] = True


def a_field_less(facts: Facts) -> None:
    del _of(facts, "C18")["members"]


def another_kind(facts: Facts) -> None:
    _of(facts, "C18")["kind"] = "group"


def other_members(facts: Facts) -> None:
    _of(facts, "C18")["members"] = ["C19"]


def another_weight(facts: Facts) -> None:
    facts["weights"][0]["value"] = 1e9


def another_grid(facts: Facts) -> None:
    facts["crs"] = "EPSG:25831"


def another_study(facts: Facts) -> None:
    facts["study"] = "another"


def no_proof(facts: Facts) -> None:
    _of(facts, "C03")["no_pair_proof"] = None


def _proof(facts: Facts, of: str = "C03") -> Facts:
    found: Facts = _of(facts, of)["no_pair_proof"]
    return found


def _leaves(tree: Facts) -> list[Facts]:
    return [tree] if "then" not in tree else [leaf for one in tree["then"] for leaf in _leaves(one)]


def another_pair_of_ends(facts: Facts) -> None:
    _proof(facts)["ends"] = ["R-C01-A", "R-C01-B"]


def three_ways_wanted(facts: Facts) -> None:
    _proof(facts)["paths"] = 3


def a_way_kept(facts: Facts) -> None:
    _proof(facts).update(keep=["C03-M"], paths=1)


def links_left_out(facts: Facts) -> None:
    """All paths but one are left out of the proof, and of its cuts."""
    proof = _proof(facts)
    gone = {one["id"] for one in proof["edges"] if one.get("link") not in (None, "C03-M")}
    proof["edges"] = [one for one in proof["edges"] if one["id"] not in gone]
    for leaf in _leaves(proof["tree"]):
        if "cut" in leaf:
            leaf["cut"] = [one for one in leaf["cut"] if one not in gone]


def links_not_to_be_used(facts: Facts) -> None:
    """All links but one may not be used, for no reason."""
    proof = _proof(facts)
    proof["without"] = [one["id"] for one in proof["edges"] if one.get("link") != "C03-M"]


def links_that_end_at_a_relay(facts: Facts) -> None:
    """The same, for a reason that is not so."""
    links_not_to_be_used(facts)
    because = "ends at the relay of another circuit, which passes nothing on"
    _proof(facts)["left_out"] = [{"because": because, "edges": _proof(facts)["without"]}]


def every_edge_relies_on_one_thing(facts: Facts) -> None:
    """A cut of one risk that all edges are said to rely on."""
    proof = _proof(facts)
    for one in proof["edges"]:
        one["relies_on"] = sorted({*one["relies_on"], "ENT-HER-2"})
    proof["tree"] = {
        "fewer_than_paths": ["ENT-HER-2"],
        "cut": [one["id"] for one in proof["edges"]],
    }


def a_cut_of_nothing(facts: Facts) -> None:
    for leaf in _leaves(_proof(facts, "C10")["tree"]):
        if "cut" in leaf:
            leaf["cut"] = []


def a_leaf_that_avoids_more(facts: Facts) -> None:
    for leaf in _leaves(_proof(facts)["tree"]):
        if "avoid" in leaf:
            leaf["avoid"] = [*leaf["avoid"], "C03-M", "HER"]


def segments_far_apart_called_near(facts: Facts) -> None:
    proof = _proof(facts)
    proof["pairs"][0]["segments"] = ["N1-S01", "U1-D03"]


def a_tighter_limit(facts: Facts) -> None:
    limits = _proof(facts)["limits"]["most"]
    for name in limits:
        limits[name] //= 2


def heavier_edges(facts: Facts) -> None:
    for one in _proof(facts)["edges"]:
        for name in one["weights"]:
            one["weights"][name] *= 3


FORGERIES: tuple[Callable[[Facts], None], ...] = (
    *(no_ways_and_apart, ways_that_share_and_apart, one_way_and_apart, ways_of_another),
    *(the_proof_says_so_too, another_way_than_proved, no_proposal, a_proposal_without_its_rows),
    *(a_proposal_over_another_cable, a_pit_moved_by_the_proposal, plant_changed_by_the_proposal),
    *(a_role_of_ones_own, a_cheaper_way, a_bound_above_its_cost, more_apart_than_there_are),
    *(fewer_counted, a_circuit_twice, a_circuit_of_nobody, a_field_more, a_field_less),
    *(another_kind, other_members, another_weight, another_grid, another_study, no_proof),
    *(another_pair_of_ends, three_ways_wanted, a_way_kept, links_left_out),
    *(links_not_to_be_used, links_that_end_at_a_relay, every_edge_relies_on_one_thing),
    *(a_cut_of_nothing, a_leaf_that_avoids_more, segments_far_apart_called_near),
    *(a_tighter_limit, heavier_edges),
)


def test_what_is_sound_is_confirmed(facts: Facts, tmp_path: Path) -> None:
    assert [one["status"] for one in facts["circuits"]] == ["apart", "none", "none", "apart"]
    assert _told(facts, tmp_path) == []


@pytest.mark.parametrize("forge", FORGERIES, ids=lambda forge: forge.__name__)
def test_a_forged_rerouting_is_told(
    forge: Callable[[Facts], None], facts: Facts, tmp_path: Path
) -> None:
    forged = json.loads(json.dumps(facts))
    forge(forged)
    assert forged != facts
    assert _told(forged, tmp_path)

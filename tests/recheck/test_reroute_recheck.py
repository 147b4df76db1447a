"""Damaged no-pair proofs: `recheck` tells each of them from the layers alone."""

from __future__ import annotations

import copy
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

import waysapart as wa
from proofs import proof_of
from waysapart.recheck import recheck
from waysapart.reroute.api import reroute

ESTUARY = Path(__file__).resolve().parents[2] / "examples" / "estuary"
Proof = dict[str, Any]
Damage = Callable[[Proof], None]


@pytest.fixture(scope="module")
def facts() -> dict[str, Any]:
    """C03 rests on cuts, loss and a near approach, C10 on a cut, C14 on asymmetry as well."""
    asked = ["C03", "C10", "C14"]
    nothing = wa.Candidates(wanted=False)
    return reroute(proof_of(ESTUARY), asked, build=nothing).facts()


@pytest.fixture(scope="module")
def kept() -> dict[str, Any]:
    """C14 with its main way kept, which leaves one way to seek within the asymmetry."""
    nothing = wa.Candidates(wanted=False)
    found = reroute(proof_of(ESTUARY), ["C14"], keep="main", build=nothing)
    return found.facts()


def nodes_of(tree: dict[str, Any]) -> list[dict[str, Any]]:
    """Forks and leaves of a tree."""
    return [tree, *(node for branch in tree.get("then", ()) for node in nodes_of(branch))]


def of_kind(proof: Proof, key: str) -> dict[str, Any]:
    return next(node for node in nodes_of(proof["tree"]) if key in node)


def told(facts: dict[str, Any], circuit: str, damage: Damage, folder: Path) -> list[str]:
    """What `recheck` calls false once the proof of a circuit is damaged."""
    changed = copy.deepcopy(facts)
    (one,) = [one for one in changed["circuits"] if one["id"] == circuit]
    damage(one["no_pair_proof"])
    assert changed != facts
    file = folder / "reroute.json"
    file.write_text(json.dumps(changed))
    return recheck(ESTUARY, file)["false"]


def test_whole_proofs_are_confirmed(facts: dict[str, Any], kept: Any, tmp_path: Path) -> None:
    """Both with and without a path kept; what is not checked is said."""
    for name, whole in (("all", facts), ("kept", kept)):
        file = tmp_path / f"{name}.json"
        file.write_text(json.dumps(whole))
        found = recheck(ESTUARY, file)
        assert found["false"] == []
        assert not any("no pair keeps" in one for one in found["not_checked"])


def test_asymmetry_is_in_the_proof(facts: dict[str, Any]) -> None:
    """The tree of C14 parts the paths by their delay, and lists the courses that are left."""
    (proof,) = [one["no_pair_proof"] for one in facts["circuits"] if one["id"] == "C14"]
    assert proof["limits"]["apart_most"] == {"delay": 200 * 2000}
    assert of_kind(proof, "at_most")["weight"] == "delay"


def edge(proof: Proof, what: str, weight: str, much: int) -> dict[str, Any]:
    """An edge of a kind that has more than that of a weight."""
    return next(
        one
        for one in proof["edges"]
        if one["what"] == what
        and one["weights"].get(weight, 0) > much
        and one["id"] not in proof["without"]
        and not one["id"].startswith(("cable OP-N1", "cable UC-U1"))
    )


def heavier(what: str, weight: str) -> Damage:
    def damage(proof: Proof) -> None:
        edge(proof, what, weight, 100)["weights"][weight] += 20

    return damage


def lighter(what: str, weight: str) -> Damage:
    def damage(proof: Proof) -> None:
        edge(proof, what, weight, 100)["weights"][weight] -= 20

    return damage


def tighter(kind: str, weight: str) -> Damage:
    def damage(proof: Proof) -> None:
        proof["limits"][kind][weight] -= 1000

    return damage


def between(proof: Proof) -> None:
    of_kind(proof, "at_most")["or_at_least"] += 2


def no_window(proof: Proof) -> None:
    leaf = of_kind(proof, "windows")
    leaf["windows"] = [{**one, "least": 0, "most": 10**12} for one in leaf["windows"]]


def narrow_window(proof: Proof) -> None:
    leaf = of_kind(proof, "windows")
    leaf["windows"] = [{**one, "most": 0} for one in leaf["windows"]]


def lower_limit(proof: Proof) -> None:
    of_kind(proof, "least")["most"] = 1


def another_pair(proof: Proof) -> None:
    """Segments some kilometres apart stand for those that cross."""
    proof["pairs"][0]["segments"] = ["N2-S02", "N3-S02"]


def left_out(proof: Proof) -> None:
    """A cable that goes round is barred without a word."""
    proof["without"].append("cable OP-N3")


def left_out_as_at_a_relay(proof: Proof) -> None:
    link = next(one["id"] for one in proof["edges"] if one["what"] == "link")
    proof["without"].append(link)
    proof["left_out"][-1]["edges"].append(link)


def one_way_only(proof: Proof) -> None:
    proof["paths"] = 3


def avoided_from_start(proof: Proof) -> None:
    proof["avoid_from_start"] = ["ENT-HER-2"]


def unfinished(proof: Proof) -> None:
    fork = of_kind(proof, "between")
    fork["then"] = fork["then"][:1]


@pytest.mark.parametrize(
    ("circuit", "damage"),
    [
        ("C03", heavier("stretch", "loss")),
        ("C03", lighter("stretch", "loss")),
        ("C14", heavier("stretch", "delay")),
        ("C14", heavier("link", "delay")),
        ("C14", lighter("link", "delay")),
        ("C03", tighter("most", "loss")),
        ("C14", tighter("apart_most", "delay")),
        ("C14", between),
        ("C14", no_window),
        ("C14", narrow_window),
        ("C03", lower_limit),
        ("C03", another_pair),
        ("C03", left_out),
        ("C10", left_out_as_at_a_relay),
        ("C10", one_way_only),
        ("C10", avoided_from_start),
        ("C03", unfinished),
    ],
)
def test_a_damaged_proof_is_told(
    facts: dict[str, Any], circuit: str, damage: Damage, tmp_path: Path
) -> None:
    assert told(facts, circuit, damage, tmp_path)


def test_an_edge_that_relies_on_less_is_told(facts: dict[str, Any], tmp_path: Path) -> None:
    """The chassis of C10 taken off one edge of the cut."""

    def damage(proof: Proof) -> None:
        one = next(one for one in proof["edges"] if one["relies_on"] == ["CH-MAR-1"])
        one["relies_on"] = []

    assert told(facts, "C10", damage, tmp_path)


def test_the_sums_of_a_kept_path_are_worked_out_again(kept: Any, tmp_path: Path) -> None:
    def damage(proof: Proof) -> None:
        proof["limits"]["kept"]["delay"] += 2000

    assert any("kept path" in one for one in told(kept, "C14", damage, tmp_path))


def test_a_kept_path_that_is_none_is_told(kept: Any, tmp_path: Path) -> None:
    def damage(proof: Proof) -> None:
        proof["keep"] = proof["keep"][:-1]

    assert any("kept path" in one for one in told(kept, "C14", damage, tmp_path))


@pytest.fixture(scope="module")
def carried() -> dict[str, Any]:
    """C04 gets ways of its own; C10 has none until its multiplexer moves to another rack."""
    found = reroute(proof_of(ESTUARY), ["C04", "C10"]).facts()
    assert [one["status"] for one in found["circuits"]] == ["apart", "none"]
    assert found["build"]["single"][0]["apart"] == ["C10"]
    return found


def held(facts: dict[str, Any], folder: Path) -> dict[str, Any]:
    file = folder / "reroute.json"
    file.write_text(json.dumps(facts), encoding="utf-8")
    return recheck(ESTUARY, file)


def test_the_proposal_is_held_with_what_asked_for_it(carried: Any, tmp_path: Path) -> None:
    """Its rows over the records, its proof against both, and so for what is to be built: each
    proof of the demo alone is worth more than 4,000 claims."""
    found = held(carried, tmp_path)
    assert found["false"] == []
    assert found["confirmed"] > 8_000


def _taken_away(facts: dict[str, Any]) -> None:
    facts["proposal"] = None


def _other_cable(facts: dict[str, Any]) -> None:
    """By U3, whose first pit is that which both paths share today."""
    rows = facts["proposal"]["rows"]
    mine = [one for one in rows["patches"] if one["id"].startswith("C04-alternate-new")]
    first, last = mine[0], mine[-1]
    assert (first["a"], last["b"]) == ("R-C04-A", "R-C04-B")
    rows["patches"] = [
        *(one for one in rows["patches"] if one not in mine),
        first | {"b": "P-U3-HER", "b_port": "7;8"},
        last | {"a": "P-U3-PLO", "a_port": "7;8"},
    ]


def _other_way(facts: dict[str, Any]) -> None:
    facts["circuits"][0]["paths"]["alternate"] = ["C04-A"]


def _one_way(facts: dict[str, Any]) -> None:
    del facts["circuits"][0]["paths"]["alternate"]


def _called_apart(facts: dict[str, Any]) -> None:
    """C10 shares a chassis, by the proof of the proposal as well."""
    shown = facts["proposal"]["proof"]["circuits"]
    paths = next(one for one in shown if one["id"] == "C10")["paths"]
    links = {label: path["links"] for label, path in paths.items()}
    facts["circuits"][1] |= {"status": "apart", "paths": links}


def _counts(facts: dict[str, Any]) -> None:
    facts["proved"]["counts"]["apart"] += 1


def _helps_more(facts: dict[str, Any]) -> None:
    facts["build"]["single"][0]["apart"].append("C03")


def _not_moved(facts: dict[str, Any]) -> None:
    """What is to be moved stays where it is."""
    facts["build"]["single"][0]["proposal"]["rows"].pop("equipment")


def _without_proof(facts: dict[str, Any]) -> None:
    facts["build"]["single"][0]["proposal"] = None


def _no_form(facts: dict[str, Any]) -> None:
    facts["proposal"]["proof"]["circuits"][0]["verdict"] = "fine"


def _of_another_study(facts: dict[str, Any]) -> None:
    facts["proposal"]["proof"]["study"] = "Another ring"


@pytest.mark.parametrize(
    "damage",
    [
        *(_taken_away, _other_cable, _other_way, _one_way, _called_apart, _counts, _helps_more),
        *(_not_moved, _without_proof, _no_form, _of_another_study),
    ],
)
def test_a_forged_proposal_is_told(
    damage: Callable[[dict[str, Any]], None], carried: Any, tmp_path: Path
) -> None:
    """Each turns what the proposal is, does or leaves into something better than it is."""
    forged = copy.deepcopy(carried)
    damage(forged)
    assert forged != carried
    assert held(forged, tmp_path)["false"]


def test_a_proposal_reaches_for_no_file(carried: Any, tmp_path: Path) -> None:
    """Its rows are rows: a role that there is not is refused, and nothing else is read."""
    forged = copy.deepcopy(carried)
    forged["proposal"]["rows"]["layer"] = [{"role": "segments", "source": "elsewhere.gpkg"}]
    assert held(forged, tmp_path)["false"]

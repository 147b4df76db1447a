"""The no-pair proof: what it says, and that a false one is caught by the tests' own checker."""

from __future__ import annotations

import copy

from reroute_oracles import Plant, false_in_proof, plant_of, random_plant, random_question
from waysapart.reroute.search.disjoint_paths import best_pair
from waysapart.reroute.search.risk_graph import Question


def ties() -> Plant:
    """Two roads out of A, two into C; each road out is tied to each road in, crosswise.

    A-B over roads 0 and 1, B-C over roads 2 and 3. Risk 4 lies on edges 0 and 2, risk 5
    on 0 and 3, risk 6 on 1 and 2, risk 7 on 1 and 3: whichever edges the two
    paths take, the one over edge 0 meets the other's edge at 4 or 5.
    """
    return plant_of(
        ("AB", 1, {0, 4, 5}), ("AB", 1, {1, 6, 7}), ("BC", 1, {2, 4, 6}), ("BC", 1, {3, 5, 7})
    )


def test_no_single_risk_is_to_blame() -> None:
    """Each risk by itself can be gone round, yet no pair exists; the proof needs at least two."""
    plant, question = ties(), Question(0, 2)
    for risk in range(plant.n_risks):
        assert best_pair(plant.graph(), Question(0, 2, forbidden_risks=[risk])).status == "none"
    answer = best_pair(plant.graph(), question)
    assert answer.status == "none"
    assert answer.proof is not None
    assert not false_in_proof(answer.proof.as_dict(), plant, question)
    assert answer.proof.size()[0] >= 2


def test_no_risk_of_a_small_proof_can_be_left_out() -> None:
    """If any one risk of the proof may be shared, the others by themselves allow a pair."""
    tried = 0
    for seed in range(300):
        plant = random_plant(seed)
        question = random_question(plant, seed)
        proof = best_pair(plant.graph(), question).proof
        if proof is None or question.keep is not None or len(proof.risks()) < 2:
            continue
        tried += 1
        for risk in proof.risks():
            others = set(range(plant.n_risks)) - (set(proof.risks()) - {risk})
            eased = Question(
                question.s, question.t, sorted(others), sorted(proof.without), (), None
            )
            assert best_pair(plant.graph(), eased).status == "apart", (seed, risk)
    assert tried > 5


def test_the_checker_catches_false_proofs() -> None:
    """A cut without an edge, a risk not avoided, a branch missing its risk, other ends."""
    plant, question = ties(), Question(0, 2)
    proof = best_pair(plant.graph(), question).proof
    assert proof is not None
    told = proof.as_dict()
    assert not false_in_proof(told, plant, question)

    def leaf(tree: dict) -> dict:
        return tree if "between" not in tree else leaf(tree["then"][0])

    shorter = copy.deepcopy(told)
    leaf(shorter["tree"])["cut"].pop()
    greedy = copy.deepcopy(told)
    leaf(greedy["tree"])["avoid"] = list(range(plant.n_risks))
    lazy = copy.deepcopy(told)
    leaf(lazy["tree"])["avoid"] = []
    elsewhere = {**copy.deepcopy(told), "ends": [0, 1]}
    fewer = {**copy.deepcopy(told), "without": [0, 1]}
    for false in (shorter, greedy, lazy, elsewhere, fewer):
        assert false_in_proof(false, plant, question)


def test_names_stand_in_place_of_numbers() -> None:
    """One trench, risk 2, holds both cables."""
    plant = plant_of(("AB", 3, {0, 2}), ("AB", 4, {1, 2}))
    proof = best_pair(plant.graph(), Question(0, 1)).proof
    assert proof is not None
    told = proof.as_dict(["A", "B"], ["C-1", "C-2"], ["D-1", "D-2", "T-1"])
    leaf = {"avoid": ["T-1"], "cut": ["C-1", "C-2"]}
    assert told == {
        "ends": ["A", "B"],
        "paths": 2,
        "avoid_from_start": [],
        "without": [],
        "tree": {
            "risk": "T-1",
            "between": [0, 1],
            "then": [{"path": 0, **leaf}, {"path": 1, **leaf}],
        },
    }

"""The cheapest separate pair, beside every pair listed one by one."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from reroute_oracles import (
    Plant,
    by_enumeration,
    false_in_proof,
    plant_of,
    random_plant,
    random_question,
    with_node_risk,
)
from waysapart.errors import CallError
from waysapart.reroute.search.disjoint_paths import Answer, best_pair, best_paths
from waysapart.reroute.search.risk_graph import PathLimits, Question, RiskGraph, shared_risks, walk

TRAP = plant_of(
    ("AB", 1, {0}),
    ("AC", 2, {1}),
    ("BD", 1, {2}),
    ("BE", 2, {3}),
    ("CD", 2, {4}),
    ("DF", 1, {5}),
    ("EF", 2, {6}),
)


def confirmed(answer: Answer, plant: Plant, question: Question) -> None:
    """The paths lead from end to end, share nothing and cost what is said; or the proof holds."""
    graph = plant.graph()
    if answer.paths is not None:
        for way in answer.paths:
            nodes = walk(graph, way, question.s, question.t)
            assert len(set(nodes)) == len(nodes) or way == tuple(question.keep or ())
        assert not shared_risks(graph, question, answer.paths)
        assert answer.cost == sum(plant.edges[e][2] for way in answer.paths for e in way)
    if answer.proof is not None:
        assert not false_in_proof(answer.proof.as_dict(), plant, question)


def test_the_shortest_path_is_in_the_way_of_every_partner() -> None:
    """A-B-D-F costs 3 and leaves no partner; the best pair is A-B-E-F and A-C-D-F, 5 + 5.

    Worked out by hand: F is entered by DF and EF, A left by AB and AC. A path over AB
    to DF would leave AC to EF, which do not join without D or B; so AB leads to
    EF over BE and AC to DF over CD.
    """
    answer = best_pair(TRAP.graph(), Question(0, 5))
    assert (answer.status, answer.cost, answer.optimal, answer.gap) == ("apart", 10, True, 0)
    assert {frozenset(way) for way in answer.paths or ()} == {
        frozenset({0, 3, 6}),
        frozenset({1, 4, 5}),
    }


def test_with_the_path_kept_that_traps_there_is_none() -> None:
    """Keep A-B-D-F (edges 0, 2, 5): A-C leads to D only, and on from D only DF, which is kept."""
    question = Question(0, 5, keep=(0, 2, 5))
    answer = best_pair(TRAP.graph(), question)
    assert answer.status == "none"
    assert answer.proof is not None
    assert answer.proof.count == 1
    confirmed(answer, TRAP, question)


def test_parallel_cables_are_two_paths_unless_one_trench_holds_them() -> None:
    """Two cables A-B of 3 and 4: apart for 7 in trenches of their own, none in one trench."""
    own = plant_of(("AB", 3, {0}), ("AB", 4, {1}))
    assert best_pair(own.graph(), Question(0, 1)).cost == 7
    one = plant_of(("AB", 3, {0, 2}), ("AB", 4, {1, 2}))
    answer = best_pair(one.graph(), Question(0, 1))
    assert answer.status == "none"
    assert answer.proof is not None
    assert answer.proof.risks() == {2}
    confirmed(answer, one, Question(0, 1))
    assert best_pair(one.graph(), Question(0, 1, exempt=[2])).cost == 7


def test_a_site_that_is_no_risk_may_be_passed_by_both() -> None:
    """A=B=C, two cables each: both paths pass B, for 1+2+3+4; if B is a risk there is none."""
    plant = plant_of(("AB", 1, {0}), ("AB", 2, {1}), ("BC", 3, {2}), ("BC", 4, {3}))
    assert best_pair(plant.graph(), Question(0, 2)).cost == 10
    plant = with_node_risk(plant, 1, 4)
    answer = best_pair(plant.graph(), Question(0, 2))
    assert answer.status == "none"
    assert answer.proof is not None
    assert answer.proof.size() == (1, 2)


def test_what_the_ends_rely_on_is_no_conflict_by_itself() -> None:
    """A node's risk counts where paths pass it, not at the ends where both must start."""
    plant = with_node_risk(plant_of(("AB", 1, {0}), ("AB", 1, {1})), 0, 2)
    assert best_pair(plant.graph(), Question(0, 1)).status == "apart"


def test_ends_that_nothing_joins() -> None:
    """The proof is an empty cut."""
    plant = plant_of(("AB", 1, {0}), ("CD", 1, {1}))
    answer = best_pair(plant.graph(), Question(0, 3))
    assert answer.status == "none"
    assert answer.proof is not None
    assert answer.proof.as_dict()["tree"] == {"path": 0, "avoid": [], "cut": []}


def test_delay_and_asymmetry_change_the_pair_or_leave_none() -> None:
    """Three cables A-B: cost 1, 2, 9 and delay 10, 90, 30.

    Without limits 1 + 2. With at most 50 of difference: 80 apart is too much, 20 is
    not, so 1 + 9. With at most 25 of delay only one cable is left.
    """
    plant = plant_of(("AB", 1, {0}), ("AB", 2, {1}), ("AB", 9, {2}), delay=(10, 90, 30))
    graph = plant.graph()
    assert best_pair(graph, Question(0, 1)).cost == 3
    apart = Question(0, 1, limits=PathLimits(apart_most={"delay": 50}))
    assert best_pair(graph, apart).cost == 10
    tight = Question(0, 1, limits=PathLimits({"delay": 25}))
    answer = best_pair(graph, tight)
    assert answer.status == "none"
    confirmed(answer, plant, tight)
    none = Question(0, 1, limits=PathLimits(apart_most={"delay": 19}))
    answer = best_pair(graph, none)
    assert answer.status == "none"
    assert answer.proof is not None
    assert answer.proof.apart() == {"delay": 19}
    confirmed(answer, plant, none)
    kept = Question(0, 1, keep=(1,), limits=PathLimits({"delay": 25}))
    assert best_pair(graph, kept).why == "kept"


def test_too_many_courses_to_list_leave_none_without_a_proof() -> None:
    """Sixteen stages of two cables each: 65,536 courses, each with delay and loss of 64 together.

    So none keeps 31 of both, though each limit alone can be kept: 16 is the least.
    """
    stages = [(stage, stage + 1) for stage in range(16) for _ in range(2)]
    weights = [{"delay": 1, "loss": 3}, {"delay": 3, "loss": 1}] * 16
    edges = [(a, b, 1, set(), w) for (a, b), w in zip(stages, weights, strict=True)]
    plant = Plant(17, edges, [set()] * 17, 1)
    limits = PathLimits({"delay": 31, "loss": 31})
    answer = best_pair(plant.graph(), Question(0, 16, limits=limits))
    assert (answer.status, answer.why, answer.proof) == ("none", "limits", None)


@pytest.mark.parametrize("block", range(10))
def test_equal_to_enumeration(block: int) -> None:
    """600 random plants: nested groups, hazards, shared nodes, parallel edges, kept paths."""
    outcomes = set()
    for seed in range(60 * block, 60 * block + 60):
        plant = random_plant(seed)
        question = random_question(plant, seed)
        wanted = by_enumeration(plant, question)
        answer = best_pair(plant.graph(), question)
        assert answer.status == ("none" if wanted is None else "apart"), seed
        if wanted is None:
            assert answer.proof is not None, seed
        else:
            assert answer.optimal, seed
            assert (answer.cost, answer.lower_bound) == (wanted[1], wanted[1]), seed
        confirmed(answer, plant, question)
        outcomes.add(answer.status)
    assert outcomes == {"apart", "none"}


@pytest.mark.parametrize("block", range(5))
def test_equal_to_enumeration_within_limits(block: int) -> None:
    """300 random plants with limits on delay, loss and asymmetry; none goes without a proof.

    Unless it is the kept path that breaks a limit.
    """
    leaves = set()
    for seed in range(1000 + 60 * block, 1060 + 60 * block):
        plant = random_plant(seed)
        question = random_question(plant, seed, limited=True)
        wanted = by_enumeration(plant, question)
        answer = best_pair(plant.graph(), question)
        assert answer.status == ("none" if wanted is None else "apart"), seed
        if wanted is not None:
            assert answer.optimal, seed
            assert answer.cost == wanted[1], seed
        elif answer.why != "kept":
            assert answer.proof is not None, seed
            leaves |= {type(leaf).__name__ for leaf in answer.proof.leaves()}
        confirmed(answer, plant, question)
    assert leaves == {"Cut", "Beyond", "Listed"}


def test_three_paths_equal_to_enumeration() -> None:
    """150 random plants, three ways of which no two share a risk."""
    found = 0
    for seed in range(150):
        plant = random_plant(seed)
        question = replace(random_question(plant, seed), keep=None)
        wanted = by_enumeration(plant, question, ways=3)
        answer = best_paths(plant.graph(), question, 3)
        assert answer.status == ("none" if wanted is None else "apart"), seed
        if wanted is not None:
            assert answer.cost == wanted[1], seed
            found += 1
        confirmed(answer, plant, question)
    assert found > 10


def test_the_same_answer_every_time() -> None:
    plant = random_plant(7)
    question = random_question(plant, 7)
    first = best_pair(plant.graph(), question)
    again = best_pair(plant.graph(), question)
    assert (first.paths, first.proof, first.nodes) == (again.paths, again.proof, again.nodes)


def test_out_of_time_is_undecided_and_never_none() -> None:
    """No node of the tree may be looked at: nothing is known."""
    answer = best_pair(TRAP.graph(), Question(0, 5), time_limit_s=-1.0)
    assert (answer.status, answer.why, answer.paths, answer.optimal) == (
        "undecided",
        "time",
        None,
        False,
    )
    assert answer.lower_bound is not None
    assert answer.lower_bound <= 10


def test_calls_without_meaning_are_refused() -> None:
    graph = TRAP.graph()
    for question in (
        Question(0, 0),
        Question(0, 9),
        Question(0, 5, exempt=[99]),
        Question(0, 5, forbidden_edges=[7]),
        Question(0, 5, keep=(0, 4)),
        Question(0, 5, limits=PathLimits({"loss": 3})),
    ):
        with pytest.raises(CallError):
            best_pair(graph, question)
    with pytest.raises(CallError, match="at least 2"):
        best_paths(graph, Question(0, 5), 1)
    with pytest.raises(CallError, match="whole numbers"):
        RiskGraph(2, np.array([0]), np.array([1]), np.array([1.5]), graph.risks[:1])

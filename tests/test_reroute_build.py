"""What to build, beside trying every edge and every set."""

from __future__ import annotations

import random
from itertools import combinations

import numpy as np
import pytest

from reroute_oracles import Plant, by_enumeration, plant_of, random_plant
from waysapart.errors import CallError
from waysapart.reroute.build import edge_set, may_help, single_edges
from waysapart.reroute.graph import Question
from waysapart.reroute.split import best_pair


def with_edges(plant: Plant, edges: list) -> Plant:
    return Plant(plant.n_nodes, plant.edges + edges, plant.node_risks, plant.n_risks)


def test_a_crossing_on_the_same_bridge_is_ruled_out_unsearched() -> None:
    """A-B over bridge 0 and over bridge 0 again; new: once more over it, or by a tunnel."""
    plant = plant_of(("AB", 1, {0, 1}), ("AB", 1, {0, 2}), ("BC", 1, {3}))
    question = Question(0, 1)
    proof = best_pair(plant.graph(), question).proof
    new = Plant(3, [(0, 1, 1, {0}, {}), (0, 1, 9, set(), {}), (1, 2, 1, set(), {})], [set()] * 3, 4)
    may = may_help(plant.graph(), question, proof, new.graph(), alone=True)
    assert may.tolist() == [False, True, False]
    found = single_edges(plant.graph(), [question], [proof], new.graph())
    assert [(one.edge, one.apart, one.undecided) for one in found] == [(1, (0,), ())]


def test_two_edges_where_no_single_one_helps() -> None:
    """A-B has one cable; new: A-C and C-B, 3 and 4 to build. Within 6 none helps, within 7 both."""
    plant = plant_of(("AB", 1, {0}), ("CD", 1, {1}))
    new = Plant(4, [(0, 2, 1, set(), {}), (2, 1, 1, set(), {})], [set()] * 4, 2)
    question = Question(0, 1)
    proof = best_pair(plant.graph(), question).proof
    assert single_edges(plant.graph(), [question], [proof], new.graph()) == []
    poor = edge_set(plant.graph(), [question], [proof], new.graph(), [3, 4], 6)
    assert (poor.edges, poor.apart, poor.at_most, poor.optimal) == ((), (), 0, True)
    rich = edge_set(plant.graph(), [question], [proof], new.graph(), [3, 4], 7)
    assert (rich.edges, rich.price, rich.apart, rich.optimal) == ((0, 1), 7, (0,), True)


@pytest.mark.parametrize("block", range(3))
def test_equal_to_trying_everything(block: int) -> None:
    """60 random plants with 5 candidates: each alone, and the best set within a budget."""
    for seed in range(20 * block, 20 * block + 20):
        plant = random_plant(seed)
        rng = random.Random(seed)
        pairs = [Question(s, t) for s, t in combinations(range(plant.n_nodes), 2)]
        questions = [q for q in pairs if rng.random() < 0.5 and by_enumeration(plant, q) is None]
        weights = {"delay": 1, "loss": 1}
        new = []
        for _ in range(5):
            a, b = rng.sample(range(plant.n_nodes), 2)
            risks = set(rng.sample(range(plant.n_risks), min(plant.n_risks, rng.randint(0, 2))))
            new.append((a, b, rng.randint(0, 5), risks, weights))
        price = [rng.randint(1, 6) for _ in new]
        budget = rng.randint(2, 12)
        candidates = Plant(plant.n_nodes, new, plant.node_risks, plant.n_risks).graph()
        proofs = [best_pair(plant.graph(), q).proof for q in questions]

        def apart(edges: tuple[int, ...], plant=plant, new=new, questions=questions) -> tuple:
            grown = with_edges(plant, [new[edge] for edge in edges])
            return tuple(i for i, q in enumerate(questions) if by_enumeration(grown, q) is not None)

        found = single_edges(plant.graph(), questions, proofs, candidates)
        wanted = {edge: apart((edge,)) for edge in range(5)}
        assert {one.edge: one.apart for one in found} == {k: v for k, v in wanted.items() if v}
        best = max(
            (len(apart(edges)), -sum(price[e] for e in edges))
            for size in range(6)
            for edges in combinations(range(5), size)
            if sum(price[e] for e in edges) <= budget
        )
        chosen = edge_set(plant.graph(), questions, proofs, candidates, price, budget)
        assert chosen.optimal, seed
        assert (len(chosen.apart), -chosen.price) == best, seed
        assert chosen.apart == apart(chosen.edges), seed


def test_prices_must_fit() -> None:
    plant = plant_of(("AB", 1, {0}))
    with pytest.raises(CallError, match="price"):
        edge_set(plant.graph(), [], [], plant.graph(), np.array([-1]), 5)

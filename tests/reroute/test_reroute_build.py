"""What to build, beside trying every edge and every set."""

from __future__ import annotations

import random
from collections.abc import Sequence
from itertools import combinations

import numpy as np
import pytest

from reroute_oracles import Plant, by_enumeration, plant_of, random_plant
from waysapart.reroute.new_plant.cover import Laid, best_set, cheapest_cover, may_help, single_ones
from waysapart.reroute.search.disjoint_paths import best_pair
from waysapart.reroute.search.risk_graph import Question

TIME_S = 30.0


def laid(plant: Plant, new: Plant, question: Question) -> Laid:
    """The search of a pair in the plant with every candidate laid."""
    of_edge = np.r_[np.full(len(plant.edges), -1), np.arange(len(new.edges))]
    return Laid(with_edges(plant, new.edges).graph(), question, of_edge, 2)


def all_of(_chosen: Sequence[int], hoped: Sequence[int]) -> Sequence[int]:
    """A prover that agrees with the search."""
    return hoped


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
    assert single_ones(laid(plant, new, question), TIME_S) == [1]


def test_two_edges_where_no_single_one_helps() -> None:
    """A-B has one cable; new: A-C and C-B, 3 and 4 to build. Within 6 none helps, within 7 both."""
    plant = plant_of(("AB", 1, {0}), ("CD", 1, {1}))
    new = Plant(4, [(0, 2, 1, set(), {}), (2, 1, 1, set(), {})], [set()] * 4, 2)
    one = laid(plant, new, Question(0, 1))
    assert single_ones(one, TIME_S) == []
    assert best_set([one], np.array([3, 4]), 6, TIME_S, all_of) == ([], [], 0, 0, True)
    assert best_set([one], np.array([3, 4]), 7, TIME_S, all_of) == ([0, 1], [0], 1, 7, True)


def test_a_set_that_the_prover_refuses_gets_another_candidate() -> None:
    """Two tunnels A-B, at 3 and at 4. The prover takes the second only, so 4 is the least."""
    plant = plant_of(("AB", 1, {0}))
    new = Plant(2, [(0, 1, 1, set(), {}), (0, 1, 1, set(), {})], [set()] * 2, 1)

    def second_only(chosen: Sequence[int], hoped: Sequence[int]) -> list[int]:
        return list(hoped) if 1 in chosen else []

    one = laid(plant, new, Question(0, 1))
    assert best_set([one], np.array([3, 4]), 9, TIME_S, second_only) == ([1], [0], 1, 4, True)


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
        price = np.array([rng.randint(1, 6) for _ in new])
        budget = rng.randint(2, 12)
        candidates = Plant(plant.n_nodes, new, plant.node_risks, plant.n_risks)

        def apart(edges: tuple[int, ...], plant=plant, new=new, questions=questions) -> list[int]:
            grown = with_edges(plant, [new[edge] for edge in edges])
            return [i for i, q in enumerate(questions) if by_enumeration(grown, q) is not None]

        searches = [laid(plant, candidates, question) for question in questions]
        for number, one in enumerate(searches):
            assert single_ones(one, TIME_S) == [e for e in range(5) if number in apart((e,))]
        best = max(
            (len(apart(edges)), -sum(price[e] for e in edges))
            for size in range(6)
            for edges in combinations(range(5), size)
            if sum(price[e] for e in edges) <= budget
        )
        found = best_set(searches, price, budget, TIME_S, all_of)
        assert found.optimal, seed
        assert (found.at_most, -found.price_at_least) == best, seed
        assert -price[found.chosen].sum() == best[1], seed
        assert found.apart == apart(tuple(found.chosen)), seed


@pytest.mark.parametrize("seed", range(30))
def test_a_cover_equal_to_trying_every_set(seed: int) -> None:
    """6 candidates, 4 targets with up to 2 needs each: most targets, least cost, fewest things."""
    rng = np.random.default_rng(seed)
    costs = rng.integers(0, 5, 6)
    needs = [(t, rng.random(6) < 0.4) for t in range(4) for _ in range(rng.integers(1, 3))]
    budget = None if seed % 3 == 0 else int(rng.integers(0, 10))

    def covered(some: tuple[int, ...]) -> list[int]:
        return [t for t in range(4) if all(mask[list(some)].any() for n, mask in needs if n == t)]

    ranks = [
        (-len(covered(some)), int(costs[list(some)].sum()), len(some))
        for size in range(7)
        for some in combinations(range(6), size)
        if budget is None or costs[list(some)].sum() <= budget
    ]
    found = cheapest_cover(4, needs, costs, budget)
    assert found is not None
    mine = -len(found.covered), int(costs[found.chosen].sum()), len(found.chosen)
    assert mine == min(ranks)
    assert found.covered == covered(tuple(found.chosen))


def test_of_equally_dear_sets_the_one_of_fewest_things() -> None:
    """One thing at 5 does for both what two things at 2 and 3 do."""
    needs = [(0, np.array([1, 1, 0], bool)), (1, np.array([1, 0, 1], bool))]
    assert cheapest_cover(2, needs, [5, 2, 3], None) == ([0], [0, 1])

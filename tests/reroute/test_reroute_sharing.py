"""The pair that shares the least, beside every pair listed one by one."""

from __future__ import annotations

import random

import pytest

from reroute_oracles import by_enumeration, plant_of, random_plant, random_question
from waysapart.errors import CallError
from waysapart.reroute.search.least_shared import least_shared
from waysapart.reroute.search.risk_graph import Question, shared_risks


def test_the_light_thing_is_shared_even_where_it_costs_more() -> None:
    """All paths A-B-D share tower 4, all paths A-C-D share road 5; mixed paths share nothing new.

    Edges AB twice (risk 4), BD twice free of it, AC twice (risk 5), CD twice, and node
    joints that force both paths into one branch: risk 6 lies on the whole of branch
    B, risk 7 on the whole of branch C, and risk 8 on one edge of each branch, so
    that one path through B and one through C meet at 8. Weights: 6 is 9, 7 is 2,
    8 is 5. Least: both through C for weight 2, though B is cheaper.
    """
    plant = plant_of(
        ("AB", 1, {0, 6, 8}),
        ("AB", 1, {1, 6, 8}),
        ("BD", 1, {2, 6}),
        ("BD", 1, {3, 6}),
        ("AC", 5, {4, 7, 8}),
        ("AC", 5, {5, 7, 8}),
        ("CD", 5, {9, 7}),
        ("CD", 5, {10, 7}),
    )
    # Both through one branch meet at 8 as well, so 2 + 5 for C, 9 + 5 for B, 5 for mixed.
    weight = [1, 1, 1, 1, 1, 1, 9, 2, 5, 1, 1]
    found = least_shared(plant.graph(), Question(0, 3), weight)
    assert (found.status, found.shared, found.weight, found.cost) == (
        "optimal",
        frozenset({8}),
        5,
        12,
    )
    assert found.proof is not None
    free = least_shared(plant.graph(), Question(0, 3), [*weight[:8], 0, *weight[9:]])
    assert (free.status, free.weight, free.cost) == ("optimal", 0, 12)


@pytest.mark.parametrize("limited", [False, True])
def test_equal_to_enumeration(limited: bool) -> None:
    """120 random plants, 60 with limits: weight shared and cost both as listed."""
    statuses = set()
    for seed in range(60 if limited else 120):
        plant = random_plant(seed)
        question = random_question(plant, seed, limited)
        rng = random.Random(seed)
        weight = [rng.choice([0, 1, 1, 2, 5]) for _ in range(plant.n_risks)]
        wanted = by_enumeration(plant, question, 2, weight)
        found = least_shared(plant.graph(), question, weight)
        statuses.add(found.status)
        if wanted is None:
            assert found.status == "none", seed
            continue
        assert found.status == "optimal", seed
        assert (found.weight, found.cost) == wanted, seed
        assert found.weight_lower == found.weight, seed
        assert found.paths is not None
        free = {risk for risk, w in enumerate(weight) if w == 0}
        assert found.shared == shared_risks(plant.graph(), question, found.paths) - free, seed
    assert statuses == {"optimal", "none"}


def test_out_of_time_gives_a_bracket() -> None:
    """Without any time the quick pair is returned, and nothing is said to be proved."""
    plant = plant_of(("AB", 3, {0, 2}), ("AB", 4, {1, 2}))
    found = least_shared(plant.graph(), Question(0, 1), [1, 1, 7], time_limit_s=0.0)
    assert (found.status, found.weight, found.weight_lower) == ("bracket", 7, 0)


def test_weights_must_fit() -> None:
    plant = plant_of(("AB", 3, {0}), ("AB", 4, {1}))
    with pytest.raises(CallError, match="2 risks"):
        least_shared(plant.graph(), Question(0, 1), [1, 2, 3])

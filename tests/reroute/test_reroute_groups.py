"""Groups: working ways of which no two share anything, beside every choice of simple ways."""

from __future__ import annotations

import json
from dataclasses import replace
from itertools import combinations
from pathlib import Path

import pytest

import waysapart as wa
from reroute_oracles import Plant as Net
from reroute_oracles import false_in_proof, random_question, simple_ways
from reroute_oracles import random_plant as random_net
from reroute_plants import Plant, every_pair, random_plant
from waysapart.recheck import recheck
from waysapart.reroute.api import reroute
from waysapart.reroute.search.disjoint_paths import best_paths
from waysapart.reroute.search.risk_graph import Question

NOTHING = wa.Candidates(wanted=False)
SEEDS = range(3)
MORE_SEEDS = range(3, 7)


def cheapest_apart(net: Net, question: Question, ways: int) -> int | None:
    """Least cost of so many simple ways without a common risk, one way added after another."""
    listed = [
        (sum(net.edges[edge][2] for edge in way), frozenset(risks) - set(question.exempt))
        for way in simple_ways(net, question)
        for risks in [set().union(*(net.relied_on(e, question.s, question.t) for e in way))]
    ]
    best: int | None = None

    def add(begin: int, met: frozenset[int], cost: int, left: int) -> None:
        nonlocal best
        if left == 0:
            best = cost if best is None else min(best, cost)
            return
        for place in range(begin, len(listed)):
            more, own = listed[place]
            if not own & met:
                # A way without any risk may be taken twice.
                add(place if not own else place + 1, met | own, cost + more, left - 1)

    add(0, frozenset(), 0, ways)
    return best


def test_four_ways_equal_to_enumeration() -> None:
    """60 random nets, grown denser by a copy of every third edge on a risk of its own."""
    found = 0
    for seed in range(60):
        net = random_net(seed)
        copied = net.edges[::3]
        more = [
            (u, v, cost + 1, {net.n_risks + number}, w)
            for number, (u, v, cost, _, w) in enumerate(copied)
        ]
        net = replace(
            net,
            edges=net.edges + more,
            node_risks=[set() for _ in net.node_risks],
            n_risks=net.n_risks + len(more),
        )
        question = replace(random_question(net, seed), keep=None)
        wanted = cheapest_apart(net, question, 4)
        answer = best_paths(net.graph(), question, 4)
        assert answer.status == ("none" if wanted is None else "apart"), seed
        if wanted is not None:
            assert answer.cost == wanted, seed
            found += 1
        else:
            assert answer.proof is not None, seed
            assert not false_in_proof(answer.proof.as_dict(), net, question), seed
    assert found >= 3


def cheapest_by_enumeration(
    plant: Plant, joined: dict[tuple[str, str], list[str]], ways: int, folder: Path
) -> float | None:
    """Least fibre length of so many simple ways, of which the prover calls every two apart."""
    count = len(every_pair(plant, joined))
    proof = wa.prove(plant.read(folder))
    names = proof.study.tables["circuits"]["id"].tolist()
    lengths = proof.delays["length_m"].to_numpy()
    paths = proof.network.paths
    apart: set[tuple[int, int]] = set()
    length: dict[int, float] = {}
    for number, name in enumerate(names):
        if "/" not in name:
            continue
        one, other = (int(part) for part in name.split("/"))
        for way, path in zip((one, other), paths.of_circuit(number), strict=True):
            length[way] = float(lengths[path])
        if proof.verdicts[number] == "apart" and proof.limits[number].within is not False:
            apart.add((one, other))
    return min(
        (
            sum(length[way] for way in chosen)
            for chosen in combinations(range(count), ways)
            if set(combinations(chosen, 2)) <= apart
        ),
        default=None,
    )


@pytest.mark.parametrize("ways", [2, 3])
def test_working_ways_equal_to_enumeration(ways: int, tmp_path: Path) -> None:
    """So many protections between the same ends, each in one cable: least length, or none."""
    told = [one_plant(seed, ways, tmp_path / str(seed)) for seed in SEEDS]
    assert set(told) == {True, False}


@pytest.mark.slow
@pytest.mark.parametrize("ways", [2, 3])
def test_working_ways_of_more_plants_equal_to_enumeration(ways: int, tmp_path: Path) -> None:
    told = [one_plant(seed, ways, tmp_path / str(seed)) for seed in MORE_SEEDS]
    assert set(told) == {True, False}


def one_plant(seed: int, ways: int, folder: Path) -> bool:
    """Whether there are so many ways in a plant; asserts that both answers agree."""
    plant, joined = random_plant(seed)
    for extra in range(ways - 1):
        # A cable of its own with a bend, so that three ways exist in some of the plants.
        node = f"R{extra}"
        plant.node(node, 900 + 700 * extra, -2000 - 300 * extra - 10 * seed, kind="pit")
        if (seed + extra) % 3:
            plant.laid(f"E{extra}", "A", node, "B")
            joined[("A", "B")].append(f"E{extra}")
    for extra in range(1, ways):
        a, b = plant.more_relays(extra + 1)
        plant.link(f"LK{extra}", "CK", a=a, b=b)
        plant.way(f"K{extra}", "main", f"LK{extra}")
        plant.way(f"K{extra}", "alternate", f"LK{extra}")
        plant.rows["circuits"][-1].update(a=a, b=b)
    members = plant.rows["circuits"]
    for row in members:
        row["group"] = "G"
    study = plant.read(folder / "asked")
    found = reroute(study, groups=["G"], ways=ways, build=NOTHING)
    facts = found.facts()
    (one,) = facts["circuits"]
    if one["status"] == "none":
        evidence = folder / "evidence.json"
        evidence.write_text(json.dumps(facts), encoding="utf-8")
        assert recheck(folder / "asked", evidence)["false"] == []
    for row in members:
        row["group"] = ""
    expected = cheapest_by_enumeration(plant, joined, ways, folder / "all")
    assert one["status"] == ("none" if expected is None else "apart"), (one["why"], expected)
    if expected is not None:
        assert one["cost"] == pytest.approx(expected, abs=0.2)
        assert found.after is not None
        assert set(found.after.verdicts) == {"apart"}
    return expected is not None

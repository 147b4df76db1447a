"""Groups: what their test counts, beside every choice of simple paths; second paths; the ends."""

from __future__ import annotations

import json
from dataclasses import replace
from itertools import combinations
from pathlib import Path
from typing import Any

import pytest

import waysapart as wa
from reroute_groups import TESTS, random_group
from reroute_oracles import Plant as Net
from reroute_oracles import false_in_proof, random_question, simple_ways
from reroute_oracles import random_plant as random_net
from reroute_plants import Plant, every_pair, random_plant
from waysapart.recheck import recheck
from waysapart.reroute.api import Reroute, reroute
from waysapart.reroute.search.disjoint_paths import best_paths
from waysapart.reroute.search.risk_graph import Question

NOTHING = wa.Candidates(wanted=False)
SEEDS = range(3)
MORE_SEEDS = range(3, 7)


def cheapest_apart(net: Net, question: Question, paths: int) -> int | None:
    """Least cost of so many simple paths without a common risk, one path added after another."""
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
                # A path without any risk may be taken twice.
                add(place if not own else place + 1, met | own, cost + more, left - 1)

    add(0, frozenset(), 0, paths)
    return best


def test_four_paths_equal_to_enumeration() -> None:
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
    plant: Plant, joined: dict[tuple[str, str], list[str]], paths: int, folder: Path
) -> float | None:
    """Least fibre length of so many simple paths, of which the prover calls every two apart."""
    count = len(every_pair(plant, joined))
    proof = wa.prove(plant.read(folder))
    names = proof.study.tables["circuits"]["id"].tolist()
    lengths = proof.delays["length_m"].to_numpy()
    known = proof.network.paths
    apart: set[tuple[int, int]] = set()
    length: dict[int, float] = {}
    for number, name in enumerate(names):
        if "/" not in name:
            continue
        one, other = (int(part) for part in name.split("/"))
        for way, path in zip((one, other), known.of_circuit(number), strict=True):
            length[way] = float(lengths[path])
        if proof.verdicts[number] == "apart" and proof.limits[number].within is not False:
            apart.add((one, other))
    return min(
        (
            sum(length[way] for way in chosen)
            for chosen in combinations(range(count), paths)
            if set(combinations(chosen, 2)) <= apart
        ),
        default=None,
    )


@pytest.mark.parametrize("paths", [2, 3])
def test_working_paths_equal_to_enumeration(paths: int, tmp_path: Path) -> None:
    """So many protections between the same ends, each in one cable: least length, or none."""
    told = [one_plant(seed, paths, tmp_path / str(seed)) for seed in SEEDS]
    assert set(told) == {True, False}


@pytest.mark.slow
@pytest.mark.parametrize("paths", [2, 3])
def test_working_paths_of_more_plants_equal_to_enumeration(paths: int, tmp_path: Path) -> None:
    told = [one_plant(seed, paths, tmp_path / str(seed)) for seed in MORE_SEEDS]
    assert set(told) == {True, False}


def one_plant(seed: int, paths: int, folder: Path) -> bool:
    """Whether there are so many paths in a plant; asserts that both answers agree."""
    plant, joined = random_plant(seed)
    for extra in range(paths - 1):
        # A cable of its own with a bend, so that three paths exist in some of the plants.
        node = f"R{extra}"
        plant.node(node, 900 + 700 * extra, -2000 - 300 * extra - 10 * seed, kind="pit")
        if (seed + extra) % 3:
            plant.laid(f"E{extra}", "A", node, "B")
            joined[("A", "B")].append(f"E{extra}")
    for extra in range(1, paths):
        a, b = plant.more_relays(extra + 1)
        plant.link(f"LK{extra}", "CK", a=a, b=b)
        plant.way(f"K{extra}", "main", f"LK{extra}")
        plant.way(f"K{extra}", "alternate", f"LK{extra}")
        plant.rows["circuits"][-1].update(a=a, b=b)
    members = plant.rows["circuits"]
    for row in members:
        row["group"] = "G"
    study = plant.read(folder / "asked")
    found = reroute(study, groups=["G"], paths=paths, build=NOTHING)
    facts = found.facts()
    (one,) = facts["circuits"]
    if one["status"] == "none":
        evidence = folder / "evidence.json"
        evidence.write_text(json.dumps(facts), encoding="utf-8")
        assert recheck(folder / "asked", evidence)["false"] == []
    for row in members:
        row["group"] = ""
    expected = cheapest_by_enumeration(plant, joined, paths, folder / "all")
    assert one["status"] == ("none" if expected is None else "apart"), (one["why"], expected)
    if expected is not None:
        assert one["cost"] == pytest.approx(expected, abs=0.2)
        assert found.after is not None
        assert set(found.after.verdicts) == {"apart"}
    return expected is not None


def decided(seed: int, folder: Path) -> tuple[str, str] | None:
    """Test and status of a random group, held against every choice of paths; None: too many."""
    made = random_group(seed)
    if made.choices() is None:
        return None
    study = made.as_asked(folder / "asked")
    found = reroute(study, groups=["G"], build=NOTHING)
    facts = found.facts()
    (one,) = facts["circuits"]
    if one["why"] == "whether all of its paths come close at one place was not worked out":
        assert made.test != "pairwise", seed
        return None  # documented: of more than two paths, near approaches are not decided
    assert one["status"] in ("apart", "none"), (seed, one["why"])
    if one["status"] == "none":
        assert one["no_pair_proof"] is not None, seed
        evidence = folder / "evidence.json"
        evidence.write_text(json.dumps(facts), encoding="utf-8")
        assert recheck(folder / "asked", evidence)["false"] == [], seed
    else:
        proof = found.after or found.before
        assert proof.verdicts[proof.circuit_count :] == ["apart"], seed
    expected = made.any_apart(folder / "all")
    assert one["status"] == ("apart" if expected else "none"), (seed, made.test, one["says"])
    return made.test, one["status"]


def test_random_groups_are_decided_as_every_choice_of_paths_is_proved(tmp_path: Path) -> None:
    """Two or three circuits, every test, shared batteries and rooms, one or two end sites."""
    told = [decided(seed, tmp_path / str(seed)) for seed in range(10)]
    assert {status for one in told if one for status in one[1:]} == {"apart", "none"}


@pytest.mark.slow
@pytest.mark.parametrize("first", range(10, 210, 40))
def test_more_random_groups_are_decided_too(first: int, tmp_path: Path) -> None:
    told = [decided(seed, tmp_path / str(seed)) for seed in range(first, first + 40)]
    assert {one for one in told if one} == {(t, s) for t in TESTS for s in ("apart", "none")}


# --- By hand: the ends, the second path, three circuits.


def two_mains(
    plant: Plant, *, supplies: tuple[str, str] = ("-", "-"), alternates: bool = True
) -> None:
    """K over CN and K2 over CS, with a relay of its own each; alternates the other way round."""
    plant.nodes("pit", N=(1500, 500), S=(1500, -900))
    plant.laid("CN", "A", "N", "B", km=3.2)
    plant.laid("CS", "A", "S", "B", km=3.6)
    a, b = plant.more_relays()
    for relay in plant.rows["equipment"]:
        if relay["site"] == "A":
            relay["supplies"] = supplies[relay["id"] == a]
    paths = (("main", "CN"), ("alternate", "CS")), (("main", "CS"), ("alternate", "CN"))
    for name, ends, mine in zip(("K", "K2"), (("RA", "RB"), (a, b)), paths, strict=True):
        for path, cable in mine if alternates else mine[:1]:
            plant.link(f"{name}-{path}", cable, a=ends[0], b=ends[1])
            plant.way(name, path, f"{name}-{path}")
        plant.rows["circuits"][-1].update(a=ends[0], b=ends[1], group="G")


def batteries(plant: Plant, *names: str, site: str = "A") -> None:
    for name in names:
        plant.rows["supplies"].append({"id": name, "site": site, "within": "-", "needs": "-"})


def asked(plant: Plant, folder: Path, **options: Any) -> tuple[Reroute, dict[str, Any]]:
    found = reroute(plant.read(folder), groups=["G"], **options)
    (one,) = found.facts()["circuits"]
    return found, dict(one)


def test_one_battery_at_both_ends_is_a_proof_and_another_helps(tmp_path: Path) -> None:
    """Relays RA and RA2 hang on BAT. No other path helps; BAT-2 at the site does."""
    plant = Plant()
    batteries(plant, "BAT", "BAT-2")
    two_mains(plant, supplies=("BAT", "BAT"))
    found, one = asked(plant, tmp_path)
    assert one["status"] == "none"
    proof = one["no_pair_proof"]
    leaves = proof["tree"]["then"]
    assert [leaf["avoid"] for leaf in leaves] == [["BAT"], ["BAT"]]
    cut = {edge for leaf in leaves for edge in leaf["cut"]}
    told = [edge for edge in proof["edges"] if edge["id"] in cut]
    assert {edge["what"] for edge in told} == {"member"}
    assert one["says"] == (
        "every path of K and K2 relies on supply BAT, "
        "because RA and RA2, where they end, rely on it"
    )
    assert one["shared"] == ["BAT"]
    assert set(one["least_shared"]["paths"]) == {"K main", "K2 main"}
    assert found.building is not None
    assert [(option.kind, option.apart) for option in found.building.options] == [
        ("supply", ("G",))
    ]
    evidence = tmp_path / "evidence.json"
    evidence.write_text(json.dumps(found.facts()), encoding="utf-8")
    assert recheck(tmp_path, evidence)["false"] == []


def test_what_the_rules_excuse_at_the_ends_may_be_shared(tmp_path: Path) -> None:
    """Both relays stand in one room: none, unless rooms are excused."""
    for excuse, status in (("", "none"), ('[groups]\nexcuse = ["room"]\n', "apart")):
        plant = Plant()
        two_mains(plant)
        plant.rows["holders"].append({"id": "RM", "kind": "room"})
        for relay in plant.rows["equipment"]:
            relay["within"] = "RM" if relay["site"] == "A" else "-"
        plant.service += excuse
        assert asked(plant, tmp_path / status, build=NOTHING)[1]["status"] == status


def test_a_site_where_one_circuit_alone_ends_counts_for_the_other(tmp_path: Path) -> None:
    """K2 ends at C and comes there through B, where K ends: B is shared."""
    plant = Plant()
    plant.site("C", 6000, 0)
    plant.nodes("pit", N=(1500, 500), S=(1500, -900), T=(4500, -900))
    plant.laid("CN", "A", "N", "B", km=3.2)
    plant.laid("CS", "A", "S", "B", km=3.6)
    plant.laid("CT", "B", "T", "C", km=3.6)
    plant.rows["equipment"] += [
        {**plant.rows["equipment"][0], "id": "RA2"},
        {**plant.rows["equipment"][0], "id": "RC", "site": "C"},
    ]
    plant.link("L1", "CN")
    plant.way("K", "main", "L1")
    plant.link("L2", "CS", "CT", a="RA2", b="RC")
    plant.way("K2", "main", "L2")
    plant.rows["circuits"][1].update(a="RA2", b="RC")
    for row in plant.rows["circuits"]:
        row["group"] = "G"
    _, one = asked(plant, tmp_path, build=NOTHING)
    assert (one["status"], one["shared"]) == ("none", ["B"])


def test_a_hazard_over_the_end_sites_met_elsewhere_too_is_no_excuse(tmp_path: Path) -> None:
    """Flood HZ takes site A, which is excused, and pit N on cable CN, which is not."""
    plant = Plant()
    two_mains(plant)
    plant.rows["hazards"].append(
        {"id": "HZ", "kind": "flood", "line": [(750, 250)], "area_m": 1700, "takes": "pit"}
    )
    found, one = asked(plant, tmp_path / "met", build=NOTHING)
    assert one["status"] == "none"
    assert "CN" in str(one["no_pair_proof"]["without"])
    (reason,) = [r for r in one["no_pair_proof"]["left_out"] if "hazard" in r["because"]]
    assert any("CN" in edge or edge.startswith("K-main") for edge in reason["edges"])
    assert reason["because"].endswith(": HZ")
    evidence = tmp_path / "evidence.json"
    evidence.write_text(json.dumps(found.facts()), encoding="utf-8")
    assert recheck(tmp_path / "met", evidence)["false"] == []
    # A cable that keeps away from the flood is said to meet it: told.
    facts = json.loads(json.dumps(found.facts()))
    proof = facts["circuits"][0]["no_pair_proof"]
    (reason,) = [r for r in proof["left_out"] if "hazard" in r["because"]]
    away = [edge["id"] for edge in proof["edges"] if edge.get("cable") == "CS"]
    reason["edges"] += away
    proof["without"] += away
    evidence.write_text(json.dumps(facts), encoding="utf-8")
    assert any("meets no hazard" in said for said in recheck(tmp_path / "met", evidence)["false"])


def test_an_end_with_a_record_gap_is_named(tmp_path: Path) -> None:
    """RA2 does not say what feeds it: no path of K2 counts, and the answer says which end."""
    plant = Plant()
    batteries(plant, "BAT")
    two_mains(plant, supplies=("BAT", ""))
    _, one = asked(plant, tmp_path, build=NOTHING)
    assert one["status"] == "none"
    assert one["says"].startswith("RA2 relies on something with a record gap")


def test_a_second_path_is_not_demanded_but_told(tmp_path: Path) -> None:
    """K and K2 work in cable CN. CS has fibres for one link only: the one that moves there has CN
    left for a second path, the other one has none."""
    plant = Plant()
    plant.nodes("pit", N=(1500, 500), S=(1500, -900))
    plant.laid("CN", "A", "N", "B", km=3.2)
    plant.laid("CS", "A", "S", "B", km=3.6, fibre_count=2)
    a, b = plant.more_relays()
    for name, ends in (("K", ("RA", "RB")), ("K2", (a, b))):
        plant.link(f"{name}-main", "CN", a=ends[0], b=ends[1])
        plant.way(name, "main", f"{name}-main")
        plant.rows["circuits"][-1].update(a=ends[0], b=ends[1], group="G")
    found = reroute(plant.read(tmp_path), build=NOTHING)
    told = {one["id"]: dict(one) for one in found.facts()["circuits"]}
    group = told["G"]
    assert group["status"] == "apart"
    (short,) = group["short"]
    assert short["circuit"] in ("K", "K2")
    assert "has no second path apart" in short["why"]
    assert short["why"] in group["says"]
    assert found.after is not None
    verdicts = dict(zip((t.id for t in found.after.trials), found.after.verdicts, strict=True))
    assert verdicts["G"] == "apart"
    assert verdicts[short["circuit"]] != "apart"
    # The circuit was asked about as well: it has an answer of its own.
    assert short["circuit"] in told


def test_three_circuits_may_share_two_by_two(tmp_path: Path) -> None:
    """Three cables, of which every two share a pit; no pit is on all three: apart by `working`."""
    plant = Plant()
    plant.nodes("pit", P=(1000, 0), Q=(1500, 300), R=(2000, 0))
    plant.laid("C1", "A", "P", "Q", "B", km=4)
    plant.laid("C2", "A", "Q", "R", "B", km=4)
    plant.laid("C3", "A", "P", "R", "B", km=4)
    for number, cable in ((1, "C1"), (2, "C1"), (3, "C1")):
        a, b = ("RA", "RB") if number == 1 else plant.more_relays(number)
        plant.link(f"L{number}", cable, a=a, b=b)
        plant.way(f"K{number}", "main", f"L{number}")
        plant.rows["circuits"][-1].update(a=a, b=b, group="G")
    found, one = asked(plant, tmp_path, build=NOTHING)
    assert one["status"] == "apart"
    assert found.after is not None
    assert found.after.verdicts[-1] == "apart"
    assert asked(plant, tmp_path / "two", build=NOTHING, paths=2)[1]["status"] == "none"


# --- Proofs with damage.


@pytest.fixture(scope="module")
def shared_by_all(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, dict[str, Any]]:
    """Three circuits of one group that all pass pit P; their relays stand in rooms of their own."""
    folder = tmp_path_factory.mktemp("by-all")
    plant = Plant()
    plant.nodes("pit", N=(1000, 300), S=(1000, -300), P=(1500, 0))
    plant.laid("CN", "A", "N", "P", "B", km=4)
    plant.laid("CS", "A", "S", "P", "B", km=4)
    for number in (1, 2, 3):
        a, b = ("RA", "RB") if number == 1 else plant.more_relays(number)
        plant.link(f"L{number}", "CN", a=a, b=b)
        plant.way(f"K{number}", "main", f"L{number}")
        plant.rows["circuits"][-1].update(a=a, b=b, group="G")
    found, one = asked(plant, folder, build=NOTHING)
    assert one["status"] == "none"
    assert one["says"] == "every path of K1, K2 and K3 relies on pit P"
    return folder, json.loads(json.dumps(found.facts()))


def _fewer_between(proof: dict[str, Any]) -> None:
    proof["tree"]["between"] = proof["tree"]["between"][:2]
    proof["tree"]["then"] = proof["tree"]["then"][:2]


def _one_circuit_twice(proof: dict[str, Any]) -> None:
    proof["courses"][1]["circuit"] = proof["courses"][0]["circuit"]


def _more_paths(proof: dict[str, Any]) -> None:
    proof["courses"].append({"circuit": "K1", "path": "alternate"})
    proof["paths"] = 4


def _at_the_site(proof: dict[str, Any]) -> None:
    proof["tree"]["risk"] = "A"
    for leaf in proof["tree"]["then"]:
        leaf["avoid"] = ["A"]
    for edge in proof["edges"]:
        edge["relies_on"] = ["A"]


def _no_such_path(proof: dict[str, Any]) -> None:
    proof["tree"]["then"][0]["path"] = 7


def _near_without_pair(proof: dict[str, Any]) -> None:
    tree = proof["tree"]
    tree["risks"] = [tree.pop("risk")] * 3


@pytest.mark.parametrize(
    "damage",
    [
        None,
        _fewer_between,
        _one_circuit_twice,
        _more_paths,
        _at_the_site,
        _no_such_path,
        _near_without_pair,
    ],
)
def test_damage_to_a_group_proof_is_told(
    shared_by_all: tuple[Path, dict[str, Any]], damage: Any, tmp_path: Path
) -> None:
    folder, facts = shared_by_all
    changed = json.loads(json.dumps(facts))
    if damage is not None:
        damage(changed["circuits"][0]["no_pair_proof"])
    evidence = tmp_path / "evidence.json"
    evidence.write_text(json.dumps(changed), encoding="utf-8")
    assert bool(recheck(folder, evidence)["false"]) == (damage is not None)

"""Small random plants with one group, and whether the prover calls any choice of its paths apart.

Every simple path over the cables is listed for every member; every choice of them for the
paths that the group's test counts is a group of its own in one study, and the prover judges all.
"""

from __future__ import annotations

import random
from collections.abc import Iterator
from dataclasses import dataclass, field
from itertools import combinations_with_replacement, product
from pathlib import Path

import waysapart as wa
from reroute_plants import Plant

TESTS = ("working", "all", "pairwise")
MOST_CHOICES = 700
"""Choices of paths that are proved for one plant; plants with more are left out."""
Ends = tuple[str, str]


@dataclass
class GroupPlant:
    """A plant with group G of circuits K0, K1, ... and the cables between its sites."""

    plant: Plant
    ends: list[Ends] = field(default_factory=list)
    relays: list[Ends] = field(default_factory=list)
    joined: dict[Ends, list[str]] = field(default_factory=dict)
    test: str = "working"
    paths: list[int] = field(default_factory=list)
    """How many paths each circuit has on record."""

    def cable(self, name: str, *nodes: str, kind: str = "duct") -> None:
        self.plant.laid(name, *nodes, kind=kind)
        self.joined.setdefault((nodes[0], nodes[-1]), []).append(name)

    def simple_paths(self, begin: str, end: str) -> list[tuple[str, ...]]:
        """Every path over cables that comes to no site twice."""
        beside: dict[str, list[tuple[str, str]]] = {}
        for (one, other), cables in self.joined.items():
            for cable in cables:
                beside.setdefault(one, []).append((cable, other))
                beside.setdefault(other, []).append((cable, one))

        def onward(at: str, seen: set[str], cables: tuple[str, ...]) -> Iterator[tuple[str, ...]]:
            if at == end:
                yield cables
                return
            for cable, there in beside.get(at, ()):
                if there not in seen:
                    yield from onward(there, seen | {there}, (*cables, cable))

        return list(onward(begin, {begin}, ()))

    def choices(self) -> list[list[tuple[tuple[str, ...], ...]]] | None:
        """By member, every choice of its counted paths; None where there are too many in all."""
        found = []
        total = 1
        for ends, recorded in zip(self.ends, self.paths, strict=True):
            ways = self.simple_paths(*ends)
            counted = {"working": 1, "all": max(2, recorded), "pairwise": recorded}[self.test]
            found.append(list(combinations_with_replacement(ways, counted)))
            total *= len(found[-1])
        return found if 0 < total <= MOST_CHOICES else None

    def as_asked(self, folder: Path) -> wa.Study:
        """The study with its group, as a planner has it."""
        return self.plant.read(folder)

    def any_apart(self, folder: Path) -> bool:
        """Whether the prover calls the group apart for any choice of its members' paths."""
        plant, choices = self.plant, self.choices()
        assert choices is not None
        for role in ("links", "link_runs", "circuits", "circuit_paths"):
            plant.rows[role] = []
        for cable in plant.rows["cables"]:
            cable["fibre_count"] = 4000
        made: dict[tuple[int, tuple[str, ...]], str] = {}
        for number, choice in enumerate(product(*choices)):
            for member, ways in enumerate(choice):
                name = f"{number}-{member}"
                a, b = self.relays[member]
                plant.rows["circuits"].append(
                    {"id": name, "a": a, "b": b, "service": "", "group": f"G{number}"}
                )
                for place, way in enumerate(ways):
                    link = made.get((member, way))
                    if link is None:
                        link = made[member, way] = f"W{len(made)}"
                        plant.link(link, *way, a=a, b=b)
                    label = ("main", "alternate", "third")[place]
                    plant.rows["circuit_paths"].append(
                        {"circuit": name, "path": label, "seq": 1, "link": link}
                    )
        proof = wa.prove(plant.read(folder))
        return "apart" in proof.verdicts[proof.circuit_count :]


def random_group(seed: int) -> GroupPlant:
    """4 to 9 sites and pits; two or three circuits, from A to B or from A to B and to C.

    Relays stand in rooms and are fed by batteries that some of them share; cables come in by
    entry pits; a flood may take a site and pits beside it.
    """
    rng = random.Random(seed)
    plant = Plant((0, 0), (6000, 0))
    made = GroupPlant(plant, test=rng.choice(TESTS))
    plant.service = f'separation_m = {rng.choice((0, 0, 5))}\ngroup_test = "{made.test}"\n'
    count = rng.choice((2, 2, 3))
    plant.site("C", 6000, 3000)
    inner = [f"S{n}" for n in range(rng.randint(0, 2))]
    for number, name in enumerate(inner):
        plant.site(name, 2000 + 1700 * number, rng.choice((-900, 900)) + 100 * number)
    apart = rng.random() < 0.4
    sites = ["A", "B", "C"] if apart else ["A", "B"]
    for site in sites:
        for number in range(2):
            plant.rows["holders"].append({"id": f"RM-{site}{number}", "kind": "room"})
            charger = {"id": f"CHG-{site}{number}", "kind": "charger", "within": "-"}
            plant.rows["holders"].append(charger)
            needs = f"CHG-{site}{0 if rng.random() < 0.2 else number}"
            plant.rows["supplies"].append(
                {"id": f"BAT-{site}{number}", "site": site, "within": "-", "needs": needs}
            )
    plant.rows["equipment"] = []
    careless = rng.random() < 0.5
    for member in range(count):
        ends = ("A", "C" if apart and member == count - 1 else "B")
        names = (f"R{member}A", f"R{member}B")
        for name, site in zip(names, ends, strict=True):
            number = rng.choice((0, 1)) if careless else min(member, 1)
            both = rng.random() < 0.2
            room = f"RM-{site}{number}" if rng.random() < 0.6 else "-"
            fed = f"BAT-{site}0;BAT-{site}1" if both else f"BAT-{site}{number}"
            plant.rows["equipment"].append(
                {"id": name, "kind": "relay", "site": site, "within": room, "delay_us": 0}
                | {"supplies": fed if rng.random() < 0.7 else "-"}
            )
        made.ends.append(ends)
        made.relays.append(names)
    pits = [f"P{n}" for n in range(rng.randint(2, 3))]
    for number, name in enumerate(pits):
        plant.node(name, 1000 + 1300 * number, rng.randint(-500, 500) + 37, kind="pit")
    made.cable("CK", "A", rng.choice(pits), "B")
    if apart:
        plant.node("PC", 5000, 2500, kind="pit")
        made.cable("CC", "A", rng.choice((*pits, "PC")), "C")
    every = ["A", "B", *inner, *(["C"] if apart else [])]
    for number in range(rng.randint(2, 5)):
        one, other = sorted(rng.sample(every, 2))
        through = rng.sample(pits, rng.choice((0, 0, 1, 2)))
        if not through:
            through = [f"Q{number}"]
            plant.node(through[0], 700 + 800 * number, 1500 + 211 * number, kind="pit")
        made.cable(f"C{number}", one, *through, other)
    if rng.random() < 0.4:
        x = rng.choice((0, 0, rng.randint(500, 5500)))
        flood = {"id": "HZ", "kind": "flood", "line": [(x, 0)], "area_m": rng.choice((300, 2200))}
        plant.rows["hazards"].append({**flood, "takes": rng.choice(("", "pit"))})
    for member, (ends, (a, b)) in enumerate(zip(made.ends, made.relays, strict=True)):
        cable = "CC" if ends[1] == "C" else "CK"
        made.paths.append(rng.choice((1, 2)))
        for place in range(made.paths[-1]):
            link = f"L{member}{place}"
            plant.link(link, cable, a=a, b=b)
            plant.way(f"K{member}", ("main", "alternate")[place], link)
        plant.rows["circuits"][-1].update(a=a, b=b, group="G")
    return made

"""Which links does a path take: those listed, or those round the rings of its circuit?

A circuit over rings is walked link by link: from its end a over the tail, round each ring either
way to each place where it may leave the ring, and over the other tail.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, replace
from math import prod

from waysapart.recheck.faulty_rows import Gap, Row, grouped
from waysapart.recheck.figures import total
from waysapart.recheck.records import Records

Key = tuple[str, str]
"""Circuit and label of a path."""
NOBODY = ""
"""Equipment that is not on record."""
ALIKE_M = 0.01
"""Lengths that differ by less may be in the other order by another calculation."""
MOST_PATHS = 128
"""Paths over the rings of one circuit; a circuit with more is not tied."""


def tie_paths(
    records: Records, length_m: dict[str, float | None], claimed: dict[Key, list[str]]
) -> tuple[dict[Key, list[str]], list[Gap], set[Key]]:
    """Links of every path from circuit end a to end b.

    Parameters
    ----------
    records : Records
    length_m : dict of str to float or None
        Length of each link in metres, which decides the shorter way round a ring.
    claimed : dict of (circuit, label) to list of str
        Links as the evidence has them.

    Returns
    -------
    paths : dict of (circuit, label) to list of link ids
    gaps : list of Gap
    undecided : set of (circuit, label)
        Ways round a ring of which nobody can tell which is the shorter.
    """
    circuits = records.by["circuits"]
    rows = sorted(records.rows["circuit_paths"], key=lambda row: row["seq"])
    found = grouped(
        ((row["circuit"], row["path"]), row["link"]) for row in rows if row["circuit"] in circuits
    )
    gaps: list[Gap] = []
    undecided = _round_rings(records, length_m, claimed, found, gaps)
    paths: dict[Key, list[str]] = {}
    first = {"main": 0, "alternate": 1}
    for key in sorted(found, key=lambda key: (key[0], first.get(key[1], 2), key[1])):
        ends = (circuits[key[0]].get(end) or NOBODY for end in ("a", "b"))
        fault, paths[key] = _walked(records, found[key], *ends)
        if fault:
            gaps.append(Gap(fault, key[0], circuits=(key[0],), path=key[1]))
    counts = Counter(circuit for circuit, _ in paths)
    single = (name for name in circuits if counts[name] < 2)
    gaps += [Gap("single-path", name, circuits=(name,)) for name in single]
    return paths, gaps, undecided


def _across(link: Row, node: str | None) -> str | None:
    """The other end of a link; None where it does not touch a node.

    Ends that are not on record are `NOBODY`.
    """
    a, b = (link[end] or NOBODY for end in ("a", "b"))
    return b if node == a else a if node == b else None


def _walked(records: Records, chain: list[str], a: str, b: str) -> tuple[str | None, list[str]]:
    """The code of the gap where links do not lead from a to b, and the links from a on."""
    if not chain:
        return "path-end", []
    links = records.by["links"]
    furthest, fault = -1, ""
    for begin, goal, step in ((a, b, 1), (b, a, -1)):
        node, at = begin, 0
        for name in chain:
            following = _across(links[name], node)
            if following is None:
                break
            node, at = following, at + 1
        if at == len(chain) and node == goal:
            return None, chain[::step]
        if at > furthest:
            furthest, fault = at, "path-end" if at in (0, len(chain)) else "path-broken"
    return fault, chain


@dataclass(frozen=True)
class Walk:
    """A walk over the rings of a circuit, as far as it has come.

    `said`: which way it has gone round each ring; `turns`: the same as `main_way` has it;
    `spared`: joins that it came past on the ring before without going over there.
    """

    links: tuple[str, ...]
    nodes: tuple[str, ...]
    said: tuple[str, ...] = ()
    turns: tuple[str, ...] = ()
    spared: frozenset[str] = frozenset()


class NoWayError(Exception):
    """The records of a circuit's rings do not lead from one end to the other."""


def _round_rings(
    records: Records,
    length_m: dict[str, float | None],
    claimed: dict[Key, list[str]],
    found: dict[Key, list[str]],
    gaps: list[Gap],
) -> set[Key]:
    """Add all ways over rings to the paths; return those of which the order is not settled."""
    undecided: set[Key] = set()
    steps = sorted(records.rows["rings"], key=lambda row: row["seq"])
    rings = grouped((row["ring"], row["link"]) for row in steps)
    rows = sorted(records.rows["ring_circuits"], key=lambda row: row["seq"])
    for name, mine in grouped((row["circuit"], row) for row in rows).items():
        if name not in records.by["circuits"] or any(row["ring"] not in rings for row in mine):
            continue
        try:
            rest = _walks(records, records.by["circuits"][name], mine, rings)
        except NoWayError:
            gaps.append(Gap("ring-broken", name, circuits=(name,)))
            continue
        metres = {walk: total(map(length_m.get, walk.links)) for walk in rest}
        stated = [row.get("main_way") for row in mine]
        meant = [walk for walk in rest if _as_stated(walk, stated)] or rest
        main, sure = _shortest(meant, metres, claimed.get((name, "main")))
        rest.remove(main)
        least = min(_in_common(walk, main) for walk in rest)
        others = [walk for walk in rest if _in_common(walk, main) == least]
        alternate, also = _shortest(others, metres, claimed.get((name, "alternate")))
        rest.remove(alternate)
        found[name, "main"], found[name, "alternate"] = list(main.links), list(alternate.links)
        found.update({(name, ", ".join(walk.said)): list(walk.links) for walk in rest})
        if not (sure and also):
            undecided |= {(name, "main"), (name, "alternate")}
    return undecided


def _as_stated(walk: Walk, stated: list[str | None]) -> bool:
    """Whether a walk goes round every ring as `main_way` says, where it does."""
    return all(
        way is None or turn in ("", way) for turn, way in zip(walk.turns, stated, strict=True)
    )


def _in_common(one: Walk, other: Walk) -> tuple[int, int]:
    """How many links, and how many pieces of equipment, two walks have in common."""
    return len({*one.links} & {*other.links}), len({*one.nodes} & {*other.nodes})


def _shortest(
    walks: list[Walk], metres: dict[Walk, float | None], told: list[str] | None
) -> tuple[Walk, bool]:
    """The shortest walk, and whether that is sure; of those that may be, the one that is told."""
    known = [one for one in metres.values() if one is not None]
    near = walks
    if len(known) == len(metres):
        least = min(metres[walk] or 0.0 for walk in walks)
        near = [walk for walk in walks if (metres[walk] or 0.0) - least < ALIKE_M]
    return next((one for one in near if list(one.links) == told), near[0]), len(near) == 1


def _walks(
    records: Records, circuit: Row, rows: list[Row], rings: dict[str, list[str]]
) -> list[Walk]:
    """All walks from the circuit's end a over its rings to its end b."""
    nodes = [_ring_nodes(records, rings[row["ring"]]) for row in rows]
    closed = [one for one in nodes if one is not None]
    misplaced = any(row["a_tail"] for row in rows[1:]) or any(row["b_tail"] for row in rows[:-1])
    if len(closed) < len(rows) or misplaced:
        raise NoWayError
    a, b = (circuit.get(end) or NOBODY for end in ("a", "b"))
    onto = _tail(records, rows[0]["a_tail"] or [], a)
    away = _tail(records, rows[-1]["b_tail"] or [], b)
    for node, ring, said in (
        (onto.nodes[-1], closed[0], rows[0]["enter"]),
        (away.nodes[-1], closed[-1], rows[-1]["leave"]),
    ):
        if node not in ring or {*(said or [node])} != {node}:
            raise NoWayError
    doors = [_doors(rows[n : n + 2], closed[n : n + 2]) for n in range(len(rows) - 1)]
    if 2 ** len(rows) * prod(len(one) for one in doors) > MOST_PATHS:
        raise NoWayError
    walks = [onto]
    for n, row in enumerate(rows):
        out = doors[n] if n < len(doors) else {away.nodes[-1]}
        chain, ring = rings[row["ring"]], closed[n]
        walks = [
            further
            for walk in walks
            for node in sorted(out, key=ring.index)
            for further in _round(walk, row["ring"], chain, ring, node, out)
        ]
    if len(walks) < 2:
        raise NoWayError
    back = away.links[::-1], away.nodes[-2::-1]
    return [replace(walk, links=walk.links + back[0], nodes=walk.nodes + back[1]) for walk in walks]


def _tail(records: Records, tail: list[str], end: str) -> Walk:
    """The walk over a tail from an end of the circuit, whichever end of the tail is named first."""
    for chain in (tail, tail[::-1]):
        nodes = [end]
        for name in chain:
            following = _across(records.by["links"][name], nodes[-1])
            if following is None:
                break
            nodes.append(following)
        else:
            return Walk(tuple(chain), tuple(nodes))
    raise NoWayError


def _doors(rows: list[Row], nodes: list[list[str]]) -> set[str]:
    """Equipment at which a circuit may go over from one ring to the next."""
    left, entered = (
        {*(row[name] or ())} for row, name in zip(rows, ("leave", "enter"), strict=True)
    )
    both = {*nodes[0]} & {*nodes[1]}
    stated = left or entered
    if (left and entered and left != entered) or not stated <= both:
        raise NoWayError
    if not stated and len(both) != 1:
        raise NoWayError
    return stated or both


def _round(
    walk: Walk, ring: str, chain: list[str], nodes: list[str], out: str, doors: set[str]
) -> Iterator[Walk]:
    """A walk gone on round a ring, either way, to one of the doors out of it.

    Not where it comes past a door that it has spared on the ring before.
    """
    at = walk.nodes[-1]
    over = f" to {out}" if len(doors) > 1 else ""
    if at == out:
        said = (*walk.said, f"{ring} not passed{over}")
        yield replace(walk, said=said, turns=(*walk.turns, ""), spared=frozenset())
        return
    begin, count = nodes.index(at), len(chain)
    for turn in ("forward", "backward"):
        links: list[str] = []
        passed = [at]
        place = begin
        while passed[-1] != out:
            if turn == "forward":
                links.append(chain[place])
                place = (place + 1) % count
            else:
                place = (place - 1) % count
                links.append(chain[place])
            passed.append(nodes[place])
        if walk.spared & {*passed[1:]}:
            continue
        yield Walk(
            (*walk.links, *links),
            (*walk.nodes, *passed[1:]),
            (*walk.said, f"{ring} {turn}{over}"),
            (*walk.turns, turn),
            frozenset(doors & {*passed[:-1]}),
        )


def _ring_nodes(records: Records, chain: list[str]) -> list[str] | None:
    """Equipment before each link of a ring; None where it does not close."""
    links = records.by["links"]
    for start in (links[chain[0]][end] or NOBODY for end in ("a", "b")):
        nodes: list[str] = []
        node: str | None = start
        for name in chain:
            if node is None:
                break
            nodes.append(node)
            node = _across(links[name], node)
        if node == start and len(chain) > 1:
            return nodes
    return None

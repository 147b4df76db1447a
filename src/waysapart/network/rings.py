"""Which ways lead round the rings of a circuit, from the end of one tail to the end of the other.

A circuit goes over its rings in order. Each is passed one way round or the other, and where two
rings join at two nodes, the circuit may go over at either. Every combination of these is a path.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise, product
from math import prod

import numpy as np

from waysapart.arrays import Floats, Ints

FORWARD, BACKWARD = "forward", "backward"
MOST_WAYS = 128
"""Paths of one circuit over its rings: four rings that join at two nodes each have as many."""

_TWO = 2
Name = Mapping[int, str]
"""Ids of equipment or links by their numbers."""


@dataclass(frozen=True)
class LinkEnds:
    """Equipment at both ends of every link.

    Attributes
    ----------
    a, b : ndarray of int, shape (links,)
        Asset numbers.
    """

    a: Ints
    b: Ints

    def other(self, link: int, node: int) -> int | None:
        """Return the other end of a link.

        Parameters
        ----------
        link, node : int

        Returns
        -------
        int or None
            None where the link does not end at the node.
        """
        if node == self.a[link]:
            return int(self.b[link])
        if node == self.b[link]:
            return int(self.a[link])
        return None


@dataclass(frozen=True)
class Ring:
    """A closed ring.

    Attributes
    ----------
    name : str
    links : tuple of int
        In order.
    nodes : tuple of int
        Equipment before each link.
    """

    name: str
    links: tuple[int, ...]
    nodes: tuple[int, ...]


@dataclass(frozen=True)
class RingPassed:
    """How a path passes a ring.

    Attributes
    ----------
    first : int
        Place in the path of its first link on the ring.
    count : int
        Number of its links on the ring.
    links : tuple of int
        All links of the ring in the direction of the path, from its first one on.
    nodes : tuple of int
        Equipment before each of these.
    """

    first: int
    count: int
    links: tuple[int, ...]
    nodes: tuple[int, ...]


@dataclass(frozen=True)
class RingPath:
    """One path over the rings of a circuit.

    Attributes
    ----------
    links : tuple of int
        In order from the circuit's end a.
    nodes : tuple of int
        Equipment at their ends, from the end a on.
    label : str
        What it is called where it is neither main nor alternate.
    turns : tuple of str
        The way round each ring; empty where the circuit leaves a ring where it enters it.
    passed : tuple of RingPassed
    """

    links: tuple[int, ...]
    nodes: tuple[int, ...]
    label: str
    turns: tuple[str, ...]
    passed: tuple[RingPassed, ...]


@dataclass(frozen=True)
class RingLeg:
    """One ring of a circuit, as a row of `ring_circuits` says it.

    Attributes
    ----------
    ring : Ring
    enter, leave : tuple of int
        Asset numbers; empty: blank.
    a_tail, b_tail : tuple of int
        Links.
    main_way : str or None
    """

    ring: Ring
    enter: tuple[int, ...]
    leave: tuple[int, ...]
    a_tail: tuple[int, ...]
    b_tail: tuple[int, ...]
    main_way: str | None


class BrokenError(Exception):
    """What is wrong with the rings of a circuit, in words for its gap."""


def close(name: str, links: Sequence[int], ends: LinkEnds) -> Ring | None:
    """Close a ring.

    Parameters
    ----------
    name : str
    links : sequence of int
        At least one.
    ends : LinkEnds

    Returns
    -------
    Ring or None
        None where the links do not lead round.
    """
    for start in (int(ends.a[links[0]]), int(ends.b[links[0]])):
        nodes, node = [], start
        for link in links:
            nodes.append(node)
            following = ends.other(link, node)
            if following is None:
                break
            node = following
        else:
            if node == start and len(links) > 1:
                return Ring(name, tuple(links), tuple(nodes))
    return None


def courses(
    legs: Sequence[RingLeg], begin: int, finish: int, ends: LinkEnds, equipment: Name, links: Name
) -> list[RingPath]:
    """Find all paths of a circuit over its rings.

    Parameters
    ----------
    legs : sequence of RingLeg
        In order from the circuit's end a; at least one.
    begin, finish : int
        The equipment at the circuit's ends a and b.
    ends : LinkEnds
    equipment, links : mapping of int to str
        For what is said.

    Returns
    -------
    list of RingPath
        Two or more. Combinations that come over two joins of the same two rings, where one
        of them would do, are left out: what they rely on, a shorter one relies on as well.

    Raises
    ------
    BrokenError
        The records do not lead from one end to the other.
    """
    _tails_at_ends(legs)
    a_tail, on = _tail(legs[0].a_tail, begin, ends, "a", links)
    b_tail, off = _tail(legs[-1].b_tail, finish, ends, "b", links)
    _meets(legs[0], "enter", on, "a", equipment)
    _meets(legs[-1], "leave", off, "b", equipment)
    joins = [_joins(one, two, equipment) for one, two in pairwise(legs)]
    if 2 ** len(legs) * prod(map(len, joins)) > MOST_WAYS:
        raise BrokenError(
            f"its rings {', '.join(leg.ring.name for leg in legs)} have more than {MOST_WAYS} "
            "combinations of ways round them: record its paths in circuit_paths"
        )
    found = []
    for over in product(*joins):
        stops = pairwise((on, *over, off))
        each = [_ways(leg.ring, one, two) for leg, (one, two) in zip(legs, stops, strict=True)]
        names = [
            f" to {equipment[node]}" if len(join) > 1 else ""
            for node, join in zip(over, joins, strict=True)
        ]
        for chosen in product(*each):
            if not _doubles_back(chosen, joins):
                label = _label(legs, chosen, [*names, ""])
                found.append(_course(chosen, label, a_tail, b_tail[::-1], begin, ends))
    if len(found) < _TWO:
        said = ", ".join(leg.ring.name for leg in legs)
        raise BrokenError(
            f"its two ends, or their tails, meet ring {said} at one node, {equipment[on]}: name "
            "equipment that the ring's links join"
        )
    return found


def main_first(
    found: Sequence[RingPath], legs: Sequence[RingLeg], length_m: Floats
) -> list[RingPath]:
    """Put the main path first, the alternate second, then the others as they stand.

    Main is the shortest of those that go round as `main_way` says; alternate what has the fewest
    links in common with it, of these the fewest equipment, of these the shortest.

    Parameters
    ----------
    found : sequence of RingPath
        From `courses`.
    legs : sequence of RingLeg
    length_m : ndarray of float, shape (links,)
        Fibre length. Where one that would decide is not known, the first counts as the shortest:
        forward before backward.

    Returns
    -------
    list of RingPath
    """
    stated = [leg.main_way for leg in legs]

    def fits(course: RingPath) -> bool:
        turns = zip(course.turns, stated, strict=True)
        return all(said is None or turn in ("", said) for turn, said in turns)

    metres = np.array([length_m[list(course.links)].sum() for course in found])
    metres = np.where(np.isnan(metres).any(), 0.0, metres)
    meant = [number for number, course in enumerate(found) if fits(course)]
    main = min(meant or range(len(found)), key=lambda number: (metres[number], number))
    links, nodes = set(found[main].links), set(found[main].nodes)

    def alike(number: int) -> tuple[int, int, float, int]:
        mine = found[number]
        common = len(links & set(mine.links)), len(nodes & set(mine.nodes))
        return (*common, float(metres[number]), number)

    others = [number for number in range(len(found)) if number != main]
    alternate = min(others, key=alike)
    rest = (found[number] for number in others if number != alternate)
    return [found[main], found[alternate], *rest]


@dataclass(frozen=True)
class _Way:
    """One way from one node of a ring to another; `turn` is empty where these are one."""

    turn: str
    links: tuple[int, ...]
    nodes: tuple[int, ...]
    round_: tuple[int, ...]
    before: tuple[int, ...]


def _ways(ring: Ring, start: int, stop: int) -> list[_Way]:
    """Both ways from one node to another; where these are one, the circuit does not pass it."""
    if start == stop:
        return [_Way("", (), (start,), (), ())]
    at, to, count = ring.nodes.index(start), ring.nodes.index(stop), len(ring.links)
    found = []
    for turn, step in ((FORWARD, 1), (BACKWARD, -1)):
        steps = ((to - at) * step) % count
        before = tuple(ring.nodes[(at + step * k) % count] for k in range(count))
        skip = 0 if step > 0 else 1
        round_ = tuple(ring.links[(at + step * k - skip) % count] for k in range(count))
        found.append(_Way(turn, round_[:steps], (*before[:steps], stop), round_, before))
    return found


def _doubles_back(chosen: Sequence[_Way], joins: Sequence[tuple[int, ...]]) -> bool:
    """Whether a combination passes, on both of two rings, a join that it does not go over at."""
    return any(
        set(one.nodes[:-1]) & set(two.nodes[1:]) & set(over)
        for (one, two), over in zip(pairwise(chosen), joins, strict=True)
    )


def _label(legs: Sequence[RingLeg], chosen: Sequence[_Way], joins: Sequence[str]) -> str:
    """A name of a path that says which way it goes round each ring."""
    return ", ".join(
        f"{leg.ring.name} {way.turn or 'not passed'}{over}"
        for leg, way, over in zip(legs, chosen, joins, strict=True)
    )


def _course(
    chosen: Sequence[_Way],
    label: str,
    a_tail: Sequence[int],
    b_tail: Sequence[int],
    begin: int,
    ends: LinkEnds,
) -> RingPath:
    """A path over tails and ways, all from the circuit's end a on."""
    links, passed = list(a_tail), []
    for way in chosen:
        if way.links:
            passed.append(RingPassed(len(links), len(way.links), way.round_, way.before))
        links += way.links
    links += b_tail
    nodes = [begin]
    for link in links:
        following = ends.other(link, nodes[-1])
        assert following is not None  # tails and ways lead from node to node
        nodes.append(following)
    turns = tuple(way.turn for way in chosen)
    return RingPath(tuple(links), tuple(nodes), label, turns, tuple(passed))


def _tails_at_ends(legs: Sequence[RingLeg]) -> None:
    """Tails stand with the first and the last ring only."""
    for number, leg in enumerate(legs):
        if leg.a_tail and number > 0:
            said = f"a_tail stands with ring {leg.ring.name}; it belongs to the circuit's first"
            raise BrokenError(f"{said} ring, {legs[0].ring.name}")
        if leg.b_tail and number < len(legs) - 1:
            said = f"b_tail stands with ring {leg.ring.name}; it belongs to the circuit's last"
            raise BrokenError(f"{said} ring, {legs[-1].ring.name}")


def _tail(
    tail: Sequence[int], end: int, ends: LinkEnds, side: str, names: Name
) -> tuple[list[int], int]:
    """The links of a tail from the circuit's end on, and the equipment where it meets the ring."""
    furthest = -1
    for chain in (list(tail), list(tail)[::-1]):
        node = end
        for number, link in enumerate(chain):
            following = ends.other(link, node)
            if following is None:
                furthest = max(furthest, number) if chain == list(tail) else furthest
                break
            node = following
        else:
            return chain, node
    name = names[tail[max(furthest, 0)]]
    before = f"where {names[tail[furthest - 1]]} ends" if furthest > 0 else f"at its end {side}"
    raise BrokenError(
        f"link {name} of {side}_tail does not begin {before}: name the links in order from the "
        "circuit's end to the ring"
    )


def _meets(leg: RingLeg, column: str, node: int, side: str, names: Name) -> None:
    """The first or last ring has the node where the circuit's end, or its tail, meets it."""
    stated = leg.enter if column == "enter" else leg.leave
    tail = leg.a_tail if side == "a" else leg.b_tail
    what = f"{side}_tail ends at {names[node]}, which" if tail else "its end equipment"
    if node not in leg.ring.nodes:
        raise BrokenError(
            f"{what} is not on ring {leg.ring.name}: name equipment that its links join"
            + ("" if tail else f", or the links to it in {side}_tail")
        )
    if stated and set(stated) != {node}:
        said = ";".join(names[one] for one in stated)
        raise BrokenError(
            f"{column} of ring {leg.ring.name} says {said}, and the circuit meets the ring at "
            f"{names[node]}: correct {column} or {side}_tail"
        )


def _joins(one: RingLeg, two: RingLeg, names: Name) -> tuple[int, ...]:
    """The equipment at which a circuit may go over from one ring to the next."""
    between = f"rings {one.ring.name} and {two.ring.name}"
    common = tuple(dict.fromkeys(node for node in one.ring.nodes if node in two.ring.nodes))
    if one.leave and two.enter and set(one.leave) != set(two.enter):
        left, entered = (";".join(names[node] for node in row) for row in (one.leave, two.enter))
        raise BrokenError(
            f"ring {one.ring.name} is left at {left} and ring {two.ring.name} entered at "
            f"{entered}: name the same equipment in both, or record its paths in circuit_paths"
        )
    stated = tuple(dict.fromkeys(one.leave or two.enter))
    for node in stated:
        for leg in (one, two):
            if node not in leg.ring.nodes:
                raise BrokenError(
                    f"{names[node]}, where it goes over between {between}, is not on ring "
                    f"{leg.ring.name}"
                )
    if not stated and not common:
        raise BrokenError(f"{between} have no equipment in common: record the ring between them")
    if not stated and len(common) > 1:
        met = ", ".join(names[node] for node in common)
        raise BrokenError(
            f"{between} meet at {met}, and nothing says where it goes over: enter it in leave of "
            f"ring {one.ring.name}"
        )
    return stated or common

"""What is joined to what: ends of fibres, ports, cords; and the walk from one port to another.

A plain walk from port to port. Positions along a cable are those of `Cables.nodes`: the number of
the run plus how far through it. A cable without a course has its two places at 0 and 1.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cache
from typing import Any, NamedTuple

from waysapart.recheck.faulty_rows import Row, grouped
from waysapart.recheck.plant import Cables

Port = tuple[str | None, str]
"""Equipment and the name of its port."""
Fibre = tuple[str, int]
"""Cable and number of the fibre."""
BEFORE, AFTER = "before", "after"
OTHER = {BEFORE: AFTER, AFTER: BEFORE}
TWICE = ("end-twice", "port-twice")
"""Codes of stops at a place with more on it than there is room for; the place has the gap."""
ENDS = ("a", "b")


class End(NamedTuple):
    """An end of a fibre: at which position of its cable, and on which side of the place there."""

    cable: str
    fibre: int
    at: float
    side: str


class Edge(NamedTuple):
    """A way on from a port or from the end of a fibre: over which row, and to what."""

    kind: str
    row: Row
    to: Port | End


class Step(NamedTuple):
    """One step of a trace: as evidence tells it, and the row, port or stretch behind it."""

    told: dict[str, Any]
    behind: Any


class Stretch(NamedTuple):
    """A fibre of a cable from one position to another, in the direction of the trace."""

    cable: str
    fibre: int
    begin: float
    end: float
    from_: str | None
    to: str | None

    @property
    def turned(self) -> Stretch:
        """The same fibre the other way."""
        return Stretch(self.cable, self.fibre, self.end, self.begin, self.to, self.from_)


class Fault(NamedTuple):
    """A row of splices or terminations that cannot be as it says, and the fibres it is of."""

    code: str
    about: str
    fibres: frozenset[Fibre]


@dataclass
class Walk:
    """A walk from one port towards another; `code` says why it stopped, and `at` where."""

    steps: list[Step]
    code: str | None = None
    at: Port | End | None = None


@dataclass
class Direction:
    """The trace of a link in one direction; after a stop, `back` is what was walked from b."""

    walk: Walk
    back: Walk | None = None

    @property
    def code(self) -> str | None:
        """The code for which it stopped."""
        return self.walk.code

    @property
    def all_steps(self) -> list[Step]:
        """All that was walked, in the order from end a to end b."""
        return [*self.walk.steps, *self._rest]

    @property
    def _rest(self) -> list[Step]:
        return [] if self.back is None else [_back(step) for step in reversed(self.back.steps)]

    def rows(self, kind: str) -> list[Any]:
        """What stands behind the steps of a kind."""
        return [step.behind for step in self.all_steps if step.told["is"] == kind]

    @property
    def told(self) -> list[dict[str, Any]]:
        """The steps as evidence tells them; the words of a stop are left out."""
        stop = [] if self.code is None else [{"is": "stop", "code": self.code}]
        return [*(s.told for s in self.walk.steps), *stop, *(s.told for s in self._rest)]


# What is joined to what


class Joined:
    """All fibre ends and ports of a study, and what joins them.

    Parameters
    ----------
    cables : Cables

    Attributes
    ----------
    ports : dict of port to list of Edge
    ends : dict of End to list of Edge
    cuts : dict of fibre to list of float
        Positions within its cable at which a fibre is cut.
    faults : list of Fault
    """

    def __init__(self, cables: Cables) -> None:
        self.cables, self.ground, self.records = cables, cables.ground, cables.ground.records
        self.ports: dict[Port, list[Edge]] = {}
        self.ends: dict[End, list[Edge]] = {}
        self.faults: list[Fault] = []
        self._cut: dict[Fibre, set[float]] = {}
        self._known: dict[str, dict[float, str]] = {}
        self.at_joint, self.at_site = cache(self._at_joint), cache(self._at_site)
        self._bare = self._places_of_bare()
        for row in self.records.rows["splices"]:
            self._splice(row)
        for row in self.records.rows["terminations"]:
            self._end_on_port(row)
        for row in self.records.rows["patches"]:
            self._patch(row)
        self.cuts = {fibre: sorted(at) for fibre, at in self._cut.items()}

    def _places_of_bare(self) -> dict[str, tuple[str, str]]:
        """By cable without a course, the places at which its rows say that it ends."""
        joints, machines = self.records.by["joints"], self.records.by["equipment"]
        named = [
            (row[f"{end}_cable"], joints[row["joint"]]["at"])
            for row in self.records.rows["splices"]
            for end in ENDS
        ]
        named += [
            (row["cable"], machines[row["equipment"]]["site"])
            for row in self.records.rows["terminations"]
        ]
        found = grouped(pair for pair in named if pair[1] and not self.cables.chain[pair[0]])
        every = {cable: sorted(set(places)) for cable, places in found.items()}
        return {cable: (places[0], places[-1]) for cable, places in every.items()}

    def length(self, cable: str) -> float:
        """The position of a cable's end."""
        return float(len(self.cables.chain[cable])) or 1.0

    def node(self, cable: str, at: float) -> str | None:
        """The structure or site at a position of a cable."""
        if cable not in self._known:
            places = reversed(self._nodes(cable))
            self._known[cable] = {where: node for node, where in places}
        return self._known[cable].get(at)

    def _nodes(self, cable: str) -> list[tuple[str, float]]:
        """The known places along a cable, with their positions."""
        return [(node, at) for node, at in self.cables.nodes(cable) if node is not None]

    def _at_bare(self, cable: str, place: str) -> list[float]:
        """Whether a cable without a course begins or ends at a place."""
        ends = self._bare.get(cable, ())
        return [float(k) for k, end in enumerate(ends) if end == place]

    def _at_joint(self, name: str, cable: str) -> list[float]:
        """The positions at which a cable passes a joint or ends in it."""
        joint = self.records.by["joints"][name]
        at = joint["at"]
        if at is None or cable not in (joint["cables"] or [cable]):
            return []
        if not self.cables.chain[cable]:
            return self._at_bare(cable, at)
        nodes = self._nodes(cable)
        own = {where for node, where in nodes if node == at}
        if not own:
            own = {where for node, where in nodes if self.ground.meet(node, at)}
        return self._chosen(cable, own)

    def _at_site(self, site: str | None, cable: str) -> list[float]:
        """The positions at which a cable reaches the site of a piece of equipment."""
        if site is None:
            return []
        if not self.cables.chain[cable]:
            return self._at_bare(cable, site)
        reaching = {at for node, at in self._nodes(cable) if self.ground.reaches(node, site)}
        ends = reaching & {0.0, self.length(cable)}
        own = {at for node, at in self._nodes(cable) if node == site}
        return self._chosen(cable, ends or own or set(sorted(reaching)[:1]))

    def _chosen(self, cable: str, places: set[float]) -> list[float]:
        """Places at a cable's ends before others."""
        return sorted(places & {0.0, self.length(cable)} or places)

    def _sided(
        self, cable: str, fibre: int, places: list[float], side: str | None
    ) -> tuple[End | None, str | None]:
        """The end of a fibre at one of some positions, and the code of what is wrong with it.

        Of several positions in the middle of a cable the first is taken, and is in doubt.
        """
        length = self.length(cable)
        if not places:
            return None, "splice-off-cable"
        at = places[0]
        if len(places) == 1 and at in (0.0, length):
            due = AFTER if at == 0.0 else BEFORE
            if side == OTHER[due]:
                return None, "splice-side"
            return End(cable, fibre, at, due), None
        if side is None:
            return None, "splice-side"
        if at == 0.0:  # it begins and ends there
            return End(cable, fibre, at if side == AFTER else length, side), None
        return End(cable, fibre, at, side), "splice-side" if len(places) > 1 else None

    def _splice(self, row: Row) -> None:
        mine = [(row[f"{end}_cable"], int(row[f"{end}_fibre"])) for end in ENDS]
        places = [self.at_joint(row["joint"], cable) for cable, _ in mine]
        sides = [row["a_side"], row["b_side"]]
        through = len(places[0]) > 1 or not {0.0, self.length(mine[0][0])} & {*places[0]}
        if mine[0][0] == mine[1][0] and through:
            if mine[0] == mine[1] and sides == [None, None]:
                sides = [BEFORE, AFTER]
            one, two = (None if side is None else OTHER[side] for side in sides)
            sides = [sides[0] or two, sides[1] or one]
        found: list[tuple[End | None, str | None]] = []
        for (cable, fibre), at, side in zip(mine, places, sides, strict=True):
            found.append(self._sided(cable, fibre, at, side))
        codes = [code for _, code in found if code is not None]
        self._tell(codes[:1], row["joint"], mine)
        for cable, fibre in mine:
            self._tell(self._beyond(cable, fibre), row["joint"], [(cable, fibre)])
        (a_end, _), (b_end, _) = found
        if a_end is not None and b_end is not None:
            self._join(a_end, Edge("splice", row, b_end))
            self._join(b_end, Edge("splice", row, a_end))

    def _end_on_port(self, row: Row) -> None:
        machine = self.records.by["equipment"][row["equipment"]]
        cable, fibre = row["cable"], int(row["fibre"])
        port = (row["equipment"], row["port"])
        end, code = self._sided(cable, fibre, self.at_site(machine["site"], cable), row["side"])
        self._tell([] if code is None else [code], row["equipment"], [(cable, fibre)])
        self._tell(self._beyond(cable, fibre), row["equipment"], [(cable, fibre)])
        if end is not None:
            self._join(end, Edge("end", row, port))
            self.ports.setdefault(port, []).append(Edge("end", row, end))

    def _join(self, end: End, edge: Edge) -> None:
        self.ends.setdefault(end, []).append(edge)
        if end.at not in (0.0, self.length(end.cable)):
            self._cut.setdefault((end.cable, end.fibre), set()).add(end.at)

    def _beyond(self, cable: str, fibre: int) -> list[str]:
        count = self.records.by["cables"][cable]["fibre_count"]
        return ["fibre-beyond"] * (count is not None and fibre > count)

    def _tell(self, codes: Iterable[str], about: str, fibres: Iterable[Fibre]) -> None:
        touched = frozenset(fibres)
        self.faults += [Fault(code, about, touched) for code in codes]

    def _patch(self, row: Row) -> None:
        kind = "inner" if row["a"] == row["b"] else "cord"
        mine, theirs = ([(row[e], p) for p in row[f"{e}_port"] or ()] for e in ENDS)
        for one, other in zip(mine, theirs, strict=False):
            if None in (row["a"], row["b"]):
                continue
            self.ports.setdefault(one, []).append(Edge(kind, row, other))
            if one != other:
                self.ports.setdefault(other, []).append(Edge(kind, row, one))

    def edges(self, place: Port | End) -> list[Edge]:
        """All that is joined to a port or to an end of a fibre."""
        found = self.ends.get(place) if isinstance(place, End) else self.ports.get(place)
        return found or []

    def outer(self, port: Port) -> list[Edge]:
        """Terminations and cords on a port."""
        return [edge for edge in self.ports.get(port, ()) if edge.kind != "inner"]

    def full(self, port: Port) -> bool:
        """Whether more ends on a port than one can hold."""
        outer = self.outer(port)
        return len(outer) > 2 or sum(edge.kind == "end" for edge in outer) > 1

    # The walk

    def along(self, end: End) -> tuple[Stretch, End]:
        """The fibre from one of its ends to the next, and that end."""
        cuts = self.cuts.get((end.cable, end.fibre), [])
        if end.side == AFTER:
            place = bisect_right(cuts, end.at)
            at = cuts[place] if place < len(cuts) else self.length(end.cable)
        else:
            place = bisect_left(cuts, end.at)
            at = cuts[place - 1] if place else 0.0
        nodes = self.node(end.cable, end.at), self.node(end.cable, at)
        stretch = Stretch(end.cable, end.fibre, end.at, at, *nodes)
        return stretch, End(end.cable, end.fibre, at, OTHER[end.side])

    def walk(self, start: Port, target: Port) -> Walk:
        """Walk from a port to another.

        Parameters
        ----------
        start, target : (equipment, port)

        Returns
        -------
        Walk
        """
        walk = Walk([_port(start)], at=start)
        ahead = self._from_port(start, None)
        seen: set[tuple[Port | End, int]] = set()
        while isinstance(ahead, list):
            if len(ahead) > 1:  # inner connections only
                return self._tried(walk, ahead, target, seen)
            ahead = self._over(walk, ahead[0], target, seen)
        walk.code = ahead
        return walk

    def _tried(
        self, walk: Walk, ahead: list[Edge], target: Port, seen: set[tuple[Port | End, int]]
    ) -> Walk:
        """Try inner connections, each to its end, for one that leads to the target."""
        waiting = [(Walk([*walk.steps]), edge) for edge in reversed(ahead)]
        while waiting:
            tried, edge = waiting.pop()
            onward: list[Edge] | str | None = [edge]
            while isinstance(onward, list):
                if len(onward) > 1:
                    waiting += [(Walk([*tried.steps]), one) for one in reversed(onward)]
                    break
                onward = self._over(tried, onward[0], target, seen)
            if onward is None:
                return tried
        walk.code = "trace-stops"
        return walk

    def _over(
        self, walk: Walk, edge: Edge, target: Port, seen: set[tuple[Port | End, int]]
    ) -> list[Edge] | str | None:
        """Go over an edge, and along the fibre where it leads to one.

        Returns the edges ahead, or the code for which the walk stops, or None at the target.
        """
        if (edge.to, id(edge.row)) in seen:
            return "trace-loop"
        seen.add((edge.to, id(edge.row)))
        walk.steps.append(_step(edge))
        walk.at = edge.to
        if not isinstance(edge.to, End):
            walk.steps.append(_port(edge.to))
            if edge.to == target:
                return "port-twice" if len(self.outer(target)) > 1 else None
            return self._from_port(edge.to, edge)
        if len(self.ends[edge.to]) > 1:
            return "end-twice"
        stretch, walk.at = self.along(edge.to)
        walk.steps.append(_fibre(stretch))
        found = self.ends.get(walk.at, [])
        return found if len(found) == 1 else "end-twice" if found else "trace-stops"

    def _from_port(self, port: Port, came: Edge | None) -> list[Edge] | str | None:
        """The edges ahead at a port that was reached over an edge, or where a trace begins."""
        if self.full(port):
            return "port-twice"
        outer = self.outer(port)
        inner = [edge for edge in self.ports.get(port, ()) if edge.kind == "inner"]
        if came is not None and came.kind == "inner":
            inner = []
        elif came is not None:
            back = next(k for k, edge in enumerate(outer) if edge.row is came.row)
            outer = [*outer[:back], *outer[back + 1 :]]
            if outer and inner:
                return "port-twice"
        if outer:
            return outer if len(outer) == 1 else "port-twice"
        return sorted(inner, key=lambda edge: str(edge.to[1])) or "trace-stops"


def _port(port: Port) -> Step:
    return Step({"is": "port", "at": port[0], "port": port[1]}, port)


def _step(edge: Edge) -> Step:
    row = edge.row
    if edge.kind == "splice":
        loss = loss_of_splice(row)
        told = {"joint": row["joint"], "tray": row["tray"], "loss_db": loss}
    elif edge.kind == "end":
        told = {"cable": row["cable"], "fibre": int(row["fibre"]), "loss_db": row["loss_db"]}
    elif edge.kind == "cord":
        told = {"id": row["id"], "loss_db": row["loss_db"]}
    else:
        told = {"id": row["id"]}
    return Step({"is": edge.kind, **told}, row)


def _fibre(stretch: Stretch) -> Step:
    told = {"cable": stretch.cable, "fibre": stretch.fibre, "from": stretch.from_, "to": stretch.to}
    return Step({"is": "fibre", **told}, stretch)


def _back(step: Step) -> Step:
    """A step of a walk from end b, as it is from end a."""
    return _fibre(step.behind.turned) if step.told["is"] == "fibre" else step


def loss_of_splice(row: Row) -> float | None:
    """Loss of a splice by its own row, in dB.

    Parameters
    ----------
    row : dict
        Of `splices`.

    Returns
    -------
    float or None
        The mean of both directions, stated or worked out; of one direction where only that was
        measured.
    """
    if row["loss_db"] is not None:
        return float(row["loss_db"])
    known = [row[name] for name in ("loss_ab_db", "loss_ba_db") if row[name] is not None]
    return sum(known) / len(known) if known else None


def traced_both_ways(joined: Joined, start: Port, target: Port) -> Direction:
    """The trace from one port to another, and where it stops what is walked from the other end.

    Parameters
    ----------
    joined : Joined
    start, target : (equipment, port)

    Returns
    -------
    Direction
    """
    walk = joined.walk(start, target)
    return Direction(walk, None if walk.code is None else joined.walk(target, start))

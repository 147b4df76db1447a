"""Along which fibres, splices, ports and cords does a link run, by the records alone?

A plain walk from port to port. Positions along a cable are those of `Cables.nodes`: the number of
the run plus how far through it. A cable without a course has its two places at 0 and 1.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from itertools import pairwise, zip_longest
from typing import Any, NamedTuple

from waysapart.recheck.faulty_rows import Gap, Row, grouped
from waysapart.recheck.plant import Cables
from waysapart.recheck.records import Records

Port = tuple[str | None, str]
"""Equipment and the name of its port."""
Fibre = tuple[str, int]
"""Cable and number of the fibre."""
BEFORE, AFTER = "before", "after"
OTHER = {BEFORE: AFTER, AFTER: BEFORE}
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
    assets: tuple[str, ...]
    fibres: frozenset[Fibre]


@dataclass
class Walk:
    """A walk from one port towards another; `code` says why it stopped, where it did."""

    steps: list[Step]
    code: str | None = None
    at: Port | End | None = None


@dataclass
class Direction:
    """The trace of a link in one direction; after a stop, `rest` is what was walked from b."""

    steps: list[Step]
    code: str | None = None
    at: Port | End | None = None
    rest: list[Step] = field(default_factory=list)

    @property
    def all_steps(self) -> list[Step]:
        """All that was walked, in the order from end a to end b."""
        return [*self.steps, *self.rest]

    def rows(self, kind: str) -> list[Any]:
        """What stands behind the steps of a kind."""
        return [step.behind for step in self.all_steps if step.told["is"] == kind]

    @property
    def told(self) -> list[dict[str, Any]]:
        """The steps as evidence tells them; the words of a stop are left out."""
        stop = [] if self.code is None else [{"is": "stop", "code": self.code}]
        return [*(s.told for s in self.steps), *stop, *(s.told for s in self.rest)]


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
    gaps : list of Gap
        Of patches themselves.
    """

    def __init__(self, cables: Cables) -> None:
        self.cables, self.ground, self.records = cables, cables.ground, cables.ground.records
        self.ports: dict[Port, list[Edge]] = {}
        self.ends: dict[End, list[Edge]] = {}
        self.faults: list[Fault] = []
        self.gaps: list[Gap] = []
        self._cut: dict[Fibre, set[float]] = {}
        self._bare = self._places_of_bare()
        for row in self.records.rows["splices"]:
            self._splice(row)
        for row in self.records.rows["terminations"]:
            self._end_on_port(row)
        for row in self.records.rows["patches"]:
            self._patch(row)
        self.cuts = {fibre: sorted(at) for fibre, at in self._cut.items()}
        self._find_ends_twice()

    def _places_of_bare(self) -> dict[str, list[str]]:
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
        return {cable: sorted(set(places))[:2] for cable, places in found.items()}

    def length(self, cable: str) -> float:
        """The position of a cable's end."""
        return float(len(self.cables.chain[cable])) or 1.0

    def node(self, cable: str, at: float) -> str | None:
        """The structure or site at a position of a cable."""
        found = [node for node, where in self.cables.nodes(cable) if where == at]
        return next((node for node in found if node is not None), None)

    def _nodes(self, cable: str) -> list[tuple[str, float]]:
        """The known places along a cable, with their positions."""
        if not self.cables.chain[cable]:
            return [(place, float(k)) for k, place in enumerate(self._bare.get(cable, ()))]
        return [(node, at) for node, at in self.cables.nodes(cable) if node is not None]

    def at_joint(self, joint: Row, cable: str) -> list[float]:
        """The positions at which a cable passes a joint or ends in it."""
        at = joint["at"]
        if at is None or cable not in (joint["cables"] or [cable]):
            return []
        nodes = self._nodes(cable)
        own = {where for node, where in nodes if node == at}
        if not own:
            own = {where for node, where in nodes if self.ground.meet(node, at)}
        return self._chosen(cable, own)

    def at_machine(self, machine: Row, cable: str) -> list[float]:
        """The positions at which a cable reaches the site of a piece of equipment."""
        site = machine["site"]
        if site is None:
            return []
        reaching = {at for node, at in self._nodes(cable) if self.ground.reaches(node, site)}
        ends = reaching & {0.0, self.length(cable)}
        own = {at for node, at in self._nodes(cable) if node == site}
        return self._chosen(cable, ends or own or set(sorted(reaching)[:1]))

    def _chosen(self, cable: str, places: set[float]) -> list[float]:
        """Places at a cable's ends before others."""
        return sorted(places & {0.0, self.length(cable)} or places)

    def _sided(
        self, cable: str, fibre: int, places: list[float], side: str | None
    ) -> tuple[End | None, bool]:
        """The end of a fibre at one of some positions, and whether its side is in doubt."""
        length = self.length(cable)
        if places == [0.0, length]:
            if side is None:
                return None, True
            return End(cable, fibre, 0.0 if side == AFTER else length, side), False
        if places[0] in (0.0, length):
            due = AFTER if places[0] == 0.0 else BEFORE
            return (
                (None, True) if side == OTHER[due] else (End(cable, fibre, places[0], due), False)
            )
        self._cut.setdefault((cable, fibre), set()).add(places[0])
        if side is None:
            return None, True
        return End(cable, fibre, places[0], side), len(places) > 1

    def _splice(self, row: Row) -> None:
        joint = self.records.by["joints"][row["joint"]]
        mine = [(row[f"{end}_cable"], int(row[f"{end}_fibre"])) for end in ENDS]
        places = [self.at_joint(joint, cable) for cable, _ in mine]
        sides = [row["a_side"], row["b_side"]]
        if mine[0][0] == mine[1][0]:
            if mine[0] == mine[1] and sides == [None, None]:
                sides = [BEFORE, AFTER]
            one, two = (None if side is None else OTHER[side] for side in sides)
            sides = [sides[0] or two, sides[1] or one]
        faults, ends = [], list[End | None]()
        for (cable, fibre), at, said, given in zip(
            mine, places, sides, (row["a_side"], row["b_side"]), strict=True
        ):
            faults += self._beyond(cable, fibre)
            if not at:
                faults.append("splice-off-cable")
                continue
            inside = len(at) == 2 or at[0] not in (0.0, self.length(cable))
            end, doubt = self._sided(cable, fibre, at, said if inside else given)
            ends.append(end)
            faults += ["splice-side"] * doubt
        self._tell(faults, row["joint"], (row["joint"], mine[0][0], mine[1][0]), mine)
        if len(ends) == 2 and ends[0] is not None and ends[1] is not None:
            self.ends.setdefault(ends[0], []).append(Edge("splice", row, ends[1]))
            self.ends.setdefault(ends[1], []).append(Edge("splice", row, ends[0]))

    def _end_on_port(self, row: Row) -> None:
        machine = self.records.by["equipment"][row["equipment"]]
        cable, fibre = row["cable"], int(row["fibre"])
        at, port = self.at_machine(machine, cable), (row["equipment"], row["port"])
        faults, end = self._beyond(cable, fibre), None
        if at:
            end, doubt = self._sided(cable, fibre, at, row["side"])
            faults += ["splice-side"] * doubt
        else:
            faults.append("splice-off-cable")
        self._tell(faults, row["equipment"], (row["equipment"], cable), [(cable, fibre)])
        if end is not None:
            self.ends.setdefault(end, []).append(Edge("end", row, port))
            self.ports.setdefault(port, []).append(Edge("end", row, end))

    def _beyond(self, cable: str, fibre: int) -> list[str]:
        count = self.records.by["cables"][cable]["fibre_count"]
        return ["fibre-beyond"] * (count is not None and fibre > count)

    def _tell(
        self, codes: Iterable[str], about: str, assets: Iterable[str], fibres: Iterable[Fibre]
    ) -> None:
        touched = tuple(dict.fromkeys(assets)), frozenset(fibres)
        self.faults += [Fault(code, about, *touched) for code in dict.fromkeys(codes)]

    def _patch(self, row: Row) -> None:
        kind = "inner" if row["a"] == row["b"] else "cord"
        mine, theirs = ([(row[e], p) for p in row[f"{e}_port"] or ()] for e in ENDS)
        if len(mine) != len(theirs):
            self.gaps.append(Gap("ports-uneven", row["id"], (row["id"],)))
        for one, other in zip(mine, theirs, strict=False):
            if None in (row["a"], row["b"]):
                continue
            self.ports.setdefault(one, []).append(Edge(kind, row, other))
            if one != other:
                self.ports.setdefault(other, []).append(Edge(kind, row, one))

    def _find_ends_twice(self) -> None:
        for end, edges in self.ends.items():
            if len(edges) > 1:
                row = edges[0].row
                about = row.get("joint") or row["equipment"]
                self._tell(["end-twice"], about, (about, end.cable), [(end.cable, end.fibre)])

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
            edge = ahead[0]
            code = self._over(walk, edge, seen)
            if code is not None:
                walk.code = code
                return walk
            if walk.at == target and not self.full(target):
                return walk
            ahead = self._onward(walk, edge)
        walk.code = ahead
        return walk

    def _tried(
        self, walk: Walk, ahead: list[Edge], target: Port, seen: set[tuple[Port | End, int]]
    ) -> Walk:
        """Try inner connections, each to its end, for one that leads to the target."""
        waiting = [(Walk([*walk.steps]), edge) for edge in reversed(ahead)]
        while waiting:
            tried, edge = waiting.pop()
            onward: list[Edge] | str = [edge]
            while isinstance(onward, list):
                if len(onward) > 1:
                    waiting += [(Walk([*tried.steps]), one) for one in reversed(onward)]
                    break
                edge = onward[0]
                if self._over(tried, edge, seen) is not None:
                    break
                if tried.at == target and not self.full(target):
                    return tried
                onward = self._onward(tried, edge)
        walk.code = "trace-stops"
        return walk

    def _over(self, walk: Walk, edge: Edge, seen: set[tuple[Port | End, int]]) -> str | None:
        """Go over an edge, and along the fibre where it leads to one; the code of a loop."""
        walk.steps.append(_step(edge))
        walk.at = edge.to
        state = edge.to, id(edge.row)
        if state in seen:
            return "trace-loop"
        seen.add(state)
        if isinstance(edge.to, End):
            stretch, walk.at = self.along(edge.to)
            walk.steps.append(_fibre(stretch))
        else:
            walk.steps.append(_port(edge.to))
        return None

    def _onward(self, walk: Walk, edge: Edge) -> list[Edge] | str:
        """The edges ahead of where a walk is, or the code for which it stops there."""
        if isinstance(walk.at, End):
            found = self.ends.get(walk.at, [])
            return found if len(found) == 1 else "end-twice" if found else "trace-stops"
        assert walk.at is not None
        return self._from_port(walk.at, edge)

    def _from_port(self, port: Port, came: Edge | None) -> list[Edge] | str:
        """The edges ahead at a port that was reached over an edge, or where a trace begins."""
        if self.full(port):
            return "port-twice"
        outer = self.outer(port)
        if came is not None and came.kind != "inner":
            back = next(k for k, edge in enumerate(outer) if edge.row is came.row)
            outer = [*outer[:back], *outer[back + 1 :]]
        if outer:
            return outer if len(outer) == 1 else "port-twice"
        inner = [edge for edge in self.ports.get(port, ()) if edge.kind == "inner"]
        if not inner or (came is not None and came.kind == "inner"):
            return "trace-stops"
        return sorted(inner, key=lambda edge: str(edge.to[1]))


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


# Links


@dataclass
class Traced:
    """A link that names ports: its traces, the gaps of these, and what follows for its records.

    Attributes
    ----------
    link : dict
        The row as it is tied: with all that the trace adds.
    go, back : Direction or None
        `back` is None where one port carries both directions; both are where its ports are
        uneven.
    rows : list of dict
        The rows of `link_runs` that it is tied by.
    written : bool
        Whether these are as written, since the trace failed.
    codes : list of str
        Codes of gaps of the link.
    """

    link: Row
    go: Direction | None = None
    back: Direction | None = None
    rows: list[Row] = field(default_factory=list)
    written: bool = False
    codes: list[str] = field(default_factory=list)

    @property
    def directions(self) -> list[Direction]:
        """Its traces, one or two."""
        return [one for one in (self.go, self.back) if one is not None]

    @property
    def failed(self) -> bool:
        """Whether a trace stopped, or could not be begun."""
        return self.go is None or any(one.code is not None for one in self.directions)

    def along(self, direction: str) -> Direction | None:
        """The trace in a direction."""
        return self.back if direction == "return" and self.back is not None else self.go

    @property
    def over_cords(self) -> bool:
        """Whether it was traced from end to end and meets no cable."""
        return not self.failed and not self.rows

    def splices(self, direction: str) -> list[tuple[int | None, Row]]:
        """The splices passed, each with the number of the run that it lies within.

        Parameters
        ----------
        direction : {'go', 'return'}

        Returns
        -------
        list of (int or None, row)
            None: it lies between two runs.
        """
        trace = self.along(direction)
        return [] if trace is None else _runs(trace)[1]

    @property
    def told(self) -> dict[str, Any] | None:
        """The traces as evidence tells them."""
        if self.go is None:
            return None
        back = {} if self.back is None else {"return": self.back.told}
        return {"go": self.go.told, **back}


def _runs(trace: Direction) -> tuple[list[Stretch], list[tuple[int | None, Row]]]:
    """Stretches of fibre, spliced straight through as one, and splices within and between them."""
    runs: list[Stretch] = []
    splices: list[tuple[int | None, Row]] = []
    waiting: Row | None = None
    for step in trace.all_steps:
        if step.told["is"] == "splice":
            waiting = step.behind
            continue
        if step.told["is"] == "fibre":
            mine, last = step.behind, runs[-1] if runs else None
            onward = waiting is not None and last is not None and _goes_on(last, mine)
            if onward and last is not None:
                runs[-1] = last._replace(end=mine.end, to=mine.to)
            else:
                runs.append(mine)
            if waiting is not None:
                splices.append((len(runs) - 1 if onward else None, waiting))
            waiting = None
    return runs, splices


def _goes_on(one: Stretch, two: Stretch) -> bool:
    same = (one.cable, one.fibre, one.end) == (two.cable, two.fibre, two.begin)
    return same and (one.begin < one.end) == (two.begin < two.end)


def trace_links(cables: Cables) -> tuple[dict[str, Traced], list[Gap]]:
    """Trace every link that names ports.

    Parameters
    ----------
    cables : Cables

    Returns
    -------
    traced : dict of str to Traced
        By id of the link.
    gaps : list of Gap
    """
    records = cables.ground.records
    asked = [row for row in records.stated("links") if row["a_port"] or row["b_port"]]
    if not asked and not any(records.rows[one] for one in ("splices", "terminations", "patches")):
        return {}, []
    joined = Joined(cables)
    written = grouped((row["link"], row) for row in records.stated("link_runs") if row["cable"])
    traced = {
        row["id"]: _traced(joined, row, sorted(written.get(row["id"], ()), key=_seq))
        for row in asked
    }
    gaps = [Gap(code, name, links=(name,)) for name, one in traced.items() for code in one.codes]
    gaps += joined.gaps
    gaps += _row_gaps(joined, traced, written)
    gaps += _patch_gaps(joined, traced)
    gaps += _shared_ports(traced)
    return traced, gaps


def _seq(row: Row) -> float:
    return float(row["seq"])


def _traced(joined: Joined, link: Row, written: list[Row]) -> Traced:
    """One link: its traces, its gaps, and its records with what follows from them."""
    mine = Traced(dict(link), rows=written)
    a_ports, b_ports = link["a_port"] or [], link["b_port"] or []
    if len(a_ports) != len(b_ports) or len(a_ports) > 2:
        mine.codes.append("ports-uneven")
        mine.written = True
        return mine
    pairs = [
        ((link["a"], one), (link["b"], other)) for one, other in zip(a_ports, b_ports, strict=True)
    ]
    found = [_direction(joined, *pair) for pair in pairs]
    if len(pairs) == 2 and all(
        one.code == "trace-stops" and one.at == other[1]
        for one, other in zip(found, pairs[::-1], strict=True)
    ):
        for one in found:
            one.code = "trace-crossed"
    mine.go, mine.back = found[0], found[1] if len(found) == 2 else None
    codes = [one.code for one in found if one.code is not None]
    mine.codes += dict.fromkeys(codes)
    derived = _derived_runs(link["id"], mine)
    added = {row["cable"] for row in written}
    if mine.failed and written:
        mine.written = True
        added = {row["cable"] for row in derived} - added
    else:
        mine.rows = derived
        added -= {row["cable"] for row in derived}
        if not mine.failed and written and _differ(mine, written):
            mine.codes.append("runs-differ")
    _fill_in(joined.records, mine, added)
    mine.codes += _unlike_types(joined.records, mine)
    return mine


def _direction(joined: Joined, start: Port, target: Port) -> Direction:
    walk = joined.walk(start, target)
    if walk.code is None:
        return Direction(walk.steps)
    rest = [_back(step) for step in reversed(joined.walk(target, start).steps)]
    return Direction(walk.steps, walk.code, walk.at, rest)


def _derived_runs(name: str, mine: Traced) -> list[Row]:
    """Rows of `link_runs` as traced: one for both directions where they run alike."""
    go, back = (_runs(one)[0] if one is not None else None for one in (mine.go, mine.back))
    assert go is not None
    if back is None or _places(go) == _places(back):
        numbers = [[one.fibre] for one in go]
        for several, other in zip(numbers, back or (), strict=False):
            several.append(other.fibre)
        return [_run(name, seq, run, number) for seq, (run, number) in _counted(go, numbers)]
    return [
        {**_run(name, seq, run, [run.fibre]), "direction": direction}
        for direction, runs in (("go", go), ("return", back))
        for seq, run in enumerate(runs, start=1)
    ]


def _counted(
    runs: list[Stretch], numbers: list[list[int]]
) -> Iterator[tuple[int, tuple[Stretch, list[int]]]]:
    return enumerate(zip(runs, numbers, strict=True), start=1)


def _places(runs: list[Stretch]) -> list[tuple[str, float, float]]:
    return [(run.cable, run.begin, run.end) for run in runs]


def _run(link: str, seq: int, run: Stretch, fibres: list[int]) -> Row:
    return {
        **{"link": link, "seq": float(seq), "cable": run.cable, "direction": None},
        **{"fibres": ";".join(map(str, fibres)), "from": run.from_, "to": run.to, "_faults": []},
    }


def _differ(mine: Traced, written: list[Row]) -> bool:
    """Whether the runs written differ from those traced, in either direction."""
    assert mine.go is not None
    go = _runs(mine.go)[0]
    back = go if mine.back is None else _runs(mine.back)[0]
    alike = _places(go) == _places(back)
    for direction, runs, others in (("go", go, back), ("return", back, go)):
        rows = [row for row in written if row["direction"] in (None, direction)]
        of_both = [
            {run.fibre, *([other.fibre] if alike and other else [])}
            for run, other in zip_longest(runs, others[: len(runs)])
        ]
        if len(rows) != len(runs) or not (
            _fits(rows, runs, of_both)
            or _fits(rows, [run.turned for run in reversed(runs)], of_both[::-1])
        ):
            return True
    return False


def _fits(rows: list[Row], runs: list[Stretch], of_both: list[set[int]]) -> bool:
    """Whether rows of `link_runs` say the same as what was traced, in this order."""
    for row, run, numbers in zip(rows, runs, of_both, strict=True):
        due = numbers if row["direction"] is None else {run.fibre}
        said = {int(one) for one in str(row["fibres"] or "").split(";") if one.strip()}
        places = ((row["from"], run.from_), (row["to"], run.to))
        if row["cable"] != run.cable or (said and said != due):
            return False
        if any(None not in place and place[0] != place[1] for place in places):
            return False
    return True


def _fill_in(records: Records, mine: Traced, cables: set[str]) -> None:
    """Add to the row of a link what its traces pass."""
    link, rules = mine.link, records.rules["defaults"]
    ends = {link["a"], link["b"]}
    machines = [port[0] for one in mine.directions for port in one.rows("port")]
    via = [one for one in dict.fromkeys([*machines, *(link["via"] or ())]) if one not in ends]
    link["via"] = via or link["via"]
    cords = [row["id"] for one in mine.directions for row in one.rows("cord")]
    joints = [row["joint"] for one in mine.directions for row in one.rows("splice")]
    relied = dict.fromkeys([*(link["relies_on"] or ()), *cords, *joints, *sorted(cables)])
    link["relies_on"] = list(relied) or link["relies_on"]
    if not mine.failed:
        ports = max(len(one.rows("port")) for one in mine.directions)
        link["connectors"] = float(max(ports - 2, 0))
    losses, delays = [], []
    for one in mine.directions:
        patches = [*one.rows("cord"), *one.rows("inner")]
        losses.append(sum(row["loss_db"] or 0.0 for row in [*patches, *one.rows("end")]))
        metres = [_cord_m(row, rules["cord_m"]) for row in one.rows("cord")]
        delays.append(sum(metres) * rules["cord_us_per_m"])
    for name, added in (("loss_db", max(losses)), ("extra_delay_us", max(delays))):
        if added:
            link[name] = (link[name] or 0.0) + added
    if mine.over_cords and link["length_m"] is None:
        link["length_m"] = 0.0


def _cord_m(row: Row, otherwise: float) -> float:
    return float(otherwise if row["length_m"] is None else row["length_m"])


def _unlike_types(records: Records, mine: Traced) -> list[str]:
    """A code for each splice, and each cord on a fibre, that joins two types at unknown loss."""
    cables, told = records.by["cables"], set[tuple[int, str]]()
    for one in mine.directions:
        steps = one.all_steps
        for before, at, after in zip(steps, steps[1:], steps[2:], strict=False):
            kinds = before.told["is"], at.told["is"], after.told["is"]
            if kinds == ("fibre", "splice", "fibre") and loss_of_splice(at.behind) is None:
                types = {cables[s.behind.cable]["fibre_type"] for s in (before, after)}
                if len(types - {None}) > 1:
                    told.add((id(at.behind), ""))
            elif kinds in (("cord", "port", "end"), ("end", "port", "cord")):
                cord, end = (before, after) if kinds[0] == "cord" else (after, before)
                types = {cord.behind["fibre_type"], cables[end.behind["cable"]]["fibre_type"]}
                if len(types - {None}) > 1 and cord.behind["loss_db"] is None:
                    told.add((id(cord.behind), end.behind["cable"]))
    return ["splice-types"] * len(told)


# Gaps of rows and patches


def _row_gaps(
    joined: Joined, traced: dict[str, Traced], written: dict[str, list[Row]]
) -> Iterator[Gap]:
    """Faults of splices and terminations, of links that use their fibres, else by themselves."""
    runs = [*written.items(), *((name, one.rows) for name, one in traced.items())]
    users = grouped(
        ((row["cable"], int(number)), name)
        for name, rows in runs
        for row in rows
        for number in str(row["fibres"] or "").split(";")
        if number.strip()
    )
    for name, one in traced.items():
        for direction in one.directions:
            for run in direction.rows("fibre"):
                users.setdefault((run.cable, run.fibre), []).append(name)
    for fault in joined.faults:
        links = sorted({name for fibre in fault.fibres for name in users.get(fibre, ())})
        if links:
            yield Gap(fault.code, links[0], links=tuple(links))
        else:
            yield Gap(fault.code, fault.about, fault.assets)


def _patch_gaps(joined: Joined, traced: dict[str, Traced]) -> Iterator[Gap]:
    """Cords from site to site, and cords to ports of passive equipment that lead nowhere."""
    records = joined.records
    machines, passive = records.by["equipment"], records.rules["records"]["passive"]
    users = grouped(
        (row["id"], name)
        for name, one in traced.items()
        for direction in one.directions
        for row in direction.rows("cord")
    )
    rows = records.stated("links")
    named = {(row[end], port) for row in rows for end in ENDS for port in row[f"{end}_port"] or ()}
    for row in records.rows["patches"]:
        if None in (row["a"], row["b"]) or row["a"] == row["b"]:
            continue
        sites = {machines[row[end]]["site"] for end in ENDS}
        if len(sites - {None}) == 2:
            links = sorted(set(users.get(row["id"], ())))
            touched = {"links": tuple(links)} if links else {"assets": (row["id"],)}
            yield Gap("cord-between-sites", row["id"], **touched)
        ports = [
            (row[end], port)
            for end in ENDS
            if machines[row[end]]["kind"] in passive
            for port in row[f"{end}_port"] or ()
        ]
        if any(port not in named and len(joined.ports.get(port, ())) == 1 for port in ports):
            yield Gap("cord-to-nothing", row["id"], (row["id"],))


def _shared_ports(traced: dict[str, Traced]) -> Iterator[Gap]:
    """Links without cables that name one port, at one wavelength and in one channel."""
    users = grouped(
        ((one.link[end], port, one.link["wavelength_nm"], one.link["channel"]), name)
        for name, one in traced.items()
        if not one.rows
        for end in ENDS
        for port in one.link[f"{end}_port"] or ()
    )
    pairs = {pair for names in users.values() for pair in pairwise(sorted(set(names)))}
    for pair in sorted(pairs):
        yield Gap("port-shared", pair[0], links=pair)

"""Trace links from port to port over patches, terminations and splices.

Fibres are cut where a record joins or ends them, and go on elsewhere. Their ends and the ports of
equipment are the nodes of a graph; what joins two of them is an edge, and light that arrives over
one edge leaves over the other. All traces walk at once, one edge in a step.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise

import numpy as np
import pandas as pd

from waysapart.arrays import Bools, Floats, Ints
from waysapart.network.assets import Assets, Holders, listed
from waysapart.network.chains import Chains
from waysapart.network.ends import Passing, Reach
from waysapart.network.links import CableNodes
from waysapart.schema import LIST_SEPARATOR
from waysapart.study.model import Study

BEFORE, AFTER = 0, 1
"""Sides of a place, along the runs of the cable."""
UNSAID = -1
SPLICE, TERMINATION, CORD, INNER = range(4)
"""What joins two nodes."""
DONE, OPEN, TWICE, BRANCH, LOOP = range(5)
"""How a walk ends: at its port, at nothing, at two records that exclude each other, where several
inner connections go on, or where it has been before."""
_LOOK = 64
"""After so many steps, and after twice as many each time, walks that go round are looked for."""

Fibre = tuple[int, int]
"""Cable counted from 0, and number of the fibre."""


@dataclass(frozen=True)
class RowFault:
    """A row of splices or terminations that cannot be taken as it stands.

    Attributes
    ----------
    code : str
        From `waysapart.gaps`.
    role : str
    row : int
        Position in the role's table.
    text : str
    column : str
    fibres : tuple of (int, int)
        Cables and fibres that the row is about; links that use them are in doubt.
    """

    code: str
    role: str
    row: int
    text: str
    column: str
    fibres: tuple[Fibre, ...]


@dataclass(frozen=True)
class FibreGraph:
    """Ends of fibres and ports, and what joins them.

    Nodes are counted from 0: ends of fibres first, in the order of cable, fibre and position, so
    that node `n ^ 1` is the other end of the same stretch of fibre; then ports. Half-edges are in
    the order of the nodes that they leave.

    Attributes
    ----------
    cable, fibre, side : ndarray of int, shape (fibre ends,)
    position : ndarray of float, shape (fibre ends,)
        Along the chain of the cable.
    port_of : ndarray of int, shape (ports,)
        Asset number of the equipment.
    port : ndarray of str, shape (ports,)
    first : ndarray of int, shape (nodes + 1,)
        Half-edges that leave node n are `first[n]` up to `first[n + 1]`: those to fibres and over
        cords, then inner connections.
    source, target, kind, row, mate : ndarray of int, shape (half-edges,)
        `row` is the row of splices, terminations or patches; `mate` the same edge the other way.
    faults : list of RowFault
    """

    cable: Ints
    fibre: Ints
    position: Floats
    side: Ints
    port_of: Ints
    port: np.ndarray
    first: Ints
    source: Ints
    target: Ints
    kind: Ints
    row: Ints
    mate: Ints
    faults: list[RowFault]

    @property
    def ends(self) -> int:
        """How many nodes are ends of fibres."""
        return len(self.cable)

    @cached_property
    def outer(self) -> Ints:
        """Half-edges of every node that are no inner connections, shape (nodes,)."""
        return np.bincount(self.source[self.kind != INNER], minlength=len(self.first) - 1).astype(
            np.int64
        )

    @cached_property
    def inner(self) -> Ints:
        """Inner connections of every node, shape (nodes,)."""
        return (np.diff(self.first) - self.outer).astype(np.int64)

    @cached_property
    def twice(self) -> Bools:
        """Nodes on which more ends than there is room for, shape (nodes,).

        A fibre end is spliced or ended once. On a port end one fibre and one cord, or two cords.
        """
        fibres = np.bincount(self.source[self.kind == TERMINATION], minlength=len(self.first) - 1)
        found: Bools = (self.outer > 2) | (fibres > 1)
        found[: self.ends] = self.outer[: self.ends] > 1
        return found

    def ports(self, equipment: Ints, names: np.ndarray) -> Ints:
        """Look up the nodes of ports.

        Parameters
        ----------
        equipment : ndarray of int, shape (n,)
            Asset numbers.
        names : ndarray of str, shape (n,)

        Returns
        -------
        ndarray of int, shape (n,)
            -1 where nothing ends on the port.
        """
        wanted = list(zip(equipment.tolist(), names.tolist(), strict=True))
        return np.array([self._by_port.get(one, -1) for one in wanted], dtype=np.int64)

    @cached_property
    def _by_port(self) -> dict[tuple[int, str], int]:
        pairs = zip(self.port_of.tolist(), self.port.tolist(), strict=True)
        return {pair: self.ends + number for number, pair in enumerate(pairs)}


@dataclass(frozen=True)
class Walks:
    """Walks from port to port.

    Attributes
    ----------
    status : ndarray of int, shape (walks,)
        `DONE`, or why it ends before its port.
    stop : ndarray of int, shape (walks,)
        Node at which it ends; -1 where nothing is on record of its first port.
    steps : list of list of int
        Half-edges of each walk, in order.
    """

    status: Ints
    stop: Ints
    steps: list[list[int]]


def fibre_graph(
    study: Study, assets: Assets, chains: Chains, passed: Passing, holders: Holders
) -> FibreGraph:
    """Join the ends of fibres and the ports of a study.

    Parameters
    ----------
    study : Study
    assets : Assets
    chains : Chains
    passed : Passing
    holders : callable
        From an asset number to the numbers of everything that it lies in.

    Returns
    -------
    FibreGraph
        A row whose place on its cable or whose side is not certain is left out, and is a fault.
    """
    places = _Places(study, assets, chains, passed, Reach(study, assets, holders))
    splices, terminations = _splice_ends(study, assets, places), _fibre_ends(study, assets, places)
    faults = [
        *_faults(study, assets, places, "splices", splices),
        *_faults(study, assets, places, "terminations", terminations),
        *_beyond(study, assets, splices, terminations),
    ]
    bad = splices.bad.reshape(2, -1).any(axis=0)
    kept = np.tile(~bad, 2)
    spliced, ended = splices.kept(kept), terminations.kept(~terminations.bad)
    cable, fibre, position, side, node = _nodes(spliced, ended, places)
    ends, count = len(cable), len(spliced.row) // 2
    port_of, names, cords = _cords(study, assets)
    machine = assets.numbers(study.tables["terminations"]["equipment"])[ended.row]
    label = study.tables["terminations"]["port"].to_numpy(dtype=object)[ended.row]
    link_of, link_names = link_ports(study, assets)
    number, known = pd.factorize(
        pd.MultiIndex.from_arrays([np.r_[port_of, machine, link_of], [*names, *label, *link_names]])
    )
    number = number.astype(np.int64) + ends
    half = len(port_of) // 2
    one = np.r_[node[:count], node[2 * count :], number[:half]]
    other = np.r_[
        node[count : 2 * count], number[2 * half :][: len(ended.row)], number[half : 2 * half]
    ]
    kind = np.r_[np.full(count, SPLICE), np.full(len(ended.row), TERMINATION), cords[:, 1]]
    row = np.r_[spliced.row[:count], ended.row, cords[:, 0]]
    source, target = np.r_[one, other], np.r_[other, one]
    kind, row = np.tile(kind, 2), np.tile(row, 2)
    order = np.lexsort((kind, source))
    place = np.empty(len(order), dtype=np.int64)
    place[order] = np.arange(len(order))
    mate = np.roll(np.arange(len(order)), len(one))
    ports = list(known)
    total = ends + len(ports)
    return FibreGraph(
        cable,
        fibre,
        position,
        side,
        np.array([one for one, _ in ports], dtype=np.int64),
        np.array([name for _, name in ports], dtype=object),
        np.r_[0, np.cumsum(np.bincount(source, minlength=total))].astype(np.int64),
        source[order],
        target[order],
        kind[order].astype(np.int64),
        row[order].astype(np.int64),
        place[mate[order]],
        faults,
    )


@dataclass(frozen=True)
class _Ends:
    """Ends of fibres that rows name, each with its position on the cable and its side.

    Of splices the a ends come first, then the b ends. `off` are ends of cables that do not come
    there, `unsure` those without a side that fits. A cable that passes a place `again` is taken to
    be meant where it passes first.
    """

    row: Ints
    cable: Ints
    fibre: Ints
    position: Floats
    side: Ints
    off: Bools
    unsure: Bools
    again: Bools

    @property
    def bad(self) -> Bools:
        """Ends that cannot be placed."""
        return np.asarray(self.off | self.unsure)

    def kept(self, keep: Bools) -> _Ends:
        return _Ends(
            *(getattr(self, name)[keep] for name in ("row", "cable", "fibre", "position")),
            *(getattr(self, name)[keep] for name in ("side", "off", "unsure", "again")),
        )


_Found = tuple[bool, bool, float, bool]
"""Whether a cable begins or ends at a place, else where it passes it, and whether several times."""


class _Places:
    """Where along their cables joints and panels are."""

    def __init__(
        self, study: Study, assets: Assets, chains: Chains, passed: Passing, reach: Reach
    ) -> None:
        self.cables = CableNodes(chains, passed)
        self._reach, self._assets = reach, assets
        joints = study.tables["joints"]
        self.at = assets.numbers(joints["at"])
        row, name = listed(joints["cables"])
        self._listed: dict[int, set[int]] = {}
        of_joint = (assets.numbers(name) - assets.start["cables"]).tolist()
        for joint, cable in zip(row.tolist(), of_joint, strict=True):
            self._listed.setdefault(joint, set()).add(cable)
        self._bare: dict[int, set[int]] = {}
        for cable, node in _where(study, assets):
            if not self.cables.length(cable):
                self._bare.setdefault(cable, set()).add(node)

    def length(self, cable: int) -> float:
        """Position of the end of a cable; 1 where nothing of its course is on record."""
        return float(self.cables.length(cable)) or 1.0

    def of_joint(self, cable: int, joint: int) -> _Found:
        """Where a cable is at a joint."""
        node = int(self.at[joint])
        named = self._listed.get(joint)
        if node < 0 or (named is not None and cable not in named):
            return False, False, np.nan, False
        if not self.cables.length(cable):
            return self._at_end(cable, node)
        nodes = self.cables.nodes(cable)
        at = {place for one, place in nodes if one == node}
        at = at or {place for one, place in nodes if one >= 0 and self._reach.meet(one, node)}
        return self._found(cable, sorted(at))

    def of_site(self, cable: int, site: int) -> _Found:
        """Where a cable is at the site of a panel."""
        if site < 0:
            return False, False, np.nan, False
        if not self.cables.length(cable):
            return self._at_end(cable, site)
        nodes = self.cables.nodes(cable)
        reaching = [
            (one, place) for one, place in nodes if one >= 0 and self._reach.reaches(one, site)
        ]
        own = sorted({place for one, place in reaching if one == site})
        ends = {0.0, self.length(cable)} & {place for _, place in reaching}
        return self._found(cable, sorted(ends) or own or sorted({p for _, p in reaching})[:1])

    def _found(self, cable: int, at: Sequence[float]) -> _Found:
        begin, end = 0.0 in at, self.length(cable) in at
        if begin or end or not at:
            return begin, end, np.nan, False
        return False, False, at[0], len(at) > 1

    def _at_end(self, cable: int, node: int) -> _Found:
        known = sorted(self._bare.get(cable, ()), key=lambda one: self._assets.ids([one])[0])
        return node == known[0], node == known[-1], np.nan, False


def _where(study: Study, assets: Assets) -> set[tuple[int, int]]:
    """Each cable that a splice or a termination names, with the place of its joint or panel."""
    splices, terminations = study.tables["splices"], study.tables["terminations"]
    at = np.r_[assets.numbers(study.tables["joints"]["at"]), -1]
    site = np.r_[assets.numbers(study.tables["equipment"]["site"]), -1]
    joint = np.maximum(assets.numbers(splices["joint"]) - assets.start["joints"], -1)
    machine = assets.numbers(terminations["equipment"]) - assets.start["equipment"]
    named = [
        *((assets.numbers(splices[name]), at[joint]) for name in ("a_cable", "b_cable")),
        (assets.numbers(terminations["cable"]), site[np.maximum(machine, -1)]),
    ]
    cable = np.concatenate([cable for cable, _ in named]) - assets.start["cables"]
    node = np.concatenate([node for _, node in named])
    known = (cable >= 0) & (node >= 0)
    return set(zip(cable[known].tolist(), node[known].tolist(), strict=True))


def _positions(
    places: _Places,
    found: Sequence[_Found],
    pair: Ints,
    cable: Ints,
    said: Ints,
    known: Bools,
) -> tuple[Floats, Ints, Bools, Bools, Bools]:
    """Position, side, whether off the cable, without a side that fits, and passed several times.

    Parameters
    ----------
    places : _Places
    found : sequence
        Of each different cable and place.
    pair : ndarray of int, shape (ends,)
        Which of these.
    cable, said : ndarray of int, shape (ends,)
        Cable and stated side.
    known : ndarray of bool, shape (ends,)
        Ends whose cable and place are on record.
    """
    table = np.array(found, dtype=np.float64).reshape(-1, 4)[pair]
    begin, end, middle, again = table[:, 0] > 0, table[:, 1] > 0, table[:, 2], table[:, 3] > 0
    lengths = {one: places.length(one) for one in set(cable[known].tolist())}
    length = np.array([lengths.get(one, 1.0) for one in cable.tolist()])
    side = said.copy()
    side[begin & ~end & (said == UNSAID)] = AFTER
    side[end & ~begin & (said == UNSAID)] = BEFORE
    position = np.where(begin & (~end | (side == AFTER)), 0.0, np.where(end, length, middle))
    off = (~begin & ~end & np.isnan(middle)) | ~known
    wrong = (begin & ~end & (side != AFTER)) | (end & ~begin & (side != BEFORE))
    return position, side, off, ~off & (wrong | (side == UNSAID)), ~off & again


def _sides(column: pd.Series) -> Ints:
    code = column.map({"before": BEFORE, "after": AFTER}).fillna(UNSAID)
    return np.asarray(code.to_numpy(), dtype=np.int64)


def _splice_ends(study: Study, assets: Assets, places: _Places) -> _Ends:
    table = study.tables["splices"]
    count = len(table)
    joint = assets.numbers(table["joint"]) - assets.start["joints"]
    cables = [
        assets.numbers(table[name]) - assets.start["cables"] for name in ("a_cable", "b_cable")
    ]
    cable, joint = np.concatenate(cables), np.tile(joint, 2)
    fibre = np.concatenate([table[name].to_numpy(np.float64) for name in ("a_fibre", "b_fibre")])
    a, b = _sides(table["a_side"]), _sides(table["b_side"])
    known = (cable >= 0) & (joint >= 0) & ~np.isnan(fibre)
    pair, found = _different(cable, joint, known, places.of_joint)
    twin = cables[0] == cables[1]
    through = np.array([not (one[0] ^ one[1]) for one in found], dtype=bool)[pair[:count]] & twin
    same = fibre[:count] == fibre[count:]
    unsaid = through & (a == UNSAID) & (b == UNSAID) & same
    a, b = (
        np.where(unsaid, BEFORE, np.where(through & (a == UNSAID) & (b != UNSAID), 1 - b, a)),
        np.where(unsaid, AFTER, np.where(through & (b == UNSAID) & (a != UNSAID), 1 - a, b)),
    )
    where = _positions(places, found, pair, cable, np.r_[a, b], known)
    number = np.nan_to_num(fibre).astype(np.int64)
    return _Ends(np.tile(np.arange(count), 2), cable, number, *where)


def _fibre_ends(study: Study, assets: Assets, places: _Places) -> _Ends:
    table, equipment = study.tables["terminations"], study.tables["equipment"]
    cable = assets.numbers(table["cable"]) - assets.start["cables"]
    machine = assets.numbers(table["equipment"]) - assets.start["equipment"]
    fibre = table["fibre"].to_numpy(np.float64)
    site = np.r_[assets.numbers(equipment["site"]), -1][np.maximum(machine, -1)]
    known = (cable >= 0) & (site >= 0) & ~np.isnan(fibre) & table["port"].notna().to_numpy()
    pair, found = _different(cable, site, known, places.of_site)
    where = _positions(places, found, pair, cable, _sides(table["side"]), known)
    number = np.nan_to_num(fibre).astype(np.int64)
    return _Ends(np.arange(len(table)), cable, number, *where)


def _different(
    cable: Ints, place: Ints, known: Bools, ask: Callable[[int, int], _Found]
) -> tuple[Ints, list[_Found]]:
    """Ask once of each different cable and place; which of the answers each row has."""
    nothing: _Found = (False, False, np.nan, False)
    pair, found = np.zeros(len(cable), dtype=np.int64), [nothing]
    if known.any():
        wide = int(place.max()) + 1
        different, inverse = np.unique((cable * wide + place)[known], return_inverse=True)
        pair[known] = inverse + 1
        found += [ask(*divmod(one, wide)) for one in different.tolist()]
    return pair, found


def _nodes(spliced: _Ends, ended: _Ends, places: _Places) -> tuple[Ints, Ints, Floats, Ints, Ints]:
    """Ends of all fibres that some row names, and the number of the end that each row names."""
    cable, fibre = np.r_[spliced.cable, ended.cable], np.r_[spliced.fibre, ended.fibre]
    position, side = np.r_[spliced.position, ended.position], np.r_[spliced.side, ended.side]
    nothing = np.empty(0, dtype=np.int64)
    if not len(cable):
        return nothing, nothing, np.empty(0), nothing, nothing
    different = np.unique(cable)
    length = np.array([places.length(one) for one in different.tolist()])
    wide = int(fibre.max()) + 1
    key, owner = np.unique(cable * wide + fibre, return_inverse=True)
    every = np.column_stack(np.divmod(key, wide))
    count, full = len(every), length[np.searchsorted(different, every[:, 0])]
    # Along each fibre: its beginning, what cuts it, its end.
    where = np.r_[np.zeros(count), full, position]
    of = np.r_[np.arange(count), np.arange(count), owner]
    order = np.lexsort((where, of))
    fresh = np.r_[True, (np.diff(of[order]) > 0) | (np.diff(where[order]) > 0)]
    cut = np.empty(len(order), dtype=np.int64)
    cut[order] = np.cumsum(fresh) - 1
    at, fibre_of = where[order][fresh], of[order][fresh]
    begins, ends = at == 0.0, at == full[fibre_of]
    shift = np.cumsum(np.where(begins | ends, 1, 2)) - np.where(begins | ends, 1, 2)
    # A cut has an end before it and one after it; the cable's own ends have one each.
    node = np.repeat(np.arange(len(at)), np.where(begins | ends, 1, 2))
    nth = np.arange(len(node)) - shift[node]
    sides = np.where(begins[node], AFTER, np.where(ends[node], BEFORE, nth))
    mine = cut[2 * count :]
    number = shift[mine] + np.where(begins[mine] | ends[mine], 0, side)
    return (
        every[fibre_of[node], 0],
        every[fibre_of[node], 1],
        at[node],
        sides.astype(np.int64),
        number.astype(np.int64),
    )


def _cords(study: Study, assets: Assets) -> tuple[Ints, list[str], Ints]:
    """Ports that cords and inner connections join: all first ends, then all second ends.

    Also, per connection, the row of patches and `CORD` or `INNER`.
    """
    table = study.tables["patches"]
    a, b = assets.numbers(table["a"]).tolist(), assets.numbers(table["b"]).tolist()
    machines: tuple[list[int], list[int]] = [], []
    names: tuple[list[str], list[str]] = [], []
    rows: list[tuple[int, int]] = []
    cells = zip(table["a_port"].to_list(), table["b_port"].to_list(), strict=True)
    for row, pair in enumerate(cells):
        if a[row] < 0 or b[row] < 0:
            continue
        for one, other in zip(*(ports_of(cell) for cell in pair), strict=False):
            rows.append((row, INNER if a[row] == b[row] else CORD))
            for side, (machine, port) in enumerate(((a[row], one), (b[row], other))):
                machines[side].append(machine)
                names[side].append(port)
    return (
        np.array([*machines[0], *machines[1]], dtype=np.int64),
        [*names[0], *names[1]],
        np.array(rows, dtype=np.int64).reshape(-1, 2),
    )


def link_ports(study: Study, assets: Assets) -> tuple[Ints, list[str]]:
    """Ports that links name.

    Parameters
    ----------
    study : Study
    assets : Assets

    Returns
    -------
    equipment : ndarray of int, shape (ports,)
        Asset numbers.
    names : list of str
    """
    links = study.tables["links"]
    machines: list[int] = []
    names: list[str] = []
    for end in ("a", "b"):
        machine = assets.numbers(links[end]).tolist()
        for row, cell in enumerate(links[f"{end}_port"].to_list()):
            for port in ports_of(cell):
                machines.append(machine[row])
                names.append(port)
    return np.array(machines, dtype=np.int64), names


def ports_of(cell: object) -> list[str]:
    """Ports in a cell, in order.

    Parameters
    ----------
    cell : object
        Text with `;` between, or a blank.

    Returns
    -------
    list of str
    """
    if not isinstance(cell, str):
        return []
    return [one for one in cell.split(LIST_SEPARATOR) if one]


def _faults(
    study: Study, assets: Assets, places: _Places, role: str, ends: _Ends
) -> list[RowFault]:
    """Rows that cannot be placed on their cable."""
    table = study.tables[role]
    names = study.tables["cables"]["id"].to_numpy(dtype=object)
    pairs = (("a", "a_"), ("b", "b_")) if role == "splices" else (("", ""),)
    half = len(table)
    told: dict[int, RowFault] = {}
    for at in np.flatnonzero(ends.bad | ends.again).tolist():
        row = int(ends.row[at])
        if row in told:
            continue
        prefix = pairs[at // half][1] if half else ""
        mine = list(range(row, len(ends.row), half)) if role == "splices" else [row]
        fibres = tuple((int(ends.cable[k]), int(ends.fibre[k])) for k in mine if ends.cable[k] >= 0)
        place = table["joint" if role == "splices" else "equipment"].iloc[row]
        if not isinstance(place, str) or ends.cable[at] < 0 or not ends.fibre[at]:
            continue  # a blank or unknown id, which reading has told
        one = f"fibre {ends.fibre[at]} of cable {names[ends.cable[at]]}"
        thing = f"joint {place}" if role == "splices" else f"{place}"
        if ends.off[at]:
            does = "is spliced in" if role == "splices" else "ends on"
            text = (
                f"{one} {does} {thing}, where that cable is not: correct the cable, where "
                f"{thing} is, or the course of the cable"
            )
            told[row] = RowFault("splice-off-cable", role, row, text, f"{prefix}cable", fibres)
        else:
            text = (
                f"cable {names[ends.cable[at]]} goes on through the place of {thing}, or has both "
                f"ends there: say in {prefix}side whether {one} lies before or after it along the "
                "runs of the cable (after, where the cable begins; before, where it ends)"
            )
            told[row] = RowFault("splice-side", role, row, text, f"{prefix}side", fibres)
    return list(told.values())


def _beyond(study: Study, assets: Assets, splices: _Ends, terminations: _Ends) -> list[RowFault]:
    """Fibre numbers that the cable does not have."""
    cables = study.tables["cables"]
    count = np.r_[cables["fibre_count"].to_numpy(dtype=np.float64), np.nan]
    names = cables["id"].to_numpy(dtype=object)
    found = []
    for role, ends in (("splices", splices), ("terminations", terminations)):
        half = len(study.tables[role])
        over = np.flatnonzero(ends.fibre > count[ends.cable])
        for at in over.tolist():
            column = ("a_fibre", "b_fibre")[at // half] if role == "splices" else "fibre"
            cable, fibre = int(ends.cable[at]), int(ends.fibre[at])
            text = (
                f"fibre {fibre} of cable {names[cable]}, which has {count[cable]:g} by its "
                "fibre_count: correct the one or the other"
            )
            row = int(ends.row[at])
            found.append(RowFault("fibre-beyond", role, row, text, column, ((cable, fibre),)))
    return found


# --- Walking


def walk(graph: FibreGraph, start: Ints, goal: Ints) -> Walks:
    """Walk from ports to ports, all at once.

    Parameters
    ----------
    graph : FibreGraph
    start, goal : ndarray of int, shape (walks,)
        Nodes of ports; -1 where there is none.

    Returns
    -------
    Walks

    Notes
    -----
    Each step costs time in proportion to the walks that still go on. Where several inner
    connections go on from a port, one walk alone tries them, depth first.
    """
    count = len(start)
    status = np.full(count, OPEN, dtype=np.int64)
    stop = start.copy()
    walker = np.flatnonzero(start >= 0)
    half, ends = _leave(graph, start[walker])
    log: list[tuple[Ints, Ints]] = []
    status[walker[half < 0]] = ends[half < 0]
    walker, half = walker[half >= 0], half[half >= 0]
    look = _LOOK
    while len(walker):
        log.append((walker, half))
        node = graph.target[half]
        there = (node == goal[walker]) & (graph.outer[node] < 2)
        onward, ends = _onward(graph, node, half)
        crowded = (node == goal[walker]) & ~there  # something else ends on the last port
        onward, ends = np.where(crowded, -1, onward), np.where(crowded, TWICE, ends)
        stop[walker] = np.where(node < graph.ends, node ^ 1, node)
        bad_end = (
            (node < graph.ends)
            & (ends == TWICE)
            & graph.twice[np.minimum(node, len(graph.twice) - 1)]
        )
        stop[walker[bad_end]] = node[bad_end]
        stop[walker[there]] = node[there]
        over = there | (onward < 0)
        status[walker[over]] = np.where(there[over], DONE, ends[over])
        walker, half = walker[~over], onward[~over]
        if len(log) >= look and len(walker):
            round_ = _go_round(log, walker, half)
            status[walker[round_]] = LOOP
            walker, half = walker[~round_], half[~round_]
            look *= 2
    steps = in_order(log, count)
    for number in np.flatnonzero(status == LOOP).tolist():
        steps[number] = _once(steps[number])
        node = int(graph.target[steps[number][-1]])
        stop[number] = node ^ 1 if node < graph.ends else node
    for number in np.flatnonzero(status == BRANCH).tolist():
        _try_each(graph, number, int(goal[number]), status, stop, steps)
    return Walks(status, stop, steps)


def _leave(graph: FibreGraph, port: Ints) -> tuple[Ints, Ints]:
    """The half-edge by which a walk leaves its first port; -1 and why where there is none."""
    outer, inner, first = graph.outer[port], graph.inner[port], graph.first[port]
    one = (outer == 1) | ((outer == 0) & (inner == 1))
    ends = np.where(outer + inner == 0, OPEN, np.where(outer == 0, BRANCH, TWICE))
    return np.where(one & ~graph.twice[port], first, -1), ends


def _onward(graph: FibreGraph, node: Ints, half: Ints) -> tuple[Ints, Ints]:
    """The half-edge after one that leads to a node; -1 and why where none or several go on."""
    in_fibre = node < graph.ends
    at = np.where(in_fibre, node ^ 1, node)
    outer, inner, first = graph.outer[at], graph.inner[at], graph.first[at]
    twice = graph.twice[at] | graph.twice[node]
    by_inner = graph.kind[half] == INNER
    left = np.where(in_fibre | by_inner, outer, outer - 1)
    deeper = np.where(in_fibre | by_inner, 0, inner)
    other = np.where(graph.mate[half] == first, first + 1, first)
    over = np.where(in_fibre | by_inner, first, other)
    onward = np.where(left == 1, over, np.where(deeper == 1, first + outer, -1))
    clear = ~twice & (left + deeper == 1)
    ends = np.where(
        twice | ((left > 0) & (left + deeper > 1)), TWICE, np.where(deeper > 1, BRANCH, OPEN)
    )
    return np.where(clear, onward, -1), ends


def _go_round(log: Sequence[tuple[Ints, Ints]], walker: Ints, half: Ints) -> Bools:
    """Which walks are about to take a step that they have taken before."""
    known = pd.MultiIndex.from_arrays(
        [np.concatenate([one for one, _ in log]), np.concatenate([two for _, two in log])]
    )
    return np.asarray(pd.MultiIndex.from_arrays([walker, half]).isin(known), dtype=np.bool_)


def in_order(log: Sequence[tuple[Ints, Ints]], count: int) -> list[list[int]]:
    """Put the steps of each walk in order.

    Parameters
    ----------
    log : sequence of (ndarray of int, ndarray of int)
        For each step, the walks that took it, and their half-edges.
    count : int
        Number of walks.

    Returns
    -------
    list of list of int
        Half-edges of each walk.
    """
    if not log:
        return [[] for _ in range(count)]
    walker = np.concatenate([one for one, _ in log])
    half = np.concatenate([two for _, two in log])
    order = np.argsort(walker, kind="stable")
    bounds = np.searchsorted(walker[order], np.arange(count + 1)).tolist()
    sorted_half = half[order].tolist()
    return [sorted_half[low:high] for low, high in pairwise(bounds)]


def _once(steps: Sequence[int]) -> list[int]:
    """The steps of a walk up to the first that it takes again."""
    found: dict[int, None] = {}
    for step in steps:
        if step in found:
            break
        found[step] = None
    return list(found)


def _try_each(
    graph: FibreGraph, number: int, goal: int, status: Ints, stop: Ints, steps: list[list[int]]
) -> None:
    """Go on from a port with several inner connections, by the one that leads to the goal."""
    begun = steps[number]
    port = int(stop[number])
    came = begun[-1] if begun else -1

    def ways(node: int, by: int) -> list[int]:
        halves = range(int(graph.first[node]), int(graph.first[node + 1]))
        inner = [one for one in halves if graph.kind[one] == INNER and one != by]
        return sorted(inner, key=lambda one: str(graph.port[graph.target[one] - graph.ends]))

    waiting = [
        (one, [*begun]) for one in reversed(ways(port, -1 if came < 0 else int(graph.mate[came])))
    ]
    tried: set[int] = set(begun)
    while waiting:
        half, path = waiting.pop()
        while half >= 0 and half not in tried:
            tried.add(half)
            path.append(half)
            node = int(graph.target[half])
            if node == goal:
                if graph.outer[node] > 1:
                    break
                status[number], stop[number], steps[number] = DONE, node, path
                return
            onward, ends = _onward(graph, np.array([node]), np.array([half]))
            if ends[0] == BRANCH and onward[0] < 0:
                further = ways(node, int(graph.mate[half]))
                waiting += [(one, [*path]) for one in reversed(further)]
            half = int(onward[0])

"""The edges of a search graph: links on record, stretches of cable, ports of equipment."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import scipy.sparse as sp

from waysapart.arrays import Bools, Floats, Ints
from waysapart.network.assets import listed
from waysapart.reroute.plant.context import Ground, Optics

LINK, STRETCH, PORT, MEMBER = "link", "stretch", "port", "member"
Key = tuple[str, int, int]
"""Kind, number of the link, stretch or equipment, and which optics of the circuit."""


@dataclass(frozen=True)
class Member:
    """A circuit that is to be rerouted.

    `number` counts the circuits of one question, `circuit` is its place in the
    table, `a` and `b` its end equipment, `links` the links of all its paths.
    """

    number: int
    id: str
    circuit: int
    a: int
    b: int
    service: str | None
    switched_together: bool
    links: frozenset[int]


class GraphNode(NamedTuple):
    """A piece of equipment (`layer` -1), or a place for one kind of optics.

    Assets -1 and -2 are the common ends of a group."""

    member: int
    asset: int
    layer: int


@dataclass(frozen=True)
class Edges:
    """All edges of a question, one row each.

    Attributes
    ----------
    nodes : list of GraphNode
    u, v : ndarray of int
        Numbers of nodes; `s` and `t` are the two ends sought between.
    kind : ndarray of str
        `link`, `stretch`, `port` (from equipment onto the cables at its site)
        or `member` (from a common end of a group to one circuit's own).
    ref, member, layer, waves : ndarray of int
        Number of the link, stretch, equipment or member; the member whose edge it is; its
        optics (-1: none); its wavelength as numbered in `Ground.waves`.
    rows : csr_array of bool, shape (edges, assets + links)
        Everything that an edge relies on.
    passed_us : ndarray of float
        Delay of the equipment passed; each edge has half of that at either end.
    keys : list of Key
    entry : list of int
        Per member, its edge from the common end; -1 for a circuit alone.
    optics : list of Optics
        Per layer.
    room_db : ndarray of float
        Per layer, what fibre, splices and connectors may lose; inf: no limit.
    keeps_reserve : ndarray of bool
        Per layer, that its links state a reserve of their own.
    """

    nodes: list[GraphNode]
    u: Ints
    v: Ints
    s: int
    t: int
    kind: np.ndarray
    ref: Ints
    member: Ints
    layer: Ints
    waves: Ints
    rows: sp.csr_array
    passed_us: Floats
    keys: list[Key]
    entry: list[int]
    optics: list[Optics]
    room_db: Floats
    keeps_reserve: Bools

    def __len__(self) -> int:
        return len(self.u)

    def budgeted(self, edge: int) -> bool:
        """Whether what the edge loses is held to a budget."""
        return bool(np.isfinite(self.room_db[self.layer[edge]]))


class _EdgeRows:
    """Edges gathered one by one, with their nodes numbered."""

    def __init__(self) -> None:
        self.number: dict[GraphNode, int] = {}
        self.rows: list[tuple[int, int, str, int, int, int, int]] = []
        self.passed: list[float] = []
        self.keys: list[Key] = []

    def node(self, node: GraphNode) -> int:
        return self.number.setdefault(node, len(self.number))

    def add(
        self,
        one: GraphNode,
        other: GraphNode,
        kind: str,
        ref: int,
        layer: int,
        wave: int,
        key: Key,
        us: float,
    ) -> None:
        member = max(one.member, other.member)
        self.rows.append((self.node(one), self.node(other), kind, ref, member, layer, wave))
        self.passed.append(us)
        self.keys.append(key)


def edges_of(
    ground: Ground, members: Sequence[Member], more: Sequence[Optics] = (), *, listed_only: bool
) -> Edges:
    """All edges that the paths of a circuit, or of a group's circuits, may use.

    Parameters
    ----------
    ground : Ground
    members : sequence of Member
        One circuit, or several of a group.
    more : sequence of Optics
        Optics that new links may have besides those of the circuit's own.
    listed_only : bool
        Whether paths may use links on record only.

    Returns
    -------
    Edges
    """
    sheet = _EdgeRows()
    optics: list[Optics] = []
    room: list[float] = []
    entry = [-1] * len(members)
    alone = len(members) == 1
    ends = [(GraphNode(m.number, m.a, -1), GraphNode(m.number, m.b, -1)) for m in members]
    start, stop = ends[0] if alone else (GraphNode(-1, -1, -1), GraphNode(-1, -2, -1))
    sheet.node(start), sheet.node(stop)
    for member, (one, other) in zip(members, ends, strict=True):
        if not alone:
            entry[member.number] = len(sheet.rows)
            sheet.add(start, one, MEMBER, member.number, -1, 0, (MEMBER, 0, 0), 0.0)
            sheet.add(stop, other, MEMBER, member.number, -1, 0, (MEMBER, 1, 0), 0.0)
        _add_links(sheet, ground, member)
        if not listed_only:
            _add_cables(sheet, ground, member, more, optics, room)
    columns = list(zip(*sheet.rows, strict=True)) if sheet.rows else [()] * 7
    kind = np.array(columns[2], dtype=object)
    ref = np.array(columns[3], dtype=np.int64)
    u, v, of_member, layer, waves = (np.array(columns[n], dtype=np.int64) for n in (0, 1, 4, 5, 6))
    return Edges(
        list(sheet.number),
        u,
        v,
        sheet.node(start),
        sheet.node(stop),
        kind,
        ref,
        of_member,
        layer,
        waves,
        _rows(ground, kind, ref, np.array([node.asset for node in sheet.number])[v]),
        np.array(sheet.passed, dtype=np.float64),
        sheet.keys,
        entry,
        optics,
        np.array(room, dtype=np.float64),
        np.array([one.reserve_db is not None for one in optics], dtype=bool),
    )


def _add_links(sheet: _EdgeRows, ground: Ground, member: Member) -> None:
    """Add the links on record. No path leads through a relay but those at its own ends."""
    barred = ground.relays - {member.a, member.b}
    links = ground.links
    row, via = listed(ground.study.tables["links"]["via"])
    passed: dict[int, float] = {}
    for link, machine in zip(row.tolist(), ground.network.assets.numbers(via), strict=True):
        passed[link] = passed.get(link, 0.0) + ground.equipment_us.get(int(machine), 0.0)
    for link, (a, b) in enumerate(zip(links["a"].tolist(), links["b"].tolist(), strict=True)):
        if a < 0 or b < 0 or a == b or a in barred or b in barred:
            continue
        us = passed.get(link, 0.0) + sum(_half_us(ground, member, end) for end in (a, b))
        one, other = GraphNode(member.number, a, -1), GraphNode(member.number, b, -1)
        sheet.add(one, other, LINK, link, -1, 0, (LINK, link, 0), us)


def _half_us(ground: Ground, member: Member, machine: int) -> float:
    return 0.0 if machine in (member.a, member.b) else ground.equipment_us[machine] / 2


def _add_cables(
    sheet: _EdgeRows,
    ground: Ground,
    member: Member,
    more: Sequence[Optics],
    optics: list[Optics],
    room: list[float],
) -> None:
    """Add ports and all cables, for every kind of optics that the circuit has at both ends."""
    sides = [_ports(ground, member, end) for end in (member.a, member.b)]
    for side in sides:
        side += [(machine, one) for machine in {machine for machine, _ in side} for one in more]
    common = {one for _, one in sides[0]} & {one for _, one in sides[1]}
    service = ground.study.rules.service(member.service)
    stretches = ground.stretches
    for place, one in enumerate(sorted(common, key=repr)):
        if one.wavelength_nm is None:
            continue
        layer = len(optics)
        optics.append(one)
        reserve = one.reserve_db
        if reserve is None:
            reserve = ground.study.rules.reserve.ageing_db
        limited = one.budget_db is not None and service.min_margin_db is not None
        room.append(
            one.budget_db - service.min_margin_db - reserve  # type: ignore[operator]
            if limited
            else np.inf
        )
        wave = ground.waves.index(one.wavelength_nm)
        for ref, (a, b) in enumerate(zip(stretches.a.tolist(), stretches.b.tolist(), strict=True)):
            begin, end = GraphNode(member.number, a, layer), GraphNode(member.number, b, layer)
            sheet.add(begin, end, STRETCH, ref, layer, wave, (STRETCH, ref, place), 0.0)
        for machine in dict.fromkeys(m for side in sides for m, own in side if own == one):
            site = ground.site_of[machine]
            us = _half_us(ground, member, machine)
            for at in _led_into(ground, site):
                here = GraphNode(member.number, machine, -1), GraphNode(member.number, at, layer)
                sheet.add(*here, PORT, machine, layer, 0, (PORT, machine * 10**9 + at, place), us)


def _led_into(ground: Ground, site: int) -> list[int]:
    """Places at which cables are led into a site."""
    stretches = ground.stretches
    return sorted(
        {
            *stretches.a[stretches.site_a == site].tolist(),
            *stretches.b[stretches.site_b == site].tolist(),
        }
    )


def _ports(ground: Ground, member: Member, end: int) -> list[tuple[int, Optics]]:
    """Equipment at one end that ends links over fibre of this circuit, and their optics.

    Where the circuit has none there, any link over fibre that ends there counts.
    """
    links = ground.links
    a, b, fibre = (links[name].to_numpy() for name in ("a", "b", "fibre"))
    side = _side(ground, member, end)
    ending = [
        (int(machine), int(link))
        for ends in (a, b)
        for link, machine in enumerate(ends.tolist())
        if fibre[link] and machine in side
    ]
    own = [(machine, link) for machine, link in ending if link in member.links]
    return sorted({(machine, ground.optics[link]) for machine, link in own or ending}, key=repr)


def _side(ground: Ground, member: Member, end: int) -> set[int]:
    """Equipment at the same site that hops without fibre connect to an end."""
    links = ground.links
    site = ground.site_of.get(end, -1)
    barred = ground.relays - {member.a, member.b}
    joined: dict[int, set[int]] = {}
    for a, b, fibre in zip(links["a"].tolist(), links["b"].tolist(), links["fibre"], strict=True):
        sites = {ground.site_of.get(a, -1), ground.site_of.get(b, -1)}
        if not fibre and sites == {site} and not {a, b} & barred:
            joined.setdefault(a, set()).add(b)
            joined.setdefault(b, set()).add(a)
    found, waiting = {end}, [end]
    while waiting:
        fresh = joined.get(waiting.pop(), set()) - found
        found |= fresh
        waiting += fresh
    return found


def _rows(ground: Ground, kind: np.ndarray, ref: Ints, far: Ints) -> sp.csr_array:
    """What each edge relies on: its link, its stretch, or the equipment whose port or end it is.

    `far` is the asset at the second end of each edge.
    """
    reliance, wide = ground.reliance, ground.reliance.links.shape[1]
    count = len(ground.network.assets)
    machines = _padded(reliance.closed, wide)
    blocks = {
        LINK: reliance.links,
        STRETCH: _padded(ground.stretches.rows, wide),
        PORT: machines,
        MEMBER: machines,
    }
    offset, at = {}, 0
    for name, block in blocks.items():
        offset[name] = at
        at += block.shape[0]
    every = sp.csr_array(sp.vstack(list(blocks.values()), format="csr"))
    assert every.shape[1] >= count
    place = np.array(
        [
            offset[k] + (end if k == MEMBER else r)
            for k, r, end in zip(kind, ref.tolist(), far.tolist(), strict=True)
        ],
        dtype=np.int64,
    )
    return sp.csr_array(every[place])


def _padded(rows: sp.csr_array, wide: int) -> sp.csr_array:
    """Rows over assets with empty columns for the links behind them."""
    return sp.csr_array((rows.data, rows.indices, rows.indptr), shape=(rows.shape[0], wide))

"""The graph in which the paths of one circuit or group are searched.

Nodes are equipment and, for new links, the places where cables can be spliced or
patched. Edges are the links on record, stretches of cable with free fibres, and the
step from a port of the circuit's own equipment onto the cables at its site. A new
link runs from a port at one end to a port at the other, with the optics of a link
that the circuit has. Each kind of optics has its own copy of the places, so that length, delay
and loss belong to one wavelength and one budget.

Assets that the same edges rely on are always shared together, so they are merged into one
column. Two segments that must not be on different paths, because they come too near each other
or cross, are one column of all edges that follow either.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import scipy.sparse as sp

from waysapart.arrays import Bools, Ints, boolean, csr_row
from waysapart.errors import CallError
from waysapart.gaps import GAP_CODES
from waysapart.reroute.plant.context import Ground, Optics, rows_hitting
from waysapart.reroute.plant.edges import LINK, MEMBER, Edges, Member, edges_of
from waysapart.reroute.search.risk_graph import PathLimits, Question, RiskGraph
from waysapart.study.rules import Rules
from waysapart.text import few
from waysapart.verdicts.contests import touched_by_gaps

COSTS = ("length", "delay", "loss", "splices", "unavailability")
HALF_NS = 2000
"""Delay is counted in half nanoseconds: half of the equipment passed counts on each side."""
HALF_MDB = 2000
"""Loss is counted in halves of a thousandth of a dB."""
TIE = 4096
"""Parts of one unit of cost. A link and the stretches that it is made of are rounded one by one;
in parts this fine some hundred roundings add up to less than `NEW_PORT`."""
NEW_PORT = TIE // 16
"""Cost of a new port, which settles ties: of paths that cost the same, those with the fewest new
links win."""
Pair = tuple[str, str]
"""Two segments that must not be on different paths: they come too near, or cross."""


@dataclass(frozen=True)
class Terms:
    """What the paths may use.

    Attributes
    ----------
    cost : str
        One of `COSTS`.
    avoid : frozenset of str
        Ids of assets or links that no path may rely on.
    listed_only : bool
        Only links on record, no new ones.
    fibres : int
        Free fibres that a new link takes of each cable.
    optics : tuple of Optics
        That new links may have besides those of the circuit's own links.
    """

    cost: str = "length"
    avoid: frozenset[str] = frozenset()
    listed_only: bool = False
    fibres: int = 2
    optics: tuple[Optics, ...] = ()

    def __post_init__(self) -> None:
        if self.cost not in COSTS:
            raise CallError(f"unknown cost {self.cost!r}; expected one of {', '.join(COSTS)}")
        if self.fibres < 1:
            raise CallError(f"{self.fibres} fibres asked for, expected at least 1")


@dataclass(frozen=True)
class Space:
    """The graph and the question of one circuit or group.

    Attributes
    ----------
    ground : Ground
    members : tuple of Member
        The circuit, or those of a group.
    edges : Edges
    graph : RiskGraph
    question : Question
    risks : Risks
        What the columns of the graph's matrix stand for.
    left_out : dict of int to str
        Edges that no path may use, and why.
    cost : ndarray of float
        Cost per edge in the unit shown to people.
    counted : list of ndarray of bool, shape (risks,)
        For each of the contests asked for, the columns that count there.
    """

    ground: Ground
    members: tuple[Member, ...]
    edges: Edges
    graph: RiskGraph
    question: Question
    risks: Risks
    left_out: dict[int, str]
    cost: np.ndarray
    counted: list[Bools]


def space_of(
    ground: Ground,
    members: Sequence[Member],
    terms: Terms,
    *,
    pairs: Sequence[Pair] = (),
    keep: Sequence[tuple[str, int, int]] | None = None,
    no_edge: frozenset[tuple[str, int]] = frozenset(),
    contests: Sequence[tuple[int, ...]] = (),
    alone: frozenset[str] = frozenset(),
) -> Space:
    """Build the graph of a circuit (one member) or a group (several).

    Parameters
    ----------
    ground : Ground
    members : sequence of Member
    terms : Terms
    pairs : sequence of pair of str
        Segments that must not be on different paths.
    keep : sequence of edge keys, optional
        A path that stays, as `Edges.key` tells it.
    no_edge : frozenset of (kind, number)
        Further edges that no path may use, such as cables with no fibres left.
    contests : sequence of tuple of int
        Of a group: the members whose paths are held against each other, set by set, by their
        numbers; one member alone: its own paths. None: all together.
    alone : frozenset of str
        Ids of assets that stand in no column with others.

    Returns
    -------
    Space
    """
    edges = edges_of(ground, members, terms.optics, listed_only=terms.listed_only)
    ends = _ends(ground, members)
    rows = _without_ends(ground, edges.rows, ends)
    left_out = _left_out(ground, members, edges, rows, terms, no_edge)
    cost = _costs(ground, edges, rows, terms.cost)
    excused = [ends]
    if len(members) > 1:
        asked = contests or [tuple(range(len(members)))]
        excused = [_excused(ground, [members[one] for one in mine]) for mine in asked]
        _bar_ends(ground, members, edges, asked, excused, left_out)
        ends = np.logical_and.reduce(excused)
        left = np.flatnonzero(~ends)
        rows = sp.csr_array(edges.rows @ boolean(left, left, (len(ends), len(ends))))
    risks = risks_of(ground, edges, rows, pairs, ends, excused, alone)
    counted = [np.append(~one, False)[risks.column] for one in excused]
    scaled = np.rint(np.nan_to_num(cost) * (UNIT[terms.cost] * TIE)).astype(np.int64)
    weights, limits = _weights(ground, members, edges)
    kept = None if keep is None else _kept(edges, keep)
    graph = RiskGraph(
        len(edges.nodes),
        edges.u,
        edges.v,
        scaled + NEW_PORT * (edges.kind == "port"),
        risks.matrix,
        None,
        weights,
    )
    question = Question(
        edges.s,
        edges.t,
        exempt=(),
        forbidden_edges=sorted(set(left_out) - set(kept or ())),
        keep=kept,
        limits=limits,
    )
    return Space(ground, tuple(members), edges, graph, question, risks, left_out, cost, counted)


UNIT = {
    "length": 1000.0,
    "delay": 1000.0,
    "loss": 1000.0,
    "splices": 2.0,
    "unavailability": 1e10,
}
"""Whole numbers for one unit as shown."""


def _ends(ground: Ground, members: Sequence[Member]) -> Bools:
    """Columns that the ends of the circuits rely on by themselves."""
    ends = np.zeros(ground.reliance.links.shape[1], dtype=bool)
    for member in members:
        for end in (member.a, member.b):
            closed = ground.reliance.closed
            ends[csr_row(closed, end)] = True
    return ends


def _without_ends(ground: Ground, rows: sp.csr_array, ends: Bools) -> sp.csr_array:
    """What edges rely on beyond the ends; a hazard at the ends stays where other plant meets it."""
    keep = boolean(np.flatnonzero(~ends), np.flatnonzero(~ends), (len(ends), len(ends)))
    beyond = sp.csr_array(rows @ keep)
    hazards = ground.network.hazards
    count = len(ground.network.assets)
    at_ends = np.flatnonzero(ends[:count])
    if hazards.nnz and len(at_ends):
        met = sp.csr_array(beyond[:, :count] @ hazards).tocoo()
        again = ends[:count][met.col]
        more = boolean(met.row[again], met.col[again], beyond.shape)
        beyond = sp.csr_array(beyond + more)
    beyond.sum_duplicates()
    return sp.csr_array(beyond.astype(np.bool_))


def _excused(ground: Ground, members: Sequence[Member]) -> Bools:
    """Columns that the paths of these members may share.

    Members of a group back each other up, so no more than the sites where all of them end is
    excused, what these lie within and what takes them, and the kinds that `[groups] excuse`
    lists. A member alone stands for a circuit and its own paths.
    """
    if len(members) == 1:
        return _ends(ground, members)
    return np.asarray(np.logical_and.reduce([_sites(ground, member) for member in members]))


def _sites(ground: Ground, member: Member) -> Bools:
    """What a member of a group is excused at its ends."""
    reliance, count = ground.reliance, len(ground.network.assets)
    found = np.zeros(reliance.links.shape[1], dtype=bool)
    found[csr_row(reliance.end_sites, member.circuit)] = True
    kinds = ground.network.assets.frame["kind"]
    listed = np.zeros(len(found), dtype=bool)
    listed[:count] = kinds.isin(ground.study.rules.groups.excuse).to_numpy()
    return np.asarray(found | (listed & _ends(ground, [member])))


AT_END_HAZARD = "meets a hazard that takes the sites where the circuits end, away from them"
"""Why an edge is left out: a path over it would meet that hazard not by its end alone."""
_MOST_HAZARDS = 3
END_GAP = "a record gap touches the end itself"


def _bar_ends(
    ground: Ground,
    members: Sequence[Member],
    edges: Edges,
    contests: Sequence[tuple[int, ...]],
    excused: Sequence[Bools],
    left_out: dict[int, str],
) -> None:
    """Leave out edges that spoil what is excused at the ends of a group, and ends with gaps.

    A hazard that takes the sites where members end is excused only as long as each of their
    paths meets it through the site alone.
    """
    network, reliance = ground.network, ground.reliance
    hazards, count = network.assets.of_role("hazards"), len(network.assets)
    taken = np.zeros(count, dtype=bool)
    taken[hazards.start : hazards.stop] = True
    for mine, shared in zip(contests, excused, strict=True):
        named = np.flatnonzero(shared[:count] & taken)
        if len(mine) < 2 or not len(named):
            continue
        takes = np.asarray(network.hazards[:, named].sum(axis=1)).ravel() > 0
        for number in mine:
            away = np.zeros(edges.rows.shape[1], dtype=bool)
            away[:count] = takes & ~_sites(ground, members[number])[:count]
            hit = rows_hitting(edges.rows, away)
            links = np.flatnonzero(edges.kind == LINK)
            aerial = np.zeros(reliance.link_items.shape[1], dtype=bool)
            aerial[named] = True
            hit[links] |= rows_hitting(reliance.link_items, aerial)[edges.ref[links]]
            told = few([str(ground.names[one]) for one in named], _MOST_HAZARDS)
            for edge in np.flatnonzero(hit & (edges.member == number)).tolist():
                left_out.setdefault(edge, f"{AT_END_HAZARD}: {told}")
    gaps = tuple(gap for gap in ground.proof.record_gaps if GAP_CODES[gap.code].separation)
    touched = touched_by_gaps(reliance, gaps) if gaps else None
    for edge in np.flatnonzero(edges.kind == MEMBER).tolist():
        end = edges.nodes[int(edges.v[edge])].asset
        if touched is not None and len(csr_row(touched, end)):
            left_out.setdefault(edge, END_GAP)


def _left_out(
    ground: Ground,
    members: Sequence[Member],
    edges: Edges,
    rows: sp.csr_array,
    terms: Terms,
    no_edge: frozenset[tuple[str, int]],
) -> dict[int, str]:
    """Edges that no path may use, each with the first reason found."""
    count = len(ground.network.assets)
    found: dict[int, str] = {}
    avoid = _columns(ground, terms.avoid)
    gaps = np.zeros(rows.shape[1], dtype=bool)
    gaps[[column for column in ground.gap_of if column < rows.shape[1]]] = True
    down = np.zeros(rows.shape[1], dtype=bool)
    down[:count] = ground.down
    for hit, because in (
        (rows_hitting(rows, avoid), "to be avoided"),
        (rows_hitting(rows, gaps), "a record gap touches it"),
        (rows_hitting(rows, down), "out of service now"),
    ):
        for edge in np.flatnonzero(hit).tolist():
            found.setdefault(edge, because)
    service = {m.number: ground.study.rules.service(m.service) for m in members}
    for edge, (kind, ref, _) in enumerate(edges.keys):
        because = ""
        if (kind, ref) in no_edge:
            because = "no fibres are left for it"
        elif kind == "link":
            if count + ref in ground.gap_of:
                because = "a record gap touches it"
            elif ground.names[count + ref] in terms.avoid:
                because = "to be avoided"
            elif np.isnan(ground.delay_us[ref]):
                because = "its delay is not on record"
            elif ground.checks.all_of(ref, service[int(edges.member[edge])]) is False:
                because = "over its own optical budget"
        elif kind == "stretch":
            cable = int(ground.stretches.cable[ref])
            wave = int(edges.waves[edge])
            if len(ground.stretches.free[cable]) < terms.fibres:
                because = f"fewer than {terms.fibres} free fibres on record"
            elif np.isnan(ground.stretches.length_m[ref]):
                because = "its length is not on record"
            elif np.isnan(ground.stretches.us[wave, ref]):
                because = "its delay at this wavelength is not known"
            elif edges.budgeted(edge) and np.isnan(ground.stretches.db[wave, ref]):
                because = "its loss at this wavelength is not known"
        if because:
            found.setdefault(edge, because)
    return found


def _columns(ground: Ground, ids: frozenset[str]) -> Bools:
    wanted = np.zeros(len(ground.names), dtype=bool)
    numbers = ground.network.assets.numbers(sorted(ids)) if ids else np.empty(0, np.int64)
    wanted[numbers[numbers >= 0]] = True
    return wanted


def _costs(ground: Ground, edges: Edges, rows: sp.csr_array, cost: str) -> np.ndarray:
    """Cost of every edge in metres, microseconds, dB, splices, or part of the time."""
    if cost == "unavailability":
        count = len(ground.network.assets)
        down = np.asarray(rows[:, :count].astype(np.float64) @ ground.down_time[:count])
        down[edges.kind == "link"] += ground.down_time[count:][edges.ref[edges.kind == "link"]]
        return down
    stretches = ground.stretches
    found = np.zeros(len(edges))
    links, ref = edges.kind == "link", edges.ref
    inner = edges.kind == "stretch"
    of_links = {
        "length": ground.length_m,
        "delay": ground.delay_us,
        "loss": ground.loss_db,
        "splices": ground.splices.astype(np.float64),
    }[cost]
    found[links] = of_links[ref[links]]
    wave = edges.waves[inner]
    if cost == "length":
        found[inner] = stretches.length_m[ref[inner]]
    elif cost == "splices":
        found[inner] = stretches.half_splices[ref[inner]] / 2
    else:
        found[inner] = (stretches.us if cost == "delay" else stretches.db)[wave, ref[inner]]
    if cost == "delay":
        found += edges.passed_us
    return found


def _weights(
    ground: Ground, members: Sequence[Member], edges: Edges
) -> tuple[dict[str, Ints], PathLimits]:
    """Delay and loss per edge, and the greatest sum along a path."""
    delay = np.ceil(np.nan_to_num(_costs(ground, edges, edges.rows, "delay")) * HALF_NS)
    most: dict[str, int] = {}
    apart: dict[str, int] = {}
    services = [ground.study.rules.service(member.service) for member in members]
    allowed = [
        None
        if service.max_delay_us is None
        else service.max_delay_us - sum(ground.equipment_us[e] for e in (member.a, member.b))
        for member, service in zip(members, services, strict=True)
    ]
    known = [one for one in allowed if one is not None]
    if known:
        widest = max(known)
        most["delay"] = int(widest * HALF_NS)
        for number, one in enumerate(allowed):
            entry = edges.entry[number]
            if entry >= 0 and one is not None:
                delay[entry] += np.ceil((widest - one) * HALF_NS)
    if len(members) == 1 and not members[0].switched_together:
        asymmetry = services[0].max_asymmetry_us
        if asymmetry is not None:
            apart["delay"] = int(asymmetry * HALF_NS)
    loss = np.zeros(len(edges))
    inner = edges.kind == "stretch"
    room = edges.room_db
    limited = np.isfinite(room)
    if limited.any():
        widest_db = float(room[limited].max())
        passive = ground.stretches.db[edges.waves[inner], edges.ref[inner]]
        repair = ground.stretches.repair_db[edges.waves[inner], edges.ref[inner]]
        layer = edges.layer[inner]
        own = edges.keeps_reserve[layer]
        per = np.nan_to_num(passive) + np.where(own, 0.0, np.nan_to_num(repair))
        loss[inner] = np.where(limited[layer], np.ceil(per * 1000) * 2, 0)
        ports = edges.kind == "port"
        short = np.where(limited, widest_db - np.where(limited, room, 0.0), 0.0)
        loss[ports] = np.ceil(short[edges.layer[ports]] * 1000)
        most["loss"] = int(np.floor(widest_db * 1000 + 1e-6)) * 2
    return (
        {"delay": delay.astype(np.int64), "loss": loss.astype(np.int64)},
        PathLimits(most, apart),
    )


def _kept(edges: Edges, keep: Sequence[tuple[str, int, int]]) -> tuple[int, ...]:
    number = {key: place for place, key in enumerate(edges.keys)}
    missing = [key for key in keep if key not in number]
    if missing:
        raise CallError("the path to keep is not on record as a path of this circuit")
    return tuple(number[key] for key in keep)


# --- The columns of a search: what its edges rely on, equal ones merged.

NEAR = "near"
ONLY_ONE = "one way only for circuit"
"""What a column is called that keeps two paths from being of one circuit."""
_FIRST = ("cables", "structures", "segments", "hazards", "sites", "equipment", "links")
"""Which of several assets in one column the column is called after."""


@dataclass(frozen=True)
class Risks:
    """The columns of a search.

    Attributes
    ----------
    matrix : csr_array of bool, shape (edges, risks)
    assets : list of tuple of str
        Ids that stand together in each column, the one it is called after first.
    pairs : dict of int to tuple of str
        Columns that are two segments.
    weight : ndarray of int
        Weight of sharing each column.
    exempt : list of str
        Ids that both ends rely on by themselves; of a group, what its members may share.
    column : ndarray of int
        For each column its first asset or link, as numbered in `Ground.names`; -1: none.
    """

    matrix: sp.csr_array
    assets: list[tuple[str, ...]]
    pairs: dict[int, tuple[str, str]]
    weight: Ints
    exempt: list[str]
    column: Ints

    def name(self, risk: int) -> str:
        """The id that a column is called after; of two segments, both."""
        return "/".join(self.assets[risk]) if risk in self.pairs else self.assets[risk][0]


def risks_of(
    ground: Ground,
    edges: Edges,
    rows: sp.csr_array,
    pairs: Sequence[tuple[str, str]],
    ends: Bools,
    excused: Sequence[Bools],
    alone: frozenset[str],
) -> Risks:
    """Columns of a search from what its edges rely on.

    Parameters
    ----------
    ground, edges
    rows : csr_array of bool, shape (edges, assets + links)
        What edges rely on beyond the circuit's ends.
    pairs : sequence of pair of str
        Segments that must not be on different paths.
    ends : ndarray of bool
        Columns that the ends rely on.
    excused : sequence of ndarray of bool
        By contest, what does not count there; equal columns are merged where all contests
        treat them alike.
    alone : frozenset of str
        Ids of assets whose columns are not merged.
    """
    columns = sp.csc_array(rows)
    columns.sort_indices()
    used = np.flatnonzero(np.diff(columns.indptr))
    own = np.where(_columns(ground, alone), np.arange(len(ground.names)), -1)
    first, label = _alike(columns, used, np.array([*excused, own], dtype=np.int64).T)
    members: list[list[int]] = [[] for _ in first]
    for column, group in zip(used.tolist(), label.tolist(), strict=True):
        members[group].append(column)
    names, roles, kinds = ground.names, _roles(ground), _kinds(ground)
    order = {role: place for place, role in enumerate(_FIRST)}
    assets = []
    weight = []
    rules = ground.study.rules
    for alike in members:
        alike.sort(key=lambda c: (order.get(str(roles[c]), len(order)), str(names[c])))
        assets.append(tuple(str(names[c]) for c in alike))
        weight.append(max(weight_of(rules, kinds[c], str(roles[c])) for c in alike))
    blocks = [sp.csc_array(columns[:, first])]
    two: dict[int, tuple[str, str]] = {}
    for one, other in pairs:
        at = ground.network.assets.numbers([one, other])
        hit = np.asarray(columns[:, at].sum(axis=1)).ravel() > 0
        two[len(assets)] = (one, other)
        assets.append((one, other))
        weight.append(weight_of(rules, NEAR, NEAR))
        blocks.append(sp.csc_array(hit.reshape(-1, 1)))
    for member in sorted({*edges.member[edges.kind == MEMBER].tolist()}):
        hit = (edges.kind == MEMBER) & (edges.member == member)
        assets.append((f"{ONLY_ONE} {member}",))
        weight.append(10**9)
        blocks.append(sp.csc_array(hit.reshape(-1, 1)))
    matrix = sp.csr_array(sp.hstack(blocks, format="csr"), dtype=bool)
    exempt = [str(name) for name in names[np.flatnonzero(ends)]]
    leading = np.full(len(assets), -1, dtype=np.int64)
    leading[: len(members)] = [alike[0] for alike in members]
    return Risks(matrix, assets, two, np.array(weight, dtype=np.int64), exempt, leading)


def _alike(columns: sp.csc_array, used: Ints, traits: Ints) -> tuple[Ints, Ints]:
    """First column of every group of equal columns, and the group of each used one.

    `traits`, shape (columns, any), are what equal columns must agree in as well.
    """
    known: dict[bytes, int] = {}
    first: list[int] = []
    label = np.empty(len(used), dtype=np.int64)
    for place, column in enumerate(used.tolist()):
        key = traits[column].tobytes() + csr_row(columns, column).tobytes()
        group = known.setdefault(key, len(first))
        if group == len(first):
            first.append(column)
        label[place] = group
    return np.array(first, dtype=np.int64), label


def _roles(ground: Ground) -> np.ndarray:
    links = np.full(len(ground.study.tables["links"]), "links", dtype=object)
    return np.concatenate([ground.network.assets.frame["role"].to_numpy(dtype=object), links])


def _kinds(ground: Ground) -> np.ndarray:
    media = ground.study.tables["links"]["medium"].to_numpy(dtype=object)
    return np.concatenate([ground.network.assets.frame["kind"].to_numpy(dtype=object), media])


def weight_of(rules: Rules, kind: object, role: str) -> int:
    """Weight of sharing an asset: by its kind, else its role, else `other`."""
    weights = rules.reroute.weights
    found = weights.get(kind) if isinstance(kind, str) else None
    if found is None:
        found = weights.get(role, weights["other"])
    return found

"""Follow links through their cables: which stretch of which cable, in which direction."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from waysapart.arrays import Bools, Floats, Ints
from waysapart.gaps import Gap
from waysapart.network.assets import Assets, Holders, row_gap
from waysapart.network.chains import Chains
from waysapart.network.ends import Passing, Reach, joint_places
from waysapart.study.model import Study

BOTH, GO, RETURN = 0, 1, 2
_WAYS = {"go": GO, "return": RETURN}


@dataclass(frozen=True)
class Parts:
    """Stretches of cable that links use.

    Part `c` is the whole of cable `c`; further parts follow. Rows of part `p` are `first[p]` up to
    `first[p + 1]`.

    Attributes
    ----------
    cable : ndarray of int, shape (parts,)
        Cables counted from 0.
    first : ndarray of int, shape (parts + 1,)
    segment, entry, exit, start, stop : ndarray, shape (rows,)
        As in `Chains`.
    whole : ndarray of bool, shape (parts,)
        Whether the part is the whole cable.
    """

    cable: Ints
    first: Ints
    segment: Ints
    entry: Ints
    exit: Ints
    start: Floats
    stop: Floats
    whole: Bools


@dataclass(frozen=True)
class LinkParts:
    """The parts that links pass through, in order of links, then of directions.

    Attributes
    ----------
    link : ndarray of int, shape (pieces,)
    way : ndarray of int, shape (pieces,)
        BOTH, GO or RETURN.
    part : ndarray of int, shape (pieces,)
    reversed : ndarray of bool, shape (pieces,)
        The link passes the part from its end to its beginning.
    from_b : ndarray of bool, shape (pieces,)
        The order leads from the link's end b to its end a.
    run : ndarray of int, shape (pieces,)
        Row of `link_runs`.
    """

    link: Ints
    way: Ints
    part: Ints
    reversed: Bools
    from_b: Bools
    run: Ints

    def onward(self) -> Ints:
        """Find the pieces that another piece of the same link and direction follows.

        Returns
        -------
        ndarray of int, shape (n,)
            Numbers of the pieces; the next piece is the one that follows.
        """
        follows = (self.link[1:] == self.link[:-1]) & (self.way[1:] == self.way[:-1])
        return np.flatnonzero(follows).astype(np.int64)


@dataclass(frozen=True)
class _Use:
    """A stretch of a cable that a link may use: from position to position along its chain."""

    node_in: int
    node_out: int
    from_: float
    to: float


class CableNodes:
    """Nodes along the chains, and the further parts that links use."""

    def __init__(self, chains: Chains, passed: Passing) -> None:
        self._chains = chains
        self._passed = passed
        self._nodes: dict[int, list[tuple[int, float]]] = {}
        self.parts: dict[tuple[int, float, float], int] = {}

    def length(self, cable: int) -> int:
        """Rows of a cable's chain, which is the position of its end."""
        return int(self._chains.first[cable + 1] - self._chains.first[cable])

    def nodes(self, cable: int) -> list[tuple[int, float]]:
        """Every node of a chain with its position: row number plus how far through the row."""
        if cable in self._nodes:
            return self._nodes[cable]
        chains, passed = self._chains, self._passed
        rows = chains.rows(cable)
        found: list[tuple[int, float]] = []
        for place, row in enumerate(range(rows.start, rows.stop)):
            found.append((int(chains.entry[row]), float(place)))
            low, high = np.searchsorted(
                passed.segment, [chains.segment[row], chains.segment[row] + 1]
            )
            share = (passed.fraction[low:high] - chains.start[row]) / (
                chains.stop[row] - chains.start[row]
            )
            found += sorted(
                (
                    (int(node), place + float(at))
                    for node, at in zip(passed.structure[low:high], share, strict=True)
                    if 0 < at < 1
                ),
                key=lambda item: item[1],
            )
            found.append((int(chains.exit[row]), place + 1.0))
        self._nodes[cable] = found
        return found

    def positions(self, cable: int, node: int) -> list[float]:
        """Where along its chain a cable meets a node."""
        return sorted({at for found, at in self.nodes(cable) if found == node})

    def whole(self, cable: int) -> list[_Use]:
        """The whole cable, in each of the two directions."""
        count = self.length(cable)
        if not count:
            return [_Use(-1, -1, 0.0, 0.0)]
        rows = self._chains.rows(cable)
        begin, end = int(self._chains.entry[rows.start]), int(self._chains.exit[rows.stop - 1])
        return [_Use(begin, end, 0.0, float(count)), _Use(end, begin, float(count), 0.0)]

    def part(self, cable: int, use: _Use) -> int:
        """Number of the part for a use; a whole cable has the number of the cable."""
        low, high = sorted((use.from_, use.to))
        if (low, high) == (0.0, float(self.length(cable))):
            return cable
        key = (cable, low, high)
        return self.parts.setdefault(key, len(self._chains.carrier) + len(self.parts))


def tie_links(
    study: Study,
    assets: Assets,
    chains: Chains,
    passed: Passing,
    holders: Holders,
) -> tuple[Parts, LinkParts, list[Gap]]:
    """Follow every link through its cables, from the site of one end to the site of the other.

    Parameters
    ----------
    study : Study
    assets : Assets
    chains : Chains
        Segments of cables in order.
    passed : Passing
        Structures that segments pass.
    holders : callable
        From an asset number to the numbers of everything that it lies in.

    Returns
    -------
    Parts
    LinkParts
    list of Gap
        Codes `link-broken`, `link-end`, `link-without-runs`.
    """
    links, runs = study.tables["links"], study.tables["link_runs"]
    cables = CableNodes(chains, passed)
    reach = Reach(study, assets, holders)
    joints = joint_places(study, assets)
    equipment = study.tables["equipment"]
    site_of = assets.numbers(equipment["site"])
    offset = assets.start["equipment"]
    end_a, end_b = assets.numbers(links["a"]), assets.numbers(links["b"])
    site_a, site_b = (
        np.where(end >= 0, site_of[np.maximum(end - offset, 0)], -1) if len(equipment) else end
        for end in (end_a, end_b)
    )

    link_ids = {value: number for number, value in enumerate(links["id"].to_numpy())}
    by_link: dict[int, list[int]] = {}
    for row, name in enumerate(runs["link"].to_numpy()):
        if name in link_ids:
            by_link.setdefault(link_ids[name], []).append(row)
    cable = assets.numbers(runs["cable"]) - assets.start["cables"]
    enter, leave = assets.numbers(runs["from"]), assets.numbers(runs["to"])
    way = runs["direction"].map(_WAYS).fillna(BOTH).to_numpy(dtype=np.int64)
    seq = runs["seq"].to_numpy()

    made: list[tuple[int, int, int, bool, bool, int]] = []
    gaps: list[Gap] = []
    media = links["medium"].fillna("fibre").to_numpy()
    for link in range(len(links)):
        mine = sorted(
            (row for row in by_link.get(link, []) if cable[row] >= 0), key=lambda r: seq[r]
        )
        if not mine:
            if media[link] == "fibre":
                gaps.append(row_gap(study, "link-without-runs", "links", link, _NO_RUNS))
            continue
        ways = {int(way[row]) for row in mine}
        for one in (BOTH,) if ways == {BOTH} else (GO, RETURN):
            rows = [row for row in mine if way[row] in (BOTH, one)]
            if not rows:
                text = (
                    "its go and return fibres are recorded apart, but only one of the two is there"
                )
                gaps.append(row_gap(study, "link-without-runs", "links", link, text))
                continue
            given = [(int(cable[r]), int(enter[r]), int(leave[r])) for r in rows]
            uses, faults, turned = _follow(
                given, cables, reach, joints, int(site_a[link]), int(site_b[link])
            )
            gaps += [
                row_gap(study, code, "links", link, text)
                for code, text in _faults(study, assets, link, given, faults)
            ]
            for row, item, use in zip(rows, given, uses, strict=True):
                part = cables.part(item[0], use)
                made.append((link, one, part, use.from_ > use.to, turned, row))
    table = np.array(made, dtype=np.int64).reshape(-1, 6)
    pieces = LinkParts(
        table[:, 0],
        table[:, 1],
        table[:, 2],
        table[:, 3] > 0,
        table[:, 4] > 0,
        table[:, 5],
    )
    return _parts(chains, cables), pieces, gaps


def lay_links(
    chains: Chains, passed: Passing, cable: Ints, begin: Floats, stop: Floats, times: int
) -> tuple[Parts, LinkParts]:
    """Lay one link along each of some stretches of cable, and so many times over.

    Parameters
    ----------
    chains : Chains
    passed : Passing
    cable : ndarray of int, shape (stretches,)
    begin, stop : ndarray of float, shape (stretches,)
        Positions of nodes along the chain of the cable, the lesser first.
    times : int

    Returns
    -------
    Parts
    LinkParts
        Link k follows stretch k modulo their number, and is row k of `link_runs`.
    """
    cables = CableNodes(chains, passed)
    part = [
        cables.part(one, _Use(-1, -1, low, high))
        for one, low, high in zip(cable.tolist(), begin.tolist(), stop.tolist(), strict=True)
    ]
    number = np.arange(len(part) * times, dtype=np.int64)
    forward = np.zeros(len(number), dtype=np.bool_)
    pieces = LinkParts(
        number,
        np.full(len(number), BOTH, dtype=np.int64),
        np.tile(np.array(part, dtype=np.int64), times),
        forward,
        forward,
        number,
    )
    return _parts(chains, cables), pieces


_NO_RUNS = "no cable is on record for it: add its rows to link_runs"


_Given = tuple[int, int, int]
"""Cable, from, to of a link run."""


def _options(given: _Given, cables: CableNodes) -> tuple[list[_Use], bool]:
    """Stretches of one cable that a link may use; True where its chain lacks the stated nodes."""
    cable, enter, leave = given
    whole = cables.whole(cable)
    if not cables.length(cable):
        return whole, False
    if any(node >= 0 and not cables.positions(cable, node) for node in (enter, leave)):
        return whole, True
    ends = [(use.node_in, use.from_) for use in whole]
    first = [(enter, at) for at in cables.positions(cable, enter)] if enter >= 0 else ends
    last = [(leave, at) for at in cables.positions(cable, leave)] if leave >= 0 else ends
    uses = [
        _Use(node_in, node_out, from_, to)
        for node_in, from_ in first
        for node_out, to in last
        if from_ != to
    ]
    uses.sort(key=lambda use: (-abs(use.from_ - use.to), use.from_, use.to))
    return uses or whole, not uses


_ELSEWHERE = 1e-6


@dataclass(frozen=True)
class _Meetings:
    """Whether cables that follow each other in one link meet: at a common node, or at a joint.

    A joint part-way along a cable counts too; the link still uses the
    whole cable unless its record says from where to where.
    """

    reach: Reach
    jointed: list[bool]

    def hold(self, place: int, before: _Use, after: _Use) -> bool:
        return self.jointed[place] or self.reach.meet(before.node_out, after.node_in)

    def cost(self, place: int, before: _Use, after: _Use) -> float:
        """Return 0 at a common node, 1 where the two do not meet, else a very small cost.

        A joint that names both cables, or a site that both reach, allows both directions of a
        cable; the small cost prefers the direction in which the ends have a common node.
        """
        if before.node_out == after.node_in:
            return 0.0
        return _ELSEWHERE if self.hold(place, before, after) else 1.0


def _follow(
    given: list[_Given],
    cables: CableNodes,
    reach: Reach,
    joints: dict[frozenset[int], set[int]],
    site_a: int,
    site_b: int,
) -> tuple[list[_Use], list[tuple[str, int]], bool]:
    """Choose the stretch of each cable so that the fewest meetings fail; return failures too."""
    choices = [_options(item, cables) for item in given]
    lost = [("from-to", place) for place, (_, bad) in enumerate(choices) if bad]
    meetings = _Meetings(
        reach, [_jointed(before[0], after[0], cables, joints) for before, after in pairwise(given)]
    )
    best: tuple[list[_Use], list[tuple[str, int]], bool] | None = None
    for begin, finish, turned in ((site_a, site_b, False), (site_b, site_a, True)):
        uses = _cheapest([uses for uses, _ in choices], meetings, begin, finish)
        faults = lost + _failures(uses, meetings, begin, finish)
        if best is None or len(faults) < len(best[1]):
            best = uses, faults, turned
        if not faults:
            break
    assert best is not None
    return best


def _jointed(
    before: int, after: int, cables: CableNodes, joints: dict[frozenset[int], set[int]]
) -> bool:
    """Whether a joint that names both cables lies on both."""
    return any(
        cables.positions(before, place) and cables.positions(after, place)
        for place in joints.get(frozenset((before, after)), ())
    )


def _cheapest(
    choices: list[list[_Use]], meetings: _Meetings, begin: int, finish: int
) -> list[_Use]:
    reach = meetings.reach
    costs = [float(not reach.reaches(use.node_in, begin)) for use in choices[0]]
    origins: list[list[int]] = []
    for place, (before, here) in enumerate(pairwise(choices)):
        came, total = [], []
        for use in here:
            options = [
                cost + meetings.cost(place, prior, use)
                for prior, cost in zip(before, costs, strict=True)
            ]
            least = min(range(len(options)), key=options.__getitem__)
            came.append(least)
            total.append(options[least])
        origins.append(came)
        costs = total
    final = [
        cost + (not reach.reaches(use.node_out, finish))
        for use, cost in zip(choices[-1], costs, strict=True)
    ]
    at = min(range(len(final)), key=final.__getitem__)
    picked = [choices[-1][at]]
    for before, came in zip(reversed(choices[:-1]), reversed(origins), strict=True):
        at = came[at]
        picked.append(before[at])
    return picked[::-1]


def _failures(
    uses: list[_Use], meetings: _Meetings, begin: int, finish: int
) -> list[tuple[str, int]]:
    reach = meetings.reach
    faults = []
    if not reach.reaches(uses[0].node_in, begin):
        faults.append(("first", 0))
    faults += [
        ("between", place)
        for place, (before, after) in enumerate(pairwise(uses))
        if not meetings.hold(place, before, after)
    ]
    if not reach.reaches(uses[-1].node_out, finish):
        faults.append(("last", len(uses) - 1))
    return faults


def _faults(
    study: Study, assets: Assets, link: int, given: list[_Given], faults: list[tuple[str, int]]
) -> list[tuple[str, str]]:
    if not faults:
        return []
    names = study.tables["cables"]["id"].to_numpy()
    links = study.tables["links"]
    told = []
    for what, place in faults:
        cable = names[given[place][0]]
        if what == "between":
            after = names[given[place + 1][0]]
            told.append(
                (
                    "link-broken",
                    f"{cable} and {after} follow each other but meet at no structure, site or "
                    "joint: a cable is missing, or the order, from or to is wrong",
                )
            )
        elif what == "from-to":
            nodes = ", ".join(assets.ids([n for n in given[place][1:] if n >= 0]))
            told.append(
                (
                    "link-broken",
                    f"from or to ({nodes}) is not on {cable}: correct it, or the cable's runs",
                )
            )
        else:
            told.append(
                (
                    "link-end",
                    f"{cable}, its {what} cable, does not reach the site of equipment "
                    f"{links['a'].iloc[link]} or {links['b'].iloc[link]}: add the cable that does, "
                    "or record what site its last structure lies within",
                )
            )
    return told


def _parts(chains: Chains, cables: CableNodes) -> Parts:
    """Flat arrays of the whole cables and, after them, of the further stretches that links use."""
    first = [*chains.first.tolist()]
    rows: list[tuple[int, int, int, float, float]] = []
    for cable, low, high in cables.parts:
        base = int(chains.first[cable])
        at = {position: node for node, position in cables.nodes(cable)}
        for place in range(int(np.floor(low)), int(np.ceil(high))):
            row = base + place
            begin, end = max(low, float(place)), min(high, place + 1.0)
            span = chains.stop[row] - chains.start[row]
            rows.append(
                (
                    int(chains.segment[row]),
                    int(chains.entry[row]) if begin == place else at[begin],
                    int(chains.exit[row]) if end == place + 1 else at[end],
                    float(chains.start[row] + span * (begin - place)),
                    float(chains.start[row] + span * (end - place)),
                )
            )
        first.append(int(chains.first[-1]) + len(rows))
    count = len(chains.carrier)
    segment, entry, exit_, start, stop = zip(*rows, strict=True) if rows else ((),) * 5
    return Parts(
        np.r_[np.arange(count), [key[0] for key in cables.parts]].astype(np.int64),
        np.array(first, dtype=np.int64),
        np.r_[chains.segment, np.array(segment, dtype=np.int64)],
        np.r_[chains.entry, np.array(entry, dtype=np.int64)],
        np.r_[chains.exit, np.array(exit_, dtype=np.int64)],
        np.r_[chains.start, np.array(start, dtype=np.float64)],
        np.r_[chains.stop, np.array(stop, dtype=np.float64)],
        np.arange(count + len(cables.parts)) < count,
    )

"""Pieces of segments as a graph along a drawn course, and the chain that covers the course.

Segments are cut into pieces at the nodes where a cable may change segment or end. A strand is a
piece that lies along a stretch of the course. Strands that leave the node at which others arrive
form chains. They always go forward along the course, so the graph has no cycle and chains can be
counted.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Callable, Collection, Iterable
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import shapely

from waysapart.arrays import Floats, Ints, expand
from waysapart.network.assets import Assets
from waysapart.network.ends import Ends, Passing
from waysapart.study.model import Study


@dataclass(frozen=True)
class SegmentPieces:
    """Pieces of segments, in the order of segments and along each of them.

    Attributes
    ----------
    segment : ndarray of int, shape (pieces,)
        Segments counted from 0.
    start, stop : ndarray of float, shape (pieces,)
        Fractions of the segment's line.
    begin, end : ndarray of int, shape (pieces,)
        Nodes: asset numbers, or below -1 one number for each place where ends that meet nothing lie
        together.
    lines : list of ndarray of float, shape (n, 2)
        Vertices of every piece, in the study's plane.
    scale : ndarray of float, shape (pieces,)
        Scale of the plane there.
    """

    segment: Ints
    start: Floats
    stop: Floats
    begin: Ints
    end: Ints
    lines: list[np.ndarray]
    scale: Floats

    def of_segments(self, segments: Ints) -> Ints:
        """Return the numbers of the pieces of some segments.

        Parameters
        ----------
        segments : ndarray of int

        Returns
        -------
        ndarray of int
        """
        first = np.searchsorted(self.segment, segments)
        count = np.searchsorted(self.segment, segments, side="right") - first
        return expand(first, count)[1]

    @cached_property
    def begin_at(self) -> np.ndarray:
        """First vertices, shape (pieces, 2)."""
        return np.array([line[0] for line in self.lines]).reshape(-1, 2)

    @cached_property
    def end_at(self) -> np.ndarray:
        """Last vertices, shape (pieces, 2)."""
        return np.array([line[-1] for line in self.lines]).reshape(-1, 2)


def cut_pieces(
    study: Study,
    assets: Assets,
    ends: Ends,
    passed: Passing,
    segments: Ints,
    tips: np.ndarray,
    reach_m: float,
) -> SegmentPieces:
    """Cut segments where they pass a structure at which a cable may change segment, or end.

    Parameters
    ----------
    study : Study
    assets : Assets
    ends, passed : Ends, Passing
    segments : ndarray of int
        The segments to cut, ascending; a cable may change only between these.
    tips : ndarray of Point
        Where cables end.
    reach_m : float
        How far a structure may lie from a tip, in metres.

    Returns
    -------
    SegmentPieces
    """
    lines = study.geometries("segments")
    nodes_a, nodes_b = _open_ends_together(study, ends, lines, segments)
    mine = np.isin(passed.segment, segments)
    segment, structure, fraction = (
        passed.segment[mine],
        passed.structure[mine],
        passed.fraction[mine],
    )
    used, count = np.unique(
        np.r_[structure, nodes_a, nodes_b[nodes_b != nodes_a]], return_counts=True
    )
    wanted = np.isin(structure, used[count > 1]) | np.isin(
        structure, _structures_at(study, assets, structure, tips, reach_m)
    )
    segment, structure, fraction = segment[wanted], structure[wanted], fraction[wanted]
    apart = np.r_[True, (np.diff(segment) != 0) | (np.diff(fraction) > 0)][: len(segment)]
    segment, structure, fraction = segment[apart], structure[apart], fraction[apart]

    cuts = np.bincount(np.searchsorted(segments, segment), minlength=len(segments))
    order = np.argsort(np.r_[segments, segment], kind="stable")
    start = np.r_[np.zeros(len(segments)), fraction][order]
    begin = np.r_[nodes_a, structure][order]
    of = np.r_[segments, segment][order]
    last = np.cumsum(cuts + 1) - 1
    stop, end = np.ones(len(of)), np.empty(len(of), dtype=np.int64)
    inner = np.ones(len(of), dtype=bool)
    inner[last] = False
    stop[inner], end[inner] = start[1:][inner[:-1]], begin[1:][inner[:-1]]
    end[last] = nodes_b
    points, owner = shapely.get_coordinates(lines[segments], return_index=True)
    parts = np.flatnonzero(np.diff(owner)) + 1
    whole = np.split(points, parts) if len(segments) else []
    along = np.split(study.plane.chainage(points, owner), parts) if len(segments) else []
    made = [
        line if begin_ == 0.0 and end_ == 1.0 else stretch(line, at, begin_, end_)
        for (line, at), begin_, end_ in zip(
            ((whole[place], along[place]) for place in np.searchsorted(segments, of)),
            start.tolist(),
            stop.tolist(),
            strict=True,
        )
    ]
    middles = np.array([(line[0] + line[-1]) / 2 for line in made]).reshape(-1, 2)
    return SegmentPieces(of, start, stop, begin, end, made, study.plane.scale(middles))


def stretch(line: np.ndarray, at_m: Floats, begin: float, end: float) -> np.ndarray:
    """Return the stretch of a line between two fractions of its length.

    Parameters
    ----------
    line : ndarray of float, shape (n, 2)
    at_m : ndarray of float, shape (n,)
        How far along the line, on Earth, each of its vertices lies.
    begin, end : float
        0 to 1.

    Returns
    -------
    ndarray of float, shape (m, 2)

    Examples
    --------
    >>> line = np.array([[0.0, 0.0], [10.0, 0.0], [10.0, 10.0]])
    >>> stretch(line, np.array([0.0, 10.0, 20.0]), 0.25, 0.75).tolist()
    [[5.0, 0.0], [10.0, 0.0], [10.0, 5.0]]
    """
    along = at_m / at_m[-1]
    x, y = (np.interp([begin, end], along, line[:, axis]) for axis in (0, 1))
    inner = line[(along > begin) & (along < end)]
    return np.vstack([[x[0], y[0]], inner, [x[1], y[1]]])


def _open_ends_together(
    study: Study, ends: Ends, lines: np.ndarray, segments: Ints
) -> tuple[Ints, Ints]:
    """Nodes of segments; ends that meet nothing get a common number where they lie together."""
    a, b = ends.a[segments].copy(), ends.b[segments].copy()
    open_a, open_b = np.flatnonzero(a < 0), np.flatnonzero(b < 0)
    points = np.r_[
        shapely.get_point(lines[segments[open_a]], 0),
        shapely.get_point(lines[segments[open_b]], -1),
    ]
    if not len(points):
        return a, b
    reach = study.plane.reach(points, study.snap_m)
    one, other = shapely.STRtree(points).query(points, predicate="dwithin", distance=reach)
    near = study.plane.metres(points[one], points[other]) <= study.snap_m
    one, other = one[near], other[near]
    # The lowest neighbour's lowest neighbour and so on, until nothing changes.
    group = np.arange(len(points))
    while True:
        lower = group.copy()
        np.minimum.at(lower, one, group[other])
        if (lower == group).all():
            break
        group = lower
    a[open_a] = -2 - group[: len(open_a)]
    b[open_b] = -2 - group[len(open_a) :]
    return a, b


def _structures_at(
    study: Study, assets: Assets, structure: Ints, tips: np.ndarray, reach_m: float
) -> Ints:
    """Which structures (asset numbers) lie within reach of where a cable ends."""
    known = np.unique(structure)
    shapes = study.geometries("structures")[known - assets.start["structures"]]
    reach = study.plane.reach(shapes, reach_m)
    near, tip = shapely.STRtree(tips).query(shapes, predicate="dwithin", distance=reach)
    near = near[study.plane.metres(shapes[near], tips[tip]) <= reach_m]
    return np.asarray(known[np.unique(near)], dtype=np.int64)


@dataclass(frozen=True, slots=True)
class Strand:
    """A piece of plant along a stretch of a course.

    Attributes
    ----------
    piece : int
    backward : bool
        The course runs against the piece's line.
    begin, end : int
        Visits of the course to nodes; it may visit one node more than once.
    low, high : float
        Chainages, in metres.
    starts, stops : bool
        Whether the visit holds the course's first or last point.
    """

    piece: int
    backward: bool
    begin: int
    end: int
    low: float
    high: float
    starts: bool
    stops: bool


@dataclass(frozen=True)
class ChainStep:
    """One step of a chain.

    Attributes
    ----------
    strand : int
        On the best chain.
    others : tuple of int
        Strands that may be followed instead; the step is certain where there are none.
    """

    strand: int
    others: tuple[int, ...]


@dataclass(frozen=True)
class Chain:
    """What a course follows.

    Attributes
    ----------
    steps : list of ChainStep
        In order.
    breaks : list of (float, float, int, int)
        Stretches that no chain covers: chainages from and to, and the steps before and after (-1:
        none).
    visits : list of int
        Visits to nodes that are on every chain.
    """

    steps: list[ChainStep]
    breaks: list[tuple[float, float, int, int]]
    visits: list[int]


class Web:
    """The strands along one course and how they connect.

    Parameters
    ----------
    strands : list of Strand
    length_m : float
        Length of the course.
    slack_m : float
        By how much two strands that meet at a node may overlap along the course.
    """

    def __init__(self, strands: list[Strand], length_m: float, slack_m: float) -> None:
        self.strands = strands
        self.length_m = length_m
        self.slack_m = slack_m
        self.order = sorted(
            range(len(strands)), key=lambda s: (strands[s].high, strands[s].low, strands[s].piece)
        )
        arriving: dict[int, list[int]] = {}
        for strand in self.order:
            arriving.setdefault(strands[strand].end, []).append(strand)
        self.before: list[list[int]] = [
            [
                prior
                for prior in arriving.get(strand.begin, ())
                if strands[prior].low < strand.low
                and strands[prior].high < strand.high
                and strands[prior].high <= strand.low + slack_m
            ]
            for strand in strands
        ]

    def between(self, strand: int, allowed: Callable[[int], bool]) -> bool:
        """Whether allowed strands lead from where a strand begins to where it ends.

        Parameters
        ----------
        strand : int
        allowed : callable
            Whether a strand, by number, may be used.

        Returns
        -------
        bool
        """
        whole = self.strands[strand]
        waiting = [
            other
            for other in self.order
            if self.strands[other].end == whole.end and other != strand and allowed(other)
        ]
        seen = set(waiting)
        while waiting:
            at = waiting.pop()
            if self.strands[at].begin == whole.begin:
                return True
            fresh = [
                prior
                for prior in self.before[at]
                if prior not in seen and prior != strand and allowed(prior)
            ]
            seen.update(fresh)
            waiting += fresh
        return False

    def without(self, dropped: Collection[int]) -> Web:
        """Make the web without some strands.

        Parameters
        ----------
        dropped : collection of int

        Returns
        -------
        Web
        """
        kept = [strand for number, strand in enumerate(self.strands) if number not in dropped]
        return Web(kept, self.length_m, self.slack_m)

    def chain(self, related: Callable[[int, int], bool]) -> Chain:
        """Find the chain that leaves least of the course uncovered, and alternatives to it.

        Parameters
        ----------
        related : callable
            True of two pieces of which one lies in the other, so that both may be followed at once.

        Returns
        -------
        Chain

        Notes
        -----
        Where a chain covers the whole course, only strands on such chains count, and a
        strand is certain when it is on every such chain: chains are counted forward and
        backward, in time linear in the connections of strands. Where no chain does, every
        strand beside the chain's own is an alternative.
        """
        best, breaks = self._best()
        if breaks:
            return Chain([self._rivals(strand, related) for strand in best], breaks, [])
        return self._counted(best)

    def _best(self) -> tuple[list[int], list[tuple[float, float, int, int]]]:
        """Find the chain of least uncovered length; each break adds twice the slack to its cost."""
        strands, penalty = self.strands, 2 * self.slack_m
        cost: dict[int, float] = {}
        came: dict[int, tuple[int, bool]] = {}
        highs: list[float] = []
        cheapest: list[tuple[float, int]] = []
        for number in self.order:
            strand = strands[number]
            options = [(strand.low + (0.0 if strand.starts else penalty), -1, not strand.starts)]
            options += [(cost[prior], prior, False) for prior in self.before[number]]
            reached = bisect_right(highs, strand.low + self.slack_m)
            if reached:
                least, prior = cheapest[reached - 1]
                options.append((least + strand.low + penalty, prior, True))
            cost[number], *origin = min(options)
            came[number] = (int(origin[0]), bool(origin[1]))
            highs.append(strand.high)
            here = (cost[number] - strand.high, number)
            cheapest.append(min(cheapest[-1], here) if cheapest else here)
        if not strands:
            return [], [(0.0, self.length_m, -1, -1)]

        def left(number: int) -> float:
            rest = self.length_m - strands[number].high
            return cost[number] + rest + (0.0 if strands[number].stops else penalty)

        number = min(self.order, key=left)
        last = number
        path, broken = [], []
        while number >= 0:
            path.append(number)
            prior, jumped = came[number]
            if jumped:
                broken.append((prior, number))
            number = prior
        path.reverse()
        place = {strand: step for step, strand in enumerate(path)}
        breaks = [
            (
                strands[prior].high if prior >= 0 else 0.0,
                strands[after].low,
                place[prior] if prior >= 0 else -1,
                place[after],
            )
            for prior, after in reversed(broken)
        ]
        if not strands[last].stops:
            breaks.append((strands[last].high, self.length_m, len(path) - 1, -1))
        return path, breaks

    def _rivals(self, number: int, related: Callable[[int, int], bool]) -> ChainStep:
        """A strand and its rivals: those that overlap it by more than strands that meet may."""
        mine = self.strands[number]
        return ChainStep(
            number,
            tuple(
                other
                for other, strand in enumerate(self.strands)
                if strand.piece != mine.piece
                and min(strand.high, mine.high) - max(strand.low, mine.low) > self.slack_m
                and not related(strand.piece, mine.piece)
            ),
        )

    def _counted(self, best: list[int]) -> Chain:
        live = self._live()
        if len(live) == len(best):
            return Chain([ChainStep(strand, ()) for strand in best], [], [])
        before = {s: [p for p in self.before[s] if p in live] for s in self.order if s in live}
        after: dict[int, list[int]] = {s: [] for s in before}
        for strand, priors in before.items():
            for prior in priors:
                after[prior].append(strand)
        chains_to: dict[int, int] = {}
        for strand, priors in before.items():
            chains_to[strand] = sum(chains_to[prior] for prior in priors) or 1
        chains_from: dict[int, int] = {}
        for strand in reversed(list(before)):
            chains_from[strand] = sum(chains_from[later] for later in after[strand]) or 1
        total = sum(chains_to[strand] for strand in before if not after[strand])

        through: dict[tuple[int, bool], list[int]] = {}
        for strand in before:
            through.setdefault(self._key(strand), []).append(strand)
        certain: set[int] = set()
        for alike in through.values():
            count = sum(chains_to[strand] * chains_from[strand] for strand in alike)
            alone = any(chains_to[strand] * chains_from[strand] == total for strand in alike)
            if alone or (count >= total and not self._complete(before, after, set(alike))):
                certain.update(alike)
        if all(strand in certain for strand in before):
            return Chain([ChainStep(strand, ()) for strand in best], [], [])
        visits = self._cut_visits(before, after, chains_to, chains_from, total)
        return Chain(self._sections(best, before, certain, visits), [], sorted(visits))

    def _key(self, strand: int) -> tuple[int, bool]:
        return self.strands[strand].piece, self.strands[strand].backward

    def _live(self) -> set[int]:
        """Strands on a chain that covers the course from its first point to its last."""
        ahead: set[int] = set()
        for strand in self.order:
            if self.strands[strand].starts or any(p in ahead for p in self.before[strand]):
                ahead.add(strand)
        live: set[int] = set()
        for strand in reversed(self.order):
            if strand in ahead and (self.strands[strand].stops or strand in live):
                live.add(strand)
                live.update(p for p in self.before[strand] if p in ahead)
        return live

    def _complete(
        self, before: dict[int, list[int]], after: dict[int, list[int]], lacking: set[int]
    ) -> bool:
        """Whether a chain from a first strand to a last one exists without some strands."""
        reached: set[int] = set()
        for strand, priors in before.items():
            if strand in lacking:
                continue
            if not priors or any(prior in reached for prior in priors):
                reached.add(strand)
                if not after[strand]:
                    return True
        return False

    def _cut_visits(
        self,
        before: dict[int, list[int]],
        after: dict[int, list[int]],
        chains_to: dict[int, int],
        chains_from: dict[int, int],
        total: int,
    ) -> set[int]:
        """Visits to nodes that are on every chain."""
        chains: dict[int, int] = {}
        for strand, priors in before.items():
            begin, end = self.strands[strand].begin, self.strands[strand].end
            count = sum(chains_to[prior] for prior in priors) if priors else 1
            chains[begin] = chains.get(begin, 0) + count * chains_from[strand]
            if not after[strand]:
                chains[end] = chains.get(end, 0) + chains_to[strand]
        return {visit for visit, count in chains.items() if count == total}

    def _sections(
        self,
        best: list[int],
        before: dict[int, list[int]],
        certain: set[int],
        visits: set[int],
    ) -> list[ChainStep]:
        """Certain strands one by one, and alternatives together between visits of every chain."""
        section: dict[int, int] = {}
        for strand, priors in before.items():
            cut = self.strands[strand].begin in visits
            section[strand] = max((section[prior] for prior in priors), default=0) + cut
        open_: dict[int, list[int]] = {}
        for strand in before:
            if strand not in certain:
                open_.setdefault(section[strand], []).append(strand)
        steps, told = [], set()
        for strand in best:
            if strand in certain:
                steps.append(ChainStep(strand, ()))
            elif section[strand] not in told:
                told.add(section[strand])
                others = tuple(s for s in open_[section[strand]] if s != strand)
                steps.append(ChainStep(strand, others))
        return steps

    def unavoidable(self, among: Iterable[int], items: Callable[[int], frozenset[int]]) -> set[int]:
        """Find the items of strands that every chain through some strands has.

        Parameters
        ----------
        among : iterable of int
            Strands.
        items : callable
            From a strand to its items.

        Returns
        -------
        set of int
        """
        chosen = set(among)
        mine = [strand for strand in self.order if strand in chosen]
        before = {s: [p for p in self.before[s] if p in chosen] for s in mine}
        after: dict[int, list[int]] = {s: [] for s in mine}
        for strand, priors in before.items():
            for prior in priors:
                after[prior].append(strand)
        brought = {strand: items(strand) for strand in mine}
        things: frozenset[int] = frozenset().union(*brought.values())
        return {
            thing
            for thing in things
            if not self._complete(before, after, {s for s in mine if thing in brought[s]})
        }

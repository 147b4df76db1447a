"""Cables as chains of segments: from which structure to which, in which direction."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import shapely

from waysapart.arrays import Bools, Floats, Ints, expand
from waysapart.gaps import Gap
from waysapart.network.assets import Assets, row_gap
from waysapart.network.ends import Ends, Passing
from waysapart.network.matching.match_cables import Matches
from waysapart.study.model import Study


@dataclass(frozen=True)
class Chains:
    """The segments of every cable, in order, as flat arrays.

    Rows of cable `c` are `first[c]` up to `first[c + 1]`.

    Attributes
    ----------
    first : ndarray of int, shape (cables + 1,)
    segment : ndarray of int, shape (rows,)
        Segments counted from 0.
    entry, exit : ndarray of int, shape (rows,)
        Asset numbers of what the cable enters and leaves the segment at; -1 where not known.
    start, stop : ndarray of float, shape (rows,)
        Fractions of the segment's line (0 to 1); `start` is greater where the cable runs against
        the line.
    carrier : ndarray of int, shape (cables,)
        The cable that carries the cable; -1 for none.
    follows : ndarray of bool, shape (cables,)
        Cables without runs of their own, which take those of their carrier.
    unclear : ndarray of bool, shape (cables,)
        Cables of which some rows are missing, so that their length is not known.
    gaps : list of Gap
    """

    first: Ints
    segment: Ints
    entry: Ints
    exit: Ints
    start: Floats
    stop: Floats
    carrier: Ints
    follows: Bools
    unclear: Bools
    gaps: list[Gap]

    def rows(self, cable: int) -> slice:
        """Return the rows of one cable.

        Parameters
        ----------
        cable : int

        Returns
        -------
        slice
        """
        return slice(int(self.first[cable]), int(self.first[cable + 1]))


@dataclass(frozen=True)
class _Run:
    """One segment of one cable while its direction is being decided."""

    segment: int
    a: int
    b: int
    at_a: tuple[float, float]
    at_b: tuple[float, float]
    snap: float
    """`snap_m` in the study's plane, at its first vertex."""


_Step = tuple[int, float, int, float]
"""Entry node, fraction there, exit node, fraction there."""


def chain_cables(
    study: Study, assets: Assets, ends: Ends, passed: Passing, matches: Matches
) -> Chains:
    """Put each cable's segments into one connected chain.

    Consecutive segments must meet: at a common end, or where one ends at a structure that the
    other passes. Where they do not, the cable is broken, which is a gap. A cable that is drawn but
    not listed takes the chain to which it was matched; one that follows its carrier takes the
    chain of the carrier.

    Parameters
    ----------
    study : Study
    assets : Assets
    ends, passed : Ends, Passing
        What segments end at and pass.
    matches : Matches
        Chains of the cables that are drawn but not listed.

    Returns
    -------
    Chains
        With gaps of the codes `cable-broken` and `cable-without-runs`, and those of `matches`.
    """
    cables, runs = study.tables["cables"], study.tables["cable_runs"]
    count = len(cables)
    offset = assets.start["cables"]
    cable = assets.numbers(runs["cable"]) - offset
    segment = assets.numbers(runs["segment"]) - assets.start["segments"]
    known = (cable >= 0) & (segment >= 0)
    cable, segment = cable[known], segment[known]
    order = np.argsort(cable, kind="stable")
    cable, segment = cable[order], segment[order]
    first = np.searchsorted(cable, np.arange(count + 1))

    a, b = ends.a[segment], ends.b[segment]
    entry, exit_ = a.copy(), b.copy()
    start, stop = np.zeros(len(segment)), np.ones(len(segment))
    awkward = _orient_plain(cable, a, b, entry, exit_, start, stop, count)
    gaps: list[Gap] = []
    for number in np.flatnonzero(awkward):
        rows = slice(int(first[number]), int(first[number + 1]))
        steps, breaks = _orient_awkward(study, ends, passed, segment[rows])
        for place, (node_in, frac_in, node_out, frac_out) in enumerate(steps):
            row = rows.start + place
            entry[row], exit_[row] = node_in, node_out
            start[row], stop[row] = frac_in, frac_out
        gaps += _broken(study, int(number), segment[rows], breaks)
    order = np.argsort(np.r_[cable, matches.cable], kind="stable")
    cable = np.r_[cable, matches.cable][order]
    first = np.searchsorted(cable, np.arange(count + 1))
    unclear = np.zeros(count, dtype=bool)
    unclear[matches.unclear] = True

    carrier = assets.numbers(cables["carried_by"]) - offset
    carrier[carrier < 0] = -1
    alone = first[1:] == first[:-1]
    chains = Chains(
        first,
        np.r_[segment, matches.segment][order],
        np.r_[entry, matches.entry][order],
        np.r_[exit_, matches.exit][order],
        np.r_[start, matches.start][order],
        np.r_[stop, matches.stop][order],
        carrier,
        alone & (carrier >= 0),
        unclear,
        [*matches.gaps, *gaps],
    )
    return _follow(study, chains)


def _orient_plain(
    cable: Ints,
    a: Ints,
    b: Ints,
    entry: Ints,
    exit_: Ints,
    start: Floats,
    stop: Floats,
    count: int,
) -> Bools:
    """Set the directions of cables whose segments meet end to end in one way; return the others."""
    awkward = np.zeros(count, dtype=bool)
    if not len(cable):
        return awkward
    next_too = cable[:-1] == cable[1:]
    a0, b0, a1, b1 = a[:-1], b[:-1], a[1:], b[1:]
    by_a = (a0 >= 0) & ((a0 == a1) | (a0 == b1))
    by_b = (b0 >= 0) & ((b0 == a1) | (b0 == b1))
    odd = next_too & (by_a == by_b)
    awkward[cable[:-1][odd]] = True
    awkward[cable[(a == b) & (a >= 0)]] = True
    meet = np.where(by_a, a0, b0)
    leave = np.full(len(cable), -2, dtype=np.int64)
    come = np.full(len(cable), -2, dtype=np.int64)
    leave[:-1][next_too] = meet[next_too]
    come[1:][next_too] = meet[next_too]
    awkward[cable[(leave == come) & (leave >= 0)]] = True
    backward = (leave == a) | (come == b)
    entry[backward], exit_[backward] = b[backward], a[backward]
    start[backward], stop[backward] = 1.0, 0.0
    return awkward


def _orient_awkward(
    study: Study, ends: Ends, passed: Passing, segments: Ints
) -> tuple[list[_Step], list[int]]:
    """Choose directions of one cable's segments with the fewest breaks; return the breaks too."""
    lines = study.geometries("segments")[segments]
    begins, finishes = (
        np.column_stack([shapely.get_x(points), shapely.get_y(points)]).tolist()
        for points in (shapely.get_point(lines, 0), shapely.get_point(lines, -1))
    )  # NaN where a segment has no geometry: then it meets nothing by its place
    snaps = study.snap_m * study.plane.scale(np.array(begins).reshape(-1, 2))
    runs = [
        _Run(int(s), int(ends.a[s]), int(ends.b[s]), begin, finish, snap)
        for s, begin, finish, snap in zip(segments, begins, finishes, snaps.tolist(), strict=True)
    ]
    # Two states per row, along the line (0) and against it (1); the fewest breaks win.
    cost = [[0.0, 0.0]]
    came: list[list[int]] = []
    for before, here in pairwise(runs):
        costs, origins = [], []
        for turn in (0, 1):
            options = [cost[-1][prior] + _apart(before, prior, here, turn) for prior in (0, 1)]
            origins.append(int(options[1] < options[0]))
            costs.append(min(options))
        cost.append(costs)
        came.append(origins)
    turn = int(cost[-1][1] < cost[-1][0])
    turns = [turn]
    for origins in reversed(came):
        turn = origins[turn]
        turns.append(turn)
    turns.reverse()
    steps: list[_Step] = [
        (run.b, 1.0, run.a, 0.0) if turn else (run.a, 0.0, run.b, 1.0)
        for run, turn in zip(runs, turns, strict=True)
    ]
    breaks = [
        place
        for place in range(len(runs) - 1)
        if _apart(runs[place], turns[place], runs[place + 1], turns[place + 1])
    ]
    return _meet_between_ends(runs, steps, breaks, passed)


def _apart(before: _Run, prior: int, here: _Run, turn: int) -> float:
    """Return 1 where the exit of `before` is not the entry of `here`, else 0."""
    left, left_at = (before.a, before.at_a) if prior else (before.b, before.at_b)
    entered, entered_at = (here.b, here.at_b) if turn else (here.a, here.at_a)
    if left >= 0 and entered >= 0:
        return float(left != entered)
    away = float(np.hypot(left_at[0] - entered_at[0], left_at[1] - entered_at[1]))
    return float(not away <= here.snap)


def _meet_between_ends(
    runs: list[_Run], steps: list[_Step], breaks: list[int], passed: Passing
) -> tuple[list[_Step], list[int]]:
    """Remove breaks where one segment ends at, or passes, a structure that the other passes.

    This needs the neighbours of both segments to be certain, so that the stretch of each
    that the cable uses is certain too.
    """
    left = []
    for place in breaks:
        here, after = _nodes(runs[place], passed), _nodes(runs[place + 1], passed)
        common = set(here) & set(after)
        node = common.pop() if len(common) == 1 else -1
        before_settled = place > 0 and place - 1 not in breaks
        after_settled = place + 2 < len(runs) and place + 1 not in breaks
        ends_here = node in {runs[place].a, runs[place].b}
        ends_after = node in {runs[place + 1].a, runs[place + 1].b}
        node_in, frac_in, _, _ = steps[place]
        _, _, node_out, frac_out = steps[place + 1]
        if ends_here and not before_settled:
            node_in, frac_in = _other_end(runs[place], node)
        if ends_after and not after_settled:
            node_out, frac_out = _other_end(runs[place + 1], node)
        meets = (
            node >= 0
            and (before_settled or ends_here)
            and (after_settled or ends_after)
            and frac_in != here[node]
            and frac_out != after[node]
        )
        if not meets:
            left.append(place)
            continue
        steps[place] = (node_in, frac_in, node, here[node])
        steps[place + 1] = (node, after[node], node_out, frac_out)
    return steps, left


def _other_end(run: _Run, node: int) -> tuple[int, float]:
    return (run.b, 1.0) if node == run.a else (run.a, 0.0)


def _nodes(run: _Run, passed: Passing) -> dict[int, float]:
    """Every structure on a segment with its fraction of the line."""
    low, high = np.searchsorted(passed.segment, [run.segment, run.segment + 1])
    on_it = {
        int(node): float(fraction)
        for node, fraction in zip(
            passed.structure[low:high], passed.fraction[low:high], strict=True
        )
    }
    on_it |= {node: fraction for node, fraction in ((run.a, 0.0), (run.b, 1.0)) if node >= 0}
    return on_it


def _broken(study: Study, cable: int, segments: Ints, breaks: list[int]) -> list[Gap]:
    names = study.tables["segments"]["id"].to_numpy()
    return [
        row_gap(
            study,
            "cable-broken",
            "cables",
            cable,
            f"{names[segments[place]]} and {names[segments[place + 1]]} follow each other in its "
            "runs but do not meet: a run is missing, or the order is wrong",
        )
        for place in breaks
    ]


def _follow(study: Study, own: Chains) -> Chains:
    """Give each cable without runs the chain of its carrier; report cables without any chain."""
    count = len(own.carrier)
    source = np.arange(count)
    for cable in np.flatnonzero(own.follows):
        at = int(cable)
        while own.follows[at]:  # carriers never form a cycle: reading refuses one
            at = int(own.carrier[at])
        source[cable] = at
    length = np.diff(own.first)[source]
    first = np.r_[0, np.cumsum(length)].astype(np.int64)
    _, take = expand(own.first[source], length)
    gaps = list(own.gaps)
    unclear = own.unclear[source]
    for cable in np.flatnonzero((length == 0) & ~unclear):
        text = (
            "no segment is on record for it, nor for a cable that carries it: add its rows to "
            "cable_runs"
        )
        gaps.append(row_gap(study, "cable-without-runs", "cables", int(cable), text))
    return Chains(
        first,
        own.segment[take],
        own.entry[take],
        own.exit[take],
        own.start[take],
        own.stop[take],
        own.carrier,
        own.follows,
        unclear,
        gaps,
    )

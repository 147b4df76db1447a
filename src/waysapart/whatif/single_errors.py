"""Which single wrong cell of the records would undo a verdict of `apart`.

A *single error* is one cell of one row that says another value than is true. The values tried are
those that the plant makes plausible: what lies near, or stands in the same site, and is of the same
kind. `single_errors` changes the reliance of the paths accordingly, and keeps what makes them share
something avoidable or come too near.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Literal

import numpy as np
import scipy.sparse as sp
import shapely

from waysapart.arrays import Bools, Floats, Ints, csr_row
from waysapart.figures import plain_metres
from waysapart.findings.sharing import Sides, ends_of_sides, share
from waysapart.findings.spacing import approaches, breaks_spacing
from waysapart.findings.tails import INDOOR_KINDS, Indoors, tail_columns, tail_hops
from waysapart.network.assets import listed, reached, surveyed_m
from waysapart.network.ends import GROUND_STRUCTURES, SPAN_STRUCTURES
from waysapart.reliance.direct import in_full
from waysapart.schema import KNOWN_EMPTY, LIST_SEPARATOR, ROLES
from waysapart.verdicts.contests import Trial, contests_of, sides_of
from waysapart.verdicts.proof import APART, ProofData, services_of

Kind = Literal[
    "run", "cable", "end", "within", "joint", "feed", "panel", "cord", "route", "position"
]

REACH_M = 50.0
"""How far a record may be from the truth: 'a structure within a few tens of metres'."""
_CLEAR_M = 0.05
_ACROSS_M = 0.5
_TWO = 2
_INNER = 0.5
"""Share of `snap_m` to which a structure that is moved comes near a line."""


@dataclass(frozen=True)
class SingleError:
    """One cell, another value for it, and what the paths of a contest then have in common.

    Attributes
    ----------
    trial : int
        The circuit or group that it undoes, as in `proof.trials`.
    kind : str
        What sort of record it is; see docs/walkdown.md.
    role, column : str
    row : int
        Position in the role's table.
    was, value : str
        What is replaced ('' for a blank cell), and by what. For a position: by what it is moved.
    cell : str or None
        The whole cell as it would read; None for a geometry.
    other : int
        Asset number of what the record would name, or lie beside.
    distance_m : float
        How far that is; NaN where both are indoors.
    shared : tuple of int
        Asset numbers of what the paths would share; empty where they come too near.
    paths : tuple of int
        The paths that rely on the record.
    fits : bool
        All other records would still agree with it.
    moved_m : float
        Of a position: how far it is moved; else NaN.
    accuracy_m : float
        Of a position: how well it is surveyed, 0 where that is not on record.
    """

    trial: int
    kind: Kind
    role: str
    column: str
    row: int
    was: str
    value: str
    cell: str | None
    other: int
    distance_m: float
    shared: tuple[int, ...]
    paths: tuple[int, ...]
    fits: bool
    moved_m: float = float("nan")
    accuracy_m: float = 0.0


@dataclass(frozen=True)
class _Change:
    """A cell with another value, and what that adds to what relies on what.

    `gains`: everything that relies on the first relies on the others too; `laid`: a side uses these
    as well.
    """

    kind: Kind
    role: str
    column: str
    row: int
    was: str
    value: str
    cell: str | None
    other: int
    distance_m: float
    fits: bool
    gains: tuple[tuple[int, Ints], ...] = ()
    laid: tuple[tuple[int, Ints], ...] = ()
    moved_m: float = float("nan")


@dataclass(frozen=True)
class _Held:
    """Sides that are held apart, as vectors over assets."""

    trial: int
    contest: int
    paths: tuple[tuple[int, ...], ...]
    relies: tuple[Bools, ...]
    ends: tuple[Bools, ...]
    tail: Bools
    tail_sites: tuple[int, ...]
    group: bool
    air: tuple[Bools, ...]

    @cached_property
    def excused(self) -> Bools:
        """What every side relies on because its relays stand there."""
        return np.asarray(np.logical_and.reduce(self.ends), dtype=np.bool_)

    def wanted(self, side: int) -> Bools:
        """What a side must not come to rely on: all the other sides do, and nothing excuses it."""
        others = [one for number, one in enumerate(self.relies) if number != side]
        return np.asarray(
            np.logical_and.reduce(others) & ~self.excused & ~self.tail, dtype=np.bool_
        )


def single_errors(
    proof: ProofData, trials: Sequence[int], *, reach_m: float = REACH_M
) -> list[SingleError]:
    """Find the single wrong cells that would undo verdicts of `apart`.

    Parameters
    ----------
    proof : ProofData
    trials : sequence of int
        Circuits and groups, as in `proof.trials`; those that are not apart have none.
    reach_m : float
        How far, in metres, the truth may lie from the record.

    Returns
    -------
    list of SingleError
        In the order of trials, then of roles and rows.

    Notes
    -----
    Reliance is not proved anew: it is closed once, so that what a changed cell adds is a union of
    rows of `Reliance.closed`. The time grows with the records near or in one site with the other
    path, not with their square. What the old value brought is left in: as the paths share nothing
    avoidable on record, it cannot be what they share.
    """
    asked = [one for one in trials if proof.verdicts[one] == APART]
    if not asked:
        return []
    return _Search(proof, asked, reach_m).found()


class _Search:
    """The plant as the search needs it, and the contests that are searched."""

    def __init__(self, proof: ProofData, trials: Sequence[int], reach_m: float) -> None:
        self.proof, self.reach_m = proof, reach_m
        self.reliance, self.network = proof.reliance, proof.network
        self.study, self.assets = proof.study, proof.network.assets
        self.plane = self.study.plane
        self.count = len(self.assets)
        frame = self.assets.frame
        self.role = frame["role"].to_numpy(dtype=object)
        self.kind = frame["kind"].to_numpy(dtype=object)
        self.id = [str(name) for name in frame["id"].to_list()]
        self.shape = np.full(self.count, None, dtype=object)
        for role in self.assets.start:
            if ROLES[role].geometry:
                self.shape[self.assets.of_role(role)] = self.study.geometries(role)
        self.contests, owner = contests_of([proof.trials[one] for one in trials])
        self.sides: Sides = sides_of(self.reliance, self.contests)
        self.sharing = share(self.reliance, self.sides)
        self.services = [services_of(self.network, one) for one in self.contests]
        self._extent: dict[int, shapely.Geometry | None] = {}
        self._sites: dict[int, frozenset[int]] = {}
        self.held = self._held([trials[one] for one in owner])

    def found(self) -> list[SingleError]:
        """All errors that undo a contest."""
        errors: list[SingleError] = []
        for held in self.held:
            for change in self._changes(held):
                shared = self._shared(held, change)
                if shared:
                    errors.append(self._error(held, change, shared))
        errors += self._too_near()
        roles = list(ROLES)
        unique = {
            (one.trial, roles.index(one.role), one.row, one.column, one.was, one.value): one
            for one in reversed(errors)
        }
        return [unique[key] for key in sorted(unique)]

    def _error(self, held: _Held, change: _Change, shared: tuple[int, ...]) -> SingleError:
        using = [
            path
            for side, paths in enumerate(held.paths)
            if any(held.relies[side][asset] for asset, _ in change.gains)
            or any(one == side for one, _ in change.laid)
            for path in paths
        ]
        return SingleError(
            held.trial,
            change.kind,
            change.role,
            change.column,
            change.row,
            change.was,
            change.value,
            change.cell,
            change.other,
            change.distance_m,
            shared,
            tuple(using),
            change.fits,
            change.moved_m,
            self._accuracy_m(change.role, change.row) if change.kind == "position" else 0.0,
        )

    # --- What the sides rely on, and what they would share.

    def _held(self, owner: Sequence[int]) -> list[_Held]:
        reliance, sides = self.reliance, self.sides
        links = sp.csr_array(sides.paths @ reliance.along)
        relies = sp.csr_array(links @ reliance.links[:, : self.count])
        ends = sp.csr_array(ends_of_sides(reliance, sides)[:, : self.count])
        hazards = np.zeros(self.count, dtype=np.bool_)
        hazards[self.assets.of_role("hazards")] = True
        used = sp.csr_array(links @ reliance.link_items[:, : self.count])
        indoors = Indoors(reliance)
        found = []
        for number, contest in enumerate(self.contests):
            low, high = np.searchsorted(sides.trial, [number, number + 1])
            if high - low < _TWO:
                continue
            tail = np.zeros(self.count, dtype=np.bool_)
            sites: tuple[int, ...] = ()
            if sides.tails is not None and sides.tails[number]:
                tail, sites = self._tail(indoors, contest)
            mine = range(int(low), int(high))
            found.append(
                _Held(
                    owner[number],
                    number,
                    contest.sides,
                    tuple(self._vector(relies, side) for side in mine),
                    tuple(self._vector(ends, side) for side in mine),
                    tail,
                    sites,
                    contest.group_test is not None,
                    tuple(self._vector(used, side) & hazards for side in mine),
                )
            )
        self.indoors = indoors
        return found

    def _tail(self, indoors: Indoors, contest: Trial) -> tuple[Bools, tuple[int, ...]]:
        paths = np.array([path for side in contest.sides for path in side], dtype=np.int64)
        tail = np.zeros(self.count, dtype=np.bool_)
        tail[[one for one in tail_columns(indoors, paths) if one < self.count]] = True
        sites = [site for site, hops in tail_hops(indoors, paths.tolist()) if hops and site >= 0]
        return tail, tuple(dict.fromkeys(sites))

    def _vector(self, matrix: sp.csr_array, row: int) -> Bools:
        made = np.zeros(self.count, dtype=np.bool_)
        made[csr_row(matrix, row)] = True
        return made

    def _shared(self, held: _Held, change: _Change) -> tuple[int, ...]:
        """What the sides share with a change that is avoidable; nothing: it undoes nothing."""
        relies = [one.copy() for one in held.relies]
        ends = [one.copy() for one in held.ends]
        for asset, more in change.gains:
            for side in range(len(relies)):
                if held.relies[side][asset]:
                    relies[side][more] = True
                if held.ends[side][asset]:
                    ends[side][more] = True
        for side, more in change.laid:
            relies[side][more] = True
        shared = np.logical_and.reduce(relies)
        excused = np.logical_and.reduce(ends)
        met = self._met_elsewhere(held, relies, ends, shared & excused)
        rest = np.flatnonzero((shared & ~excused & ~held.tail) | met)
        if len(rest) and any(held.tail[asset] for asset, _ in change.gains):
            rest = np.array(
                [
                    one
                    for one in rest.tolist()
                    if not any(self.indoors.stands(one, site) for site in held.tail_sites)
                ],
                dtype=np.int64,
            )
        return tuple(rest.tolist())

    def _met_elsewhere(
        self, held: _Held, relies: list[Bools], ends: list[Bools], excused: Bools
    ) -> Bools:
        """Hazards at the ends that sides meet through other plant as well: no excuse."""
        hazards = self.assets.of_role("hazards")
        if not excused[hazards].any():
            return np.zeros(self.count, dtype=np.bool_)
        back = self._taken
        met = [
            (back @ (mine & ~end)).astype(np.bool_) | air[hazards]
            for mine, end, air in zip(relies, ends, held.air, strict=True)
        ]
        found = np.zeros(self.count, dtype=np.bool_)
        every = np.logical_or.reduce(met) if held.group else np.logical_and.reduce(met)
        found[hazards] = every & excused[hazards]
        return found

    @cached_property
    def _taken(self) -> sp.csr_array:
        """What each hazard takes, shape (hazards, assets)."""
        taken = sp.csr_array(self.network.hazards.T)
        return sp.csr_array(taken[self.assets.of_role("hazards")])

    def _useful(self, held: _Held, side: int) -> Bools:
        """Assets that bring something with them that the side must not come to rely on."""
        wanted = held.wanted(side)
        hazards = self.assets.of_role("hazards")
        if held.excused[hazards].any():
            takes = np.zeros(self.count, dtype=np.bool_)
            takes[self._taken[np.flatnonzero(held.excused[hazards])].indices] = True
            wanted = wanted | (takes & ~held.ends[side])
        return np.asarray(self.reliance.closed @ wanted, dtype=np.bool_)

    def _brings(self, asset: int) -> Ints:
        """What relying on an asset brings with it, itself included."""
        return csr_row(self.reliance.closed, asset).astype(np.int64)

    def _brings_all(self, assets: Iterable[int]) -> Ints:
        rows = [self._brings(one) for one in assets if one >= 0]
        return np.unique(np.concatenate(rows)) if rows else np.empty(0, np.int64)

    # --- Near in place.

    def sites(self, asset: int) -> frozenset[int]:
        """The sites in which an asset stands, by itself or by what lies in it."""
        if asset not in self._sites:
            places = self.assets.of_role("sites")
            above = self._brings(asset)
            found = above[(above >= places.start) & (above < places.stop)].tolist()
            if not found and self.role[asset] == "holders":
                inside = reached(self._inside, asset) - {asset}
                found = [site for one in inside for site in self._own_sites(one)]
            self._sites[asset] = frozenset(found)
        return self._sites[asset]

    def _own_sites(self, asset: int) -> list[int]:
        places = self.assets.of_role("sites")
        above = self._brings(asset)
        return [int(one) for one in above if places.start <= one < places.stop]

    @cached_property
    def _inside(self) -> sp.csr_array:
        """What lies directly in each asset."""
        return sp.csr_array(self.network.within.T)

    def extent(self, asset: int) -> shapely.Geometry | None:
        """Where an asset is, by its own geometry or by all that lies in it; None: not drawn."""
        if asset not in self._extent:
            shape = self.shape[asset]
            if shape is None and self.role[asset] == "holders":
                parts = [self.shape[one] for one in sorted(reached(self._inside, asset))]
                parts = [one for one in parts if one is not None]
                shape = shapely.union_all(np.array(parts, dtype=object)) if parts else None
            self._extent[asset] = shape
        return self._extent[asset]

    def away(self, one: int, other: int) -> float | None:
        """How far one asset is from another, in metres; NaN: in one site; None: too far."""
        here, there = self.extent(one), self.extent(other)
        if here is None or there is None:
            return float("nan") if self.sites(one) & self.sites(other) else None
        if shapely.distance(here, there) > self._plane_reach:
            return None
        metres = float(self.plane.metres(here, there)[0])
        return metres if metres <= self.reach_m else None

    @cached_property
    def _plane_reach(self) -> float:
        """`reach_m` in the plane, at the greatest scale of the plant; a little more."""
        shapes = [one for one in self.shape.tolist() if one is not None]
        if not shapes:
            return self.reach_m
        return float(np.max(self.plane.reach(np.array(shapes, dtype=object), self.reach_m)))

    # --- The changes that are tried.

    def _changes(self, held: _Held) -> Iterator[_Change]:
        for side in range(len(held.relies)):
            useful = self._useful(held, side)
            if not useful.any():
                continue
            yield from self._withins(held, side, useful)
            yield from self._runs(held, side, useful)
            yield from self._ends(held, side, useful)
            yield from self._joints(held, side, useful)
            yield from self._feeds(held, side)
            yield from self._hops(held, side, useful)
            yield from self._cords(held, side, useful)
            yield from self._moves(held, side, useful)

    def _cells(self, role: str, column: str) -> list[list[str]]:
        """The entries of every cell of a list column."""
        key = role, column
        if key not in self._cells_read:
            table = self.study.as_read(role)
            self._cells_read[key] = [
                [one for one in cell.split(LIST_SEPARATOR) if one and one != KNOWN_EMPTY]
                if isinstance(cell, str)
                else []
                for cell in table[column].to_list()
            ]
        return self._cells_read[key]

    @cached_property
    def _cells_read(self) -> dict[tuple[str, str], list[list[str]]]:
        return {}

    def _rows_of(self, held: _Held, side: int, role: str) -> list[int]:
        """Rows of a role's table on which a side relies."""
        of = self.assets.of_role(role)
        return np.flatnonzero(held.relies[side][of]).tolist()

    def _family(self, asset: int) -> tuple[str, str]:
        """What may stand for one another: the role, and with what it goes; of holders the kind.

        Segments and structures go with spans or with the ground, trays and risers by themselves.
        """
        role, kind = self.role[asset], str(self.kind[asset])
        if role == "segments":
            if kind in INDOOR_KINDS:
                return role, "indoors"
            return role, "span" if kind == "span" else "ground"
        if role == "structures":
            return role, "span" if kind in SPAN_STRUCTURES else "ground"
        return role, kind if role == "holders" else ""

    @cached_property
    def _holding(self) -> dict[tuple[str, str], dict[tuple[str, str], list[int]]]:
        """By family, what its members lie directly within on record: by role and kind."""
        found: dict[tuple[str, str], set[tuple[str, str]]] = {}
        for role in self.assets.start:
            if "within" not in ROLES[role].column:
                continue
            row, names = listed(self.study.tables[role]["within"])
            for asset, holder in zip(
                (self.assets.start[role] + row).tolist(),
                self.assets.numbers(names).tolist(),
                strict=True,
            ):
                if holder >= 0:
                    kind = self.role[holder], str(self.kind[holder])
                    found.setdefault(self._family(asset), set()).add(kind)
        alike: dict[tuple[str, str], list[int]] = {}
        ignored = set(self.study.rules.reliance.ignore_kinds)
        for number in range(self.count):
            if str(self.kind[number]) not in ignored:
                alike.setdefault((self.role[number], str(self.kind[number])), []).append(number)
        return {
            family: {kind: alike.get(kind, []) for kind in sorted(kinds)}
            for family, kinds in found.items()
        }

    def _withins(self, held: _Held, side: int, useful: Bools) -> Iterator[_Change]:
        """`within` of anything: a holder of the same kind near by, or one where the cell is empty.

        Holders that hold such things somewhere on record.
        """
        for role in self.assets.start:
            if "within" not in ROLES[role].column:
                continue
            start, cells = self.assets.start[role], self._cells(role, "within")
            by_family: dict[tuple[str, str], list[tuple[tuple[str, str], int]]] = {}
            for row in self._rows_of(held, side, role):
                asset = start + row
                family = self._family(asset)
                if family not in by_family:
                    by_family[family] = [
                        (kind, one)
                        for kind, several in self._holding.get(family, {}).items()
                        for one in several
                        if useful[one]
                    ]
                entries = cells[row]
                named = self.assets.numbers(entries).tolist() if entries else []
                for kind, holder in by_family[family]:
                    if holder == asset or holder in named:
                        continue
                    olds: list[str] = [
                        name
                        for name, one in zip(entries, named, strict=True)
                        if one >= 0 and (self.role[one], str(self.kind[one])) == kind
                    ]
                    if entries and not olds:
                        continue
                    brings = self._brings(holder)
                    away = self.away(asset, holder)
                    if away is None or asset in brings:
                        continue
                    for old in olds or [""]:
                        yield _Change(
                            "within",
                            role,
                            "within",
                            row,
                            old,
                            self.id[holder],
                            _replaced(entries, old, self.id[holder]),
                            holder,
                            away,
                            True,
                            gains=((asset, brings),),
                        )

    # Cable runs, and the cables of links.

    @cached_property
    def _lines_of_links(self) -> tuple[sp.csr_array, list[list[tuple[int, int]]]]:
        """By cable, the links that follow rows of its runs: (link, part)."""
        pieces, parts, chains = self.network.pieces, self.network.parts, self.network.chains
        users: list[list[tuple[int, int]]] = [[] for _ in range(len(chains.carrier))]
        for link, part in zip(pieces.link.tolist(), pieces.part.tolist(), strict=True):
            cable, whole = int(parts.cable[part]), False
            seen: set[int] = set()
            while cable >= 0 and cable not in seen:
                seen.add(cable)
                users[cable].append((link, cable if whole else part))
                whole = whole or not chains.follows[cable]
                cable = int(chains.carrier[cable])
        along = sp.csr_array(self.sides.paths @ self.reliance.along)
        return along, users

    def _links_of(self, held: _Held, side: int) -> set[int]:
        low = int(np.searchsorted(self.sides.trial, held.contest))
        along = self._lines_of_links[0]
        return set(csr_row(along, low + side).tolist())

    def _part_rows(self, part: int) -> slice:
        first = self.network.parts.first
        return slice(int(first[part]), int(first[part + 1]))

    def _inner_segments(self, part: int) -> set[int]:
        """Segments that a stretch of cable runs through whichever way its rows lie.

        Where the rows of a cable do not meet, the direction of a row is not known, so that a
        stretch from one place to another may leave out its first and its last row.
        """
        parts = self.network.parts
        segments = parts.segment[self._part_rows(part)].tolist()
        return set(segments if parts.whole[part] else segments[1:-1])

    @cached_property
    def _run_rows(self) -> dict[int, list[tuple[int, int]]]:
        """By cable, its rows in `cable_runs`: row, and segment counted from 0."""
        runs = self.study.tables["cable_runs"]
        cable = self.assets.numbers(runs["cable"]) - self.assets.start["cables"]
        segment = self.assets.numbers(runs["segment"]) - self.assets.start["segments"]
        found: dict[int, list[tuple[int, int]]] = {}
        for row, (one, other) in enumerate(zip(cable.tolist(), segment.tolist(), strict=True)):
            if one >= 0 and other >= 0:
                found.setdefault(one, []).append((row, other))
        return found

    @cached_property
    def _whole(self) -> sp.csr_array:
        """A segment with its ends and what it passes, a cable with all of its course, directly."""
        return in_full(self.network, self.reliance.parts)

    def _in_full(self, asset: int) -> Ints:
        return self._brings_all(csr_row(self._whole, asset).tolist())

    def _useful_in_full(self, useful: Bools) -> Bools:
        return np.asarray(self._whole @ useful, dtype=np.bool_)

    def _beside(self, segment: int, useful: Bools) -> list[tuple[int, float]]:
        """Segments of the same family that run beside a segment, and how far away they are.

        Of those that are of use: between the same two places, or such that one of the two lies
        within reach of the other with all its vertices.
        """
        lines = self.study.geometries("segments")
        start, ends = self.assets.start["segments"], self.network.ends
        line = lines[segment]
        if line is None:
            return []
        if segment not in self._neighbours:
            near = self._segment_tree.query(line, predicate="dwithin", distance=self._plane_reach)
            family = self._family(start + segment)
            self._neighbours[segment] = [
                other
                for other in np.sort(near).tolist()
                if other != segment and self._family(start + other) == family
            ]
        mine = {int(ends.a[segment]), int(ends.b[segment])}
        found = []
        for other in self._neighbours[segment]:
            if not useful[start + other]:
                continue
            same = {int(ends.a[other]), int(ends.b[other])} == mine and min(mine) >= 0
            if (segment, other) not in self._beside_m:
                self._beside_m[segment, other] = min(
                    self._farthest_m(lines[other], line), self._farthest_m(line, lines[other])
                )
            metres = self._beside_m[segment, other]
            if same or metres <= self.reach_m:
                found.append((other, metres))
        return found

    @cached_property
    def _neighbours(self) -> dict[int, list[int]]:
        return {}

    @cached_property
    def _beside_m(self) -> dict[tuple[int, int], float]:
        return {}

    @cached_property
    def _segment_tree(self) -> shapely.STRtree:
        return shapely.STRtree(self.study.geometries("segments"))

    def _farthest_m(self, line: shapely.Geometry, other: shapely.Geometry) -> float:
        """The greatest distance of a vertex of one line from another line."""
        vertices = shapely.points(shapely.get_coordinates(line))
        return float(np.max(self.plane.metres(vertices, other)))

    def _runs(self, held: _Held, side: int, useful: Bools) -> Iterator[_Change]:
        """A row of `cable_runs` that names a segment which runs beside the one that is true."""
        mine = self._links_of(held, side)
        start, ends = self.assets.start["segments"], self.network.ends
        parts = self.network.parts
        wanted = self._useful_in_full(useful)
        done: set[int] = set()
        for cable, users in enumerate(self._lines_of_links[1]):
            taken = {part for link, part in users if link in mine}
            if not taken or cable not in self._run_rows:
                continue
            rows = self._run_rows[cable]
            own = {segment for _, segment in rows}
            passed = {
                int(one) for part in taken for one in parts.segment[self._part_rows(part)].tolist()
            }
            inner = {one for part in taken for one in self._inner_segments(part)}
            for row, segment in rows:
                if segment not in passed or row in done:
                    continue
                done.add(row)
                nodes = {int(ends.a[segment]), int(ends.b[segment])}
                for other, metres in self._beside(segment, wanted):
                    if other in own:
                        continue
                    fits = nodes == {int(ends.a[other]), int(ends.b[other])}
                    if not fits and segment not in inner:
                        continue
                    name = self.id[start + other]
                    yield _Change(
                        "run",
                        "cable_runs",
                        "segment",
                        row,
                        self.id[start + segment],
                        name,
                        name,
                        start + other,
                        metres,
                        fits,
                        laid=((side, self._in_full(start + other)),),
                    )

    def _place_key(self, node: int) -> object:
        """A node, or the sites on which it stands: cables that end on one site meet there."""
        return (self.sites(node) or node) if node >= 0 else None

    @cached_property
    def _cable_ends(self) -> list[frozenset[object] | None]:
        """By cable, the two places between which it runs; None: not known."""
        chains = self.network.chains
        found: list[frozenset[object] | None] = []
        for cable in range(len(chains.carrier)):
            rows = chains.rows(cable)
            if rows.start == rows.stop:
                found.append(None)
                continue
            two = (
                self._place_key(int(chains.entry[rows.start])),
                self._place_key(int(chains.exit[rows.stop - 1])),
            )
            found.append(None if None in two else frozenset(two))
        return found

    def _hops(self, held: _Held, side: int, useful: Bools) -> Iterator[_Change]:
        """A cable of a link, a carrier of a cable, a panel, or what a hop relies on."""
        mine = self._links_of(held, side)
        offset, wanted = self.assets.start["cables"], self._useful_in_full(useful)
        runs = self.study.as_read("link_runs")
        links = {name: number for number, name in enumerate(self.study.tables["links"]["id"])}
        for row, (link, name) in enumerate(zip(runs["link"], runs["cable"], strict=True)):
            cable = int(self.assets.numbers([name])[0]) - offset
            if links.get(link, -1) not in mine or cable < 0:
                continue
            if isinstance(runs["from"].iloc[row], str) or isinstance(runs["to"].iloc[row], str):
                continue
            for other in self._cables_beside(cable):
                if wanted[offset + other]:
                    yield self._other_cable(
                        "cable", "link_runs", "cable", row, (side, cable, other)
                    )
        chains, users = self.network.chains, self._lines_of_links[1]
        for cable in np.flatnonzero(chains.carrier >= 0).tolist():
            carrier = int(chains.carrier[cable])
            used = [part for link, part in users[cable] if link in mine]
            if not used or (chains.follows[cable] and cable not in used):
                continue
            for other in self._cables_beside(carrier):
                if other != cable and wanted[offset + other]:
                    yield self._other_cable(
                        "cable", "cables", "carried_by", cable, (side, carrier, other)
                    )
        yield from self._of_links(held, side, useful, mine)

    def _cables_beside(self, cable: int) -> list[int]:
        ends = self._cable_ends
        if ends[cable] is None:
            return []
        return [other for other, two in enumerate(ends) if other != cable and two == ends[cable]]

    def _other_cable(
        self, kind: Kind, role: str, column: str, row: int, which: tuple[int, int, int]
    ) -> _Change:
        side, cable, other = which
        offset = self.assets.start["cables"]
        name = self.id[offset + other]
        return _Change(
            kind,
            role,
            column,
            row,
            self.id[offset + cable],
            name,
            name,
            offset + other,
            0.0,
            True,
            laid=((side, self._in_full(offset + other)),),
        )

    def _of_links(self, held: _Held, side: int, useful: Bools, mine: set[int]) -> Iterator[_Change]:
        """`via` and `relies_on` of links: another of the same kind, near or in the same site."""
        wanted = self._useful_in_full(useful)
        columns: tuple[tuple[Kind, str], ...] = (("panel", "via"), ("route", "relies_on"))
        for kind, column in columns:
            cells = self._cells("links", column)
            for link in sorted(mine):
                for old in cells[link]:
                    number = int(self.assets.numbers([old])[0])
                    if number < 0:
                        continue
                    for other in self._alike(number):
                        if not wanted[other] or self.id[other] in cells[link]:
                            continue
                        away = self.away(number, other)
                        if away is None:
                            continue
                        brings = self._in_full(other) if column == "relies_on" else None
                        yield _Change(
                            kind,
                            "links",
                            column,
                            link,
                            old,
                            self.id[other],
                            _replaced(cells[link], old, self.id[other]),
                            other,
                            away,
                            True,
                            laid=((side, self._brings(other) if brings is None else brings),),
                        )

    def _cords(self, held: _Held, side: int, useful: Bools) -> Iterator[_Change]:
        """`a` or `b` of a patch cord: another panel of the same site."""
        start, table = self.assets.start["patches"], self.study.tables["patches"]
        panels = set(self.study.rules.records.passive)
        for row in self._rows_of(held, side, "patches"):
            for column in ("a", "b"):
                old = str(table[column].iloc[row])
                number = int(self.assets.numbers([old])[0])
                if number < 0 or str(self.kind[number]) not in panels:
                    continue
                for other in self._alike(number):
                    if not useful[other] or held.relies[side][other]:
                        continue
                    if not self.sites(other) & self.sites(number):
                        continue
                    yield _Change(
                        "cord",
                        "patches",
                        column,
                        row,
                        old,
                        self.id[other],
                        self.id[other],
                        other,
                        float("nan"),
                        False,
                        gains=((start + row, self._brings(other)),),
                    )

    def _alike(self, asset: int) -> list[int]:
        """Other assets of the same role and kind."""
        of = self.assets.of_role(self.role[asset])
        same = self.kind[of].astype(str) == str(self.kind[asset])
        return [one for one in (of.start + np.flatnonzero(same)).tolist() if one != asset]

    # Ends and joints.

    @cached_property
    def _place_tree(self) -> tuple[shapely.STRtree, Ints]:
        numbers = np.concatenate(
            [np.arange(self.count)[self.assets.of_role(role)] for role in ("structures", "sites")]
        )
        return shapely.STRtree(self.shape[numbers]), numbers

    def _places_near(
        self, point: shapely.Geometry | None, useful: Bools
    ) -> list[tuple[int, float]]:
        """Structures and sites within reach of a place, of those that are of use."""
        if point is None:
            return []
        tree, numbers = self._place_tree
        near = numbers[tree.query(point, predicate="dwithin", distance=self._plane_reach)]
        near = near[useful[near]]
        metres = self.plane.metres(point, self.shape[near]) if len(near) else np.empty(0)
        found = zip(near.tolist(), metres.tolist(), strict=True)
        return sorted((one, away) for one, away in found if away <= self.reach_m)

    def _may_hold(self, place: int, family: str) -> bool:
        if self.role[place] == "sites":
            return True
        kinds = SPAN_STRUCTURES if family == "span" else GROUND_STRUCTURES
        return str(self.kind[place]) in kinds

    def _ends(self, held: _Held, side: int, useful: Bools) -> Iterator[_Change]:
        """`a` or `b` of a segment: another structure within reach of its end."""
        mine = self._links_of(held, side)
        parts, pieces, ends = self.network.parts, self.network.pieces, self.network.ends
        used = sorted(
            {
                part
                for link, part in zip(pieces.link.tolist(), pieces.part.tolist(), strict=True)
                if link in mine
            }
            | {part for users in self._lines_of_links[1] for link, part in users if link in mine}
        )
        met: dict[tuple[int, int], set[int]] = {}
        for part in used:
            rows = self._part_rows(part)
            entry, exit_ = parts.entry[rows].tolist(), parts.exit[rows].tolist()
            inner = self._inner_segments(part)
            for place, segment in enumerate(parts.segment[rows].tolist()):
                if segment not in inner:
                    continue
                for node, beyond in (
                    (entry[place], exit_[place - 1] if place else None),
                    (exit_[place], entry[place + 1] if place + 1 < len(entry) else None),
                ):
                    met.setdefault((segment, node), set()).add(-1 if beyond is None else beyond)
        lines = self.study.geometries("segments")
        start = self.assets.start["segments"]
        table = self.study.tables["segments"]
        for (segment, node), beyond in sorted(met.items()):
            if node < 0 or lines[segment] is None:
                continue
            family = self._family(start + segment)[1]
            for column, tied, vertex in (("a", ends.a, 0), ("b", ends.b, -1)):
                if int(tied[segment]) != node:
                    continue
                point = shapely.get_point(lines[segment], vertex)
                facing = int((ends.b if column == "a" else ends.a)[segment])
                stated = table[column].iloc[segment]
                for other, metres in self._places_near(point, useful):
                    if other in (node, facing) or not useful[other]:
                        continue
                    if not self._may_hold(other, family):
                        continue
                    joins = beyond <= {-1, other}
                    yield _Change(
                        "end",
                        "segments",
                        column,
                        segment,
                        stated if isinstance(stated, str) else "",
                        self.id[other],
                        self.id[other],
                        other,
                        metres,
                        metres <= self.study.snap_m and joins,
                        laid=((side, self._brings(other)),),
                    )

    def _joints(self, held: _Held, side: int, useful: Bools) -> Iterator[_Change]:
        """Where a joint is, and a cable of the other path in it."""
        start = self.assets.start["joints"]
        table, cells = self.study.tables["joints"], self._cells("joints", "cables")
        at = self.assets.numbers(table["at"]).tolist()
        offset = self.assets.start["cables"]
        for row in self._rows_of(held, side, "joints"):
            place = at[row]
            if place < 0 or not cells[row]:
                continue
            along = self._nodes_of(self.assets.numbers(cells[row]).tolist())
            point = self.shape[place]
            for other, metres in self._places_near(point, useful):
                if other == place or not useful[other] or other in along:
                    continue
                if self._family(other) != self._family(place):
                    continue
                yield _Change(
                    "joint",
                    "joints",
                    "at",
                    row,
                    self.id[place],
                    self.id[other],
                    self.id[other],
                    other,
                    metres,
                    place not in along,
                    gains=((start + row, self._brings(other)),),
                )
            yield from self._joined(held, side, row, place, offset)

    def _nodes_of(self, cables: Iterable[int]) -> set[int]:
        """Structures and sites at which cables end or that they pass."""
        rows = self.reliance.parts
        places = {"structures", "sites"}
        offset = self.assets.start["cables"]
        return {
            int(one)
            for cable in cables
            if cable >= 0
            for one in csr_row(rows, cable - offset).tolist()
            if self.role[one] in places
        }

    def _joined(
        self, held: _Held, side: int, row: int, place: int, offset: int
    ) -> Iterator[_Change]:
        """A joint that holds a cable of another path as well, which passes near."""
        if len(held.relies) > _TWO:
            return
        other = 1 - side
        cells = self._cells("joints", "cables")[row]
        start = self.assets.start["joints"]
        links = self._links_of(held, other)
        parts = self.network.parts
        users = self._lines_of_links[1]
        for cable in self._rows_of(held, other, "cables"):
            name = self.id[offset + cable]
            if name in cells:
                continue
            used = {part for link, part in users[cable] if link in links}
            along = self._nodes_of([offset + cable])
            inside = any(
                place in parts.entry[self._part_rows(part)]
                or place in parts.exit[self._part_rows(part)]
                for part in used
            )
            if not used or (place in along and not inside):
                continue
            away = self._cable_away(cable, place)
            if away is None:
                continue
            yield _Change(
                "joint",
                "joints",
                "cables",
                row,
                "",
                name,
                LIST_SEPARATOR.join([*cells, name]),
                offset + cable,
                away,
                place in along or away <= self.study.snap_m,
                laid=((other, self._brings(start + row)),),
            )

    def _cable_away(self, cable: int, place: int) -> float | None:
        chains = self.network.chains
        lines = self.study.geometries("segments")[chains.segment[chains.rows(cable)]]
        point = self.shape[place]
        lines = lines[~shapely.is_missing(lines)]
        if point is None or not len(lines):
            return None
        near = lines[shapely.dwithin(lines, point, self._plane_reach)]
        if not len(near):
            return None
        metres = float(np.min(self.plane.metres(point, near)))
        return metres if metres <= self.reach_m else None

    # Feeds.

    @cached_property
    def _feeding(self) -> dict[int, list[Ints]]:
        """By what is fed, what each of its feeds relies on."""
        feeds = self.reliance.feeds
        reach = sp.csr_array(feeds.assets @ self.reliance.closed)
        found: dict[int, list[Ints]] = {}
        for feed, user in enumerate(feeds.user.tolist()):
            found.setdefault(user, []).append(csr_row(reach, feed).astype(np.int64))
        return found

    def _feeds(self, held: _Held, side: int) -> Iterator[_Change]:
        """`supplies` and `needs`: another supply of the site, or one of several left out."""
        passive = set(self.study.rules.records.passive)
        for role in ("equipment", "supplies"):
            start, cells = self.assets.start[role], self._cells(role, "supplies")
            kinds = self.study.tables[role]["kind"].to_list()
            for row in self._rows_of(held, side, role):
                asset = start + row
                if all(one[asset] for one in held.ends):
                    continue
                if (role == "equipment" and str(kinds[row]) not in passive) or cells[row]:
                    yield from self._other_feeds(role, row, asset, cells[row])
                yield from self._other_needs(role, row, asset)

    def _other_feeds(
        self, role: str, row: int, asset: int, entries: list[str]
    ) -> Iterator[_Change]:
        site = self.sites(asset)
        of = self.assets.of_role("supplies")
        known = self.assets.numbers(entries).tolist() if entries else []
        here = [
            one
            for one in range(of.start, of.stop)
            if one != asset and one not in known and self.sites(one) & site
        ]
        tried = [
            (old, self.id[other], _replaced(entries, old, self.id[other]), other)
            for old in entries or [""]
            for other in here
        ]
        if len(entries) > 1:
            for old, one in zip(entries, known, strict=True):
                left = [name for name in entries if name != old]
                tried.append((old, "", LIST_SEPARATOR.join(left), one))
        for old, new, cell, other in tried:
            feeds = [int(one) for one in self.assets.numbers(cell.split(LIST_SEPARATOR)).tolist()]
            gains = self._fed(asset, [one for one in feeds if one >= 0])
            if gains:
                yield _Change(
                    "feed",
                    role,
                    "supplies",
                    row,
                    old,
                    new,
                    cell,
                    other,
                    float("nan"),
                    True,
                    gains=gains,
                )

    def _fed(self, asset: int, feeds: list[int]) -> tuple[tuple[int, Ints], ...]:
        """What relies on more, once an asset has these feeds; nothing where they lie in a loop."""
        closed = self.reliance.closed
        rows = [self._brings(one) for one in feeds]
        if not rows or any(asset in row for row in rows):
            return ()
        common = rows[0]
        for row in rows[1:]:
            common = np.intersect1d(common, row)
        gains = {asset: common}
        waiting = [asset]
        while waiting:
            changed = waiting.pop()
            for user in self._fed_through.get(changed, ()):
                more = [
                    np.unique(np.concatenate([row, *(gains[one] for one in gains if one in row)]))
                    for row in self._feeding[user]
                ]
                shared = more[0]
                for row in more[1:]:
                    shared = np.intersect1d(shared, row)
                fresh = np.setdiff1d(shared, csr_row(closed, user))
                if len(np.setdiff1d(fresh, gains.get(user, np.empty(0, np.int64)))):
                    gains[user] = fresh
                    waiting.append(user)
        return tuple(gains.items())

    @cached_property
    def _fed_through(self) -> dict[int, list[int]]:
        """By asset, what has several feeds of which one relies on it."""
        found: dict[int, set[int]] = {}
        for user, several in self._feeding.items():
            if len(several) < _TWO:
                continue
            for row in several:
                for one in row.tolist():
                    if one != user:
                        found.setdefault(one, set()).add(user)
        return {one: sorted(users) for one, users in found.items()}

    def _other_needs(self, role: str, row: int, asset: int) -> Iterator[_Change]:
        entries = self._cells(role, "needs")[row]
        for old in entries:
            number = int(self.assets.numbers([old])[0])
            if number < 0:
                continue
            for other in self._alike(number):
                if self.id[other] in entries or not self.sites(other) & self.sites(asset):
                    continue
                brings = self._in_full(other)
                if asset in brings:
                    continue
                yield _Change(
                    "feed",
                    role,
                    "needs",
                    row,
                    old,
                    self.id[other],
                    _replaced(entries, old, self.id[other]),
                    other,
                    float("nan"),
                    True,
                    gains=((asset, brings),),
                )

    # Positions.

    def _moves(self, held: _Held, side: int, useful: Bools) -> Iterator[_Change]:
        """A structure that stands on the other path's line; plant that a hazard takes as well."""
        yield from self._into_hazards(held, side, useful)
        if len(held.relies) > _TWO:
            return
        other = 1 - side
        lines = self.study.geometries("segments")
        start = self.assets.start["segments"]
        theirs = [
            one
            for one in self._rows_of(held, other, "segments")
            if lines[one] is not None and self._laid_whole(one, held, other)
        ]
        structures = self.assets.of_role("structures")
        wanted = held.wanted(other)
        asked = [
            one
            for one in range(structures.start, structures.stop)
            if held.relies[side][one] and wanted[one] and self.shape[one] is not None
        ]
        if not theirs or not asked:
            return
        tree = shapely.STRtree(lines[theirs])
        ones, others = tree.query(
            self.shape[asked], predicate="dwithin", distance=self._plane_reach
        )
        for place, line in sorted(zip(ones.tolist(), others.tolist(), strict=True)):
            asset, segment = asked[place], theirs[line]
            kinds = SPAN_STRUCTURES if self._family(start + segment)[1] == "span" else ()
            if str(self.kind[asset]) not in (kinds or GROUND_STRUCTURES):
                continue
            metres = float(self.plane.metres(self.shape[asset], lines[segment])[0])
            if metres > self.reach_m or metres <= self.study.snap_m:
                continue
            moved = metres - _INNER * self.study.snap_m
            shape = self._towards(self.shape[asset], lines[segment], moved)
            if not self._passed_between(shape, segment) or not self._stays(
                held, side, asset, shape
            ):
                continue
            yield _Change(
                "position",
                "structures",
                "geometry",
                asset - structures.start,
                "",
                f"{plain_metres(moved)} m nearer to {self.id[start + segment]}",
                None,
                start + segment,
                metres,
                moved <= self._accuracy_m("structures", asset - structures.start),
                laid=((other, self._brings(asset)),),
                moved_m=moved,
            )

    def _laid_whole(self, segment: int, held: _Held, side: int) -> bool:
        """Whether the side's cables run through all of a segment."""
        return segment in self._whole_rows(held, side)

    def _whole_rows(self, held: _Held, side: int) -> set[int]:
        key = held.contest, side
        if key not in self._whole_kept:
            mine, parts = self._links_of(held, side), self.network.parts
            used = {
                part for users in self._lines_of_links[1] for link, part in users if link in mine
            }
            self._whole_kept[key] = {
                segment
                for part in used
                for segment, begin, stop in zip(
                    parts.segment[self._part_rows(part)].tolist(),
                    parts.start[self._part_rows(part)].tolist(),
                    parts.stop[self._part_rows(part)].tolist(),
                    strict=True,
                )
                if {begin, stop} == {0.0, 1.0}
            }
        return self._whole_kept[key]

    def _inner(self, held: _Held, side: int) -> set[int]:
        """Segments on which a side relies whichever way the rows of its cables lie."""
        key = held.contest, side
        if key not in self._inner_kept:
            mine = self._links_of(held, side)
            used = {
                part for users in self._lines_of_links[1] for link, part in users if link in mine
            }
            self._inner_kept[key] = {one for part in used for one in self._inner_segments(part)}
        return self._inner_kept[key]

    @cached_property
    def _inner_kept(self) -> dict[tuple[int, int], set[int]]:
        return {}

    @cached_property
    def _whole_kept(self) -> dict[tuple[int, int], set[int]]:
        return {}

    def _towards(
        self, shape: shapely.Geometry, target: shapely.Geometry, metres: float
    ) -> shapely.Geometry:
        """A geometry in the plane, moved so many metres straight towards the nearest of another."""
        from_, to = shapely.get_coordinates(shapely.shortest_line(shape, target))
        far = float(np.hypot(*(to - from_)))
        if not far:
            return shape
        scale = float(np.atleast_1d(self.plane.scale(from_[None, :]))[0])
        step = (to - from_) / far * metres * scale
        return shapely.transform(shape, lambda points: points + step)

    def _passed_between(self, shape: shapely.Geometry, segment: int) -> bool:
        """Whether a segment passes a structure there, clear of its own ends."""
        line = self.study.geometries("segments")[segment]
        ends = shapely.points(shapely.get_coordinates(line)[[0, -1]])
        return bool((self.plane.metres(ends, shape) > self.study.snap_m).all())

    def _stays(self, held: _Held, side: int, asset: int, shape: shapely.Geometry) -> bool:
        """Whether the side still relies on a structure that is moved: by an id, or within snap."""
        joints = self.assets.start["joints"]
        at = self.assets.numbers(self.study.tables["joints"]["at"])
        rows = self._rows_of(held, side, "joints")
        if any(int(at[row]) == asset for row in rows) and joints >= 0:
            return True
        table, ends = self.study.tables["segments"], self.network.ends
        lines = self.study.geometries("segments")
        passed = self.network.passed
        for segment in sorted(self._whole_rows(held, side)):
            for column, tied, vertex in (("a", ends.a, 0), ("b", ends.b, -1)):
                if int(tied[segment]) != asset:
                    continue
                if isinstance(table[column].iloc[segment], str):
                    return True
                point = shapely.get_point(lines[segment], vertex)
                if float(self.plane.metres(point, shape)[0]) <= self.study.snap_m:
                    return True
            low, high = np.searchsorted(passed.segment, [segment, segment + 1])
            if (
                asset in passed.structure[low:high]
                and float(self.plane.metres(lines[segment], shape)[0]) <= self.study.snap_m
            ):
                return True
        return False

    def _accuracy_m(self, role: str, row: int) -> float:
        """How well something is surveyed, by its row and its layer; 0: not on record, or exact."""
        table = self.study.tables[role]
        if "accuracy_m" not in table.columns:
            return 0.0
        return float(surveyed_m(self.study, table.iloc[[row]])[0])

    def _into_hazards(self, held: _Held, side: int, useful: Bools) -> Iterator[_Change]:
        """Plant near a hazard that takes the other paths, and the hazard's own reach."""
        table = self.study.tables["hazards"]
        of = self.assets.of_role("hazards")
        cells = self._cells("hazards", "takes")
        for hazard in range(of.start, of.stop):
            row = hazard - of.start
            shape = self.shape[hazard]
            if not useful[hazard] or held.relies[side][hazard] or shape is None:
                continue
            reach = table["reach_m"].iloc[row]
            reach = 0.0 if np.isnan(reach) else float(reach)
            found: list[tuple[float, int]] = []
            for role in ("structures", "segments"):
                numbers = self.assets.start[role] + np.array(
                    self._rows_of(held, side, role), dtype=np.int64
                )
                takes = [
                    one
                    for one in numbers.tolist()
                    if (not cells[row] or str(self.kind[one]) in cells[row])
                    and self.shape[one] is not None
                ]
                metres = self.plane.metres(shape, self.shape[takes]) if takes else np.empty(0)
                found += [
                    (away - reach, one)
                    for one, away in zip(takes, metres.tolist(), strict=True)
                    if 0 < away - reach <= self.reach_m
                ]
            if not found:
                continue
            brings = self._brings(hazard)
            nearest, asset = min(found)
            wider = reach + nearest + _ACROSS_M
            yield _Change(
                "position",
                "hazards",
                "reach_m",
                row,
                f"{reach:g}",
                f"{wider:.1f}",
                f"{wider:.1f}",
                asset,
                nearest,
                True,
                laid=((side, brings),),
                moved_m=nearest,
            )
            for away, one in sorted(found):
                role = str(self.role[one])
                place = one - self.assets.start[role]
                there = self._towards(self.shape[one], shape, away)
                if role == "structures" and not self._stays(held, side, one, there):
                    continue
                if role == "segments" and place not in self._inner(held, side):
                    continue
                yield _Change(
                    "position",
                    role,
                    "geometry",
                    place,
                    "",
                    f"{plain_metres(away)} m nearer to {self.id[hazard]}",
                    None,
                    hazard,
                    away,
                    away <= self._accuracy_m(role, place),
                    gains=((one, brings),),
                    moved_m=away,
                )

    # Too near: runs and lines that come close to the other path without sharing anything.

    def _too_near(self) -> list[SingleError]:
        two = [held for held in self.held if len(held.relies) == _TWO and self._asks(held.contest)]
        tries: list[tuple[_Held, int, _Change, shapely.Geometry, int]] = []
        for held in two:
            for side in (0, 1):
                for change, line, segment in self._runs_near(held, side):
                    tries += [
                        (held, other, change, line, segment) for other in held.paths[1 - side]
                    ]
        tries += self._lines_near({held.contest: held for held in two})
        if not tries:
            return []
        lines = np.empty(len(tries), dtype=object)
        lines[:] = [one[3] for one in tries]
        against = breaks_spacing(
            self.reliance,
            self.sides,
            self.sharing,
            self.services,
            np.array([one[0].contest for one in tries], dtype=np.int64),
            np.array([one[1] for one in tries], dtype=np.int64),
            lines,
            np.array([one[4] for one in tries], dtype=np.int64),
        )
        return [
            self._error(held, change, ())
            for (held, _, change, _, _), stands in zip(tries, against.tolist(), strict=True)
            if stands
        ]

    def _asks(self, contest: int) -> bool:
        """Whether a service of a contest asks for any separation."""
        return any(
            service.widest_separation_m() > 0 or bool(service.forbid_cross)
            for service in self.services[contest]
        )

    def _runs_near(self, held: _Held, side: int) -> Iterator[tuple[_Change, shapely.Geometry, int]]:
        start = self.assets.start["segments"]
        every = np.ones(self.count, dtype=np.bool_)
        for change in self._runs(held, side, every):
            if not self._shared(held, change):
                segment = change.other - start
                yield change, self.network.lonlat[segment], segment

    def _lines_near(
        self, held: dict[int, _Held]
    ) -> list[tuple[_Held, int, _Change, shapely.Geometry, int]]:
        """Lines within reach of the limit, moved as far as it takes."""
        if not held:
            return []
        near = approaches(self.reliance, self.sides, self.services, self.reach_m)
        lines = self.study.geometries("segments")
        start = self.assets.start["segments"]
        tries: list[tuple[_Held, int, _Change, shapely.Geometry, int]] = []
        moved: list[shapely.Geometry] = []
        for row in near.itertuples(index=False):
            mine = held.get(int(row.contest))  # type: ignore[arg-type]
            if mine is None:
                continue
            i, j = int(row.segment_i), int(row.segment_j)  # type: ignore[arg-type]
            apart, limit = float(row.distance_m), float(row.limit_m)  # type: ignore[arg-type]
            paths = int(row.first), int(row.second)  # type: ignore[arg-type]
            if apart <= limit:
                continue
            away = apart - limit + _CLEAR_M if limit > 0 else apart + _ACROSS_M
            for one, other, path in ((i, j, paths[1]), (j, i, paths[0])):
                side = 0 if path not in mine.paths[0] else 1
                if one not in self._inner(mine, side):
                    continue
                change = _Change(
                    "position",
                    "segments",
                    "geometry",
                    one,
                    "",
                    f"{plain_metres(away)} m nearer to {self.id[start + other]}",
                    None,
                    start + other,
                    apart,
                    away <= self._accuracy_m("segments", one),
                    laid=((side, np.empty(0, np.int64)),),
                    moved_m=away,
                )
                moved.append(self._towards(lines[one], lines[other], away))
                tries.append((mine, path, change, lines[one], one))
        if not moved:
            return []
        flat = np.empty(len(moved), dtype=object)
        flat[:] = moved
        degrees = self.plane.shapes_in_degrees(flat)
        return [
            (mine, path, change, line, segment)
            for (mine, path, change, _, segment), line in zip(tries, degrees, strict=True)
        ]


def _replaced(entries: Sequence[str], old: str, new: str) -> str:
    """A list cell with one entry replaced, or filled where it was empty."""
    if not old:
        return LIST_SEPARATOR.join([*entries, new])
    return LIST_SEPARATOR.join(new if name == old else name for name in entries)


__all__ = ["REACH_M", "Floats", "Kind", "SingleError", "single_errors"]

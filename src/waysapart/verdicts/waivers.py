"""Which findings are waived, until when, and by which record.

A waiver of an asset, of all that lies in a thing, or of a near approach or crossing counts for
one circuit or group, up to its last day, and as long as what it accepts is what was accepted:
where it states the digest of that (`record`), a change of the records ends it.

What a waiver accepts is written as one text. The text is JSON with sorted keys and no blanks, of
an object with three lists:

* `rows`: the records of what is waived, by role and then id. Each has `role`, `id`, the other
  columns of its role that are filled (no name, no date, no column of the user's own) and, where
  it has one, `geometry` as GeoJSON in the coordinates of its own layer.
* `pairs`: the near approaches and crossings that are waived, each as its two ids in order.
* `within`: the ids in what the waiver names that any path of the circuit, or of the group's
  circuits, relies on.

docs/waivers.md says the same with an example to work through.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Collection, Iterable
from dataclasses import dataclass
from datetime import date
from functools import cached_property
from typing import TYPE_CHECKING, Any, TypedDict

import numpy as np
import pandas as pd
import scipy.sparse as sp
import shapely.geometry

from waysapart.arrays import Ints, boolean, csr_row
from waysapart.evidence import JudgedWaiver
from waysapart.findings.sharing import Sharing
from waysapart.findings.spacing import Spacing
from waysapart.network.assets import listed
from waysapart.reliance.rely import Reliance
from waysapart.schema import LIST_SEPARATOR, ROLES, Column
from waysapart.study.rules import Waiver
from waysapart.verdicts.contests import Trial

if TYPE_CHECKING:
    from numpy.typing import NDArray

IN_FORCE, LAPSED, IDLE = "in force", "lapsed", "nothing to waive"
LAPSES_SOON_DAYS = 90
"""A waiver with no more days than this is listed, in time to renew it or to build (common
practice, no source)."""


@dataclass(frozen=True)
class Judged:
    """A waiver and its state on the day for which the study is judged.

    Attributes
    ----------
    waiver : Waiver
    state : str
        'in force', 'lapsed', 'nothing to waive', or that the record changed, with both digests.
    record : str or None
        Digest of what it would accept now; None where there is nothing of the kind.
    days : int or None
        Days until its last one, on which it still counts; None where it does not count.
    """

    waiver: Waiver
    state: str
    record: str | None
    days: int | None

    @property
    def counts(self) -> bool:
        """Whether it accepts anything."""
        return self.state == IN_FORCE

    @property
    def lapses_soon(self) -> bool:
        """Whether it counts, and for `LAPSES_SOON_DAYS` at most."""
        return self.days is not None and self.days <= LAPSES_SOON_DAYS


@dataclass(frozen=True)
class Waivers:
    """What the waivers in force cover.

    Attributes
    ----------
    assets : set of (int, int)
        Trial and asset that are waived, with what is shared only because of
        waived assets.
    pairs : set of (int, frozenset of str)
        Trial and the two ids of a waived near approach or crossing.
    inside : tuple of (int, frozenset of str)
        Trial and the segments in a thing all of which is waived: near approaches and
        crossings among them are.
    judged : tuple of Judged
        Every waiver in the order of the rules.
    """

    assets: set[tuple[int, int]]
    pairs: set[tuple[int, frozenset[str]]]
    inside: tuple[tuple[int, frozenset[str]], ...]
    judged: tuple[Judged, ...]

    def waives_pair(self, trial: int, one: str, other: str) -> bool:
        """Whether a near approach or crossing of two segments is waived for a trial.

        Parameters
        ----------
        trial : int
        one, other : str
            Ids of segments.

        Returns
        -------
        bool
        """
        return (trial, frozenset((one, other))) in self.pairs or any(
            trial == mine and one in segments and other in segments
            for mine, segments in self.inside
        )

    @property
    def waive_pairs(self) -> bool:
        """Whether any near approach or crossing may be waived."""
        return bool(self.pairs or self.inside)


def lay_over(
    reliance: Reliance, trials: list[Trial], sharing: Sharing, spacing: Spacing
) -> Waivers:
    """Find what each waiver covers on the day for which the study is judged.

    A circuit and a group may bear one name: a waiver that states it counts for the circuit.

    Parameters
    ----------
    reliance : Reliance
    trials : list of Trial
    sharing : Sharing
        Of the trials.
    spacing : Spacing

    Returns
    -------
    Waivers
    """
    study = reliance.network.study
    if not study.rules.waivers:
        return Waivers(set(), set(), (), ())
    records = FindingRecords(reliance, trials, sharing, spacing)
    desk = _Desk(records, reliance, trials, sharing)
    judged = tuple(desk.judge(waiver, study.on) for waiver in study.rules.waivers)
    return Waivers(_with_held(desk.assets, sharing), desk.pairs, tuple(desk.inside), judged)


class _Desk:
    """Judges waivers one by one and collects what those in force cover."""

    def __init__(
        self, records: FindingRecords, reliance: Reliance, trials: list[Trial], sharing: Sharing
    ) -> None:
        self._records, self._network, self._sharing = records, reliance.network, sharing
        self._number: dict[str, int] = {}
        for place, trial in enumerate(trials):
            self._number.setdefault(trial.id, place)
        links = self._network.study.tables["links"]["id"].to_list()
        count = len(self._network.assets)
        # A hop may bear the id of an asset; the id then means the asset.
        self._named = {str(name): count + place for place, name in enumerate(links)}
        names = self._network.assets.frame["id"].to_list()
        self._named |= {str(name): place for place, name in enumerate(names)}
        self.assets: set[tuple[int, int]] = set()
        self.pairs: set[tuple[int, frozenset[str]]] = set()
        self.inside: list[tuple[int, frozenset[str]]] = []

    def judge(self, waiver: Waiver, day: date) -> Judged:
        """The state of one waiver; what it covers is collected where it is in force."""
        trial = self._number.get(waiver.circuit)
        now = None if trial is None else self._record(trial, waiver)
        digest = None if now is None else now.digest
        if not waiver.counts_on(day):
            return Judged(waiver, LAPSED, digest, None)
        if trial is None or digest is None:
            return Judged(waiver, IDLE, None, None)
        if waiver.record is not None and waiver.record != digest:
            return Judged(waiver, changed(waiver.record, digest), digest, None)
        self._note(trial, waiver)
        return Judged(waiver, IN_FORCE, digest, (waiver.until - day).days)

    def _record(self, trial: int, waiver: Waiver) -> Record | None:
        """What a waiver would accept; None where there is nothing to waive."""
        records = self._records
        if waiver.pair is not None:
            segments = self._segments(waiver.pair)
            there = segments in records.possible_pairs(trial)
            return records.of_pair(trial, *waiver.pair) if there else None
        number = self._named.get(waiver.asset or waiver.within or "", -1)
        if number < 0:
            return None
        if waiver.asset is not None:
            shared = bool(self._sharing.avoidable[trial, number])
            return records.of_asset(trial, number) if shared else None
        if records.covered(trial, number) or records.pairs_in(trial, number):
            return records.of_within(trial, number)
        inside, start = records.inside(number), self._network.assets.start["segments"]
        loose = any(
            start + one in inside and start + other in inside
            for one, other in records.possible_pairs(trial)
        )
        return records.of_within(trial, number) if loose else None

    def _segments(self, pair: tuple[str, str]) -> tuple[int, int]:
        start = self._network.assets.start["segments"]
        low, high = sorted(self._named.get(name, -1) - start for name in pair)
        return low, high

    def _note(self, trial: int, waiver: Waiver) -> None:
        if waiver.pair is not None:
            self.pairs.add((trial, frozenset(waiver.pair)))
        elif waiver.asset is not None:
            self.assets.add((trial, self._named[waiver.asset]))
        elif waiver.within is not None:
            thing = self._named[waiver.within]
            self.assets |= {(trial, number) for number in self._records.covered(trial, thing)}
            segments = self._network.assets.of_role("segments")
            inside = self._records.inside(thing)
            mine = [number for number in inside if segments.start <= number < segments.stop]
            self.inside.append((trial, frozenset(self._network.assets.ids(mine))))


def changed(before: str, now: str) -> str:
    """Word the state of a waiver whose record is not what was accepted.

    Parameters
    ----------
    before, now : str
        Digests.

    Returns
    -------
    str
    """
    return f"the record changed: digest was {before}, is now {now}"


def _with_held(waived: set[tuple[int, int]], sharing: Sharing) -> set[tuple[int, int]]:
    """Add what is shared only because of waived things in it."""
    covered = set(waived)
    grown = True
    while grown:
        grown = False
        for (trial, asset), supports in sharing.supports.items():
            if (trial, asset) not in covered and all((trial, one) in covered for one in supports):
                covered.add((trial, asset))
                grown = True
    return covered


def waiver_facts(waivers: Waivers) -> list[JudgedWaiver]:
    """Return every waiver with its state as plain data.

    Parameters
    ----------
    waivers : Waivers

    Returns
    -------
    list of JudgedWaiver
    """
    return [
        {
            "circuit": one.waiver.circuit,
            "asset": one.waiver.asset,
            "within": one.waiver.within,
            "pair": list(one.waiver.pair) if one.waiver.pair else None,
            "reason": one.waiver.reason,
            "by": one.waiver.by,
            "until": one.waiver.until.isoformat(),
            "record": one.waiver.record,
            "record_now": one.record,
            "state": one.state,
            "counts": one.counts,
            "lapses_in_days": one.days,
        }
        for one in waivers.judged
    ]


# --- The record of what a waiver accepts, and its digest.

DIGEST_LENGTH = 12
"""Hexadecimal digits of SHA-256 that are kept: 48 bits, enough to tell a change, and short
enough to copy."""
METRE_DECIMALS, DEGREE_DECIMALS = 3, 7
"""Decimals of coordinates: a millimetre, and about a centimetre in degrees."""
_SIGNIFICANT = 9
"""Digits of a number that are kept, so that a unit converted elsewhere gives the same text."""
COVERED_ROLES = ("structures", "segments", "holders", "joints")
"""What lies in a thing and is waived with it; the thing itself may be a site as well."""
_NEVER = ("cables", "links", "supplies", "equipment")


class _Accepted(TypedDict):
    """The object whose JSON is digested."""

    pairs: list[list[str]]
    rows: list[dict[str, Any]]
    within: list[str]


@dataclass(frozen=True)
class Record:
    """What a waiver accepts.

    Attributes
    ----------
    text : str
        JSON with sorted keys and no blanks.
    """

    text: str

    @property
    def digest(self) -> str:
        """The first 12 hexadecimal digits of SHA-256 over the text in UTF-8."""
        return hashlib.sha256(self.text.encode()).hexdigest()[:DIGEST_LENGTH]


class FindingRecords:
    """The records behind what circuits and groups share, computed when first asked for.

    Parameters
    ----------
    reliance : Reliance
    trials : list of Trial
    sharing : Sharing
        Of the trials.
    spacing : Spacing
        Of the trials; near approaches and crossings.
    """

    def __init__(
        self, reliance: Reliance, trials: list[Trial], sharing: Sharing, spacing: Spacing
    ) -> None:
        self._reliance = reliance
        self._network = reliance.network
        self._trials = trials
        self._sharing = sharing
        self._spacing = spacing
        self._rows: dict[int, dict[str, Any]] = {}
        self._inside: dict[int, frozenset[int]] = {}
        self._relied: dict[int, frozenset[int]] = {}

    def of_asset(self, trial: int, number: int) -> Record:
        """Return the record of one shared asset, or hop behind the assets.

        Parameters
        ----------
        trial, number : int

        Returns
        -------
        Record
        """
        return self._record(trial, {number}, self.inside(number))

    def of_within(self, trial: int, thing: int) -> Record:
        """Return the record of all that a circuit or group shares in one thing.

        Parameters
        ----------
        trial, thing : int

        Returns
        -------
        Record
        """
        pairs = self.pairs_in(trial, thing)
        start = self._network.assets.start["segments"]
        members = {start + one for pair in pairs for one in pair}
        named = {thing} | self.covered(trial, thing) | members
        return self._record(trial, named, self.inside(thing), pairs)

    def of_pair(self, trial: int, one: str, other: str) -> Record:
        """Return the record of a near approach or a crossing.

        Parameters
        ----------
        trial : int
        one, other : str
            Ids of segments.

        Returns
        -------
        Record
        """
        numbers = self._network.assets.numbers([one, other]).tolist()
        inside = self.inside(numbers[0]) | self.inside(numbers[1])
        start = self._network.assets.start["segments"]
        pair = (numbers[0] - start, numbers[1] - start)
        return self._record(trial, set(numbers), inside, {pair})

    def covered(self, trial: int, thing: int) -> set[int]:
        """Find the avoidable shared assets that a waiver `within` a thing covers.

        Parameters
        ----------
        trial, thing : int

        Returns
        -------
        set of int
        """
        mine = _row(self._sharing.avoidable, trial) & self.inside(thing)
        roles = self._role
        return {
            number
            for number in mine
            if roles[number] in COVERED_ROLES or (number == thing and roles[number] not in _NEVER)
        }

    def pairs_in(self, trial: int, thing: int) -> set[tuple[int, int]]:
        """Find near approaches and forbidden crossings with both members in a thing.

        Parameters
        ----------
        trial, thing : int

        Returns
        -------
        set of (int, int)
            Segments.
        """
        inside = self.inside(thing)
        start = self._network.assets.start["segments"]
        return {
            (one, other)
            for one, other in self.pairs(trial)
            if start + one in inside and start + other in inside
        }

    def pairs(self, trial: int) -> set[tuple[int, int]]:
        """Find the near approaches and forbidden crossings of a circuit or group.

        Parameters
        ----------
        trial : int

        Returns
        -------
        set of (int, int)
            Segments.
        """
        return self._by_trial(self._pairs, trial)

    def possible_pairs(self, trial: int) -> set[tuple[int, int]]:
        """Find those pairs, and segments that may be near within the accuracy of the records.

        Parameters
        ----------
        trial : int

        Returns
        -------
        set of (int, int)
            Segments.
        """
        return self._by_trial(self._possible_pairs, trial)

    def inside(self, thing: int) -> frozenset[int]:
        """Find what lies in a thing at any depth, joints by where they stand, and the thing itself.

        Parameters
        ----------
        thing : int

        Returns
        -------
        frozenset of int
        """
        if thing not in self._inside:
            found, layer = {thing}, np.array([thing], dtype=np.int64)
            while len(layer) and thing < len(self._network.assets):
                held = np.unique(self.holding[layer].indices).tolist()
                fresh = [one for one in held if one not in found]
                found.update(fresh)
                layer = np.array(fresh, dtype=np.int64)
            self._inside[thing] = frozenset(found)
        return self._inside[thing]

    @cached_property
    def holding(self) -> sp.csr_array:
        """From a thing to what the records put directly in it, ignored kinds included: a matrix."""
        assets, tables = self._network.assets, self._network.study.tables
        held = [assets.start["joints"] + np.arange(len(tables["joints"]))]
        holder = [assets.numbers(tables["joints"]["at"])]
        for role, start in assets.start.items():
            if "within" in ROLES[role].column:
                row, name = listed(tables[role]["within"])
                held.append(start + row)
                holder.append(assets.numbers(name))
        count = len(assets)
        return boolean(np.concatenate(holder), np.concatenate(held), (count, count))

    @cached_property
    def held_by(self) -> sp.csr_array:
        """The reverse of `holding`: from what lies directly in a thing to the thing."""
        return sp.csr_array(self.holding.T)

    def prepare(self, numbers: Collection[int]) -> None:
        """Read the rows of many assets at once, before their records are asked for.

        Parameters
        ----------
        numbers : collection of int
        """
        assets = self._network.assets
        missing = sorted(set(numbers) - set(self._rows))
        for role, start in assets.start.items():
            stop = assets.of_role(role).stop
            self._read(role, [n - start for n in missing if start <= n < stop], start)
        self._read("links", [n - len(assets) for n in missing if n >= len(assets)], len(assets))

    def _record(
        self,
        trial: int,
        named: set[int],
        inside: frozenset[int],
        pairs: Collection[tuple[int, int]] = (),
    ) -> Record:
        waived = named | self._held_through(trial, named)
        self.prepare(waived)
        relied = self._relied_on(trial)
        segments = self._network.study.tables["segments"]["id"].to_numpy()
        accepted: _Accepted = {
            "pairs": sorted(sorted((str(segments[a]), str(segments[b]))) for a, b in pairs),
            "rows": sorted(
                (self._rows[number] for number in waived), key=lambda row: (row["role"], row["id"])
            ),
            "within": sorted(self._ids[number] for number in (inside - named) & relied),
        }
        return Record(json.dumps(accepted, sort_keys=True, separators=(",", ":")))

    def _held_through(self, trial: int, named: set[int]) -> set[int]:
        """What is shared only because of what lies in it, and some of that is named."""
        steps = self._reliance.steps
        found: set[int] = set()
        waiting = [number for number in named if number < steps.shape[0]]
        seen = set(waiting)
        while waiting:
            at = waiting.pop()
            for holder in csr_row(steps, at).tolist():
                if holder not in seen:
                    seen.add(holder)
                    waiting.append(holder)
                    if (trial, holder) in self._sharing.through:
                        found.add(holder)
        return found

    def _relied_on(self, trial: int) -> frozenset[int]:
        """Everything that any path of a trial's circuits relies on."""
        if trial not in self._relied:
            paths = [
                path
                for circuit in self._trials[trial].circuits
                for path in self._network.paths.of_circuit(circuit)
            ]
            along = self._reliance.along[np.array(paths, dtype=np.int64)]
            links = np.unique(along.indices).astype(np.int64)
            found = np.unique(self._reliance.links[links].indices)
            self._relied[trial] = frozenset(found.tolist())
        return self._relied[trial]

    @cached_property
    def _ids(self) -> list[str]:
        links = self._network.study.tables["links"]["id"].to_list()
        return [*map(str, self._network.assets.frame["id"].to_list()), *map(str, links)]

    @cached_property
    def _role(self) -> list[str]:
        roles: list[str] = self._network.assets.frame["role"].to_list()
        return roles + ["links"] * len(self._network.study.tables["links"])

    @cached_property
    def _pairs(self) -> NDArray[np.int64]:
        near, cross = self._spacing.near, self._spacing.cross
        stands = (cross["under"].to_numpy() < 0) & cross["forbidden"].to_numpy(dtype=bool)
        return self._segments_of(self._spacing, [near[near["under"] < 0], cross[stands]])

    @cached_property
    def _possible_pairs(self) -> NDArray[np.int64]:
        loose, back = self._spacing.loose, self._spacing.near_back
        found = [self._pairs, self._segments_of(self._spacing, [back[back["under"] < 0]])]
        if loose is not None:
            found.append(self._segments_of(loose, [loose.near[loose.near["under"] < 0]]))
        return np.unique(np.concatenate(found), axis=0)

    def _segments_of(self, spacing: Spacing, found: Iterable[pd.DataFrame]) -> NDArray[np.int64]:
        """Trial and the two segments in order, each combination once, sorted by trial."""
        trial = spacing.pairs["trial"].to_numpy(dtype=np.int64)
        parts = [
            np.column_stack(
                [
                    trial[rows["pair"].to_numpy(dtype=np.int64)],
                    np.sort(rows[["segment_i", "segment_j"]].to_numpy(dtype=np.int64), axis=1),
                ]
            )
            for rows in found
        ]
        return np.unique(np.concatenate([np.empty((0, 3), dtype=np.int64), *parts]), axis=0)

    def _by_trial(self, pairs: NDArray[np.int64], trial: int) -> set[tuple[int, int]]:
        low, high = np.searchsorted(pairs[:, 0], [trial, trial + 1])
        return {(one, other) for _, one, other in pairs[low:high].tolist()}

    def _read(self, role: str, rows: list[int], start: int) -> None:
        if not rows:
            return
        study, told = self._network.study, ROLES[role]
        at: Ints = np.array(rows, dtype=np.int64)
        table = pd.DataFrame(study.as_read(role)).iloc[at]
        columns = [one for one in told.columns if one.name != "name" and one.type != "date"]
        values = {one.name: table[one.name].to_list() for one in columns}
        shapes: list[Any] = [None] * len(rows)
        if told.geometry:
            geometry, crs = study.given_geometry(role, at)
            shapes = [
                geometry_of(shape, degrees=system.is_geographic)
                for shape, system in zip(geometry, crs, strict=True)
            ]
        for place, number in enumerate(rows):
            row = {"role": role}
            for column in columns:
                if not pd.isna(value := values[column.name][place]):
                    row[column.name] = _plain(column, value)
            if shapes[place] is not None:
                row["geometry"] = shapes[place]
            self._rows[start + number] = row


def geometry_of(shape: Any, *, degrees: bool) -> dict[str, Any] | None:
    """Return a geometry as GeoJSON, rounded to a millimetre or to seven decimals of a degree.

    Parameters
    ----------
    shape : Geometry or None
    degrees : bool
        Whether its coordinates are in degrees.

    Returns
    -------
    dict or None"""
    if shape is None:
        return None
    decimals = DEGREE_DECIMALS if degrees else METRE_DECIMALS
    told = shapely.geometry.mapping(shape)
    return {"type": told["type"], "coordinates": _rounded(told["coordinates"], decimals)}


def _rounded(value: Any, decimals: int) -> Any:
    if isinstance(value, int | float):
        return _number(round(float(value), decimals))
    return [_rounded(part, decimals) for part in value]


def _plain(column: Column, value: Any) -> Any:
    """A cell: text, a list of texts, or a number."""
    if column.type in ("list", "numbers"):
        return str(value).split(LIST_SEPARATOR)
    if column.type in ("number", "count"):
        return _number(float(f"{value:.{_SIGNIFICANT}g}"))
    return str(value)


def _number(value: float) -> int | float:
    """A whole number without a decimal point, as most writers of JSON put it."""
    return int(value) if value.is_integer() else value


def _row(matrix: sp.csr_array, row: int) -> set[int]:
    return set(csr_row(matrix, row).tolist())

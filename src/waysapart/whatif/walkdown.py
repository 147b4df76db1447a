"""What a proof hangs on: the few records to look at on site before it is signed.

`hangs_on` finds for every circuit and group that is apart the records of which a single error
would undo that, and ranks them; a record that was walked down since comes last.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from functools import cached_property
from typing import TYPE_CHECKING, Any, TypedDict

import numpy as np
import pandas as pd
import shapely

from waysapart.arrays import csr_row
from waysapart.errors import CallError
from waysapart.figures import plain_metres
from waysapart.network.assets import place_of
from waysapart.schema import ASSET_ROLES, KNOWN_EMPTY
from waysapart.study.ledger import did_you_mean
from waysapart.study.model import Study
from waysapart.text import few, sentence_list
from waysapart.verdicts.facts_figures import figure, text_or_none
from waysapart.verdicts.proof import ACCEPTED, APART
from waysapart.verdicts.prove import Proof, prove
from waysapart.whatif.places import WorkPlace, point_place
from waysapart.whatif.single_errors import REACH_M, Kind, SingleError, single_errors

if TYPE_CHECKING:
    import geopandas as gpd

TOP = 5
"""Records shown for each circuit."""
SURVEYED = "surveyed"
MOST_SHARED = 5
MOST_VALUES = 4
_NO_ACCURACY = "no accuracy of its position is on record"
_CLOSE_M, _NEAR_M, _FAR_M = 5.0, 15.0, 30.0
_SEVERAL, _MANY = 2, 4
UNDATED, OLD, DATED = 0, 1, 2
"""Whether a record was walked down: not on record, longer ago than the rules allow, since."""

NOT_TRIED = (
    "more than one wrong cell at a time: a whole cable that lies in another duct run has a wrong "
    "row for each segment, and only rows that run beside each other are tried one by one",
    "values farther away than the reach, or of another kind than the plant uses in that place",
    "a holder missing from a `within` that names others already; only an entry in place of one of "
    "the same kind, or one where the cell is blank or '-', is tried",
    "plant that is on no record at all",
    "splices and terminations: a joint that holds fibres of both paths is shared already, and a "
    "fibre on a wrong port breaks the trace, which is a record gap",
    "which links make up a path, what circuits and links end at, the site of equipment, rings, the "
    "course of cables that are drawn and not listed, what circuits protect, and the rules",
    "what only brings paths too near, of circuits with more than two paths",
    "what stands behind several supplies of which one is enough: if both hung on one charger or "
    "stood in one room, paths that either feeds would share it",
)
"""What the walk-down does not look for. It stands on every sheet."""

CAUTIONS = (
    "This sheet is a list of records to verify. It is no permit: entering a site, lifting a pit "
    "cover, opening a panel and going near live lines need the owner's safety documents, licensed "
    "people and the local codes.",
    "A pit may hold gas or too little air, and traffic passes it: test and guard it before anyone "
    "enters.",
    "Fibres may carry laser light that the eye cannot see: never look into an end or a connector, "
    "and open none that carries a protection circuit.",
    "Look from the ground at spans and earth wires: keep the clearances, climb nothing.",
    "Do not unplug, move or switch anything to find out where it goes.",
)
"""Cautions for the walk: common practice, no source."""


class ValueFacts(TypedDict):
    """Another value that would undo the verdict.

    `value` is the id that would stand in place of `was`, or how far the thing would have to be
    moved. `shared` is what the paths would share, without what follows from something in it;
    none: they would come too near. `fits`: every other record would still agree.
    """

    was: str | None
    value: str
    cell: str | None
    distance_m: float | None
    moved_m: float | None
    beside: str
    shared: list[str]
    shared_count: int
    too_near: bool
    circuits: list[str]
    groups: list[str]
    fits: bool
    means: str


class KeyRecordFacts(TypedDict):
    """One record to look at: a cell of a row, with where it stands and what it would mean.

    `number` is its place in the ranking. `walked`: `undated`, `old` or `dated`.
    """

    number: int
    kind: Kind
    role: str
    id: str
    column: str
    file: str | None
    layer: str | None
    row: int | None
    recorded: str | None
    look_at: str
    says: str
    place: WorkPlace | None
    sites: list[str]
    surveyed: str | None
    walked: str
    points: int
    reasons: list[str]
    circuits: list[str]
    groups: list[str]
    values: list[ValueFacts]
    more_values: int


class HeldFacts(TypedDict):
    """A circuit or group, and the numbers of the records that it hangs on, of `count`."""

    id: str
    group: bool
    verdict: str
    records: list[int]
    count: int
    said: str


class WalkDownFacts(TypedDict):
    """What `walkdown --json` writes."""

    study: str
    revision: str | None
    on: str
    reach_m: float
    top: int
    oldest_survey_days: float | None
    circuits: list[HeldFacts]
    records: list[KeyRecordFacts]
    not_tried: list[str]
    cautions: list[str]


@dataclass(frozen=True)
class KeyRecord:
    """One record on which verdicts hang.

    Attributes
    ----------
    key : (str, int, str)
        Role, position in its table, column.
    errors : tuple of SingleError
        The values that would undo a verdict; the most plausible first.
    walked : int
        `UNDATED`, `OLD` or `DATED`.
    day : date or None
        When it was walked down.
    points : int
    reasons : tuple of str
    """

    key: tuple[str, int, str]
    errors: tuple[SingleError, ...]
    walked: int
    day: date | None
    points: int
    reasons: tuple[str, ...]


@dataclass(frozen=True)
class WalkDown:
    """The records that verdicts of `apart` hang on, ranked.

    Attributes
    ----------
    proof : Proof
    trials : tuple of int
        The circuits and groups that were asked for, as in `proof.trials`.
    records : tuple of KeyRecord
        All of them, the first to look at first.
    shown : dict of int to list of int
        By trial, positions in `records` of the first `top` that it hangs on.
    count : dict of int to int
        By trial, how many there are.
    top : int
    reach_m : float
    """

    proof: Proof
    trials: tuple[int, ...]
    records: tuple[KeyRecord, ...]
    shown: dict[int, list[int]]
    count: dict[int, int]
    top: int
    reach_m: float

    @cached_property
    def listed(self) -> list[int]:
        """Positions in `records` of those that are shown for any circuit or group, in order."""
        return sorted({one for some in self.shown.values() for one in some})

    def facts(self) -> WalkDownFacts:
        """Return the walk-down as plain data, as `walkdown --json` writes it.

        Returns
        -------
        WalkDownFacts
        """
        return _facts(self)

    def frame(self) -> gpd.GeoDataFrame:
        """Return one row for each record to look at and each circuit or group that hangs on it.

        Returns
        -------
        GeoDataFrame
            In longitude and latitude, the point to go to as geometry (None where the record has no
            place): `number`, `circuit` (circuit or group), `kind`, `role`, `id`, `column`,
            `recorded`, `value` (the most plausible that would undo it), `distance_m`, `shared`
            (ids joined by `;`), `too_near`, `fits`, `surveyed`, `points`, `file`, `layer`, `row`.
        """
        return _frame(self)

    def __repr__(self) -> str:
        return (
            f"WalkDown({self.proof.study.name!r}: {len(self.listed)} records for "
            f"{sum(bool(some) for some in self.shown.values())} circuits and groups)"
        )


def hangs_on(
    subject: Proof | Study,
    *,
    circuits: Sequence[str] | None = None,
    top: int = TOP,
    reach_m: float = REACH_M,
) -> WalkDown:
    """Find the records of which a single error would undo a verdict of `apart`.

    Parameters
    ----------
    subject : Proof or Study
    circuits : sequence of str, optional
        Only these circuits and groups; default: all.
    top : int
        How many records to show for each.
    reach_m : float
        How far, in metres, the truth may lie from the record.

    Returns
    -------
    WalkDown
        A circuit or group that is not apart hangs on nothing.

    Raises
    ------
    CallError
        There is no such circuit or group, or `top` or `reach_m` is not above 0.

    Examples
    --------
    >>> import waysapart as wa
    >>> proof = wa.prove(wa.read_study("examples/estuary"))
    >>> found = wa.hangs_on(proof, circuits=["C14"], top=2)
    >>> for record in found.facts()["records"]:
    ...     print(record["number"], record["look_at"])
    1 what N3-HER-duct-1 lies in: nothing, or ROW-1, TR-1
    2 where ENT-HER-2 is: is it more than 1.00 m from N2-HER-duct-1 (recorded 6.15 m)?
    """
    proof = subject if isinstance(subject, Proof) else prove(subject)
    if top < 1:
        raise CallError(f"top is {top}: show at least one record for each circuit")
    if not reach_m > 0:
        raise CallError(f"reach_m is {reach_m:g}: give metres above 0")
    names = {trial.id: number for number, trial in enumerate(proof.trials)}
    asked = list(range(len(proof.trials)))
    if circuits is not None:
        unknown = [name for name in circuits if name not in names]
        if unknown:
            raise CallError(
                f"no circuit or group is called {', '.join(unknown)} in this study"
                f"{did_you_mean(unknown[0], list(names))}"
            )
        asked = sorted({names[name] for name in circuits})
    errors = single_errors(proof, asked, reach_m=reach_m)
    records = _ranked(proof, errors)
    shown: dict[int, list[int]] = {one: [] for one in asked}
    count = dict.fromkeys(asked, 0)
    for place, record in enumerate(records):
        for trial in sorted({one.trial for one in record.errors}):
            count[trial] += 1
            if len(shown[trial]) < top:
                shown[trial].append(place)
    return WalkDown(proof, tuple(asked), tuple(records), shown, count, top, reach_m)


# --- The ranking: not walked down first, then by how plausible the error is.


def _ranked(proof: Proof, errors: Sequence[SingleError]) -> list[KeyRecord]:
    by_record: dict[tuple[str, int, str], list[SingleError]] = {}
    for one in errors:
        by_record.setdefault((one.role, one.row, one.column), []).append(one)
    found = [_record(proof, key, several) for key, several in by_record.items()]
    roles = list(proof.study.tables)

    def order(record: KeyRecord) -> tuple[object, ...]:
        best = record.errors[0]
        away = _away(best)
        role, row, column = record.key
        age = record.day.toordinal() if record.day is not None and record.walked else 0
        return (
            record.walked,
            age if record.walked == DATED else 0,
            -record.points,
            away,
            (roles.index(role)),
            row,
            column,
        )

    return sorted(found, key=order)


def _record(proof: Proof, key: tuple[str, int, str], errors: Sequence[SingleError]) -> KeyRecord:
    scored = sorted(
        errors,
        key=lambda one: (-sum(points for points, _ in _plausible(one)), _away(one), one.value),
    )
    trials = {one.trial for one in errors}
    walked, day, said = _walked(proof.study, key)
    parts = [*_plausible(scored[0]), *_recorded_blank(proof.study, scored[0])]
    if len(trials) >= _MANY:
        parts.append((2, f"{len(trials)} circuits and groups hang on it"))
    elif len(trials) >= _SEVERAL:
        parts.append((1, f"{len(trials)} circuits and groups hang on it"))
    points = sum(one for one, _ in parts)
    reasons = (said, *(text for _, text in parts))
    return KeyRecord(key, tuple(scored), walked, day, points, reasons)


def _away(error: SingleError) -> float:
    return _NEAR_M if np.isnan(error.distance_m) else error.distance_m


def _plausible(error: SingleError) -> list[tuple[int, str]]:
    """What makes a value plausible, with points."""
    found: list[tuple[int, str]] = []
    away = error.distance_m
    if np.isnan(away):
        found.append((2, "the other stands in the same site"))
    elif error.kind == "cable":
        found.append((3, "the other runs between the same two places"))
    else:
        points = 3 if away <= _CLOSE_M else 2 if away <= _NEAR_M else 1 if away <= _FAR_M else 0
        found.append((points, f"the other is {plain_metres(away)} m away"))
    if error.kind == "position":
        if error.fits:
            found.append((2, "the accuracy on record allows it"))
        elif not error.accuracy_m:
            found.append((1, _NO_ACCURACY))
        else:
            found.append((0, "it is farther than the accuracy on record"))
    elif error.fits:
        found.append((2, "no other record would contradict it"))
    else:
        found.append((0, "other records would contradict it, unless they are wrong too"))
    return found


def _recorded_blank(study: Study, error: SingleError) -> list[tuple[int, str]]:
    if error.was or error.column not in ("within", "supplies"):
        return []
    cell = study.tables[error.role][error.column].iloc[error.row]
    if isinstance(cell, str):
        return [(1, "the record says that there is none")]
    return [(3, "nothing is recorded, and the rules ([records]) take that as none")]


def _walked(study: Study, key: tuple[str, int, str]) -> tuple[int, date | None, str]:
    """Whether a record was walked down, when, and in words.

    Sites, structures and segments have a column `surveyed`; any other layer may have it as an
    extra one.
    """
    role, row, _ = key
    table = study.tables[role]
    value = table[SURVEYED].iloc[row] if SURVEYED in table.columns else None
    if value is None or pd.isna(value) or str(value).strip() == "":
        return UNDATED, None, "no day is on record on which it was walked down"
    try:
        day = date.fromisoformat(str(value).strip()[:10])
    except ValueError:
        return (
            UNDATED,
            None,
            f"surveyed is {str(value)!r}, which is no date: write it as 2026-03-31",
        )
    if day > study.on:
        return UNDATED, None, f"surveyed is {day.isoformat()}, after the day of this sheet"
    oldest = study.rules.records.oldest.survey
    if oldest is not None and (study.on - day).days > oldest:
        return (
            OLD,
            day,
            (
                f"walked down on {day.isoformat()}, longer ago than the {oldest:g} days that "
                "the rules allow"
            ),
        )
    return DATED, day, f"walked down on {day.isoformat()}"


# --- As plain data.


def _facts(found: WalkDown) -> WalkDownFacts:
    proof, study = found.proof, found.proof.study
    number = {place: rank for rank, place in enumerate(found.listed, start=1)}
    return {
        "study": study.name,
        "revision": study.revision,
        "on": study.on.isoformat(),
        "reach_m": found.reach_m,
        "top": found.top,
        "oldest_survey_days": study.rules.records.oldest.survey,
        "circuits": [
            {
                "id": proof.trials[trial].id,
                "group": proof.trials[trial].group_test is not None,
                "verdict": proof.verdicts[trial],
                "records": [number[place] for place in found.shown[trial]],
                "count": found.count[trial],
                "said": _held_said(found, trial),
            }
            for trial in found.trials
        ],
        "records": [
            _record_facts(proof, found.records[place], number[place]) for place in found.listed
        ],
        "not_tried": list(NOT_TRIED),
        "cautions": list(CAUTIONS),
    }


def _held_said(found: WalkDown, trial: int) -> str:
    verdict, count = found.proof.verdicts[trial], found.count[trial]
    if verdict == ACCEPTED:
        return "accepted by waiver, not apart: not looked into"
    if verdict != APART:
        return f"not apart ({verdict}): settle that first"
    if not count:
        return "no single error of the kinds that are tried would undo it"
    shown = len(found.shown[trial])
    return f"hangs on {count} record{'s' if count > 1 else ''}" + (
        f"; the first {shown} are shown" if shown < count else ""
    )


def _names(proof: Proof, trials: Sequence[int], *, groups: bool) -> list[str]:
    return [
        proof.trials[one].id
        for one in trials
        if (proof.trials[one].group_test is not None) == groups
    ]


def _record_facts(proof: Proof, record: KeyRecord, number: int) -> KeyRecordFacts:
    study = proof.study
    role, row, column = record.key
    table = study.tables[role]
    trials = sorted({one.trial for one in record.errors})
    by_value: dict[tuple[str, str], list[SingleError]] = {}
    for one in record.errors:
        by_value.setdefault((one.was, one.value), []).append(one)
    values = [_value_facts(proof, several) for several in by_value.values()]
    where = place_of(study, table, row)
    point = spot_of(proof, record)
    return {
        "number": number,
        "kind": record.errors[0].kind,
        "role": role,
        "id": record_id(study, role, row),
        "column": column,
        "file": where["file"],
        "layer": where["layer"],
        "row": where["row"],
        "recorded": recorded(study, record.key),
        "look_at": _look_at(study, record),
        "says": _says(study, record),
        "place": None if point is None else point_place(study, str(number), point),
        "sites": _sites(proof, record),
        "surveyed": None if record.day is None else record.day.isoformat(),
        "walked": ("undated", "old", "dated")[record.walked],
        "points": record.points,
        "reasons": list(record.reasons),
        "circuits": _names(proof, trials, groups=False),
        "groups": _names(proof, trials, groups=True),
        "values": values[:MOST_VALUES],
        "more_values": max(0, len(values) - MOST_VALUES),
    }


def record_id(study: Study, role: str, row: int) -> str:
    """Name a record: its id, or what stands for one in a table without ids.

    Parameters
    ----------
    study : Study
    role : str
    row : int
        Position in the role's table.

    Returns
    -------
    str
    """
    table = study.tables[role]
    if role == "cable_runs":
        return f"{table['cable'].iloc[row]} {_counted(table['seq'].iloc[row])}"
    if role == "link_runs":
        return f"{table['link'].iloc[row]} {_counted(table['seq'].iloc[row])}"
    return str(table["id"].iloc[row])


def _counted(value: Any) -> str:
    return f"{float(value):g}"


def recorded(study: Study, key: tuple[str, int, str]) -> str | None:
    """Read the cell of a record.

    Parameters
    ----------
    study : Study
    key : (str, int, str)
        Role, position in its table, column.

    Returns
    -------
    str or None
        None: blank, or a geometry.
    """
    role, row, column = key
    if column == "geometry":
        return None
    value = study.as_read(role)[column].iloc[row]
    if isinstance(value, (int, float)):
        return None if np.isnan(value) else f"{value:g}"
    return text_or_none(value)


def _value_facts(proof: Proof, errors: Sequence[SingleError]) -> ValueFacts:
    first = errors[0]
    trials = sorted({one.trial for one in errors})
    roots = sorted({asset for one in errors for asset in _roots(proof, one.shared)})
    names = proof.network.assets.ids(roots)
    near = not roots
    return {
        "was": first.was or None,
        "value": first.value,
        "cell": first.cell,
        "distance_m": figure(first.distance_m, "m"),
        "moved_m": figure(first.moved_m, "m"),
        "beside": proof.names[first.other][0],
        "shared": names[:MOST_SHARED],
        "shared_count": len(names),
        "too_near": near,
        "circuits": _names(proof, trials, groups=False),
        "groups": _names(proof, trials, groups=True),
        "fits": all(one.fits for one in errors),
        "means": _means(proof, first, names),
    }


def _roots(proof: Proof, shared: Sequence[int]) -> list[int]:
    """What is shared, without what the paths share because something shared lies in it."""
    among = set(shared)
    steps = proof.reliance.steps
    held = {
        holder
        for one in shared
        for holder in csr_row(steps, one).tolist()
        if holder in among and holder != one
    }
    return [one for one in shared if one not in held] or list(shared)


def _means(proof: Proof, error: SingleError, names: Sequence[str]) -> str:
    if not names:
        return "both paths would come closer than the rules allow, or cross"
    kinds = {name: kind or role for name, role, kind in proof.names}
    told = [f"{kinds[name]} {name}" for name in names[:MOST_SHARED]]
    return f"both paths would rely on {sentence_list(told)}" + (
        f" and {len(names) - MOST_SHARED} more" if len(names) > MOST_SHARED else ""
    )


# --- In words: what to look at, and what the record says.


def _first(record: KeyRecord) -> SingleError:
    return record.errors[0]


def _others(record: KeyRecord) -> str:
    """Ids that the record might name instead."""
    return few(list(dict.fromkeys(one.value for one in record.errors if one.value)), MOST_VALUES)


def _look_at(study: Study, record: KeyRecord) -> str:
    """What to look at on site."""
    role, row, column = record.key
    error, name = _first(record), record_id(study, role, row)
    if error.kind == "run":
        cable = study.tables[role]["cable"].iloc[row]
        return f"through what cable {cable} runs here: {error.was}, or {_others(record)}"
    if error.kind == "cable" and role == "link_runs":
        link = study.tables[role]["link"].iloc[row]
        return f"which cable carries link {link}: {error.was}, or {_others(record)}"
    if error.kind == "cable":
        return f"which cable carries {name}: {error.was}, or {_others(record)}"
    if error.kind == "end":
        end = "first" if column == "a" else "last"
        return f"where {name} ends (its {end} vertex): is it {_others(record)}?"
    if error.kind == "within":
        return f"what {name} lies in: {error.was or 'nothing'}, or {_others(record)}"
    if error.kind == "joint" and column == "at":
        return f"where joint {name} is: {error.was}, or {_others(record)}"
    if error.kind == "joint":
        return f"which cables joint {name} holds: is {_others(record)} in it as well?"
    if error.kind == "feed":
        what = "feeds" if column == "supplies" else "must work for"
        named = [one.was for one in record.errors if one.was]
        return f"what {what} {name}: {few(dict.fromkeys(named), 4) or 'nothing'}" + (
            f", or {_others(record)}" if _others(record) else ", and whether each is connected"
        )
    if error.kind == "panel":
        return f"through which panel link {name} goes: {error.was}, or {_others(record)}"
    if error.kind == "cord":
        return f"where cord {name} ends: on {error.was}, or {_others(record)}"
    if error.kind == "route":
        return f"what link {name} relies on: {error.was}, or {_others(record)}"
    if role == "hazards":
        return f"how far {name} reaches: as far as {_other_id(study, error.other)}?"
    return f"where {name} is: is it {few(_distances(study, record), MOST_VALUES)}?"


def _distances(study: Study, record: KeyRecord) -> list[str]:
    """What can be measured on site: how far it is recorded to be, and how near undoes it."""
    found = []
    for one in record.errors:
        least = max(one.distance_m - one.moved_m, 0.0)
        other = _other_id(study, one.other)
        recorded = plain_metres(one.distance_m)
        found.append(f"more than {plain_metres(least)} m from {other} (recorded {recorded} m)")
    return list(dict.fromkeys(found))


def _other_id(study: Study, number: int) -> str:
    count = 0
    for role in ASSET_ROLES:
        table = study.tables[role]
        if number < count + len(table):
            return str(table["id"].iloc[number - count])
        count += len(table)
    return ""


def _says(study: Study, record: KeyRecord) -> str:
    """What the record says, with the column that says it."""
    role, row, column = record.key
    name = record_id(study, role, row)
    cell = recorded(study, record.key)
    if column == "geometry":
        table = study.tables[role]
        accuracy = table["accuracy_m"].iloc[row] if "accuracy_m" in table.columns else float("nan")
        known = (
            f"accuracy_m {plain_metres(float(accuracy))}"
            if not np.isnan(accuracy)
            else "no accuracy_m on record"
        )
        return f"its position in the layer of {role}; {known}"
    if cell is None and column in ("a", "b"):
        return f"{column} of {name} is blank: the place within snap_m of the vertex counts"
    if cell is None:
        return f"{column} of {name} is blank"
    if cell == KNOWN_EMPTY:
        return f"{column} of {name} is '-': known to be none"
    if role in ("cable_runs", "link_runs"):
        table = study.tables[role]
        of = table["cable" if role == "cable_runs" else "link"].iloc[row]
        return f"row {_counted(table['seq'].iloc[row])} of {of}: {column} is {cell}"
    return f"{column} of {name} is {cell}"


# --- Where to go.


def spot_of(proof: Proof, record: KeyRecord) -> shapely.Point | None:
    """Find the point to go to: on what the record is about, nearest what it may be instead.

    Parameters
    ----------
    proof : Proof
    record : KeyRecord

    Returns
    -------
    Point or None
        In the study's plane; None where nothing on record places it.
    """
    error = _first(record)
    here = subject_shape(proof, record)
    there = asset_shape(proof, error.other)
    if here is None:
        here, there = there, None
    if here is None:
        return None
    if here.geom_type == "Point":
        return shapely.Point(here)
    if there is not None and shapely.distance(here, there) > 0:
        return shapely.Point(shapely.get_coordinates(shapely.shortest_line(here, there))[0])
    if here.geom_type == "LineString":
        if error.kind == "end":
            vertex = 0 if error.column == "a" else -1
            return shapely.Point(shapely.get_point(here, vertex))
        return shapely.Point(here.interpolate(0.5, normalized=True))
    return shapely.Point(shapely.point_on_surface(here))


def subject_shape(proof: Proof, record: KeyRecord) -> Any:
    """Find the geometry of what a record is about.

    Parameters
    ----------
    proof : Proof
    record : KeyRecord

    Returns
    -------
    Geometry or None
        In the study's plane: of a run the segment that it names, of what stands indoors the site.
    """
    role, row, _ = record.key
    assets, error = proof.network.assets, _first(record)
    if error.kind == "end":
        line = proof.study.geometries("segments")[row]
        return None if line is None else shapely.get_point(line, 0 if error.column == "a" else -1)
    if role in assets.start:
        return asset_shape(proof, assets.start[role] + row)
    number = int(assets.numbers([error.was])[0]) if error.was else -1
    return asset_shape(proof, number) if number >= 0 else None


def asset_shape(proof: Proof, number: int) -> Any:
    """Find the geometry of an asset, or of the site, structure or segments that stand for it.

    Parameters
    ----------
    proof : Proof
    number : int
        Asset number.

    Returns
    -------
    Geometry or None
        In the study's plane.
    """
    assets, study = proof.network.assets, proof.study
    roles = assets.frame["role"]
    role = str(roles.iloc[number])
    own = study.geometries(role)[number - assets.start[role]]
    if own is not None:
        return own
    if role == "cables":
        chains = proof.network.chains
        rows = chains.rows(number - assets.start["cables"])
        lines = [one for one in study.geometries("segments")[chains.segment[rows]] if one]
        return shapely.union_all(lines) if lines else None
    inside = proof.network.within[:, [number]].nonzero()[0]
    shapes = [
        study.geometries(str(roles.iloc[one]))[one - assets.start[str(roles.iloc[one])]]
        for one in inside.tolist()
    ]
    drawn = [one for one in shapes if one is not None]
    if drawn:
        return shapely.union_all(drawn)
    above = csr_row(proof.reliance.closed, number).tolist()
    for wanted in ("structures", "sites"):
        of = assets.of_role(wanted)
        for one in above:
            if of.start <= one < of.stop:
                shape = study.geometries(wanted)[one - of.start]
                if shape is not None:
                    return shape
    return None


def _sites(proof: Proof, record: KeyRecord) -> list[str]:
    """Sites where what the record is about stands."""
    role, row, _ = record.key
    assets = proof.network.assets
    if role not in assets.start:
        return []
    of = assets.of_role("sites")
    above = csr_row(proof.reliance.closed, assets.start[role] + row)
    return assets.ids(sorted(one for one in above.tolist() if of.start <= one < of.stop))


def _frame(found: WalkDown) -> gpd.GeoDataFrame:
    import geopandas as gpd

    proof = found.proof
    rows: list[dict[str, Any]] = []
    shapes: list[Any] = []
    for rank, place in enumerate(found.listed, start=1):
        record = found.records[place]
        role, row, column = record.key
        where = place_of(proof.study, proof.study.tables[role], row)
        point = spot_of(proof, record)
        for trial in sorted(one for one, some in found.shown.items() if place in some):
            error = next(one for one in record.errors if one.trial == trial)
            rows.append(
                {
                    "number": rank,
                    "circuit": proof.trials[trial].id,
                    "kind": error.kind,
                    "role": role,
                    "id": record_id(proof.study, role, row),
                    "column": column,
                    "recorded": recorded(proof.study, record.key),
                    "value": error.value,
                    "distance_m": error.distance_m,
                    "shared": ";".join(proof.network.assets.ids(_roots(proof, error.shared))),
                    "too_near": not error.shared,
                    "fits": error.fits,
                    "surveyed": record.day,
                    "points": record.points,
                    **where,
                }
            )
            shapes.append(point)
    columns = [
        *("number", "circuit", "kind", "role", "id", "column", "recorded", "value"),
        *("distance_m", "shared", "too_near", "fits", "surveyed", "points"),
        *("file", "layer", "row"),
    ]
    made = np.empty(len(shapes), dtype=object)
    made[:] = shapes
    drawn = np.flatnonzero([one is not None for one in shapes])
    if len(drawn):
        made[drawn] = proof.study.plane.shapes_in_degrees(made[drawn])
    return gpd.GeoDataFrame(
        pd.DataFrame(rows, columns=columns), geometry=list(made), crs="EPSG:4326"
    )

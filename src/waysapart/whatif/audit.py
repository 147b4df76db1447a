"""Why circuits differ between two proofs: the records, rules, waivers and days that moved.

`compare` says what differs; `causes_of` lists what of the input differs that each circuit rests
on. A circuit rests on what its paths rely on, on the rows that say how they run, and on what any of
these names. Of what differs there, only what bears on the kind of thing that differs is a cause: a
reserve bears on loss and not on what is shared. Where more than one is left, each is one of them.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any, Literal, TypedDict

from waysapart.schema import LIST_SEPARATOR, ROLES
from waysapart.whatif.aspects import (
    ASPECTS,
    EVERYTHING,
    PathReliance,
    bears_on,
    moved_aspects,
    reliance_changes,
    reliances,
    rule_bears_on,
)
from waysapart.whatif.differences import (
    by_day,
    came_or_went,
    cell_said,
    inputs_said,
    place_of,
    rule_changes,
    setting_changes,
    value_said,
    waiver_changes,
    waiver_said,
)
from waysapart.whatif.record_changes import (
    CellDifference,
    RecordDifference,
    Row,
    RowChange,
    cells_of,
    changed_rows,
    name_of,
    rows_of,
)

Facts = Mapping[str, Any]
CauseKind = Literal[
    "record", "rule", "default", "setting", "waiver", "date", "out", "inputs", "program"
]


class DifferenceCause(TypedDict):
    """Something that differs and may be why a circuit, group or scheme does.

    `record` is the place of a record in `records_changed`, from 0; `explains` says what of the
    circuit it may explain; `sure`: nothing else that differs may explain that.
    """

    kind: CauseKind
    text: str
    record: int | None
    column: str | None
    before: Any
    after: Any
    explains: list[str]
    sure: bool


# --- Which circuits rest on a record.

_UP = ("within", "supplies", "needs", "carried_by", "site", "relies_on", "via", "protects", "at")
"""Columns by which one thing depends on another."""
_OWNERS: Mapping[str, tuple[str, ...]] = {
    "cable_runs": ("cable",),
    "link_runs": ("link",),
    "circuit_paths": ("circuit",),
    "rings": ("ring", "link"),
    "ring_circuits": ("circuit",),
    "terminations": ("cable", "equipment"),
    "splices": ("joint",),
    "measurements": ("cable", "link"),
    "patches": ("id", "a", "b"),
}
"""Columns that name what rests on a row without an id of its own."""


class _Ties:
    """Which circuits rest on what, on either side."""

    def __init__(self, sides: Sequence[Facts], rows: Sequence[Mapping[str, list[Row]]]) -> None:
        self._by_id: dict[str, set[str]] = defaultdict(set)
        self._of_trace: dict[str, set[tuple[str, int]]] = defaultdict(set)
        self._up: dict[str, set[str]] = defaultdict(set)
        self._protected: dict[str, set[str]] = defaultdict(set)
        for facts in sides:
            self._read(facts)
        for mine in rows:
            self._read_rows(mine)

    def _read(self, facts: Facts) -> None:
        for circuit, paths in reliances(facts).items():
            for every in paths.values():
                for asset in every:
                    self._by_id[asset].add(circuit)
        traces = {name: one.get("trace") or {} for name, one in _links(facts).items()}
        for row in facts.get("circuits") or ():
            name = str(row["id"])
            self._by_id[name].add(name)
            for path in (row.get("paths") or {}).values():
                for link in (path or {}).get("links", ()):
                    self._by_id[str(link)].add(name)
                    for steps in (traces.get(link) or {}).values():
                        for step in steps:
                            if step.get("cable") is not None and step.get("fibre") is not None:
                                fibre = str(step["cable"]), int(step["fibre"])
                                self._of_trace[name].add(fibre)
            for thing in row.get("protects") or ():
                self._protected[str(thing)].add(name)

    def _read_rows(self, rows: Mapping[str, list[Row]]) -> None:
        for role, mine in rows.items():
            names = [name for name in _UP if name in ROLES[role].column]
            for row in mine:
                below = row.cells.get("id")
                if below is None:
                    if role == "ring_circuits":
                        owner = str(row.cells.get("circuit"))
                        self._by_id[str(row.cells.get("ring"))].add(owner)
                    continue
                for name in names:
                    for above in _items(row.cells.get(name)):
                        self._up[above].add(str(below))

    def circuits(self, change: RowChange) -> set[str]:
        """The circuits that rest on a record, before or after."""
        names: set[str] = set()
        for row in change.sides():
            columns = _OWNERS.get(row.role, ("id",))
            names |= {str(row.cells[name]) for name in columns if name in row.cells}
        found: set[str] = set()
        waiting, seen = list(names), set(names)
        while waiting:  # what depends on it
            at = waiting.pop()
            found |= self._by_id.get(at, set())
            for below in self._up.get(at, ()):
                if below not in seen:
                    seen.add(below)
                    waiting.append(below)
        if self._protected:
            found |= self._protecting(change)
        if change.now.role in ("splices", "terminations"):
            fibres = {one for row in change.sides() for one in _fibres(row)}
            found = {
                one for one in found if not self._of_trace.get(one) or self._of_trace[one] & fibres
            }
        return found

    def _protecting(self, change: RowChange) -> set[str]:
        """Circuits that protect what the record lies in, or it itself."""
        found: set[str] = set()
        for row in change.sides():
            for name in (row.cells.get("id"), *_items(row.cells.get("within"))):
                found |= self._protected.get(str(name), set())
        return found


def _items(cell: Any) -> list[str]:
    return [one for one in str(cell).split(LIST_SEPARATOR) if one] if cell is not None else []


def _fibres(row: Row) -> Iterator[tuple[str, int]]:
    for cable, fibre in (("a_cable", "a_fibre"), ("b_cable", "b_fibre"), ("cable", "fibre")):
        number = row.cells.get(fibre)
        if cable in row.cells and isinstance(number, (int, float)):
            yield str(row.cells[cable]), int(number)


# --- Causes.


@dataclass(frozen=True)
class _Candidate:
    """Something that differs, and what of a circuit it bears on."""

    cause: DifferenceCause
    bears: frozenset[str]
    names: frozenset[str] = frozenset()
    leads_to: frozenset[str] = frozenset()

    def telling(self, named: set[str]) -> int:
        """How closely it is tied to ids in what came and went: what leads there, then the row."""
        return 2 if self.leads_to & named else 1 if self.names & named else 0


class Audit:
    """What of the input differs between two proofs, and whose cause it may be.

    Parameters
    ----------
    before, after : Evidence
    """

    def __init__(self, before: Facts, after: Facts) -> None:
        self.before, self.after = before, after
        rows = rows_of(before), rows_of(after)
        self.missing: list[str] = [
            side for side, mine in zip(("before", "after"), rows, strict=True) if mine is None
        ]
        self.rows: list[RowChange] = []
        if rows[0] is not None and rows[1] is not None:
            self.rows = changed_rows(rows[0], rows[1])
        self._ties = _Ties((before, after), [mine for mine in rows if mine is not None])
        self.rules = rule_changes(before, after)
        self.settings = setting_changes(before, after)
        self.waivers = waiver_changes(before, after)
        self._explained: dict[int, set[str]] = defaultdict(set)
        self._links: tuple[dict[str, Facts], dict[str, Facts]] = (_links(before), _links(after))

    @property
    def same_program(self) -> bool:
        """Whether both proofs are of one version of the program."""
        return bool(self.before.get("waysapart") == self.after.get("waysapart"))

    @cached_property
    def _resting(self) -> list[set[str]]:
        """The circuits that rest on each changed record."""
        return [self._ties.circuits(one) for one in self.rows]

    @cached_property
    def reliances(self) -> tuple[dict[str, dict[str, frozenset[str]]], ...]:
        """All that every path relies on, before and after."""
        return reliances(self.before), reliances(self.after)

    def relies(self, circuit: str) -> list[PathReliance]:
        """What the paths of a circuit rely on that they did not, and no longer do."""
        was, now = self.reliances
        return reliance_changes(was.get(circuit, {}), now.get(circuit, {}))

    def moved(self, before: Facts | None, after: Facts | None) -> list[str]:
        """What of a circuit, group or scheme differs, however little."""
        if before is None or after is None:
            return []
        found = moved_aspects(before, after, self._links)
        if self.relies(str(after["id"])) and "relies" not in found:
            found.append("relies")
        return [one for one in ASPECTS if one in found]

    def causes(
        self, owner: str, circuits: Iterable[str], aspects: Sequence[str], named: Iterable[str] = ()
    ) -> list[DifferenceCause]:
        """What differs of the input that a circuit or group rests on, most telling first.

        Parameters
        ----------
        owner : str
            Id of the circuit, group or scheme.
        circuits : iterable of str
            The circuits that it consists of: itself, or its members.
        aspects : sequence of str
            What of it differs, from `moved`.
        named : iterable of str
            Ids in what came and went: a record of one of these comes first.

        Returns
        -------
        list of DifferenceCause
        """
        if not aspects:
            return []
        mine, telling = set(circuits), set(named)
        candidates = [
            *self._of_records(mine),
            *self._of_rules(mine),
            *self._of_settings(),
            *self._of_waivers({owner, *mine}),
            *self._of_days(mine),
            *self._of_out(),
        ]
        wanted = set(aspects) - {"relies"} or {"relies"}
        chosen = [one for one in candidates if one.bears & wanted]
        left = wanted - {aspect for one in chosen for aspect in one.bears}
        if left or not chosen:  # nothing bears on it as far as is known: whatever differs there
            chosen += [one for one in candidates if one not in chosen]
        counts = Counter(
            aspect for one in chosen for aspect in (one.bears & wanted or frozenset(wanted))
        )
        chosen.sort(
            key=lambda one: (
                -one.telling(telling),
                len(one.bears),
                one.cause["kind"] != "record",
            )
        )
        found: list[DifferenceCause] = []
        for one in chosen:
            explains = [aspect for aspect in ASPECTS if aspect in (one.bears & wanted or wanted)]
            sure = (
                self.same_program
                and not self.missing
                and all(counts[aspect] == 1 for aspect in explains)
            )
            found.append({**one.cause, "explains": explains, "sure": sure})
            if one.cause["record"] is not None:
                self._explained[one.cause["record"]].add(owner)
        return found or [self._unknown(list(aspects))]

    def _unknown(self, aspects: list[str]) -> DifferenceCause:
        """The cause where no record, rule, waiver or day that it rests on differs."""
        if self.missing:
            files = inputs_said(self.before, self.after)
            whose = " and ".join(self.missing)
            text = f"the evidence {whose} holds no records; {files}"
            return _cause("inputs", text, explains=aspects)
        versions = self.before.get("waysapart"), self.after.get("waysapart")
        said = (
            f"the program differs: {versions[0]}, now {versions[1]}"
            if versions[0] != versions[1]
            else f"both were proved by {versions[1]}"
        )
        text = f"no record, rule, waiver or day that it rests on differs; {said}"
        return _cause("program", text, before=versions[0], after=versions[1], explains=aspects)

    def _of_records(self, circuits: set[str]) -> Iterator[_Candidate]:
        for place, (change, resting) in enumerate(zip(self.rows, self._resting, strict=True)):
            if not resting & circuits:
                continue
            row = change.now
            names = frozenset(
                str(one.cells[name])
                for one in change.sides()
                for name in ("id", *_OWNERS.get(one.role, ()))
                if name in one.cells
            )
            if change.before is None or change.after is None:
                text = f"{place_of(row)}: {name_of(row)} {came_or_went(change)}"
                yield _Candidate(_cause("record", text, record=place), EVERYTHING, names)
                continue
            for cell in self.cells[place]:
                text = f"{place_of(row)}, {cell_said(cell)} ({name_of(row)})"
                cause = _cause(
                    "record",
                    text,
                    record=place,
                    column=cell["column"],
                    before=cell["before"],
                    after=cell["after"],
                )
                leads_to = frozenset((*_items(cell["before"]), *_items(cell["after"])))
                yield _Candidate(cause, bears_on(row.role, cell["column"]), names, leads_to)

    @cached_property
    def cells(self) -> list[list[CellDifference]]:
        """The cells of each changed record that differ."""
        return [cells_of(change) for change in self.rows]

    def _of_rules(self, circuits: set[str]) -> Iterator[_Candidate]:
        services = {
            str(row.get("service"))
            for facts in (self.before, self.after)
            for row in facts.get("circuits", ())
            if str(row["id"]) in circuits
        }
        for rule in self.rules:
            if rule["kind"] == "used":
                continue
            parts = rule["key"].split(".")
            if parts[0] == "services" and parts[1].strip('"') not in services:
                continue
            kind: CauseKind = "rule" if rule["kind"] == "rule" else "default"
            what = "rule" if kind == "rule" else "shipped default"
            text = (
                f"{what} {rule['key']}: {value_said(rule['before'])} to {value_said(rule['after'])}"
            )
            cause = _cause(
                kind, text, column=rule["key"], before=rule["before"], after=rule["after"]
            )
            yield _Candidate(cause, rule_bears_on(rule["key"]))

    def _of_settings(self) -> Iterator[_Candidate]:
        for one in self.settings:
            said = f"{value_said(one['before'])} to {value_said(one['after'])}"
            cause = _cause(
                "setting",
                f"study.toml, {one['key']}: {said}",
                column=one["key"],
                before=one["before"],
                after=one["after"],
            )
            yield _Candidate(cause, EVERYTHING - {"said"})

    def _of_waivers(self, owners: set[str]) -> Iterator[_Candidate]:
        for one in self.waivers:
            if one["circuit"] not in owners or one["change"] == "changed":
                continue
            days = self.before.get("on"), self.after.get("on")
            cause = _cause(
                "date" if by_day(one, *days) else "waiver",
                waiver_said(one, *days),
                before=(one["before"] or {}).get("state"),
                after=(one["after"] or {}).get("state"),
            )
            names = frozenset(
                str(name)
                for name in (one["asset"], one["within"], *(one["pair"] or ()))
                if name is not None
            )
            yield _Candidate(cause, frozenset({"waivers", "gaps", "shared", "near"}), names)

    def _of_days(self, circuits: set[str]) -> Iterator[_Candidate]:
        """The day of judgement, where records became too old, or no longer are."""
        days = self.before.get("on"), self.after.get("on")
        if days[0] == days[1] or None in days:
            return
        old = [
            {
                (gap["code"], gap["asset"], gap.get("count"))
                for row in facts.get("circuits", ())
                if str(row["id"]) in circuits
                for gap in row.get("gaps", ())
                if str(gap["code"]) in _AGED
            }
            for facts in (self.before, self.after)
        ]
        if old[0] != old[1]:
            text = f"judged on {days[1]}, before on {days[0]}: ages of records count from that day"
            cause = _cause("date", text, before=days[0], after=days[1])
            yield _Candidate(cause, frozenset({"gaps", "loss", "delay", "length"}))

    def _of_out(self) -> Iterator[_Candidate]:
        was, now = (sorted(facts.get("out") or ()) for facts in (self.before, self.after))
        if was != now:
            text = f"study.toml, out: {value_said(was)} to {value_said(now)}"
            cause = _cause("out", text, column="out", before=was, after=now)
            yield _Candidate(cause, EVERYTHING - {"said"}, frozenset({*was} ^ {*now}))

    def records(self) -> list[RecordDifference] | None:
        """The records that differ, or None where one side holds none; after all `causes`."""
        if self.missing:
            return None
        groups = _groups_of(self.before, self.after)
        found: list[RecordDifference] = []
        for place, (change, resting) in enumerate(zip(self.rows, self._resting, strict=True)):
            row = change.now
            found.append(
                {
                    "role": row.role,
                    "id": name_of(row),
                    "change": "added"
                    if change.before is None
                    else "removed"
                    if change.after is None
                    else "changed",
                    "file": row.file,
                    "layer": row.layer,
                    "row": row.number,
                    "row_before": None if change.before is None else change.before.number,
                    "cells": self.cells[place],
                    "circuits": sorted(resting),
                    "groups": sorted({one for name in resting for one in groups.get(name, ())}),
                    "explains": sorted(self._explained.get(place, ())),
                }
            )
        return found


_AGED = frozenset({"survey-old", "test-old", "leased-old"})


def _links(facts: Facts) -> dict[str, Facts]:
    """Entries of links by id; the first release called that `link`."""
    return {str(one.get("id", one.get("link"))): one for one in facts.get("links") or ()}


def _groups_of(*sides: Facts) -> dict[str, set[str]]:
    """The groups of each circuit."""
    found: dict[str, set[str]] = defaultdict(set)
    for facts in sides:
        for group in facts.get("groups") or ():
            for member in group.get("members", ()):
                found[str(member)].add(str(group["id"]))
    return found


def _cause(
    kind: CauseKind,
    text: str,
    *,
    record: int | None = None,
    column: str | None = None,
    before: Any = None,
    after: Any = None,
    explains: list[str] | None = None,
) -> DifferenceCause:
    return {
        "kind": kind,
        "text": text,
        "record": record,
        "column": column,
        "before": before,
        "after": after,
        "explains": explains or [],
        "sure": False,
    }

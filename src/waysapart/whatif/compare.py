"""What changed between two studies: circuit by circuit, finding by finding, record by record."""

from __future__ import annotations

import hashlib
import json
from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import date
from functools import cached_property
from pathlib import Path
from typing import Any, TypedDict

import numpy as np
import pandas as pd
import shapely

from waysapart.errors import CallError
from waysapart.evidence import FORMAT, misfits
from waysapart.evidence_file import NoEvidenceError, carried, in_full, is_page
from waysapart.input_files import MOST_EVIDENCE_BYTES, RefusedError, read_bytes
from waysapart.network.build_network import Network
from waysapart.schema import ROLES
from waysapart.study.model import Study
from waysapart.study.read import read_study
from waysapart.verdicts.proof import WORST_FIRST
from waysapart.verdicts.prove import Proof, prove
from waysapart.whatif.audit import Audit
from waysapart.whatif.changes import (
    CHANGES,
    SAME,
    BeforeAfter,
    Difference,
    DifferenceFacts,
    changes,
    ended_waivers,
)
from waysapart.whatif.differences import RuleDifference, SettingDifference, WaiverDifference
from waysapart.whatif.due import DUE_DAYS, DueTable, check_days, due
from waysapart.whatif.proposal_plant import (
    BesideFacts,
    ChangedPlant,
    PassFacts,
    ProposalContent,
    new_beside,
    new_passes,
    proposal_rows,
)
from waysapart.whatif.reasons import WORSE
from waysapart.whatif.record_changes import RecordDifference
from waysapart.whatif.signatures import (
    SignatureFacts,
    assumptions_differ,
    signature_counts,
    signatures,
    to_sign_again,
)

Side = Study | Network | Proof | Mapping[str, Any] | Path | str
"""One side of a comparison: a study, proved or not, its folder, or the evidence of a proof."""


class InputDifference(BeforeAfter):
    """An input file that differs, by its SHA-256."""

    file: str


class Heading(TypedDict):
    """Which proof one side is."""

    study: str | None
    revision: str | None
    made: str | None
    waysapart: str | None
    on: str | None
    summary: Mapping[str, Any] | None
    out: list[str] | None
    sha256: str | None


class ComparisonFacts(TypedDict):
    """A comparison as plain data."""

    before: Heading
    after: Heading
    nothing_changed: bool
    summary: dict[str, int]
    proposal: ProposalContent | None
    unread: list[str]
    circuits: list[DifferenceFacts]
    groups: list[DifferenceFacts]
    schemes: list[DifferenceFacts]
    passes: list[PassFacts]
    beside: list[BesideFacts]
    shared_went: list[str]
    shared_came: list[str]
    rules: list[RuleDifference]
    inputs: list[InputDifference]
    records: dict[str, RecordFacts] | None
    records_missing: list[str]
    records_changed: list[RecordDifference] | None
    settings: list[SettingDifference]
    waivers: list[WaiverDifference]
    signed: dict[str, int] | None
    signatures: list[SignatureFacts] | None
    due: DueTable | None


@dataclass(frozen=True)
class Comparison:
    """Two proofs compared; `facts()` is what `--json` writes.

    Attributes
    ----------
    before, after : dict
        Facts of both proofs.
    circuits, groups, schemes : list of Difference
        In the order of `after`; what is gone comes last.
    records : dict of str to RecordChanges, or None
        Per role; None where one side is evidence alone, without its tables.
    proofs : tuple of Proof or None
        Both proofs, as far as they were made here (for a map of both).
    due_days : int or None
        How far ahead `due` looks; None: `DUE_DAYS` in an audit, and not at all else.
    digest : str or None
        SHA-256 of the evidence before, where it stands in a file.
    """

    before: Mapping[str, Any]
    after: Mapping[str, Any]
    circuits: list[Difference]
    groups: list[Difference]
    schemes: list[Difference]
    records: dict[str, RecordChanges] | None
    proofs: tuple[Proof | None, Proof | None]
    due_days: int | None = None
    digest: str | None = None

    def counts(self) -> dict[str, int]:
        """How many circuits changed how."""
        found = Counter(change.change for change in self.circuits)
        return {change: found.get(change, 0) for change in CHANGES}

    @property
    def worse(self) -> bool:
        """Whether any circuit, group or scheme got worse."""
        every = (*self.circuits, *self.groups, *self.schemes)
        return any(change.change == WORSE for change in every)

    @property
    def nothing_changed(self) -> bool:
        """Whether no verdict, finding, figure, assumption, rule or record differs."""
        every = (*self.circuits, *self.groups, *self.schemes)
        return (
            all(change.change == SAME and not change.differs for change in every)
            and not self.rules
            and not self.records
            and not self.audit.rows
            and not self.audit.settings
            and not self.audit.waivers
            and not assumptions_differ(self.before, self.after)
            and not (self.audit.missing and self.inputs)
        )

    @cached_property
    def audit(self) -> Audit:
        """The records, rules, waivers and days that differ, as causes."""
        return Audit(self.before, self.after)

    @property
    def rules(self) -> list[RuleDifference]:
        """Values of the rules that differ: key, before, after, and whose they are."""
        return self.audit.rules

    @property
    def inputs(self) -> list[InputDifference]:
        """Input files that differ: file, before, after (SHA-256; null: not there)."""
        sides = [
            {row["file"]: row["sha256"] for row in facts.get("inputs", [])}
            for facts in (self.before, self.after)
        ]
        return [
            {"file": file, "before": sides[0].get(file), "after": sides[1].get(file)}
            for file in sorted({*sides[0], *sides[1]})
            if sides[0].get(file) != sides[1].get(file)
        ]

    @property
    def proposal(self) -> ProposalContent | None:
        """What the study after adds to, replaces in and removes from the one before.

        None where it does not extend that study, or is evidence alone.
        """
        before, after = self.proofs
        if after is None:
            return None
        base = self.before.get("study")
        return proposal_rows(before.study if before else None, after.study, base)

    @property
    def unread(self) -> list[str]:
        """Files, layers and sheets that lie with the study after and that nothing reads."""
        after = self.proofs[1]
        return [] if after is None else list(after.study.unread)

    @cached_property
    def passes(self) -> list[PassFacts]:
        """Structures that segments pass and did not before, new plant and old."""
        before, after = self.proofs
        if after is None:
            return []
        return new_passes(before.network if before else None, after, self._new_plant)

    @cached_property
    def beside(self) -> list[BesideFacts]:
        """New plant of one path that runs beside old plant of another, too near."""
        return new_beside(self.after, self._new_plant)

    @cached_property
    def _new_plant(self) -> ChangedPlant:
        """Segments and structures that were added, moved, or put between other ends."""
        found: dict[str, frozenset[str]] = {}
        proposal = self.proposal
        for role in ("segments", "structures"):
            ids: list[str] = []
            if self.records is not None:
                change = self.records.get(role, RecordChanges([], [], {}))
                moved = [name for name, columns in change.changed.items() if _LIE & {*columns}]
                ids = [*change.added, *moved]
            elif proposal is not None and role in proposal["rows"]:
                rows = proposal["rows"][role]
                ids = [*rows["added"], *rows["replaced"]]
            found[role] = frozenset(ids)
        return ChangedPlant(found["segments"], found["structures"])

    @property
    def is_audit(self) -> bool:
        """Whether evidence that may have been signed is held against a study."""
        return self.proofs[0] is None and self.proofs[1] is not None

    @cached_property
    def signatures(self) -> list[SignatureFacts] | None:
        """What was signed and whether it holds, in an audit; else None."""
        if not self.is_audit:
            return None
        return signatures(self.before, self.after, self.circuits, self.groups)

    @cached_property
    def due(self) -> DueTable | None:
        """What falls due after the day of judgement; None where nobody asks."""
        after = self.proofs[1]
        if after is None or (self.due_days is None and not self.is_audit):
            return None
        return due(after, DUE_DAYS if self.due_days is None else self.due_days)

    def exit_code(self, *, strict: bool = False) -> int:
        """Say how it ended as `waysapart compare` does.

        Parameters
        ----------
        strict : bool
            Whether what has to be signed again counts as well.

        Returns
        -------
        int
            1 if anything got worse; 3, where `strict`, if nothing did, but a signature under the
            evidence before has lapsed, or something came that nobody has signed; else 0.
        """
        if self.worse:
            return 1
        return 3 if strict and self.signatures and to_sign_again(self.signatures) else 0

    def facts(self) -> ComparisonFacts:
        """The comparison as plain data."""
        went, came = shared_assets(self.before), shared_assets(self.after)
        circuits = self._told("circuits", self.circuits)
        groups = self._told("groups", self.groups)
        schemes = self._told("schemes", self.schemes)
        return {
            "before": _heading(self.before, self.digest),
            "after": _heading(self.after),
            "nothing_changed": self.nothing_changed,
            "summary": {
                **self.counts(),
                "groups_worse": sum(change.change == WORSE for change in self.groups),
                "schemes_worse": sum(change.change == WORSE for change in self.schemes),
                "within_tolerance": sum(
                    change.change == SAME and change.differs for change in self.circuits
                ),
            },
            "proposal": self.proposal,
            "unread": self.unread,
            "circuits": circuits,
            "groups": groups,
            "schemes": schemes,
            "passes": self.passes,
            "beside": self.beside,
            "shared_went": sorted(went - came),
            "shared_came": sorted(came - went),
            "rules": self.rules,
            "inputs": self.inputs,
            "records": None
            if self.records is None
            else {role: change.as_dict() for role, change in self.records.items()},
            "records_missing": self.audit.missing,
            "records_changed": self.audit.records(),
            "settings": self.audit.settings,
            "waivers": self.audit.waivers,
            "signed": None if self.signatures is None else signature_counts(self.signatures),
            "signatures": self.signatures,
            "due": self.due,
        }

    def _told(self, what: str, changes: list[Difference]) -> list[DifferenceFacts]:
        """Circuits, groups or schemes with what of each moved, and its causes."""
        before, after = (
            {str(row["id"]): row for row in facts.get(what, [])}
            for facts in (self.before, self.after)
        )
        found = []
        for change in changes:
            rows = before.get(change.id), after.get(change.id)
            moved = self.audit.moved(*rows)
            mine = [change.id] if what == "circuits" else _members(*rows)
            relies = self.audit.relies(change.id) if what == "circuits" else []
            named = [
                *_flat([*change.went.values(), *change.came.values()]),
                *(name for path in relies for name in (*path["came"], *path["went"])),
            ]
            causes = self.audit.causes(change.id, mine, moved, named)
            found.append(change.as_dict(moved, relies, causes))
        return found

    def __repr__(self) -> str:
        if self.nothing_changed:
            return "Comparison(nothing changed)"
        counts = ", ".join(f"{count} {change}" for change, count in self.counts().items() if count)
        return f"Comparison({self.before.get('study')!r} to {self.after.get('study')!r}: {counts})"


def compare(
    before: Side, after: Side, *, on: date | None = None, due_days: int | None = None
) -> Comparison:
    """What a change to a study brings, circuit by circuit.

    Parameters
    ----------
    before, after : Study, Network, Proof, path or facts
        A study, tied or proved or not; its folder; or the evidence of an
        earlier proof: what `prove --json` wrote, or the report that was signed, as a file, or as
        data.
    on : date, optional
        The day for which studies that are given by their folders are judged; default: today.
    due_days : int, optional
        How many days ahead `Comparison.due` looks for what falls due; default: 90 where `before`
        is evidence, and not at all else.

    Returns
    -------
    Comparison

    Raises
    ------
    CallError
        A file that holds no evidence of a proof; `due_days` where `after` is evidence, or out of
        range.
    StudyError
        A study that cannot be used.

    Notes
    -----
    See `waysapart.whatif.tolerances` for what counts as better or worse.

    Examples
    --------
    >>> import waysapart as wa
    >>> proof = wa.prove(wa.read_study("examples/estuary"))
    >>> comparison = wa.compare(proof, "examples/proposal-a")
    >>> comparison.counts()
    {'worse': 1, 'better': 0, 'same': 32, 'new': 0, 'gone': 0}
    >>> [one.id for one in comparison.circuits if one.change == "worse"]
    ['C07']
    """
    if due_days is not None:
        check_days(due_days)
    first, second = _proved(before, on), _proved(after, on)
    if due_days is not None and not isinstance(second, Proof):
        raise CallError(
            "what falls due follows from a study, and AFTER is the evidence of a proof: give the "
            "study itself as AFTER"
        )
    facts = _facts_of(first), _facts_of(second)
    proofs = tuple(side if isinstance(side, Proof) else None for side in (first, second))
    records = None
    new: frozenset[str] = frozenset()
    if proofs[0] is not None and proofs[1] is not None:
        records = differing_records(proofs[0].study, proofs[1].study)
        there, now = (set(proof.network.assets.frame["id"]) for proof in proofs if proof)
        new = frozenset(str(one) for one in now - there)
    ended = ended_waivers(facts[0].get("waivers", []), facts[1].get("waivers", []))
    return Comparison(
        facts[0],
        facts[1],
        changes(facts[0].get("circuits", []), facts[1].get("circuits", []), ended, new),
        changes(facts[0].get("groups", []), facts[1].get("groups", []), ended, new),
        changes(facts[0].get("schemes", []), facts[1].get("schemes", []), new_assets=new),
        records,
        (proofs[0], proofs[1]),
        due_days,
        _digest(before),
    )


def shared_assets(facts: Mapping[str, Any]) -> set[str]:
    """Assets that any circuit or group shares and could avoid, waived ones included."""
    return {
        entry["asset"]
        for owner in (*facts.get("circuits", []), *facts.get("groups", []))
        for entry in owner.get("shared", [])
    }


def _members(*rows: Mapping[str, Any] | None) -> list[str]:
    """Circuits of a group or scheme, before or after."""
    return list(dict.fromkeys(str(one) for row in rows if row for one in row.get("members", ())))


def _flat(value: Any) -> Iterator[str]:
    """Every text in nested lists."""
    if isinstance(value, str):
        yield value
    elif isinstance(value, (list, tuple)):
        for one in value:
            yield from _flat(one)


def _proved(side: Side, on: date | None) -> Proof | Mapping[str, Any]:
    if isinstance(side, (str, Path)):
        path = Path(side)
        if path.suffix.casefold() in _EVIDENCE_SUFFIXES:
            return _evidence(path)
        return prove(read_study(path, on=on))
    if isinstance(side, (Study, Network)):
        return prove(side)
    if isinstance(side, Mapping):
        return _checked(side, "the evidence")
    return side


def _facts_of(side: Proof | Mapping[str, Any]) -> Mapping[str, Any]:
    return side.facts() if isinstance(side, Proof) else side


_EVIDENCE_SUFFIXES = (".json", ".html", ".htm")


def _evidence(path: Path) -> Mapping[str, Any]:
    try:
        data = read_bytes(path, MOST_EVIDENCE_BYTES)
        found = json.loads(carried(data, MOST_EVIDENCE_BYTES) if is_page(data) else data)
    except NoEvidenceError as error:
        raise CallError(f"{path.name} {error}") from error
    except (RefusedError, ValueError) as error:
        raise CallError(f"{path.name} cannot be read as evidence: {error}") from error
    except (RecursionError, MemoryError) as error:
        raise CallError(
            f"{path.name} cannot be read as evidence: it is too large, or lists stand within each "
            "other too deeply"
        ) from error
    return _checked(found, path.name)


_LARGEST = 10**300


def _checked(found: object, name: str) -> Mapping[str, Any]:
    owners = found.get("circuits") if isinstance(found, Mapping) else None
    if (
        not isinstance(found, Mapping)
        or "waysapart" not in found
        or not isinstance(owners, list)
        or not all(
            isinstance(row, Mapping) and "id" in row and row.get("verdict") in WORST_FIRST
            for row in owners
        )
    ):
        raise CallError(f"{name} holds no evidence of a proof; expected what `prove --json` writes")
    written = found.get("format", 1)
    if type(written) is not int or not 1 <= written <= FORMAT:
        raise CallError(
            f"{name} is evidence of format {str(written)[:40]}, and this waysapart reads formats "
            f"1 to {FORMAT}: take the waysapart that wrote it, or a later one"
        )
    if found.get("format") != FORMAT or (owners and all("near_stretches" in row for row in owners)):
        return found  # of the first releases, which wrote the same things under other names
    full = in_full(found)
    wrong = misfits(full, 5, of_any_release=True)
    if not wrong and any(
        len(table["at"]) != len(table["rows"])
        or any(len(row) != len(table["columns"]) for row in table["rows"])
        for table in full.get("records", {}).get("tables", ())
    ):
        wrong = ["records: a row has more or fewer cells than its table has columns"]
    elif not wrong and any(
        isinstance(cell, int) and abs(cell) > _LARGEST
        for table in full.get("records", {}).get("tables", ())
        for row in table["rows"]
        for cell in row
    ):
        wrong = ["records: a number is larger than any that a record can hold"]
    if wrong:
        raise CallError(
            f"{name} is damaged: it does not keep to the form of evidence of a proof. Take what "
            f"`prove --json` wrote, unchanged: {'; '.join(wrong)}"
        )
    return full


def _digest(side: Side) -> str | None:
    """SHA-256 of evidence as it stands in a file, as `recheck` prints it; None of anything else."""
    if not isinstance(side, (str, Path)) or Path(side).suffix.casefold() not in _EVIDENCE_SUFFIXES:
        return None
    data = read_bytes(Path(side), MOST_EVIDENCE_BYTES)
    return hashlib.sha256(carried(data, MOST_EVIDENCE_BYTES) if is_page(data) else data).hexdigest()


def _heading(facts: Mapping[str, Any], digest: str | None = None) -> Heading:
    return {
        "study": facts.get("study"),
        "revision": facts.get("revision"),
        "made": facts.get("made"),
        "waysapart": facts.get("waysapart"),
        "on": facts.get("on"),
        "summary": facts.get("summary"),
        "out": facts.get("out"),
        "sha256": digest,
    }


# --- Which records differ between two studies: by role and id, and in which columns.

SAME_DEG = 1e-8
"""Geometries whose vertices lie within this are the same: a millimetre, what is lost between two
coordinate systems."""

_OWNER = {
    "cable_runs": ["cable"],
    "link_runs": ["link"],
    "circuit_paths": ["circuit", "path"],
    "rings": ["ring"],
    "ring_circuits": ["circuit"],
}
"""Roles whose rows are steps of something: its course is compared as a whole."""
_HIDDEN = ("_layer", "_row")
_LIE = frozenset({"geometry", "kind", "a", "b"})
"""Columns that say where plant lies, and what it passes there."""


class ChangedRow(TypedDict):
    """A row that stands in both studies, and its columns that differ."""

    id: str
    columns: list[str]


class RecordFacts(TypedDict):
    """Rows of one role that came, went or changed."""

    added: list[str]
    removed: list[str]
    changed: list[ChangedRow]


@dataclass(frozen=True)
class RecordChanges:
    """Records of one role that differ.

    Attributes
    ----------
    added, removed : list of str
        Ids; for a course what it belongs to, such as the cable.
    changed : dict of str to list of str
        Id to the columns that differ.
    """

    added: list[str]
    removed: list[str]
    changed: dict[str, list[str]]

    def as_dict(self) -> RecordFacts:
        """The changes with the keys of `compare --json`."""
        return {
            "added": self.added,
            "removed": self.removed,
            "changed": [{"id": name, "columns": self.changed[name]} for name in self.changed],
        }


def differing_records(before: Study, after: Study) -> dict[str, RecordChanges]:
    """Records that differ, per role; roles without a difference are left out.

    Whole columns are compared at once; geometry within `SAME_DEG`.
    """
    found = {}
    for role in ROLES:
        changes = _role(role, before.as_read(role), after.as_read(role))
        if changes.added or changes.removed or changes.changed:
            found[role] = changes
    return found


def _role(role: str, before: pd.DataFrame, after: pd.DataFrame) -> RecordChanges:
    old, new = _plain(before), _plain(after)
    if "id" in ROLES[role].column:
        return _by_id(old.set_index("id"), new.set_index("id"))
    if role in _OWNER:
        return _by_course(old, new, _OWNER[role])
    return _by_row(old, new)


def _plain(table: pd.DataFrame) -> pd.DataFrame:
    return pd.DataFrame(table).drop(columns=[*_HIDDEN], errors="ignore")


def _by_id(old: pd.DataFrame, new: pd.DataFrame) -> RecordChanges:
    common = old.index.intersection(new.index, sort=False)
    one, other = old.loc[common], new.loc[common]
    changed: dict[str, list[str]] = {}
    for column in dict.fromkeys([*old.columns, *new.columns]):
        if column not in one or column not in other:
            present = one if column in one else other
            differs = present[column].notna().to_numpy()
        elif column == "geometry":
            differs = ~_same_shapes(one[column].to_numpy(), other[column].to_numpy())
        else:
            differs = ~_same(one[column], other[column])
        for name in common[differs]:
            changed.setdefault(str(name), []).append(str(column))
    return RecordChanges(
        [str(name) for name in new.index.difference(old.index)],
        [str(name) for name in old.index.difference(new.index)],
        dict(sorted(changed.items())),
    )


def _same(one: pd.Series[Any], other: pd.Series[Any]) -> np.ndarray:
    a, b = one.to_numpy(dtype=object), other.to_numpy(dtype=object)
    blank = pd.isna(a) & pd.isna(b)
    equal = np.array([bool(x == y) for x, y in zip(a, b, strict=True)], dtype=bool)
    return np.asarray(blank | equal)


def _same_shapes(one: np.ndarray, other: np.ndarray) -> np.ndarray:
    a = np.array([None if pd.isna(shape) else shape for shape in one], dtype=object)
    b = np.array([None if pd.isna(shape) else shape for shape in other], dtype=object)
    missing = shapely.is_missing(a) & shapely.is_missing(b)
    return np.asarray(missing | shapely.equals_exact(a, b, tolerance=SAME_DEG))


def _by_course(old: pd.DataFrame, new: pd.DataFrame, owner: list[str]) -> RecordChanges:
    """Steps in their order; their `seq` numbers do not matter."""
    one, other = _courses(old, owner), _courses(new, owner)
    changed = {}
    for name in one:
        if name in other and one[name] != other[name]:
            mine, theirs = one[name], other[name]
            columns = [
                column
                for column in dict.fromkeys([*mine, *theirs])
                if mine.get(column) != theirs.get(column)
            ]
            changed[name] = columns
    return RecordChanges(
        [name for name in other if name not in one],
        [name for name in one if name not in other],
        changed,
    )


def _courses(table: pd.DataFrame, owner: list[str]) -> dict[str, dict[str, tuple[str, ...]]]:
    rest = [column for column in table.columns if column not in (*owner, "seq")]
    order = [*owner, "seq"] if "seq" in table else owner
    text = table.sort_values(order, kind="stable")
    cells = {
        column: text[column].astype(object).where(text[column].notna(), "").map(str).to_numpy()
        for column in rest
    }
    names = text[owner].astype(str).agg(" ".join, axis=1) if len(text) else pd.Series(dtype=str)
    found: dict[str, dict[str, tuple[str, ...]]] = {}
    for name, rows in names.reset_index(drop=True).groupby(names.to_numpy()).indices.items():
        course = {column: tuple(cells[column][rows]) for column in rest}
        found[str(name)] = {column: cell for column, cell in course.items() if any(cell)}
    return found


def _by_row(old: pd.DataFrame, new: pd.DataFrame) -> RecordChanges:
    """Rows without an id (measurements): a changed one counts as one removed and one added."""
    one, other = _lines(old), _lines(new)
    added, removed = list(other), list(one)
    for line in one:
        if line in added:
            added.remove(line)
            removed.remove(line)
    return RecordChanges(added, removed, {})


def _lines(table: pd.DataFrame) -> list[str]:
    return [
        ", ".join(f"{key} {value}" for key, value in row.items() if not pd.isna(value))
        for row in table.to_dict("records")
    ]

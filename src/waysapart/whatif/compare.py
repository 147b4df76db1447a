"""What changed between two studies: circuit by circuit, finding by finding, record by record."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any, TypedDict

from waysapart.errors import CallError
from waysapart.network.tie import Network
from waysapart.opening import MOST_EVIDENCE_BYTES, RefusedError, read_bytes
from waysapart.study.model import Study
from waysapart.study.read import read_study
from waysapart.verdicts.proof import WORST_FIRST
from waysapart.verdicts.prove import Proof, prove
from waysapart.whatif.changes import (
    CHANGES,
    SAME,
    WORSE,
    BeforeAfter,
    Difference,
    DifferenceFacts,
    changes,
    ended_waivers,
)
from waysapart.whatif.records import RecordChanges, RecordFacts, differing_records

Side = Study | Network | Proof | Mapping[str, Any] | Path | str
"""One side of a comparison: a study, proved or not, its folder, or the evidence of a proof."""


class RuleDifference(BeforeAfter):
    """A value of the rules that differs."""

    key: str


class InputDifference(BeforeAfter):
    """An input file that differs, by its SHA-256."""

    file: str


class Heading(TypedDict):
    """Which proof one side is."""

    study: str | None
    revision: str | None
    made: str | None
    waysapart: str | None
    summary: Mapping[str, Any] | None
    out: list[str] | None


class ComparisonFacts(TypedDict):
    """A comparison as plain data."""

    before: Heading
    after: Heading
    nothing_changed: bool
    summary: dict[str, int]
    circuits: list[DifferenceFacts]
    groups: list[DifferenceFacts]
    schemes: list[DifferenceFacts]
    shared_went: list[str]
    shared_came: list[str]
    rules: list[RuleDifference]
    inputs: list[InputDifference]
    records: dict[str, RecordFacts] | None


@dataclass(frozen=True)
class Comparison:
    """Two proofs held against each other; `facts()` is what `--json` writes.

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
    """

    before: Mapping[str, Any]
    after: Mapping[str, Any]
    circuits: list[Difference]
    groups: list[Difference]
    schemes: list[Difference]
    records: dict[str, RecordChanges] | None
    proofs: tuple[Proof | None, Proof | None]

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
        """Whether no verdict, finding, figure, rule or record differs."""
        every = (*self.circuits, *self.groups, *self.schemes)
        return (
            all(change.change == SAME and not change.differs for change in every)
            and not self.rules
            and not self.records
            and not (self.records is None and self.inputs)
        )

    @property
    def rules(self) -> list[RuleDifference]:
        """Values of the rules that differ: key, before, after."""
        sides = [
            {
                row["key"]: row["value"]
                for row in facts.get("assumptions", [])
                if not row.get("to_sign")  # how many blanks there are is no rule
            }
            for facts in (self.before, self.after)
        ]
        keys = [*sides[0], *(key for key in sides[1] if key not in sides[0])]
        return [
            {"key": key, "before": sides[0].get(key), "after": sides[1].get(key)}
            for key in keys
            if sides[0].get(key) != sides[1].get(key)
        ]

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

    def exit_code(self) -> int:
        """1 if anything got worse, else 0."""
        return int(self.worse)

    def facts(self) -> ComparisonFacts:
        """The comparison as plain data."""
        went, came = shared_assets(self.before), shared_assets(self.after)
        return {
            "before": _heading(self.before),
            "after": _heading(self.after),
            "nothing_changed": self.nothing_changed,
            "summary": {
                **self.counts(),
                "groups_worse": sum(change.change == WORSE for change in self.groups),
                "schemes_worse": sum(change.change == WORSE for change in self.schemes),
            },
            "circuits": [change.as_dict() for change in self.circuits],
            "groups": [change.as_dict() for change in self.groups],
            "schemes": [change.as_dict() for change in self.schemes],
            "shared_went": sorted(went - came),
            "shared_came": sorted(came - went),
            "rules": self.rules,
            "inputs": self.inputs,
            "records": None
            if self.records is None
            else {role: change.as_dict() for role, change in self.records.items()},
        }

    def __repr__(self) -> str:
        if self.nothing_changed:
            return "Comparison(nothing changed)"
        counts = ", ".join(f"{count} {change}" for change, count in self.counts().items() if count)
        return f"Comparison({self.before.get('study')!r} to {self.after.get('study')!r}: {counts})"


def compare(before: Side, after: Side, *, on: date | None = None) -> Comparison:
    """What a change to a study brings, circuit by circuit.

    Parameters
    ----------
    before, after : Study, Network, Proof, path or facts
        A study, tied or proved or not; its folder; or the evidence of an
        earlier proof (`prove --json`), as a file or as data.
    on : date, optional
        The day for which studies that are given by their folders are judged; default: today.

    Returns
    -------
    Comparison

    Raises
    ------
    CallError
        A file that holds no evidence of a proof.
    StudyError
        A study that cannot be used.

    Notes
    -----
    See `changes` for what counts as better or worse.
    """
    first, second = _proved(before, on), _proved(after, on)
    facts = _facts_of(first), _facts_of(second)
    proofs = tuple(side if isinstance(side, Proof) else None for side in (first, second))
    records = None
    if proofs[0] is not None and proofs[1] is not None:
        records = differing_records(proofs[0].study, proofs[1].study)
    ended = ended_waivers(facts[0].get("waivers", []), facts[1].get("waivers", []))
    return Comparison(
        facts[0],
        facts[1],
        changes(facts[0].get("circuits", []), facts[1].get("circuits", []), ended),
        changes(facts[0].get("groups", []), facts[1].get("groups", []), ended),
        changes(facts[0].get("schemes", []), facts[1].get("schemes", [])),
        records,
        (proofs[0], proofs[1]),
    )


def shared_assets(facts: Mapping[str, Any]) -> set[str]:
    """Assets that any circuit or group shares and could avoid, waived ones included."""
    return {
        entry["asset"]
        for owner in (*facts.get("circuits", []), *facts.get("groups", []))
        for entry in owner.get("shared", [])
    }


def _proved(side: Side, on: date | None) -> Proof | Mapping[str, Any]:
    if isinstance(side, (str, Path)):
        path = Path(side)
        if path.suffix.casefold() == ".json":
            return _evidence(path)
        return prove(read_study(path, on=on))
    if isinstance(side, (Study, Network)):
        return prove(side)
    if isinstance(side, Mapping):
        return _checked(side, "the evidence")
    return side


def _facts_of(side: Proof | Mapping[str, Any]) -> Mapping[str, Any]:
    return side.facts() if isinstance(side, Proof) else side


def _evidence(path: Path) -> Mapping[str, Any]:
    try:
        found = json.loads(read_bytes(path, MOST_EVIDENCE_BYTES))
    except (RefusedError, ValueError) as error:
        raise CallError(f"{path.name} cannot be read as evidence: {error}") from error
    except (RecursionError, MemoryError) as error:
        raise CallError(
            f"{path.name} cannot be read as evidence: it is too large, or lists stand within each "
            "other too deeply"
        ) from error
    return _checked(found, path.name)


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
    return found


def _heading(facts: Mapping[str, Any]) -> Heading:
    return {
        "study": facts.get("study"),
        "revision": facts.get("revision"),
        "made": facts.get("made"),
        "waysapart": facts.get("waysapart"),
        "summary": facts.get("summary"),
        "out": facts.get("out"),
    }

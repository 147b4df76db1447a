"""What falls due: waivers, and records that grow too old, with the circuits that rest on each.

`due` is part of the audit: what has to be renewed, tested or surveyed again within some days of
the day for which a study is judged, and what should have been already.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, timedelta
from typing import Literal, TypedDict

import numpy as np

from waysapart.arrays import csr_row
from waysapart.errors import CallError
from waysapart.gaps import Gap
from waysapart.network.record_ages import record_ages, records_due
from waysapart.verdicts.contests import paths_touched
from waysapart.verdicts.prove import Proof
from waysapart.verdicts.waivers import IN_FORCE, LAPSED, LAPSES_SOON_DAYS, Judged

DUE_DAYS = LAPSES_SOON_DAYS
"""How far ahead an audit looks where nobody says otherwise (common practice, no source)."""
MOST_DAYS = 36_500
"""A hundred years: farther ahead nothing is planned."""

What = Literal["waiver", "survey", "test", "leased_route"]


class DueFacts(TypedDict):
    """One thing that falls due.

    Attributes
    ----------
    what : str
        `waiver`, `survey`, `test` or `leased_route`.
    id : str
        Of a waiver, the circuit or group that it holds for; else the id of the asset or link.
    about : str
        In words: `waiver of P-9`, `duct`, `loss and length of cable`.
    stage : str or None
        Of a test, `drum`, `installed` or `end-to-end`.
    file, layer, row, column
        Where it stands. Of a waiver, `row` is its number among the waivers of the file.
    dated : str or None
        The day of the survey, test or statement.
    due : str
        The last day on which it is taken as it is.
    days : int
        Days from the day of judgement until then; negative: overdue.
    overdue : bool
    rule : str
        What sets the day: `waiver.until`, `records.oldest.survey`, `tests.most_years`.
    then : str
        What becomes of it: `lapses`, `gap`, or `marked as old`.
    circuits : list of str
        Circuits that rest on it; of a waiver for a group, the members.
    """

    what: What
    id: str
    about: str
    stage: str | None
    file: str | None
    layer: str | None
    row: int | None
    column: str | None
    dated: str | None
    due: str
    days: int
    overdue: bool
    rule: str
    then: Literal["lapses", "gap", "marked as old"]
    circuits: list[str]


class DueTable(TypedDict):
    """What falls due within some days.

    Attributes
    ----------
    study : str
    on, until : str
        The day of judgement, and the last day that was looked at.
    days : int
    records : list of DueFacts
        The earliest first, what is overdue among them.
    undated : dict of str to int
        By `survey`, `test`, `leased_route`: records without a date whose age the rules limit. Each
        is a record gap already.
    """

    study: str
    on: str
    until: str
    days: int
    records: list[DueFacts]
    undated: dict[str, int]


def due(proof: Proof, days: int = DUE_DAYS) -> DueTable:
    """List what falls due within some days of the day for which a study was judged.

    Parameters
    ----------
    proof : Proof
    days : int
        From 0; what is overdue is listed whatever the number.

    Returns
    -------
    DueTable

    Raises
    ------
    CallError
        `days` is negative, or more than a hundred years.

    Examples
    --------
    >>> import waysapart as wa
    >>> from datetime import date
    >>> proof = wa.prove(wa.read_study("examples/estuary", on=date(2049, 12, 1)))
    >>> found = due(proof, 90)["records"]
    >>> [(one["id"], one["about"], one["due"], one["days"]) for one in found][-1]
    ('C16', 'waiver of ENT-STK-1', '2049-12-31', 30)
    """
    check_days(days)
    study = proof.study
    last = study.on + timedelta(days=days)
    found = [
        *_waivers(proof, last),
        *_records(proof, days),
    ]
    found.sort(key=lambda one: (one["due"], _ORDER.index(one["what"])))
    return {
        "study": study.name,
        "on": study.on.isoformat(),
        "until": last.isoformat(),
        "days": days,
        "records": found,
        "undated": {
            one["what"]: one["undated"]
            for one in record_ages(study)
            if one["limit_days"] is not None and one["undated"]
        },
    }


def check_days(days: int) -> None:
    """Refuse a number of days that cannot be looked ahead.

    Parameters
    ----------
    days : int

    Raises
    ------
    CallError
    """
    if not 0 <= days <= MOST_DAYS:
        raise CallError(
            f"{days} days: expected how many days ahead to look, from 0 to {MOST_DAYS:,}"
        )


_ORDER = ("waiver", "test", "survey", "leased_route")


def _waivers(proof: Proof, last: date) -> list[DueFacts]:
    """Waivers in force that end by a day, and those that have ended with something to waive."""
    study = proof.study
    ids = proof.circuit_ids
    members = {
        trial.id: [ids[one] for one in trial.circuits]
        for trial in proof.trials[proof.circuit_count :]
    }
    found: list[DueFacts] = []
    for number, one in enumerate(proof.waivers.judged, start=1):
        waiver = one.waiver
        if waiver.until > last or not _still_asked(one):
            continue
        left = (waiver.until - study.on).days
        named = waiver.circuit in ids
        found.append(
            {
                "what": "waiver",
                "id": waiver.circuit,
                "about": f"waiver of {thing_waived(one)}",
                "stage": None,
                "file": study.rules.file or None,
                "layer": "waiver",
                "row": number,
                "column": "until",
                "dated": None,
                "due": waiver.until.isoformat(),
                "days": left,
                "overdue": left < 0,
                "rule": "waiver.until",
                "then": "lapses",
                "circuits": [waiver.circuit] if named else members.get(waiver.circuit, []),
            }
        )
    return found


def _still_asked(one: Judged) -> bool:
    """Whether a waiver counts, or would if it had not ended: what it accepts is still there."""
    if one.state == IN_FORCE:
        return True
    return one.state == LAPSED and one.record is not None


def thing_waived(one: Judged) -> str:
    """What a waiver accepts, in a few words: an id, `D5 / S3`, or `all in TR1`.

    Parameters
    ----------
    one : Judged

    Returns
    -------
    str
    """
    waiver = one.waiver
    if waiver.pair is not None:
        return " / ".join(waiver.pair)
    return waiver.asset or f"all in {waiver.within}"


def _records(proof: Proof, days: int) -> list[DueFacts]:
    """Dated records that grow too old: one entry for each row and day, whatever it measures."""
    study = proof.study
    rows = records_due(study, days)
    circuits = circuits_resting_on(proof, [one.gap for one in rows])
    found: dict[tuple[object, ...], DueFacts] = {}
    about: dict[tuple[object, ...], list[str]] = {}
    for one, mine in zip(rows, circuits, strict=True):
        gap = one.gap
        key = (one.what, one.rule, gap.asset, gap.file, gap.layer, gap.row)
        about.setdefault(key, []).append(one.about)
        left = (one.due - study.on).days
        found[key] = {
            "what": one.what,
            "id": gap.asset,
            "about": _together(about[key]),
            "stage": one.stage,
            "file": gap.file,
            "layer": gap.layer,
            "row": gap.row,
            "column": gap.column,
            "dated": one.day.isoformat(),
            "due": one.due.isoformat(),
            "days": left,
            "overdue": left < 0,
            "rule": one.rule,
            "then": "gap" if one.counts else "marked as old",
            "circuits": mine,
        }
    return list(found.values())


def _together(about: Sequence[str]) -> str:
    """`length of cable` and `loss of cable` in one: `length and loss of cable`."""
    if len(about) == 1:
        return about[0]
    quantities = [one.partition(" of ")[0] for one in about]
    return f"{', '.join(quantities[:-1])} and {about[-1]}"


def circuits_resting_on(proof: Proof, gaps: Sequence[Gap]) -> list[list[str]]:
    """The circuits that each of some records would touch as a gap.

    Parameters
    ----------
    proof : Proof
    gaps : sequence of Gap

    Returns
    -------
    list of list of str
        Ids in the order of the circuits, for each gap.
    """
    if not gaps:
        return []
    network, ids = proof.network, proof.circuit_ids
    touched = paths_touched(proof.reliance, tuple(gaps)).T.tocsr()
    of_path = np.asarray(network.paths.circuit)
    return [
        [ids[circuit] for circuit in np.unique(of_path[csr_row(touched, number)]).tolist()]
        for number in range(len(gaps))
    ]

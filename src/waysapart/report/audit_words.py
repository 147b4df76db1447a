"""What an audit says in words, on the terminal and on its page: signatures, and what falls due."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import NamedTuple

from waysapart.figures import metres
from waysapart.report.words import count_of
from waysapart.text import counted, few, plural, sentence_list
from waysapart.whatif.audit import DifferenceCause
from waysapart.whatif.changes import DifferenceFacts
from waysapart.whatif.compare import ComparisonFacts
from waysapart.whatif.due import DueFacts, DueTable
from waysapart.whatif.record_changes import CellDifference, RecordDifference
from waysapart.whatif.signatures import HOLDS, LAPSED, NEVER, OWNERS, SignatureFacts

_MOST_IDS = 6
_MOST_ROWS = 3
STATES = {HOLDS: "holds", LAPSED: "lapsed", NEVER: "never signed"}
"""A signature's state in words."""


# --- Signatures.


def signatures_answer(facts: ComparisonFacts) -> str:
    """Say in one sentence how many signatures hold, lapse, and were never given.

    Parameters
    ----------
    facts : ComparisonFacts
        Of an audit.

    Returns
    -------
    str
        `Signatures of circuits and groups: 26 hold, 2 lapsed, 1 never signed.`; '' where BEFORE
        is no evidence.
    """
    signed = facts["signed"]
    if signed is None:
        return ""
    verb = "holds" if signed[HOLDS] == 1 else "hold"
    return (
        f"Signatures of circuits and groups: {signed[HOLDS]} {verb}, {signed[LAPSED]} lapsed, "
        f"{signed[NEVER]} never signed."
    )


def signature_name(one: SignatureFacts) -> str:
    """What a signature stands under: `C07`, `group G1`, `waiver of P-9 for C1`, `rule KEY`.

    Parameters
    ----------
    one : SignatureFacts

    Returns
    -------
    str
    """
    if one["kind"] == "circuit":
        return one["id"]
    return f"{one['kind']} {one['id']}"


def signatures_in_order(found: Iterable[SignatureFacts]) -> list[SignatureFacts]:
    """The signatures that do not hold: lapsed first, then never given, then open decisions.

    A waiver whose circuit or group is among them is told there.

    Parameters
    ----------
    found : iterable of SignatureFacts

    Returns
    -------
    list of SignatureFacts
    """
    order = (LAPSED, NEVER)
    left = [one for one in found if one["state"] != HOLDS]
    owners = {one["id"] for one in left if one["kind"] in OWNERS}
    left = [one for one in left if one["of"] not in owners]
    return sorted(left, key=lambda one: (one["decision"], order.index(one["state"])))


def not_said(one: SignatureFacts, said: Iterable[str]) -> list[str]:
    """The reasons of a signature that are not said already beside what changed.

    Parameters
    ----------
    one : SignatureFacts
    said : iterable of str
        What is said of the change.

    Returns
    -------
    list of str
        Without the change of verdict, which stands beside it.
    """
    told = [*said, f"{one['signed']} to {one['now']}"]
    return [text for text in one["reasons"] if not any(text in line for line in told)]


def reasons_together(said: Sequence[str], more: Sequence[str]) -> list[str]:
    """Reasons of a change and of its signature in one list, each once, the fuller of two alike.

    Parameters
    ----------
    said, more : sequence of str

    Returns
    -------
    list of str
    """
    left = [text for text in said if not any(one.startswith(f"{text} ") for one in more)]
    return [*left, *more]


def holding_said(found: Sequence[SignatureFacts]) -> str:
    """Count what holds: `Hold: 27 circuits, 2 groups, 1 waiver, 3 assumptions, 92 rules`.

    Parameters
    ----------
    found : sequence of SignatureFacts

    Returns
    -------
    str
        '' where nothing does.
    """
    kinds = [one["kind"] for one in found if one["state"] == HOLDS]
    said = [count_of(kinds.count(kind), kind) for kind in dict.fromkeys(kinds)]
    return f"Hold: {', '.join(said)}" if said else ""


def remarks_said(found: Iterable[SignatureFacts]) -> list[str]:
    """What ends no signature and is worth knowing, each once with the circuits that it is about.

    Parameters
    ----------
    found : iterable of SignatureFacts

    Returns
    -------
    list of str
    """
    of: dict[str, list[str]] = {}
    for one in found:
        if one["kind"] in OWNERS and one["state"] == HOLDS:
            for text in one["remarks"]:
                of.setdefault(text, []).append(signature_name(one))
    return [f"{few(names, _MOST_IDS)}: {text}" for text, names in of.items()]


# --- Causes, and records that differ.

_MOST_CAUSES = 4


def causes_said(row: DifferenceFacts, records: Sequence[RecordDifference]) -> list[str]:
    """What of the input may be why a circuit, group or scheme differs, a line each.

    Parameters
    ----------
    row : DifferenceFacts
    records : sequence of RecordDifference
        To which its causes point.

    Returns
    -------
    list of str
    """
    said = [_cause(one, records) for one in row["causes"]]
    left = len(said) - _MOST_CAUSES
    return said if left <= 1 else [*said[:_MOST_CAUSES], f"and {left} more"]


def _cause(one: DifferenceCause, records: Sequence[RecordDifference]) -> str:
    number = one["record"]
    if one["column"] != "geometry" or number is None or number >= len(records):
        return one["text"]
    record = records[number]
    return f"{record_place(record)}: {record['id']} {_cell(_geometry(record))}"


def _geometry(record: RecordDifference) -> CellDifference:
    return next(one for one in record["cells"] if one["column"] == "geometry")


def record_place(one: RecordDifference) -> str:
    """Where a record stands: `structures.csv, row 6`.

    Parameters
    ----------
    one : RecordDifference

    Returns
    -------
    str
    """
    file, layer = one["file"] or "the study", one["layer"]
    number = one["row"] if one["row"] is not None else one["row_before"]
    said = file if not layer or file.startswith(f"{layer}.") else f"{file} {layer}"
    return said if number is None else f"{said}, row {number}"


def record_said(one: RecordDifference) -> list[str]:
    """What of a record differs, a line for each cell: `loss_db: 0.08 to 0.12`.

    Parameters
    ----------
    one : RecordDifference

    Returns
    -------
    list of str
    """
    if one["change"] != "changed":
        return [one["change"]]
    return [_cell(cell) for cell in one["cells"]]


_LONGEST = 60


def _cell(cell: CellDifference) -> str:
    if cell["column"] == "geometry" and cell["moved_m"] is not None:
        return f"moved {metres(cell['moved_m'])}"
    before, after = (_value(cell["before"]), _value(cell["after"]))
    return f"{cell['column']}: {before} to {after}"


def _value(value: object) -> str:
    if value is None:
        return "blank"
    text = str(value)
    return text if len(text) <= _LONGEST else f"{text[:_LONGEST]}..."


# --- What falls due.


class DueLine(NamedTuple):
    """One line of the table of what falls due; records of one kind and day are one line.

    Attributes
    ----------
    due, when : str
        The day, and how far off it is.
    what, where : str
    circuits : list of str
    overdue : bool
    then : str
        What becomes of it.
    """

    due: str
    when: str
    what: str
    where: str
    circuits: list[str]
    overdue: bool
    then: str


def due_head(table: DueTable) -> str:
    """The heading of what falls due.

    Parameters
    ----------
    table : DueTable

    Returns
    -------
    str
    """
    days = f"{table['days']:,} day{'' if table['days'] == 1 else 's'}"
    return f"Falls due within {days} of {table['on']}, by {table['until']}"


def due_lines(table: DueTable) -> list[DueLine]:
    """The table of what falls due, line by line, the earliest first.

    Parameters
    ----------
    table : DueTable

    Returns
    -------
    list of DueLine
    """
    together: dict[tuple[object, ...], list[DueFacts]] = {}
    for one in table["records"]:
        # tests of the fibres of one cable, and surveys of one kind, stand together
        named = one["about"] if one["what"] == "survey" else (one["id"], one["about"], one["stage"])
        key = (one["what"], one["rule"], one["due"], one["file"], one["layer"], named)
        together.setdefault(key, []).append(one)
    return [_line(rows) for rows in together.values()]


def _line(rows: Sequence[DueFacts]) -> DueLine:
    first = rows[0]
    days = first["days"]
    when = "today" if days == 0 else f"in {_days(days)}" if days > 0 else f"overdue {_days(-days)}"
    circuits = dict.fromkeys(name for one in rows for name in one["circuits"])
    return DueLine(
        first["due"],
        when,
        _what(rows),
        _where(rows),
        sorted(circuits, key=counted),
        first["overdue"],
        first["then"],
    )


def _days(number: int) -> str:
    return f"{number:,} day{'' if number == 1 else 's'}"


def _what(rows: Sequence[DueFacts]) -> str:
    first = rows[0]
    ids = list(dict.fromkeys(one["id"] for one in rows))
    if first["what"] == "waiver":
        return f"{first['about']} for {first['id']}"
    if first["what"] == "survey":
        named = first["about"] if len(ids) == 1 else plural(len(ids), first["about"])
        return f"survey of {named}: {few(ids, _MOST_IDS)} ({first['dated']})"
    if first["what"] == "leased_route":
        return f"statement of the route of leased link {first['id']} ({first['dated']})"
    quantities, _, kind = first["about"].rpartition(" of ")
    taken = ", ".join(filter(None, (first["stage"], first["dated"])))
    return f"test of {kind} {first['id']}: {quantities} ({taken})"


def _where(rows: Sequence[DueFacts]) -> str:
    first = rows[0]
    numbers = sorted({one["row"] for one in rows if one["row"] is not None})
    file = first["file"] or "the study"
    if first["what"] == "waiver":
        return f"{file}, waiver {numbers[0]}"
    if first["layer"] and not file.startswith(f"{first['layer']}."):
        file = f"{file} {first['layer']}"
    if not numbers:
        return file
    return f"{file}, row{'s' if len(numbers) > 1 else ''} {few(numbers, _MOST_ROWS)}"


_UNDATED = {
    "survey": ("survey", "surveys"),
    "test": ("test", "tests"),
    "leased_route": ("statement on a leased route", "statements on leased routes"),
}


def undated_said(undated: Mapping[str, int]) -> str:
    """How many records have no date although the rules limit their age.

    Parameters
    ----------
    undated : mapping of str to int

    Returns
    -------
    str
        '' where there are none.
    """
    if not undated:
        return ""
    counts = [count_of(number, *_UNDATED[what]) for what, number in undated.items()]
    which = "it is" if sum(undated.values()) == 1 else "each is"
    return f"Without a date: {sentence_list(counts)}; {which} a record gap"

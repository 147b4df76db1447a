"""What an audit prints on the terminal: signatures that do not hold, and what falls due."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rich.text import Text

from waysapart.report import audit_words
from waysapart.report.compare_words import changed_in_order, reasons_said
from waysapart.report.terminal import names_cell, row_table, styled
from waysapart.report.words import CHANGED, MOST_NAMED
from waysapart.text import few
from waysapart.whatif.compare import ComparisonFacts
from waysapart.whatif.due import DueTable
from waysapart.whatif.signatures import LAPSED

if TYPE_CHECKING:
    from rich.console import Console

_MOST_LINES = 40
_MOST_REASONS = 4
_LONG_IDS = ("rule", "assumption")


def show_audit(console: Console, facts: ComparisonFacts) -> None:
    """Print which signatures hold, lapse or were never given, and what falls due.

    Parameters
    ----------
    console : rich.console.Console
    facts : ComparisonFacts
        Of an audit, or with what falls due; of any other comparison nothing is printed.
    """
    if facts["signatures"] is not None:
        _signatures(console, facts)
    if facts["due"] is not None:
        _due(console, facts["due"])


def _signatures(console: Console, facts: ComparisonFacts) -> None:
    found = facts["signatures"] or []
    console.print()
    console.print(styled("Signatures", "bold"))
    table = row_table()
    lines = audit_words.signatures_in_order(found)
    said = {
        (what or "circuit", row["id"]): reasons_said(row)
        for change, what, row in changed_in_order(facts)
        if change in CHANGED
    }
    alike: dict[tuple[str, ...], list[str]] = {}
    for one in lines:
        above = said.get((one["kind"], one["id"]))
        more = one["reasons"] if above is None else audit_words.not_said(one, above)
        reasons = more[:_MOST_REASONS] or ["as above"]
        name = audit_words.signature_name(one)
        if one["kind"] in _LONG_IDS:  # beside a column of circuits it would take half the line
            name, reasons = one["kind"], [f"{one['id']}: {reasons[0]}", *reasons[1:]]
        if len(more) > len(reasons):
            reasons = [*reasons, f"and {len(more) - len(reasons)} more: --json lists them"]
        key = (audit_words.STATES[one["state"]], *reasons)
        alike.setdefault(key, []).append(name)
    rows = list(alike.items())
    for (state, *reasons), names in rows[:_MOST_LINES]:
        table.add_row(
            names_cell(names),
            styled(state, "bold" if state == audit_words.STATES[LAPSED] else ""),
            Text("\n").join(styled(text) for text in reasons),
        )
    if lines:
        console.print(table)
    if len(rows) > _MOST_LINES:
        console.print(styled(f"  and {len(rows) - _MOST_LINES} more: --json lists them"))
    for line in (audit_words.holding_said(found), *audit_words.remarks_said(found)):
        if line:
            console.print(styled(f"  {line}", "dim"))


def _due(console: Console, due: DueTable) -> None:
    console.print()
    console.print(styled(audit_words.due_head(due), "bold"))
    lines = audit_words.due_lines(due)
    table = row_table()
    for line in lines[:_MOST_LINES]:
        circuits = few(line.circuits, MOST_NAMED) or "no circuit"
        table.add_row(
            styled(f"  {line.due}"),
            styled(line.when, "bold yellow" if line.overdue else ""),
            Text("\n").join((styled(line.what), styled(f"{line.where}; {circuits}", "dim"))),
        )
    if lines:
        console.print(table)
    else:
        console.print(styled("  nothing"))
    if len(lines) > _MOST_LINES:
        console.print(styled(f"  and {len(lines) - _MOST_LINES} more: --json lists them"))
    if undated := audit_words.undated_said(due["undated"]):
        console.print(styled(f"  {undated}", "bold yellow"))

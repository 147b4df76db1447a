"""Hostile texts, and tables full of them."""

from __future__ import annotations

from waysapart.schema import ROLES

HOSTILE = (
    "{{ 7*7 }}{{ ran.__globals__ }} {% raw {# ${ran(1)} ` \\ \" ' &lt <!-- </script>"
    "<script>ran(2)</script><img src=x onerror=ran(3)><svg onload=ran(4)> \u202eevil\u200b "
)
"""Without `;`, which divides the ids of a list."""


OURS = {("circuit_paths", "path")}


def spelled(cell):
    """One cell with every id in it, or all of its text, made hostile; `-` stays: it means none."""
    if not isinstance(cell, str) or cell == "-":
        return cell
    return ";".join(HOSTILE + part for part in cell.split(";"))


def hostile_tables(study):
    """All tables with every text that a user may choose made hostile, references alike."""
    tables = {}
    for role, table in study.tables.items():
        changed = table.copy()
        for column in table.columns:
            told = ROLES[role].column.get(column)
            text = told is None or told.type in ("text", "list")
            if column in ("geometry", "_layer", "_row") or not text or (told and told.choices):
                continue
            if (role, column) in OURS:
                main_way = changed[column] == "main"
                changed[column] = changed[column].where(main_way, changed[column].map(spelled))
            elif changed[column].notna().any():
                changed[column] = changed[column].map(spelled)
        tables[role] = changed
    return tables

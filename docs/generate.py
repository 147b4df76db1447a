"""Write the pages that follow from the code: roles and columns, commands, gap codes.

    python docs/generate.py

A test compares these pages with what the code says now.
"""

from __future__ import annotations

from pathlib import Path

import click

from waysapart.cli import main
from waysapart.gaps import GAP_CODES
from waysapart.schema import ROLES, Column, Role
from waysapart.whatif.layer_fields import LAYERS

DOCS = Path(__file__).resolve().parent
_MADE = "<!-- made by docs/generate.py: change the code, not this page -->\n"


def format_page() -> str:
    """Roles and columns, from the schema."""
    parts = [
        _MADE,
        "# What a study holds",
        "",
        "A study is a folder with layers and an optional `study.toml`. Each layer feeds one",
        "role. Ids are text, and unique over all roles marked *asset*. Lists in one cell are",
        "separated by `;`. A blank `within` means that nobody recorded it; `-` means known to",
        "lie in nothing.",
        "Columns of your own are kept and shown.",
        "",
    ]
    for role in ROLES.values():
        parts += _role(role)
    return "\n".join(parts)


def _role(role: Role) -> list[str]:
    asset = " (asset)" if role.asset else ""
    lines = [f"## {role.name}{asset}", "", f"One row is {role.says}."]
    if role.geometry:
        need = "required" if role.geometry_required else "optional"
        lines.append(f"Geometry: {', '.join(role.geometry)}; {need}.")
    lines += ["", "| column | needed | type | unit | meaning |", "| --- | --- | --- | --- | --- |"]
    lines += [_column(column) for column in role.columns]
    return [*lines, ""]


def _column(column: Column) -> str:
    needed = "yes" if column.required else ""
    if column.may_be_blank:
        needed = "may be blank"
    says = column.says.replace("|", "\\|")
    if column.choices:
        says += f": {', '.join(column.choices)}"
    return f"| `{column.name}` | {needed} | {column.type} | {column.unit or ''} | {says} |"


def commands_page() -> str:
    """Help of every command, from the command line itself."""
    parts = [_MADE, "# Commands", ""]
    context = click.Context(main, info_name="waysapart", terminal_width=88)
    parts += ["```text", main.get_help(context), "```", ""]
    for name in sorted(main.commands):
        command = main.commands[name]
        inner = click.Context(command, info_name=name, parent=context, terminal_width=88)
        parts += [f"## {name}", "", "```text", command.get_help(inner), "```", ""]
    return "\n".join(parts)


def gaps_page() -> str:
    """Codes of record gaps."""
    lines = [
        _MADE,
        "# Record gaps",
        "",
        "Where the records leave something open, the circuits that rest on it are `unproven`.",
        "",
        "| code | what it means | what to do |",
        "| --- | --- | --- |",
    ]
    lines += [
        f"| `{code}` | {gap.means} | {gap.action} |" for code, gap in sorted(GAP_CODES.items())
    ]
    return "\n".join([*lines, ""])


def export_page() -> str:
    """Layers of `export` and their fields."""
    lines = [
        _MADE,
        "# What `export` writes",
        "",
        "`waysapart export STUDY -o ring.gpkg` writes one GeoPackage for any GIS, in the study's",
        'working coordinate system. In Python it is `wa.export(proof, "ring.gpkg")`.',
        "",
        "The study's own tables are in it as layers named after their roles. Beside it stands",
        "`ring.toml` (and `ring-rules.toml`, where the study has rules of its own): with",
        "`waysapart check ring.toml` the same study is read back. A study that refers to ids",
        "which its proposal removes fits into no files, so that there the TOML is left out.",
        "",
        "The findings are layers of their own. Lists in one field are separated by `;`.",
        "Numbers that no record gives are blank.",
        "",
    ]
    for layer in LAYERS.values():
        lines += [f"## {layer.name}", "", f"One row is {layer.says}."]
        lines += [f"Geometry: {layer.geometry or 'none, a table'}.", ""]
        lines += ["| field | meaning |", "| --- | --- |"]
        lines += [f"| `{name}` | {says} |" for name, says in layer.fields.items()]
        lines.append("")
    return "\n".join(lines)


PAGES = {
    "format.md": format_page,
    "commands.md": commands_page,
    "gaps.md": gaps_page,
    "export.md": export_page,
}

if __name__ == "__main__":
    for name, make in PAGES.items():
        (DOCS / name).write_text(make(), encoding="utf-8")

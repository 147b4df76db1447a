"""Write what follows from the code: columns, rules, commands, library, gap codes, evidence, facts.

    python docs/generate.py

A test compares these pages with what the code says now.
"""

from __future__ import annotations

import ast
import inspect
import json
import re
import shutil
import sys
from collections.abc import Callable, Iterator, Mapping
from itertools import pairwise
from pathlib import Path
from tempfile import TemporaryDirectory
from types import NoneType, UnionType
from typing import Annotated, Any, Literal, NotRequired, Union, get_args, get_origin

import click
from typing_extensions import get_type_hints

import waysapart
from waysapart import evidence
from waysapart.cli import main
from waysapart.export.field_files import LAYERS as WORKS_LAYERS
from waysapart.export.layers import LAYERS
from waysapart.export.styles import FOUND as STYLES
from waysapart.gaps import GAP_CODES
from waysapart.schema import BACKDROP, PLAN, ROLES, Column, Role
from waysapart.study.blank import RuleTable, rule_tables, toml_value
from waysapart.study.rules import shipped_tables, source_of
from waysapart.study.toml import dotted
from waysapart.verdicts.frame_columns import DTYPES, TABLES

DOCS = Path(__file__).resolve().parent
sys.path.insert(0, str(DOCS.parent / "tests" / "support"))

from documents import DOCUMENTS  # noqa: E402
from published import MAIN_JOB, OF, Fact, counted, distinct, gather  # noqa: E402
from story import retold  # noqa: E402

_MADE = "<!-- made by docs/generate.py: change the code, not this page -->\n"
_RULE = re.compile(r"-{3,}")
_TERMS = {"Parameters", "Returns", "Raises", "Attributes", "Yields"}


def format_page() -> str:
    """Roles and columns, from the schema."""
    parts = [
        _MADE,
        "# What a study holds",
        "",
        "A study is a folder with layers, an optional `study.toml`, and an optional `rules.toml`",
        "with limits and other [rules](rules.md). Each layer feeds one",
        "role. Ids are text, and unique over all roles marked *asset*. Lists in one cell are",
        "separated by `;`. A blank `within` means that nobody recorded it; `-` means that the",
        "asset is known to lie in nothing.",
        "Columns of your own are kept and shown.",
        "",
        "Layers may be in any coordinate system, the plant anywhere on Earth and of any extent.",
        "Every length, distance, reach and snap is one on the ellipsoid: see",
        "[any extent](separation.md#any-extent).",
        "",
    ]
    for role in ROLES.values():
        parts += _role(role)
    parts += [
        "## Layers without a role",
        "",
        "A `[[layer]]` of study.toml with a `name` in place of a `role` is a backdrop: something",
        "that the plant lies among, such as water, roads or land.",
        "",
        "```toml",
        "[[layer]]",
        'name = "water"',
        'source = "water.gpkg"',
        'layer = "streams"',
        """columns = { id = "NAME" }""",
        "```",
        "",
        "`source`, `layer`, `where`, `columns`, `values`, `prefix` and `crs` are those of other",
        "layers; geometry may be of any type; the columns below are optional, others are kept.",
        "Each name stands once in a study. A study that `extends` another has its backdrops too,",
        "and replaces those whose name it states again.",
        "",
        "No verdict depends on a backdrop: a row whose geometry cannot be used is left out with a",
        "note, and is no gap. A layer that cannot be read is an error as elsewhere. Its file is",
        "listed among the inputs with its SHA-256, and `recheck` compares that alone.",
        "They are made for proposals of new plant (`reroute`), which cross them or run beside.",
        "The map of every page draws them faintly under the plant, clipped to its surroundings and",
        "simplified to 25,000 vertices at most, and lists them by name under *Layers*. A report",
        "for readers outside has none of them.",
        "",
        "| column | needed | type | unit | meaning |",
        "| --- | --- | --- | --- | --- |",
        *[_column(column) for column in BACKDROP.columns],
        "",
        "## A plan of works",
        "",
        "What [`dig --plan`](dig.md#all-three-together) reads: a CSV file, or any vector",
        "file; [`blank --plan`](commands.md#blank) writes an empty one. It is no layer of a study.",
        "",
        *_role(PLAN)[2:],
        "In CSV a place is `geometry`, well-known text in WGS 84, or `lon` and `lat`. Any of",
        "`assets` and a place is needed.",
        "",
        "Works overlap by time. A date alone counts from its beginning to its end, and so does an",
        "end at 00:00, since many programs write a day so. Times are local: one with an offset",
        "from universal time is refused. Two works of the same day that follow each other hour by",
        "hour do not overlap; one that ends as another begins does not either.",
        "",
        "A column that is not in this table is not read, and named. `--area` reads `reach_m` as",
        "well: a feature reaches as far as its own `reach_m` or `--reach`, whichever is more.",
        "",
        "## CSV files",
        "",
        "A spreadsheet takes a cell that begins with `=`, `+`, `-`, `@` (their small and",
        "full-width forms too), a tab or a line end for a formula, and may execute it. Where a",
        "text or the name of a column begins with one of these, every CSV file that the program",
        "writes has an apostrophe before it: `'=1+1`. The same holds after `;`, a tab or a line",
        "end within a cell, where a spreadsheet set to another separator begins a new cell.",
        "Numbers (`-1.5`) and a lone `-` get none.",
        "",
        "Reading removes that apostrophe, and only that one: `'=1+1` is the id `=1+1`,",
        "`''=1+1` the id `'=1+1`, and `'a` the id `'a`. A cell that begins with `=` and no",
        "apostrophe is read as it is.",
        "",
    ]
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
    parts = [
        _MADE,
        "# Commands",
        "",
        "The help of every command. Python twins, exit statuses and files that are written stand",
        "on [a page of their own](commands-and-python.md), and so do [the rules](rules.md).",
        "",
    ]
    settings = {**main.context_settings, "terminal_width": 88}
    context = click.Context(main, info_name="waysapart", **settings)
    parts += ["```text", main.get_help(context), "```", ""]
    for name in sorted(main.commands):
        command = main.commands[name]
        inner = click.Context(command, info_name=name, parent=context, **settings)
        parts += [f"## {name}", "", "```text", command.get_help(inner), "```", ""]
    return "\n".join(parts)


def gaps_page() -> str:
    """Codes of record gaps."""
    lines = [
        _MADE,
        "# Record gaps",
        "",
        "A gap that bears on `separation` makes the circuits that rest on it `unproven`. One that",
        "bears on `limits` leaves open the limits that it concerns. `check` says [what to record",
        "first](unproven.md). The keys that some remedies name are [rules](rules.md).",
        "",
        "| code | what it means | what to do | bears on |",
        "| --- | --- | --- | --- |",
    ]
    lines += [
        _row(f"`{code}`", gap.means, gap.action, gap.bears_on)
        for code, gap in sorted(GAP_CODES.items())
    ]
    return "\n".join([*lines, ""])


def rules_page() -> str:
    """Every key that a rules file can have, from the models that check it."""
    lines = [
        _MADE,
        "# Every rule",
        "",
        "`rules.toml` beside `study.toml` holds limits, catalogue values, what a blank means, and",
        "waivers. Every key may be left out; its default then applies, from the rules that ship",
        "with waysapart. [`waysapart blank`](commands.md) writes a `rules.toml` with every key",
        "commented out.",
        "",
        "* The most specific statement wins. For the limits of a service: the study's for that",
        "  service, then the shipped ones for it, then the study's `[services.default]`, then the",
        "  shipped `[services.default]`.",
        "* Tables by kind are merged with the shipped ones, key by key. For an asset the value of",
        "  its kind applies, else that of its role, else `other`. Lists, and `separation_m` by",
        "  pairs of kinds, replace the shipped ones as a whole.",
        "* A failure rate stated per year replaces a shipped one per kilometre and year, and vice",
        "  versa.",
        "* An unknown key is an error. The report lists every value used, with its source, under",
        "  *Assumptions*.",
        "",
    ]
    for table in rule_tables():
        lines += _rule_table(table)
    return "\n".join(lines)


def _rule_table(table: RuleTable) -> Iterator[str]:
    yield from (f"## `{table.head}`", "", table.says, "")
    yield "| key | type | unit | default | source | meaning |"
    yield "| --- | --- | --- | --- | --- | --- |"
    for key in table.keys:
        if key.default is not None:
            default = f"`{toml_value(key.default)}`"
        elif key.required:
            default = "required"
        else:
            named = any(one.key == key.name for one in table.shipped)
            default = "by name, below" if named else "none"
        cells = (key.type, key.unit, default, key.source, key.says)
        yield _row(f"`{key.name}`", *cells)
    yield ""
    if table.shipped:
        yield from ("What ships by name:", "", "| key | value | unit | source |")
        yield "| --- | --- | --- | --- |"
        for one in table.shipped:
            value = f"`{toml_value(one.value)}`"
            yield _row(f"`{dotted((table.key, one.name, one.key))}`", value, one.unit, one.source)
        yield ""


def _row(*cells: str) -> str:
    """A row of a table; a `|` within a cell is escaped."""
    return f"| {' | '.join(cell.replace('|', chr(92) + '|') for cell in cells)} |"


_LEFT_OUT = (
    "A file leaves out what follows from the rest of it, so that it grows with what was found and",
    "not with the length of the plant. Where the tables say *absent: null* (or empty, 0, true),",
    "most objects have that value, and the field stands in the others only. Where they say what a",
    "field follows from, it stands only where it is something else. A field in place of another",
    "(`asset_runs`, `greatest_shares`, `untested`) occurs in files only. In Python `Proof.facts()`",
    "has every field, and `waysapart.evidence_file.in_full` gives those of a file back; `recheck`",
    "and `compare` read both.",
)


_LINES = """
## Numbers and ids

In `circuits`, `groups`, `links`, `gaps` and all that people read, ids stand. For size the part
`evidence` writes sets as numbers: in `roles`, `links` and `relies_on` of `paths`, `0-3 7` is
the entries 0, 1, 2, 3 and 7 of `assets`; in `sides` and `paths` of `verdicts` a number is that
of an entry of `paths`. A file writes `assets` in runs (`asset_runs`), and `records` by column.
`wa.read_facts(FILE)` reads a file and puts ids in place of all of them; `wa.with_ids(facts)`
does so for `proof.facts()`.

## One fact to a line

`waysapart prove STUDY --json-lines FILE` writes the same facts with one fact to a line, so that
two of them can be compared line by line, in git or with `diff`:

```text
{"format":2,"waysapart":"0.2.0","lines":1}
{"at":["study"],"value":"Estuary ring"}
{"at":["revision"],"value":"A"}
{"at":["made"],"value":"2026-11-30T03:04:48Z"}
{"at":["circuits",["C29"],"verdict"],"value":"apart"}
{"at":["circuits",["C29"],"paths","main","delay_us"],"value":365.109}
{"at":["evidence","paths",["C29","main"],"relies_on",["J-N1-T10"]]}
```

* `at` says where the fact stands: a text is a field; an entry of a list stands in brackets with
  what it is called by, never with its number, so that a new entry moves no other line. Where two
  are called the same the second has `no. 2`. A line without a `value` is its last entry itself.
* A finding (a shared asset, a near stretch, a gap, a waiver, an assumption, a record) is one
  line. Circuits, groups, links and paths have a line for each of their figures.
* Version, study, `made` and the hashes of the inputs come first, each in a line of its own. All
  else follows from the records, in an order that does not depend on the order of their rows or
  files: a study that is proved twice differs in `made` alone. Only row numbers move with rows:
  in `rows` and the texts of gaps, and in `at` of each table of records.
* Fields that a file of `--json` leaves out stand here. `wa.read_facts(FILE)` gives the same for
  both, `wa.fact_lines(facts)` writes the lines. `recheck` and `compare` read what `--json`
  writes.

A filter such as `git diff facts.jsonl | grep verdict` shows the verdicts that changed.

""".splitlines()[1:]


def evidence_page() -> str:
    """Every object of the evidence with its fields, from their types."""
    parts = [
        _MADE,
        "# The evidence",
        "",
        *[line.strip() for line in (evidence.__doc__ or "").splitlines()[2:]],
        "",
        *_LEFT_OUT,
        "",
        f"This is format {evidence.FORMAT}. See [how recheck checks it](trust-a-file.md).",
        "The package holds the same as a JSON Schema, `evidence.schema.json`. Keys under",
        "`assumptions` are those of the [rules](rules.md).",
        "",
        *_LINES,
    ]
    schema = evidence.schema()
    needed = {name: set(one.get("required", ())) for name, one in schema["$defs"].items()}
    needed["Evidence"] = set(schema["required"])
    waiting, seen = [evidence.Evidence], {evidence.Evidence}
    for kind in waiting:  # grows as it goes
        parts += [f"## {kind.__name__}", "", inspect.cleandoc(kind.__doc__ or ""), ""]
        parts += ["| field | type | meaning |", "| --- | --- | --- |"]
        for name, hint in get_type_hints(kind, include_extras=True).items():
            said, notes, inner = _spelled(hint)
            absent = evidence.absences(kind).get(name)
            optional = "" if name in needed[kind.__name__] else "may be absent; "
            if absent is not None:
                optional = f"absent: {absent.said}; "
            meaning = (optional + "; ".join(dict.fromkeys(notes))).removesuffix("; ")
            parts.append(_row(f"`{name}`", said, meaning.replace("|", "\\|")))
            waiting += [one for one in inner if one not in seen]
            seen |= set(inner)
        parts.append("")
    return "\n".join(parts)


def _spelled(hint: Any) -> tuple[str, list[str], list[Any]]:
    """A type in words, its descriptions, and the types of objects in it."""
    origin, args = get_origin(hint), get_args(hint)
    if origin is NotRequired:
        return _spelled(args[0])
    if origin is Annotated:
        said, notes, inner = _spelled(args[0])
        own = [field.description for field in args[1:] if getattr(field, "description", None)]
        return said, [*own, *notes], inner
    if origin is Literal:
        return " or ".join(f"`{one}`" for one in args), [], []
    if origin in (Union, UnionType):
        found = [_spelled(one) for one in args]
        said = " or ".join(one[0] for one in found)
        return said, [n for one in found for n in one[1]], [k for one in found for k in one[2]]
    if origin in (list, dict):
        said, notes, inner = _spelled(args[-1])
        return f"{'list' if origin is list else 'by name'} of {said}", notes, inner
    plain = {str: "text", int: "whole number", float: "number", bool: "true or false"}
    if hint is NoneType:
        return "null", [], []
    if hint is Any:
        return "anything", [], []
    if hint in plain:
        return plain[hint], [], []
    return f"[{hint.__name__}](#{hint.__name__.lower()})", [], [hint]


def evidence_schema() -> str:
    """The JSON Schema of the evidence, from the same types."""
    return json.dumps(evidence.schema(), indent=1, ensure_ascii=False) + "\n"


def export_page() -> str:
    """Layers of `export` and their fields."""
    lines = [
        _MADE,
        "# What `export` writes",
        "",
        "`waysapart export STUDY -o ring.gpkg` writes one GeoPackage for any GIS. Findings are in",
        "the grid that the study shows (`crs`), or in longitude and latitude where it shows none.",
        'In Python it is `wa.export(proof, "ring.gpkg")`.',
        "",
        "It holds the study's own tables as layers named after their roles, in longitude and",
        "latitude (as the source gives it where a waiver states a digest). `ring.toml` is written",
        "beside it (and `ring-rules.toml`, where the study has [rules](rules.md) of its own), so",
        "that `waysapart check ring.toml` reads the same study back. A study that refers to ids",
        "which its proposal removes cannot be written as files; then the TOML is left out. All",
        "files change together or not at all. A GeoPackage ignores capitals in names of columns:",
        "where names differ in capitals only, the later ones get `_2`, `_3` behind them.",
        "",
        "The findings are layers of their own. Lists in one field are separated by `;`.",
        "Figures that are not on record are blank.",
        "",
        *_export_styles(),
    ]
    for layer in LAYERS.values():
        lines += [f"## {layer.name}", "", f"One row is {layer.says}."]
        lines += [f"Geometry: {layer.geometry or 'none, a table'}.", ""]
        lines += ["| field | meaning |", "| --- | --- |"]
        lines += [f"| `{name}` | {says} |" for name, says in layer.fields.items()]
        lines.append("")
    return "\n".join(lines)


def _export_styles() -> list[str]:
    """How the layers open in a GIS."""
    lines = [
        "## How it opens in a GIS",
        "",
        "Layers with geometry open drawn as in the report: the same colours, and widths, dashes",
        "and marks that differ where colours do. The styles are in the table `layer_styles`, an",
        "open convention that desktop GIS programs follow by themselves, and there also as OGC",
        "Styled Layer Descriptor 1.0.0 (column `styleSLD`) for programs that take a style from a",
        "file. Each row of a layer is drawn by one of these rules:",
        "",
        "| layer | rules |",
        "| --- | --- |",
    ]
    for name, rules in STYLES.items():
        titles = "; ".join(rule.title for rule in rules)
        lines.append(f"| `{name}` | {titles} |")
    return [
        *lines,
        "",
        "Paths of all circuits are drawn at once; filter `found_paths` by `circuit` to follow one.",
        "`found_contingency` and `found_circuits` are tables and have no style.",
        "",
        "Layers have a name and a description for people (`identifier` and `description` in",
        "`gpkg_contents`), and so have their fields (the extension Schema of OGC GeoPackage);",
        "programs that read these show them instead of `distance_m` and the like.",
        "",
        "`export` replaces an earlier file of its own, but not one in which somebody has changed",
        "or added a style: it asks for `--force`. Exports of one proof are the same bytes; every",
        "time in the file is that of the proof, which `SOURCE_DATE_EPOCH` fixes.",
        "",
    ]


def field_files_page() -> str:
    """Files of works for the field: what each holds, and the fields of the GeoPackage."""
    lines = [
        _MADE,
        "# Works as files for the field",
        "",
        "`waysapart dig STUDY --plan FILE -o week.gpkg -o week.gpx -o week.kml -o week.ics` writes",
        "works in the formats that the names end in, beside a notice (`-o week.html`) or without",
        "one: all of the files, or none. In Python it is `wa.write_field_files(works, ...)`.",
        "Positions are longitude and latitude on WGS 84. Characters that cannot be seen are",
        "written out, such as `⟨U+202E⟩`; a KML viewer shows descriptions as HTML, so they are",
        "escaped for that as well.",
        "",
        "| file | standard | what is in it |",
        "| --- | --- | --- |",
        "| `.gpkg` | OGC GeoPackage | four layers, listed below |",
        "| `.gpx` | GPX 1.1 | waypoints: the middle of each work, and each asset that is hit, "
        "where the work meets it (`type` says `works` or `hit`); tracks: the outlines of the works "
        "with their reach, and lines that are hit |",
        "| `.kml` | OGC KML 2.2 | a folder for each of the four layers, with the same fields as "
        "`ExtendedData` |",
        "| `.ics` | RFC 5545 | each work of a plan as an entry: days as whole days, hours as local "
        "time; what it must not overlap with stands in its text; where works that must not overlap "
        "do so as planned, that time has an entry of its own. The `UID` of an entry follows from "
        "the name of the study and the id of the work, so a calendar that takes a later file moves "
        "its entries. A dig without a plan has no days and so no calendar |",
        "",
        "What is lost with what is hit has no waypoints: it is not where the works are.",
        "Lists in one field of the GeoPackage are separated by `;`.",
        "",
    ]
    for name, (says, fields) in WORKS_LAYERS.items():
        lines += [f"## {name}", "", f"One row is {says}.", ""]
        lines += ["| field | meaning |", "| --- | --- |"]
        lines += [f"| `{field}` | {meaning} |" for field, meaning in fields.items()]
        lines.append("")
    return "\n".join(lines)


def frames_page() -> str:
    """Tables of a proof in Python: their columns, with type, unit and meaning."""
    lines = [
        _MADE,
        "# Findings as tables",
        "",
        "A proof has its findings as tables: DataFrames of pandas, and GeoDataFrames of geopandas",
        "where a row has a place.",
        "",
        "```python",
        "import waysapart as wa",
        "",
        'proof = wa.prove(wa.read_study("examples/estuary"))',
        'worst = proof.circuits.query("verdict == \'shared\'").sort_values("unavailability")',
        """print(worst[["id", "service", "shared", "near", "cross", "delay_us"]])""",
        """print(proof.shared.groupby("asset")["id"].count().nlargest(5))""",
        "```",
        "",
        "* Each table has all its columns whatever was found, also where it has no rows.",
        "* What is not known is NA, never nought, false or empty; the least that such a figure can",
        "  be has a column of its own, with `at_least` in its name (`at_most` of a margin).",
        "* The figures are those of `facts()` and of `prove --json`, to the same digits.",
        "* Lists in one cell are separated by `;`, as in the layers.",
        "* Geometry is longitude and latitude on WGS 84 (EPSG:4326). Longitudes run on across the",
        "  antimeridian, beyond 180 or -180 degrees, so that no line goes round the globe.",
        "* They are made when first asked for and kept; copy one before you change it.",
        "",
        "`id` of `circuits` and `groups`, `id` of `shared` and `near`, and `circuit` of `paths`",
        "and `budgets` are the same ids. `proof.facts()` has everything as plain data, with what",
        "has no table: assumptions by the [rules](rules.md), waivers, the evidence.",
        "",
        "| type | in pandas |",
        "| --- | --- |",
        *(f"| {name} | `{dtype}` |" for name, dtype in DTYPES.items()),
        "",
    ]
    for table in TABLES.values():
        lines += [f"## proof.{table.name}", "", f"One row is {table.says}."]
        if table.geometry is not None:
            lines.append(f"Its geometry: {table.geometry}; missing where nothing on record says.")
        lines += ["", "| column | type | unit | meaning |", "| --- | --- | --- | --- |"]
        lines += [
            f"| `{one.name}` | {one.type} | {one.unit} | {one.says.replace('|', chr(92) + '|')} |"
            for one in table.columns
        ]
        lines.append("")
    return "\n".join(lines)


def library_page() -> str:
    """Every name of `waysapart.__all__`: functions first, then their results and errors."""
    names = [name for name in waysapart.__all__ if not name.startswith("_")]
    things = {name: _behind(name) for name in names}
    functions = [name for name in names if inspect.isfunction(things[name])]
    errors = [
        name
        for name in names
        if inspect.isclass(things[name]) and issubclass(things[name], Exception)
    ]
    results = [name for name in names if name not in functions and name not in errors]
    parts = [
        _MADE,
        "# Library",
        "",
        "`import waysapart as wa` offers these. Everything is typed, and no function changes its",
        "arguments. See [commands and their Python twins](commands-and-python.md), and the keys of",
        "[the rules](rules.md) that descriptions name.",
        "",
    ]
    for title, group in (("Functions", functions), ("Results", results), ("Errors", errors)):
        parts += [f"## {title}", ""]
        for name in group:
            parts += [f"### {name}", "", *_described(name, things[name]), ""]
    return re.sub(r"\n{3,}", "\n\n", "\n".join(parts).rstrip()) + "\n"


def _behind(name: str) -> object:
    """The object behind a public name; for a stage that may be called, its function."""
    thing = getattr(waysapart, name)
    if inspect.ismodule(thing):
        return waysapart.__getattr__(name)
    return thing


def _described(name: str, thing: object) -> Iterator[str]:
    if inspect.isfunction(thing):
        yield f"```text\nwa.{name}{_signature(thing)}\n```"
        yield ""
    yield from _markdown(inspect.getdoc(thing) or "")
    if inspect.isclass(thing):
        yield from _methods(thing)


def _methods(kind: type) -> Iterator[str]:
    """The public methods of a class."""
    for name, member in vars(kind).items():
        if name.startswith("_") or not callable(member):
            continue
        summary = (inspect.getdoc(member) or "").partition("\n\n")[0].replace("\n", " ")
        yield ""
        yield f"- `{name}{_signature(member)}`: {summary}"


def _signature(function: Callable[..., object]) -> str:
    """The signature without `self`, one parameter a line where it is long."""
    signature = inspect.signature(function)
    parameters: list[str] = []
    for one in signature.parameters.values():
        if one.name == "self":
            continue
        if one.kind is one.KEYWORD_ONLY and "*" not in parameters:
            parameters.append("*")
        default = "" if one.default is one.empty else f" = {one.default!r}"
        parameters.append(f"{one.name}: {one.annotation}{default}")
    returns = f") -> {signature.return_annotation}"
    short = f"({', '.join(parameters)}{returns}"
    if len(short) < 80:
        return short
    return "(\n    " + ",\n    ".join(parameters) + f",\n{returns}"


def _markdown(doc: str) -> Iterator[str]:
    """A NumPy-style docstring: sections in bold, their terms as a list, examples as blocks."""
    lines = doc.splitlines()
    section = ""
    place = 0
    while place < len(lines):
        line = lines[place]
        if line.startswith(">>> "):
            end = next((i for i in range(place, len(lines)) if not lines[i]), len(lines))
            yield from ("```pycon", *lines[place:end], "```")
            place = end
            continue
        if place + 1 < len(lines) and _RULE.fullmatch(lines[place + 1].strip()):
            section = line.strip()
            yield from ("", f"**{section}**", "")
            place += 2
            continue
        if section in _TERMS and line and not line.startswith(" "):
            name, _, kind = line.partition(" : ")
            text = []
            while place + 1 < len(lines) and (lines[place + 1].startswith(" ")):
                place += 1
                text.append(lines[place].strip())
            told = f" ({kind})" if kind else ""
            yield f"- `{name}`{told}" + (f": {' '.join(text)}" if text else "")
        else:
            yield line
        place += 1


_APART = {
    "untitled": (
        "Published, title not on record",
        "Somebody read these, and nobody can find them again from what is known of them.",
    ),
    "memory": (
        "From memory",
        "These documents can be found, but nobody here has opened them at the place.",
    ),
    "practice": (
        "Common practice, memory and conventions",
        "Values in use that no document stands behind, or none that can be found.",
    ),
}
"""Kinds of document whose facts count for nothing: heading, and why."""


def sources_of_truth_page() -> str:
    """Published facts, their documents and the tests that hold the program to them."""
    facts = gather()
    every, main = counted(facts)
    second_hand, _ = counted(fact for fact in facts if fact.source.read_in)
    lines = [
        _MADE,
        "# Sources of truth",
        "",
        "What the program is held to that was not written here: published facts, the documents",
        "that state them, and the tests. Numbers are re-stated, nothing is quoted. A fact is one",
        "place in one document: the rows of one table are one fact. Formulas that agree with",
        "themselves, simulations and comparisons with other code are in [Promises](trust.md).",
        "",
        f"**{every} distinct facts** of documents that anybody can find; **{main}** of them are of",
        "the main job: sharing, separation, disjointness and events.",
        f"{second_hand} of them are second-hand, and say so: not the document was in hand, but one "
        "that quotes it.",
        "",
        "| of | what that is | facts |",
        "| --- | --- | --- |",
    ]
    for of, says in OF.items():
        count, _ = counted(fact for fact in facts if fact.of == of)
        lines.append(_row(of, says + (" (main job)" if of in MAIN_JOB else ""), str(count)))
    lines.append("")
    for of, says in OF.items():
        there = [fact for fact in facts if fact.counts and fact.of == of]
        if there:
            lines += [f"## {of.capitalize()}: {says}", "", *_facts_by_document(there)]
    lines += ["## What counts for nothing", ""]
    lines += ["Tested, but no witness: these are not among the facts above.", ""]
    for kind, (heading, why) in _APART.items():
        lines += [f"### {heading}", "", why, ""]
        there = [fact for fact in facts if fact.source.kind == kind]
        if there:
            lines += _facts_by_document(there)
        if kind == "practice":
            lines += _without_document()
    return "\n".join(lines)


def _without_document() -> Iterator[str]:
    """What ships, and what stands in the code, without a document behind it."""
    by_source: dict[str, list[str]] = {}
    for path in _leaves(shipped_tables(), ()):
        source = source_of(path)
        if _NO_DOCUMENT.search(source):
            by_source.setdefault(source, []).append(f"`{dotted(path)}`")
    yield from ("Values that ship ([rule keys](rules.md) has them with their units):", "")
    yield "| what the rules say of them | values |"
    yield "| --- | --- |"
    for source, keys in by_source.items():
        yield _row(source, ", ".join(keys))
    yield from ("", "In the code, where the lines beside it say so:", "")
    yield "| module | what |"
    yield "| --- | --- |"
    for path in sorted((DOCS.parent / "src").rglob("*.py")):
        if names := _unfounded(path.read_text(encoding="utf-8")):
            module = path.relative_to(DOCS.parent / "src").with_suffix("").as_posix()
            yield _row(f"`{module}`", ", ".join(f"`{name}`" for name in names))
    yield ""


def _leaves(table: Mapping[str, Any], path: tuple[str, ...]) -> Iterator[tuple[str, ...]]:
    for key, value in table.items():
        if isinstance(value, dict):
            yield from _leaves(value, (*path, key))
        else:
            yield (*path, key)


_NO_DOCUMENT = re.compile(
    r"no source\b(?! of)|from memory|a convention: |title not on record", re.I
)


def _unfounded(text: str) -> list[str]:
    """Names whose docstring says that no document stands behind them."""
    if not _NO_DOCUMENT.search(" ".join(text.split())):
        return []
    tree, found = ast.parse(text), []
    if _NO_DOCUMENT.search(ast.get_docstring(tree) or ""):
        found.append("the module")
    for node in ast.walk(tree):
        if isinstance(node, ast.FunctionDef | ast.ClassDef):
            said = " ".join((ast.get_docstring(node) or "").split())
            if _NO_DOCUMENT.search(said):
                found.append(node.name)
        for target, after in pairwise(getattr(node, "body", []) if _has_body(node) else []):
            if isinstance(target, ast.Assign | ast.AnnAssign) and isinstance(after, ast.Expr):
                said = " ".join(str(getattr(after.value, "value", "")).split())
                if _NO_DOCUMENT.search(said):
                    names = target.targets if isinstance(target, ast.Assign) else [target.target]
                    found.append(ast.unparse(names[0]))
    return found


def _has_body(node: ast.AST) -> bool:
    return isinstance(node, ast.Module | ast.ClassDef)


def _facts_by_document(facts: list[Fact]) -> Iterator[str]:
    """A list of documents in the order of what they are called, with their facts below them."""
    order = sorted({fact.document for fact in facts}, key=lambda key: DOCUMENTS[key].cited())
    for key in order:
        yield f"- {DOCUMENTS[key].cited()}"
        for same in distinct(fact for fact in facts if fact.document == key).values():
            says = "; ".join(dict.fromkeys(fact.says for fact in same))
            tests = dict.fromkeys(f"`{Path(fact.file).name}::{fact.test}`" for fact in same)
            yield f"  - {same[0].place}: {says}. {', '.join(tests)}"
    yield ""


PAGES = {
    "format.md": format_page,
    "commands.md": commands_page,
    "gaps.md": gaps_page,
    "rules.md": rules_page,
    "export.md": export_page,
    "field-files.md": field_files_page,
    "frames.md": frames_page,
    "library.md": library_page,
    "evidence.md": evidence_page,
    "sources-of-truth.md": sources_of_truth_page,
    "../src/waysapart/evidence.schema.json": evidence_schema,
}

STORIES = {"audit.md": "audit"}
"""Pages with sessions at a prompt whose output is written anew, and their plant in examples/."""


def retold_page(name: str) -> str:
    """A page with what its commands print now."""
    with TemporaryDirectory() as folder:
        shutil.copytree(
            DOCS.parent / "examples" / STORIES[name], Path(folder) / "examples" / STORIES[name]
        )
        return retold((DOCS / name).read_text(encoding="utf-8"), Path(folder))[0]


if __name__ == "__main__":
    for name in STORIES:
        (DOCS / name).write_text(retold_page(name), encoding="utf-8")
    for name, make in PAGES.items():
        (DOCS / name).write_text(make(), encoding="utf-8")

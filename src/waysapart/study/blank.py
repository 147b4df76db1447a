"""An empty study to fill in, and every key that a rules file can have.

The rules page of the docs and the commented `rules.toml` of `waysapart blank` are both written
from the models that check a rules file, so that a key is described once, where it is defined.
"""

from __future__ import annotations

import textwrap
import types
import typing
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal, get_args, get_origin

import tomli_w
from annotated_types import Ge, Gt, Le
from pydantic import AfterValidator, BaseModel
from pydantic.fields import FieldInfo

from waysapart.errors import CallError
from waysapart.output_files import OutputFile, replacing, write_layer
from waysapart.schema import PLAN, ROLES, Role
from waysapart.study.blank_workbook import LON_LAT_CRS, explained, headings, write_workbook
from waysapart.study.rules import DEFAULT_SERVICE, Rules, shipped_tables, source_of, unit_of
from waysapart.study.settings import RULES_FILE, STUDY_FILE, STUDY_PACKAGE, STUDY_WORKBOOK
from waysapart.study.toml import dotted

if TYPE_CHECKING:
    import geopandas as gpd

_NAMES = {"services": "SERVICE", "fibres": "TYPE", "failures": "KIND", "media": "MEDIUM"}
"""Placeholders in a head for the name that a user gives a table."""
_PLAIN_TYPES = {str: "text", bool: "true or false", date: "date", float: "number"}


_TOML = """\
# A study: where the layers are and how to read them.
# Each role is fed by the file that is named after it in this folder, or the layer or sheet so
# named in study.gpkg, study.xlsx or study.ods. An entry [[layer]] replaces that for its role.

name = {name}
# revision = "A"
# crs = "EPSG:25832"       # grid that reports also show, and CRS of layers that state none
# rules = "rules.toml"     # where the rules stand; a rules.toml in this folder needs no mention
# extends = "../as-built"  # start from another study, then add, replace (same id) and remove
# remove = ["D-17"]        # with extends: ids that go
# out = ["S-41"]           # assets out of service now
# snap_m = 2.0             # how far a segment's end may lie from what it ends at

# To read a layer under other names, or from elsewhere:
#
# [[layer]]
# role = "segments"        # {roles}
# source = "plant.gpkg"    # a vector file, a workbook, GeoParquet, CSV or postgresql://...
# layer = "ducts"          # the layer or sheet inside the source
# where = "status = 'built'"
# columns = {{ id = "ASSET_NO", kind = "TYPE" }}   # our name = their name
# values = {{ kind = "duct" }}                     # constants for columns that the source lacks
# units = {{ length_m = "ft" }}                    # units of the source
# prefix = "D-"            # put before this layer's ids ...
# refers = ["within"]      # ... and before the ids in these columns
# crs = "EPSG:25832"       # for a layer that does not state its own
# accuracy_m = 1.0         # how well the whole layer is surveyed

# A layer with a name and no role is a backdrop, such as water or roads: no verdict depends on it,
# and proposals say which of it new plant crosses or runs beside.
#
# [[layer]]
# name = "water"
# source = "water.gpkg"    # source, layer, where, columns (id, name, kind) and crs as above
"""


def write_blank(
    folder: Path | str,
    crs: str = LON_LAT_CRS,
    *,
    tables: Literal["gpkg", "csv"] = "gpkg",
    force: bool = False,
) -> list[Path]:
    """Write empty layers with the right columns to fill in.

    Parameters
    ----------
    folder : path
        Created where needed.
    crs : str
        CRS of the empty layers.
    tables : {'gpkg', 'csv'}
        Where the roles with geometry go: into a GeoPackage, or into CSV as the other roles, with
        geometry as well-known text or as the two numbers of a point.
    force : bool
        Whether existing files may be replaced.

    Returns
    -------
    list of Path
        study.toml, rules.toml with every rule commented out, study.gpkg with
        one layer for each role that needs geometry or may have it, and one CSV
        file for each other role. With CSV for all: no GeoPackage, and columns.txt, which says
        what each column means.

    Raises
    ------
    CallError
        One of these files exists, or the CRS is unknown; nothing is written then.
    WriteError
        A file cannot be written; then none is.
    """
    folder = Path(folder)
    _check_crs(crs)
    plain = tables == "csv"
    as_text = [role for role in ROLES.values() if plain or not role.has_layer]
    paths = [folder / STUDY_FILE, folder / RULES_FILE]
    paths.append(folder / (_COLUMNS_FILE if plain else STUDY_PACKAGE))
    paths += [folder / f"{role.name}.csv" for role in as_text]
    targets = [OutputFile(path, "study") for path in paths]
    text = _settings(folder, crs if plain else None)
    texts = {STUDY_FILE: text, RULES_FILE: rules_text()}
    if plain:
        texts[_COLUMNS_FILE] = _columns_text(crs)
    for role in as_text:
        texts[f"{role.name}.csv"] = ",".join(one.name for one in headings(role, crs)) + "\n"
    with replacing(targets, force=force, folders=True) as change:
        for name, content in texts.items():
            change.place(folder / name).write_bytes(content.encode())
        if not plain:
            package = change.place(folder / STUDY_PACKAGE)
            for role in ROLES.values():
                if role.has_layer:
                    _write_layer(role, package, crs)
    return paths


def write_blank_workbook(
    file: Path | str, crs: str = LON_LAT_CRS, *, force: bool = False
) -> list[Path]:
    """Write one workbook to fill in, with a sheet for each role.

    Headings are explained in notes and on a sheet of their own. There are lists to choose from,
    and numbers, days and words are checked as they are typed.

    Parameters
    ----------
    file : path
        Ends in .xlsx. Its folder is created where needed, and is the study.
    crs : str
        CRS of the geometry, which is well-known text, or the two numbers of a point.
    force : bool
        Whether an existing workbook may be replaced.

    Returns
    -------
    list of Path
        The workbook; study.toml and rules.toml beside it, where there are none yet. A workbook of
        another name than study.xlsx is named in study.toml.

    Raises
    ------
    CallError
        The workbook exists, its name ends otherwise, or the CRS is unknown; nothing is written
        then.
    WriteError
        A file cannot be written; then none is.
    """
    file = Path(file)
    _check_crs(crs)
    if file.suffix.casefold() != ".xlsx":
        raise CallError(
            f"{file}: give the workbook a name that ends in .xlsx; a spreadsheet program can save "
            "it as .ods"
        )
    folder = file.parent
    texts = {folder / STUDY_FILE: _settings(folder, crs), folder / RULES_FILE: rules_text()}
    if file.name != STUDY_WORKBOOK:
        texts[folder / STUDY_FILE] += "".join(
            f"\n[[layer]]\nrole = {toml_value(role)}\nsource = {toml_value(file.name)}\n"
            f"layer = {toml_value(role)}\n"
            for role in ROLES
        )
    texts = {path: text for path, text in texts.items() if not path.exists()}
    paths = [file, *texts]
    targets = [OutputFile(path, "study") for path in paths]
    with replacing(targets, force=force, folders=True) as change:
        for path, text in texts.items():
            change.place(path).write_bytes(text.encode())
        write_workbook(change.place(file), crs)
    return paths


def write_blank_plan(
    folder: Path | str,
    crs: str = LON_LAT_CRS,
    *,
    tables: Literal["gpkg", "csv"] = "gpkg",
    force: bool = False,
) -> list[Path]:
    """Write an empty plan of works to fill in, as `dig --plan` reads it.

    Parameters
    ----------
    folder : path
        Created where needed; a study in it stays as it is.
    crs : str
        CRS of the empty layer.
    tables : {'gpkg', 'csv'}
        A GeoPackage, in which works are drawn, or CSV, in degrees.
    force : bool
        Whether existing files may be replaced.

    Returns
    -------
    list of Path
        The plan, and a text beside it that says what each column means.

    Raises
    ------
    CallError
        One of these files exists, the CRS is unknown, or it is not that of CSV; nothing is
        written then.
    WriteError
        A file cannot be written; then none is.
    """
    folder = Path(folder)
    _check_crs(crs)
    if tables == "csv" and crs != LON_LAT_CRS:
        raise CallError(f"--crs {crs}: a plan in CSV is in degrees, {LON_LAT_CRS}; leave out --csv")
    plan = folder / f"{PLAN.name}.{tables}"
    about = folder / f"{PLAN.name}-{_COLUMNS_FILE}"
    columns = _columns_of(PLAN, plan.name, crs, drawn=tables == "gpkg")
    text = "\n".join([*_HOW_TO_FILL, *columns, "", *_HOW_TO_PLAN]) + "\n"
    targets = [OutputFile(plan, "study"), OutputFile(about, "study")]
    with replacing(targets, force=force, folders=True) as change:
        change.place(about).write_bytes(text.encode())
        if tables == "gpkg":
            _write_layer(PLAN, change.place(plan), crs)
        else:
            head = ",".join(one.name for one in headings(PLAN, crs)) + "\n"
            change.place(plan).write_bytes(head.encode())
    return [plan, about]


_COLUMNS_FILE = "columns.txt"


def _check_crs(crs: str) -> None:
    from pyproj import CRS
    from pyproj.exceptions import CRSError

    try:
        CRS.from_user_input(crs)
    except CRSError as error:
        raise CallError(
            f"--crs {crs}: no such coordinate system; an example is EPSG:25832"
        ) from error


def _settings(folder: Path, crs: str | None) -> str:
    """A study.toml that explains its keys; it states a CRS for layers that can state none."""
    text = _TOML.format(name=toml_value(folder.resolve().name), roles=", ".join(ROLES))
    if crs is not None:
        text = text.replace('# crs = "EPSG:25832"       #', f"crs = {toml_value(crs)}  #", 1)
    return text


def _columns_text(crs: str) -> str:
    """What each column of each table means."""
    lines = [
        *_HOW_TO_FILL,
        "A blank cell means that nobody recorded it, - that there is known to be none.",
    ]
    for role in ROLES.values():
        lines += _columns_of(role, f"{role.name}.csv", crs)
    return "\n".join(lines) + "\n"


_HOW_TO_FILL = ["What the columns mean. Needed in every row: those with a *."]
_HOW_TO_PLAN = [
    "Dates and times are local, without an offset: 2026-05-04, or 2026-05-04T08:00. Every work",
    "needs assets, or a point, line or area where it digs. Columns of your own are not read, and",
    "are named.",
    "",
    "Then run: waysapart dig STUDY --plan FILE",
]


def _columns_of(role: Role, file: str, crs: str, *, drawn: bool = False) -> list[str]:
    """What each column of a table means; `drawn`: its geometry is no column of its own."""
    lines = ["", f"{file}: one row is {role.says}", ""]
    for one in headings(role, crs):
        if drawn and one.column is None:
            continue
        needed = one.column is not None and one.column.required and not one.column.may_be_blank
        lines += textwrap.wrap(
            f"{one.name}{'*' if needed else ''}: {explained(one, role)}",
            _WIDEST,
            initial_indent="  ",
            subsequent_indent="      ",
        )
    return lines


def _write_layer(role: Role, path: Path, crs: str) -> None:
    write_layer(
        _empty_layer(role, crs),
        path,
        layer=role.name,
        driver="GPKG",
        geometry_type=role.geometry[0] if len(role.geometry) == 1 else "Unknown",
        append=path.exists(),
    )


def _empty_layer(role: Role, crs: str) -> gpd.GeoDataFrame:
    import geopandas as gpd
    import pandas as pd

    from waysapart.study.columns import HIDDEN, empty_frame

    frame = empty_frame(role).drop(columns=list(HIDDEN))
    return gpd.GeoDataFrame(pd.DataFrame(frame), geometry=gpd.GeoSeries([], crs=crs))


@dataclass(frozen=True, slots=True)
class RuleKey:
    """One key of a table.

    Attributes
    ----------
    name : str
        As it is written in its table; the keys of a table within are dotted: `oldest.survey`.
    type : str
        Allowed values, in words.
    unit : str
        '' where it has none.
    required : bool
        Whether a table must state it.
    default : object
        Value where it is not stated; None: there is none. In a table by name, that of its
        entry `default`, if it has one.
    source : str
        Where the default comes from; '' where there is none.
    says : str
        What it means.
    example : object
        A value for the keys that have no default; None where none is needed.
    words : bool
        Whether only certain words are allowed.
    """

    name: str
    type: str
    unit: str
    required: bool
    default: object
    source: str
    says: str
    example: object
    words: bool


@dataclass(frozen=True, slots=True)
class Shipped:
    """One shipped value of a table by name."""

    name: str
    key: str
    value: object
    unit: str
    source: str


@dataclass(frozen=True, slots=True)
class RuleTable:
    """One table of a rules file.

    Attributes
    ----------
    key : str
        The key of the table, such as `services`.
    head : str
        How it begins in a file: `[services.SERVICE]`, `[[waiver]]`.
    says : str
    keys : tuple of RuleKey
    names : tuple of str
        Shipped entries of a table by name.
    shipped : tuple of Shipped
        Their values, except those that are defaults of `keys`.
    """

    key: str
    head: str
    says: str
    keys: tuple[RuleKey, ...]
    names: tuple[str, ...] = ()
    shipped: tuple[Shipped, ...] = ()


def rule_tables() -> tuple[RuleTable, ...]:
    """List all tables of a rules file, in the order of the page."""
    return tuple(_table(field.alias or name, field) for name, field in Rules.model_fields.items())


def _table(key: str, field: FieldInfo) -> RuleTable:
    parts, says = get_args(field.annotation), field.description or ""
    shipped = shipped_tables().get(key, {})
    if get_origin(field.annotation) is dict:
        base = (key, DEFAULT_SERVICE) if DEFAULT_SERVICE in shipped else None
        return RuleTable(
            key,
            f"[{key}.{_NAMES[key]}]",
            says,
            tuple(_keys(parts[1], (key, _NAMES[key]), base)),
            tuple(shipped),
            tuple(
                Shipped(name, one, value, unit_of((key, name, one)), _sources((key, name, one)))
                for name, table in shipped.items()
                if base is None or name != DEFAULT_SERVICE
                for one, value in table.items()
            ),
        )
    if get_origin(field.annotation) is tuple:
        return RuleTable(key, f"[[{key}]]", says, tuple(_keys(parts[0], (key,), None)))
    assert isinstance(field.annotation, type)
    return RuleTable(key, f"[{key}]", says, tuple(_keys(field.annotation, (key,), (key,))))


def _keys(
    model: type[BaseModel],
    path: tuple[str, ...],
    defaults: tuple[str, ...] | None,
    within: tuple[str, ...] = (),
) -> Iterator[RuleKey]:
    """Keys of a model; `defaults` is where the shipped file states their values."""
    for name, field in model.model_fields.items():
        here = (*within, name)
        if isinstance(field.annotation, type) and issubclass(field.annotation, BaseModel):
            yield from _keys(field.annotation, path, defaults, here)
            continue
        default = None if field.is_required() else field.get_default(call_default_factory=True)
        if defaults is not None:
            default = _at(shipped_tables(), (*defaults, *here), default)
        stated = default is not None and default != {}
        yield RuleKey(
            name=dotted(here),
            type=_words(field.annotation, field.metadata),
            unit=unit_of((*path, *here)),
            required=field.is_required() and defaults is None,
            default=default if stated else None,
            source=_sources((*defaults, *here)) if stated and defaults is not None else "",
            says=field.description or "",
            example=field.examples[0] if field.examples else None,
            words=_only_words(field.annotation),
        )


def _at(tables: Mapping[str, Any], path: Sequence[str], otherwise: object) -> object:
    found: object = tables
    for key in path:
        if not isinstance(found, Mapping) or key not in found:
            return otherwise
        found = found[key]
    return found


def _sources(path: tuple[str, ...]) -> str:
    """The sources of a value; of a table all that its parts have, each once."""
    value = _at(shipped_tables(), path, None)
    parts = [(*path, str(key)) for key in value] if isinstance(value, Mapping) else []
    return "; ".join(dict.fromkeys(source_of(part) for part in parts or [path]))


def _only_words(annotation: Any) -> bool:
    if get_origin(annotation) in (typing.Union, types.UnionType):
        return all(_only_words(part) for part in get_args(annotation) if part is not type(None))
    return annotation is bool or get_origin(annotation) is Literal


def _words(annotation: Any, metadata: Sequence[Any] = ()) -> str:
    """What may stand in a field, in words."""
    origin, parts = get_origin(annotation), get_args(annotation)
    if origin is Annotated:
        inner = [one for part in parts[1:] for one in getattr(part, "metadata", [part])]
        return _words(parts[0], inner)
    if origin in (typing.Union, types.UnionType):
        return " or ".join(_words(part) for part in parts if part is not type(None))
    if origin is Literal:
        *first, last = (f"`{word}`" for word in parts)
        return f"{', '.join(first)} or {last}"
    if origin is dict:
        return f"by {_by(parts[0])}: {_words(parts[1])}"
    if origin is tuple:
        if parts[-1] is Ellipsis:
            return f"list of {_by(parts[0]) if _is_pair(parts[0]) else _words(parts[0])}"
        return f"list of {len(parts)}: {', '.join(_words(part) for part in parts)}"
    kind = "whole number" if annotation is int else _PLAIN_TYPES[annotation]
    least = next((one.ge for one in metadata if isinstance(one, Ge)), None)
    above = next((one.gt for one in metadata if isinstance(one, Gt)), None)
    most = next((one.le for one in metadata if isinstance(one, Le)), None)
    if above is not None:
        return f"{kind} above {above}"
    if least is not None and most is not None:
        return f"{kind}, {least} to {most}"
    return kind if least is None else f"{kind}, at least {least}"


def _by(key: Any) -> str:
    if _is_pair(key):
        return "pairs of kinds, such as span/span"
    base = get_args(key)[0] if get_origin(key) is Annotated else key
    return "wavelength in nm" if base is int else "kind"


def _is_pair(key: Any) -> bool:
    return get_origin(key) is Annotated and any(
        isinstance(part, AfterValidator) for part in get_args(key)
    )


def rules_text() -> str:
    """Write a rules file in which every key is commented out, with its default and meaning.

    Returns
    -------
    str
        TOML that states nothing as it is. A line that begins with `#` and no blank states a
        shipped value once the `#` is removed.
    """
    parts = [_HEAD]
    for table in rule_tables():
        parts += _said(table.says)
        if table.head.startswith("[["):
            parts += [f"# {table.head}", *_lines(table, 0, None), ""]
            continue
        names = table.names or (None,)
        for number, name in enumerate(names):
            head = table.head if name is None else f"[{dotted((table.key, name))}]"
            parts += [head, *_lines(table, number, name), ""]
    return "\n".join(parts).rstrip() + "\n"


_HEAD = """\
# The rules: limits, catalogue values, what a blank means, waivers.
# Nothing is stated here yet, so what ships with waysapart holds. To state a value of your
# own, take the # away that stands right before its key. Lines with a blank after the # are
# explanations and examples. docs/rules.md gives the source of every value.
"""


def _lines(table: RuleTable, number: int, name: str | None) -> Iterator[str]:
    """Keys of one table; in tables by name the first entry explains them."""
    own = {one.key: one.value for one in table.shipped if one.name == name}
    for key in table.keys:
        value = own.get(key.name) if name is not None and name != DEFAULT_SERVICE else key.default
        if number == 0:
            yield from _said(key.says)
        if value is not None:
            yield from _stated(key, value)
        elif number == 0:
            given = f"= {toml_value(key.example)}" if key.example is not None else f"= ({key.type})"
            yield f"# {key.name} {given}{_trailing(key)}"


def _stated(key: RuleKey, value: object) -> Iterator[str]:
    line = f"#{key.name} = {toml_value(value)}"
    if isinstance(value, Mapping) and len(line) > _WIDEST:
        for part, one in value.items():
            yield f"#{key.name}.{dotted((part,))} = {toml_value(one)}{_trailing(key)}"
    else:
        yield line + _trailing(key)


def toml_value(value: object) -> str:
    r"""Write one value as TOML on one line, since a comment ends with its line.

    A tab is escaped too: a terminal shows it as spaces.

    Parameters
    ----------
    value : object
        Table, list, text, number, date or truth value.

    Returns
    -------
    str

    Raises
    ------
    TypeError
        TOML has no such value.

    Examples
    --------
    >>> print(toml_value({"a b": [1, 'say "no"']}))
    { "a b" = [1, "say \"no\""] }
    """
    if isinstance(value, Mapping):
        inner = ", ".join(f"{_toml_key(key)} = {toml_value(one)}" for key, one in value.items())
        return f"{{ {inner} }}" if inner else "{}"
    if isinstance(value, Sequence) and not isinstance(value, str):
        return f"[{', '.join(toml_value(one) for one in value)}]"
    line = tomli_w.dumps({"v": value}).removeprefix("v = ").removesuffix("\n")
    return line.replace("\t", "\\t")


def _toml_key(key: object) -> str:
    line = tomli_w.dumps({str(key): 0}).removesuffix(" = 0\n")
    return line.replace("\t", "\\t")


_WIDEST = 84


def _said(text: str) -> list[str]:
    return textwrap.wrap(text, _WIDEST, initial_indent="# ", subsequent_indent="#   ")


def _trailing(key: RuleKey) -> str:
    said = key.type.replace("`", "") if key.words else key.unit
    return f"  # {said}" if said else ""

"""Findings and tied plant as one GeoPackage that reads back as the same study."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Sequence
from contextlib import closing
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from waysapart.errors import CallError
from waysapart.export.layers import LAYERS, alias, found_layers
from waysapart.export.styles import rules_of, style_of
from waysapart.network.build_network import Network
from waysapart.output_files import (
    STYLES,
    STYLES_OWNER,
    Change,
    OutputFile,
    marked_toml,
    refuse_unsafe,
    replacing,
    style_mark,
    write_layer,
    written_by_us,
)
from waysapart.schema import ROLES
from waysapart.study.model import Study
from waysapart.study.write import (
    LayerRows,
    parts_of,
    reserved_names,
    study_texts,
    write_parts,
)
from waysapart.verdicts.prove import Proof, prove

_SUFFIX = ".gpkg"


def export_targets(path: Path) -> tuple[OutputFile, OutputFile, OutputFile]:
    """The files that `export` writes: the GeoPackage, its TOML file and its rules.

    Parameters
    ----------
    path : Path
        The GeoPackage.

    Returns
    -------
    tuple of three OutputFile
    """
    settings, rules = path.with_suffix(".toml"), path.with_name(f"{path.stem}-rules.toml")
    return OutputFile(path, "gpkg"), OutputFile(settings, "toml"), OutputFile(rules, "toml")


def export(
    subject: Proof | Study | Network, path: Path | str, *, force: bool = False
) -> list[Path]:
    """Write a proof as layers for any GIS.

    Parameters
    ----------
    subject : Proof, Study or Network
        What is not proved yet is proved first.
    path : path
        A GeoPackage. The study's own tables are layers named after their
        roles, the findings layers `found_...` (see `export.layers.LAYERS`).
        Layers and fields have names for people, and layers with geometry a
        style in the report's colours, which a desktop GIS applies by itself.
        Beside it stands a TOML file of the same name, with which
        `read_study` reads the same study back, and the study's own rules.
    force : bool
        Whether files of these names that waysapart did not write may be replaced.

    Returns
    -------
    list of Path
        Files written, the GeoPackage first. Where a proposal removes ids that
        others refer to, no file can hold that study, and the TOML is left out.

    Raises
    ------
    CallError
        Another kind of file, a folder that does not exist, a study without a
        single row; or a file that is an input, or that waysapart did not write.
    WriteError
        A file cannot be written; then none is changed.

    Notes
    -----
    Everything is written beside its place and renamed when it is whole: the
    files change together or not at all.

    Examples
    --------
    >>> import waysapart as wa
    >>> proof = wa.prove(wa.read_study("examples/estuary"))
    >>> from tempfile import TemporaryDirectory
    >>> with TemporaryDirectory() as folder:
    ...     for file in wa.export(proof, f"{folder}/estuary.gpkg"):
    ...         print(file.name)
    estuary.gpkg
    estuary.toml
    estuary-rules.toml
    """
    target = Path(path)
    if target.suffix.casefold() != _SUFFIX:
        raise CallError(f"{target.name}: expected the name of a GeoPackage, ending in {_SUFFIX}")
    targets = export_targets(target)
    study = subject if isinstance(subject, Study) else subject.study
    refuse_unsafe(targets, study.files, force=force)
    proof = subject if isinstance(subject, Proof) else prove(subject)
    if not any(len(table) for table in proof.study.tables.values()):
        raise CallError(f"{proof.study.name} holds no rows yet, so there is nothing to export")
    with replacing(targets, study.files, force=force) as change:
        return _write(proof, targets, change)


def _write(
    proof: Proof, targets: tuple[OutputFile, OutputFile, OutputFile], change: Change
) -> list[Path]:
    target, settings, rules = (one.path for one in targets)
    study = replace(proof.study, gaps=())
    package = change.place(target)
    parts, found = parts_of(study), found_layers(proof)
    layers = write_parts(parts, package, target.name)
    for name, frame in found.items():
        _append(frame, package, name)
    told = [*map(_told_role, parts), *(_told_found(name, one) for name, one in found.items())]
    try:
        with closing(sqlite3.connect(package)) as base, base:
            _describe(base, told, proof.made)
    except sqlite3.Error as error:
        raise OSError(f"names and styles of the layers cannot be written: {error}") from error
    _forget_changes(package)
    texts = {} if proof.study.read_gaps else study_texts(study, layers, settings.name, rules.name)
    for name, text in texts.items():
        change.place(target.with_name(name)).write_bytes(marked_toml(text).encode())
    for one in targets[1:]:  # an earlier study's would not belong to these layers
        if one.path.name not in texts and one.path.is_file() and written_by_us(one):
            change.remove(one.path)
    return [target, *(target.with_name(name) for name in texts)]


def _append(frame: pd.DataFrame, package: Path, name: str) -> None:
    more = (
        {"geometry_type": "Unknown"} if isinstance(frame, gpd.GeoDataFrame) and frame.empty else {}
    )
    options = reserved_names(frame)
    write_layer(
        frame, package, layer=name, driver="GPKG", append=True, layer_options=options, **more
    )


# --- What a GIS shows of the layers beside their rows


@dataclass(frozen=True, slots=True)
class _Told:
    """A layer for people: its name and fields, and how it is drawn.

    Attributes
    ----------
    name, title, says : str
    fields : dict of str to str
        What each field means.
    role : str or None
        Of its rows; None: a layer of findings.
    dimensions : frozenset of int or None
        Of its geometries; None: a table.
    """

    name: str
    title: str
    says: str
    fields: dict[str, str]
    role: str | None
    dimensions: frozenset[int] | None


def _told_role(part: LayerRows) -> _Told:
    role = ROLES[part.role]
    number = part.name.removeprefix(part.role).removeprefix("_")
    return _Told(
        part.name,
        f"Records: {part.role.replace('_', ' ')}{f' ({number})' if number else ''}",
        role.says,
        {
            name: role.column[name].says
            for name in map(str, part.frame.columns)
            if name in role.column
        },
        part.role,
        _dimensions(part.frame["geometry"]) if part.has_geometry else None,
    )


def _told_found(name: str, frame: pd.DataFrame) -> _Told:
    layer = LAYERS[name]
    drawn = _dimensions(frame.geometry) if isinstance(frame, gpd.GeoDataFrame) else None
    return _Told(name, layer.title, layer.says, dict(layer.fields), None, drawn)


def _dimensions(shapes: Iterable[object]) -> frozenset[int]:
    found = np.unique(shapely.get_dimensions(np.array(list(shapes), dtype=object)))
    return frozenset(found[found >= 0].tolist())


_TABLES = f"""
CREATE TABLE IF NOT EXISTS gpkg_extensions (
  table_name TEXT, column_name TEXT, extension_name TEXT NOT NULL, definition TEXT NOT NULL,
  scope TEXT NOT NULL, CONSTRAINT ge_tce UNIQUE (table_name, column_name, extension_name));
CREATE TABLE IF NOT EXISTS gpkg_data_columns (
  table_name TEXT NOT NULL, column_name TEXT NOT NULL, name TEXT, title TEXT, description TEXT,
  mime_type TEXT, constraint_name TEXT, CONSTRAINT pk_gdc PRIMARY KEY (table_name, column_name),
  CONSTRAINT gdc_tn UNIQUE (table_name, name));
CREATE TABLE IF NOT EXISTS gpkg_data_column_constraints (
  constraint_name TEXT NOT NULL, constraint_type TEXT NOT NULL, value TEXT, min NUMERIC,
  min_is_inclusive BOOLEAN, max NUMERIC, max_is_inclusive BOOLEAN, description TEXT,
  CONSTRAINT gdcc_ntv UNIQUE (constraint_name, constraint_type, value));
CREATE TABLE {STYLES} (
  id INTEGER PRIMARY KEY AUTOINCREMENT NOT NULL, f_table_catalog TEXT(256),
  f_table_schema TEXT(256), f_table_name TEXT(256), f_geometry_column TEXT(256),
  styleName TEXT(30), styleQML TEXT, styleSLD TEXT, useAsDefault BOOLEAN, description TEXT,
  owner TEXT(30), ui TEXT(30), update_time DATETIME);
"""
"""Tables of OGC GeoPackage, its extension Schema, and the open convention for styles."""
_SCHEMA = ("gpkg_schema", "http://www.geopackage.org/spec121/#extension_schema", "read-write")


def _forget_changes(package: Path) -> None:
    """Set the two counters of changes in a SQLite header to 1.

    GDAL takes a number of transactions that differs from run to run. The counters must be equal,
    and mean nothing in a file that nobody has open (sqlite.org/fileformat.html, 1.3.6 and 1.3.18).
    """
    with package.open("r+b") as file:
        for place in (24, 92):
            file.seek(place)
            file.write((1).to_bytes(4, "big"))


def _describe(base: sqlite3.Connection, layers: Sequence[_Told], made: datetime) -> None:
    """Name layers and fields for people, and store how layers are drawn.

    All times in the file are the one of the proof, so that equal proofs make equal files.
    """
    at = made.strftime("%Y-%m-%dT%H:%M:%S.000Z")
    base.executescript(_TABLES)
    base.executemany(
        "INSERT INTO gpkg_extensions VALUES (?, NULL, ?, ?, ?)",
        [(table, *_SCHEMA) for table in ("gpkg_data_columns", "gpkg_data_column_constraints")],
    )
    base.execute(
        "INSERT INTO gpkg_contents (table_name, data_type, identifier, description) "
        "VALUES (?, 'attributes', ?, 'how a GIS draws the layers')",
        (STYLES, STYLES),
    )
    base.executemany(
        "UPDATE gpkg_contents SET identifier = ?, description = ? WHERE table_name = ?",
        [(one.title, f"{one.says[0].upper()}{one.says[1:]}.", one.name) for one in layers],
    )
    base.execute("UPDATE gpkg_contents SET last_change = ?", (at,))
    for one in layers:
        there = {str(name) for _, name, *_ in base.execute(f'PRAGMA table_info("{one.name}")')}
        names = {field: alias(field, found=one.role is None) for field in one.fields}
        base.executemany(
            "INSERT INTO gpkg_data_columns (table_name, column_name, name, title, description) "
            "VALUES (?, ?, ?, ?, ?)",
            [
                (one.name, field, name, name, one.fields[field])
                for field, name in names.items()
                if field in there  # not where a column that differs in capitals took its name
            ],
        )
    column = dict(base.execute("SELECT table_name, column_name FROM gpkg_geometry_columns"))
    for one in layers:
        if one.dimensions is None:
            continue
        style = style_of(one.name, rules_of(one.name, one.role), one.dimensions)
        base.execute(
            f"INSERT INTO {STYLES} (f_table_catalog, f_table_schema, f_table_name, "
            "f_geometry_column, styleName, styleQML, styleSLD, useAsDefault, description, owner, "
            "update_time) VALUES ('', '', ?, ?, 'as in the report', ?, ?, 1, ?, ?, ?)",
            (
                one.name,
                column[one.name],
                style.qml,
                style.sld,
                style_mark(style.qml, style.sld),
                STYLES_OWNER,
                at,
            ),
        )

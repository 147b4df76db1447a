"""The records of a study as plain rows, read without the prover's reader; the rules in force.

A row is a dict of our column names; blanks are None, lists are lists of ids,
numbers are floats in our units. Rows are only as well checked as this program
needs: `waysapart check` is what validates a study.
"""

from __future__ import annotations

import csv
import io
import json
import re
import sqlite3
import sys
import tomllib
from copy import deepcopy
from dataclasses import dataclass, field, replace
from datetime import date
from functools import cache, cached_property
from pathlib import Path
from typing import Any, NamedTuple

import pyogrio
import shapely
from pyproj import CRS
from pyproj.exceptions import CRSError

from waysapart.input_files import (
    BAD_CRS,
    MOST_SETTINGS_BYTES,
    RefusedError,
    bounded,
    check_columns,
    check_filter,
    check_header,
    check_parquet,
    check_query,
    check_regular,
    fenced,
    hashed,
    read_bytes,
    run,
    sha256,
    vector,
    workbook_kind,
)
from waysapart.recheck.faulty_rows import (
    NO_ID,
    Gap,
    Row,
    day_of,
    grouped,
    name_cords,
    settle,
    typed,
)
from waysapart.recheck.places import GEOD, LON_LAT, Drawn, NoTransformationError, Sheet, place
from waysapart.recheck.workbooks import Broken, sheet_names, sheet_rows
from waysapart.schema import ROLES, csv_meant


class UnreadableError(Exception):
    """The study or the evidence cannot be read at all."""


def settings_of(path: Path) -> dict[str, Any]:
    """What a TOML file says."""
    try:
        text = read_bytes(path, MOST_SETTINGS_BYTES).decode("utf-8-sig").replace("\r\n", "\n")
        return tomllib.loads(text)
    except RefusedError as error:
        raise UnreadableError(f"{path.name} {error}") from error
    except (ValueError, RecursionError, OverflowError, MemoryError) as error:
        said = str(error) or type(error).__name__
        raise UnreadableError(f"{path.name} is no TOML: {said}") from error


def own_rules(
    chain: list[tuple[Path, dict[str, Any]]],
) -> tuple[dict[str, Any], list[tuple[str, str]]]:
    """A study's own rules, from the last of a chain that has any, and the file with its hash."""
    for path, said in reversed(chain):
        stated = path.parent / said.get("rules", "rules.toml")
        if stated.exists():
            return settings_of(stated), [(stated.name, sha256(stated))]
    return {}, []


WHOLE = {"separation_m", "forbid_cross", "ignore_kinds", "excuse", "passive"}
"""Rules that a study replaces as a whole; others are merged key by key."""


@cache
def _shipped() -> dict[str, Any]:
    path = Path(__file__).resolve().parents[1] / "study" / "default_rules.toml"
    return tomllib.loads(path.read_text(encoding="utf-8"))


def shipped_sources() -> dict[str, str]:
    """By dotted key, the source of what the shipped rules say under it."""
    found: dict[str, str] = _shipped()["sources"]
    return found


def merged(own: dict[str, Any], file: str) -> tuple[dict[str, Any], dict[tuple[str, ...], str]]:
    """The shipped rules with a study's own over them; services fall back on `default`.

    Also the paths of keys that the study's own rules state, each with the name of their file.
    """
    rules = deepcopy({key: value for key, value in _shipped().items() if key != "sources"})
    said_by: dict[tuple[str, ...], str] = {}

    def lay(under: dict[str, Any], over: dict[str, Any], path: tuple[str, ...]) -> None:
        for key, value in over.items():
            here = (*path, key)
            if isinstance(value, dict) and key not in WHOLE:
                if not isinstance(under.get(key), dict):
                    under[key] = {}
                lay(under[key], value, here)
                if len(here) == 2 and path[0] == "failures":  # a rate stated replaces the other
                    rates = {"per_year", "per_km_year"}
                    if rates & set(value):
                        for other in rates - set(value):
                            under[key].pop(other, None)
            else:
                under[key] = value
                said_by[here] = file

    records = own.get("records", {})
    spread = {
        key: dict.fromkeys(rules["records"][key], value)
        if isinstance(rules["records"].get(key), dict) and not isinstance(value, dict)
        else value
        for key, value in records.items()
    }
    lay(rules, {**own, "records": spread}, ())
    for name, service in rules["services"].items():
        for key, value in rules["services"]["default"].items():
            if key not in service:
                service[key] = value
                origin = "services", "default", key
                source = said_by.get(origin) or shipped_sources().get(".".join(origin))
                said_by["services", name, key] = source or shipped_sources()["services.default"]
    return rules, said_by


TABLES = (".csv", ".xlsx", ".ods", ".parquet", ".geoparquet")
PLACED = ("geometry", "lon", "lat", "x", "y")
REFERENCES = {
    *("a", "b", "at", "site", "segment", "cable", "carried_by", "link", "circuit", "from", "to"),
    *("within", "cables", "needs", "supplies", "via", "relies_on", "protects"),
    *("ring", "enter", "leave", "a_tail", "b_tail"),
    *("joint", "a_cable", "b_cable", "equipment"),
}
"""Columns that hold ids of other rows."""
COURSES = {
    "cable_runs": ("cable",),
    "link_runs": ("link",),
    "circuit_paths": ("circuit", "path"),
    "rings": ("ring",),
    "ring_circuits": ("circuit",),
}
"""Roles whose rows are steps of something, and the columns that say of what."""
JOINED = {
    "splices": ("joint", "a_cable", "b_cable"),
    "terminations": ("equipment", "cable"),
    "measurements": ("cable", "link"),
}
"""Other roles without ids, and the columns that say to what a row belongs."""


def _joins(role: str, row: Row) -> set[tuple[Any, ...]]:
    """The fibres that a splice or termination joins, each at its place, and its port."""
    if role == "splices":
        return {(row["joint"], row[f"{end}_cable"], row[f"{end}_fibre"]) for end in ("a", "b")}
    own = (row["equipment"], row["port"])
    return {(row["equipment"], row["cable"], row["fibre"]), own}


def laid_over(under: dict[str, list[Row]], over: dict[str, list[Row]]) -> dict[str, list[Row]]:
    """Lay a proposal's rows over those that it extends: same id, or same course, replaces."""
    merged = {}
    for role in ROLES:
        mine = under[role]
        if role in COURSES:
            taken = {tuple(row.get(name) for name in COURSES[role]) for row in over[role]}
            mine = [r for r in mine if tuple(r.get(name) for name in COURSES[role]) not in taken]
        elif role in ("splices", "terminations"):
            anew = {end for row in over[role] for end in _joins(role, row) if None not in end}
            mine = [row for row in mine if not anew & _joins(role, row)]
        else:
            ids = {row["id"] for row in over[role] if row.get("id")}
            mine = [row for row in mine if row.get("id") not in ids]
        other = {"circuit_paths": "ring_circuits", "ring_circuits": "circuit_paths"}.get(role)
        if other:
            moved = {row["circuit"] for row in over[other]}
            mine = [row for row in mine if row["circuit"] not in moved]
        merged[role] = [*mine, *over[role]]
    return merged


def kept(role: str, rows: list[Row], removed: set[str]) -> list[Row]:
    """Rows without those of removed ids and their steps, splices, ends and measurements."""
    owners = {"id", *COURSES.get(role, ())[:1], *JOINED.get(role, ())}
    return [row for row in rows if not any(row.get(name) in removed for name in owners)]


def cut(rows: dict[str, list[Row]], gone: set[str]) -> list[tuple[str, str, str]]:
    """Remove references to removed ids, and return whose they were."""
    told = []
    for role, mine in rows.items():
        steps, dropped = {**COURSES, **JOINED}.get(role), set()
        for row in mine:
            owner = row["id"] if steps is None else next(filter(None, map(row.get, steps)), NO_ID)
            for name in REFERENCES & set(row):
                value = row[name]
                lost = set(value if isinstance(value, list) else [value]) & gone
                if not lost:
                    continue
                of_link = role == "measurements" and not row["cable"]
                told.append(("links" if of_link else role, str(owner), name))
                if isinstance(value, list):
                    row[name] = [item for item in value if item not in gone] or None
                elif steps is not None and name not in ("from", "to"):
                    dropped.add(id(row))
                else:
                    row[name] = None
        mine[:] = [row for row in mine if id(row) not in dropped]
    return told


PACKAGES = ("study.gpkg", "study.xlsx", "study.ods")
SUFFIXES = (".gpkg", ".geojson", ".json", ".fgb", ".shp", ".parquet", ".geoparquet", ".csv")


class LayerRead(NamedTuple):
    """What a layer held as it was read: its rows, and by column of dates what they hold.

    `crs`, `accuracy_m` and `named` are what the layer or study.toml says of it as a whole.
    """

    role: str
    file: str
    rows: int
    days: dict[str, list[date | None]]
    crs: CRS
    accuracy_m: float
    named: dict[str, str]


@dataclass
class Records:
    """All rows of a study by role, what study.toml says, and what was read for it.

    `gone` are rows that lost a reference to a removed id: (role, owner, column). `gaps` are
    those of faulty rows. `on` is the day that evidence is judged for: later measurements do not
    count. `said_by` are the keys that the study's own rules state, with the name of their file.
    """

    rows: dict[str, list[Row]]
    datum: CRS
    snap_m: float
    out: list[str]
    rules: dict[str, Any]
    inputs: list[tuple[str, str]]
    gone: list[tuple[str, str, str]] = field(default_factory=list)
    gaps: list[Gap] = field(default_factory=list)
    stated_crs: str | None = None
    name: str | None = None
    revision: str | None = None
    on: str = "9999-12-31"
    said_by: dict[tuple[str, ...], str] = field(default_factory=dict)
    shifts: list[float] = field(default_factory=list)
    layers: list[LayerRead] = field(default_factory=list)
    newest: dict[tuple[str, str, str], dict[str, list[Row]]] = field(
        init=False, default_factory=dict
    )
    _stated: dict[str, list[Row]] = field(init=False, default_factory=dict)

    @cached_property
    def by(self) -> dict[str, dict[str, Row]]:
        """Rows of each role by id, where it has ids."""
        return {
            role: {row["id"]: row for row in mine if row.get("id")}
            for role, mine in self.rows.items()
        }

    def stated(self, role: str) -> list[Row]:
        """The rows of a role as they are on record, without what traces add to them.

        Parameters
        ----------
        role : str

        Returns
        -------
        list of rows
        """
        return self._stated.get(role, self.rows[role])

    def lay_traced(self, links: dict[str, Row], runs: dict[str, list[Row]]) -> None:
        """Put what follows from traces in the place of what links state.

        Parameters
        ----------
        links : dict of str to row
            By id.
        runs : dict of str to list of rows
            All of `link_runs` of these links.
        """
        self._stated = {role: self.stated(role) for role in ("links", "link_runs")}
        further = [row for mine in runs.values() for row in mine]
        self.rows = {
            **self.rows,
            "links": [links.get(row["id"], row) for row in self._stated["links"]],
            "link_runs": [
                *(row for row in self._stated["link_runs"] if row["link"] not in runs),
                *further,
            ],
        }
        for name in ("by", "runs_of"):
            self.__dict__.pop(name, None)

    @cached_property
    def tests(self) -> list[Row]:
        """Measurements of whole cables and links, not those of one place along a fibre."""
        rows = self.rows["measurements"]
        return [row for row in rows if row["joint"] is None and row["at_m"] is None]

    @cached_property
    def joints_of(self) -> dict[str | None, list[str]]:
        """Joints by cable; under None those that name none."""
        joints = self.by["joints"].items()
        return grouped(
            (cable, name) for name, row in joints for cable in row.get("cables") or (None,)
        )

    @cached_property
    def runs_of(self) -> dict[str, list[Row]]:
        """Rows of `link_runs` by link."""
        return grouped((row["link"], row) for row in self.rows["link_runs"])

    def lonlat(self, role: str) -> dict[str, Any]:
        """Geometries of a role by id, in longitude and latitude."""
        drawn = [row for row in self.rows[role] if row["geometry"] is not None]
        return {row["id"]: row["geometry"] for row in drawn}

    @cached_property
    def segments_lonlat(self) -> dict[str, Any]:
        """Segments that are drawn, in longitude and latitude."""
        return self.lonlat("segments")

    @cached_property
    def drawn_m(self) -> dict[str, float]:
        """Lengths of segments as they are drawn, along the geodesic."""
        lines = self.segments_lonlat.items()
        return {name: GEOD.geometry_length(line) for name, line in lines}

    @cached_property
    def sheet(self) -> Sheet:
        """The plane about the middle of the plant, wherever on the globe it lies."""
        roles = ("sites", "structures", "segments")
        return Sheet(shape for role in roles for shape in self.lonlat(role).values())

    @cached_property
    def radio_paths(self) -> dict[str, Any]:
        """The path of every radio hop in that plane: as drawn, else straight from mast to mast.

        A hop without masts goes from site to site, one with a single mast from there to the
        farther site; None where a place is not known.
        """
        found: dict[str, Any] = {}
        structures, sites = self.by["structures"], self.by["sites"]
        for name, row in self.by["links"].items():
            if row.get("medium") != "radio":
                continue
            if row["geometry"] is not None:
                (found[name],) = self.sheet.drawn([row["geometry"]])
                continue
            named = [
                self.flat.get(one)
                for one in row.get("relies_on") or ()
                if one in structures and structures[one]["kind"] not in ("pit", "entry", "bridge")
            ]
            at = [self.by["equipment"].get(str(row.get(end)), {}).get("site") for end in ("a", "b")]
            shapes = [self.flat.get(site) if site in sites else None for site in at]
            ends = [None if shape is None else shape.centroid for shape in shapes]
            masts = [None if shape is None else shape.centroid for shape in named]
            points = _course(ends, masts)
            found[name] = None if points is None else shapely.LineString(points)
        return found

    @cached_property
    def widest(self) -> float:
        """At least the scale of the plane anywhere in the plant."""
        return self.sheet.widest([*self.flat.values()])

    @cached_property
    def flat(self) -> dict[str, Any]:
        """Geometries of everything that is drawn, in that plane, by id."""
        lonlat: dict[str, Any] = {}
        for role in ("sites", "structures", "segments", "cables", "hazards"):
            lonlat |= self.lonlat(role)
        return dict(zip(lonlat, self.sheet.drawn(lonlat.values()), strict=True))


def _course(ends: list[Any], masts: list[Any]) -> list[Any] | None:
    """The points between which a radio hop is straight; None where one is not known."""
    if None in masts:
        return None
    if len(masts) > 1:
        return sorted(masts, key=(masts[0] if ends[0] is None else ends[0]).distance)
    if None in ends:
        return None
    return [masts[0], max(ends, key=masts[0].distance)] if masts else ends


def read_records(study: Path) -> Records:
    """Read a study's files, those that it extends included.

    Parameters
    ----------
    study : Path

    Returns
    -------
    Records

    Raises
    ------
    UnreadableError
        A CRS is unknown, a layer comes from a database, or a file cannot be read.
    """
    chain = _settings(study, [])
    rows: dict[str, list[Row]] = {role: [] for role in ROLES}
    inputs: list[tuple[str, str]] = []
    removed: set[str] = set()
    grid: CRS | None = None
    read: list[list[Drawn]] = []
    held: list[LayerRead] = []
    for number, (path, said) in enumerate(chain):
        if path.is_file():
            inputs.append((_shown(path, number == len(chain) - 1), sha256(path)))
        grid = _crs(said["crs"]) if "crs" in said else grid
        read.append([])
        for layer in _layers_of(path, said):
            if str(layer["source"]).startswith(("postgresql", "postgres:")):
                raise UnreadableError("a layer comes from a database, which recheck does not read")
            read[-1].append(_layer(layer, path.parent, grid, inputs, held))
    inputs += _backdrops(chain)
    snap_m = float(_last(chain, "snap_m", 2.0))
    try:
        datum = place([layer for layers in read for layer in layers], grid, snap_m)
    except NoTransformationError as error:
        raise UnreadableError(str(error)) from error
    for (_, said), layers in zip(chain, read, strict=True):
        if "remove" in said:
            removed |= set(said["remove"])
            rows = {role: kept(role, mine, set(said["remove"])) for role, mine in rows.items()}
        own: dict[str, list[Row]] = {role: [] for role in ROLES}
        for drawn in layers:
            own[drawn.role] += drawn.rows
        rows = laid_over(rows, own)
    present = {row["id"] for mine in rows.values() for row in mine if "id" in row}
    present |= {row["ring"] for row in rows["rings"]}
    gone = cut(rows, removed - present)
    stated, told = own_rules(chain)
    inputs += told
    rules, said_by = merged(stated, told[0][0] if told else "")
    gaps = settle(rows, rules, snap_m, removed)
    return Records(
        rows,
        datum,
        snap_m,
        [name for name in _last(chain, "out", []) if name in present],
        rules,
        list(dict.fromkeys(inputs)),
        gone,
        gaps,
        _last(chain, "crs", None),
        chain[-1][1].get("name"),
        chain[-1][1].get("revision"),
        said_by=said_by,
        shifts=[layer.shift_m for layers in read for layer in layers],
        layers=held,
    )


def _crs(stated: str) -> CRS:
    try:
        return CRS.from_user_input(stated)
    except CRSError as error:
        raise UnreadableError(f"the crs {str(stated)[:80]!r} is unknown") from error


def _settings(place: Path, seen: list[Path]) -> list[tuple[Path, dict[str, Any]]]:
    """TOML files of a study and of what it extends, the first base first."""
    path = place.resolve()
    path = path / "study.toml" if path.is_dir() else path
    if path in seen:
        raise UnreadableError(f"{path.name}: extends goes round in a circle")
    if not path.parent.is_dir():
        raise UnreadableError(f"there is no study at {str(place)!r}")
    said: dict[str, Any] = {}
    if path.exists():
        said = settings_of(path)
    elif not _layers_by_name(path.parent):
        raise UnreadableError(f"there is no study at {str(place)!r}")
    base = said.get("extends")
    before = _settings(path.parent / base, [*seen, path]) if base else []
    return [*before, (path, said)]


def _last(chain: list[tuple[Path, dict[str, Any]]], key: str, otherwise: Any) -> Any:
    return next((said[key] for _, said in reversed(chain) if key in said), otherwise)


def _shown(path: Path, last: bool) -> str:
    return path.name if last else f"{path.parent.name}/{path.name}"


def _layers_by_name(folder: Path) -> list[dict[str, Any]]:
    """Layers by role name: ROLE.suffix, and layers and sheets so named in a file for all."""
    found = []
    inside: dict[str, set[str]] = {}
    for package in PACKAGES:
        path = folder / package
        if path.exists():
            try:
                inside[package] = set(_names_inside(path))
            except (RefusedError, OSError, RuntimeError) as error:
                raise UnreadableError(f"{package} cannot be read: {error}") from error
    for role in ROLES:
        for suffix in SUFFIXES:
            if (folder / f"{role}{suffix}").exists():
                found.append({"role": role, "source": f"{role}{suffix}"})
        for package, names in inside.items():
            if role in names:
                found.append({"role": role, "source": package, "layer": role})
    return found


def _names_inside(path: Path) -> list[str]:
    """Layers of a vector file, sheets of a workbook."""
    if workbook_kind(path) is not None:
        return sheet_names(path)
    with fenced():
        return [str(name) for name in pyogrio.list_layers(vector(path).name)[:, 0]]


def _layers_of(path: Path, said: dict[str, Any]) -> list[dict[str, Any]]:
    """The layers of one study: those that it names, and by name those of its other roles.

    A study that extends another in the same folder leaves the files named after roles to that.
    """
    named: list[dict[str, Any]] = [one for one in said.get("layer", []) if "role" in one]
    if "extends" in said:
        base = (path.parent / said["extends"]).resolve()
        base = base / "study.toml" if base.is_dir() else base
        if base.parent == path.parent:
            return named
    taken = {layer["role"] for layer in named}
    return [*named, *(one for one in _layers_by_name(path.parent) if one["role"] not in taken)]


def _backdrops(chain: list[tuple[Path, dict[str, Any]]]) -> list[tuple[str, str]]:
    """Files of layers without a role, which no claim rests on: of several of one name the last."""
    last: dict[str, tuple[Path, str]] = {}
    for path, said in chain:
        for layer in said.get("layer", []):
            if "role" not in layer:
                last[str(layer.get("name"))] = (path.parent, str(layer["source"]))
    found: list[tuple[str, str]] = []
    for folder, source in last.values():
        if source.startswith(("postgresql", "postgres:")):
            continue
        try:
            with hashed(folder / source, source) as files:
                found += files
        except (RefusedError, OSError) as error:
            raise UnreadableError(f"{source} cannot be read: {error}") from error
    return found


def _layer(
    layer: dict[str, Any],
    folder: Path,
    grid: CRS | None,
    inputs: list[tuple[str, str]],
    layers: list[LayerRead],
) -> Drawn:
    """Rows of one layer under our names, in our units, geometry as it stands.

    Adds its files to `inputs` and what it held to `layers`.
    """
    path = folder / layer["source"]
    if not path.exists():
        raise UnreadableError(f"the source {layer['source']!r} does not exist")
    try:
        with hashed(path, layer["source"]) as files:
            if not path.is_dir() or path.suffix.lower() != ".gdb":
                check_regular(path)
            raw, stated = _raw_rows(path, layer)
        inputs += files
    except RefusedError as error:
        raise UnreadableError(f"{layer['source']} {error}") from error
    except (MemoryError, RecursionError) as error:
        raise UnreadableError(f"{layer['source']} is too large or too deep to be read") from error
    except Exception as error:  # the libraries raise anything for a damaged file
        raise UnreadableError(f"{layer['source']} cannot be read: {error}") from error
    names = layer.get("columns", {})
    theirs = set(names.values())
    constants = layer.get("values", {})
    texts = 0
    drawn = any(isinstance(one.get("geometry"), shapely.Geometry) for one in raw)
    beside = (
        path.suffix.lower() in TABLES and "Point" in ROLES[layer["role"]].geometry and not drawn
    )
    rows = []
    for one in raw:
        renamed = {key: value for key, value in one.items() if key not in theirs}
        renamed |= {ours: one[name] for ours, name in names.items() if name in one}
        full = {**renamed, **constants}
        wrong = [
            one
            for one in (*ROLES[layer["role"]].column, *PLACED)
            if isinstance(full.get(one), Broken)
        ]
        if wrong:
            said = f"the column {wrong[0]} holds {full[wrong[0]]!r}, which is no value"
            raise UnreadableError(f"{layer['source']} cannot be read: {said}")
        if beside and full.get("geometry") in (None, "") and _numbered(full):
            full.pop("geometry", None)  # a blank cell of a table: its numbers count
        texts += "geometry" in full
        rows.append({**typed(layer["role"], full, layer), "_of_layer": len(layers)})
    if layer["role"] == "patches":
        name_cords(rows)
    own = _crs(layer["crs"]) if "crs" in layer else stated
    if own is None:  # degrees for `lon` and `lat`, else the study's
        degrees = not (beside and texts) and any(row.get("_degrees") for row in rows)
        own = LON_LAT if degrees else grid or LON_LAT
    days = {
        name: [day_of(row[name]) for row in rows]
        for name, column in ROLES[layer["role"]].column.items()
        if column.type == "date"
    }
    accuracy_m = float(layer.get("accuracy_m", 0.0))
    file = str(layer["source"])
    layers.append(LayerRead(layer["role"], file, len(rows), days, own, accuracy_m, names))
    return Drawn(layer["role"], rows, own, accuracy_m)


def _numbered(row: Row) -> bool:
    """Whether a row has the columns of a point's two numbers."""
    return {"lon", "lat"} <= {*row} or {"x", "y"} <= {*row}


def proposed(records: Records, rows: dict[str, list[Row]]) -> Records:
    """Records with the rows of a proposal laid over them.

    Parameters
    ----------
    records : Records
    rows : dict of str to list of rows
        By role; geometries as WKT in longitude and latitude, WGS 84.

    Returns
    -------
    Records
    """
    own: dict[str, list[Row]] = {role: [] for role in ROLES}
    for role, mine in rows.items():
        own[role] = [typed(role, row, {}) for row in mine]
        for row in own[role]:
            row["_given"], row["_given_degrees"] = row.get("geometry"), True
            row["_accuracy_m"], row["_shift_m"] = 0.0, 0.0
    name_cords(own["patches"])
    told = {role: [{**row, "_faults": []} for row in records.stated(role)] for role in records.rows}
    merged = laid_over(told, own)
    more = settle(merged, records.rules, records.snap_m, set())
    return replace(
        records,
        rows=merged,
        gaps=[*records.gaps, *(gap for gap in more if gap not in records.gaps)],
    )


def _raw_rows(path: Path, layer: dict[str, Any]) -> tuple[list[Row], CRS | None]:
    where = layer.get("where")
    if where:
        check_filter(where)
    if path.suffix.lower() == ".csv":
        return _where(_csv_rows(path), where), None
    if path.suffix.lower() in (".parquet", ".geoparquet"):
        check_parquet(path)
        rows, crs = _parquet_rows(path)
        return _where(rows, where), crs
    if workbook_kind(path) is not None:
        sheets = sheet_names(path)
        chosen = layer.get("layer") or (sheets[0] if len(sheets) == 1 else layer["role"])
        return _where(sheet_rows(path, chosen), where), None
    file = vector(path)
    with fenced():
        names = [str(name) for name in pyogrio.list_layers(file.name)[:, 0]]
        name = layer.get("layer") or (names[0] if len(names) == 1 else layer["role"])
        check_query(file, name, where)
        try:
            meta, _, shapes, columns = pyogrio.raw.read(file.name, layer=name, where=where)
        except UnboundLocalError as error:  # pyogrio's own
            raise RefusedError(BAD_CRS) from error
    fields = [str(one) for one in meta["fields"]]
    check_columns(len(fields))
    cells = zip(*(column.tolist() for column in columns), strict=True)
    rows = [dict(zip(fields, row, strict=True)) for row in cells]
    if not fields:
        rows = [{} for _ in (shapes if shapes is not None else ())]
    if shapes is not None:
        for row, shape in zip(rows, shapely.from_wkb(shapes), strict=True):
            row["geometry"] = shape
    return rows, CRS.from_user_input(meta["crs"]) if meta.get("crs") else None


def _csv_rows(path: Path) -> list[Row]:
    data, text = read_bytes(path), ""
    if b"\x00" in data:
        raise UnreadableError(f"{path.name} is no text: it holds a byte of nought")
    for encoding in ("utf-8-sig", "cp1252", "latin-1"):
        try:
            text = data.decode(encoding)
            break
        except UnicodeDecodeError:
            continue
    if '"' in text and "\r" in text:  # within quotes line ends belong to the cell
        quoted = re.compile(r'((?:^|(?<=[,;\t\r\n]))"[^"]*(?:""[^"]*)*")|\r\n?')
        text = quoted.sub(lambda found: found[1] or "\n", text)
    else:
        text = text.replace("\r\n", "\n").replace("\r", "\n")
    text = text.lstrip("\n")
    check_header(text)
    outside = "".join(text.split("\n", 1)[0].split('"')[::2])
    delimiter = max((",", ";", "\t"), key=outside.count)
    before = csv.field_size_limit(min(sys.maxsize, 2**31 - 1))
    try:
        lines = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter)
        header = [csv_meant(name).strip() for name in next(lines, [])]
        check_columns(len(header))
        return [
            dict(zip(header, map(csv_meant, cells), strict=False)) for cells in lines if any(cells)
        ]
    finally:
        csv.field_size_limit(before)


def _parquet_rows(path: Path) -> tuple[list[Row], CRS | None]:
    import pyarrow.parquet  # type: ignore[import-untyped]

    table = pyarrow.parquet.read_table(path)
    geo = json.loads((table.schema.metadata or {}).get(b"geo", b"{}"))
    column = geo.get("primary_column")
    rows = table.to_pylist()
    if column is None:
        return rows, None
    for row in rows:
        row["geometry"] = shapely.from_wkb(row.pop(column))
    stated = geo["columns"][column].get("crs", "OGC:CRS84")
    return rows, CRS.from_user_input(stated) if stated else None


def _where(rows: list[Row], where: str | None) -> list[Row]:
    """Filter rows by SQL; columns that hold numbers throughout are compared as numbers."""
    if not where or not rows:
        return rows
    names = [name for name in rows[0] if name and name != "geometry"]
    number = {name: all(_is_number(row.get(name)) for row in rows) for name in names}
    quoted = ", ".join('"' + name.replace('"', '""') + '"' for name in names)
    base = sqlite3.connect(":memory:")
    base.execute(f"CREATE TABLE rows ({quoted})")
    for row in rows:
        cells = [row.get(name) or None for name in names]
        cells = [
            float(cell) if cell is not None and number[name] else cell
            for name, cell in zip(names, cells, strict=True)
        ]
        base.execute(f"INSERT INTO rows VALUES ({', '.join('?' * len(names))})", cells)
    bounded(base)
    kept = set(run(base, f"SELECT rowid FROM rows WHERE ({where}\n)", f"the filter {where!r}"))
    base.close()
    return [row for place, row in enumerate(rows, start=1) if place in kept]


def _is_number(cell: object) -> bool:
    try:
        float(str(cell)) if cell not in (None, "") else 0.0
    except ValueError:
        return False
    return True

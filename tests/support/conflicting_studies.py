"""Small studies whose records contradict each other, one way at a time."""

from __future__ import annotations

import json
import random
from collections.abc import Callable
from pathlib import Path
from typing import Any

from mutations import Files
from small_study import POINTS, SEGMENTS, SITES, STRUCTURES, TABLES, lon_lat, write_small_study
from waysapart.schema import ROLES

NORTH_M = 20_000.0


OPEN, KEPT = None, True
TOUCHED: dict[str, tuple[set[str], str, bool | None, str]] = {
    # case: codes, verdict of K1, whether it is within its limits, verdict of k2
    "required cell is blank": ({"blank-required"}, "unproven", OPEN, "apart"),
    "required cell is blank in a GeoPackage": ({"blank-required"}, "apart", KEPT, "apart"),
    "negative length": ({"unreadable-figure"}, "apart", OPEN, "apart"),
    "decimal comma": ({"unreadable-figure"}, "apart", OPEN, "apart"),
    "number spelt out": ({"unreadable-figure"}, "apart", OPEN, "apart"),
    "endless number": ({"unreadable-figure"}, "apart", OPEN, "apart"),
    "count with a fraction": ({"unreadable-value"}, "unproven", OPEN, "apart"),
    "value out of its range": ({"unreadable-figure", "no-wavelength"}, "apart", OPEN, "apart"),
    "none of the choices": ({"unreadable-value"}, "unproven", OPEN, "apart"),
    "fibre link without wavelength": ({"no-wavelength"}, "apart", OPEN, "apart"),
    "fibre numbers as a range": ({"unreadable-value"}, "unproven", OPEN, "apart"),
    "no date": ({"unreadable-figure"}, "apart", OPEN, "apart"),
    "measurement of nothing": ({"test-owner"}, "apart", KEPT, "apart"),
    "duplicate id": ({"duplicate-id", "dangling-reference"}, "unproven", OPEN, "apart"),
    "duplicate id in two roles": (
        {"duplicate-id", "dangling-reference"},
        "unproven",
        OPEN,
        "apart",
    ),
    "id with a control character": ({"no-id"}, "unproven", OPEN, "unproven"),
    "id with the separator": ({"no-id"}, "unproven", OPEN, "unproven"),
    "id that means something else": ({"no-id"}, "unproven", OPEN, "unproven"),
    "a list of an id and a dash": ({"unreadable-value"}, "unproven", OPEN, "apart"),
    "dangling reference": ({"dangling-reference"}, "unproven", OPEN, "apart"),
    "reference to another role": ({"dangling-reference"}, "unproven", OPEN, "apart"),
    "dangling reference in a list": ({"dangling-reference"}, "unproven", OPEN, "apart"),
    "list with commas": ({"dangling-reference"}, "unproven", OPEN, "apart"),
    "lies within itself through another role": ({"lies-in-itself"}, "unproven", OPEN, "apart"),
    "carried by each other": ({"lies-in-itself"}, "unproven", OPEN, "apart"),
    "two steps in one place": ({"duplicate-step"}, "unproven", OPEN, "apart"),
    "paths stated twice": ({"paths-twice"}, "unproven", OPEN, "apart"),
    "unknown service": ({"unknown-service"}, "unproven", OPEN, "apart"),
    "unknown type of fibre": ({"unknown-fibre-type"}, "apart", OPEN, "apart"),
    "missing geometry": ({"unusable-geometry"}, "unproven", OPEN, "apart"),
    "empty geometry": ({"unusable-geometry"}, "unproven", OPEN, "apart"),
    "wrong type": ({"unusable-geometry"}, "unproven", OPEN, "unproven"),
    "line in two parts": ({"unusable-geometry"}, "unproven", OPEN, "apart"),
    "invalid polygon": ({"unusable-geometry"}, "unproven", OPEN, "apart"),
    "line without length": ({"unusable-geometry"}, "unproven", OPEN, "apart"),
    "coordinate that is no number": ({"unusable-geometry"}, "apart", KEPT, "apart"),
    "text that is no geometry": ({"unusable-geometry"}, "unproven", OPEN, "unproven"),
    "axes swapped in one row": ({"unusable-geometry"}, "unproven", OPEN, "unproven"),
    "waiver of an unknown circuit": ({"waiver-owner"}, "apart", KEPT, "apart"),
}
"""What each conflict touches. A structure or a hazard in no known place, and a row without an
id, may touch anything. A figure that cannot be read leaves limits open, never what is apart."""


def north(folder: Path) -> None:
    """Add circuit k2 on plant of its own: the small study's, every id in small letters."""
    ids = {name: name.lower() for name in (*POINTS, *SEGMENTS)}
    rows: dict[str, list[tuple[str, dict[str, Any], Any]]] = {
        "sites": [(one, {"kind": "substation"}, POINTS[one]) for one in SITES],
        "structures": [(one, {"kind": kind}, POINTS[one]) for one, kind in STRUCTURES.items()],
        "segments": [
            (one, {"kind": kind, "a": ids[a], "b": ids[b]}, (POINTS[a], POINTS[b]))
            for one, (kind, a, b, _within) in SEGMENTS.items()
        ],
    }
    for role, mine in rows.items():
        path = folder / f"{role}.geojson"
        collection = json.loads(path.read_text(encoding="utf-8"))
        for id_, row, shape in mine:
            line = role == "segments"
            places = [lon_lat(x, y + NORTH_M) for x, y in (shape if line else [shape])]
            geometry = {
                "type": "LineString" if line else "Point",
                "coordinates": places if line else places[0],
            }
            collection["features"].append(
                {
                    "type": "Feature",
                    "properties": {"id": ids[id_], "within": "-", **row},
                    "geometry": geometry,
                }
            )
        path.write_text(json.dumps(collection), encoding="utf-8")
    for role, table in TABLES.items():
        if role == "holders":
            lines = ["room-w,room,,ws", "ch-m,charger,,-"]
        else:
            lines = [line.lower() for line in table.splitlines()[1:]]
        if role == "circuits":
            lines = ["k2,r-w,r-m,line-differential,,,each"]
        if role == "circuit_paths":
            lines = ["k2,main,1,l1", "k2,alternate,1,l2"]
        if role == "cables":
            lines = [line.replace("g.652.d", "G.652.D") for line in lines]
        path = folder / f"{role}.csv"
        lines = [*path.read_text(encoding="utf-8").splitlines(), *lines]
        if role == "links":  # powers, so that there is a margin to keep
            lines = [lines[0] + ",tx_min_dbm,tx_max_dbm,rx_min_dbm,rx_max_dbm"] + [
                line + ",-3,0,-25,0" for line in lines[1:]
            ]
        path.write_text("\n".join(lines) + "\n", encoding="utf-8")


def two_circuits(folder: Path, mutate: Callable[[Path], None] = lambda _: None) -> Path:
    write_small_study(folder)
    mutate(folder)
    north(folder)
    return folder


def pit(id_: str, east: float, north_m: float, kind: str | None = "pit") -> dict[str, Any]:
    return {
        "type": "Feature",
        "properties": {"id": id_, "kind": kind, "within": "-"},
        "geometry": {"type": "Point", "coordinates": lon_lat(east, north_m)},
    }


def add_pits(*pits: dict[str, Any]) -> Callable[[Path], None]:
    def mutate(folder: Path) -> None:
        path = folder / "structures.geojson"
        collection = json.loads(path.read_text(encoding="utf-8"))
        collection["features"] += pits
        path.write_text(json.dumps(collection), encoding="utf-8")

    return mutate


def dangling(files: Files, rng: random.Random) -> str:
    """A reference, or one of a list, leads to nothing."""
    role, column, row = _a_cell(files, rng, lambda column: bool(column.refers))
    parts = str(row[column]).split(";")
    parts[rng.randrange(len(parts))] = "nobody"
    row[column] = ";".join(parts)
    return f"{column} of {role}"


def unreadable(files: Files, rng: random.Random) -> str:
    """A cell holds what its column cannot hold."""
    role, column, row = _a_cell(
        files, rng, lambda column: column.type in ("number", "count", "numbers") or column.choices
    )
    row[column] = "many"
    return f"{column} of {role}"


def blanked(files: Files, rng: random.Random) -> str:
    """A cell that must be filled is blank; it may be the id."""
    role, column, row = _a_cell(files, rng, lambda column: column.required)
    row[column] = ""
    return f"{column} of {role}"


def not_drawn(files: Files, rng: random.Random) -> str:
    """A geometry is missing."""
    role = rng.choice([name for name in files.rows if files.of(name, "geometry")])
    rng.choice(files.of(role, "geometry"))["geometry"] = None
    return f"geometry of {role}"


def doubled(files: Files, rng: random.Random) -> str:
    """A second row with the same id, or step, that says something else."""
    role = rng.choice([name for name, rows in files.rows.items() if len(rows) > 1])
    one, other = rng.sample(files.rows[role], 2)
    key = ROLES[role].key
    if not key:
        return dangling(files, rng)
    files.rows[role].append({**other, **{name: one[name] for name in key if name in one}})
    return f"a row of {role}"


def one_id_less(files: Files, rng: random.Random) -> str:
    """A row has the id of another one: its own id is nobody's now."""
    roles = [name for name, rows in files.rows.items() if "id" in ROLES[name].column and rows]
    role, other = rng.choice(roles), rng.choice(roles)
    row, taken = rng.choice(files.rows[role]), rng.choice(files.rows[other])["id"]
    row["id"] = taken
    return f"id of {role}"


def in_a_circle(files: Files, rng: random.Random) -> str:
    """What holds a thing lies within that thing."""
    role, column, row = _a_cell(files, rng, lambda column: column.name == "within")
    holder = str(row[column]).split(";")[0]
    for rows in files.rows.values():
        for one in rows:
            if one.get("id") == holder and "within" in one:
                one["within"] = row["id"]
                return f"within of {role}"
    return dangling(files, rng)


def _a_cell(
    files: Files, rng: random.Random, fits: Callable[[Any], object]
) -> tuple[str, str, dict[str, Any]]:
    """A filled cell of a column that fits: role, column, row."""
    columns = [
        (role, column.name)
        for role, rows in files.rows.items()
        for column in ROLES[role].columns
        if rows and fits(column) and files.of(role, column.name)
    ]
    role, column = rng.choice(columns)
    rows = [row for row in files.of(role, column) if row[column] != "-"]
    return role, column, rng.choice(rows or files.of(role, column))


DAMAGE = (dangling, unreadable, blanked, not_drawn, doubled, one_id_less, in_a_circle)

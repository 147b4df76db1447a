"""Random plants moved anywhere on the globe, in layers of many grids and units, with hostile ids.

What `write_sound_study` writes is sound: whatever is proved of it, `recheck` has to confirm.
"""

from __future__ import annotations

import random
from collections.abc import Callable
from pathlib import Path
from typing import Any

import geopandas as gpd
import pyproj
import shapely
import tomli_w
from shapely.geometry import shape

from mutations import Files
from random_plant import write_random_study

FOOT_M = 0.3048
SEPARATION_M = 16 * FOOT_M
"""16 ft, which three decimals of a metre do not hold."""
REFERENCES = {
    *("id", "a", "b", "within", "carried_by", "cable", "segment", "at", "cables", "site"),
    *("supplies", "needs", "via", "relies_on", "link", "circuit", "ring", "enter", "leave"),
    *("a_tail", "b_tail", "protects", "from", "to"),
}
NAMES = {"group", "scheme", "ring"}
HOSTILE: tuple[Callable[[str], str], ...] = (
    lambda name: f'{name} ("{name}")',
    lambda name: f"{name} - of it, and more",
    lambda name: f"[{name}] {{{name}}}",
    lambda name: f"<b>{name}</b>&lt<!-- </script>",
    lambda name: f"O'{name}' 100% {{{{ 7*7 }}}}",
    lambda name: f"{name} für 塔 \u202eevil",
    lambda name: f"{name} for {name}",
    lambda name: f'"{name}',
)
"""Without `;`, which divides the ids of a list."""
ANYWHERE = "anywhere"
GRIDS: tuple[tuple[str, tuple[tuple[float, float], ...] | str], ...] = (
    ("degrees", ANYWHERE),
    ("EPSG:4326", ANYWHERE),
    ("UTM", ANYWHERE),
    ("EPSG:3857", ANYWHERE),
    ("EPSG:2154", ((2.1, 46.4), (5.4, 43.6))),  # a conic of a country
    ("EPSG:5070", ((-96.5, 38.2), (-119.2, 46.0))),  # an equal-area conic of a country
    ("EPSG:3577", ((133.0, -25.0), (146.8, -36.1))),  # another, in the south
    ("EPSG:2225", ((-122.3, 40.9),)),  # US survey feet
    ("EPSG:2263", ((-73.6, 40.8),)),  # US survey feet
    ("EPSG:3035", ((9.1, 52.3), (24.5, 67.8))),
)
"""Coordinate systems of the layers, and where on the globe each is at home."""

UNFIT = {"EPSG:4326", "EPSG:3857", "EPSG:2225", "EPSG:2263", "EPSG:3577", "EPSG:5070"}
"""Of these those in which a study itself cannot be shown: not in metres, or too far from true."""


def write_sound_study(folder: Path, seed: int) -> Path:
    """Write the random plant of a seed somewhere else, in other grids and units, with other ids."""
    rng = random.Random(f"sound {seed}")
    write_random_study(folder, seed)
    files = Files(folder)
    _spell(files, rng)
    grid, home = GRIDS[seed % len(GRIDS)]
    if isinstance(home, str):
        place = rng.uniform(-175, 175), rng.uniform(-80, 80)
    else:
        place = rng.choice(home)
    _settle(files, place)
    _rules(files, rng)
    for path in folder.iterdir():
        path.unlink()
    crs = _grid(grid, place)
    feet = rng.random() < 0.5
    layers = []
    for role, rows in files.rows.items():
        if not rows:
            continue
        layer: dict[str, Any] = {"role": role, "source": f"{role}.gpkg", "layer": role}
        lengths = {name for row in rows for name in row if name.endswith("_m")} if feet else set()
        if lengths:
            layer["units"] = dict.fromkeys(sorted(lengths), "ft")
        frame = [{k: _in_feet(v) if k in lengths else v for k, v in row.items()} for row in rows]
        if "geometry" in rows[0]:
            shapes = [None if row["geometry"] is None else shape(row["geometry"]) for row in rows]
            attributes = [{k: v for k, v in row.items() if k != "geometry"} for row in frame]
            table = gpd.GeoDataFrame(attributes, geometry=shapes, crs="EPSG:4326")
            if crs is not None:
                table = table.to_crs(crs)
            table.to_file(folder / f"{role}.gpkg", layer=role, driver="GPKG")
        else:
            layer = {**layer, "source": f"{role}.csv"}
            layer.pop("layer")
            _write_csv(folder / f"{role}.csv", frame)
        layers.append(layer)
    toml = {key: value for key, value in files.toml.items() if key not in ("crs", "layer")}
    if rng.random() < 0.7:
        toml["crs"] = crs if crs and grid not in UNFIT else _grid("UTM", place)
    toml["layer"] = layers
    (folder / "study.toml").write_text(tomli_w.dumps(toml), encoding="utf-8")
    (folder / "rules.toml").write_text(tomli_w.dumps(files.rules), encoding="utf-8")
    return folder


def _write_csv(path: Path, rows: list[dict[str, Any]]) -> None:
    import csv

    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, list(dict.fromkeys(name for row in rows for name in row)))
        writer.writeheader()
        writer.writerows(rows)


def _in_feet(value: Any) -> Any:
    return value if value in (None, "") else float(value) / FOOT_M


def _grid(grid: str, place: tuple[float, float]) -> str | None:
    """The coordinate system of the layers; None: degrees."""
    if grid == "degrees":
        return None
    if grid != "UTM":
        return grid
    zone = int((place[0] + 180) // 6) + 1
    return f"EPSG:{(32600 if place[1] >= 0 else 32700) + zone}"


def _spell(files: Files, rng: random.Random) -> None:
    """Every id, and every name of a group, scheme or ring, hostile wherever it stands."""
    ids = {str(row["id"]) for rows in files.rows.values() for row in rows if row.get("id")}
    ids |= {str(row[name]) for rows in files.rows.values() for row in rows
            for name in NAMES if row.get(name)}  # fmt: skip
    spelled = {name: rng.choice(HOSTILE)(name) for name in sorted(ids)}

    def of(cell: Any) -> Any:
        return ";".join(spelled.get(one, one) for one in cell.split(";")) if cell else cell

    for rows in files.rows.values():
        for row in rows:
            for name in (REFERENCES | NAMES) & set(row):
                row[name] = of(row[name])
            if row.get("path") == "third":
                row["path"] = 'third ("way")'
    for waiver in files.rules.get("waiver", ()):
        for name in ("circuit", "asset"):
            waiver[name] = spelled.get(waiver[name], waiver[name])
    if "out" in files.toml:
        files.toml["out"] = [spelled.get(one, one) for one in files.toml["out"]]
    services = files.rules.get("services", {})
    named = {name: f'{name} "so" (called)' for name in services if name != "default"}
    files.rules["services"] = {named.get(name, name): one for name, one in services.items()}
    for row in files.rows["circuits"]:
        row["service"] = named.get(row.get("service"), row.get("service"))


def _settle(files: Files, place: tuple[float, float]) -> None:
    """Put the plant about another place: lengths about its middle stay what they are."""
    shapes = [
        (row, shape(row["geometry"]))
        for rows in files.rows.values()
        for row in rows
        if row.get("geometry")
    ]
    middle = shapely.centroid(shapely.multipoints(shapely.get_coordinates([s for _, s in shapes])))
    one, other = (
        pyproj.Proj(proj="aeqd", lon_0=x, lat_0=y, datum="WGS84")
        for x, y in ((middle.x, middle.y), place)
    )

    def move(x: Any, y: Any) -> Any:
        return other(*one(x, y), inverse=True)

    for row, old in shapes:
        row["geometry"] = shapely.transform(old, move, interleaved=False).__geo_interface__


def _rules(files: Files, rng: random.Random) -> None:
    """Separation in feet, by kinds at times; crossings that count; end zones."""
    for service in files.rules["services"].values():
        service["separation_m"] = rng.choice(
            [SEPARATION_M, 0, {"span/span": 131 * FOOT_M, "duct/span": SEPARATION_M}]
        )
        service["forbid_cross"] = rng.random() < 0.5
        service["end_zone_m"] = rng.choice([164 * FOOT_M, 0, 300.0])

"""No proposal lies in or along what its no-pair proof names: by shapely alone, on random plants.

Places are turned into metres by an azimuthal projection about the plant, which is exact to
millimetres over some kilometres. What a proof names is looked up in the rows that the plant was
written from. A new line may cross what is named, or meet it at one of its own ends, at 30 degrees
or more: it is then within 5 m of it for 20 m, or 10 m, at most. It may end at a structure or site
that is named, as the other path then has to keep away from that.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pyproj
import shapely

import waysapart as wa
from everyday import examples
from reroute_plants import Plant, random_plant

SEPARATION_M = 5.0
LOOSE_M = 0.05


def metric(plant: Plant) -> Any:
    """From longitude and latitude to metres about the plant."""
    lon, lat = plant.to_degrees(3000, 0)
    return pyproj.Transformer.from_crs(
        "EPSG:4326", f"+proj=aeqd +lat_0={lat} +lon_0={lon} +ellps=WGS84", always_xy=True
    )


def named_shapes(plant: Plant, names: set[str], to_m: Any) -> dict[str, tuple[Any, float]]:
    """Geometry of everything that is named, in metres, and how far to keep from it."""
    segments = {run["segment"] for run in plant.rows["cable_runs"] if run["cable"] in names}
    found = {}
    for role in ("sites", "structures", "segments", "hazards"):
        for row in plant.rows[role]:
            if row["id"] not in names | (segments if role == "segments" else set()):
                continue
            places = [to_m.transform(*plant.to_degrees(x, y)) for x, y in row["line"]]
            shape = shapely.LineString(places) if len(places) > 1 else shapely.Point(places[0])
            if row.get("area_m"):
                half, (x, y) = row["area_m"] / 2, row["line"][0]
                corners = [(x + dx, y + dy) for dx, dy in ((-half, -half), (half, -half))]
                corners += [(x + dx, y + dy) for dx, dy in ((half, half), (-half, half))]
                ring = [to_m.transform(*plant.to_degrees(*corner)) for corner in corners]
                shape = shapely.Polygon(ring)
            found[row["id"]] = shape, 0.0 if role == "hazards" else SEPARATION_M
    return found


def named_by(proof: Any) -> set[str]:
    """Every asset that a no-pair proof names, with all that stands for it."""
    names: set[str] = set(proof["avoid_from_start"])
    left = [proof["tree"]]
    while left:
        tree = left.pop()
        names |= {*tree.get("avoid", ()), *tree.get("fewer_than_paths", ())}
        left += tree.get("then", ())
    for name in [*names]:
        names |= set(proof["stand_for"].get(name, ()))
    pairs = {pair["id"]: pair["segments"] for pair in proof["pairs"]}
    return names | {one for name in names for one in pairs.get(name, ())}


def _ends_at(line: Any, point: Any) -> bool:
    """Whether a line ends at a structure or site: to end there is not to lie along it."""
    return any(shapely.Point(line.coords[place]).distance(point) <= 2.0 for place in (0, -1))


def wrong(line: Any, shape: Any, keep_m: float) -> str | None:
    """How a line lies in or along a shape; None where it does not."""
    if shape.geom_type == "Point" and _ends_at(line, shape):
        left = line.difference(shape.buffer(keep_m + LOOSE_M))
        back = left.geom_type != "LineString" or left.is_empty
        return "comes back to its end" if keep_m and back else None
    if shape.geom_type in ("Point", "Polygon"):
        return "too near" if line.distance(shape) < max(keep_m - LOOSE_M, 1e-3) else None
    near = line.intersection(shape.buffer(keep_m - LOOSE_M, quad_segs=64))
    for part in shapely.get_parts(shapely.line_merge(near)):
        if part.length < 1e-3:
            continue
        ends = [
            shapely.Point(line.coords[place])
            for place in (0, -1)
            if shapely.Point(line.coords[place]).distance(part) < 1e-3
        ]
        crosses = not ends and part.intersects(shape) and part.length <= 4 * keep_m + 0.1
        meets = (
            len(ends) == 1 and ends[0].distance(shape) <= 2.0 and part.length <= 2 * keep_m + 0.1
        )
        if not crosses and not meets:
            return f"along over {part.length:.1f} m"
    return None


def test_the_check_tells_what_lies_in_and_along() -> None:
    """Beside a duct at 3 m, across it at right angles and at 20 degrees, away from its end."""
    duct = shapely.LineString([(0, 0), (100, 0)])
    assert wrong(shapely.LineString([(10, 3), (90, 3)]), duct, 5) == "along over 80.0 m"
    assert wrong(shapely.LineString([(50, -40), (50, 40)]), duct, 5) is None
    assert wrong(shapely.LineString([(0, -18), (100, 18)]), duct, 5) is not None
    assert wrong(shapely.LineString([(100, 0), (150, 40)]), duct, 5) is None
    assert wrong(shapely.LineString([(0, 10), (100, 10)]), shapely.Point(50, 6), 5) == "too near"


def test_no_proposal_lies_in_or_along_what_its_proof_names(tmp_path: Path) -> None:
    examined = segments = 0
    for seed in range(examples(100, every_day=4)):
        plant, _ = random_plant(seed)
        plant.service = f"separation_m = {SEPARATION_M:g}\n"
        study = plant.read(tmp_path / str(seed))
        found = wa.reroute(study, ["K"], build=wa.Candidates(longest_m=4000.0)).facts()
        (one,) = found["circuits"]
        if one["no_pair_proof"] is None or found["build"] is None:
            continue
        to_m = metric(plant)
        named = named_shapes(plant, named_by(one["no_pair_proof"]), to_m)
        for option in found["build"]["single"]:
            examined += bool(option["segments"])
            for segment in option["segments"]:
                segments += 1
                line = shapely.LineString([to_m.transform(*place) for place in segment["lonlat"]])
                for name, (shape, keep_m) in named.items():
                    said = wrong(line, shape, keep_m)
                    assert said is None, (seed, segment["id"], name, said)
    print(f"{examined} proposals with {segments} new segments examined")
    assert examined > 0

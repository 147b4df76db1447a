"""What a page draws and looks up: geometry in longitude and latitude, and tables by asset."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from functools import partial
from typing import Any, TypedDict

import numpy as np
import scipy.sparse as sp
import shapely

from waysapart.arrays import Ints
from waysapart.network.lengths import positions_deg
from waysapart.network.routes import routes
from waysapart.schema import ASSET_ROLES
from waysapart.study.model import PLANT_ROLES, Study
from waysapart.verdicts.facts import text_or_none
from waysapart.verdicts.prove import Proof
from waysapart.whatif.base import Base
from waysapart.whatif.worst import Contingency, RankedPlace, contingency, worst

Facts = Mapping[str, Any]
"""Facts of a proof or of a what-if, read by key; facts from a file may lack some of them."""
Geo = Mapping[str, Any]
"""GeoJSON by what it draws, as `proof_geometry` gives it; a what-if adds marks and an opening."""
Tied = Proof | Base
"""Whatever has a study and its network."""


# --- Geometry of plant, places, paths and hazards.

_ROOM_M = 150.0
"""Least room in metres that a map of a few features leaves around them."""


def proof_geometry(proof: Tied) -> dict[str, Any]:
    """GeoJSON feature collections for `waysapart.report.page.render_report`.

    Parameters
    ----------
    proof : Proof or Base

    Returns
    -------
    dict
        `plant` (segments), `points` (structures and sites), `paths` (ids of the
        segments that each path of each circuit follows), `hazards` (grown by
        their reach), `backdrops` (layers without a role, see `backdrop_features`). Longitudes
        run on across the antimeridian.
    """
    study = proof.study
    run_on = study.plane.run_on
    return {
        "plant": _collection(proof, "segments", run_on(proof.network.lonlat)),
        "points": _merged(
            _collection(proof, role, run_on(study.lonlat(role))) for role in ("structures", "sites")
        ),
        "paths": {"type": "FeatureCollection", "features": path_features(proof)},
        "hazards": _collection(proof, "hazards", _grown(proof)),
        "backdrops": backdrop_features(proof.study),
    }


def _collection(proof: Tied, role: str, shapes: np.ndarray) -> dict[str, Any]:
    table = proof.study.tables[role]
    features = [
        {
            "type": "Feature",
            "properties": {
                "id": str(name),
                "role": role,
                "kind": text_or_none(kind) or "",
                "name": text_or_none(called) or "",
            },
            "geometry": _geometry(shape),
        }
        for name, kind, called, shape in zip(
            table["id"], table["kind"], table["name"], shapes, strict=True
        )
        if shape is not None
    ]
    return {"type": "FeatureCollection", "features": features}


def _geometry(shape: Any) -> dict[str, Any]:
    """GeoJSON of a geometry; lines, of which there are many, by the quicker call."""
    if shape.geom_type == "LineString":
        return {"type": "LineString", "coordinates": shapely.get_coordinates(shape).tolist()}
    found: dict[str, Any] = shapely.geometry.mapping(shape)
    return found


def _merged(collections: Iterable[dict[str, Any]]) -> dict[str, Any]:
    return {
        "type": "FeatureCollection",
        "features": [feature for one in collections for feature in one["features"]],
    }


def _grown(proof: Tied) -> np.ndarray:
    study = proof.study
    reach = np.nan_to_num(study.tables["hazards"]["reach_m"].to_numpy(dtype=np.float64))
    shapes = study.geometries("hazards")
    return study.plane.run_on(positions_deg(study, study.plane.grown(shapes, reach)))


# --- Layers without a role, drawn under the plant.

_MOST_VERTICES = 25_000
"""Vertices of all backdrops that a page holds, about 200 kB. Common practice, no source."""
_FIRST_DETAIL_M = 1.0
_STILL_HELPS = 0.9
"""Lines are simplified further while each step leaves less than this share of the vertices."""
_LEAST_ROOM_M = 2000.0
_ROOM_SHARE = 0.35
_METRES_PER_DEGREE = 111_000.0
_SHAPES = {"LineString": "line", "LinearRing": "line", "Polygon": "area", "Point": "point"}
_DRAWN_AS = {"line": "MultiLineString", "area": "MultiPolygon", "point": "MultiPoint"}


def backdrop_features(study: Study) -> dict[str, Any]:
    """Draw the layers without a role: clipped to the plant and its surroundings, and simplified.

    Parameters
    ----------
    study : Study

    Returns
    -------
    dict
        A FeatureCollection. Each feature is all that one layer has of one shape, with the
        properties `layer` (its name) and `shape` (line, area or point). `detail_m` is how far, in
        metres, a line may be drawn from where it lies; `box` is west, south, east and north of
        what is kept; `left_out` counts the small parts that are not drawn because all together
        would be too many.
    """
    empty = {"type": "FeatureCollection", "features": [], "detail_m": 0.0, "left_out": 0}
    places = np.concatenate([study.plane.run_on(study.lonlat(role)) for role in PLANT_ROLES])
    bounds = shapely.total_bounds(places)
    if not study.backdrops or not np.isfinite(bounds).all():
        return {**empty, "box": None}
    box = _surroundings(bounds)
    layers = []
    for backdrop in study.backdrops:
        parts = _clipped(backdrop.lonlat, box)
        kind = np.array([_SHAPES.get(one.geom_type, "") for one in parts], dtype=object)
        layers += [(backdrop.name, shape, parts[kind == shape]) for shape in _DRAWN_AS]
    layers = [one for one in layers if len(one[2])]
    most = _MOST_VERTICES // max(len(layers), 1)
    drawn = [(name, shape, *_few_enough(parts, most)) for name, shape, parts in layers]
    return {
        **empty,
        "features": [
            {
                "type": "Feature",
                "properties": {"layer": name, "shape": shape},
                "geometry": {
                    "type": _DRAWN_AS[shape],
                    "coordinates": [shapely.geometry.mapping(one)["coordinates"] for one in parts],
                },
            }
            for name, shape, parts, *_ in drawn
            if len(parts)
        ],
        "detail_m": max((off_m for *_, off_m, _ in drawn), default=0.0),
        "left_out": sum(left_out for *_, left_out in drawn),
        "box": list(box),
    }


def _surroundings(bounds: np.ndarray) -> tuple[float, float, float, float]:
    """A box about the plant, as tall as it is wide, with what a map of it shows, in degrees."""
    west, south, east, north = (float(one) for one in bounds)
    narrow = max(math.cos(math.radians((south + north) / 2)), 0.05)
    tall = max(north - south, (east - west) * narrow) * (0.5 + _ROOM_SHARE)
    tall = max(tall, _LEAST_ROOM_M / _METRES_PER_DEGREE)
    lon, lat = (west + east) / 2, (south + north) / 2
    return (
        lon - min(tall / narrow, 180.0),
        max(lat - tall, -85.0),
        lon + min(tall / narrow, 180.0),
        min(lat + tall, 85.0),
    )


def _clipped(shapes: np.ndarray, box: tuple[float, float, float, float]) -> np.ndarray:
    """The single parts of shapes that lie in the box, also where they are a turn away from it."""
    parts = shapely.get_parts(shapely.get_parts(shapely.get_parts(shapes)))
    found = []
    for turn in (-360.0, 0.0, 360.0):
        low, high = box[0] - turn, box[2] - turn
        west, south, east, north = shapely.bounds(parts).reshape(-1, 4).T
        near = (west <= high) & (east >= low) & (south <= box[3]) & (north >= box[1])
        if near.any():
            cut = shapely.clip_by_rect(parts[near], low, box[1], high, box[3])
            cut = shapely.get_parts(shapely.get_parts(cut))
            found.append(shapely.transform(cut, partial(np.add, [turn, 0.0])))
    some = np.concatenate(found) if found else np.empty(0, dtype=object)
    return np.asarray(some[~shapely.is_empty(some)], dtype=object)


def _few_enough(parts: np.ndarray, most: int) -> tuple[np.ndarray, float, int]:
    """Parts with no more vertices than allowed, how far off they are, how many are left out.

    They are simplified ever more as long as that helps; then the smallest are left out.
    """
    count = int(shapely.get_num_coordinates(parts).sum())
    step_m, off_m = _FIRST_DETAIL_M, 0.0
    while True:
        before, parts = count, _simple(parts, step_m / _METRES_PER_DEGREE)
        off_m += step_m
        count = int(shapely.get_num_coordinates(parts).sum())
        if count <= most or (off_m > _FIRST_DETAIL_M and count > _STILL_HELPS * before):
            break
        step_m *= 2
    west, south, east, north = shapely.bounds(parts).T
    order = np.argsort(-np.hypot(east - west, north - south), kind="stable")
    fits = np.cumsum(shapely.get_num_coordinates(parts)[order]) <= most
    return parts[np.sort(order[fits])], off_m, int((~fits).sum())


def _simple(parts: np.ndarray, tolerance: float) -> np.ndarray:
    """Parts without the vertices that lie within the tolerance of the line without them.

    No part is lost: an area keeps three corners.
    """
    return np.asarray(shapely.simplify(parts, tolerance, preserve_topology=True), dtype=object)


def path_features(proof: Tied) -> list[dict[str, Any]]:
    """The paths of all circuits as features without a geometry of their own.

    Parameters
    ----------
    proof : Proof or Base

    Returns
    -------
    list of dict
        Properties: `circuit`, `path`, and the ids of the `segments` that it follows.
    """
    network = proof.network
    route = routes(network)
    ids = proof.study.tables["segments"]["id"].to_numpy()
    circuits = proof.study.tables["circuits"]["id"].to_numpy()
    bounds = np.searchsorted(route.path, np.arange(len(network.paths) + 1))
    return [
        {
            "type": "Feature",
            "properties": {
                "circuit": str(circuits[network.paths.circuit[path]]),
                "path": label,
                "segments": list(
                    dict.fromkeys(ids[route.segment[bounds[path] : bounds[path + 1]]].tolist())
                ),
            },
            "geometry": None,
        }
        for path, label in enumerate(network.paths.label)
    ]


def room_around(
    features: Iterable[Mapping[str, Any]], least_m: float = _ROOM_M
) -> tuple[float, float, float, float] | None:
    """West, south, east and north of features, with room around them.

    Parameters
    ----------
    features : iterable of GeoJSON features
    least_m : float
        The least room on each side, in metres.

    Returns
    -------
    (float, float, float, float) or None
        In degrees; None where there is no feature.
    """
    shapes = [shapely.geometry.shape(one["geometry"]) for one in features]
    if not shapes:
        return None
    west, south, east, north = (float(one) for one in shapely.total_bounds(shapes))
    room = least_m / 111_000
    tall = max((north - south) * 0.3, room)
    wide = max((east - west) * 0.3, room / math.cos(math.radians((south + north) / 2)))
    return west - wide, south - tall, east + wide, north + tall


# --- Tables by asset: the effect of its loss, the cables in it, what it lies in; worst places.

_DRAWN = frozenset({"sites", "structures", "segments", "hazards"})
_MOST_PATHS_FOR_PLACES = 700
"""Worst places are searched in studies of up to so many paths; `waysapart worst` has no limit."""
PLACE_M = 50.0
_MOST_PLACES = 5


class Effects(TypedDict):
    """Effect of the loss of each asset alone, and the cables that need it.

    `losses` are circuits that lose every path, circuits left with one, and groups lost, each
    combination once; `cables` are lists of cables, each once. `of` gives for each asset the
    places of its loss, of its cables and of its kind in these lists, -1 where there is none.
    """

    losses: list[list[list[str]]]
    cables: list[list[str]]
    kinds: list[str]
    of: dict[str, list[int]]


class HeldAsset(TypedDict):
    """An asset that has no place on the map."""

    id: str
    role: str
    kind: str
    name: str


class Holdings(TypedDict):
    """Assets without a place on the map, and what every asset lies in, on or at.

    `inside` gives for each asset the ids of what it lies directly within, its site, its place or
    its carrier; `runs` gives for each cable the ids of the segments that it follows.
    """

    assets: list[HeldAsset]
    inside: dict[str, list[str]]
    runs: dict[str, list[str]]


def effects(proof: Proof) -> Effects:
    """Work out the effect of the loss of each asset alone, and the cables that need it.

    Parameters
    ----------
    proof : Proof

    Returns
    -------
    Effects
    """
    table = contingency(proof)
    names = np.array(table.base.circuit_ids(), dtype=object)
    groups = np.array([trial.id for trial in proof.trials[proof.circuit_count :]], dtype=object)
    ids = proof.network.assets.frame["id"].to_numpy()
    loss, losses = _once(
        _rows(table, names, groups),
    )
    count = len(proof.study.tables["cables"])
    cables = proof.study.tables["cables"]["id"].to_numpy()
    held = sp.csr_array(proof.reliance.parts[:count].T)
    holds, lists = _once(
        [(tuple(cables[held.indices[a:b]]) if b > a else None) for a, b in _bounds(held)]
    )
    frame = proof.network.assets.frame
    what, kinds = _once(
        text_or_none(kind) or str(role)
        for kind, role in zip(frame["kind"], frame["role"], strict=True)
    )
    return {
        "losses": [[list(part) for part in one] for one in losses],
        "cables": [[str(name) for name in one] for one in lists],
        "kinds": kinds,
        "of": {
            str(name): [first, second, kind]
            for name, first, second, kind in zip(ids, loss, holds, what, strict=True)
            if first >= 0 or second >= 0
        },
    }


def _rows(table: Contingency, names: Any, groups: Any) -> list[Any]:
    parts = [
        [tuple(str(name) for name in called[matrix.indices[a:b]]) for a, b in _bounds(matrix)]
        for matrix, called in (
            (table.lost, names),
            (table.exposed, names),
            (table.groups_lost, groups),
        )
    ]
    return [row if any(row) else None for row in zip(*parts, strict=True)]


def _bounds(matrix: sp.csr_array) -> Iterable[tuple[int, int]]:
    return zip(matrix.indptr[:-1].tolist(), matrix.indptr[1:].tolist(), strict=True)


def _once(rows: Iterable[Any]) -> tuple[list[int], list[Any]]:
    """The distinct rows, and for every row its place among them; -1 for None."""
    known: dict[Any, int] = {}
    places = [-1 if row is None else known.setdefault(row, len(known)) for row in rows]
    return places, list(known)


def holdings(proof: Tied) -> Holdings:
    """List the assets that have no place on the map, and what every asset lies in, on or at.

    Parameters
    ----------
    proof : Proof or Base

    Returns
    -------
    Holdings
    """
    network, tables = proof.network, proof.study.tables
    frame = network.assets.frame
    found = frame[~frame["role"].isin(_DRAWN)]
    ids = frame["id"].to_numpy()
    inside: dict[str, list[str]] = {}
    for number, (a, b) in enumerate(_bounds(network.within)):
        if b > a:
            inside[str(ids[number])] = [str(ids[n]) for n in network.within.indices[a:b]]
    for role in ASSET_ROLES:
        for column in ("site", "at", "carried_by"):
            if column in tables[role]:
                for name, place in zip(tables[role]["id"], tables[role][column], strict=True):
                    if isinstance(place, str) and place not in inside.get(str(name), []):
                        inside.setdefault(str(name), []).append(place)
    return {
        "assets": [
            {
                "id": str(name),
                "role": str(role),
                "kind": text_or_none(kind) or "",
                "name": text_or_none(called) or "",
            }
            for name, role, kind, called in zip(
                found["id"], found["role"], found["kind"], found["name"], strict=True
            )
        ],
        "inside": inside,
        "runs": _runs(proof),
    }


def _runs(proof: Tied) -> dict[str, list[str]]:
    chains = proof.network.chains
    segments = proof.study.tables["segments"]["id"].to_numpy()
    found = {}
    for cable, name in enumerate(proof.study.tables["cables"]["id"]):
        rows: Ints = np.asarray(chains.segment[chains.rows(cable)])
        if len(rows):
            found[str(name)] = [str(segment) for segment in segments[rows]]
    return found


def worst_places(proof: Proof) -> list[RankedPlace]:
    """Find the places where one event within `PLACE_M` metres puts most out of service.

    Parameters
    ----------
    proof : Proof

    Returns
    -------
    list of RankedPlace
        Up to five, the worst first, only those where a circuit is lost; empty for a study of
        more than 700 paths.
    """
    if len(proof.network.paths) > _MOST_PATHS_FOR_PLACES:
        return []
    places = worst(proof, radius_m=PLACE_M, top=_MOST_PLACES).facts()["places"]
    return [place for place in places if place["lost"]]

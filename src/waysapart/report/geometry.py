"""What the report draws: plant, places, paths and hazards in longitude and latitude."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from typing import Any, TypedDict

import numpy as np
import scipy.sparse as sp
import shapely

from waysapart.arrays import Ints
from waysapart.network.lengths import positions_deg
from waysapart.network.routes import routes
from waysapart.schema import ASSET_ROLES
from waysapart.verdicts.facts import text_or_none
from waysapart.verdicts.prove import Proof
from waysapart.whatif.base import Base
from waysapart.whatif.worst import Contingency, contingency, worst

Tied = Proof | Base
"""Whatever knows its study and its network."""

_ROOM_M = 150.0
"""What a map of a few features shows around them, at least."""


def proof_geometry(proof: Tied) -> dict[str, Any]:
    """GeoJSON feature collections for `waysapart.report.page.render_report`.

    Returns
    -------
    dict
        `plant` (segments), `points` (structures and sites), `paths` (ids of the
        segments that each path of each circuit follows), `hazards` (grown by
        their reach).
    """
    study = proof.study
    return {
        "plant": _collection(proof, "segments", proof.network.lonlat),
        "points": _merged(
            _collection(proof, role, positions_deg(study, study.geometries(role)))
            for role in ("structures", "sites")
        ),
        "paths": {"type": "FeatureCollection", "features": _paths(proof)},
        "hazards": _collection(proof, "hazards", _grown(proof)),
    }


def room_around(
    features: Iterable[Mapping[str, Any]],
) -> tuple[float, float, float, float] | None:
    """West, south, east and north of features in degrees, with room around; None: no feature."""
    shapes = [shapely.geometry.shape(one["geometry"]) for one in features]
    if not shapes:
        return None
    west, south, east, north = (float(one) for one in shapely.total_bounds(shapes))
    room = _ROOM_M / 111_000
    tall = max((north - south) * 0.3, room)
    wide = max((east - west) * 0.3, room / math.cos(math.radians((south + north) / 2)))
    return west - wide, south - tall, east + wide, north + tall


def _grown(proof: Tied) -> np.ndarray:
    study = proof.study
    reach = np.nan_to_num(study.tables["hazards"]["reach_m"].to_numpy(dtype=np.float64))
    shapes = study.geometries("hazards")
    return positions_deg(study, np.where(reach > 0, shapely.buffer(shapes, reach), shapes))


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
    """GeoJSON of a geometry; lines, the many, without the detour over a text."""
    if shape.geom_type == "LineString":
        return {"type": "LineString", "coordinates": shapely.get_coordinates(shape).tolist()}
    found: dict[str, Any] = shapely.geometry.mapping(shape)
    return found


def _merged(collections: Iterable[dict[str, Any]]) -> dict[str, Any]:
    return {
        "type": "FeatureCollection",
        "features": [feature for one in collections for feature in one["features"]],
    }


def _paths(proof: Tied) -> list[dict[str, Any]]:
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


# --- What the page can tell of any asset: what its loss cuts, which cables it holds, where it
# lies.

_DRAWN = frozenset({"sites", "structures", "segments", "hazards"})
_MOST_PATHS_FOR_PLACES = 700
"""Worst places are looked for in studies of up to so many paths; `waysapart worst` does any."""
PLACE_M = 50.0
_MOST_PLACES = 5


class Effects(TypedDict):
    """What the loss of each asset alone does, and what it holds.

    `losses` are circuits that lose every path, circuits left with one, and groups lost, each list
    of lists once; `cables` are lists of cables, each once. `of` leads from an asset to the places
    of its loss, of its cables and of its kind in these lists, -1 where there is none.
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

    `inside` leads from an asset to the ids of what it lies directly within, its site, its place
    or its carrier, `runs` from a cable to the ids of the segments that it follows.
    """

    assets: list[HeldAsset]
    inside: dict[str, list[str]]
    runs: dict[str, list[str]]


class WorstPlace(TypedDict):
    """A place at which an event all around takes the most: what it hits, and what is lost."""

    at: list[float]
    radius_m: float
    hit: list[str]
    circuits: int
    lost: int
    circuits_lost: list[str]


def effects(proof: Proof) -> Effects:
    """What the loss of each asset alone does, and what it holds."""
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
    """Each different row once, and which of them every row is; -1 for None."""
    known: dict[Any, int] = {}
    places = [-1 if row is None else known.setdefault(row, len(known)) for row in rows]
    return places, list(known)


def holdings(proof: Tied) -> Holdings:
    """Assets that have no place on the map, and what every asset lies in, on or at."""
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


def worst_places(proof: Proof) -> list[WorstPlace]:
    """The places at which one event of `PLACE_M` around takes the most; empty for large studies.

    Only places that lose a circuit.
    """
    if len(proof.network.paths) > _MOST_PATHS_FOR_PLACES:
        return []
    places: list[WorstPlace] = worst(proof, radius_m=PLACE_M, top=_MOST_PLACES).facts()["places"]
    return [place for place in places if place["lost"]]

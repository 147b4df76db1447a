"""What a page draws and looks up: geometry in longitude and latitude, and tables by asset."""

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
        their reach). Longitudes run on across the antimeridian.
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

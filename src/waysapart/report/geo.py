"""What the report draws: plant, places, paths and hazards in longitude and latitude."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from typing import Any

import numpy as np
import shapely

from waysapart.network.lengths import to_lonlat
from waysapart.network.routes import routes
from waysapart.verdicts.facts import text_or_none
from waysapart.verdicts.prove import Proof
from waysapart.whatif.base import Base

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
            _collection(proof, role, to_lonlat(study, study.geometries(role)))
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
    return to_lonlat(study, np.where(reach > 0, shapely.buffer(shapes, reach), shapes))


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

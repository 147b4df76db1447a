"""Works on the map: where they are, what they hit, and what goes with it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely

from waysapart.network.lengths import to_lonlat
from waysapart.report.geo import proof_geometry, room_around
from waysapart.whatif.area import Area
from waysapart.whatif.base import Base
from waysapart.whatif.dig import Dig

Geo = dict[str, Any]

_POINT_M = 1.0
"""A point without a reach is drawn this wide, so that it can be seen as an area."""


@dataclass(frozen=True)
class Site:
    """One work as the page shows it.

    Attributes
    ----------
    name : str
        Its id in a plan; empty for works by themselves.
    works : Dig
        What it takes, by itself and as things are now.
    area : Area or None
    reach_m : float
        How far it reaches beyond its outline, a radius included.
    """

    name: str
    works: Dig
    area: Area | None
    reach_m: float


def works_geometry(base: Base, sites: Sequence[Site]) -> Geo:
    """Feature collections for `waysapart.report.page.render_page`.

    Returns
    -------
    dict
        As `proof_geometry`, with the areas of the works in place of hazards;
        `mark` of plant is hit or fallen; `opening` shows the works.
    """
    geo = proof_geometry(base)
    hit, fallen = _taken(base, sites)
    for role in ("plant", "points"):
        for feature in geo[role]["features"]:
            name = str(feature["properties"]["id"])
            if name in hit or name in fallen:
                feature["properties"]["mark"] = "hit" if name in hit else "fallen"
    geo["hazards"] = {"type": "FeatureCollection", "features": list(_areas(base, sites))}
    opening = _opening(geo)
    return {**geo, **({"opening": opening} if opening else {})}


def _taken(base: Base, sites: Sequence[Site]) -> tuple[set[str], set[str]]:
    assets = base.network.assets
    hit = {name for site in sites for name in assets.ids(site.works.hits.number)}
    fallen = {name for site in sites for name in assets.ids(site.works.fallen_with)}
    return hit, fallen - hit


def _areas(base: Base, sites: Sequence[Site]) -> Any:
    for site in sites:
        if site.area is None:
            continue
        shapes = site.area.geometry
        flat = shapely.get_dimensions(shapes) == 0
        reach = np.where(flat, max(site.reach_m, _POINT_M), site.reach_m)
        grown = np.where(reach > 0, shapely.buffer(shapes, reach), shapes)
        for number, one in enumerate(to_lonlat(base.study, grown), start=1):
            label = site.name or f"works {number}"
            yield {
                "type": "Feature",
                "properties": {
                    "id": label if len(shapes) == 1 or not site.name else f"{label} {number}",
                    "role": "works",
                    "kind": "area of works",
                    "name": "",
                },
                "geometry": shapely.geometry.mapping(one),
            }


def _opening(geo: Geo) -> tuple[float, float, float, float] | None:
    """The works with some room around; where no area is drawn, what they hit."""
    return room_around(geo["hazards"]["features"]) or room_around(
        feature
        for role in ("plant", "points")
        for feature in geo[role]["features"]
        if feature["properties"].get("mark") == "hit"
    )


def works_told(sites: Sequence[Site], facts: Sequence[Mapping[str, Any]]) -> dict[str, Any]:
    """What the card of an asset says of it."""
    of: dict[str, str] = {}
    for site, told in zip(sites, facts, strict=True):
        by = f" by {site.name}" if site.name else ""
        for row in told["fallen"]:
            why = ", ".join(row["through"])
            of.setdefault(row["asset"], f"goes{f' with {why}' if why else ''}{by}")
    for site, told in zip(sites, facts, strict=True):
        by = f" by {site.name}" if site.name else ""
        of |= dict.fromkeys(told["hit"], f"hit{by}")
        for row in told["cables"]:
            of[row["cable"]] = f"cut{by} at {', '.join(row['at'])}"
    return {"term": "In these works", "of": of, "others": "not taken"}

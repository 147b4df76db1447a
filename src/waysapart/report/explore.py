"""A proof on a map that can be moved, for notebooks.

Every text of a layer that the map shows is escaped for folium. Leaflet comes from its package, so
that neither the notebook nor a saved map asks the network for anything but a background, and for
that only where one is asked for.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable
from typing import TYPE_CHECKING, Any

from waysapart.colours import LIGHT
from waysapart.errors import CallError
from waysapart.report.escape import map_text
from waysapart.report.geometry import proof_geometry
from waysapart.report.map import Tiles, frame
from waysapart.report.standalone_html import as_data_addresses
from waysapart.verdicts.prove import Proof

if TYPE_CHECKING:
    import folium

_PLANT = {"color": "#8a8f94", "weight": 1.5, "fillOpacity": 0.1}
_PATHS = {
    "main": {"color": LIGHT["main"], "weight": 4},
    "alternate": {"color": LIGHT["alternate"], "weight": 4, "dashArray": "7 5"},
}
_FURTHER = {"color": LIGHT["near"], "weight": 4, "dashArray": "2 5"}
_SHARED = {
    "color": LIGHT["ink"],
    "weight": 7,
    "fillColor": LIGHT["common"],
    "fillOpacity": 1.0,
}
_HAZARD = {"color": LIGHT["hazard"], "weight": 1.5, "dashArray": "3 4", "fillOpacity": 0.08}


def explore(
    proof: Proof, circuits: Collection[str] | None = None, *, tiles: Tiles | None = None
) -> folium.Map:
    """Draw a proof on a map: plant, paths, what is shared and avoidable, hazards.

    Parameters
    ----------
    proof : Proof
    circuits : collection of str, optional
        Whose paths and shared assets to draw; all of them if left out.
    tiles : Tiles, optional
        A background, fetched from elsewhere when the map is shown.

    Returns
    -------
    folium.Map

    Raises
    ------
    CallError
        A circuit is not in the study.

    Examples
    --------
    >>> import waysapart as wa
    >>> proof = wa.prove(wa.read_study("examples/estuary"))
    >>> drawn = wa.explore(proof, circuits=["C01"])
    >>> type(drawn)
    <class 'folium.folium.Map'>
    """
    import folium

    ids = proof.study.tables["circuits"]["id"].to_list()
    unknown = [] if circuits is None else sorted(set(circuits) - set(ids))
    if unknown:
        raise CallError(f"no circuit is called {', '.join(unknown)} in this study")
    chosen = set(ids if circuits is None else circuits)
    geo = proof_geometry(proof)
    drawn = folium.Map(
        tiles=None,
        prefer_canvas=True,
        control_scale=True,
        attributionControl=tiles is not None,
    )
    drawn.default_js = as_data_addresses(drawn.default_js)
    drawn.default_css = as_data_addresses(drawn.default_css)
    if tiles is not None:
        background = folium.TileLayer(
            tiles=map_url(tiles), attr=map_text(tiles.attribution) or " ", max_zoom=tiles.max_zoom
        )
        background.add_to(drawn)
    plant = [*geo["plant"]["features"], *geo["points"]["features"]]
    _add(drawn, "plant", plant, _PLANT)
    _add(drawn, "hazards", geo["hazards"]["features"], _HAZARD)
    for label, features in _paths(geo, chosen).items():
        _add(drawn, label, features, _PATHS.get(label, _FURTHER))
    shared = _shared_ids(proof, chosen)
    _add(drawn, "shared", [one for one in plant if one["properties"]["id"] in shared], _SHARED)
    folium.LayerControl(collapsed=True).add_to(drawn)
    west, south, east, north = frame(geo)
    drawn.fit_bounds([[south, west], [north, east]])
    return drawn


def map_url(tiles: Tiles) -> str:
    """Address of a background, of which folium reads nothing but its placeholders."""
    return tiles.url.replace("`", "%60").replace("$", "%24").replace("{{", "%7B%7B")


def _add(drawn: folium.Map, name: str, features: Iterable[dict[str, Any]], style: Any) -> None:
    import folium

    shown = [_feature(feature) for feature in features if feature["geometry"] is not None]
    if not shown:
        return
    folium.GeoJson(
        {"type": "FeatureCollection", "features": shown},
        name=map_text(name),
        style_function=lambda _feature: style,
        marker=folium.CircleMarker(radius=4),
        tooltip=folium.GeoJsonTooltip(fields=["shown"], labels=False),
    ).add_to(drawn)


def _feature(feature: dict[str, Any]) -> dict[str, Any]:
    told = feature["properties"]
    text = " ".join(str(told[key]) for key in ("kind", "id", "name", "paths") if told.get(key))
    return {
        "type": "Feature",
        "properties": {"shown": map_text(text)},
        "geometry": feature["geometry"],
    }


def _paths(geo: dict[str, Any], chosen: set[str]) -> dict[str, list[dict[str, Any]]]:
    """By label: each segment on paths of that label once, with whose paths they are."""
    users: dict[str, dict[str, list[str]]] = {}
    for path in geo["paths"]["features"]:
        told = path["properties"]
        if told["circuit"] in chosen:
            for segment in told["segments"]:
                users.setdefault(told["path"], {}).setdefault(segment, []).append(told["circuit"])
    plant = {one["properties"]["id"]: one for one in geo["plant"]["features"]}
    return {
        label: [
            {
                **plant[segment],
                "properties": {
                    **plant[segment]["properties"],
                    "paths": f"- {label} of {', '.join(circuits)}",
                },
            }
            for segment, circuits in by_segment.items()
            if segment in plant
        ]
        for label, by_segment in users.items()
    }


def _shared_ids(proof: Proof, chosen: set[str]) -> set[str]:
    """What the chosen circuits share and could avoid."""
    ids = proof.study.tables["circuits"]["id"].to_list()
    rows = [number for number, name in enumerate(ids) if name in chosen]
    return {proof.names[asset][0] for asset in proof.sharing.avoidable[rows].indices.tolist()}

"""The one table of the layers that `export` writes: their fields and what these mean."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType


@dataclass(frozen=True, slots=True)
class LayerFields:
    """One layer of findings.

    Attributes
    ----------
    name : str
    says : str
        What one feature is.
    geometry : str or None
        Its geometry; None: a table.
    fields : mapping of str to str
        Field name to its meaning. Units end the name.
    """

    name: str
    says: str
    geometry: str | None
    fields: Mapping[str, str]


_COUNTS = {
    "lost": "circuits that its loss alone leaves without a way",
    "exposed": "circuits that its loss alone leaves with one way",
    "circuits": "circuits any way of which relies on it",
    "hazards": "hazards that take it",
}
_OWNER = {"test": "circuit or group", "verdict": "its verdict"}

_LAYERS = (
    LayerFields(
        "found_segments",
        "a segment as tied",
        "LineString",
        {
            "id": "segment",
            "kind": "its kind",
            "end_a": "structure or site at its first vertex, stated or snapped",
            "end_b": "structure or site at its last vertex",
            "passes": "structures that it passes between its ends",
            "holders": "everything that it lies within, at any depth",
            "cables": "cables that run through it",
            "ground_m": "length on the ellipsoid, or as measured",
            **_COUNTS,
        },
    ),
    LayerFields(
        "found_places",
        "a structure or site",
        "Point or polygon",
        {
            "id": "structure or site",
            "role": "structures or sites",
            "kind": "its kind",
            "holders": "everything that it lies within, at any depth",
            **_COUNTS,
        },
    ),
    LayerFields(
        "found_paths",
        "a way of a circuit",
        "MultiLineString",
        {
            "circuit": "circuit",
            "path": "main, alternate or a further label",
            "verdict": "verdict of the circuit",
            "links": "its links, in order from end a",
            "out": "1: cut by what is out of service",
            "length_m": "fibre length; blank: not on record",
            "length_at_least_m": "the least that it can be",
            "route_m": "ground length; blank: not on record",
            "route_at_least_m": "the least that it can be",
            "delay_us": "one-way delay; blank: not on record",
            "delay_at_least_us": "the least that it can be",
            "unavailability": "share of the time that it is down; blank: not known",
            "unavailability_at_least": "where it is not known: by what has a failure rate",
        },
    ),
    LayerFields(
        "found_shared",
        "an asset that all ways of a circuit or group rely on",
        "where the asset is, or what holds it; blank where nothing says",
        {
            **_OWNER,
            "asset": "what is shared",
            "role": "its role",
            "kind": "its kind",
            "avoidable": "0: shared because the relays stand there, or as a tail",
            "tail": "1: shared inside an end site before the paths part, and excused",
            "waived": "1: accepted, on record",
            "through": "the shared thing in it that is all the reason",
        },
    ),
    LayerFields(
        "found_protected",
        "an asset whose loss takes a way of a circuit together with what the circuit protects",
        "where the asset is, or what holds it; blank where nothing says",
        {
            **_OWNER,
            "asset": "what is lost",
            "role": "its role",
            "kind": "its kind",
            "path": "the way that it takes",
            "protected": "what the circuit protects that it takes",
            "remains": "ways that remain",
            "silent": "1: none remains",
        },
    ),
    LayerFields(
        "found_near",
        "a stretch of one way too close to the other",
        "LineString",
        {
            **_OWNER,
            "segment": "segment of the first way",
            "other": "segment of the second way",
            "distance_m": "least distance",
            "length_m": "length of the stretch",
            "limit_m": "distance that the rules ask for",
            "waived": "1: accepted, on record",
            "under": "shared structure or holder that it is folded under",
        },
    ),
    LayerFields(
        "found_cross",
        "a crossing in plan without a common asset",
        "Point",
        {
            **_OWNER,
            "segment": "segment of the first way",
            "other": "segment of the second way",
            "forbidden": "1: the rules forbid it",
            "waived": "1: accepted, on record",
            "under": "shared structure or holder that it is folded under",
        },
    ),
    LayerFields(
        "found_gaps",
        "something that the records leave open",
        "where the asset is; blank where nothing says",
        {
            "code": "kind of gap",
            "asset": "what it is about",
            "message": "what is missing, where, and what to do",
            "tests": "circuits and groups that it touches",
        },
    ),
    LayerFields(
        "found_hazards",
        "a hazard",
        "as drawn, without its reach",
        {
            "id": "hazard",
            "kind": "its kind",
            "reach_m": "how far beyond its outline it takes things",
            "takes": "segments, structures and sites that it takes",
            "lost": _COUNTS["lost"],
            "exposed": _COUNTS["exposed"],
            "circuits": _COUNTS["circuits"],
        },
    ),
    LayerFields(
        "found_contingency",
        "a single event and a circuit that it takes a way of",
        None,
        {
            "asset": "asset or hazard that is lost",
            "role": "its role",
            "kind": "its kind",
            "circuit": "circuit",
            "state": "lost: no way left; exposed: one way left",
        },
    ),
    LayerFields(
        "found_circuits",
        "a circuit or group",
        None,
        {
            "id": "circuit or group",
            "is_group": "1: a group",
            "verdict": "shared, unproven, accepted or apart",
            "within_limits": "1: all limits kept, 0: one broken, blank: not on record",
            "worst_us": "greatest one-way delay; blank: not on record",
            "worst_at_least_us": "the least that it can be",
            "asymmetry_us": "greatest difference of the two directions; blank: not on record",
            "asymmetry_at_least_us": "the least that it can be",
            "closest_m": "least distance of its ways outside the end zones",
            "unavailability": "share of the time that all ways are down; blank: not known",
            "unavailability_at_least": "where it is not known: by what has a failure rate",
            "gaps": "record gaps that touch it",
        },
    ),
)

LAYERS: Mapping[str, LayerFields] = MappingProxyType({layer.name: layer for layer in _LAYERS})
"""Every layer of findings, by name."""

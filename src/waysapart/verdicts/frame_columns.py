"""The tables of findings that a proof has for Python: each column once, with type and meaning."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Literal

Cell = Literal["text", "yes/no", "whole number", "number"]

DTYPES: Mapping[Cell, str] = MappingProxyType(
    {"text": "string", "yes/no": "boolean", "whole number": "Int64", "number": "Float64"}
)
"""Types of pandas that tell what is not known (NA) from nought, false and empty."""


@dataclass(frozen=True, slots=True)
class FrameColumn:
    """One column.

    Attributes
    ----------
    name : str
    type : Cell
    says : str
        What it is, and when it is NA.
    unit : str
    """

    name: str
    type: Cell
    says: str
    unit: str = ""


@dataclass(frozen=True, slots=True)
class FrameTable:
    """One table of findings.

    Attributes
    ----------
    name : str
        The attribute of a proof.
    says : str
        What one row is.
    columns : tuple of FrameColumn
    geometry : str or None
        What its geometry is; None: a table without.
    """

    name: str
    says: str
    columns: tuple[FrameColumn, ...]
    geometry: str | None = None


def _text(name: str, says: str) -> FrameColumn:
    return FrameColumn(name, "text", says)


def _flag(name: str, says: str) -> FrameColumn:
    return FrameColumn(name, "yes/no", says)


def _count(name: str, says: str) -> FrameColumn:
    return FrameColumn(name, "whole number", says)


def _figure(name: str, says: str, unit: str) -> FrameColumn:
    return FrameColumn(name, "number", says, unit)


def _bounded(name: str, says: str, unit: str) -> tuple[FrameColumn, FrameColumn]:
    """A figure, and the least that it can be where it is not known."""
    stem, _, suffix = name.rpartition("_")
    least = f"{stem}_at_least_{suffix}" if stem else f"{name}_at_least"
    return (
        _figure(name, f"{says}; NA: not on record", unit),
        _figure(least, "the least that it can be, where it is NA", unit),
    )


_LIMIT = "of its service; NA: it sets none"
_KEPT = "whether that limit is kept; NA: not known, or no limit is set"
_OF = (
    _text("of", "`circuit` or `group`"),
    _text("id", "id of the circuit or group"),
)
_VERDICT = _text("verdict", "`shared`, `unproven`, `accepted` or `apart`")
_WITHIN = _flag("within_limits", "whether all limits of its service are kept; NA: not known")
_FOUND = (
    _count("shared", "avoidable shared assets: its rows of `shared`"),
    _count("near", "near stretches: its rows of `near`"),
    _count("cross", "crossings in plan: its rows of `near`"),
    _count("gaps", "record gaps that touch it"),
    _figure(
        "closest_m", "least distance of its paths outside the end zones; NA: not examined", "m"
    ),
)

_TABLES = (
    FrameTable(
        "circuits",
        "a circuit",
        (
            _text("id", "id of the circuit"),
            _text("name", "its name"),
            _text("service", "its service; `default` where it names none"),
            _text("a", "equipment at its end a"),
            _text("b", "equipment at its end b"),
            _text("group", "the group that it is a member of"),
            _text("scheme", "the scheme that it is a part of"),
            _VERDICT,
            _WITHIN,
            *_FOUND,
            *_bounded("delay_us", "greatest one-way delay of any state (`worst_us`)", "us"),
            _figure("delay_limit_us", f"greatest delay {_LIMIT}", "us"),
            _flag("delay_ok", _KEPT),
            *_bounded("asymmetry_us", "greatest difference of the two directions", "us"),
            _figure("asymmetry_limit_us", f"greatest asymmetry {_LIMIT}", "us"),
            _flag("asymmetry_ok", _KEPT),
            _figure("recovery_ms", "time to change over; NA: not on record", "ms"),
            _figure("recovery_limit_ms", f"greatest time {_LIMIT}", "ms"),
            _flag("recovery_ok", _KEPT),
            _flag("loss_ok", "whether all its links keep their margins; NA: not known"),
            *_bounded("unavailability", "share of the time that all paths are down", "share"),
            _figure("unavailability_limit", f"greatest unavailability {_LIMIT}", "share"),
            _flag("unavailability_ok", _KEPT),
        ),
        "the lines of all its paths",
    ),
    FrameTable(
        "groups",
        "a group of circuits that back each other up",
        (
            _text("id", "name of the group"),
            _text("group_test", "which paths count: `working`, `all` or `pairwise`"),
            _text("members", "ids of its circuits, separated by `;`"),
            _VERDICT,
            _WITHIN,
            *_FOUND,
            *_bounded("unavailability", "share of the time that every path is down", "share"),
            *_bounded("working", "share of the time that the working paths are down", "share"),
        ),
        "the lines of all its members' paths",
    ),
    FrameTable(
        "paths",
        "a path of a circuit",
        (
            _text("circuit", "id of the circuit"),
            _text("path", "`main`, `alternate` or a further label"),
            _text("links", "ids of its links in order from end a, separated by `;`"),
            _flag("out_of_service", "whether what is out of service has cut it"),
            *_bounded("length_m", "length of fibre", "m"),
            *_bounded("route_m", "length over the ground", "m"),
            *_bounded("delay_us", "one-way delay, the longer of go and return", "us"),
            *_bounded("unavailability", "share of the time that it is down", "share"),
            _count("relies_on", "how many assets it relies on"),
        ),
        "the line that it follows",
    ),
    FrameTable(
        "shared",
        "an asset that the paths of a circuit or group share and need not: an entry of `shared`",
        (
            *_OF,
            _text("asset", "id of the asset"),
            _text("role", "its role"),
            _text("kind", "its kind"),
            _flag("waived", "whether a waiver accepts it"),
            _text("through", "the shared thing in it, where only that makes it shared"),
            _text("own_line", "what the circuit protects, where the asset takes a path with it"),
            _flag("needed", "whether equipment on a path names it in `needs`"),
            _count("stretch", "number of the stretch that it is a part of, by circuit or group"),
            _text("via", "by path, from the link down to what leads to the stretch"),
        ),
        "where the asset is, or what holds it",
    ),
    FrameTable(
        "near",
        "a near stretch or a crossing of two paths that stands against a circuit or group: an "
        "entry of `near` or `cross`. What is folded under a structure that both rely on is left "
        "out",
        (
            _text("what", "`near` or `cross`"),
            *_OF,
            _text("path", "the first of the two paths"),
            _text("other_path", "the second"),
            _text("main", "segment of the first path, where the two are closest"),
            _text("alternate", "segment of the second"),
            _text("main_kind", "kind of the first segment"),
            _text("alternate_kind", "kind of the second"),
            _count("stretch", "number of the near stretch; NA for a crossing"),
            _figure("distance_m", "least distance; NA for a crossing", "m"),
            _figure("limit_m", "distance that the rules require; NA for a crossing", "m"),
            _figure("length_m", "length of the first path that is near; NA for a crossing", "m"),
            _figure("from_m", "where it begins on the first path; NA for a crossing", "m"),
            _figure("to_m", "where it ends; NA for a crossing", "m"),
            _flag("forbidden", "whether the rules forbid the crossing; NA for a near stretch"),
            _flag("waived", "whether a waiver accepts it"),
            _figure("lon", "longitude of the closest place, or of the crossing", "degrees"),
            _figure("lat", "its latitude", "degrees"),
        ),
        "the stretch of the first path, or the point of the crossing",
    ),
    FrameTable(
        "gaps",
        "a record gap, each by itself (JSON tells many of one kind as one)",
        (
            _text("code", "its kind: see [record gaps](gaps.md)"),
            _text("asset", "the id that it is about"),
            _text("message", "what is missing, where, and what to do"),
            _text("bears_on", "`separation`, `limits` or `both`"),
            _text("limits", "the limits that it leaves open, separated by `;`"),
            _text("touches", "circuits and groups that it touches, separated by `;`"),
            _text("file", "where it stands in the input; NA: in no file"),
            _text("layer", "layer or sheet"),
            _count("row", "row of the layer"),
            _text("column", "column"),
        ),
        "where the asset is, or what holds it",
    ),
    FrameTable(
        "budgets",
        "the optical budget of a link over fibre under the service of a circuit; a link that no "
        "path follows has one row without a circuit",
        (
            _text("circuit", "id of the circuit; NA: no path follows the link"),
            _text("path", "label of its path"),
            _text("link", "id of the link"),
            _figure("wavelength_nm", "its wavelength", "nm"),
            _text("fibre_type", "type of its fibre"),
            *_bounded("loss_db", "loss in the worst case", "dB"),
            _figure("budget_db", "least transmitter power less least receiver power", "dB"),
            _figure("margin_db", "budget less loss; NA: not on record", "dB"),
            _figure("margin_at_most_db", "the most that it can be, where it is NA", "dB"),
            _figure("min_margin_db", f"least margin {_LIMIT}", "dB"),
            _flag("ok", "whether margin, overload, bandwidth and dispersion fit; NA: unknown"),
            _figure("statistical_db", "mean plus k standard deviations", "dB"),
            _figure("overload_margin_db", "greatest receiver power less what arrives", "dB"),
            _figure("fibre_m", "length of fibre", "m"),
            _figure("fibre_db", "loss of the fibre", "dB"),
            _count("splices", "how many splices"),
            _figure("splices_db", "their loss", "dB"),
            _count("connectors", "how many connectors"),
            _figure("connectors_db", "their loss", "dB"),
            _figure("mismatch_db", "where fibres of two types meet", "dB"),
            _figure("via_db", "of what the link passes", "dB"),
            _figure("test_db", "what tests add", "dB"),
            _figure("repair_db", "of splices of repairs to come", "dB"),
            _figure("reserve_db", "reserve", "dB"),
        ),
    ),
)

TABLES: Mapping[str, FrameTable] = MappingProxyType({table.name: table for table in _TABLES})
"""Every table of findings, by the attribute of a proof that has it."""

"""The same report for readers who must not learn where plant lies or what it is called.

A text stays only where this program itself wrote it. Every id of the study becomes a new one
that tells no more than what kind of thing it is; every other text of the study is left out,
free text too, since nobody can know what it gives away. Coordinates are left out, or moved to
the nodes of a grid whose width the page states.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from pyproj import CRS, Transformer
from shapely.geometry import MultiPoint, Polygon, mapping, shape

from waysapart.errors import CallError
from waysapart.gaps import GAP_CODES
from waysapart.report.marks import KNOWN_KINDS

Facts = Mapping[str, Any]

_OURS = frozenset(
    [
        "waysapart",
        "made",
        "caution",
        "verdict",
        "role",
        "code",
        "how",
        "separation",
        "state",
        "switching",
        "group_test",
        "unit",
        "splices_from",
        "binds",
        "quantity",
        "date",
        "until",
        "differential",
        "availability",
        "loss",
        "change",
        "before",
        "after",
        "medium",
        "missing",
        "sha256",
        "within_before",
        "within_after",
        "version",
    ]
)
"""Fields whose texts this program wrote, or takes from a short list."""
_KINDS = frozenset({"kind", "kinds", "crossing", "protected_kind"})
_POINTS = frozenset({"at", "main_at", "alternate_at", "danger_at"})
_LEFT_OUT = frozenset(
    [
        "matched",
        "notes",
        "ages",
        "evidence",
        "crs",
        "study",
        "profiles",
        "grid",
        "schema_version",
        "records",
        "drums",
        "worse",
        "better",
        "figures",
        "differs",
        "rules",
        "record_first",
    ]
)
_BY_ID = frozenset({"of", "inside", "runs", "circuit", "group", "via", "along", "paths"})
"""Fields that hold one entry for each id or label of the study."""
_ROLES = {
    "sites": "site",
    "structures": "structure",
    "holders": "holder",
    "segments": "segment",
    "cables": "cable",
    "joints": "joint",
    "supplies": "supply",
    "equipment": "equipment",
    "hazards": "hazard",
}
_STANDARD_FIBRE = re.compile(r"(G\.65\d(\.[A-E]\d?)?|OM[1-5]|OS[12]a?)")
_OWN_KEY = re.compile(r"[a-z_]+(\.[a-z_]+)?")
_KEY = re.compile(r"([a-z_]+)\.(.+)\.([a-z_][a-z_0-9]*|[a-z_]+\.\d+)", re.DOTALL)
_RECORDS_KEY = re.compile(r"records\.(within|needs|supplies|delay_us|oldest)\.(.+)", re.DOTALL)
_RULE_WORDS = frozenset(
    ["working", "all", "pairwise", "gap", "none", "excused", "shared", "any", "default"]
)
_PER_KIND = re.compile(r"[a-z_]+_(pct|m|db)")
_PLAIN_REVISION = re.compile(r"[A-Z]|\d{1,3}")
_LEFT = "left out"


@dataclass(frozen=True, slots=True)
class Outside:
    """How much readers outside may see of where plant lies.

    Attributes
    ----------
    grid_m : float or None
        Width of the grid to which coordinates are moved; None: no coordinates
        and no map.
    """

    grid_m: float | None = None

    def __post_init__(self) -> None:
        if self.grid_m is not None and not 10.0 <= self.grid_m <= 100_000.0:
            raise CallError(
                f"a grid of {self.grid_m:g} m: expected 10 m to 100 km, or none for no coordinates"
            )


def reduced(
    facts: Facts, geo: Facts, crs: CRS, outside: Outside
) -> tuple[dict[str, Any], dict[str, Any]]:
    """Facts and geometry without names, ids and places of the study.

    Parameters
    ----------
    facts, geo : mapping
        From `waysapart.report.write.report_facts`.
    crs : CRS
        The working system, in which the grid lies.
    outside : Outside

    Returns
    -------
    facts, geo : dict
        For `render_report`. `facts` gains `outside`, which the page states.
    """
    reducer = _Reducer(facts, geo, crs, outside)
    return reducer.facts(), reducer.geo()


class _Reducer:
    """One study while it is reduced."""

    def __init__(self, facts: Facts, geo: Facts, crs: CRS, outside: Outside) -> None:
        self._facts, self._geo = facts, geo
        self._grid_m = outside.grid_m
        self._there = Transformer.from_crs("EPSG:4326", crs, always_xy=True)
        self._back = Transformer.from_crs(crs, "EPSG:4326", always_xy=True)
        self._new: dict[str, str] = {}
        self._counts: dict[str, int] = {}
        self._taken = frozenset(_texts(facts)) | frozenset(_texts(geo))
        self._number()

    def facts(self) -> dict[str, Any]:
        """The facts that may go out."""
        made = {
            key: self._put(value, key) for key, value in self._facts.items() if key not in _LEFT_OUT
        }
        revision = str(self._facts.get("revision") or "")
        made["revision"] = revision if _PLAIN_REVISION.fullmatch(revision) else ""
        made["study"] = ""
        made["inputs"] = [
            {"file": f"input {number}", "sha256": one["sha256"]}
            for number, one in enumerate(self._facts.get("inputs", []), start=1)
        ]
        made["assumptions"] = self._assumptions()
        if "record_first" in self._facts:
            made["record_first"] = self._work(self._facts["record_first"])
        made["outside"] = {"grid_m": self._grid_m}
        if self._grid_m is None:
            made["worst"] = []
        return made

    def geo(self) -> dict[str, Any]:
        """The geometry that may go out: none, or all of it on the grid."""
        if self._grid_m is None:
            return {}
        return {
            role: {
                "type": "FeatureCollection",
                "features": [self._feature(one) for one in collection["features"]],
            }
            for role, collection in self._geo.items()
        }

    def _number(self) -> None:
        """New ids for everything that has one."""
        for role in ("points", "plant", "hazards"):
            for feature in (self._geo.get(role) or {}).get("features", []):
                told = feature["properties"]
                self._name(told["id"], told["kind"], str(told.get("role") or "hazards"))
        for one in (self._facts.get("holdings") or {}).get("assets", []):
            self._name(one["id"], one["kind"], one["role"])
        facts = self._facts
        for what, rows in (
            ("circuit", facts.get("circuits", [])),
            ("group", facts.get("groups", [])),
            ("scheme", facts.get("schemes", [])),
        ):
            for one in rows:
                self._name(one["id"], what, what)
        links = [
            link
            for one in facts.get("circuits", [])
            for path in (one.get("paths") or {}).values()
            for link in path.get("links", [])
        ]
        links += [one["id"] for one in facts.get("links", [])]
        for link in links:
            self._name(link, "link", "link")
        for one in facts.get("circuits", []):
            for taken in one.get("with_protected") or []:
                self._name(taken["asset"], taken["kind"], taken["role"])
                self._name(taken["protected"], taken["protected_kind"], "holders")
            for name in one.get("protects", []):
                self._name(name, "", "asset")
        for name in facts.get("out", []):
            self._name(name, "", "asset")
        self._labels()

    def _labels(self) -> None:
        """New words for ways beyond main and alternate, and for services."""
        for one in self._facts.get("circuits", []):
            for label in one.get("paths") or {}:
                if label in ("main", "alternate"):
                    self._new.setdefault(label, label)
                else:
                    self._name(label, "way", "way")
                self._new.setdefault(
                    f"{one['id']} {label}", f"{self._new[str(one['id'])]} {self._new[label]}"
                )
                self._new.setdefault(
                    f"turned back on {label}", f"turned back on {self._new[label]}"
                )
            service = one.get("service")
            if service == "default":
                self._new.setdefault("default", "default")
            elif service:
                self._name(service, "service", "service")

    def _name(self, old: Any, kind: str, role: str) -> None:
        if str(old) in self._new:
            return
        word = kind if kind in KNOWN_KINDS or kind == role else _ROLES.get(role, role)
        while True:
            self._counts[word] = self._counts.get(word, 0) + 1
            new = f"{word}-{self._counts[word]}"
            if new not in self._taken:
                break
        self._new[str(old)] = new

    def _put(self, value: Any, key: str) -> Any:
        """A value with every text in it made fit to go out."""
        if isinstance(value, str):
            return self._text(value, key)
        if isinstance(value, Mapping):
            if "code" in value and "message" in value:
                return self._gap(value)
            if key in _BY_ID:
                return {
                    self._new[str(name)]: self._put(item, "")
                    for name, item in value.items()
                    if str(name) in self._new
                }
            return {
                self._key(name): self._put(item, str(name))
                for name, item in value.items()
                if name not in _LEFT_OUT
            }
        if key in _POINTS and value and isinstance(value[0], int | float):
            return self._point(value)
        if key == "lines":
            return [self._line(line) for line in value] if self._grid_m is not None else []
        of_strip = isinstance(value, list) and all(isinstance(one, list) for one in value)
        if key == "stretches" and of_strip:
            return [[low, high, self._text(kind, "kind")] for low, high, kind in value]
        if key == "marks" and isinstance(value, list):
            return [
                [at, role, self._text(kind, "kind"), self._new.get(name, "")]
                for at, role, kind, name in value
            ]
        if isinstance(value, list | tuple):
            return [self._put(item, key) for item in value]
        return value

    def _key(self, name: Any) -> str:
        """A field keeps its name; an id or the label of a way becomes the new one."""
        field = str(name)
        if field in self._new:
            return self._new[field]
        label = field.removesuffix("_us")
        if label != field and label in self._new:
            return f"{self._new[label]}_us"
        return field

    def _text(self, value: str, key: str) -> str:
        if value in self._new:
            return self._new[value]
        if key == "state":  # a digest of what lies where says more than that it changed
            return value.partition(": digest was")[0]
        if key in _OURS:
            return value
        if key in _KINDS:
            words = re.split(r"( over |/| and )", value)
            kept = [w if k % 2 or w in KNOWN_KINDS else "other" for k, w in enumerate(words)]
            return "".join(kept) if value else ""
        if key == "fibre_type":
            return value if _STANDARD_FIBRE.fullmatch(value) else "other fibre"
        if key == "with_protected_why":
            return "not on record" if value else ""
        return _LEFT if key in ("reason", "by") else ""

    def _gap(self, gap: Facts) -> dict[str, Any]:
        """A gap by what its code means, since its message names ids and kinds of the study."""
        known = GAP_CODES.get(str(gap["code"]))
        said = f"{known.means}: {known.action}" if known else _LEFT
        count = int(gap.get("count") or 1)
        return {
            "code": gap["code"] if known else "",
            "asset": self._new.get(str(gap.get("asset")), ""),
            "message": f"{count} of them: {said}" if count > 1 else said,
            "bears_on": known.bears_on if known else None,
            "count": count,
            "assets": self._renamed(gap.get("assets", [])),
            "column": gap.get("column") if known else None,
        }

    def _renamed(self, names: Iterable[Any]) -> list[str]:
        """The new ids of those that have one."""
        return [self._new[str(name)] for name in names if str(name) in self._new]

    def _work(self, first: Facts) -> dict[str, Any]:
        """What to record first, by new ids and without files and rows."""
        return {
            **first,
            "left": self._renamed(first["left"]),
            "limits_left": self._renamed(first["limits_left"]),
            "steps": [
                {
                    **step,
                    **{key: self._renamed(step[key]) for key in ("decides", "groups", "limits")},
                    "records": [
                        {
                            "code": some["code"],
                            "action": some["action"],
                            "column": some["column"],
                            "ids": self._renamed(some["ids"]),
                        }
                        for some in step["records"]
                    ],
                }
                for step in first["steps"]
            ],
        }

    def _assumptions(self) -> list[dict[str, Any]]:
        files = {str(one["file"]) for one in self._facts.get("inputs", [])}
        return [
            {
                "key": self._dotted(str(row["key"])),
                "value": self._value(row["value"]),
                "unit": row["unit"],
                "source": "the study's own rules" if row["source"] in files else row["source"],
                **{key: row[key] for key in ("to_sign", "count") if key in row},
            }
            for row in self._facts.get("assumptions", [])
        ]

    def _dotted(self, key: str) -> str:
        """A key of the rules; a part of it that the study may have named is replaced."""
        records = _RECORDS_KEY.fullmatch(key)
        if records is not None:
            return f"records.{records[1]}.{self._rule_name(records[2].strip(chr(34)))}"
        parts = _KEY.fullmatch(key)
        if parts is None:
            return key if _OWN_KEY.fullmatch(key) else "other"
        first, named, last = parts.groups()
        if _PER_KIND.fullmatch(named):
            return f"{first}.{named}.{self._rule_name(last)}"
        return f"{first}.{self._rule_name(named.strip(chr(34)))}.{last}"

    def _rule_name(self, name: str) -> str:
        if name in self._new:
            return self._new[name]
        known = (
            name == "default"
            or name in KNOWN_KINDS
            or name in _ROLES
            or _STANDARD_FIBRE.fullmatch(name)
        )
        return name if known else "other"

    def _value(self, value: Any) -> Any:
        if isinstance(value, str):
            return value if value in _RULE_WORDS else self._text(value, "kind")
        if isinstance(value, Mapping):
            return {self._text(str(k), "kind"): self._value(v) for k, v in value.items()}
        if isinstance(value, list | tuple):
            return [self._value(item) for item in value]
        return value

    def _feature(self, feature: Facts) -> dict[str, Any]:
        told = feature["properties"]
        made = {key: self._put(value, key) for key, value in told.items() if key != "name"}
        made["name"] = ""
        geometry = feature.get("geometry")
        if geometry is not None:
            geometry = self._place(geometry, str(told.get("role") or "hazards"))
        return {"type": "Feature", "properties": made, "geometry": geometry}

    def _place(self, geometry: Facts, role: str) -> dict[str, Any]:
        """A geometry on the grid; an area without extent there is what is left of it."""
        if role in ("sites", "structures"):
            inside = shape(dict(geometry)).representative_point()
            return {"type": "Point", "coordinates": self._point((inside.x, inside.y))}
        kind, nodes = geometry["type"], self._nested(geometry["coordinates"])
        if kind in ("Polygon", "MultiPolygon"):
            return _areas([nodes] if kind == "Polygon" else nodes)
        if role == "hazards" and kind == "LineString" and nodes[0] == nodes[-1]:
            return {"type": "Point", "coordinates": nodes[0]}
        return {"type": kind, "coordinates": nodes}

    def _nested(self, coordinates: Any) -> Any:
        if coordinates and isinstance(coordinates[0], int | float):
            return self._point(coordinates)
        if coordinates and isinstance(coordinates[0][0], int | float):
            return self._line(coordinates)
        return [self._nested(part) for part in coordinates]

    def _point(self, point: Iterable[float]) -> list[float] | None:
        if self._grid_m is None:
            return None
        return self._on_grid([list(point)[:2]])[0]

    def _line(self, line: Iterable[Iterable[float]]) -> list[list[float]]:
        """A line on the grid; vertices that fall on the one before are left out."""
        points = self._on_grid([list(point)[:2] for point in line])
        kept = [point for k, point in enumerate(points) if k == 0 or point != points[k - 1]]
        return kept if len(kept) > 1 else [points[0], points[0]]

    def _on_grid(self, points: list[list[float]]) -> list[list[float]]:
        assert self._grid_m is not None
        lonlat = np.asarray(points, dtype=np.float64)
        east, north = self._there.transform(lonlat[:, 0], lonlat[:, 1])
        nodes = [np.round(np.asarray(axis) / self._grid_m) * self._grid_m for axis in (east, north)]
        lon, lat = self._back.transform(nodes[0], nodes[1])
        return [[round(float(x), 5), round(float(y), 5)] for x, y in zip(lon, lat, strict=True)]


def _areas(polygons: list[list[list[list[float]]]]) -> dict[str, Any]:
    """Polygons whose rings may have fallen together on the grid: areas, else a line or a point."""
    areas = [
        [outline, *(hole for hole in holes if len(hole) > 3)]
        for outline, *holes in polygons
        if len(outline) > 3 and Polygon(outline).area > 0
    ]
    if areas:
        return {"type": "MultiPolygon", "coordinates": areas}
    nodes = MultiPoint([point for rings in polygons for point in rings[0]])
    left: dict[str, Any] = mapping(nodes.convex_hull)
    return left


def _texts(value: Any) -> Iterable[str]:
    """Every text in nested data, keys included."""
    if isinstance(value, str):
        yield value
    elif isinstance(value, Mapping):
        for key, item in value.items():
            yield str(key)
            yield from _texts(item)
    elif isinstance(value, list | tuple):
        for item in value:
            yield from _texts(item)

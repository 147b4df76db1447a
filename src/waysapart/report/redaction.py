"""Redaction of a report for readers who must not learn where plant lies or what it is called.

A text is kept only if this program wrote it, or if it is a term of the trade that this program
knows. Every id of the study is replaced by a new one that shows only what kind of thing it is.
Its number follows from a secret kept beside the study, so that the order of ids says nothing;
lists are in the order of the new ids. Hashes of the input are left out, since a short file can
be guessed from its hash. Figures are rounded to two digits; drawings of paths keep the order of
assets and lose all lengths. Coordinates are left out, or moved to the nodes of a grid whose width
the page states. docs/trust.md says what happens to each field.
"""

from __future__ import annotations

import hmac
import os
import re
import secrets
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from typing import Any, cast

import numpy as np
from pyproj import CRS, Transformer
from shapely.geometry import MultiPoint, Polygon, mapping, shape

from waysapart.errors import CallError
from waysapart.evidence import RECOVERY_KEY, SHIFT_KEY, SHIFT_SOURCE, schema
from waysapart.gaps import GAP_CODES
from waysapart.report.geometry import Facts, Geo
from waysapart.report.map import frame
from waysapart.report.marks import KNOWN_KINDS
from waysapart.report.stretches import shared_routes
from waysapart.report.view import ReportFacts
from waysapart.schema import ROLES
from waysapart.study.blank import rule_tables
from waysapart.study.rules import shipped_rules

SECRET_FILE = ".waysapart-secret"
"""Beside study.toml: 64 hexadecimal digits from which the numbers of the new ids follow."""

_OURS = frozenset(
    [
        "caution",
        "verdict",
        "role",
        "code",
        "how",
        "separation",
        "switching",
        "group_test",
        "unit",
        "splices_from",
        "binds",
        "quantity",
        "differential",
        "availability",
        "loss",
        "medium",
        "missing",
        "bears_on",
    ]
)
"""Fields whose texts this program wrote, or takes from a short list."""
_OF_A_FORM = {
    "made": re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ", re.ASCII),
    "on": re.compile(r"\d{4}-\d\d-\d\d", re.ASCII),
    "until": re.compile(r"\d{4}-\d\d-\d\d", re.ASCII),
    "waysapart": re.compile(r"\d+(\.\d+)*", re.ASCII),
    "revision": re.compile(r"[A-Z]|\d{1,3}", re.ASCII),
}
"""Fields that may hold nothing but what has this form."""
_CHANGES = frozenset(
    ["shared", "unproven", "accepted", "apart", "better", "worse", "same", "new", "gone"]
)
_STATES = frozenset({"in force", "lapsed", "nothing to waive", "the record changed"})
_KINDS = frozenset({"kind", "kinds", "crossing", "protected_kind"})
_POINTS = frozenset({"at", "main_at", "alternate_at", "danger_at"})
_LEFT_OUT = frozenset(
    [
        "matched",
        "notes",
        "ages",
        "layers",
        "evidence",
        "crs",
        "study",
        "profiles",
        "grid",
        "schema_version",
        "records",
        "drums",
        "since",
        "strips",
        "effects",
        "inputs",
        "assumptions",
        "record_first",
        "figures_say",
    ]
)
_BLANKED = frozenset({"fibre", "fibres", "date", "record", "record_now", "name", "file", "layer"})
"""Fields that are null on the page: fibre numbers, days of tests, digests, names."""
_REASONS = frozenset(["why", "length_why", "delay_why", "asymmetry_why", "loss_why", "not_known"])
"""Lists of what is not on record of a figure, in words that name things of the study."""
_BY_ID = frozenset({"of", "inside", "runs", "circuit", "group", "via", "along", "paths"})
"""Fields that hold one entry for each id or label of the study."""
_BY_LABEL = frozenset({"delay", "unavailability", "path_minutes_a_year", "at_least"})
"""Fields that hold entries by label beside some of ours."""
_UNORDERED = frozenset(
    [
        "unavoidable",
        "tail",
        "protects",
        "members_of_group",
        "assets",
        "single_points",
        "not_counted",
        "holders",
        "services",
        "out",
        "hit",
        "circuits_lost",
        "remains",
    ]
)
"""Lists of ids in which the order says nothing."""
_ROWS = frozenset(
    [
        "circuits",
        "groups",
        "schemes",
        "links",
        "tests",
        "waivers",
        "gaps",
        "shared",
        "with_protected",
        "greatest",
        "assets",
        "tests_missing",
    ]
)
"""Lists of rows in which the order says nothing."""
_NAMED_BY = ("id", "of", "asset", "circuit", "cable")
_ROLE_WORDS = {
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
_OWN_MARKS = frozenset({*_ROLE_WORDS, "patches", "other", ""})
_STANDARD_FIBRE = re.compile(r"(G\.65\d(\.[A-E]\d?)?|OM[1-5]|OS[12]a?)", re.ASCII)
_USUAL_NM = frozenset({850.0, 1300.0, 1310.0, 1550.0, 1625.0})
_KEY_PART = re.compile(r'"(?:[^"\\]|\\.)*"|[^."]+')
_RECORDS_KEY = re.compile(r"records\.(within|needs|supplies|delay_us|oldest)\.(.+)", re.DOTALL)
_RULE_WORDS = frozenset(
    ["working", "all", "pairwise", "gap", "none", "excused", "shared", "any", "default"]
)
_LEFT = "left out"


@dataclass(frozen=True, slots=True)
class Outside:
    """How much readers outside may see, and the secret behind the new ids.

    Attributes
    ----------
    grid_m : float or None
        Width of the grid to which coordinates are moved; None: no coordinates
        and no map.
    secret : bytes or None
        The numbers of the new ids follow from it, see `kept_secret`; None: a fresh secret, so
        that the next report has other ids.
    """

    grid_m: float | None = None
    secret: bytes | None = field(default=None, repr=False)

    def __post_init__(self) -> None:
        if self.grid_m is not None and not 10.0 <= self.grid_m <= 100_000.0:
            raise CallError(
                f"a grid of {self.grid_m:g} m: expected 10 m to 100 km, or none for no coordinates"
            )


def kept_secret(folder: Path) -> tuple[bytes, str]:
    """Read the secret of a study, or make one, and say what was done.

    Parameters
    ----------
    folder : path
        Of the study; the secret lies in it, readable by its owner only.

    Returns
    -------
    bytes, str

    Raises
    ------
    CallError
        The file is there and holds no such secret, or cannot be read.
    """
    path = folder / SECRET_FILE
    made = secrets.token_hex(32)
    beside = folder / f"{SECRET_FILE}.{os.getpid()}"
    if not os.path.lexists(path):
        try:
            handle = os.open(beside, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
            try:
                with os.fdopen(handle, "w", encoding="ascii") as file:
                    file.write(made + "\n")
                os.link(beside, path)  # fails where another run was quicker
            finally:
                beside.unlink(missing_ok=True)
        except FileExistsError:
            pass
        except OSError as error:
            said = (
                f"{SECRET_FILE} cannot be kept in {folder} ({error.strerror}): the new ids of "
                "this report follow a secret that is thrown away, so that the next one has others"
            )
            return bytes.fromhex(made), said
        else:
            said = (
                f"{path} was made: it decides the new ids, so that the next report has the same. "
                "Whoever has it and the ids can tell which is which: never hand it out"
            )
            return bytes.fromhex(made), said
    try:
        with path.open("rb") as stream:
            kept = stream.read(200).strip().decode("ascii", "replace")
    except OSError as error:
        raise CallError(f"{path} cannot be read ({error.strerror})") from error
    if not re.fullmatch(r"[0-9a-f]{64}", kept):
        raise CallError(
            f"{path} does not hold the 64 hexadecimal digits that decide the new ids; "
            "remove it, and the next report makes a new one"
        )
    return bytes.fromhex(kept), f"new ids as {path} decides them"


def reduced(
    facts: ReportFacts, geo: Geo, crs: CRS, outside: Outside
) -> tuple[ReportFacts, dict[str, Any]]:
    """Facts and geometry without names, ids, places and exact figures of the study.

    Parameters
    ----------
    facts, geo
        From `waysapart.report.write.report_facts`.
    crs : CRS
        The grid that the study shows, in which that of the report lies.
    outside : Outside

    Returns
    -------
    facts, geo
        For `render_report`. `facts` gains `outside`, which the page states.
    """
    reducer = _Reducer(facts, geo, crs, outside)
    return cast(ReportFacts, reducer.facts()), reducer.geo()


class _Reducer:
    """One study while it is reduced."""

    def __init__(self, facts: Facts, geo: Geo, crs: CRS, outside: Outside) -> None:
        self._facts, self._geo = facts, geo
        self._grid_m = outside.grid_m
        self._secret = outside.secret or secrets.token_bytes(32)
        metric = all(axis.unit_name in {"metre", "meter"} for axis in crs.axis_info[:2])
        if not metric:  # degrees: the study shows no grid
            west, south, east, north = frame(geo)
            middle = f"+lon_0={(west + east) / 2} +lat_0={(south + north) / 2}"
            crs = CRS.from_user_input(f"+proj=stere {middle} +datum=WGS84 +units=m")
        self._there = Transformer.from_crs("EPSG:4326", crs, always_xy=True)
        self._back = Transformer.from_crs(crs, "EPSG:4326", always_xy=True)
        self._new: dict[str, str] = {"main": "main", "alternate": "alternate", "default": "default"}
        self._words: dict[str, str] = {}
        self._taken = frozenset(_texts(facts)) | frozenset(_texts(geo))
        self._number()
        self._label()

    def facts(self) -> dict[str, Any]:
        """The facts that may go out: traces of links name every panel and stay behind."""
        links = [
            {key: value for key, value in link.items() if key != "trace"}
            for link in self._facts["links"]
        ]
        facts = {**self._facts, "links": links}
        made: dict[str, Any] = {
            key: self._put(value, key)
            for key, value in facts.items()
            if key not in _LEFT_OUT and key in _fields()
        }
        for rows in ("circuits", "groups"):
            told = {self._new[str(one["id"])]: one for one in self._facts[rows]}
            for one in made[rows]:
                one["routes"] = [list(some.numbers) for some in shared_routes(told[one["id"]])]
        made |= {"study": "", "crs": "", "matched": [], "notes": [], "ages": [], "layers": []}
        made["revision"] = self._text(facts["revision"] or "", "revision")
        made["figures_say"] = facts["figures_say"]
        made["inputs"] = [
            {"file": f"input {number}", "sha256": _LEFT}
            for number, _ in enumerate(facts["inputs"], start=1)
        ]
        made["assumptions"] = self._assumptions()
        made["record_first"] = self._work(facts["record_first"])
        if "strips" in facts:
            made["strips"] = {
                kind: self._sorted({self._new[str(k)]: self._strip(v) for k, v in found.items()})
                for kind, found in facts["strips"].items()
            }
        if "effects" in facts:
            made["effects"] = self._effects(facts["effects"])
        if "holdings" in facts:
            made["holdings"] = self._holdings(facts["holdings"])
        if "since" in facts:
            made["since"] = self._since(facts["since"])
        made["worst"] = (
            [] if self._grid_m is None else [self._worst(one) for one in facts.get("worst", [])]
        )
        made["outside"] = {"grid_m": self._grid_m}
        return made

    def geo(self) -> dict[str, Any]:
        """The geometry that may go out: none, or all plant on the grid.

        Layers without a role stay behind: a coast or a road tells where the plant lies, and by
        more than the grid does.
        """
        if self._grid_m is None:
            return {}
        return {
            role: {
                "type": "FeatureCollection",
                "features": sorted(
                    (self._feature(one) for one in collection["features"]),
                    key=lambda one: _rank(
                        str(one["properties"].get("id") or one["properties"].get("circuit"))
                    ),
                ),
            }
            for role, collection in self._geo.items()
            if role != "backdrops"
        }

    # --- new ids ---------------------------------------------------------------------------

    def _number(self) -> None:
        """New ids for everything that has one: numbered in the order of keyed digests."""
        self._name_all()
        count: dict[str, int] = {}
        for old in sorted(self._words, key=self._digest):
            word = self._words[old]
            while True:
                count[word] = count.get(word, 0) + 1
                if f"{word}-{count[word]}" not in self._taken:
                    break
            self._new[old] = f"{word}-{count[word]}"

    def _digest(self, old: str) -> bytes:
        return hmac.digest(self._secret, old.encode("utf-8", "surrogatepass"), "sha256")

    def _name(self, old: Any, kind: str, role: str) -> None:
        """Note what a thing will be called after."""
        if str(old) not in self._new:
            word = kind if kind in KNOWN_KINDS or kind == role else _ROLE_WORDS.get(role, role)
            self._words.setdefault(str(old), word)

    def _name_all(self) -> None:
        for role in ("points", "plant", "hazards"):
            for feature in (self._geo.get(role) or {}).get("features", []):
                told = feature["properties"]
                self._name(told["id"], told["kind"], str(told.get("role") or "hazards"))
        facts = self._facts
        for one in (facts.get("holdings") or {}).get("assets", []):
            self._name(one["id"], one["kind"], one["role"])
        for what, rows in (
            ("circuit", facts["circuits"]),
            ("group", facts["groups"]),
            ("scheme", facts["schemes"]),
        ):
            for one in rows:
                self._name(one["id"], what, what)
        for one in facts["circuits"]:
            for label, path in one["paths"].items():
                self._name(label, "path", "path")
                for link in path["links"]:
                    self._name(link, "link", "link")
            self._name(one["service"], "service", "service")
            for taken in one["with_protected"] or []:
                self._name(taken["asset"], taken["kind"] or "", taken["role"])
                self._name(taken["protected"], taken["protected_kind"] or "", "holders")
            for name in one["protects"]:
                self._name(name, "", "asset")
        for one in facts["links"]:
            self._name(one["id"], "link", "link")
        for name in facts["out"]:
            self._name(name, "", "asset")

    def _label(self) -> None:
        """The texts that are made of a circuit's id or the label of a path."""
        for one in self._facts["circuits"]:
            for label in one["paths"]:
                new = self._new[label]
                self._new.setdefault(f"{one['id']} {label}", f"{self._new[str(one['id'])]} {new}")
                self._new.setdefault(f"turned back on {label}", f"turned back on {new}")

    def _renamed(self, names: Iterable[Any]) -> list[str]:
        """The new ids of those that have one, in their own order."""
        return sorted((self._new[str(one)] for one in names if str(one) in self._new), key=_rank)

    def _sorted(self, by_id: dict[str, Any]) -> dict[str, Any]:
        return {key: by_id[key] for key in sorted(by_id, key=_rank)}

    # --- values ----------------------------------------------------------------------------

    def _put(self, value: Any, key: str) -> Any:
        """A value with every text, figure and place in it made fit to go out."""
        if key in _BLANKED:
            return None
        if key == "stated" and value is not None:  # that somebody did, and neither who nor when
            return {"by": None, "on": None}
        if isinstance(value, str):
            return self._text(value, key)
        if isinstance(value, float):
            return value if key == "wavelength_nm" and value in _USUAL_NM else _two(value)
        if isinstance(value, Mapping):
            return self._table(value, key)
        if key in _POINTS and value and isinstance(value[0], int | float):
            return self._point(value)
        if key in _REASONS and isinstance(value, list):
            return []
        if isinstance(value, list | tuple):
            found = [self._put(item, key) for item in value]
            if key in _ROWS and all(isinstance(one, dict) for one in found):
                return sorted(found, key=_row_rank)
            if (key in _UNORDERED) and all(isinstance(one, str) for one in found):
                return sorted(found, key=_rank)
            return found
        return value

    def _table(self, value: Facts, key: str) -> dict[str, Any]:
        if "code" in value and "message" in value:
            return self._gap(value)
        if key in _BY_ID:
            return {
                self._new[str(name)]: self._put(item, "")
                for name, item in value.items()
                if str(name) in self._new
            }
        if key == "separation_m":
            return self._by_kinds(value)
        made: dict[str, Any] = {}
        grouped = "group_test" in value
        for name, item in value.items():
            if name in _LEFT_OUT:
                continue
            if grouped and name == "members":
                made[name] = self._renamed(item)
            elif name in _fields():
                made[name] = self._put(item, name)
            elif key in _BY_LABEL:
                label = str(name).removesuffix("_us")
                if label in self._new:
                    made[f"{self._new[label]}{str(name)[len(label) :]}"] = self._put(item, "")
        return made

    def _by_kinds(self, value: Facts, *, exact: bool = False) -> dict[str, Any]:
        """Values by kinds; of several that are called alike the greatest."""
        made: dict[str, Any] = {}
        for name, item in value.items():
            kinds, found = self._text(str(name), "kind"), self._value(item, exact=exact)
            numbers = all(isinstance(one, int | float) for one in (found, made.get(kinds, found)))
            made[kinds] = max(found, made.get(kinds, found)) if numbers else found
        return made

    def _text(self, value: str, key: str) -> str:
        if key == "state":  # a digest of what lies where says more than that it changed
            value = value.partition(": digest was")[0]
            return self._new.get(value) or (value if value in _STATES else "")
        if key in _OURS:
            return value
        if key in _OF_A_FORM:
            return value if _OF_A_FORM[key].fullmatch(value) else ""
        if key in _KINDS:
            words = re.split(r"( over |/| and )", value)
            kept = [w if k % 2 or w in KNOWN_KINDS else "other" for k, w in enumerate(words)]
            return "".join(kept) if value else ""
        if key == "fibre_type":
            return value if _STANDARD_FIBRE.fullmatch(value) else "other fibre"
        if key == "with_protected_why":
            return "not on record" if value else ""
        return self._new.get(value) or (_LEFT if key in ("reason", "by") else "")

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
            **dict.fromkeys(("file", "layer", "row")),
            "column": _our_column(gap.get("column")),
        }

    def _work(self, first: Facts) -> dict[str, Any]:
        """What to record first, by new ids and without files and rows."""
        return {
            "exact": bool(first["exact"]),
            "left": self._renamed(first["left"]),
            "limits_left": self._renamed(first["limits_left"]),
            "steps": [
                {
                    **{key: step[key] for key in ("step", "count", "best") if key in step},
                    **{key: self._renamed(step[key]) for key in ("decides", "groups", "limits")},
                    "records": [
                        {
                            "code": some["code"] if some["code"] in GAP_CODES else "",
                            "action": some["action"] if some["code"] in GAP_CODES else _LEFT,
                            "column": _our_column(some["column"]),
                            "layer": None,
                            "ids": self._renamed(some["ids"]),
                        }
                        for some in step["records"]
                    ],
                }
                for step in first["steps"]
            ],
        }

    def _since(self, since: Facts) -> dict[str, Any]:
        """What has changed, by verdicts alone."""
        before = since["before"]
        rows: dict[str, list[dict[str, Any]]] = {
            what: sorted(
                (
                    {
                        "id": self._new.get(str(row["id"]), ""),
                        **{
                            key: row[key] if row[key] in _CHANGES else None
                            for key in ("before", "after", "change")
                        },
                        "why": [],
                    }
                    for row in since[what]
                ),
                key=_row_rank,
            )
            for what in ("circuits", "groups", "schemes")
        }
        return {
            "before": {
                "study": "",
                **{
                    key: self._text(str(before.get(key) or ""), key) for key in ("revision", "made")
                },
            },
            "nothing_changed": since["nothing_changed"],
            "summary": since["summary"],
            **rows,
            **{key: self._renamed(since[key]) for key in ("shared_went", "shared_came")},
            "rules": [],
            "inputs": [],
        }

    def _effects(self, effects: Facts) -> dict[str, Any]:
        """Effects with the lists of lists in the order in which the new ids first name them."""
        of = self._sorted(
            {self._new[str(k)]: list(v) for k, v in effects["of"].items() if str(k) in self._new}
        )
        lists: tuple[Callable[[Any], Any], ...] = (
            lambda one: [self._renamed(part) for part in one],
            self._renamed,
            lambda one: one if one in _ROLE_WORDS else self._text(one, "kind"),
        )
        made: dict[str, Any] = {}
        for place, (key, put) in enumerate(zip(("losses", "cables", "kinds"), lists, strict=True)):
            order: dict[int, int] = {}
            for row in of.values():
                if row[place] >= 0:
                    row[place] = order.setdefault(row[place], len(order))
            made[key] = [put(effects[key][old]) for old in order]
        return {**made, "of": of}

    def _holdings(self, holdings: Facts) -> dict[str, Any]:
        put = {
            key: self._sorted(
                {
                    self._new[str(name)]: [
                        self._new[str(one)] for one in ids if str(one) in self._new
                    ]
                    for name, ids in holdings.get(key, {}).items()
                    if str(name) in self._new
                }
            )
            for key in ("inside", "runs")
        }
        put["inside"] = {name: sorted(ids, key=_rank) for name, ids in put["inside"].items()}
        assets = [
            {
                "id": self._new[str(one["id"])],
                "role": one["role"],
                "kind": self._text(one["kind"], "kind"),
                "name": "",
            }
            for one in holdings.get("assets", [])
        ]
        return {"assets": sorted(assets, key=_row_rank), **put}

    def _worst(self, one: Facts) -> dict[str, Any]:
        return {
            "at": self._point(one["at"]),
            "radius_m": _two(float(one["radius_m"])),
            **{key: self._renamed(one[key]) for key in ("hit", "circuits_lost") if key in one},
            **{key: one[key] for key in ("circuits", "lost", "exposed") if key in one},
        }

    def _strip(self, strip: Facts) -> dict[str, Any]:
        """A drawing of paths that keeps the order of assets, every step as wide as the next."""
        moved = [_steps(strip, number) for number in range(len(strip["lanes"]))]

        def spans(number: int, found: Iterable[Sequence[float]]) -> list[list[float]]:
            return [[moved[number](low), moved[number](high)] for low, high in found]

        lanes = []
        for number, lane in enumerate(strip["lanes"]):
            at = moved[number]
            lanes.append(
                {
                    "label": self._new.get(lane["label"], ""),
                    "to_scale": False,
                    **{end: self._new.get(str(lane[end]), "") for end in ("a", "b")},
                    "length_m": at(lane["length_m"]),
                    "stretches": [
                        [at(low), at(high), self._text(kind, "kind")]
                        for low, high, kind in lane["stretches"]
                    ],
                    "marks": [
                        [
                            at(place),
                            role,
                            kind if kind in _OWN_MARKS else self._text(kind, "kind"),
                            self._new.get(str(name), ""),
                        ]
                        for place, role, kind, name in lane["marks"]
                    ],
                    "hops": [
                        {
                            "link": self._new.get(hop["link"], ""),
                            "medium": hop["medium"] if hop["medium"] in KNOWN_KINDS else "other",
                            "from_m": at(hop["from_m"]),
                            "to_m": at(hop["to_m"]),
                            "unknown": hop["unknown"],
                            "length_m": self._put(hop["length_m"], ""),
                        }
                        for hop in lane["hops"]
                    ],
                    "breaks": [at(place) for place in lane["breaks"]],
                    "zones": spans(number, lane["zones"]),
                }
            )
        return {
            "lanes": lanes,
            "bridges": [
                {
                    "findings": bridge["findings"],
                    "asset": self._new.get(bridge["asset"], ""),
                    "waived": bridge["waived"],
                    "off": bridge["off"],
                    "spots": [spans(k, found) for k, found in enumerate(bridge["spots"])],
                }
                for bridge in strip["bridges"]
            ],
            "near": [
                {
                    "on": [spans(k, [found])[0] for k, found in enumerate(near["on"])],
                    "distance_m": _two(near["distance_m"]),
                    "length_m": _two(near["length_m"]),
                    "count": near["count"],
                    "kind": self._text(near["kind"], "kind"),
                    "main": self._new.get(near["main"], ""),
                    "alternate": self._new.get(near["alternate"], ""),
                    "folded": near["folded"],
                    "lines": []
                    if self._grid_m is None
                    else [self._line(line) for line in near["lines"]],
                }
                for near in strip["near"]
            ],
            "cross": [
                {
                    "on": [moved[k](place) for k, place in enumerate(cross["on"])],
                    "forbidden": cross["forbidden"],
                }
                for cross in strip["cross"]
            ],
            "profile": None,
        }

    # --- rules -----------------------------------------------------------------------------

    def _assumptions(self) -> list[dict[str, Any]]:
        """Shipped values as they are; of those that the study states what this program knows."""
        rows = []
        for row in self._facts["assumptions"]:
            ours = row["source"] in _shipped_sources() or row["source"] == SHIFT_SOURCE
            rows.append(
                {
                    "key": self._dotted(str(row["key"])),
                    "value": self._value(row["value"], exact=ours),
                    "unit": row["unit"],
                    "source": row["source"] if ours else "the study's own rules",
                    **{key: row[key] for key in ("to_sign", "count") if key in row},
                }
            )
        return rows

    def _dotted(self, key: str) -> str:
        """A key of the rules; a part of it that the study may have named is replaced."""
        records = _RECORDS_KEY.fullmatch(key)
        if key in (SHIFT_KEY, RECOVERY_KEY):
            return key
        if records is not None:
            return f"records.{records[1]}.{self._rule_name(records[2].strip(chr(34)))}"
        parts = [part.strip('"') for part in _KEY_PART.findall(key)]
        made = [
            self._new.get(part, "other")
            if place == 1 and parts[0] == "services"
            else self._rule_name(part)
            for place, part in enumerate(parts)
        ]
        return ".".join(f'"{part}"' if "." in part else part for part in made)

    def _rule_name(self, name: str) -> str:
        if name in _rule_words() or name in KNOWN_KINDS or name in ROLES:
            return name
        return name if _STANDARD_FIBRE.fullmatch(name) else "other"

    def _value(self, value: Any, *, exact: bool = False) -> Any:
        if isinstance(value, str):
            known = value in _RULE_WORDS or value in _ROLE_WORDS
            return value if known else self._text(value, "kind")
        if isinstance(value, Mapping):
            return self._by_kinds(value, exact=exact)
        if isinstance(value, list | tuple):
            return [self._value(item, exact=exact) for item in value]
        number = isinstance(value, int | float) and not isinstance(value, bool)
        return type(value)(_two(float(value))) if number and not exact else value

    # --- places ----------------------------------------------------------------------------

    def _feature(self, feature: Facts) -> dict[str, Any]:
        told = feature["properties"]
        made: dict[str, Any] = {"name": ""}
        for key in ("id", "circuit", "path"):
            if key in told:
                made[key] = self._new.get(str(told[key]), "")
        if "role" in told:
            made["role"] = told["role"] if told["role"] in _ROLE_WORDS else ""
        if "kind" in told:
            made["kind"] = self._text(str(told["kind"] or ""), "kind")
        if "segments" in told:
            made["segments"] = [
                self._new[str(one)] for one in told["segments"] if str(one) in self._new
            ]
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
        # on the side of the antimeridian where it came from
        lon = np.asarray(lon) + 360.0 * np.round((lonlat[:, 0] - np.asarray(lon)) / 360.0)
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


def _two(value: float) -> float:
    """A figure to two significant digits."""
    return float(f"{value:.2g}")


def _rank(new: str) -> tuple[str, int]:
    """Order of new ids: by word, then by number."""
    word, _, number = new.rpartition("-")
    return (word, int(number)) if number.isdigit() else (new, 0)


def _row_rank(row: Facts) -> tuple[Any, ...]:
    names = [str(row[key]) for key in _NAMED_BY if row.get(key)]
    share = row.get("of_all")
    return (-(share if isinstance(share, float) else 0.0), *map(_rank, names[:2]))


def _steps(strip: Facts, number: int) -> Callable[[float], float]:
    """Places along one lane of a drawing, each as far from the next, up to its rounded length."""
    lane = strip["lanes"][number]
    found = [0.0, lane["length_m"], *(mark[0] for mark in lane["marks"]), *lane["breaks"]]
    found += [end for part in (*lane["stretches"], *lane["zones"]) for end in part[:2]]
    found += [hop[end] for hop in lane["hops"] for end in ("from_m", "to_m")]
    for bridge in strip["bridges"]:
        found += [end for spot in bridge["spots"][number] for end in spot]
    if number < 2:
        found += [end for near in strip["near"] for end in near["on"][number]]
        found += [cross["on"][number] for cross in strip["cross"]]
    places = np.unique(np.round(np.array(found, dtype=np.float64), 3))
    width = _two(lane["length_m"]) / max(len(places) - 1, 1)
    return lambda at: round(float(np.searchsorted(places, round(at, 3))) * width, 3)


def _our_column(label: Any) -> str | None:
    """Our name of a column; theirs, which stands in brackets, is left out."""
    name = str(label or "").partition(" (")[0]
    return name if any(name in role.column for role in ROLES.values()) else None


@cache
def _fields() -> frozenset[str]:
    """Every field of the form of the evidence."""
    found = {"outside"}
    for part in schema()["$defs"].values():
        found |= set(part.get("properties", {}))
    return frozenset(found | set(schema()["properties"]))


@cache
def _shipped_sources() -> frozenset[str]:
    return frozenset(row.source for row in shipped_rules().assumptions(weights=None))


@cache
def _rule_words() -> frozenset[str]:
    """Every word in the keys of rules that this program ships or knows."""
    found: set[str] = {"other", "default"}
    for table in rule_tables():
        found |= {table.key, *table.names}
        for key in table.keys:
            found |= set(key.name.split("."))
        for one in table.shipped:
            found |= set(one.key.split("."))
    for row in shipped_rules().assumptions(weights=None):
        found |= {part.strip('"') for part in _KEY_PART.findall(row.key)}
    return frozenset(found)


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

"""An invented estuary as facts and geometries, for the tests of the report. No study is read.

Figures are plausible and consistent with each other, but nothing computed them: the tests ask
whether the page shows what it is given.
"""

from __future__ import annotations

import itertools
import math
from typing import Any

ORIGIN = (8.02, 54.62)  # open sea, so that no place on land is meant
KM_LAT = 1 / 111.2
KM_LON = KM_LAT / math.cos(math.radians(ORIGIN[1]))

SITES = {
    "S-NOR": ("Northern converter hall", 4.0, 22.0),
    "S-DUN": ("Dune landing", 1.0, 14.0),
    "S-FEN": ("Fen Cross substation", 15.0, 24.0),
    "S-SAL": ("Saltmarsh substation", 26.0, 20.0),
    "S-WHA": ("Wharf End thermal station", 31.0, 9.0),
    "S-FER": ("Ferry Lane substation", 19.0, 4.0),
    "S-WIN": ("Wind platform", -8.0, 9.0),
    "S-SPI": ("Spit substation", 6.0, 3.0),
}
# id, kind, from, to, bends (km), number of pieces
ROUTES = [
    ("OH1", "span", "S-NOR", "S-FEN", [(8.0, 24.2)], 32),
    ("OH2", "span", "S-FEN", "S-SAL", [(20.0, 24.5)], 34),
    ("OH3", "span", "S-SAL", "S-WHA", [(29.5, 15.0)], 36),
    ("OH4", "span", "S-WHA", "S-FER", [(26.0, 5.2)], 36),
    ("OH5", "span", "S-FER", "S-SPI", [(12.0, 2.2)], 38),
    ("DU1", "duct", "S-DUN", "S-NOR", [(2.0, 17.0), (2.6, 20.1)], 24),
    ("DU2", "duct", "S-FEN", "S-SAL", [(18.0, 21.2), (22.0, 20.4)], 40),
    ("DU3", "duct", "S-SAL", "S-WHA", [(26.2, 14.0), (28.4, 9.6)], 44),
    ("DU4", "duct", "S-WHA", "S-FER", [(27.0, 7.6), (22.5, 3.4)], 40),
    ("DU5", "duct", "S-DUN", "S-SPI", [(2.2, 9.0), (3.6, 5.0)], 40),
    ("DU6", "duct", "S-FER", "S-FEN", [(17.2, 10.0), (16.2, 17.6)], 60),
    ("SU1", "subsea", "S-WIN", "S-DUN", [(-3.0, 12.6)], 6),
    ("SU2", "subsea", "S-WIN", "S-SPI", [(-1.0, 5.2)], 7),
]


def lonlat(x_km: float, y_km: float) -> list[float]:
    return [round(ORIGIN[0] + x_km * KM_LON, 7), round(ORIGIN[1] + y_km * KM_LAT, 7)]


def _feature(geometry: dict[str, Any] | None, **properties: Any) -> dict[str, Any]:
    return {"type": "Feature", "properties": properties, "geometry": geometry}


def _point(x: float, y: float) -> dict[str, Any]:
    return {"type": "Point", "coordinates": lonlat(x, y)}


def _along(corners: list[tuple[float, float]], pieces: int) -> list[tuple[float, float]]:
    """Points that cut a line with these corners into equal pieces, wavering a little."""
    steps = [math.dist(a, b) for a, b in itertools.pairwise(corners)]
    total, points = sum(steps), []
    for k in range(pieces + 1):
        left, i = total * k / pieces, 0
        while i < len(steps) - 1 and left > steps[i]:
            left -= steps[i]
            i += 1
        (ax, ay), (bx, by) = corners[i], corners[i + 1]
        share = left / steps[i]
        waver = 0.08 * math.sin(1.7 * k) if 0 < k < pieces else 0.0
        points.append((ax + share * (bx - ax) + waver, ay + share * (by - ay) - waver))
    return points


def estuary_geo() -> tuple[dict[str, Any], dict[str, list[str]]]:
    """Geometries without paths, and the segments of each route."""
    plant, points, segments = [], [], {}
    for site, (name, x, y) in SITES.items():
        points.append(_feature(_point(x, y), id=site, role="sites", kind="substation", name=name))
    for route, kind, start, end, bends, pieces in ROUTES:
        corners = [SITES[start][1:], *bends, SITES[end][1:]]
        places = _along(corners, pieces)
        segments[route] = []
        place_kind = {"span": "tower", "duct": "pit"}.get(kind)
        for k, (a, b) in enumerate(itertools.pairwise(places), start=1):
            segment = f"{route}-{k:03d}"
            segments[route].append(segment)
            line = {"type": "LineString", "coordinates": [lonlat(*a), lonlat(*b)]}
            plant.append(_feature(line, id=segment, role="segments", kind=kind, name=None))
            if place_kind and k < pieces:
                at = f"{'T' if place_kind == 'tower' else 'P'}-{route}-{k:03d}"
                points.append(
                    _feature(_point(*b), id=at, role="structures", kind=place_kind, name=None)
                )
    points.append(
        _feature(_point(31.0, 9.15), id="E-WHA-1", role="structures", kind="entry", name="Gate 3")
    )
    corners = [(12.5, 5.0), (13.0, 1.2), (20.5, 1.0), (21.5, 6.0), (17.0, 7.2), (12.5, 5.0)]
    flood = {"type": "Polygon", "coordinates": [[lonlat(*corner) for corner in corners]]}
    lane = {"type": "LineString", "coordinates": [lonlat(-6, 4), lonlat(-1, 8), lonlat(-3, 15)]}
    hazards = [
        _feature(flood, id="H-FLOOD", kind="flood", name="Lower meadow, once in 100 years"),
        _feature(lane, id="H-LANE", kind="anchoring", name="Fairway"),
    ]
    geo = {
        "plant": {"type": "FeatureCollection", "features": plant},
        "points": {"type": "FeatureCollection", "features": points},
        "hazards": {"type": "FeatureCollection", "features": hazards},
    }
    return geo, segments


def _path(names: str, km: float, relies_on: int, margin: float = 9.9) -> dict[str, Any]:
    links = names.split()
    loss = [
        {
            "link": link,
            "wavelength_nm": 1310,
            "loss_db": round(km * 0.35 / len(links) + 1.4, 2),
            "margin_db": margin,
            "ok": margin >= 3,
        }
        for link in links
    ]
    return {
        "links": links,
        "route_m": km * 1000,
        "length_m": round(km * 1017.3, 1),
        "delay_us": round(km * 1.0173 * 4.897 + 18, 1),
        "loss": loss,
        "relies_on": relies_on,
    }


def _circuit(
    number: str,
    name: str,
    main: dict[str, Any],
    alternate: dict[str, Any],
    verdict: str = "apart",
    limit_us: float = 200.0,
    **more: Any,
) -> dict[str, Any]:
    slow = max(main["delay_us"], alternate["delay_us"])
    asymmetry = round(abs(main["delay_us"] - alternate["delay_us"]), 1)
    margins = [row["ok"] for path in (main, alternate) for row in path["loss"]]
    more["shared"], more["stretches"] = _in_stretches(more.get("shared", []))
    return {
        "id": number,
        "name": name,
        "service": "line-differential",
        "verdict": verdict,
        "within_limits": asymmetry <= limit_us and all(margins),
        "paths": {"main": main, "alternate": alternate},
        "unavoidable": [f"RY-{number}-A", f"RY-{number}-B", "S-WHA"],
        "blank_within": 3,
        "near": [],
        "cross": [],
        "closest_m": 212.0,
        "delay": {
            "main_us": main["delay_us"],
            "alternate_us": alternate["delay_us"],
            "worst_us": slow,
            "limit_us": 5000,
            "ok": slow <= 5000,
            "asymmetry_us": asymmetry,
            "asymmetry_limit_us": limit_us,
            "asymmetry_ok": asymmetry <= limit_us,
        },
        "unavailability": {"main": 1.2e-4, "alternate": 3.0e-4, "both": 3.6e-8},
        "gaps": [],
        **more,
    }


def _shared(
    asset: str, role: str, kind: str, main: str, alternate: str, **more: Any
) -> dict[str, Any]:
    return {
        "asset": asset,
        "role": role,
        "kind": kind,
        "waived": False,
        "through": None,
        "main_via": main.split(),
        "alternate_via": alternate.split(),
        **more,
    }


def _in_stretches(
    shared: list[dict[str, Any]],
) -> tuple[list[dict[str, Any]], list[dict[str, Any]]]:
    """Shared assets, each with a stretch of its own, or with that of what it is shared through."""
    heads = {one["asset"]: number for number, one in enumerate(_heads(shared), start=1)}
    stretches: list[dict[str, Any]] = [
        {
            "stretch": number,
            "members": [one["asset"]],
            "holders": [held["asset"] for held in shared if held["through"] == one["asset"]],
            "waived": one["waived"],
            "via": {"main": one["main_via"], "alternate": one["alternate_via"]},
            "along": {},
            "at": None,
        }
        for number, one in enumerate(_heads(shared), start=1)
    ]
    entries = [
        {
            **{name: value for name, value in one.items() if not name.endswith("_via")},
            "stretch": heads[one["through"] or one["asset"]],
        }
        for one in shared
    ]
    return entries, stretches


def _heads(shared: list[dict[str, Any]]) -> list[dict[str, Any]]:
    return [one for one in shared if one["through"] is None]


GAP = {
    "code": "broken-continuity",
    "asset": "C-DU2",
    "message": "Cable C-DU2 ends at pit P-DU2-017 and starts again at P-DU2-018; no run lies "
    "between them. Add the missing row to cable_runs.",
    "file": "plant.gpkg",
    "layer": "cable_runs",
    "row": 418,
}


def _circuits() -> list[dict[str, Any]]:
    near = {
        "main": "OH4-012",
        "alternate": "DU4-013",
        "distance_m": 1.8,
        "length_m": 140.0,
        "at": lonlat(27.5, 6.9),
    }
    cross = {"main": "OH3-030", "alternate": "DU3-031", "at": lonlat(29.9, 12.4)}
    return [
        _circuit(
            "C-01",
            "Northern hall to Fen Cross, main 1",
            _path("L-OH1", 11.4, 83),
            _path("L-DU1 L-SU1 L-SU2 L-OH5 L-DU6", 61.9, 290),
            limit_us=250,
            group="G-1",
        ),
        _circuit(
            "C-02",
            "Fen Cross to Saltmarsh, main 1",
            _path("L-OH2", 12.1, 88),
            _path("L-DU2", 12.3, 132),
            "unproven",
            gaps=[GAP],
            group="G-2",
        ),
        _circuit(
            "C-03",
            "Saltmarsh to Wharf End, main 1",
            _path("L-OH3", 12.4, 91),
            _path("L-DU3", 13.2, 140),
            "shared",
            group="G-1",
            cross=[cross],
            closest_m=0.0,
            shared=[
                _shared(
                    "E-WHA-1",
                    "structures",
                    "entry",
                    "L-OH3 C-OH3 DU3-044",
                    "L-DU3 C-DU3 DU3-043",
                    name="Gate 3",
                ),
                _shared(
                    "BAT-WHA-1",
                    "supplies",
                    "battery",
                    "L-OH3 MUX-WHA-1",
                    "L-DU3 MUX-WHA-2",
                    name="110 V battery, hall B",
                ),
            ],
        ),
        _circuit(
            "C-04",
            "Wharf End to Ferry Lane, main 1",
            _path("L-OH4", 13.1, 94),
            _path("L-DU4", 13.9, 128),
            "shared",
            near=[near],
            closest_m=1.8,
            shared=[
                _shared(
                    "DU4-013", "segments", "duct", "L-OH4 C-OH4 DU4-013", "L-DU4 C-DU4 DU4-013"
                ),
                _shared(
                    "TR-7",
                    "holders",
                    "trench",
                    "L-OH4 C-OH4 DU4-013 TR-7",
                    "L-DU4 C-DU4 DU4-013 TR-7",
                    through="DU4-013",
                ),
                _shared(
                    "P-DU4-013", "structures", "pit", "L-OH4 C-OH4 DU4-013", "L-DU4 C-DU4 DU4-013"
                ),
            ],
        ),
        _circuit(
            "C-05",
            "Ferry Lane to Spit",
            _path("L-OH5", 13.6, 97),
            _path("L-DU6 L-OH1 L-DU1 L-DU5", 58.4, 301),
        ),
        _circuit(
            "C-06",
            "Dune landing to Northern hall",
            _path("L-DU1", 9.2, 70),
            _path("L-DU5 L-OH5 L-DU6 L-OH1", 61.0, 322),
            limit_us=300,
        ),
        _circuit(
            "C-07",
            "Wind platform to Dune landing",
            _path("L-SU1", 10.6, 34),
            _path("L-SU2 L-DU5", 26.3, 96),
            "accepted",
            shared=[
                _shared(
                    "H-LANE",
                    "hazards",
                    "anchoring",
                    "L-SU1 C-SU1 SU1-003",
                    "L-SU2 C-SU2 SU2-002",
                    name="Fairway",
                    waived=True,
                )
            ],
        ),
        _circuit(
            "C-08",
            "Wind platform to Spit",
            _path("L-SU2", 15.4, 36),
            _path("L-SU1 L-DU5", 25.1, 101, margin=1.2),
        ),
        _circuit(
            "C-09",
            "Fen Cross to Ferry Lane",
            _path("L-DU6", 21.0, 151),
            _path("L-OH2 L-OH3 L-OH4", 37.6, 260),
        ),
        _circuit(
            "C-10",
            "Saltmarsh to Wharf End, main 2",
            _path("L-DU3", 13.2, 140),
            _path("L-OH2 L-DU6 L-OH4", 46.1, 330),
            group="G-1",
        ),
        _circuit(
            "C-11",
            "Northern hall to Saltmarsh",
            _path("L-OH1 L-OH2", 23.4, 170),
            _path("L-DU1 L-DU5 L-OH5 L-OH4 L-OH3", 63.8, 380),
        ),
        _circuit(
            "C-12",
            "Wharf End to Ferry Lane, main 2",
            _path("L-DU4", 13.9, 128),
            _path("L-OH3 L-OH2 L-DU6", 45.4, 320),
            group="G-2",
        ),
    ]


def build_estuary() -> tuple[dict[str, Any], dict[str, Any]]:
    """Facts and geometries of twelve circuits round an estuary about 40 km across."""
    geo, segments = estuary_geo()
    circuits = _circuits()
    reliance: dict[str, dict[str, list[str]]] = {}
    features = []
    for circuit in circuits:
        for label, path in circuit["paths"].items():
            used = [s for link in path["links"] for s in segments[link[2:]]]
            features.append(_feature(None, circuit=circuit["id"], path=label, segments=used))
            route_places = {f"{'T' if s.startswith('OH') else 'P'}-{s}" for s in used}
            for asset in [*used, *sorted(route_places)]:
                reliance.setdefault(asset, {}).setdefault(label, []).append(circuit["id"])
        for found in circuit["shared"]:
            for label in ("main", "alternate"):
                known = reliance.setdefault(found["asset"], {}).setdefault(label, [])
                if circuit["id"] not in known:
                    known.append(circuit["id"])
    geo["paths"] = {"type": "FeatureCollection", "features": features}
    verdicts = [circuit["verdict"] for circuit in circuits]
    facts = {
        "waysapart": "0.1.0",
        "study": "Estuary ring",
        "revision": "B",
        "made": "2026-03-02T09:41:00Z",
        "inputs": [
            {"file": "plant.gpkg", "sha256": "3f1d" + "7a" * 30},
            {"file": "circuits.csv", "sha256": "b80c" + "19" * 30},
        ],
        "summary": {verdict: verdicts.count(verdict) for verdict in sorted(set(verdicts))},
        "circuits": circuits,
        "groups": [
            {
                "id": "G-1",
                "verdict": "shared",
                "group_test": "working",
                "circuits": ["C-03", "C-10"],
                "shared": [
                    _shared(
                        "E-WHA-1",
                        "structures",
                        "entry",
                        "",
                        "",
                        via={"C-03 main": ["L-OH3", "C-OH3"], "C-10 main": ["L-DU3", "C-DU3"]},
                        name="Gate 3",
                    ),
                ],
                "unavoidable": ["S-WHA"],
                "gaps": [],
            },
            {"id": "G-2", "verdict": "apart", "group_test": "all", "circuits": ["C-04", "C-12"]},
        ],
        "schemes": [{"id": "Three-end line", "verdict": "unproven", "circuits": ["C-01", "C-02"]}],
        "gaps": [GAP],
        "waivers": [
            {
                "circuit": "C-07",
                "asset": "H-LANE",
                "reason": "Both cables cross the fairway",
                "by": "Asset committee, paper 14",
                "until": "2027-06-30",
            },
            {
                "circuit": "C-04",
                "asset": "P-DU4-013",
                "reason": "Until the second pit is built",
                "by": "Head of telecoms",
                "until": "2025-12-31",
                "expired": True,
            },
        ],
        "assumptions": [
            {
                "name": "attenuation of G.652.D at 1310 nm",
                "value": 0.35,
                "unit": "dB/km",
                "source": "rules.toml",
            },
            {
                "name": "group index of G.652.D at 1310 nm",
                "value": 1.4677,
                "unit": "",
                "source": "packaged rules; data sheet",
            },
            {
                "name": "overlength of cable in duct",
                "value": 2.0,
                "unit": "%",
                "source": "common practice, no source",
            },
            {"name": "end zone", "value": 50, "unit": "m", "source": "rules.toml"},
        ],
        "effects": effects_of(reliance),
    }
    return facts, geo


def effects_of(reliance: dict[str, dict[str, list[str]]]) -> dict[str, Any]:
    """Asset -> path -> circuits as what the loss of each asset takes; every circuit has two."""
    losses: list[list[list[str]]] = []
    of: dict[str, list[int]] = {}
    for asset, paths in reliance.items():
        hits = [circuit for circuits in paths.values() for circuit in circuits]
        lost = sorted({one for one in hits if hits.count(one) > 1})
        left = sorted({one for one in hits if hits.count(one) == 1})
        row = [lost, left, []]
        if row not in losses:
            losses.append(row)
        of[asset] = [losses.index(row), -1, 0]
    return {"losses": losses, "cables": [], "kinds": ["plant"], "of": of}


def respell(value: Any, spell: Any, keep: frozenset[str] = frozenset({"verdict", "made"})) -> Any:
    """The same facts or geometries with every text of a layer put through `spell`.

    Ids are respelled alike everywhere, so that references still meet. Keys of
    plain objects are ours and stay; keys of `of` are ids.
    """
    if isinstance(value, str):
        return spell(value)
    if isinstance(value, list):
        return [respell(item, spell, keep) for item in value]
    if isinstance(value, dict):
        out = {}
        for key, item in value.items():
            if key == "of":
                out[key] = {spell(asset): places for asset, places in item.items()}
            elif key in keep or (key == "type" and isinstance(item, str)) or key == "path":
                out[key] = item
            else:
                out[key] = respell(item, spell, keep)
        return out
    return value

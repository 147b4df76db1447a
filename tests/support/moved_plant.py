"""Plants laid out by azimuth and distance from a place, which may be anywhere on Earth."""

from __future__ import annotations

from math import atan2, degrees, hypot

from pyproj import Geod

from drawn_plant import Place
from spacing_plants import Plant

GEOD = Geod(ellps="WGS84")
PLACES = {
    "estuary": (9.0, 54.0),
    "on the antimeridian": (180.0, -17.8),
    "Chathams": (-176.5, -44.0),
    "Svalbard": (16.0, 78.2),
    "equator": (37.9, 0.0),
    "far south": (-70.0, -53.2),
    "beside the pole": (100.0, 89.7),
}


def degrees_about(lon: float, lat: float, x: float, y: float) -> tuple[float, float]:
    """The place so many metres east and north of another, along the geodesic there, in degrees."""
    at = GEOD.fwd(lon, lat, degrees(atan2(x, y)), hypot(x, y))
    return at[0], at[1]


class MovedPlant(Plant):
    """A plant whose x and y give azimuth and distance from a place; it states no grid."""

    def __init__(self, lon: float, lat: float, a: Place, b: Place) -> None:
        super().__init__(a, b)
        self.to_degrees = lambda x, y: degrees_about(lon, lat, x, y)
        self.shows_grid = False


EUROPE = {
    "west coast": (-9.4, 38.7),
    "estuary": (9.0, 54.0),
    "north": (25.8, 66.5),
    "islands": (25.1, 35.3),
}
COUNTRIES = {
    "Europe": EUROPE,
    "across the antimeridian": {"mainland": (174.8, -41.3), "Chathams": (-176.5, -44.0)},
    "islands on the antimeridian": {"west": (179.2, -16.4), "on it": (180.0, -16.8)},
    "Svalbard and the mainland": {"Svalbard": (16.0, 78.2), "mainland": (18.9, 69.6)},
    "both hemispheres": {"north": (9.0, 54.0), "equator": (9.4, 0.4), "south": (18.4, -33.9)},
    "opposite places": {"north": (-5.6, 40.0), "south": (174.5, -40.2)},
}
"""Plants of several parts, far from each other."""


INSIDE = {"NEAR": "shared", "HELD": "shared", "PASSED": "shared", "TIED": "apart", "DRAWN": "apart"}
"""Verdicts where everything is a little inside its threshold."""
OUTSIDE = {
    "NEAR": "apart", "HELD": "apart", "PASSED": "apart", "TIED": "unproven", "DRAWN": "unproven"
}  # fmt: skip
"""Verdicts where everything is a little outside."""


def thresholds(lon: float, lat: float, off_m: float) -> MovedPlant:
    """A plant of 50 km about a place, everything in which is `off_m` inside its threshold.

    Site A lies 25 km west, site B 25 km east of the place. Each circuit has two ways between them:

    NEAR    two spans 5 m apart over 1 km, 20 km east of the place; 5 m are asked for
    HELD    ways through pits V and W, both 3000 m from hazard H, which reaches so far
    PASSED  ducts that run past pit T, 2 m on either side of it
    TIED    a duct that ends 2 m from pit U, from which the next one leads on
    DRAWN   a cable that is drawn 2 m beside the duct that it follows
    """
    made = MovedPlant(lon, lat, (-25_000, 0), (25_000, 0))
    made.rules = 'separation_m = { "span/span" = 5 }\nend_zone_m = 200\nforbid_cross = false\n'
    gap, snap = 5 - off_m, 2 - off_m
    made.way("N1", "A", (19_000, 0), (20_000, 0), (24_000, 0), "B", kind="span")
    made.way(
        "N2", "A", (-20_000, 2_000), (19_000, gap), (20_000, gap), (24_000, 500), "B", kind="span"
    )
    made.ways("NEAR", "N1", "N2")
    made.nodes("pit", V=(0, 13_000 - off_m), W=(0, 7_000 + off_m))
    for pit in "VW":
        made.segment(f"{pit}1", "duct", "A", pit, a="A", b=pit)
        made.segment(f"{pit}2", "duct", pit, "B", a=pit, b="B")
        made.listed(f"C{pit}", f"{pit}1 {pit}2")
    made.ways("HELD", "V", "W")
    made.rows["hazards"].append(
        {"id": "H", "kind": "slip", "takes": "pit", "reach_m": 3_000, "line": [(0, 10_000)]}
    )
    made.nodes("pit", T=(0, -8_000), U=(0, -16_000))
    for name, y in (("P1", -8_000 + snap), ("P2", -8_000 - snap)):
        made.way(name, "A", (-1_000, y), (1_000, y), "B")
    made.ways("PASSED", "P1", "P2")
    made.segment("U1", "duct", "A", (0, -16_000 + snap), a="A")
    made.segment("U2", "duct", "U", "B", a="U", b="B")
    made.listed("CU", "U1 U2")
    made.ways("TIED", "U", "N1")
    made.segment("D", "duct", "A", (-10_000, -12_000), (10_000, -12_000), "B", a="A", b="B")
    made.cable("CD", "A", (-10_000, -12_000 + snap), (10_000, -12_000 + snap), "B")
    made.ways("DRAWN", "D", "N1")
    return made


def together(parts: dict[str, tuple[float, float]], off_m: float) -> MovedPlant:
    """One plant of several like `thresholds`, each about its place; ids say which one."""
    whole = MovedPlant(0.0, 0.0, (0, 0), (0, 0))
    whole.rows.clear()
    whole.to_degrees = lambda x, y: (x, y)  # already
    for number, place in enumerate(parts.values()):
        part = thresholds(*place, off_m)
        whole.rules = part.rules
        ids = {str(row["id"]) for rows in part.rows.values() for row in rows if "id" in row}
        for role, rows in part.rows.items():
            for row in rows:
                named = {
                    key: f"{value}-{number}" if str(value) in ids else value
                    for key, value in row.items()
                    if key != "line"
                }
                if "line" in row:
                    named["line"] = [part.to_degrees(*at) for at in row["line"]]
                whole.rows[role].append(named)
    return whole


ASIDE_M = 3.0


def joined(whole: MovedPlant, last: int) -> float:
    """A circuit `FAR` from the first part of a plant to another, over two spans beside each other.

    F1 is the geodesic from site to site. F2 leaves it within the end zones and is then the geodesic
    between two places 3 m beside it; between these they part by less than half a metre more.
    Returns how long F1 is.
    """
    at = {str(row["id"]): row["line"][0] for row in whole.rows["sites"]}
    begin, end = at["A-0"], at[f"A-{last}"]
    azimuth, back, metres = GEOD.inv(*begin, *end)
    one = GEOD.fwd(*GEOD.fwd(*begin, azimuth, 150)[:2], azimuth - 90, ASIDE_M)[:2]
    two = GEOD.fwd(*GEOD.fwd(*end, back, 150)[:2], back + 90, ASIDE_M)[:2]
    for name, line in (("F1", [begin, end]), ("F2", [begin, one, two, end])):
        whole.rows["segments"].append(
            {"id": name, "kind": "span", "within": "-", "a": "A-0", "b": f"A-{last}", "line": line}
        )
        whole.rows["cables"].append(
            {"id": f"C{name}", "fibre_type": "G.652.D", "fibre_count": 24, "line": []}
        )
        whole.rows["cable_runs"].append({"cable": f"C{name}", "seq": 1, "segment": name})
        ends = {"a": "RA-0", "b": f"RA-{last}"}
        whole.rows["links"].append({"id": f"L-C{name}", **ends, "wavelength_nm": 1550})
        whole.rows["link_runs"].append({"link": f"L-C{name}", "seq": 1, "cable": f"C{name}"})
    whole.rows["circuits"].append({"id": "FAR", "a": "RA-0", "b": f"RA-{last}", "service": ""})
    for label, name in (("main", "F1"), ("alternate", "F2")):
        whole.rows["circuit_paths"].append(
            {"circuit": "FAR", "path": label, "seq": 1, "link": f"L-C{name}"}
        )
    return float(metres)

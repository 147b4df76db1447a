"""Published distances, crossings and least separations, put to `prove` as lines of a study."""

from __future__ import annotations

import math
from typing import Any

import pytest
from pyproj import Geod

from drawn_plant import Place
from published import published
from published_plants import LinePairs

Facts = dict[str, dict[str, Any]]
FOOT_M = 0.3048

BOOST = (-16.42203, -7.52882), (4.89998, -6.1556)
DISTANCES = {
    "boost-1": (BOOST, (3.32696, -6.29345), 489.92809351881567),
    "boost-2": (BOOST, (3.32696, -6.2889), 11.511229576046485),
    "boost-3": (BOOST, (3.32696, -6.28895), 6.0009073659133909),
    "boost-4": (((0, 10), (20, 10)), (18, 10.054678231628329854), 0.23669789852514209),
    "boost-5": (((0, 0), (1, 1)), (0, 1), 78442.119873761606868),
    "boost-6": (((0, 0), (1, 1)), (1, 0), 78453.98942845336569),
    "boost-7": (((2, 2), (3, 2)), (3.5, 3), 123770.82713049851),
    "boost-8": (((2, 2), (3, 2)), (2, 3), 110576.41139532231),
    "boost-9": (((2, 2), (2, 4)), (2.5, 3), 55583.973320908837),
    "boost-10": (((1, -1), (1, 0)), (2, 0), 111319.4907932264),
    "baselga": (((5, 52), (6, 51.4)), (5.5, 52), 23767.7241838),
    "far-1": (((10, 15), (30, 15)), (15, 80), 7204174.8264546748),
    "far-2": (((10, 15), (30, 15)), (15, 10), 571412.71247283253),
    "postgis": (((-72.1260, 42.45), (-72.123, 42.1546)), (-72.1235, 42.3521), 123.802076746848),
}
"""Line, point and metres on WGS 84, as published."""

CROSSINGS: dict[str, tuple[Any, Any, Place | None]] = {
    "cross-1": (((10, -1), (20, 1)), ((12.5, -1), (12.5, 1)), (12.5, -0.5005177749487734)),
    "cross-2": (((10, -1), (20, 1)), ((17.5, -1), (17.5, 1)), (17.5, 0.5005177748229335)),
    "cross-3": (((-1, 50), (1, 50)), ((0, 50), (2, 50)), (0.5, 50.00323192256208)),
    "cross-4": (((-1, -2), (-1, 2)), ((-2, -2), (2, 2)), (-1, -1.000459099991114)),
    "cross-5": (((-1, 50), (1, 50)), ((-2, 50), (2, 50)), None),
}
"""Lines, and where they cross."""


GEOD = Geod(ellps="WGS84")


def away(line: tuple[Place, Place], at: Place) -> tuple[Place, Place]:
    """A line that starts at a point and leads a little away from another line."""
    along = [*line, *GEOD.npts(*line[0], *line[1], 10_000)]
    x, y = at
    beside = min(along, key=lambda place: math.hypot(place[0] - x, place[1] - y))
    return at, (x + 1e-3 * (x - beside[0]), y + 1e-3 * (y - beside[1]))


@pytest.fixture(scope="module")
def world(tmp_path_factory: pytest.TempPathFactory) -> Facts:
    """Every line with its point, and every two lines, as a circuit of one study."""
    plant = LinePairs(
        "[services.default]\nseparation_m = 200\nend_zone_m = 0\nforbid_cross = true\n",
        degrees=True,
    )
    for name, (line, at, _metres) in DISTANCES.items():
        plant.pair(name, line, away(line, at))
    for name, (one, other, _at) in CROSSINGS.items():
        plant.pair(name, one, other)
    return plant.facts(tmp_path_factory.mktemp("world"))


@published(
    "boost-cross-track",
    "column of reference",
    "distances of points to lines of up to 2300 km on WGS 84, 0.24 m to 124 km",
    of="separation",
)
@pytest.mark.parametrize("name", [name for name in DISTANCES if name.startswith("boost")])
def test_closest_approach_to_a_line(world: Facts, name: str) -> None:
    """To the millimetre up to 10 km, within 2e-7 beyond; nearer than 200 m it is a finding."""
    metres = DISTANCES[name][2]
    found = world[name]
    assert found["closest_m"] == pytest.approx(metres, abs=max(0.0006, 2e-7 * metres))
    near = [row["distance_m"] for row in found["near"]]
    assert near == ([found["closest_m"]] if metres < 200 else [])


@published(
    "baselga-2018",
    "worked example of point to line",
    "(5.5, 52) lies 23767.7241838 m from the line (5, 52) to (6, 51.4)",
    of="separation",
)
def test_closest_approach_of_the_worked_example(world: Facts) -> None:
    assert world["baselga"]["closest_m"] == pytest.approx(23767.7241838, abs=0.005)


@published(
    "boost-point-to-segment",
    "cases p-s-07 and p-s-08 on WGS 84",
    "(15, 80) and (15, 10) lie 7204174.83 m and 571412.71 m from the line (10, 15) to (30, 15)",
    of="separation",
)
def test_closest_approach_over_thousands_of_kilometres(world: Facts) -> None:
    """Within 0.002 %.

    Least of GeographicLib's distances to points of the line: 7204174.49 m and 571412.78 m. So
    both published figures are good to 2e-7, and the program's, which takes the chord for the arc
    of a sphere, is 140 m short over 7204 km. 0.1 % is what it promises, over 300 km.
    """
    for name, metres in (("far-1", 7204174.8264546748), ("far-2", 571412.71247283253)):
        assert world[name]["closest_m"] == pytest.approx(metres, rel=2e-5)


@published(
    "postgis-manual",
    "ST_Distance, geography examples",
    "a point lies 123.802076746848 m from a line of 33 km on the spheroid",
    of="separation",
)
def test_closest_approach_beside_a_road_map(world: Facts) -> None:
    """0.5 mm less: the nearest point was sought on a sphere there, so the figure is not the least.

    Least of GeographicLib's distances to points of the line: 123.801604 m.
    """
    found = world["postgis"]["closest_m"]
    assert found == pytest.approx(123.801604, abs=0.0006)
    assert found == pytest.approx(123.802076746848, abs=0.001)
    assert [row["distance_m"] for row in world["postgis"]["near"]] == [found]


@published(
    "boost-segment-intersection",
    "rows geodesic_vincenty",
    "where four pairs of lines cross on WGS 84; a fifth, with its ends on one parallel, does not",
    of="separation",
)
@pytest.mark.parametrize("name", CROSSINGS)
def test_where_two_paths_cross(world: Facts, name: str) -> None:
    """To the last of the seven digits that evidence has; a crossing that is forbidden is shared."""
    at = CROSSINGS[name][2]
    found = world[name]
    assert [row["at"] for row in found["cross"]] == (
        [] if at is None else [pytest.approx(list(at), abs=0.6e-7)]
    )
    assert (found["verdict"] == "shared") is (at is not None)


BESIDE = {
    "pits-near": ("entries", 3.9),
    "pits-apart": ("entries", 4.1),
    "trays-near": ("fire", 19.9 * FOOT_M),
    "trays-apart": ("fire", 20.1 * FOOT_M),
}


@pytest.fixture(scope="module")
def street(tmp_path_factory: pytest.TempPathFactory) -> Facts:
    """Pairs of lines beside each other, so many metres apart, and two that cross in a street."""
    plant = LinePairs(
        "[services.entries]\nseparation_m = 4\nend_zone_m = 0\nforbid_cross = false\n"
        f"[services.fire]\nseparation_m = {20 * FOOT_M}\nend_zone_m = 0\nforbid_cross = false\n"
        "[services.depths]\nseparation_m = 0\nend_zone_m = 0\nforbid_cross = true\n",
        degrees=False,
    )
    for number, (name, (service, apart_m)) in enumerate(BESIDE.items()):
        north = 500.0 * number
        kind = "tray" if service == "fire" else "duct"
        plant.pair(
            name,
            [(0, north), (60, north)],
            [(0, north + apart_m), (60, north + apart_m)],
            kind,
            service,
        )
    plant.pair("routes", [(0, -500), (400, -900)], [(0, -900), (400, -500)], service="depths")
    return plant.facts(tmp_path_factory.mktemp("street"))


def kept(facts: dict[str, Any]) -> bool:
    """Whether the paths of a circuit keep the least separation of its service."""
    return not facts["near"]


@published(
    "bane-nor-01317",
    "redundant entries",
    "redundant cable entries come through two pits at least 4 m apart",
    of="separation",
)
def test_two_pits_four_metres_apart(street: Facts) -> None:
    """Ducts from the two pits into the building, 3.9 m and 4.1 m apart."""
    assert (kept(street["pits-near"]), street["pits-near"]["verdict"]) == (False, "shared")
    assert street["pits-near"]["closest_m"] == pytest.approx(3.9, abs=0.002)
    assert kept(street["pits-apart"])


@published(
    "nureg-cr-3192",
    "10 CFR 50 Appendix R, III.G.2.b, as quoted",
    "redundant circuits are separated by more than 20 feet, that is 6.096 m",
    of="separation",
)
def test_twenty_feet_between_trays(street: Facts) -> None:
    """Trays 19.9 and 20.1 feet apart."""
    assert (kept(street["trays-near"]), street["trays-near"]["verdict"]) == (False, "shared")
    assert kept(street["trays-apart"])


@published(
    "rfc-4054",
    "section 6.1, fiber route crossing",
    "routes may cross where there is not even a manhole, buried at different depths",
    of="separation",
)
def test_routes_that_cross_without_a_manhole(street: Facts) -> None:
    """Nothing is shared; the crossing is told with its place, and stands against the circuit."""
    found = street["routes"]
    assert found["shared"] == []
    (crossing,) = found["cross"]
    assert (crossing["main"], crossing["alternate"]) == ("routes-main", "routes-alternate")
    assert found["verdict"] == "shared"

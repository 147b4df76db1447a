"""Published lengths: geodesics and hanging cables, each as a path of a study that is proved."""

from __future__ import annotations

import math
from typing import Any

import pytest
from pyproj import get_ellps_map

from budget_plant import Proved
from published import published

FOOT_M = 0.3048
LINES: dict[str, dict[str, Any]] = {
    # Both ends in degrees, longitude first.
    "GeodSolve0": {"line": ((-73.8, 40.6), (2.55, 49.01666667))},
    "GeodSolve4": {"line": ((0, 36.493349428792), (0.0000008, 36.49334942879201))},
    "GeodSolve29": {"line": ((179, 0), (-179, 0))},
    "GeodSolve74": {"line": ((15.3872, 54.1589), (15.3877, 54.1591))},
    "GeodSolve92": {"line": ((-122.47018, 37.757540000000006), (-122.470177, 37.75754))},
    "GeodSolve76": {"line": ((174 + 49 / 60, -(41 + 19 / 60)), (-(5 + 30 / 60), 40 + 58 / 60))},
    "GeodSolve78": {"line": ((0.0, 27.2), (179.5, -27.1))},
    "GeodSolve9": {"line": ((0, 56.320923501171), (179.664747671772880215, -56.320923501171))},
    "GeodSolve59": {"line": ((0.00000000000001, 5), (180, 10))},
    "equator": {"line": ((8, 0), (9, 0))},
    "table-0": {"line": ((-139.44815, 35.60777), (-69.95921, -11.17491))},
    "table-1": {"line": ((106.05087, 55.52454), (197.18234 - 360, 77.03196))},
    "table-2": {"line": ((-174.47484, -19.79938), (-154.35109, -11.99349))},
    "table-3": {"line": ((122.32875, -41.22777), (130.37946, -7.57291))},
    "singh": {"km": 0.160, "sag_m": 6.4},
    "gonen": {"km": 0.500 * FOOT_M, "sag_m": 19.57 * FOOT_M},
}


@pytest.fixture(scope="module")
def proved(tmp_path_factory: pytest.TempPathFactory) -> Proved:
    return Proved(tmp_path_factory.mktemp("lengths") / "study", LINES)


def route_m(proved: Proved, name: str) -> float:
    found: float = proved.circuit(name)["paths"]["main"]["route_m"]
    return found


def length_m(proved: Proved, name: str) -> float:
    found: float = proved.circuit(name)["paths"]["main"]["length_m"]
    return found


@published(
    "geographiclib",
    "table of test cases",
    "the lengths of geodesics on WGS 84 between given places, to 1e-8 m",
    of="geometry",
)
@pytest.mark.parametrize(
    ("name", "metres"),
    [
        ("table-0", 8935244.5604818305),
        ("table-1", 4105086.1713924406),
        ("table-2", 2319004.8601169389),
        ("table-3", 3812686.035106021),
    ],
)
def test_long_lines(proved: Proved, name: str, metres: float) -> None:
    """The evidence states millimetres."""
    assert route_m(proved, name) == pytest.approx(metres, abs=5.1e-4)


@published(
    "geographiclib",
    "GeodSolve0",
    "(40.6, -73.8) to (49.01666667, 2.55): 5853226 m",
    of="geometry",
)
def test_a_line_over_an_ocean(proved: Proved) -> None:
    assert route_m(proved, "GeodSolve0") == pytest.approx(5853226, abs=0.5)


@published(
    "geographiclib",
    "GeodSolve4, GeodSolve92",
    "short lines in which digits are lost: 0.072 m and 0.264 m",
    of="geometry",
)
@pytest.mark.parametrize(("name", "metres"), [("GeodSolve4", 0.072), ("GeodSolve92", 0.264)])
def test_lines_of_centimetres(proved: Proved, name: str, metres: float) -> None:
    assert route_m(proved, name) == pytest.approx(metres, abs=5.1e-4)


@published(
    "geographiclib",
    "GeodSolve74",
    "(54.1589, 15.3872) to (54.1591, 15.3877): 39.527686385 m",
    of="geometry",
)
def test_a_line_as_long_as_a_duct(proved: Proved) -> None:
    assert route_m(proved, "GeodSolve74") == pytest.approx(39.527686385, abs=5.1e-4)


@published(
    "geographiclib",
    "GeodSolve29",
    "two degrees of the equator over the antimeridian: 222639 m",
    of="geometry",
)
def test_a_line_over_the_antimeridian(proved: Proved) -> None:
    assert route_m(proved, "GeodSolve29") == pytest.approx(222639, abs=0.5)


@published(
    "geographiclib",
    "GeodSolve76",
    "Wellington to Salamanca, where a well-known method fails: 19960543.857179 m",
    of="geometry",
)
@published(
    "geographiclib",
    "GeodSolve78",
    "(27.2, 0) to (-27.1, 179.5), where another fails: 19974354.765767 m",
    of="geometry",
)
@published(
    "geographiclib",
    "GeodSolve9",
    "(56.320923501171, 0) to its near antipode: 19993558.287 m",
    of="geometry",
)
@published(
    "geographiclib",
    "GeodSolve59",
    "(5, 0) to (10, 180), over the pole: 18345191.174332713 m",
    of="geometry",
)
@pytest.mark.parametrize(
    ("name", "metres"),
    [
        ("GeodSolve76", 19960543.857179),
        ("GeodSolve78", 19974354.765767),
        ("GeodSolve9", 19993558.287),
        ("GeodSolve59", 18345191.174332713),
    ],
)
def test_lines_round_half_the_world(proved: Proved, name: str, metres: float) -> None:
    assert route_m(proved, name) == pytest.approx(metres, abs=1.1e-3)


@published(
    "epsg",
    "ellipsoid 7030, WGS 84",
    "6378137 m and 1 / 298.257223563: a degree of the equator is 111319.491 m",
    of="geometry",
)
def test_a_degree_of_the_equator(proved: Proved) -> None:
    assert get_ellps_map()["WGS84"]["a"] == 6378137.0
    assert route_m(proved, "equator") == pytest.approx(math.radians(1) * 6378137, abs=5.1e-4)


@published(
    "singh",
    "example 13.1",
    "a span of 160 m with 6.4 m of sag holds 160.68 m of conductor",
    of="geometry",
)
def test_span_of_singh(proved: Proved) -> None:
    """Sag: 4 N/m x 160^2 / (8 x 2000 N)."""
    assert pytest.approx(LINES["singh"]["sag_m"]) == 4 * 160**2 / (8 * 2000)
    assert round(length_m(proved, "singh"), 2) == 160.68


@published(
    "gonen",
    "example 13.1",
    "500 ft with a catenary constant of 1600 ft sag 19.6 ft and hold 502.037 ft",
    of="geometry",
)
def test_span_of_gonen(proved: Proved) -> None:
    """The sag to the hundredth of a foot, which the book rounds to a tenth, is 19.57 ft."""
    assert round(length_m(proved, "gonen") / FOOT_M, 2) == 502.04

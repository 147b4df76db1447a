"""How long is the fibre?"""

import itertools

import geographiclib.geodesic
import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import integrate, optimize

from published import published
from waysapart.errors import CallError
from waysapart.formulas.length import (
    catenary_length_m,
    drum_length_needed_m,
    fibre_length_m,
    geodesic_length_m,
    helix_factor,
)


def parabola_length_m(span_m: float, sag_m: float) -> float:
    """What hand calculations use: L + 8 d^2 / 3L (S. N. Singh, the book cited below, ch. 13)."""
    return span_m + 8 * sag_m**2 / (3 * span_m)


spans = st.floats(1, 2000)
sag_shares = st.floats(0, 3)
rise_shares = st.floats(-2, 2)


@published(
    "singh",
    "example 13.1",
    "a span of 160 m with 6.4 m of sag holds 160.68 m of conductor",
    of="geometry",
)
def test_textbook_span_of_160_m():
    """Span 160 m, 4 N/m, 2000 N: sag 6.4 m, conductor 160.68 m.

    S. N. Singh, Electric Power Generation, Transmission and Distribution,
    2nd ed. (2012), Example 13.1.
    """
    sag_m = 4 * 160**2 / (8 * 2000)
    assert sag_m == pytest.approx(6.4)
    assert round(parabola_length_m(160, sag_m), 2) == 160.68
    assert round(float(catenary_length_m(160, sag_m)), 2) == 160.68


@published(
    "untitled-review-problem",
    "hyperbolic functions",
    "a cable of 800 m that sags 80 m: greatest tension 416 kg at 0.4 kg/m",
    of="geometry",
)
def test_cable_800_m_long_with_80_m_of_sag():
    """Cable 800 m, sag 80 m, 0.4 kg/m: greatest tension 416 kg.

    A university's review problem of mathematics, title not on record. By hand:
    c = (400^2 - 80^2) / 160 = 960 m, span 1920 ln 1.5 m, tension 0.4 (960 + 80) kg.
    """
    span_m = 1920 * np.log(1.5)
    assert catenary_length_m(span_m, 80) == pytest.approx(800, abs=1e-9)
    constant_m = (400**2 - 80**2) / (2 * 80)
    assert 0.4 * (constant_m + 80) == pytest.approx(416, abs=1e-9)
    assert span_m == pytest.approx(2 * constant_m * np.arcsinh(400 / constant_m), abs=1e-9)


@published("untitled-catenary", "500 m span", "1 kg/m and 10 000 kg: sag 3.125 m", of="geometry")
def test_span_of_500_m_from_its_tension():
    """1 kg/m, 10 000 kg, 500 m: sag 3.125 m (an article on the catenary, title not on record).

    The exact catenary with c = 10 000 m sags 3.12516 m.
    """
    sag_m = 10_000 * (np.cosh(500 / 20_000) - 1)
    assert sag_m == pytest.approx(3.125, abs=2e-4)
    assert catenary_length_m(500, sag_m) == pytest.approx(20_000 * np.sinh(0.025), rel=1e-13)


@settings(derandomize=True, deadline=None, max_examples=60)
@given(spans, st.floats(0, 0.08))
def test_parabola_exceeds_the_catenary_by_its_known_error(span_m, share):
    """Series of both at one sag: (224/45) (d/L)^4 L, the next term being of sixth order."""
    sag_m = share * span_m
    excess_m = parabola_length_m(span_m, sag_m) - catenary_length_m(span_m, sag_m)
    known_m = 224 / 45 * share**4 * span_m
    assert excess_m == pytest.approx(known_m, abs=40 * share**6 * span_m + 1e-11)


@settings(derandomize=True, deadline=None, max_examples=40)
@given(spans, st.floats(1e-3, 1), st.floats(-1, 1))
def test_uneven_supports_against_a_solver_and_an_integral(span_m, sag_share, rise_share):
    """scipy finds the curve through both supports with that sag; quad measures its length."""
    sag_m, rise_m = sag_share * span_m, rise_share * span_m

    def offset(log_c):
        c = np.exp(log_c)
        return c * np.arcsinh(rise_m / (2 * c * np.sinh(span_m / (2 * c))))

    def sag_error(log_c):
        c, middle = np.exp(log_c), offset(log_c)
        ends = [c * np.cosh((middle + side * span_m / 2) / c) for side in (-1, 1)]
        return sum(ends) / 2 - c * np.cosh(middle / c) - sag_m

    log_c = optimize.brentq(
        sag_error, np.log(span_m / 40), np.log(span_m * 1e4), xtol=1e-14, rtol=1e-14
    )
    c, middle = np.exp(log_c), offset(log_c)
    length_m, _ = integrate.quad(
        lambda x: np.cosh(x / c), middle - span_m / 2, middle + span_m / 2, epsabs=0, epsrel=1e-12
    )
    assert catenary_length_m(span_m, sag_m, rise_m) == pytest.approx(length_m, rel=1e-8)


@settings(derandomize=True, deadline=None, max_examples=80)
@given(spans, sag_shares, rise_shares, st.floats(1.0, 2.0))
def test_more_sag_is_never_shorter_and_which_end_is_higher_does_not_matter(
    span_m, sag_share, rise_share, more
):
    sag_m, rise_m = sag_share * span_m, rise_share * span_m
    length_m = catenary_length_m(span_m, sag_m, rise_m)
    assert length_m >= np.hypot(span_m, rise_m) * (1 - 1e-15)
    assert catenary_length_m(span_m, sag_m * more, rise_m) >= length_m * (1 - 1e-12)
    assert catenary_length_m(span_m, sag_m, -rise_m) == length_m


def test_a_tight_cable_is_the_straight_line_between_its_supports():
    np.testing.assert_allclose(catenary_length_m([300, 300], 0, [0, 40]), [300, np.hypot(300, 40)])


def test_a_blank_stays_blank():
    found = catenary_length_m([300, np.nan, 300], [np.nan, 5, 6])
    assert np.isnan(found[:2]).all()
    assert found[2] > 300
    assert np.isnan(helix_factor(np.nan, 0.02))


def test_what_no_cable_can_be():
    with pytest.raises(CallError, match="span"):
        catenary_length_m(0, 1)
    with pytest.raises(CallError, match="sag"):
        catenary_length_m(100, -1)
    with pytest.raises(CallError, match="pitch"):
        helix_factor(0, 0.01)


def test_helix():
    """Unrolled turns: pi D = 3 and p = 4 give 5/4. A 20 mm circle at 1 m a turn adds 0.197 %."""
    assert helix_factor(4, 3 / np.pi) == pytest.approx(1.25)
    assert helix_factor(1.0, 0.020) == pytest.approx(np.sqrt(1 + (0.02 * np.pi) ** 2), rel=1e-15)
    assert helix_factor(1.0, 0.0) == 1


def test_fibre_length_by_hand():
    """(1000 + 2.5) x 1.002 x 1.007 + 40 = 1002.5 x 1.009014 + 40 = 1051.536535 m."""
    assert fibre_length_m(1000, 2.5, 1.002, 0.7, 40) == pytest.approx(1051.536535, abs=1e-9)


def test_will_the_drum_reach():
    """2000 m of route, 5 m of sag, two 18 m down-leads, 30 m of coils, 12 m of tails: 2083 m.

    A drum of 2100 m leaves 17 m; one of 2050 m is 33 m short.
    """
    needed_m = drum_length_needed_m(2000, 5, 1.0, 36, 30, 12)
    np.testing.assert_allclose(np.array([2100, 2050]) - needed_m, [17, -33])


PUBLISHED_GEODESICS = [
    # GeographicLib, test_geodesic.py: lat1, lon1, lat2, lon2, metres, tolerance
    (40.6, -73.8, 49.01666667, 2.55, 5853226, 0.5),
    (35.60777, -139.44815, -11.17491, -69.95921, 8935244.5604818305, 1e-6),
    (55.52454, 106.05087, 77.03196, 197.18234, 4105086.1713924406, 1e-6),
    (-19.79938, -174.47484, -11.99349, -154.35109, 2319004.8601169389, 1e-6),
    (-41.22777, 122.32875, -7.57291, 130.37946, 3812686.035106021, 1e-6),
    (36.493349428792, 0, 36.49334942879201, 0.0000008, 0.072, 0.0005),
]


@published(
    "geographiclib",
    "table of test cases",
    "the lengths of geodesics on WGS 84 between given places, to 1e-8 m",
    of="geometry",
)
@published(
    "geographiclib", "GeodSolve0", "(40.6, -73.8) to (49.01666667, 2.55): 5853226 m", of="geometry"
)
@pytest.mark.parametrize(
    ("lat1", "lon1", "lat2", "lon2", "length_m", "tolerance_m"), PUBLISHED_GEODESICS
)
def test_published_geodesics(lat1, lon1, lat2, lon2, length_m, tolerance_m):
    line = shapely.LineString([(lon1, lat1), (lon2, lat2)])
    assert geodesic_length_m([line])[0] == pytest.approx(length_m, abs=tolerance_m)
    assert geodesic_length_m([line.reverse()])[0] == pytest.approx(length_m, abs=tolerance_m)


def test_lines_of_many_vertices_against_geographiclib():
    """Sums of single geodesics by the other library; a missing line is NaN, parts are added."""
    rng = np.random.default_rng(7)
    lines = [
        shapely.LineString(np.column_stack([rng.uniform(8, 12, n), rng.uniform(52, 55, n)]))
        for n in (2, 3, 40)
    ]
    both = shapely.MultiLineString(lines[:2])
    found = geodesic_length_m([*lines, None, both])
    wgs84 = geographiclib.geodesic.Geodesic.WGS84
    for line, length_m in zip(lines, found, strict=False):
        points = list(line.coords)
        expected = sum(
            wgs84.Inverse(a[1], a[0], b[1], b[0])["s12"] for a, b in itertools.pairwise(points)
        )
        assert length_m == pytest.approx(expected, abs=1e-6)
    assert np.isnan(found[3])
    assert found[4] == pytest.approx(found[0] + found[1], abs=1e-6)
    assert geodesic_length_m([]).shape == (0,)

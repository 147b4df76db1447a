"""How long a signal takes, and how much its two directions may differ."""

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from published import published
from waysapart.errors import CallError
from waysapart.formulas.delay import (
    asymmetry_us,
    differential_current,
    fibre_delay_us,
    phase_error_deg,
    recovery_ms,
    ring_way_us,
    ring_worst_us,
)


@published(
    "untitled-telecom-article",
    "delay of fibre",
    "4.895 us/km at 1310 nm, 4.897 us/km at 1550 nm",
    of="delay",
)
@pytest.mark.parametrize(("index", "us_per_km"), [(1.4676, 4.895), (1.4682, 4.897)])
def test_published_delay_of_a_kilometre(index, us_per_km):
    """4.895 us/km at 1310 nm and 4.897 us/km at 1550 nm: an article, title not on record."""
    assert round(float(fibre_delay_us(1000, index)), 3) == us_per_km


@published(
    "untitled-telecom-article",
    "speed in fibre",
    "204 190 km/s; 1000 km and back take about 10 ms",
    of="delay",
)
def test_speed_in_fibre():
    """204 190 km/s for n = 1.4682; 1000 km and back take about 10 ms (the same article)."""
    assert 1e6 / fibre_delay_us(1000, 1.4682) == pytest.approx(204_190, abs=5)
    assert 2 * fibre_delay_us(1_000_000, 1.4682) / 1000 == pytest.approx(10, abs=0.25)


def test_asymmetry_of_the_two_kinds_of_switching():
    """Main 60 and 62 us, alternate 310 and 309: together 2, each alone 310 - 62 or 309 - 60."""
    go, back = [60, 310, 60, 310], [62, 309, 62, 309]
    found = asymmetry_us([0, 0, 1, 1], go, back, [True, False])
    np.testing.assert_allclose(found, [2, 249])


def test_asymmetry_of_what_is_unknown():
    found = asymmetry_us([0, 0, 1], [1, np.nan, 5], [1, 2, 5], [False, True, False])
    np.testing.assert_array_equal(found, [np.nan, 0, np.nan])


delays = st.lists(st.tuples(st.floats(0, 1e4), st.floats(0, 1e4)), min_size=1, max_size=5)


@settings(derandomize=True, deadline=None)
@given(delays)
def test_asymmetry_against_every_pair_of_paths(ways):
    go, back = map(list, zip(*ways, strict=True))
    each, together = (
        asymmetry_us(np.zeros(len(ways), int), go, back, [flag])[0] for flag in (False, True)
    )
    assert each == max(abs(a - b) for a in go for b in back)
    assert together == max(abs(a - b) for a, b in ways)
    swapped = asymmetry_us(np.zeros(len(ways), int), back, go, [False])[0]
    assert swapped == each
    assert together <= each


ASYMMETRY_TABLE = [
    # Hz, ms, degrees, per cent of through current: by hand from 360 f dt/2 and 2 sin(theta/2)
    (50, 0.1, 0.9, 1.57),
    (50, 0.5, 4.5, 7.85),
    (50, 1, 9.0, 15.69),
    (50, 2, 18.0, 31.29),
    (50, 5, 45.0, 76.54),
    (60, 0.1, 1.08, 1.88),
    (60, 0.5, 5.4, 9.42),
    (60, 1, 10.8, 18.82),
    (60, 2, 21.6, 37.48),
    (60, 5, 54.0, 90.80),
]


@published(
    "ieee-c37-243",
    "error of phase",
    "360 f dt / 2 degrees; apparent differential current 2 sin(theta / 2)",
    of="delay",
)
@pytest.mark.parametrize(("hertz", "ms", "degrees", "per_cent"), ASYMMETRY_TABLE)
def test_phase_error_and_apparent_current(hertz, ms, degrees, per_cent):
    """Half of the asymmetry counts (ABB, 1MRK 505 382-UEN, figure 56).

    Two phasors drawn that far apart must differ by the current stated.
    """
    error = phase_error_deg(ms * 1000, hertz)
    assert error == pytest.approx(degrees)
    assert 100 * differential_current(error) == pytest.approx(per_cent, abs=0.005)
    phasors = np.exp(1j * np.radians([0, float(error)]))
    assert differential_current(error) == pytest.approx(abs(phasors[1] - phasors[0]))


def test_current_cannot_exceed_twice_the_through_current():
    assert differential_current(180) == pytest.approx(2)
    assert differential_current(540) == pytest.approx(2)


def test_ring_by_hand():
    """Ring A-B-C-D, links AB 1, BC 2, CD 4, DA 8; every node 0.5.

    A to C forward 1 + 2 + 3 nodes 1.5 = 4.5; back by D 4 + 8 + 1.5 = 13.5.
    Ends that switch: 13.5. A ring that turns back at both sides of the failure:
    BC fails, A-B-A-D-C = 1 + 1 + 8 + 4 + 5 nodes 2.5 = 16.5; AB fails,
    A-D-C-B-C = 8 + 4 + 2 + 2 + 2.5 = 18.5.
    """
    links, nodes = [1, 2, 4, 8], [0.5] * 4
    np.testing.assert_allclose(ring_way_us(links, nodes, [0, 2], [2, 0]), [4.5, 13.5])
    assert ring_worst_us(links, nodes, 0, 2) == pytest.approx(13.5)
    assert ring_worst_us(links, nodes, 0, 2, loops_back=True) == pytest.approx(18.5)


def walk_us(links, nodes, visited):
    """Delay along nodes of a ring, each step one link either way round."""
    n = len(links)
    total = nodes[visited[0]]
    for here, there in pairwise(visited):
        total += links[here if there == (here + 1) % n else there] + nodes[there]
    return total


rings = st.integers(3, 9).flatmap(
    lambda n: st.tuples(
        st.lists(st.floats(0, 500), min_size=n, max_size=n),
        st.lists(st.floats(0, 50), min_size=n, max_size=n),
        st.integers(0, n - 1),
        st.integers(1, n - 1),
    )
)


@settings(derandomize=True, deadline=None)
@given(rings)
def test_ring_against_walking_round_it(ring):
    """Every failed link and node is walked by hand, for both kinds of ring."""
    links, nodes, start, steps = ring
    n = len(links)
    end = (start + steps) % n
    forward = [(start + i) % n for i in range(steps + 1)]
    backward = [(start - i) % n for i in range(n - steps + 1)]
    switched = max(walk_us(links, nodes, forward), walk_us(links, nodes, backward))
    turned = [walk_us(links, nodes, forward)]
    for place in range(steps):  # the link behind this node of the working way fails
        for gap in (1, 2):  # the link only, or the node beyond it with both its links
            if place + gap > steps:
                continue
            near, far = forward[place], forward[place + gap]
            round_us = [(near - i) % n for i in range((near - far) % n + 1)]
            turned.append(
                walk_us(links, nodes, forward[:place] + round_us + forward[place + gap + 1 :])
            )
    assert ring_worst_us(links, nodes, start, end)[0] == pytest.approx(switched)
    assert ring_worst_us(links, nodes, start, end, loops_back=True)[0] == pytest.approx(max(turned))


def test_a_circuit_between_a_node_and_itself():
    with pytest.raises(CallError, match="different nodes"):
        ring_way_us([1, 1, 1], [0, 0, 0], 1, 1)
    with pytest.raises(CallError, match="0 to 2"):
        ring_way_us([1, 1, 1], [0, 0, 0], 1, 3)


def test_recovery():
    """50 ms of switching and up to 10 ms of detection: a manual of a test set, after G.841."""
    assert recovery_ms(10, 0, 50) == 60


@settings(derandomize=True, deadline=None)
@given(st.floats(0, 1e6), st.floats(0, 1e5), st.floats(1, 2))
def test_more_length_is_never_quicker(length_m, more_m, index):
    assert fibre_delay_us(length_m + more_m, index) >= fibre_delay_us(length_m, index)

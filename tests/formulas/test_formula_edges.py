"""What altering the formulas' own code showed that no other test of them noticed.

Expected values are worked out in the test itself: by enumeration of states, by the definition in
words, or by hand. Oracles, not published values.
"""

from itertools import pairwise, product

import numpy as np
import pytest
import shapely
from geographiclib.geodesic import Geodesic

from waysapart.errors import CallError
from waysapart.formulas import availability, delay, fibre, length, loss, measured

RNG_SEEDS = range(5)


# Availability: machines with several feeds, components of many outcomes.


def powered(feeds, machines, failed):
    """Machines that have power, found the other way round: from nothing upwards."""
    up = set()
    while True:
        more = {
            feed.machine
            for feed in feeds
            if not feed.things & failed
            and all(one in up for one in range(machines) if feed.machines >> one & 1)
        }
        if more <= up:
            return up
        up |= more


@pytest.mark.parametrize("seed", RNG_SEEDS)
def test_fed_machines_against_every_state(seed: int) -> None:
    """Machines that feed each other in a chain, so that least and greatest sets agree."""
    rng = np.random.default_rng(seed)
    things, machines = 4, 3
    u = rng.uniform(0.05, 0.4, things)
    feeds = [
        availability.Feed(
            machine,
            int(rng.integers(1, 2**things)),
            int(rng.integers(0, 2**machine)),
        )
        for machine in range(machines)
        for _ in range(2)
    ]
    thing_takes = [int(one) for one in rng.integers(0, 4, things)]
    machine_takes = [1, 2, 3]
    fed = availability.fed_machines(u, feeds, thing_takes, machine_takes)

    def taken(failed: int) -> int:
        on = powered(feeds, machines, failed)
        found = 0
        for thing in range(things):
            if failed >> thing & 1:
                found |= thing_takes[thing]
        for machine in range(machines):
            if machine not in on:
                found |= machine_takes[machine]
        return found

    def weight(failed: int, without: int | None = None) -> float:
        return float(
            np.prod(
                [
                    u[one] if failed >> one & 1 else 1 - u[one]
                    for one in range(things)
                    if one != without
                ]
            )
        )

    expected = dict.fromkeys(range(4), 0.0)
    for failed in range(2**things):
        expected[taken(failed)] += weight(failed)
    got = dict(zip(fed.part.takes.tolist(), fed.part.probability.tolist(), strict=True))
    assert {key: value for key, value in expected.items() if value} == pytest.approx(got, rel=1e-12)

    given = np.sort(rng.uniform(0, 1, len(fed.part.takes)))
    worth = dict(zip(fed.part.takes.tolist(), given, strict=True))
    for thing, importance in enumerate(availability.birnbaum_fed(fed, given)):
        rise = sum(
            weight(failed, thing)
            * max(worth[taken(failed | 1 << thing)] - worth[taken(failed)], 0.0)
            for failed in range(2**things)
            if not failed >> thing & 1
        )
        assert importance == pytest.approx(rise, rel=1e-12, abs=1e-15)


def test_a_thing_that_is_always_down_has_no_change_to_make() -> None:
    feeds = [availability.Feed(0, 0b1)]
    fed = availability.fed_machines([1.0], feeds, [0], [0b1])
    assert (fed.part.takes.tolist(), fed.part.probability.tolist()) == ([0, 1], [0.0, 1.0])
    assert fed.changes[0].tolist() == [[0.0, 0.0], [0.0, 0.0]]


def test_a_series_puts_out_of_service_its_own_set_or_none() -> None:
    part = availability.series(0b10, 0.25)
    assert (part.takes.tolist(), part.probability.tolist()) == ([0, 0b10], [0.75, 0.25])


@pytest.mark.parametrize("down", [-0.1, 1.1])
def test_an_unavailability_lies_between_0_and_1(down: float) -> None:
    with pytest.raises(CallError):
        availability.fed_machines([0.5, down], [availability.Feed(0, 0b11)], [0, 0], [1])


def test_as_many_things_as_can_be_worked_out_and_one_more() -> None:
    most = availability.GREATEST_THINGS
    feeds = [availability.Feed(0, 2**most - 1)]
    fed = availability.fed_machines([0.5] * most, feeds, [0] * most, [1])
    assert fed.part.probability[0] == pytest.approx(0.5**most)
    with pytest.raises(CallError, match=f"at most {most} things can be worked out"):
        availability.fed_machines([0.5] * (most + 1), feeds, [0] * (most + 1), [1])


@pytest.mark.parametrize("seed", RNG_SEEDS)
def test_components_of_many_outcomes_against_every_combination(seed: int) -> None:
    rng = np.random.default_rng(seed)
    count = 3
    parts = [availability.series(int(rng.integers(0, 8)), float(rng.uniform(0.1, 0.6)))]
    for outcomes in (2, 3, 4):
        takes = rng.choice(8, outcomes, replace=False)
        share = rng.uniform(0.1, 1, outcomes)
        parts.append(availability.Component(takes, share / share.sum()))
    probability, given = availability.all_down_by_parts(parts, count)

    def down(fixed: tuple[int, int] | None = None) -> float:
        total = 0.0
        for chosen in product(*(range(len(part.takes)) for part in parts)):
            if fixed is not None and chosen[fixed[0]] != fixed[1]:
                continue
            taken, weight = 0, 1.0
            for place, (part, one) in enumerate(zip(parts, chosen, strict=True)):
                taken |= int(part.takes[one])
                weight *= 1.0 if fixed and place == fixed[0] else float(part.probability[one])
            total += weight * (taken == 2**count - 1)
        return total

    assert probability == pytest.approx(down(), rel=1e-12)
    for place, part in enumerate(parts):
        expected = [down((place, one)) for one in range(len(part.takes))]
        assert given[place].tolist() == pytest.approx(expected, rel=1e-12, abs=1e-15)


@pytest.mark.parametrize(("lon", "lat"), [(9.0, 54.0), (179.999, 62.0), (-179.9995, -70.0)])
def test_a_trench_that_bends_holds_the_share_that_runs_with_it(lon: float, lat: float) -> None:
    """The duct runs east, then north; the trench holds the first leg and a part of the second.

    Lengths are geodesic, so that degrees of longitude that are not made shorter by the latitude
    would give another share.
    """

    def at(start: tuple[float, float], azimuth: float, metres: float) -> tuple[float, float]:
        got = Geodesic.WGS84.Direct(start[1], start[0], azimuth, metres)
        return got["lon2"], got["lat2"]

    a = (lon, lat)
    b = at(a, 90, 200)
    c = at(b, 0, 300)
    middle = at(b, 0, 150)
    lines = np.array(
        [shapely.LineString([a, b, c]), shapely.LineString([a, b, middle]), None], dtype=object
    )
    got = availability.held_share(lines, held=[0, 2], holder=[1, 1])
    assert got.tolist() == pytest.approx([350 / 500, 0, 0], abs=2e-3)


def test_lines_that_lie_in_several_have_their_own_shares() -> None:
    straight = [shapely.LineString([(8, 50 + row), (8.01, 50 + row)]) for row in range(3)]
    parts = [
        shapely.LineString([(8 + first, 50 + row), (8 + last, 50 + row)])
        for row, first, last in [(0, 0, 0.004), (0, 0.003, 0.006), (1, 0.009, 0.01), (2, 0, 0.01)]
    ]
    lines = np.array([*straight, *parts], dtype=object)
    got = availability.held_share(lines, held=[0, 0, 1, 2], holder=[3, 4, 5, 6])
    assert got[:3].tolist() == pytest.approx([0.6, 0.1, 1.0], abs=1e-6)
    assert got[3:].tolist() == [0, 0, 0, 0]


# Delay.


@pytest.mark.parametrize(
    ("difference", "first_open", "second_open", "least"),
    [
        (7.0, False, False, 7.0),
        (-7.0, False, False, 7.0),
        (7.0, True, False, 7.0),  # the first is greater, and may only grow
        (7.0, False, True, 0.0),  # the second may grow until it is as great
        (-7.0, True, False, 0.0),
        (-7.0, False, True, 7.0),
        (0.5, True, True, 0.0),
        (-0.5, True, True, 0.0),
        (0.25, False, False, 0.25),
    ],
)
def test_least_difference_of_delays(difference, first_open, second_open, least) -> None:
    grown = [
        abs(difference + first - second)
        for first in (np.arange(0, 20, 0.25) if first_open else [0.0])
        for second in (np.arange(0, 20, 0.25) if second_open else [0.0])
    ]
    assert min(grown) == least
    got = delay.least_difference_us([difference, difference], [first_open] * 2, [second_open] * 2)
    assert got.tolist() == [least, least]


def test_worst_delay_of_circuits_with_and_without_states() -> None:
    got = delay.worst_us([2, 0, 2, 3], [5, 7, 9, None], 4)
    assert got.tolist() == pytest.approx([7, np.nan, 9, np.nan], nan_ok=True)


def test_every_part_of_the_recovery_time_adds() -> None:
    assert delay.recovery_ms([1, 10], [20, 200], [300, 3]).tolist() == [321, 213]


def test_rings_of_several_circuits_have_each_their_own_worst() -> None:
    links, nodes = [1.0, 2.0, 4.0, 8.0], [0.5, 0.25, 0.125, 1.0]
    start, end = [0, 1, 3], [2, 2, 1]
    both = delay.ring_worst_us(links, nodes, start, end, loops_back=True)
    each = [
        delay.ring_worst_us(links, nodes, one, other, loops_back=True).item()
        for one, other in zip(start, end, strict=True)
    ]
    assert both.tolist() == each

    def walked(one: int, other: int) -> float:
        """Follow the signal on foot: to the failure, back round the ring, to the end."""
        way, place = [one], one
        while place != other:
            place = (place + 1) % 4
            way.append(place)
        found = [sum(nodes[node] for node in way) + sum(links[node] for node in way[:-1])]
        for failed in way[:-1]:
            before = way[: way.index(failed) + 1]
            back = before[::-1][1:]
            round_again, place = [], one
            while place != (failed + 1) % 4:
                place = (place - 1) % 4
                round_again.append(place)
            forward, place = [], (failed + 1) % 4
            while place != other:
                place = (place + 1) % 4
                forward.append(place)
            seen = before + back + round_again + forward
            # A signal turns at a node without passing it twice: every visit counts once.
            hops = [*pairwise(seen)]
            us = sum(nodes[node] for node in seen)
            us += sum(links[p if (p + 1) % 4 == q else q] for p, q in hops)
            found.append(us)
        return max(found)

    assert both.tolist() == pytest.approx([walked(*one) for one in zip(start, end, strict=True)])


@pytest.mark.parametrize(("start", "end"), [(-1, 2), (4, 2), (2, -1), (2, 4)])
def test_a_ring_has_no_such_node(start: int, end: int) -> None:
    with pytest.raises(CallError, match="counted from 0 to 3"):
        delay.ring_way_us([1] * 4, [1] * 4, start, end)


# Fibre.


def test_attenuation_grows_below_the_shortest_wavelength_and_an_index_does_not() -> None:
    tables = {"X": {1310.0: 0.4, 1550.0: 0.2}}
    grown = fibre.by_type(["X"], [1300], tables, attenuation=True).item()
    assert grown == pytest.approx(0.4 * (1310 / 1300) ** 4, rel=1e-12)
    assert fibre.by_type(["X"], [1300], tables, attenuation=False).item() == 0.4


@pytest.mark.parametrize("tolerance", [0.0, 0.5, 3.0, 60.0])
def test_the_tolerance_of_wavelengths_is_the_one_that_was_asked(tolerance: float) -> None:
    table = {1310.0: 0.35, 1550.0: 0.22}
    within, beyond = 1310 - tolerance, 1310 - tolerance - 0.1
    for look_up in (
        lambda nm: fibre.by_type(["X"], [nm], {"X": table}, tolerance, attenuation=True),
        lambda nm: fibre.by_type(["X"], [nm], {"X": table}, tolerance, attenuation=False),
        lambda nm: fibre.bandwidth_mhz_km([nm], table, tolerance),
    ):
        assert not np.isnan(look_up(within).item())
        assert np.isnan(look_up(beyond).item())


def test_bandwidths_of_a_table_of_rows_and_columns() -> None:
    got = fibre.bandwidth_mhz_km([[850, 1300, 1000], [1301, 849, 2000]], {850: 200, 1300: 500})
    expected = [[200, 500, np.nan], [500, 200, np.nan]]
    np.testing.assert_array_equal(got, expected)


# Lengths.


def test_what_is_not_given_adds_nothing_to_a_length() -> None:
    assert length.fibre_length_m(1000).item() == 1000
    assert length.drum_length_needed_m(1000).item() == 1000


def test_a_helix_makes_a_drum_longer() -> None:
    assert length.drum_length_needed_m(1000, 10, helix=1.5).item() == 1515


def test_jumps_between_the_parts_of_a_line_add_nothing() -> None:
    one = shapely.MultiLineString([[(8, 50), (8, 50.01)]])
    two = shapely.MultiLineString([[(8, 50), (8, 50.01)], [(9, 50), (9.02, 50.01)]])
    first = Geodesic.WGS84.Inverse(50, 8, 50.01, 8)["s12"]
    second = Geodesic.WGS84.Inverse(50, 9, 50.01, 9.02)["s12"]
    got = length.geodesic_length_m([one, two, None])
    np.testing.assert_allclose(got, [first, first + second, np.nan], rtol=1e-12)


# Loss and measurements.


@pytest.mark.parametrize(
    ("joints", "changes", "reels", "basis"),
    [
        (1, 0, 0, "joints"),
        (1, 0, 1, "joints and estimate"),
        (1, 1, 0, "joints and estimate"),
        (0, 1, 0, "estimate"),
        (2, 0, 0, "joints"),
    ],
)
def test_one_splice_is_enough_to_name_its_record(joints, changes, reels, basis) -> None:
    count, said = loss.splice_count([np.nan], [joints], [changes], [reels])
    assert (count.dtype.kind, count.item(), said.item()) == ("i", joints + changes + reels, basis)


def test_a_longer_cable_has_no_splices_unless_they_are_given() -> None:
    bare = loss.extra_length_m(1.0, 2000, 0.5, reel_m=500)
    assert bare.item() == pytest.approx(2000)
    spliced = loss.extra_length_m(1.0, 2000, 0.5, splice_db=0.1, reel_m=500)
    assert spliced.item() < bare.item()


def test_a_test_is_too_old_on_the_day_after_its_last() -> None:
    """Four years of 365.25 days are 1,461 days, whole ones."""
    day = np.datetime64("2020-01-01")
    assert measured.too_old([day], day + 1461, 4).tolist() == [False]
    assert measured.too_old([day], day + 1462, 4).tolist() == [True]
    assert measured.too_old([np.datetime64("2020-01-01T23:59")], day + 1461, 4).tolist() == [False]


def test_fibres_without_a_measurement_have_no_mean() -> None:
    with np.errstate(all="raise"):
        got = measured.two_way_mean([3, 3], [True, False], [0.4, 0.2], count=5)
    np.testing.assert_allclose(got, [np.nan, np.nan, np.nan, 0.3, np.nan])


def test_each_test_of_a_fibre_is_missed_by_itself() -> None:
    for place, (stage, direction) in enumerate(
        [("drum", None), ("installed", None), ("end-to-end", "go"), ("end-to-end", "return")]
    ):
        got = measured.tests_missing([1], [stage], [direction], count=2)
        assert got[0].tolist() == [True] * 4
        assert got[1].tolist() == [column != place for column in range(4)]
    for item, stage, direction in [([0, 1], ["drum"], [None]), ([0], ["drum"], [None, None])]:
        with pytest.raises(CallError, match="one entry per test"):
            measured.tests_missing(item, stage, direction, count=2)

"""How long in a year are both ways down, with what they share counted exactly?"""

from fractions import Fraction
from itertools import product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import sparse, stats
from shapely import LineString

from published import published
from waysapart.errors import CallError
from waysapart.formulas.availability import (
    all_down,
    birnbaum_all_down,
    birnbaum_both_down,
    both_down,
    failures_per_year,
    held_share,
    losses_per_year,
    minutes_a_year,
    path_unavailability,
    split,
    unavailability,
    unheld_length_m,
)


def rows(*paths, assets):
    """Paths, each a list of asset numbers, as rows of a sparse array."""
    dense = np.zeros((len(paths), assets), dtype=bool)
    for row, path in enumerate(paths):
        dense[row, list(path)] = True
    return sparse.csr_array(dense)


def one_group_down(paths, u):
    """`all_down` of a single group."""
    return all_down(paths, np.zeros(paths.shape[0], dtype=np.int64), u)[0]


def oracle(paths, u):
    """Exact probability by going through all 2^n states in rational numbers."""
    exact = [Fraction(value) for value in u]
    total = Fraction(0)
    for down in product((False, True), repeat=len(u)):
        if all(any(down[asset] for asset in path) for path in paths):
            weight = Fraction(1)
            for failed, value in zip(down, exact, strict=True):
                weight *= value if failed else 1 - value
            total += weight
    return total


@published(
    "untitled-developer-handbook",
    "chapter on parallel versus serial availability",
    "two of 99.999 % in series: 99.998 %",
    of="availability",
)
@published(
    "untitled-public-notes",
    "series and parallel",
    "two of 99 %: 98.01 % in series, 99.99 % in parallel",
    of="availability",
)
@published(
    "untitled-design-primer",
    "series and parallel",
    "two of 99.9 %: 99.8 % in series, 99.9999 % in parallel",
    of="availability",
)
@pytest.mark.parametrize(
    ("single", "series", "parallel"),
    [
        pytest.param(
            0.99999, 0.9999800001, 1 - 1e-10, id="handbook for developers, title not on record"
        ),
        pytest.param(0.99, 0.9801, 0.9999, id="public notes, title not on record"),
        pytest.param(0.999, 0.998001, 0.999999, id="primer on system design, title not on record"),
    ],
)
def test_two_blocks_in_series_or_parallel(single, series, parallel):
    """99.999 %: 99.998 %, 99 %: 98.01 and 99.99 %, 99.9 %: 99.8 and 99.9999 % as published."""
    u = [1 - single] * 2
    in_series = path_unavailability(rows([0, 1], assets=2), u)[0]
    in_parallel = both_down(split(rows([0], assets=2), rows([1], assets=2)), u)[0]
    assert 1 - in_series == pytest.approx(series, abs=1e-15)
    assert 1 - in_parallel == pytest.approx(parallel, abs=1e-15)


@published(
    "untitled-developer-handbook",
    "chapter on parallel versus serial availability",
    "315 s a year become about 630 s",
    of="availability",
)
def test_downtime_of_two_five_nines_in_series():
    """315 s become about 630 s (10.5 minutes) a year: the handbook for developers."""
    assert 60 * minutes_a_year(1e-5) == pytest.approx(315, abs=0.5)
    both = path_unavailability(rows([0, 1], assets=2), [1e-5, 1e-5])[0]
    assert 60 * minutes_a_year(both) == pytest.approx(630, abs=1)


@published(
    "untitled-public-notes",
    "downtime",
    "99 %: 87.6 h; 99.9 %: 8.76 h; 99.95 %: 4.38 h of a year of 8760 h",
    of="availability",
)
@pytest.mark.parametrize(("share", "hours"), [(0.99, 87.6), (0.999, 8.76), (0.9995, 4.38)])
def test_downtime_in_a_year(share, hours):
    """99 %: 87.6 h, 99.9 %: 8.76 h, 99.95 %: 4.38 h of 8760 h."""
    assert minutes_a_year(1 - share) / 60 == pytest.approx(hours)


@published(
    "alcoa-fujikura",
    "executive summary",
    "failures in 1000 km and a year: buried cable 2.130, ground wire 0.085, over 25 times",
    of="availability",
)
def test_published_rates_of_buried_and_ground_wire_cable():
    """2.130 and 0.085 failures in 1000 km years: more than 25 times as many.

    Alcoa Fujikura, Reliability of Fiber Optic Cable Systems, May 2001, executive summary.
    """
    per_year = failures_per_year([1_000_000, 1_000_000], [2.130e-3, 0.085e-3], 0)
    np.testing.assert_allclose(per_year, [2.130, 0.085])
    assert per_year[0] / per_year[1] > 25


def lines(*courses):
    """Lines through places in metres from 54 N 8 E; a metre is 1 / 111 200 of a degree of north."""
    east = 111_200 * np.cos(np.radians(54))
    return np.array(
        [LineString([(8 + x / east, 54 + y / 111_200) for x, y in course]) for course in courses]
    )


DUCT = [(0, 0), (600, 0), (1000, 0)]
BESIDE = [(0, 3), (400, 3)]


@pytest.mark.parametrize(
    ("holders", "share"),
    [
        pytest.param([[(0, 3), (400, 3)]], 0.4, id="a trench drawn 3 m beside it"),
        pytest.param([[(0, 3), (150, 3)], [(400, 3), (150, 3)]], 0.4, id="the trench in two rows"),
        pytest.param([BESIDE, [(100, 0), (300, 0)]], 0.4, id="a tunnel within the trench"),
        pytest.param([BESIDE, [(300, 0), (700, 0)]], 0.7, id="a tunnel that overlaps the trench"),
        pytest.param([BESIDE, BESIDE], 0.4, id="the same twice"),
        pytest.param([[(-500, 0), (2000, 0)]], 1.0, id="a trench that goes on both ways"),
        pytest.param([[(-500, 0), (-10, 0)]], 0.0, id="one that ends before it begins"),
        pytest.param([[(500, -80), (500, 80)]], 0.0, id="one that crosses under it"),
        pytest.param([], 0.0, id="nothing"),
    ],
)
def test_what_lies_in_others_is_counted_once(holders, share):
    """A duct of 1000 m."""
    every = lines(DUCT, *holders)
    pairs = np.arange(1, len(every))
    found = held_share(every, np.zeros(len(pairs), dtype=int), pairs)
    np.testing.assert_allclose(found, [share, *[0.0] * len(holders)], atol=1e-4)


def test_the_rows_of_a_duct_add_up_to_the_duct():
    """500 m of duct in a trench of 400 m, and 500 m that name it too but lie beyond it."""
    found = held_share(lines([(0, 0), (500, 0)], [(500, 0), (1000, 0)], BESIDE), [0, 1], [2, 2])
    np.testing.assert_allclose(unheld_length_m([500, 500, 400], found), [100, 500, 400], atol=0.05)


def test_what_lies_in_others_across_the_antimeridian():
    """A subsea bridge of two degrees round 180 E, the holder from its middle on."""
    crossing = np.array([LineString([(179, 10), (-179, 10)]), LineString([(180, 10), (-178, 10)])])
    np.testing.assert_allclose(held_share(crossing, [0], [1]), [0.5, 0], atol=1e-9)


def test_one_dig_is_counted_once():
    """A trench of 500 m, a duct as long in it, a subduct in that, a duct with 500 of 800 m in it.

    The trench counts whole, the last duct with the 300 m that lie in nothing, the others not.
    """
    straight = [(0, 0), (500, 0)]
    every = lines(straight, straight, straight, [(0, 0), (800, 0)])
    found = held_share(every, [1, 2, 3], [0, 1, 0])
    np.testing.assert_allclose(
        unheld_length_m([500, 500, 500, 800], found), [500, 0, 0, 300], atol=0.05
    )


def test_unavailability_from_rate_and_repair():
    """One failure in 1000 h of work and 10 h of repair: 10 / 1010."""
    assert unavailability(8.76, 10) == pytest.approx(10 / 1010)
    assert unavailability(0, 10) == 0
    assert failures_per_year(2000, 0.01, 0.5) == pytest.approx(0.52)


def test_a_shared_kilometre_outweighs_two_long_separate_paths():
    """100 km each way, buried, 2.13e-3 per km and year, 12 h (as the paper above has it).

    Apart: (0.213 x 12/8760)^2 = 8.51e-8. One kilometre of it in common adds
    2.13e-3 x 12/8760 = 2.92e-6, about 34 times as much.
    """
    u = unavailability(failures_per_year([100_000, 100_000, 1000], 2.13e-3, 0), 12)
    apart = both_down(split(rows([0], assets=3), rows([1], assets=3)), u)[0]
    shared = both_down(split(rows([0, 2], assets=3), rows([1, 2], assets=3)), u)[0]
    assert apart == pytest.approx(8.51e-8, rel=1e-3)
    assert shared - apart == pytest.approx(2.92e-6, rel=1e-3)
    assert (shared - apart) / apart == pytest.approx(34, abs=0.5)


def test_digits_are_kept_where_subtraction_has_none():
    """1e-9 and 1e-9: both down 1e-18, where 1 - (A1 + A2 - A1 A2) gives 0."""
    assert both_down(split(rows([0], assets=2), rows([1], assets=2)), [1e-9, 1e-9])[
        0
    ] == pytest.approx(1e-18, rel=1e-15)


@st.composite
def groups(draw, least=2, most=4):
    assets = draw(st.integers(1, 7))
    path = st.sets(st.integers(0, assets - 1))
    paths = draw(st.lists(path, min_size=least, max_size=most))
    u = draw(
        st.lists(
            st.sampled_from([0.0, 1e-9, 1e-5, 0.01, 0.3, 0.9]), min_size=assets, max_size=assets
        )
    )
    return paths, u


@settings(derandomize=True, deadline=None, max_examples=80)
@given(groups(2, 2))
def test_two_paths_against_all_states(group):
    paths, u = group
    main, alternate = (rows(path, assets=len(u)) for path in paths)
    expected = float(oracle(paths, u))
    assert both_down(split(main, alternate), u)[0] == pytest.approx(expected, rel=1e-13)
    assert both_down(split(alternate, main), u)[0] == pytest.approx(expected, rel=1e-13)
    single = float(oracle(paths[:1], u))
    assert path_unavailability(main, u)[0] == pytest.approx(single, rel=1e-13)


@settings(derandomize=True, deadline=None, max_examples=80)
@given(groups(1, 5))
def test_any_number_of_paths_against_all_states(group):
    paths, u = group
    found = one_group_down(rows(*paths, assets=len(u)), u)
    assert found == pytest.approx(float(oracle(paths, u)), rel=1e-13)


@settings(derandomize=True, deadline=None, max_examples=60)
@given(groups(2, 3))
def test_importance_is_the_difference_that_an_asset_makes(group):
    """Birnbaum's definition, both states worked out in rational numbers."""
    paths, u = group
    expected = [
        float(oracle(paths, [*u[:i], 1, *u[i + 1 :]]) - oracle(paths, [*u[:i], 0, *u[i + 1 :]]))
        for i in range(len(u))
    ]
    many = birnbaum_all_down(rows(*paths, assets=len(u)), u)
    np.testing.assert_allclose(many, expected, rtol=1e-12)
    if len(paths) == 2:
        main, alternate = (rows(path, assets=len(u)) for path in paths)
        two = birnbaum_both_down(split(main, alternate), u)
        np.testing.assert_allclose(two.toarray()[0], expected, rtol=1e-12)


def test_contribution_is_what_would_be_saved():
    """Shared 0.01, main alone 0.1, alternate alone 0.2: U = 0.01 + 0.99 x 0.02 = 0.0298.

    Without the shared asset 0.02 (0.0098 saved); without either other 0.01 (0.0198 saved).
    """
    u = [0.01, 0.1, 0.2]
    parts = split(rows([0, 1], assets=3), rows([0, 2], assets=3))
    assert both_down(parts, u)[0] == pytest.approx(0.0298)
    found = birnbaum_both_down(parts, u).toarray()[0] * u
    np.testing.assert_allclose(found, [0.0098, 0.0198, 0.0198])


def test_a_shared_asset_that_is_always_down():
    """Then both paths are, and nothing else matters enough to be ranked."""
    parts = split(rows([0, 1], assets=3), rows([0, 2], assets=3))
    assert both_down(parts, [1, 0.1, 0.2])[0] == 1
    with pytest.raises(CallError, match="for certain"):
        birnbaum_both_down(parts, [1, 0.1, 0.2])
    with pytest.raises(CallError, match="between 0 and 1"):
        both_down(parts, [1.1, 0, 0])


@settings(derandomize=True, deadline=None, max_examples=80)
@given(groups(2, 4), st.floats(0, 1), st.data())
def test_a_shared_asset_never_improves_availability(group, u_new, data):
    """Give two or more of the paths one more asset: they are never down together for less."""
    paths, u = group
    takers = data.draw(st.sets(st.integers(0, len(paths) - 1), min_size=2))
    grown = [path | {len(u)} if i in takers else path for i, path in enumerate(paths)]
    before = one_group_down(rows(*paths, assets=len(u)), u)
    after = one_group_down(rows(*grown, assets=len(u) + 1), [*u, u_new])
    assert after >= before * (1 - 1e-12)


@settings(derandomize=True, deadline=None, max_examples=40)
@given(groups(2, 4), st.randoms(use_true_random=False))
def test_order_of_paths_or_assets_does_not_matter(group, random):
    paths, u = group
    order = list(range(len(u)))
    random.shuffle(order)
    moved = [{order[asset] for asset in path} for path in reversed(paths)]
    u_moved = [0.0] * len(u)
    for old, new in enumerate(order):
        u_moved[new] = u[old]
    before = one_group_down(rows(*paths, assets=len(u)), u)
    after = one_group_down(rows(*moved, assets=len(u)), u_moved)
    assert after == pytest.approx(before, rel=1e-13)


def test_groups_are_worked_out_one_by_one():
    """Group 0: paths {0,1}, {0,2}; group 2: path {3}; group 1 has none."""
    paths = rows([0, 1], [3], [0, 2], assets=4)
    u = [0.01, 0.1, 0.2, 0.5]
    found = all_down(paths, [0, 2, 0], u)
    np.testing.assert_allclose(found, [0.0298, np.nan, 0.5])
    assert all_down(rows(assets=4), [], u).shape == (0,)
    with pytest.raises(CallError, match="1 to 16 paths"):
        one_group_down(rows(*[[0]] * 17, assets=1), [0.1])


def test_agrees_with_drawn_states_within_their_own_interval():
    """400 000 states of 3 paths over 12 assets: the exact value lies in the 99.9 % interval.

    The interval is Clopper and Pearson's, from scipy.
    """
    rng = np.random.default_rng(11)
    on = rng.random((3, 12)) < 0.4
    u = rng.uniform(0.01, 0.15, 12)
    draws = 400_000
    failed = rng.random((draws, 12)) < u
    lost = (failed @ on.T).all(axis=1).sum()
    interval = stats.binomtest(int(lost), draws).proportion_ci(0.999)
    exact = one_group_down(sparse.csr_array(on), u)
    assert interval.low <= exact <= interval.high
    assert interval.high - interval.low < 0.1 * exact


def test_frequency_against_a_simulated_history():
    """Assets that fail and are repaired in turn: losses a year and the share of time lost.

    Shared 0.5 a year and 40 h, main 6 and 60 h, alternate 5 and 80 h, over 40 000
    years. Allowed: 4 standard errors of a Poisson count, and 5 % of the time.
    """
    rng = np.random.default_rng(5)
    per_year, repair_h = np.array([0.5, 6.0, 5.0]), np.array([40.0, 60.0, 80.0])
    years = 40_000
    starts, ends = [], []
    for rate, hours in zip(per_year, repair_h, strict=True):
        cycles = int(rate * years * 1.1) + 100
        up_h = rng.exponential(8760 / rate, cycles)
        down_h = rng.exponential(hours, cycles)
        end = np.cumsum(up_h + down_h)
        keep = end < years * 8760
        starts.append((end - down_h)[keep])
        ends.append(end[keep])
    times = np.concatenate([*starts, *ends])
    which = np.tile(np.repeat([0, 1, 2], [len(s) for s in starts]), 2)
    change = np.repeat([1, -1], len(times) // 2)
    order = np.argsort(times)
    state = np.zeros((len(times), 3), dtype=int)
    state[np.arange(len(times)), which[order]] = change[order]
    down = np.cumsum(state, axis=0) > 0
    lost = down[:, 0] | (down[:, 1] & down[:, 2])
    lost_h = np.sum(np.diff(times[order])[lost[:-1]])
    events = np.sum(lost[1:] & ~lost[:-1])

    u = unavailability(per_year, repair_h)
    parts = split(rows([0, 1], assets=3), rows([0, 2], assets=3))
    expected = losses_per_year(birnbaum_both_down(parts, u), per_year, u)[0] * years
    assert events == pytest.approx(expected, abs=4 * np.sqrt(expected))
    assert lost_h / (years * 8760) == pytest.approx(both_down(parts, u)[0], rel=0.05)


def test_ten_thousand_circuits_at_once():
    """Each circuit of a big array has the value that it has alone."""
    rng = np.random.default_rng(3)
    circuits, assets = 10_000, 2_000
    u = rng.uniform(0, 1e-4, assets)
    main, alternate = (
        sparse.random_array((circuits, assets), density=0.01, rng=rng).tocsr() for _ in range(2)
    )
    parts = split(main, alternate)
    together = both_down(parts, u)
    importance = birnbaum_both_down(parts, u)
    for circuit in (0, 17, 9_999):
        pair = sparse.vstack([main[[circuit]], alternate[[circuit]]]).tocsr()
        assert together[circuit] == pytest.approx(one_group_down(pair, u), rel=1e-12)
        np.testing.assert_allclose(
            importance[[circuit]].toarray()[0], birnbaum_all_down(pair, u), rtol=1e-9
        )


def test_what_is_not_drawn_holds_nothing() -> None:
    """A duct within a trench of which nobody knows where it is, and the other way about."""
    line = LineString([(9.0, 54.0), (9.1, 54.0)])
    assert held_share(np.array([line, None]), [0, 1], [1, 0]).tolist() == [0.0, 0.0]

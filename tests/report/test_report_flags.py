"""Names of bridges above a strip: no line to a name runs through another name."""

from __future__ import annotations

import itertools

from hypothesis import given, settings
from hypothesis import strategies as st

from waysapart.report.strip import flags

EDGE = 1000.0


def test_a_name_stands_like_a_flag_at_its_line():
    """Two names far from each other share the lowest row."""
    first, second = flags([100.0, 400.0], [80.0, 60.0], EDGE)
    assert (first.low, first.high, first.row, first.backward) == (100.0, 180.0, 0, False)
    assert (second.low, second.high, second.row) == (400.0, 460.0, 0)


def test_of_names_in_one_place_the_last_is_the_lowest():
    """Lines at 100, 121 and 142: each name begins right of the lines of the higher ones."""
    assert [flag.row for flag in flags([100.0, 121.0, 142.0], [90.0] * 3, EDGE)] == [2, 1, 0]


def test_names_at_one_line_stand_above_each_other():
    """The line to the higher name ends at its own place, left of the lower names."""
    assert [flag.row for flag in flags([100.0] * 3, [90.0, 60.0, 30.0], EDGE)] == [2, 1, 0]


def test_without_room_before_the_edge_a_name_ends_at_its_line():
    (flag,) = flags([950.0], [120.0], EDGE)
    assert (flag.low, flag.high, flag.backward) == (830.0, 950.0, True)


@settings(derandomize=True, deadline=None, max_examples=300)
@given(
    st.lists(
        st.tuples(st.integers(6, 47), st.integers(10, 120)),
        min_size=1,
        max_size=14,
    )
)
def test_no_name_covers_another_or_the_line_of_a_higher_one(spots):
    """Lines 20 apart and more, none nearer to the left edge than a name is wide."""
    made = flags([20.0 * at for at, _ in spots], [float(wide) for _, wide in spots], EDGE)
    for one, other in itertools.permutations(made, 2):
        if one.row == other.row:
            assert one.high <= other.low or other.high <= one.low
        if other.row > one.row:
            assert not one.low < other.at < one.high

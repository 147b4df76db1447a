"""The helpers that every stage shares: ranges, intervals, boolean matrices, lists cut short."""

from __future__ import annotations

import numpy as np

from waysapart import text
from waysapart.arrays import boolean, csr_row, expand, interval_runs, merge_intervals, owners


def test_a_boolean_matrix_does_not_count() -> None:
    """256 entries at one place are one entry, and true: eight bits would wrap to nothing."""
    matrix = boolean([0] * 256, [1] * 256, (1, 2))
    assert matrix.toarray().tolist() == [[False, True]]
    product = boolean([0] * 256, range(256), (1, 256)) @ boolean(range(256), [0] * 256, (256, 1))
    assert product.toarray().tolist() == [[True]]


def test_an_entry_without_a_row_or_column_is_left_out() -> None:
    matrix = boolean([0, -1, 1], [-1, 0, 1], (2, 2))
    assert matrix.toarray().tolist() == [[False, False], [False, True]]


def test_a_row_of_a_matrix_and_a_column_of_its_transpose_are_the_same() -> None:
    """Row 1 holds columns 0 and 3; row 0 and row 2 hold none."""
    matrix = boolean([1, 1], [3, 0], (3, 4))
    assert csr_row(matrix, 1).tolist() == [0, 3]
    assert csr_row(matrix, 0).tolist() == csr_row(matrix, 2).tolist() == []
    assert csr_row(matrix.T.tocsc(), 1).tolist() == [0, 3]


def test_ranges_are_written_out_in_order_and_empty_ones_leave_nothing() -> None:
    """Ranges 7-9, none, 0: the places, and the range that each lies in."""
    row, value = expand(np.array([7, 3, 0]), np.array([3, 0, 1]))
    assert row.tolist() == [0, 0, 0, 2]
    assert value.tolist() == [7, 8, 9, 0]
    assert owners(np.array([0, 3, 3, 4])).tolist() == row.tolist()
    nothing = np.zeros(0, dtype=np.int64)
    assert [len(one) for one in expand(nothing, nothing)] == [0, 0]


def test_both_ways_of_merging_intervals_agree() -> None:
    """0-2, 1-3 and 3.5-4 are one run with a gap of 0.5, two with none; 6-7 stands alone."""
    intervals = [(6.0, 7.0), (0.0, 2.0), (3.5, 4.0), (1.0, 3.0)]
    low, high = np.array(intervals).T
    group = np.zeros(len(low), dtype=np.int64)
    for gap, expected in (
        (0.0, [(0.0, 3.0), (3.5, 4.0), (6.0, 7.0)]),
        (0.5, [(0.0, 4.0), (6.0, 7.0)]),
    ):
        assert merge_intervals(intervals, gap) == expected
        run, _ = interval_runs(group, low, high, gap)
        spans = [
            (float(low[run == one].min()), float(high[run == one].max()))
            for one in range(len(expected))
        ]
        assert spans == expected


def test_a_long_interval_reaches_over_short_ones() -> None:
    """0-9 covers 1-2, so 8-10 still meets it; another group's 0-1 does not count."""
    group = np.array([0, 0, 0, 1])
    run, _ = interval_runs(
        group, np.array([0.0, 1.0, 8.0, 0.0]), np.array([9.0, 2.0, 10.0, 1.0]), 0.0
    )
    assert run.tolist() == [0, 0, 0, 1]
    assert merge_intervals([(0, 9), (1, 2), (8, 10)]) == [(0, 10)]
    assert merge_intervals([]) == []


def test_a_list_is_cut_where_it_is_longer_than_wanted() -> None:
    assert text.few(["C-1", "C-2"], 2) == "C-1, C-2"
    assert text.few(["C-1", "C-2", "C-3"], 1) == "C-1 and 2 more"
    assert text.few(["delay", "loss"], 3, "; ") == "delay; loss"
    assert text.few([], 3) == ""
    assert text.sentence_list([]) == ""
    assert text.sentence_list(["D-1"]) == "D-1"
    assert text.sentence_list(["D-1", "D-2"], "or") == "D-1 or D-2"
    assert text.sentence_list(["D-1", "D-2", "D-3"], "or", 3) == "D-1, D-2 or D-3"

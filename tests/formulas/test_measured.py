"""What tests say about the records, and which tests are still missing."""

import numpy as np
import pytest

from waysapart.errors import CallError
from waysapart.formulas.measured import TESTS, differs, tests_missing, too_old, two_way_mean

tests_missing.__test__ = False  # a function of the library, not a test


def test_two_ways_weigh_the_same():
    """Fibre 0: go 0.10 and 0.12, return 0.31 -> (0.11 + 0.31)/2; 1: return only; 2: nothing."""
    found = two_way_mean(
        [0, 0, 0, 1, 2], [False, False, True, True, False], [0.10, 0.12, 0.31, 0.2, np.nan], 3
    )
    np.testing.assert_allclose(found, [0.21, 0.2, np.nan])


def test_the_larger_tolerance_holds():
    """2 % or 20 m: 20 m up to 1 km, 100 m at 5 km. At the limit there is no difference."""
    found = differs([520, 521, 5100, 4899, np.nan, 5], [500, 500, 5000, 5000, 1, np.nan], 2, 20)
    np.testing.assert_array_equal(found, [False, True, False, True, False, False])


def test_age():
    """5 years of 365.25 days are 1826.25 days; a test without a date cannot be trusted."""
    today = np.datetime64("2026-01-01")
    dates = [today - 1826, today - 1827, np.datetime64("NaT")]
    np.testing.assert_array_equal(too_old(dates, today, 5), [False, True, True])


def test_which_tests_are_missing():
    """Fibre 0 has drum and both ways end to end; fibre 1 one without direction; fibre 2 none."""
    found = tests_missing(
        [0, 0, 0, 1, 2],
        ["drum", "end-to-end", "end-to-end", "end-to-end", None],
        [None, "go", "return", np.nan, None],
        3,
    )
    assert TESTS == ("drum", "installed", "end-to-end, go", "end-to-end, return")
    np.testing.assert_array_equal(
        found,
        [[False, True, False, False], [True, True, False, True], [True, True, True, True]],
    )
    with pytest.raises(CallError, match="one entry per test"):
        tests_missing([0], [], [], 1)

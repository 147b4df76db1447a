"""What was tested: two-way means, tests that disagree with the records, and tests still missing."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from waysapart.arrays import Bools, Floats, floats, sum_by
from waysapart.errors import CallError

TESTS = ("drum", "installed", "end-to-end, go", "end-to-end, return")
"""The tests that each fibre in use is to have before its circuit goes into
service. Common practice, no source."""

DAYS_PER_YEAR = 365.25


def two_way_mean(item: ArrayLike, returns: ArrayLike, value: ArrayLike, count: int) -> Floats:
    """Mean of the tests of each fibre, the two ways of testing weighing the same.

    Parameters
    ----------
    item : array_like of int, shape (tests,)
        Which fibre (or link) a test is of.
    returns : array_like of bool, shape (tests,)
        True where the test ran in the return direction.
    value : array_like, shape (tests,)
        Measured loss, length or delay; NaN where the test has none.
    count : int
        How many fibres there are.

    Returns
    -------
    numpy.ndarray of shape (count,)
        Mean of the go mean and the return mean; the one that there is where
        only one way was tested; NaN where nothing was.

    Notes
    -----
    A splice of two fibres that scatter differently reads too high from one end
    and too low from the other by the same amount; the mean of both is its loss.
    """
    index, number = np.asarray(item, dtype=np.int64), floats(value)
    known = ~np.isnan(number)
    side = np.asarray(returns, dtype=bool)
    means = np.full((2, count), np.nan)
    for row, wanted in enumerate((~side, side)):
        rows = known & wanted
        tests = np.bincount(index[rows], minlength=count)
        total = sum_by(index[rows], number[rows], count)
        np.divide(total, tests, out=means[row], where=tests > 0)
    ways = (~np.isnan(means)).sum(axis=0)
    mean = np.full(count, np.nan)
    np.divide(np.nan_to_num(means).sum(axis=0), ways, out=mean, where=ways > 0)
    return mean


def differs(
    measured: ArrayLike, computed: ArrayLike, tolerance_pct: ArrayLike, least: ArrayLike
) -> Bools:
    """Whether a test is so far from the computed value that one of them is of something else.

    Parameters
    ----------
    measured, computed : array_like
        In one unit; NaN in either is not a difference.
    tolerance_pct : array_like
        Of the computed value.
    least : array_like
        Difference that never counts, in the unit of the values. The larger of
        the two tolerances holds.
    """
    expected = floats(computed)
    allowed = np.maximum(floats(tolerance_pct) / 100 * np.abs(expected), floats(least))
    return np.asarray(np.abs(floats(measured) - expected) > allowed, dtype=bool)


def too_old(tested_on: ArrayLike, today: ArrayLike, most_years: float) -> Bools:
    """Whether a test is older than the rules allow; a test without a date is.

    Parameters
    ----------
    tested_on, today : array_like of datetime64
    most_years : float
        Years of 365.25 days.
    """
    then = np.asarray(tested_on, dtype="datetime64[D]")
    age_days = (np.asarray(today, dtype="datetime64[D]") - then) / np.timedelta64(1, "D")
    return np.asarray(np.isnat(then) | (age_days > most_years * DAYS_PER_YEAR), dtype=bool)


def tests_missing(item: ArrayLike, stage: ArrayLike, direction: ArrayLike, count: int) -> Bools:
    """Which of `TESTS` each fibre still lacks.

    Parameters
    ----------
    item : array_like of int, shape (tests,)
        Which fibre a test is of.
    stage : array_like of str, shape (tests,)
        'drum', 'installed' or 'end-to-end'; a test without a stage counts for none.
    direction : array_like of str, shape (tests,)
        'go' or 'return'; an end-to-end test that does not say counts as go.
    count : int
        How many fibres there are.

    Returns
    -------
    numpy.ndarray of bool, shape (count, 4)
    """
    index = np.asarray(item, dtype=np.int64)
    stages: NDArray[np.object_] = np.asarray(stage, dtype=object)
    back = np.asarray(direction, dtype=object) == "return"
    if not len(index) == len(stages) == len(back):
        raise CallError("item, stage and direction need one entry per test")
    end_to_end = stages == "end-to-end"
    done = (stages == "drum", stages == "installed", end_to_end & ~back, end_to_end & back)
    missing = np.ones((count, len(TESTS)), dtype=bool)
    for column, rows in enumerate(done):
        missing[index[rows], column] = False
    return missing

"""Which cases of a long list are tried every day; all are tried with --all.

Every property keeps some cases every day, and every kind of forgery, damage or hostile input at
least one. Only more of the same waits for --all.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Any, TypeVar

import pytest

Case = TypeVar("Case")


def some(
    cases: Iterable[Case], every: int, always: Callable[[Case], bool] | None = None
) -> list[Any]:
    """Cases as parameters of a test: the first of so many, and those always wanted, every day.

    Parameters
    ----------
    cases : iterable
        All of them, in an order that puts cases of one kind side by side.
    every : int
        One of so many is tried every day, beginning with the first. The others are marked slow.
    always : callable, optional
        Tells the cases that are tried every day wherever they stand.
    """
    return [
        case
        if number % every == 0 or (always is not None and always(case))
        else pytest.param(case, marks=pytest.mark.slow)
        for number, case in enumerate(cases)
    ]


WITH_ALL = [False]
"""Whether the run was started with --all: conftest.py says so before any test is collected."""


def examples(number: int, every_day: int) -> int:
    """How many examples a property is tried on: so many with --all, fewer every day."""
    return number if WITH_ALL[-1] else every_day

"""Which cases of a long list are tried every day; all are tried with --all.

Every property keeps some cases every day, and every kind of forgery, damage or hostile input at
least one. Only more of the same waits for --all.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import pytest


def some(cases: Iterable[Any], every: int) -> list[Any]:
    """Cases as parameters of a test: the first of so many every day, the others marked slow.

    Parameters
    ----------
    cases : iterable
        All of them, in an order that puts cases of one kind side by side; a plain tuple is a case
        of several parameters.
    every : int
        One of so many is tried every day, beginning with the first.
    """
    return [
        case
        if number % every == 0
        else pytest.param(*(case if type(case) is tuple else (case,)), marks=pytest.mark.slow)
        for number, case in enumerate(cases)
    ]


WITH_ALL = [False]
"""Whether the run was started with --all: conftest.py says so before any test is collected."""


def examples(number: int, every_day: int) -> int:
    """How many examples a property is tried on: so many with --all, fewer every day."""
    return number if WITH_ALL[-1] else every_day

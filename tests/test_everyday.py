"""What waits for --all is named as it is called: a test that is renamed would come back unseen."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

from everyday import NIGHTLY, ONE_OF

TESTS = Path(__file__).resolve().parent


@pytest.mark.parametrize("named", [NIGHTLY, ONE_OF], ids=["NIGHTLY", "ONE_OF"])
def test_every_name_is_that_of_a_test(named: frozenset[str] | dict[str, int]) -> None:
    asked: dict[str, set[str]] = {}
    for name in named:
        file, _, test = name.partition("::")
        asked.setdefault(file, set()).add(test)
    for file, tests in asked.items():
        tree = ast.parse((TESTS / file).read_text(encoding="utf-8"))
        there = {one.name for one in tree.body if isinstance(one, ast.FunctionDef)}
        assert tests <= there, (file, sorted(tests - there))


def test_a_test_waits_as_a_whole_or_in_part() -> None:
    assert not NIGHTLY & ONE_OF.keys()

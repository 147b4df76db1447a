"""Every example in a docstring runs and gives what it says there.

Examples that read `examples/estuary` run in the repository's root, as a reader would run them.
"""

from __future__ import annotations

import doctest
from importlib import import_module
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
MODULES = (
    "waysapart.arrays",
    "waysapart.text",
)


@pytest.mark.parametrize("name", MODULES)
def test_the_examples_of_a_module_hold(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(ROOT)
    found = doctest.testmod(import_module(name))
    assert found.attempted
    assert not found.failed

"""Every example in a docstring runs and gives what it says there.

Examples that read `examples/estuary` run in the repository's root, as a reader would run them.
"""

from __future__ import annotations

import doctest
import inspect
from importlib import import_module
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
MODULES = (
    "waysapart.arrays",
    "waysapart.formulas.availability",
    "waysapart.formulas.delay",
    "waysapart.formulas.fibre",
    "waysapart.formulas.length",
    "waysapart.formulas.loss",
    "waysapart.formulas.measured",
    "waysapart.text",
)
SHOWN = ("arrays", "formulas")
"""Modules and packages in which every public function has an example."""


@pytest.mark.parametrize("name", MODULES)
def test_the_examples_of_a_module_hold(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(ROOT)
    found = doctest.testmod(import_module(name))
    assert found.attempted
    assert not found.failed


@pytest.mark.parametrize("name", [name for name in MODULES if name.split(".")[1] in SHOWN])
def test_every_public_function_of_arrays_and_formulas_has_an_example(name: str) -> None:
    module = import_module(name)
    own = {
        key: thing
        for key, thing in vars(module).items()
        if inspect.isfunction(thing) and thing.__module__ == name and not key.startswith("_")
    }
    assert own
    assert [key for key, thing in own.items() if ">>>" not in (thing.__doc__ or "")] == []

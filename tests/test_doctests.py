"""Every example in a docstring runs and gives what it says there.

Examples that read `examples/estuary` run in the repository's root, as a reader would run them.
"""

from __future__ import annotations

import doctest
import inspect
from importlib import import_module
from pathlib import Path

import pytest

import waysapart as wa
from proofs import read_and_prove_once

ROOT = Path(__file__).resolve().parents[1]
PACKAGE = ROOT / "src" / "waysapart"
EXAMPLES = {
    ".".join(("waysapart", *path.relative_to(PACKAGE).with_suffix("").parts)).removesuffix(
        ".__init__"
    ): text
    for path in sorted(PACKAGE.rglob("*.py"))
    if ">>>" in (text := path.read_text(encoding="utf-8"))
}
"""Text of each module with an example, by the name of the module."""
WITH_DEMO = [name for name, text in EXAMPLES.items() if 'wa.read_study("examples/estuary")' in text]
"""Modules whose examples prove the demo."""
SHOWN = ("waysapart.arrays", "waysapart.formulas.")
"""Modules and packages in which every public function has an example."""


@pytest.mark.parametrize("name", sorted({*EXAMPLES} - {*WITH_DEMO}))
def test_the_examples_of_a_module_hold(name: str) -> None:
    found = doctest.testmod(import_module(name))
    assert found.attempted
    assert not found.failed


@pytest.mark.parametrize("name", WITH_DEMO)
def test_the_examples_with_the_demo_hold(
    name: str, estuary_proof: wa.Proof, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(ROOT)
    # found before functions are replaced: an example of another module's function would not count
    examples = doctest.DocTestFinder().find(import_module(name))
    read_and_prove_once(monkeypatch, {"examples/estuary": estuary_proof})
    runner = doctest.DocTestRunner()
    for one in examples:
        runner.run(one)
    assert runner.tries
    assert not runner.failures


@pytest.mark.parametrize("name", [name for name in EXAMPLES if name.startswith(SHOWN)])
def test_every_public_function_of_arrays_and_formulas_has_an_example(name: str) -> None:
    module = import_module(name)
    own = {
        key: thing
        for key, thing in vars(module).items()
        if inspect.isfunction(thing) and thing.__module__ == name and not key.startswith("_")
    }
    assert own
    assert [key for key, thing in own.items() if ">>>" not in (thing.__doc__ or "")] == []

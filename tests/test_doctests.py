"""Every example in a docstring runs and gives what it says there.

Examples that read `examples/estuary` run in the repository's root, as a reader would run them.
"""

from __future__ import annotations

import doctest
import inspect
from importlib import import_module
from pathlib import Path
from typing import Any

import pytest

import waysapart as wa

ROOT = Path(__file__).resolve().parents[1]
MODULES = (
    "waysapart.arrays",
    "waysapart.findings.fibre_types",
    "waysapart.formulas.availability",
    "waysapart.formulas.delay",
    "waysapart.formulas.fibre",
    "waysapart.formulas.length",
    "waysapart.formulas.loss",
    "waysapart.formulas.measured",
    "waysapart.network.assets",
    "waysapart.network.build_network",
    "waysapart.network.matching.match_graph",
    "waysapart.network.record_gaps",
    "waysapart.reliance.closure",
    "waysapart.study.blank",
    "waysapart.study.read",
    "waysapart.text",
    "waysapart.verdicts.facts",
    "waysapart.verdicts.facts_figures",
    "waysapart.verdicts.limits",
)
WITH_DEMO = (
    "waysapart",
    "waysapart.export.geopackage",
    "waysapart.report.compare_page",
    "waysapart.report.explore",
    "waysapart.report.works_page",
    "waysapart.report.write",
    "waysapart.reroute.api",
    "waysapart.verdicts.prove",
    "waysapart.verdicts.record_first",
    "waysapart.whatif.compare",
    "waysapart.whatif.dig",
    "waysapart.whatif.plan",
    "waysapart.whatif.worst",
)
"""Modules whose examples prove the demo."""
SHOWN = ("waysapart.arrays", "waysapart.formulas.")
"""Modules and packages in which every public function has an example."""
COMPARED: dict[str, wa.Comparison] = {}
"""The demo against a proposal: two examples ask for the same one."""


@pytest.fixture
def _demo_is_proved_once(estuary_proof: wa.Proof, monkeypatch: pytest.MonkeyPatch) -> None:
    """The demo's study and proof are those of the run; equal comparisons are made once."""
    read_study, prove, compare = wa.read_study, wa.prove, wa.compare

    def read(path: Any, **options: Any) -> wa.Study:
        known = path == "examples/estuary" and not options
        return estuary_proof.study if known else read_study(path, **options)

    def proof_of(subject: wa.Study | wa.Network) -> wa.Proof:
        return estuary_proof if subject is estuary_proof.study else prove(subject)

    def compared(before: wa.Proof, after: str) -> wa.Comparison:
        if after not in COMPARED:
            COMPARED[after] = compare(before, after)
        return COMPARED[after]

    monkeypatch.setitem(vars(wa), "read_study", read)
    monkeypatch.setitem(vars(wa), "prove", proof_of)
    monkeypatch.setitem(vars(wa), "compare", compared)


@pytest.mark.parametrize("name", MODULES)
def test_the_examples_of_a_module_hold(name: str) -> None:
    found = doctest.testmod(import_module(name))
    assert found.attempted
    assert not found.failed


@pytest.mark.usefixtures("_demo_is_proved_once")
@pytest.mark.parametrize("name", WITH_DEMO)
def test_the_examples_with_the_demo_hold(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(ROOT)
    found = doctest.testmod(import_module(name))
    assert found.attempted
    assert not found.failed


@pytest.mark.parametrize("name", [name for name in MODULES if name.startswith(SHOWN)])
def test_every_public_function_of_arrays_and_formulas_has_an_example(name: str) -> None:
    module = import_module(name)
    own = {
        key: thing
        for key, thing in vars(module).items()
        if inspect.isfunction(thing) and thing.__module__ == name and not key.startswith("_")
    }
    assert own
    assert [key for key, thing in own.items() if ">>>" not in (thing.__doc__ or "")] == []

"""The flow is the layout: a later stage imports earlier ones only."""

from __future__ import annotations

import ast
from importlib import import_module
from pathlib import Path

import pytest

import waysapart

PACKAGE = Path(__file__).resolve().parents[1] / "src" / "waysapart"
FLOW = (
    "errors",
    "arrays",
    "shown",
    "schema",
    "gaps",
    "evidence",
    "opening",
    "output",
    "formulas",
    "study",
    "network",
    "reliance",
    "findings",
    "verdicts",
    "reroute",
    "whatif",
    "export",
    "report",
    "examples",
    "cli",
)
"""From files to the command line."""


def _imports(path: Path) -> set[str]:
    found = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("waysapart."):
            found.add(str(node.module).split(".")[1])
        elif isinstance(node, ast.Import):
            found |= {
                name.name.split(".")[1] for name in node.names if name.name.startswith("waysapart.")
            }
    return found


def _stage(path: Path) -> str:
    return path.relative_to(PACKAGE).parts[0].removesuffix(".py")


@pytest.mark.parametrize("stage", FLOW)
def test_a_stage_imports_earlier_ones_only(stage: str) -> None:
    later = set(FLOW[FLOW.index(stage) + 1 :])
    for path in sorted(PACKAGE.rglob("*.py")):
        if _stage(path) == stage:
            wrong = _imports(path) & later
            assert not wrong, f"{path.relative_to(PACKAGE)} imports {sorted(wrong)}"


def test_every_module_belongs_to_a_stage() -> None:
    stages = {_stage(path) for path in PACKAGE.rglob("*.py")}
    assert stages - {"__init__", *FLOW, "recheck"} == set()


def test_a_package_named_after_its_function_may_be_called() -> None:
    """Importing the package puts it in the function's place; a call means the same."""
    package = import_module("waysapart.export")
    assert waysapart.export is package
    with pytest.raises(waysapart.CallError, match="expected the name of a GeoPackage"):
        package(None, "layers.txt")

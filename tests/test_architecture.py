"""The flow is the layout: a later stage imports earlier ones only."""

from __future__ import annotations

import ast
import re
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


def _classes() -> dict[str, list[tuple[Path, ast.ClassDef]]]:
    found: dict[str, list[tuple[Path, ast.ClassDef]]] = {}
    for path in sorted(PACKAGE.rglob("*.py")):
        for node in ast.parse(path.read_text(encoding="utf-8")).body:
            if isinstance(node, ast.ClassDef):
                found.setdefault(node.name, []).append((path, node))
    return found


def _members(node: ast.ClassDef, classes: dict[str, list[tuple[Path, ast.ClassDef]]]) -> set[str]:
    """Fields, methods and what `__init__` sets, those of the bases among them."""
    names = {each.name for each in node.body if isinstance(each, ast.FunctionDef)}
    for each in ast.walk(node):
        if isinstance(each, ast.AnnAssign | ast.Assign):
            targets = each.targets if isinstance(each, ast.Assign) else [each.target]
            names |= {ast.unparse(one).removeprefix("self.") for one in targets}
    for base in node.bases:
        for _, parent in classes.get(ast.unparse(base).rpartition(".")[2], []):
            if parent is not node:
                names |= _members(parent, classes)
    return names


def test_every_documented_attribute_exists() -> None:
    """What stands under 'Attributes' of a class is a field, property or attribute of it."""
    classes = _classes()
    checked = 0
    for name, places in classes.items():
        for path, node in places:
            told = re.search(
                r"^Attributes\n-+\n(.*?)(?=\n\n\S[^\n]*\n-+\n|\Z)",
                ast.get_docstring(node) or "",
                re.DOTALL | re.MULTILINE,
            )
            heads = re.findall(r"^(\w[\w, ]*)", told[1], re.MULTILINE) if told else []
            named = {one.strip() for head in heads for one in head.split(",")}
            wrong = named - _members(node, classes)
            assert not wrong, f"{path.relative_to(PACKAGE)}: {name} has no {sorted(wrong)}"
            checked += len(named)
    assert checked > 400


_OWN_NAMES = {"recheck", "evidence"}


def test_one_name_for_one_thing() -> None:
    """No class of the prover shares its name with another of it.

    Recheck has names of its own. A type of the evidence may be called like what it is made
    of.
    """
    for name, places in _classes().items():
        mine = [path for path, _ in places if _stage(path) not in _OWN_NAMES]
        assert len(mine) < 2 or name.startswith("_"), f"{name}: {[str(path) for path in mine]}"

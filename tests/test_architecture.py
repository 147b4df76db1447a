"""The flow is the layout: a later stage imports earlier ones only, no two modules each other."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from importlib import import_module
from pathlib import Path

import networkx as nx
import pytest

import waysapart

PACKAGE = Path(__file__).resolve().parents[1] / "src" / "waysapart"
FLOW = (
    "errors",
    "arrays",
    "strings",
    "text",
    "colours",
    "schema",
    "gaps",
    "evidence",
    "evidence_file",
    "input_files",
    "evidence_lines",
    "output_files",
    "formulas",
    "figures",
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


def _modules(package: Path) -> dict[str, Path]:
    """Dotted name and file of every module of a package, its sub-packages' `__init__` included."""
    found = {}
    for path in package.rglob("*.py"):
        parts = path.relative_to(package.parent).with_suffix("").parts
        found[".".join(parts[:-1] if parts[-1] == "__init__" else parts)] = path
    return found


def _imports_that_run(tree: ast.Module) -> Iterator[ast.Import | ast.ImportFrom]:
    """Imports at any depth, inside functions too, but for those under `if TYPE_CHECKING`."""
    left: list[ast.AST] = [tree]
    while left:
        node = left.pop()
        if isinstance(node, ast.Import | ast.ImportFrom):
            yield node
        elif isinstance(node, ast.If) and ast.unparse(node.test) == "TYPE_CHECKING":
            left += node.orelse
        else:
            left += ast.iter_child_nodes(node)


def import_circles(package: Path) -> list[list[str]]:
    """Sets of modules of a package that import each other, directly or by way of others."""
    modules = _modules(package)
    graph = nx.DiGraph()
    for module, path in modules.items():
        for node in _imports_that_run(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Import):
                names = [alias.name for alias in node.names]
            else:
                names = [f"{node.module}.{alias.name}" for alias in node.names]
                names = [name if name in modules else str(node.module) for name in names]
            graph.add_edges_from((module, name) for name in names if name in modules)
    graph.remove_edges_from(list(nx.selfloop_edges(graph)))
    return sorted(sorted(part) for part in nx.strongly_connected_components(graph) if len(part) > 1)


def test_no_modules_import_each_other() -> None:
    assert import_circles(PACKAGE) == []


def test_a_circle_is_found_behind_a_local_import(tmp_path: Path) -> None:
    """`a` imports `b`, whose function imports `c`, which imports `a`; `d` only for its types."""
    package = tmp_path / "made"
    (package / "sub").mkdir(parents=True)
    for name, text in {
        "__init__": "",
        "a": "from made import b\n",
        "b": "def f():\n    from made.sub.c import g\n    return g\n",
        "sub/__init__": "",
        "sub/c": "import made.a\ndef g(): ...\n",
        "d": "from made.a import b\n",
        "e": "from typing import TYPE_CHECKING\nif TYPE_CHECKING:\n    from made.d import b\n",
    }.items():
        (package / f"{name}.py").write_text(text, encoding="utf-8")
    assert import_circles(package) == [["made.a", "made.b", "made.sub.c"]]

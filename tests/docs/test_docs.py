"""The documentation agrees with the code."""

from __future__ import annotations

import importlib.util
import re
import tomllib
from pathlib import Path
from types import ModuleType

import pytest

ROOT = Path(__file__).resolve().parents[2]
PAGES = [ROOT / "README.md", ROOT / "DEVELOPERS.md", *sorted((ROOT / "docs").glob("*.md"))]


def _generator() -> ModuleType:
    spec = importlib.util.spec_from_file_location("generate", ROOT / "docs" / "generate.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.mark.parametrize("name", sorted(_generator().PAGES))
def test_generated_pages_are_up_to_date(name: str) -> None:
    """Run `python docs/generate.py` where this fails."""
    assert (ROOT / "docs" / name).read_text(encoding="utf-8") == _generator().PAGES[name]()


@pytest.mark.parametrize("page", PAGES, ids=[page.name for page in PAGES])
def test_links_lead_somewhere(page: Path) -> None:
    for target in re.findall(r"\]\((?!https?://|#)([^)#]+)", page.read_text(encoding="utf-8")):
        assert (page.parent / target).exists(), f"{page.name} links to {target}"


@pytest.mark.parametrize("page", PAGES, ids=[page.name for page in PAGES])
def test_a_page_that_speaks_of_rules_links_to_their_keys(page: Path) -> None:
    text = page.read_text(encoding="utf-8")
    if page.name in ("rules.md", "changelog.md", "DEVELOPERS.md"):
        return
    if re.search(r"rules\.toml|\bthe rules\b", text, re.IGNORECASE):
        assert re.search(r"\]\((docs/)?rules\.md", text), f"{page.name} speaks of the rules"


def test_readme_python_runs(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(ROOT)
    blocks = re.findall(r"```python\n(.*?)```", (ROOT / "README.md").read_text(), re.DOTALL)
    assert blocks
    for block in blocks:
        exec(compile(block, "README.md", "exec"), {})


def test_ci_runs_the_readme_command() -> None:
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    ci = (ROOT / ".ci" / "run").read_text(encoding="utf-8")
    assert "python -m pip install -e '.[test]' && python tests/run.py" in readme
    assert "python -m pip install --quiet -e '.[test]' && python tests/run.py" in ci


def test_one_version_is_stated_everywhere() -> None:
    """pyproject.toml says it; the changelog begins with it, and citations name it."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    version = project["version"]
    changelog = (ROOT / "docs" / "changelog.md").read_text(encoding="utf-8")
    (newest, *_) = re.findall(r"^## (\S+)", changelog, flags=re.MULTILINE)
    assert newest == version
    cite = (ROOT / "docs" / "cite.md").read_text(encoding="utf-8")
    assert set(re.findall(r"\d+\.\d+\.\d+", cite)) == {version}


def test_every_test_that_a_promise_rests_on_is_there() -> None:
    text = (ROOT / "docs" / "trust.md").read_text(encoding="utf-8")
    named = set(re.findall(r"`(?:tests/)?(\w+\.py)`", text))
    assert len(named) > 15
    assert named <= {path.name for path in (ROOT / "tests").rglob("*.py")}

"""The archives that people install hold what the program needs, and nothing else."""

from __future__ import annotations

import subprocess
import sys
import tarfile
import zipfile
from email.parser import Parser
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
PACKAGE = ROOT / "src" / "waysapart"


def _build(source: Path, target: Path, kind: str) -> Path:
    subprocess.run(
        [sys.executable, "-m", "hatchling", "build", "-t", kind, "-d", str(target)],
        cwd=source,
        check=True,
        capture_output=True,
    )
    (made,) = target.glob("*.whl" if kind == "wheel" else "*.tar.gz")
    return made


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    pytest.importorskip("hatchling")
    return _build(ROOT, tmp_path_factory.mktemp("wheel"), "wheel")


@pytest.fixture(scope="module")
def sdist(tmp_path_factory: pytest.TempPathFactory) -> Path:
    pytest.importorskip("hatchling")
    return _build(ROOT, tmp_path_factory.mktemp("sdist"), "sdist")


def _names(wheel: Path) -> set[str]:
    return set(zipfile.ZipFile(wheel).namelist())


def test_the_wheel_holds_the_whole_package_and_the_example(wheel: Path) -> None:
    inside = {name.removeprefix("waysapart/") for name in _names(wheel) if "dist-info" not in name}
    wanted = {
        path.relative_to(PACKAGE).as_posix()
        for path in PACKAGE.rglob("*")
        if path.is_file() and "__pycache__" not in path.parts
    }
    wanted |= {f"estuary/{path.name}" for path in (ROOT / "examples" / "estuary").iterdir()}
    for beside in ("proposal-a", "proposal-b", "works", "planning", "offers"):
        wanted |= {
            f"estuary/{beside}/{path.name}" for path in (ROOT / "examples" / beside).iterdir()
        }
    assert inside == wanted
    for name in (
        "py.typed",
        "evidence.schema.json",
        "study/default_rules.toml",
        "report/templates/report.html.j2",
        "estuary/study.toml",
        "estuary/plant.gpkg",
    ):
        assert name in inside


def test_the_wheel_says_what_it_is(wheel: Path) -> None:
    archive = zipfile.ZipFile(wheel)
    (metadata,) = [name for name in archive.namelist() if name.endswith("dist-info/METADATA")]
    told = Parser().parsestr(archive.read(metadata).decode())
    assert told["Name"] == "waysapart"
    assert told["License-Expression"] == "MIT"
    assert {"parquet", "database", "docs", "mutation", "test"} == set(
        told.get_all("Provides-Extra", [])
    )
    assert any(name.endswith("licenses/LICENSE") for name in archive.namelist())
    (entries,) = [name for name in archive.namelist() if name.endswith("entry_points.txt")]
    assert "waysapart = waysapart.cli:main" in archive.read(entries).decode()


def test_the_source_archive_makes_the_same_wheel(wheel: Path, sdist: Path, tmp_path: Path) -> None:
    with tarfile.open(sdist) as archive:
        safely = {"filter": "data"} if hasattr(tarfile, "data_filter") else {}  # from 3.11.4
        archive.extractall(tmp_path, **safely)
    (unpacked,) = [path for path in tmp_path.iterdir() if path.is_dir()]
    again = _build(unpacked, tmp_path / "dist", "wheel")
    first, second = zipfile.ZipFile(wheel), zipfile.ZipFile(again)
    assert _names(again) == _names(wheel)
    for name in _names(wheel):
        assert first.read(name) == second.read(name), name


def test_the_source_archive_holds_tests_docs_and_examples(sdist: Path) -> None:
    with tarfile.open(sdist) as archive:
        inside = {name.partition("/")[2] for name in archive.getnames()}
    for name in (
        "tests/run.py",
        "docs/conf.py",
        "docs/index.md",
        "examples/awkward/study.toml",
        "examples/estuary.ipynb",
        "README.md",
        "DEVELOPERS.md",
        "LICENSE",
    ):
        assert name in inside
    assert not [name for name in inside if "__pycache__" in name or name.startswith(".ci")]

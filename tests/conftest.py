"""Fixtures of more than one module."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

import waysapart as wa
from axe import axe_source
from browser import Watched, chromium
from small_study import write_small_study
from waysapart.report.page import render_report
from waysapart.report.write import report_facts

ESTUARY = Path(__file__).resolve().parents[1] / "examples" / "estuary"


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Leave out what is slow, unless it is asked for."""
    if "slow" not in str(config.getoption("markexpr")):
        slow = [item for item in items if item.get_closest_marker("slow")]
        if slow:
            config.hook.pytest_deselected(items=slow)
            items[:] = [item for item in items if not item.get_closest_marker("slow")]


@pytest.fixture(scope="session")
def estuary_proof() -> wa.Proof:
    """The demo, proved once for all tests that only look at it."""
    return wa.prove(wa.read_study(ESTUARY))


@pytest.fixture(scope="session")
def estuary_report(estuary_proof: wa.Proof) -> tuple[dict[str, Any], dict[str, Any]]:
    """Facts and geometry of the demo's report. Look only: whoever changes them copies them."""
    return report_facts(estuary_proof)


@pytest.fixture(scope="session")
def estuary_page(estuary_report: tuple[dict[str, Any], dict[str, Any]]) -> str:
    """The demo's report as HTML, without pictures and packed evidence."""
    facts, geo = estuary_report
    return render_report(facts, geo, title="Are the ways apart?")


@pytest.fixture(scope="session")
def empty_report(
    tmp_path_factory: pytest.TempPathFactory,
) -> tuple[dict[str, Any], dict[str, Any]]:
    """Facts and geometry of the small study without its circuit."""
    folder = write_small_study(tmp_path_factory.mktemp("empty"))
    for role in ("circuits", "circuit_paths"):
        head, *_ = (folder / f"{role}.csv").read_text(encoding="utf-8").splitlines()
        (folder / f"{role}.csv").write_text(f"{head}\n", encoding="utf-8")
    return report_facts(wa.prove(wa.read_study(folder)))


@pytest.fixture(scope="session")
def axe(tmp_path_factory: pytest.TempPathFactory) -> str:
    """The script of the accessibility engine, fetched once."""
    return axe_source(tmp_path_factory.mktemp("axe"))


@pytest.fixture(scope="module")
def watched() -> Iterator[Watched]:
    """A browser that complains at the end of a module if a page did, or asked for anything."""
    with chromium() as browser:
        found = Watched(browser)
        yield found
        found.close()

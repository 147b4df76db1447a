"""Fixtures of more than one module."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

import waysapart as wa
from axe import axe_source
from browser import Watched, chromium

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

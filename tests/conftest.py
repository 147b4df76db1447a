"""Fixtures of more than one module."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from browser import Watched, chromium


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Leave out what is slow, unless it is asked for."""
    if "slow" not in str(config.getoption("markexpr")):
        slow = [item for item in items if item.get_closest_marker("slow")]
        if slow:
            config.hook.pytest_deselected(items=slow)
            items[:] = [item for item in items if not item.get_closest_marker("slow")]


@pytest.fixture(scope="module")
def watched() -> Iterator[Watched]:
    """A browser that complains at the end of a module if a page did, or asked for anything."""
    with chromium() as browser:
        found = Watched(browser)
        yield found
        found.close()

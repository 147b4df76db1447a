"""Fixtures of more than one module."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from browser import Watched, chromium


@pytest.fixture(scope="module")
def watched() -> Iterator[Watched]:
    """A browser that complains at the end of a module if a page did, or asked for anything."""
    with chromium() as browser:
        found = Watched(browser)
        yield found
        found.close()

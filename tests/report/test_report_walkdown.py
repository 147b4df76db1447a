"""The walk-down sheet in a browser: on a phone, for a screen reader, without a network."""

from __future__ import annotations

from pathlib import Path

import pytest

import waysapart as wa
from axe import axe_source, complaints
from browser import chromium

pytestmark = pytest.mark.browser


def test_the_sheet_opens_on_a_phone_and_asks_for_nothing(
    estuary_proof: wa.Proof, tmp_path: Path
) -> None:
    """Ground and boxes are drawn, nothing runs off the side, and there is room to write."""
    axe = axe_source(tmp_path)
    found = wa.hangs_on(estuary_proof, circuits=["C14", "G2"], top=6)
    sheet = wa.write_walkdown(found, tmp_path / "walkdown.html")
    with chromium() as browser:
        page = browser.new_page(viewport={"width": 390, "height": 840})
        asked: list[str] = []
        page.on("request", lambda request: asked.append(request.url))
        page.goto(sheet.as_uri())
        assert asked == [sheet.as_uri()]
        assert page.evaluate("document.documentElement.scrollWidth") == 390
        items = page.locator(".walk-item")
        assert items.count() == len(found.listed)
        assert items.locator("svg.walk .w-box").count() > 0
        assert items.locator("svg.walk .w-main").count() > 0
        boxes = items.first.locator(".walk-found span")
        assert boxes.all_inner_texts() == ["Found on site", "By", "Date"]
        assert all(boxes.nth(one).bounding_box()["height"] > 40 for one in range(3))
        assert complaints(page, axe, "light") == []

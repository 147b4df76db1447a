"""What the map of the demo draws and does, in a browser: lanes, dimensions, ids, search, wheel."""

from __future__ import annotations

import time
from collections.abc import Iterator
from itertools import combinations
from pathlib import Path
from typing import Any

import pytest
from pyproj import Transformer

import waysapart as wa
from browser import Watched, pixels
from waysapart.figures import metres
from waysapart.report.page import render_report

pytestmark = pytest.mark.browser

HOSTILE = "roads <img src=x onerror=ran(1)>{{ 7*7 }}${ran(2)}"
SPY = """
(() => {
  const pen = CanvasRenderingContext2D.prototype, was = {};
  window.written = []; window.strokes = [];
  ['beginPath', 'moveTo', 'stroke', 'fillText'].forEach(n => { was[n] = pen[n]; });
  let moves = 0;
  pen.beginPath = function () { moves = 0; return was.beginPath.call(this); };
  pen.moveTo = function (x, y) { moves++; return was.moveTo.call(this, x, y); };
  pen.stroke = function () {
    window.strokes.push({ width: this.lineWidth, moves: moves, dash: this.getLineDash().length });
    return was.stroke.call(this);
  };
  pen.fillText = function (t, x, y) {
    window.written.push({ text: t, x: x, y: y, w: this.measureText(t).width, font: this.font });
    return was.fillText.call(this, t, x, y);
  };
})();
"""


@pytest.fixture(scope="module")
def page(
    watched: Watched,
    estuary_report: tuple[dict[str, Any], dict[str, Any]],
    tmp_path_factory: pytest.TempPathFactory,
) -> Any:
    """The demo with two more pits, T9-10 and T9-2, and with two layers without a role."""
    facts, geo = estuary_report
    points = geo["points"]["features"]
    pit = next(one for one in points if one["properties"]["kind"] == "pit")
    more = [{**pit, "properties": {**pit["properties"], "id": name}} for name in ("T9-10", "T9-2")]
    lon, lat = pit["geometry"]["coordinates"][:2]
    road = {"type": "MultiLineString", "coordinates": [[[lon - 1, lat], [lon + 1, lat]]]}
    land = {
        "type": "MultiPolygon",
        "coordinates": [[[[lon - 1, lat - 1], [lon + 1, lat - 1], [lon, lat], [lon - 1, lat - 1]]]],
    }
    backdrops = {
        "type": "FeatureCollection",
        "features": [
            {
                "type": "Feature",
                "properties": {"layer": HOSTILE, "shape": "line"},
                "geometry": road,
            },
            {"type": "Feature", "properties": {"layer": "land", "shape": "area"}, "geometry": land},
        ],
        "box": [lon - 1, lat - 1, lon + 1, lat + 1],
        "detail_m": 4.0,
    }
    drawn = {
        **geo,
        "points": {"type": "FeatureCollection", "features": [*points, *more]},
        "backdrops": backdrops,
    }
    path = Path(tmp_path_factory.mktemp("drawn")) / "report.html"
    path.write_text(render_report(facts, drawn, title="Drawn"), encoding="utf-8")
    found = watched.open(path)
    found.evaluate(SPY)
    return found


@pytest.fixture(autouse=True)
def _afresh(page: Any) -> Iterator[None]:
    """Nothing chosen, nothing picked, all of the plant in sight."""
    yield
    page.keyboard.press("Escape")
    page.evaluate(
        "() => { waysapart.pickAsset(null, false); waysapart.choose(null, 'test');"
        " waysapart.view.showCircuit(null); }"
    )


def choose(page: Any, name: str) -> int:
    number: int = page.evaluate(
        "name => { const n = waysapart.data.circuits.findIndex(c => c.id === name);"
        " waysapart.choose(n, 'test'); return n; }",
        name,
    )
    return number


def redrawn(page: Any) -> tuple[list[dict[str, Any]], list[dict[str, Any]]]:
    """Texts and strokes of one more drawing of the map."""
    found = page.evaluate(
        "() => { window.written = []; window.strokes = []; waysapart.view.redraw();"
        " return [window.written, window.strokes]; }"
    )
    return found[0], found[1]


def until(page: Any, condition: str) -> bool:
    """Whether it becomes true within five seconds; the page's policy forbids waiting inside it."""
    end = time.monotonic() + 5
    while time.monotonic() < end:
        if page.evaluate(condition):
            return True
        page.wait_for_timeout(30)
    return False


def near_mark(page: Any, zoom: float) -> dict[str, Any]:
    """The near place of C25, in the middle of the map."""
    mark: dict[str, Any] = page.evaluate(
        "([n, zoom]) => { const m = waysapart.data.marks.find(m => m.circuit === n);"
        " waysapart.map.setView([m.at[1], m.at[0]], zoom, { animate: false });"
        " waysapart.view.redraw(); return { at: m.at, distance_m: m.distance_m,"
        " length_m: m.length_m, main: m.main,"
        " alternate: m.alternate, ends: waysapart.pen.endsOf(m) }; }",
        [choose(page, "C25"), zoom],
    )
    return mark


def card(page: Any) -> dict[str, str]:
    terms = page.locator("#plan-card dt").all_text_contents()
    told = page.locator("#plan-card dd").all_text_contents()
    return {term: " ".join(text.split()) for term, text in zip(terms, told, strict=True)}


def test_both_lanes_show_on_a_near_band_with_the_distance_between_them(page: Any) -> None:
    """At zoom 20 the trenches of C25 lie some 17 pixels apart. Both lanes are there in their
    colours along the whole map of 660 pixels, each at least 2 pixels high, on the band; the
    distance is written, and the dimension line ends on both trenches, so far apart: coordinates
    are whole millionths of a degree, 0.11 m, at both ends."""
    mark = near_mark(page, 20)
    for colour in ("main", "alternate", "near"):
        assert pixels(page, colour) > 660, colour
    texts, _ = redrawn(page)
    said = f"{metres(mark['distance_m'])} over {metres(mark['length_m'])}"
    assert said in [one["text"] for one in texts]
    (ax, ay), (bx, by) = mark["ends"]
    scale = page.evaluate("() => 256 * Math.pow(2, waysapart.map.getZoom())")
    metres_per_pixel = page.evaluate(
        "lat => 40075016.7 * Math.cos(lat * Math.PI / 180) / (256 * Math.pow(2, 20))",
        mark["at"][1],
    )
    apart = ((ax - bx) ** 2 + (ay - by) ** 2) ** 0.5 * scale * metres_per_pixel
    assert apart == pytest.approx(mark["distance_m"], abs=0.22)


def test_a_shared_stretch_has_one_outline(page: Any) -> None:
    """C01 shares the 30 spans N1-S01 to N1-S30: one stroke for its outline, one for its core, and
    no break between the spans; the dashes of the alternate path run on over them as well."""
    number = choose(page, "C01")
    segments = page.evaluate(
        "n => waysapart.data.circuits[n].shared.filter(s => waysapart.plantAt.has(s.asset)).length",
        number,
    )
    assert segments >= 30
    _, strokes = redrawn(page)
    bands = [one for one in strokes if one["width"] in (14, 11.5)]
    assert [one["width"] for one in bands] == [14, 11.5]
    assert bands[0]["moves"] <= 3
    dashed = [one for one in strokes if one["dash"] and one["width"] in (3, 2.5)]
    assert dashed
    assert all(one["moves"] <= 6 for one in dashed)


def test_the_card_of_an_asset_names_its_findings(page: Any) -> None:
    mark = near_mark(page, 16)
    for one, other in ((mark["main"], mark["alternate"]), (mark["alternate"], mark["main"])):
        page.evaluate("id => waysapart.pickAsset(id, false)", one)
        assert card(page)["Found"] == f"near {other}, {metres(mark['distance_m'])}, C25"
    page.evaluate("() => waysapart.pickAsset('N2-S18', false)")
    assert card(page)["Found"] == "crossing N2B-S21, C06"
    page.evaluate("() => waysapart.pickAsset('PIT-HER-7', false)")
    assert card(page)["Shared by both paths of"] == "C04 C17 C33"


def test_an_id_that_ends_in_no_number_stands_for_itself(page: Any) -> None:
    """Runs of ids are told by the first and the last: a run of one is that one."""
    told = "() => waysapart.idsFrom('POWER-HOUSE', 'POWER-HOUSE', 1)"
    assert page.evaluate(told) == ["POWER-HOUSE"]
    assert page.evaluate("() => waysapart.idsFrom('T-08', 'T-11', 4)") == [
        *("T-08", "T-09", "T-10", "T-11")
    ]


def test_the_card_tells_the_gaps_of_its_records(page: Any) -> None:
    said, bears_on, runs = page.evaluate("() => waysapart.data.gaps[0]")
    page.evaluate("id => waysapart.pickAsset(id, false)", runs[0][0])
    told = {"both": "separation and limits"}.get(bears_on, bears_on)
    assert " ".join(said.split()) + f" (bears on {told})" in card(page)["Record gaps"]


def test_ids_are_written_when_close_and_no_text_covers_another(page: Any) -> None:
    """Far out names of sites alone; at a pit the ids of pits, towers and segments around it."""
    texts, _ = redrawn(page)
    names = [one["text"] for one in texts]
    assert "PIT-HER-7" not in names
    assert page.evaluate("() => waysapart.data.hazards.id").count("HZ-FLOOD-1") == 1
    assert "HZ-FLOOD-1" in names
    page.evaluate("() => waysapart.view.showAsset('PIT-HER-7')")
    close, _ = redrawn(page)
    ids = {one["text"] for one in close}
    assert "PIT-HER-7" in ids
    segments = set(page.evaluate("() => waysapart.data.plant.id"))
    structures = set(page.evaluate("() => waysapart.data.points.id"))
    assert len(ids & segments) > 5
    assert len(ids & structures) > 5
    for some in (texts, close):
        boxes = [
            (one["x"], one["y"] - 6, one["x"] + one["w"], one["y"] + 6)
            for one in some
            if "°" not in one["text"] and not one["text"].isdigit()
        ]
        for a, b in combinations(boxes, 2):
            assert not (a[0] < b[2] and b[0] < a[2] and a[1] < b[3] and b[1] < a[3]), (a, b)


def test_search_finds_circuits_and_lists_ids_as_people_count(page: Any) -> None:
    page.fill("#plan-find", "c25")
    assert page.locator("#plan-found button").first.text_content().startswith("C25circuit")
    page.keyboard.press("Enter")
    assert page.evaluate("() => waysapart.data.circuits[waysapart.chosen()].id") == "C25"
    page.fill("#plan-find", "t9-")
    found = page.locator("#plan-found .id").all_text_contents()
    assert found.index("T9-2") < found.index("T9-10")
    page.fill("#plan-find", "")


def test_typed_coordinates_are_found_in_degrees_and_in_the_grid(
    page: Any, estuary_proof: wa.Proof
) -> None:
    """Bare degrees are read in both orders, each stated; letters settle the order."""
    lon, lat = page.evaluate("() => waysapart.data.marks[0].at")
    page.fill("#plan-find", f"{lat:.5f}, {lon:.5f}")
    hits = page.locator("#plan-found button").all_text_contents()
    away, side = f"{abs(lon):.5f}", "W" if lon < 0 else "E"
    turned = f"{away}° {'S' if lon < 0 else 'N'}  {lat:.5f}° E"
    assert hits[0] == f"{lat:.5f}° N  {away}° {side}latitude, longitude"
    assert hits[1] == f"{turned}longitude, latitude, far from the plant"
    turn = Transformer.from_crs("EPSG:4326", estuary_proof.study.crs, always_xy=True)
    east, north = turn.transform(lon, lat)
    for typed in (
        f"{lon:.5f} {lat:.5f}",
        f"{lat:.5f} N {away} {side}",
        f"{away}° {side}; {lat:.5f}° N".replace(".", ","),
        f"{east:.0f} {north:.0f}",
        f"{north:.0f}, {east:.0f}",
        f"E {east:,.0f} N {north:,.0f}".replace(",", " "),
    ):
        page.evaluate("() => waysapart.map.setZoom(8, { animate: false })")
        page.fill("#plan-find", typed)
        page.keyboard.press("Enter")
        at = page.evaluate("() => { const c = waysapart.map.getCenter(); return [c.lng, c.lat]; }")
        assert at == pytest.approx([lon, lat], abs=3e-5), typed
        assert page.text_content("#plan-card .id") == "Place"
    page.fill("#plan-find", "91 N 200 E")
    assert "Nothing in the study" in page.text_content("#plan-found")
    page.fill("#plan-find", "")


def test_coordinates_of_a_picked_point_are_copied(page: Any, estuary_proof: wa.Proof) -> None:
    page.evaluate(
        "() => Object.defineProperty(navigator, 'clipboard', { configurable: true,"
        " value: { writeText: t => { window.copied = t; return Promise.resolve(); } } })"
    )
    page.evaluate("() => waysapart.pickAsset('PIT-HER-7', true)")
    study = estuary_proof.study
    row = study.tables["structures"]["id"].to_list().index("PIT-HER-7")
    point = study.lonlat("structures")[row]
    east, north = Transformer.from_crs("EPSG:4326", study.crs, always_xy=True).transform(
        point.x, point.y
    )
    page.click("#plan-card .copy >> nth=0")
    told = [int(one) for one in page.evaluate("() => window.copied").split()]
    assert told == pytest.approx([east, north], abs=1)
    page.click("#plan-card .copy >> nth=1")
    told = [float(one) for one in page.evaluate("() => window.copied").split(", ")]
    assert told == pytest.approx([point.y, point.x], abs=2e-6)
    assert page.text_content("#plan-card .copy >> nth=1") == "Copied"


def test_the_wheel_scrolls_the_page_and_with_ctrl_zooms_the_map(page: Any) -> None:
    page.evaluate("() => document.getElementById('map').scrollIntoView()")
    frame = page.locator(".folium-map").bounding_box()
    page.mouse.click(frame["x"] + 300, frame["y"] + 300)
    state = "() => [window.scrollY, waysapart.map.getZoom()]"
    top, zoom = page.evaluate(state)
    assert page.is_hidden("#plan-hint")
    page.mouse.wheel(0, 120)
    assert until(page, f"window.scrollY > {top}")
    assert page.is_visible("#plan-hint")
    assert page.evaluate(state)[1] == zoom
    top = page.evaluate(state)[0]
    page.keyboard.down("Control")
    page.mouse.wheel(0, -240)
    assert until(page, f"waysapart.map.getZoom() > {zoom}")
    page.keyboard.up("Control")
    assert page.evaluate(state)[0] == top
    assert page.is_hidden("#plan-hint")


def test_layers_of_the_study_lie_under_the_plant_and_switch(page: Any) -> None:
    """The road and the land are drawn, can be switched off, and their names are text."""
    label = page.locator("#plan-layers label:has(input[value=backdrop-0])")
    assert label.text_content().strip() == HOSTILE
    assert page.evaluate("() => window.hasRun") is None
    _, before = redrawn(page)
    for number in (0, 1):
        page.evaluate(
            "n => { const b = document.querySelector(`input[value=backdrop-${n}]`);"
            " b.checked = false; b.dispatchEvent(new Event('change')); }",
            number,
        )
    _, after = redrawn(page)
    assert len(before) - len(after) == 2


def test_the_findings_of_a_circuit_are_framed(page: Any) -> None:
    """All of the near stretch of C25 lies in the frame, and fills at least a third of its width."""
    number = choose(page, "C25")
    share = page.evaluate(
        "n => { waysapart.view.showFindings(n); const l = waysapart.data.close.find("
        "c => c.circuit === n).drawn, s = 256 * Math.pow(2, waysapart.map.getZoom());"
        " const b = waysapart.map.getBounds(), w = waysapart.across(b.getWest()),"
        " e = waysapart.across(b.getEast()), xs = Array.from(l.x);"
        " return [Math.min(...xs) > w && Math.max(...xs) < e,"
        " (Math.max(...xs) - Math.min(...xs)) / (e - w)]; }",
        number,
    )
    assert share[0]
    assert share[1] > 1 / 3

"""What the map is given: compact, complete, and its text as text."""

import itertools

import pytest

from waysapart.gaps import GAP_CODES
from waysapart.report.map import Tiles, folium_map, frame, in_runs, map_data
from waysapart.report.page import _FILTERS


def collection(*features):
    return {"type": "FeatureCollection", "features": list(features)}


def feature(geometry, **properties):
    return {"type": "Feature", "geometry": geometry, "properties": properties}


LINE = {"type": "LineString", "coordinates": [[8.0, 54.0], [8.00001, 54.0], [8.5, 54.25]]}
GEO = {
    "plant": collection(feature(LINE, id="D-1", role="segments", kind="duct", name="x{{ 7*7 }}")),
    "points": collection(
        feature(
            {"type": "Polygon", "coordinates": [[[8, 54], [9, 54], [9, 55], [8, 55], [8, 54]]]},
            id="S-1",
            role="sites",
            kind=None,
            name="\u202eevil",
        )
    ),
    "paths": collection(
        feature(None, circuit="C-1", path="main", segments=["D-1", "D-unknown"]),
        feature(LINE, circuit="C-1", path="alternate"),
        feature(LINE, circuit="C-elsewhere", path="main"),
    ),
    "hazards": collection(feature({"type": "Point", "coordinates": [8, 54]}, id="H", kind="slip")),
}
FACTS = {
    "circuits": [
        {
            "id": "C-1",
            "verdict": "shared",
            "shared": [{"asset": "D-1", "waived": True}],
            "near": [{"main": "D-1", "alternate": "D-2", "distance_m": 1.5, "at": [8.1, 54.1]}],
            "cross": [{"main": "D-1", "alternate": "D-2", "at": None}],
        }
    ],
    "effects": {
        "losses": [[["C-1"], ["C-gone"], []]],
        "cables": [],
        "kinds": ["duct"],
        "of": {"D-1": [0, -1, 0]},
    },
}


def test_coordinates_are_steps_of_millionths_of_a_degree():
    """Sums of the steps give the vertices back to within half a millionth."""
    packed = map_data(FACTS, GEO)["plant"]
    assert packed["xy"] == [8_000_000, 54_000_000, 10, 0, 499_990, 250_000]
    assert packed["n"] == [3]
    assert packed["of"] == [0]
    lon = list(itertools.accumulate(packed["xy"][::2]))
    assert [x / 1e6 for x in lon] == [x for x, _ in LINE["coordinates"]]


def test_paths_name_their_segments_or_bring_their_own_line():
    main, alternate = map_data(FACTS, GEO)["circuits"][0]["paths"]
    assert (main["path"], main["segments"], main["n"]) == ("main", [0, 0], [])
    assert (alternate["path"], alternate["segments"], alternate["n"]) == ("alternate", [], [3])


@pytest.mark.parametrize(
    ("segments", "runs"),
    [
        ([], []),
        ([4, 5, 6, 7], [4, 3]),
        ([7, 6, 5, 9], [7, -2, 9, 0]),
        ([3, 4, 3, 4], [3, 1, 3, 1]),
        ([2, 2, 8], [2, 0, 2, 0, 8, 0]),
    ],
)
def test_segments_of_a_path_are_runs(segments, runs):
    """The first of each run, and how many follow upwards or, below nought, downwards."""
    assert in_runs(segments) == runs


def test_marks_stand_only_where_a_position_is_known():
    (mark,) = map_data(FACTS, GEO)["marks"]
    assert (mark["what"], mark["circuit"], mark["at"]) == ("near", 0, [8.1, 54.1])


def test_losses_count_circuits_of_the_facts_only():
    data = map_data(FACTS, GEO)
    assert data["losses"] == [[[0], [], []]]
    of = data["of"]
    assert of["kinds"] == [[0, -1, 0]]
    assert [of[table] for table in ("plant", "points", "hazards", "others")] == [
        [0],
        [-1],
        [-1],
        [],
    ]
    assert of["more"] == {}


def test_names_are_visible_text_and_never_reach_folium():
    assert map_data(FACTS, GEO)["points"]["name"] == ["⟨U+202E⟩evil"]
    parts = folium_map(GEO, "Map of {{ 7*7 }} <b>")
    assert "Map of &#123;&#123; 7*7 &#125;&#125; &#60;b&#62;" in parts.body
    assert not any("7*7" in script for script in parts.scripts)


def test_the_map_needs_leaflet_alone_and_opens_with_all_that_is_drawn():
    """Leaflet and folium's own lines, which hold numbers: none of folium's other libraries."""
    parts = folium_map(GEO, "a")
    leaflet, own = parts.scripts
    assert "Leaflet 1.9" in leaflet
    assert "map_plan.fitBounds([[54.0, 8.0], [55.0, 9.0]], { padding: [24, 24] });" in own
    assert len(parts.styles) == 1


def test_the_frame_holds_all_that_is_drawn_and_is_the_world_for_nothing():
    assert frame(GEO) == (8.0, 54.0, 9.0, 55.0)
    assert frame({}) == (-180.0, -85.0, 180.0, 85.0)


def test_a_coordinate_that_is_no_number_is_an_error():
    point = feature({"type": "Point", "coordinates": [float("nan"), 54.0]}, id="P")
    with pytest.raises(ValueError, match="finite"):
        frame({"points": collection(point)})


def test_the_same_study_gives_the_same_map(estuary_report):
    facts, geo = estuary_report
    assert folium_map(geo, "a") == folium_map(geo, "a")
    assert map_data(facts, geo) == map_data(facts, geo)


def test_tiles_are_added_only_when_asked_for():
    assert "tiles" not in map_data(FACTS, GEO)
    tiles = Tiles("https://{s}.tiles.example:8443/{z}/{x}/{y}.png", "Made by <us>", 17)
    assert tiles.origin == "https://*.tiles.example:8443"
    assert map_data(FACTS, GEO, tiles)["tiles"]["max_zoom"] == 17


@pytest.mark.parametrize(
    "url",
    [
        "javascript:alert(1)//{z}{x}{y}",
        "https://tiles.example/{z}/{x}.png",
        "https://tiles.example; script-src *//{z}/{x}/{y}",
        "https:///{z}/{x}/{y}",
        "https://user@tiles.example/{z}/{x}/{y}",
    ],
)
def test_an_address_that_is_no_tile_address_is_refused(url):
    with pytest.raises(ValueError, match="tile address"):
        Tiles(url)


def near(**more):
    pair = {"main": "D-1", "alternate": "D-2", "distance_m": 1.5, "at": [8.1, 54.1]}
    return {**pair, "length_m": 40.0, "waived": False, **more}


def test_every_pair_of_a_near_stretch_is_told_by_places_and_centimetres():
    """D-1 and D-2 are the closest, at 1.5 m; D-3 and D-2 2.25 m, D-1 and D-3 as near as the
    closest, since a pair without a distance has that of the stretch; D-9 is not drawn."""
    plant = collection(
        *(feature(LINE, id=f"D-{k}", role="segments", kind="duct") for k in (1, 2, 3))
    )
    pairs = [
        {"main": "D-1", "alternate": "D-2", "distance_m": 1.5},
        {"main": "D-3", "alternate": "D-2", "distance_m": 2.25},
        {"main": "D-1", "alternate": "D-3"},
        {"main": "D-9", "alternate": "D-2", "distance_m": 3.0},
    ]
    circuit = {"id": "C-1", "verdict": "shared", "near": [near(members=pairs)]}
    (mark,) = map_data({"circuits": [circuit]}, {"plant": plant})["marks"]
    assert (mark["main"], mark["alternate"], mark["distance_m"]) == ("D-1", "D-2", 1.5)
    assert (mark["pairs"], mark["whole"]) == ([2, 1, 225, 0, 2, 150], True)


def test_gaps_are_told_by_asset_each_message_once():
    """One asset: what its gap says. Several: what gaps of that kind mean, and runs of ids."""
    gaps = [
        {"code": "no-id", "message": "row 3 <b>", "bears_on": "both", "asset": "D-1"},
        {
            "code": "dangling-reference",
            "message": "4 of them",
            "bears_on": "limits",
            "assets": ["P-1", "P-2", "P-3", "P-4"],
        },
        {"code": "unknown", "message": "nobody's", "bears_on": None, "asset": ""},
    ]
    told = map_data({"circuits": [], "gaps": gaps}, GEO)["gaps"]
    assert told == [
        ["row 3 <b>", "both", [("D-1", "D-1", 1)]],
        [GAP_CODES["dangling-reference"].means, "limits", [("P-1", "P-4", 4)]],
    ]


def test_backdrops_are_drawn_and_leave_the_frame_as_it_is():
    parts = [[[7.0, 53.0], [7.5, 53.5]], [[8.0, 54.0], [8.1, 54.1], [8.2, 54.0]]]
    line = {"type": "MultiLineString", "coordinates": parts}
    point = {"type": "MultiPoint", "coordinates": [[8.0, 54.5], [8.1, 54.6]]}
    backdrops = {
        **collection(
            feature(line, layer="coast\u202e", shape="line"),
            feature(point, layer="coast\u202e", shape="point"),
        ),
        "box": [7.0, 53.0, 10.0, 56.0],
    }
    geo = {**GEO, "backdrops": backdrops}
    told = map_data(FACTS, geo)["backdrops"]
    assert (told["layers"], told["layer"]) == (["coast⟨U+202E⟩"], [0, 0])
    assert told["shape"] == ["line", "point"]
    assert (told["of"], told["n"]) == ([0, 0, 1, 1], [2, 3, 1, 1])
    assert told["box"] == [7.0, 53.0, 10.0, 56.0]
    assert frame(geo) == frame(GEO)


def test_the_list_of_circuits_is_in_the_order_of_their_numbers():
    by_id = _FILTERS["by_id"]
    assert [one["id"] for one in by_id([{"id": "C10"}, {"id": "B3"}, {"id": "C2"}])] == [
        "B3",
        "C2",
        "C10",
    ]

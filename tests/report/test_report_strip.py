"""The two-lane strip: where everything lies along the paths, and the drawing of it."""

from __future__ import annotations

from collections import Counter
from xml.etree import ElementTree

import numpy as np
import pytest

from browser import marks_of
from read_strip import boxes, read_strip
from waysapart.report.stretches import Finding, folded, shared_routes
from waysapart.report.strip import LEFT, RIGHT, strip_said, strip_svg
from waysapart.report.strip_layout import strips

SVG = "{http://www.w3.org/2000/svg}"


@pytest.fixture(scope="module")
def facts_and_strips(estuary_proof):
    facts = estuary_proof.facts()
    return facts, strips(estuary_proof, facts)


@pytest.fixture(scope="module")
def facts(facts_and_strips):
    return {one["id"]: one for one in facts_and_strips[0]["circuits"]}


@pytest.fixture(scope="module")
def made(facts_and_strips):
    return facts_and_strips[1]["circuit"]


def labels(one):
    return [route.label for route in shared_routes(one)]


def pits(number):
    """So many findings of one pit each, X0, X1 and so on."""
    entry = {"role": "structures", "kind": "pit", "waived": False, "through": None}
    entry |= {"own_line": None, "needed": False, "stretch": 1}
    return [Finding([{"asset": f"X{k}", **entry}], [], [], {}, {}, False) for k in range(number)]


def drawn(strip, findings=None):
    return str(strip_svg(strip, pits(40) if findings is None else findings, "C", "c1"))


def test_every_circuit_and_group_has_a_strip(facts_and_strips):
    facts, found = facts_and_strips
    assert set(found["circuit"]) == {one["id"] for one in facts["circuits"]}
    assert set(found["group"]) == {one["id"] for one in facts["groups"]} == {"G1", "G2", "G3"}


def test_lanes_are_as_long_as_their_routes(facts, made):
    for name, strip in made.items():
        for lane in strip["lanes"]:
            path = facts[name]["paths"][lane["label"]]
            route = path["route_m"] or path["route_at_least_m"]
            assert lane["length_m"] == pytest.approx(route, abs=1.0), (name, lane["label"])


def test_the_only_record_that_breaks_off_is_that_of_c09(made):
    """Its cable UC-U6B lacks a piece; everywhere else each segment begins where the last ended."""
    broken = {
        (name, lane["label"]): len(lane["breaks"])
        for name, strip in made.items()
        for lane in strip["lanes"]
        if lane["breaks"]
    }
    assert broken == {("C09", "alternate"): 1}
    assert "breaks off" in drawn(made["C09"])
    assert "breaks off" not in drawn(made["C27"])


def test_stretches_follow_each_other_without_a_gap(made):
    for strip in made.values():
        for lane in strip["lanes"]:
            runs = sorted(
                [(low, high) for low, high, _ in lane["stretches"]]
                + [(hop["from_m"], hop["to_m"]) for hop in lane["hops"]]
            )
            assert runs[0][0] == 0.0
            assert runs[-1][1] == pytest.approx(lane["length_m"])
            ends = np.array(runs)
            assert np.abs(ends[1:, 0] - ends[:-1, 1]).max(initial=0.0) < 1e-6


def test_a_line_of_towers_is_marked_tower_by_tower(made):
    """C01 runs over N1: gantries at both ends, 29 towers about 328 m apart between them."""
    main = made["C01"]["lanes"][0]
    towers = [at for at, _, kind, _ in main["marks"] if kind == "tower"]
    assert len(towers) == 29
    assert np.diff(towers) == pytest.approx(np.diff(towers).mean(), rel=0.02)
    kinds = Counter(kind for _, _, kind, _ in main["marks"])
    assert kinds["gantry"] == 2
    assert kinds["entry"] == 2
    assert kinds["relay"] == 2


def test_everything_shared_is_a_bridge_at_its_place(facts, made):
    """On a circuit whose paths both have a course; in order, each with a place on either lane."""
    for name, strip in made.items():
        wanted = [list(route.numbers) for route in shared_routes(facts[name])]
        assert [bridge["findings"] for bridge in strip["bridges"]] == wanted, name
        assert sorted(k for some in wanted for k in some) == list(range(len(folded(facts[name]))))
        for bridge in strip["bridges"]:
            for lane, spots in zip(strip["lanes"], bridge["spots"], strict=True):
                assert spots
                assert all(0 <= low <= high <= lane["length_m"] + 1e-6 for low, high in spots)


def test_the_trench_of_c03_lies_at_heronfleet(made):
    """Main lies 90 m in it and leaves it 30 m of riser and tray before its end."""
    (bridge,) = made["C03"]["bridges"]
    (main,), (alternate,) = bridge["spots"]
    ends = [lane["length_m"] for lane in made["C03"]["lanes"]]
    assert main[1] - main[0] == pytest.approx(90, abs=5)
    assert ends[0] - main[1] < 150
    assert ends[1] - alternate[1] < 150


def test_a_flood_bridges_what_it_reaches_of_both(made):
    """C26: the surge area reaches kilometres of B1's ducts and some towers of X1."""
    (bridge,) = made["C26"]["bridges"]
    longest = [max(high - low for low, high in spots) for spots in bridge["spots"]]
    assert min(longest) > 1000


def test_near_paths_lean_where_they_are_near(made):
    """C25: 807 m are expected, from 4.77 km on; the same on the other path."""
    (near,) = made["C25"]["near"]
    main, alternate = near["on"]
    assert main == pytest.approx([4770, 5581], abs=5)
    assert alternate[1] - alternate[0] == pytest.approx(main[1] - main[0], abs=10)
    assert near["distance_m"] == pytest.approx(1.5, abs=0.01)
    svg = drawn(made["C25"])
    assert svg.count('class="closing"') == 1
    assert drawn(made["C27"]).count('class="closing"') == 0


def test_a_crossing_stands_on_both_lanes(made):
    (cross,) = made["C06"]["cross"]
    for at, lane in zip(cross["on"], made["C06"]["lanes"], strict=True):
        assert 0.3 < at / lane["length_m"] < 0.7
    assert "The paths cross here" in drawn(made["C06"])


def test_hops_without_a_course_are_drawn_as_such(made):
    assert [hop["medium"] for hop in made["C12"]["lanes"][1]["hops"]] == ["leased"]
    assert "leased hop" in drawn(made["C12"])
    assert [hop["medium"] for hop in made["C13"]["lanes"][1]["hops"]] == [
        "internal",
        "radio",
        "internal",
    ]


def test_the_profile_has_the_closest_approach_and_the_axis_of_the_main_lane(facts, made):
    """Outside the end zones; the very edge of a zone, where C03 is closest, is left out here."""
    for name in ("C03", "C25", "C27"):
        strip = made[name]
        zones = strip["lanes"][0]["zones"]
        points = [
            (at, distance)
            for at, distance in strip["profile"]["points"]
            if distance is not None and not any(low - 1 <= at <= high + 1 for low, high in zones)
        ]
        least = min(distance for _, distance in points)
        assert facts[name]["closest_m"] - 0.02 <= least <= 1.1 * facts[name]["closest_m"]
        assert max(at for at, _ in strip["profile"]["points"]) == pytest.approx(
            strip["lanes"][0]["length_m"], abs=1.0
        )


def test_the_drawing_is_sound_and_plain(facts, made):
    """Well-formed, without style attributes or scripts, ids of its own, with words for all."""
    for name, strip in made.items():
        root = ElementTree.fromstring(
            drawn(strip, folded(facts[name])).replace("<svg ", f'<svg xmlns="{SVG[1:-1]}" ', 1)
        )
        assert root.find(f"{SVG}title") is not None
        told = root.find(f"{SVG}desc").text
        assert "main:" in told
        for label in labels(facts[name]):
            assert label in told
        for element in root.iter():
            assert not {"style", "onclick", "href"} & set(element.attrib)
        ids = [element.attrib["id"] for element in root.iter() if "id" in element.attrib]
        assert ids == ["stc1", "sdc1"]


def test_marks_tell_where_they_are_and_what(made):
    strip = made["C03"]
    root = ElementTree.fromstring(drawn(strip))
    lanes = [e for e in root.iter() if e.attrib.get("class") == "marks"]
    for lane, group in zip(strip["lanes"], lanes, strict=True):
        told = marks_of(group.attrib["data-marks"])
        assert sorted(name for _, name in told) == sorted(name for *_, name in lane["marks"])
        assert all(LEFT <= x <= RIGHT for x, _ in told)


def bridged(places, off=False):
    """Two lanes of 1000 m with a pit, or something hanging at a node, at each of some places."""
    lane = {
        "label": "main", "a": "A", "b": "B", "length_m": 1000.0, "hops": [], "breaks": [],
        "stretches": [[0.0, 1000.0, "duct"]], "marks": [], "zones": [],
    }  # fmt: skip
    bridges = [
        {"findings": [k], "asset": f"X{k}", "waived": k % 2 == 0, "off": off,
         "spots": [[(at, at)]] * 2}
        for k, at in enumerate(places)
    ]  # fmt: skip
    return {
        "lanes": [lane, {**lane, "label": "alternate"}],
        "bridges": bridges, "near": [], "cross": [], "profile": None,
    }  # fmt: skip


@pytest.mark.parametrize("at_m", [0.0, 500.0, 999.0, 1000.0])
def test_of_many_bridges_twelve_are_named_and_the_others_counted(at_m):
    """Twenty pits at one place: twenty diamonds on each lane there, and none beside it."""
    svg = drawn(bridged([at_m] * 20))
    read = read_strip(svg)
    assert read.names == [f"pit X{k}" for k in range(12)]
    x = LEFT + (RIGHT - LEFT) * at_m / 1000
    for _, spots in read.spots:
        assert [spot.lane for spot in spots] == [0, 1]
        assert all(abs(spot.low - x) < 0.1 for spot in spots)
    assert svg.count('class="bridge hollow"') == 10
    said = "12 of 20 findings are named here; marked without a name: 8 pits."
    assert svg.count(said) == 2, "in the drawing, and in its text alternative"
    assert "findings are named here" not in drawn(bridged([at_m] * 12))


def test_what_stands_at_a_node_hangs_beneath_it(estuary_proof, facts, made):
    """C08: charger and battery at Stackmere, where the multiplexers that they feed stand."""
    for name, hung in (("C08", {"CHG-STK-3", "BAT-STK-3"}), ("C10", {"CH-MAR-1"})):
        strip = made[name]
        read = read_strip(drawn(strip, folded(facts[name])))
        fed = {"C08": "MX-C08-STK-", "C10": "MX-C10-MAR-"}[name]
        assert {asset for asset, _ in read.spots} == hung
        for number, lane in enumerate(read.lanes):
            (x,) = {x for x, asset in lane.ids if asset.startswith(fed)}
            mine = [spot for _, spots in read.spots for spot in spots if spot.lane == number]
            assert [spot.low for spot in mine] == pytest.approx([x] * len(hung), abs=0.2)
    root = ElementTree.fromstring(drawn(bridged([400.0, 400.0], off=True)))
    ys = [
        box[2]
        for e in root.iter()
        if e.attrib.get("class", "").startswith("bridge ") or e.attrib.get("class") == "bridge"
        for box in boxes(e.attrib["d"])
    ]
    assert len(set(ys)) == 4, "beneath one another, on both lanes"


def test_a_stretch_is_a_bracket_from_its_first_kilometre_to_its_last(facts, made):
    """C02: both cables on N1, 0.2 to 10.1 km; bracket and name say the same."""
    read = read_strip(drawn(made["C02"], folded(facts["C02"])))
    assert read.names == ["one and the same route, 0.2 to 10.1 km, 79 assets"]
    ((_, spots),) = read.spots
    assert [(spot.lane, spot.bracket) for spot in spots] == [(0, True), (1, True)]
    for spot in spots:
        lane = read.lanes[spot.lane]
        along = made["C02"]["bridges"][0]["spots"][spot.lane]
        assert lane.at_m(spot.low) == pytest.approx(along[0][0], abs=15)
        assert lane.at_m(spot.high) == pytest.approx(along[-1][1], abs=15)


def test_a_near_stretch_is_named_by_distance_length_and_segments(facts, made):
    assert read_strip(drawn(made["C25"], [])).names == ["1.50 m apart over 811 m"]
    near = {**made["C25"]["near"][0], "count": 46, "kind": "span", "length_m": 13_600.0}
    read = read_strip(drawn({**made["C25"], "near": [near]}, []))
    assert read.names == ["1.50 m apart over 13.6 km, 46 spans"]


@pytest.mark.parametrize(
    ("hop_m", "said"),
    [(None, "main: at least 1.00 km, "), (400.0, "main: 1.40 km, "), (0.0, "main: 1.00 km, ")],
)
def test_the_words_say_how_long_a_path_is_by_the_records_not_as_drawn(hop_m, said):
    """1000 m of duct and a leased hop that is drawn 300 m wide to be seen."""
    hop = {"link": "L", "medium": "leased", "from_m": 1000.0, "to_m": 1300.0, "length_m": hop_m}
    lane = {
        "label": "main", "a": "A", "b": "B", "length_m": 1300.0, "hops": [hop], "breaks": [],
        "stretches": [[0.0, 1000.0, "duct"]], "marks": [], "zones": [],
    }  # fmt: skip
    strip = {"lanes": [lane, {**lane, "label": "alternate"}], "near": [], "cross": []}
    assert strip_said(strip, []).startswith(said)

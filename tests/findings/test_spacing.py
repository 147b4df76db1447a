"""Near stretches, crossings and closest approach of whole studies, and what they are put down to.

All plants lie between site A at (0, 0) and site B at (1000, 0), in metres of a UTM grid whose
scale there is 0.99966, so that 100 m drawn are 100.03 m on the ground.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import scipy.sparse as sp
from hypothesis import given, settings
from hypothesis import strategies as st

from drawn_plant import Place
from everyday import some
from spacing_plants import Plant, beside, ground, rechecked, three
from waysapart.findings.sharing import Sides
from waysapart.findings.spacing import held_pairs
from waysapart.verdicts.facts_sharing import covered_m


def test_a_near_stretch_is_listed_with_its_length_and_its_limit(tmp_path: Path) -> None:
    """400 m at 3 m, and slopes of 97 in 200 at either end.

    x metres before the bend the slope is (97 x + 600) / 222.28 away, which is 5 m at
    x = 5.27. So the stretch is 410.5 m long, from 294.7 m.
    """
    found = beside().proved(tmp_path)
    (near,) = found["near"]
    assert (near["main"], near["alternate"], near["kinds"]) == ("M", "N", ["duct", "duct"])
    assert near["distance_m"] == ground(3.0)
    assert near["length_m"] == ground(410.54)
    assert near["from_m"] == ground(294.73)
    assert (near["limit_m"], near["stretch"]) == (5, 1)
    assert found["closest_m"] == ground(3.0)
    assert found["closest"]["danger_radius_m"] == ground(1.5)
    assert found["verdict"] == "shared"
    (pair,) = near["members"]
    assert (pair["main"], pair["alternate"]) == ("M", "N")


@pytest.mark.parametrize(
    ("limit", "kinds", "near"),
    [
        ("2", ("duct", "duct"), False),
        ("0", ("duct", "duct"), False),
        ('{ "duct/duct" = 2, "duct/span" = 5 }', ("duct", "duct"), False),
        ('{ "duct/duct" = 2, "duct/span" = 5 }', ("span", "duct"), True),
        ('{ "duct/duct" = 2, "duct/span" = 5 }', ("duct", "span"), True),
        ('{ "duct/duct" = 5 }', ("buried", "duct"), False),
    ],
)
def test_the_limit_of_the_kinds_that_meet_counts(
    limit: str, kinds: tuple[str, str], near: bool, tmp_path: Path
) -> None:
    """Two paths 3 m apart, under limits for all kinds and by kinds."""
    plant = beside()
    plant.rules = f"separation_m = {limit}\n"
    for row, kind in zip(plant.rows["segments"], kinds, strict=True):
        row["kind"] = kind
    found = plant.proved(tmp_path)
    assert bool(found["near"]) == near
    assert found["verdict"] == ("shared" if near else "apart")
    assert all(row["limit_m"] == 5 for row in found["near"])


def parting() -> Plant:
    """Two paths that leave A 2 m apart, run side by side to 120 m, and part at a right angle."""
    plant = Plant()
    plant.way("M", "A", (120, 0), (120, -200), (1000, -200), "B")
    plant.way("N", "A", (0.5, 2), (120, 2), (120, 200), (1000, 200), "B")
    plant.ways("K", "M", "N")
    return plant


def test_an_end_zone_round_a_point_excuses_what_lies_in_it(tmp_path: Path) -> None:
    """Near from the edge of the zone at 50 m as far as 3 m past the bend: 73 m."""
    (near,) = parting().proved(tmp_path)["near"]
    assert near["from_m"] == ground(50)
    assert near["length_m"] == ground(73)


def test_an_end_zone_round_a_polygon_starts_at_its_outline(tmp_path: Path) -> None:
    """A site of 80 m by 80 m about A, and 50 m round it: to 90 m. So near for 33 m."""
    plant = parting()
    plant.rows["sites"][0]["area_m"] = 80
    (near,) = plant.proved(tmp_path)["near"]
    assert near["from_m"] == ground(90)
    assert near["length_m"] == ground(33)


def test_where_end_zones_cover_a_path_there_is_no_figure(tmp_path: Path) -> None:
    """Zones of 600 m about both sites cover the straight way of 1000 m."""
    plant = beside()
    plant.rules = "separation_m = 5\nend_zone_m = 600\nforbid_cross = true\n"
    found = plant.proved(tmp_path)
    assert found["separation"] == "not examined"
    assert found["closest_m"] is None
    assert "closest" not in found
    assert found["near"] == found["cross"] == []
    assert found["verdict"] == "apart"


def crossing(kind: str = "duct", other: str = "duct") -> Plant:
    """N passes from one side of M to the other 30 m from A, and M from one of N to the other."""
    plant = Plant()
    plant.way("M", "A", "B", kind=kind)
    plant.way("N", "A", (20, 60), (40, -60), (1000, -60), "B", kind=other)
    plant.rules = "separation_m = 0\nend_zone_m = 20\nforbid_cross = true\n"
    plant.ways("K", "M", "N")
    return plant


@pytest.mark.parametrize(
    ("kind", "other", "words"),
    [
        ("span", "span", "span over span"),
        ("duct", "span", "span over duct"),
        ("duct", "duct", "duct under duct"),
        ("buried", "duct", "buried under or over duct"),
        ("span", "bridge", "span over bridge"),
        ("tray", "duct", "tray and duct"),
    ],
)
def test_a_crossing_says_which_kinds_cross(
    kind: str, other: str, words: str, tmp_path: Path
) -> None:
    """The two paths cross once, at (30, 0)."""
    found = crossing(kind, other).proved(tmp_path)
    (cross,) = found["cross"]
    assert cross["crossing"] == words
    assert cross["kinds"] == [kind, other]
    assert (cross["how"], cross["forbidden"]) == ("cross", True)
    assert (found["closest_m"], found["verdict"]) == (0.0, "shared")


@pytest.mark.parametrize(
    ("rule", "kinds", "forbidden"),
    [
        ("false", ("duct", "duct"), False),
        ('["span/span"]', ("span", "span"), True),
        ('["span/span"]', ("span", "duct"), False),
        ('["span/duct"]', ("span", "duct"), True),
        ('["span/duct"]', ("duct", "span"), True),
    ],
)
def test_the_rules_say_which_kinds_may_not_cross(
    rule: str, kinds: tuple[str, str], forbidden: bool, tmp_path: Path
) -> None:
    """A crossing that is not forbidden is listed all the same."""
    plant = crossing(*kinds)
    plant.rules = f"separation_m = 0\nend_zone_m = 20\nforbid_cross = {rule}\n"
    found = plant.proved(tmp_path)
    assert [one["forbidden"] for one in found["cross"]] == [forbidden]
    assert found["verdict"] == ("shared" if forbidden else "apart")


def test_an_end_zone_excuses_a_crossing(tmp_path: Path) -> None:
    """The crossing at 30 m lies within 40 m of A."""
    plant = crossing()
    plant.rules = "separation_m = 0\nend_zone_m = 40\nforbid_cross = true\n"
    found = plant.proved(tmp_path)
    assert (found["cross"], found["verdict"]) == ([], "apart")


def by_a_pit(*after: Place) -> Plant:
    """M and N both pass pit P at (500, 0); N comes at 45 degrees and goes on through `after`."""
    plant = Plant()
    plant.nodes("pit", P=(500, 0))
    plant.way("M", "A", "B")
    plant.way("N", "A", (200, -300), (500, 0), *after, (900, 200), "B")
    plant.ways("K", "M", "N")
    return plant


def test_what_is_near_beside_a_shared_pit_belongs_to_the_pit(tmp_path: Path) -> None:
    """At 45 degrees the paths are within 5 m for 7.07 m on either side of the pit.

    They meet in the pit, so there is no crossing either: the pit is the finding.
    """
    found = by_a_pit((600, 100)).proved(tmp_path)
    assert [one["asset"] for one in found["shared"]] == ["P"]
    assert (found["near"], found["cross"]) == ([], [])
    (folded,) = found["near_folded"]
    assert folded["under"] == "P"
    assert folded["length_m"] == ground(14.14)


def test_a_long_run_beside_a_shared_pit_is_a_finding_of_its_own(tmp_path: Path) -> None:
    """From the pit N runs 3 m beside M for 295 m, much more than ten limits of 5 m."""
    found = by_a_pit((505, 3), (800, 3)).proved(tmp_path)
    (near,) = found["near"]
    assert near["length_m"] > 300
    assert found["near_folded"] == []
    assert found["cross"] == []


def test_a_short_run_beside_a_shared_pit_is_folded(tmp_path: Path) -> None:
    """N runs 3 m beside M only as far as 40 m from the pit, less than ten limits of 5 m."""
    found = by_a_pit((505, 3), (540, 3), (560, 100)).proved(tmp_path)
    assert found["near"] == []
    assert [one["under"] for one in found["near_folded"]] == ["P"]


BOTH_ORDERS = pytest.mark.parametrize("order", [("M", "N"), ("N", "M")])


def named(plant: Plant, order: tuple[str, ...]) -> Plant:
    """The plant with its ways in another order: the first is main."""
    plant.rows["circuits"].clear()
    plant.rows["circuit_paths"].clear()
    plant.ways("K", *order)
    return plant


@BOTH_ORDERS
def test_a_run_that_only_one_path_has_short_beside_a_pit_stands(
    order: tuple[str, str], tmp_path: Path
) -> None:
    """N winds to and fro beside M, 3 to 4.6 m from it, as far as 40 m from the waived pit.

    Along M that is some 47 m, which would fold. Along N it is 7 + 6 + 3 x 35 = 118 m and more,
    over 20 limits of 5 m. So it stands, whichever of the two is called main.
    """
    winding = ((505, 3), (540, 3), (540, 3.8), (505, 3.8), (505, 4.6), (540, 4.6), (560, 100))
    plant = named(by_a_pit(*winding), order)
    plant.waive_asset("P")
    found = plant.proved(tmp_path)
    assert [one["waived"] for one in found["shared"]] == [True]
    assert found["near_folded"] == []
    assert {frozenset((one["main"], one["alternate"])) for one in found["near"]} == {
        frozenset("MN")
    }
    assert found["verdict"] == "shared"


@BOTH_ORDERS
def test_what_is_short_along_both_paths_goes_with_a_waived_pit(
    order: tuple[str, str], tmp_path: Path
) -> None:
    """N beside M for 35 m: some 47 m along either, all of it within 50 m of the pit."""
    plant = named(by_a_pit((505, 3), (540, 3), (560, 100)), order)
    plant.waive_asset("P")
    found = plant.proved(tmp_path)
    assert found["near"] == []
    assert [one["under"] for one in found["near_folded"]] == ["P"]
    assert found["verdict"] == "accepted"


def out_and_back() -> Plant:
    """The main goes from A past pit Q to pit P, and back along the same duct to Q.

    A ------ Q ------ P        duct S, drawn as one line; N crosses it between Q and P
             |                 duct T from Q to B

    One cable runs to P, a second one is used from P over a part of S to Q, a third on to B.
    """
    plant = Plant()
    plant.nodes("pit", Q=(300, 0), P=(600, 0))
    plant.segment("S", "duct", "A", "P")
    plant.segment("T", "duct", "Q", (300, -200), (1000, -200), "B")
    plant.listed("CM", "S")
    plant.listed("CS", "S")
    plant.listed("CT", "T")
    plant.rows["link_runs"][1].update({"link": "L-CM", "seq": 2, "from": "P", "to": "Q"})
    plant.rows["link_runs"][2].update({"link": "L-CM", "seq": 3})
    del plant.rows["links"][1:]
    plant.way("N", "A", (100, 100), (450, 100), (450, -100), (950, -100), "B")
    plant.rules = "separation_m = 0\nend_zone_m = 20\nforbid_cross = true\n"
    return plant


@BOTH_ORDERS
def test_a_crossing_of_a_segment_that_a_path_uses_twice_is_one(
    order: tuple[str, str], tmp_path: Path
) -> None:
    """Out over all of S and back over a part of it: N crosses S in one place."""
    plant = out_and_back()
    plant.ways("K", *order)
    found = plant.proved(tmp_path)
    assert not found["gaps"]
    assert [{one["main"], one["alternate"]} for one in found["cross"]] == [{"S", "N"}]
    assert found["verdict"] == "shared"


@pytest.mark.parametrize("order", some(["MNO", "MON", "NMO", "NOM", "OMN", "ONM"], every=6))
@pytest.mark.parametrize("backward", [False, True])
def test_a_path_across_two_that_run_together_takes_all_three(
    order: str, backward: bool, tmp_path: Path
) -> None:
    """N lies on the line of M from 200 to 500 in a duct of its own; O crosses both at 400.

    Whichever is named first, and whichever way M is drawn.
    """
    plant = Plant()
    plant.way("M", *(("B", "A") if backward else ("A", "B")))
    plant.way("N", "A", (100, 100), (200, 0), (500, 0), (600, 100), (900, 100), "B")
    plant.way("O", "A", (100, -100), (400, -100), (400, 200), (950, 200), "B")
    plant.rules = "separation_m = 0\nend_zone_m = 60\nforbid_cross = true\n"
    plant.ways("K", *order)
    assert plant.proved(tmp_path)["verdict"] == "shared"


def test_a_site_on_the_way_that_both_pass_is_no_crossing(tmp_path: Path) -> None:
    """Both paths go through site X, in segments that end there: shared, but not crossing."""
    plant = Plant()
    plant.node("X", 500, 0, role="sites", kind="substation")
    for name, bend, after in (("M", (250, 100), (750, -100)), ("N", (250, -100), (750, 100))):
        plant.segment(f"{name}1", "duct", "A", bend, "X")
        plant.segment(f"{name}2", "duct", "X", after, "B")
        plant.listed(f"C{name}", f"{name}1 {name}2")
    plant.ways("K", "M", "N")
    found = plant.proved(tmp_path)
    assert [one["asset"] for one in found["shared"]] == ["X"]
    assert (found["near"], found["cross"]) == ([], [])
    assert {one["under"] for one in found["near_folded"]} == {"X"}


def test_ways_that_cross_inside_a_shared_bridge_cross_nowhere_else(tmp_path: Path) -> None:
    """The bridge is drawn as a polygon of 40 m; the paths cross in it, 15 m from its middle."""
    plant = Plant()
    plant.node("BR", 500, 0, kind="bridge", area_m=40)
    plant.segment("M", "duct", "A", "B", within="BR")
    plant.listed("CM", "M")
    plant.segment("N", "duct", "A", (200, -300), (515, 0), (800, 285), "B")
    plant.listed("CN", "N")
    plant.ways("K", "M", "N")
    plant.rows["segments"][1]["within"] = "BR"
    found = plant.proved(tmp_path)
    assert [one["asset"] for one in found["shared"]] == ["BR"]
    assert (found["near"], found["cross"]) == ([], [])


def test_two_ducts_in_one_trench_are_one_finding(tmp_path: Path) -> None:
    """The ducts lie 1 m apart in trench T from 200 to 500, then 200 m more side by side.

    The trench holds the first 300 m. What follows is in no trench: a finding of its own,
    from 500 to 700 and 4 m past the bend.
    """
    plant = Plant()
    plant.nodes("pit", P1=(200, 0), P2=(500, 0), R1=(200, 1), R2=(500, 1))
    plant.segment("T", "trench", (200, 0.5), (500, 0.5), a="P1", b="P2")
    plant.segment("M1", "duct", "A", (50, -150), (200, -100), "P1")
    plant.segment("M2", "duct", "P1", "P2", within="T")
    plant.segment("M3", "duct", "P2", (700, 0), (700, -100), (900, -100), "B")
    plant.segment("N1", "duct", "A", (50, 150), (200, 100), "R1")
    plant.segment("N2", "duct", "R1", "R2", within="T")
    plant.segment("N3", "duct", "R2", (700, 1), (700, 100), (900, 100), "B")
    for way in "MN":
        plant.listed(f"C{way}", f"{way}1 {way}2 {way}3")
    plant.ways("K", "M", "N")
    found = plant.proved(tmp_path)
    assert "T" in [one["asset"] for one in found["shared"]]
    held = [(one, pair) for one in found["near_folded"] for pair in one["members"]]
    held = [row for row in held if (row[1]["main"], row[1]["alternate"]) == ("M2", "N2")]
    assert [one["under"] for one, _ in held] == ["T"]
    assert held[0][1]["length_m"] == ground(300)
    pairs = [pair for one in found["near"] for pair in one["members"]]
    standing = [one for one in pairs if (one["main"], one["alternate"]) == ("M3", "N3")]
    assert standing[0]["length_m"] == ground(204)
    assert not [one for one in pairs if one["main"] == "M1"]


def test_a_waived_pair_is_accepted(tmp_path: Path) -> None:
    plant = beside()
    plant.waive("N", "M")
    found = plant.proved(tmp_path)
    assert [one["waived"] for one in found["near"]] == [True]
    assert found["verdict"] == "accepted"


def test_a_waiver_of_the_past_or_of_another_pair_changes_nothing(tmp_path: Path) -> None:
    plant = beside()
    plant.waive("M", "N", until="2001-01-01")
    plant.waive("M", "M")
    found = plant.proved(tmp_path)
    assert [one["waived"] for one in found["near"]] == [False]
    assert found["verdict"] == "shared"


def test_three_paths_that_come_near_two_by_two_elsewhere_are_apart(tmp_path: Path) -> None:
    """N is near M at 200, O at 600: no one event takes all three. Both are listed."""
    found = three(n_from=200, o_from=600).proved(tmp_path)
    assert found["verdict"] == "apart"
    assert {tuple(one["paths"]) for one in found["near"]} == {
        ("K main", "K alternate"),
        ("K main", "K third"),
    }


def test_three_paths_that_come_near_at_one_place_are_not_apart(tmp_path: Path) -> None:
    """Both are near M between 250 and 300. N and O are 6 m apart, so only M is near both."""
    found = three(n_from=200, o_from=250).proved(tmp_path)
    assert found["verdict"] == "shared"
    assert found["closest"]["danger_radius_m"] is None
    assert found["closest"]["danger_radius_at_least_m"] == ground(3.0)


@pytest.mark.parametrize(("o_from", "verdict"), [(250, "apart"), (600, "shared")])
def test_recheck_decides_of_three_paths_where_they_come_together(
    o_from: float, verdict: str, tmp_path: Path
) -> None:
    """At one place and called apart, or at two and called shared: both are told."""
    facts = three(n_from=200, o_from=o_from).whole(tmp_path)
    (circuit,) = facts["circuits"]
    facts["summary"][circuit["verdict"]] -= 1
    facts["summary"][verdict] += 1
    circuit["verdict"] = facts["evidence"]["verdicts"][0]["verdict"] = verdict
    found = rechecked(tmp_path, facts)
    assert any("circuit K: verdict" in text for text in found["false"])


def test_recheck_decides_whether_three_paths_may_come_together(tmp_path: Path) -> None:
    """3 m apart where 2 m are asked, each known to 1 m: they may all be near between 250 and
    300. Who strikes the gap out and calls them apart is told."""
    plant = three(n_from=200, o_from=250)
    plant.rules = plant.rules.replace("separation_m = 5", "separation_m = 2")
    for row in plant.rows["segments"]:
        row["accuracy_m"] = 1.0
    facts = plant.whole(tmp_path)
    (circuit,) = facts["circuits"]
    assert [gap["code"] for gap in circuit["gaps"]] == ["near-accuracy"]
    assert circuit["verdict"] == "unproven"
    assert rechecked(tmp_path, facts)["false"] == []
    circuit["gaps"], facts["gaps"], facts["summary"]["gaps"] = [], [], 0
    circuit["verdict"] = facts["evidence"]["verdicts"][0]["verdict"] = "apart"
    facts["summary"] |= {"unproven": 0, "apart": 1}
    facts["record_first"] |= {"steps": []}
    assert any("near-accuracy" in text for text in rechecked(tmp_path, facts)["false"])


@pytest.mark.parametrize("order", [("M", "N", "O"), ("N", "M", "O"), ("N", "O", "M")])
def test_it_does_not_matter_which_of_three_paths_lies_between(
    order: tuple[str, str, str], tmp_path: Path
) -> None:
    plant = named(three(n_from=200, o_from=250), order)
    assert plant.proved(tmp_path)["verdict"] == "shared"


def test_two_of_three_paths_in_one_duct_and_the_third_beside_it(tmp_path: Path) -> None:
    """M carries two of the paths: what is near M is near both. All three go in one dig."""
    plant = beside()
    plant.listed("CM2", "M")
    plant.rows["circuits"].clear()
    plant.rows["circuit_paths"].clear()
    plant.ways("K", "M", "M2", "N")
    found = plant.proved(tmp_path)
    assert found["shared"] == []
    assert found["verdict"] == "shared"


def test_a_waiver_of_one_of_three_near_pairs_is_enough(tmp_path: Path) -> None:
    """With N beside M accepted, nothing unaccepted takes all three."""
    plant = three(n_from=200, o_from=250)
    plant.waive("M", "N")
    assert plant.proved(tmp_path)["verdict"] == "accepted"


def group(test: str) -> Plant:
    """K1 over M and Q, K2 over N and R; only M and R come near each other."""
    plant = Plant()
    plant.rules = plant.rules.replace('"all"', f'"{test}"')
    plant.way("M", "A", "B")
    plant.way("R", "A", (100, 100), (300, 3), (700, 3), (900, 100), "B")
    plant.way("Q", "A", (100, 300), (900, 300), "B")
    plant.way("N", "A", (100, -300), (900, -300), "B")
    plant.ways("K1", "M", "Q", group="G")
    plant.ways("K2", "N", "R", group="G")
    return plant


@pytest.mark.parametrize(
    ("test", "verdict"), [("working", "apart"), ("all", "apart"), ("pairwise", "shared")]
)
def test_which_paths_of_a_group_are_held_apart(test: str, verdict: str, tmp_path: Path) -> None:
    """Both work on M and N, far apart. Losing M and R leaves Q and N. Two by two, M and R meet."""
    assert group(test).proved(tmp_path)["verdict"] == verdict


def test_a_group_is_held_to_the_strictest_service_of_its_members(tmp_path: Path) -> None:
    """K1 lets 2 m do and forbids crossings, K2 asks for 4 m: the paths 3 m apart are too near."""
    plant = beside()
    plant.rows["circuits"].clear()
    plant.rows["circuit_paths"].clear()
    plant.ways("K1", "M", group="G", service="loose")
    plant.ways("K2", "N", group="G", service="wide")
    plant.rules = (
        "[services.loose]\nseparation_m = 2\nend_zone_m = 50\nforbid_cross = true\n"
        "[services.wide]\nseparation_m = 4\nend_zone_m = 900\nforbid_cross = false\n"
    )
    (near,) = plant.proved(tmp_path)["near"]
    assert near["limit_m"] == 4


def test_only_the_used_part_of_a_cable_counts(tmp_path: Path) -> None:
    """The cable of M goes on from B, back beside N to pit P; the link ends at B.

    N leaves A square to M, so they are closest at the edge of the zone: 50 m sqrt(2).
    """
    plant = Plant()
    plant.nodes("pit", P=(500, 103))
    plant.way("N", "A", (0, 100), (1000, 100), "B")
    plant.segment("M", "duct", "A", "B")
    plant.segment("M+", "duct", "B", (1060, 50), (1060, 103), "P")
    plant.listed("CM", "M M+")
    plant.ways("K", "M", "N")
    plant.rows["link_runs"][1].update({"from": "A", "to": "B"})
    found = plant.proved(tmp_path)
    assert (found["near"], found["verdict"]) == ([], "apart")
    assert found["closest_m"] == pytest.approx(50 * 2**0.5, rel=1e-3)


def test_ways_in_one_duct_are_not_apart_anywhere_in_it(tmp_path: Path) -> None:
    """Two cables in one duct: 0 m, and not 'not examined'."""
    plant = Plant()
    plant.way("M", "A", "B")
    plant.listed("CN", "M")
    plant.ways("K", "M", "N")
    found = plant.proved(tmp_path)
    assert (found["closest_m"], found["separation"]) == (0.0, "measured")
    assert (found["near"], found["cross"]) == ([], [])
    assert [one["asset"] for one in found["shared"]] == ["M"]


@settings(derandomize=True, deadline=None, max_examples=60)
@given(
    st.lists(st.lists(st.lists(st.integers(0, 9), max_size=3), max_size=4), min_size=1, max_size=5)
)
def test_held_pairs_are_those_of_a_plain_loop(contests: list[list[list[int]]]) -> None:
    owner = [number for number, sides in enumerate(contests) for _ in sides]
    flat = [sorted(set(paths)) for sides in contests for paths in sides]
    matrix = sp.lil_array((len(flat), 10), dtype=bool)
    for row, paths in enumerate(flat):
        for path in paths:
            matrix[row, path] = True
    sides = Sides(
        np.array(owner, dtype=np.int64),
        sp.csr_array(matrix),
        np.full(len(contests), 2),
        sp.csr_array((len(flat), 1), dtype=bool),
        np.zeros(len(contests), dtype=bool),
    )
    expected = [
        (owner[left], one, other)
        for left in range(len(flat))
        for right in range(left + 1, len(flat))
        if owner[left] == owner[right]
        for one in flat[left]
        for other in flat[right]
    ]
    assert list(held_pairs(sides).itertuples(index=False, name=None)) == expected


def test_what_two_stretches_cover_twice_counts_once() -> None:
    """0 to 10, 5 to 12 and 20 to 21 cover 13 m."""
    assert covered_m([(5.0, 12.0), (20.0, 21.0), (0.0, 10.0)]) == 13.0

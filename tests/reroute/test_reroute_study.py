"""Rerouting circuits of small plants drawn by hand, each with its answer worked out."""

from __future__ import annotations

from pathlib import Path

import pytest

import waysapart as wa
from reroute_plants import NO_SPACING, OPTICS, Plant, one_cable
from reroute_studies import ask, one_pit
from waysapart.reroute.api import Reroute, reroute


def only(found: Reroute) -> dict:
    (one,) = found.facts()["circuits"]
    return dict(one)


def test_free_fibres_of_a_spare_cable_are_the_second_path(tmp_path: Path) -> None:
    """Both ways of K lie in CN, 3.2 km. CS, 4 km by pit S, has no link yet.

    One path stays, the other gets a new link over CS: patched at A and at B.
    3200 m + 4000 m = 7200 m.
    """
    plant = Plant()
    one_cable(plant)
    plant.nodes("pit", S=(1500, -900))
    plant.laid("CS", "A", "S", "B", km=4)
    found = ask(plant, tmp_path)
    one = only(found)
    assert one["status"] == "apart"
    assert one["paths"] == {"main": ["L1"], "alternate": ["K-alternate-new"]}
    assert one["cost"] == 7200.0
    assert one["optimal"]
    assert found.exit_code() == 0
    assert [(w["what"], w["at"]) for w in found.draft.work] == [
        ("patch", "A"),
        ("patch", "B"),
        ("switch over", None),
    ]
    (run,) = found.draft.rows["link_runs"]
    assert (run["cable"], run["fibres"]) == ("CS", "1;2")


def test_a_link_on_record_stays_where_a_new_one_over_its_cable_is_as_long(tmp_path: Path) -> None:
    """CN has joints at three pits: four stretches of 800.0004 m, 3200.0016 m together.

    In whole millimetres the stretches would come to 3 200 000 and the link to 3 200 002; a
    new link over them is no shorter for that, so L1 stays and only CS gets a new one.
    """
    plant = Plant()
    plant.nodes("pit", N1=(700, 500), N2=(1500, 500), N3=(2300, 500), S=(1500, -900))
    plant.laid("CN", "A", "N1", "N2", "N3", "B", km=3.2000016)
    for pit in ("N1", "N2", "N3"):
        plant.rows["joints"].append({"id": f"J{pit}", "at": pit, "cables": "CN"})
    plant.link("L1", "CN")
    plant.link("L2", "CN")
    plant.way("K", "main", "L1")
    plant.way("K", "alternate", "L2")
    plant.laid("CS", "A", "S", "B", km=4)
    one = only(ask(plant, tmp_path))
    assert one["paths"] == {"main": ["L1"], "alternate": ["K-alternate-new"]}
    assert one["cost"] == 7200.0


def test_the_proposal_reads_back_and_compares_as_better(tmp_path: Path) -> None:
    """What is written is a study that `prove` calls apart and `compare` calls better."""
    plant = Plant()
    one_cable(plant)
    plant.nodes("pit", S=(1500, -900))
    plant.laid("CS", "A", "S", "B", km=4)
    found = ask(plant, tmp_path / "base")
    found.write_proposal(tmp_path / "proposal")
    proof = wa.prove(wa.read_study(tmp_path / "proposal"))
    assert proof.verdicts == ["apart"]
    (change,) = wa.compare(tmp_path / "base", tmp_path / "proposal").circuits
    assert (change.before, change.after, change.change) == ("shared", "apart", "better")
    assert "patch" in (tmp_path / "proposal" / "work.txt").read_text()
    with pytest.raises(wa.CallError, match="already"):
        found.write_proposal(tmp_path / "proposal")


def trap(plant: Plant) -> None:
    """Four sites: A-X 1 km, X-Y 1 km, Y-B 1 km, A-Y 4 km, X-B 4 km.

    The shortest path A-X-Y-B, 3 km, leaves no second one: the other two cables lead
    to sites that it passes. The best pair is A-X-B and A-Y-B, 10 km together.
    """
    plant.site("X", 1000, 800)
    plant.site("Y", 2000, -800)
    for cable, one, other, km in (
        ("AX", "A", "X", 1),
        ("XY", "X", "Y", 1),
        ("YB", "Y", "B", 1),
        ("AY", "A", "Y", 4),
        ("XB", "X", "B", 4),
    ):
        plant.laid(cable, one, other, km=km)
    plant.link("L1", "AX", "XY", "YB")
    plant.way("K", "main", "L1")


def test_the_shortest_path_is_no_trap(tmp_path: Path) -> None:
    plant = Plant()
    trap(plant)
    found = ask(plant, tmp_path)
    one = only(found)
    assert one["status"] == "apart"
    assert one["cost"] == 10_000.0
    runs = {(run["link"], run["cable"]) for run in found.draft.rows["link_runs"]}
    assert {cable for _, cable in runs} == {"AX", "XB", "AY", "YB"}
    at_sites = [w["at"] for w in found.draft.work if w["what"] == "patch"]
    assert sorted(at_sites) == ["A", "A", "B", "B", "X", "Y"]


def test_keeping_the_shortest_path_leaves_no_other(tmp_path: Path) -> None:
    """With main as it is, every other path passes X or Y, which main passes."""
    plant = Plant()
    trap(plant)
    one = only(ask(plant, tmp_path, keep="main"))
    assert one["status"] == "none"
    assert one["no_pair_proof"]["paths"] == 1
    assert {"X", "Y"} & set(one["no_pair_proof"]["avoid_from_start"])


def test_listed_only_makes_no_new_link(tmp_path: Path) -> None:
    plant = Plant()
    trap(plant)
    assert only(ask(plant, tmp_path, listed_only=True))["status"] == "none"


def test_too_few_free_fibres_are_no_path(tmp_path: Path) -> None:
    """AY has 3 fibres: one new link of 2 fits, one of 4 does not."""
    plant = Plant()
    trap(plant)
    next(row for row in plant.rows["cables"] if row["id"] == "AY")["fibre_count"] = 3
    assert only(ask(plant, tmp_path / "2"))["status"] == "apart"
    one = only(ask(plant, tmp_path / "4", fibres=4))
    assert one["status"] == "none"
    (left_out,) = [
        row for row in one["no_pair_proof"]["left_out"] if "free fibres" in row["because"]
    ]
    assert left_out["edges"] == ["cable AY"]


def test_what_is_to_be_avoided_is_avoided(tmp_path: Path) -> None:
    """Without XY the best pair is the same; without YB there is none."""
    plant = Plant()
    trap(plant)
    assert only(ask(plant, tmp_path / "a", avoid=["XY"]))["cost"] == 10_000.0
    assert only(ask(plant, tmp_path / "b", avoid=["YB"]))["status"] == "none"
    with pytest.raises(wa.CallError, match="cannot avoid"):
        ask(plant, tmp_path / "c", avoid=["A"])
    with pytest.raises(wa.CallError, match="no asset or link"):
        ask(plant, tmp_path / "d", avoid=["nothing"])


def test_a_cable_with_a_record_gap_is_no_path(tmp_path: Path) -> None:
    """CS lacks its middle: who knows where it runs."""
    plant = Plant()
    one_cable(plant)
    plant.nodes("pit", S=(1000, -900), T=(2000, -900))
    plant.laid("CS", "A", "S", "T", "B", km=4)
    plant.rows["cable_runs"] = [r for r in plant.rows["cable_runs"] if r["segment"] != "CS-2"]
    one = only(ask(plant, tmp_path))
    assert one["status"] == "none"
    assert {"because": "a record gap touches it", "edges": ["cable CS"]} in one["no_pair_proof"][
        "left_out"
    ]


def test_no_pair_words_shared_and_proof(tmp_path: Path) -> None:
    """Every path passes P; the pair that shares least shares P alone, a pit: weight 4."""
    plant = Plant()
    one_pit(plant)
    found = ask(plant, tmp_path)
    one = only(found)
    assert found.exit_code() == 1
    assert one["status"] == "none"
    assert one["says"] == "every path from RA to RB relies on pit P"
    assert one["shared"] == ["P"]
    assert one["least_shared"]["weight"] == one["least_shared"]["weight_at_least"] == 4
    proof = one["no_pair_proof"]
    assert proof["tree"]["risk"] == "P"
    relied = {edge["id"]: edge["relies_on"] for edge in proof["edges"]}
    assert relied["L1"] == relied["L2"] == relied["cable CN"] == ["P"]


def test_different_things_on_one_road_are_said_so(tmp_path: Path) -> None:
    """CN passes pit N, CS pit S, 40 m apart; both lie in the road R."""
    plant = Plant()
    plant.rows["holders"].append({"id": "R", "kind": "road", "within": "-"})
    plant.node("N", 1500, 20, kind="pit", within="R")
    plant.node("S", 1500, -20, kind="pit", within="R")
    for cable, pit, link, path in (("CN", "N", "L1", "main"), ("CS", "S", "L2", "alternate")):
        plant.laid(cable, "A", pit, "B")
        plant.link(link, cable)
        plant.way("K", path, link)
    one = only(ask(plant, tmp_path))
    assert one["says"] == (
        "every path from RA to RB passes pit N or pit S; they rely on one thing: road R"
    )


def test_one_thing_to_build_is_found_and_proved(tmp_path: Path) -> None:
    """Round P, N1 to N2 is 400 m, S1 to S2 500 m, N1 to S2 more. The shortest comes first."""
    plant = Plant()
    one_pit(plant)
    found = ask(plant, tmp_path / "base")
    building = found.building
    assert building is not None
    best = building.options[0]
    assert [segment.id for segment in best.segments] == ["new-N1-N2"]
    assert best.length_m == pytest.approx(400.0, rel=1e-3)
    assert (best.apart, best.once_recorded) == ((), ("K",))
    found.write_all(tmp_path / "out")
    layer = tmp_path / "out" / "build-1" / "segments.geojson"
    proof = wa.prove(wa.read_study(layer.parent))
    assert proof.verdicts == ["unproven"]
    gaps = [(gap.code, gap.asset) for gap in proof.record_gaps if gap.bears_on != "limits"]
    assert gaps == [("blank-within", "new-N1-N2")]
    layer.write_text(layer.read_text().replace('"within": null', '"within": "-"'))
    assert wa.prove(wa.read_study(layer.parent)).verdicts == ["apart"]


def test_a_given_segment_that_lies_in_nothing_is_proved_apart(tmp_path: Path) -> None:
    """N1 to N2, 400 m, with within = "-": one circuit apart for 0.4 km."""
    import geopandas as gpd
    import shapely

    plant = Plant()
    one_pit(plant)
    course = shapely.LineString([plant.to_degrees(*plant.at[name]) for name in ("N1", "N2")])
    lines = gpd.GeoDataFrame({"id": ["X"], "within": ["-"]}, geometry=[course], crs=4326)
    found = ask(plant, tmp_path / "base", build=wa.Candidates(lines=lines))
    assert found.building is not None
    best = found.building.options[0]
    assert (best.apart, best.once_recorded) == (("K",), ())
    assert best.per_km == pytest.approx(2.5, rel=1e-3)
    found.write_all(tmp_path / "out")
    assert wa.prove(wa.read_study(tmp_path / "out" / "build-1")).verdicts == ["apart"]


def test_nothing_is_built_in_a_forbidden_area(tmp_path: Path) -> None:
    """With the ground between N1 and N2 barred, S1 to S2 is the shortest."""
    import shapely

    plant = Plant()
    one_pit(plant)
    barred = shapely.box(*plant.to_degrees(1400, 100), *plant.to_degrees(1600, 200))
    found = ask(plant, tmp_path, build=wa.Candidates(forbidden=[barred]))
    assert found.building is not None
    assert [s.id for s in found.building.options[0].segments] == ["new-S1-S2"]


def test_given_candidates_are_ranked_by_their_cost(tmp_path: Path) -> None:
    """N1-N2 costs 90, S1-S2 costs 60; N1-S1 leads nowhere and is not shown."""
    import geopandas as gpd
    import shapely

    from drawn_plant import EAST, NORTH

    plant = Plant()
    one_pit(plant)

    def line(one: str, other: str) -> shapely.LineString:
        return shapely.LineString(
            [(EAST + plant.at[n][0], NORTH + plant.at[n][1]) for n in (one, other)]
        )

    lines = gpd.GeoDataFrame(
        {"id": ["X1", "X2", "X3"], "cost": [90, 60, 5]},
        geometry=[line("N1", "N2"), line("S1", "S2"), line("N1", "S1")],
        crs="EPSG:25832",
    )
    found = ask(plant, tmp_path, build=wa.Candidates(lines=lines))
    assert found.building is not None
    assert [(o.segments[0].id, o.cost) for o in found.building.options] == [("X2", 60), ("X1", 90)]


def test_a_path_over_its_budget_is_no_answer(tmp_path: Path) -> None:
    """20 dB less 3 dB margin: 17 dB. CS is 50 km: 17.5 dB of fibre alone at 0.35 dB/km.

    40 km would lose 14 dB of fibre, 19 splices between reels of 2 km (1.9 dB) and
    two connectors (1 dB): 16.9 dB, just within.
    """
    for km, status in ((50, "none"), (40, "apart")):
        plant = Plant()
        one_cable(plant)
        for row in plant.rows["links"]:
            row.update(OPTICS)
        plant.nodes("pit", S=(1500, -900))
        plant.laid("CS", "A", "S", "B", km=km)
        plant.service = NO_SPACING + "max_asymmetry_us = 100000\n"
        one = only(ask(plant, tmp_path / str(km)))
        assert one["status"] == status
    assert one["paths"]["alternate"] == ["K-alternate-new"]


def test_optics_on_record_elsewhere_are_proposed_where_the_budget_is_all(tmp_path: Path) -> None:
    """The same 50 km; link L9 of other equipment has 31 dB at 1550 nm: 50 x 0.22 + 3.4 dB fit."""
    plant = Plant()
    one_cable(plant)
    for row in plant.rows["links"]:
        row.update(OPTICS)
    plant.nodes("pit", S=(1500, -900))
    plant.laid("CS", "A", "S", "B", km=50)
    plant.service = NO_SPACING + "max_asymmetry_us = 100000\n"
    for name, site in (("MA", "A"), ("MB", "B")):
        plant.rows["equipment"].append(
            {"id": name, "site": site, "within": "-", "kind": "multiplexer"}
        )
    far = {"wavelength_nm": 1550, "tx_min_dbm": -3, "rx_min_dbm": -34, "reserve_db": 0}
    plant.link("L9", "CN", a="MA", b="MB", **far)
    found = ask(plant, tmp_path)
    assert only(found)["status"] == "none"
    assert "16" not in only(found)["says"]
    assert "17 dB are allowed" in only(found)["says"]
    assert found.building is not None
    assert [(o.kind, o.apart) for o in found.building.options] == [("optics", ("K",))]


def test_asymmetry_beyond_its_limit_is_no_answer(tmp_path: Path) -> None:
    """CN is 3.2 km, CS 40 km: 36.8 km are 180 us apart. A limit of 100 us leaves none."""
    for limit, status in ((100, "none"), (200, "apart")):
        plant = Plant()
        one_cable(plant)
        plant.nodes("pit", S=(1500, -900))
        plant.laid("CS", "A", "S", "B", km=40)
        plant.service = NO_SPACING + f"max_asymmetry_us = {limit}\n"
        assert only(ask(plant, tmp_path / str(limit)))["status"] == status


def test_a_near_approach_is_gone_round(tmp_path: Path) -> None:
    """CS runs 3 m beside CN for 800 m, CF keeps away but is longer.

    With 5 m of separation asked the new way takes CF; where none is asked, CS.
    """

    def plant() -> Plant:
        made = Plant()
        made.nodes("pit", N1=(900, 500), N2=(1700, 500))
        made.nodes("pit", S1=(900, 497), S2=(1700, 497), F=(1500, -1500))
        made.laid("CN", "A", "N1", "N2", "B", km=4)
        made.laid("CS", "A", "S1", "S2", "B", km=4)
        made.laid("CF", "A", "F", "B", km=5)
        for link, path in (("L1", "main"), ("L2", "alternate")):
            made.link(link, "CN")
            made.way("K", path, link)
        return made

    near = plant()
    assert only(ask(near, tmp_path / "near"))["cost"] == 8000.0
    asked = plant()
    asked.service = "separation_m = 5\n"
    found = ask(asked, tmp_path / "asked")
    assert only(found)["cost"] == 9000.0
    assert ("CN-2", "CS-2") in found.found[0].pairs["K"]


def test_where_accuracy_may_hide_a_near_approach_it_is_gone_round_too(tmp_path: Path) -> None:
    """CS runs 20 m beside CN; surveyed to 10 m each they may meet. With 5 m asked CF is taken."""
    plant = Plant()
    plant.service = "separation_m = 5\n"
    plant.nodes("pit", N1=(900, 500), N2=(1700, 500))
    plant.nodes("pit", S1=(1100, 480), S2=(1500, 480), F=(1500, -1500))
    plant.laid("CN", "A", "N1", "N2", "B", km=4)
    plant.laid("CS", "A", "S1", "S2", "B", km=4)
    plant.laid("CF", "A", "F", "B", km=5)
    for link, path in (("L1", "main"), ("L2", "alternate")):
        plant.link(link, "CN")
        plant.way("K", path, link)
    assert only(ask(plant, tmp_path / "exact"))["cost"] == 8000.0
    for row in plant.rows["segments"]:
        row["accuracy_m"] = 10.0
    one = only(ask(plant, tmp_path / "surveyed"))
    assert (one["status"], one["cost"]) == ("apart", 9000.0)


def test_two_main_protections_in_one_cable_change_places(tmp_path: Path) -> None:
    """K1 and K2, with relays of their own, both work over CN and have CS as their alternate:
    one of them changes over."""
    plant = Plant()
    plant.nodes("pit", N=(1500, 500), S=(1500, -900))
    plant.laid("CN", "A", "N", "B")
    plant.laid("CS", "A", "S", "B")
    for name, ends in (("K1", ("RA", "RB")), ("K2", plant.more_relays())):
        for path, cable in (("main", "CN"), ("alternate", "CS")):
            plant.link(f"{name}-{path}", cable, a=ends[0], b=ends[1])
            plant.way(name, path, f"{name}-{path}")
    for row in plant.rows["circuits"]:
        row["group"] = "G"
    plant.rows["circuits"][1].update(a="RA2", b="RB2")
    found = reroute(plant.read(tmp_path), groups=["G"])
    assert found.exit_code() == 0
    mains = sorted(ways["main"][0] for ways in found.links.values())
    assert [name.split("-")[1] for name in mains] in (["main", "alternate"], ["alternate", "main"])
    assert "links" not in found.draft.rows
    assert found.after is not None
    assert found.after.verdicts == ["apart"] * 3


def test_the_last_fibres_are_not_given_twice(tmp_path: Path) -> None:
    """CS has two free fibres; two circuits need them. The second is told apart from the first."""
    plant = Plant()
    one_cable(plant)
    plant.nodes("pit", S=(1500, -900))
    plant.laid("CS", "A", "S", "B", km=4, fibre_count=2)
    for path in ("main", "alternate"):
        plant.link(f"K2-{path}", "CN")
        plant.way("K2", path, f"K2-{path}")
    found = ask(plant, tmp_path, "K", "K2")
    told = {one["id"]: one for one in found.facts()["circuits"]}
    assert told["K"]["status"] == "apart"
    assert told["K"]["together"]
    assert not told["K2"]["together"]
    assert "fibres" in told["K2"]["why"]
    assert {run["cable"] for run in found.draft.rows["link_runs"]} == {"CS"}
    assert len(found.draft.rows["link_runs"]) == 1


def test_a_joint_on_record_lets_a_link_change_cable(tmp_path: Path) -> None:
    """CS comes from A and ends at pit J on the way of CT, which goes on to B; joint JT is there.

    Without the joint CT cannot be entered at J.
    """
    for joint, status in ((True, "apart"), (False, "none")):
        plant = Plant()
        one_cable(plant)
        plant.nodes("pit", J=(1500, -900), T=(1500, -2000))
        plant.laid("CS", "A", "J")
        plant.laid("CT", "T", "J", "B")
        if joint:
            plant.rows["joints"].append({"id": "JT", "at": "J", "cables": "CS;CT"})
        found = ask(plant, tmp_path / str(joint), build=wa.Candidates(wanted=False))
        assert only(found)["status"] == status
        if joint:
            (splice,) = [w for w in found.draft.work if w["what"] == "splice"]
            assert "JT" in splice["text"]
            runs = found.draft.rows["link_runs"]
            assert (runs[1]["from"], runs[1]["to"]) == ("J", "B")


def test_a_closure_where_cables_pass_each_other_is_proposed(tmp_path: Path) -> None:
    """As above without the joint: a closure in J makes the path, and nothing need be laid."""
    plant = Plant()
    one_cable(plant)
    plant.nodes("pit", J=(1500, -900), T=(1500, -2000))
    plant.laid("CS", "A", "J")
    plant.laid("CT", "T", "J", "B")
    found = ask(plant, tmp_path / "base")
    assert only(found)["status"] == "none"
    assert found.building is not None
    best = found.building.options[0]
    assert (best.kind, best.apart, best.cost) == ("closure", ("K",), 0)
    assert [w["at"] for w in best.draft.work if w["what"] == "splice"] == ["J"]
    found.write_all(tmp_path / "out")
    assert wa.prove(wa.read_study(tmp_path / "out" / "build-1")).verdicts == ["apart"]


def test_a_line_followed_in_part_leaves_it_undecided(tmp_path: Path) -> None:
    """OL is one polyline past towers T1 and T2; link L1 leaves it at T1, before CS comes near.

    CS runs 3 m beside it from T2 to T3. It cannot be told from the whole line
    which part comes too near, so nothing is claimed.
    """
    plant = Plant()
    plant.service = "separation_m = 5\n"
    plant.nodes("tower", T1=(1000, 500), T2=(1800, 500), T3=(2600, 500))
    plant.segment("OL", "span", "A", "T1", "T2", "T3", "B", a="A", b="B")
    plant.follow("CO", "OL")
    plant.nodes("pit", S2=(1800, 497), S3=(2600, 497))
    plant.laid("CS", "A", "S2", "S3", "B")
    plant.rows["joints"].append({"id": "J1", "at": "T1", "cables": "CO"})
    for link, path in (("L1", "main"), ("L2", "alternate")):
        plant.link(link, "CO")
        plant.way("K", path, link)
    one = only(ask(plant, tmp_path))
    assert one["status"] == "undecided"
    assert "OL comes too near" in one["why"]
    assert ask(plant, tmp_path).exit_code() == 3


def test_a_pair_of_equipment_is_a_circuit_to_come(tmp_path: Path) -> None:
    """Multiplexers MA and MB have one link over CN; CS is free."""
    plant = Plant()
    one_cable(plant)
    plant.nodes("pit", S=(1500, -900))
    plant.laid("CS", "A", "S", "B", km=4)
    for name, site in (("MA", "A"), ("MB", "B")):
        plant.rows["equipment"].append(
            {
                **{"id": name, "site": site, "within": "-", "kind": "multiplexer"},
                **{"supplies": "-", "delay_us": 0},
            }
        )
    plant.link("LM", "CN", a="MA", b="MB")
    found = reroute(plant.read(tmp_path), between=("MA", "MB"))
    (one,) = found.facts()["circuits"]
    assert (one["id"], one["status"], one["cost"]) == ("MA to MB", "apart", 7200.0)
    assert ["LM"] in one["paths"].values()


def test_nothing_to_do_is_said(tmp_path: Path) -> None:
    """All apart: no circuit is taken up, and there is nothing to propose."""
    plant = Plant()
    plant.nodes("pit", N=(1500, 500), S=(1500, -900))
    for cable, pit, link, path in (("CN", "N", "L1", "main"), ("CS", "S", "L2", "alternate")):
        plant.laid(cable, "A", pit, "B")
        plant.link(link, cable)
        plant.way("K", path, link)
    found = reroute(plant.read(tmp_path / "base"))
    assert found.facts()["circuits"] == []
    assert found.exit_code() == 0
    with pytest.raises(wa.CallError, match="nothing to propose"):
        found.write_proposal(tmp_path / "out")


def test_more_working_paths_than_circuits_are_refused(tmp_path: Path) -> None:
    plant = Plant()
    one_cable(plant)
    plant.way("K2", "main", "L2")
    for row in plant.rows["circuits"]:
        row["group"] = "G"
    with pytest.raises(wa.CallError, match="has 2 circuits"):
        reroute(plant.read(tmp_path), groups=["G"], paths=3)


def test_loss_is_compared_without_what_is_kept_for_later(tmp_path: Path) -> None:
    """L1 keeps 9 dB in reserve; a new link over the same glass loses no less, so L1 stays."""
    plant = Plant()
    one_cable(plant)
    plant.rows["links"][0]["reserve_db"] = 9
    plant.nodes("pit", S=(1500, -900))
    plant.laid("CS", "A", "S", "B", km=4)
    found = reroute(plant.read(tmp_path), cost="loss")
    assert found.links["K"]["main"] == ["L1"]


def test_without_a_fibre_link_on_record_it_says_that_no_path_is_there(tmp_path: Path) -> None:
    """Cables lie from A to B, and no link on record says what light a new one would have."""
    plant = Plant()
    plant.nodes("pit", N=(1500, 500))
    plant.laid("CN", "A", "N", "B")
    plant.rows["circuits"].append({"id": "K", "a": "RA", "b": "RB", "service": ""})
    (found,) = reroute(plant.read(tmp_path), build=wa.Candidates(wanted=False)).facts()["circuits"]
    assert found["status"] == "none"
    assert found["says"] == "no path on record leads from RA to RB"

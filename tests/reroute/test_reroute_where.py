"""Where new segments lie: what they lie in, what they may not lie in or along, what they follow.

The plants are drawn in metres. Circuit K has its main path in cable CN, its alternate in CS, and
both rely on one thing in the middle.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import geopandas as gpd
import pytest
import shapely

import waysapart as wa
from reroute_plants import Plant
from reroute_studies import one_pit
from waysapart.errors import CallError

APART_5 = "separation_m = 5\n"


def trench(plant: Plant) -> None:
    """Both ducts go through trench TR from (1300, 0) to (1700, 0): CN by N1, N2, CS by S1, S2.

    The pits stand 20 m off the trench, and the ducts come to it and leave it at right angles.
    """
    plant.nodes("pit", N1=(1300, 20), N2=(1700, 20), S1=(1320, -20), S2=(1680, -20))
    plant.nodes("pit", W=(1300, 0), E=(1700, 0))
    plant.segment("TR", "trench", "W", "E", a="W", b="E")
    plant.segment("N-in", "duct", "N1", (1300, 0), (1700, 0), "N2", a="N1", b="N2", within="TR")
    plant.segment("S-in", "duct", "S1", (1320, 0), (1680, 0), "S2", a="S1", b="S2", within="TR")
    for cable, one, other, inner in (("CN", "N1", "N2", "N-in"), ("CS", "S1", "S2", "S-in")):
        plant.segment(f"{cable}-a", "duct", "A", one, a="A", b=one)
        plant.segment(f"{cable}-b", "duct", other, "B", a=other, b="B")
        plant.follow(cable, f"{cable}-a", inner, f"{cable}-b")
    plant.link("L1", "CN")
    plant.link("L2", "CS")
    plant.way("K", "main", "L1")
    plant.way("K", "alternate", "L2")


def layer(plant: Plant, *rows: dict[str, Any]) -> gpd.GeoDataFrame:
    """Rows with a `line` in metres as a layer in degrees; one place is a point."""
    shapes = []
    for row in rows:
        places = [
            plant.to_degrees(*(plant.at[one] if isinstance(one, str) else one))
            for one in row["line"]
        ]
        shapes.append(shapely.LineString(places) if len(places) > 1 else shapely.Point(places[0]))
    cells = [{name: value for name, value in row.items() if name != "line"} for row in rows]
    return gpd.GeoDataFrame(cells, geometry=shapes, crs=4326)


def area(plant: Plant, west: float, south: float, east: float, north: float) -> Any:
    corners = [(west, south), (east, south), (east, north), (west, north)]
    return shapely.Polygon([plant.to_degrees(*corner) for corner in corners])


def ask(plant: Plant, folder: Path, avoid: tuple[str, ...] = (), **build: Any) -> Any:
    """What could be built for K, as `reroute --json` writes it."""
    candidates = wa.Candidates(**build)
    return wa.reroute(plant.read(folder), ["K"], avoid=avoid, build=candidates)


def facts(*args: Any, **build: Any) -> Any:
    return ask(*args, **build).facts()["build"]


def segments(build: Any) -> list[Any]:
    return [segment for option in build["single"] for segment in option["segments"]]


# What lies in or along what the cut holds is out


def test_no_duct_is_proposed_in_the_trench_that_both_paths_share(tmp_path: Path) -> None:
    """From N1 to N2 by the trench would be the shortest; given so, it is out with its reason."""
    plant = Plant()
    plant.service = APART_5
    trench(plant)
    lines = layer(plant, {"id": "X", "line": ["N1", (1301, 0), (1699, 0), "N2"], "within": "-"})
    build = facts(plant, tmp_path / "given", lines=lines)
    assert build["single"] == []
    (out,) = build["refused"]
    assert out["id"] == "X"
    assert out["why"].startswith("runs 0.0 m from ")
    assert out["why"].endswith(" m where 5 m are required, for K")
    plant = Plant()
    plant.service = APART_5
    trench(plant)
    build = facts(plant, tmp_path / "made")
    assert segments(build)
    for one in segments(build):
        line = shapely.LineString(one["lonlat"])
        in_trench = shapely.LineString([plant.to_degrees(1300, 0), plant.to_degrees(1700, 0)])
        assert shapely.hausdorff_distance(line, in_trench) > 1e-4


@pytest.mark.parametrize(("beside_m", "out"), [(3.0, True), (8.0, False)])
def test_a_duct_beside_the_shared_trench_keeps_the_separation(
    beside_m: float, out: bool, tmp_path: Path
) -> None:
    """All along the trench, 3 m beside it where 5 m are required, and 8 m beside it."""
    plant = Plant()
    plant.service = APART_5
    trench(plant)
    course = ["N1", (1310, beside_m), (1690, beside_m), "N2"]
    build = facts(plant, tmp_path, lines=layer(plant, {"id": "X", "line": course, "within": "-"}))
    assert bool(build["refused"]) == out
    assert [option["apart"] for option in build["single"]] == ([] if out else [["K"]])
    if out:
        assert "runs 3.0 m from" in build["refused"][0]["why"]


@pytest.mark.parametrize("forbidden", [True, False])
def test_a_duct_across_the_shared_trench_is_shown_or_forbidden(
    forbidden: bool, tmp_path: Path
) -> None:
    """From S1 under the trench, along 40 m north of it, and back to S2: it crosses twice.

    The rules ask nothing of two ducts: a crossing of paths would be a near approach too.
    """
    plant = Plant()
    plant.service = 'separation_m = { "duct/trench" = 5 }\n'
    plant.service += 'forbid_cross = ["duct/trench"]\n' if forbidden else ""
    plant.write = _with_crossing_rule(plant, forbidden)  # type: ignore[method-assign]
    trench(plant)
    course = ["S1", (1340, -20), (1340, 40), (1660, 40), (1660, -20), "S2"]
    build = facts(plant, tmp_path, lines=layer(plant, {"id": "X", "line": course, "within": "-"}))
    if forbidden:
        assert build["single"] == []
        assert build["refused"] == [
            {"id": "X", "why": "crosses trench TR, which the rules forbid, for K"}
        ]
        return
    (one,) = segments(build)
    assert build["single"][0]["apart"] == ["K"]
    crossed = [(row["asset"], row["kind"]) for row in one["crosses"]]
    assert sorted(set(crossed)) == [("N-in", "duct"), ("S-in", "duct"), ("TR", "trench")]
    west = next(row["at"] for row in one["crosses"] if row["asset"] == "TR")
    assert west == pytest.approx(plant.to_degrees(1340, 0), abs=2e-7)
    assert any("depth and clearance where it crosses" in said for said in one["survey"])


def _with_crossing_rule(plant: Plant, forbidden: bool) -> Any:
    """Rules of `Plant` say that crossing is allowed; let the service say it."""
    write = plant.write

    def written(folder: Path) -> Path:
        made = write(folder)
        rules = folder / "rules.toml"
        text = rules.read_text()
        if forbidden:
            text = text.replace("forbid_cross = false\n", "", 1)
        rules.write_text(text)
        return made

    return written


def test_end_zones_excuse_no_new_segment(tmp_path: Path) -> None:
    """The trench lies within the end zone of 3 km about A: a duct 3 m beside it is out still."""
    plant = Plant()
    plant.service = APART_5
    trench(plant)
    write = plant.write

    def written(folder: Path) -> Path:
        made = write(folder)
        rules = folder / "rules.toml"
        rules.write_text(rules.read_text().replace("end_zone_m = 200", "end_zone_m = 3000"))
        return made

    plant.write = written  # type: ignore[method-assign]
    course = ["N1", (1310, 3), (1690, 3), "N2"]
    build = facts(plant, tmp_path, lines=layer(plant, {"id": "X", "line": course, "within": "-"}))
    assert build["single"] == []
    assert [out["id"] for out in build["refused"]] == ["X"]


# What a new segment lies in


def stated(plant: Plant, folder: Path) -> tuple[list[str], list[str], Any]:
    (option,) = facts(plant, folder, lines=plant.lines)["single"]  # type: ignore[attr-defined]
    return option["apart"], option["once_recorded"], option["segments"][0]


@pytest.mark.parametrize(
    ("within", "kind", "apart", "told"),
    [
        (None, "duct", False, None),
        ("-", "duct", True, []),
        ("LANE", "duct", True, ["LANE"]),
        (None, "span", True, None),
    ],
)
def test_what_a_candidate_states_counts_and_a_blank_is_unknown(
    within: str | None, kind: str, apart: bool, told: list[str] | None, tmp_path: Path
) -> None:
    """A blank is a gap for ducts, and none for spans, as [records] says unless it is told."""
    plant = Plant()
    one_pit(plant)
    plant.rows["holders"].append({"id": "LANE", "kind": "right-of-way", "within": "-"})
    row = {"id": "X", "line": ["N1", "N2"], "kind": kind, "within": within}
    (option,) = facts(plant, tmp_path, lines=layer(plant, row))["single"]
    assert option["apart"] == (["K"] if apart else [])
    assert option["once_recorded"] == ([] if apart else ["K"])
    (one,) = option["segments"]
    assert (one["within"], one["course"]) == (told, "given")
    if not apart:
        assert "what X lies in is not on record: record it in `within`" in one["survey"]


def test_what_all_of_it_lies_in_by_its_place_is_stated(tmp_path: Path) -> None:
    """T2 is another trench from N1 to N2, with a duct in it, that no path uses.

    The candidate runs 1 m beside it, within snap_m. Where T2 goes only half the way, what the rest
    lies in is not known.
    """
    for name, stop, within in (("whole", 1700, ["T2"]), ("half", 1500, None)):
        plant = Plant()
        one_pit(plant)
        plant.nodes("pit", M=(stop, 151))
        plant.segment("T2", "trench", (1300, 151), (stop, 151), a="N1", b="M")
        lines = layer(plant, {"id": "X", "line": ["N1", "N2"]})
        (option,) = facts(plant, tmp_path / name, lines=lines)["single"]
        (one,) = option["segments"]
        assert one["within"] == within, name
        assert option["apart"] == (["K"] if within else [])
        assert option["once_recorded"] == ([] if within else ["K"])
        beside = {row["asset"]: row for row in one["beside"]}
        assert beside["T2"]["distance_m"] == pytest.approx(1.0, abs=0.01)
        further = 0 if stop == 1700 else 9.95  # within 10 m of its end
        assert beside["T2"]["length_m"] == pytest.approx(stop - 1300 + further, abs=0.3)


def test_a_search_relies_on_all_that_new_plant_enters(tmp_path: Path) -> None:
    """T2, in which the other path lies too, goes half the way: the proposal would share it."""
    plant = Plant()
    one_pit(plant)
    plant.nodes("pit", M=(1500, 151))
    plant.segment("T2", "trench", (1300, 151), (1500, 151), a="N1", b="M")
    for row in plant.rows["segments"]:
        if row["id"] == "CS-2":
            row["within"] = "T2"
    build = facts(plant, tmp_path, lines=layer(plant, {"id": "X", "line": ["N1", "N2"]}))
    assert build["single"] == []


# What it runs beside, crosses and passes


def test_distances_and_lengths_of_what_a_new_segment_meets(tmp_path: Path) -> None:
    """X from N1 to N2, 400 m due east at y = 150.

    An old duct runs 6 m north of it from x = 1400 to 1500, another crosses it at x = 1600; pit Q
    stands 4 m south of it at x = 1450. A creek crosses at x = 1550, a pond covers 1350 to 1380, and
    a road runs 3 m south of the last 50 m.
    """
    plant = Plant()
    one_pit(plant)
    plant.nodes(
        "pit", E1=(1400, 156), E2=(1500, 156), F1=(1600, 100), F2=(1600, 200), Q=(1450, 146)
    )
    plant.segment("E", "duct", "E1", "E2", a="E1", b="E2")
    plant.segment("F", "duct", "F1", "F2", a="F1", b="F2")
    plant.settings = (
        '[[layer]]\nname = "water"\nsource = "water.geojson"\n'
        '[[layer]]\nname = "roads"\nsource = "roads.geojson"\n'
    )
    tmp_path.mkdir(exist_ok=True)
    pond = area(plant, 1350, 100, 1380, 200)
    water = layer(
        plant, {"id": "Creek", "line": [(1550, 0), (1550, 300)]}, {"id": "Pond", "line": ["A"]}
    )
    water.geometry = [water.geometry.iloc[0], pond]
    water.to_file(tmp_path / "water.geojson")
    layer(plant, {"line": [(1650, 147), (1700, 147)]}).to_file(tmp_path / "roads.geojson")
    row = {"id": "X", "line": ["N1", "N2"], "within": "-"}
    (one,) = segments(facts(plant, tmp_path, lines=layer(plant, row)))
    (beside,) = [row for row in one["beside"] if row["asset"] == "E"]
    assert (beside["role"], beside["kind"]) == ("segments", "duct")
    assert beside["distance_m"] == pytest.approx(6.0, abs=0.01)
    assert beside["length_m"] == pytest.approx(100 + 2 * 8, abs=0.3)  # 8: 10 m from its ends
    (crossed,) = one["crosses"]
    assert (crossed["asset"], crossed["kind"]) == ("F", "duct")
    assert crossed["at"] == pytest.approx(plant.to_degrees(1600, 150), abs=2e-7)
    passed = {row["asset"]: row["distance_m"] for row in one["passes"]}
    assert passed == pytest.approx({"Q": 4.0, "E1": 6.0, "E2": 6.0}, abs=0.01)
    drawn = {(row["layer"], row["id"]): row for row in one["backdrops"]}
    assert set(drawn) == {("water", "Creek"), ("water", "Pond"), ("roads", None)}
    creek, pond_ = drawn["water", "Creek"], drawn["water", "Pond"]
    road = drawn["roads", None]
    assert (creek["crossings"], creek["beside_m"], creek["inside_m"]) == (1, 0.0, 0.0)
    assert (pond_["crossings"], pond_["inside_m"]) == (1, pytest.approx(30.0, abs=0.1))
    assert (road["crossings"], road["beside_m"]) == (0, pytest.approx(50 + 9.54, abs=0.3))
    assert any("crosses or enters water (Creek, Pond)" in said for said in one["survey"])
    assert not any("no layer of water" in said for said in one["survey"])


def test_old_pits_within_snap_are_relied_on_and_told(tmp_path: Path) -> None:
    """Pit P, which both paths rely on, lies on the way of a candidate from N1 to S2."""
    plant = Plant()
    one_pit(plant)
    plant.nodes("pit", Q=(1500, 151))
    row = {"id": "X", "line": ["N1", "N2"], "within": "-"}
    (one,) = segments(facts(plant, tmp_path, lines=layer(plant, row)))
    (passed,) = one["passes"]
    assert (passed["asset"], passed["distance_m"]) == ("Q", pytest.approx(1.0, abs=0.01))
    assert any("whether it enters Q" in said for said in one["survey"])


# Where building is barred, and what it follows


def test_keep_out_bars_building_and_not_the_plant_that_exists(tmp_path: Path) -> None:
    """An area over the middle of the old duct from A to N1: the path over it stays in use.

    An area between N1 and N2 bars the duct there, made up or given.
    """
    plant = Plant()
    one_pit(plant)
    old = area(plant, 600, 0, 700, 200)
    (first, *_) = facts(plant, tmp_path / "old", keep_out=[old])["single"]
    assert [one["id"] for one in first["segments"]] == ["new-N1-N2"]
    between = area(plant, 1450, 100, 1550, 200)
    plant = Plant()
    one_pit(plant)
    build = facts(plant, tmp_path / "made", keep_out=[between])
    assert segments(build)[0]["id"] == "new-S1-S2"
    for one in segments(build):
        assert not shapely.LineString(one["lonlat"]).intersects(between)
    plant = Plant()
    one_pit(plant)
    lines = layer(plant, {"id": "X", "line": ["N1", "N2"]})
    build = facts(plant, tmp_path / "given", lines=lines, keep_out=[between])
    assert build["single"] == []
    assert build["refused"] == [{"id": "X", "why": "touches an area in which nothing may be built"}]


def test_a_route_follows_the_corridor_with_leads_at_its_ends(tmp_path: Path) -> None:
    """A road from (1300, 160) by (1300, 400) and (1700, 400) to (1700, 160), in two pieces.

    Leads of 10 m join N1 and N2 to it: 10 + 240 + 400 + 240 + 10 m, where straight is 400 m.
    """
    plant = Plant()
    one_pit(plant)
    road = layer(
        plant,
        {"line": [(1300, 160), (1300, 400), (1500, 400)]},
        {"line": [(1700, 160), (1700, 400), (1450, 400)]},
    )
    build = facts(plant, tmp_path / "road", along=tuple(road.geometry))
    (one,) = segments(build)
    assert (one["id"], one["course"]) == ("new-N1-N2", "along")
    assert one["length_m"] == pytest.approx(900.0, rel=1e-3)
    assert one["leads_m"] == pytest.approx([10.0, 10.0], abs=0.05)
    corners = [(1300, 150), (1300, 400), (1700, 400), (1700, 150)]
    assert len(one["lonlat"]) == 4
    for found, corner in zip(one["lonlat"], corners, strict=True):
        assert found == pytest.approx(plant.to_degrees(*corner), abs=3e-7)
    assert any("straight leads to it (10 m and 10 m)" in said for said in one["survey"])
    plant = Plant()
    one_pit(plant)
    build = facts(plant, tmp_path / "short", along=tuple(road.geometry), longest_m=800.0)
    assert {one["course"] for one in segments(build)} == {"straight"}
    plant = Plant()
    one_pit(plant)
    lane = layer(plant, {"line": [(1300, 160), (1300, 400)]})
    build = facts(plant, tmp_path / "apart", along=tuple(lane.geometry))
    assert {one["course"] for one in segments(build)} == {"straight"}


def test_a_route_stays_in_the_land_that_is_offered(tmp_path: Path) -> None:
    """Land in the form of an L: from N1 in its west arm round the inner corner to N2 in its east.

    From (1300, 150) by the corner (1400, 250) to (1700, 260): the straight line would leave it.
    """
    plant = Plant()
    one_pit(plant)
    plant.at["N2"] = (1700, 260)
    for row in plant.rows["structures"]:
        if row["id"] == "N2":
            row["line"] = [(1700, 260)]
    ring = [(1250, 100), (1400, 100), (1400, 250), (1750, 250), (1750, 400), (1250, 400)]
    land = shapely.Polygon([plant.to_degrees(*corner) for corner in ring])
    for row in plant.rows["segments"]:
        if row["id"] in ("CN-3", "CN-4"):
            row["line"] = [
                plant.at["P"] if row["id"] == "CN-3" else (1700, 260),
                (1700, 260) if row["id"] == "CN-3" else plant.at["B"],
            ]
    (one,) = segments(facts(plant, tmp_path, along=(land,)))
    assert one["course"] == "along"
    assert len(one["lonlat"]) == 3
    assert one["lonlat"][1] == pytest.approx(plant.to_degrees(1400, 250), abs=3e-7)


# What is to be avoided, and new structures


def test_what_is_to_be_avoided_may_be_in_the_cut_itself(tmp_path: Path) -> None:
    """A third cable by Q leaves K apart. Without P it is the only one: N1 to N2 makes a second."""
    plant = Plant()
    one_pit(plant)
    plant.nodes("pit", Q=(1500, 900))
    plant.laid("C3", "A", "Q", "B")
    build = facts(plant, tmp_path, avoid=("P",))
    assert build["looked_at"]["segments"] > 0
    assert "new-N1-N2" in [one["id"] for one in segments(build)]
    for option in build["single"]:
        assert option["once_recorded"] == ["K"]


def one_entry(plant: Plant) -> None:
    """Both cables come into site B, 400 m wide, by entry ENT."""
    for row in plant.rows["sites"]:
        if row["id"] == "B":
            row["area_m"] = 400
    plant.node("ENT", 2850, 0, kind="entry", within="B")
    plant.nodes("pit", N1=(1300, 150), S1=(1250, -300))
    plant.laid("CN", "A", "N1", "ENT")
    plant.laid("CS", "A", "S1", "ENT")
    plant.link("L1", "CN")
    plant.link("L2", "CS")
    plant.way("K", "main", "L1")
    plant.way("K", "alternate", "L2")


@pytest.mark.parametrize("by_place", [True, False])
def test_a_second_entry_is_built_and_the_cables_use_it(by_place: bool, tmp_path: Path) -> None:
    """E2 in the north of B: the candidate ends there by its place, or says so in `b`."""
    plant = Plant()
    one_entry(plant)
    stop = (2850, 120) if by_place else (2860, 120)
    rows = (
        {"id": "E2", "kind": "entry", "line": [(2850, 120)], "within": None, "b": None},
        {
            "id": "X",
            "kind": "duct",
            "line": ["N1", stop],
            "within": "-",
            "b": None if by_place else "E2",
        },
    )
    lines = layer(plant, *rows)
    if not by_place:
        with pytest.raises(CallError, match="end b is stated at E3, no structure or site"):
            facts(plant, tmp_path / "wrong", lines=lines.assign(b=[None, "E3"]))
        lines = layer(plant, rows[0], {**rows[1], "line": ["N1", (2850, 120)]})
    found = ask(plant, tmp_path / "study", lines=lines)
    (option,) = found.facts()["build"]["single"]
    assert option["apart"] == ["K"]
    (new,) = option["proposal"]["rows"]["structures"]
    assert (new["id"], new["kind"], new["within"]) == ("E2", "entry", "B")
    used = {row["cable"] for row in option["proposal"]["rows"]["link_runs"]}
    assert "X-cable" in used
    assert {"build entry E2"} <= {one["text"] for one in option["work"]}
    found.write_all(tmp_path / "out")
    study = wa.read_study(tmp_path / "out" / "build-1")
    assert wa.prove(study).verdicts == ["apart"]
    assert "E2" in study.tables["structures"]["id"].tolist()


def test_every_fault_of_candidates_is_told_at_once(tmp_path: Path) -> None:
    plant = Plant()
    one_pit(plant)
    lines = layer(
        plant,
        {"id": "N1", "line": ["N1", "N2"]},
        {"id": "X", "line": [(10, 900), "N2"], "within": "TR-9"},
        {"id": "E2", "line": [(2000, 500)]},
        {"id": "Q2", "kind": "pit", "line": [(1300, 151)]},
    )
    with pytest.raises(CallError) as caught:
        facts(plant, tmp_path, lines=lines)
    told = str(caught.value)
    for said in (
        "candidate N1: that id is taken",
        "candidate X: within names TR-9, which is no asset of the study",
        "candidate X: its end a meets no structure or site within 2 m",
        "structure E2: the column kind is blank",
        "structure Q2 lies 1.0 m from N1: let the line end there instead",
    ):
        assert said in told


# Evidence


def test_recheck_confirms_what_is_apart_once_recorded(tmp_path: Path) -> None:
    """And tells it where another gap touches the circuit, or the row was filled in."""
    import copy
    import json

    from waysapart.recheck import recheck

    plant = Plant()
    one_pit(plant)
    sound = ask(plant, tmp_path / "study").facts()
    file = tmp_path / "found.json"

    def false_in(told: Any) -> list[str]:
        file.write_text(json.dumps(told))
        return recheck(tmp_path / "study", file)["false"]

    assert sound["build"]["single"][0]["once_recorded"] == ["K"]
    assert false_in(sound) == []
    forged = copy.deepcopy(sound)
    forged["build"]["single"][0].update(apart=["K"], once_recorded=[])
    assert any("K is not apart and within limits by its proof" in one for one in false_in(forged))
    forged = copy.deepcopy(sound)
    forged["build"]["single"][0]["proposal"]["rows"]["segments"][0]["within"] = "-"
    assert any("no gap of the new plant touches it" in one for one in false_in(forged))
    forged = copy.deepcopy(sound)
    forged["build"]["single"][0]["once_recorded"].append("K9")
    assert any("K9 is not unproven" in one for one in false_in(forged))


# The demo


@pytest.mark.slow
def test_the_demo_without_fibres_in_two_cables_builds_nothing_in_the_trench() -> None:
    """C03 with no fibres left in OP-X1 and UC-M1: no duct from N2-HER-P1 to N2-HER-P2.

    It would lie in trench TR-1, in which both paths are.
    """
    from dataclasses import replace

    folder = Path(__file__).resolve().parents[2] / "examples" / "estuary"
    study = wa.read_study(folder)
    cables = study.tables["cables"].copy()
    cables.loc[cables["id"].isin(["OP-X1", "UC-M1"]), "fibre_count"] = float("nan")
    study = replace(study, tables={**study.tables, "cables": cables})
    build = wa.reroute(study, ["C03"]).facts()["build"]
    assert segments(build)
    assert "new-N2-HER-P1-N2-HER-P2" not in [one["id"] for one in segments(build)]
    trench = study.lonlat("segments")[study.tables["segments"]["id"].tolist().index("TR-1")]
    for one in segments(build):
        line = shapely.LineString(one["lonlat"])
        assert line.intersection(trench.buffer(4e-5)).length < 2e-4, one["id"]
    assert all(option["apart"] == [] for option in build["single"] if option["segments"])

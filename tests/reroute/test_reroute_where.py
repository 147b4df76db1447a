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


@pytest.mark.parametrize("forbidden", [False, True])
def test_a_duct_that_crosses_the_shared_trench_is_shown_or_forbidden(
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
def test_what_a_candidate_states_counts_and_a_blank_is_not_on_record(
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

"""What a hazard takes: by reach in metres on the ground, and by kind.

The plants lie between site A at (0, 0) and site B at (1000, 0), drawn as in test_spacing.
"""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from pyproj import Geod, Transformer

import drawn_plant
import waysapart as wa
from everyday import some
from line_plant import LinePlant
from proofs import proof_of
from spacing_plants import Plant
from waysapart.network.build_network import tie
from waysapart.recheck import recheck

PLACE = Transformer.from_crs(drawn_plant.CRS, "EPSG:4326", always_xy=True)


def plant() -> Plant:
    """M at 300 m to the north of the hazard's line y = 0, N at 300 m to the south."""
    made = Plant()
    made.nodes("pit", P=(500, 300), Q=(500, -300))
    made.way("M", "A", (0, 300), (1000, 300), "B", kind="span")
    made.way("N", "A", (0, -300), (1000, -300), "B")
    made.ways("K", "M", "N")
    for site in made.rows["sites"]:
        site["kind"] = "substation"
    return made


def taken(made: Plant, folder: Path, crs: str = drawn_plant.CRS) -> set[str]:
    """Ids of everything that any hazard takes."""
    made.proved(folder)
    settings = folder / "study.toml"
    text = settings.read_text(encoding="utf-8").replace(drawn_plant.CRS, crs)
    settings.write_text(text, encoding="utf-8")
    network = tie(wa.read_study(folder))
    rows = np.flatnonzero(np.diff(network.hazards.indptr))
    return set(network.assets.ids(rows))


@pytest.mark.parametrize(
    ("takes", "found"),
    [
        ("", {"A", "M", "N", "Q"}),
        ("span", {"M"}),
        ("span;pit", {"M", "Q"}),
        ("duct", {"N"}),
        ("tower", set()),
    ],
)
def test_a_hazard_takes_the_kinds_that_it_names(
    takes: str, found: set[str], tmp_path: Path
) -> None:
    """A line along y = -50 that reaches 360 m: M is 350 m away, N 250 m and A 112 m.

    The pits stand past the end of the line, at x = 400: Q 269 m from it, P 364 m.
    """
    made = plant()
    made.rows["hazards"].append(
        {
            "id": "H",
            "kind": "slip",
            "takes": takes,
            "reach_m": 360,
            "line": [(100, -50), (400, -50)],
        }
    )  # fmt: skip
    assert taken(made, tmp_path) == found


def ground_m(one: tuple[float, float], other: tuple[float, float]) -> float:
    lonlat = [PLACE.transform(drawn_plant.EAST + x, drawn_plant.NORTH + y) for x, y in (one, other)]
    metres: float = Geod(ellps="WGS84").inv(*lonlat[0], *lonlat[1])[2]
    return metres


@pytest.mark.parametrize(
    "crs", some(["EPSG:25832", "EPSG:25831", "EPSG:3035", "EPSG:25833"], every=4)
)
def test_reach_is_in_metres_whatever_the_coordinate_system(crs: str, tmp_path: Path) -> None:
    """Pit P is 300.10 m away on the ground; in the neighbour's zone it is drawn 301 m away.

    A reach of a centimetre less than that takes nothing, one of a centimetre more takes P.
    """
    metres = ground_m((500, 0), (500, 300))
    assert 300.05 < metres < 300.15
    for reach, found in ((metres - 0.01, set()), (metres + 0.01, {"P"})):
        made = plant()
        made.rows["hazards"].append(
            {"id": "H", "kind": "flood", "takes": "pit", "reach_m": reach, "line": [(500, 0)]}
        )
        made.at["Q"] = (500, -900)
        made.rows["structures"][1]["line"] = [(500, -900)]
        assert taken(made, tmp_path / f"{reach:.3f}", crs) == found


def test_a_polygon_takes_what_lies_in_it(tmp_path: Path) -> None:
    """A square of 700 m about (500, 0) holds P and Q and parts of both paths."""
    made = plant()
    made.rows["hazards"].append(
        {"id": "H", "kind": "flood", "takes": "", "line": [(500, 0)], "area_m": 700}
    )
    assert taken(made, tmp_path) == {"M", "N", "P", "Q"}


def test_a_hazard_on_both_paths_is_shared_and_counts_with_its_own_frequency(tmp_path: Path) -> None:
    """Once in ten years for 876 h, a tenth of a year: down 0.01 parts for every part up."""
    made = plant()
    made.rows["hazards"].append(
        {"id": "H", "kind": "flood", "takes": "", "line": [(500, 0)], "area_m": 700,
         "per_year": 0.1, "repair_h": 876}
    )  # fmt: skip
    found = made.proved(tmp_path)
    assert [one["asset"] for one in found["shared"]] == ["H"]
    proof = proof_of(tmp_path)
    number = int(proof.network.assets.numbers(["H"])[0])
    assert proof.outages.share[number] == pytest.approx(
        0.1 * 876 / 8766 / (1 + 0.1 * 876 / 8766), rel=2e-3
    )
    assert proof.outages.contributions([0])[number] > 0.005


# --- Radio hops: a path through the air, which only hazards cross that take `radio`.


def by_radio(takes: str, **link: object) -> LinePlant:
    """K by radio from mast GA to mast GB, straight along y = 200, and by a duct that dips to y =
    -300. A wind farm 800 m wide and as high stands half way, across both: (3000, -50) +- 400."""
    made = LinePlant()
    made.nodes("pit", S=(3000, -300))
    made.laid("CS", "A", "S", "B")
    made.fibre("LS", "RA", "RB", "CS", line=[])
    made.nodes("tower", GA=(100, 200), GB=(5900, 200))
    made.hop("LR", "RA", "RB", "radio", relies_on="GA;GB", **{"line": [], **link})
    made.node("WIND", 3000, -50, role="hazards", area_m=800, takes=takes)
    made.way("K", "main", "LR")
    made.way("K", "alternate", "LS")
    return made


def shared_of(made: LinePlant, folder: Path) -> set[str]:
    found = made.circuit_facts(folder)
    file = folder / "evidence.json"
    file.write_text(json.dumps(made.proved(folder).facts()), encoding="utf-8")
    told = recheck(folder, file)
    assert not told["false"]
    assert told["confirmed"] > 50
    return {one["asset"] for one in found["shared"]}


@pytest.mark.parametrize(
    ("takes", "found"),
    [("radio;duct", {"WIND"}), ("duct", set()), ("radio", set()), ("", set())],
)
def test_a_hazard_in_the_air_must_take_radio(takes: str, found: set[str], tmp_path: Path) -> None:
    """What takes all kinds in an area, such as a flood, takes nothing that goes through the air."""
    assert shared_of(by_radio(takes), tmp_path) == found


def test_a_radio_path_runs_as_it_is_drawn(tmp_path: Path) -> None:
    """By a reflector 2 km to the north the hop passes the wind farm by. It is as long as twice the
    hypotenuse of 2900 and 1800 m, 6826 m, and not 5800 m."""
    bent = by_radio("radio;duct", line=[(100, 200), (3000, 2000), (5900, 200)])
    assert shared_of(bent, tmp_path) == set()
    (link,) = [one for one in bent.proved(tmp_path).facts()["links"] if one["id"] == "LR"]
    assert link["lengths"]["length_m"] == pytest.approx(6826, rel=1e-3)


def test_a_hazard_at_the_end_that_is_met_in_the_air_as_well_is_shared(tmp_path: Path) -> None:
    """An area about site A takes sites, ducts and radio. Both paths meet it at A, which cannot be
    avoided; main meets it in the air as well, and alternate by its duct."""
    made = by_radio("radio")
    made.node("HZ", 0, 0, role="hazards", area_m=1000, takes="substation;radio;duct")
    for site in made.rows["sites"]:
        site["kind"] = "substation"
    assert shared_of(made, tmp_path / "both") == {"HZ"}
    made.rows["hazards"][-1]["takes"] = "substation;duct"
    assert shared_of(made, tmp_path / "one") == set()

"""Sound evidence is never called false, wherever the plant lies and however it is written down.

`sound_studies.py` moves random plants to latitudes from -80 to 80 and round the globe, into layers
in degrees, grids of countries, web mercator and survey feet, with columns in feet and ids full of
quotes, brackets, commas, braces and HTML. The distances on which it all rests are held against
GeographicLib (C. F. F. Karney, Algorithms for geodesics, Journal of Geodesy 87, 2013).
"""

from __future__ import annotations

import json
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
import shapely
from click.testing import CliRunner
from geographiclib.geodesic import Geodesic
from pyproj import CRS

from drawn_plant import DrawnPlant
from evidence_mutator import Proved
from figures_study import SmallStudy
from proofs import proof_of
from sound_studies import GRIDS, write_sound_study
from waysapart.cli import main
from waysapart.recheck import recheck
from waysapart.recheck.places import Sheet
from waysapart.recheck.records import Records
from waysapart.recheck.separation import Plane
from waysapart.schema import ROLES

EVERY_TIME = 12
LONG = 300


def _told(seed: int, folder: Path) -> list[str]:
    proved = Proved.of(f"{seed}", write_sound_study(folder / "study", seed))
    return proved.told(proved.facts)


@pytest.mark.parametrize("seed", range(EVERY_TIME))
def test_what_is_proved_is_confirmed(seed: int, tmp_path: Path) -> None:
    assert _told(seed, tmp_path) == []


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(EVERY_TIME, LONG))
def test_what_is_proved_of_many_is_confirmed(seed: int, tmp_path: Path) -> None:
    assert _told(seed, tmp_path) == []


def test_the_plants_lie_in_every_grid() -> None:
    assert len({grid for grid, _ in GRIDS[:EVERY_TIME]}) >= 6


def test_the_command_confirms_one(tmp_path: Path) -> None:
    """From layers on disk to exit status 0, hostile ids in every role."""
    folder, evidence = write_sound_study(tmp_path / "study", 6), tmp_path / "evidence.json"
    run = CliRunner()
    run.invoke(main, ["prove", str(folder), "--json", str(evidence)])
    done = run.invoke(main, ["recheck", str(folder), str(evidence)])
    assert done.exit_code == 0, done.output


# --- cases that such plants found ------------------------------------------------------------


def test_a_third_member_excuses_nothing_between_two_others(tmp_path: Path) -> None:
    """Under `pairwise` a way of K1 and one of K2 run 3 m apart by site C, where only K3 ends."""
    plant = DrawnPlant((0, 0), (4_000, 0))
    plant.node("C", 2_000, 0, role="sites")
    plant.rows["equipment"].append(
        {"id": "RC", "site": "C", "within": "-", "supplies": "-", "delay_us": 0}
    )
    plant.segment("D1", "duct", "A", (1_900, 10), (2_100, 10), "B")
    plant.segment("D2", "duct", "A", (1_000, -400), (1_900, 7), (2_100, 7), (3_000, -400), "B")
    plant.segment("D3", "duct", "A", (1_000, 900), "C")
    for letter, segment in (("M", "D1"), ("N", "D2"), ("O", "D3")):
        plant.listed(letter, segment)
    plant.rows["links"][-1]["b"] = "RC"
    for circuit, b, link in (("K1", "RB", "L-M"), ("K2", "RB", "L-N"), ("K3", "RC", "L-O")):
        plant.rows["circuits"].append(
            {"id": circuit, "a": "RA", "b": b, "service": "", "group": "G"}
        )
        plant.rows["circuit_paths"].append(
            {"circuit": circuit, "path": "main", "seq": 1, "link": link}
        )
    folder = tmp_path / "study"
    plant.read(folder)
    (folder / "rules.toml").write_text(
        "[services.default]\nend_zone_m = 150\ngroup_test = 'pairwise'\n"
        "[records]\nwithin = 'none'\n",
        encoding="utf-8",
    )
    proved = Proved.of("pairwise", folder)
    (group,) = proved.facts["groups"]
    near = {(one["main"], one["alternate"]): one["distance_m"] for one in group["near"]}
    assert near["D1", "D2"] == pytest.approx(3.0, abs=0.01)
    assert proved.told(proved.facts) == []


# --- distances -------------------------------------------------------------------------------

EARTH = Geodesic.WGS84
LATITUDES = (0.0, 23.4, 45.0, 60.0, 80.0, 85.0, -33.0, -80.0)
LONGITUDES = (9.0, 0.0, 179.9995, -179.9999)


def _plane(lines: dict[str, Any], middle: tuple[float, float]) -> Plane:
    """The plane of a study with these lines in degrees, and a structure that sets its middle."""
    rows: dict[str, Any] = {role: [] for role in ROLES}
    more = {"kind": "span", "_accuracy_m": 0.0, "_shift_m": 0.0}
    rows["segments"] = [{"id": name, "geometry": line, **more} for name, line in lines.items()]
    ground = SimpleNamespace(records=Records(rows, CRS.from_epsg(4326), 2.0, [], {}, []))
    ground.records.sheet = Sheet([shapely.Point(middle)])
    return Plane(SimpleNamespace(ground=ground))  # type: ignore[arg-type]


def _on(lat: float, lon: float, azimuth: float, metres: float) -> tuple[float, float]:
    """Longitude and latitude of the end of a geodesic."""
    end = EARTH.Direct(lat, lon, azimuth, metres)
    return float(end["lon2"]), float(end["lat2"])


def _right(found: float, metres: float) -> None:
    assert abs(found - metres) <= max(0.01, 1e-6 * metres), (found, metres)


@pytest.mark.parametrize("lat", LATITUDES)
@pytest.mark.parametrize("lon", LONGITUDES)
@pytest.mark.parametrize("away_m", [0.0, 40_000.0, 400_000.0])
def test_distances_of_two_points_are_geodesic(lat: float, lon: float, away_m: float) -> None:
    """Of points by the middle of the plant, and far from it."""
    middle = _on(lat, lon, 200.0, away_m)
    plane = _plane({}, middle)
    one = plane.flat(shapely.Point(lon, lat))
    for azimuth in (0.0, 47.0, 90.0, 251.0):
        for metres in (0.3, 4.8768, 60.0, 999.0, 5_000.0, 80_000.0):
            other = plane.flat(shapely.Point(_on(lat, lon, azimuth, metres)))
            _right(plane.metres(one, other), metres)


@pytest.mark.parametrize("lat", LATITUDES)
@pytest.mark.parametrize("lon", LONGITUDES)
def test_distances_of_a_point_from_a_long_straight_line_are_geodesic(
    lat: float, lon: float
) -> None:
    """The foot is the middle of the line, because the shortest way meets a geodesic square."""
    for length_m, metres in ((60_000.0, 5.0), (60_000.0, 800.0), (900.0, 0.5), (900.0, 4.8768)):
        ends = [_on(lat, lon, 40.0, along) for along in (-length_m / 2, length_m / 2)]
        plane = _plane({"S": shapely.LineString(ends)}, (lon, lat))
        line, length = plane.line(("S", 0.0, 1.0))
        _right(length, length_m)
        point = plane.flat(shapely.Point(_on(lat, lon, 130.0, metres)))
        _right(plane.metres(line, point), metres)


def test_evidence_read_from_a_file_is_what_was_written(tmp_path: Path) -> None:
    """Once by way of the file and the public function, as everybody else calls it."""
    folder = write_sound_study(tmp_path / "study", 3)
    evidence = tmp_path / "evidence.json"
    evidence.write_text(json.dumps(proof_of(folder).facts()), encoding="utf-8")
    found = recheck(folder, evidence)
    assert found["false"] == []
    assert found["confirmed"] > 100


def test_a_pairwise_group_of_which_one_member_has_paths(tmp_path: Path) -> None:
    """There is no path of another member to compare with: nothing is shared, the group unproven."""
    study = SmallStudy(tmp_path / "study")
    study.rules('[services.line-differential]\ngroup_test = "pairwise"\n')
    study.rows("circuits", "K2,R-W,R-M,line-differential,,G1,each\n")
    (group,) = study.confirmed()["groups"]
    assert (group["verdict"], group["shared"]) == ("unproven", [])
    assert group["closest_m"] is None


def test_what_is_out_of_service_is_down_whatever_else_is_not_on_record(tmp_path: Path) -> None:
    """Both paths are cut now. A pit without an id, which may touch anything, changes nothing."""
    study = SmallStudy(tmp_path / "study")
    toml = (study.folder / "study.toml").read_text(encoding="utf-8")
    study.text("study.toml", toml.replace("crs =", 'out = ["T2", "P2"]\ncrs ='))
    study.point("structures", "P9", (2000.0, -2000.0), kind="pit")
    study.feature("structures", "P9", id="")
    (found,) = study.confirmed()["circuits"]
    assert "no-id" in {gap["code"] for gap in found["gaps"]}
    shares = found["unavailability"]
    assert (shares["main"], shares["alternate"], shares["both"]) == (1.0, 1.0, 1.0)
    assert shares["why"] == []


def test_a_radio_hop_over_a_mast_that_stands_nobody_knows_where(tmp_path: Path) -> None:
    study = SmallStudy(tmp_path / "study")
    study.text(
        "links.csv",
        "id,a,b,wavelength_nm,medium,relies_on\nL1,R-W,R-M,1310,fibre,\nL2,R-W,R-M,,radio,T9\n",
    )
    study.text("link_runs.csv", "link,seq,cable,fibres\nL1,1,C1,1;2\n")
    study.point("structures", "T9", (2000.0, -2000.0), kind="tower")
    study.undraw("structures", "T9")
    links = {one["id"]: one for one in study.confirmed()["links"]}
    assert links["L2"]["lengths"]["length_m"] is None

"""Layers without a role on the map: clipped, simplified, bounded, named, and never handed out."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shapely

from small_study import write_small_study
from waysapart.report.geometry import _MOST_VERTICES, _clipped, backdrop_features, proof_geometry
from waysapart.report.page import render_report
from waysapart.report.redaction import Outside, reduced
from waysapart.report.write import report_facts
from waysapart.study.read import read_study
from waysapart.verdicts.prove import Proof, prove

NAME = "roads <b>{{ 7*7 }}</b>"


def _layer(folder: Path, number: int, name: str, shapes: list[Any]) -> None:
    """Add a GeoJSON file and a layer without a role to a study."""
    features = [
        {"type": "Feature", "properties": {}, "geometry": shapely.geometry.mapping(one)}
        for one in shapes
    ]
    path = folder / f"backdrop{number}.geojson"
    path.write_text(json.dumps({"type": "FeatureCollection", "features": features}))
    with (folder / "study.toml").open("a", encoding="utf-8") as file:
        file.write(f'\n[[layer]]\nname = """{name}"""\nsource = "{path.name}"\n')


@pytest.fixture(scope="module")
def plain(tmp_path_factory: pytest.TempPathFactory) -> Proof:
    return prove(read_study(write_small_study(tmp_path_factory.mktemp("plain"))))


@pytest.fixture(scope="module")
def bounds(plain: Proof) -> np.ndarray:
    every = np.concatenate(
        [plain.study.lonlat(role) for role in ("sites", "structures", "segments")]
    )
    return np.asarray(shapely.total_bounds(every))


@pytest.fixture(scope="module")
def proof(tmp_path_factory: pytest.TempPathFactory, bounds: np.ndarray) -> Proof:
    """A coast as an area that is far larger than the plant, a road across it, one far away, and
    one village."""
    folder = write_small_study(tmp_path_factory.mktemp("backdrops"))
    west, south, east, north = bounds
    across = shapely.LineString([(west - 3, south), (east + 3, north)])
    far = shapely.LineString([(west + 20, south), (west + 21, south)])
    _layer(folder, 1, "coast", [shapely.box(west - 5, south - 5, east + 5, (south + north) / 2)])
    _layer(folder, 2, NAME, [across, far])
    _layer(folder, 3, "villages", [shapely.Point(west, north)])
    return prove(read_study(folder))


def test_layers_are_clipped_to_the_plant_and_its_surroundings(
    proof: Proof, bounds: np.ndarray
) -> None:
    """The far road is not there; of all else nothing lies outside the box, which holds the
    plant with room on every side and is no wider than twice the plant and 4 km."""
    found = backdrop_features(proof.study)
    told = [(one["properties"]["layer"], one["properties"]["shape"]) for one in found["features"]]
    assert told == [("coast", "area"), (NAME, "line"), ("villages", "point")]
    box = found["box"]
    west, south, east, north = bounds
    assert box[0] < west < east < box[2]
    assert box[1] < south < north < box[3]
    assert box[3] - box[1] < 2 * max(north - south, east - west) + 4000 / 100_000
    for one in found["features"]:
        at = shapely.get_coordinates(shapely.geometry.shape(one["geometry"]))
        assert (at >= np.array(box[:2]) - 1e-9).all()
        assert (at <= np.array(box[2:]) + 1e-9).all()
    (road,) = found["features"][1]["geometry"]["coordinates"]
    assert len(road) == 2


def test_a_study_without_such_layers_has_none(plain: Proof) -> None:
    assert backdrop_features(plain.study)["features"] == []
    facts, geo = report_facts(plain)
    page = render_report(facts, geo, title="Plain")
    assert "backdrop-0" not in page
    assert "No background map: nothing on this page comes from a network." in page


def test_names_of_layers_are_text_in_the_list_and_beside_the_map(proof: Proof) -> None:
    facts, geo = report_facts(proof)
    page = render_report(facts, geo, title="Backdrops")
    shown = "roads &lt;b&gt;{{ 7*7 }}&lt;/b&gt;"
    assert 'value="backdrop-0" checked> coast</label>' in page
    assert f'value="backdrop-1" checked> {shown}</label>' in page
    assert f"drawn faintly (coast, {shown} and villages)" in page
    assert NAME not in page
    assert "49" not in page.split("map-keys")[1][:900]


def test_a_large_layer_is_simplified_until_it_is_small_enough(
    tmp_path: Path, bounds: np.ndarray
) -> None:
    """400,000 vertices that jitter by 1 m to 60 m, and 30,000 islets of four corners: what the
    page holds is bounded, says by how much lines are off, and leaves out the smallest parts."""
    folder = write_small_study(tmp_path)
    west, south, east, north = bounds
    random = np.random.default_rng(5)
    t = np.linspace(0, 1, 400_000)
    jitter = np.cumsum(random.normal(0, 1e-5, len(t)))
    coast = shapely.LineString(
        np.column_stack([west + (east - west) * t, south + (north - south) * 0.5 + jitter])
    )
    x, y = random.uniform(west, east, 30_000), random.uniform(south, north, 30_000)
    islets = [shapely.box(a, b, a + 2e-4, b + 2e-4) for a, b in zip(x, y, strict=True)]
    _layer(folder, 1, "coast", [coast])
    _layer(folder, 2, "islets", islets)
    found = backdrop_features(read_study(folder))
    kept = [shapely.geometry.shape(one["geometry"]) for one in found["features"]]
    assert 1000 < sum(len(shapely.get_coordinates(one)) for one in kept) <= _MOST_VERTICES
    assert found["left_out"] > 0
    drawn = next(
        shapely.geometry.shape(one["geometry"])
        for one in found["features"]
        if one["properties"]["layer"] == "coast"
    )
    off = shapely.distance(drawn, shapely.points(shapely.get_coordinates(coast)[::97]))
    assert found["detail_m"] > 1.0
    assert off.max() * 111_000 <= found["detail_m"] * 1.05


def test_parts_a_turn_of_the_globe_away_are_found() -> None:
    """A plant across the antimeridian is drawn from 179 to 181 degrees; a coast at -179.5 lies
    within it."""
    line = shapely.LineString([(-179.6, 10.0), (-179.4, 10.2)])
    found = _clipped(np.array([line], dtype=object), (179.0, 9.0, 181.0, 11.0))
    assert shapely.get_coordinates(found).tolist() == [
        pytest.approx([180.4, 10.0]),
        pytest.approx([180.6, 10.2]),
    ]


@pytest.mark.parametrize("grid_m", [None, 1000.0])
def test_a_report_for_readers_outside_has_no_backdrop(proof: Proof, grid_m: float | None) -> None:
    """A coast would tell where the plant lies, and its layer's name is a text of the study."""
    facts, geo = report_facts(proof)
    assert geo["backdrops"]["features"]
    less, places = reduced(facts, geo, proof.study.crs, Outside(grid_m, b"outside " * 4))
    assert "backdrops" not in places
    page = render_report(less, places, title="Outside")
    assert "villages" not in page
    assert "backdrop-0" not in page


def test_the_geometry_of_every_page_has_them(proof: Proof) -> None:
    assert len(proof_geometry(proof)["backdrops"]["features"]) == 3

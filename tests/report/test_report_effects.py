"""What the page can look up: the effect of a loss, where assets lie, coordinates of the study."""

from __future__ import annotations

import numpy as np
import pytest
from pyproj import CRS, Transformer

from waysapart.report.geometry import effects, holdings, worst_places
from waysapart.report.lookup import working_grid
from waysapart.report.view import event_rows
from waysapart.whatif.dig import dig


@pytest.fixture(scope="module")
def proof(estuary_proof):
    return estuary_proof


@pytest.fixture(scope="module")
def found(proof):
    return effects(proof)


def taken(found, asset):
    loss, cables, kind = found["of"][asset]
    lost, left, groups = found["losses"][loss]
    return lost, left, groups, found["cables"][cables] if cables >= 0 else [], found["kinds"][kind]


@pytest.mark.parametrize("asset", ["PIT-HER-7", "BRG-1", "CHG-STK-3", "HZ-FLOOD-1", "OP-N1", "SAL"])
def test_a_loss_takes_what_a_dig_at_the_asset_takes(proof, found, asset):
    """The dig is worked out apart, for one event at a time."""
    facts = dig(proof, assets=[asset]).facts()
    states = {one["id"]: one["state"] for one in facts["circuits"]}
    lost, left, _, _, _ = taken(found, asset)
    assert {name for name, state in states.items() if state == "lost"} == set(lost)
    assert {name for name, state in states.items() if state.startswith("on-")} == set(left)


def test_the_pit_of_the_demo(found):
    """C04, C17 and C33 have both paths in it; C14 and C22 to C24 one."""
    lost, left, groups, cables, kind = taken(found, "PIT-HER-7")
    assert lost == ["C04", "C17", "C33"]
    assert left == ["C14", "C22", "C23", "C24"]
    assert groups == []
    assert cables == ["AP-N3-HER", "UC-U3"]
    assert kind == "pit"


def test_a_group_is_lost_with_every_path_of_its_members(found):
    """The cable of both main paths leaves G1 its alternates; the site at their end nothing."""
    assert taken(found, "UC-U1")[2] == []
    assert taken(found, "SAL")[2] == ["G1"]


def test_equal_losses_are_kept_once(found):
    keys = [str(row) for row in found["losses"]]
    assert len(keys) == len(set(keys))
    assert max(loss for loss, _, _ in found["of"].values()) == len(keys) - 1


def test_what_holds_an_asset_that_has_no_place(proof):
    told = holdings(proof)
    assert told["inside"]["BAT-STK-3"] == ["RM-STK", "STK"]
    assert "BAT-STK-3" in {one["id"] for one in told["assets"]}
    assert "PIT-HER-7" not in {one["id"] for one in told["assets"]}
    assert told["runs"]["OP-N1"] == [f"N1-S{n:02d}" for n in range(1, 31)]


def test_events_in_one_row_do_the_same(proof, found):
    rows = event_rows(found).rows
    assert [len(row.lost) for row in rows] == sorted((len(row.lost) for row in rows), reverse=True)
    spans = next(row for row in rows if "N1-S07" in row.assets)
    assert spans.kind == "span"
    assert spans.lost == ["C01", "C02"]
    assert len(spans.assets) == 30
    named = [name for row in rows for name in row.assets]
    assert len(named) == len(set(named))


def test_worst_places_lose_a_circuit(proof):
    places = worst_places(proof)
    assert places
    assert all(place["lost"] == len(place["circuits_lost"]) > 0 for place in places)


def value(grid, coefficients, lon, lat):
    x = (lon - grid["centre"][0]) / grid["half"][0]
    y = (lat - grid["centre"][1]) / grid["half"][1]
    degree = grid["degree"]
    powers = [(i, j) for i in range(degree + 1) for j in range(degree + 1 - i)]
    return sum(c * x**i * y**j for c, (i, j) in zip(coefficients, powers, strict=True))


@pytest.mark.parametrize(
    ("code", "frame"),
    [
        ("EPSG:25832", (6.6, 54.2, 7.4, 54.6)),
        ("EPSG:25832", (7.0, 50.0, 13.0, 55.0)),
        ("EPSG:27700", (-4.0, 51.0, -2.0, 53.0)),
        ("EPSG:2056", (6.5, 46.3, 9.5, 47.5)),
        ("EPSG:28992", (4.0, 51.5, 6.0, 53.0)),
        ("EPSG:32633", (14.9, -33.0, 15.1, -32.9)),
        ("EPSG:3031", (-60.0, -72.0, -58.0, -71.0)),
    ],
)
def test_the_polynomial_stands_for_the_projection(code, frame):
    """Against pyproj at random places of the frame; no farther off than it says."""
    grid = working_grid(CRS(code), frame)
    rng = np.random.default_rng(7)
    lon = rng.uniform(frame[0], frame[2], 500)
    lat = rng.uniform(frame[1], frame[3], 500)
    east, north = Transformer.from_crs("EPSG:4326", code, always_xy=True).transform(lon, lat)
    off = np.hypot(
        value(grid, grid["east"], lon, lat) - east, value(grid, grid["north"], lon, lat) - north
    )
    assert grid["error_m"] < 5.0
    assert off.max() <= 1.1 * grid["error_m"] + 1e-3


def test_no_polynomial_is_given_for_what_none_follows():
    """Half the globe in one zone of a transverse Mercator projection."""
    assert working_grid(CRS("EPSG:25832"), (-150.0, -80.0, 170.0, 80.0)) is None

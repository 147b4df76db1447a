"""`waysapart reroute`: what it prints and writes, and its exit status."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from reroute_plants import Plant, one_cable
from reroute_studies import one_pit
from waysapart.cli import main


def run(*arguments: object) -> Result:
    return CliRunner().invoke(main, ["reroute", *(str(argument) for argument in arguments)])


def spare(folder: Path) -> Path:
    """Both ways of K in one cable, and a spare cable."""
    plant = Plant()
    one_cable(plant)
    plant.nodes("pit", S=(1500, -900))
    plant.laid("CS", "A", "S", "B", km=4)
    plant.read(folder)
    return folder


def test_ways_are_printed_written_and_proposed(tmp_path: Path) -> None:
    study = spare(tmp_path / "study")
    result = run(study, "--json", tmp_path / "out.json", "--proposal", tmp_path / "proposal")
    assert result.exit_code == 0, result.output
    assert "K-alternate-new" in result.output
    assert "patch RA (1310 nm port) to CS fibres 1, 2" in " ".join(result.output.split())
    facts = json.loads((tmp_path / "out.json").read_text())
    assert facts["circuits"][0]["status"] == "apart"
    assert (tmp_path / "proposal" / "study.toml").exists()
    again = CliRunner().invoke(main, ["prove", str(tmp_path / "proposal"), "--quiet"])
    assert again.exit_code == 3, "apart, but no optics on record: the margin is not proved"
    assert "1 apart" in again.output


def test_json_alone_on_standard_output(tmp_path: Path) -> None:
    result = run(spare(tmp_path / "study"), "--circuit", "K", "--json", "-")
    assert json.loads(result.stdout)["circuits"][0]["id"] == "K"


def test_none_is_exit_status_1_with_the_reason(tmp_path: Path) -> None:
    plant = Plant()
    one_pit(plant)
    plant.read(tmp_path / "study")
    result = run(tmp_path / "study", "--no-build")
    assert result.exit_code == 1
    assert "every path from RA to RB relies on pit P" in result.output
    assert "P (weight 4; every pair of paths shares at least that much)" in result.output


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["--circuit", "K9"], "K9"),
        (["--group", "G9"], "G9"),
        (["--avoid", "A"], "cannot avoid"),
        (["--between", "RA", "RX"], "RX"),
        (["--cost", "money"], "money"),
        (["--keep", "spare"], "there are alternate, main"),
        (["--avoid-area", "nowhere.geojson"], "nowhere.geojson"),
    ],
    ids=["circuit", "group", "end", "equipment", "cost", "keep", "area"],
)
def test_wrong_calls_are_exit_status_2(arguments: list[str], message: str, tmp_path: Path) -> None:
    result = run(spare(tmp_path / "study"), *arguments)
    assert result.exit_code == 2
    assert message in result.output


def test_an_area_to_avoid_bars_the_plant_in_it(tmp_path: Path) -> None:
    """The area round pit S takes the spare cable; then no second path is left."""
    from drawn_plant import EAST, NORTH, _to_degrees

    study = spare(tmp_path / "study")
    corners = [(1400, -1000), (1600, -1000), (1600, -800), (1400, -800), (1400, -1000)]
    ring = [list(_to_degrees(EAST + x, NORTH + y)) for x, y in corners]
    area = {
        "type": "FeatureCollection",
        "features": [
            {
                "type": "Feature",
                "properties": {},
                "geometry": {"type": "Polygon", "coordinates": [ring]},
            }
        ],
    }
    (tmp_path / "area.geojson").write_text(json.dumps(area))
    result = run(study, "--avoid-area", tmp_path / "area.geojson", "--no-build", "--json", "-")
    assert result.exit_code == 1
    (circuit,) = json.loads(result.stdout)["circuits"]
    assert {"because": "to be avoided", "edges": ["cable CS"]} in circuit["no_pair_proof"][
        "left_out"
    ]


def test_a_path_that_stays_is_named_where_none_is_left_beside_it(tmp_path: Path) -> None:
    """Both ways of K lie in CN by pit N; kept, the main one leaves no other."""
    plant = Plant()
    one_cable(plant)
    plant.read(tmp_path / "study")
    result = run(tmp_path / "study", "--keep", "main", "--no-build")
    assert result.exit_code == 1
    assert "every other path from RA to RB relies on" in " ".join(result.output.split())
    assert "as L1 does" in " ".join(result.output.split())


def test_what_splices_cost_is_said_once(tmp_path: Path) -> None:
    result = run(spare(tmp_path / "study"), "--cost", "splices")
    assert "splices together" not in result.output
    assert "; splices " in result.output

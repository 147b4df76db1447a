"""`check --spares`: spare fibres as a table and as JSON."""

from __future__ import annotations

import json
from pathlib import Path

from commands import run
from spliced_plant import SplicedPlant


def _study(tmp_path: Path) -> Path:
    """The plant with a free fibre through J1, and S without a fibre_count."""
    plant = SplicedPlant()
    plant.splice("J1", "N1", 3, "N2", 7, tray="2")
    plant.end("N1", 3, "FA", 11)
    plant.end("N2", 7, "FB", 10)
    plant.rows["cables"][2]["fibre_count"] = ""
    return plant.write(tmp_path / "study")


def test_spares_are_printed_cable_by_cable_and_port_to_port(tmp_path: Path) -> None:
    """24 fibres of N1: 1 and 2 in use, 3 joined. Without a count S has nobody knows how many."""
    done = run("check", _study(tmp_path), "--spares")
    assert done.exit_code == 3, done.output
    lines = [" ".join(line.split()) for line in done.stdout.splitlines()]
    assert "cable fibres in use joined neither used by" in lines
    assert "N1 24 2 1 21 LN" in lines
    assert "S not known 1 0 not known LS" in lines
    assert "Free from port to port: 1 fibre" in lines
    assert "FA to FB over N1 and N2: 1 fibre, 1.63 km, 1 splice (J1)" in lines
    assert "port 11 to port 10 N1 3, N2 7" in lines
    assert "1 record gap, listed by check without --spares" in lines


def test_fibres_side_by_side_are_printed_as_one(tmp_path: Path) -> None:
    """Fibres 3 to 5 of S on ports 13 to 15 at both ends, and 8 on 20 and 19 by itself."""
    plant = SplicedPlant()
    for fibre, near, far in ((3, 13, 13), (4, 14, 14), (5, 15, 15), (8, 20, 19)):
        plant.end("S", fibre, "FA", near)
        plant.end("S", fibre, "FB", far)
    done = run("check", plant.write(tmp_path / "study"), "--spares")
    lines = [" ".join(line.split()) for line in done.stdout.splitlines()]
    begin = lines.index("FA to FB over S: 4 fibres, 1.79 km, no splices")
    assert lines[begin + 1 : begin + 3] == [
        "ports 13-15 to ports 13-15 S 3-5",
        "port 20 to port 19 S 8",
    ]


def test_json_holds_the_same(tmp_path: Path) -> None:
    done = run("check", _study(tmp_path), "--spares", "--json", "-")
    told = json.loads(done.stdout)
    assert told["errors"] == []
    (route,) = told["spares"]["routes"]
    assert (route["a"], route["b"], route["cables"]) == ("FA", "FB", ["N1", "N2"])
    assert route["runs"][0]["fibres"] == [3, 7]
    south = next(cable for cable in told["spares"]["cables"] if cable["cable"] == "S")
    assert (south["fibres"], south["neither"]) == (None, None)


def test_spares_and_a_trace_at_once_are_a_wrong_call(tmp_path: Path) -> None:
    done = run("check", _study(tmp_path), "--spares", "--trace", "LN")
    assert done.exit_code == 2
    assert "give one of them" in done.output

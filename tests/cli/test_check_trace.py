"""`check --trace`: a link port by port, and its line in the report."""

from __future__ import annotations

import json
from pathlib import Path

import waysapart as wa
from commands import run
from spliced_plant import SplicedPlant
from waysapart.report.write import write_report


def _study(tmp_path: Path, plant: SplicedPlant | None = None) -> Path:
    return (plant or SplicedPlant()).write(tmp_path / "study")


def test_a_link_is_printed_place_by_place(tmp_path: Path) -> None:
    done = run("check", _study(tmp_path), "--trace", "LN")
    assert done.exit_code == 0, done.output
    lines = [line.strip() for line in done.stdout.splitlines()]
    go = lines[: lines.index("LN, return: from RA to RB")]
    assert go == [
        "LN, go: from RA to RB",
        "port tx of RA",
        "cord KA",
        "port 1 of FA",
        "cable N1, fibre 1, A to P2",
        "joint J1, tray 1            0.08 dB",
        "cable N2, fibre 5, P2 to B",
        "port 1 of FB",
        "cord KB",
        "port rx of RB",
        "2 mated pairs, 1 splice: 0.08 dB on record",
    ]


def test_a_trace_that_stops_says_where_and_ends_with_3(tmp_path: Path) -> None:
    plant = SplicedPlant()
    plant.without("splices", joint="J1", a_fibre=1)
    done = run("check", _study(tmp_path, plant), "--trace", "LN")
    assert done.exit_code == 3
    assert "stops at joint J1, tray 1: fibre 1 of cable N1" in " ".join(done.stdout.split())
    assert "does not lead from port to port" in done.stdout


def test_json_holds_the_steps(tmp_path: Path) -> None:
    done = run("check", _study(tmp_path), "--trace", "LS", "--json", "-")
    told = json.loads(done.stdout)
    assert list(told["trace"]) == ["go"]
    assert [step["is"] for step in told["trace"]["go"]] == [
        *("port", "cord", "port", "end", "fibre", "end", "port", "cord", "port"),
    ]


def test_unknown_and_untraced_links_are_wrong_calls(tmp_path: Path) -> None:
    plant = SplicedPlant()
    plant.rows["links"].append({"id": "LO", "a": "RA", "b": "RB", "wavelength_nm": 1310})
    plant.rows["link_runs"].append({"link": "LO", "seq": 1, "cable": "S", "fibres": "9"})
    folder = _study(tmp_path, plant)
    for link, words in (("LM", "no link 'LM'"), ("LO", "gives no a_port")):
        done = run("check", folder, "--trace", link)
        assert done.exit_code == 2
        assert words in done.output


def test_the_report_draws_the_line_and_escapes_it(tmp_path: Path) -> None:
    plant = SplicedPlant()
    for row in plant.rows["splices"]:
        row["tray"] = "<img src=x onerror=alert(1)>"
    page = write_report(wa.prove(plant.read(tmp_path / "study")), tmp_path / "r.html")
    text = page.read_text(encoding="utf-8")
    assert '<li class="t-splice"><span class="id">J1</span>' in text
    assert "<img src=x" not in text

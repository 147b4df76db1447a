"""The command line: what each command writes, and with which exit status."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

from bad_inputs import CASES, Case
from commands import run
from everyday import some
from small_study import write_small_study
from waysapart.cli import main

ROOT = Path(__file__).resolve().parents[2]
ESTUARY = ROOT / "examples" / "estuary"


@pytest.fixture
def small(tmp_path: Path) -> Path:
    write_small_study(tmp_path / "small")
    return tmp_path / "small"


def test_check_lists_errors_none_and_gaps_of_the_demo(tmp_path: Path) -> None:
    result = run("check", ESTUARY, "--json", tmp_path / "check.json")
    assert result.exit_code == 3
    facts = json.loads((tmp_path / "check.json").read_text())
    assert facts["errors"] == []
    faults = {"trace", "splice", "port", "ports", "end", "fibre", "cord", "runs"}
    plain = [gap for gap in facts["gaps"] if gap["code"].split("-")[0] not in faults]
    assert {gap["asset"] for gap in plain} == {"UC-U6B", "C12-A", "MX-C32-MAR-2"}
    assert len(facts["gaps"]) == 24
    assert "UC-U6B" in result.output


def test_prove_writes_the_facts_it_prints(tmp_path: Path) -> None:
    result = run("prove", ESTUARY, "--json", tmp_path / "proof.json")
    assert result.exit_code == 1
    facts = json.loads((tmp_path / "proof.json").read_text())
    assert facts["summary"]["shared"] == 14
    assert "14 shared" in result.output


def test_json_on_standard_output_stands_alone() -> None:
    result = run("prove", ESTUARY, "--json", "-")
    assert json.loads(result.stdout)["study"] == "Estuary ring"


def test_prove_shows_one_circuit_with_its_chains() -> None:
    result = run("prove", ESTUARY, "--circuit", "C03")
    assert "TR-1" in result.output
    assert "main by" in result.output


def test_an_unknown_circuit_is_a_wrong_call() -> None:
    result = run("prove", ESTUARY, "--circuit", "C99")
    assert result.exit_code == 2
    assert "C99" in result.output


def test_the_small_sound_study_is_apart_but_its_group_has_one_member(small: Path) -> None:
    result = run("prove", small)
    assert "1 apart" in result.output
    assert "lone-member" in result.output
    assert result.exit_code == 3


def test_blank_writes_a_study_that_check_reads(tmp_path: Path) -> None:
    assert run("blank", tmp_path / "new").exit_code == 0
    assert run("check", tmp_path / "new").exit_code == 0
    again = run("blank", tmp_path / "new")
    assert again.exit_code == 2
    assert "study.toml" in again.output


def test_report_is_one_whole_file(small: Path, tmp_path: Path) -> None:
    target = tmp_path / "report.html"
    assert run("report", small, "-o", target).exit_code == 3
    text = target.read_text(encoding="utf-8")
    assert text.rstrip().endswith("</html>")
    assert not [path for path in tmp_path.iterdir() if path.name.startswith(".")]


def test_a_report_that_is_no_html_is_refused(small: Path, tmp_path: Path) -> None:
    result = run("report", small, "-o", tmp_path / "report.pdf")
    assert result.exit_code == 2
    assert not (tmp_path / "report.pdf").exists()


def test_demo_writes_study_and_report_and_says_where(tmp_path: Path) -> None:
    result = run("demo", tmp_path / "demo")
    assert result.exit_code == 0, result.output
    assert (tmp_path / "demo" / "report.html").exists()
    assert "report.html" in result.output
    assert run("demo", tmp_path / "demo").exit_code == 0
    assert "proposal-a" in result.output
    compared = run("compare", tmp_path / "demo", tmp_path / "demo" / "proposal-a")
    assert compared.exit_code == 1
    assert "From this proposal: 3 structures, 4 segments" in compared.output
    (tmp_path / "demo" / "mine.txt").write_text("keep")
    refused = run("demo", tmp_path / "demo")
    assert refused.exit_code == 2
    assert "mine.txt" in refused.output


@pytest.mark.parametrize("case", some(CASES, every=12), ids=lambda case: case.name)
def test_bad_input_gets_its_error_and_exit_status_2(small: Path, case: Case) -> None:
    case.mutate(small)
    """Of records that contradict each other it is asked strictly."""
    result = run("check", small, "--strict", "--json", small.parent / "errors.json")
    assert result.exit_code == 2
    assert "Traceback" not in result.output
    errors = json.loads((small.parent / "errors.json").read_text())["errors"]
    assert any(case.phrase in error["message"] for error in errors)
    assert all(
        set(error) == {"file", "layer", "row", "column", "id", "message"} for error in errors
    )


def test_at_least_forty_bad_inputs_are_listed() -> None:
    assert len(CASES) >= 40


@pytest.mark.parametrize("arguments", [["--help"], ["prove", "--help"], ["prove", "--nonsense"]])
def test_help_and_wrong_calls_load_no_heavy_library(arguments: list[str]) -> None:
    code = (
        "import sys\n"
        "from waysapart.cli import main\n"
        f"try: main({arguments!r})\n"
        "except SystemExit as stop: status = stop.code\n"
        "heavy = {'pandas', 'geopandas', 'numpy', 'scipy', 'shapely', 'folium', 'pydantic'}\n"
        "print('HEAVY', sorted(heavy & set(sys.modules)), status)\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    expected = 2 if "--nonsense" in arguments else 0
    assert f"HEAVY [] {expected}" in done.stdout


def test_every_help_text_has_an_example() -> None:
    for name in main.commands:
        assert f"waysapart {name}" in run(name, "--help").output, name


@pytest.mark.parametrize(
    ("command", "more"),
    [
        ("check", ()),
        ("worst", ()),
        ("dig", ("--at", "-29.0,54.4", "--radius", "50")),
    ],
)
def test_an_empty_study_is_no_fault(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, command: str, more: tuple[str, ...]
) -> None:
    """What `blank` writes, before anybody has filled it in."""
    monkeypatch.chdir(tmp_path)
    assert run("blank", "ring").exit_code == 0
    done = run(command, "ring", *more)
    assert done.exit_code == 0, done.output


@pytest.mark.parametrize(("command", "more"), [("prove", ()), ("report", ("-o", "ring.html"))])
def test_nothing_is_proved_of_a_study_without_circuits(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, command: str, more: tuple[str, ...]
) -> None:
    """Exit status 2, what is missing and what to do; and no report is written."""
    monkeypatch.chdir(tmp_path)
    assert run("blank", "ring").exit_code == 0
    done = run(command, "ring", *more)
    assert done.exit_code == 2
    assert "no circuits" in done.output
    assert "Enter circuits and circuit_paths" in done.output
    assert not (tmp_path / "ring.html").exists()


@pytest.mark.parametrize(
    ("command", "more"),
    [
        ("check", ()),
        ("worst", ()),
        ("dig", ("--asset", "D1")),
        ("export", ("-o", "plant.gpkg")),
    ],
)
def test_plant_without_circuits_is_checked_dug_and_exported(
    small: Path, monkeypatch: pytest.MonkeyPatch, command: str, more: tuple[str, ...]
) -> None:
    monkeypatch.chdir(small)
    for role in ("circuits", "circuit_paths"):
        table = small / f"{role}.csv"
        table.write_text(table.read_text().splitlines()[0] + "\n")
    done = run(command, small, *more)
    assert done.exit_code == 0, done.output


@pytest.mark.parametrize(
    ("command", "more", "said"),
    [
        ("export", ("-o", "ring.gpkg"), "nothing to export"),
        ("reroute", (), "no paths to look for"),
    ],
)
def test_what_an_empty_study_is_of_no_use_for(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    command: str,
    more: tuple[str, ...],
    said: str,
) -> None:
    monkeypatch.chdir(tmp_path)
    run("blank", "ring")
    done = run(command, "ring", *more)
    assert done.exit_code == 2
    assert said in done.output
    assert [path.name for path in tmp_path.iterdir()] == ["ring"]

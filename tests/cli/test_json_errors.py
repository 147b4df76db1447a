"""Where JSON goes to standard output, so do errors; a file holds facts or stays as it was."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from commands import run
from waysapart.cli import main

KEYS = ["file", "layer", "row", "column", "id", "message"]


@pytest.fixture
def broken(tmp_path: Path) -> Path:
    """A circuit whose path is numbered with a word, and one that two columns lack."""
    folder = tmp_path / "study"
    folder.mkdir()
    (folder / "circuits.csv").write_text("name,service\nOne,\n")
    (folder / "circuit_paths.csv").write_text("circuit,path,seq,link\nC1,main,first,L1\n")
    return folder


def errors_of(text: str) -> list[dict[str, object]]:
    facts = json.loads(text)
    assert isinstance(facts["waysapart"], str)
    assert all(list(one) == KEYS for one in facts["errors"])
    return facts["errors"]


COMMANDS = {
    "prove": ("{}",),
    "dig": ("{}", "--asset", "X"),
    "outage": ("{}", "--asset", "X"),
    "worst": ("{}",),
    "reroute": ("{}",),
    "compare": ("{}", "{}"),
    "recheck": ("{}", "{}/circuits.csv"),
    "walkdown": ("{}",),
    "check": ("{}",),
}


def test_every_command_that_writes_json_is_here() -> None:
    found = {
        name
        for name, command in main.commands.items()
        if any("--json" in one.opts for one in command.params)
    }
    assert found == set(COMMANDS)


@pytest.mark.parametrize("name", COMMANDS)
@pytest.mark.parametrize("option", ["--json", "--json="])
def test_errors_of_the_input_are_json(name: str, option: str, broken: Path) -> None:
    asked = (option, "-") if option == "--json" else (f"{option}-",)
    arguments = [one.format(broken) for one in COMMANDS[name]]
    result = run(name, *arguments, *asked)
    assert result.exit_code == 2
    found = errors_of(result.stdout)
    if name == "recheck":  # it reads evidence before layers
        assert "circuits.csv" in str(found[0]["file"])
        return
    assert {one["file"] for one in found} >= {"circuits.csv"}
    assert {one["column"] for one in found} >= {"id"}
    assert "circuits.csv" in result.stderr


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("prove", "{}", "--json", "-", "--nope"), "No such option"),
        (("prove", "{}", "--json", "-", "--on", "soon"), "soon"),
        (("worst", "{}", "--json=-", "--radius", "-3"), "radius"),
        (("prove", "{}/none", "--json", "-"), "none"),
        (("prove", "{}", "--json", "-", "--json-lines", "-"), "cannot both"),
    ],
)
def test_a_wrong_call_is_json_as_well(arguments: tuple[str, ...], said: str, broken: Path) -> None:
    result = run(*[one.format(broken) for one in arguments])
    assert result.exit_code == 2
    assert any(said in str(one["message"]) for one in errors_of(result.stdout))
    assert said in result.stderr


def test_errors_of_lines_are_json(broken: Path) -> None:
    result = run("prove", broken, "--json-lines", "-")
    assert result.exit_code == 2
    assert errors_of(result.stdout)


def test_a_file_stays_as_it_was(broken: Path, tmp_path: Path) -> None:
    """The facts of the last run that went well stay; where there were none, there is no file."""
    kept, new = tmp_path / "kept.json", tmp_path / "new.json"
    kept.write_text('{"format":2,"waysapart":"0.1.0"}\n')
    for option, target in (("--json", kept), ("--json", new), ("--json-lines", new)):
        result = run("prove", broken, option, target)
        assert result.exit_code == 2
        assert result.stdout == ""
        assert "circuits.csv" in result.stderr
    assert kept.read_text() == '{"format":2,"waysapart":"0.1.0"}\n'
    assert not new.exists()


def test_without_json_nothing_goes_to_standard_output(broken: Path) -> None:
    assert run("prove", broken).stdout == ""
    assert run("prove", broken, "--nope").stdout == ""

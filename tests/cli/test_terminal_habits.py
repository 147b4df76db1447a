"""Habits that a terminal program is expected to have: colours, completion, exit status told."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

from waysapart.cli import main

ROOT = Path(__file__).resolve().parents[2]
_COLOUR = re.compile(r"\x1b\[(?:\d+;)*(?:3[0-7]|9[0-7]|38;[25];[\d;]+)m")
_RUN = "from waysapart.cli import main; main(prog_name='waysapart')"


def _environment(**added: str) -> dict[str, str]:
    kept = {
        name: value
        for name, value in os.environ.items()
        if name not in ("NO_COLOR", "FORCE_COLOR", "TERM", "COLORTERM", "COLUMNS")
    }
    kept["PYTHONPATH"] = str(ROOT / "src")
    return kept | {"TERM": "xterm-256color"} | added


def _on_a_terminal(arguments: list[str], **added: str) -> str:
    """What a command writes to a terminal; Windows has none of this kind."""
    pty = pytest.importorskip("pty")
    ours, theirs = pty.openpty()
    with subprocess.Popen(
        [sys.executable, "-c", _RUN, *arguments],
        stdin=theirs,
        stdout=theirs,
        stderr=theirs,
        env=_environment(**added),
    ) as process:
        os.close(theirs)
        written = b""
        try:
            while piece := os.read(ours, 65536):
                written += piece
        except OSError:  # Linux says so when the other end has closed
            pass
        os.close(ours)
        process.wait(timeout=60)
    return written.decode("utf-8", "replace")


def test_colours_on_a_terminal_unless_no_color_is_set() -> None:
    study = str(ROOT / "examples" / "awkward")
    plain = _on_a_terminal(["prove", study], NO_COLOR="1")
    assert _COLOUR.search(_on_a_terminal(["prove", study]))
    assert "PW-2" in plain
    assert not _COLOUR.search(plain)


def test_no_colours_into_a_pipe() -> None:
    done = subprocess.run(
        [sys.executable, "-c", _RUN, "prove", str(ROOT / "examples" / "awkward")],
        capture_output=True,
        text=True,
        env=_environment(),
        check=False,
    )
    assert done.returncode == 1
    assert "\x1b" not in done.stdout + done.stderr


def test_commands_and_options_are_completed() -> None:
    def completed(line: str, place: int) -> set[str]:
        done = subprocess.run(
            [sys.executable, "-c", _RUN],
            capture_output=True,
            text=True,
            env=_environment(
                _WAYSAPART_COMPLETE="zsh_complete", COMP_WORDS=line, COMP_CWORD=str(place)
            ),
            check=False,
        )
        return set(done.stdout.split())

    assert {"prove"} <= completed("waysapart pr", 1)
    assert "report" not in completed("waysapart pr", 1)
    assert {"--circuit", "--json", "--quiet"} <= completed("waysapart prove --", 2)


def test_the_exit_status_of_every_command_is_on_the_page() -> None:
    page = (ROOT / "docs" / "commands-and-python.md").read_text(encoding="utf-8")
    table = page.partition("## Exit status")[2]
    missing = {name for name in main.commands if f"`{name}`" not in table}
    assert not missing


@pytest.mark.parametrize("name", sorted(main.commands))
def test_every_command_has_its_twin_on_the_page(name: str) -> None:
    page = (ROOT / "docs" / "commands-and-python.md").read_text(encoding="utf-8")
    assert name in ("demo", "blank") or f"| `waysapart {name} " in page

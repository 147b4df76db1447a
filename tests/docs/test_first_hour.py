"""docs/first-hour.md, run as it stands: from an empty workbook to confirmed evidence."""

from __future__ import annotations

import json
import re
import shlex
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date
from pathlib import Path

import pytest
from click.testing import CliRunner

import waysapart as wa
from waysapart.cli import main

PAGE = Path(__file__).resolve().parents[2] / "docs" / "first-hour.md"
_BLOCK = re.compile(r"^```(sh|python|text)\n(.*?)^```$", re.DOTALL | re.MULTILINE)


@dataclass(frozen=True)
class Said:
    """A command of the page with its exit status, and what it printed in one line."""

    command: str
    status: int
    output: str


@dataclass(frozen=True)
class Story:
    """What ran, and each line of the blocks of output with all that was printed before it."""

    folder: Path
    said: list[Said]
    shown: list[tuple[str, str]]


@pytest.fixture(scope="module")
def story(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Story]:
    pytest.importorskip("openpyxl")
    folder = tmp_path_factory.mktemp("first-hour")
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(folder)
        yield Story(folder, *_run(PAGE.read_text(encoding="utf-8")))


def _run(page: str) -> tuple[list[Said], list[tuple[str, str]]]:
    names: dict[str, object] = {}
    said: list[Said] = []
    shown: list[tuple[str, str]] = []
    for language, text in _BLOCK.findall(page):
        if language == "python":
            exec(compile(text, PAGE.name, "exec"), names)
        elif language == "sh":
            for line in text.splitlines():
                done = CliRunner().invoke(main, shlex.split(line)[1:], prog_name="waysapart")
                said.append(Said(line, done.exit_code, " ".join(done.output.split())))
        elif said[1:]:  # the first block of text is the sketch of the plant
            printed = " ".join(one.output for one in said[-3:])
            shown += [(" ".join(line.split()), printed) for line in text.splitlines()]
    return said, shown


def test_every_line_shown_was_printed(story: Story) -> None:
    assert len(story.shown) > 15
    missing = [line for line, printed in story.shown if line not in printed]
    assert not missing


def test_each_command_ends_as_the_page_says(story: Story) -> None:
    """Gaps until all is entered; shared until the waiver; then nothing to object to."""
    assert [(one.command.split()[1], one.status) for one in story.said] == [
        ("blank", 0),
        ("check", 3),
        ("check", 3),
        ("prove", 1),
        ("check", 0),
        ("prove", 1),
        ("prove", 1),
        ("reroute", 0),
        ("compare", 0),
        ("prove", 0),
        ("report", 0),
        ("prove", 0),
        ("recheck", 0),
        ("recheck", 0),
    ]


def test_the_verdicts_at_the_end(story: Story) -> None:
    proof = wa.prove(wa.read_study(story.folder / "my-ring", on=date(2026, 12, 1)))
    verdicts = {one["id"]: one["verdict"] for one in proof.facts()["circuits"]}
    assert verdicts == {"C1": "accepted", "C2": "apart"}
    assert "2 assumptions to sign" in story.said[9].output


def test_the_waiver_is_the_one_that_was_offered(story: Story) -> None:
    page = PAGE.read_text(encoding="utf-8")
    assert len(set(re.findall(r'record = "(\w+)"', page))) == 1
    (digest,) = set(re.findall(r'record = "(\w+)"', page))
    assert f'asset = "P-4" record = "{digest}"' in story.said[6].output


def test_the_digest_on_the_page_is_the_one_that_recheck_prints(story: Story) -> None:
    html = (story.folder / "my-ring-report.html").read_text(encoding="utf-8")
    (digest,) = set(re.findall(r"\b[0-9a-f]{64}\b", story.said[12].output))
    assert digest in html
    evidence = json.loads((story.folder / "my-ring-signed.json").read_text(encoding="utf-8"))
    assert evidence["summary"]["circuits"] == 2

"""docs/proposals.md: its commands run as they stand, and what it says is what they find."""

from __future__ import annotations

import json
import re
import shlex
import shutil
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Any, NamedTuple

import pytest
from click.testing import CliRunner

import waysapart as wa
from everyday import some
from waysapart.cli import main

ROOT = Path(__file__).resolve().parents[2]
PAGE = (ROOT / "docs" / "proposals.md").read_text(encoding="utf-8")
TEXT = " ".join(PAGE.split())
STORIES = ("room", "crossing", "entry")


class Story(NamedTuple):
    """What one story's commands wrote and printed."""

    folder: Path
    codes: list[int]
    printed: list[str]
    facts: dict[str, Any]

    def option(self, number: int) -> dict[str, Any]:
        found: dict[str, Any] = self.facts["build"]["single"][number]
        return found


Stories = Callable[[str], Story]
"""A story by its name, told once."""


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    there = tmp_path_factory.mktemp("planner")
    for name in ("estuary", "planning", "offers"):
        shutil.copytree(ROOT / "examples" / name, there / "examples" / name)
    return there


@pytest.fixture(scope="module")
def stories(folder: Path) -> Stories:
    return cache(lambda name: _told(folder, name))


def _told(folder: Path, name: str) -> Story:
    block = next(
        one for one in re.findall(r"```text\n(.*?)```", PAGE, re.S) if f"--proposal {name}" in one
    )
    codes, printed = [], []
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(folder)
        for line in block.replace("\\\n", " ").splitlines():
            words = shlex.split(line)
            assert words[0] == "waysapart"
            done = CliRunner().invoke(main, words[1:], prog_name="waysapart")
            assert done.exception is None or isinstance(done.exception, SystemExit), done.output
            codes.append(done.exit_code)
            printed.append(done.output)
    facts = json.loads((folder / f"{name}.json").read_text(encoding="utf-8"))
    return Story(folder, codes, printed, facts)


@pytest.mark.parametrize("name", some(STORIES, every=6))
def test_proposals_are_those_of_the_page(stories: Stories, name: str) -> None:
    one = stories(name)
    (table,) = re.findall(rf"```build {name}\n(.*?)```", PAGE, re.S)
    found = [
        f"{option['kind']} {circuit} {word} {option['budget']['total']:,.0f}"
        for option in one.facts["build"]["single"]
        for word, key in (("apart", "apart"), ("once-recorded", "once_recorded"))
        for circuit in option[key]
    ]
    assert found == table.splitlines()
    assert all(option["budget"]["within_budget"] for option in one.facts["build"]["single"])


@pytest.mark.parametrize("name", some(STORIES, every=6))
def test_it_goes_from_reroute_to_compare_to_the_notice(stories: Stories, name: str) -> None:
    """No separate paths on record; the proposal is better and nothing worse; the works touch."""
    one = stories(name)
    assert one.codes == [1, 0, 1], one.printed
    circuit = {"crossing": "C07", "entry": "C05", "room": "C10"}[name]
    assert "Nothing gets worse: 1 better, 32 same." in one.printed[1]
    assert circuit in one.printed[1].split("Better")[1].split("The same")[0]
    notice = (one.folder / f"{name}-notice.html").read_text(encoding="utf-8")
    for page in (f"{name}.html", f"{name}-compared.html"):
        assert (one.folder / page).stat().st_size > 100_000
    assert circuit in notice
    written = {"crossing": ("crossing.gpx", "crossing.kml"), "entry": ("entry.gpkg",), "room": ()}
    assert all((one.folder / file).stat().st_size > 500 for file in written[name])


@pytest.mark.parametrize("name", some(STORIES, every=6))
def test_each_proposal_proves_as_it_was_said_to(stories: Stories, name: str) -> None:
    one = stories(name)
    build = {"crossing": 2, "entry": 1, "room": 1}[name]
    proof = wa.prove(wa.read_study(one.folder / name / f"build-{build}"))
    option = one.option(build - 1)
    verdicts = {row["id"]: row["verdict"] for row in proof.facts()["circuits"]}
    assert {verdicts[circuit] for circuit in option["apart"]} <= {"apart"}
    assert {verdicts[circuit] for circuit in option["once_recorded"]} <= {"unproven"}
    assert option["apart"] or option["once_recorded"]


@pytest.mark.slow
def test_what_the_page_says_of_the_crossing(stories: Stories) -> None:
    one = stories("crossing")
    (segment,) = one.option(1)["segments"]
    assert f"duct `{segment['id']}`, {segment['length_m']:.0f} m" in TEXT
    assert (segment["course"], segment["within"]) == ("along", None)
    leads = {f"{metres:.0f}" for metres in segment["leads_m"]}
    assert leads == {"64"}
    assert "a straight lead of 64 m at either end" in TEXT
    assert [each["layer"] for each in segment["backdrops"] if each["crossings"]] == ["water"]
    assert "shared to unproven" in one.printed[1]
    assert "on-main" in one.printed[2]


@pytest.mark.slow
def test_what_the_page_says_of_the_entry(stories: Stories) -> None:
    one = stories("entry")
    (segment,) = one.option(0)["segments"]
    (beside,) = segment["beside"]
    told = f"For {beside['length_m']:.0f} m the duct runs beside `{beside['asset']}`"
    assert told in TEXT
    assert f"{beside['distance_m']:.1f} m away" in TEXT
    assert any("the true distance to U4-D13" in line for line in segment["survey"])
    assert "shared to apart" in one.printed[1]


def test_what_the_page_says_of_the_room(stories: Stories) -> None:
    one = stories("room")
    study = wa.read_study(one.folder / "room" / "build-1")
    machine = study.tables["equipment"].set_index("id").loc["MX-C10-MAR-1"]
    assert machine["supplies"] == "BAT-MAR-1;BAT-MAR-2"
    assert "both batteries still feed it" in TEXT
    assert one.option(0)["survey"]

"""docs/audit.md: its session runs as it stands, with its exit statuses, and so does its script.

Where the page differs only in what is printed, `python docs/generate.py` writes it anew.
"""

from __future__ import annotations

import os
import re
import shutil
import stat
import subprocess
import sys
from pathlib import Path
from typing import NamedTuple

import pytest

from story import Step, retold

ROOT = Path(__file__).resolve().parents[2]
PAGE = (ROOT / "docs" / "audit.md").read_text(encoding="utf-8")


class Year(NamedTuple):
    folder: Path
    page: str
    audits: dict[str, Step]
    """By the day; of two on one day the later."""


@pytest.fixture(scope="module")
def year(tmp_path_factory: pytest.TempPathFactory) -> Year:
    folder = tmp_path_factory.mktemp("audit")
    shutil.copytree(ROOT / "examples" / "audit", folder / "examples" / "audit")
    page, steps = retold(PAGE, folder)
    found = {
        re.findall(r"--on (\S+)", one.command)[0]: one
        for one in steps
        if one.command.startswith("waysapart compare signed.json")
    }
    return Year(folder, page, found)


def test_the_page_prints_what_the_commands_print(year: Year) -> None:
    assert year.page == PAGE


@pytest.mark.parametrize(
    ("day", "status", "said"),
    [
        ("2026-05-04", 0, "2 hold, 0 lapsed, 0 never signed"),
        ("2026-09-14", 0, "2 hold, 0 lapsed, 0 never signed"),
        ("2026-11-30", 1, "newly shared: TR-SOUTH"),
        ("2026-12-14", 0, "2 hold, 0 lapsed, 0 never signed"),
        ("2027-02-01", 0, "test of cable C-SOUTH"),
        ("2027-04-01", 1, "waiver of ENT-T: lapsed on 2027-03-31"),
        ("2027-04-02", 3, "its last day was 2027-03-31, is now 2027-12-31"),
        ("2027-04-10", 1, "loss not on record"),
        ("2027-04-12", 3, "1 holds, 1 lapsed, 0 never signed"),
    ],
)
def test_each_event_of_the_year_is_told(year: Year, day: str, status: int, said: str) -> None:
    step = year.audits[day]
    assert step.status == status
    assert said in step.printed


def test_the_calendar_of_february_holds_the_waiver_and_the_test(year: Year) -> None:
    text = (year.folder / "due.ics").read_text(encoding="utf-8")
    assert re.findall(r"DTSTART;VALUE=DATE:(\d+)", text) == ["20270331", "20270409"]


@pytest.mark.skipif(sys.platform == "win32", reason="a script for sh")
@pytest.mark.slow
@pytest.mark.parametrize(("plant", "status"), [("plant", 0), ("away", 2)])
def test_the_script_is_quiet_where_all_is_well(year: Year, plant: str, status: int) -> None:
    """On the day of the year's last proof; a study that is not there is told."""
    (script,) = re.findall(r"```bash\n(.*?)```", PAGE, re.S)
    file = year.folder / "audit.sh"
    file.write_text(script, encoding="utf-8")
    command = year.folder / "bin" / "waysapart"
    command.parent.mkdir(exist_ok=True)
    command.write_text(
        f"#!/bin/sh\nexec '{sys.executable}' -c 'from waysapart.cli import main; main()' "
        '"$@" --on 2027-04-12\n',
        encoding="utf-8",
    )
    command.chmod(command.stat().st_mode | stat.S_IXUSR)
    ran = subprocess.run(
        ["sh", "audit.sh", "signed-2027.json", plant, f"out-{plant}"],
        cwd=year.folder,
        env={
            **os.environ,
            "PATH": f"{command.parent}{os.pathsep}{os.environ['PATH']}",
            "PYTHONPATH": os.pathsep.join(sys.path),
        },
        capture_output=True,
        text=True,
        check=False,
    )
    assert ran.returncode == status, ran.stdout + ran.stderr
    out = year.folder / f"out-{plant}"
    if status == 0:
        assert ran.stdout + ran.stderr == ""
        written = {one.name for one in out.iterdir()}
        assert written == {"audit.html", "audit.json", "audit.txt", "due.ics"}
    else:
        assert ran.stdout.startswith("The audit did not run.\n")
        assert "away" in ran.stdout
        assert {one.name for one in out.iterdir()} == {"audit.txt"}

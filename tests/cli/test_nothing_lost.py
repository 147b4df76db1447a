"""No output overwrites an input, no interrupted run leaves half a file, no two runs differ."""

from __future__ import annotations

import json
import os
import random
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from everyday import examples, some
from mutations import Files, reverse_rows, shuffle_rows
from places import ROWS, without
from random_plant import write_random_study
from small_study import write_small_study
from waysapart.cli import main
from waysapart.output_files import OutputFile, write_text

ROOT = Path(__file__).resolve().parents[2]
COMMAND = "from waysapart.cli import main; main()"
WRITER = """
import sys
from pathlib import Path
from typing import Any
from waysapart.output_files import OutputFile, write_text
number = 0
while True:
    number += 1
    text = "begin" + str(number % 10) * 3_000_000 + "end"
    write_text(OutputFile(Path(sys.argv[1])), text, force=True)
"""


def _hashes(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in sorted(folder.iterdir()) if path.is_file()}


@pytest.mark.parametrize(
    "arguments",
    [
        ["prove", "{study}", "--json", "{study}/study.toml"],
        ["prove", "{study}", "--json", "{study}/segments.geojson"],
        ["prove", "{study}/study.toml", "--json", "{study}/study.toml"],
        ["prove", "{study}", "--json", "{study}/link.csv"],
        ["prove", "{study}", "--json", "{study}/rules.toml"],
        ["check", "{study}", "--json", "{study}/cables.csv"],
        ["export", "{study}", "-o", "{study}/plant.gpkg"],
        ["compare", "{study}/before.json", "{study}", "--json", "{study}/before.json"],
        ["recheck", "{study}", "{study}/before.json", "--json", "{study}/before.json"],
        ["dig", "{study}", "--area", "{study}/sites.geojson", "--json", "{study}/sites.geojson"],
        ["worst", "{study}", "--json", "{study}/../study/circuits.csv"],
        ["walkdown", "{study}", "--csv", "{study}/joints.csv"],
    ],
    ids=lambda arguments: " ".join(arguments).replace("{study}", "STUDY"),
)
def test_no_output_overwrites_an_input(arguments: list[str], tmp_path: Path) -> None:
    """By another name, through a link or .. alike; exit status 2, nothing touched."""
    study = write_small_study(tmp_path / "study")
    (study / "rules.toml").write_text("[defaults]\nsplice_db = 0.2\n")
    (study / "link.csv").symlink_to(study / "links.csv")
    (study / "before.json").write_text('{"circuits": []}')
    import geopandas as gpd

    gpd.read_file(study / "sites.geojson").to_file(study / "plant.gpkg", layer="sites")
    (study / "sites.geojson").rename(tmp_path / "kept.geojson")
    toml = (study / "study.toml").read_text()
    for path in sorted(study.glob("*.csv")):
        if path.stem != "link":
            toml += f'[[layer]]\nrole = "{path.stem}"\nsource = "{path.name}"\n'
    for path in sorted(study.glob("*.geojson")):
        toml += f'[[layer]]\nrole = "{path.stem}"\nsource = "{path.name}"\n'
    toml += '[[layer]]\nrole = "sites"\nsource = "plant.gpkg"\n'
    (study / "study.toml").write_text(toml)
    shutil.copy(tmp_path / "kept.geojson", study / "sites.geojson")
    before = _hashes(study)
    result = CliRunner().invoke(main, [one.format(study=study) for one in arguments])
    assert result.exit_code == 2, result.output
    assert "is an input" in result.output
    assert _hashes(study) == before


def test_a_faulty_study_is_not_written_over_either(tmp_path: Path) -> None:
    study = write_small_study(tmp_path / "study")
    (study / "study.toml").write_text("this is no TOML")
    result = CliRunner().invoke(main, ["check", str(study), "--json", str(study / "study.toml")])
    assert result.exit_code == 2
    assert (study / "study.toml").read_text() == "this is no TOML"


def test_another_file_in_the_folder_may_be_written_over(tmp_path: Path) -> None:
    """A file of the program's own at once, somebody else's with --force only."""
    study = write_small_study(tmp_path / "study")
    out = study / "out.json"
    out.write_text("old")
    call = ["prove", str(study), "--json", str(out)]
    result = CliRunner().invoke(main, call)
    assert result.exit_code == 2
    assert "out.json" in result.output
    assert "--force" in result.output
    assert out.read_text() == "old"
    for more in (["--force"], []):
        assert CliRunner().invoke(main, [*call, *more]).exit_code in (0, 1, 3)
        assert json.loads(out.read_text())["study"] == "Small estuary"


def _environment(**more: str) -> dict[str, str]:
    return {**os.environ, "PYTHONPATH": str(ROOT / "src"), **more}


def test_a_killed_writer_leaves_a_whole_file(tmp_path: Path) -> None:
    """Killed several times at random points of writing 3 MB: always one document from end to end.

    The next run takes away what the killed ones left.
    """
    rng = random.Random(5)
    file = tmp_path / "out.txt"
    file.write_text("begin0end")
    for _ in range(examples(8, every_day=4)):
        with subprocess.Popen([sys.executable, "-c", WRITER, str(file)], env=_environment()) as run:
            start = time.monotonic()
            while time.monotonic() - start < 30 and not list(tmp_path.glob(".waysapart-*")):
                time.sleep(0.005)
            time.sleep(rng.uniform(0, 0.03))
            run.send_signal(signal.SIGKILL)
        text = file.read_text()
        assert text.startswith("begin")
        assert text.endswith("end")
        assert len(set(text[5:-3])) <= 1
    write_text(OutputFile(file), "last", force=True)
    assert [one.name for one in tmp_path.iterdir()] == ["out.txt"], "nothing is left behind"


def test_two_runs_give_the_same_bytes(tmp_path: Path) -> None:
    """With the time fixed, whatever order Python hashes in."""
    study = write_random_study(tmp_path / "study", 9)
    written = []
    for seed in ("0", "4711"):
        file = tmp_path / f"{seed}.json"
        subprocess.run(
            [sys.executable, "-c", COMMAND, "prove", str(study), "--json", str(file)],
            env=_environment(PYTHONHASHSEED=seed, SOURCE_DATE_EPOCH="1700000000"),
            capture_output=True,
            check=False,
        )
        written.append(file.read_bytes())
    assert written[0] == written[1]
    assert json.loads(written[0])["made"] == "2023-11-14T22:13:20Z"


def _records(facts: Any) -> Any:
    """The tables of all records, but for the rows of the files in which they stand."""
    tables = facts["records"]["tables"]
    assert all(len(table["at"]) == len(table["rows"]) for table in tables)
    return [{key: table[key] for key in table if key != "at"} for table in tables]


@pytest.mark.parametrize("seed", some([2, 9, 24, 45], every=4))
def test_rows_in_another_order_change_hashes_only(
    seed: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    import waysapart as wa

    monkeypatch.setenv("SOURCE_DATE_EPOCH", "1700000000")
    study = write_random_study(tmp_path / "study", seed)
    Files(study).write()
    before = wa.prove(wa.read_study(study)).facts()
    for change in (reverse_rows, shuffle_rows):
        files = Files(study)
        change(files, random.Random(seed))
        files.write()
        after = wa.prove(wa.read_study(study)).facts()
        assert _records(before) == _records(after)
        mine, theirs = (without(ROWS, {**one, "records": None}) for one in (before, after))
        changed = {key for key in mine if mine[key] != theirs[key]}
        assert changed <= {"inputs"}

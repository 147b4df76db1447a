"""Mistakes in mapping an export: the message names the cure.

Each case makes one mistake in the study of `examples/awkward`, which is otherwise sound.
"""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
from click.testing import CliRunner

from waysapart.cli import main
from waysapart.errors import StudyError
from waysapart.study.read import read_study

AWKWARD = Path(__file__).parents[2] / "examples" / "awkward"


def mistaken(tmp_path: Path, right: str, wrong: str) -> Path:
    """A copy of the worked example, with the first such text of its study.toml replaced."""
    folder = tmp_path / "mine"
    shutil.copytree(AWKWARD, folder)
    text = (folder / "study.toml").read_text(encoding="utf-8")
    assert right in text
    (folder / "study.toml").write_text(text.replace(right, wrong, 1), encoding="utf-8")
    return folder


@pytest.mark.parametrize(
    ("right", "wrong", "cure"),
    [
        pytest.param(
            '"STATION_NA"',
            '"STATION_NAME"',
            "FACILITY_C, geometry; did you mean 'STATION_NA' or 'STATION_ID'?",
            id="the uncut name of a Shapefile's column",
        ),
        pytest.param(
            'units = { sag_m = "us-ft" }',
            'units = { sag_m = "feet" }',
            "nmi; did you mean 'ft'?",
            id="a unit by another name",
        ),
        pytest.param(
            'units = { wavelength_nm = "um" }',
            "",
            'found 1.31; if the source is in um, say units = { wavelength_nm = "um" }',
            id="micrometres taken for nanometres",
        ),
        pytest.param(
            'refers = ["segment"]',
            "",
            "there is 'CD-1': if it is meant, say prefix = 'CD-' and refers = ['segment']",
            id="bare numbers that want a prefix",
        ),
        pytest.param(
            "values = { seq = 1 }",
            "",
            "the layer's columns are CHANNEL, CABLE_NO, FIBERS; name it with",
            id="a required column, told among their names and not ours",
        ),
    ],
)
def test_the_message_names_the_cure(tmp_path: Path, right: str, wrong: str, cure: str) -> None:
    with pytest.raises(StudyError) as told:
        read_study(mistaken(tmp_path, right, wrong), strict=True)
    assert any(cure in problem.message for problem in told.value.problems)


def test_kinds_of_their_own_are_noted_where_they_decide_something(tmp_path: Path) -> None:
    """LT is no tower to us, and GW no ground wire: both are read, with a note each."""
    folder = mistaken(tmp_path, 'kind = "tower"', 'kind = "LT"')
    text = (folder / "study.toml").read_text(encoding="utf-8")
    (folder / "study.toml").write_text(text.replace('"opgw"', '"GW"'), encoding="utf-8")
    structures, cables = read_study(folder).notes
    assert structures.startswith("structures of kind 'LT' are none of tower,")
    assert cables.startswith("cables of kind 'GW' are none of opgw,")


def test_a_kind_of_cable_that_the_rules_know_is_not_noted(tmp_path: Path) -> None:
    folder = mistaken(tmp_path, '"opgw"', '"GW"')
    with (folder / "rules.toml").open("a", encoding="utf-8") as rules:
        rules.write("\n[defaults.overlength_pct]\nGW = 0.7\n")
    assert read_study(folder).notes == ()


def test_a_filter_that_keeps_nothing_is_noted(tmp_path: Path) -> None:
    """`Built` is not `BUILT`: no conduit is left, and each run names one that is not there.

    Strictly that is an error a run; else the runs are gaps, and no circuit over them is proved.
    """
    folder = mistaken(tmp_path, "'BUILT'", "'Built'")
    with pytest.raises(StudyError) as told:
        read_study(folder, strict=True)
    (note,) = told.value.notes
    assert "UNDERGROUND.gpkg: where = \"STATUS = 'Built'\" keeps no row" in note
    for command, code in ((["check"], 3), (["check", "--strict"], 2), (["prove"], 3)):
        ran = CliRunner().invoke(main, [*command, str(folder)])
        assert ran.exit_code == code
        assert "keeps no row of the layer" in ran.output


def test_a_report_for_a_folder_that_is_not_there_is_refused_in_words(tmp_path: Path) -> None:
    target = tmp_path / "no" / "such.html"
    ran = CliRunner().invoke(main, ["report", str(AWKWARD), "-o", str(target)])
    assert ran.exit_code == 2
    assert "there is no folder" in ran.output
    assert ".part" not in ran.output


def test_an_empty_folder_is_told_how_to_begin(tmp_path: Path) -> None:
    ran = CliRunner().invoke(main, ["check", str(tmp_path)])
    assert ran.exit_code == 2
    assert "waysapart blank" in ran.output


def test_a_blank_study_has_no_rows_yet(tmp_path: Path) -> None:
    folder = tmp_path / "my_ring"
    assert CliRunner().invoke(main, ["blank", str(folder)]).exit_code == 0
    ran = CliRunner().invoke(main, ["check", str(folder)])
    assert ran.exit_code == 0
    assert ran.output.splitlines()[0] == "my_ring: no rows yet"

"""Each bad input is refused, with the place and the reason that a user needs to correct it."""

from __future__ import annotations

from pathlib import Path

import pytest

from bad_inputs import CASES, Case
from small_study import write_small_study
from waysapart.errors import StudyError
from waysapart.study.read import read_study


def test_the_study_that_the_cases_start_from_is_sound(tmp_path: Path) -> None:
    study = read_study(write_small_study(tmp_path))
    assert study.notes == ()
    assert study.gaps == ()


def test_names_are_distinct_and_there_are_enough() -> None:
    assert len({case.name for case in CASES}) == len(CASES) >= 40


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_bad_input_is_told_with_its_place(case: Case, tmp_path: Path) -> None:
    folder = write_small_study(tmp_path / "small")
    case.mutate(folder)
    with pytest.raises(StudyError) as raised:
        read_study(folder, strict=True)
    problems = raised.value.problems
    said = [problem for problem in problems if case.phrase in problem.message]
    assert said, f"{case.phrase!r} is in none of:\n{raised.value}"
    for name in ("file", "layer", "row", "column", "id"):
        expected = getattr(case, name)
        if expected is not None:
            assert getattr(said[0], name) == expected, str(said[0])


def test_all_problems_of_all_layers_come_in_one_run(tmp_path: Path) -> None:
    """Three faults in three files, of three kinds, and one in the rules: four problems."""
    folder = write_small_study(tmp_path)
    for name in (
        "decimal comma",
        "line without length",
        "dangling reference",
        "unknown key in the rules",
    ):
        next(case for case in CASES if case.name == name).mutate(folder)
    with pytest.raises(StudyError) as raised:
        read_study(folder, strict=True)
    assert {problem.file for problem in raised.value.problems} == {
        "joints.csv",
        "segments.geojson",
        "cable_runs.csv",
        "rules.toml",
    }


def test_many_rows_with_one_fault_are_listed_up_to_a_number_and_then_counted(
    tmp_path: Path,
) -> None:
    folder = write_small_study(tmp_path)
    with (folder / "joints.csv").open("a", encoding="utf-8") as stream:
        stream.writelines(f"X{number},P2,C2,-1\n" for number in range(150))
    with pytest.raises(StudyError) as raised:
        read_study(folder, strict=True)
    problems = raised.value.problems
    assert len(problems) == 101
    assert problems[-1].message.startswith("50 more rows")

"""Whatever the files hold: a message and exit status 0 to 3, no traceback, no hang, no half a file.

`python tests/fuzz.py --minutes N` does the same for as long as one likes. What it found
so far stands below as cases of their own.
"""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from everyday import examples
from fuzzing import ODD_TEXTS, ODD_TOML, one_case, outcome
from small_study import TABLES, write_small_study


@settings(
    derandomize=True,
    deadline=None,
    max_examples=examples(12, every_day=5),
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
@given(seed=st.integers(0, 10**9))
def test_damaged_files(seed: int, tmp_path_factory: pytest.TempPathFactory) -> None:
    one_case(tmp_path_factory.mktemp("fuzz"), seed)


@settings(
    derandomize=True,
    deadline=None,
    max_examples=examples(12, every_day=5),
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
@given(
    role=st.sampled_from(sorted(TABLES)),
    row=st.integers(1, 3),
    column=st.integers(0, 9),
    text=st.text(max_size=12) | st.sampled_from(ODD_TEXTS),
)
def test_any_text_in_any_cell(
    role: str, row: int, column: int, text: str, tmp_path_factory: pytest.TempPathFactory
) -> None:
    study = write_small_study(tmp_path_factory.mktemp("fuzz") / "study")
    path = study / f"{role}.csv"
    lines = [line.split(",") for line in path.read_text().splitlines()]
    cells = lines[min(row, len(lines) - 1)]
    cells[column % len(cells)] = '"' + text.replace('"', '""') + '"'
    data = "\n".join(",".join(line) for line in lines)
    path.write_bytes(data.encode("utf-8", "surrogatepass"))
    outcome(["check", str(study)])


@pytest.mark.parametrize("line", ODD_TOML, ids=range(len(ODD_TOML)))
def test_odd_settings(line: str, tmp_path: Path) -> None:
    study = write_small_study(tmp_path / "study")
    (study / "study.toml").write_bytes(f"{line}\n".encode("utf-8", "surrogateescape"))
    outcome(["check", str(study)])


def test_no_cable_has_a_course_where_joints_are(tmp_path: Path) -> None:
    """Found by the fuzzer: a joint that names no cables, in a plant whose cables run nowhere."""
    study = write_small_study(tmp_path / "study")
    (study / "cable_runs.csv").write_text("cable,seq,segment\n")
    (study / "joints.csv").write_text("id,at,loss_db\nJ1,P2,0.08\n")
    assert outcome(["prove", str(study)]).exit_code == 3


def test_every_row_shorter_than_the_header(tmp_path: Path) -> None:
    """Found by the fuzzer: the reader of tables asked for columns that no row has."""
    study = write_small_study(tmp_path / "study")
    (study / "circuits.csv").write_text("id,a,b,service,name\nK1,R-W\n")
    run = outcome(["check", str(study)])
    assert run.exit_code == 3
    assert "column b" in run.said
    assert outcome(["check", "--strict", str(study)]).exit_code == 2


def test_bytes_that_are_no_text_in_a_column_that_nobody_asked_for(tmp_path: Path) -> None:
    """GeoJSON is UTF-8; pandas came upon the byte only when a row was to be described."""
    study = write_small_study(tmp_path / "study")
    path = study / "sites.geojson"
    data = json.loads(path.read_text(encoding="utf-8"))
    for number, feature in enumerate(data["features"]):
        feature["properties"]["remark"] = f"plain {number}"
    path.write_bytes(json.dumps(data).encode().replace(b"plain 1", b"plain \xe6"))
    run = outcome(["check", str(study)])
    assert run.exit_code == 2
    assert "sites.geojson, layer sites row 2, column remark: text that is not UTF-8" in " ".join(
        run.said.split()
    )


def test_no_links_at_all(tmp_path: Path) -> None:
    """Found by the fuzzer: with nothing to fail, an array could not be written to."""
    study = write_small_study(tmp_path / "study")
    for role in ("links", "link_runs", "circuit_paths", "joints"):
        path = study / f"{role}.csv"
        path.write_text(path.read_text().splitlines()[0] + "\n")
    assert outcome(["prove", str(study)]).exit_code == 3


@pytest.mark.parametrize("kind", ["LineString", "Point", "Polygon", None])
def test_geometry_of_another_type_is_told(kind: str | None, tmp_path: Path) -> None:
    study = write_small_study(tmp_path / "study")
    layer = json.loads((study / "structures.geojson").read_text())
    coordinates = {
        "LineString": [[9.0, 53.9], [9.1, 53.9]],
        "Point": [9.0, 53.9],
        "Polygon": [[[9.0, 53.9], [9.1, 53.9], [9.1, 54.0], [9.0, 53.9]]],
    }
    shape = None if kind is None else {"type": kind, "coordinates": coordinates[kind]}
    layer["features"][0]["geometry"] = shape
    (study / "structures.geojson").write_text(json.dumps(layer))
    run = outcome(["check", "--strict", str(study)])
    assert (run.exit_code == 2) == (kind in ("LineString", None))


@pytest.mark.parametrize("day", ["0000-01-01", "0001-01-01", "1600-01-01", "9999-12-31"])
def test_a_day_that_no_record_is_of(day: str, tmp_path: Path) -> None:
    """Told by row, as a cell that cannot be read; `recheck` finds the same gap."""
    study = write_small_study(tmp_path / "study")
    (study / "measurements.csv").write_text(f"cable,length_m,date\nC1,100,{day}\n")
    evidence = str(tmp_path / "out.json")
    assert outcome(["prove", str(study), "--json", evidence]).exit_code in (0, 1, 3)
    assert outcome(["recheck", str(study), evidence]).exit_code == 0
    gaps = json.loads(Path(evidence).read_text())["gaps"]
    (gap,) = [gap for gap in gaps if gap["code"] == "unreadable-figure"]
    assert (gap["file"], gap["rows"]) == ("measurements.csv", [2])


TOML = {
    "a deep list": "x = " + "[" * 5_000 + "]" * 5_000,
    "a deep key": "a." * 3_000 + "b = 1",
    "a huge number": "[defaults]\nsplice_db = 0x" + "f" * 5_000,
    "many digits": "[defaults]\nsplice_db = " + "9" * 5_000,
    "a key twice": "a = 1\na = 2",
    "a nought": "a = \x00",
    "no day": "a = 0000-01-01",
}


@pytest.mark.parametrize("file", ["rules.toml", "study.toml"])
@pytest.mark.parametrize("kind", TOML)
def test_toml_that_no_person_writes(kind: str, file: str, tmp_path: Path) -> None:
    study = write_small_study(tmp_path / "study")
    (study / file).write_text(TOML[kind])
    run = outcome(["check", str(study)])
    assert run.exit_code == 2
    assert f"{file}" in run.said
    assert "is not valid TOML" in run.said

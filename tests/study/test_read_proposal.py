"""A study that extends another: what it adds, replaces and removes."""

from __future__ import annotations

from pathlib import Path

import pytest

from small_study import write_small_study
from waysapart.errors import StudyError
from waysapart.study.model import Study
from waysapart.study.read import read_study


def proposal(tmp_path: Path, toml: str = "", **files: str) -> Path:
    """A proposal beside the small study, with CSV files of its own."""
    write_small_study(tmp_path / "as-built")
    folder = tmp_path / "proposal"
    folder.mkdir()
    (folder / "study.toml").write_text(f'name = "Proposal"\nextends = "../as-built"\n{toml}')
    for role, content in files.items():
        (folder / f"{role}.csv").write_text(content)
    return folder


def runs(study: Study, table: str, owner: str, of: str, step: str) -> list[str]:
    frame = study.tables[table]
    return frame.loc[frame[owner] == of, step].tolist()


def test_a_proposal_adds_and_replaces_by_id(tmp_path: Path) -> None:
    folder = proposal(
        tmp_path, cables="id,fibre_type,fibre_count,kind\nC2,G.655,96,buried\nC3,G.655,12,duct\n"
    )
    study = read_study(folder)
    cables = study.tables["cables"].set_index("id")
    assert cables["fibre_count"].to_dict() == {"C1": 24, "C2": 96, "C3": 12}
    assert study.name == "Proposal"
    assert study.crs.to_epsg() == 25832  # the base's, as nothing else is stated
    assert {one.file for one in study.inputs} >= {"study.toml", "as-built/study.toml"}


def test_a_course_is_replaced_as_a_whole(tmp_path: Path) -> None:
    """C2 now takes two segments; C1 keeps its four; K1's alternate is new, its main stays."""
    folder = proposal(
        tmp_path,
        cable_runs="cable,seq,segment\nC2,1,D1\nC2,2,D4\n",
        circuit_paths="circuit,path,seq,link\nK1,alternate,1,L1\n",
    )
    study = read_study(folder)
    assert runs(study, "cable_runs", "cable", "C2", "segment") == ["D1", "D4"]
    assert runs(study, "cable_runs", "cable", "C1", "segment") == ["S1", "S2", "S3", "S4"]
    paths = study.tables["circuit_paths"]
    assert dict(zip(paths["path"], paths["link"], strict=True)) == {"main": "L1", "alternate": "L1"}


def test_a_circuit_put_on_a_ring_leaves_its_paths(tmp_path: Path) -> None:
    folder = proposal(
        tmp_path,
        rings="ring,seq,link\nRG,1,L1\nRG,2,L2\n",
        ring_circuits="circuit,ring\nK1,RG\n",
    )
    study = read_study(folder)
    assert len(study.tables["circuit_paths"]) == 0
    assert study.tables["ring_circuits"]["circuit"].tolist() == ["K1"]


def test_what_refers_to_a_removed_id_is_a_gap(tmp_path: Path) -> None:
    """S2 goes: its row in the cable's course is dropped. TR1 goes: D1's `within` is blank, not
    known. R-M goes: the ends of L1, L2 and K1 are blank."""
    study = read_study(proposal(tmp_path, 'remove = ["S2", "TR1", "R-M"]\n'))
    assert runs(study, "cable_runs", "cable", "C1", "segment") == ["S1", "S3", "S4"]
    segments = study.tables["segments"].set_index("id")
    assert "S2" not in segments.index
    assert segments["within"].isna()["D1"]
    touched = {(gap.asset, gap.assets, gap.links, gap.circuits) for gap in study.gaps}
    assert touched == {
        ("C1", ("C1",), (), ()),
        ("D1", ("D1",), (), ()),
        ("L1", (), ("L1",), ()),
        ("L2", (), ("L2",), ()),
        ("K1", (), (), ("K1",)),
    }
    assert {gap.code for gap in study.gaps} == {"removed-reference"}
    of_cable = next(gap for gap in study.gaps if gap.asset == "C1")
    assert (of_cable.file, of_cable.layer, of_cable.row) == ("cable_runs.csv", "cable_runs", 3)
    assert "S2" in of_cable.message


def test_a_splice_or_a_test_that_refers_to_a_removed_joint_is_left_out_and_told(
    tmp_path: Path,
) -> None:
    """J1 goes. The proposal still splices in it, which is told of J1, and has a test of one
    place along C2 that names it, which is told of C2."""
    study = read_study(
        proposal(
            tmp_path,
            'remove = ["J1"]\n',
            splices="joint,a_cable,a_fibre,b_cable,b_fibre\nJ1,C1,1,C2,1\n",
            measurements="cable,joint,loss_db\nC2,J1,0.2\n",
        )
    )
    assert (len(study.tables["splices"]), len(study.tables["measurements"])) == (0, 0)
    touched = {(gap.code, gap.asset, gap.assets) for gap in study.gaps}
    assert touched == {
        ("removed-reference", "J1", ("J1",)),
        ("removed-reference", "C2", ("C2",)),
    }


def test_what_belongs_to_a_removed_id_goes_with_it(tmp_path: Path) -> None:
    study = read_study(proposal(tmp_path, 'remove = ["K1", "C2", "L2"]\n'))
    assert len(study.tables["circuit_paths"]) == 0
    assert set(study.tables["cable_runs"]["cable"]) == {"C1"}
    assert set(study.tables["link_runs"]["link"]) == {"L1"}
    assert [gap.asset for gap in study.gaps] == ["J1"]  # the closure that joined C2


def test_an_id_that_is_removed_and_given_again_leaves_no_gap(tmp_path: Path) -> None:
    folder = proposal(
        tmp_path,
        'remove = ["TR1"]\n',
        holders="id,kind,name,within\nTR1,right-of-way,New Lane,-\n",
    )
    study = read_study(folder)
    assert study.gaps == ()
    assert study.tables["holders"].set_index("id")["name"]["TR1"] == "New Lane"


def test_only_the_removed_item_of_a_list_goes(tmp_path: Path) -> None:
    folder = proposal(tmp_path, 'remove = ["C1"]\n')
    joints = tmp_path / "as-built" / "joints.csv"
    joints.write_text("id,at,cables\nJ1,P2,C1;C2\n")
    study = read_study(folder)
    assert study.tables["joints"]["cables"].tolist() == ["C2"]


def test_chains_of_proposals(tmp_path: Path) -> None:
    folder = proposal(tmp_path, 'snap_m = 3\nout = ["S1"]\n')
    later = tmp_path / "later"
    later.mkdir()
    (later / "study.toml").write_text('extends = "../proposal"\nremove = ["S1"]\n')
    study = read_study(later)
    assert study.name == "later"
    assert study.snap_m == 3
    assert study.out == ()  # S1 is gone, no longer out of service
    assert read_study(folder).out == ("S1",)


def test_a_circle_is_named(tmp_path: Path) -> None:
    folder = proposal(tmp_path)
    (tmp_path / "as-built" / "study.toml").write_text('extends = "../proposal"\n')
    with pytest.raises(StudyError, match="proposal -> as-built -> proposal"):
        read_study(folder)


def test_a_base_that_is_not_there(tmp_path: Path) -> None:
    folder = proposal(tmp_path)
    (folder / "study.toml").write_text('extends = "../as-bilt"\n')
    with pytest.raises(StudyError) as raised:
        read_study(folder)
    assert raised.value.problems[0].column == "extends"


def test_duplicates_within_a_proposal_are_no_replacement(tmp_path: Path) -> None:
    """Two rows of C3 that differ: refused strictly, else a gap; the same row twice counts once."""
    folder = proposal(tmp_path, cables="id,kind\nC3,duct\nC3,opgw\n")
    with pytest.raises(StudyError, match="taken by an earlier row") as raised:
        read_study(folder, strict=True)
    assert raised.value.problems[0].row == 3
    study = read_study(folder)
    assert [gap.code for gap in study.gaps] == ["duplicate-id"]
    assert set(study.gaps[0].assets) == {"C3", "C3 (2)"}
    (tmp_path / "again").mkdir()
    again = read_study(proposal(tmp_path / "again", cables="id\nC3\nC3\n"))
    assert again.gaps == ()
    assert "say the same as another row" in " ".join(again.notes)


def test_a_fault_in_a_further_row_of_a_cord_is_told(tmp_path: Path) -> None:
    """Two rows of K are one cord. The length in the second is none, and that is not lost."""
    rows = "id,a,a_port,b,b_port,length_m\nK,R-W,1,R-M,1,\nK,R-W,2,R-M,2,long\n"
    study = read_study(proposal(tmp_path, patches=rows))
    assert study.tables["patches"]["a_port"].to_list() == ["1;2"]
    assert [(gap.code, gap.asset, gap.row) for gap in study.gaps] == [("unreadable-figure", "K", 3)]

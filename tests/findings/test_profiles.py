"""Separation profiles of whole studies: the figures, the JSON and the picture.

Plants lie between site A at (0, 0) and site B at (1000, 0), as in test_spacing.
"""

from __future__ import annotations

import json
import re
import subprocess
import sys
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest
from click.testing import CliRunner

import waysapart as wa
from proofs import proof_of
from spacing_plants import beside, ground, three
from waysapart.cli import main
from waysapart.errors import CallError
from waysapart.findings.separation.profile import evaluate
from waysapart.findings.spacing import too_close
from waysapart.report.profile_svg import (
    Axes,
    circuits_to_draw,
    outline,
    profile_band,
    profile_svg,
)
from waysapart.report.redaction import Outside
from waysapart.report.write import write_report

ROOT = Path(__file__).resolve().parents[2]
HOSTILE = '</text><script>alert(1)</script>"&<!--$x^2$'


@pytest.fixture(scope="module")
def demo() -> wa.Proof:
    return proof_of(ROOT / "examples" / "estuary")


def test_the_profile_gives_the_distance_anywhere_along_the_way(tmp_path: Path) -> None:
    """M is straight; N runs 3 m beside it from 300 to 700. At 500 it is 3 m away.

    At 200 the nearest point of N is on its slope of 97 in 200 to (300, 3):
    (97 x 100 + 600) / 222.28 = 46.34 m.
    """
    frame = beside().proof(tmp_path).profile("K")
    main_way = frame[frame["along"] == "main"].rename(columns={"end_zone": "exempt"})
    at = evaluate(main_way, np.array([200, 500]) / 0.99966)
    assert at[0] == ground(46.34)
    assert at[1] == ground(3.0)
    assert set(main_way["to"]) == {"alternate"}
    assert set(main_way["limit_m"]) == {5.0}


def test_both_ways_round_and_end_zones_are_told_apart(tmp_path: Path) -> None:
    """The zones of 50 m at both ends excuse the first and the last 50 m of M."""
    frame = beside().proof(tmp_path).profile("K")
    assert set(frame["along"]) == {"main", "alternate"}
    inside = frame[(frame["along"] == "main") & frame["end_zone"]]
    assert inside["to_m"][inside["from_m"] < 500 / 0.99966].max() == pytest.approx(50, abs=0.01)
    length = frame[frame["along"] == "main"]["to_m"].max()
    assert length == ground(1000)
    assert inside["from_m"][inside["from_m"] > 500].min() == pytest.approx(length - 50, abs=0.01)


def test_what_is_too_close_is_what_is_near(tmp_path: Path) -> None:
    """Under one limit for all kinds the profile and the near stretch say the same: 410.54 m."""
    frame = beside().proof(tmp_path).profile("K")
    close = too_close(frame[frame["along"] == "main"])
    assert (close["to_m"] - close["from_m"]).sum() == ground(410.54)
    assert close["from_m"].min() == ground(294.73)


def test_the_least_of_a_profile_is_the_closest_approach(demo: wa.Proof) -> None:
    facts = {one["id"]: one for one in demo.facts()["circuits"]}
    for name in ("C14", "C25", "C27"):
        frame = demo.profile(name)
        outside = frame[~frame["end_zone"]]
        square = outside["c"] - outside["b"] ** 2 / (4 * outside["a"].where(outside["a"] > 0))
        foot = -outside["b"] / (2 * outside["a"].where(outside["a"] > 0))
        inner = square[(foot > 0) & (foot < outside["to_m"] - outside["from_m"])]
        least = min(
            outside[["distance_from_m", "distance_to_m"]].min().min(),
            float(np.sqrt(inner.clip(lower=0).min())),
        )
        assert least == pytest.approx(facts[name]["closest_m"], abs=0.002)


def test_three_paths_have_six_profiles(tmp_path: Path) -> None:
    frame = three(n_from=200, o_from=600).proof(tmp_path).profile("K")
    pairs = set(frame[["along", "to"]].itertuples(index=False, name=None))
    labels = ("main", "alternate", "third")
    assert pairs == {(one, other) for one in labels for other in labels if one != other}


def test_profiles_stand_in_json_for_the_circuits_asked_for(tmp_path: Path) -> None:
    beside().proved(tmp_path)
    run = CliRunner()
    plain = json.loads(run.invoke(main, ["prove", str(tmp_path), "--json", "-"]).stdout)
    asked = json.loads(
        run.invoke(main, ["prove", str(tmp_path), "--json", "-", "--circuit", "K"]).stdout
    )
    assert "profiles" not in plain
    (one,) = asked["profiles"]
    assert [(way["along"], way["to"]) for way in one["paths"]] == [
        ("main", "alternate"),
        ("alternate", "main"),
    ]
    rows = one["paths"][0]["rows"]
    assert all(len(row) == len(one["columns"]) for row in rows)
    place = one["columns"].index
    assert [row[place("from_m")] for row in rows][1:] == [row[place("to_m")] for row in rows][:-1]


def test_a_circuit_that_does_not_exist_is_said_so(demo: wa.Proof) -> None:
    with pytest.raises(CallError, match="no circuit or group is called C99"):
        demo.profile("C99")
    with pytest.raises(CallError, match="expected 0 or more"):
        circuits_to_draw(demo, -1)


def test_the_picture_is_the_same_in_every_process(demo: wa.Proof, tmp_path: Path) -> None:
    beside().proved(tmp_path)
    script = (
        "import sys, waysapart as wa\n"
        "from waysapart.report.profile_svg import profile_svg\n"
        "sys.stdout.write(profile_svg(wa.prove(wa.read_study(sys.argv[1])), 'K'))\n"
        "assert 'matplotlib' not in sys.modules\n"
    )
    runs = [
        subprocess.run(
            [sys.executable, "-c", script, str(tmp_path)],
            capture_output=True,
            check=True,
            env={"PYTHONPATH": str(ROOT / "src"), "PYTHONHASHSEED": seed, "PATH": ""},
        ).stdout
        for seed in ("1", "2")
    ]
    assert runs[0] == runs[1]
    assert runs[0].startswith(b"<svg")


def test_the_picture_holds_nothing_that_a_sealed_page_forbids(demo: wa.Proof) -> None:
    """No style, script, metadata or address; ids of two circuits differ; all references resolve."""
    drawings = {name: profile_svg(demo, name) for name in ("C25", "C06")}
    ids: list[str] = []
    for svg in drawings.values():
        root = ElementTree.fromstring(svg)
        names = {element.tag.rpartition("}")[2] for element in root.iter()}
        assert not names & {"style", "script", "metadata", "image", "foreignObject"}
        assert not [1 for element in root.iter() if "style" in element.attrib]
        mine = [element.attrib["id"] for element in root.iter() if "id" in element.attrib]
        used = set(re.findall(r'(?:url\(|href=")#([\w-]+)', svg))
        assert used == set(mine)
        ids += mine
        assert "http" not in svg.replace("http://www.w3.org/", "")
    assert len(ids) == len(set(ids))


def test_the_picture_shows_line_limit_zones_and_what_is_too_close(demo: wa.Proof) -> None:
    root = ElementTree.fromstring(profile_svg(demo, "C25"))
    classes = [element.attrib["class"] for element in root.iter() if "class" in element.attrib]
    for part in ("profile-line", "profile-limit", "profile-close"):
        assert classes.count(part) == 2
    assert classes.count("profile-zone") == 4


def test_the_picture_is_told_to_people_who_do_not_see_it(tmp_path: Path) -> None:
    """N comes within 3 m of M, closer than 5 m over 410.54 m of the plane: 410.68 m of ground.

    The title is the first child and the description the second, so a browser takes both.
    """
    root = ElementTree.fromstring(profile_svg(beside().proof(tmp_path), "K"))
    assert root.attrib["role"] == "img"
    title, told = list(root)[:2]
    assert title.tag.endswith("}title")
    assert title.text == "Distance between the paths of K, along each of them"
    assert told.tag.endswith("}desc")
    assert (told.text or "").startswith(
        "Along main, 1.00 km: alternate is 3.00 m away at the nearest place outside the end zones "
        "(5 m required, closer over 411 m). Along alternate, "
    )


def test_heights_are_even_up_to_what_is_asked_and_then_by_tens() -> None:
    """Base at 100, 50 high, 5 m asked, 500 m at the top: 5 m at 30 % of the height; 50 m, half
    of the two decades up to 500 m, half-way from there to the top."""
    axes = Axes(1000.0, 5.0, 500.0, 100.0, 50.0)
    assert [axes.y(d) for d in (0.0, 2.5, 5.0, 50.0, 500.0)] == pytest.approx(
        [100.0, 92.5, 85.0, 67.5, 50.0]
    )


def test_the_band_beneath_the_lanes_is_the_same_drawing() -> None:
    """Where nothing is known the line breaks off; a point alone draws nothing."""
    told = {"points": [[0, 9], [10, 5], [20, None], [30, 4], [40, None], [50, 1], [60, 2]]}
    svg = profile_band({**told, "limit_m": 5.0}, [[0.0, 10.0]], 60.0, 100.0)
    root = ElementTree.fromstring(svg)
    by_class = {one.attrib["class"]: one for one in root if "class" in one.attrib}
    assert by_class["profile-line"].attrib["d"].count("M") == 2
    assert by_class["profile-limit"].attrib["d"].startswith("M120 83.2H930")
    assert by_class["profile-zone"].attrib["width"] == "135"


def test_hostile_ids_are_text_in_the_picture(tmp_path: Path) -> None:
    plant = beside()
    plant.rows["circuits"][0]["id"] = HOSTILE
    for row, label in zip(plant.rows["circuit_paths"], ("main", HOSTILE), strict=True):
        row.update(circuit=HOSTILE, path=label)
    svg = profile_svg(plant.proof(tmp_path), HOSTILE)
    root = ElementTree.fromstring(svg)
    assert "<script" not in svg
    texts = [element.text or "" for element in root.iter() if element.tag.endswith("text")]
    assert any(HOSTILE in text for text in texts)


def test_no_close_approach_is_lost_between_two_columns(demo: wa.Proof) -> None:
    """Drawn in 50 columns of 230 m, the crossing of C06 still touches 0 m."""
    frame = demo.profile("C06")
    arcs = frame[frame["along"] == "main"]
    at, distance = outline(arcs, columns=50)
    assert np.nanmin(distance[(at > 1000) & (at < at.max() - 1000)]) < 0.01
    assert len(at) <= 2 * 50


def test_what_comes_near_is_drawn_first_then_what_is_not_apart(demo: wa.Proof) -> None:
    """Only C06 and C25 cross or come near. C12 and C13 were not examined."""
    assert circuits_to_draw(demo, 2) == ["C06", "C25"]
    verdict = {trial.id: verdict for trial, verdict in zip(demo.trials, demo.verdicts, strict=True)}
    examined = circuits_to_draw(demo, 100)
    assert not {"C12", "C13"} & set(examined)
    faulty = [name for name in examined if verdict[name] != "apart"]
    assert circuits_to_draw(demo, len(faulty)) == faulty
    assert set(circuits_to_draw(demo, len(faulty) + 1)) - set(faulty) == {"C27"}


def test_the_report_shows_the_pictures_and_its_copy_for_outside_none(
    demo: wa.Proof, tmp_path: Path
) -> None:
    page = write_report(demo, tmp_path / "in.html").read_text(encoding="utf-8")
    assert page.count('class="profile"') == len(circuits_to_draw(demo))
    assert "Distance between the paths of C25" in page
    outside = write_report(demo, tmp_path / "out.html", outside=Outside())
    assert 'class="profile"' not in outside.read_text(encoding="utf-8")


def test_where_nothing_was_measured_there_is_no_picture(demo: wa.Proof) -> None:
    assert profile_svg(demo, "C12") == ""

"""Words that match nothing: errors where only a fixed list can stand, else notes.

The small study has spans and ducts, towers and pits, relays, batteries of no stated kind.
"""

from __future__ import annotations

import json
from pathlib import Path

import pytest

import waysapart as wa
from bad_inputs import more, text
from commands import run
from small_study import write_small_study


def small(tmp_path: Path, rules: str = "") -> Path:
    folder = write_small_study(tmp_path / "small")
    (folder / "rules.toml").write_text(rules)
    return folder


def notes(tmp_path: Path, rules: str) -> list[str]:
    return list(wa.read_study(small(tmp_path, rules)).notes)


# Kinds of segments in limits between kinds


@pytest.mark.parametrize(
    ("pair", "said"),
    [
        ("ducts/ducts", "'ducts' is none; did you mean 'duct'?"),
        ("segments/span", "'segments' is none"),
        ("Duct/span", "'Duct' is none; did you mean 'duct'?"),
        ("tower/span", "'tower' is none"),
        ("duct/trenches", "'trenches' is none; did you mean 'trench'?"),
    ],
)
def test_what_can_be_the_kind_of_no_segment_is_an_error(
    pair: str, said: str, tmp_path: Path
) -> None:
    """Such a limit would hold for nothing, and the ducts would be apart at any distance."""
    for key, rule in (
        ("separation_m", f'separation_m = {{ "{pair}" = 5 }}'),
        ("forbid_cross", f'forbid_cross = ["{pair}"]'),
    ):
        folder = small(tmp_path / key, f"[services.line-differential]\n{rule}\n")
        with pytest.raises(wa.StudyError) as raised:
            wa.read_study(folder)
        (problem,) = raised.value.problems
        assert problem.file == "rules.toml"
        assert problem.column == f"services.line-differential.{key}"
        assert "expected kinds of segments (span, duct," in problem.message
        assert said in problem.message


def test_a_kind_of_segment_that_the_study_has_not_is_no_error(tmp_path: Path) -> None:
    """Rules are shared: another study has subsea cables. A known kind needs no note either."""
    rule = '[services.line-differential]\nseparation_m = { "subsea/span" = 5 }\n'
    assert notes(tmp_path, rule) == []


def test_a_kind_that_nobody_knows_is_noted(tmp_path: Path) -> None:
    """`catenary` may be a kind in another study."""
    rule = '[services.line-differential]\nseparation_m = { "catenary/span" = 5 }\n'
    (note,) = notes(tmp_path, rule)
    assert "no segment is of kind 'catenary'" in note
    assert "services.line-differential.separation_m holds for nothing" in note


def test_a_medium_is_one_of_a_fixed_list(tmp_path: Path) -> None:
    folder = small(tmp_path, "[media.fiber]\ngroup_index = 1.5\n")
    with pytest.raises(wa.StudyError, match="did you mean 'fibre'"):
        wa.read_study(folder)


def test_a_wrong_choice_in_a_layer_names_the_near_one(tmp_path: Path) -> None:
    folder = small(tmp_path)
    text("links.csv", "1310,fibre", "1310,fiber")(folder)
    with pytest.raises(wa.StudyError, match="did you mean 'fibre'"):
        wa.read_study(folder, strict=True)


# Words of the study's own rules


@pytest.mark.parametrize(
    ("rules", "section", "word"),
    [
        ("[failures.ductt]\nper_year = 0.1\nrepair_h = 4\n", "failures", "ductt"),
        ('[records]\nwithin = { ducts = "none" }\n', "records.within", "ducts"),
        ('[records]\nneeds = { charger2 = "gap" }\n', "records.needs", "charger2"),
        ("[records]\ndelay_us = { relays = 500 }\n", "records.delay_us", "relays"),
        ('[records]\npassive = ["patch"]\n', "records.passive", "patch"),
        ("[fibres.OM9]\ncore_um = 50\n", "fibres", "OM9"),
        ('[reliance]\nignore_kinds = ["regio"]\n', "reliance.ignore_kinds", "regio"),
        ('[groups]\nexcuse = ["rooms"]\n', "groups.excuse", "rooms"),
    ],
)
def test_a_word_of_the_rules_that_nothing_is_gets_a_note(
    rules: str, section: str, word: str, tmp_path: Path
) -> None:
    (note,) = notes(tmp_path, rules)
    assert note.startswith(f"rules.toml: nothing in the study is '{word}'")
    assert f"[{section}]" in note


@pytest.mark.parametrize(
    "rules",
    [
        "[failures.duct]\nper_year = 0.1\nrepair_h = 4\n",
        "[failures.supplies]\nper_year = 0.1\nrepair_h = 4\n",
        '[records]\nwithin = { pit = "none", structures = "none", other = "gap" }\n',
        "[records]\ndelay_us = { relay = 500 }\n",
        '[fibres."G.652.D"]\ncore_um = 9\n',
        '[groups]\nexcuse = ["room"]\n',
        "",
    ],
)
def test_words_that_something_is_get_none(rules: str, tmp_path: Path) -> None:
    """Neither do shipped rules, whatever they hold for other studies."""
    assert notes(tmp_path, rules) == []


def test_notes_fail_nothing_and_are_shown(tmp_path: Path) -> None:
    folder = small(tmp_path, "[failures.ductt]\nper_year = 0.1\nrepair_h = 4\n")
    done = run("check", folder)
    assert done.exit_code == 0, done.output
    assert "nothing in the study is 'ductt'" in done.output
    page = tmp_path / "page.html"
    run("report", folder, "-o", page)
    assert "nothing in the study is &#39;ductt&#39;" in page.read_text(encoding="utf-8")


# Hazards and supplies


def hazard(takes: str) -> str:
    return (
        "id,kind,takes,geometry\n"
        f'H1,flood,{takes},"POLYGON ((9 53.9, 9.1 53.9, 9.1 54, 9 54, 9 53.9))"\n'
    )


@pytest.mark.parametrize(
    ("takes", "noted"),
    [("duct", 0), ("pit;duct", 0), ("ducts", 1), ("cables;duct", 1), ("segments", 1), ("", 0)],
)
def test_a_hazard_that_takes_what_nothing_is(takes: str, noted: int, tmp_path: Path) -> None:
    folder = small(tmp_path)
    (folder / "hazards.csv").write_text(hazard(takes))
    with (folder / "study.toml").open("a") as toml:
        for path in sorted(folder.glob("*.*")):
            if path.suffix in (".csv", ".geojson"):
                toml.write(f'[[layer]]\nrole = "{path.stem}"\nsource = "{path.name}"\n')
                toml.write('crs = "EPSG:4326"\n' if path.stem == "hazards" else "")
    found = [note for note in wa.read_study(folder).notes if note.startswith("hazard H1 takes ")]
    assert len(found) == noted
    if takes == "ducts":
        assert "did you mean 'duct'?" in found[0]


def test_a_relay_fed_from_another_site(tmp_path: Path) -> None:
    folder = small(tmp_path)
    text("equipment.csv", "ROOM-W,B-W", "ROOM-W,B-M")(folder)
    (note,) = wa.read_study(folder).notes
    assert note == "fed from another site: R-W at WS by B-M at MP"


def test_a_relay_fed_from_the_site_round_its_own_is_not_noted(tmp_path: Path) -> None:
    folder = small(tmp_path)
    text("equipment.csv", "ROOM-W,B-W", "ROOM-W,B-M")(folder)
    layer = json.loads((folder / "sites.geojson").read_text())
    for one in layer["features"]:
        if one["properties"]["id"] == "WS":
            one["properties"]["within"] = "MP"
    (folder / "sites.geojson").write_text(json.dumps(layer))
    assert wa.read_study(folder).notes == ()


# Ids that are easily mistaken


@pytest.mark.parametrize(
    ("id_", "said"),
    [
        ("c2", "ids of assets that differ in case only: C2, c2"),
        ("C2\u200b", "holds a character that cannot be seen"),
        ("C2\u200b", "ids of assets that look alike and are not: C2, C2⟨U+200B⟩ (C2\\u200b)"),
        ("c2\u200b", "ids of assets that look alike and are not: C2, c2⟨U+200B⟩ (c2\\u200b)"),
        ("\u0421\u0032", "ids of assets that look alike and are not: C2, \u04212 (\\u04212)"),
        ("ROOM\u00a0W", "holds a character that cannot be seen"),
        ("C2\ufe0f", "C2, C2⟨U+FE0F⟩ (C2\\ufe0f)"),
        ("C2\u2800", "C2, C2⟨U+2800⟩ (C2\\u2800)"),
        ("C\u034f2", "C2, C⟨U+034F⟩2 (C\\u034f2)"),
        ("\u3164C2", "C2, ⟨U+3164⟩C2 (\\u3164C2)"),
        ("C2\U000e0041", "C2, C2⟨U+E0041⟩ (C2\\U000e0041)"),
        ("C2\U0001d159", "C2, C2⟨U+1D159⟩ (C2\\U0001d159)"),
        ("\uff232", "C2, Ｃ2 (\\uff232)"),
        ("\u13df2", "C2, Ꮯ2 (\\u13df2)"),
        ("\u0441\u0032", "C2, с2 (\\u04412)"),
        ("R00M-W", "ids of assets that look alike and are not: R00M-W, ROOM-W"),
        ("SWI", "ids of assets that look alike and are not: SW1, SWI"),
        ("ROOM W", "ROOM  W, ROOM W"),
        ("K\u00fchl", "Ku\u0308hl (Ku\\u0308hl), K\u00fchl (K\\xfchl)"),
    ],
)
def test_ids_that_look_alike(id_: str, said: str, tmp_path: Path) -> None:
    folder = small(tmp_path)
    others = ["SW1", "ROOM  W", "Ku\u0308hl"]
    rows = "".join(f"{one},G.652.D,24,duct,\n" for one in [id_, *others])
    more("cables.csv", rows)(folder)
    found = wa.read_study(folder).notes
    assert any(said in note for note in found), found


def test_letters_that_differ_to_the_eye_are_not_taken_for_one_another(tmp_path: Path) -> None:
    """`1` and `l` look alike, `l` and `L` differ in case: `A1` and `AL` are neither."""
    folder = small(tmp_path)
    rows = "".join(f"{one},G.652.D,24,duct,\n" for one in ("A1", "AL", "Ä1", "B1", "Ø2", "O2"))
    more("cables.csv", rows)(folder)
    assert not [note for note in wa.read_study(folder).notes if "alike" in note]


def test_names_of_groups_and_paths_that_differ_in_case(tmp_path: Path) -> None:
    """Group g1 is not G1, and a path Main is a third one beside main and alternate."""
    folder = small(tmp_path)
    more("circuits.csv", "K2,R-W,R-M,line-differential,,g1,\n")(folder)
    more("circuit_paths.csv", "K2,Main,1,L1\n")(folder)
    found = wa.read_study(folder).notes
    assert "names of groups that differ in case only: G1, g1" in found
    assert "names of paths that differ in case only: Main, main" in found

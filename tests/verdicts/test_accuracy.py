"""A separation that holds only as far as the records are right is unproven, not apart.

    A ===== duct D1 ===== B       two ducts, 7 m apart, 1000 m long; the rules ask for 5 m
    A ===== duct D2 ===== B       and count nothing within 50 m of the sites

The ducts leave the sites at their corners, so that they never come nearer than 7 m.
"""

from __future__ import annotations

import json
from pathlib import Path

import geopandas as gpd
import pandas as pd
import pytest

from proofs import proof_of
from waysapart.evidence import SHIFT_KEY
from waysapart.recheck import recheck
from waysapart.report.words import assumption_said

X, Y = 500_000, 5_980_000
TABLES = {
    "cables": "id,fibre_type,fibre_count,kind\nC1,G.652.D,4,duct\nC2,G.652.D,4,duct\n",
    "cable_runs": "cable,seq,segment\nC1,1,D1\nC2,1,D2\n",
    "equipment": "id,site,within,supplies,delay_us\nRA,A,-,-,0\nRB,B,-,-,0\n",
    "links": "id,a,b,wavelength_nm\nL1,RA,RB,1310\nL2,RA,RB,1310\n",
    "link_runs": "link,seq,cable\nL1,1,C1\nL2,1,C2\n",
    "circuits": "id,a,b,service\nK,RA,RB,\n",
    "circuit_paths": "circuit,path,seq,link\nK,main,1,L1\nK,alternate,1,L2\n",
}
RULES = "[services.default]\nseparation_m = 5.0\nend_zone_m = 50.0\nforbid_cross = true\n"
WAIVER = """
[[waiver]]
circuit = "K"
pair = ["D1", "D2"]
reason = "seen on site"
by = "survey 12"
until = 2999-01-01
"""


def plant(
    folder: Path, accuracy: tuple[str, str], apart_m: float = 7.0, layer: str = "", rules: str = ""
) -> Path:
    folder.mkdir()
    sites = "id,within,geometry\n" + "".join(
        f'{name},-,"POLYGON(({x} {Y - 20},{x + 10} {Y - 20},{x + 10} {Y + 20},{x} {Y + 20},'
        f'{x} {Y - 20}))"\n'
        for name, x in (("A", X - 10), ("B", X + 1000))
    )
    segments = "id,kind,a,b,within,accuracy_m,geometry\n" + "".join(
        f'{name},duct,A,B,-,{metres},"LINESTRING({X} {y},{X + 1000} {y})"\n'
        for name, metres, y in (("D1", accuracy[0], Y), ("D2", accuracy[1], Y + apart_m))
    )
    for role, text in {**TABLES, "sites": sites, "segments": segments}.items():
        (folder / f"{role}.csv").write_text(text)
    layers = "".join(
        f'[[layer]]\nrole = "{role}"\nsource = "{role}.csv"\n'
        + ('crs = "EPSG:25832"\n' if role in ("sites", "segments") else "")
        + (f"accuracy_m = {layer}\n" if layer and role == "segments" else "")
        for role in (*TABLES, "sites", "segments")
    )
    (folder / "study.toml").write_text(f'crs = "EPSG:25832"\n{layers}')
    (folder / "rules.toml").write_text(RULES + rules)
    return folder


@pytest.mark.parametrize(
    ("accuracy", "apart_m", "layer", "rules", "verdict", "codes"),
    [
        (("", ""), 7.0, "", "", "apart", []),
        (("0.9", "0.9"), 7.0, "", "", "apart", []),
        (("1.1", "1.1"), 7.0, "", "", "unproven", ["near-accuracy"]),
        (("2.5", "0"), 7.0, "", "", "unproven", ["near-accuracy"]),
        (("2.5", ""), 7.0, "0", "", "unproven", ["near-accuracy"]),
        (("", ""), 7.0, "1.1", "", "unproven", ["near-accuracy"]),
        (("0.1", "0.1"), 7.0, "1.1", "", "apart", []),
        (("3", "3"), 4.0, "", "", "shared", []),
        (("1.1", "1.1"), 7.0, "", WAIVER, "apart", []),
    ],
    ids=[
        *("exact", "7 - 1.8 is over 5", "7 - 2.2 is under 5", "one badly known"),
        *("the other of an exact layer", "by the layer", "rows before the layer"),
        *("near on record", "waived"),
    ],
)
def test_ducts_seven_metres_apart(
    accuracy: tuple[str, str],
    apart_m: float,
    layer: str,
    rules: str,
    verdict: str,
    codes: list[str],
    tmp_path: Path,
) -> None:
    """The measured 7 m less both accuracies is held against 5 m. recheck agrees."""
    study = plant(tmp_path / "study", accuracy, apart_m, layer, rules)
    facts = proof_of(study).facts()
    (circuit,) = facts["circuits"]
    assert circuit["verdict"] == verdict
    assert [gap["code"] for gap in circuit["gaps"]] == codes
    file = tmp_path / "evidence.json"
    file.write_text(json.dumps(facts))
    assert recheck(study, file)["false"] == []


def test_the_gap_names_both_segments_and_how_far(tmp_path: Path) -> None:
    facts = proof_of(plant(tmp_path / "study", ("2", "2"))).facts()
    (gap,) = facts["gaps"]
    assert "D1 and D2 run 7.00 m apart" in gap["message"]


def test_recheck_misses_no_doubt_that_is_left_out(tmp_path: Path) -> None:
    study = plant(tmp_path / "study", ("2", "2"))
    facts = proof_of(study).facts()
    facts["circuits"][0]["gaps"] = []
    file = tmp_path / "evidence.json"
    file.write_text(json.dumps(facts))
    assert any("near-accuracy" in told for told in recheck(study, file)["false"])


def test_a_datum_shift_is_an_assumption_and_what_it_decides_a_gap(tmp_path: Path) -> None:
    """The ducts are 5.5 m apart, on a datum whose shift is good to 1 m at best: 5 m are open.

    Ends snap within 0.5 m, so that a shift of 1 m counts.
    """
    folder = plant(tmp_path / "study", ("", ""), 5.5)
    rows = pd.read_csv(folder / "segments.csv", dtype=str)
    shapes = gpd.GeoSeries.from_wkt(rows["geometry"], crs="EPSG:25832").to_crs("EPSG:31467")
    rows.assign(geometry=shapes.to_wkt()).to_csv(folder / "segments.csv", index=False)
    toml = folder / "study.toml"
    before, after = toml.read_text().split('source = "segments.csv"\ncrs = "EPSG:25832"')
    toml.write_text(f'snap_m = 0.5\n{before}source = "segments.csv"\ncrs = "EPSG:31467"{after}')
    proof = proof_of(folder)
    found = [one for one in proof.study.layers if one.shift_m > 0]
    if not found:
        pytest.skip("this PROJ has the grid for the best shift")
    (layer,) = found
    assert layer.file == "segments.csv"
    facts = proof.facts()
    assert facts["circuits"][0]["verdict"] == "unproven"
    assert [gap["code"] for gap in facts["gaps"]] == ["near-accuracy"]
    (told,) = [one for one in facts["assumptions"] if one["key"] == SHIFT_KEY]
    assert (told["value"], told["unit"], told["to_sign"]) == (layer.shift_m, "m", True)
    assert assumption_said(told) == (
        f"1 layer lies within {layer.shift_m:g} m of where another datum puts the rest of the plant"
    )
    (tmp_path / "evidence.json").write_text(json.dumps(facts))
    assert recheck(folder, tmp_path / "evidence.json")["false"] == []

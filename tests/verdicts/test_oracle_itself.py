"""The oracle is judged too: by hand-drawn plants, and by a second method on random ones.

The plant of the hand-drawn cases: sites A and B, 1 km apart, a relay in each (RA, RB).
A north way by pit N (ducts N-1, N-2, cable CN, link LN) and a south way by pit S
(S-1, S-2, CS, LS). Circuit K has them as main and alternate, and they are apart.
"""

from __future__ import annotations

import ast
import csv
import datetime
import json
from collections import Counter, defaultdict
from pathlib import Path
from typing import Any

import pyproj
import pytest

from everyday import some
from oracle import Answer, OracleAnswer, solve
from oracle_plant import run_fibre_m
from oracle_simulation import single_points
from random_plant import write_random_study

TODAY = datetime.date(2026, 6, 1)
ENDS = {"RA", "RB", "A", "B"}
NORTH = {"CN", "N-1", "N-2", "N"}
SOUTH = {"CS", "S-1", "S-2", "S"}
DRAWN = ("sites", "structures", "holders", "segments", "hazards")
to_lonlat = pyproj.Transformer.from_crs("EPSG:25832", "EPSG:4326", always_xy=True).transform


BLANKS = '\n[records]\nwithin = "none"\nsupplies = "none"\nneeds = "none"\ndelay_us = "none"\n'
"""The drawn plants say only what their question needs; a blank is none."""


class Drawing:
    """A study that is drawn by hand, in metres from a point in the estuary."""

    def __init__(self) -> None:
        self.rows: dict[str, list[dict[str, Any]]] = defaultdict(list)
        self.at: dict[str, tuple[float, float]] = {}
        self.settings = ""
        self.rules = ""

    def place(self, role: str, id: str, x: float, y: float, **row: Any) -> None:
        self.at[id] = (x, y)
        self.rows[role].append({"id": id, "points": [(x, y)], **row})

    def segment(self, id: str, kind: str, a: str, b: str, **row: Any) -> None:
        points = [self.at[a], self.at[b]]
        self.rows["segments"].append({"id": id, "kind": kind, "points": points, **row})

    def add(self, role: str, **row: Any) -> None:
        self.rows[role].append(row)

    def cable(self, id: str, segments: str, **row: Any) -> None:
        self.add("cables", id=id, **{"fibre_type": "G.652.D", "fibre_count": "24", **row})
        for i, segment in enumerate(segments.split()):
            self.add("cable_runs", cable=id, seq=i + 1, segment=segment)

    def link(self, id: str, a: str, b: str, cables: str, **row: Any) -> None:
        self.add("links", id=id, a=a, b=b, **{"wavelength_nm": 1310, **row})
        for i, cable in enumerate(cables.split()):
            self.add("link_runs", link=id, seq=i + 1, cable=cable)

    def circuit(self, id: str, a: str, b: str, group: str = "", **paths: str) -> None:
        self.add("circuits", id=id, a=a, b=b, service="", group=group)
        for path, links in paths.items():
            for i, link in enumerate(links.split()):
                self.add("circuit_paths", circuit=id, path=path, seq=i + 1, link=link)

    def change(self, role: str, id: str, **row: Any) -> None:
        next(each for each in self.rows[role] if each["id"] == id).update(row)

    def solve(self, folder: Path) -> OracleAnswer:
        for role, rows in self.rows.items():
            names = list(dict.fromkeys(name for row in rows for name in row if name != "points"))
            if role not in DRAWN:
                with (folder / f"{role}.csv").open("w", newline="", encoding="utf-8") as file:
                    writer = csv.DictWriter(file, names, restval="")
                    writer.writeheader()
                    writer.writerows(rows)
                continue
            features = []
            for row in rows:
                points = [to_lonlat(480_000 + x, 5_970_000 + y) for x, y in row["points"]]
                shape: dict[str, Any] | None = {"type": "LineString", "coordinates": points}
                if len(points) == 1:
                    shape = {"type": "Point", "coordinates": points[0]}
                properties = {name: row.get(name) for name in names}
                features.append(
                    {
                        "type": "Feature",
                        "properties": properties,
                        "geometry": shape if points else None,
                    }
                )
            layer = {"type": "FeatureCollection", "features": features}
            (folder / f"{role}.geojson").write_text(json.dumps(layer), encoding="utf-8")
        settings = f'crs = "EPSG:25832"\nrules = "rules.toml"\n{self.settings}\n'
        (folder / "study.toml").write_text(settings, encoding="utf-8")
        (folder / "rules.toml").write_text(self.rules + BLANKS, encoding="utf-8")
        answer = solve(folder, TODAY)
        for key, broken in single_points(answer.plant).items():
            assert broken == answer.paths[key].relies_on
        return answer


@pytest.fixture
def plant() -> Drawing:
    drawing = Drawing()
    drawing.place("sites", "A", 0, 0, kind="substation", within="-")
    drawing.place("sites", "B", 1000, 0, kind="substation", within="-")
    drawing.place("structures", "N", 500, 300, kind="pit", within="-")
    drawing.place("structures", "S", 500, -300, kind="pit", within="-")
    for way in "NS":
        drawing.segment(f"{way}-1", "duct", "A", way, within="-")
        drawing.segment(f"{way}-2", "duct", way, "B", within="-")
        drawing.cable(f"C{way}", f"{way}-1 {way}-2")
    drawing.add("equipment", id="RA", site="A", within="-")
    drawing.add("equipment", id="RB", site="B", within="-")
    drawing.link("LN", "RA", "RB", "CN")
    drawing.link("LS", "RA", "RB", "CS")
    drawing.circuit("K", "RA", "RB", main="LN", alternate="LS")
    return drawing


def relied(answer: OracleAnswer, path: str = "main", circuit: str = "K") -> frozenset[str]:
    return answer.paths[circuit, path].relies_on


def through(answer: Answer) -> dict[str, str | None]:
    return {asset: shared.through for asset, shared in answer.shared.items()}


def test_two_paths_apart(plant: Drawing, tmp_path: Path) -> None:
    """Each path has its own cable, ducts and pit; only the ends are common."""
    answer = plant.solve(tmp_path)
    assert relied(answer, "main") == ENDS | NORTH
    assert relied(answer, "alternate") == ENDS | SOUTH
    assert answer.circuits["K"].verdict == "apart"
    assert answer.circuits["K"].unavoidable == ENDS
    assert answer.circuits["K"].shared == {}
    assert answer.circuits["K"].blank_within == 0


def test_blanks_are_counted_once(plant: Drawing, tmp_path: Path) -> None:
    """Nobody recorded what pit N, on one way, and site A, on both, lie in."""
    plant.change("structures", "N", within="")
    plant.change("sites", "A", within="")
    assert plant.solve(tmp_path).circuits["K"].blank_within == 2


def test_trench_of_two_ducts_counts_but_its_end_pits_do_not(plant: Drawing, tmp_path: Path) -> None:
    """Different ducts in one trench: the trench is shared on its own; its pits X, Y are not met."""
    plant.place("structures", "X", 0, 90, kind="pit")
    plant.place("structures", "Y", 300, 90, kind="pit")
    plant.segment("T", "trench", "X", "Y", within="-")
    plant.change("segments", "N-1", within="T")
    plant.change("segments", "S-1", within="T")
    answer = plant.solve(tmp_path)
    assert relied(answer) == ENDS | NORTH | {"T"}
    assert through(answer.circuits["K"]) == {"T": None}
    assert answer.circuits["K"].verdict == "shared"


def test_holders_of_a_shared_duct_are_folded_under_it(plant: Drawing, tmp_path: Path) -> None:
    """CS takes duct N-1 too: N-1 and pit N are shared; trench and road only through N-1."""
    plant.add("holders", id="ROAD", kind="right-of-way", within="-", points=[])
    plant.place("structures", "X", 0, 90, kind="pit")
    plant.place("structures", "Y", 300, 90, kind="pit")
    plant.segment("T", "trench", "X", "Y", within="ROAD")
    plant.change("segments", "N-1", within="T")
    plant.segment("N-S", "duct", "N", "S", within="-")
    plant.cable("CX", "N-1 N-S S-2")
    plant.link("LX", "RA", "RB", "CX")
    plant.circuit("K2", "RA", "RB", main="LN", alternate="LX")
    answer = plant.solve(tmp_path)
    assert through(answer.circuits["K2"]) == {"N-1": None, "N": None, "T": "N-1", "ROAD": "N-1"}


def test_holder_reached_by_another_duct_stands_on_its_own(plant: Drawing, tmp_path: Path) -> None:
    """As above, but each path also has a duct of its own in the trench: so the trench is shared
    even if the common duct were parted, and names nothing; the road is through the trench, and
    the duct in it is one step further in."""
    plant.add("holders", id="ROAD", kind="right-of-way", within="-", points=[])
    plant.place("structures", "X", 0, 90, kind="pit")
    plant.place("structures", "Y", 300, 90, kind="pit")
    plant.segment("T", "trench", "X", "Y", within="ROAD")
    for duct in ("N-1", "N-2", "S-2"):
        plant.change("segments", duct, within="T")
    plant.segment("N-S", "duct", "N", "S", within="-")
    plant.cable("CX", "N-1 N-S S-2")
    plant.link("LX", "RA", "RB", "CX")
    plant.circuit("K2", "RA", "RB", main="LN", alternate="LX")
    answer = plant.solve(tmp_path)
    assert through(answer.circuits["K2"]) == {"N-1": None, "N": None, "T": None, "ROAD": "T"}
    assert answer.circuits["K2"].shared["ROAD"].roots == {"T"}


@pytest.mark.parametrize("own_runs", ["", "S-1 S-2"])
def test_wrapped_cable_relies_on_its_carrier(plant: Drawing, tmp_path: Path, own_runs: str) -> None:
    """CW is wrapped on CN: with runs of its own or without, it goes down with CN's ducts and pit.
    A joint of CN counts as well."""
    plant.cable("CW", own_runs, carried_by="CN")
    plant.add("joints", id="J", at="N", cables="CN")
    plant.link("LW", "RA", "RB", "CW")
    plant.circuit("K2", "RA", "RB", main="LN", alternate="LW")
    answer = plant.solve(tmp_path)
    assert answer.circuits["K2"].shared_ids == NORTH | {"J"}
    own = SOUTH - {"CS"} if own_runs else set()
    assert relied(answer, "alternate", "K2") == ENDS | NORTH | own | {"CW", "J"}


def test_wrapped_two_deep_follows_the_lowest_carrier(plant: Drawing, tmp_path: Path) -> None:
    plant.cable("CW", "", carried_by="CN")
    plant.cable("CWW", "", carried_by="CW")
    plant.link("LW", "RA", "RB", "CWW")
    plant.circuit("K2", "RA", "RB", main="LW", alternate="LS")
    answer = plant.solve(tmp_path)
    assert relied(answer, "main", "K2") == ENDS | NORTH | {"CW", "CWW"}
    assert answer.circuits["K2"].verdict == "apart"


@pytest.mark.parametrize("wrapped", [False, True])
def test_part_of_a_cable(plant: Drawing, tmp_path: Path, wrapped: bool) -> None:
    """CL goes on from B to pit E; the link leaves it at B. Joint JE beyond does not count, JN on
    the part does, and JZ, at a place that CL never passes, does for want of better knowledge.
    So it is for a cable wrapped on CL."""
    plant.place("structures", "E", 1500, 0, kind="pit", within="-")
    plant.segment("B-E", "duct", "B", "E", within="-")
    plant.cable("CL", "N-1 N-2 B-E")
    plant.cable("CW", "", carried_by="CL")
    used = "CW" if wrapped else "CL"
    for joint, at in (("JE", "E"), ("JN", "N"), ("JZ", "S")):
        plant.add("joints", id=joint, at=at, cables="CL")
    plant.add("links", id="LP", a="RA", b="RB", wavelength_nm=1310)
    plant.rows["link_runs"].append({"link": "LP", "seq": 1, "cable": used, "from": "B", "to": "A"})
    plant.circuit("K2", "RA", "RB", main="LP", alternate="LS")
    answer = plant.solve(tmp_path)
    part = {"CL", "N-1", "N-2", "N", "JN", "JZ", "S"} | {used}
    assert relied(answer, "main", "K2") == ENDS | part
    assert answer.circuits["K2"].shared_ids == {"S"}


def test_joint_without_cables_counts_where_the_link_changes_cable(
    plant: Drawing, tmp_path: Path
) -> None:
    """Two cables meet at N, where J lists none: the link over both relies on J; LN, which runs
    past it in one cable, does not."""
    plant.cable("C1", "N-1")
    plant.cable("C2", "N-2")
    plant.add("joints", id="J", at="N", cables="")
    plant.link("L12", "RA", "RB", "C1 C2")
    plant.circuit("K2", "RA", "RB", main="L12", alternate="LS")
    answer = plant.solve(tmp_path)
    assert relied(answer, "main", "K2") == ENDS | {"C1", "C2", "J", "N-1", "N-2", "N"}
    assert "J" not in relied(answer, "main", "K")
    assert answer.circuits["K2"].verdict == "apart"


def test_joint_at_the_end_of_a_link_is_no_change_of_cable(plant: Drawing, tmp_path: Path) -> None:
    """A tray from A to entry E, which lies within A, then N's duct from E: the cables meet at E.
    So the joint at E counts, and the one at A, where the link begins, does not."""
    plant.place("structures", "E", 40, 20, kind="entry", within="A")
    plant.segment("A-E", "tray", "A", "E", within="-")
    plant.segment("E-N", "duct", "E", "N", within="-")
    plant.cable("C1", "A-E")
    plant.cable("C2", "E-N N-2")
    plant.add("joints", id="JA", at="A", cables="")
    plant.add("joints", id="JE", at="E", cables="")
    plant.link("L12", "RA", "RB", "C1 C2")
    plant.circuit("K2", "RA", "RB", main="L12", alternate="LS")
    answer = plant.solve(tmp_path)
    way = {"C1", "C2", "A-E", "E-N", "N-2", "E", "N", "JE"}
    assert relied(answer, "main", "K2") == ENDS | way


def test_two_batteries_on_one_charger(plant: Drawing, tmp_path: Path) -> None:
    """Either battery keeps the multiplexer up; the charger that both need, and the room that it
    stands in, bring it down. The battery rooms do not."""
    plant.place("sites", "M", 500, 0, within="-")
    plant.segment("A-M", "duct", "A", "M", within="-")
    plant.segment("M-B", "duct", "M", "B", within="-")
    for room in ("R0", "R1", "R2"):
        plant.add("holders", id=room, kind="room", within="M", points=[])
    plant.add("holders", id="CHG", kind="charger", within="R0", points=[])
    for i in "12":
        plant.add("supplies", id=f"BAT{i}", site="M", within=f"R{i}", needs="CHG")
    plant.add("equipment", id="MUX", site="M", supplies="BAT1;BAT2", within="-")
    plant.cable("C1", "A-M")
    plant.cable("C2", "M-B")
    plant.link("L1", "RA", "MUX", "C1")
    plant.link("L2", "MUX", "RB", "C2")
    plant.circuit("K2", "RA", "RB", main="L1 L2", alternate="LS")
    plant.circuit("K3", "RA", "RB", main="L1 L2", alternate="L2 L1")
    answer = plant.solve(tmp_path)
    machine = {"MUX", "M", "CHG", "R0"}
    assert relied(answer, "main", "K2") == ENDS | machine | {"C1", "C2", "A-M", "M-B"}
    folded = through(answer.circuits["K3"])
    assert (folded["CHG"], folded["R0"], folded["M"]) == (None, "CHG", None)


def test_card_in_a_chassis_needs_what_the_chassis_needs(plant: Drawing, tmp_path: Path) -> None:
    """RA is a card within chassis CH: CH's only battery and its clock count, with their rooms."""
    plant.add("holders", id="R1", kind="room", within="A", points=[])
    plant.add("supplies", id="BAT", site="A", within="R1", needs="")
    plant.add("equipment", id="CLK", site="B", within="-")
    plant.add("equipment", id="CH", site="A", within="-", supplies="BAT", needs="CLK")
    plant.change("equipment", "RA", within="CH")
    answer = plant.solve(tmp_path)
    assert relied(answer) == ENDS | NORTH | {"CH", "BAT", "R1", "CLK"}
    assert answer.circuits["K"].unavoidable == ENDS | {"CH", "BAT", "R1", "CLK"}


@pytest.mark.parametrize(
    ("takes", "reach_m", "shared"),
    [("pit", 310, True), ("", 310, True), ("pit", 290, False), ("span;tower", 310, False)],
)
def test_hazard_between_the_paths(
    plant: Drawing, tmp_path: Path, takes: str, reach_m: float, shared: bool
) -> None:
    """The pits stand 300 m from the hazard, the ducts come within 258 m of it."""
    if not takes:
        reach_m = 270
    plant.place("hazards", "H", 500, 0, kind="flood", takes=takes, reach_m=reach_m)
    answer = plant.solve(tmp_path).circuits["K"]
    assert through(answer) == ({"H": None} if shared else {})


@pytest.mark.parametrize(("takes", "excused"), [("substation", True), ("", False)])
def test_hazard_at_a_site(plant: Drawing, tmp_path: Path, takes: str, excused: bool) -> None:
    """A flood round A that takes only the substation is unavoidable; one that takes each path's
    first duct as well is not excused."""
    plant.place("hazards", "H", 0, 0, kind="flood", takes=takes, reach_m=20)
    answer = plant.solve(tmp_path).circuits["K"]
    assert ("H" in answer.unavoidable, "H" in answer.shared) == (excused, not excused)


@pytest.mark.parametrize(
    ("kind", "beside_m", "met"), [("duct", 1.5, True), ("duct", 2.5, False), ("span", 1.5, False)]
)
def test_polyline_passes_a_pit(
    plant: Drawing, tmp_path: Path, kind: str, beside_m: float, met: bool
) -> None:
    plant.place("structures", "Q", 400, beside_m, kind="pit", within="-")
    plant.segment("LONG", kind, "A", "B", within="-")
    plant.cable("CL", "LONG")
    plant.link("LL", "RA", "RB", "CL")
    plant.circuit("K2", "RA", "RB", main="LL", alternate="LS")
    assert ("Q" in relied(plant.solve(tmp_path), "main", "K2")) is met


def _twin(plant: Drawing) -> None:
    plant.place("structures", "N2", 500.3, 300, kind="pit", within="-")
    plant.change("segments", "N-1", b="N")
    plant.change("segments", "N-2", a="N")


def _cut_short(plant: Drawing) -> None:
    plant.change("segments", "N-1", points=[(0, 0), (490, 294)])


def _far_end(plant: Drawing) -> None:
    plant.change("segments", "N-1", points=[(0, 0), (490, 294)], b="N")


def _two_candidates(plant: Drawing) -> None:
    plant.place("structures", "POLE", 501, 300.5, kind="pole")


def _lost_run(plant: Drawing) -> None:
    plant.rows["cable_runs"] = [r for r in plant.rows["cable_runs"] if r["segment"] != "N-2"]


def _no_type(plant: Drawing) -> None:
    plant.change("cables", "CN", fibre_type="")


def test_an_unknown_type_of_fibre_leaves_separation_proved(plant: Drawing, tmp_path: Path) -> None:
    """It bears on the loss and the delay, not on what the paths share."""
    _no_type(plant)
    answer = plant.solve(tmp_path).circuits["K"]
    assert [gap.code for gap in answer.gaps] == ["fibre-type"]
    assert answer.verdict == "apart"


def _no_runs(plant: Drawing) -> None:
    plant.rows["link_runs"] = [r for r in plant.rows["link_runs"] if r["link"] != "LN"]


def _go_only(plant: Drawing) -> None:
    _no_runs(plant)
    plant.add("link_runs", link="LN", seq=1, cable="CN", direction="go")


def _leased(plant: Drawing) -> None:
    _no_runs(plant)
    plant.change("links", "LN", medium="leased")


def _one_path(plant: Drawing) -> None:
    plant.rows["circuit_paths"] = [r for r in plant.rows["circuit_paths"] if r["link"] != "LN"]


def _elsewhere(plant: Drawing) -> None:
    plant.add("equipment", id="RX", site="B", within="-")
    plant.change("links", "LN", b="RX")


@pytest.mark.parametrize(
    "spoil",
    [
        _twin,
        _cut_short,
        _far_end,
        _two_candidates,
        _lost_run,
        _no_runs,
        _go_only,
        _leased,
        _one_path,
        _elsewhere,
    ],
)
def test_incomplete_records_are_unproven(plant: Drawing, tmp_path: Path, spoil: Any) -> None:
    spoil(plant)
    answer = plant.solve(tmp_path).circuits["K"]
    assert answer.shared == {}
    assert answer.verdict == "unproven"
    assert answer.gaps


@pytest.mark.parametrize(("masts", "verdict"), [("-", "apart"), ("", "unproven")])
def test_radio_without_masts(plant: Drawing, tmp_path: Path, masts: str, verdict: str) -> None:
    """A radio hop relies on its two ends and its masts; a blank does not say that it has none."""
    _leased(plant)
    plant.change("links", "LN", medium="radio", relies_on=masts)
    answer = plant.solve(tmp_path)
    assert relied(answer) == ENDS
    assert answer.circuits["K"].verdict == verdict


@pytest.mark.parametrize("counts", [False, True], ids=["tail", "tail counts"])
def test_internal_hop_on_both_paths(plant: Drawing, tmp_path: Path, counts: bool) -> None:
    """RX and RA stand in one site; both paths go over the same internal hop LI: hop and RA are
    the tail of the circuit, or shared where the service counts tails."""
    if counts:
        plant.rules += '[services.default]\ntail = "shared"\n'
    plant.add("equipment", id="RX", site="A", within="-")
    plant.add("links", id="LI", a="RX", b="RA", medium="internal")
    plant.circuit("K2", "RX", "RB", main="LI LN", alternate="LI LS")
    answer = plant.solve(tmp_path).circuits["K2"]
    assert answer.tail == (frozenset() if counts else {"LI", "RA"})
    assert through(answer) == ({"LI": None, "RA": None} if counts else {})
    if counts:
        assert answer.shared["LI"].role == "links"


@pytest.mark.parametrize(
    ("until", "verdict"), [("2026-06-01", "accepted"), ("2026-05-31", "shared")]
)
def test_waiver_covers_the_holders_and_lapses(
    plant: Drawing, tmp_path: Path, until: str, verdict: str
) -> None:
    """A pit that both cables pass, within an estate: the waiver of the pit covers the estate."""
    plant.add("holders", id="ESTATE", kind="estate", within="-", points=[])
    plant.change("structures", "N", within="ESTATE")
    plant.segment("N-3", "duct", "A", "N", within="-")
    plant.segment("N-4", "duct", "N", "B", within="-")
    plant.cable("CX", "N-3 N-4")
    plant.link("LX", "RA", "RB", "CX")
    plant.circuit("K2", "RA", "RB", main="LN", alternate="LX")
    plant.rules = (
        f'[[waiver]]\ncircuit = "K2"\nasset = "N"\nreason = "r"\nby = "b"\nuntil = {until}'
    )
    answer = plant.solve(tmp_path).circuits["K2"]
    assert through(answer) == {"N": None, "ESTATE": "N"}
    assert answer.verdict == verdict


def _main_two(plant: Drawing) -> None:
    """A second relay at each end, with links of its own over both cables."""
    for end in ("A", "B"):
        plant.add("equipment", id=f"R{end}2", site=end, within="-")
    plant.link("LN2", "RA2", "RB2", "CN")
    plant.link("LS2", "RA2", "RB2", "CS")


@pytest.mark.parametrize("test", ["working", "all", "pairwise"])
def test_members_on_one_relay_share_it(plant: Drawing, tmp_path: Path, test: str) -> None:
    """Two members that end at the very same relays: only the sites are excused."""
    plant.change("circuits", "K", group="G")
    plant.circuit("K2", "RA", "RB", group="G", main="LS", alternate="LN")
    plant.rules = f'[services.default]\ngroup_test = "{test}"'
    answer = plant.solve(tmp_path).groups["G"]
    assert answer.verdict == "shared"
    assert {"RA", "RB"} <= answer.shared_ids
    assert answer.unavoidable == {"A", "B"}


@pytest.mark.parametrize(
    ("test", "verdict"), [("working", "apart"), ("all", "apart"), ("pairwise", "shared")]
)
def test_group_whose_members_swap_paths(
    plant: Drawing, tmp_path: Path, test: str, verdict: str
) -> None:
    """Main 1 works north with south behind it, Main 2 the other way round: working paths are
    apart, not all four share one thing, but one's main and the other's alternate do."""
    plant.change("circuits", "K", group="G")
    _main_two(plant)
    plant.circuit("K2", "RA2", "RB2", group="G", main="LS2", alternate="LN2")
    plant.rules = f'[services.default]\ngroup_test = "{test}"'
    answer = plant.solve(tmp_path).groups["G"]
    assert answer.verdict == verdict
    assert answer.shared_ids == (NORTH | SOUTH if test == "pairwise" else set())
    assert answer.unavoidable == {"A", "B"}


@pytest.mark.parametrize(("test", "shared"), [("working", NORTH), ("all", set())])
def test_group_whose_working_paths_run_together(
    plant: Drawing, tmp_path: Path, test: str, shared: set[str]
) -> None:
    """Both members work north, both have the south behind it: their mains drop together, but
    nothing takes all four paths."""
    plant.change("circuits", "K", group="G")
    _main_two(plant)
    plant.circuit("K2", "RA2", "RB2", group="G", main="LN2", alternate="LS2")
    plant.rules = f'[services.default]\ngroup_test = "{test}"'
    assert plant.solve(tmp_path).groups["G"].shared_ids == shared


def test_pairwise_looks_at_different_members_only(plant: Drawing, tmp_path: Path) -> None:
    """K's own two paths both pass pit N; K2 goes south and by radio. K is shared, the pair not."""
    plant.segment("N-3", "duct", "A", "N", within="-")
    plant.segment("N-4", "duct", "N", "B", within="-")
    plant.cable("CX", "N-3 N-4")
    plant.link("LX", "RA", "RB", "CX")
    _main_two(plant)
    plant.link("LR", "RA2", "RB2", "", medium="radio", relies_on="-")
    plant.circuit("K1", "RA", "RB", group="G", main="LN", alternate="LX")
    plant.circuit("K2", "RA2", "RB2", group="G", main="LS2", alternate="LR")
    plant.rules = '[services.default]\ngroup_test = "pairwise"'
    answer = plant.solve(tmp_path)
    assert answer.circuits["K1"].shared_ids == {"N"}
    assert answer.groups["G"].verdict == "apart"


def test_third_path_must_share_too(plant: Drawing, tmp_path: Path) -> None:
    """Main and third share all of the north way, but the alternate is clear of it."""
    plant.circuit("K2", "RA", "RB", main="LN", alternate="LS", third="LN")
    answer = plant.solve(tmp_path).circuits["K2"]
    assert answer.verdict == "apart"


def test_out_of_service(plant: Drawing, tmp_path: Path) -> None:
    """With duct S-1 out, K has one path left: unproven. K2 compares the two that live."""
    plant.settings = 'out = ["S-1"]'
    plant.circuit("K2", "RA", "RB", main="LN", alternate="LS", third="LN")
    answer = plant.solve(tmp_path)
    assert answer.circuits["K"].verdict == "unproven"
    assert answer.circuits["K2"].compared == (("K2", "main"), ("K2", "third"))
    assert answer.circuits["K2"].shared_ids == NORTH


def test_ring_gives_both_ways_round(plant: Drawing, tmp_path: Path) -> None:
    """Ring LN (RA-RB), L2 (RB-RC), L3 (RC-RA): from RB to RA, forward is L2, L3."""
    plant.place("sites", "C", 500, -900, within="-")
    plant.add("equipment", id="RC", site="C", within="-")
    plant.segment("B-C", "duct", "B", "C", within="-")
    plant.segment("C-A", "duct", "C", "A", within="-")
    plant.cable("C2", "B-C")
    plant.cable("C3", "C-A")
    plant.link("L2", "RC", "RB", "C2")
    plant.link("L3", "RC", "RA", "C3")
    for i, link in enumerate(("LN", "L2", "L3")):
        plant.add("rings", ring="RING", seq=i, link=link)
    plant.add("circuits", id="K2", a="RB", b="RA", service="")
    plant.add("circuits", id="K3", a="RB", b="RA", service="")
    plant.add("ring_circuits", circuit="K2", ring="RING", main_way="forward")
    plant.add("ring_circuits", circuit="K3", ring="RING", main_way="")
    answer = plant.solve(tmp_path)
    assert answer.paths["K2", "main"].links == ("L2", "L3")
    assert answer.paths["K2", "alternate"].links == ("LN",)
    assert answer.paths["K3", "main"].links == ("LN",)
    assert answer.circuits["K2"].verdict == "apart"


def test_length_and_delay_by_hand(plant: Drawing, tmp_path: Path) -> None:
    """Spans of 100 m (sag 3 m: 8 * 9 / 300 = 0.24 m more) and 200 m, wrapped 20 mm wide at a
    pitch of 1 m (sqrt(1 + (0.02 pi)^2) = 1.0019719765), 2 % overlength, 9 m slack:
    300.24 * 1.0019719765 * 1.02 + 9 = 315.848708 m. At 1.4677 that is 1.546307 us; with 5 us of
    the link and 10 + 20 us of equipment 36.546307 us.
    """
    plant.place("structures", "M", 400, 100, kind="tower", within="-")
    plant.segment("V-1", "span", "A", "M", length_m=100, sag_m=3)
    plant.segment("V-2", "span", "M", "B", length_m=200)
    plant.cable("CV", "V-1 V-2", overlength_pct=2, slack_m=9, wrap_pitch_m=1, wrap_diameter_mm=20)
    plant.link("LV", "RA", "RB", "CV", extra_delay_us=5)
    plant.circuit("K2", "RA", "RB", main="LV", alternate="LS")
    plant.change("equipment", "RA", delay_us=10)
    plant.change("equipment", "RB", delay_us=20)
    plant.rules = '[fibres."G.652.D"]\ngroup_index = { 1310 = 1.4677 }'
    path = plant.solve(tmp_path).paths["K2", "main"]
    assert path.route_m == pytest.approx(300)
    assert path.length_m == pytest.approx(315.848708, abs=1e-6)
    assert path.delay_us == pytest.approx(36.546307, abs=1e-6)


def test_slack_is_shared_out_over_the_part_used(plant: Drawing, tmp_path: Path) -> None:
    """A third of the cable's route is used, so a third of its 9 m of slack: 100 + 3 m."""
    plant.place("sites", "M", 400, 100, within="-")
    plant.segment("V-1", "duct", "A", "M", length_m=100)
    plant.segment("V-2", "duct", "M", "B", length_m=200)
    plant.cable("CV", "V-1 V-2", overlength_pct=0, slack_m=9)
    plant.add("equipment", id="RM", site="M")
    plant.add("links", id="LV", a="RA", b="RM", wavelength_nm=1310)
    plant.rows["link_runs"].append({"link": "LV", "seq": 1, "cable": "CV", "from": "A", "to": "M"})
    answer = plant.solve(tmp_path)
    assert run_fibre_m(answer.plant, answer.plant.runs["LV"]["both"][0]) == pytest.approx(103)


# --- random studies ----------------------------------------------------------------------


@pytest.mark.parametrize("seed", some(range(24), every=6))
def test_single_points_of_failure_by_simulation(seed: int, tmp_path: Path) -> None:
    """What a path relies on is what breaks it: closure backward and failure forward agree."""
    answer = solve(write_random_study(tmp_path, seed), TODAY)
    assert answer.paths
    for key, broken in single_points(answer.plant).items():
        assert broken == answer.paths[key].relies_on


@pytest.mark.parametrize("seed", range(6))
def test_common_causes_across_supplies_by_simulation(seed: int, tmp_path: Path) -> None:
    """The same where supplies stand elsewhere, hazards are certain, and kinds are ignored."""
    folder = write_random_study(
        tmp_path, 500 + seed, supply_elsewhere=0.5, hazards=1, ignored_kinds=1, gaps=0
    )
    answer = solve(folder, TODAY)
    for key, broken in single_points(answer.plant).items():
        assert broken == answer.paths[key].relies_on


def test_same_seed_same_study(tmp_path: Path) -> None:
    one, two, other = (
        write_random_study(tmp_path / name, seed) for name, seed in (("1", 7), ("2", 7), ("3", 8))
    )

    def files(folder: Path) -> dict[str, bytes]:
        return {path.name: path.read_bytes() for path in folder.iterdir()}

    assert files(one) == files(two)
    assert files(one) != files(other)


def test_random_studies_hold_the_hard_cases(tmp_path: Path) -> None:
    """Forty-two studies hold every verdict, group test and case that is easy to get wrong: as many
    are looked at as it takes to see them."""
    expected = {"apart", "shared", "accepted", "unproven", "3 paths", "through", "waived", "out"}
    expected |= {"group working", "group all", "group pairwise", "ring", "passes", "ignored kind"}
    expected |= {"part of a cable", "wrapped, own runs", "wrapped, no runs", "wrapped twice"}
    expected |= {"shared hazards", "unavoidable hazard", "shared links", "joint without cables"}
    expected |= {"sites", "structures", "holders", "segments", "cables", "joints", "supplies"}
    expected |= {"tail"}
    expected |= {"equipment", "hazards", "no-way", "cable-broken", "link-broken", "end-several"}
    seen: Counter[str] = Counter()
    for seed in range(42):
        if all(seen[case] for case in expected):
            break
        answer = solve(write_random_study(tmp_path / str(seed), seed), TODAY)
        plant = answer.plant
        assert 20 <= len(plant.of("segments")) <= 60
        assert 3 <= len(answer.circuits) <= 8
        relies = set().union(*(path.relies_on for path in answer.paths.values()))
        seen.update(plant.assets[asset].role for asset in relies)
        seen.update(gap.code for path in answer.paths.values() for gap in path.gaps)
        seen.update(f"group {group.test}" for group in answer.groups.values())
        for judged in [*answer.circuits.values(), *answer.groups.values()]:
            seen[judged.verdict] += 1
            seen[f"{len(judged.compared)} paths"] += 1
            for shared in judged.shared.values():
                seen["through"] += shared.through is not None
                seen["waived"] += shared.waived
                seen[f"shared {shared.role}"] += 1
            seen["tail"] += bool(judged.tail)
            seen["unavoidable hazard"] += any(
                plant.assets[asset].role == "hazards" for asset in judged.unavoidable
            )
        for runs in plant.runs.values():
            for run in [run for way in runs.values() for run in way]:
                seen["part of a cable"] += not run.whole
                carrier = plant.carrier(run.cable)
                if carrier:
                    seen["wrapped, own runs"] += plant.has_runs(run.cable)
                    seen["wrapped, no runs"] += not plant.has_runs(run.cable)
                    seen["wrapped twice"] += plant.carrier(carrier) is not None
        seen["passes"] += any(plant.passed[s.id] for s in plant.of("segments") if s.id in relies)
        seen["out"] += bool(plant.out)
        seen["ring"] += bool(plant.tables["ring_circuits"])
        seen["ignored kind"] += bool(plant.ignored)
        seen["joint without cables"] += any(
            joint.id in relies and not joint.row["cables"] for joint in plant.of("joints")
        )
    assert {case for case in expected if not seen[case]} == set()


def test_the_oracle_shares_no_code() -> None:
    """Neither the oracle nor the generator imports the package that they judge."""
    here = Path(__file__).parents[1] / "support"
    for path in [*here.glob("oracle*.py"), *here.glob("random_*.py")]:
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            names = [alias.name for alias in node.names] if isinstance(node, ast.Import) else []
            if isinstance(node, ast.ImportFrom):
                names = [node.module or ""]
            assert not any(name.split(".")[0] == "waysapart" for name in names), path

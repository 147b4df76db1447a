"""What somebody accepts, until when, and as what record: one thing, all in one, or a pair.

All plants lie between site A at (0, 0) and site B at (1000, 0), in metres of EPSG:25832; their
layers are GeoJSON in degrees and CSV. Circuit K runs from relay RA to relay RB: its main path over
link L-CM in cable CM, its alternate over L-CN in CN.
"""

from __future__ import annotations

import hashlib
import json
import re
import tomllib
from collections.abc import Callable, Iterable
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import jsonschema
import pytest
from click.testing import CliRunner

import waysapart as wa
from drawn_plant import DrawnPlant, Place
from everyday import some
from proofs import proof_of
from random_plant import write_random_study
from study_formats import write_study
from waysapart.cli import main
from waysapart.errors import StudyError
from waysapart.recheck import recheck
from waysapart.recheck.sharing import COLUMNS
from waysapart.report.page import render_report
from waysapart.report.redaction import Outside, reduced
from waysapart.report.write import report_facts
from waysapart.schema import ROLES
from waysapart.verdicts.waiver_offers import offer_toml, offered_waivers, records_of

Facts = dict[str, Any]
ON = date(2026, 5, 1)
SCHEMA = jsonschema.Draft202012Validator(
    json.loads((Path(wa.__file__).parent / "evidence.schema.json").read_text(encoding="utf-8"))
)
RULES = """
[services.default]
separation_m = 5
end_zone_m = 50
forbid_cross = true
[records]
within = "none"
supplies = "none"
delay_us = 0
"""


class Plant(DrawnPlant):
    """A circuit K (and what a test adds), with waivers."""

    def __init__(self, a: Place = (0, 0), b: Place = (1000, 0)) -> None:
        super().__init__(a, b)
        self.rules = RULES
        self.waivers = ""

    def holder(self, id: str, kind: str, within: str = "-") -> None:
        self.rows["holders"].append({"id": id, "kind": kind, "within": within})

    def row(self, role: str, id: str) -> dict[str, Any]:
        return next(row for row in self.rows[role] if row["id"] == id)

    def ducts(self, name: str, *line: str | Place, within: str = "-") -> None:
        """A duct of that name, a cable in it called C and the name, a link over that."""
        self.segment(name, "duct", *line, within=within)
        self.listed(f"C{name}", name)

    def waive(self, until: date | str = "2027-06-30", circuit: str = "K", **what: Any) -> None:
        stated = {"circuit": circuit, **what, "reason": "agreed", "by": "note 1"}
        lines = [f"{key} = {json.dumps(value)}" for key, value in stated.items()]
        self.waivers += "\n".join(["[[waiver]]", *lines, f"until = {until}", ""])

    def write(self, folder: Path) -> Path:
        folder.mkdir(parents=True, exist_ok=True)
        (folder / "rules.toml").write_text(f"{self.rules}{self.waivers}", encoding="utf-8")
        self.settings = 'rules = "rules.toml"\n'
        return super().write(folder)

    def study(self, folder: Path, on: date = ON) -> wa.Study:
        return wa.read_study(self.write(folder), on=on)

    def proof(self, folder: Path, on: date = ON) -> wa.Proof:
        return proof_of(self.write(folder), on)

    def proved(self, folder: Path, on: date = ON) -> Facts:
        facts: Facts = json.loads(json.dumps(self.proof(folder, on).facts()))
        SCHEMA.validate(facts)
        return facts

    def record(self, folder: Path, name: str = "K", **what: Any) -> str:
        """The digest of what a waiver of an asset, within a thing, or of a pair would accept."""
        return record(self.proof(folder), name, **what).digest


def record(proof: wa.Proof, name: str = "K", **what: Any) -> Any:
    records = records_of(proof)
    test = [trial.id for trial in proof.trials].index(name)
    number = {id: place for place, (id, _, _) in enumerate(proof.names)}
    if "pair" in what:
        return records.of_pair(test, *what["pair"])
    if "asset" in what:
        return records.of_asset(test, number[what["asset"]])
    return records.of_within(test, number[what["within"]])


def circuit(facts: Facts, name: str = "K") -> Facts:
    found: Facts = next(one for one in facts["circuits"] + facts["groups"] if one["id"] == name)
    return found


def verdict(facts: Facts, name: str = "K") -> str:
    return str(circuit(facts, name)["verdict"])


def standing(facts: Facts, name: str = "K") -> set[str]:
    """What is shared and not waived."""
    return {one["asset"] for one in circuit(facts, name)["shared"] if not one["waived"]}


def states(facts: Facts) -> list[str]:
    return [one["state"] for one in facts["waivers"]]


def digest(accepted: Facts) -> str:
    text = json.dumps(accepted, sort_keys=True, separators=(",", ":"))
    return hashlib.sha256(text.encode("utf-8")).hexdigest()[:12]


def trench() -> Plant:
    """Main through ducts M1, Mt, M2 and alternate through N1, Nt, N2; Mt and Nt lie in trench T.

    Before and after T the paths keep 400 m apart, beside it the ducts keep 16 m apart, more than
    the 5 m of the rules: the only thing shared is T. Nothing passes its own end pits Q1 and Q2.
    """
    plant = Plant()
    plant.nodes("pit", PM1=(300, 8), PM2=(700, 8), PN1=(300, -8), PN2=(700, -8))
    plant.nodes("pit", Q1=(300, 0), Q2=(700, 0))
    plant.segment("T", "trench", "Q1", "Q2")
    for way, side in (("M", 1), ("N", -1)):
        far = 200 * side
        plant.segment(f"{way}1", "duct", "A", (100, far), (280, far), f"P{way}1")
        plant.segment(f"{way}t", "duct", f"P{way}1", f"P{way}2", within="T")
        plant.segment(f"{way}2", "duct", f"P{way}2", (720, far), (900, far), "B")
        plant.listed(f"C{way}", f"{way}1 {way}t {way}2")
    plant.circuit("CM", "CN")
    return plant


def pit() -> Plant:
    """Both paths through pit P in the middle, and else 400 m apart; P and its lid lie in lane R."""
    plant = Plant()
    plant.holder("R", "right-of-way")
    plant.node("P", 500, 0, within="R")
    for way, side in (("M", 1), ("N", -1)):
        plant.segment(f"{way}1", "duct", "A", (100, 200 * side), (400, 200 * side), "P")
        plant.segment(f"{way}2", "duct", "P", (600, 200 * side), (900, 200 * side), "B")
        plant.listed(f"C{way}", f"{way}1 {way}2")
    plant.circuit("CM", "CN")
    return plant


def line(spans: int = 4) -> Plant:
    """Both paths on one overhead line L from A to B: so many spans, one tower fewer, all in L."""
    plant = Plant(b=(250.0 * spans, 0))
    plant.holder("L", "line")
    names = ["A", *(f"T{k:02}" for k in range(1, spans)), "B"]
    for k in range(1, spans):
        plant.node(names[k], 250.0 * k, 0, kind="tower", within="L")
    for k in range(spans):
        plant.segment(f"S{k + 1:02}", "span", names[k], names[k + 1], within="L")
    for cable in ("CM", "CN"):
        plant.listed(cable, " ".join(f"S{k + 1:02}" for k in range(spans)))
    plant.circuit("CM", "CN")
    return plant


def beside(apart_m: float = 3.0, within: str = "R") -> Plant:
    """Duct M straight from A to B; duct N 3 m north of it from 300 to 700; both in lane R.

    R is the only thing that both rely on, besides the ends. Closer than 5 m is near.
    """
    plant = Plant()
    plant.holder("R", "right-of-way")
    plant.ducts("M", "A", "B", within="R")
    plant.ducts(
        "N", "A", (100, 100), (300, apart_m), (700, apart_m), (900, 100), "B", within=within
    )
    plant.circuit("CM", "CN")
    return plant


# What a waiver within a thing covers


def test_one_waiver_covers_a_whole_line(tmp_path: Path) -> None:
    """53 spans, 52 towers and the line itself are shared: 106 things, none of which stands."""
    plant = line(spans=53)
    assert len(standing(plant.proved(tmp_path / "before"))) == 106
    plant.waive(within="L", record=plant.record(tmp_path / "before", within="L"))
    facts = plant.proved(tmp_path / "after")
    assert (verdict(facts), states(facts), standing(facts)) == ("accepted", ["in force"], set())


def test_what_lies_in_it_at_any_depth_is_covered(tmp_path: Path) -> None:
    """P lies in lane R, R in district Q: waiving all in Q covers P, R and Q."""
    plant = pit()
    plant.holder("Q", "district")
    plant.row("holders", "R")["within"] = "Q"
    plant.waive(within="Q", record=plant.record(tmp_path / "before", within="Q"))
    facts = plant.proved(tmp_path / "after")
    assert (verdict(facts), standing(facts)) == ("accepted", set())


def test_what_lies_elsewhere_is_not_covered(tmp_path: Path) -> None:
    """S02 is moved out of the line: it stands, and nothing else does."""
    plant = line()
    plant.row("segments", "S02")["within"] = "-"
    plant.waive(within="L", record=plant.record(tmp_path / "before", within="L"))
    facts = plant.proved(tmp_path / "after")
    assert (verdict(facts), standing(facts)) == ("shared", {"S02"})


def test_a_joint_is_covered_by_where_it_stands(tmp_path: Path) -> None:
    """J joins both cables in pit P, and P lies in R. Of a pit that is waived alone J stands."""
    plant = pit()
    plant.rows["joints"].append({"id": "J", "at": "P", "cables": "CM;CN"})
    plant.waive(asset="P")
    assert standing(plant.proved(tmp_path / "alone")) == {"J"}
    plant.waivers = ""
    plant.waive(within="R", record=plant.record(tmp_path / "alone", within="R"))
    facts = plant.proved(tmp_path / "all")
    assert (verdict(facts), standing(facts)) == ("accepted", set())


def test_a_cable_on_the_line_is_never_covered(tmp_path: Path) -> None:
    """CN is lashed to CM: the line is waived, the cable that both paths need stands."""
    plant = line()
    plant.row("cables", "CN")["carried_by"] = "CM"
    plant.waive(within="L", record=plant.record(tmp_path / "before", within="L"))
    facts = plant.proved(tmp_path / "after")
    assert (verdict(facts), standing(facts)) == ("shared", {"CM"})


def test_supplies_and_equipment_in_a_room_are_never_covered(tmp_path: Path) -> None:
    """Both paths pass repeater X in room W of site S, fed by battery V in W: the room alone is."""
    plant = repeater()
    plant.waive(within="W", record=plant.record(tmp_path / "before", within="W"))
    facts = plant.proved(tmp_path / "after")
    assert standing(facts) == {"X", "V", "S"}
    assert [one["asset"] for one in circuit(facts)["shared"] if one["waived"]] == ["W"]


def test_a_link_is_never_covered(tmp_path: Path) -> None:
    """Both paths share hop H (radio, nothing on record) and pit P in R: `within` leaves H."""
    plant = hop()
    plant.waive(within="R", record=plant.record(tmp_path / "before", within="R"))
    assert standing(plant.proved(tmp_path / "after")) == {"H", "X", "B"}


def test_a_near_approach_is_covered_where_both_members_lie_in_it(tmp_path: Path) -> None:
    plant = beside()
    plant.waive(within="R", record=plant.record(tmp_path / "before", within="R"))
    facts = plant.proved(tmp_path / "after")
    assert verdict(facts) == "accepted"
    assert [one["waived"] for one in circuit(facts)["near"]] == [True]


def test_a_near_approach_with_one_member_elsewhere_stands(tmp_path: Path) -> None:
    """N lies in lane R2: R is no longer shared, and a waiver of all in it has nothing to waive."""
    plant = beside(within="R2")
    plant.holder("R2", "right-of-way")
    plant.waive(within="R", record="0" * 12)
    facts = plant.proved(tmp_path)
    assert (verdict(facts), states(facts)) == ("shared", ["nothing to waive"])
    assert [one["waived"] for one in circuit(facts)["near"]] == [False]


def test_a_crossing_is_covered_where_both_members_lie_in_it(tmp_path: Path) -> None:
    """N crosses M at (500, 0), from north to south; both lie in R."""
    plant = Plant()
    plant.holder("R", "right-of-way")
    plant.ducts("M", "A", "B", within="R")
    plant.ducts("N", "A", (100, 100), (450, 100), (550, -100), (900, -100), "B", within="R")
    plant.circuit("CM", "CN")
    assert circuit(plant.proved(tmp_path / "before"))["cross"][0]["forbidden"]
    plant.waive(within="R", record=plant.record(tmp_path / "before", within="R"))
    facts = plant.proved(tmp_path / "after")
    assert (verdict(facts), circuit(facts)["cross"][0]["waived"]) == ("accepted", True)


def test_a_holder_of_a_kind_that_the_rules_ignore_may_still_be_named(tmp_path: Path) -> None:
    """Lanes are ignored, so R is not reported; the pit in it is still waived with all in R."""
    plant = pit()
    plant.rules += '[reliance]\nignore_kinds = ["right-of-way"]\n'
    plant.waive(within="R", record=plant.record(tmp_path / "before", within="R"))
    facts = plant.proved(tmp_path / "after")
    assert "R" not in {one["asset"] for one in circuit(facts)["shared"]}
    assert (verdict(facts), standing(facts)) == ("accepted", set())


def test_all_in_a_thing_that_holds_nothing_shared_is_nothing_to_waive(tmp_path: Path) -> None:
    plant = trench()
    plant.holder("R", "right-of-way")
    plant.row("segments", "M1")["within"] = "R"
    plant.waive(within="R", record="0" * 12)
    facts = plant.proved(tmp_path)
    assert (verdict(facts), states(facts)) == ("shared", ["nothing to waive"])


def test_within_needs_a_record(tmp_path: Path) -> None:
    plant = line()
    plant.waive(within="L")
    with pytest.raises(StudyError) as error:
        plant.study(tmp_path)
    assert "within needs record" in error.value.problems[0].message


def test_a_thing_that_is_not_there_is_noted(tmp_path: Path) -> None:
    plant = line()
    plant.waive(within="LL", record="0" * 12)
    facts = plant.proved(tmp_path)
    assert states(facts) == ["nothing to waive"]
    assert any("waiver 1 is for 'LL', which is no asset" in note for note in facts["notes"])


# What is shared only through what is waived


def test_waiving_a_duct_waives_the_trench_through_it(tmp_path: Path) -> None:
    """Both cables in duct D in trench T in lane R: T and R are shared only through D."""
    plant = one_duct()
    plant.waive(asset="D")
    facts = plant.proved(tmp_path)
    through = {one["asset"]: one["through"] for one in circuit(facts)["shared"]}
    assert through == {"D": None, "T": "D", "R": "D", "Q1": None, "Q2": None}
    assert (verdict(facts), standing(facts)) == ("accepted", set())


def test_waiving_a_trench_waives_the_lane_through_it(tmp_path: Path) -> None:
    """T is shared on its own, as two ducts lie in it; lane R only because T lies in R."""
    plant = trench()
    plant.holder("R", "right-of-way")
    plant.row("segments", "T")["within"] = "R"
    plant.waive(asset="T")
    facts = plant.proved(tmp_path)
    assert {one["asset"]: one["through"] for one in circuit(facts)["shared"]} == {
        "T": None,
        "R": "T",
    }
    assert (verdict(facts), standing(facts)) == ("accepted", set())


def test_waiving_a_trench_waives_nothing_that_lies_in_it(tmp_path: Path) -> None:
    """Duct D in trench T is shared on its own; lane R, in which T lies, goes with T."""
    plant = one_duct()
    plant.waive(asset="T")
    facts = plant.proved(tmp_path)
    assert (verdict(facts), standing(facts)) == ("shared", {"D"})


def test_a_lane_shared_for_another_reason_too_stands(tmp_path: Path) -> None:
    """M1 and N1 lie in R as well, each on its own: waiving T leaves R shared."""
    plant = trench()
    plant.holder("R", "right-of-way")
    for segment in ("T", "M1", "N1"):
        plant.row("segments", segment)["within"] = "R"
    plant.waive(asset="T")
    assert standing(plant.proved(tmp_path)) == {"R"}


# A changed record


def test_a_waived_trench_that_becomes_a_bridge_with_four_more_ducts(tmp_path: Path) -> None:
    """The same id, but a bridge, and four more ducts of the ways in it: no longer accepted."""
    plant = trench()
    digest = plant.record(tmp_path / "before", asset="T")
    plant.waive(asset="T", record=digest)
    assert verdict(plant.proved(tmp_path / "signed")) == "accepted"
    plant.row("segments", "T")["kind"] = "bridge"
    for segment in ("M1", "M2", "N1", "N2"):
        plant.row("segments", segment)["within"] = "T"
    facts = plant.proved(tmp_path / "after")
    (waiver,) = facts["waivers"]
    now = plant.record(tmp_path / "after", asset="T")
    assert (verdict(facts), waiver["counts"]) == ("shared", False)
    assert waiver["state"] == f"the record changed: digest was {digest}, is now {now}"
    assert (waiver["record"], waiver["record_now"]) == (digest, now)


def test_without_a_record_the_same_waiver_still_counts(tmp_path: Path) -> None:
    plant = trench()
    plant.waive(asset="T")
    plant.row("segments", "T")["kind"] = "bridge"
    facts = plant.proved(tmp_path)
    assert (verdict(facts), states(facts)) == ("accepted", ["in force"])


def to_bridge(plant: Plant) -> None:
    plant.row("segments", "T")["kind"] = "bridge"


def move(plant: Plant, id: str, by_m: float, role: str = "segments") -> None:
    row = plant.row(role, id)
    row["line"] = [(x, y + by_m) for x, y in row["line"]]


def one_more_duct(plant: Plant) -> None:
    plant.row("segments", "M2")["within"] = "T"


def duct_of_nobody(plant: Plant) -> None:
    plant.segment("X", "duct", (400, 3), (600, 3), within="T")


CHANGES: dict[str, tuple[Callable[[Plant], object], bool]] = {
    "its kind": (to_bridge, True),
    "what it lies in": (
        lambda plant: (plant.holder("R", "lane"), plant.row("segments", "T").update(within="R")),
        True,
    ),
    "an end of it": (lambda plant: plant.row("segments", "T").update(a="Q1"), True),
    "how well it is surveyed": (
        lambda plant: plant.row("segments", "T").update(accuracy_m=2),
        True,
    ),
    "a duct of a way comes into it": (one_more_duct, True),
    "it moves by a tenth of a metre": (lambda plant: move(plant, "T", 0.1), True),
    "it moves by a tenth of a millimetre": (lambda plant: move(plant, "T", 1e-4), False),
    "a duct of nobody comes into it": (duct_of_nobody, False),
    "its name": (lambda plant: plant.row("segments", "T").update(name="Sand Lane"), False),
    "the date of its survey": (
        lambda plant: plant.row("segments", "T").update(surveyed="2026-03-01"),
        False,
    ),
    "a column of the user's own": (
        lambda plant: plant.row("segments", "T").update(OWNER="x"),
        False,
    ),
    "something else on a way": (
        lambda plant: plant.row("segments", "M1").update(length_m=500),
        False,
    ),
    "the order of rows": (lambda plant: plant.rows["segments"].reverse(), False),
    "main becomes alternate": (
        lambda plant: [
            row.update(path={"main": "alternate", "alternate": "main"}[row["path"]])
            for row in plant.rows["circuit_paths"]
        ],
        False,
    ),
}


@pytest.mark.parametrize("change", CHANGES)
def test_what_changes_a_record_and_what_does_not(change: str, tmp_path: Path) -> None:
    """Everything on record of the thing and what the paths rely on in it; no names, no dates."""
    alter, ends = CHANGES[change]
    plant = trench()
    plant.waive(asset="T", record=plant.record(tmp_path / "before", asset="T"))
    alter(plant)
    facts = plant.proved(tmp_path / "after")
    assert facts["waivers"][0]["counts"] is not ends
    assert verdict(facts) == ("shared" if ends else "accepted")


def test_a_change_of_what_is_shared_through_it_ends_a_waiver(tmp_path: Path) -> None:
    """Duct D is waived, and with it the trench through it: the trench becomes a bridge."""
    plant = one_duct()
    plant.waive(asset="D", record=plant.record(tmp_path / "before", asset="D"))
    assert verdict(plant.proved(tmp_path / "signed")) == "accepted"
    plant.row("segments", "T")["kind"] = "bridge"
    facts = plant.proved(tmp_path / "after")
    assert (verdict(facts), standing(facts)) == ("shared", {"D", "T", "R"})
    assert "the record changed" in states(facts)[-1]


def test_more_shared_in_a_thing_ends_a_waiver_within_it(tmp_path: Path) -> None:
    """The alternate ran beside the line in a duct; moved onto it, it shares two more spans."""
    plant = line()
    plant.nodes("pit", PA=(250, 150))
    plant.segment("DN", "duct", "A", "PA", (600, 150), "B")
    plant.rows["cable_runs"] = [row for row in plant.rows["cable_runs"] if row["cable"] != "CN"]
    short = [("CN", "S01"), ("CN", "S02"), ("CN", "X")]
    plant.segment("X", "duct", "T02", (510, 100), (990, 100), "B")
    plant.rows["cable_runs"] += [
        {"cable": cable, "seq": seq, "segment": segment}
        for seq, (cable, segment) in enumerate(short, start=1)
    ]
    plant.waive(within="L", record=plant.record(tmp_path / "before", within="L"))
    assert verdict(plant.proved(tmp_path / "signed")) == "accepted"
    plant.rows["cable_runs"][-1]["segment"] = "S03"
    plant.rows["cable_runs"].append({"cable": "CN", "seq": 4, "segment": "S04"})
    facts = plant.proved(tmp_path / "after")
    assert standing(facts) >= {"S03", "S04", "T03"}
    assert "the record changed" in states(facts)[0]


def test_another_near_approach_in_a_thing_ends_a_waiver_within_it(tmp_path: Path) -> None:
    """O, the second duct of the alternate, lies in R 30 m from M; then it moves to 4 m."""

    def plant_with(apart_m: float) -> Plant:
        plant = Plant(b=(2000, 0))
        plant.holder("R", "right-of-way")
        plant.node("P", 1000, 100)
        plant.ducts("M", "A", "B", within="R")
        plant.segment("N", "duct", "A", (100, 100), (300, 3), (700, 3), (900, 100), "P", within="R")
        plant.segment(
            "O", "duct", "P", (1100, 100), (1300, apart_m), (1600, apart_m), (1900, 100), "B",
            within="R",
        )  # fmt: skip
        plant.listed("CN", "N O")
        plant.circuit("CM", "CN")
        return plant

    plant = plant_with(30)
    signed = plant.record(tmp_path / "before", within="R")
    plant.waive(within="R", record=signed)
    assert verdict(plant.proved(tmp_path / "signed")) == "accepted"
    moved = plant_with(4)
    moved.waive(within="R", record=signed)
    facts = moved.proved(tmp_path / "after")
    assert (verdict(facts), facts["waivers"][0]["counts"]) == ("shared", False)


def test_a_waived_pair_ends_when_one_of_the_two_moves(tmp_path: Path) -> None:
    """N 3 m from M is accepted as it is, not at 1 m."""
    plant = beside()
    plant.waive(asset="R")
    plant.waive(pair=["M", "N"], record=plant.record(tmp_path / "before", pair=["M", "N"]))
    assert verdict(plant.proved(tmp_path / "signed")) == "accepted"
    moved = beside(apart_m=1)
    moved.waivers = plant.waivers
    facts = moved.proved(tmp_path / "after")
    assert verdict(facts) == "shared"
    assert [one["counts"] for one in facts["waivers"]] == [True, False]


def test_a_pair_that_is_neither_near_nor_crossing_is_nothing_to_waive(tmp_path: Path) -> None:
    plant = beside(apart_m=30)
    plant.waive(pair=["M", "N"])
    plant.waive(asset="R")
    facts = plant.proved(tmp_path)
    assert (verdict(facts), states(facts)) == ("accepted", ["nothing to waive", "in force"])


def test_a_hop_without_a_route_can_be_waived_with_its_record(tmp_path: Path) -> None:
    """H is shared itself; when it becomes another medium, nobody has accepted that."""
    plant = hop()
    proof = plant.proof(tmp_path / "before")
    plant.waive(asset="H", record=record(proof, asset="H").digest)
    facts = plant.proved(tmp_path / "signed")
    assert states(facts) == ["in force"]
    assert "H" not in standing(facts)
    assert not any("no asset of the study" in note for note in facts["notes"])
    plant.row("links", "H")["medium"] = "carrier"
    facts = plant.proved(tmp_path / "after")
    assert "the record changed" in states(facts)[0]


def test_a_proposal_that_changes_what_was_accepted_is_worse(tmp_path: Path) -> None:
    """As built, trench T is accepted; the proposal makes a bridge of it, and compare says so."""
    plant = trench()
    plant.waive(asset="T", record=plant.record(tmp_path / "before", asset="T"))
    before = plant.study(tmp_path / "as-built")
    bridge = {**plant.row("segments", "T"), "kind": "bridge"}
    change = DrawnPlant((0, 0), (1000, 0))
    change.rows.clear()
    change.rows["segments"] = [bridge]
    change.settings = 'extends = "../as-built"\n'
    change.read(tmp_path / "proposal")
    after = wa.read_study(tmp_path / "proposal", on=ON)
    (row,) = wa.compare(before, after).facts()["circuits"]
    assert (row["before"], row["after"], row["change"]) == ("accepted", "shared", "worse")
    (waiver,) = wa.prove(after).facts()["waivers"]
    assert row["worse"] == ["accepted to shared", f"waiver of T: {waiver['state']}"]


def test_a_waiver_that_lapsed_or_was_taken_back_is_named_as_the_reason(tmp_path: Path) -> None:
    """The same study judged a year later, and without its waiver."""
    plant = line()
    plant.waive(within="L", record=plant.record(tmp_path / "before", within="L"))
    before = plant.proof(tmp_path / "signed")
    (row,) = wa.compare(before, plant.proof(tmp_path / "signed", date(2027, 7, 1))).facts()[
        "circuits"
    ]
    assert row["worse"] == ["accepted to shared", "waiver of all in L: lapsed"]
    plant.waivers = ""
    (row,) = wa.compare(before, plant.proof(tmp_path / "back")).facts()["circuits"]
    assert row["worse"] == ["accepted to shared", "waiver of all in L: taken back"]


# The digest, worked out anew from the files


def feature(folder: Path, role: str, id: str) -> Facts:
    found = json.loads((folder / f"{role}.geojson").read_text(encoding="utf-8"))["features"]
    row = next(one for one in found if one["properties"]["id"] == id)
    return {**row["properties"], "geometry": row["geometry"]}


def rounded(value: Any, decimals: int) -> Any:
    if isinstance(value, list):
        return [rounded(part, decimals) for part in value]
    number = round(value, decimals)
    return int(number) if number == int(number) else number


def test_the_digest_of_an_asset_follows_from_the_files_alone(tmp_path: Path) -> None:
    """T in degrees to seven decimals, the two ducts in it; accuracy as a number, `-` as a list."""
    plant = trench()
    plant.row("segments", "T").update(accuracy_m=0.25, name="Sand Lane", surveyed="2026-03-01")
    found = plant.record(tmp_path, asset="T")
    told = feature(tmp_path, "segments", "T")
    shape = told["geometry"]
    row = {
        "role": "segments",
        "id": "T",
        "kind": "trench",
        "within": ["-"],
        "accuracy_m": 0.25,
        "geometry": {"type": "LineString", "coordinates": rounded(shape["coordinates"], 7)},
    }
    assert found == digest({"pairs": [], "rows": [row], "within": ["Mt", "Nt"]})


def test_the_digest_within_a_line_follows_from_the_files_alone(tmp_path: Path) -> None:
    """Rows by role and id: the holder, then four spans, then three towers; nothing else in it."""
    plant = line()
    found = plant.record(tmp_path, within="L")
    rows: list[Facts] = [{"role": "holders", "id": "L", "kind": "line", "within": ["-"]}]
    for role, names in (
        ("segments", ["S01", "S02", "S03", "S04"]),
        ("structures", ["T01", "T02", "T03"]),
    ):
        for name in names:
            told = feature(tmp_path, role, name)
            shape = {**told["geometry"]}
            shape["coordinates"] = rounded(shape["coordinates"], 7)
            kind = "span" if role == "segments" else "tower"
            rows.append(
                {"role": role, "id": name, "kind": kind, "within": ["L"], "geometry": shape}
            )
    assert found == digest({"pairs": [], "rows": rows, "within": []})


def test_the_digest_within_a_lane_names_its_near_approaches(tmp_path: Path) -> None:
    """R is shared, and M and N near each other: the rows of all three stand in the record."""
    plant = beside()
    found = plant.record(tmp_path, within="R")
    rows: list[Facts] = [{"role": "holders", "id": "R", "kind": "right-of-way", "within": ["-"]}]
    for name in "MN":
        shape = {**feature(tmp_path, "segments", name)["geometry"]}
        shape["coordinates"] = rounded(shape["coordinates"], 7)
        rows.append(
            {"role": "segments", "id": name, "kind": "duct", "within": ["R"], "geometry": shape}
        )
    assert found == digest({"pairs": [["M", "N"]], "rows": rows, "within": []})


def test_the_digest_of_a_pair_holds_both_members_and_what_lies_in_them(tmp_path: Path) -> None:
    """Tube U lies in duct M, and CM in U. Lane R, shared through neither, is no part of it."""
    plant = beside()
    plant.segment("U", "subduct", "A", "B", within="M")
    plant.rows["cable_runs"][0]["segment"] = "U"
    proof = plant.proof(tmp_path)
    (near,) = proof.facts()["circuits"][0]["near"]
    pair = [near["main"], near["alternate"]]
    assert pair == ["U", "N"]
    accepted = json.loads(record(proof, pair=pair).text)
    assert [row["id"] for row in accepted["rows"]] == ["N", "U"]
    assert (accepted["pairs"], accepted["within"]) == ([["N", "U"]], [])
    accepted = json.loads(record(proof, pair=["M", "N"]).text)
    assert ([row["id"] for row in accepted["rows"]], accepted["within"]) == (["M", "N"], ["U"])


def test_coordinates_are_those_of_the_layer_and_no_other(tmp_path: Path) -> None:
    """The same trench from a CSV layer in EPSG:31467, in a study of EPSG:25832, to a millimetre."""
    plant = trench()
    folder = tmp_path / "plant"
    before = plant.record(folder, asset="T")
    told = json.loads((folder / "segments.geojson").read_text())
    kept = [one for one in told["features"] if one["properties"]["id"] != "T"]
    (folder / "segments.geojson").write_text(json.dumps({**told, "features": kept}))
    line_there = moved_to(31467, feature_line(told, "T"))
    text = ", ".join(f"{x!r} {y!r}" for x, y in line_there)
    (folder / "trench.csv").write_text(
        f'id,kind,within,geometry\nT,trench,-,"LINESTRING ({text})"\n'
    )
    roles = sorted(path for path in folder.iterdir() if path.suffix in (".csv", ".geojson"))
    layers = [
        f'[[layer]]\nrole = "{path.stem}"\nsource = "{path.name}"\n'
        for path in roles
        if path.stem != "trench"
    ]
    layers.append('[[layer]]\nrole = "segments"\nsource = "trench.csv"\ncrs = "EPSG:31467"\n')
    (folder / "study.toml").write_text(
        'crs = "EPSG:25832"\nrules = "rules.toml"\n' + "".join(layers)
    )
    found = record(proof_of(folder, on=ON), asset="T")
    row = {
        "role": "segments",
        "id": "T",
        "kind": "trench",
        "within": ["-"],
        "geometry": {
            "type": "LineString",
            "coordinates": rounded([list(one) for one in line_there], 3),
        },
    }
    assert found.digest == digest({"pairs": [], "rows": [row], "within": ["Mt", "Nt"]})
    assert found.digest != before


def feature_line(told: Facts, id: str) -> list[tuple[float, float]]:
    row = next(one for one in told["features"] if one["properties"]["id"] == id)
    return [(x, y) for x, y in row["geometry"]["coordinates"]]


def moved_to(epsg: int, line: Iterable[tuple[float, float]]) -> list[tuple[float, float]]:
    from pyproj import Transformer

    there = Transformer.from_crs(4326, epsg, always_xy=True)
    return [there.transform(x, y) for x, y in line]


def test_a_study_written_anew_keeps_its_waivers(tmp_path: Path) -> None:
    """The layers came in degrees; where a record is stated they are written so, not in the grid."""
    plant = trench()
    plant.waive(asset="T", record=plant.record(tmp_path / "before", asset="T"))
    study = plant.study(tmp_path / "signed")
    write_study(study, tmp_path / "written", "gpkg")
    facts = proof_of(tmp_path / "written", on=ON).facts()
    assert (verdict(facts), states(facts)) == ("accepted", ["in force"])


# Groups


def two_mains() -> Plant:
    """K1 over CM and K2 over CN back each other up in group G; T is what both rely on."""
    plant = trench()
    plant.rows["circuits"].clear(), plant.rows["circuit_paths"].clear()
    for name, cable in (("K1", "CM"), ("K2", "CN")):
        plant.rows["equipment"] += [
            {"id": f"{name}-{end}", "site": end, "within": "-", "supplies": "-", "delay_us": 0}
            for end in "AB"
        ]
        plant.row("links", f"L-{cable}").update(a=f"{name}-A", b=f"{name}-B")
        plant.rows["circuits"].append(
            {"id": name, "a": f"{name}-A", "b": f"{name}-B", "service": "", "group": "G"}
        )
        plant.rows["circuit_paths"].append(
            {"circuit": name, "path": "main", "seq": 1, "link": f"L-{cable}"}
        )
    return plant


def test_the_id_of_a_group_may_stand_in_circuit(tmp_path: Path) -> None:
    """T is waived for the group; its members, of one path each, stay unproven."""
    plant = two_mains()
    assert verdict(plant.proved(tmp_path / "before"), "G") == "shared"
    plant.waive(asset="T", circuit="G", record=plant.record(tmp_path / "before", "G", asset="T"))
    facts = plant.proved(tmp_path / "after")
    assert (verdict(facts, "G"), states(facts)) == ("accepted", ["in force"])
    assert verdict(facts, "K1") == "unproven"


def test_a_waiver_of_a_member_does_nothing_for_its_group(tmp_path: Path) -> None:
    plant = two_mains()
    plant.waive(asset="T", circuit="K1")
    facts = plant.proved(tmp_path)
    assert (verdict(facts, "G"), states(facts)) == ("shared", ["nothing to waive"])


def test_where_a_circuit_and_a_group_bear_one_name_it_is_the_circuit(tmp_path: Path) -> None:
    """Group K of circuits K and K2, all over CM and CN: T is waived for circuit K alone."""
    plant = trench()
    plant.rows["circuits"][0]["group"] = "K"
    plant.rows["circuits"].append({"id": "K2", "a": "RA", "b": "RB", "service": "", "group": "K"})
    plant.rows["circuit_paths"].append({"circuit": "K2", "path": "main", "seq": 1, "link": "L-CN"})
    plant.waive(asset="T")
    facts = plant.proved(tmp_path)
    (group,) = facts["groups"]
    assert (facts["circuits"][0]["verdict"], group["verdict"]) == ("accepted", "shared")
    assert any("a circuit and a group: it counts for the circuit" in one for one in facts["notes"])


# Until when


@pytest.mark.parametrize(
    ("left", "state", "days", "listed"),
    [
        (-1, "lapsed", None, False),
        (0, "in force", 0, True),
        (90, "in force", 90, True),
        (91, "in force", 91, False),
    ],
)
def test_waivers_that_lapse_within_90_days_are_listed(
    left: int, state: str, days: int | None, listed: bool, tmp_path: Path
) -> None:
    """In the terminal, in JSON and in the report; the last day still counts."""
    plant = trench()
    plant.waive(asset="T", until=ON + timedelta(days=left))
    proof = plant.proof(tmp_path)
    facts = proof.facts()
    (waiver,) = facts["waivers"]
    assert (waiver["state"], waiver["lapses_in_days"]) == (state, days)
    result = CliRunner().invoke(main, ["prove", str(tmp_path), "--on", ON.isoformat()])
    assert ("Waivers that lapse within 90 days" in result.output) == listed
    page = render_report(*report_facts(proof), title="Report")
    sign_off = page[page.index('id="sign-off"') :]
    assert ("Waivers that lapse within 90 days" in sign_off) == listed
    assert ("Waivers that do not count" in sign_off) == (state == "lapsed")
    if days == 90:
        assert "K T: in force, 90 days left (until 2026-07-30)" in result.output
        assert "in force, 90 days left" in page
    if days == 0:
        assert "in force, today is its last day" in page


def test_a_changed_record_is_told_in_terminal_and_report(tmp_path: Path) -> None:
    plant = line()
    digest = plant.record(tmp_path / "before", within="L")
    plant.waive(within="L", record=digest)
    plant.row("structures", "T02")["kind"] = "gantry"
    now = plant.record(tmp_path / "after", within="L")
    said = f"the record changed: digest was {digest}, is now {now}"
    result = CliRunner().invoke(main, ["prove", str(tmp_path / "after"), "--on", "2026-05-01"])
    assert f"K all in L: {said}" in " ".join(result.output.split())
    proof = plant.proof(tmp_path / "after")
    page = render_report(*report_facts(proof), title="Report")
    assert page.count(said) == 2
    assert re.search(r'all in <span class="id">L</span>', page)


def test_a_report_for_readers_outside_shows_no_digest(tmp_path: Path) -> None:
    """A digest would let a reader test what lies where; that the record changed is told."""
    plant = line()
    plant.waive(within="L", record="0123456789ab")
    proof = plant.proof(tmp_path)
    facts, geo = reduced(*report_facts(proof), proof.study.crs, Outside())
    (waiver,) = facts["waivers"]
    assert waiver["state"] == "the record changed"
    assert not re.search(r"[0-9a-f]{12}", " ".join(str(value) for value in waiver.values()))
    assert "the record changed" in render_report(facts, geo, title="Outside")


# What prove --circuit offers to sign


def offered(text: str) -> list[Facts]:
    """The blocks of a terminal's output as TOML reads them."""
    blocks = text[text.index("[[waiver]]") :]
    found: list[Facts] = tomllib.loads(blocks)["waiver"]
    return found


def shown(folder: Path, *more: str) -> str:
    result = CliRunner().invoke(
        main, ["prove", str(folder), "--circuit", "K", "--on", ON.isoformat(), *more]
    )
    return result.output


@pytest.mark.parametrize(
    "make", some([trench, pit, line, beside], every=4), ids=lambda make: make.__name__
)
def test_what_is_offered_can_be_pasted_and_is_then_accepted(
    make: Callable[[], Plant], tmp_path: Path
) -> None:
    """As printed it is refused, each blank by name; filled in, all that stands is accepted."""
    plant = make()
    plant.study(tmp_path)
    text = shown(tmp_path)
    blocks = text[text.index("[[waiver]]") :]
    rules = tmp_path / "rules.toml"
    rules.write_text(plant.rules + blocks, encoding="utf-8")
    with pytest.raises(StudyError) as error:
        wa.read_study(tmp_path)
    assert [problem.column for problem in error.value.problems[:3]] == [
        "waiver.1.reason",
        "waiver.1.by",
        "waiver.1.until",
    ]
    filled = blocks.replace('reason = ""', 'reason = "agreed"').replace('by = ""', 'by = "note"')
    rules.write_text(plant.rules + filled.replace('until = ""', "until = 2027-06-30"))
    facts = proof_of(tmp_path, on=ON).facts()
    assert (verdict(facts), set(states(facts))) == ("accepted", {"in force"})
    assert "[[waiver]]" not in shown(tmp_path)


def test_one_block_stands_for_all_that_lies_in_a_line(tmp_path: Path) -> None:
    """Four spans, three towers; L itself is shared through them and is no finding of its own."""
    line().study(tmp_path)
    text = shown(tmp_path)
    (block,) = offered(text)
    assert block["within"] == "L"
    assert "# accepts 7 findings" in text


def test_of_two_things_that_hold_as_much_the_inner_one_is_offered(tmp_path: Path) -> None:
    plant = line()
    plant.holder("REGION", "region")
    plant.row("holders", "L")["within"] = "REGION"
    (block,) = offered_waivers(plant.proof(tmp_path), "K")
    assert block["within"] == "L"


def test_few_things_are_offered_one_by_one(tmp_path: Path) -> None:
    """P and J in lane R are two findings: a block each."""
    plant = pit()
    plant.rows["joints"].append({"id": "J", "at": "P", "cables": "CM;CN"})
    offers = offered_waivers(plant.proof(tmp_path), "K")
    assert [offer["asset"] for offer in offers] == ["P", "J"]


def test_what_is_waived_is_not_offered_again(tmp_path: Path) -> None:
    plant = pit()
    plant.rows["joints"].append({"id": "J", "at": "P", "cables": "CM;CN"})
    plant.waive(asset="P")
    assert [offer["asset"] for offer in offered_waivers(plant.proof(tmp_path), "K")] == ["J"]


def test_a_block_says_which_waiver_it_takes_the_place_of(tmp_path: Path) -> None:
    plant = trench()
    plant.waive(asset="T", until="2024-12-31")
    plant.study(tmp_path)
    assert "# replaces a waiver that does not count: lapsed" in shown(tmp_path)


def test_a_long_list_is_cut_in_the_terminal_alone(tmp_path: Path) -> None:
    """10 spans and 9 towers that lie in nothing on record: 19 findings, 12 blocks, 7 more."""
    plant = line(spans=10)
    del plant.rows["holders"]
    for role in ("segments", "structures"):
        for row in plant.rows[role]:
            row["within"] = "-"
    plant.study(tmp_path)
    text = shown(tmp_path)
    assert text.count("[[waiver]]") == 12
    assert "and 7 more: --json lists all" in text
    told = json.loads(shown(tmp_path, "--json", "-"))
    assert len(circuit(told)["waivers_offered"]) == 19


def test_the_json_of_a_circuit_carries_the_record_of_each_finding(tmp_path: Path) -> None:
    plant = beside()
    proof = plant.proof(tmp_path)
    told = json.loads(shown(tmp_path, "--json", "-"))
    SCHEMA.validate(told)
    found = circuit(told)
    assert {one["asset"]: one["record"] for one in found["shared"]} == {
        "R": record(proof, asset="R").digest
    }
    assert [one["record"] for one in found["near"]] == [record(proof, pair=["M", "N"]).digest]


def test_ids_with_signs_that_cannot_be_seen_are_pasted_as_they_are(tmp_path: Path) -> None:
    """A soft hyphen in an id, and quotes: printed as TOML's escapes."""
    plant = trench()
    name = 'T\u00ad"\u200b'
    plant.row("segments", "T")["id"] = name
    for duct in ("Mt", "Nt"):
        plant.row("segments", duct)["within"] = name
    plant.study(tmp_path)
    (block,) = offered(shown(tmp_path))
    assert block["asset"] == name


@pytest.mark.parametrize("seed", some(range(6), every=6))
def test_all_that_is_offered_signed_leaves_nothing_shared(seed: int, tmp_path: Path) -> None:
    """On random studies: no verdict `shared`, every waiver in force, and recheck confirms each."""
    folder = write_random_study(tmp_path / "study", 5000 + seed)
    proof = proof_of(folder)
    names = dict.fromkeys(trial.id for trial in proof.trials)
    blocks = [offer_toml(offer) for name in names for offer in offered_waivers(proof, name)]
    signed = "\n".join(blocks).replace('reason = ""', 'reason = "r"').replace('by = ""', 'by = "b"')
    signed = signed.replace('until = ""', "until = 2999-12-31")
    rules = folder / "rules.toml"
    before = rules.read_text(encoding="utf-8")
    rules.write_text(f"{before}\n{signed}", encoding="utf-8")
    facts = proof_of(folder).facts()
    assert "shared" not in {one["verdict"] for one in facts["circuits"] + facts["groups"]}
    mine = facts["waivers"][-len(blocks) :] if blocks else []
    assert all(one["counts"] for one in mine)
    (tmp_path / "evidence.json").write_text(json.dumps(facts), encoding="utf-8")
    false = recheck(folder, tmp_path / "evidence.json")["false"]
    assert not [one for one in false if "waive" in one or "verdict" in one]


# recheck


@pytest.mark.parametrize(
    "what", [{"within": "L"}, {"asset": "S02"}], ids=lambda what: next(iter(what))
)
def test_recheck_confirms_records_and_tells_false_ones(what: Facts, tmp_path: Path) -> None:
    plant = line()
    plant.waive(**what, record=plant.record(tmp_path / "before", **what))
    assert false_of(plant, tmp_path, lambda facts: None) == []

    def alter(facts: Facts) -> None:
        facts["waivers"][0]["record_now"] = "0" * 12

    assert any("record" in one for one in false_of(plant, tmp_path, alter))


def test_recheck_tells_a_waiver_whose_record_changed(tmp_path: Path) -> None:
    """The evidence says that it counts; from the layers it does not."""
    plant = line()
    plant.waive(within="L", record="0123456789ab")
    assert false_of(plant, tmp_path, lambda facts: None) == []

    def alter(facts: Facts) -> None:
        facts["waivers"][0] |= {"state": "in force", "counts": True, "lapses_in_days": 425}

    told = false_of(plant, tmp_path, alter)
    assert any("state" in one for one in told)


@pytest.mark.parametrize("apart_m", [3.0, 30.0])
def test_recheck_follows_near_approaches_in_a_thing(apart_m: float, tmp_path: Path) -> None:
    plant = beside(apart_m)
    plant.waive(within="R", record=plant.record(tmp_path / "before", within="R"))
    plant.waive(pair=["M", "N"])
    assert false_of(plant, tmp_path, lambda facts: None) == []


def test_recheck_reads_a_last_day_in_quotes(tmp_path: Path) -> None:
    plant = trench()
    plant.waive(asset="T", until='"2027-06-30"')
    assert states(plant.proved(tmp_path)) == ["in force"]
    assert false_of(plant, tmp_path, lambda facts: None) == []


def test_recheck_knows_the_columns_of_every_role() -> None:
    for role, columns in COLUMNS.items():
        told = [one for one in ROLES[role].columns if one.name != "name" and one.type != "date"]
        assert columns.split() == [one.name for one in told]
    assert {role for role, told in ROLES.items() if told.asset} | {"links"} == set(COLUMNS)


def false_of(plant: Plant, folder: Path, alter: Callable[[Facts], object]) -> list[str]:
    facts = plant.proved(folder / "study")
    alter(facts)
    file = folder / "evidence.json"
    file.write_text(json.dumps(facts), encoding="utf-8")
    found: list[str] = recheck(folder / "study", file)["false"]
    return found


# Further plants


def one_duct() -> Plant:
    """Both cables in duct D for 400 m, D in trench T, T in lane R; else 400 m apart.

    D ends in pits Q1 and Q2, which are shared as well, and waived.
    """
    plant = Plant()
    plant.holder("R", "right-of-way")
    plant.nodes("pit", Q1=(300, 0), Q2=(700, 0))
    plant.segment("T", "trench", "Q1", "Q2", within="R")
    plant.segment("D", "duct", "Q1", "Q2", within="T")
    for way, side in (("M", 1), ("N", -1)):
        far = 200 * side
        plant.segment(f"{way}1", "duct", "A", (100, far), (280, far), "Q1")
        plant.segment(f"{way}2", "duct", "Q2", (720, far), (900, far), "B")
        plant.listed(f"C{way}", f"{way}1 D {way}2")
    plant.circuit("CM", "CN")
    plant.waive(asset="Q1")
    plant.waive(asset="Q2")
    return plant


def repeater() -> Plant:
    """Both paths end at repeater X in site S half way, and go on from there.

    X and its battery V stand in room W of S.
    """
    plant = Plant()
    plant.node("S", 500, 0, role="sites", kind="repeater station")
    plant.holder("W", "room", within="S")
    plant.rows["supplies"].append({"id": "V", "site": "S", "within": "W", "needs": "-"})
    plant.rows["equipment"].append(
        {"id": "X", "site": "S", "within": "W", "supplies": "V", "delay_us": 0}
    )
    for way, side in (("M", 1), ("N", -1)):
        plant.ducts(f"{way}1", "A", (100, 200 * side), (400, 200 * side), "S")
        plant.ducts(f"{way}2", "S", (600, 200 * side), (900, 200 * side), "B")
        plant.row("links", f"L-C{way}1")["b"] = "X"
        plant.row("links", f"L-C{way}2")["a"] = "X"
    plant.rows["circuits"].append({"id": "K", "a": "RA", "b": "RB", "service": ""})
    plant.rows["circuit_paths"] += [
        {"circuit": "K", "path": path, "seq": seq, "link": f"L-C{way}{seq}"}
        for path, way in (("main", "M"), ("alternate", "N"))
        for seq in (1, 2)
    ]
    return plant


def hop() -> Plant:
    """Both paths by cable through pit P in lane R to X at B, then over radio hop H to RB at C."""
    plant = pit()
    plant.node("C", 1400, 0, role="sites", kind="substation")
    plant.row("equipment", "RB")["site"] = "C"
    plant.rows["equipment"].append(
        {"id": "X", "site": "B", "within": "-", "supplies": "-", "delay_us": 0}
    )
    for cable in ("CM", "CN"):
        plant.row("links", f"L-{cable}")["b"] = "X"
    plant.rows["links"].append({"id": "H", "a": "X", "b": "RB", "medium": "radio"})
    plant.rows["circuit_paths"] += [
        {"circuit": "K", "path": path, "seq": 2, "link": "H"} for path in ("main", "alternate")
    ]
    return plant

"""What a path relies on, and what a shared thing is said to be shared through.

    A ---- P ---- X ---- Q ---- B     sites A and B, 1000 m apart, pits P, X and Q between

Every plant is drawn by hand; separation asks for nothing, so that only records count.
"""

from __future__ import annotations

import json
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from drawn_plant import DrawnPlant, Place
from waysapart.recheck import recheck

Facts = dict[str, Any]


class Plant(DrawnPlant):
    """Circuits over cables of one or more segments each."""

    def __init__(self) -> None:
        super().__init__((0, 0), (1000, 0))
        self.nodes("pit", P=(250, 0), X=(500, 0), Q=(750, 0))
        self.rules = "[services.default]\nseparation_m = 0\nforbid_cross = false\n"

    def holder(self, id: str, kind: str, within: str = "-") -> None:
        self.rows["holders"].append({"id": id, "kind": kind, "within": within})

    def way(self, name: str, *line: str | Place, **row: Any) -> None:
        """A cable of its own in one duct of the same name."""
        self.segment(name, "duct", *line, **row)
        self.listed(f"C{name}", name)

    def ways(self, circuit: str, *links: str, **row: Any) -> None:
        self.rows["circuits"].append({"id": circuit, "a": "RA", "b": "RB", "service": "", **row})
        for label, link in zip(("main", "alternate"), links, strict=False):
            self.rows["circuit_paths"].append(
                {"circuit": circuit, "path": label, "seq": 1, "link": link}
            )

    def proved(self, folder: Path) -> Facts:
        """All facts, once what is shared has been confirmed from the layers."""
        folder.mkdir(parents=True, exist_ok=True)
        (folder / "rules.toml").write_text(self.rules, encoding="utf-8")
        self.settings = 'rules = "rules.toml"\n'
        facts = self.proof(folder).facts()
        file = folder.parent / f"{folder.name}.json"
        file.write_text(json.dumps(facts), encoding="utf-8")
        about = ("shared", "single points", "unavoidable", "relies", "left out", "verdict")
        false = recheck(folder, file)["false"]
        assert not [one for one in false if any(word in str(one) for word in about)]
        return facts


def shared_of(facts: Facts) -> dict[str, str | None]:
    """What the first circuit shares, with what each is shared through."""
    return {one["asset"]: one["through"] for one in facts["circuits"][0]["shared"]}


def through_the_pits() -> Plant:
    """The main passes P, X and Q in ducts M1 to M4."""
    plant = Plant()
    nodes = ("A", "P", "X", "Q", "B")
    for number, (one, other) in enumerate(pairwise(nodes), start=1):
        bend = ((plant.at[one][0] + plant.at[other][0]) / 2, 40)
        plant.segment(f"M{number}", "duct", one, bend, other)
    plant.listed("CM", "M1 M2 M3 M4")
    return plant


def test_a_segment_that_a_hop_names_brings_its_ends_what_it_passes_and_its_holders(
    tmp_path: Path,
) -> None:
    """The leased alternate `relies_on` duct D alone. D goes from P to Q past X, in a trench.

    So both paths need P, X and Q. The trench ends at pits Y and Z, which it does not bring.
    """
    plant = through_the_pits()
    plant.nodes("pit", Y=(200, -3), Z=(800, -3))
    plant.segment("T", "trench", "Y", "Z")
    plant.segment("D", "duct", "P", "Q", within="T")
    lease = {"id": "LEASE", "a": "RA", "b": "RB", "medium": "leased", "relies_on": "D"}
    plant.rows["links"].append({**lease, "length_m": 1000})
    plant.ways("K", "L-CM", "LEASE")
    facts = plant.proved(tmp_path / "study")
    assert set(shared_of(facts)) == {"P", "X", "Q"}
    evidence = facts["evidence"]
    relied = _relied(evidence, 1)
    assert {"D", "T", "P", "X", "Q"} <= relied
    assert not relied & {"Y", "Z"}


def _relied(evidence: Facts, path: int) -> set[str]:
    """Ids that one path relies on, by the evidence's numbers ('0-3 7')."""
    found = set()
    for part in evidence["paths"][path]["relies_on"].split():
        low, _, high = part.partition("-")
        found |= set(evidence["assets"][int(low) : int(high or low) + 1])
    return found


def test_a_segment_that_equipment_needs_brings_its_ends_too(tmp_path: Path) -> None:
    """A repeater of the alternate needs feeder F, which goes from its site C to pit P.

    The main's duct ends at P, so both paths need P. What needs F needs no other pit.
    """
    plant = through_the_pits()
    plant.node("C", 500, 500, role="sites", kind="substation")
    plant.rows["equipment"].append(
        {"id": "REP", "site": "C", "within": "-", "supplies": "-", "needs": "F", "delay_us": 0}
    )
    plant.segment("F", "buried", "C", "P")
    plant.way("N", "A", (0, 600), (1000, 600), "B")
    plant.rows["links"][-1]["via"] = "REP"
    plant.ways("K", "L-CM", "L-CN")
    assert shared_of(plant.proved(tmp_path / "study")) == {"P": None}


def test_a_cable_that_a_supply_needs_brings_its_whole_way(tmp_path: Path) -> None:
    """A control cable keeps the repeater's battery connected; it is laid in M2, from P to X."""
    plant = through_the_pits()
    plant.node("C", 500, 500, role="sites", kind="substation")
    plant.rows["supplies"].append({"id": "BAT", "site": "C", "within": "-", "needs": "CTRL"})
    plant.rows["equipment"].append(
        {"id": "REP", "site": "C", "within": "-", "supplies": "BAT", "needs": "-", "delay_us": 0}
    )
    plant.rows["cables"].append({"id": "CTRL", "kind": "control", "line": []})
    plant.rows["cable_runs"].append({"cable": "CTRL", "seq": 1, "segment": "M2"})
    plant.way("N", "A", (0, 600), (1000, 600), "B")
    plant.rows["links"][-1]["via"] = "REP"
    plant.ways("K", "L-CM", "L-CN")
    assert shared_of(plant.proved(tmp_path / "study")) == {"M2": None, "P": None, "X": None}


def in_a_vault(**within: str) -> Plant:
    """Ducts of both paths lie in a region, which lies in vault V."""
    plant = Plant()
    plant.holder("V", "vault")
    plant.holder("REGION", "region", within.get("region", "V"))
    for name, side in (("M", 1), ("N", -1)):
        plant.way(name, "A", (0, 300 * side), (1000, 300 * side), "B", within="REGION")
    plant.ways("K", "L-CM", "L-CN")
    plant.rules += '[reliance]\nignore_kinds = ["region"]\n'
    return plant


def left_out(facts: Facts) -> list[str]:
    return next(
        one["value"]
        for one in facts["assumptions"]
        if one["key"] == "reliance.ignore_kinds" and one.get("to_sign")
    )


def test_what_lies_in_an_ignored_holder_lies_in_what_holds_that(tmp_path: Path) -> None:
    """The region is left out, as an assumption says. The vault that it lies in is shared, and
    the chain goes from the duct straight to it."""
    facts = in_a_vault().proved(tmp_path / "study")
    (shared,) = facts["circuits"][0]["shared"]
    assert (shared["asset"], shared["through"]) == ("V", None)
    (stretch,) = facts["circuits"][0]["stretches"]
    assert stretch["via"] == {"main": ["L-CM", "CM", "M"], "alternate": ["L-CN", "CN", "N"]}
    assert facts["circuits"][0]["verdict"] == "shared"
    assert left_out(facts) == ["REGION"]


def test_ignored_holders_in_each_other_are_all_left_out(tmp_path: Path) -> None:
    """The region lies in another region, and that in the vault."""
    plant = in_a_vault(region="WIDER")
    plant.holder("WIDER", "region", "V")
    facts = plant.proved(tmp_path / "study")
    assert shared_of(facts) == {"V": None}
    assert left_out(facts) == ["REGION", "WIDER"]


def test_an_ignored_holder_in_nothing_leaves_nothing(tmp_path: Path) -> None:
    facts = in_a_vault(region="-").proved(tmp_path / "study")
    assert shared_of(facts) == {}
    assert facts["circuits"][0]["verdict"] == "apart"
    assert left_out(facts) == ["REGION"]


def test_an_ignored_kind_brings_no_hazard_of_its_own(tmp_path: Path) -> None:
    """The kind is left out, and so is what would take the thing; the vault stays.

    Hazard FLOOD covers site C, of the ignored kind, in which the ducts lie.
    """
    plant = in_a_vault()
    plant.node("C", 500, 2000, role="sites", kind="region", within="V")
    for row in plant.rows["segments"]:
        row["within"] = "C"
    plant.rows["hazards"].append(
        {"id": "FLOOD", "kind": "flood", "reach_m": 50, "line": [(500, 2000)]}
    )
    assert shared_of(plant.proved(tmp_path / "study")) == {"V": None}


def test_a_pit_stands_on_its_site_though_the_site_lies_in_what_is_ignored(tmp_path: Path) -> None:
    """Kind `yard` is left out as a holder. Pit E still stands on the yard's site by record.

    The cable ends at E, in the yard, on site A: it reaches the relay there.
    """
    plant = Plant()
    plant.holder("YARD", "yard", "A")
    plant.node("E", 30, 0, kind="entry", within="YARD")
    plant.way("M", "E", "B")
    plant.way("N", "A", (0, 300), (1000, 300), "B")
    plant.ways("K", "L-CM", "L-CN")
    plant.rules += '[reliance]\nignore_kinds = ["yard"]\n'
    facts = plant.proved(tmp_path / "study")
    assert facts["circuits"][0]["gaps"] == []
    assert facts["circuits"][0]["verdict"] == "apart"


def one_after_the_other(first: str, second: str) -> Plant:
    """Both paths use two ducts of one trench; `first` is the one nearer to A."""
    plant = Plant()
    plant.segment("T", "trench", "P", "Q")
    plant.segment("M1", "duct", "A", (100, 50), "P")
    plant.segment("N1", "duct", "A", (100, -50), "P")
    plant.segment(first, "duct", "P", "X", within="T")
    plant.segment(second, "duct", "X", "Q", within="T")
    plant.segment("M4", "duct", "Q", (900, 50), "B")
    plant.segment("N4", "duct", "Q", (900, -50), "B")
    for way in "MN":
        plant.listed(f"C{way}", f"{way}1 {first} {second} {way}4")
    plant.ways("K", "L-CM", "L-CN")
    return plant


@pytest.mark.parametrize(("first", "second"), [("D1", "D2"), ("D2", "D1"), ("Z", "B9")])
def test_through_names_what_the_paths_meet_first(first: str, second: str, tmp_path: Path) -> None:
    """Trench T is shared only for the two ducts in it. The one nearer to A is named, whatever
    the two are called."""
    found = shared_of(one_after_the_other(first, second).proved(tmp_path / "study"))
    assert found["T"] == first


def test_through_names_what_lies_in_it_before_what_lies_deeper(tmp_path: Path) -> None:
    """The road holds the trench with both ducts, and duct M1, which the paths also have in
    common: M1 is one step away, the ducts in the trench are two."""
    plant = one_after_the_other("D1", "D2")
    plant.holder("ROAD", "right-of-way")
    for row in plant.rows["segments"]:
        if row["id"] in ("T", "M4"):
            row["within"] = "ROAD"
    for row in plant.rows["cable_runs"]:
        row["segment"] = row["segment"].replace("N4", "M4")
    found = shared_of(plant.proved(tmp_path / "study"))
    assert (found["T"], found["ROAD"]) == ("D1", "M4")


def test_through_does_not_hang_on_which_path_is_main(tmp_path: Path) -> None:
    """The alternate takes the second duct first: Q to X, then back to P and on to B.

    Each duct is met once as the second of a path's and once as its third, so neither is met
    before the other; the western one is named, under either name of the paths.
    """
    for number, order in enumerate((("L-CM", "L-CN"), ("L-CN", "L-CM"))):
        plant = one_after_the_other("D2", "D1")
        plant.rows["segments"][2].update(line=[(0, 0), (100, -50), plant.at["Q"]])
        plant.rows["segments"][6].update(line=[plant.at["P"], (900, -50), (1000, 0)])
        plant.rows["cable_runs"] = [
            {**row, "segment": {5: "N1", 6: "D1", 7: "D2", 8: "N4"}.get(place, row["segment"])}
            for place, row in enumerate(plant.rows["cable_runs"], start=1)
        ]
        plant.rows["circuits"].clear()
        plant.rows["circuit_paths"].clear()
        plant.ways("K", *order)
        found = shared_of(plant.proved(tmp_path / str(number) / "study"))
        assert found["T"] == "D2"


def test_of_two_chargers_the_one_that_the_record_names_first(tmp_path: Path) -> None:
    """Both paths go by a multiplexer at C, which needs two chargers in one room.

    The room is shared only for what is in it; of the two the multiplexer's record names
    CHG-9 first.
    """
    plant = Plant()
    plant.node("C", 500, 500, role="sites", kind="substation")
    plant.holder("ROOM", "room")
    for charger in ("CHG-1", "CHG-9"):
        plant.holder(charger, "charger", "ROOM")
    plant.rows["equipment"].append(
        {"id": "MUX", "site": "C", "within": "-", "supplies": "-", "delay_us": 0}
        | {"needs": "CHG-9;CHG-1"}
    )
    for name, side in (("M", 1), ("N", -1)):
        plant.way(name, "A", (0, 300 * side), (1000, 300 * side), "B")
        plant.rows["links"][-1]["via"] = "MUX"
    plant.ways("K", "L-CM", "L-CN")
    found = shared_of(plant.proved(tmp_path / "study"))
    assert found == {"C": None, "MUX": None, "CHG-1": None, "CHG-9": None, "ROOM": "CHG-9"}


@pytest.mark.parametrize(
    ("test", "shared"), [("working", set()), ("all", set()), ("pairwise", {"X"})]
)
def test_pairwise_holds_any_path_of_a_member_against_any_of_another(
    test: str, shared: set[str], tmp_path: Path
) -> None:
    """K1 works over M, with Q as its alternate; K2 works over N, with R.

    M and R pass pit X. Both work apart from each other, and all four have nothing in common.
    """
    plant = Plant()
    for machine in ("RC", "RD"):
        plant.rows["equipment"].append({**plant.rows["equipment"][machine == "RD"], "id": machine})
    plant.way("M", "A", (250, 20), "X", (750, 20), "B")
    plant.way("R", "A", (250, -20), "X", (750, -20), "B")
    plant.way("S", "A", (0, 300), (1000, 300), "B")
    plant.way("N", "A", (0, -300), (1000, -300), "B")
    for link in plant.rows["links"]:
        if link["id"] in ("L-CN", "L-CR"):
            link.update(a="RC", b="RD")
    plant.ways("K1", "L-CM", "L-CS", group="G")
    plant.ways("K2", "L-CN", "L-CR", group="G", a="RC", b="RD")
    plant.rules += f'group_test = "{test}"\n'
    (group,) = plant.proved(tmp_path / "study")["groups"]
    assert {one["asset"] for one in group["shared"]} == shared
    assert group["verdict"] == ("shared" if shared else "apart")


def test_a_stretch_of_a_broken_cable_brings_both_ends_of_the_break(tmp_path: Path) -> None:
    """The main uses its cable from A to Q only, past a break: duct M1 ends at P, the next one on
    record begins at X. It relies on P as much as on X."""
    plant = Plant()
    plant.segment("M1", "duct", "A", "P")
    plant.segment("M3", "duct", "X", "Q")
    plant.segment("M4", "duct", "Q", "B")
    plant.segment("N", "duct", "A", (0, 600), (1000, 600), "B")
    plant.listed("CM", "M1 M3 M4")
    plant.rows["link_runs"][-1] |= {"from": "A", "to": "Q"}
    plant.listed("CN", "N")
    plant.ways("K", "L-CM", "L-CN")
    facts = plant.proved(tmp_path / "study")
    evidence = facts["evidence"]
    main = next(one for one in evidence["paths"] if one["path"] == "main")
    numbers = {
        number
        for run in main["relies_on"].split()
        for low, _, high in (run.partition("-"),)
        for number in range(int(low), int(high or low) + 1)
    }
    assert {"P", "X", "Q", "M1", "M3"} <= {evidence["assets"][number] for number in numbers}

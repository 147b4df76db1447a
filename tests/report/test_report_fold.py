"""Many shared assets, few findings: what is shown under what."""

from typing import Any

from waysapart.report.stretches import folded

ROLE = {"S": ("segments", "span"), "T": ("structures", "tower"), "J": ("joints", None)}


def one(*stretches: dict[str, Any]) -> dict[str, Any]:
    """A circuit with stretches, ids by what they begin with: S span, T tower, J joint, H room."""
    shared = []
    for number, stretch in enumerate(stretches, start=1):
        stretch["stretch"] = number
        for name in (*stretch["members"], *stretch["holders"]):
            role, kind = ROLE.get(name[0], ("holders", "room"))
            entry = {"asset": name, "role": role, "kind": kind, "stretch": number}
            shared.append({**entry, "waived": stretch["waived"], "through": None})
    return {"shared": shared, "stretches": list(stretches)}


def stretch(*members: str, holders: tuple[str, ...] = (), waived: bool = False) -> dict[str, Any]:
    via = {"main": ["L1", "C1"], "alternate": ["L2", "C2"]}
    along = {"main": {"from_m": 0.0, "to_m": 90.0}}
    told = {"members": list(members), "holders": list(holders), "waived": waived}
    return {**told, "via": via, "along": along, "at": None}


def names(items: list[Any]) -> list[str]:
    return [str(item["asset"]) for item in items]


def test_spans_of_one_line_are_one_finding_with_their_towers() -> None:
    """Three spans of the same two cables with four towers on them; a room comes before them."""
    alone, line = folded(one(stretch("H"), stretch("T0", "S1", "T1", "S2", "T2", "S3", "T3")))
    assert line.label == "3 spans S1, S2 and S3, 0 to 90 m"
    assert names(line.members) == ["S1", "S2", "S3"]
    assert names(line.places) == ["T0", "T1", "T2", "T3"]
    assert line.via == {"main": ["L1", "C1"], "alternate": ["L2", "C2"]}
    assert line.along == {"main": (0.0, 90.0)}
    assert alone.label == "room H"


def test_towers_alone_are_counted_as_towers() -> None:
    """Two earth wires of one line: the towers are shared, the spans are not."""
    (line,) = folded(one(stretch("T1", "T2", "T3", "T4")))
    assert line.label == "4 towers T1 to T4, 0 to 90 m"
    assert line.places == []


def test_things_of_several_kinds_are_counted_by_kind() -> None:
    """Ids that do not count up from first to last name nothing: the kilometres do."""
    circuit = one(stretch("T1", "T2"))
    circuit["shared"][1]["kind"] = "gantry"
    assert [finding.label for finding in folded(circuit)] == ["tower T1 and gantry T2, 0 to 90 m"]
    circuit = one(stretch("S9", "S3", "S38", "S7", "S5"))
    for entry in circuit["shared"][:2]:
        entry["kind"] = "duct"
    assert [finding.label for finding in folded(circuit)] == ["2 ducts and 3 spans, 0 to 90 m"]


def test_a_holder_stands_under_what_it_holds(estuary_report: Any) -> None:
    """C03 of the demo: the right of way is shared only because the shared trench lies in it."""
    circuit = next(c for c in estuary_report[0]["circuits"] if c["id"] == "C03")
    (trench,) = folded(circuit)
    assert (trench.label, names(trench.holders)) == ("trench TR-1", ["ROW-1"])


def test_what_holds_nothing_else_that_is_shared_stands_alone(estuary_report: Any) -> None:
    """C04 of the demo shares a pit; no holder of the pit is shared with it."""
    circuit = next(c for c in estuary_report[0]["circuits"] if c["id"] == "C04")
    (pit,) = folded(circuit)
    assert (pit.label, pit.holders) == ("pit PIT-HER-7", [])


def test_many_of_a_kind_are_named_in_the_plural() -> None:
    circuit = one(stretch("S1", "S2"))
    for entry in circuit["shared"]:
        entry["kind"] = "entry"
    assert [finding.label for finding in folded(circuit)] == ["2 entries S1 and S2, 0 to 90 m"]


def test_what_is_accepted_stands_last() -> None:
    """A finding is accepted where its holders are as well."""
    half = one(
        stretch("S1", waived=True), stretch("S2"), stretch("S3", holders=("H",), waived=True)
    )
    half["shared"][-1]["waived"] = False
    assert [(f.label, f.waived) for f in folded(half)] == [
        ("span S2", False),
        ("span S3", False),
        ("span S1", True),
    ]


def test_what_shares_nothing_has_no_finding(estuary_report: Any) -> None:
    """C29 of the demo is apart."""
    circuit = next(c for c in estuary_report[0]["circuits"] if c["id"] == "C29")
    assert folded(circuit) == []

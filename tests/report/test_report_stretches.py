"""Stretches in words: what follows each other on every path is one route, named by where it is.

    A --D1-- T1 --S1-- T2 --S2-- T3 --D2-- S --D3-- T4 --S3-- T5 ... B
    [---------- link L1 ----------]  [------- link L2 -------]

Both paths run over L1 and L2, through substation S between them, and part beyond T5.
"""

from __future__ import annotations

from typing import Any

import pytest

from waysapart.report import words
from waysapart.report.stretches import along_paths, folded, from_to, shared_routes

ROLES = {
    "D": ("segments", "duct"), "S": ("segments", "span"), "T": ("structures", "tower"),
    "P": ("structures", "pit"), "C": ("cables", "opgw"), "X": ("sites", None),
    "M": ("equipment", "multiplexer"), "H": ("hazards", "flood"), "B": ("supplies", "battery"),
}  # fmt: skip


def part(
    members: str, chain: str, low: float | None = None, high: float = 0.0, **more: Any
) -> dict[str, Any]:
    """A stretch of some ids, the same chain on both paths, from `low` to `high` on both."""
    other = more.pop("other", chain)
    places = {} if low is None else {"from_m": low, "to_m": high}
    shifted = more.pop("shifted", 0.0)
    alternate = {key: value + shifted for key, value in places.items()}
    told = {
        "members": members.split(),
        "holders": [],
        "waived": False,
        "via": {"main": chain.split(), "alternate": other.split()},
        "along": {"main": places, "alternate": alternate} if places else {},
        "at": None,
    }
    return {**told, **more}


def circuit(*parts: dict[str, Any], links: str = "L1 L2", route_m: float = 40_000) -> Any:
    shared = []
    for number, stretch in enumerate(parts, start=1):
        stretch["stretch"] = number
        for name in stretch["members"]:
            role, kind = ROLES[name[0]]
            shared.append(
                {"asset": name, "role": role, "kind": kind, "waived": stretch["waived"],
                 "through": None, "own_line": None, "needed": False, "stretch": number}
            )  # fmt: skip
    path = {"links": links.split(), "route_m": route_m}
    return {
        "id": "K", "verdict": "shared", "shared": shared, "stretches": list(parts),
        "paths": {"main": path, "alternate": path}, "near": [], "near_folded": [], "cross": [],
        "gaps": [], "closest_m": 0.0,
    }  # fmt: skip


def line(link: str, begin: float, ids: str, cable: str) -> dict[str, Any]:
    return part(ids, f"{link} {cable}", begin, begin + 10_000)


def route() -> Any:
    return circuit(
        part("C1", "L1"),
        part("M1", "L1"),
        line("L1", 0.0, "D1 T1 S1 T2 S2 T3 D2", "C1"),
        part("X1", "L1 C1 D2"),
        part("C2", "L2"),
        line("L2", 10_000.0, "D3 T4 S3 T5", "C2"),
    )


def test_two_links_with_their_cables_sites_and_equipment_are_one_route() -> None:
    one = route()
    (found,) = shared_routes(one)
    assert found.label == "one and the same route, 0 to 20.0 km, 15 assets"
    assert found.count == len(one["shared"]) == 15
    assert list(found.numbers) == list(range(6))


def test_routes_stand_in_the_order_of_the_path_whatever_their_ids() -> None:
    """T9 sorts after T1, but the paths come to it first."""
    one = circuit(
        part("P9", "L1 C1 D1", 100.0, 100.0, other="L3 C3 D3"),
        part("P1", "L1 C1 D1", 5000.0, 5000.0, other="L3 C3 D3"),
        part("P5", "L1 C1 D1", 30_000.0, 30_000.0, other="L3 C3 D3"),
    )
    assert [found.label for found in shared_routes(one)] == ["pit P9", "pit P1", "pit P5"]


def test_a_gap_on_either_path_ends_a_route() -> None:
    """The same on main; on the alternate 3 km lie between the two."""
    later = line("L2", 10_000.0, "D3 T4 S3 T5", "C2")
    later["along"]["alternate"] = {"from_m": 13_000.0, "to_m": 23_000.0}
    one = circuit(line("L1", 0.0, "D1 T1 S1 T2", "C1"), later)
    assert len(shared_routes(one)) == 2


def test_a_hop_of_another_kind_between_ends_a_route() -> None:
    """Radio has no course along the line: what follows it is somewhere else."""
    parts = line("L1", 0.0, "D1 T1", "C1"), line("L2", 10_000.0, "D3 T4", "C2")
    assert len(shared_routes(circuit(*parts, links="L1 L2"))) == 1
    assert len(shared_routes(circuit(*parts, links="L1 RADIO L2"))) == 2


def test_what_is_accepted_is_no_part_of_a_route_that_is_not() -> None:
    one = circuit(
        line("L1", 0.0, "D1 T1", "C1"), {**line("L1", 10_000.0, "D2 T2", "C1"), "waived": True}
    )
    assert [found.waived for found in shared_routes(one)] == [False, True]


def test_a_hazard_and_a_battery_of_other_links_stand_alone() -> None:
    one = circuit(
        line("L1", 0.0, "D1 T1 S1 T2", "C1"),
        part("H1", "L1 C1 S1"),
        part("B1", "L1 M1", other="L9 M9"),
    )
    assert [len(found.findings) for found in shared_routes(one)] == [1, 1, 1]


def test_paths_that_are_the_same_over_most_of_their_length_say_so_first() -> None:
    one = route()
    said = "Shared: one and the same route, 0 to 20.0 km, 15 assets."
    assert words.same_route_said(one) == "The paths are the same over 20.0 km of 40.0 km."
    assert words.group_finding(one) == f"The paths are the same over 20.0 km of 40.0 km. {said}"
    one["paths"] = {label: {**path, "route_m": 20_000} for label, path in one["paths"].items()}
    assert words.same_route_said(one) == "The paths are the same all the way, 20.0 km."
    one["paths"]["alternate"] = {**one["paths"]["alternate"], "route_m": 40_100}
    assert words.same_route_said(one) == "", "the alternate is its own path over more than half"
    one["paths"]["alternate"] = {**one["paths"]["alternate"], "route_m": None}
    assert words.same_route_said(one) == "", "an unknown length is no figure"


def test_labels_with_commas_are_parted_by_semicolons() -> None:
    one = route()
    one["paths"]["main"] = {**one["paths"]["main"], "route_m": 90_000}
    other = circuit(*one["stretches"], part("P9", "L1 C1 D9", 30_000.0, 30_000.0, other="L7 C7 D7"))
    other["paths"] = one["paths"]
    said = "Shared: one and the same route, 0 to 20.0 km, 15 assets; pit P9."
    assert words.group_finding(other) == said


def test_where_a_stretch_lies_names_the_path_where_that_differs() -> None:
    (found,) = folded(circuit(part("S1 S2 S3 S4", "L1 C1", 400.0, 13_600.0, shifted=9000.0)))
    assert found.label == "4 spans S1 to S4, 0.4 to 13.6 km along main"
    assert along_paths({}) == ""
    assert from_to(9960.0, 302_000.0) == "10 to 302 km"


def near(*pairs: tuple[str, str, float], length_m: float = 13_600.0) -> Any:
    members = [
        {"main": a, "alternate": b, "kinds": ["span", "span"], "distance_m": d,
         "length_m": 300.0, "from_m": 100.0, "to_m": 13_700.0}
        for a, b, d in pairs
    ]  # fmt: skip
    nearest = min(members, key=lambda one: one["distance_m"])
    return {**nearest, "length_m": length_m, "members": members, "waived": False, "stretch": 1}


def test_a_near_stretch_has_distance_length_segments_and_its_nearest_pair() -> None:
    """46 spans of main, some of them facing two of the other line; each counts once."""
    pairs = [(f"S{k}", f"U{k}", 25.0 + k) for k in range(46)] + [("S0", "U1", 26.5)]
    stretch = near(*pairs)
    assert words.near_stretch(stretch) == "25.0 m apart over 13.6 km, 46 spans (nearest: S0 and U0)"
    assert words.near_where(stretch) == "46 spans, 0.1 to 13.7 km"
    one = near(("D6", "D7", 1.5), length_m=811.0)
    assert words.near_stretch(one) == "D6 and D7 are 1.50 m apart over 811 m"


@pytest.mark.parametrize(
    ("pair", "said"),
    [
        (("AD1", "AD9"), "12.2 m, AD1 and AD9, far enough apart by the rules"),
        (("S0", "U0"), "12.2 m, S0 and U0"),
        (("S0", "S0"), "12.2 m, both on S0"),
    ],
)
def test_the_closest_names_its_pair_and_why_it_is_not_the_near_one(
    pair: tuple[str, str], said: str
) -> None:
    """25.0 m between spans stands against the rules; 12.2 m between ducts does not."""
    one = route()
    one["near"] = [near(("S0", "U0", 25.0), ("S1", "U1", 26.0))]
    one["closest_m"] = 12.2
    one["closest"] = {"main": pair[0], "alternate": pair[1], "distance_m": 12.2}
    assert words.closest_said(one) == said
    del one["closest"]
    one["closest_m"] = None
    assert words.closest_said(one) == "not examined"


def test_the_demo_says_the_same_on_the_terminal_and_on_the_page(estuary_report: Any) -> None:
    """C02: wrapped on the line that carries the other; 9.84 of 10.3 km are one route."""
    one = next(one for one in estuary_report[0]["circuits"] if one["id"] == "C02")
    links = {link["id"]: link for link in estuary_report[0]["links"]}
    assert words.finding(one, links).startswith(
        "The paths are the same over 9.84 km of 10.3 km. Shared: one and the same route, "
        "0.2 to 10.1 km, 79 assets."
    )

"""Forgeries that hang together: each hides something, and each is told.

The plant, and `settle`, which makes verdicts, counts and mirrors follow, are in `forged_study.py`.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from copy import deepcopy
from typing import Any

import pytest

from evidence_mutator import Proved, built_once
from forged_study import claims, settle, write_forged_study
from mutations import _members

Facts = dict[str, Any]
Forge = Callable[[Facts], None]


@pytest.fixture(scope="module")
def proved(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Proved]:
    folder = write_forged_study(tmp_path_factory.mktemp("forged") / "study")
    with built_once():
        yield Proved.of("forged", folder)


def _of(facts: Facts, name: str) -> Facts:
    return next(one for one in claims(facts) if one["id"] == name)


def _rely_no_more(facts: Facts, circuit: str, path: str, *assets: str) -> None:
    """Take assets out of what a path relies on, its count and its hazards."""
    listed = facts["evidence"]["assets"]
    for one in facts["evidence"]["paths"]:
        if (one["circuit"], one["path"]) == (circuit, path):
            members = [n for n in _members(one["relies_on"]) if listed[n] not in assets]
            one["relies_on"] = " ".join(map(str, members))
            one["hazards"] = [name for name in one["hazards"] if name not in assets]
            _of(facts, circuit)["paths"][path]["relies_on"] = len(members)


def _unshare(facts: Facts, name: str, *assets: str) -> None:
    claim = _of(facts, name)
    claim["shared"] = [one for one in claim["shared"] if one["asset"] not in assets]


def _no_near(claim: Facts) -> None:
    claim["near"], claim["near_folded"] = [], []


# --- what is shared ------------------------------------------------------------------------


def pits_not_shared(facts: Facts) -> None:
    """Both pits go from the list, and from what the alternate relies on."""
    _unshare(facts, "K1", "P1", "P2")
    _rely_no_more(facts, "K1", "alternate", "P1", "P2")
    _no_near(_of(facts, "K1"))


def pits_from_the_list_alone(facts: Facts) -> None:
    _unshare(facts, "K1", "P1", "P2")


def pits_unavoidable(facts: Facts) -> None:
    _unshare(facts, "K1", "P1", "P2")
    _of(facts, "K1")["unavoidable"] += ["P1", "P2"]


def pits_in_the_tail(facts: Facts) -> None:
    _unshare(facts, "K1", "P1", "P2")
    _of(facts, "K1")["tail"] += ["P1", "P2"]


def pits_waived(facts: Facts) -> None:
    for one in _of(facts, "K1")["shared"]:
        one["waived"] = True


def another_circuits_alternate(facts: Facts) -> None:
    """K1 is given the alternate of K4, which shares nothing with its main."""
    mine, other = _of(facts, "K1"), _of(facts, "K4")
    mine["paths"]["alternate"] = deepcopy(other["paths"]["alternate"])
    mine["shared"] = []
    _no_near(mine)
    found = {(one["circuit"], one["path"]): one for one in facts["evidence"]["paths"]}
    for name in ("links", "relies_on", "hazards"):
        found["K1", "alternate"][name] = found["K4", "alternate"][name]


def one_pit_under_two_numbers(facts: Facts) -> None:
    """The alternate of K1 relies on a second P1 and P2 of the list of assets."""
    evidence = facts["evidence"]
    for name in ("P1", "P2"):
        old, new = evidence["assets"].index(name), len(evidence["assets"])
        evidence["assets"].append(name)
        evidence["roles"]["structures"] += f" {new}"
        for one in evidence["paths"]:
            if (one["circuit"], one["path"]) == ("K1", "alternate"):
                members = sorted(new if n == old else n for n in _members(one["relies_on"]))
                one["relies_on"] = " ".join(map(str, members))
    _unshare(facts, "K1", "P1", "P2")


def pits_renamed(facts: Facts) -> None:
    """P1 and P2 are called Q1 and Q2 in what the alternate relies on."""
    evidence = facts["evidence"]
    swap = {evidence["assets"].index(f"P{n}"): evidence["assets"].index(f"Q{n}") for n in (1, 2)}
    for one in evidence["paths"]:
        if (one["circuit"], one["path"]) == ("K1", "alternate"):
            members = sorted(swap.get(n, n) for n in _members(one["relies_on"]))
            one["relies_on"] = " ".join(map(str, members))
    _unshare(facts, "K1", "P1", "P2")


def relays_of_the_group_unavoidable(facts: Facts) -> None:
    """Both members of G end on RA and RB, which a group does not excuse."""
    _unshare(facts, "G", "RA", "RB")
    _of(facts, "G")["unavoidable"] += ["RA", "RB"]


def relays_of_the_group_waived(facts: Facts) -> None:
    for one in _of(facts, "G")["shared"]:
        one["waived"] = True


def no_group(facts: Facts) -> None:
    """G goes, with its witness, and its members stand in none."""
    facts["groups"] = []
    facts["evidence"]["verdicts"] = [
        one for one in facts["evidence"]["verdicts"] if one["kind"] == "circuit"
    ]
    for one in facts["circuits"]:
        one["group"] = None


def another_group_test(facts: Facts) -> None:
    _of(facts, "G")["group_test"] = "all"


def members_changed(facts: Facts) -> None:
    _of(facts, "G")["members"] = ["K4", "K9"]
    _of(facts, "K6")["group"], _of(facts, "K9")["group"] = None, "G"


def no_scheme(facts: Facts) -> None:
    facts["schemes"] = []
    for one in facts["circuits"]:
        one["scheme"] = None


def a_scheme_without_its_worst(facts: Facts) -> None:
    facts["schemes"][0]["members"] = ["K6"]
    _of(facts, "K2")["scheme"] = None


def a_circuit_less(facts: Facts) -> None:
    """K1 goes, with its paths and its witness; numbers of paths close up."""
    gone = [n for n, one in enumerate(facts["evidence"]["paths"]) if one["circuit"] == "K1"]

    def number(old: int) -> int:
        return old - sum(n < old for n in gone)

    evidence = facts["evidence"]
    facts["circuits"] = [one for one in facts["circuits"] if one["id"] != "K1"]
    evidence["paths"] = [one for one in evidence["paths"] if one["circuit"] != "K1"]
    evidence["verdicts"] = [one for one in evidence["verdicts"] if one["id"] != "K1"]
    for one in evidence["verdicts"]:
        one["sides"] = [[number(path) for path in side] for side in one["sides"]]
        for closest in one["closest"]:
            closest["paths"] = [number(path) for path in closest["paths"]]


# --- waivers --------------------------------------------------------------------------------


def a_waiver_nobody_stated(facts: Facts) -> None:
    for asset in ("P1", "P2"):
        facts["waivers"].append({**facts["waivers"][0], "circuit": "K1", "asset": asset})
    pits_waived(facts)


def a_lapsed_waiver_in_force(facts: Facts) -> None:
    facts["waivers"][2] |= {
        "state": "in force", "counts": True, "lapses_in_days": 1,
        "record_now": facts["waivers"][0]["record_now"],
    }  # fmt: skip
    pits_waived(facts)


def a_lapsed_waiver_extended(facts: Facts) -> None:
    a_lapsed_waiver_in_force(facts)
    facts["waivers"][2] |= {
        "until": "2099-06-30",
        "lapses_in_days": facts["waivers"][0]["lapses_in_days"],
    }


def a_waiver_of_another_circuit(facts: Facts) -> None:
    for one in facts["waivers"][:2]:
        one["circuit"] = "K1"
    pits_waived(facts)


def a_waiver_of_all_within(facts: Facts) -> None:
    """K7 is let off with all of its line."""
    facts["waivers"][0] |= {"circuit": "K7", "asset": None, "within": "LINE"}
    for one in _of(facts, "K7")["shared"]:
        one["waived"] = True


def judged_before_it_lapsed(facts: Facts) -> None:
    """The day judged, and the day of making, lie before K1's waiver lapsed."""
    facts["made"], facts["on"] = "2020-01-01T00:00:00Z", "2020-01-01"
    a_lapsed_waiver_in_force(facts)
    for one in facts["waivers"]:
        one["lapses_in_days"] += 9_000


# --- gaps -----------------------------------------------------------------------------------


def _contradictions(facts: Facts) -> Iterator[Facts]:
    for one in (facts, *claims(facts)):
        yield from (gap for gap in one["gaps"] if gap["code"] == "measured-length")


def no_contradiction(facts: Facts) -> None:
    """The gap goes from the circuit alone."""
    for one in claims(facts):
        one["gaps"] = [gap for gap in one["gaps"] if gap["code"] != "measured-length"]


def a_gap_of_limits_alone(facts: Facts) -> None:
    for gap in _contradictions(facts):
        gap["bears_on"] = "limits"


def a_gap_of_another_code(facts: Facts) -> None:
    """A code that bears on limits only."""
    for gap in _contradictions(facts):
        gap |= {"code": "measured-loss", "bears_on": "limits"}


def a_gap_of_no_code(facts: Facts) -> None:
    for gap in _contradictions(facts):
        gap |= {"code": "test-noted", "bears_on": "limits"}


def a_gap_of_another_thing(facts: Facts) -> None:
    """The same gap of a cable that neither way of K4 uses."""
    for gap in _contradictions(facts):
        gap |= {"asset": "V", **({"assets": ["V"]} if "assets" in gap else {})}
    no_contradiction(facts)


# --- distances ------------------------------------------------------------------------------


def nothing_near(facts: Facts) -> None:
    _no_near(_of(facts, "K2"))


def near_is_further(facts: Facts) -> None:
    """What is near is said to be 6 m away, and what is 6 m away is not told."""
    nothing_near(facts)
    claim = _of(facts, "K2")
    claim["closest_m"] = claim["closest"]["distance_m"] = 6.0
    claim["closest"]["danger_radius_m"] = 3.0
    witness = next(one for one in facts["evidence"]["verdicts"] if one["id"] == "K2")
    witness["closest"][0]["distance_m"] = 6.0


def near_folded_under_an_invented_pit(facts: Facts) -> None:
    claim = _of(facts, "K2")
    claim["near_folded"] = [{**one, "under": "PIT"} for one in claim["near"]]
    claim["near"] = []


def near_folded_under_the_site(facts: Facts) -> None:
    claim = _of(facts, "K2")
    claim["near_folded"] = [{**one, "under": "A"} for one in claim["near"]]
    claim["near"] = []


def near_waived(facts: Facts) -> None:
    for one in _of(facts, "K2")["near"]:
        one["waived"] = True


def a_smaller_separation(facts: Facts) -> None:
    """The service asks for 0.5 m, and so do the assumptions."""
    for one in claims(facts):
        if one["separation_m"] == 5.0:
            one["separation_m"] = 0.5
    for row in facts["assumptions"]:
        if row["key"] == "services.default.separation_m":
            row["value"] = 0.5
    nothing_near(facts)


def end_zones_over_everything(facts: Facts) -> None:
    """Zones of 3 km leave nothing to be near."""
    for row in facts["assumptions"]:
        if row["key"] == "services.default.end_zone_m":
            row["value"] = 3_000.0
    claim = _of(facts, "K2")
    claim |= {"end_zone_m": 3_000.0, "closest_m": None, "separation": "not examined"}
    claim.pop("closest")
    next(one for one in facts["evidence"]["verdicts"] if one["id"] == "K2")["closest"] = []
    nothing_near(facts)


def no_crossing(facts: Facts) -> None:
    _of(facts, "K3")["cross"] = []


def a_crossing_allowed(facts: Facts) -> None:
    for one in _of(facts, "K3")["cross"]:
        one["forbidden"] = False


def a_crossing_waived(facts: Facts) -> None:
    for one in _of(facts, "K3")["cross"]:
        one["waived"] = True


def a_crossing_at_a_common_pit(facts: Facts) -> None:
    """Where they cross there is said to be a pit, which is waived."""
    claim = _of(facts, "K3")
    sound = deepcopy(_of(facts, "K5")["shared"][0])
    claim["shared"], claim["cross"] = [sound], []
    claim["stretches"] = [deepcopy(_of(facts, "K5")["stretches"][0])]


def a_crossing_elsewhere(facts: Facts) -> None:
    """It crosses at the site, where it is excused."""
    for one in _of(facts, "K3")["cross"]:
        one |= {"at": _of(facts, "K8")["closest"]["main_at"], "forbidden": False}


# --- limits ---------------------------------------------------------------------------------


def _kept(claim: Facts) -> None:
    claim["within_limits"] = True


def a_limit_raised(facts: Facts) -> None:
    claim = _of(facts, "K6")
    claim["delay"] |= {"limit_us": 5_000, "ok": True}
    _kept(claim)
    for row in facts["assumptions"]:
        if row["key"] == "services.quick.max_delay_us":
            row["value"] = 5_000


def an_asymmetry_limit_raised(facts: Facts) -> None:
    claim = _of(facts, "K10")
    claim["delay"] |= {"asymmetry_limit_us": 200, "asymmetry_ok": True}
    _kept(claim)
    for row in facts["assumptions"]:
        if row["key"] == "services.even.max_asymmetry_us":
            row["value"] = 200


def no_limit_of_unavailability(facts: Facts) -> None:
    claim = _of(facts, "K11")
    claim["unavailability"] |= {"limit": None, "ok": True}
    _kept(claim)


def a_recovery_limit_raised(facts: Facts) -> None:
    claim = _of(facts, "K12")
    claim["delay"] |= {"recovery_limit_ms": 100, "recovery_ok": True}
    _kept(claim)
    for row in facts["assumptions"]:
        if row["key"] == "services.nimble.max_recovery_ms":
            row["value"] = 100


def over_a_limit_and_kept(facts: Facts) -> None:
    """Within limits, with the check that is not."""
    _kept(_of(facts, "K6"))


def a_delay_over_its_limit_kept(facts: Facts) -> None:
    claim = _of(facts, "K6")
    claim["delay"]["ok"] = True
    _kept(claim)


def _faster(claim: Facts, term: str, us: float) -> None:
    for label, path in claim["paths"].items():
        for name in ("delay_us", "go_us", "return_us"):
            path[name] = round(path[name] - us, 3)
        path["delay_terms"][term] = round(path["delay_terms"][term] - us, 3)
        claim["delay"][f"{label}_us"] = path["delay_us"]
    claim["delay"]["worst_us"] = round(claim["delay"]["worst_us"] - us, 3)
    for state in claim["delay"]["states"]:
        state["delay_us"] = round(state["delay_us"] - us, 3)


def a_faster_path(facts: Facts) -> None:
    """Ten microseconds less of fibre on both paths, in every sum."""
    claim = _of(facts, "K6")
    _faster(claim, "fibre_us", 10)
    claim["delay"]["ok"] = True
    _kept(claim)


def a_shorter_path(facts: Facts) -> None:
    """The same, with the length that it takes."""
    a_faster_path(facts)
    for path in _of(facts, "K6")["paths"].values():
        for name in ("length_m", "route_m"):
            path[name] = round(path[name] - 2_040, 3)


def faster_machines(facts: Facts) -> None:
    """The machines of the ring gain five microseconds each."""
    _faster(_of(facts, "K8"), "equipment_us", 10)


def less_of_extra(facts: Facts) -> None:
    claim = _of(facts, "K6")
    _faster(claim, "extra_us", 10)
    claim["delay"]["ok"] = True
    _kept(claim)


def no_asymmetry(facts: Facts) -> None:
    claim = _of(facts, "K10")
    claim["delay"] |= {
        "asymmetry_us": 0.0, "asymmetry_ok": True, "phase_error_deg": 0.0,
        "apparent_differential": 0.0,
    }  # fmt: skip
    _kept(claim)


def both_directions_switch(facts: Facts) -> None:
    no_asymmetry(facts)
    _of(facts, "K10")["delay"]["switching"] = "both"


def up_more_often(facts: Facts) -> None:
    claim = _of(facts, "K11")
    down = claim["unavailability"]
    down["both"] = down["both"] / 1e6
    down["minutes_a_year"] = down["minutes_a_year"] / 1e6
    down["ok"] = True
    _kept(claim)


def every_way_up_more_often(facts: Facts) -> None:
    up_more_often(facts)
    down = _of(facts, "K11")["unavailability"]
    for name in ("main", "alternate"):
        down[name] = down[name] / 1e6


def unavailability_unknown(facts: Facts) -> None:
    """Not known, so that the limit is not broken for certain."""
    claim = _of(facts, "K11")
    claim["unavailability"] |= {"both": None, "minutes_a_year": None, "ok": None}
    claim["within_limits"] = None


def a_quicker_ring(facts: Facts) -> None:
    claim = _of(facts, "K12")
    claim["delay"] |= {"recovery_ms": 5.0, "recovery_ok": True}
    _kept(claim)


def _loss(facts: Facts) -> Facts:
    """The loss of the link that is over its limit."""
    found: Facts = next(one["loss"] for one in facts["links"] if one["id"] == "L-LOW")
    return found


def _kept_loss(facts: Facts, ok: bool | None = True) -> None:
    """Its path, and its circuit, tell the same of it."""
    loss, claim = _loss(facts), _of(facts, "K9")
    for held in loss["held_to"]:
        held |= {"ok": ok, "margin_ok": ok}
    for path in claim["paths"].values():
        for one in path["loss"]:
            if one["link"] == "L-LOW":
                one |= {"loss_db": loss["loss_db"], "margin_db": loss["margin_db"], "ok": ok}
    claim["loss_ok"] = claim["within_limits"] = ok


def _less_loss(facts: Facts, term: str, db: float) -> None:
    """A term of the loss less, or more of a budget, and what follows in every place."""
    loss = _loss(facts)
    more = term == "budget_db"
    loss["terms"][term] = round(loss["terms"][term] + (db if more else -db), 4)
    loss["budget_db"] = loss["terms"]["budget_db"]
    loss["loss_db"] = round(loss["loss_db"] - (0 if more else db), 4)
    loss["margin_db"] = round(loss["margin_db"] + db, 4)
    _kept_loss(facts)


def _of_term(term: str) -> Forge:
    def forge(facts: Facts) -> None:
        _less_loss(facts, term, 6.0)

    forge.__name__ = f"less_{term}"
    return forge


def fewer_splices(facts: Facts) -> None:
    _loss(facts)["terms"]["splices"] = 0
    _less_loss(facts, "splices_db", 0.3)


def fewer_connectors(facts: Facts) -> None:
    _loss(facts)["terms"]["connectors"] = 0
    _less_loss(facts, "connectors_db", 1.0)


def a_shorter_link(facts: Facts) -> None:
    """A kilometre less of glass, in length and loss."""
    link = next(one for one in facts["links"] if one["id"] == "L-LOW")
    for name in ("route_m", "length_m"):
        link["lengths"][name] = round(link["lengths"][name] - 1_000, 3)
    loss = _loss(facts)
    per_m = loss["terms"]["fibre_db"] / loss["terms"]["fibre_m"]
    loss["terms"]["fibre_m"] = round(loss["terms"]["fibre_m"] - 1_000, 3)
    _less_loss(facts, "fibre_db", round(1_000 * per_m, 4))


def more_power(facts: Facts) -> None:
    """The receiver needs 6 dB less."""
    _loss(facts)["rx_min_dbm"] -= 6.0
    _less_loss(facts, "budget_db", 6.0)


def a_smaller_margin_asked_for(facts: Facts) -> None:
    for row in facts["assumptions"]:
        if row["key"].endswith("min_margin_db"):
            row["value"] = -20.0
    for link in facts["links"]:
        for held in (link["loss"] or {"held_to": []})["held_to"]:
            held["min_margin_db"] = -20.0
    _kept_loss(facts)


def a_loss_not_asked_about(facts: Facts) -> None:
    """The link over its limit is left out of the losses of its path."""
    _kept_loss(facts)
    for path in _of(facts, "K9")["paths"].values():
        path["loss"] = [one for one in path["loss"] if one["link"] != "L-LOW"]


def a_loss_unknown(facts: Facts) -> None:
    """Not known for want of a splice, so that the margin is not too small for certain."""
    loss = _loss(facts)
    loss["terms"]["splices_db"] = loss["loss_db"] = loss["margin_db"] = None
    loss |= {"loss_at_least_db": 0.0, "margin_at_most_db": 3.0}
    _kept_loss(facts, None)


# --- what falls with what is protected ------------------------------------------------------


def nothing_falls_with_the_line(facts: Facts) -> None:
    claim = _of(facts, "K7")
    claim["with_protected"] = []
    claim["shared"] = []


def nobody_says_what_it_protects(facts: Facts) -> None:
    nothing_falls_with_the_line(facts)
    claim = _of(facts, "K7")
    claim |= {
        "with_protected": None,
        "protects": [],
        "with_protected_why": "the circuit does not say what it protects (column protects)",
    }


def excused_from_its_own_line(facts: Facts) -> None:
    """The rules do not count it, says the list of assumptions."""
    _of(facts, "K7")["shared"] = []
    for row in facts["assumptions"]:
        if row["key"] == "services.lines.own_line":
            row["value"] = "excused"


def a_way_remains(facts: Facts) -> None:
    """Both ways of K7 fall, says the record of the end sites; one of them remains."""
    for one in _of(facts, "K7")["with_protected"]:
        one["remains"] = ["main", "alternate"]


# --- courses ---------------------------------------------------------------------------------


def the_drawn_cable_elsewhere(facts: Facts) -> None:
    """What cable DRAWN follows is said to be F1 to F3."""
    for row in facts["matched"]:
        row["segment"] = row["segment"].replace("D", "F", 1)


def the_drawn_cable_in_part(facts: Facts) -> None:
    facts["matched"] = facts["matched"][:-1]


def a_ring_the_other_way(facts: Facts) -> None:
    """Main and alternate of K8 change places."""
    paths = _of(facts, "K8")["paths"]
    paths["main"], paths["alternate"] = paths["alternate"], paths["main"]
    delay = _of(facts, "K8")["delay"]
    delay["main_us"], delay["alternate_us"] = delay["alternate_us"], delay["main_us"]
    for state, label in zip(delay["states"], ("main", "alternate"), strict=False):
        state["delay_us"] = delay[f"{label}_us"]
    mine = [one for one in facts["evidence"]["paths"] if one["circuit"] == "K8"]
    for name in ("links", "relies_on", "hazards"):
        mine[0][name], mine[1][name] = mine[1][name], mine[0][name]


def a_ring_of_one_link(facts: Facts) -> None:
    """The alternate of K8 goes straight to the other end as well."""
    for path in _of(facts, "K8")["paths"].values():
        path["links"] = ["R1-AB"]


def a_way_out_of_service(facts: Facts) -> None:
    """The way of K1 that shares is out, so that it is not held against the other."""
    _of(facts, "K1")["paths"]["alternate"]["out_of_service"] = True
    facts["out"] = ["F2"]
    pits_from_the_list_alone(facts)


def another_service(facts: Facts) -> None:
    """K6 has the service of K3, with limits to match."""
    claim = _of(facts, "K6")
    claim["service"], claim["separation_m"] = "crossing", 0
    claim["delay"] |= {"limit_us": 10_000, "ok": True}
    _kept(claim)


def a_test_less(facts: Facts) -> None:
    """The test that contradicts the record of E is not told, nor is its gap."""
    facts["tests"] = [row for row in facts["tests"] if row["of"] != "E"]
    facts["gaps"] = [gap for gap in facts["gaps"] if gap["code"] != "measured-length"]
    no_contradiction(facts)


def a_blank_taken_for_none(facts: Facts) -> None:
    """The list of what somebody has to sign is emptied."""
    facts["assumptions"] = [row for row in facts["assumptions"] if not row.get("to_sign")]


FORGERIES: tuple[Forge, ...] = (
    *(pits_not_shared, pits_from_the_list_alone, pits_unavoidable, pits_in_the_tail, pits_waived),
    *(another_circuits_alternate, one_pit_under_two_numbers, pits_renamed, no_group),
    *(relays_of_the_group_unavoidable, relays_of_the_group_waived, another_group_test),
    *(members_changed, no_scheme, a_scheme_without_its_worst, a_circuit_less),
    *(a_waiver_nobody_stated, a_lapsed_waiver_in_force, a_lapsed_waiver_extended),
    *(a_waiver_of_another_circuit, a_waiver_of_all_within, judged_before_it_lapsed),
    *(no_contradiction, a_gap_of_limits_alone, a_gap_of_another_code, a_gap_of_no_code),
    *(a_gap_of_another_thing, nothing_near, near_is_further, near_folded_under_an_invented_pit),
    *(near_folded_under_the_site, near_waived, a_smaller_separation, end_zones_over_everything),
    *(no_crossing, a_crossing_allowed, a_crossing_waived, a_crossing_at_a_common_pit),
    *(a_crossing_elsewhere, a_limit_raised, an_asymmetry_limit_raised, a_recovery_limit_raised),
    *(no_limit_of_unavailability, over_a_limit_and_kept, a_delay_over_its_limit_kept),
    *(a_faster_path, a_shorter_path, faster_machines, less_of_extra, no_asymmetry),
    both_directions_switch,
    *(
        a_loss_unknown,
        a_shorter_link,
        more_power,
        fewer_splices,
        fewer_connectors,
        a_smaller_margin_asked_for,
    ),
    *map(_of_term, ("fibre_db", "test_db", "via_db", "reserve_db", "budget_db", "mismatch_db")),
    *(a_loss_not_asked_about, nothing_falls_with_the_line, nobody_says_what_it_protects),
    *(excused_from_its_own_line, a_way_remains, the_drawn_cable_elsewhere),
    *(the_drawn_cable_in_part, a_ring_the_other_way, a_ring_of_one_link, a_way_out_of_service),
    *(another_service, a_test_less, up_more_often, every_way_up_more_often),
    *(unavailability_unknown, a_quicker_ring),
)


def test_the_sound_evidence_is_settled_and_told_nothing_of(proved: Proved) -> None:
    """`settle` leaves what is sound as it is, so a forgery differs by what it forges alone."""
    facts = deepcopy(proved.facts)
    settle(facts)
    assert facts == proved.facts
    assert proved.told(facts) == []
    assert len(FORGERIES) >= 60


def test_the_plant_has_what_there_is_to_hide(proved: Proved) -> None:
    verdicts = {one["id"]: one["verdict"] for one in claims(proved.facts)}
    assert verdicts == {
        **dict.fromkeys(("K1", "K2", "K3", "K7", "K8", "G"), "shared"),
        "K4": "unproven",
        "K5": "accepted",
        **dict.fromkeys(("K6", "K9", "K10", "K11", "K12"), "apart"),
    }
    over = {one["id"] for one in proved.facts["circuits"] if one["within_limits"] is False}
    assert over == {"K6", "K9", "K10", "K11", "K12"}
    assert [one["state"] for one in proved.facts["waivers"]] == ["in force", "in force", "lapsed"]


@pytest.mark.parametrize("forge", FORGERIES, ids=lambda forge: forge.__name__)
def test_a_forgery_is_told(forge: Forge, proved: Proved) -> None:
    facts = json.loads(json.dumps(proved.facts))
    forge(facts)
    settle(facts)
    assert facts != proved.facts
    told = proved.told(facts)
    assert not any("cannot be held" in one for one in told)
    assert told, forge.__doc__ or forge.__name__


def test_what_is_to_be_signed_is_not_struck_out(proved: Proved) -> None:
    facts = json.loads(json.dumps(proved.facts))
    a_blank_taken_for_none(facts)
    assert facts != proved.facts
    assert proved.told(facts)

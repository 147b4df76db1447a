"""Hold what the evidence says twice, or works out of its own figures, against where it comes from.

Nothing here decides a verdict or a limit: those rest on the first telling.
"""

from __future__ import annotations

from collections.abc import Iterator
from math import radians, sin
from typing import TYPE_CHECKING, Any

from waysapart.evidence import Delay, Unavailability
from waysapart.recheck.claims import Findings, numbers
from waysapart.recheck.ground import GEOD
from waysapart.recheck.paths import Trial, service_of
from waysapart.recheck.sharing import role_of
from waysapart.recheck.world import World

if TYPE_CHECKING:
    from waysapart.recheck.reliance import Asset

ROUNDED = 1e-5
"""Share by which a figure of six digits may be off."""
PLACE_DEG = 1.01e-7
HALF_M = 0.002
LENGTH_M = 0.05
MIDDLE_M = 0.05


def check_repeated(world: World, facts: dict[str, Any], findings: Findings) -> None:
    """Every second telling in evidence of `prove --json`."""
    witness = {(one["kind"], one["id"]): one for one in facts["evidence"]["verdicts"]}
    names = [f"{one['circuit']} {one['path']}" for one in facts["evidence"]["paths"]]
    findings.same("witnesses of verdicts", len(facts["evidence"]["verdicts"]), len(witness))
    of_groups = {trial.id: trial for trial in world.trials if trial.group_test is not None}
    circuits = {trial.id: trial for trial in world.trials if trial.group_test is None}
    for kind, trials, claims in (
        ("circuit", circuits, facts["circuits"]),
        ("group", of_groups, facts["groups"]),
    ):
        for claim in claims:
            trial, mine = trials.get(claim["id"]), witness.get((kind, claim["id"]))
            if trial is None or mine is None:
                continue  # told where circuits and witnesses are held
            what = f"{kind} {claim['id']}"
            _check_asked(world, what, claim, trial, findings)
            _check_closest(what, claim, mine["closest"], names, trial, findings)
            _check_kinds(world, what, claim, findings)
            _check_told_once(what, claim, several(trial), findings)
            if kind == "circuit":
                _check_lengths(world, what, claim, findings)
                _check_states(world, what, claim, findings)
                _check_labels(what, claim, findings)
                _check_angle(world, what, claim["delay"], findings)
    _check_roles(world, facts["evidence"], findings)
    _check_links(world, facts["links"], findings)
    seqs: dict[str, list[int]] = {}
    for row in facts["matched"]:
        if row["state"] == "followed":
            seqs.setdefault(row["cable"], []).append(row["seq"])
    for cable, mine in seqs.items():
        findings.same(f"cable {cable}: its course", sorted(mine), list(range(1, len(mine) + 1)))


def several(trial: Trial) -> bool:
    """Whether more than two ways are held apart, so that findings have to name which."""
    return sum(len(c) * (len(c) - 1) // 2 for c in trial.contests()) > 1


def _check_asked(
    world: World, what: str, claim: dict[str, Any], trial: Trial, findings: Findings
) -> None:
    """The separation asked for, and the end zones: of a group's services one that asks for most."""
    services = [service_of(world.records, circuit) for circuit in trial.circuits]
    most = max(_widest(one["separation_m"]) for one in services)
    known = [one for one in services if _widest(one["separation_m"]) == most]
    told = _by_pairs(claim["separation_m"]), claim["end_zone_m"]
    findings.holds(
        any(told == (_by_pairs(one["separation_m"]), one["end_zone_m"]) for one in known),
        f"{what}: separation and end zone are {told}, which no service of it asks for",
    )


def _by_pairs(separation: Any) -> Any:
    """A separation by kinds with the two kinds of each in one order."""
    if not isinstance(separation, dict):
        return separation
    return {frozenset(map(str.strip, pair.split("/"))): m for pair, m in separation.items()}


def _widest(separation: Any) -> float:
    stated = separation.values() if isinstance(separation, dict) else [separation]
    return max(map(float, stated), default=0.0)


def _check_closest(
    what: str,
    claim: dict[str, Any],
    witness: list[dict[str, Any]],
    names: list[str],
    trial: Trial,
    findings: Findings,
) -> None:
    """The least of the closest approaches, and the circles that touch both or all ways."""
    least = claim["closest_m"]
    examined = "not examined" if least is None else "measured"
    findings.same(f"{what}: separation", claim["separation"], examined)
    pairs = [tuple(one["paths"]) for one in witness]
    findings.same(f"{what}: closest approaches told twice", len(pairs), len(set(pairs)))
    told = claim.get("closest")
    if not findings.holds((told is None) == (least is None), f"{what}: closest approach"):
        return
    if told is None:
        return
    many = several(trial)
    findings.same(f"{what}: whether closest names its paths", "paths" in told, many)
    findings.same(f"{what}: closest distance", told["distance_m"], least)
    ends = told["main_at"], told["alternate_at"]
    mine = [
        one
        for one in witness
        if told.get("paths") in (None, [names[place] for place in one["paths"]])
        and one["segments"] == [told["main"], told["alternate"]]
        and abs(one["distance_m"] - least) <= HALF_M
        and all(
            abs(rounded - exact) <= PLACE_DEG
            for place, at in zip(one["points"], ends, strict=True)
            for rounded, exact in zip(at or (), place, strict=True)
        )
    ]
    if not findings.holds(bool(mine), f"{what}: closest is no closest approach of its witness"):
        return
    whole = many and trial.group_test != "pairwise"
    half = None if whole else least / 2
    radius = told["danger_radius_m"]
    same = radius is None if half is None else radius is not None and abs(radius - half) <= HALF_M
    findings.holds(same, f"{what}: danger radius is {half}, not {radius} m")
    if half is None:
        findings.same(f"{what}: place of a danger radius", told["danger_at"], None)
        count = sum(len(c) * (len(c) - 1) // 2 for c in trial.contests())
        every = max(one["distance_m"] for one in witness) / 2 if len(witness) == count else None
        bound = told.get("danger_radius_at_least_m", "missing")
        same = bound is None if every is None else bound is not None and bound != "missing"
        same = same and (every is None or abs(bound - every) <= HALF_M)
        findings.holds(same, f"{what}: danger radius is at least {every}, not {bound}")
    else:
        findings.same(f"{what}: bound", told.get("danger_radius_at_least_m"), None)
        at = told["danger_at"]
        away = [GEOD.inv(*at, *told[end])[2] for end in ("main_at", "alternate_at")] if at else []
        inside = bool(at) and max(away) <= half + MIDDLE_M
        findings.holds(inside, f"{what}: the danger radius is not about {at}")


def _check_kinds(world: World, what: str, claim: dict[str, Any], findings: Findings) -> None:
    """Kinds of the segments that come near each other or cross."""
    for one in _of_two(claim):
        known = [world.ground.kind.get(one["main"]), world.ground.kind.get(one["alternate"])]
        between = f"{one['main']} and {one['alternate']}"
        findings.same(f"{what}: kinds of {between}", one["kinds"], known)


def _of_two(claim: dict[str, Any]) -> Iterator[dict[str, Any]]:
    for name in ("near", "near_folded", "cross"):
        for one in claim[name]:
            yield one
            yield from one.get("members", ())


def _check_told_once(what: str, claim: dict[str, Any], many: bool, findings: Findings) -> None:
    """Nothing near or crossing stands twice; each names its two ways where there are more."""
    for name in ("near", "near_folded", "cross"):
        rows = claim[name]
        twice = [one for place, one in enumerate(rows) if one in rows[:place]]
        findings.holds(not twice, f"{what}: something stands twice in {name}")
        named = all(("paths" in one) == many for one in rows)
        findings.holds(named, f"{what}: something in {name} does not say between which ways")
    whole = claim["single_points"]["stretches"]
    known = {one["stretch"] for one in claim["stretches"]}
    ordered = whole == sorted(set(whole)) and set(whole) <= known
    findings.holds(ordered, f"{what}: single points name stretches {whole}")


def _check_lengths(world: World, what: str, circuit: dict[str, Any], findings: Findings) -> None:
    """Lengths of a path's hops that are not over fibre, added up by medium."""
    for label, path in circuit["paths"].items():
        found: dict[str, float | None] = {}
        key = (circuit["id"], label)
        for link in world.paths.get(key, ()):
            medium = world.hops[link].row.get("medium") or "fibre"
            length = world.figures.lengths[link]
            metres = None if None in (length.go_m, length.return_m) else length.longer_m
            if medium != "fibre":
                before = found.get(medium, 0.0)
                found[medium] = None if before is None or metres is None else before + metres
        told = path["other_lengths"]
        said = f"{what}, {label}: lengths other than of fibre"
        findings.same(f"{said}, media", [one["medium"] for one in told], list(found))
        if world.relied.get(key, set()) & world.cables.unsure:
            continue
        for one in told:
            _near(findings, f"{said}, {one['medium']}", one["length_m"],
                  found.get(one["medium"]), LENGTH_M)  # fmt: skip


def _check_links(world: World, links: list[dict[str, Any]], findings: Findings) -> None:
    """What is only told of a link over fibre: its types of fibre, deviations, services once."""
    k = world.records.rules["statistics"]["k"]
    cables = world.records.by["cables"]
    for one in links:
        loss, hop = one["loss"], world.hops.get(one["id"])
        if loss is None or hop is None:
            continue
        findings.same(f"link {one['id']}: k", loss["k"], k)
        if not any(use.cable in world.cables.unsure for use in hop.uses()):
            types = {cables[use.cable].get("fibre_type") for use in hop.uses()} - {None}
            told = {kind for kind in (loss["fibre_type"] or "").split(";") if kind}
            findings.same(f"link {one['id']}: types of fibre", told, types)
        for held in loss["held_to"]:
            once = len(held["services"]) == len(set(held["services"]))
            findings.holds(once, f"link {one['id']}: a service stands twice")


def _check_states(world: World, what: str, circuit: dict[str, Any], findings: Findings) -> None:
    """Delay in every state: of each path, and turned back on each where its ring does that."""
    told = circuit["delay"]["states"]
    paths = [
        {
            "state": label,
            "delay_us": path["delay_us"],
            "delay_at_least_us": path["delay_at_least_us"],
        }
        for label, path in circuit["paths"].items()
    ]
    findings.same(f"{what}: states", told[: len(paths)], paths)
    turns = world.records.rules["recovery"]["ring_turns_back"]
    ringed = {row["circuit"] for row in world.records.rows["ring_circuits"]}
    if turns and circuit["id"] in ringed:
        findings.skip("delays where a ring turns back: taken as the evidence states them")
        known = {f"turned back on {label}" for label in circuit["paths"]}
        findings.holds(
            {one["state"] for one in told[len(paths) :]} <= known, f"{what}: more states"
        )
        return
    findings.same(f"{what}: states of a ring that turns back", told[len(paths) :], [])


def _check_labels(what: str, circuit: dict[str, Any], findings: Findings) -> None:
    """Delay and unavailability have a figure of each path by its label, and no others.

    A path that is called like a field of theirs has its delay with the path alone.
    """
    for name, form, ending in (("delay", Delay, "_us"), ("unavailability", Unavailability, "")):
        labels = {f"{label}{ending}" for label in circuit["paths"]} - form.__annotations__.keys()
        extra = set(circuit[name]) - form.__required_keys__ - labels
        findings.holds(not extra, f"{what}: {name} tells of {sorted(extra)}, which are no paths")
        lacking = labels - set(circuit[name])
        findings.holds(not lacking, f"{what}: {name} does not tell of {sorted(lacking)}")


def _check_angle(world: World, what: str, delay: dict[str, Any], findings: Findings) -> None:
    """What the asymmetry means: 360 f dt/2 in degrees, and a chord of 2 sin(angle/2)."""
    frequency = world.records.rules["power_system"]["frequency_hz"]
    findings.same(f"{what}: frequency", delay["frequency_hz"], frequency)
    asked = delay["asymmetry_limit_us"] is not None and delay["asymmetry_us"] is not None
    angle = 360.0 * frequency * delay["asymmetry_us"] * 1e-6 / 2 if asked else None
    _near(findings, f"{what}: phase error", delay["phase_error_deg"], angle, 1e-5)
    current = None if angle is None else 2 * abs(sin(radians(angle) / 2))
    said = f"{what}: apparent differential current"
    _near(findings, said, delay["apparent_differential"], current, 2e-7)


def _near(findings: Findings, what: str, told: Any, found: float | None, by: float) -> None:
    if told is None or found is None:
        findings.holds(told is None and found is None, f"{what}: is {found}, not {told}")
        return
    near = abs(told - found) <= by + ROUNDED * abs(found)
    findings.holds(near, f"{what}: is {found:.6g}, not {told}")


def _check_roles(world: World, evidence: dict[str, Any], findings: Findings) -> None:
    """Every asset that the evidence numbers stands under its role, hops without cables last."""
    count = len(evidence["assets"])
    sets = {role: numbers(text, count) for role, text in evidence["roles"].items()}
    told = [(number, role) for role, mine in sets.items() for number in mine]
    by = world.records.by
    hops = sets.get("links", set())
    found = []
    for number, name in enumerate(evidence["assets"]):
        known = (
            name in by["links"]
            if number in hops
            else any(name in rows for role, rows in by.items() if role not in ("links", "circuits"))
        )
        if findings.holds(known, f"{name!r} of the evidence's assets is not on record"):
            asset: Asset = ("hop", name) if number in hops else name
            found.append((number, role_of(world, asset)[0]))
    findings.holds(sorted(told) == found, "the roles of the evidence's assets are not as recorded")
    listed = [(name, number in hops) for number, name in enumerate(evidence["assets"])]
    findings.same("assets listed twice", len(listed) - len(set(listed)), 0)

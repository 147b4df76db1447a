"""Hold what the evidence claims of reliance, sharing, gaps and verdicts against the records."""

from __future__ import annotations

from collections import Counter
from datetime import UTC, date, datetime
from itertools import pairwise
from typing import Any

from waysapart.gaps import GAP_CODES
from waysapart.recheck.apart import Plane
from waysapart.recheck.findings import Findings, few, numbers
from waysapart.recheck.gaps_of_rows import about
from waysapart.recheck.own_line import own_line
from waysapart.recheck.paths import Key, Trial
from waysapart.recheck.reliance import Asset
from waysapart.recheck.sharing import Shared, role_of, share
from waysapart.recheck.spacing import ALONG_M, PLACE_M, Breach, check_spacing
from waysapart.recheck.waivers import IDLE, IN_FORCE, LAPSED, Waived, last_day, lay_waivers
from waysapart.recheck.world import DRAWN_GAPS, World

WORST_FIRST = ("shared", "unproven", "accepted", "apart")
DERIVED = {
    *("removed-reference", "end-meets-nothing", "end-ambiguous", "end-far", "same-place"),
    *("cable-without-runs", "cable-broken", "link-without-runs", "link-broken", "link-end"),
    *("path-broken", "path-end", "single-path", "ring-broken", "leased-route", "hop-route"),
    *("radio-route", "internal-far", "hop-length", "measured-length"),
    *(
        "own-line",
        "fibre-type",
        "fibre-count",
        "fibre-beyond",
        "fibre-shared",
        "way-out",
        "lone-member",
    ),
    *("blank-within", "blank-supplies", "blank-needs", "blank-delay", "fibre-twice"),
    *("fibre-merged", "mode-mismatch", "joints-unrecorded", "joint-off-cable"),
    *("site-contradiction", "supply-loop", "survey-old", "leased-old", "test-old"),
    *("test-future", "no-id", "duplicate-id", "duplicate-step", "dangling-reference"),
    *("blank-required", "unreadable-value", "unreadable-figure", "unusable-geometry"),
    *("lies-in-itself", "paths-twice", "unknown-service", "unknown-fibre-type"),
    *("no-wavelength", "power-limits", "test-owner", "waiver-owner", "hop-rate"),
    *("measured-loss", "measured-delay"),
}
"""Gap codes that recheck works out by itself; others it takes as the evidence states them."""


NEAR_ACCURACY = "near-accuracy"
Pair = tuple[str, str]
"""Code of a gap and what it is about."""


def name_of(asset: Asset) -> str:
    """Id of an asset, or of a hop."""
    return asset if isinstance(asset, str) else asset[1]


def check_claims(world: World, facts: dict[str, Any], findings: Findings) -> None:
    """Everything but the figures: sets, sharing, separation, gaps, waivers, verdicts, counts."""
    told = {one["id"]: one for one in facts["circuits"]}
    groups = {one["id"]: one for one in facts["groups"]}
    mine = {trial.id: trial for trial in world.trials if trial.group_test is None}
    of_groups = {trial.id: trial for trial in world.trials if trial.group_test is not None}
    findings.same_set("circuits", [one["id"] for one in facts["circuits"]], set(mine))
    findings.same_set("groups", [one["id"] for one in facts["groups"]], set(of_groups))
    _check_names(world, facts, of_groups, findings)
    _check_paths(world, facts, findings)
    today = date.fromisoformat(facts["on"])
    plane = Plane(world)
    verdicts: dict[str, str] = {}
    pairs = [(told[k], t) for k, t in mine.items() if k in told]
    pairs += [(groups[k], t) for k, t in of_groups.items() if k in groups]
    # A circuit and a group may bear one name; waivers then count for the circuit.
    shared = {id(trial): share(world, trial) for _, trial in pairs}
    by_name = {trial.id: shared[id(trial)] for _, trial in reversed(pairs)}
    waived = lay_waivers(
        world,
        {trial.id: trial for _, trial in reversed(pairs)},
        by_name,
        {claim["id"]: claim for claim, _ in reversed(pairs)},
        [one["state"] for one in facts["waivers"]],
        today,
    )
    _check_waivers(world, facts["waivers"], waived, today, findings)
    witness = {(one["kind"], one["id"]): one for one in facts["evidence"]["verdicts"]}
    for claim, trial in pairs:
        kind = "circuit" if trial.group_test is None else "group"
        what = f"{kind} {trial.id}"
        _check_shared(plane, claim, trial, shared[id(trial)], findings)
        mine_of = witness.get((kind, trial.id))
        if findings.holds(mine_of is not None, f"{what}: the evidence holds no witness"):
            assert mine_of is not None
            sides = [sorted(plane.order[key] for key in side) for side in trial.sides]
            findings.same(f"{what}: sides", mine_of["sides"], sides)
            findings.same(f"{what}: verdict of its witness", mine_of["verdict"], claim["verdict"])
            met = (
                {
                    n
                    for n in map(name_of, shared[id(trial)].shared)
                    if n in world.records.by["hazards"]
                }
                if len(trial.sides) > 1
                else set()
            )
            findings.same_set(f"{what}: hazards on all sides", mine_of["hazards_on_all"], met)
            findings.same(f"{what}: no hazard touches all", mine_of["no_hazard_on_all"], not met)
            breach = check_spacing(
                plane, claim, mine_of, trial, shared[id(trial)], waived, findings
            )
            gaps = _check_gaps(world, claim, trial, breach, findings)
            verdict = _verdict(claim, trial, breach, gaps)
            if verdict is None:
                findings.skip(
                    f"{what}: whether its ways come close in one place, which hangs on rounding"
                )
            else:
                findings.same(f"{what}: verdict", claim["verdict"], verdict)
        if kind == "circuit":
            verdicts[trial.id] = claim["verdict"]
    _check_schemes(world, facts, verdicts, findings)
    _check_counts(facts, verdicts, findings)


def _check_names(
    world: World, facts: dict[str, Any], groups: dict[str, Trial], findings: Findings
) -> None:
    """What is only told of circuits and groups, as the records have it."""
    for one in facts["circuits"]:
        row = world.records.by["circuits"].get(one["id"])
        if row is None:
            continue
        for name in ("name", "a", "b", "service", "group", "scheme"):
            known = row.get(name) or ("default" if name == "service" else None)
            findings.same(f"circuit {one['id']}: {name}", one[name], known)
    for one in facts["groups"]:
        trial = groups.get(one["id"])
        if trial is not None:
            findings.same(f"group {one['id']}: members", one["members"], list(trial.circuits))
            findings.same(f"group {one['id']}: test", one["group_test"], trial.group_test)


def _check_waivers(
    world: World, told: list[dict[str, Any]], waived: Waived, today: date, findings: Findings
) -> None:
    """Each waiver as the rules state it, its state, and the digest of what it accepts.

    `today` is the day for which the evidence was judged; that it counts then and not now is told.
    """
    now = datetime.now(tz=UTC).date()
    stated = world.records.rules.get("waiver", ())
    findings.same("number of waivers", len(told), len(stated))
    for place, (one, waiver, (state, record)) in enumerate(
        zip(told, stated, waived.found, strict=False)
    ):
        what = f"waiver {place + 1}, of {one['circuit']}"
        for name in ("circuit", "asset", "within", "pair", "record", "reason", "by"):
            findings.same(f"{what}: {name}", one[name], waiver.get(name))
        findings.same(f"{what}: until", one["until"], last_day(waiver).isoformat())
        findings.same(f"{what}: counts", one["counts"], one["state"] == IN_FORCE)
        findings.holds(
            not one["counts"] or last_day(waiver) >= now,
            f"{what}: counts on {today.isoformat()}, the day judged, and lapsed on "
            f"{last_day(waiver).isoformat()}: what rests on it does not hold today",
        )
        days = (last_day(waiver) - today).days if one["counts"] else None
        findings.same(f"{what}: lapses in days", one["lapses_in_days"], days)
        if place in waived.doubtful and one["state"] != IDLE:
            settled = f"{what}: what it accepts, which the layers alone do not settle"
            findings.skip(settled, f"circuit {one['circuit']}", f"group {one['circuit']}")
            findings.same(f"{what}: lapsed", one["state"] == LAPSED, state == LAPSED)
            continue
        findings.same(f"{what}: state", one["state"], state)
        findings.same(f"{what}: record", one["record_now"], record)


def _check_paths(world: World, facts: dict[str, Any], findings: Findings) -> None:
    evidence = facts["evidence"]
    assets, hops = (
        evidence["assets"],
        numbers(evidence["roles"].get("links", ""), len(evidence["assets"])),
    )
    hazards = set(world.records.by["hazards"])
    claimed = {(one["circuit"], one["path"]): one for one in evidence["paths"]}
    findings.same(
        "paths", [(one["circuit"], one["path"]) for one in evidence["paths"]], list(world.paths)
    )
    circuits = {one["id"]: one for one in facts["circuits"]}
    for key, links in world.paths.items():
        what = f"circuit {key[0]}, {key[1]}"
        told = circuits.get(key[0], {}).get("paths", {}).get(key[1])
        if key not in claimed or told is None:
            findings.holds(False, f"{what}: the evidence lacks this path")
            continue
        findings.same(f"{what}: links", told["links"], links)
        findings.same(f"{what}: links of its set", claimed[key]["links"], links)
        findings.same(f"{what}: out of service", told["out_of_service"], key in world.lost)
        if key in world.undecided:
            shorter = f"{what}: which way round its ring is the shorter"
            findings.skip(shorter, *world.concerned([key[0]]))
        members = numbers(claimed[key]["relies_on"], len(assets))
        if members and max(members) >= len(assets):
            findings.holds(False, f"{what}: its set names assets that the evidence does not list")
            continue
        relied = {("hop", assets[n]) if n in hops else assets[n] for n in members}
        findings.same(f"{what}: number relied on", told["relies_on"], len(members))
        findings.same_set(
            f"{what}: hazards met", claimed[key]["hazards"], set(map(name_of, relied)) & hazards
        )
        unsure = world.relied[key] & world.cables.unsure
        if unsure:
            names = few(sorted(map(name_of, unsure)))
            findings.skip(f"{what}: all that it relies on, as the course of {names} is not certain")
            found = world.relied[key] - relied
            findings.holds(not found, f"{what}: lacks {few(sorted(map(name_of, found)))}")
            continue
        findings.same_set(
            f"{what}: relies on",
            [name_of(one) for one in relied],
            {name_of(one) for one in world.relied[key]},
        )
        findings.same(f"{what}: hops relied on", _hops(relied), _hops(world.relied[key]))
    for circuit in facts["circuits"]:
        labels = {label for _, label in world.paths_of.get(circuit["id"], ())}
        findings.same_set(f"circuit {circuit['id']}: paths", list(circuit["paths"]), labels)


def _hops(assets: set[Asset]) -> list[str]:
    return sorted(asset[1] for asset in assets if isinstance(asset, tuple))


def _check_shared(
    plane: Plane, claim: dict[str, Any], trial: Trial, shared: Shared, findings: Findings
) -> None:
    world = plane.world
    what = f"{'group' if trial.group_test else 'circuit'} {trial.id}"
    paths = [key for side in trial.sides for key in side]
    unsure = any(world.relied[key] & world.cables.unsure for key in paths)
    found = {name_of(one): one for one in shared.avoidable}
    claimed = [one["asset"] for one in claim["shared"]]
    if unsure:
        findings.skip(f"{what}: all that is shared, as the course of a drawn cable is not certain")
        lacking = set(found) - set(claimed) - set(claim["unavoidable"]) - set(claim.get("tail", ()))
        findings.holds(not lacking, f"{what}: shares {few(sorted(lacking))} as well")
        ends = {str(site) for site in _end_sites(world, trial)}
        outside = [one for one in claim.get("tail", ()) if not ends & world.leads(one)]
        findings.holds(not outside, f"{what}: {few(outside)} of its tail lies at neither end")
    else:
        findings.same_set(f"{what}: shared", claimed, set(found))
    # Where the ways end, and so what is excused, does not hang on the course of a cable.
    findings.same_set(
        f"{what}: unavoidable", claim["unavoidable"], {name_of(a) for a in shared.unavoidable}
    )
    if not unsure and trial.group_test is None:
        findings.same_set(f"{what}: tail", claim["tail"], {name_of(a) for a in shared.tail})
    if unsure:
        found_on_all = {one["asset"] for one in claim["shared"]}
    else:
        found_on_all = {name for name, one in found.items() if one in shared.shared}
    findings.same_set(
        f"{what}: single points of failure",
        single_points(claim),
        {*found_on_all, *claim["unavoidable"], *claim.get("tail", ())}
        if len(trial.sides) > 1
        else set(),
    )
    if trial.group_test is None:
        _check_own_line(world, claim, trial.id, unsure, findings)
    blank = set().union(*(world.relied[key] for key in paths)) if paths else set()
    count = len(blank & world.blank_within)
    if not unsure:
        findings.same(f"{what}: blank within", claim["blank_within"], count)
    for one in claim["shared"]:
        asset = found.get(one["asset"])
        if asset is None:
            continue
        said = f"{what}: shared {one['asset']}"
        findings.same(f"{said}: role and kind", (one["role"], one["kind"]), role_of(world, asset))
        if not unsure:
            named = shared.through.get(asset, {None})
            findings.holds(
                one["through"] in named, f"{said}: through {one['through']}, not one of {named}"
            )
            findings.same(f"{said}: waived", one["waived"], asset in shared.waived)
            lines = shared.own_line.get(asset, {None})
            findings.holds(one["own_line"] in lines, f"{said}: not counted for {one['own_line']}")
        elif one["waived"]:
            findings.holds(asset in shared.waived, f"{said}: no waiver in force covers it")
    _check_stretches(plane, claim, trial, found, findings)


def single_points(claim: dict[str, Any]) -> list[str]:
    """Everything that is said to take all ways by itself, stretches written out."""
    told = claim["single_points"]
    whole = set(told["stretches"])
    return [
        *told["assets"],
        *(one["asset"] for one in claim["shared"] if one["stretch"] in whole),
    ]


def _check_stretches(
    plane: Plane,
    claim: dict[str, Any],
    trial: Trial,
    found: dict[str, Asset],
    findings: Findings,
) -> None:
    """Every shared asset stands in its stretch, in order, where every chain leads to it."""
    what = f"{'group' if trial.group_test else 'circuit'} {trial.id}"
    world = plane.world
    labels = {_label(trial, key): key for side in trial.sides for key in side}
    counted = [one["stretch"] for one in claim["stretches"]]
    findings.same(f"{what}: stretches", counted, list(range(1, len(counted) + 1)))
    entries = {one["asset"]: one for one in claim["shared"]}
    listed = [(name, one) for one in claim["stretches"] for name in one["members"]]
    held = [(name, one) for one in claim["stretches"] for name in one["holders"]]
    told = [(name, one["stretch"]) for name, one in (*listed, *held)]
    stated = [(name, one["stretch"]) for name, one in entries.items()]
    findings.same(f"{what}: what stands in which stretch", sorted(told), sorted(stated))
    for name, stretch in listed:
        said = f"{what}: shared {name}"
        if name not in found or name not in entries:
            continue
        findings.same(f"{said}: waived", stretch["waived"], entries[name]["waived"])
        for label, chain in stretch["via"].items():
            key = labels.get(label)
            findings.holds(
                key is not None and _leads(world, key, trial, chain, found[name]),
                f"{said}: the chain {' - '.join(chain)} of {label} does not lead there",
            )
        on_it = {label for label, key in labels.items() if found[name] in world.relied[key]}
        if trial.group_test == "pairwise":  # one way of each member
            firsts = (
                [_label(trial, key) for key in side if _label(trial, key) in on_it]
                for side in trial.sides
            )
            on_it = {one[0] for one in firsts if one}
        findings.same_set(f"{said}: chains", list(stretch["via"]), on_it)
    for stretch in claim["stretches"]:
        said = f"{what}: stretch {stretch['stretch']}"
        _check_along(plane, stretch, labels, said, findings)


def _check_along(
    plane: Plane,
    stretch: dict[str, Any],
    labels: dict[str, Key],
    said: str,
    findings: Findings,
) -> None:
    """A stretch runs from its first member to its last along every way, and begins where it says.

    Where the course of a drawn cable is not certain, places along it are not either.
    """
    by, along = plane.world.records.by, stretch["along"]
    members = [by["joints"].get(one, {}).get("at", one) for one in stretch["members"]]
    keys = [labels[label] for label in stretch["via"] if label in labels]
    if any(plane.world.relied[key] & plane.world.cables.unsure for key in keys):
        return
    places = {label: plane.places_on(labels[label]) for label in stretch["via"] if label in labels}
    on_line = all(one in places[label] for label in places for one in members)
    due = (
        sorted(places)
        if on_line
        and all(
            any(one in by[role] for role in ("structures", "segments", "joints"))
            for one in stretch["members"]
        )
        else []
    )
    findings.same(f"{said}: ways along which it lies", sorted(along), due)
    first = next(iter(places), None)
    if on_line and first is not None:
        begins = [places[first][one][0] for one in members]
        ordered = all(one <= two + ALONG_M for one, two in pairwise(begins))
        findings.holds(ordered, f"{said}: its members do not stand in the order of {first}")
    for label in set(along) & set(places):
        told, mine = along[label], [places[label].get(one, (0.0, 0.0)) for one in members]
        begin, end = min(one[0] for one in mine), max(one[1] for one in mine)
        slack = ALONG_M + 1e-5 * end
        right = abs(told["from_m"] - begin) <= slack and abs(told["to_m"] - end) <= slack
        findings.holds(right, f"{said}: along {label} from {begin:.2f} to {end:.2f} m, not {told}")
    if (stretch["at"] is not None) != bool(along):
        findings.holds(False, f"{said}: its place is {stretch['at']}")
    elif along and first is not None:
        begin, end = places[first].get(members[0], (0.0, 0.0))
        away = plane.away_m(labels[first], (begin + end) / 2, stretch["at"])
        slack = PLACE_M + 1e-4 * (end - begin)
        findings.holds(away <= slack, f"{said}: {members[0]} lies {away:.2f} m off")


def _end_sites(world: World, trial: Trial) -> set[Any]:
    """The sites where a trial's circuits end."""
    by = world.records.by
    ends = (by["circuits"][circuit].get(end) for circuit in trial.circuits for end in ("a", "b"))
    return {by["equipment"].get(str(end), {}).get("site") for end in ends} - {None}


def _check_own_line(
    world: World, claim: dict[str, Any], circuit: str, unsure: bool, findings: Findings
) -> None:
    """What takes paths together with what a circuit protects."""
    what = f"circuit {circuit}"
    protects = world.records.by["circuits"][circuit].get("protects") or ()
    findings.same(f"{what}: protects", claim["protects"], [one for one in protects if one != "-"])
    if unsure:
        findings.skip(f"{what}: what falls with what it protects")
        return
    found = own_line(world, circuit)
    findings.same(f"{what}: why", claim["with_protected_why"], "; ".join(found.why) or None)
    told = claim["with_protected"]
    if found.entries is None or told is None:
        findings.same(f"{what}: with what it protects", told, found.entries)
        return
    entries = [(one["asset"], one["path"], one["protected"], tuple(one["remains"])) for one in told]
    findings.same(f"{what}: with what it protects", sorted(entries), sorted(found.entries))
    for one in told:
        said = f"{what}: {one['asset']} falls with {one['protected']}"
        findings.same(
            f"{said}: role and kind", (one["role"], one["kind"]), role_of(world, one["asset"])
        )
        kind = world.ground.kind.get(one["protected"])
        findings.same(f"{said}: kind", one["protected_kind"], kind)


def _label(trial: Trial, key: Key) -> str:
    return key[1] if trial.group_test is None else f"{key[0]} {key[1]}"


def _leads(world: World, path: Key, trial: Trial, chain: list[str], asset: Asset) -> bool:
    """Whether each of a chain's members is a direct reason for the next."""
    side = next((side for side in trial.sides if path in side), [path])
    links = {link for key in side for link in world.paths[key]}
    if not chain or chain[0] not in links:
        return False
    if isinstance(asset, tuple):
        return asset[1] in links
    items = world.reliance.items[chain[0]]
    at: str | None = None
    for following in [*chain[1:], asset]:
        if at is None:
            if following not in items:
                return False
        elif following not in _direct(world, at):
            return False
        at = following
    return True


def _direct(world: World, asset: str) -> set[Asset]:
    """What an asset is a direct reason for: its parts, holders, hazards, ends and needs."""
    found = {*world.reliance.holders.get(asset, ()), *world.reliance.works.get(asset, ())}
    if asset in world.ground.ends:
        found |= set(world.ground.nodes(asset))
    if asset in world.cables.chain:
        found |= {step.segment for step in world.cables.chain[asset]}
        found |= {str(node) for node, _ in world.cables.nodes(asset) if node is not None}
        found |= {str(world.cables.carrier[asset])}
        found.update(world.records.joints_of.get(asset, ()))
        found.update(world.records.joints_of.get(None, ()))
    return found


def _check_gaps(
    world: World, claim: dict[str, Any], trial: Trial, breach: Breach, findings: Findings
) -> list[tuple[str, str]]:
    """The gaps that touch a trial: those worked out here, and others as the evidence has them."""
    what = f"{'group' if trial.group_test else 'circuit'} {trial.id}"
    drawn = world.cables.drawn
    told = [(gap["code"], gap["asset"]) for gap in claim["gaps"]]
    derived = DERIVED if breach.loose is None else {*DERIVED, NEAR_ACCURACY}
    others = [pair for pair in told if pair[0] not in derived or _of_drawing(pair, drawn)]
    for code, _ in others:
        findings.skip(f"gaps of code {code}: taken as the evidence states them", what)
    found = [(gap.code, gap.about) for gap in world.touching(trial)]
    if breach.loose and not breach.stands:
        found.append((NEAR_ACCURACY, trial.id))
    unsure = {one for side in trial.sides for key in side for one in world.relied[key]}
    unsure &= world.cables.unsure
    findings.holds(
        not unsure or any(code in DRAWN_GAPS for code, _ in told),
        f"{what}: the course of {few(sorted(map(name_of, unsure)))} is not certain, and no gap "
        "says so",
    )
    own = [gap for gap in claim["gaps"] if (gap["code"], gap["asset"]) not in others]
    extra, lacking = _unlike(own, Counter((code, about(of)) for code, of in found))
    findings.holds(not extra, f"{what}: no such gap touches it: {few(sorted(extra))}")
    findings.holds(not lacking, f"{what}: gaps touch it that are not told: {few(sorted(lacking))}")
    return found + others


def _unlike(told: list[dict[str, Any]], found: Counter[Pair]) -> tuple[set[Pair], set[Pair]]:
    """Gaps that are told and not found, and those that are found and not told.

    Many of one kind may be told as one, by the first of them and how many they are.
    """
    single: Counter[Pair] = Counter()
    left: Counter[str] = Counter()
    for gap in told:
        single[gap["code"], about(gap["asset"])] += 1
        left[gap["code"]] += gap["count"] - 1
    extra, lacking = single - found, found - single
    for code in {code for code, _ in lacking} | {code for code, many in left.items() if many}:
        mine = {pair for pair in lacking if pair[0] == code}
        if sum(lacking[pair] for pair in mine) == left[code]:
            for pair in mine:
                del lacking[pair]
        elif not mine or left[code] > sum(lacking[pair] for pair in mine):
            extra[code, f"{left[code]} of them"] = 1
    return set(extra), set(lacking)


def _of_drawing(gap: tuple[str, str], drawn: set[str]) -> bool:
    return gap[0] in DRAWN_GAPS and gap[1] in drawn


def _verdict(
    claim: dict[str, Any],
    trial: Trial,
    breach: Breach,
    gaps: list[tuple[str, str]],
) -> str | None:
    """The verdict; None where it hangs on something that is not worked out here."""
    standing = len(trial.sides) > 1
    assets = claim["shared"] if standing else []
    if any(not one["waived"] for one in assets):
        return "shared"
    if breach.stands is None:
        return None
    if breach.stands:
        return "shared"
    lone = trial.group_test is not None and len(trial.circuits) < 2
    if lone or any(GAP_CODES[code].separation for code, _ in gaps):
        return "unproven"
    return "accepted" if assets or breach.waived else "apart"


def _check_schemes(
    world: World, facts: dict[str, Any], verdicts: dict[str, str], findings: Findings
) -> None:
    members: dict[str, list[str]] = {}
    for name, row in sorted(world.records.by["circuits"].items()):
        if row.get("scheme"):
            members.setdefault(row["scheme"], []).append(name)
    findings.same_set("schemes", [one["id"] for one in facts["schemes"]], set(members))
    within = {one["id"]: one["within_limits"] for one in facts["circuits"]}
    single = {one["id"]: single_points(one) for one in facts["circuits"]}
    for one in facts["schemes"]:
        mine = [name for name in members.get(one["id"], []) if name in verdicts]
        what = f"scheme {one['id']}"
        findings.same(f"{what}: members", one["members"], mine)
        if not mine:
            continue
        worst = min((verdicts[name] for name in mine), key=WORST_FIRST.index)
        findings.same(f"{what}: verdict", one["verdict"], worst)
        kept = [within[name] for name in mine]
        limit = False if False in kept else None if None in kept else True
        findings.same(f"{what}: within limits", one["within_limits"], limit)
        points = set().union(*(single[name] for name in mine))
        findings.same_set(f"{what}: single points", one["single_points"], points)


def _check_counts(facts: dict[str, Any], verdicts: dict[str, str], findings: Findings) -> None:
    summary, counted = facts["summary"], Counter(verdicts.values())
    for verdict in WORST_FIRST:
        findings.same(f"summary: {verdict}", summary[verdict], counted.get(verdict, 0))
    findings.same("summary: circuits", summary["circuits"], len(facts["circuits"]))
    findings.same("summary: groups", summary["groups"], len(facts["groups"]))
    over = sum(one["within_limits"] is False for one in facts["circuits"])
    silent = sum(
        any(not entry["remains"] for entry in one["with_protected"] or ())
        for one in facts["circuits"]
    )
    findings.same("summary: silent", summary["silent"], silent)
    findings.same("summary: over a limit", summary["over_a_limit"], over)
    findings.same("summary: gaps", summary["gaps"], sum(gap["count"] for gap in facts["gaps"]))

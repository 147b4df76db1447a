"""Hold what the evidence says of a study as a whole, and what it says twice.

First name, days, grid, gaps, rules, ages; then what it works out of its own figures, against
where that comes from. Nothing of the latter decides a verdict or a limit: those rest on the
first telling.
"""

from __future__ import annotations

import json
import re
from collections import Counter
from collections.abc import Iterator
from datetime import UTC, date, datetime, timedelta
from itertools import product
from math import radians, sin
from typing import Any

from pyproj import CRS

from waysapart.evidence import Delay, Unavailability
from waysapart.gaps import GAP_CODES
from waysapart.recheck.figures import newest_tests
from waysapart.recheck.findings import Findings, numbers
from waysapart.recheck.gaps_of_records import blanks, meaning
from waysapart.recheck.gaps_of_rows import about, day_of
from waysapart.recheck.ground import GEOD
from waysapart.recheck.paths import Trial, service_of
from waysapart.recheck.reading import Records
from waysapart.recheck.reliance import Asset
from waysapart.recheck.rules import WHOLE, shipped_sources
from waysapart.recheck.sharing import role_of
from waysapart.recheck.world import DRAWN_GAPS, World

_UTM = range(32601, 32661), range(32701, 32761)
_BESIDE_DEG = 9.0
"""From the middle of a zone to the far edge of the next."""
_UNITS = (
    *(("db_per_km", "dB/km"), ("per_km_year", "1/(km a)"), ("per_year", "1/a")),
    *(("ps_nm_km", "ps/(nm km)"), ("ps_nm2_km", "ps/(nm2 km)"), ("mhz_km", "MHz km")),
    *(("_us", "us"), ("_ms", "ms"), ("_hz", "Hz"), ("_years", "a"), ("_db", "dB")),
    *(("_dbm", "dBm"), ("_nm", "nm"), ("_mm", "mm"), ("_um", "um"), ("_m", "m"), ("_pct", "%")),
    *(("_h", "h"), ("oldest", "d")),
)
"""What the name of a rule ends with, and its unit."""
_SURVEYED = ("sites", "structures", "segments")
_MEASURED = ("length_m", "loss_db", "delay_us")


def check_days(facts: dict[str, Any], findings: Findings) -> None:
    """When the evidence was made, and for which day it judges."""
    made = datetime.fromisoformat(facts["made"])
    ahead = made > datetime.now(tz=UTC) + timedelta(days=1)
    findings.holds(not ahead, f"the evidence was made on {facts['made']}, which is yet to come")
    if date.fromisoformat(facts["on"]) != made.date():
        findings.skip(f"today: the evidence judges {facts['on']}, and was made on {made.date()}")


def check_names(records: Records, facts: dict[str, Any], findings: Findings) -> None:
    """Name and revision of the study, and what is out of service."""
    if records.name is not None:
        findings.same("study", facts["study"], records.name)
    else:
        findings.skip("the name of the study, which does not state one")
    findings.same("revision", facts["revision"], records.revision)
    files = [(one["file"], one["sha256"]) for one in facts["inputs"]]
    findings.same("inputs told twice", len(files) - len(set(files)), 0)
    findings.same_set("out of service", facts["out"], set(records.out))


def check_crs(records: Records, facts: dict[str, Any], findings: Findings) -> None:
    """The grid is the study's own, or else a zone of UTM that the plant lies in or beside."""
    if records.stated_crs is not None:
        same = CRS.from_user_input(records.stated_crs) == records.crs
        findings.holds(
            same, f"the crs is {facts['crs']!r}, not {records.stated_crs!r} of the study"
        )
        return
    code = int((records.crs.to_authority() or ("", "0"))[1])
    zone = next((code - north.start for north in _UTM if code in north), None)
    middle = records.middle()
    near = zone is not None and (
        middle is None or abs((middle[0] - (zone * 6 - 177) + 180) % 360 - 180) <= _BESIDE_DEG
    )
    findings.holds(near, f"the crs {facts['crs']!r} is not the UTM zone of the plant")


def check_all_gaps(
    world: World, facts: dict[str, Any], derived: set[str], findings: Findings
) -> None:
    """The list of all gaps, whether they touch a circuit or not; those with each are of these."""
    told = Counter(
        (gap["code"], about(asset))
        for gap in facts["gaps"]
        for asset in gap["assets"]
        if gap["code"] in derived
        and not (gap["code"] in DRAWN_GAPS and gap["asset"] in world.cables.drawn)
    )
    known: dict[tuple[str, str], int] = {}
    for gap in facts["gaps"]:
        _check_gap(gap, findings)
        first = gap["assets"][:1] == [gap["asset"]]
        named = f"the gap {gap['code']} is told of {gap['asset']}, which is not what it is of"
        findings.holds(first, named)
        counts = len(gap["assets"]), len(gap["rows"])
        said = f"the gap {gap['code']} of {gap['asset']}: how many"
        findings.same(said, (gap["count"], gap["count"]), counts)
        findings.same(f"{said}: row of the first", [gap["row"]], gap["rows"][:1])
        for asset in gap["assets"]:
            key = gap["code"], asset
            known[key] = known.get(key, 0) + gap["count"]
    for one in (*facts["circuits"], *facts["groups"]):
        for gap in one["gaps"]:
            _check_gap(gap, findings)
            among = known.get((gap["code"], gap["asset"]), 0)
            findings.holds(
                gap["count"] <= among,
                f"{one['id']}: {gap['count']} gaps {gap['code']} of {gap['asset']} touch it, and "
                f"the list of all gaps has {among}",
            )
    found = Counter((gap.code, about(gap.about)) for gap in world.gaps)
    for code, of in sorted((told - found).keys()):
        findings.holds(False, f"there is no gap {code} of {of}")
    for code, of in sorted((found - told).keys()):
        findings.holds(False, f"the gap {code} of {of} is not told")
    findings.confirmed += sum((told & found).values())
    others = sorted(code for code in GAP_CODES if code not in derived)
    if others:
        findings.skip(f"whether there are more gaps of these codes: {', '.join(others)}")


def _check_gap(gap: dict[str, Any], findings: Findings) -> None:
    """The code is one that there is, and it bears on what that code does."""
    code = GAP_CODES.get(gap["code"])
    if code is None:
        findings.holds(False, f"there are no gaps of code {gap['code']!r}")
        return
    said = f"the gap {code.code} of {gap['asset']}: bears on"
    findings.same(said, gap["bears_on"], code.bears_on)


# --- assumptions ---------------------------------------------------------------------------


def check_assumptions(world: World, facts: dict[str, Any], findings: Findings) -> None:
    """Every rule in use with its value, unit and source, and what somebody has to sign."""
    told = facts["assumptions"]
    fields = ("key", "value", "unit", "source")
    rules = [tuple(one[name] for name in fields) for one in told if not one.get("to_sign")]
    found = [
        (_dotted(path), _plain(value), _unit(path), _source(world.records, path))
        for path, value in _in_use(world)
    ]
    _same_rows("assumption", rules, found, findings)
    to_sign = [tuple(one[n] for n in (*fields, "count")) for one in told if one.get("to_sign")]
    signed = list(_to_sign(world))
    if any(world.cables.unsure & mine for mine in world.relied.values()):
        findings.skip("what blanks are taken for, as the course of a drawn cable is not certain")
        to_sign, signed = (
            [one for one in rows if not one[0].startswith("records.")] for rows in (to_sign, signed)
        )
    _same_rows("assumption to sign", to_sign, signed, findings)


def check_weights(records: Records, facts: dict[str, Any], findings: Findings) -> None:
    """What rerouting avoids first, as the rules have it."""
    told = [tuple(one[name] for name in ("key", "value", "source")) for one in facts["weights"]]
    found = [
        (_dotted(path), _plain(value), _source(records, path))
        for path, value in _leaves({"reroute": records.rules["reroute"]}, ())
    ]
    _same_rows("weight", told, found, findings)


def _same_rows(
    what: str, told: list[tuple[Any, ...]], found: list[tuple[Any, ...]], findings: Findings
) -> None:
    """Rows that must be the same, in any order; each begins with its name."""
    left = list(found)
    for row in told:
        if findings.holds(row in left, f"{what} {row[0]}: not {row[1:]}, as the evidence says"):
            left.remove(row)
    for row in left:
        findings.holds(False, f"{what} {row[0]}: the evidence does not say {row[1:]}")


def _in_use(world: World) -> Iterator[tuple[tuple[str, ...], Any]]:
    """Every rule that something on record asks for, and its value."""
    by = world.records.by
    assets = [role for role, rows in by.items() if rows and role not in ("links", "circuits")]
    used = {
        "services": {"default", *(row.get("service") for row in by["circuits"].values())},
        "fibres": {row.get("fibre_type") for row in by["cables"].values()},
        "failures": {*assets, *(row.get("kind") for role in assets for row in by[role].values())},
        "media": {"fibre", *(row.get("medium") for row in by["links"].values())},
        "reroute": set(),
    }
    rules = {key: value for key, value in world.records.rules.items() if key != "waiver"}
    for path, value in _leaves(rules, ()):
        at = path[2 if path[0] == "reroute" else 1] if len(path) > 1 else None
        if at is None or path[0] not in used or at in used[path[0]]:
            yield path, value


def _leaves(table: dict[str, Any], path: tuple[str, ...]) -> Iterator[tuple[tuple[str, ...], Any]]:
    for key, value in table.items():
        if isinstance(value, dict) and key not in WHOLE:
            yield from _leaves(value, (*path, key))
        else:
            yield (*path, key), value


def _dotted(path: tuple[str, ...]) -> str:
    """Keys as TOML has them: `fibres."G.652.D".db_per_km.1310`."""
    return ".".join(
        key if re.fullmatch("[A-Za-z0-9_-]+", key) else json.dumps(key, ensure_ascii=False)
        for key in path
    )


def _unit(path: tuple[str, ...]) -> str:
    for key in reversed(path):
        for ending, unit in _UNITS:
            if key == ending.lstrip("_") or key.endswith(ending):
                return unit
    return ""


def _source(records: Records, path: tuple[str, ...]) -> str:
    """Who says so: the study's own rules, or the source that the shipped ones state."""
    stated = records.said_by.get(path)
    for length in range(len(path), 0, -1):
        stated = stated or shipped_sources().get(_dotted(path[:length]))
    return stated or ""


def _to_sign(world: World) -> Iterator[tuple[str, Any, str, str, int]]:
    """Key, value, unit and source of what the rules say in place of the records; how often."""
    records = world.records
    said = records.rules["records"]
    relied = set().union(*world.relied.values()) if world.relied else set()
    counts: Counter[tuple[str, str, str, Any]] = Counter()
    for role, row, column in blanks(records):
        value, rule = meaning(said[column], role, row)
        if row["id"] in relied and value != "gap":
            counts[column, str(row.get("kind") or role), rule, value] += 1
    for (column, kind, rule, value), count in counts.items():
        unit = "us" if column == "delay_us" and value != "none" else ""
        path = ("records", column, rule) if rule else ("records", column)
        yield f"records.{column}.{kind}", value, unit, _source(records, path), count
    excuse = records.rules["groups"]["excuse"]
    if excuse and any(trial.group_test is not None for trial in world.trials):
        yield "groups.excuse", excuse, "", _source(records, ("groups", "excuse")), len(excuse)
    ignored = sorted(world.ground.left_out)
    if ignored:
        key = "reliance", "ignore_kinds"
        yield ".".join(key), ignored, "", _source(records, key), len(ignored)


def _plain(value: Any) -> Any:
    if isinstance(value, dict):
        return {str(key): _plain(item) for key, item in value.items()}
    return [_plain(item) for item in value] if isinstance(value, (list, tuple)) else value


# --- ages ----------------------------------------------------------------------------------


def check_ages(records: Records, facts: dict[str, Any], findings: Findings) -> None:
    """How old surveys, tests and statements of leased routes are on the day judged."""
    on = date.fromisoformat(facts["on"])
    allowed = records.rules["records"].get("oldest", {})
    found = []
    for what, days in _dates(records):
        known = [(on - day).days for day in days if day is not None and day <= on]
        limit = allowed.get(what)
        ends = (max(known), min(known)) if known else (None, None)
        oldest, newest = (None if n is None else str(on - timedelta(days=n)) for n in ends)
        found.append(
            {
                "what": what,
                "dated": len(known),
                "undated": len(days) - len(known),
                "oldest": oldest,
                "newest": newest,
                "oldest_days": ends[0],
                "limit_days": limit,
                "too_old": 0 if limit is None else sum(day > limit for day in known),
            }
        )
    findings.same("ages", facts["ages"], [one for one in found if one["dated"] + one["undated"]])


def _dates(records: Records) -> Iterator[tuple[str, list[date | None]]]:
    """The days of every record whose age counts, by the key of `[records] oldest`."""
    rows = records.rows
    yield "survey", [day_of(row.get("surveyed")) for role in _SURVEYED for row in rows[role]]
    tests = (newest_tests(records, *one) for one in product(("cable", "link"), _MEASURED))
    mine = (test for found in tests for several in found.values() for test in several)
    yield "test", [day_of(test.get("date")) for test in mine]
    leased = [row for row in rows["links"] if row.get("medium") == "leased"]
    known = [row for row in leased if row.get("relies_on") is not None]
    yield "leased_route", [day_of(row.get("stated_on")) for row in known]


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

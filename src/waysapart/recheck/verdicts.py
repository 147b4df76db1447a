"""Whether the verdicts follow, and what the evidence says of the study as a whole."""

from __future__ import annotations

import json
import re
from collections import Counter
from collections.abc import Iterator
from datetime import UTC, date, datetime, timedelta
from itertools import product
from typing import Any

from pyproj import CRS

from waysapart.gaps import GAP_CODES
from waysapart.recheck.evidence import Tally
from waysapart.recheck.figures import newest_tests
from waysapart.recheck.gaps import blanks, check_gaps_of, meaning
from waysapart.recheck.limits import (
    check_angle,
    check_labels,
    check_link_fields,
    check_other_lengths,
    check_states,
)
from waysapart.recheck.records import WHOLE, Records, shipped_sources
from waysapart.recheck.reliance import Trial, World, check_paths, check_roles, name_of
from waysapart.recheck.rows import day_of
from waysapart.recheck.separation import (
    Breach,
    Plane,
    check_asked,
    check_kinds,
    check_least,
    check_shared_stretches,
    check_spacing,
    check_told_once,
    several,
)
from waysapart.recheck.sharing import check_shared, check_waivers, lay_waivers, share, single_points

WORST_FIRST = ("shared", "unproven", "accepted", "apart")


def check_claims(world: World, facts: dict[str, Any], findings: Tally) -> None:
    """Everything but the figures: sets, sharing, separation, gaps, waivers, verdicts, counts."""
    told = {one["id"]: one for one in facts["circuits"]}
    groups = {one["id"]: one for one in facts["groups"]}
    mine = {trial.id: trial for trial in world.trials if trial.group_test is None}
    of_groups = {trial.id: trial for trial in world.trials if trial.group_test is not None}
    findings.same_set("circuits", [one["id"] for one in facts["circuits"]], set(mine))
    findings.same_set("groups", [one["id"] for one in facts["groups"]], set(of_groups))
    _check_own_fields(world, facts, of_groups, findings)
    check_paths(world, facts, findings)
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
    check_waivers(world, facts["waivers"], waived, today, findings)
    witness = {(one["kind"], one["id"]): one for one in facts["evidence"]["verdicts"]}
    for claim, trial in pairs:
        kind = "circuit" if trial.group_test is None else "group"
        what = f"{kind} {trial.id}"
        check_shared(world, claim, trial, shared[id(trial)], findings)
        check_shared_stretches(plane, claim, trial, shared[id(trial)], findings)
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
            gaps = check_gaps_of(world, claim, trial, breach, findings)
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


def _check_own_fields(
    world: World, facts: dict[str, Any], groups: dict[str, Trial], findings: Tally
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
    world: World, facts: dict[str, Any], verdicts: dict[str, str], findings: Tally
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


def _check_counts(facts: dict[str, Any], verdicts: dict[str, str], findings: Tally) -> None:
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


def check_days(facts: dict[str, Any], findings: Tally) -> None:
    """When the evidence was made, and for which day it judges."""
    made = datetime.fromisoformat(facts["made"])
    ahead = made > datetime.now(tz=UTC) + timedelta(days=1)
    findings.holds(not ahead, f"the evidence was made on {facts['made']}, which is yet to come")
    if date.fromisoformat(facts["on"]) != made.date():
        findings.skip(f"today: the evidence judges {facts['on']}, and was made on {made.date()}")


def check_names(records: Records, facts: dict[str, Any], findings: Tally) -> None:
    """Name and revision of the study, and what is out of service."""
    if records.name is not None:
        findings.same("study", facts["study"], records.name)
    else:
        findings.skip("the name of the study, which does not state one")
    findings.same("revision", facts["revision"], records.revision)
    files = [(one["file"], one["sha256"]) for one in facts["inputs"]]
    findings.same("inputs told twice", len(files) - len(set(files)), 0)
    findings.same_set("out of service", facts["out"], set(records.out))


def check_crs(records: Records, facts: dict[str, Any], findings: Tally) -> None:
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


# --- assumptions ---------------------------------------------------------------------------


def check_assumptions(world: World, facts: dict[str, Any], findings: Tally) -> None:
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


def check_weights(records: Records, facts: dict[str, Any], findings: Tally) -> None:
    """What rerouting avoids first, as the rules have it."""
    told = [tuple(one[name] for name in ("key", "value", "source")) for one in facts["weights"]]
    found = [
        (_dotted(path), _plain(value), _source(records, path))
        for path, value in _leaves({"reroute": records.rules["reroute"]}, ())
    ]
    _same_rows("weight", told, found, findings)


def _same_rows(
    what: str, told: list[tuple[Any, ...]], found: list[tuple[Any, ...]], findings: Tally
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


def check_ages(records: Records, facts: dict[str, Any], findings: Tally) -> None:
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


def check_repeated(world: World, facts: dict[str, Any], findings: Tally) -> None:
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
            check_asked(world, what, claim, trial, findings)
            check_least(what, claim, mine["closest"], names, trial, findings)
            check_kinds(world, what, claim, findings)
            check_told_once(what, claim, several(trial), findings)
            if kind == "circuit":
                check_other_lengths(world, what, claim, findings)
                check_states(world, what, claim, findings)
                check_labels(what, claim, findings)
                check_angle(world, what, claim["delay"], findings)
    check_roles(world, facts["evidence"], findings)
    check_link_fields(world, facts["links"], findings)
    seqs: dict[str, list[int]] = {}
    for row in facts["matched"]:
        if row["state"] == "followed":
            seqs.setdefault(row["cable"], []).append(row["seq"])
    for cable, mine in seqs.items():
        findings.same(f"cable {cable}: its course", sorted(mine), list(range(1, len(mine) + 1)))

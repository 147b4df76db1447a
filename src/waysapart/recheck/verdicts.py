"""Whether the verdicts follow, and what the evidence says of the study as a whole."""

from __future__ import annotations

import json
import re
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from datetime import UTC, date, datetime, timedelta
from itertools import chain, product
from typing import Any

import numpy as np
import shapely
from pyproj import CRS, Transformer
from pyproj.exceptions import CRSError

from waysapart.evidence import Circuit, Evidence, Group, VerdictWitness
from waysapart.gaps import GAP_CODES
from waysapart.recheck.availability import recovery_of, ruled_ms
from waysapart.recheck.evidence import About
from waysapart.recheck.faulty_rows import day_of, grouped
from waysapart.recheck.figures import newest_measurements
from waysapart.recheck.gaps import LIMITS_OF, GapKey, blanks, check_gaps_of, meaning, said_of
from waysapart.recheck.limits import all_kept
from waysapart.recheck.places import LON_LAT
from waysapart.recheck.records import WHOLE, Records, shipped_sources
from waysapart.recheck.reliance import (
    Trial,
    World,
    check_paths,
    check_roles,
    name_of,
    service_of,
)
from waysapart.recheck.separation import (
    Breach,
    Plane,
    check_closest,
    check_shared_stretches,
    check_spacing,
    check_told,
)
from waysapart.recheck.sharing import (
    Subject,
    check_shared,
    check_waivers,
    lay_waivers,
    share,
    single_points,
)
from waysapart.schema import ROLES

WORST_FIRST = ("shared", "unproven", "accepted", "apart")
SURVEYED = ("sites", "structures", "segments")
_UTM = range(32601, 32661), range(32701, 32761)
_BESIDE_DEG = 9.0
"""From the middle of a zone to the far edge of the next."""
_UNITS = (
    *(("db_per_km", "dB/km"), ("per_km_year", "1/(km a)"), ("per_year", "1/a")),
    *(("ps_nm_km", "ps/(nm km)"), ("ps_nm2_km", "ps/(nm2 km)"), ("mhz_km", "MHz km")),
    *(("us_per_m", "us/m"), ("per_m", "1/m")),
    *(("_us", "us"), ("_ms", "ms"), ("_hz", "Hz"), ("_years", "a"), ("_db", "dB")),
    *(("_dbm", "dBm"), ("_nm", "nm"), ("_mm", "mm"), ("_um", "um"), ("_m", "m"), ("_pct", "%")),
    *(("_h", "h"), ("oldest", "d")),
)
"""Endings of names of rules, and their units."""


def check_claims(world: World, facts: Evidence, about: About) -> None:
    """Check everything but the figures: sets, sharing, separation, gaps, waivers, verdicts, counts.

    Parameters
    ----------
    world : World
    facts : Evidence
    about : About
        Tallies the claims.
    """
    about.same_set("circuits", [one["id"] for one in facts["circuits"]], world.circuits)
    about.same_set("groups", [one["id"] for one in facts["groups"]], world.groups)
    _check_own_fields(world, facts, about)
    check_paths(world, facts, about)
    check_roles(world, facts["evidence"], about)
    _check_courses(facts, about)
    plane = Plane(world)
    told: list[tuple[str, Mapping[str, Trial], Circuit | Group]]
    told = [(one["id"], world.circuits, one) for one in facts["circuits"]]
    told += [(one["id"], world.groups, one) for one in facts["groups"]]
    known = {trials[name].what: (one, trials[name]) for name, trials, one in told if name in trials}
    subjects = {
        what: Subject(claim, trial, share(world, trial)) for what, (claim, trial) in known.items()
    }
    today = date.fromisoformat(facts["on"])
    waived = lay_waivers(world, subjects.values(), [o["state"] for o in facts["waivers"]], today)
    check_waivers(world, facts["waivers"], waived, today, about)
    witnesses = {f"{one['kind']} {one['id']}": one for one in facts["evidence"]["verdicts"]}
    about.same("witnesses of verdicts", len(facts["evidence"]["verdicts"]), len(witnesses))
    paths = [f"{one['circuit']} {one['path']}" for one in facts["evidence"]["paths"]]
    for what, subject in subjects.items():
        mine, witness = about.of(what), witnesses.get(what)
        check_shared(world, subject, mine)
        check_shared_stretches(plane, subject, mine)
        if mine.holds(witness is not None, "the evidence holds no witness") and witness is not None:
            _check_witness(plane, subject, witness, mine)
            check_told(world, subject, mine)
            check_closest(subject, witness["closest"], paths, mine)
            breach = check_spacing(plane, subject, witness, waived, mine)
            verdict = _verdict(subject, breach, check_gaps_of(world, subject, breach, mine))
            if verdict is None:
                mine.skip("whether its paths come close in one place, which depends on rounding")
            else:
                mine.same("verdict", subject.claim["verdict"], verdict)
    circuits = {one["id"]: one for one in facts["circuits"] if one["id"] in world.circuits}
    _check_schemes(world, facts, circuits, about)
    _check_counts(facts, circuits, about.of("summary"))


def _check_courses(facts: Evidence, about: About) -> None:
    """Check that the segments that a drawn cable follows are numbered in order, each once."""
    followed = (row for row in facts["matched"] if row["state"] == "followed")
    for cable, mine in grouped((row["cable"], row["seq"]) for row in followed).items():
        about.same(f"cable {cable}: its course", sorted(mine), list(range(1, len(mine) + 1)))


def _check_own_fields(world: World, facts: Evidence, about: About) -> None:
    """Check fields of circuits and groups that repeat the records."""
    for circuit in facts["circuits"]:
        row, fields = world.records.by["circuits"].get(circuit["id"]), dict[str, Any](circuit)
        for name in ("name", "a", "b", "service", "group", "scheme") if row else ():
            known = (row or {}).get(name) or ("default" if name == "service" else None)
            about.same(f"circuit {circuit['id']}: {name}", fields[name], known)
    within = {circuit["id"]: circuit["within_limits"] for circuit in facts["circuits"]}
    for group in facts["groups"]:
        trial = world.groups.get(group["id"])
        if trial is not None:
            if "within_limits" in group:  # earlier evidence does not say
                kept = all_kept(within[one] for one in trial.circuits if one in within)
                about.same(f"{trial.what}: within limits", group["within_limits"], kept)
            about.same(f"{trial.what}: members", group["members"], trial.circuits)
            about.same(f"{trial.what}: test", group["group_test"], trial.group_test)


def _check_witness(plane: Plane, subject: Subject, witness: VerdictWitness, about: About) -> None:
    """Check the sides that must be apart, and the hazards that touch all of them."""
    claim, trial, shared = subject
    sides = [sorted(plane.order[key] for key in side) for side in trial.sides]
    about.same("sides", witness["sides"], sides)
    about.same("verdict of its witness", witness["verdict"], claim["verdict"])
    hazards = plane.world.records.by["hazards"]
    met = {name for name in map(name_of, shared.shared) if name in hazards}
    met = met if len(trial.sides) > 1 else set()
    about.same_set("hazards on all sides", witness["hazards_on_all"], met)
    about.same("no hazard touches all", witness["no_hazard_on_all"], not met)


def _verdict(subject: Subject, breach: Breach, gaps: list[GapKey]) -> str | None:
    """The verdict; None where it depends on something that is not computed here."""
    claim, trial, _ = subject
    assets = claim["shared"] if len(trial.sides) > 1 else []
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
    world: World, facts: Evidence, circuits: Mapping[str, Circuit], about: About
) -> None:
    """Check that a scheme is as bad as its worst member, and fails with any of them."""
    rows = sorted(world.records.by["circuits"].items())
    members = grouped((row["scheme"], name) for name, row in rows if row.get("scheme"))
    about.same_set("schemes", [one["id"] for one in facts["schemes"]], members)
    for told in facts["schemes"]:
        mine = [circuits[name] for name in members.get(told["id"], ()) if name in circuits]
        scheme = about.of(f"scheme {told['id']}")
        scheme.same("members", told["members"], [one["id"] for one in mine])
        if mine:
            worst = min((one["verdict"] for one in mine), key=WORST_FIRST.index)
            scheme.same("verdict", told["verdict"], worst)
            limit = all_kept(one["within_limits"] for one in mine)
            scheme.same("within limits", told["within_limits"], limit)
            points = set(chain.from_iterable(single_points(one) for one in mine))
            scheme.same_set("single points", told["single_points"], points)


def _check_counts(facts: Evidence, circuits: Mapping[str, Circuit], about: About) -> None:
    """Check the counts of the summary."""
    told, counted = facts["circuits"], Counter[str](one["verdict"] for one in circuits.values())
    silent = [
        one for one in told if any(not entry["remains"] for entry in one["with_protected"] or ())
    ]
    found = {
        **{verdict: counted[verdict] for verdict in WORST_FIRST},
        "circuits": len(told),
        "groups": len(facts["groups"]),
        "silent": len(silent),
        "over_a_limit": sum(one["within_limits"] is False for one in told),
        "gaps": sum(gap["count"] for gap in facts["gaps"]),
    }
    summary: Mapping[str, Any] = facts["summary"]
    for name, count in found.items():
        about.same(name, summary[name], count)


# The study as a whole


def check_days(facts: Evidence, about: About) -> None:
    """Check when the evidence was made, and for which day it judges.

    Parameters
    ----------
    facts : Evidence
    about : About
        Tallies the claims.
    """
    made = datetime.fromisoformat(facts["made"])
    ahead = made > datetime.now(tz=UTC) + timedelta(days=1)
    about.holds(not ahead, f"the evidence was made on {facts['made']}, which is yet to come")
    if date.fromisoformat(facts["on"]) != made.date():
        about.skip(f"today: the evidence judges {facts['on']} and was made on {made.date()}")


def check_names(records: Records, facts: Evidence, about: About) -> None:
    """Check name and revision of the study, and what is out of service.

    Parameters
    ----------
    records : Records
    facts : Evidence
    about : About
        Tallies the claims.
    """
    if records.name is not None:
        about.same("study", facts["study"], records.name)
    else:
        about.skip("the name of the study, which does not state one")
    about.same("revision", facts["revision"], records.revision)
    files = [(one["file"], one["sha256"]) for one in facts["inputs"]]
    about.same("inputs told twice", len(files) - len(set(files)), 0)
    about.same_set("out of service", facts["out"], records.out)


def check_crs(records: Records, crs: str, about: About) -> None:
    """Check that the grid shown is the study's own, or else a UTM zone at or beside the plant.

    Where neither holds the plant it is degrees.

    Parameters
    ----------
    records : Records
    crs : str
        As the evidence states it.
    about : About
        Tallies the claims.
    """
    try:
        shown = CRS.from_user_input(crs)
    except CRSError:
        about.holds(False, f"the crs {crs[:80]!r} is unknown")
        return
    if records.stated_crs is not None:
        stated = CRS.from_user_input(records.stated_crs)
        same = shown == stated or (shown == LON_LAT and not _has_place_for(stated, records))
        about.holds(same, f"the crs is {crs!r}, not {records.stated_crs!r} of the study")
        return
    if shown == LON_LAT:
        about.holds(not _in_one_zone(records), "the crs is degrees, though one UTM zone holds all")
        return
    code = int((shown.to_authority() or ("", "0"))[1])
    zone = next((code - codes.start for codes in _UTM if code in codes), None)
    middle = records.sheet.middle
    near = zone is not None and (
        middle is None or abs((middle[0] - (zone * 6 - 177) + 180) % 360 - 180) <= _BESIDE_DEG
    )
    about.holds(near, f"the crs {crs!r} is not the UTM zone of the plant")


def _corners(records: Records) -> Any:
    shapes = [one for role in records.rows for one in _drawn(records, role)]
    return shapely.bounds(shapes).reshape(-1, 2)


def _drawn(records: Records, role: str) -> list[Any]:
    return [row["geometry"] for row in records.rows[role] if row.get("geometry") is not None]


def _has_place_for(grid: CRS, records: Records) -> bool:
    way = Transformer.from_crs(LON_LAT, grid, always_xy=True)
    return bool(np.isfinite(way.transform(*_corners(records).T)).all())


def _in_one_zone(records: Records) -> bool:
    """Whether all plant surely lies within the zone in its middle."""
    lon, _ = _corners(records).T
    if not len(lon):
        return False
    zone = int(min(((lon.min() + lon.max()) / 2 + 180) // 6, 59))
    west = zone * 6 - 180
    return bool(lon.min() >= west - 2 and lon.max() <= west + 8)


def check_assumptions(world: World, facts: Evidence, about: About) -> None:
    """Check every rule in use with its value, unit and source, and what somebody has to sign.

    Parameters
    ----------
    world : World
    facts : Evidence
    about : About
        Tallies the claims.
    """
    told, records = [dict[str, Any](one) for one in facts["assumptions"]], world.records
    fields = ("key", "value", "unit", "source")
    rules = [tuple(one[name] for name in fields) for one in told if not one.get("to_sign")]
    found = [
        (_dotted(path), _plain(value), _unit(path), _source(records, path))
        for path, value in _in_use(world)
    ]
    _same_rows("assumption", rules, found, about)
    to_sign = [tuple(one[n] for n in (*fields, "count")) for one in told if one.get("to_sign")]
    signed = list(_to_sign(world))
    if world.unsure(world.relied):
        about.skip("what blanks are taken for, as the course of a drawn cable is not certain")
        to_sign, signed = (
            [one for one in rows if not one[0].startswith("records.")] for rows in (to_sign, signed)
        )
    _same_rows("assumption to sign", to_sign, signed, about)


def check_weights(records: Records, told: list[dict[str, Any]], about: About) -> None:
    """Check the weights of rerouting against the rules.

    Parameters
    ----------
    records : Records
    told : list of dict
        Their `key`, `value` and `source` in the evidence.
    about : About
        Tallies the claims.
    """
    found = [
        (_dotted(path), _plain(value), _source(records, path))
        for path, value in _leaves({"reroute": records.rules["reroute"]}, ())
    ]
    rows = [(one["key"], one["value"], one["source"]) for one in told]
    _same_rows("weight", rows, found, about)


def _same_rows(what: str, told: list[Any], found: list[Any], about: About) -> None:
    """Check rows that must be the same, in any order; each begins with its name."""
    left = list(found)
    for row in told:
        if about.holds(row in left, f"{what} {row[0]}: not {row[1:]}, as the evidence says"):
            left.remove(row)
    for row in left:
        about.holds(False, f"{what} {row[0]}: the evidence does not say {row[1:]}")


def _in_use(world: World) -> Iterator[tuple[tuple[str, ...], Any]]:
    """Every rule that something on record uses, and its value."""
    by = world.records.by
    assets = [role for role, rows in by.items() if rows and role not in ("links", "circuits")]
    used = {
        "services": {"default", *(row.get("service") for row in by["circuits"].values())},
        "fibres": {row.get("fibre_type") for row in by["cables"].values()},
        "failures": {*assets, *(row.get("kind") for role in assets for row in by[role].values())},
        "media": {"fibre", *(row.get("medium") for row in by["links"].values())},
        "reroute": set(),
    }
    left_out = ("waiver", "build", "works")  # no verdict rests on prices, or on days of works
    rules = {key: value for key, value in world.records.rules.items() if key not in left_out}
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
    """The source: the study's own rules, or the one that the shipped rules state."""
    stated = records.said_by.get(path)
    for length in range(len(path), 0, -1):
        stated = stated or shipped_sources().get(_dotted(path[:length]))
    return stated or ""


def _to_sign(world: World) -> Iterator[tuple[str, Any, str, str, int]]:
    """Key, value, unit, source and count of what the rules assume in place of records."""
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
    if shifts := [shift for shift in records.shifts if shift > 0]:
        yield "datum_shift.accuracy_m", max(shifts), "m", "PROJ", len(shifts)
    filled_in = sum(
        recovery_of(world, name)[1] and service_of(records, name).get("max_recovery_ms") is not None
        for name in records.by["circuits"]
    )
    if filled_in:
        source = _source(records, ("recovery", "switching_ms"))
        yield "recovery.assumed_ms", ruled_ms(records), "ms", source, filled_in
    excuse = records.rules["groups"]["excuse"] if world.groups else []
    ignored = sorted(world.ground.left_out)
    for path, kinds in (("groups", "excuse"), excuse), (("reliance", "ignore_kinds"), ignored):
        if kinds:
            yield ".".join(path), kinds, "", _source(records, path), len(kinds)


def _plain(value: Any) -> Any:
    if isinstance(value, dict):
        return {str(key): _plain(item) for key, item in value.items()}
    return [_plain(item) for item in value] if isinstance(value, (list, tuple)) else value


def check_ages(records: Records, facts: Evidence, about: About) -> None:
    """Check how old surveys, measurements and statements of leased routes are on the day judged.

    Parameters
    ----------
    records : Records
    facts : Evidence
    about : About
        Tallies the claims.
    """
    on = date.fromisoformat(facts["on"])
    allowed = records.rules["records"].get("oldest", {})
    found = []
    for what, days in _dates(records):
        known = [(on - day).days for day in days if day is not None and day <= on]
        limit, ages = allowed.get(what), (max(known), min(known)) if known else (None, None)
        oldest, newest = (None if n is None else str(on - timedelta(days=n)) for n in ages)
        age = {
            **{"what": what, "dated": len(known), "undated": len(days) - len(known)},
            **{"oldest": oldest, "newest": newest, "oldest_days": ages[0], "limit_days": limit},
            "too_old": 0 if limit is None else sum(day > limit for day in known),
        }
        if days:
            found.append(age)
    about.same("ages", facts["ages"], found)


def check_layers(records: Records, facts: Evidence, about: About, *, same_files: bool) -> None:
    """Check how many rows each layer has, and the oldest and newest of their dates.

    Parameters
    ----------
    records : Records
    facts : Evidence
    about : About
        Tallies the claims.
    same_files : bool
        Whether the inputs are those of which the evidence was made. If not, only what the layers
        of one role hold together is held against the records: the same records may stand in
        other files.
    """
    if "layers" not in facts:
        about.tally.skip(
            "layers: the evidence does not say how many rows and which dates they have"
        )
        return
    on = facts["on"]
    claimed = [(one["role"], one["file"], one["rows"], one["dates"]) for one in facts["layers"]]
    found = [
        (one.role, one.file, one.rows, [_dates_in(*column, on) for column in one.days.items()])
        for one in records.layers
    ]
    if same_files:
        about.same("layers", [*map(_as_text, claimed)], [*map(_as_text, found)])
        return
    for role in ROLES:
        mine, theirs = (_together(role, layers) for layers in (claimed, found))
        about.same(f"layers of {role}", mine, theirs)


def _as_text(layer: tuple[Any, ...]) -> str:
    return json.dumps(layer, sort_keys=True)


def _dates_in(name: str, days: Sequence[date | None], on: str) -> dict[str, Any]:
    known = [said for day in days if day is not None and (said := day.isoformat()) <= on]
    ends = (min(known), max(known)) if known else (None, None)
    counts = {"dated": len(known), "undated": len(days) - len(known)}
    return {"column": name, **counts, "oldest": ends[0], "newest": ends[1]}


def _together(role: str, layers: list[tuple[str, str, int, Any]]) -> dict[str, Any]:
    """Rows and dates of all layers of a role; the number of its layers says nothing."""
    mine = [one for one in layers if one[0] == role]
    found: dict[str, Any] = {"rows": sum(one[2] for one in mine)}
    for dates in (column for one in mine for column in one[3]):
        whole = found.setdefault(dates["column"], {"dated": 0, "undated": 0, "days": []})
        for name in ("dated", "undated"):
            whole[name] += dates[name]
        whole["days"] = sorted({*whole["days"], dates["oldest"], dates["newest"]} - {None})
        whole["days"] = whole["days"][:1] + whole["days"][1:][-1:]
    return found


def _dates(records: Records) -> Iterator[tuple[str, list[date | None]]]:
    """The days of every record whose age counts, by the key of `[records] oldest`."""
    rows = records.rows
    yield "survey", [day_of(row.get("surveyed")) for role in SURVEYED for row in rows[role]]
    tests = (newest_measurements(records, *one) for one in product(("cable", "link"), LIMITS_OF))
    mine = (test for found in tests for several in found.values() for test in several)
    yield "test", [day_of(test.get("date")) for test in mine]
    leased = [row for row in rows["links"] if row.get("medium") == "leased"]
    known = [row for row in leased if said_of(row) is not None]
    yield "leased_route", [day_of(row.get("stated_on")) for row in known]

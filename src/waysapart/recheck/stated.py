"""Hold what the evidence says of a study as a whole: name, days, grid, gaps, rules, ages."""

from __future__ import annotations

import json
import re
from collections import Counter
from collections.abc import Iterator
from datetime import UTC, date, datetime, timedelta
from itertools import product
from typing import TYPE_CHECKING, Any

from pyproj import CRS

from waysapart.gaps import GAP_CODES
from waysapart.recheck.figures import newest_tests
from waysapart.recheck.gaps_of_records import blanks, meaning
from waysapart.recheck.gaps_of_rows import about, day_of
from waysapart.recheck.reading import Records
from waysapart.recheck.rules import WHOLE, shipped_sources
from waysapart.recheck.world import DRAWN_GAPS, World

if TYPE_CHECKING:
    from waysapart.recheck.claims import Findings

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

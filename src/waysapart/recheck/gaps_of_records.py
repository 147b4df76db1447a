"""What the records leave open once they are tied: blanks, routes, fibres, places, tests, ages.

Every gap code that rests on tied plant is worked out here or where it shows: in `ground`
(ends, twins), `cables`, `links` and `paths` (courses that break), and `gaps_of_rows`
(rows that are faulty by themselves).
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator
from datetime import date
from itertools import combinations, pairwise
from typing import Any

from waysapart.gaps import Limit
from waysapart.recheck.figures import Figures, core_um, newest_tests
from waysapart.recheck.gaps_of_rows import Gap, day_of
from waysapart.recheck.ground import ground_distance
from waysapart.recheck.links import Hop, Use
from waysapart.recheck.proposal import Row
from waysapart.recheck.reading import Records

WIRED = ("electrical", "carrier")
LIMITS_OF: dict[str, tuple[Limit, ...]] = {
    "length_m": ("delay", "asymmetry", "loss"),
    "loss_db": ("loss",),
    "delay_us": ("delay", "asymmetry"),
}
"""The limits that rest on a test, by what it measured."""
DRUM = "drum"


def gaps_of_records(figures: Figures) -> Iterator[Gap]:
    """All of them but those of whole circuits and groups."""
    records, hops = figures.records, figures.hops
    yield from _blanks(records)
    yield from _routes(figures)
    yield from _unknown_fibres(records, hops)
    yield from _used_fibres(figures)
    yield from _merged_fibres(records, hops)
    yield from _core_steps(figures)
    yield from _joints_unrecorded(figures)
    yield from _joints_off_cables(figures)
    yield from _other_sites(figures)
    yield from _unfed_supplies(records)
    yield from _ages(records)
    yield from figures.length_gaps()


# Blanks


def _blanks(records: Records) -> Iterator[Gap]:
    """Blanks that `[records]` in the rules does not explain."""
    said = records.rules["records"]
    for role, row, column in blanks(records):
        if meaning(said[column], role, row)[0] == "gap":
            yield Gap(f"blank-{column.removesuffix('_us')}", row["id"], (row["id"],))


def blanks(records: Records) -> Iterator[tuple[str, Row, str]]:
    """Every blank of which `[records]` says what it means: role, row and column."""
    passive, links = records.rules["records"]["passive"], records.rows["links"]
    ends = {name for row in links for name in (row.get("a"), row.get("b"), *(row.get("via") or ()))}
    for role in ("sites", "structures", "holders", "segments", "supplies", "equipment"):
        for row in records.rows[role]:
            columns = ["within"]
            if role == "equipment" and row.get("kind") not in passive:
                columns += ["supplies", "needs", *(["delay_us"] * (row["id"] in ends))]
            elif role == "supplies":
                columns.append("needs")
            yield from ((role, row, column) for column in columns if row.get(column) is None)


def meaning(said: Any, role: str, row: Row) -> tuple[Any, str]:
    """What `[records]` says of a blank, and the kind or role that it says so of, if any."""
    if not isinstance(said, dict):
        return said, ""
    rule = next(key for key in (row.get("kind"), role, "other") if key in said)
    return said[rule], str(rule)


# Routes of hops


def _routes(figures: Figures) -> Iterator[Gap]:
    """Hops without cables whose route, length and delay nobody recorded, or that go too far."""
    for name, hop in figures.hops.items():
        medium = _medium(hop)
        if hop.uses():
            continue
        site_a, site_b = figures.end_sites(hop.row)
        if hop.row.get("relies_on") is None:
            if medium == "leased":
                yield Gap("leased-route", name, links=(name,))
            elif medium in WIRED and site_a != site_b:
                yield Gap("hop-route", name, links=(name,))
            elif medium == "radio" and site_a != site_b:
                yield Gap("radio-route", name, links=(name,))
        if medium == "internal":
            if figures.internal_apart(hop.row):
                yield Gap("internal-far", name, links=(name,))
        elif medium != "fibre" and None in figures.delay_us(name):
            yield Gap("hop-length", name, links=(name,))


def _medium(hop: Hop) -> str:
    return str(hop.row.get("medium") or "fibre")


# Fibres


def _unknown_fibres(records: Records, hops: dict[str, Hop]) -> Iterator[Gap]:
    """Cables that fibre links need without a type, or without a count where fibres are numbered."""
    users: dict[tuple[str, str], set[str]] = {}
    for row in records.rows["link_runs"]:
        hop = hops.get(row["link"])
        if hop is None or _medium(hop) != "fibre" or not row.get("cable"):
            continue
        cable = records.by["cables"][row["cable"]]
        if cable.get("fibre_type") is None:
            users.setdefault(("fibre-type", cable["id"]), set()).add(row["link"])
        if row.get("fibres") and cable.get("fibre_count") is None:
            users.setdefault(("fibre-count", cable["id"]), set()).add(row["link"])
    for (code, name), of in users.items():
        yield Gap(code, name, links=tuple(sorted(of)))


def _used_fibres(figures: Figures) -> Iterator[Gap]:
    """Fibres that a cable has not, and fibres that carry two links which nothing parts."""
    records, hops = figures.records, figures.hops
    count = {name: row.get("fibre_count") for name, row in records.by["cables"].items()}
    for row in records.rows["link_runs"]:
        most = count.get(str(row.get("cable")))
        if most is not None and any(one > most for one in numbers_of(row)):
            yield Gap("fibre-beyond", row["link"], links=(row["link"],))
    users: dict[tuple[str, int], set[tuple[str, Use]]] = {}
    for name, hop in hops.items():
        for way, uses in hop.ways.items():
            for use, row in zip(uses, hop.rows[way], strict=True):
                for fibre in numbers_of(row):
                    users.setdefault((use.cable, fibre), set()).add((name, use))
    pairs = {
        tuple(sorted((one, two)))
        for mine in users.values()
        for (one, here), (two, there) in combinations(sorted(mine, key=str), 2)
        if one != two and _overlap(figures, here, there)
    }
    for one, two in sorted(pairs):
        if not _parted(records, hops[one].row, hops[two].row):
            yield Gap("fibre-shared", one, links=(one, two))


def numbers_of(row: Row) -> list[int]:
    """The fibres that a row of link_runs names, as often as it does."""
    return [int(one) for one in str(row.get("fibres") or "").split(";") if one.strip()]


def _overlap(figures: Figures, one: Use, two: Use) -> bool:
    """Whether two uses of a cable have some of it in common."""
    whole = {0.0, float(len(figures.cables.chain[one.cable]))}
    if whole in ({one.from_, one.to}, {two.from_, two.to}):
        return True
    low = max(min(one.from_, one.to), min(two.from_, two.to))
    return min(max(one.from_, one.to), max(two.from_, two.to)) - low > 1e-9


def _parted(records: Records, one: Row, two: Row) -> bool:
    """By wavelength, each with a filter or multiplexer; or by channel, in one that both pass."""
    machines = records.by["equipment"]
    passed = [
        {
            name
            for name in (row.get("a"), row.get("b"), *(row.get("via") or ()))
            if name in machines and machines[name].get("kind") in ("multiplexer", "filter")
        }
        for row in (one, two)
    ]
    if one.get("wavelength_nm") != two.get("wavelength_nm"):
        return all(passed)
    channels = [row.get("channel") for row in (one, two)]
    return None not in channels and channels[0] != channels[1] and bool(passed[0] & passed[1])


def _merged_fibres(records: Records, hops: dict[str, Hop]) -> Iterator[Gap]:
    """Fibres that go on as more or fewer, and rows that name one fibre twice otherwise."""
    merged: set[int] = set()
    told: set[tuple[int, int]] = set()
    for name, hop in hops.items():
        for rows in hop.rows.values():
            for one, two in pairwise(rows):
                here, there = set(numbers_of(one)), set(numbers_of(two))
                if here and there and len(here) != len(there):
                    merged |= {id(one), id(two)}
                    if (id(one), id(two)) not in told:
                        told.add((id(one), id(two)))
                        yield Gap("fibre-merged", name, links=(name,))
    for row in records.rows["link_runs"]:
        fibres = numbers_of(row)
        if len(set(fibres)) < len(fibres) and id(row) not in merged:
            yield Gap("fibre-twice", row["link"], links=(row["link"],))


def _core_steps(figures: Figures) -> Iterator[Gap]:
    """Steps into a smaller core whose loss nobody states, and no test of the link covers."""
    cables, fibres = figures.records.by["cables"], figures.records.rules["fibres"]
    stated = figures.records.rules["defaults"].get("mode_mismatch_db", {})

    def step(before: float | None, after: float | None) -> float | None:
        if before is None or after is None:
            return None
        if before <= after or before < SINGLE_MODE_BELOW_UM:
            return 0.0
        which = "to_single_mode" if after < SINGLE_MODE_BELOW_UM else "to_smaller_core"
        found: float | None = stated.get(which)
        return found

    for name, hop in figures.hops.items():
        steps: set[tuple[str, str]] = set()
        for way, uses in hop.ways.items():
            turned = hop.turned[way]
            for one, two in pairwise(uses):
                kinds = [cables[use.cable].get("fibre_type") for use in (one, two)]
                if None in kinds or kinds[0] == kinds[1]:
                    continue
                cores = [core_um(fibres[kind]) for kind in kinds]
                onward, backward = step(*cores), step(*reversed(cores))
                go, back = (backward, onward) if turned else (onward, backward)
                lost = [go] if way == "go" else [back] if way == "return" else [go, back]
                if None in lost:
                    steps.add((one.cable, two.cable))
        if steps and not link_losses(figures.records, hop)[1]:
            for _ in steps:
                yield Gap("mode-mismatch", name, links=(name,))


SINGLE_MODE_BELOW_UM = 15.0


def _joints_unrecorded(figures: Figures) -> Iterator[Gap]:
    """Cables with a stretch longer than their reel and no joint on record in it.

    Only where a link's loss rests on it: one that states its `splices`, or whose
    loss was measured, does not.
    """
    users: dict[str, set[str]] = {}
    for name, hop in figures.hops.items():
        known = hop.row.get("splices") is not None or _medium(hop) != "fibre"
        if known or not hop.ways or link_losses(figures.records, hop)[1]:
            continue
        for way, uses in hop.ways.items():
            for use, row in zip(uses, hop.rows[way], strict=True):
                if cable_losses(figures, hop, use, row)[1]:
                    continue
                parts, reel = figures.stretches(use, figures.joints_met(use))
                if parts and max(parts) > reel * (1 + 1e-9):
                    users.setdefault(use.cable, set()).add(name)
    for cable, links in sorted(users.items()):
        yield Gap("joints-unrecorded", cable, links=tuple(sorted(links)))


def link_losses(records: Records, hop: Hop) -> tuple[list[float], bool]:
    """Losses that tests of a link found at about its wavelength; whether all of it was tested.

    A test that names neither a fibre nor a direction is of the whole link.
    """
    tests = _near(records, hop, newest_tests(records, "link", "loss_db").get(hop.row["id"], []))
    unnamed = [test for test in tests if test.get("fibre") is None]
    of_all = any(test.get("direction") is None for test in unnamed)
    ways = {test["direction"] == "return" for test in unnamed if test.get("direction") is not None}
    fibres = {test["fibre"] for test in tests if test.get("fibre") is not None}
    complete = of_all or len(ways) == 2 or len(fibres) + len(ways) >= _fibres_needed(records, hop)
    return [test["loss_db"] for test in tests], bool(tests) and complete


def _fibres_needed(records: Records, hop: Hop) -> int:
    """How many fibres a test has to cover: the most in any cable, one each way where unsaid."""
    per_run: dict[tuple[str, str | None], set[int]] = {}
    for row in records.runs_of.get(hop.row["id"], ()):
        if row.get("cable"):
            mine = per_run.setdefault((row["cable"], row.get("direction")), set())
            mine |= set(numbers_of(row)) or {0}
    most: dict[str | None, int] = {}
    for (_, way), fibres in per_run.items():
        unsaid = 2 if way is None else 1
        several = len(fibres - {0}) + unsaid * (0 in fibres)
        most[way] = max(most.get(way, 0), several)
    return sum(most.values()) if most else 2


def cable_losses(figures: Figures, hop: Hop, use: Use, row: Row) -> tuple[list[float], bool]:
    """Losses that tests found of a whole cable as a link uses it; whether all fibres were tested.

    A fibre tested from both ends loses the mean of both; a test that names no fibre is of
    every fibre. Where the link does not say which fibres it uses it may be any tested one.
    """
    if {use.from_, use.to} != {0.0, float(len(figures.cables.chain[use.cable]))}:
        return [], False
    used = set(numbers_of(row))
    tests = _near(
        figures.records,
        hop,
        newest_tests(figures.records, "cable", "loss_db").get(use.cable, []),
    )
    tests = [t for t in tests if not used or t.get("fibre") is None or int(t["fibre"]) in used]
    of_all = [test["loss_db"] for test in tests if test.get("fibre") is None]
    named: dict[int, dict[bool, list[float]]] = {}
    for test in tests:
        if test.get("fibre") is not None:
            ways = named.setdefault(int(test["fibre"]), {})
            ways.setdefault(test.get("direction") == "return", []).append(test["loss_db"])
    values = [*of_all, *map(two_way_mean, named.values())]
    return values, bool(of_all) or (bool(used) and used <= set(named))


def two_way_mean(ways: dict[bool, list[float]]) -> float:
    """Mean of the tests of a fibre, both directions weighing the same."""
    means = [sum(values) / len(values) for values in ways.values()]
    return sum(means) / len(means)


def _near(records: Records, hop: Hop, tests: Iterable[Row]) -> list[Row]:
    """The tests at about the wavelength that a link works at; a blank one counts."""
    works_at, most = (
        hop.row.get("wavelength_nm"),
        records.rules["defaults"]["wavelength_tolerance_nm"],
    )
    return [
        test
        for test in tests
        if works_at is None
        or test.get("wavelength_nm") is None
        or abs(test["wavelength_nm"] - works_at) <= most
    ]


# Places that cannot both be true


def _joints_off_cables(figures: Figures) -> Iterator[Gap]:
    """Joints that list a cable which never passes the place where they are."""
    ground, cables, records = figures.cables.ground, figures.cables, figures.records
    for name, joint in records.by["joints"].items():
        at = joint.get("at")
        for cable in joint.get("cables") or ():
            if at is None or cable not in cables.chain:
                continue
            nodes = {node for node, _ in cables.nodes(cable) if node is not None}
            if at in nodes or any(at in ground.above(n) or n in ground.above(at) for n in nodes):
                continue
            course = [ground.shape[step.segment] for step in cables.chain[cable]]
            course.append(records.by["cables"][cable].get("geometry"))
            place = ground.shape.get(at)
            known = [one for one in course if one is not None]
            if place is None or not known:
                continue
            nearest = min(known, key=place.distance)
            if ground_distance(records, nearest, place) > records.snap_m:
                yield Gap("joint-off-cable", name, (name, cable))


def _other_sites(figures: Figures) -> Iterator[Gap]:
    """Equipment and supplies whose site is not one that they lie within."""
    ground, records = figures.cables.ground, figures.records
    for role in ("equipment", "supplies"):
        for name, row in records.by[role].items():
            held = ground.above(name) & set(records.by["sites"])
            site = row.get("site")
            if site is None or not held or site in held or held & ground.above(site):
                continue
            yield Gap("site-contradiction", name, (name,))


def _unfed_supplies(records: Records) -> Iterator[Gap]:
    """Supplies that only feed one another, so that nothing is on record that feeds them."""
    supplies = records.by["supplies"]
    fed = {
        name: mine
        for name, row in supplies.items()
        if (mine := [one for one in row.get("supplies") or () if one in supplies])
    }
    kept_up = set(supplies) - set(fed)
    while more := {name for name, mine in fed.items() if kept_up & set(mine)} - kept_up:
        kept_up |= more
    for name in supplies:
        if name not in kept_up:
            yield Gap("supply-loop", name, (name,))


# Ages


def _ages(records: Records) -> Iterator[Gap]:
    """Records older than the rules allow, or undated, and tests that are yet to come."""
    on = date.fromisoformat(records.on)
    oldest: dict[str, Any] = records.rules["records"].get("oldest", {})

    def late(said: object, what: str) -> bool:
        day, most = day_of(said), oldest.get(what)
        if most is None:
            return False
        return day is None or not 0 <= (on - day).days <= most

    for role in ("sites", "structures", "segments"):
        for name, row in records.by[role].items():
            if late(row.get("surveyed"), "survey"):
                yield Gap("survey-old", name, (name,))
    for name, row in records.by["links"].items():
        stated = row.get("medium") == "leased" and row.get("relies_on") is not None
        if stated and late(row.get("stated_on"), "leased_route"):
            yield Gap("leased-old", name, links=(name,))
    for owner in ("cable", "link"):
        for value, limits in LIMITS_OF.items():
            for name, tests in newest_tests(records, owner, value).items():
                for test in tests:
                    if late(test.get("date"), "test"):
                        yield _of_test("test-old", owner, name, limits)
    for test in records.rows["measurements"]:
        day = day_of(test.get("date"))
        if day is not None and day > on:
            owner = "cable" if test.get("cable") else "link"
            counts = Counter(
                limit
                for value, mine in LIMITS_OF.items()
                if test.get(value) is not None
                for limit in mine
            )
            yield _of_test("test-future", owner, test[owner], tuple(counts))


def _of_test(code: str, owner: str, name: str, limits: tuple[Limit, ...]) -> Gap:
    if owner == "cable":
        return Gap(code, name, (name,), only=limits)
    return Gap(code, name, links=(name,), only=limits)

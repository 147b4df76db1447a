"""Which gaps the tied records have, whom they touch, and whether the evidence tells them.

Every gap code that rests on tied plant is worked out here or where it shows: in `plant` and
`reliance` (ends, twins, courses that break), `availability` (rates), and `rows` (faulty rows).
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from datetime import date
from itertools import combinations, pairwise
from math import sqrt
from typing import Any

from waysapart.gaps import GAP_CODES, Limit
from waysapart.recheck.evidence import Tally, few
from waysapart.recheck.figures import (
    SINGLE_MODE_BELOW_UM,
    Budgets,
    Figures,
    _reels,
    _times,
    cable_losses,
    core_um,
    link_losses,
    newest_tests,
    numbers_of,
    two_way_mean,
)
from waysapart.recheck.plant import WIRED, Hop, Use, ground_distance
from waysapart.recheck.records import Records
from waysapart.recheck.reliance import DRAWN_GAPS, Trial, World, name_of
from waysapart.recheck.rows import Gap, Row, about, day_of
from waysapart.recheck.separation import Breach

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


# Tests that contradict the records


def test_gaps(budgets: Budgets) -> Iterator[Gap]:
    """Tests of loss and delay that mean that the record is of something else.

    A loss only where no test of length or delay of the same cable or link agrees: with the
    right length it is the right cable.
    """
    figures, rules = budgets.figures, budgets.rules["tests"]
    confirmed: set[tuple[str, str]] = set()
    for owner in ("cable", "link"):
        for name, tests in newest_tests(budgets.records, owner, "length_m").items():
            if owner == "cable":
                computed = figures.by_record_m(name)
                bounds = (computed, computed)
            else:
                by_cables = figures.lengths[name].by_cables
                known = [one for one in by_cables if one is not None]
                bounds = (min(known), max(known)) if len(known) == len(by_cables) else (None, None)
            for value in _means(tests, "length_m"):
                if not _off(value, bounds, rules["length_pct"], rules["length_m"]):
                    confirmed.add((owner, name))
    for name in newest_tests(budgets.records, "link", "delay_us"):
        told = set()
        measured, computed_us = figures.measured_us(name), figures.delay_by_record_us(name)
        for found, by_record in zip(measured, computed_us, strict=True):
            if found is None:
                continue
            value = found
            due = by_record if by_record is not None and by_record > 0 else None
            if not _off(value, (due, due), rules["delay_pct"], rules["delay_us"]):
                confirmed.add(("link", name))
            elif (value, due) not in told:
                told.add((value, due))
                yield Gap("measured-delay", name, links=(name,))
    for name, tests in newest_tests(budgets.records, "link", "loss_db").items():
        if ("link", name) in confirmed:
            continue
        hop = figures.hops[name]
        fibre = (hop.row.get("medium") or "fibre") == "fibre" and bool(hop.ways)
        budget = budgets.of(name) if fibre else None
        low, high = (budget.computed_least_db, budget.computed_db) if budget else (None, None)
        works_at = hop.row.get("wavelength_nm")
        most = budgets.rules["defaults"]["wavelength_tolerance_nm"]
        near = [
            test
            for test in tests
            if None in (works_at, test["wavelength_nm"])
            or abs(test["wavelength_nm"] - works_at) <= most
        ]
        for value in _means(near, "loss_db"):
            if _off(value, (low, high), rules["loss_pct"], rules["loss_db"]):
                yield Gap("measured-loss", name, links=(name,))
    for name, tests in newest_tests(budgets.records, "cable", "loss_db").items():
        if ("cable", name) in confirmed:
            continue
        for nm in sorted({test["wavelength_nm"] for test in tests} - {None}):
            bounds = _cable_bounds(budgets, name, nm)
            for value in _means([t for t in tests if t["wavelength_nm"] == nm], "loss_db"):
                if _off(value, bounds, rules["loss_pct"], rules["loss_db"]):
                    yield Gap("measured-loss", name, (name,))


def _means(tests: list[Row], value: str) -> list[float]:
    """Of every fibre the mean of both ways."""
    fibres: dict[Any, dict[bool, list[float]]] = {}
    for test in tests:
        ways = fibres.setdefault(test.get("fibre"), {})
        ways.setdefault(test.get("direction") == "return", []).append(test[value])
    return [two_way_mean(ways) for ways in fibres.values()]


def _off(
    value: float, bounds: tuple[float | None, float | None], per_cent: float, least: float
) -> bool:
    """Whether a test lies beyond what the records allow for, and by more than the tolerance."""
    low, high = bounds

    def differs(due: float) -> bool:
        return abs(value - due) > max(per_cent / 100 * abs(due), least)

    above = high is not None and value > high and differs(high)
    return above or (low is not None and value < low and differs(low))


def _cable_bounds(budgets: Budgets, name: str, nm: float) -> tuple[float | None, float | None]:
    """Least and greatest loss of a whole cable with the joints that join it to no other."""
    figures, rules = budgets.figures, budgets.rules
    vary, hop = rules["statistics"], Hop({"wavelength_nm": nm})
    use = figures.whole_use(name)
    metres = figures.whole_m(name)
    alone = [
        row for row in figures.records.by["joints"].values() if (row.get("cables") or ()) == [name]
    ]
    losses = [row["loss_db"] for row in alone if row.get("loss_db") is not None]
    splices = figures.reels(use, figures.joints_met(use)) + len(alone) - len(losses)
    worst = _times(metres, figures.db_per_km(hop, use, mean=False))
    mean = _times(metres, figures.db_per_km(hop, use, mean=True))
    if metres is None or worst is None or mean is None:
        return None, None
    reels = _reels(metres, figures.reel_m(name))
    variance = (vary["fibre_sigma_db_per_km"] * metres / 1000) ** 2 / reels
    variance += splices * vary["splice_sigma_db"] ** 2
    likely = mean + splices * vary["splice_mean_db"] + sum(losses)
    greatest = worst + splices * rules["defaults"]["splice_db"] + sum(losses)
    return max(likely - vary["k"] * sqrt(variance), 0.0), greatest


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

GapKey = tuple[str, str]
"""Code of a gap and what it is about."""


def check_gaps_of(
    world: World, claim: dict[str, Any], trial: Trial, breach: Breach, findings: Tally
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


def _unlike(told: list[dict[str, Any]], found: Counter[GapKey]) -> tuple[set[GapKey], set[GapKey]]:
    """Gaps that are told and not found, and those that are found and not told.

    Many of one kind may be told as one, by the first of them and how many they are.
    """
    single: Counter[GapKey] = Counter()
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


def check_all_gaps(world: World, facts: dict[str, Any], derived: set[str], findings: Tally) -> None:
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


def _check_gap(gap: dict[str, Any], findings: Tally) -> None:
    """The code is one that there is, and it bears on what that code does."""
    code = GAP_CODES.get(gap["code"])
    if code is None:
        findings.holds(False, f"there are no gaps of code {gap['code']!r}")
        return
    said = f"the gap {code.code} of {gap['asset']}: bears on"
    findings.same(said, gap["bears_on"], code.bears_on)

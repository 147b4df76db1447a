"""Which gaps the tied records have, whom they touch, and whether the evidence tells them.

Every gap code that rests on tied plant is worked out here or where it shows: in `plant` and
`reliance` (ends, twins, courses that break), `availability` (rates), and `faulty_rows`.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from datetime import date
from itertools import combinations, pairwise
from math import sqrt
from typing import Any

from waysapart.evidence import Evidence, GapBrief, RecordGap
from waysapart.gaps import GAP_CODES, Limit
from waysapart.recheck.evidence import About, few
from waysapart.recheck.faulty_rows import Gap, Row, day_of, grouped, reached, unnumbered
from waysapart.recheck.figures import (
    Budgets,
    Figures,
    at_wavelength,
    cable_losses,
    fibre_means,
    link_losses,
    newest_measurements,
    numbers_of,
    one_way,
    scaled,
    whole_reels,
)
from waysapart.recheck.plant import WIRED, WITH_WITHIN, Hop, Use
from waysapart.recheck.records import Records
from waysapart.recheck.reliance import DRAWN_GAPS, World, name_of
from waysapart.recheck.separation import Breach
from waysapart.recheck.sharing import Subject

LIMITS_OF: dict[str, tuple[Limit, ...]] = {
    "length_m": ("delay", "asymmetry", "loss"),
    "loss_db": ("loss",),
    "delay_us": ("delay", "asymmetry"),
}
"""The limits that rest on a measurement, by what it measured."""
Bounds = tuple[float | None, float | None]
"""The least and the greatest that the records allow for."""


def gaps_of_records(figures: Figures) -> Iterator[Gap]:
    """All gaps of tied records but those of whole circuits and groups.

    Parameters
    ----------
    figures : Figures

    Yields
    ------
    Gap
    """
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


# Blanks


def _blanks(records: Records) -> Iterator[Gap]:
    """Blanks that `[records]` in the rules does not explain."""
    said = records.rules["records"]
    for role, row, column in blanks(records):
        if meaning(said[column], role, row)[0] == "gap":
            yield Gap(f"blank-{column.removesuffix('_us')}", row["id"], (row["id"],))


def blanks(records: Records) -> Iterator[tuple[str, Row, str]]:
    """Every blank whose meaning `[records]` states.

    Parameters
    ----------
    records : Records

    Yields
    ------
    role : str
    row : dict
    column : str
    """
    passive, links = records.rules["records"]["passive"], records.rows["links"]
    ends = {name for row in links for name in (row.get("a"), row.get("b"), *(row.get("via") or ()))}
    for role in WITH_WITHIN:
        for row in records.rows[role]:
            columns = ["within"]
            if role == "equipment" and row.get("kind") not in passive:
                columns += ["supplies", "needs", *(["delay_us"] * (row["id"] in ends))]
            elif role == "supplies":
                columns.append("needs")
            yield from ((role, row, column) for column in columns if row.get(column) is None)


def meaning(said: Any, role: str, row: Row) -> tuple[Any, str]:
    """What `[records]` says of a blank.

    Parameters
    ----------
    said : object
        One value, or one for each kind or role.
    role : str
    row : dict

    Returns
    -------
    value : object
    rule : str
        The kind or role that it is stated for; empty where there is one value for all.
    """
    if not isinstance(said, dict):
        return said, ""
    rule = next(key for key in (row.get("kind"), role, "other") if key in said)
    return said[rule], str(rule)


# Routes of hops


def _routes(figures: Figures) -> Iterator[Gap]:
    """Hops without cables whose route, length and delay are not on record, or that are too long."""
    for name, hop in figures.hops.items():
        medium = hop.medium
        if hop.uses():
            continue
        near = figures.within_one_site(hop.row)
        if said_of(hop.row) is None:
            if medium == "leased":
                yield Gap("leased-route", name, links=(name,))
            elif medium in WIRED and not near:
                yield Gap("hop-route", name, links=(name,))
            elif medium == "radio" and not near:
                yield Gap("radio-route", name, links=(name,))
        elif medium == "leased" and not near and _only_ends(figures.records, hop.row):
            yield Gap("leased-route", name, links=(name,))
        if medium == "internal":
            if figures.internal_apart(hop.row):
                yield Gap("internal-far", name, links=(name,))
        elif medium != "fibre" and None in figures.delay_us(name):
            yield Gap("hop-length", name, links=(name,))


def said_of(row: Row) -> list[str] | None:
    """What the record of a hop says that it relies on, without what its trace adds."""
    said: list[str] | None = row["_stated"] if "_stated" in row else row.get("relies_on")
    return said


def _only_ends(records: Records, row: Row) -> bool:
    """Whether all that a hop is said to rely on belongs to its own ends."""
    by = records.by

    def ahead(name: str) -> list[str]:
        mine = next((by[r][name] for r in _AT_ENDS if name in by[r]), None)
        if mine is None:
            return []
        lists = (mine.get(column) or [] for column in ("within", "supplies", "needs"))
        return [one for some in lists for one in some] + (
            [mine["site"]] if mine.get("site") else []
        )

    named = said_of(row)
    own = [*(row[end] for end in ("a", "b") if row.get(end)), *(row.get("via") or ())]
    return bool(named) and set(named or ()) <= reached(own, ahead)


_AT_ENDS = ("equipment", "supplies", "sites", "holders")


# Fibres


def _unknown_fibres(records: Records, hops: dict[str, Hop]) -> Iterator[Gap]:
    """Cables that fibre links need without a type, or without a count where fibres are numbered."""
    lacking = []
    for row in records.rows["link_runs"]:
        hop = hops.get(row["link"])
        if hop is None or hop.medium != "fibre" or not row.get("cable"):
            continue
        cable = records.by["cables"][row["cable"]]
        if cable.get("fibre_type") is None:
            lacking.append((("fibre-type", cable["id"]), row["link"]))
        if row.get("fibres") and cable.get("fibre_count") is None:
            lacking.append((("fibre-count", cable["id"]), row["link"]))
    for (code, name), of in grouped(lacking).items():
        yield Gap(code, name, links=tuple(sorted(set(of))))


def _used_fibres(figures: Figures) -> Iterator[Gap]:
    """Fibres that a cable lacks, and fibres that carry two links which nothing separates."""
    records, hops = figures.records, figures.hops
    count = {name: row.get("fibre_count") for name, row in records.by["cables"].items()}
    for row in records.rows["link_runs"]:
        most = count.get(str(row.get("cable")))
        if most is not None and any(one > most for one in numbers_of(row)):
            yield Gap("fibre-beyond", row["link"], links=(row["link"],))
    users = grouped(
        ((use.cable, fibre), (name, use))
        for name, hop in hops.items()
        for use, row in hop.runs()
        for fibre in numbers_of(row)
    )
    pairs = {
        tuple(sorted((one, two)))
        for mine in users.values()
        for (one, here), (two, there) in combinations(sorted(set(mine), key=str), 2)
        if one != two and _overlap(figures, here, there)
    }
    for one, two in sorted(pairs):
        if not _parted(records, hops[one].row, hops[two].row):
            yield Gap("fibre-shared", one, links=(one, two))


def _overlap(figures: Figures, one: Use, two: Use) -> bool:
    """Whether two uses of a cable have some of it in common."""
    if figures.cables.is_whole(one) or figures.cables.is_whole(two):
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
    """Fibres that go on as more or fewer, and rows that name one fibre twice."""
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
    """Steps into a smaller core whose loss is not stated and not covered by a measured link."""
    for name, hop in figures.hops.items():
        steps: set[tuple[str, str]] = set()
        for direction, uses in hop.directions.items():
            for one, two in pairwise(uses):
                both = figures.core_step_db(one, two), figures.core_step_db(two, one)
                go, back = both[::-1] if hop.turned[direction] else both
                if None in {"go": [go], "return": [back]}.get(direction, both):
                    steps.add((one.cable, two.cable))
        if steps and not link_losses(figures.records, hop)[1]:
            yield from [Gap("mode-mismatch", name, links=(name,))] * len(steps)


def _joints_unrecorded(figures: Figures) -> Iterator[Gap]:
    """Cables with a stretch longer than their reel and no joint on record in it.

    Only where a link's loss rests on it: one that states its `splices`, or whose
    loss was measured, does not.
    """
    users = []
    for name, hop in figures.hops.items():
        stated = hop.row.get("splices") is not None
        if stated or not hop.over_fibre or link_losses(figures.records, hop)[1]:
            continue
        for use, row in hop.runs():
            if not cable_losses(figures, hop, use, row)[1]:
                parts, reel = figures.reel_parts(use, figures.joints_met(use))
                if parts and max(parts) > reel * (1 + 1e-9):
                    users.append((use.cable, name))
    for cable, links in sorted(grouped(users).items()):
        yield Gap("joints-unrecorded", cable, links=tuple(sorted(set(links))))


# Places that contradict each other


def _joints_off_cables(figures: Figures) -> Iterator[Gap]:
    """Joints that list a cable which does not pass the place where they are."""
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
            course.append(records.flat.get(cable))
            place = ground.shape.get(at)
            known = [one for one in course if one is not None]
            if place is None or not known:
                continue
            if min(records.sheet.metres(one, place) for one in known) > records.snap_m:
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
    """Records older than the rules allow, or undated, and measurements dated in the future."""
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
        stated = row.get("medium") == "leased" and said_of(row) is not None
        by_nobody = row.get("stated_by") is None and oldest.get("leased_route") is not None
        if stated and (by_nobody or late(row.get("stated_on"), "leased_route")):
            yield Gap("leased-old", name, links=(name,))
    for owner in ("cable", "link"):
        for value, limits in LIMITS_OF.items():
            for name, tests in newest_measurements(records, owner, value).items():
                for test in tests:
                    if late(test.get("date"), "test"):
                        yield _of_test("test-old", owner, name, limits)
    for test in records.rows["measurements"]:
        day = day_of(test.get("date"))
        if day is not None and day > on:
            owner = "cable" if test.get("cable") else "link"
            given = (mine for value, mine in LIMITS_OF.items() if test.get(value) is not None)
            counted = dict.fromkeys(limit for mine in given for limit in mine)
            yield _of_test("test-future", owner, test[owner], tuple(counted))


def _of_test(code: str, owner: str, name: str, limits: tuple[Limit, ...]) -> Gap:
    if owner == "cable":
        return Gap(code, name, (name,), only=limits)
    return Gap(code, name, links=(name,), only=limits)


# Measurements that contradict the records


def measurement_gaps(budgets: Budgets) -> Iterator[Gap]:
    """Gaps of measured lengths, losses and delays that differ too much from the records.

    A loss counts only where no measurement of length or delay of the same cable or link agrees:
    with the right length it is the right cable.

    Parameters
    ----------
    budgets : Budgets

    Yields
    ------
    Gap
    """
    figures, records, rules = budgets.figures, budgets.records, budgets.rules["tests"]

    def off(value: float, bounds: Bounds, what: str, unit: str) -> bool:
        """Whether a measured value lies outside the records' bounds by more than the tolerance."""
        (low, high), share = bounds, rules[f"{what}_pct"] / 100

        def differs(due: float) -> bool:
            return bool(abs(value - due) > max(share * abs(due), rules[f"{what}_{unit}"]))

        above = high is not None and value > high and differs(high)
        return above or (low is not None and value < low and differs(low))

    confirmed: set[tuple[str, str]] = set()
    for cable, tests in newest_measurements(records, "cable", "length_m").items():
        computed = figures.by_record_m(cable)
        means = fibre_means(tests, "length_m").values()
        wrong = sum(off(value, (computed, computed), "length", "m") for value in means)
        yield from [Gap("measured-length", cable, (cable,))] * wrong
        if wrong < len(means):
            confirmed.add(("cable", cable))
    for link, tests in newest_measurements(records, "link", "length_m").items():
        go, back = figures.lengths[link].by_cables
        bounds: Bounds = (None, None)
        if go is not None and back is not None:
            bounds = min(go, back), max(go, back)
        alike = go == back or (None not in bounds and abs((go or 0) - (back or 0)) <= 1e-9)
        for direction, due in ((None, go),) if alike else (("go", go), ("return", back)):
            means = fibre_means(one_way(tests, direction), "length_m").values()
            wrong = sum(off(value, (due, due), "length", "m") for value in means)
            yield from [Gap("measured-length", link, links=(link,))] * wrong
        means = fibre_means(tests, "length_m").values()
        if not all(off(value, bounds, "length", "m") for value in means):
            confirmed.add(("link", link))
    for name in newest_measurements(records, "link", "delay_us"):
        told = set()
        both = zip(figures.measured_us(name), figures.delay_by_record_us(name), strict=True)
        for value, by_record in both:
            if value is None:
                continue
            due = by_record if by_record is not None and by_record > 0 else None
            if not off(value, (due, due), "delay", "us"):
                confirmed.add(("link", name))
            elif (value, due) not in told:
                told.add((value, due))
                yield Gap("measured-delay", name, links=(name,))
    for name, tests in newest_measurements(records, "link", "loss_db").items():
        if ("link", name) not in confirmed:
            hop = figures.hops[name]
            budget = budgets.of(name) if hop.over_fibre else None
            bounds = (budget.computed_least_db, budget.computed_db) if budget else (None, None)
            means = fibre_means(at_wavelength(records, hop, tests), "loss_db").values()
            wrong = sum(off(value, bounds, "loss", "db") for value in means)
            yield from [Gap("measured-loss", name, links=(name,))] * wrong
    for name, tests in newest_measurements(records, "cable", "loss_db").items():
        if ("cable", name) in confirmed:
            continue
        at = grouped((test["wavelength_nm"], test) for test in tests)
        for nm in sorted(at.keys() - {None}):
            bounds, means = (
                _cable_bounds(budgets, name, nm),
                fibre_means(at[nm], "loss_db").values(),
            )
            wrong = sum(off(value, bounds, "loss", "db") for value in means)
            yield from [Gap("measured-loss", name, (name,))] * wrong


def _cable_bounds(budgets: Budgets, name: str, nm: float) -> Bounds:
    """Least and greatest loss of a whole cable with the joints that join it to no other."""
    figures, rules = budgets.figures, budgets.rules
    vary, hop = rules["statistics"], Hop({"wavelength_nm": nm})
    use = figures.cables.whole(name)
    metres = figures.whole_m(name)
    alone = [
        row for row in figures.records.by["joints"].values() if (row.get("cables") or ()) == [name]
    ]
    losses = [row["loss_db"] for row in alone if row.get("loss_db") is not None]
    splices = figures.reel_splices(use, figures.joints_met(use)) + len(alone) - len(losses)
    worst = scaled(metres, figures.db_per_km(hop, use, mean=False))
    mean = scaled(metres, figures.db_per_km(hop, use, mean=True))
    if metres is None or worst is None or mean is None:
        return None, None
    reels = whole_reels(metres, figures.reel_m(name))
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
    *("own-line", "fibre-type", "fibre-count", "fibre-beyond", "fibre-shared", "way-out"),
    "lone-member",
    *("blank-within", "blank-supplies", "blank-needs", "blank-delay", "fibre-twice"),
    *("fibre-merged", "mode-mismatch", "joints-unrecorded", "joint-off-cable"),
    *("site-contradiction", "supply-loop", "survey-old", "leased-old", "test-old"),
    *("test-future", "no-id", "duplicate-id", "duplicate-step", "dangling-reference"),
    *("blank-required", "unreadable-value", "unreadable-figure", "unusable-geometry"),
    *("lies-in-itself", "paths-twice", "unknown-service", "unknown-fibre-type"),
    *("no-wavelength", "power-limits", "test-owner", "waiver-owner", "hop-rate"),
    *("measured-loss", "measured-delay", "ring-recovery"),
    *("trace-stops", "trace-loop", "trace-crossed", "end-twice", "port-twice", "ports-uneven"),
    *("port-shared", "splice-types", "runs-differ", "cord-to-nothing", "cord-between-sites"),
    *("splice-off-cable", "splice-side"),
}
"""Gap codes that recheck derives itself; others it takes as the evidence states them."""
NEAR_ACCURACY = "near-accuracy"
GapKey = tuple[str, str]
"""Code of a gap and what it is about."""


def check_gaps_of(world: World, subject: Subject, breach: Breach, about: About) -> list[GapKey]:
    """Check the gaps that touch a circuit or group.

    Parameters
    ----------
    world : World
    subject : Subject
    breach : Breach
        What its near approaches and crossings mean.
    about : About
        Tallies the claims.

    Returns
    -------
    list of (code, id)
        Gaps worked out here, and others as the evidence states them.
    """
    claim, trial, _ = subject
    told = [(gap["code"], gap["asset"]) for gap in claim["gaps"]]
    derived = DERIVED if breach.loose is None else {*DERIVED, NEAR_ACCURACY}
    drawn = {(code, cable) for code in DRAWN_GAPS for cable in world.cables.drawn}
    others = [gap for gap in told if gap[0] not in derived or gap in drawn]
    for code, _ in others:
        about.tally.skip(f"gaps of code {code}: taken as the evidence states them", trial.what)
    found = [(gap.code, gap.about) for gap in world.touching(trial)]
    if breach.loose and not breach.stands:
        found.append((NEAR_ACCURACY, trial.id))
    unsure = world.unsure(trial.paths)
    names = few(sorted(map(name_of, unsure)))
    said = not unsure or any(code in DRAWN_GAPS for code, _ in told)
    about.holds(said, f"the course of {names} is not certain, and no gap says so")
    own = [gap for gap in claim["gaps"] if (gap["code"], gap["asset"]) not in others]
    extra, lacking = _unlike(own, Counter((code, unnumbered(of)) for code, of in found))
    about.holds(not extra, f"no such gap touches it: {few(sorted(extra))}")
    about.holds(not lacking, f"gaps touch it that are not told: {few(sorted(lacking))}")
    return found + others


def _unlike(told: list[GapBrief], found: Counter[GapKey]) -> tuple[set[GapKey], set[GapKey]]:
    """Gaps that are claimed and not found, and those that are found and not claimed.

    Many of one kind may stand as one, by the first of them and their number.
    """
    single = Counter((gap["code"], unnumbered(gap["asset"])) for gap in told)
    left: Counter[str] = Counter()
    for gap in told:
        left[gap["code"]] += gap["count"] - 1
    extra, lacking = single - found, found - single
    for code in {code for code, _ in lacking} | {code for code, many in left.items() if many}:
        mine = {pair for pair in lacking if pair[0] == code}
        count = sum(lacking[pair] for pair in mine)
        if count == left[code]:
            lacking = Counter({k: n for k, n in lacking.items() if k not in mine})
        elif not mine or left[code] > count:
            extra[code, f"{left[code]} of them"] = 1
    return set(extra), set(lacking)


def check_all_gaps(world: World, facts: Evidence, about: About) -> None:
    """Check the list of all gaps, and that it holds those of each circuit and group.

    Parameters
    ----------
    world : World
    facts : Evidence
    about : About
        Tallies the claims.
    """
    drawn = world.cables.drawn
    told = Counter(
        (gap["code"], unnumbered(asset))
        for gap in facts["gaps"]
        for asset in gap["assets"]
        if gap["code"] in DERIVED and not (gap["code"] in DRAWN_GAPS and gap["asset"] in drawn)
    )
    known: Counter[GapKey] = Counter()
    for gap in facts["gaps"]:
        code, of = gap["code"], gap["asset"]
        mine = about.of(f"the gap {code} of {of}")
        _check_code(gap, mine)
        mine.holds(gap["assets"][:1] == [of], "is not of what it is told of")
        counts = len(gap["assets"]), len(gap["rows"])
        mine.same("how many", (gap["count"], gap["count"]), counts)
        mine.same("row of the first", [gap["row"]], gap["rows"][:1])
        for asset in gap["assets"]:
            known[code, asset] += gap["count"]
    for one in (*facts["circuits"], *facts["groups"]):
        for brief in one["gaps"]:
            code, of, count = brief["code"], brief["asset"], brief["count"]
            _check_code(brief, about.of(f"the gap {code} of {of}"))
            said = f"{one['id']}: {count} gaps {code} of {of} touch it, and the list has"
            about.holds(count <= known[code, of], f"{said} {known[code, of]}")
    found = Counter((gap.code, unnumbered(gap.about)) for gap in world.gaps)
    for code, of in sorted((told - found).keys()):
        about.holds(False, f"there is no gap {code} of {of}")
    for code, of in sorted((found - told).keys()):
        about.holds(False, f"the gap {code} of {of} is not told")
    about.tally.confirmed += sum((told & found).values())
    others = ", ".join(sorted(code for code in GAP_CODES if code not in DERIVED))
    about.skip(f"whether there are more gaps of these codes: {others}")


def _check_code(gap: RecordGap | GapBrief, about: About) -> None:
    """Check that a code exists and that the gap bears on what the code does."""
    code = GAP_CODES.get(gap["code"])
    if code is None:
        about.holds(False, "there are no gaps of this code")
    else:
        about.same("bears on", gap["bears_on"], code.bears_on)

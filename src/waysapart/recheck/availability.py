"""How much of the time paths are down: what fails, how often, and what it takes."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from itertools import pairwise
from math import cos, exp, expm1, log1p, radians
from typing import Any

import shapely
from pyproj import Transformer

from waysapart.evidence import Unavailability
from waysapart.gaps import GAP_CODES
from waysapart.recheck.evidence import Tally
from waysapart.recheck.plant import WIRED
from waysapart.recheck.records import LON_LAT, carried
from waysapart.recheck.reliance import Asset, Key, Trial, World, fallen, service_of
from waysapart.recheck.rows import Gap

HOURS_PER_YEAR = 8760.0

MINUTES_PER_YEAR = 60 * HOURS_PER_YEAR

ROUNDED = 2e-5
"""Share by which a figure of six digits may be off, with what the length under it may be off."""

MOST_WAYS = 16
"""That `prove` works out at once; and so many things that feed machines."""

MOST_STATES = 1 << 17

LAID = {
    *("span", "duct", "subduct", "trench", "tray", "riser", "buried", "tunnel", "bridge"),
    "subsea",
}
"""Kinds whose rates are those of segments, with the cables in them."""

HOP_RATE = "hop-rate"


def unavailability(world: World) -> dict[Asset, float | None]:
    """Share of the time for which each asset is down; None where nothing gives it a rate.

    Failures a year times hours to repair, over that and 8760 h (IEC 61078). Hops by their own.
    """
    records, rates = world.records, world.records.rules["failures"]
    held, figures = _held_shares(world), world.figures

    def length_m(role: str, name: str) -> float:
        if role == "segments":
            return figures.ground_m[name] * (1 - held.get(name, 0.0))
        return (figures.whole_m(name) or 0.0) if role == "cables" else 0.0

    down: dict[Asset, float | None] = {}
    for role, rows in records.by.items():
        if role in ("links", "circuits"):
            continue
        for name, row in rows.items():
            kind = row.get("kind")
            own = None if role == "cables" and kind in LAID else rates.get(kind)
            rate = own or rates.get(role)
            per_year = hours = None
            if rate is not None:
                per_km = rate.get("per_km_year") or 0.0
                per_year = length_m(role, name) / 1000 * per_km + (rate.get("per_year") or 0.0)
                hours = rate["repair_h"]
            if role == "hazards":
                per_year = per_year if row["per_year"] is None else row["per_year"]
                hours = hours if row["repair_h"] is None else row["repair_h"]
            lost = None if per_year is None else per_year * (hours or 0.0)
            down[name] = None if lost is None else lost / (HOURS_PER_YEAR + lost)
    for name, hop in world.hops.items():
        if hop.row.get("unavailability"):
            down["hop", name] = min(float(hop.row["unavailability"]), 1 - 1e-12)
    return down


def unrated_hops(world: World) -> set[str]:
    """Hops without fibre of which nothing is on record that fails, nor a figure of their own.

    Within a site they are part of the equipment at their ends.
    """
    found = set()
    for name, hop in world.hops.items():
        row, medium = hop.row, hop.row.get("medium") or "fibre"
        a, b = world.figures.end_sites(row)
        inside = medium == "internal" or (medium in WIRED and a == b)
        if medium == "fibre" or inside or row.get("unavailability") is not None:
            continue
        ends = [one for one in (row["a"], row["b"], *(row["via"] or ())) if one]
        reliance = world.reliance
        mine = reliance.closure(reliance.items[name]) - reliance.closure(ends)
        if not any(world.down.get(one) != 0.0 for one in mine if isinstance(one, str)):
            found.add(name)
    return found


def hop_rate_gaps(world: World) -> Iterator[Gap]:
    """A gap for every such hop under a circuit whose availability is asked."""
    asked = {
        link
        for key, links in world.paths.items()
        if service_of(world.records, key[0]).get("max_unavailability") is not None
        for link in links
    }
    for name in sorted(asked & world.unrated):
        yield Gap(HOP_RATE, name, links=(name,))


def _held_shares(world: World) -> dict[str, float]:
    """Part of each segment that lies in segments which hold it: theirs is the failure there.

    The vertices of the holders are projected on the line, in a plane about its beginning.
    """
    by = world.records.by["segments"]
    turn = Transformer.from_crs(world.records.crs, LON_LAT, always_xy=True)
    found = {}
    for name, row in by.items():
        holders = [by[one]["geometry"] for one in world.ground.holders[name] if one in by]
        holders = [shape for shape in holders if shape is not None]
        if not holders or row["geometry"] is None:
            continue
        line, *others = (carried(shape, turn) for shape in (row["geometry"], *holders))
        lon, lat = line.coords[0]

        def flat(points: Any, lon: float = lon, lat: float = lat) -> Any:
            east = (points[:, 0] - lon + 180) % 360 - 180
            points = points.copy()
            points[:, 0], points[:, 1] = east * cos(radians(lat)), points[:, 1] - lat
            return points

        plain = shapely.transform(line, flat)
        spans = []
        for other in others:
            points = shapely.points(shapely.get_coordinates(shapely.transform(other, flat)))
            along = shapely.line_locate_point(plain, points, normalized=True).tolist()
            spans += [(min(pair), max(pair)) for pair in pairwise(along)]
        covered = reached = 0.0
        for low, high in sorted(spans):
            covered += max(high - max(low, reached), 0.0)
            reached = max(reached, high)
        found[name] = min(covered, 1.0)
    return found


class Outages:
    """How much of the time paths are down, one by one and all of some at once."""

    def __init__(self, world: World) -> None:
        self.world = world
        reliance, out = world.reliance, world.records.out
        down = fallen(reliance, world.cables, out) if out else set()
        left = {
            machine: [feed for feed in feeds if not feed & down]
            for machine, feeds in reliance.feeds.items()
        }
        self._feeds = {
            machine: [frozenset(feed) for feed in feeds]
            for machine, feeds in left.items()
            if len(feeds) > 1
        }
        self._behind: dict[frozenset[Asset], set[Asset]] = {}

    def behind(self, feed: frozenset[Asset]) -> set[Asset]:
        """Everything that a feed relies on."""
        if feed not in self._behind:
            self._behind[feed] = self.world.reliance.closure(feed)
        return self._behind[feed]

    def all_down(self, keys: list[Key]) -> tuple[float | None, bool]:
        """Share of the time that all of some paths are down; whether it hangs on many feeds.

        Things fail independently of each other. They are gone through block by block, a block
        being what takes the same paths and the same feeds; states in which the same paths and
        feeds are down are one, and machines that have nothing in common are gone through apart.
        None where there are too many states.
        """
        relied = [self._on(key) for key in keys]
        machines: dict[Asset, list[frozenset[Asset]]] = {}
        waiting = [one for mine in relied for one in mine if one in self._feeds]
        while waiting:
            machine = waiting.pop()
            if machine in machines:
                continue
            machines[machine] = self._feeds[machine]
            waiting += [
                one for feed in machines[machine] for one in self.behind(feed) if one in self._feeds
            ]
        feeds = list(dict.fromkeys(feed for mine in machines.values() for feed in mine))
        bits: dict[Asset, int] = {}
        for place, mine in enumerate([*relied, *map(self.behind, feeds)]):
            for one in mine:
                if self.world.down.get(one):
                    bits[one] = bits.get(one, 0) | 1 << place
        blocks: dict[int, float] = {}
        for one, mask in bits.items():
            blocks[mask] = blocks.get(mask, 0.0) + log1p(-(self.world.down[one] or 0.0))
        every = (1 << len(keys)) - 1
        fed = sum(mask > every for mask in blocks)
        states: dict[int, float] = {0: 1.0}
        for part in self._apart(machines, feeds, blocks, len(keys)):
            found = self._taken(machines, feeds, relied, part)
            if found is None:
                return None, fed > MOST_WAYS
            following: dict[int, float] = {}
            for state, share in states.items():
                for mask, time in found.items():
                    following[state | mask] = following.get(state | mask, 0.0) + share * time
            states = following
        return states.get(every, 0.0), fed > MOST_WAYS

    def _apart(
        self,
        machines: dict[Asset, list[frozenset[Asset]]],
        feeds: list[frozenset[Asset]],
        blocks: dict[int, float],
        paths: int,
    ) -> list[dict[int, float]]:
        """Blocks in parts that have nothing in common: one by one, or with machines of one knot."""
        knot = list(range(len(feeds)))

        def root(feed: int) -> int:
            while knot[feed] != feed:
                feed = knot[feed]
            return feed

        place = {feed: number for number, feed in enumerate(feeds)}
        together = [[place[feed] for feed in mine] for mine in machines.values()]
        together += [
            [number, *(place[other] for other in machines[one])]
            for number, feed in enumerate(feeds)
            for one in self.behind(feed) & machines.keys()
        ]
        together += [
            [number for number in range(len(feeds)) if mask >> paths + number & 1]
            for mask in blocks
        ]
        for several in together:
            for one in several[1:]:
                knot[root(one)] = root(several[0])
        parts: dict[int | None, dict[int, float]] = {}
        alone = []
        for mask, log_up in blocks.items():
            behind = mask >> paths
            if behind:
                parts.setdefault(root(behind.bit_length() - 1), {})[mask] = log_up
            else:
                alone.append({mask: log_up})
        return [*alone, *parts.values()]

    def _taken(
        self,
        machines: dict[Asset, list[frozenset[Asset]]],
        feeds: list[frozenset[Asset]],
        relied: list[set[Asset]],
        blocks: dict[int, float],
    ) -> dict[int, float] | None:
        """How much of the time blocks take which paths; None where there are too many states."""
        paths, states = len(relied), {0: 1.0}
        every = (1 << paths) - 1
        lost = 0.0
        for mask, log_up in sorted(blocks.items(), key=lambda block: block[0] & every != every):
            up, down = exp(log_up), -expm1(log_up)
            following: dict[int, float] = {}
            for state, share in states.items():
                following[state] = following.get(state, 0.0) + share * up
                grown = state | mask
                if grown & every == every:
                    lost += share * down
                else:
                    following[grown] = following.get(grown, 0.0) + share * down
            states = following
            if len(states) > MOST_STATES:
                return None
        found = {every: lost}
        for state, share in states.items():
            gone = state & every
            if state > every:
                dark = self._dark(machines, feeds, state >> paths)
                gone |= sum(1 << n for n, mine in enumerate(relied) if dark & mine)
            found[gone] = found.get(gone, 0.0) + share
        return found

    def _on(self, key: Key) -> set[Asset]:
        """All that a path relies on, and its hops by themselves."""
        hops = {("hop", link) for link in self.world.paths[key]}
        return {*self.world.relied[key], *hops}

    def _dark(
        self,
        machines: dict[Asset, list[frozenset[Asset]]],
        feeds: list[frozenset[Asset]],
        state: int,
    ) -> set[Asset]:
        """Machines of which all feeds are down, by what failed or by other such machines."""
        lost = {feed for place, feed in enumerate(feeds) if state >> place & 1}
        dark: set[Asset] = set()
        while lost:
            more = {one for one, mine in machines.items() if lost.issuperset(mine)} - dark
            if not more:
                break
            dark |= more
            lost |= {feed for feed in feeds if self.behind(feed) & more}
        return dark


# Against the evidence


def check_availability(world: World, facts: dict[str, Any], findings: Tally) -> None:
    """Unavailability and recovery of every circuit and group."""
    outages = Outages(world)
    groups = {trial.id: trial for trial in world.trials if trial.group_test is not None}
    single: dict[Key, tuple[float | None, bool]] = {}
    for one in facts["circuits"]:
        mine = world.paths_of.get(one["id"], [])
        if one["id"] not in world.records.by["circuits"]:
            continue
        what, told = f"circuit {one['id']}", one["unavailability"]
        _check_recovery(world, what, one, mine, findings)
        named = [key for key in mine if key[1] not in Unavailability.__annotations__]
        for key in named:
            if key not in single:
                single[key] = (1.0, False) if key in world.lost else outages.all_down([key])
            said = f"{what}: unavailability of {key[1]}"
            bound = told["at_least"].get(key[1])
            _check(world, said, (told[key[1]], bound), single[key], [key], [], findings)
        _check_minutes(what, told, "both", [key[1] for key in mine], findings)
        figures = told["both"], told["at_least"].get("both")
        _check_all(world, f"{what}: unavailability", figures, outages, mine, [one["id"]], findings)
    for one in facts["groups"]:
        trial = groups.get(one["id"])
        if trial is None:
            continue
        what, told = f"group {one['id']}: unavailability", one["unavailability"]
        _check_minutes(what, told, "all", ["working"], findings)
        of = {name: world.paths_of.get(name, []) for name in trial.circuits}
        every = [key for mine in of.values() for key in mine]
        working = [
            next((k for k in mine if k not in world.lost), mine[0]) for mine in of.values() if mine
        ]
        lacking = [name for name, mine in of.items() if not mine]
        for name, keys, whole in (("all", every, trial.circuits), ("working", working, lacking)):
            figures = told[name], told["at_least"].get(name)
            _check_all(world, f"{what}, {name}", figures, outages, keys, whole, findings)


def _check_minutes(
    what: str, told: dict[str, Any], whole: str, others: list[str], findings: Tally
) -> None:
    """Minutes of a year are those of the shares, and bounds are of figures that there are."""
    pairs = [("minutes_a_year", told["minutes_a_year"], told[whole])]
    if "working_minutes_a_year" in told:
        pairs.append(("working", told["working_minutes_a_year"], told["working"]))
    bounds = told["at_least"]
    pairs.append(("at least", bounds.get("minutes_a_year"), bounds.get(whole)))
    for name, minutes in told.get("path_minutes_a_year", {}).items():
        if name not in Unavailability.__annotations__:
            pairs.append((name, minutes, told.get(name)))
    for name, minutes, share in pairs:
        found = None if share is None else share * MINUTES_PER_YEAR
        findings.holds(
            _alike(minutes, found), f"{what}: minutes a year, {name}: {minutes}, found {found}"
        )
    extra = set(bounds) - {whole, "minutes_a_year", *others}
    findings.holds(not extra, f"{what}: bounds of {', '.join(sorted(extra))}, which are no figures")
    if "path_minutes_a_year" in told:
        findings.same_set(
            f"{what}: minutes of paths", list(told["path_minutes_a_year"]), set(others)
        )


def _check_recovery(
    world: World, what: str, one: dict[str, Any], paths: list[Key], findings: Tally
) -> None:
    said = world.records.rules["recovery"]
    away = sum(said[name] for name in ("detection_ms", "hold_off_ms", "switching_ms"))
    told = one["delay"]
    findings.same(f"{what}: recovery", told["recovery_ms"], away if len(paths) > 1 else None)
    most = service_of(world.records, one["id"]).get("max_recovery_ms")
    findings.same(f"{what}: limit of recovery", told["recovery_limit_ms"], most)


def _check_all(
    world: World,
    what: str,
    told: tuple[float | None, float | None],
    outages: Outages,
    keys: list[Key],
    whole: Iterable[str],
    findings: Tally,
) -> None:
    """All of some paths at once; circuits of `whole` count though a way of theirs is unknown."""
    running = [key for key in keys if key not in world.lost]
    if not keys:
        findings.same(what, told[0], None)
    elif not running:
        findings.same(what, told[0], 1.0)
    elif len(running) > MOST_WAYS:
        findings.same(what, told[0], None)
    else:
        found = outages.all_down(running)
        _check(world, what, told, found, running, whole, findings)


def _check(
    world: World,
    what: str,
    told: tuple[float | None, float | None],
    found: tuple[float | None, bool],
    keys: list[Key],
    whole: Iterable[str],
    findings: Tally,
) -> None:
    share, many = found
    claimed, bound = told
    if share is None or any(world.relied[key] & world.cables.unsure for key in keys):
        why = "of ways over drawn cables whose course is not certain, or with too many states"
        findings.skip(f"unavailability {why}", *_asking(world, what))
        return
    gaps = [gap for key in keys for gap in _touching(world, key)]
    of_circuits = [
        gap
        for gap in world.gaps
        if gap.path is None and set(gap.circuits) & set(whole) and "unavailability" in gap.limits
    ]
    lacking = [key for key in keys if key not in world.lost and _unrated(world, key)]
    if many and claimed is None and not (gaps or lacking or of_circuits):
        why = "left open as so much feeds a machine on the way: that it does"
        findings.skip(f"unavailability {why}", *_asking(world, what))
        return
    if not (gaps or lacking or of_circuits) or keys[0] in world.lost:
        findings.holds(
            _alike(claimed, share), f"{what}: the evidence says {claimed}, found {share:.6g}"
        )
        return
    findings.same(what, claimed, None)
    doubt = any(GAP_CODES[gap.code].doubt for gap in gaps)
    due = None if doubt or of_circuits else share
    if many and due is not None:
        due = bound if bound is not None and bound <= due * (1 + ROUNDED) else due
    findings.holds(_alike(bound, due), f"{what}: at least {bound}, found {due}")


def _asking(world: World, what: str) -> list[str]:
    """The circuit that a sentence is of, if its service asks for its unavailability."""
    name = what.removeprefix("circuit ").partition(": unavailability")[0]
    known = what.startswith("circuit ") and name in world.records.by["circuits"]
    asked = known and service_of(world.records, name).get("max_unavailability") is not None
    return [f"circuit {name}"] * asked


def _alike(told: float | None, found: float | None) -> bool:
    if told is None or found is None:
        return told is found
    return abs(told - found) <= ROUNDED * found + 1e-15


def _touching(world: World, key: Key) -> list[Gap]:
    """Gaps that leave the unavailability of a path open."""
    gaps = world.touching(Trial("", [], [[key]]))
    of_path = [gap for gap in world.gaps if key[0] in gap.circuits and gap.path == key[1]]
    return [
        gap for gap in (*gaps, *of_path) if "unavailability" in gap.limits and gap.code != HOP_RATE
    ]


def _unrated(world: World, key: Key) -> bool:
    """Whether something on a path has no rate."""
    down = world.down
    hops = set(world.paths[key]) & world.unrated
    return bool(hops) or any(one in down and down[one] is None for one in world.relied[key])

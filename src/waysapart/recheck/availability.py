"""How much of the time paths are down: what fails, how often, and what it takes."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from itertools import pairwise
from math import cos, exp, expm1, inf, log1p, radians
from typing import Any, NamedTuple

import shapely

from waysapart.evidence import Circuit, Evidence, Unavailability
from waysapart.gaps import GAP_CODES
from waysapart.recheck.evidence import About
from waysapart.recheck.faulty_rows import KINDS, Gap, reached
from waysapart.recheck.paths import Key
from waysapart.recheck.plant import WIRED, covered
from waysapart.recheck.records import Records
from waysapart.recheck.reliance import Asset, Trial, World, fallen, service_of

HOURS_PER_YEAR = 8760.0
MINUTES_PER_YEAR = 60 * HOURS_PER_YEAR
ROUNDED = 2e-5
"""Relative tolerance of a figure of six digits, with that of the length that it rests on."""
MOST_PATHS = 16
"""That `prove` works out at once; and so many things that feed machines."""
MOST_STATES = 1 << 17
LAID = KINDS["segments"]
"""Kinds whose rates are those of segments, with the cables in them."""
HOP_RATE = "hop-rate"
Feed = frozenset[Asset]
Share = tuple[float | None, bool]
Told = tuple[float | None, float | None]
"""A figure of the evidence, and the least that it can be where it is null."""


def unavailability(world: World) -> dict[Asset, float | None]:
    """Share of the time for which each asset, and each hop with a figure of its own, is down.

    Failures a year times hours to repair, over that and 8760 h (IEC 61078, from memory).

    Parameters
    ----------
    world : World

    Returns
    -------
    dict
        By asset; None where nothing gives it a rate.
    """
    records, rates = world.records, world.records.rules["failures"]
    held, figures = _held_shares(world), world.figures
    bridged = _bridged(records)

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
            if per_year is not None and hours and name in bridged:
                per_year *= exp(-bridged[name] / hours)
            lost = None if per_year is None else per_year * (hours or 0.0)
            down[name] = None if lost is None else lost / (HOURS_PER_YEAR + lost)
    for name, hop in world.hops.items():
        if hop.row.get("unavailability"):
            down["hop", name] = min(float(hop.row["unavailability"]), 1 - 1e-12)
    return down


def _bridged(records: Records) -> dict[str, float]:
    """Hours for which autonomy puts off the loss of what only supplies with one lead to.

    Walked from what links use, shorter and shorter, until nothing gets any shorter.
    """
    by = records.by
    indoors = {**by["supplies"], **by["holders"], **by["equipment"]}
    if not any(row.get("autonomy_h") for row in by["supplies"].values()):
        return {}
    found: dict[str, float] = {}
    for row in by["links"].values():
        named = [row.get("a"), row.get("b"), *(row.get("via") or ()), *(row.get("relies_on") or ())]
        found.update({one: 0.0 for one in named if one})
    for role, rows in by.items():
        if role not in ("supplies", "holders", "equipment", "links", "circuits"):
            found.update(dict.fromkeys(rows, 0.0))
    every = {
        name: row
        for role, rows in by.items()
        if role not in ("links", "circuits")
        for name, row in rows.items()
    }
    changed = set(found)
    while changed:
        name = changed.pop()
        row = every.get(name, {})
        lasts = (row.get("autonomy_h") or 0.0) if name in by["supplies"] else 0.0
        for column, more in (("within", 0.0), ("supplies", lasts), ("needs", lasts)):
            for onward in row.get(column) or ():
                hours = found[name] + more
                if onward in indoors and hours < found.get(onward, inf):
                    found[onward] = hours
                    changed.add(onward)
    return {name: hours for name, hours in found.items() if hours > 0}


def unrated_hops(world: World) -> set[str]:
    """Hops without fibre of which nothing is on record that fails, nor a figure of their own.

    Hops within a site do not count: they are part of the equipment at their ends.

    Parameters
    ----------
    world : World

    Returns
    -------
    set of str
        Ids of links.
    """
    found = set()
    for name, hop in world.hops.items():
        row, medium = hop.row, hop.medium
        near = world.figures.within_one_site(row)
        inside = medium == "internal" or (medium in WIRED and near)
        if medium == "fibre" or inside or row.get("unavailability") is not None:
            continue
        ends = [one for one in (row["a"], row["b"], *(row["via"] or ())) if one]
        reliance = world.reliance
        mine = reliance.closure(reliance.items[name]) - reliance.closure(ends)
        if not any(world.down.get(one) != 0.0 for one in mine if isinstance(one, str)):
            found.add(name)
    return found


def hop_rate_gaps(world: World) -> Iterator[Gap]:
    """A gap for each unrated hop under a circuit whose service limits unavailability.

    Parameters
    ----------
    world : World

    Yields
    ------
    Gap
    """
    asked = {
        link
        for key, links in world.paths.items()
        if service_of(world.records, key[0]).get("max_unavailability") is not None
        for link in links
    }
    for name in sorted(asked & world.unrated):
        yield Gap(HOP_RATE, name, links=(name,))


def _held_shares(world: World) -> dict[str, float]:
    """Fraction of each segment that lies in segments which hold it and fail in its place.

    The vertices of the holders are projected on the line, in a plane about its beginning.
    """
    by = world.records.by["segments"]
    found = {}
    for name, row in by.items():
        holders = [by[one]["geometry"] for one in world.ground.holders[name] if one in by]
        holders = [shape for shape in holders if shape is not None]
        if not holders or row["geometry"] is None:
            continue
        line, others = row["geometry"], holders
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
        found[name] = min(covered(spans), 1.0)
    return found


class Outages:
    """How much of the time paths are down, one by one and all of some at once."""

    def __init__(self, world: World) -> None:
        self.world = world
        reliance, out = world.reliance, world.records.out
        down = fallen(reliance, world.cables, out) if out else set()
        left = {
            machine: [frozenset(feed) for feed in feeds if not feed & down]
            for machine, feeds in reliance.feeds.items()
        }
        self._feeds = {
            machine: left[machine]
            for machine, feeds in reliance.feeds.items()
            if len(left[machine]) > 1
        }
        self._fail = {one for one, share in world.down.items() if share}
        self._behind: dict[Feed, set[Asset]] = {}

    def behind(self, feed: Feed) -> set[Asset]:
        """Everything that a feed relies on."""
        if feed not in self._behind:
            self._behind[feed] = self.world.reliance.closure(feed)
        return self._behind[feed]

    def all_down(self, keys: list[Key]) -> Share:
        """Share of the time for which all of some paths are down, if assets fail independently.

        Assets are taken block by block, a block being all that put the same paths and the same
        feeds out of service. States in which the same paths and feeds are down are one. Machines
        that have nothing in common are worked out apart.

        Parameters
        ----------
        keys : list of (circuit, label)
            The paths.

        Returns
        -------
        share : float or None
            None where there are too many states.
        many : bool
            Whether it rests on many feeds.
        """
        world = self.world
        relied = [
            {*world.relied[key], *(("hop", link) for link in world.paths[key])} for key in keys
        ]
        fed = {one for mine in relied for one in mine & self._feeds.keys()}
        machines = {
            one: self._feeds[one]
            for one in reached(
                fed,
                lambda at: (
                    one
                    for feed in self._feeds[at]
                    for one in self.behind(feed) & self._feeds.keys()
                ),
            )
        }
        feeds = list(dict.fromkeys(feed for mine in machines.values() for feed in mine))
        bits: dict[Asset, int] = {}
        for place, mine in enumerate([*relied, *map(self.behind, feeds)]):
            for one in mine & self._fail:
                bits[one] = bits.get(one, 0) | 1 << place
        blocks: dict[int, float] = {}
        for one, mask in bits.items():
            blocks[mask] = blocks.get(mask, 0.0) + log1p(-(world.down[one] or 0.0))
        joint = _Joint(machines, feeds, [self.behind(feed) for feed in feeds], relied)
        every = (1 << len(keys)) - 1
        many = sum(mask > every for mask in blocks) > MOST_PATHS
        states: dict[int, float] = {0: 1.0}
        for part in joint.parts(blocks):
            found = joint.taken(part)
            if found is None:
                return None, many
            following: dict[int, float] = {}
            for state, share in states.items():
                for mask, time in found.items():
                    following[state | mask] = following.get(state | mask, 0.0) + share * time
            states = following
        return states.get(every, 0.0), many


class _Joint(NamedTuple):
    """Paths that are down at once: what they rely on, the machines on them, and their feeds.

    `behind`: what each feed relies on. A state is a number, with a bit for each path that is
    down and, above these, for each feed.
    """

    machines: dict[Asset, list[Feed]]
    feeds: list[Feed]
    behind: list[set[Asset]]
    relied: list[set[Asset]]

    def parts(self, blocks: Mapping[int, float]) -> list[dict[int, float]]:
        """Blocks in independent parts: one by one, or with machines that depend on each other."""
        knot, paths = list(range(len(self.feeds))), len(self.relied)

        def root(feed: int) -> int:
            while knot[feed] != feed:
                feed = knot[feed]
            return feed

        place = {feed: number for number, feed in enumerate(self.feeds)}
        together = [[place[feed] for feed in mine] for mine in self.machines.values()]
        together += [
            [number, *(place[other] for other in self.machines[one])]
            for number, mine in enumerate(self.behind)
            for one in mine & self.machines.keys()
        ]
        together += [[n for n in range(len(knot)) if mask >> paths + n & 1] for mask in blocks]
        for several in together:
            for one in several[1:]:
                knot[root(one)] = root(several[0])
        found: dict[int, dict[int, float]] = {}
        for mask, log_up in blocks.items():
            fed = mask >> paths
            found.setdefault(root(fed.bit_length() - 1) if fed else -mask, {})[mask] = log_up
        return list(found.values())

    def taken(self, blocks: Mapping[int, float]) -> dict[int, float] | None:
        """Share of the time for which blocks cut which paths; None: there are too many states."""
        paths, states, lost = len(self.relied), {0: 1.0}, 0.0
        every = (1 << paths) - 1
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
                dark = self._dark(state >> paths)
                gone |= sum(1 << n for n, mine in enumerate(self.relied) if dark & mine)
            found[gone] = found.get(gone, 0.0) + share
        return found

    def _dark(self, state: int) -> set[Asset]:
        """Machines of which all feeds are down, by what failed or by other such machines."""
        lost = {feed for place, feed in enumerate(self.feeds) if state >> place & 1}
        dark: set[Asset] = set()
        while lost:
            more = {one for one, mine in self.machines.items() if lost.issuperset(mine)} - dark
            if not more:
                break
            dark |= more
            lost |= {
                feed for feed, mine in zip(self.feeds, self.behind, strict=True) if mine & more
            }
        return dark


# Against the evidence


def check_availability(world: World, facts: Evidence, about: About) -> None:
    """Check the unavailability and the recovery of every circuit and group.

    Parameters
    ----------
    world : World
    facts : Evidence
    about : About
        Tallies the claims.
    """
    outages = Outages(world)
    for circuit in facts["circuits"]:
        name = circuit["id"]
        if name not in world.records.by["circuits"]:
            continue
        keys, told = world.paths_of.get(name, []), circuit["unavailability"]
        mine, shares = about.of(f"circuit {name}"), dict[str, Any](told)
        _check_recovery(world, circuit, mine)
        asked = service_of(world.records, name).get("max_unavailability") is not None
        claims = _Claims(world, outages, [mine.what] * asked)
        for key in keys:
            if key[1] not in Unavailability.__annotations__:
                share: Share = (1.0, False) if key in world.lost else outages.all_down([key])
                figures = shares[key[1]], told["at_least"].get(key[1])
                claims.check(mine.of(f"unavailability of {key[1]}"), figures, share, [key], [])
        _check_minutes(mine, shares, "both", [key[1] for key in keys])
        figures = told["both"], told["at_least"].get("both")
        claims.check_all(mine.of("unavailability"), figures, keys, [name])
    for group in facts["groups"]:
        trial = world.groups.get(group["id"])
        if trial is None:
            continue
        mine = about.of(f"group {group['id']}: unavailability")
        shares = dict[str, Any](group["unavailability"])
        _check_minutes(mine, shares, "all", ["working"])
        of = {name: world.paths_of.get(name, []) for name in trial.circuits}
        alive = ([k for k in keys if k not in world.lost] or keys for keys in of.values() if keys)
        every, working = [key for keys in of.values() for key in keys], [keys[0] for keys in alive]
        lacking = [name for name, keys in of.items() if not keys]
        claims = _Claims(world, outages, [])
        for name, keys, whole in (("all", every, trial.circuits), ("working", working, lacking)):
            figures = shares[name], shares["at_least"].get(name)
            claims.check_all(About(about.tally, f"{mine.what}, {name}"), figures, keys, whole)


def _check_minutes(about: About, told: dict[str, Any], whole: str, others: list[str]) -> None:
    """Check that minutes a year follow from the shares, and that bounds belong to figures."""
    bounds, of_paths = told["at_least"], told.get("path_minutes_a_year", {})
    pairs = [
        ("minutes_a_year", told["minutes_a_year"], told[whole]),
        ("at least", bounds.get("minutes_a_year"), bounds.get(whole)),
        *(
            (name, minutes, told.get(name))
            for name, minutes in of_paths.items()
            if name not in Unavailability.__annotations__
        ),
    ]
    if "working_minutes_a_year" in told:
        pairs.append(("working", told["working_minutes_a_year"], told["working"]))
    for name, minutes, share in pairs:
        _check_share(about, f"minutes a year, {name}", minutes, _minutes(share))
    extra = set(bounds) - {whole, "minutes_a_year", *others}
    about.holds(not extra, f"bounds of {', '.join(sorted(extra))}, which are no figures")
    if "path_minutes_a_year" in told:
        about.same_set("minutes of paths", list(of_paths), set(others))


def ruled_ms(records: Records) -> float:
    """Interruption while a circuit changes over, by the rules.

    Parameters
    ----------
    records : Records

    Returns
    -------
    float
        Milliseconds.
    """
    said = records.rules["recovery"]
    return float(sum(said[name] for name in ("detection_ms", "hold_off_ms", "switching_ms")))


def recovery_of(world: World, circuit: str) -> tuple[float | None, bool]:
    """Interruption while a circuit changes over, and whether the rules fill in for a record.

    Every link that some path has and another has not must switch: in the time that it states, else
    that of the rings that it is on, of those of the circuit where any states one. Of cords inside a
    site nobody need state one.

    Parameters
    ----------
    world : World
    circuit : str
        Its id.

    Returns
    -------
    (float or None, bool)
        Milliseconds; None with fewer than two paths.
    """
    records = world.records
    courses = [world.paths[key] for key in world.paths_of.get(circuit, ())]
    if len(courses) < 2:
        return None, False
    on = Counter(link for links in courses for link in set(links))
    times, open_ = [], False
    mine = {row["ring"] for row in records.rows["ring_circuits"] if row["circuit"] == circuit}
    for name, passes in on.items():
        if passes == len(courses):
            continue
        link = records.by["links"][name]
        around = world.ring_times.get(name, [])
        said = (
            link.get("recovery_ms"),
            max((ms for ring, ms in around if ring in mine), default=None),
            max((ms for _, ms in around), default=None),
        )
        known = next((one for one in said if one is not None), None)
        if known is not None:
            times.append(known)
        open_ = open_ or (known is None and link.get("medium") != "internal")
    if open_ or not times:
        return max([*times, ruled_ms(records)]), True
    return max(times), False


def _check_recovery(world: World, circuit: Circuit, about: About) -> None:
    told = circuit["delay"]
    due, assumed = recovery_of(world, circuit["id"])
    about.same("recovery", told["recovery_ms"], due)
    about.same("recovery assumed", told["recovery_assumed"], assumed)
    most = service_of(world.records, circuit["id"]).get("max_recovery_ms")
    about.same("limit of recovery", told["recovery_limit_ms"], most)


def _minutes(share: float | None) -> float | None:
    """Minutes a year that a share of the time comes to."""
    return None if share is None else share * MINUTES_PER_YEAR


def _check_share(about: About, name: str, told: float | None, found: float | None) -> bool:
    return about.close(name, told, found, ROUNDED * (found or 0.0) + 1e-15)


class _Claims(NamedTuple):
    """What shares of the time are compared with; `asking`: whose limit rests on them."""

    world: World
    outages: Outages
    asking: list[str]

    def check_all(self, about: About, told: Told, keys: list[Key], whole: Iterable[str]) -> None:
        """Check all of some paths at once; circuits of `whole` count though a path is unknown."""
        running = [key for key in keys if key not in self.world.lost]
        if running and len(running) <= MOST_PATHS:
            self.check(about, told, self.outages.all_down(running), running, whole)
        else:
            none_runs = bool(keys) and not running
            about.same("all at once", told[0], 1.0 if none_runs else None)

    def check(
        self, about: About, told: Told, found: Share, keys: list[Key], whole: Iterable[str]
    ) -> None:
        """Check a share of the time: known, left open by gaps or missing rates, or not computed."""
        world, (share, many), (claimed, bound) = self.world, found, told
        if share is None or world.unsure(keys):
            why = "of paths over drawn cables whose course is not certain, or with too many states"
            about.tally.skip(f"unavailability {why}", *self.asking)
            return
        gaps = [gap for key in keys for gap in _touching(world, key)]
        of_circuits = [
            gap
            for gap in world.gaps
            if gap.path is None
            and set(gap.circuits) & set(whole)
            and "unavailability" in gap.limits
        ]
        lacking = [key for key in keys if key not in world.lost and _unrated(world, key)]
        left_open = bool(gaps or lacking or of_circuits)
        if many and claimed is None and not left_open:
            why = "left open because too many supplies feed equipment on the path: that they do"
            about.tally.skip(f"unavailability {why}", *self.asking)
            return
        if not left_open or keys[0] in world.lost:
            _check_share(about, "share", claimed, share)
            return
        about.same("share", claimed, None)
        doubt = any(GAP_CODES[gap.code].doubt for gap in gaps)
        due = None if doubt or of_circuits else share
        if many and due is not None:
            due = bound if bound is not None and bound <= due * (1 + ROUNDED) else due
        _check_share(about, "at least", bound, due)


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

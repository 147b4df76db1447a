"""Hold what the evidence claims of separation: closest approach, near stretches, crossings."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from itertools import combinations, permutations
from typing import Any, NamedTuple

import shapely

from waysapart.recheck.apart import (
    Near,
    Pair,
    Plane,
    closest_m,
    common_holders,
    crossing_places,
    folds,
    meetings,
)
from waysapart.recheck.findings import Findings
from waysapart.recheck.ground import GEOD
from waysapart.recheck.paths import Key, Trial, service_of
from waysapart.recheck.sharing import Shared, share_contest
from waysapart.recheck.waivers import Waived

CLOSE_M = 0.01
"""How far figures of the evidence may lie from ours: rounding, and two ways of measuring."""
ALONG_M = 0.1
PLACE_M = 0.05


class Breach(NamedTuple):
    """Whether something near or crossing stands, or is waived; None: not worked out here.

    `loose`: whether something does where every limit is wider by what the records of both
    segments may be wrong.
    """

    stands: bool | None
    waived: bool | None
    loose: bool | None


@dataclass
class Limits:
    """Least distances that a trial's services ask of two segments."""

    plane: Plane
    services: list[dict[str, Any]]

    def least_m(self, one: str, other: str) -> float:
        """What the rules ask for between two segments."""
        kind = self.plane.world.ground.kind
        return max(_separation(s, str(kind[one]), str(kind[other])) for s in self.services)

    def loose_m(self, one: str, other: str) -> float:
        """The same and what the records of both may be wrong."""
        least = self.least_m(one, other)
        return least + self.wrong_m(one) + self.wrong_m(other) if least > 0 else 0.0

    def wrong_m(self, segment: str) -> float:
        """How far a segment may lie from its record."""
        return self.plane.wrong_m[segment]

    def widest_m(self) -> float:
        """The greatest that the rules ask for between any two."""
        kinds = self.plane.kinds
        each = (_separation(s, a, b) for s in self.services for a in kinds for b in kinds)
        return max(each, default=0.0)


def check_spacing(
    plane: Plane,
    claim: dict[str, Any],
    witness: dict[str, Any],
    trial: Trial,
    shared: Shared,
    waived: Waived,
    findings: Findings,
) -> Breach:
    """Check one circuit or group; what its near approaches and crossings mean for the verdict."""
    world = plane.world
    what = f"{'group' if trial.group_test else 'circuit'} {trial.id}"
    services = [service_of(world.records, circuit) for circuit in trial.circuits]
    zone = min(float(one["end_zone_m"]) for one in services)
    limits = Limits(plane, services)
    worst = 2 * max(plane.wrong_m.values(), default=0.0)
    many = any(len(contest) > 2 for contest in trial.contests())
    loose: bool | None = None if many else False
    order = plane.order
    told = {tuple(one["paths"]): one for one in witness["closest"]}
    measured: list[float] = []
    _check_stretches(claim, what, findings)
    left_near, left_cross = near_pairs(claim), [*claim["cross"]]
    pairs = [pair for contest in trial.contests() for pair in combinations(contest, 2)]
    unsure = any(world.relied[key] & world.cables.unsure for pair in pairs for key in pair)
    if unsure:
        findings.skip(f"{what}: separation, as the course of a drawn cable is not certain")
    for one, other in pairs:
        if unsure:
            continue
        # Only what is held apart here ends here: under `pairwise` no third member's sites excuse.
        ends = sorted({key[0] for key in _contest(trial, one, other)})
        pair = plane.pair(one, other, ends, zone)
        said = f"{what}, {one[0]} {one[1]} and {other[0]} {other[1]}"
        closest = _check_closest(
            plane, pair, told.pop((order[one], order[other]), None), said, zone, trial, findings
        )
        if closest is not None:
            measured.append(closest)
        both, avoidable, _ = share_contest(
            world, _contest(trial, one, other), grouped=bool(trial.group_test)
        )
        mine = [e for e in left_near if _of_pair(e, one, other)]
        found = _check_near(
            plane, pair, limits, mine, _names(both), _names(avoidable), said, findings
        )
        left_near = [e for e in left_near if id(e) not in found]
        if worst and loose is False:
            loose = _may_be_near(
                limits, pair, worst, _names(both), _names(avoidable), waived, trial
            )
        crossing = [e for e in left_cross if _of_pair(e, one, other)]
        done = _check_cross(plane, pair, services, crossing, _names(both), said, findings)
        left_cross = [e for e in left_cross if id(e) not in done]
    if not unsure:
        for entry in left_near:
            findings.holds(False, f"{what}: {_between(entry)} are nowhere nearer than the limit")
        for entry in left_cross:
            findings.holds(False, f"{what}: {_between(entry)} do not meet where it is said")
        findings.holds(not told, f"{what}: closest approaches of paths that are not held apart")
        least = claim["closest_m"]
        same = (least is None) == (not measured)
        same = same and (least is None or abs(least - min(measured)) <= CLOSE_M)
        findings.holds(same, f"{what}: closest is {min(measured, default=None)}, not {least} m")
    for entry in (*near_pairs(claim), *claim["cross"]):
        known = waived.pair(trial.id, entry["main"], entry["alternate"])
        findings.same(f"{what}: {_between(entry)} waived", entry["waived"], known)
    places = None
    if many and not unsure:
        places = _Places(plane, trial, limits, waived)
        if claim["near"] or claim["cross"]:
            places.lay(claim, zone, limits.least_m, limits.widest_m())
        if worst:
            wide = _Places(plane, trial, limits, waived)
            wide.lay(claim, zone, limits.loose_m, limits.widest_m() + worst)
            loose = wide.meet(with_waived=False)
    stands, some_waived = _breach(claim, places)
    if many and unsure:
        stands = some_waived = None
    return Breach(stands, some_waived, (loose if worst else False) or stands)


def near_pairs(claim: dict[str, Any], *, folded: bool = True) -> list[dict[str, Any]]:
    """The pairs of all near stretches, each with what its stretch says of all of them."""
    return [
        {**{name: one[name] for name in ("waived", "under", "paths") if name in one}, **pair}
        for one in (*claim["near"], *(claim["near_folded"] if folded else ()))
        for pair in one["members"]
    ]


def _check_stretches(claim: dict[str, Any], what: str, findings: Findings) -> None:
    """What a near stretch says of itself follows from its pairs."""
    for one in (*claim["near"], *claim["near_folded"]):
        pairs, said = one["members"], f"{what}: near {_between(one)}"
        nearest = min(pairs, key=lambda pair: float(pair["distance_m"]))
        for name in ("main", "alternate", "kinds", "at", "distance_m"):
            findings.same(f"{said}: {name}", one[name], nearest[name])
        findings.same(f"{said}: limit", one["limit_m"], max(pair["limit_m"] for pair in pairs))
        ends = min(pair["from_m"] for pair in pairs), max(pair["to_m"] for pair in pairs)
        findings.same(f"{said}: from and to", (one["from_m"], one["to_m"]), ends)
        covered, reached = 0.0, float("-inf")
        for begin, end in sorted((pair["from_m"], pair["to_m"]) for pair in pairs):
            covered += max(0.0, end - max(begin, reached))
            reached = max(reached, end)
        findings.holds(abs(covered - one["length_m"]) <= 0.01, f"{said}: length {covered:.3f} m")
    for name, folded in (("near", False), ("near_folded", True)):
        right = all(("under" in one) == folded for one in claim[name])
        findings.holds(right, f"{what}: something in {name} does not say what it is folded under")


def _names(assets: Any) -> set[str]:
    return {one for one in assets if isinstance(one, str)}


def _contest(trial: Trial, one: Key, other: Key) -> list[Key]:
    return next(c for c in trial.contests() if one in c and other in c)


def _of_pair(entry: dict[str, Any], one: Key, other: Key) -> bool:
    names = [f"{key[0]} {key[1]}" for key in (one, other)]
    return bool(entry.get("paths", names) == names)


def _between(entry: dict[str, Any]) -> str:
    return f"{entry['main']} and {entry['alternate']}"


def _separation(service: dict[str, Any], kind: str, other: str) -> float:
    stated = service["separation_m"]
    if not isinstance(stated, dict):
        return float(stated)
    pairs = {frozenset(map(str.strip, pair.split("/"))): value for pair, value in stated.items()}
    return float(pairs.get(frozenset((kind, other)), 0.0))


def forbids(service: dict[str, Any], kind: str, other: str) -> bool:
    """Whether a service forbids segments of two kinds to cross."""
    stated = service["forbid_cross"]
    if isinstance(stated, bool):
        return stated
    return frozenset((kind, other)) in {frozenset(map(str.strip, p.split("/"))) for p in stated}


def _check_closest(
    plane: Plane,
    pair: Pair,
    told: dict[str, Any] | None,
    said: str,
    zone_m: float,
    trial: Trial,
    findings: Findings,
) -> float | None:
    """The distance is right, the points lie on the segments, outside zones and common lines."""
    found = closest_m(plane, pair)
    if told is None or found is None:
        findings.holds(
            told is None and found is None, f"{said}: closest approach is {found}, told: {told}"
        )
        return found
    near = abs(told["distance_m"] - found) <= max(CLOSE_M, 1e-6 * found)
    findings.holds(near, f"{said}: they come as close as {found:.3f} m, not {told['distance_m']} m")
    points = [plane.flat(shapely.Point(at)) for at in told["points"]]
    apart = float(GEOD.inv(*told["points"][0], *told["points"][1])[2])
    findings.holds(
        abs(apart - told["distance_m"]) <= max(CLOSE_M, 1e-6 * found),
        f"{said}: the two points lie {apart:.3f} m apart, not {told['distance_m']} m",
    )
    for point, segment, lines in zip(
        points, told["segments"], (pair.first, pair.second), strict=True
    ):
        mine = [pair.outside[item.line] for item in lines if item.line[0] == segment]
        away = min((shape.distance(point) for shape in mine), default=float("inf"))
        findings.holds(
            away <= PLACE_M, f"{said}: a closest point does not lie on {segment} ({away:.2f} m)"
        )
    return found


def _check_near(
    plane: Plane,
    pair: Pair,
    limits: Limits,
    told: list[dict[str, Any]],
    shared: set[str],
    avoidable: set[str],
    said: str,
    findings: Findings,
) -> set[int]:
    """Every near stretch is told, with its distance, length and what it is folded under."""
    used: set[int] = set()
    for row, names in folds(plane, pair, limits.least_m, limits.widest_m(), shared, avoidable):
        entry = next((e for e in told if id(e) not in used and _alike(row, e)), None)
        what = f"{said}: {row.one[0]} runs {row.distance_m:.3f} m from {row.other[0]}"
        if entry is None:
            at_limit = row.limit_m - row.distance_m < CLOSE_M and row.to_m - row.from_m < 5.0
            findings.holds(at_limit, f"{what}, which the evidence does not tell")
            continue
        used.add(id(entry))
        away = abs(entry["distance_m"] - row.distance_m) <= CLOSE_M
        findings.holds(away, f"{what}, not {entry['distance_m']} m")
        findings.holds(
            abs(entry["limit_m"] - row.limit_m) < 1e-6, f"{what}: the limit is {row.limit_m:g} m"
        )
        place = plane.flat(shapely.Point(entry["at"]))
        far = max(plane.metres(place, shape) for shape in (row.shape, pair.left[row.other]))
        between = far <= row.distance_m / 2 + PLACE_M
        findings.holds(between, f"{what}, but not about {entry['at']}, {far:.2f} m off")
        folded = entry.get("under")
        right = folded in names if folded is not None else not names or "?" in names
        where = f"under {folded}" if folded is not None else "under nothing"
        findings.holds(
            right, f"{what}: folded {where}, though it belongs to {sorted(names) or None}"
        )
    for entry in told:
        # A stretch right at the limit may be told though rounding hides it here.
        if id(entry) not in used and _at_limit(plane, pair, entry):
            used.add(id(entry))
    return used


def _may_be_near(
    limits: Limits,
    pair: Pair,
    worst_m: float,
    shared: set[str],
    avoidable: set[str],
    waived: Waived,
    trial: Trial,
) -> bool:
    """Whether something would stand if the records were as wrong as they may be."""
    widest = limits.widest_m() + worst_m
    return any(
        not names and not waived.pair(trial.id, row.one[0], row.other[0])
        for row, names in folds(limits.plane, pair, limits.loose_m, widest, shared, avoidable)
    )


def _at_limit(plane: Plane, pair: Pair, entry: dict[str, Any]) -> bool:
    lines = [
        [pair.left[i.line] for i in side if i.line[0] == entry[name] and i.line in pair.left]
        for name, side in (("main", pair.first), ("alternate", pair.second))
    ]
    least = min((plane.metres(a, b) for a in lines[0] for b in lines[1]), default=float("inf"))
    return bool(abs(least - entry["limit_m"]) < CLOSE_M and entry["length_m"] < 5.0)


def _alike(row: Near, entry: dict[str, Any]) -> bool:
    if (row.one[0], row.other[0]) != (entry["main"], entry["alternate"]):
        return False
    slack = ALONG_M + 1e-5 * row.to_m + 0.01 * (row.to_m - row.from_m)
    length = abs(entry["length_m"] - (entry["to_m"] - entry["from_m"])) <= 0.01
    ends = abs(entry["from_m"] - row.from_m), abs(entry["to_m"] - row.to_m)
    return bool(length and max(ends) <= slack)


def _check_cross(
    plane: Plane,
    pair: Pair,
    services: list[dict[str, Any]],
    told: list[dict[str, Any]],
    shared: set[str],
    said: str,
    findings: Findings,
) -> set[int]:
    """Every place where lines meet in plan is told, unless it belongs to something shared."""
    world, used = plane.world, set()
    for one, other in meetings(pair, 0.0015):
        names = one[0], other[0]
        kinds = [str(world.ground.kind[name]) for name in names]
        held = common_holders(world, *names, shared)
        gap = pair.left[one].distance(pair.left[other])
        for place in crossing_places(pair, one, other):
            mine = [
                e
                for e in told
                if (e["main"], e["alternate"]) == names
                and e["at"]
                and plane.flat(shapely.Point(e["at"])).distance(place) <= PLACE_M
            ]
            used |= {id(entry) for entry in mine if not held}
            away = [plane.places[n].distance(place) for n in shared if n in plane.places]
            near = min(away, default=float("inf"))
            at_shared = near <= world.records.snap_m
            # Lines that run together are told even at a shared place; at a small angle
            # nobody can tell whether they do.
            doubtful = at_shared and place.length > 0
            doubtful |= gap > 0.0005 or abs(near - world.records.snap_m) < CLOSE_M
            if not held and not doubtful:
                findings.holds(
                    bool(mine) != at_shared,
                    f"{said}: {names[0]} and {names[1]} "
                    + ("meet only at something shared" if at_shared else "meet, which is not told"),
                )
            forbidden = any(forbids(service, *kinds) for service in services)
            for entry in mine:
                findings.same(f"{said}: {names} forbidden", entry["forbidden"], forbidden)
    return used


def _breach(claim: dict[str, Any], places: _Places | None) -> tuple[bool | None, bool | None]:
    """Between two ways any that stands is one; among more, it takes one place on all of them."""
    rows = [
        *near_pairs(claim, folded=False),
        *(e for e in claim["cross"] if e["forbidden"]),
    ]
    if not rows:
        return False, False
    if places is not None:
        stands = places.meet(with_waived=False)
        return stands, places.meet(with_waived=True) if stands is False else False
    standing = any(not row["waived"] for row in rows)
    return standing, any(row["waived"] for row in rows)


class _Beside(NamedTuple):
    """A stretch of one path beside, across or on another; `sure` of a line that both follow."""

    begin: float
    end: float
    follows: bool
    waived: bool
    sure: bool


class _Places:
    """Where along each of more than two ways the others come near, cross, or are the same.

    Two of many that come close lose nothing by themselves: it takes a place on one of them
    where every other one is near, crosses or follows the same line, and not all the latter.
    """

    def __init__(self, plane: Plane, trial: Trial, limits: Limits, waived: Waived) -> None:
        self.plane, self.trial, self.limits, self.waived = plane, trial, limits, waived
        self.beside: dict[tuple[Key, Key], list[_Beside]] = {}

    def lay(
        self,
        claim: dict[str, Any],
        zone_m: float,
        limit_of: Callable[[str, str], float],
        widest_m: float,
    ) -> None:
        """Find all of it, under the limits of `limit_of` between two segments."""
        grouped = bool(self.trial.group_test)
        for contest in self.trial.contests():
            if len(contest) < 3:
                continue
            both, avoidable, _ = share_contest(self.plane.world, contest, grouped=grouped)
            ends = sorted({key[0] for key in contest})
            for one, other in permutations(contest, 2):
                pair = self.plane.pair(one, other, ends, zone_m)
                found = self.beside.setdefault((one, other), [])
                for row, names in folds(
                    self.plane, pair, limit_of, widest_m, _names(both), _names(avoidable)
                ):
                    if not names or "?" in names:
                        known = self._waived(row.one[0], row.other[0])
                        found.append(_Beside(row.from_m, row.to_m, False, known, not names))
                for entry in claim["cross"]:
                    if entry["forbidden"] and _of_pair(entry, *sorted((one, other), key=self._at)):
                        found += self._crossed(pair, entry)
                common = {item.line for item in pair.first} & {item.line for item in pair.second}
                found += [
                    _Beside(item.at_m, item.at_m + item.length_m, True, False, True)
                    for item in pair.first
                    if item.line in common
                ]

    def _at(self, key: Key) -> int:
        return self.plane.order[key]

    def _waived(self, one: str, other: str) -> bool:
        return self.waived.pair(self.trial.id, one, other)

    def _crossed(self, pair: Pair, entry: dict[str, Any]) -> list[_Beside]:
        """A crossing at every place where the first path of a pair passes it."""
        place = self.plane.flat(shapely.Point(entry["at"]))
        waived = self._waived(entry["main"], entry["alternate"])
        found = []
        for item in pair.first:
            if item.line[0] not in (entry["main"], entry["alternate"]):
                continue
            line, length = self.plane.line(item.line)
            if line.distance(place) <= PLACE_M:
                into = line.project(place) / line.length * length if line.length else 0.0
                at = item.at_m + (length - into if item.backward else into)
                found.append(_Beside(at, at, False, waived, True))
        return found

    def meet(self, *, with_waived: bool) -> bool | None:
        """Whether all come together somewhere; None where that hangs on rounding."""
        answers = [
            any(
                self._on(path, contest, with_waived=with_waived, strict=strict)
                for contest in self.trial.contests()
                if len(contest) > 2
                for path in contest
            )
            for strict in (True, False)
        ]
        return answers[0] if answers[0] == answers[1] else None

    def _on(self, path: Key, contest: list[Key], *, with_waived: bool, strict: bool) -> bool:
        slack = -ALONG_M if strict else ALONG_M
        sides = []
        for other in contest:
            if other == path:
                continue
            rows = [
                one
                for one in self.beside.get((path, other), ())
                if (with_waived or not one.waived) and (one.sure or not strict)
            ]
            sides.append([(*_wider(one, slack), one.follows) for one in rows])
        for place in {begin for side in sides for begin, _, _ in side}:
            on_it = [[f for begin, end, f in side if begin <= place <= end] for side in sides]
            if all(on_it) and not all(all(follows) for follows in on_it):
                return True
        return False


def _wider(one: _Beside, slack: float) -> tuple[float, float]:
    """A stretch made longer or shorter at both ends; what is short keeps its middle."""
    if one.end - one.begin <= -2 * slack:
        middle = (one.begin + one.end) / 2
        return middle - CLOSE_M, middle + CLOSE_M
    return one.begin - slack, one.end + slack

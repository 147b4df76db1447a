"""A brute-force oracle for verdicts: what each path relies on, and what paths share.

It shares no code with the package under test. `solve(folder)` gives an
`OracleAnswer`; near approaches, crossings in plan and loss are left out.

What a path relies on is found in `oracle_reliance`, and again, by breaking one asset
after the other, in `oracle_simulation`.
"""

from __future__ import annotations

import datetime
import itertools
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from oracle_plant import (
    fibre_length_m,
    read_plant,
    run_fibre_m,
    run_route_m,
)
from oracle_records import ASSET_ROLES, Gap, Plant, Way, delay_us, ids, number, waivers_now
from oracle_reliance import Reliance

LIGHT_M_PER_S = 299_792_458.0


@dataclass(frozen=True)
class PathAnswer:
    """One way of a circuit.

    `own_links` are the hops without a recorded way, which count as shared where two
    paths use them. Lengths and delay are sure where `fibre_only` is set and neither
    `two_directions` (the longer is taken) nor `sag_passing` is (a span with a sag passes
    a support; the sag is taken once, over the whole of it), and where no gap touches the
    path; `delay_us` is None where the rules have no group index.
    """

    circuit: str
    label: str
    links: tuple[str, ...]
    relies_on: frozenset[str]
    own_links: frozenset[str]
    length_m: float
    route_m: float
    delay_us: float | None
    fibre_only: bool
    two_directions: bool
    sag_passing: bool
    out: bool
    gaps: tuple[Gap, ...]


@dataclass(frozen=True)
class SharedAnswer:
    """An avoidable shared asset; `roots` are all the things that `through` might name.

    That is, those with the fewest steps to the asset, and of them the first by role; which
    of several the paths meet first is left open. `through` is one of them, by id.
    """

    asset: str
    role: str
    kind: str
    through: str | None
    roots: frozenset[str]
    waived: bool


@dataclass(frozen=True)
class Answer:
    """The answer for a circuit or a group.

    `compared` are (circuit, path label). `blank_within` counts what any of these paths
    relies on and whose `within` could be recorded but is blank.
    """

    id: str
    members: tuple[str, ...]
    compared: tuple[tuple[str, str], ...]
    test: str
    shared: dict[str, SharedAnswer]
    unavoidable: frozenset[str]
    tail: frozenset[str]
    blank_within: int
    gaps: tuple[Gap, ...]
    verdict: str

    @property
    def shared_ids(self) -> frozenset[str]:
        return frozenset(self.shared)


@dataclass(frozen=True)
class OracleAnswer:
    """All that the oracle says about a study."""

    plant: Plant
    paths: dict[tuple[str, str], PathAnswer]
    circuits: dict[str, Answer]
    groups: dict[str, Answer]
    schemes: dict[str, str]


def solve(folder: str | Path, today: datetime.date | None = None) -> OracleAnswer:
    """Everything the oracle says about the study in `folder`."""
    plant = read_plant(folder)
    reliance = Reliance(plant)
    waivers = waivers_now(plant.rules, today or datetime.date.today())
    paths = {
        (path.circuit, path.label): _path_answer(plant, reliance, path)
        for each in plant.paths.values()
        for path in each
    }
    direct = {
        (path.circuit, path.label): reliance.direct(path)
        for each in plant.paths.values()
        for path in each
    }
    judge = _Judge(plant, reliance, paths, direct, waivers)
    circuits = {circuit: judge.circuit(circuit) for circuit in plant.circuits}
    groups = {
        group: judge.group(group, members) for group, members in _sets(plant, "group").items()
    }
    schemes = {
        scheme: min(
            (circuits[member].verdict for member in members),
            key=["shared", "unproven", "accepted", "apart"].index,
        )
        for scheme, members in _sets(plant, "scheme").items()
    }
    return OracleAnswer(plant, paths, circuits, groups, schemes)


def hop_of_its_own(row: dict[str, str], *, runs: bool) -> bool:
    """Whether a link counts as shared itself: no fibre, no cables, nothing that it relies on."""
    fibre = (row.get("medium") or "fibre") == "fibre"
    return not fibre and not ids(row.get("relies_on")) and not runs


def _sets(plant: Plant, column: str) -> dict[str, list[str]]:
    found: dict[str, list[str]] = {}
    for circuit, row in plant.circuits.items():
        if row.get(column):
            found.setdefault(row[column], []).append(circuit)
    return found


def _path_answer(plant: Plant, reliance: Reliance, path: Way) -> PathAnswer:
    relies_on = frozenset(reliance.of_path(path))
    rows = [plant.links[link] for link in path.links]
    media = [row.get("medium") or "fibre" for row in rows]
    behind = reliance.behind(path)
    gaps = tuple(
        gap
        for gap in plant.gaps
        if gap.assets & behind
        or gap.links & set(path.links)
        or path.circuit in gap.circuits
        or (path.circuit, path.label) in gap.paths
    )
    return PathAnswer(
        circuit=path.circuit,
        label=path.label,
        links=path.links,
        relies_on=relies_on,
        own_links=frozenset(
            link
            for link, row in zip(path.links, rows, strict=True)
            if hop_of_its_own(row, runs=any(plant.runs[link].values()))
        ),
        length_m=fibre_length_m(plant, path.links),
        route_m=sum(
            max(sum(run_route_m(plant, run) for run in runs) for runs in plant.runs[link].values())
            for link in path.links
        ),
        delay_us=_delay_us(plant, path),
        fibre_only=set(media) <= {"fibre"},
        two_directions=any(set(plant.runs[link]) != {"both"} for link in path.links),
        sag_passing=any(
            plant.passed[segment.id] and number(segment.row.get("sag_m"))
            for segment in plant.of("segments")
            if segment.id in relies_on
        ),
        out=any(asset in relies_on for asset in plant.out),
        gaps=gaps,
    )


def _delay_us(plant: Plant, path: Way) -> float | None:
    equipment: set[str] = set()
    total = 0.0
    for link in path.links:
        row = plant.links[link]
        equipment.update((row["a"], row["b"], *ids(row.get("via"))))
        total += number(row.get("extra_delay_us")) or 0.0
        if (row.get("medium") or "fibre") != "fibre":
            continue
        ways = []
        for runs in plant.runs[link].values():
            way = 0.0
            for run in runs:
                kind = plant.assets[run.cable].row.get("fibre_type", "")
                indexes = plant.rules.get("fibres", {}).get(kind, {}).get("group_index", {})
                index = indexes.get(f"{float(row['wavelength_nm']):g}")
                if index is None:
                    return None
                way += run_fibre_m(plant, run) * index / LIGHT_M_PER_S * 1e6
            ways.append(way)
        total += max(ways)
    delays = [delay_us(plant, each) for each in equipment]
    return None if None in delays else total + sum(each or 0.0 for each in delays)


class _Judge:
    """Shared assets and verdicts of circuits and groups."""

    def __init__(
        self,
        plant: Plant,
        reliance: Reliance,
        paths: dict[tuple[str, str], PathAnswer],
        direct: dict[tuple[str, str], set[str]],
        waivers: set[tuple[str, str]],
    ) -> None:
        self.plant = plant
        self.reliance = reliance
        self.paths = paths
        self.direct = direct
        self.waivers = waivers

    def circuit(self, circuit: str) -> Answer:
        recorded = [path for path in self.paths.values() if path.circuit == circuit]
        return self._judge(circuit, [circuit], recorded, "all")

    def group(self, group: str, members: list[str]) -> Answer:
        services = self.plant.rules.get("services", {})
        service = self.plant.circuits[members[0]].get("service") or "default"
        test = services.get(service, {}).get("group_test", "working")
        recorded = [path for path in self.paths.values() if path.circuit in members]
        if test == "working":
            recorded = [path for path in recorded if path.label == "main"]
        return self._judge(group, members, recorded, test)

    def _judge(
        self, name: str, members: list[str], recorded: list[PathAnswer], test: str
    ) -> Answer:
        living = [path for path in recorded if not path.out]
        enough = len(living) >= 2 and (
            len(members) == 1 or {path.circuit for path in living} == set(members)
        )
        compared = living if enough else recorded
        ends = set().union(
            *(
                self.reliance.of["asset", self.plant.circuits[member][end]]
                for member in members
                for end in ("a", "b")
            )
        )
        if test == "pairwise":
            sets = [
                [one, other]
                for one, other in itertools.combinations(compared, 2)
                if one.circuit != other.circuit
            ]
        else:
            sets = [compared] if len(compared) >= 2 else []
        whole = {id(each): self._common(each) for each in sets}
        grouped = bool(test) and name not in self.plant.circuits
        avoidable: set[str] = set()
        unavoidable: set[str] = set()
        for each in sets:
            for asset in whole[id(each)]:
                if grouped:
                    excused = all(self._by_the_site_alone(asset, path) for path in each)
                else:
                    excused = asset in ends and not self._met_elsewhere(asset, each, ends)
                (unavoidable if excused else avoidable).add(asset)
        unavoidable -= avoidable
        tail = frozenset() if grouped or not sets else self._tail(name, compared) & avoidable
        avoidable -= tail
        folded = self._not_on_their_own(avoidable, sets, whole)
        roots = {
            asset: self._roots(asset, avoidable, folded) if asset in folded else frozenset()
            for asset in avoidable
        }
        waived = self._waived(name, avoidable, folded)
        shared = {}
        for asset in sorted(avoidable):
            row = self.plant.assets.get(asset)
            shared[asset] = SharedAnswer(
                asset=asset,
                role=row.role if row else "links",
                kind=row.kind if row else self.plant.links[asset].get("medium") or "fibre",
                through=min(roots[asset], default=None),
                roots=roots[asset],
                waived=asset in waived,
            )
        gaps = tuple(dict.fromkeys(gap for path in compared for gap in path.gaps))
        if len(members) == 1:
            gaps += tuple(
                gap for gap in self.plant.gaps if name in gap.circuits and gap not in gaps
            )
        known = not any(gap.separation for gap in gaps)
        complete = enough and known and {path.circuit for path in compared} == set(members)
        if avoidable - waived:
            verdict = "shared"
        elif not complete:
            verdict = "unproven"
        else:
            verdict = "accepted" if avoidable else "apart"
        return Answer(
            id=name,
            members=tuple(members),
            compared=tuple((path.circuit, path.label) for path in compared),
            test=test,
            shared=shared,
            unavoidable=frozenset(unavoidable),
            tail=frozenset(tail),
            blank_within=sum(
                self.plant.assets[asset].within_blank
                for asset in set().union(*(path.relies_on for path in compared))
            ),
            gaps=gaps,
            verdict=verdict,
        )

    def _tail(self, circuit: str, paths: list[PathAnswer]) -> set[str]:
        """What all paths run through inside an end site, from the end to where they part."""
        plant, row = self.plant, self.plant.circuits[circuit]
        services = plant.rules.get("services", {})
        rule = services.get("default", {}) | services.get(row.get("service") or "default", {})
        courses = {self._from_end_a(path.links, row) for path in paths}
        if rule.get("tail") == "shared" or len(courses) == 1:
            return set()
        found: set[str] = set()
        for end in ("a", "b"):
            machine = row[end]
            site = plant.assets[machine].row["site"]
            ways = [list(course if end == "a" else course[::-1]) for course in courses]
            while all(ways) and len({way[0] for way in ways}) == 1:
                (link,) = {way.pop(0) for way in ways}
                hop = plant.links[link]
                on_it = {hop["a"], hop["b"], *ids(hop.get("via"))}
                if machine not in (hop["a"], hop["b"]) or any(
                    plant.assets[one].row["site"] != site for one in on_it
                ):
                    break
                found |= self._indoors(link, site)
                machine = hop["b"] if machine == hop["a"] else hop["a"]
        return found

    def _from_end_a(self, links: tuple[str, ...], circuit: dict[str, str]) -> tuple[str, ...]:
        """The links of a path from end a to end b; as recorded where they lead neither way."""
        for course in (links, links[::-1]):
            machine = circuit["a"]
            for link in course:
                hop = self.plant.links[link]
                onward = {hop["a"]: hop["b"], hop["b"]: hop["a"]}
                machine = onward.get(machine, "")
            if machine == circuit["b"]:
                return course
        return links

    def _indoors(self, link: str, site: str) -> set[str]:
        """A hop inside a site, and what stands at that site and is needed for it."""
        plant, reliance = self.plant, self.reliance

        def here(asset: str) -> bool:
            one = plant.assets[asset]
            if one.role in ("equipment", "supplies", "joints"):
                return one.row["at" if one.role == "joints" else "site"] == site
            if one.role == "segments":
                return one.kind in ("tray", "riser") and set(plant.ends[asset]) == {site}
            return one.role == "holders" and self._only_at(asset, site)

        used: set[str] = set()
        ahead = list(reliance.first_steps(link))
        while ahead:
            key = ahead.pop()
            used.add(key[1])
            if plant.assets[key[1]].role in ("cables", "segments"):
                ahead += reliance.across[key]
        laid = any(
            plant.assets[one].role == "structures"
            or (plant.assets[one].role == "segments" and not here(one))
            for one in used
        )
        cords = {one for one in used if plant.assets[one].role == "cables" and not laid}
        found = {one for one in used if here(one)} | cords
        runs = any(itertools.chain.from_iterable(plant.runs[link].values()))
        if hop_of_its_own(plant.links[link], runs=runs):
            found.add(link)
        waiting = [one for one in found if one in plant.assets]
        while waiting:
            at = waiting.pop()
            beside = set(reliance.up(at))
            if plant.assets[at].role in ("equipment", "supplies"):
                beside |= {step[1] for step in reliance.across["asset", at]}
            if reliance.feeds.get(("asset", at)):
                common = reliance.common(("asset", at))
                led_to = {two for one in common for two in self._led_to(one) if two != one}
                beside |= common - led_to
            fresh = {one for one in beside - found if here(one)}
            found |= fresh
            waiting += fresh
        return found

    def _only_at(self, holder: str, site: str) -> bool:
        """Nothing of what the holder holds, and no site that it lies in, is elsewhere."""
        plant = self.plant
        above = plant.all_counted(holder)
        if any(plant.assets[one].role == "sites" and one != site for one in above):
            return False

        def on(place: str | None) -> bool:
            return place is not None and (place == site or site in plant.all_counted(place))

        for asset in plant.assets.values():
            if holder not in plant.all_counted(asset.id):
                continue
            if asset.role in ("equipment", "supplies"):
                there = asset.row["site"] == site
            elif asset.role == "segments":
                there = all(on(end) for end in plant.ends[asset.id])
            else:
                there = asset.role == "holders" or on(asset.id)
            if not there:
                return False
        return True

    def _led_to(self, asset: str) -> set[str]:
        across = self.reliance.across["asset", asset]
        own = self.plant.assets[asset].role in ("equipment", "supplies")
        return self.reliance.up(asset) | ({step[1] for step in across} if own else set())

    @staticmethod
    def _common(paths: Iterable[PathAnswer]) -> set[str]:
        return set.intersection(*(set(path.relies_on | path.own_links) for path in paths))

    def _met_elsewhere(self, asset: str, paths: list[PathAnswer], ends: set[str]) -> bool:
        """Whether `asset` is a hazard that each path also meets away from the ends' own plant."""
        return all(
            any(
                asset in self.plant.takes.get(other, ())
                for other in path.relies_on
                if other not in ends
            )
            or any(asset in self.plant.in_air.get(link, ()) for link in path.links)
            for path in paths
        )

    def _by_the_site_alone(self, asset: str, path: PathAnswer) -> bool:
        """Whether a group's path relies on `asset` for nothing but where its relays stand."""
        row = self.plant.circuits[path.circuit]
        sites = {self.plant.assets[row[end]].row["site"] for end in ("a", "b")}
        standing = set().union(*(self.reliance.of["asset", site] for site in sites))
        if asset not in standing:
            return asset in self._excused_kinds(row)
        in_air = any(asset in self.plant.in_air.get(link, ()) for link in path.links)
        return not in_air and not any(
            asset in self.plant.takes.get(other, ())
            for other in path.relies_on
            if other not in standing
        )

    def _excused_kinds(self, circuit: dict[str, str]) -> set[str]:
        """What the circuit's relays rely on that is of a kind in `[groups] excuse`."""
        excuse = self.plant.rules.get("groups", {}).get("excuse", [])
        relied = set().union(*(self.reliance.of["asset", circuit[end]] for end in ("a", "b")))
        return {one for one in relied if self.plant.assets[one].kind in excuse}

    def _not_on_their_own(
        self, avoidable: set[str], sets: list[list[PathAnswer]], whole: dict[int, set[str]]
    ) -> set[str]:
        """Shared assets that, wherever they are shared, are so because of what they hold."""

        def reached(asset: str, path: PathAnswer, common: set[str]) -> bool:
            if asset in path.own_links or asset in self.direct[path.circuit, path.label]:
                return True
            return any(
                asset in self.reliance.up(other) for other in path.relies_on if other not in common
            )

        return {
            asset
            for asset in avoidable
            if not any(
                asset in whole[id(each)]
                and all(reached(asset, path, whole[id(each)]) for path in each)
                for each in sets
            )
        }

    def _below(self, asset: str, avoidable: set[str]) -> set[str]:
        return {
            other
            for other in avoidable
            if other in self.plant.assets and asset in self.reliance.up(other)
        }

    def _roots(self, asset: str, avoidable: set[str], folded: set[str]) -> frozenset[str]:
        inside, layer = {asset}, {asset}
        while layer and layer <= folded:
            layer = set().union(*(self._below(one, avoidable) for one in layer)) - inside
            inside |= layer
        roots = layer - folded
        first = min((ASSET_ROLES.index(self.plant.assets[one].role) for one in roots), default=-1)
        return frozenset(
            one for one in roots if ASSET_ROLES.index(self.plant.assets[one].role) == first
        )

    def _waived(self, name: str, avoidable: set[str], folded: set[str]) -> set[str]:
        waived = {asset for asset in avoidable if (name, asset) in self.waivers}
        while more := {
            asset
            for asset in folded - waived
            if (below := self._below(asset, avoidable)) and below <= waived
        }:
            waived |= more
        return waived

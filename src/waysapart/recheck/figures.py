"""What every link measures, by the records and by tests: length, delay, and what light loses."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date
from functools import cache
from itertools import pairwise
from math import cosh, hypot, inf, isnan, nan, pi, sinh, sqrt
from typing import Any

from pyproj import Transformer

from waysapart.recheck.plant import GEOD, Cables, Hop, Use, stretch
from waysapart.recheck.records import LON_LAT, Records, carried
from waysapart.recheck.rows import Gap, Row, moment_of


def numbers_of(row: Row) -> list[int]:
    """The fibres that a row of link_runs names, as often as it does."""
    return [int(one) for one in str(row.get("fibres") or "").split(";") if one.strip()]


SINGLE_MODE_BELOW_UM = 15.0


def link_losses(records: Records, hop: Hop) -> tuple[list[float], bool]:
    """Losses that tests of a link found at about its wavelength; whether all of it was tested.

    A test that names neither a fibre nor a direction is of the whole link.
    """
    tests = _at_wavelength(
        records, hop, newest_tests(records, "link", "loss_db").get(hop.row["id"], [])
    )
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
    tests = _at_wavelength(
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


def _at_wavelength(records: Records, hop: Hop, tests: Iterable[Row]) -> list[Row]:
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


LIGHT_M_PER_US = 299.792458


def assumed_us(records: Records, machine: str) -> float | None:
    """Delay of a piece of equipment: on record, or as the rules take a blank; None where a gap."""
    row, said = records.by["equipment"][machine], records.rules["records"]
    delay, kind = row.get("delay_us"), row.get("kind")
    if delay is not None:
        return float(delay)
    if kind in said["passive"]:
        return 0.0
    meaning = said["delay_us"]
    stated = next(meaning[one] for one in (kind, "equipment", "other") if one in meaning)
    return {"gap": None, "none": 0.0}.get(stated) if isinstance(stated, str) else float(stated)


def hanging_m(span_m: float, sag_m: float, rise_m: float) -> float:
    """Length of a catenary by halving: supports span and rise apart, sag below their chord.

    y = c cosh(x / c); with u = span / 2c the sag at mid-span is c (cosh u - 1) cosh(m / c)
    where sinh(m / c) = rise / (2 c sinh u), and the length is hypot(rise, 2 c sinh u).
    """
    if sag_m <= 0:
        return hypot(span_m, rise_m)

    def sag_at(u: float) -> float:
        c = span_m / (2 * u)
        return c * (cosh(u) - 1) * hypot(1.0, rise_m / (2 * c * sinh(u)))

    high = 1e-9
    while sag_at(high) < sag_m:
        high *= 2
    low = high / 2
    while low < (middle := (low + high) / 2) < high:
        low, high = (middle, high) if sag_at(middle) < sag_m else (low, middle)
    c = span_m / (low + high)
    return hypot(rise_m, 2 * c * sinh(span_m / (2 * c)))


@dataclass
class Length:
    """Fibre and ground length of a link, each way, in metres; None where not on record.

    `by_cables` is what its cables add up to without a test of the link itself.
    """

    go_m: float | None
    return_m: float | None
    route_m: float | None
    by_cables: tuple[float | None, float | None]

    @property
    def longer_m(self) -> float | None:
        """The greater of both ways; None where neither is known."""
        known = [one for one in (self.go_m, self.return_m) if one is not None]
        return max(known) if known else None


class Figures:
    """Lengths, delays and losses of a study's links."""

    def __init__(self, cables: Cables, hops: dict[str, Hop]) -> None:
        self.cables, self.hops, self.records = cables, hops, cables.ground.records
        turn = Transformer.from_crs(self.records.crs, LON_LAT, always_xy=True)
        rows = self.records.rows["segments"]
        drawn = [row for row in rows if row["geometry"] is not None]
        lines = carried([row["geometry"] for row in drawn], turn)
        self.ground_m = {row["id"]: nan for row in rows}
        self.ground_m |= {
            row["id"]: GEOD.geometry_length(line) for row, line in zip(drawn, lines, strict=True)
        }
        stated = {row["id"]: row["length_m"] for row in rows if row["length_m"] is not None}
        self.ground_m |= stated
        self.sag_m = {row["id"]: self._sag(row) for row in self.records.rows["segments"]}
        self._computed, self.fibre_m = cache(self._by_record), cache(self._by_test_or_record)
        self.delay_us = cache(self._delay_us)
        self._cable_tests = _tests(self.records, "cable", "length_m")
        self._link_tests = _tests(self.records, "link", "length_m")
        self._delay_tests = _tests(self.records, "link", "delay_us")
        self._whole = {name: self._computed(self.whole_use(name)) for name in cables.chain}
        self.lengths = {name: self._length(name, hop) for name, hop in hops.items()}

    def _sag(self, row: Row) -> float:
        """What hanging adds to a segment, support by support."""
        sag = row.get("sag_m") or 0.0
        if sag <= 0 and row["kind"] != "span":
            return 0.0
        a, b = self.cables.ground.ends[row["id"]]
        passed = self.cables.ground.passed.get(row["id"], {})
        supports = [(0.0, a), *sorted((at, node) for node, at in passed.items()), (1.0, b)]
        added = 0.0
        for (before, one), (after, two) in pairwise(supports):
            heights = [
                self.records.by["structures"].get(node or "", {}).get("elevation_m")
                for node in (one, two)
            ]
            low, high = heights
            rise = 0.0 if low is None or high is None else high - low
            span = (after - before) * self.ground_m[row["id"]]
            if span > 0:
                added += hanging_m(span, sag, rise) - span
        return added

    def by_record_m(self, cable: str) -> float | None:
        """Fibre length of a whole cable by its record, without any test."""
        known = self._whole.get(cable)
        return None if known is None else known[1]

    def reel_m(self, cable: str) -> float:
        """What a reel of a cable holds."""
        reels = self.records.rules["defaults"]["reel_m"]
        return float(reels.get(self.records.by["cables"][cable].get("kind"), reels["other"]))

    def whole_m(self, cable: str) -> float | None:
        """Fibre length of a whole cable."""
        return self.fibre_m(self.whole_use(cable))

    def whole_use(self, cable: str) -> Use:
        """A cable from end to end."""
        return Use(cable, None, None, 0.0, float(len(self.cables.chain[cable])))

    def _by_record(self, use: Use) -> tuple[float, float] | None:
        """Route and fibre length of a stretch of cable by its record, without any test."""
        cable = self.records.by["cables"][use.cable]
        chain = self.cables.chain[use.cable]
        if not chain or use.cable in self.cables.unsure:
            return None
        route = sag = 0.0
        for step, begin, end, _ in stretch(self.cables, use):
            route += self.ground_m[step.segment] * abs(end - begin)
            sag += self.sag_m[step.segment] * abs(end - begin)
        if isnan(route):
            return None
        helix = 1.0
        pitch, across = cable.get("wrap_pitch_m"), cable.get("wrap_diameter_mm")
        if pitch is not None and across is not None:
            helix = hypot(1.0, pi * across / 1000 / pitch)
        slack = self._stated(cable, "slack_m")
        whole = self.whole_use(use.cable)
        if (use.from_, use.to) not in ((0.0, whole.to), (whole.to, 0.0)):
            known = self._computed(whole)
            slack *= route / known[0] if known else 0.0
        overlength = self._stated(cable, "overlength_pct")
        return route, (route + sag) * helix * (1 + overlength / 100) + slack

    def _stated(self, cable: Row, name: str) -> float:
        """A cable's own value, or the default of its kind."""
        table = self.records.rules["defaults"][name]
        own = cable.get(name)
        return float(table.get(cable.get("kind"), table["other"]) if own is None else own)

    def _by_test_or_record(self, use: Use) -> float | None:
        """Fibre length of a stretch of cable: its share of the test, or by its record."""
        computed, whole = self._computed(use), self._whole[use.cable]
        tested = _greatest(self._cable_tests.get(use.cable, {}), None)
        full = {use.from_, use.to} == {0.0, float(len(self.cables.chain[use.cable]))}
        if tested is not None and full:
            return tested
        if tested is not None and computed is not None and whole is not None:
            return tested * computed[1] / whole[1]
        return None if computed is None else computed[1]

    def length_gaps(self) -> list[Gap]:
        """A gap for every fibre whose measured length the record does not explain."""
        found = []
        for cable, tests in self._cable_tests.items():
            computed = self._whole.get(cable)
            off = self._off(tests, None, None if computed is None else computed[1])
            found += [Gap("measured-length", cable, (cable,))] * off
        for link, tests in self._link_tests.items():
            if link not in self.lengths:
                continue
            go, back = self.lengths[link].by_cables
            same = go == back
            if go is not None and back is not None:
                same = abs(go - back) <= 1e-9
            ways = ((None, go),) if same else (("go", go), ("return", back))
            off = sum(self._off(tests, way, expected) for way, expected in ways)
            found += [Gap("measured-length", link, links=(link,))] * off
        return found

    def _off(self, tests: Tested, way: str | None, expected_m: float | None) -> int:
        """How many fibres' means differ from what is expected by more than the rules allow."""
        if expected_m is None:
            return 0
        rules = self.records.rules["tests"]
        most = max(rules["length_m"], abs(expected_m) * rules["length_pct"] / 100)
        return sum(abs(mean - expected_m) > most for mean in _means(tests, way))

    def _length(self, name: str, hop: Hop) -> Length:
        row = hop.row
        tests = self._link_tests.get(name, {})
        if not hop.ways:
            alone = self._alone_m(row)
            tested = _greatest(tests, None)
            onward = alone if tested is None else tested
            return Length(onward, onward, alone, (alone, alone))
        by_cables = tuple(
            _sum(self.fibre_m(use) for use in hop.ways.get(way, hop.ways.get("both", ())))
            for way in ("go", "return")
        )
        ground = []
        for uses in hop.ways.values():
            computed = [self._computed(use) for use in uses]
            ground.append(_sum(None if one is None else one[0] for one in computed))
        apart = "both" not in hop.ways
        tested_go = _greatest(tests, "go" if apart else None)
        tested_back = _greatest(tests, "return" if apart else None)
        return Length(
            by_cables[0] if tested_go is None else tested_go,
            by_cables[1] if tested_back is None else tested_back,
            None if None in ground else max(one for one in ground if one is not None),
            (by_cables[0], by_cables[1]),
        )

    def _alone_m(self, row: Row) -> float | None:
        """Length of a hop without cables: stated, or nothing within a site, or mast to mast."""
        stated, medium = row.get("length_m"), row.get("medium") or "fibre"
        if stated is not None:
            return None if medium == "fibre" and stated == 0 else float(stated)
        site_a, site_b = self.end_sites(row)
        if medium == "internal":
            return None if self.internal_apart(row) else 0.0
        if medium in ("electrical", "carrier"):
            return 0.0 if site_a is not None and site_a == site_b else None
        return self._radio_m(row, site_a, site_b) if medium == "radio" else None

    def end_sites(self, row: Row) -> tuple[str | None, str | None]:
        """The sites of the equipment at both ends of a link."""
        machines = self.records.by["equipment"]
        a, b = (machines.get(str(row.get(end)), {}).get("site") for end in ("a", "b"))
        return a, b

    def internal_apart(self, row: Row) -> bool:
        """Whether an internal hop joins two sites that neither touch nor hold each other."""
        a, b = self.end_sites(row)
        if row.get("medium") != "internal" or (a is not None and a == b):
            return False
        sites = self.records.by["sites"]
        one, other = sites.get(str(a), {}), sites.get(str(b), {})
        if a in (other.get("within") or ()) or b in (one.get("within") or ()):
            return False
        first, second = one.get("geometry"), other.get("geometry")
        if first is None or second is None:
            return True
        return bool(first.distance(second) > self.records.snap_m)

    def _radio_m(self, row: Row, a: str | None, b: str | None) -> float | None:
        """Straight from mast to mast, or from the sites where there is none, on the ellipsoid."""
        by = self.records.by
        masts = [
            by["structures"][name]["geometry"].centroid
            for name in row.get("relies_on") or ()
            if name in by["structures"]
            and by["structures"][name]["kind"] not in ("pit", "entry", "bridge")
        ]
        shapes = [by["sites"].get(str(site), {}).get("geometry") for site in (a, b)]
        ends = [None if shape is None else shape.centroid for shape in shapes]
        first, last = ends
        if len(masts) > 1:
            start = masts[0] if first is None else first
            way = sorted(masts, key=start.distance)
        elif first is None or last is None:
            return None
        elif masts:
            way = [masts[0], max((first, last), key=masts[0].distance)]
        else:
            way = [first, last]
        turn = Transformer.from_crs(self.records.crs, LON_LAT, always_xy=True)
        lonlat = [turn.transform(point.x, point.y) for point in way]
        return float(sum(GEOD.inv(*one, *two)[2] for one, two in pairwise(lonlat)))

    def measured_us(self, name: str) -> tuple[float | None, float | None]:
        """Measured delay of a link each way; a test that states no direction stands for both."""
        tests = self._delay_tests.get(name, {})
        both = _greatest({key: one for key, one in tests.items() if key[1] is None}, None)
        own = [
            _greatest({key: one for key, one in tests.items() if key[1] == way}, None)
            for way in ("go", "return")
        ]
        go, back = (both if one is None else one for one in own)
        return go, back

    def _delay_us(self, name: str) -> tuple[float | None, float | None]:
        """Delay of a link each way, without its equipment: glass and extra, or by test."""
        go, back = (
            by_record if tested is None else tested
            for tested, by_record in zip(
                self.measured_us(name), self.delay_by_record_us(name), strict=True
            )
        )
        return go, back

    def delay_by_record_us(self, name: str) -> tuple[float | None, float | None]:
        """Delay of a link's glass and extra each way, without any test of its delay."""
        hop, length = self.hops[name], self.lengths[name]
        extra = hop.row.get("extra_delay_us") or 0.0
        medium = hop.row.get("medium") or "fibre"
        hop_index = self.records.rules["media"][medium]["group_index"]
        found: list[float | None] = []
        for way, length_m, added in zip(
            ("go", "return"), (length.go_m, length.return_m), length.by_cables, strict=True
        ):
            uses = hop.ways.get(way, hop.ways.get("both", []))
            if not hop.ways and medium != "fibre" and length_m is None:
                stated = hop.row.get("extra_delay_us")
                found.append(None if stated is None else float(stated))
                continue
            every = [self._index(hop, use, hop_index) for use in hop.uses()]
            if None in every:
                found.append(None)
                continue
            indices = [self._index(hop, use, hop_index) for use in uses]
            glass = [self.fibre_m(use) for use in uses]
            if length_m is None:
                found.append(None)
            elif uses and None not in glass and added:
                metres = zip(glass, indices, strict=True)
                total = sum(
                    one * index for one, index in metres if one is not None and index is not None
                )
                found.append(round(total * length_m / added / LIGHT_M_PER_US, 3) + extra)
            else:
                known = [one for one in every if one is not None]
                index = sum(known) / len(known) if known else hop_index
                found.append(round(length_m * index / LIGHT_M_PER_US, 3) + extra)
        return found[0], found[1]

    def most_sure_us(self, name: str) -> float:
        """The most that is sure of a link's delay where it is not known: of what glass there is.

        Glass of an unknown kind is no slower than light in vacuum.
        """
        hop, found = self.hops[name], [0.0]
        for uses in hop.ways.values():
            known = [(self.fibre_m(use), self._index(hop, use, 1.0)) for use in uses]
            found.append(sum((metres or 0.0) * (index or 1.0) for metres, index in known))
        metres = self.lengths[name].longer_m or 0.0
        return max(*found, metres) / LIGHT_M_PER_US + (hop.row.get("extra_delay_us") or 0.0)

    def _index(self, hop: Hop, use: Use, of_medium: float) -> float | None:
        """Group index of a stretch: fibre has only that of a type on record."""
        typed = self.records.by["cables"][use.cable].get("fibre_type") is not None
        index = self._glass(hop, use, "group_index") if typed else None
        fibre = (hop.row.get("medium") or "fibre") == "fibre"
        return of_medium if index is None and not fibre else index

    def fibre_db(self, name: str, way: str) -> float | None:
        """Loss of a link's glass one way."""
        hop = self.hops[name]
        terms = []
        for use in hop.ways.get(way, hop.ways.get("both", [])):
            metres, per_km = self.fibre_m(use), self.db_per_km(hop, use, mean=False)
            terms.append(None if metres is None or per_km is None else metres / 1000 * per_km)
        return _sum(terms)

    def db_per_km(self, hop: Hop, use: Use, *, mean: bool) -> float | None:
        """Attenuation of a stretch: the cable's own, or by its type, at its greatest or its mean.

        A mean above the greatest is none.
        """
        own: float | None = self.records.by["cables"][use.cable].get("db_per_km")
        if own is not None:
            return own
        greatest = self._glass(hop, use, "db_per_km")
        if not mean:
            return greatest
        known = [self._glass(hop, use, "mean_db_per_km"), greatest]
        return min((one for one in known if one is not None), default=None)

    def stretch_us(self, use: Use, wavelength_nm: float) -> float | None:
        """Delay of the glass of a stretch of cable at a wavelength."""
        metres = self.fibre_m(use)
        index = self._index(Hop({"wavelength_nm": wavelength_nm}), use, 0.0)
        return None if metres is None or index is None else metres * index / LIGHT_M_PER_US

    def stretch_db(self, use: Use, wavelength_nm: float) -> float | None:
        """Loss of the glass of a stretch of cable at a wavelength."""
        metres = self.fibre_m(use)
        own = self.records.by["cables"][use.cable].get("db_per_km")
        per_km = self._glass(Hop({"wavelength_nm": wavelength_nm}), use, "db_per_km")
        per_km = per_km if own is None else own
        return None if metres is None or per_km is None else metres / 1000 * per_km

    def splices(self, name: str, way: str) -> tuple[list[str], int]:
        """Joints on record that a link passes one way, and how many splices more are estimated.

        Those are changes of cable without a joint, and one after each full reel between joints.
        """
        uses = self.hops[name].ways.get(way, self.hops[name].ways.get("both", []))
        met = [self.joints_met(use) for use in uses]
        picked = self.joints_at_changes(uses, met)
        estimated = sum(self.reels(use, joints) for use, joints in zip(uses, met, strict=True))
        known = [joint for joint in picked if joint is not None]
        every = {joint for one in met for joint in one}
        return [*known, *sorted(every - set(known))], estimated + picked.count(None)

    def joints_at_changes(
        self, uses: list[Use], met: list[dict[str, float | None]]
    ) -> list[str | None]:
        """The joint at each change of cable; None where none is on record."""
        joints = self.records.by["joints"]
        silent = self.records.joints_of.get(None, ())
        picked: list[str | None] = []
        for place, (one, two) in enumerate(pairwise(uses)):
            node = one.end if one.end == two.begin else None
            pool = set(met[place]) & set(met[place + 1])
            if not pool and node is not None:
                pool = {joint for joint in silent if joints[joint]["at"] == node}
            chosen = min(pool, key=lambda joint: self._rank(joint, node)) if pool else None
            picked.append(chosen)
        return picked

    def _rank(self, joint: str, node: str | None) -> tuple[bool, float, str]:
        """Of several joints at a change of cable the one there counts, then the worst."""
        row = self.records.by["joints"][joint]
        loss = row.get("loss_db")
        worst = self.records.rules["defaults"]["splice_db"] if loss is None else loss
        return row["at"] != node, -worst, joint

    def joints_met(self, use: Use) -> dict[str, float | None]:
        """Joints of a cable along a use of it, with their way over the ground (None: not known)."""
        nodes = self.cables.nodes(use.cable)
        low, high = sorted((use.from_, use.to))
        mine = self.records.joints_of.get(use.cable, ())
        # Where a cable breaks two nodes have one position, and only one of them is on the use.
        on_it = {node for *_, on in stretch(self.cables, use) for node in on} if mine else set()
        found: dict[str, float | None] = {}
        for joint in mine:
            row = self.records.by["joints"][joint]
            everywhere = [at for node, at in nodes if node == row["at"]]
            here = [at for at in everywhere if low <= at <= high and row["at"] in on_it]
            if here:
                found[joint] = self._ground_to(use, min(here))
            elif not everywhere:
                found[joint] = None
        return found

    def _ground_to(self, use: Use, position: float) -> float:
        """Ground length of a use of a cable from its lower end to a position."""
        low, total = min(use.from_, use.to), 0.0
        for place, step in enumerate(self.cables.chain[use.cable]):
            share = min(place + 1.0, position) - max(float(place), low)
            total += max(share, 0.0) * abs(step.stop - step.start) * self.ground_m[step.segment]
        return total

    def reels(self, use: Use, joints: dict[str, float | None]) -> int:
        """One splice after each full reel between the joints on a use of a cable, or its ends."""
        parts, reel = self.stretches(use, joints)
        return sum(max(-int(-(one / reel - 1e-9) // 1), 1) - 1 for one in parts)

    def stretches(self, use: Use, joints: dict[str, float | None]) -> tuple[list[float], float]:
        """Fibre between the joints on a use of a cable, or its ends, and what a reel holds.

        No stretches where its length is not on record.
        """
        fibre, whole = self.fibre_m(use), self._ground_to(use, max(use.from_, use.to))
        known = sorted(at for at in joints.values() if at is not None and not isnan(at))
        cuts = [0.0, *known, whole]
        if fibre is None:
            parts = []
        elif isnan(whole):
            parts = [0.0]
        else:
            parts = [(b - a) / whole * fibre for a, b in pairwise(cuts)] if whole else [fibre]
        return parts, self.reel_m(use.cable)

    def mismatch_db(self, name: str, way: str) -> float | None:
        """What the light loses one way where it goes on in a smaller core."""
        hop = self.hops[name]
        key = way if way in hop.ways else "both"
        uses = hop.ways.get(key, [])
        if (way == "go") == hop.turned.get(key, False):
            uses = uses[::-1]
        cables, rules = self.records.by["cables"], self.records.rules
        stated, total = rules["defaults"].get("mode_mismatch_db", {}), 0.0
        for one, two in pairwise(cables[use.cable].get("fibre_type") for use in uses):
            if one is None or two is None or one == two:
                continue
            before, after = (core_um(rules["fibres"][kind]) for kind in (one, two))
            if before is None or after is None:
                return None
            if before <= after or before < 15:
                continue
            step = stated.get("to_single_mode" if after < 15 else "to_smaller_core")
            if step is None:
                return None
            total += step
        return total

    def _glass(self, hop: Hop, use: Use, value: str) -> float | None:
        """A value of the fibre's type at the link's wavelength, between those of the rules.

        Up to the tolerance beyond them the value at the end holds; below the shortest
        attenuation grows as Rayleigh scattering does.
        """
        wavelength = hop.row.get("wavelength_nm")
        if wavelength is None:
            return None
        kind = self.records.by["cables"][use.cable].get("fibre_type")
        if kind is None and value == "group_index":
            kind = "G.652.D" if wavelength >= 1200 else "OM1"
        fibre = self.records.rules["fibres"].get(kind, {})
        stated = fibre.get(value, {})
        if value == "mean_db_per_km":
            stated = {**_by_nm(fibre.get("db_per_km", {})), **_by_nm(stated)}
        table = sorted((float(nm), float(one)) for nm, one in stated.items())
        beyond = self.records.rules["defaults"]["wavelength_tolerance_nm"]
        if not table or not table[0][0] - beyond <= wavelength <= table[-1][0] + beyond:
            return None
        if wavelength <= table[0][0]:
            rise = (table[0][0] / wavelength) ** 4 if value.endswith("db_per_km") else 1.0
            return float(table[0][1] * rise)
        for (low, one), (high, two) in pairwise(table):
            if wavelength <= high:
                return float(one + (two - one) * (wavelength - low) / (high - low))
        return table[-1][1]


def _by_nm(table: dict[str, float]) -> dict[float, float]:
    return {float(nm): one for nm, one in table.items()}


def core_um(fibre: dict[str, Any]) -> float | None:
    """Diameter of a type's core; one with a zero-dispersion wavelength is single-mode."""
    own = fibre.get("core_um")
    if own is None and fibre.get("lambda0_min_nm") is not None:
        return 7.5
    return None if own is None else float(own)


def _sum(values: Iterable[float | None]) -> float | None:
    found = list(values)
    return None if None in found else sum(one for one in found if one is not None)


Tested = dict[tuple[Any, str | None], list[float]]
"""Values by fibre and direction (None: it states none)."""


def newest_tests(records: Records, owner: str, value: str) -> dict[str, list[Row]]:
    """The newest tests of each cable or link that give a value; later ones do not count.

    Of each fibre and direction, and of a loss each wavelength. Those of drums are of cable that
    is not in its place; one without a date gives way to one with.
    """
    end = date.fromisoformat(records.on)
    groups: dict[str, dict[Any, list[Row]]] = {}
    for row in records.rows["measurements"]:
        taken = moment_of(row.get("date"))
        to_come = taken is not None and taken.date() > end
        if to_come or row.get("stage") == "drum" or not row.get(owner) or row.get(value) is None:
            continue
        key = (row.get("fibre"), row.get("direction") == "return")
        nm = row.get("wavelength_nm") if value == "loss_db" else None
        groups.setdefault(row[owner], {}).setdefault((*key, nm), []).append(row)
    found: dict[str, list[Row]] = {}
    for name, by_fibre in groups.items():
        for rows in by_fibre.values():
            days = [moment_of(row.get("date")) for row in rows]
            newest = max((day for day in days if day is not None), default=None)
            mine = [row for row, day in zip(rows, days, strict=True) if day == newest]
            found.setdefault(name, []).extend(mine)
    return found


def _tests(records: Records, owner: str, value: str) -> dict[str, Tested]:
    """What the newest tests of each cable or link found, by fibre and direction."""
    found: dict[str, Tested] = {}
    for name, rows in newest_tests(records, owner, value).items():
        mine = found.setdefault(name, {})
        for row in rows:
            mine.setdefault((row.get("fibre"), row.get("direction")), []).append(row[value])
    return found


def _greatest(tests: Tested, way: str | None) -> float | None:
    """The greatest over fibres of the mean of both ways; of one way only where asked."""
    return max(_means(tests, way), default=None)


def _means(tests: Tested, way: str | None) -> list[float]:
    """Of every fibre the mean of both ways; of one way only where asked."""
    fibres: dict[Any, dict[bool, list[float]]] = {}
    for (fibre, direction), values in tests.items():
        returns = direction == "return"
        if way is None or returns == (way == "return"):
            fibres.setdefault(fibre, {}).setdefault(returns, []).extend(values)
    means = []
    for sides in fibres.values():
        each = [sum(values) / len(values) for values in sides.values()]
        means.append(sum(each) / len(each))
    return means


PASSIVE = ("fibre_db", "splices_db", "connectors_db", "mismatch_db", "via_db")


@dataclass
class Direction:
    """What a link loses one way; None where something is not on record.

    `terms` are rounded; `floor_db` is the sum of all that is known, with tests of cables and
    without what is kept for later; `unshown_db` what is known of glass that as a whole is not.
    """

    terms: dict[str, float | None]
    test_db: float
    lacks: bool
    floor_db: float
    unshown_db: float
    mean_db: float | None
    variance: float | None
    least_db: float | None


@dataclass
class Budget:
    """The worse direction of a link; `way` tells which. Powers and margins on the first day."""

    way: str
    test_db: float
    computed_db: float | None
    computed_least_db: float | None
    measured_db: float | None
    measured_least_db: float | None
    mean_db: float | None
    sigma_db: float | None
    least_db: float | None


class Budgets:
    """Losses of the links of a study, each worked out once."""

    def __init__(self, figures: Figures) -> None:
        self.figures, self.records = figures, figures.records
        self.rules = figures.records.rules
        self._known: dict[str, Budget] = {}

    def of(self, name: str) -> Budget:
        """The budget of a link over fibre."""
        if name not in self._known:
            self._known[name] = self._budget(name)
        return self._known[name]

    def _budget(self, name: str) -> Budget:
        hop = self.figures.hops[name]
        go, back = (self._direction(hop, way) for way in ("go", "return"))
        turned = back.floor_db > go.floor_db if go.lacks == back.lacks else back.lacks
        chosen = back if turned else go
        tests, whole = link_losses(self.records, hop)
        most, fewest = (max(tests), min(tests)) if tests else (None, None)
        shown = sum(chosen.terms[term] or 0.0 for term in PASSIVE)
        by_cables = chosen.test_db + (0.0 if chosen.lacks else chosen.unshown_db)
        beyond = None if most is None else most - shown
        test_db = by_cables if beyond is None else beyond if whole else max(beyond, by_cables)
        both = (go.least_db, back.least_db)
        first_day = None if None in both else min(one for one in both if one is not None)
        least = first_day
        if whole:
            least = fewest
        elif first_day is not None and fewest is not None:
            least = min(first_day, fewest)
        return Budget(
            "return" if turned else "go",
            round(test_db, 4),
            None if chosen.lacks else shown + by_cables,
            first_day,
            most,
            fewest,
            most if whole else chosen.mean_db,
            0.0 if whole else None if chosen.variance is None else sqrt(chosen.variance),
            least,
        )

    def _direction(self, hop: Hop, way: str) -> Direction:
        figures, row = self.figures, hop.row
        vary, defaults = self.rules["statistics"], self.rules["defaults"]
        key = way if way in hop.ways else "both"
        uses, rows = hop.ways.get(key, []), hop.rows.get(key, [])
        factor = self._by_link_test(row["id"], way)
        splices = _Splices(figures, hop, way)
        stated = row.get("connectors")
        connectors = float(defaults["connectors"] if stated is None else stated)
        via = row.get("loss_db") or 0.0
        mismatch = figures.mismatch_db(row["id"], way)
        glass: list[float | None] = []
        likely: list[float | None] = []
        little: list[float | None] = []
        more = variance = 0.0
        lacks, tested_any, unmeasured = mismatch is None, False, False
        for place, (use, run) in enumerate(zip(uses, rows, strict=True)):
            metres = figures.fibre_m(use)
            metres = None if metres is None else metres * factor
            piece = _times(metres, figures.db_per_km(hop, use, mean=False))
            own, own_db, count = splices.own[place], splices.own_db[place], splices.inside[place]
            values, complete = cable_losses(figures, hop, use, run)
            tested_any |= bool(values)
            lacks |= piece is None and not complete
            if values:
                within = (count - own) * defaults["splice_db"] + own_db
                added = max(values) - (piece or 0.0) - within
                more += added if complete else max(added, 0.0)
            glass.append(piece)
            mean = _times(metres, figures.db_per_km(hop, use, mean=True))
            if mean is not None:
                mean += (count - own) * vary["splice_mean_db"] + own_db
            if complete:
                likely.append(max(values))
                little.append(min(values))
            else:
                likely.append(None if mean is None else max([mean, *values]))
                little.append(None if mean is None else min([mean, *values]))
                unmeasured |= metres is None
                if metres is not None:
                    reel = figures.reel_m(use.cable)
                    reels = _reels(metres, reel)
                    variance += (vary["fibre_sigma_db_per_km"] * metres / 1000) ** 2 / reels
                variance += (count - own) * vary["splice_sigma_db"] ** 2
        others = splices.outside - splices.outside_own
        fixed = others * vary["splice_mean_db"] + splices.outside_own_db
        fixed += connectors * vary["connector_mean_db"] + via
        variance += others * vary["splice_sigma_db"] ** 2
        variance += connectors * vary["connector_sigma_db"] ** 2
        terms: dict[str, float | None] = {
            "fibre_db": _sum(glass),
            "splices_db": splices.db,
            "connectors_db": connectors * defaults["connector_db"],
            "mismatch_db": mismatch,
            "via_db": via,
        }
        terms = {name: None if one is None else round(one, 4) for name, one in terms.items()}
        unshown = 0.0 if terms["fibre_db"] is not None else sum(one or 0.0 for one in glass)
        floor = sum(one or 0.0 for one in terms.values()) + round(more, 4) + unshown
        mean_db, least = _sum(likely), _sum(little)
        if least is not None:
            covered = splices.given and tested_any
            least += fixed + (mismatch or 0.0) - covered * others * vary["splice_mean_db"]
            least = max(least - vary["k"] * sqrt(variance), 0.0)
        if mean_db is not None:
            mean_db = None if mismatch is None else mean_db + fixed + mismatch
        return Direction(
            terms,
            round(more, 4),
            lacks,
            floor,
            unshown,
            mean_db,
            None if unmeasured else variance,
            least,
        )

    def _by_link_test(self, name: str, way: str) -> float:
        """Length of a link one way by its own test over what its cables add up to."""
        length, place = self.figures.lengths[name], 0 if way == "go" else 1
        measured, added = (length.go_m, length.return_m)[place], length.by_cables[place]
        return measured / added if measured is not None and added else 1.0

    def reach(self, name: str) -> tuple[float | None, float | None]:
        """Modal bandwidth left at the end of a link in MHz, and its greatest dispersion in ps/nm.

        Of the direction that loses more.
        """
        hop, way = self.figures.hops[name], self.of(name).way
        per_mhz, spread = 0.0, 0.0
        known = [True, True]
        for use in hop.ways.get(way, hop.ways.get("both", [])):
            metres = self.figures.fibre_m(use)
            fibre = self.rules["fibres"].get(self._type(use), {})
            bandwidth, dispersion = self._bandwidth(hop, fibre), _dispersion(hop, fibre)
            known[0] &= metres is not None and bandwidth is not None
            known[1] &= metres is not None and dispersion is not None
            per_mhz += (metres or 0.0) / 1000 / (bandwidth or inf)
            spread += (metres or 0.0) / 1000 * (dispersion or 0.0)
        modal = (1 / per_mhz if per_mhz else inf) if known[0] else None
        return modal, spread if known[1] else None

    def _type(self, use: Use) -> Any:
        return self.records.by["cables"][use.cable].get("fibre_type")

    def _bandwidth(self, hop: Hop, fibre: dict[str, Any]) -> float | None:
        """MHz km at the nearest wavelength of the rules, within the tolerance."""
        works_at = hop.row.get("wavelength_nm")
        table = sorted((float(nm), one) for nm, one in fibre.get("bandwidth_mhz_km", {}).items())
        if works_at is None or not table:
            return None
        nm, found = min(table, key=lambda one: abs(one[0] - works_at))
        near = abs(nm - works_at) <= self.rules["defaults"]["wavelength_tolerance_nm"]
        return float(found) if near else None


class _Splices:
    """Splices of a link one way: within each stretch of cable, and outside of any.

    Where a link states a number of its own nobody knows where they lie: all count as outside.
    `own` have a loss on record.
    """

    def __init__(self, figures: Figures, hop: Hop, way: str) -> None:
        uses = hop.ways.get(way, hop.ways.get("both", []))
        joints, defaults = figures.records.by["joints"], figures.records.rules["defaults"]
        met = [figures.joints_met(use) for use in uses]
        picked = figures.joints_at_changes(uses, met)
        at_change = {joint for joint in picked if joint is not None}
        places: dict[str, list[int]] = {}
        for place, mine in enumerate(met):
            for joint in mine:
                if joint not in at_change:
                    places.setdefault(joint, []).append(place)
        outer = [*picked, *(joint for joint, mine in places.items() if len(mine) > 1)]
        inner = {joint: mine[0] for joint, mine in places.items() if len(mine) == 1}

        def loss(joint: str | None) -> float | None:
            return None if joint is None else joints[joint].get("loss_db")

        self.given = hop.row.get("splices") is not None
        self.inside = [float(figures.reels(use, one)) for use, one in zip(uses, met, strict=True)]
        self.own, self.own_db = [0] * len(uses), [0.0] * len(uses)
        for joint, place in inner.items():
            self.inside[place] += 1
            self.own[place] += loss(joint) is not None
            self.own_db[place] += loss(joint) or 0.0
        self.outside = float(len(outer))
        self.outside_own = sum(loss(joint) is not None for joint in outer)
        self.outside_own_db = sum(loss(joint) or 0.0 for joint in outer)
        if self.given:
            self.inside = [0.0] * len(uses)
            self.own, self.own_db = [0] * len(uses), [0.0] * len(uses)
            self.outside = float(hop.row["splices"])
            self.outside_own, self.outside_own_db = 0, 0.0
        count = sum(self.inside) + self.outside
        own = sum(self.own) + self.outside_own
        self.db = (count - own) * defaults["splice_db"] + sum(self.own_db) + self.outside_own_db


def _times(metres: float | None, per_km: float | None) -> float | None:
    return None if metres is None or per_km is None else metres / 1000 * per_km


def _reels(metres: float, reel_m: float) -> int:
    """Reels that a length of fibre takes."""
    return max(-int(-(metres / reel_m - 1e-9) // 1), 1)


def _dispersion(hop: Hop, fibre: dict[str, Any]) -> float | None:
    """Greatest size of (S0/4) (l - l0^4 / l^3) for l0 within its limits, in ps/(nm km)."""
    nm, slope = hop.row.get("wavelength_nm"), fibre.get("s0_max_ps_nm2_km")
    ends: Any = fibre.get("lambda0_min_nm"), fibre.get("lambda0_max_nm")
    if nm is None or slope is None or None in ends:
        return None
    return float(max(abs(slope / 4 * (nm - zero**4 / nm**3)) for zero in ends))

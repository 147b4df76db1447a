"""What every link measures, by the records and by measurements: length, delay and loss."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date
from functools import cache
from itertools import pairwise
from math import cosh, hypot, inf, isnan, nan, pi, sinh, sqrt
from typing import Any

import shapely

from waysapart.recheck.faulty_rows import Row, grouped, moment_of
from waysapart.recheck.places import GEOD, geodesic_m
from waysapart.recheck.plant import Cables, Hop, Use
from waysapart.recheck.records import Records
from waysapart.recheck.trace import loss_of_splice

LIGHT_M_PER_US = 299.792458
SINGLE_MODE_BELOW_UM = 15.0
DIRECTIONS = ("go", "return")
PerDirection = tuple[float | None, float | None]
"""A figure from end a to end b, and one from b to a."""


def total(values: Iterable[float | None]) -> float | None:
    """A sum; None where one of the values is.

    Parameters
    ----------
    values : iterable of float or None

    Returns
    -------
    float or None
    """
    found = list(values)
    return None if None in found else sum(one for one in found if one is not None)


def scaled(metres: float | None, per_km: float | None) -> float | None:
    """A length in metres times a figure per km; None where either is not known.

    Parameters
    ----------
    metres, per_km : float or None

    Returns
    -------
    float or None
    """
    return None if metres is None or per_km is None else metres / 1000 * per_km


def whole_reels(metres: float, reel_m: float) -> int:
    """Number of reels that a length of fibre takes, at least 1.

    Parameters
    ----------
    metres : float
        Of the fibre.
    reel_m : float
        Metres that a reel holds.

    Returns
    -------
    int

    Examples
    --------
    >>> whole_reels(9000.0, reel_m=4000.0)
    3
    """
    return max(-int(-(metres / reel_m - 1e-9) // 1), 1)


# What was measured


def newest_measurements(records: Records, owner: str, value: str) -> dict[str, list[Row]]:
    """The newest measurements of each cable or link, up to the day judged.

    Newest of each fibre and direction, and for a loss of each wavelength. Measurements on the drum
    do not count, since that cable is not in its place. One without a date gives way to one with.

    Parameters
    ----------
    records : Records
    owner : {'cable', 'link'}
    value : str
        Column that must not be blank, such as `loss_db`.

    Returns
    -------
    dict of str to list of rows
        By id of the cable or link.
    """
    asked = owner, value, records.on
    if asked in records.newest:
        return records.newest[asked]
    end = date.fromisoformat(records.on)
    groups: dict[tuple[str, Any], list[tuple[Any, Row]]] = {}
    for row in records.tests:
        if row.get("stage") == "drum" or not row.get(owner) or row.get(value) is None:
            continue
        taken = moment_of(row.get("date"))
        if taken is None or taken.date() <= end:
            nm = row.get("wavelength_nm") if value == "loss_db" else None
            key = row[owner], (row.get("fibre"), row.get("direction") == "return", nm)
            groups.setdefault(key, []).append((taken, row))
    found: dict[str, list[Row]] = records.newest.setdefault(asked, {})
    for (name, _), tests in groups.items():
        newest = max((taken for taken, _ in tests if taken is not None), default=None)
        found.setdefault(name, []).extend(row for taken, row in tests if taken == newest)
    return found


def fibre_means(tests: Iterable[Row], value: str) -> dict[Any, float]:
    """Mean of the measurements of each fibre, both directions weighing the same.

    Parameters
    ----------
    tests : iterable of rows
        Measurements.
    value : str
        Column.

    Returns
    -------
    dict
        By fibre; None for measurements that name none.
    """
    fibres = grouped((test.get("fibre"), test) for test in tests)
    found = {}
    for fibre, mine in fibres.items():
        both = grouped((test.get("direction") == "return", test[value]) for test in mine)
        means = [sum(values) / len(values) for values in both.values()]
        found[fibre] = sum(means) / len(means)
    return found


def one_way(tests: Iterable[Row], direction: str | None) -> list[Row]:
    """Measurements of one direction; one that states none counts as `go`.

    Parameters
    ----------
    tests : iterable of rows
        Measurements.
    direction : {'go', 'return'} or None
        None: all of them.

    Returns
    -------
    list of rows
    """
    back = direction == "return"
    return [t for t in tests if direction is None or (t.get("direction") == "return") == back]


def _greatest(tests: Iterable[Row], value: str, direction: str | None) -> float | None:
    """The greatest over fibres of the mean of both directions, or of one direction."""
    return max(fibre_means(one_way(tests, direction), value).values(), default=None)


def numbers_of(row: Row) -> list[int]:
    """Numbers of the fibres that a row of `link_runs` names, as often as it does.

    Parameters
    ----------
    row : dict

    Returns
    -------
    list of int

    Examples
    --------
    >>> numbers_of({"fibres": "3;4"})
    [3, 4]
    """
    return [int(one) for one in str(row.get("fibres") or "").split(";") if one.strip()]


def at_wavelength(records: Records, hop: Hop, tests: Iterable[Row]) -> list[Row]:
    """Measurements at about the wavelength that a link works at; a blank wavelength counts.

    Parameters
    ----------
    records : Records
        Its rules state the tolerance in nm.
    hop : Hop
    tests : iterable of rows
        Measurements.

    Returns
    -------
    list of rows
    """
    works_at = hop.row.get("wavelength_nm")
    most = records.rules["defaults"]["wavelength_tolerance_nm"]
    return [
        test
        for test in tests
        if works_at is None
        or test.get("wavelength_nm") is None
        or abs(test["wavelength_nm"] - works_at) <= most
    ]


def link_losses(records: Records, hop: Hop) -> tuple[list[float], bool]:
    """Losses measured of a link at about its wavelength.

    A measurement that names neither a fibre nor a direction is of the whole link.

    Parameters
    ----------
    records : Records
    hop : Hop

    Returns
    -------
    losses : list of float
        In dB.
    whole : bool
        Whether every fibre of the link was measured.
    """
    newest = newest_measurements(records, "link", "loss_db").get(hop.row["id"], ())
    tests = at_wavelength(records, hop, newest)
    unnamed = [test.get("direction") for test in tests if test.get("fibre") is None]
    backward = {direction == "return" for direction in unnamed if direction is not None}
    fibres = {test["fibre"] for test in tests if test.get("fibre") is not None}
    enough = len(backward) == 2 or len(fibres) + len(backward) >= _fibres_needed(records, hop)
    return [test["loss_db"] for test in tests], bool(tests) and (None in unnamed or enough)


def _fibres_needed(records: Records, hop: Hop) -> int:
    """Number of fibres to be measured: the most in any cable, one a direction if not named."""
    runs = [row for row in records.runs_of.get(hop.row["id"], ()) if row.get("cable")]
    per_run = grouped(((row["cable"], row.get("direction")), numbers_of(row)) for row in runs)
    most: dict[str | None, int] = {}
    for (_, direction), named in per_run.items():
        unsaid = (2 if direction is None else 1) * ([] in named)
        several = len({fibre for mine in named for fibre in mine}) + unsaid
        most[direction] = max(most.get(direction, 0), several)
    return sum(most.values()) if most else 2


def cable_losses(figures: Figures, hop: Hop, use: Use, row: Row) -> tuple[list[float], bool]:
    """Losses measured of a whole cable as a link uses it.

    A fibre measured from both ends loses the mean of both; a measurement that names no fibre is
    of every fibre. Where the link does not say which fibres it uses it may be any measured one.

    Parameters
    ----------
    figures : Figures
    hop : Hop
    use : Use
        Of the cable by the link.
    row : dict
        The row of `link_runs`.

    Returns
    -------
    losses : list of float
        In dB; none where the link uses a part of the cable only.
    whole : bool
        Whether every fibre that it uses was measured.
    """
    if not figures.cables.is_whole(use):
        return [], False
    used, records = set(numbers_of(row)), figures.records
    newest = newest_measurements(records, "cable", "loss_db").get(use.cable, ())
    tests = at_wavelength(records, hop, newest)
    of_all = [test["loss_db"] for test in tests if test.get("fibre") is None]
    named = fibre_means((test for test in tests if test.get("fibre") is not None), "loss_db")
    mine = {fibre: mean for fibre, mean in named.items() if not used or int(fibre) in used}
    return [*of_all, *mine.values()], bool(of_all) or (bool(used) and used <= set(mine))


# Length and delay


def assumed_us(records: Records, machine: str) -> float | None:
    """Delay of a piece of equipment in microseconds: on record, or as the rules take a blank.

    Parameters
    ----------
    records : Records
    machine : str
        Id of the equipment.

    Returns
    -------
    float or None
        None where a blank is a gap.
    """
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

    high = min(4 * sag_m / span_m, 700.0)  # cosh u - 1 is u^2 / 2 at least, and e^700 any sag
    low = high / 2
    while sag_at(low) > sag_m:
        low /= 2
    while high - low > 1e-13 * high:
        middle = (low + high) / 2
        low, high = (middle, high) if sag_at(middle) < sag_m else (low, middle)
    c = span_m / (low + high)
    return hypot(rise_m, 2 * c * sinh(span_m / (2 * c)))


@dataclass
class Length:
    """Fibre and ground length of a link in each direction, in metres; None: not on record.

    `by_cables` is the sum of its cables, without a measurement of the link itself.
    """

    go_m: float | None
    return_m: float | None
    route_m: float | None
    by_cables: PerDirection

    @property
    def longer_m(self) -> float | None:
        """The greater of both directions; None where neither is known."""
        known = [one for one in (self.go_m, self.return_m) if one is not None]
        return max(known) if known else None

    @property
    def known_m(self) -> float | None:
        """The greater of both directions; None where either is not known."""
        return None if None in (self.go_m, self.return_m) else self.longer_m

    def way_m(self, direction: str) -> tuple[float | None, float]:
        """Length in one direction, and its ratio to the sum of its cables.

        Parameters
        ----------
        direction : {'go', 'return'}

        Returns
        -------
        metres : float or None
        ratio : float
            1 where either is not known.
        """
        go = direction == "go"
        metres, added = (self.go_m if go else self.return_m), self.by_cables[not go]
        return metres, metres / added if metres is not None and added else 1.0


class Figures:
    """Lengths, delays and losses of a study's links."""

    def __init__(self, cables: Cables, hops: dict[str, Hop]) -> None:
        self.cables, self.hops, self.records = cables, hops, cables.ground.records
        self.rules = self.records.rules
        rows = self.records.rows["segments"]
        self.ground_m = {**{row["id"]: nan for row in rows}, **self.records.drawn_m}
        self.ground_m |= {row["id"]: row["length_m"] for row in rows if row["length_m"] is not None}
        self.sag_m = {row["id"]: self._sag(row) for row in rows}
        self._computed, self.fibre_m = cache(self._by_record), cache(self._by_test_or_record)
        self.delay_us = cache(self._delay_us)
        self.splices = cache(lambda name, direction: Splices(self, hops[name], direction))
        self._cable_tests = newest_measurements(self.records, "cable", "length_m")
        self._link_tests = newest_measurements(self.records, "link", "length_m")
        self._delay_tests = newest_measurements(self.records, "link", "delay_us")
        self._whole = {name: self._computed(cables.whole(name)) for name in cables.chain}
        self.lengths = {name: self._length(name, hop) for name, hop in hops.items()}

    def _sag(self, row: Row) -> float:
        """What sag adds to a segment, support by support."""
        sag = row.get("sag_m") or 0.0
        if sag <= 0 and row["kind"] != "span":
            return 0.0
        a, b = self.cables.ground.ends[row["id"]]
        passed = self.cables.ground.passed.get(row["id"], {})
        supports = [(0.0, a), *sorted((at, node) for node, at in passed.items()), (1.0, b)]
        structures, added = self.records.by["structures"], 0.0
        for (before, one), (after, two) in pairwise(supports):
            low, high = (structures.get(n or "", {}).get("elevation_m") for n in (one, two))
            rise = 0.0 if low is None or high is None else high - low
            span = (after - before) * self.ground_m[row["id"]]
            if span > 0:
                added += hanging_m(span, sag, rise) - span
        return added

    def by_record_m(self, cable: str) -> float | None:
        """Fibre length of a whole cable in metres by its record, without any measurement."""
        known = self._whole.get(cable)
        return None if known is None else known[1]

    def whole_m(self, cable: str) -> float | None:
        """Fibre length of a whole cable in metres; None where not known."""
        return self.fibre_m(self.cables.whole(cable))

    def reel_m(self, cable: str) -> float:
        """Metres of fibre that a reel of a cable holds."""
        table = self.rules["defaults"]["reel_m"]
        return float(table.get(self.records.by["cables"][cable].get("kind"), table["other"]))

    def _stated(self, cable: Row, name: str) -> float:
        """A cable's own value, or the default of its kind."""
        table = self.rules["defaults"][name]
        own = cable.get(name)
        return float(table.get(cable.get("kind"), table["other"]) if own is None else own)

    def _by_record(self, use: Use) -> tuple[float, float | None] | None:
        """Route and fibre length of a stretch of cable by its record.

        The fibre length is None where its share of the cable's slack is not known.
        """
        cable = self.records.by["cables"][use.cable]
        if not self.cables.chain[use.cable] or use.cable in self.cables.unsure:
            return None
        route = sag = 0.0
        for step, begin, end, _ in self.cables.stretch(use):
            route += self.ground_m[step.segment] * abs(end - begin)
            sag += self.sag_m[step.segment] * abs(end - begin)
        if isnan(route):
            return None
        helix = 1.0
        pitch, across = cable.get("wrap_pitch_m"), cable.get("wrap_diameter_mm")
        if pitch is not None and across is not None:
            helix = hypot(1.0, pi * across / 1000 / pitch)
        slack = self._stated(cable, "slack_m")
        if slack and not self.cables.is_whole(use):
            known = self._computed(self.cables.whole(use.cable))
            if known is None:
                return route, None
            slack *= route / known[0]
        overlength = self._stated(cable, "overlength_pct")
        return route, (route + sag) * helix * (1 + overlength / 100) + slack

    def _by_test_or_record(self, use: Use) -> float | None:
        """Fibre length of a stretch of cable: its share of the measured length, else by record."""
        computed, whole = self._computed(use), self._whole[use.cable]
        tested = _greatest(self._cable_tests.get(use.cable, ()), "length_m", None)
        if tested is not None and self.cables.is_whole(use):
            return tested
        if tested is not None and computed is not None and whole is not None:
            mine, all_of_it = computed[1], whole[1]
            return None if mine is None or all_of_it is None else tested * mine / all_of_it
        return None if computed is None else computed[1]

    def _length(self, name: str, hop: Hop) -> Length:
        tests = self._link_tests.get(name, [])
        if not hop.directions:
            alone, tested = self._alone_m(hop), _greatest(tests, "length_m", None)
            onward = alone if tested is None else tested
            return Length(onward, onward, alone, (alone, alone))
        by_cables = [total(map(self.fibre_m, hop.along(one))) for one in DIRECTIONS]
        ground = []
        for uses in hop.directions.values():
            computed = [self._computed(use) for use in uses]
            ground.append(total(None if one is None else one[0] for one in computed))
        apart = "both" not in hop.directions
        measured = [_greatest(tests, "length_m", one if apart else None) for one in DIRECTIONS]
        go, back = (
            added if tested is None else tested
            for added, tested in zip(by_cables, measured, strict=True)
        )
        route = None if None in ground else max(one for one in ground if one is not None)
        return Length(go, back, route, (by_cables[0], by_cables[1]))

    def _alone_m(self, hop: Hop) -> float | None:
        """Length of a hop without cables: stated, or nothing within a site, or mast to mast."""
        row, medium = hop.row, hop.medium
        stated = row.get("length_m")
        if stated is not None:
            cords = hop.trace is not None and hop.trace.over_cords
            return None if medium == "fibre" and stated == 0 and not cords else float(stated)
        if medium == "internal":
            return None if self.internal_apart(row) else 0.0
        if medium in ("electrical", "carrier"):
            return 0.0 if self.within_one_site(row) else None
        if medium != "radio":
            return None
        path = self.records.radio_paths[row["id"]]
        if row["geometry"] is not None:
            return float(GEOD.geometry_length(row["geometry"]))
        if path is None:
            return None
        lonlat = [self.records.sheet.degrees(shapely.Point(at)) for at in path.coords]
        return sum(geodesic_m(one, two) for one, two in pairwise(lonlat))

    def end_sites(self, row: Row) -> tuple[str | None, str | None]:
        """The sites of the equipment at both ends of a link."""
        machines = self.records.by["equipment"]
        a, b = (machines.get(str(row.get(end)), {}).get("site") for end in ("a", "b"))
        return a, b

    def within_one_site(self, row: Row) -> bool:
        """Whether both ends of a link stand on one site; a site not on record is not one."""
        a, b = self.end_sites(row)
        return a is not None and a == b

    def internal_apart(self, row: Row) -> bool:
        """Whether an internal hop joins two sites that neither touch nor hold each other."""
        a, b = self.end_sites(row)
        if row.get("medium") != "internal" or self.within_one_site(row):
            return False
        sites = self.records.by["sites"]
        one, other = sites.get(str(a), {}), sites.get(str(b), {})
        if a in (other.get("within") or ()) or b in (one.get("within") or ()):
            return False
        first, second = (self.records.flat.get(str(name)) for name in (a, b))
        if first is None or second is None:
            return True
        return bool(self.records.sheet.metres(first, second) > self.records.snap_m)

    def measured_us(self, name: str) -> PerDirection:
        """Measured delay of a link in each direction, in microseconds.

        A measurement that states no direction counts for both.

        Parameters
        ----------
        name : str
            Id of the link.

        Returns
        -------
        tuple of two float or None
            Go and return.
        """
        tests = grouped((row.get("direction"), row) for row in self._delay_tests.get(name, ()))
        both, *own = (
            _greatest(tests.get(one, ()), "delay_us", None) for one in (None, *DIRECTIONS)
        )
        go, back = (both if one is None else one for one in own)
        return go, back

    def _delay_us(self, name: str) -> PerDirection:
        """Delay of a link in each direction without its equipment: computed, or measured."""
        both = zip(self.measured_us(name), self.delay_by_record_us(name), strict=True)
        go, back = (by_record if tested is None else tested for tested, by_record in both)
        return go, back

    def delay_by_record_us(self, name: str) -> PerDirection:
        """Delay of a link's fibre and extra in each direction, in microseconds.

        Parameters
        ----------
        name : str
            Id of the link.

        Returns
        -------
        tuple of two float or None
            Go and return, without any measurement of its delay.
        """
        go, back = (self._way_us(self.hops[name], direction) for direction in DIRECTIONS)
        return go, back

    def _way_us(self, hop: Hop, direction: str) -> float | None:
        row, length = hop.row, self.lengths[hop.row["id"]]
        extra = row.get("extra_delay_us") or 0.0
        length_m, added = length.way_m(direction)[0], length.by_cables[direction == "return"]
        if not hop.directions and hop.medium != "fibre" and length_m is None:
            stated = row.get("extra_delay_us")
            return None if stated is None else float(stated)
        of_medium, uses = self.rules["media"][hop.medium]["group_index"], hop.along(direction)
        every = [self._index(hop, use, of_medium) for use in hop.uses()]
        if None in every or length_m is None:
            return None
        indices = [self._index(hop, use, of_medium) for use in uses]
        glass = [self.fibre_m(use) for use in uses]
        if uses and None not in glass and added:
            metres = zip(glass, indices, strict=True)
            light = sum(
                one * index for one, index in metres if one is not None and index is not None
            )
            return round(light * length_m / added / LIGHT_M_PER_US, 3) + float(extra)
        known = [one for one in every if one is not None]
        index = sum(known) / len(known) if known else of_medium
        return round(length_m * index / LIGHT_M_PER_US, 3) + float(extra)

    def most_sure_us(self, name: str) -> float:
        """Lower bound of a link's delay in microseconds, from the fibre that is known.

        Fibre of an unknown type is no slower than light in vacuum.

        Parameters
        ----------
        name : str
            Id of the link.

        Returns
        -------
        float
        """
        hop, found = self.hops[name], [0.0]
        for uses in hop.directions.values():
            known = [(self.fibre_m(use), self._index(hop, use, 1.0)) for use in uses]
            found.append(sum((metres or 0.0) * (index or 1.0) for metres, index in known))
        metres = self.lengths[name].longer_m or 0.0
        return max(*found, metres) / LIGHT_M_PER_US + (hop.row.get("extra_delay_us") or 0.0)

    def stretch_us(self, use: Use, wavelength_nm: float) -> float | None:
        """Delay of the fibre of a stretch of cable, in microseconds.

        Parameters
        ----------
        use : Use
        wavelength_nm : float

        Returns
        -------
        float or None
        """
        metres = self.fibre_m(use)
        index = self._index(Hop({"wavelength_nm": wavelength_nm}), use, 0.0)
        return None if metres is None or index is None else metres * index / LIGHT_M_PER_US

    # Fibre

    def type_of(self, use: Use) -> Any:
        """The fibre type of a cable."""
        return self.records.by["cables"][use.cable].get("fibre_type")

    def _index(self, hop: Hop, use: Use, of_medium: float) -> float | None:
        """Group index of a stretch: fibre has only that of a type on record."""
        index = None if self.type_of(use) is None else self._glass(hop, use, "group_index")
        return of_medium if index is None and hop.medium != "fibre" else index

    def _glass(self, hop: Hop, use: Use, value: str) -> float | None:
        """A value of the fibre type at the link's wavelength, between those of the rules.

        Beyond them, up to the tolerance, the value at the end holds; below the shortest wavelength
        attenuation grows as Rayleigh scattering does.
        """
        wavelength, kind = hop.row.get("wavelength_nm"), self.type_of(use)
        if wavelength is None:
            return None
        fibre = self.rules["fibres"].get(kind, {})
        stated = _by_nm(fibre.get(value, {}))
        if value == "mean_db_per_km":
            stated = {**_by_nm(fibre.get("db_per_km", {})), **stated}
        table = sorted(stated.items())
        beyond = self.rules["defaults"]["wavelength_tolerance_nm"]
        if not table or not table[0][0] - beyond <= wavelength <= table[-1][0] + beyond:
            return None
        if wavelength <= table[0][0]:
            rise = (table[0][0] / wavelength) ** 4 if value.endswith("db_per_km") else 1.0
            return float(table[0][1] * rise)
        for (low, one), (high, two) in pairwise(table):
            if wavelength <= high:
                return float(one + (two - one) * (wavelength - low) / (high - low))
        return table[-1][1]

    def db_per_km(self, hop: Hop, use: Use, *, mean: bool) -> float | None:
        """Attenuation of a stretch of cable in dB/km: the cable's own, or by its fibre type.

        Parameters
        ----------
        hop : Hop
            Its wavelength counts.
        use : Use
        mean : bool
            Whether the mean is wanted and not the greatest; a mean above the greatest does not
            count.

        Returns
        -------
        float or None
        """
        own: float | None = self.records.by["cables"][use.cable].get("db_per_km")
        if own is not None:
            return own
        greatest = self._glass(hop, use, "db_per_km")
        if not mean:
            return greatest
        known = [self._glass(hop, use, "mean_db_per_km"), greatest]
        return min((one for one in known if one is not None), default=None)

    def stretch_db(self, use: Use, wavelength_nm: float) -> float | None:
        """Loss of the fibre of a stretch of cable, in dB.

        Parameters
        ----------
        use : Use
        wavelength_nm : float

        Returns
        -------
        float or None
        """
        at = Hop({"wavelength_nm": wavelength_nm})
        return scaled(self.fibre_m(use), self.db_per_km(at, use, mean=False))

    def fibre_db(self, hop: Hop, direction: str) -> float | None:
        """Loss of a link's fibre in one direction in dB, by the records of its length.

        Parameters
        ----------
        hop : Hop
        direction : {'go', 'return'}

        Returns
        -------
        float or None
        """
        uses = hop.along(direction)
        return total(scaled(self.fibre_m(u), self.db_per_km(hop, u, mean=False)) for u in uses)

    def core_step_db(self, one: Use, two: Use) -> float | None:
        """Loss in dB from one cable into the next, if that has a smaller core.

        Parameters
        ----------
        one, two : Use
            In the order in which the light passes them.

        Returns
        -------
        float or None
            None where the rules state no loss, or not how wide a core is.
        """
        fibres, kinds = self.rules["fibres"], [self.type_of(one), self.type_of(two)]
        if None in kinds or kinds[0] == kinds[1]:
            return 0.0
        before, after = (_core_um(fibres[kind]) for kind in kinds)
        if before is None or after is None:
            return None
        if before <= after or before < SINGLE_MODE_BELOW_UM:
            return 0.0
        which = "to_single_mode" if after < SINGLE_MODE_BELOW_UM else "to_smaller_core"
        found: float | None = self.rules["defaults"].get("mode_mismatch_db", {}).get(which)
        return found

    def mismatch_db(self, hop: Hop, direction: str) -> float | None:
        """Loss in dB in one direction of a link where the light goes on in a smaller core.

        Parameters
        ----------
        hop : Hop
        direction : {'go', 'return'}

        Returns
        -------
        float or None
        """
        key = direction if direction in hop.directions else "both"
        uses = hop.directions.get(key, [])
        if (direction == "go") == hop.turned.get(key, False):
            uses = uses[::-1]
        return total(self.core_step_db(one, two) for one, two in pairwise(uses))

    # Joints and reels

    def joints_met(self, use: Use) -> dict[str, float | None]:
        """Joints of a cable along a use of it.

        Parameters
        ----------
        use : Use

        Returns
        -------
        dict of str to float or None
            By joint, its distance over the ground from the lower end of the use in metres; None
            where the joint stands nowhere on the cable.
        """
        mine, found = self.records.joints_of.get(use.cable, ()), dict[str, float | None]()
        if not mine:
            return found
        nodes, (low, high) = self.cables.nodes(use.cable), sorted((use.from_, use.to))
        # Where a cable breaks two nodes have one position, and only one of them is on the use.
        on_it = {node for step in self.cables.stretch(use) for node in step.nodes}
        for joint in mine:
            place = self.records.by["joints"][joint]["at"]
            everywhere = [at for node, at in nodes if node == place]
            here = [at for at in everywhere if low <= at <= high and place in on_it]
            if here:
                found[joint] = self._ground_to(use, min(here))
            elif not everywhere:
                found[joint] = None
        return found

    def _ground_to(self, use: Use, position: float) -> float:
        """Ground length of a use of a cable from its lower end to a position."""
        low, found = min(use.from_, use.to), 0.0
        for place, step in enumerate(self.cables.chain[use.cable]):
            share = min(place + 1.0, position) - max(float(place), low)
            if share > 0:  # a length that is not known matters only on the way to the position
                found += share * abs(step.stop - step.start) * self.ground_m[step.segment]
        return found

    def reel_parts(self, use: Use, joints: Mapping[str, float | None]) -> tuple[list[float], float]:
        """Lengths of fibre between the joints on a use of a cable, or its ends.

        Parameters
        ----------
        use : Use
        joints : mapping of str to float or None
            From `joints_met`.

        Returns
        -------
        parts : list of float
            In metres; none where the length is not on record.
        reel_m : float
            Metres that a reel holds.
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

    def reel_splices(self, use: Use, joints: Mapping[str, float | None]) -> int:
        """Splices after full reels between the joints on a use of a cable, or its ends.

        Parameters
        ----------
        use : Use
        joints : mapping of str to float or None
            From `joints_met`.

        Returns
        -------
        int
        """
        parts, reel = self.reel_parts(use, joints)
        return sum(whole_reels(one, reel) - 1 for one in parts)

    def joints_at_changes(
        self, uses: list[Use], met: list[dict[str, float | None]]
    ) -> list[str | None]:
        """The joint at each change of cable; None where none is on record.

        Of several the one there counts, then the worst.
        """
        joints, splice_db = self.records.by["joints"], self.rules["defaults"]["splice_db"]
        silent = self.records.joints_of.get(None, ())
        picked: list[str | None] = []
        for place, (one, two) in enumerate(pairwise(uses)):
            node = one.end if one.end == two.begin else None
            pool = set(met[place]) & set(met[place + 1])
            if not pool and node is not None:
                pool = {joint for joint in silent if joints[joint]["at"] == node}

            def rank(joint: str, node: str | None = node) -> tuple[bool, float, str]:
                loss = joints[joint].get("loss_db")
                return joints[joint]["at"] != node, -(splice_db if loss is None else loss), joint

            picked.append(min(pool, key=rank) if pool else None)
        return picked


def _by_nm(table: Mapping[str, float]) -> dict[float, float]:
    return {float(nm): float(one) for nm, one in table.items()}


def _core_um(fibre: Mapping[str, Any]) -> float | None:
    """Diameter of a type's core; one with a zero-dispersion wavelength is single-mode."""
    own = fibre.get("core_um")
    if own is None and fibre.get("lambda0_min_nm") is not None:
        return 7.5
    return None if own is None else float(own)


# Loss: worst, likely and least; overload, bandwidth and dispersion


class Splices:
    """Splices of a link in one direction: within each stretch of cable, and between them.

    Where a link states a number of its own their places are not known: all count as outside.
    Of a link that is traced they are those that the trace passes.
    `own` have a loss on record; `joints` is how many of them are on record, the others are
    estimated: changes of cable without a joint, and one after each full reel between joints.
    """

    def __init__(self, figures: Figures, hop: Hop, direction: str) -> None:
        uses = hop.along(direction)
        rows, splice_db = figures.records.by["joints"], figures.rules["defaults"]["splice_db"]
        self.given = hop.row.get("splices") is not None
        self.inside = [0.0] * len(uses)
        self.own, self.own_db = [0] * len(uses), [0.0] * len(uses)
        self.joints = self.outside_own = 0
        self.outside_own_db = 0.0
        if self.given:
            self.outside = float(hop.row["splices"])
        elif hop.trace is not None and not hop.trace.failed:
            self.inside = [float(figures.reel_splices(u, figures.joints_met(u))) for u in uses]
            passed = hop.trace.splices(direction)
            self.joints = len(passed)
            self.outside = float(sum(place is None for place, _ in passed))
            for place, row in passed:
                own = loss_of_splice(row)
                loss = rows[row["joint"]]["loss_db"] if own is None else own
                if place is not None:
                    self.inside[place] += 1
                    self.own[place] += loss is not None
                    self.own_db[place] += loss or 0.0
                else:
                    self.outside_own += loss is not None
                    self.outside_own_db += loss or 0.0
        else:
            met = [figures.joints_met(use) for use in uses]
            picked = figures.joints_at_changes(uses, met)
            places = grouped((joint, place) for place, mine in enumerate(met) for joint in mine)
            others = {joint: mine for joint, mine in places.items() if joint not in picked}
            outer = [*picked, *(joint for joint, mine in others.items() if len(mine) > 1)]
            known = [rows[joint].get("loss_db") for joint in outer if joint is not None]
            self.joints = len(others) + sum(joint is not None for joint in picked)
            self.inside = [float(figures.reel_splices(*one)) for one in zip(uses, met, strict=True)]
            for joint, mine in others.items():
                if len(mine) == 1:
                    loss = rows[joint].get("loss_db")
                    self.inside[mine[0]] += 1
                    self.own[mine[0]] += loss is not None
                    self.own_db[mine[0]] += loss or 0.0
            self.outside = float(len(outer))
            self.outside_own = sum(loss is not None for loss in known)
            self.outside_own_db = sum(loss or 0.0 for loss in known)
        self.count = sum(self.inside) + self.outside
        own = sum(self.own) + self.outside_own
        self.db = (self.count - own) * splice_db + sum(self.own_db) + self.outside_own_db


@dataclass
class _Direction:
    """Loss of a link in one direction; None where something is not on record.

    `shown_db` is the sum of the rounded terms; `floor_db` that of all that is known, with measured
    losses of cables and without reserves; `by_cables_db` what these measurements, and the known
    fibre of a length that is not known, add to the terms.
    """

    shown_db: float
    test_db: float
    lacks: bool
    unshown_db: float
    mean_db: float | None
    variance: float | None
    least_db: float | None

    @property
    def floor_db(self) -> float:
        return self.shown_db + self.test_db + self.unshown_db

    @property
    def by_cables_db(self) -> float:
        return self.test_db + (0.0 if self.lacks else self.unshown_db)


@dataclass
class Budget:
    """The worse direction of a link; powers and margins at commissioning."""

    direction: str
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
        self.figures, self.records, self.rules = figures, figures.records, figures.rules
        self.of = cache(self._budget)

    def _budget(self, name: str) -> Budget:
        """The budget of a link over fibre."""
        hop = self.figures.hops[name]
        go, back = (self._direction(hop, direction) for direction in DIRECTIONS)
        turned = back.floor_db > go.floor_db if go.lacks == back.lacks else back.lacks
        chosen = back if turned else go
        tests, whole = link_losses(self.records, hop)
        most, fewest = (max(tests), min(tests)) if tests else (None, None)
        beyond = None if most is None else most - chosen.shown_db
        test_db = chosen.by_cables_db if beyond is None else max(beyond, chosen.by_cables_db)
        if whole and beyond is not None:
            test_db = beyond
        both = (go.least_db, back.least_db)
        first_day = None if None in both else min(one for one in both if one is not None)
        least = fewest if whole else first_day
        if not whole and first_day is not None and fewest is not None:
            least = min(first_day, fewest)
        sigma = None if chosen.variance is None else sqrt(chosen.variance)
        return Budget(
            "return" if turned else "go",
            round(test_db, 4),
            None if chosen.lacks else chosen.shown_db + chosen.by_cables_db,
            first_day,
            most,
            fewest,
            most if whole else chosen.mean_db,
            0.0 if whole else sigma,
            least,
        )

    def _direction(self, hop: Hop, direction: str) -> _Direction:
        figures, row = self.figures, hop.row
        vary, defaults = self.rules["statistics"], self.rules["defaults"]
        key = direction if direction in hop.directions else "both"
        factor = figures.lengths[row["id"]].way_m(direction)[1]
        splices = figures.splices(row["id"], direction)
        stated = row.get("connectors")
        connectors = float(defaults["connectors"] if stated is None else stated)
        via = row.get("loss_db") or 0.0
        mismatch = figures.mismatch_db(hop, direction)
        glass: list[float | None] = []
        likely: list[float | None] = []
        little: list[float | None] = []
        more = variance = 0.0
        lacks, tested_any, unmeasured = mismatch is None, False, False
        runs = zip(hop.directions.get(key, ()), hop.rows.get(key, ()), strict=True)
        for place, (use, run) in enumerate(runs):
            metres = figures.fibre_m(use)
            metres = None if metres is None else metres * factor
            piece = scaled(metres, figures.db_per_km(hop, use, mean=False))
            others, own_db = splices.inside[place] - splices.own[place], splices.own_db[place]
            values, complete = cable_losses(figures, hop, use, run)
            tested_any |= bool(values)
            lacks |= piece is None and not complete
            if values:
                added = max(values) - (piece or 0.0) - others * defaults["splice_db"] - own_db
                more += added if complete else max(added, 0.0)
            glass.append(piece)
            mean = scaled(metres, figures.db_per_km(hop, use, mean=True))
            if mean is not None:
                mean += others * vary["splice_mean_db"] + own_db
            if complete:
                likely.append(max(values))
                little.append(min(values))
                continue
            likely.append(None if mean is None else max([mean, *values]))
            little.append(None if mean is None else min([mean, *values]))
            unmeasured |= metres is None
            if metres is not None:
                reels = whole_reels(metres, figures.reel_m(use.cable))
                variance += (vary["fibre_sigma_db_per_km"] * metres / 1000) ** 2 / reels
            variance += others * vary["splice_sigma_db"] ** 2
        others = splices.outside - splices.outside_own
        fixed = others * vary["splice_mean_db"] + splices.outside_own_db
        fixed += connectors * vary["connector_mean_db"] + via
        variance += others * vary["splice_sigma_db"] ** 2
        variance += connectors * vary["connector_sigma_db"] ** 2
        fibre_db = total(glass)
        terms = (fibre_db, splices.db, connectors * defaults["connector_db"], mismatch, via)
        mean_db, least = total(likely), total(little)
        if least is not None:
            covered = splices.given and tested_any
            least += fixed + (mismatch or 0.0) - covered * others * vary["splice_mean_db"]
            least = max(least - vary["k"] * sqrt(variance), 0.0)
        if mean_db is not None:
            mean_db = None if mismatch is None else mean_db + fixed + mismatch
        return _Direction(
            sum(round(one, 4) for one in terms if one is not None),
            round(more, 4),
            lacks,
            0.0 if fibre_db is not None else sum(one or 0.0 for one in glass),
            mean_db,
            None if unmeasured else variance,
            least,
        )

    def reach(self, name: str) -> PerDirection:
        """Modal bandwidth left at the end of a link in MHz, and its greatest dispersion in ps/nm.

        Parameters
        ----------
        name : str
            Id of the link.

        Returns
        -------
        tuple of two float or None
            In the direction that loses more; None where not known.
        """
        hop, per_mhz, spread, known = self.figures.hops[name], 0.0, 0.0, [True, True]
        for use in hop.along(self.of(name).direction):
            metres = self.figures.fibre_m(use)
            fibre = self.rules["fibres"].get(self.figures.type_of(use), {})
            bandwidth, dispersion = self._bandwidth(hop, fibre), _dispersion(hop, fibre)
            known[0] &= metres is not None and bandwidth is not None
            known[1] &= metres is not None and dispersion is not None
            per_mhz += (metres or 0.0) / 1000 / (bandwidth or inf)
            spread += (metres or 0.0) / 1000 * (dispersion or 0.0)
        modal = (1 / per_mhz if per_mhz else inf) if known[0] else None
        passed = hop.along(self.of(name).direction)
        return modal, spread if known[1] and passed else None

    def _bandwidth(self, hop: Hop, fibre: Mapping[str, Any]) -> float | None:
        """MHz km at the nearest wavelength of the rules, within the tolerance."""
        works_at = hop.row.get("wavelength_nm")
        table = sorted(_by_nm(fibre.get("bandwidth_mhz_km", {})).items())
        if works_at is None or not table:
            return None
        nm, found = min(table, key=lambda one: abs(one[0] - works_at))
        near = abs(nm - works_at) <= self.rules["defaults"]["wavelength_tolerance_nm"]
        return found if near else None


def _dispersion(hop: Hop, fibre: Mapping[str, Any]) -> float | None:
    """Greatest size of (S0/4) (l - l0^4 / l^3) for l0 within its limits, in ps/(nm km)."""
    nm, slope = hop.row.get("wavelength_nm"), fibre.get("s0_max_ps_nm2_km")
    ends: Any = fibre.get("lambda0_min_nm"), fibre.get("lambda0_max_nm")
    if nm is None or slope is None or None in ends:
        return None
    return float(max(abs(slope / 4 * (nm - zero**4 / nm**3)) for zero in ends))

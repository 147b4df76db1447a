"""What light loses on every link by the records and by tests: worst, likely and least.

Overload, bandwidth and dispersion follow, and which tests contradict the records.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from math import inf, sqrt
from typing import TYPE_CHECKING, Any

from waysapart.recheck.figures import Figures, newest_tests
from waysapart.recheck.findings import Findings
from waysapart.recheck.gaps_of_records import cable_losses, link_losses, two_way_mean
from waysapart.recheck.gaps_of_rows import Gap
from waysapart.recheck.links import Hop, Use
from waysapart.recheck.proposal import Row

if TYPE_CHECKING:
    from waysapart.recheck.world import World

LOSS_DB = 0.0006
"""Terms are rounded to four places before they are added."""
SHARE = 1e-4
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


def _sum(values: list[float | None]) -> float | None:
    return None if None in values else sum(one for one in values if one is not None)


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


# Against the evidence


def check_budgets(world: World, facts: dict[str, Any], findings: Findings) -> None:
    """Tests, statistics, overload, bandwidth and dispersion of every link over fibre."""
    for link in facts["links"]:
        hop, told = world.hops.get(link["id"]), link["loss"]
        over_fibre = hop is not None and hop.ways and hop.row.get("medium") in (None, "fibre")
        if hop is None or told is None or not over_fibre:
            continue  # told where links are held
        if any(use.cable in world.cables.unsure for use in hop.uses()):
            continue
        _check_link(world, hop, told, findings)


def _check_link(world: World, hop: Hop, told: dict[str, Any], findings: Findings) -> None:
    name, row = hop.row["id"], hop.row
    budget, rules = world.budgets.of(name), world.records.rules
    what, terms = f"link {name}: loss", told["terms"]

    def close(said: str, claimed: float | None, found: float | None, by: float = LOSS_DB) -> None:
        same = claimed is found if None in (claimed, found) else abs(claimed - found) <= by  # type: ignore[operator]
        findings.holds(same, f"{what}, {said}: the evidence says {claimed}, found {found}")

    close("test_db", terms["test_db"], budget.test_db)
    keep, metres = rules["reserve"], terms["fibre_m"]
    splices = keep["repair_splices_per_km_year"] * keep["repair_years"]
    repair = splices * rules["defaults"]["splice_db"]
    kept = 0.0 if row.get("reserve_db") is not None or not repair else _times(metres, repair)
    close("repair_db", terms["repair_db"], kept)
    later = None if terms["repair_db"] is None else terms["repair_db"] + terms["reserve_db"]
    mean = None if budget.mean_db is None or later is None else budget.mean_db + later
    close("mean_db", told["mean_db"], mean)
    close("sigma_db", told["sigma_db"], budget.sigma_db)
    for said in ("measured_db", "measured_least_db", "least_db"):
        close(said, told[said], getattr(budget, said))
    statistics = rules["statistics"]
    likely = None
    if told["mean_db"] is not None and told["loss_db"] is not None:
        likely = min(told["mean_db"] + statistics["k"] * told["sigma_db"], told["loss_db"])
    close("statistical_db", told["statistical_db"], likely)
    powers = row.get("tx_min_dbm"), row.get("rx_min_dbm"), likely
    margin = None if None in powers else powers[0] - powers[1] - likely  # type: ignore[operator]
    close("statistical_margin_db", told["statistical_margin_db"], margin)
    strong = row.get("rx_max_dbm"), row.get("tx_max_dbm"), budget.least_db
    overload = None if None in strong else strong[0] - strong[1] + budget.least_db  # type: ignore[operator]
    close("overload_margin_db", told["overload_margin_db"], overload)
    close("attenuator_db", told["attenuator_db"], None if overload is None else max(-overload, 0.0))
    most = told["margin_db"]
    close("attenuator_most_db", told["attenuator_most_db"], None if most is None else max(most, 0))
    bandwidth, dispersion = world.budgets.reach(name)
    bandwidth = None if bandwidth == inf else bandwidth
    close("bandwidth_mhz", told["bandwidth_mhz"], bandwidth, SHARE * (bandwidth or 0.0) + 1e-3)
    spread = SHARE * (dispersion or 0.0) + 1e-3
    close("dispersion_ps_nm", told["dispersion_ps_nm"], dispersion, spread)
    needed, limit = row.get("bandwidth_mhz"), row.get("dispersion_limit_ps_nm")
    close("bandwidth_needed_mhz", told["bandwidth_needed_mhz"], needed)
    close("dispersion_limit_ps_nm", told["dispersion_limit_ps_nm"], limit)
    endless = world.budgets.reach(name)[0]
    due = {
        "overload_ok": _kept(told["overload_margin_db"], 0.0 if strong[0] is not None else None),
        "bandwidth_ok": _kept(inf if endless == inf else told["bandwidth_mhz"], needed),
        "dispersion_ok": _kept(_negative(told["dispersion_ps_nm"]), _negative(limit)),
    }
    for held in told["held_to"]:
        for said, kept_ in due.items():
            findings.same(f"{what}, {said}", held[said], kept_)


def _negative(figure: float | None) -> float | None:
    return None if figure is None else -figure


def _kept(figure: float | None, least: float | None) -> bool | None:
    """Whether a figure is as great as it has to be; where nothing is asked it is."""
    if least is None:
        return True
    return None if figure is None else figure >= least

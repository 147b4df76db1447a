"""The figures of a proof as plain data: lengths, loss, delay, availability, measurements."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Any, Literal, TypedDict, cast

import numpy as np
import pandas as pd
import scipy.sparse as sp

from waysapart.arrays import Bools
from waysapart.evidence import (
    Contribution,
    Delay,
    Drum,
    GroupUnavailability,
    HeldTo,
    LengthTerms,
    Link,
    Loss,
    MediumLength,
    Path,
    PathLoss,
    StatedRoute,
    Test,
    TestsMissing,
    TraceStep,
    Unavailability,
)
from waysapart.findings.loss import LENGTH_TERMS, could_grow_m, length_terms
from waysapart.findings.measured import drums, missing_stages, old_measurements
from waysapart.findings.outages import greatest_contributions, unrated_hops
from waysapart.formulas.availability import MINUTES_PER_YEAR
from waysapart.formulas.delay import differential_current, phase_error_deg
from waysapart.formulas.measured import TESTS
from waysapart.gaps import GAP_CODES
from waysapart.network.build_network import link_traces
from waysapart.network.measurements import NO_FIBRE
from waysapart.study.model import Study
from waysapart.study.rules import Service
from waysapart.verdicts.contests import links_left_open
from waysapart.verdicts.limits import LinkChecks, leaves_a_path_open, together
from waysapart.verdicts.proof import ProofData

SHOWN_CONTRIBUTIONS = 5
"""How many of the assets that bring most are listed."""
SAYS = {
    "differential": "The phase error is 360 f times half the asymmetry: what a relay that takes "
    "half of the round trip for each direction would misread. The apparent differential current is "
    "2 sin(angle / 2) of the through current. Neither says whether a given relay trips.",
    "turned_back": "Where a ring turns back at a failure, the signal passes the two nodes at which "
    "it is turned once, and twice what it passes both out and back: each counts as often as it "
    "is passed. Where a path runs over several rings, the one with the longest delay counts.",
    "availability": "Unavailability compares designs; it does not predict outages. Rates and "
    "repair times stand among the assumptions. Assets fail independently of each other, and a "
    "hazard is one event on everything that it takes. What either of several supplies keeps up "
    "is down while all of them are. Where something has no rate a figure is null, and at_least "
    "is what has one.",
    "loss": "loss_db is the worst case, the sum of its terms as they stand. statistical_db is "
    "the mean plus k standard deviations, never above it. least_db is the least loss of the first "
    "day, on which the overload margin rests. A loss that lacks an input is null, with "
    "loss_at_least_db beside it and margin_at_most_db for the margin.",
}
_US = "us"
_DB_COLUMNS = (
    "tx_min_dbm",
    "tx_max_dbm",
    "rx_min_dbm",
    "rx_max_dbm",
    "budget_db",
    "loss_at_least_db",
    "margin_at_most_db",
    "measured_db",
    "measured_least_db",
    "mean_db",
    "sigma_db",
    "statistical_db",
    "statistical_margin_db",
    "least_db",
    "overload_margin_db",
    "attenuator_db",
    "attenuator_most_db",
    "dispersion_ps_nm",
    "dispersion_limit_ps_nm",
    "bandwidth_mhz",
    "bandwidth_needed_mhz",
)
_TERM_UNITS = {
    "fibre_m": "m",
    "fibre_db": "db",
    "splices": "count",
    "splices_from": "text",
    "splices_db": "db",
    "connectors": "count",
    "connectors_db": "db",
    "mismatch_db": "db",
    "via_db": "db",
    "test_db": "db",
    "repair_db": "db",
    "reserve_db": "db",
    "budget_db": "db",
}
_DELAY_TERMS = ("fibre_us", "equipment_us", "extra_us", "test_us")
_BOUNDED_US = ("delay", "go", "return")
_BOUNDED_M = ("length", "route")
"""Figures of a path that stand with the least that they can be where they are not known."""
_DELAY_UNITS = {
    **{f"{name}{least}_us": _US for name in _BOUNDED_US for least in ("", "_at_least")},
    **{f"{name}{least}_m": "m" for name in _BOUNDED_M for least in ("", "_at_least")},
    **dict.fromkeys(_DELAY_TERMS, _US),
}


@dataclass
class FigureSheet:
    """What the figures of many circuits have in common, worked out once.

    The facts about a link are one object in all circuits over that link.

    Parameters
    ----------
    proof : ProofData
    """

    proof: ProofData
    names: np.ndarray = field(init=False)
    rows: dict[int, dict[str, Any]] = field(init=False)
    media: list[str] = field(init=False)
    lengths: list[LengthTerms] = field(init=False)
    delays: list[dict[str, Any]] = field(init=False)
    lacks: list[tuple[frozenset[str], ...]] = field(init=False)
    terms: dict[int, dict[str, Any]] = field(init=False)
    checks: LinkChecks = field(init=False)
    open_loss: Bools = field(init=False)
    stages: dict[int, list[TestsMissing]] = field(init=False)
    switching: list[Any] = field(init=False)
    service_names: list[str] = field(init=False)
    unrated: tuple[list[str], list[list[int]]] = field(init=False)
    _losses: dict[tuple[int, int], PathLoss] = field(init=False, default_factory=dict)
    _held: dict[int, dict[float | None, HeldTo]] = field(init=False, default_factory=dict)
    _grows: dict[float, dict[int, dict[str, Any]]] = field(init=False, default_factory=dict)

    def __post_init__(self) -> None:
        proof = self.proof
        budgets = proof.link_budgets
        links = proof.study.tables["links"]
        self.names = links["id"].to_numpy(dtype=object)
        numbers = budgets["link"].tolist()
        self.rows = dict(zip(numbers, records(budgets), strict=True))
        self.media = links["medium"].fillna("fibre").to_list()
        self.lengths = _length_facts(length_terms(proof.network))
        self.delays = _rows(proof.delays, _DELAY_UNITS)
        self.lacks = list(
            zip(
                *(proof.delays[f"{of}_open"] for of in ("machines", "links", "length")), strict=True
            )
        )
        self.terms = dict(zip(numbers, _rows(budgets, _TERM_UNITS), strict=True))
        self.checks = LinkChecks.of(budgets, len(links))
        self.open_loss = links_left_open(proof.reliance, proof.record_gaps, "loss")
        self.stages = stages_by_link(proof)
        circuits = proof.study.tables["circuits"]
        self.switching = circuits["switching"].to_list()
        self.service_names = [text_or_none(name) or "default" for name in circuits["service"]]
        self.unrated = _unrated(proof, self.names)

    def loss_of(self, link: int, trial: int) -> PathLoss:
        """Return the loss of one link under the service of a circuit.

        Parameters
        ----------
        link, trial : int

        Returns
        -------
        PathLoss
        """
        key = link, id(self.proof.services[trial])
        if key not in self._losses:
            self._losses[key] = _loss(self, link, trial)
        self.held_to(link, self.proof.services[trial])["services"].append(self.service_names[trial])
        return self._losses[key]

    def held_to(self, link: int, service: Service) -> HeldTo:
        """Check one link against the least margin of a service.

        Parameters
        ----------
        link : int
        service : Service

        Returns
        -------
        HeldTo
            One object for all services with the same least margin.
        """
        of_link = self._held.setdefault(link, {})
        if service.min_margin_db not in of_link:
            of_link[service.min_margin_db] = _held_to(self, link, service)
        return of_link[service.min_margin_db]

    def held(self, link: int) -> list[HeldTo]:
        """List the least margins required of a link by the paths asked for so far.

        Parameters
        ----------
        link : int

        Returns
        -------
        list of HeldTo
        """
        found = self._held.get(link, {}).values()
        return [{**one, "services": sorted(set(one["services"]))} for one in found]

    def grows(self, least_margin_db: float | None) -> dict[int, dict[str, Any]]:
        """Return by how much each link could be longer under a least margin.

        Parameters
        ----------
        least_margin_db : float or None
            None counts as 0.

        Returns
        -------
        dict of int to dict
            By link: the columns of `could_grow_m`.
        """
        least = 0.0 if least_margin_db is None else least_margin_db
        if least not in self._grows:
            budgets, rules = self.proof.link_budgets, self.proof.study.rules
            own = self.proof.study.tables["links"]["reserve_db"].to_numpy(dtype=np.float64)
            keep = rules.reserve
            per_km = keep.repair_splices_per_km_year * keep.repair_years * rules.defaults.splice_db
            repair = np.where(np.isnan(own[budgets["link"].to_numpy(dtype=np.int64)]), per_km, 0.0)
            grown = could_grow_m(
                budgets, np.full(len(budgets), least), rules.defaults.splice_db, repair
            )
            self._grows[least] = dict(zip(budgets["link"].tolist(), records(grown), strict=True))
        return self._grows[least]


def path_facts(sheet: FigureSheet, path: int, trial: int) -> Path:
    """Return length, delay and loss of one path, each with the terms that add up to it.

    Parameters
    ----------
    sheet : FigureSheet
    path, trial : int

    Returns
    -------
    Path
    """
    proof = sheet.proof
    row = sheet.delays[path]
    links = proof.network.paths.links(path).tolist()
    machines, lines, lengths = sheet.lacks[path]
    found: dict[str, Any] = {
        "links": [str(sheet.names[link]) for link in links],
        "out_of_service": bool(proof.lost[path]),
        **bounded("length", row["length_m"], row["length_at_least_m"], "m"),
        "length_why": sorted(lengths),
        **bounded("route", row["route_m"], row["route_at_least_m"], "m"),
        "other_lengths": _other_lengths(sheet, links),
        **bounded("delay", row["delay_us"], row["delay_at_least_us"], _US),
        "delay_why": sorted(machines | lines),
        **bounded("go", row["go_us"], row["go_at_least_us"], _US),
        **bounded("return", row["return_us"], row["return_at_least_us"], _US),
        "delay_terms": {name: row[name] for name in _DELAY_TERMS},
        "loss": [sheet.loss_of(link, trial) for link in links if link in sheet.rows],
        "relies_on": int(proof.reliance.relied_count[path]),
    }
    return cast(Path, found)


def bounded(
    name: str, value: float | None, at_least: float | None, unit: str
) -> dict[str, float | None]:
    """Write a figure, with its lower bound where it is not known.

    Parameters
    ----------
    name : str
        Such as `delay`.
    value, at_least : float or None
        NaN or None where not known.
    unit : str
        As for `figure`.

    Returns
    -------
    dict of str to float or None

    Examples
    --------
    >>> bounded("delay", float("nan"), 812.4, "us")
    {'delay_us': None, 'delay_at_least_us': 812.4}
    """
    known = figure(value, unit)
    least = figure(at_least, unit) if known is None else None
    return {f"{name}_{unit}": known, f"{name}_at_least_{unit}": least}


def _other_lengths(sheet: FigureSheet, links: list[int]) -> list[MediumLength]:
    """Length of a path's hops that are not over fibre, by medium; null where not on record."""
    found: dict[str, float | None] = {}
    for link in links:
        medium, length = sheet.media[link], sheet.lengths[link]["length_m"]
        if medium != "fibre":
            before = found.get(medium, 0.0)
            found[medium] = None if before is None or length is None else before + length
    return [{"medium": name, "length_m": figure(value, "m")} for name, value in found.items()]


def _loss(sheet: FigureSheet, link: int, trial: int) -> PathLoss:
    """Loss of a link in short, under the service of a circuit."""
    row, held = sheet.rows[link], sheet.held_to(link, sheet.proof.services[trial])
    return {
        "link": str(sheet.names[link]),
        "wavelength_nm": figure(row["wavelength_nm"], "m"),
        "loss_db": figure(row["loss_db"], "db"),
        "margin_db": figure(row["margin_db"], "db"),
        "ok": held["ok"],
    }


def _held_to(sheet: FigureSheet, link: int, service: Service) -> HeldTo:
    """A link under the least margin that a service requires."""
    checks = sheet.checks.each(link, service)
    if service.min_margin_db is not None and checks["margin_ok"] and sheet.open_loss[link]:
        checks["margin_ok"] = None
    row, grown = sheet.rows[link], sheet.grows(service.min_margin_db)[link]
    found: dict[str, Any] = {
        "services": [],
        "min_margin_db": service.min_margin_db,
        "ok": together(checks.values()),
        **checks,
        "could_grow_m": figure(grown["could_grow_m"], "m"),
        "binds": grown["binds"] or None,
        "longest": {
            name: figure(row["fibre_m"] + grown[name], "m")
            for name in ("by_loss_m", "by_bandwidth_m", "by_dispersion_m")
        },
    }
    return cast(HeldTo, found)


def _rows(frame: pd.DataFrame, units: Mapping[str, str]) -> list[dict[str, Any]]:
    """Columns of a frame as one dict per row, fit for JSON."""
    columns = [_column(frame[name], unit) for name, unit in units.items()]
    return [dict(zip(units, row, strict=True)) for row in zip(*columns, strict=True)]


def _column(values: pd.Series, unit: str) -> list[Any]:
    if unit == "text":
        return [str(value) for value in values.tolist()]
    if unit == "count":
        return [int(value) for value in values.tolist()]
    return figures(values, unit)


def _length_facts(terms: pd.DataFrame) -> list[LengthTerms]:
    """Length of every link with the terms that add up to it."""
    rows = _rows(terms, dict.fromkeys((*LENGTH_TERMS, "length_m"), "m"))
    return cast(list[LengthTerms], rows)


def link_facts(sheet: FigureSheet) -> list[Link]:
    """Return everything about every link, once.

    Call it after `path_facts` of all circuits, which note the margins that links are held to.

    Parameters
    ----------
    sheet : FigureSheet

    Returns
    -------
    list of Link
    """
    powers = _rows(sheet.proof.link_budgets, dict.fromkeys(_DB_COLUMNS, "db"))
    in_db = dict(zip(sheet.rows, powers, strict=True))
    stated = _stated_routes(sheet.proof.study)
    traces = link_traces(sheet.proof.network)
    found: list[Link] = [
        {
            "id": str(name),
            "medium": sheet.media[link],
            "lengths": sheet.lengths[link],
            "stated": stated.get(link),
            "loss": _loss_facts(sheet, link, in_db[link]) if link in sheet.rows else None,
            "tests_missing": sheet.stages.get(link, []),
        }
        for link, name in enumerate(sheet.names)
    ]
    for one in found:
        if one["id"] in traces:
            one["trace"] = cast(dict[Literal["go", "return"], list[TraceStep]], traces[one["id"]])
    return found


def _stated_routes(study: Study) -> dict[int, StatedRoute]:
    """By link, who stated its route and when, where either is on record."""
    links = study.tables["links"]
    by, on = links["stated_by"], links["stated_on"]
    return {
        row: {
            "by": None if pd.isna(by.iloc[row]) else str(by.iloc[row]),
            "on": None if pd.isna(on.iloc[row]) else on.iloc[row].date().isoformat(),
        }
        for row in np.flatnonzero((by.notna() | on.notna()).to_numpy()).tolist()
    }


def _loss_facts(sheet: FigureSheet, link: int, in_db: dict[str, Any]) -> Loss:
    """A link over fibre: powers, worst case and statistical loss, what else limits it."""
    row = sheet.rows[link]
    found: dict[str, Any] = {
        "wavelength_nm": figure(row["wavelength_nm"], "m"),
        "fibre_type": row["fibre_type"] or None,
        "loss_db": figure(row["loss_db"], "db"),
        "margin_db": figure(row["margin_db"], "db"),
        "k": sheet.proof.study.rules.statistics.k,
        **in_db,
        "terms": sheet.terms[link],
        "loss_why": _lacks(row),
        "not_known": _reasons(row),
        "held_to": sheet.held(link),
    }
    return cast(Loss, found)


def _lacks(row: dict[str, Any]) -> list[str]:
    """Why the loss of a link is null, and what to record."""
    if np.isfinite(row["loss_db"]):
        return []
    found = []
    if row["lacks_length"]:
        found.append("its fibre length is not known: see the record gaps")
    if row["lacks_type"]:
        cables = row["lacks_type"].replace(";", ", ")
        found.append(f"fibre_type of {cables} is not on record")
    for kind in filter(None, row["lacks_attenuation"].split(";")):
        found.append(
            f"the rules have no attenuation of {kind} at {row['wavelength_nm']:g} nm: add it "
            "under [fibres]"
        )
    for pair in filter(None, row["lacks_step"].split(";")):
        found.append(f"what the light loses between the cores of {pair} is not known")
    return found


def _reasons(row: dict[str, Any]) -> list[str]:
    """Why figures of a link are null, and what to record."""
    found = _lacks(row)
    kinds = row["fibre_type"] or "a fibre whose type is not on record"
    found += [
        f"{name} is not on record: no margin"
        for name in ("tx_min_dbm", "rx_min_dbm")
        if not np.isfinite(row[name])
    ]
    if not np.isfinite(row["rx_max_dbm"]):
        found.append("rx_max_dbm is not on record: overload is not checked")
    elif not np.isfinite(row["tx_max_dbm"]):
        found.append("tx_max_dbm is not on record: overload cannot be checked")
    if np.isfinite(row["bandwidth_needed_mhz"]) and np.isnan(row["bandwidth_mhz"]):
        found.append(
            f"the rules have no modal bandwidth of {kinds} at "
            f"{row['wavelength_nm']:g} nm: add it under [fibres]"
        )
    if np.isfinite(row["dispersion_limit_ps_nm"]) and np.isnan(row["dispersion_ps_nm"]):
        found.append(
            f"the rules have no zero-dispersion wavelength of {kinds}: add it under [fibres]"
        )
    return found


def delay_facts(sheet: FigureSheet, trial: int) -> Delay:
    """Return the delay of a circuit in every state, its asymmetry, and its recovery time.

    Parameters
    ----------
    sheet : FigureSheet
    trial : int

    Returns
    -------
    Delay
    """
    proof = sheet.proof
    circuit = proof.trials[trial].circuits[0]
    limits, service = proof.limits[circuit], proof.services[trial]
    switching = sheet.switching[circuit]
    frequency = proof.study.rules.power_system.frequency_hz
    differs = service.max_asymmetry_us is not None and np.isfinite(limits.asymmetry_us)
    angle = float(phase_error_deg(limits.asymmetry_us, frequency)) if differs else None
    current = float(differential_current(angle)) if angle is not None else None
    whole = [
        GAP_CODES[gap.code].means
        for gap in (proof.record_gaps[number] for number in proof.gaps_of[trial])
        if leaves_a_path_open(gap) and "delay" in gap.limits
    ]
    found = {
        **{f"{label}_us": figure(value, _US) for label, value in limits.path_us.items()},
        **bounded("worst", limits.worst_us, limits.worst_at_least_us, _US),
        "delay_why": [*dict.fromkeys([*whole, *limits.delay_why])],
        "limit_us": service.max_delay_us,
        "ok": limits.delay_ok,
        "states": [
            *(
                {"state": label, **bounded("delay", value, limits.path_at_least_us[label], _US)}
                for label, value in limits.path_us.items()
            ),
            *(
                {
                    "state": f"turned back on {label}",
                    **bounded("delay", value, limits.turned_at_least_us[label], _US),
                }
                for label, value in limits.turned_us.items()
            ),
        ],
        **bounded("asymmetry", limits.asymmetry_us, limits.asymmetry_at_least_us, _US),
        "asymmetry_why": [*dict.fromkeys([*whole, *limits.asymmetry_why])],
        "asymmetry_limit_us": service.max_asymmetry_us,
        "asymmetry_ok": limits.asymmetry_ok,
        "switching": switching if isinstance(switching, str) else "each",
        "frequency_hz": frequency,
        "phase_error_deg": figure(angle, "share"),
        "apparent_differential": figure(current, "share"),
        "recovery_ms": figure(limits.recovery_ms, "share"),
        "recovery_assumed": limits.recovery_assumed,
        "recovery_limit_ms": service.max_recovery_ms,
        "recovery_ok": limits.recovery_ok,
    }
    return cast(Delay, found)


def availability_facts(sheet: FigureSheet, trial: int) -> Unavailability:
    """Return how much of the time each path of a circuit, and all of them, are down, and why.

    A figure that lacks a rate is null; `at_least` has the least that it can be, under the same
    name, and `why` what is not on record.

    Parameters
    ----------
    sheet : FigureSheet
    trial : int

    Returns
    -------
    Unavailability
    """
    proof = sheet.proof
    circuit = proof.trials[trial].circuits[0]
    limits, service, down = proof.limits[circuit], proof.services[trial], proof.outages
    paths = proof.network.paths
    mine = {paths.label[path]: path for path in paths.of_circuit(circuit)}
    why = dict.fromkeys(one for path in mine.values() for one in down.path_why[path])
    least = {
        **{label: down.paths_at_least[path] for label, path in mine.items()},
        "both": down.together_at_least[trial],
    }
    found = {
        **{label: figure(down.paths[path], "share") for label, path in mine.items()},
        "both": figure(down.together[trial], "share"),
        **_together(sheet, trial),
        "path_minutes_a_year": {label: _minutes(down.paths[path]) for label, path in mine.items()},
        "at_least": _at_least(least, "both"),
        "why": [*dict.fromkeys([*down.why[trial], *why])],
        "not_counted": _not_counted(sheet, list(mine.values())),
        "limit": service.max_unavailability,
        "ok": limits.unavailability_ok,
    }
    return cast(Unavailability, found)


def group_availability_facts(sheet: FigureSheet, trial: int) -> GroupUnavailability:
    """Return how much of the time all paths of a group, and its working paths, are down.

    Parameters
    ----------
    sheet : FigureSheet
    trial : int

    Returns
    -------
    GroupUnavailability
    """
    proof = sheet.proof
    down, paths = proof.outages, proof.network.paths
    mine = [p for circuit in proof.trials[trial].circuits for p in paths.of_circuit(circuit)]
    working = proof.working_of[trial]
    least = {"all": down.together_at_least[trial], "working": down.together_at_least[working]}
    found: dict[str, Any] = {
        "all": figure(down.together[trial], "share"),
        "working": figure(down.together[working], "share"),
        "working_minutes_a_year": _minutes(down.together[working]),
        **_together(sheet, trial),
        "at_least": _at_least(least, "all"),
        "why": [*dict.fromkeys([*down.why[trial], *down.why[working]])],
        "not_counted": _not_counted(sheet, mine),
    }
    return cast(GroupUnavailability, found)


def _at_least(shares: Mapping[str, float], whole: str) -> dict[str, float]:
    """The bounds of those figures that are not known, and of the minutes a year of the whole."""
    found = {
        label: known
        for label, share in shares.items()
        if (known := figure(share, "share")) is not None
    }
    minutes = _minutes(shares[whole])
    return found if minutes is None else {**found, "minutes_a_year": minutes}


class _Together(TypedDict):
    """Time in which all paths are down at once, and what brings it."""

    minutes_a_year: float | None
    losses_a_year: float | None
    greatest: list[Contribution]


def _together(sheet: FigureSheet, trial: int) -> _Together:
    down = sheet.proof.outages
    names = sheet.proof.names
    both = figure(down.together[trial], "share")
    greatest: list[Contribution] = []
    for asset, value in greatest_contributions(down, trial, SHOWN_CONTRIBUTIONS):
        share = figure(value, "share")
        greatest.append(
            {
                "asset": names[asset][0],
                "share": share,
                "minutes_a_year": _minutes(share),
                "of_all": figure(share / both, "share") if share is not None and both else None,
            }
        )
    return {
        "minutes_a_year": _minutes(both),
        "losses_a_year": figure(down.losses[trial], "share"),
        "greatest": greatest,
    }


def _minutes(share: float | None) -> float | None:
    """Unavailability in minutes a year, of the share as it stands beside them."""
    told = None if share is None else figure(share, "share")
    return None if told is None else figure(told * MINUTES_PER_YEAR, "share")


def _not_counted(sheet: FigureSheet, paths: list[int]) -> list[str]:
    """What the paths rely on that counts as never failing for want of a rate.

    Hops of which nothing is on record that fails, and hazards without a rate of their own;
    machines of which not every state of what feeds them could be worked out.
    """
    names, of_path = sheet.unrated
    listed = [names[place] for place in sorted({at for path in paths for at in of_path[path]})]
    down = sheet.proof.outages
    machines = {one for path in paths for one in down.path_left_out[path]}
    return listed + sheet.proof.network.assets.ids(sorted(machines))


def _unrated(proof: ProofData, links: np.ndarray) -> tuple[list[str], list[list[int]]]:
    """What no failure rate is known of, hops first, and where in it each path's stands."""
    reliance, down = proof.reliance, proof.outages
    hops = np.flatnonzero(unrated_hops(reliance))
    unrated = np.sort(down.unrated)
    columns = sp.csr_array(reliance.links[:, unrated])
    relied = sp.csr_array(
        sp.hstack([reliance.along[:, hops], reliance.along @ columns], format="csr")
    )
    names = [str(name) for name in links[hops]] + proof.network.assets.ids(unrated)
    return names, [relied.indices[a:b].tolist() for a, b in pairwise(relied.indptr.tolist())]


# --- Measurements and drums: what was measured, what is missing, which drums are long enough.


def records(frame: pd.DataFrame) -> list[dict[str, Any]]:
    """Return a frame as one dict per row.

    Parameters
    ----------
    frame : DataFrame

    Returns
    -------
    list of dict
    """
    return cast(list[dict[str, Any]], frame.to_dict("records"))


def stages_by_link(proof: ProofData) -> dict[int, list[TestsMissing]]:
    """List missing measurements by link; fibres of one cable that lack the same ones together."""
    frame = missing_stages(proof.network)
    cables = proof.study.tables["cables"]["id"].to_numpy()
    missing = frame[list(range(len(TESTS)))].to_numpy(dtype=bool)
    code = missing @ (1 << np.arange(len(TESTS)))
    order = np.lexsort((frame["fibre"], code, frame["cable"], frame["link"]))
    found: dict[int, list[TestsMissing]] = {}
    last: tuple[int, int, int] | None = None
    for link, cable, fibre, lacks in zip(
        *(frame[name].to_numpy()[order].tolist() for name in ("link", "cable", "fibre")),
        code[order].tolist(),
        strict=True,
    ):
        if not lacks:
            continue
        rows = found.setdefault(link, [])
        if (link, cable, lacks) != last:
            last = (link, cable, lacks)
            names = [name for bit, name in enumerate(TESTS) if lacks >> bit & 1]
            rows.append(
                {
                    "cable": str(cables[cable]),
                    "fibres": None,
                    "missing": names,
                }
            )
        if fibre != NO_FIBRE:
            rows[-1]["fibres"] = [*(rows[-1]["fibres"] or []), fibre]
    return found


def measurement_facts(proof: ProofData) -> list[Test]:
    """Return every measurement that gives a figure, beside the figure by the records.

    Parameters
    ----------
    proof : ProofData

    Returns
    -------
    list of Test
    """
    study, compared = proof.study, proof.compared
    if not len(compared):
        return []
    old = old_measurements(study, compared, study.on)
    dates = study.tables["measurements"]["date"]
    units = {"length_m": "m", "loss_db": "db", "delay_us": "us"}
    found: list[Test] = []
    for row, stale in zip(records(compared), old, strict=True):
        unit = units[row["quantity"]]
        taken = dates.iloc[int(row["row"])]
        found.append(
            {
                "of": str(study.tables[row["role"]]["id"].iloc[int(row["owner"])]),
                "role": row["role"],
                "fibre": None if row["fibre"] == NO_FIBRE else int(row["fibre"]),
                "quantity": row["quantity"],
                "measured": figure(row["measured"], unit) or 0.0,
                "computed_least": figure(row["least"], unit),
                "computed_greatest": figure(row["greatest"], unit),
                "agrees": bool(row["agrees"]),
                "date": None if pd.isna(taken) else taken.date().isoformat(),
                "old": bool(stale),
            }
        )
    return found


def drum_facts(proof: ProofData) -> list[Drum]:
    """Return whether each measured drum is long enough, and by how much.

    Parameters
    ----------
    proof : ProofData

    Returns
    -------
    list of Drum
    """
    cables = proof.study.tables["cables"]["id"].to_numpy()
    return [
        {
            "cable": str(cables[int(row["cable"])]),
            "drum_m": figure(row["drum_m"], "m"),
            "carried_m": figure(row["carried_m"], "m"),
            "slack_m": figure(row["slack_m"], "m"),
            "down_leads_m": figure(row["down_leads_m"], "m"),
            "tails_m": figure(row["tails_m"], "m"),
            "needed_m": figure(row["needed_m"], "m"),
            "left_m": figure(row["left_m"], "m"),
            "reaches": None if np.isnan(row["left_m"]) else bool(row["left_m"] >= 0),
        }
        for row in records(drums(proof.network))
    ]


# --- Single values as JSON has them.

_DECIMALS = {"m": 3, "us": 3, "db": 4, "deg": 7}
_DIGITS = 6


def figure(value: float | None, unit: str) -> float | None:
    """Round a number for JSON, far below the accuracy of the records.

    Parameters
    ----------
    value : float or None
    unit : str
        `m`, `us`, `db` or `deg`; `share` and anything else keep six significant digits.

    Returns
    -------
    float or None
        None where the value is None, NaN or infinite.

    Examples
    --------
    >>> figure(812.40049, "us"), figure(0.000123456789, "share"), figure(float("nan"), "m")
    (812.4, 0.000123457, None)
    """
    if value is None or not math.isfinite(value):
        return None
    if unit not in _DECIMALS:
        return float(f"{value:.{_DIGITS}g}") + 0.0
    return round(float(value), _DECIMALS[unit]) + 0.0


def figures(values: pd.Series | np.ndarray, unit: str) -> list[float | None]:
    """Round a column of numbers for JSON, as `figure` does.

    Parameters
    ----------
    values : Series or ndarray of float, shape (n,)
    unit : str

    Returns
    -------
    list of float or None
    """
    plain = values.tolist()
    if unit not in _DECIMALS:
        return [figure(value, unit) for value in plain]
    decimals, finite = _DECIMALS[unit], math.isfinite
    return [round(value, decimals) + 0.0 if finite(value) else None for value in plain]


def lon_lat(lon: float, lat: float, decimals: int = 7) -> list[float]:
    """Round longitude and latitude for JSON.

    Parameters
    ----------
    lon, lat : float
        Degrees.
    decimals : int
        7 are about a centimetre.

    Returns
    -------
    list of float
    """
    return [round(float(lon), decimals) + 0.0, round(float(lat), decimals) + 0.0]


def text_or_none(value: object) -> str | None:
    """Return a cell's text.

    Parameters
    ----------
    value : object

    Returns
    -------
    str or None
        None where the cell is blank.
    """
    return value if isinstance(value, str) else None

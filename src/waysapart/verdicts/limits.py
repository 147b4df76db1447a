"""Check whether circuits stay within the limits of their service."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from waysapart.arrays import Floats
from waysapart.findings.delays import DECIMALS_US
from waysapart.findings.recovery import recoveries
from waysapart.formulas.delay import asymmetry_us, least_difference_us, worst_us
from waysapart.gaps import GAP_CODES, Gap
from waysapart.network.build_network import Network
from waysapart.study.rules import Service, UnknownService


def below(value: float, limit: float | None, at_least: float = np.nan) -> bool | None:
    """Whether a figure is within a limit.

    Parameters
    ----------
    value : float
        NaN where it is not known.
    limit : float or None
        None for no limit.
    at_least : float
        Lower bound of the figure.

    Returns
    -------
    bool or None
        True where there is no limit. An unknown figure breaks a limit if its lower bound does; else
        None.

    Examples
    --------
    >>> below(4.0, 5.0), below(np.nan, 5.0), below(np.nan, 5.0, at_least=6.0)
    (True, None, False)
    """
    if limit is None:
        return True
    if np.isnan(value):
        return False if at_least > limit else None
    return bool(value <= limit)


def together(checks: Iterable[bool | None]) -> bool | None:
    """Combine checks: False where any fails, else None where any is unknown, else True.

    Parameters
    ----------
    checks : iterable of bool or None

    Returns
    -------
    bool or None

    Examples
    --------
    >>> together([True, None]), together([True, None, False])
    (None, False)
    """
    found = list(checks)
    if any(check is False for check in found):
        return False
    return None if any(check is None for check in found) else True


@dataclass(frozen=True)
class CircuitLimits:
    """Figures of one circuit and whether they keep the limits of its service.

    Attributes
    ----------
    path_us : dict of str to float
        Delay of each path; NaN where it is not known.
    turned_us : dict of str to float
        Longest delay where a ring turns back at a failure on the path; only
        for circuits whose ring does.
    worst_us, asymmetry_us : float
        Over all states that the circuit can end up in; NaN where the records do
        not tell.
    path_at_least_us, turned_at_least_us, worst_at_least_us, asymmetry_at_least_us
        The least that each of these can be; NaN where nothing is known.
    delay_why, asymmetry_why : tuple of str
        What is not on record of the delay, and of the asymmetry.
    recovery_ms : float
        Interruption while the circuit changes over; NaN with fewer than two paths.
    recovery_assumed : bool
        Whether that is the rules' figure, as nobody states one.
    delay_ok, asymmetry_ok, loss_ok, unavailability_ok, recovery_ok : bool or None
        None: the records give no figure, or leave open what it rests on.
    open_ : frozenset of str
        The limits that a gap in the records leaves open.
    """

    path_us: dict[str, float] = field(default_factory=dict)
    turned_us: dict[str, float] = field(default_factory=dict)
    worst_us: float = np.nan
    asymmetry_us: float = np.nan
    recovery_ms: float = np.nan
    recovery_assumed: bool = False
    path_at_least_us: dict[str, float] = field(default_factory=dict)
    turned_at_least_us: dict[str, float] = field(default_factory=dict)
    worst_at_least_us: float = np.nan
    asymmetry_at_least_us: float = np.nan
    delay_why: tuple[str, ...] = ()
    asymmetry_why: tuple[str, ...] = ()
    delay_ok: bool | None = None
    asymmetry_ok: bool | None = None
    loss_ok: bool | None = None
    unavailability_ok: bool | None = None
    recovery_ok: bool | None = None
    open_: frozenset[str] = frozenset()

    @property
    def within(self) -> bool | None:
        """Whether every limit is kept; recovery does not count where no other path is left."""
        return together(
            [
                self.delay_ok,
                self.asymmetry_ok,
                self.loss_ok,
                self.unavailability_ok,
                True if np.isnan(self.recovery_ms) else self.recovery_ok,
            ]
        )


@dataclass(frozen=True)
class Unavailable:
    """How much of the time all paths of each circuit are down.

    Attributes
    ----------
    share : ndarray of float, shape (circuits,)
        NaN where it is not known.
    at_least : ndarray of float, shape (circuits,)
        The least that it can be then; NaN where nothing bounds it.
    """

    share: Floats
    at_least: Floats

    @classmethod
    def unknown(cls, circuits: int) -> Unavailable:
        """Leave every circuit unknown.

        Parameters
        ----------
        circuits : int
            Number of circuits.

        Returns
        -------
        Unavailable
        """
        return cls(np.full(circuits, np.nan), np.full(circuits, np.nan))


def circuit_limits(
    network: Network,
    services: list[Service],
    delays: pd.DataFrame,
    budgets: pd.DataFrame,
    down: Unavailable,
    open_: list[frozenset[str]],
) -> list[CircuitLimits]:
    """Check every circuit's figures against the limits of its service.

    A limit that a gap leaves open may be broken but is not known to be kept; a limit that the
    service does not set is not checked.

    Parameters
    ----------
    network : Network
    services : list of Service, length (circuits)
    delays : DataFrame
        From `path_delays`.
    budgets : DataFrame
        From `loss_budgets`.
    down : Unavailable
    open_ : list of frozenset of str, length (circuits)
        Limits that gaps leave open, from `open_limits`.

    Returns
    -------
    list of CircuitLimits
    """
    paths, circuits = network.paths, network.study.tables["circuits"]
    switches_together = (circuits["switching"] == "both").to_numpy()
    states = _States.of(delays, paths.circuit, switches_together)
    recovery = recoveries(network)
    checks = LinkChecks.of(budgets, len(network.study.tables["links"]))
    known: dict[tuple[int, int], bool | None] = {}

    def holds(link: int, service: Service) -> bool | None:
        key = link, id(service)
        if key not in known:
            known[key] = checks.all_of(link, service)
        return known[key]

    found = []
    for circuit, service in enumerate(services):
        mine = paths.of_circuit(circuit)
        away = float(recovery.ms[circuit])
        worst = states.worst(circuit, whole="delay" not in open_[circuit])
        uneven = states.asymmetry(
            circuit, bool(switches_together[circuit]), whole="asymmetry" not in open_[circuit]
        )
        held: dict[str, bool | None] = {
            "delay": below(worst.us, service.max_delay_us, worst.at_least_us),
            "asymmetry": below(uneven.us, service.max_asymmetry_us, uneven.at_least_us),
            "loss": together(
                holds(link, service) for path in mine for link in paths.links(path).tolist()
            ),
            "unavailability": below(
                float(down.share[circuit]),
                service.max_unavailability,
                float(down.at_least[circuit]),
            ),
            "recovery": below(away, service.max_recovery_ms),
        }
        for name in open_[circuit] & _asked_limits(service):
            held[name] = None if held[name] else held[name]
        found.append(
            CircuitLimits(
                {paths.label[path]: float(states.delay_us[path]) for path in mine},
                {
                    paths.label[path]: float(states.turned_us[path])
                    for path in mine
                    if states.turns[path]
                },
                worst.us,
                uneven.us,
                away,
                bool(recovery.assumed[circuit]),
                {paths.label[path]: float(states.at_least_us[path]) for path in mine},
                {
                    paths.label[path]: float(states.turned_at_least_us[path])
                    for path in mine
                    if states.turns[path]
                },
                worst.at_least_us,
                uneven.at_least_us,
                worst.why,
                uneven.why,
                held["delay"],
                held["asymmetry"],
                held["loss"],
                held["unavailability"],
                held["recovery"],
                open_[circuit],
            )
        )
    return found


def open_limits(gaps: Sequence[Gap], gaps_of: Iterable[Iterable[int]]) -> list[frozenset[str]]:
    """Find the limits that the gaps on each circuit leave open.

    Delay, asymmetry and unavailability only by gaps that leave a whole path open, or put in doubt
    what is on record: for any other gap the figures of the path are NaN themselves.

    Parameters
    ----------
    gaps : sequence of Gap
    gaps_of : iterable of iterable of int
        Numbers of the gaps, by circuit.

    Returns
    -------
    list of frozenset of str
    """
    return [
        frozenset(
            limit
            for number in mine
            for limit in gaps[number].limits
            if limit not in BY_FIGURES or leaves_a_path_open(gaps[number])
        )
        for mine in gaps_of
    ]


BY_FIGURES = frozenset({"delay", "asymmetry", "unavailability"})
"""Limits whose figures are NaN themselves where a gap leaves them open."""


def leaves_a_path_open(gap: Gap) -> bool:
    """Whether a gap is about a circuit as a whole, or about figures that may be false.

    Parameters
    ----------
    gap : Gap

    Returns
    -------
    bool
    """
    return (bool(gap.circuits) and gap.path is None) or GAP_CODES[gap.code].doubt


def _asked_limits(service: Service) -> frozenset[str]:
    """Return the limits that a service sets; all of them where the service is unknown."""
    asked = {
        "delay": service.max_delay_us,
        "asymmetry": service.max_asymmetry_us,
        "loss": service.min_margin_db,
        "unavailability": service.max_unavailability,
        "recovery": service.max_recovery_ms,
    }
    unknown = isinstance(service, UnknownService)
    return frozenset(name for name, limit in asked.items() if unknown or limit is not None)


@dataclass(frozen=True)
class LinkChecks:
    """Checks of every link that do not depend on a service: 1 kept, 0 not, NaN unknown.

    A limit that is not stated is kept: no overload on record, no bandwidth needed, no dispersion
    limit.

    Attributes
    ----------
    fibre : ndarray of bool, shape (links,)
        Links with a loss budget.
    margin_db, margin_at_most_db : ndarray of float, shape (links,)
        Margin at sensitivity, and what it can be at most where it is not known.
    overload, bandwidth, dispersion : ndarray of float, shape (links,)
    """

    fibre: np.ndarray
    margin_db: Floats
    margin_at_most_db: Floats
    overload: Floats
    bandwidth: Floats
    dispersion: Floats

    @classmethod
    def of(cls, budgets: pd.DataFrame, count: int) -> LinkChecks:
        """Check all links, numbered as in the links table.

        Parameters
        ----------
        budgets : DataFrame
            From `loss_budgets`.
        count : int
            Number of links.

        Returns
        -------
        LinkChecks
        """
        place = budgets["link"].to_numpy(dtype=np.int64)

        def spread(values: np.ndarray) -> Floats:
            column = np.full(count, np.nan)
            column[place] = values
            return column

        def kept(figure: np.ndarray, limit: np.ndarray) -> Floats:
            """1 where figure >= limit or there is none; NaN where the figure is unknown."""
            held = np.where(np.isnan(figure), np.nan, figure >= limit)
            return spread(np.where(np.isnan(limit), 1.0, held))

        fibre = np.zeros(count, dtype=bool)
        fibre[place] = True
        overload = budgets["overload_margin_db"].to_numpy(dtype=np.float64)
        stated = np.where(budgets["rx_max_dbm"].isna(), np.nan, 0.0)
        return cls(
            fibre,
            spread(budgets["margin_db"].to_numpy(dtype=np.float64)),
            spread(budgets["margin_at_most_db"].to_numpy(dtype=np.float64)),
            kept(overload, stated),
            kept(
                budgets["bandwidth_mhz"].to_numpy(dtype=np.float64),
                budgets["bandwidth_needed_mhz"].to_numpy(dtype=np.float64),
            ),
            kept(
                -budgets["dispersion_ps_nm"].to_numpy(dtype=np.float64),
                -budgets["dispersion_limit_ps_nm"].to_numpy(dtype=np.float64),
            ),
        )

    def each(self, link: int, service: Service) -> dict[str, bool | None]:
        """Return every check of one link under a service.

        Parameters
        ----------
        link : int
        service : Service

        Returns
        -------
        dict of str to bool or None
            `margin_ok`, `overload_ok`, `bandwidth_ok`, `dispersion_ok`.
        """
        return {
            "margin_ok": margin_ok(
                float(self.margin_db[link]), service, float(self.margin_at_most_db[link])
            ),
            "overload_ok": _known(self.overload[link]),
            "bandwidth_ok": _known(self.bandwidth[link]),
            "dispersion_ok": _known(self.dispersion[link]),
        }

    def all_of(self, link: int, service: Service) -> bool | None:
        """Return all checks of one link together.

        Parameters
        ----------
        link : int
        service : Service

        Returns
        -------
        bool or None
            True for a hop that is not over fibre: it has none.
        """
        return together(self.each(link, service).values()) if self.fibre[link] else True


def _known(check: float) -> bool | None:
    return None if np.isnan(check) else bool(check)


def margin_ok(margin_db: float, service: Service, at_most_db: float = float("nan")) -> bool | None:
    """Whether a link keeps the least margin of a service.

    Parameters
    ----------
    margin_db : float
        NaN where it is not known.
    service : Service
    at_most_db : float
        Upper bound of the margin.

    Returns
    -------
    bool or None
        None where neither margin nor bound decides it.
    """
    if service.min_margin_db is None:
        return True
    if not np.isnan(margin_db):
        return bool(margin_db >= service.min_margin_db)
    return False if at_most_db < service.min_margin_db else None


@dataclass(frozen=True)
class _Known:
    """A figure, the least that it can be, and what is not on record of it."""

    us: float
    at_least_us: float
    why: tuple[str, ...] = ()


@dataclass(frozen=True)
class _States:
    """The delays of every state that circuits can be in: each path, and rings turned back.

    A state is one number: paths first, then paths whose ring has turned back.
    `of_circuit` holds the states of circuits of which something is not on record, and
    `machines` and `links` what that is.
    """

    delay_us: Floats
    at_least_us: Floats
    turned_us: Floats
    turned_at_least_us: Floats
    turns: np.ndarray
    go_least_us: Floats
    return_least_us: Floats
    worst_us: Floats
    worst_least_us: Floats
    uneven_us: Floats
    of_circuit: dict[int, list[int]]
    machines: list[frozenset[str]]
    links: list[frozenset[str]]

    @classmethod
    def of(cls, delays: pd.DataFrame, circuit: np.ndarray, together_: np.ndarray) -> _States:
        """The states of every circuit.

        `delays` from `path_delays`, `circuit` of each of its paths, and per circuit whether
        both its directions switch together.
        """

        def column(name: str) -> Floats:
            return delays[name].to_numpy(dtype=np.float64)

        turned, turned_least = column("turned_us"), column("turned_at_least_us")
        turns = ~np.isnan(turned_least)
        turning = np.flatnonzero(turns)
        go, back = (np.r_[column(f"{way}_us"), turned[turning]] for way in ("go", "return"))
        go_least, back_least = (
            np.r_[column(f"{way}_at_least_us"), turned_least[turning]] for way in ("go", "return")
        )
        owner = np.r_[circuit, circuit[turning]].astype(np.int64)
        count = len(together_)
        machines, links = (delays[name].to_list() for name in ("machines_open", "links_open"))
        open_ = {
            int(circuit[path])
            for path, lacks in enumerate(zip(machines, links, strict=True))
            if any(lacks)
        }
        of_circuit: dict[int, list[int]] = {}
        for state, mine in enumerate(owner.tolist() if open_ else ()):
            if mine in open_:
                of_circuit.setdefault(mine, []).append(state)
        for path in turning.tolist():
            round_ = [one for one in of_circuit.get(int(circuit[path]), ()) if one < len(turned)]
            machines.append(frozenset())
            links.append(
                frozenset().union(*(machines[one] | links[one] for one in round_))
                if np.isnan(turned[path])
                else frozenset()
            )
        return cls(
            column("delay_us"),
            column("delay_at_least_us"),
            turned,
            turned_least,
            turns,
            go_least,
            back_least,
            worst_us(owner, np.maximum(go, back), count),
            worst_us(owner, np.nan_to_num(np.fmax(go_least, back_least)), count),
            np.round(asymmetry_us(owner, go, back, together_), DECIMALS_US),
            of_circuit,
            machines,
            links,
        )

    def worst(self, circuit: int, *, whole: bool) -> _Known:
        """The greatest delay of a circuit; `whole`: all its paths are on record."""
        mine = self.of_circuit.get(circuit, [])
        why = frozenset[str]().union(*(self.machines[one] | self.links[one] for one in mine))
        greatest = float(self.worst_us[circuit]) if whole else np.nan
        return _Known(greatest, float(self.worst_least_us[circuit]), tuple(sorted(why)))

    def asymmetry(self, circuit: int, together_: bool, *, whole: bool) -> _Known:
        """The greatest difference of the two directions over all states of a circuit.

        What both directions have in common cancels, known or not: a relay whose delay nobody
        recorded takes equally long in both directions. What is not on record of one alone may make
        their difference any greater.
        """
        mine = self.of_circuit.get(circuit)
        if mine is None:
            exact = float(self.uneven_us[circuit])
            return _Known(exact if whole else np.nan, exact)
        least, why = 0.0, frozenset[str]()
        for one in mine:
            for other in (one,) if together_ else mine:
                only_go = self.links[one] | (self.machines[one] - self.machines[other])
                only_back = self.links[other] | (self.machines[other] - self.machines[one])
                known = self.go_least_us[one] - self.return_least_us[other]
                bound = least_difference_us(known, bool(only_go), bool(only_back))
                least = np.fmax(least, float(bound))
                why |= only_go | only_back
        least = round(float(least), DECIMALS_US)
        return _Known(np.nan if why or not whole else least, least, tuple(sorted(why)))

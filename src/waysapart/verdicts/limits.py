"""Whether circuits stay within the limits of their service."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from waysapart.findings.delays import DECIMALS_US
from waysapart.formulas.delay import asymmetry_us, recovery_ms
from waysapart.gaps import GAP_CODES
from waysapart.network.assets import Floats
from waysapart.network.tie import Network
from waysapart.study.model import Gap
from waysapart.study.rules import Rules, Service


def below(value: float, limit: float | None) -> bool | None:
    """Whether a figure keeps a limit; None: the figure is not known. No limit is kept."""
    if limit is None:
        return True
    return None if np.isnan(value) else bool(value <= limit)


def together(checks: Iterable[bool | None]) -> bool | None:
    """False where any check fails, else None where any is unknown, else True."""
    found = list(checks)
    if any(check is False for check in found):
        return False
    return None if any(check is None for check in found) else True


@dataclass(frozen=True)
class Limits:
    """Figures of one circuit against its service.

    Attributes
    ----------
    path_us : dict of str to float
        Delay of each path.
    turned_us : dict of str to float
        Longest delay where a ring turns back at a failure on the path; only
        for circuits whose ring does.
    worst_us, asymmetry_us : float
        Over all states that the circuit can end up in.
    recovery_ms : float
        How long it is away while it changes over; NaN with fewer than two paths.
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
    delay_ok: bool | None = None
    asymmetry_ok: bool | None = None
    loss_ok: bool | None = None
    unavailability_ok: bool | None = None
    recovery_ok: bool | None = None
    open_: frozenset[str] = frozenset()

    @property
    def within(self) -> bool | None:
        """Whether every limit is kept; a circuit that cannot change over has no recovery time."""
        return together(
            [
                self.delay_ok,
                self.asymmetry_ok,
                self.loss_ok,
                self.unavailability_ok,
                True if np.isnan(self.recovery_ms) else self.recovery_ok,
            ]
        )


def circuit_limits(
    network: Network,
    services: list[Service],
    delays: pd.DataFrame,
    budgets: pd.DataFrame,
    all_down: np.ndarray,
    open_: list[frozenset[str]],
) -> list[Limits]:
    """Hold every circuit's delay, asymmetry, loss, recovery and unavailability to its service.

    A limit that a gap leaves open (`open_`, per circuit) may be broken but is not known to be
    kept; one that the service does not set is not asked.
    """
    paths, circuits = network.paths, network.study.tables["circuits"]
    uneven = _asymmetry(delays, paths.circuit, (circuits["switching"] == "both").to_numpy())
    delay, turned = delays["delay_us"].to_numpy(), delays["turned_us"].to_numpy()
    recovery = changeover_ms(network.study.rules)
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
        by_path = {paths.label[path]: float(delay[path]) for path in mine}
        by_turn = {
            paths.label[path]: float(turned[path]) for path in mine if not np.isnan(turned[path])
        }
        states = [*by_path.values(), *by_turn.values()]
        worst = float(np.max(states)) if states else np.nan
        away = recovery if len(mine) > 1 else np.nan
        held: dict[str, bool | None] = {
            "delay": below(worst, service.max_delay_us),
            "asymmetry": below(float(uneven[circuit]), service.max_asymmetry_us),
            "loss": together(
                holds(link, service) for path in mine for link in paths.links(path).tolist()
            ),
            "unavailability": below(float(all_down[circuit]), service.max_unavailability),
            "recovery": below(away, service.max_recovery_ms),
        }
        for name in open_[circuit] & asked_limits(service):
            held[name] = None if held[name] else held[name]
        found.append(
            Limits(
                by_path,
                by_turn,
                worst,
                float(uneven[circuit]),
                away,
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
    """Which limits the gaps that touch each circuit leave open."""
    return [
        frozenset(limit for number in mine for limit in GAP_CODES[gaps[number].code].limits)
        for mine in gaps_of
    ]


def asked_limits(service: Service) -> frozenset[str]:
    """The limits that a service sets."""
    asked = {
        "delay": service.max_delay_us,
        "asymmetry": service.max_asymmetry_us,
        "loss": service.min_margin_db,
        "unavailability": service.max_unavailability,
        "recovery": service.max_recovery_ms,
    }
    return frozenset(name for name, limit in asked.items() if limit is not None)


def changeover_ms(rules: Rules) -> float:
    """How long a circuit is away while it changes over to its other way, by the rules."""
    recovery = rules.recovery
    return float(recovery_ms(recovery.detection_ms, recovery.hold_off_ms, recovery.switching_ms))


@dataclass(frozen=True)
class LinkChecks:
    """Checks of every link that do not depend on a service: 1 kept, 0 not, NaN unknown.

    A limit that nobody states is kept: no overload on record, no bandwidth
    needed, no dispersion limit. `margin_db` is the margin at sensitivity, and
    `fibre` tells the links that have a budget.
    """

    fibre: np.ndarray
    margin_db: Floats
    overload: Floats
    bandwidth: Floats
    dispersion: Floats

    @classmethod
    def of(cls, budgets: pd.DataFrame, count: int) -> LinkChecks:
        """Checks of all links, numbered as in the links table."""
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
        """Every check of one link under a service."""
        return {
            "margin_ok": margin_ok(float(self.margin_db[link]), service),
            "overload_ok": _known(self.overload[link]),
            "bandwidth_ok": _known(self.bandwidth[link]),
            "dispersion_ok": _known(self.dispersion[link]),
        }

    def all_of(self, link: int, service: Service) -> bool | None:
        """All checks of one link together; a hop that is not over fibre has none."""
        return together(self.each(link, service).values()) if self.fibre[link] else True


def _known(check: float) -> bool | None:
    return None if np.isnan(check) else bool(check)


def margin_ok(margin_db: float, service: Service) -> bool | None:
    """Whether a link keeps the least margin; None where its budget is not on record."""
    if service.min_margin_db is None:
        return True
    return None if np.isnan(margin_db) else bool(margin_db >= service.min_margin_db)


def _asymmetry(
    delays: pd.DataFrame, circuit: np.ndarray, switches_together: np.ndarray
) -> np.ndarray:
    """Greatest difference of the two directions, NaN for circuits without a path.

    A ring that has turned back is a state like any other.
    """
    if not len(circuit):
        return np.full(len(switches_together), np.nan)
    turned = delays["turned_us"].to_numpy()
    there = ~np.isnan(turned)
    return np.round(
        asymmetry_us(
            np.r_[circuit, circuit[there]],
            np.r_[delays["go_us"].to_numpy(), turned[there]],
            np.r_[delays["return_us"].to_numpy(), turned[there]],
            switches_together,
        ),
        DECIMALS_US,
    )

"""Whether circuits stay within the limits of their service."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from waysapart.formulas.delay import asymmetry_us
from waysapart.network.tie import Network
from waysapart.study.rules import Service


def below(value: float, limit: float | None) -> bool | None:
    """Whether a figure keeps a limit; None: the figure is not known. No limit is kept."""
    if limit is None:
        return True
    return None if np.isnan(value) else bool(value <= limit)


def together(checks: list[bool | None]) -> bool | None:
    """False where any check fails, else None where any is unknown, else True."""
    if any(check is False for check in checks):
        return False
    return None if any(check is None for check in checks) else True


@dataclass(frozen=True)
class Limits:
    """Figures of one circuit against its service.

    Attributes
    ----------
    path_us : dict of str to float
    worst_us, asymmetry_us : float
    delay_ok, asymmetry_ok, loss_ok, unavailability_ok : bool or None
        None: the records give no figure.
    """

    path_us: dict[str, float] = field(default_factory=dict)
    worst_us: float = np.nan
    asymmetry_us: float = np.nan
    delay_ok: bool | None = None
    asymmetry_ok: bool | None = None
    loss_ok: bool | None = None
    unavailability_ok: bool | None = None

    @property
    def within(self) -> bool | None:
        """Whether every limit is kept."""
        return together([self.delay_ok, self.asymmetry_ok, self.loss_ok, self.unavailability_ok])


def circuit_limits(
    network: Network,
    services: list[Service],
    delays: pd.DataFrame,
    budgets: pd.DataFrame,
    all_down: np.ndarray,
) -> list[Limits]:
    """Hold every circuit's delay, asymmetry, loss and unavailability against its service."""
    paths, circuits = network.paths, network.study.tables["circuits"]
    together_ = (circuits["switching"] == "both").to_numpy()
    go, back = delays["go_us"].to_numpy(), delays["return_us"].to_numpy()
    uneven = _asymmetry(paths.circuit, go, back, together_)
    margin = budgets.set_index("link")["margin_db"]
    delay = delays["delay_us"].to_numpy()
    found = []
    for circuit, service in enumerate(services):
        mine = paths.of_circuit(circuit)
        by_path = {paths.label[path]: float(delay[path]) for path in mine}
        known = np.array(list(by_path.values()))
        worst = float(known.max()) if len(known) else np.nan
        checks = [
            margin_ok(float(margin[link]), service)
            for path in mine
            for link in paths.links(path).tolist()
            if link in margin.index
        ]
        found.append(
            Limits(
                by_path,
                worst,
                float(uneven[circuit]),
                below(worst, service.max_delay_us),
                below(float(uneven[circuit]), service.max_asymmetry_us),
                together(checks),
                below(float(all_down[circuit]), service.max_unavailability),
            )
        )
    return found


def margin_ok(margin_db: float, service: Service) -> bool | None:
    """Whether a link keeps the least margin; None where its budget is not on record."""
    if service.min_margin_db is None:
        return True
    return None if np.isnan(margin_db) else bool(margin_db >= service.min_margin_db)


def _asymmetry(
    circuit: np.ndarray, go: np.ndarray, back: np.ndarray, switches_together: np.ndarray
) -> np.ndarray:
    """Greatest difference of the two directions, NaN for circuits without a path."""
    if not len(circuit):
        return np.full(len(switches_together), np.nan)
    return np.asarray(asymmetry_us(circuit, go, back, switches_together))

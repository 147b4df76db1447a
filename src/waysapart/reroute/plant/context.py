"""The figures, gaps and cables of a study that every search needs, computed once."""

from __future__ import annotations

from collections.abc import Collection, Iterable
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd
import scipy.sparse as sp

from waysapart.arrays import Bools, Floats, Ints, boolean
from waysapart.findings.delays import link_delays
from waysapart.findings.outages import MOST_SHARE, asset_failures, hop_unavailability
from waysapart.formulas.availability import unavailability
from waysapart.formulas.delay import LIGHT_M_PER_US
from waysapart.gaps import Gap
from waysapart.network.build_network import Network
from waysapart.network.record_gaps import assumed_delay_us
from waysapart.reliance.rely import Reliance, falls
from waysapart.reroute.plant.cable_sections import PASSIVE_DB, Stretches, cut_stretches
from waysapart.study.model import Study
from waysapart.verdicts.limits import LinkChecks
from waysapart.verdicts.prove import Proof

_OPTICS = (
    "wavelength_nm",
    "tx_min_dbm",
    "tx_max_dbm",
    "rx_min_dbm",
    "rx_max_dbm",
    "reserve_db",
    "bandwidth_mhz",
    "dispersion_limit_ps_nm",
)


@dataclass(frozen=True, order=True)
class Optics:
    """The optical interface of a link on record; NaN figures stand as None."""

    wavelength_nm: float | None
    tx_min_dbm: float | None
    tx_max_dbm: float | None
    rx_min_dbm: float | None
    rx_max_dbm: float | None
    reserve_db: float | None
    bandwidth_mhz: float | None
    dispersion_limit_ps_nm: float | None

    @property
    def budget_db(self) -> float | None:
        """Least launched power over sensitivity; None where one is not on record."""
        if self.tx_min_dbm is None or self.rx_min_dbm is None:
            return None
        return self.tx_min_dbm - self.rx_min_dbm


@dataclass(frozen=True)
class Ground:
    """A proved study made ready for searches.

    Attributes
    ----------
    proof : Proof
    stretches : Stretches
    waves : list of float
        Wavelengths of `stretches`.
    optics : list of Optics
        Per link; meaningless for hops without fibre.
    checks : LinkChecks
    delay_us, length_m, loss_db : ndarray of float
        Per link; the worse direction. A link whose delay is on record and whose
        length is not has the length that its delay implies. Loss is that of today, without the
        reserves for repairs and ageing.
    splices : ndarray of int
        Per link.
    gap_of : dict of int to str
        Column to the code of its gap.
    down : ndarray of bool
        Per asset, out of service now.
    """

    proof: Proof
    stretches: Stretches
    waves: list[float]
    optics: list[Optics]
    checks: LinkChecks
    delay_us: Floats
    length_m: Floats
    loss_db: Floats
    splices: Ints
    gap_of: dict[int, str]
    down: Bools

    @property
    def network(self) -> Network:
        """The tied study."""
        return self.proof.network

    @property
    def reliance(self) -> Reliance:
        """Who relies on what."""
        return self.proof.reliance

    @property
    def study(self) -> Study:
        """The study."""
        return self.proof.study

    @cached_property
    def names(self) -> np.ndarray:
        """Ids of all columns: assets, then links."""
        links = self.study.tables["links"]["id"].to_numpy(dtype=object)
        assets = self.network.assets.frame["id"].to_numpy(dtype=object)
        return np.concatenate([assets, links])

    @cached_property
    def links(self) -> pd.DataFrame:
        """Asset numbers of both ends of every link, and whether it is over fibre."""
        table, assets = self.study.tables["links"], self.network.assets
        return pd.DataFrame(
            {
                "a": assets.numbers(table["a"]),
                "b": assets.numbers(table["b"]),
                "fibre": (table["medium"].fillna("fibre") == "fibre").to_numpy(),
            }
        )

    @cached_property
    def site_of(self) -> dict[int, int]:
        """Equipment to its site, as asset numbers."""
        assets, equipment = self.network.assets, self.study.tables["equipment"]
        start = assets.start["equipment"]
        return dict(enumerate(assets.numbers(equipment["site"]).tolist(), start))

    @cached_property
    def equipment_us(self) -> dict[int, float]:
        """One-way delay through every piece of equipment; 0 where it is not on record.

        0 is its lower bound: what a limit rules out with it stays ruled out. Paths over
        equipment whose delay is a gap are left out of searches, but for the two ends, and the
        prover has the last word on those.
        """
        start = self.network.assets.start["equipment"]
        return dict(enumerate(np.nan_to_num(assumed_delay_us(self.study)).tolist(), start))

    @cached_property
    def relays(self) -> frozenset[int]:
        """Relays: equipment through which no path leads."""
        start = self.network.assets.start["equipment"]
        kinds = self.study.tables["equipment"]["kind"]
        return frozenset((start + np.flatnonzero((kinds == "relay").to_numpy())).tolist())

    @cached_property
    def down_time(self) -> Floats:
        """Minus the logarithm of the part of the time that an asset works; adds up along a path.

        Assets, and behind them links by what they state of themselves. What has no rate adds
        nothing.
        """
        per_year, repair_h = asset_failures(self.network)
        share = unavailability(np.nan_to_num(per_year), repair_h)
        every = np.minimum(np.r_[share, hop_unavailability(self.network)], MOST_SHARE)
        return np.asarray(-np.log1p(-every), dtype=np.float64)


def ground_of(proof: Proof, opened: Collection[int] = (), entries: Collection[int] = ()) -> Ground:
    """Cut cables into stretches and gather the figures of links.

    Parameters
    ----------
    proof : Proof
    opened : collection of int
        Asset numbers of structures where cables may be cut as well.
    entries : collection of int
        Asset numbers of new structures: cables that end there are led into the site.

    Returns
    -------
    Ground
    """
    network = proof.network
    links = network.study.tables["links"]
    values = links[list(_OPTICS)].to_numpy(dtype=np.float64).tolist()
    optics = [Optics(*(None if np.isnan(v) else v for v in row)) for row in values]
    fibre = (links["medium"].fillna("fibre") == "fibre").to_numpy()
    waves = sorted(
        {
            one.wavelength_nm
            for one, is_fibre in zip(optics, fibre, strict=True)
            if is_fibre and one.wavelength_nm is not None
        }
    )
    delays = link_delays(network)
    delay_us = np.maximum(*(delays[way].to_numpy(np.float64) for way in ("go_us", "return_us")))
    length_m = np.fmax(network.lengths.go_m, network.lengths.return_m)
    budgets = proof.link_budgets.set_index("link").reindex(np.arange(len(links)))
    out = network.assets.numbers(network.study.out)
    event = boolean(np.zeros(len(out), np.int64), out, (1, len(network.assets)))
    down = np.zeros(len(network.assets), dtype=bool)
    down[falls(proof.reliance, event).indices] = True
    return Ground(
        proof,
        # Without a wavelength on record no new link can be made; cables are cut all the same.
        cut_stretches(proof.reliance, waves or [_ANY_NM], opened, entries),
        waves,
        optics,
        LinkChecks.of(proof.link_budgets, len(links)),
        delay_us,
        np.where(np.isnan(length_m), delay_us * LIGHT_M_PER_US / _index(network), length_m),
        budgets[[*PASSIVE_DB, "via_db"]].sum(axis=1).to_numpy(dtype=np.float64),
        np.nan_to_num(budgets["splices"].to_numpy(dtype=np.float64)).astype(np.int64),
        _gaps(network, proof.record_gaps),
        down,
    )


def _index(network: Network) -> Floats:
    """Group index of every link's medium."""
    media = network.study.tables["links"]["medium"].fillna("fibre")
    known = {name: one.group_index for name, one in network.study.rules.media.items()}
    return np.asarray(media.map(known).to_numpy(dtype=np.float64))


_ANY_NM = 1310.0
"""At which stretches are measured where no link is on record that a new one could be like."""
_ESTIMATED = ("joints-unrecorded",)
"""Gaps that leave an estimate in place of a figure; searches use it."""


def _gaps(network: Network, gaps: Iterable[Gap]) -> dict[int, str]:
    """The code of a gap by the column that it is about."""
    links = pd.Index(network.study.tables["links"]["id"])
    found: dict[int, str] = {}
    for gap in gaps:
        if gap.code in _ESTIMATED:
            continue
        for number in network.assets.numbers(gap.assets) if gap.assets else ():
            found.setdefault(int(number), gap.code)
        for number in links.get_indexer(pd.Index(gap.links)) if gap.links else ():
            found.setdefault(len(network.assets) + int(number), gap.code)
    found.pop(-1, None)
    return found


def rows_hitting(rows: sp.csr_array, columns: Bools) -> Bools:
    """Rows with an entry in any of some columns.

    Parameters
    ----------
    rows : csr_array of bool, shape (n, m)
    columns : ndarray of bool, shape (m,)

    Returns
    -------
    ndarray of bool, shape (n,)
    """
    return np.asarray(rows @ columns, dtype=bool)

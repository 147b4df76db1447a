"""Bandwidth and dispersion of every link, and how much longer it could be by each limit."""

from __future__ import annotations

import numpy as np
import pandas as pd

from waysapart.arrays import Bools, Floats
from waysapart.findings.glass import Glass
from waysapart.formulas.fibre import binding_limit, link_dispersion_ps_nm
from waysapart.formulas.margin import extra_length_m
from waysapart.network.tie import Network


def reach_columns(network: Network, glass: Glass, counts: Bools) -> pd.DataFrame:
    """What else than loss limits a link, one row per link.

    Returns
    -------
    DataFrame
        `bandwidth_mhz` (modal, what is left at the end; infinite for fibre of
        length 0) and `bandwidth_needed_mhz`; `dispersion_ps_nm` (chromatic,
        greatest) and `dispersion_limit_ps_nm`; `multimode` (some of its fibre
        has a modal bandwidth); `fibre_type` (types on record, `;` between). Of the
        longest cable, which is the one that is thought of as longer:
        `longest_m`, `longest_db_per_km`, `longest_reel_m`, `longest_dispersion`,
        `longest_bandwidth`. NaN where the catalogue has no value.
    """
    links = network.study.tables["links"]
    count = len(links)
    rows = np.flatnonzero(counts)
    link = network.pieces.link[rows]
    with np.errstate(divide="ignore"):
        per_mhz = glass.fibre_m[rows] / 1000 / glass.bandwidth[rows]
        bandwidth = 1 / np.bincount(link, per_mhz, count)
    known = np.bincount(link, ~np.isnan(glass.bandwidth[rows]), count) > 0
    dispersion = np.bincount(
        link, link_dispersion_ps_nm(glass.fibre_m[rows], glass.dispersion[rows]), count
    )
    none = np.bincount(link, minlength=count) == 0
    frame = pd.DataFrame(
        {
            "bandwidth_mhz": np.where(none, np.nan, bandwidth),
            "bandwidth_needed_mhz": links["bandwidth_mhz"].to_numpy(dtype=np.float64),
            "dispersion_ps_nm": np.where(none, np.nan, dispersion),
            "dispersion_limit_ps_nm": links["dispersion_limit_ps_nm"].to_numpy(dtype=np.float64),
            "multimode": known,
            "fibre_type": _types(link, glass.type[rows], count),
        }
    )
    order = rows[np.lexsort((-np.nan_to_num(glass.fibre_m[rows]), link))]
    first = np.unique(network.pieces.link[order], return_index=True)
    longest = np.full(count, -1)
    longest[first[0]] = order[first[1]]
    there = longest >= 0
    for name, values in (
        ("longest_m", glass.fibre_m),
        ("longest_db_per_km", glass.db_per_km),
        ("longest_reel_m", glass.reel_m),
        ("longest_dispersion", glass.dispersion),
        ("longest_bandwidth", glass.bandwidth),
    ):
        column = np.full(count, np.nan)
        column[there] = values[longest[there]]
        frame[name] = column
    return frame


def _types(link: np.ndarray, types: np.ndarray, count: int) -> list[str]:
    """Types of fibre of every link, `;` between; '' where none is on record."""
    found: list[list[str]] = [[] for _ in range(count)]
    pairs = pd.DataFrame({"link": link, "type": types}).drop_duplicates()
    pairs = pairs[pairs["type"] != ""]
    for number, name in pairs.sort_values(["link", "type"]).itertuples(index=False):
        found[number].append(name)
    return [";".join(names) for names in found]


def could_grow_m(
    budgets: pd.DataFrame, least_margin_db: Floats, splice_db: float, repair_db_per_km: Floats
) -> pd.DataFrame:
    """How much longer each link could be, if its longest cable were longer.

    Parameters
    ----------
    budgets : DataFrame
        Rows of `loss_budgets`.
    least_margin_db : ndarray of float
        What must be left of the margin, per row.
    splice_db : float
        Loss of the splice that a further reel brings.
    repair_db_per_km : ndarray of float
        Repair allowance that grows with length, per row.

    Returns
    -------
    DataFrame
        `by_loss_m`, `by_bandwidth_m`, `by_dispersion_m`: metres more (below 0:
        too long already by so much; NaN where unknown or without a limit),
        `could_grow_m` the least of them, and `binds` which it is ('' for none).
    """
    by_loss = extra_length_m(
        budgets["margin_db"].to_numpy() - least_margin_db,
        budgets["longest_m"],
        budgets["longest_db_per_km"].to_numpy() + repair_db_per_km,
        splice_db,
        budgets["longest_reel_m"],
    )
    with np.errstate(divide="ignore", invalid="ignore"):
        spare = 1 / budgets["bandwidth_needed_mhz"] - 1 / budgets["bandwidth_mhz"]
        by_bandwidth = (spare * budgets["longest_bandwidth"] * 1000).to_numpy(dtype=np.float64)
        left = budgets["dispersion_limit_ps_nm"] - budgets["dispersion_ps_nm"]
        by_dispersion = (left / budgets["longest_dispersion"] * 1000).to_numpy(dtype=np.float64)
    least, binds = binding_limit(by_loss, by_bandwidth, by_dispersion)
    return pd.DataFrame(
        {
            "by_loss_m": by_loss,
            "by_bandwidth_m": by_bandwidth,
            "by_dispersion_m": by_dispersion,
            "could_grow_m": least,
            "binds": binds,
        },
        index=budgets.index,
    )

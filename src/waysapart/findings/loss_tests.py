"""Measured losses: of links end to end, and of cables in their place."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from waysapart.network.assets import Floats, listed
from waysapart.network.measurements import NO_FIBRE, fibre_means, newest_tests
from waysapart.network.tie import Network


@dataclass(frozen=True)
class Measured:
    """Losses by test, and whether every fibre in use was tested.

    `loss_db` is the greatest of the fibres', NaN where none was; where
    `complete` is False the untested fibres may lose more.
    """

    loss_db: Floats
    complete: np.ndarray


def fibres_in_use(network: Network) -> pd.DataFrame:
    """Every fibre that a link uses: `link`, `cable`, `fibre` (`NO_FIBRE`: not recorded), `way`."""
    study = network.study
    runs = study.tables["link_runs"]
    link = pd.Index(study.tables["links"]["id"]).get_indexer(pd.Index(runs["link"]))
    cable = pd.Index(study.tables["cables"]["id"]).get_indexer(pd.Index(runs["cable"]))
    row, number = listed(runs["fibres"])
    blank = np.flatnonzero(runs["fibres"].isna().to_numpy())
    rows = np.r_[row, blank]
    fibre = np.r_[number.to_numpy(dtype=np.float64), np.full(len(blank), float(NO_FIBRE))]
    frame = pd.DataFrame(
        {
            "link": link[rows],
            "cable": cable[rows],
            "fibre": fibre.astype(np.int64),
            "way": runs["direction"].fillna("").to_numpy()[rows],
        }
    )
    known = frame[(frame["link"] >= 0) & (frame["cable"] >= 0)]
    return known.drop_duplicates().sort_values(["link", "cable", "fibre", "way"], ignore_index=True)


def link_losses(network: Network) -> Measured:
    """Measured loss of every link at the wavelength that it works at."""
    links = network.study.tables["links"]
    tests = newest_tests(network.study, "links", "loss_db")
    works_at = links["wavelength_nm"].to_numpy(dtype=np.float64)
    means = fibre_means(_near(network, tests, works_at[tests["owner"].to_numpy()]))
    used = fibres_in_use(network)
    per_run = used.groupby(["link", "cable", "way"])["fibre"].nunique().groupby(["link", "way"])
    needed = np.zeros(len(links))
    fibres = per_run.max().groupby("link").sum()
    needed[fibres.index.to_numpy(dtype=np.int64)] = fibres.to_numpy(dtype=np.float64)
    return _greatest(means["owner"], means["fibre"], means["value"], needed)


def cable_losses(network: Network) -> Measured:
    """Measured loss of every stretch of every link that is a whole cable.

    Shape (pieces,). A cable's test counts for the links that use the tested
    fibres at about the tested wavelength.
    """
    pieces, parts = network.pieces, network.parts
    count = len(pieces.link)
    tests = newest_tests(network.study, "cables", "loss_db")
    if not len(tests):
        return Measured(np.full(count, np.nan), np.zeros(count, dtype=bool))
    works_at = network.study.tables["links"]["wavelength_nm"].to_numpy(dtype=np.float64)
    whole = pd.DataFrame(
        {
            "piece": np.arange(count),
            "link": pieces.link,
            "cable": parts.cable[pieces.part],
            "whole": parts.whole[pieces.part],
        }
    )
    whole = whole[whole["whole"] & whole["cable"].isin(tests["owner"])]
    used = fibres_in_use(network)[["link", "cable", "fibre"]].drop_duplicates()
    pairs = whole.merge(used, on=["link", "cable"]).merge(
        tests, left_on="cable", right_on="owner", suffixes=("", "_tested")
    )
    pairs = pairs[(pairs["fibre_tested"] == NO_FIBRE) | (pairs["fibre_tested"] == pairs["fibre"])]
    pairs = _near(network, pairs, works_at[pairs["link"].to_numpy()])
    pairs["owner"] = pairs["piece"]
    means = fibre_means(pairs)
    needed = np.full(count, np.inf)
    fibres = whole.merge(used, on=["link", "cable"]).groupby("piece")["fibre"].nunique()
    needed[fibres.index.to_numpy(dtype=np.int64)] = fibres.to_numpy(dtype=np.float64)
    return _greatest(means["owner"], means["fibre"], means["value"], needed)


def _near(network: Network, tests: pd.DataFrame, works_at_nm: Floats) -> pd.DataFrame:
    """The tests at about the wavelength that their link works at; a blank one counts."""
    away = np.abs(tests["wavelength_nm"].to_numpy(dtype=np.float64) - works_at_nm)
    near = ~(away > network.study.rules.defaults.wavelength_tolerance_nm)
    return tests[near].reset_index(drop=True)


def _greatest(
    owner: pd.Series[int], fibre: pd.Series[int], value: pd.Series[float], needed: Floats
) -> Measured:
    count = len(needed)
    number = owner.to_numpy(dtype=np.int64)
    loss = np.full(count, -np.inf)
    np.maximum.at(loss, number, value.to_numpy(dtype=np.float64))
    of_all = np.bincount(number[(fibre == NO_FIBRE).to_numpy()], minlength=count) > 0
    tested = np.bincount(number, minlength=count)
    found = np.where(np.isneginf(loss), np.nan, loss)
    return Measured(found, ~np.isnan(found) & (of_all | (tested >= needed)))

"""Optical loss of every link, term by term, worst case and statistical, and its margins."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pandas as pd

from waysapart.findings.glass import Glass, glass_of
from waysapart.findings.length_terms import length_terms
from waysapart.findings.loss_tests import Measured, cable_losses, link_losses
from waysapart.findings.reach import reach_columns
from waysapart.formulas.loss import (
    ESTIMATE,
    JOINTS,
    fibre_loss_db,
    fibre_variance_db2,
    items_variance_db2,
    least_loss_db,
    reel_splices,
    repair_allowance_db,
    splice_count,
    splice_loss_db,
    statistical_db,
    worst_case_db,
)
from waysapart.formulas.margin import (
    attenuator_db,
    overload_margin_db,
    power_budget_db,
    sensitivity_margin_db,
)
from waysapart.network.assets import Bools, Floats, Ints, listed
from waysapart.network.links import BOTH, GO, RETURN
from waysapart.network.tie import Network
from waysapart.reliance.rely import Reliance

DECIMALS_DB = 4
"""Terms are rounded to this before they are added, so that the sum shown can be
done again by hand."""
_Total = Callable[[Floats | Ints | Bools], Floats]
TERMS = (
    "fibre_db",
    "splices_db",
    "connectors_db",
    "via_db",
    "test_db",
    "repair_db",
    "reserve_db",
)
"""What `loss_db` is the sum of."""


def loss_budgets(reliance: Reliance) -> pd.DataFrame:
    """One row per link over fibre: the terms of its loss and its margins.

    Returns
    -------
    DataFrame
        `link` (number), `wavelength_nm`, `fibre_m`, `fibre_db`, `splices`,
        `splices_from` (given, joints or estimate), `splices_db`, `connectors`,
        `connectors_db`, `via_db`, `test_db` (what tests add to the computed
        loss), `measured_db` (loss of the link by its own test) beside
        `computed_db` and `computed_least_db` (greatest and least without it), `repair_db`,
        `reserve_db`, `loss_db` (sum of `TERMS`, the worst case), `budget_db`,
        `margin_db`; `mean_db`, `sigma_db`, `statistical_db`,
        `statistical_margin_db`; `least_db`, `overload_margin_db`,
        `attenuator_db`, `attenuator_most_db`; the powers on record; and the
        columns of `waysapart.findings.reach`. Where go and return differ, the
        worse of the two. NaN where the records give no figure.
    """
    network = reliance.network
    links, rules = network.study.tables["links"], network.study.rules
    count = len(links)
    glass = glass_of(network)
    piece_db = fibre_loss_db(glass.fibre_m, glass.db_per_km)
    counts = worse_way(network, piece_db)
    factor = _by_link_test(network, counts)
    link = network.pieces.link

    def total(values: Floats | Ints | Bools) -> Floats:
        chosen = np.asarray(values, dtype=np.float64)[counts]
        return np.bincount(link[counts], chosen, count).astype(np.float64)

    two_ways = np.bincount(link, network.pieces.way != BOTH, count) > 0
    fibre_m, fibre_db = total(glass.fibre_m) * factor, total(piece_db) * factor
    splices = _splices(reliance, glass, total)
    connectors = links["connectors"].fillna(rules.defaults.connectors).to_numpy(dtype=np.float64)
    via_db = links["loss_db"].fillna(0.0).to_numpy(dtype=np.float64)
    frame = pd.DataFrame(
        {
            "link": np.arange(count),
            "wavelength_nm": links["wavelength_nm"].to_numpy(dtype=np.float64),
            "fibre_m": np.where(two_ways, fibre_m, length_terms(network)["length_m"]),
            "fibre_db": fibre_db,
            "splices": splices["count"],
            "splices_from": splices["basis"],
            "splices_db": splices["db"],
            "connectors": connectors,
            "connectors_db": connectors * rules.defaults.connector_db,
            "via_db": via_db,
            **_reserve(network, fibre_m),
        }
    ).round(DECIMALS_DB)
    of_cables, of_links = cable_losses(network), link_losses(network)
    within_db = _internal_splices_db(reliance, glass, splices["basis"])
    tested = _tested(frame, total, piece_db, within_db, of_cables, of_links)
    frame = frame.join(tested)
    frame["loss_db"] = worst_case_db(*(frame[term] for term in TERMS))
    mean, variance = _spread(network, glass, splices, connectors, total, factor, of_cables)
    known = of_links.complete
    k = rules.statistics.k
    frame["computed_least_db"] = np.round(least_loss_db(mean + via_db, variance, k), DECIMALS_DB)
    _add_margins(
        frame,
        links,
        np.where(known, of_links.loss_db, mean + via_db),
        np.where(known, 0.0, variance),
        k,
    )
    columns = reach_columns(network, glass, counts)
    over_fibre = (links["medium"].fillna("fibre") == "fibre").to_numpy() & (
        total(np.ones(len(link))) > 0
    )
    return frame.join(columns)[over_fibre].reset_index(drop=True)


def worse_way(network: Network, piece_db: Floats) -> Bools:
    """The stretches that count: those of both ways, and of go or return what loses more light."""
    pieces = network.pieces
    count = len(network.study.tables["links"])
    go, back = (
        np.bincount(pieces.link[pieces.way == way], piece_db[pieces.way == way], count)
        for way in (GO, RETURN)
    )
    worse = np.where(back > go, RETURN, GO)
    return np.asarray((pieces.way == BOTH) | (pieces.way == worse[pieces.link]))


def _by_link_test(network: Network, counts: Bools) -> Floats:
    """Length of every link by its own test over what its cables add up to."""
    pieces, lengths = network.pieces, network.lengths
    returns = np.zeros(len(lengths.go_m), dtype=bool)
    returns[pieces.link[counts & (pieces.way == RETURN)]] = True
    measured = np.where(returns, lengths.return_m, lengths.go_m)
    added = np.where(returns, lengths.by_cables_return_m, lengths.by_cables_go_m)
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.where(measured == added, 1.0, measured / added)


def _splices(reliance: Reliance, glass: Glass, total: _Total) -> dict[str, np.ndarray]:
    """Number of splices per link, on what it rests, and their loss."""
    network = reliance.network
    rules = network.study.rules
    joints, measured, measured_db = _joints(reliance)
    stretches = total(np.ones(len(glass.fibre_m)))
    number, basis = splice_count(
        network.study.tables["links"]["splices"],
        joints,
        np.maximum(stretches - 1, 0),
        total(reel_splices(glass.fibre_m, glass.reel_m)),
    )
    return {
        "count": number,
        "basis": basis,
        "db": splice_loss_db(number, basis, rules.defaults.splice_db, measured, measured_db),
        "own": np.where(basis == JOINTS, measured, 0.0),
        "own_db": np.where(basis == JOINTS, measured_db, 0.0),
    }


def _reserve(network: Network, fibre_m: Floats) -> dict[str, Floats]:
    """What is kept for later: the link's own reserve, or repairs and ageing by the rules."""
    rules = network.study.rules
    own = network.study.tables["links"]["reserve_db"].to_numpy(dtype=np.float64)
    keep = rules.reserve
    repair = repair_allowance_db(
        fibre_m, keep.repair_splices_per_km_year, keep.repair_years, rules.defaults.splice_db
    )
    blank = np.isnan(own)
    return {
        "repair_db": np.where(blank, repair, 0.0),
        "reserve_db": np.where(blank, keep.ageing_db, own),
    }


def _internal_splices_db(reliance: Reliance, glass: Glass, basis: np.ndarray) -> Floats:
    """Computed loss of the splices within each stretch, which a test of its cable contains.

    Shape (pieces,): by its reels where the link's splices are an estimate; by
    the joints that join a cable to itself where they are the joints; not known
    where the link states a number.
    """
    network = reliance.network
    splice_db = network.study.rules.defaults.splice_db
    link = network.pieces.link
    reels = reel_splices(glass.fibre_m, glass.reel_m) * splice_db
    joints = network.study.tables["joints"]
    row, name = listed(joints["cables"])
    cable = network.assets.numbers(name) - network.assets.start["cables"]
    alone = np.bincount(row, minlength=len(joints))[row] == 1
    loss = joints["loss_db"].fillna(splice_db).to_numpy(dtype=np.float64)
    per_cable = np.bincount(
        cable[alone], loss[row[alone]], len(network.study.tables["cables"])
    ).astype(np.float64)
    own = per_cable[network.parts.cable[network.pieces.part]] if len(per_cable) else reels
    by = basis[link]
    return np.where(by == ESTIMATE, reels, np.where(by == JOINTS, own, 0.0))


def _tested(
    frame: pd.DataFrame,
    total: _Total,
    piece_db: Floats,
    within_db: Floats,
    of_cables: Measured,
    of_links: Measured,
) -> pd.DataFrame:
    """What tests add to the computed loss, and the loss of the links tested end to end.

    A test counts in full where every fibre in use was tested, else only if it
    found more than was computed.
    """
    more = of_cables.loss_db - piece_db - within_db
    more = np.where(of_cables.complete, more, np.maximum(more, 0.0))
    by_cables = total(np.nan_to_num(more))
    passive = frame[["fibre_db", "splices_db", "connectors_db", "via_db"]].sum(axis=1, skipna=False)
    computed = passive.to_numpy() + by_cables
    beyond = of_links.loss_db - passive.to_numpy()
    whole = np.where(of_links.complete, beyond, np.maximum(beyond, by_cables))
    unmeasured = np.isnan(of_links.loss_db)
    found = pd.DataFrame(
        {
            "test_db": np.where(unmeasured, by_cables, whole),
            "measured_db": of_links.loss_db,
            "computed_db": computed,
        }
    )
    return found.round(DECIMALS_DB)


def _spread(
    network: Network,
    glass: Glass,
    splices: dict[str, np.ndarray],
    connectors: Floats,
    total: _Total,
    factor: Floats,
    of_cables: Measured,
) -> tuple[Floats, Floats]:
    """Mean and variance of what fibre, splices and connectors of every link lose.

    A loss that was measured does not vary.
    """
    vary = network.study.rules.statistics
    tested = of_cables.complete
    mean_db = fibre_loss_db(glass.fibre_m, glass.mean_db_per_km)
    variance = fibre_variance_db2(glass.fibre_m, glass.reel_m, vary.fibre_sigma_db_per_km)
    others = splices["count"] - splices["own"]
    return (
        total(np.where(tested, of_cables.loss_db, mean_db)) * factor
        + others * vary.splice_mean_db
        + splices["own_db"]
        + connectors * vary.connector_mean_db,
        total(np.where(tested, 0.0, variance)) * factor**2
        + items_variance_db2(others, vary.splice_sigma_db)
        + items_variance_db2(connectors, vary.connector_sigma_db),
    )


def _add_margins(
    frame: pd.DataFrame, links: pd.DataFrame, mean_db: Floats, variance: Floats, k: float
) -> None:
    """Margins from powers on record; `mean_db` is what is lost on the first day."""
    kept = frame[["repair_db", "reserve_db"]].sum(axis=1).to_numpy()
    tx_min, tx_max, rx_min, rx_max = (
        links[name].to_numpy(dtype=np.float64)
        for name in ("tx_min_dbm", "tx_max_dbm", "rx_min_dbm", "rx_max_dbm")
    )
    loss = frame["loss_db"].round(DECIMALS_DB).to_numpy()
    likely = statistical_db(mean_db + kept, variance, k, loss)
    least = least_loss_db(mean_db, variance, k)
    overload = overload_margin_db(tx_max, rx_max, least)
    margin = sensitivity_margin_db(tx_min, rx_min, loss)
    needed, most = attenuator_db(overload, margin)
    columns = {
        "tx_min_dbm": tx_min,
        "tx_max_dbm": tx_max,
        "rx_min_dbm": rx_min,
        "rx_max_dbm": rx_max,
        "loss_db": loss,
        "budget_db": power_budget_db(tx_min, rx_min),
        "margin_db": margin,
        "mean_db": mean_db + kept,
        "sigma_db": np.sqrt(variance),
        "statistical_db": likely,
        "statistical_margin_db": sensitivity_margin_db(tx_min, rx_min, likely),
        "least_db": least,
        "overload_margin_db": overload,
        "attenuator_db": needed,
        "attenuator_most_db": most,
    }
    for name, values in columns.items():
        frame[name] = np.round(values, DECIMALS_DB)


def _joints(reliance: Reliance) -> tuple[Floats, Floats, Floats]:
    """Joints that each link passes; how many have a loss on record, and its sum in dB."""
    network = reliance.network
    mine = reliance.link_items[:, network.assets.of_role("joints")].astype(np.float64)
    loss = network.study.tables["joints"]["loss_db"].to_numpy(dtype=np.float64)
    ones = np.ones(len(loss))
    return (
        np.asarray(mine @ ones).ravel(),
        np.asarray(mine @ (~np.isnan(loss)).astype(np.float64)).ravel(),
        np.asarray(mine @ np.nan_to_num(loss)).ravel(),
    )

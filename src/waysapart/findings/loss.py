"""Optical loss of every link, term by term: worst case, statistical and least, with its margins.

Each term is rounded before it is added, so that the sums can be checked by hand. The same holds
for the terms of a link's length. Bandwidth and dispersion limit a link besides loss: together they
give the length by which it could grow.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass

import numpy as np
import pandas as pd

from waysapart.arrays import Bools, Floats, Ints
from waysapart.findings.fibre_types import Glass, glass_of
from waysapart.formulas.fibre import binding_limit, link_dispersion_ps_nm
from waysapart.formulas.loss import (
    GIVEN,
    attenuator_db,
    extra_length_m,
    fibre_loss_db,
    fibre_variance_db2,
    items_variance_db2,
    least_loss_db,
    overload_margin_db,
    power_budget_db,
    repair_allowance_db,
    sensitivity_margin_db,
    splice_count,
    splice_loss_db,
    statistical_db,
)
from waysapart.network.build_network import Network
from waysapart.network.fibres import core_steps
from waysapart.network.links import BOTH, GO, RETURN
from waysapart.network.measurements import Measured, cable_losses, link_losses
from waysapart.network.splices import NOWHERE

DECIMALS_DB = 4
"""Terms are rounded to this before they are added, so that the sum shown can be
done again by hand."""
_Total = Callable[[Floats | Ints | Bools], Floats]
_PASSIVE = ("fibre_db", "splices_db", "connectors_db", "mismatch_db", "via_db")
"""Terms that a measurement of the whole link includes."""
TERMS = (*_PASSIVE, "test_db", "repair_db", "reserve_db")
"""What `loss_db` is the sum of."""


def loss_budgets(network: Network) -> pd.DataFrame:
    """Compute the terms of the loss and the margins of every link over fibre.

    Parameters
    ----------
    network : Network

    Returns
    -------
    DataFrame
        One row per link over fibre: `link` (number), `wavelength_nm`, `fibre_m`, `fibre_db`,
        `splices`, `splices_from` (see `waysapart.formulas.loss.splice_count`), `splices_db`,
        `connectors`, `connectors_db`, `mismatch_db` (steps into a smaller core), `via_db`,
        `test_db` (what measurements add to the computed loss), `repair_db`, `reserve_db`, `loss_db`
        (sum of `TERMS`, the worst case), `budget_db`, `margin_db`; `mean_db`, `sigma_db`,
        `statistical_db`, `statistical_margin_db`; `least_db` (of the first day, for the overload),
        `overload_margin_db`, `attenuator_db`, `attenuator_most_db`; the powers on record; and the
        columns of `_reach_columns`.

    Notes
    -----
    `measured_db` and `measured_least_db` are the greatest and least loss that measurements of the
    link itself found, `computed_db` and `computed_least_db` what the records give without them.

    Where something that `loss_db` needs is not on record it is NaN, and so is the margin;
    `loss_at_least_db` is then the sum of all that is known, and `margin_at_most_db` the margin
    that this leaves. What is missing stands in `lacks_length` (bool), and as text, `;` between, in
    `lacks_type` (cables), `lacks_attenuation` (types of fibre) and `lacks_step` (pairs of cables).
    A term that a measurement covers may be NaN where `loss_db` is not.

    Where go and return differ, the worst case and the terms are those of the direction that loses
    more, and `least_db` is of the one that loses less.
    """
    links, rules = network.study.tables["links"], network.study.rules
    count, k = len(links), rules.statistics.k
    glass = glass_of(network)
    of_links = link_losses(network.study)
    of_cables = cable_losses(network.study, network.parts, network.pieces)
    steps = core_steps(network.study, network.parts, network.pieces)
    go, back = (_direction(network, glass, of_cables, steps, way) for way in (GO, RETURN))
    returns = np.where(go.lacks == back.lacks, back.floor_db > go.floor_db, back.lacks)
    row = np.arange(count) + count * returns
    frame = pd.concat([go.terms, back.terms]).iloc[row].reset_index(drop=True)
    frame.insert(0, "link", np.arange(count))
    frame.insert(1, "wavelength_nm", links["wavelength_nm"].to_numpy(dtype=np.float64))
    two_ways = np.bincount(network.pieces.link, network.pieces.way != BOTH, count) > 0
    frame["fibre_m"] = np.where(two_ways, frame["fibre_m"], length_terms(network)["length_m"])
    chosen = _Direction(
        frame,
        np.where(returns, back.lacks, go.lacks),
        np.maximum(go.floor_db, back.floor_db),
        np.where(returns, back.unshown_db, go.unshown_db),
        np.where(returns, back.mean_db, go.mean_db),
        np.where(returns, back.variance, go.variance),
        np.minimum(go.least_db, back.least_db),
    )
    _add_loss(frame, chosen, of_links)
    whole = of_links.complete
    least = np.where(whole, of_links.least_db, np.fmin(chosen.least_db, of_links.least_db))
    least = np.where(np.isnan(chosen.least_db) & ~whole, np.nan, least)
    _add_margins(
        frame,
        links,
        np.where(whole, of_links.greatest_db, chosen.mean_db),
        np.where(whole, 0.0, chosen.variance),
        least,
        k,
    )
    pieces = network.pieces
    counts = (pieces.way == BOTH) | (pieces.way == np.where(returns, RETURN, GO)[pieces.link])
    columns = _reach_columns(network, glass, counts).join(
        _lacking(network, glass, of_cables, steps, frame["loss_db"].isna().to_numpy())
    )
    tied = np.bincount(pieces.link, minlength=count) > 0
    if network.study.traced is not None:
        tied |= links["id"].isin(network.study.traced.bare).to_numpy()
    over_fibre = (links["medium"].fillna("fibre") == "fibre").to_numpy() & tied
    budgets: pd.DataFrame = frame.join(columns)[over_fibre].reset_index(drop=True)
    return budgets


@dataclass(frozen=True)
class _Direction:
    """What links lose in one direction, per link.

    `terms` are rounded; `lacks` tells where one of them is not known and no measurement
    of a cable covers it; `floor_db` is the sum of all that is known, measurements of cables
    included and without what is kept for later; `unshown_db` the known part of
    a `fibre_db` that as a whole is not known.
    """

    terms: pd.DataFrame
    lacks: Bools
    floor_db: Floats
    unshown_db: Floats
    mean_db: Floats
    variance: Floats
    least_db: Floats


@dataclass(frozen=True)
class _Spliced:
    """Splices of links one way: in all, and within each stretch (shape (pieces,)).

    `outside_...` are those between stretches. `own` and `own_db`: how many have
    a loss on record, and its sum. Where a link states a number of its own it is
    not known where they lie: `given` tells, and all count as outside.
    """

    count: Ints
    basis: np.ndarray
    db: Floats
    given: Bools
    inside: Floats
    inside_own: Floats
    inside_own_db: Floats
    outside: Floats
    outside_own: Floats
    outside_own_db: Floats


def _direction(
    network: Network, glass: Glass, of_cables: Measured, steps: pd.DataFrame, way: int
) -> _Direction:
    links, rules = network.study.tables["links"], network.study.rules
    vary, defaults = rules.statistics, rules.defaults
    pieces, count = network.pieces, len(links)
    rows = (pieces.way == BOTH) | (pieces.way == way)

    def total(values: Floats | Ints | Bools) -> Floats:
        chosen = np.asarray(values, dtype=np.float64)[rows]
        return np.bincount(pieces.link[rows], chosen, count).astype(np.float64)

    piece_m = glass.fibre_m * _by_link_measurement(network, way)[pieces.link]
    piece_db = fibre_loss_db(piece_m, glass.db_per_km)
    splices = _splices(network, way, total)
    connectors = links["connectors"].fillna(defaults.connectors).to_numpy(dtype=np.float64)
    via_db = links["loss_db"].fillna(0.0).to_numpy(dtype=np.float64)
    mismatch = _mismatch(steps, way, count)
    fibre_m = total(piece_m)

    within_db = (splices.inside - splices.inside_own) * defaults.splice_db + splices.inside_own_db
    tested = of_cables.complete
    more = of_cables.greatest_db - np.nan_to_num(piece_db) - within_db
    more = np.nan_to_num(np.where(tested, more, np.maximum(more, 0.0)))
    terms = pd.DataFrame(
        {
            "fibre_m": fibre_m,
            "fibre_db": total(piece_db),
            "splices": splices.count,
            "splices_from": splices.basis,
            "splices_db": splices.db,
            "connectors": connectors,
            "connectors_db": connectors * defaults.connector_db,
            "mismatch_db": mismatch,
            "via_db": via_db,
            "test_db": total(more),
            **_reserve(network, fibre_m),
        }
    ).round(DECIMALS_DB)
    unknown = total(np.isnan(piece_db))
    unshown = np.where(unknown > 0, total(np.nan_to_num(piece_db)), 0.0)
    lacks = (total(np.isnan(piece_db) & ~tested) > 0) | np.isnan(mismatch)
    floor = terms[[*_PASSIVE, "test_db"]].sum(axis=1).to_numpy(dtype=np.float64) + unshown

    others = splices.outside - splices.outside_own
    fixed_db = (
        others * vary.splice_mean_db
        + splices.outside_own_db
        + connectors * vary.connector_mean_db
        + via_db
    )
    varies = items_variance_db2(others, vary.splice_sigma_db) + items_variance_db2(
        connectors, vary.connector_sigma_db
    )
    inner = splices.inside - splices.inside_own
    mean = (
        fibre_loss_db(piece_m, glass.mean_db_per_km)
        + inner * vary.splice_mean_db
        + splices.inside_own_db
    )
    piece_variance = np.where(
        tested,
        0.0,
        fibre_variance_db2(piece_m, glass.reel_m, vary.fibre_sigma_db_per_km)
        + items_variance_db2(inner, vary.splice_sigma_db),
    )
    likely, little = (
        np.where(tested, measurement, np.where(np.isnan(mean), np.nan, pick(mean, measurement)))
        for measurement, pick in ((of_cables.greatest_db, np.fmax), (of_cables.least_db, np.fmin))
    )
    variance = total(piece_variance) + varies
    # A test of a cable may hold splices of which only the number in the whole link is stated.
    covered = splices.given & (total(~np.isnan(of_cables.least_db)) > 0)
    least_db = least_loss_db(
        total(little)
        + fixed_db
        - np.where(covered, others * vary.splice_mean_db, 0.0)
        + np.nan_to_num(mismatch),
        variance,
        vary.k,
    )
    return _Direction(
        terms, lacks, floor, unshown, total(likely) + fixed_db + mismatch, variance, least_db
    )


def _by_link_measurement(network: Network, way: int) -> Floats:
    """Length of every link one way by its own measurement over what its cables add up to."""
    lengths = network.lengths
    measured, added = (
        (lengths.return_m, lengths.by_cables_return_m)
        if way == RETURN
        else (lengths.go_m, lengths.by_cables_go_m)
    )
    with np.errstate(invalid="ignore", divide="ignore"):
        factor = np.where(measured == added, 1.0, measured / added)
    return np.where(np.isfinite(factor), factor, 1.0)


def _splices(network: Network, way: int, total: _Total) -> _Spliced:
    """Splices of every link one way, and on what record their number rests."""
    study, found = network.study, network.splices
    links, pieces = study.tables["links"], network.pieces
    count = len(links)
    known = found.known[found.known["way"].isin((BOTH, way))]
    link, joint, piece = (known[name].to_numpy(np.int64) for name in ("link", "joint", "piece"))
    loss = known["loss_db"].to_numpy(dtype=np.float64)
    recorded, own, own_db = joint != NOWHERE, ~np.isnan(loss), np.nan_to_num(loss)

    def at(place: Ints, size: int, chosen: Bools, values: Floats | Bools | None = None) -> Floats:
        weights = None if values is None else values[chosen].astype(np.float64)
        return np.bincount(place[chosen], weights, size).astype(np.float64)

    every, within = np.ones(len(link), dtype=bool), piece != NOWHERE
    number, basis = splice_count(
        links["splices"],
        at(link, count, recorded),
        at(link, count, ~recorded),
        total(found.between_reels[pieces.part]),
    )
    db = splice_loss_db(
        number,
        basis,
        study.rules.defaults.splice_db,
        at(link, count, every, own),
        at(link, count, every, own_db),
    )
    given = basis == GIVEN
    size, blind = len(pieces.link), given[pieces.link]
    inside = at(piece, size, within) + found.between_reels[pieces.part]
    inside_own, inside_own_db = (
        np.where(blind, 0.0, at(piece, size, within, one)) for one in (own, own_db)
    )
    outside_own, outside_own_db = (
        np.where(given, 0.0, at(link, count, ~within, one)) for one in (own, own_db)
    )
    return _Spliced(
        number,
        basis,
        db,
        given,
        np.where(blind, 0.0, inside),
        inside_own,
        inside_own_db,
        np.where(given, number, at(link, count, ~within)),
        outside_own,
        outside_own_db,
    )


def _mismatch(steps: pd.DataFrame, way: int, count: int) -> Floats:
    """Coupling loss of all steps of every link for the light of one direction."""
    column = "return_db" if way == RETURN else "go_db"
    return np.bincount(
        steps["link"].to_numpy(dtype=np.int64), steps[column].to_numpy(np.float64), count
    ).astype(np.float64)


def _reserve(network: Network, fibre_m: Floats) -> dict[str, Floats]:
    """What is kept for later: the link's own reserve, or repairs and ageing by the rules."""
    rules = network.study.rules
    own = network.study.tables["links"]["reserve_db"].to_numpy(dtype=np.float64)
    keep = rules.reserve
    repair = repair_allowance_db(
        fibre_m, keep.repair_splices_per_km_year, keep.repair_years, rules.defaults.splice_db
    )
    none = keep.repair_splices_per_km_year * keep.repair_years * rules.defaults.splice_db == 0
    blank = np.isnan(own)
    return {
        "repair_db": np.where(blank & (not none), repair, 0.0),
        "reserve_db": np.where(blank, keep.ageing_db, own),
    }


def _add_loss(frame: pd.DataFrame, chosen: _Direction, of_links: Measured) -> None:
    """The worst case, or its bound, with what measurements of the whole link say.

    Such a measurement counts in full where all of the link was tested, else only if
    it found more than was computed.
    """
    shown = frame[[*_PASSIVE]].sum(axis=1).to_numpy(dtype=np.float64)
    by_cables = frame["test_db"].to_numpy() + np.where(chosen.lacks, 0.0, chosen.unshown_db)
    beyond = of_links.greatest_db - shown
    frame["test_db"] = np.where(of_links.complete, beyond, np.fmax(beyond, by_cables))
    frame["test_db"] = frame["test_db"].round(DECIMALS_DB)
    frame["measured_db"] = of_links.greatest_db.round(DECIMALS_DB)
    frame["measured_least_db"] = of_links.least_db.round(DECIMALS_DB)
    frame["computed_db"] = np.where(chosen.lacks, np.nan, shown + by_cables).round(DECIMALS_DB)
    frame["computed_least_db"] = chosen.least_db.round(DECIMALS_DB)
    repair = frame["repair_db"].to_numpy()
    lacks = (chosen.lacks & ~of_links.complete) | np.isnan(repair)
    loss = frame[[*TERMS]].sum(axis=1).to_numpy(dtype=np.float64)
    least = np.where(
        of_links.complete, of_links.greatest_db, np.fmax(chosen.floor_db, of_links.greatest_db)
    )
    least += np.nan_to_num(repair) + frame["reserve_db"].to_numpy()
    frame["loss_db"] = np.where(lacks, np.nan, loss)
    frame["loss_at_least_db"] = np.where(lacks, least, np.nan)


def _add_margins(
    frame: pd.DataFrame,
    links: pd.DataFrame,
    mean_db: Floats,
    variance: Floats,
    least_db: Floats,
    k: float,
) -> None:
    """Margins from powers on record; `mean_db` and `least_db` are lost on the first day."""
    kept = frame[["repair_db", "reserve_db"]].sum(axis=1).to_numpy()
    tx_min, tx_max, rx_min, rx_max = (
        links[name].to_numpy(dtype=np.float64)
        for name in ("tx_min_dbm", "tx_max_dbm", "rx_min_dbm", "rx_max_dbm")
    )
    loss, bound = (
        frame[name].round(DECIMALS_DB).to_numpy() for name in ("loss_db", "loss_at_least_db")
    )
    likely = statistical_db(mean_db + kept, variance, k, loss)
    overload = overload_margin_db(tx_max, rx_max, least_db)
    margin = sensitivity_margin_db(tx_min, rx_min, loss)
    needed, most = attenuator_db(overload, margin)
    columns = {
        "tx_min_dbm": tx_min,
        "tx_max_dbm": tx_max,
        "rx_min_dbm": rx_min,
        "rx_max_dbm": rx_max,
        "loss_db": loss,
        "loss_at_least_db": bound,
        "budget_db": power_budget_db(tx_min, rx_min),
        "margin_db": margin,
        "margin_at_most_db": sensitivity_margin_db(tx_min, rx_min, bound),
        "mean_db": mean_db + kept,
        "sigma_db": np.sqrt(variance),
        "statistical_db": likely,
        "statistical_margin_db": sensitivity_margin_db(tx_min, rx_min, likely),
        "least_db": least_db,
        "overload_margin_db": overload,
        "attenuator_db": needed,
        "attenuator_most_db": most,
    }
    for name, values in columns.items():
        frame[name] = np.round(values, DECIMALS_DB)


def _lacking(
    network: Network, glass: Glass, of_cables: Measured, steps: pd.DataFrame, open_: Bools
) -> pd.DataFrame:
    """What the records lack of the links whose loss is not known."""
    pieces, cables = network.pieces, network.study.tables["cables"]
    count = len(open_)
    rows = np.flatnonzero(open_[pieces.link] & ~of_cables.complete)
    link, names = pieces.link[rows], cables["id"].to_numpy(dtype=object)
    name = names[network.parts.cable[pieces.part[rows]]]
    kind, blank = glass.type[rows], np.isnan(glass.db_per_km[rows])
    steps = steps[steps["go_db"].isna() | steps["return_db"].isna()]
    pairs = names[steps["cable"].to_numpy()] + " and " + names[steps["after"].to_numpy()]
    return pd.DataFrame(
        {
            "lacks_length": np.bincount(link, np.isnan(glass.fibre_m[rows]), count) > 0,
            "lacks_type": _texts(link, name, blank & (kind == ""), count),
            "lacks_attenuation": _texts(link, kind, blank & (kind != ""), count),
            "lacks_step": _texts(
                steps["link"].to_numpy(dtype=np.int64),
                pairs,
                open_[steps["link"].to_numpy(dtype=np.int64)],
                count,
            ),
        }
    )


def _texts(link: Ints, text: np.ndarray, chosen: Bools, count: int) -> list[str]:
    """The chosen texts of every link, each once, `;` between."""
    found: list[dict[str, None]] = [{} for _ in range(count)]
    pairs: Iterable[tuple[int, str]] = zip(link[chosen].tolist(), text[chosen], strict=True)
    for number, one in pairs:
        found[number][one] = None
    return [";".join(one) for one in found]


# --- How much longer each link could be, by loss, bandwidth and dispersion.


def _reach_columns(network: Network, glass: Glass, counts: Bools) -> pd.DataFrame:
    """State what limits a link besides loss, one row per link.

    Returns
    -------
    DataFrame
        `bandwidth_mhz` (modal, what is left at the end; infinite for fibre of
        length 0) and `bandwidth_needed_mhz`; `dispersion_ps_nm` (chromatic,
        greatest) and `dispersion_limit_ps_nm`; `multimode` (some of its fibre
        has a modal bandwidth); `fibre_type` (types on record, `;` between). Of the
        longest cable, which is taken to be extended:
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
    """Compute by how much each link could be longer, if its longest cable were longer.

    Parameters
    ----------
    budgets : DataFrame
        Rows of `loss_budgets`.
    least_margin_db : ndarray of float, shape (rows,)
        Margin that must be left.
    splice_db : float
        Loss of the splice that a further reel brings.
    repair_db_per_km : ndarray of float, shape (rows,)
        Repair allowance that grows with length.

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


# --- What the length of every link is made of.

DECIMALS_M = 3
"""Millimetres: terms are rounded to this before they are added."""
LENGTH_TERMS = ("route_m", "sag_m", "helix_m", "overlength_m", "slack_m", "test_m")


def length_terms(network: Network) -> pd.DataFrame:
    """Return the terms of every link's fibre length, in metres.

    Parameters
    ----------
    network : Network

    Returns
    -------
    DataFrame
        One row per link: `route_m` (along the ground), and what is added by
        `sag_m`, `helix_m`, `overlength_m`, `slack_m` and `test_m` (a measured
        length less the computed one); `length_m` is their sum. Where go and
        return run apart, those of the longer of the two; `ground_m` is the
        greater of both routes. NaN where a length is unknown.
    """
    pieces, terms, lengths = network.pieces, network.terms, network.lengths
    part = pieces.part
    unknown = np.isnan(lengths.return_m)  # a length that is not known is the longer of the two
    longer = np.where((lengths.return_m > lengths.go_m) | unknown, RETURN, GO)
    counts = (pieces.way == BOTH) | (pieces.way == longer[pieces.link])
    carried = terms.route_m + terms.sag_m
    wound = carried * terms.helix
    added = {
        "route_m": terms.route_m,
        "sag_m": terms.sag_m,
        "helix_m": wound - carried,
        "overlength_m": wound * terms.overlength_pct / 100,
        "slack_m": terms.slack_m,
    }
    count = len(lengths.go_m)
    without = np.bincount(pieces.link, minlength=count) == 0
    stated = np.maximum(lengths.by_cables_go_m, lengths.by_cables_return_m)

    def per_link(values: Floats) -> Floats:
        chosen = values[part][counts]
        return np.bincount(pieces.link[counts], chosen, count).astype(np.float64)

    frame = pd.DataFrame({name: per_link(values) for name, values in added.items()})
    frame["route_m"] = np.where(without, stated, frame["route_m"])
    frame = frame.round(DECIMALS_M)
    computed = frame.sum(axis=1, skipna=False).to_numpy()
    total = np.maximum(lengths.go_m, lengths.return_m)
    by_measurement = ~np.isclose(
        total, _by_record(network, counts, without, stated), rtol=0, atol=1e-9
    )
    by_measurement &= ~np.isnan(total)
    frame[np.isnan(computed) & by_measurement] = 0.0
    computed = np.where(np.isnan(computed) & by_measurement, 0.0, computed)
    frame["test_m"] = np.round(np.where(by_measurement, total - computed, 0.0), DECIMALS_M)
    frame["length_m"] = (computed + frame["test_m"]).round(DECIMALS_M)
    frame["ground_m"] = np.round(lengths.route_m, DECIMALS_M)
    return frame


def _by_record(network: Network, counts: np.ndarray, without: np.ndarray, stated: Floats) -> Floats:
    """Fibre length of every link without any measurement."""
    pieces = network.pieces
    computed = network.terms.computed_m[pieces.part][counts]
    added = np.bincount(pieces.link[counts], computed, len(without)).astype(np.float64)
    return np.where(without, stated, added)

"""Optical loss of every link, term by term, and its margin."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd

from waysapart.formulas.fibre import by_type
from waysapart.formulas.loss import fibre_loss_db, reel_splices, splice_count, splice_loss_db
from waysapart.formulas.margin import sensitivity_margin_db
from waysapart.network.assets import Floats, Ints
from waysapart.network.tie import Network
from waysapart.reliance.rely import Reliance

SINGLE_MODE_FROM_NM = 1200
"""Below this wavelength an unrecorded fibre is taken as multimode."""
ASSUMED_SINGLE_MODE, ASSUMED_MULTIMODE = "G.652.D", "OM1"
"""Types that figures rest on where none is on record; a gap says so."""


def piece_types(network: Network) -> tuple[np.ndarray, Floats]:
    """Fibre type and wavelength (nm) of every stretch of every link."""
    pieces, study = network.pieces, network.study
    wavelength = study.tables["links"]["wavelength_nm"].to_numpy(dtype=np.float64)[pieces.link]
    cable = network.parts.cable[pieces.part]
    recorded = study.tables["cables"]["fibre_type"]
    assumed = np.where(wavelength >= SINGLE_MODE_FROM_NM, ASSUMED_SINGLE_MODE, ASSUMED_MULTIMODE)
    mine = recorded.iloc[cable]
    return np.where(
        mine.isna().to_numpy(), assumed, mine.fillna("").to_numpy(dtype=str)
    ), wavelength


def loss_budgets(reliance: Reliance) -> pd.DataFrame:
    """One row per link over fibre: the terms of its loss and its margin at the receiver.

    Returns
    -------
    DataFrame
        `link` (number), `wavelength_nm`, `fibre_m`, `fibre_db`, `splices`,
        `splices_from` (given, joints or estimate), `splices_db`, `connectors`,
        `connectors_db`, `via_db`, `reserve_db`, `loss_db`, `budget_db`,
        `margin_db`. Where go and return differ, the worse of the two. NaN
        where the records give no figure.
    """
    network = reliance.network
    pieces, study = network.pieces, network.study
    links, cables, rules = study.tables["links"], study.tables["cables"], study.rules
    count = len(links)
    types, wavelength = piece_types(network)
    cable = network.parts.cable[pieces.part]
    own = cables["db_per_km"].to_numpy(dtype=np.float64)[cable]
    table: dict[str, Mapping[float, float]] = {
        name: {float(nm): value for nm, value in fibre.db_per_km.items()}
        for name, fibre in rules.fibres.items()
    }
    db_per_km = np.where(np.isnan(own), by_type(types, wavelength, table, attenuation=True), own)
    fibre_m = network.terms.fibre_m[pieces.part]
    fibre_db = fibre_loss_db(fibre_m, db_per_km)
    kinds = cables["kind"].iloc[cable]
    reel = reel_splices(fibre_m, np.array([rules.by_kind("reel_m", kind) for kind in kinds]))

    worst_way = _worse_way(pieces.link, pieces.way, fibre_db, count)
    counts = (pieces.way == 0) | (pieces.way == worst_way[pieces.link])

    def total(values: Floats | Ints) -> Floats:
        return np.bincount(pieces.link[counts], values[counts], count).astype(np.float64)

    stretches = total(np.ones(len(pieces.link)))
    joints, measured, measured_db = _joints(reliance)
    number, basis = splice_count(
        links["splices"], joints, np.maximum(stretches - 1, 0), total(reel)
    )
    splices_db = splice_loss_db(number, basis, rules.defaults.splice_db, measured, measured_db)
    connectors = links["connectors"].fillna(rules.defaults.connectors).to_numpy(dtype=np.float64)
    frame = pd.DataFrame(
        {
            "link": np.arange(count),
            "wavelength_nm": links["wavelength_nm"].to_numpy(dtype=np.float64),
            "fibre_m": total(fibre_m),
            "fibre_db": total(fibre_db),
            "splices": number,
            "splices_from": basis,
            "splices_db": splices_db,
            "connectors": connectors,
            "connectors_db": connectors * rules.defaults.connector_db,
            "via_db": links["loss_db"].fillna(0.0).to_numpy(dtype=np.float64),
            "reserve_db": links["reserve_db"].fillna(0.0).to_numpy(dtype=np.float64),
        }
    )
    terms = ["fibre_db", "splices_db", "connectors_db", "via_db", "reserve_db"]
    frame["loss_db"] = frame[terms].sum(axis=1, skipna=False)
    frame["budget_db"] = links["tx_min_dbm"].to_numpy() - links["rx_min_dbm"].to_numpy()
    frame["margin_db"] = sensitivity_margin_db(
        links["tx_min_dbm"], links["rx_min_dbm"], frame["loss_db"]
    )
    over_fibre = (links["medium"].fillna("fibre") == "fibre").to_numpy() & (stretches > 0)
    return frame[over_fibre].reset_index(drop=True)


def _worse_way(link: Ints, way: Ints, fibre_db: Floats, count: int) -> Ints:
    """Whichever of go (1) and return (2) loses more light."""
    go = np.bincount(link[way == 1], fibre_db[way == 1], count)
    back = np.bincount(link[way == 2], fibre_db[way == 2], count)
    return np.where(back > go, 2, 1)


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

"""Compare measurements with the figures that the records give, and list those still missing."""

from __future__ import annotations

from datetime import date

import numpy as np
import pandas as pd

from waysapart.arrays import Bools, Floats
from waysapart.findings.delays import link_delays
from waysapart.findings.fibre_types import fibre_types, floating, means
from waysapart.formulas.fibre import by_type
from waysapart.formulas.length import drum_length_needed_m
from waysapart.formulas.loss import (
    fibre_loss_db,
    fibre_variance_db2,
    items_variance_db2,
    least_loss_db,
)
from waysapart.formulas.measured import differs, tests_missing, too_old
from waysapart.gaps import Gap
from waysapart.network.assets import listed
from waysapart.network.build_network import Network
from waysapart.network.lengths import SPAN
from waysapart.network.measurements import (
    END_TO_END,
    NO_FIBRE,
    fibre_means,
    fibres_in_use,
    gap_of,
    greatest_of,
    measured_us,
    newest_measurements,
)
from waysapart.study.model import Study

COLUMNS = ("role", "owner", "fibre", "quantity", "measured", "least", "greatest", "agrees", "row")


def compare_measurements(network: Network, budgets: pd.DataFrame) -> pd.DataFrame:
    """Compare every measurement with the figure by the records.

    Parameters
    ----------
    network : Network
    budgets : DataFrame
        From `loss_budgets`.

    Returns
    -------
    DataFrame
        One row per fibre (or direction) tested: `role` (cables or links),
        `owner` (number), `fibre` (`NO_FIBRE`: not said), `quantity` (length_m,
        loss_db, delay_us), `measured` (two-way mean; of a delay the direction
        itself), `least` and `greatest` that the records allow for (one figure
        where they give one), `agrees` (within the tolerance of the rules; True
        where the records give no figure), `row` (of the measurements table).

    Notes
    -----
    A computed loss is a range, from mean less k standard deviations to the
    worst case, since the glass on record may be better than its greatest.
    """
    parts = [
        _lengths(network),
        _link_losses(network, budgets),
        _cable_losses(network),
        _delays(network),
    ]
    filled = [part for part in parts if len(part)]
    if not filled:
        return pd.DataFrame({name: [] for name in COLUMNS}).astype({"agrees": bool})
    return pd.concat(filled, ignore_index=True)


def loss_delay_gaps(network: Network, compared: pd.DataFrame) -> list[Gap]:
    """Find measurements of loss and delay that contradict the record.

    A loss that the records do not explain is a gap only where no measurement of length or delay of
    the same cable or link agrees: with the right length it is the right cable, and the loss is a
    matter of its splices or its glass.

    Parameters
    ----------
    network : Network
    compared : DataFrame
        From `compare_measurements`.

    Returns
    -------
    list of Gap
        Codes `measured-loss` and `measured-delay`.
    """
    good = compared[compared["agrees"] & (compared["quantity"] != "loss_db")]
    confirmed = set(zip(good["role"], good["owner"], strict=True))
    gaps = []
    for row in compared[~compared["agrees"]].to_dict("records"):
        if row["quantity"] == "delay_us":
            text = (
                f"measured {row['measured']:.2f} us one way, but "
                f"{row['greatest']:.2f} us by the record: one of them is of another route"
            )
            code = "measured-delay"
        elif row["quantity"] == "loss_db" and (row["role"], row["owner"]) not in confirmed:
            text = (
                f"measured {row['measured']:.2f} dB, the record explains {row['least']:.2f} to "
                f"{row['greatest']:.2f} dB, and no test of its length or delay agrees: the record "
                "may be of another fibre"
            )
            code = "measured-loss"
        else:
            continue
        gaps.append(
            gap_of(network.study, code, row["role"], row["owner"], row["fibre"], row["row"], text)
        )
    return gaps


def old_measurements(study: Study, compared: pd.DataFrame, today: date) -> Bools:
    """Find the measurements that are older than the rules allow, or have no date.

    Parameters
    ----------
    study : Study
    compared : DataFrame
        From `compare_measurements`.
    today : date
        The day of judgement.

    Returns
    -------
    ndarray of bool, shape (rows of compared,)
    """
    taken = study.tables["measurements"]["date"].iloc[compared["row"].to_numpy(dtype=np.int64)]
    return too_old(taken.to_numpy(), np.datetime64(today), study.rules.tests.most_years)


def _frame(
    role: str,
    quantity: str,
    measurements: pd.DataFrame,
    bounds: tuple[Floats, Floats],
    tolerance: tuple[float, float],
) -> pd.DataFrame:
    least, greatest = bounds
    measured = measurements["value"].to_numpy(dtype=np.float64)
    wrong = (differs(measured, greatest, *tolerance) & (measured > greatest)) | (
        differs(measured, least, *tolerance) & (measured < least)
    )
    return pd.DataFrame(
        {
            "role": role,
            "owner": measurements["owner"].to_numpy(),
            "fibre": measurements["fibre"].to_numpy(),
            "quantity": quantity,
            "measured": measured,
            "least": least,
            "greatest": greatest,
            "agrees": ~wrong,
            "row": measurements["row"].to_numpy(),
        }
    )


def _lengths(network: Network) -> pd.DataFrame:
    study, lengths = network.study, network.lengths
    tolerance = study.rules.tests.length_pct, study.rules.tests.length_m
    computed = network.terms.computed_m[: len(study.tables["cables"])]
    cables = fibre_means(newest_measurements(study, "cables", "length_m"))
    links = fibre_means(newest_measurements(study, "links", "length_m"))
    by_record = computed[cables["owner"]]
    bounds = [one[links["owner"]] for one in (lengths.by_cables_go_m, lengths.by_cables_return_m)]
    return pd.concat(
        [
            _frame("cables", "length_m", cables, (by_record, by_record), tolerance),
            _frame(
                "links", "length_m", links, (np.minimum(*bounds), np.maximum(*bounds)), tolerance
            ),
        ]
    )


def _link_losses(network: Network, budgets: pd.DataFrame) -> pd.DataFrame:
    study, rules = network.study, network.study.rules
    works_at = study.tables["links"]["wavelength_nm"].to_numpy(dtype=np.float64)
    measurements = newest_measurements(study, "links", "loss_db")
    away = np.abs(measurements["wavelength_nm"] - works_at[measurements["owner"]])
    near = ~(away > rules.defaults.wavelength_tolerance_nm).to_numpy()
    mine = fibre_means(measurements[near])
    known = budgets.set_index("link").reindex(mine["owner"])
    bounds = known["computed_least_db"].to_numpy(), known["computed_db"].to_numpy()
    return _frame("links", "loss_db", mine, bounds, (rules.tests.loss_pct, rules.tests.loss_db))


def _cable_losses(network: Network) -> pd.DataFrame:
    """Measurements of installed cables: fibre with the splices that lie within it."""
    study, rules = network.study, network.study.rules
    measurements = newest_measurements(study, "cables", "loss_db")
    measurements = measurements[measurements["wavelength_nm"].notna()]
    recorded, own, own_db = _joints_on(network)
    found = []
    for _, part in measurements.groupby("wavelength_nm"):
        mine = fibre_means(part)
        cable = mine["owner"].to_numpy()
        wavelength = np.full(len(mine), part["wavelength_nm"].iloc[0])
        length_m, reel_m = network.terms.fibre_m[cable], network.splices.reel_m[cable]
        per_km = study.tables["cables"]["db_per_km"].to_numpy(dtype=np.float64)[cable]
        types = fibre_types(network, cable)
        greatest, mean = (
            np.where(
                np.isnan(per_km),
                by_type(
                    types,
                    wavelength,
                    {name: floating(table(fibre)) for name, fibre in rules.fibres.items()},
                    rules.defaults.wavelength_tolerance_nm,
                    attenuation=True,
                ),
                per_km,
            )
            for table in (lambda fibre: fibre.db_per_km, means)
        )
        splices = network.splices.between_reels[cable] + recorded[cable] - own[cable]
        vary = rules.statistics
        variance = fibre_variance_db2(
            length_m, reel_m, vary.fibre_sigma_db_per_km
        ) + items_variance_db2(splices, vary.splice_sigma_db)
        likely = fibre_loss_db(length_m, mean) + splices * vary.splice_mean_db + own_db[cable]
        worst = (
            fibre_loss_db(length_m, greatest) + splices * rules.defaults.splice_db + own_db[cable]
        )
        least = least_loss_db(likely, variance, vary.k)
        tolerance = rules.tests.loss_pct, rules.tests.loss_db
        found.append(_frame("cables", "loss_db", mine, (least, worst), tolerance))
    return pd.concat(found) if found else pd.DataFrame()


def _joints_on(network: Network) -> tuple[Floats, Floats, Floats]:
    """Joints within every cable; how many have a loss on record, and its sum in dB.

    Those that join it to another cable are not in a measurement of the cable alone.
    """
    joints = network.study.tables["joints"]
    row, name = listed(joints["cables"])
    cable = network.assets.numbers(name) - network.assets.start["cables"]
    alone = (np.bincount(row, minlength=len(joints))[row] == 1) & (cable >= 0)
    loss = joints["loss_db"].to_numpy(dtype=np.float64)[row[alone]]
    count = len(network.study.tables["cables"])
    recorded, own, own_db = (
        np.bincount(cable[alone], weights, count).astype(np.float64)
        for weights in (None, ~np.isnan(loss), np.nan_to_num(loss))
    )
    return recorded, own, own_db


def _delays(network: Network) -> pd.DataFrame:
    study = network.study
    measurements = newest_measurements(study, "links", "delay_us")
    if not len(measurements):
        return pd.DataFrame()
    links = link_delays(network)
    tolerance = study.rules.tests.delay_pct, study.rules.tests.delay_us
    found = []
    for way, measured in zip(("go", "return"), measured_us(study), strict=True):
        computed = (links[f"fibre_{way}_us"] + links["extra_us"]).to_numpy()
        owner = np.flatnonzero(~np.isnan(measured))
        row = measurements.groupby("owner")["row"].first()
        mine = pd.DataFrame(
            {
                "owner": owner,
                "fibre": NO_FIBRE,
                "value": measured[owner],
                "row": row.reindex(owner).to_numpy(),
            }
        )
        bounds = np.where(computed > 0, computed, np.nan)[owner]
        found.append(_frame("links", "delay_us", mine, (bounds, bounds), tolerance))
    both = pd.concat(found)
    return both.drop_duplicates(["owner", "measured", "least"])


# --- What is missing before commissioning: measurements not made, drums too short.


def missing_stages(network: Network) -> pd.DataFrame:
    """Find the measurements that every fibre in use still lacks.

    Parameters
    ----------
    network : Network

    Returns
    -------
    DataFrame
        One row per fibre of a link: `link`, `cable` (numbers), `fibre`
        (`NO_FIBRE`: not recorded), and one bool per entry of
        `waysapart.formulas.measured.TESTS`: still missing. Measurements of the drum
        and of the installed cable are the cable's, end-to-end measurements are the
        link's; one that names no fibre is of all of them.
    """
    study = network.study
    items = fibres_in_use(network.study)[["link", "cable", "fibre"]].drop_duplicates(
        ignore_index=True
    )
    items["item"] = np.arange(len(items))
    table = study.tables["measurements"]
    measurements = pd.DataFrame(
        {
            "cable": pd.Index(study.tables["cables"]["id"]).get_indexer(pd.Index(table["cable"])),
            "link": pd.Index(study.tables["links"]["id"]).get_indexer(pd.Index(table["link"])),
            "tested": table["fibre"].fillna(NO_FIBRE).to_numpy(dtype=np.int64),
            "stage": table["stage"].fillna("").to_numpy(),
            "direction": table["direction"].fillna("").to_numpy(),
        }
    )
    of_cables = measurements[
        (measurements["cable"] >= 0) & (measurements["stage"] != END_TO_END)
    ].drop(columns="link")
    of_links = measurements[
        (measurements["link"] >= 0) & (measurements["stage"] == END_TO_END)
    ].drop(columns="cable")
    pairs = pd.concat([items.merge(of_cables, on="cable"), items.merge(of_links, on="link")])
    pairs = pairs[(pairs["tested"] == NO_FIBRE) | (pairs["tested"] == pairs["fibre"])]
    missing = tests_missing(pairs["item"], pairs["stage"], pairs["direction"], len(items))
    return items.drop(columns="item").join(pd.DataFrame(missing))


def drums(network: Network) -> pd.DataFrame:
    """State whether each drum that was measured is long enough.

    Parameters
    ----------
    network : Network

    Returns
    -------
    DataFrame
        One row per cable with a drum measurement: `cable` (number), `drum_m` (the
        least length measured), `carried_m` (route, sag, helix, overlength),
        `slack_m`, `down_leads_m` (at each end that hangs on a span and has no
        segment of its own down the structure), `tails_m` (into joint or rack,
        both ends), `needed_m`, `left_m` (below 0: short by so much).

    Notes
    -----
    Fibre is compared with fibre: a drum's optical length contains the fibre's
    excess over the cable, and so does overlength. A cable is taken to come on
    one drum; record each reel as a cable of its own to have it checked.
    """
    study, terms = network.study, network.terms
    measurements = newest_measurements(study, "cables", "length_m", drum=True)
    count = len(study.tables["cables"])
    length = -greatest_of(measurements.assign(value=-measurements["value"]), count)
    cable = np.flatnonzero(~np.isnan(length))
    kinds = study.tables["cables"]["kind"].iloc[cable]
    defaults = study.rules
    lead = np.array([defaults.by_kind("down_lead_m", kind) for kind in kinds], dtype=np.float64)
    helix = terms.helix[cable] * (1 + terms.overlength_pct[cable] / 100)
    carried = (terms.route_m[cable] + terms.sag_m[cable]) * helix
    down = lead * _hanging_ends(network)[cable]
    tails = np.full(len(cable), 2 * study.rules.defaults.tail_m)
    needed = drum_length_needed_m(
        terms.route_m[cable], terms.sag_m[cable], helix, down, terms.slack_m[cable], tails
    )
    return pd.DataFrame(
        {
            "cable": cable,
            "drum_m": length[cable],
            "carried_m": carried,
            "slack_m": terms.slack_m[cable],
            "down_leads_m": down,
            "tails_m": tails,
            "needed_m": needed,
            "left_m": length[cable] - needed,
        }
    )


def _hanging_ends(network: Network) -> np.ndarray:
    """How many ends of every cable are the end of a span."""
    chains = network.chains
    span = (network.study.tables["segments"]["kind"] == SPAN).to_numpy()
    filled = np.diff(chains.first) > 0
    found = np.zeros(len(filled), dtype=np.int64)
    first, last = chains.first[:-1][filled], chains.first[1:][filled] - 1
    found[filled] = span[chains.segment[first]].astype(np.int64) + span[chains.segment[last]]
    return found

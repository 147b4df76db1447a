"""What is missing before commissioning: measurements not made, drums too short."""

from __future__ import annotations

import numpy as np
import pandas as pd

from waysapart.formulas.length import drum_length_needed_m
from waysapart.formulas.measured import tests_missing
from waysapart.network.lengths import SPAN
from waysapart.network.measurements import (
    END_TO_END,
    NO_FIBRE,
    fibres_in_use,
    greatest_of,
    newest_measurements,
)
from waysapart.network.tie import Network


def missing_stages(network: Network) -> pd.DataFrame:
    """Which measurements every fibre in use still lacks.

    Returns
    -------
    DataFrame
        One row per fibre of a link: `link`, `cable` (numbers), `fibre`
        (`NO_FIBRE`: not recorded), and one bool per entry of
        `waysapart.formulas.measured.TESTS`: still missing. Tests of the drum
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
    """Whether each drum that was tested reaches.

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
    Fibre is held against fibre: a drum's optical length contains the fibre's
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

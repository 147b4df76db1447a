"""What the length of every link is made of, so that it can be added up by hand."""

from __future__ import annotations

import numpy as np
import pandas as pd

from waysapart.arrays import Floats
from waysapart.network.links import BOTH, GO, RETURN
from waysapart.network.tie import Network

DECIMALS_M = 3
"""Millimetres: terms are rounded to this before they are added."""
TERMS = ("route_m", "sag_m", "helix_m", "overlength_m", "slack_m", "test_m")


def length_terms(network: Network) -> pd.DataFrame:
    """Terms of every link's fibre length.

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
    longer = np.where(lengths.return_m > lengths.go_m, RETURN, GO)
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

"""One-way delay of every path, go and return, from fibre, hops and equipment."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd
from scipy.constants import speed_of_light

from waysapart.findings.budgets import piece_types
from waysapart.formulas.fibre import by_type
from waysapart.network.assets import Floats, boolean, listed
from waysapart.network.tie import Network

_US_PER_S = 1e6


def path_delays(network: Network) -> pd.DataFrame:
    """Delay and length of every path.

    Returns
    -------
    DataFrame
        One row per path: `go_us`, `return_us`, `delay_us` (the greater),
        `fibre_us`, `equipment_us`, `extra_us`, `length_m` (fibre), `route_m`.
        NaN where a link's length is unknown.

    Notes
    -----
    Fibre length times group index over c; every piece of equipment on the path
    (both ends and `via` included) counts once.
    """
    study, paths = network.study, network.paths
    links = study.tables["links"]
    rows = np.repeat(np.arange(len(paths)), np.diff(paths.first))
    go, back = _link_delays_us(network)
    extra = links["extra_delay_us"].fillna(0.0).to_numpy(dtype=np.float64)

    def along(values: Floats) -> Floats:
        return np.bincount(rows, values[paths.link], len(paths)).astype(np.float64)

    equipment = _equipment_us(network, rows)
    extra_us = along(extra)
    go_us = along(go) + extra_us + equipment
    return_us = along(back) + extra_us + equipment
    lengths = network.lengths
    empty = np.diff(paths.first) == 0
    frame = pd.DataFrame(
        {
            "go_us": go_us,
            "return_us": return_us,
            "delay_us": np.maximum(go_us, return_us),
            "fibre_us": np.maximum(along(go), along(back)),
            "equipment_us": equipment,
            "extra_us": extra_us,
            "length_m": along(np.maximum(lengths.go_m, lengths.return_m)),
            "route_m": along(lengths.route_m),
        }
    )
    frame[empty] = np.nan
    return frame


def _link_delays_us(network: Network) -> tuple[Floats, Floats]:
    """Delay in the glass or the air of every link, go and return."""
    pieces, study = network.pieces, network.study
    links, rules = study.tables["links"], study.rules
    count = len(links)
    types, wavelength = piece_types(network)
    table: dict[str, Mapping[float, float]] = {
        name: {float(nm): value for nm, value in fibre.group_index.items()}
        for name, fibre in rules.fibres.items()
    }
    medium = links["medium"].fillna("fibre")
    medium_index = medium.map({name: one.group_index for name, one in rules.media.items()})
    hop_index = medium_index.to_numpy(dtype=np.float64)
    index = by_type(types, wavelength, table, attenuation=False)
    index = np.where(np.isnan(index), hop_index[pieces.link], index)
    microseconds = network.terms.fibre_m[pieces.part] * index / speed_of_light * _US_PER_S
    without = np.bincount(pieces.link, minlength=count) == 0
    alone = network.lengths.go_m * hop_index / speed_of_light * _US_PER_S

    def add(way: int) -> Floats:
        chosen = (pieces.way == 0) | (pieces.way == way)
        total = np.bincount(pieces.link[chosen], microseconds[chosen], count)
        return np.where(without, alone, total)

    return add(1), add(2)


def _equipment_us(network: Network, rows: np.ndarray) -> Floats:
    """Delay of the equipment on each path, each piece once."""
    study, assets, paths = network.study, network.assets, network.paths
    links, equipment = study.tables["links"], study.tables["equipment"]
    offset, count = assets.start["equipment"], len(links)
    via_row, via = listed(links["via"])
    number = np.arange(count)
    on_link = boolean(
        np.r_[number, number, via_row],
        np.r_[assets.numbers(links["a"]), assets.numbers(links["b"]), assets.numbers(via)] - offset,
        (count, len(equipment)),
    )
    used = boolean(rows, paths.link, (len(paths), count)) @ on_link
    delay = equipment["delay_us"].fillna(0.0).to_numpy(dtype=np.float64)
    return np.asarray(used.astype(np.float64) @ delay)

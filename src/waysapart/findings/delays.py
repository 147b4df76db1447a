"""One-way delay of every path, go and return, from fibre, hops and equipment."""

from __future__ import annotations

import numpy as np
import pandas as pd

from waysapart.findings.glass import glass_of
from waysapart.findings.length_terms import length_terms
from waysapart.findings.rings import turned_back_us
from waysapart.formulas.delay import fibre_delay_us
from waysapart.network.assets import Floats, boolean, listed
from waysapart.network.links import BOTH, GO, RETURN
from waysapart.network.measurements import fibre_means, greatest_of, newest_tests
from waysapart.network.tie import Network

DECIMALS_US = 3
"""Nanoseconds: figures are rounded to this link by link, so that the sums that
are shown can be done again by hand."""


def link_delays(network: Network) -> pd.DataFrame:
    """Delay of every link without its equipment.

    Returns
    -------
    DataFrame
        One row per link: `fibre_go_us`, `fibre_return_us` (glass, air or wire),
        `extra_us`, `test_go_us`, `test_return_us` (what a measured delay adds
        to the computed one; 0 without), `go_us`, `return_us` (all together).
        NaN where a link's length is unknown and no delay was measured.
    """
    extra = network.study.tables["links"]["extra_delay_us"].fillna(0.0).to_numpy(dtype=np.float64)
    columns: dict[str, Floats] = {"extra_us": extra}
    for way, glass, measured in zip(
        ("go", "return"), _glass_us(network), measured_us(network), strict=True
    ):
        tested = ~np.isnan(measured)
        fibre = np.where(tested & np.isnan(glass), 0.0, np.round(glass, DECIMALS_US))
        columns[f"fibre_{way}_us"] = fibre
        columns[f"test_{way}_us"] = np.where(tested, measured - fibre - extra, 0.0)
        columns[f"{way}_us"] = np.where(tested, measured, fibre + extra)
    return pd.DataFrame(columns).round(DECIMALS_US)


def measured_us(network: Network) -> tuple[Floats, Floats]:
    """Measured one-way delay of every link, go and return; NaN where it was not measured.

    A test that states no direction stands for both. The two directions are
    never averaged: their difference is what line differential protection minds.
    """
    study = network.study
    tests = newest_tests(study, "links", "delay_us")
    count = len(study.tables["links"])
    said, back = tests["said"].to_numpy(), tests["returns"].to_numpy()
    both = greatest_of(fibre_means(tests[~said]), count)
    go = greatest_of(fibre_means(tests[said & ~back]), count)
    returning = greatest_of(fibre_means(tests[said & back]), count)
    return np.where(np.isnan(go), both, go), np.where(np.isnan(returning), both, returning)


def path_delays(network: Network) -> pd.DataFrame:
    """Delay and length of every path.

    Returns
    -------
    DataFrame
        One row per path: `go_us`, `return_us`, `delay_us` (the greater), its
        terms `fibre_us`, `equipment_us`, `extra_us`, `test_us` (what measured
        delays add), `length_m` (fibre), `route_m`; and `turned_us`, the longest
        that the path's circuit takes where its ring turns back at a failure on
        this path (NaN where it does not). NaN where a link's length is unknown.

    Notes
    -----
    Fibre length times group index over c; every piece of equipment on the path
    (both ends and `via` included) counts once. `go` is from the circuit's end
    a to its end b, whichever way the links are on record.
    """
    paths = network.paths
    links = link_delays(network)
    rows = np.repeat(np.arange(len(paths)), np.diff(paths.first))

    def along(go: str, back: str) -> Floats:
        onward, backward = (links[name].to_numpy()[paths.link] for name in (go, back))
        walked = np.where(paths.backward, backward, onward)
        return np.bincount(rows, walked, len(paths)).astype(np.float64)

    def added(values: Floats) -> Floats:
        return np.bincount(rows, values[paths.link], len(paths)).astype(np.float64)

    equipment = equipment_us(network, rows)
    go = along("go_us", "return_us") + equipment
    back = along("return_us", "go_us") + equipment
    longer = back > go

    def term(name: str) -> Floats:
        onward, backward = f"{name}_go_us", f"{name}_return_us"
        return np.where(longer, along(backward, onward), along(onward, backward))

    lengths = length_terms(network)
    frame = pd.DataFrame(
        {
            "go_us": go,
            "return_us": back,
            "delay_us": np.maximum(go, back),
            "fibre_us": term("fibre"),
            "equipment_us": equipment,
            "extra_us": added(links["extra_us"].to_numpy()),
            "test_us": term("test"),
            "turned_us": turned_back_us(network, links),
            "length_m": added(lengths["length_m"].to_numpy()),
            "route_m": added(lengths["ground_m"].to_numpy()),
        }
    ).round(DECIMALS_US)
    frame[np.diff(paths.first) == 0] = np.nan
    return frame


def _glass_us(network: Network) -> tuple[Floats, Floats]:
    """Delay in the glass or the air of every link by its length, go and return."""
    pieces, study, lengths = network.pieces, network.study, network.lengths
    links, rules = study.tables["links"], study.rules
    count = len(links)
    medium = links["medium"].fillna("fibre")
    hop_index = medium.map({name: one.group_index for name, one in rules.media.items()})
    glass = glass_of(network)
    microseconds = fibre_delay_us(glass.fibre_m, glass.group_index)
    without = np.bincount(pieces.link, minlength=count) == 0
    stretches = np.maximum(np.bincount(pieces.link, minlength=count), 1)
    mean_index = np.where(
        without,
        hop_index.to_numpy(dtype=np.float64),
        np.bincount(pieces.link, glass.group_index, count) / stretches,
    )

    def add(way: int, length_m: Floats, by_cables_m: Floats) -> Floats:
        chosen = (pieces.way == BOTH) | (pieces.way == way)
        total = np.bincount(pieces.link[chosen], microseconds[chosen], count)
        by_length = fibre_delay_us(length_m, mean_index)
        with np.errstate(invalid="ignore", divide="ignore"):
            scaled = total * (length_m / by_cables_m)
        scaled = np.where(length_m == by_cables_m, total, scaled)
        return np.where(without | ~np.isfinite(scaled), by_length, scaled)

    return (
        add(GO, lengths.go_m, lengths.by_cables_go_m),
        add(RETURN, lengths.return_m, lengths.by_cables_return_m),
    )


def equipment_us(network: Network, rows: np.ndarray) -> Floats:
    """Delay of the equipment on each path, each piece once; `rows` is the path of each link."""
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

"""How long things are: segments on the ground, and the fibre in the cables that use them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely

from waysapart.formulas.length import (
    catenary_length_m,
    fibre_length_m,
    geodesic_length_m,
    helix_factor,
)
from waysapart.network.assets import Assets, Bools, Floats
from waysapart.network.ends import Ends, Passing
from waysapart.network.links import BOTH, GO, RETURN, LinkParts, Parts
from waysapart.network.measurements import Tested
from waysapart.study.crs import LON_LAT, transformer_between
from waysapart.study.model import Study

SPAN = "span"


@dataclass(frozen=True)
class CableTerms:
    """What makes a part's fibre longer than its route, per part.

    `route_m` ground length; `sag_m` what sag adds; `helix` factor of a wrapped
    cable; `overlength_pct`; `slack_m` the part's share of the cable's slack;
    `computed_m` all together, NaN where no run is on record; `fibre_m` the
    same, or the part's share of the cable's length by test where it has one.
    """

    route_m: Floats
    sag_m: Floats
    helix: Floats
    overlength_pct: Floats
    slack_m: Floats
    computed_m: Floats
    fibre_m: Floats


def to_lonlat(study: Study, lines: np.ndarray) -> np.ndarray:
    """Geometries of the working CRS in longitude and latitude (WGS 84)."""
    transformer = transformer_between(study.crs, LON_LAT)

    def turn(points: np.ndarray) -> np.ndarray:
        return np.column_stack(transformer.transform(points[:, 0], points[:, 1]))

    turned: np.ndarray = shapely.transform(lines, turn)
    return turned


def segment_lengths_m(study: Study, lonlat: np.ndarray) -> Floats:
    """Ground length of every segment: `length_m` where measured, else the geodesic's."""
    segments = study.tables["segments"]
    measured = segments["length_m"].to_numpy(dtype=np.float64)
    return np.where(np.isnan(measured), geodesic_length_m(lonlat), measured)


def sag_lengths_m(
    study: Study, assets: Assets, length_m: Floats, ends: Ends, passed: Passing
) -> Floats:
    """What hanging adds to every segment's length: sag, and supports of unequal height.

    A line over passed towers hangs between each two. Height counts where both
    supports have an `elevation_m`, and only for spans: a span without a sag on
    record is as long as the straight line between its supports.
    """
    segments = study.tables["segments"]
    sag = np.nan_to_num(segments["sag_m"].to_numpy(dtype=np.float64))
    added = np.zeros(len(segments))
    hanging = np.flatnonzero((sag > 0) | (segments["kind"] == SPAN).to_numpy())
    if not len(hanging):
        return added
    mine = np.isin(passed.segment, hanging)
    segment = np.r_[np.repeat(hanging, 2), passed.segment[mine]]
    fraction = np.r_[np.tile([0.0, 1.0], len(hanging)), passed.fraction[mine]]
    support = np.r_[
        np.column_stack([ends.a[hanging], ends.b[hanging]]).ravel(), passed.structure[mine]
    ]
    order = np.lexsort((fraction, segment))
    segment, fraction, support = segment[order], fraction[order], support[order]
    height = _heights_m(study, assets)[support]
    within = segment[1:] == segment[:-1]
    span = (np.diff(fraction) * length_m[segment[1:]])[within]
    rise = np.nan_to_num(np.diff(height)[within])
    owner = segment[1:][within]
    real = span > 0
    extra = catenary_length_m(span[real], sag[owner[real]], rise[real]) - span[real]
    np.add.at(added, owner[real], extra)
    return added


def _heights_m(study: Study, assets: Assets) -> Floats:
    """Elevation of every asset, with one NaN behind them for an end that meets nothing (-1)."""
    height = np.full(len(assets) + 1, np.nan)
    height[:-1][assets.of_role("structures")] = study.tables["structures"]["elevation_m"]
    return height


def part_terms(
    study: Study,
    parts: Parts,
    length_m: Floats,
    sag_extra_m: Floats,
    tested_m: Floats,
    unclear: Bools,
) -> CableTerms:
    """Route, sag, helix, overlength, slack and fibre length of every part.

    `tested_m` is the length of every cable by test, NaN where it has none;
    `unclear` tells the cables of which some stretch is not on record.
    """
    cables, rules = study.tables["cables"], study.rules
    count = len(parts.cable)
    share = np.abs(parts.stop - parts.start)
    rows = np.repeat(np.arange(count), np.diff(parts.first))
    route = np.bincount(rows, length_m[parts.segment] * share, count).astype(np.float64)
    sag = np.bincount(rows, sag_extra_m[parts.segment] * share, count).astype(np.float64)
    empty = np.diff(parts.first) == 0
    route = np.where(empty | unclear[parts.cable], np.nan, route)

    kinds = cables["kind"].to_numpy()
    overlength = cables["overlength_pct"].to_numpy(dtype=np.float64)
    slack = cables["slack_m"].to_numpy(dtype=np.float64)
    default_overlength = np.array([rules.by_kind("overlength_pct", kind) for kind in kinds])
    default_slack = np.array([rules.by_kind("slack_m", kind) for kind in kinds])
    overlength = np.where(np.isnan(overlength), default_overlength, overlength)
    slack = np.where(np.isnan(slack), default_slack, slack)
    pitch = cables["wrap_pitch_m"].to_numpy(dtype=np.float64)
    across = cables["wrap_diameter_mm"].to_numpy(dtype=np.float64) / 1000
    wrapped = ~np.isnan(pitch) & ~np.isnan(across)
    helix = np.ones(len(cables))
    helix[wrapped] = helix_factor(pitch[wrapped], across[wrapped])

    cable = parts.cable
    with np.errstate(invalid="ignore", divide="ignore"):
        part_slack = slack[cable] * np.where(parts.whole, 1.0, route / route[cable])
        computed = fibre_length_m(route, sag, helix[cable], overlength[cable], part_slack)
        tested = tested_m[cable] * np.where(parts.whole, 1.0, computed / computed[cable])
    return CableTerms(
        route,
        sag,
        helix[cable],
        overlength[cable],
        part_slack,
        computed,
        np.where(np.isnan(tested), computed, tested),
    )


@dataclass(frozen=True)
class LinkLengths:
    """Fibre and ground length of every link, for go and for return.

    `go_m` and `return_m` are by test where the link as a whole was tested;
    `by_cables_go_m` and `by_cables_return_m` are what its cables add up to.
    """

    go_m: Floats
    return_m: Floats
    route_m: Floats
    by_cables_go_m: Floats
    by_cables_return_m: Floats


def link_lengths(study: Study, pieces: LinkParts, terms: CableTerms, tested: Tested) -> LinkLengths:
    """Add up the parts of every link; a hop without cables has the length it states, else 0."""
    links = study.tables["links"]
    count = len(links)
    stated = np.nan_to_num(links["length_m"].to_numpy(dtype=np.float64))
    without = np.bincount(pieces.link, minlength=count) == 0
    both, go, back = pieces.way == BOTH, pieces.way == GO, pieces.way == RETURN
    fibre, route = terms.fibre_m[pieces.part], terms.route_m[pieces.part]

    def add(rows: np.ndarray, values: Floats) -> Floats:
        return np.bincount(pieces.link[rows], values[rows], count).astype(np.float64)

    needs_cable = (links["medium"].fillna("fibre") == "fibre").to_numpy()
    alone = np.where(needs_cable & (stated == 0), np.nan, stated)
    common = add(both, fibre)
    ground = add(both, route) + np.maximum(add(go, route), add(back, route))
    onward = np.where(without, alone, common + add(go, fibre))
    backward = np.where(without, alone, common + add(back, fibre))
    two_ways = add(~both, np.ones(len(fibre))) > 0
    tested_go = np.where(two_ways, tested.link_go_m, tested.link_m)
    tested_back = np.where(two_ways, tested.link_return_m, tested.link_m)
    return LinkLengths(
        np.where(np.isnan(tested_go), onward, tested_go),
        np.where(np.isnan(tested_back), backward, tested_back),
        np.where(without, alone, ground),
        onward,
        backward,
    )

"""Unavailability of every path, of all ways of a circuit or group at once, and what brings it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import cast

import numpy as np
import scipy.sparse as sp

from waysapart.findings.separation.intervals import expand
from waysapart.formulas.availability import (
    birnbaum_both_down,
    both_down,
    failures_per_year,
    losses_per_year,
    path_unavailability,
    split,
    unavailability,
    unheld_length_m,
)
from waysapart.formulas.many_paths import GREATEST_PATHS, all_down, birnbaum_all_down
from waysapart.network.assets import Bools, Floats, Ints, boolean
from waysapart.network.tie import Network
from waysapart.reliance.rely import Reliance

SEGMENT_KINDS = (
    "span",
    "duct",
    "subduct",
    "trench",
    "tray",
    "riser",
    "buried",
    "tunnel",
    "bridge",
    "subsea",
)
"""Rates of these kinds are those of segments, with the cables in them: a cable
of the same kind takes the rate of cables, or the same cut would count twice."""
_TWO = 2
_EVEN_DECIMALS = 15
_EVEN = 10.0**-_EVEN_DECIMALS
"""Contributions that differ by less come in the order of the assets."""


@dataclass(frozen=True)
class Outages:
    """How often things fail, and what that does to the ways.

    Attributes
    ----------
    per_year, share : ndarray of float, shape (assets,)
        Failures a year; part of the time down.
    paths : ndarray of float, shape (paths,)
        Part of the time that each path is down.
    together : ndarray of float, shape (tests,)
        Part of the time that all ways of a test are down; NaN without ways,
        and with more of them than can be worked out (`GREATEST_PATHS`).
    losses : ndarray of float, shape (tests,)
        How often in a year that happens.
    importance : csr_array of float, shape (tests, classes)
        Birnbaum's importance of each class of assets (`Reliance.classes`) taken
        as one thing.
    weight : ndarray of float, shape (assets,)
        What makes of its class's importance the asset's contribution.
    members : csr_array of bool, shape (classes, assets)
    unrated : ndarray of int
        Hazards that no rate is on record for; they count as never happening.
    """

    per_year: Floats
    share: Floats
    paths: Floats
    together: Floats
    losses: Floats
    importance: sp.csr_array
    weight: Floats
    members: sp.csr_array
    unrated: Ints

    @cached_property
    def heaviest(self) -> Floats:
        """Greatest weight in each class of assets: shape (classes,)."""
        found = np.zeros(self.members.shape[0])
        of = np.repeat(np.arange(len(found)), np.diff(self.members.indptr))
        np.fmax.at(found, of, self.weight[self.members.indices])  # NaN: no length on record
        return found

    def contributions(self, tests: Sequence[int] | Ints) -> Floats:
        """How much less of the time all ways of tests would be down if an asset never failed.

        Added up over the tests: shape (assets,).
        """
        total = np.asarray(self.importance[list(tests)].sum(axis=0)).ravel()
        return np.asarray((self.members.T.astype(np.float64) @ total) * self.weight)


def asset_failures(network: Network) -> tuple[Floats, Floats]:
    """Failures a year and hours to repair of every asset, by the rules; hazards by their own.

    A segment within another (a duct in a trench) fails only for the length that
    lies in no other: the dig that takes the trench is the trench's failure.
    """
    study, assets = network.study, network.assets
    count = len(assets)
    per_year, repair_h = np.zeros(count), np.zeros(count)
    segments = assets.of_role("segments")
    length = np.zeros(count)
    held = sp.csr_array(network.within[segments, segments])
    length[segments] = unheld_length_m(network.segment_m, held)
    cables = len(study.tables["cables"])
    length[assets.of_role("cables")] = np.nan_to_num(network.terms.fibre_m[:cables])
    classes = assets.frame.groupby(["role", "kind"], dropna=False, sort=False).indices
    for key, rows in classes.items():
        role, kind = cast(tuple[str, object], key)
        own = None if role == "cables" and kind in SEGMENT_KINDS else kind
        failure = study.rules.failure(own, role)
        if failure is not None:
            per_year[rows] = failures_per_year(
                length[rows], failure.per_km_year or 0.0, failure.per_year or 0.0
            )
            repair_h[rows] = failure.repair_h
    hazards = study.tables["hazards"]
    mine = assets.of_role("hazards")
    for column, values in (("per_year", per_year), ("repair_h", repair_h)):
        stated = hazards[column].to_numpy(dtype=np.float64)
        values[mine] = np.where(np.isnan(stated), values[mine], stated)
    return per_year, repair_h


def outages(reliance: Reliance, tests: Sequence[Sequence[int]], lost: Bools) -> Outages:
    """Unavailability of paths and of tests, exact with everything that their ways share.

    Parameters
    ----------
    reliance : Reliance
    tests : sequence of sequence of int
        The paths that must all be down for each test to be lost.
    lost : ndarray of bool, shape (paths,)
        Paths that are out of service now: down all the time.
    """
    network = reliance.network
    per_year, repair_h = asset_failures(network)
    share = unavailability(per_year, repair_h)
    paths = reliance.path_classes
    members = sp.csr_array(reliance.classes.members[:, : len(network.assets)])
    by_class = members.astype(np.float64)
    up = np.log1p(-share)
    down = np.asarray(-np.expm1(by_class @ up))
    alone = np.array(path_unavailability(paths, down))
    alone[lost] = 1.0
    blank = network.study.tables["hazards"]["per_year"].isna().to_numpy()
    unrated = blank & (per_year[network.assets.of_role("hazards")] == 0)
    rest_up = np.asarray(members.T.astype(np.float64) @ np.log1p(-down)) - up
    found = Outages(
        per_year,
        share,
        alone,
        np.full(len(tests), np.nan),
        np.full(len(tests), np.nan),
        sp.csr_array((len(tests), len(down)), dtype=np.float64),
        share * np.exp(rest_up),
        members,
        network.assets.start["hazards"] + np.flatnonzero(unrated),
    )
    classes = _Classes(paths, down, np.asarray(by_class @ per_year))
    return _together(found, classes, [[p for p in ways if not lost[p]] for ways in tests], tests)


@dataclass(frozen=True)
class _Classes:
    """Classes of assets in series: which paths rely on them, time down, failures a year."""

    paths: sp.csr_array
    down: Floats
    per_year: Floats


def _together(
    found: Outages,
    classes: _Classes,
    running: list[list[int]],
    tests: Sequence[Sequence[int]],
) -> Outages:
    """Fill in what concerns all ways at once: two ways by sparse products, others one by one."""
    paths, down = classes.paths, classes.down
    together, losses = found.together.copy(), found.losses.copy()
    ways = np.array([len(one) for one in running], dtype=np.int64)
    together[(ways == 0) & (np.array([len(one) for one in tests]) > 0)] = 1.0
    losses[together == 1.0] = 0.0
    pairs = np.flatnonzero(ways == _TWO)
    both = np.array([running[test] for test in pairs], dtype=np.int64).reshape(-1, _TWO)
    parts = split(sp.csr_array(paths[both[:, 0]]), sp.csr_array(paths[both[:, 1]]))
    together[pairs] = both_down(parts, down)
    birnbaum = birnbaum_both_down(parts, down)
    # A class fails as often as its members do while the others of it are up.
    losses[pairs] = losses_per_year(birnbaum, classes.per_year, down)
    shape = (len(tests), len(down))
    place = boolean(pairs, np.arange(len(pairs)), (len(tests), len(pairs))).astype(np.float64)
    importance = sp.csr_array(place @ birnbaum)
    rows, columns, values = [], [], []
    for test in np.flatnonzero((ways == 1) | (ways > _TWO)).tolist():
        if ways[test] > GREATEST_PATHS:
            continue
        mine = sp.csr_array(paths[running[test]])
        together[test] = all_down(mine, np.zeros(ways[test], dtype=np.int64), down)[0]
        single = birnbaum_all_down(mine, down)
        used = np.flatnonzero(single)
        losses[test] = single @ (classes.per_year * (1 - down))
        rows.append(np.full(len(used), test))
        columns.append(used)
        values.append(single[used])
    if rows:
        entries = np.concatenate(rows), np.concatenate(columns)
        importance = sp.csr_array(
            importance + sp.csr_array((np.concatenate(values), entries), shape=shape)
        )
    return replace(found, together=together, losses=losses, importance=importance)


def greatest_contributions(found: Outages, test: int, count: int) -> list[tuple[int, float]]:
    """The assets that bring a test most of its loss of all ways, with how much, greatest first."""
    importance, members = found.importance, found.members
    low, high = importance.indptr[test], importance.indptr[test + 1]
    mine, share = importance.indices[low:high], importance.data[low:high]
    # Every class brings its weightiest member, so classes below the count-th of these bring none.
    most = share * found.heaviest[mine]
    if len(mine) > count:
        least = np.partition(most, -count)[-count] - 2 * _EVEN
        mine, share = mine[most >= least], share[most >= least]
    begin = members.indptr[mine]
    size = members.indptr[mine + 1] - begin
    row, at = expand(begin.astype(np.int64), size.astype(np.int64))
    assets = members.indices[at]
    values = share[row] * found.weight[assets]
    order = np.lexsort((assets, -np.round(values, _EVEN_DECIMALS)))[:count]
    return [(int(assets[k]), float(values[k])) for k in order if values[k] > 0]

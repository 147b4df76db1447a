"""Unavailability of every path, and of all paths of a circuit or group at once."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy.sparse as sp

from waysapart.findings.sharing import Sides
from waysapart.formulas.availability import failures_per_year, path_unavailability, unavailability
from waysapart.formulas.many_paths import all_down
from waysapart.network.assets import Floats
from waysapart.network.tie import Network
from waysapart.reliance.rely import Reliance


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
        Part of the time that all sides of a test are down; NaN without sides.
    """

    per_year: Floats
    share: Floats
    paths: Floats
    together: Floats


def asset_failures(network: Network) -> tuple[Floats, Floats]:
    """Failures a year and hours to repair of every asset, by the rules; hazards by their own."""
    study, assets = network.study, network.assets
    count = len(assets)
    per_year, repair_h = np.zeros(count), np.zeros(count)
    length = np.zeros(count)
    length[assets.of_role("segments")] = network.segment_m
    cables = len(study.tables["cables"])
    length[assets.of_role("cables")] = np.nan_to_num(network.terms.fibre_m[:cables])
    classes = assets.frame.groupby(["role", "kind"], dropna=False, sort=False).indices
    for (role, kind), rows in classes.items():
        failure = study.rules.failure(kind, str(role))
        if failure is not None:
            per_year[rows] = failures_per_year(
                length[rows], failure.per_km_year or 0.0, failure.per_year or 0.0
            )
            repair_h[rows] = failure.repair_h
    hazards = study.tables["hazards"]
    mine = assets.of_role("hazards")
    per_year[mine] = np.nan_to_num(hazards["per_year"].to_numpy(dtype=np.float64))
    stated = hazards["repair_h"].to_numpy(dtype=np.float64)
    repair_h[mine] = np.where(np.isnan(stated), repair_h[mine], stated)
    return per_year, repair_h


def outages(reliance: Reliance, sides: Sides) -> Outages:
    """Unavailability of paths and of tests, exact with everything that their sides share."""
    network = reliance.network
    per_year, repair_h = asset_failures(network)
    share = unavailability(per_year, repair_h)
    count = len(network.assets)
    paths = sp.csr_array(reliance.paths[:, :count])
    relied = sp.csr_array(sides.paths @ paths)
    together = np.full(len(sides), np.nan)
    if len(sides.test):
        down = all_down(relied, sides.test, share)
        together[: len(down)] = down
    return Outages(per_year, share, path_unavailability(paths, share), together)

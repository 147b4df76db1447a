"""Which plant each hazard puts out of service."""

from __future__ import annotations

import numpy as np
import pandas as pd
import scipy.sparse as sp
import shapely
from pyproj import Geod

from waysapart.arrays import Floats, boolean
from waysapart.network.assets import Assets, listed
from waysapart.network.lengths import positions_deg
from waysapart.study.model import Study

_ROLES = ("sites", "structures", "segments")
_WIDEST_SCALE = 1.05
"""More than the scale factor of any working coordinate system, also for plant beyond its edge."""


def taken_by_hazards(study: Study, assets: Assets) -> sp.csr_array:
    """Find the segments, structures and sites that each hazard puts out of service.

    Those are the assets within `reach_m` of it, of the kinds that it takes.

    Parameters
    ----------
    study : Study
    assets : Assets

    Returns
    -------
    csr_array of bool, shape (assets, assets)
        Hazard (column) puts the asset (row) out of service.

    Notes
    -----
    `reach_m` is in metres on the ground, whatever the scale of the working coordinate system:
    candidates are measured again on the ellipsoid. Distances are measured, not buffered, so that
    round corners are exact. One spatial index of the plant serves all hazards.
    """
    hazards = study.tables["hazards"]
    plant = np.concatenate([study.geometries(role) for role in _ROLES])
    number = np.concatenate([np.arange(len(assets))[assets.of_role(role)] for role in _ROLES])
    reach = np.nan_to_num(hazards["reach_m"].to_numpy(dtype=np.float64))
    shapes = study.geometries("hazards")
    hazard, place = shapely.STRtree(plant).query(
        shapes, predicate="dwithin", distance=reach * _WIDEST_SCALE
    )
    near = np.flatnonzero(ground_m(study, shapes[hazard], plant[place]) <= reach[hazard])
    hazard, taken = hazard[near], number[place[near]]
    row, kind = listed(hazards["takes"])
    wanted = pd.MultiIndex.from_arrays([row, kind.to_numpy(dtype=object)])
    asked = pd.MultiIndex.from_arrays([hazard, assets.frame["kind"].to_numpy(dtype=object)[taken]])
    everything = ~np.isin(hazard, row)
    takes = np.flatnonzero(everything | asked.isin(wanted))
    return boolean(
        taken[takes], assets.start["hazards"] + hazard[takes], (len(assets), len(assets))
    )


def ground_m(study: Study, one: np.ndarray, other: np.ndarray) -> Floats:
    """Measure the distance between geometries of the working CRS on the ellipsoid.

    Parameters
    ----------
    study : Study
    one, other : ndarray of Geometry, shape (n,)
        Compared row by row.

    Returns
    -------
    ndarray of float, shape (n,)
        Metres; NaN where one is missing.
    """
    metres = np.asarray(shapely.distance(one, other), dtype=np.float64)
    apart = np.flatnonzero(metres > 0)
    if not len(apart):
        return metres
    ends = shapely.get_coordinates(
        positions_deg(study, np.asarray(shapely.shortest_line(one[apart], other[apart])))
    ).reshape(-1, 4)
    _, _, geodesic = Geod(ellps="WGS84").inv(ends[:, 0], ends[:, 1], ends[:, 2], ends[:, 3])
    metres[apart] = geodesic
    return metres

"""Which plant each hazard puts out of service."""

from __future__ import annotations

import numpy as np
import pandas as pd
import scipy.sparse as sp
import shapely

from waysapart.arrays import boolean
from waysapart.network.assets import Assets, listed
from waysapart.study.model import PLANT_ROLES, Study


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
    `reach_m` is in metres on the ground: what the study's plane finds is measured on the
    ellipsoid, and not buffered, so that round corners are exact. One spatial index of the plant
    serves all hazards.
    """
    hazards = study.tables["hazards"]
    plant = np.concatenate([study.geometries(role) for role in PLANT_ROLES])
    number = np.concatenate([np.arange(len(assets))[assets.of_role(role)] for role in PLANT_ROLES])
    reach = np.nan_to_num(hazards["reach_m"].to_numpy(dtype=np.float64))
    shapes = study.geometries("hazards")
    hazard, place = shapely.STRtree(plant).query(
        shapes, predicate="dwithin", distance=study.plane.reach(shapes, reach)
    )
    metres = study.plane.metres(shapes[hazard], plant[place])
    near = np.flatnonzero(metres <= reach[hazard])
    hazard, taken = hazard[near], number[place[near]]
    row, kind = listed(hazards["takes"])
    wanted = pd.MultiIndex.from_arrays([row, kind.to_numpy(dtype=object)])
    asked = pd.MultiIndex.from_arrays([hazard, assets.frame["kind"].to_numpy(dtype=object)[taken]])
    everything = ~np.isin(hazard, row)
    takes = np.flatnonzero(everything | asked.isin(wanted))
    return boolean(
        taken[takes], assets.start["hazards"] + hazard[takes], (len(assets), len(assets))
    )

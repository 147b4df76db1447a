"""Which plant, and which radio hops, each hazard puts out of service."""

from __future__ import annotations

import numpy as np
import pandas as pd
import scipy.sparse as sp
import shapely

from waysapart.arrays import boolean
from waysapart.network.assets import Assets, listed
from waysapart.network.lengths import radio_lines
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


RADIO = "radio"
"""What a hazard must take for it to touch the path of a radio hop. A flood or a slip takes nothing
that goes through the air, so that a hazard without `takes` does not take radio paths."""


def radio_in_hazards(study: Study, assets: Assets) -> sp.csr_array:
    """Find the hazards that take each radio hop: its path crosses them, and they take `radio`.

    Parameters
    ----------
    study : Study
    assets : Assets

    Returns
    -------
    csr_array of bool, shape (links, assets)
    """
    lines = radio_lines(study)
    radio = np.flatnonzero(~shapely.is_missing(lines))
    row, kind = listed(study.tables["hazards"]["takes"])
    hazard = np.unique(row[(kind == RADIO).to_numpy()])
    shape = (len(lines), len(assets))
    if not len(radio) or not len(hazard):
        return sp.csr_array(shape, dtype=np.bool_)
    reach = np.nan_to_num(study.tables["hazards"]["reach_m"].to_numpy(dtype=np.float64))[hazard]
    shapes = study.geometries("hazards")[hazard]
    one, other = shapely.STRtree(lines[radio]).query(
        shapes, predicate="dwithin", distance=study.plane.reach(shapes, reach)
    )
    near = study.plane.metres(shapes[one], lines[radio][other]) <= reach[one]
    return boolean(
        radio[other[near]].astype(np.int64),
        assets.start["hazards"] + hazard[one[near]].astype(np.int64),
        shape,
    )

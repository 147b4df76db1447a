"""All the largest sets of segments that one circle of a given radius can take."""

from __future__ import annotations

from typing import TypedDict

import numpy as np
import pandas as pd
import scipy.sparse as sp

from waysapart.arrays import Bools, Ints, boolean, csr_row
from waysapart.errors import CallError
from waysapart.findings.separation.earth import to_lonlat
from waysapart.findings.separation.pieces import straight_pieces
from waysapart.findings.separation.places import largest_sets as sets_of_lines
from waysapart.network.routes import routes
from waysapart.whatif.base import Base, Subject, base_of


class RegionFacts(TypedDict):
    """One largest set of segments, a circle that takes it, and what its loss puts out of service.

    `circuits`: how many have a path along a segment of the set; `lost`: how many have no
    other path left.
    """

    at: list[float]
    radius_m: float
    hit: list[str]
    circuits: int
    lost: int
    circuits_lost: list[str]


def largest_sets(subject: Subject, radius_m: float = 50.0) -> pd.DataFrame:
    """List all the largest sets of segments that one circle of a given radius can take.

    Parameters
    ----------
    subject : Study, Network or Proof
    radius_m : float
        Metres, greater than 0.

    Returns
    -------
    DataFrame
        `lon`, `lat` (of the centre of a circle that takes the set, degrees), `radius_m`,
        `hit` (ids of segments, sorted), `circuits` (how many have a path along one of
        them), `lost` (how many of these have no other path left), `circuits_lost` (ids).
        By `lost`, `circuits`, size of the set, then ids.

    Raises
    ------
    CallError
        The radius is not greater than 0.

    Notes
    -----
    Largest by inclusion: no set lies in another, and whatever a circle of the radius takes,
    wherever it is put, lies in one of them. Every segment with a geometry counts, whether a
    path follows it or not, in end zones as well. The disc is closed: a segment just at the
    radius is taken, to a tenth of a millimetre for radii up to a kilometre (5 cm at 10 km,
    where the ground under the circle is no longer flat). A path counts as cut where it
    follows a segment of the set, or a part of one.

    Such lists are what J. Tapolcai, L. Ronyai, B. Vass and L. Gyimothi compute in 'List of
    Shared Risk Link Groups Representing Regional Failures with Limited Size', INFOCOM 2017.

    Examples
    --------
    >>> import waysapart as wa
    >>> study = wa.read_study("examples/estuary")
    >>> sets = wa.largest_sets(study, 100)
    >>> sets.columns.tolist()
    ['lon', 'lat', 'radius_m', 'hit', 'circuits', 'lost', 'circuits_lost']
    """
    return sets_of_base(base_of(subject), radius_m)


def sets_of_base(base: Base, radius_m: float, chosen: Ints | None = None) -> pd.DataFrame:
    """The table of `largest_sets`, of some circuits alone.

    Parameters
    ----------
    base : Base
    radius_m : float
    chosen : ndarray of int, optional
        Circuits that count; default: all.

    Returns
    -------
    DataFrame
    """
    if not (radius_m > 0 and np.isfinite(radius_m)):
        raise CallError(f"radius_m {radius_m:g}: expected more than 0 m")
    names = np.array(base.circuit_ids(), dtype=object)
    counted = np.ones(len(names), dtype=bool)
    if chosen is not None:
        counted[:] = False
        counted[chosen] = True
    centres, sets = sets_of_lines(straight_pieces(base.network.lonlat), radius_m)
    lost, touched = _circuits(base, sets, counted)
    ids = base.study.tables["segments"]["id"].to_numpy()
    hit = [sorted(str(one) for one in ids[csr_row(sets, row)]) for row in range(sets.shape[0])]
    lon, lat = to_lonlat(centres)
    table = pd.DataFrame(
        {
            "lon": lon,
            "lat": lat,
            "radius_m": float(radius_m),
            "hit": pd.Series(hit, dtype=object),
            "circuits": np.diff(touched.indptr),
            "lost": np.diff(lost.indptr),
            "circuits_lost": pd.Series(
                [[str(one) for one in names[csr_row(lost, row)]] for row in range(len(hit))],
                dtype=object,
            ),
        }
    )
    order = sorted(
        range(len(hit)),
        key=lambda row: (-table["lost"][row], -table["circuits"][row], -len(hit[row]), hit[row]),
    )
    return table.iloc[order].reset_index(drop=True)


def _circuits(base: Base, sets: sp.csr_array, counted: Bools) -> tuple[sp.csr_array, sp.csr_array]:
    """Boolean matrices (sets, circuits): left without a path that runs now, and touched at all."""
    paths, route = base.network.paths, routes(base.network)
    runs = ~base.out[route.path]
    follows = boolean(route.segment[runs], route.path[runs], (sets.shape[1], len(paths)))
    mine = np.flatnonzero(counted[paths.circuit])
    member = boolean(mine, paths.circuit[mine], (len(paths), len(counted))).astype(np.int32)
    running = np.asarray((~base.out).astype(np.int32) @ member)
    touched = sp.csr_array(sp.csr_array(sets @ follows).astype(np.int32) @ member)
    touched.sort_indices()
    lost = sp.csr_array(touched.copy())
    lost.data = (lost.data == running[lost.indices]).astype(np.int32)
    lost.eliminate_zeros()
    return lost, touched


def region_facts(table: pd.DataFrame) -> list[RegionFacts]:
    """Rows of `largest_sets` as plain data.

    Parameters
    ----------
    table : DataFrame

    Returns
    -------
    list of RegionFacts
    """
    return [
        {
            "at": [round(float(row["lon"]), 7), round(float(row["lat"]), 7)],
            "radius_m": float(row["radius_m"]),
            "hit": list(row["hit"]),
            "circuits": int(row["circuits"]),
            "lost": int(row["lost"]),
            "circuits_lost": list(row["circuits_lost"]),
        }
        for row in table.to_dict("records")
    ]

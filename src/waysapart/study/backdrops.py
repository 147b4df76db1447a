"""Layers without a role: what the plant lies among, such as water and roads.

No verdict depends on them. Proposals say which of them new plant crosses or runs beside.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from waysapart.schema import BACKDROP
from waysapart.study.columns import as_text, rename
from waysapart.study.crs import (
    LON_LAT,
    check_area_of_use,
    corners_deg,
    moved,
    to_lon_lat,
    to_wgs_84,
)
from waysapart.study.geometry import placed
from waysapart.study.ledger import MAX_ROWS, Ledger
from waysapart.study.settings import Settings, backdrops_of, source_exists
from waysapart.study.sources import Layer, LayerSpec, SourceError, read_source

if TYPE_CHECKING:
    from numpy.typing import NDArray
    from pyproj import CRS


@dataclass(frozen=True, slots=True)
class Backdrop:
    """One layer without a role.

    Attributes
    ----------
    name : str
        As study.toml gives it.
    table : GeoDataFrame
        In longitude and latitude, WGS 84: `id`, `name` and `kind` as `str` (blank: NaN), `geometry`
        of any type, the columns of the source, and `_row`. Rows are in the order of the source;
        those whose geometry cannot be used are left out.
    file : str
        As study.toml names it; a database address without its password.
    layer : str or None
        The layer inside the file.
    left_out : int
        Rows without a geometry that can be used.
    """

    name: str
    table: gpd.GeoDataFrame
    file: str
    layer: str | None = None
    left_out: int = 0

    @property
    def lonlat(self) -> NDArray[np.object_]:
        """Geometry of every row in longitude and latitude."""
        return np.asarray(self.table["geometry"].to_numpy(), dtype=object)


def read_backdrops(
    chain: Sequence[Settings],
    grids: Sequence[CRS | None],
    datum: CRS,
    corners: Sequence[NDArray[np.float64]],
    snap_m: float,
    ledger: Ledger,
) -> tuple[Backdrop, ...]:
    """Read the layers without a role of a study and of all that it extends.

    A row that cannot be used is left out, with a note; it is no gap.

    Parameters
    ----------
    chain : sequence of Settings
        The first base first.
    grids : sequence of CRS or None
        `crs` of each.
    datum : CRS
        Of most of the plant.
    corners : sequence of ndarray, shape (n, 2)
        Places of the plant, in degrees.
    snap_m : float
    ledger : Ledger
        Collects every fault, and every file read.

    Returns
    -------
    tuple of Backdrop
        By name.
    """
    plant = np.concatenate([np.empty((0, 2)), *corners])
    found = []
    for name, (spec, settings) in sorted(backdrops_of(chain).items()):
        if not source_exists(spec, settings, ledger):
            continue
        grid = next(one for mine, one in zip(chain, grids, strict=True) if mine is settings)
        try:
            found.append(_read(name, spec, grid, datum, plant, snap_m, ledger))
        except SourceError as fault:
            ledger.problems.extend(fault.problems)
    return tuple(found)


def _read(
    name: str,
    spec: LayerSpec,
    grid: CRS | None,
    datum: CRS,
    plant: NDArray[np.float64],
    snap_m: float,
    ledger: Ledger,
) -> Backdrop:
    raw = read_source(spec)
    ledger.inputs.extend(raw.inputs)
    for note in raw.notes:
        ledger.note(note)
    if spec.where and not len(raw.frame):
        ledger.no_row_kept(spec.shown_source, spec.where)
    layers = [Layer(name, spec.shown_source, raw.layer, dict(spec.columns))]
    frame = rename(spec, raw.frame, ledger)
    frame["_layer"] = 0
    own = Ledger(strict=False)
    frame, shapes, crs = placed(spec, raw.crs, frame, grid, layers, own)
    if crs is not None:
        corners = corners_deg(crs, shapes)
        shapes[check_area_of_use(frame, shapes, corners, crs, layers, own)] = None
        if not own.problems:
            shapes, _ = to_lon_lat(shapes, corners, crs, datum, snap_m, spec.shown_source, own)
            if datum != LON_LAT:
                shapes = moved(shapes, to_wgs_84(datum, plant))
    for place in np.flatnonzero(~shapely.is_valid(shapes) & ~shapely.is_missing(shapes)):
        shapes[place] = shapely.make_valid(shapes[place])  # a collection, or a ring in degrees
    ledger.problems.extend(own.problems)
    for note in own.notes:
        ledger.note(note)
    _note_left_out(spec, raw.layer, own, ledger)
    there = ~shapely.is_missing(shapes)
    if len(there) and not there.any():
        ledger.note(f"{spec.shown_source}, layer {raw.layer or name}: no row has a geometry")
    table = pd.DataFrame(
        {
            column.name: as_text(frame[column.name])
            if column.name in frame
            else pd.Series(np.nan, index=frame.index, dtype="str")
            for column in BACKDROP.columns
        },
        index=frame.index,
    )
    if spec.prefix:
        table["id"] = spec.prefix + table["id"]
    extras = frame.drop(columns=[*table, "_layer"], errors="ignore")
    table = pd.concat([table, pd.Series(shapes, frame.index, name="geometry"), extras], axis=1)
    kept = gpd.GeoDataFrame(table[there].reset_index(drop=True), geometry="geometry", crs=LON_LAT)
    return Backdrop(name, kept, spec.shown_source, raw.layer, int((~there).sum()))


def _note_left_out(spec: LayerSpec, layer: str | None, own: Ledger, ledger: Ledger) -> None:
    """Note each row whose geometry cannot be used."""
    where = f"{spec.shown_source}, layer {layer or spec.role}"
    for one in own.conflicts[:MAX_ROWS]:
        ledger.note(f"{where}, row {one.row}, {one.column}: {one.message}; the row is left out")
    more = len(own.conflicts) - MAX_ROWS
    if more > 0:
        ledger.note(f"{where}: {more} more rows are left out for such faults")

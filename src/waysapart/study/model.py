"""What a study is once it has been read: typed tables, rules, and where each came from."""

from __future__ import annotations

import os
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, date, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from waysapart.gaps import GAP_CODES, BearsOn, Limit
from waysapart.shown import html_table

if TYPE_CHECKING:
    import pandas as pd
    from numpy.typing import NDArray
    from pyproj import CRS

    from waysapart.study.rules import Rules


def now() -> datetime:
    """The present in UTC, or what SOURCE_DATE_EPOCH says it is (reproducible-builds.org)."""
    epoch = os.environ.get("SOURCE_DATE_EPOCH")
    if epoch and epoch.isdigit():
        return datetime.fromtimestamp(int(epoch), tz=UTC)
    return datetime.now(tz=UTC)


def today() -> date:
    """The day of `now`."""
    return now().date()


@dataclass(frozen=True, slots=True)
class GivenGeometry:
    """Geometry of a layer in its own coordinates, kept where the tables hold it moved.

    Attributes
    ----------
    crs : pyproj.CRS
    rows : ndarray of int
        `_row` of each geometry.
    geometry : ndarray of geometries
        Checked, two-dimensional, not moved.
    """

    crs: CRS
    rows: NDArray[np.int64]
    geometry: NDArray[np.object_]


@dataclass(frozen=True, slots=True)
class Layer:
    """One source layer that fed a role.

    Attributes
    ----------
    role : str
    file : str
        As the study names it; a database address without its password.
    layer : str or None
        The layer inside the file.
    their_columns : mapping
        Our column name to theirs, where they differ.
    accuracy_m : float
        Positional accuracy of the layer as a whole: what study.toml states for it
        plus that of the datum shift into the working CRS (0: exact).
    shift_m : float
        The part of it that is the datum shift's, which also counts where a row
        states its own accuracy.
    given : GivenGeometry or None
        Its geometry before it was moved into the working CRS; None: it was not moved.
    by_name : bool
        Whether it was found by the name of its role, with nothing said in study.toml.
    """

    role: str
    file: str
    layer: str | None
    their_columns: Mapping[str, str]
    accuracy_m: float = 0.0
    shift_m: float = 0.0
    given: GivenGeometry | None = field(default=None, compare=False, repr=False)
    by_name: bool = False


@dataclass(frozen=True, slots=True)
class Input:
    """One input file with its SHA-256, so that a change of the records can be told."""

    file: str
    sha256: str


@dataclass(frozen=True, slots=True)
class Gap:
    """One thing that the records leave open: a verdict or a limit that rests on it is not proved.

    Attributes
    ----------
    code : str
        What kind of gap, from `waysapart.gaps`.
    message : str
        What is missing, where, and what to do.
    asset : str
        The id that the gap is about.
    assets, links, circuits : tuple of str
        What the gap touches: every path that relies on one of the assets or
        runs over one of the links, and the circuits.
    path : str or None
        With `circuits`: the one path of theirs that the gap is about.
    with_groups : bool
        Whether the gap touches the groups of its circuits as well, whatever paths count there.
    only : tuple of str or None
        The limits that it leaves open, where they are fewer than those of its code.
    layer, row, column
        Where it stands in the input, as in `waysapart.errors.Problem`.
    fold : str or None
        What many gaps of one kind say together, with `{count}` and `{names}` to fill in, such
        as "{count} ducts do not say what they lie within: {names}". Gaps with the same code,
        column and `fold` are shown as one.
    """

    code: str
    message: str
    asset: str
    assets: tuple[str, ...] = ()
    links: tuple[str, ...] = ()
    circuits: tuple[str, ...] = ()
    path: str | None = None
    with_groups: bool = False
    only: tuple[Limit, ...] | None = None
    file: str | None = None
    layer: str | None = None
    row: int | None = None
    column: str | None = None
    fold: str | None = None

    @property
    def bears_on(self) -> BearsOn:
        """`separation`, `limits` or `both`."""
        if not GAP_CODES[self.code].separation:
            return "limits"
        return "both" if self.limits else "separation"

    @property
    def limits(self) -> tuple[Limit, ...]:
        """The limits whose figures it leaves open."""
        return GAP_CODES[self.code].limits if self.only is None else self.only


@dataclass(frozen=True)
class Study:
    """A study: its tables, rules and sources. Nothing in it is ever changed in place.

    Attributes
    ----------
    name, revision, folder
        From study.toml; `folder` is where the study lies.
    crs : pyproj.CRS
        Working CRS, projected, in metres.
    tables : mapping of str to DataFrame
        One frame per role of `waysapart.schema.ROLES`, always there, possibly
        empty; GeoDataFrames in the working CRS (geometries 2-D, None where
        blank) for roles with geometry. Every column of the role exists:
        text and lists as `str` (missing: NaN; a list is its ids joined by `;`),
        numbers and counts as float64 (NaN: blank), dates as datetime64. Extra
        columns follow. `_layer` (position in `layers`) and `_row` (row in the
        user's tool) say where a row came from. Rows are sorted by the role's
        key, so that the order of the source means nothing.
    rules : Rules
    out : tuple of str
        Assets out of service now.
    on : date
        The day for which the study is judged: waivers and ages are held against it.
    snap_m : float
        How far, in metres, a segment's end may lie from where it ends.
    layers : tuple of Layer
    inputs : tuple of Input
    gaps : tuple of Gap
        What reading left open (references to removed records).
    notes : tuple of str
        Warnings for the report, such as the accuracy of a datum shift.
    files : tuple of Path
        What it was read from, whether it exists or not: nothing is written over these.
    """

    name: str
    revision: str | None
    folder: Path
    crs: CRS
    tables: Mapping[str, pd.DataFrame]
    rules: Rules
    out: tuple[str, ...] = ()
    snap_m: float = 2.0
    layers: tuple[Layer, ...] = ()
    inputs: tuple[Input, ...] = ()
    gaps: tuple[Gap, ...] = ()
    notes: tuple[str, ...] = ()
    on: date = field(default_factory=today)
    files: tuple[Path, ...] = ()

    def geometries(self, role: str) -> NDArray[np.object_]:
        """Geometry of every row of a role in the working CRS; None where blank.

        Parameters
        ----------
        role : str
            One without geometry has None in every row.

        Returns
        -------
        ndarray of geometries, shape (rows,)
        """
        import geopandas as gpd  # loaded by now; the type alone does not need it

        table = self.tables[role]
        if isinstance(table, gpd.GeoDataFrame):
            return np.asarray(table["geometry"].to_numpy(), dtype=object)
        return np.full(len(table), None, dtype=object)

    def given_geometry(
        self, role: str, rows: NDArray[np.int64]
    ) -> tuple[NDArray[np.object_], list[CRS]]:
        """Geometry of some rows of a role in the coordinates of the layers that they came from.

        Parameters
        ----------
        role : str
            One with geometry.
        rows : ndarray of int
            Positions in the role's table.

        Returns
        -------
        geometry : ndarray of geometries, shape (rows,)
            None where blank.
        crs : list of CRS, length (rows,)
            The coordinate system of each; the working CRS for rows that no layer holds, such
            as drafted ones.
        """
        table = self.tables[role]
        geometry = table["geometry"].to_numpy(dtype=object)[rows]
        layer, row = (table[name].to_numpy()[rows] for name in ("_layer", "_row"))
        crs = [self.crs] * len(rows)
        for number in np.unique(layer).tolist():
            given = self.layers[number].given if number < len(self.layers) else None
            if given is None or self.layers[number].role != role:
                continue
            mine = np.flatnonzero(layer == number)
            order = np.argsort(given.rows, kind="stable")
            at = np.searchsorted(given.rows, row[mine], sorter=order)
            found = order[np.minimum(at, len(order) - 1)]
            there = given.rows[found] == row[mine]
            geometry[mine[there]] = given.geometry[found[there]]
            for place in mine[there].tolist():
                crs[place] = given.crs
        return geometry, crs

    def __repr__(self) -> str:
        rows = ", ".join(
            f"{len(frame)} {role}" for role, frame in self.tables.items() if len(frame)
        )
        return f"Study({self.name!r}: {rows})"

    def _repr_html_(self) -> str:
        """For notebooks: how many rows each role has, and which layers they came from."""
        sources: dict[str, list[str]] = {}
        for layer in self.layers:
            where = f"{layer.file} ({layer.layer})" if layer.layer else layer.file
            sources.setdefault(layer.role, []).append(where)
        rows = [
            (role, len(frame), ", ".join(sources.get(role, ())))
            for role, frame in self.tables.items()
            if len(frame)
        ]
        title = self.name if self.revision is None else f"{self.name}, revision {self.revision}"
        return html_table(title, ("role", "rows", "from"), rows)

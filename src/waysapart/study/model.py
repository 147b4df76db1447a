"""What a study is once it has been read: typed tables, rules, and where each came from."""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime
from functools import wraps
from pathlib import Path
from typing import TYPE_CHECKING, Concatenate, ParamSpec, TypeVar

import numpy as np
import shapely

from waysapart.gaps import Gap
from waysapart.study.crs import LON_LAT
from waysapart.study.plane import Plane
from waysapart.study.sources import InputFile, Layer
from waysapart.text import html_table

if TYPE_CHECKING:
    import pandas as pd
    from numpy.typing import NDArray
    from pyproj import CRS

    from waysapart.study.backdrops import Backdrop
    from waysapart.study.proposal import OwnRows
    from waysapart.study.rules import Rules


Of = TypeVar("Of")
Rest = ParamSpec("Rest")
_KEPT = "_kept"


def kept_by_study(
    function: Callable[Concatenate[Study, Rest], Of],
) -> Callable[Concatenate[Study, Rest], Of]:
    """Compute what a function says of a study once, as nothing in a study is ever changed.

    A study made of another by `replace` starts anew, and none of this is pickled.

    Parameters
    ----------
    function : callable
        Its first argument is a study, the others are hashable; nobody changes what it returns.

    Returns
    -------
    callable
        With the same parameters.
    """

    @wraps(function)
    def asked(study: Study, /, *args: Rest.args, **kwargs: Rest.kwargs) -> Of:
        kept = vars(study).setdefault(_KEPT, {})
        key = (function, args, tuple(sorted(kwargs.items())))
        if key not in kept:
            kept[key] = function(study, *args, **kwargs)
        found: Of = kept[key]
        return found

    return asked


PLANT_ROLES = ("sites", "structures", "segments")
"""What hazards take and digs hit."""


def now() -> datetime:
    """The present in UTC, or what SOURCE_DATE_EPOCH says it is (reproducible-builds.org)."""
    epoch = os.environ.get("SOURCE_DATE_EPOCH")
    if epoch and epoch.isdigit():
        return datetime.fromtimestamp(int(epoch), tz=UTC)
    return datetime.now(tz=UTC)


def today() -> date:
    """The day of `now`."""
    return now().date()


@dataclass
class InPlane:
    """The plane of a study and of all that are made of it, and what is drawn in it so far.

    `shapes` holds by role the first table that was drawn and the latest, each with its
    geometries.
    """

    plane: Plane | None = None
    shapes: dict[str, list[tuple[pd.DataFrame, NDArray[np.object_]]]] = field(default_factory=dict)


@dataclass(frozen=True)
class Traced:
    """What tracing its links has added to a study.

    Attributes
    ----------
    read : mapping of str to DataFrame
        The tables that tracing has changed, as they were read.
    gaps : tuple of Gap
        Gaps of the study before it was traced: those of reading.
    steps : DataFrame
        Every place and stretch of every trace: see `waysapart.network.trace_steps`.
    splices : DataFrame
        Splices that traces pass: `link`, `way`, `joint`, `loss_db`, `run`.
    links, failed, bare : frozenset of str
        Links traced from port to port, links whose trace fails, and of the former those traced
        over cords alone.
    """

    read: Mapping[str, pd.DataFrame]
    gaps: tuple[Gap, ...]
    steps: pd.DataFrame
    splices: pd.DataFrame
    links: frozenset[str]
    failed: frozenset[str]
    bare: frozenset[str]


@dataclass(frozen=True)
class Study:
    """A study: its tables, rules and sources. Nothing in it is ever changed in place.

    Attributes
    ----------
    name, revision, folder
        From study.toml; `folder` is where the study lies.
    crs : pyproj.CRS
        The grid that reports and exports also show; longitude and latitude where there is none.
    tables : mapping of str to DataFrame
        One frame per role of `waysapart.schema.ROLES`, always there, possibly
        empty; GeoDataFrames in longitude and latitude, WGS 84 (geometries 2-D, None where
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
        The day for which the study is judged: waivers and ages count from it.
    snap_m : float
        How far, in metres, a segment's end may lie from where it ends.
    layers : tuple of Layer
    inputs : tuple of InputFile
    gaps : tuple of Gap
        What reading left open (references to removed records).
    datum : pyproj.CRS
        The geographic CRS of the datum that most of the plant states.
    notes : tuple of str
        Warnings for the report, such as the accuracy of a datum shift.
    traced : Traced or None
        What tracing its links has added; None before they are tied, and where nothing is traced.
    backdrops : tuple of Backdrop
        Layers without a role: what the plant lies among, such as water. No verdict depends on them.
    chain : tuple of Path
        The TOML file of each study that it extends, the first base first, then its own; the folder
        where there is no such file.
    laid : tuple of OwnRows
        What each study of `chain` but the first adds, replaces and removes.
    unread : tuple of str
        Files, layers and sheets that lie with it and that nothing reads.
    files_read : callable
        Lists `files`, well over a thousand names: asked only where something is written.
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
    inputs: tuple[InputFile, ...] = ()
    gaps: tuple[Gap, ...] = ()
    notes: tuple[str, ...] = ()
    on: date = field(default_factory=today)
    datum: CRS = LON_LAT
    traced: Traced | None = field(default=None, repr=False, compare=False)
    backdrops: tuple[Backdrop, ...] = ()
    chain: tuple[Path, ...] = ()
    laid: tuple[OwnRows, ...] = field(default=(), repr=False, compare=False)
    unread: tuple[str, ...] = ()
    files_read: Callable[[], Sequence[Path]] = field(
        default_factory=lambda: tuple, repr=False, compare=False
    )
    in_plane: InPlane = field(default_factory=InPlane, repr=False, compare=False)

    @property
    def files(self) -> tuple[Path, ...]:
        """What it was read from, whether it exists or not: nothing is written over these."""
        return tuple(self.files_read())

    @property
    def plane(self) -> Plane:
        """The plane about the middle of the plant, in which it is searched and measured.

        A study that is made of another by `dataclasses.replace` keeps the other's.
        """
        if self.in_plane.plane is None:
            shapes = np.concatenate([self.lonlat(role) for role in PLANT_ROLES])
            self.in_plane.plane = Plane.about(shapely.get_coordinates(shapes))
        return self.in_plane.plane

    @property
    def read_gaps(self) -> tuple[Gap, ...]:
        """Gaps of reading, without those of traces of links."""
        return self.gaps if self.traced is None else self.traced.gaps

    def as_read(self, role: str) -> pd.DataFrame:
        """The table of a role without what traces of links have added.

        Parameters
        ----------
        role : str

        Returns
        -------
        DataFrame
            Its rows are those of `tables`, but for `link_runs`.
        """
        return (
            self.tables[role]
            if self.traced is None
            else self.traced.read.get(role, self.tables[role])
        )

    def untraced(self) -> Study:
        """The study without what traces of links have added, to be traced anew."""
        if self.traced is None:
            return self
        tables = {role: self.as_read(role) for role in self.tables}
        return replace(self, tables=tables, gaps=self.read_gaps, traced=None)

    def geometries(self, role: str) -> NDArray[np.object_]:
        """Geometry of every row of a role in the study's plane, in metres; None where blank.

        A length there is a length on Earth only once it is divided by the plane's scale at the
        place: `Study.plane` measures.

        Parameters
        ----------
        role : str
            One without geometry has None in every row.

        Returns
        -------
        ndarray of geometries, shape (rows,)
        """
        known = self.in_plane.shapes.setdefault(role, [])
        table = self.tables[role]
        for one, shapes in known:
            if one is table:
                return shapes
        found = self.plane.flat(self.lonlat(role))
        known[1:] = [(table, found)]
        return found

    def lonlat(self, role: str) -> NDArray[np.object_]:
        """Geometry of every row of a role in longitude and latitude; None where blank.

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
            The coordinate system of each; longitude and latitude for rows that no layer holds,
            such as drafted ones.
        """
        table = self.tables[role]
        geometry = table["geometry"].to_numpy(dtype=object)[rows]
        layer, row = (table[name].to_numpy()[rows] for name in ("_layer", "_row"))
        crs = [LON_LAT] * len(rows)
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

    def __getstate__(self) -> dict[str, object]:
        return {name: value for name, value in vars(self).items() if name != _KEPT}

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

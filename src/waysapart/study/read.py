"""Read a folder (or a TOML file) into a `Study`, or report every reason why that cannot be."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from functools import cache, partial
from itertools import islice
from pathlib import Path
from typing import TYPE_CHECKING

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from waysapart.errors import StudyError
from waysapart.input_files import modified
from waysapart.schema import ASSET_ROLES, ROLES
from waysapart.strings import plain_strings
from waysapart.study.backdrops import read_backdrops
from waysapart.study.columns import clean, empty_frame, rename
from waysapart.study.crs import (
    LON_LAT,
    check_area_of_use,
    check_swapped,
    corners_deg,
    onto_wgs_84,
    parse_crs,
    reference_datum,
    shown_grid,
    tell_swapped,
    to_lon_lat,
)
from waysapart.study.geometry import placed, unusable
from waysapart.study.ledger import Ledger, did_you_mean, folded_gaps
from waysapart.study.model import Study, today
from waysapart.study.proposal import OwnRows, cut_references, laid_over, rows_laid, without
from waysapart.study.rules import Rules, read_rules, shipped_rules
from waysapart.study.settings import (
    DEFAULT_SNAP_M,
    Settings,
    check_sources,
    files_of_chain,
    find_settings,
    merged,
)
from waysapart.study.sources import (
    GivenGeometry,
    Layer,
    LayerSpec,
    SourceError,
    read_source,
)
from waysapart.study.spelling import note_spelling, note_words, settled_kinds, words_of_rules
from waysapart.study.unread import unread_of
from waysapart.study.validate import named_cords, validate

if TYPE_CHECKING:
    from numpy.typing import NDArray
    from pyproj import CRS


_MOST_GAPS = 50
"""Gaps that are named beside errors; `check` lists all of them once there are no errors."""


@dataclass(frozen=True, slots=True)
class _Read:
    """One layer in our columns, its geometry still in its own CRS."""

    role: str
    frame: pd.DataFrame
    geometry: NDArray[np.object_] | None = None
    crs: CRS | None = None
    corners: NDArray[np.float64] | None = None

    @property
    def drawn(self) -> int:
        """How many of its rows have a place."""
        return 0 if self.corners is None else int(np.isfinite(self.corners[::2, 0]).sum())

    def without(self, bad: NDArray[np.bool_]) -> _Read:
        """The layer without the geometry of some rows."""
        if self.geometry is None or self.corners is None or not bad.any():
            return self
        shapes = self.geometry.copy()
        shapes[bad] = None
        corners = np.where(np.repeat(bad, 2)[:, None], np.nan, self.corners)
        return replace(self, geometry=shapes, corners=corners)


def read_study(path: Path | str = ".", *, on: date | None = None, strict: bool = False) -> Study:
    """Read and validate a study.

    Records that contradict each other, or that cannot be tied to the plant, become gaps of what
    they concern. Only what cannot be read is an error.

    Parameters
    ----------
    path : path
        The study's folder, or its TOML file. A folder without study.toml
        is read where it holds files named after roles.
    on : date, optional
        The day for which the study is judged (waivers, ages of records); default: today.
    strict : bool
        Whether records that contradict each other are errors too.

    Returns
    -------
    Study
        Geometries in longitude and latitude, lengths in metres.

    Raises
    ------
    StudyError
        With every problem of every layer.

    Examples
    --------
    >>> import waysapart as wa
    >>> study = wa.read_study("examples/estuary")
    >>> study.name, len(study.tables["circuits"])
    ('Estuary ring', 33)
    """
    with plain_strings():
        return _read(Path(path), on, strict)


def _read(path: Path, on: date | None, strict: bool) -> Study:
    ledger = Ledger(strict=strict)
    chain = find_settings(path, ledger)
    if not chain:
        raise StudyError(ledger.problems)
    rules = _rules(chain, ledger)
    layers: list[Layer] = []
    reads: list[list[_Read]] = []
    unread: set[str] = set()
    grids = _grids(chain, ledger)
    for settings, grid in zip(chain, grids, strict=True):
        if settings.read is not None:
            ledger.inputs.append(settings.read)
        there = check_sources(settings, ledger)
        found = [(spec, _read_layer(spec, grid, layers, ledger)) for spec in there]
        reads.append([read for _, read in found if read is not None])
        unread |= {spec.role for spec in settings.layers if spec not in there}
        unread |= {spec.role for spec, read in found if read is None} | settings.unclear
    last = chain[-1]
    snap_m = merged(chain, "snap_m") or DEFAULT_SNAP_M
    reads, datum = _on_wgs_84(reads, grids[-1], snap_m, layers, ledger)
    corners = [read.corners for part in reads for read in part if read.corners is not None]
    crs = shown_grid(grids[-1], corners, ledger)
    backdrops = read_backdrops(chain, grids, datum, corners, snap_m, ledger)
    tables, laid = _chained(chain, reads, layers, ledger)
    rules_path = merged(chain, "rules")
    tables = validate(
        tables,
        rules,
        layers,
        ledger,
        removed={id_ for settings in chain for id_ in settings.remove},
        unread=unread,
        rules_file=rules_path.name if rules_path else "rules.toml",
        snap_m=snap_m,
    )
    note_spelling(tables, rules.cable_kinds if rules else (), ledger)
    note_words(tables, ledger)
    if rules is not None:
        words_of_rules(tables, rules, rules_path.name if rules_path else "rules.toml", ledger)
    out = _out(chain, tables, ledger)
    if ledger.problems or rules is None:
        told = (f"record gap {gap['code']}: {gap['message']}" for gap in folded_gaps(ledger.gaps))
        raise StudyError(ledger.problems, [*ledger.notes, *islice(told, _MOST_GAPS)])
    return Study(
        name=last.name,
        revision=last.revision,
        folder=last.folder,
        crs=crs,
        tables={name: _finished(name, frame) for name, frame in tables.items()},
        rules=rules,
        out=out,
        snap_m=snap_m,
        layers=tuple(layers),
        inputs=tuple(dict.fromkeys(ledger.inputs)),
        gaps=tuple(ledger.gaps),
        notes=tuple(ledger.notes),
        on=on or today(),
        files_read=partial(files_of_chain, chain),
        datum=datum,
        backdrops=backdrops,
        chain=tuple(settings.place for settings in chain),
        laid=laid,
        unread=unread_of(chain),
    )


def _grids(chain: Sequence[Settings], ledger: Ledger) -> list[CRS | None]:
    """The `crs` of each study of a chain: its own, else that of what it extends."""
    found: list[CRS | None] = []
    for settings in chain:
        own = parse_crs(settings.crs, settings.file, "crs", ledger) if settings.crs else None
        found.append(own or (found[-1] if found else None))
    return found


def _rules(chain: Sequence[Settings], ledger: Ledger) -> Rules | None:
    path: Path | None = merged(tuple(chain), "rules")
    if path is None:
        return shipped_rules()
    if not path.exists():
        ledger.problem(
            f"the rules {path.name!r} do not exist in {path.parent.name!r}",
            file=chain[-1].file,
            column="rules",
        )
        return None
    return read_rules(path, path.name, ledger)


def _read_layer(
    spec: LayerSpec, grid: CRS | None, layers: list[Layer], ledger: Ledger
) -> _Read | None:
    try:
        raw = read_source(spec)
    except SourceError as fault:
        ledger.problems.extend(fault.problems)
        return None
    ledger.inputs.extend(raw.inputs)
    for note in raw.notes:
        ledger.note(note)
    if spec.where and not len(raw.frame):
        ledger.no_row_kept(spec.shown_source, spec.where)
    layer = Layer(
        spec.role,
        spec.shown_source,
        raw.layer,
        dict(spec.columns),
        spec.accuracy_m or 0.0,
        by_name=spec.by_name,
    )
    layers.append(layer)
    frame = rename(spec, raw.frame, ledger)
    frame["_layer"] = len(layers) - 1
    geometry = crs = None
    if spec.feeds.geometry:
        frame, geometry, crs = placed(spec, raw.crs, frame, grid, layers, ledger)
    else:
        frame = frame.drop(columns=["geometry"], errors="ignore")
    ours = named_cords(spec.role, settled_kinds(spec.role, clean(spec, frame, layers, ledger)))
    days = {
        column.name: ours[column.name].to_numpy(dtype="datetime64[D]")
        for column in spec.feeds.columns
        if column.type == "date"
    }
    layers[-1] = replace(layers[-1], rows=len(ours), days=days, modified=modified(spec.path))
    corners = None if crs is None or geometry is None else corners_deg(crs, geometry)
    return _Read(spec.role, ours, geometry, crs, corners)


def _chained(
    chain: Sequence[Settings],
    reads: Sequence[Sequence[_Read]],
    layers: list[Layer],
    ledger: Ledger,
) -> tuple[dict[str, pd.DataFrame], tuple[OwnRows, ...]]:
    """The tables of a chain of studies, each laid over the one it extends.

    With them what each but the first adds, replaces and removes.
    """
    tables = {name: _empty(name) for name in ROLES}
    removed: set[str] = set()
    laid: list[OwnRows] = []
    for position, (settings, part) in enumerate(zip(chain, reads, strict=True)):
        if settings.remove and position == 0:
            ledger.problem(
                "has meaning only with extends: leave the rows out instead",
                file=settings.file,
                column="remove",
            )
        own = _tables(part)
        if position:
            rows = rows_laid(tables, own, settings.remove)
            laid.append(OwnRows(chain[position - 1].name, rows))
        if settings.remove and position:
            tables = without(tables, settings.remove, settings.file, ledger)
            removed |= set(settings.remove)
        tables = laid_over(tables, own)
    if not removed:
        return tables, tuple(laid)
    present = {id_ for frame in tables.values() if "id" in frame for id_ in frame["id"].dropna()}
    present |= set(tables["rings"]["ring"].dropna())
    return cut_references(tables, removed - present, layers, ledger), tuple(laid)


@cache
def _empty(name: str) -> pd.DataFrame:
    frame = empty_frame(ROLES[name])
    if ROLES[name].geometry:
        frame.insert(len(ROLES[name].columns), "geometry", pd.Series([], dtype=object))
    return frame


def _tables(reads: Sequence[_Read]) -> dict[str, pd.DataFrame]:
    """One frame per role."""
    parts: dict[str, list[pd.DataFrame]] = {name: [] for name in ROLES}
    for read in reads:
        frame = read.frame
        if read.geometry is not None:
            shapes = pd.Series(read.geometry, dtype=object)
            frame = frame.copy()
            frame.insert(len(ROLES[read.role].columns), "geometry", shapes)
        parts[read.role].append(frame)
    tables = {}
    for name, frames in parts.items():
        full = [frame for frame in frames if len(frame)]
        tables[name] = (
            pd.concat(full, ignore_index=True) if len(full) > 1 else [*full, _empty(name)][0]
        )
    return tables


def _on_wgs_84(
    reads: Sequence[Sequence[_Read]],
    grid: CRS | None,
    snap_m: float,
    layers: list[Layer],
    ledger: Ledger,
) -> tuple[list[list[_Read]], CRS]:
    """Layers with their geometry in longitude and latitude, and the datum that most of them state.

    A geometry that cannot lie where it is said to lie is written down and left out.
    """
    before = len(ledger.problems)
    flat = [_in_its_area(read, layers, ledger) for part in reads for read in part]
    flat = _without_swapped(flat, grid, layers, ledger)
    datum = reference_datum([(read.crs, read.drawn) for read in flat if read.crs is not None])
    if len(ledger.problems) == before:
        flat = [_on_datum(read, datum, snap_m, layers, ledger) for read in flat]
        if datum != LON_LAT:
            shapes = [read.geometry for read in flat if read.geometry is not None]
            corners = [read.corners for read in flat if read.corners is not None]
            onto = iter(onto_wgs_84(shapes, corners, datum))
            flat = [
                read if read.geometry is None else replace(read, geometry=next(onto))
                for read in flat
            ]
    rest = iter(flat)
    return [list(islice(rest, len(part))) for part in reads], datum


def _in_its_area(read: _Read, layers: list[Layer], ledger: Ledger) -> _Read:
    """A layer without the geometries that cannot lie in its own CRS."""
    if read.geometry is None or read.crs is None or read.corners is None:
        return read
    outside = check_area_of_use(
        read.frame,
        read.geometry,
        read.corners,
        read.crs,
        layers,
        ledger,
        **unusable(ROLES[read.role]),
    )
    return read.without(outside)


def _without_swapped(
    reads: list[_Read], grid: CRS | None, layers: list[Layer], ledger: Ledger
) -> list[_Read]:
    """Layers without the geometries that lie among the others only with x and y swapped."""
    at = [
        (place, read.crs, read.corners)
        for place, read in enumerate(reads)
        if read.crs is not None and read.corners is not None and read.drawn
    ]
    bad = check_swapped(
        [crs for _, crs, _ in at],
        [corners for _, _, corners in at],
        [shapely.bounds(reads[place].geometry) for place, _, _ in at],
        grid,
    )
    found = [*reads]
    for (place, _, _), swapped in zip(at, bad, strict=True):
        read = reads[place]
        if swapped.any() and read.geometry is not None:
            follows = unusable(ROLES[read.role])
            tell_swapped(read.frame, read.geometry, swapped, layers, ledger, **follows)
            found[place] = read.without(swapped)
    return found


def _on_datum(read: _Read, datum: CRS, snap_m: float, layers: list[Layer], ledger: Ledger) -> _Read:
    """A layer on the datum of most of the plant; how well it gets there is noted in `layers`."""
    if read.geometry is None or read.crs is None or read.corners is None or not len(read.frame):
        return read
    position = int(read.frame["_layer"].iloc[0])
    label = layers[position].file
    shapes, shift_m = to_lon_lat(
        read.geometry, read.corners, read.crs, datum, snap_m, label, ledger
    )
    given = None
    if read.crs != LON_LAT:
        rows = read.frame["_row"].to_numpy(dtype=np.int64)
        given = GivenGeometry(read.crs, rows, read.geometry)
    accuracy_m = layers[position].accuracy_m + shift_m
    layers[position] = replace(
        layers[position], accuracy_m=accuracy_m, shift_m=shift_m, given=given
    )
    return replace(read, geometry=shapes)


def _out(
    chain: Sequence[Settings], tables: Mapping[str, pd.DataFrame], ledger: Ledger
) -> tuple[str, ...]:
    """Assets out of service now; what a proposal removes is no longer out."""
    stating = next((settings for settings in reversed(chain) if settings.out is not None), None)
    if stating is None or stating.out is None:
        return ()
    ids = pd.concat([tables[name]["id"] for name in ASSET_ROLES]).dropna()
    later = chain[list(chain).index(stating) + 1 :]
    removed = {id_ for settings in later for id_ in settings.remove}
    known = set(ids)
    for id_ in stating.out:
        if id_ not in known and id_ not in removed:
            near = did_you_mean(id_, known) if len(known) <= 20_000 else ""
            ledger.problem(
                f"there is no asset {id_!r} that could be out of service{near}",
                file=stating.file,
                column="out",
                id=id_,
            )
    return tuple(id_ for id_ in stating.out if id_ in known)


def _finished(name: str, frame: pd.DataFrame) -> pd.DataFrame:
    """A table in the order of its role's key, its geometry a geometry column."""
    role = ROLES[name]
    order = list(role.key) or [column.name for column in role.columns]
    if len(frame):
        frame = frame.sort_values(order, kind="stable", ignore_index=True)
    else:
        frame = frame.reset_index(drop=True)
    hidden = ["_layer", "_row"]
    own = [column.name for column in role.columns]
    shape = ["geometry"] if role.geometry else []
    extras = [column for column in frame if column not in {*own, *shape, *hidden}]
    frame = frame[[*own, *shape, *extras, *hidden]]
    if not role.geometry:
        return frame
    table: pd.DataFrame = gpd.GeoDataFrame(frame, geometry="geometry", crs=LON_LAT)
    return table

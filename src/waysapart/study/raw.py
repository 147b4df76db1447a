"""A source as it stands, before any of it is judged."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from waysapart.errors import Problem
from waysapart.study.model import Input

if TYPE_CHECKING:
    import pandas as pd
    from pyproj import CRS

    from waysapart.study.settings import LayerSpec

ROW = "_row"
_SHAPE_SIDECARS = (".shx", ".dbf", ".prj", ".cpg")


class SourceError(Exception):
    """A source that cannot be read; carries the problems to write down."""

    def __init__(self, *problems: Problem) -> None:
        super().__init__(*(problem.message for problem in problems))
        self.problems = problems


@dataclass(frozen=True, slots=True)
class RawLayer:
    """A source as it stands: their column names, their values.

    Attributes
    ----------
    frame : DataFrame
        Their columns, `_row`, and `geometry` (shapely, None where blank) where
        the source has geometry.
    crs : CRS or None
        CRS of the geometry, where the source states one.
    layer : str or None
        Name of the layer read, where the source has layers.
    inputs : tuple of Input
    notes : tuple of str
    """

    frame: pd.DataFrame
    crs: CRS | None
    layer: str | None
    inputs: tuple[Input, ...]
    notes: tuple[str, ...] = ()


def input_of(path: Path, file: str) -> Input:
    """A file with the SHA-256 of its bytes, read in pieces."""
    with path.open("rb") as stream:
        return Input(file, hashlib.file_digest(stream, "sha256").hexdigest())


def fault(spec: LayerSpec, message: str, row: int | None = None) -> SourceError:
    """An error about one layer."""
    return SourceError(
        Problem(message, spec.shown_source, spec.layer or spec.role, row, None, None)
    )


def file_inputs(spec: LayerSpec, driver: str) -> tuple[Input, ...]:
    """Every file of a source with its SHA-256."""
    files = [(spec.path, spec.source)]
    if driver == "ESRI Shapefile" and spec.path.is_file():
        files += [
            (spec.path.with_suffix(end), str(Path(spec.source).with_suffix(end)))
            for end in _SHAPE_SIDECARS
        ]
    if driver == "GPKG":  # pages that SQLite has not yet written back belong to the data
        files.append((spec.path.with_name(spec.path.name + "-wal"), spec.source + "-wal"))
    if spec.path.is_dir():
        files = [
            (path, f"{spec.source}/{path.relative_to(spec.path)}")
            for path in sorted(spec.path.rglob("*"))
        ]
    return tuple(input_of(path, file) for path, file in files if path.is_file())


def one_line(error: object) -> str:
    """An error's text on one line."""
    return " ".join(str(error).split())


def stated_crs(crs: CRS | None) -> CRS | None:
    """None where the source only says that it does not know."""
    if (
        crs is None
        or crs.is_engineering
        or crs.name.casefold().startswith(("undefined", "unknown"))
    ):
        return None
    return crs

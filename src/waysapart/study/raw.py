"""A source as it stands, before any of it is judged."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING

from waysapart.errors import Problem
from waysapart.opening import RefusedError, hashed
from waysapart.study.model import Input

if TYPE_CHECKING:
    import pandas as pd
    from pyproj import CRS

    from waysapart.study.settings import LayerSpec

ROW = "_row"


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


def fault(spec: LayerSpec, message: str, row: int | None = None) -> SourceError:
    """An error about one layer."""
    return SourceError(
        Problem(message, spec.shown_source, spec.layer or spec.role, row, None, None)
    )


@contextmanager
def held(spec: LayerSpec) -> Iterator[tuple[Input, ...]]:
    """Every file of a source with its SHA-256, while it is read.

    Raises
    ------
    SourceError
        Where a file is not to be read, or not what it was when its hash was taken.
    """
    try:
        with hashed(spec.path, spec.source) as files:
            yield tuple(Input(name, digest) for name, digest in files)
    except RefusedError as error:
        raise fault(spec, str(error)) from error
    except OSError as error:
        raise fault(spec, f"cannot be read: {error.strerror or error}") from error


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

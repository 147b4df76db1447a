"""A layer to be read, its source as it stands, and what stays on record of both."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from waysapart.errors import Problem
from waysapart.opening import RefusedError, hashed

if TYPE_CHECKING:
    import numpy as np
    import pandas as pd
    from numpy.typing import NDArray
    from pyproj import CRS


ROW = "_row"


PASSWORD_MASK = "***"

SECRET_IN_QUERY = re.compile(r"([?&](?:password|sslpassword|passfile)=)([^&]*)", re.IGNORECASE)


def is_database(source: str) -> bool:
    """Whether a source is a database address."""
    return source.startswith(("postgresql://", "postgres://", "postgresql+"))


def user_and_rest(source: str) -> tuple[str, str, str, str]:
    """Scheme, user, password and what follows the `@`, whatever signs the password holds."""
    scheme, _, rest = source.partition("://")
    before_query = rest.partition("?")[0]
    account = (before_query if "@" in before_query else rest).rpartition("@")[0]
    if not account:
        return scheme, "", "", rest
    user, _, password = account.partition(":")
    return scheme, user, password, rest[len(account) + 1 :]


def masked(source: str) -> str:
    """A source without the password that it may hold."""
    if not is_database(source):
        return source
    scheme, user, password, rest = user_and_rest(source)
    account = f"{user}:{PASSWORD_MASK}@" if password else f"{user}@" if user else ""
    return SECRET_IN_QUERY.sub(rf"\g<1>{PASSWORD_MASK}", f"{scheme}://{account}{rest}")


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
class InputFile:
    """One input file with its SHA-256, so that a change of the records can be told."""

    file: str
    sha256: str


@dataclass(frozen=True, slots=True)
class LayerSpec:
    """One layer to read.

    Attributes
    ----------
    role, source, layer, where, columns, values, units, prefix, refers, crs, accuracy_m
        As in study.toml. `accuracy_m` is the positional accuracy of the whole
        layer, to which that of its datum shift is added.
    folder : Path
        What `source` is relative to.
    declared_in : str
        File that names the layer, for problems with the naming itself.
    by_name : bool
        Whether it was found by the name of its role, with nothing said in study.toml.
    """

    role: str
    source: str
    folder: Path
    declared_in: str
    layer: str | None = None
    where: str | None = None
    columns: Mapping[str, str] = field(default_factory=dict)
    values: Mapping[str, object] = field(default_factory=dict)
    units: Mapping[str, str] = field(default_factory=dict)
    prefix: str = ""
    refers: tuple[str, ...] = ()
    crs: str | None = None
    accuracy_m: float | None = None
    by_name: bool = False

    @property
    def shown_source(self) -> str:
        """The source as it may be shown: without a password."""
        return masked(self.source)

    @property
    def path(self) -> Path:
        """Where the source lies."""
        return self.folder / self.source


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
    inputs : tuple of InputFile
    notes : tuple of str
    """

    frame: pd.DataFrame
    crs: CRS | None
    layer: str | None
    inputs: tuple[InputFile, ...]
    notes: tuple[str, ...] = ()


def fault(spec: LayerSpec, message: str, row: int | None = None) -> SourceError:
    """An error about one layer."""
    return SourceError(
        Problem(message, spec.shown_source, spec.layer or spec.role, row, None, None)
    )


@contextmanager
def held(spec: LayerSpec) -> Iterator[tuple[InputFile, ...]]:
    """Every file of a source with its SHA-256, while it is read.

    Raises
    ------
    SourceError
        Where a file is not to be read, or not what it was when its hash was taken.
    """
    try:
        with hashed(spec.path, spec.source) as files:
            yield tuple(InputFile(name, digest) for name, digest in files)
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

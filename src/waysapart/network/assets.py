"""Number the assets, and read what their records say.

Each asset has one integer, so that every later stage works on arrays. The other functions read a
record: the entries of list columns, its place in the user's files, its survey accuracy, and the
supplies that feed it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from functools import cached_property
from typing import TypedDict, Unpack

import numpy as np
import pandas as pd
import scipy.sparse as sp

from waysapart.arrays import Floats, Ints, csr_row
from waysapart.gaps import Gap, Limit
from waysapart.schema import ASSET_ROLES, KNOWN_EMPTY, LIST_SEPARATOR, ROLES
from waysapart.study.model import Study

Holders = Callable[[int], frozenset[int]]
"""From the number of an asset to the numbers of everything that it lies in, at any depth."""


@dataclass(frozen=True)
class Assets:
    """All assets of a study, numbered by role and then by id.

    Attributes
    ----------
    frame : DataFrame
        One row per asset: `id`, `role`, `kind`, `name`, `blank_within`.
    start : dict of str to int
        Number of the first asset of each role; the others of the role follow.
    index : Index of str
        The ids in the order of the numbers.
    """

    frame: pd.DataFrame
    start: dict[str, int]
    index: pd.Index[str]

    def __len__(self) -> int:
        return len(self.frame)

    def numbers(self, ids: pd.Series[str] | Iterable[str]) -> Ints:
        """Look up the numbers of ids.

        Parameters
        ----------
        ids : Series of str, or iterable of str

        Returns
        -------
        ndarray of int, shape (ids,)
            -1 where an id is blank or unknown.
        """
        known = self._number
        wanted = ids.tolist() if isinstance(ids, pd.Series) else ids
        return np.array([known.get(one, -1) for one in wanted], dtype=np.int64)

    def of_role(self, role: str) -> slice:
        """Return the numbers of a role's assets, which follow each other.

        Parameters
        ----------
        role : str
            One of `ASSET_ROLES`.

        Returns
        -------
        slice
        """
        roles = [*ASSET_ROLES]
        following = roles.index(role) + 1
        stop = self.start[roles[following]] if following < len(roles) else len(self.frame)
        return slice(self.start[role], stop)

    def ids(self, numbers: Iterable[int] | Ints) -> list[str]:
        """Return the ids of asset numbers, in the same order.

        Parameters
        ----------
        numbers : iterable of int

        Returns
        -------
        list of str
        """
        names = self._names
        return [names[number] for number in np.asarray(list(numbers), dtype=np.int64).tolist()]

    @cached_property
    def _number(self) -> dict[str, int]:
        return {name: number for number, name in enumerate(self.index.to_list())}

    @cached_property
    def _names(self) -> list[str]:
        return [str(name) for name in self.index.to_list()]


def number_assets(study: Study) -> Assets:
    """Number every asset of a study, by role and then in the order of its table.

    Parameters
    ----------
    study : Study

    Returns
    -------
    Assets
    """
    frames = []
    start: dict[str, int] = {}
    count = 0
    for role in ASSET_ROLES:
        table = study.tables[role]
        start[role] = count
        count += len(table)
        columns = ROLES[role].column
        frames.append(
            pd.DataFrame(
                {
                    "id": table["id"].to_numpy(),
                    "role": role,
                    "kind": table["kind"].to_numpy() if "kind" in columns else np.nan,
                    "name": table["name"].to_numpy() if "name" in columns else np.nan,
                    "blank_within": table["within"].isna().to_numpy()
                    if "within" in columns
                    else False,
                }
            )
        )
    frame = pd.concat([part for part in frames if len(part)] or frames[:1], ignore_index=True)
    frame["blank_within"] = frame["blank_within"].astype(bool)
    # Plain objects: a text column is hashed anew at every look-up.
    return Assets(frame, start, pd.Index(frame["id"].to_numpy(dtype=object), dtype=object))


def listed(column: pd.Series[str]) -> tuple[Ints, pd.Series[str]]:
    """Split a list column into its entries, without blanks and `-`.

    Parameters
    ----------
    column : Series of str
        Cells such as `A;B`.

    Returns
    -------
    rows : ndarray of int, shape (entries,)
        Position of the cell that holds each entry.
    values : Series of str, shape (entries,)

    Examples
    --------
    >>> import pandas as pd
    >>> rows, values = listed(pd.Series(["A;B", "-", None, "C"]))
    >>> rows.tolist(), values.to_list()
    ([0, 0, 3], ['A', 'B', 'C'])
    """
    rows: list[int] = []
    values: list[str] = []
    for row, cell in enumerate(column.to_list()):
        if not isinstance(cell, str) or cell == KNOWN_EMPTY:
            continue
        for value in cell.split(LIST_SEPARATOR):
            if value and value != KNOWN_EMPTY:
                rows.append(row)
                values.append(value)
    return np.array(rows, dtype=np.int64), pd.Series(values, dtype=object)


def reached(steps: sp.csr_array, start: int) -> set[int]:
    """Find all rows of a matrix that can be reached from one of them, itself included.

    Parameters
    ----------
    steps : csr_array of bool, shape (n, n)
        A step leads from row to column.
    start : int
        Row to start from.

    Returns
    -------
    set of int

    Examples
    --------
    >>> steps = sp.csr_array([[0, 1, 0], [0, 0, 0], [1, 0, 0]])
    >>> reached(steps, 0), reached(steps, 2)
    ({0, 1}, {0, 1, 2})
    """
    found, waiting = {start}, [start]
    while waiting:
        at = waiting.pop()
        onward = csr_row(steps, at).tolist()
        fresh = [one for one in onward if one not in found]
        found.update(fresh)
        waiting += fresh
    return found


# --- Where a record stands in the user's own files


class Place(TypedDict):
    """File, layer and row of a record, as a Gap or Problem names them."""

    file: str | None
    layer: str | None
    row: int | None


def place_of(study: Study, table: pd.DataFrame, row: int) -> Place:
    """Say in which file, layer and row a record stands.

    Parameters
    ----------
    study : Study
    table : DataFrame
        A table of `study.tables`, or rows of one.
    row : int
        Position in `table`.

    Returns
    -------
    Place
    """
    return places_of(study, table, np.array([row], dtype=np.int64))[0]


def places_of(study: Study, table: pd.DataFrame, rows: Ints) -> list[Place]:
    """Say in which file, layer and row each of many records stands.

    Parameters
    ----------
    study : Study
    table : DataFrame
        A table of `study.tables`, or rows of one.
    rows : ndarray of int, shape (n,)
        Positions in `table`.

    Returns
    -------
    list of Place
    """
    layers = table["_layer"].to_numpy()[rows].tolist()
    numbers = table["_row"].to_numpy()[rows].tolist()
    heads = [(layer.file, layer.layer or layer.role) for layer in study.layers]
    found = []
    for layer, row in zip(layers, numbers, strict=True):
        file, name = heads[layer] if 0 <= layer < len(heads) else (None, None)
        found.append(Place(file=file, layer=name, row=int(row)))
    return found


class _Details(TypedDict, total=False):
    """Optional fields of a `Gap`, beyond its code, message, asset and place."""

    assets: tuple[str, ...]
    links: tuple[str, ...]
    circuits: tuple[str, ...]
    path: str | None
    only: tuple[Limit, ...] | None
    column: str | None
    fold: str | None


def row_gap(
    study: Study,
    code: str,
    role: str,
    row: int,
    text: str,
    *,
    joined: str = ": ",
    shown_by: tuple[str, int] | None = None,
    **details: Unpack[_Details],
) -> Gap:
    """Make a gap about one row of a table.

    Parameters
    ----------
    study : Study
    code : str
        From `waysapart.gaps`.
    role : str
    row : int
        Position in the role's table.
    text : str
        What the message says after the row's role and id: 'no joint is on record'.
    joined : str
        What stands between the id and the text.
    shown_by : (str, int), optional
        Role and position of the row to look at, where it is not that row.
    **details
        Fields of `Gap`. By default the gap is of the row's own asset, link or circuit.

    Returns
    -------
    Gap
    """
    name = str(study.tables[role]["id"].iloc[row])
    if not {"assets", "links", "circuits"} & details.keys():
        own = (name,)
        if role == "links":
            details["links"] = own
        elif role == "circuits":
            details["circuits"] = own
        else:
            details["assets"] = own
    shown_role, shown_row = shown_by or (role, row)
    place = place_of(study, study.tables[shown_role], shown_row)
    return Gap(code, f"{_one_of(role)} {name}{joined}{text}", name, **details, **place)


def _one_of(role: str) -> str:
    """Name one row of a role: `cable` for cables."""
    return {"supplies": "supply", "patches": "patch"}.get(role, role.removesuffix("s"))


def surveyed_m(study: Study, table: pd.DataFrame) -> Floats:
    """State how far each row of a table may lie from its recorded place.

    Parameters
    ----------
    study : Study
    table : DataFrame
        A table of `study.tables`, or rows of one.

    Returns
    -------
    ndarray of float, shape (rows,)
        Metres; 0 where the record is exact. The `accuracy_m` of the row plus that of the datum
        shift of its layer, else the accuracy of the layer.
    """
    own = table["accuracy_m"].to_numpy(dtype=np.float64)
    layer = table["_layer"].to_numpy(dtype=np.int64)
    whole, shift = (
        np.array([*(getattr(one, name) for one in study.layers), 0.0])[layer]
        for name in ("accuracy_m", "shift_m")
    )
    return np.asarray(np.where(np.isnan(own), whole, own + shift), dtype=np.float64)


# --- Which supplies feed what, and supplies that nothing feeds

FEEDING = (
    "supplies feed each other in so many ways that what keeps what up cannot be written out; "
    "something is recorded wrongly: look for supplies that name each other in `supplies`"
)


def fed_by(study: Study, assets: Assets) -> dict[int, tuple[int, ...]]:
    """Find the supplies that feed each piece of equipment and each supply.

    Parameters
    ----------
    study : Study
    assets : Assets

    Returns
    -------
    dict of int to tuple of int
        Asset numbers: from what is fed to its supplies, in the order of the record.
    """
    found: dict[int, dict[int, None]] = {}
    for role in ("equipment", "supplies"):
        row, name = listed(study.tables[role]["supplies"])
        user = assets.start[role] + row
        for mine, supply in zip(user.tolist(), assets.numbers(name).tolist(), strict=True):
            if supply >= 0:
                found.setdefault(mine, {})[supply] = None
    return {user: tuple(several) for user, several in found.items()}


def loop_gaps(study: Study, assets: Assets) -> list[Gap]:
    """Find supplies that only feed one another, so that no source of theirs is on record.

    Parameters
    ----------
    study : Study
    assets : Assets

    Returns
    -------
    list of Gap
        Code `supply-loop`.
    """
    fed = fed_by(study, assets)
    supplies = assets.of_role("supplies")
    alive = np.zeros(len(assets), dtype=bool)
    alive[supplies] = True
    alive[[user for user in fed if user >= supplies.start]] = False
    while True:
        more = [u for u, several in fed.items() if not alive[u] and alive[list(several)].any()]
        if not more:
            break
        alive[more] = True
    text = (
        "is fed only by supplies that it feeds in turn: record what feeds one of them, or leave "
        "supplies blank where one stands by itself"
    )
    return [
        row_gap(study, "supply-loop", "supplies", row, text, joined=" ", column="supplies")
        for row in np.flatnonzero(~alive[supplies]).tolist()
    ]

"""One integer for every asset, so that what follows is arrays and not dictionaries."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd
import scipy.sparse as sp

from waysapart.arrays import Ints, csr_row
from waysapart.schema import ASSET_ROLES, KNOWN_EMPTY, LIST_SEPARATOR, ROLES
from waysapart.study.model import Study


@dataclass(frozen=True)
class Assets:
    """All assets of a study, numbered by role and then by id.

    Attributes
    ----------
    frame : DataFrame
        One row per asset: `id`, `role`, `kind`, `name`, `blank_within`.
    start : dict of str to int
        Number of the first asset of each role; a role's assets follow on.
    index : Index of str
        The ids in the order of the numbers.
    """

    frame: pd.DataFrame
    start: dict[str, int]
    index: pd.Index[str]

    def __len__(self) -> int:
        return len(self.frame)

    def numbers(self, ids: pd.Series[str] | Iterable[str]) -> Ints:
        """Asset numbers of ids; -1 where an id is blank or unknown."""
        if isinstance(ids, pd.Series):
            wanted = ids.to_numpy(dtype=object)
        else:
            wanted = np.array(list(ids), dtype=object)
        return np.asarray(self.index.get_indexer(pd.Index(wanted, dtype=object)), dtype=np.int64)

    def of_role(self, role: str) -> slice:
        """The numbers that a role's assets take."""
        roles = [*ASSET_ROLES]
        following = roles.index(role) + 1
        stop = self.start[roles[following]] if following < len(roles) else len(self.frame)
        return slice(self.start[role], stop)

    def ids(self, numbers: Iterable[int] | Ints) -> list[str]:
        """Ids of asset numbers."""
        names = self._names
        return [names[number] for number in np.asarray(list(numbers), dtype=np.int64).tolist()]

    @cached_property
    def _names(self) -> list[str]:
        return [str(name) for name in self.index.to_list()]


def number_assets(study: Study) -> Assets:
    """Number every asset of a study."""
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
    """The entries of a list column: row positions and values, `-` left out."""
    filled = np.flatnonzero(~column.isin([KNOWN_EMPTY, ""]).to_numpy() & column.notna().to_numpy())
    if not len(filled):
        return np.empty(0, dtype=np.int64), pd.Series([], dtype=str)
    values = column.iloc[filled].reset_index(drop=True)
    if not values.str.contains(LIST_SEPARATOR, regex=False).any():
        return filled.astype(np.int64), values
    values = values.str.split(LIST_SEPARATOR).explode()
    rows = filled[values.index.to_numpy()]
    keep = ((values != KNOWN_EMPTY) & (values != "") & values.notna()).to_numpy()
    return rows[keep].astype(np.int64), values[keep].reset_index(drop=True)


def reached(steps: sp.csr_array, start: int) -> set[int]:
    """Everything that the rows of a matrix lead to from one of them, itself included."""
    found, waiting = {start}, [start]
    while waiting:
        at = waiting.pop()
        onward = csr_row(steps, at).tolist()
        fresh = [one for one in onward if one not in found]
        found.update(fresh)
        waiting += fresh
    return found

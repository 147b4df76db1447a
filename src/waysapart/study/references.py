"""Which ids are among others: whole columns at once, by hash."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from waysapart.schema import ASSET_ROLES, KNOWN_EMPTY, LIST_SEPARATOR, MAY_BE_NONE, ROLES, Column
from waysapart.strings import known_texts
from waysapart.study.ledger import Ledger, did_you_mean

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from waysapart.arrays import Ints
    from waysapart.study.sources import Layer


def is_among(values: pd.Series, known: Iterable[str] | pd.Series | pd.Index) -> NDArray[np.bool_]:
    """Whether each value is one of the known ones; blanks are not.

    Parameters
    ----------
    values : Series, length n
    known : iterable of str, Series or Index

    Returns
    -------
    ndarray of bool, shape (n,)

    Notes
    -----
    Linear in both. Hashing plain objects is several times as fast as `isin` of a text column.

    Examples
    --------
    >>> is_among(pd.Series(["C-1", "C-9", None]), ["C-1", "C-2"])
    array([ True, False, False])
    """
    if isinstance(known, pd.Series | pd.Index):
        among = known.dropna().to_numpy(dtype=object)
    else:
        among = np.array(list(known), dtype=object)
    if not len(values) or not len(among):
        return np.zeros(len(values), dtype=bool)
    plain = pd.Series(values.to_numpy(dtype=object), dtype=object)
    return np.asarray(plain.isin(among) & plain.notna(), dtype=bool)


_NEAR_AMONG = 20_000
"""Near matches are looked for among no more ids than this, since the search is slow."""


def references(
    tables: Mapping[str, pd.DataFrame],
    layers: Sequence[Layer],
    ledger: Ledger,
    unread: Collection[str] = (),
) -> dict[tuple[str, str], frozenset[str]]:
    """Find the ids that rows name and that no row of a permitted role has.

    Parameters
    ----------
    tables : mapping of str to DataFrame
        One table per role.
    layers : sequence of Layer
        Where rows come from, for messages.
    ledger : Ledger
        Collects what is told of each such id.
    unread : collection of str
        Roles that could not be read: references to them are not checked.

    Returns
    -------
    dict
        By role and column: the ids that stand there and belong to nothing.
    """
    ids = {name: _ids_of(tables, name) for name in ROLES if _has_ids(name)}
    named = [
        (name, column, _named(tables[name], column))
        for name, role in ROLES.items()
        for column in role.columns
        if column.refers and len(tables[name]) and not set(roles_of(column)) & set(unread)
    ]
    # All texts are put into numbers at once: hashing them is most of the work.
    texts = [*ids.values(), *(values for _, _, (values, _) in named)]
    number, different = pd.factorize(np.concatenate([*texts, np.empty(0, dtype=object)]))
    parts = np.split(number, np.cumsum([len(one) for one in texts]))
    known = dict(zip(ids, parts, strict=False))
    lost: dict[tuple[str, str], frozenset[str]] = {}
    for (name, column, (values, rows)), mine in zip(named, parts[len(ids) :], strict=False):
        stands = np.zeros(len(different), dtype=bool)
        for role in roles_of(column):
            stands[known[role]] = True
        loose = ~stands[mine]
        if loose.any():
            dangling = pd.Series(values[loose], index=rows[loose], dtype="str")
            _tell_dangling(tables[name], column, dangling, ids, layers, ledger)
            lost[name, column.name] = frozenset(dangling)
    return lost


def roles_of(column: Column) -> tuple[str, ...]:
    """The roles whose ids may stand in a column.

    Parameters
    ----------
    column : Column
        A column that refers to other rows.

    Returns
    -------
    tuple of str
    """
    return ASSET_ROLES if column.refers == ("assets",) else column.refers


def _named(frame: pd.DataFrame, column: Column) -> tuple[NDArray[np.object_], Ints]:
    """Every id that a column names, one by one, and the positions of their rows."""
    values: list[str] = []
    rows: list[int] = []
    for row, cell in enumerate(frame[column.name].tolist()):
        if isinstance(cell, str) and not (column.name in MAY_BE_NONE and cell == KNOWN_EMPTY):
            ids = cell.split(LIST_SEPARATOR) if column.type == "list" else [cell]
            values += ids
            rows += [row] * len(ids)
    return np.array(values, dtype=object), np.array(rows, dtype=np.int64)


def _has_ids(name: str) -> bool:
    return "id" in ROLES[name].column or name == "rings"


def _ids_of(tables: Mapping[str, pd.DataFrame], name: str) -> NDArray[np.object_]:
    column = "id" if "id" in ROLES[name].column else "ring"
    return np.array(known_texts(tables[name][column]), dtype=object)


def _tell_dangling(
    frame: pd.DataFrame,
    column: Column,
    dangling: pd.Series,
    ids: Mapping[str, NDArray[np.object_]],
    layers: Sequence[Layer],
    ledger: Ledger,
) -> None:
    """Write down the ids that a column names and no row has, with the rows that name them."""
    roles = roles_of(column)
    expected = "an asset" if column.refers == ("assets",) else f"one of {' or '.join(roles)}"
    known = list(dict.fromkeys(id_ for role in roles for id_ in ids[role].tolist()))
    places = {name: frozenset(own.tolist()) for name, own in ids.items()}
    near_wanted = len(known) <= _NEAR_AMONG
    told = len(ledger.problems) + len(ledger.conflicts)
    for id_, rows in dangling.groupby(dangling, sort=False):
        elsewhere = next((name for name, own in places.items() if id_ in own), None)
        found = f"{id_!r} is one of {elsewhere}" if elsewhere else f"there is no {id_!r}"
        near = ""
        if near_wanted and not elsewhere:
            near = _lacks_prefix(str(id_), known, column.name) or did_you_mean(str(id_), known)
        comma = (
            "; ids in a list stand with ';' between, not ','"
            if column.type == "list" and "," in str(id_)
            else ""
        )
        bad = np.zeros(len(frame), dtype=bool)
        bad[rows.index] = True
        ledger.rows(
            frame,
            layers,
            bad,
            column.name,
            f"expected the id of {expected}; {found}{near}{comma}".replace("{found}", ""),
            gap="dangling-reference",
        )
        near_wanted = near_wanted and len(ledger.problems) + len(ledger.conflicts) < told + 200


def _lacks_prefix(id_: str, known: Sequence[str], column: str) -> str:
    """Advice where exactly one known id is the one named with a prefix before it."""
    longer = [one for one in known if one.endswith(id_) and not one[: -len(id_)][-1:].isalnum()]
    if len(longer) != 1:
        return ""
    prefix = longer[0][: -len(id_)]
    return (
        f"; there is {longer[0]!r}: if it is meant, say prefix = {prefix!r} and "
        f"refers = [{column!r}] for this layer"
    )

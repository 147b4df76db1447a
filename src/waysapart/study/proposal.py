"""One study laid over the one it extends: rows added, replaced and removed."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from waysapart.gaps import Gap
from waysapart.schema import LIST_SEPARATOR, OWNERS, ROLES, Column, Role
from waysapart.study.ledger import Ledger, column_label, did_you_mean
from waysapart.study.references import is_among

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from waysapart.study.sources import Layer

_OWNERS: Mapping[str, tuple[str, ...]] = {
    "cable_runs": ("cable",),
    "link_runs": ("link",),
    "circuit_paths": ("circuit", "path"),
    "rings": ("ring",),
    "ring_circuits": ("circuit",),
}
"""Columns that say whose course a row is a step of."""

_OWNED_BY: Mapping[str, tuple[tuple[str, str], ...]] = {
    "cable_runs": (("cable", "cables"),),
    "link_runs": (("link", "links"),),
    "circuit_paths": (("circuit", "circuits"),),
    "rings": (("ring", "rings"),),
    "ring_circuits": (("circuit", "circuits"),),
    "measurements": (("cable", "cables"), ("link", "links")),
    "splices": (("joint", "joints"), ("a_cable", "cables"), ("b_cable", "cables")),
    "terminations": (("equipment", "equipment"), ("cable", "cables")),
}
"""Rows that go with the thing they belong to when it is removed."""

_FIBRE_ENDS: Mapping[str, tuple[tuple[str, ...], ...]] = {
    "splices": (("joint", "a_cable", "a_fibre"), ("joint", "b_cable", "b_fibre")),
    "terminations": (("equipment", "cable", "fibre"), ("equipment", "port")),
}
"""Columns that name what a row joins; a proposal that joins it anew takes the base's row away."""


@dataclass(frozen=True)
class LaidRows:
    """Rows of one role by which a proposal differs from the study that it extends.

    Attributes
    ----------
    added, replaced, removed : tuple of str
        Ids; of a course what it belongs to, such as the cable; of other rows without an id the
        row's number in the proposal's layer.
    """

    added: tuple[str, ...] = ()
    replaced: tuple[str, ...] = ()
    removed: tuple[str, ...] = ()


@dataclass(frozen=True)
class OwnRows:
    """What one study holds of its own.

    Attributes
    ----------
    over : str
        Name of the study that it extends.
    rows : dict of str to LaidRows
        By role.
    """

    over: str
    rows: Mapping[str, LaidRows]


def rows_laid(
    base: Mapping[str, pd.DataFrame], proposal: Mapping[str, pd.DataFrame], remove: Sequence[str]
) -> dict[str, LaidRows]:
    """Say what a proposal adds to a study, replaces in it and removes from it, by role.

    Parameters
    ----------
    base, proposal : mapping of str to DataFrame
        One table per role: of the study that is extended, and the proposal's own rows.
    remove : sequence of str
        Ids that the proposal removes.

    Returns
    -------
    dict of str to LaidRows
        Roles that the proposal does not touch are left out.
    """
    found = {}
    for name, role in ROLES.items():
        under, over = base[name], proposal[name]
        if "id" in role.column:
            known, own = _names(under, ["id"]), _names(over, ["id"])
            gone = [one for one in dict.fromkeys(remove) if one in known]
        elif name in _OWNERS:
            columns = list(_OWNERS[name])
            known, own = _names(under, columns), _names(over, columns)
            gone = [one for one in dict.fromkeys(remove) if name == "rings" and one in known]
        else:
            known, own, gone = {}, _names(over, ["_row"]), []
        laid = LaidRows(
            tuple(one for one in own if one not in known),
            tuple(one for one in own if one in known and one not in gone),
            tuple(one for one in gone if one not in own),
        )
        both = tuple(one for one in own if one in gone)
        if both:
            laid = LaidRows(laid.added, (*laid.replaced, *both), laid.removed)
        if laid != LaidRows():
            found[name] = laid
    return found


def _names(table: pd.DataFrame, columns: Sequence[str]) -> dict[str, None]:
    """What the rows of a table are about, each once, in their order."""
    if not len(table):
        return {}
    named = table[columns[0]].astype("str")
    for column in columns[1:]:
        named = named + " " + table[column].astype("str")
    return dict.fromkeys(named[table[columns[0]].notna()].tolist())


def laid_over(
    base: Mapping[str, pd.DataFrame], proposal: Mapping[str, pd.DataFrame]
) -> dict[str, pd.DataFrame]:
    """Lay the tables of a proposal over those of the study that it extends.

    A row with an id replaces the base's row of that id. A course is replaced as a whole: where
    a proposal has `cable_runs` of a cable, `link_runs` of a link, `rings` of a ring or
    `circuit_paths` of one path of a circuit, the base's rows of the same cable, link, ring or
    path are removed. A splice or termination of the base goes where the proposal splices or ends
    the same fibre at the same place, or takes its port. A circuit that a proposal puts on a ring
    loses its listed paths, and the other way round. Measurements are added.

    Parameters
    ----------
    base, proposal : mapping of str to DataFrame
        One table per role.

    Returns
    -------
    dict of str to DataFrame
        One table per role.
    """
    merged = {}
    for name, role in ROLES.items():
        under, over = base[name], proposal[name]
        if not len(under):
            merged[name] = over
            continue
        if not len(over) and name not in ("circuit_paths", "ring_circuits"):
            merged[name] = under
            continue
        if "id" in role.column:
            under = under[~is_among(under["id"], over["id"])]
        elif name in _OWNERS:
            columns = list(_OWNERS[name])
            under = under[~is_among(_keys(under, columns), _keys(over, columns))]
        elif name in _FIBRE_ENDS:
            under = under[~_joined_anew(under, over, _FIBRE_ENDS[name])]
        if name == "circuit_paths":
            under = under[~is_among(under["circuit"], proposal["ring_circuits"]["circuit"])]
        if name == "ring_circuits":
            under = under[~is_among(under["circuit"], proposal["circuit_paths"]["circuit"])]
        parts = [part for part in (under, over) if len(part)]
        merged[name] = pd.concat(parts, ignore_index=True) if len(parts) > 1 else [*parts, over][0]
    return merged


def _joined_anew(
    under: pd.DataFrame, over: pd.DataFrame, ends: Sequence[tuple[str, ...]]
) -> NDArray[np.bool_]:
    """Rows of the base that join a fibre or a port that a row of the proposal joins too."""
    gone = np.zeros(len(under), dtype=bool)
    by_kind: dict[int, list[tuple[str, ...]]] = {}
    for end in ends:
        by_kind.setdefault(len(end), []).append(end)
    for several in by_kind.values():
        taken = pd.concat([_keys(over, end) for end in several])
        for end in several:
            gone |= is_among(_keys(under, end), taken)
    return gone


def _keys(frame: pd.DataFrame, columns: Sequence[str]) -> pd.Series:
    keys = frame[columns[0]]
    for column in columns[1:]:
        keys = keys + "\x00" + frame[column].astype("str")
    return keys


def without(
    tables: Mapping[str, pd.DataFrame], remove: Sequence[str], file: str, ledger: Ledger
) -> dict[str, pd.DataFrame]:
    """Remove the rows of some ids and what belongs to them, such as the runs of a cable.

    Parameters
    ----------
    tables : mapping of str to DataFrame
        One table per role.
    remove : sequence of str
        Ids, or names of rings.
    file : str
        File that asks for it, for messages.
    ledger : Ledger
        Collects a problem for each id that no table has.

    Returns
    -------
    dict of str to DataFrame
    """
    known = [
        tables[name]["id"] if "id" in role.column else tables[name]["ring"]
        for name, role in ROLES.items()
        if "id" in role.column or name == "rings"
    ]
    every = pd.Index(pd.concat(known, ignore_index=True).dropna().unique())
    for id_ in remove:
        if id_ not in every:
            near = did_you_mean(id_, every) if len(every) <= 20_000 else ""
            ledger.problem(
                f"removes {id_!r}, which no table of the study that it extends has{near}",
                file=file,
                column="remove",
                id=id_,
            )
    kept = {}
    for name, role in ROLES.items():
        frame = tables[name]
        gone = np.zeros(len(frame), dtype=bool)
        if "id" in role.column:
            gone |= is_among(frame["id"], remove)
        for column, _owner in _OWNED_BY.get(name, ()):
            gone |= is_among(frame[column], remove)
        kept[name] = frame[~gone]
    return kept


def cut_references(
    tables: Mapping[str, pd.DataFrame],
    removed: Iterable[str],
    layers: Sequence[Layer],
    ledger: Ledger,
) -> dict[str, pd.DataFrame]:
    """Remove every reference to a removed id; each leaves a record gap.

    In a list the id is dropped, in a cell the cell blanked, in a course (a row of `cable_runs`,
    `link_runs`, `circuit_paths`, `rings`, `ring_circuits`) the row dropped.

    Parameters
    ----------
    tables : mapping of str to DataFrame
        One table per role.
    removed : iterable of str
    layers : sequence of Layer
        Where rows come from, for the gaps.
    ledger : Ledger
        Collects the gaps; each touches the asset, link or circuit that referred.

    Returns
    -------
    dict of str to DataFrame
    """
    removed = frozenset(removed)
    if not removed:
        return dict(tables)
    ring_circuits = tables["ring_circuits"]
    lost: dict[tuple[str, str], frozenset[str]] = {}
    for name, role in ROLES.items():
        frame = tables[name]
        for column in role.columns:
            if not column.refers or not len(frame):
                continue
            hit = np.flatnonzero(_refers_to(frame[column.name], column, removed))
            if len(hit):
                lost[name, column.name] = removed
            for position in hit:
                ledger.gaps.append(
                    _gap(role, column, frame.iloc[position], removed, ring_circuits, layers)
                )
    return cut(tables, lost)


def cut(
    tables: Mapping[str, pd.DataFrame], lost: Mapping[tuple[str, str], frozenset[str]]
) -> dict[str, pd.DataFrame]:
    """Remove some references from tables.

    Parameters
    ----------
    tables : mapping of str to DataFrame
        One table per role.
    lost : mapping
        By role and column: the ids that are removed. In a list the id is dropped, in a cell the
        cell blanked; in a course, in `measurements`, `splices` and `terminations`
        the row is dropped.

    Returns
    -------
    dict of str to DataFrame
    """
    left = dict(tables)
    dropped: dict[str, NDArray[np.bool_]] = {}
    for (name, column_name), ids in lost.items():
        frame, column = left[name], ROLES[name].column[column_name]
        hit = _refers_to(frame[column_name], column, ids)
        if (column.required and "id" not in ROLES[name].column) or name == "measurements":
            dropped[name] = dropped.get(name, np.zeros(len(frame), dtype=bool)) | hit
            continue
        values = frame[column_name].to_numpy(dtype=object).copy()
        for position in np.flatnonzero(hit):
            values[position] = _left(values[position], ids)
        values_left = pd.Series(values, index=frame.index, dtype="str")
        left[name] = frame.assign(**{column_name: values_left})
    for name, gone in dropped.items():
        left[name] = left[name][~gone]
    return left


def _refers_to(values: pd.Series, column: Column, removed: frozenset[str]) -> NDArray[np.bool_]:
    if column.type != "list":
        return is_among(values, removed)
    items = values.str.split(LIST_SEPARATOR).reset_index(drop=True).explode()
    hit = np.zeros(len(values), dtype=bool)
    hit[items.index[is_among(items, removed)]] = True
    return hit


def _left(text: str, removed: frozenset[str]) -> str | float:
    items = [item for item in text.split(LIST_SEPARATOR) if item not in removed]
    return LIST_SEPARATOR.join(items) if items else np.nan


def _owner(role: Role, row: pd.Series) -> tuple[str, str]:
    """What a row is about, and what kind of thing that is."""
    if "id" in role.column:
        return str(row["id"]), "assets" if role.asset else role.name
    named = ((str(row[column]), what) for column, what in OWNERS[role.name] if row.notna()[column])
    return next(named, (f"row {row['_row']:.0f}", "assets"))


def _gap(
    role: Role,
    column: Column,
    row: pd.Series,
    removed: frozenset[str],
    ring_circuits: pd.DataFrame,
    layers: Sequence[Layer],
) -> Gap:
    owner, subject = _owner(role, row)
    gone = [item for item in str(row[column.name]).split(LIST_SEPARATOR) if item in removed]
    circuits: tuple[str, ...] = ()
    if subject == "rings":
        on_ring = ring_circuits.loc[ring_circuits["ring"] == owner, "circuit"]
        circuits = tuple(on_ring)
    elif subject == "circuits":
        circuits = (owner,)
    layer = layers[int(row["_layer"])]
    return Gap(
        code="removed-reference",
        message=(
            f"{owner} refers to {', '.join(gone)} in {column.name!r}, which the proposal removes; "
            f"say what takes its place, or remove {owner} as well"
        ),
        asset=owner,
        assets=(owner,) if subject == "assets" else (),
        links=(owner,) if subject == "links" else (),
        circuits=circuits,
        file=layer.file,
        layer=layer.layer or layer.role,
        row=int(row["_row"]),
        column=column_label(layer, column.name),
    )

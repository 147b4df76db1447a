"""Their columns to ours: named, filled, typed, in our units."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from waysapart.schema import KNOWN_EMPTY, LIST_SEPARATOR, ROLES, Column, Role
from waysapart.study.ledger import Ledger, did_you_mean, listed, near_matches
from waysapart.study.values import as_text, blank, consequence, converted

if TYPE_CHECKING:
    from waysapart.study.raw import Layer, LayerSpec

HIDDEN = ("_layer", "_row")


def rename(spec: LayerSpec, frame: pd.DataFrame, ledger: Ledger) -> pd.DataFrame:
    """Their columns under our names; constants of `values` put in.

    A column of theirs that bears one of our names, yet is not the one that
    `columns` names for it, is kept with `(unused)` after its name.
    """
    missing = {ours: theirs for ours, theirs in spec.columns.items() if theirs not in frame}
    names = [str(name) for name in frame if name != "_row"]
    for ours, theirs in missing.items():
        hint = did_you_mean(theirs, names)
        ledger.problem(
            f"columns names {theirs!r}, which the layer lacks; its columns are "
            f"{listed(names)}{hint}",
            file=spec.shown_source,
            layer=spec.layer or spec.role,
            column=f"{ours} ({theirs})",
        )
    mapped = {ours: frame[theirs] for ours, theirs in spec.columns.items() if theirs in frame}
    claimed = {*mapped, *spec.values, "_layer"}
    used = set(spec.columns.values())
    rest = {
        (f"{name} (unused)" if name in claimed else name): frame[name]
        for name in names
        if name not in used
    }
    constants = {
        name: pd.Series([value] * len(frame), index=frame.index)
        for name, value in spec.values.items()
    }
    return pd.DataFrame({**mapped, **constants, **rest, "_row": frame["_row"]}, index=frame.index)


def clean(
    spec: LayerSpec, frame: pd.DataFrame, layers: Sequence[Layer], ledger: Ledger
) -> pd.DataFrame:
    """Check and convert every column of a role.

    Parameters
    ----------
    spec : LayerSpec
    frame : DataFrame
        Our names (see `rename`), with `_layer` and `_row`, without geometry.
    layers : sequence of Layer
        What `_layer` counts.

    Returns
    -------
    DataFrame
        Every column of the role in its order: text and lists as `str`, numbers
        and counts as float64, dates as datetime64; then extra columns, then
        `_layer` and `_row`.
    """
    role = ROLES[spec.role]
    found: dict[str, pd.Series] = {str(name): frame[name] for name in frame}
    done: dict[str, pd.Series] = {}
    _check_present(spec, role, frame, ledger)
    for column in role.columns:
        if column.name not in found:
            done[column.name] = blank(column, frame.index)
            continue
        values = converted(column, frame, spec, layers, ledger)
        values = _prefixed(column, values, spec)
        if column.required and not column.may_be_blank:
            ledger.rows(
                frame,
                layers,
                _was_blank(found[column.name], values),
                column.name,
                "is blank; every row needs a value here",
                **consequence(spec.role, column, blank=True),
            )
        done[column.name] = values
    for name, unit in spec.units.items():
        if name in role.column and name not in found:
            ledger.problem(
                f"units names {name!r}, which the layer lacks",
                file=spec.shown_source,
                layer=spec.layer or spec.role,
                column=f"layer.units.{name} ({unit})",
            )
    extras = {
        name: _plain(values)
        for name, values in found.items()
        if name not in role.column and name not in HIDDEN
    }
    _note_resemblances(spec, role, list(extras), ledger)
    hidden = {name: frame[name].astype(np.int64) for name in HIDDEN}
    return pd.DataFrame({**done, **extras, **hidden}, index=frame.index)


def _was_blank(found: pd.Series, converted_to: pd.Series) -> pd.Series:
    """Whether a cell was blank in the source; one that could not be read was not."""
    empty = converted_to.isna()
    if empty.any():
        empty[empty] = as_text(found[empty]).isna()
    return empty


def _check_present(spec: LayerSpec, role: Role, frame: pd.DataFrame, ledger: Ledger) -> None:
    ours = [str(name) for name in frame if name not in HIDDEN]
    if not ours and not len(frame):  # GeoJSON without features has no columns either
        return
    theirs = [spec.columns.get(name, name) for name in ours if name not in spec.values]
    unused = [name for name in ours if name not in spec.columns and name not in spec.values]
    for column in role.columns:
        if not column.required or column.name in frame or column.name in spec.columns:
            continue
        near = near_matches(column.name, unused)
        hint = (
            f'; is it {near[0]!r}? Then say columns = {{ {column.name} = "{near[0]}" }}'
            if near
            else f"; name it with columns = {{ {column.name} = ... }} or fill it with values"
        )
        ledger.problem(
            f"the required column {column.name!r} ({column.says}) is missing; the layer's "
            f"columns are {listed(theirs)}{hint}",
            file=spec.shown_source,
            layer=spec.layer or spec.role,
            column=column.name,
        )


def _note_resemblances(spec: LayerSpec, role: Role, extras: list[str], ledger: Ledger) -> None:
    for name in extras:
        bare = re.sub(r"[\W_]+", "", name.casefold())
        for column in role.columns:
            ours = column.name.replace("_", "")
            alike = bare == ours or (
                len(bare) > 3 and bool(near_matches(bare, [ours])) and _ratio(bare, ours) >= 0.85
            )
            if alike and column.name not in spec.columns and not name.endswith("(unused)"):
                ledger.note(
                    f"{spec.shown_source}: the column {name!r} is not used; if it is our "
                    f"{column.name!r}, say columns = {{ {column.name} = {name!r} }}"
                )


def _ratio(one: str, other: str) -> float:
    import difflib

    return difflib.SequenceMatcher(None, one, other).ratio()


def empty_frame(role: Role) -> pd.DataFrame:
    """A frame of a role without rows, every column typed."""
    index = pd.RangeIndex(0)
    columns: dict[str, Any] = {column.name: blank(column, index) for column in role.columns}
    hidden = {name: pd.Series(0, index=index, dtype=np.int64) for name in HIDDEN}
    return pd.DataFrame({**columns, **hidden})


def _plain(values: pd.Series) -> pd.Series:
    """An extra column: as it is, except that lists and the like become text."""
    if values.dtype == object:
        return as_text(values)
    if isinstance(values.dtype, pd.StringDtype):
        return values.astype("str")
    return values


def _prefixed(column: Column, values: pd.Series, spec: LayerSpec) -> pd.Series:
    """Ids with the layer's prefix before them; lists item by item."""
    if not spec.prefix or not (column.name == "id" or column.name in spec.refers):
        return values
    if column.type == "list":
        inner = values.str.replace(LIST_SEPARATOR, LIST_SEPARATOR + spec.prefix, regex=False)
        return (spec.prefix + inner).where(values != KNOWN_EMPTY, values)
    return spec.prefix + values

"""A raw frame in the columns of its role: our names, constants filled in, typed, in our units.

`rename` and `clean` do this for a layer, `converted` for one column. Every value that does not fit
is reported, and comes back blank.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any, TypedDict

import numpy as np
import pandas as pd

from waysapart.arrays import Bools, Floats
from waysapart.schema import (
    FIRST_YEAR,
    KNOWN_EMPTY,
    LAST_YEAR,
    LIST_SEPARATOR,
    MAY_BE_NONE,
    ROLES,
    Column,
    Role,
)
from waysapart.strings import known_texts
from waysapart.study.ledger import Ledger, did_you_mean, listed, near_matches

if TYPE_CHECKING:
    from waysapart.gaps import Limit
    from waysapart.study.sources import Layer, LayerSpec

_FACTORS: Mapping[str, Mapping[str, float]] = {
    "m": {
        "m": 1.0,
        "km": 1000.0,
        "cm": 0.01,
        "mm": 0.001,
        "ft": 0.3048,
        "us-ft": 1200 / 3937,
        "in": 0.0254,
        "yd": 0.9144,
        "mi": 1609.344,
        "nmi": 1852.0,
    },
    "mm": {"mm": 1.0, "cm": 10.0, "m": 1000.0, "in": 25.4},
    "us": {"us": 1.0, "ns": 0.001, "ms": 1000.0, "s": 1e6},
    "ms": {"ms": 1.0, "us": 0.001, "s": 1000.0},
    "h": {"h": 1.0, "min": 1 / 60, "s": 1 / 3600, "d": 24.0},
    "nm": {"nm": 1.0, "um": 1000.0},
    "dB": {"dB": 1.0},
    "dBm": {"dBm": 1.0},
    "dB/km": {"dB/km": 1.0, "dB/m": 1000.0, "dB/mi": 1 / 1.609344, "dB/kft": 1 / 0.3048},
    "%": {"%": 1.0, "fraction": 100.0, "permille": 0.1},
    "1/a": {"1/a": 1.0, "1/h": 8760.0, "FIT": 8760e-9},
    "MHz": {"MHz": 1.0, "kHz": 0.001, "GHz": 1000.0},
    "ps/nm": {"ps/nm": 1.0, "ns/nm": 1000.0},
}
"""By our unit: factors from units of a source. The foot is the international one; the US survey
foot is 1200/3937 m (both exact, NIST SP 811 appendix B.6)."""

_WHERE = frozenset({"seq", "accuracy_m", "reach_m"})
"""Columns of numbers that say what a path relies on or where it runs; all others are figures."""
_LOSS: tuple[Limit, ...] = ("loss",)
_DELAY: tuple[Limit, ...] = ("delay", "asymmetry")
_LENGTH: tuple[Limit, ...] = (*_DELAY, "loss")
_LIMITS: Mapping[str, tuple[Limit, ...]] = {
    **dict.fromkeys(("delay_us", "extra_delay_us"), _DELAY),
    **dict.fromkeys(("per_year", "repair_h", "autonomy_h"), ("unavailability",)),
    **dict.fromkeys(("length_m", "sag_m", "elevation_m", "overlength_pct"), _LENGTH),
    **dict.fromkeys(("slack_m", "wrap_pitch_m", "wrap_diameter_mm", "wavelength_nm"), _LENGTH),
    **dict.fromkeys(("loss_db", "db_per_km", "reserve_db", "connectors", "splices"), _LOSS),
    **dict.fromkeys(("tx_min_dbm", "tx_max_dbm", "rx_min_dbm", "rx_max_dbm"), _LOSS),
    **dict.fromkeys(("fibre_count", "bandwidth_mhz", "dispersion_limit_ps_nm"), _LOSS),
    **dict.fromkeys(("recovery_ms",), ("recovery",)),
    **dict.fromkeys(("surveyed", "stated_on"), ()),
}
"""The limits that rest on a figure; a figure that is not named here bears on all limits. A date
of a survey or a statement bears on none: ages are checked by themselves."""

_CONTROL = re.compile(r"[\x00-\x1f\x7f-\x9f\u2028\u2029]")
_UNTIDY = re.compile(r"\A\s|\s\Z|\n\s|\s\n|\A\Z")
"""Among cells on lines of their own, one that is blank or begins or ends with a blank."""
_UNTIDY_LIST = re.compile(r"\A;|\n;|;\Z|;\n|; | ;|;;")
"""Among lists on lines of their own, one with an empty item or with blanks around an item."""
_DECIMAL_COMMA = re.compile(r"[+-]?\d{1,3}(?:\.\d{3})*,\d+|[+-]?\d+,\d+")


HIDDEN = ("_layer", "_row")


def rename(spec: LayerSpec, frame: pd.DataFrame, ledger: Ledger) -> pd.DataFrame:
    """Rename the source's columns to ours, and fill in the constants of `values`.

    Parameters
    ----------
    spec : LayerSpec
        Its `columns` and `values` say what is renamed and filled in.
    frame : DataFrame
        The layer as read, with the source's names and `_row`.
    ledger : Ledger
        Collects a problem for each name that the source lacks.

    Returns
    -------
    DataFrame
        The same rows. A column of the source that has one of our names, but is not the one that
        `columns` gives for it, is kept with `(unused)` after its name.
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
        Those to which `_layer` refers.

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
    blanks: dict[tuple[str, object], pd.Series] = {}
    _check_present(spec, role, frame, ledger)
    for column in role.columns:
        if column.name not in found:
            alike = (column.type, column.default)
            if alike not in blanks:
                blanks[alike] = blank(column, frame.index)
            done[column.name] = blanks[alike]
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
    """Make a frame of a role without rows, every column typed.

    Parameters
    ----------
    role : Role

    Returns
    -------
    DataFrame
        All columns of the role, `_layer` and `_row`; no geometry.
    """
    index = pd.RangeIndex(0)
    kinds = {(column.type, column.default): column for column in role.columns}
    blanks = {kind: blank(column, index) for kind, column in kinds.items()}
    columns: dict[str, Any] = {
        column.name: blanks[column.type, column.default] for column in role.columns
    }
    hidden = {name: pd.Series(0, index=index, dtype=np.int64) for name in HIDDEN}
    return pd.DataFrame({**columns, **hidden})


def _plain(values: pd.Series) -> pd.Series:
    """Keep an extra column as it is, except that lists and the like become text."""
    if values.dtype == object:
        return as_text(values)
    if isinstance(values.dtype, pd.StringDtype):
        return values.astype("str")
    return values


def _prefixed(column: Column, values: pd.Series, spec: LayerSpec) -> pd.Series:
    """Put the layer's prefix before ids, in lists before each."""
    if not spec.prefix or not (column.name == "id" or column.name in spec.refers):
        return values
    if column.type == "list":
        inner = values.str.replace(LIST_SEPARATOR, LIST_SEPARATOR + spec.prefix, regex=False)
        return (spec.prefix + inner).where(values != KNOWN_EMPTY, values)
    return spec.prefix + values


class Consequence(TypedDict, total=False):
    """The consequence of a fault for its row: arguments of `Ledger.rows`."""

    gap: str
    limits: tuple[Limit, ...] | None
    everything: bool
    drop: bool


def consequence(role: str, column: Column, *, blank: bool = False) -> Consequence:
    """Consequence of a cell that does not fit its column, or is blank where a value is required.

    A row without an id is left out, and concerns everything: it is not known what it is.
    A row of a course that does not say to which course it belongs, or what the step is, is
    left out too, but concerns only the course. Any other cell counts as blank.
    """
    if column.name == "id":
        return Consequence(gap="no-id", everything=True, drop=True)
    if column.required and not ROLES[role].asset and "id" not in ROLES[role].column:
        code = "blank-required" if blank else "unreadable-value"
        return Consequence(gap=code, drop=column.name != "seq")
    unbounded = (role, column.name) in {("structures", "kind"), ("hazards", "reach_m")}
    if blank:
        return Consequence(gap="blank-required", everything=unbounded)
    if column.type == "date" or (column.type in {"number", "count"} and column.name not in _WHERE):
        limits = _LENGTH if role == "measurements" else _LIMITS.get(column.name)
        return Consequence(gap="unreadable-figure", limits=limits)
    return Consequence(gap="unreadable-value", everything=unbounded)


def blank(column: Column, index: pd.Index) -> pd.Series:
    """Make a typed column without values."""
    if column.type in {"number", "count"}:
        known = np.nan if column.default is None else column.default
        return pd.Series(known, index=index, dtype=float)
    if column.type == "date":
        return pd.Series(pd.NaT, index=index, dtype="datetime64[ns]")
    return pd.Series(np.nan, index=index, dtype="str")


def converted(
    column: Column,
    frame: pd.DataFrame,
    spec: LayerSpec,
    layers: Sequence[Layer],
    ledger: Ledger,
) -> pd.Series:
    """Convert one column of a raw frame to our type and unit, and report every fault.

    A cell with a fault comes back blank.
    """
    values = frame[column.name]
    follows = consequence(spec.role, column)
    if column.type in {"number", "count"}:
        numbers = _numbers(column, values, frame, spec, layers, ledger)
        return numbers if column.default is None else numbers.fillna(column.default)
    if column.name in spec.units:
        ledger.problem(
            f"{column.name!r} has no unit, so that none can be converted",
            file=spec.declared_in,
            column=f"layer.units.{column.name}",
        )
    if column.type == "date":
        return _dates(column, values, frame, layers, ledger, follows)
    text = as_text(values)
    if column.type == "list":
        return _ids(column, _joined(text), frame, layers, ledger, follows)
    if column.type == "numbers":
        return _number_list(column, _joined(text), frame, layers, ledger, follows)
    if column.name == "id" or column.refers:
        return _ids(column, text, frame, layers, ledger, follows)
    if column.choices:
        wrong = ledger.rows(
            frame,
            layers,
            text.notna() & ~text.isin(column.choices),
            column.name,
            f"expected one of {', '.join(column.choices)}, or blank; found {{found}}"
            + _choice_meant(column, text),
            **follows,
        )
        text = text.mask(wrong)
    return text


def _choice_meant(column: Column, text: pd.Series) -> str:
    """Return `; did you mean 'x'?` where one word is all that is wrong in a column."""
    wrong = text[text.notna() & ~text.isin(column.choices)].unique()
    return did_you_mean(str(wrong[0]), column.choices) if len(wrong) == 1 else ""


def as_text(values: pd.Series) -> pd.Series:
    """Values as text: stripped, blank as NaN, whole numbers without a decimal point."""
    if pd.api.types.is_bool_dtype(values):
        return values.map({True: "true", False: "false"}).astype("str")
    if pd.api.types.is_integer_dtype(values):
        return values.astype(object).where(values.notna()).astype("str")
    if pd.api.types.is_float_dtype(values):
        whole = values.notna() & (values == np.floor(values)) & (values.abs() < 2**53)
        text = values.astype(object).where(~whole, values.where(whole, 0).astype(np.int64))
        return text.where(values.notna()).astype("str")
    if pd.api.types.is_datetime64_any_dtype(values):
        return values.map(lambda moment: moment.isoformat(), na_action="ignore").astype("str")
    if not isinstance(values.dtype, pd.StringDtype):
        values = values.map(_text_of_one, na_action="ignore").astype("str")
    values = values.astype("str")
    cells = known_texts(values)
    if not cells or not _UNTIDY.search("\n".join(cells)):
        return values
    values = values.str.strip()
    return values.where(values != "")


def _text_of_one(value: object) -> object:
    """One value of a column of mixed types as text."""
    if isinstance(value, str):
        return value
    if isinstance(value, bool | np.bool_):
        return "true" if value else "false"
    if isinstance(value, float | np.floating) and float(value).is_integer():
        return str(int(value))
    if isinstance(value, list | tuple | np.ndarray):
        return LIST_SEPARATOR.join(str(_text_of_one(part)) for part in value)
    return str(value)


def _joined(text: pd.Series) -> pd.Series:
    """Lists without blanks around their items and without empty items."""
    if not _UNTIDY_LIST.search("\n".join(known_texts(text))):
        return text
    untidy = text.str.startswith(LIST_SEPARATOR, na=False)
    untidy |= text.str.endswith(LIST_SEPARATOR, na=False)
    for fault in ("; ", " ;", ";;"):
        untidy |= text.str.contains(fault, regex=False, na=False)
    if untidy.any():
        tidy = text[untidy].str.replace(r"\s*;[\s;]*", ";", regex=True).str.strip("; ")
        text = text.copy()
        text[untidy] = tidy.where(tidy != "")
    return text


def _ids(
    column: Column,
    text: pd.Series,
    frame: pd.DataFrame,
    layers: Sequence[Layer],
    ledger: Ledger,
    follows: Consequence,
) -> pd.Series:
    """Check ids, one or a list per cell: they must be distinguishable and printable."""
    faults: list[tuple[pd.Series, str]] = []
    cells = known_texts(text)
    together, is_list = "; ;".join(cells), column.type == "list"
    if _CONTROL.search(together):
        faults.append(
            (
                text.str.contains(_CONTROL, regex=True, na=False),
                "holds a control character: {found}; ids are plain text on one line",
            )
        )
    if is_list and f";{KNOWN_EMPTY};" in f";{together};":
        among = ";" + text + ";"
        mixed = among.str.contains(f";{KNOWN_EMPTY};", regex=False, na=False)
        faults.append(
            (
                mixed & (text != KNOWN_EMPTY),
                f"expected ids, or {KNOWN_EMPTY!r} alone; found {{found}}",
            )
        )
        if column.name not in MAY_BE_NONE:
            faults.append(
                (
                    text == KNOWN_EMPTY,
                    f"{KNOWN_EMPTY!r} has a meaning in {', '.join(sorted(MAY_BE_NONE))} only; "
                    "leave the cell blank",
                )
            )
    if not is_list and together.count(LIST_SEPARATOR) > 2 * max(len(cells) - 1, 0):
        faults.append(
            (
                text.str.contains(LIST_SEPARATOR, regex=False, na=False),
                "expected one id; found {found}, and ';' stands between the ids of a list",
            )
        )
    if not is_list and f";{KNOWN_EMPTY};" in f";{together};":
        faults.append(
            (text == KNOWN_EMPTY, f"{KNOWN_EMPTY!r} is no id: it stands for 'known to be none'")
        )
    found = text
    for bad, message in faults:
        text = text.mask(ledger.rows(frame, layers, bad, column.name, message, found, **follows))
    return text


def _number_list(
    column: Column,
    text: pd.Series,
    frame: pd.DataFrame,
    layers: Sequence[Layer],
    ledger: Ledger,
    follows: Consequence,
) -> pd.Series:
    fault = ledger.rows(
        frame,
        layers,
        text.notna() & ~text.str.fullmatch(r"\d+(?:;\d+)*", na=False),
        column.name,
        "expected whole numbers with ';' between, such as 1;2; found {found}",
        **follows,
    )
    text = text.str.replace(r"(?:(?<=;)|^)0+(?=\d)", "", regex=True)
    zero = text.str.contains(r"(?:^|;)0(?:;|$)", regex=True, na=False)
    low = ledger.rows(
        frame,
        layers,
        zero & ~fault,
        column.name,
        "expected numbers from 1 on; found {found}",
        **follows,
    )
    return text.mask(fault | low)


def _numbers(
    column: Column,
    values: pd.Series,
    frame: pd.DataFrame,
    spec: LayerSpec,
    layers: Sequence[Layer],
    ledger: Ledger,
) -> pd.Series:
    follows = consequence(spec.role, column)
    if pd.api.types.is_bool_dtype(values):
        ledger.rows(
            frame,
            layers,
            values.notna(),
            column.name,
            "expected a number; found {found}",
            **follows,
        )
        return blank(column, frame.index)
    if pd.api.types.is_numeric_dtype(values):
        numbers = values.to_numpy(dtype=np.float64, na_value=np.nan)
    else:
        text = as_text(values)
        numbers = pd.to_numeric(text, errors="coerce").to_numpy(dtype=np.float64, na_value=np.nan)
        bad = text.notna().to_numpy() & np.isnan(numbers)
        if bad.any():
            commas = bad & text.str.fullmatch(_DECIMAL_COMMA, na=False).to_numpy()
            ledger.rows(
                frame,
                layers,
                commas,
                column.name,
                "{found} has a decimal comma; expected a decimal point, such as 12.5: export the "
                "table with points",
                **follows,
            )
            ledger.rows(
                frame,
                layers,
                bad & ~commas,
                column.name,
                "expected a number, or a blank cell where it is not known; found {found}",
                **follows,
            )
    endless = ledger.rows(
        frame,
        layers,
        np.isinf(numbers),
        column.name,
        "expected a finite number; found {found}",
        **follows,
    )
    stated = numbers = np.where(endless, np.nan, numbers)
    if column.name in spec.units:
        numbers = numbers * _factor(column, spec, ledger)
    if column.type == "count":
        broken = ledger.rows(
            frame,
            layers,
            ~np.isnan(numbers) & (numbers != np.floor(numbers)),
            column.name,
            "expected a whole number; found {found}",
            **follows,
        )
        numbers = np.where(broken, np.nan, numbers)
    beyond = _out_of_range(column, numbers, stated, frame, spec, layers, ledger)
    return pd.Series(np.where(beyond, np.nan, numbers), index=frame.index)


def _out_of_range(
    column: Column,
    numbers: Floats,
    stated: Floats,
    frame: pd.DataFrame,
    spec: LayerSpec,
    layers: Sequence[Layer],
    ledger: Ledger,
) -> Bools:
    """Find and report the numbers below or above what the column allows."""
    unit = f" {column.unit}" if column.unit else ""
    if column.name in spec.units:
        unit += f" (the source is in {spec.units[column.name]})"
    bounds: list[tuple[Bools, str]] = []
    if column.minimum is not None:
        low = numbers <= column.minimum if column.above else numbers < column.minimum
        bound = "more than" if column.above else "at least"
        bounds.append((low, f"{bound} {column.minimum:g}"))
    if column.maximum is not None:
        bounds.append((numbers > column.maximum, f"at most {column.maximum:g}"))
    beyond = np.zeros(len(numbers), dtype=np.bool_)
    for bad, bound in bounds:
        if not bad.any():
            continue
        beyond |= ledger.rows(
            frame,
            layers,
            bad,
            column.name,
            f"expected {bound}{unit}; found {{found}}" + _unit_that_fits(column, numbers, spec),
            stated.tolist(),
            **consequence(spec.role, column),
        )
    return beyond


def _unit_that_fits(column: Column, numbers: Floats, spec: LayerSpec) -> str:
    """Advice where all of a column would be in range in one other unit."""
    if column.name in spec.units:
        return ""
    low = -np.inf if column.minimum is None else column.minimum
    high = np.inf if column.maximum is None else column.maximum
    known = numbers[~np.isnan(numbers)]
    fitting = [
        unit
        for unit, factor in _FACTORS.get(column.unit or "", {}).items()
        if ((known * factor >= low) & (known * factor <= high)).all()
    ]
    if len(fitting) != 1:
        return ""
    return f'; if the source is in {fitting[0]}, say units = {{ {column.name} = "{fitting[0]}" }}'


def _factor(column: Column, spec: LayerSpec, ledger: Ledger) -> float:
    stated = spec.units[column.name]
    known = _FACTORS.get(column.unit or "", {})
    if stated in known:
        return known[stated]
    ledger.problem(
        f"{column.name!r} has no unit, so that none can be converted"
        if not known
        else f"unknown unit {stated!r} for {column.name!r}; known are {listed(known)}"
        f"{did_you_mean(stated, known)}",
        file=spec.declared_in,
        column=f"layer.units.{column.name} ({spec.shown_source})",
    )
    return 1.0


def _dates(
    column: Column,
    values: pd.Series,
    frame: pd.DataFrame,
    layers: Sequence[Layer],
    ledger: Ledger,
    follows: Consequence,
) -> pd.Series:
    if pd.api.types.is_datetime64_any_dtype(values):
        moments = values
    else:
        text = as_text(values)
        moments = pd.to_datetime(text, format="ISO8601", errors="coerce", utc=True)
        ledger.rows(
            frame,
            layers,
            text.notna() & moments.isna(),
            column.name,
            "expected a date such as 2027-06-30; found {found}",
            **follows,
        )
    if moments.dt.tz is not None:
        moments = moments.dt.tz_convert(None)
    year = moments.dt.year
    beyond = ledger.rows(
        frame,
        layers,
        moments.notna() & ((year < FIRST_YEAR) | (year > LAST_YEAR)),
        column.name,
        f"expected a date from {FIRST_YEAR} to {LAST_YEAR}, or a blank cell; found {{found}}",
        **follows,
    )
    moments = moments.mask(beyond)
    return moments.astype("datetime64[ns]")

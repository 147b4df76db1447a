"""What blanks in the records leave open, as `[records]` in the rules has it."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from waysapart.arrays import Bools, Floats
from waysapart.gaps import Gap
from waysapart.network.assets import listed
from waysapart.network.records import places_of
from waysapart.schema import ASSET_ROLES, ROLES
from waysapart.study.model import Study
from waysapart.study.rules import OTHER_KIND
from waysapart.study.toml_input import dotted

_PLURAL = {
    "equipment": "pieces of equipment",
    "supplies": "supplies",
    "battery": "batteries",
    "bridge": "bridges",
    "chassis": "chassis",
    "entry": "entries",
    "gantry": "gantries",
    "subsea": "subsea segments",
    "buried": "buried segments",
    "radio": "radios",
}


@dataclass(frozen=True)
class BlankRule:
    """What the rules make of the blanks of one column, for one kind.

    Attributes
    ----------
    column : str
        `within`, `supplies`, `needs` or `delay_us`.
    kind : str
        The kind, or the role where a row has none.
    value : str or float
        `gap`, `none`, or a delay in microseconds.
    count : int
        How many rows are blank.
    rule : str
        Key of the rule that says so, such as `records.within.other`.
    """

    column: str
    kind: str
    value: str | float
    count: int
    rule: str


def blank_gaps(study: Study) -> list[Gap]:
    """A gap for every blank that the rules do not explain.

    Returns
    -------
    list of Gap
        Codes `blank-within`, `blank-supplies`, `blank-needs`, `blank-delay`.
    """
    gaps = []
    for role, column, rows in _blanks(study):
        table = study.tables[role]
        one, many = _SAYS[column]
        open_ = np.flatnonzero(rows & (_meaning(study, role, column) == "gap"))
        names = table["id"].to_numpy(dtype=object)[open_].tolist()
        kinds = _kinds(table, role)[open_].tolist()
        places = places_of(study, table, open_)
        for name, kind, place in zip(names, kinds, places, strict=True):
            gaps.append(
                Gap(
                    _CODES[column],
                    f"{_article(kind)} {name} {one}: record it"
                    + (" (- if there is none)" if column != "delay_us" else ""),
                    name,
                    assets=(name,),
                    column=column,
                    fold=f"{{count}} {plural(kind)} {many}: {{names}}",
                    **place,
                )
            )
    return gaps


def explained_blanks(study: Study, relied_on: Mapping[str, Bools]) -> list[BlankRule]:
    """Blanks that the rules take as none, or as a figure: assumptions for somebody to sign.

    Parameters
    ----------
    study : Study
    relied_on : mapping of str to ndarray of bool
        By role, the rows that some path relies on: no verdict rests on the others.
    """
    found = []
    for role, column, rows in _blanks(study):
        meaning = _meaning(study, role, column)
        table = study.tables[role]
        kept = np.flatnonzero(rows & relied_on[role] & (meaning != "gap"))
        kinds = pd.Series(_kinds(table, role)[kept], dtype=object)
        for kind, places in kinds.groupby(kinds, sort=True).groups.items():
            value = meaning[kept[places[0]]]
            rule = _rule(study, column, str(kind), role)
            found.append(BlankRule(column, str(kind), value, len(places), rule))
    return found


def _rule(study: Study, column: str, kind: str, role: str) -> str:
    """Key of the rule that explains blanks of a kind: that of the kind, the role, or the rest."""
    table = getattr(study.rules.records, column)
    if isinstance(table, str):
        return f"records.{column}"
    return dotted(("records", column, next((k for k in (kind, role) if k in table), OTHER_KIND)))


def assumed_delay_us(study: Study) -> Floats:
    """Delay of every piece of equipment in microseconds; NaN where nobody knows it.

    What is recorded, else the figure that the rules state for its kind, else
    nought where it is passive or the rules say that there is none.
    """
    table = study.tables["equipment"]
    delay = table["delay_us"].to_numpy(dtype=np.float64).copy()
    meaning = _meaning(study, "equipment", "delay_us")
    passive = _passive(study)
    for row in np.flatnonzero(np.isnan(delay)).tolist():
        value = meaning[row]
        if passive[row] or value == "none":
            delay[row] = 0.0
        elif value != "gap":
            delay[row] = float(value)
    return delay


def said_of_blanks(column: str, kind: str, count: int) -> str:
    """`12 towers do not say what they lie within`, of a column that `[records]` rules."""
    one, many = _SAYS[column]
    return f"1 {kind} {one}" if count == 1 else f"{count} {plural(kind)} {many}"


_CODES = {
    "within": "blank-within",
    "supplies": "blank-supplies",
    "needs": "blank-needs",
    "delay_us": "blank-delay",
}
_SAYS = {
    "within": ("does not say what it lies within", "do not say what they lie within"),
    "supplies": ("does not say what supplies it", "do not say what supplies them"),
    "needs": ("does not say what it needs", "do not say what they need"),
    "delay_us": ("has no delay on record", "have no delay on record"),
}


def _blanks(study: Study) -> Iterable[tuple[str, str, Bools]]:
    """Role, column and which rows are blank there, for each column that `[records]` rules."""
    for role in ASSET_ROLES:
        if "within" in ROLES[role].column:
            yield role, "within", study.tables[role]["within"].isna().to_numpy()
    active = ~_passive(study)
    equipment = study.tables["equipment"]
    yield "equipment", "supplies", equipment["supplies"].isna().to_numpy() & active
    for role in ("supplies", "equipment"):
        blank = study.tables[role]["needs"].isna().to_numpy()
        yield role, "needs", blank & active if role == "equipment" else blank
    asked = active & _on_signals(study)
    yield "equipment", "delay_us", equipment["delay_us"].isna().to_numpy() & asked


def _on_signals(study: Study) -> Bools:
    """Equipment that a link ends on or goes through: of no other does anybody ask the delay."""
    links = study.tables["links"]
    met = {*links["a"].dropna(), *links["b"].dropna(), *listed(links["via"])[1]}
    return study.tables["equipment"]["id"].isin(met).to_numpy()


def _passive(study: Study) -> Bools:
    return np.asarray(
        study.tables["equipment"]["kind"].isin(study.rules.records.passive), dtype=np.bool_
    )


def _meaning(study: Study, role: str, column: str) -> np.ndarray:
    """`gap`, `none` or a figure for every row of a role."""
    records = study.rules.records
    of_kind: dict[str, Callable[[str | None], str | float]] = {
        "within": lambda kind: records.of_within(kind, role),
        "supplies": lambda kind: records.supplies,
        "needs": lambda kind: records.of_needs(kind, role),
        "delay_us": records.of_delay,
    }
    table = study.tables[role]
    if "kind" not in table:
        return np.full(len(table), of_kind[column](None), dtype=object)
    kinds = table["kind"].to_numpy(dtype=object)
    known = {kind: of_kind[column](kind) for kind in {k for k in kinds if isinstance(k, str)}}
    bare = of_kind[column](None)
    return np.array([known.get(kind, bare) for kind in kinds.tolist()], dtype=object)


def _kinds(table: pd.DataFrame, role: str) -> np.ndarray:
    """The kind of every row, or the role where it has none."""
    if "kind" not in table:
        return np.full(len(table), role, dtype=object)
    return table["kind"].astype(object).where(table["kind"].notna(), role).to_numpy(dtype=object)


def _article(kind: str) -> str:
    return {"supplies": "supply", "sites": "site", "structures": "structure"}.get(kind, kind)


def plural(kind: str) -> str:
    """The plural of a kind or of a role's name."""
    if kind in _PLURAL:
        return _PLURAL[kind]
    return kind if kind.endswith("s") else f"{kind}s"

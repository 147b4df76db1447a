"""Rules, settings and waivers that differ between two proofs, and all that differs in words."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Literal, TypedDict

from waysapart.whatif.record_changes import GEOMETRY, CellDifference, Row, RowChange

Facts = Mapping[str, Any]


class RuleDifference(TypedDict):
    """A value of the rules that differs; null: it is not used there.

    `kind` is `rule` where the study's own rules state it on either side, `default` where both
    sides take it from the program, `used` where only one side uses it at all.
    """

    key: str
    before: Any
    after: Any
    kind: Literal["rule", "default", "used"]
    source_before: str | None
    source_after: str | None


class SettingDifference(TypedDict):
    """What study.toml says of the whole study or of a layer, where that differs."""

    key: str
    before: Any
    after: Any


class WaiverDifference(TypedDict):
    """A waiver that differs, or whether it counts; null: there is none."""

    circuit: str
    asset: str | None
    within: str | None
    pair: list[str] | None
    change: Literal["new", "gone", "begins", "ends", "changed"]
    before: dict[str, Any] | None
    after: dict[str, Any] | None


def rule_changes(before: Facts, after: Facts) -> list[RuleDifference]:
    """Values of the rules that differ.

    Parameters
    ----------
    before, after : Evidence

    Returns
    -------
    list of RuleDifference
    """
    sides = [
        {row["key"]: row for row in facts.get("assumptions", []) if not row.get("to_sign")}
        for facts in (before, after)
    ]
    files = [{str(one.get("file")) for one in facts.get("inputs", [])} for facts in (before, after)]
    keys = [*sides[0], *(key for key in sides[1] if key not in sides[0])]
    found: list[RuleDifference] = []
    for key in keys:
        was, now = (side.get(key) for side in sides)
        values = [None if one is None else one["value"] for one in (was, now)]
        if values[0] == values[1]:
            continue
        sources = [None if one is None else str(one.get("source", "")) for one in (was, now)]
        own = [_own(source, mine) for source, mine in zip(sources, files, strict=True)]
        found.append(
            {
                "key": str(key),
                "before": values[0],
                "after": values[1],
                "kind": "used"
                if _newly_used(str(key), sides)
                else "rule"
                if any(own)
                else "used"
                if None in sources
                else "default",
                "source_before": sources[0],
                "source_after": sources[1],
            }
        )
    return found


_CHOSEN = ("services", "fibres", "failures", "media")
"""Tables of the rules of which only those that records name stand in evidence."""


def _newly_used(key: str, sides: Sequence[Mapping[str, Any]]) -> bool:
    """Whether one side uses nothing of the table that a rule stands in."""
    first, _, rest = key.partition(".")
    if first not in _CHOSEN:
        return False
    table = f"{first}.{rest.rpartition('.')[0] or rest}."
    return not all(any(f"{one}.".startswith(table) for one in side) for side in sides)


def _own(source: str | None, files: set[str]) -> bool:
    """Whether a value comes from a file of rules of the study: its source is that file."""
    return source is not None and (
        source.casefold().endswith(".toml")
        or source in files
        or any(one.endswith(f"/{source}") for one in files)
    )


def setting_changes(before: Facts, after: Facts) -> list[SettingDifference]:
    """What study.toml says of the whole study or of a layer, where that differs.

    Parameters
    ----------
    before, after : Evidence

    Returns
    -------
    list of SettingDifference
        Empty where one of them holds no records.
    """
    told = [_settings(facts) for facts in (before, after)]
    if None in told:
        return []
    was, now = told
    assert was is not None
    assert now is not None
    return [
        {"key": key, "before": was.get(key), "after": now.get(key)}
        for key in dict.fromkeys([*was, *now])
        if was.get(key) != now.get(key) and key in was and key in now
    ]


def _settings(facts: Facts) -> dict[str, Any] | None:
    records = facts.get("records")
    if records is None:
        return None
    layers = facts.get("layers", [])
    found = {"snap_m": records["snap_m"]}
    for table in records["tables"]:
        at = table["layer"]
        file = layers[at]["file"] if at < len(layers) else at
        found[f"accuracy_m of {table['role']} in {file}"] = table["accuracy_m"]
    return found


_OF_WAIVER = ("reason", "by", "until", "record", "state", "counts")


def waiver_changes(before: Facts, after: Facts) -> list[WaiverDifference]:
    """Waivers that differ, and those that begin or cease to count.

    Parameters
    ----------
    before, after : Evidence

    Returns
    -------
    list of WaiverDifference
    """
    sides = [{_subject(one): one for one in facts.get("waivers", [])} for facts in (before, after)]
    found: list[WaiverDifference] = []
    for subject in dict.fromkeys([*sides[0], *sides[1]]):
        was, now = (side.get(subject) for side in sides)
        told = [
            None if one is None else {key: one.get(key) for key in _OF_WAIVER} for one in (was, now)
        ]
        if told[0] == told[1]:
            continue
        counted = [bool(one and one.get("counts")) for one in (was, now)]
        change: Literal["new", "gone", "begins", "ends", "changed"] = (
            "new"
            if was is None
            else "gone"
            if now is None
            else "begins"
            if counted == [False, True]
            else "ends"
            if counted == [True, False]
            else "changed"
        )
        one = now or was
        assert one is not None
        found.append(
            {
                "circuit": str(one["circuit"]),
                "asset": one.get("asset"),
                "within": one.get("within"),
                "pair": one.get("pair"),
                "change": change,
                "before": told[0],
                "after": told[1],
            }
        )
    return found


def _subject(waiver: Facts) -> tuple[Any, ...]:
    named = tuple(waiver.get(key) for key in ("circuit", "asset", "within"))
    return (*named, frozenset(waiver.get("pair") or ()))


def by_day(one: WaiverDifference, before: Any, after: Any) -> bool:
    """Whether a waiver begins or ceases to count by the day alone.

    Parameters
    ----------
    one : WaiverDifference
    before, after : str or None
        The days of judgement.

    Returns
    -------
    bool
    """
    if one["before"] is None or one["after"] is None or before == after:
        return False
    rest = ("reason", "by", "until", "record")
    return all(one["before"][key] == one["after"][key] for key in rest) and "lapsed" in (
        one["before"]["state"],
        one["after"]["state"],
    )


# --- In words.


def place_of(row: Row) -> str:
    """Where a record stands: `links.csv row 5`, `plant.gpkg (ducts) row 12`.

    Parameters
    ----------
    row : Row

    Returns
    -------
    str
    """
    layer = f" ({row.layer})" if row.layer else ""
    number = "" if row.number is None else f" row {row.number}"
    return f"{row.file or row.role}{layer}{number}"


def cell_said(cell: CellDifference) -> str:
    """What differs in a cell: `reserve_db: 0 to 3`, `geometry: moved by 12 m`.

    Parameters
    ----------
    cell : CellDifference

    Returns
    -------
    str
    """
    name = cell["column"] if cell["named"] is None else f"{cell['column']} ({cell['named']})"
    was, now = cell["before"], cell["after"]
    if cell["column"] == GEOMETRY and cell["moved_m"] is not None:
        return f"{name}: {_moved_said(str(was), str(now))}, {cell['moved_m']:.10g} m"
    return f"{name}: {value_said(was)} to {value_said(now)}"


_MOST_VERTICES = 60
_LONGEST = 80


def _moved_said(was: str, now: str) -> str:
    """From where to where: of a line of as many vertices only the first of those that moved."""
    one, other = (text[len(_LINE) : -1].split(",") for text in (was, now))
    if was.startswith(_LINE) and now.startswith(_LINE) and len(one) == len(other):
        moved = [n for n, (a, b) in enumerate(zip(one, other, strict=True)) if a != b]
        if moved:
            first = moved[0]
            more = f" and {len(moved) - 1} more" if len(moved) > 1 else ""
            return f"vertex {first + 1}{more} from {one[first]} to {other[first]}"
    return f"from {_shape_said(was)} to {_shape_said(now)}"


_LINE = "LINESTRING("


def _shape_said(text: Any) -> str:
    """A point by its coordinates, anything longer cut short."""
    said = str(text)
    if said.startswith("POINT("):
        return said[len("POINT(") : -1]
    return said if len(said) <= _MOST_VERTICES else f"{said[:_MOST_VERTICES]}..."


def value_said(value: Any) -> str:
    """A cell or a rule in words.

    Parameters
    ----------
    value : object
        A cell, a value of the rules or a list of these; None: blank.

    Returns
    -------
    str
    """
    if value is None:
        return "blank"
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, (int, float)):
        return f"{value:.10g}"
    listed = isinstance(value, (list, tuple))
    said = ", ".join(map(str, value)) or "none" if listed else str(value)
    return said if len(said) <= _LONGEST else f"{said[:_LONGEST]}..."


def came_or_went(change: RowChange) -> str:
    """Say of a row that stands on one side alone whether it was added or removed.

    Parameters
    ----------
    change : RowChange

    Returns
    -------
    str
    """
    return "was added" if change.before is None else "was removed"


def waiver_said(one: WaiverDifference, before: Any, after: Any) -> str:
    """What became of a waiver, in words.

    Parameters
    ----------
    one : WaiverDifference
    before, after : str or None
        The days of judgement.

    Returns
    -------
    str
    """
    thing = one["asset"] or " / ".join(one["pair"] or ())
    thing = f"all in {one['within']}" if one["within"] else thing
    was, now = one["before"] or {}, one["after"] or {}
    if one["change"] == "new":
        counts = "" if now.get("counts") else f", which does not count: {now.get('state')}"
        return f"waiver of {thing} is new{counts}"
    if one["change"] == "gone":
        return f"waiver of {thing} was taken back"
    if by_day(one, before, after):
        verb = "lapsed" if one["change"] == "ends" else "is in force"
        return f"waiver of {thing} {verb}: valid until {now.get('until')}, judged on {after}"
    differing = [
        f"{key} {value_said(was.get(key))} to {value_said(now.get(key))}"
        for key in ("until", "reason", "by", "record")
        if was.get(key) != now.get(key)
    ]
    states = was.get("state"), now.get("state")
    state = f"still {states[1]}" if states[0] == states[1] else f"{states[0]}, now {states[1]}"
    return f"waiver of {thing}: {'; '.join([state, *differing])}"


def inputs_said(before: Facts, after: Facts) -> str:
    """Say which input files differ by their hashes.

    Parameters
    ----------
    before, after : Evidence

    Returns
    -------
    str
    """
    sides = [
        {str(row["file"]): row["sha256"] for row in facts.get("inputs", [])}
        for facts in (before, after)
    ]
    names = [
        file for file in sorted({*sides[0], *sides[1]}) if sides[0].get(file) != sides[1].get(file)
    ]
    if not names:
        return "no input file differs"
    said = ", ".join(names[:8]) + (f" and {len(names) - 8} more" if len(names) > 8 else "")
    return f"these input files differ: {said}"

"""What of a circuit differs between two proofs, and what of it columns and rules bear on."""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from typing import Any, TypedDict

Facts = Mapping[str, Any]


class PathReliance(TypedDict):
    """What a path relies on that it did not, and no longer does."""

    path: str
    came: list[str]
    went: list[str]


# --- What a column and a rule bear on.

_FIGURES: tuple[str, ...] = ("length", "loss", "delay", "recovery", "unavailability")
ASPECTS = (
    *("shared", "near", "gaps", "waivers", "paths", "relies", "silent"),
    *(*_FIGURES, "said"),
)
"""What of a circuit may differ: `said` is its name, its service and the like."""
EVERYTHING = frozenset(ASPECTS)
_LENGTH = frozenset({"length", "loss", "delay", "unavailability", "gaps", "shared", "near"})
_LOSS = frozenset({"loss", "gaps"})
_AGE = frozenset({"gaps", "waivers"})
_BEARS: Mapping[str, frozenset[str]] = {
    **dict.fromkeys(("length_m", "sag_m", "elevation_m", "overlength_pct", "slack_m"), _LENGTH),
    **dict.fromkeys(("wrap_pitch_m", "wrap_diameter_mm"), _LENGTH),
    **dict.fromkeys(("loss_db", "db_per_km", "reserve_db", "connectors", "splices"), _LOSS),
    **dict.fromkeys(("tx_min_dbm", "tx_max_dbm", "rx_min_dbm", "rx_max_dbm"), _LOSS),
    **dict.fromkeys(("loss_ab_db", "loss_ba_db", "bandwidth_mhz"), _LOSS),
    **dict.fromkeys(("dispersion_limit_ps_nm", "fibre_count"), _LOSS),
    **dict.fromkeys(("wavelength_nm", "fibre_type"), _LOSS | {"delay", "shared"}),
    **dict.fromkeys(("delay_us", "extra_delay_us"), frozenset({"delay", "gaps"})),
    "recovery_ms": frozenset({"recovery", "delay", "gaps"}),
    **dict.fromkeys(
        ("unavailability", "per_year", "repair_h", "autonomy_h"),
        frozenset({"unavailability", "gaps"}),
    ),
    "accuracy_m": EVERYTHING - {"loss", "delay", "said"},
    **dict.fromkeys(("surveyed", "stated_on", "stated_by"), _AGE),
    "date": _AGE | {"loss", "delay", "length"},
    **dict.fromkeys(("tray", "name"), frozenset({"said"})),
}
"""What a cell bears on; one that is not named here bears on everything."""
_RULES: Mapping[str, frozenset[str]] = {
    "max_delay_us": frozenset({"delay"}),
    "max_asymmetry_us": frozenset({"delay"}),
    "min_margin_db": frozenset({"loss"}),
    "max_recovery_ms": frozenset({"recovery", "delay"}),
    "max_unavailability": frozenset({"unavailability"}),
    "separation_m": frozenset({"near", "waivers"}),
    "end_zone_m": frozenset({"near", "waivers"}),
    "forbid_cross": frozenset({"near", "waivers"}),
    "failures": frozenset({"unavailability"}),
    "fibres": frozenset({"loss", "delay", "gaps"}),
    "media": frozenset({"delay", "length", "unavailability"}),
    "statistics": frozenset({"loss"}),
    "reserve": frozenset({"loss"}),
    "power_system": frozenset({"delay"}),
    "recovery": frozenset({"recovery", "delay"}),
    "tests": frozenset({"loss", "delay", "length", "gaps"}),
    "records": frozenset({"gaps", "delay", "waivers", "unavailability"}),
}


def bears_on(role: str, column: str) -> frozenset[str]:
    """Say what of a circuit a column of its records bears on.

    Parameters
    ----------
    role, column : str

    Returns
    -------
    frozenset of str
        Of `ASPECTS`.

    Examples
    --------
    >>> sorted(bears_on("links", "reserve_db"))
    ['gaps', 'loss']
    """
    if role == "circuits" and column == "name":
        return frozenset({"said"})
    return _BEARS.get(column, EVERYTHING)


def rule_bears_on(key: str) -> frozenset[str]:
    """Say what of a circuit a rule bears on.

    Parameters
    ----------
    key : str
        With dots, as it stands in `assumptions`.

    Returns
    -------
    frozenset of str
        Of `ASPECTS`.
    """
    first, *rest = key.split(".")
    if first == "services":
        return next((_RULES[part] for part in rest if part in _RULES), EVERYTHING)
    return _RULES.get(first, EVERYTHING)


# --- What of a circuit differs.

_ASPECT_OF: Mapping[str, str] = {
    **dict.fromkeys(("shared", "stretches", "unavoidable", "tail", "single_points"), "shared"),
    **dict.fromkeys(("near", "near_folded", "cross", "closest_m", "closest", "separation"), "near"),
    **dict.fromkeys(("separation_m", "end_zone_m"), "near"),
    **dict.fromkeys(("gaps", "blank_within"), "gaps"),
    **dict.fromkeys(("protects", "with_protected", "with_protected_why"), "silent"),
    "delay": "delay",
    "loss_ok": "loss",
    "unavailability": "unavailability",
    "members": "paths",
    "group_test": "paths",
}
_SAID = ("name", "a", "b", "service", "group", "scheme")
_OF_PATH: Mapping[str, str] = {
    **dict.fromkeys(("length_m", "length_at_least_m", "length_why", "route_m"), "length"),
    **dict.fromkeys(("route_at_least_m", "other_lengths"), "length"),
    "loss": "loss",
    "links": "paths",
    "out_of_service": "paths",
    "relies_on": "relies",
}
_OF_RECOVERY = ("recovery_ms", "recovery_assumed", "recovery_limit_ms", "recovery_ok")


def moved_aspects(
    before: Facts, after: Facts, links: tuple[Mapping[str, Facts], Mapping[str, Facts]]
) -> list[str]:
    """What of a circuit, group or scheme differs, however little.

    Parameters
    ----------
    before, after : dict
        Its entries in the evidence; what one of them does not hold, as an older release wrote it,
        is not compared.
    links : (mapping, mapping)
        Entries of links before and after, by id.

    Returns
    -------
    list of str
        Of `ASPECTS`, in that order.
    """
    found: set[str] = set()
    for key in {*before, *after} & {*before} & {*after}:
        was, now = before[key], after[key]
        if was == now:
            continue
        if key == "paths" and isinstance(was, Mapping) and isinstance(now, Mapping):
            found |= _moved_paths(was, now)
        elif key == "delay" and isinstance(was, Mapping) and isinstance(now, Mapping):
            differing = {one for one in {*was} & {*now} if was[one] != now[one]}
            found |= {"recovery"} if differing & {*_OF_RECOVERY} else set()
            found |= {"delay"} if differing - {*_OF_RECOVERY} else set()
        elif key in _ASPECT_OF:
            found.add(_ASPECT_OF[key])
        elif key in _SAID:
            found.add("said")
    mine = {
        link
        for row in (before, after)
        for path in (row.get("paths") or {}).values()
        for link in (path or {}).get("links", ())
    }
    for link in mine:
        found |= _moved_link(links[0].get(link), links[1].get(link))
    waived = [_waived(row) for row in (before, after)]
    if waived[0] != waived[1]:
        found.add("waivers")
    if not found and before.get("verdict") != after.get("verdict"):
        found |= {"shared", "near", "gaps"}
    return [one for one in ASPECTS if one in found]


def _moved_paths(was: Facts, now: Facts) -> set[str]:
    found: set[str] = set()
    if {*was} != {*now}:
        found.add("paths")
    for label in {*was} & {*now}:
        one, other = was[label] or {}, now[label] or {}
        differing = {key for key in {*one} & {*other} if one[key] != other[key]}
        found |= {_OF_PATH.get(key, "delay") for key in differing}
    return found


def _moved_link(was: Facts | None, now: Facts | None) -> set[str]:
    if was is None or now is None or was == now:
        return set()
    of = {"lengths": "length", "loss": "loss", "stated": "gaps", "trace": "relies"}
    keys = {*was} & {*now}
    return {of.get(key, "loss") for key in keys if was[key] != now[key]}


def _waived(row: Facts) -> list[Any]:
    return [
        (key, one.get("asset") or (one.get("main"), one.get("alternate")), one.get("waived"))
        for key in ("shared", "near", "cross")
        for one in row.get(key) or ()
    ]


def reliances(facts: Facts) -> dict[str, dict[str, frozenset[str]]]:
    """Everything that each path of each circuit relies on, from the witness of evidence.

    Parameters
    ----------
    facts : Evidence

    Returns
    -------
    dict of str to dict of str to frozenset of str
        By circuit, then by the label of the path; empty where the evidence does not say.
    """
    witness = facts.get("evidence") or {}
    assets = witness.get("assets") or []
    found: dict[str, dict[str, frozenset[str]]] = defaultdict(dict)
    known: dict[str, frozenset[str]] = {}
    for path in witness.get("paths") or witness.get("ways") or ():
        text = path.get("relies_on")
        if not isinstance(text, str) or not _NUMBERS.fullmatch(text):
            continue
        if text not in known:
            known[text] = frozenset(_numbered(text, assets))
        found[str(path["circuit"])][str(path.get("path") or path.get("way"))] = known[text]
    return dict(found)


_NUMBERS = re.compile(r"(?:\d{1,15}(?:-\d{1,15})?(?: |$))*", re.ASCII)


def _numbered(text: str, assets: Sequence[str]) -> Iterator[str]:
    for run in text.split():
        low, _, high = run.partition("-")
        yield from assets[int(low) : int(high or low) + 1]


def reliance_changes(
    before: Mapping[str, frozenset[str]], after: Mapping[str, frozenset[str]]
) -> list[PathReliance]:
    """What each path of one circuit relies on that it did not, and no longer does.

    Parameters
    ----------
    before, after : mapping of str to frozenset of str
        By the label of the path, from `reliances`.

    Returns
    -------
    list of PathReliance
        Paths on both sides that differ.
    """
    return [
        {
            "path": label,
            "came": sorted(now - before[label]),
            "went": sorted(before[label] - now),
        }
        for label, now in after.items()
        if label in before and now != before[label]
    ]

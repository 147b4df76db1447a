"""Figures of a circuit that its entry adds up or leaves out: which terms there are, and bars."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any, NamedTuple

from waysapart.evidence import Circuit, Delay, HeldApart, Link, TestsMissing
from waysapart.formulas.availability import MINUTES_PER_YEAR
from waysapart.report import words
from waysapart.report.words import LinkLoss, Links

LENGTHS = {
    "route_m": "route",
    "sag_m": "sag",
    "helix_m": "helix",
    "overlength_m": "overlength",
    "slack_m": "slack",
    "test_m": "by test",
}
"""Terms of the length of a link, each with its heading."""
DELAYS = {
    "fibre_us": "fibre",
    "equipment_us": "equipment",
    "extra_us": "extra of links",
    "test_us": "by test",
}
"""Terms of the delay of a path, each with its heading."""


def links_of(circuit: Circuit, links: Links) -> list[tuple[str, Link]]:
    """Every link of every path, with the label of the path."""
    return [
        (label, links[name]) for label, path in circuit["paths"].items() for name in path["links"]
    ]


def used(terms: Mapping[str, str], rows: Iterable[Mapping[str, Any]]) -> dict[str, str]:
    """Those of some terms that are not nought in every row."""
    found = list(rows)
    return {key: said for key, said in terms.items() if any(row[key] != 0 for row in found)}


def single_points(one: HeldApart) -> list[str]:
    """Everything whose loss alone takes all paths of a circuit or group, stretches written out."""
    found = one["single_points"]
    whole = set(found["stretches"])
    return [
        *found["assets"],
        *(entry["asset"] for entry in one["shared"] if entry["stretch"] in whole),
    ]


def tests_missing(found: Sequence[tuple[str, Link]]) -> list[tuple[str, TestsMissing]]:
    """Tests that are not on record, by link, each link once."""
    once = {link["id"]: link for _, link in found}
    return [(name, row) for name, link in once.items() for row in link["tests_missing"]]


def once_each(losses: Iterable[LinkLoss]) -> dict[str, LinkLoss]:
    """The first of the losses of each link: its budget, for reports of many circuits over it."""
    found: dict[str, LinkLoss] = {}
    for loss in losses:
        found.setdefault(loss.row["link"], loss)
    return found


class LimitRow(NamedTuple):
    """A figure against its limit. `share` is the length of its bar, in pixels up to 200."""

    name: str
    value: str
    limit: str
    ok: bool | None
    why: Sequence[str]
    share: float | None


def limit_rows(delay: Delay) -> list[LimitRow]:
    """Delay, asymmetry and recovery against their limits; the bar of a limit is 140 long."""
    rows = []
    for name, key, least, limit_key, ok, why in (
        ("One-way delay", "worst_us", delay["worst_at_least_us"], "limit_us", "ok", "delay_why"),
        (
            "Asymmetry",
            "asymmetry_us",
            delay["asymmetry_at_least_us"],
            "asymmetry_limit_us",
            "asymmetry_ok",
            "asymmetry_why",
        ),
        ("Recovery", "recovery_ms", None, "recovery_limit_ms", "recovery_ok", None),
    ):
        figures: Mapping[str, Any] = delay
        known, limit = figures[key], figures[limit_key]
        value = least if known is None else known
        if value is None and limit is None:
            continue
        share = None if value is None or not limit else min(1.0, 0.7 * value / limit)
        rows.append(
            LimitRow(
                name,
                words.figure(figures, key),
                "" if limit is None else words.figure(figures, limit_key),
                figures[ok],
                figures[why] if why else (),
                None if share is None else round(200 * share, 1),
            )
        )
    return rows


def minutes_down(down: Mapping[str, Any], label: str) -> str:
    """An unavailability by its label as minutes a year; '' where it is not known."""
    known = down[label]
    time = down["at_least"].get(label) if known is None else known
    if time is None:
        return ""
    return f"{'at least ' if known is None else ''}{time * MINUTES_PER_YEAR:.1f} min a year"

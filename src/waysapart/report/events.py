"""What single events take: the contingency table as people read it."""

from __future__ import annotations

from typing import NamedTuple

from waysapart.report.effects import Effects

_MOST = 300


class EventRow(NamedTuple):
    """Assets of one kind whose loss does the same: circuits and groups lost, circuits left."""

    assets: list[str]
    kind: str
    lost: list[str]
    left: list[str]
    groups: list[str]


class EventRows(NamedTuple):
    """The rows, worst first, and how many more there are."""

    rows: list[EventRow]
    left_out: int


def event_rows(effects: Effects | None) -> EventRows:
    """Assets whose loss alone takes a circuit or group, those with the same effect in one row."""
    together: dict[tuple[int, str], list[str]] = {}
    if effects is not None:
        for asset, (loss, _, kind) in effects["of"].items():
            if loss >= 0 and (effects["losses"][loss][0] or effects["losses"][loss][2]):
                together.setdefault((loss, effects["kinds"][kind]), []).append(asset)
    rows = [
        EventRow(assets, kind, *effects["losses"][loss])
        for (loss, kind), assets in together.items()
        if effects is not None
    ]
    rows.sort(key=lambda row: (-len(row.lost), -len(row.left), row.assets[0]))
    return EventRows(rows[:_MOST], max(0, len(rows) - _MOST))

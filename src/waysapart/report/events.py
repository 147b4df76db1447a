"""What single events take: the contingency table as people read it, and the worst places."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from waysapart.report import words
from waysapart.report.view_figures import position

Facts = Mapping[str, Any]
View = dict[str, Any]

_MOST = 300


def event_rows(facts: Facts) -> View:
    """Assets whose loss alone takes a circuit or group, those with the same effect in one row.

    Parameters
    ----------
    facts : mapping
        With `effects`, see `waysapart.report.effects`.

    Returns
    -------
    dict
        `rows`, worst first: `label`, `assets`, `kind`, `lost`, `left`,
        `groups`; `left_out`, how many rows more there are.
    """
    effects: Facts = facts.get("effects") or {}
    losses = effects.get("losses", [])
    kinds = effects.get("kinds", [])
    together: dict[tuple[int, str], list[str]] = {}
    for asset, (loss, _, kind) in effects.get("of", {}).items():
        if loss >= 0 and (losses[loss][0] or losses[loss][2]):
            together.setdefault((loss, str(kinds[kind])), []).append(str(asset))
    rows = [
        {
            "label": _label(assets),
            "assets": assets,
            "kind": kind,
            "lost": [str(name) for name in losses[loss][0]],
            "left": [str(name) for name in losses[loss][1]],
            "groups": [str(name) for name in losses[loss][2]],
        }
        for (loss, kind), assets in together.items()
    ]
    rows.sort(key=lambda row: (-len(row["lost"]), -len(row["left"]), row["assets"][0]))
    return {"rows": rows[:_MOST], "left_out": max(0, len(rows) - _MOST)}


def _label(assets: list[str]) -> str:
    if len(assets) == 1:
        return assets[0]
    return f"{len(assets)}: {assets[0]} to {assets[-1]}"


def place_rows(facts: Facts) -> list[View]:
    """The places at which an event all around takes the most."""
    return [
        {
            "at": position(place.get("at")),
            "radius": words.metres(place["radius_m"]),
            "hit": [str(name) for name in place.get("hit", [])],
            "lost": [str(name) for name in place.get("circuits_lost", [])],
            "circuits": place.get("circuits"),
        }
        for place in facts.get("worst", [])
    ]

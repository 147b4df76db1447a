"""What the page looks up of an asset: search, holders, cables, what its loss cuts."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from waysapart.report.escape import visible, visible_all

Facts = Mapping[str, Any]


def lookup_data(
    facts: Facts, plant: Mapping[str, int], drawn: Mapping[str, Sequence[str]]
) -> dict[str, Any]:
    """Tables for the page's script, as JSON-ready data with visible texts.

    Parameters
    ----------
    facts : mapping
        `circuits`; optional `effects` and `holdings`, see `waysapart.report.effects`.
    plant : mapping of str to int
        Id of a segment to its place among those that are drawn.
    drawn : mapping of str to sequence of str
        Ids of what is drawn, as the page shows them: `points`, `plant` and `hazards`.

    Returns
    -------
    dict
        `others`: columns of the assets without a place on the map; `inside`;
        `runs`: cable to places of segments; `losses` with circuits as places
        in their list; `cables`; `of`, see `_by_place`.
    """
    effects: Facts = facts.get("effects") or {}
    holdings: Facts = facts.get("holdings") or {}
    others = columns(holdings.get("assets", []))
    number = {str(one["id"]): place for place, one in enumerate(facts.get("circuits", []))}
    return {
        "others": others,
        "inside": visible_all(dict(holdings.get("inside", {}))),
        "runs": {
            visible(cable): [plant[one] for one in segments if one in plant]
            for cable, segments in holdings.get("runs", {}).items()
        },
        "losses": [
            [
                [number[name] for name in lost if name in number],
                [number[name] for name in left if name in number],
                visible_all(groups),
            ]
            for lost, left, groups in effects.get("losses", [])
        ],
        "cables": visible_all(effects.get("cables", [])),
        "of": _by_place(visible_all(effects.get("of", {})), {**drawn, "others": others["id"]}),
    }


def _by_place(of: Mapping[str, Any], tables: Mapping[str, Sequence[str]]) -> dict[str, Any]:
    """What losses take, in the order of each table: one number an asset, ids only where needed.

    Returns
    -------
    dict
        `kinds`, the different ones of [loss, cables, kind]; for each table the
        place among these by row, -1 for none; `more`, by id, for what no table lists.
    """
    kinds: dict[tuple[int, ...], int] = {}
    left = {name: kinds.setdefault(tuple(told), len(kinds)) for name, told in of.items()}
    made: dict[str, Any] = {
        table: [left.get(name, -1) for name in names] for table, names in tables.items()
    }
    listed = {name for names in tables.values() for name in names}
    made["more"] = {name: place for name, place in left.items() if name not in listed}
    made["kinds"] = [list(kind) for kind in kinds]
    return made


def columns(rows: Any) -> dict[str, Any]:
    """Ids and names as texts; roles and kinds, which repeat, as places in a list."""
    made: dict[str, Any] = {}
    for key in ("id", "name"):
        made[key] = [_text(row.get(key)) for row in rows]
    for key in ("role", "kind"):
        texts = [_text(row.get(key)) for row in rows]
        known = {text: place for place, text in enumerate(dict.fromkeys(texts))}
        made[key] = [known[text] for text in texts]
        made[f"{key}s"] = list(known)
    return made


def _text(value: object) -> str:
    return "" if value is None else visible(str(value))

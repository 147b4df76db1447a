"""Facts without where records stand, for studies that say the same in other rows or files."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Mapping
from typing import Any

ROWS = frozenset({"row", "rows"})
PLACES = ROWS | {"file", "layer"}


def without(keys: frozenset[str], facts: Any) -> Any:
    """`facts` less `keys` wherever a gap, or a record to enter first, says where it stands."""
    return facts | {name: _dropped(keys, facts[name]) for name in ("gaps", "record_first")}


def rows_and_dates(layers: list[Any]) -> dict[str, int]:
    """Rows of each role, and dates in each of its columns, in all layers together.

    Patches are left out: a study may have one row a fibre, its copy has one for each cord.
    """
    found = Counter[str]()
    for layer in layers:
        found[layer["role"]] += layer["rows"]
        for dates in layer["dates"]:
            found[f"{layer['role']}.{dates['column']}"] += dates["dated"]
    return {name: count for name, count in found.items() if count and name != "patches"}


def _dropped(keys: frozenset[str], value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _dropped(keys, one) for key, one in value.items() if key not in keys}
    if isinstance(value, list):
        return [_dropped(keys, one) for one in value]
    return value


def cells(records: Mapping[str, Any]) -> dict[str, list[str]]:
    """What the cells of each role hold, whatever file, order of rows and grid they came in.

    Patches are left out, as above.
    """
    found: dict[str, list[str]] = {}
    for table in records["tables"]:
        for row in table["rows"]:
            held = zip(table["columns"], row, strict=True)
            filled = {column: cell for column, cell in held if cell is not None}
            found.setdefault(table["role"], []).append(json.dumps(filled, sort_keys=True))
    return {role: sorted(rows) for role, rows in found.items() if role != "patches"}

"""Facts without where records stand, for studies that say the same in other rows or files."""

from __future__ import annotations

from typing import Any

ROWS = frozenset({"row", "rows"})
PLACES = ROWS | {"file", "layer"}


def without(keys: frozenset[str], facts: Any) -> Any:
    """`facts` less `keys` wherever a gap, or a record to enter first, says where it stands."""
    return facts | {name: _dropped(keys, facts[name]) for name in ("gaps", "record_first")}


def _dropped(keys: frozenset[str], value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _dropped(keys, one) for key, one in value.items() if key not in keys}
    if isinstance(value, list):
        return [_dropped(keys, one) for one in value]
    return value

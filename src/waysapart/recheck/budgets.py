"""What proposals cost: rates against the rules, each line worked out again, metres measured."""

from __future__ import annotations

import json
from typing import Any

from pyproj import Geod

from waysapart.recheck.evidence import About
from waysapart.recheck.records import Records

_GEOD = Geod(ellps="WGS84")
_LENGTH_M = 0.11
"""Lengths are stated to a tenth of a metre."""
_COST = 0.006
"""Costs are stated to hundredths."""


def check_budgets(records: Records, facts: dict[str, Any], about: About) -> None:
    """Check the budgets of what `reroute` proposes.

    Parameters
    ----------
    records : Records
    facts : dict
        What `reroute --json` wrote.
    about : About
        Tallies the claims.
    """
    prices: dict[str, Any] = records.rules.get("build", {})
    if facts.get("budget") is not None:
        _check(prices, facts["budget"], about.of("the cost of the work"))
        about.skip("how many joints and ports the work takes")
    build = facts["build"]
    if build is None:
        return
    if "prices" in build:
        about.same("prices", [(one["key"], one["value"]) for one in build["prices"]], _told(prices))
    counted = False
    for option in [*build["single"], *([build["set"]] if build["set"] else [])]:
        if "budget" not in option:  # of a version that had none
            about.skip("what proposals cost")
            continue
        budget, mine = option["budget"], about.of(f"the cost of: {option['text']}")
        _check(prices, budget, mine)
        mine.same("total", option["cost"], budget["total"])
        _check_metres(option, mine)
        if "unit" in prices:
            counted = True
            _check_joints(option, mine)
    if counted:
        about.skip(
            "how many ports, crossings of layers and changes at sites the proposals count, and the "
            "costs that candidates state"
        )


def _told(prices: dict[str, Any]) -> list[tuple[str, Any]]:
    """Prices as rows, by dotted key."""
    found: list[tuple[str, Any]] = []
    for key, value in prices.items():
        if isinstance(value, dict):
            found += [(f"build.{key}.{_as_key(name)}", one) for name, one in value.items()]
        else:
            found.append((f"build.{key}", value))
    return found


def _as_key(name: str) -> str:
    plain = name.isascii() and name.replace("-", "a").replace("_", "a").isalnum()
    return name if plain else json.dumps(name, ensure_ascii=False)


def _rate(prices: dict[str, Any], key: str) -> float | None:
    """The price that the rules state under a dotted key; by kind, else that of all others."""
    _, table, *rest = key.split(".", 2)
    stated = prices.get(table)
    if not isinstance(stated, dict):
        return None if stated is None else float(stated)
    name = json.loads(rest[0]) if rest[0].startswith('"') else rest[0]
    other = None if table == "per_crossing" else stated.get("other")
    found = stated.get(name, other)
    return None if found is None else float(found)


def _check(prices: dict[str, Any], budget: dict[str, Any], about: About) -> None:
    """Check each line, the sums, and whether they are within the budget."""
    costs: list[float | None] = []
    for line in budget["lines"]:
        what = line["what"]
        much = line["count"] if line["length_m"] is None else line["length_m"]
        if line.get("as_given"):
            about.holds(line["cost"] >= 0, f"{what}: costs {line['cost']}")
        else:
            rate = _rate(prices, line["key"]) if "unit" in prices else 1.0
            about.same(f"{what}: rate", line["rate"], rate)
            cost = None if rate is None or much is None else much * rate
            about.close(f"{what}: cost", line["cost"], cost, _COST)
        costs.append(line["cost"])
    known = [cost for cost in costs if cost is not None]
    total = sum(known) if len(known) == len(costs) else None
    about.close("at least", budget["at_least"], sum(known), _COST * (len(known) + 1))
    about.close("total", budget["total"], total, _COST * (len(known) + 1))
    most, within = budget["budget"], None
    if most is not None:
        within = False if budget["at_least"] > most else None if total is None else True
    about.same("within the budget", budget["within_budget"], within)
    if "unit" in prices:
        about.same("unit", budget["unit"], prices["unit"])


def _check_metres(option: dict[str, Any], about: About) -> None:
    """Check that each new segment has its line, and its length on the ellipsoid."""
    every = option["budget"]["lines"]
    lines = {line["what"]: line for line in every if line["length_m"] is not None}
    about.same_set(
        "segments", list(lines), [f"{one['kind']} {one['id']}" for one in option["segments"]]
    )
    for one in option["segments"]:
        line = lines.get(f"{one['kind']} {one['id']}")
        if line is not None:
            lon, lat = zip(*one["lonlat"], strict=True)
            metres = float(_GEOD.line_length(lon, lat))
            about.close(f"{one['id']}: metres", line["length_m"], metres, _LENGTH_M)


def _check_joints(option: dict[str, Any], about: About) -> None:
    """Count the joints of the work list: each joint on record, and each place with another."""
    spliced = [one for one in option["work"] if one["what"] == "splice"]
    joints = {(one.get("joint") and "joint", one.get("joint") or one["at"]) for one in spliced}
    every = option["budget"]["lines"]
    told = [line["count"] for line in every if line["key"] == "build.per_joint"]
    about.same("joints", sum(told), len(joints))

"""What waivers accept, worked out from the layers: states, what is waived, and their digests."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import date
from itertools import zip_longest
from typing import Any

import shapely.geometry

from waysapart.recheck.paths import Key, Trial
from waysapart.recheck.proposal import Row
from waysapart.recheck.reliance import Asset
from waysapart.recheck.sharing import Shared
from waysapart.recheck.world import World

IN_FORCE, LAPSED, IDLE = "in force", "lapsed", "nothing to waive"
COVERED = ("structures", "segments", "holders", "joints")
NEVER = ("cables", "links", "supplies", "equipment")
COLUMNS = {
    "sites": "id kind within accuracy_m",
    "structures": "id kind within accuracy_m elevation_m",
    "holders": "id kind within",
    "segments": "id kind a b within accuracy_m sag_m length_m",
    "cables": "id fibre_type fibre_count kind carried_by overlength_pct slack_m wrap_pitch_m "
    "wrap_diameter_mm db_per_km",
    "joints": "id at cables loss_db",
    "supplies": "id site kind within supplies autonomy_h needs",
    "equipment": "id site kind within supplies needs delay_us",
    "links": "id a b wavelength_nm medium via loss_db relies_on stated_by length_m channel "
    "tx_min_dbm tx_max_dbm rx_min_dbm rx_max_dbm connectors splices reserve_db bandwidth_mhz "
    "dispersion_limit_ps_nm extra_delay_us unavailability",
    "hazards": "id kind reach_m takes per_year repair_h",
}
"""By role, the columns of a record that a digest is made of; no names and no dates."""


@dataclass
class Waived:
    """What the waivers of a study come to.

    `found`: per waiver its state and the digest of what it would accept; `pairs` and
    `inside`: near approaches and crossings that are waived, by their two ids, or as all that
    have both in a set of segments; `doubtful`: waivers whose state is taken as the evidence
    has it, since it rests on what this program does not settle.
    """

    found: list[tuple[str, str | None]] = field(default_factory=list)
    pairs: set[tuple[str, frozenset[str]]] = field(default_factory=set)
    inside: list[tuple[str, set[str]]] = field(default_factory=list)
    doubtful: set[int] = field(default_factory=set)

    def pair(self, trial: str, one: str, other: str) -> bool:
        """Whether a near approach or crossing is waived for a circuit or group."""
        return (trial, frozenset((one, other))) in self.pairs or any(
            trial == name and one in segments and other in segments
            for name, segments in self.inside
        )


def lay_waivers(
    world: World,
    trials: dict[str, Trial],
    shared: dict[str, Shared],
    claims: dict[str, dict[str, Any]],
    states: list[str],
    today: date,
) -> Waived:
    """Mark what is waived today, by the names of circuits and groups.

    `claims` tell which near approaches and crossings there are, which is checked elsewhere;
    `states`, of each waiver, count only where what may be near decides.
    """
    waived = Waived()
    stated = world.records.rules.get("waiver", ())
    for place, (waiver, state) in enumerate(zip_longest(stated, states[: len(stated)])):
        trial = trials.get(waiver["circuit"])
        counts = today <= last_day(waiver)
        if trial is None:
            waived.found.append((IDLE if counts else LAPSED, None))
            continue
        mine = shared[trial.id] if len(trial.sides) > 1 else Shared()
        told = _pairs(claims[trial.id])
        now, covers = _accepts(world, trial, mine, told, waiver)
        doubtful = now is None and "asset" not in waiver and _more_may_be_near(world, trial)
        doubtful |= any(world.relied[key] & world.cables.unsure for key in _paths(world, trial))
        if doubtful:
            waived.doubtful.add(place)
        if not counts:
            waived.found.append((LAPSED, now))
        elif (doubtful and state != IN_FORCE) or (now is None and not doubtful):
            waived.found.append((IDLE, None))
        elif not doubtful and waiver.get("record", now) != now:
            said = f"the record changed: digest was {waiver['record']}, is now {now}"
            waived.found.append((said, now))
        else:
            waived.found.append((IN_FORCE, now))
            mine.waived |= covers
            if "pair" in waiver:
                waived.pairs.add((trial.id, frozenset(waiver["pair"])))
            if "within" in waiver:
                waived.inside.append((trial.id, _inside(world, waiver["within"])))
    for one in shared.values():
        _hold(one)
    return waived


def last_day(waiver: dict[str, Any]) -> date:
    """The last day of a waiver, which the rules may hold as a date, a moment or a text."""
    return date.fromisoformat(str(waiver["until"])[:10])


def _paths(world: World, trial: Trial) -> list[Key]:
    """Every path of a trial's circuits."""
    return [key for name in trial.circuits for key in world.paths_of.get(name, ())]


def _more_may_be_near(world: World, trial: Trial) -> bool:
    """Whether more may be near than is told: of many ways, or by records that may be wrong."""
    return any(len(contest) > 2 for contest in trial.contests()) or any(
        row.get("accuracy_m") or row.get("_accuracy_m") for row in world.records.rows["segments"]
    )


def _pairs(claim: dict[str, Any]) -> set[frozenset[str]]:
    """Near approaches and forbidden crossings of a claim."""
    near = [pair for one in claim["near"] for pair in one["members"]]
    rows = [*near, *(one for one in claim["cross"] if one["forbidden"])]
    return {frozenset((one["main"], one["alternate"])) for one in rows}


def _accepts(
    world: World, trial: Trial, mine: Shared, told: set[frozenset[str]], waiver: dict[str, Any]
) -> tuple[str | None, set[Asset]]:
    """Digest of what a waiver accepts now, and the assets that it covers itself."""
    if "pair" in waiver:
        pair = frozenset(waiver["pair"])
        if pair not in told:
            return None, set()
        inside: set[str] = set().union(*(_inside(world, one) for one in pair))
        return _digest(world, trial, mine, set(pair), inside, {pair}), set()
    if "asset" in waiver:
        name = waiver["asset"]
        known = any(name in rows for role, rows in world.records.by.items() if role in COLUMNS)
        wanted: set[Asset] = {name}
        if not known or name in world.hops:
            wanted.add(("hop", name))
        hit = wanted & mine.avoidable
        if not hit:
            return None, set()
        return _digest(world, trial, mine, hit, _inside(world, name), set()), hit
    thing = waiver["within"]
    inside = _inside(world, thing)
    covers: set[Asset] = {
        one
        for one in inside & mine.avoidable
        if _role(world, one) in COVERED or (one == thing and _role(world, one) not in NEVER)
    }
    pairs = {pair for pair in told if pair <= inside}
    if not covers and not pairs:
        return None, set()
    named = {thing} | covers | {one for pair in pairs for one in pair}
    return _digest(world, trial, mine, named, inside, pairs), covers


def _inside(world: World, thing: str) -> set[str]:
    """What lies in a thing at any depth, joints by where they stand, and the thing itself."""
    found, waiting = {thing}, [thing]
    while waiting:
        fresh = world.held.get(waiting.pop(), set()) - found
        found |= fresh
        waiting += fresh
    return found


def _digest(
    world: World,
    trial: Trial,
    mine: Shared,
    named: Iterable[Asset],
    inside: set[str],
    pairs: set[frozenset[str]],
) -> str:
    names = {one if isinstance(one, str) else one[1] for one in named}
    rows = names | _held_through(world, mine, names)
    relied = {
        one for key in _paths(world, trial) for one in world.relied[key] if isinstance(one, str)
    }
    hops = {one[1] for one in named if not isinstance(one, str)}
    accepted = {
        "pairs": sorted(sorted(pair) for pair in pairs),
        "rows": sorted(
            (_row(world, name, hop=name in hops) for name in rows),
            key=lambda row: (row["role"], row["id"]),
        ),
        "within": sorted((inside - names) & relied),
    }
    text = json.dumps(accepted, sort_keys=True, separators=(",", ":"))
    return hashlib.sha256(text.encode()).hexdigest()[:12]


def _held_through(world: World, mine: Shared, names: set[str]) -> set[str]:
    """What is shared only because of what lies in it, where some of that is named."""
    found: set[str] = set()
    waiting: list[Asset] = [*names]
    while waiting:
        for holder in world.reliance.holders.get(waiting.pop(), ()):
            if isinstance(holder, str) and holder not in found:
                found.add(holder)
                waiting.append(holder)
    return {one for one in found if one in mine.through}


def _role(world: World, name: str) -> str | None:
    roles = (role for role in COLUMNS if role != "links")
    return next((role for role in roles if name in world.records.by[role]), None)


def _row(world: World, name: str, *, hop: bool) -> dict[str, Any]:
    role = "links" if hop else _role(world, name)
    assert role is not None
    row: Row = world.records.by[role][name]
    found: dict[str, Any] = {"role": role}
    for column in COLUMNS[role].split():
        value = row.get(column)
        if value == []:
            found[column] = ["-"]
        elif value is not None:
            found[column] = _number(float(f"{value:.9g}")) if isinstance(value, float) else value
    if row.get("_given") is not None:
        shape = shapely.geometry.mapping(row["_given"])
        places = _rounded(shape["coordinates"], 7 if row["_given_degrees"] else 3)
        found["geometry"] = {"type": shape["type"], "coordinates": places}
    return found


def _rounded(value: Any, decimals: int) -> Any:
    if isinstance(value, int | float):
        return _number(round(float(value), decimals))
    return [_rounded(part, decimals) for part in value]


def _number(value: float) -> float | int:
    return int(value) if value.is_integer() else value


def _hold(shared: Shared) -> None:
    """A holder is waived with all that it is shared for."""
    while True:
        more = {a for a, inside in shared.supports.items() if inside and inside <= shared.waived}
        if more <= shared.waived:
            return
        shared.waived |= more

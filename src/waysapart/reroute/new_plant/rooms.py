"""A new room at a site, for equipment whose room, rack, chassis or supply a proof names.

The equipment is moved into a rack in it, and fed from a supply clear of the cut where one is on
record, else from a new one in the room. What the room itself lies in nobody has recorded: that is
for a survey, and said.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from typing import NamedTuple

import pandas as pd

from waysapart.arrays import Bools, Ints, csr_row
from waysapart.network.assets import listed
from waysapart.reroute.new_plant.measures import (
    Measure,
    hits,
    machines_hit,
    other_holders,
    row_of,
    second_supplies,
    to_avoid,
)
from waysapart.reroute.plant.context import Ground
from waysapart.reroute.plant.search_graph import Space
from waysapart.reroute.proposal_rows import Draft, Row, fresh_id
from waysapart.reroute.search.no_pair_proof import NoPairProof
from waysapart.schema import KNOWN_EMPTY, LIST_SEPARATOR
from waysapart.text import few, sentence_list

_PLACES = frozenset({"room", "rack", "chassis"})
"""Kinds of holders that a room with a rack in it stands in for."""
_MOST_SUPPLIES = 2
"""Supplies on record from which the equipment of a new room may be fed, each tried by itself."""
_MOST_NAMED = 4


class _Feed(NamedTuple):
    """From what equipment in a new room is fed.

    `supplies` is the cell of the equipment, `added` the supply that is new to it; `new`: that one
    is to be built.
    """

    supplies: str | None
    added: str | None = None
    new: bool = False


def rooms(space: Space, proof: NoPairProof | None, avoided: Collection[str] = ()) -> list[Measure]:
    """New rooms that would take equipment away from what a no-pair proof names.

    Parameters
    ----------
    space : Space
        Of a circuit without separate paths.
    proof : NoPairProof or None
        That there are none.
    avoided : collection of str
        Ids that no path may rely on, whatever the proof says.

    Returns
    -------
    list of Measure
        Not tried yet; those that are fed from a supply on record first. None for equipment that
        other racks or rooms and other supplies on record would do for, or that a proof names by
        itself.
    """
    if proof is None:
        return []
    named = to_avoid(space, proof)
    avoid = named | to_avoid(space, None, avoided)
    several = [_at_site(space.ground, one, avoid) for one in machines_hit(space, named)]
    most = max(map(len, several), default=0)
    return [found[place] for place in range(most) for found in several if place < len(found)]


def _at_site(ground: Ground, machine: int, avoid: Bools) -> list[Measure]:
    """New rooms for one piece of equipment: one for each way of feeding it."""
    assets, row = ground.network.assets, row_of(ground, machine)
    records = ground.study.rules.records
    if avoid[machine] or machine in ground.relays or row.get("kind") in records.passive:
        return []
    if "supplies" not in row and records.supplies == "gap":
        return []  # to be recorded, not built
    held, fed, needed = (_named(ground, row, name) for name in ("within", "supplies", "needs"))
    site = int(assets.numbers([row["site"]])[0])
    if _hit(ground, [site, *needed], avoid) or not _only_holders(ground, held, avoid):
        return []
    held_hit = _lies_in_places(ground, held, avoid)
    fed_hit = len(_hit(ground, fed, avoid)) == len(fed) > 0
    wants_room = held_hit and not other_holders(ground, machine, avoid)
    wants_supply = fed_hit and not second_supplies(ground, machine, avoid)
    if not (wants_room or wants_supply):
        return []
    named = sorted({name for one in (*held, *fed) for name in _names_hit(ground, one, avoid)})
    moved = [machine, *_own_panels(ground, machine, site, avoid)]
    return [
        _measure(ground, moved, row, feed, named)
        for feed in _feeds(ground, row, fed, fed_hit, avoid)
    ]


def _named(ground: Ground, row: Row, column: str) -> list[int]:
    """Asset numbers in a list column of a piece of equipment."""
    cell = row.get(column)
    if not isinstance(cell, str) or cell == KNOWN_EMPTY:
        return []
    numbers = ground.network.assets.numbers(cell.split(LIST_SEPARATOR))
    return [int(one) for one in numbers if one >= 0]


def _hit(ground: Ground, some: Sequence[int], avoid: Bools) -> list[int]:
    return [one for one in some if hits(ground, one, avoid)]


def _columns_hit(ground: Ground, asset: int, avoid: Bools) -> Ints:
    row = csr_row(ground.reliance.closed, asset)
    found: Ints = row[avoid[row]]
    return found


def _names_hit(ground: Ground, asset: int, avoid: Bools) -> list[str]:
    return [str(ground.names[one]) for one in _columns_hit(ground, asset, avoid)]


def _only_holders(ground: Ground, held: Sequence[int], avoid: Bools) -> bool:
    """Whether equipment lies in what is to be avoided by holders alone, which it can leave."""
    found = [column for one in held for column in _columns_hit(ground, one, avoid).tolist()]
    return bool((ground.network.assets.frame["role"].iloc[found] == "holders").all())


def _lies_in_places(ground: Ground, held: Sequence[int], avoid: Bools) -> bool:
    """Whether a room, rack or chassis that equipment lies in is to be avoided."""
    found = [column for one in held for column in _columns_hit(ground, one, avoid).tolist()]
    return bool(ground.network.assets.frame["kind"].iloc[found].isin(_PLACES).any())


def _own_panels(ground: Ground, machine: int, site: int, avoid: Bools) -> list[int]:
    """Panels in the places to be avoided that links of this equipment pass, and no others."""
    assets, links = ground.network.assets, ground.study.tables["links"]
    rows, panels = listed(links["via"])
    numbers = assets.numbers(panels)
    ends = ground.links[["a", "b"]].to_numpy()[rows]
    mine = (ends == machine).any(axis=1)
    passive = ground.study.rules.records.passive
    found = []
    for panel in sorted({int(one) for one in numbers[mine] if one >= 0}):
        cells = row_of(ground, panel)
        held = _named(ground, cells, "within")
        if (
            mine[numbers == panel].all()
            and ground.site_of[panel] == site
            and cells.get("kind") in passive
            and _lies_in_places(ground, held, avoid)
            and _only_holders(ground, held, avoid)
        ):
            found.append(panel)
    return found


def _feeds(
    ground: Ground, row: Row, fed: Sequence[int], fed_hit: bool, avoid: Bools
) -> list[_Feed]:
    """As it is where that is clear; other supplies of the site that are clear; a new one."""
    cell = row.get("supplies")
    if cell == KNOWN_EMPTY:
        return [_Feed(cell)]
    found = [_Feed(cell)] if fed and not fed_hit else []
    supplies = ground.study.tables["supplies"]
    numbers = ground.network.assets.numbers(supplies["id"])
    there = (supplies["site"] == row["site"]).to_numpy()
    clear = [
        str(name)
        for name, number, here in zip(supplies["id"], numbers.tolist(), there, strict=True)
        if here and number not in fed and not hits(ground, number, avoid)
    ]
    found += [_Feed(name, name) for name in clear[:_MOST_SUPPLIES]]
    new = fresh_id(f"{row['id']}-supply", {str(name) for name in ground.names})
    return [*found, _Feed(new, new, new=True)]


def _measure(
    ground: Ground, moved: Sequence[int], row: Row, feed: _Feed, named: Sequence[str]
) -> Measure:
    """A room with a rack, the equipment in it, and what feeds it: rows, work, what to confirm."""
    known = {str(name) for name in ground.names}
    room, rack, charger = (fresh_id(f"{row['id']}-{w}", known) for w in ("room", "rack", "charger"))
    site = str(row["site"])
    draft = Draft()

    def work(what: str, text: str) -> None:
        draft.work.append({"circuit": None, "what": what, "at": site, "text": text})

    draft.add("holders", id=room, kind="room")
    draft.add("holders", id=rack, kind="rack", within=room)
    work("build", f"build room {room} with rack {rack}")
    if feed.new:
        draft.add("holders", id=charger, kind="charger", within=room)
        draft.add("supplies", id=feed.added, site=site, kind="battery", within=room, needs=charger)
        work("build", f"put supply {feed.added} with charger {charger} into room {room}")
    ids = []
    for one in moved:
        cells = row_of(ground, one)
        now = cells.get("within", "where it stands")
        chassis = ", in a chassis of its own" if _in_chassis(ground, cells) else ""
        ids.append(str(cells["id"]))
        cells["within"] = rack
        if cells["id"] == row["id"] and feed.supplies is not None:
            cells["supplies"] = feed.supplies
        draft.add("equipment", **cells)
        work("change", f"move {cells['id']} from {now} to {rack}{chassis}")
    if feed.added is not None:
        work("change", f"feed {row['id']} from {feed.added}")
    _bring_cords(ground, draft, ids, rack)
    source = f", fed from {feed.added}" if feed.added is not None else ""
    source += ", a new supply with its own charger" if feed.new else ""
    changes = ["room", *("move" for _ in moved)]
    if feed.added is not None:
        changes.append("new_supply" if feed.new else "supply")
    return Measure(
        "room",
        f"build a room at {site} and move {sentence_list(ids)} into it{source}",
        draft,
        changes=tuple(changes),
        survey=_survey(site, room, ids, charger if feed.new else None, named),
    )


def _in_chassis(ground: Ground, cells: Row) -> bool:
    kinds = ground.network.assets.frame["kind"]
    return any(kinds.iloc[one] == "chassis" for one in _named(ground, cells, "within"))


def _bring_cords(ground: Ground, draft: Draft, ids: Sequence[str], rack: str) -> None:
    """Cords between pieces of equipment that move lie in the new rack."""
    table = ground.study.tables["patches"]
    both = table["a"].isin(ids) & table["b"].isin(ids) & table["within"].notna()
    for cells in table[both & (table["within"] != KNOWN_EMPTY)].to_dict("records"):
        row = {
            str(name): cell
            for name, cell in cells.items()
            if not str(name).startswith("_") and pd.notna(cell)
        }
        draft.add("patches", **{**row, "within": rack})


def _survey(
    site: str, room: str, ids: Sequence[str], charger: str | None, named: Sequence[str]
) -> tuple[str, ...]:
    """What nobody has recorded yet of a new room, as sentences."""
    avoided = few(named, _MOST_NAMED)
    told = [
        f"Confirm where room {room} at {site} stands: what it lies in is not on record.",
        f"Confirm that it stands clear of {avoided}: lies in none of these and shares no wall, "
        "duct, cable entry or supply with them.",
        f"Confirm how the cables and cords of {sentence_list(ids)} reach it: their route inside "
        f"{site} is not on record.",
    ]
    if charger is not None:
        told.append(
            f"Confirm that what feeds charger {charger} does not feed {avoided}: that is not on "
            "record."
        )
    return tuple(told)

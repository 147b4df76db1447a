"""What could be changed at a site so that two paths no longer hang on one thing there.

Feed a piece of equipment from a second supply that stands there, move it into a rack or
room where others of its kind are, or fit optics that other links on record have.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from waysapart.arrays import csr_row
from waysapart.reroute.draft import Draft, Row, WorkItem
from waysapart.reroute.ground import Ground, Optics
from waysapart.reroute.proof import Beyond, Listed, NoPairProof
from waysapart.reroute.space import Space
from waysapart.schema import KNOWN_EMPTY, LIST_SEPARATOR, ROLES


@dataclass(frozen=True)
class Measure:
    """One thing to do.

    Attributes
    ----------
    kind : str
        `supply`, `move` or `optics`.
    text : str
    draft : Draft
        The rows that it changes.
    optics : tuple of Optics
        That new links may have besides the circuit's own.
    """

    kind: str
    text: str
    draft: Draft
    optics: tuple[Optics, ...] = ()


def measures(space: Space, proof: NoPairProof | None) -> list[Measure]:
    """What could be changed so that a no-pair proof no longer stands.

    Parameters
    ----------
    space : Space
        Of a circuit without separate paths.
    proof : Proof or None
        That there are none; None where limits taken together rule them out.
    """
    ground = space.ground
    found: list[Measure] = []
    if proof is None or any(isinstance(leaf, (Beyond, Listed)) for leaf in proof.leaves()):
        found += _optics(space)
    if proof is None:
        return found
    names = {name for risk in proof.risks() for name in space.risks.assets[risk]}
    avoid = np.zeros(len(ground.network.assets), dtype=bool)
    numbers = ground.network.assets.numbers(sorted(names))
    avoid[numbers[numbers >= 0]] = True
    ends = {end for member in space.members for end in (member.a, member.b)}
    machines = sorted({node.asset for node in space.edges.nodes if node.layer < 0} - ends)
    for machine in machines:
        if machine >= 0 and _hits(ground, machine, avoid):
            found += _second_supply(ground, machine, avoid)
            found += _other_holder(ground, machine, avoid)
    return found


def _hits(ground: Ground, asset: int, avoid: np.ndarray) -> bool:
    closed = ground.reliance.closed
    return bool(avoid[csr_row(closed, asset)].any())


def _row(ground: Ground, machine: int) -> Row:
    table = ground.study.tables["equipment"]
    row = table.iloc[machine - ground.network.assets.start["equipment"]]
    own = [column.name for column in ROLES["equipment"].columns]
    return {name: row[name] for name in own if pd.notna(row[name])}


def _second_supply(ground: Ground, machine: int, avoid: np.ndarray) -> list[Measure]:
    """Supplies at the same site that do not hang on what is to be avoided."""
    row = _row(ground, machine)
    own = str(row.get("supplies", "")).split(LIST_SEPARATOR) if row.get("supplies") else []
    supplies, assets = ground.study.tables["supplies"], ground.network.assets
    mine = assets.numbers(own) if own else np.empty(0, dtype=np.int64)
    if not any(_hits(ground, int(one), avoid) for one in mine):
        return []
    found = []
    for name in supplies["id"][supplies["site"] == row["site"]]:
        if name in own or _hits(ground, int(assets.numbers([name])[0]), avoid):
            continue
        draft = Draft()
        draft.add("equipment", **{**row, "supplies": LIST_SEPARATOR.join([*own, name])})
        text = f"feed {row['id']} from {name} as well"
        draft.work.append(_work(row, text))
        found.append(Measure("supply", text, draft))
    return found


def _other_holder(ground: Ground, machine: int, avoid: np.ndarray) -> list[Measure]:
    """Racks and rooms with equipment of the same kind at the same site, clear of what to avoid."""
    row = _row(ground, machine)
    now = str(row.get("within", ""))
    assets = ground.network.assets
    holders = now.split(LIST_SEPARATOR) if now and now != KNOWN_EMPTY else []
    if not any(_hits(ground, int(n), avoid) for n in assets.numbers(holders or [""]) if n >= 0):
        return []
    table = ground.study.tables["equipment"]
    others = table[(table["site"] == row["site"]) & table["within"].notna()]
    if "kind" in row:
        others = others[others["kind"] == row["kind"]]
    found = []
    for within in dict.fromkeys(others["within"]):
        numbers = assets.numbers(str(within).split(LIST_SEPARATOR))
        clear = all(n >= 0 and not _hits(ground, int(n), avoid) for n in numbers)
        if within in {now, KNOWN_EMPTY} or not clear:
            continue
        draft = Draft()
        draft.add("equipment", **{**row, "within": within})
        text = f"move {row['id']} from {now} to {within}"
        draft.work.append(_work(row, text))
        found.append(Measure("move", text, draft))
    return found


def _work(row: Row, text: str) -> WorkItem:
    return {"circuit": None, "what": "change", "at": str(row["site"]), "text": text}


def _optics(space: Space) -> list[Measure]:
    """Optics of other links on record with a larger budget than the circuit's own, best first."""
    ground = space.ground
    own = set(space.edges.optics)
    most = max((one.budget_db or 0.0 for one in own), default=0.0)
    links = ground.study.tables["links"]["id"].to_numpy()
    examples: dict[Optics, str] = {}
    for number, one in enumerate(ground.optics):
        if ground.links["fibre"].iloc[number] and one.wavelength_nm is not None:
            examples.setdefault(one, str(links[number]))
    better = [one for one in examples if one not in own and (one.budget_db or 0.0) > most]
    better.sort(key=lambda one: -(one.budget_db or 0.0))
    return [
        Measure(
            "optics",
            f"fit optics like those of link {examples[one]} ({one.wavelength_nm:g} nm, "
            f"{one.budget_db:g} dB)",
            Draft(),
            (one,),
        )
        for one in better
    ]

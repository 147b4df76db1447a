"""What could be changed at a site so that two paths no longer rely on one thing there.

Feed a piece of equipment from a second supply at the site, move it into a rack or room with
others of its kind, or fit optics that other links on record have.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from waysapart.arrays import Bools, csr_row
from waysapart.network.build_network import tie
from waysapart.reroute.new_plant.candidates import Segment, with_segments
from waysapart.reroute.new_plant.costs import Budget, budget_of
from waysapart.reroute.plant.context import Ground, Optics, ground_of
from waysapart.reroute.plant.search_graph import Space
from waysapart.reroute.proposal_rows import Draft, Row, WorkItem, proposed
from waysapart.reroute.search.no_pair_proof import Beyond, Listed, NoPairProof
from waysapart.reroute.solve import (
    Ask,
    Found,
    Links,
    Progress,
    Target,
    against,
    known_pairs,
    left_worse,
    member_of,
    over_limits,
    search_and_prove,
    trial_numbers,
    trimmed,
)
from waysapart.schema import KNOWN_EMPTY, LIST_SEPARATOR, ROLES
from waysapart.verdicts.proof import UNPROVEN
from waysapart.verdicts.prove import Proof, prove


@dataclass(frozen=True)
class Measure:
    """One thing to do.

    Attributes
    ----------
    kind : str
        `supply`, `move`, `optics` or `room`.
    text : str
    draft : Draft
        The rows that it changes.
    optics : tuple of Optics
        That new links may have besides the circuit's own.
    changes : tuple of str
        What is changed, by the names of its prices.
    survey : tuple of str
        Sentences on what must be confirmed.
    """

    kind: str
    text: str
    draft: Draft
    optics: tuple[Optics, ...] = ()
    changes: tuple[str, ...] = ()
    survey: tuple[str, ...] = ()


def measures(
    space: Space, proof: NoPairProof | None, avoided: Collection[str] = ()
) -> list[Measure]:
    """What could be changed so that a no-pair proof no longer stands.

    Parameters
    ----------
    space : Space
        Of a circuit without separate paths.
    proof : NoPairProof or None
        That there are none; None where limits taken together rule them out.
    avoided : collection of str
        Ids that no path may rely on, whatever the proof says.

    Returns
    -------
    list of Measure
        Not tried yet.
    """
    ground = space.ground
    found: list[Measure] = []
    if proof is None or any(isinstance(leaf, (Beyond, Listed)) for leaf in proof.leaves()):
        found += _optics(space)
    if proof is None:
        return found
    named = to_avoid(space, proof)
    avoid = named | to_avoid(space, None, avoided)
    for machine in machines_hit(space, named):
        found += second_supplies(ground, machine, avoid)
        found += other_holders(ground, machine, avoid)
    return found


def to_avoid(space: Space, proof: NoPairProof | None, avoided: Collection[str] = ()) -> Bools:
    """What a no-pair proof says that one path or the other must avoid, shape (assets,).

    Parameters
    ----------
    space : Space
    proof : NoPairProof or None
    avoided : collection of str
        Ids of further things to avoid; those of links count for nothing here.

    Returns
    -------
    ndarray of bool, shape (assets,)
    """
    assets = space.ground.network.assets
    risks = proof.risks() if proof is not None else ()
    names = {*avoided, *(name for risk in risks for name in space.risks.assets[risk])}
    avoid = np.zeros(len(assets), dtype=bool)
    numbers = assets.numbers(sorted(names))
    avoid[numbers[numbers >= 0]] = True
    return avoid


def machines_hit(space: Space, avoid: Bools) -> list[int]:
    """Equipment between the ends of a circuit that relies on what is to be avoided.

    Of a group the ends as well: what they share counts.

    Parameters
    ----------
    space : Space
    avoid : ndarray of bool, shape (assets,)

    Returns
    -------
    list of int
        Asset numbers.
    """
    ends = {end for member in space.members for end in (member.a, member.b)}
    excused = ends if len(space.members) == 1 else set()
    machines = sorted({node.asset for node in space.edges.nodes if node.layer < 0} - excused)
    return [one for one in machines if one >= 0 and hits(space.ground, one, avoid)]


def hits(ground: Ground, asset: int, avoid: Bools) -> bool:
    """Whether an asset is, or relies on, something that is to be avoided."""
    closed = ground.reliance.closed
    return bool(avoid[csr_row(closed, asset)].any())


def row_of(ground: Ground, machine: int) -> Row:
    """The cells of a piece of equipment that are filled in, by column of its role."""
    table = ground.study.tables["equipment"]
    row = table.iloc[machine - ground.network.assets.start["equipment"]]
    own = [column.name for column in ROLES["equipment"].columns]
    return {name: row[name] for name in own if pd.notna(row[name])}


def second_supplies(ground: Ground, machine: int, avoid: Bools) -> list[Measure]:
    """Supplies at the same site that do not rely on what is to be avoided."""
    row = row_of(ground, machine)
    own = str(row.get("supplies", "")).split(LIST_SEPARATOR) if row.get("supplies") else []
    supplies, assets = ground.study.tables["supplies"], ground.network.assets
    mine = assets.numbers(own) if own else np.empty(0, dtype=np.int64)
    if not any(hits(ground, int(one), avoid) for one in mine):
        return []
    found = []
    for name in supplies["id"][supplies["site"] == row["site"]]:
        if name in own or hits(ground, int(assets.numbers([name])[0]), avoid):
            continue
        draft = Draft()
        draft.add("equipment", **{**row, "supplies": LIST_SEPARATOR.join([*own, name])})
        text = f"feed {row['id']} from {name} as well"
        draft.work.append(_work(row, text))
        found.append(Measure("supply", text, draft, changes=("supply",)))
    return found


def other_holders(ground: Ground, machine: int, avoid: Bools) -> list[Measure]:
    """Racks and rooms with equipment of the same kind at the same site, clear of what to avoid."""
    row = row_of(ground, machine)
    now = str(row.get("within", ""))
    assets = ground.network.assets
    holders = now.split(LIST_SEPARATOR) if now and now != KNOWN_EMPTY else []
    if not any(hits(ground, int(n), avoid) for n in assets.numbers(holders or [""]) if n >= 0):
        return []
    table = ground.study.tables["equipment"]
    others = table[(table["site"] == row["site"]) & table["within"].notna()]
    if "kind" in row:
        others = others[others["kind"] == row["kind"]]
    found = []
    for within in dict.fromkeys(others["within"]):
        numbers = assets.numbers(str(within).split(LIST_SEPARATOR))
        clear = all(n >= 0 and not hits(ground, int(n), avoid) for n in numbers)
        if within in {now, KNOWN_EMPTY} or not clear:
            continue
        draft = Draft()
        draft.add("equipment", **{**row, "within": within})
        text = f"move {row['id']} from {now} to {within}"
        draft.work.append(_work(row, text))
        found.append(Measure("move", text, draft, changes=("move",)))
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


# --- An option: something to build or change, searched and proved in a study of its own.


@dataclass(frozen=True)
class Option:
    """Something to build or change, with what it does.

    Attributes
    ----------
    kind : str
        `supply`, `move`, `optics`, `room`, `closure`, `segment`, `segments` or `set`.
    text : str
    segments : tuple of Segment
        New segments; empty for other things.
    budget : Budget
        What it costs, line by line.
    apart : tuple of str
        Circuits and groups that the prover calls apart and within limits with it.
    once_recorded : tuple of str
        Circuits and groups that are so but for what is not on record of the new plant itself.
    draft : Draft
        All rows of the proposal: what is built, and the paths over it.
    links : dict
        The paths by circuit and name.
    measure : Measure
        What it changes beside the segments.
    worse : tuple of str
        Circuits and groups that it leaves worse than they are.
    after : Proof or None
        Of the whole study with it. Kept for the best option and the set only.
    """

    kind: str
    text: str
    segments: tuple[Segment, ...]
    budget: Budget
    apart: tuple[str, ...]
    draft: Draft
    links: Links
    measure: Measure
    worse: tuple[str, ...] = ()
    after: Proof | None = None
    once_recorded: tuple[str, ...] = ()

    @property
    def helps(self) -> tuple[str, ...]:
        """Circuits and groups that it makes apart, now or once the new plant is on record."""
        return (*self.apart, *self.once_recorded)

    @property
    def cost(self) -> float | None:
        """The total of its budget; None where that is not known."""
        return self.budget.total

    @property
    def rank(self) -> tuple[int, int, bool, float, str]:
        """The best first: most apart, then most once recorded, then the cheapest.

        What is not known counts as dearer.
        """
        unknown = self.cost is None
        apart, once = len(self.apart), len(self.once_recorded)
        return -apart, -once, unknown, self.budget.at_least, self.text

    @property
    def length_m(self) -> float:
        """Metres of new segments."""
        return sum(one.length_m for one in self.segments)

    @property
    def per_km(self) -> float | None:
        """Circuits and groups apart for each kilometre built; None where nothing is laid.

        Those that are apart once it is on record what new plant lies in count too.
        """
        return 1000 * len(self.helps) / self.length_m if self.segments else None


def tried(
    ground: Ground,
    targets: Sequence[Target],
    ask: Ask,
    measure: Measure,
    segments: Sequence[Segment],
    say: Progress,
    opened: Sequence[int] = (),
) -> Option:
    """Put a measure and new segments into a study, search the targets there and prove it.

    Parameters
    ----------
    ground : Ground
        The study as it is.
    targets : sequence of Target
    ask : Ask
    measure : Measure
    segments : sequence of Segment
    say : callable
        Told in words what is going on.
    opened : sequence of int
        Asset numbers of structures where cables may be cut as well.

    Returns
    -------
    Option
        With the targets that it makes apart and the circuits that it leaves worse.

    Notes
    -----
    What new plant lies in is seldom known before it is surveyed. The search takes it to lie in all
    that it may lie in by its place. The proof takes its row as it is, with the blank.
    """
    base = Draft().with_rows(measure.draft)
    searched = base
    if segments:
        searched = base.with_rows(with_segments(ground, segments, searched=True))
        base = base.with_rows(with_segments(ground, segments))
    proof = prove(tie(trimmed(proposed(ground.study, searched), targets), like=ground.network))
    ends = [*(str(ground.names[one]) for one in opened), *ends_of(segments)]
    there = ground_of(proof, numbered(proof, ends), numbered(proof, new_structures(segments)))
    again = [Found(in_proof(proof, target)) for target in targets]
    for one in again:
        one.pairs = known_pairs(proof, one.target)
    terms = replace(ask.terms, optics=measure.optics)
    draft, links, _ = search_and_prove(there, again, replace(ask, terms=terms), say, whole=False)
    every = base.with_rows(draft)
    hoped = [one for one in again if one.status == "apart" and one.together]
    worse: list[str] = []
    after: Proof | None = None
    apart: list[str] = []
    once: list[str] = []
    if hoped:
        after = prove(tie(proposed(ground.study, every), like=ground.network))
        new = {*(one.id for one in segments), *new_structures(segments)}
        for one in hoped:
            numbers = trial_numbers(after, one.target)
            if not any(against(after, *each) for each in numbers.items()):
                apart.append(one.target.id)
            elif all(_but_for(after, *each, new) for each in numbers.items()):
                once.append(one.target.id)
        worse = left_worse(ground.proof, after)
    return Option(
        measure.kind,
        measure.text,
        tuple(segments),
        budget_of(ground.study, segments, every, measure.changes, measure.optics),
        tuple(apart),
        every,
        links,
        measure,
        tuple(worse),
        after,
        tuple(once),
    )


def _but_for(proof: Proof, name: str, trial: int, new: Collection[str]) -> bool:
    """Whether a trial is apart and within limits but for blanks in the rows of new plant."""
    if not against(proof, name, trial):
        return True
    gaps = [proof.record_gaps[number] for number in proof.gaps_of[trial]]
    gaps = [gap for gap in gaps if gap.bears_on != "limits"]
    return (
        proof.verdicts[trial] == UNPROVEN
        and bool(gaps)
        and all(gap.code == "blank-within" and set(gap.assets) <= set(new) for gap in gaps)
        and not over_limits(proof, name, trial)
    )


def ends_of(segments: Sequence[Segment]) -> list[str]:
    """Ids of the structures and sites at the ends of new segments.

    Parameters
    ----------
    segments : sequence of Segment

    Returns
    -------
    list of str
    """
    return sorted({end for one in segments for end in (one.a, one.b)})


def new_structures(segments: Sequence[Segment]) -> list[str]:
    """Ids of the structures that are built for new segments.

    Parameters
    ----------
    segments : sequence of Segment

    Returns
    -------
    list of str
    """
    return sorted({new.id for one in segments for new in one.new})


def in_proof(proof: Proof, target: Target) -> Target:
    """The same target in another proof, where links and equipment have other numbers.

    Parameters
    ----------
    proof : Proof
        Of a study with the same circuits.
    target : Target

    Returns
    -------
    Target
    """
    names = proof.study.tables["circuits"]["id"].tolist()
    members = tuple(
        member_of(proof, names.index(member.id), member.number) for member in target.members
    )
    return replace(target, members=members)


def numbered(proof: Proof, ids: Iterable[str]) -> list[int]:
    """Numbers of assets in a proof.

    Parameters
    ----------
    proof : Proof
    ids : iterable of str

    Returns
    -------
    list of int
        Without those that the study lacks.
    """
    return [int(number) for number in proof.network.assets.numbers(sorted(ids)) if number >= 0]

"""Reroute: the cheapest separate paths, or why there are none and what to build."""

from __future__ import annotations

import math
from collections.abc import Collection, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, Literal, NotRequired, TypedDict, get_args

import numpy as np
import pandas as pd
import shapely

from waysapart.arrays import csr_row
from waysapart.errors import CallError
from waysapart.evidence import FORMAT, Evidence, Input, Verdict
from waysapart.network.build_network import Network
from waysapart.reroute.new_plant.candidates import Candidates, Segment, in_degrees
from waysapart.reroute.new_plant.costs import (
    ApartPerCost,
    BudgetFacts,
    apart_per_cost,
    budget_facts,
    budget_of,
    unknown_layers,
)
from waysapart.reroute.new_plant.course import Beside, Crossed, OnBackdrop, PassedStructure
from waysapart.reroute.new_plant.measures import Option
from waysapart.reroute.new_plant.what_to_build import Building, what_to_build
from waysapart.reroute.plant.cable_sections import like
from waysapart.reroute.plant.context import Ground, ground_of
from waysapart.reroute.plant.search_graph import TIE, UNIT, Terms
from waysapart.reroute.proof_text import NoPairFacts, proof_facts, proof_words
from waysapart.reroute.proposal_rows import Draft, WorkItem, write_drafts
from waysapart.reroute.solve import (
    Ask,
    Found,
    Instead,
    Links,
    Progress,
    Status,
    Target,
    known_pairs,
    left_worse,
    member_of,
    search_and_prove,
    share_least,
)
from waysapart.schema import VERSION
from waysapart.study.ledger import did_you_mean
from waysapart.study.model import Study
from waysapart.text import visible
from waysapart.verdicts.contests import WORKING
from waysapart.verdicts.facts import CAUTION
from waysapart.verdicts.proof import APART
from waysapart.verdicts.prove import Proof, prove


def reroute(
    subject: Proof | Study | Network,
    circuits: Collection[str] | None = None,
    *,
    groups: Collection[str] | None = None,
    between: tuple[str, str] | None = None,
    cost: str = "length",
    keep: str | None = None,
    avoid: Collection[str] = (),
    avoid_area: Sequence[Any] | np.ndarray | None = None,
    listed_only: bool = False,
    fibres: int = 2,
    paths: int | None = None,
    build: Candidates | None = None,
    time_limit_s: float = 10.0,
    progress: Progress | None = None,
) -> Reroute:
    """Find the cheapest paths that the prover calls apart and within limits.

    Parameters
    ----------
    subject : Proof, Study or Network
    circuits, groups : collection of str, optional
        Ids. Without either: every circuit and group that is not apart, and
        every circuit that breaks a limit.
    between : pair of str, optional
        Two pieces of equipment: paths for a circuit that does not exist yet.
    cost : {'length', 'delay', 'loss', 'splices', 'unavailability'}
        What is minimised, summed over the paths.
    keep : str, optional
        Name of a path that stays as it is, such as ``main``.
    avoid : collection of str
        Ids of assets or links that no path may rely on.
    avoid_area : sequence of geometry, optional
        Areas in longitude and latitude, WGS 84, or a GeoSeries or GeoDataFrame that states its
        CRS; no path may use plant that they touch.
    listed_only : bool
        Only links on record; nothing is spliced or patched.
    fibres : int
        Free fibres that a new link takes of each cable.
    paths : int, optional
        Of a group: how many working paths must be apart from each other.
    build : Candidates, optional
        How to look for something to build where no separate paths exist; None:
        with what is on record and short new segments.
    time_limit_s : float
        Seconds for each search.
    progress : callable, optional
        Called with a text for every step.

    Returns
    -------
    Reroute

    Raises
    ------
    CallError
        An unknown id or cost, options that exclude each other, or a study without
        equipment.

    Notes
    -----
    Exact over what is on record: links whose ends are not another circuit's
    relay, and new links from port to port of the circuit's own equipment over
    cables with free fibres, patched at sites where cables end in one place and
    spliced where cables end or a joint on record joins them. Paths that rest on
    a record gap are left out.

    Examples
    --------
    >>> import waysapart as wa
    >>> proof = wa.prove(wa.read_study("examples/estuary"))
    >>> found = wa.reroute(proof, circuits=["C07"])
    >>> found.facts()["circuits"][0]["says"]
    'separate paths exist with 1 new link'
    >>> found.links["C07"]
    {'main': ['C07-M'], 'alternate': ['C07-alternate-new']}
    """
    say = progress or _silent
    proof = subject if isinstance(subject, Proof) else prove(subject)
    if not len(proof.study.tables["equipment"]):
        raise CallError(f"{proof.study.name} holds no equipment yet: no paths to look for")
    if between is not None:
        proof = prove(_with_circuit(proof.study, between))
        circuits = [f"{between[0]} to {between[1]}", *(circuits or ())]
    targets, held_back = _targets(proof, circuits, groups)
    avoided = frozenset(avoid) | _touched_by(proof.study, avoid_area)
    _check_ids(proof, avoid)
    terms = Terms(cost, avoided, listed_only, fibres)
    say("cutting cables into stretches")
    ground = ground_of(proof)
    _check_ends(ground, targets, frozenset(avoid))
    ask = Ask(terms, keep, paths, time_limit_s)
    _check_keep(ground, targets, keep, paths)
    found = [Found(target) for target in targets]
    for one in found:
        one.pairs = known_pairs(proof, one.target)
    draft, links, after = search_and_prove(ground, found, ask, say)
    free, bound = _left_by_groups(proof, found, held_back)
    if free:
        draft, links, after = search_and_prove(ground, [*found, *free], ask, say)
    if bound:
        search_and_prove(ground, bound, ask, say, whole=False)
        for one in bound:
            if one.status == "apart":
                one.together, one.paths = False, {}
                one.why = "the paths proposed for its group leave it no separate pair"
    found += [*free, *bound]
    told = Reroute(ground, terms, found, links, draft, after)
    without = [one for one in found if one.status == "none"]
    if not without:
        return told
    say("looking for what is shared least")
    instead = {
        one.target.id: share_least(ground, one, ask) for one in without if one.space is not None
    }
    building = None
    if build is None or build.wanted:
        building = what_to_build(ground, without, ask, build or Candidates(), say)
    return replace(told, instead=instead, building=building)


def _silent(text: str) -> None:
    del text


def _targets(
    proof: Proof, circuits: Collection[str] | None, groups: Collection[str] | None
) -> tuple[list[Target], dict[str, list[Target]]]:
    """What is searched, and by group the circuits that its search answers for first."""
    names = [str(name) for name in proof.study.tables["circuits"]["id"]]
    number = {name: place for place, name in enumerate(names)}
    trials = {trial.id: trial for trial in proof.trials[proof.circuit_count :]}
    if circuits is None and groups is None:
        circuits = [
            name
            for name, verdict, limits in zip(names, proof.verdicts, proof.limits, strict=False)
            if verdict != APART or limits.within is False
        ]
        groups = [
            trial.id
            for trial, verdict in zip(
                proof.trials[proof.circuit_count :],
                proof.verdicts[proof.circuit_count :],
                strict=True,
            )
            if verdict != APART and len(trial.circuits) > 1
        ]
    unknown = [one for one in circuits or () if one not in number]
    unknown += [one for one in groups or () if one not in trials]
    if unknown:
        raise CallError(f"no circuit or group is called {', '.join(unknown)} in this study")
    lone = [one for one in groups or () if len(trials[one].circuits) < 2]
    if lone:
        raise CallError(f"group {lone[0]} has one circuit only; reroute the circuit")
    found = [
        Target(name, (member_of(proof, number[name], 0),)) for name in dict.fromkeys(circuits or ())
    ]
    held_back: dict[str, list[Target]] = {}
    for name in dict.fromkeys(groups or ()):
        members = tuple(
            member_of(proof, circuit, place) for place, circuit in enumerate(trials[name].circuits)
        )
        mine = {member.id for member in members}
        held_back[name] = [one for one in found if one.id in mine]
        found = [one for one in found if one.id not in mine]
        found.append(Target(name, members, group=True, test=trials[name].group_test or WORKING))
    return found, held_back


def _left_by_groups(
    proof: Proof, found: Sequence[Found], held_back: dict[str, list[Target]]
) -> tuple[list[Found], list[Found]]:
    """Circuits asked about that the paths of their group do not make apart.

    Returns those whose group gets no paths, and those whose group gets paths that they keep to.
    """
    free: list[Found] = []
    bound: list[Found] = []
    for one in found:
        for target in held_back.get(one.target.id, ()) if one.target.group else ():
            fresh = Found(target, pairs=known_pairs(proof, target))
            if one.status != "apart":
                free.append(fresh)
            elif target.id in one.short:
                bound.append(fresh)
    return free, bound


def _with_circuit(study: Study, between: tuple[str, str]) -> Study:
    """The study with a circuit without paths between two pieces of equipment."""
    known = set(study.tables["equipment"]["id"])
    unknown = [one for one in between if one not in known]
    if unknown or between[0] == between[1]:
        raise CallError(
            f"no equipment is called {', '.join(unknown)} in this study"
            if unknown
            else "both ends are the same equipment"
        )
    table = study.tables["circuits"]
    row = pd.DataFrame(
        {"id": [f"{between[0]} to {between[1]}"], "a": [between[0]], "b": [between[1]]}
    )
    circuits = pd.concat([table, like(table, row)], ignore_index=True)
    circuits = circuits.sort_values("id", kind="stable", ignore_index=True)
    return replace(study, tables={**study.tables, "circuits": circuits})


def _touched_by(study: Study, areas: Sequence[Any] | np.ndarray | None) -> frozenset[str]:
    """Sites, structures and segments that areas touch."""
    if areas is None or not len(areas):
        return frozenset()
    found: set[str] = set()
    shapes = study.plane.flat(in_degrees(areas))
    for role in ("sites", "structures", "segments"):
        plant = study.geometries(role)
        if len(plant):
            hit = shapely.STRtree(plant).query(shapes, predicate="intersects")[1]
            found.update(study.tables[role]["id"].iloc[np.unique(hit)])
    return frozenset(str(name) for name in found)


def _check_ids(proof: Proof, avoid: Collection[str]) -> None:
    known = {*proof.network.assets.frame["id"], *proof.study.tables["links"]["id"]}
    unknown = [name for name in avoid if name not in known]
    if unknown:
        raise CallError(f"no asset or link is called {', '.join(unknown)} in this study")


def _check_keep(
    ground: Ground, targets: Sequence[Target], keep: str | None, count: int | None
) -> None:
    """Refuse to keep a path that no target has, and more working paths than circuits."""
    paths = ground.network.paths
    members = [member for target in targets for member in target.members]
    labels = {paths.label[p] for member in members for p in paths.of_circuit(member.circuit)}
    if keep is not None and members and keep not in labels:
        known = ", ".join(sorted(map(str, labels))) or "none at all"
        raise CallError(f"none of these circuits has a path called {keep}; on record are {known}")
    for target in targets:
        if target.group and count is not None and count > len(target.members):
            raise CallError(
                f"group {target.id} has {len(target.members)} circuits, so no more working paths; "
                f"{count} were asked for"
            )


def _check_ends(ground: Ground, targets: Sequence[Target], avoid: frozenset[str]) -> None:
    """Refuse to avoid what an end of a circuit relies on."""
    if not avoid:
        return
    closed = ground.reliance.closed
    for target in targets:
        for member in target.members:
            for end in (member.a, member.b):
                row = csr_row(closed, end)
                hit = avoid & {str(name) for name in ground.names[row]}
                if hit:
                    raise CallError(
                        f"circuit {member.id} ends at {ground.names[end]}, which relies on "
                        f"{sorted(hit)[0]} by itself; it cannot avoid that"
                    )


# --- The result of a rerouting, and its plain data: what `reroute --json` writes.

_COST_UNITS = {
    "length": "m",
    "delay": "us",
    "loss": "dB",
    "splices": "splices",
    "unavailability": "part of the time",
}
_DECIMALS = {"length": 1, "delay": 3, "loss": 4, "splices": 1, "unavailability": 12}


class Matched(TypedDict):
    """A segment that a drawn cable follows, or may follow."""

    cable: str
    seq: int
    segment: str
    state: str


class NewHop(TypedDict):
    """A link to be made, as the cables that it runs over."""

    new_over: list[str]


class LeastSharedFacts(TypedDict):
    """The pair of paths that shares least, where none shares nothing."""

    status: str
    weight: int | None
    weight_at_least: int
    shared: list[list[str]]
    near: list[list[str]]
    paths: dict[str, list[str | NewHop]]


class ShortFacts(TypedDict):
    """A circuit of a group that is apart which is not so by itself, and why."""

    circuit: str
    why: str


class TargetFacts(TypedDict):
    """What was found for one circuit or group."""

    id: str
    kind: Literal["circuit", "group"]
    members: list[str]
    status: Status
    why: str | None
    together: bool
    short: NotRequired[list[ShortFacts]]
    paths: dict[str, list[str]]
    cost: float | None
    lower_bound: float | None
    optimal: bool
    seconds: float | None
    shared: list[str]
    least_shared: LeastSharedFacts | None
    says: str
    no_pair_proof: NoPairFacts | None


Cell = str | float | None
"""A cell of a proposed row; a geometry as WKT in the coordinate system of the study."""


class ProposalFacts(TypedDict):
    """The rows that a draft adds or replaces, by role, and the evidence of its proof."""

    rows: dict[str, list[dict[str, Cell]]]
    proof: Evidence


class SegmentFacts(TypedDict):
    """A new segment and its course.

    `within`: what its row says that it lies in; null: not on record. `course`: `given`, `along`
    corridors with straight `leads_m` at its ends, or `straight`. `survey`: what remains to be
    surveyed.
    """

    id: str
    kind: str
    length_m: float
    lonlat: list[list[float]]
    within: list[str] | None
    course: Literal["given", "along", "straight"]
    leads_m: list[float]
    beside: list[Beside]
    crosses: list[Crossed]
    passes: list[PassedStructure]
    backdrops: list[OnBackdrop]
    survey: list[str]


class RefusedFacts(TypedDict):
    """A given candidate that is out, for all circuits or for those named, and why."""

    id: str
    why: str


class OptionFacts(TypedDict):
    """Something to build or change, with what it does.

    `apart`: what the prover calls apart with it. `once_recorded`: what is apart but for what is not
    on record of the new plant itself.
    `cost` is the total of its `budget`, null where that is not known. `survey`: sentences on what
    must be confirmed before it is built.
    """

    kind: str
    text: str
    apart: list[str]
    once_recorded: list[str]
    worse: list[str]
    length_m: float
    cost: float | None
    budget: BudgetFacts
    apart_per_km: float | None
    apart_per_cost: ApartPerCost | None
    survey: list[str]
    segments: list[SegmentFacts]
    paths: Links
    work: list[WorkItem]
    proposal: ProposalFacts | None


class SeveralFacts(TypedDict):
    """The search for a set of segments; `cost_at_least` is null where some have no price."""

    found: bool
    at_most_apart: int
    cost_at_least: float | None
    optimal: bool


class CandidateCost(TypedDict):
    """What a candidate segment costs by itself; `cost` is null where that is not known."""

    id: str
    cost: float | None
    at_least: float


class BuildFacts(TypedDict):
    """What could be built. The best single thing and the set carry their proof.

    `over_budget` are candidates that cost more than the budget by themselves, `unpriced` the ids of
    those whose cost is not known. `prices` are what the rules state under [build].
    """

    looked_at: dict[str, int]
    single: list[OptionFacts]
    set: OptionFacts | None
    budget: float | None
    cost_unit: str
    prices: list[RuleWeight]
    over_budget: list[CandidateCost]
    unpriced: list[str]
    at_most_apart: int
    several: SeveralFacts | None
    refused: list[RefusedFacts]


class Proved(TypedDict):
    """What the prover says of the whole proposal."""

    worse: list[str]
    counts: dict[Verdict, int] | None


class RuleWeight(TypedDict):
    """A weight or a price of the rules."""

    key: str
    value: Any
    source: str


class RerouteFacts(TypedDict):
    """What `reroute --json` writes."""

    format: int
    waysapart: str
    study: str
    revision: str | None
    crs: str
    caution: str
    inputs: list[Input]
    matched: list[Matched]
    cost_is: str
    cost_unit: str
    summary: dict[Status, int]
    circuits: list[TargetFacts]
    work: list[WorkItem]
    budget: BudgetFacts | None
    proved: Proved
    proposal: ProposalFacts | None
    build: BuildFacts | None
    weights: list[RuleWeight]
    notes: list[str]
    written: NotRequired[list[str]]


@dataclass(frozen=True)
class Reroute:
    """What was found for every circuit and group asked about; `facts()` is what `--json` writes.

    Attributes
    ----------
    ground : Ground
    terms : Terms
    found : list of Found
    links : dict of str to dict of str to list of str
        By circuit and name of the path, the ids of its links, new ones included.
    draft : Draft
        All paths together as rows of a proposal, with the work that they need.
    after : Proof or None
        The proof of that proposal; None where there is nothing to propose.
    instead : dict of str to Instead
        For each without separate paths, the pair that shares least.
    building : Building or None
        What could be built for those.
    """

    ground: Ground
    terms: Terms
    found: list[Found]
    links: dict[str, dict[str, list[str]]]
    draft: Draft
    after: Proof | None
    instead: dict[str, Instead] = field(default_factory=dict)
    building: Building | None = None

    @property
    def before(self) -> Proof:
        """The proof of the study as it is."""
        return self.ground.proof

    def exit_code(self) -> int:
        """1 if anything has no separate paths, else 3 if anything is undecided, else 0."""
        statuses = {found.status for found in self.found}
        return 1 if "none" in statuses else 3 if "undecided" in statuses else 0

    def facts(self) -> RerouteFacts:
        """The result as plain data."""
        return _reroute_facts(self)

    def write_proposal(self, folder: Path | str, *, force: bool = False) -> list[Path]:
        """Write all paths found as a study that extends the one asked about.

        Parameters
        ----------
        folder : path
            Made where needed; must hold no study yet.
        force : bool
            Whether files that are there already may be replaced.

        Returns
        -------
        list of Path
            Files written, study.toml first.

        Raises
        ------
        CallError
            There is nothing to propose, or the folder holds files of these names.
        WriteError
            A file cannot be written; then none is.
        """
        return write_drafts(self.before.study, [(self.draft, Path(folder), "")], force=force)

    def write_all(self, folder: Path | str, *, force: bool = False) -> list[Path]:
        """Write the paths as `write_proposal` does, and every thing to build beside them.

        Each option, in the order of `building`, goes into a folder `build-1`, `build-2`, ... inside
        `folder`; the set into `build-set`. Each is a study that extends the one asked about, with
        the paths over what is built.

        Parameters
        ----------
        folder : path
            Created where needed.
        force : bool
            Whether files that are there already may be replaced.

        Returns
        -------
        list of Path
            Files written.

        Raises
        ------
        CallError
            A file is there already, or is an input.
        WriteError
            A file cannot be written; then none is.
        """
        folder = Path(folder)
        drafts = [(self.draft, folder, "")] if any(self.draft.rows.values()) else []
        if self.building is not None:
            for number, option in enumerate(self.building.options, start=1):
                drafts.append((option.draft, folder / f"build-{number}", option.text))
            if self.building.set is not None:
                name = "everything to build together"
                drafts.append((self.building.set.draft, folder / "build-set", name))
        return write_drafts(self.before.study, drafts, force=force)

    def worse(self) -> list[str]:
        """Circuits, groups and schemes that the proposal leaves worse than they are."""
        if self.after is None:
            return []
        return left_worse(self.before, self.after)

    def __repr__(self) -> str:
        told = ", ".join(f"{found.target.id} {found.status}" for found in self.found)
        return f"Reroute({self.before.study.name!r}: {told or 'nothing to reroute'})"


def _reroute_facts(reroute: Reroute) -> RerouteFacts:
    study = reroute.before.study
    cost = reroute.terms.cost
    circuits = [_target(reroute, found) for found in reroute.found]
    statuses = [one["status"] for one in circuits]
    draft, proof = reroute.draft, reroute.after
    if proof is None:  # all paths are on record
        draft, proof = Draft(), reroute.before
    return {
        "format": FORMAT,
        "waysapart": VERSION,
        "study": study.name,
        "revision": study.revision,
        "crs": study.crs.to_string(),
        "caution": CAUTION,
        "inputs": [{"file": one.file, "sha256": one.sha256} for one in study.inputs],
        "matched": [
            {
                "cable": str(row["cable"]),
                "seq": int(row["seq"]),
                "segment": str(row["segment"]),
                "state": str(row["state"]),
            }
            for row in reroute.before.network.matched.to_dict("records")
        ],
        "cost_is": cost,
        "cost_unit": _COST_UNITS[cost],
        "summary": {name: statuses.count(name) for name in get_args(Status)},
        "circuits": circuits,
        "work": reroute.draft.work,
        "budget": _work_budget(reroute),
        "proved": {
            "worse": reroute.worse(),
            "counts": None if reroute.after is None else reroute.after.counts(),
        },
        "proposal": _proposal(draft, proof) if "apart" in statuses else None,
        "build": None if reroute.building is None else _building(study, reroute.building),
        "weights": _rules_under(study, "reroute."),
        "notes": [*study.notes, *_priced_layers(study)],
    }


def _priced_layers(study: Study) -> list[str]:
    """Layers that have a price of being crossed, and that the study lacks."""
    names = [backdrop.name for backdrop in study.backdrops]
    return [
        f"[build] per_crossing has a price for {visible(name)}, but the study has no layer "
        f"of that name, so what new segments cross of it is not known{did_you_mean(name, names)}"
        for name in unknown_layers(study)
    ]


def _rules_under(study: Study, head: str) -> list[RuleWeight]:
    """Weights or prices of the rules with their sources."""
    rows = study.rules.assumptions(
        services=(), fibres=(), failures=(), media=(), weights=None, prices=True
    )
    return [
        {"key": row.key, "value": row.value, "source": row.source}
        for row in rows
        if row.key.startswith(head)
    ]


def _work_budget(reroute: Reroute) -> BudgetFacts | None:
    """What the common proposal costs, where the rules state prices and there is work to do."""
    study = reroute.before.study
    build = study.rules.build
    if build.unit is None or not reroute.draft.work:
        return None
    most = build.budget if reroute.building is None else reroute.building.budget
    return budget_facts(budget_of(study, (), reroute.draft), build.unit, most)


def _proposal(draft: Draft, proof: Proof) -> ProposalFacts:
    evidence = proof.facts()
    evidence.pop("records", None)  # those of the study, and the rows beside it
    return {
        "rows": {
            role: [{name: _cell(value) for name, value in row.items()} for row in rows]
            for role, rows in draft.rows.items()
            if rows
        },
        "proof": evidence,
    }


def _cell(value: Any) -> Cell:
    if value is None or (isinstance(value, float) and math.isnan(value)):
        return None
    if isinstance(value, shapely.Geometry):
        return str(shapely.to_wkt(value, rounding_precision=-1))
    return float(value) if isinstance(value, (int, float)) else str(value)


def _target(reroute: Reroute, found: Found) -> TargetFacts:
    target, answer, space = found.target, found.answer, found.space
    status = found.status
    proof = answer.proof if answer is not None and status == "none" else None
    instead = reroute.instead.get(target.id)
    links = {
        f"{member.id} {label}" if target.group else label: names
        for member in target.members
        for label, names in reroute.links.get(member.id, {}).items()
    }
    facts: TargetFacts = {
        "id": target.id,
        "kind": "group" if target.group else "circuit",
        "members": [member.id for member in target.members],
        "status": status,
        "why": found.why or None,
        "together": found.together,
        "paths": links if status == "apart" else {},
        "cost": _cost(found, reroute.terms.cost) if status == "apart" else None,
        "lower_bound": _bound(found, reroute.terms.cost),
        "optimal": bool(answer is not None and answer.optimal and status == "apart"),
        "seconds": None if answer is None else round(answer.seconds, 3),
        "shared": [] if instead is None else [name for names in instead.shared for name in names],
        "least_shared": None if instead is None else _instead(reroute, instead),
        "says": _says(found),
        "no_pair_proof": proof_facts(space, proof, found.courses)
        if proof is not None and space
        else None,
    }
    if found.short and status == "apart":
        facts["short"] = [{"circuit": name, "why": why} for name, why in found.short.items()]
    return facts


def _cost(found: Found, cost: str) -> float | None:
    """Cost of the paths found; of a group, of its working paths."""
    if found.answer is None or found.answer.paths is None or found.space is None:
        return None
    edges = [edge for path in found.answer.paths for edge in path]
    return round(float(found.space.cost[edges].sum()), _DECIMALS[cost])


def _bound(found: Found, cost: str) -> float | None:
    if found.answer is None or found.answer.lower_bound is None or found.status == "none":
        return None
    if found.answer.optimal:
        return _cost(found, cost)
    return round(found.answer.lower_bound / TIE / UNIT[cost], _DECIMALS[cost])


def _says(found: Found) -> str:
    """The answer in words."""
    if found.status == "none":
        if found.answer is not None and found.answer.proof is not None and found.space is not None:
            return proof_words(found.space, found.answer.proof, found.courses)
        return found.why or "no separate paths keep the limits"
    if found.status == "undecided":
        return found.why
    taken = sum(len(path.new) for paths in found.paths.values() for path in paths.values())
    told = "separate paths are on record"
    if taken:
        told = f"separate paths exist with {taken} new {'link' if taken == 1 else 'links'}"
    if found.short:
        told += f" for the group, but not within each circuit: {'; '.join(found.short.values())}"
    return told


def _instead(reroute: Reroute, instead: Instead) -> LeastSharedFacts:
    least = instead.least
    ground = reroute.ground
    cables = ground.study.tables["cables"]["id"].to_numpy()
    count = len(ground.network.assets)
    return {
        "status": least.status,
        "weight": least.weight,
        "weight_at_least": least.weight_lower,
        "shared": [list(names) for names in instead.shared],
        "near": [list(pair) for pair in instead.near],
        "paths": {
            label: [
                {"new_over": [str(cables[run.cable]) for run in step.runs]}
                if not isinstance(step, int)
                else str(ground.names[count + step])
                for step in path.steps
            ]
            for label, path in instead.paths.items()
        },
    }


def _building(study: Study, building: Building) -> BuildFacts:
    return {
        "looked_at": building.looked_at,
        "single": [_option(option, building) for option in building.options],
        "set": None if building.set is None else _option(building.set, building),
        "budget": building.budget,
        "cost_unit": building.unit,
        "prices": _rules_under(study, "build."),
        "over_budget": [
            {"id": one.id, "cost": cost.total, "at_least": cost.at_least}
            for one, cost in building.over_budget
        ],
        "unpriced": [one.id for one in building.unpriced],
        "at_most_apart": building.at_most,
        "several": None
        if building.several is None
        else {
            "found": building.several.option is not None,
            "at_most_apart": building.several.at_most,
            "cost_at_least": building.several.cost_at_least,
            "optimal": building.several.optimal,
        },
        "refused": [{"id": name, "why": why} for name, why in building.refused],
    }


def _option(option: Option, building: Building) -> OptionFacts:
    return {
        "kind": option.kind,
        "text": option.text,
        "apart": list(option.apart),
        "once_recorded": list(option.once_recorded),
        "worse": list(option.worse),
        "length_m": round(option.length_m, 1),
        "cost": option.cost,
        "budget": budget_facts(option.budget, building.unit, building.budget),
        "apart_per_km": None if option.per_km is None else round(option.per_km, 3),
        "apart_per_cost": apart_per_cost(
            option.budget, building.unit, len(option.apart), len(option.once_recorded)
        ),
        "survey": list(option.measure.survey),
        "segments": [_segment(one, building) for one in option.segments],
        "paths": option.links,
        "work": option.draft.work,
        "proposal": _proposal(option.draft, option.after)
        if option.after is not None and option.helps
        else None,
    }


def _segment(segment: Segment, building: Building) -> SegmentFacts:
    course = building.courses[segment.id]
    return {
        "id": segment.id,
        "kind": segment.kind,
        "length_m": round(segment.length_m, 1),
        "lonlat": building.lonlat[segment.id],
        "within": course.within,
        "course": segment.course,
        "leads_m": [round(one, 1) for one in segment.leads_m],
        "beside": course.beside,
        "crosses": course.crosses,
        "passes": course.passes,
        "backdrops": course.backdrops,
        "survey": course.survey,
    }

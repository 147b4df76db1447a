"""Reroute: the best separate paths that there are; where none are, why, and what to build."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd
import shapely

from waysapart.arrays import csr_row
from waysapart.errors import CallError
from waysapart.network.tie import Network
from waysapart.reroute.build_plan import what_to_build
from waysapart.reroute.facts import Reroute
from waysapart.reroute.ground import Ground, ground_of
from waysapart.reroute.instead import share_least
from waysapart.reroute.rounds import Progress, known_pairs, search_and_prove
from waysapart.reroute.segments import Candidates
from waysapart.reroute.solve import Ask, Found, Target, member_of
from waysapart.reroute.space import Terms
from waysapart.reroute.stretches import like
from waysapart.study.model import Study
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
    ways: int | None = None,
    build: Candidates | None = None,
    time_limit_s: float = 10.0,
    progress: Progress | None = None,
) -> Reroute:
    """Search the cheapest paths that the prover calls apart and within limits.

    Parameters
    ----------
    subject : Proof, Study or Network
    circuits, groups : collection of str, optional
        Ids. Without either: every circuit and group that is not apart, and
        every circuit that breaks a limit.
    between : pair of str, optional
        Two pieces of equipment: paths for a circuit that does not exist yet.
    cost : {'length', 'delay', 'loss', 'splices', 'unavailability'}
        What the paths add up to least of.
    keep : str, optional
        Name of a path that stays as it is, such as ``main``.
    avoid : collection of str
        Ids of assets or links that no path may rely on.
    avoid_area : sequence of geometry, optional
        Areas in the study's working CRS; no path may use plant that they touch.
    listed_only : bool
        Only links on record; nothing is spliced or patched.
    fibres : int
        Free fibres that a new link takes of each cable.
    ways : int, optional
        Of a group: how many working paths must be apart from each other.
    build : Candidates, optional
        How to look for something to build where no separate paths exist; None:
        with what is on record and short new segments.
    time_limit_s : float
        For each search.
    progress : callable, optional
        Is told in words what happens.

    Returns
    -------
    Reroute

    Raises
    ------
    CallError
        An id, a cost or a combination that has no meaning; a study without
        equipment.

    Notes
    -----
    Exact over what is on record: links whose ends are not another circuit's
    relay, and new links from port to port of the circuit's own equipment over
    cables with free fibres, patched at sites where cables end in one place and
    spliced where cables end or a joint on record joins them. Paths that rest on
    a record gap are left out.
    """
    say = progress or _silent
    proof = subject if isinstance(subject, Proof) else prove(subject)
    if not len(proof.study.tables["equipment"]):
        raise CallError(f"{proof.study.name} holds no equipment yet: no ways to look for")
    if between is not None:
        proof = prove(_with_circuit(proof.study, between))
        circuits = [f"{between[0]} to {between[1]}", *(circuits or ())]
    targets = _targets(proof, circuits, groups)
    avoided = frozenset(avoid) | _touched_by(proof.study, avoid_area)
    _check_ids(proof, avoid)
    terms = Terms(cost, avoided, listed_only, fibres)
    say("cutting cables into stretches")
    ground = ground_of(proof)
    _check_ends(ground, targets, frozenset(avoid))
    ask = Ask(terms, keep, ways, time_limit_s)
    _check_ways(ground, targets, keep, ways)
    found = [Found(target) for target in targets]
    for one in found:
        one.pairs = known_pairs(proof, one.target)
    draft, links, after = search_and_prove(ground, found, ask, say)
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
) -> list[Target]:
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
    for name in dict.fromkeys(groups or ()):
        members = tuple(
            member_of(proof, circuit, place) for place, circuit in enumerate(trials[name].circuits)
        )
        found = [one for one in found if one.id not in {member.id for member in members}]
        found.append(Target(name, members, group=True))
    return found


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
    shapes = np.asarray(areas, dtype=object)
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


def _check_ways(
    ground: Ground, targets: Sequence[Target], keep: str | None, ways: int | None
) -> None:
    """Refuse a path to keep that nothing asked about has, and more working paths than circuits."""
    paths = ground.network.paths
    members = [member for target in targets for member in target.members]
    labels = {paths.label[p] for member in members for p in paths.of_circuit(member.circuit)}
    if keep is not None and members and keep not in labels:
        known = ", ".join(sorted(map(str, labels))) or "none at all"
        raise CallError(f"nothing asked about has a way called {keep} to keep; there are {known}")
    for target in targets:
        if target.group and ways is not None and ways > len(target.members):
            raise CallError(
                f"group {target.id} has {len(target.members)} circuits, so no more working ways; "
                f"{ways} were asked for"
            )


def _check_ends(ground: Ground, targets: Sequence[Target], avoid: frozenset[str]) -> None:
    """Refuse to avoid what a circuit's end cannot do without."""
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

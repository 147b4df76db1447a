"""What to build where no separate paths exist: what one thing does, and what a set does.

Whatever is proposed here has been put into a study of its own, searched, and proved by
the same prover as the study itself.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd

from waysapart.network.lengths import positions_deg
from waysapart.reroute.new_plant.candidates import (
    Candidates,
    Grounds,
    Segment,
    given_segments,
    made_up,
)
from waysapart.reroute.new_plant.costs import (
    METRES,
    Budget,
    budget_of,
    unit_of_costs,
    with_costs,
)
from waysapart.reroute.new_plant.course import SegmentCourse, course_of
from waysapart.reroute.new_plant.cover import (
    Cover,
    Laid,
    Several,
    cheapest_cover,
    laid,
    laid_for,
    several_segments,
    single_ones,
)
from waysapart.reroute.new_plant.measures import Measure, Option, measures, tried
from waysapart.reroute.new_plant.rooms import rooms
from waysapart.reroute.new_plant.siting import held_by
from waysapart.reroute.plant.cable_sections import cable_nodes
from waysapart.reroute.plant.context import Ground, ground_of
from waysapart.reroute.plant.search_graph import space_of
from waysapart.reroute.proposal_rows import Draft, Row
from waysapart.reroute.search.disjoint_paths import best_paths
from waysapart.reroute.solve import Ask, Found, Progress, Target, kept_keys
from waysapart.text import sentence_list

MOST_TRIED = 6
"""Things of one kind that are proved for one circuit before the next kind is tried."""
ENOUGH = 2
"""Segments that are proved for one circuit: the best, and an alternative."""


@dataclass(frozen=True)
class Building:
    """What could be built.

    Attributes
    ----------
    options : list of Option
        Single things, best first: most apart, then cheapest.
    set : Option or None
        Things together that make most apart within the budget; None where one is enough.
    at_most : int
        No set of what was looked at, each circuit helped by one thing, makes more apart.
    budget : float or None
        In `unit`.
    looked_at : dict of str to int
        How many candidates of each kind.
    lonlat : dict of str to list of pair of float
        SegmentCourse of every new segment of an option, for a map.
    several : Several or None
        The set of segments sought for what no single thing makes apart; None where
        there was no need, or nothing to choose from.
    unit : str
        What costs are in.
    over_budget : tuple of (Segment, Budget)
        Candidates that cost more than the budget by themselves.
    unpriced : tuple of Segment
        Candidates whose cost is not known.
    courses : dict of str to SegmentCourse
        What every new segment of an option lies in, runs beside, crosses and passes.
    refused : list of (str, str)
        Given candidates that are out for some or all circuits, each with the reason.
    """

    options: list[Option]
    set: Option | None
    at_most: int
    budget: float | None
    looked_at: dict[str, int]
    lonlat: dict[str, list[list[float]]] = field(default_factory=dict)
    several: Several | None = None
    unit: str = METRES
    over_budget: tuple[tuple[Segment, Budget], ...] = ()
    unpriced: tuple[Segment, ...] = ()
    courses: dict[str, SegmentCourse] = field(default_factory=dict)
    refused: list[tuple[str, str]] = field(default_factory=list)


def what_to_build(
    ground: Ground, without: Sequence[Found], ask: Ask, candidates: Candidates, say: Progress
) -> Building:
    """Look for single things, and for a set of them, that make circuits apart.

    Parameters
    ----------
    ground : Ground
    without : sequence of Found
        Targets without separate paths, each with its search and proof.
    ask : Ask
    candidates : Candidates
    say : callable
        Told in words what is going on.

    Returns
    -------
    Building
        Options that were searched and proved, the best first; the set; what was looked at.

    Notes
    -----
    A candidate that a stored proof rules out is not tried: a new edge helps only
    where it leads across a cut without relying on what must be avoided there.
    """
    budget = candidates.budget
    if budget is None:
        budget = ground.study.rules.build.budget
    grounds = Grounds.of(ground, candidates)
    segments, barred, refused = _candidates(grounds, without, ask)
    segments = with_costs(ground.study, segments)
    ask = replace(ask, barred=barred)
    unit = unit_of_costs(ground.study, segments)
    looked: dict[str, int] = {}
    options = _best_first(_over_measures(ground, without, ask, looked, say))
    options = _best_first([*options, *_over_closures(ground, without, ask, looked, say)])
    helped = {name for option in options for name in option.helps}
    others = [one for one in without if one.target.id not in helped]
    options = _best_first([*options, *_over_rooms(ground, others, ask, looked, say)])
    looked["segments"] = len(segments)
    several = None
    if segments:
        say(f"laying {len(segments)} candidate segments")
        there = laid(ground, segments)
        every = [laid_for(there, one, ask, segments) for one in without]
        options += _over_segments(ground, without, every, ask, segments, say)
        helped = {name for option in options for name in option.helps}
        left = [n for n, one in enumerate(without) if one.target.id not in helped]
        if left and len(segments) > 1:
            say("looking for sets of candidate segments")
            several = several_segments(
                ground,
                [without[n].target for n in left],
                [every[n] for n in left],
                ask,
                segments,
                budget,
                say,
            )
            options += [several.option] if several.option is not None else []
    options = _best_first(options)
    best, at_most = _set_within(ground, without, ask, options, budget, say)
    shown = [s for o in [*options, *([best] if best else [])] for s in o.segments]
    services = [
        ground.study.rules.service(member.service)
        for one in without
        for member in one.target.members
    ]
    alone = [(one, budget_of(ground.study, [one], Draft())) for one in segments]
    over = [(one, cost) for one, cost in alone if cost.within(budget) is False]
    return Building(
        options,
        best,
        at_most,
        budget,
        looked,
        _lonlat(ground, shown),
        several,
        unit,
        tuple(over),
        tuple(one for one in segments if not one.priced),
        {one.id: course_of(grounds.plant, one, services) for one in shown},
        refused,
    )


def _best_first(options: Iterable[Option]) -> list[Option]:
    """Most apart first, then most once recorded, then the cheapest.

    Only the best keeps its proof, which takes memory.
    """
    found = sorted(options, key=lambda option: option.rank)
    return [*found[:1], *(replace(option, after=None) for option in found[1:])]


def _over_measures(
    ground: Ground, without: Sequence[Found], ask: Ask, looked: dict[str, int], say: Progress
) -> list[Option]:
    """Changes at sites, each tried for all targets whose proof it could undo; one for each."""
    several = [
        (one.target, measures(one.space, one.answer.proof, ask.terms.avoid))
        for one in without
        if one.space is not None and one.answer is not None
    ]
    return _tried_in_turn(ground, several, ask, looked, "measures", say)


def _over_rooms(
    ground: Ground, without: Sequence[Found], ask: Ask, looked: dict[str, int], say: Progress
) -> list[Option]:
    """New rooms, for targets that no change with what is on record helps."""
    several = [
        (one.target, rooms(one.space, one.answer.proof, ask.terms.avoid))
        for one in without
        if one.space is not None and one.answer is not None
    ]
    return _tried_in_turn(ground, several, ask, looked, "rooms", say)


def _tried_in_turn(
    ground: Ground,
    several: Sequence[tuple[Target, list[Measure]]],
    ask: Ask,
    looked: dict[str, int],
    kind: str,
    say: Progress,
) -> list[Option]:
    """Measures, each tried for all targets that it may help; for each target the first that does.

    `looked` gets the number of them under their kind.
    """
    wanted: dict[str, tuple[Measure, list[Target]]] = {}
    rank: dict[str, int] = {}
    for target, found in several:
        for place, measure in enumerate(found[:MOST_TRIED]):
            wanted.setdefault(measure.text, (measure, []))[1].append(target)
            rank[measure.text] = min(place, rank.get(measure.text, place))
    looked[kind] = len(wanted)
    options: list[Option] = []
    done: set[str] = set()
    for text in sorted(wanted, key=lambda t: (rank[t], -len(wanted[t][1]))):
        measure, targets = wanted[text]
        targets = [target for target in targets if target.id not in done]
        if not targets:
            continue
        say(f"proving: {text}")
        option = tried(ground, targets, ask, measure, (), say)
        if option.helps:
            options.append(option)
            done.update(option.helps)
    return options


def _over_closures(
    ground: Ground, without: Sequence[Found], ask: Ask, looked: dict[str, int], say: Progress
) -> list[Option]:
    """Closures in structures where cables pass each other and no joint is on record."""
    places = _passed_by_several(ground)
    looked["closures"] = len(places)
    if not places:
        return []
    there = ground_of(ground.proof, places)
    able = []
    for one in without:
        pairs = sorted(one.pairs.get(one.target.id, ()))
        terms, keep = ask.terms_for(one.target.id), kept_keys(there, one.target, ask)
        space = space_of(there, one.target.members, terms, pairs=pairs, keep=keep)
        count = (ask.paths or 2) if one.target.group else 2
        answer = best_paths(space.graph, space.question, count, time_limit_s=ask.time_limit_s)
        if answer.status == "apart":
            able.append(one.target)
    if not able:
        return []
    text = "splice cables where they pass each other, in closures that are not on record"
    say(f"proving: {text}")
    option = tried(ground, able, ask, Measure("closure", text, Draft()), (), say, places)
    return [option] if option.helps else []


def _passed_by_several(ground: Ground) -> list[int]:
    """Structures and sites that several cables come to, at which one of them is not cut yet."""
    nodes = cable_nodes(ground.network)
    nodes = nodes[nodes["node"] >= 0].drop_duplicates(["cable", "node"])
    stretches = ground.stretches
    cut = pd.MultiIndex.from_arrays(
        [np.r_[stretches.cable, stretches.cable], np.r_[stretches.a, stretches.b]]
    )
    known = pd.MultiIndex.from_frame(nodes[["cable", "node"]]).isin(cut)
    several = nodes["node"].map(nodes["node"].value_counts()).to_numpy() > 1
    return sorted(set(nodes["node"].to_numpy()[several & ~known].tolist()))


def _candidates(
    grounds: Grounds, without: Sequence[Found], ask: Ask
) -> tuple[list[Segment], dict[str, frozenset[str]], list[tuple[str, str]]]:
    """Candidates; which are out for which circuits; and those of them that were given, with why."""
    searched = [
        (one, one.space, one.answer.proof if one.answer is not None else None)
        for one in without
        if one.space is not None
    ]
    held = {one.target.id: held_by(grounds.plant, space, proof) for one, space, proof in searched}
    refused: dict[str, dict[str, list[str]]] = {}
    given = grounds.candidates.lines is not None
    if given:
        every = given_segments(grounds)
        segments = every.segments
        refused = {name: {why: []} for name, why in every.refused.items()}
    else:
        found: dict[str, Segment] = {}
        for one, space, proof in searched:
            if proof is not None:
                for segment in made_up(grounds, space, proof, held[one.target.id], ask.terms):
                    found.setdefault(segment.id, segment)
        segments = list(found.values())
    barred: dict[str, set[str]] = {}
    for segment in segments:
        for target, cut in held.items():
            out = cut.why_out(segment.line, segment.kind)
            if out is not None:
                barred.setdefault(target, set()).add(segment.id)
                refused.setdefault(segment.id, {}).setdefault(out.why, []).append(target)
    told = [
        (name, f"{why}, for {sentence_list(of)}" if of else why)
        for name, reasons in refused.items()
        for why, of in reasons.items()
    ]
    nowhere = {
        segment.id
        for segment in segments
        if held and all(segment.id in barred.get(target, ()) for target in held)
    }
    return (
        [segment for segment in segments if segment.id not in nowhere],
        {target: frozenset(ids) for target, ids in barred.items()},
        told if given else [],
    )


def _over_segments(
    ground: Ground,
    without: Sequence[Found],
    laid_: Sequence[Laid],
    ask: Ask,
    segments: Sequence[Segment],
    say: Progress,
) -> list[Option]:
    """Which single candidate segment makes which targets apart."""
    helps: dict[int, list[Target]] = {}
    for one, laid_one in zip(without, laid_, strict=True):
        say(f"trying candidates for {one.target.id}")
        for number in single_ones(laid_one, ask.time_limit_s):
            helps.setdefault(number, []).append(one.target)
    options = []
    ranked = sorted(helps, key=lambda n: (-len(helps[n]), segments[n].cost, segments[n].id))
    done: dict[str, int] = {}
    working: dict[str, int] = {}
    for number in ranked:
        targets = [
            t
            for t in helps[number]
            if done.get(t.id, 0) < MOST_TRIED and working.get(t.id, 0) < ENOUGH
        ]
        if not targets:
            continue
        for target in targets:
            done[target.id] = done.get(target.id, 0) + 1
        segment = segments[number]
        text = (
            f"build {segment.kind} {segment.id}, {segment.length_m:.0f} m, from "
            f"{segment.a} to {segment.b}"
        )
        say(f"proving: {text}")
        option = tried(ground, targets, ask, Measure("segment", text, Draft()), [segment], say)
        if option.helps:
            options.append(option)
        for name in option.helps:
            working[name] = working.get(name, 0) + 1
    return options


def _set_within(
    ground: Ground,
    without: Sequence[Found],
    ask: Ask,
    options: Sequence[Option],
    budget: float | None,
    say: Progress,
) -> tuple[Option | None, int]:
    """The cheapest set of options that makes most targets apart within the budget, proved."""
    targets = [one.target for one in without]
    able = [o for o in options if o.budget.within(budget) is not False]
    affordable = [o for o in able if budget is None or o.budget.within(budget)]

    def covered(some: Sequence[Option]) -> Cover | None:
        needs = [
            (number, np.array([target.id in option.helps for option in some]))
            for number, target in enumerate(targets)
        ]
        return cheapest_cover(len(targets), needs, [o.budget.at_least for o in some], budget)

    cover = covered(affordable) if affordable else None
    chosen = [affordable[number] for number in cover.chosen] if cover is not None else []
    helped = {name for option in chosen for name in option.helps}
    # What has no known cost may be affordable: it counts for the bound, and is in no set.
    most = cover if len(affordable) == len(able) else covered(able)
    at_most = len(most.covered) if most is not None else len(targets) if able else 0
    if len(chosen) < 2:
        return None, at_most
    measure = _joined(ground, [option.measure for option in chosen])
    every = {segment.id: segment for option in chosen for segment in option.segments}
    segments = list(every.values())
    say("proving the set")
    wanted = [target for target in targets if target.id in helped]
    return tried(ground, wanted, ask, measure, segments, say), at_most


def _joined(ground: Ground, several: Sequence[Measure]) -> Measure:
    """Several measures as one: of a row that two of them change, what either changes."""
    draft = Draft()
    for one in several:
        draft = draft.with_rows(one.draft)
    for role, rows in draft.rows.items():
        table = ground.study.tables[role]
        old = dict(zip(table["id"], table.to_dict("records"), strict=True))
        merged: dict[str, Row] = {}
        for row in rows:
            was = old.get(row["id"], {})
            fresh = {name: cell for name, cell in row.items() if was.get(name) != cell}
            merged[row["id"]] = {**row, **merged.get(row["id"], {}), **fresh}
        draft.rows[role] = [*merged.values()]
    return Measure(
        "set",
        "; ".join(one.text for one in several),
        draft,
        tuple(dict.fromkeys(optics for one in several for optics in one.optics)),
        tuple(change for one in several for change in one.changes),
        tuple(dict.fromkeys(said for one in several for said in one.survey)),
    )


def _lonlat(ground: Ground, segments: Sequence[Segment]) -> dict[str, list[list[float]]]:
    """Longitude and latitude along new segments."""
    if not segments:
        return {}
    lines = positions_deg(ground.study, np.array([one.line for one in segments], dtype=object))
    return {
        one.id: [[round(x, 7), round(y, 7)] for x, y in line.coords]
        for one, line in zip(segments, lines, strict=True)
    }

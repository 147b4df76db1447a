"""What the map of a rerouting draws: paths before and proposed, new plant, cuts of no-pair proofs.

`Proposals` are the studies that a rerouting proposes, each with its proof; `reroute_geometry`
makes the collections that the map draws, and `steps_of` the steps of a no-pair proof: each names
what a path would have to avoid, and the cut that is left without it.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, NamedTuple

import numpy as np
import shapely
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from waysapart.evidence import Evidence
from waysapart.network.build_network import tie
from waysapart.network.lengths import positions_deg
from waysapart.report.geometry import Holdings, path_features, proof_geometry, room_around
from waysapart.report.map import in_runs
from waysapart.reroute.api import OptionFacts, Reroute, RerouteFacts
from waysapart.reroute.new_plant.measures import Option
from waysapart.reroute.plant.search_graph import HALF_MDB, HALF_NS, Space
from waysapart.reroute.proof_text import Names
from waysapart.reroute.proposal_rows import Draft, proposed
from waysapart.reroute.search.no_pair_proof import Beyond, Cut, Few, Leaf, NoPairProof
from waysapart.reroute.solve import Found
from waysapart.study.model import Study
from waysapart.text import sentence_list
from waysapart.verdicts.facts import text_or_none
from waysapart.verdicts.prove import Proof, prove

ON_RECORD = "record"
"""Key of the paths as they are on record."""
COMMON = "all"
"""Key of the proposal that needs nothing built."""
_MOST_PROVED = 12
"""Things to build whose paths are drawn: each needs a proof of the whole study."""
_MOST_STEPS = 60
"""Steps of a proof that the page lists."""
_MOST_DRAWN = 20_000
"""Segments of a study up to which the two sides of a cut are drawn."""


# --- The proposals: one over the plant on record, one for each thing to build, one for the set.


@dataclass(frozen=True)
class Proposal:
    """A study that the rerouting proposes.

    Attributes
    ----------
    key : str
        `all`, `build-1`, `build-2`, ..., `build-set`: the folder that `write_all` writes it
        into, but for the first, which lies in the folder itself.
    draft : Draft
    apart : frozenset of str
        Circuits and groups that get apart.
    once_recorded : frozenset of str
        Those that are apart but for what is not on record of the new plant.
    facts : OptionFacts or None
        What to build; None for the first.
    proof : Proof or None
        None where it is not drawn.
    evidence : Evidence or None
        Facts of that proof.
    """

    key: str
    draft: Draft
    apart: frozenset[str]
    once_recorded: frozenset[str]
    facts: OptionFacts | None
    proof: Proof | None
    evidence: Evidence | None

    @property
    def helps(self) -> frozenset[str]:
        """Circuits and groups that get paths of their own by it."""
        return self.apart | self.once_recorded


def proposals_of(found: Reroute, facts: RerouteFacts) -> list[Proposal]:
    """The proposals of a rerouting, the one that needs nothing built first.

    Parameters
    ----------
    found : Reroute
    facts : RerouteFacts
        Its facts, whose proofs are taken where they are there.

    Returns
    -------
    list of Proposal
    """
    made = []
    apart = frozenset(
        one["id"] for one in facts["circuits"] if one["status"] == "apart" and one["together"]
    )
    if apart:
        common = found.after or found.before
        whole = facts["proposal"]
        evidence = common.facts() if whole is None else whole["proof"]
        made.append(Proposal(COMMON, found.draft, apart, frozenset(), None, common, evidence))
    if found.building is None or facts["build"] is None:
        return made
    options = list(zip(found.building.options, facts["build"]["single"], strict=True))
    keys = [f"build-{number}" for number in range(1, len(options) + 1)]
    if found.building.set is not None and facts["build"]["set"] is not None:
        options.append((found.building.set, facts["build"]["set"]))
        keys.append("build-set")
    for key, (option, told) in zip(keys, options, strict=True):
        drawn = len(made) < _MOST_PROVED or key == "build-set"
        proof = _proof_with(found, option) if drawn and option.helps else None
        whole = told["proposal"]
        shown = None if proof is None else proof.facts() if whole is None else whole["proof"]
        apart, once = frozenset(option.apart), frozenset(option.once_recorded)
        made.append(Proposal(key, option.draft, apart, once, told, proof, shown))
    return made


def _proof_with(found: Reroute, option: Option) -> Proof:
    """The proof of the study with a thing built; proved again where it was not kept."""
    if option.after is not None:
        return option.after
    ground = found.ground
    return prove(tie(proposed(ground.study, option.draft), like=ground.network))


# --- The steps of a no-pair proof: what must be avoided, and what is cut without it.


class StepDrawn(NamedTuple):
    """What is drawn of a step: ids of what it names and cuts, and the plant on either side.

    `cut` are segments of the links and cables cut, less those that an end reaches otherwise;
    their equipment where they run through none. `sides` are the numbers of the plant that each
    end still reaches, and the ids of the sites.
    """

    named: list[str]
    pairs: list[str]
    cut: list[str]
    sides: list[tuple[list[int], list[str]]]


@dataclass(frozen=True)
class ProofStep:
    """A leaf of a no-pair proof, or several that say the same of different paths.

    Attributes
    ----------
    paths : list of int
        Paths that it is about, from 1.
    of : str
        Where each path of a group is one circuit's: " of " and its id.
    avoid : list of str
        Names of what they avoid.
    cut : list of str
        Names of the links and cables whose removal parts the ends.
    said : str
        Why no such path is left.
    drawn : StepDrawn
    """

    paths: list[int]
    of: str
    avoid: list[str]
    cut: list[str]
    said: str
    drawn: StepDrawn


@dataclass(frozen=True)
class ProofSteps:
    """All steps of a proof.

    Attributes
    ----------
    steps : list of ProofStep
    left_out : int
        How many more there are.
    named : list of str
        Ids of what the proof names, each risk by its first.
    pairs : list of (str, str)
        Segments that come too near each other, or cross.
    """

    steps: list[ProofStep] = field(default_factory=list)
    left_out: int = 0
    named: list[str] = field(default_factory=list)
    pairs: list[tuple[str, str]] = field(default_factory=list)


def steps_of(one: Found, place: Mapping[str, int]) -> ProofSteps:
    """The steps of the proof that a circuit or group has no separate paths.

    Parameters
    ----------
    one : Found
    place : mapping of str to int
        Id of a segment to its place among the plant that the map draws.

    Returns
    -------
    ProofSteps
        Without steps where there is no such proof.
    """
    proof = one.answer.proof if one.answer is not None and one.status == "none" else None
    space = one.space
    if proof is None or space is None:
        return ProofSteps()
    names = Names(space)
    alike: dict[tuple[Any, ...], tuple[Leaf, set[int]]] = {}
    for leaf in proof.leaves():
        path = getattr(leaf, "path", None)
        key = (
            type(leaf).__name__,
            tuple(sorted(leaf.avoid)),
            getattr(leaf, "edges", None) or getattr(leaf, "weight", None),
            getattr(leaf, "within", None),
            getattr(leaf, "least", None),
        )
        paths = range(proof.count) if path is None else (path,)
        alike.setdefault(key, (leaf, set()))[1].update(1 + number for number in paths)
    risks = sorted(proof.risks())
    members = [one.target.members[course.member].id for course in one.courses]
    of = [f" of {name}" for name in members] or [""] * proof.count
    return ProofSteps(
        [
            _step(space, proof, names, leaf, sorted(paths), of, place)
            for leaf, paths in list(alike.values())[:_MOST_STEPS]
        ],
        max(0, len(alike) - _MOST_STEPS),
        [space.risks.assets[risk][0] for risk in risks if risk not in space.risks.pairs],
        [space.risks.pairs[risk] for risk in risks if risk in space.risks.pairs]
        + sorted(proof.near()),
    )


def _step(
    space: Space,
    proof: NoPairProof,
    names: Names,
    leaf: Leaf,
    paths: list[int],
    of: Sequence[str],
    place: Mapping[str, int],
) -> ProofStep:
    risks = sorted(leaf.avoid)
    edges = leaf.edges if isinstance(leaf, (Cut, Few)) else ()
    pairs = [
        name for risk in risks if risk in space.risks.pairs for name in space.risks.pairs[risk]
    ]
    named = [
        name for risk in risks if risk not in space.risks.pairs for name in space.risks.assets[risk]
    ]
    others = proof.barred[paths[0] - 1] if proof.barred else frozenset[int]()
    sides = _sides(space, proof, others.union(edges), place) if isinstance(leaf, (Cut, Few)) else []
    still = {number for numbers, _ in sides for number in numbers}
    across = _on(space, edges, ("segments",))
    drawn = StepDrawn(
        list(dict.fromkeys(named)),
        list(dict.fromkeys(pairs)),
        [name for name in across if place.get(name) not in still]
        or across
        or _on(space, edges, ("equipment",)),
        sides,
    )
    return ProofStep(
        paths,
        of[paths[0] - 1] if len({of[path - 1] for path in paths}) == 1 else "",
        [_risk_said(space, risk) for risk in risks],
        [names.edges[edge] for edge in edges],
        _said(leaf),
        drawn,
    )


def _risk_said(space: Space, risk: int) -> str:
    """A risk by its name; with what is always lost together with it."""
    if risk in space.risks.pairs:
        one, other = space.risks.pairs[risk]
        return f"{one} and {other} (too near each other, or crossing)"
    first, *others = space.risks.assets[risk]
    return f"{first} (with {sentence_list(others, most=3)})" if others else first


def _said(leaf: Leaf) -> str:
    if isinstance(leaf, Few):
        return "the places where the two ends can be parted are fewer than the paths sought"
    if isinstance(leaf, Cut):
        return "the two ends are no longer joined" if leaf.edges else "nothing joins the two ends"
    if isinstance(leaf, Beyond):
        scale, unit = (HALF_NS, "µs") if leaf.weight == "delay" else (HALF_MDB, "dB")
        return (
            f"it would come to at least {leaf.least / scale:.4g} {unit} of {leaf.weight}, where "
            f"{leaf.most / scale:.4g} {unit} are allowed"
        )
    limits = sentence_list(sorted({window.weight for window in leaf.within}))
    return f"none of the paths left keeps every limit of {limits}"


def _on(space: Space, edges: Iterable[int], roles: Sequence[str]) -> list[str]:
    """Ids of the assets of some roles that edges rely on."""
    chosen = np.array(sorted(edges), dtype=np.int64)
    if not len(chosen):
        return []
    columns = np.unique(space.edges.rows[chosen].indices)
    assets = space.ground.network.assets
    found = []
    for role in roles:
        part = assets.of_role(role)
        found += assets.ids(columns[(columns >= part.start) & (columns < part.stop)])
    return found


def _sides(
    space: Space, proof: NoPairProof, cut: Iterable[int], place: Mapping[str, int]
) -> list[tuple[list[int], list[str]]]:
    """What each end still reaches without the cut; nothing where it parts nothing."""
    if len(place) > _MOST_DRAWN:
        return []
    graph = space.graph
    count = len(space.edges)
    free = np.ones(count, dtype=bool)
    free[[*proof.without, *cut]] = False
    one, other = np.asarray(graph.u), np.asarray(graph.v)
    size = len(space.edges.nodes)
    joined = coo_array(
        (np.ones(int(free.sum())), (one[free], other[free])), shape=(size, size)
    ).tocsr()
    label = connected_components(joined, directed=False)[1]
    if label[proof.s] == label[proof.t]:
        return []
    sides = []
    for end in (proof.s, proof.t):
        reached = np.flatnonzero(free & (label[one] == label[end]))
        segments = _on(space, reached, ("segments",))
        sites = _sites(space, np.flatnonzero(label == label[end]))
        sides.append((sorted(place[name] for name in segments if name in place), sites))
    return sides


def _sites(space: Space, nodes: Iterable[int]) -> list[str]:
    """Sites of nodes: themselves, or where the equipment stands."""
    network = space.ground.network
    equipment, sites = network.assets.of_role("equipment"), network.assets.of_role("sites")
    table = network.study.tables["equipment"]["site"]
    found: dict[str, None] = {}
    for node in nodes:
        asset = space.edges.nodes[int(node)].asset
        if equipment.start <= asset < equipment.stop:
            found[str(table.iloc[asset - equipment.start])] = None
        elif sites.start <= asset < sites.stop:
            found[str(space.ground.names[asset])] = None
    return list(found)


# --- The collections that the map draws.


class NewPlant(NamedTuple):
    """New segments and structures of a proposal, as features, and their ids."""

    plant: list[dict[str, Any]]
    points: list[dict[str, Any]]

    @property
    def ids(self) -> list[str]:
        """Ids of all of them."""
        return [str(one["properties"]["id"]) for one in (*self.plant, *self.points)]


def new_plant(study: Study, draft: Draft) -> NewPlant:
    """Segments and structures that a draft adds to a study, as features with the mark `new`.

    Parameters
    ----------
    study : Study
    draft : Draft

    Returns
    -------
    NewPlant
    """
    return NewPlant(
        _added(study, draft, ("segments",)), _added(study, draft, ("structures", "sites"))
    )


def _added(study: Study, draft: Draft, roles: Sequence[str]) -> list[dict[str, Any]]:
    found = []
    for role in roles:
        known = set(study.tables[role]["id"])
        rows = [row for row in draft.rows.get(role, ()) if row["id"] not in known]
        rows = [row for row in rows if row.get("geometry") is not None]
        if not rows:
            continue
        shapes = np.array([row["geometry"] for row in rows], dtype=object)
        for row, shape in zip(rows, study.plane.run_on(shapes), strict=True):
            told = {
                "id": str(row["id"]),
                "role": role,
                "kind": text_or_none(row.get("kind")) or "",
                "name": text_or_none(row.get("name")) or "",
                "mark": "new",
            }
            found.append(
                {
                    "type": "Feature",
                    "properties": told,
                    "geometry": shapely.geometry.mapping(shape),
                }
            )
    return found


def reroute_geometry(
    found: Reroute, proposals: Sequence[Proposal]
) -> tuple[dict[str, Any], dict[str, NewPlant]]:
    """Collections for `waysapart.report.page.render_page`.

    Parameters
    ----------
    found : Reroute
    proposals : sequence of Proposal

    Returns
    -------
    geo : dict
        As `proof_geometry` of the study as it is, with the new plant of all proposals; each path
        has in `when` the key of the proposal that it is of, or `record`.
    new : dict of str to NewPlant
        By key of the proposal.
    """
    geo = proof_geometry(found.before)
    study = found.before.study
    new = {one.key: new_plant(study, one.draft) for one in proposals}
    for role in ("plant", "points"):
        known: dict[str, Any] = {}
        for added in new.values():
            for feature in getattr(added, role):
                known.setdefault(feature["properties"]["id"], feature)
        geo[role]["features"] = [*geo[role]["features"], *known.values()]
    paths: list[dict[str, Any]] = []
    members = {one.target.id: [member.id for member in one.target.members] for one in found.found}
    grouped = {one.target.id for one in found.found if one.target.group}
    record = _by_circuit(geo["paths"]["features"])
    drawn: list[tuple[str, Mapping[str, list[Any]], Iterable[str]]] = [(ON_RECORD, record, members)]
    drawn += [
        (one.key, _by_circuit(path_features(one.proof)), one.helps)
        for one in proposals
        if one.proof is not None
    ]
    for key, courses, targets in drawn:
        for target in targets:
            if target in members:
                paths += _paths_of(target, members[target], target in grouped, courses, key)
    geo["paths"]["features"] = paths
    return geo, new


def _by_circuit(features: Iterable[Mapping[str, Any]]) -> dict[str, list[Any]]:
    found: dict[str, list[Any]] = {}
    for feature in features:
        found.setdefault(str(feature["properties"]["circuit"]), []).append(feature)
    return found


def _paths_of(
    target: str,
    members: Sequence[str],
    grouped: bool,
    courses: Mapping[str, Sequence[Any]],
    key: str,
) -> Iterable[dict[str, Any]]:
    """Paths of a circuit; of a group the main path of each member, the first drawn as main."""
    first = True
    for member in members:
        for feature in courses.get(member, ()):
            label = str(feature["properties"]["path"])
            if grouped and label != "main":
                continue
            shown = ("main" if first else f"{member} {label}") if grouped else label
            first = False
            told = {**feature["properties"], "circuit": target, "path": shown, "when": key}
            yield {**feature, "properties": told}


def places_of(geo: Mapping[str, Any]) -> dict[str, int]:
    """Place of each segment among the plant that the map draws."""
    features = [one for one in geo["plant"]["features"] if one.get("geometry")]
    return {str(one["properties"]["id"]): place for place, one in enumerate(features)}


def drawn_at(name: str, geo: Mapping[str, Any], held: Holdings) -> str | None:
    """The id at whose place an asset is drawn: itself, or what it lies in, on or at.

    Parameters
    ----------
    name : str
    geo : mapping
    held : Holdings

    Returns
    -------
    str or None
        None where nothing of it has a place.
    """
    known = {
        str(one["properties"]["id"])
        for role in ("plant", "points", "hazards")
        for one in geo[role]["features"]
    }
    layer, seen = [name], {name}
    while layer:
        for one in layer:
            if one in known:
                return one
        layer = [up for one in layer for up in held["inside"].get(one, ()) if up not in seen]
        seen.update(layer)
    return None


def near_at(study: Study, pairs: Iterable[tuple[str, str]]) -> list[dict[str, Any]]:
    """Where two segments come nearest to each other: as the near approaches of evidence.

    Parameters
    ----------
    study : Study
    pairs : iterable of (str, str)
        Ids of segments.

    Returns
    -------
    list of dict
        `main`, `alternate`, `distance_m`, `length_m` (None), `at`, `waived`.
    """
    ids = {str(name): place for place, name in enumerate(study.tables["segments"]["id"])}
    shapes = study.geometries("segments")
    found = []
    for one, other in pairs:
        first, second = (shapes[ids[name]] if name in ids else None for name in (one, other))
        if first is None or second is None:
            continue
        line = shapely.shortest_line(first, second)
        middle = np.array([shapely.line_interpolate_point(line, 0.5, normalized=True)])
        point = positions_deg(study, middle)[0]
        found.append(
            {
                "main": one,
                "alternate": other,
                "distance_m": float(study.plane.metres(first, second)[0]),
                "length_m": None,
                "at": [point.x, point.y],
                "waived": False,
            }
        )
    return found


def cut_geometry(
    geo: Mapping[str, Any], steps: ProofSteps, near: Sequence[Mapping[str, Any]], held: Holdings
) -> dict[str, Any] | None:
    """What a still picture of a proof shows: what it names, and the first cut.

    Parameters
    ----------
    geo : mapping
        As `reroute_geometry` gives it.
    steps : ProofSteps
    near : sequence of mapping
        Where pairs of segments come nearest.
    held : Holdings

    Returns
    -------
    dict or None
        None where nothing of it has a place.
    """
    cut = next((one.drawn.cut for one in steps.steps if one.drawn.cut), [])
    named = {at for name in steps.named if (at := drawn_at(name, geo, held))}
    named |= {name for pair in steps.pairs for name in pair}
    marks = {**dict.fromkeys(cut, "removed"), **dict.fromkeys(named, "hit")}
    made: dict[str, Any] = {"hazards": geo["hazards"]}
    shown = []
    for role in ("plant", "points"):
        features = []
        for one in geo[role]["features"]:
            told = {k: v for k, v in one["properties"].items() if k != "mark"}
            if one["properties"].get("mark") == "new":
                continue
            if told["id"] in marks:
                told["mark"] = marks[told["id"]]
            features.append({**one, "properties": told})
            if told["id"] in named and told["id"] in marks:
                shown.append(one)
        made[role] = {"type": "FeatureCollection", "features": features}
    shown += [{"geometry": {"type": "Point", "coordinates": one["at"]}} for one in near]
    opening = room_around(shown)
    return None if opening is None else {**made, "opening": opening}


def step_data(steps: ProofSteps, sides: dict[tuple[int, ...], int]) -> list[dict[str, Any]]:
    """The steps of a proof for the map's script.

    Parameters
    ----------
    steps : ProofSteps
    sides : dict of tuple of int to int
        Sides that stand in the page already, each with its place; new ones are added.

    Returns
    -------
    list of dict
        `named`, `pairs` and `cut` by id; `sides` as places among all sides, with their sites.
    """
    return [
        {
            "named": one.drawn.named,
            "pairs": one.drawn.pairs,
            "cut": one.drawn.cut,
            "sides": [
                {"plant": sides.setdefault(tuple(in_runs(plant)), len(sides)), "sites": sites}
                for plant, sites in one.drawn.sides
            ],
        }
        for one in steps.steps
    ]

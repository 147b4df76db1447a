"""A no-pair proof for people and for `recheck`: named edges, and what it says in words."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NotRequired, TypedDict

import numpy as np

from waysapart.arrays import csr_row
from waysapart.reroute.plant.edges import LINK, MEMBER, PORT, STRETCH, GraphNode
from waysapart.reroute.plant.search_graph import END_GAP, HALF_MDB, HALF_NS, ONLY_ONE, Space
from waysapart.reroute.search.no_pair_proof import (
    Beyond,
    Cut,
    Few,
    Fork,
    Leaf,
    Listed,
    NoPairProof,
    Parted,
    ProofFacts,
    Tree,
)
from waysapart.text import sentence_list

_UNITS = {"loss": (HALF_MDB, "dB"), "delay": (HALF_NS, "us")}
_ONE_OF = {"supplies": "supply", "equipment": "equipment"}
"""What one row of a role is called, where it is not the role without its last letter."""
_MOST_NAMED = 4
"""Names in a sentence before the rest are counted."""


EdgeFacts = TypedDict(
    "EdgeFacts",
    {
        "id": str,
        "what": str,
        "ends": list[str],
        "relies_on": list[str],
        "weights": NotRequired[dict[str, int]],
        "at": NotRequired[list[str | None]],
        "member": NotRequired[str],
        "link": NotRequired[str],
        "equipment": NotRequired[str],
        "cable": NotRequired[str],
        "optics": NotRequired[int],
        "from": NotRequired[str],
        "to": NotRequired[str],
        "panels": NotRequired[list[str]],
    },
)
"""An edge of the graph, and what it is on record, by ids.

`at`: the assets at its ends (null: all ends of a group); in a group, the `member` that it
is for. A link has its id; a port its equipment; a stretch its cable, its ends and its
panels. `weights`: its share of each limit that the proof rests on.
"""


class LeftOut(TypedDict):
    """Edges that no path may use, for one reason."""

    because: str
    edges: list[str]


class SegmentPair(TypedDict):
    """Two segments that must not be on different paths, as a risk."""

    id: str
    segments: list[str]


class CourseFacts(TypedDict):
    """A path of a group: its circuit, and its name."""

    circuit: str
    path: str


class NoPairFacts(ProofFacts):
    """A no-pair proof with the graph that it is about.

    `courses`: of a group, which path of which circuit each path is; absent where each is
    of any circuit, no two of one.
    """

    courses: NotRequired[list[CourseFacts]]
    edges: list[EdgeFacts]
    left_out: list[LeftOut]
    pairs: list[SegmentPair]
    stand_for: dict[str, list[str]]
    exempt: list[str]
    optics: list[str]
    keep: list[str] | None


class Names:
    """Ids of nodes and edges of a search, each of them once."""

    def __init__(self, space: Space) -> None:
        self._space = space
        self._several = len(space.edges.optics) > 1
        self.nodes = [self._node(node) for node in space.edges.nodes]
        self.edges = [self._edge(edge) for edge in range(len(space.edges))]
        self.risks = [self._risk(risk) for risk in range(space.graph.n_risks)]

    def _risk(self, risk: int) -> str:
        return self._space.risks.name(risk)

    def _layer(self, layer: int) -> str:
        """The number of the optics, where there are several."""
        return f" ({layer + 1})" if self._several and layer >= 0 else ""

    def _node(self, node: GraphNode) -> str:
        if node.asset < 0:
            return "all ends a" if node.asset == -1 else "all ends b"
        return f"{self._space.ground.names[node.asset]}{self._layer(node.layer)}"

    def _edge(self, edge: int) -> str:
        space, edges = self._space, self._space.edges
        ground = space.ground
        kind, ref, layer = edges.kind[edge], int(edges.ref[edge]), int(edges.layer[edge])
        if kind == LINK:
            name = str(ground.names[len(ground.network.assets) + ref])
            return name if len(space.members) == 1 else f"{name} for {self._member(edge)}"
        if kind == MEMBER:
            return f"{space.members[ref].id} at {self.nodes[int(edges.v[edge])]}"
        if kind == PORT:
            at = self.nodes[int(edges.v[edge])]
            return f"{ground.names[ref]} onto {at}{self._suffix(edge)}"
        stretches = ground.stretches
        cable = ground.study.tables["cables"]["id"].iloc[int(stretches.cable[ref])]
        whole = stretches.first[ref] and stretches.last[ref]
        part = (
            ""
            if whole
            else f" from {ground.names[stretches.a[ref]]} to {ground.names[stretches.b[ref]]}"
        )
        return f"cable {cable}{part}{self._layer(layer)}{self._suffix(edge)}"

    def _suffix(self, edge: int) -> str:
        return "" if len(self._space.members) == 1 else f" for {self._member(edge)}"

    def _member(self, edge: int) -> str:
        return self._space.members[int(self._space.edges.member[edge])].id


def proof_facts(
    space: Space, proof: NoPairProof, courses: Sequence[tuple[int, str]] = ()
) -> NoPairFacts:
    """A no-pair proof as `reroute --json` writes it.

    Parameters
    ----------
    space : Space
        The search graph that the proof is about.
    proof : NoPairProof
    courses : sequence of (int, str)
        Of a group whose paths belong to one circuit each: its number among the members, and the
        name of the path.

    Returns
    -------
    NoPairFacts
        As `NoPairProof.as_dict`, with names; and `edges`, all edges of the graph with
        their ends and what of the proof's risks each relies on; `stand_for`,
        what else goes with each risk; `exempt`, what the ends rely on by
        themselves; `left_out`, why edges stand in `without`; `optics`, for each
        kind of optics a link that has it; `keep`, the edges of a path that stays.
    """
    names = Names(space)
    told = proof.as_dict(names.nodes, names.edges, names.risks)
    risks = sorted(proof.risks() | _forks(proof) | proof.from_start)
    columns = space.risks.matrix[:, risks].tocsr()
    limits = proof.weights()
    ground = space.ground
    in_graph = {int(ref) for ref in space.edges.ref[space.edges.kind == LINK]}
    count = len(ground.network.assets)
    others = [
        str(ground.names[count + link])
        for link in range(len(ground.study.tables["links"]))
        if link not in in_graph
    ]
    kept = space.question.keep
    pairs: list[SegmentPair] = [
        {"id": names.risks[risk], "segments": list(space.risks.pairs[risk])}
        for risk in risks
        if risk in space.risks.pairs
    ]
    pairs += [
        {"id": "/".join(pair), "segments": [*dict.fromkeys(pair)]} for pair in sorted(proof.near())
    ]
    facts: NoPairFacts = {
        **told,  # type: ignore[typeddict-item]
        "without": [*told["without"], *others],
        "edges": [
            _edge_facts(
                space,
                names,
                edge,
                [names.risks[risks[column]] for column in csr_row(columns, edge)],
                limits,
            )
            for edge in range(len(space.edges))
        ],
        "left_out": _left_out(space, names, others),
        "pairs": pairs,
        "stand_for": {
            names.risks[risk]: list(space.risks.assets[risk])
            for risk in risks
            if risk not in space.risks.pairs and len(space.risks.assets[risk]) > 1
        },
        "exempt": space.risks.exempt,
        "optics": _optics(space),
        "keep": None if kept is None else [names.edges[edge] for edge in kept],
    }
    if proof.barred:
        facts["courses"] = [
            {"circuit": space.members[number].id, "path": label} for number, label in courses
        ]
    return facts


def _forks(proof: NoPairProof) -> frozenset[int]:
    return frozenset(risk for fork in _forks_of(proof) for risk in fork.risks)


def _edge_facts(
    space: Space, names: Names, edge: int, relies_on: list[str], limits: Sequence[str]
) -> EdgeFacts:
    edges = space.edges
    kind, ref = edges.kind[edge], int(edges.ref[edge])
    ends = int(space.graph.u[edge]), int(space.graph.v[edge])
    facts: EdgeFacts = {
        "id": names.edges[edge],
        "what": str(kind),
        "ends": [names.nodes[end] for end in ends],
        "relies_on": relies_on,
    }
    if limits:
        facts["weights"] = {name: int(space.graph.weights[name][edge]) for name in limits}
    ground = space.ground
    assets = [edges.nodes[end].asset for end in ends]
    facts["at"] = [str(ground.names[asset]) if asset >= 0 else None for asset in assets]
    if len(space.members) > 1:
        facts["member"] = space.members[ref if kind == MEMBER else int(edges.member[edge])].id
    if kind == LINK:
        facts["link"] = str(ground.names[len(ground.network.assets) + ref])
    elif kind == PORT:
        facts["equipment"] = str(ground.names[ref])
        facts["optics"] = int(edges.layer[edge])
    elif kind == STRETCH:
        stretches = ground.stretches
        facts["cable"] = str(ground.study.tables["cables"]["id"].iloc[int(stretches.cable[ref])])
        facts["optics"] = int(edges.layer[edge])
        facts["from"] = str(ground.names[stretches.a[ref]])
        facts["to"] = str(ground.names[stretches.b[ref]])
        panels = (*stretches.panels_a[ref], *stretches.panels_b[ref])
        facts["panels"] = [str(ground.names[panel]) for panel in panels]
    return facts


def _optics(space: Space) -> list[str]:
    """For each kind of optics that new links may have, a link on record that has it."""
    ground = space.ground
    links = ground.study.tables["links"]["id"].tolist()
    return [str(links[ground.optics.index(one)]) for one in space.edges.optics]


def _left_out(space: Space, names: Names, others: list[str]) -> list[LeftOut]:
    """Edges that no path may use, by reason."""
    found: dict[str, list[str]] = {}
    for edge, because in sorted(space.left_out.items()):
        found.setdefault(because, []).append(names.edges[edge])
    if others:
        found["ends at the relay of another circuit, which passes nothing on"] = others
    return [{"because": because, "edges": edges} for because, edges in found.items()]


def proof_words(space: Space, proof: NoPairProof, courses: Sequence[tuple[int, str]] = ()) -> str:
    """What a no-pair proof says, in a sentence or two.

    Parameters
    ----------
    space : Space
        The search graph that the proof is about.
    proof : NoPairProof
    courses : sequence of (int, str)
        As for `proof_facts`.

    Returns
    -------
    str
    """
    if len(space.members) > 1:
        return _group_words(space, proof, courses)
    names = Names(space)
    ends = f"from {names.nodes[proof.s]} to {names.nodes[proof.t]}"
    if proof.count == 1:
        return _beside_kept(space, names, proof, ends)
    leaves = list(proof.leaves())
    cuts = [leaf for leaf in leaves if isinstance(leaf, (Cut, Few))]
    beyond = [leaf for leaf in leaves if isinstance(leaf, Beyond)]
    risks = sorted(proof.risks())
    if len(risks) == 1 and cuts and not beyond:
        return _one_risk(space, risks[0], cuts[0].edges, ends)
    if not risks and cuts:
        return f"no path on record leads {ends}"
    if len(risks) == 1 and len(beyond) == len(leaves) and not proof.apart():
        return (
            f"a path {ends} without {_named(space, risks[0])} {_over(beyond[0])}, "
            "so both paths would rely on it"
        )
    told = _breaks(proof, leaves)
    if risks:
        which = sentence_list([_named(space, risk) for risk in risks], "or", _MOST_NAMED)
        told.insert(0, f"both rely on one of {which}")
    said = f"whichever paths are taken {ends}, {'; or '.join(told)}"
    over = [leaf for leaf in beyond if not leaf.parted]
    return f"{said}; a path that avoids all of these {_over(over[0])}" if over and risks else said


def _group_words(space: Space, proof: NoPairProof, courses: Sequence[tuple[int, str]]) -> str:
    """Why the paths that a group's test counts cannot be apart."""
    forks = _forks_of(proof)
    shared = sorted({fork.risks[0] for fork in forks if fork.pair is None})
    one_only = [risk for risk in shared if space.risks.assets[risk][0].startswith(ONLY_ONE)]
    near = {space.risks.pairs[risk] for risk in shared if risk in space.risks.pairs}
    near |= proof.near()
    shared = [r for r in shared if r not in one_only and r not in space.risks.pairs]
    leaves = list(proof.leaves())
    beyond = [leaf for leaf in leaves if isinstance(leaf, Beyond)]
    listed = any(isinstance(leaf, Listed) for leaf in leaves)
    ids = [member.id for member in space.members]
    gaps = END_GAP in space.left_out.values() and proof.count >= len(ids)
    if gaps or not (shared or near):
        return _no_path(space, proof, courses)
    if len(shared) == 1 and not (near or one_only or beyond or listed):
        if courses:
            mine = {courses[path][0] for fork in forks for path in fork.between}
            ids = [member.id for member in space.members if member.number in mine]
        told = f"every path of {sentence_list(ids, 'and', _MOST_NAMED)} relies on "
        return told + _named(space, shared[0]) + _at_ends(space, shared[0], ids)
    most = max(len(fork.between) for fork in forks)
    who = "all" if most > 2 else "both" if len(courses or ids) == 2 else "two of them"
    told_all = []
    if shared:
        named = [_named(space, risk) for risk in shared]
        which = sentence_list(named, "or", _MOST_NAMED)
        one_of = "one of " if len(named) > 1 else ""
        told_all.append(f"{who} rely on {one_of}{which}")
    if near:
        named = [f"{one} twice" if one == two else f"{one} and {two}" for one, two in sorted(near)]
        which = sentence_list(named, "or", _MOST_NAMED)
        told_all.append(f"two of them follow {which}, which come too near each other or cross")
    if beyond or listed:
        weights = sorted({w for leaf in beyond for w in (leaf.weight,)} | set(proof.weights()))
        told_all.append(f"one breaks its limit of {' or of '.join(weights)}")
    if one_only:
        told_all.append("two would be of one circuit")
    listed_ids = sentence_list(ids, "and", _MOST_NAMED)
    return f"whichever paths are taken for {listed_ids}, {'; or '.join(told_all)}"


def _no_path(space: Space, proof: NoPairProof, courses: Sequence[tuple[int, str]]) -> str:
    """Say that a circuit of a group has no path that counts, whatever the others have."""
    ground, edges = space.ground, space.edges
    bad = [edge for edge, because in space.left_out.items() if because == END_GAP]
    if bad:
        ends = sorted({str(ground.names[edges.nodes[int(edges.v[edge])].asset]) for edge in bad})
        rely = "relies" if len(ends) == 1 else "rely"
        return (
            f"{sentence_list(ends, 'and', _MOST_NAMED)} {rely} on something with a record gap, "
            "and so does every path that ends there: close the gap, then search again"
        )
    mine = {
        courses[leaf.path][0] for leaf in proof.leaves() if courses and not isinstance(leaf, Few)
    }
    ids = [member.id for member in space.members if not mine or member.number in mine]
    beyond = [leaf for leaf in proof.leaves() if isinstance(leaf, Beyond)]
    if beyond:
        return f"every path of {sentence_list(ids, 'or', _MOST_NAMED)} {_over(beyond[0])}"
    told = f"no path that counts leads from end to end of {sentence_list(ids, 'or', _MOST_NAMED)}"
    reasons = sorted(set(space.left_out.values()))
    return f"{told}; links and cables are left out ({'; '.join(reasons)})" if reasons else told


def _forks_of(proof: NoPairProof) -> list[Fork]:
    found: list[Fork] = []
    pending: list[Tree] = [proof.tree]
    while pending:
        tree = pending.pop()
        if isinstance(tree, Fork):
            found.append(tree)
        if isinstance(tree, (Fork, Parted)):
            pending += tree.then
    return found


def _at_ends(space: Space, risk: int, ids: Sequence[str]) -> str:
    """Which end of each circuit relies on a risk by itself; empty where one has no such end."""
    edges, matrix = space.edges, space.risks.matrix
    ends: dict[str, str] = {}
    for edge in np.flatnonzero(edges.kind == MEMBER).tolist():
        if risk in csr_row(matrix, edge):
            name = str(space.ground.names[edges.nodes[int(edges.v[edge])].asset])
            ends.setdefault(space.members[int(edges.ref[edge])].id, name)
    if not set(ids) <= set(ends):
        return ""
    named = sorted({ends[name] for name in ids})
    rely = "relies" if len(named) == 1 else "rely"
    return f", because {sentence_list(named, 'and', _MOST_NAMED)}, where they end, {rely} on it"


def _beside_kept(space: Space, names: Names, proof: NoPairProof, ends: str) -> str:
    """Why no path is left beside the one that stays."""
    kept = ", ".join(names.edges[edge] for edge in space.question.keep or ())
    told = []
    if proof.risks():
        named = sentence_list(
            [_named(space, risk) for risk in sorted(proof.risks())], "or", _MOST_NAMED
        )
        told.append(f"relies on {named}, as {kept} does")
    for weight, most in proof.apart().items():
        scale, unit = _UNITS[weight]
        told.append(f"differs from {kept} by more than {most / scale:.4g} {unit} of {weight}")
    weights = {w for w in proof.weights() if w in proof.limits.most} - set(proof.apart())
    told += [f"breaks the limit of {weight}" for weight in sorted(weights)]
    return f"every other path {ends} {', or '.join(told) or 'is cut off'}"


def _breaks(proof: NoPairProof, leaves: Sequence[Leaf]) -> list[str]:
    """Limits, other than one on a single path alone, on which a proof rests."""
    told = []
    for weight, most in proof.apart().items():
        scale, unit = _UNITS[weight]
        told.append(f"they differ by more than {most / scale:.4g} {unit} of {weight}")
    together = {
        one.weight
        for leaf in leaves
        if isinstance(leaf, Listed) and not leaf.parted
        for one in leaf.within
    }
    if len(together) > 1:
        told.append(f"one breaks its limit of {' or of '.join(sorted(together))}")
    return told


def _over(leaf: Beyond) -> str:
    scale, unit = _UNITS[leaf.weight]
    return (
        f"would come to at least {leaf.least / scale:.4g} {unit} of {leaf.weight} where "
        f"{leaf.most / scale:.4g} {unit} are allowed"
    )


def _one_risk(space: Space, risk: int, cut: Sequence[int], ends: str) -> str:
    """Say that every path relies on one thing, through what, and what that lies in."""
    if risk in space.risks.pairs:
        one, other = space.risks.pairs[risk]
        return (
            f"every path {ends} follows {one} or {other}, which come too near each other or cross"
        )
    name = space.risks.assets[risk][0]
    through = _through(space, risk, cut)
    if not through or through == [name]:
        return f"every path {ends} relies on {_named(space, risk)}"
    which = sentence_list([_with_kind(space, one) for one in through], "or", _MOST_NAMED)
    alike = "it relies" if len(through) == 1 else "they rely"
    return f"every path {ends} passes {which}; {alike} on one thing: {_with_kind(space, name)}"


def _through(space: Space, risk: int, cut: Sequence[int]) -> list[str]:
    """What on each edge of a cut relies directly on the risk."""
    ground = space.ground
    count = len(ground.network.assets)
    asset = int(ground.network.assets.numbers([space.risks.assets[risk][0]])[0])
    if asset < 0:
        return []
    reliance = ground.reliance
    direct = np.asarray((reliance.steps + reliance.works)[:, [asset]].todense()).ravel() > 0
    found: dict[str, None] = {}
    roles = ground.network.assets.frame["role"].to_numpy()
    order = {role: place for place, role in enumerate(("structures", "segments", "equipment"))}
    for edge in cut:
        row = csr_row(space.edges.rows, edge)
        row = row[row < count]
        leads = sorted(
            row[direct[row]].tolist(),
            key=lambda n: (order.get(str(roles[n]), len(order)), str(ground.names[n])),
        )
        if asset in row and not leads:
            found[str(ground.names[asset])] = None
        elif leads:
            found[str(ground.names[leads[0]])] = None
    return list(found)


def _named(space: Space, risk: int) -> str:
    if risk in space.risks.pairs:
        one, other = space.risks.pairs[risk]
        return f"{one} and {other} (too near each other, or crossing)"
    return _with_kind(space, space.risks.assets[risk][0])


def _with_kind(space: Space, name: str) -> str:
    frame = space.ground.network.assets.frame
    number = int(space.ground.network.assets.numbers([name])[0])
    if number < 0:
        return f"hop {name}"
    kind = frame["kind"].iloc[number]
    role = _ONE_OF.get(role := str(frame["role"].iloc[number]), role.removesuffix("s"))
    return f"{kind if isinstance(kind, str) else role} {name}"

"""A no-pair proof for people and for `recheck`: named edges, and what it says in words."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NotRequired, TypedDict

import numpy as np

from waysapart.arrays import csr_row
from waysapart.reroute.plant.edges import LINK, MEMBER, PORT, STRETCH, GraphNode
from waysapart.reroute.plant.search_graph import HALF_MDB, HALF_NS, Space
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


class NoPairFacts(ProofFacts):
    """A no-pair proof with the graph that it is about."""

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


def proof_facts(space: Space, proof: NoPairProof) -> NoPairFacts:
    """A no-pair proof as `reroute --json` writes it.

    Parameters
    ----------
    space : Space
        The search graph that the proof is about.
    proof : NoPairProof

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
    return {
        **told,
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
        "pairs": [
            {"id": names.risks[risk], "segments": list(space.risks.pairs[risk])}
            for risk in risks
            if risk in space.risks.pairs
        ],
        "stand_for": {
            names.risks[risk]: list(space.risks.assets[risk])
            for risk in risks
            if risk not in space.risks.pairs and len(space.risks.assets[risk]) > 1
        },
        "exempt": space.risks.exempt,
        "optics": _optics(space),
        "keep": None if kept is None else [names.edges[edge] for edge in kept],
    }


def _forks(proof: NoPairProof) -> frozenset[int]:
    found: set[int] = set()
    pending: list[Tree] = [proof.tree]
    while pending:
        tree = pending.pop()
        if isinstance(tree, Fork):
            found.add(tree.risk)
        if isinstance(tree, (Fork, Parted)):
            pending += tree.then
    return frozenset(found)


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


def proof_words(space: Space, proof: NoPairProof) -> str:
    """What a no-pair proof says, in a sentence or two.

    Parameters
    ----------
    space : Space
        The search graph that the proof is about.
    proof : NoPairProof

    Returns
    -------
    str
    """
    names = Names(space)
    ends = f"from {names.nodes[proof.s]} to {names.nodes[proof.t]}"
    if proof.ways == 1:
        return _beside_kept(space, names, proof, ends)
    leaves = list(proof.leaves())
    cuts = [leaf for leaf in leaves if isinstance(leaf, (Cut, Few))]
    beyond = [leaf for leaf in leaves if isinstance(leaf, Beyond)]
    risks = sorted(proof.risks())
    if len(risks) == 1 and cuts and not beyond:
        return _one_risk(space, risks[0], cuts[0].edges, ends)
    if not risks and cuts:
        return f"no way on record leads {ends} at all"
    if len(risks) == 1 and len(beyond) == len(leaves) and not proof.apart():
        return (
            f"a way {ends} without {_named(space, risks[0])} {_over(beyond[0])}, "
            "so both ways would rely on it"
        )
    told = _breaks(proof, leaves)
    if risks:
        which = sentence_list([_named(space, risk) for risk in risks], "or", _MOST_NAMED)
        told.insert(0, f"both rely on one of {which}")
    said = f"whichever ways are taken {ends}, {'; or '.join(told)}"
    over = [leaf for leaf in beyond if not leaf.parted]
    return f"{said}; what goes round all that {_over(over[0])}" if over and risks else said


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
    return f"every other way {ends} {', or '.join(told) or 'is cut off'}"


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
        return f"every way {ends} follows {one} or {other}, which come too near each other or cross"
    name = space.risks.assets[risk][0]
    through = _through(space, risk, cut)
    if not through or through == [name]:
        return f"every way {ends} relies on {_named(space, risk)}"
    which = sentence_list([_with_kind(space, one) for one in through], "or", _MOST_NAMED)
    alike = "it relies" if len(through) == 1 else "they rely"
    return f"every way {ends} passes {which}; {alike} on one thing: {_with_kind(space, name)}"


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
    role = str(frame["role"].iloc[number]).removesuffix("s")
    return f"{kind if isinstance(kind, str) else role} {name}"

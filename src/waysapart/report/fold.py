"""Shared assets as people want them: holders under what they hold, spans of one line as one.

A cable wrapped on an earth wire shares every span and tower of a line with it. That is one
finding to a reader, not sixty; and so are the joints of a cable that both paths use.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from waysapart.report.marks import plural

Facts = Mapping[str, Any]
_ROLES = {"joints": "joint", "links": "link", "supplies": "supply", "hazards": "hazard"}

Chains = tuple[tuple[str, tuple[str, ...]], ...]


@dataclass
class Finding:
    """One thing that is shared, as it is shown.

    Attributes
    ----------
    members : list of mapping
        One shared asset; or the segments, two or more, that the same cables
        of the same links pass through on every path; or the joints that every
        path comes to rely on in the same way.
    places : list of mapping
        Structures that are shared because they carry these segments.
    holders : list of mapping
        What is shared only because these lie in it.
    """

    members: list[Facts]
    places: list[Facts] = field(default_factory=list)
    holders: list[Facts] = field(default_factory=list)

    @property
    def waived(self) -> bool:
        """Whether all of it is accepted."""
        everything = [*self.members, *self.places, *self.holders]
        return all(bool(one.get("waived")) for one in everything)

    @property
    def label(self) -> str:
        """`pit P-9`; `30 spans N1-S01 to N1-S30`; an id that begins with its kind stands alone."""
        first = self.members[0]
        kind, name = kind_of(first), str(first["asset"])
        if len(self.members) == 1:
            return name if name.startswith(f"{kind}-") else f"{kind} {name}"
        last = self.members[-1]
        kinds = {kind_of(one) for one in self.members}
        what = kind if len(kinds) == 1 else _ROLES.get(str(first.get("role")), "segment")
        return f"{plural(len(self.members), what)} {first['asset']} to {last['asset']}"


def kind_of(found: Facts) -> str:
    """What a shared asset is, in a word or two: `pit`, `wrapped cable`."""
    kind = str(found.get("kind") or "")
    if found.get("role") == "cables":
        return f"{kind} cable".strip()
    role = str(found.get("role") or "asset")
    return kind or _ROLES.get(role, role)


def chains_of(found: Facts) -> dict[str, list[str]]:
    """Path label to the chain that leads to a shared asset."""
    chains = {str(label): [str(x) for x in chain] for label, chain in _given(found)}
    return {label: chain for label, chain in chains.items() if chain}


def _given(found: Facts) -> Iterable[tuple[str, Sequence[str]]]:
    yield from (found.get("via") or {}).items()
    yield from ((key[:-4], value or []) for key, value in found.items() if key.endswith("_via"))


def folded(shared: Iterable[Facts]) -> list[Finding]:
    """Findings in the order of the facts, those that are accepted last.

    Parameters
    ----------
    shared : iterable of mapping
        `shared` of a circuit or group.

    Returns
    -------
    list of Finding
        Every shared asset stands in exactly one of them.
    """
    found = list(shared)
    by_asset = {str(one["asset"]): one for one in found}
    heads: dict[str, Finding] = {}
    stretches: dict[tuple[Chains, bool], Finding] = {}
    joints: dict[tuple[Chains, bool], Finding] = {}
    others: list[Facts] = []
    holders: list[Facts] = []
    for one in found:
        if _head_of(one, by_asset) is not one:
            holders.append(one)
        elif one.get("role") in ("segments", "joints") and chains_of(one):
            alike = stretches if one["role"] == "segments" else joints
            finding = alike.setdefault(_key(one, 0), Finding([]))
            finding.members.append(one)
            heads[str(one["asset"])] = finding
        else:
            others.append(one)
    rest: list[Finding] = []
    for one in others:
        line = stretches.get(_key(one, 1)) if one.get("role") == "structures" else None
        if line and len(line.members) > 1 and _on(one, line):
            line.places.append(one)
            heads[str(one["asset"])] = line
        else:
            rest.append(Finding([one]))
            heads[str(one["asset"])] = rest[-1]
    for one in holders:
        heads[str(_head_of(one, by_asset)["asset"])].holders.append(one)
    order = {id(one): place for place, one in enumerate(found)}
    findings = [*stretches.values(), *joints.values(), *rest]
    findings.sort(key=lambda f: (f.waived, len(f.members) == 1, order[id(f.members[0])]))
    return findings


def _key(found: Facts, less: int) -> tuple[Chains, bool]:
    """The chains, each without its last `less` links, and whether the asset is accepted."""
    chains = chains_of(found)
    cut = tuple((label, tuple(chain[: len(chain) - less])) for label, chain in chains.items())
    return cut, bool(found.get("waived"))


def _on(place: Facts, finding: Finding) -> bool:
    """Whether every chain to a structure comes through a segment of the finding."""
    segments = {str(one["asset"]) for one in finding.members}
    return all(chain[-1] in segments for chain in chains_of(place).values())


def _head_of(found: Facts, by_asset: Mapping[str, Facts]) -> Facts:
    """What a holder is shown under; itself, where the facts name it through itself."""
    head, seen = found, {str(found["asset"])}
    while str(head.get("through")) in by_asset:
        head = by_asset[str(head["through"])]
        if str(head["asset"]) in seen:
            return found
        seen.add(str(head["asset"]))
    return head

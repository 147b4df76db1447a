"""Shared assets as people want them: a stretch of neighbours as one, holders under what they hold.

A cable wrapped on an earth wire shares every span and tower of a line with it. That is one
finding to a reader, not sixty.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from waysapart.report.marks import plural

Facts = Mapping[str, Any]
_ROLES = {"joints": "joint", "links": "link", "supplies": "supply", "hazards": "hazard"}
_SEVERAL = {"joints": "joint", "segments": "segment", "structures": "structure"}


@dataclass
class Finding:
    """One thing that is shared, as it is shown: a stretch of the facts.

    Attributes
    ----------
    members : list of mapping
        Its segments in the order of the first path; where it has none, everything in it.
    places : list of mapping
        The structures and joints between and on these segments.
    holders : list of mapping
        What is shared only because these lie in it.
    via : dict of str to list of str
        By path, the chain that leads to all of it.
    along : dict of str to (float, float)
        By path, from where to where along its line, in metres.
    waived : bool
        It is accepted.
    """

    members: list[Facts]
    places: list[Facts] = field(default_factory=list)
    holders: list[Facts] = field(default_factory=list)
    via: dict[str, list[str]] = field(default_factory=dict)
    along: dict[str, tuple[float, float]] = field(default_factory=dict)
    waived: bool = False

    @property
    def label(self) -> str:
        """`pit P-9`; `30 spans N1-S01 to N1-S30`; an id that begins with its kind stands alone."""
        first = self.members[0]
        kind, name = kind_of(first), str(first["asset"])
        if len(self.members) == 1:
            return name if name.startswith(f"{kind}-") else f"{kind} {name}"
        last = self.members[-1]
        kinds = {kind_of(one) for one in self.members}
        what = kind if len(kinds) == 1 else _SEVERAL.get(str(first.get("role")), "asset")
        return f"{plural(len(self.members), what)} {first['asset']} to {last['asset']}"


def kind_of(found: Facts) -> str:
    """What a shared asset is, in a word or two: `pit`, `wrapped cable`."""
    kind = str(found.get("kind") or "")
    if found.get("role") == "cables":
        return f"{kind} cable".strip()
    role = str(found.get("role") or "asset")
    return kind or _ROLES.get(role, role)


def folded(one: Facts) -> list[Finding]:
    """Findings of a circuit or group, stretches of several first, those that are accepted last.

    Parameters
    ----------
    one : mapping
        Facts of a circuit or group; what lacks `stretches` shares nothing.

    Returns
    -------
    list of Finding
        Every shared asset stands in exactly one of them.
    """
    entries = {str(entry["asset"]): entry for entry in one.get("shared", [])}
    found = []
    for stretch in one.get("stretches", []):
        members = [entries[name] for name in stretch["members"]]
        segments = [member for member in members if member.get("role") == "segments"]
        found.append(
            Finding(
                segments or members,
                [member for member in members if segments and member not in segments],
                [entries[name] for name in stretch["holders"]],
                {label: list(chain) for label, chain in stretch["via"].items()},
                {label: (at["from_m"], at["to_m"]) for label, at in stretch["along"].items()},
                bool(stretch["waived"])
                and all(bool(entries[name].get("waived")) for name in stretch["holders"]),
            )
        )
    return sorted(found, key=lambda finding: (finding.waived, len(finding.members) == 1))

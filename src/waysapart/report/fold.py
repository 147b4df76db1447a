"""Shared assets as people want them: a stretch of neighbours as one, holders under what they hold.

A cable wrapped on an earth wire shares every span and tower of a line with it. That is one
finding to a reader, not sixty.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from waysapart.evidence import HeldApart, Shared, WithProtected
from waysapart.report.marks import plural

_ROLES = {"joints": "joint", "links": "link", "supplies": "supply", "hazards": "hazard"}
_SEVERAL = {"joints": "joint", "segments": "segment", "structures": "structure"}


@dataclass(frozen=True)
class Finding:
    """One thing that is shared, as it is shown: a stretch of the facts.

    Attributes
    ----------
    members : sequence of Shared
        Its segments in the order of the first path; where it has none, everything in it.
    places : sequence of Shared
        The structures and joints between and on these segments.
    holders : sequence of Shared
        What is shared only because these lie in it.
    via : dict of str to list of str
        By path, the chain that leads to all of it.
    along : dict of str to (float, float)
        By path, from where to where along its line, in metres.
    waived : bool
        It is accepted.
    """

    members: Sequence[Shared]
    places: Sequence[Shared]
    holders: Sequence[Shared]
    via: dict[str, list[str]]
    along: dict[str, tuple[float, float]]
    waived: bool

    @property
    def label(self) -> str:
        """`pit P-9`; `30 spans N1-S01 to N1-S30`; an id that begins with its kind stands alone."""
        first = self.members[0]
        kind, name = kind_of(first), first["asset"]
        if len(self.members) == 1:
            return name if name.startswith(f"{kind}-") else f"{kind} {name}"
        last = self.members[-1]
        kinds = {kind_of(one) for one in self.members}
        what = kind if len(kinds) == 1 else _SEVERAL.get(first["role"], "asset")
        return f"{plural(len(self.members), what)} {first['asset']} to {last['asset']}"


def kind_of(found: Shared | WithProtected) -> str:
    """What a shared asset is, in a word or two: `pit`, `wrapped cable`."""
    kind, role = found["kind"] or "", found["role"]
    if role == "cables":
        return f"{kind} cable".strip()
    return kind or _ROLES.get(role, role)


def folded(one: HeldApart) -> list[Finding]:
    """Findings of a circuit or group, stretches of several first, those that are accepted last.

    Parameters
    ----------
    one : HeldApart
        Facts of a circuit or group.

    Returns
    -------
    list of Finding
        Every shared asset stands in exactly one of them.
    """
    entries = {entry["asset"]: entry for entry in one["shared"]}
    found = []
    for stretch in one["stretches"]:
        members = [entries[name] for name in stretch["members"]]
        segments = [member for member in members if member["role"] == "segments"]
        found.append(
            Finding(
                segments or members,
                [member for member in members if segments and member not in segments],
                [entries[name] for name in stretch["holders"]],
                stretch["via"],
                {label: (at["from_m"], at["to_m"]) for label, at in stretch["along"].items()},
                stretch["waived"] and all(entries[name]["waived"] for name in stretch["holders"]),
            )
        )
    return sorted(found, key=lambda finding: (finding.waived, len(finding.members) == 1))

"""Findings in stretches: what paths share, by where it is along them.

A finding is one shared asset or a whole stretch of them: a cable wrapped on an earth wire shares
every span and tower of the line with it, and a reader wants that as one finding, not as sixty.
Findings that follow each other without a gap on every path, cable by cable and site by site, are
one and the same route, and are named by where it is.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any, cast

from waysapart.evidence import HeldApart, Path, Shared, WithProtected
from waysapart.report.marks import id_runs
from waysapart.text import plural, sentence_list

_ROLES = {"joints": "joint", "links": "link", "supplies": "supply", "hazards": "hazard"}
_SEVERAL = {"joints": "joint", "segments": "segment", "structures": "structure"}
_MOST_KINDS = 3
_MOST_LABELS = 3
_LONG_M = 1000.0
"""One segment longer than this, a whole line as one polyline, is named with where it lies."""
_MEET_M = 1.0
"""Shared stretches no farther apart than this follow each other."""

Places = Mapping[str, tuple[float, float]]
"""By path, from and to along its line, in metres."""


@dataclass(frozen=True)
class Finding:
    """One shared asset, or one stretch of shared assets, as it is shown.

    Attributes
    ----------
    members : sequence of Shared
        Its segments in the order of the first path; where it has none, everything in it.
    places : sequence of Shared
        The structures and joints between and on these segments.
    holders : sequence of Shared
        What is shared only because these lie within it.
    via : dict of str to list of str
        By path, the chain of reliance that leads to all of it.
    along : dict of str to (float, float)
        By path, from and to along its line, in metres.
    waived : bool
        Whether it is accepted.
    """

    members: Sequence[Shared]
    places: Sequence[Shared]
    holders: Sequence[Shared]
    via: dict[str, list[str]]
    along: dict[str, tuple[float, float]]
    waived: bool

    @property
    def needed(self) -> bool:
        """Whether it is what equipment needs, such as a clock or a controller, and nothing else."""
        return all(member["needed"] for member in self.members)

    @property
    def assets(self) -> list[Shared]:
        """Every shared asset of it."""
        return [*self.members, *self.places, *self.holders]

    @property
    def label(self) -> str:
        """`pit P-9`; `30 spans N1-S01 to N1-S30, 0.2 to 9.2 km`.

        An id that begins with its kind stands alone. Several kinds are counted, and ids stand only
        where they count up from the first to the last.
        """
        first = self.members[0]
        kind, name = kind_of(first), first["asset"]
        if len(self.members) == 1:
            label = name if name.startswith(f"{kind}-") else f"{kind} {name}"
            extent = max((high - low for low, high in self.along.values()), default=0.0)
            return f"{label}{self._where}" if extent > _LONG_M else label
        kinds: dict[str, int] = {}
        for one in self.members:
            kinds[kind_of(one)] = kinds.get(kind_of(one), 0) + 1
        if len(kinds) > 1 and len(self.members) <= _MOST_LABELS:
            every = [f"{kind_of(one)} {one['asset']}" for one in self.members]
            return f"{sentence_list(every)}{self._where}"
        if len(kinds) > _MOST_KINDS:
            kinds = {_SEVERAL.get(first["role"], "asset"): len(self.members)}
        said = sentence_list([plural(number, what) for what, number in kinds.items()])
        runs = id_runs(one["asset"] for one in self.members)
        if len(runs) == 1:
            return f"{said} {runs[0][0]} to {runs[0][1]}{self._where}"
        names = [one["asset"] for one in self.members]
        if len(names) <= _MOST_LABELS:
            return f"{said} {sentence_list(names)}{self._where}"
        return f"{said}{self._where}"

    @property
    def _where(self) -> str:
        said = along_paths(self.along)
        return f", {said}" if said else ""


def folded(one: HeldApart) -> list[Finding]:
    """Findings of a circuit or group in the order of its first path, accepted ones last.

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
    return sorted(found, key=lambda finding: finding.waived)


@dataclass(frozen=True)
class SharedRoute:
    """Findings that follow each other without a gap on every path, or one finding by itself.

    Attributes
    ----------
    findings : sequence of Finding
        In the order of the first path.
    numbers : sequence of int
        Their places in `folded`.
    along : dict of str to (float, float)
        By path, from and to along its line, in metres; empty for what lies on no line.
    """

    findings: Sequence[Finding]
    numbers: Sequence[int]
    along: dict[str, tuple[float, float]]

    @property
    def waived(self) -> bool:
        """Whether all of it is accepted."""
        return all(finding.waived for finding in self.findings)

    @property
    def needed(self) -> bool:
        """Whether all of it is what equipment needs."""
        return all(finding.needed for finding in self.findings)

    @cached_property
    def through(self) -> dict[str, list[str]]:
        """By path, the chain of reliance of one finding; of several, the links that it is on."""
        if len(self.findings) == 1:
            return self.findings[0].via
        through: dict[str, list[str]] = {}
        for finding in self.findings:
            for path, chain in finding.via.items():
                links = through.setdefault(path, [])
                links += [link for link in chain[:1] if link not in links]
        return through

    @cached_property
    def count(self) -> int:
        """Number of shared assets in it."""
        return sum(len(finding.assets) for finding in self.findings)

    @cached_property
    def laid(self) -> bool:
        """Whether the paths share segments there, so that their course is the same."""
        return any(one["role"] == "segments" for f in self.findings for one in f.members)

    @cached_property
    def label(self) -> str:
        """`pit P-9`; `one and the same route, 0 to 302 km, 966 assets`."""
        if len(self.findings) == 1:
            return self.findings[0].label
        if self.laid:
            where = along_paths(self.along)
            return f"one and the same route, {f'{where}, ' if where else ''}{self.count} assets"
        return sentence_list([finding.label for finding in self.findings], most=_MOST_LABELS)


def shared_routes(one: HeldApart) -> list[SharedRoute]:
    """Findings of a circuit or group put together where they follow each other on every path.

    Parameters
    ----------
    one : HeldApart
        Facts of a circuit or group.

    Returns
    -------
    list of SharedRoute
        In the order of the first path, accepted ones last; every finding stands in exactly one.
        What lies off the line, such as a cable, a site, or the equipment of a link that all paths
        use, stands with the stretch that it belongs to.
    """
    findings = folded(one)
    told = cast(Mapping[str, Any], one).get("routes")
    if told is not None:  # rounded for readers outside: where things follow each other is told
        return [route_of(findings, numbers) for numbers in told]
    links = {label: path["links"] for label, path in paths_of(one).items()}
    placed = [k for k, f in enumerate(findings) if f.along and set(f.along) == set(f.via)]
    placed.sort(key=lambda k: (findings[k].waived, *next(iter(findings[k].along.values()))))
    parts: list[list[int]] = []
    hulls: list[dict[str, tuple[float, float]]] = []
    for k in placed:
        finding = findings[k]
        for part, hull in zip(reversed(parts), reversed(hulls), strict=True):
            if _follows(finding, [findings[n] for n in part], hull, links):
                part.append(k)
                for label, (low, high) in finding.along.items():
                    hull[label] = min(hull[label][0], low), max(hull[label][1], high)
                break
        else:
            parts.append([k])
            hulls.append(dict(finding.along))
    alone: list[int] = []
    for k, finding in enumerate(findings):
        if k in placed:
            continue
        home = next(
            (part for part in parts if _belongs(finding, [findings[n] for n in part])), None
        )
        (alone if home is None else home).append(k)
    found = [
        SharedRoute([findings[k] for k in sorted(part)], sorted(part), hull)
        for part, hull in zip(parts, hulls, strict=True)
    ]
    found += [SharedRoute([findings[k]], [k], {}) for k in alone]
    return sorted(found, key=lambda route: route.numbers[0])


def paths_of(one: HeldApart) -> Mapping[str, Path]:
    """Paths of a circuit, by label; a group has none of its own."""
    found: Mapping[str, Path] = cast(Mapping[str, Any], one).get("paths") or {}
    return found


def route_of(findings: Sequence[Finding], numbers: Sequence[int]) -> SharedRoute:
    """The shared route that some findings make.

    Parameters
    ----------
    findings : sequence of Finding
        From `folded`.
    numbers : sequence of int
        Their places in it, as `shared_routes` put them together.

    Returns
    -------
    SharedRoute
    """
    some = [findings[k] for k in numbers]
    along: dict[str, tuple[float, float]] = {}
    for finding in some:
        for label, (low, high) in finding.along.items():
            before = along.get(label, (low, high))
            along[label] = min(before[0], low), max(before[1], high)
    return SharedRoute(some, numbers, along)


def _follows(
    finding: Finding,
    others: Sequence[Finding],
    hull: Places,
    links: Mapping[str, Sequence[str]],
) -> bool:
    """Whether a finding meets a part on every path, with no hop of another kind between."""
    if finding.waived != others[0].waived or finding.along.keys() != hull.keys():
        return False
    for label, (low, high) in finding.along.items():
        if max(low - hull[label][1], hull[label][0] - high) > _MEET_M:
            return False
        mine = finding.via[label][0]
        theirs = {other.via[label][0] for other in others}
        order = links.get(label, ())
        near = {n for k, name in enumerate(order) if name == mine for n in (k - 1, k + 1)}
        next_to = {order[k] for k in near if 0 <= k < len(order)}
        if mine not in theirs and not theirs & next_to:
            return False
    return True


def _belongs(finding: Finding, others: Sequence[Finding]) -> bool:
    """Whether something off the line is of a shared route: what holds, ends or uses its line."""
    if finding.waived != others[0].waived or finding.members[0]["role"] == "hazards":
        return False
    first = {chain[0] for chain in finding.via.values() if chain}
    own = finding.members[0]["asset"]
    for other in others:
        if finding.via.keys() != other.via.keys() or not all(other.via.values()):
            continue
        same_link = len(first) == 1 and all(chain[0] in first for chain in other.via.values())
        names = [one["asset"] for one in other.members]
        if same_link or all(
            _leads(chain, own, other.via[label], names) for label, chain in finding.via.items()
        ):
            return True
    return False


def _leads(chain: Sequence[str], own: str, other: Sequence[str], names: Sequence[str]) -> bool:
    """Whether one of two chains of reliance is the beginning of the other."""
    here = [*chain, own]
    if here == list(other[: len(here)]):
        return True
    whole = len(other)
    return list(chain[:whole]) == list(other) and len(chain) > whole and chain[whole] in names


def along_paths(along: Places) -> str:
    """Where a stretch lies: `0.4 to 13.6 km`; of which path, where that differs between them.

    Parameters
    ----------
    along : mapping of str to (float, float)
        By path, from and to along its line, in metres.

    Returns
    -------
    str
        Along the first path; empty where it lies on no line.

    Examples
    --------
    >>> along_paths({"main": (400.0, 13_600.0), "alternate": (400.0, 13_600.0)})
    '0.4 to 13.6 km'
    >>> along_paths({"main": (0.0, 800.0), "alternate": (4000.0, 4800.0)})
    '0 to 800 m along main'
    """
    if not along:
        return ""
    label, (low, high) = next(iter(along.items()))
    same = max(max(abs(low - a), abs(high - b)) for a, b in along.values())
    if not label.strip() or same <= max(0.02 * (high - low), 50.0):
        return from_to(low, high)
    return f"{from_to(low, high)} along {label}"


def from_to(low_m: float, high_m: float) -> str:
    """A stretch of a path by its ends, to a hundredth of its length or finer.

    Parameters
    ----------
    low_m, high_m : float
        In metres from end a.

    Returns
    -------
    str

    Examples
    --------
    >>> from_to(400.0, 13_600.0), from_to(0.0, 302_000.0), from_to(181.0, 640.4)
    ('0.4 to 13.6 km', '0 to 302 km', '181 to 640 m')
    >>> from_to(144_230.0, 144_480.0), from_to(12.0, 12.3)
    ('144.23 to 144.48 km', 'at 12 m')
    """
    extent = high_m - low_m
    if high_m < 1000:
        return f"at {low_m:.0f} m" if extent < 1 else f"{low_m:.0f} to {high_m:.0f} m"
    if extent < 1:
        return f"at {low_m / 1000:.2f} km"
    digits = 0 if extent >= 100_000 else 1 if extent >= 1000 else 2 if extent >= 100 else 3
    low, high = (f"{value / 1000:.{digits}f}" for value in (low_m, high_m))
    low, high = (one if float(one) else "0" for one in (low, high))
    return f"{low} to {high} km"


def kind_of(found: Shared | WithProtected) -> str:
    """Kind of a shared asset in words: `pit`, `wrapped cable`.

    Parameters
    ----------
    found : mapping
        Its entry in the evidence.

    Returns
    -------
    str
        Its role where it has no kind.
    """
    kind, role = found["kind"] or "", found["role"]
    if role == "cables":
        return f"{kind} cable".strip()
    return kind or _ROLES.get(role, role)

"""Whether a circuit, group or scheme got better or worse.

`changes` puts the entries of two proofs beside each other by id. What counts, and how far a figure
may move before it does, stands in `waysapart.whatif.reasons`: anything worse makes the change
worse, whatever else got better, and both are listed. A new circuit and one that is gone are neither
better nor worse.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Any, TypedDict

from waysapart.whatif.aspects import PathReliance
from waysapart.whatif.audit import DifferenceCause
from waysapart.whatif.reasons import (
    BETTER,
    COST,
    WORSE,
    Facts,
    Reason,
    ReasonFacts,
    findings,
    less,
    reasons,
)

SAME, NEW, GONE = "same", "new", "gone"
CHANGES = (WORSE, BETTER, SAME, NEW, GONE)


class BeforeAfter(TypedDict):
    """A value on both sides; null: not there, or not known."""

    before: Any
    after: Any


class LessOnRecord(TypedDict):
    """A path over the same links that relies on fewer things than before."""

    path: str
    relies_on: BeforeAfter
    route_m: BeforeAfter


class DifferenceFacts(TypedDict):
    """How one circuit, group or scheme changed, as plain data."""

    id: str
    before: str | None
    after: str | None
    change: str
    within_limits: BeforeAfter
    why: list[str]
    worse: list[str]
    better: list[str]
    costs: list[str]
    reasons: list[ReasonFacts]
    went: dict[str, list[Any]]
    came: dict[str, list[Any]]
    figures: dict[str, BeforeAfter]
    differs: bool
    less_on_record: list[LessOnRecord]
    moved: list[str]
    relies: list[PathReliance]
    causes: list[DifferenceCause]


@dataclass(frozen=True)
class Difference:
    """How one circuit, group or scheme changed.

    Attributes
    ----------
    id : str
    before, after : str or None
        Verdicts; None: not there.
    within_before, within_after : bool or None
    change : str
        worse, better, same, new or gone.
    reasons : tuple of Reason
        Each thing that got better or worse by more than its tolerance.
    went, came : dict of str to list
        Findings: `shared`, `near`, `cross`, `silent` (what it protects, whose fall leaves it
        no path), `gaps`.
    figures : dict
        Figure to (before, after), those that differ.
    less_on_record : list of dict
        Paths over the same links that rely on fewer things than before: plant was removed,
        or a record is missing; the records do not tell which.
    """

    id: str
    before: str | None
    after: str | None
    within_before: bool | None
    within_after: bool | None
    change: str
    reasons: tuple[Reason, ...] = ()
    went: Mapping[str, list[Any]] = field(default_factory=dict)
    came: Mapping[str, list[Any]] = field(default_factory=dict)
    figures: Mapping[str, tuple[Any, Any]] = field(default_factory=dict)
    less_on_record: Sequence[LessOnRecord] = ()

    @property
    def worse(self) -> tuple[str, ...]:
        """What got worse, in words."""
        return self._said(WORSE)

    @property
    def better(self) -> tuple[str, ...]:
        """What got better, in words."""
        return self._said(BETTER)

    @property
    def costs(self) -> tuple[str, ...]:
        """What a better verdict, or a limit that is kept again, costs, in words."""
        return self._said(COST)

    def _said(self, change: str) -> tuple[str, ...]:
        return tuple(one.text for one in self.reasons if one.change == change)

    @property
    def differs(self) -> bool:
        """Whether anything at all differs, a figure included."""
        return bool(
            self.change != SAME or any(self.went.values()) or any(self.came.values())
        ) or bool(self.figures)

    def as_dict(
        self,
        moved: Sequence[str] = (),
        relies: Sequence[PathReliance] = (),
        causes: Sequence[DifferenceCause] = (),
    ) -> DifferenceFacts:
        """The change with the keys of `compare --json`.

        Parameters
        ----------
        moved, relies, causes : sequence
            What of it differs, however little; what its paths rely on that they did not; and what
            may be the cause: see `waysapart.whatif.audit`.

        Returns
        -------
        DifferenceFacts
        """
        return {
            "id": self.id,
            "before": self.before,
            "after": self.after,
            "change": self.change,
            "within_limits": {"before": self.within_before, "after": self.within_after},
            "why": [*self.worse, *self.better],
            "worse": list(self.worse),
            "better": list(self.better),
            "costs": list(self.costs),
            "reasons": [one.as_dict() for one in self.reasons],
            "went": {key: list(found) for key, found in self.went.items()},
            "came": {key: list(found) for key, found in self.came.items()},
            "figures": {
                key: {"before": before, "after": after}
                for key, (before, after) in self.figures.items()
            },
            "differs": self.differs,
            "less_on_record": list(self.less_on_record),
            "moved": list(moved),
            "relies": list(relies),
            "causes": list(causes),
        }


def changes(
    before: Sequence[Facts],
    after: Sequence[Facts],
    ended: Mapping[str, Sequence[str]] = MappingProxyType({}),
    new_assets: Collection[str] = frozenset(),
) -> list[Difference]:
    """Compare the circuits (or groups, or schemes) of two proofs by id.

    Parameters
    ----------
    before, after : sequence of dict
        Their entries in the evidence.
    ended : mapping of str to sequence of str
        By circuit or group, from `ended_waivers`: waivers that no longer count, which explain
        a worse verdict.
    new_assets : collection of str
        Assets that were not there before.

    Returns
    -------
    list of Difference
        In the order of `after`, then those that are gone.
    """
    old = {str(row["id"]): row for row in before}
    new = {str(row["id"]): row for row in after}
    found = [
        _change(name, old[name], row, ended.get(name, ()), new_assets)
        if name in old
        else _one_sided(name, NEW, row)
        for name, row in new.items()
    ]
    return found + [_one_sided(name, GONE, row) for name, row in old.items() if name not in new]


def ended_waivers(before: Sequence[Facts], after: Sequence[Facts]) -> dict[str, list[str]]:
    """The waivers that counted before and no longer do.

    Parameters
    ----------
    before, after : sequence of dict
        The `waivers` of two proofs' evidence.

    Returns
    -------
    dict of str to list of str
        By circuit or group, in words.
    """
    counting = {_subject(one) for one in after if one.get("counts")}
    now = {_subject(one): str(one.get("state")) for one in after}
    found: dict[str, list[str]] = {}
    for one in before:
        if one.get("counts") and _subject(one) not in counting:
            state = now.get(_subject(one), "taken back")
            thing = one.get("asset") or " / ".join(one.get("pair") or ())
            thing = f"all in {one['within']}" if one.get("within") else thing
            found.setdefault(str(one["circuit"]), []).append(f"waiver of {thing}: {state}")
    return found


def _subject(waiver: Facts) -> tuple[Any, ...]:
    named = tuple(waiver.get(key) for key in ("circuit", "asset", "within"))
    return (*named, frozenset(waiver.get("pair") or ()))


def _one_sided(name: str, change: str, row: Facts) -> Difference:
    verdict, within = str(row["verdict"]), row.get("within_limits")
    if change == NEW:
        return Difference(name, None, verdict, None, within, NEW, came=findings(row))
    return Difference(name, verdict, None, within, None, GONE, went=findings(row))


def _change(
    name: str, before: Facts, after: Facts, ended: Sequence[str], new_assets: Collection[str]
) -> Difference:
    old, new = findings(before), findings(after)
    if ("with_protected" in before) != ("with_protected" in after):  # evidence of an older release
        old["silent"] = new["silent"] = []
    went = {key: less(old[key], new[key]) for key in old}
    came = {key: less(new[key], old[key]) for key in old}
    went["gaps"], came["gaps"] = _gaps_changed(before.get("gaps", []), after.get("gaps", []))
    found = reasons(before, after, ended, new_assets)
    said = {one.change for one in found}
    return Difference(
        name,
        str(before["verdict"]),
        str(after["verdict"]),
        before.get("within_limits"),
        after.get("within_limits"),
        WORSE if WORSE in said else BETTER if BETTER in said else SAME,
        tuple(found),
        went,
        came,
        _figures(before, after),
        _less_on_record(before.get("paths", {}), after.get("paths", {})),
    )


def _less_on_record(before: Facts, after: Facts) -> list[LessOnRecord]:
    found: list[LessOnRecord] = []
    for label, new in after.items():
        old = before.get(label)
        if not old or not new or old["links"] != new["links"]:
            continue
        counts: BeforeAfter = {"before": old.get("relies_on"), "after": new.get("relies_on")}
        if None not in counts.values() and counts["after"] < counts["before"]:
            route_m: BeforeAfter = {"before": old.get("route_m"), "after": new.get("route_m")}
            found.append({"path": label, "relies_on": counts, "route_m": route_m})
    return found


def _gaps_changed(before: Sequence[Facts], after: Sequence[Facts]) -> tuple[list[Any], list[Any]]:
    """Gaps that went and came, as code and id.

    Many of one code are folded into one, named by the first of them. For such a code the number
    decides, and the id is the first of the side that has more.
    """
    went: list[Any] = []
    came: list[Any] = []
    codes = dict.fromkeys(str(gap["code"]) for gap in (*before, *after))
    for code in codes:
        sides = [[gap for gap in side if gap["code"] == code] for side in (before, after)]
        named = [[[code, str(gap["asset"])] for gap in side] for side in sides]
        counts = [sum(int(gap.get("count") or 1) for gap in side) for side in sides]
        if counts == [len(side) for side in sides]:
            went += less(named[0], named[1])
            came += less(named[1], named[0])
        elif counts[0] > counts[1]:
            went.append(named[0][0])
        elif counts[1] > counts[0]:
            came.append(named[1][0])
    return went, came


def _figures(before: Facts, after: Facts) -> dict[str, tuple[Any, Any]]:
    """Figures of both sides that differ: lengths, delays, least margin, availability, distance."""
    old, new = measured(before), measured(after)
    names = [*old, *(name for name in new if name not in old)]
    return {
        name: (old.get(name), new.get(name)) for name in names if old.get(name) != new.get(name)
    }


def measured(row: Facts) -> dict[str, Any]:
    """Figures of one circuit, group or scheme by name.

    Parameters
    ----------
    row : dict
        Its entry in the evidence.

    Returns
    -------
    dict
        The name ends with the unit; None where a figure is not known.
    """
    found: dict[str, Any] = {}
    for label, path in row.get("paths", {}).items():
        if not path:
            continue
        for name, unit in (("length", "m"), ("route", "m"), ("delay", "us")):
            found[f"{label}_{name}_{unit}"] = path.get(f"{name}_{unit}")
            if (least := path.get(f"{name}_at_least_{unit}")) is not None:
                found[f"{label}_{name}_at_least_{unit}"] = least
        margins = [one.get("margin_db") for one in path.get("loss", [])]
        known = [one for one in margins if one is not None]
        found[f"{label}_least_margin_db"] = min(known, default=None)
        found[f"{label}_loss_db"] = [one.get("loss_db") for one in path.get("loss", [])]
    delay = row.get("delay", {})
    for name in ("worst", "asymmetry"):
        if f"{name}_us" in delay:
            found[f"{name}_us"] = delay[f"{name}_us"]
        if (least := delay.get(f"{name}_at_least_us")) is not None:
            found[f"{name}_at_least_us"] = least
    if "recovery_ms" in delay:
        found["recovery_ms"] = delay["recovery_ms"]
    for label, share in row.get("unavailability", {}).items():
        if label not in ("limit", "ok") and (share is None or isinstance(share, (int, float))):
            found[f"unavailability_{label}"] = share
    for label, share in (row.get("unavailability", {}).get("at_least") or {}).items():
        found[f"unavailability_{label}_at_least"] = share
    for key in ("closest_m", "blank_within"):
        if key in row:
            found[key] = row[key]
    return found

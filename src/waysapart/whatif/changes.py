"""Whether a circuit, group or scheme got better or worse.

The order of verdicts, worst first: shared, unproven, accepted, apart. A limit
that is kept is better than one that nobody can tell about, and that is better
than one that is broken.

- Anything worse makes the change worse, whatever else got better: a proposal
  that parts two paths and breaks a limit is no improvement.
- Where verdict and limits are the same, the findings decide: shared assets,
  near approaches and crossings that the rules forbid, lines with which a
  circuit falls silent, record gaps. If some
  came and none went it is worse, if some went and none came better. Where
  one took the place of another it is the same, and both are listed.
- An unavailability of all paths at once that rises by more than `RISE_SHARE` of itself is
  worse, whatever else got better: sharing less and being down more is no improvement.
- Other figures count through their limits, and where verdict and limits are the same also by
  themselves: a margin to the limit of delay or asymmetry that falls by more than
  `MARGIN_SHARE` of the limit, an optical margin that falls by more than `MARGIN_DB`, paths that
  come closer than `NEAR_M` and by more than `CLOSER_M` and `CLOSER_SHARE` of what it was, an
  unavailability that is no longer known.
- A new circuit and one that is gone are neither better nor worse.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Any, TypedDict

from waysapart.verdicts.proof import WORST_FIRST

WORSE, BETTER, SAME, NEW, GONE = "worse", "better", "same", "new", "gone"
CHANGES = (WORSE, BETTER, SAME, NEW, GONE)

RISE_SHARE = 0.1
"""Rates of failure are not known better than to a tenth: common practice, no source."""
RISE_LEAST = 1e-9
"""Less than a thirtieth of a second a year is no rise, whatever its share."""
MARGIN_SHARE = 0.05
"""Part of a limit of delay or asymmetry by which the margin to it may fall: common practice, no
source."""
MARGIN_DB = 1.0
"""More than two splices, and more than a measurement varies by: common practice, no source."""
NEAR_M = 100.0
"""Farther apart than this one excavation does not reach both: common practice, no source."""
CLOSER_M = 1.0
"""How well a survey is taken to be where nothing is said (`defaults.survey_accuracy_m`)."""
CLOSER_SHARE = 0.1

_KEPT = {False: 0, None: 1, True: 2}
_LIMITS = {
    "delay": ("delay", "ok"),
    "asymmetry": ("delay", "asymmetry_ok"),
    "loss": ("loss_ok",),
    "unavailability": ("unavailability", "ok"),
}
_KEPT_WORDS = {False: "over its limit", None: "not on record", True: "within its limit"}

Facts = Mapping[str, Any]


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
    went: dict[str, list[Any]]
    came: dict[str, list[Any]]
    figures: dict[str, BeforeAfter]
    less_on_record: list[LessOnRecord]


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
    worse, better : tuple of str
        Reasons, in words.
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
    worse: tuple[str, ...] = ()
    better: tuple[str, ...] = ()
    went: Mapping[str, list[Any]] = field(default_factory=dict)
    came: Mapping[str, list[Any]] = field(default_factory=dict)
    figures: Mapping[str, tuple[Any, Any]] = field(default_factory=dict)
    less_on_record: Sequence[LessOnRecord] = ()

    @property
    def differs(self) -> bool:
        """Whether anything at all differs, a figure included."""
        return bool(
            self.change != SAME or any(self.went.values()) or any(self.came.values())
        ) or bool(self.figures)

    def as_dict(self) -> DifferenceFacts:
        """The change with the keys of `compare --json`."""
        return {
            "id": self.id,
            "before": self.before,
            "after": self.after,
            "change": self.change,
            "within_limits": {"before": self.within_before, "after": self.within_after},
            "why": [*self.worse, *self.better],
            "worse": list(self.worse),
            "better": list(self.better),
            "went": {key: list(found) for key, found in self.went.items()},
            "came": {key: list(found) for key, found in self.came.items()},
            "figures": {
                key: {"before": before, "after": after}
                for key, (before, after) in self.figures.items()
            },
            "less_on_record": list(self.less_on_record),
        }


def changes(
    before: Sequence[Facts],
    after: Sequence[Facts],
    ended: Mapping[str, Sequence[str]] = MappingProxyType({}),
) -> list[Difference]:
    """Compare the circuits (or groups, or schemes) of two proofs by id.

    Parameters
    ----------
    before, after : sequence of dict
        Their entries in the evidence.
    ended : mapping of str to sequence of str
        By circuit or group, from `ended_waivers`: waivers that no longer count, which explain
        a worse verdict.

    Returns
    -------
    list of Difference
        In the order of `after`, then those that are gone.
    """
    old = {str(row["id"]): row for row in before}
    new = {str(row["id"]): row for row in after}
    found = [
        _change(name, old[name], row, ended.get(name, ()))
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
        return Difference(name, None, verdict, None, within, NEW, came=_findings(row))
    return Difference(name, verdict, None, within, None, GONE, went=_findings(row))


def _change(name: str, before: Facts, after: Facts, ended: Sequence[str]) -> Difference:
    worse: list[str] = []
    better: list[str] = []
    ranks = [WORST_FIRST.index(str(row["verdict"])) for row in (before, after)]
    if ranks[0] != ranks[1]:
        words = f"{before['verdict']} to {after['verdict']}"
        (better if ranks[1] > ranks[0] else worse).append(words)
        if worse:
            worse += ended
    for limit, kept in _limits(before, after):
        words = f"{limit} {_KEPT_WORDS[kept[1]]}"
        if _KEPT[kept[0]] != _KEPT[kept[1]]:
            (better if _KEPT[kept[1]] > _KEPT[kept[0]] else worse).append(words)
    worse += _risen(before, after)
    old, new = _findings(before), _findings(after)
    if ("with_protected" in before) != ("with_protected" in after):  # evidence of an older release
        old["silent"] = new["silent"] = []
    went = {key: _less(old[key], new[key]) for key in old}
    came = {key: _less(new[key], old[key]) for key in old}
    went["gaps"], came["gaps"] = _gaps_changed(before.get("gaps", []), after.get("gaps", []))
    if not worse and not better:
        left, added = any(went.values()), any(came.values())
        if added and not left:
            worse.append("more stands against it")
        worse += _tighter(before, after)
        if left and not added and not worse:
            better.append("less stands against it")
    return Difference(
        name,
        str(before["verdict"]),
        str(after["verdict"]),
        before.get("within_limits"),
        after.get("within_limits"),
        WORSE if worse else BETTER if better else SAME,
        tuple(worse),
        tuple(better),
        went,
        came,
        _figures(before, after),
        _less_on_record(before.get("paths", {}), after.get("paths", {})),
    )


_TOGETHER = {
    "both": "unavailability",
    "all": "unavailability of all ways",
    "working": "unavailability of the working ways",
}
"""Figures of all paths at once, of circuits and of groups."""


def _risen(before: Facts, after: Facts) -> list[str]:
    """Unavailability of all paths at once that rose by more than its tolerance."""
    found = []
    for said, was, now, least in _unavailability(before, after):
        known = least if now is None else now
        if was is None or known is None:
            continue
        if known > was * (1 + RISE_SHARE) and known - was > RISE_LEAST:
            bound = "at least " if now is None else ""
            found.append(f"{said} {was:.2g} to {bound}{known:.2g}")
    return found


def _unavailability(
    before: Facts, after: Facts
) -> Iterable[tuple[str, float | None, float | None, float | None]]:
    """Each figure of all paths at once: in words, before, after, and the bound of the latter."""
    old, new = before.get("unavailability") or {}, after.get("unavailability") or {}
    for label, said in _TOGETHER.items():
        if label in old and label in new:
            yield said, old[label], new[label], (new.get("at_least") or {}).get(label)


def _tighter(before: Facts, after: Facts) -> list[str]:
    """Margins that fell, paths that came closer and figures that are no longer known."""
    found = [
        f"{said} no longer known"
        for said, was, now, _ in _unavailability(before, after)
        if was is not None and now is None
    ]
    old, new = before.get("delay") or {}, after.get("delay") or {}
    for name, key in (("delay", "worst"), ("asymmetry", "asymmetry")):
        limit = new.get("limit_us" if name == "delay" else f"{name}_limit_us")
        was, now = old.get(f"{key}_us"), new.get(f"{key}_us")
        if limit is None or was is None or now is None:
            continue
        if now - was > MARGIN_SHARE * limit:
            found.append(f"margin to the limit of {name} {limit - was:.1f} to {limit - now:.1f} us")
    had, has = _least_margin_db(before), _least_margin_db(after)
    if had is not None and has is not None and had - has > MARGIN_DB:
        found.append(f"least optical margin {had:.2f} to {has:.2f} dB")
    was, now = before.get("closest_m"), after.get("closest_m")
    if was is not None and now is not None:
        closer = was - now > max(CLOSER_M, CLOSER_SHARE * was)
        if closer and now < NEAR_M:
            found.append(f"closest approach {was:.1f} to {now:.1f} m")
    return found


def _least_margin_db(row: Facts) -> Any:
    """The least optical margin of all links on all paths; None where none is known."""
    margins = [
        one.get("margin_db")
        for path in row.get("paths", {}).values()
        for one in (path or {}).get("loss", [])
    ]
    return min((one for one in margins if one is not None), default=None)


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


def _limits(before: Facts, after: Facts) -> Iterable[tuple[str, tuple[Any, Any]]]:
    """Each limit with whether it was and is kept; a scheme has but one for all of it."""
    found = False
    for limit, keys in _LIMITS.items():
        sides = [_at(row, keys) for row in (before, after)]
        if all(side is not _NOTHING for side in sides):
            found = True
            yield limit, (sides[0], sides[1])
    if not found and "within_limits" in before and "within_limits" in after:
        yield "limits", (before["within_limits"], after["within_limits"])


_NOTHING = object()


def _at(row: Facts, keys: Sequence[str]) -> Any:
    at: Any = row
    for key in keys:
        if not isinstance(at, Mapping) or key not in at:
            return _NOTHING
        at = at[key]
    return at


def _findings(row: Facts) -> dict[str, list[Any]]:
    """Findings against a circuit, without waived ones and crossings that are allowed."""
    return {
        "shared": [one["asset"] for one in row.get("shared", []) if not one.get("waived")],
        "near": [
            _pair(pair)
            for one in row.get("near", [])
            if not one.get("waived")
            for pair in one.get("members", [one])
        ],
        "cross": [
            _pair(one)
            for one in row.get("cross", [])
            if one.get("forbidden", True) and not one.get("waived")
        ],
        "silent": sorted(
            {one["protected"] for one in row.get("with_protected") or () if not one["remains"]}
        ),
        "gaps": [[one["code"], one["asset"]] for one in row.get("gaps", [])],
    }


def _pair(one: Facts) -> list[str]:
    return sorted([str(one["main"]), str(one["alternate"])])


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
            went += _less(named[0], named[1])
            came += _less(named[1], named[0])
        elif counts[0] > counts[1]:
            went.append(named[0][0])
        elif counts[1] > counts[0]:
            came.append(named[1][0])
    return went, came


def _less(one: list[Any], other: list[Any]) -> list[Any]:
    left: list[Any] = []
    for entry in one:
        if entry not in other and entry not in left:
            left.append(entry)
    return left


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
    for label, share in row.get("unavailability", {}).items():
        if label not in ("limit", "ok") and (share is None or isinstance(share, (int, float))):
            found[f"unavailability_{label}"] = share
    for label, share in (row.get("unavailability", {}).get("at_least") or {}).items():
        found[f"unavailability_{label}_at_least"] = share
    for key in ("closest_m", "blank_within"):
        if key in row:
            found[key] = row[key]
    return found

"""Why circuits differ between two proofs: the records, rules, waivers and days that moved.

`compare` says what differs; `causes_of` lists what of the input differs that each circuit rests
on. A circuit rests on what its paths rely on, on the rows that say how they run, and on what any of
these names. Of what differs there, only what bears on the kind of thing that differs is a cause: a
reserve bears on loss and not on what is shared. Where more than one is left, each is one of them.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any, Literal, TypedDict

from waysapart.schema import LIST_SEPARATOR, ROLES
from waysapart.whatif.record_changes import (
    GEOMETRY,
    CellDifference,
    RecordDifference,
    Row,
    RowChange,
    cells_of,
    changed_rows,
    name_of,
    rows_of,
)

Facts = Mapping[str, Any]
CauseKind = Literal[
    "record", "rule", "default", "setting", "waiver", "date", "out", "inputs", "program"
]


class DifferenceCause(TypedDict):
    """Something that differs and may be why a circuit, group or scheme does.

    `record` is the place of a record in `records_changed`, from 0; `explains` says what of the
    circuit it may explain; `sure`: nothing else that differs may explain that.
    """

    kind: CauseKind
    text: str
    record: int | None
    column: str | None
    before: Any
    after: Any
    explains: list[str]
    sure: bool


class PathReliance(TypedDict):
    """What a path relies on that it did not, and no longer does."""

    path: str
    came: list[str]
    went: list[str]


class RuleDifference(TypedDict):
    """A value of the rules that differs; null: it is not used there.

    `kind` is `rule` where the study's own rules state it on either side, `default` where both
    sides take it from the program, `used` where only one side uses it at all.
    """

    key: str
    before: Any
    after: Any
    kind: Literal["rule", "default", "used"]
    source_before: str | None
    source_after: str | None


class SettingDifference(TypedDict):
    """What study.toml says of the whole study or of a layer, where that differs."""

    key: str
    before: Any
    after: Any


class WaiverDifference(TypedDict):
    """A waiver that differs, or whether it counts; null: there is none."""

    circuit: str
    asset: str | None
    within: str | None
    pair: list[str] | None
    change: Literal["new", "gone", "begins", "ends", "changed"]
    before: dict[str, Any] | None
    after: dict[str, Any] | None


# --- What a column and a rule bear on.

_FIGURES: tuple[str, ...] = ("length", "loss", "delay", "recovery", "unavailability")
ASPECTS = (
    *("shared", "near", "gaps", "waivers", "paths", "relies", "silent"),
    *(*_FIGURES, "said"),
)
"""What of a circuit may differ: `said` is its name, its service and the like."""
_EVERY = frozenset(ASPECTS)
_LENGTH = frozenset({"length", "loss", "delay", "unavailability", "gaps", "shared", "near"})
_LOSS = frozenset({"loss", "gaps"})
_AGE = frozenset({"gaps", "waivers"})
_BEARS: Mapping[str, frozenset[str]] = {
    **dict.fromkeys(("length_m", "sag_m", "elevation_m", "overlength_pct", "slack_m"), _LENGTH),
    **dict.fromkeys(("wrap_pitch_m", "wrap_diameter_mm"), _LENGTH),
    **dict.fromkeys(("loss_db", "db_per_km", "reserve_db", "connectors", "splices"), _LOSS),
    **dict.fromkeys(("tx_min_dbm", "tx_max_dbm", "rx_min_dbm", "rx_max_dbm"), _LOSS),
    **dict.fromkeys(("loss_ab_db", "loss_ba_db", "bandwidth_mhz"), _LOSS),
    **dict.fromkeys(("dispersion_limit_ps_nm", "fibre_count"), _LOSS),
    **dict.fromkeys(("wavelength_nm", "fibre_type"), _LOSS | {"delay", "shared"}),
    **dict.fromkeys(("delay_us", "extra_delay_us"), frozenset({"delay", "gaps"})),
    "recovery_ms": frozenset({"recovery", "delay", "gaps"}),
    **dict.fromkeys(
        ("unavailability", "per_year", "repair_h", "autonomy_h"),
        frozenset({"unavailability", "gaps"}),
    ),
    "accuracy_m": _EVERY - {"loss", "delay", "said"},
    **dict.fromkeys(("surveyed", "stated_on", "stated_by"), _AGE),
    "date": _AGE | {"loss", "delay", "length"},
    **dict.fromkeys(("tray", "name"), frozenset({"said"})),
}
"""What a cell bears on; one that is not named here bears on everything."""
_RULES: Mapping[str, frozenset[str]] = {
    "max_delay_us": frozenset({"delay"}),
    "max_asymmetry_us": frozenset({"delay"}),
    "min_margin_db": frozenset({"loss"}),
    "max_recovery_ms": frozenset({"recovery", "delay"}),
    "max_unavailability": frozenset({"unavailability"}),
    "separation_m": frozenset({"near", "waivers"}),
    "end_zone_m": frozenset({"near", "waivers"}),
    "forbid_cross": frozenset({"near", "waivers"}),
    "failures": frozenset({"unavailability"}),
    "fibres": frozenset({"loss", "delay", "gaps"}),
    "media": frozenset({"delay", "length", "unavailability"}),
    "statistics": frozenset({"loss"}),
    "reserve": frozenset({"loss"}),
    "power_system": frozenset({"delay"}),
    "recovery": frozenset({"recovery", "delay"}),
    "tests": frozenset({"loss", "delay", "length", "gaps"}),
    "records": frozenset({"gaps", "delay", "waivers", "unavailability"}),
}


def bears_on(role: str, column: str) -> frozenset[str]:
    """Say what of a circuit a column of its records bears on.

    Parameters
    ----------
    role, column : str

    Returns
    -------
    frozenset of str
        Of `ASPECTS`.

    Examples
    --------
    >>> sorted(bears_on("links", "reserve_db"))
    ['gaps', 'loss']
    """
    if role == "circuits" and column == "name":
        return frozenset({"said"})
    return _BEARS.get(column, _EVERY)


def _rule_bears_on(key: str) -> frozenset[str]:
    first, *rest = key.split(".")
    if first == "services":
        return next((_RULES[part] for part in rest if part in _RULES), _EVERY)
    return _RULES.get(first, _EVERY)


# --- What of a circuit differs.

_ASPECT_OF: Mapping[str, str] = {
    **dict.fromkeys(("shared", "stretches", "unavoidable", "tail", "single_points"), "shared"),
    **dict.fromkeys(("near", "near_folded", "cross", "closest_m", "closest", "separation"), "near"),
    **dict.fromkeys(("separation_m", "end_zone_m"), "near"),
    **dict.fromkeys(("gaps", "blank_within"), "gaps"),
    **dict.fromkeys(("protects", "with_protected", "with_protected_why"), "silent"),
    "delay": "delay",
    "loss_ok": "loss",
    "unavailability": "unavailability",
    "members": "paths",
    "group_test": "paths",
}
_SAID = ("name", "a", "b", "service", "group", "scheme")
_OF_PATH: Mapping[str, str] = {
    **dict.fromkeys(("length_m", "length_at_least_m", "length_why", "route_m"), "length"),
    **dict.fromkeys(("route_at_least_m", "other_lengths"), "length"),
    "loss": "loss",
    "links": "paths",
    "out_of_service": "paths",
    "relies_on": "relies",
}
_OF_RECOVERY = ("recovery_ms", "recovery_assumed", "recovery_limit_ms", "recovery_ok")


def moved_aspects(
    before: Facts, after: Facts, links: tuple[Mapping[str, Facts], Mapping[str, Facts]]
) -> list[str]:
    """What of a circuit, group or scheme differs, however little.

    Parameters
    ----------
    before, after : dict
        Its entries in the evidence; what one of them does not hold, as an older release wrote it,
        is not compared.
    links : (mapping, mapping)
        Entries of links before and after, by id.

    Returns
    -------
    list of str
        Of `ASPECTS`, in that order.
    """
    found: set[str] = set()
    for key in {*before, *after} & {*before} & {*after}:
        was, now = before[key], after[key]
        if was == now:
            continue
        if key == "paths" and isinstance(was, Mapping) and isinstance(now, Mapping):
            found |= _moved_paths(was, now)
        elif key == "delay" and isinstance(was, Mapping) and isinstance(now, Mapping):
            differing = {one for one in {*was} & {*now} if was[one] != now[one]}
            found |= {"recovery"} if differing & {*_OF_RECOVERY} else set()
            found |= {"delay"} if differing - {*_OF_RECOVERY} else set()
        elif key in _ASPECT_OF:
            found.add(_ASPECT_OF[key])
        elif key in _SAID:
            found.add("said")
    mine = {
        link
        for row in (before, after)
        for path in (row.get("paths") or {}).values()
        for link in (path or {}).get("links", ())
    }
    for link in mine:
        found |= _moved_link(links[0].get(link), links[1].get(link))
    waived = [_waived(row) for row in (before, after)]
    if waived[0] != waived[1]:
        found.add("waivers")
    if not found and before.get("verdict") != after.get("verdict"):
        found |= {"shared", "near", "gaps"}
    return [one for one in ASPECTS if one in found]


def _moved_paths(was: Facts, now: Facts) -> set[str]:
    found: set[str] = set()
    if {*was} != {*now}:
        found.add("paths")
    for label in {*was} & {*now}:
        one, other = was[label] or {}, now[label] or {}
        differing = {key for key in {*one} & {*other} if one[key] != other[key]}
        found |= {_OF_PATH.get(key, "delay") for key in differing}
    return found


def _moved_link(was: Facts | None, now: Facts | None) -> set[str]:
    if was is None or now is None or was == now:
        return set()
    of = {"lengths": "length", "loss": "loss", "stated": "gaps", "trace": "relies"}
    keys = {*was} & {*now}
    return {of.get(key, "loss") for key in keys if was[key] != now[key]}


def _waived(row: Facts) -> list[Any]:
    return [
        (key, one.get("asset") or (one.get("main"), one.get("alternate")), one.get("waived"))
        for key in ("shared", "near", "cross")
        for one in row.get(key) or ()
    ]


def reliances(facts: Facts) -> dict[str, dict[str, frozenset[str]]]:
    """Everything that each path of each circuit relies on, from the witness of evidence.

    Parameters
    ----------
    facts : Evidence

    Returns
    -------
    dict of str to dict of str to frozenset of str
        By circuit, then by the label of the path; empty where the evidence does not say.
    """
    witness = facts.get("evidence") or {}
    assets = witness.get("assets") or []
    found: dict[str, dict[str, frozenset[str]]] = defaultdict(dict)
    known: dict[str, frozenset[str]] = {}
    for path in witness.get("paths") or witness.get("ways") or ():
        text = path.get("relies_on")
        if not isinstance(text, str):
            continue
        if text not in known:
            known[text] = frozenset(_numbered(text, assets))
        found[str(path["circuit"])][str(path.get("path") or path.get("way"))] = known[text]
    return dict(found)


def _numbered(text: str, assets: Sequence[str]) -> Iterator[str]:
    for run in text.split():
        low, _, high = run.partition("-")
        yield from assets[int(low) : int(high or low) + 1]


def reliance_changes(
    before: Mapping[str, frozenset[str]], after: Mapping[str, frozenset[str]]
) -> list[PathReliance]:
    """What each path of one circuit relies on that it did not, and no longer does.

    Parameters
    ----------
    before, after : mapping of str to frozenset of str
        By the label of the path, from `reliances`.

    Returns
    -------
    list of PathReliance
        Paths on both sides that differ.
    """
    return [
        {
            "path": label,
            "came": sorted(now - before[label]),
            "went": sorted(before[label] - now),
        }
        for label, now in after.items()
        if label in before and now != before[label]
    ]


# --- Which circuits rest on a record.

_UP = ("within", "supplies", "needs", "carried_by", "site", "relies_on", "via", "protects", "at")
"""Columns by which one thing depends on another."""
_OWNERS: Mapping[str, tuple[str, ...]] = {
    "cable_runs": ("cable",),
    "link_runs": ("link",),
    "circuit_paths": ("circuit",),
    "rings": ("ring", "link"),
    "ring_circuits": ("circuit",),
    "terminations": ("cable", "equipment"),
    "splices": ("joint",),
    "measurements": ("cable", "link"),
    "patches": ("id", "a", "b"),
}
"""Columns that name what rests on a row without an id of its own."""


class _Ties:
    """Which circuits rest on what, on either side."""

    def __init__(self, sides: Sequence[Facts], rows: Sequence[Mapping[str, list[Row]]]) -> None:
        self._by_id: dict[str, set[str]] = defaultdict(set)
        self._of_trace: dict[str, set[tuple[str, int]]] = defaultdict(set)
        self._up: dict[str, set[str]] = defaultdict(set)
        self._protected: dict[str, set[str]] = defaultdict(set)
        for facts in sides:
            self._read(facts)
        for mine in rows:
            self._read_rows(mine)

    def _read(self, facts: Facts) -> None:
        for circuit, paths in reliances(facts).items():
            for every in paths.values():
                for asset in every:
                    self._by_id[asset].add(circuit)
        traces = {one["id"]: one.get("trace") or {} for one in facts.get("links") or ()}
        for row in facts.get("circuits") or ():
            name = str(row["id"])
            self._by_id[name].add(name)
            for path in (row.get("paths") or {}).values():
                for link in (path or {}).get("links", ()):
                    self._by_id[str(link)].add(name)
                    for steps in (traces.get(link) or {}).values():
                        for step in steps:
                            if step.get("cable") is not None and step.get("fibre") is not None:
                                fibre = str(step["cable"]), int(step["fibre"])
                                self._of_trace[name].add(fibre)
            for thing in row.get("protects") or ():
                self._protected[str(thing)].add(name)

    def _read_rows(self, rows: Mapping[str, list[Row]]) -> None:
        for role, mine in rows.items():
            names = [name for name in _UP if name in ROLES[role].column]
            for row in mine:
                below = row.cells.get("id")
                if below is None:
                    if role == "ring_circuits":
                        owner = str(row.cells.get("circuit"))
                        self._by_id[str(row.cells.get("ring"))].add(owner)
                    continue
                for name in names:
                    for above in _items(row.cells.get(name)):
                        self._up[above].add(str(below))

    def circuits(self, change: RowChange) -> set[str]:
        """The circuits that rest on a record, before or after."""
        names: set[str] = set()
        for row in change.sides():
            columns = _OWNERS.get(row.role, ("id",))
            names |= {str(row.cells[name]) for name in columns if name in row.cells}
        found: set[str] = set()
        waiting, seen = list(names), set(names)
        while waiting:  # what depends on it
            at = waiting.pop()
            found |= self._by_id.get(at, set())
            for below in self._up.get(at, ()):
                if below not in seen:
                    seen.add(below)
                    waiting.append(below)
        if self._protected:
            found |= self._protecting(change)
        if change.now.role in ("splices", "terminations"):
            fibres = {one for row in change.sides() for one in _fibres(row)}
            found = {
                one for one in found if not self._of_trace.get(one) or self._of_trace[one] & fibres
            }
        return found

    def _protecting(self, change: RowChange) -> set[str]:
        """Circuits that protect what the record lies in, or it itself."""
        found: set[str] = set()
        for row in change.sides():
            for name in (row.cells.get("id"), *_items(row.cells.get("within"))):
                found |= self._protected.get(str(name), set())
        return found


def _items(cell: Any) -> list[str]:
    return [one for one in str(cell).split(LIST_SEPARATOR) if one] if cell is not None else []


def _fibres(row: Row) -> Iterator[tuple[str, int]]:
    for cable, fibre in (("a_cable", "a_fibre"), ("b_cable", "b_fibre"), ("cable", "fibre")):
        number = row.cells.get(fibre)
        if cable in row.cells and isinstance(number, (int, float)):
            yield str(row.cells[cable]), int(number)


# --- Rules, settings, waivers and days that differ.


def rule_changes(before: Facts, after: Facts) -> list[RuleDifference]:
    """Values of the rules that differ.

    Parameters
    ----------
    before, after : Evidence

    Returns
    -------
    list of RuleDifference
    """
    sides = [
        {row["key"]: row for row in facts.get("assumptions", []) if not row.get("to_sign")}
        for facts in (before, after)
    ]
    files = [{str(one.get("file")) for one in facts.get("inputs", [])} for facts in (before, after)]
    keys = [*sides[0], *(key for key in sides[1] if key not in sides[0])]
    found: list[RuleDifference] = []
    for key in keys:
        was, now = (side.get(key) for side in sides)
        values = [None if one is None else one["value"] for one in (was, now)]
        if values[0] == values[1]:
            continue
        sources = [None if one is None else str(one.get("source", "")) for one in (was, now)]
        own = [_own(source, mine) for source, mine in zip(sources, files, strict=True)]
        found.append(
            {
                "key": str(key),
                "before": values[0],
                "after": values[1],
                "kind": "rule" if any(own) else "used" if None in sources else "default",
                "source_before": sources[0],
                "source_after": sources[1],
            }
        )
    return found


def _own(source: str | None, files: set[str]) -> bool:
    """Whether a value comes from a file of rules of the study: its source is that file."""
    return source is not None and (
        source.casefold().endswith(".toml")
        or source in files
        or any(one.endswith(f"/{source}") for one in files)
    )


def setting_changes(before: Facts, after: Facts) -> list[SettingDifference]:
    """What study.toml says of the whole study or of a layer, where that differs.

    Parameters
    ----------
    before, after : Evidence

    Returns
    -------
    list of SettingDifference
        Empty where one of them holds no records.
    """
    told = [_settings(facts) for facts in (before, after)]
    if None in told:
        return []
    was, now = told
    assert was is not None
    assert now is not None
    return [
        {"key": key, "before": was.get(key), "after": now.get(key)}
        for key in dict.fromkeys([*was, *now])
        if was.get(key) != now.get(key) and key in was and key in now
    ]


def _settings(facts: Facts) -> dict[str, Any] | None:
    records = facts.get("records")
    if records is None:
        return None
    layers = facts.get("layers", [])
    found = {"snap_m": records["snap_m"]}
    for table in records["tables"]:
        at = table["layer"]
        file = layers[at]["file"] if at < len(layers) else at
        found[f"accuracy_m of {table['role']} in {file}"] = table["accuracy_m"]
    return found


_OF_WAIVER = ("reason", "by", "until", "record", "state", "counts")


def waiver_changes(before: Facts, after: Facts) -> list[WaiverDifference]:
    """Waivers that differ, and those that begin or cease to count.

    Parameters
    ----------
    before, after : Evidence

    Returns
    -------
    list of WaiverDifference
    """
    sides = [{_subject(one): one for one in facts.get("waivers", [])} for facts in (before, after)]
    found: list[WaiverDifference] = []
    for subject in dict.fromkeys([*sides[0], *sides[1]]):
        was, now = (side.get(subject) for side in sides)
        told = [
            None if one is None else {key: one.get(key) for key in _OF_WAIVER} for one in (was, now)
        ]
        if told[0] == told[1]:
            continue
        counted = [bool(one and one.get("counts")) for one in (was, now)]
        change: Literal["new", "gone", "begins", "ends", "changed"] = (
            "new"
            if was is None
            else "gone"
            if now is None
            else "begins"
            if counted == [False, True]
            else "ends"
            if counted == [True, False]
            else "changed"
        )
        one = now or was
        assert one is not None
        found.append(
            {
                "circuit": str(one["circuit"]),
                "asset": one.get("asset"),
                "within": one.get("within"),
                "pair": one.get("pair"),
                "change": change,
                "before": told[0],
                "after": told[1],
            }
        )
    return found


def _subject(waiver: Facts) -> tuple[Any, ...]:
    named = tuple(waiver.get(key) for key in ("circuit", "asset", "within"))
    return (*named, frozenset(waiver.get("pair") or ()))


# --- Causes.


@dataclass(frozen=True)
class _Candidate:
    """Something that differs, and what of a circuit it bears on."""

    cause: DifferenceCause
    bears: frozenset[str]
    names: frozenset[str] = frozenset()


class Audit:
    """What of the input differs between two proofs, and whose cause it may be.

    Parameters
    ----------
    before, after : Evidence
    """

    def __init__(self, before: Facts, after: Facts) -> None:
        self.before, self.after = before, after
        rows = rows_of(before), rows_of(after)
        self.missing: list[str] = [
            side for side, mine in zip(("before", "after"), rows, strict=True) if mine is None
        ]
        self.rows: list[RowChange] = []
        if rows[0] is not None and rows[1] is not None:
            self.rows = changed_rows(rows[0], rows[1])
        self._ties = _Ties((before, after), [mine for mine in rows if mine is not None])
        self.rules = rule_changes(before, after)
        self.settings = setting_changes(before, after)
        self.waivers = waiver_changes(before, after)
        self._explained: dict[int, set[str]] = defaultdict(set)
        self._links: tuple[dict[str, Facts], dict[str, Facts]] = (_links(before), _links(after))

    @property
    def same_program(self) -> bool:
        """Whether both proofs are of one version of the program."""
        return bool(self.before.get("waysapart") == self.after.get("waysapart"))

    @cached_property
    def _resting(self) -> list[set[str]]:
        """The circuits that rest on each changed record."""
        return [self._ties.circuits(one) for one in self.rows]

    @cached_property
    def reliances(self) -> tuple[dict[str, dict[str, frozenset[str]]], ...]:
        """All that every path relies on, before and after."""
        return reliances(self.before), reliances(self.after)

    def relies(self, circuit: str) -> list[PathReliance]:
        """What the paths of a circuit rely on that they did not, and no longer do."""
        was, now = self.reliances
        return reliance_changes(was.get(circuit, {}), now.get(circuit, {}))

    def moved(self, before: Facts | None, after: Facts | None) -> list[str]:
        """What of a circuit, group or scheme differs, however little."""
        if before is None or after is None:
            return []
        found = moved_aspects(before, after, self._links)
        if self.relies(str(after["id"])) and "relies" not in found:
            found.append("relies")
        return [one for one in ASPECTS if one in found]

    def causes(
        self, owner: str, circuits: Iterable[str], aspects: Sequence[str], named: Iterable[str] = ()
    ) -> list[DifferenceCause]:
        """What differs of the input that a circuit or group rests on, most telling first.

        Parameters
        ----------
        owner : str
            Id of the circuit, group or scheme.
        circuits : iterable of str
            The circuits that it consists of: itself, or its members.
        aspects : sequence of str
            What of it differs, from `moved`.
        named : iterable of str
            Ids in what came and went: a record of one of these comes first.

        Returns
        -------
        list of DifferenceCause
        """
        if not aspects:
            return []
        mine, telling = set(circuits), set(named)
        candidates = [
            *self._of_records(mine),
            *self._of_rules(mine),
            *self._of_settings(),
            *self._of_waivers({owner, *mine}),
            *self._of_days(mine),
            *self._of_out(),
        ]
        wanted = set(aspects) - {"relies"} or {"relies"}
        chosen = [one for one in candidates if one.bears & wanted]
        left = wanted - {aspect for one in chosen for aspect in one.bears}
        if left or not chosen:  # nothing bears on it as far as is known: whatever differs there
            chosen += [one for one in candidates if one not in chosen]
        counts = Counter(
            aspect for one in chosen for aspect in (one.bears & wanted or frozenset(wanted))
        )
        chosen.sort(
            key=lambda one: (not one.names & telling, len(one.bears), one.cause["kind"] != "record")
        )
        found: list[DifferenceCause] = []
        for one in chosen:
            explains = [aspect for aspect in ASPECTS if aspect in (one.bears & wanted or wanted)]
            sure = (
                self.same_program
                and not self.missing
                and all(counts[aspect] == 1 for aspect in explains)
            )
            found.append({**one.cause, "explains": explains, "sure": sure})
            if one.cause["record"] is not None:
                self._explained[one.cause["record"]].add(owner)
        return found or [self._unknown(list(aspects))]

    def _unknown(self, aspects: list[str]) -> DifferenceCause:
        """The cause where no record, rule, waiver or day that it rests on differs."""
        if self.missing:
            files = _inputs_said(self.before, self.after)
            whose = " and ".join(self.missing)
            text = f"the evidence {whose} holds no records; {files}"
            return _cause("inputs", text, explains=aspects)
        versions = self.before.get("waysapart"), self.after.get("waysapart")
        said = (
            f"the program differs: {versions[0]}, now {versions[1]}"
            if versions[0] != versions[1]
            else f"both were proved by {versions[1]}"
        )
        text = f"no record, rule, waiver or day that it rests on differs; {said}"
        return _cause("program", text, before=versions[0], after=versions[1], explains=aspects)

    def _of_records(self, circuits: set[str]) -> Iterator[_Candidate]:
        for place, (change, resting) in enumerate(zip(self.rows, self._resting, strict=True)):
            if not resting & circuits:
                continue
            row = change.now
            names = frozenset(
                str(one.cells[name])
                for one in change.sides()
                for name in ("id", *_OWNERS.get(one.role, ()))
                if name in one.cells
            )
            if change.before is None or change.after is None:
                text = f"{place_of(row)}: {name_of(row)} {_said_of(change)}"
                yield _Candidate(_cause("record", text, record=place), _EVERY, names)
                continue
            for cell in self.cells[place]:
                text = f"{place_of(row)}, {cell_said(cell)} ({name_of(row)})"
                cause = _cause(
                    "record",
                    text,
                    record=place,
                    column=cell["column"],
                    before=cell["before"],
                    after=cell["after"],
                )
                yield _Candidate(cause, bears_on(row.role, cell["column"]), names)

    @cached_property
    def cells(self) -> list[list[CellDifference]]:
        """The cells of each changed record that differ."""
        return [cells_of(change) for change in self.rows]

    def _of_rules(self, circuits: set[str]) -> Iterator[_Candidate]:
        services = {
            str(row.get("service"))
            for facts in (self.before, self.after)
            for row in facts.get("circuits", ())
            if str(row["id"]) in circuits
        }
        for rule in self.rules:
            if rule["kind"] == "used":
                continue
            parts = rule["key"].split(".")
            if parts[0] == "services" and parts[1].strip('"') not in services:
                continue
            kind: CauseKind = "rule" if rule["kind"] == "rule" else "default"
            what = "rule" if kind == "rule" else "shipped default"
            text = (
                f"{what} {rule['key']}: {value_said(rule['before'])} to {value_said(rule['after'])}"
            )
            cause = _cause(
                kind, text, column=rule["key"], before=rule["before"], after=rule["after"]
            )
            yield _Candidate(cause, _rule_bears_on(rule["key"]))

    def _of_settings(self) -> Iterator[_Candidate]:
        for one in self.settings:
            said = f"{value_said(one['before'])} to {value_said(one['after'])}"
            cause = _cause(
                "setting",
                f"study.toml, {one['key']}: {said}",
                column=one["key"],
                before=one["before"],
                after=one["after"],
            )
            yield _Candidate(cause, _EVERY - {"said"})

    def _of_waivers(self, owners: set[str]) -> Iterator[_Candidate]:
        for one in self.waivers:
            if one["circuit"] not in owners or one["change"] == "changed":
                continue
            by_day = _by_day(one, self.before.get("on"), self.after.get("on"))
            cause = _cause(
                "date" if by_day else "waiver",
                waiver_said(one, self.before.get("on"), self.after.get("on")),
                before=(one["before"] or {}).get("state"),
                after=(one["after"] or {}).get("state"),
            )
            names = frozenset(
                str(name)
                for name in (one["asset"], one["within"], *(one["pair"] or ()))
                if name is not None
            )
            yield _Candidate(cause, frozenset({"waivers", "gaps", "shared", "near"}), names)

    def _of_days(self, circuits: set[str]) -> Iterator[_Candidate]:
        """The day of judgement, where records became too old, or no longer are."""
        days = self.before.get("on"), self.after.get("on")
        if days[0] == days[1] or None in days:
            return
        old = [
            {
                (gap["code"], gap["asset"], gap.get("count"))
                for row in facts.get("circuits", ())
                if str(row["id"]) in circuits
                for gap in row.get("gaps", ())
                if str(gap["code"]) in _AGED
            }
            for facts in (self.before, self.after)
        ]
        if old[0] != old[1]:
            text = f"judged on {days[1]}, before on {days[0]}: ages of records count from that day"
            cause = _cause("date", text, before=days[0], after=days[1])
            yield _Candidate(cause, frozenset({"gaps", "loss", "delay", "length"}))

    def _of_out(self) -> Iterator[_Candidate]:
        was, now = (sorted(facts.get("out") or ()) for facts in (self.before, self.after))
        if was != now:
            text = f"study.toml, out: {value_said(was)} to {value_said(now)}"
            cause = _cause("out", text, column="out", before=was, after=now)
            yield _Candidate(cause, _EVERY - {"said"}, frozenset({*was} ^ {*now}))

    def records(self) -> list[RecordDifference] | None:
        """The records that differ, or None where one side holds none; after all `causes`."""
        if self.missing:
            return None
        groups = _groups_of(self.before, self.after)
        found: list[RecordDifference] = []
        for place, (change, resting) in enumerate(zip(self.rows, self._resting, strict=True)):
            row = change.now
            found.append(
                {
                    "role": row.role,
                    "id": name_of(row),
                    "change": "added"
                    if change.before is None
                    else "removed"
                    if change.after is None
                    else "changed",
                    "file": row.file,
                    "layer": row.layer,
                    "row": row.number,
                    "row_before": None if change.before is None else change.before.number,
                    "cells": self.cells[place],
                    "circuits": sorted(resting),
                    "groups": sorted({one for name in resting for one in groups.get(name, ())}),
                    "explains": sorted(self._explained.get(place, ())),
                }
            )
        return found


_AGED = frozenset({"survey-old", "test-old", "leased-old"})


def _links(facts: Facts) -> dict[str, Facts]:
    return {str(one["id"]): one for one in facts.get("links") or ()}


def _groups_of(*sides: Facts) -> dict[str, set[str]]:
    """The groups of each circuit."""
    found: dict[str, set[str]] = defaultdict(set)
    for facts in sides:
        for group in facts.get("groups") or ():
            for member in group.get("members", ()):
                found[str(member)].add(str(group["id"]))
    return found


def _cause(
    kind: CauseKind,
    text: str,
    *,
    record: int | None = None,
    column: str | None = None,
    before: Any = None,
    after: Any = None,
    explains: list[str] | None = None,
) -> DifferenceCause:
    return {
        "kind": kind,
        "text": text,
        "record": record,
        "column": column,
        "before": before,
        "after": after,
        "explains": explains or [],
        "sure": False,
    }


def _by_day(one: WaiverDifference, before: Any, after: Any) -> bool:
    """Whether a waiver begins or ceases to count by the day alone."""
    if one["before"] is None or one["after"] is None or before == after:
        return False
    rest = ("reason", "by", "until", "record")
    return all(one["before"][key] == one["after"][key] for key in rest) and "lapsed" in (
        one["before"]["state"],
        one["after"]["state"],
    )


# --- In words.


def place_of(row: Row) -> str:
    """Where a record stands: `links.csv row 5`, `plant.gpkg (ducts) row 12`.

    Parameters
    ----------
    row : Row

    Returns
    -------
    str
    """
    layer = f" ({row.layer})" if row.layer else ""
    number = "" if row.number is None else f" row {row.number}"
    return f"{row.file or row.role}{layer}{number}"


def cell_said(cell: CellDifference) -> str:
    """What differs in a cell: `reserve_db: 0 to 3`, `geometry: moved by 12 m`.

    Parameters
    ----------
    cell : CellDifference

    Returns
    -------
    str
    """
    name = cell["column"] if cell["named"] is None else f"{cell['column']} ({cell['named']})"
    was, now = cell["before"], cell["after"]
    if cell["column"] == GEOMETRY and cell["moved_m"] is not None:
        return f"{name}: from {_shape_said(was)} to {_shape_said(now)}, {cell['moved_m']:.10g} m"
    return f"{name}: {value_said(was)} to {value_said(now)}"


_MOST_VERTICES = 60
_LONGEST = 80


def _shape_said(text: Any) -> str:
    """A point by its coordinates, anything longer cut short."""
    said = str(text)
    if said.startswith("POINT("):
        return said[len("POINT(") : -1]
    return said if len(said) <= _MOST_VERTICES else f"{said[:_MOST_VERTICES]}..."


def value_said(value: Any) -> str:
    """A cell or a rule in words; `blank` for none."""
    if value is None:
        return "blank"
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, (int, float)):
        return f"{value:.10g}"
    listed = isinstance(value, (list, tuple))
    said = ", ".join(map(str, value)) or "none" if listed else str(value)
    return said if len(said) <= _LONGEST else f"{said[:_LONGEST]}..."


def _said_of(change: RowChange) -> str:
    return "was added" if change.before is None else "was removed"


def waiver_said(one: WaiverDifference, before: Any, after: Any) -> str:
    """What became of a waiver, in words.

    Parameters
    ----------
    one : WaiverDifference
    before, after : str or None
        The days of judgement.

    Returns
    -------
    str
    """
    thing = one["asset"] or " / ".join(one["pair"] or ())
    thing = f"all in {one['within']}" if one["within"] else thing
    was, now = one["before"] or {}, one["after"] or {}
    if one["change"] == "new":
        counts = "" if now.get("counts") else f", which does not count: {now.get('state')}"
        return f"waiver of {thing} is new{counts}"
    if one["change"] == "gone":
        return f"waiver of {thing} was taken back"
    if _by_day(one, before, after):
        verb = "lapsed" if one["change"] == "ends" else "is in force"
        return f"waiver of {thing} {verb}: valid until {now.get('until')}, judged on {after}"
    differing = [
        f"{key} {value_said(was.get(key))} to {value_said(now.get(key))}"
        for key in ("until", "reason", "by", "record")
        if was.get(key) != now.get(key)
    ]
    state = f"{was.get('state')}, now {now.get('state')}"
    return f"waiver of {thing}: {'; '.join([state, *differing])}"


def _inputs_said(before: Facts, after: Facts) -> str:
    """Which input files differ by their hashes."""
    sides = [
        {str(row["file"]): row["sha256"] for row in facts.get("inputs", [])}
        for facts in (before, after)
    ]
    names = [
        file for file in sorted({*sides[0], *sides[1]}) if sides[0].get(file) != sides[1].get(file)
    ]
    if not names:
        return "no input file differs"
    said = ", ".join(names[:8]) + (f" and {len(names) - 8} more" if len(names) > 8 else "")
    return f"these input files differ: {said}"

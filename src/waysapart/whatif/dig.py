"""What an excavation or outage cuts, and the state of every circuit during it."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Literal, TypedDict

import numpy as np
import pandas as pd
import scipy.sparse as sp
import shapely

from waysapart.arrays import Bools, Floats, Ints, csr_row
from waysapart.errors import CallError
from waysapart.evidence import GapBrief
from waysapart.network.assets import listed
from waysapart.reliance.closure import without
from waysapart.reliance.rely import falls, paths_lost
from waysapart.schema import KNOWN_EMPTY
from waysapart.study.ledger import brief_gaps, did_you_mean
from waysapart.study.model import PLANT_ROLES, Study
from waysapart.verdicts.facts import CAUTION, figure, text_or_none
from waysapart.verdicts.facts_figures import bounded
from waysapart.whatif.area import Area, around, read_area
from waysapart.whatif.base import Base, Subject, base_of, next_events, path_groups
from waysapart.whatif.outage_state import (
    DROPPED,
    LOST,
    UNKNOWN,
    UNTOUCHED,
    WEAKENED,
    CircuitState,
    GroupState,
    circuit_states,
    group_states,
)
from waysapart.whatif.resplice import ResplicePlace, resplice_first

if TYPE_CHECKING:
    import geopandas as gpd


class AssetFacts(TypedDict):
    """An asset by id."""

    asset: str
    role: str
    kind: str | None


class HitFacts(AssetFacts):
    """An asset that is hit: by which feature of the area (from 1), and how near its middle lies.

    `accuracy_from` says who states how well it is surveyed: record, rules or call.
    """

    feature: int | None
    distance_m: float | None
    accuracy_m: float | None
    accuracy_from: str | None


class FallenFacts(AssetFacts):
    """An asset that falls with what was hit, and through what."""

    through: list[str]


class CableFacts(TypedDict):
    """A cable that is cut: where, how many fibres it has, and which of them carry links."""

    cable: str
    at: list[str]
    fibres: int | None
    fibres_down: list[int]
    links: list[str]


class CircuitFacts(TypedDict):
    """One circuit during the works; limits are those of the paths that still run.

    `weakened` has what stands in for supplies that are out, such as the other battery; `next` the
    assets whose loss would lose the circuit now.
    """

    id: str
    name: str | None
    owner: str | None
    state: str
    touched: bool
    running: list[str]
    cut: list[str]
    out: list[str]
    weakened: list[str]
    within_limits: bool | None
    delay_us: float | None
    delay_at_least_us: float | None
    delay_limit_us: float | None
    delay_ok: bool | None
    asymmetry_ok: bool | None
    loss_ok: bool | None
    next: list[str]
    gaps: list[GapBrief]


class GroupFacts(TypedDict):
    """One group during the works; `unknown`: members whose records have gaps."""

    id: str
    group_test: str | None
    members: list[str]
    state: str
    running: list[str]
    next: list[str]
    weakened: list[str]
    unknown: list[str]
    gaps: int


class SchemeFacts(TypedDict):
    """One scheme during the works: the state of its worst circuit.

    `unknown`: members whose records have gaps.
    """

    id: str
    members: list[str]
    state: str
    worst: str
    weakened: list[str]
    unknown: list[str]


NextEventFacts = TypedDict(
    "NextEventFacts",
    {
        "asset": str,
        "role": str,
        "kind": str | None,
        "lost": list[str],
        "groups": list[str],
        "class": Literal["avoidable", "end"],
    },
)
"""A single thing that is fatal while the works last, and was not before.

`lost`, `groups`: circuits and groups that it would then take. `class`: `end` for a site and what
sites lie in, else `avoidable`.
"""


class AreaFacts(TypedDict):
    """The area of the works, and how far beyond it plant is taken as hit.

    `feature_reach_m` has the reach of each feature: its own, or that of the call if that is more.
    """

    features: int
    reach_m: float
    feature_reach_m: list[float]
    radius_m: float | None
    accuracy_m: float | None
    default_accuracy_m: float
    nearest_m: float | None
    notes: list[str]


class NoticeFacts(TypedDict):
    """Circuits whose owners are to be told, and the cautions of a works notice."""

    tell: list[str]
    unsure: list[str]
    cautions: list[str]


class RidingFacts(TypedDict):
    """A supply that keeps up what it feeds while the works last."""

    asset: str
    autonomy_h: float


class DigFacts(TypedDict):
    """Works as plain data, as `dig --json` writes them."""

    study: str
    revision: str | None
    caution: str
    area: AreaFacts
    hours: float | None
    on_battery: list[RidingFacts]
    out: list[str]
    summary: dict[str, int]
    hit: list[str]
    hits: list[HitFacts]
    fallen: list[FallenFacts]
    cables: list[CableFacts]
    resplice: list[ResplicePlace]
    links: list[str]
    circuits: list[CircuitFacts]
    groups: list[GroupFacts]
    schemes: list[SchemeFacts]
    next_events: list[NextEventFacts]
    unknown: list[str]
    notice: NoticeFacts


@dataclass(frozen=True)
class Dig:
    """What works put out of service; `facts()` is what `--json` writes.

    Attributes
    ----------
    base : Base
    area : Area or None
    hits : Hits
    reach_m, accuracy_m : float, float or None
        As asked; None: surveyed as recorded, else by the rules.
    fallen : ndarray of bool, shape (assets,)
        Everything down during the works, what is out of service included.
    lost : ndarray of bool, shape (paths,)
    radius_m : float
        Around a point; 0 otherwise.
    hours : float or None
        How long the works last; None: without end, as far as batteries go.
    on_battery : dict of str to float
        Supplies that would fall, but last as long, with their autonomy in hours.
    """

    base: Base
    area: Area | None
    hits: Hits
    reach_m: float
    accuracy_m: float | None
    fallen: Bools
    lost: Bools
    radius_m: float = 0.0
    hours: float | None = None
    on_battery: Mapping[str, float] = field(default_factory=dict)

    @property
    def feature_reach_m(self) -> Floats:
        """How far each feature reaches beyond its outline, in metres, shape (features,)."""
        if self.area is None:
            return np.empty(0)
        return np.maximum(self.area.own_reach_m, self.reach_m)

    @cached_property
    def asset_facts(self) -> list[AssetFacts]:
        """Every asset of the study, by number."""
        frame = self.base.network.assets.frame
        columns = (frame[name].to_list() for name in ("id", "role", "kind"))
        return [
            {"asset": str(name), "role": str(role), "kind": text_or_none(kind)}
            for name, role, kind in zip(*columns, strict=True)
        ]

    @cached_property
    def circuits(self) -> list[CircuitState]:
        """Every circuit, in the order of the circuits table."""
        return circuit_states(self.base, self.fallen, self.lost, self.next_circuits)

    @cached_property
    def groups(self) -> list[GroupState]:
        """Every group, by id."""
        return group_states(self.base, self.lost, self.circuits, self.next_groups)

    @cached_property
    def next_circuits(self) -> sp.csr_array:
        """Which single further loss loses which circuit: bool, shape (circuits, assets)."""
        return next_events(self.base, self.fallen, self.lost, self.base.path_circuits())

    @cached_property
    def next_groups(self) -> sp.csr_array:
        """Which single further loss loses which group: bool, shape (groups, assets)."""
        return next_events(self.base, self.fallen, self.lost, path_groups(self.base))

    @cached_property
    def reasons(self) -> dict[int, tuple[int, ...]]:
        """Why each asset falls that was not hit itself."""
        return causes(self.base, self.hits.number, self._newly_fallen)

    @property
    def _newly_fallen(self) -> Bools:
        """What the works put out of service, and what was so before where they hit it too."""
        alone = np.zeros(len(self.fallen), dtype=np.bool_)
        alone[falls(self.base.reliance, self.base.event(self.hits.number)).indices] = True
        return np.asarray(alone | (self.fallen & ~self.base.down))

    @property
    def fallen_with(self) -> Ints:
        """Assets that fall with what was hit."""
        went = self._newly_fallen
        went[self.hits.number] = False
        return np.flatnonzero(went)

    @property
    def cables_cut(self) -> Ints:
        """Numbers, among the cables, of those that are cut anywhere."""
        cables = len(self.base.study.tables["cables"])
        whole = self.base.reliance.parts[:cables].astype(np.int32)
        return np.flatnonzero(whole @ self._newly_fallen.astype(np.int32))

    @property
    def links_down(self) -> Ints:
        """Numbers of the links that the works cut."""
        count = len(self.base.network.assets)
        items = self.base.reliance.link_items[:, :count].astype(np.int32)
        return np.flatnonzero(items @ self._newly_fallen.astype(np.int32))

    @cached_property
    def resplice(self) -> list[ResplicePlace]:
        """Splices to make again where joints are hit and cables cut, the most urgent first."""
        return resplice_first(
            self.base, self._newly_fallen, self.links_down, self.cables_cut, self.circuits
        )

    def counts(self) -> dict[str, int]:
        """How many circuits are in each state, worst first."""
        found = Counter(state.state for state in self.circuits)
        between = sorted(set(found) - {LOST, UNKNOWN, UNTOUCHED})
        return {state: found.get(state, 0) for state in (LOST, *between, UNKNOWN, UNTOUCHED)}

    def exit_code(self) -> int:
        """0 untouched; 1 lost, left with one path or weakened; 3 untouched as far as known.

        1 too where a group drops with all paths that count. 3 too where a circuit that is touched
        goes on with limits that nobody can tell about.
        """
        if any(state.exposed or state.weakened for state in self.circuits):
            return 1
        if any(state.state in (LOST, DROPPED) for state in self.groups):
            return 1
        open_ = any(state.state == UNKNOWN or state.within_open for state in self.circuits)
        return 3 if open_ or any(state.state == UNKNOWN for state in self.groups) else 0

    def facts(self) -> DigFacts:
        """The works as plain data."""
        return dig_facts(self)

    def __repr__(self) -> str:
        counts = ", ".join(f"{count} {state}" for state, count in self.counts().items() if count)
        return f"Dig({self.base.study.name!r}: {len(self.hits.number)} assets hit; {counts})"


def dig(
    subject: Subject,
    area: gpd.GeoDataFrame | Path | str | None = None,
    *,
    at: tuple[float, float] | None = None,
    radius_m: float | None = None,
    assets: Iterable[str] = (),
    reach_m: float = 0.0,
    accuracy_m: float | None = None,
    hours: float | None = None,
) -> Dig:
    """What an excavation cuts, and how every circuit stands during it.

    Parameters
    ----------
    subject : Study, Network or Proof
    area : GeoDataFrame or path, optional
        Any number of points, lines and polygons in any coordinate system; all
        of them are dug at once.
    at : (longitude, latitude) in degrees, optional
        A point, with `radius_m`.
    radius_m : float, optional
        Metres, greater than 0.
    assets : iterable of str, optional
        Ids of assets that are taken whatever lies where: segments,
        structures, sites, cables, supplies, hazards, ...
    reach_m : float
        How far the works reach beyond the outline of `area`, metres. A feature whose own
        `reach_m` is greater reaches as far as that.
    accuracy_m : float, optional
        How well the plant is surveyed: the works reach so much farther.
        Default: what is on record for each asset, else
        `defaults.survey_accuracy_m` of the rules. Given, it holds for all.
    hours : float, optional
        How long it lasts, greater than 0. Supplies whose `autonomy_h` is as long then stand
        without what feeds them. Default: no supply does.

    Returns
    -------
    Dig

    Raises
    ------
    CallError
        Nothing to dig, a radius without a point, an unknown id.
    StudyError
        The area cannot be used; every reason is listed.

    Notes
    -----
    An area hits segments, structures and sites; through them goes what lies in
    them and what they feed. What is out of service counts as down already, and a
    supply that is down does not stand again because of its autonomy.

    Examples
    --------
    >>> import waysapart as wa
    >>> proof = wa.prove(wa.read_study("examples/estuary"))
    >>> works = wa.dig(proof, assets=["PIT-HER-7"])
    >>> works.counts()
    {'lost': 3, 'on-alternate': 2, 'on-main': 2, 'unknown': 3, 'untouched': 23}
    >>> [one["id"] for one in works.facts()["circuits"] if one["state"] == "lost"]
    ['C04', 'C17', 'C33']
    >>> wa.dig(proof, at=(-28.95, 54.4), radius_m=200).counts()["lost"]
    0
    >>> wa.outage(proof, assets=["OP-N1"]).counts()["lost"]
    2
    """
    _check_call(area, at, radius_m, reach_m, accuracy_m)
    if hours is not None and not (hours > 0 and np.isfinite(hours)):
        raise CallError(f"hours {hours:g}: expected more than 0 h")
    base = base_of(subject)
    parts: list[Hits] = []
    drawn: Area | None = None
    ids = [assets] if isinstance(assets, str) else list(assets)
    if area is not None:
        drawn = read_area(base.study, area)
        reach = np.maximum(drawn.own_reach_m, reach_m)
        parts.append(reached(base, drawn, reach, accuracy_m))
    elif at is not None:
        drawn = around(base.study, at)
        parts.append(reached(base, drawn, np.array([radius_m or 0.0]) + reach_m, accuracy_m))
    if ids:
        parts.append(stated(base, ids))
    if not parts:
        raise CallError("nothing to dig: give an area, a point with a radius, or ids of assets")
    found = taken(base, together(*parts), drawn, reach_m, accuracy_m, radius_m or 0.0)
    return found if hours is None else _lasting(found, hours)


def _lasting(works: Dig, hours: float) -> Dig:
    """The works with the supplies standing that last as long as they do."""
    base = works.base
    supplies = base.study.tables["supplies"]
    numbers = base.network.assets.start["supplies"] + np.arange(len(supplies))
    lasts = supplies["autonomy_h"].to_numpy(dtype=np.float64)
    riding = (lasts >= hours) & works.fallen[numbers] & ~base.down[numbers]
    riding &= ~np.isin(numbers, works.hits.number)
    if not riding.any():
        return replace(works, hours=hours)
    fed = {
        name: supplies[name].where(~riding | supplies[name].isna(), KNOWN_EMPTY)
        for name in ("supplies", "needs")
    }
    tables = {**base.study.tables, "supplies": supplies.assign(**fed)}
    there = base_of(replace(base.study, tables=tables))
    left = (works.area, works.reach_m, works.accuracy_m, works.radius_m)
    found = taken(there, works.hits, *left)
    stand = riding & ~found.fallen[numbers]
    kept = dict(zip(supplies["id"][stand].to_list(), lasts[stand].tolist(), strict=True))
    return replace(found, hours=hours, on_battery=kept)


outage = dig
"""The same for planned work: what an outage cuts does not depend on why plant is down."""


def taken(
    base: Base,
    hits: Hits,
    area: Area | None = None,
    reach_m: float = 0.0,
    accuracy_m: float | None = None,
    radius_m: float = 0.0,
) -> Dig:
    """Follow what was hit to the paths that are cut.

    Parameters
    ----------
    base : Base
    hits : Hits
    area : Area, optional
        Where the works are; None for an outage.
    reach_m : float
        How far the works reach beyond their outline, in metres.
    accuracy_m : float, optional
        How well everything is surveyed, in metres; None: as recorded, else by the rules.
    radius_m : float
        Radius about a point, in metres.

    Returns
    -------
    Dig
    """
    network = base.network
    both = np.union1d(hits.number, network.assets.numbers(base.study.out))
    event = base.event(both[both >= 0])
    down = np.zeros(len(network.assets), dtype=np.bool_)
    fell = falls(base.reliance, event)
    down[fell.indices] = True
    lost = base.out.copy()
    lost[paths_lost(base.reliance, fell).indices] = True
    return Dig(base, area, hits, reach_m, accuracy_m, down, lost, radius_m)


def _check_call(
    area: object,
    at: tuple[float, float] | None,
    radius_m: float | None,
    reach_m: float,
    accuracy_m: float | None,
) -> None:
    if area is not None and at is not None:
        raise CallError("give an area or a point, not both")
    if at is not None and (radius_m is None or not radius_m > 0 or not np.isfinite(radius_m)):
        raise CallError("a point needs a radius greater than 0 m")
    if radius_m is not None and at is None:
        raise CallError("a radius needs a point (at)")
    for name, value in (("reach_m", reach_m), ("accuracy_m", accuracy_m)):
        if value is not None and not (value >= 0 and np.isfinite(value)):
            raise CallError(f"{name} {value:g}: expected 0 m or more")


CAUTIONS = (
    "This notice names circuits whose owners are to be told before work starts. It is no permit: "
    "the owner's safety documents are.",
    "Records show where plant was meant to be. Locate it on the ground, and dig by hand where it "
    "may lie.",
    "Plant that is not on record is not in this notice.",
    "Agree with the control room that nothing on the other path of these circuits is taken out of "
    "service at the same time.",
)
"""Cautions of a works notice: common practice, no source."""

_RANK = {LOST: 0, UNKNOWN: 4, UNTOUCHED: 5}
_OUTSIDE, _TOUCHED, _WEAKENED = 1, 2, 3
_GROUP_RANK = {LOST: 0, DROPPED: 1, WEAKENED: 2, UNKNOWN: 3, UNTOUCHED: 4}


def dig_facts(works: Dig) -> DigFacts:
    """Everything that works put out of service, with the keys of `dig --json`; worst first."""
    study = works.base.study
    circuits = sorted(works.circuits, key=lambda state: _order(works, state))
    groups = sorted(works.groups, key=lambda state: (_GROUP_RANK[state.state], state.trial))
    names = works.base.circuit_ids()
    rules = study.rules.defaults
    return {
        "study": study.name,
        "revision": study.revision,
        "caution": CAUTION,
        "area": {
            "features": 0 if works.area is None else len(works.area.geometry),
            "reach_m": works.reach_m,
            "feature_reach_m": works.feature_reach_m.tolist(),
            "radius_m": works.radius_m or None,
            "accuracy_m": works.accuracy_m,
            "default_accuracy_m": rules.survey_accuracy_m,
            "nearest_m": _nearest(works),
            "notes": [] if works.area is None else list(works.area.notes),
        },
        "hours": works.hours,
        "on_battery": [
            {"asset": name, "autonomy_h": lasts} for name, lasts in works.on_battery.items()
        ],
        "out": list(study.out),
        "summary": {
            **works.counts(),
            "weakened": sum(state.only_weakened for state in works.circuits),
            "hit": len(works.hits.number),
        },
        "hit": works.base.network.assets.ids(works.hits.number),
        "hits": _hits(works),
        "fallen": _fallen(works),
        "cables": _cables(works),
        "resplice": works.resplice,
        "links": [str(name) for name in study.tables["links"]["id"].to_numpy()[works.links_down]],
        "circuits": [_circuit(works, state, names) for state in circuits],
        "groups": [_group(works, state, names) for state in groups],
        "schemes": _schemes(works, names),
        "next_events": next_facts(works),
        "unknown": [names[state.circuit] for state in circuits if state.open],
        "notice": {
            "tell": [names[state.circuit] for state in circuits if state.touched or state.weakened],
            "unsure": [names[state.circuit] for state in circuits if state.state == UNKNOWN],
            "cautions": list(CAUTIONS),
        },
    }


def _order(works: Dig, state: CircuitState) -> tuple[int, int, int, str]:
    """Lost first, then those outside a limit, then those that the most single events would lose."""
    outside = 0 if state.within is False else 1
    rank = _WEAKENED if state.only_weakened else _rank(state)
    return rank, outside, -len(state.next), works.base.circuit_ids()[state.circuit]


def _rank(state: CircuitState) -> int:
    return _RANK.get(state.state, _OUTSIDE if state.within is False else _TOUCHED)


def _nearest(works: Dig) -> float | None:
    if works.area is None or not len(works.area.nearest_m):
        return None
    return figure(float(works.area.nearest_m.min()), "m")


def _asset(works: Dig, number: int) -> AssetFacts:
    return works.asset_facts[number]


def _surveyed(works: Dig) -> dict[int, tuple[float, str]]:
    """How well the plant that an area hit is surveyed, and who says so."""
    study, assets = works.base.study, works.base.network.assets
    drawn = set(works.hits.number[works.hits.feature >= 0].tolist())
    found: dict[int, tuple[float, str]] = {}
    for role in PLANT_ROLES if drawn else ():
        table = study.tables[role]
        each = accuracies_m(study, role, study.rules.defaults.survey_accuracy_m)
        for number in drawn:
            row = number - assets.start[role]
            if 0 <= row < len(table):
                recorded = not np.isnan(table["accuracy_m"].iloc[row])
                found[number] = (float(each[row]), "record" if recorded else "rules")
    if works.accuracy_m is not None:
        return dict.fromkeys(found, (works.accuracy_m, "call"))
    return found


def _hits(works: Dig) -> list[HitFacts]:
    surveyed = _surveyed(works)
    return [
        {
            **_asset(works, int(number)),
            "feature": int(feature) + 1 if feature >= 0 else None,
            "distance_m": figure(float(metres), "m"),
            "accuracy_m": surveyed.get(int(number), (None, None))[0],
            "accuracy_from": surveyed.get(int(number), (None, None))[1],
        }
        for number, feature, metres in zip(
            works.hits.number, works.hits.feature, works.hits.distance_m, strict=True
        )
    ]


def _fallen(works: Dig) -> list[FallenFacts]:
    ids = works.base.network.assets.frame["id"].to_numpy()
    return [
        {
            **_asset(works, number),
            "through": [str(ids[one]) for one in works.reasons.get(number, ())],
        }
        for number in works.fallen_with.tolist()
    ]


def _cables(works: Dig) -> list[CableFacts]:
    """Cables that are cut: where, how many fibres, and which of these carry links."""
    base = works.base
    tables, assets = base.study.tables, base.network.assets
    down = np.zeros(len(assets), dtype=bool)
    down[works.hits.number] = True
    down[works.fallen_with] = True
    runs = tables["link_runs"]
    links = set(tables["links"]["id"].to_numpy()[works.links_down])
    used = runs[runs["link"].isin(links)]
    row, fibre = listed(pd.Series(used["fibres"].reset_index(drop=True), dtype=str))
    on_cable = used["cable"].to_numpy()[row] if len(row) else np.empty(0, dtype=object)
    count = tables["cables"]["fibre_count"].to_numpy(dtype=np.float64)
    found: list[CableFacts] = []
    for cable in works.cables_cut.tolist():
        items = base.reliance.parts
        mine = csr_row(items, cable)
        name = str(tables["cables"]["id"].iloc[cable])
        numbers = {int(float(one)) for one in fibre[on_cable == name]} if len(row) else set()
        found.append(
            {
                "cable": name,
                "at": assets.ids(sorted(mine[down[mine]].tolist())),
                "fibres": None if np.isnan(count[cable]) else int(count[cable]),
                "fibres_down": sorted(numbers),
                "links": sorted(set(used.loc[used["cable"] == name, "link"])),
            }
        )
    return found


def _circuit(works: Dig, state: CircuitState, names: list[str]) -> CircuitFacts:
    base = works.base
    delay = bounded("delay", state.delay_us, state.delay_at_least_us, "us")
    return {
        "id": names[state.circuit],
        "name": text_or_none(base.study.tables["circuits"]["name"].iloc[state.circuit]),
        "owner": _owner(works, state.circuit),
        "state": state.state,
        "touched": state.touched,
        "running": list(state.running),
        "cut": list(state.cut),
        "out": list(state.out),
        "within_limits": state.within,
        "delay_us": delay["delay_us"],
        "delay_at_least_us": delay["delay_at_least_us"],
        "delay_limit_us": state.limit_us,
        "delay_ok": state.delay_ok if state.running else None,
        "asymmetry_ok": state.asymmetry_ok if state.running else None,
        "loss_ok": state.loss_ok if state.running else None,
        "next": base.network.assets.ids(state.next),
        "weakened": base.network.assets.ids(state.weakened),
        "gaps": brief_gaps(base.gaps[number] for number in state.gaps),
    }


def _owner(works: Dig, circuit: int) -> str | None:
    """Who owns a circuit, where the table of circuits has an extra column `owner`."""
    table = works.base.study.tables["circuits"]
    return text_or_none(table["owner"].iloc[circuit]) if "owner" in table else None


def _group(works: Dig, state: GroupState, names: list[str]) -> GroupFacts:
    trial = works.base.trials[state.trial]
    return {
        "id": trial.id,
        "group_test": trial.group_test,
        "members": [names[circuit] for circuit in trial.circuits],
        "state": state.state,
        "running": [names[circuit] for circuit in state.running],
        "next": works.base.network.assets.ids(state.next),
        "weakened": works.base.network.assets.ids(state.weakened),
        "unknown": [names[one] for one in trial.circuits if works.circuits[one].open],
        "gaps": len(state.gaps),
    }


def _schemes(works: Dig, names: list[str]) -> list[SchemeFacts]:
    """Schemes need all of their circuits, so their state is that of the worst."""
    members: dict[str, list[CircuitState]] = {}
    schemes = works.base.study.tables["circuits"]["scheme"]
    for state in works.circuits:
        scheme = schemes.iloc[state.circuit]
        if isinstance(scheme, str):
            members.setdefault(scheme, []).append(state)
    found: list[SchemeFacts] = []
    for scheme, states in sorted(members.items()):
        worst = min(states, key=lambda state: _order(works, state)[:1])
        weakened = worst.only_weakened or worst.state not in _RANK
        supplies = sorted({one for state in states for one in state.weakened})
        found.append(
            {
                "id": scheme,
                "members": [names[state.circuit] for state in states],
                "state": WEAKENED if weakened else worst.state,
                "worst": names[worst.circuit],
                "weakened": works.base.network.assets.ids(supplies),
                "unknown": [names[state.circuit] for state in states if state.open],
            }
        )
    return found


def next_facts(works: Dig) -> list[NextEventFacts]:
    """Single things that are fatal while the works last and were not before, the worst first.

    Parameters
    ----------
    works : Dig

    Returns
    -------
    list of NextEventFacts
        Those to be avoided come before sites and what sites lie in, which nobody takes by mistake;
        each by circuits, then groups, that it would take, then by asset.
    """
    base = works.base
    circuits = sp.csc_array(without(works.next_circuits, base.fatal_circuits))
    groups = sp.csc_array(without(works.next_groups, base.fatal_groups))
    names, ids = base.circuit_ids(), [trial.id for trial in base.trials[base.circuit_count :]]
    ends = _ends(base)
    found: list[NextEventFacts] = []
    for number in np.union1d(_columns(circuits), _columns(groups)).tolist():
        found.append(
            {
                **_asset(works, number),
                "lost": [names[one] for one in sorted(csr_row(circuits, number).tolist())],
                "groups": [ids[one] for one in sorted(csr_row(groups, number).tolist())],
                "class": "end" if ends[number] else "avoidable",
            }
        )
    return sorted(
        found, key=lambda one: (one["class"] == "end", -len(one["lost"]), -len(one["groups"]))
    )


def _columns(matrix: sp.csc_array) -> Ints:
    return np.flatnonzero(np.diff(matrix.indptr))


def _ends(base: Base) -> Bools:
    """Sites and what they lie in, at any depth, but no hazard: shape (assets,)."""
    assets = base.network.assets
    sites = np.arange(len(assets))[assets.of_role("sites")]
    found = np.zeros(len(assets), dtype=np.bool_)
    found[sp.csr_array(base.reliance.closed[sites]).indices] = True
    found[sites] = True
    found[assets.of_role("hazards")] = False
    return found


# --- What works hit, and what falls with it.

_MOST_NAMES = 20_000


@dataclass(frozen=True)
class Hits:
    """Assets that works hit directly.

    Attributes
    ----------
    number : ndarray of int, shape (hits,)
        Asset numbers, ascending, each once.
    feature : ndarray of int, shape (hits,)
        The nearest feature of the area; -1: named and not drawn.
    distance_m : ndarray of float, shape (hits,)
        How far the record lies from that feature; NaN: named.
    """

    number: Ints
    feature: Ints
    distance_m: Floats


def accuracies_m(study: Study, role: str, otherwise_m: float) -> Floats:
    """How well each row of a role is surveyed: its own record, else `otherwise_m`, plus its layer.

    Metres, shape (rows,).
    """
    table = study.tables[role]
    own = table["accuracy_m"].to_numpy(dtype=np.float64)
    of_layer = np.array([layer.accuracy_m for layer in study.layers] or [0.0])
    found: Floats = np.where(np.isnan(own), otherwise_m, own) + of_layer[table["_layer"].to_numpy()]
    return found


def reached(base: Base, area: Area, reach_m: Floats, accuracy_m: float | None) -> Hits:
    """Segments, structures and sites that features reach.

    Parameters
    ----------
    base : Base
    area : Area
    reach_m : ndarray, shape (features,)
        How far each feature reaches beyond its outline, in metres.
    accuracy_m : float or None
        How well everything is surveyed, in metres; None: as recorded, else by the rules.

    Returns
    -------
    Hits

    Notes
    -----
    Distances are measured, never buffered, so that round corners are round.
    One spatial index; O(log n) for each feature and hit.
    """
    study, assets = base.study, base.network.assets
    shapes = np.concatenate([study.geometries(role) for role in PLANT_ROLES])
    number = np.concatenate([np.arange(len(assets))[assets.of_role(role)] for role in PLANT_ROLES])
    default_m = study.rules.defaults.survey_accuracy_m
    grown = np.concatenate([accuracies_m(study, role, default_m) for role in PLANT_ROLES])
    if accuracy_m is not None:
        grown = np.full(len(number), accuracy_m)
    grown = grown + area.accuracy_m
    if not len(shapes) or not len(area.geometry):
        none = np.empty(0, dtype=np.int64)
        return Hits(none, none, np.empty(0))
    widest = study.plane.reach(area.geometry, reach_m + grown.max())
    feature, place = shapely.STRtree(shapes).query(
        area.geometry, predicate="dwithin", distance=widest
    )
    metres = study.plane.metres(area.geometry[feature], shapes[place])
    near = metres <= reach_m[feature] + grown[place]
    return _once(number[place[near]], feature[near].astype(np.int64), metres[near])


def stated(base: Base, ids: list[str]) -> Hits:
    """Assets named by id.

    Raises
    ------
    CallError
        With every id that no asset has.
    """
    assets = base.network.assets
    number = assets.numbers(ids)
    unknown = [name for name, found in zip(ids, number, strict=True) if found < 0]
    if unknown:
        known = assets.frame["id"] if len(assets) <= _MOST_NAMES else ()
        told = ", ".join(f"{name!r}{did_you_mean(name, known)}" for name in unknown)
        raise CallError(f"no asset of the study has this id: {told}")
    named = np.unique(number)
    return Hits(named, np.full(len(named), -1), np.full(len(named), np.nan))


def together(*hits: Hits) -> Hits:
    """Hits of several kinds as one; an asset that is drawn and named counts as named."""
    return _once(
        np.concatenate([one.number for one in hits]),
        np.concatenate([one.feature for one in hits]),
        np.concatenate([one.distance_m for one in hits]),
    )


def _once(number: Ints, feature: Ints, metres: Floats) -> Hits:
    """Each asset once, by its nearest feature."""
    order = np.lexsort((feature, np.nan_to_num(metres, nan=-1.0), number))
    number, feature, metres = number[order], feature[order], metres[order]
    first = np.r_[True, np.diff(number) > 0] if len(number) else np.empty(0, dtype=bool)
    return Hits(number[first], feature[first], metres[first])


def causes(base: Base, hit: Ints, fallen: Bools) -> dict[int, tuple[int, ...]]:
    """Why each asset falls that was not hit itself.

    Parameters
    ----------
    base : Base
    hit : ndarray of int
        Asset numbers.
    fallen : ndarray of bool, shape (assets,)
        Everything that falls, what was hit included.

    Returns
    -------
    dict
        Asset to the fallen asset that it directly relies on, by the shortest
        chain from what was hit; or, for what has lost all of its feeds, to the
        supplies of these that fell.
    """
    steps = base.reliance.steps + base.reliance.works
    back = steps.T.tocsr()
    reason: dict[int, tuple[int, ...]] = {}
    known = set(hit.tolist())
    layer = sorted(known)
    feeds = _feeds(base)
    waiting = set(np.flatnonzero(fallen).tolist()) - known
    while waiting:
        further: list[int] = []
        for at in layer:
            for asset in csr_row(back, at).tolist():
                if asset in waiting:
                    reason[asset] = (at,)
                    waiting.discard(asset)
                    further.append(asset)
        if not further:
            lost = {
                asset: tuple(
                    dict.fromkeys(one for feed in feeds[asset] for one in feed if fallen[one])
                )
                for asset in sorted(waiting)
                if asset in feeds and all(any(fallen[one] for one in f) for f in feeds[asset])
            }
            dark = [asset for asset in lost if not waiting & set(lost[asset])] or [*lost][:1]
            if not dark:
                break
            for asset in dark:
                reason[asset] = lost[asset]
                waiting.discard(asset)
            further = dark
        layer = further
    return reason


def _feeds(base: Base) -> dict[int, list[list[int]]]:
    """Supplies of each feed of everything that is fed."""
    feeds = base.reliance.feeds
    found: dict[int, list[list[int]]] = {}
    first = feeds.assets.indptr
    for feed, user in enumerate(feeds.user.tolist()):
        supplies = feeds.assets.indices[first[feed] : first[feed + 1]].tolist()
        found.setdefault(user, []).append(sorted(supplies))
    return found

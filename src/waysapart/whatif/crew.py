"""Works as a crew meets them: what, where and when, what each day loses, and whom to tell.

A plan of works is taken apart into its works; the days are put together again, each with all that
runs on it, and followed as one event.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any, TypedDict

import numpy as np
import pandas as pd
import shapely

from waysapart.schema import ASSET_ROLES
from waysapart.verdicts.facts_figures import text_or_none
from waysapart.whatif.area import Area
from waysapart.whatif.base import Base, base_of
from waysapart.whatif.dig import CircuitFacts, Dig, DigFacts, Hits, reached, taken, together
from waysapart.whatif.outage_state import DROPPED, LOST, UNTOUCHED, WEAKENED
from waysapart.whatif.places import WorkPlace, area_places, asset_places, landmarks_of
from waysapart.whatif.plan import Period, WorksPlan
from waysapart.whatif.plan_table import Work, end_text, start_text

# --- Works one by one.

POINT_M = 1.0
"""A point without a reach is drawn this wide, so that it can be seen as an area."""


class Details(TypedDict):
    """What the table of works says for people; None: not stated."""

    name: str | None
    place: str | None
    contractor: str | None
    phone: str | None
    contact: str | None
    begins: str | None
    ends: str | None


@dataclass(frozen=True)
class Site:
    """One work.

    Attributes
    ----------
    name : str
        Its id in a plan; empty for works by themselves.
    works : Dig
        What it puts out of service, by itself and as things are now.
    area : Area or None
    reach_m : float
        How far it reaches beyond its outline, a radius included.
    work : Work or None
        Its row of the plan.
    """

    name: str
    works: Dig
    area: Area | None
    reach_m: float
    work: Work | None = None

    @property
    def details(self) -> Details:
        """What the plan says about it for people."""
        work = self.work
        if work is not None:
            return {
                "name": work.name or None,
                "place": work.place or None,
                "contractor": work.contractor or None,
                "phone": work.phone or None,
                "contact": work.contact or None,
                "begins": time_said(start_text(work.start)),
                "ends": time_said(end_text(work.end)),
            }
        return {
            "name": None,
            "place": None,
            "contractor": None,
            "phone": None,
            "contact": None,
            "begins": None,
            "ends": None,
        }

    @cached_property
    def facts(self) -> DigFacts:
        """What it does by itself, as things are now."""
        return self.works.facts()

    def reach_of(self, feature: int) -> float:
        """How far one feature of it reaches beyond its outline, in metres."""
        return max(
            self.reach_m, 0.0 if self.area is None else float(self.area.own_reach_m[feature])
        )

    @cached_property
    def places(self) -> list[WorkPlace]:
        """Where it is: each feature that is drawn, else each asset that is named."""
        base = self.works.base
        if self.area is not None and len(self.area.geometry):
            return area_places(base, self.area)
        return asset_places(base, self.works.hits.number.tolist())


def time_said(text: str) -> str:
    """A date, or a date and time, as people write it.

    Parameters
    ----------
    text : str
        From `start_text` or `end_text`.

    Returns
    -------
    str

    Examples
    --------
    >>> time_said("2026-05-04T08:00")
    '2026-05-04 08:00'
    """
    return text.replace("T", " ")


def cell_text(value: Any) -> str | None:
    """A cell of a column that nobody checks, as text: a telephone number may be read as a number.

    Parameters
    ----------
    value : object

    Returns
    -------
    str or None
        None where it is blank.

    Examples
    --------
    >>> cell_text(4930555.0), cell_text(" control room "), cell_text(None)
    ('4930555', 'control room', None)
    """
    if isinstance(value, str):
        return text_or_none(value.strip() or None)
    if not pd.api.types.is_scalar(value) or pd.isna(value):
        return None
    if isinstance(value, float | np.floating) and float(value).is_integer():
        return str(int(value))
    return str(value)


def grown(site: Site) -> list[Any]:
    """The ground that a work takes: its features with their reach, in the study's plane.

    Parameters
    ----------
    site : Site

    Returns
    -------
    list of Geometry
        A point without a reach is a circle one metre in radius, so that it can be seen.
    """
    if site.area is None:
        return []
    shapes = site.area.geometry
    reach = np.array([site.reach_of(row) for row in range(len(shapes))])
    wide = np.where(shapely.get_dimensions(shapes) == 0, np.maximum(reach, POINT_M), reach)
    return list(site.works.base.study.plane.grown(shapes, wide))


def sites_of(works: Dig | WorksPlan) -> list[Site]:
    """Take works apart, one by one.

    Parameters
    ----------
    works : Dig or WorksPlan

    Returns
    -------
    list of Site
        Of a plan in the order of its table.
    """
    if isinstance(works, Dig):
        return [Site("", works, works.area, works.reach_m + works.radius_m)]
    return [
        Site(
            work.id,
            taken(works.base, hits_of(works, work), work.area, work.reach_m, works.accuracy_m),
            work.area,
            work.reach_m,
            work,
        )
        for work in works.works
    ]


def hits_of(plan: WorksPlan, work: Work) -> Hits:
    """What a work of a plan hits, with the distance of each asset.

    Parameters
    ----------
    plan : WorksPlan
    work : Work

    Returns
    -------
    Hits
    """
    feature, metres = np.full(len(work.hit), -1), np.full(len(work.hit), np.nan)
    if work.area is not None:
        reach = np.maximum(work.area.own_reach_m, work.reach_m)
        near = reached(plan.base, work.area, reach, plan.accuracy_m)
        place = np.searchsorted(work.hit, near.number)
        feature[place], metres[place] = near.feature, near.distance_m
    return Hits(work.hit, feature, metres)


# --- Whom to tell.


class Party(TypedDict):
    """One owner or contact, and why they are told.

    `circuits` are ids by the state that they are in meanwhile, worst first. `plant` is what is hit,
    or lost with it, that names this owner or contact; `sites` likewise; `works` names works that a
    contractor does, with its contact and phone. Both None: what nobody on record answers for.
    """

    owner: str | None
    contact: str | None
    circuits: dict[str, list[str]]
    plant: list[str]
    sites: list[str]
    works: list[str]


class Contacts:
    """Owners and contacts on record: extra columns `owner` and `contact` of any layer.

    Parameters
    ----------
    base : Base
    """

    def __init__(self, base: Base) -> None:
        self._base = base
        self._of: dict[str, dict[str, tuple[str | None, str | None]]] = {}
        for role in (*ASSET_ROLES, "circuits"):
            table = base.study.tables[role]
            owners, contacts = (
                [cell_text(value) for value in table[one]] if one in table else [None] * len(table)
                for one in ("owner", "contact")
            )
            known = self._of.setdefault("circuits" if role == "circuits" else "assets", {})
            for name, owner, contact in zip(table["id"], owners, contacts, strict=True):
                if owner or contact:
                    known[str(name)] = (owner, contact)

    def of_circuit(self, name: str) -> tuple[str | None, str | None]:
        """Owner and contact of a circuit; None: not on record."""
        return self._of.get("circuits", {}).get(name, (None, None))

    def of_asset(self, name: str) -> tuple[str | None, str | None]:
        """Owner and contact of an asset; None: not on record."""
        return self._of.get("assets", {}).get(name, (None, None))

    def parties(self, facts: DigFacts, sites: Sequence[Site]) -> list[Party]:
        """Everybody to be told about works, those that lose most first.

        Parameters
        ----------
        facts : DigFacts
            Of the works, or of all that run at a time.
        sites : sequence of Site
            The works.

        Returns
        -------
        list of Party
            Nobody that is on record is left out; what nobody on record
            answers for is the last one.
        """
        found: dict[tuple[str | None, str | None], Party] = {}

        def party(key: tuple[str | None, str | None]) -> Party:
            return found.setdefault(
                key,
                {
                    "owner": key[0],
                    "contact": key[1],
                    "circuits": {},
                    "plant": [],
                    "sites": [],
                    "works": [],
                },
            )

        told = told_circuits(facts)
        for one in told:
            mine = party(self.of_circuit(one["id"]))["circuits"]
            mine.setdefault(_state(one), []).append(one["id"])
        site_ids = set(self._base.study.tables["sites"]["id"].astype(str))
        for name in facts["hit"]:
            key = self.of_asset(name)
            party(key)["sites" if name in site_ids else "plant"].append(name)
        for name in (row["asset"] for row in facts["fallen"]):
            if (key := self.of_asset(name)) != (None, None):
                party(key)["sites" if name in site_ids else "plant"].append(name)
        for name in self._sites_concerned(told, sites):
            if (key := self.of_asset(name)) != (None, None) and name not in party(key)["sites"]:
                party(key)["sites"].append(name)
        for site in sites:
            details = site.details
            said = ", ".join(filter(None, (details["contact"], details["phone"]))) or None
            if details["contractor"] or said:
                party((details["contractor"], said))["works"].append(site.name)
        return sorted(found.values(), key=_rank)

    def _sites_concerned(self, told: Iterable[CircuitFacts], sites: Sequence[Site]) -> list[str]:
        """Sites on whose ground the works are, and where the circuits to be told about end."""
        study = self._base.study
        marks = landmarks_of(study)
        grounds = [
            marks.asset[place]
            for place, role in enumerate(marks.role)
            if role == "sites"
            and any(
                site.area is not None
                and any(marks.shapes[place].intersects(one) for one in site.area.geometry)
                for site in sites
            )
        ]
        wanted = {one["id"] for one in told}
        circuits = study.tables["circuits"]
        ends = circuits.loc[circuits["id"].isin(wanted), ["a", "b"]].to_numpy().ravel()
        equipment = study.tables["equipment"]
        at = dict(zip(equipment["id"], equipment["site"], strict=True))
        standing = [str(at[end]) for end in ends if isinstance(at.get(end), str)]
        return list(dict.fromkeys([*grounds, *standing]))


def told_circuits(facts: DigFacts) -> list[CircuitFacts]:
    """Circuits about which somebody is told: touched, weakened, or open for want of records.

    Parameters
    ----------
    facts : DigFacts

    Returns
    -------
    list of CircuitFacts
        In the order of the facts, the worst first.
    """
    told = {*facts["notice"]["tell"], *facts["notice"]["unsure"], *facts["unknown"]}
    return [one for one in facts["circuits"] if one["id"] in told]


def _state(circuit: CircuitFacts) -> str:
    """The state of a circuit; `weakened` for one that runs on all its paths, but not as before."""
    untouched = circuit["state"] == UNTOUCHED
    return WEAKENED if untouched and circuit["weakened"] else circuit["state"]


def _rank(party: Party) -> tuple[bool, int, int, str]:
    circuits = party["circuits"]
    count = sum(len(some) for some in circuits.values())
    nobody = party["owner"] is None and party["contact"] is None
    return (
        nobody,
        -len(circuits.get(LOST, [])),
        -count,
        f"{party['owner'] or ''} {party['contact'] or ''}",
    )


# --- Day by day.

DayFacts = TypedDict(
    "DayFacts",
    {
        "from": str,
        "to": str,
        "works": list[str],
        "lost": list[str],
        "one_path": list[str],
        "several_paths": list[str],
        "over_limit": list[str],
        "limits_unknown": list[str],
        "weakened": list[str],
        "unknown": list[str],
        "lost_before": list[str],
        "groups": list[str],
        "parties": list[Party],
    },
)
"""Days on which the same works run: what all of them together do, and who is told.

`several_paths` are circuits that lose a path and keep two or more; `over_limit` and
`limits_unknown` those that go on outside a limit, or whose limits are not known; `groups` those
that lose everything that counts for them."""


def work_days(plan: WorksPlan, sites: Sequence[Site] | None = None) -> list[DayFacts]:
    """What each day of a plan loses, as planned, and who is told of it.

    Parameters
    ----------
    plan : WorksPlan
    sites : sequence of Site, optional
        From `sites_of`.

    Returns
    -------
    list of DayFacts
        One entry for days on which the same works run, in order of time. All
        works of a day are followed as one event, with what earlier works have
        restored back in service.
    """
    mine = list(sites_of(plan) if sites is None else sites)
    ready: dict[frozenset[str], Base] = {frozenset(plan.base.study.out): plan.base}
    found: list[DayFacts] = []
    for period in plan.as_planned:
        base = _base_then(plan, period, ready)
        active = [mine[number] for number in period.works]
        if len(active) == 1 and base is plan.base:
            facts = active[0].facts
        else:
            hits = together(*(one.works.hits for one in active))
            facts = taken(base, hits, accuracy_m=plan.accuracy_m).facts()
        touched = [one for one in facts["circuits"] if one["touched"]]
        found.append(
            {
                "from": time_said(start_text(period.start)),
                "to": time_said(end_text(period.end)),
                "works": [one.name for one in active],
                "lost": [one["id"] for one in touched if one["state"] == LOST],
                "one_path": [one["id"] for one in touched if len(one["running"]) == 1],
                "several_paths": [one["id"] for one in touched if len(one["running"]) > 1],
                "over_limit": [one["id"] for one in touched if one["within_limits"] is False],
                "limits_unknown": [
                    one["id"] for one in touched if one["running"] and one["within_limits"] is None
                ],
                "weakened": [one["id"] for one in facts["circuits"] if one["weakened"]],
                "unknown": facts["unknown"],
                "lost_before": [
                    one["id"]
                    for one in facts["circuits"]
                    if one["state"] == LOST and not one["touched"]
                ],
                "groups": [one["id"] for one in facts["groups"] if one["state"] in (LOST, DROPPED)],
                "parties": Contacts(base).parties(facts, active),
            }
        )
    return found


def _base_then(plan: WorksPlan, period: Period, ready: dict[frozenset[str], Base]) -> Base:
    """The study as it is in a period: what finished works have restored is back in service."""
    base = plan.base
    back = {
        name
        for work in plan.works
        if work.end <= period.start
        for name in base.network.assets.ids(work.restores)
    }
    out = tuple(one for one in base.study.out if one not in back)
    key = frozenset(out)
    if key not in ready:
        study = replace(base.study, out=out)
        ready[key] = base_of(replace(base.network, study=study))
    return ready[key]

"""What a proposal costs: what the rules state for building, counted over what it builds.

Where the rules state no prices, the cost is what the candidates state themselves, else the metres
of new segments. What has no price is unknown: the total is then None, with a lower bound beside it.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, NotRequired, TypedDict

import numpy as np
import pandas as pd
import shapely

from waysapart.errors import CallError
from waysapart.reroute.plant.context import Optics
from waysapart.reroute.proposal_rows import Draft, Row
from waysapart.schema import LIST_SEPARATOR
from waysapart.study.model import Study, kept_by_study
from waysapart.study.toml import dotted

if TYPE_CHECKING:
    from waysapart.reroute.new_plant.candidates import Segment

AS_GIVEN = "as given"
"""The unit of costs that candidates state, where the rules name none."""
METRES = "m"
CHANGES = {
    "supply": ("feed from another supply", "feeds from other supplies"),
    "move": ("piece of equipment moved", "pieces of equipment moved"),
    "optics": ("end of a link fitted with optics", "ends of links fitted with optics"),
    "room": ("new room with a rack", "new rooms with racks"),
    "new_supply": ("new supply with its charger", "new supplies with their chargers"),
}
"""Changes at sites that have a price of their own, in words: one, and several."""
_LENGTH_DECIMALS, _COST_DECIMALS = 1, 2
AREA = 2
"""Dimensions of an area."""


class BudgetLine(TypedDict):
    """A line of a budget: how much of what, at which rate.

    `cost` is `length_m` or `count` times `rate`; the other of the two is null, and both where
    nobody knows how many. A `rate` that nobody states is null, and so is the cost; `key` is the
    rule that would state it. `as_given`: the candidate states its own cost.
    """

    what: str
    key: str
    count: int | None
    length_m: float | None
    rate: float | None
    cost: float | None
    as_given: NotRequired[bool]


@dataclass(frozen=True)
class Budget:
    """What a proposal costs, line by line.

    Attributes
    ----------
    lines : tuple of BudgetLine
    """

    lines: tuple[BudgetLine, ...]

    @property
    def total(self) -> float | None:
        """The sum of all lines; None where one of them is not known."""
        return self.at_least if all(one["cost"] is not None for one in self.lines) else None

    @property
    def at_least(self) -> float:
        """The sum of the lines that are known."""
        return round(sum(one["cost"] or 0.0 for one in self.lines), _COST_DECIMALS)

    def within(self, most: float | None) -> bool | None:
        """Whether the total is at most so much; None where that is not known, or not asked.

        Parameters
        ----------
        most : float or None

        Returns
        -------
        bool or None
        """
        if most is None:
            return None
        if self.at_least > most:
            return False
        return None if self.total is None else True


def given_costs(table: pd.DataFrame, names: Sequence[str]) -> list[float | None]:
    """The cost that each candidate states.

    Parameters
    ----------
    table : DataFrame
        One candidate in a row; `cost` may be missing.
    names : sequence of str
        What the candidates are called.

    Returns
    -------
    list of float or None
        None where a candidate states none.

    Raises
    ------
    CallError
        With every cost that is no number, negative or not finite.
    """
    if "cost" not in table:
        return [None] * len(names)
    stated = table["cost"]
    numbers = pd.to_numeric(stated, errors="coerce").to_numpy(dtype=np.float64)
    blank = stated.isna().to_numpy() | (stated.astype("str").str.strip() == "").to_numpy()
    wrong = ~blank & ~(np.isfinite(numbers) & (numbers >= 0))
    if wrong.any():
        told = [
            f"row {row + 1}, candidate {names[row]}: {str(stated.iloc[row])!r}"
            for row in np.flatnonzero(wrong).tolist()
        ]
        raise CallError(f"column cost: expected a number of at least 0; found {'; '.join(told)}")
    return [None if no else float(cost) for no, cost in zip(blank, numbers, strict=True)]


def unit_of_costs(study: Study, segments: Iterable[Segment]) -> str:
    """What costs are in: the unit of the rules, `as given`, or metres.

    Parameters
    ----------
    study : Study
    segments : iterable of Segment
        All candidates.

    Returns
    -------
    str
    """
    if study.rules.build.unit is not None:
        return study.rules.build.unit
    return AS_GIVEN if any(one.given is not None for one in segments) else METRES


def with_costs(study: Study, segments: Sequence[Segment]) -> list[Segment]:
    """Candidates with the cost by which searches rank them.

    Parameters
    ----------
    study : Study
    segments : sequence of Segment
        Any that state a cost of their own keep it.

    Returns
    -------
    list of Segment
        One whose price is not known is ranked by the dearest metre of the rules, and marked.

    Raises
    ------
    CallError
        Some candidates state a cost and others do not, and the rules state no unit.
    """
    build = study.rules.build
    without = [one.id for one in segments if one.given is None]
    if build.unit is None and 0 < len(without) < len(segments):
        raise CallError(
            f"column cost is blank for {', '.join(without)}: give every candidate a cost, or none "
            "(then cost is in metres), or state [build] in the rules"
        )
    rates = build.per_m.values() if isinstance(build.per_m, Mapping) else [build.per_m or 0.0]
    dearest = max(rates, default=0.0) or 1.0
    found = []
    for one in segments:
        lines = _of_segment(study, one)
        known = sum(line["cost"] or 0.0 for line in lines)
        priced = all(line["cost"] is not None for line in lines)
        cost = known if priced else known + dearest * one.length_m
        found.append(replace(one, cost=round(cost, _COST_DECIMALS), priced=priced))
    return found


def budget_of(
    study: Study,
    segments: Iterable[Segment],
    draft: Draft,
    changes: Sequence[str] = (),
    optics: Sequence[Optics] = (),
) -> Budget:
    """What a proposal costs.

    Parameters
    ----------
    study : Study
        As it is, without the proposal. Where its rules state no prices, only segments count.
    segments : iterable of Segment
        That are built.
    draft : Draft
        All rows of the proposal, and its work.
    changes : sequence of str
        Changes at sites, by `CHANGES`.
    optics : sequence of Optics
        That are fitted at both ends of each new link that has them.

    Returns
    -------
    Budget
    """
    lines = [line for one in segments for line in _of_segment(study, one)]
    build = study.rules.build
    if build.unit is None:
        return Budget(tuple(lines))
    lines += [
        _counted(
            ("joint made or opened", "joints made or opened"), "per_joint", joints, build.per_joint
        )
        for joints in (joints_of(draft),)
        if joints
    ]
    lines += [
        _counted(("port taken", "ports taken"), "per_port", ports, build.per_port)
        for ports in (ports_of(study, draft),)
        if ports
    ]
    counts = Counter(changes)
    counts["optics"] += 2 * sum(_has(row, one) for row in _new_links(draft) for one in optics)
    lines += [
        _counted(CHANGES[kind], f"per_change.{kind}", counts[kind], build.of_change(kind))
        for kind in CHANGES
        if counts[kind]
    ]
    return Budget(tuple(lines))


def _counted(said: tuple[str, str], key: str, count: int | None, rate: float | None) -> BudgetLine:
    """A line of so many things, named as one and as several."""
    cost = None if rate is None or count is None else round(count * rate, _COST_DECIMALS)
    what = said[count != 1]
    return {
        "what": what,
        "key": f"build.{key}",
        "count": count,
        "length_m": None,
        "rate": rate,
        "cost": cost,
    }


def _of_segment(study: Study, one: Segment) -> list[BudgetLine]:
    """The lines of one segment: its own cost, else its metres and what it crosses."""
    build = study.rules.build
    length_m = round(one.length_m, _LENGTH_DECIMALS)
    line: BudgetLine = {
        "what": f"{one.kind} {one.id}",
        "key": dotted(("build", "per_m", one.kind)),
        "count": None,
        "length_m": length_m,
        "rate": None,
        "cost": None,
    }
    if one.given is not None:
        return [{**line, "cost": round(one.given, _COST_DECIMALS), "as_given": True}]
    if build.unit is None:
        return [{**line, "rate": 1.0, "cost": length_m}]
    rate = build.of_metre(one.kind)
    if rate is not None:
        line = {**line, "rate": rate, "cost": round(length_m * rate, _COST_DECIMALS)}
    crossed = crossings(study, one)
    return [
        line,
        *(
            _counted(
                (f"crossing of {name} by {one.id}", f"crossings of {name} by {one.id}"),
                dotted(("per_crossing", name)),
                count,
                (build.per_crossing or {}).get(name),
            )
            for name, count in crossed.items()
            if count != 0
        ),
    ]


def crossings(study: Study, one: Segment) -> dict[str, int | None]:
    """How often a segment crosses each layer without a role.

    Parameters
    ----------
    study : Study
    one : Segment

    Returns
    -------
    dict of str to int or None
        By name of the layer: separate places where the segment meets its lines, and separate
        stretches in its areas. None for a layer that has a price and that the study lacks.
    """
    found: dict[str, int | None] = {}
    for name, tree in _backdrops(study):
        shapes = tree.geometries[tree.query(one.line, predicate="intersects")]
        met, what = shapely.get_parts(shapely.intersection(one.line, shapes), return_index=True)
        size = shapely.get_dimensions(met)
        area = shapely.get_dimensions(shapes)[what] == AREA
        stretches = shapely.line_merge(shapely.union_all(met[size == 1]))
        points = shapely.difference(shapely.union_all(met[(size == 0) & ~area]), stretches)
        parts = shapely.get_parts([stretches, points])
        found[name] = int((~shapely.is_empty(parts)).sum())
    return {**dict.fromkeys(study.rules.build.per_crossing or ()), **found}


@kept_by_study
def _backdrops(study: Study) -> list[tuple[str, shapely.STRtree]]:
    """Layers without a role, drawn in the study's plane: lines and areas."""
    drawn = [(one.name, study.plane.flat(one.lonlat)) for one in study.backdrops]
    return [
        (name, shapely.STRtree(shapes[shapely.get_dimensions(shapes) > 0]))
        for name, shapes in drawn
    ]


def unknown_layers(study: Study) -> list[str]:
    """Layers whose crossings have a price and that the study lacks.

    Parameters
    ----------
    study : Study

    Returns
    -------
    list of str
    """
    known = {backdrop.name for backdrop in study.backdrops}
    return [name for name in study.rules.build.per_crossing or () if name not in known]


# --- Joints and ports, counted from the rows and the work of a proposal.


def joints_of(draft: Draft) -> int:
    """Joints that are made or opened: each joint, or place, at which the proposal splices.

    Parameters
    ----------
    draft : Draft

    Returns
    -------
    int
        Of links that are spliced fibre by fibre, the joints of their rows; of others, the joints
        of the work list, and each place with a closure that is not on record once.
    """
    spliced = {("joint", str(row["joint"])) for row in draft.rows.get("splices", [])}
    built = {str(row["id"]) for row in _new_links(draft) if row.get("a_port")}
    for one in draft.work:
        if one["what"] == "splice" and one.get("link") not in built:
            joint = one.get("joint")
            spliced.add(("joint", joint) if joint else ("at", str(one["at"])))
    return len(spliced)


def ports_of(study: Study, draft: Draft) -> int:
    """Ports that new cords and ends of fibres take.

    Parameters
    ----------
    study : Study
        As it is: cords that it has already take no new port.
    draft : Draft

    Returns
    -------
    int
        Of links whose cords are rows, each port of these and of new ends of fibres once. Of
        others, two for each fibre of each cord of the work list.
    """
    taken: set[tuple[str, str]] = set()
    old = set(study.tables["patches"]["id"].dropna())
    for row in draft.rows.get("patches", []):
        if row.get("id") not in old:
            for end in ("a", "b"):
                ports = str(row[f"{end}_port"]).split(LIST_SEPARATOR)
                taken.update((str(row[end]), port) for port in ports)
    for row in draft.rows.get("terminations", []):
        taken.add((str(row["equipment"]), str(row["port"])))
    links = _new_links(draft)
    built = {str(row["id"]) for row in links if row.get("a_port")}
    cords = Counter(
        str(one.get("link"))
        for one in draft.work
        if one["what"] == "patch" and one.get("link") not in built
    )
    fibres: dict[str, int] = {}
    for row in draft.rows.get("link_runs", []):
        fibres.setdefault(str(row["link"]), len(str(row["fibres"]).split(LIST_SEPARATOR)))
    return len(taken) + sum(2 * fibres.get(link, 0) * count for link, count in cords.items())


def _new_links(draft: Draft) -> list[Row]:
    return draft.rows.get("links", [])


def _has(row: Row, optics: Optics) -> bool:
    """Whether a link has these optics."""
    return all(row.get(name) == value for name, value in vars(optics).items())


# --- The budget as plain data, and what a circuit costs.


class ApartPerCost(TypedDict):
    """How many circuits and groups a proposal makes apart, for so much of its cost.

    `value` counts those that are apart only `once_recorded` is what new plant lies in as well.
    """

    apart: int
    once_recorded: int
    cost: float
    unit: str
    per: float
    value: float


class BudgetFacts(TypedDict):
    """What a proposal costs. `total` is null where a line is; `at_least` sums those known."""

    unit: str
    lines: list[BudgetLine]
    total: float | None
    at_least: float
    budget: float | None
    within_budget: bool | None


def budget_facts(budget: Budget, unit: str, most: float | None) -> BudgetFacts:
    """A budget as plain data.

    Parameters
    ----------
    budget : Budget
    unit : str
        From `unit_of_costs`.
    most : float or None
        What a proposal may cost.

    Returns
    -------
    BudgetFacts
    """
    return {
        "unit": unit,
        "lines": [*budget.lines],
        "total": budget.total,
        "at_least": budget.at_least,
        "budget": most,
        "within_budget": budget.within(most),
    }


def apart_per_cost(
    budget: Budget, unit: str, apart: int, once_recorded: int = 0
) -> ApartPerCost | None:
    """How many are apart per cost, by the power of ten that is next below the total.

    Parameters
    ----------
    budget : Budget
    unit : str
        From `unit_of_costs`.
    apart, once_recorded : int
        Circuits and groups that are, and that are once it is on record what new plant lies in.

    Returns
    -------
    ApartPerCost or None
        None where the total is not known, or nought, and where nothing is apart.

    Examples
    --------
    >>> budget = Budget((_counted(("joint", "joints"), "per_joint", 2, 9200.0),))
    >>> apart_per_cost(budget, "EUR", 2)["value"]
    1.087
    """
    total = budget.total
    every = apart + once_recorded
    if not total or not every:
        return None
    per = 10.0 ** math.floor(math.log10(total) + 1e-9)
    return {
        "apart": apart,
        "once_recorded": once_recorded,
        "cost": total,
        "unit": unit,
        "per": per,
        "value": round(every * per / total, 3),
    }

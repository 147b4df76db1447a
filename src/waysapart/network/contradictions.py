"""Records that are sound by themselves and cannot both be true: of place, of site, of time."""

from __future__ import annotations

from collections.abc import Callable, Mapping

import numpy as np
import pandas as pd
import shapely

from waysapart.gaps import Gap, Limit
from waysapart.network.assets import Assets, listed
from waysapart.network.chains import Chains
from waysapart.network.ends import Passing
from waysapart.network.hazards import ground_m
from waysapart.network.records import place_of, row_gap
from waysapart.study.model import Study

Holders = Callable[[int], frozenset[int]]
"""Everything that holds an asset, at any depth."""
TEST_LIMITS: Mapping[str, tuple[Limit, ...]] = {
    "length_m": ("delay", "asymmetry", "loss"),
    "loss_db": ("loss",),
    "delay_us": ("delay", "asymmetry"),
}
"""What rests on a measurement, by what it measured."""


def contradictions(
    study: Study, assets: Assets, chains: Chains, passed: Passing, above: Holders
) -> list[Gap]:
    """A gap for every two records that contradict each other; each names both.

    Returns
    -------
    list of Gap
        Codes `joint-off-cable`, `site-contradiction`, `test-future`.
    """
    return [
        *_joints_off_cables(study, assets, chains, passed, above),
        *_other_sites(study, assets, above),
        *_future_measurements(study),
    ]


def _joints_off_cables(
    study: Study, assets: Assets, chains: Chains, passed: Passing, above: Holders
) -> list[Gap]:
    """Joints that list a cable which never passes the place where they are.

    A cable passes a place where its chain has it as a node, where one lies within the other, or
    where its segments or its drawn line come within `snap_m` of it. A cable that is neither
    listed nor drawn is a gap of its own.
    """
    joints, cables = study.tables["joints"], study.tables["cables"]
    row, name = listed(joints["cables"])
    cable = np.maximum(assets.numbers(name) - assets.start["cables"], -1)
    at = assets.numbers(joints["at"])[row]
    shapes = np.full(len(assets), None, dtype=object)
    for role in ("sites", "structures"):
        shapes[assets.of_role(role)] = study.geometries(role)
    lines, drawn = study.geometries("segments"), study.geometries("cables")
    nodes_of = {number: _nodes(chains, passed, number) for number in set(cable.tolist()) - {-1}}
    found: list[Gap] = []
    for joint, place, number in zip(row.tolist(), at.tolist(), cable.tolist(), strict=True):
        if place < 0 or number < 0:
            continue
        nodes = nodes_of[number]
        if place in nodes or any(
            place in above(node) or node in above(place) for node in nodes if node >= 0
        ):
            continue
        course = np.append(lines[chains.segment[chains.rows(number)]], drawn[number])
        metres = _nearest_m(study, shapes[place], course)
        if np.isnan(metres) or metres <= study.snap_m:
            continue
        mine, other = str(joints["id"].iloc[joint]), str(cables["id"].iloc[number])
        found.append(
            row_gap(
                study,
                "joint-off-cable",
                "joints",
                joint,
                f"is at {assets.ids([place])[0]} and lists cable {other}, which never passes "
                f"there: it comes no nearer than {metres:,.0f} m. Correct where the joint is, "
                "which cables it joins, or the cable's course",
                joined=" ",
                assets=(mine, other),
                column="cables",
            )
        )
    return found


def _nodes(chains: Chains, passed: Passing, cable: int) -> set[int]:
    """Structures and sites that a cable runs to or passes."""
    rows = chains.rows(cable)
    found = {*chains.entry[rows].tolist(), *chains.exit[rows].tolist()}
    for segment, start, stop in zip(
        chains.segment[rows].tolist(),
        chains.start[rows].tolist(),
        chains.stop[rows].tolist(),
        strict=True,
    ):
        low, high = np.searchsorted(passed.segment, [segment, segment + 1])
        between = (passed.fraction[low:high] > min(start, stop)) & (
            passed.fraction[low:high] < max(start, stop)
        )
        found |= set(passed.structure[low:high][between].tolist())
    return found


def _nearest_m(study: Study, place: shapely.Geometry | None, course: np.ndarray) -> float:
    """How near a course comes to a place, in metres on the ellipsoid; NaN where nobody knows."""
    metres = np.asarray(shapely.distance(course, place), dtype=np.float64)
    if np.isnan(metres).all():
        return np.nan
    nearest = int(np.nanargmin(metres))
    here = np.array([place], dtype=object)
    return float(ground_m(study, course[nearest : nearest + 1], here)[0])


def _other_sites(study: Study, assets: Assets, above: Holders) -> list[Gap]:
    """Equipment and supplies whose site is not one that they lie within."""
    sites = assets.of_role("sites")
    found = []
    for role in ("equipment", "supplies"):
        table = study.tables[role]
        stated = assets.numbers(table["site"]).tolist()
        for row, site in enumerate(stated):
            held = {
                holder
                for holder in above(assets.start[role] + row)
                if sites.start <= holder < sites.stop
            }
            if site < 0 or not held or site in held or held & above(site):
                continue
            lies = ", ".join(assets.ids(sorted(held)))
            text = (
                f"stands on site {table['site'].iloc[row]} by its site, and on {lies} by what it "
                f"lies within ({table['within'].iloc[row]}): correct one of the two"
            )
            found.append(
                row_gap(study, "site-contradiction", role, row, text, joined=" ", column="site")
            )
    return found


def _future_measurements(study: Study) -> list[Gap]:
    """Tests dated after the day for which the study is judged."""
    measurements = study.tables["measurements"]
    found = []
    for row in np.flatnonzero(
        (measurements["date"].dt.normalize() > pd.Timestamp(study.on)).to_numpy()
    ).tolist():
        measurement = measurements.iloc[row]
        of_cable = isinstance(measurement["cable"], str)
        name = str(measurement["cable"] if of_cable else measurement["link"])
        day = measurement["date"].date().isoformat()
        found.append(
            Gap(
                "test-future",
                f"{'cable' if of_cable else 'link'} {name}: a test is dated {day}, and the study "
                f"is judged for {study.on.isoformat()}; it does not count. Correct the date",
                name,
                assets=(name,) if of_cable else (),
                links=() if of_cable else (name,),
                only=measured_limits(measurement),
                column="date",
                **place_of(study, measurements, row),
            )
        )
    return found


def measured_limits(measurement: pd.Series) -> tuple[Limit, ...]:
    """The limits that rest on what a measurement measured."""
    measured = [name for name in TEST_LIMITS if pd.notna(measurement[name])]
    return tuple(dict.fromkeys(limit for name in measured for limit in TEST_LIMITS[name]))

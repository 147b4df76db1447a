"""Gaps of the records themselves: blanks and contradictions.

`[records]` in the rules states what a blank means; how old a record may be stands in
`waysapart.network.record_ages`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import shapely

from waysapart.arrays import Bools, Floats, owners
from waysapart.gaps import Gap, Limit
from waysapart.network.assets import Assets, Holders, listed, place_of, places_of, row_gap
from waysapart.network.chains import Chains
from waysapart.network.ends import Passing
from waysapart.schema import ASSET_ROLES, ROLES
from waysapart.study.model import Study
from waysapart.study.rules import OTHER_KIND
from waysapart.study.toml import dotted

if TYPE_CHECKING:
    pass

_PLURAL = {
    "equipment": "pieces of equipment",
    "supplies": "supplies",
    "battery": "batteries",
    "bridge": "bridges",
    "chassis": "chassis",
    "entry": "entries",
    "gantry": "gantries",
    "subsea": "subsea segments",
    "buried": "buried segments",
    "radio": "radios",
}


@dataclass(frozen=True)
class BlankRule:
    """What the rules take blanks of one column to mean, for one kind.

    Attributes
    ----------
    column : str
        `within`, `supplies`, `needs` or `delay_us`.
    kind : str
        The kind, or the role where a row has none.
    value : str or float
        `gap`, `none`, or a delay in microseconds.
    count : int
        How many rows are blank.
    rule : str
        Key of the rule that says so, such as `records.within.other`.
    """

    column: str
    kind: str
    value: str | float
    count: int
    rule: str


def blank_gaps(study: Study) -> list[Gap]:
    """Make a gap of every blank that the rules do not explain.

    Parameters
    ----------
    study : Study

    Returns
    -------
    list of Gap
        Codes `blank-within`, `blank-supplies`, `blank-needs`, `blank-delay`.
    """
    gaps = []
    for role, column, rows in _blanks(study):
        table = study.tables[role]
        one, many = _SAYS[column]
        open_ = np.flatnonzero(rows & (_meaning(study, role, column) == "gap"))
        names = table["id"].to_numpy(dtype=object)[open_].tolist()
        kinds = _kinds(table, role)[open_].tolist()
        places = places_of(study, table, open_)
        for name, kind, place in zip(names, kinds, places, strict=True):
            gaps.append(
                Gap(
                    _CODES[column],
                    f"{_article(kind)} {name} {one}: record it"
                    + (" (- if there is none)" if column != "delay_us" else ""),
                    name,
                    assets=(name,),
                    column=column,
                    fold=f"{{count}} {plural(kind)} {many}: {{names}}",
                    **place,
                )
            )
    return gaps


def explained_blanks(study: Study, relied_on: Mapping[str, Bools]) -> list[BlankRule]:
    """Count the blanks that the rules take as none or as a figure, which readers must accept.

    Parameters
    ----------
    study : Study
    relied_on : mapping of str to ndarray of bool, shape (rows,)
        By role, the rows on which some path relies: no verdict rests on the others.

    Returns
    -------
    list of BlankRule
        One per column and kind.
    """
    found = []
    for role, column, rows in _blanks(study):
        meaning = _meaning(study, role, column)
        table = study.tables[role]
        kept = np.flatnonzero(rows & relied_on[role] & (meaning != "gap"))
        kinds = pd.Series(_kinds(table, role)[kept], dtype=object)
        for kind, places in kinds.groupby(kinds, sort=True).groups.items():
            value = meaning[kept[places[0]]]
            rule = _rule(study, column, str(kind), role)
            found.append(BlankRule(column, str(kind), value, len(places), rule))
    return found


def _rule(study: Study, column: str, kind: str, role: str) -> str:
    """Key of the rule that explains blanks of a kind: for the kind, the role, or all others."""
    table = getattr(study.rules.records, column)
    if isinstance(table, str):
        return f"records.{column}"
    return dotted(("records", column, next((k for k in (kind, role) if k in table), OTHER_KIND)))


def assumed_delay_us(study: Study) -> Floats:
    """Return the delay of every piece of equipment, by the record or else by the rules.

    Parameters
    ----------
    study : Study

    Returns
    -------
    ndarray of float, shape (equipment,)
        Microseconds. The recorded delay, else the figure that the rules state for the kind, else 0
        where the equipment is passive or the rules say that it has none; NaN where it is not known.
    """
    table = study.tables["equipment"]
    delay = table["delay_us"].to_numpy(dtype=np.float64).copy()
    meaning = _meaning(study, "equipment", "delay_us")
    passive = _passive(study)
    for row in np.flatnonzero(np.isnan(delay)).tolist():
        value = meaning[row]
        if passive[row] or value == "none":
            delay[row] = 0.0
        elif value != "gap":
            delay[row] = float(value)
    return delay


def said_of_blanks(column: str, kind: str, count: int) -> str:
    """Say how many rows are blank in a column.

    Parameters
    ----------
    column : str
        `within`, `supplies`, `needs` or `delay_us`.
    kind : str
    count : int

    Returns
    -------
    str
        Such as `12 towers do not say what they lie within`.

    Examples
    --------
    >>> said_of_blanks("within", "tower", 12)
    '12 towers do not say what they lie within'
    """
    one, many = _SAYS[column]
    return f"1 {kind} {one}" if count == 1 else f"{count} {plural(kind)} {many}"


_CODES = {
    "within": "blank-within",
    "supplies": "blank-supplies",
    "needs": "blank-needs",
    "delay_us": "blank-delay",
}
_SAYS = {
    "within": ("does not say what it lies within", "do not say what they lie within"),
    "supplies": ("does not say what supplies it", "do not say what supplies them"),
    "needs": ("does not say what it needs", "do not say what they need"),
    "delay_us": ("has no delay on record", "have no delay on record"),
}


def _blanks(study: Study) -> Iterable[tuple[str, str, Bools]]:
    """Role, column and mask of blank rows, for each column that `[records]` explains."""
    for role in ASSET_ROLES:
        if "within" in ROLES[role].column:
            yield role, "within", study.tables[role]["within"].isna().to_numpy()
    active = ~_passive(study)
    equipment = study.tables["equipment"]
    yield "equipment", "supplies", equipment["supplies"].isna().to_numpy() & active
    for role in ("supplies", "equipment"):
        blank = study.tables[role]["needs"].isna().to_numpy()
        yield role, "needs", blank & active if role == "equipment" else blank
    asked = active & _on_signals(study)
    yield "equipment", "delay_us", equipment["delay_us"].isna().to_numpy() & asked


def _on_signals(study: Study) -> Bools:
    """Equipment that a link ends on or passes: the only equipment whose delay counts."""
    links = study.tables["links"]
    met = {*links["a"].dropna(), *links["b"].dropna(), *listed(links["via"])[1]}
    return study.tables["equipment"]["id"].isin(met).to_numpy()


def _passive(study: Study) -> Bools:
    return np.asarray(
        study.tables["equipment"]["kind"].isin(study.rules.records.passive), dtype=np.bool_
    )


def _meaning(study: Study, role: str, column: str) -> np.ndarray:
    """`gap`, `none` or a figure for every row of a role."""
    records = study.rules.records
    of_kind: dict[str, Callable[[str | None], str | float]] = {
        "within": lambda kind: records.of_within(kind, role),
        "supplies": lambda kind: records.supplies,
        "needs": lambda kind: records.of_needs(kind, role),
        "delay_us": records.of_delay,
    }
    table = study.tables[role]
    if "kind" not in table:
        return np.full(len(table), of_kind[column](None), dtype=object)
    kinds = table["kind"].to_numpy(dtype=object)
    known = {kind: of_kind[column](kind) for kind in {k for k in kinds if isinstance(k, str)}}
    bare = of_kind[column](None)
    return np.array([known.get(kind, bare) for kind in kinds.tolist()], dtype=object)


def _kinds(table: pd.DataFrame, role: str) -> np.ndarray:
    """The kind of every row, or the role where it has none."""
    if "kind" not in table:
        return np.full(len(table), role, dtype=object)
    return table["kind"].astype(object).where(table["kind"].notna(), role).to_numpy(dtype=object)


def _article(kind: str) -> str:
    return {"supplies": "supply", "sites": "site", "structures": "structure"}.get(kind, kind)


def plural(kind: str) -> str:
    """Return the plural of a kind or of a role's name.

    Parameters
    ----------
    kind : str

    Returns
    -------
    str

    Examples
    --------
    >>> plural("duct"), plural("entry")
    ('ducts', 'entries')
    """
    if kind in _PLURAL:
        return _PLURAL[kind]
    return kind if kind.endswith("s") else f"{kind}s"


# --- Records that contradict each other: of place, of site, of time

TEST_LIMITS: Mapping[str, tuple[Limit, ...]] = {
    "length_m": ("delay", "asymmetry", "loss"),
    "loss_db": ("loss",),
    "delay_us": ("delay", "asymmetry"),
}
"""Limits that rest on a measurement, by what was measured."""


def contradictions(
    study: Study, assets: Assets, chains: Chains, passed: Passing, above: Holders
) -> list[Gap]:
    """Make a gap of every two records that contradict each other; each names both.

    Parameters
    ----------
    study : Study
    assets : Assets
    chains : Chains
    passed : Passing
    above : callable
        From an asset number to the numbers of everything that it lies in.

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
    """Joints that list a cable that does not pass the place where they are.

    A cable passes a place that is a node of its chain, that lies within such a node or holds it,
    or that lies within `snap_m` of its segments or its drawn line. A cable that is neither
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
    # Most joints stand where two segments of their cable meet.
    owner, many = owners(chains.first), len(assets)
    ends = np.concatenate([owner * many + node for node in (chains.entry, chains.exit)])
    left = np.flatnonzero((cable >= 0) & (at >= 0) & ~np.isin(cable * many + at, ends))
    nodes_of = {number: _nodes(chains, passed, number) for number in set(cable[left].tolist())}
    found: list[Gap] = []
    for joint, place, number in zip(
        row[left].tolist(), at[left].tolist(), cable[left].tolist(), strict=True
    ):
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
    """Structures and sites at which a cable ends or that it passes."""
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
    """Distance of a course from a place, in metres on the ellipsoid; NaN where not known."""
    metres = study.plane.metres(course, place)
    return np.nan if np.isnan(metres).all() else float(np.nanmin(metres))


def _other_sites(study: Study, assets: Assets, above: Holders) -> list[Gap]:
    """Equipment and supplies that lie within another site than the one they name."""
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
    """Measurements dated after the day for which the study is judged."""
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
                only=_measured_limits(measurement),
                column="date",
                **place_of(study, measurements, row),
            )
        )
    return found


def _measured_limits(measurement: pd.Series) -> tuple[Limit, ...]:
    """Limits that rest on a measurement."""
    measured = [name for name in TEST_LIMITS if pd.notna(measurement[name])]
    return tuple(dict.fromkeys(limit for name in measured for limit in TEST_LIMITS[name]))

"""Stretches of cable that a new link can be made of: their ends, free fibres and figures.

A cable can be entered and left at its two ends and at joints on record. Between two
such places lies a stretch. What a stretch relies on, its length, loss and delay come from the
earlier stages: a study with one link over each stretch goes through them like any other.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass, replace
from typing import cast

import geopandas as gpd
import numpy as np
import pandas as pd
import scipy.sparse as sp
import shapely

from waysapart.arrays import Bools, Floats, Ints, boolean, expand, owners
from waysapart.findings.delays import link_delays
from waysapart.findings.loss import loss_budgets
from waysapart.network.assets import listed
from waysapart.network.build_network import Network, tie_laid_links
from waysapart.network.splices import NOWHERE
from waysapart.reliance.closure import union
from waysapart.reliance.direct import part_items
from waysapart.reliance.rely import Reliance
from waysapart.study.model import Study

PASSIVE_DB = ("fibre_db", "splices_db", "connectors_db", "test_db")
"""Terms of a link's loss that add up stretch by stretch."""
UNNUMBERED = 2
"""Fibres that a link takes of a cable where its record names none: one in each direction."""
_EMPTIED = ("circuits", "circuit_paths", "rings", "ring_circuits")


@dataclass(frozen=True)
class Stretches:
    """Every stretch of every cable, one row each; the cable is followed from a to b.

    Attributes
    ----------
    cable : ndarray of int, shape (stretches,)
        Number of the cable in its table.
    a, b : ndarray of int
        Asset numbers of the places at its ends.
    first, last : ndarray of bool
        It begins, or stops, where the cable does.
    site_a, site_b : ndarray of int
        The site that each end is led into (asset number); -1: it is not.
    rows : csr_array of bool, shape (stretches, assets)
        Everything that it relies on, the panels at its ends included.
    panels_a, panels_b : tuple of tuple of int
        Panels (asset numbers) on which the cable ends there.
    free : tuple of tuple of int
        Per cable, the numbers of its free fibres.
    unnumbered : ndarray of bool
        Per cable, that some link in it does not say which fibres it has.
    length_m : ndarray of float
        Fibre length.
    half_splices : ndarray of int
        Joints inside it count twice, an end in the field, where it is spliced
        to what follows, once.
    connectors : ndarray of int
        Mated pairs: one where the cable is led into a site.
    in_part : frozenset of str
        Segments that some stretch or link follows only in part.
    us, db, repair_db : ndarray of float, shape (wavelengths, stretches)
        One-way delay, passive loss, and the allowance for later repairs; NaN
        where the records give no figure.
    """

    cable: Ints
    a: Ints
    b: Ints
    first: Bools
    last: Bools
    site_a: Ints
    site_b: Ints
    rows: sp.csr_array
    panels_a: tuple[tuple[int, ...], ...]
    panels_b: tuple[tuple[int, ...], ...]
    free: tuple[tuple[int, ...], ...]
    unnumbered: Bools
    length_m: Floats
    half_splices: Ints
    connectors: Ints
    in_part: frozenset[str]
    us: np.ndarray
    db: np.ndarray
    repair_db: np.ndarray

    def __len__(self) -> int:
        return len(self.cable)


def cut_stretches(
    reliance: Reliance,
    wavelengths_nm: Sequence[float],
    opened: Collection[int] = (),
    entries: Collection[int] = (),
) -> Stretches:
    """Cut every cable on record into stretches.

    Parameters
    ----------
    reliance : Reliance
    wavelengths_nm : sequence of float
        For which delay and loss are worked out, in this order.
    opened : collection of int
        Asset numbers of structures where cables are cut as well, such as where a closure is
        to be installed.
    entries : collection of int
        Asset numbers of new structures: cables that end there are led into the site.

    Returns
    -------
    Stretches

    Notes
    -----
    A cable is not cut at a place that it passes more than once.
    """
    network = reliance.network
    cut = cut_places(network, frozenset(opened))
    cable, a, b = (cut[name].to_numpy(dtype=np.int64) for name in ("cable", "a", "b"))
    first, last = cut["first"].to_numpy(dtype=bool), cut["last"].to_numpy(dtype=bool)
    into = led_in(network, cut, entries)
    site_a, site_b = (
        np.where(ends & into(cable, place), sites_reached(reliance, place), -1)
        for ends, place in ((first, a), (last, b))
    )
    connectors = (site_a >= 0).astype(np.int64) + (site_b >= 0)
    panels = _panels(network)
    panels_a, panels_b = _on_panels(panels, cable, site_a), _on_panels(panels, cable, site_b)
    tied = tie_laid_links(
        network,
        _with_links_over(network, cut, wavelengths_nm, connectors),
        cable,
        cut["begin"].to_numpy(dtype=np.float64),
        cut["stop"].to_numpy(dtype=np.float64),
        len(wavelengths_nm),
    )
    joints = _splices_inside(tied, a, b, len(cut))
    us, db, repair_db = _figures(tied, joints, len(wavelengths_nm))
    field_ends = 2 - connectors
    free, unnumbered = _free_fibres(network)
    return Stretches(
        cable,
        a,
        b,
        first,
        last,
        site_a,
        site_b,
        _relied(reliance, tied, len(cut), panels_a, panels_b),
        panels_a,
        panels_b,
        free,
        unnumbered,
        tied.lengths.go_m[: len(cut)],
        2 * joints + field_ends,
        connectors,
        _in_part(network) | _in_part(tied),
        us,
        db + field_ends * network.study.rules.defaults.splice_db / 2,
        repair_db,
    )


def _panels(network: Network) -> dict[tuple[int, int], tuple[int, ...]]:
    """Panels of every cable at every site: those that all links over the cable pass there.

    Where no link is there, the panel on which its fibres end.
    """
    study, assets = network.study, network.assets
    links, equipment = study.tables["links"], study.tables["equipment"]
    offset = assets.start["equipment"]
    row, name = listed(links["via"])
    via = assets.numbers(name)
    is_panel = (equipment["kind"] == "panel").to_numpy()
    panel = (via >= 0) & is_panel[via - offset]
    site_of = assets.numbers(equipment["site"])
    here = pd.DataFrame({"link": row[panel], "panel": via[panel]})
    here["site"] = site_of[here["panel"] - offset]
    runs = study.tables["link_runs"]
    by_cable = pd.DataFrame(
        {
            "link": pd.Index(links["id"]).get_indexer(pd.Index(runs["link"])),
            "cable": assets.numbers(runs["cable"]) - assets.start["cables"],
        }
    ).drop_duplicates()
    met = by_cable.merge(here, on="link")
    links_here = met.groupby(["cable", "site"])["link"].nunique()
    passing = met.groupby(["cable", "site", "panel"])["link"].nunique()
    found: dict[tuple[int, int], tuple[int, ...]] = {}
    for key, count in passing.items():
        cable, site, one = cast(tuple[int, int, int], key)
        if count == links_here[cable, site]:
            at = (int(cable), int(site))
            found[at] = (*found.get(at, ()), int(one))
    for where, alone in _ended_on(network).items():
        found.setdefault(where, (alone,))
    return found


def _ended_on(network: Network) -> dict[tuple[int, int], int]:
    """The panel on which all fibres of a cable end that are on record as ending at a site."""
    study, assets = network.study, network.assets
    ends, equipment = study.tables["terminations"], study.tables["equipment"]
    if not len(ends):
        return {}
    offset = assets.start["equipment"]
    machine = assets.numbers(ends["equipment"])
    is_panel = np.r_[(equipment["kind"] == "panel").to_numpy(), False]
    site_of = np.r_[assets.numbers(equipment["site"]), -1]
    place = np.where(machine >= 0, machine - offset, -1)
    frame = pd.DataFrame(
        {
            "cable": assets.numbers(ends["cable"]) - assets.start["cables"],
            "site": site_of[place],
            "panel": machine,
        }
    )[is_panel[place]].drop_duplicates()
    alone = frame[~frame.duplicated(["cable", "site"], keep=False)]
    rows = zip(*(alone[name].tolist() for name in ("cable", "site", "panel")), strict=True)
    return {(cable, site): panel for cable, site, panel in rows}


def _on_panels(
    panels: dict[tuple[int, int], tuple[int, ...]], cable: Ints, site: Ints
) -> tuple[tuple[int, ...], ...]:
    return tuple(panels.get(key, ()) for key in zip(cable.tolist(), site.tolist(), strict=True))


def _with_links_over(
    network: Network, cut: pd.DataFrame, wavelengths_nm: Sequence[float], connectors: Ints
) -> Study:
    """The study with one link over each stretch for every wavelength, and without circuits."""
    study = network.study
    cables = study.tables["cables"]["id"].to_numpy()
    waves = len(wavelengths_nm)
    place = np.tile(np.arange(len(cut)), waves)
    names = np.arange(len(place)).astype(str)
    machine = study.tables["equipment"]["id"].iloc[0]
    links = pd.DataFrame(
        {
            "id": names,
            "a": machine,
            "b": machine,
            "wavelength_nm": np.repeat(np.asarray(wavelengths_nm, dtype=np.float64), len(cut)),
            "connectors": connectors[place].astype(np.float64),
        }
    )
    runs = pd.DataFrame(
        {
            "link": names,
            "seq": 1.0,
            "cable": cables[cut["cable"].to_numpy()[place]],
        }
    )
    tests = study.tables["measurements"]
    tables = {
        **study.tables,
        **{role: study.tables[role].iloc[:0] for role in _EMPTIED},
        "links": like(study.tables["links"], links),
        "link_runs": like(study.tables["link_runs"], runs),
        "measurements": tests[tests["link"].isna()],
    }
    return replace(study, tables=tables, traced=None)


def like(table: pd.DataFrame, rows: pd.DataFrame) -> pd.DataFrame:
    """Give rows the columns and types of a table; missing columns are blank.

    Parameters
    ----------
    table, rows : DataFrame

    Returns
    -------
    DataFrame
        A GeoDataFrame in the CRS of `table` where that is one.
    """
    hidden = {"_layer": 0, "_row": 0}
    columns = {
        str(name): rows[name]
        if name in rows
        else pd.Series(hidden.get(str(name), np.nan), index=rows.index, dtype=object)
        for name in table.columns
    }
    found = pd.DataFrame(columns).reset_index(drop=True)
    types = {name: kind for name, kind in table.dtypes.items() if str(kind) != "geometry"}
    found = found.astype(types)
    if isinstance(table, gpd.GeoDataFrame):
        shapes = gpd.GeoSeries(found["geometry"].to_numpy(), crs=table.crs)
        placed: pd.DataFrame = gpd.GeoDataFrame(found.assign(geometry=shapes), geometry="geometry")
        return placed
    return found


def _in_part(network: Network) -> frozenset[str]:
    """Segments that some part of a cable follows over less than their length."""
    parts = network.parts
    share = np.abs(parts.stop - parts.start)
    names = network.study.tables["segments"]["id"].to_numpy()
    return frozenset(str(name) for name in names[np.unique(parts.segment[share < 1])])


def _splices_inside(network: Network, a: Ints, b: Ints, count: int) -> Ints:
    """Splices inside every stretch: joints on record there, and one between two reels."""
    known = network.splices.known
    known = known[(known["joint"] != NOWHERE) & (known["link"] < count)]
    link, joint = (known[name].to_numpy(dtype=np.int64) for name in ("link", "joint"))
    at = network.assets.numbers(network.study.tables["joints"]["at"])[joint]
    inside = (at != a[link]) & (at != b[link])
    recorded = np.bincount(link[inside], minlength=count)
    between = network.splices.between_reels[network.pieces.part[:count]]
    return (recorded + between).astype(np.int64)


def _figures(tied: Network, joints: Ints, waves: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Delay, passive loss and repair allowance of every stretch at every wavelength."""
    study = tied.study
    links = study.tables["links"].assign(splices=np.tile(joints, waves).astype(np.float64))
    network = replace(tied, study=replace(study, tables={**study.tables, "links": links}))
    delays = link_delays(network)
    budgets = loss_budgets(network).set_index("link")
    budgets = budgets.reindex(np.arange(len(links)))
    shape = (waves, len(joints))
    return (
        np.maximum(*(delays[way].to_numpy(np.float64) for way in ("go_us", "return_us"))).reshape(
            shape
        ),
        budgets[list(PASSIVE_DB)].sum(axis=1, skipna=False).to_numpy(np.float64).reshape(shape),
        budgets["repair_db"].to_numpy(dtype=np.float64).reshape(shape),
    )


def _relied(
    reliance: Reliance,
    tied: Network,
    count: int,
    panels_a: tuple[tuple[int, ...], ...],
    panels_b: tuple[tuple[int, ...], ...],
) -> sp.csr_array:
    """What every stretch relies on: its plant, and the panels at its ends."""
    items = part_items(tied)[tied.pieces.part[:count]]
    plant = sp.csr_array(items @ reliance.closed)
    pairs = [
        (row, panel)
        for panels in (panels_a, panels_b)
        for row, several in enumerate(panels)
        for panel in several
    ]
    table = np.array(pairs, dtype=np.int64).reshape(-1, 2)
    on = boolean(table[:, 0], table[:, 1], plant.shape)
    return union(plant, sp.csr_array(on @ reliance.closed))


def _free_fibres(network: Network) -> tuple[tuple[tuple[int, ...], ...], Bools]:
    """Numbers of free fibres per cable, and cables in which some link names no fibres.

    A link occupies its fibres in the whole cable even where it uses a part of it. A
    cable without `fibre_count` has no fibres that are known to be free.
    """
    study, assets = network.study, network.assets
    count = study.tables["cables"]["fibre_count"].to_numpy(dtype=np.float64)
    runs = study.tables["link_runs"]
    cable = assets.numbers(runs["cable"]) - assets.start["cables"]
    used: list[set[int]] = [set() for _ in range(len(count))]
    row, fibre = listed(runs["fibres"])
    for at, number in zip(cable[row].tolist(), fibre, strict=True):
        if at >= 0:
            used[at].add(int(number))
    blank = cable[runs["fibres"].isna().to_numpy() & (cable >= 0)]
    unnumbered = np.bincount(blank, minlength=len(count))
    free = []
    for at, total in enumerate(count):
        several = 0 if np.isnan(total) else int(total)
        left = [number for number in range(1, several + 1) if number not in used[at]]
        keep = max(0, len(left) - UNNUMBERED * int(unnumbered[at]))
        free.append(tuple(left[:keep]))
    return tuple(free), unnumbered > 0


# --- Where cables can be entered and left.


def cut_places(network: Network, opened: frozenset[int]) -> pd.DataFrame:
    """The ends of every stretch: cable, a, b, first, last, and positions begin and stop."""
    nodes = cable_nodes(network)
    key = ["cable", "node"]
    nodes = nodes[(nodes["node"] >= 0) & ~nodes.duplicated(key, keep=False)]
    at_joint = pd.MultiIndex.from_frame(nodes[key]).isin(_joint_places(network))
    anywhere = nodes["node"].isin([*opened, *_unlisted_joints(network)])
    ends = nodes["first"] | nodes["last"]
    kept = nodes[ends | at_joint | anywhere].sort_values(["cable", "position"])
    begin, stop = kept.iloc[:-1], kept.iloc[1:]
    same = begin["cable"].to_numpy() == stop["cable"].to_numpy()
    return pd.DataFrame(
        {
            "cable": begin["cable"].to_numpy()[same],
            "a": begin["node"].to_numpy()[same],
            "b": stop["node"].to_numpy()[same],
            "first": begin["first"].to_numpy()[same],
            "last": stop["last"].to_numpy()[same],
            "begin": begin["position"].to_numpy()[same],
            "stop": stop["position"].to_numpy()[same],
        }
    )


def cable_nodes(network: Network) -> pd.DataFrame:
    """Every place on the chain of every cable.

    Parameters
    ----------
    network : Network

    Returns
    -------
    DataFrame
        `cable` (number), `node` (asset number, -1: not known), `position` along
        the chain, `segment` (number) that leads there (-1 at the beginning),
        `first` and `last`: the cable begins or stops there.
    """
    chains, passed = network.chains, network.passed
    size = np.diff(chains.first)
    cable = owners(chains.first)
    place = (np.arange(len(cable)) - chains.first[cable]).astype(np.float64)
    begin = np.searchsorted(passed.segment, chains.segment)
    several = np.searchsorted(passed.segment, chains.segment, side="right") - begin
    row, item = expand(begin, several)
    share = (passed.fraction[item] - chains.start[row]) / (chains.stop[row] - chains.start[row])
    inside = (share > 0) & (share < 1)
    row, item, share = row[inside], item[inside], share[inside]
    heads = chains.first[:-1][size > 0]
    owner = np.flatnonzero(size > 0)
    ends = place + 1 == size[cable]
    none = np.zeros(len(row), dtype=bool)
    return pd.DataFrame(
        {
            "cable": np.r_[owner, cable, cable[row]],
            "node": np.r_[chains.entry[heads], chains.exit, passed.structure[item]],
            "position": np.r_[np.zeros(len(owner)), place + 1, place[row] + share],
            "segment": np.r_[np.full(len(owner), -1), chains.segment, chains.segment[row]].astype(
                np.int64
            ),
            "first": np.r_[np.ones(len(owner), dtype=bool), np.zeros(len(cable), dtype=bool), none],
            "last": np.r_[np.zeros(len(owner), dtype=bool), ends, none],
        }
    )


def _joint_places(network: Network) -> list[tuple[int, int]]:
    """Cable and place of every joint that names its cables."""
    joints, assets = network.study.tables["joints"], network.assets
    row, name = listed(joints["cables"])
    cable = assets.numbers(name) - assets.start["cables"]
    at = assets.numbers(joints["at"])[row]
    return list(zip(cable.tolist(), at.tolist(), strict=True))


def _unlisted_joints(network: Network) -> list[int]:
    joints = network.study.tables["joints"]
    found: list[int] = network.assets.numbers(joints["at"][joints["cables"].isna()]).tolist()
    return found


def sites_reached(reliance: Reliance, places: Ints) -> Ints:
    """The site that each place is, lies within or touches; -1 where none."""
    network = reliance.network
    sites = network.assets.of_role("sites")
    unique, back = np.unique(places, return_inverse=True)
    found = np.full(len(unique), -1, dtype=np.int64)
    inside = reliance.closed[unique][:, sites].tocoo()
    found[inside.row] = sites.start + inside.col
    structures = network.assets.of_role("structures")
    left = np.flatnonzero((found < 0) & (unique >= structures.start) & (unique < structures.stop))
    shapes = network.study.geometries("sites")
    if len(left) and len(shapes):
        mine = network.study.geometries("structures")[unique[left] - structures.start]
        plane, snap_m = network.study.plane, network.study.snap_m
        row, site = shapely.STRtree(shapes).query(
            mine, predicate="dwithin", distance=plane.reach(mine, snap_m)
        )
        near = plane.metres(mine[row], shapes[site]) <= snap_m
        row, site = row[near], site[near]
        found[left[row]] = sites.start + site
    return found[back]


def led_in(
    network: Network, cut: pd.DataFrame, entries: Collection[int] = ()
) -> Callable[[Ints, Ints], Bools]:
    """Which ends of cables are led into a building.

    An end at a site is. An end at a structure of a site (an entry, a gantry) is, if some link
    ends there on this cable, or if no other cable goes on from there, or if it is one of `entries`.
    """
    sites = network.assets.of_role("sites")
    ends = pd.concat(
        [
            cut.loc[cut["first"], ["cable", "a"]].set_axis(["cable", "node"], axis=1),
            cut.loc[cut["last"], ["cable", "b"]].set_axis(["cable", "node"], axis=1),
        ]
    )
    meeting = ends["node"].value_counts()
    alone = meeting.index[meeting == 1].union(pd.Index(sorted(entries), dtype=np.int64))
    in_use = pd.MultiIndex.from_frame(_link_ends(network))

    def told(cable: Ints, node: Ints) -> Bools:
        used = pd.MultiIndex.from_arrays([cable, node]).isin(in_use)
        at_site = (node >= sites.start) & (node < sites.stop)
        return np.asarray(at_site | used | np.isin(node, alone))

    return told


def _link_ends(network: Network) -> pd.DataFrame:
    """Cable and place where links on record begin and stop."""
    pieces, parts = network.pieces, network.parts
    filled = np.diff(parts.first)[pieces.part] > 0
    part, link, turned = pieces.part[filled], pieces.link[filled], pieces.reversed[filled]
    way = pieces.way[filled]
    begin, stop = parts.entry[parts.first[part]], parts.exit[parts.first[part + 1] - 1]
    enters, leaves = np.where(turned, stop, begin), np.where(turned, begin, stop)
    new = np.ones(len(link), dtype=bool)
    new[1:] = (link[1:] != link[:-1]) | (way[1:] != way[:-1])
    old = np.append(new[1:], True)[: len(new)]
    cable = parts.cable[part]
    return pd.DataFrame(
        {"cable": np.r_[cable[new], cable[old]], "node": np.r_[enters[new], leaves[old]]}
    )

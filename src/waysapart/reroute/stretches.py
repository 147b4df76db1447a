"""Stretches of cable that a new link can be made of: their ends, free fibres and figures.

A cable can be entered and left at its two ends and at joints on record. Between two
such places lies a stretch. What it relies on, how long it is, what it loses and
how late its light comes is not worked out here: a study with one link over each
stretch goes through the same stages as any other.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from typing import cast

import geopandas as gpd
import numpy as np
import pandas as pd
import scipy.sparse as sp

from waysapart.arrays import Bools, Floats, Ints, boolean
from waysapart.findings.budgets import loss_budgets
from waysapart.findings.delays import link_delays
from waysapart.network.assets import listed
from waysapart.network.splices import NOWHERE
from waysapart.network.tie import Network, tie
from waysapart.reliance.closure import union
from waysapart.reliance.rely import Reliance, rely
from waysapart.reroute.cable_ends import cut_places, led_in, sites_reached
from waysapart.study.model import Study

PASSIVE_DB = ("fibre_db", "splices_db", "connectors_db", "test_db")
"""Terms of a link's loss that add up stretch by stretch."""
UNNUMBERED = 2
"""Fibres that a link takes of a cable where its record names none: one each way."""
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
    reliance: Reliance, wavelengths_nm: Sequence[float], opened: Collection[int] = ()
) -> Stretches:
    """Cut every cable on record into stretches.

    Parameters
    ----------
    reliance : Reliance
    wavelengths_nm : sequence of float
        For which delay and loss are worked out, in this order.
    opened : collection of int
        Asset numbers of structures where cables are cut as well, as where a
        closure is to be put in.

    Notes
    -----
    A place that a cable comes to more than once is no place to cut it.
    """
    network = reliance.network
    cut = cut_places(network, frozenset(opened))
    cable, a, b = (cut[name].to_numpy(dtype=np.int64) for name in ("cable", "a", "b"))
    first, last = cut["first"].to_numpy(dtype=bool), cut["last"].to_numpy(dtype=bool)
    into = led_in(network, cut)
    site_a, site_b = (
        np.where(ends & into(cable, place), sites_reached(reliance, place), -1)
        for ends, place in ((first, a), (last, b))
    )
    connectors = (site_a >= 0).astype(np.int64) + (site_b >= 0)
    panels = _panels(network)
    panels_a, panels_b = _on_panels(panels, cable, site_a), _on_panels(panels, cable, site_b)
    study = _with_links_over(network, cut, wavelengths_nm, connectors)
    tied = rely(tie(study, with_gaps=False))
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
        tied.network.lengths.go_m[: len(cut)],
        2 * joints + field_ends,
        connectors,
        _in_part(network) | _in_part(tied.network),
        us,
        db + field_ends * network.study.rules.defaults.splice_db / 2,
        repair_db,
    )


def _panels(network: Network) -> dict[tuple[int, int], tuple[int, ...]]:
    """Panels of every cable at every site: those that all links by this cable pass there."""
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
    return found


def _on_panels(
    panels: dict[tuple[int, int], tuple[int, ...]], cable: Ints, site: Ints
) -> tuple[tuple[int, ...], ...]:
    return tuple(panels.get(key, ()) for key in zip(cable.tolist(), site.tolist(), strict=True))


def _with_links_over(
    network: Network, cut: pd.DataFrame, wavelengths_nm: Sequence[float], connectors: Ints
) -> Study:
    """The study with one link over each stretch for every wavelength, and without circuits."""
    study = network.study
    ids = network.assets.index.to_numpy()
    cables = study.tables["cables"]["id"].to_numpy()
    waves = len(wavelengths_nm)
    place = np.tile(np.arange(len(cut)), waves)
    names = np.arange(len(place)).astype(str)
    whole = (cut["first"] & cut["last"]).to_numpy()[place]
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
            "from": np.where(whole, None, ids[cut["a"].to_numpy()[place]]),
            "to": np.where(whole, None, ids[cut["b"].to_numpy()[place]]),
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
    return replace(study, tables=tables)


def like(table: pd.DataFrame, rows: pd.DataFrame) -> pd.DataFrame:
    """Rows with the columns and types of a table; what they lack is blank."""
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


def _splices_inside(tied: Reliance, a: Ints, b: Ints, count: int) -> Ints:
    """Splices inside every stretch: joints on record there, and one between two reels."""
    network = tied.network
    known = network.splices.known
    known = known[(known["joint"] != NOWHERE) & (known["link"] < count)]
    link, joint = (known[name].to_numpy(dtype=np.int64) for name in ("link", "joint"))
    at = network.assets.numbers(network.study.tables["joints"]["at"])[joint]
    inside = (at != a[link]) & (at != b[link])
    recorded = np.bincount(link[inside], minlength=count)
    between = network.splices.between_reels[_part_of(network)[:count]]
    return (recorded + between).astype(np.int64)


def _part_of(network: Network) -> Ints:
    """The stretch of cable of every link; each has just one."""
    found = np.zeros(len(network.study.tables["links"]), dtype=np.int64)
    found[network.pieces.link] = network.pieces.part
    return found


def _figures(tied: Reliance, joints: Ints, waves: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Delay, passive loss and repair allowance of every stretch at every wavelength."""
    study = tied.network.study
    links = study.tables["links"].assign(splices=np.tile(joints, waves).astype(np.float64))
    network = replace(tied.network, study=replace(study, tables={**study.tables, "links": links}))
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
    tied: Reliance,
    count: int,
    panels_a: tuple[tuple[int, ...], ...],
    panels_b: tuple[tuple[int, ...], ...],
) -> sp.csr_array:
    """What every stretch relies on: its plant, and the panels at its ends."""
    part = _part_of(tied.network)[:count]
    plant = sp.csr_array(tied.parts[part] @ tied.closed)
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

    A link counts in the whole of a cable even where it uses a part of it. A
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

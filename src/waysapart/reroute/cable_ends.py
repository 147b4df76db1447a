"""Where cables can be entered and left: their ends, joints on record, and the sites there."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pandas as pd
import shapely

from waysapart.arrays import Bools, Ints, expand, owners
from waysapart.network.assets import listed
from waysapart.network.tie import Network
from waysapart.reliance.rely import Reliance


def cut_places(network: Network, opened: frozenset[int]) -> pd.DataFrame:
    """From where to where each stretch leads: cable, a, b, first, last."""
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
        }
    )


def cable_nodes(network: Network) -> pd.DataFrame:
    """Every place on the chain of every cable.

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
        row, site = shapely.STRtree(shapes).query(
            mine, predicate="dwithin", distance=network.study.snap_m
        )
        found[left[row]] = sites.start + site
    return found[back]


def led_in(network: Network, cut: pd.DataFrame) -> Callable[[Ints, Ints], Bools]:
    """Tell the ends of cables that are led into a building, if the place is at one.

    That is so at a site itself; at a structure of a site (an entry, a gantry)
    where some link ends there on this cable, or where no other cable goes on.
    """
    sites = network.assets.of_role("sites")
    ends = pd.concat(
        [
            cut.loc[cut["first"], ["cable", "a"]].set_axis(["cable", "node"], axis=1),
            cut.loc[cut["last"], ["cable", "b"]].set_axis(["cable", "node"], axis=1),
        ]
    )
    meeting = ends["node"].value_counts()
    alone = meeting.index[meeting == 1]
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

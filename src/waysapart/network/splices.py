"""Splices of links: at joints on record, at changes of cable, and between reels.

A cable comes on reels. A stretch that is longer than a reel has joints; where none is on
record there, they are estimated.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass

import numpy as np
import pandas as pd

from waysapart.arrays import Floats, Ints, expand, owners
from waysapart.formulas.loss import reel_splices
from waysapart.gaps import Gap
from waysapart.network.assets import Assets, listed, row_gap
from waysapart.network.ends import Passing
from waysapart.network.links import BOTH, LinkParts, Parts
from waysapart.network.measurements import cable_losses, link_losses
from waysapart.study.model import Study
from waysapart.text import few

NOWHERE = -1
"""No joint is on record; or the splice lies between two stretches, not within one."""


@dataclass(frozen=True)
class Splices:
    """Splices on record, and splices estimated where there is no record.

    Attributes
    ----------
    reel_m : ndarray of float, shape (parts,)
        Length of fibre on one reel of the part's cable.
    longest_m : ndarray of float, shape (parts,)
        Longest stretch without a joint on record; NaN where its length is not known.
    between_reels : ndarray of int, shape (parts,)
        Estimated splices between the joints on record, or a joint and the
        part's end: one after each full reel.
    known : DataFrame
        One row per splice that a record implies, in the order of links: `link`,
        `way`, `joint` (row of the joints table; `NOWHERE`: a change of cable
        without one), `piece` (in `network.pieces`, the stretch that it lies
        within; `NOWHERE`: it lies between two) and `loss_db` (as recorded of the
        splice, else of its joint; NaN: not recorded).
    """

    reel_m: Floats
    longest_m: Floats
    between_reels: Ints
    known: pd.DataFrame


def find_splices(
    study: Study,
    assets: Assets,
    parts: Parts,
    pieces: LinkParts,
    passed: Passing,
    segment_m: Floats,
    fibre_m: Floats,
) -> Splices:
    """Find every splice of every link: at changes of cable, at joints, and between reels.

    Parameters
    ----------
    study : Study
    assets : Assets
    parts, pieces : Parts, LinkParts
    passed : Passing
    segment_m : ndarray of float, shape (segments,)
        Ground length.
    fibre_m : ndarray of float, shape (parts,)
        Fibre length, spread evenly over the ground between two joints.

    Returns
    -------
    Splices

    Notes
    -----
    A joint whose place is not on its cable counts as passed, but divides no stretch. A
    joint that a cable passes twice divides it at the first place.
    """
    nodes = _nodes(parts, passed, segment_m)
    met = _joints_met(study, assets, parts, nodes)
    kinds = study.tables["cables"]["kind"].to_numpy()
    reel = np.array([study.rules.by_kind("reel_m", kind) for kind in kinds], dtype=np.float64)
    reel_m = reel[parts.cable] if len(reel) else np.empty(0)
    longest, between = _between_joints(parts, segment_m, fibre_m, reel_m, met)
    known = _traced(study, pieces, _known(study, assets, parts, pieces, met))
    loss = np.r_[study.tables["joints"]["loss_db"].to_numpy(dtype=np.float64), np.nan]
    joint = known["joint"].to_numpy(dtype=np.int64)
    known["loss_db"] = known["loss_db"].fillna(pd.Series(loss[joint], index=known.index))
    return Splices(reel_m, longest, between, known)


def _row_lengths(parts: Parts, segment_m: Floats) -> tuple[Ints, Floats, Floats, Floats]:
    """Part, ground length and beginning of every row, and the length of every part, in metres.

    After a row of unknown length the beginnings of the same part are NaN, and no others.
    """
    count = len(parts.cable)
    part = owners(parts.first)
    length = segment_m[parts.segment] * np.abs(parts.stop - parts.start)
    unknown = np.isnan(length)
    known_m = np.where(unknown, 0.0, length)
    begin = _before_in_part(known_m, parts, part)
    begin[_before_in_part(unknown.astype(np.int64), parts, part) > 0] = np.nan
    return part, length, begin, np.bincount(part, length, count).astype(np.float64)


def _before_in_part(value: Floats | Ints, parts: Parts, part: Ints) -> Floats:
    """Sum of a value over the rows of the same part that come before each row."""
    before = np.r_[0, np.cumsum(value)].astype(np.float64)
    found: Floats = before[:-1] - before[parts.first[part]]
    return found


def _nodes(parts: Parts, passed: Passing, segment_m: Floats) -> pd.DataFrame:
    """Every structure and site on every part, with its distance from the part's beginning."""
    part, length, begin, _ = _row_lengths(parts, segment_m)
    low = np.searchsorted(passed.segment, parts.segment)
    several = np.searchsorted(passed.segment, parts.segment, side="right") - low
    row, place = expand(low, several)
    span = (parts.stop - parts.start)[row]
    with np.errstate(divide="ignore", invalid="ignore"):
        share = (passed.fraction[place] - parts.start[row]) / span
    within = (share > 0) & (share < 1)
    row, place, share = row[within], place[within], share[within]
    frame = pd.DataFrame(
        {
            "part": np.r_[part, part, part[row]],
            "node": np.r_[parts.entry, parts.exit, passed.structure[place]],
            "at_m": np.r_[begin, begin + length, begin[row] + share * length[row]],
        }
    )
    first: pd.DataFrame = frame.sort_values("at_m").drop_duplicates(["part", "node"])
    return first


def _joints_met(study: Study, assets: Assets, parts: Parts, nodes: pd.DataFrame) -> pd.DataFrame:
    """Joints of each part's cable that lie on it: `part`, `joint`, `at_m` (NaN: not known where).

    Every part of a cable meets the joints that list the cable but do not lie on it.
    """
    joints = study.tables["joints"]
    row, name = listed(joints["cables"])
    listing = pd.DataFrame(
        {
            "joint": row,
            "cable": assets.numbers(name) - assets.start["cables"],
            "node": assets.numbers(joints["at"])[row],
        }
    ).drop_duplicates()
    listing = listing[listing["cable"] >= 0]
    whole = listing.assign(part=listing["cable"]).merge(nodes, on=["part", "node"], how="left")
    off_cable = whole["at_m"].isna().to_numpy()
    of_parts = pd.DataFrame({"part": np.arange(len(parts.cable)), "cable": parts.cable})
    everywhere = whole[off_cable].drop(columns="part").merge(of_parts, on="cable")
    on_cable = (
        whole[~off_cable]
        .drop(columns=["part", "at_m"])
        .merge(of_parts, on="cable")
        .merge(nodes, on=["part", "node"])
    )
    found = pd.concat([everywhere, on_cable])[["part", "joint", "at_m"]]
    return found.sort_values(["part", "joint"], ignore_index=True)


def _between_joints(
    parts: Parts, segment_m: Floats, fibre_m: Floats, reel_m: Floats, met: pd.DataFrame
) -> tuple[Floats, Ints]:
    """Longest stretch of every part without a joint, and splices between its joints."""
    count = len(parts.cable)
    total = _row_lengths(parts, segment_m)[3]
    cuts = met[met["at_m"].notna()]
    number = np.arange(count)
    part = np.r_[number, cuts["part"].to_numpy(dtype=np.int64), number]
    at = np.r_[np.zeros(count), cuts["at_m"].to_numpy(dtype=np.float64), total]
    order = np.lexsort((at, part))
    part, at = part[order], at[order]
    same = part[1:] == part[:-1]
    owner, ground = part[1:][same], np.diff(at)[same]
    with np.errstate(divide="ignore", invalid="ignore"):
        share = np.where(total[owner] > 0, ground / total[owner], 0.0)
    bare = total[owner] <= 0  # its route is not known: one stretch
    share[bare] = (np.diff(owner, prepend=-1) != 0)[bare]
    stretch_m = fibre_m[owner] * share
    splices = reel_splices(stretch_m, reel_m[owner])
    longest = np.full(count, -np.inf)
    np.fmax.at(longest, owner, stretch_m)  # NaN: no length on record
    between = np.bincount(owner, splices, count).astype(np.int64)
    return np.where(np.isneginf(longest), np.nan, longest), between


def _known(
    study: Study, assets: Assets, parts: Parts, pieces: LinkParts, met: pd.DataFrame
) -> pd.DataFrame:
    """Changes of cable and joints passed; a joint at a change counts once, at the change."""
    columns = ["link", "way", "joint", "piece"]
    of_pieces = pd.DataFrame({"piece": np.arange(len(pieces.part)), "part": pieces.part}).merge(
        met, on="part"
    )[["piece", "joint"]]
    changes = _changes(study, assets, parts, pieces, of_pieces)
    if not len(of_pieces):
        found = changes[columns].astype(np.int64)
        return found.sort_values(columns, ignore_index=True).assign(loss_db=np.nan)
    inner = of_pieces.assign(
        link=pieces.link[of_pieces["piece"]], way=pieces.way[of_pieces["piece"]]
    )
    key = ["link", "way", "joint"]
    at_change = pd.MultiIndex.from_frame(changes[key])
    inner = inner[~pd.MultiIndex.from_frame(inner[key]).isin(at_change)]
    inner.loc[inner.duplicated(key, keep=False), "piece"] = NOWHERE
    inner = inner.drop_duplicates(key)
    found = pd.concat([changes[columns], inner[columns]]).astype(np.int64)
    return found.sort_values(columns, ignore_index=True).assign(loss_db=np.nan)


def _traced(study: Study, pieces: LinkParts, known: pd.DataFrame) -> pd.DataFrame:
    """Splices with those of traced links taken from their traces."""
    traced = study.traced
    if traced is None or not traced.links:
        return known
    links, joints = (pd.Index(study.tables[role]["id"]) for role in ("links", "joints"))
    number = links.get_indexer(pd.Index(sorted(traced.links)))
    passed = traced.splices
    of_pieces = pd.DataFrame({"link": pieces.link, "own": pieces.way})
    of_pieces["run"] = of_pieces.groupby(["link", "own"]).cumcount()
    of_pieces["piece"] = np.arange(len(of_pieces))
    two_ways = np.bincount(pieces.link, pieces.way != BOTH, len(links)) > 0
    link = links.get_indexer(pd.Index(passed["link"]))
    passed, link = passed[link >= 0], link[link >= 0]
    way = passed["way"].to_numpy(dtype=np.int64)
    mine = pd.DataFrame(
        {
            "link": link,
            "way": way,
            "own": np.where(two_ways[link], way, BOTH),
            "joint": joints.get_indexer(pd.Index(passed["joint"])),
            "run": passed["run"].to_numpy(dtype=np.int64),
            "loss_db": passed["loss_db"].to_numpy(dtype=np.float64),
        }
    )
    mine = mine.merge(of_pieces, on=["link", "own", "run"], how="left")
    mine["piece"] = mine["piece"].fillna(NOWHERE).astype(np.int64)
    found = pd.concat([known[~known["link"].isin(number)], mine[list(known)]])
    return found.sort_values(["link", "way", "joint", "piece"], ignore_index=True)


def _changes(
    study: Study, assets: Assets, parts: Parts, pieces: LinkParts, of_pieces: pd.DataFrame
) -> pd.DataFrame:
    """Changes from one stretch of a link to the next, each with the joint on record there.

    That is a joint that lists both cables, at the place where they meet before any other,
    else a joint at that place that does not list its cables.
    """
    before = pieces.onward()
    node = _meeting_nodes(parts, pieces, before)
    joints = study.tables["joints"]
    at = assets.numbers(joints["at"])
    loss = joints["loss_db"].fillna(study.rules.defaults.splice_db).to_numpy(dtype=np.float64)
    change = pd.DataFrame({"change": np.arange(len(before)), "piece": before, "node": node})
    both = (
        change.merge(of_pieces, on="piece")
        .assign(piece=lambda frame: frame["piece"] + 1)
        .merge(of_pieces, on=["piece", "joint"])
    )
    both["elsewhere"] = at[both["joint"].to_numpy(dtype=np.int64)] != both["node"]
    silent = np.flatnonzero(joints["cables"].isna().to_numpy())
    blank = change[change["node"] >= 0].merge(
        pd.DataFrame({"joint": silent, "node": at[silent]}), on="node"
    )
    rank = pd.concat([both.assign(rank=0), blank.assign(rank=1, elsewhere=False)])
    rank["loss"] = -loss[rank["joint"].to_numpy(dtype=np.int64)]
    rank = rank.sort_values(["change", "rank", "elsewhere", "loss", "joint"])
    first = rank.drop_duplicates("change").set_index("change")["joint"]
    return pd.DataFrame(
        {
            "link": pieces.link[before],
            "way": pieces.way[before],
            "joint": first.reindex(change["change"]).fillna(NOWHERE).to_numpy(dtype=np.int64),
            "piece": np.full(len(before), NOWHERE),
        }
    )


def _meeting_nodes(parts: Parts, pieces: LinkParts, before: Ints) -> Ints:
    """Where each of some stretches ends and the next begins: an asset number, or -1."""
    filled = np.diff(parts.first) > 0
    begin, end = np.full(len(filled), -1), np.full(len(filled), -1)
    begin[filled] = parts.entry[parts.first[:-1][filled]]
    end[filled] = parts.exit[parts.first[1:][filled] - 1]
    leaves = np.where(pieces.reversed, begin[pieces.part], end[pieces.part])[before]
    enters = np.where(pieces.reversed, end[pieces.part], begin[pieces.part])[before + 1]
    return np.where(leaves == enters, leaves, -1).astype(np.int64)


def joint_gaps(study: Study, parts: Parts, pieces: LinkParts, splices: Splices) -> list[Gap]:
    """Find cables with a stretch longer than their reel and no joint on record in it.

    Only for links whose loss rests on it: not where the link states its `splices`, nor where the
    loss was measured.

    Parameters
    ----------
    study : Study
    parts : Parts
    pieces : LinkParts
    splices : Splices

    Returns
    -------
    list of Gap
        Code `joints-unrecorded`.
    """
    links = study.tables["links"]
    known = links["splices"].notna().to_numpy() | link_losses(study).complete
    known |= (links["medium"].fillna("fibre") != "fibre").to_numpy()
    open_ = ~known[pieces.link] & ~cable_losses(study, parts, pieces).complete
    # a stretch of exactly n reels, computed, is not longer than n reels
    with np.errstate(invalid="ignore"):
        long = splices.longest_m > splices.reel_m * (1 + 1e-9)
    open_ &= long[pieces.part]
    frame = pd.DataFrame(
        {"cable": parts.cable[pieces.part], "link": pieces.link, "part": pieces.part}
    )[open_]
    ids = links["id"].to_numpy()
    gaps = []
    for cable, mine in frame.groupby("cable", sort=True):
        users = tuple(sorted({str(ids[link]) for link in mine["link"]}))
        longest = splices.longest_m[mine["part"]].max()
        reel = splices.reel_m[mine["part"].iloc[0]]
        gaps.append(
            row_gap(
                study,
                "joints-unrecorded",
                "cables",
                int(str(cable)),
                f"{longest:.0f} m of fibre without a joint on record, where a reel holds "
                f"{reel:.0f} m: record its joints, or the splices of {_few(users)}",
                links=users,
                fold="{count} cables have longer stretches than their reel without a joint on "
                "record: {names}",
            )
        )
    return gaps


def _few(names: Collection[str]) -> str:
    """Ids of links in a sentence."""
    listed_ = sorted(names)
    if len(listed_) == 1:
        return f"link {listed_[0]}"
    return f"links {few(listed_, 3)}"

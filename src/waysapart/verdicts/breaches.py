"""Find the near approaches and forbidden crossings that stand against circuits and groups."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from waysapart.findings.separation.layout import occurrences
from waysapart.findings.spacing import Spacing
from waysapart.gaps import Gap
from waysapart.network.build_network import Network
from waysapart.verdicts.contests import Trial
from waysapart.verdicts.waivers import Waivers

_TOGETHER_M = 1e-6
"""Rounding between the ends of stretches that meet."""
_TWO = 2

Stretch = tuple[float, float]


@dataclass(frozen=True)
class Breach:
    """What separation means for the verdict of one circuit or group.

    Attributes
    ----------
    stands : bool
        A near approach, or a crossing that the rules forbid, stands against it.
    waived : bool
        One is waived.
    """

    stands: bool
    waived: bool


@dataclass
class _Beside:
    """Where along one path of a contest each other path of it comes near.

    `found` holds what stands and `waived` what is waived, by other path.
    """

    found: dict[int, list[Stretch]] = field(default_factory=dict)
    waived: dict[int, list[Stretch]] = field(default_factory=dict)


def breaches(spacing: Spacing, waivers: Waivers, network: Network, count: int) -> list[Breach]:
    """Find for every circuit and group whether a breach stands, or is waived.

    Between two paths any near approach or crossing is one. Where more than two paths must all be
    lost, two of them that come close lose nothing by themselves: it takes a place on one of the
    paths where every other one is near, crosses or follows the same line, and not all of them the
    latter, since that is a shared asset.

    Parameters
    ----------
    spacing : Spacing
    waivers : Waivers
    network : Network
    count : int
        Number of circuits and groups.

    Returns
    -------
    list of Breach, length (count)
    """
    pairs = spacing.pairs
    contest, trial = (pairs[name].to_numpy(dtype=np.int64) for name in ("contest", "trial"))
    ends = np.column_stack([pairs["first"], pairs["second"]])
    wide = _contests_of_many(contest, ends)
    stands, waived = np.zeros(count, dtype=bool), np.zeros(count, dtype=bool)
    rows = _rows(spacing, network, waivers, trial)
    held = contest[rows["pair"].to_numpy(dtype=np.int64)]
    simple = ~np.isin(held, list(wide))
    two = rows[simple & rows["along_first"].to_numpy(dtype=bool)]
    of = trial[two["pair"].to_numpy(dtype=np.int64)]
    covered = two["waived"].to_numpy(dtype=bool)
    stands[of[~covered]] = True
    waived[of[covered]] = True
    of_contest = rows.groupby(held).indices if wide else {}
    for number, paths in wide.items():
        mine = np.flatnonzero(contest == number)
        beside = _beside(rows.iloc[of_contest.get(number, [])], ends)
        follows = _common_lines(spacing, mine, ends)
        owner = int(trial[mine[0]])
        if _meet(paths, beside, follows, with_waived=False):
            stands[owner] = True
        elif _meet(paths, beside, follows, with_waived=True):
            waived[owner] = True
    return [Breach(bool(one), bool(other)) for one, other in zip(stands, waived, strict=True)]


def _contests_of_many(contest: np.ndarray, ends: np.ndarray) -> dict[int, list[int]]:
    """Contests of more than two paths, with their paths."""
    found = {}
    for number in np.flatnonzero(np.bincount(contest) > 1).tolist():
        paths = np.unique(ends[contest == number]).tolist()
        if len(paths) > _TWO:
            found[number] = paths
    return found


def _rows(spacing: Spacing, network: Network, waivers: Waivers, number: np.ndarray) -> pd.DataFrame:
    """Near stretches and forbidden crossings that belong to nothing shared, along a path.

    `pair`, `along_first`, `from_m`, `to_m` along the path, `waived`.
    """
    ids = network.study.tables["segments"]["id"].to_numpy()
    cross = spacing.cross[spacing.cross["forbidden"].to_numpy(dtype=bool)]
    parts = [
        _of_near(spacing.near, True),
        _of_near(spacing.near_back, False),
        _of_cross(spacing, cross, "first"),
        _of_cross(spacing, cross, "second"),
    ]
    rows = pd.concat(parts, ignore_index=True)
    names = zip(
        number[rows["pair"].to_numpy(dtype=np.int64)].tolist(),
        ids[rows["segment_i"].to_numpy(dtype=np.int64)],
        ids[rows["segment_j"].to_numpy(dtype=np.int64)],
        strict=True,
    )
    if waivers.waive_pairs:
        rows["waived"] = [
            waivers.waives_pair(trial, str(one), str(other)) for trial, one, other in names
        ]
    else:
        rows["waived"] = False
    return rows


def _of_near(near: pd.DataFrame, along_first: bool) -> pd.DataFrame:
    open_ = near[near["under"].to_numpy() < 0]
    return pd.DataFrame(
        {
            "pair": open_["pair"],
            "segment_i": open_["segment_i"],
            "segment_j": open_["segment_j"],
            "from_m": open_["path_from_m"],
            "to_m": open_["path_to_m"],
            "along_first": along_first,
        }
    )


def _of_cross(spacing: Spacing, cross: pd.DataFrame, side: str) -> pd.DataFrame:
    """Crossings at every place where the path on one side of the pair passes them."""
    layout = spacing.layout
    rows = cross[cross["under"].to_numpy() < 0]
    path = getattr(layout, side)[rows["pair"].to_numpy(dtype=np.int64)]
    line = rows["line_i" if side == "first" else "line_j"].to_numpy(dtype=np.int64)
    at = rows["at_m" if side == "first" else "at_j_m"].to_numpy()
    long = rows["length_m" if side == "first" else "length_j_m"].to_numpy()
    asked, entry = occurrences(layout.paths, path, line)
    whole = layout.pieces.line_length_m[line[asked]]
    into = np.where(layout.paths.backward[entry], whole - at[asked] - long[asked], at[asked])
    place = layout.offset_m[entry] + into
    found = rows.iloc[asked]
    return pd.DataFrame(
        {
            "pair": found["pair"].to_numpy(),
            "segment_i": found["segment_i"].to_numpy(),
            "segment_j": found["segment_j"].to_numpy(),
            "from_m": place,
            "to_m": place + long[asked],
            "along_first": side == "first",
        }
    )


def _beside(rows: pd.DataFrame, ends: np.ndarray) -> dict[int, _Beside]:
    """By path, where the other paths of its contest come near it."""
    found: dict[int, _Beside] = {}
    for row in rows.itertuples(index=False):
        one, other = ends[int(row.pair)].tolist()  # type: ignore[arg-type]
        if not row.along_first:
            one, other = other, one
        mine = found.setdefault(one, _Beside())
        into = mine.waived if row.waived else mine.found
        into.setdefault(other, []).append((float(row.from_m), float(row.to_m)))  # type: ignore[arg-type]
    return found


def _common_lines(
    spacing: Spacing, pairs: np.ndarray, ends: np.ndarray
) -> dict[tuple[int, int], list[Stretch]]:
    """Where along the first of two paths both follow one line, for the paths of some pairs."""
    layout = spacing.layout
    follows: dict[tuple[int, int], list[Stretch]] = {}
    length = np.nan_to_num(layout.pieces.line_length_m)
    for pair in pairs.tolist():
        lines = layout.shared_lines[[pair]].indices
        one, other = ends[pair].tolist()
        for path, facing in ((one, other), (other, one)):
            _, entry = occurrences(layout.paths, np.full(len(lines), path), lines.astype(np.int64))
            begin = layout.offset_m[entry]
            end = begin + length[layout.paths.line[entry]]
            follows[path, facing] = list(zip(begin.tolist(), end.tolist(), strict=True))
    return follows


def _meet(
    paths: list[int],
    beside: dict[int, _Beside],
    follows: dict[tuple[int, int], list[Stretch]],
    *,
    with_waived: bool,
) -> bool:
    """Whether every other path is near, or the same, somewhere on one of the paths."""
    for path in paths:
        mine = beside.get(path)
        if mine is None:
            continue
        others = [other for other in paths if other != path]
        near = {
            other: [
                *mine.found.get(other, ()),
                *(mine.waived.get(other, ()) if with_waived else ()),
            ]
            for other in others
        }
        same = {other: follows.get((path, other), []) for other in others}
        for place in set(_starts([*near.values(), *same.values()])):
            close = [_holds(near[other], place) for other in others]
            alike = [_holds(same[other], place) for other in others]
            if any(close) and all(a or b for a, b in zip(close, alike, strict=True)):
                return True
    return False


def _starts(stretches: Iterable[list[Stretch]]) -> Iterator[float]:
    """Where stretches begin: if any place lies in one of each, one of these does."""
    return (begin for some in stretches for begin, _ in some)


def _holds(stretches: list[Stretch], place: float) -> bool:
    return any(begin - _TOGETHER_M <= place <= end + _TOGETHER_M for begin, end in stretches)


# --- Breaches that only the accuracy of the records decides.


def accuracy_gaps(
    spacing: Spacing, apart: list[Breach], waivers: Waivers, network: Network, trials: list[Trial]
) -> dict[int, Gap]:
    """Make a gap for each trial that may break the limit within the accuracy of the records.

    Parameters
    ----------
    spacing : Spacing
    apart : list of Breach
        Per trial, with the records taken as exact.
    waivers, network, trials : Waivers, Network, list of Trial

    Returns
    -------
    dict of int to Gap
        By trial. A trial that breaks the limit by its records is not among them, nor one where what
        may be near is waived.
    """
    loose = spacing.loose
    if loose is None:
        return {}
    found = {}
    wide = breaches(loose, waivers, network, len(trials))
    index = loose.pairs["trial"].to_numpy(dtype=np.int64)
    near = loose.near[(loose.near["under"] < 0).to_numpy()]
    of = index[near["pair"].to_numpy(dtype=np.int64)]
    ids = network.study.tables["segments"]["id"].to_numpy()
    for number, trial in enumerate(trials):
        if apart[number].stands or not wide[number].stands:
            continue
        mine = near[of == number]
        row = mine.iloc[int(np.argmin(mine["distance_m"].to_numpy()))]
        one, other = str(ids[int(row["segment_i"])]), str(ids[int(row["segment_j"])])
        what = "circuit" if trial.group_test is None else "group"
        found[number] = Gap(
            "near-accuracy",
            f"{what} {trial.id}: {one} and {other} run {row['distance_m']:.2f} m apart on record; "
            "as far as their positions are known (accuracy_m) they may be nearer than the rules "
            "allow: survey them",
            trial.id,
            circuits=(trial.id,) if trial.group_test is None else (),
        )
    return found

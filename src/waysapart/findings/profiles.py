"""How far away the other path is, all along each path of a circuit or group."""

from __future__ import annotations

import numpy as np
import pandas as pd

from waysapart.findings.separation.earth import chord_m
from waysapart.findings.separation.measure import roots
from waysapart.findings.separation.profile import profile
from waysapart.findings.spacing import Services, Spacing, least_separation_m
from waysapart.network.tie import Network

COLUMNS = (
    "pair",
    "path",
    "other",
    "from_m",
    "to_m",
    "distance_from_m",
    "distance_to_m",
    "a",
    "b",
    "c",
    "segment",
    "nearest",
    "limit_m",
    "end_zone",
)


def separation_profiles(
    network: Network, spacing: Spacing, test: int, services: Services
) -> pd.DataFrame:
    """Distance from every path of a test to every path that it is held apart from.

    Parameters
    ----------
    network : Network
    spacing : Spacing
    test : int
        Number of the circuit or group, as in `Spacing.pairs`.
    services : tuple of Service
        Services of its circuits; the strictest counts.

    Returns
    -------
    DataFrame
        One row per arc, in the order of pairs, of the two ways round of each, and of
        the path: `pair` (row of `Spacing.pairs`); `path`, `other` (path numbers);
        `from_m`, `to_m` along the path; `distance_from_m`, `distance_to_m` at both
        ends of the arc; `a`, `b`, `c`, where the square of the straight distance x
        metres after `from_m` is a x^2 + b x + c; `segment` (id), `nearest` (id of the
        nearest segment of the other path; missing where there is nothing to measure
        to); `limit_m`, what the services ask between those two; `end_zone`, whether
        an end zone excuses it. A path without geometry has no rows.

    Notes
    -----
    Exact, not sampled; see `waysapart.findings.separation.profile`. The limit is
    that of the nearest segment. Under limits by kind another segment may be further
    away and yet too near: the near stretches tell, not this.
    """
    found = [
        _one_way(network, spacing, int(pair), along, services)
        for pair in np.flatnonzero(spacing.pairs["test"].to_numpy() == test)
        for along in ("first", "second")
    ]
    if not found:
        return pd.DataFrame(columns=list(COLUMNS))
    return pd.concat(found, ignore_index=True)


def too_close(profiles: pd.DataFrame) -> pd.DataFrame:
    """Where the nearest segment of the other path is closer than the limit, arc by arc.

    Returns
    -------
    DataFrame
        `pair`, `path`, `from_m`, `to_m` along the path, outside the end zones. Closed
        form: along an arc the square of the distance is a parabola open upward.
    """
    arcs = profiles[~profiles["end_zone"].astype(bool) & (profiles["limit_m"] > 0)]
    a, b, c, start = (arcs[name].to_numpy(dtype=np.float64) for name in ("a", "b", "c", "from_m"))
    length = arcs["to_m"].to_numpy(dtype=np.float64) - start
    off = c - chord_m(arcs["limit_m"].to_numpy(dtype=np.float64)) ** 2
    low, high = roots(a, b, off)
    even = (a == 0) & (b == 0)
    low = np.where(even, np.where(off < 0, 0.0, np.nan), low)
    high = np.where(even, length, high)
    low, high = np.maximum(low, 0.0), np.minimum(high, length)
    found = arcs[["pair", "path"]].assign(from_m=start + low, to_m=start + high)
    kept: pd.DataFrame = found.iloc[np.flatnonzero(low < high)].reset_index(drop=True)
    return kept


def _one_way(
    network: Network, spacing: Spacing, pair: int, along: str, services: Services
) -> pd.DataFrame:
    """The profile along one path of a pair, with ids and limits."""
    arcs = profile(spacing.layout, pair, along=along)
    row = spacing.pairs.iloc[pair]
    path, other = (row["first"], row["second"])[:: 1 if along == "first" else -1]
    segments = network.study.tables["segments"]
    ids, kinds = (segments[name].to_numpy(dtype=object) for name in ("id", "kind"))
    line, nearest = (arcs[name].to_numpy(dtype=np.int64) for name in ("line_i", "line_j"))
    segment = spacing.line_segment[line]
    facing = np.where(nearest >= 0, np.r_[spacing.line_segment, 0][nearest], 0)
    known = nearest >= 0
    meeting = pd.DataFrame({"one": kinds[segment], "other": kinds[facing]})
    number = meeting.groupby(["one", "other"], sort=False).ngroup().to_numpy()
    _, first = np.unique(number, return_index=True)
    asked = [
        least_separation_m(services, str(one), str(facing_kind))
        for one, facing_kind in meeting.iloc[first].itertuples(index=False, name=None)
    ]
    limit = np.array(asked, dtype=np.float64)[number]
    arcs = arcs.assign(
        pair=pair,
        path=int(path),
        other=int(other),
        segment=ids[segment],
        nearest=pd.Series(ids[facing], dtype=object).where(pd.Series(known), None).to_numpy(),
        limit_m=np.where(known, limit, np.nan),
        end_zone=arcs["exempt"],
    )
    return arcs[list(COLUMNS)]

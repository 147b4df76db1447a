"""What works take: the plant that an area reaches, and what goes with it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely

from waysapart.arrays import Bools, Floats, Ints, csr_row
from waysapart.errors import CallError
from waysapart.study.ledger import did_you_mean
from waysapart.study.model import Study
from waysapart.whatif.area import PLANT_ROLES, Area, scale_at
from waysapart.whatif.base import Base

_MOST_NAMES = 20_000


@dataclass(frozen=True)
class Hits:
    """Assets that works take directly.

    Attributes
    ----------
    number : ndarray of int, shape (hits,)
        Asset numbers, ascending, each once.
    feature : ndarray of int, shape (hits,)
        The nearest feature of the area; -1: named and not drawn.
    distance_m : ndarray of float, shape (hits,)
        How far the record lies from that feature; NaN: named.
    """

    number: Ints
    feature: Ints
    distance_m: Floats


def accuracies_m(study: Study, role: str, otherwise_m: float) -> Floats:
    """How well each row of a role is surveyed: its own record, else `otherwise_m`, plus its layer.

    Metres, shape (rows,).
    """
    table = study.tables[role]
    own = table["accuracy_m"].to_numpy(dtype=np.float64)
    of_layer = np.array([layer.accuracy_m for layer in study.layers] or [0.0])
    found: Floats = np.where(np.isnan(own), otherwise_m, own) + of_layer[table["_layer"].to_numpy()]
    return found


def reached(base: Base, area: Area, reach_m: Floats, accuracy_m: float | None) -> Hits:
    """Segments, structures and sites that features reach.

    Parameters
    ----------
    base : Base
    area : Area
    reach_m : ndarray, shape (features,)
        How far each feature reaches beyond its outline.
    accuracy_m : float or None
        How well everything is surveyed; None: as recorded, else by the rules.

    Notes
    -----
    Distances are measured, never buffered, so that round corners are round.
    One spatial index; O(log n) for each feature and hit.
    """
    study, assets = base.study, base.network.assets
    shapes = np.concatenate([study.geometries(role) for role in PLANT_ROLES])
    number = np.concatenate([np.arange(len(assets))[assets.of_role(role)] for role in PLANT_ROLES])
    default_m = study.rules.defaults.survey_accuracy_m
    grown = np.concatenate([accuracies_m(study, role, default_m) for role in PLANT_ROLES])
    if accuracy_m is not None:
        grown = np.full(len(number), accuracy_m)
    grown = grown + area.accuracy_m
    if not len(shapes) or not len(area.geometry):
        none = np.empty(0, dtype=np.int64)
        return Hits(none, none, np.empty(0))
    scale = scale_at(study, area.geometry)
    widest = (reach_m + grown.max()) * scale
    feature, place = shapely.STRtree(shapes).query(
        area.geometry, predicate="dwithin", distance=widest
    )
    metres = shapely.distance(area.geometry[feature], shapes[place]) / scale
    near = metres <= reach_m[feature] + grown[place]
    return _once(number[place[near]], feature[near].astype(np.int64), metres[near])


def stated(base: Base, ids: list[str]) -> Hits:
    """Assets named by id.

    Raises
    ------
    CallError
        With every id that no asset has.
    """
    assets = base.network.assets
    number = assets.numbers(ids)
    unknown = [name for name, found in zip(ids, number, strict=True) if found < 0]
    if unknown:
        known = assets.frame["id"] if len(assets) <= _MOST_NAMES else ()
        told = ", ".join(f"{name!r}{did_you_mean(name, known)}" for name in unknown)
        raise CallError(f"no asset of the study has this id: {told}")
    named = np.unique(number)
    return Hits(named, np.full(len(named), -1), np.full(len(named), np.nan))


def together(*hits: Hits) -> Hits:
    """Hits of several kinds as one; an asset that is drawn and named counts as named."""
    return _once(
        np.concatenate([one.number for one in hits]),
        np.concatenate([one.feature for one in hits]),
        np.concatenate([one.distance_m for one in hits]),
    )


def _once(number: Ints, feature: Ints, metres: Floats) -> Hits:
    """Each asset once, by its nearest feature."""
    order = np.lexsort((feature, np.nan_to_num(metres, nan=-1.0), number))
    number, feature, metres = number[order], feature[order], metres[order]
    first = np.r_[True, np.diff(number) > 0] if len(number) else np.empty(0, dtype=bool)
    return Hits(number[first], feature[first], metres[first])


def causes(base: Base, hit: Ints, fallen: Bools) -> dict[int, tuple[int, ...]]:
    """Why each asset falls that was not hit itself.

    Parameters
    ----------
    base : Base
    hit : ndarray of int
        Asset numbers.
    fallen : ndarray of bool, shape (assets,)
        Everything that falls, what was hit included.

    Returns
    -------
    dict
        Asset to the fallen asset that it directly relies on, by the shortest
        way from what was hit; or, for what has lost all of its feeds, to the
        supplies of these that fell.
    """
    steps = base.reliance.steps + base.reliance.works
    back = steps.T.tocsr()
    reason: dict[int, tuple[int, ...]] = {}
    known = set(hit.tolist())
    layer = sorted(known)
    feeds = _feeds(base)
    waiting = set(np.flatnonzero(fallen).tolist()) - known
    while waiting:
        further: list[int] = []
        for at in layer:
            for asset in csr_row(back, at).tolist():
                if asset in waiting:
                    reason[asset] = (at,)
                    waiting.discard(asset)
                    further.append(asset)
        if not further:
            lost = {
                asset: tuple(
                    dict.fromkeys(one for feed in feeds[asset] for one in feed if fallen[one])
                )
                for asset in sorted(waiting)
                if asset in feeds and all(any(fallen[one] for one in f) for f in feeds[asset])
            }
            dark = [asset for asset in lost if not waiting & set(lost[asset])] or [*lost][:1]
            if not dark:
                break
            for asset in dark:
                reason[asset] = lost[asset]
                waiting.discard(asset)
            further = dark
        layer = further
    return reason


def _feeds(base: Base) -> dict[int, list[list[int]]]:
    """Supplies of each feed of everything that is fed."""
    feeds = base.reliance.feeds
    found: dict[int, list[list[int]]] = {}
    first = feeds.assets.indptr
    for feed, user in enumerate(feeds.user.tolist()):
        supplies = feeds.assets.indices[first[feed] : first[feed + 1]].tolist()
        found.setdefault(user, []).append(sorted(supplies))
    return found

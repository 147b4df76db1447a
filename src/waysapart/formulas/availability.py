"""How often and how long: unavailability of paths that may share assets, exactly.

Assets fail independently of each other; an event that takes several at once
is an asset of its own (a hazard), on every path that it takes. Such figures
compare designs with each other; they do not predict outages.

Paths are the rows of boolean sparse arrays whose columns are the assets. All
sums are of positive terms: no 1 - (1 - u), which has no digits left at 1e-17.

A group's assets fall into classes by which of its paths they take down. The
states 'these paths are down' are then filled class by class. Every term is
positive, so the digits that inclusion and exclusion lose are kept.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import ArrayLike
from scipy import sparse

from waysapart.arrays import Floats, Ints, expand, floats
from waysapart.errors import CallError

HOURS_PER_YEAR = 8760.0
MINUTES_PER_YEAR = 60 * HOURS_PER_YEAR


@dataclass(frozen=True, slots=True)
class Split:
    """Two paths of each circuit, parted into what both use and what only one uses.

    Attributes
    ----------
    shared, main_only, alternate_only : sparse.csr_array of bool, shape (circuits, assets)
    """

    shared: sparse.csr_array
    main_only: sparse.csr_array
    alternate_only: sparse.csr_array


def failures_per_year(
    length_m: ArrayLike, per_km_year: ArrayLike, per_item_year: ArrayLike
) -> Floats:
    """Failures of an asset a year: its rate per km over its length, and its rate per item.

    Lengths in metres; 0 for a rate or a length that does not apply.
    """
    return np.asarray(floats(length_m) / 1000 * floats(per_km_year) + floats(per_item_year))


def held_share(lines: np.ndarray, held: ArrayLike, holder: ArrayLike) -> Floats:
    """Part of each line that lies in the lines that hold it, each stretch once.

    Parameters
    ----------
    lines : ndarray of shapely.LineString, shape (n,)
        In longitude and latitude, degrees; one that is not drawn (None) holds nothing.
    held, holder : array_like of int, shape (pairs,)
        Line `held` lies in line `holder`, as the records have it.

    Returns
    -------
    numpy.ndarray of shape (n,)
        From 0 to 1: the union of what each holder covers when its vertices are projected on
        the line, however far beside it the holder is drawn.

    Notes
    -----
    In a plane about the line's first vertex, so lines of some hundred kilometres may be wrong
    by a thousandth. It does not matter whether a holder is one line or several, nor how far
    it goes on beyond the line.
    """
    mine, other = (np.asarray(one, dtype=np.int64) for one in (held, holder))
    found = np.zeros(len(lines))
    if not len(mine):
        return found
    xy, of = shapely.get_coordinates(lines, return_index=True)
    first = np.searchsorted(of, np.arange(len(lines) + 1))
    drawn = np.diff(first) > 0
    mine, other = (one[drawn[mine] & drawn[other]] for one in (mine, other))
    if not len(mine):
        return found
    used, place = np.unique(mine, return_inverse=True)
    owner, at = expand(first[used], first[used + 1] - first[used])
    flat = np.asarray(shapely.linestrings(_flat(xy[at], xy[first[used]][owner]), indices=owner))
    pair, at = expand(first[other], first[other + 1] - first[other])
    point = shapely.points(_flat(xy[at], xy[first[mine]][pair]))
    along = shapely.line_locate_point(flat[place[pair]], point, normalized=True)
    onward = np.flatnonzero(pair[1:] == pair[:-1])
    low, high = (choose(along[onward], along[onward + 1]) for choose in (np.minimum, np.maximum))
    # Two numbers a line, so that what one covers never reaches into the next.
    line = place[pair[onward]]
    order = np.lexsort((low, line))
    low, high = (np.nan_to_num(one[order]) + 2.0 * line[order] for one in (low, high))
    reached = np.maximum.accumulate(np.r_[-1.0, high])[:-1]
    covered = np.maximum(high - np.maximum(low, reached), 0.0)
    found[used] = np.bincount(line[order], covered, len(used))
    return np.minimum(found, 1.0)


def _flat(lonlat: np.ndarray, about: np.ndarray) -> np.ndarray:
    """Places in a plane about another each, in degrees of latitude."""
    east = (lonlat[:, 0] - about[:, 0] + 180) % 360 - 180
    return np.stack([east * np.cos(np.radians(about[:, 1])), lonlat[:, 1] - about[:, 1]], axis=1)


def unheld_length_m(length_m: ArrayLike, held: ArrayLike) -> Floats:
    """Length of each segment that lies in no other segment, for rates per km.

    Parameters
    ----------
    length_m : array_like, shape (segments,)
    held : array_like, shape (segments,)
        Part of each that lies in others, from `held_share`.

    Returns
    -------
    numpy.ndarray of shape (segments,)
        One dig takes the trench, its ducts and their subducts together: it is the trench's
        failure, common to all, and must not count again for each of them.
    """
    return np.asarray(floats(length_m) * (1 - floats(held)))


def unavailability(per_year: ArrayLike, repair_h: ArrayLike) -> Floats:
    """Part of the time that an asset is down.

    Parameters
    ----------
    per_year : array_like
        Failures in a year of operation.
    repair_h : array_like
        Hours from failure to repair, on average.

    Notes
    -----
    1 - A with A = MTBF / (MTBF + MTTR), MTBF = 8760 h / per_year (IEC 61078).
    For rare failures it is per_year x repair_h / 8760.
    """
    down_h = floats(per_year) * floats(repair_h)
    return np.asarray(down_h / (HOURS_PER_YEAR + down_h))


def minutes_a_year(share: ArrayLike) -> Floats:
    """Unavailability as minutes in a year of 8760 hours."""
    return np.asarray(floats(share) * MINUTES_PER_YEAR)


def path_unavailability(paths: sparse.csr_array, asset: ArrayLike) -> Floats:
    """Unavailability of each path: it is down when any asset that it relies on is.

    Parameters
    ----------
    paths : sparse array of bool, shape (paths, assets)
    asset : array_like, shape (assets,)
        Unavailability of each asset, from 0 to 1.

    Returns
    -------
    numpy.ndarray of shape (paths,)
        1 - product of (1 - u), by sums of logarithms: a series of blocks
        (IEC 61078), with its digits kept however small u is.
    """
    return np.asarray(-np.expm1(_log_up(paths, asset)))


def split(main: sparse.csr_array, alternate: sparse.csr_array) -> Split:
    """Part each circuit's assets by whether both paths, or one, rely on them.

    Parameters
    ----------
    main, alternate : sparse array of bool, shape (circuits, assets)
        Row i of each is a path of circuit i.
    """
    if main.shape != alternate.shape:
        raise CallError("main and alternate need one row per circuit and the same assets")
    on_main, on_alternate = (
        sparse.csr_array(side.astype(bool).astype(np.int8)) for side in (main, alternate)
    )
    shared = sparse.csr_array(on_main.multiply(on_alternate))
    return Split(
        shared.astype(bool),
        _without(on_main, shared),
        _without(on_alternate, shared),
    )


def both_down(parts: Split, asset: ArrayLike) -> Floats:
    """Unavailability of both paths at once, exact with what they share.

    Parameters
    ----------
    parts : Split
    asset : array_like, shape (assets,)
        Unavailability of each asset.

    Returns
    -------
    numpy.ndarray of shape (circuits,)
        U = uS + (1 - uS) uA uB, with uS, uA and uB the unavailability of
        the shared assets, those of main alone, and of alternate alone: three
        sparse products over all circuits. O(entries).
    """
    u_shared, u_main, u_alternate = (
        path_unavailability(part, asset)
        for part in (parts.shared, parts.main_only, parts.alternate_only)
    )
    return np.asarray(u_shared + (1 - u_shared) * u_main * u_alternate)


def birnbaum_both_down(parts: Split, asset: ArrayLike) -> sparse.csr_array:
    """Birnbaum's importance of each asset for losing both paths of each circuit.

    The probability that both paths are down with the asset down, less that with it up.

    Parameters
    ----------
    parts : Split
    asset : array_like, shape (assets,)
        Unavailability of each asset, below 1.

    Returns
    -------
    sparse.csr_array of float, shape (circuits, assets)
        Shared: (1 - uA uB) (1 - uS)/(1 - u). Main alone: (1 - uS) uB
        (1 - uA)/(1 - u); alternate alone likewise.

    Raises
    ------
    CallError
        An asset is down for certain: take it out of the study first.

    Notes
    -----
    Z. W. Birnbaum, 'On the importance of different components in a
    multicomponent system', in *Multivariate Analysis II* (1969).
    """
    u = floats(asset)
    if np.any(u >= 1):
        raise CallError("an asset that is down for certain has no importance to be ranked by")
    log_up = {
        name: _log_up(getattr(parts, name), u) for name in ("shared", "main_only", "alternate_only")
    }
    down = {name: -np.expm1(value) for name, value in log_up.items()}
    up = {name: np.exp(value) for name, value in log_up.items()}
    factor = {
        "shared": up["shared"] * (1 - down["main_only"] * down["alternate_only"]),
        "main_only": up["shared"] * down["alternate_only"] * up["main_only"],
        "alternate_only": up["shared"] * down["main_only"] * up["alternate_only"],
    }
    others_up = sparse.diags_array(1 / (1 - u))
    total = sparse.csr_array(parts.shared.shape, dtype=np.float64)
    for name, value in factor.items():
        total = total + sparse.diags_array(value) @ _ones(getattr(parts, name)) @ others_up
    return sparse.csr_array(total)


def losses_per_year(birnbaum: sparse.csr_array, per_year: ArrayLike, asset: ArrayLike) -> Floats:
    """How often in a year all paths are lost.

    Parameters
    ----------
    birnbaum : sparse array, shape (circuits, assets)
    per_year : array_like, shape (assets,)
        Failures of each asset in a year of operation.
    asset : array_like, shape (assets,)
        Unavailability of each asset.

    Returns
    -------
    numpy.ndarray of shape (circuits,)
        Sum over the assets of importance x rate x (1 - u): an asset that is
        down cannot fail again.
    """
    return np.asarray(birnbaum @ (floats(per_year) * (1 - floats(asset))), dtype=np.float64)


def _log_up(paths: sparse.csr_array, asset: ArrayLike) -> Floats:
    """Logarithm of the availability of each row."""
    u = floats(asset)
    if np.any((u < 0) | (u > 1)):
        raise CallError("an unavailability must lie between 0 and 1")
    with np.errstate(divide="ignore"):
        return np.asarray(_ones(paths) @ np.log1p(-u), dtype=np.float64)


def _ones(paths: sparse.csr_array) -> sparse.csr_array:
    """The same entries as float64 ones, explicit zeros and repeats removed."""
    return sparse.csr_array(paths.astype(bool).astype(np.float64))


def _without(paths: sparse.csr_array, taken: sparse.csr_array) -> sparse.csr_array:
    rest = sparse.csr_array(paths - taken)
    rest.eliminate_zeros()
    return rest.astype(bool)


# --- Unavailability of any number of paths at once, exact with whatever any of them share.

GREATEST_PATHS = 16
"""2^16 states; a group of more paths than that is a mistake in the records."""
GREATEST_THINGS = 16
"""2^16 states of what feeds a machine and can fail by itself: dozens of batteries in one net."""


def all_down(paths: sparse.csr_array, group: ArrayLike, asset: ArrayLike) -> Floats:
    """Unavailability of all paths of each group at once.

    Parameters
    ----------
    paths : sparse array of bool, shape (paths, assets)
    group : array_like of int, shape (paths,)
        Which group each path belongs to, counted from 0.
    asset : array_like, shape (assets,)

    Returns
    -------
    numpy.ndarray of shape (greatest group + 1,)
        NaN for a group without a path. O(2^k x min(2^k, assets)) for each group of k paths.

    Raises
    ------
    CallError
        Too many paths in a group, or an unavailability outside 0 to 1.
    """
    groups = np.asarray(group, dtype=np.int64)
    u = _checked(asset)
    found = np.full(int(groups.max(initial=-1)) + 1, np.nan)
    order = np.argsort(groups, kind="stable")
    numbers, first = np.unique(groups[order], return_index=True)
    for number, start, end in zip(numbers, first, np.append(first, len(order))[1:], strict=True):
        classes = _classes(paths[order[start:end]], u)
        found[number] = _fill(classes.mask, classes.down, int(end - start))[-1]
    return found


def birnbaum_all_down(paths: sparse.csr_array, asset: ArrayLike) -> Floats:
    """Birnbaum's importance of each asset for losing all paths of one group.

    Parameters
    ----------
    paths : sparse array of bool, shape (k, assets)
    asset : array_like, shape (assets,)
        Unavailability of each asset, below 1.

    Returns
    -------
    numpy.ndarray of shape (assets,)
        Probability that the asset's failure is what takes the last path: the
        rest of its class is up, and the paths left by the other classes are
        all its own. 0 for assets that no path relies on.
    """
    u = _checked(asset)
    if np.any(u >= 1):
        raise CallError("an asset that is down for certain has no importance to be ranked by")
    classes = _classes(paths, u)
    count = paths.shape[0]
    states = np.arange(2**count)
    everything = 2**count - 1
    completes = np.zeros(len(classes.mask))
    for place, taken in enumerate(classes.mask):
        rest = np.arange(len(classes.mask)) != place
        others = _fill(classes.mask[rest], classes.down[rest], count)
        completes[place] = others[((states | taken) == everything) & (states != everything)].sum()
    own = classes.of_asset
    others_up = (1 - classes.down[own]) / (1 - u[classes.asset])
    importance = np.zeros(paths.shape[1])
    importance[classes.asset] = completes[own] * others_up
    return importance


@dataclass(frozen=True, slots=True)
class _Classes:
    """Sets of paths that fail together, as bits, with the unavailability of each.

    `asset` are the columns that any path relies on, `of_asset` the class of each.
    """

    mask: Ints
    down: Floats
    asset: Ints
    of_asset: Ints


def _checked(asset: ArrayLike) -> Floats:
    u = floats(asset)
    if np.any((u < 0) | (u > 1)):
        raise CallError("an unavailability must lie between 0 and 1")
    return u


def _classes(paths: sparse.csr_array, asset: Floats) -> _Classes:
    count = paths.shape[0]
    if not 1 <= count <= GREATEST_PATHS:
        raise CallError(f"a group needs 1 to {GREATEST_PATHS} paths, this one has {count}")
    entries = sparse.coo_array(paths)
    row, column = (axis[entries.data != 0] for axis in entries.coords)
    used, place = np.unique(column, return_inverse=True)
    bits = np.zeros(len(used), dtype=np.int64)
    np.bitwise_or.at(bits, place, np.int64(1) << row.astype(np.int64))
    mask, of_asset = np.unique(bits, return_inverse=True)
    with np.errstate(divide="ignore"):
        log_up = np.bincount(of_asset, np.log1p(-asset[used]), len(mask))
    return _Classes(mask, np.asarray(-np.expm1(log_up)), used.astype(np.int64), of_asset)


def _fill(mask: Ints, u: Floats, count: int) -> Floats:
    probability = np.zeros(2**count)
    probability[0] = 1.0
    states = np.arange(2**count)
    for taken, down in zip(mask, u, strict=True):
        moved = np.bincount(states | taken, probability * down, 2**count)
        probability = probability * (1 - down) + moved
    return probability


@dataclass(frozen=True, slots=True)
class Component:
    """Something that fails independently of all else, with the paths that it takes.

    Attributes
    ----------
    takes : ndarray of int, shape (outcomes,)
        Sets of paths as bits, each once.
    probability : ndarray of float, shape (outcomes,)
        Their sum is 1.
    """

    takes: Ints
    probability: Floats


def series(takes: int, down: float) -> Component:
    """A part that takes one set of paths or none."""
    return Component(np.array([0, takes]), np.array([1 - down, down]))


def all_down_by_parts(parts: Sequence[Component], count: int) -> tuple[float, list[Floats]]:
    """Unavailability of all paths at once, with parts that may take one set of them or another.

    Parameters
    ----------
    parts : sequence of Component
        Independent of each other.
    count : int
        How many paths there are, at most `GREATEST_PATHS`.

    Returns
    -------
    probability : float
        That all paths are down.
    given : list of ndarray of float
        For each part the same probability, given each of its outcomes.

    Notes
    -----
    Total probability, part by part, forwards and backwards: O(parts x outcomes x 2^count).
    """
    states = np.arange(2**count)
    before = [np.where(states == 0, 1.0, 0.0)]
    for part in parts:
        moved = np.zeros(2**count)
        for takes, probability in zip(part.takes, part.probability, strict=True):
            moved += np.bincount(states | takes, before[-1] * probability, 2**count)
        before.append(moved)
    lost = np.where(states == 2**count - 1, 1.0, 0.0)
    given: list[Floats] = [np.empty(0)] * len(parts)
    for place in range(len(parts) - 1, -1, -1):
        part = parts[place]
        then = [lost[states | takes] for takes in part.takes]
        given[place] = np.array([before[place] @ one for one in then])
        lost = sum(
            (one * share for one, share in zip(then, part.probability, strict=True)),
            start=np.zeros(2**count),
        )
    return float(lost[0]), given


@dataclass(frozen=True, slots=True)
class Feed:
    """One way of feeding a machine; sets of things and of machines as bits.

    Attributes
    ----------
    machine : int
        Which machine it feeds.
    things : int
        Things that must be up for it.
    machines : int
        Machines that must not be dark for it.
    """

    machine: int
    things: int
    machines: int = 0


@dataclass(frozen=True, slots=True)
class Fed:
    """Machines that go dark when all of their feeds are down.

    Attributes
    ----------
    part : Component
        What the things and machines together take, and how often.
    changes : list of ndarray of float, shape (outcomes, outcomes)
        For each thing, the probability that the others leave one outcome (row) while it is
        up, and another (column) when it fails.
    """

    part: Component
    changes: list[Floats]


def fed_machines(
    down: ArrayLike,
    feeds: Sequence[Feed],
    thing_takes: Sequence[int],
    machine_takes: Sequence[int],
) -> Fed:
    """What machines with several feeds each take, by every state of what feeds them.

    Parameters
    ----------
    down : array_like, shape (things,)
        Unavailability of each thing, independent of the others; at most `GREATEST_THINGS`.
    feeds : sequence of Feed
    thing_takes, machine_takes : sequence of int
        Sets of paths, as bits, that the failure of a thing takes by itself, and a machine that
        goes dark.

    Returns
    -------
    Fed

    Raises
    ------
    CallError
        Too many things.

    Notes
    -----
    Enumeration (IEC 61078, conditioning on states): O(2^things x feeds). A machine is dark
    when each of its feeds is down, the least set of machines that way.
    """
    u = _checked(floats(down))
    if len(u) > GREATEST_THINGS:
        raise CallError(f"at most {GREATEST_THINGS} things can be worked out, these are {len(u)}")
    states = np.arange(2 ** len(u))
    up = [(states >> thing & 1) == 0 for thing in range(len(u))]
    weight = np.ones(len(states))
    for thing, value in enumerate(u):
        weight *= np.where(up[thing], 1 - value, value)
    taken = np.zeros(len(states), dtype=np.int64)
    for thing, takes in enumerate(thing_takes):
        taken |= np.where(up[thing], 0, takes)
    for machine, gone in enumerate(_dark(states, feeds, len(machine_takes))):
        taken |= np.where(gone, machine_takes[machine], 0)
    outcomes, outcome = np.unique(taken, return_inverse=True)
    part = Component(outcomes, floats(np.bincount(outcome, weight, len(outcomes))))
    changes = []
    for thing in range(len(u)):
        while_up = states[up[thing]]
        others = weight[up[thing]] / (1 - u[thing]) if u[thing] < 1 else np.zeros(len(while_up))
        pair = outcome[while_up] * len(outcomes) + outcome[while_up | 1 << thing]
        moved = floats(np.bincount(pair, others, len(outcomes) ** 2))
        changes.append(moved.reshape(len(outcomes), len(outcomes)))
    return Fed(part, changes)


def _dark(states: Ints, feeds: Sequence[Feed], machines: int) -> list[np.ndarray]:
    """Per machine, the states in which it is dark."""
    dark = [np.zeros(len(states), dtype=np.bool_) for _ in range(machines)]
    lost = [(states & feed.things) != 0 for feed in feeds]
    while True:
        for row, feed in enumerate(feeds):
            for machine in range(machines):
                if feed.machines >> machine & 1:
                    lost[row] = lost[row] | dark[machine]
        found = [np.ones(len(states), dtype=np.bool_) for _ in range(machines)]
        for feed, gone in zip(feeds, lost, strict=True):
            found[feed.machine] &= gone
        if all(np.array_equal(one, other) for one, other in zip(found, dark, strict=True)):
            return dark
        dark = found


def birnbaum_fed(fed: Fed, given: Floats) -> list[float]:
    """Birnbaum's importance of each thing behind fed machines.

    Parameters
    ----------
    fed : Fed
    given : ndarray of float, shape (outcomes,)
        Probability of losing all paths given each outcome, from `all_down_by_parts`.

    Returns
    -------
    list of float
        Probability that all paths are down with the thing down, less that with it up.
    """
    rise = np.maximum(given[None, :] - given[:, None], 0.0)
    return [float(np.sum(moved * rise)) for moved in fed.changes]

"""How often circuits fail and for how long, exact where their paths share assets.

Paths are the rows of boolean sparse arrays whose columns are the assets. Assets fail
independently of each other; an event that puts several out of service at once (a hazard) is an
asset of its own, on every path that it concerns. The figures compare designs with each other;
they do not predict outages.

The formulas come in this order: rates and unavailability of single assets; a circuit's main and
alternate, O(entries); all paths of a group of up to 16, by the sets of paths that assets put out
of service together; and machines with several feeds, by enumeration of states. Every sum is of
positive terms, since 1 - (1 - u) has no digits left at u = 1e-17.
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
    """The assets of each circuit, split by which of its two paths rely on them.

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
    """Failures of an asset a year: its rate per km times its length, plus its rate per item.

    Parameters
    ----------
    length_m : array_like
        In metres; 0 for an asset without a length.
    per_km_year, per_item_year : array_like
        0 for a rate that does not apply.

    Returns
    -------
    numpy.ndarray

    Examples
    --------
    >>> buried_km_year, ground_wire_km_year = 2.130e-3, 0.085e-3
    >>> failures_per_year(1_000_000, [buried_km_year, ground_wire_km_year], 0).round(3).tolist()
    [2.13, 0.085]
    """
    return np.asarray(floats(length_m) / 1000 * floats(per_km_year) + floats(per_item_year))


def held_share(lines: np.ndarray, held: ArrayLike, holder: ArrayLike) -> Floats:
    """Share of each line that lies in the lines that hold it, each stretch counted once.

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
    Projected on a plane about the line's first vertex, so lines of some hundred kilometres may be
    wrong by a thousandth. It does not matter whether a holder is one line or several, nor how far
    it continues beyond the line.

    Examples
    --------
    >>> duct, trench = shapely.linestrings([[(8, 54), (8.01, 54)], [(8, 54), (8.004, 54)]])
    >>> held_share(np.array([duct, trench]), held=[0], holder=[1]).round(3).tolist()
    [0.4, 0.0]
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
    """Project places on a plane about another place each, in degrees of latitude."""
    east = (lonlat[:, 0] - about[:, 0] + 180) % 360 - 180
    return np.stack([east * np.cos(np.radians(about[:, 1])), lonlat[:, 1] - about[:, 1]], axis=1)


def unheld_length_m(length_m: ArrayLike, held: ArrayLike) -> Floats:
    """Length of each segment that lies in no other segment, for rates per km.

    Parameters
    ----------
    length_m : array_like, shape (segments,)
        In metres.
    held : array_like, shape (segments,)
        Share of each that lies in others, from `held_share`.

    Returns
    -------
    numpy.ndarray of shape (segments,)
        Metres. One dig damages the trench, its ducts and their subducts together: that is a
        failure of the trench, and must not count again for each duct and subduct.

    Examples
    --------
    >>> unheld_length_m([500, 1000], [0, 0.4]).tolist()
    [500.0, 600.0]
    """
    return np.asarray(floats(length_m) * (1 - floats(held)))


def unavailability(per_year: ArrayLike, repair_h: ArrayLike) -> Floats:
    """Share of the time that an asset is down.

    Parameters
    ----------
    per_year : array_like
        Failures in a year of operation.
    repair_h : array_like
        Mean hours from failure to repair.

    Returns
    -------
    numpy.ndarray
        From 0 to 1.

    Notes
    -----
    1 - A with A = MTBF / (MTBF + MTTR), MTBF = 8760 h / per_year (IEC 61078, from memory).
    For rare failures it is per_year x repair_h / 8760.

    Examples
    --------
    >>> unavailability(2, 8.76).round(6).item()  # 17.52 h down for 8760 h up
    0.001996
    """
    down_h = floats(per_year) * floats(repair_h)
    return np.asarray(down_h / (HOURS_PER_YEAR + down_h))


def minutes_a_year(share: ArrayLike) -> Floats:
    """Convert unavailability to minutes in a year of 8760 hours.

    Examples
    --------
    >>> (minutes_a_year([0.01, 0.001, 0.0005]) / 60).round(2).tolist()  # hours
    [87.6, 8.76, 4.38]
    """
    return np.asarray(floats(share) * MINUTES_PER_YEAR)


def path_unavailability(paths: sparse.csr_array, asset: ArrayLike) -> Floats:
    """Unavailability of each path: it is down when any asset that it relies on is down.

    Parameters
    ----------
    paths : sparse array of bool, shape (paths, assets)
    asset : array_like, shape (assets,)
        Unavailability of each asset, from 0 to 1.

    Returns
    -------
    numpy.ndarray of shape (paths,)
        1 - product of (1 - u), a series of blocks (IEC 61078, from memory). Computed from sums of
        logarithms, which keeps the digits of the smallest u.

    Raises
    ------
    CallError
        An unavailability lies outside 0 to 1.

    Examples
    --------
    >>> both = path_unavailability(sparse.csr_array([[True, True]]), [1e-5, 1e-5])
    >>> (60 * minutes_a_year(both)).round().tolist()  # two blocks of 99.999 % in series, seconds
    [631.0]
    """
    return np.asarray(-np.expm1(_log_up(paths, asset)))


def split(main: sparse.csr_array, alternate: sparse.csr_array) -> Split:
    """Split each circuit's assets by whether both paths rely on them, or only one.

    Parameters
    ----------
    main, alternate : sparse array of bool, shape (circuits, assets)
        Row i of each is a path of circuit i.

    Returns
    -------
    Split

    Raises
    ------
    CallError
        The two have different shapes.

    Examples
    --------
    >>> parts = split(sparse.csr_array([[1, 1, 0]]), sparse.csr_array([[0, 1, 1]]))
    >>> parts.shared.toarray().tolist(), parts.main_only.toarray().tolist()
    ([[False, True, False]], [[True, False, False]])
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
    """Unavailability of both paths at once, exact where they share assets.

    Parameters
    ----------
    parts : Split
    asset : array_like, shape (assets,)
        Unavailability of each asset, from 0 to 1.

    Returns
    -------
    numpy.ndarray of shape (circuits,)
        U = uS + (1 - uS) uA uB, with uS, uA and uB the unavailability of
        the shared assets, those of main alone, and of alternate alone: three
        sparse products over all circuits. O(entries).

    Raises
    ------
    CallError
        An unavailability lies outside 0 to 1.

    Examples
    --------
    >>> parts = split(sparse.csr_array([[1, 1, 0]]), sparse.csr_array([[0, 1, 1]]))
    >>> both_down(parts, [0.1, 0.01, 0.2]).round(6).tolist()  # 0.01 + 0.99 x 0.1 x 0.2
    [0.0298]
    """
    u_shared, u_main, u_alternate = (
        path_unavailability(part, asset)
        for part in (parts.shared, parts.main_only, parts.alternate_only)
    )
    return np.asarray(u_shared + (1 - u_shared) * u_main * u_alternate)


def birnbaum_both_down(parts: Split, asset: ArrayLike) -> sparse.csr_array:
    """Birnbaum's importance of each asset for the outage of both paths of each circuit.

    It is the probability that both paths are down with the asset down, less that with it up.

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
        An asset is down for certain (remove it from the study first), or an unavailability
        lies outside 0 to 1.

    Notes
    -----
    Z. W. Birnbaum, 'On the importance of different components in a
    multicomponent system', in *Multivariate Analysis II* (1969).

    Examples
    --------
    >>> parts = split(sparse.csr_array([[1, 1, 0]]), sparse.csr_array([[0, 1, 1]]))
    >>> birnbaum_both_down(parts, [0.1, 0.01, 0.2]).toarray().round(3).tolist()
    [[0.198, 0.98, 0.099]]
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
    """How often in a year all paths of a circuit go down.

    Parameters
    ----------
    birnbaum : sparse array, shape (circuits, assets)
        From `birnbaum_both_down`.
    per_year : array_like, shape (assets,)
        Failures of each asset in a year of operation.
    asset : array_like, shape (assets,)
        Unavailability of each asset.

    Returns
    -------
    numpy.ndarray of shape (circuits,)
        Sum over the assets of importance x rate x (1 - u): an asset that is
        down cannot fail again.

    Examples
    --------
    >>> importance = sparse.csr_array([[0.2, 0.98, 0.1]])
    >>> losses_per_year(importance, [2, 0.1, 1], [0.1, 0.01, 0.2]).round(5).tolist()
    [0.53702]
    """
    return np.asarray(birnbaum @ (floats(per_year) * (1 - floats(asset))), dtype=np.float64)


def _log_up(paths: sparse.csr_array, asset: ArrayLike) -> Floats:
    """Logarithm of the availability of each path."""
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


GREATEST_PATHS = 16
"""2^16 states; a group of more paths than that is a mistake in the records."""
GREATEST_THINGS = 16
"""2^16 states of the things that feed a group of machines."""


def all_down(paths: sparse.csr_array, group: ArrayLike, asset: ArrayLike) -> Floats:
    """Unavailability of all paths of each group at once, exact where any of them share assets.

    Parameters
    ----------
    paths : sparse array of bool, shape (paths, assets)
    group : array_like of int, shape (paths,)
        Which group each path belongs to, counted from 0.
    asset : array_like, shape (assets,)
        Unavailability of each asset, from 0 to 1.

    Returns
    -------
    numpy.ndarray of shape (greatest group + 1,)
        NaN for a group without a path.

    Raises
    ------
    CallError
        A group has more than `GREATEST_PATHS` paths, or an unavailability lies outside 0 to 1.

    Notes
    -----
    The assets of a group fall into classes by the set of paths that they put out of service. The
    states 'these paths are down' are filled class by class, O(2^k x min(2^k, assets)) for each
    group of k paths. Inclusion and exclusion would lose digits.

    Examples
    --------
    >>> paths = sparse.csr_array([[1, 1, 0], [0, 1, 1]], dtype=bool)
    >>> all_down(paths, [0, 0], [0.1, 0.01, 0.2]).round(6).tolist()  # as `both_down`
    [0.0298]
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
    """Birnbaum's importance of each asset for the outage of all paths of one group.

    Parameters
    ----------
    paths : sparse array of bool, shape (k, assets)
    asset : array_like, shape (assets,)
        Unavailability of each asset, below 1.

    Returns
    -------
    numpy.ndarray of shape (assets,)
        Probability that the other assets leave some path up, and that the asset's failure puts
        the last of them out of service. 0 for assets that no path relies on.

    Raises
    ------
    CallError
        As `all_down`, and where an asset is down for certain.

    Examples
    --------
    >>> paths = sparse.csr_array([[1, 1, 0], [0, 1, 1]], dtype=bool)
    >>> birnbaum_all_down(paths, [0.1, 0.01, 0.2]).round(3).tolist()  # as `birnbaum_both_down`
    [0.198, 0.98, 0.099]
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
    """Something that fails independently of all else, with the paths that it puts out of service.

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
    """Make a component that puts one set of paths out of service, or none.

    Parameters
    ----------
    takes : int
        The set of paths, as bits.
    down : float
        Its unavailability.

    Examples
    --------
    >>> series(0b11, 0.25).probability.tolist()
    [0.75, 0.25]
    """
    return Component(np.array([0, takes]), np.array([1 - down, down]))


def all_down_by_parts(parts: Sequence[Component], count: int) -> tuple[float, list[Floats]]:
    """Unavailability of all paths at once, with components of more than two outcomes.

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
        For each component the same probability, given each of its outcomes.

    Notes
    -----
    Total probability, component by component, forwards and backwards:
    O(components x outcomes x 2^count).

    Examples
    --------
    >>> probability, given = all_down_by_parts([series(0b01, 0.1), series(0b10, 0.2)], 2)
    >>> round(probability, 6), given[0].round(6).tolist()
    (0.02, [0.0, 0.2])
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
    """One feed of a machine; sets of things and of machines as bits.

    Attributes
    ----------
    machine : int
        Which machine it feeds.
    things : int
        Things that must be up for it.
    machines : int
        Machines that must have power for it.
    """

    machine: int
    things: int
    machines: int = 0


@dataclass(frozen=True, slots=True)
class Fed:
    """Machines that lose power when all of their feeds are down.

    Attributes
    ----------
    part : Component
        What the things and machines together put out of service, and how often.
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
    """Paths that machines with several feeds put out of service, by every state of what feeds them.

    A thing is an asset that feeds machines and can fail by itself, such as a battery.

    Parameters
    ----------
    down : array_like, shape (things,)
        Unavailability of each thing, independent of the others; at most `GREATEST_THINGS`.
    feeds : sequence of Feed
    thing_takes, machine_takes : sequence of int
        Sets of paths, as bits, that each thing that fails, and each machine without power, puts
        out of service by itself.

    Returns
    -------
    Fed

    Raises
    ------
    CallError
        There are too many things.

    Notes
    -----
    Enumeration (conditioning on states; IEC 61078, from memory): O(2^things x feeds). A machine
    has no power when each of its feeds is down; of the sets of machines that satisfy this, the
    least is meant.

    Examples
    --------
    >>> feeds = [Feed(machine=0, things=0b01), Feed(machine=0, things=0b10)]
    >>> fed = fed_machines([0.1, 0.2], feeds, thing_takes=[0, 0], machine_takes=[0b1])
    >>> fed.part.takes.tolist(), fed.part.probability.round(6).tolist()
    ([0, 1], [0.98, 0.02])
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
    """Per machine, the states in which it has no power."""
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
    """Birnbaum's importance of each thing that feeds machines.

    Parameters
    ----------
    fed : Fed
    given : ndarray of float, shape (outcomes,)
        Probability that all paths are down given each outcome, from `all_down_by_parts`.

    Returns
    -------
    list of float, one per thing
        Probability that all paths are down with the thing down, less that with it up.

    Examples
    --------
    >>> feeds = [Feed(machine=0, things=0b01), Feed(machine=0, things=0b10)]
    >>> fed = fed_machines([0.1, 0.2], feeds, thing_takes=[0, 0], machine_takes=[0b1])
    >>> [round(one, 6) for one in birnbaum_fed(fed, np.array([0.0, 1.0]))]
    [0.2, 0.1]
    """
    rise = np.maximum(given[None, :] - given[:, None], 0.0)
    return [float(np.sum(moved * rise)) for moved in fed.changes]

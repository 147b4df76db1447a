"""One-way delay of fibre, paths and rings, asymmetry of the two directions, and recovery."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from waysapart.arrays import Bools, Floats, floats, greatest_by
from waysapart.errors import CallError

LIGHT_M_PER_US = 299.792458
"""Speed of light in vacuum, exact by the definition of the metre (SI)."""


def fibre_delay_us(length_m: ArrayLike, group_index: ArrayLike) -> Floats:
    """One-way delay of a length of fibre: length times group index over c.

    Parameters
    ----------
    length_m : array_like
        In metres.
    group_index : array_like

    Returns
    -------
    numpy.ndarray
        Microseconds.

    Examples
    --------
    >>> fibre_delay_us(1000, [1.4676, 1.4682]).round(3).tolist()
    [4.895, 4.897]
    """
    return np.asarray(floats(length_m) * floats(group_index) / LIGHT_M_PER_US)


def worst_us(circuit: ArrayLike, delay_us: ArrayLike, count: int) -> Floats:
    """Greatest delay of each circuit over all of its states.

    Parameters
    ----------
    circuit : array_like of int, shape (states,)
        Which circuit each state belongs to.
    delay_us : array_like, shape (states,)
        In microseconds.
    count : int
        How many circuits there are.

    Returns
    -------
    numpy.ndarray of shape (count,)
        Microseconds; NaN where a delay is unknown, and for a circuit without a state.

    Examples
    --------
    >>> worst_us([0, 0, 1, 1], [60, 310, 60, None], 2).tolist()
    [310.0, nan]
    """
    return greatest_by(circuit, delay_us, count)


def asymmetry_us(
    circuit: ArrayLike,
    go_us: ArrayLike,
    return_us: ArrayLike,
    switches_together: ArrayLike,
) -> Floats:
    """Greatest difference between the delays of a circuit's two directions.

    Parameters
    ----------
    circuit : array_like of int, shape (paths,)
        Which circuit each path belongs to.
    go_us, return_us : array_like, shape (paths,)
        Delay of the two directions of each path, in microseconds.
    switches_together : array_like of bool, shape (circuits,)
        True where both directions always use the same path.

    Returns
    -------
    numpy.ndarray of shape (circuits,)
        Microseconds. Together: the greatest |go - return| of any one path. Else go may use
        any path while return uses any other: the greater of (longest go - shortest return)
        and (longest return - shortest go). NaN where a delay is unknown or a circuit has no
        path.

    Examples
    --------
    >>> go, back = [60, 310, 60, 310], [62, 309, 62, 309]
    >>> asymmetry_us([0, 0, 1, 1], go, back, switches_together=[True, False]).tolist()
    [2.0, 249.0]
    """
    go, back = floats(go_us), floats(return_us)
    together = np.asarray(switches_together, dtype=bool)
    count = len(together)
    same_path = greatest_by(circuit, np.abs(go - back), count)
    any_paths = np.maximum(
        greatest_by(circuit, go, count) + greatest_by(circuit, -back, count),
        greatest_by(circuit, back, count) + greatest_by(circuit, -go, count),
    )
    return np.where(together, same_path, any_paths)


def least_difference_us(
    difference_us: ArrayLike, first_open: ArrayLike, second_open: ArrayLike
) -> Floats:
    """Least difference between two delays where parts of them are not known.

    Parameters
    ----------
    difference_us : array_like
        What is known of the first less what is known of the second, in microseconds.
        What both have in common cancels, and may be left out of both.
    first_open, second_open : array_like of bool
        Whether the first, or the second, has unknown parts that the other has
        not. An unknown delay only adds.

    Returns
    -------
    numpy.ndarray
        Microseconds, 0 or more: the difference itself where nothing is unknown,
        0 where both may grow until they are equal.

    Examples
    --------
    >>> least_difference_us([5, 5, -5], [False, False, True], [False, True, True]).tolist()
    [5.0, 0.0, 0.0]
    """
    difference = floats(difference_us)
    first, second = np.asarray(first_open, np.bool_), np.asarray(second_open, np.bool_)
    above = np.where(second, 0.0, np.maximum(difference, 0.0))
    below = np.where(first, 0.0, np.maximum(-difference, 0.0))
    return np.asarray(above + below)


def phase_error_deg(asymmetry: ArrayLike, frequency_hz: ArrayLike) -> Floats:
    """Phase error between the currents that two line ends compare: 360 f dt/2.

    Parameters
    ----------
    asymmetry : array_like
        Difference of the two directions' delays, in microseconds.
    frequency_hz : array_like
        Frequency of the power system, in Hz.

    Returns
    -------
    numpy.ndarray
        Degrees.

    Notes
    -----
    A relay that measures the round trip takes half of it for each direction, so it is
    wrong by half the difference (the ping-pong principle: ABB, 1MRK 505 382-UEN, figure 56;
    AMD, UG1602, Asymmetric Networks). Relays that take time from satellites have no such error.

    Examples
    --------
    >>> phase_error_deg([1000, 5000], 50).round(6).tolist()
    [9.0, 45.0]
    """
    return np.asarray(360.0 * floats(frequency_hz) * floats(asymmetry) * 1e-6 / 2)


def differential_current(phase_error: ArrayLike) -> Floats:
    """Apparent differential current of a healthy line, as a share of its through current.

    Parameters
    ----------
    phase_error : array_like
        From `phase_error_deg`, in degrees.

    Returns
    -------
    numpy.ndarray
        2 sin(theta/2): the length of the chord between two equal phasors that are
        theta degrees apart. It does not say whether a given relay trips.

    Examples
    --------
    >>> differential_current([9, 45]).round(4).tolist()
    [0.1569, 0.7654]
    """
    return np.asarray(2 * np.abs(np.sin(np.radians(floats(phase_error)) / 2)))


def ring_way_us(link_us: ArrayLike, node_us: ArrayLike, start: ArrayLike, end: ArrayLike) -> Floats:
    """Delay forward round a ring from one node to another, both nodes included.

    Parameters
    ----------
    link_us : array_like, shape (n,)
        Delay of link i, which joins node i to node i + 1 (the last to the first), in microseconds.
    node_us : array_like, shape (n,)
        Delay through each node, in microseconds.
    start, end : array_like of int, shape (m,)
        Nodes, counted from 0. The other way round is that from `end` to `start`.

    Returns
    -------
    numpy.ndarray of shape (m,)
        Microseconds.

    Raises
    ------
    CallError
        Start and end are the same node, or the ring has no such node.

    Examples
    --------
    >>> ring_way_us([1, 2, 4, 8], [0.5] * 4, start=[0, 2], end=[2, 0]).tolist()
    [4.5, 13.5]
    """
    links, nodes = floats(link_us), floats(node_us)
    on_way = _links_on_way(len(links), start, end)
    last = nodes[np.asarray(end, dtype=np.int64)]
    return np.asarray(np.where(on_way, links + nodes, 0.0).sum(axis=1) + last)


def ring_worst_us(
    link_us: ArrayLike,
    node_us: ArrayLike,
    start: ArrayLike,
    end: ArrayLike,
    *,
    loops_back: bool = False,
) -> Floats:
    """Longest delay of a circuit round a ring, whole or after any single failure.

    Parameters
    ----------
    link_us, node_us, start, end
        As in `ring_way_us`, the working way being forward from `start`.
    loops_back : bool
        False: the ends switch to the other way round. True: the ring itself
        loops back at both sides of a failure, so that the signal goes up to
        the failure and back round the whole ring.

    Returns
    -------
    numpy.ndarray of shape (m,)
        Microseconds.

    Raises
    ------
    CallError
        As `ring_way_us`.

    Notes
    -----
    With W the working way and B the other way round, ends that switch give
    max(W, B). With T the delay once round the whole ring, looping back at link k, between
    nodes p and q, gives W + T - 2 link(k) - node(p) - node(q): the signal passes the other
    links of the working way twice, the links of the other way once, and nodes p and q once.
    The worst k is the link of the working way for which the least is subtracted. A failed
    node leaves out two links, so it is never worse than the worst link.

    Examples
    --------
    >>> ring_worst_us([1, 2, 4, 8], [0.5] * 4, start=0, end=2).tolist()
    [13.5]
    >>> ring_worst_us([1, 2, 4, 8], [0.5] * 4, start=0, end=2, loops_back=True).tolist()
    [18.5]
    """
    links, nodes = floats(link_us), floats(node_us)
    working = ring_way_us(links, nodes, start, end)
    other = ring_way_us(links, nodes, end, start)
    if not loops_back:
        return np.maximum(working, other)
    on_way = _links_on_way(len(links), start, end)
    taken_off = 2 * links + nodes + np.roll(nodes, -1)
    least = np.where(on_way, taken_off, np.inf).min(axis=1)
    return np.asarray(np.maximum(working, working + links.sum() + nodes.sum() - least))


def recovery_ms(detection_ms: ArrayLike, hold_off_ms: ArrayLike, switching_ms: ArrayLike) -> Floats:
    """Outage of a circuit while it changes over: detection, hold-off and switching times.

    Parameters
    ----------
    detection_ms, hold_off_ms, switching_ms : array_like
        In milliseconds.

    Returns
    -------
    numpy.ndarray
        Milliseconds.

    Notes
    -----
    ITU-T G.841 (10/98), as others quote it, counts 50 ms from the detection, which itself may
    need up to 10 ms (from memory).

    Examples
    --------
    >>> recovery_ms(10, 0, [50, 4]).tolist()
    [60.0, 14.0]
    """
    return np.asarray(floats(detection_ms) + floats(hold_off_ms) + floats(switching_ms))


def _links_on_way(count: int, start: ArrayLike, end: ArrayLike) -> Bools:
    first = np.atleast_1d(np.asarray(start, dtype=np.int64))
    last = np.atleast_1d(np.asarray(end, dtype=np.int64))
    if np.any(first == last):
        raise CallError("a circuit round a ring needs two different nodes")
    if np.any((first < 0) | (first >= count) | (last < 0) | (last >= count)):
        raise CallError(f"nodes of this ring are counted from 0 to {count - 1}")
    steps = (last - first) % count
    return ((np.arange(count)[None, :] - first[:, None]) % count) < steps[:, None]

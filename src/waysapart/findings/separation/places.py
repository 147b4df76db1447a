"""Find where one event of a given radius would take the most."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd
import scipy.sparse as sp

from waysapart.arrays import Floats, Ints, boolean, csr_row
from waysapart.errors import CallError
from waysapart.findings.separation.arrangement import (
    fingerprint,
    first_of_equal,
    places_to_look,
    taken,
)
from waysapart.findings.separation.earth import on_surface, to_lonlat
from waysapart.findings.separation.layout import Layout
from waysapart.findings.separation.pieces import Pieces


@dataclass(frozen=True)
class Circuits:
    """The paths of every circuit, to find which of them a place cuts.

    Attributes
    ----------
    circuit, path : ndarray of int, shape (w,)
        Path `path` of the layout is a path of circuit `circuit`.
    zones : csr_array of bool, shape (circuits, zones)
        The layout's zones that excuse each circuit.
    """

    circuit: Ints
    path: Ints
    zones: sp.csr_array

    @classmethod
    def of_pairs(cls, layout: Layout) -> Circuits:
        """Make a circuit of every pair of the layout, with the pair's zones.

        Parameters
        ----------
        layout : Layout

        Returns
        -------
        Circuits
        """
        number = np.arange(len(layout), dtype=np.int64)
        return cls(
            np.concatenate([number, number]),
            np.concatenate([layout.first, layout.second]),
            layout.zones,
        )


def worst_places(
    layout: Layout, radius_m: float, circuits: Circuits | None = None, *, rows: int = 10
) -> pd.DataFrame:
    """Find the places where one circle takes the most, worst first.

    Parameters
    ----------
    layout : Layout
    radius_m : float
        Metres, greater than 0.
    circuits : Circuits, optional
        Default: every pair of the layout as a circuit.
    rows : int
        At most so many places.

    Returns
    -------
    DataFrame
        `lon`, `lat` of the centre; `lost`, circuits all of whose paths the circle
        takes outside the circuit's zones; `touched`, circuits any of whose paths it
        takes anywhere; `circuits_lost`, tuple of circuit numbers; `lines`, tuple of
        the lines that it takes and some path follows. By `lost`, then `touched`;
        a place whose lines are all taken at a place above it is left out.

    Raises
    ------
    CallError
        The radius is not greater than 0.

    Notes
    -----
    Exact: no circle of the radius, wherever it is put, loses more circuits than
    the first row, nor touches more among those that lose as many. Pieces that
    the same paths follow, and the same zones excuse, are one colour, and only
    outlines of different colours need to be intersected.
    """
    _check(radius_m)
    chosen = Circuits.of_pairs(layout) if circuits is None else circuits
    pieces = layout.pieces
    of_line = boolean(pieces.line, np.arange(len(pieces)), (pieces.line_count, len(pieces)))
    anywhere = sp.csr_array((layout.path_lines @ of_line)[chosen.path])
    excused = sp.csr_array(chosen.zones @ layout.inside.T)[chosen.circuit]
    outside = sp.csr_array(anywhere > anywhere.multiply(excused))
    both = sp.csr_array(sp.vstack([anywhere, outside], format="csr"))
    print_ = fingerprint(sp.csr_array(both.T))
    colour = np.where(print_ == 0, -1, np.unique(print_, return_inverse=True)[1])
    centres = places_to_look(pieces, colour.astype(np.int64), radius_m)
    if not len(centres) or not len(chosen.circuit):
        return _ranked(centres[:0], [], [], np.zeros((2, 0), dtype=np.int64))
    used = np.flatnonzero(colour >= 0).astype(np.int64)
    some = taken(pieces.select(used), centres, radius_m)
    of_colour = boolean(np.arange(len(used)), colour[used], (len(used), int(colour.max()) + 1))
    keep = first_of_equal(sp.csr_array(some @ of_colour))
    hits, centres = sp.csr_array(some[keep]), centres[keep]
    lost, touched = _counted(chosen, hits, outside[:, used], anywhere[:, used])
    count = np.stack([np.diff(lost.indptr), np.diff(touched.indptr)])
    lines = sp.csr_array(hits @ sp.csr_array(of_line.T)[used])
    top = _top(count, lines, rows)
    return _ranked(
        centres[top],
        [tuple(csr_row(lost, at).tolist()) for at in top],
        [tuple(sorted(csr_row(lines, at).tolist())) for at in top],
        count[:, top],
    )


def _check(radius_m: float) -> None:
    if not radius_m > 0:
        raise CallError(f"radius {radius_m} m: expected more than 0")


def _counted(
    circuits: Circuits, hits: sp.csr_array, outside: sp.csr_array, anywhere: sp.csr_array
) -> tuple[sp.csr_array, sp.csr_array]:
    """Boolean matrices (places, circuits): lost and touched."""
    count = circuits.zones.shape[0]
    paths = np.bincount(circuits.circuit, minlength=count)
    member = sp.csr_array(
        (
            np.ones(len(circuits.circuit), dtype=np.int32),
            (np.arange(len(circuits.circuit)), circuits.circuit),
        ),
        shape=(len(circuits.circuit), count),
    )
    down = sp.csr_array(hits @ sp.csr_array(outside.T)).astype(np.int32) @ member
    lost = sp.csr_array(down)
    lost.data = (lost.data == paths[lost.indices]).astype(np.int32)
    lost.eliminate_zeros()
    touched = sp.csr_array(sp.csr_array(hits @ sp.csr_array(anywhere.T)).astype(np.int32) @ member)
    lost.sort_indices()
    return lost, touched


def _top(count: npt.NDArray[np.int64], lines: sp.csr_array, rows: int) -> Ints:
    """The worst places, none whose lines are all taken at a worse one."""
    size = np.diff(lines.indptr)
    order = np.lexsort((-size, -count[1], -count[0]))
    top: list[int] = []
    sets: list[frozenset[int]] = []
    for at in order:
        here = frozenset(csr_row(lines, at).tolist())
        if not any(here <= above for above in sets):
            top.append(int(at))
            sets.append(here)
        if len(top) >= rows:
            break
    return np.asarray(top, dtype=np.int64)


def _ranked(
    centres: Floats,
    lost: list[tuple[int, ...]],
    lines: list[tuple[int, ...]],
    count: npt.NDArray[np.int64],
) -> pd.DataFrame:
    lon, lat = to_lonlat(centres)
    return pd.DataFrame(
        {
            "lon": lon,
            "lat": lat,
            "lost": count[0],
            "touched": count[1],
            "circuits_lost": pd.Series(lost, dtype=object),
            "lines": pd.Series(lines, dtype=object),
        }
    )


# --- All the sets that one circle can take.

_ENTRIES_AT_ONCE = 2_000_000
_FIRST_CENTRES = 500


def largest_sets(pieces: Pieces, radius_m: float) -> tuple[Floats, sp.csr_array]:
    """Find all the largest sets of lines that one circle of a radius can take.

    Largest by inclusion: none of them lies in another, and whatever a circle of the
    radius takes, wherever it is put, lies in one of them.

    Parameters
    ----------
    pieces : Pieces
        Straight pieces of lines; a line without pieces is in no set.
    radius_m : float
        Metres, greater than 0. The disc is closed: what lies at the radius is taken.

    Returns
    -------
    centres : ndarray of float, shape (n, 3)
        Of a circle that takes each set: points of the ellipsoid, earth-centred, metres.
    sets : csr_array of bool, shape (n, lines)

    Raises
    ------
    CallError
        The radius is not greater than 0.

    Notes
    -----
    The places to look at are the points where the outlines of two capsules meet, and one
    point per piece (see `arrangement`). Sets are compared from the largest down, each with
    those already found that have a line in common with it.
    """
    _check(radius_m)
    centres = places_to_look(pieces, pieces.line, radius_m)
    shape = (len(pieces), pieces.line_count)
    of_piece = boolean(np.arange(len(pieces)), pieces.line, shape)
    if not len(centres):
        return centres, sp.csr_array((0, pieces.line_count), dtype=np.bool_)
    prints, seen, rows = [], np.zeros(0, dtype=np.int64), []
    begin, step = 0, _FIRST_CENTRES
    while begin < len(centres):
        some = _lines_taken(pieces, of_piece, centres[begin : begin + step], radius_m)
        found = fingerprint(some)
        new = first_of_equal(some)
        new = new[~np.isin(found[new], seen)]
        rows.append(sp.csr_array(some[new]))
        seen = np.concatenate([seen, found[new]])
        prints.append(found)
        begin += step
        step = max(1, int(_ENTRIES_AT_ONCE / max(1.0, some.nnz / some.shape[0])))
    sets = sp.csr_array(sp.vstack(rows, format="csr"))
    keep = _maximal(sets)
    sets = sp.csr_array(sets[keep])
    return _middles(pieces, of_piece, centres, np.concatenate(prints), sets, radius_m), sets


def _lines_taken(
    pieces: Pieces, of_piece: sp.csr_array, centres: Floats, radius_m: float
) -> sp.csr_array:
    """Boolean matrix (centres, lines)."""
    lines = sp.csr_array(taken(pieces, centres, radius_m) @ of_piece)
    lines.sort_indices()
    return lines


def _maximal(sets: sp.csr_array) -> Ints:
    """Rows of a boolean matrix, all of them different, that lie in no other row."""
    size = np.diff(sets.indptr)
    numbers = sp.csr_array(sets.astype(np.int32))
    kept = np.zeros(0, dtype=np.int64)
    for count in np.unique(size[size > 0])[::-1].tolist():
        # No two different sets of one size lie in each other.
        these = np.flatnonzero(size == count).astype(np.int64)
        if len(kept):
            common = sp.csr_array(numbers[these] @ numbers[kept].T)
            within = np.zeros(len(these), dtype=bool)
            row = np.repeat(np.arange(len(these)), np.diff(common.indptr))
            within[row[common.data == count]] = True
            these = these[~within]
        kept = np.concatenate([kept, these])
    return np.sort(kept)


def _middles(
    pieces: Pieces,
    of_piece: sp.csr_array,
    centres: Floats,
    prints: Ints,
    sets: sp.csr_array,
    radius_m: float,
) -> Floats:
    """A centre for every set: amid those that take it where that takes it too, else one of them."""
    wanted = fingerprint(sets)
    order = np.argsort(wanted)
    place = np.minimum(np.searchsorted(wanted[order], prints), len(wanted) - 1)
    mine = np.flatnonzero(wanted[order][place] == prints)
    owner = order[place[mine]]
    number = np.bincount(owner, minlength=len(wanted))
    middle = on_surface(
        np.stack(
            [np.bincount(owner, centres[mine, k], len(wanted)) / number for k in range(3)], axis=1
        )
    )
    missed = fingerprint(_lines_taken(pieces, of_piece, middle, radius_m)) != wanted
    lon, lat = to_lonlat(centres[mine])
    rank = np.lexsort((lat, lon, owner))
    first = mine[rank[np.searchsorted(owner[rank], np.arange(len(wanted)))]]
    middle[missed] = centres[first[missed]]
    return middle

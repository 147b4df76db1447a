"""What ways share: avoidable or not, on its own or only because of something that lies in it."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
import scipy.sparse as sp

from waysapart.network.assets import Ints, boolean
from waysapart.reliance.closure import both, union, without
from waysapart.reliance.rely import Reliance


@dataclass(frozen=True)
class Sides:
    """Who is held against whom: tests, each of two or more sides, each side of one or more paths.

    A circuit's sides are its paths. An asset is shared in a test when all of
    its sides, and at least two, rely on it.

    Attributes
    ----------
    test : ndarray of int, shape (sides,)
        Test of each side, ascending.
    paths : csr_array of bool, shape (sides, paths)
    threshold : ndarray of int, shape (tests,)
        How many sides that is.
    circuits : csr_array of bool, shape (tests, circuits)
        Whose ends count as unavoidable.
    """

    test: Ints
    paths: sp.csr_array
    threshold: Ints
    circuits: sp.csr_array

    def __len__(self) -> int:
        return len(self.threshold)

    def of_test(self, test: int) -> range:
        """The sides of one test."""
        low, high = np.searchsorted(self.test, [test, test + 1])
        return range(int(low), int(high))


@dataclass(frozen=True)
class Sharing:
    """What the sides of every test share.

    Attributes
    ----------
    shared, unavoidable, avoidable : csr_array of bool, shape (tests, assets + links)
    folded : csr_array of bool, shape (tests, assets + links)
        Shared only because something shared lies within.
    through : dict of (int, int) to int
        Test and folded asset to the shared asset in it that is all the reason.
    supports : dict of (int, int) to tuple of int
        For folded assets: every avoidable shared asset directly in it.
    """

    shared: sp.csr_array
    unavoidable: sp.csr_array
    avoidable: sp.csr_array
    folded: sp.csr_array
    through: dict[tuple[int, int], int] = field(default_factory=dict)
    supports: dict[tuple[int, int], tuple[int, ...]] = field(default_factory=dict)


def share(reliance: Reliance, sides: Sides) -> Sharing:
    """Compare the sides of every test at once.

    Complexity: the size of the sides' reliance sets; no loop over tests. Call
    `merge` to learn the reasons (`through`).
    """
    relied = sp.csr_array(sides.paths @ reliance.paths)
    items = sp.csr_array(sides.paths @ reliance.path_items)
    shape = (len(sides), relied.shape[1])
    shared = _agreed(sides, relied, shape)
    ends = sp.csr_array(sides.circuits @ reliance.ends)
    at_ends = both(shared, ends)
    elsewhere = _met_elsewhere(reliance, sides, relied, ends, at_ends)
    unavoidable = without(at_ends, elsewhere)
    folded = _folded(reliance, sides, relied, items, shared)
    return Sharing(
        shared,
        unavoidable,
        without(shared, unavoidable),
        folded,
    )


def blank_within(reliance: Reliance, sides: Sides) -> Ints:
    """How many assets that any side of each test relies on lie within nobody knows what."""
    relied = sp.csr_array(sides.paths @ reliance.paths)
    count = len(reliance.network.assets)
    blank = reliance.network.assets.frame["blank_within"].to_numpy(dtype=np.int32)
    any_side = sp.csr_array(_by_test(sides) @ relied)[:, :count]
    return np.asarray(any_side.astype(np.int32) @ blank, dtype=np.int64)


def merge(reliance: Reliance, held: Sharing, owner: list[int], count: int) -> Sharing:
    """Bring tests of one owner together, and name the reason of what is folded.

    What is avoidable in any of the tests is avoidable; what is shared on its
    own in any of them is not folded.
    """
    number = np.array(owner, dtype=np.int64)
    by_owner = boolean(number, np.arange(len(owner)), (count, len(owner)))
    shared = sp.csr_array(by_owner @ held.shared)
    avoidable = sp.csr_array(by_owner @ held.avoidable)
    alone = sp.csr_array(by_owner @ without(held.shared, held.folded))
    folded = without(shared, both(shared, alone))
    merged = Sharing(shared, without(shared, avoidable), avoidable, folded)
    through, supports = _reasons(reliance, avoidable, both(folded, avoidable))
    return replace(merged, through=through, supports=supports)


def _by_test(sides: Sides) -> sp.csr_array:
    return boolean(sides.test, np.arange(len(sides.test)), (len(sides), len(sides.test)))


def _agreed(sides: Sides, relied: sp.csr_array, shape: tuple[int, int]) -> sp.csr_array:
    """What at least `threshold` sides of a test rely on."""
    counts = sp.csr_array(_by_test(sides).astype(np.int32) @ relied.astype(np.int32)).tocoo()
    enough = counts.data >= sides.threshold[counts.row]
    return boolean(counts.row[enough].astype(np.int64), counts.col[enough].astype(np.int64), shape)


def _rows_of_tests(sides: Sides, matrix: sp.csr_array) -> sp.csr_array:
    """A matrix by test, spread to one row per side."""
    return sp.csr_array(matrix[sides.test])


def _met_elsewhere(
    reliance: Reliance,
    sides: Sides,
    relied: sp.csr_array,
    ends: sp.csr_array,
    at_ends: sp.csr_array,
) -> sp.csr_array:
    """Hazards at the ends that enough sides meet through other plant as well: no excuse."""
    count = len(reliance.network.assets)
    hazards = reliance.network.hazards
    if not hazards.nnz:
        return sp.csr_array(at_ends.shape, dtype=np.bool_)
    other = without(relied, _rows_of_tests(sides, ends))
    met = sp.csr_array(other[:, :count] @ hazards)
    wide = sp.hstack(
        [met, sp.csr_array((met.shape[0], relied.shape[1] - count), dtype=np.bool_)], format="csr"
    )
    return both(_agreed(sides, sp.csr_array(wide), at_ends.shape), at_ends)


def _folded(
    reliance: Reliance,
    sides: Sides,
    relied: sp.csr_array,
    items: sp.csr_array,
    shared: sp.csr_array,
) -> sp.csr_array:
    """Shared only because something shared lies within: not enough sides reach it on their own."""
    count = len(reliance.network.assets)
    unshared = without(relied, _rows_of_tests(sides, shared))
    reached = union(
        sp.csr_array(relied[:, :count] @ reliance.works),
        sp.csr_array(unshared[:, :count] @ reliance.steps),
    )
    pad = sp.csr_array((reached.shape[0], relied.shape[1] - count), dtype=np.bool_)
    own = union(items, sp.csr_array(sp.hstack([reached, pad], format="csr"), dtype=np.bool_))
    return without(shared, both(shared, _agreed(sides, own, shared.shape)))


def _reasons(
    reliance: Reliance, shared: sp.csr_array, folded: sp.csr_array
) -> tuple[dict[tuple[int, int], int], dict[tuple[int, int], tuple[int, ...]]]:
    """For each folded asset, the shared thing in it that stands for itself (smallest id)."""
    ids = reliance.network.assets.frame["id"].to_numpy()
    back = reliance.steps.T.tocsr()
    through: dict[tuple[int, int], int] = {}
    supports: dict[tuple[int, int], tuple[int, ...]] = {}
    for test in np.flatnonzero(np.diff(folded.indptr)).tolist():
        mine = set(shared.indices[shared.indptr[test] : shared.indptr[test + 1]].tolist())
        hidden = folded.indices[folded.indptr[test] : folded.indptr[test + 1]].tolist()
        hidden_set = set(hidden)
        for asset in hidden:
            found: set[int] = {asset}
            layer = [asset]
            while layer:
                layer = [
                    before
                    for at in layer
                    for before in back.indices[back.indptr[at] : back.indptr[at + 1]].tolist()
                    if before in mine and before not in found and not found.add(before)  # type: ignore[func-returns-value]
                ]
            roots = found - hidden_set
            if roots:
                through[test, asset] = min(roots, key=lambda number: str(ids[number]))
                supports[test, asset] = tuple(
                    sorted(
                        set(back.indices[back.indptr[asset] : back.indptr[asset + 1]].tolist())
                        & mine
                    )
                )
    return through, supports

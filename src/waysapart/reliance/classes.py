"""Assets that the same links rely on: what is true of one is true of all for any path.

A national plant has a hundred thousand spans and towers but only as many different
answers as there are stretches between two places where links part. Paths are held
against these classes; assets come back in only where something was found.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy.sparse as sp

from waysapart.arrays import Ints, boolean, owners


@dataclass(frozen=True)
class Classes:
    """Columns of a matrix by the rows that hold them.

    Attributes
    ----------
    first : ndarray of int, shape (classes,)
        A column of each class.
    members : csr_array of bool, shape (classes, columns)
        Columns that no row holds are in no class.
    """

    first: Ints
    members: sp.csr_array


def column_classes(matrix: sp.csr_array) -> Classes:
    """Put equal columns of a boolean matrix into one class.

    Columns are told apart by sums of random 64-bit numbers over their rows, two
    for each, so that two different columns agree with a chance of about 2^-120;
    the numbers are always the same, and so is the outcome.
    """
    draw = np.random.default_rng(20_000)
    numbers = draw.integers(1, 2**63, size=(matrix.shape[0], 2), dtype=np.int64).astype(np.uint64)
    rows = owners(matrix.indptr)
    prints = np.zeros((matrix.shape[1], 2), dtype=np.uint64)
    order = np.argsort(matrix.indices, kind="stable")
    columns, begin = np.unique(matrix.indices[order], return_index=True)
    if len(columns):
        prints[columns] = np.add.reduceat(numbers[rows[order]], begin, axis=0)
    _, place, owner = np.unique(prints[columns], axis=0, return_index=True, return_inverse=True)
    return Classes(
        columns[place].astype(np.int64),
        boolean(owner.ravel(), columns.astype(np.int64), (len(place), matrix.shape[1])),
    )

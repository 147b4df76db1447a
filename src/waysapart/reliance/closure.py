"""Transitive closure of 'relies on' as boolean matrix products, and classes of equal columns.

A national plant has a hundred thousand spans and towers, but only as many different columns as it
has stretches between two places where links branch. Paths are compared by these classes; single
assets are looked up only where something was found.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy.sparse as sp

from waysapart.arrays import Ints, boolean, owners
from waysapart.errors import Problem, StudyError

MOST_STEPS = 1_000_000_000
"""Steps that one product may take: some seconds, and at worst some gigabytes. A national study
needs some ten millions."""
_TOO_MANY = (
    "assets need each other (needs, supplies, within) in chains so long that what relies on what "
    "cannot be written out; something is recorded wrongly: look for rows that name each other one "
    "after the other"
)


def close(direct: sp.csr_array) -> sp.csr_array:
    """Find everything that can be reached from each row, itself included.

    Parameters
    ----------
    direct : csr_array of bool, shape (n, n)
        Row relies directly on column. Cycles are allowed.

    Returns
    -------
    csr_array of bool, shape (n, n)
        Row relies on column, directly or through others.

    Raises
    ------
    StudyError
        A product would need more than `MOST_STEPS`: there are chains of thousands.

    Notes
    -----
    Repeated squaring: as many products as the depth has binary digits.

    Examples
    --------
    >>> direct = boolean(np.array([0, 1]), np.array([1, 2]), (3, 3))
    >>> close(direct).toarray().astype(int).tolist()
    [[1, 1, 1], [0, 1, 1], [0, 0, 1]]
    """
    count = direct.shape[0]
    identity = sp.eye_array(count, dtype=np.bool_, format="csr")
    closed = sp.csr_array(identity + direct.astype(np.bool_))
    while True:
        if np.diff(closed.indptr).astype(np.int64)[closed.indices].sum() > MOST_STEPS:
            raise StudyError([Problem(_TOO_MANY)])
        further = sp.csr_array(closed @ closed)
        if further.nnz == closed.nnz:
            further.sort_indices()
            return further
        closed = further


def union(*matrices: sp.csr_array) -> sp.csr_array:
    """Combine matrices of one shape by 'or'.

    Parameters
    ----------
    *matrices : csr_array of bool, shape (n, m)

    Returns
    -------
    csr_array of bool, shape (n, m)
    """
    full = [matrix for matrix in matrices if matrix.nnz] or [matrices[0]]
    total = full[0].astype(np.bool_)
    for matrix in full[1:]:
        total = total + (matrix if matrix.dtype == np.bool_ else matrix.astype(np.bool_))
    total.sum_duplicates()
    return total


def without(matrix: sp.csr_array, removed: sp.csr_array) -> sp.csr_array:
    """Drop the entries of a matrix that another holds.

    Parameters
    ----------
    matrix, removed : csr_array of bool, shape (n, m)

    Returns
    -------
    csr_array of bool, shape (n, m)
    """
    left = matrix.astype(np.bool_)
    if not left.nnz or not removed.nnz:
        left.eliminate_zeros()
        return left
    return sp.csr_array(left != left.multiply(removed.astype(np.bool_)))


def both(one: sp.csr_array, other: sp.csr_array) -> sp.csr_array:
    """Combine two matrices of one shape by 'and'.

    Parameters
    ----------
    one, other : csr_array of bool, shape (n, m)

    Returns
    -------
    csr_array of bool, shape (n, m)
    """
    common = sp.csr_array(one.multiply(other))
    common.eliminate_zeros()
    return common


@dataclass(frozen=True)
class Classes:
    """Columns of a matrix, in classes of equal ones.

    Attributes
    ----------
    first : ndarray of int, shape (classes,)
        One column of each class.
    members : csr_array of bool, shape (classes, columns)
        Empty columns are in no class.
    """

    first: Ints
    members: sp.csr_array


def column_classes(matrix: sp.csr_array) -> Classes:
    """Put equal columns of a boolean matrix into one class.

    Columns are compared by two sums of random 64-bit numbers over their rows, so that two
    different columns agree with a probability of about 2^-120. The numbers are the same in every
    run, and so is the result.

    Parameters
    ----------
    matrix : csr_array of bool, shape (rows, columns)

    Returns
    -------
    Classes

    Examples
    --------
    >>> matrix = boolean(np.array([0, 0, 1]), np.array([0, 2, 1]), (2, 4))
    >>> column_classes(matrix).members.toarray().astype(int).tolist()
    [[0, 1, 0, 0], [1, 0, 1, 0]]
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

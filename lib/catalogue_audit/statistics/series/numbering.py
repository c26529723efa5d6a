"""Group numbers: by first file, empty where alone."""

import numpy as np
import pandas as pd


def number_groups(labels, index=None):
    """
    Number groups 1, 2, 3, ... in the order of their first member.

    Parameters
    ----------
    labels : (n,) array_like of int
        Equal labels make a group; negative ones are nobody's.
    index : pandas.Index, optional

    Returns
    -------
    pandas.Series of Int64
        <NA> for a member of no group and for the only member of one.

    Examples
    --------
    >>> number_groups([7, 3, 3, -1, 7, 5]).tolist()
    [1, 2, 2, <NA>, 1, <NA>]
    """
    labels = np.asarray(labels, dtype=np.int64)
    result = pd.Series(pd.NA, index=index if index is not None else range(labels.size), dtype="Int64")
    if not labels.size:
        return result
    _, first, inverse, counts = np.unique(labels, return_index=True, return_inverse=True, return_counts=True)
    shared = (counts > 1) & (labels[first] >= 0)
    numbers = np.zeros(counts.size, dtype=np.int64)
    by_first = np.argsort(first, kind="stable")
    by_first = by_first[shared[by_first]]
    numbers[by_first] = np.arange(1, by_first.size + 1)
    members = shared[inverse]
    result[members] = numbers[inverse][members]
    return result


def connected(count, first, second):
    """
    Label of the connected component of each of ``count`` items.

    Parameters
    ----------
    count : int
    first, second : (m,) array_like of int
        Ends of the links.

    Returns
    -------
    (count,) ndarray of int
        The smallest member of the component.
    """
    parent = list(range(count))

    def root(item):
        while parent[item] != item:
            parent[item] = parent[parent[item]]
            item = parent[item]
        return item

    for one, other in zip(np.asarray(first).tolist(), np.asarray(second).tolist(), strict=True):
        low, high = sorted((root(one), root(other)))
        parent[high] = low
    return np.array([root(item) for item in range(count)], dtype=np.int64)

"""
Nearest points, and points within reach.

Few points are compared each with each; a tree, whose library costs a quarter of a second
to import, is asked only where there are many.
"""

import numpy as np

FEW = 500  # points; comparing all pairs takes as long as the tree's import at about 2,000


def nearest(points, others, count):
    """
    Places of the nearest few of other points, nearest first (Euclidean).

    Parameters
    ----------
    points : (n, k) ndarray of float
    others : (m, k) ndarray of float
        Finite.
    count : int
        At most m.

    Returns
    -------
    (n, count) ndarray of int

    Examples
    --------
    >>> nearest(np.array([[0.2]]), np.array([[1.0], [0.0], [5.0]]), 2).tolist()
    [[1, 0]]
    """
    if len(points) * len(others) > FEW**2:
        from scipy.spatial import cKDTree

        return np.asarray(cKDTree(others).query(points, k=count, p=2)[1]).reshape(len(points), -1)
    apart = np.array([np.square(others - point).sum(axis=1) for point in points])
    return np.argsort(apart, axis=1, kind="stable")[:, :count]


def within_reach(points, reach):
    """
    A function that finds the points that differ from any of some by no more than ``reach`` in every coordinate.

    Parameters
    ----------
    points : (n, k) ndarray of float
        Finite.
    reach : float

    Returns
    -------
    callable
        Places of the points asked for (array of int) → places of what is near them, sorted, they themselves included.

    Examples
    --------
    >>> within_reach(np.array([[0.0], [1.0], [3.0]]), 1)(np.array([0])).tolist()
    [0, 1]
    """
    if len(points) > FEW:
        from scipy.spatial import cKDTree

        tree = cKDTree(points)
        return lambda asked: np.unique(np.concatenate(tree.query_ball_point(points[asked], reach, p=np.inf)).astype(int))
    return lambda asked: np.flatnonzero((np.abs(points[:, None] - points[asked]) <= reach).all(axis=2).any(axis=1))

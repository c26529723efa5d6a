"""
Correlated colour temperature and Duv of a chromaticity.

As defined by Y. Ohno, *Practical Use and Calculation of CCT and Duv*, LEUKOS
10(1):47-55, 2014: Duv is the distance to the nearest point of the Planckian
locus in CIE 1960 u, v, positive above it (greenish), and the correlated colour
temperature is that point's. Ohno steps a table and joins three points by a
parabola; so does this, in mired, and finds the foot point on the joined curve.
"""

import numpy as np

from catalogue_audit.pixels.colour import LINEAR_TO_XYZ_D65
from catalogue_audit.pixels.planck import planckian_uv

DUV_LIMIT = 0.05  # beyond it a colour temperature says nothing (CIE 015:2018, 9.5)

_MIRED = np.arange(10.0, 1001.0)  # 100 000 K to 1000 K
_LOCUS = planckian_uv(1e6 / _MIRED)


def uv_of_xy(xy):
    """
    CIE 1960 u, v of x, y.

    Parameters
    ----------
    xy : (..., 2) array_like

    Returns
    -------
    (..., 2) ndarray

    Examples
    --------
    >>> uv_of_xy([0.31272, 0.32903]).round(4).tolist()
    [0.1978, 0.3122]
    """
    x, y = np.moveaxis(np.asarray(xy, float), -1, 0)
    scale = -2 * x + 12 * y + 3
    return np.stack([4 * x / scale, 6 * y / scale], -1)


def xy_of_linear(linear):
    """
    Chromaticity of linear sRGB light, its white being D65 (no adaptation).

    Parameters
    ----------
    linear : (..., 3) array_like
        Any scale; NaN where it is black.

    Returns
    -------
    (..., 2) ndarray

    Examples
    --------
    >>> xy_of_linear([1, 1, 1]).round(4).tolist()
    [0.3127, 0.329]
    """
    xyz = np.asarray(linear, float) @ LINEAR_TO_XYZ_D65.T
    total = xyz.sum(-1, keepdims=True)
    return np.divide(xyz[..., :2], total, out=np.full_like(xyz[..., :2], np.nan), where=total > 0)


def cct_duv(uv):
    """
    Correlated colour temperature and Duv.

    Parameters
    ----------
    uv : (..., 2) array_like
        CIE 1960.

    Returns
    -------
    cct : (...) ndarray
        K, 1000 to 100 000.
    duv : (...) ndarray
        Both NaN beyond that range, or where \\|Duv\\| exceeds `DUV_LIMIT`.

    Examples
    --------
    >>> cct, duv = cct_duv(uv_of_xy([0.31272, 0.32903]))
    >>> round(float(cct)), round(float(duv), 4)
    (6503, 0.0032)
    """
    uv = np.asarray(uv, float)
    flat = np.nan_to_num(uv.reshape(-1, 2), nan=9.0)
    distances = np.hypot(flat[:, :1] - _LOCUS[:, 0], flat[:, 1:] - _LOCUS[:, 1])
    nearest = np.clip(np.argmin(distances, 1), 1, len(_MIRED) - 2)
    before, middle, after = _LOCUS[nearest - 1], _LOCUS[nearest], _LOCUS[nearest + 1]
    slope, bend = (after - before) / 2, after - 2 * middle + before
    step = np.zeros(len(flat))
    for _ in range(4):  # Newton on the squared distance to middle + slope s + bend s^2 / 2
        gap = middle + slope * step[:, None] + bend * step[:, None] ** 2 / 2 - flat
        along = slope + bend * step[:, None]
        step -= (gap * along).sum(1) / ((along**2).sum(1) + (gap * bend).sum(1))
    foot = middle + slope * step[:, None] + bend * step[:, None] ** 2 / 2
    mired = _MIRED[nearest] + step
    duv = np.hypot(*(flat - foot).T) * np.sign(flat[:, 1] - foot[:, 1])
    known = (np.abs(duv) <= DUV_LIMIT) & (mired >= _MIRED[0]) & (mired <= _MIRED[-1])
    cct = np.where(known, 1e6 / np.where(known, mired, 1), np.nan)
    return cct.reshape(uv.shape[:-1]), np.where(known, duv, np.nan).reshape(uv.shape[:-1])


def mired(cct):
    """
    Reciprocal colour temperature, 1e6 / K.

    Examples
    --------
    >>> mired(5000.0)
    200.0
    """
    return 1e6 / cct

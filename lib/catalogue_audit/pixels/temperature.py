"""
Correlated colour temperature and Duv of a chromaticity.

As defined by Y. Ohno, *Practical Use and Calculation of CCT and Duv*, LEUKOS
10(1):47-55, 2014: Duv is the distance to the nearest point of the Planckian
locus in CIE 1960 u, v, positive above it (greenish), and the correlated colour
temperature is that point's. Ohno steps a table and joins three points by a
parabola; so does this, in mired, and finds the foot point on the joined curve.
"""

import math

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
    found = np.array([_foot(u, v) for u, v in uv.reshape(-1, 2).tolist()], float).reshape(-1, 2)
    return found[:, 0].reshape(uv.shape[:-1]), found[:, 1].reshape(uv.shape[:-1])


def _foot(u, v):
    """`cct_duv` of one chromaticity: the foot of its perpendicular on the locus."""
    if not (math.isfinite(u) and math.isfinite(v)):
        return math.nan, math.nan
    k = min(max(int(np.argmin(np.hypot(u - _LOCUS[:, 0], v - _LOCUS[:, 1]))), 1), len(_MIRED) - 2)
    before, middle, after = _LOCUS[k - 1 : k + 2].tolist()
    slope = [(high - low) / 2 for low, high in zip(before, after, strict=True)]
    bend = [high - 2 * here + low for low, here, high in zip(before, middle, after, strict=True)]

    def gap(step):
        return [here + s * step + b * step**2 / 2 - place for here, s, b, place in zip(middle, slope, bend, (u, v), strict=True)]

    step = 0.0
    for _ in range(4):  # Newton on the squared distance to middle + slope s + bend s^2 / 2
        apart, along = gap(step), [s + b * step for s, b in zip(slope, bend, strict=True)]
        square = sum(d * d for d in along) + sum(g * b for g, b in zip(apart, bend, strict=True))
        step -= sum(g * d for g, d in zip(apart, along, strict=True)) / square
    apart = gap(step)
    mired = float(_MIRED[k]) + step
    duv = math.copysign(math.hypot(*apart), -apart[1])
    known = abs(duv) <= DUV_LIMIT and _MIRED[0] <= mired <= _MIRED[-1]
    return (1e6 / mired, duv) if known else (math.nan, math.nan)


def mired(cct):
    """
    Reciprocal colour temperature, 1e6 / K.

    Examples
    --------
    >>> mired(5000.0)
    200.0
    """
    return 1e6 / cct

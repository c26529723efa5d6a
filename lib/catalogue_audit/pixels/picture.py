"""The picture: what `pixels.decode` makes of a file's bytes, and all that a measure may look at."""

from typing import NamedTuple

import numpy as np


class Picture(NamedTuple):
    """
    One decoded picture, upright.

    Attributes
    ----------
    encoded : (H, W, 3) uint8
        Full resolution, RGB order, code values as the file holds them (its own
        colour space; grey repeated; 16-bit scaled to 8; transparent pixels on
        white; CMYK converted to sRGB). For clipping, noise, sharpness and
        specks only, in tiles.
    alpha : (H, W) uint8 or None
        Coverage, where the file carries any transparency.
    working : (h, w, 3) uint8
        sRGB after the file's profile, reduced by `reduction`; transparent
        pixels composited on white.
    linear : (h, w, 3) float32
        The same in linear light, Rec. 709 primaries, 0 to 1.
    lab : (h, w, 3) float32
        The same in CIELAB, D50 (ICC profile connection space).
    reduction : int
        H // h: a power of two, chosen so that the long side of `working` is
        between 600 and 1200 px where the picture is that large.
    grey : (h2, w2) uint8
        Luma (ITU-R BT.601) of `encoded`, reduced by `grey_reduction`, for what
        is small or sharp: the long side is between 750 and 1500 px.
    grey_reduction : int
        H // h2, a power of two.
    notes : tuple of str
        What the reader of the row should know, in plain words.
    """

    encoded: np.ndarray
    alpha: np.ndarray | None
    working: np.ndarray
    linear: np.ndarray
    lab: np.ndarray
    reduction: int
    grey: np.ndarray
    grey_reduction: int
    notes: tuple = ()

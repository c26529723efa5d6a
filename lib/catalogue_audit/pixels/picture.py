"""The picture: what `pixels.decode` makes of a file's bytes, and all that a measure may look at."""

from typing import NamedTuple

import cv2
import numpy as np

from catalogue_audit.pixels.profiles import SRGB_CURVE
from catalogue_audit.pixels.working import lab_of


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
    light : (h, w, 3) float32 or None
        The same in linear light, Rec. 709 primaries, where the file's profile holds
        finer steps or more colours than `working`; these may lie outside 0 to 1.
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
    light: np.ndarray | None
    reduction: int
    grey: np.ndarray
    grey_reduction: int
    notes: tuple = ()

    def codes_at(self, part):
        """sRGB code values of a part of the working picture, as `colours` takes it."""
        return _taken(self.working, part)

    def linear_at(self, part):
        """Linear light of a part of the working picture, as `colours` gives it."""
        if self.light is None:
            return cv2.LUT(_taken(self.working, part), SRGB_CURVE)
        return np.clip(_taken(self.light, part), 0, 1)

    def colours(self, part):
        """
        Linear light and CIELAB of a part of the working picture: few measures need more than some of its pixels.

        Parameters
        ----------
        part : tuple of slice, or array of int
            Rows and columns; or pixels by their number, row by row.

        Returns
        -------
        linear : (..., 3) float32
            Rec. 709 primaries, 0 to 1.
        lab : (..., 3) float32
            CIELAB, D50 (ICC profile connection space).
        """
        linear = self.linear_at(part)
        if self.light is None:
            return linear, lab_of(linear)
        return linear, lab_of(np.ascontiguousarray(_taken(self.light, part)), in_range=False)

    @property
    def linear(self):
        """Linear light of the whole working picture, (h, w, 3) float32."""
        return self.linear_at((slice(None), slice(None)))

    @property
    def lab(self):
        """CIELAB of the whole working picture, (h, w, 3) float32."""
        return self.colours((slice(None), slice(None)))[1]


_EVERY_SECOND = slice(None, None, 2)


def _taken(array, part):
    if not isinstance(part, tuple):
        return np.take(array.reshape(-1, 3), part, axis=0)
    if all(span.step in (None, 1) for span in part):
        return array[part]
    if array.dtype == np.uint8 and all(span == _EVERY_SECOND for span in part) and not any(side % 2 for side in array.shape[:2]):
        return cv2.resize(array, (array.shape[1] // 2, array.shape[0] // 2), interpolation=cv2.INTER_NEAREST)  # just these, in half the time
    pixels = array.view(f"V{3 * array.itemsize}")[..., 0][part]  # whole pixels at a time: in half the time
    return np.ascontiguousarray(pixels).view(array.dtype).reshape(*pixels.shape, 3)

"""
Connected parts of a mask.

OpenCV's statistics of components take ten times as long as their labels; few measures ask for more than the areas, and the boxes of some parts.
"""

import cv2
import numpy as np


def parts_of(mask, connectivity=8):
    """
    Connected parts of a mask.

    Parameters
    ----------
    mask : (h, w) bool
    connectivity : int
        8, or 4.

    Returns
    -------
    labels : (h, w) int32
        0 outside.
    area : (n,) int
        Pixels of each label; 0 for label 0.
    """
    count, labels = cv2.connectedComponents(mask.view(np.uint8), connectivity=connectivity)
    return labels, np.bincount(np.take(labels, np.flatnonzero(mask)), minlength=count)


def largest_part(mask):
    """The largest connected part of a mask, (h, w) bool; the mask itself where it is one."""
    x, y, width, height = cv2.boundingRect(mask.view(np.uint8))
    count, _ = cv2.connectedComponents(mask[y : y + height, x : x + width].view(np.uint8), connectivity=8)
    if count <= 2:
        return mask
    labels, area = parts_of(mask)
    return labels == area.argmax()


def window_of(mask, margin, grid=1):
    """Slices of the rows and columns of a mask, (h, w) bool or uint8, with a margin of so many pixels; they start at a multiple of ``grid``."""
    x, y, width, height = cv2.boundingRect(mask.view(np.uint8))
    return tuple(slice(max(start - margin, 0) // grid * grid, min(stop, size - margin) + margin) for start, stop, size in ((y, y + height, mask.shape[0]), (x, x + width, mask.shape[1])))

"""What the measures hand to one another: the fitted backdrop and the product's outline."""

from typing import NamedTuple

import cv2
import numpy as np

from catalogue_audit.measures.segmentation.horizon import below_line, line_px


class Backdrop(NamedTuple):
    """
    The background as a smooth surface fitted to the frame's border; or as two that meet in a straight line.

    Attributes
    ----------
    surface : (3, m, n) float32
        Predicted background CIELAB at the middle of each of m x n equal cells of the frame, a plane each.
    scatter : (3,) float32
        Robust standard deviation of the border's residuals, per channel.
    kind : str
        'white', 'grey', 'coloured', 'cut_out' or 'unknown'.
    confidence : float
        0 to 1; how well the surfaces explain the border.
    horizon : (2,) tuple of float or None
        Height of a table's edge behind the product at the frame's left and right side, fractions of the height.
    below : (3, m, n) float32 or None
        The surface below that line; ``surface`` is then the one above it.
    front : (2,) tuple of float or None
        Like ``horizon``, of the table's front edge, below which the surfaces mean nothing: what is seen there is ground.
    """

    surface: np.ndarray
    scatter: np.ndarray
    kind: str
    confidence: float
    horizon: tuple | None = None
    below: np.ndarray | None = None
    front: tuple | None = None

    def at(self, shape):
        """The background at another size (h, w), three planes."""
        planes = _resized(self.surface, shape)
        if self.horizon is None:
            return planes
        share = below_line(self.horizon, shape)
        return [above + share * (below - above) for above, below in zip(planes, _resized(self.below, shape), strict=True)]

    def step(self, shape):
        """How much the background below the line differs from the one above it, at another size (h, w), three planes; 0 above."""
        share = below_line(self.horizon, shape)
        return [share * (below - above) for above, below in zip(_resized(self.surface, shape), _resized(self.below, shape), strict=True)]

    def as_above(self, lab):
        """
        CIELAB of the whole frame, (h, w, 3), as if what is below the line had the colour of what is above it, where both meet.

        One light falls on two surfaces, so that L* + 16, the cube root of light, keeps its ratio along a column. How the one above
        would go on below is not known: its surface was fitted to what is seen above.
        """
        shape = lab.shape[:2]
        columns, rows = np.arange(shape[1]), np.clip(line_px(self.horizon, shape).astype(int), 0, shape[0] - 1)
        above, below = (np.stack(_resized(surface, shape), axis=-1)[rows, columns] + (16, 0, 0) for surface in (self.surface, self.below))
        ratio = above[:, :1] / below[:, :1]
        one = (lab + (16, 0, 0)) * ratio + (above - below * ratio) - (16, 0, 0)
        return (lab + below_line(self.horizon, shape)[..., None] * (one - lab)).astype(np.float32)


def _resized(surface, shape):
    return [cv2.resize(plane, shape[::-1], interpolation=cv2.INTER_LINEAR) for plane in surface]


class Body(NamedTuple):
    """
    The product without what is thin: handles, straps, tags.

    Attributes
    ----------
    mask : (m, n) bool
        Long side about 250 px.
    scale : float
        Working pixels a pixel of the mask.
    sides : dict or None
        Its left, right and lower edge, as `body.body_sides` gives them.
    product : (m, n) bool
        The whole product at the same size.
    """

    mask: np.ndarray
    scale: float
    sides: dict | None
    product: np.ndarray


class Outline(NamedTuple):
    """
    The product told apart from its background.

    Attributes
    ----------
    mask : (h, w) bool
        Product pixels of the working image (all of the product; no shadow, no reflection).
    shadow : (h, w) bool
        Pixels darkened by contact shadow, cast shadow or reflection.
    contours : tuple of (n, 2) float32
        Closed contours with sub-pixel edge, working pixels, x right, y down, pixel
        centres at whole numbers + 0.5 (so x / w is a fraction of the frame);
        outer contour of the largest part first.
    box : (4,) tuple of float or None
        left, top, right, bottom in fractions of the frame, sub-pixel.
    touches : tuple of str
        Sides the product meets: 'left', 'top', 'right', 'bottom'.
    source : str
        'background' or 'alpha'.
    confidence : float
        0 to 1. Below `CONFIDENCE_LIMIT` nothing that needs the outline is reported.
    reason : str
        Why the confidence is low, in plain words; empty where it is not.
    body : Body or None
        None where the confidence is below `CONFIDENCE_LIMIT`.
    """

    mask: np.ndarray
    shadow: np.ndarray
    contours: tuple
    box: tuple | None
    touches: tuple
    source: str
    confidence: float
    reason: str
    body: Body | None = None


DEFAULT_FOCAL_35MM = 85.0  # mm; common practice for product work, no source; assumed where Exif is silent
CONFIDENCE_LIMIT = 0.5  # half: an outline more likely wrong than right misleads whoever reads it
PLACED_LIMIT = 0.65  # confidence below which an outline tells neither size nor place: a part of it may be ground


def of_size(mask, shape):
    """A mask (uint8 or bool) as uint8 of another size: (h, w)."""
    mask = mask.view(np.uint8)
    if mask.shape == shape:
        return mask
    if mask.shape == (shape[0] // 2, shape[1] // 2):  # each byte twice by a multiplication, and every row: many times faster
        wide = (mask * np.uint16(0x0101)).view(np.uint8).repeat(2, axis=0)
        return cv2.copyMakeBorder(wide, 0, shape[0] % 2, 0, shape[1] % 2, cv2.BORDER_REPLICATE)
    return cv2.resize(mask, shape[::-1], interpolation=cv2.INTER_NEAREST)

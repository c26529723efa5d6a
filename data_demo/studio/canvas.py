"""From the canvas of a base render to the frame: where the product comes to lie."""

import math

import cv2
import numpy as np


def frame_matrix(facts, size, roll_deg=0.0, zoom=1.0, shift=(0.0, 0.0)):
    """Affine (2, 3) from canvas pixels to frame pixels; + roll turns the picture clockwise."""
    (canvas_w, canvas_h), (width, height) = facts["canvas_px"], size
    scale = zoom * width / facts["frame_px"][0]
    c, s = math.cos(math.radians(roll_deg)) * scale, math.sin(math.radians(roll_deg)) * scale
    turn = np.array([[c, -s], [s, c]])
    centre = np.array([width / 2 + shift[0] * width, height / 2 + shift[1] * height]) - 0.5
    return np.column_stack([turn, centre - turn @ (np.array([canvas_w / 2, canvas_h / 2]) - 0.5)])


def to_frame(image, matrix, size):
    """Resample the canvas to the frame."""
    made = cv2.warpAffine(image, matrix, size, flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REFLECT_101)
    return np.clip(made, 0, 1 if image.ndim == 2 else None)


def product_box(cover):
    """left, top, right, bottom of coverage above one half, fractions, right and bottom exclusive."""
    rows, columns = np.nonzero(cover.max(axis=1) >= 0.5)[0], np.nonzero(cover.max(axis=0) >= 0.5)[0]
    height, width = cover.shape
    return columns[0] / width, rows[0] / height, (columns[-1] + 1) / width, (rows[-1] + 1) / height

"""
What each pixel says about being backdrop, shadow or product.

A change of the light's strength scales (L* + 16, a*, b*) by one factor in CIELAB
(CIE 15:2004, above the linear toe). What such a factor explains is "the backdrop,
only darker or lighter"; what it leaves is chromaticity of the thing itself.
"""

from typing import NamedTuple

import cv2
import numpy as np

CHROMA_WEIGHT = 0.7  # in the gradient; chroma is the noisier channel and, in JPEG, the coarser


class Evidence(NamedTuple):
    """
    Planes of (h, w) float32; ``step`` is bool.

    Attributes
    ----------
    ratio : L* + 16 over the backdrop's.
    light, a, b : difference from the backdrop, CIELAB; the last two after `ratio` is taken out.
    chroma : length of (a, b).
    edge : gradient, CIELAB a pixel.
    step : where the gradient is steeper than that of its surroundings: an edge, not a shadow's rim.
    """

    ratio: np.ndarray
    light: np.ndarray
    a: np.ndarray
    b: np.ndarray
    chroma: np.ndarray
    edge: np.ndarray
    step: np.ndarray


def find_evidence(picture_planes, ground):
    """
    Evidence of a picture against its backdrop.

    Parameters
    ----------
    picture_planes : three (h, w) float32
        CIELAB of the picture.
    ground : three (h, w) float32
        CIELAB of the backdrop.

    Returns
    -------
    Evidence
    """
    light, a, b = picture_planes
    ground_light, ground_a, ground_b = ground
    ratio = light + 16
    ratio /= ground_light + 16
    apart = (light - ground_light, *(plane - under * ratio for plane, under in ((a, ground_a), (b, ground_b))))
    planes = [cv2.GaussianBlur(plane, (3, 3), 0, dst=plane) for plane in apart]
    edge = gradient(planes)
    step = edge > _surrounding_gradient(planes)
    return Evidence(ratio, *planes, cv2.magnitude(planes[1], planes[2]), edge, step)


def planes_of(array):
    """The three planes of (h, w, 3), contiguous."""
    return [np.ascontiguousarray(array[..., k]) for k in range(3)]


def gradient(planes, scale=1 / 32):
    """Magnitude of the gradient over lightness and chroma, units a pixel."""
    energy = np.zeros_like(planes[0])
    slope = np.empty_like(energy)
    for plane, weight in zip(planes, (1.0, CHROMA_WEIGHT, CHROMA_WEIGHT), strict=True):
        for x, y in ((1, 0), (0, 1)):
            cv2.accumulateSquare(cv2.Scharr(plane, cv2.CV_32F, x, y, dst=slope, scale=weight * scale), energy)
    return cv2.sqrt(energy, dst=energy)


def _surrounding_gradient(planes):
    """What an edge has to exceed: 1.5 times the gradient after a blur of 3 px, found at half the size."""
    height, width = planes[0].shape
    coarse = gradient([cv2.GaussianBlur(halved(plane), (9, 9), 1.5) for plane in planes], 1 / 64)
    return cv2.resize(1.5 * coarse + 0.25, None, fx=2, fy=2, interpolation=cv2.INTER_LINEAR)[:height, :width]


def halved(plane):
    """Means of 2 x 2 pixels; the last row or column of an odd size is repeated, for whole cells are many times faster."""
    height, width = plane.shape
    if height % 2 or width % 2:
        plane = cv2.copyMakeBorder(plane, 0, height % 2, 0, width % 2, cv2.BORDER_REPLICATE)
    return cv2.resize(plane, (plane.shape[1] // 2, plane.shape[0] // 2), interpolation=cv2.INTER_AREA)


def tones(evidence, where):
    """
    Difference from the backdrop, compressed by its logarithm, as (h, w, 3) uint8; 0 but ``where`` (h, w) bool.

    Light and chroma are compressed apart: a light piping between a white backdrop
    and a dark product then weighs as much as the step behind it, and a faint
    chroma, which no shadow has, as much as the shadow's own steep rise.
    """
    coded = np.zeros((*where.shape, 3), np.uint8)
    place = np.flatnonzero(where)
    light, a, b, chroma = (plane.ravel()[place] for plane in (evidence.light, evidence.a, evidence.b, evidence.chroma))
    gain = np.log1p(chroma / 3) / np.maximum(chroma, 1e-3)
    parts = np.stack([np.copysign(np.log1p(np.abs(light) / 1.5), light), a * gain, b * gain], axis=1)
    coded.reshape(-1, 3)[place] = np.clip(np.rint(30 * parts + 128), 0, 255)
    return coded

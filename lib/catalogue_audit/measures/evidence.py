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
    ground : (h, w, 3) float32
        CIELAB of the backdrop.

    Returns
    -------
    Evidence
    """
    light, a, b = picture_planes
    ground_light, ground_a, ground_b = planes_of(ground)
    ratio = (light + 16) / (ground_light + 16)
    light = light - ground_light
    a = a - ground_a * ratio
    b = b - ground_b * ratio
    planes = [cv2.GaussianBlur(plane, (3, 3), 0) for plane in (light, a, b)]
    edge = gradient(planes)
    step = edge > _surrounding_gradient(planes)
    return Evidence(ratio, *planes, cv2.magnitude(planes[1], planes[2]), edge, step)


def planes_of(array):
    """The three planes of (h, w, 3), contiguous."""
    return [np.ascontiguousarray(array[..., k]) for k in range(3)]


def gradient(planes, scale=1 / 32):
    """Magnitude of the gradient over lightness and chroma, units a pixel."""
    energy = np.zeros_like(planes[0])
    for plane, weight in zip(planes, (1.0, CHROMA_WEIGHT, CHROMA_WEIGHT), strict=True):
        for x, y in ((1, 0), (0, 1)):
            cv2.accumulateSquare(cv2.Scharr(plane, cv2.CV_32F, x, y, scale=weight * scale), energy)
    return cv2.sqrt(energy)


def _surrounding_gradient(planes):
    """What an edge has to exceed: 1.5 times the gradient after a blur of 3 px, found at half the size."""
    height, width = planes[0].shape
    size = max(width // 2, 1), max(height // 2, 1)
    halves = [cv2.GaussianBlur(cv2.resize(plane, size, interpolation=cv2.INTER_AREA), (9, 9), 1.5) for plane in planes]
    coarse = gradient(halves, 1 / 64)
    return cv2.resize(1.5 * coarse + 0.25, (width, height), interpolation=cv2.INTER_LINEAR)


def tones(evidence):
    """
    Difference from the backdrop, compressed by its logarithm, as (h, w, 3) uint8.

    Light and chroma are compressed apart: a light piping between a white backdrop
    and a dark product then weighs as much as the step behind it, and a faint
    chroma, which no shadow has, as much as the shadow's own steep rise.
    """
    size = np.abs(evidence.light)
    light = cv2.log(1 + size / 1.5)
    light = np.copysign(light, evidence.light)
    gain = cv2.log(1 + evidence.chroma / 3)
    gain /= np.maximum(evidence.chroma, 1e-3)
    parts = (light, evidence.a * gain, evidence.b * gain)
    coded = np.empty((*light.shape, 3), np.uint8)
    for k, part in enumerate(parts):
        coded[..., k] = cv2.addWeighted(part, 30.0, part, 0.0, 128.0, dtype=cv2.CV_8U)
    return coded

"""
What each pixel says about being backdrop, shadow or product.

A change of the light's strength scales (L* + 16, a*, b*) by one factor in CIELAB
(CIE 15:2004, above the linear toe). What such a factor explains is "the backdrop,
only darker or lighter"; what it leaves is chromaticity of the thing itself.

Tones are looked at on half of the working size, where a JPEG keeps its chroma
and noise is halved. Edges of lightness are found at the working size, and each
pixel of the half takes the steepest of its four.
"""

from typing import NamedTuple

import cv2
import numpy as np

CHROMA_WEIGHT = 0.7  # in the gradient; chroma is the noisier channel and, in JPEG, the coarser
SOFT_SIGMA = 1.5  # half-size pixels


class Evidence(NamedTuple):
    """
    Planes of (h, w) float32 at half of the working size; ``step`` is bool.

    Attributes
    ----------
    lightness : CIELAB L* of the picture.
    ratio : L* + 16 over the backdrop's.
    light, a, b : difference from the backdrop, CIELAB; the last two after `ratio` is taken out.
    chroma : length of (a, b).
    edge : gradient, CIELAB a working pixel.
    step : where the gradient is steeper than that of its surroundings: an edge, not a shadow's rim.
    tint : gradient of chroma over some pixels, beyond what a shadow's tint explains, CIELAB a working pixel.
    """

    lightness: np.ndarray
    ratio: np.ndarray
    light: np.ndarray
    a: np.ndarray
    b: np.ndarray
    chroma: np.ndarray
    edge: np.ndarray
    step: np.ndarray
    tint: np.ndarray


def find_evidence(lightness, half, ground):
    """
    Evidence of a picture against its backdrop.

    Parameters
    ----------
    lightness : (2h, 2w) float32
        CIELAB L* of the picture at working size.
    half, ground : three (h, w) float32
        CIELAB of picture and backdrop at half of it.

    Returns
    -------
    Evidence
    """
    light, a, b = half
    ground_light, ground_a, ground_b = ground
    ratio = (light + 16) / (ground_light + 16)
    apart = [light - ground_light, *(plane - under * ratio for plane, under in ((a, ground_a), (b, ground_b)))]
    chroma_energy = _energy(apart[1:], CHROMA_WEIGHT / 64)
    edge = cv2.sqrt(_steepest_of_four(lightness) + chroma_energy)
    soft = [cv2.GaussianBlur(plane, (9, 9), SOFT_SIGMA) for plane in apart]
    soft_light, soft_chroma = _energy(soft[:1], 1 / 64), _energy(soft[1:], 1 / 64)
    step = edge > 1.5 * cv2.sqrt(soft_light + CHROMA_WEIGHT**2 * soft_chroma) + 0.25
    tint = cv2.sqrt(soft_chroma) - 0.15 * cv2.sqrt(soft_light)
    return Evidence(light, ratio, *apart, cv2.magnitude(apart[1], apart[2]), edge, step, tint)


def _steepest_of_four(lightness):
    """Squared gradient of lightness, units a pixel, the largest of 2 x 2 pixels."""
    smooth = cv2.GaussianBlur(lightness, (3, 3), 0)
    return cv2.dilate(_energy([smooth], 1 / 32), np.ones((2, 2), np.uint8), anchor=(0, 0))[::2, ::2]


def _energy(planes, scale):
    """Squared gradient over some planes."""
    slope = cv2.Scharr(planes[0], cv2.CV_32F, 1, 0, scale=scale)
    energy = cv2.multiply(slope, slope)
    for number, (x, y) in enumerate(((1, 0), (0, 1)) * len(planes)):
        if number:
            cv2.accumulateSquare(cv2.Scharr(planes[number // 2], cv2.CV_32F, x, y, dst=slope, scale=scale), energy)
    return energy


def halved(plane):
    """Means of 2 x 2 pixels; the last row or column of an odd size counts twice, for whole cells are many times faster."""
    height, width = plane.shape[0] // 2, plane.shape[1] // 2
    half = np.empty((plane.shape[0] - height, plane.shape[1] - width, *plane.shape[2:]), plane.dtype)
    # At just half the size, linear interpolation is that mean, and of three channels four times as fast as INTER_AREA.
    if height and width:
        whole = plane[: 2 * height, : 2 * width]
        cv2.resize(whole, (width, height), dst=half[:height, :width], interpolation=cv2.INTER_LINEAR)
    if plane.shape[1] % 2:
        half[:, -1] = halved(plane[:, [-1, -1]])[:, 0]
    if plane.shape[0] % 2:
        half[-1] = halved(plane[[-1, -1]])[0]
    return half


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

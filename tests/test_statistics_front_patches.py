"""Patches of a front searched for in another picture: shifted by a known fraction of a pixel, and beside OpenCV's own correlation."""

from types import SimpleNamespace

import cv2
import numpy as np
import pytest
from catalogue_audit.statistics.geometry.front_patches import HALF, PATCH_PX, found_near, maps_about, prepared

POINTS = np.array([(x, y) for x in (20.0, 34.0, 47.0) for y in (22.0, 38.0)])


def edges(shift=(0.0, 0.0), seed=0):
    """Smooth made-up edges (64, 72, 2), moved by cubic interpolation."""
    picture = cv2.GaussianBlur(np.random.default_rng(seed).random((64, 72, 2)).astype(np.float32), (0, 0), 1.5)
    return cv2.warpAffine(picture, np.array([(1, 0, shift[0]), (0, 1, shift[1])], float), (72, 64), flags=cv2.INTER_CUBIC)


def maps(turned, expected, reach=3):
    pair = SimpleNamespace(front=edges(), turned=turned, points=POINTS)
    return maps_about(pair, prepared(turned), np.eye(3)[None], expected[None], reach)


@pytest.mark.parametrize("shift", [(0.0, 0.0), (1.3, -0.6), (-1.75, 1.2)])
def test_patches_are_found_where_they_went(shift):
    at, shapes, sure, value = found_near(maps(edges(shift), POINTS), POINTS[None], 3)
    assert at[0] == pytest.approx(POINTS + shift, abs=0.15)
    assert (value > 0.9).all() and (sure == 1).all() and (np.linalg.det(shapes[0]) > 0.01).all()


def test_the_correlation_is_opencvs():
    turned = edges((0.4, 0.4))
    found = maps(turned, POINTS).values[0]
    for (x, y), one in zip(POINTS.astype(int), found, strict=True):
        patch = edges()[y - HALF : y + HALF + 1, x - HALF : x + HALF + 1]
        there = turned[y - HALF - 3 : y + HALF + 4, x - HALF - 3 : x + HALF + 4]
        assert patch.shape[0] == PATCH_PX and one == pytest.approx(cv2.matchTemplate(there, patch, cv2.TM_CCOEFF_NORMED), abs=1e-3)


def test_a_patch_off_the_picture_or_unlike_it_is_not_found():
    assert (found_near(maps(edges(), POINTS + 200.0), POINTS[None], 3)[2] == 0).all()
    assert (found_near(maps(np.zeros((64, 72, 2), np.float32), POINTS), POINTS[None], 3)[2] == 0).all()


def test_what_lies_on_the_rim_of_the_map_is_no_peak():
    assert (found_near(maps(edges((3.0, 0.0)), POINTS), POINTS[None], 3)[2] < 1).all()

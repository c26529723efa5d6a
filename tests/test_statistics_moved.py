"""Whether anything moved between two pictures: painted bags blurred, lit, turned and put down again."""

import cv2
import numpy as np
import pytest
from bag_scenes import COLOURS, photograph, style
from catalogue_audit.statistics.matching.moved import displacements, nothing_moved, perspective, seen_in_another_perspective

SHAPE = (300, 400)
STRAIGHT = np.float32([[1, 0, 0], [0, 1, 0]])


def picture(seed=0, view="front"):
    return photograph(style(seed), COLOURS["tan"], view, "one")[0]


def sketch(rgb, noise=1.5):
    rgb = np.clip(rgb + np.random.default_rng(5).normal(0, noise, rgb.shape), 0, 255).astype(np.uint8)
    return {"preview": cv2.imencode(".jpg", cv2.cvtColor(rgb, cv2.COLOR_RGB2BGR), [cv2.IMWRITE_JPEG_QUALITY, 85])[1].ravel()}


def told(one, other):
    return nothing_moved(sketch(one), sketch(other), STRAIGHT, (SHAPE, SHAPE))


def bent(rgb, most):
    """The picture with its middle moved aside by so many px of 512: a bag put down again lies otherwise, not everywhere by as much."""
    height, width = rgb.shape[:2]
    y, x = np.mgrid[:height, :width].astype(np.float32)
    aside = most * width / 512 * np.exp(-(((x / width - 0.5) / 0.12) ** 2) - ((y / height - 0.6) / 0.15) ** 2)
    return cv2.remap(rgb, x + aside.astype(np.float32), y, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)


def turned(rgb, degrees):
    height, width = rgb.shape[:2]
    return cv2.warpAffine(rgb, cv2.getRotationMatrix2D((width / 2, height / 2), degrees, 1), (width, height), borderMode=cv2.BORDER_REPLICATE)


UNMOVED = {
    "blurred": lambda rgb: cv2.GaussianBlur(rgb, (0, 0), 1.0),
    "moved by the camera": lambda rgb: cv2.blur(rgb, (4, 1)),
    "lit from the left": lambda rgb: np.clip(rgb * np.linspace(0.75, 1.05, rgb.shape[1])[None, :, None], 0, 255).astype(np.uint8),
    "darker": lambda rgb: (rgb * 0.7).astype(np.uint8),
    "straightened": lambda rgb: turned(rgb, 1.5),
    "softer tone": lambda rgb: (255 * (rgb / 255) ** 0.8).astype(np.uint8),
}


@pytest.mark.parametrize("change", UNMOVED)
@pytest.mark.parametrize("view", ["front", "three_quarter"])
def test_a_photograph_finished_anew_has_everything_in_place(change, view):
    assert told(picture(view=view), UNMOVED[change](picture(view=view)))


@pytest.mark.parametrize("most", [1.5, 3.0])
def test_a_bag_of_which_a_part_lies_otherwise_was_taken_again(most):
    assert not told(picture(), bent(picture(), most))


def test_another_bag_in_its_place_is_another_picture():
    assert not told(picture(0), picture(1))


def test_displacements_are_those_that_were_laid_in():
    """By the definition of a translation: every tile moves by as much. Differences over two pixels understate the slopes of fine structure."""
    plane = cv2.GaussianBlur(np.random.default_rng(2).normal(0, 1, (256, 256)).astype(np.float32), (0, 0), 3)
    aside = cv2.warpAffine(plane, np.float32([[1, 0, 0.3], [0, 1, -0.4]]), (256, 256), flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REFLECT)
    moved, alike, slope = displacements(plane, aside, np.ones(plane.shape, bool))
    assert moved.size >= 30 and slope.min() > 0
    assert np.median(moved) == pytest.approx(0.5, rel=0.2)  # hypot(0.3, 0.4)
    assert np.median(alike) > 0.9


def test_what_has_no_structure_or_no_preview_tells_nothing():
    flat = np.full((300, 400, 3), 200, np.uint8)
    assert not told(flat, flat)
    assert not nothing_moved({}, sketch(picture()), STRAIGHT, (SHAPE, SHAPE))


def tilted(rgb, most):
    """The picture in the perspective of a camera turned a little: parts at the edge move by so many px of 512 more than an affine movement lets them."""
    height, width = rgb.shape[:2]
    middle = np.array([[1, 0, -width / 2], [0, 1, -height / 2], [0, 0, 1.0]])
    turn = np.array([[1, 0, 0], [0, 1, 0], [most / 256 * 2 / width, 0, 1.0]])
    return cv2.warpPerspective(rgb, np.linalg.inv(middle) @ turn @ middle, (width, height), flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)


@pytest.mark.parametrize("most", [1.0, 2.0])
def test_another_perspective_is_measured_within_three_uncertainties(most):
    moved, uncertainty = perspective(sketch(picture()), sketch(tilted(picture(), most)), STRAIGHT, (SHAPE, SHAPE))
    assert abs(moved - most) <= 3 * uncertainty
    assert uncertainty < 0.25 * most


@pytest.mark.parametrize(("change", "other"), [(lambda rgb: tilted(rgb, 2.0), True), (lambda rgb: turned(rgb, 1.5), False), (UNMOVED["blurred"], False)])
def test_straightening_and_a_blur_are_no_other_perspective(change, other):
    one, laid = sketch(picture()), sketch(change(picture()))
    assert (seen_in_another_perspective(one, laid, STRAIGHT, (SHAPE, SHAPE)) is True) == other  # None: it is not seen, nor ruled out


@pytest.mark.parametrize(("narrower", "told"), [(0.0, False), (0.008, True)])
def test_a_picture_narrower_than_a_retouch_makes_it_is_a_second_photograph_and_the_same_file_is_none(narrower, told):
    """A product turned by 7 degrees is narrower by 0.8 %: its cosine."""
    height, width = picture().shape[:2]
    across = np.array([[1 - narrower, 0, narrower * width / 2], [0, 1, 0]], np.float32)
    laid = cv2.warpAffine(picture(), across, (width, height), flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REFLECT)
    assert seen_in_another_perspective(sketch(picture()), sketch(laid), STRAIGHT, (SHAPE, SHAPE)) is told

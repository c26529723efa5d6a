"""Crops laid over whole pictures: painted textures, so that place and scale are known."""

import cv2
import numpy as np
import pytest
from catalogue_audit.statistics.matching.crops import Fit, LayersAtHand, crop_layers, fitted_in_frame, usual_zooms, whole_layers
from catalogue_audit.statistics.matching.crops import best_fit as best_fit_of_layers


def sketch(picture):
    return {"preview": cv2.imencode(".jpg", picture, [cv2.IMWRITE_JPEG_QUALITY, 90])[1].ravel()}


def best_fit(crop, whole):
    return best_fit_of_layers(crop_layers(crop), whole_layers(whole))


def texture(seed):
    coarse = np.random.default_rng(seed).integers(40, 220, (40, 32, 3)).astype(np.uint8)
    return cv2.resize(coarse, (512, 640), interpolation=cv2.INTER_CUBIC)


@pytest.mark.parametrize("zoom", [2.5, 3.3, 5.0])
def test_a_crop_is_found_at_its_own_scale(zoom):
    whole = texture(1)
    width, height = round(512 / zoom), round(640 / zoom)
    crop = cv2.resize(whole[200 : 200 + height, 150 : 150 + width], (512, 640), interpolation=cv2.INTER_CUBIC)
    correlation, found, colour = best_fit(sketch(crop), sketch(whole))
    assert correlation > 0.9
    assert found == pytest.approx(zoom, rel=0.06)  # half a step of the zooms tried
    assert colour < 8  # CIELAB; the JPEGs and the two resamplings of a texture of strong colours


def test_a_crop_that_shows_what_surrounds_the_product_is_found_in_the_frame():
    """A detail of the upper edge with some of the white above it goes into no picture that is cut to the product's box."""
    frame = np.full((640, 640, 3), 250, np.uint8)
    frame[200:600, 60:580] = cv2.resize(texture(4), (520, 400), interpolation=cv2.INTER_AREA)
    mask = np.zeros((80, 80), bool)
    mask[25:75, 8:72] = True
    crop = cv2.resize(frame[120:520, 150:550], (600, 600), interpolation=cv2.INTER_CUBIC)
    layers = LayersAtHand({"whole": sketch(frame) | {"mask": mask}, "crop": sketch(crop)})
    found = fitted_in_frame(layers, ("crop", "whole"))
    assert best_fit(sketch(crop), sketch(frame) | {"mask": mask}).correlation < 0.6
    assert found.correlation > 0.9 and found.zoom == pytest.approx(640 / 400, rel=0.06)


def test_a_crop_in_another_colour_is_found_and_its_colour_told():
    """Red and blue exchanged and the lightness kept: the structure is there, the colour is not."""
    whole = texture(3) // 3 + np.array([110, 60, 30], np.uint8)
    crop = cv2.resize(whole[200:394, 150:305], (512, 640), interpolation=cv2.INTER_CUBIC)
    same, other = best_fit(sketch(crop), sketch(whole)), best_fit(sketch(crop[..., ::-1]), sketch(whole))
    assert same.correlation > 0.9 and same.colour < 5
    assert other.colour > 25


def test_a_crop_of_another_product_is_not_found():
    whole = texture(1)
    crop = cv2.resize(texture(2)[200:394, 150:305], (512, 640), interpolation=cv2.INTER_CUBIC)
    assert best_fit(sketch(crop), sketch(whole))[0] < 0.6


def test_a_sketch_without_a_preview_says_nothing():
    assert all(np.isnan(best_fit({}, sketch(texture(1)))))


def fits(*pairs):
    return [Fit(correlation, zoom, 0.0) for correlation, zoom in pairs]


def test_only_crops_of_one_scale_have_usual_zooms():
    alike = usual_zooms(fits((0.9, 3.0), (0.8, 3.1), (0.9, 3.3), (0.7, 3.2), (0.3, 8.0)))
    assert alike[0] < 2.6 and alike[-1] > 3.8
    assert usual_zooms(fits((0.9, 2.0), (0.9, 3.2), (0.9, 5.0), (0.9, 7.5))).size == 0
    assert usual_zooms(fits((0.9, 3.0))).size == 0

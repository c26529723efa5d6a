"""Cut-out edges and shadows against painted ones."""

import cv2
import numpy as np
import pytest

from catalogue_audit.measures.cutout import cutout_facts
from light_scenes import backdrop_of, bag, outline_of, picture_of, rounded_code, through_jpeg, working_mask


def _cut_out(rim=0, tone=225.0, sides="all", size=(900, 720)):
    """A bag cut out on pure white, with a band of another tone `rim` px wide left around it."""
    code, mask = bag(size, background=255.0, supersample=2)
    shown = mask
    if rim:
        grown = cv2.dilate(mask.astype(np.uint8), cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * rim + 1,) * 2)) > 0
        band = grown & ~mask
        if sides == "left":
            band[:, size[1] // 2 :] = False
        code[band] = tone
        shown = mask | band
    code = through_jpeg(rounded_code(cv2.GaussianBlur(code, (0, 0), 0.7)), 92)
    picture = picture_of(code)
    return picture, backdrop_of(picture, (100, 0, 0), "cut_out"), outline_of(working_mask(shown, picture))


def test_a_clean_cut_out_has_no_rim():
    facts = cutout_facts(*_cut_out())
    assert facts["rim_px"] < 1.0


@pytest.mark.parametrize(("rim", "tone"), [(3, 235.0), (3, 225.0), (5, 225.0), (5, 200.0), (7, 225.0)])
def test_a_rim_is_measured(rim, tone):
    facts = cutout_facts(*_cut_out(rim, tone))
    assert facts["rim_px"] == pytest.approx(rim, abs=1.2)
    assert facts["rim_de"] > 5


def test_a_dark_band_may_be_piping_and_is_no_rim():
    assert cutout_facts(*_cut_out(3, 40.0))["rim_px"] == 0


@pytest.mark.parametrize("blur", [1.0, 2.0, 3.0])
def test_a_soft_edge_is_no_rim(blur):
    code, mask = bag((900, 720), background=255.0, supersample=2)
    picture = picture_of(through_jpeg(rounded_code(cv2.GaussianBlur(code, (0, 0), blur)), 92))
    outline = outline_of(working_mask(mask, picture))
    assert cutout_facts(picture, backdrop_of(picture, (100, 0, 0), "cut_out"), outline)["rim_px"] == 0


def test_a_rim_along_one_side_is_seen():
    assert cutout_facts(*_cut_out(4, 215.0, sides="left"))["rim_px"] > 2


def test_a_photographed_background_has_no_rim():
    picture, backdrop, outline = _cut_out()
    assert "rim_px" not in cutout_facts(picture, backdrop._replace(kind="white"), outline)

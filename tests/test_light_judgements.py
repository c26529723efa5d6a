"""Judgements of light that rest on several pictures: burnt-out parts, shadows on cut-outs, a product's colour over its views."""

import numpy as np
import pytest

from catalogue_audit.delivery.brief import load_brief
from catalogue_audit.findings.judge import find
from catalogue_audit.measures.shadow import shadow_kind
from catalogue_audit.pixels.colour import lab_from_linear, linear_from_lab, srgb_encode
from catalogue_audit.statistics.detail_white import white_of_details
from catalogue_audit.statistics.product_colour import product_colour_deviation
from catalogue_audit.statistics.tables import table_from_rows
from light_scenes import backdrop_of, outline_of, picture_of, working_mask
from making_evidence import clean_frames, evidence_of

FRONT = "NB-104_front.jpg"


def _found(frames, sketches=None):
    found = find(evidence_of(frames, load_brief(), "originals", sketches=sketches or {}))[0]
    return list(found.loc[found["file"] == FRONT, "check"])


def _front(**values):
    frames = clean_frames(products=12, seed=3)
    for name, value in values.items():
        frames.loc[frames["file"] == FRONT, name] = value
    return frames


def test_burnt_out_parts_count_whatever_the_surface_unless_the_product_is_nearly_white():
    yellow = dict(zip(("product_L", "product_a", "product_b"), (75.0, 15.0, 78.0), strict=True))
    white = dict(zip(("product_L", "product_a", "product_b"), (93.0, 0.0, 1.0), strict=True))
    for colour in ({}, yellow):
        assert _found(_front(clipped_high=0.04, exposure_dev_ev=0.0, **colour)) == ["clipping"]
    assert _found(_front(clipped_high=0.15, exposure_dev_ev=0.0, **white)) == []
    assert _found(_front(clipped_high=0.30, exposure_dev_ev=0.0, **white)) == ["clipping"]


def test_a_channel_burnt_by_a_wrong_colour_is_one_finding():
    assert _found(_front(clipped_high=0.2, exposure_dev_ev=0.0, product_colour_dev=6.0)) == ["product_colour"]
    assert "product_colour" not in _found(_front(clipped_high=0.2, exposure_dev_ev=0.4, product_colour_dev=6.0))


def _cut_out(corner, strip):
    """A light block on pure white: `corner` of it left out of the outline, `strip` of grey painted under it."""
    code = np.full((500, 400, 3), 255, np.uint8)
    code[120:380, 100:300] = 236
    mask = np.zeros((500, 400), bool)
    mask[120:380, 100:300] = True
    mask[300:380, 240:300] &= not corner
    if strip:
        code[380:392, 110:290] = 215
    picture = picture_of(code)
    return shadow_kind(picture, backdrop_of(picture, (100, 0, 0), "cut_out"), outline_of(working_mask(mask, picture)))


def test_a_part_of_the_product_that_the_outline_left_out_is_no_shadow():
    assert _cut_out(corner=True, strip=False) == "none"
    assert _cut_out(corner=False, strip=True) == "contact"
    assert _cut_out(corner=False, strip=False) == "none"


def _views(colours, crop=None):
    """Frames and sketches of products: a list of {view: palette rows (L, a, b, share)}; `crop` is one detail's pixels."""
    rows, sketches = [], {}
    for number, views in enumerate(colours):
        for view, palette in views.items():
            row = {"file": f"{number}_{view}.jpg", "sku": f"S{number}", "view": view, "view_kind": "upright", "status": "measured"}
            sketches[row["file"]] = {"palette": np.array(palette, np.float32)}
            rows.append(row)
    if crop is not None:
        rows.append({"file": "0_detail.jpg", "sku": "S0", "view": "detail", "view_kind": "crop", "status": "measured"})
        sketches["0_detail.jpg"] = {"thumb": np.broadcast_to(np.uint8(crop), (128, 102, 3))}
    frames = table_from_rows("frames", rows)
    return dict(zip(frames["file"], product_colour_deviation(frames, sketches, np.ones((len(frames), 2))), strict=True))


def _tinted(lab, red, blue):
    return tuple(lab_from_linear(linear_from_lab(lab) * (red, 1.0, blue)))


def test_a_large_colour_is_not_explained_by_a_small_one_of_the_other_view():
    """Cognac whose shaded edge has, by chance, the colour of the wrongly corrected view."""
    right, shade = (42, 24, 27), (33, 15, 13)
    wrong = _tinted(right, 0.75, 1.5)
    views = {"front": [(*right, 0.85), (*shade, 0.11)], "back": [(*right, 0.9), (*shade, 0.06)], "three_quarter": [(*wrong, 0.95)]}
    off = _views([views])
    assert off["0_three_quarter.jpg"] > 3
    assert max(off["0_front.jpg"], off["0_back.jpg"]) < 0.5


def test_a_flap_that_only_one_view_shows_is_no_wrong_colour():
    check = [(60, -10, 15, 0.5), (85, 0, 20, 0.3)]
    off = _views([{"front": [*check[:1], (30, 5, 5, 0.4)], "back": check, "three_quarter": check}])
    assert max(off.values()) < 1


def test_chroma_that_every_product_loses_at_an_angle_is_usual():
    hues = [(20, 30), (-25, 10), (5, -35), (40, 20), (-10, -25), (30, -15)]
    colours = [
        {view: [(50, a * kept, b * kept, 0.95)] for view, kept in (("front", 1.0), ("back", 1.0), ("three_quarter", 0.85))}
        for a, b in hues
    ]
    assert max(_views(colours).values()) < 0.6


@pytest.mark.parametrize("odd", ["front", "three_quarter"])
def test_of_two_views_the_detail_tells_which_is_off(odd):
    right, wrong = (60, 10, 20), _tinted((60, 10, 20), 1.2, 0.7)
    crop = np.rint(255 * srgb_encode(linear_from_lab(right)))
    off = _views([{view: [(*(wrong if view == odd else right), 0.95)] for view in ("front", "three_quarter")}], crop)
    assert max(off, key=lambda file: -1 if np.isnan(off[file]) else off[file]) == f"0_{odd}.jpg"
    assert min(off["0_front.jpg"], off["0_three_quarter.jpg"]) < 2.5


def test_a_lighter_mean_of_the_same_background_is_no_background_of_another_level():
    """A product that covers the darker part of the sweep; region by region its light is the set's."""
    assert _found(_front(background_L=97.5, background_dev_ev=0.02)) == []
    assert _found(_front(background_L=97.5, background_dev_ev=0.18)) == ["background"]


@pytest.mark.parametrize("gain", [(1.08, 0.9), (0.95, 1.1), (1.0, 1.0)])
def test_a_detail_without_backdrop_tells_its_light_by_the_products_neutral_surface(gain):
    """An off-white product fills the detail; its whole views, under the set's light, show what that looks like."""
    found, sd = _white_of_detail([(80, 0, 3, 0.8)], _tinted((80, 0, 3), *gain))
    assert found == pytest.approx(np.log(gain), abs=0.01)
    assert 0.005 < sd < 0.02


def test_saturated_dark_and_several_neutral_surfaces_tell_no_light():
    assert np.isnan(_white_of_detail([(50, 40, 30, 0.9)], (50, 40, 30))[0]).all()
    assert np.isnan(_white_of_detail([(22, 0, 1, 0.9)], (22, 0, 1))[0]).all()
    assert np.isnan(_white_of_detail([(80, 1, 9, 0.5), (85, 0, 0, 0.4)], (80, 1, 9))[0]).all()


def _white_of_detail(palette, shown):
    """ln of the light's red and blue in a detail of one colour, whose front shows a palette under neutral light; and its sd."""
    rows = [
        {"file": f"{view}.jpg", "sku": "S", "view": view, "view_kind": kind, "status": "measured"}
        for view, kind in (("front", "upright"), ("detail", "crop"))
    ]
    pixel = np.uint8(np.rint(255 * srgb_encode(np.clip(linear_from_lab(shown), 0, 1))))
    sketches = {"front.jpg": {"palette": np.array(palette, np.float32)}, "detail.jpg": {"thumb": np.broadcast_to(pixel, (128, 102, 3))}}
    ratios, sd = np.array([[0.0, 0.0], [np.nan, np.nan]]), np.array([0.0015, np.nan])
    ratios, sd = white_of_details(table_from_rows("frames", rows), sketches, np.array([True, False]), ratios, sd)
    return ratios[1], sd[1]

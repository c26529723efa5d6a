"""What a slanting view mirrors more or less of the lamps, shades of one material, and pictures of another product."""

import numpy as np
import pytest

from catalogue_audit.pixels.colour import ciede2000, lab_from_linear, linear_from_lab, srgb_encode
from catalogue_audit.statistics.photometry.own_gains import _agreed
from catalogue_audit.statistics.photometry.product_colour import product_colour_deviation
from catalogue_audit.statistics.photometry.surfaces import surfaces
from catalogue_audit.statistics.photometry.view_pairs import levels_of_views
from catalogue_audit.statistics.tables import table_from_rows

VIEWS = ("front", "back", "three_quarter")


def _off(palettes):
    """CIEDE2000 of one product's views from its others, by the palette of each, rows of (L, a, b, share)."""
    rows = [{"file": f"{view}.jpg", "sku": "S", "view": view, "view_kind": "upright", "status": "measured"} for view in palettes]
    sketches = {f"{view}.jpg": {"palette": np.array(palette, np.float32)} for view, palette in palettes.items()}
    frames = table_from_rows("frames", rows)
    return dict(zip(frames["view"], product_colour_deviation(frames, sketches, np.ones((len(frames), 2))), strict=True))


def _with_white(lab, mirrored):
    """CIELAB of a surface that mirrors so much of the lamps' light on top of its own."""
    return tuple(lab_from_linear(linear_from_lab(lab) + mirrored))


@pytest.mark.parametrize("turned", ["three_quarter", "back"])
def test_white_light_mirrored_in_a_slanting_view_is_no_wrong_colour_and_in_a_back_it_is(turned):
    """A dark tan flap: 0.03 of the lamps' light is what any varnish mirrors seen straight on (Fresnel's equations, refractive index 1.5)."""
    own = (33.0, 12.0, 25.0)
    off = _off({view: [(*(_with_white(own, 0.03) if view == turned else own), 0.95)] for view in VIEWS})
    assert (off[turned] < 2.0) == (turned == "three_quarter")


@pytest.mark.parametrize("deeper", [False, True])
def test_a_back_that_mirrors_less_than_lacquer_in_the_other_views_is_no_wrong_colour(deeper):
    """Green lacquer that mirrors 0.03 of the lamps in front and side; a back made deeper in colour and left as light is wrong all the same."""
    own = (32.0, -20.0, 7.0)
    shining = _with_white(own, 0.03)
    back = (shining[0], 1.5 * own[1], 1.5 * own[2]) if deeper else own
    off = _off({view: [(*(back if view == "back" else shining), 0.95)] for view in VIEWS})
    assert (off["back"] > 2.0) == deeper


@pytest.mark.parametrize("lightness", [20.0, 30.0, 40.0, 65.0])
@pytest.mark.parametrize("gains", [(1.2, 1.0, 1.3), (0.8, 1.0, 0.7)])
def test_a_dark_colour_is_off_by_what_is_seen_of_it(lightness, gains):
    """The same gains of red and blue are seen the less the darker a colour is; a colour in less light than `LIGHTNESS` is judged as it is."""
    light = ((lightness + 16) / 66) ** 3  # of a colour of L* 50, whose a* and b* are as the cube root of light (CIE 15:2018)
    own = linear_from_lab((50.0, 9.0, 12.0))
    off, shown = [], []
    for much in (1.0, light):
        right, wrong = (np.array(lab_from_linear(colour * much)) for colour in (own, own * gains))
        off.append(_off({view: [(*(wrong if view == "back" else right), 0.95)] for view in VIEWS})["back"])
        shown.append(float(ciede2000(right, (right[0], *wrong[1:]))))
    assert off[1] / off[0] == pytest.approx(min(shown[1] / shown[0], 1.0), rel=0.06)


def test_a_cast_in_a_slanting_view_stays_one():
    own = (60.0, 5.0, 25.0)
    cast = tuple(lab_from_linear(linear_from_lab(own) * (1.12, 1.0, 1.12)))
    off = _off({view: [(*(cast if view == "three_quarter" else own), 0.95)] for view in VIEWS})
    assert off["three_quarter"] > 3.0 and max(off["front"], off["back"]) < 0.5


def test_the_shade_of_a_bag_does_not_answer_for_a_paler_picture_of_it():
    """Cobalt with a twelfth of it in shade, where bounced light takes some of its blue; one picture was made as pale as that all over."""
    right = (40, 15, -55)
    pale = tuple(lab_from_linear(linear_from_lab(right) * (1.3, 1.0, 0.55)))
    shade = (25, pale[1] * 0.75, pale[2] * 0.75)
    off = _off({"back": [(*right, 0.88), (*shade, 0.08)], "three_quarter": [(*right, 0.91), (*shade, 0.06)], "front": [(*pale, 0.81)]})
    assert off["front"] > 2.5 and max(off["back"], off["three_quarter"]) < 1.0  # one product alone: a third of it may be usual of fronts


def test_a_step_that_added_white_explains_bends_on_a_logarithmic_scale():
    """Red over green 2.1, blue over green 0.38, and white light a sixth of the green: no straight way to neutral, and no gains."""
    plain = np.array([2.1, 0.38])
    seen = np.log((plain + 0.16) / 1.16)
    steps, turned = np.tile(seen - np.log(plain), (3, 1)), np.ones(3, bool)
    assert np.linalg.norm(_agreed(steps, seen, turned, np.full(3, 0.2))) < 0.01
    gained = steps + np.log([1.12, 1.12])
    assert np.linalg.norm(_agreed(gained, seen, turned, np.full(3, 0.2))) > 0.08


def test_one_picture_of_another_product_leaves_the_others_comparable():
    """Three brown views, one half a stop brighter, and a blue picture by mistake: the brown ones tell each other as well as without it."""
    rng = np.random.default_rng(2)
    light = rng.uniform(0.05, 0.2, (60, 60, 1))

    def seen(colour, ev):
        codes = srgb_encode(np.clip(light * colour * 2.0**ev, 0, 1)) * 255
        return surfaces({"thumb": codes.round().astype(np.uint8)}, True)

    brown, blue = np.array([1.0, 0.6, 0.35]), np.array([0.2, 0.4, 1.2])
    views = [seen(brown, 0.0), seen(brown, 0.5), seen(brown, 0.0), seen(blue, 0.0)]
    plain, facing = np.zeros(4), np.array([True, True, True, False])
    level, extra = levels_of_views(views, plain, ~facing, facing)
    assert level[0, 1] - level[0, 0] == pytest.approx(0.5, abs=0.03)
    assert extra[0, :3].max() < 0.05 and not extra[0, 3] < 0.4

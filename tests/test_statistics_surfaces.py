"""Light between views by the surfaces that they share, on painted thumbnails with known light."""

import numpy as np
import pytest
from catalogue_audit.pixels.colour import srgb_encode
from catalogue_audit.statistics.photometry.lit_alike import ODD_SD, ODD_VIEW, UNSEEN_TOUCHED, own_light
from catalogue_audit.statistics.photometry.surfaces import brighter, surfaces

RED, CREAM, BLACK, BROWN = (0.30, 0.05, 0.04), (0.62, 0.58, 0.48), (0.012, 0.012, 0.013), (0.13, 0.10, 0.08)
RNG = np.random.default_rng(4)


def _view(parts, ev=0.0, gains=(1.0, 1.0, 1.0)):
    """Sketch of a product made of (linear colour, rows) on a white sweep, each shaded by a fifth from top to bottom."""
    linear = np.full((128, 102, 3), 0.85)
    top = 10
    for colour, rows in parts:
        shade = np.linspace(1.1, 0.9, rows)[:, None, None] * RNG.normal(1, 0.02, (rows, 82, 1))
        linear[top : top + rows, 10:92] = np.array(colour) * shade * 2.0**ev * gains
        top += rows
    mask = np.zeros((256, 204), bool)
    mask[20 : 2 * top, 20:184] = True
    return {"thumb": np.rint(255 * srgb_encode(np.clip(linear, 0, 1))).astype(np.uint8), "mask": mask}


def _between(first, second, **kwargs):
    return brighter(surfaces(first, False, **kwargs), surfaces(second, False))


@pytest.mark.parametrize("ev", [-1.0, -0.3, -0.1, 0.05, 0.2])
def test_light_is_found_to_a_fiftieth_of_a_stop(ev):
    found, likeness, *_ = _between(_view([(RED, 90)], ev), _view([(RED, 90)]))
    assert found == pytest.approx(ev, abs=0.02)
    assert likeness > 0.9


@pytest.mark.parametrize("ev", [-0.4, 0.3])
def test_other_shares_of_the_same_materials_are_no_light(ev):
    """A flap of another colour on the front and not on the back: means move by a stop and more, surfaces do not."""
    front, back = _view([(BLACK, 60), (CREAM, 35)], ev), _view([(BLACK, 10), (CREAM, 85)])
    found, likeness, *_ = _between(front, back)
    assert found == pytest.approx(ev, abs=0.03)
    assert 0.5 < likeness < 0.95


def test_which_of_two_panels_a_plain_back_is_made_of_stays_open():
    """A flap and a body of one hue, a stop and a half apart: a back of one stuff lies over either, and only what tells the two apart is sure."""
    light = tuple(2**1.5 * part for part in BROWN)
    two_tone, plain = _view([(light, 45), (BROWN, 45)]), _view([(BROWN, 90)])
    *_, doubt = _between(plain, two_tone)
    assert doubt == pytest.approx(0.75, abs=0.05)  # half of the stop and a half between either
    *_, of_plain = _between(_view([(BROWN, 90)], 0.3), plain)
    mostly = _view([(light, 12), (BROWN, 78)])
    found, _, _, of_mostly = _between(plain, mostly)
    assert of_plain < 0.01 and of_mostly < 0.1
    assert found == pytest.approx(0.0, abs=0.03)


def test_products_of_other_colour_share_nothing():
    _, likeness, *_ = _between(_view([(RED, 90)]), _view([(CREAM, 90)]))
    assert likeness < 0.1


def test_a_wrong_white_balance_is_taken_off_by_its_gains():
    warm = _view([(CREAM, 90)], gains=(1.2, 1.0, 0.8))
    found, likeness, *_ = _between(warm, _view([(CREAM, 90)]), gains=(1 / 1.2, 1 / 0.8))
    assert found == pytest.approx(0, abs=0.03)
    assert likeness > 0.9


def test_a_white_page_behind_a_detail_is_no_burnt_out_product():
    """A cream bag fills half of a detail on pure white: white is as light as the bag would be a stop brighter, and it is not the bag."""
    whole, detail = _view([(CREAM, 90)]), _view([(CREAM, 60)])
    detail["thumb"][:10] = detail["thumb"][70:] = detail["thumb"][:, :10] = detail["thumb"][:, 92:] = 255
    seen = surfaces(whole, False)
    found, likeness, *_ = brighter(surfaces(detail, True, blank=True), seen)
    assert found == pytest.approx(0.0, abs=0.03)
    assert likeness > 0.9
    assert surfaces(detail, True).burnt[0] > 0.4 and surfaces(detail, True, blank=True).burnt[0] == 0


def test_a_product_that_is_burnt_out_throughout_cannot_be_compared():
    burnt, seen = surfaces(_view([(RED, 90)], ev=6.0), False), surfaces(_view([(RED, 90)]), False)
    assert len(burnt.cells) == 0 and burnt.burnt[0] == 1
    for pair in ((burnt, seen), (seen, burnt), (burnt, burnt)):
        found, likeness, *_ = brighter(*pair)
        assert np.isnan(found) and likeness == 0


def test_a_product_too_small_to_see_has_no_surfaces():
    assert surfaces(_view([(RED, 2)]) | {"mask": np.zeros((256, 204), bool)}, False) is None
    assert surfaces({}, False) is None


def test_the_uncertainty_of_a_frame_covers_its_error():
    """
    Where lamps are touched and views differ as often as is supposed, squared errors are on average the stated variances.

    So it is for every posterior (law of total variance). Where one explanation is left, two thirds lie within one deviation; where
    several compete, more do, as the deviation spans the distance between them.
    """
    rng = np.random.default_rng(1)
    view_sd, steady = np.array([0.02, 0.02, 0.06]), np.full(3, 0.015)
    ratios, errors, stated, decided = [], [], [], []
    for _ in range(4000):
        light = rng.normal(0, 0.015, 3) + (rng.random(3) < UNSEEN_TOUCHED) * rng.normal(0, 0.5, 3)
        look = rng.normal(0, np.hypot(view_sd, ODD_SD * (rng.random(3) < ODD_VIEW)))
        residual = light + look + rng.normal()
        ev, sd = own_light(residual, view_sd, steady, np.full(3, np.nan), np.zeros(3, bool))
        errors.append((ev - light) ** 2)
        stated.append(sd**2)
        ratios.append((ev - light) / sd)
        decided.append(sd < 0.02)
    ratios, decided = np.abs(np.concatenate(ratios)), np.concatenate(decided)
    assert np.mean(errors) == pytest.approx(np.mean(stated), rel=0.2)
    assert decided.mean() > 0.6
    assert 0.62 < (ratios[decided] < 1).mean() < 0.74
    assert 0.62 < (ratios < 1).mean() < 0.8
    assert (ratios < 3).mean() > 0.985


def test_backgrounds_that_are_off_together_are_the_light_of_all():
    """A detail of another look makes no lamp of their own of three backgrounds that are equally dark."""
    residual, dark = np.array([0.0, 0.0, 0.0, -0.17]), np.array([-0.26, -0.25, -0.26, np.nan])
    sd, steady = np.array([0.04, 0.04, 0.04, 0.06]), np.array([0.02, 0.02, 0.02, 0.035])
    ev, error = own_light(residual, sd, steady, dark, dark < 0)
    assert np.abs(ev[:3]).max() < 0.03 and error[:3].max() < 0.06


def test_one_view_of_another_look_is_no_light_where_its_background_is_steady():
    """
    The same difference is light between views that face the lamps, and not sure of one that slants, or differs by nature.

    Where its background is steady even a back is unsure: a panel of another stuff is as likely as a lamp that spared the sweep.
    """
    residual, steady, known, calm = np.array([-0.25, 0.0, 0.0]), np.full(3, 0.02), np.zeros(3), np.zeros(3, bool)
    ev, sd = own_light(residual, np.array([0.08, 0.02, 0.02]), steady, known, calm)
    assert abs(ev[0]) < 0.1 and 3 * sd[0] > abs(ev[0])
    ev, sd = own_light(residual, np.full(3, 0.02), steady, known, calm)
    assert abs(ev[0]) < 0.15 and 3 * sd[0] > abs(ev[0])
    ev, sd = own_light(residual, np.full(3, 0.02), steady, np.full(3, np.nan), calm, straight=True)
    assert ev[0] == pytest.approx(-0.25, abs=0.02) and 3 * sd[0] < 0.15
    ev, sd = own_light(residual, np.full(3, 0.02), steady, known, calm, straight=True)
    assert ev[0] < -0.1 and 3 * sd[0] > abs(ev[0])


def test_a_background_that_moved_alone_is_told_from_a_lamp():
    steady, dark = np.full(3, 0.02), np.array([-0.4, 0.0, 0.0])
    alone, _ = own_light(np.array([0.4, 0.0, 0.0]), steady, steady, dark, dark < 0)
    together, _ = own_light(np.zeros(3), steady, steady, dark, dark < 0)
    assert alone[0] == pytest.approx(0.4, abs=0.03)
    assert together[0] == pytest.approx(0.0, abs=0.03)


@pytest.mark.parametrize("half, sure", [(0.5, False), (0.0, True), (1.0, True)])
def test_a_product_between_its_background_and_its_other_views_tells_of_neither(half, sure):
    """Halfway, either explains it as well: the light is as unsure as the two differ, and no finding rests on it."""
    steady, dark, view_sd = np.full(3, 0.03), np.array([-0.24, 0.0, 0.0]), np.array([0.06, 0.04, 0.04])
    ev, sd = own_light(np.array([0.24 * half, 0.0, 0.0]), view_sd, steady, dark, dark < 0, straight=True)
    light = dark[0] + ev[0]
    assert (3 * sd[0] < 0.24) == sure
    assert light == pytest.approx(dark[0] * (1 - half), abs=0.05) and (sd[0] > 0.09) != sure

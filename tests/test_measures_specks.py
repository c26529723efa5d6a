"""Specks and spots against painted ones."""

from pathlib import Path

import cv2
import numpy as np
import pytest
from catalogue_audit.measures.surface.specks import speck_facts
from light_scenes import bag, outline_of, picture_of, rounded_code, through_jpeg, working_mask

DATA = Path(__file__).parent / "data"


def _facts(specks, seed=0, size=(1200, 960), diameter=4.0, contrast=45.0, stitched=False, noise=1.5, oval=1.0, of=None, weave=0.0):
    rng = np.random.default_rng(seed)
    code, mask = bag(size, supersample=2, details=False)
    grain = cv2.GaussianBlur(np.random.default_rng(100 + seed).standard_normal(size).astype(np.float32), (0, 0), 1.2, sigmaY=2.4)
    code += (weave * grain / grain.std() * mask)[..., None]
    height, width = size
    if stitched:
        for y in (int(0.42 * height), int(0.80 * height)):
            for x in range(int(0.33 * width), int(0.67 * width), 13):
                cv2.line(code, (x, y), (x + 8, y), (200.0, 180.0, 160.0), 2, cv2.LINE_AA)
        for row in range(3):
            for column in range(5):
                centre = int(0.4 * width + 16 * column), int(0.6 * height + 16 * row)
                cv2.circle(code, centre, 3, (230.0, 220.0, 190.0), -1, cv2.LINE_AA)
    inner = cv2.erode(mask.astype(np.uint8), np.ones((41, 41), np.uint8))
    inner[int(0.40 * height) : int(0.45 * height)] = inner[int(0.58 * height) : int(0.65 * height)] = 0
    inner[int(0.78 * height) : int(0.83 * height)] = 0
    rows, columns = inner.nonzero()
    truth = []
    while len(truth) < specks:
        k = rng.integers(len(rows))
        if all(np.hypot(rows[k] - y, columns[k] - x) > 50 for x, y in truth):
            truth.append((columns[k], rows[k]))
    yy, xx = np.mgrid[-12:13, -12:13]
    for x, y in truth:
        away = np.hypot((xx - rng.uniform(-0.5, 0.5)) * oval**0.5, (yy - rng.uniform(-0.5, 0.5)) / oval**0.5)
        blob = cv2.GaussianBlur(np.clip(diameter / 2 - away + 0.5, 0, 1), (0, 0), 0.6)
        code[y - 12 : y + 13, x - 12 : x + 13] += (rng.choice([-1, 1]) * contrast * blob)[..., None]
    code = cv2.GaussianBlur(code, (0, 0), 0.6) + noise * rng.standard_normal(code.shape)
    picture = picture_of(through_jpeg(rounded_code(code), 92))
    facts = speck_facts(picture, (of or outline_of)(working_mask(mask, picture)))
    return facts, np.array(truth, float).reshape(-1, 2) / (width, height)


def _hits(facts, truth):
    spots = facts["sketch"]["spots"]
    found = spots[spots[:, 4] > 0, :2]
    return sum(np.hypot(*(found - place).T).min() < 0.004 for place in truth) if len(found) else 0


@pytest.mark.parametrize("diameter", [3.0, 5.0, 7.0, 10.0, 13.0])
def test_specks_are_counted_and_placed(diameter):
    found = wanted = counted = 0
    for seed in range(2):
        facts, truth = _facts(12, seed, diameter=diameter)
        found, wanted, counted = found + _hits(facts, truth), wanted + len(truth), counted + facts["specks"]
    assert found / wanted >= 0.9
    assert found / counted >= 0.9


@pytest.mark.parametrize("oval", [0.65, 1.5])
def test_specks_that_are_half_as_long_again_as_wide_are_counted(oval):
    facts, truth = _facts(12, diameter=5.0, contrast=60.0, oval=oval)
    assert _hits(facts, truth) >= 0.9 * len(truth)
    assert facts["specks"] <= len(truth) + 1


@pytest.mark.parametrize("diameter", [5.0, 7.0, 9.0])
def test_threads_are_none(diameter):
    facts, truth = _facts(12, diameter=diameter, contrast=60.0, oval=4.0)
    assert facts["specks"] <= 1


def test_in_a_crop_specks_on_what_is_taken_for_background_count_as_well():
    """The outline of a crop may take a product that fills the frame for its background."""

    def of(touches):
        return lambda mask: outline_of(np.zeros_like(mask) | (np.arange(mask.shape[0]) < 40)[:, None])._replace(touches=touches)

    whole, _ = _facts(12, of=of(()), contrast=60.0)
    crop, truth = _facts(12, of=of(("left", "top", "right")), contrast=60.0)
    assert whole["specks"] == 0
    assert 0.9 * len(truth) <= crop["specks"] <= len(truth) + 1
    assert _hits(crop, truth) >= 0.9 * len(truth)  # each that is counted is marked
    kinds = crop["sketch"]["spots"][:, 4]
    assert (kinds > 0).sum() >= crop["specks"]
    assert not (kinds == 1).any()  # and is known to lie on what its outline leaves for background, where the sensor's spots are sought


def test_a_clean_product_has_none():
    assert _facts(0)[0]["specks"] == 0


def test_stitches_and_studs_are_no_specks():
    assert _facts(0, stitched=True)[0]["specks"] <= 1


def _own_marks(draw, seed=0):
    """Count on a bag with marks of its own drawn onto it."""
    code, mask = bag((1200, 960), supersample=2, details=False)
    draw(code, *cv2.boundingRect(cv2.erode(mask.astype(np.uint8), np.ones((81, 81), np.uint8))))
    code = cv2.GaussianBlur(code, (0, 0), 0.6) + np.random.default_rng(seed).standard_normal(code.shape)
    picture = picture_of(through_jpeg(rounded_code(code), 92))
    return speck_facts(picture, outline_of(working_mask(mask, picture)))["specks"]


def test_gaps_between_stitches_are_no_specks():
    """Thread a little lighter than the leather, and the holes between: only some of the holes stand out."""

    def draw(code, left, top, width, height):
        ground = code[top + height // 2, left + width // 2].copy()
        shade = np.random.default_rng(5)
        for x in range(left, left + width - 20, 18):
            cv2.line(code, (x, top + 40), (x + 11, top + 40), (ground + 25).tolist(), 2, cv2.LINE_AA)
            cv2.circle(code, (x + 15, top + 40), 2, (ground - shade.uniform(15, 50)).tolist(), -1, cv2.LINE_AA)

    assert _own_marks(draw) <= 1


def test_lamps_mirrored_in_each_of_some_studs_are_no_specks():
    def draw(code, left, top, width, height):
        for k in range(4):
            x, y = left + 30 + k * (width - 60) // 3, top + height // 2 + (k % 2) * 37
            cv2.circle(code, (x, y), 26, (90.0, 90.0, 90.0), -1, cv2.LINE_AA)
            cv2.circle(code, (x - 8, y - 6), 2, (235.0, 235.0, 235.0), -1, cv2.LINE_AA)
            cv2.circle(code, (x + 8, y - 3), 3, (165.0, 165.0, 165.0), -1, cv2.LINE_AA)

    assert _own_marks(draw) <= 1


@pytest.mark.parametrize("apart", [(0, 86, 185, 290, 335), (0, 70, 190, 240, 330)])
def test_studs_in_a_line_at_uneven_steps_are_no_specks_and_marks_off_it_are(apart):
    def draw(rise):
        def studs(code, left, top, width, height):
            for k, step in enumerate(apart):
                place = left + 10 + step, top + height // 2 + step // 8 + rise * (k % 3)
                cv2.circle(code, place, 4, (215.0, 180.0, 120.0), -1, cv2.LINE_AA)

        return studs

    assert _own_marks(draw(0)) <= 1
    assert _own_marks(draw(35)) >= 4


@pytest.mark.parametrize("dots", ["printed", "dusty"])
def test_dots_of_the_colour_of_a_print_are_its_own_and_dust_on_it_is_not(dots):
    """Red blotches on cream, and small dots: red ones, or grey ones that are no mixture of the two."""
    rng = np.random.default_rng(2)

    def draw(code, left, top, width, height):
        code[top : top + height, left : left + width] = (236.0, 226.0, 200.0)
        for y in range(top + 30, top + height - 20, 60):
            for x in range(left + 30, left + width - 20, 60):
                axes = tuple(int(v) for v in rng.integers(9, 22, 2))
                cv2.ellipse(code, (x, y), axes, float(rng.uniform(0, 180)), 0, 360, (176.0, 70.0, 44.0), -1, cv2.LINE_AA)
                if (x // 60 + y // 60) % 3 == 0:
                    at = x + 30 + int(rng.integers(-4, 5)), y + 30 + int(rng.integers(-4, 5))
                    cv2.circle(code, at, 2, (176.0, 70.0, 44.0) if dots == "printed" else (120.0, 120.0, 120.0), -1, cv2.LINE_AA)

    count = _own_marks(draw)
    assert count <= 1 if dots == "printed" else count >= 6


@pytest.mark.parametrize("dots", ["printed", "dusty"])
def test_dots_of_the_colour_of_thin_rims_are_their_own_and_dust_on_it_is_not(dots):
    """Rosettes: rims of dark brown around middles between theirs and the ground's colour, few of them; and small dots of the rims' colour, or of grey."""
    rng = np.random.default_rng(5)

    def draw(code, left, top, width, height):
        code[top : top + height, left : left + width] = (160.0, 120.0, 76.0)
        for y in range(top + 30, top + height - 20, 60):
            for x in range(left + 30, left + width - 20, 60):
                axes, turn = tuple(int(v) for v in rng.integers(7, 12, 2)), float(rng.uniform(0, 180))
                cv2.ellipse(code, (x, y), axes, turn, 0, 360, (112.0, 83.0, 52.0), -1, cv2.LINE_AA)
                cv2.ellipse(code, (x, y), axes, turn, 0, 300, (64.0, 46.0, 28.0), 3, cv2.LINE_AA)
                if (x // 60 + y // 60) % 3 == 0:
                    at = x + 30 + int(rng.integers(-4, 5)), y + 30 + int(rng.integers(-4, 5))
                    cv2.circle(code, at, 3, (64.0, 46.0, 28.0) if dots == "printed" else (60.0, 64.0, 72.0), -1, cv2.LINE_AA)

    count = _own_marks(draw)
    assert count <= 1 if dots == "printed" else count >= 6


def test_dust_among_the_dots_of_a_print_is_no_part_of_their_rows():
    """Every speck has the same dots around it as the next place of the print has, but that place no speck."""
    rng = np.random.default_rng(4)

    def draw(code, left, top, width, height):
        code[top : top + height, left : left + width] = 170.0
        for y in range(top + 20, top + height - 15, 26):
            for x in range(left + 20, left + width - 15, 26):
                cv2.circle(code, (x, y), 6, (30.0, 30.0, 32.0), -1, cv2.LINE_AA)
                if rng.random() < 0.06:
                    cv2.circle(code, (x + 13, y + int(rng.integers(-4, 5))), 2, (235.0, 235.0, 230.0), -1, cv2.LINE_AA)

    assert _own_marks(draw) >= 8


@pytest.mark.parametrize("stripe", [(60.0, 72.0, 40.0), (25.0, 25.0, 25.0)])
def test_dark_dust_between_broad_dark_stripes_is_no_piece_of_them(stripe):
    rng = np.random.default_rng(6)

    def draw(code, left, top, width, height):
        code[top : top + height, left : left + width] = (214.0, 212.0, 205.0)
        for x in range(left, left + width - 30, 80):
            code[top : top + height, x : x + 34] = stripe
            for _ in range(3):
                at = x + 57 + int(rng.integers(-8, 9)), top + int(rng.integers(30, height - 30))
                cv2.circle(code, at, 2, (60.0, 60.0, 58.0), -1, cv2.LINE_AA)

    assert _own_marks(draw) >= 6


def test_dust_around_a_fitting_seen_close_counts():
    """A clasp in the middle of plain leather is taken for the product, and the leather for its background."""

    def of(mask):
        small = np.zeros_like(mask)
        middle = tuple(side // 2 for side in mask.shape)
        small[middle[0] - 20 : middle[0] + 20, middle[1] - 20 : middle[1] + 20] = True
        return outline_of(small)

    facts, truth = _facts(12, of=of, contrast=60.0)
    assert 0.9 * len(truth) <= facts["specks"] <= len(truth) + 1


def test_a_soft_dark_spot_on_the_background_is_in_the_sketch():
    code, mask = bag((1200, 960), supersample=2)
    y, x = np.mgrid[:1200, :960]
    code -= (8 * np.exp(-((x - 150) ** 2 + (y - 220) ** 2) / (2 * 6.0**2)))[..., None]
    code = code + np.random.default_rng(1).standard_normal(code.shape)
    picture = picture_of(rounded_code(code))
    spots = speck_facts(picture, outline_of(working_mask(mask, picture)))["sketch"]["spots"]
    distance = np.hypot(spots[:, 0] - 150 / 960, spots[:, 1] - 220 / 1200)
    assert distance.min() < 0.004
    nearest = spots[np.argmin(distance)]
    assert nearest[3] < -2
    assert nearest[4] == 0


def test_grain_all_over_the_frame_is_looked_at():
    code = np.random.default_rng(3).integers(0, 256, (1000, 800, 3), np.uint8)
    picture = picture_of(code)
    mask = np.zeros(picture.working.shape[:2], bool)
    mask[100:400, 100:300] = True
    assert speck_facts(picture, outline_of(mask))["specks"] <= 3


@pytest.mark.parametrize(("bend", "counted"), [(4.0, (0, 1)), (60.0, (5, 6))])
def test_dots_of_a_scale_on_a_round_body_are_no_dust(bend, counted):
    """A column of six, unevenly spaced as of two units, that the body bends by a little; strewn by more they may be dust."""
    code = np.full((900, 600, 3), 200.0)
    for y, side in zip((120, 252, 290, 382, 405, 522), (-0.3, -0.9, 0.2, 0.8, 0.5, -0.6), strict=True):
        cv2.circle(code, (round(300 + bend * side), y), 3, (90.0, 90.0, 90.0), -1, cv2.LINE_AA)
    picture = picture_of(rounded_code(code))
    mask = np.ones(picture.working.shape[:2], bool)
    mask[:, :20] = mask[:, -20:] = False
    assert counted[0] <= speck_facts(picture, outline_of(mask))["specks"] <= counted[1]


def test_specks_on_grained_leather_are_told_from_the_grain():
    found = wanted = counted = 0
    for seed in range(3):
        facts, truth = _facts(12, seed, diameter=4.0, contrast=60.0, noise=6.0)
        found, wanted, counted = found + _hits(facts, truth), wanted + len(truth), counted + facts["specks"]
    assert found / wanted >= 0.9
    assert found / counted >= 0.9


@pytest.mark.parametrize(("dots", "scatter", "size"), [(400, 0.4, 15.0), (1500, 0.3, 20.0)])
def test_the_tail_of_a_material_whose_dots_are_of_all_strengths_is_no_dust(dots, scatter, size):
    """Of dots with log-normal contrasts, as of glitter or cork, some stand out as specks do, and about as many fall short by as much. Dust does not."""
    for seed in range(3):
        counted = [speck_facts(*_strewn(seed, specks, dots, scatter, size))["specks"] for specks in (0, 12)]
        assert counted[0] <= 5
        assert 10 <= counted[1] <= 17


def _strewn(seed, specks, dots, scatter, size):
    """A cloth of light dots whose contrasts scatter by a factor around a size (code values), with specks of 120 code values; picture, outline."""
    rng = np.random.default_rng(seed)
    code = np.full((900, 900), 110.0)
    for x, y in rng.uniform(20, 880, (dots, 2)).astype(int):
        dab = cv2.circle(np.zeros((21, 21)), (10, 10), 2, size * np.exp(scatter * rng.standard_normal()), -1, cv2.LINE_AA)
        code[y - 10 : y + 11, x - 10 : x + 11] += dab
    weave = cv2.GaussianBlur(rng.standard_normal(code.shape), (0, 0), 1.5)
    code = cv2.GaussianBlur(code, (0, 0), 0.7) + 4 * weave / weave.std()
    for x, y in rng.uniform(60, 840, (specks, 2)).astype(int):
        cv2.circle(code, (x, y), 3, 230.0, -1, cv2.LINE_AA)
    code = np.repeat((code + rng.normal(0, 1, code.shape))[..., None], 3, axis=2)
    picture = picture_of(through_jpeg(rounded_code(code), 92))
    return picture, outline_of(np.ones(picture.working.shape[:2], bool))


def test_specks_on_a_coarse_weave_are_told_from_its_threads():
    """Of specks 8.5 times the deviation of threads as wide as they are, most; the threads' own extremes are none."""
    found = wanted = counted = 0
    for seed in range(4):
        facts, truth = _facts(12, seed, diameter=4.0, contrast=60.0, weave=7.0)
        found, wanted, counted = found + _hits(facts, truth), wanted + len(truth), counted + facts["specks"]
    assert found / wanted >= 0.65
    assert found / counted >= 0.9
    assert _facts(0, weave=12.0)[0]["specks"] <= 1


@pytest.mark.parametrize("reduction", [2, 4])
def test_large_pictures_show_specks_as_large_as_they_are_seen(reduction):
    size = 1100 * reduction, 880 * reduction
    facts, truth = _facts(10, 1, size, diameter=4.0 * reduction, contrast=50.0)
    assert _hits(facts, truth) >= 9
    assert facts["specks"] <= 10
    sizes = facts["sketch"]["spots"][facts["sketch"]["spots"][:, 4] > 0, 2]
    assert np.median(sizes) == pytest.approx(4.0 * reduction, rel=0.25)


def test_a_photograph_of_real_things_holds_hardly_a_speck():
    photograph = cv2.imread(str(DATA / "photographs" / "flower.jpg"), cv2.IMREAD_COLOR_RGB)
    picture = picture_of(photograph)
    mask = np.ones(picture.working.shape[:2], bool)
    assert speck_facts(picture, outline_of(mask))["specks"] <= 1

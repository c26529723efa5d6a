"""Judgements of light that rest on several pictures: burnt-out parts, shadows on cut-outs, a product's colour over its views."""

import numpy as np
import pytest
from catalogue_audit.delivery.brief import load_brief
from catalogue_audit.findings.judge import find
from catalogue_audit.measures.segmentation.shadow import shadow_kind
from catalogue_audit.pixels.colour import lab_from_linear, linear_from_lab, srgb_encode
from catalogue_audit.statistics.photometry.detail_white import chromaticities, white_of_details
from catalogue_audit.statistics.photometry.product_colour import product_colour_deviation
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


def test_a_detail_may_show_all_that_is_burnt_out_in_its_product():
    """The lamps that a lacquered bag mirrors fill 0.2 % of its front, and 2.5 % of a detail ten times as large; where no view has any, 2 % are burnt."""
    detail = FRONT.replace("front", "detail")
    for front, share, said in ((0.002, 0.025, []), (0.0, 0.02, ["clipping"])):
        frames = _front()
        frames.loc[frames["sku"] == frames.loc[frames["file"] == FRONT, "sku"].item(), "clipped_high"] = front
        frames.loc[frames["file"] == detail, "clipped_high"] = share
        assert list(find(evidence_of(frames, load_brief(), "originals"))[0]["check"]) == said


def test_a_channel_burnt_by_a_wrong_colour_is_one_finding():
    assert _found(_front(clipped_high=0.2, exposure_dev_ev=0.0, product_colour_dev=6.0)) == ["product_colour"]
    assert "product_colour" not in _found(_front(clipped_high=0.2, exposure_dev_ev=0.4, product_colour_dev=6.0))
    washed_out = _found(_front(clipped_high=0.45, exposure_dev_ev=np.nan, product_colour_dev=6.0, background_L=99.9))
    assert "clipping" in washed_out and "product_colour" not in washed_out


def test_a_product_burnt_white_is_one_finding_whatever_burnt_with_it():
    """More light than can be measured turns colour and sweep white as well."""
    burnt = {"clipped_high": 0.95, "exposure_dev_ev": np.nan, "product_L": 99.9, "product_a": 0.0, "product_b": 0.5}
    assert _found(_front(product_colour_dev=5.0, **burnt)) == ["clipping"]
    assert _found(_front(product_colour_dev=5.0, background_L=99.95, background_dev_ev=np.nan, **burnt)) == ["clipping"]


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


@pytest.mark.parametrize(("cast", "told"), [(1.0, False), (0.75, True)])
def test_a_surface_that_keeps_the_chroma_others_lose_at_an_angle_has_no_other_colour(cast, told):
    """A burgundy bag under a cognac flap that turns to the lamps: of the burgundy below it the slanting view mirrors no more; a cast is seen all the same."""
    hues = [(20, 30), (-25, 10), (5, -35), (40, 20), (-10, -25), (30, -15)]
    colours = [{view: [(50, a * kept, b * kept, 0.95)] for view, kept in (("front", 1.0), ("back", 1.0), ("three_quarter", 0.7))} for a, b in hues]
    flap, burgundy = (50, 29, 40), (50, 45, 19)
    two = {"front": [(*flap, 0.65), (*burgundy, 0.3)], "three_quarter": [(50, 20.3, 28, 0.65), (*burgundy, 0.3)]}
    off = _views([*colours, two | {"back": [(*_tinted(burgundy, 1.0, cast), 0.95)], "side": [(*flap, 0.95)]}])
    assert (off["6_back.jpg"] > 3) == told


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
    found, sd = _white_of_detail([((80, 0, 3), 0.8)], [(_tinted((80, 0, 3), *gain), 1.0)])
    assert found == pytest.approx(np.log(gain), abs=0.01)
    assert 0.004 < sd < 0.02


def test_daylight_of_another_colour_is_found_in_a_detail_of_several_colours():
    """
    D55 instead of D65: chromaticities of CIE 015:2004, table T.3 (from memory), as linear sRGB by the matrix of IEC 61966-2-1.
    """
    to_rgb = np.array([[3.2406, -1.5372, -0.4986], [-0.9689, 1.8758, 0.0415], [0.0557, -0.2040, 1.0570]])
    red, green, blue = to_rgb @ [0.33242 / 0.34743, 1.0, (1 - 0.33242 - 0.34743) / 0.34743]
    gain = red / green, blue / green
    colours = [((45, 30, 15), 0.3), ((75, 3, 10), 0.4), ((60, -20, -10), 0.3)]
    found, sd = _white_of_detail(colours, [(_tinted(lab, *gain), share) for lab, share in colours])
    assert found == pytest.approx(np.log(gain), abs=0.02)
    assert 3 * sd < np.linalg.norm(np.log(gain))


def test_light_is_surer_across_the_way_to_neutral_than_along_it():
    """What a tan surface mirrors more of the lamps looks like cooler light; greener light looks like nothing of the kind (Shafer 1985)."""
    tan = (60, 12, 20)
    way = np.log(linear_from_lab(tan)[[0, 2]] / linear_from_lab(tan)[1])
    way = way / np.linalg.norm(way)
    along, across = 0.1 * way, 0.1 * way[::-1] * (1, -1)
    assert _white_of_detail([(tan, 1.0)], [(_tinted(tan, *np.exp(across)), 1.0)])[0] == pytest.approx(across, abs=0.02)
    found, sd = _white_of_detail([(tan, 1.0)], [(_tinted(tan, *np.exp(along)), 1.0)])
    assert np.isnan(found).all() or 3 * sd > np.linalg.norm(found)


def test_a_slight_shift_of_a_saturated_surface_is_no_other_light():
    """The way to neutral, by a fiftieth: with the light before and after unchanged, a surface that mirrors a little more is likelier."""
    tan = (55, 20, 45)
    found, _ = _white_of_detail([(tan, 1.0)], [(np.asarray(tan) * (1, 0.97, 0.97), 1.0)])
    assert np.abs(found).max() < 0.01


def test_of_two_neutral_surfaces_and_in_the_dark_a_detail_tells_no_light_for_sure():
    found, _ = _white_of_detail([((80, 1, 9), 0.5), ((85, 0, 0), 0.5)], [((80, 1, 9), 1.0)])
    assert np.isnan(found).all()
    found, sd = _white_of_detail([((9, 0, 1), 1.0)], [(_tinted((9, 0, 1), 1.06, 0.92), 1.0)])
    assert np.isnan(found).all() or 3 * sd > np.linalg.norm(found)


def test_a_lining_is_no_surface_of_the_outside():
    assert np.isnan(_white_of_detail([((80, 0, 3), 1.0)], [((80, 0, 12), 1.0)], view="interior")[0]).all()


def test_a_detail_of_a_cut_out_product_is_compared_with_its_whole_views():
    found, sd = _white_of_detail([((85, 0, 2), 1.0)], [(_tinted((85, 0, 2), 1.05, 0.92), 1.0)], light=np.nan)
    assert found == pytest.approx(np.log((1.05, 0.92)), abs=0.015)
    assert sd < 0.02


def test_a_detail_taken_in_a_drift_has_the_light_of_its_neighbours_in_time():
    """The lamp warms between front and back; a tan detail by itself would not tell (its warmth may be mirrored light)."""
    tan, warm = (55, 20, 45), np.array([1.03, 0.955])
    rows = [_row(view, kind, f"2025-01-01T10:0{minute}:00") for minute, (view, kind) in enumerate(
        [("three_quarter", "upright"), ("front", "upright"), ("detail", "crop"), ("back", "upright")])]  # fmt: skip
    lights = [np.ones(2), warm**0.9, warm, warm**1.1]
    sketches = {row["file"]: _sketch([(_tinted(tan, *light), 1.0)]) for row, light in zip(rows, lights, strict=True)}
    ratios, sd = np.log(lights), np.full(4, 0.0015)
    ratios[2], sd[2] = np.nan, np.nan
    frames = table_from_rows("frames", rows)
    ratios, sd = white_of_details(frames, chromaticities(frames, sketches), np.array([True, True, False, True]), ratios, sd)
    assert ratios[2] == pytest.approx(np.log(warm), abs=0.01)
    assert sd[2] < 0.0112


def test_a_dark_detail_has_the_light_of_what_was_photographed_beside_it_not_of_its_product_s_other_hour():
    """A product's views were taken under warm lamps, its black detail an hour later, just after other products' under the usual light."""
    black, warm = (12, 0, 0), np.log((1.07, 0.93))
    rows = [_row("front", "upright", "2025-01-01T10:00:00"), _row("back", "upright", "2025-01-01T11:00:00"), _row("detail", "crop", "2025-01-01T11:00:30")]
    rows[1] |= {"sku": "T"}
    ratios, sd = np.array([warm, [0.0, 0.0], [np.nan, np.nan]]), np.array([0.0015, 0.0015, np.nan])
    sketches = {"front.jpg": _sketch([(_tinted(black, 1.07, 0.93), 1.0)]), "back.jpg": _sketch([((70, 0, 0), 1.0)])}
    sketches["detail.jpg"] = _sketch([(black, 1.0)])
    frames, whole = table_from_rows("frames", rows), np.array([True, True, False])
    found, found_sd = white_of_details(frames, chromaticities(frames, sketches), whole, ratios, sd)
    assert found[2] == pytest.approx([0.0, 0.0], abs=0.01)
    assert found_sd[2] < 0.02


def _row(view, kind, time=None, backdrop="white"):
    return {
        "file": f"{view}.jpg", "sku": "S", "view": view, "view_kind": kind, "status": "measured", "captured_at": time, "backdrop": backdrop,
    }  # fmt: skip


def _sketch(colours):
    """A thumbnail of stripes of (CIELAB, share), a whole product."""
    counts = np.rint(np.array([share for _, share in colours]) * 128).astype(int)
    codes = [np.rint(255 * srgb_encode(np.clip(linear_from_lab(lab), 0, 1))) for lab, _ in colours]
    stripes = np.repeat(np.uint8(codes), counts, axis=0)
    return {"thumb": np.broadcast_to(stripes[:, None], (len(stripes), 102, 3)), "mask": np.ones((256, 204), bool)}


def _white_of_detail(whole, shown, light=0.0, view="detail"):
    """ln of the light's red and blue in a detail, whose product's front shows its colours under neutral light; and its sd."""
    rows = [_row("front", "upright", backdrop="white" if np.isfinite(light) else "cut_out"), _row(view, "crop")]
    sketches = {"front.jpg": _sketch(whole), f"{view}.jpg": _sketch(shown)}
    ratios, sd = np.array([[light, light], [np.nan, np.nan]]), np.array([0.0015, np.nan])
    frames = table_from_rows("frames", rows)
    ratios, sd = white_of_details(frames, chromaticities(frames, sketches), np.array([True, False]), ratios, sd)
    return ratios[1], sd[1]


def _whites(share):
    """Sketch of a product of which a share is cream, two fifths of a stop below the top of the scale, and the rest brown."""
    thumb = np.full((64, 51, 3), (110, 60, 30), np.uint8)
    thumb[: round(64 * share)] = (226, 220, 205)
    return {"thumb": thumb, "mask": np.ones((128, 102), bool)}


@pytest.mark.parametrize(
    ("share", "off", "said"), [(0.3, 0.0, []), (0.05, 0.0, ["clipping"]), (0.3, np.nan, ["clipping"]), (0.3, 0.4, ["exposure"])]
)
def test_stripes_near_the_top_of_the_scale_may_reach_it_under_the_right_light(share, off, said):
    """5 % burnt out of a bag a third of which is cream in its other views: normal where its light is right, and only there."""
    frames = _front(clipped_high=0.05, exposure_dev_ev=off)
    sketches = {file: _whites(share) for file in frames["file"]}
    assert _found(frames, sketches) == said


@pytest.mark.parametrize(("pink", "hole", "said"), [(210, True, ["clipping"]), (210, False, []), (225, True, [])])
def test_a_hole_of_pure_white_in_a_pink_bag_is_none_of_its_whites(pink, hole, said):
    """
    A pink whose red alone is near the top of the scale: 10 % of it may reach it in red, but to be white in all channels takes over a stop more light.

    A pink so pale that all of its channels are within half a stop (sRGB 218 and above, IEC 61966-2-1) may be white where a plane faces the lamps.
    """
    frames = _front(clipped_high=0.1, exposure_dev_ev=0.0)
    thumb = np.full((64, 51, 3), (240, pink, pink), np.uint8)
    sketches = {file: {"thumb": thumb.copy(), "mask": np.ones((128, 102), bool)} for file in frames["file"]}
    sketches[FRONT]["thumb"][20:30, :40] = (255, 255, 255) if hole else (255, pink, pink)
    assert _found(frames, sketches) == said


@pytest.mark.parametrize(("share", "off", "said"), [(0.5, 0.0, []), (0.5, np.nan, []), (0.05, 0.0, ["clipping"]), (0.5, 0.4, ["exposure"])])
def test_the_tail_of_what_is_nearly_white_may_be_burnt_out_of_a_product_with_one_view(share, off, said):
    """5 % burnt out of a product half of which is cream: under lamps of one level what is that light has a tail; of a brown one it is a burnt spot."""
    frames = _front(clipped_high=0.05, exposure_dev_ev=off)
    sku = frames.loc[frames["file"] == FRONT, "sku"].item()
    frames = frames[(frames["sku"] != sku) | (frames["file"] == FRONT)].reset_index(drop=True)
    sketch = _whites(share)
    sketch["thumb"][:, :2] = 255
    sketch["thumb"][: round(64 * share), 2:] = (226, 222, 219)
    assert [check for check in _found(frames, {FRONT: sketch}) if check != "missing_view"] == said


@pytest.mark.parametrize(
    ("cream", "off", "behind", "said"),
    [(226, 0.0, 0.0, []), (190, 0.0, 0.0, []), (180, 0.0, 0.0, ["clipping"]), (226, 0.4, 0.0, ["exposure"]), (226, np.nan, 0.02, []),
     (226, np.nan, 0.3, ["clipping"]), (226, np.nan, np.nan, ["clipping"])],
)  # fmt: skip
def test_a_plane_turned_to_the_lamps_may_burn_out_what_is_within_a_stop_of_the_top_elsewhere(cream, off, behind, said):
    """
    By Lambert's cosine law: a lamp that grazes the front at 60 degrees gives half of what it gives the side that faces it.

    Where too much is burnt out for the product's light to be known, the background's tells whether the lamps were as ever.
    """
    slanting = FRONT.replace("front", "three_quarter")
    frames = clean_frames(products=12, seed=3)
    here = frames["file"] == slanting
    frames.loc[here, ["clipped_high", "exposure_dev_ev", "background_dev_ev"]] = 0.15, off, behind
    shown = _whites(0.3)
    shown["thumb"][shown["thumb"][..., 0] == 226] = (cream, cream - 6, cream - 21)
    found = find(evidence_of(frames, load_brief(), "originals", sketches=dict.fromkeys(frames["file"], shown)))[0]
    assert list(found.loc[found["file"] == slanting, "check"]) == said


@pytest.mark.parametrize(("page", "fading", "off", "said"), [(True, 0, 0.0, []), (True, 0, -0.3, ["exposure"]), (True, 0, 0.3, ["exposure"]),
                                                              (True, 6, 0.0, ["clipping"]), (False, 0, 0.0, ["clipping"])])  # fmt: skip
def test_a_white_page_seen_through_the_handles_is_not_burnt_out(page, fading, off, said):
    """9 % pure white in a brown bag's outline on a white page: the page, unless light fades from it, or there is no white page; what is lit otherwise is said once."""
    frames = _front(clipped_high=0.09, exposure_dev_ev=off)
    if page:
        frames["background_L"] = 100.0
    thumb = np.full((64, 51, 3), (110, 60, 30), np.uint8)
    thumb[:6] = 255
    thumb[6 : 6 + fading] = (240, 225, 210)
    sketch = {"thumb": thumb, "mask": np.ones((128, 102), bool)}
    assert sorted(set(_found(frames, {FRONT: sketch})) - {"background"}) == said


@pytest.mark.parametrize(("rows", "gap", "said"), [(6, True, []), (20, True, ["clipping"]), (6, False, ["clipping"])])
def test_what_the_back_leaves_open_and_the_front_does_not_is_the_page(rows, gap, said):
    """A dropped shadow fades from the page within a closed handle; a lamp's reflection burnt the bag beside it as well, whose rim the page's hard edge outweighs."""
    frames = _front(clipped_high=rows / 64, exposure_dev_ev=0.0)
    frames["background_L"] = 100.0
    thumb = np.full((64, 51, 3), (110, 60, 30), np.uint8)
    thumb[:rows], thumb[rows : rows + 6] = 255, (240, 225, 210)
    opened = np.ones((128, 102), bool)
    opened[10:24, 10:92] = not gap
    back = frames.loc[frames["sku"].eq(frames.loc[frames["file"] == FRONT, "sku"].item()) & (frames["view"] == "back"), "file"].item()
    sketches = {FRONT: {"thumb": thumb, "mask": np.ones((128, 102), bool)}, back: {"mask": opened}}
    assert sorted(set(_found(frames, sketches)) - {"background"}) == said


@pytest.mark.parametrize(("here", "others", "said"), [(0.078, (0.036, 0.059), []), (0.15, (0.036, 0.059), ["clipping"]), (0.078, (0.059, 0.06), ["clipping"])])
def test_a_white_pattern_that_differs_from_side_to_side_is_burnt_out_as_differently(here, others, said):
    """White dots are not the same all round: by what the other views differ in them, this one may have more."""
    frames = _front(clipped_high=here, exposure_dev_ev=0.0)
    sku = frames.loc[frames["file"] == FRONT, "sku"].item()
    for view, share in zip(("back", "three_quarter"), others, strict=True):
        frames.loc[(frames["sku"] == sku) & (frames["view"] == view), "clipped_high"] = share
    assert _found(frames) == said


@pytest.mark.parametrize(("level", "varies_by", "said"), [(95.0, 9.0, ["uneven_background"]), (92.0, 5.0, ["background", "uneven_background"])])
def test_a_page_that_slopes_down_from_white_is_uneven_and_no_second_time_too_dark(level, varies_by, said):
    """The mean of a plane slope is half its range below its upper end: 9 L* of unevenness leave 95.5 of 100; 8 L* less on the mean is grey as well."""
    frames = _front()
    frames["background_L"], frames["background_spread"] = 100.0, 0.0
    frames.loc[frames["file"] == FRONT, ["background_L", "background_spread"]] = level, varies_by
    assert sorted(_found(frames)) == said


@pytest.mark.parametrize(("back", "said"), [(None, ["uneven_background"]), (14.0, [])])
def test_a_sweep_that_is_as_uneven_behind_the_product_s_other_views_is_its_framing(back, said):
    """A small bag photographed from nearer, before more of the fall-off, shows it in its back as well; a lamp that fell over does not."""
    frames = _front(background_spread=15.0)
    sku = frames.loc[frames["file"] == FRONT, "sku"].item()
    if back is not None:
        frames.loc[(frames["sku"] == sku) & (frames["view"] == "back"), "background_spread"] = back
    assert _found(frames) == said


def _borders(frames, ramps, table=()):
    """Sketches whose 16 border regions have L* 80, a ramp from side to side (L* in all) of some files, and a lighter table in view in others."""
    column = np.array([0, 1, 2, 3, 4, 4, 4, 4, 4, 3, 2, 1, 0, 0, 0, 0]) / 4 - 0.5
    below = np.isin(np.arange(16), [8, 9, 10, 11, 12])
    rng = np.random.default_rng(8)
    borders = {file: 80 + ramps.get(file, 0.0) * column + 15.0 * below * (file in table) + rng.normal(0, 0.2, 16) for file in frames["file"]}
    return {file: {"backdrop": np.column_stack([values, np.zeros((16, 2))])} for file, values in borders.items()}


@pytest.mark.parametrize("ramp", [-6.0, -2.0, 2.0, 6.0])
def test_a_sweep_lighter_towards_one_side_than_the_set_s_is_uneven(ramp):
    """Lighter by 6 L* towards one side where nothing tells of it in the spread, as the set's own fall-off runs against it; 2 are within tolerance."""
    frames = clean_frames(products=12, seed=3)
    evidence = evidence_of(frames, load_brief(), "originals", sketches=_borders(frames, {FRONT: ramp}))
    found = find(evidence)[0]
    found = found[found["check"] == "uneven_background"]
    assert list(found["file"]) == ([FRONT] if abs(ramp) > 3 else [])
    assert all(("right" if ramp > 0 else "left") in note for note in found["note"])
    assert all(f" {row['value']:.1f} L* lighter" in row["note"] and row["expected"] == 0 for row in found.to_dict("records")), "the sentence says what the table does"


def test_a_border_that_is_product_is_no_uneven_light():
    """A close-up has no background (`measures.applicability`); the border of its sketch is the product's own surface."""
    frames = _front(background_L=None)
    evidence = evidence_of(frames, load_brief(), "originals", sketches=_borders(frames, {FRONT: 9.0}))
    assert "uneven_background" not in set(find(evidence)[0]["check"])


@pytest.mark.parametrize(("ramp", "said"), [(0.0, []), (9.0, [FRONT])])
def test_a_table_that_comes_into_view_is_no_uneven_light(ramp, said):
    """A tenth of the pictures shows the table's edge below; what a lamp does is seen where all show the same wall."""
    frames = clean_frames(products=12, seed=3)
    frames.loc[frames["file"] == FRONT, "background_spread"] = 15.0
    table = {FRONT, *frames["file"].iloc[::10]}
    evidence = evidence_of(frames, load_brief(), "originals", sketches=_borders(frames, {FRONT: ramp}, table))
    found = find(evidence)[0]
    assert list(found.loc[found["check"] == "uneven_background", "file"]) == said


@pytest.mark.parametrize(("ramp", "said"), [(0.0, []), (6.0, [FRONT])])
def test_a_table_that_was_told_in_all_pictures_but_one_is_no_uneven_light(ramp, said):
    """Where the table's edge lies in shadow, table and wall pass for one surface; a lamp from one side tells of itself all the same."""
    frames = clean_frames(products=12, seed=3)
    frames.loc[frames["file"] == FRONT, "background_spread"] = 15.0
    sketches = _borders(frames, {FRONT: ramp}, {FRONT})
    for file, sketch in sketches.items():
        if file != FRONT:
            sketch["table"] = np.float32((0.7, 0.7))
    found = find(evidence_of(frames, load_brief(), "originals", sketches=sketches))[0]
    assert list(found.loc[found["check"] == "uneven_background", "file"]) == said


@pytest.mark.parametrize(("own", "off"), [((0.905, 1.095), True), ((0.98, 1.02), False)])
def test_a_cast_that_a_vivid_colour_swallows_is_judged_as_it_shows_on_a_grey(own, off):
    """A blue bag whose front alone was cooled by a tenth: its blue moves by less than the tolerance, a grey buckle by far more."""
    palette = np.array([(56.0, -6.0, -27.0, 1.0)], np.float32)
    files = [f"S_{view}.jpg" for view in ("front", "back", "three_quarter")]
    rows = [
        {"file": file, "sku": "S", "view": file[2:-4], "view_kind": "upright", "status": "measured"} for file in files
    ]
    frames, gains = table_from_rows("frames", rows), np.ones((3, 2))
    only = gains.copy()
    only[frames["file"] == files[0]] = own
    shown = product_colour_deviation(frames, {file: {"palette": palette} for file in files}, gains, only)
    assert (shown[frames["file"] == files[0]] > 3).item() == off
    assert shown[frames["file"] != files[0]].max() < 0.5


@pytest.mark.parametrize(("wall", "said"), [(0.5, []), (5.0, ["white_balance"])])
def test_more_of_a_warm_table_below_a_wall_is_no_cast(wall, said):
    """The mean of the background is off by CIEDE2000 3, as a warm table fills its lower half; the wall above tells whether the light is."""
    frames = clean_frames(products=12, seed=3)
    here = frames["file"] == FRONT
    frames.loc[here, ["wb_dev", "wb_dev_sd", "wb_gain_r", "wb_gain_b"]] = 3.0, 0.1, 0.98, 1.06
    table = {FRONT, *frames["file"].iloc[::10]}
    sketches = _borders(frames, {}, table)
    below = np.isin(np.arange(16), [8, 9, 10, 11, 12])
    for file, sketch in sketches.items():
        sketch["backdrop"][:, 2] = 6.0 * below * (file in table) + wall * (file == FRONT)
    found = find(evidence_of(frames, load_brief(), "originals", sketches=sketches))[0]
    assert list(found.loc[found["file"] == FRONT, "check"]) == said

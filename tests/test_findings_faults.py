"""Every check finds its own fault, says it once, and leaves the neighbours alone."""

import numpy as np
import pandas as pd
import pytest

from catalogue_audit import schema
from catalogue_audit.delivery.brief import load_brief, parse_brief
from catalogue_audit.delivery.names import read_names
from catalogue_audit.findings import framing
from catalogue_audit.findings.judge import JUDGES, find
from making_evidence import changed, clean_frames, evidence_of

FRONT, BACK, ANGLED, DETAIL = (f"NB-104_{view}.jpg" for view in ("front", "back", "three_quarter", "detail"))
SEED = 11


@pytest.fixture(scope="module")
def frames():
    return clean_frames(products=20, seed=SEED)


@pytest.fixture(scope="module")
def finals():
    return clean_frames(products=20, seed=SEED, stage="finals")


def judged(frames, stage="originals", brief=None, **given):
    return find(evidence_of(frames, brief or load_brief(), stage, **given))[0]


def only(findings, check):
    """The one finding there is, which must be of this check."""
    assert list(findings["check"]) == [check], list(findings["note"])
    return findings.iloc[0]


def test_the_steady_set_that_faults_are_put_into_has_no_finding(frames, finals):
    assert judged(frames).empty
    assert judged(finals, "finals").empty


def test_every_check_has_a_judge():
    assert {check for check, _ in JUDGES} == set(schema.CHECKS)


# One measured quantity a row: file, columns, check, remedy.
SINGLE = [
    (ANGLED, {"yaw_deg": 37.5, "yaw_dev_deg": 6.5}, "angle", "reshoot"),
    (ANGLED, {"camera_pitch_deg": 7.5, "pitch_dev_deg": 3.5}, "camera_height", "reshoot"),
    (FRONT, {"roll_deg": 1.3}, "roll", "retouch"),
    (BACK, {"roll_deg": -1.3}, "roll", "retouch"),
    (FRONT, {"lean_deg": 4.8}, "lean", "reshoot"),
    (FRONT, {"handle_gap": 0.07}, "handles", "reshoot"),
    (BACK, {"strap_state": "draped"}, "strap", "reshoot"),
    (FRONT, {"strap_state": "none"}, "strap", "reshoot"),
    (FRONT, {"scale_dev": 0.09}, "scale", "retouch"),
    (FRONT, {"scale_dev": -0.30}, "scale", "reshoot"),
    (FRONT, {"centre_dev_x": -0.035}, "centring", "retouch"),
    (FRONT, {"centre_dev_y": 0.035}, "centring", "retouch"),
    (FRONT, {"touches": "left bottom"}, "cut_off", "reshoot"),
    (DETAIL, {"wb_dev": 3.2}, "white_balance", "retouch"),
    (FRONT, {"exposure_dev_ev": 0.25}, "exposure", "retouch"),
    (FRONT, {"exposure_dev_ev": 0.8, "clipped_high": 0.08}, "exposure", "reshoot"),
    (FRONT, {"background_L": 88.0, "background_dev_ev": -0.2}, "background", "retouch"),
    (FRONT, {"background_spread": 8.0}, "uneven_background", "retouch"),
    (FRONT, {"shadow_kind": "none"}, "shadow", "retouch"),
    (DETAIL, {"clipped_high": 0.04}, "clipping", "retouch"),  # its front has 0.2 %, all of which a detail may show
    (FRONT, {"clipped_low": 0.03}, "clipping", "retouch"),
    (FRONT, {"blur_px": 1.75}, "focus", "reshoot"),
    (FRONT, {"motion_px": 8.0, "motion_direction_deg": 90, "blur_px": 1.9}, "motion_blur", "reshoot"),
    (FRONT, {"motion_px": 8.0, "motion_direction_deg": 90}, "motion_blur", "reshoot"),
    (FRONT, {"motion_px": 9.0, "motion_direction_deg": 90, "blur_px": 2.3}, "motion_blur", "reshoot"),  # most of the blur, if not all
    (FRONT, {"motion_px": 5.0, "motion_direction_deg": 90, "blur_px": 2.3}, "focus", "reshoot"),  # a fifth of its variance
    (FRONT, {"noise": 2.6}, "noise", "check"),
    (FRONT, {"specks": 12}, "product_specks", "retouch"),
    (FRONT, {"sensor_spots": 2}, "sensor_spots", "retouch"),
    (FRONT, {"focal_length_mm": 70.0, "focal_length_35mm": 70.0}, "focal_length", "reshoot"),
    (FRONT, {"width_px": 1200, "height_px": 1500}, "file_spec", "re-export"),
    (FRONT, {"format": "PNG"}, "file_spec", "re-export"),
    (FRONT, {"colour_profile": "Adobe RGB (1998)"}, "colour_profile", "re-export"),
    (FRONT, {"colour_profile": "none"}, "colour_profile", "re-export"),
    (FRONT, {"colour_profile": "untagged CMYK"}, "colour_profile", "re-export"),
    (FRONT, {"jpeg_quality": 60.0}, "jpeg_quality", "re-export"),
    (FRONT, {"jpeg_quality": 76.0}, "jpeg_quality", "re-export"),
    (FRONT, {"resolved": 0.4}, "upscaled", "re-export"),
    (FRONT, {"captured_at": None, "ev100": None}, "metadata", "check"),
    (FRONT, {"status": "not_measured", "reason": "the file ends in the middle of the picture"}, "unreadable_file", "supply"),
]  # fmt: skip


@pytest.mark.parametrize(("file", "values", "check", "remedy"), SINGLE)
def test_one_fault_gives_one_finding_of_its_check_on_its_file(frames, file, values, check, remedy):
    row = only(judged(changed(frames, file, **values)), check)
    assert row["file"] == file
    assert row["remedy"] == remedy
    assert row["sku"] == "NB-104"
    assert "NB-104" in row["note"] and row["note"].endswith(".") and "\n" not in row["note"]


def test_specks_on_a_product_that_shows_some_in_every_picture_have_to_stand_out_of_their_scatter(frames):
    """Nine normal ones scatter by three, so seven more are chance; Poisson (1837): a count's variance is its mean."""
    speckled = frames.assign(specks=np.where(frames["sku"] == "NB-104", 9, frames["specks"]))
    assert judged(changed(speckled, FRONT, specks=16)).empty
    assert only(judged(changed(speckled, FRONT, specks=20)), "product_specks")["expected"] == 9


def test_pits_that_a_style_shows_in_one_view_are_the_materials(frames):
    """Common practice, no source: dust lies on one sample, a speckled material on all of a style."""
    of_style = frames["style"] == frames.loc[frames["sku"] == "NB-104", "style"].iloc[0]
    pitted = frames.assign(specks=frames["specks"].mask(of_style & (frames["view"] == "detail"), 11))
    assert judged(changed(pitted, DETAIL, specks=13)).empty
    assert only(judged(changed(frames, DETAIL, specks=13)), "product_specks")["sku"] == "NB-104"


def test_a_detail_needs_twice_as_many_specks(frames):
    """Glints and pits of a material seen close are as large as dust is in a whole view."""
    assert judged(changed(frames, DETAIL, specks=9)).empty
    assert only(judged(changed(frames, DETAIL, specks=14)), "product_specks")["value"] == 14
    assert only(judged(changed(frames, FRONT, specks=9)), "product_specks")["value"] == 9


def test_a_view_that_one_picture_shows_alone_is_not_its_own_measure_of_specks(frames):
    found = judged(changed(changed(frames, FRONT, specks=12), FRONT, view="side"))
    assert found.loc[found["check"] == "product_specks", "expected"].tolist() == [pytest.approx(1, abs=1)]


def test_noise_that_compression_hid_in_most_pictures_is_judged_against_what_it_stays_under(frames):
    frames = frames.assign(noise=np.nan, noise_below=0.9)
    row = only(judged(changed(frames, FRONT, noise=2.6, noise_below=None)), "noise")
    assert row["value"] == pytest.approx(2.6 / 0.9, abs=0.01) and "at least" in row["note"]
    assert judged(changed(frames, FRONT, noise=1.7, noise_below=None)).empty
    assert judged(frames).empty


def test_an_outline_a_part_of_which_may_be_ground_tells_neither_size_nor_place_but_light(frames):
    faults = {"scale_dev": 0.09, "centre_dev_y": 0.05, "exposure_dev_ev": 0.4}
    unsure = judged(changed(frames, FRONT, outline_confidence=0.6, **faults))
    assert list(unsure["check"]) == ["exposure"]
    assert {"scale", "centring", "exposure"} <= set(judged(changed(frames, FRONT, outline_confidence=0.9, **faults))["check"])


def test_noise_in_a_dark_tone_is_allowed_what_the_tone_curve_makes_of_it(frames):
    """
    sRGB (IEC 61966-2-1): the slope at L* 26 (4.7 % of the light) is (0.0475 / 0.532)^(1/2.4 - 1) = 4.1 times that at L* 78 (53 %).

    The noise itself is sqrt((0.0475 + 0.02) / (0.532 + 0.02)) = 0.35 times as much light there, photons' and sensor's (EMVA 1288): 1.43 times in code values.
    """
    frames = frames.assign(noise=0.5, background_L=78.0)
    dark = changed(frames, FRONT, noise=0.5 * 2.0 * 1.4, background_L=26.0)
    assert judged(dark)["check"].ne("noise").all()
    row = judged(changed(frames, FRONT, noise=0.5 * 2.0 * 1.5, background_L=26.0)).set_index("check").loc["noise"]
    assert row["value"] == pytest.approx(2.1, abs=0.03)
    assert only(judged(changed(frames, DETAIL, noise=1.1)), "noise")["value"] == pytest.approx(2.2)


def test_noise_of_a_crop_without_a_sure_background_is_allowed_what_a_middle_grey_is(frames):
    """sRGB: the slope at L* 49.5 (18 % of the light) is (0.18 / 0.819)^(1/2.4 - 1) = 2.42 times that at L* 92.5 (81.9 %), of sqrt(0.20 / 0.839) = 0.49 times the noise; 1.5 times that for the cloth's own grain."""
    frames = frames.assign(noise=0.5, background_L=92.5)
    crop = {"background_L": None, "product_L": None}
    assert judged(changed(frames, DETAIL, noise=0.5 * 3.0 * 1.15, **crop)).empty
    assert judged(changed(frames, DETAIL, noise=0.5 * 3.0 * 1.15, **crop | {"background_L": 50.0})).empty
    assert only(judged(changed(frames, DETAIL, noise=0.5 * 3.0 * 1.3, **crop)), "noise")["value"] == pytest.approx(1.3 * 3.0 / 1.18, abs=0.03)


def test_noise_left_in_enough_pictures_says_what_is_usual_where_compression_hid_more_of_it_in_the_rest(frames):
    """What stays hidden says only that it is below its limit, 1.2 here; the pictures that show theirs have 0.7."""
    left = np.arange(len(frames)) % 8 == 3
    frames = frames.assign(noise=np.where(left, 0.7, np.nan), noise_below=np.where(left, np.nan, 1.2))
    noisy = changed(frames, FRONT, noise=1.6, noise_below=None)
    assert only(judged(noisy), "noise")["value"] == pytest.approx(1.6 / 0.7, abs=0.01)
    assert judged(changed(frames, FRONT, noise=1.3, noise_below=None)).empty


def test_an_enlargement_under_a_sharp_mask_is_told_unless_its_inside_is_finer_than_any(finals):
    """Its outline is finer than an enlarged one can be; stripes, whose rhythm passes for one, are fine inside as well."""
    enlarged = {"resolved": 0.42, "blur_px": 0.55}
    assert only(judged(changed(finals, FRONT, **enlarged, fine_detail=0.5), "finals"), "upscaled")["file"] == FRONT
    for fine in (0.95, None):
        assert judged(changed(finals, FRONT, **enlarged, fine_detail=fine), "finals").empty


def test_a_rim_around_a_cut_out_is_found_in_finals_only(frames, finals):
    values = {"rim_px": 3.5, "rim_de": 12.0}
    assert only(judged(changed(finals, FRONT, **values), "finals"), "cutout_edge")["value"] == 3.5
    assert judged(changed(frames, FRONT, **values)).empty


def test_soft_structure_within_a_sharp_outline_is_found_in_finals_only(frames, finals):
    """Of edges, 0.9 px wide as the set's are, fine over coarse is 0.53; of edges 2.2 px wide it is 0.35 (energy of blurred steps)."""
    finals, frames = finals.assign(fine_detail=0.53), frames.assign(fine_detail=0.53)
    found = only(judged(changed(finals, FRONT, fine_detail=0.35), "finals"), "focus")
    assert found["file"] == FRONT and found["value"] == pytest.approx(2.2 / 0.9, rel=0.1)
    assert "outline" in found["note"]
    assert judged(changed(finals, FRONT, fine_detail=0.47), "finals").empty  # 1.2 px
    assert judged(changed(frames, FRONT, fine_detail=0.35)).empty


def test_finals_that_are_not_pure_white_are_found_where_the_majority_is(finals):
    assert only(judged(changed(finals, FRONT, background_L=98.0), "finals"), "background")["expected"] == 100


@pytest.mark.parametrize(("sd", "found"), [(0.45, True), (0.6, False)])
def test_widths_of_edges_scatter_in_proportion_and_blur_is_judged_so(frames, sd, found):
    """1.7 px where 0.6 are usual: its logarithm is off by 1.04, known to 0.26 or to 0.35."""
    soft = changed(frames.assign(blur_px=0.6), FRONT, blur_px=1.7, blur_sd_px=sd)
    assert ("focus" in set(judged(soft)["check"])) == found


def test_pose_that_finals_cannot_show_is_not_judged_in_finals(finals):
    values = {"lean_deg": 8.0, "camera_pitch_deg": 9.0, "pitch_dev_deg": 5.0, "focal_length_35mm": 50.0, "sensor_spots": 3}
    assert judged(changed(finals, FRONT, **values), "finals").empty


def test_blur_from_twice_the_sets_is_critical(frames):
    assert only(judged(changed(frames, FRONT, blur_px=1.75)), "focus")["severity"] == "major"
    assert only(judged(changed(frames, FRONT, blur_px=2.4)), "focus")["severity"] == "critical"


@pytest.mark.parametrize(("blur", "width", "found"), [(2.8, 1600, True), (1.5, 1600, False), (2.8, 3200, False)])
def test_a_view_that_few_products_have_is_held_against_all_whole_products(frames, blur, width, found):
    """Beside 0.9 px: 3.1 times as wide; 1.7 times, as another distance may make it; and 1.6 times in a picture of twice the pixels."""
    height = round(width * frames["height_px"][0] / frames["width_px"][0])
    rare = changed(frames, FRONT, view="interior", blur_px=blur, blur_sd_px=0.05, width_px=width, height_px=height)
    assert ("focus" in set(judged(rare)["check"])) == found


def test_colour_corrected_in_one_view_and_not_in_another_is_found(frames):
    row = only(judged(changed(frames, BACK, product_colour_dev=5.0)), "product_colour")
    assert row["file"] == BACK and row["value"] == 5.0
    assert "three-quarter and front" in row["note"] or "front and three-quarter" in row["note"]


def test_of_two_views_of_another_colour_one_is_named(frames):
    pair = frames[frames["file"] != ANGLED]
    pair = pair.reset_index(drop=True)
    both = changed(changed(pair, BACK, product_colour_dev=5.0), FRONT, product_colour_dev=5.0)
    findings = judged(both)
    assert sorted(findings["check"]) == ["missing_view", "product_colour"]


def test_a_deviation_within_three_uncertainties_is_no_finding(frames):
    values = {"yaw_deg": 37.5, "yaw_dev_deg": 6.5}
    assert judged(changed(frames, ANGLED, **values, yaw_dev_sd_deg=2.5)).empty
    assert len(judged(changed(frames, ANGLED, **values, yaw_dev_sd_deg=2.0))) == 1


def test_soft_styles_get_the_second_tolerance(frames):
    soft = frames.loc[frames["style"] == "hobo", "sku"].iloc[0]
    file = f"{soft}_front.jpg"
    assert judged(changed(frames, file, roll_deg=1.3)).empty
    assert len(judged(changed(frames, file, roll_deg=2.2))) == 1


def test_a_view_with_two_ways_of_working_is_one_finding_about_the_set(frames):
    two = frames.copy()
    number = two["sku"].str[3:].astype(int)
    second_day = two.index[(two["view"] == "front") & (number >= 110)]  # all styles on both days
    two.loc[second_day, "roll_deg"] = two.loc[second_day, "roll_deg"] + 3.0
    findings = judged(two)
    row = only(findings, "roll")
    assert pd.isna(row["file"]) and row["view"] == "front"
    assert row["value"] - row["expected"] == pytest.approx(3.0, abs=0.3)


@pytest.mark.parametrize(("confidence", "found"), [(0.99, {"cut_off"}), (0.8, set())])
def test_an_outline_that_meets_the_frame_cuts_the_product_only_where_it_is_sure(frames, confidence, found):
    here = changed(frames, FRONT, touches="left right", scale_dev=0.4, centre_dev_x=-0.05, outline_confidence=confidence)
    assert set(judged(here)["check"]) == found


@pytest.mark.parametrize(
    ("both", "how", "found"),
    [
        ((FRONT, ANGLED), {}, set()),  # a handle longer than the set's framing leaves room for
        ((FRONT,), {}, {"cut_off"}),  # in one view alone it is a slip
        ((FRONT, ANGLED), {"centre_dev_y": 0.05}, {"cut_off"}),  # and so it is where the camera looked elsewhere
        ((FRONT, ANGLED), {"scale_dev": 0.08}, {"cut_off"}),  # or came too close
    ],
)
def test_a_product_too_large_for_the_sets_framing_is_not_called_cut_off(frames, both, how, found):
    here = frames
    for file in both:
        here = changed(here, file, touches="top", **({"scale_dev": 0.0, "centre_dev_x": 0.0, "centre_dev_y": 0.0} | how))
    assert set(judged(here)["check"]) == found


def test_a_strap_in_another_state_does_not_turn_the_body(frames):
    here = changed(frames, FRONT, strap_state="none", roll_deg=1.5)
    assert set(judged(here)["check"]) == {"strap", "roll"}


def test_a_style_whose_pictures_all_stand_far_off_is_told_once(frames):
    style = frames["sku"].isin(["NB-104", "NB-109"]) & (frames["view"] != "detail")
    far = frames.assign(style=np.where(frames["sku"].isin(["NB-104", "NB-109"]), "barrel", frames["style"]))
    far = far.assign(sku=far["sku"].replace({"NB-109": "NB-104-B"}))
    far.loc[style, ["centre_dy", "baseline"]] += 0.12
    found = [row for row in framing.centring(evidence_of(far, load_brief(), "originals"))]
    assert [(row["severity"], row["remedy"]) for row in found] == [("minor", "check")]
    assert found[0]["value"] == pytest.approx(0.12, abs=0.02)


def test_what_nearly_every_file_lacks_is_one_finding_about_the_delivery(frames):
    compressed = frames.assign(jpeg_quality=60.0)
    row = only(judged(compressed), "jpeg_quality")
    assert pd.isna(row["file"]) and row["severity"] == "major"


def test_straight_on_pictures_tilted_as_a_whole_are_one_finding_about_the_view(frames):
    tilted = frames.copy()
    fronts = tilted["view"] == "front"
    tilted.loc[fronts, "roll_deg"] = tilted.loc[fronts, "roll_deg"] + 1.6
    row = only(judged(tilted), "roll")
    assert pd.isna(row["file"]) and row["value"] == pytest.approx(1.6, abs=0.2)


def test_a_copy_in_another_size_is_a_duplicate_and_not_also_off_the_specification(frames):
    pairs = pd.DataFrame({"file_a": [BACK], "file_b": [FRONT], "kind": ["resized"]})
    small = changed(frames, FRONT, width_px=800, height_px=1000, resolved=0.4, jpeg_quality=60)
    findings = judged(small, pairs=pairs)
    assert list(findings["check"]) == ["near_duplicate"] * 2
    assert set(findings["file"]) == {FRONT, BACK}
    assert all(other in note for other, note in zip((FRONT, BACK), findings["note"], strict=True))


@pytest.mark.parametrize(("unnamed", "due"), [({"view": None}, 2), ({"view": None, "sku": None}, 0)])
def test_a_copy_whose_name_tells_the_product_alone_is_a_duplicate_and_a_stray_one_is_not(frames, unnamed, due):
    """A stray file is said as unexpected; a numbered picture too many is one, and a copy besides."""
    pairs = pd.DataFrame({"file_a": [BACK], "file_b": [FRONT], "kind": ["re_export"]})
    found = judged(changed(frames, BACK, **unnamed), pairs=pairs)
    assert found["check"].eq("near_duplicate").sum() == due
    assert BACK in set(found.loc[found["check"] == "unexpected_file", "file"])


@pytest.mark.parametrize(("wrong", "told"), [("NB-104_front.jpg", []), ("NB-107_front.jpg", ["NB-104_front.jpg"])])
def test_an_enlarged_file_is_told_where_its_sharp_copy_lies_under_another_product(frames, wrong, told):
    """The sharp copy goes, the enlarged one stays and has to be exported again; a copy that goes itself needs no mending."""
    pairs = pd.DataFrame({"file_a": ["NB-104_front.jpg"], "file_b": ["NB-107_front.jpg"], "kind": ["re_export"]})
    misfiled = pd.DataFrame(
        {"file": [wrong], "claimed_sku": wrong[:6], "likely_sku": "NB-105", "kind": "wrong_product", "score": 0.9, "cause": "", "evidence": ""}
    )
    found = judged(changed(frames, "NB-104_front.jpg", resolved=0.4), pairs=pairs, misfiled=misfiled)
    assert found.loc[found["check"] == "upscaled", "file"].tolist() == told
    assert found["check"].eq("near_duplicate").sum() == 2


@pytest.mark.parametrize(("kind", "likely", "due"), [
    ("perhaps_again", "NB-107", 0), ("perhaps_again", "NB-105", 2), ("taken_again", "NB-107", 2), ("re_export", "NB-107", 2), ("re_cropped", "NB-107", 2)
])  # fmt: skip
@pytest.mark.parametrize("wrong", ["wrong_product", "wrong_detail"])
def test_a_second_frame_filed_under_another_product_is_one_thing_to_mend(frames, kind, likely, due, wrong):
    """Its new name mends it, and the first frame is right; a copy is a duplicate wherever it is filed."""
    pairs = pd.DataFrame({"file_a": ["NB-104_front.jpg"], "file_b": ["NB-107_front.jpg"], "kind": [kind]})
    misfiled = pd.DataFrame(
        {"file": ["NB-104_front.jpg"], "claimed_sku": "NB-104", "likely_sku": likely, "kind": wrong, "score": 1.2, "cause": "", "evidence": ""}
    )
    found = judged(frames, pairs=pairs, misfiled=misfiled)
    assert found["check"].eq("near_duplicate").sum() == due
    assert found.loc[found["check"] == wrong, "file"].tolist() == ["NB-104_front.jpg"]
    assert due or "NB-107_front.jpg" not in set(found["file"])


@pytest.mark.parametrize(("lack", "due"), [(1, 0), (None, 1)])
def test_a_file_of_no_product_need_not_be_as_the_others_are_unless_hardly_any_has_one(frames, lack, due):
    """What is told of it is its name; where no name tells a product, the files are the delivery."""
    stray = changed(frames, FRONT, colour_profile="none", captured_at=None)
    nameless = [FRONT] if lack else stray["file"].tolist()
    stray["sku"] = stray["sku"].mask(stray["file"].isin(nameless))
    found = judged(stray)
    of_stray = found[found["file"] == FRONT]
    assert of_stray["check"].isin(["colour_profile", "metadata"]).sum() >= due
    assert due or not of_stray["check"].isin(["colour_profile", "metadata"]).any()
    assert "unexpected_file" in set(found["check"])


@pytest.mark.parametrize("kind", ["same_bytes", "same_pixels", "re_export", "resized"])
def test_a_fault_of_a_copied_frame_is_said_once_and_names_the_copy(frames, kind):
    dark = changed(changed(frames, FRONT, exposure_dev_ev=-0.4), BACK, exposure_dev_ev=-0.4)
    found = judged(dark, pairs=pd.DataFrame({"file_a": [BACK], "file_b": [FRONT], "kind": [kind]}))
    told = found[found["check"] == "exposure"]
    assert told["file"].tolist() == [BACK] and FRONT in told["note"].iloc[0]
    assert sorted(found.loc[found["check"].str.endswith("_duplicate"), "file"]) == sorted([BACK, FRONT])


@pytest.mark.parametrize("kind", ["re_cropped", "mirrored", "taken_again", "perhaps_again"])
def test_a_fault_of_two_crops_or_frames_of_one_scene_is_said_of_each(frames, kind):
    dark = changed(changed(frames, FRONT, exposure_dev_ev=-0.4), BACK, exposure_dev_ev=-0.4)
    found = judged(dark, pairs=pd.DataFrame({"file_a": [BACK], "file_b": [FRONT], "kind": [kind]}))
    assert sorted(found.loc[found["check"] == "exposure", "file"]) == sorted([BACK, FRONT])
    assert not found["note"].str.contains("holds for").any()


def test_a_fault_of_one_copy_alone_is_said_of_it(frames):
    """Two exports of one frame in other light: the second's fault is not the first's."""
    found = judged(changed(frames, FRONT, exposure_dev_ev=-0.4), pairs=pd.DataFrame({"file_a": [BACK], "file_b": [FRONT], "kind": ["re_export"]}))
    assert found.loc[found["check"] == "exposure", "file"].tolist() == [FRONT]


@pytest.mark.parametrize("kind", ["rendition", "burst", "round", "shared_lining", "recoloured"])
def test_legitimate_sameness_is_no_finding(frames, kind):
    assert judged(frames, pairs=pd.DataFrame({"file_a": [BACK], "file_b": [FRONT], "kind": [kind]})).empty


@pytest.mark.parametrize(("kind", "check"), [("wrong_product", "wrong_product"), ("swapped_views", "swapped_views")])
def test_a_misfiled_picture_is_critical_and_explains_its_own_pose_and_colour(frames, kind, check):
    misfiled = pd.DataFrame(
        {"file": [FRONT], "claimed_sku": "NB-104", "likely_sku": "NB-107", "likely_view": None, "kind": kind, "score": 0.9, "cause": "", "evidence": ""}
    )
    odd = changed(frames, FRONT, scale_dev=0.2, product_colour_dev=9.0, handle_gap=0.2)
    row = only(judged(odd, misfiled=misfiled), check)
    assert row["severity"] == "critical" and row["remedy"] == "rename"


@pytest.mark.parametrize(
    ("kind", "likely", "said"),
    [("swapped_views", "NB-104", True), ("wrong_product", "NB-107", True), ("wrong_detail", "NB-107", True), ("wrong_product", "", False)],
)
def test_a_misfiled_picture_keeps_its_own_light_where_it_is_known_what_it_shows(frames, kind, likely, said):
    misfiled = pd.DataFrame({"file": [FRONT], "claimed_sku": "NB-104", "likely_sku": likely, "likely_view": None, "kind": kind, "score": 0.9, "cause": "", "evidence": ""})
    found = judged(changed(frames, FRONT, exposure_dev_ev=-0.4), misfiled=misfiled)
    assert sorted(found["check"]) == sorted([kind] + ["exposure"] * said)


@pytest.mark.parametrize(("likely", "said"), [("back", True), ("three_quarter", False)])
def test_a_front_named_as_the_back_is_square_or_turned_all_the_same(frames, likely, said):
    misfiled = pd.DataFrame(
        {"file": [FRONT], "claimed_sku": "NB-104", "likely_sku": "NB-104", "likely_view": likely, "kind": "swapped_views", "score": 0.9, "cause": "", "evidence": ""}
    )
    found = judged(changed(frames, FRONT, yaw_dev_deg=9.0, scale_dev=0.2), misfiled=misfiled)
    assert sorted(found["check"]) == ["angle"] * said + ["swapped_views"]


def test_a_camera_too_high_is_not_also_a_turn_or_a_raised_handle(frames):
    odd = changed(frames, ANGLED, camera_pitch_deg=9.0, pitch_dev_deg=5.0, yaw_dev_deg=4.5, handle_gap=0.06)
    assert only(judged(odd), "camera_height")["file"] == ANGLED


def test_a_leaning_product_is_not_also_a_raised_handle(frames):
    odd = changed(frames, FRONT, lean_deg=6.0, handle_gap=0.06)
    assert only(judged(odd), "lean")["file"] == FRONT


def test_a_name_that_says_nothing_is_unexpected_with_the_nearest_suggestion(frames):
    brief = load_brief()
    renamed = frames.copy()
    at = renamed.index[renamed["file"] == FRONT]
    renamed.loc[at, "file"] = "NB-104_frnot.jpg"
    renamed.loc[at, ["sku", "view"]] = None
    renamed = renamed.sort_values("file", ignore_index=True)
    names = read_names(renamed["file"], brief, list(renamed["sku"].dropna().unique()))
    findings = judged(renamed, names=tuple(names))
    assert set(findings["check"]) == {"missing_view", "unexpected_file"}
    assert (findings["severity"] == "critical").sum() == 1


def test_checks_that_the_brief_skips_are_not_made(frames):
    brief = parse_brief('[checks]\nskip = ["roll"]\n')
    assert judged(changed(frames, FRONT, roll_deg=3.0), brief=brief).empty


def test_the_briefs_reference_decides_whatever_the_others_do(frames):
    brief = parse_brief("[reference.views.three_quarter]\nroll_deg = 3.0\n")
    row = only(judged(frames, brief=brief), "roll")
    assert pd.isna(row["file"]) and row["view"] == "three_quarter" and row["expected"] == 3.0


def test_the_briefs_tolerance_replaces_the_default(frames):
    brief = parse_brief("[tolerance]\nroll = 2.0\n")
    assert judged(changed(frames, FRONT, roll_deg=1.3), brief=brief).empty


def test_the_briefs_specification_is_judged_absolutely(frames):
    brief = parse_brief('[file_spec]\nwidth_px = 1600\ncolour_profile = "sRGB"\njpeg_quality_min = 80\naspect = "4:5"\n')
    assert judged(frames, brief=brief).empty
    wide = changed(frames, FRONT, width_px=1620)
    row = only(judged(wide, brief=brief), "file_spec")
    assert (row["value"], row["expected"], row["unit"]) == (1620, 1600, "px")


def test_a_picture_without_any_measure_does_not_disturb_the_judgement(frames):
    empty = frames.copy()
    measured = [column.name for column in schema.FRAME_COLUMNS if column.type == "number"]
    empty.loc[empty["file"] == FRONT, measured] = np.nan
    findings = judged(changed(empty, FRONT, status="not_measured", reason="truncated"))
    assert only(findings, "unreadable_file")["severity"] == "critical"


def test_an_empty_delivery_gives_empty_tables_of_the_right_columns(frames):
    findings, marks = find(evidence_of(frames.iloc[:0], load_brief(), products=None))
    assert findings.empty and list(findings.columns)[: len(schema.FINDING_COLUMNS)] == schema.column_names("findings")
    assert marks.empty


def test_the_briefs_focal_length_is_that_of_whole_products_and_not_of_details(frames):
    brief = parse_brief("[reference]\nfocal_length_35mm = 85.0\n")
    details = frames["view"] == "detail"
    longer = frames.assign(focal_length_35mm=frames["focal_length_35mm"].mask(details, 135.0))
    assert judged(longer, brief=brief).empty
    row = only(judged(changed(longer, FRONT, focal_length_35mm=100.0), brief=brief), "focal_length")
    assert row["expected"] == 85.0


def test_numbered_pictures_of_no_known_view_are_compared_with_their_own_number():
    frames = clean_frames()
    number = frames.groupby("sku").cumcount() + 1
    named = frames["sku"] + "_" + number.map("{:02d}.jpg".format)
    size = np.where(number == number.max(), 800, 720)
    numbered = frames.assign(file=named, view=None, view_kind="other", width_px=size, height_px=900)
    assert not (judged(numbered)["check"] == "file_spec").any()  # every product's last picture is a detail of its own size
    numbered.loc[0, "width_px"] = 500
    assert list(judged(numbered).query("check == 'file_spec'")["file"]) == [numbered.loc[0, "file"]]


def test_no_gain_is_promised_where_the_corrections_give_none(frames, finals):
    warm = {"wb_dev": 5.0, "wb_gain_r": 0.92, "wb_gain_b": 1.09}
    assert "linear gains of 0.920 red and 1.090 blue" in only(judged(changed(frames, FRONT, **warm)), "white_balance")["note"]
    clipped = only(judged(changed(frames, FRONT, background_clipped=0.3, **warm)), "white_balance")
    assert clipped["note"].endswith("correct its white balance from the raw file, as the background is clipped here.")
    assert "gains" not in only(judged(changed(finals, FRONT, **warm), stage="finals"), "white_balance")["note"]


def test_a_photograph_that_was_delivered_twice_shows_its_strap_once(frames):
    odd = changed(frames, FRONT, strap_state="none", duplicate_group=1)
    copy = odd[odd["file"] == FRONT].assign(file="NB-104_front_2.jpg", position=2)
    told = judged(pd.concat([odd, copy]).sort_values("file", ignore_index=True))
    assert told.loc[told["check"] == "strap", "file"].tolist() == [FRONT]
    apart = judged(pd.concat([odd, copy.assign(duplicate_group=2)]).sort_values("file", ignore_index=True))
    assert apart.loc[apart["check"] == "strap", "file"].tolist() == [FRONT, "NB-104_front_2.jpg"]  # two photographs, and both to be taken again


@pytest.mark.parametrize(("likely", "found"), [("front", 1), (None, 0)])
def test_front_and_back_under_each_others_names_still_say_how_the_strap_lies(frames, likely, found):
    """The turned view shows it held up, both others beside the bag; of pictures of another product they would say nothing."""
    odd = frames
    for file, state in ((FRONT, "coiled"), (BACK, "coiled"), (ANGLED, "held_up")):
        odd = changed(odd, file, strap_state=state)
    odd = odd.assign(style=odd["style"].mask(odd["sku"] == "NB-104", "one of its kind"))
    views = {FRONT: "back", BACK: "front"} if likely else {FRONT: None, BACK: None}
    kind = "swapped_views" if likely else "wrong_product"
    misfiled = pd.DataFrame({"file": [FRONT, BACK], "claimed_sku": "NB-104", "likely_sku": "NB-104", "likely_view": list(views.values()), "kind": kind, "score": 0.9, "cause": "", "evidence": ""})
    told = judged(odd, misfiled=misfiled)
    assert told.loc[told["check"] == "strap", "file"].tolist() == [ANGLED] * found

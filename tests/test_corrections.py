"""Corrections, proven by applying them in linear light and measuring again."""

import making
import numpy as np
import pandas as pd
import pytest
from catalogue_audit.findings.corrections import apply_correction, corrections
from catalogue_audit.measures.geometry.roll import roll_facts
from catalogue_audit.measures.geometry.turn import turn_facts
from catalogue_audit.measures.photometry.background import background_facts
from catalogue_audit.measures.photometry.light import product_light_facts
from catalogue_audit.measures.segmentation.backdrop import fit_backdrop
from catalogue_audit.measures.segmentation.outline import find_outline
from catalogue_audit.pixels.colour import ciede2000, lab_from_linear
from catalogue_audit.statistics.geometry.stances import stances
from catalogue_audit.statistics.photometry.light import light_deviations
from catalogue_audit.statistics.tables import table_from_rows
from light_scenes import backdrop_of, bag, outline_of, picture_of, rounded_code, to_code, to_linear, working_mask
from making_projected import Solid, View, photographed

BODIES = ((120, 70, 55), (60, 90, 130), (190, 185, 170), (150, 40, 60), (75, 80, 70))
VIEWS = ("front", "back", "three_quarter")


def _shot(body, background=215.0, size=(340, 420)):
    """Linear light and mask of one painted shot."""
    code, mask = bag(size, background=background, body=tuple(float(c) for c in body), supersample=2)
    return to_linear(code), mask


def _measured(linear, mask, seed=0):
    """Facts and sketch of linear light, as 8-bit sRGB."""
    noise = 0.7 * np.random.default_rng(seed).standard_normal(linear.shape)
    picture = picture_of(rounded_code(to_code(np.clip(linear, 0, 1)) + noise))
    outline = outline_of(working_mask(mask, picture))
    level = np.median(picture.lab[~outline.mask], axis=0)
    background = background_facts(picture, backdrop_of(picture, level), outline)
    product = product_light_facts(picture, outline)
    sketch = background.pop("sketch", {}) | {"palette": product.pop("palette"), "tones": product.pop("tones")}
    height, width = linear.shape[:2]
    whole = {"view_kind": "upright", "status": "measured", "origin": "original", "width_px": width, "height_px": height}
    return background | product | whole, sketch


def _delivery(measured):
    """Frames and sketches of (sku, view, facts, sketch)."""
    exif = {"f_number": 8.0, "iso": 100, "exposure_time_s": 0.008, "captured_at": "2025-03-01T10:00:00"}
    rows, sketches = [], {}
    for sku, view, facts, sketch in measured:
        rows.append(facts | exif | {"file": f"{sku}_{view}.jpg", "sku": sku, "view": view})
        sketches[rows[-1]["file"]] = sketch
    return table_from_rows("frames", rows), sketches


def _with_light(frames, sketches):
    found = light_deviations(frames, sketches, None)
    return frames.assign(**{name: found[name] for name in found})


def _found(file, *checks):
    return pd.DataFrame([{"file": file, "check": check} for check in checks])


@pytest.fixture(scope="module")
def steady():
    """Linear light and mask by product, and the whole delivery as measured."""
    shots = [_shot(body) for body in BODIES]
    measured = [
        (f"S{k}", view, *_measured(*shot, 3 * k + number)) for k, shot in enumerate(shots) for number, view in enumerate(VIEWS)
    ]
    return shots, measured


@pytest.mark.parametrize(
    ("gain", "ev"), [((1.08, 1.0, 0.90), 0.0), ((0.93, 1.0, 1.06), 0.2), ((1.0, 1.0, 1.0), -0.45), ((1.04, 1.0, 0.95), -0.2)]
)
def test_a_corrected_frame_measures_like_the_set(steady, gain, ev):
    (linear, mask), measured = steady[0][1], list(steady[1])
    sku, view = measured[4][:2]
    spoiled = np.clip(linear * np.array(gain) * 2.0**ev, 0, 1)
    measured[4] = (sku, view, *_measured(spoiled, mask))
    frames = _with_light(*_delivery(measured))
    file = f"{sku}_{view}.jpg"
    row = corrections(frames, _found(file, "white_balance", "exposure"), None).iloc[0].to_dict()
    corrected = apply_correction(spoiled, row)
    measured[4] = (sku, view, *_measured(corrected, mask))
    again = _with_light(*_delivery(measured)).set_index("file").loc[file]
    assert again["wb_dev"] <= 0.5
    assert abs(again["exposure_dev_ev"]) <= 0.03
    inside = mask & (spoiled < 0.99).all(axis=2)
    residual = ciede2000(lab_from_linear(corrected[inside]), lab_from_linear(linear[inside]))
    assert np.median(residual) <= 0.5


def test_gains_are_those_injected(steady):
    (linear, mask), measured = steady[0][2], list(steady[1])
    measured[7] = (*measured[7][:2], *_measured(linear * np.array([1.07, 1.0, 0.91]), mask))
    row = _with_light(*_delivery(measured)).iloc[7]
    assert 1 / row["wb_gain_r"] == pytest.approx(1.07, rel=0.004)
    assert 1 / row["wb_gain_b"] == pytest.approx(0.91, rel=0.004)


def _one_frame(**values):
    base = {
        "file": "A_front.jpg", "sku": "A", "view": "front", "view_kind": "upright", "status": "measured", "origin": "original",
        "f_number": 8.0, "iso": 100, "exposure_time_s": 0.008, "captured_at": "2025-03-01T10:00:00", "width_px": 1200,
        "height_px": 1600, "backdrop": "white", "white_red": 1.0, "white_blue": 1.0, "white_source": "background",
        "background_red": 0.8, "background_green": 0.8, "background_blue": 0.8, "background_clipped": 0.0, "wb_gain_r": 0.95,
        "wb_gain_b": 1.04, "exposure_dev_ev": 0.3, "exposure_dev_sd_ev": 0.02, "background_dev_ev": 0.3, "clipped_high": 0.0,
        "left": 0.2, "top": 0.3, "right": 0.8, "bottom": 0.9,
    }  # fmt: skip
    return table_from_rows("frames", [base | values])


def test_no_gain_where_the_background_is_clipped():
    row = corrections(_one_frame(background_clipped=0.4), _found("A_front.jpg", "white_balance"), None).iloc[0]
    assert pd.isna(row["gain_r"])
    assert pd.isna(row["exposure_ev"])
    assert "clipped" in row["note"]


def test_no_gain_in_a_finished_picture():
    row = corrections(_one_frame(origin="derived"), _found("A_front.jpg", "exposure"), None).iloc[0]
    assert pd.isna(row["gain_r"])
    assert "tone curve" in row["note"]


def test_a_background_that_moved_alone_gets_levels_and_no_exposure():
    frame = _one_frame(exposure_dev_ev=0.0, background_dev_ev=0.4, background_clipped=0.0)
    row = corrections(frame, _found("A_front.jpg", "background"), None).iloc[0]
    assert pd.isna(row["exposure_ev"])
    assert row["background_from"] == pytest.approx(255 * 0.9063, abs=1)  # IEC 61966-2-1: linear 0.8 is 0.9063 encoded
    assert "only the background" in row["note"]


def test_a_frame_without_findings_has_no_row():
    assert len(corrections(_one_frame(), _found("B.jpg", "exposure"), None)) == 0
    assert len(corrections(_one_frame(), table_from_rows("findings", []), None)) == 0


def test_warmer_light_shifts_by_the_mired_between_both_whites():
    """From 2856 K to 6504 K: 1e6 / 6504 - 1e6 / 2856 = -196.4 mired (definition of the reciprocal megakelvin)."""
    # linear sRGB of CIE illuminant A over D65's white, from the chromaticities of CIE 15
    from catalogue_audit.pixels.colour import xyz_of_xy
    from catalogue_audit.pixels.temperature import LINEAR_TO_XYZ_D65

    red, green, blue = np.linalg.solve(LINEAR_TO_XYZ_D65, xyz_of_xy((0.44758, 0.40745)))
    frame = _one_frame(white_red=red / green, white_blue=blue / green, wb_gain_r=green / red, wb_gain_b=green / blue)
    row = corrections(frame, _found("A_front.jpg", "white_balance"), None).iloc[0]
    assert row["mired_shift"] == pytest.approx(1e6 / 6504 - 1e6 / 2856, abs=1.0)


def test_a_rotation_is_undone_to_a_tenth_of_a_degree():
    import cv2

    code, mask = bag((900, 700), supersample=2)
    turn = cv2.getRotationMatrix2D((349.5, 449.5), -3.2, 1.0)  # OpenCV counts anticlockwise: 3.2 degrees clockwise
    linear = to_linear(code)
    turned = cv2.warpAffine(linear, turn, (700, 900), borderMode=cv2.BORDER_REPLICATE)
    frame = _one_frame(roll_deg=3.2, width_px=700, height_px=900)
    row = corrections(frame, _found("A_front.jpg", "roll"), None).iloc[0].to_dict()
    back = apply_correction(turned, row)

    def slope(picture):  # direction of the base, from the lowest product pixel of each column
        product = picture[..., 1] < 0.4
        columns = np.arange(240, 460)
        base = 899 - np.argmax(product[::-1, columns], axis=0)
        return np.degrees(np.arctan(np.polyfit(columns, base, 1)[0]))

    assert slope(back) == pytest.approx(slope(linear), abs=0.1)
    assert row["rotate_deg"] == -3.2


def _turned_view(picture):
    """Row and sketch of a three-quarter view, as far as its stance is told by them."""
    outline = find_outline(picture, fit_backdrop(picture))
    found = turn_facts(picture, outline, 85.0) | roll_facts(picture, outline, 85.0)
    height, width = picture.encoded.shape[:2]
    row = {"view": "three_quarter", "view_kind": "upright", "style": "", "width_px": width, "height_px": height, "focal_length_35mm": 85.0}
    return row | {name: found.get(name) for name in ("yaw_deg", "camera_pitch_deg")}, found


def test_a_turned_view_is_set_upright_by_its_roll_against_the_others():
    shots = [photographed(Solid(handles=0), View(32.0 + 0.4 * (k % 3), 0.0, 2.4 if k == 2 else 0.05 * (k % 3), 8.0, 85.0), (750, 600), k) for k in range(6)]
    pictures = [picture for picture, _ in shots]

    def stood(pictures):
        told = [_turned_view(picture) for picture in pictures]
        frames = table_from_rows("frames", [row | {"file": f"{k}.jpg"} for k, (row, _) in enumerate(told)])
        return frames, stances(frames, {f"{k}.jpg": sketch for k, (_, sketch) in enumerate(told)})

    frames, before = stood(pictures)
    assert before["roll"][2] == pytest.approx(2.4, abs=0.3)
    row = corrections(frames.assign(roll_dev_deg=before["roll"]), _found("2.jpg", "roll"), None).iloc[0]
    assert row["rotate_deg"] == pytest.approx(-before["roll"][2], abs=0.001)
    pictures[2] = making.picture_of(apply_correction(pictures[2].encoded, row))
    _, after = stood(pictures)
    assert after["roll"][2] == pytest.approx(0.0, abs=0.3)


def test_a_crop_brings_size_and_place_back():
    frame = _one_frame(left=0.25, top=0.35, right=0.85, bottom=0.95, scale_dev=0.1, centre_dev_x=0.05, centre_dev_y=0.04)
    row = corrections(frame, _found("A_front.jpg", "scale", "centring"), None).iloc[0]
    size = row["crop_right"] - row["crop_left"]
    assert 0.6 / size == pytest.approx(0.6 / 1.1)  # 10 % too large before
    assert (0.55 - row["crop_left"]) / size == pytest.approx(0.55 - 0.05, abs=1e-4)
    assert (0.65 - row["crop_top"]) / size == pytest.approx(0.65 - 0.04, abs=1e-4)


def test_code_values_and_linear_light_are_corrected_alike():
    rng = np.random.default_rng(0)
    code = rng.integers(30, 200, (40, 50, 3)).astype(np.uint8)
    row = {"exposure_ev": 0.2, "gain_r": 0.9, "gain_g": 1.0, "gain_b": 1.05}
    expected = to_code(to_linear(code) * 2**0.2 * np.array([0.9, 1.0, 1.05]))
    assert np.abs(apply_correction(code, row) - expected).max() <= 0.51

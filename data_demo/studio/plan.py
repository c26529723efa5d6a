"""The four deliveries: which pictures, which faults. Every choice is written down here."""

import datetime
from dataclasses import replace

from . import shots as s
from .catalogue import CLEAN, DEMO
from .delivery import add_copy, capture_times, damage, natural_finish, neutral_delta_e, plain, same_photograph

DEMO_SIZE, SMALL_SIZE = (1280, 1600), (640, 800)
KEYS = {b.sku.split("-")[1]: b.sku for b in DEMO + CLEAN}        # "1101": "AL-1101-BLK"
FOCAL_AFTER_KNOCK_MM = 91.0

# Poses that were wrong when the demo was shot: (number, view): (suffix, pose, camera).
DEMO_POSES = {
    ("1101", "front"): ("handles", {"tilt_front_deg": 36.0}, {}),
    ("1204", "three_quarter"): ("angle", {"yaw_deg": s.THREE_QUARTER_DEG + 7.5}, {}),
    ("1204", "front"): ("strap", {"strap_state": "behind"}, {}),
    ("1307", "back"): ("lean", {"lean_deg": 6.5}, {}),
    ("1705", "front"): ("angle", {"yaw_deg": 5.4}, {}),
    ("1205", "three_quarter"): ("height", {}, {"elevation_deg": 14.5}),
    ("1602", "front"): ("strap", {"strap_state": "held_up"}, {}),
    ("1403", "three_quarter"): ("angle", {"yaw_deg": s.THREE_QUARTER_DEG - 10.0}, {}),
    ("1706", "front"): ("lean", {"lean_deg": -4.6}, {}),
    ("1103", "front"): ("height", {}, {"elevation_deg": 2.8}),
    ("1103", "three_quarter"): ("handles", {"tilt_front_deg": 30.0, "tilt_rear_deg": 7.0}, {}),
}


def demo_shots():
    """(sku, view): Shot of the demo, wrong poses and the knocked zoom included."""
    made = s.demo_naturals()
    for number in ("1403", "1706", "1103"):
        for view in s.VIEWS:
            shot = made[KEYS[number], view]
            focal = FOCAL_AFTER_KNOCK_MM if view != "detail" else 122.0
            made[KEYS[number], view] = replace(shot, focal_length_mm=focal)
    for (number, view), (suffix, pose, camera) in DEMO_POSES.items():
        made[KEYS[number], view] = s.altered(made[KEYS[number], view], suffix, pose, **camera)
    del made[KEYS["1503"], "back"], made[KEYS["1602"], "three_quarter"]
    return made


def shots(name):
    """Base renders of a set, in the order of shooting."""
    sets = {"c": lambda: s.set_c(), "demo": demo_shots, "poses": pose_shots}
    names = sets if name == "all" else (name,)
    return [shot for n in names for shot in sets[n]().values()]


def demo():
    """Pictures, bags, changes, missing pictures of the demo."""
    days = (DEMO[:6], DEMO[6:11], DEMO[11:])
    times = capture_times(days, s.VIEWS, datetime.date(2024, 3, 12))
    made = demo_shots()
    pictures = plain(made, {k: times[k] for k in times}, DEMO_SIZE)
    at = lambda number, view: (KEYS[number], view)
    hurt = lambda number, view, check, magnitude="", unit="", note="", **changes: damage(pictures, at(number, view), check, magnitude, unit, note, **changes)

    # Day 1: a lamp warms slowly over the last two products.
    warm = [(b.sku, v) for b in DEMO[4:6] for v in s.VIEWS if (b.sku, v) in pictures]
    for k, key in enumerate(warm):
        share = (k + 1) / len(warm)
        gain_r, gain_b = 1 + 0.06 * share, 1 - 0.085 * share
        delta = neutral_delta_e(gain_r, gain_b)
        damage(pictures, key, "white_balance" if delta > 1.0 else "", round(delta, 2), "CIEDE2000", "slowly warming lamp", gain_r=gain_r, gain_b=gain_b)
    changes = [{"quantity": "wb_gain_b", "kind": "trend", "from_file": pictures[warm[0]].file, "to_file": pictures[warm[-1]].file,
                "before": 1.0, "after": 1 / (1 - 0.085), "note": "blue gain that the warming lamp calls for; red 1 to 0.943"}]
    # Day 2: the main light is turned down before the third product; dust falls on the sensor in the same break.
    knocked = [(b.sku, v) for b in DEMO[8:11] for v in s.VIEWS if (b.sku, v) in pictures]
    for key in knocked:
        damage(pictures, key, "exposure", -0.26, "EV", "main light turned down", exposure_ev=-0.26, background_ev=-0.26)
    before = at("1102", "back")
    changes.append({"quantity": "exposure_dev_ev", "kind": "step", "from_file": pictures[before].file, "to_file": pictures[knocked[0]].file,
                    "before": 0.0, "after": -0.26, "note": "product and sweep alike"})
    after = at("1206", "three_quarter")
    changes.append({"quantity": "exposure_dev_ev", "kind": "step", "from_file": pictures[knocked[-1]].file, "to_file": pictures[after].file,
                    "before": -0.26, "after": 0.0, "note": "set up anew on day 3"})
    spots = ((0.118, 0.196, 5.5, 0.16), (0.842, 0.143, 7.5, 0.10), (0.905, 0.771, 4.5, 0.24), (0.312, 0.062, 6.0, 0.13))
    dusty = [(b.sku, v) for b in DEMO[8:11] for v in s.VIEWS if (b.sku, v) in pictures]
    for key in dusty:
        damage(pictures, key, "sensor_spots", len(spots), "spots", "dust through the rest of day 2", spots=spots)
    changes.append({"quantity": "sensor_spots", "kind": "step", "from_file": pictures[before].file, "to_file": pictures[dusty[0]].file,
                    "before": 0, "after": len(spots), "note": "clean again from day 3"})
    # Day 3: the zoom ring is knocked before the third product.
    zoomed = [(b.sku, v) for b in DEMO[13:] for v in s.VIEWS]
    for key in zoomed:
        damage(pictures, key, "focal_length", round(pictures[key].focal_length_mm / (135 if key[1] == "detail" else 100) * 100 - 100, 1), "%", "zoom ring knocked")
    changes.append({"quantity": "focal_length_mm", "kind": "step", "from_file": pictures[at("1602", "back")].file, "to_file": pictures[zoomed[0]].file,
                    "before": 100.0, "after": FOCAL_AFTER_KNOCK_MM, "note": "distance follows, so the framing stays; details 135 to 122 mm"})

    # Poses: rendered so; here they are only named.
    hurt("1101", "front", "handles", note="near handle has fallen forward; magnitude stands in the picture table")
    hurt("1103", "three_quarter", "handles", note="near handle has fallen forward; magnitude stands in the picture table")
    hurt("1204", "three_quarter", "angle", 7.5, "deg")
    hurt("1705", "front", "angle", 5.4, "deg")
    hurt("1403", "three_quarter", "angle", -10.0, "deg")
    hurt("1204", "front", "strap", "behind", "", "others hang in front")
    hurt("1602", "front", "strap", "held_up", "", "others hang in front")
    hurt("1307", "back", "lean", 6.5, "deg")
    hurt("1706", "front", "lean", -4.6, "deg")
    hurt("1205", "three_quarter", "camera_height", 5.5, "deg")
    hurt("1103", "front", "camera_height", -3.2, "deg")

    # One picture each: geometry.
    hurt("1307", "front", "roll", 1.9, "deg", roll_deg=1.9)
    hurt("1402", "three_quarter", "scale", 15, "%", zoom=1.15)
    hurt("1706", "three_quarter", "scale", -8, "%", zoom=0.92)
    hurt("1705", "back", "centring", -6.5, "% of height", "upwards", shift=(0.0, -0.065))
    hurt("1706", "back", "cut_off", 21, "% of height below the frame's middle", "base outside the frame", shift=(0.0, 0.24))
    # Light.
    hurt("1601", "front", "exposure", 0.62, "EV", exposure_ev=0.62)
    damage(pictures, at("1601", "front"), "clipping", "", "", "follows from the exposure")
    hurt("1206", "three_quarter", "white_balance", round(neutral_delta_e(1.10, 0.87), 2), "CIEDE2000", gain_r=1.10, gain_b=0.87)
    hurt("1307", "three_quarter", "product_colour", "", "", "product red x 0.80, blue x 1.35; background left", product_gain_r=0.80, product_gain_b=1.35)
    hurt("1103", "back", "background", -0.5, "EV", background_ev=-0.5)
    hurt("1402", "back", "background", 0.17, "EV", background_ev=0.17)
    hurt("1308", "front", "uneven_background", 0.9, "EV left to right", background_ramp_ev=0.9)
    # Lens, sensor, dirt.
    hurt("1402", "front", "focus", 2.4, "px sigma added", blur_px=2.4)
    hurt("1601", "back", "focus", 1.3, "px sigma added", blur_px=1.3)
    hurt("1503", "front", "motion_blur", 7, "px", motion_px=7, motion_angle_deg=8)
    hurt("1503", "three_quarter", "motion_blur", 3.2, "px", motion_px=3.2, motion_angle_deg=90)
    hurt("1308", "three_quarter", "product_specks", 26, "specks", specks=26)
    hurt("1504", "front", "product_specks", 8, "specks", specks=8)
    hurt("1602", "back", "noise", 4.2, "8-bit sRGB", noise=4.2)
    hurt("1504", "detail", "noise", 1.9, "8-bit sRGB", noise=1.9)
    # Files.
    hurt("1601", "detail", "jpeg_quality", 48, "IJG", quality=48)
    hurt("1403", "detail", "jpeg_quality", 70, "IJG", quality=70)
    hurt("1205", "back", "colour_profile", "none", "", profile="")
    hurt("1504", "back", "colour_profile", "BT.2020", "", profile="BT.2020")
    hurt("1706", "detail", "upscaled", 0.38, "resolved share", resolved=0.38)
    hurt("1403", "back", "upscaled", 0.47, "resolved share", resolved=0.47)
    hurt("1504", "three_quarter", "unreadable_file", 0.45, "share of bytes", truncate=0.45)
    hurt("1308", "detail", "file_spec", "1280 x 1280", "px", "square instead of 4:5", crop=(0, 160, 1280, 1440))
    hurt("1503", "detail", "metadata", "", "", "Exif stripped", exif="")
    # Names and contents.
    first = at("1206", "front"), at("1206", "back")
    for key, other in (first, first[::-1]):
        pictures[key] = replace(pictures[key], file=f"{key[0]}_{other[1]}.jpg", view=other[1])
        damage(pictures, key, "swapped_views", "", "", f"shows the {key[1]}")
    wrong = pictures[at("1206", "detail")]
    detail = at("1204", "detail")
    damage(pictures, detail, "wrong_detail", "", "", "detail of AL-1206-CHK", base=wrong.base, finish=replace(natural_finish("wrong detail"), shift=(0.02, -0.015)))
    other = pictures[at("1601", "three_quarter")]
    key = at("1602", "three_quarter")
    pictures[key] = replace(other, file=f"{key[0]}_three-quarter.jpg", sku=key[0], time=times[key], faults=(),
                            finish=replace(natural_finish("wrong product"), shift=(-0.006, 0.004)))
    damage(pictures, key, "wrong_product", "", "", "shows AL-1601-GLD")
    same_photograph(pictures, at("1206", "detail"), detail)
    same_photograph(pictures, at("1601", "three_quarter"), key)
    add_copy(pictures, at("1308", "back"), ("copy", "side"), "AL-1308-PAT_side.jpg", "exact_duplicate", "with AL-1308-PAT_back.jpg", view="side")
    source = pictures[at("1403", "front")]
    add_copy(pictures, at("1403", "front"), ("copy", "front-2"), "AL-1403-TAN_front-2.jpg", "near_duplicate", "exported again: smaller steps, 3 px over",
             fresh_finish=replace(source.finish, shift=(0.0025, 0.0), exposure_ev=source.finish.exposure_ev + 0.04, noise=0.5), quality=84)
    source = pictures[at("1307", "detail")]
    add_copy(pictures, at("1307", "detail"), ("copy", "stray"), "HS450412.jpg", "unexpected_file", "camera file name", sku="", view="",
             fresh_finish=replace(source.finish, zoom=1.3, shift=(0.08, -0.05)))
    return list(pictures.values()), DEMO, changes, [(KEYS["1503"], "back")]


def clean():
    """Nothing wrong, other products."""
    times = capture_times((CLEAN[:4], CLEAN[4:]), s.VIEWS, datetime.date(2024, 4, 16), seed=5)
    return list(plain(s.set_c(), times, SMALL_SIZE).values()), CLEAN, [], []


def small():
    """Six of the clean products with one fault of most kinds, for quick tests."""
    bags = CLEAN[:6]
    times = capture_times((bags[:3], bags[3:]), s.VIEWS, datetime.date(2024, 4, 23), seed=9)
    made = {k: shot for k, shot in s.set_c().items() if k[0] in {b.sku for b in bags}}
    pictures = {k: replace(p, finish=natural_finish("small" + p.base)) for k, p in plain(made, times, SMALL_SIZE).items()}
    hurt = lambda number, view, check, magnitude="", unit="", note="", **changes: damage(
        pictures, (KEYS[number], view), check, magnitude, unit, note, **changes)
    hurt("2101", "front", "roll", 2.0, "deg", roll_deg=2.0)
    hurt("2204", "three_quarter", "white_balance", round(neutral_delta_e(1.09, 0.88), 2), "CIEDE2000", gain_r=1.09, gain_b=0.88)
    hurt("2307", "front", "exposure", -0.4, "EV", exposure_ev=-0.4, background_ev=-0.4)
    hurt("2402", "back", "focus", 2.0, "px sigma added", blur_px=2.0)
    hurt("2503", "front", "centring", 6.0, "% of width", shift=(0.06, 0.0))
    hurt("2601", "three_quarter", "scale", -14, "%", zoom=0.86)
    hurt("2204", "back", "jpeg_quality", 50, "IJG", quality=50)
    hurt("2101", "back", "colour_profile", "none", "", profile="")
    hurt("2307", "back", "unreadable_file", 0.5, "share of bytes", truncate=0.5)
    add_copy(pictures, (KEYS["2402"], "front"), ("copy", ""), "AL-2402-PLM_side.jpg", "exact_duplicate", "with AL-2402-PLM_front.jpg", view="side")
    del pictures[KEYS["2601"], "back"]
    return list(pictures.values()), bags, [], [(KEYS["2601"], "back")]


SEEN_FROM_BEHIND = {"front": "behind", "behind": "front"}      # a strap's state is told as the camera sees it


def pose_shots():
    """Further base renders with wrong poses, for the accuracy table."""
    naturals, made = s.set_c(), {}
    add = lambda number, view, check, amount, pose, **camera: made.__setitem__(
        (number, view, check, amount), s.altered(naturals[KEYS[number], view], f"{check}{amount:+g}", pose, **camera))
    for number, view, amount in (("2101", "front", 5), ("2204", "three_quarter", -7), ("2307", "front", -6), ("2705", "three_quarter", 9), ("2601", "front", 7),
                                 ("2204", "front", 12), ("2101", "three_quarter", 6), ("2103", "front", -9)):
        base = s.THREE_QUARTER_DEG if view == "three_quarter" else 0.0
        add(number, view, "angle", amount, {"yaw_deg": base + amount})
    for number, view, amount in (("2204", "front", 4), ("2307", "front", -5), ("2101", "back", 6), ("2601", "back", 8), ("2705", "front", -9), ("2103", "front", 5),
                                 ("2103", "back", -7), ("2705", "back", 7), ("2204", "back", -5)):
        add(number, view, "lean", amount, {"lean_deg": float(amount)})
    for number, view, amount in (("2204", "front", 3), ("2307", "three_quarter", -4), ("2101", "front", 5), ("2705", "front", 7), ("2601", "three_quarter", 6),
                                 ("2103", "front", -3), ("2204", "three_quarter", -5), ("2101", "back", 4), ("2402", "front", 8)):
        add(number, view, "camera_height", amount, None, elevation_deg=s.ELEVATION_DEG[view] + amount)
    for number, view, amount in (("2101", "front", 26), ("2307", "front", 34), ("2103", "front", 40), ("2705", "front", 36), ("2101", "three_quarter", 38), ("2307", "three_quarter", 30)):
        add(number, view, "handles", amount, {"tilt_front_deg": float(amount)})
    for number, view, state in (("2204", "front", "behind"), ("2307", "front", "draped"), ("2402", "front", "none"), ("2601", "front", "held_up"),
                                ("2705", "front", "coiled"), ("2204", "three_quarter", "draped"), ("2307", "back", "front"), ("2402", "three_quarter", "behind")):
        own = SEEN_FROM_BEHIND.get(state, state) if view == "back" else state
        made[number, view, "strap", state] = s.altered(naturals[KEYS[number], view], f"strap_{state}", {"strap_state": own})
    return made


FINALS_SIZE = (1200, 1500)
FINALS_BAGS = tuple(b for b in DEMO if b.sku.split("-")[1] in
                    ("1101", "1204", "1307", "1402", "1601", "1102", "1205", "1308", "1206", "1602", "1706", "1103"))
NEW_COLOURWAYS = {"AL-1307-NVY": ("1307", (0.13, 0.75, 2.9)), "AL-1602-GRN": ("1602", (0.16, 6.0, 0.75))}


def finals():
    """Retouched pictures from the demo's bases: on white, straight, cropped to the rule."""
    times = capture_times((FINALS_BAGS,), s.VIEWS, datetime.date(2024, 3, 14), seed=3)
    made = {k: shot for k, shot in demo_shots().items() if k[0] in {b.sku for b in FINALS_BAGS}}
    pictures = {}
    for key, picture in plain(made, times, FINALS_SIZE).items():
        shot, natural = made[key], natural_finish("final" + picture.base)
        look = replace(natural, white=key[1] != "detail", tone=0.10, roll_deg=-shot.roll_deg if key[1] != "detail" else 0.0,
                       fill_rule=1.0 if key[1] != "detail" else 0.0, gain_r=1.0, gain_b=1.0, exposure_ev=natural.exposure_ev / 2,
                       background_ev=natural.exposure_ev / 2, noise=0.4)
        pictures[key] = replace(picture, finish=look, exif="export" if len(pictures) % 3 else "", quality=90)
    bags = list(FINALS_BAGS)
    for sku, (number, factors) in NEW_COLOURWAYS.items():       # one photograph, another colour
        old = next(b for b in FINALS_BAGS if b.sku == KEYS[number])
        bags.append(replace(old, sku=sku, colour={"NVY": "navy", "GRN": "green"}[sku[-3:]]))
        for view in s.VIEWS:
            source = pictures.get((KEYS[number], view))
            if source:
                pictures[sku, view] = replace(source, file=source.file.replace(KEYS[number], sku), sku=sku,
                                              finish=replace(source.finish, recolour=factors, seed=source.finish.seed + 1))
    for sku, view in list(pictures):          # poses the retoucher could not mend stay faults
        number = sku.split("-")[1]
        if (number, view) in DEMO_POSES and DEMO_POSES[number, view][0] in ("angle", "strap", "handles"):
            check = DEMO_POSES[number, view][0]
            pose = DEMO_POSES[number, view][1]
            amount = pose.get("strap_state", "")
            if "yaw_deg" in pose:
                amount = round(pose["yaw_deg"] - (s.THREE_QUARTER_DEG if view == "three_quarter" else 0), 1)
            damage(pictures, (sku, view), check, amount, "deg" if check == "angle" else "", "as shot")
    hurt = lambda number, view, check, magnitude="", unit="", note="", **changes: damage(
        pictures, (KEYS.get(number, number), view), check, magnitude, unit, note, **changes)
    hurt("1101", "back", "cutout_edge", 3.0, "px", "rim of the old background", halo_px=3.0)
    hurt("1308", "three_quarter", "cutout_edge", 5.0, "px", "rim of the old background", halo_px=5.0)
    hurt("1307", "back", "cutout_edge", 2.5, "px", "rim of the old background", halo_px=2.5)
    hurt("1204", "back", "product_colour", "", "", "red x 0.84, blue x 1.3 in this view only", product_gain_r=0.84, product_gain_b=1.3)
    hurt("1602", "back", "product_colour", "", "", "red x 1.12, blue x 0.8 in this view only", product_gain_r=1.12, product_gain_b=0.80)
    hurt("1402", "front", "scale", 10, "%", zoom=1.10)
    hurt("1601", "back", "scale", -7, "%", zoom=0.93)
    hurt("1206", "back", "centring", 4.5, "% of width", shift=(0.045, 0.0))
    hurt("1601", "front", "roll", 1.3, "deg", roll_deg=pictures[KEYS["1601"], "front"].finish.roll_deg + 1.3)
    hurt("1402", "back", "upscaled", 0.40, "resolved share", resolved=0.40)
    hurt("1706", "three_quarter", "upscaled", 0.46, "resolved share", resolved=0.46)
    hurt("1206", "three_quarter", "background", 0.88, "linear level", "cut out to light grey", background_level=0.88)
    hurt("1103", "back", "background", 0.96, "linear level", "cut out to near white", background_level=0.96)
    hurt("1102", "three_quarter", "shadow", "dropped", "", "made shadow; the set has none", shadow="dropped")
    hurt("1205", "front", "shadow", "mirror", "", "mirror under the product; the set has none", shadow="mirror")
    hurt("1601", "three_quarter", "exposure", 0.35, "EV", exposure_ev=0.35)
    hurt("1402", "three_quarter", "jpeg_quality", 55, "IJG", quality=55)
    hurt("1103", "detail", "colour_profile", "none", "", profile="")
    hurt("1204", "three_quarter", "file_spec", "1200 x 1200", "px", crop=(0, 150, 1200, 1350))
    missing = [(KEYS["1308"], "back"), (KEYS["1602"], "three_quarter"), ("AL-1602-GRN", "three_quarter")]
    del pictures[missing[0]]
    return list(pictures.values()), bags, [], missing


DELIVERIES = {"delivery": demo, "clean": clean, "finals": finals, "small": small}

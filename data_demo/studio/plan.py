"""The four deliveries: which pictures, which faults. Every choice is written down here."""

import datetime
from dataclasses import replace

from . import shots as s
from .catalogue import CLEAN, DEMO
from .delivery import add_copy, capture_times, damage, natural_finish, neutral_delta_e, plain, same_photograph

DEMO_SIZE, SMALL_SIZE = (1280, 1600), (640, 800)
KEYS = {b.sku.split("-")[1]: b.sku for b in (DEMO + CLEAN)[::-1]}        # "1101": "AL-1101-BLK", the first colour of a style
DAYS = (DEMO[:8], DEMO[8:16], DEMO[16:])
FOCAL_AFTER_KNOCK_MM, DETAIL_FOCAL_AFTER_KNOCK_MM = 91.0, 122.0

# Poses that were wrong when the demo was shot: (number, view): (check, pose, camera). The cache names them by the check.
DEMO_POSES = {
    ("1101", "front"): ("handles", {"tilt_front_deg": 36.0}, {}),
    ("1204", "three_quarter"): ("angle", {"yaw_deg": s.THREE_QUARTER_DEG + 7.5}, {}),
    ("1204", "front"): ("strap", {"strap_state": "behind"}, {}),
    ("1307", "back"): ("lean", {"lean_deg": 6.5}, {}),
    ("1705", "front"): ("angle", {"yaw_deg": 5.4}, {}),
    ("1205", "three_quarter"): ("camera_height", {}, {"elevation_deg": 14.5, "focal_length_mm": 94.0}),
    ("1602", "front"): ("strap", {"strap_state": "held_up"}, {}),
    ("1403", "three_quarter"): ("angle", {"yaw_deg": s.THREE_QUARTER_DEG - 10.0}, {}),
    ("1706", "front"): ("lean", {"lean_deg": -4.6}, {}),
    ("1103", "front"): ("camera_height", {}, {"elevation_deg": 2.8}),
    ("1103", "three_quarter"): ("handles", {"tilt_front_deg": 30.0, "tilt_rear_deg": 7.0}, {}),
}
ZOOM_KNOCKED = ("1706", "1103")


def pose_amount(number, view):
    """How far a pose is off, and in which unit; that of handles is measured (`truth`)."""
    check, pose, camera = DEMO_POSES[number, view]
    if check == "angle":
        return round(pose["yaw_deg"] - (s.THREE_QUARTER_DEG if view == "three_quarter" else 0.0), 1), "deg"
    if check == "lean":
        return pose["lean_deg"], "deg"
    if check == "camera_height":
        return round(camera["elevation_deg"] - s.ELEVATION_DEG[view], 1), "deg"
    return pose.get("strap_state", ""), ""


def demo_shots():
    """(sku, view): Shot of the demo, wrong poses and the knocked zoom included."""
    made = s.demo_naturals()
    for number in ZOOM_KNOCKED:
        for view in s.VIEWS:
            focal = FOCAL_AFTER_KNOCK_MM if view != "detail" else DETAIL_FOCAL_AFTER_KNOCK_MM
            made[KEYS[number], view] = replace(made[KEYS[number], view], focal_length_mm=focal)
    for (number, view), (check, pose, camera) in DEMO_POSES.items():
        made[KEYS[number], view] = s.altered(made[KEYS[number], view], check, pose, **camera)
    del made[KEYS["1503"], "back"], made[KEYS["1602"], "three_quarter"]
    return made


def second_take():
    """The gold crossbody photographed once more, for another product's file."""
    bag = next(b for b in DEMO if b.sku == KEYS["1601"])
    return s.natural_shot("d2", bag, "three_quarter", s.DEMO_BASE_PX)


def shots(name):
    """Base renders of a set, in the order of shooting."""
    sets = {"c": lambda: s.set_c(), "demo": lambda: demo_shots() | {"second": second_take()}, "poses": pose_shots}
    names = sets if name == "all" else (name,)
    return [shot for n in names for shot in sets[n]().values()]


def _of(pictures, bags):
    """Keys of the pictures of some products, in the order of shooting."""
    return [(b.sku, v) for b in bags for v in s.VIEWS if (b.sku, v) in pictures]


def _hurter(pictures):
    """`damage` by number (or whole SKU) and view."""
    return lambda number, view, check, magnitude="", unit="", note="", **changes: damage(
        pictures, (KEYS.get(number, number), view), check, magnitude, unit, note, **changes)


def _day_runs(pictures):
    """What goes wrong through a run of pictures, once a day; returns the table of changes."""
    changes = []
    note_change = lambda quantity, kind, before, after, was, becomes, note: changes.append(
        {"quantity": quantity, "kind": kind, "from_file": pictures[before].file, "to_file": pictures[after].file, "before": was, "after": becomes, "note": note})
    # Day 1: a lamp warms slowly over the last two products.
    warm = _of(pictures, DAYS[0][6:])
    for k, key in enumerate(warm):
        share = (k + 1) / len(warm)
        gain_r, gain_b = 1 + 0.06 * share, 1 - 0.085 * share
        delta = neutral_delta_e(gain_r, gain_b)
        damage(pictures, key, "white_balance" if delta > 1.0 else "", round(delta, 2), "CIEDE2000", "slowly warming lamp", gain_r=gain_r, gain_b=gain_b)
    cold = 1 / (1 - 0.085)
    note_change("wb_gain_b", "trend", warm[0], warm[-1], 1.0, cold, "blue gain that the warming lamp calls for; red 1 to 0.943")
    note_change("wb_gain_b", "step", warm[-1], _of(pictures, DAYS[1])[0], cold, 1.0, "the lamp starts cold on day 2")
    # Day 2: the main light is turned down for two products, then found out.
    dim = _of(pictures, DAYS[1][3:5])
    for key in dim:
        damage(pictures, key, "exposure", -0.26, "EV", "main light turned down", exposure_ev=-0.26, background_ev=-0.26)
    note_change("exposure_dev_ev", "step", _of(pictures, DAYS[1][:3])[-1], dim[0], 0.0, -0.26, "product and sweep alike")
    note_change("exposure_dev_ev", "step", dim[-1], _of(pictures, DAYS[1][5:])[0], -0.26, 0.0, "found out and turned up again")
    # Meanwhile dust falls on the sensor.
    spots = ((0.118, 0.196, 5.5, 0.16), (0.842, 0.143, 7.5, 0.10), (0.905, 0.771, 4.5, 0.24), (0.312, 0.062, 6.0, 0.13))
    dusty = _of(pictures, DAYS[1][4:6])
    for key in dusty:
        damage(pictures, key, "sensor_spots", len(spots), "spots", "dust through two products", spots=spots)
    note_change("sensor_spots", "step", _of(pictures, DAYS[1][:4])[-1], dusty[0], 0, len(spots), "")
    note_change("sensor_spots", "step", dusty[-1], _of(pictures, DAYS[1][6:])[0], len(spots), 0, "seen and cleaned")
    # Day 3: the zoom ring is knocked before the last two products.
    zoomed = _of(pictures, DAYS[2][6:])
    for key in zoomed:
        damage(pictures, key, "focal_length", round(pictures[key].focal_length_mm / s.FOCAL_MM[key[1]] * 100 - 100, 1), "%", "zoom ring knocked")
    note_change("focal_length_mm", "step", _of(pictures, DAYS[2][:6])[-1], zoomed[0], 100.0, FOCAL_AFTER_KNOCK_MM,
                "distance follows, so the framing stays; details 135 to 122 mm")
    return changes


def demo():
    """Pictures, bags, changes, missing pictures of the demo."""
    times = capture_times(DAYS, s.VIEWS, datetime.date(2024, 3, 12))
    pictures = plain(demo_shots(), times, DEMO_SIZE)
    at = lambda number, view: (KEYS.get(number, number), view)
    hurt = _hurter(pictures)
    changes = _day_runs(pictures)
    for number, view in DEMO_POSES:            # rendered so; here they are only named
        hurt(number, view, DEMO_POSES[number, view][0], *pose_amount(number, view))
    hurt("1205", "three_quarter", "focal_length", -6.0, "%", "stepped closer, with a shorter focal length")

    # One picture each: geometry.
    hurt("1307", "front", "roll", 1.9, "deg", roll_deg=1.9)
    hurt("1402", "three_quarter", "scale", 15, "%", zoom=1.15)
    hurt("1705", "back", "centring", -6.5, "% of height", "upwards", shift=(0.0, -0.065))
    hurt("1706", "back", "cut_off", 21, "% of height below the frame's middle", "base outside the frame", shift=(0.0, 0.24))
    # Light.
    hurt("1601", "front", "exposure", 0.62, "EV", exposure_ev=0.62)
    hurt("1601", "front", "clipping", note="follows from the exposure")
    hurt("1206", "three_quarter", "white_balance", round(neutral_delta_e(1.10, 0.87), 2), "CIEDE2000", gain_r=1.10, gain_b=0.87)
    hurt("1307", "three_quarter", "product_colour", note="product red x 0.80, blue x 1.35; background left", product_gain_r=0.80, product_gain_b=1.35)
    hurt("1103", "back", "background", -0.5, "EV", background_ev=-0.5)
    hurt("1402", "back", "background", 0.17, "EV", "one background lamp moved closer", background_ev=0.17)
    hurt("1402", "back", "uneven_background", 0.4, "EV left to right", "the same lamp", background_ramp_ev=0.4)
    hurt("1308", "front", "uneven_background", 0.9, "EV left to right", background_ramp_ev=0.9)
    # Lens, sensor, dirt.
    hurt("1402", "front", "focus", 2.4, "px sigma added", blur_px=2.4)
    hurt("1503", "front", "motion_blur", 7, "px", "by the modelling lamps: slow shutter", motion_px=7, motion_angle_deg=8, shutter=8, iso=1600)
    hurt("1503", "front", "noise", 4.2, "8-bit sRGB", "by the modelling lamps: high ISO", noise=4.2)
    hurt("1308", "three_quarter", "product_specks", 26, "specks", specks=26)
    # Files: two old web exports, one for another use, one transfer that broke off.
    hurt("1706", "detail", "upscaled", 0.38, "resolved share", "web export", resolved=0.38)
    hurt("1706", "detail", "jpeg_quality", 48, "IJG", "web export", quality=48)
    hurt("1706", "detail", "metadata", "stripped", "", "web export", exif="")
    key = at("1706", "detail")                  # without Exif nothing tells its focal length
    pictures[key] = replace(pictures[key], faults=tuple(f for f in pictures[key].faults if f.check != "focal_length"))
    hurt("1403", "back", "upscaled", 0.47, "resolved share", "web export", resolved=0.47)
    hurt("1403", "back", "jpeg_quality", 70, "IJG", "web export", quality=70)
    hurt("1403", "back", "colour_profile", "none", "", "web export", profile="")
    hurt("1308", "detail", "file_spec", "1280 x 1280", "px", "square instead of 4:5", crop=(0, 160, 1280, 1440))
    hurt("1504", "back", "colour_profile", "BT.2020", profile="BT.2020")
    hurt("1707", "three_quarter", "unreadable_file", 0.45, "share of bytes", truncate=0.45)
    _misnamed(pictures, at, times)
    return list(pictures.values()), DEMO, changes, [(KEYS["1503"], "back")]


def _misnamed(pictures, at, times):
    """Names and contents of the demo: what shows something else than it says, and what is there twice."""
    first = at("1206", "front"), at("1206", "back")
    for key, other in (first, first[::-1]):
        pictures[key] = replace(pictures[key], file=f"{key[0]}_{other[1]}.jpg", view=other[1])
        damage(pictures, key, "swapped_views", "", "", f"shows the {key[1]}")
    wrong, detail = at("1104", "detail"), at("1204", "detail")
    damage(pictures, detail, "wrong_detail", "", "", f"detail of {wrong[0]}", base=pictures[wrong].base, finish=replace(natural_finish("wrong detail"), shift=(0.02, -0.015)))
    same_photograph(pictures, wrong, detail)
    key, shot = at("1602", "three_quarter"), second_take()
    pictures |= plain({key: shot}, times, DEMO_SIZE)
    damage(pictures, key, "wrong_product", "", "", f"shows {shot.bag.sku}, a second take")
    add_copy(pictures, at("1505", "back"), ("copy", "side"), "AL-1505-SND_side.jpg", "exact_duplicate", "with AL-1505-SND_back.jpg", view="side")
    source = pictures[at("1403", "front")]
    add_copy(pictures, at("1403", "front"), ("copy", "front-2"), "AL-1403-TAN_front-2.jpg", "near_duplicate", "exported again: smaller steps, 3 px over",
             fresh_finish=replace(source.finish, shift=(0.0025, 0.0), exposure_ev=source.finish.exposure_ev + 0.04, noise=0.5), quality=84, exif="export")
    damage(pictures, ("copy", "front-2"), "metadata", "rewritten", "", "by the program that exported it")
    source = pictures[at("1307", "detail")]
    add_copy(pictures, at("1307", "detail"), ("copy", "stray"), "HS450412.jpg", "unexpected_file", "camera file name", sku="", view="",
             fresh_finish=replace(source.finish, zoom=1.3, shift=(0.08, -0.05)))


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
NEW_COLOURWAYS = {"AL-1307-NVY": ("1307", (0.13, 0.75, 2.9)), "AL-1602-GRN": ("1602", (0.16, 6.0, 0.75))}


def retouched(pictures, shots):
    """Cut out to white, straightened, cropped to the rule; details keep their background."""
    made = {}
    for key, picture in pictures.items():
        whole, natural = key[1] != "detail", natural_finish("final" + picture.base)
        look = replace(natural, white=whole, tone=0.10, roll_deg=-shots[key].roll_deg if whole else 0.0, fill_rule=float(whole), gain_r=1.0, gain_b=1.0,
                       exposure_ev=natural.exposure_ev / 2, background_ev=natural.exposure_ev / 2, noise=0.4)
        made[key] = replace(picture, finish=look, exif="export" if len(made) % 3 else "", quality=90)
    return made


def _recoloured(pictures):
    """Two more products out of one photograph each; returns them as bags."""
    bags = []
    for sku, (number, factors) in NEW_COLOURWAYS.items():
        old = next(b for b in DEMO if b.sku == KEYS[number])
        bags.append(replace(old, sku=sku, colour={"NVY": "navy", "GRN": "green"}[sku[-3:]]))
        for view in s.VIEWS:
            source = pictures.get((KEYS[number], view))
            if source:
                pictures[sku, view] = replace(source, file=source.file.replace(KEYS[number], sku), sku=sku,
                                              finish=replace(source.finish, recolour=factors, seed=source.finish.seed + 1))
    return bags


def finals():
    """Retouched pictures of the demo's shoot, and what went wrong with them: on white, straight, cropped to the rule."""
    times = capture_times((DEMO,), s.VIEWS, datetime.date(2024, 3, 14), seed=3)
    made = demo_shots()
    pictures = retouched(plain(made, times, FINALS_SIZE), made)
    bags = list(DEMO) + _recoloured(pictures)
    numbers = {b.sku: b.sku.split("-")[1] for b in bags if b.sku in KEYS.values() or b.sku in NEW_COLOURWAYS}
    for sku, view in list(pictures):          # what retouching cannot mend stays as it was shot
        if (numbers.get(sku), view) in DEMO_POSES:
            number = numbers[sku]
            damage(pictures, (sku, view), DEMO_POSES[number, view][0], *pose_amount(number, view), "as shot")
    hurt = _hurter(pictures)
    # Cutting out.
    hurt("1101", "back", "cutout_edge", 3.0, "px", "rim of the old background", halo_px=3.0)
    hurt("1308", "three_quarter", "cutout_edge", 5.0, "px", "rim of the old background", halo_px=5.0)
    hurt("1307", "back", "cutout_edge", 2.5, "px", "rim of the old background", halo_px=2.5)
    hurt("1206", "three_quarter", "background", 0.88, "linear level", "cut out to light grey", background_level=0.88)
    hurt("1103", "back", "background", 0.96, "linear level", "cut out to near white", background_level=0.96)
    hurt("1102", "three_quarter", "shadow", "dropped", "", "made shadow; the set has none", shadow="dropped")
    hurt("1205", "front", "shadow", "mirror", "", "mirror under the product; the set has none", shadow="mirror")
    # Colour and light.
    hurt("1204", "back", "product_colour", note="red x 0.84, blue x 1.3 in this view only", product_gain_r=0.84, product_gain_b=1.3)
    hurt("1602", "back", "product_colour", note="red x 1.12, blue x 0.8 in this view only", product_gain_r=1.12, product_gain_b=0.80)
    hurt("1404", "back", "product_colour", note="red x 1.06, blue x 0.88 in this view only", product_gain_r=1.06, product_gain_b=0.88)
    hurt("1601", "three_quarter", "exposure", 0.35, "EV", exposure_ev=0.35)
    hurt("1205", "detail", "white_balance", round(neutral_delta_e(1.05, 0.93), 2), "CIEDE2000", gain_r=1.05, gain_b=0.93)
    # Cropping and straightening.
    hurt("1402", "front", "scale", 10, "%", zoom=1.10)
    hurt("1601", "back", "scale", -7, "%", zoom=0.93)
    hurt("1206", "back", "centring", 4.5, "% of width", shift=(0.045, 0.0))
    hurt("1104", "front", "centring", 2.6, "% of width", shift=(0.026, 0.0))
    hurt("1601", "front", "roll", 1.3, "deg", roll_deg=pictures[KEYS["1601"], "front"].finish.roll_deg + 1.3)
    hurt("1503", "front", "cut_off", 17, "% of height above the frame's middle", "the handle's top outside the frame", shift=(0.0, -0.17))
    hurt("1503", "front", "centring", -17, "% of height", "the same crop")
    hurt("1204", "three_quarter", "file_spec", "1200 x 1200", "px", crop=(0, 150, 1200, 1350))
    hurt("AL-1101-BRG", "back", "file_spec", "1200 x 1494", "px", "six lines lost", crop=(0, 3, 1200, 1497))
    hurt("AL-1101-BRG", "back", "colour_profile", "none", "", "the same program", profile="")
    # What the photographs brought along and retouching missed.
    hurt("AL-1601-ONX", "back", "focus", 1.3, "px sigma added", blur_px=1.3)
    hurt("1505", "three_quarter", "motion_blur", 3.2, "px", motion_px=3.2, motion_angle_deg=90)
    hurt("1504", "front", "product_specks", 8, "specks", specks=8)
    hurt("1309", "detail", "noise", 1.9, "8-bit sRGB", noise=1.9)
    # Files and names.
    hurt("1402", "back", "upscaled", 0.40, "resolved share", resolved=0.40)
    hurt("1706", "three_quarter", "upscaled", 0.46, "resolved share", resolved=0.46)
    hurt("1402", "back", "jpeg_quality", 55, "IJG", "the same web export", quality=55)
    hurt("1103", "detail", "jpeg_quality", 70, "IJG", quality=70)
    hurt("1707", "back", "unreadable_file", 0.93, "share of bytes", "the transfer broke off near its end", truncate=0.93)
    key, red = ("AL-1307-NVY", "front"), (KEYS["1307"], "front")
    damage(pictures, key, "wrong_product", "", "", "still in red: shows AL-1307-RED", finish=replace(pictures[red].finish, seed=pictures[red].finish.seed + 1))
    same_photograph(pictures, red, key)
    missing = [(KEYS["1308"], "back"), (KEYS["1602"], "three_quarter"), ("AL-1602-GRN", "three_quarter"), (KEYS["1503"], "back")]
    del pictures[missing[0]]
    return list(pictures.values()), bags, [], missing


DELIVERIES = {"delivery": demo, "clean": clean, "finals": finals, "small": small}

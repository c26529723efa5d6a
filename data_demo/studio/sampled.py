"""Deliveries drawn from a seed: other bags, other faults of ordinary size, for figures nobody has tuned on."""

import datetime
import zlib
from dataclasses import replace

import numpy as np

from . import catalogue as c
from . import shots as s
from .delivery import add_copy, capture_times, damage, natural_finish, neutral_delta_e, plain, same_photograph
from .materials import GOLD, GUN, SEAM_DARK, SEAM_LIGHT, SILVER, cloth, foil, patent, pebbled, smooth

STYLES = {"tote": (c._tote, "Alder tote"), "satchel": (c._satchel, "Brant satchel"), "bowler": (c._bowler, "Corrie bowler"), "bucket": (c._bucket, "Dunlin bucket"),
          "hobo": (c._hobo, "Eider hobo"), "crossbody": (c._crossbody, "Finch crossbody"), "barrel": (c._barrel, "Gannet barrel")}
SIZES_CM = {"tote": (38, 30, 14), "satchel": (28, 20, 10), "bowler": (33, 23, 15), "bucket": (25, 28, 18), "hobo": (40, 27, 13), "crossbody": (22, 15, 6), "barrel": (34, 21, 20)}
COLOURS = {"BLK": "#232124", "WHT": "#f1efeb", "CRM": "#e8dfcd", "TAN": "#a8703d", "COG": "#8a4a23", "RED": "#9c1626", "NVY": "#202c4c", "GRN": "#14573f",
           "PNK": "#e3a9b0", "LIL": "#9c8fc0", "MUS": "#c8941f", "GRY": "#8b8c8e", "BRN": "#4a2c1d", "SKY": "#8fb4d0", "RST": "#b0502a", "TEA": "#176068"}
TWO_HANDLES = ("tote", "bowler", "barrel")
SIZE_PX, BASE_PX, DETAIL_PX = (960, 1200), (720, 900), (512, 640)
FAULTY = 0.22          # share of the pictures with a fault of their own


def bags(seed, styles=6):
    """Some styles of other sizes, each in one to four colours."""
    random = np.random.default_rng([seed, 1])
    made = []
    for number, style in enumerate(random.permutation(list(STYLES))[:styles]):
        make, name = STYLES[style]
        grow = 1 + random.uniform(-0.14, 0.14, 3)
        width, height, depth = (round(float(v * g), 1) for v, g in zip(SIZES_CM[style], grow))
        softness = {"softness": float(random.uniform(0.4, 0.85))} if style == "hobo" else {}
        for code in random.choice(list(COLOURS), int(random.integers(1, 5)), replace=False):
            colour = COLOURS[code]
            kind = random.choice(["smooth", "pebbled", "patent", "foil", "stripes", "weave"], p=[0.36, 0.34, 0.08, 0.07, 0.08, 0.07])
            body = {"smooth": smooth, "pebbled": lambda k: pebbled(k, float(random.uniform(0.14, 0.24))), "patent": patent, "foil": foil,
                    "stripes": lambda k: cloth(k, pattern="stripes", second="#e6dfcf", third="#2d2c33", pitch_cm=5.0), "weave": lambda k: cloth(k, pattern="weave")}[kind](colour)
            trim = smooth(colour if random.random() < 0.6 else str(random.choice(["#232124", "#6b3a1c"])))
            made.append(make(f"AL-{3000 + 100 * (seed % 60) + number}-{code}", name, str(code).lower(), body, trim, thread=SEAM_LIGHT if random.random() < 0.5 else SEAM_DARK,
                             metal=(GOLD, SILVER, GUN)[random.integers(3)], width_cm=width, height_cm=height, depth_cm=depth, **softness))
    return tuple(made)


def shots(seed):
    """(sku, view): Shot of the right pictures."""
    return {(b.sku, v): s.natural_shot(f"s{seed}", b, v, BASE_PX if v != "detail" else DETAIL_PX, seed) for b in bags(seed) for v in s.VIEWS}


def _signed(random, low, high):
    return float(round(random.uniform(low, high) * random.choice([-1, 1]), 2))


def poses(seed):
    """(sku, view): (check, magnitude, Shot): about one picture in twelve stands wrongly."""
    random = np.random.default_rng([seed, 2])
    right, made = shots(seed), {}
    by_sku = {b.sku: b for b in bags(seed)}
    whole = [key for key in right if key[1] != "detail"]
    for k in random.permutation(len(whole))[:max(len(whole) // 9, 5)]:
        sku, view = key = whole[k]
        bag, shot = by_sku[sku], right[key]
        kinds = ["angle", "angle", "camera_height"] + (["lean"] if view != "three_quarter" else [])
        kinds += (["handles"] if bag.style in TWO_HANDLES and view != "back" else []) + (["strap", "strap"] if bag.strap and view != "back" else [])
        check = str(random.choice(kinds))
        if check == "angle":
            amount = _signed(random, *((9, 13) if bag.soft else (6, 11)))
            pose, camera = {"yaw_deg": shot.pose.yaw_deg + amount}, {}
        elif check == "camera_height":
            amount = _signed(random, 3, 5.5)
            pose, camera = None, {"elevation_deg": shot.elevation_deg + amount}
        elif check == "lean":
            amount = _signed(random, *((7.5, 10) if bag.soft else (4.5, 8)))
            pose, camera = {"lean_deg": amount}, {}
        elif check == "handles":
            amount = round(float(random.uniform(28, 40)), 1)
            pose, camera = {"tilt_front_deg": amount}, {}
        else:
            amount = str(random.choice(["behind", "draped", "held_up", "none"]))
            pose, camera = {"strap_state": amount}, {}
        made[key] = check, amount, s.altered(shot, f"{check}_{amount}", pose, **camera)
    return made


def all_shots(seed):
    """Every base that the deliveries of a seed need."""
    return list(shots(seed).values()) + [shot for *_, shot in poses(seed).values()]


def one_fault(random, view):
    """(check, magnitude, unit, changes) of ordinary size: one to four tolerances."""
    sized = lambda low, high: _signed(random, low, high)
    choices = {
        "roll": lambda: (m := sized(1.0, 3.5), "deg", {"roll_deg": m}),
        "scale": lambda: (m := sized(6, 16), "%", {"zoom": 1 + m / 100}),
        "centring": lambda: (m := sized(2.6, 7), "% of width", {"shift": (m / 100, 0.0)}),
        "exposure": lambda: (m := sized(0.2, 0.6), "EV", {"exposure_ev": m, "background_ev": min(m, 0.15)}),
        "background": lambda: (m := -abs(sized(0.25, 0.6)), "EV", {"background_ev": m}),
        "uneven_background": lambda: (m := sized(0.4, 1.0), "EV left to right", {"background_ramp_ev": m}),
        "white_balance": lambda: (m := sized(0.04, 0.1), "blue gain", {"gain_r": 1 - m / 2, "gain_b": 1 + m}),
        "product_colour": lambda: (m := sized(0.12, 0.3), "blue gain", {"product_gain_r": 1 - m / 2, "product_gain_b": 1 + m}),
        "focus": lambda: (m := abs(sized(1.2, 3)), "px sigma added", {"blur_px": m}),
        "motion_blur": lambda: (m := abs(sized(3, 8)), "px", {"motion_px": m, "motion_angle_deg": float(random.uniform(0, 180))}),
        "noise": lambda: (m := abs(sized(2.2, 5)), "8-bit sRGB", {"noise": m}),
        "product_specks": lambda: (m := int(random.integers(9, 25)), "specks", {"specks": m}),
        "jpeg_quality": lambda: (m := int(random.integers(40, 70)), "IJG", {"quality": m}),
        "upscaled": lambda: (m := round(float(random.uniform(0.25, 0.45)), 2), "resolved share", {"resolved": m}),
        "colour_profile": lambda: (m := str(random.choice(["none", "BT.2020"])), "", {"profile": "" if m == "none" else m}),
        "unreadable_file": lambda: (m := round(float(random.uniform(0.2, 0.9)), 2), "share of bytes", {"truncate": m}),
    }
    for_details = ("white_balance", "focus", "noise", "jpeg_quality", "upscaled", "colour_profile", "unreadable_file")
    check = str(random.choice(for_details if view == "detail" else list(choices)))
    magnitude, unit, changes = choices[check]()
    if check == "white_balance":
        magnitude, unit = round(neutral_delta_e(changes["gain_r"], changes["gain_b"]), 2), "CIEDE2000"
    return check, magnitude, unit, changes


def _times(seed, made):
    half = len(made) // 2
    return capture_times((made[:half], made[half:]), s.VIEWS, datetime.date(2025, 2, 4) + datetime.timedelta(days=seed % 200), seed=300 + seed)


def _fresh(seed, kind):
    """Pictures with light and grain of their own."""
    made = bags(seed)
    pictures = plain(shots(seed), _times(seed, made), SIZE_PX)
    for key, picture in pictures.items():
        pictures[key] = replace(picture, finish=natural_finish(f"{kind}{seed}{picture.base}"))
    return pictures


def clean(seed):
    """Nothing wrong."""
    return list(_fresh(seed, "clean").values()), bags(seed), [], []


def originals(seed):
    """A shoot of two days with faults of ordinary number and size."""
    random = np.random.default_rng([seed, 3])
    made, pictures = bags(seed), _fresh(seed, "originals")
    changes = []
    for key, (check, amount, shot) in poses(seed).items():
        pictures[key] = replace(pictures[key], base=shot.key)
        damage(pictures, key, check, amount, {"strap": "state", "handles": "deg"}.get(check, "deg"))
    order = sorted((p.time, key) for key, p in pictures.items())
    run = lambda low, high: [key for _, key in order[int(low * len(order)):int(high * len(order))]]
    if random.random() < 0.6:          # a lamp warms
        keys = run(0.10, 0.32)
        for k, key in enumerate(keys):
            share = (k + 1) / len(keys)
            gains = {"gain_r": 1 + 0.055 * share, "gain_b": 1 - 0.08 * share}
            delta = neutral_delta_e(gains["gain_r"], gains["gain_b"])
            damage(pictures, key, "white_balance" if delta > 1.0 else "", round(delta, 2), "CIEDE2000", "slowly warming lamp", **gains)
        changes.append({"quantity": "wb_gain_b", "kind": "trend", "from_file": pictures[keys[0]].file, "to_file": pictures[keys[-1]].file, "before": 1.0, "after": 1 / 0.92, "note": ""})
    if random.random() < 0.6:          # the main light is turned down
        keys, before = run(0.55, 0.75), run(0.0, 0.55)[-1]
        for key in keys:
            damage(pictures, key, "exposure", -0.3, "EV", "main light turned down", exposure_ev=-0.3, background_ev=-0.3)
        changes.append({"quantity": "exposure_dev_ev", "kind": "step", "from_file": pictures[before].file, "to_file": pictures[keys[0]].file, "before": 0, "after": -0.3, "note": ""})
        changes.append({"quantity": "exposure_dev_ev", "kind": "step", "from_file": pictures[keys[-1]].file, "to_file": pictures[run(0.75, 1.0)[0]].file, "before": -0.3, "after": 0, "note": ""})
    if random.random() < 0.7:          # dust on the sensor
        spots = tuple((float(x), float(y), float(r), float(d)) for x, y, r, d in zip(random.uniform(0.05, 0.95, 4), random.uniform(0.03, 0.97, 4), random.uniform(4, 8, 4), random.uniform(0.1, 0.25, 4)))
        for key in run(0.4, 0.75):
            damage(pictures, key, "sensor_spots", 4, "spots", "", spots=spots)
    taken = {key for key, p in pictures.items() if any(f.check in ("angle", "lean", "camera_height", "handles", "strap") for f in p.faults)}
    free = [key for key in pictures if key not in taken]
    random.shuffle(free)
    free = [tuple(key) for key in free]
    content, single = free[:8], free[8:8 + int(FAULTY * len(pictures))]
    for key in single:
        check, magnitude, unit, altered = one_fault(random, key[1])
        damage(pictures, key, check, magnitude, unit, **altered)
    missing = _contents(pictures, made, random, {key[0] for key in single} | {key[0] for key in taken})
    return list(pictures.values()), made, changes, missing


def _contents(pictures, made, random, busy):
    """Wrong names and contents, on products that have no other fault of their own where there are any."""
    skus = sorted((b.sku for b in made), key=lambda sku: (sku in busy, zlib.crc32(sku.encode()) ^ int(random.integers(1 << 30))))
    a, b, d, e = (skus[k % len(skus)] for k in range(4))
    others = [sku for sku in skus if sku not in (a, b, d, e)] or skus
    if random.random() < 0.7:
        front, back = pictures[a, "front"], pictures[a, "back"]
        pictures[a, "front"] = replace(back, file=front.file, view="front")
        pictures[a, "back"] = replace(front, file=back.file, view="back")
        for view, other in (("front", "back"), ("back", "front")):
            damage(pictures, (a, view), "swapped_views", "", "", f"shows the {other}")
    if random.random() < 0.6:
        o = others[int(random.integers(len(others)))]
        damage(pictures, (b, "detail"), "wrong_detail", "", "", f"detail of {o}", base=pictures[o, "detail"].base)
        same_photograph(pictures, (b, "detail"), (o, "detail"))
    if random.random() < 0.6:
        o = others[int(random.integers(len(others)))]
        damage(pictures, (d, "three_quarter"), "wrong_product", "", "", f"shows {o}", base=pictures[o, "three_quarter"].base)
        same_photograph(pictures, (d, "three_quarter"), (o, "three_quarter"))
    add_copy(pictures, (e, "front"), ("copy", "exact"), f"{e}_side.jpg", "exact_duplicate", view="side")
    o = others[0]
    source = pictures[o, "front"]
    add_copy(pictures, (o, "front"), ("copy", "near"), f"{o}_front-2.jpg", "near_duplicate", quality=83,
             fresh_finish=replace(source.finish, shift=(source.finish.shift[0] + 0.003, source.finish.shift[1] + 0.001), exposure_ev=source.finish.exposure_ev + 0.03, seed=7))
    missing = [(b, "back")]
    del pictures[missing[0]]
    return missing


def finals(seed):
    """Retouched pictures of the same shoot, on white and cropped to the rule."""
    random = np.random.default_rng([seed, 4])
    right, pictures = shots(seed), _fresh(seed, "finals")
    for key, picture in pictures.items():
        whole = key[1] != "detail"
        look = replace(picture.finish, white=whole, tone=0.08, roll_deg=-right[key].roll_deg if whole else 0.0, fill_rule=1.0 if whole else 0.0, gain_r=1.0, gain_b=1.0, noise=0.4)
        pictures[key] = replace(picture, finish=look, exif="export", quality=90)
    keys = [key for key in pictures if key[1] != "detail"]
    random.shuffle(keys)
    sized = lambda low, high: _signed(random, low, high)
    for key in [tuple(key) for key in keys[:int(0.2 * len(pictures))]]:
        base_roll = pictures[key].finish.roll_deg
        check, magnitude, unit, altered = [
            lambda: ("roll", m := sized(1.2, 3), "deg", {"roll_deg": base_roll + m}),
            lambda: ("scale", m := sized(6, 14), "%", {"zoom": 1 + m / 100}),
            lambda: ("centring", m := sized(2.6, 6), "% of width", {"shift": (m / 100, 0.0)}),
            lambda: ("cutout_edge", m := abs(sized(3, 6)), "px", {"halo_px": m}),
            lambda: ("product_colour", m := sized(0.14, 0.3), "blue gain", {"product_gain_r": 1 - m / 2, "product_gain_b": 1 + m}),
            lambda: ("exposure", m := sized(0.25, 0.5), "EV", {"exposure_ev": m}),
            lambda: ("background", m := round(float(random.uniform(0.8, 0.95)), 2), "linear level", {"background_level": m}),
            lambda: ("shadow", m := str(random.choice(["dropped", "mirror"])), "", {"shadow": m}),
            lambda: ("upscaled", m := round(float(random.uniform(0.25, 0.45)), 2), "resolved share", {"resolved": m}),
            lambda: ("jpeg_quality", m := int(random.integers(40, 65)), "IJG", {"quality": m}),
        ][int(random.integers(10))]()
        damage(pictures, key, check, magnitude, unit, **altered)
    made = bags(seed)
    missing = [(made[int(random.integers(len(made)))].sku, "back")]
    del pictures[missing[0]]
    return list(pictures.values()), made, [], missing


KINDS = {"originals": originals, "clean": clean, "finals": finals}

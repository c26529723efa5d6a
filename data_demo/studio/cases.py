"""Many faults of known size for the accuracy table, finished anew from the clean set's bases."""

import datetime
from dataclasses import replace
from pathlib import Path

import numpy as np

from . import shots as s
from .catalogue import CLEAN
from .delivery import add_copy, capture_times, damage, natural_finish, neutral_delta_e, plain, same_photograph
from .plan import KEYS, SMALL_SIZE, pose_shots
from .truth import write_delivery

WHOLE, ALL = ("three_quarter", "front", "back"), s.VIEWS
FAULTS_A_DELIVERY = 7          # of 32 pictures, so that the majority stays right


def ladder():
    """(check, magnitude, unit, views, changes) of every photometric, geometric and file fault."""
    rows = []
    put = lambda check, sizes, unit, views, make: rows.extend((check, m, unit, views, make(m)) for m in sizes)
    put("roll", (0.6, -0.8, 1.0, -1.2, 1.5, -1.8, 2.2, -3, 4, -6), "deg", WHOLE, lambda m: {"roll_deg": m})
    put("scale", (-4, 5, -6, 7, -9, 10, -12, 15, -18, 20), "%", WHOLE, lambda m: {"zoom": 1 + m / 100})
    put("centring", (1.5, -2, 2.5, -3, 3.5, -4, 5, -6, 8, -10), "% of width", WHOLE, lambda m: {"shift": (m / 100, 0.0)})
    put("cut_off", (17, 18, 19, 20, 21, 22, 23, 24, 26, 28), "% of height, down", WHOLE, lambda m: {"shift": (0.0, m / 100)})
    gains = ((1.02, 0.97), (0.98, 1.03), (1.03, 0.95), (0.97, 1.05), (1.05, 0.94), (0.95, 1.07), (1.07, 0.90), (0.92, 1.10), (1.12, 0.85), (0.88, 1.16))
    rows += [("white_balance", round(neutral_delta_e(*g), 2), "CIEDE2000", WHOLE, {"gain_r": g[0], "gain_b": g[1]}) for g in gains]
    put("exposure", (0.12, -0.15, 0.18, -0.2, 0.25, -0.3, 0.4, -0.5, 0.7, -1.0), "EV", WHOLE, lambda m: {"exposure_ev": m, "background_ev": min(m, 0.2)})
    put("background", (0.10, -0.12, 0.15, -0.18, -0.22, -0.27, -0.35, -0.45, -0.6, -0.9), "EV", WHOLE, lambda m: {"background_ev": m})
    put("uneven_background", (0.15, -0.2, 0.25, -0.3, 0.4, -0.5, 0.6, -0.8, 1.0, -1.3), "EV left to right", WHOLE, lambda m: {"background_ramp_ev": m})
    own = ((1.06, 0.94), (0.94, 1.06), (1.10, 0.90), (0.90, 1.10), (1.15, 0.85), (0.85, 1.2), (1.2, 0.8), (0.8, 1.3), (1.3, 0.7), (0.7, 1.5))
    rows += [("product_colour", f"{r} {b}", "red, blue gain", WHOLE, {"product_gain_r": r, "product_gain_b": b}) for r, b in own]
    put("clipping", (0.5, 0.6, 0.7, 0.8, 0.9, 1.0, 1.1, 1.2, 1.4, 1.6), "EV", WHOLE, lambda m: {"exposure_ev": m, "background_ev": 0.1})
    put("focus", (0.5, 0.7, 0.9, 1.1, 1.3, 1.6, 2.0, 2.5, 3.2, 4.0), "px sigma added", ALL, lambda m: {"blur_px": m})
    put("motion_blur", (1.5, 2, 2.5, 3, 3.5, 4, 5, 6, 8, 11), "px", WHOLE, lambda m: {"motion_px": m, "motion_angle_deg": 17 * m})
    put("noise", (1.2, 1.5, 1.8, 2.1, 2.5, 3, 3.5, 4.5, 6, 8), "8-bit sRGB", ALL, lambda m: {"noise": m})
    put("product_specks", (4, 6, 7, 8, 10, 12, 15, 20, 26, 36), "specks", WHOLE, lambda m: {"specks": m})
    put("jpeg_quality", (80, 76, 73, 70, 66, 62, 55, 48, 40, 30), "IJG", ALL, lambda m: {"quality": m})
    put("upscaled", (0.62, 0.55, 0.5, 0.48, 0.45, 0.42, 0.38, 0.33, 0.28, 0.22), "resolved share", ALL, lambda m: {"resolved": m})
    put("colour_profile", ("none", "BT.2020") * 5, "", ALL, lambda m: {"profile": "" if m == "none" else m})
    put("unreadable_file", (0.02, 0.1, 0.2, 0.3, 0.45, 0.6, 0.75, 0.85, 0.92, 0.97), "share of bytes", ALL, lambda m: {"truncate": m})
    put("file_spec", (64, 80, 100, 120, 140, 160, 180, 200, 220, 240), "px cut from the height", ("detail",), lambda m: {"crop": (0, m // 2, 640, 800 - (m - m // 2))})
    put("focal_length", (-4, 5, -6, 7, -9, 10, -12, 15, -18, 20), "%", ("three_quarter", "front", "back"),
        lambda m: {"focal_length_mm": 100 + m, "zoom": 1 + m / 100})       # from the same place: exactly an enlargement
    put("metadata", ("stripped",) * 10, "", ALL, lambda m: {"exif": ""})
    return rows


def halos():
    """Faults of finals: their own deliveries, cut out."""
    rows = [("cutout_edge", m, "px", WHOLE, {"halo_px": m}) for m in (1, 1.5, 2, 2.5, 3, 3.5, 4, 5, 6, 8)]
    rows += [("background", level, "linear level", WHOLE, {"background_level": level}) for level in (0.98, 0.96, 0.94, 0.92, 0.9, 0.88, 0.85, 0.8, 0.7, 0.6)]
    return rows + [("shadow", kind, "", WHOLE, {"shadow": kind}) for kind in ("dropped", "mirror") * 5]


def _base_set(number, finals=False):
    shots = s.set_c()
    times = capture_times((CLEAN[:4], CLEAN[4:]), s.VIEWS, datetime.date(2024, 5, 7) + datetime.timedelta(days=number), seed=100 + number)
    pictures = plain(shots, times, SMALL_SIZE)
    for key, picture in pictures.items():
        look = natural_finish(f"case{number}{picture.base}")
        if finals and key[1] != "detail":
            look = replace(look, white=True, tone=0.08, roll_deg=-shots[key].roll_deg, fill_rule=1.0, gain_r=1.0, gain_b=1.0)
        pictures[key] = replace(picture, finish=look, exif="export" if finals else "camera")
    return pictures


def _spread(rows):
    """Deal faults out to deliveries, the checks mixed, none twice on one picture."""
    by_check = {}
    for row in rows:
        by_check.setdefault(row[0], []).append(row)
    deal = [row for k in range(max(map(len, by_check.values()), default=0)) for rows in by_check.values() for row in rows[k:k + 1]]
    return [deal[k:k + FAULTS_A_DELIVERY] for k in range(0, len(deal), FAULTS_A_DELIVERY)]


def _apply(pictures, rows, number):
    free = [key for key in pictures]
    for k, (check, magnitude, unit, views, changes) in enumerate(rows):
        choice = [key for key in free if key[1] in views]
        key = choice[(number * 5 + k * 11) % len(choice)]
        free.remove(key)
        damage(pictures, key, check, magnitude, unit, **changes)
        if check == "focal_length":
            damage(pictures, key, "scale", magnitude, unit, "the same zoom")


def _dust(pictures, number):
    """Sensor dust through a run of frames, fainter and smaller from delivery to delivery."""
    random = np.random.default_rng([number, 41])
    depth, radius = 0.32 - 0.03 * number, 8.0 - 0.5 * number
    spots = tuple((float(x), float(y), radius, depth) for x, y in zip(random.uniform(0.05, 0.95, 3), random.uniform(0.04, 0.16, 3)))
    run = sorted((p.time, key) for key, p in pictures.items() if not p.copy_of)[6:18]
    for _, key in run:
        damage(pictures, key, "sensor_spots", len(spots), "spots", f"depth {depth:.2f}, radius {radius:.1f} px at 1600", spots=spots)


def _contents(pictures, number):
    """Wrong names and contents; one kind of each in a delivery."""
    skus = [b.sku for b in CLEAN]
    a, b, c, d, e, f = (skus[(number + k) % 8] for k in range(6))
    missing = [(a, "back")]
    del pictures[missing[0]]
    front, back = pictures[b, "front"], pictures[b, "back"]
    pictures[b, "front"] = replace(back, file=front.file, view="front")
    pictures[b, "back"] = replace(front, file=back.file, view="back")
    for view, other in (("front", "back"), ("back", "front")):
        damage(pictures, (b, view), "swapped_views", "", "", f"shows the {other}")
    damage(pictures, (c, "detail"), "wrong_detail", "", "", f"detail of {d}", base=pictures[d, "detail"].base)
    damage(pictures, (e, "three_quarter"), "wrong_product", "", "", f"shows {f}", base=pictures[f, "three_quarter"].base)
    same_photograph(pictures, (c, "detail"), (d, "detail"))
    same_photograph(pictures, (e, "three_quarter"), (f, "three_quarter"))
    add_copy(pictures, (d, "front"), ("copy", "exact"), f"{d}_side.jpg", "exact_duplicate", view="side")
    source = pictures[f, "front"]
    add_copy(pictures, (f, "front"), ("copy", "near"), f"{f}_front-2.jpg", "near_duplicate", quality=82,
             fresh_finish=replace(source.finish, shift=(0.003, 0.001), exposure_ev=source.finish.exposure_ev + 0.03, seed=number))
    source = pictures[a, "detail"]
    add_copy(pictures, (a, "detail"), ("copy", "stray"), f"HS45{400 + number:04d}.jpg", "unexpected_file", sku="", view="",
             fresh_finish=replace(source.finish, zoom=1.35, shift=(0.1, 0.06)))
    return missing


def _posed(pictures, rows):
    for (number, view, check, amount), shot in rows:
        key = (KEYS[number], view)
        pictures[key] = replace(pictures[key], base=shot.key)
        damage(pictures, key, check, amount, {"strap": "state", "handles": "deg, tilt of the handle nearest the front"}.get(check, "deg"))


def plans(cache):
    """(name, pictures, missing) of every delivery of cases; poses only as far as they are rendered."""
    for number, rows in enumerate(_spread(ladder())):
        pictures = _base_set(number)
        _apply(pictures, rows, number)
        yield f"cases_{number:02d}", pictures, []
    for number, rows in enumerate(_spread(halos())):
        pictures = _base_set(40 + number, finals=True)
        _apply(pictures, rows, number)
        yield f"finals_{number:02d}", pictures, []
    for number in range(10):
        pictures = _base_set(60 + number)
        _dust(pictures, number)
        yield f"contents_{number:02d}", pictures, _contents(pictures, number)
    groups = []
    for item in pose_shots().items():
        if (Path(cache) / f"{item[1].key}.npz").exists():
            group = next((g for g in groups if len(g) < FAULTS_A_DELIVERY and all(o[0][:2] != item[0][:2] for o in g)), None)
            groups.append([item]) if group is None else group.append(item)
    for number, rows in enumerate(groups):
        pictures = _base_set(80 + number)
        _posed(pictures, rows)
        yield f"poses_{number:02d}", pictures, []


def write_cases(cache, out, checks=()):
    """Write the deliveries of cases under ``out``, truth under ``out/truth``; yields their folders."""
    for name, pictures, missing in plans(cache):
        if checks and not any(f.check in checks for p in pictures.values() for f in p.faults):
            continue
        write_delivery(name, list(pictures.values()), CLEAN, [], missing, cache, Path(out) / name, Path(out) / "truth", masks=False)
        yield Path(out) / name

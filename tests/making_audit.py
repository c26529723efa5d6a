"""
A made audit with known truth: painted bags and a finding of every check.

The bags, names and numbers are invented. `make_audit` paints `products` times
five pictures, moves and tints some of them, and writes down what was done as
the findings that a judge would write.
"""

import functools
import io

import numpy as np
import pandas as pd
from catalogue_audit.report.audit import Audit
from catalogue_audit.schema import CHECKS
from catalogue_audit.statistics.tables import table_from_rows
from PIL import Image, ImageDraw

VIEWS = ("three_quarter", "front", "back", "detail", "interior")
COLOURS = ((122, 74, 48), (38, 44, 60), (160, 140, 112), (110, 30, 36), (70, 92, 76), (205, 190, 170))
WIDTH, HEIGHT = 512, 640
BRIEF = {
    "stage": "originals",
    "views": {"required": ["three_quarter", "front", "back", "detail"], "counts": {"detail": [1, 6]}},
    "tolerance": {"roll": 0.8, "angle": 4.0},
}


def paint_bag(colour, view="front", *, scale=1.0, roll=0.0, shift=(0, 0), paper=(243, 243, 242), tint=(1, 1, 1), gain=1.0):
    """A bag on paper, as a (640, 512, 3) uint8 array, and its outline in fractions of the frame."""
    picture = Image.new("RGB", (WIDTH, HEIGHT), paper)
    draw = ImageDraw.Draw(picture)
    shape = _shape(view) * scale
    angle = np.deg2rad(roll)
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    body = shape @ turn.T + (WIDTH / 2 + shift[0], HEIGHT * 0.56 + shift[1])
    if view not in ("detail", "interior"):
        base = body[:, 1].max()
        draw.ellipse((body[:, 0].min() - 6, base - 14, body[:, 0].max() + 10, base + 12), fill=tuple(int(c * 0.88) for c in paper))
        handle = np.array([(-80, -150), (-70, -255), (70, -255), (80, -150)]) * scale @ turn.T + (WIDTH / 2 + shift[0], HEIGHT * 0.56 + shift[1])
        draw.line([tuple(p) for p in handle], fill=tuple(int(c * 0.7) for c in colour), width=int(16 * scale), joint="curve")
        body_all = np.vstack([body[:1], handle[:1], handle[1:3], handle[3:], body[1:]])
    else:
        body_all = body
    draw.polygon([tuple(p) for p in body], fill=colour)
    seam = body * 0.82 + body.mean(axis=0) * 0.18
    draw.line([tuple(p) for p in np.vstack([seam, seam[:1]])], fill=tuple(min(255, int(c * 1.35)) for c in colour), width=2)
    if view == "front":
        centre = body.mean(axis=0)
        draw.ellipse((*(centre - 14), *(centre + 14)), fill=(196, 170, 104))
    array = np.asarray(picture, np.float64) * gain * np.asarray(tint)
    return np.clip(array + _noise(), 0, 255).astype(np.uint8), (body_all / (WIDTH, HEIGHT)).astype(np.float32)


@functools.cache
def _noise():
    return np.random.default_rng(7).normal(0, 1.2, (HEIGHT, WIDTH, 3))


@functools.cache
def _painted_sketch(colour, view, painted):
    return sketch_of(*paint_bag(colour, view, **dict(painted)))


def _shape(view):
    if view == "three_quarter":
        return np.array([(-150, -120), (60, -160), (165, -130), (180, 130), (70, 170), (-165, 140)], float)
    if view == "detail":
        return np.array([(-240, -260), (240, -230), (250, 200), (-230, 210)], float)
    if view == "interior":
        return np.array([(-180, -120), (180, -120), (210, 150), (-210, 150)], float)
    return np.array([(-150, -150), (150, -150), (175, 165), (-175, 165)], float)


def sketch_of(array, outline):
    """The sketch of a painted picture."""
    preview, thumb = io.BytesIO(), Image.fromarray(array)
    thumb.save(preview, "JPEG", quality=85)
    mask = Image.new("1", (205, 256))
    ImageDraw.Draw(mask).polygon([tuple(p) for p in outline * (205, 256)], fill=1)
    return {
        "preview": np.frombuffer(preview.getvalue(), np.uint8),
        "thumb": np.asarray(thumb.resize((102, 128))),
        "mask": np.asarray(mask),
        "outline": outline,
        "backdrop": np.full((16, 3), (95.8, 0.1, -0.2), np.float32) + np.linspace(0, 4, 16)[:, None].astype(np.float32) * (1, 0, 0),
    }


# check → (view it is shown on, value, expected, unit, how the picture is painted)
FAULTS = {
    "roll": ("front", 2.4, 0.0, "degree", {"roll": 2.4}),
    "scale": ("front", 0.112, 0.0, "fraction", {"scale": 1.112}),
    "centring": ("back", 0.047, 0.0, "fraction of frame", {"shift": (24, 0)}),
    "white_balance": ("three_quarter", 4.61, 0.0, "CIEDE2000", {"tint": (1.03, 1.0, 0.90)}),
    "exposure": ("back", -0.412, 0.0, "EV", {"gain": 0.82}),
    "background": ("front", -5.2, 0.0, "CIELAB L*", {"paper": (226, 226, 226)}),
    "angle": ("three_quarter", 8.3, 0.0, "degree", {}),
    "camera_height": ("three_quarter", 3.9, 0.0, "degree", {}),
    "lean": ("front", 4.6, 0.0, "degree", {}),
    "handles": ("front", 2.1, 0.0, "cm", {}),
    "strap": ("back", None, None, "", {}),
    "cut_off": ("back", None, None, "", {"scale": 1.75}),
    "product_colour": ("back", 5.4, 0.0, "CIEDE2000", {"tint": (1.08, 1.0, 0.94)}),
    "uneven_background": ("front", 6.1, 1.2, "CIELAB L*", {}),
    "cutout_edge": ("three_quarter", 3.4, 0.0, "px", {}),
    "shadow": ("front", None, None, "", {}),
    "clipping": ("front", 0.031, 0.002, "fraction of product", {"gain": 1.25}),
    "focus": ("front", 2.4, 1.0, "ratio", {}),
    "motion_blur": ("back", 1.9, 1.0, "ratio", {}),
    "noise": ("detail", 2.6, 1.0, "ratio", {}),
    "product_specks": ("three_quarter", 14, 2, "specks", {}),
    "sensor_spots": ("back", 7, 0, "frames", {}),
    "focal_length": ("front", -0.22, 0.0, "fraction", {}),
    "file_spec": ("interior", 1200, 1600, "px", {}),
    "colour_profile": ("detail", None, None, "", {}),
    "jpeg_quality": ("interior", 62, 92, "IJG quality", {}),
    "upscaled": ("interior", 0.31, 1.0, "fraction resolved", {}),
    "exact_duplicate": ("detail", None, None, "", {}),
    "near_duplicate": ("interior", None, None, "", {}),
    "wrong_product": ("back", None, None, "", {}),
    "wrong_detail": ("detail", None, None, "", {}),
    "swapped_views": ("front", None, None, "", {}),
    "metadata": ("interior", None, None, "", {}),
    "unexpected_file": ("interior", None, None, "", {}),
}


def make_audit(products=12, faults=True, seed=1):
    """
    A made audit of `products` times five pictures.

    Parameters
    ----------
    products : int
        With `faults`, at least 12 show every check at least once.
    faults : bool
        False gives a clean delivery: no finding at all.
    """
    random = np.random.default_rng(seed)
    plan = _plan(products) if faults else {}
    rows, findings, marks, corrections, sketches = [], [], [], [], {}
    for number in range(products):
        sku = f"BG-{100 + number:04d}"
        for place, view in enumerate(VIEWS):
            file = f"{sku}_{view}.jpg"
            if faults and (number, view) == (3, "back"):
                continue  # the missing picture
            checks = plan.get((number, view), [])
            row = _row(file, sku, view, number * len(VIEWS) + place, number, random, faults)
            painted = {}
            for check in checks:
                painted |= FAULTS[check][4]
                findings.append(_finding(file, sku, view, check))
                marks += _marks(file, check)
                _mark_row(row, check)
            sketches[file] = _painted_sketch(COLOURS[number % len(COLOURS)], view, tuple(painted.items()))
            if set(checks) & {"roll", "white_balance", "exposure", "scale"}:
                corrections.append(_correction(file, checks))
            rows.append(row)
    if faults:
        rows.append({"file": "BG-0100_front (broken).jpg", "sku": "BG-0100", "view": "front", "status": "not_measured", "bytes": 4100, "format": "JPEG",
                     "reason": "The file ends in the middle of the picture. Ask the supplier to send it again."})  # fmt: skip
        sketches["BG-0100_front (broken).jpg"] = {}
        findings += _set_findings(rows)
    findings.sort(key=lambda f: (f.get("file") or "", f["check"]))
    frames = table_from_rows("frames", sorted(rows, key=lambda r: r["file"]))
    found = table_from_rows("findings", findings)
    return Audit(
        summary=_summary(frames, found, faults),
        frames=frames,
        findings=found,
        marks=table_from_rows("marks", marks),
        changes=table_from_rows("changes", _changes(frames) if faults else []),
        corrections=table_from_rows("corrections", corrections),
        products=table_from_rows("products", _products(products, found, faults)),
        pairs=pd.DataFrame(
            {"file_a": ["BG-0109_detail.jpg"], "file_b": ["BG-0108_detail.jpg"], "kind": ["same_pixels"], "note": [""]} if faults and products >= 10 else {}
        ),
        spots=_spots() if faults else pd.DataFrame(),
        framing_rule="same_height",
        sketches=sketches,
        versions={"catalogue-audit": "0.1.0"},
    )  # fmt: skip


def _plan(products):
    plan = {}
    for index, (check, (view, *_)) in enumerate(FAULTS.items()):
        number = (index * 5 + 1) % products
        if (number, view) == (3, "back"):
            number = 4 % products
        plan.setdefault((number, view), []).append(check)
    if products > 12:  # a big delivery repeats its faults
        names = list(FAULTS)
        for number in range(12, products):
            check = names[number % len(names)]
            plan.setdefault((number, FAULTS[check][0]), []).append(check)
    return plan


def _row(file, sku, view, order, number, random, faults):
    minutes = order * 2 + 45 * (number >= 6)
    warm = 2.6 if faults and number >= 9 else 0.0
    whole = view in ("three_quarter", "front", "back")
    return {
        "file": file, "sku": sku, "view": view, "style": "tote" if number % 2 else "hobo", "colourway": "tan",
        "view_kind": "upright" if whole else "crop", "status": "measured", "origin": "original",
        "captured_at": f"2026-03-{2 + minutes // 600:02d}T{9 + minutes % 600 // 60:02d}:{minutes % 60:02d}:12",
        "captured_at_source": "DateTimeOriginal", "camera_model": "Studio body", "camera_serial": "100200",
        "focal_length_mm": 85.0, "focal_length_35mm": 85.0, "f_number": 11.0, "exposure_time_s": 0.008, "iso": 100, "ev100": 13.885,
        "bytes": 812345, "format": "JPEG", "width_px": 4000, "height_px": 5000, "orientation": 1, "colour_profile": "sRGB", "bit_depth": 8,
        "chroma_subsampling": "4:4:4", "jpeg_quality": 92, "left": 0.16, "top": 0.16, "right": 0.84, "bottom": 0.82,
        "fill_height": 0.66 + random.normal(0, 0.004), "fill_width": 0.68, "fill_area": 0.3, "centre_dx": random.normal(0, 0.003),
        "centre_dy": 0.02, "baseline": 0.82, "roll_deg": random.normal(0, 0.15) if whole else None, "yaw_deg": 34.0 if view == "three_quarter" else None,
        "yaw_dev_deg": random.normal(0, 1.0) if whole else None, "lean_deg": random.normal(0, 0.6) if view == "front" else None,
        "scale_dev": random.normal(0, 0.01) if whole else None, "centre_dev_x": random.normal(0, 0.003) if whole else None,
        "centre_dev_y": random.normal(0, 0.003) if whole else None, "backdrop": "white", "background_L": 95.8, "background_a": 0.1,
        "background_b": -0.2, "background_spread": 1.3, "cct_k": 6500.0, "duv": 0.001, "wb_dev": abs(random.normal(0.5, 0.2)) + warm,
        "wb_gain_r": 1.0, "wb_gain_b": 1.0 + 0.02 * random.normal() + 0.05 * (warm > 0), "exposure_dev_ev": random.normal(0, 0.03),
        "background_dev_ev": random.normal(0, 0.03), "product_L": 40.0, "product_a": 8.0, "product_b": 12.0, "clipped_high": 0.001,
        "blur_px": 0.9, "noise": 1.2, "specks": 1, "exposure_group": 1 + (number >= 9), "capture_run": 1 + (number >= 6), "sha256": "0" * 64,
        "phash": "0f" * 8,
    }  # fmt: skip


def _finding(file, sku, view, check):
    spec = CHECKS[check]
    _, value, expected, unit, _ = FAULTS[check]
    return {"file": file, "sku": sku, "view": view, "check": check, "severity": "critical" if check == "focus" else spec.severity, "value": value,
            "expected": expected, "tolerance": spec.tolerance, "unit": unit or spec.unit or None, "remedy": spec.remedy,
            "note": f"Made finding: {check.replace('_', ' ')} of the {view.replace('_', '-')} view is off."}  # fmt: skip


def _mark_row(row, check):
    value = FAULTS[check][1]
    column = {"roll": "roll_deg", "angle": "yaw_dev_deg", "lean": "lean_deg", "scale": "scale_dev", "centring": "centre_dev_x",
              "exposure": "exposure_dev_ev", "white_balance": "wb_dev"}.get(check)  # fmt: skip
    if column:
        row[column] = value
    if check == "cut_off":
        row["touches"] = "left right"
    if check == "focal_length":
        row["focal_length_35mm"] = 66.0


def _marks(file, check):
    if check in ("product_specks", "sensor_spots"):
        return [{"file": file, "check": check, "left": x, "top": y, "right": x + 0.01, "bottom": y + 0.008, "size_px": 12, "note": "dark spot"}
                for x, y in ((0.3, 0.5), (0.55, 0.62), (0.62, 0.4))]  # fmt: skip
    if check == "cutout_edge":
        return [{"file": file, "check": check, "left": 0.2, "top": 0.4, "right": 0.3, "bottom": 0.6, "size_px": 3.4, "note": "light rim"}]
    return []


def _correction(file, checks):
    return {"file": file, "exposure_ev": 0.412 if "exposure" in checks else None, "gain_r": 0.97 if "white_balance" in checks else None,
            "gain_g": 1.0 if "white_balance" in checks else None, "gain_b": 1.11 if "white_balance" in checks else None,
            "rotate_deg": -2.4 if "roll" in checks else None, "crop_left": 0.02, "crop_top": 0.02, "crop_right": 0.98, "crop_bottom": 0.98, "note": None}  # fmt: skip


def _set_findings(rows):
    warm = [row for row in rows if row.get("sku", "") >= "BG-0109" and row["view"] == "front" and row["status"] == "measured"]
    found = [
        {"file": "BG-0100_front (broken).jpg", "sku": "BG-0100", "view": "front", "check": "unreadable_file", "severity": "critical", "remedy": "supply",
         "note": "The file ends in the middle of the picture. Ask the supplier to send it again."},
        {"sku": "BG-0103", "view": "back", "check": "missing_view", "severity": "critical", "remedy": "supply", "note": "The back view of BG-0103 is not in the delivery."},
        {"check": "metadata", "severity": "minor", "remedy": "check", "note": "No file of the delivery states a copyright holder."},
    ]  # fmt: skip
    for row in warm:
        found.append({"file": row["file"], "sku": row["sku"], "view": "front", "check": "white_balance", "severity": "major", "value": 3.1, "expected": 0.0,
                      "tolerance": 2.0, "unit": "CIEDE2000", "remedy": "retouch", "note": "Warmer than the set since the change of light.",
                      "cause": "white balance steps at BG-0109_three_quarter.jpg"})  # fmt: skip
    return found


def _changes(frames):
    files = list(frames["file"])
    if "BG-0109_back.jpg" not in files:
        return []
    place = files.index("BG-0109_back.jpg")
    return [{"quantity": "wb_dev", "view": "all", "kind": "step", "from_file": files[place - 1], "to_file": files[place],
             "from_time": frames["captured_at"][place - 1], "to_time": frames["captured_at"][place], "before": 0.5, "after": 3.1, "unit": "CIEDE2000",
             "frames": len(files) - place, "note": "White balance steps warmer by 2.6 ΔE00."}]  # fmt: skip


def _products(products, findings, faults):
    rows = []
    for number in range(products):
        sku = f"BG-{100 + number:04d}"
        mine = findings[findings["sku"] == sku]
        worst = next((s for s in ("critical", "major", "minor") if (mine["severity"] == s).any()), None)
        rows.append({"sku": sku, "name": f"Bag {number + 1}", "style": "tote" if number % 2 else "hobo", "views_present": " ".join(VIEWS),
                     "views_missing": "back" if faults and number == 3 else None, "worst_severity": worst, "findings": len(mine),
                     "verdict": {"critical": "return", "major": "accept_after_corrections"}.get(worst, "accept")})  # fmt: skip
    return rows


def _summary(frames, findings, faults):
    unread = int((frames["status"] == "not_measured").sum())
    return {
        "delivery": "Autumn bags, drop 2" if faults else "Autumn bags, clean", "stage": "originals", "audited_at": "2026-03-04T10:15:00+01:00",
        "tool_version": "0.1.0", "brief": BRIEF, "files": len(frames), "measured": len(frames) - unread, "not_measured": unread,
        "products": int(frames["sku"].nunique()), "complete_products": int(frames["sku"].nunique()) - faults, "verdict": "return" if faults else "accept",
        "findings_by_severity": {str(k): int(v) for k, v in findings["severity"].value_counts().items()},
        "findings_by_check": findings["check"].value_counts().to_dict(),
        "exit_status": int(faults),
    }  # fmt: skip


def _spots():
    """Three grains of dust, each seen in two pictures a little apart."""
    places = [(0.21, 0.17, 9.0, 7), (0.64, 0.42, 14.0, 22), (0.83, 0.11, 7.5, 5)]
    rows = [{"file": f"BG-010{n}_back.jpg", "x": x + 0.001 * n, "y": y, "size_px": size, "camera": "100200", "frames": frames}
            for x, y, size, frames in places for n in (1, 2)]  # fmt: skip
    return pd.DataFrame(rows)

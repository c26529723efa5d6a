"""Write a delivery and, beside it, what is true of it."""

import csv
import datetime
import math
import shutil
from pathlib import Path

import cv2
import numpy as np
from PIL import Image

from . import files
from .canvas import product_box
from .colour import ciede2000, linear_rgb_to_lab
from .delivery import camera_facts
from .finish import decode, finish_picture, read_base

PIXEL_SIGMA = 0.45     # of the renderer's pixel filter, in pixels of the base render

PICTURE_COLUMNS = ["file", "sku", "view", "shown_sku", "shown_view", "photograph", "style", "captured_at", "left", "top", "right", "bottom", "roll_deg", "yaw_deg",
                   "lean_deg", "handle_gap", "handle_gap_cm", "strap_state", "focal_length_mm", "gain_r", "gain_b", "exposure_ev",
                   "background_ev", "background_ramp_ev", "product_gain_r", "product_gain_b", "blur_px", "blur_added_px", "motion_px", "noise",
                   "noise_added", "specks", "sensor_spots", "zoom", "camera_distance_cm", "camera_height_cm", "camera_pitch_deg",
                   "px_per_cm", "jpeg_quality", "profile", "clipped_high", "mask"]
FAULT_COLUMNS = ["file", "sku", "view", "check", "magnitude", "unit", "note"]
CHANGE_COLUMNS = ["quantity", "kind", "from_file", "to_file", "before", "after", "note"]
MARK_COLUMNS = ["file", "check", "x", "y", "size_px"]


def _cell(value):
    if value is None or (isinstance(value, float) and math.isnan(value)):
        return ""
    return f"{value:.5g}" if isinstance(value, (float, np.floating)) else value


def write_table(path, columns, rows):
    path.parent.mkdir(parents=True, exist_ok=True)
    with path.open("w", newline="", encoding="utf-8") as stream:
        writer = csv.writer(stream, lineterminator="\n")
        writer.writerow(columns)
        writer.writerows([_cell(row.get(c)) for c in columns] for row in rows)


def _delivered_noise(data, clean, cover, white):
    """Noise left after JPEG: standard deviation of luma against the noise-free picture, flat background."""
    if white:
        return 0.0
    away = cv2.erode((cover < 0.002).astype(np.uint8), np.ones((9, 9), np.uint8)) > 0
    if away.sum() < 2000:
        return math.nan
    luma = np.array([0.299, 0.587, 0.114])
    got = np.asarray(Image.open(data).convert("RGB"), np.float32)
    rest = ((got - clean * 255) @ luma)[away]
    return float(1.4826 * np.median(np.abs(rest - np.median(rest))))


def _clipped_share(values, cover):
    """Share of the product's pixels with a channel at the top of the scale."""
    inner = cover > 0.999
    return float((values[inner] == 255).any(axis=1).mean()) if inner.any() else math.nan


def _own_cast(clean, cover, finish):
    """CIEDE2000, at equal lightness, that a cast on the product alone makes of the product's median colour."""
    seen = np.median(decode(clean[cover > 0.98]), axis=0)
    meant = linear_rgb_to_lab(seen / (finish.product_gain_r, 1.0, finish.product_gain_b))
    return ciede2000(meant, [meant[0], *linear_rgb_to_lab(seen)[1:]])


def picture_row(picture, base_facts, shown, truth, noise):
    """One row of the picture table."""
    finish = picture.finish
    scale = truth["zoom"] * picture.size[0] / base_facts["frame_px"][0]
    left, top, right, bottom = truth["box"]
    blur = math.hypot(PIXEL_SIGMA * scale, finish.blur_px)
    return {"file": picture.file, "sku": picture.sku, "view": picture.view, "shown_sku": shown[0], "shown_view": shown[1], "photograph": picture.base, "style": base_facts["style"],
            "captured_at": picture.time.isoformat(timespec="milliseconds") + "+01:00" if picture.exif == "camera" else "",
            "left": left, "top": top, "right": right, "bottom": bottom,
            "roll_deg": base_facts["roll_deg"] + finish.roll_deg, "yaw_deg": base_facts["yaw_deg"],
            "lean_deg": base_facts["lean_deg"], "handle_gap": base_facts["handle_gap"], "handle_gap_cm": base_facts["handle_gap_cm"],
            "strap_state": base_facts["strap_state"], "focal_length_mm": picture.focal_length_mm,
            "gain_r": finish.gain_r, "gain_b": finish.gain_b, "exposure_ev": finish.exposure_ev, "background_ev": finish.background_ev,
            "background_ramp_ev": finish.background_ramp_ev, "product_gain_r": finish.product_gain_r, "product_gain_b": finish.product_gain_b,
            "blur_px": blur, "blur_added_px": finish.blur_px, "motion_px": finish.motion_px, "noise": noise, "noise_added": finish.noise,
            "specks": finish.specks, "sensor_spots": len(finish.spots), "zoom": truth["zoom"],
            "camera_distance_cm": base_facts["distance_cm"], "camera_height_cm": base_facts["camera_cm"][2],
            "camera_pitch_deg": base_facts["elevation_deg"], "px_per_cm": base_facts["px_per_cm"] * scale,
            "jpeg_quality": picture.quality, "profile": picture.profile or "none"}


def write_delivery(name, pictures, bags, changes, missing, cache, delivery_folder, truth_folder, masks=True):
    """
    Write the files of a delivery and the tables of its truth.

    Parameters
    ----------
    pictures : iterable of Picture
    bags : iterable of Bag, for products.csv
    changes : list of dict with CHANGE_COLUMNS
    missing : list of (sku, view), required pictures that are not there
    cache : folder of base renders
    delivery_folder, truth_folder : where to write; the delivery's old content is replaced
    """
    folder, truth_folder = Path(delivery_folder), Path(truth_folder)
    if folder.exists():
        shutil.rmtree(folder)
    folder.mkdir(parents=True)
    mask_folder = truth_folder / "masks" / name
    if masks and mask_folder.exists():
        shutil.rmtree(mask_folder)
    rows, faults, marks = [], [], []
    ordered = sorted(pictures, key=lambda p: (bool(p.copy_of), p.file))
    written = {}
    for picture in ordered:
        base = read_base(cache, picture.base)
        values, clean, cover, made = finish_picture(base, picture.finish, picture.size)
        if picture.crop:
            left, top, right, bottom = picture.crop
            values, clean, cover = (a[top:bottom, left:right] for a in (values, clean, cover))
            made = made | {"box": product_box(cover)}
        facts = camera_facts(picture)
        if facts and "size" in facts:
            facts["size"] = (values.shape[1], values.shape[0])
        if facts and picture.profile != "sRGB":
            facts["colour_space"] = 65535 if picture.profile else 1
        data = written.get(picture.copy_of) or files.jpeg(values, picture.quality, picture.profile, files.exif_block(facts) if facts else None)
        data = data[:int(len(data) * picture.truncate)]
        target = folder / picture.file
        target.parent.mkdir(parents=True, exist_ok=True)
        target.write_bytes(data)
        written[picture.file] = data
        noise = math.nan
        if picture.truncate == 1 and picture.profile == "sRGB":
            noise = _delivered_noise(target, clean, cover, picture.finish.white)
        shown = (base[2]["sku"], base[2]["view"])
        row = picture_row(picture, base[2], shown, made, noise) | {"clipped_high": _clipped_share(values, cover)}
        if masks:
            mask_folder.mkdir(parents=True, exist_ok=True)
            mask = mask_folder / (Path(picture.file).stem + ".png")
            mask.write_bytes(files.mask_png(cover))
            row["mask"] = f"masks/{name}/{mask.name}"
        rows.append(row)
        sized = {"handles": lambda: (round(base[2]["handle_gap_cm"], 2), "cm"),        # sizes that the finished picture tells
                 "clipping": lambda: (round(100 * row["clipped_high"], 2), "% of product"),
                 "product_colour": lambda: (round(_own_cast(clean, cover, picture.finish), 2), "CIEDE2000")}
        for fault in picture.faults:
            magnitude, unit = sized.get(fault.check, lambda: (fault.magnitude, fault.unit))()
            faults.append({"file": picture.file, "sku": picture.sku, "view": picture.view, "check": fault.check, "magnitude": magnitude, "unit": unit, "note": fault.note})
        marks += [{"file": picture.file, "check": "product_specks", "x": x, "y": y, "size_px": s} for x, y, s in made["specks"]]
        marks += [{"file": picture.file, "check": "sensor_spots", "x": x, "y": y, "size_px": 2 * r * values.shape[0] / 1600}
                  for x, y, r, _ in picture.finish.spots]
    faults += [{"file": "", "sku": sku, "view": view, "check": "missing_view"} for sku, view in missing]
    by_file = lambda row: (row["file"], row.get("check") or "", row.get("sku") or "", row.get("view") or "")
    write_products(folder / "products.csv", bags, max(picture.time for picture in ordered).date())
    write_table(truth_folder / f"{name}.csv", PICTURE_COLUMNS, sorted(rows, key=by_file))
    write_table(truth_folder / f"{name}_faults.csv", FAULT_COLUMNS, sorted(faults, key=by_file))
    write_table(truth_folder / f"{name}_changes.csv", CHANGE_COLUMNS, changes)
    write_table(truth_folder / f"{name}_marks.csv", MARK_COLUMNS, sorted(marks, key=lambda m: (m["file"], m["check"], m["y"], m["x"])))
    return rows


def write_products(path, bags, last_day):
    """The products file that comes with the delivery: samples go back to their makers style by style, the last style that was drawn first."""
    columns = ["sku", "name", "style", "colourway", "width_cm", "height_cm", "depth_cm", "strap", "main_view", "sample_until", "live_on"]
    styles = list(dict.fromkeys(bag.style for bag in bags))[::-1]
    until = {style: last_day + datetime.timedelta(days=4 + 2 * place) for place, style in enumerate(styles)}
    write_table(path, columns, [{"sku": b.sku, "name": b.name, "style": b.style, "colourway": b.colour, "width_cm": b.width_cm,
                                 "height_cm": b.height_cm, "depth_cm": b.depth_cm, "strap": "detachable" if b.strap else "none",
                                 "main_view": "three_quarter", "sample_until": until[b.style].isoformat(),
                                 "live_on": (until[b.style] + datetime.timedelta(days=14)).isoformat()} for b in bags])

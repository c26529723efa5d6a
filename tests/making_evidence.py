"""Synthetic deliveries as tables: a steady studio with known natural variation, and faults put into it."""

import dataclasses

import numpy as np
import pandas as pd

from catalogue_audit.findings.evidence import Evidence
from catalogue_audit.measures.applicability import applicable
from catalogue_audit.statistics.tables import table_from_rows

VIEWS = ("three_quarter", "front", "detail", "back")
KINDS = {"detail": "crop"}
STYLES = ("tote", "satchel", "hobo", "clutch")

# Standard deviations of practice, from the project's demonstration brief: angle 1.1°, roll 0.25°, centre 0.5 %,
# exposure 0.03 EV, soft outlines 3 to 5 % in size; the rest is common practice, no source.
ANGLE_SD, ROLL_SD, CENTRE_SD, EXPOSURE_SD = 1.1, 0.25, 0.005, 0.03
SCALE_SD = {"hobo": 0.025}


def clean_frames(products=20, seed=0, stage="originals"):
    """Frames of a delivery in which nothing is wrong."""
    random = np.random.default_rng(seed)
    rows = []
    for number in range(products):
        style = STYLES[number % len(STYLES)]
        tone = random.uniform(25, 75), random.normal(4, 8), random.normal(10, 8)
        for place, view in enumerate(VIEWS):
            rows.append(_frame(random, number, style, view, place, tone, stage))
    rows.sort(key=lambda row: row["file"])
    return table_from_rows("frames", rows)


def _frame(random, number, style, view, place, tone, stage):
    minute = number * 4 + place
    kind = KINDS.get(view, "upright")
    facts = {
        "status": "measured",
        "origin": "original" if stage == "originals" else "derived",
        "captured_at": f"2026-03-02T{8 + minute // 60:02d}:{minute % 60:02d}:00",
        "captured_at_source": "DateTimeOriginal",
        "camera_model": "Model A",
        "camera_serial": "1001",
        "focal_length_mm": 85.0,
        "focal_length_35mm": 85.0,
        "f_number": 11.0,
        "exposure_time_s": 0.008,
        "iso": 100.0,
        "ev100": 13.9,
        "bytes": 900_000,
        "format": "JPEG",
        "width_px": 1600,
        "height_px": 2000,
        "orientation": 1,
        "colour_profile": "sRGB",
        "bit_depth": 8,
        "jpeg_quality": 92.0,
        "sha256": f"{number:04d}{place:060d}",
        "phash": f"{random.integers(0, 2**63):016x}",
        "outline_confidence": 0.97,
        "outline_source": "background",
        "backdrop": "white" if stage == "originals" else "cut_out",
        "left": 0.2,
        "top": 0.25,
        "right": 0.8,
        "bottom": 0.85,
        "fill_height": 0.6 * (1 + random.normal(0, 0.015)),
        "fill_width": 0.6 * (1 + random.normal(0, 0.015)),
        "fill_area": 0.3,
        "centre_dx": random.normal(0, CENTRE_SD),
        "centre_dy": random.normal(0.05, CENTRE_SD),
        "baseline": 0.85,
        "roll_deg": random.normal(0, ROLL_SD),
        "roll_sd_deg": 0.06,
        "yaw_deg": 31.0 + random.normal(0, ANGLE_SD),
        "yaw_sd_deg": 0.6,
        "yaw_dev_sd_deg": 0.6,
        "camera_pitch_deg": 4.0 + random.normal(0, 0.3),
        "camera_pitch_sd_deg": 0.25,
        "pitch_dev_sd_deg": 0.25,
        "handle_gap": random.normal(0, 0.006),
        "handle_gap_sd": 0.004,
        "strap_state": "none" if view == "back" else "draped",
        "lean_deg": random.normal(0, 0.5),
        "lean_sd_deg": 0.4,
        "scale_dev": random.normal(0, SCALE_SD.get(style, 0.012)),
        "centre_dev_x": random.normal(0, CENTRE_SD),
        "centre_dev_y": random.normal(0, CENTRE_SD),
        "background_L": 93.0 + random.normal(0, 0.3) if stage == "originals" else 100.0,
        "background_a": random.normal(0, 0.15),
        "background_b": random.normal(0, 0.2),
        "background_spread": 3.0 + random.normal(0, 0.3),
        "wb_dev": abs(random.normal(0, 0.3)),
        "wb_dev_sd": 0.1,
        "product_colour_dev": abs(random.normal(0, 0.5)) if kind == "upright" else None,
        "wb_gain_r": 1 + random.normal(0, 0.004),
        "wb_gain_b": 1 + random.normal(0, 0.006),
        "exposure_dev_ev": random.normal(0, EXPOSURE_SD),
        "exposure_dev_sd_ev": 0.01,
        "background_dev_ev": random.normal(0, EXPOSURE_SD),
        "product_L": tone[0] + random.normal(0, 1.5),
        "product_a": tone[1] + random.normal(0, 0.4),
        "product_b": tone[2] + random.normal(0, 0.4),
        "product_ev": -2.0,
        "clipped_high": abs(random.normal(0, 0.001)),
        "clipped_low": abs(random.normal(0, 0.002)),
        "shadow_kind": "contact",
        "rim_px": 0.4 if stage == "finals" else None,
        "rim_de": 1.0 if stage == "finals" else None,
        "blur_px": 0.9 * (1 + random.normal(0, 0.06)),
        "blur_sd_px": 0.03,
        "motion_px": 0.0,
        "resolved": 0.85 + random.normal(0, 0.03),
        "noise": 1.0 + random.normal(0, 0.05),
        "specks": int(random.poisson(1)),
        "sensor_spots": 0,
    }
    facts["yaw_dev_deg"] = facts["yaw_deg"] - 31.0
    facts, _ = applicable(facts, view, kind)
    if view == "three_quarter":
        facts["pitch_dev_deg"] = facts["camera_pitch_deg"] - 4.0
    return facts | {
        "file": f"NB-{100 + number}_{view}.jpg",
        "sku": f"NB-{100 + number}",
        "view": view,
        "view_kind": kind,
        "style": style,
        "colourway": f"colour {number % 3}",
    }


def evidence_of(frames, brief, stage="originals", **given):
    """Evidence about frames, with a products file that lists what is in them unless another is given."""
    if "products" not in given:
        skus = frames.dropna(subset=["sku"]).drop_duplicates("sku")
        given["products"] = pd.DataFrame({"sku": skus["sku"], "style": skus["style"], "height_cm": "28"})
    return Evidence(brief=brief, stage=stage, frames=frames, **given)


def changed(frames, file, **values):
    """Frames with some columns of one file changed."""
    frames = frames.copy()
    at = frames.index[frames["file"] == file]
    assert len(at) == 1, file
    for name, value in values.items():
        frames.loc[at, name] = value
    return frames


def with_changes(evidence, *rows):
    """The same evidence with rows in its changes table."""
    return dataclasses.replace(evidence, changes=table_from_rows("changes", rows))

"""
Every column of every table: name, type, unit, digits, meaning; and every check.

This is the one list. Tables are built from it (so an empty folder gives empty
tables with the right types), rounded by it, written by it, and the column
tables in the documents are compared with it by a test.

``kind`` says what a column of ``frames`` may depend on: ``frame`` on the file
and the brief alone, ``set`` also on the other files.
"""

from typing import NamedTuple


class Column(NamedTuple):
    """One column: ``type`` is text, integer, number or boolean; ``digits`` after the point."""

    name: str
    type: str
    kind: str = "frame"
    unit: str = ""
    digits: int | None = None
    meaning: str = ""


def _number(name, digits, unit="", meaning="", kind="frame"):
    return Column(name, "number", kind, unit, digits, meaning)


def _text(name, meaning="", kind="frame"):
    return Column(name, "text", kind, "", None, meaning)


def _integer(name, unit="", meaning="", kind="frame"):
    return Column(name, "integer", kind, unit, None, meaning)


FRAME_COLUMNS = (
    # -- what the file is called ------------------------------------------------------------
    _text("file", "path relative to the delivery, / separators"),
    _text("sku", "stock-keeping unit as written in the name"),
    _text("view", "view name of the brief"),
    _integer("position", "", "numbers several pictures of one view"),
    _text("style", "from the products file"),
    _text("colourway", "from the products file"),
    _text("view_kind", "upright, overhead, crop, worn, target, other"),
    _text("status", "measured, measured_with_note or not_measured"),
    _text("reason", "why a value or the whole measurement is missing"),
    _text("origin", "original, derived or unknown, by the evidence in the file"),
    # -- what its metadata says -------------------------------------------------------------
    _text("captured_at", "ISO 8601 capture time, with offset where given"),
    _text("captured_at_source", "the field the capture time came from"),
    _text("camera_make"),
    _text("camera_model"),
    _text("camera_serial"),
    _text("lens_model"),
    _number("focal_length_mm", 2, "mm"),
    _number("focal_length_35mm", 1, "mm", "36 x 24 mm equivalent focal length"),
    _number("f_number", 2),
    _number("exposure_time_s", 8, "s"),
    _number("iso", 0),
    _number("exposure_bias_ev", 3, "EV"),
    _number("ev100", 3, "EV", "log2(N^2/t) - log2(ISO/100)"),
    _text("software", "the program named in the Exif block"),
    Column("rights_present", "boolean", "frame", "", None, "copyright or creator is stated in Exif, IPTC or XMP"),
    # -- what the container is --------------------------------------------------------------
    _integer("bytes", "bytes"),
    _text("format", "JPEG, PNG, TIFF, WebP, HEIC"),
    _integer("width_px", "px", "after orientation"),
    _integer("height_px", "px", "after orientation"),
    _integer("orientation", "", "Exif orientation 1 to 8"),
    _text("colour_profile", "description of the embedded profile, or 'none'; 'untagged CMYK' for inks without one"),
    _integer("bit_depth", "bits per channel"),
    _text("chroma_subsampling", "4:4:4, 4:2:2, 4:2:0, ..."),
    _number("jpeg_quality", 0, "", "IJG scale, from the quantisation tables"),
    _text("sha256"),
    _text("phash", "64 bits as 16 hex digits, comparable with imagehash.phash"),
    # -- framing ----------------------------------------------------------------------------
    _number("outline_confidence", 3, "", "0 to 1; below the limit the dependent columns are empty"),
    _text("outline_source", "background or alpha: what the product was told apart by"),
    _text("touches", "sides of the frame the product meets, for example 'left bottom'"),
    _number("left", 5, "fraction of frame"),
    _number("top", 5, "fraction of frame"),
    _number("right", 5, "fraction of frame", "exclusive"),
    _number("bottom", 5, "fraction of frame", "exclusive"),
    _number("fill_height", 5, "fraction of frame"),
    _number("fill_width", 5, "fraction of frame"),
    _number("fill_area", 5, "fraction of frame"),
    _number("centre_dx", 5, "fraction of width", "box centre minus frame centre, + right"),
    _number("centre_dy", 5, "fraction of height", "box centre minus frame centre, + down"),
    _number("baseline", 5, "fraction of frame", "where the product stands, from the top"),
    # -- pose -------------------------------------------------------------------------------
    _number("roll_deg", 3, "degree", "+ clockwise as seen"),
    _number("roll_sd_deg", 3, "degree", "standard uncertainty of roll_deg"),
    _number("yaw_deg", 2, "degree", "turn about the vertical, + counter-clockwise from above"),
    _number("yaw_sd_deg", 2, "degree", "standard uncertainty of yaw_deg"),
    _number("camera_pitch_deg", 2, "degree", "camera looking down is positive, from the perspective of the product"),
    _number("camera_pitch_sd_deg", 2, "degree"),
    _number("handle_gap", 4, "fraction of product height", "rear handle above front one beyond perspective"),
    _number("handle_gap_sd", 4, "fraction of product height"),
    _text("strap_state", "none, front, behind, draped, coiled, held_up", "set"),
    _number("yaw_dev_deg", 2, "degree", "yaw minus the set's reference for the view", "set"),
    _number("yaw_dev_sd_deg", 2, "degree", "", "set"),
    _number("roll_dev_deg", 2, "degree", "roll minus the set's: of a three-quarter view together with its turn and pitch, and by a line behind the product", "set"),
    _number("roll_dev_sd_deg", 2, "degree", "", "set"),
    _number("pitch_dev_deg", 2, "degree", "camera pitch minus the set's: of straight-on views by the ground about their base", "set"),
    _number("pitch_dev_sd_deg", 2, "degree", "", "set"),
    _number("lean_deg", 2, "degree", "+ top towards the camera", "set"),
    _number("lean_sd_deg", 2, "degree", "", "set"),
    _number("tilt_deg", 2, "degree", "lean and camera height together, against other pictures of the shape, + top towards the camera", "set"),
    _number("tilt_sd_deg", 2, "degree", "", "set"),
    _number("scale_dev", 4, "fraction", "size against the set's framing rule, + larger", "set"),
    _number("scale_dev_sd", 4, "fraction", "", "set"),
    _number("centre_dev_x", 5, "fraction of width", "centre minus the set's reference", "set"),
    _number("centre_dev_x_sd", 5, "fraction", "", "set"),
    _number("centre_dev_y", 5, "fraction of height", "position minus the set's reference", "set"),
    _number("centre_dev_y_sd", 5, "fraction", "", "set"),
    _number("px_per_cm", 2, "px/cm", "true scale, where the product's size is supplied", "set"),
    # -- the camera original it was made from -----------------------------------------------
    _text("original_file", "the paired original, path relative to the folder of originals", "set"),
    _text("original_note", "why none is paired, or how it was told from one that fits as well", "set"),
    _number("original_rotation_deg", 3, "degree", "applied to the original, + clockwise", "set"),
    _number("original_rotation_sd_deg", 3, "degree", "", "set"),
    _number("original_scale", 5, "ratio", "pixels of the final for one of the original, above 1 enlarged", "set"),
    _number("original_scale_sd", 5, "ratio", "", "set"),
    _number("original_left", 5, "fraction of original", "crop box, turned by the rotation about its own middle", "set"),
    _number("original_top", 5, "fraction of original", "", "set"),
    _number("original_right", 5, "fraction of original", "", "set"),
    _number("original_bottom", 5, "fraction of original", "", "set"),
    _number("original_crop_sd", 5, "fraction of width", "of each side of the crop box", "set"),
    # -- light and colour -------------------------------------------------------------------
    _text("backdrop", "white, grey, coloured, cut_out or unknown"),
    _number("background_L", 2, "CIELAB"),
    _number("background_a", 2, "CIELAB"),
    _number("background_b", 2, "CIELAB"),
    _number("background_spread", 2, "CIELAB L*"),
    _number("background_clipped", 4, "fraction", "background pixels at the top of the scale"),
    _number("background_red", 5, "linear light", "background, linear sRGB, 1 = white"),
    _number("background_green", 5, "linear light"),
    _number("background_blue", 5, "linear light"),
    _number("white_red", 5, "linear light over green", "the light's colour, where the background shows it"),
    _number("white_blue", 5, "linear light over green"),
    _number("white_sd", 4, "relative", "standard uncertainty of the two"),
    _text("white_source", "background, unclipped part or shadow: what showed the light's colour"),
    _number("cct_k", 0, "K"),
    _number("duv", 5, "CIE 1960 uv"),
    _number("wb_dev", 3, "CIEDE2000", "", "set"),
    _number("wb_gain_r", 4, "linear gain", "G = 1", "set"),
    _number("wb_gain_b", 4, "linear gain", "G = 1", "set"),
    _number("wb_dev_sd", 3, "CIEDE2000", "standard uncertainty of wb_dev", "set"),
    _number("exposure_dev_ev", 3, "EV", "+ brighter", "set"),
    _number("exposure_dev_sd_ev", 3, "EV", "", "set"),
    _number("background_dev_ev", 3, "EV", "+ brighter", "set"),
    _number("product_ev", 4, "EV", "log2 of the product's robust linear luminance"),
    _number("product_L", 2, "CIELAB"),
    _number("product_a", 2, "CIELAB"),
    _number("product_b", 2, "CIELAB"),
    _number("product_colour_dev", 2, "CIEDE2000", "from the product's other views, at equal lightness", "set"),
    _number("clipped_high", 5, "fraction of product"),
    _number("clipped_low", 5, "fraction of product"),
    _text("shadow_kind", "none, contact, cast, reflection"),
    _number("rim_px", 2, "px", "width of a rim of another tone around a cut-out"),
    _number("rim_de", 2, "CIEDE2000", "tone of that rim against the product beside it"),
    _text("target", "24 patches or grey card, where the picture shows one"),
    _number("target_de", 2, "CIEDE2000", "mean over the target's patches, against published values"),
    # -- sharpness, noise, dust -------------------------------------------------------------
    _number("blur_px", 2, "px", "Gaussian-equivalent sigma, full-resolution pixels"),
    _number("blur_sd_px", 2, "px"),
    _number("motion_px", 2, "px", "length of a directional blur, 0 where none is seen"),
    _number("motion_direction_deg", 0, "degree", "direction of the motion, 0 horizontal, + clockwise, modulo 180"),
    _number("resolved", 3, "fraction", "finest detail present over the finest the pixels could hold"),
    _number("fine_detail", 3, "ratio", "structure of 1 px over that of 2 px inside the product, where the background has no noise"),
    _number("noise", 2, "8-bit sRGB"),
    _number("noise_below", 2, "8-bit sRGB", "what the noise stays under where compression has left none to measure"),
    _integer("specks", "", "bright or dark specks on the product"),
    _integer("sensor_spots", "", "spots at a position shared with other frames of the camera", "set"),
    # -- groups -----------------------------------------------------------------------------
    _integer("duplicate_group", kind="set"),
    _integer("similar_group", kind="set"),
    _integer("exposure_group", kind="set"),
    _integer("capture_run", kind="set"),
)

FINDING_COLUMNS = (
    _text("file", "empty for a missing picture or a whole delivery"),
    _text("sku"),
    _text("view"),
    _text("check"),
    _text("severity"),
    _number("value", 4),
    _number("expected", 4),
    _number("tolerance", 4),
    _text("unit"),
    _text("remedy"),
    _text("note", "one plain sentence"),
    _text("cause", "the change, run or file this finding shares with others, or empty"),
)

MARK_COLUMNS = (
    _text("file"),
    _text("check"),
    _number("left", 5, "fraction of frame"),
    _number("top", 5, "fraction of frame"),
    _number("right", 5, "fraction of frame"),
    _number("bottom", 5, "fraction of frame"),
    _number("size_px", 1, "px"),
    _text("note"),
)

CHANGE_COLUMNS = (
    _text("quantity", "a column of frames"),
    _text("view", "a view, or 'all'"),
    _text("kind", "step or trend"),
    _text("from_file"),
    _text("to_file"),
    _text("from_time"),
    _text("to_time"),
    _number("before", 4),
    _number("after", 4),
    _text("unit"),
    _integer("frames", "", "frames affected"),
    _text("note"),
)

CORRECTION_COLUMNS = (
    _text("file"),
    _number("exposure_ev", 3, "EV"),
    _number("gain_r", 4, "linear gain"),
    _number("gain_g", 4, "linear gain"),
    _number("gain_b", 4, "linear gain"),
    _number("mired_shift", 1, "mired"),
    _number("duv_shift", 5, "CIE 1960 uv"),
    _number("background_from", 1, "8-bit sRGB"),
    _number("background_to", 1, "8-bit sRGB"),
    _number("rotate_deg", 3, "degree", "+ clockwise, to apply"),
    _number("crop_left", 5, "fraction after rotation"),
    _number("crop_top", 5, "fraction after rotation"),
    _number("crop_right", 5, "fraction after rotation"),
    _number("crop_bottom", 5, "fraction after rotation"),
    _text("note"),
)

PRODUCT_FILE_COLUMNS = (
    "sku", "name", "style", "colourway", "width_cm", "height_cm", "depth_cm",
    "gtin", "due", "live_on", "sample_until", "main_view",
)  # fmt: skip

PRODUCT_COLUMNS = (
    _text("sku"),
    _text("name"),
    _text("style"),
    _text("colourway"),
    _number("width_cm", 2, "cm"),
    _number("height_cm", 2, "cm"),
    _number("depth_cm", 2, "cm"),
    _text("gtin"),
    _text("due"),
    _text("live_on"),
    _text("sample_until"),
    _text("main_view"),
    _text("views_present"),
    _text("views_missing"),
    _text("views_awaited"),
    _text("worst_severity"),
    _integer("findings"),
    _text("verdict", "accept, accept_after_corrections, return"),
)

TABLES = {
    "frames": FRAME_COLUMNS,
    "findings": FINDING_COLUMNS,
    "marks": MARK_COLUMNS,
    "changes": CHANGE_COLUMNS,
    "corrections": CORRECTION_COLUMNS,
    "products": PRODUCT_COLUMNS,
}

HABIT_COLUMNS = (
    _text("quantity", "angle, fill, tilt, white_balance, tint, focal_length, exposure"),
    _text("kind", "trend, camera, lens, weekday, level, between_deliveries, between_setups, between_pictures"),
    _text("level", "the camera, the lens or the day"),
    _text("against", "what the offset is from"),
    _number("offset", 4, "", "a difference; for 'between' kinds a standard deviation; for a trend the change a delivery"),
    _number("low", 4, "", "lower limit at 95 %"),
    _number("high", 4, "", "upper limit at 95 %"),
    _text("unit"),
    _number("tolerance", 4),
    _number("p", 6, "", "two-sided, adjusted by Holm's rule over the season"),
    _number("share", 4, "fraction", "share of the variance of the set-ups"),
    _integer("deliveries"),
    _integer("pictures"),
    Column("reported", "boolean", "set", "", None, "large enough to be seen and no chance"),
    _text("note", "one plain sentence"),
)

FAULT_COLUMNS = (
    _text("check", "a check, or 'any' for all critical and major ones"),
    _text("severity"),
    _text("remedy"),
    _integer("deliveries"),
    _integer("deliveries_affected"),
    _integer("pictures"),
    _integer("affected", "pictures"),
    _number("rate", 4, "fraction", "pictures affected"),
    _number("rate_low", 4, "fraction", "Wilson, 95 %"),
    _number("rate_high", 4, "fraction", "Wilson, 95 %"),
    _integer("again", "pictures", "to photograph or supply again"),
    _number("again_rate", 4, "fraction"),
    _number("again_low", 4, "fraction"),
    _number("again_high", 4, "fraction"),
    Column("recurring", "boolean", "set"),
    _number("trend", 5, "fraction a delivery", "change of the rate (Theil-Sen)"),
    _number("trend_low", 5, "fraction a delivery"),
    _number("trend_high", 5, "fraction a delivery"),
    _number("trend_p", 6, "", "Mann-Kendall"),
    _text("direction", "fewer, more, or empty where nothing is certain"),
)

DELIVERY_COLUMNS = (
    _text("delivery"),
    _text("report", "folder name of its report"),
    _text("audited_at"),
    _text("captured_from"),
    _text("captured_to"),
    _text("cameras"),
    _text("lenses"),
    _text("verdict"),
    _integer("pictures"),
    _integer("faulty", "pictures", "with a critical or major finding"),
    _number("faulty_rate", 4, "fraction"),
    _number("faulty_low", 4, "fraction", "Wilson, 95 %"),
    _number("faulty_high", 4, "fraction", "Wilson, 95 %"),
    _integer("again", "pictures", "to photograph or supply again"),
    _number("angle_dev", 3, "degree", "median of the delivery minus the site's current look"),
    _number("fill_dev", 4, "fraction"),
    _number("tilt_dev", 3, "degree"),
    _number("white_balance_dev", 3, "CIELAB b*", "+ warmer"),
    _number("tint_dev", 3, "CIELAB a*", "+ more magenta"),
    _number("focal_length_dev", 4, "fraction"),
    _number("exposure_dev", 3, "EV", "+ brighter"),
    _text("farthest", "the quantity furthest from the current look"),
    _number("distance", 3, "tolerances"),
    Column("matches", "boolean", "set"),
    _text("unlike", "quantities that do not match"),
)

HOUSE_COLUMNS = (
    _text("view"),
    _text("style", "empty for all styles together"),
    _text("quantity", "a column of frames"),
    _number("centre", 5, "", "Hodges-Lehmann centre of the deliveries' medians"),
    _number("low", 5, "", "lower limit of the centre at 95 %"),
    _number("high", 5),
    _number("scatter", 5, "", "robust standard deviation of the pictures"),
    _text("unit"),
    _integer("deliveries"),
    _integer("pictures"),
    _number("current", 5, "", "median of the newest deliveries"),
)

# Tables of a season report; those of a delivery's report are `TABLES`.
SEASON_TABLES = {
    "habits": HABIT_COLUMNS,
    "faults": FAULT_COLUMNS,
    "deliveries": DELIVERY_COLUMNS,
    "house_reference": HOUSE_COLUMNS,
}
ALL_TABLES = TABLES | SEASON_TABLES

SEVERITIES = ("critical", "major", "minor")  # worst first
REMEDIES = ("reshoot", "retouch", "re-export", "rename", "supply", "check")
VIEW_KINDS = ("upright", "overhead", "crop", "worn", "target", "other")
STRAP_STATES = ("none", "front", "behind", "draped", "coiled", "held_up")


class Check(NamedTuple):
    """One check: default tolerance (second figure for soft styles), severity, remedy, stage."""

    name: str
    severity: str
    remedy: str
    stage: str = "both"
    tolerance: float | None = None
    tolerance_soft: float | None = None
    unit: str = ""
    critical_beyond: float | None = None  # multiple of the tolerance from which 'critical'


CHECKS = {
    check.name: check
    for check in (
        Check("missing_view", "critical", "supply"),
        Check("unexpected_file", "minor", "rename"),
        Check("unreadable_file", "critical", "supply"),
        Check("file_spec", "major", "re-export"),
        Check("colour_profile", "major", "re-export"),
        Check("jpeg_quality", "major", "re-export", tolerance=75.0, unit="IJG quality"),
        Check("upscaled", "major", "re-export", tolerance=0.5, unit="fraction resolved"),
        Check("exact_duplicate", "major", "check"),
        Check("near_duplicate", "major", "check"),
        Check("wrong_product", "critical", "rename"),
        Check("wrong_detail", "critical", "supply"),
        Check("swapped_views", "critical", "rename"),
        Check("angle", "major", "reshoot", tolerance=4.0, tolerance_soft=6.0, unit="degree"),
        Check("camera_height", "major", "reshoot", "originals", 2.0, None, "degree"),
        Check("roll", "major", "retouch", tolerance=0.8, tolerance_soft=1.5, unit="degree"),
        Check("lean", "major", "reshoot", "originals", 3.0, 5.0, "degree"),
        Check("handles", "major", "reshoot", tolerance=1.2, unit="cm"),
        Check("strap", "major", "reshoot"),
        Check("scale", "major", "retouch", tolerance=0.05, tolerance_soft=0.08, unit="fraction"),
        Check("centring", "major", "retouch", tolerance=0.02, unit="fraction of frame"),
        Check("cut_off", "major", "reshoot"),
        Check("white_balance", "major", "retouch", tolerance=2.0, unit="CIEDE2000"),
        Check("exposure", "major", "retouch", tolerance=0.15, unit="EV"),
        Check("product_colour", "major", "retouch", tolerance=3.0, unit="CIEDE2000"),
        Check("background", "major", "retouch", tolerance=3.0, unit="CIELAB L*"),
        Check("uneven_background", "major", "retouch", tolerance=3.0, unit="CIELAB L*"),
        Check("cutout_edge", "major", "retouch", "finals", 2.0, None, "px"),
        Check("shadow", "minor", "retouch"),
        Check("clipping", "minor", "retouch", tolerance=0.01, unit="fraction of product"),
        Check("focus", "major", "reshoot", tolerance=1.5, unit="ratio", critical_beyond=4 / 3),
        Check("motion_blur", "major", "reshoot", tolerance=1.5, unit="ratio", critical_beyond=4 / 3),
        Check("noise", "minor", "check", tolerance=2.0, unit="ratio"),
        Check("product_specks", "major", "retouch", tolerance=5.0, unit="specks"),
        Check("sensor_spots", "major", "retouch", "originals", 5.0, None, "frames"),
        Check("focal_length", "major", "reshoot", "originals", 0.05, None, "fraction"),
        Check("metadata", "minor", "check"),
        Check("styling", "major", "reshoot"),
    )
}


def column_names(table):
    """Names of a table's columns, in order."""
    return [column.name for column in ALL_TABLES[table]]


def set_columns():
    """Names of the frame columns that depend on the other files too."""
    return [column.name for column in FRAME_COLUMNS if column.kind == "set"]

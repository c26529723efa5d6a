"""
A report's findings and changes beside the truth of its delivery: hits, misses, false alarms, and what follows from what.

Truth tables are those of ``data_demo/truth``: one row a picture, one row a
fault, one row a change. Quantities are compared in `accuracy.quantities`.
"""

import numpy as np
import pandas as pd

from catalogue_audit.schema import CHECKS

DUPLICATES = {"exact_duplicate", "near_duplicate"}
# quantities that tell one change, by the one that the truth names
SAME_CHANGE = (
    {"wb_gain_b", "wb_gain_r", "wb_dev", "background_a", "background_b", "cct_k", "duv"},
    {"exposure_dev_ev", "product_ev"},
    {"background_dev_ev", "background_L"},
    {"focal_length_mm", "focal_length_35mm"},
    {"sensor_spots"},
)
NEAR = {"step": 1, "trend": 3}  # frames of capture order within which a change is located
# Magnitude from which a fault must be found: 1.5 times the default tolerance of a structured shape, in the fault's own unit.
DUE_FROM = {
    "angle": 6.0,
    "camera_height": 3.0,
    "roll": 1.2,
    "lean": 4.5,
    "handles": 1.8,
    "scale": 7.5,
    "centring": 3.0,
    "white_balance": 3.0,
    "exposure": 0.225,
    "product_colour": 4.5,
    "background": 0.16,  # EV; 4.5 L* near L* 94
    "uneven_background": 0.32,  # EV from side to side; half of it shows at either border
    "cutout_edge": 3.0,
    "focus": 1.9,  # px added to 0.7 px: 1.5 times the limit of 1.4 px
    "motion_blur": 6.6,  # px; the standard deviation of a smear is its length over the root of 12
    "noise": 2.1,  # added to 0.75: three times the set's
    "product_specks": 8,
    "clipping": 1.5,  # per cent of the product
    "focal_length": 7.5,
}
DUE_FROM_SOFT = {"angle": 9.0, "roll": 2.25, "lean": 7.5, "scale": 12.0}  # the contract's second tolerance, times 1.5
SOFT = ("hobo", "bucket", "pouch")
DUE_UP_TO = {"jpeg_quality": 65, "upscaled": 0.4}
ALWAYS_DUE = ("linear level", "red, blue gain", "blue gain")  # units that say nothing of what is seen
GRAVER_BELOW = ("jpeg_quality", "upscaled", "unreadable_file")  # the smaller the magnitude, the worse
BY_THE_ORIGINAL = ("lean", "camera_height")  # of finals, only where the original is at hand

BACKGROUND_OFF_EV = 0.11  # 3 L* near L* 94: the contract's tolerance
CLIPS = 0.01  # of the product's pixels: the contract's tolerance
HALF_THE_DETAIL_PX = 1.3  # sigma that leaves an eighth of the contrast at half of the finest detail: exp(-2 (pi s / 4)^2)
HALF_THE_DETAIL_SMEAR_PX = 4.0  # the first zero of a smear of that length lies at half of the finest detail


def _always(fault, picture):
    return True


def _clips(fault, picture):
    share = picture.get("clipped_high", np.nan)
    return share > CLIPS if share == share else _size(fault) > 0


def _background_off(fault, picture):
    return abs(picture.get("background_off_ev", np.nan)) > BACKGROUND_OFF_EV


def _box_of_strap(fault, picture):
    return fault["magnitude"] in ("held_up", "coiled")


def _enlarged(fault, picture):
    return abs(picture.get("zoom", 1.0) - 1) > 0.03


def _half_the_detail(fault, picture):
    return _size(fault) >= (HALF_THE_DETAIL_PX if fault["check"] == "focus" else HALF_THE_DETAIL_SMEAR_PX)


# What follows from what on one picture: (finding, fault in the truth, where that holds, why). A finding on the left is not
# false where the fault is there; and such a fault is found with the one it follows from, since one cause gives one finding.
FOLLOWS_FROM = (
    ("clipping", "exposure", _clips, "more light burns the brightest parts of the product"),
    ("exposure", "clipping", _always, "these parts were burnt out by raising the exposure"),
    ("background", "exposure", _background_off, "the light that moved fell on the sweep too, beyond the tolerance"),
    ("product_colour", "white_balance", _always, "the light's cast lies on the product as on the background"),
    ("product_colour", "exposure", _clips, "a channel that is cut off turns the colour"),
    ("scale", "focal_length", _enlarged, "a longer focal length from the same place enlarges"),
    ("scale", "cut_off", _always, "what lies outside the frame is missing from the box"),
    ("centring", "cut_off", _always, "what lies outside the frame is missing from the box"),
    ("scale", "file_spec", _always, "the product fills more of a frame that lost lines or columns"),
    ("centring", "file_spec", _always, "a frame that lost lines or columns has another middle"),
    ("cut_off", "file_spec", _always, "what was in the lines or columns that the frame lost is cut off"),
    ("scale", "strap", _box_of_strap, "the frame was filled by product and strap, as the strap lies"),
    ("centring", "strap", _box_of_strap, "the frame was centred by product and strap, as the strap lies"),
    ("strap", "swapped_views", _always, "the back is photographed without the strap"),
    ("strap", "wrong_product", _always, "another product has a strap of its own"),
    ("product_colour", "wrong_product", _always, "another product has a colour of its own"),
    ("product_colour", "wrong_detail", _always, "another product has a colour of its own"),
    ("focus", "motion_blur", _always, "a smear widens the edges that it crosses"),
    ("focus", "upscaled", _always, "enlarging widens every edge"),
    ("upscaled", "focus", _half_the_detail, "so much blur leaves less than half of the detail"),
    ("upscaled", "motion_blur", _half_the_detail, "so long a smear leaves less than half of the detail"),
)


def is_due(fault, style="", judged=True):
    """
    Whether a fault of this size must be found: from 1.5 times the tolerance; always where size has no number.

    ``judged`` is False where the stage of the delivery leaves the check out.
    """
    size = pd.to_numeric(fault["magnitude"], errors="coerce")
    if not judged:
        return False
    if np.isnan(size) or fault["unit"] in ALWAYS_DUE:
        return True
    if fault["check"] in DUE_UP_TO:
        return size <= DUE_UP_TO[fault["check"]]
    limits = DUE_FROM | DUE_FROM_SOFT if style in SOFT else DUE_FROM
    return abs(size) >= limits.get(fault["check"], 0.0)


def match_faults(findings, faults, truth, stage="originals", paired=()):
    """
    Every fault with whether it was found, every finding with whether it was due.

    A finding is due where the truth has that check on that file (or, for a
    missing picture, on that product and view); a duplicate on either kind; and
    where it follows from a fault that is there (`FOLLOWS_FROM`).
    What an unreadable file would have shown is left out.

    Parameters
    ----------
    findings, faults, truth : DataFrame
        Of the report; rows of faults and of pictures of the truth.
    stage : {"originals", "finals"}
    paired : collection of str
        Finals whose originals are at hand.

    Returns
    -------
    faults : DataFrame
        With ``due`` (`is_due`) and ``found``.
    findings : DataFrame
        Those about a file or a product, with ``due`` and ``because`` (why it follows from another fault; "" where it does not).
    """
    lost = set(faults.loc[faults["check"] == "unreadable_file", "file"])
    faults = faults[~faults["file"].isin(lost) | (faults["check"] == "unreadable_file")]
    pictures = _pictures(truth)
    rows, about = faults.to_dict("records"), findings[findings["file"].notna() | findings["sku"].notna()]
    of_file = {}
    for row in rows:
        of_file.setdefault(row["file"], []).append(row)
    found = {_key(row) for row in about.to_dict("records")}
    due = {_key(row) for row in rows}
    told = [_judged(row, stage, paired) for row in rows]
    faults = faults.assign(
        due=np.array(
            [is_due(row, pictures.get(row["file"], {}).get("style"), judged) for row, judged in zip(rows, told, strict=True)], dtype=bool
        ),
        found=np.array([_key(row) in found or _found_with(row, of_file, pictures, found) for row in rows], dtype=bool),
    )
    because = [
        "" if _key(row) in due else _reason(row["check"], of_file.get(row["file"], ()), pictures.get(row["file"], {}))
        for row in about.to_dict("records")
    ]
    own = np.array([_key(row) in due for row in about.to_dict("records")], dtype=bool)
    return faults, about.assign(because=because, due=own | (np.array(because, dtype=object) != ""))


def summarise_checks(faults, findings):
    """Recall, precision and the smallest magnitude caught, by check; checks without any case say so by their zero."""
    rows = []
    for check in CHECKS:
        mine = faults[faults["check"] == check]
        hits = findings[findings["check"] == check]
        must = mine[mine["due"].astype(bool)]
        sizes = _sizes(mine[mine["found"].astype(bool)])
        rows.append(
            {
                "check": check,
                "faults": len(mine),
                "found": int(mine["found"].sum()),
                "due": len(must),
                "due_found": int(must["found"].sum()),
                "recall_due": must["found"].mean() if len(must) else np.nan,
                "findings": len(hits),
                "follow": int((hits["because"] != "").sum()),
                "false": int((~hits["due"].astype(bool)).sum()),
                "precision": hits["due"].astype(bool).mean() if len(hits) else np.nan,
                "smallest_caught": sizes.max() if check in GRAVER_BELOW else sizes.min(),
            }
        )
    return pd.DataFrame(rows)


def summarise_magnitudes(faults):
    """
    By check and unit: how many, how many found, the mildest that was caught, the gravest that was missed.

    For JPEG quality, resolved share, share of bytes and a background's level the smaller number is the graver fault.
    """
    rows = []
    sized = faults[_sizes(faults).notna()]
    for (check, unit), mine in sized.groupby(["check", "unit"], dropna=False, sort=True):
        sizes, found = _sizes(mine), mine["found"].astype(bool)
        below = check in GRAVER_BELOW or unit == "linear level"
        mildest, gravest = (np.max, np.min) if below else (np.min, np.max)
        rows.append(
            {
                "check": check,
                "unit": unit,
                "faults": len(mine),
                "found": int(found.sum()),
                "mildest": mildest(sizes),
                "gravest": gravest(sizes),
                "mildest_caught": mildest(sizes[found]) if found.any() else np.nan,
                "gravest_missed": gravest(sizes[~found]) if (~found).any() else np.nan,
            }
        )
    columns = ["check", "unit", "faults", "found", "mildest", "gravest", "mildest_caught", "gravest_missed"]
    return pd.DataFrame(rows, columns=columns)


def match_changes(changes, truth, frames):
    """
    Every true change with whether it was located, every reported one with whether it is true.

    Located: a change of the same kind, of a quantity that tells the same, both
    ends within `NEAR` frames of the truth in capture order (files without a time are left out).

    Returns
    -------
    truth : DataFrame
        With ``found`` and the offsets ``from_off``, ``to_off`` in frames (empty where not found).
    changes : DataFrame
        With ``due``.
    """
    timed = frames[frames["captured_at"].notna()].sort_values(["captured_at", "file"], kind="stable")
    place = {file: number for number, file in enumerate(timed["file"])}
    truth = truth.assign(found=False, from_off=np.nan, to_off=np.nan)
    due = np.zeros(len(changes), dtype=bool)
    for row, true in truth.iterrows():
        for number, change in enumerate(changes.to_dict("records")):
            if change["kind"] != true["kind"] or not _tells_the_same(change["quantity"], true["quantity"]):
                continue
            off = [place.get(change[end], np.inf) - place.get(true[end], -np.inf) for end in ("from_file", "to_file")]
            if max(map(abs, off)) <= NEAR[true["kind"]]:
                truth.loc[row, ["found", "from_off", "to_off"]] = [True, *off]
                due[number] = True
    return truth, changes.assign(due=due)


def _tells_the_same(one, other):
    return one == other or any({one, other} <= same for same in SAME_CHANGE)


def _key(row):
    check = "duplicate" if row["check"] in DUPLICATES else row["check"]
    file = row.get("file")
    return (check, file) if isinstance(file, str) and file else (check, row.get("sku"), row.get("view"))


def _size(fault):
    return pd.to_numeric(fault["magnitude"], errors="coerce")


def _sizes(faults):
    return pd.to_numeric(faults["magnitude"], errors="coerce").abs()


def _judged(fault, stage, paired):
    """Whether the fault's check belongs to the stage, or the original tells it."""
    check = CHECKS.get(fault["check"])
    belongs = check is None or check.stage in ("both", stage)
    return belongs or (fault["check"] in BY_THE_ORIGINAL and fault["file"] in paired)


def _pictures(truth):
    """Rows of the picture table by file, with how far the background is from the set's middle."""
    off = pd.to_numeric(truth["background_ev"], errors="coerce")
    rows = truth.assign(background_off_ev=off - off.median()).drop_duplicates("file").to_dict("records")
    return {row["file"]: row for row in rows}


def _reason(check, faults, picture):
    """Why a finding follows from one of the picture's faults; "" where it does not."""
    for fault in faults:
        for finding, cause, holds, reason in FOLLOWS_FROM:
            if (finding, cause) == (check, fault["check"]) and holds(fault, picture):
                return f"{cause}: {reason}"
    return ""


def _found_with(row, of_file, pictures, found):
    """Whether a fault on the same picture, from which this one follows, was found."""
    others = [fault for fault in of_file.get(row["file"], ()) if _key(fault) in found]
    return bool(_reason(row["check"], others, pictures.get(row["file"], {})))

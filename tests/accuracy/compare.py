"""
A report's tables beside the truth of its delivery: errors by quantity, hits and misses by check.

Truth tables are those of ``data_demo/truth``: one row a picture, one row a
fault, one row a change.
"""

import numpy as np
import pandas as pd

from catalogue_audit.schema import CHECKS, FRAME_COLUMNS

# measured column, truth column, unit: compared as they are
PLAIN = (
    ("left", "left", "fraction of frame"),
    ("top", "top", "fraction of frame"),
    ("right", "right", "fraction of frame"),
    ("bottom", "bottom", "fraction of frame"),
    ("roll_deg", "roll_deg", "degree"),
    ("yaw_deg", "yaw_deg", "degree"),
    ("lean_deg", "lean_deg", "degree"),
    ("handle_gap", "handle_gap", "fraction of height"),
    ("camera_pitch_deg", "camera_pitch_deg", "degree"),
    ("focal_length_mm", "focal_length_mm", "mm"),
    ("blur_px", "blur_px", "px"),
    ("motion_px", "motion_px", "px"),
    ("noise", "noise_added", "8-bit sRGB"),
    ("specks", "specks", "specks"),
    ("sensor_spots", "sensor_spots", "spots"),
    ("jpeg_quality", "jpeg_quality", "IJG quality"),
)
BOX = {  # what follows from the true box
    "fill_height": lambda box: box["bottom"] - box["top"],
    "fill_width": lambda box: box["right"] - box["left"],
    "centre_dx": lambda box: (box["left"] + box["right"]) / 2 - 0.5,
    "centre_dy": lambda box: (box["top"] + box["bottom"]) / 2 - 0.5,
}
NEVER_WHOLE = ("left", "top", "right", "bottom", "roll_deg", "yaw_deg", "lean_deg", "handle_gap")  # not in details
TEXTS = ("sku", "view", "strap_state")
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
    "scale": 7.5,
    "centring": 3.0,
    "white_balance": 3.0,
    "exposure": 0.225,
    "background": 0.16,  # EV; 4.5 L* near L* 94
    "uneven_background": 0.32,  # EV from side to side; half of it shows at either border
    "cutout_edge": 3.0,
    "focus": 1.9,  # px added to 0.7 px: 1.5 times the limit of 1.4 px
    "motion_blur": 6.6,  # px; the standard deviation of a smear is its length over the root of 12
    "noise": 2.1,  # added to 0.75: three times the set's
    "product_specks": 8,
    "focal_length": 7.5,
}
DUE_UP_TO = {"jpeg_quality": 65, "upscaled": 0.4}


def quantity_errors(frames, truth):
    """
    Errors of every quantity, one row a value.

    Parameters
    ----------
    frames : DataFrame
        A report's frames.
    truth : DataFrame
        One row a picture.

    Returns
    -------
    DataFrame
        ``quantity``, ``unit``, ``file``, ``measured``, ``true``, ``error``.
    """
    both = frames.merge(truth, on="file", suffixes=("", "_true"))
    rows = []
    for measured, true, unit in PLAIN:
        name = f"{true}_true" if f"{true}_true" in both else true
        if name not in both:
            continue
        here = both[both["view_kind"] != "crop"] if measured in NEVER_WHOLE else both
        rows.append(_errors(measured, unit, here["file"], here[measured], here[name]))
    box = {side: pd.to_numeric(both[f"{side}_true"], errors="coerce") for side in ("left", "top", "right", "bottom")}
    whole = both["view_kind"] != "crop"
    for column, value in BOX.items():
        rows.append(_errors(column, "fraction of frame", both["file"], both[column], value(box).where(whole)))
    rows.append(_relative_gain("wb_gain_r", both, "gain_r"))
    rows.append(_relative_gain("wb_gain_b", both, "gain_b"))
    rows.append(_from_centre("exposure_dev_ev", "EV", both, "exposure_ev"))
    rows.append(_from_centre("background_dev_ev", "EV", both, "background_ev"))
    rows.append(_from_centre("yaw_dev_deg", "degree", both[both["view"] == "three_quarter"], "yaw_deg_true"))
    return pd.concat([row for row in rows if len(row)], ignore_index=True)


def summarise_errors(errors):
    """Mean absolute error, 95th percentile, bias and count of every quantity."""
    rows = []
    for (quantity, unit), group in errors.groupby(["quantity", "unit"], sort=False):
        size = group["error"].abs()
        rows.append(
            {
                "quantity": quantity,
                "unit": unit,
                "n": len(group),
                "mean_absolute_error": size.mean(),
                "p95_absolute_error": size.quantile(0.95),
                "bias": group["error"].mean(),
                "worst": size.max(),
            }
        )
    return pd.DataFrame(rows)


def coverage(frames, truth):
    """Share of pictures with a true value for which a quantity was measured at all."""
    both = frames.merge(truth, on="file", suffixes=("", "_true"))
    rows = []
    for measured, true, _ in PLAIN:
        name = f"{true}_true" if f"{true}_true" in both else true
        if name in both:
            here = both[both["view_kind"] != "crop"] if measured in NEVER_WHOLE else both
            known = here[name].notna()
            rows.append({"quantity": measured, "n": int(known.sum()), "measured": int(here.loc[known, measured].notna().sum())})
    return pd.DataFrame(rows)


def every_column(frames, errors):
    """Each column of the frames table: in how many pictures it has a value, in how many that was compared with a truth."""
    compared = errors.groupby("quantity").size()
    return pd.DataFrame(
        {
            "column": column.name,
            "pictures": len(frames),
            "filled": int(frames[column.name].notna().sum()),
            "compared": int(compared.get(column.name, 0)),
        }
        for column in FRAME_COLUMNS
    )


def text_agreement(frames, truth):
    """How often a text of the frames table is the true one: ``column``, ``judged``, ``right``."""
    both = frames.merge(truth, on="file", suffixes=("", "_true"))
    rows = []
    for column in TEXTS:
        here = both[both["view_kind"] == "upright"] if column == "strap_state" else both
        here = here[here[column].notna() & here[f"{column}_true"].notna()]
        rows.append({"column": column, "judged": len(here), "right": int((here[column] == here[f"{column}_true"]).sum())})
    return pd.DataFrame(rows)


def is_due(fault):
    """Whether a fault of this size must be found: from 1.5 times the tolerance; always where size has no number."""
    size = pd.to_numeric(fault["magnitude"], errors="coerce")
    if np.isnan(size) or fault["unit"] in ("linear level", "red, blue gain"):
        return True
    if fault["check"] in DUE_UP_TO:
        return size <= DUE_UP_TO[fault["check"]]
    return abs(size) >= DUE_FROM.get(fault["check"], 0.0)


def match_faults(findings, faults):
    """
    Every fault with whether it was found, every finding with whether it was due.

    A finding is due where the truth has that check on that file (or, for a
    missing picture, on that product and view); a duplicate on either kind.
    What an unreadable file would have shown is left out. Burnt-out parts are
    found with the exposure that burnt them: one cause gives one finding.

    Returns
    -------
    faults : DataFrame
        With ``due`` (`is_due`) and ``found``.
    findings : DataFrame
        Those about a file or a product, with ``due``.
    """
    found = {_key(row) for row in findings.to_dict("records")}
    found |= {("clipping", key[1]) for key in found if key[0] == "exposure" and len(key) == 2}
    due = {_key(row) for row in faults.to_dict("records")}
    due |= {("exposure", key[1]) for key in due if key[0] == "clipping"}
    lost = set(faults.loc[faults["check"] == "unreadable_file", "file"])
    faults = faults[~faults["file"].isin(lost) | (faults["check"] == "unreadable_file")]
    rows = faults.to_dict("records")
    faults = faults.assign(
        due=np.array([is_due(row) for row in rows], dtype=bool),
        found=np.array([_key(row) in found for row in rows], dtype=bool),
    )
    about = findings[findings["file"].notna() | findings["sku"].notna()]
    return faults, about.assign(
        due=pd.array([_key(row) in due for row in about.to_dict("records")], dtype="bool")
    )


def summarise_checks(faults, findings):
    """Recall, precision and the smallest magnitude caught, by check; checks without any case say so by their zero."""
    rows = []
    for check in CHECKS:
        mine = faults[faults["check"] == check]
        hits = findings[findings["check"] == check]
        must = mine[mine["due"].astype(bool)]
        sizes = pd.to_numeric(mine.loc[mine["found"], "magnitude"], errors="coerce").abs()
        rows.append(
            {
                "check": check,
                "faults": len(mine),
                "found": int(mine["found"].sum()),
                "due": len(must),
                "due_found": int(must["found"].sum()),
                "recall_due": must["found"].mean() if len(must) else np.nan,
                "findings": len(hits),
                "false": int((~hits["due"].astype(bool)).sum()),
                "precision": hits["due"].astype(bool).mean() if len(hits) else np.nan,
                "smallest_caught": sizes.min(),
            }
        )
    return pd.DataFrame(rows)


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


def _errors(quantity, unit, files, measured, true):
    table = pd.DataFrame(
        {
            "quantity": quantity,
            "unit": unit,
            "file": files.to_numpy(),
            "measured": pd.to_numeric(measured, errors="coerce").to_numpy(dtype=float, na_value=np.nan),
            "true": pd.to_numeric(true, errors="coerce").to_numpy(dtype=float, na_value=np.nan),
        }
    )
    table["error"] = table["measured"] - table["true"]
    return table.dropna(subset=["error"])


def _relative_gain(column, both, true):
    """The correction undoes the injected gain relative to the set's centre; relative error."""
    gain = pd.to_numeric(both[true], errors="coerce")
    here = _errors(column, "relative", both["file"], both[column], gain.median() / gain)
    return here.assign(error=here["measured"] / here["true"] - 1)


def _from_centre(column, unit, both, true):
    """A deviation from the set's centre against the true one."""
    value = pd.to_numeric(both[true], errors="coerce")
    return _errors(column, unit, both["file"], both[column], value - value.median())

"""
Measured quantities beside the truth: errors, their spread against the stated uncertainty, how many were measured at all.
"""

import numpy as np
import pandas as pd

from catalogue_audit.pixels.colour import ciede2000, lab_from_linear
from catalogue_audit.schema import FRAME_COLUMNS

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
    ("clipped_high", "clipped_high", "fraction of product"),
)
BOX = {  # what follows from the true box
    "fill_height": lambda box: box["bottom"] - box["top"],
    "fill_width": lambda box: box["right"] - box["left"],
    "centre_dx": lambda box: (box["left"] + box["right"]) / 2 - 0.5,
    "centre_dy": lambda box: (box["top"] + box["bottom"]) / 2 - 0.5,
}
NEVER_WHOLE = ("left", "top", "right", "bottom", "roll_deg", "yaw_deg", "lean_deg", "handle_gap")  # not in details
TEXTS = ("sku", "view", "strap_state")
UNCERTAINTY = {  # the column that states the standard uncertainty of another
    "roll_deg": "roll_sd_deg",
    "yaw_deg": "yaw_sd_deg",
    "yaw_dev_deg": "yaw_dev_sd_deg",
    "camera_pitch_deg": "camera_pitch_sd_deg",
    "lean_deg": "lean_sd_deg",
    "handle_gap": "handle_gap_sd",
    "white_red": "white_sd",
    "white_blue": "white_sd",
    "wb_dev": "wb_dev_sd",
    "exposure_dev_ev": "exposure_dev_sd_ev",
    "blur_px": "blur_sd_px",
    "original_rotation_deg": "original_rotation_sd_deg",
    "original_scale": "original_scale_sd",
}
OF_LIGHT = ("wb_gain_r", "wb_gain_b", "wb_dev", "exposure_dev_ev")  # of details they rest on the product's other views: rows of their own
SWEEP = 0.8  # linear level of the grey on which a cast is expressed as a colour difference


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
        ``quantity`` (light of details under names of its own), ``unit``, ``file``, ``measured``, ``true``, ``error``, ``sd`` (the
        stated uncertainty, where there is one).
    """
    both = frames.merge(truth, on="file", suffixes=("", "_true"))
    rows = []
    for measured, true, unit in PLAIN:
        name = f"{true}_true" if f"{true}_true" in both else true
        if name not in truth and true not in truth:
            continue
        here = both[both["view_kind"] != "crop"] if measured in NEVER_WHOLE else both
        rows.append(_errors(measured, unit, here, here[name]))
    box = {side: pd.to_numeric(both[f"{side}_true"], errors="coerce") for side in ("left", "top", "right", "bottom")}
    whole = both["view_kind"] != "crop"
    for column, value in BOX.items():
        rows.append(_errors(column, "fraction of frame", both, value(box).where(whole)))
    for channel, gain in (("red", "gain_r"), ("blue", "gain_b")):
        rows.append(_relative(f"wb_gain_{channel[0]}", both, 1 / both[gain]))
        rows.append(_relative(f"white_{channel}", both, both[gain], both[f"white_{channel}"].median()))
    rows.append(_errors("wb_dev", "CIEDE2000", both, _cast(both)))
    rows.append(_from_centre("exposure_dev_ev", "EV", both, "exposure_ev"))
    rows.append(_from_centre("background_dev_ev", "EV", both, "background_ev"))
    rows.append(_from_centre("yaw_dev_deg", "degree", both[both["view"] == "three_quarter"], "yaw_deg_true"))
    errors = pd.concat([row for row in rows if len(row)], ignore_index=True)
    details = errors["quantity"].isin(OF_LIGHT) & errors["file"].isin(both.loc[~whole, "file"])
    errors.loc[details, "quantity"] += " of details"
    return errors


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


def summarise_uncertainty(errors):
    """
    Whether the stated uncertainties are as large as the errors.

    Returns
    -------
    DataFrame
        ``quantity``, ``n`` (values that state one), ``median_sd``, ``robust_z`` (1.4826 times the median of
        |error| / sd; 1 where the statement is right), ``beyond_2``, ``beyond_3``: shares of errors
        beyond 2 and 3 standard uncertainties (4.6 % and 0.3 % of a normal distribution).
    """
    stated = errors[errors["quantity"].isin(UNCERTAINTY) & (errors["sd"] > 0)]
    ratio = stated["error"].abs() / stated["sd"]
    table = stated.assign(ratio=ratio, beyond_2=ratio > 2, beyond_3=ratio > 3).groupby("quantity", sort=False)
    return pd.DataFrame(
        {
            "n": table.size(),
            "median_sd": table["sd"].median(),
            "robust_z": 1.4826 * table["ratio"].median(),
            "beyond_2": table["beyond_2"].mean(),
            "beyond_3": table["beyond_3"].mean(),
        }
    ).reset_index(names="quantity")


def coverage(frames, truth):
    """Share of pictures with a true value for which a quantity was measured at all."""
    both = frames.merge(truth, on="file", suffixes=("", "_true"))
    rows = []
    for measured, true, _ in PLAIN:
        if true in truth:
            name = f"{true}_true" if f"{true}_true" in both else true
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


def pair_errors(frames, truth, originals):
    """
    Finals beside their originals: which was paired, and how it was turned and scaled.

    Parameters
    ----------
    frames : DataFrame
        Of finals, audited with their originals.
    truth, originals : DataFrame
        Truth of the finals and of the originals, with the column ``photograph``.

    Returns
    -------
    pairs : DataFrame
        One row: ``finals``, ``with_original`` (whose photograph is among the originals), ``right``, ``wrong``, ``none``.
    errors : DataFrame
        As `quantity_errors`, for the right pairs of whole products.
    """
    both = frames.merge(truth, on="file", suffixes=("", "_true"))
    by_file = originals.drop_duplicates("file").set_index("file")
    paired = both["original_file"].map(by_file["photograph"])
    known, has = both["photograph"].isin(by_file["photograph"]), both["original_file"].notna()
    right = has & (paired == both["photograph"])
    pairs = pd.DataFrame(
        [{"finals": len(both), "with_original": known.sum(), "right": right.sum(), "wrong": (has & ~right).sum(), "none": (known & ~has).sum()}]
    )
    here = both[right & (both["view_kind"] != "crop")]
    of = by_file.loc[here["original_file"]].reset_index(drop=True)
    here = here.reset_index(drop=True)
    column = lambda name: here[f"{name}_true"] if f"{name}_true" in here else here[name]
    scale = _errors("original_scale", "relative", here, column("px_per_cm") / of["px_per_cm"])
    scale = scale.assign(error=scale["error"] / scale["true"], sd=scale["sd"] / scale["true"])
    turn = _errors("original_rotation_deg", "degree", here, column("roll_deg") - of["roll_deg"])
    return pairs, pd.concat([turn, scale], ignore_index=True)


def _errors(quantity, unit, both, true):
    stated = UNCERTAINTY.get(quantity)
    number = lambda values: pd.to_numeric(values, errors="coerce").to_numpy(dtype=float, na_value=np.nan)
    table = pd.DataFrame(
        {
            "quantity": quantity,
            "unit": unit,
            "file": both["file"].to_numpy(),
            "measured": number(both[quantity]),
            "true": number(true),
            "sd": number(both[stated]) if stated in both else np.nan,
        }
    )
    table["error"] = table["measured"] - table["true"]
    return table.dropna(subset=["error"])


def _relative(column, both, true, centre=1.0):
    """A factor against the true one, both relative to the set's centre; relative error."""
    true = pd.to_numeric(true, errors="coerce")
    here = _errors(column, "relative", both, true / true.median() * centre)
    return here.assign(error=here["measured"] / here["true"] - 1, sd=here["sd"])


def _from_centre(column, unit, both, true):
    """A deviation from the set's centre against the true one."""
    value = pd.to_numeric(both[true], errors="coerce")
    return _errors(column, unit, both, value - value.median())


def _cast(both):
    """CIEDE2000, at equal lightness, that the true gains make of a neutral grey, against the set's centre."""
    gains = np.stack([both["gain_r"] / both["gain_r"].median(), np.ones(len(both)), both["gain_b"] / both["gain_b"].median()], -1)
    lab, grey = lab_from_linear(SWEEP * gains), lab_from_linear(np.full(3, SWEEP))
    lab[:, 0] = grey[0]
    return pd.Series(ciede2000(lab, grey[None, :]), index=both.index)

"""The rule a set is framed by, and each picture's size and place against it."""

import math

import numpy as np
import pandas as pd

RULES = ("equal_height", "equal_width", "first_limit", "equal_area", "true_scale")  # what fixes the size
FEWEST = 3
AS_STEADY = 1.3  # 'first_limit' can imitate equal height and width; it must be this much steadier to be believed
LARGEST_SHIFT = 0.1  # of the frame; a product farther off stands wrong by any rule
LARGEST_STEP = 0.1  # relative; a product farther off is off by any rule, and counts no more than this


def framing_rule(frames, brief, products=None):
    """
    The rule by which the set's products are sized in the frame.

    Parameters
    ----------
    frames : DataFrame
    brief : Brief
        ``framing.rule`` names it, or 'auto' leaves it to be found.
    products : DataFrame, optional
        For 'true_scale'.

    Returns
    -------
    rule : str
        One of `RULES`; '' where there is nothing to tell it from.
    """
    named = getattr(getattr(brief, "framing", None), "rule", "auto")
    if named in RULES:
        return named
    spreads = rule_spreads(frames, products)
    if not len(spreads):
        return ""
    plain = spreads.drop("first_limit", errors="ignore")
    first = spreads.get("first_limit", math.inf)
    if len(plain) and plain.min() <= AS_STEADY * first:
        return str(plain.idxmin())
    return "first_limit"


def rule_spreads(frames, products=None):
    """
    How steadily the set follows each rule: mean relative deviation, capped, of what the rule keeps equal.

    Returns
    -------
    Series
        Rule name to spread (fraction); smaller is steadier.
    """
    spreads = {}
    for rule in RULES:
        values = []
        for _, rows in _views(frames):
            sizes = _sizes(frames, rows, rule, products)
            sizes = sizes[np.isfinite(sizes) & (sizes > 0)]
            if len(sizes) >= FEWEST:
                values.append(np.log(sizes) - np.median(np.log(sizes)))
        if values:
            spreads[rule] = float(np.mean(np.minimum(np.abs(np.concatenate(values)), LARGEST_STEP)))
    return pd.Series(spreads, dtype=float)


def size_and_place(frames, sketches, brief, products=None):
    """
    Size and place of each whole product against its view's reference.

    Returns
    -------
    DataFrame
        ``scale_dev`` (fraction, + larger), ``centre_dev_x``, ``centre_dev_y``
        (fractions of the frame, + right, + down; the base line counts instead of the
        centre where the set keeps that steadier), ``px_per_cm``.
    """
    rule = framing_rule(frames, brief, products)
    columns = {name: np.full(len(frames), np.nan) for name in ("scale_dev", "centre_dev_x", "centre_dev_y", "px_per_cm")}
    columns["px_per_cm"] = _pixels_per_cm(frames, sketches, products)
    for _, rows in _views(frames):
        if len(rows) < FEWEST:
            continue
        if rule:
            sizes = _sizes(frames, rows, rule, products)
            columns["scale_dev"][rows] = sizes / np.nanmedian(sizes) - 1 if np.isfinite(sizes).any() else np.nan
        across = _number(frames, "centre_dx")[rows]
        down = _number(frames, "centre_dy")[rows]
        stands = _number(frames, "baseline")[rows]
        columns["centre_dev_x"][rows] = across - _centre(across)
        steadier = _unsteadiness(stands) < _unsteadiness(down)
        columns["centre_dev_y"][rows] = stands - _centre(stands) if steadier else down - _centre(down)
    return pd.DataFrame(columns, index=frames.index)


def _views(frames):
    """Positions of the measured whole products, view by view."""
    views = frames["view"].fillna("").to_numpy()
    kinds = frames["view_kind"].fillna("").to_numpy()
    sized = np.isfinite(_number(frames, "fill_height"))
    for view in sorted(set(views)):
        rows = np.flatnonzero((views == view) & sized & np.isin(kinds, ("upright", "overhead")))
        if len(rows):
            yield view, rows


def _sizes(frames, rows, rule, products):
    """What the rule keeps equal, one number a picture."""
    height = _number(frames, "fill_height")[rows]
    width = _number(frames, "fill_width")[rows]
    if rule == "equal_height":
        return height
    if rule == "equal_width":
        return width
    if rule == "equal_area":
        return np.sqrt(_number(frames, "fill_area")[rows])
    if rule == "true_scale":
        lengths = _body_heights_cm(frames, products)[rows]
        return height / lengths
    return _first_limit(width, height)


def _first_limit(width, height):
    """Larger of the two fills, each over its limit; the ratio of the limits is the one the set follows best."""
    best = None
    for ratio in np.exp(np.linspace(-0.7, 0.7, 57)):
        size = np.maximum(width, height * ratio)
        logs = np.log(size[np.isfinite(size) & (size > 0)])
        if not len(logs):
            return np.full(len(width), np.nan)
        spread = float(np.mean(np.abs(logs - np.median(logs))))
        held = float(np.mean(width >= height * ratio))
        if 0.1 <= held <= 0.9 and (best is None or spread < best[0]):
            best = (spread, size)
    return best[1] if best is not None else np.full(len(width), np.nan)


def _body_heights_cm(frames, products):
    heights = np.full(len(frames), np.nan)
    if products is None or "height_cm" not in products:
        return heights
    known = dict(zip(products["sku"], pd.to_numeric(products["height_cm"], errors="coerce")))
    return np.array([known.get(sku, np.nan) for sku in frames["sku"]], dtype=float)


def _pixels_per_cm(frames, sketches, products):
    """Working scale from the supplied width and the body's own width in straight-on views, pixels of the file."""
    scale = np.full(len(frames), np.nan)
    if products is None or "width_cm" not in products:
        return scale
    known = dict(zip(products["sku"], pd.to_numeric(products["width_cm"], errors="coerce")))
    pixels = _number(frames, "width_px")
    for position, (file, sku, view) in enumerate(zip(frames["file"], frames["sku"], frames["view"])):
        sides = (sketches.get(file) or {}).get("sides")
        size = known.get(sku, math.nan)
        if view in ("front", "back") and sides is not None and len(sides) and size > 0:
            widest = float(np.percentile(sides[:, 2] - sides[:, 1], 95))
            scale[position] = widest * pixels[position] / size
    return scale


def _number(frames, column):
    return pd.to_numeric(frames[column], errors="coerce").to_numpy(dtype=float)


def _centre(values):
    known = values[np.isfinite(values)]
    return float(np.median(known)) if len(known) else math.nan


def _unsteadiness(values):
    """Mean distance from the middle, capped: the few products of another height tell base line and centre apart."""
    known = values[np.isfinite(values)]
    return float(np.mean(np.minimum(np.abs(known - np.median(known)), LARGEST_SHIFT))) if len(known) else math.inf

"""Products with parts that are burnt out or blocked up."""

import numpy as np
import pandas as pd
from scipy.ndimage import binary_fill_holes

from catalogue_audit.findings import brief_terms
from catalogue_audit.findings.deviations import tolerances
from catalogue_audit.findings.light import PURE_MAJORITY, PURE_WHITE_L, is_pure, largest_of_the_others
from catalogue_audit.findings.outliers import SCATTERS, UNCERTAINTIES
from catalogue_audit.findings.rows import called, finding, number, sentence
from catalogue_audit.measures.applicability import STRAIGHT_ON
from catalogue_audit.statistics.photometry.surfaces import A_STOP, AT_TOP, HALF_A_STOP, near_top_share
from catalogue_audit.statistics.robust import mad_scale

BRIGHT_L = 90.0  # CIELAB; a product this light is near the top of the scale where the light meets it
BRIGHT_SHARE = 0.2  # of such a product may be there beyond its other views, as long as its exposure is right
WHITES = 0.25  # of what the other views show near the top of the scale, a plane turned to the lamps may burn out under the right light
ABRUPT = 0.4  # of what is at the top of the scale, below which the half stop under it holds too little for light that fades
CLOSED = 0.5  # of what front and back leave open, the other of them leaves less only where the outline closed a handle
ENLARGED = 10.0  # times as large, by area, a detail shows its part of a product as a whole view does (common practice, no source)


def clipping(evidence):
    """
    Products with more burnt-out or blocked-up pixels than is normal for the view and for themselves.

    A channel raised with the product's colour is one thing with that. A detail shows a part of its product as large
    as the whole, and so may show all that the lamps burn out there. White stripes, cream leather or a pale pink are near the top
    of the scale in every view, and some of them reach it where a plane faces the lamps: under the right light that is normal.
    """
    frames = evidence.measured
    for column, words in (("clipped_high", "burnt out"), ("clipped_low", "without any detail in the shadows")):
        known = frames.loc[frames[column].notna() & frames["view"].notna()]
        if column == "clipped_high":
            known = known[~_of_another_colour(evidence, known)]
        of_view = known.groupby("view")[column].transform("median")
        larger = np.where(evidence.frames["view_kind"][known.index] == "crop", ENLARGED, 1.0)
        of_product = larger * largest_of_the_others(known, known[column] / larger).fillna(0.0)
        normal = np.maximum(of_view, of_product)
        tolerance = _clipping_tolerance(evidence, known, column)
        outside = known[column] - normal > tolerance
        for frame, normally, allowed in zip(
            evidence.records(known[outside]), normal[outside], tolerance[outside.to_numpy()], strict=True
        ):
            if column == "clipped_high" and _of_the_page(evidence, frame, allowed):
                continue
            if column == "clipped_high" and _of_its_whites(evidence, frame, normally, allowed):
                continue
            note = (
                f"{frame[column] * 100:.1f} % of the product in the {called(frame)} is {words} where "
                f"{normally * 100:.1f} % is normal (tolerance {allowed * 100:g} % more): develop it again softer if "
                f"the raw file holds the detail, else photograph it again"
            )
            yield finding(
                "clipping", sentence(note), frame, value=frame[column], expected=normally, tolerance=allowed
            )


def _of_the_page(evidence, frame, allowed):
    """
    Whether what is burnt out is the white page, seen through a handle or beside an outline that misses the product.

    Light that burns out a surface fades at its rim, so that about as much lies just below the top of the scale; a page ends at the product's
    edge. Where the outline closed a handle, as much as is open in the product's other straight-on view is the page, whatever fades beside it.
    """
    if is_pure(evidence.whole_product).mean() < PURE_MAJORITY or _lit_otherwise(pd.DataFrame([frame]), brief_terms.tolerance(evidence.brief, "exposure")).item():
        return False
    sketch = evidence.sketches.get(frame["file"]) or {}
    full = near_top_share(sketch, AT_TOP)
    rest = max(full - _closed_share(evidence, frame), 0.0)
    return rest <= allowed or near_top_share(sketch) - full < ABRUPT * rest


def _closed_share(evidence, frame):
    """Share of a product in a straight-on view that the outline closed and leaves open in its other straight-on views: what is seen through a handle."""
    others = evidence.whole_product
    others = others.loc[(others["sku"] == frame["sku"]) & (others["file"] != frame["file"]) & others["view"].isin(STRAIGHT_ON), "file"]
    if frame["view"] not in STRAIGHT_ON or others.empty:
        return 0.0
    own, *shown = (_open_share(evidence.sketches.get(file) or {}) for file in (frame["file"], *others))
    return max(shown) - own if own < CLOSED * max(shown) else 0.0


def _open_share(sketch):
    """Share of a product, what it surrounds counted with it, that the outline leaves open; 0 where it is not known."""
    mask = sketch.get("mask")
    return 0.0 if mask is None or not mask.any() else float(1 - mask.sum() / binary_fill_holes(mask).sum())


def _of_its_whites(evidence, frame, normally, allowed):
    """
    Whether what is burnt out may be so because the product is that light all over, under the right light.

    That is what is normally burnt out, a part of what is nearly so, and what the others differ by in it, as white patterns are not the same all round.
    A slanting view, or a detail, turns a plane to the lamps that the front lets them graze: at 60 degrees light is half of what meets it straight on
    (Lambert's cosine law), so that what is within a stop of the top there may burn out here. So much of it may that nothing is left by which its
    light could be told; then its background tells whether the lamps were as ever. Of a pink or a yellow one channel alone is that near the top: it is
    not white for it, and what is burnt out to pure white is held against what the others show near the top in all channels. Of a product that has
    no other view, such a part of what is nearly white in this one is the tail of it.
    """
    limit = brief_terms.tolerance(evidence.brief, "exposure")
    others = evidence.whole_product
    others = others[(others["sku"] == frame["sku"]) & (others["file"] != frame["file"]) & ~_lit_otherwise(others, limit)]
    crop = frame["view_kind"] == "crop"
    slanting = not crop and frame["view"] not in STRAIGHT_ON
    own = evidence.sketches.get(frame["file"]) or {}
    if _lit_otherwise(pd.DataFrame([frame]), limit).item():
        return False
    if others.empty:
        return not crop and frame["clipped_high"] <= WHITES * _most([own], HALF_A_STOP, white=True) + allowed
    background = number(frame.get("background_dev_ev"))
    if number(frame.get("exposure_dev_ev")) is None and not (slanting and background is not None and abs(background) < limit):
        return False
    sketches = [evidence.sketches.get(file) or {} for file in others["file"]]
    near = A_STOP if slanting or crop else HALF_A_STOP
    part, larger = 1.0 if slanting else WHITES, ENLARGED if crop else 1.0
    burnt = others["clipped_high"].dropna()
    differ = float(np.ptp(burnt)) if len(burnt) else 0.0

    def may_burn_out(normal, white):
        return normal + part * max(min(1.0, _most(sketches, near, white) * larger) - normal, 0.0) + differ + allowed

    if frame["clipped_high"] > may_burn_out(normally, white=False):
        return False
    return crop or _most([own], AT_TOP, white=True) <= may_burn_out(min(1.0, _most(sketches, AT_TOP, white=True)), white=True)


def _most(sketches, near, white):
    """The largest `near_top_share` of some pictures; 0 where it is not known."""
    return float(max(np.nan_to_num(near_top_share(sketch, near, white)) for sketch in sketches))


def _lit_otherwise(frames, limit):
    """Whether frames are surely too bright or too dark by more than a limit (EV), a Series of bool."""
    off, sd = frames["exposure_dev_ev"].astype(float).abs(), frames["exposure_dev_sd_ev"].astype(float).fillna(0.0)
    return (off >= limit) & (off > UNCERTAINTIES * sd)


def _clipping_tolerance(evidence, frames, column):
    """Share of the product that may be clipped beyond what is normal for each frame, (n,)."""
    tolerance = tolerances(evidence, "clipping", frames)
    if column == "clipped_high":
        limit = brief_terms.tolerance(evidence.brief, "exposure")
        exposed = (frames["exposure_dev_ev"].fillna(0.0) < limit) | ~_lit_otherwise(frames, limit)
        tolerance = np.where((frames["product_L"] > BRIGHT_L) & exposed, np.maximum(tolerance, BRIGHT_SHARE), tolerance)
    crop = (evidence.frames["view_kind"][frames.index] == "crop").to_numpy(bool)
    scatter = frames.groupby("view")[column].transform(mad_scale).to_numpy(float)
    return tolerance + np.where(crop, SCATTERS * scatter, 0.0)  # a buckle's glint fills much or little of a detail


def _of_another_colour(evidence, frames):
    """
    Frames whose product has another colour than in its other views, under no more light: a Series of bool.

    Where the sweep is burnt out too, and the others' is not, or most of the product is pure white, there was more light, however much.
    """
    off = frames["product_colour_dev"] > brief_terms.tolerance(evidence.brief, "product_colour")
    burnt = is_pure(frames) & (is_pure(evidence.whole_product).mean() < PURE_MAJORITY)
    burnt |= frames["product_L"] >= PURE_WHITE_L
    return off & ~(frames["exposure_dev_ev"] >= brief_terms.tolerance(evidence.brief, "exposure")) & ~burnt

"""
Handles beside the set's other pictures: what perspective explains of the gap between them, and what is left.

How two level handles look apart is in `measures.geometry.handles`. The elevation they are seen from is the
camera's downward look less the angle of the crowns above the optical axis; the downward look is
what makes most of the view's pairs of handles come out level. A leaning product tilts both handles
alike, so its lean adds to the elevation.
"""

import math

import numpy as np
import pandas as pd

from catalogue_audit.measures.applicability import STRAIGHT_ON, shows_a_turn
from catalogue_audit.measures.geometry.handles import (
    APART,
    APART_SD,
    DEPTH,
    DEPTH_SD,
    SIDE_CROWN_SD,
    STAND,
    USUAL_LOOK_DEG,
    USUAL_LOOK_SD_DEG,
    USUAL_TURN_DEG,
)
from catalogue_audit.measures.records import DEFAULT_FOCAL_35MM
from catalogue_audit.statistics.geometry.style_places import beside_their_shape
from catalogue_audit.statistics.styles import shapes_of, sized_shapes

KNOWN_DEPTH_SD = 0.08  # relative, of depth over width by the products file, whose sizes are rounded
KNOWN_LOOK_SD_DEG = 0.7  # of a look that corners of three and more turned products show
LOOKS_DEG = np.arange(-5.0, 25.01, 0.25)
FEWEST = 3  # pictures whose corners tell a view's downward look
NOT_LEVEL = 3.0  # standard uncertainties; a pair of handles further off says no more about the camera
TILT_SD = 0.004  # of the product's height; how level handles are set up by eye
SEVERAL_LEGS = 3  # on one row: two handles
FARTHEST = 0.25  # of the product's height, by which perspective may be mistaken about a shape's handles
SEEN_BELOW = 0.1  # share of unlevel pairs seen straight on whose gap looks smaller than level ones': a rear handle that fell shows within the front one's arch
THICK_CROWN = 0.04  # of the product's height, by which a crown of two handles is thicker than one


def handle_stands(frames, sketches, products=None):
    """
    Handles, body and what is known of their depth, a row a frame.

    Parameters
    ----------
    frames : DataFrame
    sketches : mapping of str to dict
        Uses ``stand``.
    products : DataFrame, optional
        With ``sku``, ``width_cm``, ``depth_cm``.

    Returns
    -------
    DataFrame
        Index as `frames`: the columns of `measures.geometry.handles.STAND`, ``width`` as it would be straight on;
        ``depth`` of the body over its width, and ``depth_sd``; ``shape``, alike for products of one style and supplied size, else the product's own; ``height_cm`` of the product where its width is supplied; ``above_deg``, angle of the crown above the optical axis; ``focal`` length in heights of
        the frame; ``two_handled``: whether any picture of the shape shows two.
    """
    empty = np.full(len(STAND), np.nan)
    rows = [(sketches.get(file) or {}).get("stand", empty) for file in frames["file"]]
    rows = [row if len(row) == len(STAND) else empty for row in rows]
    stands = pd.DataFrame(np.array(rows, float).reshape(len(frames), len(STAND)), columns=list(STAND), index=frames.index)
    tall, wide = (pd.to_numeric(frames[name], errors="coerce").astype(float) for name in ("height_px", "width_px"))
    focal = pd.to_numeric(frames["focal_length_35mm"], errors="coerce").astype(float).fillna(DEFAULT_FOCAL_35MM)
    stands["focal"] = focal / math.hypot(36, 24) * np.hypot(tall, wide) / tall
    crown = stands["front"].fillna((stands["left_crown"] + stands["right_crown"]) / 2)
    stands["above_deg"] = np.degrees(np.arctan((0.5 - crown) / stands["focal"]))
    share = (stands["front"] - stands["rear"]) / stands["height"]
    depth, depth_sd, width_cm = _sizes(frames, products)
    thick = (share > THICK_CROWN) & (share > 3 * stands["gap_sd"] / stands["height"])
    shows_two = (stands["legs"] >= SEVERAL_LEGS) | (stands["apart"] > 0) | thick
    shape = sized_shapes(frames, products)
    of_shape = shows_two.groupby(shape).transform("any")
    turn = pd.to_numeric(frames["yaw_deg"], errors="coerce").astype(float).abs().fillna(USUAL_TURN_DEG)
    turn = np.radians(turn.where(frames["view"].fillna("").map(shows_a_turn).astype(bool), 0.0))
    across = np.cos(turn) + depth * np.sin(turn)  # what a turned body shows of its side adds to its width
    return stands.assign(
        depth=depth,
        depth_sd=depth_sd,
        width=stands["width"] / across,
        height_cm=stands["height"] / stands["width"] * across * width_cm,
        shape=shape,
        two_handled=of_shape.astype(bool),
    )


def _sizes(frames, products):
    """Depth of each frame's product over its width, its standard uncertainty, and the width in cm, NaN where not supplied."""
    unknown = pd.Series(math.nan, index=frames.index)
    if products is None or not {"sku", "width_cm", "depth_cm"} <= set(products.columns):
        return unknown.fillna(DEPTH), unknown.fillna(DEPTH_SD), unknown
    width, depth = (pd.to_numeric(products[name], errors="coerce").astype(float) for name in ("width_cm", "depth_cm"))
    width = width.where(width > 0)
    share = frames["sku"].map(dict(zip(products["sku"], (depth / width).where(depth > 0), strict=True))).astype(float)
    share_sd = (KNOWN_DEPTH_SD * share).fillna(DEPTH_SD)
    return share.fillna(DEPTH), share_sd, frames["sku"].map(dict(zip(products["sku"], width, strict=True))).astype(float)


def gaps_beyond_perspective(frames, stands, lean_deg=None, products=None):
    """
    How far each rear handle stands above where it would, were both level.

    Parameters
    ----------
    frames : DataFrame
        With ``view``, ``view_kind``, ``touches``, ``yaw_deg``, ``camera_pitch_deg``.
    stands : DataFrame
        As `handle_stands` gives it.
    lean_deg : Series of float, optional
        Lean of each product, where it is sure: what it explains is taken out.
    products : DataFrame, optional
        The products file.

    Returns
    -------
    DataFrame
        Index as `frames`: ``gap``, fraction of the product's height; ``gap_sd``; ``look_deg``, the view's
        downward look by its handles. NaN where a product shows no two handles.
    """
    result = pd.DataFrame(math.nan, index=frames.index, columns=["gap", "own_sd", "shared_sd", "look_deg"])
    for view, weights in view_looks(frames, stands).items():
        turned = shows_a_turn(view)
        here = _pairs_of_handles(frames, stands, view)
        seen, own, shares, above = _seen(frames.loc[here], stands.loc[here], _turns(frames, view)[here] if turned else None)
        lean = 0.0 if lean_deg is None else lean_deg[here].fillna(0.0).to_numpy()[:, None]
        expected = shares[:, None] * np.sin(np.radians(LOOKS_DEG - above[:, None] + lean))
        if not turned:
            expected = np.abs(expected)  # a rear handle below the front one shows within its arch: which is which is not seen
        explained = expected @ weights
        unsure = np.sqrt((expected - explained[:, None]) ** 2 @ weights + (APART_SD / APART * explained) ** 2)
        result.loc[here, "gap"] = seen - explained
        result.loc[here, "own_sd"], result.loc[here, "shared_sd"] = own, unsure
        result.loc[here, "look_deg"] = weights @ LOOKS_DEG
    own, shared = (result.pop(name).to_numpy() for name in ("own_sd", "shared_sd"))
    gaps = result["gap"].to_numpy()
    # how far handles are sewn apart, and whether what shows above the crown is a second handle at all, is alike in all pictures of a shape
    result["gap"], result["gap_sd"] = beside_their_shape(gaps, own, shared, shapes_of(frames, products), frames["view"].fillna(""), FARTHEST, SEEN_BELOW)
    return result[["gap", "gap_sd", "look_deg"]]


def view_looks(frames, stands):
    """View -> how likely each of `LOOKS_DEG` is there, for views that show pairs of handles; see `look_weights`. One camera takes front and back."""
    corners = pd.to_numeric(frames["camera_pitch_deg"], errors="coerce").astype(float)
    pairs = {view: _pairs_of_handles(frames, stands, view) for view in sorted(set(frames["view"].dropna()))}
    looks = {}
    for view in (view for view, here in pairs.items() if len(here)):
        turned = shows_a_turn(view)
        alike = [view] if turned else [other for other in STRAIGHT_ON if other in pairs]
        here = [place for other in alike for place in pairs[other]]
        looks[view] = look_weights(*_seen(frames.loc[here], stands.loc[here], _turns(frames, view)[here] if turned else None), turned, corners[frames["view"].isin(alike)])
    return looks


def looks_by_others(frames, stands):
    """
    Place of each straight-on picture that shows a pair of handles -> how likely each of `LOOKS_DEG` is by all others.

    Front and back are taken together, for one camera takes both; a product's other pictures of the same view are left out,
    for they may be the same picture twice.
    """
    here = [place for view in STRAIGHT_ON for place in _pairs_of_handles(frames, stands, view)]
    if not here:
        return {}
    costs = _costs(*_seen(frames.loc[here], stands.loc[here]), False)
    of = list(zip(frames.loc[here, "sku"].fillna(frames.loc[here, "file"]), frames.loc[here, "view"], strict=True))
    own = {}
    for row, key in enumerate(of):
        own.setdefault(key, []).append(row)
    total, usual = costs.sum(axis=0), (USUAL_LOOK_DEG[False], USUAL_LOOK_SD_DEG)
    looks = {key: _weights(total - costs[rows].sum(axis=0), usual) for key, rows in own.items()}
    return {place: looks[key] for place, key in zip(here, of, strict=True)}


def _pairs_of_handles(frames, stands, view):
    """Places of a view's pictures that show a pair of handles and are not cut by the frame."""
    if not shows_a_turn(view) and view not in STRAIGHT_ON:
        return frames.index[:0]
    whole = ~frames["touches"].fillna("").astype(str).str.contains("bottom|top")
    seen = ("left_crown", "right_crown") if shows_a_turn(view) else ("front", "rear")
    known = stands[[*seen, "above_deg", "width"]].notna().all(axis=1)
    if shows_a_turn(view):
        known &= _turns(frames, view).notna()
    return frames.index[(frames["view"] == view) & (frames["view_kind"] == "upright") & stands["two_handled"] & whole & known]


def _turns(frames, view):
    """Turn of each picture, degrees; where its own is not known and all others of its view are turned one way, theirs: that says which handle is the rear one."""
    turns = pd.to_numeric(frames["yaw_deg"], errors="coerce").astype(float)
    known = turns[(frames["view"] == view) & turns.notna()]
    one_way = len(known) >= FEWEST and abs(np.sign(known).sum()) == len(known)
    return turns.fillna(float(known.median())).where(frames["view"] == view, turns) if one_way else turns


def _seen(frames, stands, turns=None):
    """Gaps, their standard uncertainties, and distances between the handles over the product's height; crowns above the axis, degrees; ``turns`` of turned views."""
    turned = turns is not None
    apart, above = handles_apart(stands).to_numpy(), stands["above_deg"].to_numpy()
    if not turned:
        gap, own = (stands["front"] - stands["rear"]) / stands["height"], stands["gap_sd"] / stands["height"]
        return gap.to_numpy(), np.hypot(own, TILT_SD).to_numpy(), apart, above
    turn = turns.to_numpy()
    gap = np.sign(turn) * (stands["right_crown"] - stands["left_crown"]).to_numpy() / stands["height"].to_numpy()
    own = np.full(len(gap), math.hypot(SIDE_CROWN_SD, TILT_SD))
    return gap, own, apart * np.cos(np.radians(turn)), above


def handles_apart(stands):
    """Distance between the two handles, one behind the other, over the product's height."""
    return APART * stands["depth"] * stands["width"] / stands["height"]


def look_weights(gaps, gap_sds, shares, above_deg, turned, corners_deg=()):
    """
    How likely each of the downward looks `LOOKS_DEG` is, by a view's pairs of handles: most are level.

    Parameters
    ----------
    gaps, gap_sds, shares, above_deg : (n,) float
        Gap, its standard uncertainty, and distance between the handles over the product's height; angle of
        the crowns above the optical axis.
    turned : bool
        Whether this is a three-quarter view: the gap may then be negative.
    corners_deg : array_like of float
        Downward looks that the view's corners tell; NaN where there is none.

    Returns
    -------
    (m,) float
        Summing to 1: what is usual or what the corners tell, times the handles, of which any may be not
        level (there is a limit on what one counts).

    Examples
    --------
    >>> level = 0.2 * np.sin(np.radians([4.0, 5.0, 6.0, 30.0]))
    >>> weights = look_weights(level, np.full(4, 0.003), np.full(4, 0.2), np.array([5.0, 4.0, 3.0, 4.0]), True)
    >>> round(float(weights @ LOOKS_DEG))
    9
    """
    known = np.asarray(corners_deg, float)
    known = known[np.isfinite(known)]
    usual = USUAL_LOOK_DEG[turned], USUAL_LOOK_SD_DEG
    if len(known) >= FEWEST:
        usual = float(np.median(known)), KNOWN_LOOK_SD_DEG
    return _weights(_costs(gaps, gap_sds, shares, above_deg, turned).sum(axis=0), usual)


def _costs(gaps, gap_sds, shares, above_deg, turned):
    """What each pair of handles has against each of `LOOKS_DEG`, squared standard uncertainties: (n, m); all as in `look_weights`."""
    expected = shares[:, None] * np.sin(np.radians(LOOKS_DEG[None] - above_deg[:, None]))
    expected_sd = np.hypot(gap_sds[:, None], APART_SD / APART * expected)
    off = (gaps[:, None] - (expected if turned else np.abs(expected))) / expected_sd
    return np.minimum(off**2, NOT_LEVEL**2)


def _weights(cost, usual):
    """Weight of each of `LOOKS_DEG`, summing to 1, by what all handles have against it and by what is usual (mean, sd)."""
    cost = cost + ((LOOKS_DEG - usual[0]) / usual[1]) ** 2
    weight = np.exp(-0.5 * (cost - cost.min()))
    return weight / weight.sum()

"""
Where a style's own shape puts it in the frame, beside the set's rule.

Products are stood on a mark by their foot or their axis, and a frame is cropped by their outline's box: a strap that hangs down one side, a
deeper base, a bag that overhangs its foot move all pictures of a style alike, in all its colourways, and are no picture's fault. So a place has
three levels: the set's rule, the style's own place in a view, the picture. A style has a place of its own with a small share beforehand, smaller
where the set's other styles keep the rule and larger where they do not (a beta-binomial share); how likely its pictures' deviations are with
one and without tells which (a mixture of two hypotheses). What moves a style is mirrored
between front and back across the frame, where slanting views see it otherwise and tell only themselves; up and down all these see it alike.
"""

import math

import numpy as np
import pandas as pd

from catalogue_audit.measures.applicability import STRAIGHT_ON, shows_a_turn
from catalogue_audit.statistics.robust import mad_scale
from catalogue_audit.statistics.styles import shapes_of

OWN_PLACE = 0.05  # share of styles with a place of their own; of ninety rendered ones five, by 2 % to 3 %
OWN_PLACE_SD = 0.02  # of the frame: how far off it is
SETS_DIFFER = 5.0  # styles that the share counts for beforehand: a set cropped by the outline's box has none off, one stood on a mark several
UNLIKE = 1.5  # standard deviations; by less, nothing has to be explained
REACH, STEP = 0.25, 0.002  # of the frame: places of a style that are tried
FAULT, FAULT_SD = 0.06, 0.1  # share of pictures placed wrongly, and by how much; as `framing_rules` has them


def style_places(frames, deviations, sds, mirrored, products=None, kinds=None):
    """
    What each picture's style moves it by, from its deviation and those of the style's other pictures.

    Parameters
    ----------
    frames : DataFrame
        With ``sku``, ``view``, ``style``, ``duplicate_group``.
    deviations : (n,) float
        From the set's rule, fractions of the frame; NaN where unknown.
    sds : (n,) float
        How steadily each picture is placed, with the uncertainty of its deviation, fractions of the frame.
    mirrored : bool
        A front's place to one side is the back's to the other.
    products : DataFrame, optional
        The products file.
    kinds : Series of str, optional
        `statistics.styles.shapes_of` them, where it is known already.

    Returns
    -------
    shift, sd : (n,) float
        Fractions of the frame, and standard uncertainty; 0 where no style moves its pictures.
    """
    shift, unsure = np.zeros(len(frames)), np.zeros(len(frames))
    views, kinds = frames["view"].fillna("").to_numpy(dtype=object), shapes_of(frames, products) if kinds is None else kinds
    back = np.where((views == "back") & mirrored, -1.0, 1.0)
    alike = np.isin(views, STRAIGHT_ON) | (np.array([shows_a_turn(view) for view in views], dtype=bool) & (not mirrored))
    sides = np.where(alike, "straight on", views)
    known = np.isfinite(deviations) & ~_further_copies(frames)
    styles = []
    for rows in kinds.groupby(kinds.where(frames["sku"].notna())).indices.values():  # a picture without SKU tells of no style
        evidence, places = 0.0, {}
        off = np.abs(deviations[rows]) / sds[rows]
        if np.nan_to_num(off).max() > UNLIKE:
            for side in sorted(set(sides[rows])):
                here = rows[(sides[rows] == side) & known[rows]]
                if len(here):
                    more, *places[side] = _own_place(back[here] * deviations[here], sds[here])
                    evidence += more
        if np.isfinite(off).any():
            styles.append((rows, evidence, places))
    shares = _shares_of_own_place(np.array([evidence if places else -math.inf for _, evidence, places in styles]))
    for share, (rows, _, places) in zip(shares, styles, strict=True):
        for side, (place, place_sd) in places.items():
            here = rows[sides[rows] == side]
            shift[here] = back[here] * share * place
            unsure[here] = math.sqrt(share * place_sd**2 + share * (1 - share) * place**2)
    return shift, unsure


def _shares_of_own_place(evidence):
    """
    How likely each style has a place of its own, as its evidence and the other styles of the set tell.

    >>> [float(_shares_of_own_place(np.array([3.0] + [-math.inf] * others))[0].round(2)) for others in (0, 7)]
    [0.51, 0.3]
    """
    alone = _share(OWN_PLACE, evidence)
    others = (OWN_PLACE * SETS_DIFFER + alone.sum() - alone) / (SETS_DIFFER + len(evidence) - 1)
    return _share(others, evidence)


def _share(before, evidence):
    """Probability, from that beforehand and the logarithm of a likelihood ratio."""
    odds = np.log(before / (1 - before)) + evidence
    return 1 / (1 + np.exp(-np.clip(odds, -700.0, 700.0)))


def _further_copies(frames):
    """(n,) bool: pictures of a photograph that the same product's view has already; delivered twice, it tells once."""
    if "duplicate_group" not in frames:
        return np.zeros(len(frames), dtype=bool)
    return (frames["duplicate_group"].notna() & frames.duplicated(["duplicate_group", "sku", "view"])).to_numpy()


def _own_place(deviations, sds):
    """Of (m,) deviations of a style: log of their likelihood with a place of its own over that without; that place and its uncertainty."""
    places = np.arange(-REACH, REACH + STEP / 2, STEP)
    evidence, place, spread = shared_offset(deviations, sds, places, np.exp(-0.5 * (places / OWN_PLACE_SD) ** 2))
    return evidence - float(_log_likelihood(deviations, sds).sum()), place, spread


def beside_their_shape(values, own, shared, kinds, views, largest, below=1.0):
    """
    Values less what the pictures of one shape share in a view; straight-on views count as one.

    What a rule or a model explains of a shape badly, it explains as badly in all its pictures: there they tell of each other more than
    it does. A share of shapes is off by more than the model admits. A picture alone keeps what the model leaves unsure.

    Parameters
    ----------
    values : (n,) float
        Deviations from what the model explains; NaN where unknown.
    own, shared : (n,) float
        Standard uncertainties: of each picture by itself, and of the model for its shape.
    kinds, views : Series of str
        Whose pictures show one shape, and which view.
    largest : float
        Reach of what may be shared, in the unit of the values; a fifth of it is a usual size of what the model does not admit.
    below : float
        As `shared_offset` takes it, in straight-on views.

    Returns
    -------
    values, sd : (n,) float

    Examples
    --------
    >>> told, sd = beside_their_shape(
    ...     np.array([0.08, 0.075, 0.17, 0.08]), np.full(4, 0.01), np.full(4, 0.05), pd.Series(["A"] * 4), pd.Series(["front"] * 4), 0.3)
    >>> told.round(2).tolist()
    [0.0, -0.0, 0.09, 0.0]
    """
    step = largest / 150
    offsets, wide = np.arange(-largest, largest + step / 2, step), largest / 5
    told, sd = values.copy(), np.hypot(own, shared)
    known = np.isfinite(values)
    sides = views.where(~views.isin(STRAIGHT_ON), STRAIGHT_ON[0])
    for (_, side), rows in pd.Series(np.arange(len(values)))[known].groupby([kinds.to_numpy()[known], sides.to_numpy()[known]]):
        here = rows.to_numpy()
        if len(here) > 1:
            usual = max(float(np.median(shared[here])), step)
            prior = (1 - OWN_PLACE) / usual * np.exp(-0.5 * (offsets / usual) ** 2) + OWN_PLACE / wide * np.exp(-0.5 * (offsets / wide) ** 2)
            _, offset, offset_sd = shared_offset(values[here], own[here], offsets, prior, below if side in STRAIGHT_ON else 1.0)
            told[here], sd[here] = values[here] - offset, np.hypot(own[here], offset_sd)
    return told, sd


def shared_offset(values, sds, offsets, prior, below=1.0):
    """
    What values share that any of them may be a fault of any size.

    Parameters
    ----------
    values, sds : (n,) float
        With their standard uncertainties.
    offsets, prior : (m,) float
        What may be shared, evenly spaced, and how likely each is beforehand, to any scale.
    below : float
        How much rarer faults below what is shared are than those above.

    Returns
    -------
    evidence, offset, sd : float
        Logarithm of the values' likelihood; mean and standard deviation of what they share.

    Examples
    --------
    >>> offsets = np.linspace(-0.2, 0.2, 401)
    >>> _, shared, sd = shared_offset(np.array([0.061, 0.06, 0.059, 0.002]), np.full(4, 0.005), offsets, np.ones(401))
    >>> round(shared, 3), sd < 0.005
    (0.06, True)
    """
    log = _log_likelihood(values[:, None] - offsets, sds[:, None], below).sum(axis=0) + np.log(prior / prior.sum() + 1e-300)
    most = log.max()
    weight = np.exp(log - most)
    total = float(weight.sum())
    offset = float(weight @ offsets) / total
    return most + math.log(total), offset, math.sqrt(float(weight @ (offsets - offset) ** 2) / total)


def _log_likelihood(off, sds, below=1.0):
    """Logarithm of the likelihood of values this far from where they belong, which may be faults of any size, `below` times as often below as above."""
    usual = (1 - FAULT) / sds * np.exp(-0.5 * (off / sds) ** 2)
    fault = FAULT / FAULT_SD * np.exp(-0.5 * (np.minimum(np.abs(off), FAULT_SD) / FAULT_SD) ** 2)
    return np.log(usual + np.where(off < 0, below, 1.0) * fault)


def body_axes(frames, sketches):
    """
    Place of each product's body across the frame: the middle between its sides, without strap and handles.

    Parameters
    ----------
    frames : DataFrame
    sketches : mapping of str to dict
        Uses ``sides``.

    Returns
    -------
    (2, n) float
        Fraction of the width right of the middle, and its standard uncertainty: how far middles of single rows scatter, as what hangs
        down one side moves many of them alike. 0 in slanting views, whose middles their own shape moves from row to row; NaN without sides.
    """
    kept = getattr(sketches, "made", {})  # asked for where places are told and where they are judged
    axes = np.full((2, len(frames)), math.nan)
    for place, (file, view, kind) in enumerate(zip(frames["file"], frames["view"], frames["view_kind"], strict=True)):
        if kind == "upright":
            if ("axis", file) not in kept:
                kept["axis", file] = _axis((sketches.get(file) or {}).get("sides"))
            axes[:, place] = kept["axis", file]
            if view not in STRAIGHT_ON:
                axes[1, place] *= 0.0
    return axes


def _axis(sides):
    """Middle between the sides beside the frame's, and how far the middles of single rows scatter; NaN without sides."""
    if sides is None or not len(sides):
        return math.nan, math.nan
    middles = (sides[:, 1] + sides[:, 2]) / 2
    return float(np.median(middles)) - 0.5, mad_scale(middles)

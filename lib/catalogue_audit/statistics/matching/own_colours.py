"""
Whether a picture's colours are its product's own, seen in part in its other views.

The gusset of a two-tone bag is a strip of its front and all of its side. Such a view has another colour than the others
and may share it with another product, yet it tells of no mistake.
"""

import numpy as np

from catalogue_audit.measures.segmentation.body import body_mask
from catalogue_audit.pixels.colour import ciede2000
from catalogue_audit.statistics.matching.looks import outline_match, outline_of, structure_match
from catalogue_audit.statistics.photometry.product_colour import LARGE, SHOWN, product_palette

ONE_LIGHTNESS = 50.0  # CIELAB; a shaded colour keeps its ratios: a* and b* fall with L* + 16, all three being cube roots of light
OF_LIGHTNESS = 0.3  # what lightness counts: a gusset is in the shade in one view and faces the lamp in another
# Mean CIEDE2000 of a picture's large colours to the nearest of its product's: sides of two-tone bags reach 3; of some 80 pictures
# of other products 3 lie below 5, all fronts of another colourway (measured).
SAME_COLOURS = 5.0
SAME_OUTLINE = 0.9  # overlap of two pictures of one view
SHOWS_NO_FACE = ("side",)  # seen from here, colourways that share a gusset are one
SHOWS_ALL = ("three_quarter",)  # a view of face and gusset both, whose colours are never a part of the product's only


def is_gusset_of_its_own(frames, sketches, row, others):
    """
    Whether a side view, which has another product's colour, shows the gusset of its own product.

    A front or back is not asked: the 3 of some 80 foreign pictures in their product's trim's colour are fronts.
    """
    return frames["view"][row] in SHOWS_NO_FACE and shows_own_colours(frames, sketches, row, others)


def is_like_its_own(frames, sketches, looks, row, others, members):
    """
    Whether a picture whose colour lies nearer to another product's is like its own product's in all but how much it shows of each colour.

    A back without the front's panel, strap and trim has fewer dark parts than its product's other views, and may share what is left with
    another product of its colour. It shows no colour that its own product has not, its main colour is theirs, and its body has
    the shape of theirs at least as much as of the other product's: then nothing but shares speaks for the other.

    Parameters
    ----------
    frames : DataFrame
    sketches : mapping of str to dict of ndarray
        ``palette`` and ``mask`` are read.
    looks : dict of int to Look
    row : int
    others, members : iterable of int
        Rows of the product's other whole views, and of the other product's.

    Returns
    -------
    bool
        False where palettes are missing, and of a three-quarter view.
    """
    if not (shows_own_colours(frames, sketches, row, others) and _has_their_main_colour(frames, sketches, row, others)):
        return False
    body = _without_straps(frames, sketches, looks, row)
    own, foreign = (_best_match(body, [_without_straps(frames, sketches, looks, one) for one in rows]) for rows in (others, members))
    return own >= foreign


def _best_match(look, others):
    return max((outline_match(look, other, flip) for other in others for flip in (False, True)), default=0.0)


def _has_their_main_colour(frames, sketches, row, others):
    """Whether the largest colour of a picture is that of most of some others, shading taken off."""
    seen, *shown = (product_palette(sketches, frames["file"][place]) for place in (row, *others))
    main = [_at_one_lightness(colours[:1])[0] for colours in (seen, *shown) if colours is not None]
    return len(main) > 1 and float(np.median(ciede2000(main[0][None], np.stack(main[1:])))) <= SAME_COLOURS


def _without_straps(frames, sketches, looks, row):
    """A look with the outline of the product's body alone, without handles, straps and tags."""
    outline = body_outline(sketches, frames["file"][row])
    return looks[row] if outline is None else looks[row]._replace(outline=outline[0], aspect=outline[1])


def body_outline(sketches, file):
    """`looks.outline_of` a product's body, without handles, straps and tags; None where there is no mask."""
    mask = (sketches.get(file) or {}).get("mask")
    return None if mask is None else outline_of(body_mask(mask)[0])


def lies_over(one, other, structure):
    """Whether two looks have one outline and at least so much structure (correlation) in common."""
    return outline_match(one, other) >= SAME_OUTLINE and structure_match(one, other) >= structure


def shows_own_colours(frames, sketches, row, others):
    """
    Whether all large colours of a picture are among those that its product's other views show, if only in part.

    Parameters
    ----------
    frames : DataFrame
    sketches : mapping of str to dict of ndarray
        ``palette`` is read: (k, 4) of CIELAB and share.
    row : int
    others : iterable of int
        Rows of the product's other whole views.

    Returns
    -------
    bool
        False where palettes are missing, and of a three-quarter view.
    """
    if frames["view"][row] in SHOWS_ALL:
        return False
    seen, *shown = (product_palette(sketches, frames["file"][place]) for place in (row, *others))
    shown = [colours[colours[:, 3] >= SHOWN] for colours in shown if colours is not None]
    if seen is None or not sum(map(len, shown)):
        return False
    seen, shown = seen[seen[:, 3] >= min(LARGE, seen[0, 3])], np.vstack(shown)
    apart = ciede2000(_at_one_lightness(seen)[:, None], _at_one_lightness(shown)[None])
    apart = np.hypot(apart, OF_LIGHTNESS * (seen[:, None, 0] - shown[None, :, 0])).min(axis=1)
    return bool(seen[:, 3] @ apart <= SAME_COLOURS * seen[:, 3].sum())


def _at_one_lightness(colours):
    """Palette with its shading taken off: (k, 3) CIELAB."""
    scale = (ONE_LIGHTNESS + 16) / (colours[:, 0] + 16)
    return np.column_stack([np.full(len(colours), ONE_LIGHTNESS), colours[:, 1:3] * scale[:, None]])

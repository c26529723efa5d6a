"""Colour of one product across its views, shading, white balance and mirrored light taken off."""

import numpy as np

from catalogue_audit.measures.applicability import STRAIGHT_ON
from catalogue_audit.measures.photometry.light import palette
from catalogue_audit.pixels.colour import LINEAR_TO_XYZ, ciede2000, lab_from_linear, linear_from_lab, srgb_decode

LIGHTNESS = 50.0  # CIELAB to which colours are scaled before they are compared; darker ones are judged by what is seen of them
CORRECTED = 0.08  # share of the product of a colour that is seen to be off
LARGE = 0.12  # share of the product from which a colour counts
ROOM = 1.5  # a colour answers for so many times its own share in the other view, where less of it may be seen
SHOWN = 0.03  # share from which it answers for all: a gusset is a strip of a front and all of a side
SHADE, APART = (0.5, 1.5), 4.0  # of the main colour's chroma, as mirrored and bounced light leave it; CIEDE2000 off that, from which it is a material of its own
MIRRORED, MOST_MIRRORED, STEPS = 0.04, 0.5, 8  # of the light, by any smooth surface (Fresnel's equations); of what is seen, at most; steps in which it is tried
DOUBTED = 2.0  # CIEDE2000 from which a view is asked whether mirrored light explains it
NEARER = 0.5  # share of a view by which it is judged: what only one view shows is no wrong colour, and gains move all
GREY = LIGHTNESS, 0.0, 0.0  # CIELAB
SATURATED = 10.0  # CIELAB chroma, from which a view's loss of chroma can be seen
PRODUCTS, WORTH = 4, 2  # products from which a view's usual shift is taken off; products that no loss is worth
MOST = 60  # views of one product that each is compared with: where no name tells products apart, one may have thousands
CROP_STEP = 3  # pixels of a thumbnail
INSIDE = ("interior",)  # views that show the lining, which has a colour of its own


def shows_inside(frames):
    """Which frames show a product's lining, whose colour and lightness are its own: (n,) ndarray of bool."""
    return frames["view"].isin(INSIDE).to_numpy(bool)


def product_colour_deviation(frames, sketches, gains, own=None):
    """
    CIEDE2000 of each product picture from the same product's other views.

    Colours are taken from the palettes, so that a pattern's colours are compared
    with themselves; each is scaled to one lightness in linear light, which is
    what shading does, and then compared as light as the lighter of the two is, no lighter than `LIGHTNESS`, both as it is seen and with its view's usual shift taken off, as not every
    surface follows that; where a picture was corrected with gains of its own, these tell the
    difference whatever the colours. Where a product has two whole views, its
    details tell which of the two is off.

    Parameters
    ----------
    frames : DataFrame
    sketches : mapping of str to dict
        ``palette`` is read, and of some details ``thumb``.
    gains : (n, 2) ndarray
        White-balance gains of red and blue that bring the frame to the set's
        reference; 1 where unknown.
    own : (n, 2) ndarray, optional
        Gains of the picture alone (`own_gains`); NaN where unknown.

    Returns
    -------
    (n,) ndarray
        NaN for details and linings, and where the product has no other view.
    """
    result = np.full(len(frames), np.nan)
    own = np.full((len(frames), 2), np.nan) if own is None else own
    files, sku = frames["file"].to_numpy(str), frames["sku"].fillna("").to_numpy(str)
    whole = frames["view_kind"].isin(("upright", "overhead")).to_numpy(bool) & (sku != "") & ~shows_inside(frames)
    crop = frames["view_kind"].eq("crop").to_numpy(bool) & (sku != "")
    colours = [
        _at_one_lightness(product_palette(sketches, file), gain) if shown else None
        for file, gain, shown in zip(files, gains, whole, strict=True)
    ]
    slanting = ~frames["view"].isin(STRAIGHT_ON).to_numpy(bool)
    members = {}
    for place in np.flatnonzero(whole | crop):
        members.setdefault(sku[place], []).append(place)
    shown = [[k for k in places if colours[k] is not None] for places in members.values()]
    ways = (colours, _without_usual_shift(colours, shown, frames["view"].fillna("").to_numpy(str)))
    colours = ways[1]
    for places, views in zip(members.values(), shown, strict=True):
        details = [k for k in places if crop[k]] if len(views) == 2 else []
        witnesses = [_at_one_lightness(crop_palette(sketches, files[k]), (1.0, 1.0)) for k in details]
        for k in views:
            compared = [j for j in views[:: 1 + len(views) // MOST] if j != k]
            shown_by = [one for one in witnesses if one is not None]
            off = [min(_distance(way[k], way[j]) for way in ways) for j in compared]
            off = sorted(off + [_distance(colours[k], other) for other in shown_by])
            if len(views) > 1 and off[(len(off) - 1) // 2] > DOUBTED:
                seen, *lights = (product_palette(sketches, files[j])[:, 0] for j in [k, *compared])
                unmirrored = [_less_mirrored(colours[k], seen, light[0], slanting[k]) for light in lights]
                plain = [min(_distance(one, colours[j]) for one in ways_of_it) for j, ways_of_it in zip(compared, unmirrored, strict=True)]
                off = sorted(plain + [_distance(colours[k], other) for other in shown_by])
            if len(views) > 1:
                result[k] = off[(len(off) - 1) // 2]  # lower median: of three views, one odd one is blamed alone
                result[k] = np.fmax(result[k], _by_gains(product_palette(sketches, files[k]), gains[k], own[k]))
    return result


def _by_gains(colours, gains, own):
    """
    Largest CIEDE2000 that a picture's own gains make of its large colours, as light as they are, and of a grey; NaN where they are unknown.

    Hardware, stitches and a pale lining are nearly neutral, and show a cast that a vivid colour swallows.
    """
    if not np.isfinite(own).all():
        return np.nan
    colours = colours[colours[:, 3] >= min(CORRECTED, colours[0, 3])]
    colours = np.vstack([colours, (*GREY, 0.0)])
    seen, plain = (_at_one_lightness(colours, by, colours[:, 0])[:, :3] for by in (gains, gains / own))
    return float(ciede2000(seen, plain).max())


def product_palette(sketches, file):
    """Palette of a whole product, (k, 4); None where there is none."""
    try:
        found = sketches[file].get("palette")
    except KeyError:
        return None
    return None if found is None or not len(found) else np.asarray(found, float)


def crop_palette(sketches, file):
    """Palette of a whole thumbnail, as in a detail no outline tells product from background; None where there is none."""
    try:
        thumb = sketches[file].get("thumb")
    except KeyError:
        return None
    if thumb is None:
        return None
    return palette(lab_from_linear(srgb_decode(thumb[::CROP_STEP, ::CROP_STEP].reshape(-1, 3) / 255.0))).astype(float)


def _at_one_lightness(colours, gain, lightness=LIGHTNESS):
    """
    Palette with the frame's white balance corrected, scaled to one lightness, or to one each (k,): (k, 5).

    The fifth is the share of its chroma that is seen where the colour is darker: L* + 16, a* and b* are as the cube root of light.
    """
    if colours is None:
        return None
    linear = np.maximum(linear_from_lab(colours[:, :3]), 1e-5) * (gain[0], 1.0, gain[1])
    scale = ((lightness + 16) / 116) ** 3 / np.maximum(linear @ LINEAR_TO_XYZ[1], 1e-5)
    seen = (np.minimum(colours[:, 0], LIGHTNESS) + 16) / (LIGHTNESS + 16)
    return np.column_stack([lab_from_linear(linear * scale[:, None]), colours[:, 3], seen])


def _without_usual_shift(colours, shown, view):
    """
    What a view's chroma differs by in most products taken off.

    A surface that is seen at another angle mirrors more or less of the lamps and
    so has less or more chroma, by a factor; bounced light moves all colours alike.
    """
    main = np.array([[np.nan] * 2 if one is None else one[0, 1:3] for one in colours]).reshape(-1, 2)
    shifted = list(colours)
    for _ in range(2):
        middle = np.full_like(main, np.nan)
        for places in shown:
            if len(places) > 1:
                middle[places] = np.median(main[places], axis=0)
        own = main.copy()
        for name in np.unique(view):
            members = np.flatnonzero((view == name) & np.isfinite(middle[:, 0]))
            factor = _usual_factor(own[members], middle[members])
            usual = np.median(own[members] / factor - middle[members], axis=0) if len(members) >= PRODUCTS else np.zeros(2)
            for k in members:
                shifted[k] = np.column_stack([shifted[k][:, 0], shifted[k][:, 1:3] / factor - usual, shifted[k][:, 3:]])
                main[k] = shifted[k][0, 1:3]
    return shifted


def _usual_factor(own, middle):
    """By what factor the chroma of a view differs from its products' other views, in most saturated products."""
    chroma, usual = np.hypot(*own.T), np.hypot(*middle.T)
    seen = (usual > SATURATED) & (chroma > 0.5 * SATURATED)
    if not seen.any():
        return 1.0
    return float(np.exp(np.median(np.log(chroma[seen] / usual[seen])) * seen.sum() / (seen.sum() + WORTH)))


def _less_mirrored(colours, lightness, plain, slanting):
    """
    A palette at one lightness without what it mirrors more, or with what it mirrors less, than another view: a list of (k, 5).

    A view that turns to the lamps, or from them, shows its own colours with white light added or wanting, the more so the darker they are,
    and is lighter or darker by as much. One that faces the camera may want white light that lacquer in other views mirrors; more of it is
    haze, which is no property of the product.

    Parameters
    ----------
    colours : (k, 5) ndarray
    lightness : (k,) ndarray
        CIELAB L* that they are seen with.
    plain : float
        L* of the largest colour in the other view.
    slanting : bool
        The view does not face the camera.
    """
    linear, white = linear_from_lab(colours[:, :3]), linear_from_lab((LIGHTNESS, 0.0, 0.0))
    light, other = (np.maximum(((one + 16) / 116) ** 3, 1e-4) for one in (lightness, plain))
    added = np.clip(light[0] - other, -MIRRORED, MIRRORED if slanting else 0.0)
    result = []
    for part in np.linspace(0.0, 1.0, STEPS + 1):
        share = np.clip(part * added / light, -MOST_MIRRORED, MOST_MIRRORED)[:, None]
        own = np.maximum((linear - share * white) / (1 - share), 1e-5)
        scale = ((LIGHTNESS + 16) / 116) ** 3 / np.maximum(own @ LINEAR_TO_XYZ[1], 1e-5)
        result.append(np.column_stack([lab_from_linear(own * scale[:, None]), colours[:, 3:]]))
    return result


def _distance(first, second):
    """
    Mean CIEDE2000 from one palette to the other, over the `NEARER` share of the first that is matched best.

    Each colour is matched by share: a large one cannot be explained by a tiny one that happens to be like it.
    """
    large = first[:, 3] >= min(LARGE, first[0, 3])
    seen = np.maximum(first[large, None, 4], second[None, :, 4])[..., None] * (0, 1, 1) + (1, 0, 0)
    distances = ciede2000(first[large, None, :3] * seen, second[None, :, :3] * seen)
    wanted, room = first[large, 3] / first[large, 3].sum(), second[:, 3] / second[:, 3].sum() * ROOM
    own = (second[:, 3] >= SHOWN) & (_off_the_shades(second) >= APART)
    room = np.where(own, np.maximum(room, 1.0), room)
    left, total = NEARER, 0.0
    for place in np.argsort(distances, axis=None, kind="stable"):
        one, other = np.unravel_index(place, distances.shape)
        share = min(wanted[one], room[other], left)
        wanted[one], room[other], left = wanted[one] - share, room[other] - share, left - share
        total += share * distances[one, other]
        if left <= 1e-9:
            break
    return float(total / NEARER)


def _off_the_shades(colours):
    """CIEDE2000 of a palette's colours from the nearest shade of its main one: (k,)."""
    main = colours[0, 1:3]
    chroma = np.clip(colours[:, 1:3] @ main / max(float(main @ main), 1e-6), *SHADE)
    return ciede2000(colours[:, :3], np.column_stack([colours[:, 0], chroma[:, None] * main]))

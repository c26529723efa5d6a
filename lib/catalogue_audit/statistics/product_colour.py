"""Colour of one product across its views, shading and white balance taken off."""

import numpy as np

from catalogue_audit.pixels.colour import LINEAR_TO_XYZ, ciede2000, lab_from_linear, linear_from_lab

LIGHTNESS = 50.0  # CIELAB to which colours are scaled before they are compared
LARGE = 0.12  # share of the product from which a colour counts
PRODUCTS = 4  # from which a view's usual shift is taken off


def product_colour_deviation(frames, sketches, gains):
    """
    CIEDE2000 of each product picture from the same product's other views.

    Colours are taken from the palettes, so that a pattern's colours are compared
    with themselves; each is scaled to one lightness in linear light, which is
    what shading does, and then compared.

    Parameters
    ----------
    frames : DataFrame
    sketches : mapping of str to dict
        ``palette`` is read.
    gains : (n, 2) ndarray
        White-balance gains of red and blue that bring the frame to the set's
        reference; 1 where unknown.

    Returns
    -------
    (n,) ndarray
        NaN for details, and where the product has no other view.
    """
    result = np.full(len(frames), np.nan)
    whole = frames["view_kind"].isin(("upright", "overhead")).to_numpy(bool)
    sku = frames["sku"].fillna("").to_numpy(str)
    palettes = [
        _at_one_lightness(_palette(sketches, file), gain) if shown else None
        for file, gain, shown in zip(frames["file"], gains, whole & (sku != ""), strict=True)
    ]
    palettes = _without_usual_shift(palettes, sku, frames["view"].fillna("").to_numpy(str))
    for name in np.unique(sku[sku != ""]):
        members = [k for k in (sku == name).nonzero()[0] if palettes[k] is not None]
        for k in members:
            others = sorted(_distance(palettes[k], palettes[j]) for j in members if j != k)
            if others:
                result[k] = others[(len(others) - 1) // 2]  # lower median: of three views, one odd one is blamed alone
    return result


def _palette(sketches, file):
    try:
        found = sketches[file].get("palette")
    except KeyError:
        return None
    return None if found is None or not len(found) else np.asarray(found, float)


def _at_one_lightness(palette, gain):
    """Palette with the frame's white balance corrected, scaled to one lightness: (k, 4)."""
    if palette is None:
        return None
    linear = np.maximum(linear_from_lab(palette[:, :3]), 1e-5) * (gain[0], 1.0, gain[1])
    scale = ((LIGHTNESS + 16) / 116) ** 3 / np.maximum(linear @ LINEAR_TO_XYZ[1], 1e-5)
    return np.column_stack([lab_from_linear(linear * scale[:, None]), palette[:, 3]])


def _without_usual_shift(palettes, sku, view):
    """What a view's chroma differs by in most products (bounced light) taken off."""
    main = np.array([[np.nan] * 2 if palette is None else palette[0, 1:3] for palette in palettes]).reshape(-1, 2)
    off = np.full_like(main, np.nan)
    for name in np.unique(sku[sku != ""]):
        members = (sku == name) & np.isfinite(main[:, 0])
        if members.sum() > 1:
            off[members] = main[members] - np.median(main[members], axis=0)
    shifted = list(palettes)
    for name in np.unique(view):
        members = (view == name) & np.isfinite(off[:, 0])
        if len(np.unique(sku[members])) < PRODUCTS:
            continue
        usual = np.median(off[members], axis=0)
        for k in members.nonzero()[0]:
            shifted[k] = palettes[k] - (0, *usual, 0)
    return shifted


def _distance(first, second):
    """Mean over the larger colours of one palette of the distance to the nearest of the other, by share."""
    large = first[:, 3] >= min(LARGE, first[0, 3])
    distances = ciede2000(first[large, None, :3], second[None, :, :3]).min(axis=1)
    return float(np.average(distances, weights=first[large, 3]))

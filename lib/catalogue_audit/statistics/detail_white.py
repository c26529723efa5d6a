"""The light's colour in a detail that shows no backdrop: by the product's own neutral surface, as its whole views show it."""

import numpy as np

from catalogue_audit.pixels.colour import linear_from_lab
from catalogue_audit.statistics.product_colour import crop_palette, product_palette

LARGE = 0.3  # share of the picture that the surface fills
NEUTRAL_C, DARK_L = 12.0, 35.0  # CIELAB; saturated and dark surfaces scattered by 3 to 8 % between a whole view and a detail
LIKE_L, LIKE_RATIO = 12.0, 0.25  # CIELAB, and ln: further apart, it is another surface
OTHER_RATIO = 0.03  # ln between two neutral surfaces of a product, from which it is open which of them a detail shows
SURFACE_SD = 0.012  # relative; 21 details of rendered bags scattered by 0.008 about the light's true colour


def white_of_details(frames, sketches, whole, ratios, sd):
    """
    Log ratios of the light's colour, those of details filled in where they are unknown.

    Parameters
    ----------
    frames : DataFrame
    sketches : mapping of str to dict
        ``palette`` of whole views and ``thumb`` of details are read.
    whole : (n,) ndarray of bool
    ratios : (n, 2) ndarray
        ln(R/G), ln(B/G) of the light; NaN where unknown.
    sd : (n,) ndarray

    Returns
    -------
    ratios : (n, 2) ndarray
    sd : (n,) ndarray
    """
    ratios, sd = ratios.copy(), sd.copy()
    files, sku = frames["file"].to_numpy(str), frames["sku"].fillna("").to_numpy(str)
    crop = frames["view_kind"].eq("crop").to_numpy(bool) & frames["status"].ne("not_measured").to_numpy(bool)
    known = whole & np.isfinite(ratios).all(axis=1)
    views = {}
    for place in np.flatnonzero(known & (sku != "")):
        views.setdefault(sku[place], []).append(place)
    for place in np.flatnonzero(crop & ~np.isfinite(ratios[:, 0])):
        own = [_neutral(product_palette(sketches, files[k]), LARGE / 2, ratios[k]) for k in views.get(sku[place], ())]
        own = [surface for surface in own if len(surface)]
        shown = _neutral(crop_palette(sketches, files[place]), LARGE, np.zeros(2)) if own else ()
        if not len(shown) or _ambiguous(own):
            continue
        off = shown[0, 1:] - np.array([surface[0, 1:] for surface in own])
        like = (np.abs(shown[0, 0] - [surface[0, 0] for surface in own]) < LIKE_L) & (np.abs(off) < LIKE_RATIO).all(axis=1)
        if like.any():
            ratios[place] = np.median(off[like], axis=0)
            sd[place] = SURFACE_SD
    return ratios, sd


def _neutral(palette, least, light):
    """Light, nearly neutral surfaces of a palette, largest first: (k, 3) of L*, ln(R/G), ln(B/G) with the light's taken off."""
    if palette is None:
        return np.empty((0, 3))
    fits = (palette[:, 3] >= least) & (np.hypot(palette[:, 1], palette[:, 2]) < NEUTRAL_C) & (palette[:, 0] > DARK_L)
    linear = np.maximum(linear_from_lab(palette[fits, :3]), 1e-4)
    return np.column_stack([palette[fits, 0], np.log(linear[:, [0, 2]] / linear[:, 1:2]) - light])


def _ambiguous(surfaces):
    """Whether the whole views show neutral surfaces of different colour."""
    every = np.vstack(surfaces)[:, 1:]
    return bool(np.ptp(every, axis=0).max() > OTHER_RATIO)

"""
Which style a picture's product is of, and whose pictures show one shape: from the products file, else from the SKU.

A style that the products file names is believed. Where it names none, SKUs have to do: the colourways of a style are mostly numbered
alike and end differently, as in 'AL-1101-BLK' and 'AL-1101-TAN' (common practice, no source). Which end names a colour is not certain,
so it is read in three ways (`sku_parts`), by what a mistake would cost:

* The sure stem (letters behind a number name a colour), for measures, which lay pictures of one shape over each other: a shape taken for
  another falsifies both.
* The likely stem (any last part but the only number does), where the shapes themselves are compared as well.
* The possible stem (any last part does), for habits: a stranger among the pictures of a style weighs little, and a style that falls
  apart tells nothing.

| question | function |
|---|---|
| of which style, for a measure | `styles_of` |
| of which style, for a habit | `style_families` |
| which products may be of one shape, by their SKUs alone | `likely_stems`, `sure_stems` |
| whose pictures show one shape | `shapes_of` |
| the same, only where all sizes are supplied | `sized_shapes` |
| what is framed alike: one style, else one shape | `styles_or_shapes` |
| may two products be colourways of one style | `sku_parts.may_be_colourways` |
"""

import pandas as pd

from catalogue_audit.statistics.sku_parts import likely_stem, possible_stem, sure_stem

SIZES = ("width_cm", "height_cm", "depth_cm")  # columns of the products file


def sure_stems(skus):
    """
    `sku_parts.sure_stem` of a Series of SKUs; missing where they are.

    Examples
    --------
    >>> sure_stems(pd.Series(["AL-1101-BLK", "610-77-A", None])).fillna("").tolist()
    ['AL-1101', '610-77', '']
    """
    return _by_sku(skus.astype("str"), sure_stem)


def likely_stems(skus):
    """
    `sku_parts.likely_stem` of a Series of SKUs; empty where they are missing.

    Examples
    --------
    >>> likely_stems(pd.Series(["AL-1101-BLK", "AL-1101_12", None])).tolist()
    ['AL-1101', 'AL-1101', '']
    """
    return _by_sku(skus.fillna("").astype("str"), likely_stem)


def _by_sku(skus, stem_of):
    stems = {sku: stem_of(sku) for sku in skus.dropna().unique()}
    return pd.Series([stems.get(sku) for sku in skus.to_list()], skus.index, "str", skus.name)


def styles_of(frames):
    """
    Style of each picture's product: the supplied one, else the SKU's sure stem; missing where there is neither.

    Parameters
    ----------
    frames : DataFrame
        With ``sku``, ``style``.

    Returns
    -------
    Series of str, index as the frames
    """
    return _supplied(frames).fillna(sure_stems(frames["sku"]).where(frames["sku"].notna()))


def style_families(frames):
    """
    Style of each picture's product: the supplied one, else the SKU's possible stem; empty where there is neither.

    Parameters
    ----------
    frames : DataFrame
        With ``sku``, ``style``.

    Returns
    -------
    Series of str, index as the frames

    Examples
    --------
    >>> style_families(pd.DataFrame({"sku": ["A-1-X", "A-1-Y", "B-2-Z"], "style": [None, None, "tote"]})).tolist()
    ['A-1', 'A-1', 'tote']
    """
    return _supplied(frames).fillna(_by_sku(frames["sku"].fillna("").astype("str"), possible_stem))


def shapes_of(frames, products=None):
    """
    A text each, alike for pictures of one shape: of the same supplied style, name and sizes, else of the same style and sure stem.

    A style's word alone is shared by bags of other sizes, and a last part of digits may as well number products. A picture without SKU
    is of a shape of its own.

    Parameters
    ----------
    frames : DataFrame
        With ``file``, ``sku``, ``style``.
    products : DataFrame, optional
        The products file; its sizes count where it gives one at least.

    Returns
    -------
    Series of str, index as the frames
    """
    own = _supplied(frames).fillna("") + "|" + sure_stems(frames["sku"])
    return _of_supplied_sizes(frames["sku"], products).fillna(own).where(frames["sku"].notna(), frames["file"]).astype("str")


def _of_supplied_sizes(skus, products):
    """Supplied style, name and sizes of each product as one text; missing where no size is supplied."""
    sizes = [] if products is None else [name for name in SIZES if name in products.columns]
    known = products[products[sizes].notna().any(axis=1)] if sizes else None
    if known is None or known.empty:
        return pd.Series(None, index=skus.index, dtype="str")
    named = [name for name in ("style", "name", *sizes) if name in products.columns]
    texts = map("|".join, zip(*(known[name].astype(str).fillna("").to_list() for name in named), strict=True))
    text_of = dict(zip(known["sku"].to_list(), texts, strict=True))
    return pd.Series([text_of.get(sku) for sku in skus.to_list()], skus.index, "str", skus.name)


def sized_shapes(frames, products=None):
    """
    A text each, alike for pictures of one style whose three supplied sizes are the same; else the SKU, or the file where there is none.

    For what may be asked of several products only where it is certain that they are of one shape.

    Parameters
    ----------
    frames : DataFrame
        With ``file``, ``sku``, and ``style`` where supplied.
    products : DataFrame, optional
        The products file.

    Returns
    -------
    Series of str, index as the frames
    """
    own = frames["sku"].fillna(frames["file"]).astype(str)
    if products is None or "style" not in frames or not {"sku", *SIZES} <= set(products.columns):
        return own
    supplied = pd.concat([pd.to_numeric(products[name], errors="coerce") for name in SIZES], axis=1)
    known = supplied.notna().all(axis=1)
    if not known.any():
        return own
    sized = dict(zip(products["sku"][known], supplied[known].astype(str).agg(" ".join, axis=1), strict=True))
    style, size = _supplied(frames).astype(object), frames["sku"].map(sized).astype(object)
    return (style + " " + size).where(style.notna() & size.notna(), own).astype(str)


def styles_or_shapes(frames, products=None):
    """
    The style as supplied, else the shape (`shapes_of`).

    A word may stand for bags of several sizes. Where one style follows another its word is reason enough for another size, however many products it has.

    Parameters
    ----------
    frames : DataFrame
        With ``file``, ``sku``, ``style``.
    products : DataFrame, optional
        The products file.

    Returns
    -------
    Series of str, index as the frames
    """
    return _supplied(frames).fillna(shapes_of(frames, products))


def _supplied(frames):
    """Style as the products file has it; missing where it is unknown or empty."""
    named = frames["style"].astype("str")
    return named.where(named.fillna("") != "")

"""Straps beside the product's other pictures: shown in one picture alone, or all round."""

import numpy as np
import pandas as pd

from catalogue_audit.measures.applicability import shows_a_turn
from catalogue_audit.measures.geometry.strap import EVIDENCE
from catalogue_audit.statistics.geometry.strap_states import (
    CHANGES_OUTLINE,
    FEWEST_OF_A_VIEW,
    FEWEST_PRODUCTS_OF_A_VIEW,
    LESS_THAN_ALIKE,
    MAJORITY,
    SURE_CONTRAST,
)

RARE = 0.13  # share of a set's products: one of eight, two of sixteen
SAME_ARCH = 0.5  # of what stands above the body in the product's other pictures; with less, its handle was taken for body


def shown_once(frames, sketches):
    """
    Pictures with a strap across the body, of products that show none in any other view, in a set whose pictures of that view show none.

    Front and three-quarter view show one face, so a strap in one of them alone was put on, or forgotten, in between; one in the back alone
    may hang there all the time. Only a strap that stands out clearly counts, clearer than what the other picture of the face shows in its
    place, as a flap's edge does in both; and only where it is rare: a house may show each strap in one view.

    Parameters
    ----------
    frames : DataFrame
        Whole products, with ``file``, ``sku``, ``view``, ``strap_state``.
    sketches : mapping of str to dict

    Returns
    -------
    set of str
        Files.
    """
    told = frames[frames["sku"].notna() & frames["strap_state"].notna()]
    seen = [_evidence(sketches, file) for file in told["file"]]
    contrast, arch = (pd.Series([evidence.get(name, np.nan) for evidence in seen], index=told.index, dtype=float) for name in ("contrast", "arch_height"))
    faces = (told["view"] == "front") | told["view"].map(shows_a_turn).astype(bool)
    told = told.assign(shows=(told["strap_state"] == "front") & (contrast >= SURE_CONTRAST), faces=faces, contrast=contrast, arch=arch)
    shown_by = told.groupby("sku")["shows"].sum()
    found = set()
    for _, group in told.groupby("view"):
        shown = group[group["shows"]]
        if len(group) >= FEWEST_PRODUCTS_OF_A_VIEW and len(shown) <= RARE * len(group):
            once = shown[shown["faces"] & (shown["sku"].map(shown_by) == 1)]
            found |= {row["file"] for row in once.to_dict("records") if _clearer_than_the_face(row, told[told["faces"] & (told["sku"] == row["sku"])])}
    return found


def _evidence(sketches, file):
    """Evidence of one picture by the names of `EVIDENCE`; empty where there is none."""
    values = (sketches.get(file) or {}).get("strap")
    return dict(zip(EVIDENCE, map(float, values), strict=True)) if values is not None and len(values) == len(EVIDENCE) else {}


def _clearer_than_the_face(row, face):
    """Whether a picture shows a strap clearer than its product's other pictures of the face, and its body as they do, what stands above it left out."""
    others = face[face["file"] != row["file"]]
    clearer = others["contrast"].max() < LESS_THAN_ALIKE * row["contrast"]
    return len(others) > 0 and bool(clearer) and row["arch"] >= SAME_ARCH * others["arch"].min()


def as_other_views(frames):
    """
    Pictures whose strap lies outside the body, as another view of the same product shows it too.

    Not where the products of which other views show it, five or more, mostly do not show it in this view: then it is laid so on purpose.

    Parameters
    ----------
    frames : DataFrame
        With ``file``, ``sku``, ``view``, ``strap_state``.

    Returns
    -------
    set of str
        Files.
    """
    found = set()
    for state in CHANGES_OUTLINE:
        shown = frames[(frames["strap_state"] == state) & frames["sku"].notna()]
        for view, group in frames.groupby("view"):
            alike = group[group["sku"].isin(shown.loc[shown["view"] != view, "sku"])]
            with_it = alike["strap_state"] == state
            if len(alike) < FEWEST_OF_A_VIEW or with_it.mean() > 1 - MAJORITY:
                found |= set(alike.loc[with_it, "file"])
    return found

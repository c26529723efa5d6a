"""Straps beside the product's other pictures: shown in one picture alone, or all round."""

import numpy as np
import pandas as pd

from catalogue_audit.measures.applicability import STRAIGHT_ON, shows_a_turn
from catalogue_audit.measures.geometry.strap import EVIDENCE
from catalogue_audit.statistics.geometry.strap_picture import ribbon_across, ribbon_across_the_face
from catalogue_audit.statistics.geometry.strap_states import (
    CHANGES_OUTLINE,
    FEWEST_OF_A_VIEW,
    FEWEST_PRODUCTS_OF_A_VIEW,
    LESS_THAN_ALIKE,
    MAJORITY,
    SURE_CONTRAST,
    SURE_OUTLINE,
)
from catalogue_audit.statistics.styles import style_families

RARE = 0.13  # share of a set's products: one of eight, two of sixteen; of five to seven, one that shows a whole ribbon
FEW = 0.25  # the same, of all that show a strap in a view whose pictures show none: quilting and flaps look like one, too
FEWEST_ALIKE, MOST_ALIKE = 2, 0.75  # pictures of a product and its colourways that agree, and their share
SAME_ARCH = 0.5  # of what stands above the body in the product's other pictures; with less, its handle was taken for body


def shown_once(frames, sketches, misfiled=()):
    """
    Pictures with a strap across the body, of products that show none in any other view of that face, in a set whose pictures of that view show none.

    Front and three-quarter view show one face, so a strap in one of them alone was put on, or forgotten, in between; one in the back
    may hang there all the time, and says nothing of the face. Only a strap that stands out clearly counts, clearer than what the other picture of the face shows in its
    place, as a flap's edge does in both; and only where it is rare: a house may show each strap in one view. In a small set one picture alone
    may, and both measures of what hangs across the body must tell it: the curve and the ribbon.

    Parameters
    ----------
    frames : DataFrame
        Whole products, with ``file``, ``sku``, ``view``, ``strap_state``.
    sketches : mapping of str to dict
    misfiled : iterable of str
        Files that show another product, or another view, than their names say: without a strap they count as pictures of the set, but are
        not compared with the product's own.

    Returns
    -------
    set of str
        Files.
    """
    foreign = frames["file"].isin(list(misfiled))
    told = frames[frames["sku"].notna() & frames["strap_state"].notna() & ~(foreign & (frames["strap_state"] == "front"))]
    seen = [_evidence(sketches, file) for file in told["file"]]
    contrast, arch = (pd.Series([evidence.get(name, np.nan) for evidence in seen], index=told.index, dtype=float) for name in ("contrast", "arch_height"))
    faces = ((told["view"] == "front") | told["view"].map(shows_a_turn).astype(bool)) & ~foreign[told.index]
    turned = told["view"].map(shows_a_turn).astype(bool)
    face = np.array([bool(evidence) and turns and ribbon_across_the_face(evidence) for evidence, turns in zip(seen, turned, strict=True)], bool)
    ribbon = [bool(evidence) and (ribbon_across(evidence) or across) for evidence, across in zip(seen, face, strict=True)]
    shows = (told["strap_state"] == "front") & ((contrast >= SURE_CONTRAST) | face)
    clearness = [max(evidence.get("ribbon", 0.0), evidence.get("turned_ribbon", 0.0)) for evidence in seen]
    told = told.assign(shows=shows, faces=faces, contrast=contrast, arch=arch, ribbon=ribbon, across=face, clearness=clearness, kin=style_families(told))
    of_faces = told[told["faces"]]
    found = set()
    for _, group in told.groupby("view"):
        shown = group[group["shows"]]
        if shown.empty:
            continue
        lone = shown["kin"].map(shown.groupby("kin")["sku"].nunique()) == 1  # what its colourways show too is no slip
        once = [row for row in shown[shown["faces"] & lone].to_dict("records") if _in_it_alone(row, of_faces[of_faces["sku"] == row["sku"]])]
        few = len(group) < FEWEST_PRODUCTS_OF_A_VIEW
        usual = len(shown) == 1 and bool(shown["ribbon"].all()) if few else len(shown) <= FEW * len(group)
        if len(group) >= FEWEST_OF_A_VIEW and usual and len(once) <= max(RARE * len(group), 1):
            found |= {row["file"] for row in once}
    return found


def _evidence(sketches, file):
    """Evidence of one picture by the names of `EVIDENCE`; empty where there is none."""
    values = (sketches.get(file) or {}).get("strap")
    return dict(zip(EVIDENCE, map(float, values), strict=True)) if values is not None and len(values) == len(EVIDENCE) else {}


def _in_it_alone(row, face):
    """Whether the pictures of a product's face show its strap in this one alone."""
    return face["shows"].sum() == 1 and _clearer_than_the_face(row, face)


def _clearer_than_the_face(row, face):
    """
    Whether a picture shows a strap clearer than its product's other pictures of the face, and its body as they do, what stands above it left out.

    A front that shows no ribbon has none; of the curve across a turned body, the square one's is no measure.
    """
    others = face[face["file"] != row["file"]]
    if others["strap_state"].isin(CHANGES_OUTLINE).any():  # they show it elsewhere
        return False
    clearer = others["contrast"].max() < LESS_THAN_ALIKE * row["contrast"]
    ribbon_clearer = others["clearness"].max() < LESS_THAN_ALIKE * row["clearness"]
    if row["across"]:
        clearer = clearer or ribbon_clearer
    elif row["ribbon"]:  # where both tell of it, quilting that curves as a strap does is seen in the other picture, too
        clearer = clearer and ribbon_clearer
    return len(others) > 0 and bool(clearer) and row["arch"] >= SAME_ARCH * others["arch"].min()


def as_other_views(frames):
    """
    Pictures whose strap lies outside the body, or across its face, as another view of the same product shows it too.

    Both pictures of a face are not laid wrong alike.
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
    files, skus, views, states = (frames[name].to_numpy(dtype=object) for name in ("file", "sku", "view", "strap_state"))
    known, named = frames["sku"].notna().to_numpy(), frames["view"].notna().to_numpy()
    for state in (*CHANGES_OUTLINE, "front"):
        shown = known & (states == state) & ((state != "front") | (views != "back"))
        for view in dict.fromkeys(views[shown & named]):
            beside = set(skus[shown & (views != view)])
            alike = (views == view) & np.array([sku in beside for sku in skus], bool)
            with_it = alike & shown
            if alike.sum() < FEWEST_OF_A_VIEW or with_it.sum() / alike.sum() > 1 - MAJORITY:
                found |= set(files[with_it])
    return found


def as_its_product(frames):
    """
    Pictures whose strap lies otherwise than in all other views of the product, and the state that these, or its colourways, show.

    A strap held up, laid over the product or put down beside it shows in every view. Where a product's other views all show one of
    these states, and most pictures of its colourways, this one should; where they show none of them, and its colourways another one in
    this view, this one should, too. A strap across the back alone, which its colourways show across the face and not there, was laid round. The set's other products with such a strap must not mostly show it otherwise there: then it is meant so.

    Parameters
    ----------
    frames : DataFrame
        Whole products, with ``file``, ``sku``, ``style``, ``view``, ``strap_state``, ``outline_confidence``.

    Returns
    -------
    dict of str to (str, str)
        File -> state, and which pictures show it.
    """
    faces = frames["view"].isin(STRAIGHT_ON) | frames["view"].map(shows_a_turn).astype(bool)  # from a side, what hangs on the other is not seen
    told = frames[faces & frames["sku"].notna() & frames["strap_state"].notna()].reset_index(drop=True)
    told = told.assign(style=style_families(told), sure=told["outline_confidence"] >= SURE_OUTLINE)[["file", "sku", "style", "view", "strap_state", "sure"]]
    rows = told.to_dict("records")
    of_sku, of_style, of_view = ({key: list(places) for key, places in told.groupby(name).groups.items()} for name in ("sku", "style", "view"))
    habits = {state: _habits(rows, of_view, state) for state in CHANGES_OUTLINE}
    wanted = {}
    for place, row in enumerate(rows):
        own = [rows[other] for other in of_sku[row["sku"]] if other != place]
        kin = [rows[other] for other in of_style[row["style"]] if other != place]
        expected = _expected(row, own, kin, habits)
        once_more = any(other["strap_state"] == expected for other in own if other["view"] == row["view"])  # one picture with it and one without
        if expected not in (None, row["strap_state"]) and not once_more:
            by_kin = expected not in CHANGES_OUTLINE and any(other["view"] == row["view"] and other["sku"] != row["sku"] for other in kin)
            wanted[row["file"]] = expected, "its colourways show" if by_kin else "the product's other views show"
    return wanted


def _expected(row, own, kin, habits):
    """State that a picture should show, by those of its product's other views (``own``) and of its style's pictures (``kin``); None where that is open."""
    shown = {other["strap_state"] for other in own if other["view"] != row["view"]}
    outside = shown & set(CHANGES_OUTLINE)
    if len(shown) == 1 and outside:
        state = next(iter(shown))
        agree = sum(other["strap_state"] == state for other in kin)
        with_it, without, _ = habits[state].get(row["view"], (set(), set(), set()))
        meant = len(with_it - {row["sku"]}) >= len(without - {row["sku"]})
        return state if agree >= max(FEWEST_ALIKE, MOST_ALIKE * len(kin)) and meant else None
    of_kin = [other["strap_state"] for other in kin if other["view"] == row["view"] and other["sku"] != row["sku"]]
    alike = set(of_kin)
    if row["view"] == "back" and row["strap_state"] == "front":  # seen across it; no strap hangs across both faces
        on_the_face = any(other["strap_state"] == "front" and other["view"] != "back" for other in kin)
        return "none" if on_the_face and alike == {"none"} and len(of_kin) >= FEWEST_ALIKE else None
    if not (row["sure"] and row["strap_state"] in CHANGES_OUTLINE) or outside:
        return None
    _, _, in_it_alone = habits[row["strap_state"]].get(row["view"], (set(), set(), set()))
    if not alike and len(own) >= FEWEST_ALIKE:  # what is plain to see needs no colourway beside it
        if "front" in shown:
            alike = shown - {"none"}  # from behind, the body hides it
        elif row["strap_state"] == "held_up":
            alike = shown
    return next(iter(alike)) if len(alike) == 1 and in_it_alone <= {row["sku"]} else None


def _habits(rows, of_view, state):
    """View -> products that show a state in it, those that show it in other views alone though they have a picture of this one, and those that show it in this one alone."""
    shown = {(row["sku"], row["view"]) for row in rows if row["strap_state"] == state}
    habits = {}
    for view, places in of_view.items():
        with_it, elsewhere = {sku for sku, of in shown if of == view}, {sku for sku, of in shown if of != view}
        habits[view] = with_it, ({rows[place]["sku"] for place in places} & elsewhere) - with_it, with_it - elsewhere
    return habits

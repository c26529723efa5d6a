"""
Pictures filed under the wrong product or view.

The whole-product views of one product share their colour, and front and back
their outline, mirrored. A picture that does not fit its own product is
reported only where it fits another one, or where two views fit once exchanged;
how well pictures usually fit is taken from the set itself.
"""

from typing import NamedTuple

import cv2
import numpy as np
import pandas as pd

from catalogue_audit.statistics.clock import capture_order
from catalogue_audit.statistics.crops import ZOOMS, best_fit, usual_zooms
from catalogue_audit.statistics.robust import mad_scale

COLUMNS = ("file", "claimed_sku", "likely_sku", "likely_view", "kind", "score", "evidence", "cause")
QUANTILES = (0.1, 0.3, 0.5, 0.7, 0.9)
CHANNEL_WEIGHTS = (0.5, 1.0, 1.0)  # L* less than a* and b*: the views are lit from different sides
GRID = 24  # cells a side of outlines and structures
FOREIGN_COLOUR = 8.0  # CIELAB; no less is called another colour, however steady the set
OWN_COLOUR = 4.0  # CIELAB; the scatter between views of one product that is always allowed
CLEARLY_NEARER = 0.5  # the likely product's distance over the claimed one's
SIGMAS = 5.0
FEWEST_PRODUCTS = 4  # a set must show what is usual before anything is called unusual
SURELY_NEARER = 0.25  # then the likely product may itself scatter as far as the set's limit
CLEARER_FIT = 0.1  # difference of Fisher's z of two correlations: a detail fits one picture better than another
DETAIL_FOUND = 0.6  # correlation of a detail with the picture it was taken from
SURELY_FOUND = 0.75  # and so much: whatever its colour, it was taken there
MUCH_CLEARER_FIT = 0.5  # the same between two products
CANDIDATES = 8  # products nearest in colour that are searched for a detail
INSIDE_VIEWS = ("interior", "lining")  # another colour inside is no evidence
SHIFTED_FILES = 3  # misfiled in a row, all into a neighbour: one cause
SAME_PHOTOGRAPH = ("same_bytes", "same_pixels", "re_export", "resized", "re_cropped")
CROP_CONTACT = 0.25  # share of the frame's border that the product covers: a crop, not a whole product


class Look(NamedTuple):
    """What one picture looks like: colour quantiles (15), outline and structure grids, border contact."""

    colour: np.ndarray
    outline: np.ndarray
    structure: np.ndarray
    aspect: float
    contact: float


def misfiled(frames, sketches, pairs=None):
    """
    Pictures that very likely show another product, or another view, than they are filed under.

    Parameters
    ----------
    frames : DataFrame
        In natural file order.
    sketches : mapping of str to dict of ndarray
    pairs : DataFrame, optional
        Of `identity.group_pictures`: one photograph under two products is filed wrongly under one of them.

    Returns
    -------
    DataFrame
        ``file``, ``claimed_sku``, ``likely_sku`` (the claimed one for a wrong view),
        ``likely_view`` (of exchanged views, else empty), ``kind`` (wrong_product,
        wrong_detail, swapped_views, wrong_view, shifted),
        ``score`` (1 and more: how many times the evidence exceeds what is needed),
        ``evidence`` (plain words), ``cause`` (one text for files with a common
        cause, else empty); sorted by file, one row a file.
    """
    named = frames["sku"].fillna("").ne("") & frames["view"].fillna("").ne("")
    rows = frames.index[named.to_numpy(dtype=bool)]
    looks = {}
    for row in rows:
        if frames["status"][row] == "not_measured" or frames["view_kind"][row] in ("worn", "target", "other", "overhead"):
            continue
        look = look_of(sketches.get(frames["file"][row]) or {})
        if look is not None:
            looks[row] = look
    crops = {row for row in looks if frames["view_kind"][row] == "crop"}
    whole = [row for row in looks if row not in crops]
    products = {}
    for row in whole:
        products.setdefault(frames["sku"][row], []).append(row)
    order = _neighbouring_skus(frames)
    fits = _Fits(frames, sketches)
    found = {}
    for step in (
        _one_photograph_twice(frames, looks, products, crops, pairs),
        _wrong_kind_of_view(frames, looks, crops),
        _wrong_products(frames, looks, products, order),
        _wrong_outlines(frames, looks, products),
        _odd_turn(frames, looks, products),
        _swapped_front_and_back(frames, looks, products, crops, fits),
        _wrong_details(frames, looks, products, crops, order, fits),
    ):
        settled = {frames["sku"][row] for row in found}  # what one mistake explains needs no second one
        for row, finding in step:
            if frames["sku"][row] not in settled:
                found.setdefault(row, finding)
    return _table(frames, found)


def as_shown(frames, misfiled_files):
    """
    Frames with the product and view that each picture shows, for comparing like with like.

    Parameters
    ----------
    frames : DataFrame
    misfiled_files : DataFrame
        Of `misfiled`.

    Returns
    -------
    DataFrame
        Copy with ``sku``, ``style`` and ``view`` of misfiled pictures replaced.
    """
    shown = frames.copy()
    place = {file: row for row, file in zip(frames.index, frames["file"], strict=True)}
    style = frames.drop_duplicates("sku").set_index("sku")["style"].to_dict()
    for row in misfiled_files.to_dict("records"):
        at = place[row["file"]]
        if row["kind"] in ("wrong_product", "shifted", "wrong_detail") and row["likely_sku"]:
            shown.loc[at, "sku"] = row["likely_sku"]
            shown.loc[at, "style"] = style.get(row["likely_sku"])
        elif row["kind"] == "swapped_views" and row["likely_view"]:
            shown.loc[at, "view"] = row["likely_view"]
    return shown


def look_of(sketch):
    """
    What a picture looks like; None where the sketch has no thumbnail or product mask.

    Returns
    -------
    Look
    """
    thumb, mask = sketch.get("thumb"), sketch.get("mask")
    if thumb is None or mask is None or not mask.any() or thumb.size == 0:
        return None
    height, width = thumb.shape[:2]
    small = cv2.resize(mask.astype(np.uint8), (width, height), interpolation=cv2.INTER_AREA)
    inner = cv2.erode(small, np.ones((3, 3), np.uint8)).astype(bool)
    inner = inner if inner.sum() > 50 else small.astype(bool)
    if inner.sum() < 20:
        return None
    lab = cv2.cvtColor(np.ascontiguousarray(thumb).astype(np.float32) / 255, cv2.COLOR_RGB2LAB)
    quantiles = np.quantile(lab[inner], QUANTILES, axis=0) * CHANNEL_WEIGHTS
    down, across = np.flatnonzero(mask.any(axis=1)), np.flatnonzero(mask.any(axis=0))
    box = mask[down[0] : down[-1] + 1, across[0] : across[-1] + 1]
    outline = cv2.resize(box.astype(np.float32), (GRID, GRID), interpolation=cv2.INTER_AREA)
    scale = np.array([height / mask.shape[0], width / mask.shape[1]])
    top, bottom = (np.array([down[0], down[-1] + 1]) * scale[0]).round().astype(int)
    left, right = (np.array([across[0], across[-1] + 1]) * scale[1]).round().astype(int)
    lightness = lab[top : max(bottom, top + 1), left : max(right, left + 1), 0]
    structure = cv2.resize(np.ascontiguousarray(lightness), (GRID, GRID), interpolation=cv2.INTER_AREA)
    border = np.concatenate([mask[0], mask[-1], mask[:, 0], mask[:, -1]])
    return Look(
        colour=quantiles.ravel().astype(np.float32),
        outline=outline,
        structure=_inner_structure(structure, outline),
        aspect=box.shape[1] / box.shape[0],
        contact=float(border.mean()),
    )


def _inner_structure(structure, outline):
    """Lightness within the outline, without its shading from side to side and top to bottom, unit norm."""
    inside = outline > 0.9
    if inside.sum() < 30:
        return np.zeros_like(structure)
    y, x = np.mgrid[:GRID, :GRID] / GRID
    plane = np.column_stack([np.ones(inside.sum()), x[inside], y[inside]])
    fit = np.linalg.lstsq(plane, structure[inside], rcond=None)[0]
    rest = np.zeros_like(structure)
    rest[inside] = structure[inside] - plane @ fit
    return (rest / max(float(np.linalg.norm(rest)), 1e-6)).astype(np.float32)


def colour_distance(one, other):
    """Mean distance of the colour quantiles of two looks, in CIELAB units (lightness counts half)."""
    return float(np.abs(one.colour - other.colour).reshape(-1, 3).sum(axis=1).mean())


def outline_match(one, other, mirrored=False):
    """Overlap of two outlines in their boxes (intersection over union), less what the boxes' shapes differ."""
    shape = other.outline[:, ::-1] if mirrored else other.outline
    union = np.maximum(one.outline, shape).sum()
    overlap = np.minimum(one.outline, shape).sum() / union if union else 0.0
    return float(overlap * min(one.aspect, other.aspect) / max(one.aspect, other.aspect))


def _usual(values, least):
    """What a set calls unusual: its median plus five sigma, but no less than ``least``."""
    return max(least, float(np.median(values)) + SIGMAS * mad_scale(values)) if len(values) else np.inf


def _neighbouring_skus(frames):
    """For each row, the product captured both just before and just after it, where times are known."""
    order = capture_order(frames)
    timed = np.isfinite(order["seconds"].to_numpy())
    inside = {}
    for camera in dict.fromkeys(order["camera"]):
        rows = np.flatnonzero(timed & (order["camera"] == camera).to_numpy(dtype=bool))
        rows = rows[np.argsort(order["order"].to_numpy(dtype=np.int64)[rows], kind="stable")]
        skus = frames["sku"].to_numpy()[rows]
        for place in range(1, len(rows) - 1):
            before, own, after = skus[place - 1 : place + 2]
            if isinstance(before, str) and before == after != own:
                inside[int(rows[place])] = before
    return inside


def _own_distances(looks, members):
    """Median colour distance of each member to the product's others."""
    return {
        row: float(np.median([colour_distance(looks[row], looks[other]) for other in members if other != row]))
        for row in members
    }


def _wrong_products(frames, looks, products, order):
    """Whole-product pictures whose colour or outline is another product's."""
    several = {sku: rows for sku, rows in products.items() if len(rows) > 1}
    if len(several) < FEWEST_PRODUCTS:
        return
    own = {sku: _own_distances(looks, rows) for sku, rows in several.items()}
    limit = _usual([distance for distances in own.values() for distance in distances.values()], FOREIGN_COLOUR)
    names = list(products)
    centres = np.stack([np.median([looks[row].colour for row in products[name]], axis=0) for name in names])
    odd = {sku: _odd_ones(looks, several[sku], own[sku], limit) for sku in several}
    odd_rows = {row for rows in odd.values() for row in rows}
    for sku, rows in odd.items():
        for row in rows:
            likely = _best_product(frames, looks, row, sku, products, odd_rows, names, centres)
            if likely is None:
                continue
            name, distance = likely
            distance_own = own[sku][row]
            near = distance <= max(OWN_COLOUR, limit / 2) and distance <= CLEARLY_NEARER * distance_own
            if not (near or (distance <= limit and distance <= SURELY_NEARER * distance_own)):
                continue
            evidence = (
                f"its colour lies {distance_own:.0f} CIELAB units from the other views of {sku}, "
                f"but {distance:.0f} from those of {name}"
            )
            if order.get(row) == name:
                evidence += "; it was captured between two pictures of that product"
            yield row, (name, "wrong_product", distance_own / limit, evidence)


def _one_photograph_twice(frames, looks, products, crops, pairs):
    """Of one photograph under two products, the file whose product looks otherwise, where the other's looks alike."""
    if pairs is None or not len(pairs):
        return
    place = {frames["file"][row]: row for row in looks}
    for one, other, kind in zip(pairs["file_a"], pairs["file_b"], pairs["kind"], strict=True):
        rows = place.get(one), place.get(other)
        if None in rows or kind not in SAME_PHOTOGRAPH or frames["sku"][rows[0]] == frames["sku"][rows[1]]:
            continue
        if frames["view"][rows[0]] != frames["view"][rows[1]] or frames["view"][rows[0]] in INSIDE_VIEWS:
            continue
        distances = [_from_own_product(frames, looks, products, row) for row in rows]
        if None in distances or max(distances) < FOREIGN_COLOUR or min(distances) > CLEARLY_NEARER * max(distances):
            continue
        wrong, right = (rows if distances[0] > distances[1] else rows[::-1])
        claimed, likely = frames["sku"][wrong], frames["sku"][right]
        evidence = (
            f"it is the same photograph as {frames['file'][right]}, and lies {max(distances):.0f} CIELAB units from the "
            f"other views of {claimed}, but {min(distances):.0f} from those of {likely}"
        )
        yield wrong, (likely, "wrong_detail" if wrong in crops else "wrong_product", max(distances) / FOREIGN_COLOUR, evidence)


def _from_own_product(frames, looks, products, row):
    """Colour distance to the other whole views of the product it is filed under; None where there are none."""
    others = [other for other in products.get(frames["sku"][row], ()) if other != row]
    if not others:
        return None
    return float(np.median([colour_distance(looks[row], looks[other]) for other in others]))


def _odd_ones(looks, rows, distances, limit):
    """The members that disagree while the others agree; both of two that disagree."""
    far = [row for row in rows if distances[row] > limit]
    if len(rows) == 2 or not far:
        return far
    rest = [row for row in rows if row not in far]
    if len(rest) >= 2:
        return far
    agreeing = [
        (a, b) for n, a in enumerate(rows) for b in rows[n + 1 :] if colour_distance(looks[a], looks[b]) <= limit
    ]
    members = {row for pair in agreeing for row in pair}
    return [row for row in rows if row not in members] if members else far


def _best_product(frames, looks, row, sku, products, odd_rows, names, centres):
    """The product whose other pictures lie nearest in colour, its outline no worse than the claimed one's."""
    rough = np.abs(centres - looks[row].colour).reshape(len(names), -1, 3).sum(axis=2).mean(axis=1)
    best = None
    for place in np.argsort(rough, kind="stable")[: 3 * CANDIDATES]:
        name = names[place]
        members = [other for other in products[name] if other not in odd_rows]
        if name == sku or not members:
            continue
        distance = float(np.median([colour_distance(looks[row], looks[other]) for other in members]))
        shape = max(outline_match(looks[row], looks[other], flip) for other in members for flip in (False, True))
        rank = distance + 20 * (1 - shape)
        if best is None or rank < best[0]:
            best = rank, name, distance, shape
    if best is None:
        return None
    rest = [other for other in products[sku] if other != row and other not in odd_rows]
    shapes = [outline_match(looks[row], looks[other], flip) for other in rest for flip in (False, True)]
    return (best[1], best[2]) if best[3] >= max(shapes, default=0.0) - 0.1 else None


def _views_of(frames, rows):
    """Row of each view that occurs once among ``rows``."""
    views = {}
    for row in rows:
        views.setdefault(frames["view"][row], []).append(row)
    return {view: found[0] for view, found in views.items() if len(found) == 1}


def _odd_turn(frames, looks, products):
    """The three-quarter view exchanged with front or back: then those two are no longer mirror images."""
    margins, triples = [], []
    for rows in products.values():
        views = _views_of(frames, rows)
        if {"front", "back", "three_quarter"} <= set(views):
            one, two, turned = (looks[views[view]] for view in ("front", "back", "three_quarter"))
            match = {
                "three_quarter": outline_match(one, two, True),
                "front": outline_match(turned, two, True),
                "back": outline_match(one, turned, True),
            }  # by the view left out
            margins.append(match["three_quarter"] - max(match["front"], match["back"]))
            triples.append((views, match))
    if len(margins) < FEWEST_PRODUCTS or np.median(margins) < 0.04:
        return
    needed = float(np.median(margins)) / 2
    usual = [match["three_quarter"] for _, match in triples]
    good = float(np.median(usual)) - max(0.03, SIGMAS * mad_scale(usual))
    for (views, match), margin in zip(triples, margins, strict=True):
        if margin > -needed:
            continue
        odd = max(("front", "back"), key=match.get)
        if match[odd] < good:  # no two of the three belong together: not a matter of views
            continue
        sku = frames["sku"][views[odd]]
        evidence = f"the other two views of {sku} mirror one another once the {odd} picture is taken as the turned one"
        for view in (odd, "three_quarter"):
            yield views[view], (sku, "swapped_views", -margin / needed, evidence)


def _wrong_outlines(frames, looks, products):
    """Fronts or backs of two products of one colour exchanged: neither mirrors its own other side, each the other's."""
    pairs = {}
    for sku, rows in products.items():
        views = _views_of(frames, rows)
        if {"front", "back"} <= set(views):
            pairs[sku] = views
    if len(pairs) < FEWEST_PRODUCTS:
        return
    own = {sku: outline_match(looks[views["front"]], looks[views["back"]], True) for sku, views in pairs.items()}
    usual = list(own.values())
    good = float(np.median(usual)) - max(0.03, SIGMAS * mad_scale(usual))
    odd = [sku for sku in pairs if own[sku] < good - 0.03]
    for number, sku in enumerate(odd):
        for other in odd[number + 1 :]:
            crossed = [
                outline_match(looks[pairs[a]["front"]], looks[pairs[b]["back"]], True)
                for a, b in ((sku, other), (other, sku))
            ]
            if min(crossed) < good:
                continue
            view = _exchanged_view(looks, pairs[sku], pairs[other])
            for one, two in ((sku, other), (other, sku)):
                evidence = f"its outline mirrors the other side of {two} ({max(crossed):.2f}), not of {one} ({own[one]:.2f})"
                yield pairs[one][view], (two, "wrong_product", min(crossed) / good, evidence)


def _exchanged_view(looks, one, other):
    """Whether two products' fronts or their backs were exchanged, by which front fits the three-quarter view."""
    if "three_quarter" not in one or "three_quarter" not in other:
        return "front"
    turned = looks[one["three_quarter"]], looks[other["three_quarter"]]
    fronts = looks[one["front"]], looks[other["front"]]
    kept = outline_match(turned[0], fronts[0]) + outline_match(turned[1], fronts[1])
    crossed = outline_match(turned[0], fronts[1]) + outline_match(turned[1], fronts[0])
    return "front" if crossed > kept else "back"


def _swapped_front_and_back(frames, looks, products, crops, fits):
    """Front and back exchanged, by the style's other products and by where the detail is found."""
    pairs = {}
    for sku, rows in products.items():
        views = _views_of(frames, rows)
        if {"front", "back"} <= set(views):
            pairs[sku] = views["front"], views["back"]
    if len(pairs) < FEWEST_PRODUCTS:
        return
    siblings = _sibling_votes(frames, looks, pairs)
    details = _detail_votes(frames, pairs, crops, fits)
    for sku, rows in pairs.items():
        by_style, by_detail = siblings.get(sku, 0.0), details.get(sku, 0.0)
        if min(by_style, by_detail) > -1 or max(by_style, by_detail) >= 1:
            continue
        reasons = []
        if by_style <= -1:
            reasons.append("its front looks like the backs of the same style, its back like their fronts")
        if by_detail <= -1:
            reasons.append("its detail fits the back picture better, while the others' fit the front")
        for row in rows:
            yield row, (sku, "swapped_views", -min(by_style, by_detail), "; ".join(reasons))


def _sibling_votes(frames, looks, pairs):
    """
    How clearly each product's front and back agree with its style's others.

    1 and more: as named; -1 and less: exchanged, and all siblings that tell agree.
    """
    styles = {}
    for sku in pairs:
        styles.setdefault(_style_of(frames, pairs[sku][0], sku), []).append(sku)
    votes = {}
    for members in styles.values():
        if len(members) < 3:
            continue
        for sku in members:
            agreement = np.array([_agreement(looks, pairs[sku], pairs[other]) for other in members if other != sku])
            telling = agreement[np.abs(agreement) > 0.2]
            if telling.size >= 2 and abs(np.sign(telling).sum()) > telling.size / 3:
                votes[sku] = float(np.median(telling) / 0.2)
        if sum(vote < 0 for sku, vote in votes.items() if sku in members) > len(members) / 2:
            for sku in members:
                votes.pop(sku, None)  # no majority to go by
    return votes


def _agreement(looks, one, other):
    """Structure shared as named, less that shared once exchanged."""
    front, back = (looks[row].structure for row in one)
    their_front, their_back = (looks[row].structure for row in other)
    return float((front * their_front).sum() + (back * their_back).sum()
                 - (front * their_back).sum() - (back * their_front).sum())  # fmt: skip


def _style_of(frames, row, sku):
    """Style by the products file, else the SKU without its last part."""
    style = frames["style"][row]
    if isinstance(style, str) and style:
        return style
    for mark in "-_. ":
        if mark in sku:
            return sku.rpartition(mark)[0]
    return sku


def _detail_votes(frames, pairs, crops, fits):
    """
    Whether each product's details fit its front (positive) or its back (negative), where the set mostly says front.

    Units: 1 is `CLEARER_FIT`.
    """
    details = _by_product(frames, crops)
    sure = {sku: rows for sku, rows in pairs.items() if sku in details}
    zooms = usual_zooms([fits(row, whole) for sku, rows in sure.items() for row in details[sku] for whole in rows])
    votes = {}
    for sku, rows in sure.items() if len(zooms) else ():
        for row in details[sku]:
            (front, _), (back, zoom) = (fits(row, whole, zooms) for whole in rows)
            if not max(front, back) >= DETAIL_FOUND or (back > front and not np.isfinite(zoom)):
                continue
            vote = (_fisher_z(front) - _fisher_z(back)) / CLEARER_FIT
            votes[sku] = max(votes.get(sku, vote), vote, key=abs)
    telling = [vote for vote in votes.values() if abs(vote) >= 1]
    in_front = sum(vote > 0 for vote in telling)
    return votes if in_front >= max(0.75 * len(telling), FEWEST_PRODUCTS) else {}


def _by_product(frames, rows):
    grouped = {}
    for row in sorted(rows):
        if frames["view"][row] not in INSIDE_VIEWS:
            grouped.setdefault(frames["sku"][row], []).append(row)
    return grouped


class _Fits:
    """How well crops fit into whole pictures, (correlation, zoom) by their rows; each looked for once."""

    def __init__(self, frames, sketches):
        self._files = frames["file"]
        self._sketches = sketches
        self._known = {}

    def __call__(self, crop, whole, zooms=ZOOMS):
        key = crop, whole, len(zooms), float(zooms[0])
        if key not in self._known:
            one, other = (self._sketches.get(self._files[row]) or {} for row in (crop, whole))
            self._known[key] = best_fit(one, other, zooms)
        return self._known[key]


def _wrong_kind_of_view(frames, looks, crops):
    """A crop filed as a whole view and a whole product filed as a detail, where the set keeps them apart."""
    contacts = {False: [], True: []}
    for row, look in looks.items():
        contacts[row in crops].append(look.contact)
    if min(len(values) for values in contacts.values()) < FEWEST_PRODUCTS:
        return
    if np.quantile(contacts[False], 0.75) > CROP_CONTACT / 5 or np.quantile(contacts[True], 0.25) < CROP_CONTACT:
        return
    odd = {}
    for row, look in looks.items():
        wrong = look.contact <= CROP_CONTACT / 5 if row in crops else look.contact >= 2 * CROP_CONTACT
        if wrong:
            odd.setdefault(frames["sku"][row], []).append(row)
    for sku, rows in odd.items():
        exchanged = len({row in crops for row in rows}) == 2
        for row in rows:
            evidence = "it shows the whole product" if row in crops else "it shows a part of a product only"
            evidence += f", unlike the other pictures named {frames['view'][row]}"
            yield row, (sku, "swapped_views" if exchanged else "wrong_view", 1.0, evidence)


def _wrong_details(frames, looks, products, crops, order, fits):
    """Details whose material is another product's, found there or exchanged with its own."""
    rows = [row for row in sorted(crops) if frames["sku"][row] in products]
    rows = [row for row in rows if frames["view"][row] not in INSIDE_VIEWS]
    if len(products) < FEWEST_PRODUCTS or len(rows) < FEWEST_PRODUCTS:
        return
    names = list(products)
    centres = np.stack([np.median([looks[row].colour for row in products[name]], axis=0) for name in names])
    place = {name: number for number, name in enumerate(names)}
    distances = {
        row: np.abs(centres - looks[row].colour).reshape(len(names), -1, 3).sum(axis=2).mean(axis=1) for row in rows
    }
    own = {row: float(distances[row][place[frames["sku"][row]]]) for row in rows}
    limit = _usual(list(own.values()), FOREIGN_COLOUR + 2)
    zooms = usual_zooms([fits(row, other) for row in rows for other in products[frames["sku"][row]]])
    zooms = zooms if len(zooms) else ZOOMS
    found = {row: _fit_in(fits, row, products[frames["sku"][row]], zooms) for row in rows}
    usually = float(np.median(list(found.values())))
    foreign = {row for row in rows if own[row] > limit}
    for row in rows:
        sku = frames["sku"][row]
        lost = usually >= DETAIL_FOUND and _fisher_z(usually) - _fisher_z(found[row]) >= MUCH_CLEARER_FIT
        at_home = max(found[row], _fit_in(fits, row, products[sku], ZOOMS)) >= SURELY_FOUND
        if at_home or not (lost or row in foreign):
            continue
        nearest = [names[n] for n in np.argsort(distances[row], kind="stable") if names[n] != sku][:CANDIDATES]
        reach = CLEARLY_NEARER * own[row] if row in foreign else own[row] + OWN_COLOUR
        near = [name for name in nearest if distances[row][place[name]] <= reach]
        likely, reason = _place_of_detail(products, row, found[row], near, order, fits, zooms)
        if likely is None and row in foreign:
            near = [name for name in near if distances[row][place[name]] <= limit / 2]
            likely, reason = _fitting_product(frames, near, row, foreign, own, distances, place, order)
        if likely is not None:
            evidence = f"its colour lies {own[row]:.0f} CIELAB units from {sku}, {distances[row][place[likely]]:.0f} from {likely}"
            yield row, (likely, "wrong_detail", max(own[row] / limit, 1.0), f"{evidence}; {reason}")


def _fit_in(fits, row, others, zooms):
    """Best correlation of a detail with one of the pictures ``others``, at a zoom where it is at its best; 0 for none."""
    known = [correlation for correlation, zoom in (fits(row, other, zooms) for other in others) if np.isfinite(zoom)]
    return max(known, default=0.0)


def _fisher_z(correlation):
    """Correlation on the scale where differences are alike everywhere (R. A. Fisher 1915)."""
    return float(np.arctanh(min(max(correlation, 0.0), 0.999)))


def _place_of_detail(products, row, in_own, candidates, order, fits, zooms):
    """The product in whose pictures, rather than in its own, a detail is found; (None, '') for none."""
    if order.get(row) in products and order[row] not in candidates:
        candidates = [*candidates, order[row]]
    found = {name: _fit_in(fits, row, products[name], zooms) for name in candidates}
    best = max(candidates, key=found.get, default=None)
    if best is None or found[best] < DETAIL_FOUND or _fisher_z(found[best]) - _fisher_z(in_own) < MUCH_CLEARER_FIT:
        return None, ""
    return best, f"it is found in a picture of {best} (correlation {found[best]:.2f}), not in its own ({max(in_own, 0):.2f})"


def _fitting_product(frames, candidates, row, foreign, own, distances, place, order):
    """Of the products that a detail's colour fits, the one that something else speaks for; (None, '') for none."""
    sku = frames["sku"][row]
    if order.get(row) in candidates:
        return order[row], "it was captured between two pictures of that product"
    for name in candidates:
        exchanged = [other for other in foreign if frames["sku"][other] == name]
        if any(distances[other][place[sku]] <= CLEARLY_NEARER * own[other] for other in exchanged):
            return name, "that product's detail shows this one's colour"
    return None, ""


def _table(frames, found):
    """Findings as a table; a run of files that all belong to a neighbour shares its cause."""
    causes = _shifted(frames, found)
    records = []
    for row in sorted(found):
        likely, kind, score, evidence = found[row]
        kind = "shifted" if row in causes else kind
        view = _exchanged_with(frames, found, row) if kind == "swapped_views" else ""
        claimed = frames["sku"][row]
        records.append((frames["file"][row], claimed, likely, view, kind, score, evidence, causes.get(row, "")))
    table = pd.DataFrame(records, columns=COLUMNS)
    return table.astype({name: "float64" if name == "score" else "str" for name in COLUMNS})


def _exchanged_with(frames, found, row):
    """View of the one other picture of the product whose view is exchanged too, or ''."""
    others = [
        frames["view"][other]
        for other in found
        if other != row and frames["sku"][other] == frames["sku"][row] and found[other][1] == "swapped_views"
    ]
    return others[0] if len(others) == 1 else ""


def _shifted(frames, found):
    """Cause of runs of consecutive named files of which each belongs to the next or previous product by name."""
    skus = list(dict.fromkeys(frames["sku"].dropna()))
    number = {sku: place for place, sku in enumerate(skus)}
    causes, run, way = {}, [], 0
    for row in [*sorted(found), None]:
        step = 0
        if row is not None and found[row][0] in number:
            step = number[found[row][0]] - number[frames["sku"][row]]
        follows = run and row is not None and number[frames["sku"][row]] - number[frames["sku"][run[-1]]] <= 1
        if step in (-1, 1) and (not run or (follows and step == way)):
            run.append(row)
            way = step
            continue
        if len({frames["sku"][member] for member in run}) >= SHIFTED_FILES:
            text = f"names shifted by one product from {frames['file'][run[0]]} on ({len(run)} files)"
            causes.update(dict.fromkeys(run, text))
        run, way = ([row], step) if step in (-1, 1) else ([], 0)
    return causes

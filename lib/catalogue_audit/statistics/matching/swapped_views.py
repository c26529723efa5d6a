"""Views of one product filed under one another's names."""

import math
from collections import Counter

import numpy as np

from catalogue_audit.measures.applicability import STRAIGHT_ON
from catalogue_audit.statistics.geometry.strap_states import CHANGES_OUTLINE
from catalogue_audit.statistics.geometry.view_order import order_votes
from catalogue_audit.statistics.matching.belonging import belonging, likeliest_owner
from catalogue_audit.statistics.matching.crops import ZOOMS
from catalogue_audit.statistics.matching.looks import (
    CROP_CONTACT,
    FEWEST_PRODUCTS,
    INSIDE_VIEWS,
    outline_match,
    usual_least,
    views_of,
)
from catalogue_audit.statistics.matching.own_colours import body_outline
from catalogue_audit.statistics.matching.turned_votes import ONE_VOTE, turned_votes
from catalogue_audit.statistics.matching.wrong_details import DETAIL_FOUND, fisher_z, some_of
from catalogue_audit.statistics.spread import spread
from catalogue_audit.statistics.styles import style_families

CLEARER_FIT = 0.2  # difference of Fisher's z of two correlations: a detail fits one picture better than another
USUALLY, FEWEST_TELLING = 0.75, 3  # share and number of the telling details that fit the front, before another is blamed
SURE_OUTLINE = 0.9  # confidence of the outline of a picture that is told to show a whole product
NEARER = 1.3  # times the share of the frame that the largest of its whole views covers: a watch shown from nearer is a detail of it
SMALL_WHOLE = 0.5  # of the frame's share that the smaller whole products cover
MOST_OF_ONE_KIND = 2.0  # evidence that one kind may give
BY_LIKENESS = (
    "its detail fits the back picture better, while the others' fit the front",
    "its three-quarter view shares more with the back picture, while the others' share more with the front",
)
# That a three-quarter view may give: its face laid over both pictures is not mistaken by half of this (of 360 bags as named one
# of stripes is), so that it outweighs an order of capture that says only that picture and name were exchanged together.
MOST_OF_TURNED = 3.0
MOST_OF_DETAILS = 1.5  # that details may give: a plain one can lie on the wrong picture by chance, and then fits it well
OF_LIKENESS_ALONE = 1.6  # evidence needed of these two, where a plain front beside a worked back misleads both
# Nats by which the names within one product are exchanged more usually than one picture is put under another product's name
# (seven times as often; common practice, no source).
MORE_USUAL = 2.0
OTHER_GROUND = 15.0  # CIELAB; backdrops of one set-up lie within 5, of two white ones within 10 (common practice, no source)
WORTH_SAYING = 0.3  # evidence below is not named as a reason
USUAL_STRAP = 0.7  # share of the products with a strap whose front and back show it in one way
CLEAR_SLOPE_DEG = 2.0  # difference of two lower edges: straight-on ones slope 0 to 3.5, those of three-quarter views 3 to 10
TURN_EXCHANGED = 1.5  # evidence needed: half the usual difference of the outlines gives 1, as do two degrees of slope
ALMOST = 0.97  # of how well front and back usually mirror one another
MUCH_CLEARER = 2.5  # times that, where the set's details have no one scale to look for them at


def wrong_kind_of_view(frames, looks, crops):
    """
    A crop filed as a whole view and a whole product filed as a detail, where the set keeps them apart.

    A small product seen whole, and from nearer than its own whole views show it, is a detail of its kind.
    """
    contacts = {False: [], True: []}
    for row, look in looks.items():
        contacts[row in crops].append(look.contact)
    if min(len(values) for values in contacts.values()) < FEWEST_PRODUCTS:
        return
    if np.quantile(contacts[False], 0.75) > CROP_CONTACT / 5 or np.quantile(contacts[True], 0.25) < CROP_CONTACT:
        return
    whole = np.quantile([look.share for row, look in looks.items() if row not in crops], 0.25)
    largest = {}
    for row, look in looks.items():
        if row not in crops:
            largest[frames["sku"][row]] = max(largest.get(frames["sku"][row], 0.0), look.share)
    odd, elsewhere = {}, _on_another_ground(frames, [row for row in looks if row not in crops])
    for row, look in looks.items():
        apart = look.contact <= CROP_CONTACT / 5 and look.share >= SMALL_WHOLE * whole  # smaller: hardware taken for the product
        # A white bag's tag and handle, which the frame cuts, are no whole product.
        sure = not frames["outline_confidence"][row] < SURE_OUTLINE and look.contact == 0
        wrong = apart and sure and not elsewhere[row] if row in crops else look.contact >= 2 * CROP_CONTACT
        if wrong:
            odd.setdefault(frames["sku"][row], []).append(row)
    for sku, rows in odd.items():
        exchanged = len({row in crops for row in rows}) == 2
        for row in rows:
            if row in crops and not exchanged and 0 < NEARER * largest.get(sku, 0.0) <= looks[row].share:
                continue
            evidence = "it shows the whole product" if row in crops else "it shows a part of a product only"
            evidence += f", unlike the other pictures named {frames['view'][row]}"
            yield row, (sku, "swapped_views" if exchanged else "wrong_view", 1.0, evidence)


def _on_another_ground(frames, whole):
    """Whether the ground of each frame is another than that of the ``whole`` views, by row: a label on leather is not a product before its backdrop."""
    columns = ["background_L", "background_a", "background_b"]
    if not set(columns) <= set(frames):
        return np.zeros(len(frames), bool)
    grounds = frames[columns].astype(float)
    return ((grounds - grounds.loc[whole].median()).pow(2).sum(axis=1, skipna=False) > OTHER_GROUND**2).to_numpy()


def odd_turn(frames, sketches, looks, products, straps):
    """
    The three-quarter view exchanged with front or back: then those two are no longer mirror images, and the base tells which is turned.

    Soft bags are no mirror images of themselves, so the outlines alone never decide. A picture that the frame cuts, or whose outline
    is unsure, mirrors nothing. Where front and back are unlike as a whole, the outlines of the bodies are asked as well, which a strap that only
    one view shows does not change: less is left of these, so that the bases have to tell the same. Bodies that mirror one another as named,
    or a base that slopes in the named three-quarter view and lies level in the face, refute it: a strap held up in one view is no turn.
    """
    whole = _triples(frames, looks, products)
    unlike = {frames["sku"][views["front"]] for views, _, margin in whole if margin < 0}
    if not unlike:
        return
    known, told = belonging(frames, looks, products), set()
    bodies = _triples(frames, _bodies(frames, sketches, looks, products), products)
    as_named = {frames["sku"][views["front"]] for views, _, margin in bodies if margin >= 0}
    for triples, with_straps in ((whole, True), (bodies, False)):
        for views, odd, evidence, slope in _odd_turns(frames, sketches, triples):
            sku = frames["sku"][views[odd]]
            unsure = any(straps[views[view]] in CHANGES_OUTLINE for view in ("front", "back")) if with_straps else slope < 1
            if unsure or sku in told | as_named or sku not in unlike or _of_another_product(known, sku, {odd: views[odd]}, ())[2] > MORE_USUAL:
                continue
            told.add(sku)
            words = f"the other two views of {sku} mirror one another once the {odd} picture is taken as the turned one"
            for view in (odd, "three_quarter"):
                yield views[view], (sku, "swapped_views", evidence / TURN_EXCHANGED, words)


def _bodies(frames, sketches, looks, products):
    """Looks of whole views by the outlines of their bodies alone, as one view may show a strap that the other hides."""
    rows = [row for members in products.values() if len(members) >= 3 for row in members]
    made = dict(zip(rows, spread(body_outline, [frames["file"][row] for row in rows], sketches), strict=True))
    return {row: look if made.get(row) is None else look._replace(outline=made[row][0], aspect=made[row][1]) for row, look in looks.items()}


def _triples(frames, looks, products):
    """(views, how well the other two mirror one another by the view left out, by how much front and back do so best) of each product, by some outlines."""
    triples = []
    for rows in products.values():
        views = views_of(frames, [row for row in rows if looks[row].contact == 0 and not frames["outline_confidence"][row] < SURE_OUTLINE])
        if {"front", "back", "three_quarter"} <= set(views):
            one, two, turned = (looks[views[view]] for view in ("front", "back", "three_quarter"))
            match = {
                "three_quarter": outline_match(one, two, True),
                "front": outline_match(turned, two, True),
                "back": outline_match(one, turned, True),
            }  # by the view left out
            triples.append((views, match, match["three_quarter"] - max(match["front"], match["back"])))
    return triples


def _odd_turns(frames, sketches, triples):
    """Yield (views, the face that is the turned one, evidence, that of the slopes) of products whose three-quarter view seems exchanged with a face."""
    usual = float(np.median([margin for _, _, margin in triples])) if triples else 0.0
    if len(triples) < FEWEST_PRODUCTS or usual < 0.04:
        return
    good = usual_least([match["three_quarter"] for _, match, _ in triples], 0.03)
    for views, match, margin in triples:
        odd = max(("front", "back"), key=match.get)
        if margin >= 0 or match[odd] < ALMOST * good:  # no two of the three belong together: not a matter of views
            continue
        named, other = (base_slope_deg(sketches.get(frames["file"][views[view]])) for view in ("three_quarter", odd))
        slope = float(np.clip((other - named) / CLEAR_SLOPE_DEG, -MOST_OF_ONE_KIND, MOST_OF_ONE_KIND))
        evidence = -2 * margin / usual + slope
        if evidence >= TURN_EXCHANGED and slope > -1:
            yield views, odd, evidence, slope


def base_slope_deg(sketch):
    """How much a product's lower edge slopes, degrees: little in a straight-on view; 0 where no edge is seen."""
    for name in ("front_edge", "round_base"):
        edge = (sketch or {}).get(name)
        if edge is not None and np.isfinite(edge[2]):
            return abs(math.degrees(math.atan(edge[2])))
    return 0.0


def swapped_front_and_back(frames, sketches, looks, products, crops, fits, straps, misfiled):
    """
    Front and back exchanged, by all that tells one from the other.

    Each kind of evidence is a number a product: 1 says by itself that the names are right, -1 that they were
    exchanged. Their sum decides, so that nothing is said of a bag whose looks contradict its place in the order.
    That three-quarter view and detail are unlike the front picture, a front of another product explains as well. So where colour and outline
    tell a face to be another product's, by more nats than all else tells the exchange, that product is named instead.
    Rows that are known to be ``misfiled`` under another style say nothing: another bag's three-quarter view is like neither face.
    """
    pairs, turned, families = {}, {}, style_families(frames)
    for sku, rows in products.items():
        views = views_of(frames, [row for row in rows if row not in misfiled or _is_of_its_style(frames, families, row, misfiled[row][0])])
        if {"front", "back"} <= set(views):
            pairs[sku] = views["front"], views["back"]
            turned[sku] = views.get("three_quarter")
    if len(pairs) < FEWEST_PRODUCTS:
        return
    others = (
        ("its front looks like the backs of the same style, its back like their fronts", _sibling_votes(frames, looks, pairs)),
        (BY_LIKENESS[1], turned_votes(frames, sketches, pairs, turned)),
        ("its strap is as in the others' backs in the front picture, as in their fronts in the back picture", strap_votes(straps, pairs)),
        ("the front was captured where the others' backs were, and the back where their fronts were", order_votes(frames)),
    )
    doubtful = {sku for sku in pairs if _may_be_exchanged(_told(others, sku), -MOST_OF_DETAILS)}
    known = belonging(frames, looks, products)
    kinds = (others[0], (BY_LIKENESS[0], _detail_votes(frames, pairs, crops, fits, doubtful)), *others[1:])
    for sku, rows in pairs.items():
        told = _told(kinds, sku)
        evidence = sum(vote for vote, _ in told)
        reasons = [reason for vote, reason in sorted(told, key=lambda one: one[0]) if vote <= -WORTH_SAYING]
        if not _may_be_exchanged(told) or not reasons:
            continue
        row, likely, nats = _of_another_product(known, sku, dict(zip(STRAIGHT_ON, rows, strict=True)), misfiled)
        if nats > MORE_USUAL - ONE_VOTE * sum(vote for vote, reason in told if reason not in BY_LIKENESS):
            words = f"by colour and outline it is likelier {likely}'s than {sku}'s by {nats:.1f} nats, and three-quarter view or detail show another face"
            yield row, (likely, "wrong_product", nats / MORE_USUAL, words)
            continue
        for row in rows:
            yield row, (sku, "swapped_views", -evidence, "; ".join(reasons))


def _of_another_product(known, sku, faces, misfiled):
    """(row, product, nats) of the one of some faces, view → row, that is the likeliest to be another product's; -inf where the set tells nothing."""
    owners = [] if known is None else [(row, *likeliest_owner(known, row, sku, view, misfiled)) for view, row in faces.items()]
    return max(owners, key=lambda owner: owner[2], default=(None, None, -math.inf))


def _told(kinds, sku):
    """(vote, reason) of each kind of evidence for one product."""
    most = {BY_LIKENESS[1]: MOST_OF_TURNED}
    return [(_at_most(votes.get(sku, 0.0), most.get(reason, MOST_OF_ONE_KIND)), reason) for reason, votes in kinds]


def _may_be_exchanged(told, further=0.0):
    """Whether the votes and what further ones may add are evidence enough."""
    firm = any(vote <= -WORTH_SAYING for vote, reason in told if reason not in BY_LIKENESS)
    return sum(vote for vote, _ in told) + further <= (-1 if firm else -OF_LIKENESS_ALONE)


def _at_most(vote, most):
    """A vote of either sign, clipped."""
    return float(np.clip(vote, -most, most))


def strap_votes(straps, pairs):
    """
    Whether each product's straps are as usual for front and back (1), or just the other way round (-1).

    Where the set's fronts and backs show the strap alike, or follow no rule, it tells nothing.
    """
    shown = {sku: (straps[front], straps[back]) for sku, (front, back) in pairs.items()}
    strapped = [both for both in shown.values() if None not in both and set(both) != {"none"}]
    if len(strapped) < FEWEST_PRODUCTS:
        return {}
    usual, many = Counter(strapped).most_common(1)[0]
    if many < USUAL_STRAP * len(strapped) or usual[0] == usual[1]:
        return {}
    return {sku: 1.0 if both == usual else -1.0 for sku, both in shown.items() if both in (usual, usual[::-1])}


def _sibling_votes(frames, looks, pairs):
    """
    How clearly each product's front and back agree with its style's others.

    1 and more: as named; -1 and less: exchanged, and all siblings that tell agree. The structure two products share as
    named, less that shared once exchanged, is the product of what each one's front has and its back has not.
    """
    families, styles = style_families(frames), {}
    for sku in pairs:
        styles.setdefault(families[pairs[sku][0]], []).append(sku)
    votes = {}
    for members in styles.values():
        if len(members) < 3:
            continue
        unlike = np.stack([np.subtract(*(looks[row].structure for row in pairs[sku]), dtype=np.float32).ravel() for sku in members])
        told = {}
        for place, sku in enumerate(members):
            agreement = np.delete(unlike @ unlike[place], place)
            telling = agreement[np.abs(agreement) > 0.2]
            if telling.size >= 2 and abs(np.sign(telling).sum()) > telling.size / 3:
                told[sku] = float(np.median(telling) / 0.2)
        if sum(vote < 0 for vote in told.values()) <= len(members) / 2:  # else there is no majority to go by
            votes |= told
    return votes


def _is_of_its_style(frames, families, row, likely):
    """Whether a picture that shows another product shows one of the style it is filed under, another colourway."""
    other = frames.index[frames["sku"] == likely]
    return len(other) > 0 and families[row] == families[other[0]]


def _detail_votes(frames, pairs, crops, fits, doubtful):
    """
    Whether the details of doubtful products fit their fronts (positive) or their backs (negative), where the set mostly says front.

    What the set says is told from some of its products: it takes long to look for a detail.

    Units: 1 is `CLEARER_FIT`. Where the set's details have no one scale, a detail is looked for at all of them, and
    speaks against its front only from `MUCH_CLEARER` on.
    """
    details = _by_product(frames, crops)
    sure = {sku: rows for sku, rows in pairs.items() if sku in details}
    zooms = fits.zooms_learnt((row, whole) for sku, rows in sure.items() for row in details[sku] for whole in rows)
    if not doubtful & set(sure):
        return {}
    votes, least = {}, 1.0 if len(zooms) else MUCH_CLEARER
    zooms = zooms if len(zooms) else ZOOMS
    asked = list(dict.fromkeys((*some_of(sure), *sorted(doubtful & set(sure)))))
    fits.look_for([(row, whole) for sku in asked for row in details[sku] for whole in sure[sku]], zooms)
    for sku in asked:
        for row in details[sku]:
            (front, _, _), (back, zoom, _) = (fits(row, whole, zooms) for whole in sure[sku])
            if not max(front, back) >= DETAIL_FOUND or (back > front and not np.isfinite(zoom)):
                continue
            vote = (fisher_z(front) - fisher_z(back)) / CLEARER_FIT
            votes[sku] = max(votes.get(sku, vote), vote, key=abs)
    telling = [vote for vote in votes.values() if abs(vote) >= 1]
    in_front = sum(vote > 0 for vote in telling)
    if in_front < max(USUALLY * len(telling), FEWEST_TELLING):
        return {}
    clear = {sku: vote for sku, vote in votes.items() if vote > -1 or vote <= -least}
    return {sku: float(np.clip(vote, -MOST_OF_DETAILS, MOST_OF_DETAILS)) for sku, vote in clear.items()}


def _by_product(frames, rows):
    grouped = {}
    for row in sorted(rows):
        if frames["view"][row] not in INSIDE_VIEWS:
            grouped.setdefault(frames["sku"][row], []).append(row)
    return grouped

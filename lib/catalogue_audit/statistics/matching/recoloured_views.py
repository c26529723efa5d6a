"""
Front and back exchanged of a product whose colourways were recoloured from one photograph.

Then its front is one photograph with the others' backs, or its back with their fronts, and no likeness needs to be weighed. Each
such pair says of two products whether their names agree; products that all pairs between them leave in two camps are
judged by the larger one (the balance of a signed graph [1]_).

References
----------
.. [1] F. Harary, "On the notion of balance of a signed graph", Michigan Mathematical Journal 2 (1953) 143-146.
"""

from catalogue_audit.measures.applicability import STRAIGHT_ON

SCORE = 2.0  # of what is needed; one photograph is one view
WORDS = "its front picture is one photograph, in another colour, with its colourways' backs, or its back picture with their fronts"


def exchanged_among_recoloured(frames, looks, pairs):
    """
    Products whose two faces are exchanged by what one photograph shows in several colours.

    Parameters
    ----------
    frames : DataFrame
    looks : dict of int to Look
        Rows that may be told.
    pairs : DataFrame or None
        Of `identity.group_pictures`.

    Yields
    ------
    row, (product, "swapped_views", score, evidence)
        Both faces of each product of the smaller camp. Nothing where the camps are as large as one another, or where pairs contradict one
        another, as those of a bag that is plain all over.
    """
    faces = {}
    for row in looks:
        if frames["view"][row] in STRAIGHT_ON:
            faces.setdefault(frames["sku"][row], {})[frames["file"][row]] = row
    place = {file: row for rows in faces.values() for file, row in rows.items()}
    agree = {}
    for one, other, kind in () if pairs is None else zip(pairs["file_a"], pairs["file_b"], pairs["kind"], strict=True):
        if kind == "recoloured" and one in place and other in place:
            skus, views = ([frames[name][place[file]] for file in (one, other)] for name in ("sku", "view"))
            for sku, beside in (skus, skus[::-1]):
                agree.setdefault(sku, []).append((beside, views[0] == views[1]))
    for camps in _camps(agree):
        smaller = min(camps, key=len)
        for sku in sorted(smaller) if len(camps[0]) != len(camps[1]) else ():
            rows = sorted(faces[sku].values())
            if [frames["view"][row] for row in rows] in (list(STRAIGHT_ON), list(STRAIGHT_ON[::-1])):
                for row in rows:
                    yield row, (sku, "swapped_views", SCORE, WORDS)


def _camps(agree):
    """(names, names) of each connected group of products: those that agree with one another, and those that contradict them; none of a group that contradicts itself."""
    side = {}
    for start in agree:
        if start in side:
            continue
        side[start], members, sound = True, [start], True
        for sku in members:  # grows while it is walked
            for beside, same in agree[sku]:
                wanted = side[sku] == same
                if beside not in side:
                    side[beside] = wanted
                    members.append(beside)
                sound = sound and side[beside] == wanted
        if sound:
            yield [sku for sku in members if side[sku]], [sku for sku in members if not side[sku]]

"""
What three-quarter views say of front and back, by all that one can be told by.

Marks that are on one face only, key points that are in one picture only, and the face laid over both are added up as
logarithms of likelihood ratios: each is weak where the others are strong.
"""

import math

from catalogue_audit.statistics.matching.looks import FEWEST_PRODUCTS
from catalogue_audit.statistics.matching.turned_faces import Compared, face_shares, points_of_one, usual_side
from catalogue_audit.statistics.matching.turned_marks import marks_shown
from catalogue_audit.statistics.spread import spread

# Logarithm of the likelihood ratio (front against back) of each unit, by logistic regression (D. R. Cox, 1958) over 883 bags,
# each as named and exchanged. Of the bags as named the sum reaches -1.4 at most, and 0.92 reach more than +1.4.
OF_MARK, OF_POINTS, OF_FACE = 1.8, 0.5, 1.0
CHANCE_FACE = 2.0  # standard deviations that the tiles of a face laid over reach by chance
ONE_VOTE = 1.25  # so that likeness alone must reach 2.0 (`swapped_views.OF_LIKENESS_ALONE` votes): one bag in ten thousand by the fall of the tail
PLAINLY_FRONT = 4.0  # by key points: the faces need not be looked at
RATHER_FRONT = 2.5  # by key points and marks: the faces need not be laid over
# Standard deviations that key points reach by chance, as a print's come in numbers, where no faces can be compared: of 130 bags
# as named the contrary reaches 3.4 at most, of 14 exchanged ones 8 lie at 5.5 to 13.
CHANCE_POINTS, MOST_OF_POINTS = 3.5, 2.0
MOSTLY_FRONT = 0.6  # of the bags whose three-quarter view clearly tells


def turned_votes(frames, sketches, pairs, turned):
    """
    Whether each product's three-quarter view, which shows its front, shows what the front picture does, or the back picture.

    The dear ways of telling are asked of the products of which the cheap ones do not plainly say front. A set whose bags do
    not mostly say front says nothing.

    Parameters
    ----------
    frames : DataFrame
    sketches : mapping of str to dict
    pairs : dict of str to (int, int)
        Product → rows of front and back.
    turned : dict of str to int or None
        Product → row of its three-quarter view.

    Returns
    -------
    dict of str to float
        Product → vote, positive for the front: 1 is `ONE_VOTE`.
    """
    files = {sku: tuple(frames["file"][row] for row in (*pairs[sku], turned[sku])) for sku in pairs if turned[sku] is not None}
    points = dict(zip(files, spread(points_of_one, files.values(), sketches), strict=True))
    told = {sku: OF_POINTS * balance for sku, balance in points.items() if balance is not None}
    unsure = {sku: three for sku, three in files.items() if told.get(sku, 0.0) < PLAINLY_FRONT}
    at_hand = Compared(sketches)
    side = usual_side(unsure.values(), sketches, at_hand)
    marks = marks_shown(unsure, sketches, at_hand, side)
    told = {sku: ratio for sku, ratio in told.items() if sku not in marks}
    told |= {sku: OF_MARK * mark + OF_POINTS * (points[sku] or 0.0) for sku, mark in marks.items() if mark is not None and not math.isnan(mark)}
    laid = {sku: three for sku, three in unsure.items() if told.get(sku, RATHER_FRONT) < RATHER_FRONT}
    for sku, share in face_shares(laid, sketches, at_hand, side).items():
        told[sku] += OF_FACE * _beyond(share, CHANCE_FACE)
    votes = {sku: ratio / ONE_VOTE for sku, ratio in told.items()}
    votes |= {sku: _of_points_alone(points[sku]) for sku, mark in marks.items() if mark is None and points[sku] is not None}
    clear = [vote > 0 for vote in votes.values() if abs(vote) >= 1]
    return votes if len(votes) >= FEWEST_PRODUCTS and sum(clear) >= max(MOSTLY_FRONT * len(clear), 2) else {}


def _of_points_alone(balance):
    """The vote of key points where there are no faces."""
    return max(-MOST_OF_POINTS, min(_beyond(balance, CHANCE_POINTS), MOST_OF_POINTS))


def _beyond(value, chance):
    """What a value says beyond chance, in its own units."""
    return math.copysign(max(abs(value) - chance, 0.0), value)

"""
What the ground at a product's foot tells of its lean.

A thing that leans stands on one edge, and the other is raised: what lies under it comes into sight below its base, darker and lower than
where it stands flat (`ground.longer`). Leaning away the edge in front is raised, the more to see. How much there is to see rests on the light and on
how the product is held, and may be nothing. It does not tell which way, and it tells which of two pictures.
"""

import math

import numpy as np

from catalogue_audit.statistics.robust import MAD_TO_SIGMA

DEPTH = 0.4  # of a body over its width, where it is not known: common practice, no source
# Of the body's depth times the sine of the lean, by which the raised edge stands above the ground, what there is to see, and how likely each is: leaning away
# all of it or, where the base is rounded, less; leaning towards the camera a third at most, for the body hides it. 6 of 16 bags of one make showed nothing.
SHARES_AWAY, SHARES_TOWARDS, LIKELY = (0.0, 0.25, 0.5, 0.75, 1.0), (0.0, 0.075, 0.15, 0.225, 0.3), (0.5, 0.125, 0.125, 0.125, 0.125)
USUAL_SD, LEAST_SD, WORTH_PAIRS = 0.004, 0.0015, 8  # how well feet of one product repeat, widths of the body; what is usual counts as so many pairs
ODD, ODD_SD = 0.04, 0.018  # share of pairs of which something else has changed the ground, and by how much: of 370 upright pairs of three makes 10 are off for sure, none by more than 0.026


def feet_scatter(lower):
    """
    How well the ground at the feet of pictures of one shape repeats in a delivery.

    Parameters
    ----------
    lower : (n,) array_like of float
        Of pairs, as `heights.Beside` has it.

    Returns
    -------
    float
    """
    lower = np.asarray(lower, float)
    own = max(MAD_TO_SIGMA * float(np.median(np.abs(lower))), LEAST_SD) if len(lower) else USUAL_SD
    return math.sqrt((WORTH_PAIRS * USUAL_SD**2 + len(lower) * own**2) / (WORTH_PAIRS + len(lower)))


def contact_likelihood(lower, sd, leans_deg, its_leans_deg, depth=DEPTH):
    """
    Likelihood of each pair of leans by how much lower the ground lies at the foot of one picture.

    Parameters
    ----------
    lower, sd : float
    leans_deg, its_leans_deg : (n,) and (m,) float
        + towards the camera.
    depth : float
        Of the body, over its width.

    Returns
    -------
    (n, m) float

    Examples
    --------
    >>> likely = contact_likelihood(0.02, 0.004, np.array([-7.0, 0.0, 7.0]), np.array([0.0, 7.0]))
    >>> bool(likely[0, 0] > likely[2, 0] > likely[1, 0]), bool(likely[0, 0] > 5 * likely[1, 1])
    (True, True)
    """
    sines, its_sines = (depth * np.abs(np.sin(np.radians(leans))) for leans in (leans_deg, its_leans_deg))
    seen = 0.0
    for away, towards, likely in zip(SHARES_AWAY, SHARES_TOWARDS, LIKELY, strict=True):
        raised, its_raised = (np.where(leans < 0, away, towards) * sine for leans, sine in ((leans_deg, sines), (its_leans_deg, its_sines)))
        seen = seen + likely * _normal(lower - (raised[:, None] - its_raised), sd)
    return (1 - ODD) * seen + ODD * _normal(lower, math.hypot(sd, ODD_SD))


def _normal(value, sd):
    return np.exp(-0.5 * (value / sd) ** 2) / sd

"""
What the ground at a product's foot tells of its lean.

A thing that leans stands on one edge, and the other is raised: what lies under it comes into sight below its base, darker and lower than
where it stands flat (`ground.longer`). Leaning away the edge in front is raised, the more to see. How much there is to see rests on the light and on
how the product is held, and may be nothing. It does not tell which way, and it tells which of two pictures.
"""

import math

import numpy as np

from catalogue_audit.statistics.robust import MAD_TO_SIGMA

RAISED_AWAY, RAISED_TOWARDS = 0.20, 0.12  # widths of the body by which the ground lies lower, a sine of lean: half of the usual depth, and less where the raised edge is hidden
SHARES = ((0.0, 0.5), (0.5, 0.25), (1.0, 0.25))  # of it that there is to see, and how likely each is: 6 of 16 bags of one make showed nothing
USUAL_SD, LEAST_SD, WORTH_PAIRS = 0.004, 0.0015, 8  # how well feet of one product repeat, widths of the body; what is usual counts as so many pairs
ODD, ODD_SD = 0.08, 0.03  # share of pairs of which something else has changed the ground, and by how much


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


def contact_likelihood(lower, sd, leans_deg, its_leans_deg):
    """
    Likelihood of each pair of leans by how much lower the ground lies at the foot of one picture.

    Parameters
    ----------
    lower, sd : float
    leans_deg, its_leans_deg : (n,) and (m,) float
        + towards the camera.

    Returns
    -------
    (n, m) float

    Examples
    --------
    >>> likely = contact_likelihood(0.02, 0.004, np.array([-7.0, 0.0, 7.0]), np.array([0.0, 7.0]))
    >>> bool(likely[0, 0] > likely[2, 0] > likely[1, 0]), bool(likely[0, 0] > 5 * likely[1, 1])
    (True, True)
    """
    raised, its_raised = (np.where(leans < 0, RAISED_AWAY, RAISED_TOWARDS) * np.abs(np.sin(np.radians(leans))) for leans in (leans_deg, its_leans_deg))
    apart = raised[:, None] - its_raised
    seen = sum(likely * _normal(lower - share * apart, sd) for share, likely in SHARES)
    return (1 - ODD) * seen + ODD * _normal(lower, math.hypot(sd, ODD_SD))


def _normal(value, sd):
    return np.exp(-0.5 * (value / sd) ** 2) / sd

"""
A view of a style whose own shape leaves it smaller or larger than the set's rule of framing has it.

A pair of shoes is narrower from behind than from the side, a bag with a flap shorter. Where the style's other views keep the set's rule and
all its colourways show the one view alike, and apart from it, the view's shape is the reason, and no picture's size.
"""

import numpy as np

from catalogue_audit.statistics.geometry.moved_camera import ZOOMED, moved_with_time
from catalogue_audit.statistics.styles import styles_or_shapes

FEWEST = 3  # products that show the view alike
ALIKE = 3.0  # standard deviations


def own_sizes(frames, deviations, scatter, products=None):
    """
    What the shape of each picture's style, seen in its view, makes of its size.

    Parameters
    ----------
    frames : DataFrame
        With ``sku``, ``style``, ``view``.
    deviations : (n,) float
        Of ln(size) from the set's rule; NaN where unknown.
    scatter : float
        How steadily products are sized, of ln(size).
    products : DataFrame, optional
        The products file.

    Returns
    -------
    (n,) float
        Of ln(size); 0 where the style's view keeps the rule, or where capture time explains its size.
    """
    styles = styles_or_shapes(frames, products)
    off = deviations - moved_with_time(frames, deviations, styles, scatter, ZOOMED)
    own = np.zeros(len(frames))
    for members in styles.groupby(styles).indices.values():
        members = members[np.isfinite(off[members])]
        views = frames["view"].iloc[members].fillna("").to_numpy(dtype=object)
        middles = {view: float(np.median(off[members[views == view]])) for view in dict.fromkeys(views)}
        kept = [view for view, middle in middles.items() if abs(middle) <= ALIKE * scatter]
        for view in kept and middles.keys() - set(kept):
            here = members[views == view]
            if frames["sku"].iloc[here].nunique() >= FEWEST and np.abs(off[here] - middles[view]).max() <= ALIKE * scatter:
                own[here] = middles[view]
    return own

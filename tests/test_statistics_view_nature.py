"""What a view has more of light by nature: what tells it, and what does not, against made levels."""

import numpy as np

from catalogue_audit.statistics.photometry.exposure import exposure_deviations
from catalogue_audit.statistics.tables import table_from_rows


def _deviations(levels):
    """EV and standard uncertainty by product and view, of cut-outs whose light is told by one number each: {(sku, view): EV}."""
    rows = [
        {"file": f"{sku}_{view}.jpg", "sku": sku, "view": view, "view_kind": "upright", "status": "measured", "product_ev": level, "backdrop": "cut_out"}
        for (sku, view), level in levels.items()
    ]
    frames, count = table_from_rows("frames", rows), len(rows)
    yes, nothing = np.ones(count, bool), np.full(count, np.nan)
    ev, sd = exposure_deviations(frames, {}, yes, ~yes, nothing, nothing, np.ones((count, 2)))
    return dict(zip(levels, zip(ev, sd, strict=True), strict=True))


def test_the_darkest_backs_are_brighter_by_their_light_and_not_by_what_they_mirror():
    """Front and back face camera and lamps alike, so that a dark surface mirrors as much of the lamps in both; the two darkest backs got more light."""
    rng = np.random.default_rng(4)
    levels = {(f"S{k:02}", view): -0.4 * k + rng.normal(0, 0.01) for k in range(12) for view in ("front", "back", "three_quarter")}
    for sku in ("S10", "S11"):
        levels[sku, "back"] += 0.3
    found = _deviations(levels)
    for (sku, view), (ev, sd) in found.items():
        lit = 0.3 if view == "back" and sku in ("S10", "S11") else 0.0
        assert abs(ev - lit) < 0.06
        assert lit == 0 or ev > 3 * sd

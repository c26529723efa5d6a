"""A lining of another colour is no fault: interiors beside the outside views of the same products."""

import numpy as np
from catalogue_audit.measures.photometry.light import palette
from catalogue_audit.pixels.colour import lab_from_linear
from catalogue_audit.statistics.photometry.exposure import _shows_a_product
from catalogue_audit.statistics.photometry.product_colour import product_colour_deviation
from catalogue_audit.statistics.tables import table_from_rows

OUTSIDE, LINING = (0.30, 0.08, 0.05), (0.55, 0.45, 0.30)  # linear red, green, blue


def painted(colour, seed):
    grain = np.random.default_rng(seed).normal(1, 0.03, (3600, 1))
    return palette(lab_from_linear((np.array(colour) * grain).astype(np.float32)))


def deviations(last_view, kind, products):
    """Of products with three views outside in one colour and a last view in the lining's, in the first only or in all."""
    rows, sketches = [], {}
    for number in range(3):
        last = LINING if number < products else OUTSIDE
        for view, view_kind, colour in (
            ("front", "upright", OUTSIDE), ("back", "upright", OUTSIDE), ("three_quarter", "upright", OUTSIDE), (last_view, kind, last),
        ):  # fmt: skip
            file = f"BG-{number}_{view}.jpg"
            rows.append({"file": file, "sku": f"BG-{number}", "view": view, "view_kind": view_kind})
            sketches[file] = {"palette": painted(colour, len(rows))}
    frames = table_from_rows("frames", rows)
    return frames, product_colour_deviation(frames, sketches, np.ones((len(frames), 2)))


def test_a_lining_is_not_compared_with_the_outside():
    for products in (1, 3):
        frames, off = deviations("interior", "overhead", products)
        assert np.isnan(off[frames["view"].eq("interior")]).all()
        assert np.nanmax(off) < 1.0


def test_an_outside_view_of_another_colour_still_is():
    frames, off = deviations("side", "upright", 1)
    assert off[frames["file"].eq("BG-0_side.jpg")].item() > 3.0
    assert np.sort(off)[-2] < 1.0


def test_the_light_on_a_lining_is_not_told_by_the_outside():
    frames, _ = deviations("interior", "overhead", 1)
    frames = frames.assign(product_ev=-2.0, status="measured")
    shown = _shows_a_product(frames, np.ones(len(frames), bool))
    assert shown.sum() == 9 and not shown[frames["view"].eq("interior")].any()

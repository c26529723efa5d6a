"""A correction of one picture alone, told by its product's other pictures: painted thumbnails with known gains."""

import numpy as np
import pytest
from catalogue_audit.pixels.colour import ciede2000, lab_from_linear, linear_from_lab, srgb_encode
from catalogue_audit.statistics.photometry.detail_white import chromaticities
from catalogue_audit.statistics.photometry.own_gains import own_gains
from catalogue_audit.statistics.photometry.product_colour import product_colour_deviation
from catalogue_audit.statistics.tables import table_from_rows

RED, CREAM, GREY = (0.30, 0.05, 0.04), (0.62, 0.58, 0.48), (0.20, 0.20, 0.20)
VIEWS = ("front", "back", "three_quarter", "detail")


def _sketch(colours, gains, mirrored, rng):
    """Sketch of a product of some colours in stripes; `mirrored` adds light of the lamps' own white to all of them."""
    linear = np.full((128, 102, 3), 0.9)
    for number, colour in enumerate(colours):
        shade = np.linspace(1.2, 0.8, 100)[:, None, None] * rng.normal(1, 0.03, (100, 80, 1))
        stripe = np.arange(80) // 7 % len(colours) == number
        linear[10:110, 10:90][:, stripe] = ((np.array(colour) * shade + mirrored) * (gains[0], 1.0, gains[1]))[:, stripe]
    mask = np.zeros((256, 204), bool)
    mask[20:220, 20:180] = True
    return {"thumb": np.rint(255 * srgb_encode(np.clip(linear, 0, 1))).astype(np.uint8), "mask": mask}


def _found(colours, gains=None, mirrored=None):
    """Own gains by view, where some views have gains, or mirror more light than the others."""
    rng = np.random.default_rng(6)
    rows, sketches = [], {}
    for view in VIEWS:
        kind = "crop" if view == "detail" else "upright"
        rows.append({"file": f"A_{view}.jpg", "sku": "A", "view": view, "view_kind": kind, "status": "measured"})
        sketch = _sketch(colours, (gains or {}).get(view, (1.0, 1.0)), (mirrored or {}).get(view, 0.0), rng)
        sketches[f"A_{view}.jpg"] = {"thumb": sketch["thumb"][10:110, 10:90]} if kind == "crop" else sketch
    frames = table_from_rows("frames", rows)
    whole = frames["view_kind"].eq("upright").to_numpy(bool)
    return dict(zip(VIEWS, own_gains(frames, chromaticities(frames, sketches), whole, np.ones((len(frames), 2))), strict=True))


@pytest.mark.parametrize("colours", [(RED,), (CREAM, RED), (GREY,)])
@pytest.mark.parametrize("gains", [(0.88, 1.25), (1.1, 0.8)])
def test_gains_of_one_picture_are_found_whatever_its_colours(colours, gains):
    found = _found(colours, gains={"back": gains})
    assert found["back"] == pytest.approx(gains, rel=0.05)
    assert np.abs(np.log([found["front"], found["three_quarter"]])).max() < 0.02


def test_a_slanting_view_that_mirrors_more_has_no_gains_of_its_own():
    """Light of the lamps' own colour on top takes chroma off a red bag: by 0.2 on the scale of logarithms here, and none of it a correction."""
    found = _found((RED,), mirrored={"three_quarter": 0.008})
    assert np.abs(np.log(found["three_quarter"])).max() < 0.03


def test_nothing_is_told_where_the_others_differ_among_themselves():
    found = _found((GREY,), gains={"front": (1.2, 0.8), "back": (0.85, 1.2), "three_quarter": (1.0, 1.4)})
    assert np.isnan(found["three_quarter"]).all()


def test_a_stripe_that_turned_blue_is_another_colour_though_most_of_the_product_looks_alike():
    """
    A tenth of it is cream, on which gains of 0.88 and 1.25 show twice as much as on red, and twice the tolerance of 3.

    Red alone is judged as its buckle and stitches would show it, too small to be among its colours: by a grey of L* 50, and no more.
    """
    grey = lab_from_linear(linear_from_lab([50.0, 0.0, 0.0]) * (0.88, 1.0, 1.25))
    on_grey = float(ciede2000((50.0, *grey[1:]), (50.0, 0.0, 0.0)))
    assert _deviation([[40.0, 50.0, 30.0, 1.0]]) == pytest.approx(on_grey, rel=0.1)
    assert _deviation([[40.0, 50.0, 30.0, 0.9], [88.0, 0.0, 8.0, 0.1]]) > on_grey


def _deviation(colours):
    """Deviation of a picture of these colours under gains of its own; its product's other two have none."""
    rows = [{"file": f"A_{view}.jpg", "sku": "A", "view": view, "view_kind": "upright", "status": "measured"} for view in VIEWS[:3]]
    sketches = {row["file"]: {"palette": np.array(colours, np.float32)} for row in rows}
    own = np.array([[1.0, 1.0], [0.88, 1.25], [np.nan, np.nan]])
    found = product_colour_deviation(table_from_rows("frames", rows), sketches, np.ones((3, 2)), own)
    assert found[[0, 2]] == pytest.approx(0.0, abs=1e-6)
    return found[1]

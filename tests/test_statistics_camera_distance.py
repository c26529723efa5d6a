"""Sizes of products photographed from one distance, beside those of their own shape."""

import numpy as np
import pandas as pd
import pytest
from catalogue_audit.statistics.geometry.camera_distance import free_sizes


def sizes_against_their_shape(skus, widths):
    """Deviations of ln(size) of fronts that are all as high as wide."""
    frames = pd.DataFrame({"sku": skus, "view": "front", "fill_width": widths, "fill_height": widths})
    ((off, *_),) = free_sizes(frames, [np.arange(len(skus))], 0.01)
    return off


@pytest.mark.parametrize("name", ["BAG-{:02d}", "hobo_{}", "Tote {}"])
def test_products_that_a_number_alone_tells_apart_are_no_colourways_of_one_size(name):
    widths = np.linspace(0.4, 0.7, 6)
    assert np.array_equal(sizes_against_their_shape([name.format(number) for number in range(1, 7)], widths), np.zeros(6))


@pytest.mark.parametrize("colours", [("BLK", "TAN", "RED"), ("01", "02", "03")])
def test_colourways_of_a_numbered_style_are_of_one_size(colours):
    off = sizes_against_their_shape([f"AL-1101-{colour}" for colour in colours], [0.5, 0.5, 0.6])
    assert off == pytest.approx([0, 0, np.log(1.2)])

"""Placing outlines: which picture is the reference, and the drawn line where the outline is."""

import io

import numpy as np
import pandas as pd
import pytest
from PIL import Image

from catalogue_audit.report.placing import placing_outline, placing_png
from catalogue_audit.statistics.reference_outlines import reference_outline

SQUARE = np.array([(0.25, 0.25), (0.75, 0.25), (0.75, 0.75), (0.25, 0.75)])


def test_the_line_lies_on_the_outline_and_the_rest_is_clear():
    drawn = placing_outline(SQUARE, 0.8, 500)
    assert drawn.shape == (500, 400, 4)
    assert drawn[125, 200, 3] == 255 and drawn[250, 100, 3] == 255
    assert drawn[300, 150, 3] == 0 and np.mean(drawn[..., 3] > 0) < 0.1


def test_the_file_is_a_transparent_png_of_the_cameras_aspect():
    picture = Image.open(io.BytesIO(placing_png(SQUARE, 1.5, 300)))
    assert picture.mode == "RGBA" and picture.size == (300, 200)


def test_a_line_needs_an_outline():
    with pytest.raises(ValueError, match="three points"):
        placing_outline(SQUARE[:2], 1.0)


def test_the_reference_is_the_picture_nearest_to_the_others():
    shift = [0.0, 0.01, -0.01, 0.2]
    frames = pd.DataFrame(
        {"file": list("abcd"), "view": ["front"] * 4, "left": np.add(0.2, shift), "top": 0.2, "right": np.add(0.8, shift), "bottom": 0.8}
    )
    sketches = {file: {"outline": SQUARE.astype(np.float32)} for file in "abcd"}
    assert reference_outline(frames, sketches, "front")[0] == "a"
    assert reference_outline(frames, sketches, "back")[0] == ""

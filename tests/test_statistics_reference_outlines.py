"""Reference outlines: which picture of a view is the reference."""

import numpy as np
import pandas as pd

from catalogue_audit.statistics.reference_outlines import reference_outline

SQUARE = np.array([(0.25, 0.25), (0.75, 0.25), (0.75, 0.75), (0.25, 0.75)])


def test_the_reference_is_the_picture_nearest_to_the_others():
    shift = [0.0, 0.01, -0.01, 0.2]
    frames = pd.DataFrame(
        {"file": list("abcd"), "view": ["front"] * 4, "left": np.add(0.2, shift), "top": 0.2, "right": np.add(0.8, shift), "bottom": 0.8}
    )
    sketches = {file: {"outline": SQUARE.astype(np.float32)} for file in "abcd"}
    assert reference_outline(frames, sketches, "front")[0] == "a"
    assert reference_outline(frames, sketches, "back")[0] == ""

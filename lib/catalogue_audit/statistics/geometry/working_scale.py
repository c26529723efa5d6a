"""Pixels to the centimetre, where a product's true width is supplied."""

import math

import numpy as np
import pandas as pd


def pixels_per_cm(frames, sketches, products):
    """Working scale from the supplied width and the body's own width in straight-on views, pixels of the file."""
    scale = np.full(len(frames), np.nan)
    if products is None or "width_cm" not in products:
        return scale
    known = dict(zip(products["sku"], pd.to_numeric(products["width_cm"], errors="coerce")))
    pixels = pd.to_numeric(frames["width_px"], errors="coerce").to_numpy(dtype=float)
    for position, (file, sku, view) in enumerate(zip(frames["file"], frames["sku"], frames["view"])):
        sides = (sketches.get(file) or {}).get("sides")
        size = known.get(sku, math.nan)
        if view in ("front", "back") and sides is not None and len(sides) and size > 0:
            widest = float(np.percentile(sides[:, 2] - sides[:, 1], 95))
            scale[position] = widest * pixels[position] / size
    return scale

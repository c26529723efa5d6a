"""
The sketch: what pass two may know of a picture without decoding it again.

A sketch is a plain ``dict`` of small NumPy arrays. Every key is optional (a
file that could not be read has an empty sketch); readers ask with ``get``.

========================  ==============================================================
key                       array
========================  ==============================================================
``preview``               (n,) uint8, a JPEG of the picture, sRGB, upright, 640 px on the long side
``thumb``                 (h, w, 3) uint8 sRGB, 128 px on the long side
``mask``                  (h, w) bool, product mask, 256 px on the long side
``outline``               (n, 2) float32, the product's outer contour, fractions of the frame (x, y)
``edges``                 (n, 5) float32, long straight edges: x1, y1, x2, y2 (fractions), strength
``keypoints``             (n, 4) float32, x, y (fractions), size (fraction of the long side), angle (degree)
``descriptors``           (n, k) uint8, one row a key point
``spots``                 (n, 5) float32, x, y (fractions), size_px, contrast (8-bit sRGB, + bright), on product
                          (1: a speck of the product; 0: on the background; -1: on the product, too faint to count)
``backdrop``              (16, 3) float32, CIELAB of the frame's border regions, clockwise from the top left
``tones``                 (19,) float32, log2 luminance of the product, quantiles 5 % to 95 %
``palette``               (k, 4) float32, the product's colours, largest first: CIELAB, share
``patches``               (24, 3) float32, linear sRGB of a colour target, where one was recognised
========================  ==============================================================
"""

import io

import numpy as np


def pack_sketch(sketch):
    """
    Sketch as bytes; equal sketches give equal bytes.

    Parameters
    ----------
    sketch : dict of str to ndarray

    Returns
    -------
    bytes
    """
    buffer = io.BytesIO()
    np.savez_compressed(buffer, **{key: sketch[key] for key in sorted(sketch)})
    return buffer.getvalue()


def unpack_sketch(data):
    """
    Inverse of `pack_sketch`.

    Parameters
    ----------
    data : bytes

    Returns
    -------
    dict of str to ndarray

    Examples
    --------
    >>> unpack_sketch(pack_sketch({"thumb": np.zeros((2, 3, 3), np.uint8)}))["thumb"].shape
    (2, 3, 3)
    """
    with np.load(io.BytesIO(data), allow_pickle=False) as arrays:
        return {key: arrays[key] for key in arrays.files}

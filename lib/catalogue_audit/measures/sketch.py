"""
The sketch: what pass two may know of a picture without decoding it again.

A sketch is a plain ``dict`` of small NumPy arrays. Every key is optional (a
file that could not be read has an empty sketch); readers ask with ``get``.

========================  ==============================================================
key                       array
========================  ==============================================================
``preview``               (n,) uint8, a JPEG of the picture, sRGB, upright, 640 px on the long side
``thumb``                 (h, w, 3) uint8 sRGB, 128 px on the long side
``mask``                  (h, w) bool, product mask, 256 px on the long side; left out, as the next, where the outline is not certain
``outline``               (n, 2) float32, the product's outer contour, fractions of the frame (x, y)
``sides``                 (64, 3) float32, the body's sides: y, left, right (fractions), from the top down
``front_edge``            (5,) float32, the lower front edge: x, y (fractions), slope, its deviation, which way it goes
``corner``                (10,) float32, the nearest lower corner: left end, corner, right end (x, y fractions), two slopes, their deviations
``round_base``            (4,) float32, a base without an edge: x, y of its middle (fractions), tilt there as a slope, its deviation
``upper_edge``            (4,) float32, the body's upper edge: x, y (fractions), slope, its deviation
``straight_on``           (21,) float32, what tells turn and roll of a straight-on view; see `straight_on.for_the_sketch`
``axis``                  (2,) float32, roll by the body's sides or mirror axis and its deviation, degrees
``stand``                 (12,) float32, handles and body; see `handles.STAND`
``strap``                 (18,) float32, evidence of a strap; see `strap.EVIDENCE`
``keypoints``             (n, 4) float32, x, y (fractions), size (fraction of the long side), angle (degree)
``descriptors``           (n, k) uint8, one row a key point
``spots``                 (n, 5) float32, x, y (fractions), size_px, contrast (8-bit sRGB, + bright), on product
                          (1: a speck of the product; 0: on the background; -1: on the product, too faint to count;
                          2: counted as a speck in a crop, though on what its outline leaves for background)
``backdrop``              (16, 3) float32, CIELAB of the frame's border regions, clockwise from the top left
``table``                 (2,) float32, height of a table's edge before a wall at the frame's left and right side (fraction), where one was told
``tones``                 (19,) float32, log2 luminance of the product, quantiles 5 % to 95 %
``palette``               (k, 4) float32, the product's colours, largest first: CIELAB, share
``patches``               (24, 3) float32, linear sRGB of a colour target, where one was recognised
========================  ==============================================================

Packed, a sketch is a line of JSON (key, type, shape and length of each array) and the arrays, planes of
bool as bits and all others as they are, so that a reader takes what it asks for without unpacking. Deflating them
would save one byte in six and cost more than all else that is done with most of them.
"""

import json
import math
from collections.abc import Mapping

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
    head, body = {}, []
    for key in sorted(sketch):
        array = np.ascontiguousarray(sketch[key])
        body.append((np.packbits(array) if array.dtype == bool else array).tobytes())
        head[key] = [array.dtype.str, list(np.shape(sketch[key])), len(body[-1])]
    return json.dumps(head, separators=(",", ":")).encode() + b"\n" + b"".join(body)


def unpack_array(packed, dtype, shape):
    """
    One array of a packed sketch.

    Parameters
    ----------
    packed : bytes-like
    dtype, shape
        As the sketch's first line tells them.

    Returns
    -------
    ndarray
        Its own, to write into.
    """
    if np.dtype(dtype) != bool:
        return np.frombuffer(bytearray(packed), dtype=dtype).reshape(shape)
    return np.unpackbits(np.frombuffer(packed, np.uint8), count=math.prod(shape)).view(bool).reshape(shape)


def unpack_sketch(data):
    """
    Inverse of `pack_sketch`.

    Parameters
    ----------
    data : bytes

    Returns
    -------
    mapping of str to ndarray
        Each array is made when it is first asked for.

    Examples
    --------
    >>> unpack_sketch(pack_sketch({"thumb": np.zeros((2, 3, 3), np.uint8)}))["thumb"].shape
    (2, 3, 3)
    """
    head, _, body = data.partition(b"\n")
    return _Packed(json.loads(head), memoryview(body))


class _Packed(Mapping):
    """A sketch whose arrays are made when they are asked for."""

    def __init__(self, head, body):
        self._arrays = {}
        self._packed = {}
        start = 0
        for key, (dtype, shape, length) in head.items():
            self._packed[key] = (dtype, shape, body[start : start + length])
            start += length

    def __getitem__(self, key):
        if key not in self._arrays:
            dtype, shape, packed = self._packed[key]
            self._arrays[key] = unpack_array(packed, dtype, shape)
        return self._arrays[key]

    def __iter__(self):
        return iter(self._packed)

    def __len__(self):
        return len(self._packed)

"""Small copies of a picture for the sketch."""

import cv2
import numpy as np
import simplejpeg


def shrunk(pixels, long_side):
    """Copy with the given long side, averaged by halves, then interpolated; never enlarged."""
    height, width = pixels.shape[:2]
    scale = long_side / max(height, width)
    if scale >= 1:
        return pixels.copy()
    size = max(1, round(width * scale)), max(1, round(height * scale))
    while pixels.shape[1] >= 2 * size[0] and pixels.shape[0] >= 2 * size[1]:  # means of 2 x 2 have a fast way of their own
        height, width = pixels.shape[0] // 2, pixels.shape[1] // 2
        pixels = cv2.resize(pixels[: 2 * height, : 2 * width], (width, height), interpolation=cv2.INTER_AREA)
    return cv2.resize(pixels, size, interpolation=cv2.INTER_LINEAR)  # by less than two: each pixel still counts


def thumbnail(picture, long_side=128):
    """
    Small sRGB copy.

    Parameters
    ----------
    picture : Picture
    long_side : int
        px.

    Returns
    -------
    (h, w, 3) uint8
    """
    return shrunk(picture.working, long_side)


def preview_jpeg(picture, long_side=640, quality=82):
    """
    JPEG copy (sRGB, 4:2:0) for the report.

    Parameters
    ----------
    picture : Picture
    long_side : int
        px.
    quality : int
        IJG scale.

    Returns
    -------
    (n,) uint8
        The bytes of the file.
    """
    small = np.ascontiguousarray(shrunk(picture.working, long_side))
    data = simplejpeg.encode_jpeg(small, quality=quality, colorspace="RGB", colorsubsampling="420")
    return np.frombuffer(data, np.uint8)

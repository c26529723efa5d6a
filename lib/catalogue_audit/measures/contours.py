"""Sub-pixel edges: coverage of the pixels between product and background, and contours at half coverage."""

import cv2
import numpy as np

# XYZ over the D50 white to linear sRGB (inverse of the ICC.1 / IEC 61966-2-1 matrix, Bradford-adapted).
_LINEAR_FROM_D50 = np.array(
    [
        [3.1338561 * 0.96422, -1.6168667, -0.4906146 * 0.82521],
        [-0.9787684 * 0.96422, 1.9161415, 0.0334540 * 0.82521],
        [0.0719453 * 0.96422, -0.2289914, 1.4052427 * 0.82521],
    ],
    np.float32,
)
WINDOW_PX = 7  # mask pixels; near enough to know the tones on both sides of an edge, wide enough to average noise


def linear_of_lab(lab):
    """Linear sRGB (n, 3) of CIELAB D50 (n, 3); unclipped."""
    fy = (lab[:, 0] + 16) / 116
    f = np.stack([fy + lab[:, 1] / 500, fy, fy - lab[:, 2] / 200], axis=1)
    xyz = np.where(f > 6 / 29, f**3, (116 * f - 16) * (27 / 24389))
    return xyz @ _LINEAR_FROM_D50.T


def _local_mean(lab, where):
    """Mean CIELAB of the chosen pixels about each pixel, and how many there are (fraction of the window)."""
    chosen = where.astype(np.float32)
    count = cv2.boxFilter(chosen, -1, (WINDOW_PX, WINDOW_PX))
    total = cv2.boxFilter(lab * chosen[..., None], -1, (WINDOW_PX, WINDOW_PX))
    return total / np.maximum(count, 1e-4)[..., None], count


def coverage_in_band(picture, small, ground, product):
    """
    Coverage by the product at working size, from the tones on both sides of the edge.

    Parameters
    ----------
    picture : Picture
    small : (m, n, 3) float32
        CIELAB at mask size.
    ground, product : (m, n) bool
        What surely is background, and product; the band between them is divided.

    Returns
    -------
    coverage : (h, w) float32
        0 background, 1 product.
    mask : (h, w) bool
        Coverage above one half.
    contrast : (k,) float32
        CIELAB difference across the edge, at pixels of the band.
    """
    height, width = picture.lab.shape[:2]
    inside, inside_count = _local_mean(small, product)
    outside, outside_count = _local_mean(small, ground)
    level = np.full(ground.shape, 0.5, np.float32)
    level[ground], level[product] = 0.0, 1.0
    level = cv2.blur(level, (3, 3))
    if (height, width) == level.shape:
        coverage = level
    else:
        coverage = cv2.resize(level, (width, height), interpolation=cv2.INTER_LINEAR)
    rough = (coverage > 0.5).astype(np.uint8)
    ring = (cv2.dilate(rough, np.ones((5, 5), np.uint8)) - cv2.erode(rough, np.ones((5, 5), np.uint8))) > 0
    coverage = rough.astype(np.float32)
    rows, columns = np.nonzero(ring)
    small_rows = np.minimum(rows * level.shape[0] // height, level.shape[0] - 1)
    small_columns = np.minimum(columns * level.shape[1] // width, level.shape[1] - 1)
    known = (inside_count[small_rows, small_columns] > 0.01) & (outside_count[small_rows, small_columns] > 0.01)
    rows, columns, small_rows, small_columns = (v[known] for v in (rows, columns, small_rows, small_columns))
    front, back = inside[small_rows, small_columns], outside[small_rows, small_columns]
    coverage[rows, columns] = _coverage(picture.linear[rows, columns], front, back)
    contrast = np.linalg.norm(front - back, axis=1)
    return coverage, coverage > 0.5, contrast


def _coverage(linear, front, back):
    """Share of product in mixed pixels: projection on the line from background to product, linear light."""
    start, end = linear_of_lab(back), linear_of_lab(front)
    line = end - start
    length = np.maximum(np.sum(line * line, axis=1), 1e-6)
    return np.clip(np.sum((linear - start) * line, axis=1) / length, 0, 1).astype(np.float32)


def closed_contours(mask, coverage):
    """
    Closed contours of a mask, moved to where coverage is one half.

    Parameters
    ----------
    mask : (h, w) bool
    coverage : (h, w) float32

    Returns
    -------
    tuple of (n, 2) float32
        Pixels, centres at whole numbers + 0.5; the largest outer contour first,
        gaps after the outer contours.
    """
    found, tree = cv2.findContours(mask.astype(np.uint8), cv2.RETR_CCOMP, cv2.CHAIN_APPROX_NONE)
    if not found:
        return ()
    parts = []
    for points, (_, _, _, parent) in zip(found, tree[0]):
        if len(points) >= 4:
            parts.append((parent >= 0, -abs(cv2.contourArea(points)), points[:, 0]))
    parts.sort(key=lambda part: part[:2])
    field = cv2.blur(coverage, (3, 3))
    gx = cv2.Sobel(field, cv2.CV_32F, 1, 0)
    gy = cv2.Sobel(field, cv2.CV_32F, 0, 1)
    return tuple(_moved(points, mask, coverage, gx, gy) for _, _, points in parts)


def _moved(points, mask, coverage, gx, gy):
    """Contour points moved along the coverage's gradient to the half-coverage crossing."""
    x, y = points[:, 0], points[:, 1]
    direction = np.stack([-gx[y, x], -gy[y, x]], axis=1)  # outwards
    length = np.linalg.norm(direction, axis=1, keepdims=True)
    direction = direction / np.maximum(length, 1e-6)
    centre = points.astype(np.float32)
    reach = np.array([-1.5, -1.0, -0.5, 0.0, 0.5, 1.0, 1.5], np.float32)
    at = centre[:, None] + reach[None, :, None] * direction[:, None]
    height, width = coverage.shape
    profile = cv2.remap(coverage, at[..., 0], at[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    # The area under the profile is robust where the edge is soft: product from -1.5 up to the crossing.
    area = np.sum((profile[:, 1:] + profile[:, :-1]) * 0.25, axis=1)
    shift = np.where(length[:, 0] > 1e-3, np.clip(area - 1.5, -1.0, 1.0), 0.5)
    moved = centre + shift[:, None] * direction + 0.5
    for axis, limit in ((0, width), (1, height)):
        moved[:, axis] = np.where(points[:, axis] <= 0, 0, np.where(points[:, axis] >= limit - 1, limit, moved[:, axis]))
    return moved.astype(np.float32)

"""Folders of JPEG pictures to measure time on, made from the demo delivery; every picture differs from every other."""

import cv2
import numpy as np
import simplejpeg

WEB = (1732, 1386)  # height and width, px: 2.4 megapixels
LARGE = (5477, 4382)  # 24 megapixels
SMALL = (500, 400)  # for many files
QUALITY = {WEB: 88, LARGE: 92, SMALL: 88}
NOISE = {WEB: 1.5, LARGE: 4.0, SMALL: 1.5}  # code values; a web export has averaged its camera's noise
MOST_SHIFT = 12  # px of the source
VIEWS = ("front", "three-quarter", "back", "detail")


def fill_folder(folder, sources, size, count):
    """
    Make pictures where they are not there yet.

    Parameters
    ----------
    folder : Path
    sources : list of Path
        JPEG pictures to start from.
    size : (int, int)
        Height and width, px; one of `QUALITY`.
    count : int

    Returns
    -------
    list of Path
    """
    folder.mkdir(parents=True, exist_ok=True)
    files = [folder / f"BM-{k // len(VIEWS):04d}-BLK_{VIEWS[k % len(VIEWS)]}.jpg" for k in range(count)]
    for k, file in enumerate(files):
        if not file.exists():
            file.write_bytes(_picture(sources[k % len(sources)], size, k))
    return files


def _picture(source, size, seed):
    """JPEG of a source at another size, moved and lit a little otherwise, with noise of its own."""
    random = np.random.default_rng(seed)
    pixels = cv2.imread(str(source), cv2.IMREAD_COLOR_RGB)
    top, left = random.integers(0, 2 * MOST_SHIFT + 1, 2)
    wide = cv2.copyMakeBorder(pixels, *[MOST_SHIFT] * 4, cv2.BORDER_REFLECT)
    pixels = wide[top : top + pixels.shape[0], left : left + pixels.shape[1]]
    pixels = cv2.resize(pixels, size[::-1], interpolation=cv2.INTER_CUBIC)
    noise = np.empty(pixels.shape, np.int8)
    cv2.setRNGSeed(seed + 1)
    cv2.randn(noise, 0, NOISE[size])
    pixels = cv2.add(cv2.convertScaleAbs(pixels, alpha=random.uniform(0.97, 1.0)), noise, dtype=cv2.CV_8U)
    return simplejpeg.encode_jpeg(pixels, QUALITY[size], colorspace="RGB", colorsubsampling="420")

"""
Colour profiles: from the code values of a picture to linear light in one known space.

Profiles made of three curves and a matrix, and grey ones made of one curve,
are computed here in floating point, from the tags of ICC.1:2010 (8-bit
transforms would round twice). Profiles with tables go through littleCMS.
"""

import io
from functools import lru_cache
from typing import NamedTuple

import numpy as np
from PIL import Image, ImageCms

from catalogue_audit.metadata import icc
from catalogue_audit.pixels.colour import XYZ_TO_LINEAR, lab_from_linear, srgb_decode

SRGB_CURVE = srgb_decode(np.arange(256) / 255).astype(np.float32)

# CIELAB; a profile nearer than this over the whole cube is sRGB written with rounded numbers.
SAME_AS_SRGB = 0.25

_IDENTITY_MATRIX = np.eye(3)
_MIDDLE = 0.001  # of white; a middle code's light under a power of 10, where devices have 1 to 3
_RIPPLE = 0.01  # of white; by so much a measured device's curve may fall
_STRIP = 256  # rows converted at a time, so that copies stay small


class Model(NamedTuple):
    """
    How code values become linear light.

    Attributes
    ----------
    curves : (256, 3) float32 or None
        Linear light of the device for each code and channel; None where `table` does the work.
    matrix : (3, 3) float64
        Device light to linear sRGB.
    table : ImageCms transform or None
        8-bit transform to sRGB.
    identity : bool
        The codes are sRGB codes.
    note : str
        What was wrong with the profile.
    """

    curves: np.ndarray | None
    matrix: np.ndarray
    table: object
    identity: bool
    note: str = ""


def _plain(note=""):
    return Model(np.repeat(SRGB_CURVE[:, None], 3, 1), _IDENTITY_MATRIX, None, True, note)


@lru_cache(maxsize=16)
def model_for(profile, space):
    """
    Model of an embedded profile.

    Parameters
    ----------
    profile : bytes or None
    space : str
        What the pixels are: 'RGB', 'GRAY' or 'CMYK'.

    Returns
    -------
    Model
        sRGB, with a note, where the profile is damaged or of another kind
        than the pixels; sRGB without a note where there is none.
    """
    if profile is None:
        return _plain()
    try:
        opened = icc.open_profile(profile)
    except ValueError:
        return _plain("the embedded colour profile is damaged; colours are read as sRGB")
    if opened.space != space or opened.device_class not in ("mntr", "scnr", "prtr", "spac"):
        return _plain(
            "the embedded colour profile is not one for this kind of picture; colours are read as sRGB"
        )
    try:
        return _matrix_model(opened) or _table_model(profile, space)
    except (ValueError, OSError, ImageCms.PyCMSError, np.linalg.LinAlgError, IndexError):
        return _plain("the embedded colour profile cannot be used; colours are read as sRGB")


def _matrix_model(opened):
    tags = opened.tags
    if any(name in tags for name in ("A2B0", "A2B1", "D2B0", "D2B1")):
        return None
    codes = np.arange(256) / 255
    if opened.space == "GRAY":
        curve = curve_of(tags["kTRC"], codes) if "kTRC" in tags else None
        if curve is None:
            return None
        curves, matrix = np.repeat(curve[:, None], 3, 1), _IDENTITY_MATRIX
    elif {"rXYZ", "gXYZ", "bXYZ", "rTRC", "gTRC", "bTRC"} <= tags.keys() and opened.pcs == "XYZ":
        curves = np.stack([curve_of(tags[name], codes) for name in ("rTRC", "gTRC", "bTRC")], 1)
        columns = np.stack([_xyz(tags[name]) for name in ("rXYZ", "gXYZ", "bXYZ")], 1)
        matrix = XYZ_TO_LINEAR @ columns
        if abs(np.linalg.det(columns)) < 1e-6:
            raise ValueError("the primaries lie on one line")
        if not 0.5 < columns[1].sum() < 2:  # luminance of white, by definition 1
            raise ValueError("the primaries give no white")
    else:
        return None
    if not np.isfinite(curves).all() or (curves < np.maximum.accumulate(curves) - _RIPPLE).any() or (curves[-1] - curves[0] < 0.5).any() or (curves[128] < _MIDDLE).any():
        raise ValueError("a tone curve falls, or does not rise as any device does")
    identity = _same_as_srgb(curves, matrix)
    return _plain() if identity else Model(curves.astype(np.float32), matrix, None, False)


def _xyz(tag):
    return np.frombuffer(tag[8:20], ">i4") / 65536


def curve_of(tag, values):
    """
    A tone curve ('curv' or 'para', ICC.1:2010 10.5 and 10.16) at ``values``.

    Parameters
    ----------
    tag : bytes
    values : (n,) ndarray, 0 to 1

    Returns
    -------
    (n,) ndarray, 0 to 1

    Raises
    ------
    ValueError
        If the tag is neither, or cut short.
    """
    kind, count = tag[:4], int.from_bytes(tag[8:12], "big")
    if kind == b"curv":
        entries = np.frombuffer(tag[12 : 12 + 2 * count], ">u2")
        if len(entries) < count or count > 65536:
            raise ValueError("a tone curve is cut short")
        if count == 0:
            return values.copy()
        if count == 1:
            return values ** (entries[0] / 256)
        return np.interp(values, np.linspace(0, 1, count), entries / 65535)
    if kind == b"para":
        return np.clip(_parametric(tag, values), 0, 1)
    raise ValueError("unknown kind of tone curve")


def _parametric(tag, x):
    kind = int.from_bytes(tag[8:10], "big")
    counts = (1, 3, 4, 5, 7)
    if kind >= len(counts) or len(tag) < 12 + 4 * counts[kind]:
        raise ValueError("a tone curve is cut short")
    numbers = np.frombuffer(tag[12 : 12 + 4 * counts[kind]], ">i4") / 65536
    g, a, b, c, d, e, f = (*numbers, *[0.0] * (7 - len(numbers)))
    if kind == 0:
        return x**g
    if kind < 3:
        if a == 0:
            raise ValueError("a tone curve has no slope")
        d, c, f, e = -b / a, 0.0, c, c  # y = (a x + b)^g + c above -b/a, c below
    power = np.maximum(a * x + b, 0) ** g + (e if kind == 4 else (f if kind in (1, 2) else 0))
    return np.where(x >= d, power, c * x + f)


def _same_as_srgb(curves, matrix):
    grid = np.linspace(0, 255, 9).round().astype(int)
    codes = np.stack(np.meshgrid(grid, grid, grid), -1).reshape(-1, 3)
    seen = np.stack([curves[codes[:, channel], channel] for channel in range(3)], 1) @ matrix.T
    difference = lab_from_linear(seen) - lab_from_linear(SRGB_CURVE[codes])
    return bool(np.sqrt((difference**2).sum(1)).max() < SAME_AS_SRGB)


def _table_model(profile, space):
    """Relative colorimetric with black-point compensation, as programs of the trade convert by default."""
    source = ImageCms.ImageCmsProfile(io.BytesIO(profile))
    mode = {"GRAY": "L"}.get(space, space)
    transform = ImageCms.buildTransform(
        source,
        ImageCms.createProfile("sRGB"),
        mode,
        "RGB",
        ImageCms.Intent.RELATIVE_COLORIMETRIC,
        ImageCms.Flags.BLACKPOINTCOMPENSATION,
    )
    return Model(None, _IDENTITY_MATRIX, transform, False)


def through_table(model, codes):
    """
    Code values through littleCMS to sRGB codes.

    Parameters
    ----------
    model : Model
        With a `table`.
    codes : (h, w, 3 or 4) or (h, w) uint8

    Returns
    -------
    (h, w, 3) uint8
    """
    mode = {2: "L"}.get(codes.ndim) or {3: "RGB", 4: "CMYK"}[codes.shape[2]]
    picture = Image.frombytes(mode, codes.shape[1::-1], np.ascontiguousarray(codes).tobytes())
    return np.asarray(ImageCms.applyTransform(picture, model.table))


def cmyk_to_rgb(codes, profile):
    """
    CMYK to RGB at full size.

    Parameters
    ----------
    codes : (H, W, 4) uint8
        Ink, 255 = full.
    profile : bytes or None

    Returns
    -------
    codes : (H, W, 3) uint8
        sRGB.
    profile : (None, 'RGB')
        The result needs no further one.
    note : str
    """
    model = model_for(profile, "CMYK")
    rgb = np.empty((*codes.shape[:2], 3), np.uint8)
    for top in range(0, len(codes), _STRIP):
        strip = codes[top : top + _STRIP]
        rgb[top : top + _STRIP] = through_table(model, strip) if model.table is not None else _plain_rgb(strip)
    if model.table is not None:
        return rgb, (None, "RGB"), "the picture is CMYK; it was converted to sRGB through its profile"
    note = "the picture is CMYK without a usable profile, so its colours are a guess: ask for an sRGB export"
    return rgb, (None, "RGB"), note


def _plain_rgb(inks):
    """Each ink takes its share of the light: (1 - ink)(1 - black)."""
    ink, black = inks[..., :3].astype(np.uint16), inks[..., 3:].astype(np.uint16)
    return (((255 - ink) * (255 - black) + 127) // 255).astype(np.uint8)

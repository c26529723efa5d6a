"""Bytes to upright pictures: the only decoder, one decode a file."""

import io
import warnings

import cv2
import numpy as np
import simplejpeg
from PIL import Image

from catalogue_audit.errors import UnreadablePicture
from catalogue_audit.metadata import jpeg, tiff
from catalogue_audit.pixels import png_file
from catalogue_audit.pixels.damage import coding_step
from catalogue_audit.pixels.picture import Picture
from catalogue_audit.pixels.working import LONGEST_GREY, reduce_and_convert, reduced

_EOI = b"\xff\xd9"
_DAMAGED, _CUT_SHORT = png_file.DAMAGED, png_file.CUT_SHORT
# Above this long side (px) colour is looked at in means of 4 x 4 pixels or more, which smooth chroma between its samples hardly changes.
QUICK_CHROMA_FROM = 2 * LONGEST_GREY

LARGE = 4  # times reduced; from there means show all but one in forty of the steps that pixels show, in smaller pictures all but one in six

_UNKNOWN_TRANSFORM = "the file names its colour coding in a way that no standard knows; it was read as other programs read it: look at its colours"
_SHIFTED = (
    "the tone shifts in the middle of a row, as damage to a file leaves it: look at the picture, "
    "and ask for the file again if part of it is wrong"
)


def decode(data, container, orientation=1, buffer=None):
    """
    Decode one file, once.

    Parameters
    ----------
    data : bytes
        The whole file.
    container : dict
        Of the same bytes, from `metadata.container.read_container`, which has
        held the declared size against the limits.
    orientation : int or None
        Exif orientation 1 to 8, applied to every array; anything else is 1.
        HEIC carries its own, which its decoder has applied: pass 1.
    buffer : writable buffer, optional
        Memory for the full-resolution picture of an ordinary JPEG, at least
        height x width x 3 bytes; ignored where it is too small. Reusing one
        saves a tenth of the decode. The picture is then valid until the next
        use of the buffer.

    Returns
    -------
    Picture

    Raises
    ------
    UnreadablePicture
        If any part of the picture is missing or damaged as far as the format
        can prove it, or its kind of pixels is none that is read here.

    Notes
    -----
    A JPEG carries no checksum. Cut-short files, and most overwritten ones, are
    proven by the decoder running out of step; `pixels.damage` notes some more.
    What remains unseen: an overwrite that keeps the number of coded blocks and
    shifts none of the blocks after it. Of 512 bytes overwritten, none (random),
    9 % (zeros) and 6 % (text) remained, of 16 bytes 25 to 37 %. A TIFF has no
    checksum either and proves less. See `tests/test_pixels_damage.py`.
    """
    read = _jpeg if container["format"] == "JPEG" else _other
    try:
        codes, alpha, profile, reasons = read(data, container, buffer)
    except UnreadablePicture:
        raise
    except MemoryError as error:
        raise UnreadablePicture("the picture is too large for this computer's memory: ask for a smaller export") from error
    except Exception as error:  # noqa: BLE001 - decoders let anything escape on damaged files
        raise UnreadablePicture(_DAMAGED) from error
    if container["frames"] > 1:
        reasons += (f"the file holds {container['frames']} pictures; the first one was measured",)
    if alpha is not None:
        codes = on_white(codes, alpha)
    fine, grey_reduction = reduced(codes, LONGEST_GREY)
    if container["coded_block"] and _is_shifted(codes, fine, grey_reduction, container["coded_block"]):
        reasons += (_SHIFTED,)
    working, light, reduction, grey, note = reduce_and_convert(codes, fine, grey_reduction, profile)
    if note:
        reasons += (note,)
    if codes.ndim == 2:
        codes = cv2.cvtColor(codes, cv2.COLOR_GRAY2RGB)
    turn = orientation if orientation in _TURNS else 1
    codes, alpha, working, light, grey = (upright(array, turn) for array in (codes, alpha, working, light, grey))
    return Picture(codes, alpha, working, light, reduction, grey, grey_reduction, tuple(reasons))


def on_white(codes, alpha):
    """
    Transparent pixels composited on white, in code values as browsers do.

    Parameters
    ----------
    codes : (H, W, 3) or (H, W) uint8
    alpha : (H, W) uint8

    Returns
    -------
    uint8 array like ``codes``

    Examples
    --------
    >>> on_white(np.zeros((1, 2), np.uint8), np.array([[0, 255]], np.uint8)).tolist()
    [[255, 0]]
    """
    weight = alpha if codes.ndim == 2 else cv2.merge([alpha] * 3)
    clear = cv2.bitwise_not(weight)
    return cv2.add(cv2.multiply(codes, weight, scale=1 / 255), clear)


# Orientation: numbers of Exif (CIPA DC-008 4.6.4 A) -> what OpenCV does, a mirror then a turn.
_TURNS = {
    1: (None, None),
    2: (1, None),
    3: (None, cv2.ROTATE_180),
    4: (0, None),
    5: (1, cv2.ROTATE_90_COUNTERCLOCKWISE),
    6: (None, cv2.ROTATE_90_CLOCKWISE),
    7: (1, cv2.ROTATE_90_CLOCKWISE),
    8: (None, cv2.ROTATE_90_COUNTERCLOCKWISE),
}


def upright(array, orientation):
    """
    Array turned as the Exif orientation asks.

    Examples
    --------
    >>> upright(np.array([[1, 2, 3], [4, 5, 6]], np.uint8), 6).tolist()
    [[4, 1], [5, 2], [6, 3]]
    """
    if array is None or orientation == 1:
        return array
    mirror, turn = _TURNS[orientation]
    if mirror is not None:
        array = cv2.flip(array, mirror)
    return array if turn is None else cv2.rotate(array, turn)


# -- JPEG ------------------------------------------------------------------------------------------


def _jpeg(data, container, buffer):
    reasons = ()
    if container["cut_between_scans"]:
        raise UnreadablePicture(_CUT_SHORT)
    if not container["complete"]:
        data = data.rstrip(b"\xff") + _EOI
        reasons = ("the JPEG lacks its end marker, but every pixel is there",)
    channels = container["components"]
    if container["colour_transform"] not in (None, *jpeg.TRANSFORMS.get(channels, range(256))):
        data = jpeg.with_known_transform(data, jpeg.read_header(data), channels)
        reasons += (_UNKNOWN_TRANSFORM,)
    space = "CMYK" if channels == 4 else "RGB"
    codes = _jpeg_codes(data, container, space, buffer)
    if space == "CMYK":
        codes, profile, note = _from_cmyk(codes, container)
        return codes, None, profile, (*reasons, note)
    return codes, None, (container["icc"], "GRAY" if channels == 1 else "RGB"), reasons


def _is_shifted(codes, fine, reduction, block):
    """Whether a picture shows a damaged JPEG's step: where it is large in its means of pixels, for a quarter of the time."""
    small = tuple(side // reduction for side in block)
    return coding_step(fine, small) if reduction >= LARGE and min(small) > 1 else coding_step(codes, block)


def _jpeg_codes(data, container, space, buffer):
    size = container["width_px"] * container["height_px"] * len(space)
    if buffer is not None and (space != "RGB" or memoryview(buffer).nbytes < size):
        buffer = None
    if container["junk"] or container["icc"] == b"":  # a decoder takes chunks of a profile that do not fit together for damaged pixels
        data = jpeg.without_junk(data, jpeg.read_header(data))
    large = max(container["width_px"], container["height_px"]) > QUICK_CHROMA_FROM
    try:
        return simplejpeg.decode_jpeg(data, space, fastupsample=large, buffer=buffer, strict=True)
    except ValueError as error:
        raise UnreadablePicture(_DAMAGED if container["complete"] else _CUT_SHORT) from error


def _from_cmyk(codes, container):
    """CMYK to RGB at full size; Adobe programs store it inverted."""
    from catalogue_audit.pixels.profiles import cmyk_to_rgb

    if container["colour_transform"] is not None:
        codes = cv2.bitwise_not(codes)
    return cmyk_to_rgb(codes, container["icc"])


# -- PNG, TIFF, WebP, HEIC -------------------------------------------------------------------------


def _other(data, container, buffer):
    if container["not_read"]:
        raise UnreadablePicture(f"its pixels are of a kind that is not read here ({container['not_read']}): ask for an 8-bit RGB export")
    notes = ()
    if container["format"] == "PNG":
        data, notes = png_file.whole(data)
    if container["bit_depth"] > 8 and container["format"] in ("PNG", "TIFF"):
        return *_deep(data, container), notes
    picture = _open_heic(data) if container["format"] == "HEIC" else _open(data, container["format"])
    codes, alpha, profile, more = _from_pillow(picture, container)
    if (level := _clear_grey(data, container)) is not None:
        alpha = _alpha(np.where(codes == level * 255 // ((1 << container["bit_depth"]) - 1), 0, 255).astype(np.uint8))
    return codes, alpha, profile, notes + more


def _clear_grey(data, container):
    """Of a grey PNG the sample value that is transparent: Pillow knows it of 8 bits only, and OpenCV of none."""
    return png_file.clear_grey(data) if container["format"] == "PNG" else None


def _open(data, format):  # noqa: A002
    if format == "TIFF":
        data = tiff.as_stored(data)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # odd metadata is no concern here, and size has been checked
        picture = Image.open(io.BytesIO(data), formats=[format.upper()])
        picture.load()
    if format == "PNG":
        width, height = picture.size
        png_file.check_rows(data, np.asarray(picture.crop((0, max(height - 2, 0), width, height))))
        if picture.mode == "P" and picture.getextrema()[1] >= png_file.palette_size(data):
            raise UnreadablePicture(_DAMAGED)  # colours that the palette does not hold (11.2.2)
    return picture


def _open_heic(data):
    import pi_heif  # costs 40 ms and most deliveries hold none

    return pi_heif.open_heif(data, convert_hdr_to_8bit=True).to_pillow()


def _from_pillow(picture, container):
    icc = container["icc"]
    if picture.mode == "CMYK":
        codes, profile, note = _from_cmyk(np.asarray(picture), container | {"colour_transform": None})
        return codes, None, profile, (note,)
    if picture.mode in ("1", "L"):
        return np.array(picture.convert("L")), None, (icc, "GRAY"), ()
    if picture.mode in ("LA", "La"):
        grey = np.array(picture.convert("LA"))
        return np.ascontiguousarray(grey[..., 0]), _alpha(grey[..., 1]), (icc, "GRAY"), ()
    if picture.mode in ("RGBA", "RGBa", "PA") or "transparency" in picture.info:
        colour = np.array(picture.convert("RGBA"))
        return cv2.cvtColor(colour, cv2.COLOR_RGBA2RGB), _alpha(colour[..., 3]), (icc, "RGB"), ()
    if picture.mode == "RGB":
        return np.array(picture), None, (icc, "RGB"), ()
    if picture.mode in ("RGBX", "P", "YCbCr"):
        return np.array(picture.convert("RGB")), None, (icc, "RGB"), ()
    raise UnreadablePicture(f"its pixels are of a kind that is not read here ({picture.mode}): ask for an RGB export")


def _alpha(channel):
    """Coverage, or None where nothing is transparent."""
    return None if channel.min() == 255 else np.ascontiguousarray(channel)


def _deep(data, container):
    """16 bits a channel, scaled to 8 by rounding (Pillow would cut the low byte or clip): codes, alpha and profile."""
    if container["format"] == "TIFF":
        data = tiff.as_stored(data)
    loud = cv2.utils.logging.getLogLevel()
    cv2.utils.logging.setLogLevel(cv2.utils.logging.LOG_LEVEL_SILENT)  # damage becomes a reason, not terminal output
    try:
        codes = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_UNCHANGED)
    finally:
        cv2.utils.logging.setLogLevel(loud)
    if codes is None:
        raise UnreadablePicture(_DAMAGED)
    if codes.dtype not in (np.uint8, np.uint16):
        raise UnreadablePicture("its pixels are of a kind that is not read here: ask for an 8-bit RGB export")
    level = _clear_grey(data, container)
    clear = None if level is None or codes.ndim > 2 else codes == level
    if codes.dtype == np.uint16:
        codes = cv2.convertScaleAbs(codes, alpha=1 / 257)
    if container["white_is_zero"]:
        codes = cv2.bitwise_not(codes)
    icc = container["icc"]
    if codes.ndim == 2:
        alpha = None if clear is None else _alpha(np.where(clear, 0, 255).astype(np.uint8))
        return codes, alpha, (icc, "GRAY")
    if codes.shape[2] == 4 and (container["has_alpha"] or container["format"] == "PNG"):
        if container["premultiplied"]:
            codes[..., :3] = cv2.divide(codes[..., :3], cv2.merge([codes[..., 3]] * 3), scale=255)
        return cv2.cvtColor(codes, cv2.COLOR_BGRA2RGB), _alpha(codes[..., 3]), (icc, "RGB")
    order = cv2.COLOR_BGRA2RGB if codes.shape[2] == 4 else cv2.COLOR_BGR2RGB  # a fourth channel that is no transparency is left out
    return cv2.cvtColor(codes, order), None, (icc, "RGB")

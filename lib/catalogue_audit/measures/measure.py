"""
Pass one: the bytes of one file to its facts and its sketch.

Nothing here knows the view, the brief's tolerances or any other file, so the
result may be kept for ever under the content's hash and the measures' version.
"""

import hashlib
import math
from typing import NamedTuple

import cv2
import numpy as np

from catalogue_audit import schema
from catalogue_audit.errors import UnreadablePicture
from catalogue_audit.measures.features import feature_sketch
from catalogue_audit.measures.geometry.handles import handles_facts
from catalogue_audit.measures.geometry.roll import roll_facts
from catalogue_audit.measures.geometry.strap import strap_facts
from catalogue_audit.measures.geometry.turn import turn_facts
from catalogue_audit.measures.hashing import hash_text, phash64
from catalogue_audit.measures.photometry.background import background_facts
from catalogue_audit.measures.photometry.light import product_light_facts
from catalogue_audit.measures.photometry.target import target_facts
from catalogue_audit.measures.segmentation.backdrop import fit_backdrop
from catalogue_audit.measures.segmentation.cutout import cutout_facts
from catalogue_audit.measures.segmentation.framing import framing_facts
from catalogue_audit.measures.segmentation.outline import find_outline
from catalogue_audit.measures.surface.noise import noise_facts
from catalogue_audit.measures.surface.sharpness import sharpness_facts
from catalogue_audit.measures.surface.specks import speck_facts
from catalogue_audit.metadata.container import read_container
from catalogue_audit.metadata.exif import read_exif
from catalogue_audit.metadata.rights import read_rights
from catalogue_audit.pixels.decode import decode
from catalogue_audit.pixels.encode import preview_jpeg, thumbnail

_DIGITS = {column.name: column.digits for column in schema.FRAME_COLUMNS if column.type == "number"}
_COLUMNS = {column.name for column in schema.FRAME_COLUMNS}
_INTEGERS = {column.name for column in schema.FRAME_COLUMNS if column.type == "integer"}
_STEP_NAMES = {
    "_hash_facts": "perceptual hash",
    "framing_facts": "framing",
    "roll_facts": "roll",
    "turn_facts": "turn",
    "handles_facts": "handles",
    "strap_facts": "strap",
    "background_facts": "background",
    "product_light_facts": "product's light and colour",
    "cutout_facts": "cut-out edge",
    "sharpness_facts": "sharpness",
    "noise_facts": "noise",
    "speck_facts": "specks",
    "target_facts": "colour target",
    "feature_sketch": "key points",
}


SMALLEST_SIDE = 16  # px; with less there is no border to tell a background from
TOO_SMALL = "the picture has only {width_px} x {height_px} pixels, too few to measure anything: ask for it in full size"


class Limits(NamedTuple):
    """What one file may cost: `max_pixels` as declared in its header, before decoding."""

    max_pixels: int = 300_000_000


def measure_bytes(data, limits=Limits(), content=None):
    """
    Facts and sketch of one file.

    Parameters
    ----------
    data : bytes
        The whole file.
    limits : Limits
    content : str, optional
        SHA-256 of ``data`` in hexadecimal digits, where it is known already.

    Returns
    -------
    facts : dict
        Values of `schema.FRAME_COLUMNS` by name, rounded; ``status`` is
        'measured', 'measured_with_note' or 'not_measured'; ``reasons`` is a
        tuple of sentences. What is unknown is left out.
    sketch : dict of str to ndarray
        See `measures.sketch`; empty where nothing was decoded.
    """
    facts = {"bytes": len(data), "sha256": content or hashlib.sha256(data).hexdigest()}
    reasons = []
    sketch = {}
    try:
        container = read_container(data, limits.max_pixels)
        columns = _COLUMNS & container.keys()
        _merge(facts, reasons, {name: container[name] for name in columns} | {"reasons": container.get("reasons", ())})
        exif = read_exif(data, container["format"], (container["width_px"], container["height_px"]))
        _merge(facts, reasons, exif)
        _merge(facts, reasons, read_rights(data, container["format"]))
        noted = bool(reasons)  # about the file itself; that a measure does not apply is no note on the file
        picture = decode(data, container, facts.get("orientation") or 1)
        reasons.extend(picture.notes)
        facts["height_px"], facts["width_px"] = picture.encoded.shape[:2]
        if min(picture.encoded.shape[:2]) < SMALLEST_SIDE:
            raise UnreadablePicture(TOO_SMALL.format(**facts))
        measured, sketch = measure_picture(picture, facts | {"quantisation": container.get("quantisation")})
        _merge(facts, reasons, measured)
        facts["status"] = "measured_with_note" if noted or picture.notes else "measured"
    except UnreadablePicture as problem:
        facts["status"] = "not_measured"
        reasons = [str(problem)]
    facts["reasons"] = tuple(dict.fromkeys(reasons))
    return rounded(facts), sketch


def measure_picture(picture, facts):
    """
    Every measure of one decoded picture, each guarded from the others.

    Parameters
    ----------
    picture : Picture
    facts : dict
        What the metadata said; only the focal length and the quantisation tables are used.

    Returns
    -------
    measured : dict
        Facts; ``reasons`` lists what could not be measured and why.
    sketch : dict of str to ndarray
    """
    backdrop = fit_backdrop(picture)
    outline = find_outline(picture, backdrop)
    measured = {}
    reasons = []
    sketch = {"preview": preview_jpeg(picture), "thumb": thumbnail(picture)}
    steps = (
        (_hash_facts, (picture,)),
        (framing_facts, (outline, picture.working.shape[:2])),
        (roll_facts, (picture, outline, facts.get("focal_length_35mm"))),
        (turn_facts, (picture, outline, facts.get("focal_length_35mm"))),
        (handles_facts, (picture, outline, facts.get("focal_length_35mm"))),
        (strap_facts, (picture, outline)),
        (background_facts, (picture, backdrop, outline)),
        (product_light_facts, (picture, outline)),
        (cutout_facts, (picture, backdrop, outline)),
        (sharpness_facts, (picture, outline)),
        (noise_facts, (picture, backdrop, outline, facts.get("quantisation"))),
        (speck_facts, (picture, outline)),
        (target_facts, (picture,)),
        (feature_sketch, (picture, outline)),
    )
    for step, arguments in steps:
        try:
            found = step(*arguments)
        except (ArithmeticError, IndexError, ValueError, np.linalg.LinAlgError, cv2.error):
            reasons.append(f"the {_STEP_NAMES[step.__name__]} could not be measured")
            continue
        sketch.update(found.pop("sketch", {}))
        sketch.update(found.pop("sketch", {}))
        sketch.update((key, found.pop(key)) for key in list(found) if isinstance(found[key], np.ndarray))
        _merge(measured, reasons, found)
    measured["reasons"] = tuple(reasons)
    return measured, sketch


def rounded(facts):
    """
    Facts with every number rounded as the schema says, and NaN and infinity left out.

    Examples
    --------
    >>> rounded({"roll_deg": 0.12345, "yaw_deg": float("nan")})
    {'roll_deg': 0.123}
    """
    result = {}
    for name, value in facts.items():
        if value is None or (isinstance(value, (float, np.floating)) and not math.isfinite(value)):
            continue
        if name in _DIGITS:
            value = round(float(value), _DIGITS[name]) + 0.0  # + 0.0 makes -0.0 zero
        elif name in _INTEGERS:
            value = int(value)
        elif isinstance(value, (np.floating, np.integer, np.bool_)):
            value = value.item()
        result[name] = value
    return result


def _merge(facts, reasons, found):
    """Add `found` to `facts`, its reasons to `reasons`."""
    reasons.extend(found.get("reasons", ()))
    facts.update((key, value) for key, value in found.items() if key != "reasons" and value is not None)


def _hash_facts(picture):
    value = phash64(picture.grey)
    if value is None:
        return {"reasons": ("the picture is nearly flat, so it has no perceptual hash",)}
    return {"phash": hash_text(value)}

"""
Pictures beside the page: thumbnails, evidence, before and after. From sketches only.

Files are named by the row of their table, never by the supplier's name.
"""

import numpy as np
from PIL import Image

from catalogue_audit.findings.corrections import apply_correction
from catalogue_audit.report import look
from catalogue_audit.report.actions import reference_of, reference_pictures
from catalogue_audit.report.drawing import beside, decode_preview, fitted, jpeg_bytes, outline_points, stroke, with_band
from catalogue_audit.report.evidence import Scene, evidence_picture
from catalogue_audit.report.picture_names import FOLDER, correction_name, evidence_name, placing_name, thumb_name
from catalogue_audit.report.wording import is_missing, plain_text, view_title

THUMB_SIDE = 220  # px
PLACING_SIDE = 420  # px
THUMB_QUALITY = 78
STRIP_HEIGHT = 250  # px, pictures of a product in a row
STRIP_LIMIT = 5
CORRECTED_HEIGHT = 400  # px, pictures before and after a correction
DUPLICATES = ("exact_duplicate", "near_duplicate")
SAME_PRODUCT = ("product_colour", "wrong_product", "wrong_detail")  # compared with the product's own pictures


def write_pictures(audit, folder):
    """
    Write every picture of the report into ``<folder>/pictures``.

    Parameters
    ----------
    audit : Audit
        With sketches.
    folder : Path
        The report folder.

    Returns
    -------
    dict of str to (int, int)
        Name → width and height, px, so that the page can keep the room free.
    """
    target = folder / FOLDER
    target.mkdir(parents=True, exist_ok=True)
    sizes = {}
    for name, picture, quality in _all_pictures(audit):
        (target / name).write_bytes(jpeg_bytes(picture, quality))
        sizes[name] = picture.size
    return sizes


def _all_pictures(audit):
    frames = {row["file"]: row for row in audit.frames.to_dict("records")}
    references = reference_pictures(audit.frames, audit.findings)
    for row, file in enumerate(audit.frames["file"]):
        picture = decode_preview(audit.sketches.get(file), THUMB_SIDE)
        if picture is not None:
            yield thumb_name(row), fitted(picture, THUMB_SIDE, THUMB_SIDE), THUMB_QUALITY
    marks = {key: part.to_dict("records") for key, part in audit.marks.groupby(["file", "check"], sort=False)}
    for row, finding in enumerate(audit.findings.to_dict("records")):
        yield evidence_name(row), finding_picture(audit, finding, frames, references, marks), 84
    yield from _corrected_pictures(audit)
    yield from _placing_pictures(audit, references)


def _placing_pictures(audit, references):
    """References with their outline and the middle of the frame, to place the next product alike."""
    rows = {file: row for row, file in enumerate(audit.frames["file"])}
    for file in sorted(set(references.values())):
        sketch = audit.sketches.get(file) or {}
        picture = decode_preview(sketch)
        outline = None if picture is None else outline_points(sketch.get("outline"), picture.size)
        if outline is None:
            continue
        width, height = picture.size
        for line in ([(width / 2, 0), (width / 2, height)], [(0, height / 2), (width, height / 2)]):
            stroke(picture, line, look.QUIET, line=1)
        stroke(picture, outline, look.REFERENCE, broken=True, closed=True)
        yield placing_name(rows[file]), fitted(picture, PLACING_SIDE, PLACING_SIDE), 84


def finding_picture(audit, finding, frames, references, marks):
    """
    Evidence picture of one finding, also where it concerns no single file.

    Parameters
    ----------
    audit : Audit
    finding : dict
    frames : dict of file to row
    references : dict
        As `actions.reference_pictures` gives.
    marks : dict of (file, check) to list of rows

    Returns
    -------
    PIL.Image.Image
    """
    file = finding["file"]
    if is_missing(file):
        return _without_file(audit, finding, frames, references)
    frame = frames.get(file, {})
    other, words = _compared_with(audit, finding, frame, frames, references)
    return evidence_picture(
        Scene(
            finding=finding,
            frame=frame,
            sketch=audit.sketches.get(file) or {},
            marks=marks.get((file, finding["check"]), []),
            reference_frame=frames.get(other, {}),
            reference_sketch=(audit.sketches.get(other) or {}) if other else {},
            reference_words=words,
        )
    )


def _compared_with(audit, finding, frame, frames, references):
    """The file a picture is shown against, and what to call it."""
    file, check, sku = finding["file"], finding["check"], finding.get("sku")
    if check in DUPLICATES:
        other = _duplicate_of(audit, file, frame, frames)
        if other:
            return other, plain_text(other, 60)
    if check in SAME_PRODUCT and not is_missing(sku):
        mine = [name for name, row in frames.items() if row.get("sku") == sku and name != file and row.get("status") != "not_measured"]
        mine.sort(key=lambda name: (frames[name].get("view") != "front", name))
        if mine:
            return mine[0], f"{plain_text(sku, 40)}, {view_title(frames[mine[0]].get('view'))}"
    other = reference_of(references, finding.get("view"), frame.get("style"), file)
    return other, f"reference: {plain_text(frames[other].get('sku'), 40)}" if other else ""


def _duplicate_of(audit, file, frame, frames):
    pairs = audit.pairs
    if {"file", "other"} <= set(pairs.columns):
        for here, there in zip(pairs["file"], pairs["other"], strict=True):
            if file in (here, there):
                return there if here == file else here
    group = frame.get("duplicate_group")
    if is_missing(group):
        return None
    return next((name for name, row in frames.items() if name != file and not is_missing(row.get("duplicate_group")) and row["duplicate_group"] == group), None)


def _without_file(audit, finding, frames, references):
    """A product's pictures with a hole for the missing view, or some pictures of the delivery."""
    sku, view = finding.get("sku"), finding.get("view")
    if is_missing(sku):
        files = [name for name, row in frames.items() if is_missing(view) or row.get("view") == view][:STRIP_LIMIT]
        shown = [(decode_preview(audit.sketches.get(name)), plain_text(frames[name].get("sku"), 30)) for name in files]
        shown = [(picture, words) for picture, words in shown if picture is not None] or [(None, "nothing to show")]
    else:
        files = [name for name, row in frames.items() if row.get("sku") == sku][: STRIP_LIMIT - 1]
        shown = [(decode_preview(audit.sketches.get(name)), view_title(frames[name].get("view"))) for name in files]
        shown = [pair for pair in shown if pair[0] is not None]
        shown.append((None, f"missing: {view_title(view)}"))
        other = reference_of(references, view)
        if other:
            shown.append((decode_preview(audit.sketches.get(other)), f"how it should look: {plain_text(frames[other].get('sku'), 30)}"))
    strip = beside([picture for picture, _ in shown], [words for _, words in shown], height=STRIP_HEIGHT)
    return with_band(strip, plain_text(finding.get("note")))


def _corrected_pictures(audit):
    """Before and after, for every correction that the preview can show."""
    if not len(audit.corrections):
        return
    for row, correction in enumerate(audit.corrections.to_dict("records")):
        before = decode_preview(audit.sketches.get(correction["file"]))
        if before is None:
            continue
        before = fitted(before, before.width, CORRECTED_HEIGHT)
        after = Image.fromarray(apply_correction(np.asarray(before), correction))
        yield correction_name(row), beside([before, after], ["as delivered", "corrected"], height=CORRECTED_HEIGHT), 84

"""
Pictures beside the page: thumbnails, evidence, before and after. From sketches only.

Files are named by the row of their table, never by the supplier's name.
"""

from typing import NamedTuple

import numpy as np
from PIL import Image

from catalogue_audit.findings.corrections import apply_correction
from catalogue_audit.report import look
from catalogue_audit.report.actions import accepted_rows, in_order_of_work, reference_of, reference_pictures, things_to_do
from catalogue_audit.report.audit import Audit
from catalogue_audit.report.drawing import beside, decode_preview, fitted, jpeg_bytes, outline_points, stroke, with_band
from catalogue_audit.report.evidence import Scene, evidence_picture
from catalogue_audit.report.pairs import pair_pictures
from catalogue_audit.report.picture_names import FOLDER, correction_name, evidence_name, placing_name, thumb_name
from catalogue_audit.report.wording import is_missing, plain_text, view_title

THUMB_SIDE = 220  # px
PLACING_SIDE = 420  # px
THUMB_QUALITY = 78
STRIP_HEIGHT = 250  # px, pictures of a product in a row
STRIP_LIMIT = 5
MOST_EVIDENCE = 2500  # findings with a picture, as many as the page's table has rows
CORRECTED_HEIGHT = 400  # px, pictures before and after a correction
DUPLICATES = ("exact_duplicate", "near_duplicate")
SAME_PRODUCT = ("product_colour", "wrong_product", "wrong_detail", "swapped_views")  # compared with the product's own pictures


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


class Material(NamedTuple):
    """
    What evidence is drawn from, looked up rather than searched for.

    Attributes
    ----------
    audit : Audit
    frames : dict of file to row
    references : dict
        As `actions.reference_pictures` gives.
    marks : dict of (file, check) to list of rows
    of_sku, of_view : dict of name to list of files
        In the order of frames; ``of_view[None]`` are all.
    twins : dict of file to file
        The first picture that each duplicate was found to repeat, or to be repeated by.
    """

    audit: Audit
    frames: dict
    references: dict
    marks: dict
    of_sku: dict
    of_view: dict
    twins: dict


def material_of(audit):
    """Everything that evidence pictures of an audit are drawn from."""
    frames = {row["file"]: row for row in audit.frames.to_dict("records")}
    of_sku, of_view = {}, {None: list(frames)}
    for file, row in frames.items():
        if not is_missing(row["sku"]):
            of_sku.setdefault(row["sku"], []).append(file)
        if not is_missing(row["view"]):
            of_view.setdefault(row["view"], []).append(file)
    return Material(
        audit,
        frames,
        reference_pictures(audit.frames, audit.findings),
        {key: part.to_dict("records") for key, part in audit.marks.groupby(["file", "check"], sort=False)},
        of_sku,
        of_view,
        _twins(audit, frames),
    )


def _twins(audit, frames):
    twins, groups = {}, {}
    if {"file_a", "file_b"} <= set(audit.pairs.columns):
        for here, there in zip(audit.pairs["file_a"], audit.pairs["file_b"], strict=True):
            twins.setdefault(here, there)
            twins.setdefault(there, here)
    for file, row in frames.items():
        group = row.get("duplicate_group")
        if not is_missing(group):
            groups.setdefault(group, []).append(file)
    for files in groups.values():
        for file in files:
            other = next((name for name in files if name != file), None)
            if other is not None:
                twins.setdefault(file, other)
    return twins


def _all_pictures(audit):
    material = material_of(audit)
    for row, file in enumerate(audit.frames["file"]):
        picture = decode_preview(audit.sketches.get(file), THUMB_SIDE)
        if picture is not None:
            yield thumb_name(row), fitted(picture, THUMB_SIDE, THUMB_SIDE), THUMB_QUALITY
    findings = audit.findings.to_dict("records")
    for row in _shown_findings(audit.findings):
        yield evidence_name(row), finding_picture(findings[row], material), 84
    yield from _corrected_pictures(audit)
    yield from pair_pictures(audit)
    yield from _placing_pictures(audit, material.references)


def _shown_findings(findings):
    """Rows of the findings that page and sheets can show: a picture of each of a hundred thousand damaged files helps nobody."""
    worst = [row for thing in things_to_do(findings)[:MOST_EVIDENCE] for row in thing.rows[:1]]
    accepted = sorted(accepted_rows(findings))[:MOST_EVIDENCE]
    return sorted({*in_order_of_work(findings)[:MOST_EVIDENCE], *worst, *accepted})


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


def finding_picture(finding, material):
    """
    Evidence picture of one finding, also where it concerns no single file.

    Parameters
    ----------
    finding : dict
    material : Material

    Returns
    -------
    PIL.Image.Image
    """
    file, sketches = finding["file"], material.audit.sketches
    if is_missing(file):
        return _without_file(finding, material)
    frame = material.frames.get(file, {})
    other, words = _compared_with(finding, frame, material)
    return evidence_picture(
        Scene(
            finding=finding,
            frame=frame,
            sketch=sketches.get(file) or {},
            marks=material.marks.get((file, finding["check"]), []),
            reference_frame=material.frames.get(other, {}),
            reference_sketch=(sketches.get(other) or {}) if other else {},
            reference_words=words,
        )
    )


def _compared_with(finding, frame, material):
    """The file a picture is shown against, and what to call it."""
    file, check, sku, frames = finding["file"], finding["check"], finding.get("sku"), material.frames
    if check in DUPLICATES and file in material.twins:
        return material.twins[file], plain_text(material.twins[file], 60)
    if check in SAME_PRODUCT:
        mine = [name for name in material.of_sku.get(sku, ()) if name != file and frames[name].get("status") != "not_measured"]
        mine.sort(key=lambda name: (frames[name].get("view") != "front", name))
        if mine:
            return mine[0], f"{plain_text(sku, 40)}, {view_title(frames[mine[0]].get('view'))}"
    other = reference_of(material.references, finding.get("view"), frame.get("style"), file, frames)
    return other, f"reference: {plain_text(frames[other].get('sku'), 40)}" if other else ""


def _without_file(finding, material):
    """A product's pictures, with a hole for a missing view, or some pictures of the delivery."""
    sku, view, frames, sketches = finding.get("sku"), finding.get("view"), material.frames, material.audit.sketches
    if is_missing(sku):
        files = material.of_view.get(None if is_missing(view) else view, [])[:STRIP_LIMIT]
        shown = [(decode_preview(sketches.get(name)), plain_text(frames[name].get("sku"), 30)) for name in files]
        shown = [(picture, words) for picture, words in shown if picture is not None] or [(None, "nothing to show")]
    else:
        files = material.of_sku.get(sku, [])[: STRIP_LIMIT - 1]
        shown = [(decode_preview(sketches.get(name)), view_title(frames[name].get("view"))) for name in files]
        shown = [pair for pair in shown if pair[0] is not None]
        if finding["check"] == "missing_view":
            shown.append((None, "missing" if is_missing(view) else f"missing: {view_title(view)}"))
            style = next((frames[name].get("style") for name in files), None)
            other = reference_of(material.references, view, style)
            if other:
                shown.append((decode_preview(sketches.get(other)), f"how it should look: {plain_text(frames[other].get('sku'), 30)}"))
        shown = shown or [(None, "nothing to show")]
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
        if after.size == before.size and np.array_equal(np.asarray(after), np.asarray(before)):  # left to a hand, as the note says
            yield correction_name(row), beside([before], ["as delivered"], height=CORRECTED_HEIGHT), 84
            continue
        yield correction_name(row), beside([before, after], ["as delivered", "corrected"], height=CORRECTED_HEIGHT), 84

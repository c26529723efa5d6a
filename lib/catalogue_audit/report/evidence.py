"""
The evidence picture of a finding: its preview with the measurement drawn on it.

One small function a kind of evidence, in the modules beside this one: (picture, scene) → picture;
`DRAWINGS` says which check uses which.
Nothing is measured here: lines and numbers come from the tables and the sketch.
"""

from typing import NamedTuple

from PIL import Image

from catalogue_audit.report import look
from catalogue_audit.report.drawing import PANEL, beside, box_points, decode_preview, fitted, stroke, with_band, write
from catalogue_audit.report.evidence_detail import circles, noise, rim, sharpness
from catalogue_audit.report.evidence_light import background_patches, clipped, evenness, exposure, product_patches
from catalogue_audit.report.evidence_pose import as_it_is, boxes, centre_cross, cut_off, handles, reference_beside, stance, tilt
from catalogue_audit.report.numbers import ABOVE_CHECKS, AT_LEAST_CHECKS, AT_MOST_CHECKS, measured_text
from catalogue_audit.report.wording import finding_title, is_missing, plain_text


class Scene(NamedTuple):
    """
    What a drawing may know.

    Attributes
    ----------
    finding, frame : dict
        Rows of the tables; ``frame`` is empty where the finding has no file.
    sketch : dict
    marks : list of dict
        Rows of the marks table for this file and check.
    reference_frame, reference_sketch : dict
        The picture this one is compared with; empty where there is none.
    reference_words : str
        What that picture is, as a caption.
    """

    finding: dict
    frame: dict
    sketch: dict
    marks: list
    reference_frame: dict
    reference_sketch: dict
    reference_words: str


def evidence_picture(scene):
    """
    The picture that shows a finding.

    Parameters
    ----------
    scene : Scene

    Returns
    -------
    PIL.Image.Image
        RGB; always a picture, also where the file cannot be shown.
    """
    picture = decode_preview(scene.sketch)
    if picture is None:
        return _cannot_be_shown(scene)
    picture = fitted(picture, PANEL, PANEL)
    drawn = DRAWINGS.get(scene.finding["check"], as_it_is)(picture.copy(), scene)
    title, words = finding_title(scene.finding), measured_text(scene.finding)
    return with_band(drawn, title, words, _gauge(scene.finding))


def _gauge(finding):
    """What was measured and the ends of what is allowed; None where there is no such scale."""
    value, tolerance, check = (finding.get(name) for name in ("value", "tolerance", "check"))
    if is_missing(value) or is_missing(tolerance) or not tolerance > 0 or check in AT_LEAST_CHECKS:
        return None
    expected = 0.0 if is_missing(finding.get("expected")) else float(finding["expected"])
    if check in AT_MOST_CHECKS:
        return float(value), 0.0, float(tolerance)
    least = min(0.0, float(value)) if check in ABOVE_CHECKS else expected - tolerance
    return float(value), least, expected + tolerance


def _cannot_be_shown(scene):
    panel = Image.new("RGB", (PANEL, round(0.6 * PANEL)), look.MAT)
    corners = box_points(0.03, 0.05, 0.97, 0.95, panel.size)
    stroke(panel, corners, look.QUIET, broken=True, closed=True, line=2)
    write(panel, 40, 120, "This file cannot be shown", size=22, bold=True)
    write(panel, 40, 156, plain_text(scene.finding.get("file")), size=16, colour=look.QUIET, width=PANEL - 80)
    reference = decode_preview(scene.reference_sketch)
    drawn = panel if reference is None else beside([panel, reference], ["as delivered", scene.reference_words], height=round(0.6 * PANEL))
    return with_band(drawn, finding_title(scene.finding))


DRAWINGS = {
    "angle": stance,
    "camera_height": stance,
    "lean": stance,
    "roll": tilt,
    "handles": handles,
    "strap": reference_beside,
    "scale": boxes,
    "centring": centre_cross,
    "cut_off": cut_off,
    "focal_length": reference_beside,
    "white_balance": background_patches,
    "background": background_patches,
    "product_colour": product_patches,
    "exposure": exposure,
    "uneven_background": evenness,
    "cutout_edge": rim,
    "shadow": reference_beside,
    "clipping": clipped,
    "focus": sharpness,
    "motion_blur": sharpness,
    "noise": noise,
    "upscaled": sharpness,
    "product_specks": circles,
    "sensor_spots": circles,
    "wrong_product": reference_beside,
    "wrong_detail": reference_beside,
    "swapped_views": reference_beside,
    "exact_duplicate": reference_beside,
    "near_duplicate": reference_beside,
}

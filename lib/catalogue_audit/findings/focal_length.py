"""The lens: whether a view was photographed with one focal length throughout."""

from catalogue_audit.findings import brief_terms
from catalogue_audit.findings.deviations import judge_column, set_row
from catalogue_audit.findings.rows import called, finding, sentence

COLUMNS = ("focal_length_35mm", "focal_length_mm")  # whichever more files state; on equal terms the first


def focal_length(evidence):
    """Frames taken at another focal length than the view's others (36 x 24 mm equivalent)."""
    frames = evidence.measured
    frames = frames[frames["view"].notna()]
    column = max(COLUMNS, key=lambda name: int((frames[name] > 0).sum()))
    frames = frames[frames[column] > 0]
    share = brief_terms.tolerance(evidence.brief, "focal_length")
    reference = frames.groupby("view")[column].transform("median")
    named = brief_terms.reference(evidence.brief, column)
    if named:  # details are taken with another lens as often as not, and keep their own reference
        reference = reference.mask(frames["view_kind"].isin(["upright", "overhead"]), named)
    frames = frames.assign(focal_dev=frames[column] / reference - 1)
    cases, set_cases = judge_column(evidence, "focal_length", "focal_dev", frames, centre=0.0)
    for case in cases:
        focal = case.frame[column]
        expected = focal / (1 + case.value)
        note = (
            f"the {called(case.frame)} was taken at {focal:g} mm where the view's others are at {expected:g} mm "
            f"(tolerance {share * 100:g} %), which draws the product differently: "
            f"photograph it again at {expected:g} mm"
        )
        yield finding(
            "focal_length",
            sentence(note),
            case.frame,
            value=focal,
            expected=expected,
            tolerance=share * expected,
            unit="mm",
            cause=case.cause,
        )
    for case in set_cases:
        yield set_row("focal_length", case, "the focal length against the view's middle", "", "keep to one focal length")

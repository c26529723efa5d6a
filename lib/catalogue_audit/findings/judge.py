"""
The judge: every check over the evidence, one cause one finding, into the findings and marks tables.

A check is a function from `Evidence` to rows; add one by writing it in its
family's module and naming it here.
"""

from catalogue_audit import schema
from catalogue_audit.findings import (
    brief_terms,
    clipping,
    completeness,
    files,
    focal_length,
    framing,
    identity,
    light,
    pose,
    product_colour,
    sameness,
    sample,
    sharpness,
    surplus,
)
from catalogue_audit.findings.causes import one_finding_a_cause
from catalogue_audit.findings.gather import gathered
from catalogue_audit.findings.marks import marks_of
from catalogue_audit.findings.remedies import in_time
from catalogue_audit.findings.rows import excess, text
from catalogue_audit.statistics.tables import table_from_rows

# In the order of the contract's table of checks. One check may have several functions.
BY_THE_ORIGINAL = ("camera_height", "lean")  # judged in finals too, of pictures paired with their originals

JUDGES = (
    ("missing_view", completeness.missing_view),
    ("missing_view", completeness.without_strap),
    ("unexpected_file", files.unexpected_file),
    ("unexpected_file", surplus.surplus_views),
    ("unexpected_file", completeness.unknown_products),
    ("unexpected_file", completeness.check_digits),
    ("unreadable_file", files.unreadable_file),
    ("file_spec", files.file_spec),
    ("colour_profile", files.colour_profile),
    ("jpeg_quality", files.jpeg_quality),
    ("upscaled", files.upscaled),
    ("exact_duplicate", sameness.exact_duplicate),
    ("near_duplicate", sameness.near_duplicate),
    ("wrong_product", identity.wrong_product),
    ("wrong_detail", identity.wrong_detail),
    ("swapped_views", identity.swapped_views),
    ("angle", pose.angle),
    ("camera_height", pose.camera_height),
    ("roll", pose.roll),
    ("lean", pose.lean),
    ("handles", pose.handles),
    ("strap", pose.strap),
    ("scale", framing.scale),
    ("centring", framing.centring),
    ("cut_off", framing.cut_off),
    ("white_balance", light.white_balance),
    ("exposure", light.exposure),
    ("product_colour", product_colour.product_colour),
    ("background", light.background),
    ("uneven_background", light.uneven_background),
    ("cutout_edge", light.cutout_edge),
    ("shadow", light.shadow),
    ("clipping", clipping.clipping),
    ("focus", sharpness.focus),
    ("motion_blur", sharpness.motion_blur),
    ("noise", sharpness.noise),
    ("product_specks", sharpness.product_specks),
    ("sensor_spots", sharpness.sensor_spots),
    ("focal_length", focal_length.focal_length),
    ("metadata", files.metadata),
    ("styling", sample.styling),
)


def find(evidence):
    """
    Everything wrong with a delivery.

    Parameters
    ----------
    evidence : Evidence

    Returns
    -------
    findings : DataFrame
        The findings table, sorted by file (findings without a file first), then by check.
    marks : DataFrame
        The marks table: where on the picture, for the findings that have a place.
    """
    rows = [row for check, judge in JUDGES if _belongs(check, evidence) for row in judge(evidence)]
    rows = identity.without_measures_of_another_kind(sameness.explained_by_duplicates(rows, evidence), evidence)
    rows = one_finding_a_cause(rows)
    rows = gathered(rows, evidence)
    rows = [in_time(row, evidence) for row in rows]
    rows.sort(key=lambda row: _place(row, evidence))
    findings = table_from_rows("findings", rows)
    return findings, table_from_rows("marks", marks_of(rows, evidence))


def _belongs(check, evidence):
    wanted = not brief_terms.is_skipped(evidence.brief, check)
    told = check in BY_THE_ORIGINAL and not evidence.as_taken.empty
    return wanted and (told or schema.CHECKS[check].stage in ("both", evidence.stage))


def _place(row, evidence):
    """Natural file order, then the order of the checks, then the worst first."""
    order = evidence.file_order
    check = list(schema.CHECKS).index(row["check"])
    words = [text(row.get(name)) or "" for name in ("sku", "view", "note")]
    return order.get(row.get("file"), -1), check, *words[:2], -excess(row), words[2]

"""Who belongs where: pictures filed under the wrong product or view, details of another bag."""

from catalogue_audit.findings.rows import called, finding, number, plain, sentence, text, view_noun
from catalogue_audit.statistics.matching.misfiling import measured_as_another

BY_THE_OUTLINE = (
    "angle", "camera_height", "roll", "lean", "handles", "strap", "scale", "centring", "cut_off", "white_balance", "exposure", "product_colour",
    "background", "uneven_background", "cutout_edge", "shadow", "clipping", "focus", "motion_blur", "product_specks", "focal_length",
)  # fmt: skip


def wrong_product(evidence):
    """Pictures that show another product than their name says; also where names slipped, and only the view is another."""
    together = evidence.misfiled["cause"].value_counts()
    for row, frame in _misfiled(evidence, ("wrong_product", "shifted")):
        likely, view = text(row.get("likely_sku")), text(row.get("likely_view"))
        shows = f"seems to show {plain(likely)}" if likely else "does not show this product"
        mend = f"rename it to {plain(likely)} if so" if likely else "find the product it belongs to, and rename it"
        if row["kind"] == "shifted" and view:
            shows = f"seems to show the {view_noun(view)} of {plain(likely)}"
            mend = f"rename all {together[row['cause']]} of them"
        note = f"the {called(frame)} {shows}{_because(row)}: look at both, and {mend}"
        cause = text(row.get("cause"))
        yield finding("wrong_product", sentence(note), frame, value=number(row.get("score")), unit="score", cause=cause)


def wrong_detail(evidence):
    """Detail crops of another bag."""
    for row, frame in _misfiled(evidence, ("wrong_detail",)):
        likely = text(row.get("likely_sku"))
        shows = f"shows {plain(likely)} rather than this product" if likely else "is not found anywhere on this product"
        note = f"the {called(frame)} {shows}{_because(row)}: ask for the right detail"
        yield finding("wrong_detail", sentence(note), frame, value=number(row.get("score")), unit="score")


def swapped_views(evidence):
    """Views filed under one another's names."""
    for row, frame in _misfiled(evidence, ("swapped_views", "wrong_view")):
        likely = text(row.get("likely_view"))
        shows = f"shows the {view_noun(likely)}" if likely else "shows another view than its name says"
        mend = "exchange the names" if row["kind"] == "swapped_views" else "rename it, and see whether another is missing"
        note = f"the {called(frame)} {shows}{_because(row)}: look at the product's pictures, and {mend}"
        yield finding("swapped_views", sentence(note), frame, value=number(row.get("score")), unit="score")


def without_measures_of_another_kind(rows, evidence):
    """
    Findings but for those that measured a detail as a whole product, or the other way round, because its name is wrong.

    Parameters
    ----------
    rows : list of dict
        Of the findings table.
    evidence : Evidence
    """
    another = measured_as_another(evidence.frames, evidence.misfiled)
    return [row for row in rows if row["check"] not in BY_THE_OUTLINE or row.get("file") not in another]


def _misfiled(evidence, kinds):
    frames = {frame["file"]: frame for frame in evidence.rows}
    for row in evidence.misfiled.to_dict("records"):
        if row["kind"] in kinds and row["file"] in frames:
            yield row, frames[row["file"]]


def _because(row):
    reason = text(row.get("evidence"))
    return f" ({plain(reason)})" if reason else ""

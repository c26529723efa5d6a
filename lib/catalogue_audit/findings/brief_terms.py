"""What the brief says, asked in the words of the checks. The only place here that knows the brief's shape."""

from catalogue_audit.delivery.brief_sections import aspect_ratio

# What a brief may require of every file: the frame column that tells, and how a sentence calls it.
METADATA_COLUMNS = {
    "rights": ("rights_present", "copyright or creator"),
    "capture_time": ("captured_at", "capture time"),
    "exposure": ("ev100", "exposure settings"),
    "camera": ("camera_model", "camera model"),
}


def tolerance(brief, check, soft=False):
    """Tolerance of a check, in its unit; the second figure for soft styles, where there is one."""
    return brief.tolerance_of(check, soft)


def is_skipped(brief, check):
    """Whether the brief does without a check."""
    return check in brief.checks.skip


def reference(brief, column, view=None):
    """The value that the brief names for a column (in a view); None where it leaves it to the set."""
    named = brief.reference
    if view in named.views:
        value = getattr(named.views[view], column, None)
        if value is not None:
            return value
    if column == "background_L" and named.background_Lab:
        return named.background_Lab[0]
    return getattr(named, column, None) if column in ("focal_length_35mm", "product_ev") else None


def required_views(brief, style, sku, row):
    """View to (fewest, most) pictures of the views that a product must have."""
    return brief.required_views(style or "", sku, row)


def split_by_strap(brief, style, sku, row):
    """Views of a product of which the brief wants one picture with the strap and one without."""
    conditions = brief.conditions_of(style or "", sku, row)
    return tuple(
        view for condition in conditions for view in condition.with_strap if view in condition.without_strap
    )


def most_pictures(brief, view, style=None):
    """Most pictures of a view that a product may have; None where the brief says nothing."""
    own = brief.views.per_style.get(style or "")
    counts = {**brief.views.counts, **(own.counts if own else {})}
    return counts[view][1] if view in counts else None


def main_view(brief):
    """The view that a shop shows first."""
    return brief.views.main


def file_spec(brief):
    """What the brief names of size, shape, format, profile and quality; ``aspect`` as a number."""
    named = {name: value for name, value in brief.file_spec.model_dump().items() if value is not None}
    if "aspect" in named:
        named["aspect"] = aspect_ratio(named["aspect"])
    return named


def strap_state(brief, view):
    """State of the strap that the brief asks for in a view; 'any', or None where it leaves it to the set."""
    return brief.strap.get(view)


def wants_pure_white(brief):
    """True or False where the brief says, None where it leaves it to the majority."""
    return brief.background.pure_white


def wants_check_digits(brief):
    """Whether the brief asks for GTIN check digits to be verified."""
    return brief.names.check_digit == "gtin"


def required_metadata(brief):
    """What the brief says every file must state: frame columns, each with its words."""
    return {METADATA_COLUMNS[name][0]: METADATA_COLUMNS[name][1] for name in brief.metadata.required}


def is_soft(brief, style):
    """Whether the brief counts a style among the soft ones."""
    return brief.is_soft(style)


def returning_remedies(brief):
    """Remedies that send a product back."""
    return tuple(brief.verdict.return_on)


def returned_share(brief):
    """Share of products sent back above which the whole delivery is."""
    return brief.verdict.return_delivery_above

"""A delivery since the report before, and pictures that are alike: what the page and the mail say of them."""

import pandas as pd

from catalogue_audit.report.numbers import SIGNED_CHECKS, count_text, number_text
from catalogue_audit.report.wording import check_title, plain_text, view_title

# State of a finding against the report before, worst first, as people say it.
STATES = {
    "worse": "worse",
    "new": "new",
    "still_there": "still there",
    "silently_changed": "changed without a word",
    "judged_differently": "judged differently",
    "gone": "no longer delivered",
    "fixed": "fixed",
}
PAIR_KINDS = {
    "same_bytes": "the same file",
    "same_pixels": "the same pixels",
    "re_export": "exported again",
    "resized": "another size",
    "re_cropped": "another crop",
    "mirrored": "mirrored",
    "taken_again": "under another capture time",
    "perhaps_again": "the same or as good as the same",
    "photographed_again": "photographed again",
    "two_faces": "two faces, or one of them twice",
    "recoloured": "recoloured",
    "shared_lining": "a lining that products may share",
}


def state_counts(comparison):
    """
    How many findings of each state there are, in words; '' without a report before.

    Examples
    --------
    >>> state_counts(pd.DataFrame({"state": ["fixed", "new", "fixed"]}))
    '1 new, 2 fixed'
    """
    if not isinstance(comparison, pd.DataFrame) or not len(comparison):
        return ""
    counts = comparison["state"].value_counts()
    return ", ".join(count_text(int(counts[state]), words, words) for state, words in STATES.items() if state in counts)


def compared_rows(comparison, most):
    """
    Rows of the page's table since the report before.

    Returns
    -------
    list of dict
        ``state``, ``severity``, ``what``, ``sku``, ``view``, ``file``, ``before`` and ``now`` (how far off, with unit), ``note``;
        empty without a report before.
    """
    if not isinstance(comparison, pd.DataFrame):
        return []
    rows = []
    for row in comparison.head(most).to_dict("records"):
        off = [number_text(row[when], row["unit"], row["check"] in SIGNED_CHECKS) for when in ("before", "now")]
        words = {"state": STATES.get(row["state"], plain_text(row["state"])), "what": check_title(row["check"]), "view": view_title(row["view"])}
        rows.append({**row, **words, "before": off[0], "now": off[1]})
    return rows


def alike_rows(pairs, most):
    """Rows (file, other file, how, note) of pictures that are alike; empty where there are none."""
    if not {"file_a", "file_b", "kind", "note"} <= set(pairs.columns):
        return []
    table = pairs[["file_a", "file_b", "kind", "note"]].head(most)
    return [(one, other, PAIR_KINDS.get(kind, plain_text(kind).replace("_", " ")), plain_text(note)) for one, other, kind, note in table.itertuples(index=False)]

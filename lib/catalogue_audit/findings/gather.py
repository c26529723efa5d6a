"""What is wrong with nearly every file is one finding about the delivery, never one a file."""

from catalogue_audit import schema
from catalogue_audit.findings.rows import counted, finding, listed, plain, sentence, view_words

NEARLY_EVERY = 0.8  # of the measured files
MOST_NAMES = 0.5  # of the files: names that say nothing are one way of naming, not so many slips
FEWEST_FILES = 5  # below, every file is looked at anyway
# Each file of these is a thing of its own to mend, however many there are.
ALWAYS_SINGLE = (
    "missing_view", "unreadable_file", "exact_duplicate", "near_duplicate", "wrong_product", "wrong_detail",
    "swapped_views",
)  # fmt: skip


def gathered(rows, evidence):
    """
    Findings, with a check that meets nearly every file of the delivery, or of a view, put into one row.

    Parameters
    ----------
    rows : list of dict
    evidence : Evidence

    Returns
    -------
    list of dict
    """
    single = [row for row in rows if row.get("file") and not row.get("cause") and row["check"] not in ALWAYS_SINGLE]
    views = evidence.measured["view"].value_counts().to_dict()
    rows = _gathered(rows, single, lambda row: row["check"], lambda key: _concerned(key, evidence))
    left = {id(row) for row in rows}
    single = [row for row in single if id(row) in left and row.get("view")]
    return _gathered(rows, single, lambda row: (row["check"], row["view"]), lambda key: views.get(key[1], 0))


def _gathered(rows, single, key_of, total_of):
    groups = {}
    for row in single:
        groups.setdefault(key_of(row), []).append(row)
    for key, same in groups.items():
        files = list(dict.fromkeys(row["file"] for row in same))
        total = total_of(key)
        share = MOST_NAMES if key == "unexpected_file" else NEARLY_EVERY
        if len(files) >= max(FEWEST_FILES, share * total):
            gone = {id(row) for row in same}
            rows = [row for row in rows if id(row) not in gone]
            rows.append(_one(key, same, files, total))
    return rows


def _concerned(check, evidence):
    """How many files could have had the finding."""
    return len(evidence.frames) if check == "unexpected_file" else len(evidence.measured)


def _one(key, same, files, total):
    check, view = (key, None) if isinstance(key, str) else key
    worst = min(same, key=lambda row: schema.SEVERITIES.index(row["severity"]))
    first = plain(same[0]["note"]).rstrip(".")
    what = f"{view_words(view)} picture" if view else "file"
    note = (
        f"{counted(len(files), what)} of {total} have the same fault, among them {listed(files, 2)}; "
        f"of the first: {first[:1].lower()}{first[1:]}"
    )
    values = sorted(row["value"] for row in same if row.get("value") is not None)
    return finding(
        check,
        sentence(note),
        view=view,
        severity=worst["severity"],
        remedy=worst["remedy"],
        value=values[len(values) // 2] if values else None,
        expected=same[0].get("expected"),
        tolerance=same[0].get("tolerance"),
        unit=same[0].get("unit"),
    )

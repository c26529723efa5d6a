"""What is wrong with nearly every file is one finding about the delivery, never one a file."""

from catalogue_audit import schema
from catalogue_audit.findings.rows import counted, finding, listed, plain, sentence

NEARLY_EVERY = 0.8  # of the measured files
FEWEST_FILES = 5  # below, every file is looked at anyway
# Each file of these is a thing of its own to mend, however many there are.
ALWAYS_SINGLE = (
    "missing_view", "unreadable_file", "exact_duplicate", "near_duplicate", "wrong_product", "wrong_detail",
    "swapped_views",
)  # fmt: skip


def gathered(rows, evidence):
    """
    Findings, with a check that meets nearly every file put into one row.

    Parameters
    ----------
    rows : list of dict
    evidence : Evidence

    Returns
    -------
    list of dict
    """
    by_check = {}
    for row in rows:
        if row.get("file") and not row.get("cause") and row["check"] not in ALWAYS_SINGLE:
            by_check.setdefault(row["check"], []).append(row)
    result = list(rows)
    for check, same in by_check.items():
        files = list(dict.fromkeys(row["file"] for row in same))
        total = _concerned(check, evidence)
        if len(files) >= max(FEWEST_FILES, NEARLY_EVERY * total):
            gone = {id(row) for row in same}
            result = [row for row in result if id(row) not in gone]
            result.append(_one(check, same, files, total))
    return result


def _concerned(check, evidence):
    """How many files could have had the finding."""
    if check == "unexpected_file":
        return len(evidence.frames)
    return len(evidence.measured)


def _one(check, same, files, total):
    worst = min(same, key=lambda row: schema.SEVERITIES.index(row["severity"]))
    first = plain(same[0]["note"]).rstrip(".")
    note = (
        f"{counted(len(files), 'file')} of {total} have the same fault, among them {listed(files, 2)}; "
        f"of the first: {first[:1].lower()}{first[1:]}"
    )
    values = [row["value"] for row in same if row.get("value") is not None]
    middle = sorted(values)[len(values) // 2] if values else None
    return finding(
        check,
        sentence(note),
        severity=worst["severity"],
        remedy=worst["remedy"],
        value=middle,
        expected=same[0].get("expected"),
        tolerance=same[0].get("tolerance"),
        unit=same[0].get("unit"),
    )

"""A delivery against the audit before it: what was fixed, what was not, what got worse, what silently changed."""

from pathlib import Path

import pandas as pd

from catalogue_audit import schema
from catalogue_audit.errors import UsageError
from catalogue_audit.findings.rows import excess, number, plain, sentence, text
from catalogue_audit.statistics.tables import conform

STATES = ("worse", "new", "still_there", "silently_changed", "judged_differently", "gone", "fixed")  # worst first
WORSE = 1.2  # multiple of the deviation before: re-measuring an unchanged fault moves it by less
OF_TWO_FILES = ("exact_duplicate", "near_duplicate")  # mended in one of them, and gone from both
COLUMNS = ("file", "sku", "view", "check", "state", "severity", "before", "now", "unit", "note")


def compare_with_previous(report, frames, findings):
    """
    Compare with the report folder of the audit before.

    Parameters
    ----------
    report : str or Path
        A report folder; its ``tables/frames.csv`` and ``tables/findings.csv`` are read.
    frames, findings : DataFrame
        Of this audit.

    Returns
    -------
    DataFrame
        See `compare`.

    Raises
    ------
    UsageError
        The folder holds no readable report.
    """
    tables = Path(report) / "tables"
    return compare(_read(tables, "frames"), _read(tables, "findings"), frames, findings)


def compare(frames_before, findings_before, frames, findings):
    """
    Every finding of either audit, and every picture that changed without one.

    A finding is the same when check and picture are: by file name, by content
    where a file was renamed, by SKU, view and check where there is no file.

    Parameters
    ----------
    frames_before, findings_before, frames, findings : DataFrame
        Tables of the audit before and of this one.

    Returns
    -------
    DataFrame
        ``file``, ``sku``, ``view``, ``check``, ``state``, ``severity``,
        ``before``, ``now`` (deviations in the unit of the check), ``unit``,
        ``note``. States: ``fixed`` (the picture was replaced or came in, and
        the finding is gone), ``still_there``, ``worse``, ``new``,
        ``silently_changed`` (another picture under an old name, with no finding
        before), ``judged_differently`` (the same file, but no finding now: the
        set around it moved, or the brief), ``gone`` (the file is no longer delivered).
    """
    content_before = _contents(frames_before)
    content = _contents(frames)
    renamed = _renamed(content_before, content)
    before = {_key(row, renamed): row for row in findings_before.to_dict("records")}
    now = {_key(row, {}): row for row in findings.to_dict("records")}
    rows = [_row(key, row, now.get(key), content_before, content, renamed) for key, row in before.items()]
    rows += [_row(key, None, row, content_before, content, renamed) for key, row in now.items() if key not in before]
    rows += _silent_changes(frames, content_before, content, {*before, *now})
    rows.sort(key=lambda row: (STATES.index(row["state"]), *(row[name] or "" for name in ("file", "sku", "view", "check"))))
    table = pd.DataFrame({name: [row[name] for row in rows] for name in COLUMNS})
    return table.astype({name: "float64" if name in ("before", "now") else "str" for name in COLUMNS})


def _contents(frames):
    """File to content hash."""
    return {file: text(sha) for file, sha in zip(frames["file"], frames["sha256"], strict=True)}


def _renamed(content_before, content):
    """Old name to new name of files that are the same bytes under a name not delivered before."""
    fresh = {sha: file for file, sha in content.items() if sha and file not in content_before}
    return {file: fresh[sha] for file, sha in content_before.items() if file not in content and sha in fresh}


def _key(row, renamed):
    file = text(row["file"])
    if file is not None:
        return renamed.get(file, file), row["check"]
    return text(row["sku"]), text(row["view"]), row["check"]


def _row(key, before, now, content_before, content, renamed):
    shown = now or before
    file = text(shown["file"])
    file = renamed.get(file, file) if file is not None else None
    state, words = _state(before, now, file, content_before, content, renamed)
    return {
        "file": file,
        "sku": text(shown["sku"]),
        "view": text(shown["view"]),
        "check": shown["check"],
        "state": state,
        "severity": shown["severity"],
        "before": _deviation(before),
        "now": _deviation(now),
        "unit": text(shown.get("unit")),
        "note": sentence(words),
    }


def _state(before, now, file, content_before, content, renamed):
    if before is None:
        if file is not None and file not in content_before and file not in renamed.values():
            return "new", "new, in a picture that came with this delivery"
        if file in content_before and content_before[file] != content.get(file):
            return "new", "new, in a picture that was replaced"
        return "new", "was not there in the audit before"
    if now is not None:
        if _is_worse(before, now):
            return "worse", "still there, and worse than before"
        return "still_there", "was reported before and is still there"
    if file is None:
        return "fixed", "reported before, and now in order"
    if file not in content:
        return "gone", "the picture is no longer delivered"
    old_name = next((old for old, new in renamed.items() if new == file), file)
    if content_before.get(old_name) == content.get(file):
        if file in renamed.values():
            return "fixed", f"put right by renaming {plain(old_name)}"
        if before["check"] in OF_TWO_FILES:
            return "fixed", "its copy was replaced, or is no longer delivered"
        return "judged_differently", "the same file, no longer outside the tolerance: the set or the brief has changed"
    return "fixed", "the picture was replaced, and the finding is gone"


def _is_worse(before, now):
    order = list(schema.SEVERITIES)
    ranks = [order.index(row["severity"]) if row["severity"] in order else len(order) for row in (before, now)]
    return ranks[1] < ranks[0] or (excess(before) > 0 and excess(now) > WORSE * excess(before))


def _silent_changes(frames, content_before, content, keys):
    """Another picture under a name of the audit before, with no finding in either."""
    asked = {key[0] for key in keys if len(key) == 2}
    rows = []
    for frame in frames.to_dict("records"):
        file = frame["file"]
        if file in content_before and file not in asked and content_before[file] != content[file]:
            rows.append(
                {
                    "file": file,
                    "sku": text(frame["sku"]),
                    "view": text(frame["view"]),
                    "check": None,
                    "state": "silently_changed",
                    "severity": None,
                    "before": None,
                    "now": None,
                    "unit": None,
                    "note": "Another file under the same name, although nothing was wrong with the one before.",
                }
            )
    return rows


def _deviation(row):
    value = None if row is None else number(row.get("value"))
    return None if value is None else value - (number(row.get("expected")) or 0.0)


def _read(folder, table):
    path = folder / f"{table}.csv"
    try:
        cells = pd.read_csv(path, dtype="str", keep_default_na=False, encoding="utf-8", lineterminator="\n")
        if not {"file", "sku", "view"} <= set(cells.columns):
            raise ValueError("the columns of every report are not there")
        cells = cells.map(lambda cell: (cell[1:] if cell.startswith("'") else cell) or None)
        return conform(table, cells.replace({"true": True, "false": False}))
    except (OSError, ValueError, TypeError, OverflowError) as error:
        msg = (
            f"{folder.parent.name!r} holds no readable report (tables/{table}.csv).\n"
            "Pass the dated report folder of the audit before with --previous."
        )
        raise UsageError(msg) from error

"""The index of all audits in an output folder: a page for people, a file for programs."""

import json
import os
from pathlib import Path
from urllib.parse import quote

from jinja2 import Environment, PackageLoader

from catalogue_audit.report import look
from catalogue_audit.report.wording import verdict_words

SIGNS = {"return": "critical", "accept_after_corrections": "major"}  # the sign that stands before a verdict


def write_index(out, audits):
    """
    Write ``index.html`` and ``index.json``, each whole or not at all.

    Parameters
    ----------
    out : Path
        Folder of the report folders.
    audits : list of dict
        Summaries, oldest first, each with ``report``, its folder's name.
    """
    environment = Environment(loader=PackageLoader("catalogue_audit.report"), autoescape=True)
    page = environment.get_template("index.html").render(
        audits=audits, deliveries=_by_delivery(audits, out), seasons=_seasons(out), look=look
    )
    _replace(out / "index.html", page)
    _replace(out / "index.json", _machine_readable(audits, out))


def index_is_current(out, audits):
    """Whether the index in `out` says what `write_index` would write; leftovers of a killed run are removed."""
    for name in ("index.html", "index.json"):
        Path(out / f"{name}.part").unlink(missing_ok=True)
    try:
        return (out / "index.html").is_file() and (out / "index.json").read_text(encoding="utf-8") == _machine_readable(audits, out)
    except (OSError, UnicodeDecodeError):
        return False


def _machine_readable(audits, out):
    present = [audit | {"present": (out / audit["report"] / "summary.json").is_file()} for audit in audits]
    return json.dumps({"audits": present, "seasons": [name for name, _ in _seasons(out)]}, indent=1, sort_keys=True) + "\n"


def _seasons(out):
    """(folder name, address) of the season studies, newest first."""
    found = sorted((path.parent.parent.name for path in out.glob("*_season*/tables/habits.csv")), reverse=True)
    return [(name, quote(f"{name}/report.html")) for name in found]


def _by_delivery(audits, out):
    """(delivery, rows newest first), the delivery audited last first."""
    grouped = {}
    for audit in audits:
        grouped.setdefault(audit["delivery"], []).append(audit)
    newest_first = sorted(grouped.items(), key=lambda item: -item[1][-1]["number"])
    return [(name, _rows(group, out)) for name, group in newest_first]


def _rows(group, out):
    rows = []
    before = None
    for audit in group:
        action = action_count(audit)
        rows.append(
            {
                "audited_at": audit["audited_at"].replace("T", " "),
                "href": quote(f"{audit['report']}/report.html"),
                "present": (out / audit["report"] / "report.html").is_file(),
                "verdict": verdict_words(audit["verdict"]),
                "files": audit["files"],
                "action": action,
                "sign": look.SEVERITY_MARKS[SIGNS[audit["verdict"]]].character if audit["verdict"] in SIGNS else "",
                "trend": _trend(before, action),
            }
        )
        before = action
    return rows[::-1]


def action_count(summary):
    """Findings of a summary that need action: critical and major."""
    counts = summary.get("findings_by_severity", {})
    return counts.get("critical", 0) + counts.get("major", 0)


def _trend(before, now):
    if before is None:
        return "first audit"
    if now == before:
        return "unchanged"
    return f"{abs(now - before)} {'more' if now > before else 'fewer'} to act on"


def _replace(path, text):
    temporary = Path(f"{path}.part")
    with open(temporary, "w", encoding="utf-8") as file:
        file.write(text)
        file.flush()
        os.fsync(file.fileno())
    os.replace(temporary, path)

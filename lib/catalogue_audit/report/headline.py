"""What a report says first: the verdict, why, and the facts of the delivery."""

from catalogue_audit.report.actions import things_to_do, work
from catalogue_audit.report.numbers import count_text, number_text
from catalogue_audit.report.since_before import state_counts
from catalogue_audit.report.wording import VERDICT_TITLES, is_missing, plain_text
from catalogue_audit.schema import SEVERITIES


def headline(audit):
    """
    What the first screen says.

    Returns
    -------
    dict
        ``title``, ``text``, ``severity`` ('' where all is well), ``facts`` (word → text), ``work`` (as `actions.work` gives), ``lead`` text.
    """
    summary, things = audit.summary, things_to_do(audit.findings)
    files = len(audit.frames)
    unread = int((audit.frames["status"] == "not_measured").sum())
    counts = {severity: sum(thing.severity == severity for thing in things) for severity in SEVERITIES}
    pictures = len({file for thing in things if thing.severity != "minor" for file in thing.files})
    verdict = VERDICT_TITLES.get(summary.get("verdict"), plain_text(summary.get("verdict")))
    if files == unread:
        lead = "Nothing in this delivery could be measured." if files else "There is no picture in this delivery."
    elif not counts["critical"] and not counts["major"]:
        lead = "Nothing needs action." if not counts["minor"] else f"Nothing needs action; {count_text(counts['minor'], 'remark')} to know of."
    else:
        number = counts["critical"] + counts["major"]
        lead = f"{count_text(number, 'thing')} to do" + (f", in {pictures} of {count_text(files, 'picture')}." if pictures else ".")
    return {
        "title": verdict,
        "lead": lead,
        "severity": next((severity for severity in ("critical", "major") if counts[severity]), ""),
        "counts": counts,
        "work": work(things, audit.products),
        "why": [sentence_of(reason) for reason in summary.get("reasons") or ()] if counts["critical"] or counts["major"] else [],
        "facts": _facts(audit, files, unread),
    }


def sentence_of(words):
    """Words as a sentence: first letter large, one full stop."""
    words = plain_text(words)
    return words[:1].upper() + words[1:].rstrip(".") + "." if words else ""


def _facts(audit, files, unread):
    summary = audit.summary
    facts = [("Pictures", count_text(files, "file") + (f", {count_text(unread, 'not measured', 'not measured')}" if unread else ", all measured") if files else "none")]
    if not is_missing(summary.get("products")):
        complete = summary.get("complete_products")
        facts.append(("Products", number_text(summary["products"], digits=0) + ("" if is_missing(complete) else f", {count_text(complete, 'with all views', 'with all views')}")))
    since = state_counts(audit.comparison)
    if since:
        facts.append(("Since before", since))
    times = audit.frames["captured_at"].dropna()
    if len(times):
        first, last = min(times)[:16].replace("T", " "), max(times)[:16].replace("T", " ")
        facts.append(("Captured", f"{first} to {last}"))
    sampling = summary.get("sampling")
    if sampling:
        facts.append(("By eye", plain_text(sampling["words"])))
    facts.append(("Stage", plain_text(summary.get("stage")) or "unknown"))
    facts.append(("Audited", plain_text(summary.get("audited_at"))[:16].replace("T", " ")))
    return facts

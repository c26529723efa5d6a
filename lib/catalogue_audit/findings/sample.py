"""
The random sample of products for what only eyes can judge: drawn, read back from its check sheet, decided.

A delivery is a lot, a product an item. The check sheet is a CSV table with one
row a product and one column a question, answered yes, no, or - where it does
not apply. Anything answered with no makes the product nonconforming.
"""

import hashlib
import json
from pathlib import Path
from typing import NamedTuple

from catalogue_audit.delivery.plain_file import read_plain_file
from catalogue_audit.delivery.products import parse_products
from catalogue_audit.delivery.view_words import fold
from catalogue_audit.errors import UsageError
from catalogue_audit.findings.rows import counted, finding, listed, plain, sentence
from catalogue_audit.statistics.sampling import (
    Plan,
    Switching,
    draw_sample,
    judge_sample,
    quality_at,
    sampling_plan,
    switch_inspection,
)

SHEET_BYTES = 10_000_000
YES, NO, NOT_APPLICABLE = "yes", "no", "-"
ANSWERS = {
    **dict.fromkeys(("yes", "y", "ok", "1", "true"), YES),
    **dict.fromkeys(("no", "n", "0", "false"), NO),
    **dict.fromkeys(("-", "\N{EN DASH}", "n/a", "na"), NOT_APPLICABLE),
}
ISOLATED_RISK = 0.1  # chance of acceptance up to which a lot on its own counts as protected (limiting quality)


class CheckSheet(NamedTuple):
    """
    A check sheet as filled in.

    Attributes
    ----------
    name : str
        The file's own name.
    answers : dict of str to dict of str to str
        SKU as written → question → 'yes', 'no', '-' or '' where nothing was filled in.
    notes : dict of str to str
        SKU as written → remark.
    """

    name: str
    answers: dict
    notes: dict


class Sample(NamedTuple):
    """
    The sample of one delivery.

    Attributes
    ----------
    lot : int
        Products delivered.
    plan : Plan
    switching : Switching
        Which inspection holds, by the earlier deliveries, and why.
    answers : dict of str to dict of str to str
        SKU of the sample → question → answer, '' where there is none yet.
    notes : dict of str to str
    decision : str or None
        'accept', 'reject', or None while the sheet is not complete.
    back_to_normal : bool
        Accepted on reduced inspection, but the next delivery is under normal inspection again.
    """

    lot: int
    plan: Plan
    switching: Switching
    answers: dict
    notes: dict
    decision: str | None
    back_to_normal: bool

    @property
    def answered(self):
        """SKUs of which every question is answered, or one with no."""
        return [sku for sku, given in self.answers.items() if all(given.values()) or NO in given.values()]

    @property
    def nonconforming(self):
        """SKUs of which something is not as it should be."""
        return [sku for sku, given in self.answers.items() if NO in given.values()]


def read_check_sheet(path, questions):
    """
    Read a filled-in check sheet.

    Parameters
    ----------
    path : str or Path
        CSV, with ``sku``, the questions as headings, and perhaps ``note``; other columns are not read.
    questions : sequence of str
        Of the brief.

    Returns
    -------
    CheckSheet

    Raises
    ------
    UsageError
        Naming file, SKU, question, what was found and what is allowed.
    """
    name = Path(path).name
    table = parse_products(read_plain_file(path, SHEET_BYTES, "check sheet"), name)
    columns = {_heading(column.removeprefix("'")): column for column in table.columns}
    lacking = [question for question in questions if _heading(question) not in columns]
    if lacking or not questions:
        what = f"has no column {lacking[0]!r}" if lacking else "was given, but the brief asks no question ([sampling] questions)"
        raise UsageError(f"The check sheet {name!r} {what}.\nFill in the check_sheet.csv of this delivery's report.")
    answers, notes = {}, {}
    for row in table.to_dict("records"):
        sku = row["sku"].removeprefix("'")
        given = {question: row[columns[_heading(question)]].removeprefix("'") for question in questions}
        answers[sku] = {question: _answer(cell, name, sku, question) for question, cell in given.items()}
        notes[sku] = str(row.get(columns.get("note", ""), "")).removeprefix("'")
    return CheckSheet(name, answers, notes)


def _heading(question):
    return fold(question).replace("_", " ").strip()


def _answer(cell, name, sku, question):
    given = cell.strip().casefold()
    if given and given not in ANSWERS:
        msg = f"{name}, {plain(sku)}, {question!r}: found {cell[:40]!r}.\nAllowed: yes, no, - where it does not apply, or nothing yet."
        raise UsageError(msg)
    return ANSWERS.get(given, "")


def read_earlier(reports):
    """
    What became of the samples of earlier deliveries.

    Parameters
    ----------
    reports : sequence of str or Path
        Report folders, in any order.

    Returns
    -------
    list of dict
        The ``sampling`` part of each summary that has one, with ``audited_at``, oldest first.

    Raises
    ------
    UsageError
        Where one of them holds no readable report.
    """
    parts = []
    for report in reports:
        try:
            summary = json.loads((Path(report) / "summary.json").read_text(encoding="utf-8"))
            part = summary.get("sampling")
            moment = str(summary.get("audited_at"))
        except (OSError, ValueError, AttributeError) as error:
            msg = f"{Path(report).name!r} holds no report (summary.json).\nPass dated report folders of earlier deliveries with --earlier."
            raise UsageError(msg) from error
        if isinstance(part, dict):
            parts.append({**part, "audited_at": moment})
    return sorted(parts, key=lambda part: (part["audited_at"], str(part.get("lot_key"))))


def take_sample(skus, settings, sheet=None, earlier=()):
    """
    The sample of a delivery, with the answers of its check sheet.

    Parameters
    ----------
    skus : sequence of str
        Products delivered.
    settings : Sampling
        Of the brief.
    sheet : CheckSheet, optional
    earlier : sequence of dict
        Of `read_earlier`. Deliveries that were sent in again, or whose sheet was never completed, do not count.

    Returns
    -------
    Sample or None
        None where there is no product or no question.

    Raises
    ------
    UsageError
        The sheet holds a product that is not in the sample: one that somebody chose proves nothing.
    """
    if not skus or not settings.questions:
        return None
    switching = switch_inspection(_earlier_results(earlier, lot_key(skus)), settings.reduced)
    plan = sampling_plan(len(skus), settings.level, settings.aql, switching.inspection)
    drawn = draw_sample(skus, plan.n, settings.seed)
    filled = _matched(sheet, drawn) if sheet else {}
    answers = {sku: {q: sheet.answers[filled[sku]][q] if sku in filled else "" for q in settings.questions} for sku in drawn}
    notes = {sku: sheet.notes[filled[sku]] for sku in drawn if sku in filled and sheet.notes[filled[sku]]}
    sample = Sample(len(skus), plan, switching, answers, notes, None, False)
    bad = len(sample.nonconforming)
    if bad < plan.reject and len(sample.answered) < len(drawn):
        return sample
    decision, back_to_normal = judge_sample(plan, bad)
    return sample._replace(decision=decision, back_to_normal=back_to_normal)


def lot_key(skus):
    """What tells one delivery's products from another's: a hash of the SKUs, whatever their order."""
    return hashlib.sha256("\n".join(sorted(skus)).encode("utf-8", "surrogatepass")).hexdigest()[:16]


def _earlier_results(earlier, own_key):
    """Result of each earlier lot on original inspection, oldest first; of several audits of one lot the last that decided."""
    results = {}
    for part in earlier:
        key = part.get("lot_key")
        if part.get("decision") not in ("accept", "reject") or part.get("sent_in_again") or key == own_key:
            continue
        results.pop(key, None)
        back = part["decision"] == "accept" and part.get("back_to_normal")
        results[key] = "accept_back_to_normal" if back else part["decision"]
    return list(results.values())


def _matched(sheet, drawn):
    """SKU of the sample → SKU as the sheet writes it; spreadsheets drop leading zeros and change case."""
    known = {sku: sku for sku in drawn}
    for form in (str.casefold, lambda sku: sku.casefold().lstrip("0")):
        forms = {}
        for sku in drawn:
            forms.setdefault(form(sku), []).append(sku)
        known = {written: same[0] for written, same in forms.items() if len(same) == 1} | known
    matched = {}
    for written in sheet.answers:
        sku = known.get(written) or known.get(written.casefold()) or known.get(written.casefold().lstrip("0"))
        if sku is None:
            msg = (
                f"{sheet.name}: {plain(written)} is not in the sample of this delivery ({listed(drawn, 3)}).\n"
                "Fill in the check_sheet.csv of this delivery's report: only products drawn at random count."
            )
            raise UsageError(msg)
        matched[sku] = written
    return matched


def styling(evidence):
    """Products of the sample of which something, by eye, is not as it should be: one finding each."""
    sample = evidence.sample
    for sku in sample.nonconforming if sample else ():
        wrong = [question for question, answer in sample.answers[sku].items() if answer == NO]
        remark = f" ({plain(sample.notes[sku])})" if sku in sample.notes else ""
        note = f"the product {plain(sku)} was looked at by eye: {listed([f'{q}: no' for q in wrong])}{remark}"
        yield finding("styling", sentence(note), sku=sku)


def objection(sample):
    """Why the sample speaks against accepting the delivery, as a sentence without a full stop; None where it does not."""
    if sample is None:
        return None
    if sample.switching.stopped:
        return f"sampling has stopped ({sample.switching.reason}): agree with the supplier on what is to change first"
    if sample.decision != "reject":
        return None
    bad = sample.nonconforming
    return (
        f"of {counted(len(sample.answers), 'product')} drawn at random and looked at, {len(bad)} {'has' if len(bad) == 1 else 'have'} "
        f"something wrong ({listed(bad, 3)}), where {sample.plan.accept or 'none'} may"
    )


def sample_words(sample):
    """Where the sample stands, in a few words for the report."""
    total = counted(len(sample.answers), "product")
    if sample.decision is None:
        return f"{total} to look at, {len(sample.answered)} done"
    return f"{'in order' if sample.decision == 'accept' else 'not accepted'}: {len(sample.nonconforming)} of {total} with something wrong"


def sampling_summary(sample, settings, skus, sent_in_again):
    """
    The sample for ``summary.json``.

    Parameters
    ----------
    sample : Sample or None
    settings : Sampling
        Of the brief.
    skus : sequence of str
        Products delivered.
    sent_in_again : bool
        A re-delivery, which does not count for switching (only original inspection does).

    Returns
    -------
    dict or None
    """
    if sample is None:
        return None
    plan = sample.plan
    return {
        "level": settings.level,
        "aql": settings.aql,
        "seed": settings.seed,
        "lot": sample.lot,
        "lot_key": lot_key(skus),
        "code_letter": plan.letter,
        "sample_size": plan.n,
        "whole_lot": plan.whole_lot,
        "accept": plan.accept,
        "reject": plan.reject,
        "inspection": sample.switching.inspection,
        "inspection_reason": sample.switching.reason,
        "stopped": sample.switching.stopped,
        "detects": quality_at(ISOLATED_RISK, sample.lot, plan.n, plan.accept),
        "questions": list(settings.questions),
        "products": [{"sku": sku, "answers": given, "note": sample.notes.get(sku, "")} for sku, given in sample.answers.items()],
        "answered": len(sample.answered),
        "nonconforming": len(sample.nonconforming),
        "decision": sample.decision,
        "back_to_normal": sample.back_to_normal,
        "sent_in_again": sent_in_again,
        "words": sample_words(sample),
    }

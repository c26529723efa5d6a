"""The verdict: a row a product, and the delivery as a whole, by the acceptance rules of the brief."""

from typing import NamedTuple

from catalogue_audit import schema
from catalogue_audit.findings import brief_terms
from catalogue_audit.findings.completeness import delivered_views, views_of_products
from catalogue_audit.findings.decisions import is_accepted
from catalogue_audit.findings.rows import check_words, counted, listed, text, view_words
from catalogue_audit.findings.sample import objection
from catalogue_audit.statistics.tables import table_from_rows

ACCEPT, CORRECT, RETURN = "accept", "accept_after_corrections", "return"
ACTING = ("critical", "major")
# How a reason names what a remedy asks for.
BACK_FOR = (("reshoot", "to photograph again"), ("supply", "with pictures missing, damaged or of another product"))
MENDED_BY = (("retouch", "to retouch"), ("re-export", "to export again"), ("rename", "to rename"), ("check", "to look at"), ("supply", "to supply"), ("reshoot", "to photograph again"))


def product_table(evidence, findings):
    """
    A row for each product, in the folder or in the products file.

    A product is returned when something critical or major has a remedy that
    the brief sends back for (by default reshoot and supply: it needs the bag
    or a file that is not there); it is accepted after corrections when
    software or a better name is enough; minor findings change nothing.

    Parameters
    ----------
    evidence : Evidence
    findings : DataFrame

    Returns
    -------
    DataFrame
        The products table, sorted by SKU in the order of the frames, then of the products file.
    """
    own_findings = _by_product(findings[~is_accepted(findings)])
    returning = brief_terms.returning_remedies(evidence.brief)
    rows = []
    for sku, views in views_of_products(evidence).items():
        supplied = evidence.supplied.get(sku) or evidence.supplied_by_key.get(sku.casefold()) or {}
        own = own_findings.get(sku, ())
        row = {name: text(supplied.get(name)) for name in schema.PRODUCT_FILE_COLUMNS}
        row.update(
            sku=sku,
            views_present=" ".join(views.present),
            views_missing=" ".join(views.missing),
            views_awaited=" ".join(views.awaited),
            worst_severity=min((one.severity for one in own), key=schema.SEVERITIES.index, default=None),
            findings=len({one.cause for one in own if one.cause}) + sum(not one.cause for one in own),
            verdict=_product_verdict(own, returning),
        )
        row.update({name: _number(row.get(name)) for name in ("width_cm", "height_cm", "depth_cm")})
        rows.append(row)
    return table_from_rows("products", rows)


def _by_product(findings):
    """Findings by SKU as plain tuples: a products file may list a million products, each with findings of its own."""
    own = {}
    columns = (findings[name] for name in ("sku", *_Finding._fields))
    for sku, severity, remedy, cause in zip(*columns, strict=True):
        if isinstance(sku, str):
            own.setdefault(sku, []).append(_Finding(severity, remedy, text(cause)))
    return own


class _Finding(NamedTuple):
    """What of a finding counts for its product."""

    severity: str
    remedy: str
    cause: str | None


def _product_verdict(findings, returning):
    """Verdict on one product from its own findings, accepted ones left out."""
    remedies = {one.remedy for one in findings if one.severity in ACTING}
    return RETURN if remedies & set(returning) else CORRECT if remedies else ACCEPT


def count_causes(findings):
    """Findings, counted so that all that share a change, a run or a file are one."""
    shared = findings["cause"].dropna()
    return int(findings["cause"].isna().sum() + shared.nunique())


def delivery_verdict(evidence, findings, products):
    """
    Counts, verdict, reasons and exit status of the whole delivery.

    Parameters
    ----------
    evidence : Evidence
    findings : DataFrame
        The findings table; accepted findings stay in it and count for nothing.
    products : DataFrame
        From `product_table`.

    Returns
    -------
    dict
        For ``summary.json``: counts, ``findings_by_check``,
        ``findings_by_severity``, ``accepted_findings``, ``products_by_verdict``,
        ``verdict``, ``verdict_sentence``, ``reasons``, ``exit_status``.
    """
    frames = evidence.frames
    accepted = is_accepted(findings)
    open_findings = findings[~accepted]
    acting = open_findings[open_findings["severity"].isin(ACTING)]
    measured = int((frames["status"] != "not_measured").sum())
    verdict, reasons = _verdict(evidence, open_findings, acting, products, measured)
    by_verdict = products["verdict"].value_counts()
    return {
        "files": len(frames),
        "measured": measured,
        "not_measured": len(frames) - measured,
        "products": len(products),
        "products_left_out": 0 if evidence.undelivered is None else len(evidence.undelivered),
        "complete_products": _complete(evidence, products),
        "findings": count_causes(open_findings),
        "findings_by_check": _by(open_findings, "check", schema.CHECKS),
        "findings_by_severity": _by(open_findings, "severity", schema.SEVERITIES),
        "accepted_findings": int(accepted.sum()),
        "products_by_verdict": {name: int(by_verdict.get(name, 0)) for name in (ACCEPT, CORRECT, RETURN)},
        "verdict": verdict,
        "verdict_sentence": _sentence(verdict, reasons, measured, len(frames)),
        "reasons": reasons,
        "exit_status": 1 if len(acting) or not measured else 0,
    }


def _verdict(evidence, findings, acting, products, measured):
    """Verdict by the brief's acceptance rules, and the reasons for it: sentences without a full stop."""
    if not measured:
        return RETURN, ["none of the files could be measured"]
    returning = brief_terms.returning_remedies(evidence.brief)
    returned = products[products["verdict"] == RETURN]
    going_back = acting[acting["remedy"].isin(returning)]
    tolerated = len(returned) <= brief_terms.returned_share(evidence.brief) * len(products)
    reasons = [] if tolerated else [_returned_words(returned, len(products), going_back)]
    reasons += _without_product(going_back[going_back["sku"].isna()])
    reasons += [words for words in [objection(evidence.sample)] if words]
    if reasons:
        return RETURN, reasons
    if len(acting):
        reasons = [_returned_words(returned, len(products), going_back) + ", which the brief tolerates"] if len(returned) else []
        return CORRECT, reasons + _mended_words(acting[~acting["remedy"].isin(returning)])
    minor = count_causes(findings)
    return ACCEPT, [f"{counted(minor, 'minor finding')}, nothing that needs action" if minor else "no findings"]


def _returned_words(returned, total, going_back):
    """How many products go back, and for what."""
    own = going_back[going_back["sku"].isin(set(returned["sku"]))]
    why = [f"{own.loc[own['remedy'] == remedy, 'sku'].nunique()} {words}" for remedy, words in BACK_FOR if (own["remedy"] == remedy).any()]
    return f"{len(returned)} of {counted(total, 'product')} must go back ({listed(returned['sku'], 3)}): {_enumerated(why)}"


def _without_product(findings):
    """A reason for each check that sends pictures back without saying of which product: a view, the delivery, unread names."""
    reasons = []
    single = findings[findings["file"].notna()]
    if len(single):
        checks = single.groupby("check")["file"].nunique().sort_values(ascending=False, kind="stable").index
        pictures = single["file"].nunique()
        reasons.append(
            f"{counted(pictures, 'picture')} of no known product {'needs' if pictures == 1 else 'need'} to be taken or supplied again "
            f"({listed([check_words(check) for check in checks], 3)})"
        )
    for check, view in findings.loc[findings["file"].isna(), ["check", "view"]].drop_duplicates().itertuples(index=False):
        if check == "missing_view" and not text(view):
            reasons.append("most products of the products file were not delivered")
            continue
        whose = f"the {view_words(view)} pictures" if text(view) else "the pictures"
        reasons.append(
            f"the {view_words(view)} is missing from nearly every product"
            if check == "missing_view" and text(view)
            else f"nearly all of {whose} need to be taken or supplied again ({check_words(check)})"
        )
    return reasons


def _mended_words(findings):
    """What can be put right without new pictures, by remedy, causes counted once."""
    if findings.empty:
        return []
    counts = [(count_causes(findings[findings["remedy"] == remedy]), words) for remedy, words in MENDED_BY]
    number = count_causes(findings)
    named = _enumerated([f"{count} {words}" for count, words in counts if count])
    return [f"{counted(number, 'thing')} can be put right without new pictures: {named}"]


def _enumerated(parts):
    """Parts of a sentence: 'a', 'a and b', 'a, b and c'."""
    return " and ".join(part for part in (", ".join(parts[:-1]), parts[-1]) if part)


def _sentence(verdict, reasons, measured, total):
    words = {
        ACCEPT: "Accept the delivery",
        CORRECT: "Accept the delivery after corrections",
        RETURN: "Send the delivery back",
    }[verdict]
    return f"{words}: {'; '.join(reasons)} ({measured} of {counted(total, 'file')} measured)."


def _complete(evidence, products):
    delivered = delivered_views(evidence)
    complete = [
        sku
        for sku, missing, awaited in zip(
            products["sku"], products["views_missing"], products["views_awaited"], strict=True
        )
        if not text(missing) and not text(awaited) and delivered.get(sku)
    ]
    return len(complete)


def _by(findings, column, names):
    """Counts by a column, causes counted once, in the order of `names`, without zeros."""
    counts = {name: count_causes(group) for name, group in findings.groupby(column)}
    return {name: counts[name] for name in names if name in counts}


def _number(value):
    try:
        return float(str(value).replace(",", "."))
    except ValueError:
        return None

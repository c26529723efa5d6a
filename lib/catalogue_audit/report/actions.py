"""
From findings to things to do: what shares one cause is one thing, worst first.

Nothing is judged here; the findings are only put in the order in which people work.
"""

from typing import NamedTuple

import numpy as np
import pandas as pd

from catalogue_audit.findings.decisions import is_accepted
from catalogue_audit.report.numbers import AT_LEAST_CHECKS, AT_MOST_CHECKS, count_text, range_text
from catalogue_audit.report.wording import NOTE_LIMIT, REMEDY_ORDER, finding_title, is_missing, plain_text, view_title
from catalogue_audit.schema import SEVERITIES

REFERENCE_COLUMNS = ("fill_height", "centre_dx", "centre_dy", "roll_deg", "yaw_deg", "wb_dev", "exposure_dev_ev")
AGAIN = ("reshoot", "supply")  # remedies that need the product in front of the camera, or a new file
KINDS = 5  # kinds of findings named in a line about a remedy
NAMED = 3  # products named one by one
CANDIDATES = 60  # pictures that can stand for a view or style: enough to hold one of each shape, few enough to look through for each finding
# What a check without a number weighs among its severity, in tolerances; wrong goods before wrong looks.
WEIGHT_WITHOUT_NUMBER = {"wrong_product": 9.0, "missing_view": 8.0, "unreadable_file": 7.0, "wrong_detail": 6.0}


class Thing(NamedTuple):
    """
    One thing to do.

    Attributes
    ----------
    rows : tuple of int
        Rows of the findings table, worst first; the first one stands for all.
    severity, check, remedy : str
    files, skus : tuple of str
    view : str
        '' where there is none.
    title, note : str
    measured : str
        What was measured against what is allowed, over all rows; '' where there is no number.
    weight : float
        Largest deviation in tolerances.
    """

    rows: tuple
    severity: str
    check: str
    remedy: str
    files: tuple
    skus: tuple
    view: str
    title: str
    note: str
    measured: str
    weight: float


def severity_rank(severity):
    """0 for the worst severity; an unknown one comes last."""
    return SEVERITIES.index(severity) if severity in SEVERITIES else len(SEVERITIES)


def remedy_rank(remedy):
    """Place of a remedy in the order of work; an unknown one comes last."""
    return REMEDY_ORDER.index(remedy) if remedy in REMEDY_ORDER else len(REMEDY_ORDER)


def excess(finding):
    """
    How far a finding lies beyond what is allowed, in tolerances; 1 where it has no number.

    Examples
    --------
    >>> excess({"check": "roll", "value": -2.0, "expected": 0.0, "tolerance": 0.8})
    2.5
    """
    value, tolerance = finding.get("value"), finding.get("tolerance")
    check = finding.get("check")
    if is_missing(value) or is_missing(tolerance) or tolerance == 0:
        return WEIGHT_WITHOUT_NUMBER.get(check, 1.0)
    if check in AT_MOST_CHECKS:
        return abs(value / tolerance)
    if check in AT_LEAST_CHECKS:
        return min(abs(tolerance) / max(abs(value), 1e-6), 9.0)
    expected = 0.0 if is_missing(finding.get("expected")) else finding["expected"]
    return abs(value - expected) / abs(tolerance)


def things_to_do(findings):
    """
    Findings grouped into things to do, worst first.

    Parameters
    ----------
    findings : DataFrame
        Findings table, default integer index.

    Returns
    -------
    list of Thing
        Every row of the table is in exactly one thing; what somebody has accepted is in none.
    """
    groups, accepted = {}, accepted_rows(findings)
    for number, row in enumerate(findings.to_dict("records")):
        if number in accepted:
            continue
        key = number if is_missing(row.get("cause")) else row["cause"]
        groups.setdefault(key, []).append(row | {"row": number})
    things = [_thing(rows) for rows in groups.values()]
    return sorted(things, key=lambda thing: (severity_rank(thing.severity), -thing.weight, -len(thing.files), thing.rows[0]))


def in_order_of_work(findings):
    """
    Rows of the findings table that are not accepted, in the order in which people work: by remedy, severity and product.

    Returns
    -------
    list of int
    """
    accepted = accepted_rows(findings)
    keys = [
        (remedy_rank(row["remedy"]), severity_rank(row["severity"]), plain_text(row["sku"]), number)
        for number, row in enumerate(findings[["remedy", "severity", "sku"]].to_dict("records"))
        if number not in accepted
    ]
    return [number for *_, number in sorted(keys)]


def accepted_rows(findings):
    """
    Rows of the findings table that a decision has accepted: shown, but nothing to do.

    Returns
    -------
    set of int
    """
    return set(np.flatnonzero(np.asarray(is_accepted(findings), bool)).tolist()) if len(findings) else set()


def _thing(rows):
    rows = sorted(rows, key=lambda row: (severity_rank(row["severity"]), -excess(row), row["row"]))
    lead = rows[0]
    files = tuple(dict.fromkeys(row["file"] for row in rows if not is_missing(row["file"])))
    skus = tuple(dict.fromkeys(row["sku"] for row in rows if not is_missing(row["sku"])))
    return Thing(
        rows=tuple(row["row"] for row in rows),
        severity=lead["severity"],
        check=lead["check"],
        remedy=lead["remedy"],
        files=files,
        skus=skus,
        view="" if is_missing(lead["view"]) else lead["view"],
        title=finding_title(lead),
        note=_shared_note(lead, files) if len(rows) > 1 else plain_text(lead["note"], NOTE_LIMIT),
        measured=range_text(rows),
        weight=excess(lead),
    )


def _shared_note(lead, files):
    return f"{count_text(len(files), 'picture')} share one cause: {_cause_words(lead)}. {plain_text(lead['note'], NOTE_LIMIT)}"


def _cause_words(lead):
    """The cause with what it is that changed: 'change at b.jpg' alone leaves that to be guessed."""
    cause, what = plain_text(lead["cause"]), finding_title(lead)
    for start, words in (("change at ", "changed at "), ("drift from ", "drifted from ")):
        if cause.startswith(start):
            return f"{what[:1].lower()}{what[1:]} {words}{cause.removeprefix(start)}"
    return cause


def subject(thing):
    """Whom a thing concerns, in a few words: a product and view, a file, several, or the delivery."""
    if len(thing.files) > 1:
        return count_text(len(thing.files), "picture") + (f" of {_named(thing.skus)}" if thing.skus else "")
    if thing.files and not thing.view:  # several pictures of a product may have no view
        return plain_text(thing.files[0])
    if thing.skus or thing.files:
        return plain_text((thing.skus or thing.files)[0])
    return f"all {view_title(thing.view)} pictures" if thing.view else _all(thing.check)


def _all(check):
    """What a finding without file, product and view is about: a picture is missing from products, not from 'the delivery'."""
    return "several products" if check == "missing_view" else "the delivery"


def work(things, products):
    """
    What has to be done, a line a remedy in the order of work: how much of it, what for, and until when.

    Parameters
    ----------
    things : list of Thing
    products : DataFrame
        The products table, which may say when samples leave and when products go live.

    Returns
    -------
    list of (remedy, severity, amount, kinds, until)
        Remedy, its worst severity, and three texts; without what is minor.
    """
    by_remedy = {}
    for thing in things:
        if thing.severity != "minor":
            by_remedy.setdefault(thing.remedy, []).append(thing)
    dates = {row["sku"]: row for row in products.to_dict("records")}
    return [
        (remedy, min((thing.severity for thing in group), key=severity_rank), _amount(group), _kinds(group), _until(remedy, group, dates))
        for remedy, group in sorted(by_remedy.items(), key=lambda item: remedy_rank(item[0]))
    ]


def _amount(group):
    """How many pictures of which products; a picture that is missing counts as one, and what was found on a product as a whole is all of it."""
    of_pictures = [thing for thing in group if thing.files or (thing.check == "missing_view" and thing.skus)]
    of_products = [thing for thing in group if thing not in of_pictures and thing.skus]
    count = len({file for thing in of_pictures for file in thing.files}) + sum(len(thing.rows) for thing in of_pictures if not thing.files)
    parts = []
    if count:
        of = _products(of_pictures)
        parts.append(count_text(count, "picture") + (f" of {of}" if of else ""))
    if of_products:
        parts.append(f"all of {_products(of_products)}")
    return " and ".join([*parts, *dict.fromkeys(_all(thing.check) for thing in group if not thing.files and not thing.skus)])


def _products(group):
    """The products of some things: by name where they are few."""
    skus = sorted({sku for thing in group for sku in thing.skus})
    return count_text(len(skus), "product") if len(skus) > NAMED else _named(skus)


def _kinds(group):
    """What for: the titles of the worst kinds, and how many more there are."""
    titles = list(dict.fromkeys(thing.title if thing.title[:2].isupper() else thing.title[:1].lower() + thing.title[1:] for thing in group))
    more = len(titles) - KINDS
    return ", ".join(titles) if more <= 1 else ", ".join(titles[:KINDS]) + f" and {more} more kinds"


def _until(remedy, group, dates):
    """By when: the day on which the first sample leaves, or, where no sample is needed, the first product goes live; '' where no date is known."""
    column, one, many = ("sample_until", "sample leaves", "samples leave") if remedy in AGAIN else ("live_on", "goes live", "go live")
    skus = {sku for thing in group for sku in thing.skus}
    days = [day for day in (plain_text(dates.get(sku, {}).get(column)) for sku in skus) if day]
    if not days:
        return ""
    if len(days) == len(skus) and len(set(days)) == 1:
        return f"{one if len(days) == 1 else many} on {days[0]}"
    return f"the first {one} on {min(days)}"


def _named(skus):
    """The first few products by name, and how many more there are."""
    return ", ".join(plain_text(sku, 40) for sku in skus[:NAMED]) + (f" and {len(skus) - NAMED} more" if len(skus) > NAMED else "")


def reference_pictures(frames, findings):
    """
    Pictures that can stand for each view: without findings, and nearest to the set's middle, best first.

    Parameters
    ----------
    frames, findings : DataFrame

    Returns
    -------
    dict of (view, style) to tuple of file
        Under style '' for the view as a whole; under a style's name where it has pictures without findings, for a bag
        is best compared with one of the same shape.
    """
    faulty = set(findings.loc[findings["severity"].isin(("critical", "major")), "file"].dropna())
    measured = frames[frames["status"].isin(("measured", "measured_with_note")) & frames["view"].notna()]
    references = {}
    for view, group in measured.groupby("view", sort=True):
        good = group[~group["file"].isin(faulty)]
        references[view, ""] = _middle_pictures(good if len(good) else group)
        for style, part in good.groupby("style", sort=True):
            references[view, style] = _middle_pictures(part)
    return references


def _middle_pictures(group):
    distance = np.zeros(len(group))
    for column in REFERENCE_COLUMNS:
        values = group[column].to_numpy(dtype=float, na_value=np.nan)
        known = values[np.isfinite(values)]
        if not len(known):
            continue
        middle = np.median(known)
        spread = np.median(np.abs(known - middle)) or 1e-6
        distance += np.where(np.isfinite(values), np.minimum(np.abs(values - middle) / spread, 9.0), 9.0)
    return tuple(group["file"].iloc[np.argsort(distance, kind="stable")[:CANDIDATES]])


def reference_of(references, view, style=None, file=None, frames=None):
    """
    Reference picture for a view, of the same style where it has one.

    Parameters
    ----------
    references : dict
        As `reference_pictures` gives.
    file : str, optional
        The picture that is compared; it is never its own reference.
    frames : mapping of file to row, optional
        By which the one is taken whose product is as wide for its height as that of `file`.

    Returns
    -------
    str or None
    """
    of_style = [found for found in references.get((view, "" if is_missing(style) else style), ()) if found != file]
    if of_style and frames and file in frames:
        own = breadth(frames[file])
        of_style.sort(key=lambda found: abs(breadth(frames[found]) - own))
    return next((found for found in (*of_style, *references.get((view, ""), ())) if found != file), None)


def breadth(frame):
    """Logarithm of the product's width over its height, 0 where its box is not known."""
    sides = [frame.get(name) for name in ("left", "right", "top", "bottom", "width_px", "height_px")]
    if any(is_missing(side) for side in sides):
        return 0.0
    left, right, top, bottom, width, height = (float(side) for side in sides)
    return float(np.log(max((right - left) * width, 1.0) / max((bottom - top) * height, 1.0)))


def remedy_counts(findings):
    """
    How many findings each remedy has, by severity.

    Returns
    -------
    list of (remedy, {severity: count})
        In the order of work; remedies without findings are left out.
    """
    findings = findings[~findings.index.isin(accepted_rows(findings))]
    table = pd.crosstab(findings["remedy"], findings["severity"]) if len(findings) else pd.DataFrame()
    return [
        (remedy, {s: int(table.at[remedy, s]) if s in table else 0 for s in SEVERITIES})
        for remedy in sorted(table.index, key=remedy_rank)
    ]


def spoken_subject(finding):
    """Product and view of a finding as people say them."""
    sku, view, file = (plain_text(finding.get(name)) for name in ("sku", "view", "file"))
    if view and not sku and not file:
        return f"all {view_title(view)} pictures"
    return (", ".join((sku, view_title(view))) if sku and view else file or sku or view_title(view)) or _all(finding.get("check"))

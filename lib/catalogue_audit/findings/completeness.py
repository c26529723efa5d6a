"""Is everything there: required views, conditional ones, counts, and the products file against the folder."""

import difflib
from typing import NamedTuple

from catalogue_audit.delivery.gs1 import GTIN_LENGTHS, gtin_check_digit_ok
from catalogue_audit.findings import brief_terms
from catalogue_audit.findings.misspelt import misspelt
from catalogue_audit.findings.raw_files import raw_companions
from catalogue_audit.findings.rows import called, counted, finding, listed, plain, sentence, text, view_noun, view_words

NEARLY_EVERY = 0.8  # of the products: what so many lack is one thing to ask for, not one a product
MOST_HINTS = 50  # unknown SKUs for which the nearest listed one is looked up
FEWEST_PRODUCTS = 5  # below, "nearly every" means nothing


class Views(NamedTuple):
    """Views of one product: what is there, what is missing, what is not due yet."""

    present: tuple
    missing: tuple
    awaited: tuple


def views_of_products(evidence):
    """
    Views present, missing and awaited of every product, in the folder or in the products file.

    Returns
    -------
    dict of str to Views
        By SKU, products of the folder first, in order of first appearance.
    """
    delivered = delivered_views(evidence)
    skus = list(dict.fromkeys([*evidence.skus, *_named_as_in_folder(evidence)]))
    slips = slips_of_skus(evidence, delivered)
    result = {}
    for sku in skus:
        counts = delivered.get(sku, {})
        missing = [view for view in _required(evidence, sku) if not counts.get(view)] if sku not in slips else []
        awaited = is_awaited(evidence, sku)
        result[sku] = Views(tuple(counts), () if awaited else tuple(missing), tuple(missing) if awaited else ())
    return result


def delivered_views(evidence):
    """Count of pictures by SKU and view, unreadable ones included: they were delivered, if badly."""
    frames = evidence.frames
    named = frames[frames["sku"].notna() & frames["view"].notna() & (frames["view_kind"] != "target")]
    named = named[~named["file"].isin(raw_companions(evidence))]
    delivered = {}
    for sku, view in zip(named["sku"], named["view"], strict=True):
        views = delivered.setdefault(sku, {})
        views[view] = views.get(view, 0) + 1
    return delivered


def slips_of_skus(evidence, delivered):
    """Misspelt SKUs of the folder, with the one that is meant: see `misspelt`."""
    listed_skus = None if evidence.products is None else set(_named_as_in_folder(evidence))
    return misspelt(delivered, lambda sku: _required(evidence, sku), listed_skus)


def is_awaited(evidence, sku):
    """Whether a product's pictures are not due yet on the day of the judgement."""
    due = text(product_of(evidence, sku).get("due"))
    return bool(due and evidence.judged_on and due > evidence.judged_on)


def missing_view(evidence):
    """Required views that are not there."""
    views = views_of_products(evidence)
    lacking = {}
    for sku, found in views.items():
        for view in found.missing:
            lacking.setdefault(view, []).append(sku)
    delivered = delivered_views(evidence)
    judged = [sku for sku in views if not is_awaited(evidence, sku) and delivered.get(sku)]
    everywhere = [
        view
        for view, skus in lacking.items()
        if len(judged) >= FEWEST_PRODUCTS and len([s for s in skus if delivered.get(s)]) >= NEARLY_EVERY * len(judged)
    ]
    unread = _pictures_without_view(evidence)
    misnamed = _misnamed(evidence, delivered)
    for view in everywhere:
        perhaps = [file for sku in lacking[view] for file in unread.get(sku, ())]
        unless = f", unless their pictures of no known view show it (for example {listed(perhaps, 2)})" if perhaps else ""
        note = (
            f"the {view_noun(view)} is missing from {len(lacking[view])} of {len(views)} products{unless}: ask for it, or take "
            f"it out of the brief's required views"
        )
        yield finding("missing_view", sentence(note), view=view)
    untold = [sku for sku, found in views.items() if found.missing and not delivered.get(sku) and unread.get(sku)]
    nameless = [] if delivered else unread.get(None, [])  # not one name says which product it shows
    if untold:
        yield _untold_views(untold, unread)
    if nameless and not untold and views:
        yield _untold_products(nameless, views)
    for sku, found in views.items():
        if sku in untold or (nameless and not unread.get(sku)):
            continue
        if not delivered.get(sku) and found.missing:
            note = f"no picture of {plain(sku)} was delivered: ask for {listed([view_noun(v) for v in found.missing])}"
            yield finding("missing_view", sentence(note), sku=sku)
            continue
        for view in found.missing:
            if view not in everywhere:
                yield _missing_row(evidence, sku, view, unread.get(sku, ()), misnamed.get((sku, view), ()))
    yield from _too_few(evidence, views, delivered)
    yield from _skipped_numbers(evidence)
    yield from () if nameless else _undelivered(evidence)


def _pictures_without_view(evidence):
    """Files by SKU whose names do not say which view they show; under None those that do not name the product either."""
    frames = evidence.frames
    files = {}
    along = raw_companions(evidence)
    for frame in evidence.records(frames[frames["view"].isna() & (frames["view_kind"] != "target")]):
        if frame["file"] in along:
            continue
        files.setdefault(text(frame["sku"]), []).append(frame["file"])
    return files


def _untold_views(untold, unread):
    """One finding for the products all of whose pictures carry numbers, or nothing, instead of views."""
    files = [file for sku in untold for file in unread[sku]]
    whose = plain(untold[0]) if len(untold) == 1 else f"{len(untold)} products"
    note = (
        f"the names of {counted(len(files), 'picture')} of {whose} do not say which view they show (for example "
        f"{listed(files, 2)}), so nobody can tell whether a required view is missing: rename them by view, or say in the "
        f"brief what the numbers mean (views.numbered)"
    )
    sku = untold[0] if len(untold) == 1 else None
    return finding("missing_view", sentence(note), sku=sku, severity="major", remedy="rename")


def _untold_products(files, views):
    """One finding where the products file says what was due and no name says what was delivered."""
    note = (
        f"no name of the {counted(len(files), 'picture')} says which product it shows (for example {listed(files, 2)}), so "
        f"nobody can tell which of the {counted(len(views), 'product')} of the products file are there: rename them by product and view"
    )
    return finding("missing_view", sentence(note), severity="major", remedy="rename")


def _undelivered(evidence):
    """One finding for the products without a picture, where the products file lists too many for one each."""
    if evidence.undelivered is None or evidence.undelivered.empty or not _required(evidence, ""):
        return
    wanted = evidence.undelivered
    if evidence.judged_on:
        wanted = wanted[~(wanted["due"] > evidence.judged_on)]
    if len(wanted):
        note = (
            f"{len(wanted)} products of the products file have no picture in this folder (for example {listed(wanted['sku'].head(2))}): "
            f"pass the list of this delivery's products, or ask for the pictures"
        )
        yield finding("missing_view", sentence(note), value=len(wanted), expected=0, unit="products")


def _misnamed(evidence, delivered):
    """Files under a misspelt SKU, by the SKU that is meant and their view."""
    slips = slips_of_skus(evidence, delivered)
    files = {}
    for frame in evidence.rows:
        if frame["sku"] in slips and frame["view"]:
            files.setdefault((slips[frame["sku"]], frame["view"]), []).append(frame["file"])
    return files


def _missing_row(evidence, sku, view, unread, misnamed):
    is_main = (text(product_of(evidence, sku).get("main_view")) or brief_terms.main_view(evidence.brief)) == view
    named = f"{view_noun(view)} of {plain(sku)}" + (", its main view," if is_main else "")
    perhaps = f", unless {listed(unread, 2)} of no known view shows it" if unread else ""
    perhaps = f", unless {listed(misnamed, 2)} shows it, whose name differs by a slip" if misnamed else perhaps
    note = f"the {named} is missing{perhaps}: ask for it"
    return finding("missing_view", sentence(note), sku=sku, view=view)


def _too_few(evidence, views, delivered):
    """Views that are there, but not often enough."""
    for sku in views:
        if is_awaited(evidence, sku):
            continue
        for view, (least, _) in _required(evidence, sku).items():
            have = delivered.get(sku, {}).get(view, 0)
            if 0 < have < least:
                note = (
                    f"the product {plain(sku)} has {counted(have, view_words(view) + ' picture')} where at least {least} are "
                    f"required: ask for the rest"
                )
                yield finding(
                    "missing_view", sentence(note), sku=sku, view=view, value=have, expected=least, unit="pictures"
                )


def _skipped_numbers(evidence):
    """
    Pictures whose number a product skips: it has the detail 2, as nearly every product has both.

    How many details a product needs may differ; a number left out says that one was taken and is not here. A picture without a number is the first.
    """
    numbers = {}
    frames = evidence.frames
    named = frames[frames["sku"].notna() & frames["view"].notna() & (frames["view_kind"] != "target")]
    for sku, view, position in zip(named["sku"], named["view"], named["position"].fillna(1), strict=True):
        numbers.setdefault(view, {}).setdefault(sku, set()).add(int(position))
    for view, of_products in numbers.items():
        for number in sorted(set().union(*of_products.values())):
            reaching = [sku for sku, taken in of_products.items() if max(taken) >= number]
            without = [sku for sku in reaching if number not in of_products[sku]]
            if len(reaching) < FEWEST_PRODUCTS or len(reaching) - len(without) < NEARLY_EVERY * len(reaching):
                continue
            for sku in without:
                if is_awaited(evidence, sku):
                    continue
                name = called({"file": "", "sku": sku, "view": view, "position": number})
                note = (
                    f"the {name} is missing, though there is a {view_noun(view)} {max(of_products[sku])} and nearly every "
                    f"product {'has both' if number > 1 else 'that has one has the first'}: ask for it"
                )
                yield finding("missing_view", sentence(note), sku=sku, view=view, severity="major")


def without_strap(evidence):
    """Views of which the brief wants one picture with the strap and one without, where both look the same."""
    frames = evidence.whole_product
    shown = frames[frames["strap_state"].notna()]
    for sku in evidence.skus:
        for view in brief_terms.split_by_strap(evidence.brief, _style(evidence, sku), sku, product_of(evidence, sku)):
            states = shown.loc[(shown["sku"] == sku) & (shown["view"] == view), "strap_state"]
            bare = states == "none"
            if len(states) >= 2 and (bare.all() or not bare.any()):
                lacking = "with" if bare.all() else "without"
                note = f"every {view_noun(view)} of {plain(sku)} shows {'no' if bare.all() else 'the'} strap: ask for one {lacking} it"
                yield finding("missing_view", sentence(note), sku=sku, view=view)


def unknown_products(evidence):
    """SKUs of the folder that the products file does not list."""
    slips = slips_of_skus(evidence, delivered_views(evidence))
    if evidence.products is None:
        for frame in evidence.rows:
            if frame["sku"] in slips and frame["view"]:
                note = f"the file {plain(frame['file'])} names a product of which hardly anything was delivered, and is just what {plain(slips[frame['sku']])} lacks: rename it, if that is meant"
                yield finding("unexpected_file", sentence(note), frame)
        return
    known = {_key(sku): sku for sku in evidence.supplied}
    strangers = [sku for sku in evidence.skus if _key(sku) not in known]
    strange = set(strangers)
    if not strangers:
        return
    if len(strangers) >= NEARLY_EVERY * len(evidence.skus) and len(strangers) >= FEWEST_PRODUCTS:
        note = (
            f"{len(strangers)} of {len(evidence.skus)} products of this folder are not in the products file "
            f"(for example {listed(strangers, 2)}): check that it is the right file"
        )
        yield finding("unexpected_file", sentence(note), remedy="check")
        return
    hints = {sku: _hint(sku, known) for sku in strangers[:MOST_HINTS]}
    hints |= {sku: f"; perhaps {plain(meant)} is meant, which lacks just this" for sku, meant in slips.items()}
    for frame in evidence.rows:
        sku = frame["sku"]
        if sku in strange and frame["view"]:
            hint = hints.get(sku, "")
            note = (
                f"the file {plain(frame['file'])} names the product {plain(sku)}, which the products file does not list{hint}: "
                f"rename it, or add the product"
            )
            yield finding("unexpected_file", sentence(note), frame)


def _hint(sku, known):
    near = difflib.get_close_matches(_key(sku), known, n=1, cutoff=0.75)
    return f"; perhaps {plain(known[near[0]])} is meant" if near else ""


def check_digits(evidence):
    """GTINs whose check digit is wrong, where the brief asks for it."""
    if not brief_terms.wants_check_digits(evidence.brief):
        return
    numbers = {sku: text(product.get("gtin")) for sku, product in evidence.supplied.items()}
    numbers.update({sku: sku for sku in evidence.skus if sku.isascii() and sku.isdigit() and len(sku) in GTIN_LENGTHS})
    for sku, gtin in numbers.items():
        if gtin and not gtin_check_digit_ok(gtin):
            note = (
                f"the number {plain(gtin)} of {plain(sku)} is no valid GTIN (its check digit does not fit): "
                f"correct it before the pictures are named by it"
            )
            yield finding("unexpected_file", sentence(note), sku=sku)


def _required(evidence, sku):
    """View to (fewest, most) pictures of the views that this product must have."""
    return brief_terms.required_views(evidence.brief, _style(evidence, sku), sku, product_of(evidence, sku))


def _style(evidence, sku):
    return text(product_of(evidence, sku).get("style"))


def product_of(evidence, sku):
    """What the products file says of a product, {} where it does not list it."""
    return evidence.supplied.get(sku) or evidence.supplied_by_key.get(_key(sku)) or {}


def _named_as_in_folder(evidence):
    """SKUs of the products file, spelt as the folder spells them where it does and the file has no other product of that spelling."""
    supplied = evidence.supplied
    folder = {_key(sku): sku for sku in evidence.skus if sku not in supplied}
    return [folder.get(_key(sku), sku) for sku in supplied]


def _key(sku):
    return str(sku).casefold()

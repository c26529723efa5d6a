"""
Pictures filed under the wrong product or view.

The whole-product views of one product share their colour, and front and back
their outline, mirrored. A picture that does not fit its own product is
reported only where it fits another one, or where two views fit once exchanged;
how well pictures usually fit is taken from the set itself.
"""

from collections import Counter

import pandas as pd

from catalogue_audit.measures.applicability import STRAIGHT_ON
from catalogue_audit.statistics.geometry.strap_states import strap_states
from catalogue_audit.statistics.matching.belonging import other_halves
from catalogue_audit.statistics.matching.like_pictures import like_another_products
from catalogue_audit.statistics.matching.looks import backdrop_of, looked
from catalogue_audit.statistics.matching.recoloured_views import exchanged_among_recoloured
from catalogue_audit.statistics.matching.shooting_order import (
    SHIFTED_PRODUCTS,
    exchanged_in_order,
    names_shifted,
    neighbouring_skus,
)
from catalogue_audit.statistics.matching.swapped_views import odd_turn, swapped_front_and_back, wrong_kind_of_view
from catalogue_audit.statistics.matching.twin_details import twin_details
from catalogue_audit.statistics.matching.wrong_colourways import wrong_colourways
from catalogue_audit.statistics.matching.wrong_details import Fits, some_of, wrong_details
from catalogue_audit.statistics.matching.wrong_products import claimed_twice, one_photograph_twice, wrong_outlines, wrong_products
from catalogue_audit.statistics.spread import spread

CLEARLY_EXCHANGED = 1.5  # score from which front and back are exchanged although something else is wrong with the product
COLUMNS = ("file", "claimed_sku", "likely_sku", "likely_view", "kind", "score", "evidence", "cause")


def misfiled(frames, sketches, pairs=None, supplied=None):
    """
    Pictures that very likely show another product, or another view, than they are filed under.

    Parameters
    ----------
    frames : DataFrame
        In natural file order.
    sketches : mapping of str to dict of ndarray
    pairs : DataFrame, optional
        Of `identity.group_pictures`: one photograph under two products is filed wrongly under one of them.
    supplied : DataFrame, optional
        The products file; its column ``strap`` tells which products have one.

    Returns
    -------
    DataFrame
        ``file``, ``claimed_sku``, ``likely_sku`` (the claimed one for a wrong view),
        ``likely_view`` (of exchanged views and shifted names, else empty), ``kind`` (wrong_product,
        wrong_detail, swapped_views, wrong_view, shifted),
        ``score`` (1 and more: how many times the evidence exceeds what is needed),
        ``evidence`` (plain words), ``cause`` (one text for files with a common
        cause, else empty); sorted by file, one row a file.
    """
    looks = _looks(frames, sketches)
    crops = {row for row in looks if frames["view_kind"][row] == "crop"}
    products = {}
    for row in looks:
        if row not in crops:
            products.setdefault(frames["sku"][row], []).append(row)
    inside = neighbouring_skus(frames)
    fits = Fits(frames, sketches)
    straps = strap_states(frames, sketches, supplied)
    twice = claimed_twice(frames, looks, pairs)
    shown = {sku: rows for sku, rows in products.items() if not twice.issuperset(rows)}  # by more than what may be another's
    found = {}
    for step in (
        names_shifted(frames, looks, products),
        one_photograph_twice(frames, looks, products, crops, pairs, fits),
        exchanged_among_recoloured(frames, looks, pairs),
        wrong_kind_of_view(frames, looks, crops),
        wrong_products(frames, sketches, looks, products, inside, pairs),
        wrong_colourways(frames, sketches, looks, products),
        like_another_products(frames, sketches, looks, products, found),
        exchanged_in_order(frames, looks, products, inside),
        odd_turn(frames, sketches, looks, products, straps),
        swapped_front_and_back(frames, sketches, looks, products, crops, fits, straps, found),  # as found by then
        wrong_outlines(frames, looks, products, found),
        wrong_details(frames, looks, shown, crops, inside, fits, found),
        twin_details(frames, sketches, looks, products, crops, fits),
    ):
        settled, exchanged, filed, doubtful = _settled(frames, found, products)
        for row, finding in step:
            explained = settled
            if finding[2] >= CLEARLY_EXCHANGED and finding[1] == "swapped_views" and frames["view"][row] in STRAIGHT_ON:
                explained = exchanged
            elif finding[1] == "wrong_detail":
                explained = doubtful if finding[2] >= CLEARLY_EXCHANGED else filed
            if frames["sku"][row] not in explained:
                found.setdefault(row, finding)
    for row, finding in other_halves(frames, looks, products, found):
        found.setdefault(row, finding)
    return _table(frames, found)


def _settled(frames, found, products):
    """
    Products of which something is found: what one mistake explains needs no second one.

    All of them, but for those where a detail alone is foreign, which says nothing of the whole views; those but where a three-quarter view
    alone is another product's, which does not explain that front and
    back are exchanged; those but where two of its own views are exchanged, which does not explain a foreign detail; and of these
    those but where fewer than half of the whole views are another product's, for the others still tell whether a detail is this one's.
    """
    whole = {row: finding for row, finding in found.items() if finding[1] != "wrong_detail"}
    explains = (row for row, finding in whole.items() if finding[1] != "wrong_product" or frames["view"][row] in STRAIGHT_ON)
    foreign = Counter(frames["sku"][row] for row, finding in found.items() if finding[1] == "wrong_product")
    several = {sku for sku, count in foreign.items() if 2 * count >= len(products.get(sku, ()))}
    several |= {frames["sku"][row] for row, finding in found.items() if finding[1] not in ("wrong_product", "swapped_views")}
    filed = {frames["sku"][row] for row, finding in found.items() if finding[1] != "swapped_views"}
    return {frames["sku"][row] for row in whole}, {frames["sku"][row] for row in explains}, filed, several


def _looks(frames, sketches):
    """Looks of the pictures with a product and a view to their names that show it as such."""
    whole, crops = {}, {}
    for row, (file, sku, view, status, kind) in enumerate(
        zip(*(frames[name] for name in ("file", "sku", "view", "status", "view_kind")), strict=True)
    ):
        if not (isinstance(sku, str) and sku and isinstance(view, str) and view):
            continue
        if status == "not_measured" or kind in ("worn", "target", "other", "overhead"):
            continue
        (crops if kind == "crop" else whole)[row] = file
    looks = _of(whole, sketches, None)
    backdrop = backdrop_of(sketches.get(frames["file"][row]) or {} for row in some_of(looks))
    return dict(sorted((looks | _of(crops, sketches, backdrop)).items()))


def _of(files, sketches, backdrop):
    """Row → look of some files that have one."""
    looks = spread(looked, [(file, backdrop) for file in files.values()], sketches)
    return {row: look for row, look in zip(files, looks, strict=True) if look is not None}


def as_shown(frames, misfiled_files):
    """
    Frames with the product and view that each picture shows, for comparing like with like.

    Parameters
    ----------
    frames : DataFrame
    misfiled_files : DataFrame
        Of `misfiled`.

    Returns
    -------
    DataFrame
        Copy with ``sku``, ``style`` and ``view`` of misfiled pictures replaced; ``view_kind`` is 'other' where the
        name had a detail measured as a whole product, or the other way round: such measures compare with none.
    """
    shown = frames.copy()
    other = measured_as_another(frames, misfiled_files)
    place = {file: row for row, file in zip(frames.index, frames["file"], strict=True)}
    style = frames.drop_duplicates("sku").set_index("sku")["style"].to_dict()
    for row in misfiled_files.to_dict("records"):
        at = place[row["file"]]
        if row["kind"] in ("wrong_product", "shifted", "wrong_detail") and row["likely_sku"]:
            shown.loc[at, "sku"] = row["likely_sku"]
            shown.loc[at, "style"] = style.get(row["likely_sku"])
        if row["kind"] in ("swapped_views", "shifted") and row["likely_view"]:
            shown.loc[at, "view"] = row["likely_view"]
            if row["file"] in other:
                shown.loc[at, "view_kind"] = "other"
    return shown


def measured_as_another(frames, misfiled_files):
    """Files of details that were measured as a whole product by their name, and of whole products measured as a detail."""
    crops = set(frames["view"][frames["view_kind"] == "crop"].dropna())
    kinds = frames.set_index("file")["view_kind"].to_dict()
    return {
        row["file"]
        for row in misfiled_files.to_dict("records")
        if row["kind"] in ("swapped_views", "shifted") and row["likely_view"]
        and (row["likely_view"] in crops) != (kinds[row["file"]] == "crop")
    }  # fmt: skip


def _table(frames, found):
    """Findings as a table; a run of files that all belong to a neighbour shares its cause."""
    causes = _slipped_pictures(frames, found) | _shifted(frames, found)
    records = []
    for row in sorted(found):
        likely, kind, score, evidence, *shows = found[row]
        kind = "shifted" if row in causes else kind
        view = shows[0] if shows else _exchanged_with(frames, found, row) if kind == "swapped_views" else ""
        claimed = frames["sku"][row]
        records.append((frames["file"][row], claimed, likely, view, kind, score, evidence, causes.get(row, "")))
    table = pd.DataFrame(records, columns=COLUMNS)
    return table.astype({name: "float64" if name == "score" else "str" for name in COLUMNS})


def _slipped_pictures(frames, found):
    """Cause of the pictures whose names slipped by one picture."""
    slipped = [row for row in found if found[row][1] == "shifted"]
    if not slipped:
        return {}
    text = f"names shifted by one picture from {frames['file'][slipped[0]]} on ({len(slipped)} files)"
    return dict.fromkeys(slipped, text)


def _exchanged_with(frames, found, row):
    """View of the one other picture of the product whose view is exchanged too, or ''."""
    others = [
        frames["view"][other]
        for other in found
        if other != row and frames["sku"][other] == frames["sku"][row] and found[other][1] == "swapped_views"
    ]
    return others[0] if len(others) == 1 else ""


def _shifted(frames, found):
    """Cause of runs of consecutive named files of which each belongs to the next or previous product by name."""
    found = {row: finding for row, finding in found.items() if finding[1] != "shifted"}
    skus = list(dict.fromkeys(frames["sku"].dropna()))
    number = {sku: place for place, sku in enumerate(skus)}
    causes, run, way = {}, [], 0
    for row in [*sorted(found), None]:
        step = 0
        if row is not None and found[row][0] in number:
            step = number[found[row][0]] - number[frames["sku"][row]]
        follows = run and row is not None and number[frames["sku"][row]] - number[frames["sku"][run[-1]]] <= 1
        if step in (-1, 1) and (not run or (follows and step == way)):
            run.append(row)
            way = step
            continue
        if len({frames["sku"][member] for member in run}) >= SHIFTED_PRODUCTS:
            text = f"names shifted by one product from {frames['file'][run[0]]} on ({len(run)} files)"
            causes.update(dict.fromkeys(run, text))
        run, way = ([row], step) if step in (-1, 1) else ([], 0)
    return causes

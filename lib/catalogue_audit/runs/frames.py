"""Pass one's results as the frames table: what the name says, what was measured, what the view lets stand."""

import sys

import numpy as np

from catalogue_audit import schema
from catalogue_audit.delivery.name_numbers import MAIN, main_pictures, numbers_alone, with_view_by_pictures
from catalogue_audit.delivery.names import read_names
from catalogue_audit.delivery.products import sku_forms
from catalogue_audit.measures.applicability import applicable, shows_a_turn
from catalogue_audit.measures.geometry.roll import roll_for_view
from catalogue_audit.runs import store
from catalogue_audit.runs.passone import Measuring, measure_delivery, settings_version
from catalogue_audit.runs.sketches import Sketches
from catalogue_audit.statistics.matching.numbered_views import views_of_numbers, what_is_shown
from catalogue_audit.statistics.tables import table_from_columns


def measure_frames(source, listing, brief, products, connection, work_folder, *, measuring=Measuring(), progress=None):
    """
    Pass one over a listing, and the frames table with its frame columns.

    Where names carry numbers that neither they nor the brief explain, their views are told by what was measured of all
    (`statistics.matching.numbered_views`), and what was kept of these files is read a second time.

    Returns
    -------
    frames : DataFrame
        Columns of the schema; set columns still empty.
    sketches : Sketches
    names : list of NameFacts
    """
    version = settings_version(brief.limits)
    entries = listing.entries
    files = [entry.name for entry in entries]
    names = read_names(files, brief, sku_forms(products))
    main, shown_of = main_pictures(names, brief, sku_forms(products)), {}
    counted = numbers_alone(names, brief, sku_forms(products)) | dict.fromkeys(main, MAIN)
    by_sku = _styles(products, {name.sku for name in names})
    numbers = {name: np.full(len(entries), np.nan) for name in _NUMBERS}
    others = {name: [None] * len(entries) for name in _OTHERS}

    def put(index, facts):
        """A row's values into the columns: a dict takes eight times their memory."""
        row = frame_row(names[index], facts, by_sku.get(names[index].sku, {}))
        for name, column in numbers.items():
            value = row.get(name)
            column[index] = np.nan if value is None else value
        for name, values in others.items():
            value = row.get(name)
            values[index] = sys.intern(value) if type(value) is str and name not in _UNIQUE else value
        if files[index] in counted:
            shown_of[index] = what_is_shown(facts)

    def measure(places, measuring, progress):
        return measure_delivery(
            source, [entries[place] for place in places], connection, version, limits=brief.limits, measuring=measuring,
            progress=progress, row_of=lambda at, facts: put(places[at], facts),
        )  # fmt: skip

    measure(range(len(entries)), measuring, progress)
    numbered = [(counted[files[place]], main.get(files[place]) or names[place].sku, shown) for place, shown in sorted(shown_of.items())]
    views = views_of_numbers(numbered, {name.view for name in names})
    told = [place for place in sorted(shown_of) if counted[files[place]] in views]
    for place in told:
        name = names[place]._replace(sku=main.get(files[place]) or names[place].sku)
        names[place] = with_view_by_pictures(name, *views[counted[files[place]]], brief)
    if told:
        measure(told, measuring._replace(verify=False), None)
    shown = [bool(phash or width) for phash, width in zip(others["phash"], others["width_px"], strict=True)]
    contents = {file: sha256 for file, sha256, known in zip(others["file"], others["sha256"], shown, strict=True) if known}
    given = ((name, columns.pop(name)) for columns in (numbers, others) for name in list(columns))  # none is held longer than it is needed
    frames = table_from_columns("frames", given, len(entries))
    return frames, Sketches(work_folder / store.STORE_NAME, version, contents, measuring.workers), names


_NUMBERS = [column.name for column in schema.FRAME_COLUMNS if column.type == "number"]
_OTHERS = [column.name for column in schema.FRAME_COLUMNS if column.type != "number"]
_UNIQUE = ("file", "sha256", "phash")  # texts that no two rows share; of all others equal ones are held once


def frame_row(name, facts, product):
    """One row of the frames table: what the name says, what was measured, what the view lets stand."""
    if _named_as_a_product(name) and facts.get("target") == "grey card":  # a flat grey bag is a plain rectangle too
        facts = {key: value for key, value in facts.items() if key not in ("target", "target_de")}
    if facts.get("target"):  # no product is judged by it
        name = name._replace(view_kind="target")
    facts = _with_roll_of_view(facts, name)
    kept, view_reasons = applicable(facts, name.view, name.view_kind)
    reasons = dict.fromkeys((*facts.get("reasons", ()), *view_reasons))
    return kept | {
        "file": name.file,
        "sku": name.sku,
        "view": name.view,
        "position": name.position,
        "view_kind": name.view_kind,
        "style": product.get("style"),
        "colourway": product.get("colourway"),
        "reason": "; ".join(reasons),
    }


def _named_as_a_product(name):
    """True where the file's name says of which product it is what view."""
    return bool(name.sku and name.view) and name.view_kind != "target"


def _with_roll_of_view(facts, name):
    """Facts with the roll from those witnesses that hold in the view: a turned base slopes without any roll."""
    if "witnesses" not in facts or not shows_a_turn(name.view):
        return facts
    others = {key: value for key, value in facts.items() if key not in ("roll_deg", "roll_sd_deg")}
    roll = roll_for_view(facts, name.view_kind, straight_on=False)
    reasons = (*facts.get("reasons", ()), *roll.get("reasons", ()))
    return others | roll | {"reasons": reasons}


def _styles(products, skus):
    """Style and colourway of the products that files name: a products file may hold a million others."""
    if products is None:
        return {}
    named = products[products["sku"].isin(skus - {None})]
    return {
        sku: {"style": style, "colourway": colourway}
        for sku, style, colourway in zip(named["sku"], named["style"], named["colourway"], strict=True)
    }

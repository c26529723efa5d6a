"""
Camera originals beside retouched finals: measured like a delivery, paired, and what each pair tells of the final.

The folder of originals is as untrusted as a delivery, and as little is written into it.
"""

from collections.abc import Callable, Mapping
from typing import NamedTuple

import pandas as pd

from catalogue_audit import schema
from catalogue_audit.delivery.source import open_delivery
from catalogue_audit.errors import UsageError
from catalogue_audit.runs import store
from catalogue_audit.runs.frames import frame_row, measure_frames
from catalogue_audit.runs.passone import settings_version
from catalogue_audit.statistics.matching.originals import COLUMNS, pair_originals, turned_otherwise
from catalogue_audit.statistics.tables import conform, table_from_rows

INHERITED = (
    "captured_at", "captured_at_source", "camera_make", "camera_model", "camera_serial", "lens_model", "focal_length_mm",
    "focal_length_35mm", "f_number", "exposure_time_s", "iso", "exposure_bias_ev", "ev100",
)  # fmt: skip
TURN, PITCH = ("yaw_deg", "yaw_sd_deg"), ("camera_pitch_deg", "camera_pitch_sd_deg")  # what only the optical centre gives
ANOTHER_TURN = "the photograph that fits best shows the product turned otherwise, so it is another one"
NAMING = ("file", "sku", "view", "position", "style", "colourway", "view_kind")


class Originals(NamedTuple):
    """
    The originals as pass one knows them.

    ``facts_of`` gives the facts of one file's content by its SHA-256, None where they are not kept.
    """

    frames: pd.DataFrame
    sketches: Mapping
    facts_of: Callable


class Taken(NamedTuple):
    """
    Finals with what their originals tell.

    ``frames`` with the metadata, turn and camera height of the originals; ``as_taken`` (a function of frames)
    puts the whole of the original's measures in place of the crop's, under the final's own product and
    view; ``sketches`` are those of the pictures so measured. Where the original shows no turn and the
    final does (white goods on white, cut out), the crop's own stands, marked as derived.
    """

    frames: pd.DataFrame
    as_taken: Callable
    sketches: Mapping


def open_originals(location):
    """
    The folder of originals and what lies in it.

    Raises
    ------
    UsageError
        If there is no such folder, or no picture in it.
    """
    try:
        source = open_delivery(str(location))
        return source, source.listing()
    except UsageError as error:
        msg = f"The folder of originals (--originals) cannot be used. {error}"
        raise UsageError(msg) from error


def measure_originals(source, listing, brief, connection, work_folder, **options):
    """
    Pass one over the originals, with the same store.

    Parameters
    ----------
    source : Delivery
    listing : Listing
    brief : Brief
    connection : sqlite3.Connection
    work_folder : Path
    **options
        Of `runs.frames.measure_frames`.

    Returns
    -------
    originals : Originals
    notes : tuple of str
        Originals that could not be measured.
    """
    frames, sketches, _ = measure_frames(source, listing, brief, None, connection, work_folder, **options)
    version = settings_version(brief.limits)
    unread = frames[frames["status"] == "not_measured"]
    notes = tuple(
        f"original {file} could not be measured: {reason}" for file, reason in zip(unread["file"], unread["reason"], strict=True)
    )
    return Originals(frames, sketches, lambda content: store.recall(connection, version, content)), notes


def taken_from(frames, sketches, names, originals):
    """
    Finals beside their originals.

    Parameters
    ----------
    frames : DataFrame
        Frame columns of the finals.
    sketches : mapping of str to dict
    names : list of NameFacts
        A row each.
    originals : Originals or None
        With None, everything stays as it is.

    Returns
    -------
    Taken
    """
    if originals is None:
        return Taken(frames, lambda shown: shown, sketches)
    pairs = pair_originals(frames, sketches, originals.frames, originals.sketches)
    frames = conform("frames", frames.assign(**{name: pairs[name] for name in pairs.columns}))
    content = dict(zip(originals.frames["file"], originals.frames["sha256"], strict=True))
    rows = {}
    for place in frames.index[frames["original_file"].notna()]:
        facts = originals.facts_of(content[frames["original_file"][place]])
        if facts is not None:
            rows[place] = frame_row(names[place], facts, {})
    measured = table_from_rows("frames", rows.values()).set_axis(list(rows), axis=0)
    other = turned_otherwise(frames.loc[measured.index], measured)
    measured = measured[~other]
    frames.loc[other.index[other], list(COLUMNS)] = None
    frames.loc[other.index[other], "original_note"] = ANOTHER_TURN
    frames = _with_metadata(frames, measured)
    usable = measured[measured["yaw_deg"].notna() | frames["yaw_deg"][measured.index].isna()]
    for names_from, source in ((TURN, usable), (PITCH, measured)):
        for name in names_from:
            frames.loc[source.index, name] = source[name]
    other = frames.loc[usable.index].set_index("file")["original_file"].to_dict()
    return Taken(frames, lambda shown: _as_taken(shown, measured, usable), sketches.with_pictures_of(originals.sketches, other))


def _with_metadata(frames, measured):
    """Frames with the metadata of the originals where they have none of their own, and the capture time's source saying so."""
    said = measured.assign(captured_at_source=measured["captured_at_source"] + " of the original")
    frames = frames.copy()
    untimed = frames["captured_at"][said.index].isna()  # a final that states its own time keeps its source too
    for name in INHERITED:
        lacking = untimed if name == "captured_at_source" else frames[name][said.index].isna()
        frames.loc[said.index[lacking], name] = said.loc[lacking, name]
    return frames


def pairing_summary(frames, originals):
    """Counts for the summary: originals, and finals that are paired with one, that fit several, that fit none."""
    paired = frames["original_file"].notna()
    several = ~paired & frames["original_note"].notna()
    return {
        "files": len(originals.frames),
        "not_measured": int((originals.frames["status"] == "not_measured").sum()),
        "paired": int(paired.sum()),
        "ambiguous": int(several.sum()),
        "unpaired": int((~paired & ~several).sum()),
    }


def _as_taken(shown, paired, measured):
    """Frames with all that was measured of the originals, under their own names."""
    shown = shown.copy()
    shown.loc[paired.index, "origin"] = "derived"
    for column in schema.FRAME_COLUMNS:
        if column.kind == "frame" and column.name not in NAMING:
            shown.loc[measured.index, column.name] = measured[column.name]
    return shown

"""Finals beside the camera originals they were made from: what of each photograph was kept, and how it was turned."""

import math

import numpy as np

from catalogue_audit.report import look
from catalogue_audit.report.contact import all_cells
from catalogue_audit.report.drawing import beside, box_points, decode_preview, fitted, stroke
from catalogue_audit.report.numbers import number_text
from catalogue_audit.report.picture_names import pair_name
from catalogue_audit.report.wording import is_missing

HEIGHT = 210  # px of the two pictures
QUALITY = 80
SHOWN = 400  # pairs on the page, those with findings first; all are in tables/frames.csv
WITHOUT = 40  # files without an original named on the page


def shown_pairs(audit):
    """
    Rows of the frames table that the page shows beside their originals, those with findings first.

    Returns
    -------
    list of int
        At most `SHOWN`; empty where the audit had no originals.
    """
    paired = audit.frames["original_file"].notna().to_numpy()
    cells = [cell for cell in all_cells(audit) if paired[cell.row]]
    return [cell.row for cell in sorted(cells, key=lambda cell: not cell.severity)][:SHOWN]


def pair_pictures(audit):
    """
    The picture of each pair: the original with the final's frame drawn in it, and the final.

    Parameters
    ----------
    audit : Audit
        With sketches of both folders.

    Yields
    ------
    (name, PIL.Image.Image, JPEG quality)
    """
    frames = audit.frames
    for row in shown_pairs(audit):
        frame = frames.iloc[row]
        original = decode_preview(audit.original_sketches.get(frame["original_file"]), 2 * HEIGHT)
        final = decode_preview(audit.sketches.get(frame["file"]), 2 * HEIGHT)
        if original is None or final is None:
            continue
        original = fitted(original, original.width, HEIGHT)
        kept = crop_corners(frame, original.size)
        if kept is not None:
            stroke(original, kept, look.MEASURED, closed=True, line=2)
        yield pair_name(row), beside([original, final], ["original", "final"], height=HEIGHT), QUALITY


def crop_corners(frame, size):
    """
    Corners of a final's frame in its original.

    Parameters
    ----------
    frame : mapping
        ``original_left`` to ``original_bottom`` (fractions, the frame turned back about its own middle) and
        ``original_rotation_deg`` (turn of the original, + clockwise).
    size : (int, int)
        Width and height of the original as drawn, px.

    Returns
    -------
    (4, 2) ndarray or None
        px, from the top left corner on; None where the crop is not known.
    """
    sides = [frame[f"original_{side}"] for side in ("left", "top", "right", "bottom")]
    if any(is_missing(value) for value in (*sides, frame["original_rotation_deg"])):
        return None
    corners = box_points(*sides, size)
    middle, turn = corners.mean(axis=0), -math.radians(frame["original_rotation_deg"])
    along = np.array([[math.cos(turn), math.sin(turn)], [-math.sin(turn), math.cos(turn)]])  # y runs down: + is clockwise
    return (corners - middle) @ along + middle


def pair_words(frame):
    """
    What was done to an original, in short phrases.

    Parameters
    ----------
    frame : mapping
        A row of the frames table.

    Returns
    -------
    list of str

    Examples
    --------
    >>> pair_words({"original_rotation_deg": -0.42, "original_scale": 1.25})
    ['turned −0.4°', 'enlarged 1.25 times']
    >>> pair_words({"original_rotation_deg": 0.01, "original_scale": 1.0})
    []
    """
    turn, scale = frame["original_rotation_deg"], frame["original_scale"]
    words = [] if is_missing(turn) or not round(turn, 1) else [f"turned {number_text(turn, 'degree', True, 1)}"]
    if not is_missing(scale) and round(scale, 2) != 1:
        words.append(f"{'enlarged' if scale > 1 else 'reduced'} {number_text(max(scale, 1 / scale), '', False, 2)} times")
    return words


def pair_content(audit):
    """
    What the page says of finals and originals.

    Returns
    -------
    dict
        ``original_pairs`` (row, file, original, words, note, severity), ``original_pairs_left`` (a count), ``without_original``
        (file names, at most `WITHOUT`), ``without_original_left``, ``originals_given``.
    """
    frames, cells = audit.frames, all_cells(audit)
    rows = shown_pairs(audit)
    given = "originals" in audit.summary
    lone = frames.loc[frames["original_file"].isna() & (frames["status"] != "not_measured"), "file"].to_list() if given else []
    told = []
    for row in rows:
        frame = frames.iloc[row]
        told.append((row, frame["file"], frame["original_file"], pair_words(frame), frame["original_note"], cells[row].severity))
    return {
        "originals_given": given,
        "original_pairs": told,
        "original_pairs_left": int(frames["original_file"].notna().sum()) - len(rows),
        "without_original": lone[:WITHOUT],
        "without_original_left": max(0, len(lone) - WITHOUT),
    }

"""Rows of the changes table, with what else changed there and the likely cause in words."""

from catalogue_audit import schema
from catalogue_audit.statistics.series.change_events import same_moment
from catalogue_audit.statistics.series.clock import FILE_ORDER

DUST_WITH = frozenset(("lens", "aperture"))  # a lens taken off lets dust in, a small aperture shows it (common practice, no source)
IN_WORDS = {
    "lens": "focal length", "sensitivity": "ISO", "dust": "sensor dust", "size": "size in the frame",
    "place up": "height in the frame", "place across": "place across the frame",
}  # fmt: skip


def change_row(frames, change, changes, order):
    """One row of the changes table."""
    files = frames["file"]
    times = frames["captured_at"].where((order["source"] != "placed by name").to_numpy(dtype=bool))
    column = next(column for column in schema.FRAME_COLUMNS if column.name == change.quantity.name)
    return {
        "quantity": change.quantity.name,
        "view": change.view,
        "kind": change.kind,
        "from_file": files.iloc[change.from_row],
        "to_file": files.iloc[change.to_row],
        "from_time": times.iloc[change.from_row],
        "to_time": times.iloc[change.to_row],
        "before": change.before,
        "after": change.after,
        "unit": column.unit,
        "frames": change.frames,
        "note": _note(change, changes, order["source"].iloc[change.to_row]),
    }


def _note(change, changes, source):
    """Plain words: what else changed here, and the likely cause where that supports one."""
    beside = {
        other.quantity.family: other
        for other in changes
        if other.quantity.family != change.quantity.family and same_moment(other, change)
    }
    sentences = []
    with_it = _tied(change.quantity.family, beside)
    if with_it:
        sentences.append("At the same place: " + ", ".join(IN_WORDS.get(family, family) for family in with_it) + ".")
    cause = likely_cause(change.kind, {change.quantity.family, *beside})
    if cause:
        sentences.append(f"Likely cause: {cause}.")
    if source == FILE_ORDER:
        sentences.append("In file order, as no capture time is known.")
    return " ".join(sentences)


def _tied(family, beside):
    """Families beside this one that may share its cause, sorted: dust comes in where the lens is off, and has no part in light or framing."""
    apart = {"dust"} if family not in DUST_WITH else set()
    return sorted(other for other in beside if other not in apart and (family != "dust" or other in DUST_WITH))


def likely_cause(kind, families):
    """
    What usually moves these families together, in the trade's words; None where only one moved (common practice, no source).

    Examples
    --------
    >>> likely_cause("trend", {"light colour", "light level"})
    'a lamp warming up or ageing, or daylight in the room'
    >>> likely_cause("step", {"light colour"}) is None
    True
    """
    light = {"light colour", "light level"}
    if kind == "trend":
        return "a lamp warming up or ageing, or daylight in the room" if light <= families else None
    if "lens" in families and families & {"size", "camera height", "aperture", "place up", "place across"}:
        return "another lens or zoom setting"
    if "light level" in families and families & {"aperture", "sensitivity"}:
        return "the exposure was set anew on the camera"
    if light <= families:
        return "a lamp moved, changed or switched"
    if "camera height" in families and families & {"place up", "place across", "size"}:
        return "the tripod was knocked or moved"
    if {"place up", "place across"} <= families or families >= {"place up", "size"}:
        return "the tripod was moved, or the marking on the table lost"
    if "turn" in families and families & {"place up", "place across"}:
        return "the marking on the table was moved or lost"
    return None

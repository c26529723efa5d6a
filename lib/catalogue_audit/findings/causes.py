"""
One cause, one finding: which change explains a frame, and which finding explains another.

A light that was knocked puts forty pictures outside the tolerance, in white
balance, exposure and background alike. That is one thing to mend, not a
hundred and twenty: each picture keeps its worst finding, which names the
change, and whoever counts takes one cause as one.
"""

import math

import pandas as pd

from catalogue_audit.findings.rows import excess, number, plain
from catalogue_audit.statistics.series.change_quantities import QUANTITIES as WATCHED

# The quantities whose change can put a frame outside the tolerance of a check.
QUANTITIES = {
    "white_balance": (
        "wb_dev", "wb_gain_r", "wb_gain_b", "cct_k", "duv", "background_a", "background_b",
        "background_red", "background_green", "background_blue",
    ),
    "exposure": ("exposure_dev_ev", "product_ev", "ev100", "background_dev_ev"),
    "background": ("background_dev_ev", "background_L", "exposure_dev_ev"),
    "uneven_background": ("background_spread",),
    "angle": ("yaw_dev_deg", "yaw_deg"),
    "roll": ("roll_deg", "roll_dev_deg"),
    "camera_height": ("camera_pitch_deg", "pitch_dev_deg"),
    "lean": ("lean_deg",),
    "scale": ("scale_dev", "fill_height", "fill_width", "fill_area"),
    "centring": ("centre_dev_x", "centre_dev_y", "centre_dx", "centre_dy", "baseline"),
    "focal_length": ("focal_length_35mm", "focal_length_mm"),
    "focus": ("blur_px",),
    "noise": ("noise", "iso"),
}  # fmt: skip

# A camera that was moved has its own middle before and after, in each view another: the longer one is the set's.
POSE = ("angle", "roll", "camera_height")
LIT_ALIKE = tuple(quantity.name for quantity in WATCHED if quantity.scope == "light")
BESIDE_THE_SET = {"roll_deg": "roll_dev_deg"}  # in three-quarter views

# A finding on the left explains those on the right of the same picture.
IDENTITY = ("wrong_product", "wrong_detail", "swapped_views")
OF_THE_PRODUCT = (  # exposure is not: it was compared with the product and view that the picture shows
    "angle", "camera_height", "lean", "handles", "strap", "scale", "centring", "cut_off",
    "product_colour", "product_specks", "clipping", "shadow",
)  # fmt: skip
EXPLAINS = {
    **dict.fromkeys(IDENTITY, (*OF_THE_PRODUCT, "white_balance")),
    "cut_off": ("scale", "centring", "angle", "roll", "lean", "camera_height"),
    "strap": ("scale", "centring", "handles"),  # a roll is told by the body, which no strap turns
    "camera_height": ("lean", "handles", "angle"),
    "lean": ("handles", "camera_height"),
    "focal_length": ("scale",),
    "angle": ("camera_height",),
    "upscaled": ("focus", "motion_blur", "noise"),
    "motion_blur": ("focus", "upscaled"),
    "jpeg_quality": ("noise",),
    "exposure": ("clipping", "background", "product_colour"),
    "clipping": ("product_colour", "background"),
    "cutout_edge": ("clipping", "shadow"),  # a rim of the old backdrop looks like a shadow beside the product
    "white_balance": ("product_colour", "background", "uneven_background"),
    "uneven_background": ("background",),
}
TOGETHER = 0.5  # of the pictures with one finding that have the other
NEARER = 0.5  # a change explains a frame when it accounts for at least half of its deviation
OFF = 0.5  # a level counts as off the reference from this share of the step that led to it or away from it
SAME_MOMENT = 3  # places in capture order: changes of several quantities nearer than this are one event


def event_of(changes, order):
    """
    Name of the event each change belongs to: changes that set in together are one.

    Parameters
    ----------
    changes : DataFrame
        The changes table.
    order : dict of str to int
        File to its place in capture order.

    Returns
    -------
    list of str
        One name a row of `changes`, such as 'change at 0412.jpg'.
    """
    rows = changes.to_dict("records")
    by_place = sorted(range(len(rows)), key=lambda i: (order.get(rows[i]["to_file"], 0), i))
    names = [""] * len(rows)
    at, name = None, ""
    for i in by_place:
        row = rows[i]
        if row["kind"] == "trend":
            names[i] = f"drift from {plain(row['from_file'])} to {plain(row['to_file'])}"
            continue
        place = order.get(row["to_file"], 0)
        if at is None or place - at > SAME_MOMENT:
            at, name = place, f"change at {plain(row['to_file'])}"
        names[i] = name
    return names


def explained_by_change(evidence, check):
    """
    The event that explains each frame's deviation in a check, where one does.

    The frame lies in a stretch that the change set to a level off the reference,
    and its own value is nearer to that level than to the reference.

    Parameters
    ----------
    evidence : Evidence
    check : str

    Returns
    -------
    Series of str
        Indexed as ``evidence.frames``; missing where nothing explains the frame.
    """
    frames, changes = evidence.frames, evidence.changes
    causes = pd.Series(None, index=frames.index, dtype="str")
    quantities = QUANTITIES.get(check, ())
    concerned = changes[changes["quantity"].isin(quantities)]
    if concerned.empty:
        return causes
    order = evidence.capture_order
    places = pd.Series(order["order"].to_numpy(dtype=float), index=frames.index)
    place_of = dict(zip(frames["file"], places.astype(int), strict=True))
    camera_of = dict(zip(frames["file"], order["camera"], strict=True))
    events = dict(zip(changes.index, event_of(changes, place_of), strict=True))
    cameras = concerned["to_file"].map(camera_of)
    for (quantity, view, camera), rows in concerned.groupby([concerned["quantity"], concerned["view"], cameras]):
        here = order["camera"] == camera
        if quantity in LIT_ALIKE:  # lamps are no camera's own: one without a row of its own saw this one
            here |= ~order["camera"].isin(cameras[concerned["quantity"] == quantity])
        if view != "all":
            here &= frames["view"] == view
        values = _series_of(frames, quantity).where(here)
        stretches = [(index, places.between(start, end), level(places)) for index, start, end, level in _stretches(rows, place_of)]
        reference = 0.0 if "_dev" in quantity else values.median()
        if check in POSE:
            held, usual = max(((values.where(inside), level) for _, inside, level in stretches), key=lambda one: one[0].count())
            reference = (usual + 0.0 * places)[held.notna()].median()
            values = values - frames["view"].map(held.groupby(frames["view"]).median()) + reference
        for index, inside, level in stretches:
            row = rows.loc[index]
            size = abs(row["after"] - row["before"]) if row["kind"] == "step" else 0.0
            inside = inside & ((level - reference) ** 2 >= (OFF * size) ** 2)
            fits = (values - level).abs() <= NEARER * (values - reference).abs()
            causes = causes.mask(inside & fits & causes.isna(), events[index])
    return causes


def _series_of(frames, quantity):
    """Values of a quantity, float: in views that tell it beside the set only, or better, those."""
    values = frames[quantity].astype(float)
    return frames[BESIDE_THE_SET[quantity]].astype(float).fillna(values) if quantity in BESIDE_THE_SET else values


def _stretches(rows, place_of):
    """
    Yield (row index, first place, last place, level) for each stretch that changes of one quantity make.

    A change holds until the next one; before the first one its ``before`` held.
    ``level`` is a function of the place in capture order.
    """
    start_file = rows["to_file"].where(rows["kind"] == "step", rows["from_file"])
    rows = rows.assign(start=start_file.map(place_of), end=rows["to_file"].map(place_of))
    rows = rows.dropna(subset=["start", "end"]).sort_values(["start", "end"], kind="stable").reset_index()
    for position, row in enumerate(rows.to_dict("records")):
        last = rows["start"].iloc[position + 1] - 1 if position + 1 < len(rows) else math.inf
        if position == 0:
            yield row["index"], -math.inf, row["start"] - 1, _ramp(row["start"], row["start"], row["before"], row["before"])
        yield row["index"], row["start"], last, _ramp(row["start"], row["end"], row["before"], row["after"])


def _ramp(start, end, before, after):
    """Level by place: from `before` at the start to `after` at the end, and `after` from there on."""
    if end <= start:
        return lambda places: after
    return lambda places: before + (after - before) * ((places - start) / (end - start)).clip(0, 1)


def one_finding_a_cause(rows):
    """
    Leave out what another finding of the same picture already says.

    Parameters
    ----------
    rows : list of dict
        Findings.

    Returns
    -------
    list of dict
        Without findings explained by another (`EXPLAINS`), and with one
        finding, the one furthest beyond its tolerance, for each picture and
        change.
    """
    by_file = {}
    for row in rows:
        if row.get("file"):
            by_file.setdefault(row["file"], []).append(row)
    dropped = set()
    kept_distance = not _usually_together(by_file, "focal_length", "scale")
    for here in by_file.values():
        by_check = {row["check"]: row for row in here}
        for row in here:
            others = [other for other in by_check if other != row["check"]]
            if kept_distance and row["check"] == "scale":
                others = [other for other in others if other != "focal_length"]
            if any(_explains(by_check[other], row) for other in others):
                dropped.add(id(row))
        shared = {}
        for row in here:
            if row.get("cause") and id(row) not in dropped:
                shared.setdefault(row["cause"], []).append(row)
        for same in shared.values():
            worst = max(same, key=lambda row: (excess(row), row["check"]))
            dropped.update(id(row) for row in same if row is not worst)
    return [row for row in rows if id(row) not in dropped]


def _usually_together(by_file, one, other):
    """
    Whether most pictures with one finding have the other too.

    A lens that was changed with the camera left in place changes the size in all of its
    pictures; where the distance followed, a product of another size has another cause.
    """
    checks = [{row["check"] for row in here} for here in by_file.values()]
    with_one = [here for here in checks if one in here]
    return bool(with_one) and sum(other in here for here in with_one) >= TOGETHER * len(with_one)


def _explains(explaining, row):
    if row["check"] not in EXPLAINS.get(explaining["check"], ()) or (row.get("by_any_name") and explaining["check"] in IDENTITY):
        return False
    condition = CONDITIONS.get((explaining["check"], row["check"]))
    return condition is None or condition(explaining, row)


def _same_direction(explaining, row):
    """Both moved up, or both down."""
    return _shift(explaining) * _shift(row) > 0


def _stronger(explaining, row):
    return excess(explaining) >= excess(row)


def _within_its_range(explaining, row):
    """Whether a level is off by no more than a background varies by: a slope takes half of its range off the mean, so that less than that is the level's own."""
    return abs(_shift(row)) <= abs(_shift(explaining))


def _shift(row):
    value, expected = number(row.get("value")), number(row.get("expected"))
    return 0.0 if value is None else value - (expected or 0.0)


CONDITIONS = {
    **{(check, "white_balance"): lambda explaining, row: bool(row.get("by_the_product")) for check in IDENTITY},
    ("exposure", "background"): _same_direction,
    ("clipping", "background"): lambda explaining, row: _shift(row) > 0,  # a sweep burnt out with its product
    ("exposure", "product_colour"): lambda explaining, row: explaining["remedy"] == "reshoot",  # burnt out: its colour is gone
    ("angle", "camera_height"): _stronger,
    ("camera_height", "angle"): lambda explaining, row: not _stronger(row, explaining),
    ("lean", "camera_height"): _stronger,
    ("camera_height", "lean"): lambda explaining, row: not _stronger(row, explaining),
    ("uneven_background", "background"): lambda explaining, row: _stronger(explaining, row) or _within_its_range(explaining, row),
    ("white_balance", "background"): _stronger,
    ("white_balance", "uneven_background"): _stronger,
}



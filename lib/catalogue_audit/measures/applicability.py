"""
Which measures apply to which picture: the rest are emptied, each with its reason.

Pass one measures wherever it can, without knowing the view. A number that
means nothing in its view (the margins of a detail crop, the turn of a bag
photographed from above) would be compared with others and mislead, so it is
taken out here, before anything is judged.
"""

from catalogue_audit.measures.records import CONFIDENCE_LIMIT

ANGLED_WORDS = ("three_quarter", "quarter", "angled", "oblique")  # views that are meant to show a turn
SIDES_OF_A_PART = 3  # of the frame that the product meets: more than half its outline is outside, as in a close-up
STRAIGHT_ON = ("front", "back")  # views that face camera and lamps, in which both handles stand one behind the other

BOX = (
    "touches",
    "left",
    "top",
    "right",
    "bottom",
    "fill_height",
    "fill_width",
    "fill_area",
    "centre_dx",
    "centre_dy",
    "baseline",
    "scale_dev",
    "scale_dev_sd",
    "centre_dev_x",
    "centre_dev_x_sd",
    "centre_dev_y",
    "centre_dev_y_sd",
    "px_per_cm",
)
ROLL = ("roll_deg", "roll_sd_deg", "roll_dev_deg", "roll_dev_sd_deg")
YAW = ("yaw_deg", "yaw_sd_deg", "yaw_dev_deg", "yaw_dev_sd_deg")
PITCH = ("camera_pitch_deg", "camera_pitch_sd_deg", "pitch_dev_deg", "pitch_dev_sd_deg")
LEAN = ("lean_deg", "lean_sd_deg", "tilt_deg", "tilt_sd_deg")
HANDLES = ("handle_gap", "handle_gap_sd")
STRAP = ("strap_state",)
SHADOW = ("shadow_kind",)
EDGE = ("rim_px", "rim_de")
COLOUR = ("product_L", "product_a", "product_b", "product_ev", "exposure_dev_ev", "exposure_dev_sd_ev")
SURFACE = ("clipped_high", "clipped_low", "specks")
FOCUS = ("blur_px", "blur_sd_px", "motion_px", "motion_direction_deg", "fine_detail")

BACKGROUND = (
    "background_L", "background_a", "background_b", "background_spread", "background_clipped",
    "background_red", "background_green", "background_blue", "white_red", "white_blue", "white_sd", "white_source",
    "cct_k", "duv",
)  # fmt: skip

PLACED = tuple(name for name in BOX if name != "touches")  # what meets the frame is still told, and whether it should

MEASURED = (*BOX, *ROLL, *YAW, *HANDLES, *COLOUR, *SURFACE, *FOCUS, "outline_confidence", "noise", "phash", "background_L")
LEAN_NEEDS = (
    "lean is told from a product's front and back and from its colourways; it is empty where there are none, "
    "where the shape is soft or round, or where they leave it open or cannot tell it from the camera's height"
)

NEED_NO_WHOLE = ("crop", "worn", "target")  # kinds of view that show a part, or more than the product

POSE = ROLL + YAW + PITCH + LEAN + HANDLES + STRAP
OUTLINE_BASED = BOX + POSE + SHADOW + EDGE + COLOUR + SURFACE
OUTLINE_BASED_IN_CROPS = tuple(name for name in OUTLINE_BASED if name != "specks")  # they are counted all over a crop

# For each kind of view: the columns that it rules out, and why. One sentence a group of columns.
RULED_OUT = {
    "crop": (
        (BOX, "a detail crop shows a part of the product, so it has no margins, size or place in the frame"),
        (POSE, "a detail crop does not show how the product stands"),
        (SHADOW + EDGE, "a detail crop need not show the product's edge or shadow"),
    ),
    "overhead": (
        (YAW + PITCH + LEAN, "seen from above, a product has no turn, camera height or lean"),
        (HANDLES, "seen from above, the handles do not stand one behind the other"),
        (("baseline",), "seen from above, a product stands on no line"),
    ),
    "worn": (
        (BOX + POSE, "the bag is worn, so its outline is not told apart from the person"),
        (SHADOW + EDGE, "the bag is worn, so the shadow and edge are not its own"),
        (COLOUR + SURFACE, "the bag is worn, so the colour and surface include clothes and skin"),
    ),
    "target": (
        (BOX + POSE, "this is a colour target, not a product"),
        (SHADOW + EDGE + COLOUR + SURFACE, "a colour target's own patches are measured, not a product"),
    ),
}


def applicable(facts, view, view_kind):
    """
    Facts that mean something in this view, and why the others were emptied.

    Parameters
    ----------
    facts : dict
        Values of `schema.FRAME_COLUMNS` by name, as measured.
    view : str or None
        View name of the brief; None where the name of the file says nothing.
    view_kind : str or None
        One of `schema.VIEW_KINDS`; None is read as 'other'.

    Returns
    -------
    facts : dict
        A new dictionary without the columns that do not apply.
    reasons : tuple of str
        One sentence for each group of columns that the view rules out, whether or not
        something had been measured there; none for a file of which nothing was measured.

    Examples
    --------
    >>> kept, reasons = applicable({"roll_deg": 0.4, "noise": 1.0}, "detail", "crop")
    >>> kept, reasons[1]
    ({'noise': 1.0}, 'a detail crop does not show how the product stands')
    """
    if not any(facts.get(name) is not None for name in MEASURED):
        return dict(facts), ()
    facts, reasons = _with_turn_of_view(facts, view, view_kind)
    rules = [*RULED_OUT.get(view_kind or "other", ()), *_rules_of_the_view(view, view_kind)]
    if _outline_is_doubtful(facts):
        rules.append((OUTLINE_BASED_IN_CROPS if view_kind == "crop" else OUTLINE_BASED, _doubt(facts)))
        if view_kind == "crop":
            rules.append((BACKGROUND, "the detail fills the frame, or cannot be told from what is around it: no background is sure"))
        elif view_kind in (None, "other", "overhead"):
            rules.append((BACKGROUND, "the picture may be a detail that fills the frame: no background is sure"))
    elif view_kind not in NEED_NO_WHOLE and len((facts.get("touches") or "").split()) >= SIDES_OF_A_PART:
        rules.append((PLACED + BACKGROUND, "the product meets three sides of the frame, so there is no size, place or sure background"))
    emptied = set()
    for columns, sentence in rules:
        if not emptied.issuperset(columns):
            reasons.append(sentence)
            emptied.update(columns)
    if not emptied.issuperset(LEAN):
        reasons.append(LEAN_NEEDS)
    kept = {name: value for name, value in facts.items() if name not in emptied}
    return kept, tuple(reasons)


def _with_turn_of_view(facts, view, view_kind):
    """Facts with the turn that holds in the view, off square in a straight-on view, by the corner elsewhere; and reasons."""
    facts = dict(facts)
    straight_on, turned_gap = facts.pop("straight_on_turn", None), facts.pop("turned_handle_gap", None)
    if shows_a_turn(view) and view_kind == "upright":
        return _with_turned_handles(facts, turned_gap)
    if view not in STRAIGHT_ON or view_kind != "upright":
        return facts, []
    for name in ("yaw_deg", "yaw_sd_deg"):
        facts.pop(name, None)
    if straight_on is None:
        return facts, ["turn not measured: base, sides and symmetry do not show how square the product stands"]
    return facts | dict(zip(("yaw_deg", "yaw_sd_deg"), straight_on, strict=True)), []


def _with_turned_handles(facts, turned_gap):
    """Facts with the gap between the crowns that a turned view shows side by side; the rear one is left where the front turns right."""
    others = {name: value for name, value in facts.items() if name not in HANDLES}
    turn = facts.get("yaw_deg")
    if turned_gap is None or turn is None:
        return others, ["handle gap not measured: no handles, or no turn that tells which of them is the rear one"]
    gap, explained, sd = turned_gap
    return others | {"handle_gap": round((gap if turn > 0 else -gap) - explained, 4), "handle_gap_sd": sd}, []


def shows_a_turn(view):
    """
    Whether the view is meant to show the product turned.

    Examples
    --------
    >>> shows_a_turn("three_quarter"), shows_a_turn("front"), shows_a_turn(None)
    (True, False, False)
    """
    return any(word in (view or "") for word in ANGLED_WORDS)


def _rules_of_the_view(view, view_kind):
    """What the view's name rules out beyond its kind."""
    if view_kind in ("crop", "worn", "target", "overhead"):
        return
    if not shows_a_turn(view):
        yield PITCH, "one picture alone shows the camera's height in three-quarter views only, where two edges meet at a corner"
    if not shows_a_turn(view) and view not in STRAIGHT_ON:
        yield YAW, "the turn is measured in three-quarter, front and back views only"
    if view not in STRAIGHT_ON:
        yield LEAN, "lean is measured from the front and back views only"
    if not (shows_a_turn(view) or view in STRAIGHT_ON):
        yield HANDLES, "the handles are compared in three-quarter, front and back views only"


def _outline_is_doubtful(facts):
    confidence = facts.get("outline_confidence")
    return confidence is not None and confidence < CONFIDENCE_LIMIT


def _doubt(facts):
    return (
        f"the product's outline is uncertain (confidence {facts['outline_confidence']:.2f}, "
        f"needs {CONFIDENCE_LIMIT:.2f}), so nothing that rests on it is reported"
    )

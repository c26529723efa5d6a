"""Changes that are one event: of one family of quantities, or seen in several views, at one place of capture order."""

from typing import NamedTuple

from catalogue_audit.statistics.series.change_quantities import Quantity

SAME_PLACE = 8  # frames of capture order: changes nearer than this are one event
SAME_MOMENT = 3  # frames between two changes of unlike quantities, each located within one or two: farther apart they have causes of their own
PREFERENCE = 0.6  # the first named quantity of a family is kept unless its change is less than this of the largest


class Change(NamedTuple):
    """A change before it becomes a row: ``..._row`` are rows of ``frames``, ``..._place`` places in capture order."""

    quantity: Quantity
    view: str
    kind: str
    from_row: int
    to_row: int
    from_place: int
    to_place: int
    before: float
    after: float
    frames: int
    strength: float
    camera: str


def one_a_family(changes):
    """Of changes of one family, camera, view and place, the most telling one."""

    def alike(other, change):
        family = other.quantity.family == change.quantity.family and other.quantity is not change.quantity  # two of one quantity: there and back
        return family and other.view == change.view and same_event(other, change)

    return [next(one for one in group if one.strength >= PREFERENCE * max(one.strength for one in group)) for group in _groups(changes, alike)]


def one_for_all_views(changes):
    """Steps of one quantity and direction at one place in two or more views become one, between the nearest frames."""

    def alike(other, change):
        return other.quantity is change.quantity and same_event(other, change) and (other.after > other.before) == (change.after > change.before)

    return [_joined(group) for group in _groups(changes, alike)]


def _groups(changes, alike):
    """Lists of changes: each that is in none yet, and all others, in order, in none yet and ``alike`` with it."""
    groups, left = [], list(range(len(changes)))
    while left:
        together = [place for place in left if place == left[0] or alike(changes[place], changes[left[0]])]
        groups.append([changes[place] for place in together])
        left = [place for place in left if place not in together]
    return groups


def one_for_all_cameras(changes, ranks):
    """
    Steps of the light that several cameras saw at one moment become one, told by the camera with most frames of it: lamps are no camera's own.

    Parameters
    ----------
    changes : list of Change
    ranks : (n,) array_like of int
        Place of every row of ``frames`` in the capture order of all cameras.

    Returns
    -------
    list of Change
        ``frames`` counts those of all the cameras.
    """
    kept = []
    for change in sorted(changes, key=lambda one: (-one.frames, one.camera, one.to_row)):
        same = next((place for place, other in enumerate(kept) if _one_light(change, other, ranks)), None)
        if same is None:
            kept.append(change)
        else:
            kept[same] = kept[same]._replace(frames=kept[same].frames + change.frames, view="all")
    return kept


def _one_light(one, other, ranks):
    """Whether two cameras saw one step of the light: in one direction, with hardly a frame between."""
    if one.camera == other.camera or one.quantity is not other.quantity or one.quantity.scope != "light" or "trend" in (one.kind, other.kind):
        return False
    between = max(ranks[one.from_row], ranks[other.from_row]) - min(ranks[one.to_row], ranks[other.to_row])
    return (one.after > one.before) == (other.after > other.before) and between <= SAME_MOMENT


def _joined(changes):
    """One change from those of several views: the latest frame before it, the earliest after it."""
    main = max(changes, key=lambda change: change.frames)
    if len(changes) == 1:
        return main
    ends = [(change.from_place, change.from_row) for change in changes], [(c.to_place, c.to_row) for c in changes]
    step = main.kind == "step"
    before = max(ends[0]) if step else min(ends[0])
    after = min(ends[1]) if step else max(ends[1])
    if step and before[0] >= after[0]:  # the views overlap: the main one decides
        before, after = (main.from_place, main.from_row), (main.to_place, main.to_row)
    return main._replace(
        view="all",
        from_row=before[1],
        to_row=after[1],
        from_place=before[0],
        to_place=after[0],
        frames=sum(change.frames for change in changes),
        strength=max(change.strength for change in changes),
    )


def same_event(one, other):
    """Whether two changes of one camera fall together."""
    if one.camera != other.camera or one.kind != other.kind:
        return False
    if one.kind == "trend":
        return min(one.to_place, other.to_place) > max(one.from_place, other.from_place)
    return abs(one.from_place + one.to_place - other.from_place - other.to_place) <= 2 * SAME_PLACE


def same_moment(one, other):
    """
    Whether two changes of unlike quantities may have one cause: between the frames that either lies between is hardly another one.

    Examples
    --------
    >>> light, lens = (Change(None, "all", "step", 0, 0, place, place + 1, 0.0, 1.0, 20, 2.0, "") for place in (83, 89))
    >>> same_moment(light, light._replace(from_place=85, to_place=86)), same_moment(light, lens)
    (True, False)
    """
    if one.kind == "trend" or not same_event(one, other):
        return same_event(one, other)
    return max(one.from_place, other.from_place) - min(one.to_place, other.to_place) <= SAME_MOMENT

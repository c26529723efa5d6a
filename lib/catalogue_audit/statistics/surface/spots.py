"""
Sensor dust: dark spots at a place of the sensor that many frames of one camera share.

A bag stands at much the same place in every picture, and its seams with it; so
spots seen on background make a place, or some of those and others on the product
at the same pixel, and it has to be seen far more often than chance, given how
many spots those frames hold (beside the product, where the place is seen there: a woven bag
holds ten times as many), and to be darker than a backdrop's own pattern makes
it. Frames between them carry the spot as well.
"""

import math

import numpy as np
import pandas as pd

from catalogue_audit.statistics.series.clock import capture_order
from catalogue_audit.statistics.surface.backdrop_pattern import Spot, of_pattern
from catalogue_audit.statistics.surface.hidden_spots import Place, carrying

FEWEST_FRAMES = 5  # of a camera that share a place
NEAR_PX = 6.0  # full-resolution px: a place is the same within the larger of this ...
NEAR_SIZES = 0.4  # ... and this many times the spot's size
FEWEST_ON_BACKGROUND = 2  # of them, where the others lie within ...
SAME_PX = 2.0  # full-resolution px of one another: seams and hardware never do so in pictures of several products
FEWEST_PRODUCTS, FEWEST_VIEWS = 3, 3  # of which the pictures have to be where one alone shows the spot on background
FIXED, FIXED_IN_ONE_VIEW = 0.07, 0.03  # of the spot's size: median distance of a place's spots from their middle
CHANCE = 1e-3  # expected number of places by chance, over all, above which nothing is reported
COLUMNS = ("file", "spot", "camera", "x", "y", "size_px", "contrast", "first_file", "last_file", "frames")


def sensor_spots(frames, sketches):
    """
    Spots that recur at one place of the sensor.

    Parameters
    ----------
    frames : DataFrame
        Frame columns, in the order of the files.
    sketches : mapping of str to dict
        ``spots`` is read.

    Returns
    -------
    counts : Series of Int64
        Recurring spots seen in each frame, index as `frames`; missing for
        frames that are no originals or of no known camera.
    spots : DataFrame
        One row for each recurring spot in each frame that shows it: ``file``,
        ``spot`` (number of the place, from 1), ``camera``, ``x``, ``y``
        (fractions of the upright picture), ``size_px``, ``contrast`` (8-bit
        sRGB), ``first_file``, ``last_file``, ``frames`` (how many share it).
    """
    counted = np.full(len(frames), -1)
    rows, names = [], frames["file"].to_list()
    cameras = _cameras(frames)
    order = _order(frames) if cameras else []
    views, products = (pd.factorize(frames[name])[0] for name in ("view", "sku"))
    for (camera, size), places in cameras.items():
        counted[places] = 0
        seen = _on_sensor(frames, sketches, places, size)
        groups = [members for members in _recurring(seen, views, products) if _is_fixed(members, seen, frames, places)]
        groups = _alone(groups, seen, frames, sketches)
        if not groups:
            continue
        mine = {k for k in places if _size(frames, k) == size}  # another's place may have been cropped: it carries what it shows
        first = len({row["spot"] for row in rows}) + 1
        for number, shown in enumerate(_shown(seen, groups, frames, sketches, [k for k in order if k in mine]), first):
            shown = sorted(shown)
            files = [names[frame] for frame, *_ in shown]
            common = {"spot": number, "camera": camera, "frames": len(files)}
            common |= {"first_file": files[0], "last_file": files[-1]}
            for file, (frame, *values) in zip(files, shown, strict=True):
                counted[frame] += 1
                rows.append(common | dict(zip(("x", "y", "size_px", "contrast"), map(float, values), strict=True)) | {"file": file})
    counts = pd.Series(counted, index=frames.index, dtype="Int64").mask(counted < 0)
    return counts, pd.DataFrame(rows, columns=list(COLUMNS)).astype({"file": "str", "camera": "str"})


def _order(frames):
    """Positions of the frames with a capture time, by it."""
    captured = capture_order(frames)
    timed = captured["source"].isin(("capture time", "corrected clock")).to_numpy(bool)
    ranked = np.argsort(captured["order"].to_numpy(int), kind="stable")
    return [int(k) for k in ranked[timed[ranked]]]


def _shown(seen, groups, frames, sketches, order):
    """
    For each group the frames that carry its spot: lists of (position, x, y, size_px, contrast).

    Groups of which the order of capture leaves fewer than `FEWEST_FRAMES` are left out.
    """
    timed = set(order)
    places, shown = [], []
    for members in groups:
        by_frame = {int(seen["frame"][k]): k for k in members}
        beside = {frame for frame, k in by_frame.items() if seen["kind"][k] == 0}
        place = Place(
            float(np.median(seen["sensor_x"][members] / seen["stored_width"][members])),
            float(np.median(seen["sensor_y"][members] / seen["stored_height"][members])),
            float(np.median(seen["size_px"][members])),
            tuple(frame for frame in by_frame if frame in timed),
            frozenset(beside & timed),
        )
        places.append(place)
        shown.append({frame: tuple(seen[name][k] for name in ("x", "y", "size_px", "contrast")) for frame, k in by_frame.items()})
    usable = [number for number, place in enumerate(places) if len(place.shown_in) > 1]
    orientations = _orientations(frames)
    for number, carried in zip(usable, carrying(frames, sketches, order, [places[k] for k in usable], upright_place), strict=True):
        place, mine = places[number], shown[number]
        for frame in place.shown_in:
            if frame not in carried:
                del mine[frame]
        if len(mine) < FEWEST_FRAMES:
            mine.clear()
            continue
        for frame in carried.keys() - mine.keys():
            mine[frame] = (*upright_place(place.x, place.y, orientations[frame]), place.size_px, carried[frame])
    return [[(frame, *values) for frame, values in mine.items()] for mine in shown if mine]


def _cameras(frames):
    """
    Camera name and commonest picture size, (long, short) px, to positions of its originals, reduced copies among them.

    Pictures of another shape are another group of the same camera.
    """
    named = frames["camera_model"].notna() | frames["camera_serial"].notna()
    usable = named & frames["origin"].ne("derived") & frames["status"].ne("not_measured") & frames["width_px"].notna()
    names = [frames[name].to_list() for name in ("camera_make", "camera_model", "camera_serial")]
    groups = {}
    for place in usable.to_numpy(bool).nonzero()[0]:
        camera = " ".join(str(column[place]) for column in names if pd.notna(column[place]))
        groups.setdefault(camera, {}).setdefault(_size(frames, place), []).append(int(place))
    cameras = {}
    for camera, sizes in groups.items():
        for size, places in sorted(sizes.items(), key=lambda item: (-len(item[1]), item[0])):
            alike = (known for name, known in cameras if name == camera and abs(known[0] * size[1] - known[1] * size[0]) <= max(known))
            cameras.setdefault((camera, next(alike, size)), []).extend(places)
    return {key: sorted(places) for key, places in cameras.items() if len(places) >= FEWEST_FRAMES}


def _size(frames, place):
    """(long, short) side of a picture, px."""
    sides = int(frames["width_px"].iat[place]), int(frames["height_px"].iat[place])
    return max(sides), min(sides)


def _on_sensor(frames, sketches, places, size):
    """All dark spots of a camera's frames, with their place on the sensor in pixels of pictures of a size (long, short): dict of arrays."""
    names = ("frame", "x", "y", "sensor_x", "sensor_y", "stored_width", "stored_height", "size_px", "contrast", "kind")
    columns = {name: [] for name in names}
    files, orientations = frames["file"].to_list(), _orientations(frames)
    sizes = frames["width_px"].to_list(), frames["height_px"].to_list()
    for place in places:
        try:
            spots = sketches[files[place]].get("spots")
        except KeyError:
            spots = None
        if spots is None or not len(spots):
            continue
        spots = np.asarray(spots, float)
        spots = spots[spots[:, 3] < 0]
        orientation = orientations[place]
        sx, sy = sensor_place(spots[:, 0], spots[:, 1], orientation)
        width, height = (float(column[place]) for column in sizes)
        if orientation >= 5:
            width, height = height, width
        width, height = (size[0], size[1]) if width >= height else (size[1], size[0])
        stored = np.full(len(spots), width), np.full(len(spots), height)
        values = (np.full(len(spots), place), spots[:, 0], spots[:, 1], sx * width, sy * height, *stored, *spots[:, 2:].T)
        for name, value in zip(columns, values, strict=True):
            columns[name].append(value)
    seen = {name: np.concatenate(value) if value else np.empty(0) for name, value in columns.items()}
    seen["frame"] = seen["frame"].astype(int)
    seen["kind"][seen["kind"] == 2] = 0  # a speck of a crop, by its outline on background: there the sensor's may lie too
    return seen


def sensor_place(x, y, orientation):
    """
    Place on the sensor of a place in the upright picture.

    Parameters
    ----------
    x, y : array of float
        Fractions of the upright picture.
    orientation : int
        Exif orientation, 1 to 8.

    Returns
    -------
    x, y : array of float
        Fractions of the picture as stored.

    References
    ----------
    .. [1] CIPA DC-008 (Exif 2.32), tag Orientation.

    Examples
    --------
    >>> sensor_place(0.25, 0.5, 3)
    (0.75, 0.5)
    """
    stored = {
        1: (x, y),
        2: (1 - x, y),
        3: (1 - x, 1 - y),
        4: (x, 1 - y),
        5: (y, x),
        6: (y, 1 - x),
        7: (1 - y, 1 - x),
        8: (1 - y, x),
    }
    return stored.get(orientation, (x, y))


def upright_place(x, y, orientation):
    """
    Inverse of `sensor_place`.

    Examples
    --------
    >>> upright_place(*sensor_place(0.25, 0.5, 6), 6)
    (0.25, 0.5)
    """
    return sensor_place(x, y, {6: 8, 8: 6}.get(orientation, orientation))


def _orientations(frames):
    """Exif orientation of each frame, 1 where it is not known."""
    return [int(value) if pd.notna(value) else 1 for value in frames["orientation"]]


def _recurring(seen, views, products):
    """Groups of spots (indices, by frame) that share a place; the most often seen first. Views and products are numbers, a frame each."""
    count, beside = len(seen["frame"]), int((seen["kind"] == 0).sum())
    if count < FEWEST_FRAMES:
        return
    x, y, size = seen["sensor_x"], seen["sensor_y"], seen["size_px"]
    near = np.maximum(NEAR_PX, NEAR_SIZES * size)
    order = np.argsort(x, kind="stable")
    free = np.ones(count, bool)
    groups = []
    for k in np.argsort(seen["contrast"], kind="stable"):
        if seen["kind"][k] != 0:
            continue
        low = np.searchsorted(x[order], x[k] - near[k])
        high = np.searchsorted(x[order], x[k] + near[k], side="right")
        window = order[low:high]
        window = window[np.hypot(x[window] - x[k], y[window] - y[k]) <= near[k]]
        groups.append((k, window))
    groups.sort(key=lambda pair: -len(np.unique(seen["frame"][pair[1]])))
    area = (x.max() - x.min() + 1) * (y.max() - y.min() + 1)
    for k, window in groups:
        members = _one_a_frame(window[free[window]], seen, x[k], y[k])
        members = _steady(members, seen, near[k], views, products)
        on_background = seen["kind"][members] == 0
        if len(members) < FEWEST_FRAMES:
            continue
        clear = int(on_background.sum())
        asked = (clear, beside, near[k]) if clear >= FEWEST_FRAMES else (len(members), count, SAME_PX)
        if not _more_than_chance(*asked, area):
            continue
        if not _alike(seen["contrast"][members[on_background]], size[members[on_background]]):
            continue
        free[window] = False
        yield members[np.argsort(seen["frame"][members], kind="stable")]


def _is_fixed(members, seen, frames, places):
    """
    Whether a place stays where it is, as on a sensor; a fold or a shadow beside a product moves with the product.

    What only one view shows, while the camera took others too, has to stay still closer.
    """
    x, y = (seen[axis][members] for axis in ("sensor_x", "sensor_y"))
    distance = float(np.median(np.hypot(x - np.median(x), y - np.median(y))))
    views = frames["view"].fillna("").to_numpy()
    shown = set(views[seen["frame"][members]])
    others = sum(view not in shown for view in views[places])
    share = FIXED_IN_ONE_VIEW if len(shown) == 1 and others >= FEWEST_FRAMES else FIXED
    return distance <= share * float(np.median(seen["size_px"][members]))


def _alone(groups, seen, frames, sketches):
    """The groups whose place is darker than the pattern of a backdrop that stands still makes it, as far as frames of one turn can tell."""
    files, orientations = frames["file"].to_list(), np.array(_orientations(frames))
    spots = []
    for members in groups:
        turns = orientations[seen["frame"][members]]
        same = members[turns == np.bincount(turns).argmax()]
        share = float(np.median(seen["size_px"][members] / frames["width_px"].to_numpy(float)[seen["frame"][members]]))
        spots.append(Spot([files[k] for k in seen["frame"][same]], seen["x"][same], seen["y"][same], share))
    return [members for members, doubted in zip(groups, of_pattern(spots, sketches), strict=True) if not doubted]


def _steady(members, seen, near, views, products):
    """
    Members that make a place: all, where enough are on background; else those at the very same pixel, or none.

    Those on the product are kept where they are as close together as those beside it; beside a single one they
    have to be of several products and views, as a bag's hardware at one place is not.
    """
    on_background = seen["kind"][members] == 0
    if on_background.sum() >= FEWEST_FRAMES:
        return members
    if not on_background.any():
        return members[:0]
    x, y = seen["sensor_x"][members], seen["sensor_y"][members]
    middle = np.median(x[on_background]), np.median(y[on_background])
    members = members[np.hypot(x - middle[0], y - middle[1]) <= min(SAME_PX, near)]
    if on_background.sum() < FEWEST_ON_BACKGROUND:
        shown = (len(np.setdiff1d(number[seen["frame"][members]], -1)) for number in (products, views))
        if any(several < fewest for several, fewest in zip(shown, (FEWEST_PRODUCTS, FEWEST_VIEWS), strict=True)):
            return members[:0]
    return members


def _one_a_frame(window, seen, x, y):
    """The nearest spot of each frame."""
    distance = np.hypot(seen["sensor_x"][window] - x, seen["sensor_y"][window] - y)
    window = window[np.argsort(distance, kind="stable")]
    _, first = np.unique(seen["frame"][window], return_index=True)
    return window[np.sort(first)]


def _more_than_chance(hits, spots, near, area):
    """
    Whether so many frames share a place more often than spots strewn at random would.

    The number of frames with a spot within `near` of a given place is about
    Poisson; the expected number of such places is that tail times the spots.
    """
    expected = spots * math.pi * near**2 / area
    tail = 1.0
    term = math.exp(-expected)
    for k in range(hits - 1):
        tail -= term
        term *= expected / (k + 1)
    return spots * max(tail, 0.0) < CHANCE or expected ** (hits - 1) * spots < CHANCE


def _alike(contrast, size):
    """Dust is as dark and as large in every frame at one aperture; strewn finds are not."""
    spread = np.quantile(contrast, 0.75) / min(np.quantile(contrast, 0.25), -1e-6)
    return bool(spread > 0.25 and np.quantile(size, 0.75) <= 2.5 * np.quantile(size, 0.25))

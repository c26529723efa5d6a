"""
Which camera original each retouched final was made from.

Candidates come from an index of words (parts of key-point descriptors [1]_), which a new
background, a crop, a turn or another colour leaves standing, from the outline's shape, and from names. A candidate
counts only once it was laid over the final (`statistics.geometry.alignment`): key points agree on one movement, and the
fine structure of the product's lightness then correlates as two versions of one photograph do, and
two photographs of one thing do not.

References
----------
.. [1] E. Rublee et al., "ORB: An efficient alternative to SIFT or SURF", ICCV 2011.
"""

import numpy as np
import pandas as pd
from scipy.spatial import cKDTree

from catalogue_audit.statistics.geometry.turns import CROP_SD_DEG
from catalogue_audit.statistics.matching.laid_originals import Version, laid_over, trusted
from catalogue_audit.statistics.spread import both, spread

WORD_BYTES = 3  # of a descriptor, read as one word of WORD_BITS; longer words are rarer, but survive less
WORD_BITS = 20
WORDS = 8  # a descriptor, from disjoint bytes
COMMON = 64  # a word in more originals than this tells nothing, and is not looked at
NOMINATED = 6  # originals with most of the final's words that are laid over it ...
SHAPED = 3  # ... those of the nearest outlines ...
NAMED = 2  # ... and at most so many of the same name
HARMONICS = 8  # of the outline's distance from its centre, whose sizes no turn changes
SAME_PHOTOGRAPH = 0.88  # correlation of fine structure; on rendered bags 0.92 and more, two photographs of two bags up to 0.86
UNCERTAINTIES = 3.0  # between two turns from which they are not that of one photograph; 361 pairs of one reach 1.5
AS_GOOD = 0.02  # of that correlation; one photograph saved twice differs by up to 0.012, as its outline moves by a pixel
COLUMNS = (
    "original_file", "original_note", "original_rotation_deg", "original_rotation_sd_deg", "original_scale", "original_scale_sd",
    "original_left", "original_top", "original_right", "original_bottom", "original_crop_sd",
)  # fmt: skip


def pair_originals(frames, sketches, originals, original_sketches):
    """
    The original that each final was made from.

    Parameters
    ----------
    frames, originals : DataFrame
        Frame columns of the finals and of the originals, in natural file order, default index.
    sketches, original_sketches : mapping of str to dict of ndarray
        Loaded one at a time; ``keypoints``, ``descriptors``, ``preview``, ``mask`` and ``outline`` are read.

    Returns
    -------
    DataFrame
        Index as `frames`; `COLUMNS`. Empty where no original fits, or where several fit as well and
        neither name nor content tells them apart: then ``original_note`` says so.
        One original may serve several finals.
    """
    find = _finder(originals, original_sketches)
    names = _by_name(originals)
    asked, beside = {}, {}
    for place in frames.index:
        final = frames.loc[place]
        own = _version(final)
        sketch = trusted(sketches.get(own.file), own)
        if "preview" not in sketch or own.size is None:
            continue
        beside[place] = {row for name in _names(final) for row in names.get(name, ())}
        nominated = sorted({*find(final, sketch), *sorted(beside[place])[:NAMED]})
        asked[place] = own, [(row, _version(originals.loc[row])) for row in nominated]
    found = spread(laid_over, asked.values(), both(sketches, original_sketches))
    rows = {place: _best(placed, originals, beside[place]) for place, placed in zip(asked, found, strict=True)}
    return pd.DataFrame([rows.get(place, {}) for place in frames.index], index=frames.index, columns=list(COLUMNS))


def _best(placed, originals, namesakes):
    """Columns of the original that fits best; of a note where none can be told from the others."""
    fits = {row: one for row, one in placed.items() if one.correlation >= SAME_PHOTOGRAPH}
    if not fits:
        return {}
    most = max(one.correlation for one in fits.values())
    equal = sorted(row for row, one in fits.items() if one.correlation > most - AS_GOOD)
    chosen, note = equal, None
    if len({originals["sha256"][row] for row in equal}) > 1:
        chosen = [row for row in equal if row in namesakes]
        told = len({originals["sha256"][row] for row in chosen}) == 1
        listed = ", ".join(originals["file"][row] for row in equal)
        note = f"originals that fit equally well: {listed}" + ("; told apart by name only" if told else "")
        if not told:
            return {"original_note": note}
    row = min(chosen, key=lambda row: (row not in namesakes, row))
    one = fits[row]
    values = originals["file"][row], note, *one[1:5], *one.crop, one.crop_sd
    return dict(zip(COLUMNS, values, strict=True))


def turned_otherwise(finals, originals):
    """
    Pairs whose two pictures certainly show two turns, and so are two photographs.

    A flat front looks nearly the same turned by ten degrees: a product photographed again, straightened, goes over the
    first photograph almost as well as over itself.

    Parameters
    ----------
    finals, originals : DataFrame
        ``yaw_deg`` and ``yaw_sd_deg``, each read under the final's view; a pair a row, same index.

    Returns
    -------
    Series of bool
        False where a turn is unknown.
    """
    (turn, sd), (other, other_sd) = ((frames["yaw_deg"].astype(float), frames["yaw_sd_deg"].astype(float)) for frames in (finals, originals))
    return (turn - other).abs() > UNCERTAINTIES * np.sqrt(sd**2 + other_sd**2 + CROP_SD_DEG**2)


# -- candidates ------------------------------------------------------------------------------


def descriptor_words(descriptors):
    """
    Words of a picture's key points.

    Parameters
    ----------
    descriptors : (n, 32) ndarray of uint8 or None

    Returns
    -------
    (at most n * WORDS,) ndarray of uint32
        Unique, sorted; the word's place in the descriptor is part of it.

    Examples
    --------
    >>> len(descriptor_words(np.zeros((5, 32), np.uint8)))
    8
    """
    if descriptors is None or not len(descriptors):
        return np.zeros(0, np.uint32)
    parts = np.ascontiguousarray(descriptors[:, : WORDS * WORD_BYTES]).reshape(len(descriptors), WORDS, WORD_BYTES)
    values = (parts.astype(np.uint32) << np.array([0, 8, 16], np.uint32)).sum(axis=2, dtype=np.uint32)
    values &= np.uint32((1 << WORD_BITS) - 1)
    return np.unique(values | (np.arange(WORDS, dtype=np.uint32) << np.uint32(WORD_BITS)))


def outline_shape(outline, size):
    """
    What no turn, shift or scale changes of an outline: sizes of the harmonics of its distance from its centre.

    Parameters
    ----------
    outline : (n, 2) ndarray of float or None
        Fractions of the frame.
    size : (width, height)

    Returns
    -------
    (HARMONICS,) ndarray of float or None
    """
    if outline is None or len(outline) < 16:
        return None
    points = np.asarray(outline, float) * size
    points = points - points.mean(axis=0)
    angle, distance = np.arctan2(points[:, 1], points[:, 0]), np.hypot(*points.T)
    order = np.argsort(angle, kind="stable")
    even = np.interp(np.linspace(-np.pi, np.pi, 128, endpoint=False), angle[order], distance[order], period=2 * np.pi)
    return np.abs(np.fft.rfft(even / even.mean()))[1 : HARMONICS + 1] / 128


def _finder(originals, sketches):
    """A function (final, sketch) -> rows of the originals nominated, from an index over all of them."""
    words, owners, shapes, shaped = [], [], [], []
    for row in originals.index:
        version = _version(originals.loc[row])
        sketch = trusted(sketches.get(version.file), version)
        words.append(descriptor_words(sketch.get("descriptors")))
        owners.append(np.full(len(words[-1]), row, np.int32))
        shape = _shape(originals.loc[row], sketch)
        if shape is not None:
            shapes.append(shape)
            shaped.append(row)
    words, owners = np.concatenate([np.zeros(0, np.uint32), *words]), np.concatenate([np.zeros(0, np.int32), *owners])
    order = np.argsort(words, kind="stable")
    words, owners = words[order], owners[order]
    tree = cKDTree(np.array(shapes)) if shapes else None

    def find(final, sketch):
        own = descriptor_words(sketch.get("descriptors"))
        begin, end = np.searchsorted(words, own), np.searchsorted(words, own, side="right")
        telling = (end > begin) & (end - begin <= COMMON)
        seen = [owners[a:b] for a, b in zip(begin[telling], end[telling], strict=True)]
        votes = np.bincount(np.concatenate([np.zeros(0, np.int32), *seen]), minlength=len(originals))
        found = [int(row) for row in np.argsort(-votes, kind="stable")[:NOMINATED] if votes[row]]
        shape = None if tree is None else _shape(final, sketch)
        if shape is not None:
            found += [shaped[k] for k in np.atleast_1d(tree.query(shape, min(SHAPED, len(shaped)))[1])]
        return found

    return find


def _version(frame):
    return Version(frame["file"], bool(pd.notna(frame["left"])), None if pd.isna(frame["width_px"]) else _size(frame))


def _shape(frame, sketch):
    if pd.isna(frame["width_px"]):
        return None
    return outline_shape(sketch.get("outline"), _size(frame))


def _size(frame):
    return float(frame["width_px"]), float(frame["height_px"])


def _names(frame):
    """What a file is called: its own name without folder and format, and product with view and number."""
    yield frame["file"].rpartition("/")[2].rpartition(".")[0].lower()
    if isinstance(frame["sku"], str) and isinstance(frame["view"], str):
        yield frame["sku"], frame["view"], 1 if pd.isna(frame["position"]) else int(frame["position"])


def _by_name(originals):
    names = {}
    for row in originals.index:
        for name in _names(originals.loc[row]):
            names.setdefault(name, []).append(row)
    return names

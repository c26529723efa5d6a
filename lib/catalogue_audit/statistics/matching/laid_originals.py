"""Originals that were nominated for a final, each laid over it."""

from typing import NamedTuple

from catalogue_audit.statistics.geometry.alignment import common_movement, place

FAR_FEWER = 0.2  # of the most key points in one movement: not looked at again
LAID_OVER = 4  # of these, with most key points in one movement, compared in full
KEYS = ("keypoints", "descriptors", "preview", "mask", "outline")


class Version(NamedTuple):
    """A photograph in one of its versions: ``file``, whether it shows a ``whole`` product, ``size`` (width, height) in pixels, None where unknown."""

    file: str
    whole: bool
    size: tuple


def trusted(sketch, version):
    """A picture's sketch, without mask and outline where they are not of a whole product, as in a crop."""
    kept = KEYS if version.whole else KEYS[:3]
    return {key: sketch[key] for key in kept if key in (sketch or ())}


def laid_over(sketches, asked):
    """
    Row → `alignment.Placed` of the nominated originals that go over a final.

    Parameters
    ----------
    sketches : mapping of (int, str) to dict
        Of finals and originals, as `statistics.spread.both` joins them.
    asked : (Version, list of (row, Version))
        The final, and the originals nominated for it.
    """
    final, nominated = asked
    sketch = trusted(sketches.get((0, final.file)), final)
    moved = []
    for row, version in nominated:
        other = trusted(sketches.get((1, version.file)), version)
        if "preview" not in other or version.size is None:
            continue
        movement, points = common_movement(sketch, other, final.size, version.size)
        if movement is not None:
            moved.append((-points, row, movement, other, version))
    placed = {}
    moved.sort(key=lambda one: one[:2])
    for points, row, movement, other, version in moved[:LAID_OVER]:
        if -points < FAR_FEWER * -moved[0][0]:
            break
        one = place(sketch, other, final.size, version.size, movement)
        if one is not None:
            placed[row] = one
    return placed

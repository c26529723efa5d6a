"""
A sign of damage that the JPEG decoder does not give: a step in the coded order of blocks.

Each block's mean is coded as the difference from the block before (ITU-T T.81,
F.1.1.5.1). Damage that leaves the number of blocks as it was therefore shifts
every block after it by one amount. The picture then shows a horizontal step
that begins in the middle of one row of blocks, exactly on their border, and
ends one row further down at the same place. No lens makes that, but a page
drawn of panels might, so it is a note and no refusal.
"""

import cv2
import numpy as np

STEP = 3  # code values; smaller steps are lost in noise and coding
SHARE = 0.8  # of the blocks along the step that must show it, in both rows
STRAY = 0.2  # of the blocks before and after it that may
PART = 0.06  # of the width, and four blocks: a step that begins nearer to the side may be a real horizontal edge
FEWEST = 32  # blocks across; in smaller pictures chance makes such steps


def coding_step(codes, block):
    """
    Whether the picture shows the step of a damaged sequential JPEG.

    Parameters
    ----------
    codes : (H, W, 3) uint8
        As decoded, before any turning.
    block : (int, int)
        Height and width of a coded unit (MCU), px: 8 or 16 each.

    Returns
    -------
    bool
        False where nothing is seen: the damage may be too small, lie in a
        clipped area, or begin at the side of the picture.
    """
    height, width = block
    rows, columns = codes.shape[0] // height, codes.shape[1] // width
    if rows < 4 or columns < FEWEST:
        return False
    below, above = (
        cv2.resize(edge[:, : columns * width], (columns, rows - 1), interpolation=cv2.INTER_AREA)
        for edge in (codes[height : rows * height : height], codes[height - 1 : rows * height - 1 : height])
    )
    steps = np.ascontiguousarray((below.astype(np.int16) - above).reshape(-1, 3).T)
    return any(_has_step(signed, columns) for channel in steps for signed in (channel, -channel))


def _has_step(steps, columns):
    """
    Whether one window of ``columns`` blocks in coded order rises by one amount, and not so before and after.

    Its part at the end of one row and its part at the beginning of the next
    must both do so: a real horizontal edge fills one row only.
    """
    hits = steps >= STEP
    in_row = cv2.reduce(hits.view(np.uint8).reshape(-1, columns), 1, cv2.REDUCE_SUM, dtype=cv2.CV_32S)
    if (in_row[1:] + in_row[:-1]).max() < SHARE * columns:  # the window lies in two rows
        return False
    counts = np.zeros(len(hits) + 1, np.int32)
    np.cumsum(hits, out=counts[1:])
    half, part = columns // 2, max(4, round(PART * columns))
    last = len(hits) - columns - half
    starts = half + np.flatnonzero(counts[half + columns : last + columns] - counts[half:last] >= SHARE * columns)
    if not len(starts):
        return False
    place = starts % columns
    starts = starts[(place >= part) & (place <= columns - part)]
    ends, turns = starts + columns, starts + columns - starts % columns

    def share(first, last):
        return (counts[last] - counts[first]) / (last - first)

    full = (share(starts, turns) >= SHARE) & (share(turns, ends) >= SHARE)
    empty = (share(starts - half, starts) <= STRAY) & (share(ends, ends + half) <= STRAY)
    found = np.flatnonzero(full & empty)[:20]
    return any(_one_amount(steps[starts[at] : turns[at]], steps[turns[at] : ends[at]]) for at in found)


def _one_amount(first, second):
    """Whether both parts rise by the same amount, and most of their blocks do."""
    amounts = np.median(first), np.median(second)
    spread = max(2.0, 0.35 * min(amounts))
    near = [np.mean(np.abs(part - amount) <= spread) for part, amount in zip((first, second), amounts, strict=True)]
    return abs(amounts[0] - amounts[1]) <= max(1.0, 0.25 * min(amounts)) and min(near) >= 0.6

"""
A product's lower part that is as light as the ground, down to its line of contact.

A white sole, or the white body below a dark rim, cannot be told from a white sweep, and the background runs over it. Its contact shadow
shows where it stands: going down, bright ground ends sharply in a shadow that fades out below. Between a product that stands and the
shadow of its contact there is no lit ground; what lies between is product.

All lengths are pixels of half the working size.
"""

import cv2
import numpy as np

from catalogue_audit.measures.segmentation.parts import largest_part

APART_PX = 3  # from the product as it was found: nearer lies its own edge
FALL, BESIDE_PX = 3.0, 2  # CIELAB L* by which it is darker, so far below the line, than so far above
FADED, FADES_PX = 0.2, 10  # share of that fall by which it is lighter again, so far below
LIT, MOST_UNLIT = 0.95, 0.3  # of the backdrop's L* + 16, above the line; and the share of what lies between that is darker, or no ground
GREY = 6.0  # CIELAB chroma; of ground, shadow, and a product that is taken for it
LEVEL_PX = 2  # a line goes on in the next columns within so many rows
LEAST = 0.4  # of the product's columns, below which its line of contact lies


def down_to_contact(evidence, ground, product):
    """
    Give what lies between the largest part of a product and a line of contact below it to the product.

    Parameters
    ----------
    evidence : Evidence
    ground, product : (h, w) bool

    Returns
    -------
    ground, product : (h, w) bool
        The same arrays where there is no such line.
    share : float
        Of the product that was given to it so.
    """
    own = largest_part(product)
    x, top, width, _ = cv2.boundingRect(own.view(np.uint8))
    columns, end = slice(x, x + width), len(product) - FADES_PX
    top += BESIDE_PX + APART_PX
    lowest = len(own) - 1 - own[::-1, columns].argmax(axis=0)
    rows = np.arange(len(own))[:, None]
    step, edge, chroma = (plane[top:end, columns] for plane in (evidence.step, evidence.edge, evidence.chroma))
    edges = step & (edge > FALL / (2 * BESIDE_PX)) & (chroma < GREY) & (rows[top:end] > lowest + APART_PX)
    if not width or np.count_nonzero(edges.any(axis=0)) < LEAST * width:
        return ground, product, 0.0
    line, found = _lines(evidence, edges, top, columns)
    between = (rows > lowest) & (rows <= line)
    lit = between & ground[:, columns] & (evidence.ratio[:, columns] > LIT)
    found &= np.count_nonzero(lit, axis=0) > (1 - MOST_UNLIT) * np.count_nonzero(between, axis=0)
    if np.count_nonzero(found) < LEAST * width:
        return ground, product, 0.0
    known = np.flatnonzero(found)
    line = np.interp(np.arange(width), known, line[known], left=-1, right=-1)  # between columns that show it, and no further
    ground, product, whole = ground.copy(), product.copy(), np.count_nonzero(product)
    given = (rows > lowest) & (rows <= line)
    product[:, columns] |= given
    ground[:, columns] &= ~given
    return ground, product, 1 - whole / np.count_nonzero(product)


def _lines(evidence, edges, top, columns):
    """Row of the deepest fall of light at an edge below each column's product, (h, w) bool from row ``top`` on; and whether it is a line of contact."""
    height = len(edges)
    above, below, beyond = (evidence.light[top + by : top + by + height, columns] for by in (-BESIDE_PX, BESIDE_PX, FADES_PX))
    fall = above - below
    is_line = edges & (fall > FALL) & (beyond - below > FADED * fall)
    is_line &= evidence.ratio[top - BESIDE_PX : top - BESIDE_PX + height, columns] > LIT
    line = top + np.where(is_line, fall, 0).argmax(axis=0)
    level = cv2.medianBlur(line.astype(np.float32)[None], 5)[0]
    return line, is_line.any(axis=0) & (np.abs(line - level) <= LEVEL_PX)

"""
All pairs of 64-bit hashes within a few bits of each other, without comparing every pair.

A hash is cut into four blocks of 16 bits. If two hashes differ in at most r
bits, the blocks cannot all differ in more than their share: choosing how many
wrong bits each block may hold so that the shares plus one add up to more than
r, at least one block keeps within its share (pigeonhole). So it is enough to
look into the buckets of a block's own value and of its near values, and to
compare in full what lies there. Exact for any radius up to 11.

References
----------
.. [1] M. Norouzi, A. Punjani and D. J. Fleet, "Fast Search in Hamming Space
   with Multi-Index Hashing", CVPR 2012.
"""

import numpy as np

BLOCKS = 4
BLOCK_BITS = 16
LARGEST_RADIUS = 11  # two wrong bits a block at most: 137 buckets a block
PAIRS_AT_ONCE = 1 << 20  # candidate pairs compared at a time; bounds the memory, 40 bytes a pair
CROWDED = 256  # a bucket with more different hashes than this is linked through representatives


def parse_hashes(texts):
    """
    Hashes of 16 hex digits as numbers.

    Parameters
    ----------
    texts : iterable of str or missing

    Returns
    -------
    hashes : (n,) ndarray of uint64
        0 where there is none.
    present : (n,) ndarray of bool

    Examples
    --------
    >>> hashes, present = parse_hashes(["00000000000000ff", None])
    >>> hashes.tolist(), present.tolist()
    ([255, 0], [True, False])
    """
    values = [int(text, 16) if isinstance(text, str) and len(text) == 16 else None for text in texts]
    hashes = np.array([value or 0 for value in values], dtype=np.uint64)
    return hashes, np.array([value is not None for value in values], dtype=bool)


def components_within(hashes, radius):
    """
    Groups of hashes connected by steps of at most ``radius`` bits.

    Parameters
    ----------
    hashes : (n,) ndarray of uint64
    radius : int
        0 to 11.

    Returns
    -------
    (n,) ndarray of int
        The place of the group's first member.

    Examples
    --------
    >>> components_within(np.array([0, 255, 1, 3], np.uint64), 1).tolist()
    [0, 1, 0, 0]
    """
    hashes = np.ascontiguousarray(hashes, dtype=np.uint64)
    if not hashes.size:
        return np.zeros(0, np.int64)
    unique, first, inverse = np.unique(hashes, return_index=True, return_inverse=True)
    parent = np.arange(unique.size)
    for left, right in _candidates(unique, radius, crowded=parent):
        _link(parent, left, right)
    roots = _roots(parent, np.arange(unique.size))
    smallest = np.full(unique.size, hashes.size, dtype=np.int64)
    np.minimum.at(smallest, roots, first)
    return smallest[roots][inverse]


def _candidates(unique, radius, crowded):
    """
    Blocks of (left, right) index pairs of ``unique`` within ``radius``; pairs may come twice.

    Buckets of more than `CROWDED` hashes are linked at once in ``crowded``, a
    parent array, and only their pairs with other buckets are given.
    """
    if not 0 <= radius <= LARGEST_RADIUS:
        msg = f"radius must be 0 to {LARGEST_RADIUS}, got {radius}"
        raise ValueError(msg)
    if radius == 0 or unique.size < 2:
        return
    for block, wrong in enumerate(_shares(radius)):
        if wrong < 0:
            continue
        keys = ((unique >> np.uint64(BLOCK_BITS * block)) & np.uint64(0xFFFF)).astype(np.uint16)
        order = np.argsort(keys, kind="stable")
        values = unique[order]
        counts = np.bincount(keys, minlength=1 << BLOCK_BITS)
        starts = np.concatenate([[0], np.cumsum(counts)])
        yield from _same_bucket(values, order, counts, starts, radius, crowded)
        for flip in _flips(wrong):
            yield from _other_bucket(values, order, counts, starts, flip, radius, crowded)


def _shares(radius):
    """Wrong bits allowed in each block so that one block keeps within its share; -1 skips a block."""
    shares = [-1] * BLOCKS
    for place in range(radius + 1):
        shares[place % BLOCKS] += 1
    return shares


def _flips(wrong):
    """All masks of one to ``wrong`` bits of a block."""
    single = [1 << bit for bit in range(BLOCK_BITS)]
    if wrong < 1:
        return []
    double = [one | other for one in single for other in single if one < other]
    return single + (double if wrong > 1 else [])


def _same_bucket(values, order, counts, starts, radius, crowded):
    """Pairs inside each bucket."""
    usable = counts.copy()
    for key in np.flatnonzero(counts > CROWDED):
        part = slice(starts[key], starts[key + 1])
        _link_crowd(crowded, values[part], order[part], radius)
        usable[key] = 0
    filled = np.repeat(usable, counts)
    ranks = np.arange(values.size) - np.repeat(starts[:-1], counts)
    partners = np.maximum(filled - ranks - 1, 0)
    yield from _compare(values, order, np.arange(values.size), np.arange(1, values.size + 1), partners, radius)


def _other_bucket(values, order, counts, starts, flip, radius, crowded):
    """Pairs between each bucket and the one whose value differs by ``flip``."""
    keys = np.flatnonzero(counts)
    keys = keys[(keys < keys ^ flip) & (counts[keys ^ flip] > 0)]
    large = counts[keys] * counts[keys ^ flip] > CROWDED**2
    for key in keys[large]:
        one, other = (slice(starts[k], starts[k + 1]) for k in (key, key ^ flip))
        _link_crowds(crowded, values, order, one, other, radius)
    keys = keys[~large]
    sizes = counts[keys]
    left = np.repeat(starts[keys] - np.concatenate([[0], np.cumsum(sizes)])[:-1], sizes) + np.arange(sizes.sum())
    yield from _compare(
        values, order, left, np.repeat(starts[keys ^ flip], sizes), np.repeat(counts[keys ^ flip], sizes), radius
    )


def _compare(values, order, left, right_starts, partners, radius):
    """Compare ``values[left]`` with the ``partners`` values from ``right_starts`` on, a bounded number at a time."""
    ends = np.cumsum(partners)
    begin = 0
    while begin < left.size:
        done = ends[begin - 1] if begin else 0
        stop = max(int(np.searchsorted(ends, done + PAIRS_AT_ONCE, side="right")), begin + 1)
        number = partners[begin:stop]
        total = int(number.sum())
        if total:
            offsets = right_starts[begin:stop] - (np.cumsum(number) - number)
            right = np.repeat(offsets, number) + np.arange(total)
            different = np.bitwise_count(np.repeat(values[left[begin:stop]], number) ^ values[right])
            near = np.flatnonzero(different <= radius)
            if near.size:
                rows = np.searchsorted(np.cumsum(number), near, side="right")
                one, other = order[left[begin:stop][rows]], order[right[near]]
                yield np.minimum(one, other), np.maximum(one, other)
        begin = stop


def _link_crowd(parent, values, members, radius):
    """Connect the hashes of one crowded bucket: whoever is linked needs no second look from the same group."""
    _link_remaining(parent, values, members, values, members, radius)


def _link_crowds(parent, values, order, one, other, radius):
    """The same between two crowded buckets."""
    _link_remaining(parent, values[one], order[one], values[other], order[other], radius)


def _link_remaining(parent, values, members, others, other_members, radius):
    """
    Link every pair within the radius that is not yet connected.

    Members are taken one at a time against those others outside their group;
    a burst is one group after its first member, so nothing remains to compare.
    """
    roots, other_roots = _roots(parent, members), _roots(parent, other_members)
    for place in range(values.size):
        apart = np.flatnonzero(other_roots != roots[place])
        if not apart.size:
            if np.all(roots == roots[place]):
                return
            continue
        near = apart[np.bitwise_count(others[apart] ^ values[place]) <= radius]
        if near.size:
            joined = np.unique(np.append(other_roots[near], roots[place]))
            parent[joined] = joined[0]
            roots[np.isin(roots, joined)] = joined[0]
            other_roots[np.isin(other_roots, joined)] = joined[0]


def _roots(parent, items):
    """Roots of ``items``, all at once, with the path shortened."""
    roots = parent[items]
    while True:
        above = parent[roots]
        if np.array_equal(above, roots):
            parent[items] = roots
            return roots
        roots = above


def _link(parent, left, right):
    """Join the groups of each pair, many at once: the larger root is hung under the smaller until nothing moves."""
    while left.size:
        one, other = _roots(parent, left), _roots(parent, right)
        apart = one != other
        left, right, one, other = left[apart], right[apart], one[apart], other[apart]
        np.minimum.at(parent, np.maximum(one, other), np.minimum(one, other))

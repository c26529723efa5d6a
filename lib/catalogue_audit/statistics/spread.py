"""
One function over many products, pictures or pairs of them, in worker processes where there are some.

Statistics name what is to be worked out and know nothing of processes: who runs them hands over sketches that can spread work
(`runs.crew`). A plain dict of sketches works everything out in turn. Either way each item's result is the same.
"""


def spread(function, items, sketches, at_hand=None):
    """
    A function's results for some items, in their order.

    Parameters
    ----------
    function : callable
        ``function(sketches, item)``, of a module, so that another process can be asked for it. Its result tells of the item alone.
    items : iterable
        What is sent to another process: a few numbers and names, rather than arrays.
    sketches : mapping of str to dict
    at_hand : optional
        What the function is given instead of the sketches: an object made of them alone, ``type(at_hand)(sketches)``, that keeps
        what it has decoded. Every process has one of its own.

    Returns
    -------
    list
    """
    items = list(items)
    if workers_of(sketches) > 1 and len(items) > 1:
        return sketches.spread(function, items, at_hand)
    given = sketches if at_hand is None else at_hand
    return [function(given, item) for item in items]


def workers_of(sketches):
    """How many processes may work at once."""
    return getattr(sketches, "workers", 1)


def blocks(items, sketches, each=8):
    """
    Items in lists of so many as workers take at once; one by one where there are none.

    For work of which a result makes later work needless: a little may then be done in vain.
    """
    size = 1 if workers_of(sketches) < 2 else each * workers_of(sketches)
    items = list(items)
    yield from (items[start : start + size] for start in range(0, len(items), size))


def both(sketches, others):
    """Two mappings of sketches as one: (0, file) → a sketch of the first, (1, file) → one of the second."""
    joined = getattr(sketches, "joined", None)
    if joined is not None:
        return joined(others)
    return {(side, file): sketch for side, known in enumerate((sketches, others)) for file, sketch in known.items()}

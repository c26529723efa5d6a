"""SKUs that are another product's with a slip of the pen: one character off, with just the pictures that the other lacks."""

SEEN_ALIKE = str.maketrans("oil", "011")  # letters that pass for digits


def one_slip(one, other):
    """
    Whether two texts differ by one character, by two neighbours exchanged, or by letters that pass for digits alone; case is no difference.

    Examples
    --------
    >>> [one_slip("AB-1186-MUS", other) for other in ("ABl186-MUS", "AB-ll86-MUS", "AB-1168-MUS", "AB-1187-MUX")]
    [False, True, True, False]
    >>> one_slip("AB-1186", "AB-186"), one_slip("AB-1186", "ab-1186")
    (True, False)
    """
    one, other = one.casefold(), other.casefold()
    if one == other:
        return False
    if one.translate(SEEN_ALIKE) == other.translate(SEEN_ALIKE):
        return True
    start = next((place for place, pair in enumerate(zip(one, other, strict=False)) if pair[0] != pair[1]), min(len(one), len(other)))
    rest, other_rest = one[start:], other[start:]
    if len(one) == len(other):
        return rest[1:] == other_rest[1:] or (rest[:2] == other_rest[1::-1] and rest[2:] == other_rest[2:])
    longer, shorter = (rest, other_rest) if len(one) > len(other) else (other_rest, rest)
    return longer[1:] == shorter


def misspelt(delivered, required, listed=None):
    """
    Products of the folder that are slips of another one's SKU.

    Two incomplete products whose SKUs differ by a slip, one of which has just what the other lacks, are one product. Where there is a
    products file, what it lists is spelt right.

    Parameters
    ----------
    delivered : dict of str to dict
        Pictures by SKU and view.
    required : callable
        SKU to the views that it must have.
    listed : collection of str, optional
        SKUs of the products file, spelt as the folder spells them.

    Returns
    -------
    dict of str to str
        The misspelt SKU to the one that is meant.

    Examples
    --------
    >>> delivered = {"A-10": {"front": 1, "back": 1}, "A-1O": {"detail": 1}, "A-11": {"front": 1}}
    >>> misspelt(delivered, lambda sku: ("front", "back", "detail"))
    {'A-1O': 'A-10'}
    """
    incomplete = {sku: set(required(sku)) - set(delivered.get(sku, {})) for sku in dict.fromkeys([*delivered, *(listed or ())])}
    incomplete = {sku: lacking for sku, lacking in incomplete.items() if lacking}
    lacking_just = {}
    for sku, lacking in incomplete.items():
        if listed is None or sku in listed:
            lacking_just.setdefault(frozenset(lacking), []).append(sku)
    meant = {}
    for sku, lacking in incomplete.items():
        views = frozenset(delivered.get(sku, {}))
        if listed is None and len(views) >= len(lacking):
            continue  # of two the one with fewer pictures is misspelt
        others = [] if listed is not None and sku in listed else lacking_just.get(views, [])
        likely = [other for other in others if other != sku and one_slip(sku, other)]
        if views and len(likely) == 1:
            meant[sku] = likely[0]
    return meant

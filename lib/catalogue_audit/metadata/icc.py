"""Header, tags and description of an ICC profile (ICC.1:2010), as far as an audit needs them."""

from typing import NamedTuple

MAX_PROFILE_BYTES = 16 * 2**20  # the largest printing profiles in use are below 4 MB
MAX_TAGS = 200
MAX_SHARED = 8  # bytes of all tags over the profile's: the three curves, and the tables of three intents, often are one


class Profile(NamedTuple):
    """
    One profile, opened.

    Attributes
    ----------
    device_class : str
        'mntr', 'scnr', 'prtr', 'spac', 'link', 'abst' or 'nmcl'.
    space : str
        Colour space of the picture: 'RGB', 'GRAY', 'CMYK', ...
    pcs : str
        Connection space, 'XYZ' or 'Lab'.
    tags : dict of str to bytes
    """

    device_class: str
    space: str
    pcs: str
    tags: dict


def open_profile(data):
    """
    Parse a profile.

    Parameters
    ----------
    data : bytes

    Returns
    -------
    Profile

    Raises
    ------
    ValueError
        If the bytes are no profile, or its table of tags points outside it.
    """
    if len(data) < 132 or data[36:40] != b"acsp" or len(data) > MAX_PROFILE_BYTES:
        raise ValueError("not an ICC profile")
    count = int.from_bytes(data[128:132], "big")
    if count > MAX_TAGS or 132 + 12 * count > len(data):
        raise ValueError("the profile's table of tags is broken")
    tags, held = {}, 0
    for at in range(132, 132 + 12 * count, 12):
        start, size = int.from_bytes(data[at + 4 : at + 8], "big"), int.from_bytes(data[at + 8 : at + 12], "big")
        if start + size > len(data):
            raise ValueError("a tag of the profile points outside it")
        held += size
        if held > MAX_SHARED * len(data):
            raise ValueError("the profile's tags overlap")
        tags.setdefault(data[at : at + 4].decode("latin-1"), data[start : start + size])
    text = [data[at : at + 4].decode("latin-1").strip() for at in (12, 16, 20)]
    return Profile(*text, tags)


def description(profile):
    """
    The profile's name: ``desc`` as text (version 2) or in English, else the first language (version 4).

    Returns
    -------
    str
        Empty where the profile has none.
    """
    tag = profile.tags.get("desc", b"")
    if tag[:4] == b"desc":
        size = int.from_bytes(tag[8:12], "big")
        return _clean(tag[12 : 12 + size].decode("latin-1"))
    if tag[:4] == b"mluc":
        return _clean(_localised(tag))
    return ""


def _localised(tag):
    count = min(int.from_bytes(tag[8:12], "big"), 100)
    names = {}
    for at in range(16, 16 + 12 * count, 12):
        size, start = int.from_bytes(tag[at + 4 : at + 8], "big"), int.from_bytes(tag[at + 8 : at + 12], "big")
        names.setdefault(tag[at : at + 2], tag[start : start + size].decode("utf-16-be", "replace"))
    return names.get(b"en") or next(iter(names.values()), "")


def _clean(text):
    text = text.split("\x00")[0]
    return "".join(letter for letter in text if letter.isprintable()).strip()[:100]

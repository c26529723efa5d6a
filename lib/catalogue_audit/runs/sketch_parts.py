"""
Sketches as the store keeps them: in parts by what is asked for together, so that who asks for a few numbers reads no picture.

Pass two looks at every sketch some twenty times, half of them for a few dozen bytes. SQLite reads a row from its beginning up
to the last column asked for: so the head and what is small come first, pictures and key points last.
"""

import json
from collections.abc import Mapping

from catalogue_audit.measures.sketch import unpack_array

PARTS = ("small", "middle", "large")  # columns of the store, in the order of their row
_PART_OF = dict.fromkeys(("mask", "outline", "sides", "spots", "thumb"), "middle") | dict.fromkeys(
    ("preview", "keypoints", "descriptors"), "large"
)  # all others are small
_SMALLEST = "SELECT head, small FROM measured WHERE version = ? AND sha256 = ?"
_FURTHER = {part: f"SELECT {part} FROM measured WHERE version = ? AND sha256 = ?" for part in PARTS}


def part_of(key):
    """The part of a sketch that an array belongs to."""
    return _PART_OF.get(key, "small")


def parted(packed):
    """
    A packed sketch as the columns of the store.

    Parameters
    ----------
    packed : bytes
        As `measures.sketch.pack_sketch` makes it.

    Returns
    -------
    head, small, middle, large : bytes
        The line that names the arrays, and their bytes by `part_of`, each in the line's order.

    Examples
    --------
    >>> import numpy as np
    >>> from catalogue_audit.measures.sketch import pack_sketch
    >>> parted(pack_sketch({"tones": np.zeros(1, np.uint8), "thumb": np.ones((1, 1, 3), np.uint8)}))[1:]
    (b'\\x00', b'\\x01\\x01\\x01', b'')
    """
    head, _, body = packed.partition(b"\n")
    parts, start = {part: [] for part in PARTS}, 0
    for key, (_, _, length) in json.loads(head or b"{}").items():
        parts[part_of(key)].append(body[start : start + length])
        start += length
    return head, *(b"".join(parts[part]) for part in PARTS)


def kept_sketch(connection, version, sha256):
    """The sketch of a content, read from the store as its arrays are asked for; empty where there is none."""
    key = version, sha256
    row = connection.execute(_SMALLEST, key).fetchone()
    return _Kept(*row, lambda part: connection.execute(_FURTHER[part], key).fetchone()[0]) if row else {}


class _Kept(Mapping):
    """A sketch whose parts are read, and whose arrays are made, when they are asked for."""

    def __init__(self, head, small, read):
        self._head = json.loads(head or b"{}")
        self._packed = {}
        self._arrays = {}
        self._read = read
        self._take("small", small)

    def __getitem__(self, key):
        if key not in self._arrays:
            dtype, shape, _ = self._head[key]
            if key not in self._packed:
                part = part_of(key)
                self._take(part, self._read(part))
            self._arrays[key] = unpack_array(self._packed.pop(key), dtype, shape)
        return self._arrays[key]

    def _take(self, part, body):
        body, start = memoryview(body), 0
        for key, (_, _, length) in self._head.items():
            if _PART_OF.get(key, "small") == part:
                self._packed[key] = body[start : start + length]
                start += length

    def __contains__(self, key):
        return key in self._head

    def __iter__(self):
        return iter(self._head)

    def __len__(self):
        return len(self._head)

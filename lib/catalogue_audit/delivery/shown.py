r"""
File names as text, and back to the bytes the file system holds.

A name on disk is bytes. Nearly always they are UTF-8 and the shown name is
simply that text. Bytes that are not UTF-8 are shown as ``\xNN``. So that every
shown name leads back to exactly one file, a name that already holds such an
escape, or needs one, has its backslashes doubled.
"""

import re

_LOOKS_ESCAPED = re.compile(r"\\x[0-9a-f]{2}")
_NOT_UTF8 = re.compile("[\ud800-\udfff]")
_ESCAPE = re.compile(r"\\(\\|x([0-9a-f]{2}))")


def shown_name(raw):
    r"""
    Text for the bytes of a file name; always valid Unicode.

    >>> shown_name(b"bag_front.jpg"), shown_name(b"bag_\xe9.jpg")
    ('bag_front.jpg', 'bag_\\xe9.jpg')
    """
    text = raw.decode("utf-8", "surrogateescape")
    if not _NOT_UTF8.search(text) and not _LOOKS_ESCAPED.search(text):
        return text
    text = text.replace("\\", "\\\\")
    return _NOT_UTF8.sub(lambda found: f"\\x{ord(found[0]) - 0xDC00:02x}", text)


def raw_name(shown):
    r"""
    Bytes of the file that `shown_name` shows so.

    >>> raw_name('bag_\\xe9.jpg')
    b'bag_\xe9.jpg'
    """
    if not _LOOKS_ESCAPED.search(shown):
        return shown.encode("utf-8")
    pieces, end = [], 0
    for found in _ESCAPE.finditer(shown):
        pieces.append(shown[end : found.start()].encode("utf-8"))
        pieces.append(b"\\" if found[1] == "\\" else bytes([int(found[2], 16)]))
        end = found.end()
    pieces.append(shown[end:].encode("utf-8"))
    return b"".join(pieces)


def read_as_text(shown):
    r"""
    What a shown name most likely says: bytes that are not UTF-8 as Windows-1252, in which older archives hold names.

    >>> read_as_text("caf\\xe9_front.jpg"), read_as_text("bag_front.jpg")
    ('café_front.jpg', 'bag_front.jpg')
    """
    if not _LOOKS_ESCAPED.search(shown):
        return shown
    text = raw_name(shown).decode("utf-8", "surrogateescape")
    return _NOT_UTF8.sub(lambda found: _LETTERS[ord(found[0]) - 0xDC00], text)


# Letter of each byte; the five that Windows-1252 does not use as Latin-1 has them.
_LETTERS = [byte.decode("cp1252", "ignore") or byte.decode("latin-1") for byte in map(bytes, ((code,) for code in range(256)))]

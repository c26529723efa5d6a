"""What lies in a delivery beside its pictures and was not looked at, in sentences: nothing is left out in silence."""

import re

from catalogue_audit.delivery.filetypes import kind_by_name, suffix_of
from catalogue_audit.delivery.source import PRODUCTS_FILE

ARCHIVES = frozenset("zip rar 7z tar gz tgz bz2 xz zst dmg iso".split())
# Endings that browsers and copying programs give a file until it is whole; common practice, no source.
UNFINISHED = frozenset("part partial filepart crdownload download tmp".split())
NAMED = 3  # names in a sentence

_RSYNC = re.compile(r"\.(.+)\.[A-Za-z0-9]{6}")  # hidden, with six random signs at its end, until the copy is whole: rsync(1), --temp-dir


def beside_notes(listing):
    """
    Sentences about the files of a delivery that are no pictures.

    Parameters
    ----------
    listing : Listing
        Of `Delivery.listing`.

    Returns
    -------
    tuple of str
        About archives, about copies that did not end, and about all others; those of them that there are.
    """
    others = [entry.name for entry in listing.others if entry.name.lower() != PRODUCTS_FILE]
    archives = [name for name in others if suffix_of(name) in ARCHIVES]
    copies = [name for name in (*others, *listing.ignored) if _is_unfinished(name)]
    rest = [name for name in others if name not in {*archives, *copies}]
    notes = []
    if archives:
        notes.append(f"Not opened: {_counted(archives, 'archive')}. Where pictures of this delivery lie in there, unpack them and audit again.")
    if copies:
        notes.append(f"Not looked at: {_counted(copies, 'picture')} whose copying did not end. Copy again what is not in the report.")
    if rest:
        notes.append(f"Not looked at, because no picture by its name: {_counted(rest, 'file')}.")
    return tuple(notes)


def _is_unfinished(name):
    base = name.rpartition("/")[2]
    hidden = _RSYNC.fullmatch(base)
    if hidden:
        return kind_by_name(hidden[1]) == "image"
    return suffix_of(base) in UNFINISHED and kind_by_name(base.rpartition(".")[0]) == "image"


def _counted(names, what):
    listed = ", ".join(names[:NAMED]) + (f" and {len(names) - NAMED} more" if len(names) > NAMED else "")
    return f"{len(names)} {what}{'' if len(names) == 1 else 's'} ({listed})"

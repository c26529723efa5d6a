"""
The licences of everything in ``requirements.txt``, from the installed packages' own metadata.

``python tests/hostile/licences.py`` prints the table of DEVELOPERS.md.
"""

import re
from importlib import metadata
from pathlib import Path

REQUIREMENTS = Path(__file__).resolve().parents[2] / "requirements.txt"

# Words of metadata → SPDX identifiers (SPDX License List); the first that is found in the text counts.
_WORDS = (
    ("Redistribution and use in source and binary forms", "BSD-3-Clause"),
    ("LGPLv3", "LGPL-3.0"), ("LGPL", "LGPL-3.0"), ("GNU Lesser", "LGPL-3.0"), ("MPL-2.0 AND MIT", "MPL-2.0 AND MIT"), ("MPL", "MPL-2.0"), ("Mozilla Public", "MPL-2.0"),
    ("Apache", "Apache-2.0"), ("PSF", "PSF-2.0"), ("Python Software Foundation", "PSF-2.0"), ("MIT-CMU", "MIT-CMU"), ("HPND", "MIT-CMU"), ("ISC", "ISC"), ("0BSD", "0BSD"),
    ("BSD-2", "BSD-2-Clause"), ("BSD 2", "BSD-2-Clause"), ("BSD", "BSD-3-Clause"), ("MIT", "MIT"), ("Expat", "MIT"),
)  # fmt: skip


def pins():
    """Name → version of every pinned package."""
    found = re.findall(r"^([A-Za-z0-9._-]+)==(\S+)$", REQUIREMENTS.read_text(encoding="utf-8"), re.MULTILINE)
    return dict(found)


def licence(name):
    """SPDX identifier of an installed package's licence, by its own metadata; 'unknown' where it says nothing."""
    facts = metadata.metadata(name)
    if expression := facts.get("License-Expression"):
        return expression
    classifiers = [line for line in facts.get_all("Classifier") or () if line.startswith("License ::")]
    for text in (*classifiers, facts.get("License") or ""):
        for words, identifier in _WORDS:
            if words.lower() in text.lower():
                return identifier
    return "unknown"


def table():
    """Lines of the table: a licence, and the packages under it."""
    by_licence = {}
    for name in sorted(pins(), key=str.lower):
        by_licence.setdefault(licence(name), []).append(name)
    lines = ["| licence | packages |", "|---|---|"]
    return lines + [f"| {key} | {', '.join(names)} |" for key, names in sorted(by_licence.items())]


if __name__ == "__main__":
    print("\n".join(table()))

"""
One look for charts, pictures, page and sheets: colours, marks, type, spacing.

Colours are the eight of Okabe and Ito, chosen so that readers with any of the
usual forms of colour vision can tell them apart [1]_. Colour is never the only
sign: a severity has a word and a shape, a view has a marker, a line has a label.

References
----------
.. [1] M. Okabe, K. Ito, *Color Universal Design (CUD): How to make figures and
   presentations that are friendly to colorblind people*, 2002, revised 2008.
   The same values ship with matplotlib as the colour sequence ``okabe_ito``.
"""

import importlib.util
from pathlib import Path
from typing import NamedTuple

BLACK = "#000000"
ORANGE = "#E69F00"
SKY_BLUE = "#56B4E9"
GREEN = "#009E73"
YELLOW = "#F0E442"
BLUE = "#0072B2"
VERMILION = "#D55E00"
PURPLE = "#CC79A7"

INK = "#1B2329"  # text
QUIET = "#55616A"  # second text; 6.3 : 1 on white
RULE = "#D5DADD"  # lines that part things
PAPER = "#FFFFFF"
MAT = "#EEF0F1"  # neutral surround of pictures, so that no colour beside them misleads the eye
SHADE = "#F1F3F4"  # every other capture run

# Distinct by hue and by marker: at most seven views are drawn apart, the rest share the last.
SERIES = (
    (BLUE, "o"),
    (VERMILION, "s"),
    (GREEN, "^"),
    (PURPLE, "D"),
    (ORANGE, "v"),
    (SKY_BLUE, "P"),
    (QUIET, "X"),
)


class SeverityMark(NamedTuple):
    """How a severity is shown: its word, a character, a matplotlib marker, a colour."""

    word: str
    character: str
    marker: str
    colour: str


SEVERITY_MARKS = {
    "critical": SeverityMark("critical", "\N{BLACK DIAMOND}", "D", VERMILION),
    "major": SeverityMark("major", "\N{BLACK UP-POINTING TRIANGLE}", "^", BLUE),
    "minor": SeverityMark("minor", "\N{WHITE CIRCLE}", "o", QUIET),
}

MEASURED = VERMILION  # drawn on a picture: what was measured, a full line
REFERENCE = BLUE  # drawn on a picture: what it should be, a broken line

# DejaVu comes with matplotlib: same type everywhere. Found without importing matplotlib, which few parts need.
FONT_FOLDER = Path(importlib.util.find_spec("matplotlib").origin).parent / "mpl-data" / "fonts" / "ttf"
FONT = FONT_FOLDER / "DejaVuSans.ttf"
FONT_BOLD = FONT_FOLDER / "DejaVuSans-Bold.ttf"
CHART_FONT = "DejaVu Sans"

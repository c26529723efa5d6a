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

from pathlib import Path
from typing import NamedTuple

import matplotlib
from matplotlib.figure import Figure

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

FONT_FOLDER = Path(matplotlib.get_data_path()) / "fonts" / "ttf"  # DejaVu comes with matplotlib: same type everywhere
FONT = FONT_FOLDER / "DejaVuSans.ttf"
FONT_BOLD = FONT_FOLDER / "DejaVuSans-Bold.ttf"
CHART_FONT = "DejaVu Sans"


def new_figure(width_in=8.6, height_in=3.1):
    """
    Empty figure in the look of the report, bound to no window and no global state.

    Parameters
    ----------
    width_in, height_in : float
        Size, inches.

    Returns
    -------
    matplotlib.figure.Figure
    """
    return Figure(figsize=(width_in, height_in), dpi=100, facecolor=PAPER, layout="constrained")


def style_axes(axes, title, x_label="", y_label=""):
    """
    Give axes the report's look: title at the left, quiet spines, units on the axes.

    Parameters
    ----------
    axes : matplotlib.axes.Axes
    title, x_label, y_label : str
        Shown as written: a ``$`` is text, never mathematics.
    """
    axes.set_title(title, loc="left", fontsize=10.5, color=INK, fontweight="bold", fontfamily=CHART_FONT, pad=10, wrap=True)
    axes.set_xlabel(x_label, fontsize=8.5, color=QUIET, fontfamily=CHART_FONT)
    axes.set_ylabel(y_label, fontsize=8.5, color=QUIET, fontfamily=CHART_FONT)
    for text in (axes.title, axes._left_title, axes.xaxis.label, axes.yaxis.label):
        text.set_parse_math(False)
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    for side in ("left", "bottom"):
        axes.spines[side].set_color(RULE)
    axes.tick_params(colors=QUIET, labelsize=8, length=3, width=0.8)
    axes.set_axisbelow(True)


def label(axes, x, y, text, **settings):
    """Write a small note at (x, y); supplier text in it is never read as mathematics."""
    settings = {"fontsize": 7.5, "color": INK, "fontfamily": CHART_FONT} | settings
    return axes.annotate(text, (x, y), parse_math=False, **settings)

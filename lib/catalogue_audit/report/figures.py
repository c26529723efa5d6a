"""
Figures in the report's look, written as SVG; what charts are made of. No pyplot, no global state.

A chart is drawn once: its place on the figure is set in inches, as a layout
that is sought by drawing would draw everything twice. The file carries its own
alternative text, so that whoever shows it needs no other.
"""

import io
import textwrap

import matplotlib
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.figure import Figure

from catalogue_audit.report import look
from catalogue_audit.report.wording import plain_text

TITLE_CHARACTERS = 10.6  # of a title, an inch; what belongs together in it is joined by no-break spaces
LINE = 0.2  # in, height of a line of a title
TITLE_PAD = 15  # pt, between title and axes, where the names of capture runs stand
ABOVE, BELOW, LEFT, RIGHT = 0.28, 0.66, 0.95, 1.45  # in, round the axes: tick marks and labels, legend
WORDS_LIMIT = 1200  # characters of an alternative text


def new_figure(width_in=8.6, height_in=3.1, *, layout=None):
    """
    Empty figure in the look of the report, bound to no window and no global state.

    Parameters
    ----------
    width_in, height_in : float
        Size, inches.
    layout : str, optional
        A layout engine of matplotlib, where labels are of unknown length; it costs a second drawing.

    Returns
    -------
    matplotlib.figure.Figure
    """
    return Figure(figsize=(width_in, height_in), dpi=100, facecolor=look.PAPER, layout=layout)


def style_axes(axes, title, x_label="", y_label=""):
    """
    Give axes the report's look: title at the left, quiet spines, units on the axes.

    Parameters
    ----------
    axes : matplotlib.axes.Axes
    title, x_label, y_label : str
        Shown as written: a ``$`` is text, never mathematics.
    """
    width, _ = axes.figure.get_size_inches()
    lines = textwrap.wrap(title, max(20, int((width - LEFT) * TITLE_CHARACTERS))) or [""]
    axes.set_title("\n".join(lines), loc="left", fontsize=10.5, color=look.INK, fontweight="bold", fontfamily=look.CHART_FONT, pad=TITLE_PAD)
    axes.set_xlabel(x_label, fontsize=8.5, color=look.QUIET, fontfamily=look.CHART_FONT)
    axes.set_ylabel(y_label, fontsize=8.5, color=look.QUIET, fontfamily=look.CHART_FONT)
    for text in (axes.title, axes._left_title, axes.xaxis.label, axes.yaxis.label):
        text.set_parse_math(False)
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    for side in ("left", "bottom"):
        axes.spines[side].set_color(look.RULE)
    axes.tick_params(colors=look.QUIET, labelsize=8, length=3, width=0.8)
    axes.set_axisbelow(True)


def place_axes(axes, *, left=LEFT, right=RIGHT, below=BELOW):
    """
    Set the axes' place on their figure; room above is what the title's lines need.

    Parameters
    ----------
    axes : matplotlib.axes.Axes
        With its title.
    left, right, below : float
        Room round the axes, inches.
    """
    width, height = axes.figure.get_size_inches()
    above = ABOVE + LINE * (1 + axes.get_title(loc="left").count("\n"))
    axes.figure.subplots_adjust(left=left / width, right=1 - right / width, bottom=below / height, top=1 - above / height)


def label(axes, x, y, text, **settings):
    """Write a small note at (x, y); supplier text in it is never read as mathematics."""
    settings = {"fontsize": 7.5, "color": look.INK, "fontfamily": look.CHART_FONT} | settings
    return axes.annotate(text, (x, y), parse_math=False, **settings)


def legend(axes):
    """The legend at the right of the axes."""
    axes.legend(loc="upper left", bbox_to_anchor=(1.005, 1.0), fontsize=8, frameon=False, labelcolor=look.INK)


def svg_of(figure, words):
    """
    A figure as SVG with its alternative text; equal figures give equal bytes.

    Parameters
    ----------
    figure : matplotlib.figure.Figure
    words : str

    Returns
    -------
    tuple of bytes and str
        The SVG, and the alternative text as it stands there.
    """
    words, file = plain_text(words, WORDS_LIMIT), io.StringIO()
    with matplotlib.rc_context({"svg.hashsalt": "catalogue-audit", "svg.fonttype": "path", "svg.image_inline": True}):
        FigureCanvasSVG(figure).print_svg(file, metadata={"Description": words, "Date": None, "Creator": None, "Format": None, "Type": None})
    return file.getvalue().encode(), words

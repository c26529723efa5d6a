"""Charts of the set as a whole: lighting set-ups, angles, sensor dust."""

import numpy as np
import pandas as pd

from catalogue_audit.report import figures, look
from catalogue_audit.report.audit import tolerance, view_order
from catalogue_audit.report.charts import MANY
from catalogue_audit.report.numbers import count_text, number_text
from catalogue_audit.report.wording import plain_text, view_title

VIEW_CHARACTERS = 18  # of a view named at an axis
ANGLE_NAMES, ANGLE_BELOW = 1.25, 0.5  # in, room for the names of views at the left and the axis below
SETUP_NAMES = 2.1  # in, room for the legend of set-ups
DUST_ROUND = 0.2  # in, room round the frame of the dust map
SAME_PLACE = 0.012  # of the frame: spots nearer than this are one grain of dust


# What may set set-ups apart: column, words at the axis, a step that is seen as another set-up.
CAMERA_SIDE = (("ev100", "exposure set at the camera, EV at ISO 100", 0.3), ("focal_length_mm", "focal length, mm", 3.0))
LIGHT_SIDE = (("background_L", "background lightness, L*", 3.0), ("background_b", "background colour b*, + yellower", 2.0))


def exposure_chart(audit):
    """
    Which pictures share a set-up of light and lens: by what the camera was set to and by the background, as far as they tell them apart.

    Parameters
    ----------
    audit : Audit

    Returns
    -------
    figure : matplotlib.figure.Figure
    alt_text : str
    """
    frames = audit.frames
    groups = frames["exposure_group"].astype("float64").to_numpy(dtype=float, na_value=np.nan)
    (x, x_words), (y, y_words) = (_most_telling(frames, groups, side) for side in (CAMERA_SIDE, LIGHT_SIDE))
    known = np.isfinite(x) & np.isfinite(y)
    numbers, every = np.unique(groups[known & np.isfinite(groups)]), len(np.unique(groups[np.isfinite(groups)]))
    if not known.any():
        title = "Set-ups: no picture states exposure or focal length"
    elif every > 1:
        hidden = f"; {every - len(numbers)} without a background not drawn" if every > len(numbers) else ""
        title = f"{every} set-ups of light and lens in this delivery{hidden}"
    else:
        title = "One set-up of light and lens throughout" if len(numbers) else "No two pictures share a set-up"
    figure = figures.new_figure(8.6, 3.2)
    axes = figure.add_subplot()
    if known.sum() > MANY:
        axes.hexbin(x[known], y[known], gridsize=40, cmap="Greys", mincnt=1, linewidths=0.2)
    sizes = {number: int((groups == number).sum()) for number in numbers}
    shown = sorted(numbers, key=lambda number: -sizes[number])[: len(look.SERIES) - 1]
    for number, (colour, marker) in zip(sorted(shown), look.SERIES, strict=False):
        here = known & (groups == number)
        label = f"set-up {number:.0f}: {count_text(sizes[number], 'picture')}"
        axes.scatter(x[here][:MANY], y[here][:MANY], s=34, c=colour, marker=marker, label=label, alpha=0.8, edgecolors=look.PAPER, linewidths=0.5, rasterized=here.sum() > 800)
    rest = known & ~np.isin(groups, shown)
    if rest.any() and known.sum() <= MANY:
        axes.scatter(x[rest], y[rest], s=22, c=look.QUIET, marker="X", label=f"other: {rest.sum()}", edgecolors=look.PAPER, linewidths=0.4)
    figures.style_axes(axes, title, x_words, y_words)
    if axes.get_legend_handles_labels()[0]:
        figures.legend(axes)
    figures.place_axes(axes, right=SETUP_NAMES)
    shares = ", ".join(f"set-up {number:.0f} with {count_text(sizes[number], 'picture')}" for number in sorted(shown))
    return figure, f"{title}. Scatter chart of {known.sum()} pictures by {x_words} and {y_words}. {shares}".rstrip(". ") + "."


def _most_telling(frames, groups, columns):
    """Values and words of the column in which the set-ups lie furthest apart, in steps that are seen; of the first where none does."""
    found = []
    for name, words, step in columns:
        values = frames[name].to_numpy(dtype=float, na_value=np.nan)
        known = np.isfinite(values) & np.isfinite(groups)
        middles = pd.Series(values[known]).groupby(groups[known]).median()
        found.append((float(np.ptp(middles)) / step if len(middles) > 1 else 0.0, values, words))
    _, values, words = max(found, key=lambda item: item[0])  # the first of equals
    return values, words


def angle_chart(audit):
    """
    How far each view's angles spread round their reference.

    Parameters
    ----------
    audit : Audit

    Returns
    -------
    figure : matplotlib.figure.Figure
    alt_text : str
    """
    frames, limit = audit.frames, tolerance(audit, "angle")
    values = frames["yaw_dev_deg"].to_numpy(dtype=float, na_value=np.nan)
    views = [view for view in view_order(audit) if np.isfinite(values[(frames["view"] == view).to_numpy()]).any()]
    figure = figures.new_figure(8.6, 1.3 + 0.5 * max(len(views), 1))
    axes = figure.add_subplot()
    unsure = 3 * np.nan_to_num(frames["yaw_dev_sd_deg"].to_numpy(dtype=float, na_value=np.nan))
    outside = 0 if limit is None else int((np.abs(values) > np.maximum(limit, unsure)).sum())
    words = []
    if views and limit is not None:
        axes.axvspan(-limit, limit, color="#DDEBF4", alpha=0.7, linewidth=0)
    axes.axvline(0, color=look.QUIET, linewidth=0.8)
    for row, (view, (colour, marker)) in enumerate(zip(views, look.SERIES, strict=False)):
        here = values[(frames["view"] == view).to_numpy()]
        here = np.sort(here[np.isfinite(here)])
        if len(here) > MANY:
            here = np.quantile(here, np.linspace(0, 1, 200))
        lift = ((np.arange(len(here)) * 0.618) % 1 - 0.5) * 0.5
        axes.scatter(here, row + lift, s=20, c=colour, marker=marker, alpha=0.75, edgecolors=look.PAPER, linewidths=0.4)
        quarter, half, three = np.quantile(here, (0.25, 0.5, 0.75))
        axes.plot([quarter, three], [row, row], color=look.INK, linewidth=3, solid_capstyle="butt")
        axes.plot([half], [row], marker="|", markersize=13, color=look.INK, markeredgewidth=2)
        words.append(f"{view_title(view)}: middle half from {number_text(quarter, 'degree', True)} to {number_text(three, 'degree', True)}")
    axes.set_yticks(range(len(views)), [plain_text(view_title(view), VIEW_CHARACTERS) for view in views])
    axes.set_ylim(len(views) - 0.4, -0.6)
    allowed = "" if limit is None else f" ± {number_text(limit, 'degree')}"
    if not views:
        title = "Angles: none could be measured"
    else:
        title = f"Angles: {outside} outside{allowed}" if outside else f"Angles: all within{allowed}"
    figures.style_axes(axes, title, "degrees from the view's reference; bar: middle half; shaded: allowed")
    figures.place_axes(axes, left=ANGLE_NAMES, below=ANGLE_BELOW)
    return figure, f"{title}. " + "; ".join(words) + "."


def dust_map(audit):
    """
    Where the sensor carries dust: spots that return at one place of the frame.

    Parameters
    ----------
    audit : Audit
        ``spots`` with ``x``, ``y`` in fractions of the frame and ``frames``.

    Returns
    -------
    figure : matplotlib.figure.Figure
    alt_text : str
    """
    spots = recurring_places(audit.spots)
    count = len(spots)
    figure = figures.new_figure(5.2, 4.0)
    axes = figure.add_subplot()
    wide = _aspect(audit.frames)
    axes.set(xlim=(0, wide), ylim=(1, 0), aspect="equal", xticks=[], yticks=[])
    words = []
    if count:
        seen = spots["frames"].to_numpy(dtype=float)
        axes.scatter(spots["x"] * wide, spots["y"], s=60 + 200 * seen / max(seen.max(), 1), facecolors="none", edgecolors=look.VERMILION, linewidths=1.8)
        for x, y, number in list(zip(spots["x"], spots["y"], seen, strict=True))[:25]:
            figures.label(axes, x * wide, y, f"{number:.0f}", ha="center", va="center", fontsize=7.5)
            words.append(f"{x:.0%} from the left, {y:.0%} from the top, in {number:.0f} pictures")
    title = f"{count_text(count, 'place')} with sensor dust" if count else "No spot returns at one place"
    figures.style_axes(axes, title, "the camera's frame as captured; number: pictures that show the spot")
    figures.place_axes(axes, left=DUST_ROUND, right=DUST_ROUND, below=2 * DUST_ROUND)
    for side in axes.spines.values():
        side.set(visible=True, color=look.QUIET)
    return figure, f"{title}. " + "; ".join(words)


def recurring_places(spots):
    """
    The places of the frame that carry spots, one row each.

    Parameters
    ----------
    spots : DataFrame
        A row for each spot of each picture: ``x``, ``y`` (fractions), ``camera``, ``frames``.

    Returns
    -------
    DataFrame
        ``x``, ``y``, ``frames``; the most frequent first.
    """
    if not len(spots):
        return pd.DataFrame({"x": [], "y": [], "frames": []})
    left = spots.assign(camera=spots["camera"].fillna("") if "camera" in spots else "").sort_values("frames", ascending=False, kind="stable")
    places = []
    for row in left.itertuples():
        near = (place for place in places if place["camera"] == row.camera and np.hypot(place["x"] - row.x, place["y"] - row.y) < SAME_PLACE)
        if next(near, None) is None:
            places.append({"camera": row.camera, "x": row.x, "y": row.y, "frames": row.frames})
    return pd.DataFrame(places)


def _aspect(frames):
    """Usual width over height of the frames, 1.5 where unknown."""
    width, height = (frames[name].to_numpy(dtype=float, na_value=np.nan) for name in ("width_px", "height_px"))
    shapes = (width / height)[np.isfinite(width / height)] if len(frames) else np.array([])
    return float(np.median(shapes)) if len(shapes) else 1.5

"""Set-ups: frames with the same exposure, focal length and background."""

import numpy as np
import pandas as pd
from scipy.spatial import cKDTree

from catalogue_audit.statistics.series.numbering import number_groups

# Two frames belong together when no feature differs by more than one unit from a third frame's of the group.
EV_UNIT = 0.25  # EV; camera settings move in thirds of a stop
FOCAL_UNIT = 0.05  # fraction of the focal length, as the focal_length check
BACKGROUND_UNITS = (3.0, 2.0, 2.0)  # CIELAB L*, a*, b*: what the background and white_balance checks call visible
AT_ONCE = 64  # points whose neighbours are looked up together; bounds the memory
CELLS = 8  # cells a unit: frames in one cell count as one point, so that a burst costs nothing


def exposure_groups(frames):
    """
    Clusters of frames taken with one set-up of light and camera.

    Chained clusters (single linkage) of EV100, log focal length
    and measured background, each in units of what is visible; features that a
    file does not have are compared only among files that lack them too.

    Parameters
    ----------
    frames : DataFrame
        In natural file order.

    Returns
    -------
    Series of Int64
        Numbered by first file; <NA> where alone or where nothing is known.
        Adding files may join groups, never part them.
    """
    features = _features(frames)
    known = np.isfinite(features)
    labels = np.full(len(frames), -1, dtype=np.int64)
    label = 0
    for pattern in np.unique(known, axis=0):
        places = np.flatnonzero((known == pattern).all(axis=1))
        if not pattern.any():
            continue
        found = _density_clusters(features[np.ix_(places, np.flatnonzero(pattern))])
        labels[places] = label + found
        label += int(found.max()) + 1
    return number_groups(labels, frames.index)


def exposure_group_settings(frames, groups):
    """
    What makes each group: a row a group for the report.

    Parameters
    ----------
    frames : DataFrame
    groups : Series of Int64
        From `exposure_groups`.

    Returns
    -------
    DataFrame
        ``exposure_group``, ``frames``, ``first_file``, and medians of ``ev100``,
        ``exposure_time_s``, ``f_number``, ``iso``, ``focal_length_mm``,
        ``background_L``, ``background_a``, ``background_b`` (NaN where unknown).
    """
    columns = (
        "ev100",
        "exposure_time_s",
        "f_number",
        "iso",
        "focal_length_mm",
        "background_L",
        "background_a",
        "background_b",
    )
    rows = []
    for group in sorted(groups.dropna().unique()):
        members = frames[(groups == group).fillna(False).to_numpy(dtype=bool)]
        medians = {column: float(members[column].median()) for column in columns}
        rows.append(
            {"exposure_group": int(group), "frames": len(members), "first_file": members["file"].iloc[0], **medians}
        )
    return pd.DataFrame(rows, columns=["exposure_group", "frames", "first_file", *columns])


def _features(frames):
    """(n, 5) array of features in their units; NaN where unknown."""
    focal = frames["focal_length_35mm"].astype(float).to_numpy()
    focal = np.where(np.isfinite(focal), focal, frames["focal_length_mm"].astype(float).to_numpy())
    focal = np.where(focal > 0, focal, np.nan)
    background = frames[["background_L", "background_a", "background_b"]].astype(float).to_numpy()
    return np.column_stack(
        [
            frames["ev100"].astype(float).to_numpy() / EV_UNIT,
            np.log(focal) / np.log1p(FOCAL_UNIT),
            background / BACKGROUND_UNITS,
        ]
    )


def _density_clusters(features):
    """Cluster labels of points no more than one unit apart in any feature, chained."""
    cells, inverse = np.unique(np.round(features * CELLS), axis=0, return_inverse=True)
    tree, labels, clusters = cKDTree(cells), np.full(len(cells), -1), 0
    for start in range(len(cells)):
        if labels[start] >= 0:
            continue
        labels[start], waiting = clusters, [start]
        while waiting:
            asked, waiting = waiting[:AT_ONCE], waiting[AT_ONCE:]
            near = np.unique(np.concatenate(tree.query_ball_point(cells[asked], CELLS, p=np.inf)).astype(int))
            new = near[labels[near] < 0]
            labels[new] = clusters
            waiting += new.tolist()
        clusters += 1
    return labels[inverse.ravel()]

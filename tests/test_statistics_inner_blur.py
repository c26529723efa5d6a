"""Blur of cut-out pictures told from their structure and what others show, against ratios of known blur."""

import numpy as np
import pandas as pd
import pytest
from catalogue_audit.statistics.surface.inner_blur import EDGES, SIGMAS, SLOPES, _middle_of_others, _ratios, inner_blur
from test_measures_structure import ratio_of_edges

SHARP = 0.5  # px


def ratio(sigma, slope):
    column = [np.interp(slope, SLOPES, row) for row in _ratios()]
    return float(np.interp(sigma, SIGMAS, column))


def frames_of(ratios, sku=None):
    count = len(ratios)
    return pd.DataFrame(
        {
            "fine_detail": ratios,
            "sku": sku or [f"P{k}" for k in range(count)],
            "style": "tote",
            "view": "front",
            "view_kind": "upright",
        }
    )


def blur_of(ratios):
    frames = frames_of(ratios)
    return inner_blur(frames, pd.Series(SHARP, frames.index))


@pytest.mark.parametrize("sigma", [0.5, 1.0, 2.0, 4.0])
def test_the_model_of_edges_is_the_closed_form(sigma):
    assert ratio(sigma, EDGES) == pytest.approx(ratio_of_edges(sigma), rel=0.03)


@pytest.mark.parametrize("sigma", [1.0, 2.0, 3.0])
def test_blurred_edges_among_sharp_ones_are_told(sigma):
    blur = blur_of([ratio_of_edges(SHARP)] * 5 + [ratio_of_edges(sigma)])
    assert blur[-1] == pytest.approx(sigma, rel=0.08)
    assert blur[:-1] == pytest.approx(SHARP, abs=0.06)


@pytest.mark.parametrize("slope", [0.0, 1.0])
def test_blurred_fine_structure_lies_between_what_it_would_be_as_edges_and_its_own_blur(slope):
    blur = blur_of([ratio(SHARP, slope)] * 5 + [ratio(2.0, slope)])[-1]
    assert 0.6 * 2.0 < blur < 2.0


def test_the_least_fine_of_the_references_counts():
    frames = frames_of([1.2, 1.2, 1.2, 1.2, 0.7, 0.5])
    sharp = pd.Series(SHARP, frames.index)
    alone = inner_blur(frames, sharp)[-1]
    frames.loc[4:, "sku"] = "same product"
    assert inner_blur(frames, sharp)[-1] < alone


def test_a_picture_without_others_or_without_structure_is_left_open():
    assert np.isnan(blur_of([0.4])).all()
    assert np.isnan(blur_of([0.6, np.nan, 0.6])[1])
    assert np.isnan(blur_of([np.nan, np.nan])).all()


def test_medians_of_others_leave_each_one_out():
    values = np.random.default_rng(0).normal(size=15)
    values[3] = np.nan
    group = pd.Series(np.repeat([0, 1, 2], [8, 6, 1]))
    found = _middle_of_others(pd.Series(values).groupby(group), values, 1)
    for i, value in enumerate(values):
        others = np.delete(values, i)[np.delete(group.to_numpy(), i) == group[i]]
        others = others[np.isfinite(others)]
        if np.isnan(value) or not len(others):
            assert np.isnan(found[i])
        else:
            assert found[i] == pytest.approx(np.median(others))

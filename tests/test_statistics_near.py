"""Small ways of our own beside the general libraries they stand in for (SciPy), and levels beside every possible choice."""

import itertools
import subprocess
import sys
from statistics import NormalDist

import numpy as np
import pytest
import ruptures
from scipy.optimize import nnls
from scipy.spatial import cKDTree
from scipy.special import ndtr, ndtri

from catalogue_audit.statistics import near
from catalogue_audit.statistics.levels import level_bounds
from catalogue_audit.statistics.nonnegative import nonnegative_fit
from catalogue_audit.statistics.trend import mann_kendall


@pytest.mark.parametrize("few", [0, 500])
def test_few_points_and_many_have_the_neighbours_that_scipy_finds(few, monkeypatch):
    monkeypatch.setattr(near, "FEW", few)
    random = np.random.default_rng(1)
    points, others = random.normal(size=(40, 5)), random.normal(size=(60, 5))
    assert near.nearest(points, others, 7).tolist() == cKDTree(others).query(points, k=7)[1].tolist()
    assert near.nearest(points, others, 1).ravel().tolist() == cKDTree(others).query(points, k=1)[1].tolist()
    asked = np.array([3, 17])
    expected = set().union(*cKDTree(others).query_ball_point(others[asked], 0.9, p=np.inf))
    assert near.within_reach(others, 0.9)(asked).tolist() == sorted(expected)


@pytest.mark.parametrize("seed", range(20))
def test_the_non_negative_fit_is_scipys(seed):
    random = np.random.default_rng(seed)
    matrix, values = random.normal(size=(14, 6)), random.normal(size=14)
    if seed % 4 == 0:
        matrix[:, 5] = matrix[:, 4]  # what cannot be told apart leaves the fit itself determined
    found, (expected, _) = nonnegative_fit(matrix, values), nnls(matrix, values)
    assert (found >= 0).all()
    assert matrix @ found == pytest.approx(matrix @ expected, abs=1e-9)


def test_a_fit_of_what_is_all_negative_is_zero():
    assert nonnegative_fit(np.eye(3), -np.ones(3)).tolist() == [0, 0, 0]
    assert nonnegative_fit(np.zeros((3, 2)), np.ones(3)).tolist() == [0, 0]


def _cost(values, bounds, penalty):
    parts = np.split(values, bounds)
    return sum(float(np.sum((part - part.mean()) ** 2)) for part in parts) + penalty * len(bounds)


@pytest.mark.parametrize("fewest", [1, 2, 3])
def test_no_choice_of_levels_costs_less(fewest):
    """Every choice of bounds of twelve values, tried one by one."""
    random = np.random.default_rng(fewest)
    for penalty in (0.3, 1.0, 4.0):
        values = np.repeat(random.normal(0, 2, 4), 3) + random.normal(0, 0.5, 12)
        choices = [
            [int(place) for place in chosen]
            for count in range(5)
            for chosen in itertools.combinations(range(1, 12), count)
            if np.diff([0, *chosen, 12]).min() >= fewest
        ]
        least = min(_cost(values, chosen, penalty) for chosen in choices)
        found = level_bounds(values, penalty, fewest)
        assert np.diff([0, *found, 12]).min() >= fewest
        assert _cost(values, found, penalty) <= least + 1e-9


@pytest.mark.parametrize("seed", range(8))
def test_levels_cost_no_more_than_those_that_ruptures_finds(seed):
    random = np.random.default_rng(seed)
    values = np.repeat(random.normal(0, 2, 8), random.integers(3, 20, 8))
    values = values + random.normal(0, 0.5, values.size)
    penalty = 3 * 0.25 * np.log(values.size)
    theirs = ruptures.KernelCPD(kernel="linear", min_size=3).fit(values.reshape(-1, 1)).predict(pen=penalty)[:-1]
    ours = level_bounds(values, penalty, 3)
    assert _cost(values, ours, penalty) <= _cost(values, theirs, penalty) + 1e-9


def test_the_normal_distribution_is_scipys():
    found = mann_kendall([1.0, 3, 2, 5, 4, 6, 8, 7])
    assert found.p == pytest.approx(2 * ndtr(-abs(found.z)), rel=1e-12)
    assert NormalDist().inv_cdf(0.975) == pytest.approx(ndtri(0.975), rel=1e-12)


def test_an_audit_imports_neither_scipy_nor_matplotlib():
    """They cost half a second and 40 MB, and a run for the tables of a few hundred pictures needs none of it."""
    program = "import sys, catalogue_audit.runs.review; print(sorted({'scipy', 'matplotlib', 'ruptures'} & set(sys.modules)))"
    assert subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True).stdout.strip() == "[]"

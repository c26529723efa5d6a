"""Natural limits of a series: steady ones, one wild value, lasting shifts."""

import numpy as np
import pytest
from catalogue_audit.statistics.series.natural_limits import FEWEST, natural_limits
from published import column


def noise(count, seed):
    return np.random.default_rng(seed).normal(0.0, 1.0, count)


def test_the_published_flow_rates_stay_within_their_limits():
    """NIST/SEMATECH e-Handbook 6.3.2.2, ten flow rates: none beyond. Twice over, to have values enough."""
    flow = np.tile(column("spc_imr_nist_flowrate", "flowrate"), 2)
    found = natural_limits(flow, 0.0)
    assert not found.beyond.any() and found.shifts == ()


def test_the_scatter_is_that_of_neighbours_whatever_drifts():
    """Sigma from differences of neighbours: a normal series keeps its sigma where its mean climbs by ten sigmas."""
    found = [natural_limits(noise(400, seed) + np.linspace(0, 10, 400), 0.0).sigma for seed in range(20)]
    assert np.mean(found) == pytest.approx(1.0, abs=0.04)


def test_one_wild_picture_is_beyond_and_no_shift():
    values = noise(60, 1)
    values[30] = 40.0
    found = natural_limits(values, 0.0)
    assert found.beyond[30] and found.shifts == ()


@pytest.mark.parametrize("sign", [1, -1])
def test_a_lasting_shift_is_told_from_where_it_began(sign):
    """Shifts of two sigmas over thirty of ninety values: nine of ten told, the onset within three values and the size within half a sigma in the median."""
    onsets, sizes = [], []
    for seed in range(60):
        values = noise(90, seed)
        values[30:60] += 2.0 * sign
        shifts = [shift for shift in natural_limits(values, 0.0).shifts if np.sign(shift.size) == sign and shift.first < 60 and shift.last > 35]
        onsets += [abs(shift.first - 30) for shift in shifts[:1]]
        sizes += [shift.size for shift in shifts[:1]]
    assert len(sizes) >= 54
    assert np.median(onsets) <= 3
    assert np.median(sizes) == pytest.approx(2.0 * sign, abs=0.5)


def test_steady_series_seldom_tell_a_shift():
    """Average run length of this chart is some 550 values (Lucas and Saccucci, Technometrics 32 (1990) 1, for 0.2 and 3: from memory), and a shift must last."""
    told = sum(bool(natural_limits(noise(100, seed), 0.0).shifts) for seed in range(100))
    assert told <= 15


def test_what_nobody_sees_is_no_shift():
    values = np.concatenate([np.zeros(30), np.full(30, 0.01)])
    assert natural_limits(values, 0.1).shifts == ()
    assert natural_limits(10 * values, 0.01).shifts


def test_few_values_have_no_limits():
    assert natural_limits(noise(FEWEST - 1, 0), 0.0) is None

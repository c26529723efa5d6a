"""Robust centres, scales, combination and trend against published values and their own laws."""

import math

import numpy as np
import pytest
from catalogue_audit.statistics import robust
from catalogue_audit.statistics.series.trend import mann_kendall, theil_sen
from hypothesis import given
from hypothesis import strategies as st
from published import column, rows

numbers = st.floats(-1e6, 1e6).map(lambda value: round(value, 3))
samples = st.lists(numbers, min_size=3, max_size=40)


def test_hampel_marks_the_one_spike():
    """Running medians, MADs and flags of the table (window +/- 2, limit 3), computed from Hampel's definition."""
    table = rows("robust_hampel")
    medians, outside = robust.hampel(column("robust_hampel", "x"), half_window=2, limit=3.0)
    assert medians.tolist() == column("robust_hampel", "median_k2_truncated_window").tolist()
    assert outside.astype(int).tolist() == [int(row["flag_t3"]) for row in table]


def test_mad_scale_is_sigma_of_a_normal_sample():
    """1 / Phi^-1(3/4) = 1.4826 (normal theory)."""
    sample = np.random.default_rng(1).normal(5, 2, 20000)
    assert robust.MAD_TO_SIGMA == pytest.approx(1.4826, abs=5e-5)
    assert robust.mad_scale(sample) == pytest.approx(2, rel=0.03)


def test_qn_agrees_with_all_pairs_and_with_sigma():
    """Rousseeuw and Croux (1993): the C(h, 2)-th smallest distance, h = n // 2 + 1, times 2.2219."""
    draw = np.random.default_rng(2)
    for n in (5, 8, 31):
        x = draw.normal(0, 1, n)
        distances = np.sort(np.abs(x[:, None] - x)[np.triu_indices(n, 1)])
        half = n // 2 + 1
        factor = n / (n + 1.4) if n % 2 else n / (n + 3.8)
        assert robust.qn_scale(x) == pytest.approx(2.2219 * factor * distances[half * (half - 1) // 2 - 1], rel=1e-9)
    assert robust.qn_scale(draw.normal(0, 3, 5000)) == pytest.approx(3, rel=0.05)


@given(samples, st.floats(-100, 100).map(lambda v: round(v, 2)))
def test_centre_and_scale_follow_a_shift(values, shift):
    before = robust.robust_centre(values)
    after = robust.robust_centre([value + shift for value in values])
    assert after.centre == pytest.approx(before.centre + shift, abs=1e-6)
    assert after.scale == pytest.approx(before.scale, abs=1e-5)


@given(samples, st.floats(1e7, 1e9))
def test_less_than_half_gross_errors_leave_the_centre_inside_the_sample(values, error):
    spoilt = values + [error] * ((len(values) - 1) // 2)
    assert min(values) <= robust.robust_centre(spoilt).centre <= max(values)


def test_an_empty_sample_has_no_centre():
    centre = robust.robust_centre([math.nan, None])
    assert centre.n == 0 and math.isnan(centre.centre) and math.isnan(centre.standard_error)


def test_standard_error_of_the_median_is_its_scatter():
    draw = np.random.default_rng(3)
    centres = [robust.robust_centre(draw.normal(0, 1, 101)) for _ in range(400)]
    scatter = np.std([centre.centre for centre in centres])
    assert np.mean([centre.standard_error for centre in centres]) == pytest.approx(scatter, rel=0.1)


def test_sen_1968():
    """Sen, J. Amer. Statist. Assoc. 63 (1968) 1379, as quoted in SciPy's tests: slope 4, limits 3.71 and 4.38 at 0.07."""
    slope, _, low, high = theil_sen(column("robust_sen1968", "y"), column("robust_sen1968", "t"), 0.93)
    assert slope == pytest.approx(4, abs=1e-9)
    assert low == pytest.approx(3.71, abs=0.005)
    assert high == pytest.approx(4.38, abs=0.0051)


def test_rhine_at_maxau():
    """Pohlert, article on the trend package: Sen slope with limits, Mann-Kendall of sediment and discharge."""
    sediment, discharge = column("robust_maxau", "s_mg_per_l"), column("robust_maxau", "q_m3_per_s")
    slope, _, low, high = theil_sen(sediment)
    assert [slope, low, high] == pytest.approx([-0.2876139, -0.4196477, -0.1519026], abs=5e-8)
    test = mann_kendall(sediment)
    assert test.z == pytest.approx(-3.8445, abs=5e-5)
    assert test.p == pytest.approx(0.0001208, abs=5e-8)
    test = mann_kendall(discharge)
    assert test.s == -144
    assert test.variance == pytest.approx(10450, abs=0.01)
    assert [test.z, test.tau, test.p] == pytest.approx([-1.3989, -0.1454545, 0.1619], abs=5e-5)


@given(st.lists(st.integers(0, 5), min_size=3, max_size=30))
def test_mann_kendall_counts_pairs_also_with_ties(values):
    s = sum(int(np.sign(b - a)) for i, a in enumerate(values) for b in values[i + 1 :])
    if len(set(values)) > 1:
        assert mann_kendall(values).s == s


def test_a_long_series_keeps_its_slope():
    y = 0.01 * np.arange(5000) + np.random.default_rng(4).normal(0, 1, 5000)
    assert theil_sen(y)[0] == pytest.approx(0.01, rel=0.01)


@pytest.mark.parametrize("count", [2, 3, 4, 9, 50])
def test_medians_of_others_are_those_of_leaving_each_out(count):
    values = np.random.default_rng(count).integers(0, 12, count) / 7.0
    assert robust.medians_of_others(values).tolist() == [np.median(np.delete(values, place)) for place in range(count)]
    assert np.isnan(robust.medians_of_others(values[:1])).all() and not robust.medians_of_others(values[:0]).size

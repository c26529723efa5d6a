"""Control charts against the handbook examples."""

import numpy as np
import pytest
from catalogue_audit.statistics.series import control
from published import column, rows


def _trial_viscosity():
    return [float(row["viscosity"]) for row in rows("spc_imr_viscosity") if row["trial"] == "TRUE"]


def test_constants_of_two_as_printed():
    """Shewhart constants, printed to four digits."""
    printed = {key: float(value) for key, value in rows("spc_constants_printed_n2_4")[0].items()}
    assert printed["n"] == 2
    assert control.D2_OF_TWO == pytest.approx(printed["d2"], abs=5e-5)
    assert control.D3_OF_TWO == pytest.approx(printed["d3"], abs=5e-5)
    assert control.D4_OF_TWO == pytest.approx(printed["D4"], abs=5e-5)


def test_individuals_of_paint_viscosity():
    """Montgomery (2005), pp. 232-235; results as printed by Scrucca (qcc 3.0), which divides by d2 = 1.128."""
    chart = control.individuals_chart(_trial_viscosity(), d2=1.128)
    assert chart.centre == pytest.approx(34.088, abs=5e-4)
    assert chart.sigma == pytest.approx(0.5076521, abs=5e-7)
    assert [chart.lower, chart.upper] == pytest.approx([32.56504, 35.61096], abs=5e-6)


def test_individuals_of_flow_rates():
    """NIST/SEMATECH e-Handbook 6.3.2.2.2 (recalled and reproduced, see the README of the data)."""
    chart = control.individuals_chart(column("spc_imr_nist_flowrate", "flowrate"), d2=1.128)
    assert chart.centre == pytest.approx(50.81, abs=0.005)
    assert chart.range_centre == pytest.approx(1.8778, abs=5e-5)
    assert [chart.lower, chart.upper] == pytest.approx([45.8159, 55.8041], abs=5e-5)
    assert not chart.outside.any()


def test_one_wrong_picture_does_not_widen_robust_limits():
    values = np.random.default_rng(1).uniform(-1, 1, 60)
    values[30] = 40
    plain, robust = control.individuals_chart(values), control.individuals_chart(values, robust=True)
    assert robust.upper - robust.lower < 0.7 * (plain.upper - plain.lower)
    assert np.flatnonzero(robust.outside).tolist() == [30]


def test_ewma_of_the_handbook():
    """NIST/SEMATECH e-Handbook 6.3.2.4 (reproduced): constant limits 52.5884 and 47.4115, averages to two digits."""
    table = rows("spc_ewma_nist")
    values = [float(row["x"]) for row in table[1:]]
    chart = control.ewma_chart(values, 50, 2.0539, weight=0.3, asymptotic=True)
    printed = [float(row["ewma_published_2dp"]) for row in table[1:]]
    assert chart.ewma == pytest.approx(printed, abs=0.0051)
    assert [chart.lower[0], chart.upper[-1]] == pytest.approx([47.4115, 52.5884], abs=0.001)


def test_exact_ewma_limits_of_paint_viscosity():
    """Scrucca (qcc 3.0): weight 0.2, 2.7 sigma; lower limit of the first point, upper of the second."""
    values = _trial_viscosity()
    base = control.individuals_chart(values, d2=1.128)
    chart = control.ewma_chart(values, base.centre, base.sigma, weight=0.2, width=2.7)
    assert [chart.lower[0], chart.upper[1]] == pytest.approx([33.81387, 34.43906], abs=5e-6)


def test_cusum_of_the_handbook_signals_at_sample_14():
    """NIST/SEMATECH e-Handbook 6.3.2.3 (reproduced): target 325, k = 0.3175, h = 4.1959 in the data's unit."""
    chart = control.cusum_chart(column("spc_cusum_nist", "mean"), 325, 0.3175, 4.1959)
    assert int(np.argmax(chart.high > 4.1959)) + 1 == 14
    assert chart.high[-1] == pytest.approx(19.035, abs=1e-9)


def test_cusum_of_montgomery_and_runger():
    """Example 16-6, Table 16-8: target 99, K = 1, H = 10; both sums to one digit, no signal."""
    table = "spc_cusum_montgomery_t16_8"
    chart = control.cusum_chart(column(table, "x"), 99, 1, 10)
    assert chart.high == pytest.approx(column(table, "s_hi"), abs=0.0501)
    assert chart.low == pytest.approx(column(table, "s_lo"), abs=0.0501)
    assert not chart.outside.any()


def test_a_missing_value_neither_moves_nor_breaks_a_chart():
    values = [1.0, np.nan, 2.0]
    assert control.ewma_chart(values, 0, 1, weight=0.5).ewma.tolist() == [0.5, 0.5, 1.25]
    assert control.cusum_chart(values, 0, 0, 10).high.tolist() == [1.0, 1.0, 3.0]
    assert not control.individuals_chart(values).outside[1]


def test_a_weight_outside_its_range_is_refused():
    with pytest.raises(ValueError, match="weight must be"):
        control.ewma_chart([1.0], 0, 1, weight=0)

"""The rule that makes a finding: tolerance, uncertainty and scatter, all three."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from catalogue_audit.findings.outliers import RATHER_BEYOND, judge_values, two_modes

RANDOM = np.random.default_rng(1)
NUMBERS = st.lists(st.floats(-50, 50) | st.just(math.nan), min_size=0, max_size=40)


@given(values=NUMBERS, shift=st.floats(-100, 100))
@settings(max_examples=60, deadline=None)
def test_judgement_follows_a_shift_of_all_values(values, shift):
    values = np.round(np.array(values, dtype=float), 3)
    shift = round(shift, 3)
    here = judge_values(values, 1.0).outlying
    there = judge_values(np.round(values + shift, 3), 1.0).outlying
    deviation = np.abs(values - np.nanmedian(values)) if np.isfinite(values).any() else values
    clear = np.isfinite(deviation) & (np.abs(deviation - 1.0) > 1e-6)  # not on the limit itself
    if two_modes(values, 1.0) is None:
        assert here[clear].sum() == pytest.approx(there[clear].sum(), abs=1)


@given(values=NUMBERS, seed=st.integers(0, 1000))
@settings(max_examples=60, deadline=None)
def test_judgement_does_not_depend_on_the_order_of_the_files(values, seed):
    values = np.array(values, dtype=float)
    order = np.random.default_rng(seed).permutation(len(values))
    assert (judge_values(values, 1.0).outlying[order] == judge_values(values[order], 1.0).outlying).all()


@given(values=NUMBERS)
@settings(max_examples=60, deadline=None)
def test_nothing_within_tolerance_or_unknown_is_ever_a_finding(values):
    judged = judge_values(values, 2.0)
    deviation = np.abs(np.array(values, dtype=float) - judged.centre)
    assert not (judged.outlying & ~(deviation > 2.0)).any()


def test_three_uncertainties_are_needed_besides_the_tolerance():
    values = [0.0, 0.1, -0.1, 0.0, 0.1, 3.0]
    assert judge_values(values, 1.0, uncertainty=0.9).outlying.tolist() == [False] * 5 + [True]
    assert not judge_values(values, 1.0, uncertainty=1.1).outlying.any()


@pytest.mark.parametrize(("value", "sd", "told"), [(2.03, 0.59, False), (2.16, 0.51, False), (2.3, 0.51, True), (2.03, 0.05, True), (-2.4, 0.7, True)])
def test_with_a_margin_a_value_at_the_limit_is_told_only_where_it_is_beyond_it_by_two_to_one(value, sd, told):
    beyond = 0.5 * math.erfc((2.0 - abs(value)) / sd / math.sqrt(2))  # probability that the true one is, by a normal distribution
    assert (beyond > 2 / 3) == told
    judged = judge_values([0.0, 0.1, -0.1, value], 2.0, [0.1, 0.1, 0.1, sd], centre=0.0, margin=RATHER_BEYOND)
    assert judged.outlying.tolist() == [False, False, False, told]


def test_a_restless_set_has_no_outliers_and_says_so():
    values = RANDOM.normal(0, 3.0, 60)
    judged = judge_values(values, 1.0)
    assert judged.outlying.sum() <= 1
    assert judged.restless.sum() > 20 or judged.outlying.any()


def test_two_values_cannot_tell_which_of_them_is_wrong():
    assert not judge_values([0.0, 9.0], 1.0).outlying.any()


def test_two_modes_are_found_with_their_centres():
    values = np.concatenate([RANDOM.normal(0, 0.2, 20), RANDOM.normal(3, 0.2, 15)])
    modes = two_modes(values, 1.0)
    assert modes.low == pytest.approx(0, abs=0.15) and modes.high == pytest.approx(3, abs=0.15)
    assert (modes.low_count, modes.high_count) == (20, 15)
    assert not judge_values(values, 1.0).outlying.any()


def test_a_handful_of_faults_is_no_second_mode():
    values = np.concatenate([RANDOM.normal(0, 0.2, 20), [3.0, 3.1, 2.9]])
    assert two_modes(values, 1.0) is None
    assert judge_values(values, 1.0).outlying.sum() == 3


def test_one_wide_cloud_is_no_two_modes():
    assert two_modes(RANDOM.normal(0, 2.0, 200), 1.0) is None


def test_a_style_that_steadily_differs_is_judged_by_its_own_centre():
    styles = ["tote"] * 20 + ["hobo"] * 8
    values = np.concatenate([RANDOM.normal(0, 0.1, 20), RANDOM.normal(1.6, 0.1, 8)])
    values[-1] += 2.0
    judged = judge_values(values, 1.0, styles=styles)
    assert judged.outlying.tolist() == [False] * 27 + [True]
    assert judged.centre[-1] == pytest.approx(1.6, abs=0.15)


def test_the_briefs_reference_needs_no_company():
    assert judge_values([5.0], 1.0, reference=0.0).outlying.tolist() == [True]
    assert judge_values([5.0], 1.0).outlying.tolist() == [False]


def test_a_third_of_a_set_off_the_set_s_own_middle_is_wrong_and_no_second_way_of_working():
    """All backs of a delivery were photographed on one day under other light: each is told, as the majority says what is right."""
    values = np.concatenate([RANDOM.normal(0, 0.3, 23), RANDOM.normal(3.7, 0.3, 13)])
    told = judge_values(values, 2.0, centre=0.0)
    assert told.modes is None
    assert told.outlying.tolist() == [False] * 23 + [True] * 13
    assert judge_values(values, 2.0).modes is not None  # of a quantity without a middle of the whole set, two ways
    halves = np.concatenate([values[:18], values[23:], RANDOM.normal(3.7, 0.3, 3)])
    assert judge_values(halves, 2.0, centre=0.0).modes is not None

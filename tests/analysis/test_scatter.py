"""Type A, accuracy, pooling: what the published examples do not reach."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchlog.analysis.accuracy import Accuracy
from benchlog.analysis.fits import median
from benchlog.analysis.uncertainty import (
    Scatter,
    combine,
    correlation_time,
    coverage_factor,
    expanded,
    pool,
    scatter,
)
from benchlog.model import Component, Measured
from tests.analysis.synthetic import mean_of, window


def test_white_noise_is_s_over_root_n():
    values = np.random.default_rng(1).standard_normal(9)  # too few to show correlation
    assert mean_of(values).u == pytest.approx(values.std(ddof=1) / 3)
    assert mean_of(values).dof == 8


@given(st.lists(st.floats(-1e3, 1e3), min_size=2, max_size=60), st.floats(0.01, 100), st.floats(-1e3, 1e3))
def test_shift_does_nothing_and_scale_scales(values, factor, shift):
    one = np.array(values)
    if np.ptp(one) < 1e-3:
        return
    plain, other = mean_of(one), mean_of(one * factor + shift)
    assert other.u == pytest.approx(plain.u * factor, rel=1e-4)
    assert other.value == pytest.approx(plain.value * factor + shift, rel=1e-6, abs=1e-6)


def test_repeating_each_reading_adds_no_knowledge():
    """An instrument polled five times as fast as it measures: the naive figure would shrink by root 5.

    Such noise is not first-order, and taking it so errs by root(9 / 5) to the safe side.
    """
    fresh = np.random.default_rng(3).standard_normal(200)
    once, repeated = mean_of(fresh), mean_of(np.repeat(fresh, 5))
    assert 0.9 * once.u < repeated.u < 1.5 * once.u
    assert repeated.dof < 1.2 * once.dof


def test_what_is_slow_beneath_white_noise_is_seen():
    """Neighbours hardly resemble each other, yet the level wanders for 25 readings at a time: 40 levels."""
    found = []
    for seed in range(20):
        rng = np.random.default_rng(seed)
        values = np.repeat(rng.standard_normal(40), 25) + 1.5 * rng.standard_normal(1000)
        found.append(mean_of(values).u)
    assert np.mean(found) == pytest.approx(1 / math.sqrt(40), rel=0.15)


def test_correlation_time_is_bounded():
    assert correlation_time(np.zeros(50)) == 1.0
    assert correlation_time(np.tile([1.0, -1.0], 50)) == 1.0
    assert correlation_time(np.linspace(-1, 1, 100)) <= 50


def test_one_reading_alone_has_no_known_uncertainty():
    assert expanded(mean_of(np.array([74.0]))) is None
    with pytest.raises(ValueError, match="no degrees of freedom"):
        coverage_factor(0.0)


def test_unknown_stays_unknown_in_company():
    assert expanded(combine(1.0, [Component(math.inf, 0.0), Component(2.0)])) is None


def test_nothing_uncertain_is_zero():
    assert expanded(combine(1.0, [Component(0.0, 5), Component(0.0)])) == (0.0, pytest.approx(1.96, abs=1e-3))


def test_coverage_factor_runs_smoothly_into_the_normal():
    assert coverage_factor(0.99e6) == pytest.approx(coverage_factor(1.01e6), rel=1e-5)
    assert coverage_factor(1e300) == coverage_factor(math.inf)


def test_accuracy_limits_add_before_they_are_divided():
    meter = Accuracy(gain=0.01, offset=2.0, zero=10.0)
    assert meter.limit(110.0) == pytest.approx(0.01 * 100 + 2)  # `zero` is added by us: no part of the reading
    assert meter.limit(-90.0) == meter.limit(110.0)
    assert meter.u(110.0) == pytest.approx(3 / math.sqrt(3))


def test_pool_weighs_readings_not_windows():
    found = pool([window([10.0, 10.2, 9.8, 10.1]), window([]), window([20.0])])
    assert found.value == pytest.approx((4 * 10.025 + 20) / 5)


def test_pool_of_equal_windows_is_the_long_series():
    noise = np.random.default_rng(5).standard_normal(8)
    once, twice = pool([window(noise)]), pool([window(noise), window(noise + 50)])
    assert twice.u == pytest.approx(once.u / math.sqrt(2))
    assert twice.dof == 2 * once.dof


def test_a_lone_reading_borrows_the_others_scatter():
    alone = pool([window([10.0])])
    assert expanded(alone) is None
    company = pool([window([10.0]), window([10.0, 10.2, 9.8, 10.1])])
    assert expanded(company) is not None
    assert pool([window([])]) is None
    assert pool([]) is None


@given(st.lists(st.tuples(st.just(0.0) | st.floats(1e-6, 10), st.floats(1, 1e3)), min_size=1, max_size=5))
def test_welch_satterthwaite_lies_between_the_least_and_the_sum(parts):
    found = combine(0.0, [Component(u, dof) for u, dof in parts])
    assert found.u == pytest.approx(math.sqrt(sum(u**2 for u, _ in parts)))
    if found.u:
        assert found.dof >= min(dof for u, dof in parts if u) * (1 - 1e-9)
        assert found.dof <= sum(dof for u, dof in parts if u) * (1 + 1e-9)


def test_scatter_needs_more_readings_than_the_curve_has_parameters():
    assert scatter(np.array([0.1, -0.1]), fitted=2) == Scatter(2, 0.0, 2.0, 0.0, 0.0)
    assert scatter(np.array([0.1, -0.2, 0.1]), fitted=2).dof == 1
    assert expanded(Measured(0.0, scatter(np.zeros(2), fitted=2).u_mean, 0.0)) is None


@pytest.mark.parametrize("fitted", [1, 2, 3, 4, 5])
@pytest.mark.parametrize("n", range(10, 16))
def test_few_readings_about_a_curve_of_many_parameters_have_a_correlation_time(n, fitted):
    """Ten readings about a cubic once divided by zero."""
    tau = correlation_time(np.random.default_rng(n).standard_normal(n), fitted)
    assert 1 <= tau <= n / 2


def test_all_lags_at_once_are_the_sums_of_each():
    """Slow wander beneath white noise: the sum over lags is the larger of the two estimates."""
    rng = np.random.default_rng(3)
    residuals = rng.standard_normal(400) + np.sin(np.arange(400) / 9)
    residuals -= residuals.mean()
    square_sum, n, total = float(residuals @ residuals), len(residuals), 0.0
    for k in range(1, n):
        if (r := float(residuals[:-k] @ residuals[k:]) / square_sum) <= 0:
            break
        total += (1 - k / n) * r
    assert correlation_time(residuals) == pytest.approx(1 + 2 * total, rel=1e-9)


@given(st.lists(st.floats(-1e3, 1e3), min_size=1, max_size=80))
def test_the_quick_median_is_the_median(values):
    assert median(np.array(values)) == np.median(values)

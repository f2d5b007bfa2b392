"""Droop of one window: shapes, spikes, offsets, gaps in the readings."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchlog.analysis.accuracy import Accuracy
from benchlog.analysis.droop import fit_droop, spikes
from benchlog.analysis.fits import fit_exponential, fit_line, theil_sen

T = np.arange(0, 17, 0.2)
WINDOW = (0.0, 17.0)


def noise(sd=0.3, seed=0):
    return sd * np.random.default_rng(seed).standard_normal(len(T))


def falling(share=0.08, tau_s=5.0, level=100.0):
    return lambda t: level * (1 - share * -np.expm1(-np.asarray(t) / tau_s))


def truth(curve):
    return 100 * (curve(0.0) - curve(17.0)) / curve(0.0)


def test_a_curve_that_levels_off_is_an_exponential():
    curve = falling()
    fit = fit_droop(T, curve(T) + noise(), WINDOW)
    assert fit.shape == "exponential"
    assert fit.tau_s == pytest.approx(5.0, rel=0.2)
    assert fit.percent.value == pytest.approx(truth(curve), abs=3 * fit.percent.u)
    assert 0.05 < fit.percent.u < 0.3
    assert fit.curve(np.array([0.0, 17.0])) == pytest.approx([fit.start_w, fit.end_w])
    assert fit.curve(T) == pytest.approx(curve(T), abs=0.4)


def test_a_steady_fall_is_straight():
    fit = fit_droop(T, 100 - 0.5 * T + noise(), WINDOW)
    assert (fit.shape, fit.tau_s) == ("straight", None)
    assert fit.percent.value == pytest.approx(8.5, abs=3 * fit.percent.u)
    assert fit.curve(T) == pytest.approx(100 - 0.5 * T, abs=0.3)


def test_noise_alone_is_straight_and_no_droop():
    shapes = [fit_droop(T, 100 + noise(seed=i), WINDOW) for i in range(50)]
    assert sum(fit.shape == "exponential" for fit in shapes) <= 4
    assert all(abs(fit.percent.value) < 4.5 * fit.percent.u for fit in shapes)


def test_power_may_rise():
    assert fit_droop(T, 100 + 0.5 * T + noise(), WINDOW).percent.value == pytest.approx(-8.5, abs=0.5)


@pytest.mark.parametrize("at", [0, 1, 2, 40, 83, 84])
@pytest.mark.parametrize("height", [60.0, -60.0])
def test_a_single_spike_changes_nothing(at, height):
    clean = falling()(T) + noise()
    spiky = clean.copy()
    spiky[at] += height
    before, after = fit_droop(T, clean, WINDOW), fit_droop(T, spiky, WINDOW)
    assert after.percent.value == pytest.approx(before.percent.value, abs=before.percent.u)
    assert after.percent.u == pytest.approx(before.percent.u, rel=0.2)
    assert np.flatnonzero(spikes(T, spiky)).tolist().count(at) == 1


def test_a_coarse_resolution_is_no_spike():
    coarse = np.round(falling()(T) + noise())
    assert not spikes(T, coarse).any()
    assert not spikes(T, np.full_like(T, 100.0)).any()
    assert fit_droop(T, np.full_like(T, 100.0), WINDOW).percent.value == pytest.approx(0, abs=1e-9)


def test_the_meters_offset_counts_and_its_gain_cancels():
    """d(percent)/d(offset) = -percent / start: 12.5 W on 100 W leaves 8 % uncertain by 8 x 0.125 / sqrt 3."""
    power = 100 - 8 / 17 * T  # 8 % droop, no noise
    gain_only = fit_droop(T, power, WINDOW, Accuracy(gain=0.05))
    offset = fit_droop(T, power, WINDOW, Accuracy(gain=0.05, offset=12.5))
    assert gain_only.percent.u == pytest.approx(0, abs=1e-9)
    assert offset.percent.u == pytest.approx(8 * 0.125 / math.sqrt(3), rel=1e-6)
    shifted = fit_droop(T, power + 0.01, WINDOW)
    assert shifted.percent.value - gain_only.percent.value == pytest.approx(-8 / 100 * 0.01, rel=1e-3)


@given(st.floats(0.001, 1e4), st.floats(-1e4, 1e4))
@settings(max_examples=30, deadline=None)
def test_droop_has_no_unit_and_no_date(factor, shift_s):
    power = falling()(T) + noise()
    plain = fit_droop(T, power, WINDOW)
    other = fit_droop(T + shift_s, power * factor, (shift_s, shift_s + 17.0))
    assert other.shape == plain.shape
    assert other.percent.value == pytest.approx(plain.percent.value, rel=1e-5)
    assert other.percent.u == pytest.approx(plain.percent.u, rel=1e-4)


def test_too_little_to_tell():
    assert fit_droop(T[:4], 100 + noise()[:4], WINDOW) is None
    assert fit_droop(T[:40], 100 + noise()[:40], WINDOW) is None  # 7.8 s of 17 s
    assert fit_droop(T, -100 + noise(), WINDOW) is None
    assert fit_droop(np.empty(0), np.empty(0), WINDOW) is None


def test_a_hole_at_the_end_costs_certainty():
    curve = falling()
    whole = fit_droop(T, curve(T) + noise(), WINDOW)
    cut = fit_droop(T[:60], (curve(T) + noise())[:60], WINDOW)
    assert cut.percent.u > whole.percent.u
    assert cut.percent.value == pytest.approx(truth(curve), abs=3 * cut.percent.u)


def test_correlated_noise_costs_certainty():
    rng = np.random.default_rng(4)
    slow = np.convolve(rng.standard_normal(len(T) + 9), np.ones(10) / math.sqrt(10), "valid")
    white = fit_droop(T, 100 + 0.3 * rng.standard_normal(len(T)), WINDOW)
    correlated = fit_droop(T, 100 + 0.3 * slow[: len(T)], WINDOW)
    assert correlated.percent.u > 1.5 * white.percent.u


def test_no_exponential_where_there_is_none():
    assert fit_exponential(T, 100 - 0.5 * T) is None  # straight: tau runs away
    x = np.array([0.0, 1, 2, 3, 4, 5])
    assert fit_exponential(x, np.array([5.0, 1, 1, 1, 1, 1])) is None  # a step
    assert fit_exponential(np.zeros(5), np.arange(5.0)) is None
    with pytest.raises(ValueError, match="four points"):
        fit_exponential(x[:3], x[:3])


def test_lines_need_points_at_two_places():
    with pytest.raises(ValueError, match="three points"):
        fit_line(T[:2], T[:2])
    with pytest.raises(ValueError, match="one place"):
        fit_line(np.ones(3), np.arange(3.0))
    with pytest.raises(ValueError, match="far enough apart"):
        theil_sen(np.ones(3), np.arange(3.0))


@settings(deadline=None)
@given(st.permutations(range(12)))
def test_theil_sen_does_not_mind_the_order_of_points(order):
    x, y = np.arange(12.0), 3 * np.arange(12.0) + np.sin(np.arange(12.0))
    y[4] = 1e6  # nor one wild point
    slope, intercept = theil_sen(x, y)
    assert theil_sen(x[list(order)], y[list(order)]) == (slope, intercept)
    assert slope == pytest.approx(3, abs=0.3)


def test_theil_sen_can_look_only_across_windows():
    """Each window falls at -10 per unit; from window to window the level rises at +1."""
    since = np.concatenate([np.arange(0, 1, 0.05), np.arange(0, 1, 0.2)])  # most pairs lie within the first window
    x = since + np.repeat([0, 100], [20, 5])
    y = x - 11 * since
    assert theil_sen(x, y, apart=1.0)[0] == pytest.approx(1.0, abs=0.05)
    assert theil_sen(x, y)[0] == pytest.approx(-10.0)

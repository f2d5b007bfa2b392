"""What the noise's memory does to a slope, and the time constant that all key-downs share."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchlog.analysis.accuracy import Accuracy
from benchlog.analysis.bends import common_time_constant
from benchlog.analysis.fits import fit_line
from benchlog.analysis.memory import memory
from benchlog.analysis.uncertainty import coverage_factor, expanded

T_S = np.arange(0.1, 22.0, 0.2)


def hung_together(rng, n, share, over):
    """Unit variance: ``share`` of it first-order autoregressive with correlation length ``over`` readings."""
    rho, white = math.exp(-1 / over), rng.standard_normal((2, n))
    slow = white[1].copy()
    for i in range(1, n):
        slow[i] = rho * slow[i - 1] + math.sqrt(1 - rho**2) * white[1][i]
    return math.sqrt(1 - share) * white[0] + math.sqrt(share) * slow


@pytest.mark.parametrize(("share", "over"), [(0.0, 1.0), (1.0, 2.0), (1.0, 4.5), (0.5, 2.5), (0.5, 7.5)])
def test_the_interval_of_a_slope_holds_it_whatever_the_memory(share, over):
    rng = np.random.default_rng([31, int(10 * share), int(10 * over)])
    n, held = len(T_S), 0
    per_reading = (T_S - T_S.mean()) / float((T_S - T_S.mean()) @ (T_S - T_S.mean()))
    for _ in range(600):
        fit = fit_line(T_S, hung_together(rng, n, share, over))
        variance, dof = memory([(fit.residuals, 2)]).of_sum([per_reading])
        held += abs(float(fit.b[1])) <= coverage_factor(dof) * math.sqrt(variance)
    assert 0.92 <= held / 600 <= 0.985  # 95 % +/- 3 standard errors of 600, on either side


def test_memory_of_many_windows_is_better_known_than_of_one():
    rng = np.random.default_rng(1)
    windows = [(fit_line(T_S, hung_together(rng, len(T_S), 0.5, 5.0)).residuals, 2) for _ in range(10)]
    part = [np.full(len(T_S), 1 / len(T_S))]
    assert memory(windows).of_sum(part)[1] > 3 * memory(windows[:1]).of_sum(part)[1]


def test_too_few_readings_show_no_memory():
    assert memory([(np.random.default_rng(0).standard_normal(40), 2)]) is None
    assert memory([(np.zeros(100), 2)]) is None


@given(st.floats(1e-3, 1e3))
def test_variance_goes_with_the_square_of_the_unit(factor):
    residuals, part = np.random.default_rng(2).standard_normal(80), np.linspace(-1, 1, 80)
    one, other = (memory([(residuals * by, 2)]).of_sum([part]) for by in (1.0, factor))
    assert other == pytest.approx((one[0] * factor**2, one[1]), rel=1e-6)


def key_downs(rng, taus, sd=0.4, share=0.0):
    return [
        (T_S, level * (0.95 + 0.05 * np.exp(-T_S / tau)) + sd * hung_together(rng, len(T_S), share, 5.0))
        for level, tau in zip(100 + 5 * rng.random(len(taus)), taus, strict=True)
    ]


@pytest.mark.parametrize(("n", "share"), [(1, 0.0), (4, 0.0), (4, 0.5), (12, 0.0)])
def test_the_interval_holds_the_time_constant_of_all_key_downs(n, share):
    rng = np.random.default_rng([41, n, int(10 * share)])
    found = [common_time_constant(key_downs(rng, [5.0] * n, share=share), Accuracy()) for _ in range(150)]
    told = [one for one in found if one is not None]
    assert len(told) > 100
    held = sum(abs(one.value - 5.0) <= expanded(one)[0] for one in told)
    assert held / len(told) >= 0.9


def test_more_key_downs_tell_it_better():
    rng = np.random.default_rng(5)
    many = key_downs(rng, [5.0] * 9)
    few, all_of_them = common_time_constant(many[:1], Accuracy()), common_time_constant(many, Accuracy())
    assert all_of_them.u < few.u / 2
    assert "9 key-downs" in all_of_them.budget[0].source


def test_key_downs_that_differ_widen_it():
    rng = np.random.default_rng(6)
    alike = common_time_constant(key_downs(rng, [5.0] * 6, sd=0.1), Accuracy())
    unlike = common_time_constant(key_downs(rng, [3.0, 8.0] * 3, sd=0.1), Accuracy())
    assert unlike.u > 2 * alike.u
    assert unlike.dof <= 5 < alike.dof  # then it is the key-downs that tell, not their readings


def test_straight_or_short_key_downs_have_none():
    rng = np.random.default_rng(7)
    told = 0
    for share in (0.0, 0.5) * 30:
        straight = [(T_S, 100 - 0.2 * T_S + 0.4 * hung_together(rng, len(T_S), share, 5.0)) for _ in range(2)]
        told += common_time_constant(straight, Accuracy()) is not None
    assert told <= 3
    assert common_time_constant([], Accuracy()) is None
    assert common_time_constant([(T_S[:5], T_S[:5])], Accuracy()) is None


def test_a_coarse_resolution_counts_or_hides_the_bend():
    rng = np.random.default_rng(8)
    fine = key_downs(rng, [5.0] * 4, sd=0.05)
    coarse = [(t_s, np.round(y / 0.5) * 0.5) for t_s, y in fine]
    found = common_time_constant(coarse, Accuracy(channel="power", resolution=0.5))
    assert [line.evaluated for line in found.budget] == ["A", "B"]
    assert abs(found.value - 5.0) <= expanded(found)[0]
    hidden = [(t_s, np.round(y / 10) * 10) for t_s, y in fine]
    assert common_time_constant(hidden, Accuracy(channel="power", resolution=10.0)) is None

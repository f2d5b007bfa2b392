"""Allan deviations on stretches without a gap: what parts them, how they pool, and whether intervals hold the truth."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchlog.analysis.corrections import Corrected
from benchlog.analysis.stability import allan, stretches
from benchlog.model import State
from tests.analysis.synthetic import band, sweep

WHITE = 1e-7


def white(n, seed=0):
    return WHITE * np.random.default_rng(seed).standard_normal(n)


def corrected(hz, state=None, t_s=None):
    t_s = np.arange(len(hz)) * 0.5 if t_s is None else t_s
    state = np.zeros(len(hz), np.uint8) if state is None else state
    return Corrected("counter", "frequency", "Hz", t_s, np.asarray(hz, float), state)


def test_averaging_times_double_up_to_a_third_of_the_longest_stretch():
    found = allan([white(40), white(12)], 0.5)
    assert [one.tau_s for one in found] == [0.5, 1.0, 2.0, 4.0]  # 8 readings: 4 s; 16 would be more than a third
    assert [one.terms for one in found] == [39 + 11, 37 + 9, 33 + 5, 25]


def test_white_noise_averages_out():
    for one in allan([white(4000)], 0.5)[:6]:
        assert one.deviation == pytest.approx(WHITE / np.sqrt(one.tau_s / 0.5), rel=0.15)


def test_the_interval_holds_the_truth():
    """Of 400 bands with five key-downs of white noise, 95 % do: 380, within three standard deviations of 4.4."""
    held = np.zeros(4)
    for seed in range(400):
        parts = [white(35, 10 * seed + i) for i in range(5)]
        held += [one.low <= WHITE / np.sqrt(one.tau_s / 0.5) <= one.high for one in allan(parts, 0.5)]
    assert held.min() >= 367, held
    assert held.max() <= 395, held


def test_no_difference_is_taken_across_a_gap():
    """Two stretches a megahertz apart are as stable as one of them."""
    one = allan([white(30), white(30, 1) + 1.0], 0.5)
    assert max(found.deviation for found in one) < 3 * WHITE
    assert max(found.deviation for found in allan([np.append(white(30), white(30, 1) + 1.0)], 0.5)) > 0.1


@pytest.mark.parametrize("what", ["bad slot", "no slot", "wild"])
def test_what_parts_a_stretch(what):
    hz = 7e6 + np.random.default_rng(1).standard_normal(20)
    one = corrected(hz)
    if what == "bad slot":
        one.state[8] = 2
    elif what == "no slot":
        one = corrected(np.delete(hz, 8), t_s=np.delete(one.t_s, 8))
    else:
        one.value[8] += 1e4
    assert [len(run) for run in stretches(one, 0.5)] == [8, 11]


def test_polling_a_little_late_parts_nothing():
    late = np.arange(20) * 0.5 + np.random.default_rng(0).uniform(0, 0.1, 20)
    assert [
        len(run) for run in stretches(corrected(7e6 + np.random.default_rng(1).standard_normal(20), t_s=late), 0.5)
    ] == [20]


@settings(max_examples=30)
@given(st.floats(0.1, 1e3), st.floats(-1, 1), st.permutations(range(3)))
def test_scales_shifts_and_order_of_stretches(scale, shift, order):
    parts = [white(30, i) for i in range(3)]
    plain = allan(parts, 0.5)
    other = allan([scale * parts[i] + shift * WHITE for i in order], 0.5)
    assert [one.deviation for one in other] == pytest.approx([scale * one.deviation for one in plain], rel=1e-6)
    assert [one.high for one in other] == pytest.approx([scale * one.high for one in plain], rel=1e-6)


def test_a_band_has_its_stability_and_one_without_three_readings_in_a_row_none():
    found = band(sweep([120] * 5, hertz_noise=2.0).analysed(), "20 m").stability
    assert found[0].tau_s == pytest.approx(0.5)
    assert found[0].low < 2.0 / 14.2e6 < found[0].high
    holes = sweep([120] * 5)
    for at in np.arange(65, 86, 1.0):
        holes.spoil("frequency", at, at + 0.49, State.MISSED)
    assert band(holes.analysed(), "20 m").stability == ()
    assert allan([], 0.5) == allan([white(2)], 0.5) == ()

"""Crystals that jump: found, placed and sized; and what is no step."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchlog.analysis.cusum import cusum
from benchlog.analysis.levels import READINGS, UNLIKE, WANDER, gains_at_most, likeliest_step, noise_of, places_of
from benchlog.analysis.steps import Hiss, steps_in
from benchlog.analysis.uncertainty import expanded
from benchlog.analysis.wild import decimal_step, wild
from tests.analysis.synthetic import Keying, Synthetic, level, plan, sweep

HERTZ = 14.2e6
SOAK = plan("20 m: 14.200 MHz, min_power 100 W")


def wandering(rng, t, over_s):
    """Unit noise, correlated over ``over_s``: between independent numbers on a quarter of a circle."""
    at = t / over_s
    knots = rng.standard_normal(int(at[-1]) + 2)
    whole = at.astype(int)
    turn = (at - whole) * np.pi / 2
    return knots[whole] * np.cos(turn) + knots[whole + 1] * np.sin(turn)


def noise(rng, t, over_s=1.5):
    return 1.5 * rng.standard_normal(len(t)) + 1.5 * wandering(rng, t, over_s)


def key_down(rng, start_s=0.0, lasts_s=20.0):
    t = np.arange(2.2, lasts_s - 0.5, 0.5)
    return start_s + t, HERTZ + noise(rng, t)


def soak(rng, count=40, warm_hz=150.0, chirp_hz=0.0, chirp_s=8.0):
    """2 h: key-downs of 60 s every 180 s, warming up over 15 min; each may chirp on its own."""
    parts = [key_down(rng, 180.0 * i, 60.0) for i in range(count)]
    return [(t, hz + warm_hz * np.exp(-t / 900) + chirp_hz * np.exp(-(t % 180) / chirp_s)) for t, hz in parts]


def jumped(parts, at_s, by):
    return [(t, hz + by * (t > at_s)) for t, hz in parts]


def holds(step, size):
    guard, _ = expanded(step.size)
    return abs(step.size.value - size) <= guard


def test_clean_sweeps_have_no_step():
    """60 sessions of five bands; the threshold was chosen on 2500, of which at most 1 may have one."""
    found = [
        step
        for seed in range(60)
        for rng in [np.random.default_rng(seed)]
        for _ in range(5)
        for step in steps_in([key_down(rng)])
    ]
    assert found == []


@pytest.mark.parametrize("chirp_hz", [0.0, 20.0])
def test_clean_soaks_have_no_step(chirp_hz):
    """Warming up by 150 Hz, and starting over in every key-down."""
    for seed in range(6):
        assert steps_in(soak(np.random.default_rng(seed), chirp_hz=chirp_hz)) == []


def test_steps_of_three_u_are_found_placed_and_sized():
    """Twice as large as the typical U of 5.5 Hz and more, at any place: at least 99 % of those beyond 3 U."""
    large, told, held, repetitions = 0, 0, 0, 150
    for seed in range(repetitions):
        rng = np.random.default_rng(seed)
        ((t, hz),) = [key_down(rng)]
        at_s, by = t[rng.integers(5, len(t) - 5)] - 0.25, rng.uniform(17, 60) * rng.choice([-1, 1])
        found = steps_in(jumped([(t, hz)], at_s, by))
        large += 1
        told += any(step.from_s <= at_s <= step.to_s for step in found)
        held += any(holds(step, by) for step in found)
    assert told >= 0.98 * large, (told, large)
    assert 0.92 * told <= held, (held, told)


def white(rng, count=5, readings=36, sd=2.0):
    """Windows of as many bands, one after another, with white noise."""
    return [(60.0 * k + np.arange(readings) / 2, HERTZ + sd * rng.standard_normal(readings)) for k in range(count)]


def told(bands, at_s, by, resolution, beside):
    """Whether a step in the first band's window is told, with what the windows ``beside`` say of the noise."""
    bands = [*jumped(bands[:1], at_s, by), *bands[1:]]
    if resolution:
        bands = [(t, np.round(hz / resolution) * resolution) for t, hz in bands]
    hiss = Hiss([([one], resolution) for one in bands[: 1 + beside]])
    return any(step.from_s <= at_s <= step.to_s for step in steps_in(bands[:1], resolution, hiss))


def test_what_other_bands_say_of_the_noise_lets_a_small_step_be_told():
    """18 readings on either side, a step of 6 standard deviations: alone it may as well be wander."""
    sessions = [white(np.random.default_rng(seed)) for seed in range(30)]
    alone, together = (sum(told(bands, 8.75, 12.0, 0.0, beside) for bands in sessions) for beside in (0, 4))
    assert alone < 20
    assert together >= 29


def test_other_bands_do_not_lend_a_step_to_one_that_wanders():
    """Their noise is white, and this one's is not: what they say counts so much and no more."""
    for seed in range(60):
        rng = np.random.default_rng(seed)
        bands = white(rng)
        t, _ = bands[0]
        assert not told([(t, HERTZ + noise(rng, t)), *bands[1:]], 8.75, 0.0, 0.0, 4)


def test_others_shift_the_gain_by_so_much_at_most():
    """However sure they are, and of whatever noise."""
    ((t, hz),) = jumped(white(np.random.default_rng(1), 1), 8.75, 60.0)
    places = np.arange(len(t), dtype=float)
    plain = likeliest_step(places, t, hz, READINGS).gain
    for sure in 1e3 * np.eye(len(WANDER)):
        assert abs(likeliest_step(places, t, hz, READINGS, -1e9, sure).gain - plain) <= UNLIKE


def test_windows_that_show_no_noise_say_nothing_of_it():
    """Too few readings, and one that is stuck for a quarter of the window."""
    ((t, hz),) = white(np.random.default_rng(3), 1)
    places = np.arange(len(t), dtype=float)
    assert np.argmax(noise_of(places, t, hz, READINGS)) == 0
    assert noise_of(places[:10], t[:10], hz[:10], READINGS) is None
    assert noise_of(places, t, np.where((t > 5) & (t < 11), hz[0], hz), READINGS) is None


def test_a_step_in_a_window_says_nothing_of_the_noise():
    """White noise stays white for the others' sake."""
    ((t, hz),) = jumped(white(np.random.default_rng(4), 1), 8.75, 60.0)
    assert np.argmax(noise_of(np.arange(len(t), dtype=float), t, hz, READINGS)) == 0


def test_rounding_to_three_standard_deviations_hides_no_step_of_eight():
    """The scatter holds the rounding already: it counts once."""
    sessions = [white(np.random.default_rng(seed)) for seed in range(30)]
    assert sum(told(bands, 8.75, 16.0, 6.0, 4) for bands in sessions) >= 29


def test_a_step_between_two_key_downs_is_placed_between_them():
    for seed in range(5):
        rng = np.random.default_rng(seed)
        parts = jumped(soak(rng), 180.0 * 17 - 60, 12.0)
        (step,) = steps_in(parts)
        assert step.between_key_downs
        assert parts[16][0][-5] <= step.from_s < 180.0 * 17 - 60 < step.to_s <= parts[17][0][4]
        assert step.size.value == pytest.approx(12.0, abs=3 * step.size.u)


def test_there_and_back():
    parts = jumped(jumped(soak(np.random.default_rng(3)), 1830.0, 40.0), 5430.0, -40.0)
    up, down = steps_in(parts)
    assert up.from_s <= 1830.0 <= up.to_s
    assert down.from_s <= 5430.0 <= down.to_s
    assert up.size.value > 0 > down.size.value


def test_wild_readings_and_a_drift_are_no_steps():
    rng = np.random.default_rng(5)
    t, hz = key_down(rng, lasts_s=60.0)
    hz = hz + 3.0 * t
    hz[20] += 1e4
    hz[60:62] -= 500.0
    assert wild(hz).nonzero()[0].tolist() == [20, 60, 61]
    assert steps_in([(t[~wild(hz)], hz[~wild(hz)])]) == []


@pytest.mark.parametrize("resolution", [1.0, 10.0])
def test_a_coarse_counter_without_scatter_is_no_step(resolution):
    """A slow drift seen through the last digit; declared in the bench file or not."""
    t = np.arange(2.2, 59.5, 0.5)
    for slope in (0.0, 0.2, 0.7, -1.3):
        hz = np.round((HERTZ + 0.3 + slope * resolution * t / 58) / resolution) * resolution
        assert steps_in([(t, hz)], resolution) == []
        assert steps_in([(t, hz)]) == []


def test_a_step_seen_through_the_last_digit():
    t = np.arange(2.2, 19.5, 0.5)
    (step,) = steps_in([(t, np.round(HERTZ + 0.3 + 85.4 * (t > 10)))])
    assert step.size.value == pytest.approx(85, abs=1)
    assert step.from_s <= 10 <= step.to_s


@settings(max_examples=15)
@given(st.floats(-1e4, 1e4), st.floats(-1e3, 1e3))
def test_a_step_has_no_date_and_no_zero(shift_s, offset_hz):
    t, hz = key_down(np.random.default_rng(2))
    (plain,) = steps_in(jumped([(t, hz)], 10.0, 60.0))
    (other,) = steps_in(jumped([(t + shift_s, hz + offset_hz)], 10.0 + shift_s, 60.0))
    assert other.from_s - shift_s == pytest.approx(plain.from_s)
    assert other.size.value == pytest.approx(plain.size.value, abs=1e-3)
    assert other.size.u == pytest.approx(plain.size.u, rel=1e-3)


def test_a_gap_in_a_key_down_is_no_step_and_hides_none():
    t, hz = key_down(np.random.default_rng(4), lasts_s=60.0)
    kept = (t < 20) | (t > 25)
    assert steps_in([(t[kept], hz[kept])]) == []
    (step,) = steps_in(jumped([(t[kept], hz[kept])], 22.0, 60.0))
    assert step.from_s < 22.0 < step.to_s
    assert step.to_s - step.from_s == pytest.approx(5.5, abs=0.6)


def test_the_finding_tells_size_time_and_place():
    keying = Keying(5, 20, level(120.0), lambda x: HERTZ + 85.0 * (x > 10))
    session = Synthetic([keying])
    (found,) = [f for f in session.analysed(SOAK).record.findings if f.kind == "step"]
    assert found.band == "20 m"
    assert found.value == pytest.approx(85, abs=found.expanded)
    assert 0 < found.expanded < 10
    assert found.from_ns / 1e9 <= 15 <= found.to_ns / 1e9
    # The session began at 08:03:09.25 UTC.
    assert found.text.startswith("20 m jumped by +8")
    assert "± " in found.text
    assert " Hz at 09:03:24 UTC, between 09:03:2" in found.text


def test_a_healthy_sweep_tells_of_none():
    assert [f for f in sweep([120] * 5).analysed().record.findings if f.kind == "step"] == []


@given(st.lists(st.floats(-10, 10), min_size=1, max_size=50), st.floats(-3, 3), st.floats(0, 2))
def test_cusum_is_the_recursion(values, target, k):
    sums = cusum(np.array(values), target, k)
    high = low = 0.0
    for i, x in enumerate(values):
        high, low = max(0.0, high + x - target - k), max(0.0, low + target - k - x)
        assert (sums.high[i], sums.low[i]) == pytest.approx((high, low), abs=1e-9)


def test_the_last_digit_of_a_counter():
    assert decimal_step(np.array([14200000.0, 14200085.0])) == 1.0
    assert decimal_step(np.array([14200.0, 14300.0])) == 100.0
    assert decimal_step(np.array([7.1e6 + 0.123])) == pytest.approx(1e-3)
    assert decimal_step(HERTZ + np.random.default_rng(0).standard_normal(50)) == 0.0


@settings(max_examples=20, deadline=None)
@given(st.integers(0, 10**6), st.integers(3, 150), st.floats(0, 30), st.sampled_from(["even", "late", "gap"]))
def test_no_step_gains_more_than_what_many_pieces_were_told_at_once(seed, readings, by, planned):
    """Or a step that would have been believed is never looked for. Pieces that are not even are not judged at all."""
    rng = np.random.default_rng(seed)
    t = np.arange(readings) / 2
    if planned == "late":
        t += rng.uniform(0, 0.01, readings)
    if planned == "gap" and readings > 1:
        t[readings // 2 :] += 30.0
    pieces = [(t, HERTZ + noise(rng, t) + by * rng.choice([-1, 1]) * (t > rng.choice(t))) for _ in range(3)]
    others = [None, *(noise_of(places_of(t), t, hz, READINGS) for t, hz in pieces[:2])] if readings > 12 else [None] * 3
    most = gains_at_most(pieces, READINGS, others)
    for (t_s, hz), bound, said in zip(pieces, most, others, strict=True):
        found = likeliest_step(places_of(t_s), t_s, hz, READINGS, others=said) if readings > 2 else None
        assert found is None or found.gain <= bound + 1e-6
        assert found is None or np.isinf(bound) == (planned == "gap")
        assert found is None or found.gain < 20 or bound > 12
    assert planned != "even" or readings < 12 or np.all(np.isfinite(most))


@pytest.mark.parametrize("at_s", [30.0, 300.0, 330.0, 1530.0])
def test_a_step_in_a_long_key_down_is_found_among_its_pieces(at_s):
    rng = np.random.default_rng(4)
    parts = jumped([key_down(rng, 0.0, 1800.0), key_down(rng, 2000.0, 300.0)], at_s, 60.0)
    (step,) = steps_in(parts)
    assert step.from_s - 1.0 <= at_s <= step.to_s + 1.0
    assert step.size.value == pytest.approx(60.0, abs=10.0)


def test_a_step_near_a_piece_s_end_is_sized_by_the_piece_in_whose_middle_it_is():
    """Pieces of 120 s begin every 60 s; the step is among the last ten readings of one."""
    rng = np.random.default_rng(5)
    clean = [key_down(rng, 0.0, 600.0)]
    held = 0
    for at_s in (end_s - before_s for end_s in np.arange(122.0, 500.0, 60.0) for before_s in range(1, 6)):
        (step,) = steps_in(jumped(clean, at_s, 60.0))
        held += holds(step, 60.0)
    assert held >= 33  # of 35; 29 where the piece before tells it

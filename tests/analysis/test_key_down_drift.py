"""What the frequency does within a key-down, and over a warm-up: planted, and held by the intervals."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchlog.analysis.movement import movement, worst_of
from benchlog.analysis.uncertainty import expanded
from benchlog.model import Component, Measured, State
from tests.analysis.synthetic import FIVE, Keying, Synthetic, band, kinds, level, plan, sweep

HERTZ = 7.1e6
WINDOW = (2.0, 19.5)
SOAK = plan("40 m: 7.100 MHz, min_power 100 W, max_frequency_error 300 Hz")

CURVES = {
    "none": lambda t: 0 * t,
    "straight": lambda t: -1.3 * t,
    "chirp": lambda t: 25 * np.exp(-t / 5),
}


def readings(curve, seed, lag=0.0):
    t = np.arange(2.2, 19.5, 0.5)
    rng = np.random.default_rng(seed)
    noise = rng.standard_normal(len(t))
    for i in range(1, len(t)):
        noise[i] = lag * noise[i - 1] + math.sqrt(1 - lag**2) * noise[i]
    return t, HERTZ + curve(t) + 1.5 * noise


@pytest.mark.parametrize("name", CURVES)
@pytest.mark.parametrize("lag", [0.0, 0.5])
def test_the_interval_holds_the_movement(name, lag):
    """95 % of 200 are 190, give or take three times 3.1."""
    curve = CURVES[name]
    truth = curve(19.5) - curve(2.0)
    held = 0
    for seed in range(200):
        found = movement(*readings(curve, seed, lag), WINDOW)
        held += abs(found.value - truth) <= expanded(found)[0]
    assert held >= 181
    assert found.u < (2 if lag == 0 else 15)


def test_too_few_readings_or_too_short_a_part_of_the_window_tell_nothing():
    t, hz = readings(CURVES["straight"], 0)
    assert movement(t[:4], hz[:4], WINDOW) is None
    assert movement(t[:16], hz[:16], WINDOW) is None  # 7.5 s of 17.5
    assert movement(t[:19], hz[:19], WINDOW) is not None


def test_a_wild_reading_moves_nothing():
    t, hz = readings(CURVES["straight"], 0)
    plain = movement(t, hz, WINDOW)
    hz[10] += 1e5
    assert movement(t, hz, WINDOW).value == pytest.approx(plain.value, abs=plain.u)


@settings(max_examples=30)
@given(st.floats(-1e5, 1e5), st.floats(-1e3, 1e3), st.sampled_from([-2.0, 0.5, 10.0]))
def test_movement_has_no_date_no_zero_and_scales(shift_s, offset_hz, scale):
    t, hz = readings(CURVES["chirp"], 1)
    plain = movement(t, hz - HERTZ, WINDOW)
    other = movement(t + shift_s, scale * (hz - HERTZ) + offset_hz, (WINDOW[0] + shift_s, WINDOW[1] + shift_s))
    assert other.value == pytest.approx(scale * plain.value, rel=1e-4)
    assert other.u == pytest.approx(abs(scale) * plain.u, rel=1e-3)


def test_the_worst_of_many_alike_is_widened_and_one_that_stands_clear_is_not():
    def one(value):
        return Measured(value, 1.0, 30.0, (Component(1.0, 30.0, "scatter", "A"),))

    clear = worst_of([one(0.1), one(-20.0), one(0.5)])
    assert (clear.value, clear.u) == (-20.0, 1.0)
    alike = worst_of([one(value) for value in np.linspace(-2, 2, 40)])
    assert 1.5 < alike.u < 2.0  # Sidak: t at 1 - 0.05 / 40 over t at 0.95
    assert "choice of the worst among 40" in alike.budget[-1].source
    assert worst_of([]) is None


def test_the_worst_of_forty_that_do_not_move_holds_nothing():
    held = 0
    for seed in range(100):
        found = worst_of([movement(*readings(CURVES["none"], 40 * seed + i), WINDOW) for i in range(10)])
        held += abs(found.value) <= expanded(found)[0]
    assert held >= 88, held  # 95, less three times 2.2


def test_the_band_has_its_worst_key_downs_movement():
    def chirp(x):
        return 7.1e6 - 40 * -np.expm1(-x / 6)

    keyings = [Keying(5 + 60 * i, 20, level(120.0), chirp if i == 2 else level(7.1e6)) for i in range(4)]
    found = band(Synthetic(keyings).analysed(SOAK, kind="soak"), "40 m").key_down_drift_hz
    assert found.value == pytest.approx(chirp(19.5) - chirp(2.0), abs=found.expanded)
    assert found.expanded < 10
    assert found.budget


def warming(by_hz, tau_s, count=30, seed=0):
    return Synthetic(
        [
            Keying(10 + 180 * i, 20, level(120.0), lambda x, at=180 * i: 7.1e6 + by_hz * np.exp(-(at + x) / tau_s))
            for i in range(count)
        ],
        seed=seed,
    )


def test_a_warm_up_is_told_by_size_time_constant_and_end():
    """150 Hz over 15 min; t is from the first reading, 2.2 s into the first key-down."""
    held = np.zeros(3)
    for seed in range(12):
        found = band(warming(150.0, 900.0, seed=seed).analysed(SOAK, kind="soak"), "40 m").warm_up
        first = 150.0 * math.exp(-2.1 / 900)
        pairs = [(found.by_hz, first), (found.tau_s, 900.0), (found.final_hz, 7.1e6)]
        held += [abs(result.value - truth) <= result.expanded for result, truth in pairs]
        assert found.tau_s.expanded < 40
    assert held.min() >= 9, held  # 11.4, less three times 0.75


@pytest.mark.parametrize(("by_hz", "tau_s"), [(0.0, 900.0), (150.0, 1e6), (150.0, 20.0)])
def test_no_warm_up_where_none_is_seen(by_hz, tau_s):
    """None; one far longer than the session; one over before the second key-down."""
    for seed in range(3):
        assert band(warming(by_hz, tau_s, seed=seed).analysed(SOAK, kind="soak"), "40 m").warm_up is None


def test_a_jump_is_no_warm_up():
    keyings = [Keying(10 + 180 * i, 20, level(120.0), level(7.1e6 + 50 * (i < 6))) for i in range(30)]
    analysis = Synthetic(keyings).analysed(SOAK, kind="soak")
    assert band(analysis, "40 m").warm_up is None
    assert "step" in kinds(analysis)


# The dial over several passes, and while the set warms up.


def passes(errors, drift_hz, count, warm_s=900.0, seed=0):
    """``count`` sweeps of five bands, a key-down every 60 s, the set drifting by ``drift_hz`` from first to last."""
    keyings = []
    for i in range(5 * count):
        one, error, at = FIVE.bands[i % 5], errors[i % 5], 60.0 * i
        keyings.append(
            Keying(
                5 + at,
                20,
                level(120.0),
                lambda x, f=one.expected_hz + error, at=at: f + drift_hz * np.exp(-(at + x) / warm_s),
            )
        )
    return Synthetic(keyings, seed=seed)


@pytest.mark.parametrize(("warm_s", "count"), [(30.0, 1), (120.0, 1), (900.0, 1), (30.0, 2), (900.0, 2), (300.0, 4)])
@pytest.mark.parametrize("drift_hz", [150.0, -150.0])
def test_warming_up_during_a_sweep_is_no_wrong_crystal(warm_s, count, drift_hz):
    for seed in range(3):
        found = kinds(passes([0.0] * 5, drift_hz, count, warm_s, seed).analysed())
        assert "band-crystal" not in found
        assert "dial" not in found


def test_drift_from_pass_to_pass_is_not_the_bands_own():
    """Four passes, the last without 10 m: its mean is of the early, warmer ones, its own error is still its own."""
    errors = [5.0, -3.0, 0.0, 2.0, -40.0]
    session = passes(errors, 150.0, 4, 600.0)
    session.spoil("frequency", 60.0 * 19, 60.0 * 20, State.INVALID)
    record = session.analysed().record
    for one, error in zip(FIVE.bands, errors, strict=True):
        own = record.dial.own_hz[one.name]
        assert own.value == pytest.approx(error, abs=own.expanded)
        assert own.expanded < 40
    assert np.median([own.value for own in record.dial.own_hz.values()]) == pytest.approx(0, abs=1e-9)


def test_a_wrong_crystal_stands_out_in_every_pass_with_its_u():
    for count in (1, 3):
        analysis = passes([0.0, 0.0, 0.0, 400.0, 0.0], 0.0, count).analysed()
        (found,) = [f for f in analysis.record.findings if f.kind == "band-crystal"]
        assert found.band == "15 m"
        assert found.value == pytest.approx(400, abs=found.expanded)
        assert 0 < found.expanded < 10


def test_one_pass_is_the_median_of_the_bands():
    record = sweep([120] * 5, [10.0, 20.0, 30.0, 45.0, 70.0]).analysed().record
    middle = record.bands[2].frequency_error_hz.value
    assert record.dial.common_hz.value == pytest.approx(middle, abs=1e-9)
    for one in record.bands:
        own = record.dial.own_hz[one.band].value
        assert own == pytest.approx(one.frequency_error_hz.value - middle, abs=1e-9)

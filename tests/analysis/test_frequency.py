"""Drift, settling and the dial, each with planted truth."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchlog.analysis.accuracy import Accuracy
from benchlog.analysis.dial import BandError, dial_split, standing_out
from benchlog.analysis.frequency import drift, settled_after_s
from benchlog.analysis.uncertainty import expanded
from benchlog.model import Measured

HERTZ = 7.1e6


def windows(count, every_s=180.0, lasts_s=57.0, step_s=1.0):
    return np.concatenate([w * every_s + np.arange(2, lasts_s, step_s) for w in range(count)])


def noise(n, seed=0):
    return np.random.default_rng(seed).standard_normal(n)


def test_drift_is_the_planted_slope():
    t = windows(20)
    found = drift(t, HERTZ + 50 * t / 3600 + noise(len(t)), 57.0)
    assert found.value == pytest.approx(50, abs=3 * found.u)
    assert 0.02 < found.u < 0.3


def test_drift_needs_ten_minutes():
    t = np.array([0.0, 100, 300, 400, 599.9])
    assert drift(t, HERTZ + t, 10.0) is None
    assert drift(np.append(t, 600.0), HERTZ + np.append(t, 600.0), 10.0).value == pytest.approx(3600)
    assert drift(np.empty(0), np.empty(0), 10.0) is None


def test_drift_is_not_what_happens_within_each_key_down():
    """Each key-down pulls the frequency 1 Hz/s down, and it recovers; the session drifts up by 50 Hz/h."""
    t = windows(2, every_s=1200.0)  # half of all pairs of readings lie within one window
    hertz = HERTZ + 50 * t / 3600 - (t % 1200) + 0.2 * noise(len(t))
    assert drift(t, hertz, 55.0).value == pytest.approx(50, abs=2)
    t = windows(6, every_s=400.0)
    hertz = HERTZ + 50 * t / 3600 - (t % 400) + 0.2 * noise(len(t))
    found = drift(t, hertz, 55.0)
    guard, _ = expanded(found)
    assert found.value == pytest.approx(50, abs=guard)


def test_wild_readings_do_not_move_drift():
    t = windows(20)
    hertz = HERTZ + 50 * t / 3600 + noise(len(t))
    plain = drift(t, hertz, 57.0)
    hertz[::37] += 5e4
    found = drift(t, hertz, 57.0)
    assert found.value == pytest.approx(plain.value, abs=5 * plain.u)
    assert found.u < 20 * plain.u


def held(course, count, resolution=0.0, key_downs=4):
    """Share of seeded series of key-downs whose interval holds the slope of the course, and the median of their U."""
    t = windows(key_downs, every_s=450.0, lasts_s=24.0, step_s=0.5)
    counter = Accuracy(channel="counter", resolution=resolution)
    dt, df = np.subtract.outer(t, t), np.subtract.outer(course(t), course(t))
    truth = np.median(df[dt > 22.0] / dt[dt > 22.0]) * 3600
    found, guards = 0, []
    for seed in range(count):
        hertz = HERTZ + course(t) + noise(len(t), seed)
        if resolution:
            hertz = np.round(hertz / resolution) * resolution
        slope = drift(t, hertz, 22.0, counter)
        guards.append(expanded(slope)[0])
        found += abs(slope.value - truth) <= guards[-1]
    return found / count, float(np.median(guards))


def test_the_bend_of_a_warm_up_is_no_uncertainty_of_its_slope():
    share, guard = held(lambda t: 100 * np.exp(-t / 600), 30)
    assert share >= 0.85  # 0.95 less 2.5 standard deviations of a share of 30
    assert guard < 30  # of -250 Hz/h; the scatter about a straight line would make it 230 Hz/h


def test_straight_drift_holds_with_a_counter_coarser_than_its_noise():
    share, guard = held(lambda t: -45 * t / 3600, 30, resolution=2.7)
    assert share >= 0.85
    fine, fine_guard = held(lambda t: -45 * t / 3600, 30)
    assert fine >= 0.85
    assert guard > 1.5 * fine_guard


def test_key_downs_that_lie_off_their_course_widen_its_slope():
    t = windows(20)
    plain = HERTZ + 400 * np.exp(-t / 900) + noise(len(t))
    moved = plain + 10 * np.repeat(noise(20, seed=1), len(t) // 20)
    found = drift(t, moved, 57.0)
    assert found.u > 3 * drift(t, plain, 57.0).u
    assert "20 key-downs" in found.budget[0].source


def test_three_readings_show_no_scatter():
    assert expanded(drift(np.array([0.0, 400, 800]), HERTZ + np.array([0.0, 1, 2]), 1.0)) is None


@settings(max_examples=20)
@given(st.floats(-1e5, 1e5), st.floats(-1e3, 1e3))
def test_drift_has_no_date_and_no_zero(shift_s, offset_hz):
    t = windows(5)
    hertz = 1000 + 50 * t / 3600 + noise(len(t))
    plain, other = drift(t, hertz, 57.0), drift(t + shift_s, hertz + offset_hz, 57.0)
    assert other.value == pytest.approx(plain.value, rel=1e-6)
    assert other.u == pytest.approx(plain.u, rel=1e-4)


def test_settled_when_a_warm_up_comes_within_a_quarter_of_the_tolerance():
    """400 Hz dying away with 900 s: below 75 Hz after 900 ln(400 / 75) = 1507 s, counted from session start."""
    t = windows(60)
    hertz = HERTZ + 400 * np.exp(-t / 900) + noise(len(t))
    assert settled_after_s(t, hertz, 300.0) == pytest.approx(1507, abs=180)
    assert settled_after_s(t + 1000, hertz, 300.0) == pytest.approx(2507, abs=180)


def test_settled_from_the_first_reading_on():
    t = windows(20) + 30
    assert settled_after_s(t, HERTZ + noise(len(t)), 300.0) == t[0]


def test_one_wild_reading_unsettles_nothing():
    t = windows(20)
    hertz = HERTZ + noise(len(t))
    hertz[500] += 1e4
    hertz[-1] -= 1e4
    assert settled_after_s(t, hertz, 300.0) == t[0]


def test_settling_that_cannot_be_told():
    t = windows(20)
    assert settled_after_s(t, HERTZ + noise(len(t)), None) is None
    assert settled_after_s(t[:100], HERTZ + noise(100), 300.0) is None  # under 10 minutes
    drifting = HERTZ + 2000 * t / 3600
    assert settled_after_s(t, drifting, 300.0) is None  # still on its way
    assert settled_after_s(np.empty(0), np.empty(0), 300.0) is None


def bands(errors, u=0.5, tolerance_hz=300.0):
    return {
        f"band {i}": BandError(Measured(error, u, 20), 1e6 * (i + 1), tolerance_hz) for i, error in enumerate(errors)
    }


def test_dial_needs_three_bands():
    assert dial_split(bands([10, 20])) is None
    assert dial_split(bands([10, 20, 30])).common_hz.value == 20


@given(st.lists(st.floats(-1e4, 1e4), min_size=3, max_size=9))
def test_dial_parts_add_up_and_own_has_no_median(errors):
    dial = dial_split(bands(errors))
    own = [found.value for found in dial.own_hz.values()]
    assert np.median(own) == pytest.approx(0, abs=1e-9)
    assert [dial.common_hz.value + value for value in own] == pytest.approx(errors, abs=1e-9)


def test_the_counters_gain_is_common_and_its_offset_cancels_in_own():
    counter = Accuracy(gain=1e-6, offset=3.0)
    dial = dial_split(bands([10, 20, 30], u=0.0), counter)  # at 1, 2, 3 MHz; the middle one is at 2 MHz
    k = 1.959963984540054
    assert dial.common_hz.expanded == pytest.approx(k * (2.0 + 3.0) / math.sqrt(3), rel=1e-6)
    assert [found.expanded for found in dial.own_hz.values()] == pytest.approx(
        [k / math.sqrt(3), 0.0, k / math.sqrt(3)], abs=1e-6
    )


def test_which_band_is_the_middle_one_is_uncertain_too():
    """A counter off by up to 1 ppm of 3.6 to 28.3 MHz reorders crystals that differ by 10 Hz."""
    counter, rng, held = Accuracy(gain=1e-6), np.random.default_rng(11), {"common": 0, "own": 0}
    places, sessions = np.array([3.6, 7.1, 14.3, 21.2, 28.3]) * 1e6, 400
    for _ in range(sessions):
        crystals = rng.normal(0, 10, 5)
        shown = crystals + rng.uniform(-1, 1) * 1e-6 * places
        dial = dial_split({str(i): BandError(Measured(shown[i], 0.1, 50), places[i], None) for i in range(5)}, counter)
        common = float(np.median(crystals))
        held["common"] += abs(dial.common_hz.value - common) <= dial.common_hz.expanded
        own = dial.own_hz
        held["own"] += sum(abs(own[str(i)].value - (crystals[i] - common)) <= own[str(i)].expanded for i in range(5))
    assert held["common"] >= 0.93 * sessions
    assert held["own"] >= 0.93 * 5 * sessions


def test_scatter_of_both_the_band_and_the_middle_counts_in_own():
    dial = dial_split(bands([10, 20, 30], u=0.5))
    found = dial.own_hz["band 0"]
    assert found.expanded / found.k == pytest.approx(0.5 * math.sqrt(2), rel=0.03)  # 4,000 draws


def test_common_is_held_against_the_strictest_band():
    mixed = bands([400, 410, 420], tolerance_hz=None) | {
        "x": BandError(Measured(405.0, 0.5, 20), 5e6, 300.0),
        "y": BandError(Measured(405.0, 0.5, 20), 6e6, 200.0),
    }
    common = dial_split(mixed).common_hz
    assert (common.limit, common.verdict) == (200.0, "fail")


@pytest.mark.parametrize(
    ("errors", "names"),
    [
        ([-30, -28, -31, -29, 400], ["band 4"]),
        ([-30, -28, -31, 350, 400], ["band 3", "band 4"]),
        ([-30, -28, 400], ["band 2"]),
        ([-30, -28, -31, -29, -27], []),  # beyond their uncertainty, and all alike
        ([-60, -20, 10, 40, 90], []),  # they commonly differ by as much
        ([-30, -30, -30, -30, -5], ["band 4"]),
        ([0, 0, 0, 0, 100], ["band 4"]),
    ],
)
def test_one_wrong_crystal_stands_out(errors, names):
    found = bands(errors)
    assert standing_out(dial_split(found).own_hz, {}) == names


def test_a_crystal_within_a_fifth_of_what_the_plan_allows_does_not():
    own = dial_split(bands([0, 1, -1, 2, 59])).own_hz
    assert standing_out(own, {"band 4": 300.0}) == []
    assert standing_out(own, {"band 4": 280.0}) == ["band 4"]


def test_a_crystal_within_its_uncertainty_does_not():
    found = bands([0, 0, 0, 0, 100], u=50.0)
    assert standing_out(dial_split(found).own_hz, {}) == []

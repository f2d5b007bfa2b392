"""Droop of one window: shapes, spikes, offsets, gaps in the readings."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.signal import lfilter

from benchlog.analysis.accuracy import Accuracy
from benchlog.analysis.dips import spikes
from benchlog.analysis.droop import DroopFit, fit_droop, noise_shared
from benchlog.analysis.fits import fit_exponential, fit_line, theil_sen
from benchlog.analysis.rundroop import run_droop
from benchlog.analysis.uncertainty import expanded
from benchlog.model import Event, Measured, State
from tests.analysis.synthetic import Keying, Synthetic, level, plan

T = np.arange(0, 17, 0.2)
WINDOW = (0.0, 17.0)


def left_out(fit):
    """How many readings in spikes and dips the curve does not follow."""
    return np.count_nonzero(~fit.kept)


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


@pytest.mark.parametrize("share", [0.2, 0.3, 0.4])
def test_readings_that_a_coarse_resolution_repeats_stay(share):
    rng, t = np.random.default_rng(12), np.arange(0.1, 22.0, 0.2)
    step = 2.0  # 2 % of the level: most readings are on one tread, and the others have not left the curve
    power = np.round((100.3 - 0.05 * t + share * step * rng.standard_normal(len(t))) / step) * step
    assert left_out(fit_droop(t, power, (0.0, 22.0))) == 0
    power[50] = 160.0
    assert left_out(fit_droop(t, power, (0.0, 22.0))) == 1
    still = np.where(np.arange(len(t)) == 50, 160.0, 100.0)
    assert left_out(fit_droop(t, still, (0.0, 22.0))) == 1


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
@settings(max_examples=30)
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


# ---- short dips


def long_window(curve, seed=0, sd=0.3, lasts_s=57.5):
    t = np.arange(0.05, lasts_s, 0.2)
    return t, curve(t) + sd * np.random.default_rng(seed).standard_normal(len(t))


CURVES = {
    "steady": lambda t: np.full_like(t, 100.0),
    "straight": lambda t: 100 - 0.1 * t,
    "exponential": falling(share=0.08, tau_s=9.0),
}


@pytest.mark.parametrize("shape", CURVES)
@pytest.mark.parametrize("at_s", [3.0, 20.0, 40.0, 53.0])
@pytest.mark.parametrize(("lasts_s", "left"), [(2.0, 0.7), (1.0, 0.0), (0.6, 1.3)])
def test_a_short_dip_neither_bends_the_curve_nor_becomes_the_droop(shape, at_s, lasts_s, left):
    t, clean = long_window(CURVES[shape], seed=3)
    inside = (t >= at_s) & (t < at_s + lasts_s)
    dipped = np.where(inside, clean * left, clean)
    before, after = fit_droop(t, clean, (0.0, 57.5)), fit_droop(t, dipped, (0.0, 57.5))
    assert after.shape == before.shape
    assert after.percent.value == pytest.approx(before.percent.value, abs=before.percent.u)
    assert after.percent.u == pytest.approx(before.percent.u, rel=0.25)
    assert left_out(after) - left_out(before) == pytest.approx(inside.sum(), abs=2)


def test_a_fall_that_does_not_recover_is_no_dip():
    t, clean = long_window(CURVES["steady"])
    fallen = np.where(t > 55, clean * 0.7, clean)
    assert left_out(fit_droop(t, fallen, (0.0, 57.5))) <= 2
    long = np.where((t > 20) & (t < 32), clean * 0.7, clean)  # a fifth of the window, then back
    assert left_out(fit_droop(t, long, (0.0, 57.5))) <= 2
    halved = np.where(t > 30, clean * 0.7, clean)  # for half of the window: how it is, not what disturbs it
    assert fit_droop(t, halved, (0.0, 57.5)).percent.value > 20


def test_noise_alone_has_no_dips():
    found = [left_out(fit_droop(*long_window(CURVES["exponential"], seed), (0.0, 57.5))) for seed in range(40)]
    assert np.mean(found) < 0.5


def test_resolution_counts_at_both_ends():
    """Without noise, 1 W steps leave 1 / sqrt(12) W uncertain at the start and at the end, each on its own."""
    coarse = Accuracy(channel="power", resolution=1.0)
    fit = fit_droop(T, np.full_like(T, 100.0), WINDOW, coarse)
    assert fit.percent.u == pytest.approx(math.sqrt(2 / 12), rel=1e-3)
    noisy = fit_droop(T, 100 + noise(sd=1.0), WINDOW, coarse)
    assert noisy.percent.u == pytest.approx(fit_droop(T, 100 + noise(sd=1.0), WINDOW).percent.u, rel=1e-3)


# ---- what an interval of 95 % holds


def correlated(rng, n, rho, sd):
    """First-order autoregressive noise, run in for 50 readings."""
    return sd * lfilter([math.sqrt(1 - rho**2)], [1, -rho], rng.standard_normal(n + 50))[50:]


def truth_of(lasts_s, droop, tau_share):
    """Watts at (n,) times; ``droop`` in percent of 100 W over the window."""
    if tau_share is None:
        return lambda t: 100 - droop * t / lasts_s
    return lambda t: 100 - droop * np.expm1(-t / tau_share / lasts_s) / math.expm1(-1 / tau_share)


@pytest.mark.parametrize("rho", [0.0, 0.6])
@pytest.mark.parametrize(
    ("lasts_s", "droop", "tau_share", "sd"),
    [
        (17.5, 0.0, None, 0.3),
        (17.5, 8.0, None, 1.0),
        (57.5, 20.0, None, 0.3),
        (17.5, 2.0, 0.15, 1.0),  # a bend that is seen in two of three: what is chosen must not spoil the interval
        (17.5, 8.0, 0.4, 1.0),
        (17.5, 20.0, 1.0, 0.3),
        (57.5, 8.0, 0.15, 1.0),
    ],
)
def test_the_interval_holds_the_droop(lasts_s, droop, tau_share, sd, rho):
    """300 seeded windows each: 93 to 97 % are asked for, and three standard deviations of a share are 3.8 %."""
    curve = truth_of(lasts_s, droop, tau_share)
    t = np.arange(0.05, lasts_s, 0.2)
    rng = np.random.default_rng([21, int(lasts_s), int(droop), int(100 * (tau_share or 0)), int(10 * rho)])
    held = 0
    for _ in range(300):
        fit = fit_droop(t, curve(t) + correlated(rng, len(t), rho, sd), (0.0, lasts_s))
        held += abs(fit.percent.value - droop) <= expanded(fit.percent)[0]
    assert 0.912 <= held / 300 <= 0.99


@pytest.mark.parametrize(("droop", "tau_share", "rho"), [(8.0, 0.15, 0.0), (20.0, 0.4, 0.6), (20.0, 1.0, 0.0)])
def test_the_interval_holds_the_time_constant(droop, tau_share, rho):
    curve = truth_of(17.5, droop, tau_share)
    t = np.arange(0.05, 17.5, 0.2)
    rng = np.random.default_rng([22, int(droop), int(100 * tau_share)])
    held = told = 0
    for _ in range(300):
        found = fit_droop(t, curve(t) + correlated(rng, len(t), rho, 0.5), (0.0, 17.5)).time_constant
        if found is not None:
            told += 1
            held += abs(found.value - tau_share * 17.5) <= expanded(found)[0]
    assert told > 285
    assert 0.912 <= held / told <= 0.99


def test_a_bend_too_faint_to_time_is_not_timed():
    """2 % in 1 W of noise: a bend is taken in one window of four, and hardly ever timed; then to a factor of 3."""
    curve = truth_of(17.0, 2.0, 0.4)
    fits = [fit_droop(T, curve(T) + noise(1.0, seed), WINDOW) for seed in range(200)]
    bent = [fit for fit in fits if fit.shape == "exponential"]
    timed = [fit.time_constant for fit in bent if fit.time_constant is not None]
    assert len(bent) > 20
    assert len(timed) < len(bent) / 2
    assert all(expanded(found)[0] < 2 * found.value for found in timed)
    assert all(fit.time_constant is None for fit in fits if fit.shape == "straight")


# ---- the noise of a band's key-downs


def test_noise_known_from_four_key_downs_makes_each_ones_interval_narrower_and_holds():
    """60 bands of four key-downs; readings that hang together show by how much only in more than one window."""
    curve = truth_of(17.0, 8.0, None)
    rng = np.random.default_rng(24)
    held, own, shared = 0, [], []
    for _ in range(60):
        fits = [fit_droop(T, curve(T) + correlated(rng, len(T), 0.6, 1.0), WINDOW) for _ in range(4)]
        together = noise_shared(fits)
        assert [one.value for one in together] == [fit.percent.value for fit in fits]
        held += sum(abs(one.value - 8.0) <= expanded(one)[0] for one in together)
        own += [expanded(fit.percent)[0] for fit in fits]
        shared += [expanded(one)[0] for one in together]
    assert 0.90 <= held / 240 <= 0.99
    assert np.mean(shared) < 0.9 * np.mean(own)
    assert np.std(shared) < 0.6 * np.std(own)


def test_noise_that_too_few_readings_show_is_left():
    fit = fit_droop(T, falling()(T) + noise(), WINDOW)
    assert noise_shared([]) == []
    assert noise_shared([fit]) == [fit.percent]
    few = fit_droop(T[::8], (100 - 0.5 * T + noise())[::8], WINDOW)
    assert noise_shared([few, few]) == [few.percent] * 2, "22 readings do not show how they hang together"


def test_the_meters_zero_stays_in_when_noise_is_shared():
    meter = Accuracy(offset=12.5, channel="power")
    fits = [fit_droop(T, 100 - 0.5 * T + noise(seed=seed), WINDOW, meter) for seed in (1, 2)]
    for fit, one in zip(fits, noise_shared(fits), strict=True):
        assert one.budget[1:] == fit.percent.budget[1:]
        assert one.budget[0].source.endswith("their noise as in 2 key-downs")
        assert "zero of power" in [line.source for line in one.budget]


# ---- over a run


def run_of(watts, starts=None, lasts_s=57.0):
    starts = 180.0 * np.arange(len(watts)) if starts is None else starts
    return [
        DroopFit("straight", s, s + lasts_s, w, w, None, Measured(0, 0)) for s, w in zip(starts, watts, strict=True)
    ]


def test_a_run_that_levels_off():
    t = 180.0 * np.arange(40)
    rng = np.random.default_rng(5)
    watts = 90 + 10 * np.exp(-t / 1500) + 0.1 * rng.standard_normal(40)
    found = run_droop(run_of(watts))
    assert found.percent.value == pytest.approx(100 * (1 - (90 + 10 * math.exp(-t[-1] / 1500)) / 100), abs=0.3)
    assert found.time_constant.value == pytest.approx(1500, abs=expanded(found.time_constant)[0])


@pytest.mark.parametrize("n", [6, 12, 40])
@pytest.mark.parametrize("share", [0.7, 0.0, 1.2])
def test_one_odd_key_down_is_no_droop_of_the_run(n, share):
    watts = 100 - 5 * np.arange(n) / (n - 1) + 0.2 * np.random.default_rng(n).standard_normal(n)
    clean = run_droop(run_of(watts))
    at = n // 2
    odd = watts.copy()
    odd[at] *= share
    found = run_droop(run_of(odd))
    assert found.percent.value == pytest.approx(clean.percent.value, abs=clean.percent.u + 0.1)


def test_a_run_too_short_or_too_few_to_tell():
    assert run_droop(run_of(np.full(4, 100.0))) is None
    assert run_droop(run_of(np.full(5, 100.0), starts=100.0 * np.arange(5))) is None
    assert run_droop([]) is None
    assert run_droop(run_of(np.full(5, 100.0))).percent.value == pytest.approx(0, abs=1e-9)


def test_the_droop_within_key_downs_is_none_of_the_run():
    """Key-downs of two lengths, each falling by 0.1 W/s from 100 W: their means differ, the run has no droop."""
    starts = 180.0 * np.arange(8)
    lengths = np.array([57.0, 57, 40, 57, 40, 57, 57, 40])
    fits = [
        DroopFit("straight", s, s + x, 100.0, 100 - 0.1 * x, None, Measured(0, 0))
        for s, x in zip(starts, lengths, strict=True)
    ]
    assert run_droop(fits).percent.value == pytest.approx(0, abs=1e-6)


def test_a_runs_gain_cancels_and_its_zero_does_not():
    watts = 100 - 10 * np.arange(8) / 7
    plain = run_droop(run_of(watts), Accuracy(gain=0.05))
    offset = run_droop(run_of(watts), Accuracy(offset=12.5, channel="power"))
    assert plain.percent.u == pytest.approx(0, abs=1e-9)
    assert offset.percent.u == pytest.approx(10 * 0.125 / math.sqrt(3), rel=1e-6)


@pytest.mark.parametrize(
    ("n", "droop", "tau_share"), [(5, 3.0, None), (12, 0.0, None), (40, 15.0, 0.4), (20, 3.0, 0.15)]
)
def test_the_interval_holds_the_runs_droop(n, droop, tau_share):
    """300 seeded runs each, with white scatter of 0.3 W from key-down to key-down."""
    t = 180.0 * np.arange(n)
    curve = truth_of(t[-1], droop, tau_share)
    rng = np.random.default_rng([23, n])
    held = 0
    for _ in range(300):
        found = run_droop(run_of(curve(t) + 0.3 * rng.standard_normal(n)))
        held += abs(found.percent.value - droop) <= expanded(found.percent)[0]
    assert 0.912 <= held / 300 <= 0.99


def soaked(limit):
    keyings = [Keying(5 + 180 * i, 60, level(100 - 0.8 * i), level(7.1e6)) for i in range(6)]
    return Synthetic(keyings), plan(f"40 m: 7.100 MHz, min_power 60 W, max_run_droop {limit} %")


def test_a_run_is_held_against_its_limit():
    for limit, verdict in ((6, "pass"), (4.0, "undecided"), (2, "fail")):
        made, the_plan = soaked(limit)
        (found,) = made.analysed(the_plan, kind="soak").record.bands
        assert found.run_droop_percent.value == pytest.approx(4.0, abs=0.3)
        assert (found.run_droop_percent.limit, found.run_droop_percent.verdict) == (limit, verdict)
        assert found.run_droop_percent.budget


def test_over_range_power_lets_no_run_pass():
    made, the_plan = soaked(6)
    made.spoil("power", 200, 201, State.OVER_RANGE)
    (found,) = made.analysed(the_plan, kind="soak").record.bands
    assert found.run_droop_percent.verdict == "undecided"


def test_a_key_down_without_a_droop_lets_no_run_pass():
    made, the_plan = soaked(6)
    made.spoil("power", 5 + 180 * 3 + 10, 5 + 180 * 3 + 59.9, State.INVALID)
    analysis = made.analysed(the_plan, kind="soak", events=key_events(6))
    assert sum(k.droop is None for k in analysis.key_downs) == 1
    assert analysis.record.bands[0].run_droop_percent.verdict == "undecided"


def key_events(n):
    return [
        Event(round((5 + 180 * i + (0 if down else 60)) * 1e9), "key", "", data={"down": down})
        for i in range(n)
        for down in (True, False)
    ]

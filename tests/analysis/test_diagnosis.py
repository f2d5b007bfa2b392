"""Planted causes: the supply, the output stage, the match, the temperature; and healthy sets that have none of them."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.signal import lfilter

from benchlog.analysis.onband import OnBand
from benchlog.analysis.supply import split
from benchlog.analysis.warmth import together
from benchlog.model import Component, Measured, State
from benchlog.series import RawSeries
from tests.analysis.synthetic import BRIDGE, FIVE, THERMOMETER, Keying, Synthetic, bench, plan

DIAGNOSED = ("supply-sag", "output-stage", "mismatch", "drift")
FULL = bench(more=BRIDGE + THERMOMETER, power='of_reading = "3 %"\nof_range = "1 %"', plate='of_reading = "1 %"')
FORTY = plan("40 m: 7.100 MHz, min_power 100 W, max_droop 10 %, max_frequency_error 300 Hz, max_drift 200 Hz/h")
FREE = plan("40 m: 7.100 MHz, min_power 100 W")
OPEN_V = 850.0


def found(analysis, kind):
    return [f for f in analysis.record.findings if f.kind == kind]


def settling(x, tau_s):
    """From 0 to 1 with a time constant."""
    return -np.expm1(-x / tau_s)


class Cause:
    """What is planted. Shares are lost for good, with the time constants of a tired supply and a warming stage."""

    def __init__(self, watts=125.0, sag=0.01, stage=0.01, swr=(1.1, 1.1), swr_over=(1.1, 1.1), low=1.0):
        self.watts, self.sag, self.stage = watts, sag, stage
        self.swr, self.swr_over, self.low = swr, swr_over, low

    def volts(self, x):
        return OPEN_V * (1 - self.sag * settling(x, 6.0))

    def power(self, x):
        return self.watts * (1 - self.stage * settling(x, 9.0)) * (self.volts(x) / OPEN_V) ** 2


def session(keyings, cause, seed=0, celsius=None, slow=0.0, volts_noise=0.6):
    """Watts, hertz, plate voltage, reflected power and a thermometer of what was keyed; ``slow``: of correlated noise.

    ``cause`` is one for all keyings, or one for each.
    """
    causes = cause if isinstance(cause, list) else [cause] * len(keyings)
    made = Synthetic(keyings, seed=seed, watts_noise=0.3)
    rng = np.random.default_rng(seed + 10_000)
    for name, size in (("power", 0.3 * slow), ("frequency", 2.0 * slow)):
        one = made.series[name]
        drawn = lfilter([np.sqrt(1 - 0.8**2)], [1, -0.8], rng.standard_normal(len(one)))
        made.series[name] = RawSeries(name, one.t_ns, one.value + size * drawn, one.state, one.took_us)
    total_s = max(k.start_s + k.lasts_s for k in keyings)

    def plate(t):
        volts = np.full_like(t, 900.0)
        for k, one in zip(keyings, causes, strict=True):
            at = k.inside(t)
            volts[at] = one.volts(t[at] - k.start_s)
        return volts / 100  # of the probe

    def reflected(t):
        watts = np.zeros_like(t)
        for k, one in zip(keyings, causes, strict=True):
            at = k.inside(t)
            x = t[at] - k.start_s
            grown = one.swr[0] + (one.swr[1] - one.swr[0]) * x / k.lasts_s
            grown += (one.swr_over[1] - one.swr_over[0]) * t[at] / total_s
            watts[at] = k.watts(x) * ((grown - 1) / (grown + 1)) ** 2
        return watts

    made.add("plate", 1.0, plate, volts_noise / 100).add("reflected", 0.2, reflected, 0.02)
    return made.add("chassis", 2.0, celsius or (lambda t: 23 + 8 * settling(t, 1800.0)), 0.05)


def swept(cause, seed=0, **more):
    """The five bands, 20 s each."""
    causes = cause if isinstance(cause, list) else [cause] * 5
    keyings = [
        Keying(5 + 30 * i, 20, one.power, lambda x, hz=band.expected_hz: np.full_like(x, hz + 5))
        for i, (band, one) in enumerate(zip(FIVE.bands, causes, strict=True))
    ]
    return session(keyings, causes, seed, **more)


def soaked(cause, seed=0, n=12, hertz=lambda t: 40 * np.exp(-t / 600), **more):
    """``n`` cycles of 60 s down and 120 s up on 40 m; ``hertz`` of session time, off the dial."""
    causes = cause if isinstance(cause, list) else [cause] * n
    keyings = [
        Keying(10 + 180.0 * i, 60, one.power, lambda x, start=10 + 180.0 * i: 7.1e6 + hertz(x + start))
        for i, one in enumerate(causes)
    ]
    return session(keyings, causes, seed, **more)


def lost(before, after):
    return 100 * (1 - after / before)


def at_window(curve, lasts_s=20):
    """At the window's start and end."""
    return curve(np.array([2.0, lasts_s - 0.5]))


# The parts of a droop.


def percent(value, u):
    return Measured(value, u, 20.0, (Component(u, 20.0, "scatter", "A"),))


@given(st.floats(0, 60), st.floats(-5, 30), st.floats(0.01, 1), st.floats(0.01, 1))
def test_the_parts_multiply_to_the_droop_and_carry_its_uncertainty(droop, volts, u_power, u_volts):
    supply, stage = split(percent(droop, u_power), percent(volts, u_volts))
    assert (1 - supply.value / 100) * (1 - stage.value / 100) == pytest.approx(1 - droop / 100)
    assert supply.value == pytest.approx(lost(1.0, (1 - volts / 100) ** 2))

    def stage_of(d, v):
        return split(percent(d, u_power), percent(v, u_volts))[1].value

    h = 1e-4
    by_power = (stage_of(droop + h, volts) - stage_of(droop - h, volts)) / (2 * h) * u_power
    by_volts = (stage_of(droop, volts + h) - stage_of(droop, volts - h)) / (2 * h) * u_volts
    assert stage.u == pytest.approx(np.hypot(by_power, by_volts), rel=1e-4)


def test_a_tired_supply():
    """Plate voltage falls by 10 % for good: nothing but the supply, on every band that is too much for its limit."""
    cause = Cause(sag=0.10, stage=0.0)
    analysis = swept(cause, seed=1).analysed(FIVE, FULL)
    told = found(analysis, "supply-sag")
    assert [f.band for f in told] == [band.name for band in FIVE.bands]
    assert found(analysis, "output-stage") == []
    truth = lost(*at_window(cause.volts) ** 2)
    for f in told:
        assert f.value == pytest.approx(truth, abs=f.expanded)
        assert f.expanded < 1
        assert "follows the plate supply (82" in f.text
        assert "square of the plate voltage (common practice)" in f.text
    first = told[0]
    assert (first.from_ns / 1e9, first.to_ns / 1e9) == (pytest.approx(7, abs=0.3), pytest.approx(24.5, abs=0.3))
    assert first.text.startswith("80 m: of 13.")


def test_a_tired_output_stage():
    """The supply falls as well, for certain, but by less than a fifth of the droop."""
    cause = Cause(sag=0.012, stage=0.2)
    analysis = swept(cause, seed=1).analysed(FIVE, FULL)
    told = found(analysis, "output-stage")
    assert len(told) == 5
    assert found(analysis, "supply-sag") == []
    truth = lost(*(at_window(cause.power) / at_window(cause.volts) ** 2))
    assert sum(abs(f.value - truth) <= f.expanded for f in told) >= 4
    assert all("is the output stage: what is left without the" in f.text for f in told)


def test_a_voltmeter_too_noisy_to_tell_blames_no_supply():
    """About a fifth of the droop follows the supply, but the readings scatter by 1 %: the interval reaches below."""
    analysis = swept(Cause(sag=0.03, stage=0.2), volts_noise=8.0).analysed(FIVE, FULL)
    assert found(analysis, "droop")
    assert found(analysis, "supply-sag") == []


def test_both_are_told_with_their_parts():
    cause = Cause(sag=0.05, stage=0.08)
    analysis = swept(cause, seed=2).analysed(FIVE, FULL)
    supply, stage = found(analysis, "supply-sag"), found(analysis, "output-stage")
    assert [f.band for f in supply] == [f.band for f in stage]
    assert len(supply) >= 3
    volts, watts = lost(*at_window(cause.volts) ** 2), lost(*at_window(cause.power))
    rest = 100 * (1 - (1 - watts / 100) / (1 - volts / 100))
    assert supply[0].value == pytest.approx(volts, abs=1.2 * supply[0].expanded)
    assert stage[0].value == pytest.approx(rest, abs=1.2 * stage[0].expanded)


def test_without_plate_voltage_nothing_is_said_of_it():
    made = swept(Cause(sag=0.1, stage=0.1))
    del made.series["plate"]
    analysis = made.analysed(FIVE, FULL)
    assert found(analysis, "droop")
    assert found(analysis, "supply-sag") == found(analysis, "output-stage") == []


@pytest.mark.parametrize("name", ["power", "plate"])
def test_readings_over_range_explain_nothing(name):
    made = swept(Cause(sag=0.1, stage=0.1)).spoil(name, 10, 12.5, State.OVER_RANGE)
    told = {f.band for f in made.analysed(FIVE, FULL).record.findings if f.kind in ("supply-sag", "output-stage")}
    assert "80 m" not in told
    assert "40 m" in told


def test_too_few_voltages_explain_nothing():
    made = swept(Cause(sag=0.1)).spoil("plate", 7, 21.5, State.MISSED)
    told = {f.band for f in found(made.analysed(FIVE, FULL), "supply-sag")}
    assert "80 m" not in told
    assert "40 m" in told


@settings(max_examples=8)
@given(st.floats(0.5, 1.5), st.floats(0.5, 1.5))
def test_gains_of_the_meters_do_not_matter(watts_gain, volts_gain):
    plain, scaled = swept(Cause(sag=0.05, stage=0.1)), swept(Cause(sag=0.05, stage=0.1))
    for name, gain in (("power", watts_gain), ("reflected", watts_gain), ("plate", volts_gain)):
        one = scaled.series[name]
        scaled.series[name] = RawSeries(name, one.t_ns, one.value * gain, one.state, one.took_us)
    free = plan(*(f"{band.name}: {band.expected_hz / 1e6} MHz, min_power 40 W" for band in FIVE.bands))
    before, after = (one.analysed(free, bench(more=BRIDGE)).record.findings for one in (plain, scaled))
    assert before
    for first, second in zip(before, after, strict=True):
        assert (first.kind, first.band) == (second.kind, second.band)
        assert second.value == pytest.approx(first.value, rel=1e-6)
        assert second.expanded == pytest.approx(first.expanded, rel=1e-6)


def test_without_a_limit_only_a_droop_beyond_five_percent_is_explained():
    small, large = soaked(Cause(stage=0.04), n=1), soaked(Cause(stage=0.15), n=1)
    assert found(small.analysed(FREE, FULL), "output-stage") == []
    (told,) = found(large.analysed(FREE, FULL), "output-stage")
    assert told.band == "40 m"


def test_a_run_whose_power_falls_with_the_supply():
    """Each key-down starts with less plate voltage than the one before: 850 V at first, 7 % less in the end."""

    class Falling(Cause):
        def __init__(self, i):
            super().__init__(sag=0.0, stage=0.005)
            self.left = 1 - 0.07 * i / 11

        def volts(self, x):
            return OPEN_V * self.left + 0 * x

    analysis = soaked([Falling(i) for i in range(12)]).analysed(FORTY, FULL, kind="soak")
    (told,) = found(analysis, "supply-sag")
    assert told.value == pytest.approx(lost(1.0, 0.93**2), abs=told.expanded)
    assert told.text.startswith("40 m, from the first key-down to the last: of 13.")
    assert "less power" in told.text
    assert (told.from_ns / 1e9, told.to_ns / 1e9) == (pytest.approx(12, abs=1), pytest.approx(2049.5, abs=1))


def test_power_that_is_lacking_because_the_supply_falls():
    """Droop passes, power does not: of what it lacks, the supply's fall within the key-down is measured."""
    cause = Cause(watts=106.0, sag=0.05, stage=0.0)
    analysis = soaked(cause, n=3).analysed(FORTY, bench(more=BRIDGE), kind="soak")
    assert [f.kind for f in analysis.record.findings] == ["low-power", "supply-sag"]
    told = analysis.record.findings[1]
    x = np.linspace(2, 59.5, 2001)
    kept = np.mean((cause.volts(x) / cause.volts(2.0)) ** 2)
    mean = np.mean(cause.power(x))
    assert told.value == pytest.approx(mean * (1 / kept - 1), abs=told.expanded)  # of 100 W
    assert "power lacking to 100 W" in told.text


def test_what_a_droop_explains_is_not_told_again_for_the_power():
    analysis = soaked(Cause(watts=100.0, sag=0.12, stage=0.0), n=1).analysed(FORTY, FULL, kind="soak")
    assert [f.kind for f in analysis.record.findings] == ["low-power", "droop", "supply-sag"]


# The match.


def test_a_load_that_heats_up():
    analysis = swept(Cause(swr=(1.2, 1.6)), seed=3).analysed(FIVE, FULL)
    told = found(analysis, "mismatch")
    assert [f.band for f in told] == [band.name for band in FIVE.bands]
    before, after = (((s - 1) / (s + 1)) ** 2 * 100 for s in (1.24, 1.59))
    for f in told:
        assert f.value == pytest.approx(after - before, abs=f.expanded)
        assert f.channel == "reflected"
        assert "SWR 1.24 to 1.59" in f.text
        assert "looks like droop" in f.text


def test_the_rises_interval_is_as_wide_as_its_errors():
    """Without gains to know, U is what the readings' noise does: about twice its root mean square."""
    truth = np.diff([100 * ((s - 1) / (s + 1)) ** 2 for s in (1.24, 1.59)])[0]
    told = [
        f
        for seed in range(6)
        for f in found(swept(Cause(swr=(1.2, 1.6)), seed).analysed(FIVE, bench(more=BRIDGE)), "mismatch")
    ]
    assert len(told) == 30
    errors, guards = np.array([f.value - truth for f in told]), np.array([f.expanded for f in told])
    assert 1.4 < np.sqrt(np.mean(guards**2) / np.mean(errors**2)) < 3.5


def test_a_match_that_gets_worse_from_key_down_to_key_down():
    analysis = soaked(Cause(swr=(1.1, 1.1), swr_over=(1.1, 1.5))).analysed(FORTY, FULL, kind="soak")
    (told,) = found(analysis, "mismatch")
    assert "from the first key-down to the last: SWR 1.1" in told.text
    assert told.to_ns > told.from_ns + 1.9e12


def test_what_little_a_match_changes_is_no_finding():
    assert found(swept(Cause(swr=(1.20, 1.25))).analysed(FIVE, FULL), "mismatch") == []
    assert found(swept(Cause(swr=(1.6, 1.2))).analysed(FIVE, FULL), "mismatch") == []  # it gets better


def test_a_meter_too_coarse_for_the_match_says_nothing():
    """1 W a step: 0 W at first and 1 W later, where 0.4 W became 0.6 W."""
    made = swept(Cause(watts=125.0, swr=(1.12, 1.149)))
    one = made.series["reflected"]
    made.series["reflected"] = RawSeries("reflected", one.t_ns, np.round(one.value), one.state, one.took_us)
    assert len(np.unique(made.series["reflected"].value)) > 1
    assert found(made.analysed(FIVE, FULL), "mismatch") == []


def test_with_a_changing_match_the_output_stage_is_not_blamed_alone():
    analysis = swept(Cause(stage=0.2, swr=(1.2, 1.8))).analysed(FIVE, FULL)
    assert all("the output stage, or the match that changed" in f.text for f in found(analysis, "output-stage"))
    assert found(analysis, "output-stage")


def test_reflected_power_over_range_says_nothing_of_the_match():
    made = swept(Cause(swr=(1.2, 1.8))).spoil("reflected", 10, 12, State.OVER_RANGE)
    told = {f.band for f in found(made.analysed(FIVE, FULL), "mismatch")}
    assert told == {"40 m", "20 m", "15 m", "10 m"}


# The temperature.


def hump(t):
    """The chassis warms up by 20 K and cools again: no curve in time alone does so."""
    return 23 + 20 * np.sin(np.pi * t / 1500) ** 2


def follows(analysis):
    return [f for f in found(analysis, "drift") if f.channel == "chassis"]


def test_a_frequency_that_follows_the_temperature():
    made = soaked(Cause(), hertz=lambda t: -12.0 * (hump(t) - 23), celsius=hump)
    (told,) = follows(made.analysed(FORTY, FULL, kind="soak"))
    assert told.value == pytest.approx(-12, abs=1.5 * told.expanded)
    assert told.expanded < 0.2
    assert told.text.startswith("40 m: the frequency follows chassis (23")
    assert "100 % of the drift" in told.text
    assert "caus" not in told.text


def test_two_curves_that_only_rise_together_are_not_said_to_follow():
    for tau_s in (300.0, 900.0):
        made = soaked(
            Cause(),
            hertz=lambda t, tau_s=tau_s: 300 * settling(t, tau_s),
            celsius=lambda t, tau_s=tau_s: 23 + 20 * settling(t, tau_s),
        )
        assert follows(made.analysed(FORTY, FULL, kind="soak")) == []


@pytest.mark.parametrize(
    ("hertz", "celsius"),
    [
        (lambda t: -12.0 * (hump(t) - 23), lambda t: 23 + 0.05 * (hump(t) - 23)),  # 1 K is nothing to go by
        (lambda t: -2.0 * (hump(t) - 23), hump),  # 40 Hz, of a tolerance of 300 Hz
        (lambda t: 200 * np.sin(t / 400), hump),  # moves, but otherwise
        (lambda t: -12.0 * (hump(t) - 23) + 150 * np.sin(t / 3), hump),  # most of it is something else
    ],
)
def test_nothing_is_said_to_follow_without_clear_evidence(hertz, celsius):
    assert follows(soaked(Cause(), hertz=hertz, celsius=celsius).analysed(FORTY, FULL, kind="soak")) == []


def test_without_a_thermometer_or_where_it_was_silent_nothing_follows():
    made = soaked(Cause(), hertz=lambda t: -12.0 * (hump(t) - 23), celsius=hump)
    silent = soaked(Cause(), hertz=lambda t: -12.0 * (hump(t) - 23), celsius=hump)
    silent.spoil("chassis", 60, 5000, State.MISSED)
    assert follows(silent.analysed(FORTY, FULL, kind="soak")) == []
    del made.series["chassis"]
    assert follows(made.analysed(FORTY, FULL, kind="soak")) == []


def test_frequencies_far_from_any_temperature_are_left_out():
    """The thermometer is silent from 400 s to 1500 s: no temperature is made up for the key-downs between."""
    made = soaked(Cause(), hertz=lambda t: -12.0 * (hump(t) - 23), celsius=hump).spoil(
        "chassis", 400, 1500, State.MISSED
    )
    analysis = made.analysed(FORTY, FULL, kind="soak")
    both = together(OnBand(FORTY.bands[0], analysis.key_downs, analysis.series, FULL))
    assert not np.any((both.t_s > 410) & (both.t_s < 1490))
    assert np.any(both.t_s < 400)
    assert np.any(both.t_s > 1500)


@settings(max_examples=6)
@given(st.floats(-50, 200))
def test_where_the_thermometers_zero_lies_does_not_matter(shift):
    made = soaked(Cause(), hertz=lambda t: -12.0 * (hump(t) - 23), celsius=hump)
    one = made.series["chassis"]
    before = follows(made.analysed(FORTY, FULL, kind="soak"))[0]
    made.series["chassis"] = RawSeries("chassis", one.t_ns, one.value + shift, one.state, one.took_us)
    after = follows(made.analysed(FORTY, FULL, kind="soak"))[0]
    assert after.value == pytest.approx(before.value, rel=1e-6)
    assert after.expanded == pytest.approx(before.expanded, rel=1e-4)


# Healthy sets.


@pytest.mark.parametrize("slow", [0.0, 2.0])
def test_healthy_sets_have_nothing_to_diagnose(slow):
    """1 % of supply sag, 2 % of droop, warm-up, correlated noise; the long form had 0 findings in 2100 sessions."""
    for seed in range(4):
        cause = Cause(sag=0.005, stage=0.01)
        for analysis in (
            swept(cause, seed, slow=slow).analysed(FIVE, FULL),
            soaked(cause, seed, n=8, slow=slow).analysed(FORTY, FULL, kind="soak"),
            soaked(cause, seed, n=8, slow=slow).analysed(FREE, FULL, kind="soak"),
        ):
            assert [f.text for f in analysis.record.findings if f.kind in DIAGNOSED] == []


@pytest.mark.parametrize("slow", [0.0, 2.0])
def test_planted_causes_are_found_with_intervals_that_hold_the_truth(slow):
    """Where the droop is known to a third; the long form: 459 of 482 and 471 of 494 intervals held it (95 %)."""
    held = told = 0
    for seed in range(6):
        rng = np.random.default_rng(seed)
        for kind, cause in (
            ("supply-sag", Cause(sag=rng.uniform(0.07, 0.12), stage=rng.uniform(0, 0.015))),
            ("output-stage", Cause(sag=rng.uniform(0, 0.005), stage=rng.uniform(0.14, 0.3))),
        ):
            analysis = swept(cause, seed, slow=slow).analysed(FIVE, FULL)
            volts, watts = at_window(cause.volts), at_window(cause.power)
            truth = lost(*volts**2) if kind == "supply-sag" else lost(*(watts / volts**2))
            by_band = {f.band: f for f in found(analysis, kind)}
            for band in analysis.record.bands:
                droop = band.droop_percent
                if droop.verdict != "pass" and droop.value >= 3 * droop.expanded:
                    assert band.band in by_band, (seed, kind, band.band)
                    told += 1
                    held += abs(by_band[band.band].value - truth) <= by_band[band.band].expanded
    assert told >= 50
    assert held >= 0.88 * told, (held, told)  # 60 draws of 95 %: below 53 once in 100

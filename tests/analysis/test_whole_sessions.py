"""Whole sessions with planted truth, from raw series to the record."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchlog.analysis.corrections import correct_all
from benchlog.analysis.keydowns import Span
from benchlog.analysis.measure import measure_key_down
from benchlog.model import Event, State
from benchlog.series import RawSeries
from tests.analysis.synthetic import (
    CODE,
    FIVE,
    Keying,
    Synthetic,
    band,
    bench,
    facts,
    kinds,
    level,
    plan,
    raw,
    slots,
    sweep,
)
from tests.benches import analysed, plan_of

FIVE_PERCENT = 'of_range = "5 %"'


# Common practice, no source (facts of the trade).


@pytest.mark.parametrize("accuracy", ["", FIVE_PERCENT])
def test_a_healthy_transmitter_passes_on_every_band(accuracy):
    """Rated 100 W, 90 W on 15 m, 80 W on 10 m; shows 140, 140, 125, 110, 100 W on a 250 W element."""
    record = sweep([140, 140, 125, 110, 100]).analysed(the_bench=bench(accuracy)).record
    assert [b.power_w.verdict for b in record.bands] == ["pass"] * 5
    assert [b.power_w.limit for b in record.bands] == [100, 100, 100, 90, 80]
    guard = 1.96 * 12.5 / math.sqrt(3) if accuracy else 0.0
    for found, watts in zip(record.bands, [140, 140, 125, 110, 100], strict=True):
        assert found.power_w.value == pytest.approx(watts, abs=0.2)
        assert found.power_w.expanded == pytest.approx(guard, abs=0.2)
    assert kinds(sweep([140, 140, 125, 110, 100]).analysed(the_bench=bench(accuracy))) == []


def test_thirty_hertz_low_on_ten_metres_is_one_ppm():
    """28.29997 MHz against a dial of 28.300 MHz is -30 Hz, -1.06 ppm."""
    quiet = sweep([120] * 5, [0, 0, 0, 0, -30], hertz_noise=0.0)
    found = band(quiet.analysed(), "10 m")
    assert found.frequency_error_hz.value == pytest.approx(-30, abs=1e-6)
    assert round(found.frequency_error_ppm.value, 2) == -1.06
    assert found.frequency_error_ppm.limit == pytest.approx(300 / 28.3)


def test_a_dial_counted_from_its_segments_edge():
    """Segment 14.2 MHz, reading 100 kHz: 14.300 MHz."""
    text = FIVE.source.text.replace('dial = "14.200 MHz"', 'segment = "14.2 MHz"\nreading = "100 kHz"')
    counted = plan_of(text)
    found = band(sweep([120] * 5, the_plan=counted, hertz_noise=0.0).analysed(counted), "20 m")
    assert found.expected_hz == 14.3e6
    assert found.frequency_error_hz.value == pytest.approx(0, abs=1e-6)


def test_a_tone_in_a_sideband_shifts_what_is_expected():
    usb = plan("20 m: 14.200 MHz, min_power 100 W, mode usb, tone 1 kHz")
    quiet = Synthetic([Keying(5, 20, level(120.0), level(14.201e6 + 12))], hertz_noise=0.0)
    assert band(quiet.analysed(usb), "20 m").frequency_error_hz.value == pytest.approx(12)


# Planted truth.


def test_five_bands_with_everything_planted():
    powers, errors, share, tau = [140, 130, 125, 74, 100], [-30, -25, -35, -31, 400], 0.06, 6.0
    analysis = sweep(powers, errors, droop=share, tau_s=tau, seed=3).analysed()
    record = analysis.record
    assert [k.band for k in analysis.key_downs] == [b.name for b in FIVE.bands]
    for found, watts, error in zip(record.bands, powers, errors, strict=True):
        # Window: 2 s after the key went down to 0.5 s before it goes up.
        at = np.linspace(2, 19.5, 2001)
        curve = watts * (1 - share * -np.expm1(-at / tau))
        assert found.key_downs == 1
        assert found.power_w.value == pytest.approx(curve.mean(), abs=0.15)
        assert found.droop_percent.value == pytest.approx(100 * (1 - curve[-1] / curve[0]), abs=0.5)
        assert found.frequency_error_hz.value == pytest.approx(error, abs=2)
        assert found.drift_hz_per_h.verdict == "not-measured"
        assert found.settled_after_s is None
    assert [b.power_w.verdict for b in record.bands] == ["pass", "pass", "pass", "fail", "pass"]
    assert [b.frequency_error_hz.verdict for b in record.bands] == ["pass"] * 4 + ["fail"]
    assert record.dial.common_hz.value == pytest.approx(-30, abs=2)
    assert record.dial.own_hz["10 m"].value == pytest.approx(430, abs=3)
    assert kinds(analysis) == ["low-power", "frequency-error", "band-crystal"]
    assert record.findings[0].text == "15 m makes 70.621 ± 0.079 W against 90 W"


def test_every_slot_is_counted_once():
    session = sweep([120] * 5)
    session.spoil("power", 8, 9, State.MISSED).spoil("plate", 40, 49.9, State.INVALID).spoil(
        "power", 70, 71, State.OVER_RANGE
    )
    total = sum(len(one) for one in session.series.values())
    readings = session.analysed().record.readings
    assert sum(readings.values()) == total
    assert (readings["missed"], readings["over_range"]) == (5, 5)


def test_a_dial_off_on_every_band():
    analysis = sweep([120] * 5, [500, 490, 505, 510, 495]).analysed()
    assert [f.kind for f in analysis.record.findings].count("dial") == 1
    assert "band-crystal" not in kinds(analysis)
    dial = next(f for f in analysis.record.findings if f.kind == "dial")
    assert dial.value == pytest.approx(500, abs=3)
    assert dial.text.startswith("All bands share an error of 499.73 ± 0.")


def test_a_soak_has_drift_settling_and_the_worst_droop():
    """Eight hours would be slow to build; 80 minutes of the same cycle show it."""
    drifting = plan(
        "40 m: 7.100 MHz, min_power 100 W, max_droop 10 %, max_frequency_error 300 Hz, max_drift 20 Hz/h",
        "20 m: 14.200 MHz, min_power 100 W",
    )
    keyings = []
    for i in range(27):
        start = 10 + 180.0 * i
        share = 0.15 if i == 20 else 0.05
        keyings.append(
            Keying(
                start,
                60,
                lambda x, share=share: 120 * (1 - share * -np.expm1(-x / 10)),
                lambda x, start=start: 7.1e6 + 30 * (x + start) / 3600 + 200 * np.exp(-(x + start) / 300),
            )
        )
    record = Synthetic(keyings, seed=2).analysed(drifting, kind="soak").record
    (heard,) = record.bands  # the plan's other bands are not what a heat run is about
    assert heard.key_downs == 27
    at = np.array([2, 59.5])
    worst = 120 * (1 - 0.15 * -np.expm1(-at / 10))
    assert heard.droop_percent.value == pytest.approx(100 * (1 - worst[1] / worst[0]), abs=0.4)
    assert heard.droop_percent.verdict == "fail"
    # 200 exp(-t / 300) + 30 t / 3600 is within 75 Hz of its end, 40.8 Hz, from 166 s on; the key is up until 190 s.
    assert heard.settled_after_s == pytest.approx(192, abs=0.5)
    assert heard.drift_hz_per_h.limit == 20.0
    assert record.dial is None


def test_drift_of_a_soak_holds_the_truth():
    straight = plan("40 m: 7.100 MHz, min_power 100 W, max_drift 20 Hz/h")
    keyings = [
        Keying(10 + 180.0 * i, 60, level(120.0), lambda x, i=i: 7.1e6 + 30 * (x + 10 + 180 * i) / 3600)
        for i in range(20)
    ]
    found = Synthetic(keyings).analysed(straight, kind="soak").record.bands[0].drift_hz_per_h
    assert found.value == pytest.approx(30, abs=found.expanded)
    assert found.expanded < 2
    assert found.verdict == "fail"


def test_a_watch_tells_only_of_bands_heard():
    record = Synthetic([Keying(5, 6, level(120.0), level(14.2e6))]).analysed(kind="watch").record
    assert [(b.band, b.key_downs) for b in record.bands] == [("20 m", 1)]


def test_tuning_is_kept_and_shown_and_in_no_result():
    keyings = [Keying(5, 8, level(30.0), level(7.1e6)), Keying(30, 20, level(120.0), level(7.1e6))]
    analysis = Synthetic(keyings).analysed()
    assert [(k.band, k.counts) for k in analysis.key_downs] == [("40 m", False), ("40 m", True)]
    assert analysis.key_downs[0].power_w == pytest.approx(30, abs=0.5)
    found = band(analysis, "40 m")
    assert (found.key_downs, found.power_w.verdict) == (1, "pass")
    watched = band(Synthetic(keyings).analysed(kind="watch"), "40 m")
    assert watched.key_downs == 2


def test_power_is_the_mean_over_all_windows_of_the_band():
    keyings = [Keying(5, 20, level(120.0), level(7.1e6)), Keying(40, 12.5, level(90.0), level(7.1e6))]
    found = band(Synthetic(keyings).analysed(), "40 m")
    assert found.power_w.value == pytest.approx((17.5 * 120 + 10 * 90) / 27.5, abs=0.3)


def test_off_every_band_is_said():
    analysis = sweep([120] * 5, [0, 0, 400e3, 0, 0]).analysed()
    assert analysis.key_downs[2].band is None
    stray = next(f for f in analysis.record.findings if f.kind == "frequency-error")
    assert (stray.band, stray.value) == (None, pytest.approx(14.6e6, abs=5))
    assert "14.6 MHz" in stray.text
    assert "no band" in stray.text
    assert band(analysis, "20 m").power_w.verdict == "not-measured"


def test_without_limits_there_is_nothing_to_miss():
    bare = plan("40 m: 7.100 MHz, min_power 100 W", "20 m: 14.200 MHz, min_power 100 W")
    heard, silent = Synthetic([Keying(5, 20, level(120.0), level(7.1e6))]).analysed(bare).record.bands
    assert (heard.droop_percent.limit, heard.droop_percent.verdict) == (None, "pass")
    assert (heard.frequency_error_hz.limit, heard.frequency_error_hz.verdict) == (None, "pass")
    assert (silent.droop_percent.limit, silent.droop_percent.verdict) == (None, "not-measured")


def test_limits_are_shown_as_the_plan_wrote_them():
    odd = plan("40 m: 7.1 MHz, min_power 100 W, max_droop 7 %, max_frequency_error 30 ppm, max_drift 200 Hz/h")
    found = Synthetic([Keying(5, 20, level(120.0), level(7.1e6))]).analysed(odd).record.bands[0]
    limits = [r.limit for r in found.results.values()]
    assert limits[:5] == [100.0, 7.0, 213.0, 30.0, 200.0]


# Over range, gaps, single readings: nothing passes silently.


@pytest.mark.parametrize("watts", [200, 90])
def test_over_range_in_a_window_decides_nothing(watts):
    session = sweep([watts] * 5).spoil("power", 10, 12, State.OVER_RANGE)
    analysis = session.analysed()
    found = band(analysis, "80 m")
    assert found.power_w.verdict == "undecided"
    assert found.droop_percent.verdict == "undecided"
    over = next(f for f in analysis.record.findings if f.kind == "over-range")
    assert (over.band, over.channel, over.value) == ("80 m", "power", 10)
    assert [k.band for k in analysis.key_downs] == [b.name for b in FIVE.bands]  # over range is above any threshold
    assert band(analysis, "40 m").power_w.verdict == ("pass" if watts == 200 else "fail")


def test_a_key_down_without_power_readings_in_its_window_decides_nothing():
    """Over range all through: a key-down for certain, of unknown power."""
    found = band(sweep([200] * 5).spoil("power", 5, 25, State.OVER_RANGE).analysed(), "80 m")
    assert (found.key_downs, found.power_w.verdict, found.power_w.value) == (1, "not-measured", None)
    assert found.droop_percent.verdict == "not-measured"


def test_the_worst_droop_is_not_known_while_one_key_down_has_none():
    keyings = [Keying(5, 20, level(120.0), level(7.1e6)), Keying(40, 20, level(120.0), level(7.1e6))]
    key = [Event(round(t * 1e9), "key", "", data={"down": down}) for t, down in ((5, 1), (25, 0), (40, 1), (60, 0))]
    found = band(Synthetic(keyings).spoil("power", 46, 60, State.MISSED).analysed(events=key), "40 m")
    assert (found.key_downs, found.power_w.verdict, found.droop_percent.verdict) == (2, "pass", "undecided")
    whole = band(Synthetic(keyings).analysed(events=key), "40 m")
    assert whole.droop_percent.verdict == "pass"
    falling = Synthetic([keyings[0], Keying(40, 20, lambda x: 140 - 2 * x, level(7.1e6))])
    lost = falling.spoil("power", 10, 25, State.MISSED).analysed(events=key)
    assert band(lost, "40 m").droop_percent.verdict == "fail"  # one is too much, whatever the other did


def test_a_frequency_that_moves_within_a_window_is_not_noise():
    moving = Synthetic([Keying(5, 20, level(120.0), lambda x: 7.1e6 + 10 * (x - 10.75))])
    found = band(moving.analysed(), "40 m").frequency_error_hz
    assert found.value == pytest.approx(0, abs=3)  # half a period's worth of 10 Hz/s at each end of the window
    assert found.expanded < 2


def test_a_single_frequency_reading_is_undecided():
    session = sweep([120] * 5)
    one = session.series["frequency"]
    kept = np.flatnonzero((one.t_ns > 15e9) & (one.t_ns < 15.5e9))[:1]
    session.series["frequency"] = RawSeries(
        "frequency", one.t_ns[kept], one.value[kept], one.state[kept], one.took_us[kept]
    )
    found = band(session.analysed(), "80 m").frequency_error_hz
    assert found.value == pytest.approx(0, abs=10)
    assert (found.expanded, found.k, found.verdict) == (None, None, "undecided")


@given(
    st.lists(
        st.tuples(st.floats(0, 160), st.floats(0.1, 40), st.sampled_from([State.MISSED, State.INVALID])), max_size=3
    ),
    st.sampled_from(["power", "frequency"]),
    st.sampled_from([101.0, 100.05, 99.95]),
)
@settings(max_examples=40)
def test_losing_readings_never_passes_silently(holes, name, watts):
    """Where a verdict got better by readings that went away, a finding tells of the gap."""
    before = sweep([watts] * 5, [0, 0, 0, 0, 299.5], droop=0.04)
    after = sweep([watts] * 5, [0, 0, 0, 0, 299.5], droop=0.04)
    for from_s, lasts_s, state in holes:
        after.spoil(name, from_s, from_s + lasts_s, state)
    first, second = before.analysed(), after.analysed()
    for found, other in zip(first.record.bands, second.record.bands, strict=True):
        for key, result in found.results.items():
            if result.verdict != "pass" and other.results[key].verdict == "pass":
                assert any(f.kind == "gap" and f.channel == name for f in second.record.findings)
    if name == "power":
        lost = int(np.count_nonzero(after.series["power"].state))
        assert sum(f.value or 0 for f in second.record.findings if f.kind == "gap" and f.channel == "power") == lost


# The same readings, said otherwise.


def test_the_order_of_channels_and_events_does_not_matter():
    session = sweep([120] * 5)
    turned = dict(reversed(session.series.items()))
    assert analysed(facts(), bench(), FIVE, turned).record == session.analysed().record


def test_the_record_of_a_long_session_does_not_hang_on_the_number_of_cores(monkeypatch):
    session = sweep([140, 130, 125, 74, 100], [-30, -25, -35, -31, 400], droop=0.06, seed=3)
    found = []
    for hands in (1, 3):
        monkeypatch.setattr("benchlog.analysis.analyse.LONG", 0)
        monkeypatch.setattr("benchlog.cores.cores", lambda hands=hands: hands)
        found.append(session.analysed().record)
    assert found[0] == found[1]


def test_milliwatts_are_watts():
    watts = sweep([120] * 5, droop=0.05)
    milli = sweep([120] * 5, droop=0.05)
    one = milli.series["power"]
    milli.series["power"] = RawSeries("power", one.t_ns, one.value * 1000, one.state, one.took_us)
    for found, other in zip(
        watts.analysed(the_bench=bench(FIVE_PERCENT)).record.bands,
        milli.analysed(the_bench=bench(FIVE_PERCENT, power_unit="mW")).record.bands,
        strict=True,
    ):
        for key, result in found.results.items():
            assert other.results[key].verdict == result.verdict
            if result.value is not None:
                assert other.results[key].value == pytest.approx(result.value, rel=1e-9)
                assert other.results[key].expanded == pytest.approx(result.expanded, rel=1e-6)


@given(st.floats(0.01, 100))
@settings(max_examples=10)
def test_a_couplers_factor_is_the_readings_factor(factor):
    """Readings of 1/factor with scale = factor: the same watts; and the accuracy is the instrument's, scaled along."""
    plain = sweep([120] * 5).analysed(the_bench=bench('of_reading = "3 %"'))
    session = sweep([120] * 5)
    one = session.series["power"]
    session.series["power"] = RawSeries("power", one.t_ns, one.value / factor, one.state, one.took_us)
    scaled = session.analysed(the_bench=bench(f'of_reading = "3 %"\nscale = {factor!r}'))
    for found, other in zip(plain.record.bands, scaled.record.bands, strict=True):
        assert other.power_w.value == pytest.approx(found.power_w.value, rel=1e-9)
        assert other.power_w.expanded == pytest.approx(found.power_w.expanded, rel=1e-6)
    twice = sweep([120] * 5).analysed(the_bench=bench('of_range = "5 %"\nscale = 2.0'))
    assert twice.record.bands[0].power_w.expanded == pytest.approx(1.96 * 25 / math.sqrt(3), rel=1e-3)


@given(st.integers(1, 10**14))
@settings(max_examples=10)
def test_results_do_not_depend_on_when_the_session_was(shift_ns):
    session, later = sweep([120] * 5, droop=0.05), sweep([120] * 5, droop=0.05)
    later.series = {
        name: RawSeries(name, one.t_ns + shift_ns, one.value, one.state, one.took_us)
        for name, one in later.series.items()
    }
    for found, other in zip(session.analysed().record.bands, later.analysed().record.bands, strict=True):
        for key, result in found.results.items():
            assert other.results[key].verdict == result.verdict
            if result.value is not None:
                assert other.results[key].value == pytest.approx(result.value, rel=1e-4, abs=1e-4)


def test_one_key_down_live_is_the_same_as_in_the_record():
    """At key-up only the span's own readings are at hand."""
    session = sweep([120] * 5, droop=0.05)
    analysis = session.analysed(the_bench=bench(FIVE_PERCENT))
    for k in analysis.key_downs:
        span = {}
        for name, one in session.series.items():
            at = (one.t_ns >= k.start_s * 1e9 - 1) & (one.t_ns <= k.stop_s * 1e9 + 1)
            span[name] = RawSeries(name, one.t_ns[at], one.value[at], one.state[at], one.took_us[at])
        the_bench = bench(FIVE_PERCENT)
        live = measure_key_down(Span(k.start_s, k.stop_s), correct_all(the_bench, span), the_bench, FIVE, "sweep")
        assert live == k


def test_nothing_at_all():
    for series in ({}, {"power": RawSeries.empty("power")}, {"power": raw("power", slots(0.2, 60, 0), np.zeros(300))}):
        for kind, bands in (("sweep", 5), ("watch", 0), ("import", 0)):
            record = analysed(facts(kind), bench(), FIVE, series).record
            assert len(record.bands) == bands
            assert all(r.verdict == "not-measured" for b in record.bands for r in b.results.values())
            assert record.dial is None
            assert record.as_json()["schema"] == "benchlog-record/1"


def test_all_missed():
    t = slots(0.2, 60, 0)
    missed = raw("power", t, np.full(len(t), np.nan), np.full(len(t), CODE[State.MISSED]))
    analysis = analysed(facts(), bench(), FIVE, {"power": missed})
    assert kinds(analysis) == ["gap"]
    assert analysis.record.findings[0].value == 300
    assert analysis.record.readings == {"good": 0, "over_range": 0, "invalid": 0, "missed": 300}


def test_a_soak_owes_a_result_for_its_band_even_unheard():
    """The plan's soak is on its first band."""
    two = plan("40 m: 7.100 MHz, min_power 100 W", "20 m: 14.200 MHz, min_power 100 W")
    (band,) = Synthetic([], seed=1, lasts_s=60).analysed(two, kind="soak").record.bands
    assert (band.band, band.key_downs, band.power_w.verdict) == ("40 m", 0, "not-measured")

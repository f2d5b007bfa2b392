"""Raw to SI: units, scale, offset, states, suspect spans; tables against frequency, a counter's time base."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchlog.analysis.corrections import correct, correct_all
from benchlog.analysis.keydowns import Span
from benchlog.analysis.measure import measure_key_down
from benchlog.bench import Channel
from benchlog.correction import text_kept
from benchlog.model import Event, State
from benchlog.series import RawSeries
from tests.analysis.synthetic import CODE, FIVE, bench, raw, sweep
from tests.benches import bench_of

GOOD = np.array([CODE[State.GOOD]])


@given(
    st.floats(-80, 80),
    st.sampled_from(
        [("W", "3 W"), ("mW", "2 mW"), ("dBm", "30 dBm"), ("degF", "5 degF"), ("degC", "5 degC"), ("kHz", "2 Hz")]
    ),
    st.floats(0.01, 1000),
)
def test_arrays_are_corrected_as_single_readings_are(value, unit_offset, scale):
    unit, offset = unit_offset
    channel = Channel(name="c", unit=unit, scale=scale, offset=offset)
    series = correct(channel, raw("c", [1.0], [value], GOOD))
    assert series.value[0] == pytest.approx(channel.in_si(value), rel=1e-12, abs=1e-12)


def test_only_good_readings_have_values():
    states = [CODE[s] for s in (State.GOOD, State.OVER_RANGE, State.INVALID, State.MISSED)]
    channel = Channel(name="c", unit="mW", scale=2.0)
    series = correct(channel, raw("c", range(4), [5.0, 6.0, 7.0, 8.0], np.array(states)))
    assert series.value[0] == pytest.approx(0.010)
    assert np.isnan(series.value[1:]).all()
    assert series.state.tolist() == states
    assert series.unit == "W"


def test_a_value_that_overflows_is_invalid():
    channel = Channel(name="c", unit="dBm")
    series = correct(channel, raw("c", [0.0], [1e6], GOOD))
    assert series.state.tolist() == [CODE[State.INVALID]]
    assert np.isnan(series.value).all()


def test_suspect_spans_are_invalid_for_all_channels_of_their_instrument_only():
    whole = sweep([120.0] * 5)
    span = {"from_ns": 10_000_000_000, "to_ns": 12_000_000_000}
    event = Event(12_000_000_000, "suspect", "reply before the question", instrument="wattmeter", data=span)
    analysis = whole.analysed(events=[event])
    power, plate = analysis.series["power"], analysis.series["plate"]
    doubtful = (power.t_s >= 10) & (power.t_s <= 12)
    assert doubtful.sum() == 10
    assert np.isnan(power.value[doubtful]).all()
    assert not np.isnan(power.value[~doubtful]).any()
    assert not np.isnan(plate.value).any()
    plain = whole.analysed()
    assert analysis.record.readings["invalid"] == plain.record.readings["invalid"] + 10
    assert analysis.record.readings["good"] == plain.record.readings["good"] - 10
    gap = next(f for f in analysis.record.findings if f.kind == "gap")
    assert (gap.channel, gap.value) == ("power", 10)
    assert "reply before the question" in gap.text


def test_between_takes_both_ends():
    series = correct(bench().measuring("forward-power"), raw("power", [0.0, 1.0, 2.0, 3.0], [1.0, 2.0, 3.0, 4.0]))
    assert series.between(1.0, 2.0).value.tolist() == [2.0, 3.0]
    assert series.between(5.0, 9.0).value.tolist() == []


# A table against frequency, a counter's time base

TABLE = "frequency,correction,uncertainty\n3.5 MHz,1.02,1 %\n14 MHz,0.99,2 %\n30 MHz,0.95,3 %\n"


def with_table(table=TABLE, frequency="", power_unit="W", more=""):
    text = bench(frequency=frequency, power_unit=power_unit).source.text
    text = text.replace('range = "250 W"', f'range = "250 W"\ncorrection = "coupler.csv"\n{more}')
    return bench_of(text, text_kept({"coupler.csv": table}))


@given(st.lists(st.tuples(st.floats(0, 100), st.floats(1e6, 40e6)), min_size=1, max_size=12, unique_by=lambda p: p[0]))
def test_the_factor_is_that_at_the_frequency_read_nearest_in_time(readings):
    """Against a search through all of them, for as many times as there are."""
    the_bench = with_table()
    at_s, hz = (np.array(part) for part in zip(*sorted(readings), strict=True))
    t_s = np.linspace(-10, 110, 41)
    found = correct_all(the_bench, {"power": raw("power", t_s, [100.0] * 41), "frequency": raw("frequency", at_s, hz)})
    at_s = found["frequency"].t_s
    for t, value in zip(found["power"].t_s, found["power"].value, strict=True):
        away = np.abs(at_s - t)
        assert any(
            value == pytest.approx(the_bench.measuring("forward-power").in_si(100.0, other), rel=1e-12)
            for other in hz[away <= away.min() + 1e-9]
        )


def test_only_good_frequency_readings_count_and_the_bench_files_order_does_not():
    """An invalid reading between two good ones is passed over; power comes before frequency in the file."""
    frequency = raw("frequency", [1.0, 2.0, 3.0], [14e6, 3.5e6, 14e6], np.array([0, CODE[State.INVALID], 0]))
    found = correct_all(with_table(), {"power": raw("power", [2.0], [100.0]), "frequency": frequency})
    assert list(found) == ["power", "frequency"]
    assert found["power"].value.tolist() == [pytest.approx(99.0)]


def test_without_any_frequency_the_largest_factor_stands_as_it_does_for_limits():
    the_bench = with_table()
    silent = raw("frequency", [1.0], [np.nan], np.array([CODE[State.MISSED]]))
    for more in ({}, {"frequency": silent}):
        found = correct_all(the_bench, {"power": raw("power", [2.0, 3.0], [100.0, 50.0])} | more)
        assert found["power"].value.tolist() == pytest.approx([102.0, 51.0])
    assert the_bench.measuring("forward-power").in_si(100.0) == pytest.approx(102.0)


def test_unit_scale_and_offset_come_before_the_factor():
    the_bench = with_table(power_unit="dBm", more='scale = 2.0\noffset = "10 W"')
    found = correct_all(the_bench, {"power": raw("power", [1.0], [50.0]), "frequency": raw("frequency", [1.0], [14e6])})
    assert found["power"].value.tolist() == [pytest.approx((100.0 * 2 + 10) * 0.99)]


def test_a_counters_offset_enters_the_frequency_and_the_error():
    whole = sweep([120.0] * 5, hertz_noise=0.0)
    plain, off = whole.analysed(), whole.analysed(the_bench=bench(frequency='reference_offset = "-2 ppm"'))
    for before, after in zip(plain.record.bands, off.record.bands, strict=True):
        moved = after.frequency_error_hz.value - before.frequency_error_hz.value
        assert moved == pytest.approx(-2e-6 * before.expected_hz, rel=1e-6)


@settings(max_examples=10)
@given(st.floats(0.6, 1.5))
def test_results_follow_the_factor(factor):
    """A table that is the same factor everywhere is a scale: power follows it, droop and frequency do not."""
    whole = sweep([150.0] * 5, droop=0.05)
    table = f"frequency,correction,uncertainty\n1 MHz,{factor!r},0 %\n30 MHz,{factor!r},0 %\n"
    limits = 'of_range = "2 %"\nof_reading = "1 %"\nresolution = "2 W"'
    by_table = whole.analysed(the_bench=with_table(table, more=limits))
    by_scale = whole.analysed(the_bench=bench(power=f"scale = {factor!r}\n{limits}"))
    for one, other in zip(by_table.record.bands, by_scale.record.bands, strict=True):
        assert one.power_w.value == pytest.approx(other.power_w.value, rel=1e-9)
        assert one.power_w.expanded == pytest.approx(other.power_w.expanded, rel=1e-6)
        assert one.droop_percent.value == pytest.approx(other.droop_percent.value, rel=1e-6)
        assert one.droop_percent.expanded == pytest.approx(other.droop_percent.expanded, rel=1e-6)
        assert one.frequency_error_hz == other.frequency_error_hz


def test_each_band_has_its_own_factor_and_what_is_told_live_is_what_the_record_says():
    whole, the_bench = sweep([150.0] * 5), with_table()
    analysis = whole.analysed(the_bench=the_bench)
    for found, before in zip(analysis.record.bands, whole.analysed().record.bands, strict=True):
        expected = the_bench.measuring("forward-power").table.at(found.expected_hz)
        assert found.power_w.value / before.power_w.value == pytest.approx(expected, rel=1e-4)
    for key_down in analysis.key_downs:
        span = {}
        for name, one in whole.series.items():
            at = (one.t_ns >= key_down.start_s * 1e9) & (one.t_ns <= key_down.stop_s * 1e9)
            span[name] = RawSeries(name, one.t_ns[at], one.value[at], one.state[at], one.took_us[at])
        series = correct_all(the_bench, span)
        live = measure_key_down(Span(key_down.start_s, key_down.stop_s), series, the_bench, FIVE, "sweep")
        assert live.power_w == key_down.power_w
        assert live.droop == key_down.droop

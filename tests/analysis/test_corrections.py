"""Raw to SI: units, scale, offset, states, suspect spans."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from synthetic import CODE, bench, raw, sweep

from benchlog.analysis.corrections import correct
from benchlog.bench import Channel
from benchlog.model import Event, State

GOOD = np.array([CODE[State.GOOD]])


@settings(deadline=None)
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

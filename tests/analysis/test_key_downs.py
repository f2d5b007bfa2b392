"""When the key was down: the detector, its array form, the two passes, bands, key lines."""

import time
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as npst

from benchlog.analysis.keydowns import (
    Detector,
    Edge,
    Span,
    band_at,
    counts,
    gap_limit_s,
    key_line_spans,
    power_spans,
    thresholds,
    window_of,
)
from benchlog.model import Event
from tests.analysis.synthetic import FIVE, Keying, Synthetic, bench, level, plan, sweep


def fed(samples, detector=None):
    detector = detector or Detector(10, 5)
    return [edge for t, p in samples if (edge := detector.feed(t, p)) is not None]


def test_an_edge_is_stamped_at_the_first_sample_of_the_agreeing_run():
    samples = [(0.0, 0), (0.1, 50), (0.2, 60), (0.3, 70), (0.4, 80), (2.0, 80), (2.1, 4), (2.2, 1), (2.3, 0), (2.4, 0)]
    assert fed(samples, Detector(10, 5, gap_s=5)) == [Edge(0.1, down=True), Edge(2.1, down=False)]


def test_less_than_agreement_is_nothing():
    assert fed([(0.0, 0), (0.1, 50), (0.3, 50), (0.35, 0), (0.4, 50), (0.6, 50), (0.65, 9), (1.2, 9)]) == []


def test_between_the_thresholds_nothing_changes():
    assert fed([(i / 10, 7) for i in range(30)]) == []
    held = [(i / 10, 50) for i in range(10)] + [(1 + i / 10, 7) for i in range(30)]
    assert fed(held) == [Edge(0.0, down=True)]


def test_exactly_the_threshold_does_not_exceed_it():
    assert fed([(i / 10, 10) for i in range(10)]) == []
    assert fed([(i / 10, 50) for i in range(10)] + [(1 + i / 10, 5) for i in range(10)]) == [Edge(0.0, down=True)]


def test_float_times_agree_as_decimals_would():
    """1.4 - 1.1 is a shade less than 0.3."""
    assert fed([(1.1, 50), (1.2, 50), (1.3, 50), (1.4, 50)]) == [Edge(1.1, down=True)]


def test_over_range_is_above_and_missing_is_nothing():
    inf, nan = float("inf"), float("nan")
    assert fed([(0.0, inf), (0.2, nan), (0.4, inf)]) == [Edge(0.0, down=True)]
    assert fed([(0.0, nan), (0.2, nan), (0.4, nan)]) == []


def test_silence_ends_a_key_down_at_the_last_reading_before_it():
    steady = [(i / 10, 50.0) for i in range(20)]
    after = [(5 + i / 10, 50.0) for i in range(20)]
    assert fed(steady + after) == [Edge(0.0, True), Edge(1.9, False), Edge(5.0, True)]
    missing = [(2 + i / 10, float("nan")) for i in range(20)]
    assert fed(steady + missing) == [Edge(0.0, True), Edge(1.9, False)]


def test_agreement_does_not_reach_across_silence():
    assert fed([(0.0, 50), (5.0, 50), (5.1, 0), (5.5, 0)]) == []


def test_thresholds_may_change_on_the_way():
    detector = Detector(1, 0.5)
    fed([(i / 10, 50) for i in range(10)], detector)
    detector.on_w, detector.off_w = 10, 5
    assert fed([(1 + i / 10, 3) for i in range(10)], detector) == [Edge(1.0, down=False)]


@given(
    npst.arrays(
        np.float64, st.integers(0, 60), elements=st.sampled_from([0.0, 4.9, 5.0, 7.0, 10.0, 11.0, np.inf, np.nan])
    ),
    st.lists(st.sampled_from([0.05, 0.1, 0.2, 0.3, 0.9, 1.0, 3.0]), min_size=60, max_size=60),
)
def test_arrays_give_what_samples_give(power, steps):
    """The array form against feeding one by one, with the spans put together here."""
    t = np.cumsum(steps)[: len(power)]
    edges = fed(zip(t.tolist(), power.tolist(), strict=True))
    spans, start = [], None
    for edge in edges:
        if edge.down:
            assert start is None
            start = edge.t_s
        else:
            spans.append(Span(start, edge.t_s))
            start = None
    if start is not None:
        spans.append(Span(start, float(t[~np.isnan(power)][-1])))
    assert power_spans(t, power, 10, 5) == spans
    # Spans are in order, apart, and no usable pair of samples inside is farther apart than the gap.
    for before, after in pairwise(spans):
        assert before.stop_s <= after.start_s
    usable = t[~np.isnan(power)]
    for span in spans:
        inside = usable[(usable >= span.start_s) & (usable <= span.stop_s)]
        assert np.all(np.diff(inside) <= 1.0 + 1e-5)


@given(st.lists(st.sampled_from([0.05, 0.1, 1 / 3, 0.4, 1.0, 3.0]), max_size=12), st.sampled_from([0.1, 0.4, 2.0]))
def test_readings_that_come_more_slowly_than_planned_may_be_away_longer(steps, every_s):
    t = np.cumsum([0.0, *steps])
    own_s = float(np.median(np.diff(t))) if len(steps) > 1 else 0.0
    assert gap_limit_s(t, every_s) == pytest.approx(max(1.0, 3 * every_s, 3 * own_s))


def test_a_million_samples_take_seconds_at_most():
    t = np.arange(1_000_000) / 10
    power = np.where((t % 60) < 20, 100.0, 0.0)
    began = time.perf_counter()
    spans = power_spans(t, power, 10, 5)
    assert len(spans) == 1667
    assert time.perf_counter() - began < 10  # about 0.5 s alone on a slow core


def test_window_leaves_out_settling_and_the_end():
    assert window_of(Span(10, 30), FIVE) == (12, 29.5)
    assert window_of(Span(10, 12.5), FIVE) is None


def test_in_a_sweep_a_short_key_down_is_tuning():
    window = (0, 1)
    assert not counts(9.9, window, "sweep", FIVE)
    assert counts(10.0, window, "sweep", FIVE)
    assert counts(5.0, window, "watch", FIVE)
    assert counts(5.0, window, "soak", FIVE)
    assert not counts(2.0, None, "watch", FIVE)


@pytest.mark.parametrize(
    ("hz", "name"),
    [
        (14.2e6, "20 m"),
        (14.2e6 * 1.01, "20 m"),
        (14.2e6 * 1.0101, None),
        (14.2e6 * 0.9899, None),
        (3.6e6 * 0.99, "80 m"),
        (5e6, None),
    ],
)
def test_band_is_the_nearest_within_one_percent(hz, name):
    found = band_at(hz, FIVE)
    assert (found.name if found else None) == name


def test_of_two_bands_within_one_percent_the_nearer():
    near = plan("low: 10.100 MHz, min_power 10 W", "high: 10.140 MHz, min_power 10 W")
    assert band_at(10.121e6, near).name == "high"
    assert band_at(10.119e6, near).name == "low"


def test_thresholds_of_the_weakest_band_until_one_is_known():
    assert thresholds(FIVE) == (8.0, 4.0)
    assert thresholds(FIVE, FIVE.band("80 m")) == (10.0, 5.0)


def test_second_pass_uses_the_bands_own_thresholds():
    """A strong band leaks 3 W between its key-downs: a key-down for the weak band's thresholds, none for its own."""
    mixed = plan("40 m: 7.1 MHz, min_power 100 W", "10 m: 28.3 MHz, min_power 10 W")
    keying = Keying(5, 65, lambda x: np.where((x < 20) | (x > 40), 120.0, 3.0), level(7.1e6))
    analysis = Synthetic([keying]).analysed(mixed)
    assert [(round(k.start_s), round(k.stop_s), k.band) for k in analysis.key_downs] == [
        (5, 25, "40 m"),
        (45, 70, "40 m"),
    ]


def test_a_weak_band_is_found_beside_a_strong_one():
    mixed = plan("40 m: 7.1 MHz, min_power 100 W", "10 m: 28.3 MHz, min_power 10 W")
    keyings = [Keying(5, 20, level(120.0), level(7.1e6)), Keying(35, 20, level(8.0), level(28.3e6))]
    analysis = Synthetic(keyings).analysed(mixed)
    assert [k.band for k in analysis.key_downs] == ["40 m", "10 m"]


def test_key_line_events_say_when_the_key_was_down():
    """Power is there all along; the key line knows better."""
    keying = Keying(0, 100, level(120.0), level(7.1e6))
    events = [
        Event(round(t * 1e9), "key", "", data={"down": down}) for t, down in ((10, True), (31, False), (50, True))
    ]
    analysis = Synthetic([keying]).analysed(events=events[::-1])
    assert (analysis.key_downs[0].start_s, analysis.key_downs[0].stop_s) == (10, 31)
    assert analysis.key_downs[1].start_s == 50
    assert analysis.key_downs[1].stop_s == pytest.approx(105, abs=0.6)  # never opened: until the last reading
    assert key_line_spans([], 10) is None
    assert key_line_spans([Event(0, "key", "", data={"down": False})], 10) == []


def test_gap_limit_follows_slow_readings():
    assert gap_limit_s(np.arange(10.0) / 5, 0.2) == 1.0
    assert gap_limit_s(np.arange(10.0), 0.2) == 3.0  # an import, slower than the bench file
    assert gap_limit_s(np.empty(0), 2.0) == 6.0


def test_silence_in_a_key_down_makes_two_and_is_a_finding():
    spoilt = sweep([120.0] * 5).drop("power", 10.0, 13.0)
    analysis = spoilt.analysed()
    assert [(round(k.start_s), round(k.stop_s)) for k in analysis.key_downs[:2]] == [(5, 10), (13, 25)]
    gap = next(f for f in analysis.record.findings if f.kind == "gap" and f.channel == "power")
    assert gap.band == "80 m"
    assert (gap.from_ns / 1e9, gap.to_ns / 1e9) == (pytest.approx(10, abs=0.3), pytest.approx(13, abs=0.3))


def test_key_downs_do_not_need_a_counter_but_bands_do():
    lone = sweep([120.0] * 5)
    del lone.series["frequency"]
    analysis = lone.analysed(the_bench=bench())
    assert len(analysis.key_downs) == 5
    assert {k.band for k in analysis.key_downs} == {None}
    assert all(found.key_downs == 0 for found in analysis.record.bands)
    assert any("no band could be told" in f.text for f in analysis.record.findings)

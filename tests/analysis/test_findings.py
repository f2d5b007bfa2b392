"""What the record says in words: right when it should, silent when it should."""

import numpy as np
import pytest

from benchlog.analysis.troubles import run_starts
from benchlog.analysis.wording import plus_minus
from benchlog.model import Event, State
from benchlog.series import RawSeries
from tests.analysis.synthetic import FIVE, Keying, Synthetic, bench, kinds, level, sweep
from tests.benches import channel_toml, instrument_toml

LIMITS = """
[limits]
key_down = "15 s"
plate-voltage = ["600 V", "900 V"]
"""


def found(analysis, kind, channel=None):
    return [f for f in analysis.record.findings if f.kind == kind and (channel is None or f.channel == channel)]


def test_a_healthy_session_has_none():
    for seed in range(5):
        assert kinds(sweep([120] * 5, droop=0.05, seed=seed).analysed()) == []


def test_failures_are_told_with_numbers_and_units():
    analysis = sweep([74] * 5, [400] * 5, droop=0.3).analysed()
    texts = {f.kind: f.text for f in analysis.record.findings if f.band == "10 m"}
    assert set(texts) == {"low-power", "droop", "frequency-error", "output-stage"}  # the plate voltage stood
    assert texts["low-power"].startswith("10 m makes 5")
    assert texts["low-power"].endswith("W against 80 W")
    assert texts["droop"].endswith("% against 10 %")
    assert texts["frequency-error"].endswith("Hz against 300 Hz")


def test_failures_carry_their_uncertainty():
    analysis = sweep([74] * 5, [400] * 5, droop=0.3).analysed(the_bench=bench('of_range = "5 %"'))
    failed = [f for f in analysis.record.findings if f.limit is not None and f.band == "80 m"]
    assert [f.kind for f in failed] == ["low-power", "droop", "frequency-error"]
    for finding in failed:
        name = {"low-power": "power_w", "droop": "droop_percent", "frequency-error": "frequency_error_hz"}[finding.kind]
        result = analysis.record.bands[0].results[name]
        assert (finding.value, finding.expanded) == (result.value, result.expanded)
    assert failed[0].text == "80 m makes 59 ± 14 W against 100 W"
    assert failed[0].as_json(0)["expanded"] == failed[0].expanded


@pytest.mark.parametrize(
    ("value", "guard", "said"),
    [
        (74.12, 3.14, "74.1 ± 3.1 W"),
        (12345.0, 1234.0, "12300 ± 1200 W"),
        (1.2, 0.0996, "1.20 ± 0.10 W"),
        (-0.001, 0.9, "0.00 ± 0.90 W"),
        (74.12, None, "74.12 W"),
        (74.12, 0.0, "74.12 W"),
        (74.12, float("inf"), "74.12 W"),
    ],
)
def test_no_more_digits_than_the_uncertainty_carries(value, guard, said):
    assert plus_minus(value, guard, "W") == said


def test_undecided_is_no_finding():
    analysis = sweep([101] * 5).analysed(the_bench=bench('of_range = "5 %"'))
    assert analysis.record.bands[0].power_w.verdict == "undecided"
    assert kinds(analysis) == []


def test_a_gap_says_where_how_many_and_why():
    event = Event(49_900_000_000, "link", "wattmeter is silent; trying again", instrument="wattmeter")
    analysis = sweep([120] * 5).spoil("power", 50, 60, State.MISSED).analysed(events=[event])
    (gap,) = found(analysis, "gap")
    assert (gap.channel, gap.band, gap.value) == ("power", "40 m", 50)
    assert (gap.from_ns / 1e9, gap.to_ns / 1e9) == (pytest.approx(50, abs=0.2), pytest.approx(60, abs=0.2))
    assert gap.text == "power: 50 readings lacking (not answered); wattmeter is silent; trying again"


def test_a_single_missed_slot_of_what_verdicts_hang_on_is_a_gap():
    (gap,) = found(sweep([120] * 5).spoil("power", 10, 10.15, State.MISSED).analysed(), "gap")
    assert (gap.channel, gap.value) == ("power", 1)


def test_a_few_lost_slots_of_another_channel_are_counted_and_no_finding():
    analysis = sweep([120] * 5).spoil("plate", 10, 10.9, State.MISSED).analysed()
    assert found(analysis, "gap") == []
    assert analysis.record.readings["missed"] == 1


def test_a_stretch_of_another_channel_that_lasts_is_a_gap():
    (gap,) = found(sweep([120] * 5).spoil("plate", 10, 13.9, State.MISSED).analysed(), "gap")
    assert (gap.channel, gap.value) == ("plate", 4)


def test_a_stretch_without_any_row_is_a_gap_without_a_count():
    session = sweep([120] * 5)
    plate = session.series["plate"]
    kept = (plate.t_ns < 40e9) | (plate.t_ns > 60e9)
    columns = (plate.t_ns, plate.value, plate.state, plate.took_us)
    session.series["plate"] = RawSeries("plate", *(one[kept] for one in columns))
    (gap,) = found(session.analysed(), "gap")
    assert gap.value is None
    assert gap.text.startswith("plate: nothing recorded for 2")


def test_many_gaps_of_a_channel_are_one_finding():
    session = sweep([120] * 5)
    for at in range(3, 140, 10):
        session.spoil("plate", at, at + 1.9, State.INVALID)
    (gap,) = found(session.analysed(), "gap")
    assert gap.value == 28
    assert "in 14 gaps" in gap.text
    assert "28 readings lacking (not usable)" in gap.text


def test_a_counter_may_be_silent_while_the_key_is_up_but_not_while_it_is_down():
    quiet = sweep([120] * 5)
    assert quiet.series["frequency"].state.any()
    assert found(quiet.analysed(), "gap") == []
    assert found(quiet.spoil("frequency", 35, 36, State.MISSED).analysed(), "gap") == []  # settling
    (gap,) = found(quiet.spoil("frequency", 38, 44, State.MISSED).analysed(), "gap")
    assert (gap.channel, gap.band) == ("frequency", "40 m")


def test_over_range_says_what_the_mean_is_worth():
    """Twelve readings where power is averaged, and three while it settles: the others' mean is too low a bound."""
    session = sweep([140] * 5).spoil("power", 6, 6.5, State.OVER_RANGE).spoil("power", 10, 12.3, State.OVER_RANGE)
    analysis = session.analysed()
    (over,) = found(analysis, "over-range")
    assert (over.band, over.value) == ("80 m", 15)
    assert "power was over range in 15 readings on 80 m, 12 of them where it is averaged" in over.text
    assert "the mean of the other 76 readings, 140" in over.text
    assert over.text.endswith("is too low a bound, and no verdict rests on it")
    assert analysis.record.bands[0].power_w.verdict == "undecided"
    assert analysis.record.bands[0].power_w.conformity is None


def test_over_range_while_settling_hides_no_mean():
    analysis = sweep([140] * 5).spoil("power", 5, 6.5, State.OVER_RANGE).analysed()
    (over,) = found(analysis, "over-range")
    assert over.text.endswith("none of them where it is averaged")
    assert analysis.record.bands[0].power_w.verdict == "pass"


def test_over_range_all_through_a_window():
    (over,) = found(sweep([140] * 5).spoil("power", 5, 25, State.OVER_RANGE).analysed(), "over-range")
    assert over.text.endswith("none is left to average")


def test_over_range_outside_key_downs_is_told_without_a_band():
    analysis = sweep([120] * 5).spoil("plate", 28, 33, State.OVER_RANGE).analysed()
    (over,) = found(analysis, "over-range")
    assert (over.channel, over.band, over.value) == ("plate", None, 5)


def test_a_counter_without_a_signal_may_be_over_range():
    assert kinds(sweep([120] * 5).spoil("frequency", 26, 34, State.OVER_RANGE).analysed()) == []
    (over,) = found(sweep([120] * 5).spoil("frequency", 40, 41, State.OVER_RANGE).analysed(), "over-range")
    assert (over.channel, over.band) == ("frequency", "40 m")


def test_limits_of_the_bench():
    session = sweep([120] * 5).put("plate", 12, 15.5, 9.5).put("plate", 40, 40.9, 5.5)
    analysis = session.analysed(the_bench=bench(limits=LIMITS))
    low, high = found(analysis, "limit", "plate")
    assert (low.value, low.limit) == (pytest.approx(550), 600)
    assert low.text == "plate fell to 550 V against 600 V"
    assert (high.value, high.limit) == (pytest.approx(950), 900)
    assert high.text == "plate reached 950 V against 900 V in 4 readings"
    assert high.from_ns == pytest.approx(12.4e9)
    assert high.to_ns == pytest.approx(15.4e9)
    long = found(analysis, "limit", None)[2:]
    assert len(long) == 5
    assert long[0].band == "80 m"
    assert long[0].limit == 15
    assert "The key was down for 20" in long[0].text


def test_a_reading_on_the_limit_does_not_cross_it():
    session = sweep([120] * 5)
    session.put("plate", 0, 1000, 9.0)
    assert (
        found(session.analysed(the_bench=bench(limits='[limits]\nplate-voltage = ["600 V", "900 V"]')), "limit") == []
    )


def test_a_stuck_instrument():
    """The wattmeter repeats one value through all of two key-downs, while the counter goes on."""
    analysis = sweep([120] * 5).put("power", 68, 85, 119.87).put("power", 98, 114.9, 119.87).analysed()
    (stuck,) = found(analysis, "stuck")
    assert stuck.channel == "power"
    assert stuck.value == pytest.approx(119.87)
    assert "119.87 W" in stuck.text
    assert stuck.from_ns / 1e9 == pytest.approx(68, abs=0.3)


DOUBLE = instrument_toml(
    "panel",
    channel_toml("plate current", "plate-current", "mA", every="1 s"),
    channel_toml("grid current", "grid-current", "mA", every="1 s"),
)


def panel(seed, step=0.01):
    """A sweep with a panel meter of two slow channels, of some resolution in mA."""
    session = sweep([120] * 5, seed=seed)
    for name, usual in (("plate current", 240.0), ("grid current", 8.0)):
        session.add(name, 1.0, lambda t, usual=usual: np.full_like(t, usual), 0.3)
        one = session.series[name]
        session.series[name] = RawSeries(name, one.t_ns, np.round(one.value / step) * step, one.state, one.took_us)
    return session


def test_an_instrument_that_stands_still_on_all_its_channels():
    """Neither channel has readings enough in one key-down to be called stuck; both at once is no chance."""
    session = panel(1).put("plate current", 37, 54.6, 240.12).put("grid current", 37, 54.6, 8.03)
    (stuck,) = found(session.analysed(the_bench=bench(more=DOUBLE)), "stuck")
    assert stuck.channel is None
    assert stuck.text.startswith("panel stood still on all its channels (plate current at 240.12 mA, grid current at")
    assert "while others changed" in stuck.text
    assert (stuck.from_ns / 1e9, stuck.to_ns / 1e9) == (pytest.approx(37.5, abs=1), pytest.approx(54, abs=1))


def test_an_instrument_that_stands_still_twice():
    session = panel(1)
    for from_s in (37, 97):
        session.put("plate current", from_s, from_s + 17.6, 240.12).put("grid current", from_s, from_s + 17.6, 8.03)
    assert [f.channel for f in found(session.analysed(the_bench=bench(more=DOUBLE)), "stuck")] == [None]


def test_one_channel_that_moves_shows_that_its_instrument_does():
    session = panel(1).put("plate current", 37, 54.6, 240.12)
    assert found(session.analysed(the_bench=bench(more=DOUBLE)), "stuck") == []


@pytest.mark.parametrize("step", [0.01, 0.3, 1.0, 5.0])
def test_coarse_channels_of_one_instrument_are_not_stuck(step):
    for seed in range(3):
        assert found(panel(seed, step).analysed(the_bench=bench(more=DOUBLE)), "stuck") == []


@pytest.mark.parametrize("step", [0.1, 0.5, 1.0, 5.0])
def test_a_coarse_resolution_is_not_stuck(step):
    for seed in range(3):
        for drop in (0.0, 0.08):
            session = sweep([120] * 5, droop=drop, seed=seed)
            one = session.series["power"]
            coarse = RawSeries("power", one.t_ns, np.round(one.value / step) * step, one.state, one.took_us)
            session.series["power"] = coarse
            assert found(session.analysed(), "stuck") == []


def test_a_curve_that_has_settled_is_not_stuck():
    """Quiet and fine: every reading differs while power falls, and repeats once it has fallen."""
    session = sweep([120] * 5, droop=0.3, tau_s=0.8, watts_noise=0.0)
    one = session.series["power"]
    session.series["power"] = RawSeries("power", one.t_ns, np.round(one.value, 3), one.state, one.took_us)
    assert found(session.analysed(), "stuck") == []


def test_where_nothing_changes_nobody_is_stuck():
    session = sweep([120] * 5).put("power", 68, 115, 119.87)
    for name in ("frequency", "plate"):
        session.put(name, 60, 120, session.series[name].value[100] if name == "plate" else 21.2e6)
    assert found(session.analysed(), "stuck", "power") == []


def test_run_starts():
    assert run_starts(np.array([])).tolist() == []
    assert run_starts(np.array([1.0])).tolist() == [0]
    assert run_starts(np.array([1.0, 2, 2, 2, 3, 3])).tolist() == [0, 1, 4]


def test_a_wrong_instrument_is_told_once():
    events = [
        Event(t * 10**9, "wrong-instrument", "Other,Thing,1 answers", instrument="wattmeter") for t in (30, 10, 20)
    ]
    (wrong,) = found(sweep([120] * 5).analysed(events=events), "wrong-instrument")
    assert wrong.text == "wattmeter: Other,Thing,1 answers"
    assert (wrong.from_ns, wrong.to_ns) == (10 * 10**9, 30 * 10**9)
    named = Event(0, "wrong-instrument", "wattmeter: Other answers", instrument="wattmeter")
    (wrong,) = found(sweep([120] * 5).analysed(events=[named]), "wrong-instrument")
    assert wrong.text == "wattmeter: Other answers"


def test_key_downs_without_frequency_are_told_together():
    session = sweep([120] * 5).spoil("frequency", 30, 200, State.MISSED)
    analysis = session.analysed()
    text = "4 key-downs without a frequency reading: no band could be told"
    assert text in [f.text for f in found(analysis, "gap")]


def test_a_record_of_a_bad_day_is_json():
    session = Synthetic([Keying(5, 20, level(60.0), level(14.2005e6))]).spoil("power", 12, 13, State.OVER_RANGE)
    record = session.spoil("plate", 3, 9, State.MISSED).analysed(FIVE, bench(limits=LIMITS)).record.as_json()
    assert {f["kind"] for f in record["findings"]} == {"frequency-error", "limit", "gap", "over-range"}
    assert all(
        set(f) >= {"kind", "band", "channel", "from", "to", "value", "limit", "text"} for f in record["findings"]
    )

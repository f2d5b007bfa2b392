"""Type B: accuracy limits, resolution, correction table, reference; what cancels, and what the record says of it."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchlog.analysis.accuracy import Accuracy, rounding
from benchlog.analysis.onband import OnBand
from benchlog.analysis.uncertainty import combine, expanded
from benchlog.bench import Bench, Channel
from benchlog.correction import text_kept
from benchlog.model import Component
from tests.analysis.synthetic import FIVE, band, sweep
from tests.analysis.synthetic import bench as plain_bench
from tests.benches import bench_of

TABLE = "frequency,correction,uncertainty\n3.5 MHz,1.02,1 %\n14 MHz,0.99,2 %\n30 MHz,0.95,3 %\n"


def bench(power: str = "", frequency: str = "", table: str = TABLE) -> Bench:
    text = plain_bench(frequency=frequency).source.text
    text = text.replace('range = "250 W"', f'range = "250 W"\n{power}')
    return bench_of(text, text_kept({"coupler.csv": table}))


def u_of(lines: list[Component], word: str) -> float:
    (found,) = [line.u for line in lines if word in line.source]
    return found


def test_a_reading_has_a_line_for_each_thing_that_is_not_known() -> None:
    power = 'correction = "coupler.csv"\nof_reading = "1 %"\nof_range = "2 %"\nresolution = "1 W"'
    lines = Accuracy.measuring(bench(power), "forward-power").components(100.0, at_hz=14e6)
    assert [line.source for line in lines] == [
        "accuracy of power",
        "resolution of power",
        "calibration of power (correction table)",
    ]
    assert all(line.evaluated == "B" and math.isinf(line.dof) for line in lines)
    # Full scale and step are what the instrument shows: the factor, 0.99 on 14 MHz, comes after them.
    assert u_of(lines, "accuracy") == pytest.approx((0.01 * 100 + 0.02 * 250 * 0.99) / math.sqrt(3))
    assert u_of(lines, "resolution") == pytest.approx(0.99 / math.sqrt(12), rel=1e-3)
    assert u_of(lines, "calibration") == pytest.approx(100 * 0.02 / 2), "a certificate states k = 2"


def test_a_counter_has_its_time_base_and_its_last_digit() -> None:
    keys = 'of_reading = "1 ppm"\nresolution = "10 Hz"\nreference_offset = "0.3 ppm"\nreference_uncertainty = "0.1 ppm"'
    lines = Accuracy.measuring(bench(frequency=keys), "frequency").components(14e6)
    assert u_of(lines, "accuracy") == pytest.approx(14 / math.sqrt(3))
    assert u_of(lines, "resolution") == pytest.approx(10 / math.sqrt(12), rel=1e-3)
    assert u_of(lines, "time base") == pytest.approx(0.7)
    noisy = Accuracy.measuring(bench(frequency=keys), "frequency").components(14e6, sd=30.0)
    assert u_of(noisy, "resolution") < 1e-9, "noise three steps wide averages the rounding out"
    assert [line.u for line in noisy if "resolution" not in line.source] == [
        line.u for line in lines if "resolution" not in line.source
    ], "and nothing else"


def test_a_step_in_decibels_grows_with_the_reading() -> None:
    accuracy = Accuracy.of(Channel(name="power", unit="dBm", resolution="0.01 dB"))
    for watts in (1.0, 100.0):
        u = u_of(accuracy.components(watts), "resolution")
        assert u == pytest.approx(watts * 0.01 * math.log(10) / 10 / math.sqrt(12), rel=2e-3)


def test_what_the_gain_leaves_of_a_difference() -> None:
    """Droop, drift, two bands of one counter: offsets cancel, what grows with the reading does so by the difference."""
    keys = 'of_reading = "1 ppm"\nresolution = "10 Hz"\nreference_uncertainty = "0.1 ppm"\n'
    keys += 'range = "1 MHz"\nof_range = "1 %"'
    lines = Accuracy.measuring(bench(frequency=keys), "frequency").difference(4e6)
    assert u_of(lines, "gain") == pytest.approx(4 / math.sqrt(3))
    assert u_of(lines, "time base") == pytest.approx(0.2)
    assert len(lines) == 2
    back = Accuracy.measuring(bench(frequency=keys), "frequency").difference(-4e6)
    assert [line.u for line in back] == pytest.approx([-line.u for line in lines])


def test_a_table_looked_up_once_is_looked_up() -> None:
    accuracy = Accuracy.measuring(bench('correction = "coupler.csv"\nof_range = "2 %"'), "forward-power")
    here = accuracy.at(14e6)
    assert here.at(3.5e6) == here
    assert here.components(100.0, at_hz=30e6) == accuracy.components(100.0, at_hz=14e6)
    unknown = accuracy.at(None)
    assert unknown.offset == pytest.approx(0.02 * 250 * 1.02), "with the largest factor, as the values have it then"
    assert unknown.correction == pytest.approx(0.015), "and the largest uncertainty"


def test_the_same_certificate_twice_is_one_error_and_two_certificates_are_two() -> None:
    """So the difference of two sessions is not blurred by what both have in common."""

    def lines(table: str, reference: str) -> list[Component]:
        keys = f'reference_offset = "{reference}"\nreference_uncertainty = "0.1 ppm"'
        both = bench('correction = "coupler.csv"', keys, table)
        power, counter = Accuracy.measuring(both, "forward-power"), Accuracy.measuring(both, "frequency")
        found = power.components(100.0, at_hz=14e6) + counter.components(14e6)
        return [line for line in found if "calibration" in line.source]

    def apart(one: list[Component], other: list[Component]) -> float:
        turned = [Component(-line.u, line.dof, line.source, line.evaluated, line.shared) for line in other]
        return combine(0.0, [*one, *turned]).u

    once = lines(TABLE, "0.3 ppm")
    assert apart(once, lines(TABLE, "0.3 ppm")) == pytest.approx(0.0, abs=1e-12)
    later = lines(TABLE.replace("0.99", "0.98"), "0.4 ppm")
    assert apart(once, later) == pytest.approx(math.hypot(1.0, 0.7) * math.sqrt(2))
    assert {line.shared for line in once}.isdisjoint(line.shared for line in later)


@given(
    st.floats(1e-3, 1e3),
    st.floats(0, 0.1),
    st.floats(0, 10),
    st.floats(0, 1),
    st.floats(0, 0.01),
    st.floats(0.01, 1e4),
)
def test_the_same_in_another_unit_is_the_same(factor, gain, offset, step, reference, value) -> None:  # type: ignore[no-untyped-def]
    """Units: u scales with the value."""
    one = Accuracy(gain=gain, offset=offset, resolution=step, reference=reference)
    other = Accuracy(gain=gain, offset=offset * factor, resolution=step * factor, reference=reference)
    u = combine(value, one.components(value)).u
    assert combine(value * factor, other.components(value * factor)).u == pytest.approx(u * factor, rel=1e-9)


@given(st.floats(0.01, 10), st.floats(0, 10))
def test_rounding_never_leaves_more_than_without_noise_nor_less_with_less(step, sd) -> None:  # type: ignore[no-untyped-def]
    assert 0 <= rounding(step, sd) <= step / math.sqrt(12)
    assert rounding(step, sd + 0.01) <= rounding(step, sd) * (1 + 1e-12)


def test_the_records_budget_has_every_line_and_adds_up() -> None:
    power = 'correction = "coupler.csv"\nof_range = "1 %"\nresolution = "1 W"'
    counter = (
        'resolution = "1 Hz"\nreference_offset = "0.3 ppm"\nreference_uncertainty = "0.1 ppm"\nof_reading = "0.2 ppm"'
    )
    analysis = sweep([150.0] * 5, hertz_noise=0.1).analysed(the_bench=bench(power, counter))
    found = band(analysis, "20 m")
    said = {line.source: line.u for line in found.power_w.budget}
    assert said["calibration of power (correction table)"] == pytest.approx(
        found.power_w.value * (0.02 + 0.01 * 0.2 / 16) / 2, rel=1e-6
    )
    assert found.power_w.expanded == pytest.approx(found.power_w.k * math.hypot(*said.values()), rel=1e-9)
    error = {line.source: line.u for line in found.frequency_error_hz.budget}
    assert error["calibration of the time base of frequency"] == pytest.approx(14.2e6 * 0.05e-6, rel=1e-4)
    assert "resolution of frequency" in error
    assert found.frequency_error_hz.expanded == pytest.approx(
        found.frequency_error_hz.k * math.hypot(*error.values()), rel=1e-9
    )


def test_the_dials_own_errors_have_the_reference_by_the_bands_distance_only() -> None:
    """A reference off by 1 ppm is 14 Hz on 20 m, and 7 Hz between 20 m and 40 m."""
    counter = 'reference_uncertainty = "2 ppm"'
    apart = [-200.0, -100.0, 0.0, 100.0, 200.0]  # so far that 1 ppm does not change which is the middle one
    dial = sweep([150.0] * 5, apart, hertz_noise=0.1).analysed(the_bench=bench(frequency=counter)).record.dial
    assert dial is not None
    lines = {
        name: {line.source: abs(line.u) for line in own.budget}["calibration of the time base of frequency"]
        for name, own in dial.own_hz.items()
    }
    expected = {"80 m": 3.6, "40 m": 7.1, "20 m": 14.2, "15 m": 21.2, "10 m": 28.3}
    middle = next(hz for name, hz in expected.items() if lines[name] < 1e-6)
    assert lines == pytest.approx({name: abs(hz - middle) for name, hz in expected.items()}, abs=0.01)


def test_the_dials_lines_name_the_errors_that_the_bands_lines_name() -> None:
    counter = 'reference_uncertainty = "2 ppm"\nof_reading = "1 ppm"'
    record = sweep([150.0] * 5).analysed(the_bench=bench(frequency=counter)).record
    assert record.dial is not None
    of_the_band = {line.source: line.shared for line in record.bands[0].frequency_error_hz.budget if line.shared}
    for found in (record.dial.common_hz, *record.dial.own_hz.values()):
        assert {line.source: line.shared for line in found.budget if line.shared} == of_the_band


def test_intervals_hold_the_truth() -> None:
    """Meters drawn inside what their data sheets and certificates say; rounding as the instrument does it."""
    rng = np.random.default_rng(4)
    accuracy = Accuracy(gain=0.01, offset=1.0, resolution=2.0, channel="power", reference=0.004, reference_name="r")
    held, trials = 0, 4000
    for _ in range(trials):
        truth = rng.uniform(80, 120)
        shown = truth / (1 + rng.normal(0, 0.004)) + rng.uniform(-1, 1) * (0.01 * truth + 1.0)
        value = 2.0 * round(shown / 2.0)
        found = expanded(combine(value, accuracy.components(value)))
        assert found is not None
        held += abs(value - truth) <= found[0]
    assert held / trials >= 0.95


def test_what_a_bands_results_are_made_with_is_looked_up_on_that_band() -> None:
    """Also for those who take the limits apart, as the droop does with the zero."""
    the_bench = bench('correction = "coupler.csv"\nof_range = "2 %"')
    for name, hz in (("80 m", 3.6e6), ("40 m", 7.1e6)):
        part = (hz - 3.5e6) / (14e6 - 3.5e6)
        here = OnBand(FIVE.band(name), (), {}, the_bench).accuracy("forward-power")
        assert here.offset == pytest.approx(0.02 * 250 * (1.02 - 0.03 * part))
        assert here.correction == pytest.approx((0.01 + 0.01 * part) / 2)

"""The simulated transmitter against closed forms worked out here, and against published figures.

Published: first-order response 1 tau 63.212 %, 2 tau 86.466 %, 3 tau 95.021 %, 5 tau 99.326 %, half-life 0.6931 tau
(any text on first-order systems; 1 - exp(-n)); overload k from cold reaches the rating after -tau ln(1 - 1/k), and
on/off cycling tends to k (1 - exp(-ton/tau)) / (1 - exp(-(ton + toff)/tau)), 0.574 for 60 s on, 240 s off,
tau 300 s, k 2 (the thermal overload form of IEC 60255-149, from memory); SWR 1.5 reflects 4 %, 2.0 11.111 %,
3.0 25 % (the handbooks' SWR table).
"""

from __future__ import annotations

import math
import random
import statistics
from dataclasses import replace
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchlog.simulate.noise import wandering, white
from benchlog.simulate.operator import LOOKS_S, TUNE_S, length_s, sweep_script
from benchlog.simulate.physics import BandTruth, Course, KeyChange, Knob, MainsSag, Noise, Truth
from benchlog.simulate.scenario import KEY_DOWN_S, LOAN_SET_3, REST_S, SETTLE_S

QUIET = Noise(power=0, frequency_hz=0, plate_v=0, plate_current=0, stage_c=0, grid_current=0, alc_v=0, mains=0)
SET = Truth(
    name="Test set",
    serial="1",
    bands=(
        BandTruth("low", 3.6e6, 100.0, plate_current_a=0.25, droop=0.0, load_swr=1.0),
        BandTruth("high", 28.3e6, 80.0, plate_current_a=0.2, droop=0.2, crystal_error_hz=-40.0, load_swr=1.5),
    ),
    open_v=900.0,
    supply_ohm=200.0,
    noise=QUIET,
)


def keyed(truth: Truth, band: str = "low", *, off_s: float = math.inf) -> Course:
    changes = [KeyChange(0.0, band, 1.0)] + ([KeyChange(off_s, band, 0.0)] if off_s < math.inf else [])
    return Course(truth, 0, changes)


@pytest.mark.parametrize(("taus", "percent"), [(1, 63.212), (2, 86.466), (3, 95.021), (4, 98.168), (5, 99.326)])
def test_stage_heats_by_the_published_first_order_figures(taus: int, percent: float) -> None:
    hot = keyed(SET).at(taus * SET.heating_s).stage_c
    assert 100 * (hot - SET.ambient_c) / SET.stage_rise_c == pytest.approx(percent, abs=5e-4)


def test_stage_cools_to_half_in_the_published_half_life() -> None:
    course = keyed(SET, off_s=30.0)
    warm, later = (course.at(t).stage_c - SET.ambient_c for t in (30.0, 30.0 + 0.6931 * SET.cooling_s))
    assert later / warm == pytest.approx(0.5, abs=1e-4)


@pytest.mark.parametrize(("k", "taus"), [(1.25, 1.6094), (1.5, 1.0986), (2, 0.6931), (3, 0.4055), (4, 0.2877)])
def test_overload_from_cold_reaches_the_rating_at_the_published_time(k: float, taus: float) -> None:
    """Full drive heats to k times the rating's rise."""
    rise = keyed(SET).at(taus * SET.heating_s).stage_c - SET.ambient_c
    assert k * rise / SET.stage_rise_c == pytest.approx(1.0, abs=1e-4)


def test_cycling_tends_to_the_published_peak() -> None:
    truth = replace(SET, heating_s=300.0, cooling_s=300.0)
    cycles = [KeyChange(300.0 * n + off, "low", drive) for n in range(40) for off, drive in ((0.0, 1.0), (60.0, 0.0))]
    peak = Course(truth, 0, cycles).at(39 * 300.0 + 60.0).stage_c - truth.ambient_c
    assert 2 * peak / truth.stage_rise_c == pytest.approx(0.574, abs=5e-4)


def test_plate_voltage_sags_by_ohms_law() -> None:
    course = keyed(SET, off_s=10.0)
    assert course.at(5.0).plate_v == pytest.approx(900.0 - 200.0 * 0.25)
    assert course.at(5.0).plate_a == pytest.approx(0.25)
    assert course.at(10.0).plate_v == pytest.approx(900.0)
    assert course.at(10.0).plate_a == 0.0


def test_a_tired_supply_sags_further_by_its_own_time_constant_and_takes_power_with_its_square() -> None:
    truth = replace(SET, slow_sag_v=50.0, supply_tau_s=8.0)
    at_once, later = keyed(truth).at(0.0), keyed(truth).at(8.0)
    assert at_once.plate_v - later.plate_v == pytest.approx(50.0 * 0.63212, abs=1e-3)
    assert later.forward_w / at_once.forward_w == pytest.approx((later.plate_v / at_once.plate_v) ** 2)


def test_low_mains_take_power_with_their_square_where_the_supply_is_stiff() -> None:
    truth = replace(SET, supply_ohm=0.0, mains=0.9)
    assert keyed(truth).at(1.0).forward_w == pytest.approx(0.81 * 100.0)


def test_a_cold_band_makes_its_power_and_droops_by_its_share_when_hot() -> None:
    truth = replace(SET, supply_ohm=0.0)  # so that less plate current brings no voltage back
    course = keyed(truth, "high")
    assert course.at(0.0).forward_w == pytest.approx(80.0)
    assert course.at(100 * truth.heating_s).forward_w == pytest.approx(80.0 * 0.8)
    assert course.at(truth.heating_s).forward_w == pytest.approx(80.0 * (1 - 0.2 * 0.63212), abs=1e-3)


@pytest.mark.parametrize(("swr", "percent"), [(1.0, 0.0), (1.2, 0.826), (1.5, 4.0), (2.0, 11.111), (3.0, 25.0)])
def test_reflected_power_by_the_swr_table(swr: float, percent: float) -> None:
    band = replace(SET.bands[0], load_swr=swr)
    moment = keyed(replace(SET, bands=(band,))).at(1.0)
    assert 100 * moment.reflected_w / moment.forward_w == pytest.approx(percent, abs=1e-3)


def test_frequency_is_the_sum_of_its_errors_and_warms_up_exponentially() -> None:
    truth = replace(SET, dial_error_hz=30.0, warm_up_hz=100.0, warm_up_s=600.0, on_before_s=600.0)
    course = keyed(truth, "high")
    assert course.at(0.0).frequency_hz == pytest.approx(28.3e6 + 30 - 40 + 36.788, abs=1e-3)
    assert course.at(600.0).frequency_hz == pytest.approx(28.3e6 + 30 - 40 + 13.534, abs=1e-3)


def planted(**what: float) -> Course:
    """The low band, keyed at 0, with something planted."""
    return keyed(replace(SET, supply_ohm=0.0, bands=(replace(SET.bands[0], **what), SET.bands[1])))  # type: ignore[arg-type]


def test_a_straight_droop_loses_its_share_evenly_and_then_no_more() -> None:
    course = planted(droop=0.2, droop_over_s=40.0)
    assert [course.at(t).forward_w for t in (0.0, 10.0, 20.0, 40.0, 80.0)] == pytest.approx([100, 95, 90, 80, 80])
    assert course.at(20.0).plate_a == pytest.approx(0.25 * 0.9)


def test_a_straight_droop_starts_again_at_each_key_down_and_at_no_other_change() -> None:
    course = planted(droop=0.2, droop_over_s=40.0)
    course.put(KeyChange(10.0, "low", 0.5))
    assert course.at(20.0).forward_w == pytest.approx(0.5 * 90.0)
    course.put(KeyChange(20.0, "low", 0.0))
    course.put(KeyChange(30.0, "low", 1.0))
    assert course.at(40.0).forward_w == pytest.approx(95.0)


def test_a_crystal_drifts_straight_and_jumps_once() -> None:
    course = planted(drift_hz_per_h=-60.0, step_hz=250.0, step_at_s=100.0)
    at = {t: course.at(t).frequency_hz for t in (0.0, 99.9, 100.0, 1800.0)}
    assert at[0.0] == pytest.approx(3.6e6)
    assert at[99.9] == pytest.approx(3.6e6 - 60 * 99.9 / 3600)
    assert at[100.0] == pytest.approx(3.6e6 - 60 * 100 / 3600 + 250)
    assert at[1800.0] == pytest.approx(3.6e6 - 30 + 250)


def test_a_load_gets_worse_with_time() -> None:
    """SWR 1 at first, 2 after half an hour, 3 after an hour: 0, 11.111 and 25 % (the handbooks' SWR table)."""
    course = planted(load_swr=1.0, swr_rises_per_h=2.0)
    returned = [100 * (now := course.at(t)).reflected_w / now.forward_w for t in (0.0, 1800.0, 3600.0)]
    assert returned == pytest.approx([0.0, 11.111, 25.0], abs=1e-3)


def test_sagging_mains_take_power_with_their_square_while_they_last() -> None:
    course = keyed(replace(SET, supply_ohm=0.0, mains_sags=(MainsSag(10.0, 20.0, 0.1),)))
    assert [course.at(t).forward_w for t in (9.9, 10.0, 19.9, 20.0)] == pytest.approx([100, 81, 81, 100])
    assert course.at(15.0).plate_v == pytest.approx(810.0)


def test_off_resonance_the_plate_circuit_takes_current_and_gives_less_power() -> None:
    """Half-bandwidths 0, 1, 2 off: half and a fifth of the power is left (1 / (1 + z²), the resonance curve)."""
    stiff = replace(SET, supply_ohm=0.0, off_tune=1.0)
    turned = Course(stiff, 0, [KeyChange(0.0, "low", 1.0, plate=Knob(-2.0, 2.0, 4.0))])
    assert [turned.at(t).forward_w for t in (0.0, 1.0, 2.0, 3.0, 9.0)] == pytest.approx([20, 50, 100, 50, 20])
    assert [turned.at(t).plate_a for t in (0.0, 1.0, 2.0, 3.0, 9.0)] == pytest.approx([0.45, 0.375, 0.25, 0.375, 0.45])


def test_the_grid_draws_current_and_the_level_control_moves_where_the_drive_peaks() -> None:
    """Level 1.5 is half too much at the peak, 0.06 one half-bandwidth off it, and just none at sqrt(5) / 2."""
    turned = Course(SET, 0, [KeyChange(0.0, "low", 1.0, grid=Knob(-2.0, 1.0, 3.0), level=Knob(1.5, 1.5))])
    grid = [turned.at(t).grid_a for t in (0.0, 2.0 - math.sqrt(5) / 2, 1.0, 2.0, 3.0)]
    assert grid == pytest.approx([0, 0, 0.008 * 0.06066, 0.008 * 0.5, 0.008 * 0.06066], abs=1e-8)
    assert turned.at(2.0).alc_v == pytest.approx(-6.0 * 0.5)
    assert turned.at(2.0).forward_w == turned.at(3.0).forward_w == pytest.approx(100.0), "levelled"
    assert turned.at(0.0).plate_a == pytest.approx(0.25 * 1.5 / math.sqrt(5)), "too little drive off the peak"


def test_key_up_is_no_signal() -> None:
    moment = Course(SET).at(3.0)
    assert moment.frequency_hz is None
    assert moment.forward_w == moment.reflected_w == moment.plate_a == moment.grid_a == moment.alc_v == 0.0


@given(st.lists(st.floats(0.0, 120.0), max_size=30), st.floats(0.0, 120.0))
def test_answers_do_not_depend_on_who_asked_before(asked: list[float], t_s: float) -> None:
    """Bit for bit: a bench polled at any rate, in any order, by any number, is the same bench."""
    script = sweep_script(LOAN_SET_3, 20.0, 10.0)
    polled, untouched = Course(LOAN_SET_3, 7, script), Course(LOAN_SET_3, 7, script)
    for t in asked:
        polled.at(t)
    assert polled.at(t_s) == untouched.at(t_s)


def test_a_span_in_many_steps_is_the_span_in_one() -> None:
    """Closed-form steps: a key change that changes nothing may come anywhere."""
    whole = keyed(SET, "high").at(40.0)
    steps = Course(SET, 0, [KeyChange(t, "high", 1.0) for t in (0.0, 0.3, 7.7, 31.0)]).at(40.0)
    assert steps.stage_c == pytest.approx(whole.stage_c, abs=1e-9)
    assert steps.forward_w == pytest.approx(whole.forward_w, abs=1e-9)


def test_the_same_seed_shows_the_same_and_another_does_not() -> None:
    times = [0.37 * n for n in range(800)]
    script = sweep_script(LOAN_SET_3, 20.0, 10.0)
    one, same, other = (Course(LOAN_SET_3, seed, script) for seed in (3, 3, 4))
    shuffled = {t: same.at(t) for t in random.Random(0).sample(times, len(times))}
    assert all(one.at(t) == shuffled[t] for t in times)
    assert sum(one.at(t).plate_v == other.at(t).plate_v for t in times) == 0


def test_a_key_change_drops_what_was_planned_after_it() -> None:
    course = Course(SET, 0, [KeyChange(10.0, "high", 1.0), KeyChange(20.0, "high", 0.0)])
    course.put(KeyChange(15.0, "low", 0.0))
    assert [change.t_s for change in course.changes()] == [0.0, 10.0, 15.0]
    assert course.at(12.0).drive == 1.0
    assert course.at(25.0).band == "low"


@pytest.mark.parametrize(
    "change", [KeyChange(-1.0, "low", 1.0), KeyChange(0.0, "low", 1.1), KeyChange(0.0, "low", -0.1)]
)
def test_impossible_key_changes_are_refused(change: KeyChange) -> None:
    with pytest.raises(ValueError, match="drive 0 to 1"):
        Course(SET).put(change)


def test_white_noise_is_standard_and_independent() -> None:
    """Mean, variance and lag-one correlation of 4000 draws, each within four of its standard errors."""
    drawn = [white(1, "x", 0.01 * n + 0.005) for n in range(4000)]
    assert abs(statistics.fmean(drawn)) < 4 / math.sqrt(4000)
    assert abs(statistics.pvariance(drawn) - 1) < 4 * math.sqrt(2 / 4000)
    assert abs(statistics.fmean(a * b for a, b in pairwise(drawn))) < 4 / math.sqrt(4000)


def test_wandering_noise_is_standard_smooth_and_forgets() -> None:
    """Spaced three correlation times apart the values are independent, so four standard errors hold here too."""
    drawn = [wandering(1, "x", 4.55 * n, 1.5) for n in range(4000)]
    assert abs(statistics.fmean(drawn)) < 4 / math.sqrt(4000)
    assert abs(statistics.pvariance(drawn) - 1) < 4 * math.sqrt(2 / 4000)
    assert abs(statistics.fmean(a * b for a, b in pairwise(drawn))) < 4 / math.sqrt(4000)
    steps = [abs(wandering(1, "x", t + 1e-4, 1.5) - wandering(1, "x", t, 1.5)) for t in (n * 0.01 for n in range(2000))]
    assert max(steps) < 1e-3  # no jump anywhere, seams included


def test_power_noise_has_the_size_the_truth_states() -> None:
    """Two independent parts, white and wandering; sampled 4 s apart, so within four standard errors."""
    truth = replace(SET, noise=replace(QUIET, power=0.01))
    course = keyed(truth)
    power = [course.at(4.0 * n).forward_w / 100.0 - 1 for n in range(3000)]
    assert statistics.pstdev(power) == pytest.approx(0.01 * math.sqrt(2), rel=4 / math.sqrt(2 * 3000))


def test_the_script_keys_every_band_for_the_plans_time_and_rests() -> None:
    changes = sweep_script(LOAN_SET_3, KEY_DOWN_S, REST_S)
    spans = [(b.t_s - a.t_s, a) for a, b in pairwise(changes)]
    downs = [(length, change) for length, change in spans if change.drive == 1.0]
    assert [change.band for _, change in downs] == ["80 m", "40 m", "20 m", "15 m", "10 m"]
    assert all(KEY_DOWN_S <= length <= KEY_DOWN_S + 1 for length, _ in downs)
    assert all(
        length >= REST_S for (length, change), (_, before) in zip(spans[1:], spans, strict=False) if before.drive == 1
    )
    taps = [length for length, change in spans if 0 < change.drive < 1]
    assert len(taps) == len(LOOKS_S) * 5
    assert all(length == pytest.approx(TUNE_S) and length <= SETTLE_S + 0.5 for length in taps)  # a tap has no window
    assert changes[-1].t_s + REST_S == pytest.approx(length_s(LOAN_SET_3, KEY_DOWN_S, REST_S)) == pytest.approx(297.5)

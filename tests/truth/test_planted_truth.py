"""The simulated sessions themselves: curves, truths and readings against closed forms worked out here."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from benchlog.model import State
from tests.truth.draw import ACCURACY, BANDS, FAULTS, PLATE_V, RANGES, Keyed, Noise, Planted, TrueBand, draw
from tests.truth.truths import BandTruths, dial_of, settled_between
from tests.truth.world import CODE, PROBE, World, noise

SILENT = Noise("white", 0.0, 1.0, dict.fromkeys(("power", "reflected", "frequency", "plate", "current"), 0.0))
PLAIN = TrueBand("20 m", 14.2e6, 100.0, 150.0, swr=1.5, current_a=0.3)


def session(band: TrueBand = PLAIN, **more: object) -> World:
    """One band keyed four times in half an hour, nothing planted and no noise."""
    keyed = tuple(Keyed(10.0 + 500.0 * k, 35.0 + 500.0 * k, 0) for k in range(4))
    kept: dict[str, object] = {"error": dict.fromkeys(RANGES, 0.0), "step": {}, "noise": SILENT, "stated": False}
    return World(Planted(1, 0, "watch", (band,), keyed, **(kept | more)))  # type: ignore[arg-type]


def truths(world: World) -> BandTruths:
    keyed = world.planted.key_downs
    return BandTruths(world, world.planted.bands[0], [(k.start_s + 2.0, k.stop_s - 0.5) for k in keyed], keyed)


def test_a_flat_band_makes_what_it_makes() -> None:
    found = truths(session())
    assert found.mean("power") == pytest.approx(150.0)
    assert found.droop_percent() == pytest.approx(0.0)
    assert found.droop_tau_s() is None
    assert found.swr() == pytest.approx(1.5)
    assert found.delivered_w() == pytest.approx(150.0 * (1 - 0.04))
    assert found.efficiency_percent() == pytest.approx(100 * 150.0 / (PLATE_V * 0.3))
    assert found.dissipation_w() == pytest.approx(PLATE_V * 0.3 - 150.0)


def test_an_exponential_droop_is_read_at_the_windows_ends() -> None:
    band = replace(PLAIN, shape="exponential", depth=0.2, tau_s=6.0)
    at = [1 - 0.2 * (1 - math.exp(-x / 6.0)) for x in (2.0, 24.5)]
    assert truths(session(band)).droop_percent() == pytest.approx(100 * (1 - at[1] / at[0]))
    assert truths(session(band)).droop_tau_s() == 6.0


def test_a_straight_droop_loses_its_depth_over_the_whole_key_down() -> None:
    band = replace(PLAIN, shape="straight", depth=0.1)
    assert truths(session(band)).droop_percent() == pytest.approx(
        100 * (1 - (1 - 0.1 * 24.5 / 25) / (1 - 0.1 * 2 / 25))
    )


def test_power_follows_the_square_of_the_sagging_voltage_and_the_parts_multiply() -> None:
    band = replace(PLAIN, shape="exponential", depth=0.1, tau_s=5.0, sag=0.2, sag_tau_s=8.0)
    found = truths(session(band))
    lost = 1 - math.sqrt(1 - 0.2)  # of the voltage, for good
    supply = [(1 - lost * (1 - math.exp(-x / 8.0))) ** 2 for x in (2.0, 24.5)]
    stage = [1 - 0.1 * (1 - math.exp(-x / 5.0)) for x in (2.0, 24.5)]
    assert found.supply_percent(0, 0) == pytest.approx(100 * (1 - supply[1] / supply[0]))
    assert found.stage_percent(0, 0) == pytest.approx(100 * (1 - stage[1] / stage[0]))
    left = (1 - found.supply_percent(0, 0) / 100) * (1 - found.stage_percent(0, 0) / 100)
    assert found.droop_percent() == pytest.approx(100 * (1 - left))


def test_a_run_begins_each_key_down_lower() -> None:
    band = replace(PLAIN, run_shape="exponential", run_depth=0.1, run_tau_s=600.0)
    level = [1 - 0.1 * (1 - math.exp(-start / 600.0)) for start in (10.0, 1510.0)]
    assert truths(session(band)).run_droop_percent() == pytest.approx(100 * (1 - level[1] / level[0]))
    assert truths(session(band)).run_droop_tau_s() == 600.0


def test_a_straight_drift_is_its_slope() -> None:
    found = truths(session(drift="straight", drift_hz_per_h=90.0, dial_hz=5.0))
    assert found.drift_hz_per_h() == pytest.approx(90.0)
    assert found.key_down_drift_hz() == pytest.approx(90.0 * 22.5 / 3600)
    assert found.frequency_error_hz() == pytest.approx(5.0 + 90.0 * float(found.times("frequency").mean()) / 3600)


def test_a_warm_up_is_told_from_the_first_reading_on() -> None:
    found = truths(session(drift="warm-up", warm_hz=100.0, warm_tau_s=400.0, dial_hz=7.0))
    first_s = float(found.times("frequency")[0])
    assert found.warm_up() == pytest.approx((100.0 * math.exp(-first_s / 400.0), 400.0, 14.2e6 + 7.0))


def test_settled_lies_between_what_noise_could_make_of_it() -> None:
    """400 Hz with tau 400 s is within 300/4 Hz of its last value after 400 ln(400 / (75 + what is left then))."""
    found = truths(session(drift="warm-up", warm_hz=400.0, warm_tau_s=400.0))
    low, high = settled_between(found, 300.0, 1.0)
    left = 400 * math.exp(-float(np.median(found.times("frequency")[-49:])) / 400)
    at_s = 400 * math.log(400 / (75 + left))
    assert low - 500 <= at_s <= high
    assert low <= high


def test_the_dial_is_the_middle_of_the_bands_true_errors_freed_of_what_all_share() -> None:
    """They drift together: 36 Hz/h is 0.01 Hz/s, and the rounds' middle is at 772.5 s."""
    bands = {}
    for name, crystal in (("80 m", -5.0), ("40 m", 2.0), ("20 m", 800.0)):
        band = replace(PLAIN, name=name, crystal_hz=crystal)
        bands[name] = truths(session(band, dial_hz=30.0, drift="straight", drift_hz_per_h=36.0))
    common, own = dial_of(bands)
    assert common == pytest.approx(32.0 + 7.725)
    assert own == pytest.approx({"80 m": -7.0, "40 m": 0.0, "20 m": 798.0})


def test_readings_are_off_by_their_instruments_error_and_nothing_else() -> None:
    errors = {"power": 0.5, "reflected": -0.25, "frequency": 1.0, "plate": -1.0, "current": 0.0}
    world = session(error=errors, stated=True)
    for name, one in world.readings().items():
        t_s = one.t_ns / 1e9
        true = world.true(t_s)[name]
        _, on = world.keyed(t_s)
        of_reading, of_range = ACCURACY[name]
        expected = true + errors[name] * (of_reading * true + of_range * RANGES[name])
        read = one.value * (PROBE if name == "plate" else 1.0)
        assert read[on] == pytest.approx(expected[on], rel=1e-12), name


def test_readings_are_rounded_to_the_nearest_step() -> None:
    world = session(replace(PLAIN, power_w=150.2), step={"power": 0.5})
    found = world.readings()["power"]
    assert set(found.value[world.keyed(found.t_ns / 1e9)[1]]) == {150.0}


def test_readings_are_rounded_lost_and_stuck_as_planted() -> None:
    span = (20.0, 24.0)
    world = session(
        step={"power": 0.5},
        missing=(("current", *span),),
        over=(("plate", *span),),
        stuck=(("reflected", *span),),
        noise=replace(SILENT, sd=SILENT.sd | {"power": 0.01, "reflected": 0.01}),
    )
    found = world.readings()
    at = {name: (one.t_ns / 1e9 >= span[0]) & (one.t_ns / 1e9 <= span[1]) for name, one in found.items()}
    assert np.all(found["power"].value == np.round(found["power"].value * 2) / 2)
    assert np.all(found["current"].state[at["current"]] == CODE[State.MISSED])
    assert np.all(found["plate"].state[at["plate"]] == CODE[State.OVER_RANGE])
    assert np.all(np.isnan(found["plate"].value[at["plate"]]))
    assert len(np.unique(found["reflected"].value[at["reflected"]])) == 1
    assert len(np.unique(found["reflected"].value[~at["reflected"]])) > 100


@pytest.mark.parametrize(
    ("kind", "lag_one"), [(Noise("white", 0.6, 1.5, {}), 0.0), (Noise("ar", 0.6, 1.5, {}), 0.6)], ids=["white", "ar"]
)
def test_noise_has_unit_variance_and_the_correlation_it_should(kind: Noise, lag_one: float) -> None:
    values = noise(np.random.default_rng(5), 200_000, 0.2, kind)
    assert values.std() == pytest.approx(1.0, abs=0.02)
    assert values.mean() == pytest.approx(0.0, abs=0.03)
    assert float(values[:-1] @ values[1:]) / len(values) == pytest.approx(lag_one, abs=0.02)


def test_wandering_noise_is_half_white_and_forgets_after_twice_its_time() -> None:
    values = noise(np.random.default_rng(5), 400_000, 0.5, Noise("wandering", 0.0, 1.5, {}))
    products = [float(values[:-k] @ values[k:]) / len(values) for k in (1, 6)]
    assert values.std() == pytest.approx(1.0, abs=0.02)
    assert 0.3 < products[0] < 0.5
    assert products[1] == pytest.approx(0.0, abs=0.02)


def test_noise_at_the_start_is_no_different() -> None:
    firsts = [noise(np.random.default_rng(n), 2, 0.2, Noise("ar", 0.8, 1.5, {})) for n in range(4000)]
    assert np.std(firsts, axis=0) == pytest.approx([1.0, 1.0], abs=0.05)


def test_the_distribution_is_the_stated_one() -> None:
    drawn = [draw(11, n) for n in range(600)]
    assert sum(p.kind == "sweep" for p in drawn) == pytest.approx(300, abs=60)
    assert sum(p.noise.kind == "white" for p in drawn) == pytest.approx(240, abs=60)
    assert sum(p.stated for p in drawn) == pytest.approx(300, abs=60)
    assert sum(p.clean for p in drawn) == pytest.approx(240, abs=60)
    assert sum(p.at_limit for p in drawn) == pytest.approx(120, abs=50)
    assert {kind for p in drawn for kind in p.faults} == set(FAULTS)
    bands = [band for p in drawn for band in p.bands]
    assert sum(band.moves_hz != 0 for band in bands) == pytest.approx(len(bands) / 2, rel=0.1)
    assert sum(band.shape == "none" and not band.sag for band in bands) == pytest.approx(0.3 * len(bands), rel=0.15)
    errors = np.array([e for p in drawn if p.stated for e in p.error.values()])
    assert np.abs(errors).max() <= 1
    assert errors.std() == pytest.approx(1 / math.sqrt(3), abs=0.03)
    for p in drawn:
        assert (len(p.bands), len(p.key_downs)) == {"sweep": (5, 5), "watch": (5, 20), "soak": (1, 40)}[p.kind]
        assert all(20 <= round(k.stop_s - k.start_s, 6) <= 60 for k in p.key_downs)
        assert {band.name for band in p.bands} <= {name for name, _, _ in BANDS}


@pytest.mark.parametrize("fault", FAULTS)
def test_a_fault_that_is_asked_for_is_planted_where_it_fits(fault: str) -> None:
    drawn = [draw(1, n, fault=fault) for n in range(40)]
    assert sum(set(p.faults) == {fault} for p in drawn) > 10

"""Do the 95 % intervals hold the truth? Seeded repetitions of whole sessions with planted truth.

Of 200 repetitions 190 +/- 3 should; the bounds below are three such deviations out. An interval that always holds
the truth by being far too wide is no better, so the scatter's intervals are bounded from above as well.
"""

from collections import Counter

import numpy as np
import pytest
from scipy.signal import lfilter

from benchlog.model import State
from tests.analysis.synthetic import Keying, Synthetic, bench, level, plan

REPETITIONS = 200
LEAST = 181

THREE = plan(
    "40 m: 7.100 MHz, min_power 100 W, max_droop 10 %, max_frequency_error 300 Hz",
    "20 m: 14.200 MHz, min_power 100 W, max_droop 10 %, max_frequency_error 300 Hz",
    "15 m: 21.200 MHz, min_power 90 W, max_droop 10 %, max_frequency_error 300 Hz",
)


def repeated(the_bench, meter, spoil=lambda session, rng: None):
    """How often each result's interval held the truth, and the mean of U over the rms error."""
    held, guards, errors = Counter(), Counter(), Counter()
    for seed in range(REPETITIONS):
        rng = np.random.default_rng(seed)
        gain, offset, counter = meter(rng)
        taus, shares = rng.uniform(3, 15, 3), rng.uniform(0.0, 0.04, 3)
        curves = [
            lambda x, s=share, tau=tau: 120 * (1 - s * -np.expm1(-x / tau))
            for share, tau in zip(shares, taus, strict=True)
        ]
        off = rng.uniform(-30, 30) + np.array([0.0, rng.uniform(10, 60), -rng.uniform(10, 60)])
        keyings = [
            Keying(
                2 + 25 * i,
                20,
                lambda x, curve=curve, gain=gain, offset=offset: curve(x) * gain + offset,
                level((band.expected_hz + error) * counter),
            )
            for i, (band, curve, error) in enumerate(zip(THREE.bands, curves, off, strict=True))
        ]
        session = Synthetic(keyings, seed=seed, watts_noise=0.5)
        spoil(session, rng)
        record = session.analysed(THREE, the_bench).record
        at = np.linspace(2, 19.5, 1001)
        for band, watts, error in zip(record.bands, curves, off, strict=True):
            curve = watts(at)
            truths = {
                "power_w": (band.power_w, curve.mean()),
                "droop_percent": (band.droop_percent, 100 * (1 - curve[-1] / curve[0])),
                "frequency_error_hz": (band.frequency_error_hz, error),
                "own_hz": (record.dial.own_hz[band.band], error - np.median(off)),
            }
            if band.band == "40 m":
                truths["common_hz"] = (record.dial.common_hz, np.median(off))
            for name, (result, truth) in truths.items():
                if band.band == "40 m":
                    held[name] += abs(result.value - truth) <= result.expanded
                guards[name] += result.expanded**2
                errors[name] += (result.value - truth) ** 2
    return held, {name: (guards[name] / errors[name]) ** 0.5 for name in guards}


def test_scatter_alone():
    """Perfect instruments, noisy readings: U is what the noise does, no more."""
    held, ratio = repeated(bench(), lambda rng: (1.0, 0.0, 1.0))
    assert min(held.values()) >= LEAST, held
    for name in ("power_w", "droop_percent", "frequency_error_hz", "common_hz"):
        assert 1.7 < ratio[name] < 2.8, ratio  # about 2 for a normal error and k = 2


def test_instruments_that_use_up_their_accuracy():
    """Gain and offset anywhere within the limits, the same for all readings: averaging must not hide them."""

    def meter(rng):
        return 1 + rng.uniform(-0.03, 0.03), rng.uniform(-2.5, 2.5), 1 + rng.uniform(-1e-6, 1e-6)

    limits = bench('of_reading = "3 %"\nof_range = "1 %"', 'of_reading = "1 ppm"')
    held, ratio = repeated(limits, meter)
    assert min(held.values()) >= LEAST, held
    # Two rectangular errors in one rectangular limit: U is 1.13 a, against an rms of a / root 3 at the most.
    assert 1.9 < ratio["power_w"] < 3.5, ratio
    assert ratio["droop_percent"] < 2.8, ratio  # the gain cancels: droop is known far better than power


def test_with_readings_lost():
    """Holes too short to end a key-down, yet a tenth of the readings."""

    def spoil(session, rng):
        for begin in range(4, 70, 6):
            at = begin + rng.uniform(0, 3)
            session.spoil("power", at, at + 0.5, State.MISSED).spoil("frequency", at, at + 3, State.INVALID)

    held, _ = repeated(bench(), lambda rng: (1.0, 0.0, 1.0), spoil)
    assert min(held.values()) >= LEAST, held


@pytest.fixture(scope="module")
def correlated():
    """How often each interval held the truth, where neighbouring readings are 80 % alike: first-order noise."""
    held = Counter()
    for seed in range(REPETITIONS):
        session = Synthetic([Keying(2, 40, level(120.0), level(7.1e6))], seed=seed, watts_noise=0.0, hertz_noise=0.0)
        rng = np.random.default_rng(seed + 1000)
        for name in ("power", "frequency"):
            one = session.series[name]
            one.value[...] = one.value + lfilter([0.6], [1, -0.8], rng.standard_normal(len(one)))
        results = session.analysed(THREE).record.bands[0].results
        for key, truth in (("power_w", 120), ("frequency_error_hz", 0)):
            held[key] += abs(results[key].value - truth) <= results[key].expanded
    return held


@pytest.mark.parametrize("key", ["power_w", "frequency_error_hz"])
def test_correlated_noise_is_allowed_for(correlated, key):
    """The naive interval would hold the truth in half of all cases."""
    assert correlated[key] >= LEAST, correlated

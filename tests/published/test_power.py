"""Power terms, and powers near a perfect match, against published relations."""

import math

import numpy as np
import pytest

from benchlog.analysis.swr import delivered, measured_swr, swr
from benchlog.analysis.uncertainty import combine, expanded
from benchlog.emission import Emission
from benchlog.model import Component, Measured


@pytest.mark.parametrize(
    ("mode", "signal", "mean", "decibels", "carrier"),
    [  # ITU-R SM.326-7, with the terms of RR 1.156 to 1.159: mean / PEP and carrier / PEP
        ("cw", "carrier", 1.0, 0.0, 1.0),
        ("cw", "dots", 0.5, -3.01, 1.0),  # equal marks and spaces (table from memory; recomputed)
        ("am", "carrier", 0.25, -6.02, 0.25),
        ("am", "one-tone", 0.375, -4.26, 0.25),  # 100 %
        ("usb", "one-tone", 1.0, 0.0, None),
        ("lsb", "two-tone", 0.5, -3.01, None),
        ("usb", "two-tone", 0.5, -3.01, None),
    ],
)
def test_relations_of_sm_326(mode, signal, mean, decibels, carrier):
    sent = Emission(mode, signal)
    found = sent.level("mean") / sent.level("pep")
    assert found == mean
    assert 10 * math.log10(found) == pytest.approx(decibels, abs=5.1e-3)
    assert carrier == (None if sent.level("carrier") is None else sent.level("carrier") / sent.level("pep"))


@pytest.mark.parametrize(
    ("depth", "pep", "mean"), [(0.3, 1.69, 1.045), (0.5, 2.25, 1.125), (0.8, 3.24, 1.32), (1.0, 4.0, 1.5)]
)
def test_am_at_a_depth(depth, pep, mean):
    """PEP / carrier = (1 + m)**2, mean / carrier = 1 + m**2 / 2: recomputed from the envelope 1 + m cos(w t)."""
    sent = Emission("am", "one-tone", depth)
    assert sent.factor("mean", "carrier") == pytest.approx(1 / mean)
    assert sent.factor("pep", "carrier") == pytest.approx(1 / pep)
    assert sent.factor("mean", "pep") == pytest.approx(pep / mean)
    assert sent.factor("pep", "mean") == pytest.approx(mean / pep)
    envelope = 1 + depth * np.cos(np.linspace(0, 2 * np.pi, 1000, endpoint=False))
    assert float(np.mean(envelope**2)) == pytest.approx(mean)
    assert float(np.max(envelope**2)) == pytest.approx(pep)


def test_two_equal_tones_from_the_envelope():
    """SM.326: PEP is twice the mean power; the envelope of two equal tones is a rectified cosine."""
    envelope = np.abs(np.cos(np.linspace(0, np.pi, 1000, endpoint=False)))
    measured = float(np.mean(envelope**2)) / float(np.max(envelope**2))
    assert Emission("usb", "two-tone").factor("pep", "mean") == pytest.approx(measured)


@pytest.mark.parametrize("mode", ["usb", "lsb", "am"])
def test_speech_has_no_fixed_relation(mode):
    """SM.326 gives means of smoothly read text only; a meter of the rating's own kind needs no relation."""
    sent = Emission(mode, "speech")
    assert sent.factor("mean", "pep") is None
    assert sent.factor("pep", "mean") is None
    assert sent.factor("pep", "pep") == sent.factor("mean", "mean") == sent.factor("mean", None) == 1.0


def test_delivered_and_swr_of_two_powers():
    """100 W forward, 4 W back: SWR 1.5, 96 W stay (handbook theory)."""
    forward, reflected = Measured(100.0, 0.0), Measured(4.0, 0.0)
    assert measured_swr(forward, reflected).value == pytest.approx(1.5)
    assert delivered(forward, reflected).value == pytest.approx(96.0)


@pytest.mark.parametrize(
    ("x1", "full", "u_full"),
    [(0.000, 50e-6, 50e-6), (0.010, 150e-6, 112e-6), (0.050, 2550e-6, 502e-6)],  # from memory; closed form
)
def test_jcgm_101_near_a_perfect_match(x1, full, u_full):
    """JCGM 101:2008, 9.4: a loss x1**2 + x2**2, x2 = 0, u = 0.005 each. To first order u is 2 x1 u: none at x1 = 0.

    Such a loss is our share of reflected power. The interval of the standing wave ratio that we make of it holds at
    least 95 % of the ratios that the reflection coefficient can have.
    """
    rng = np.random.default_rng(9)
    draws = (x1 + 0.005 * rng.standard_normal(400_000)) ** 2 + (0.005 * rng.standard_normal(400_000)) ** 2
    assert float(draws.mean()) == pytest.approx(full, abs=5 * u_full / 400_000**0.5)
    assert float(draws.std()) == pytest.approx(u_full, abs=1.5e-6)
    watts = 100.0
    reflected = combine(full * watts, [Component(u_full * watts, source="reflected")])
    found = measured_swr(Measured(watts, 0.0), reflected)
    guard, _ = expanded(found)
    gamma = np.sqrt(draws)
    ratios = (1 + gamma) / (1 - gamma)
    assert np.mean(np.abs(ratios - found.value) <= guard) >= 0.95
    assert found.value == pytest.approx(swr(1.0, full))
    if x1 == 0.05:  # far from the match, first order is good enough, and ours agrees with it
        gamma = math.sqrt(full)
        first_order = 2 / (1 - gamma) ** 2 / (2 * gamma) * u_full
        assert found.u == pytest.approx(first_order, rel=0.15)
    if x1 == 0.0:
        assert found.u > 0.001

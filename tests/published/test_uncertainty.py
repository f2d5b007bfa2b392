"""Our uncertainty and verdict functions against the guides' printed examples."""

import csv
import math
from pathlib import Path

import numpy as np
import pytest

from benchlog.analysis.accuracy import Accuracy
from benchlog.analysis.uncertainty import (
    combine,
    coverage_factor,
    expanded,
    joint,
    rectangular,
)
from benchlog.analysis.verdicts import Sense, verdict
from benchlog.model import Component, Measured
from tests.analysis.synthetic import mean_of

DATA = Path(__file__).parent / "data"


def test_student_t_against_gum_table_g2():
    """JCGM 100:2008, table G.2. The 68.27, 95.45 and 99.73 % columns are for 1, 2 and 3 sigma exactly."""
    exact = {"p68.27": math.erf(1 / 2**0.5), "p95.45": math.erf(2 / 2**0.5), "p99.73": math.erf(3 / 2**0.5)}
    checked = 0
    with (DATA / "gum_g2_student_t.csv").open(newline="") as file:
        for row in csv.DictReader(file):
            dof = math.inf if row["nu"] == "inf" else float(row["nu"])
            for name, printed in row.items():
                if name == "nu":
                    continue
                coverage = exact.get(name, float(name[1:]) / 100)
                last_digit = 10.0 ** -len(printed.partition(".")[2])
                assert coverage_factor(dof, coverage) == pytest.approx(float(printed), abs=0.5001 * last_digit)
                checked += 1
    assert checked == 28 * 6


def test_coverage_factor_between_whole_degrees_lies_between():
    """GUM G.4.1: truncate or interpolate; the distribution itself interpolates (16.7 from H.1)."""
    assert coverage_factor(17, 0.99) < coverage_factor(16.7, 0.99) < coverage_factor(16, 0.99)


def test_gum_h1_end_gauge():
    """JCGM 100:2008, H.1, in nm: 25 (18), 9.7 (25.6), 2.9 (50), 16.6 (2) -> 32, 16, t99 2.92, U 93."""
    gauge = 50_000_623.0
    comparator = combine(0.0, [Component(5.8, 24), Component(3.9, 5), Component(6.7, 8)])
    assert (comparator.u, comparator.dof) == (pytest.approx(9.7, abs=0.05), pytest.approx(25.6, abs=0.16))
    expansion = Component(rectangular(gauge * 1e-6 * 0.1), 50)
    temperature = Component(rectangular(gauge * 11.5e-6 * 0.05), 2)
    assert [expansion.u, temperature.u] == pytest.approx([2.9, 16.6], abs=0.05)
    length = combine(
        50_000_838.0, [Component(25.0, 18), Component(comparator.u, comparator.dof), expansion, temperature]
    )
    assert length.u == pytest.approx(31.66, abs=0.01)
    assert length.dof == pytest.approx(16.75, abs=0.01)
    guard_k = expanded(Measured(length.value, length.u, math.floor(length.dof)), 0.99)
    assert guard_k is not None
    assert guard_k[1] == pytest.approx(2.92, abs=0.005)
    assert guard_k[0] == pytest.approx(93, abs=0.7)  # the print rounds u to 32 nm before it multiplies
    assert f"{length.value / 1e6:.6f}" == "50.000838"  # mm
    second_order = combine(0.0, [Component(length.u), Component(11.7), Component(1.7)])
    assert round(second_order.u) == 34


def test_gum_h2_correlated_inputs():
    """JCGM 100:2008, H.2: resistance, reactance and impedance from five joint readings of V, I and phi."""
    volts = np.array([5.007, 4.994, 5.005, 4.990, 4.999])
    amperes = np.array([19.663, 19.639, 19.640, 19.685, 19.678]) / 1e3
    phi = np.array([1.0456, 1.0438, 1.0468, 1.0428, 1.0433])
    found = joint([np.column_stack([volts, amperes, phi])])
    v, i, f = found.means
    assert (f"{v:.4f}", f"{1e3 * i:.4f}", f"{f:.5f}") == ("4.9990", "19.6610", "1.04446")
    u = [found.u(one) for one in np.eye(3)]
    r = found.covariance / np.outer(u, u)
    assert (f"{u[0]:.4f}", f"{1e3 * u[1]:.4f}", f"{u[2]:.5f}") == ("0.0032", "0.0095", "0.00075")
    assert (f"{r[0, 1]:.2f}", f"{r[0, 2]:.2f}", f"{r[1, 2]:.2f}") == ("-0.36", "0.86", "-0.65")
    ohms = v / i
    jacobian = np.array(
        [
            [np.cos(f) / i, -ohms * np.cos(f) / i, -ohms * np.sin(f)],
            [np.sin(f) / i, -ohms * np.sin(f) / i, ohms * np.cos(f)],
            [1 / i, -ohms / i, 0.0],
        ]
    )
    assert [f"{x:.3f}" for x in (ohms * np.cos(f), ohms * np.sin(f), ohms)] == ["127.732", "219.847", "254.260"]
    u = np.array([found.u(one) for one in jacobian])
    r = jacobian @ found.covariance @ jacobian.T / np.outer(u, u)
    # u(X) is 0.29558 this way; the guide prints 0.295 for both its ways, and its other way gives it: see below.
    assert u == pytest.approx([0.071, 0.295, 0.236], abs=6e-4)
    each = volts / amperes
    by_reading = [mean_of(each * np.cos(phi)), mean_of(each * np.sin(phi)), mean_of(each)]
    assert [f"{one.u:.3f}" for one in by_reading] == ["0.071", "0.295", "0.236"]
    assert [f"{x:.3f}" for x in (r[0, 1], r[0, 2], r[1, 2])] == ["-0.588", "-0.485", "0.993"]
    assert found.dof == 4


def test_gum_g4_relative_components():
    """JCGM 100:2008, G.4.1 (inputs from memory; the printed result comes out): 1.03 %, 19.0, 2.09, 2.2 %."""
    found = combine(1.0, [Component(0.25, 9), Component(0.57, 4), Component(0.82, 14)])
    assert found.u == pytest.approx(1.03, abs=0.005)
    assert found.dof == pytest.approx(19.0, abs=0.06)
    guard, k = expanded(found)
    assert (k, guard) == (pytest.approx(2.09, abs=0.005), pytest.approx(2.2, abs=0.06))


def test_gum_voltmeter():
    """JCGM 100:2008, 4.3.7 example 2 and 5.1.5 (from memory): 14 ppm of 0.928571 V + 2 ppm of 1 V -> 15, 8.7, 15 uV."""
    meter = Accuracy(gain=14e-6, offset=2e-6 * 1.0)
    assert meter.limit(0.928571) == pytest.approx(15e-6, abs=0.05e-6)
    assert meter.u(0.928571) == pytest.approx(8.7e-6, abs=0.05e-6)
    total = combine(0.928571, [Component(12e-6), Component(meter.u(0.928571))])
    assert total.u == pytest.approx(15e-6, abs=0.21e-6)  # 14.8 before rounding


def test_ea_4_02_s7_attenuator():
    """EA-4/02, supplement 7 (readings from memory): 30.043 dB, u 0.0224, about 108 degrees, U 0.045 at k = 2."""
    readings = mean_of(np.array([30.033, 30.058, 30.018, 30.052]))
    assert readings.u == pytest.approx(0.0091, abs=5e-5)
    assert readings.dof == 3
    others = [0.0025, 0.0014, 0.0200, 0.0021, 0.0003, 0.0003, 0.0020, 0.0020]
    found = combine(readings.value + 0.003, [Component(readings.u, readings.dof), *map(Component, others)])
    assert found.value == pytest.approx(30.043, abs=5e-4)
    assert found.u == pytest.approx(0.0224, abs=1e-4)
    assert found.dof == pytest.approx(108, abs=3)
    guard, k = expanded(found, math.erf(2 / 2**0.5))  # 95.45 %
    assert k == pytest.approx(2.0, abs=0.03)
    assert guard == pytest.approx(0.045, abs=6e-4)


@pytest.mark.parametrize(
    ("value", "said"),
    [(8.9, "pass"), (9.0, "pass"), (9.5, "undecided"), (10.5, "undecided"), (11.0, "undecided"), (11.1, "fail")],
)
def test_ilac_g8_points(value, said):
    """ILAC-G8:09/2019: upper limit 10, guard band U = 1; its two conditional zones are our "undecided".

    At 9.0 the tie passes; at 11.0 the interval's end still meets the limit.
    """
    assert verdict(value, 1.0, 10.0, Sense.AT_MOST) == said


@pytest.mark.parametrize(
    ("value", "u", "limit", "sense", "said"),
    [
        # JCGM 106:2012 examples (from memory), held against guard bands of U = 2 u: conformity is 0.92 and 0.99 likely.
        (-5.47, 0.05, -5.40, Sense.AT_MOST, "undecided"),  # breakdown voltage of a Zener diode
        (509.7, 8.6, 490.0, Sense.AT_LEAST, "pass"),  # burst pressure
        (13.6 - 14.4, 1.8, 1.9, Sense.WITHIN, "undecided"),  # viscosity 12.5 to 16.3: 14.4 +/- 1.9, 0.66 likely
    ],
)
def test_jcgm_106_points(value, u, limit, sense, said):
    assert verdict(value, 2 * u, limit, sense) == said

"""Our Allan deviations, means and slopes against W. J. Riley, NIST SP 1065 (2008), tables 29 to 32, and allantools.

Slopes and intercepts of table 31 are from memory; recomputed, they come out to the printed digits.
"""

import tomllib
from pathlib import Path

import allantools
import numpy as np
import pytest

from benchlog.analysis.fits import fit_line
from benchlog.analysis.stability import allan, degrees_of_freedom
from benchlog.analysis.uncertainty import scatter

PRINTED = tomllib.loads((Path(__file__).parent / "data" / "frequency.toml").read_text())["sp1065"]
DIGITS = 5e-7  # of the value: seven printed


def thousand_points():
    """The suite's generator: n0 = 1234567890, n(i+1) = 16807 n(i) mod 2147483647, value n / 2147483647."""
    numbers = [1234567890]
    while len(numbers) < 1000:
        numbers.append(16807 * numbers[-1] % 2147483647)
    assert numbers[1:4] == [395529916, 1209410747, 633705974]
    return np.array(numbers) / 2147483647


SETS = {"nine_points": np.array(PRINTED["nine"], dtype=float), "thousand_points": thousand_points()}


@pytest.mark.parametrize("name", SETS)
def test_overlapping_allan_deviation(name):
    printed = PRINTED[name]
    found = allan([SETS[name]], 1.0, printed["m"])
    assert [one.tau_s for one in found] == printed["m"]
    assert [one.deviation for one in found] == pytest.approx(printed["oadev"], rel=DIGITS)
    assert [one.terms for one in found] == [len(SETS[name]) + 1 - 2 * m for m in printed["m"]]


@pytest.mark.parametrize("name", SETS)
def test_mean_slope_and_deviation(name):
    """Of the points averaged over m; x counts them from 1."""
    printed = PRINTED[name]
    for i, m in enumerate(printed["m"]):
        kept = len(SETS[name]) // m * m
        y = SETS[name][:kept].reshape(-1, m).mean(axis=1)
        line = fit_line(np.arange(1.0, len(y) + 1), y)
        assert y.mean() == pytest.approx(printed["mean"][i], rel=DIGITS)
        assert line.b == pytest.approx([printed["intercept"][i], printed["slope"][i]], rel=DIGITS)
        assert scatter(y - y.mean()).sd == pytest.approx(printed["std"][i], rel=DIGITS)


def test_interval_of_table_32():
    """m = 10, white frequency noise. The print's chi-square was an approximation, so the ends agree to 1e-3 only."""
    printed = PRINTED["table32"]
    (found,) = allan([SETS["thousand_points"]], 1.0, [10])
    assert (found.low, found.high) == pytest.approx((printed["printed_low"], printed["printed_high"]), rel=1e-3)
    assert (found.low, found.high) == pytest.approx((printed["exact_low"], printed["exact_high"]), rel=DIGITS)


def test_deviations_and_degrees_of_freedom_as_allantools_has_them():
    """The reference library of the field, on noise that wanders, far from zero as a frequency error may be."""
    y = 3e-6 + 1e-9 * np.cumsum(np.random.default_rng(4).standard_normal(501))
    found = allan([y], 1.0)
    taus, deviations, _, counts = allantools.oadev(y, rate=1.0, data_type="freq", taus=[one.tau_s for one in found])
    assert len(found) == 8
    assert [one.tau_s for one in found] == pytest.approx(taus)
    assert [one.deviation for one in found] == pytest.approx(deviations, rel=1e-9)
    assert [one.terms for one in found] == pytest.approx(counts)
    expected = [allantools.edf_simple(502, int(tau), 0) for tau in taus]
    assert [degrees_of_freedom(502, int(tau)) for tau in taus] == pytest.approx(expected, rel=1e-12)

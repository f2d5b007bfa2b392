"""Our fitters, scatter and slopes against certified and printed values."""

import csv
import math
from pathlib import Path

import numpy as np
import pytest

from benchlog.analysis.droop import DroopFit
from benchlog.analysis.fits import fit_exponential, fit_line, theil_sen
from benchlog.analysis.uncertainty import lagged_sums, scatter
from benchlog.model import Measured
from tests.analysis.synthetic import mean_of

DATA = Path(__file__).parent / "data"


def columns(name):
    with (DATA / name).open(newline="") as file:
        rows = list(csv.DictReader(file))
    return tuple(np.array([float(row[key]) for row in rows]) for key in rows[0])


# NIST Statistical Reference Datasets (StRD), nonlinear regression, y = b1 (1 - exp(-b2 x)): the shape of a droop
# curve that starts at 0. Ours has a free start; the point (0, 0) with an overwhelming weight pins it.
CERTIFIED = {
    "misra1a": ((2.3894212918e02, 5.5015643181e-04), (2.7070075241e00, 7.2668688436e-06), 1.2455138894e-01, 12),
    "boxbod": ((2.1380940889e02, 5.4723748542e-01), (1.2354515176e01, 1.0455993237e-01), 1.1680088766e03, 4),
}


@pytest.mark.parametrize("name", CERTIFIED)
def test_exponential_against_strd(name):
    (b1, b2), (sd1, sd2), rss, dof = CERTIFIED[name]
    x, y = columns(f"strd_{name}.csv")
    weights = np.array([1e12, *np.ones(len(x))])
    fit = fit_exponential(np.array([0.0, *x]), np.array([0.0, *y]), weights)
    assert fit is not None
    tau, u_tau = fit.b[2], fit.u[2]  # b2 = 1 / tau
    printed = 1e-10  # eleven digits
    assert fit.b[:2] == pytest.approx([b1, -b1], rel=printed)
    assert 1 / tau == pytest.approx(b2, rel=printed)
    assert fit.rss == pytest.approx(rss, rel=printed)
    assert fit.dof == dof
    assert math.sqrt(fit.rss / dof) == pytest.approx(math.sqrt(rss / dof), rel=printed)
    assert (fit.u[0], u_tau / tau**2) == (pytest.approx(sd1, rel=printed), pytest.approx(sd2, rel=printed))


def test_line_against_strd_norris():
    """NIST StRD, linear regression, Norris."""
    x, y = columns("strd_norris.csv")
    fit = fit_line(x, y)
    assert fit.b == pytest.approx([-0.262323073774029, 1.00211681802045], rel=1e-10)
    assert fit.u == pytest.approx([0.232818234301152, 0.429796848199937e-03], rel=1e-9)
    assert fit.sd == pytest.approx(0.884796396144373, rel=1e-10)
    assert fit.rss == pytest.approx(26.6173985294224, rel=1e-10)
    assert 1 - fit.rss / float(np.sum((y - y.mean()) ** 2)) == pytest.approx(0.999993745883712, abs=1e-15)
    assert fit.dof == 34


def test_line_against_gum_h3():
    """JCGM 100:2008 (GUM), H.3: a thermometer's calibration line about 20 degC, and its correction at 30 degC."""
    t = np.array([21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511])
    b = -np.array([0.171, 0.169, 0.166, 0.159, 0.164, 0.165, 0.156, 0.157, 0.159, 0.161, 0.160])
    fit = fit_line(t - 20, b)
    at_30 = np.array([1.0, 10.0])
    assert fit.b == pytest.approx([-0.1712, 0.00218], abs=5.1e-5)
    assert fit.b[1] == pytest.approx(0.00218, abs=5.1e-6)
    assert fit.u == pytest.approx([0.0029, 0.00067], abs=5.1e-5)
    assert fit.u[1] == pytest.approx(0.00067, abs=5.1e-6)
    assert fit.covariance[0, 1] / math.prod(fit.u) == pytest.approx(-0.930, abs=5.1e-4)
    assert fit.sd == pytest.approx(0.0035, abs=5.1e-5)
    assert at_30 @ fit.b == pytest.approx(-0.1494, abs=5.1e-5)
    assert math.sqrt(at_30 @ fit.covariance @ at_30) == pytest.approx(0.0041, abs=5.1e-5)


@pytest.mark.parametrize(
    ("name", "mean", "sd", "lag1"),
    [  # NIST StRD, univariate summary statistics
        ("mavro", 2.00185600000000, 0.000429123454003053, 0.937989183438248),
        ("michelso", 299.852400000000, 0.0790105478190518, 0.535199668621283),
    ],
)
def test_scatter_of_correlated_records_against_strd(name, mean, sd, lag1):
    (y,) = columns(f"strd_{name}.csv")
    measured = mean_of(y)
    found = scatter(y - measured.value)
    assert measured.value == pytest.approx(mean, rel=1e-14)
    assert found.sd == pytest.approx(sd, rel=1e-10)
    sums = lagged_sums(y - measured.value)
    assert sums[1] / sums[0] == pytest.approx(lag1, rel=1e-9)
    # Such readings are worth fewer than n, and s / sqrt(n) is far too small: by sqrt((1 + r1) / (1 - r1)) for
    # first-order noise (JCGM 100 4.2.7 warns of it; the factor is the textbook one).
    assert measured.u > 0.9 * sd / math.sqrt(len(y)) * math.sqrt((1 + lag1) / (1 - lag1))
    assert found.dof < len(y) * (1 - lag1)


def test_theil_sen_against_sen_1968():
    """P. K. Sen, J. Am. Stat. Assoc. 63 (1968) 1379-1389, example: slope 4; intercept by separate medians 4."""
    x = np.array([1.0, 2, 3, 4, 10, 12, 18])
    y = np.array([9.0, 15, 19, 20, 45, 55, 78])
    slope, _ = theil_sen(x, y)
    assert slope == 4.0
    shuffled = np.array([3, 0, 6, 2, 5, 1, 4])
    assert theil_sen(x[shuffled], y[shuffled])[0] == 4.0


def test_theil_sen_intercept_is_the_joint_median():
    """Same data; the intercept as the median of y - slope x is 6 (checked against scipy's "joint" method)."""
    x = np.array([1.0, 2, 3, 4, 10, 12, 18])
    y = np.array([9.0, 15, 19, 20, 45, 55, 78])
    assert theil_sen(x, y)[1] == 6.0


def test_theil_sen_of_five_points():
    """Hollander and Wolfe, Nonparametric Statistical Methods, ch. 9 (data from memory; the slope recomputed)."""
    slope, _ = theil_sen(np.arange(1.0, 6.0), np.array([1.26, 1.27, 1.12, 1.16, 1.03]))
    assert slope == pytest.approx(-0.05625, abs=1e-12)


def test_first_order_response():
    """Closed form: after 1, 2, ... 5 time constants 63.212 ... 99.326 % of the way; half of it at ln 2."""
    long = DroopFit("exponential", 0.0, 100.0, 100.0, 0.0, 1.0, Measured(100.0, 0.0))
    gone = 100 - long.curve(np.array([1.0, 2, 3, 4, 5]))
    assert gone == pytest.approx([63.212, 86.466, 95.021, 98.168, 99.326], abs=5.1e-4)
    assert long.curve(np.array([0.6931]))[0] == pytest.approx(50.0, abs=5e-3)

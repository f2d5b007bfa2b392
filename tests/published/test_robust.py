"""Our CUSUM and median polish against published examples."""

import tomllib
from pathlib import Path

import numpy as np
import pytest

from benchlog.analysis.cusum import cusum
from benchlog.analysis.polish import median_polish

PRINTED = tomllib.loads((Path(__file__).parent / "data" / "frequency.toml").read_text())


@pytest.mark.parametrize("name", ["cusum_nist", "cusum_montgomery"])
def test_every_sum(name):
    """NIST/SEMATECH e-Handbook 6.3.2.3 (h and k from memory; h = -2 ln(0.00135) k gives it); D. C. Montgomery, G. C.
    Runger, Applied Statistics and Probability for Engineers, table 16-8, in which there is no signal."""
    printed = PRINTED[name]
    sums = cusum(np.array(printed["x"]), printed["target"], printed["k"])
    assert sums.high == pytest.approx(printed["hi"], abs=5e-7)
    assert sums.low == pytest.approx(printed["lo"], abs=5e-7)
    alarm = sums.alarm(printed["h"])
    assert (0 if alarm is None else alarm + 1) == printed["first_signal"]


def test_median_polish_of_five_by_three():
    """P. F. Velleman, D. C. Hoaglin, Applications, Basics and Computing of EDA, 1981, p. 224: rows first."""
    printed = PRINTED["median_polish"]
    found = median_polish(np.array(printed["table"], dtype=float))
    assert found.overall == printed["overall"]
    assert found.rows.tolist() == printed["rows"]
    assert found.columns.tolist() == printed["cols"]
    assert found.residuals.tolist() == printed["residuals"]
    assert np.abs(found.residuals).sum() == printed["abs_residual_sum"]

"""Probability of conformity against the guides' printed examples."""

import math

import pytest

from benchlog.analysis.verdicts import Sense, conformity, result
from benchlog.model import Measured


@pytest.mark.parametrize(
    ("value", "u", "limit", "sense", "printed"),
    [
        # JCGM 106:2012, 7.3 and 7.4 (inputs from memory; the printed results come out), with normal distributions.
        (-5.47, 0.05, -5.40, Sense.AT_MOST, 0.92),  # breakdown voltage of a Zener diode, V
        (509.7, 8.6, 490.0, Sense.AT_LEAST, 0.99),  # burst pressure, kPa
        (13.6 - 14.4, 1.8, 1.9, Sense.WITHIN, 0.66),  # viscosity 12.5 to 16.3 mm2/s, about the middle
    ],
)
def test_jcgm_106_examples(value, u, limit, sense, printed):
    assert conformity(Measured(value, u), limit, sense) == pytest.approx(printed, abs=0.005)


def test_a_zener_diodes_z():
    """The same example prints z = 1.40."""
    assert conformity(Measured(-5.47, 0.05), -5.40, Sense.AT_MOST) == pytest.approx(
        0.5 * (1 + math.erf(1.40 / math.sqrt(2)))
    )


@pytest.mark.parametrize(
    ("guards", "risk"),
    [(1.5, 0.0016), (1.0, 0.025), (0.83, 0.05), (0.0, 0.5)],
)
def test_ilac_g8_guard_bands(guards, risk):
    """ILAC-G8:09/2019, table 1 (from memory): the risk of a false accept at the acceptance limit TL - r U, U = 2 u.

    Printed as "less than", so the risk must be below, but for no guard band, where it is 50 %.
    """
    limit, u = 10.0, 0.5
    at_the_acceptance_limit = Measured(limit - guards * 2 * u, u)
    found = 1 - conformity(at_the_acceptance_limit, limit, Sense.AT_MOST)
    assert found <= risk
    assert found > risk / 2


def test_the_risk_at_a_guard_band_of_u():
    """ILAC-G8:09/2019: 2.28 % for a normal distribution, the tail beyond 2 sigma."""
    for value, sense in ((9.0, Sense.AT_MOST), (11.0, Sense.AT_LEAST)):
        assert 1 - conformity(Measured(value, 0.5), 10.0, sense) == pytest.approx(0.0228, abs=5e-5)


def test_a_guard_band_of_three_u_leaves_less_than_one_in_a_million():
    """ILAC-G8:09/2019, table 1 (from memory)."""
    assert 1 - conformity(Measured(7.0, 0.5), 10.0, Sense.AT_MOST) < 1e-6


@pytest.mark.parametrize(("dof", "t95"), [(1, 12.71), (4, 2.78), (10, 2.23), (50, 2.01)])
def test_student_t_where_degrees_of_freedom_are_few(dof, t95):
    """JCGM 100:2008, table G.2: 2.5 % lie beyond t95, so what passes at its edge conforms with 97.5 %."""
    found = result(Measured(10.0 - t95, 1.0, dof), 10.0, Sense.AT_MOST)
    assert found.conformity == pytest.approx(0.975, abs=0.0004)

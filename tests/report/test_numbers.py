from __future__ import annotations

import math
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchlog.analysis.results import Result
from benchlog.analysis.wording import plus_minus
from benchlog.report.numbers import duration, megahertz, rounded, significant, with_uncertainty
from benchlog.report.told import live

FINITE = st.floats(allow_nan=False, allow_infinity=False)
POSITIVE = st.floats(min_value=0, exclude_min=True, allow_nan=False, allow_infinity=False)


@pytest.mark.parametrize(
    ("value", "expanded", "text"),
    [
        # JCGM 100:2008, 7.2.2: m_S = 100.021 47 g with U = 0.000 79 g. The value is given to the place of U.
        (100.02147, 0.00079, ("100.02147", "0.00079")),
        (100.0214732, 0.000793, ("100.02147", "0.00079")),
        # Our own: carries, tens, a value that vanishes in its U.
        (80.04, 0.0996, ("80.04", "0.10")),
        (1234.5, 125.3, ("1230", "130")),
        (-0.4, 12.0, ("0", "12")),
        (-30.0, 2.06, ("-30.0", "2.1")),
        (999.6, 99.6, ("1000", "100")),
        (0.0, 3.0, ("0.0", "3.0")),
        (141.237, 0.0, ("141.2", "0")),  # nothing limits its digits
    ],
)
def test_value_and_uncertainty_end_at_the_same_place(value: float, expanded: float, text: tuple[str, str]) -> None:
    assert rounded(value, expanded) == text


@given(FINITE, POSITIVE)
def test_two_significant_digits_of_u_and_the_value_within_half_a_step(value: float, expanded: float) -> None:
    """JCGM 100:2008, 7.2.6: at most two significant digits, and the value consistent with them."""
    shown_value, shown_u = (Decimal(text) for text in rounded(value, expanded))
    # Plain notation pads with zeros to the left of the point only: a step of 10 still shows "130".
    decimals = -shown_u.as_tuple().exponent
    assert -shown_value.as_tuple().exponent == decimals
    step = Decimal(1).scaleb(Decimal(expanded).adjusted() - 1)
    assert abs(shown_u - Decimal(expanded)) <= step / 2 or shown_u == 100 * step
    assert len(shown_u.normalize().as_tuple().digits) <= 2
    assert abs(shown_value - Decimal(value)) <= 5 * step


@given(FINITE, st.integers(1, 9))
def test_significant_digits_are_kept_and_no_more(value: float, digits: int) -> None:
    text = significant(value, digits)
    assert "e" not in text.lower()
    assert len(Decimal(text).normalize().as_tuple().digits) <= digits
    assert math.isclose(float(text), value, rel_tol=0.6 * 10 ** (1 - digits)) or value == 0 or abs(value) > 1e307


def test_a_result_in_words() -> None:
    assert with_uncertainty(Result(141.237, 8.92, 2.0, 50.0, 100.0, "pass"), "W") == "141.2 ± 8.9 W"
    assert with_uncertainty(Result.missing(100.0), "W") == "not measured"
    assert with_uncertainty(Result(141.237, None, None, None, 100.0, "undecided"), "W") == "141.2 W (U unknown)"
    assert with_uncertainty(Result(141.237, math.inf, 2.0, 1.0, 100.0, "undecided"), "W") == "141.2 W (U unknown)"
    assert with_uncertainty(Result(math.nan, 1.0, 2.0, 5.0, None, "pass"), "W") == "not measured"


@pytest.mark.parametrize(
    ("hz", "text"),
    [(14.3e6, "14.300 MHz"), (28_299_970, "28.29997 MHz"), (3_650_001, "3.650001 MHz"), (1.8e6, "1.800 MHz")],
)
def test_frequencies_show_kilohertz_and_no_lost_hertz(hz: float, text: str) -> None:
    assert megahertz(hz) == text


@pytest.mark.parametrize(
    ("seconds", "text"),
    [(0.5, "0.5 s"), (9.96, "10 s"), (59.4, "59 s"), (59.6, "1 min 0 s"), (310, "5 min 10 s"), (3599.7, "1 h 0 min"),
     (28_800, "8 h 0 min"), (259_170, "72 h 0 min")],
)  # fmt: skip
def test_durations_never_show_sixty(seconds: float, text: str) -> None:
    assert duration(seconds) == text


def test_nothing_is_said_to_be_minus_zero():
    assert plus_minus(-0.16, 211.0, "W") == "0 ± 210 W"
    assert plus_minus(-0.02, 0.31, "W") == "-0.02 ± 0.31 W"


@pytest.mark.parametrize(
    ("value", "unit", "text"),
    [(3600055.4, "Hz", "3.600055 MHz"), (0.2628, "A", "262.8 mA"), (32.71, "degC", "32.71 °C"), (0.5, "", "0.5")],
)
def test_a_value_as_it_changes_is_told_as_the_trade_says_it(value: float, unit: str, text: str) -> None:
    assert live(value, unit) == text

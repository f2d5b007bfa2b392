"""The search for where a function crosses zero."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchlog.analysis.root import root

PLACES = st.floats(-1e6, 1e6)


@given(at=PLACES, below=st.floats(1e-6, 1e6), above=st.floats(1e-6, 1e6), power=st.sampled_from([1, 3, 9, 0]))
def test_the_place_of_a_change_of_sign_is_found_in_few_steps(at: float, below: float, above: float, power: int) -> None:
    """Steep, flat or a step: halving alone would take some 53; power 0 is the step."""
    asked = []

    def of(x: float) -> float:
        asked.append(x)
        return math.copysign(abs(x - at) ** power, x - at)

    low, high = at - below, at + above
    found = root(of, low, high)
    underflown = 0.0 if of(found) else 1e-34  # nearer than that, a ninth power is nothing
    assert abs(found - at) <= 2e-15 * max(abs(at), high - low) + underflown
    assert all(low <= x <= high for x in asked)
    assert len(asked) < 200


def test_a_smooth_function_takes_far_fewer_than_halving() -> None:
    asked = []

    def of(x: float) -> float:
        asked.append(x)
        return math.exp(x) - 1e-3

    assert root(of, -20.0, 3.0) == pytest.approx(math.log(1e-3), rel=1e-15)
    assert len(asked) <= 16


def test_an_end_may_be_the_root_and_without_a_change_of_sign_there_is_none() -> None:
    assert root(lambda x: x, 0.0, 1.0) == 0.0
    assert root(lambda x: x, -1.0, 0.0) == 0.0
    with pytest.raises(ValueError, match="sign"):
        root(lambda x: x * x + 1, -1.0, 1.0)

"""What every part speaks of."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchlog.model import Reading, State


@given(st.floats())
def test_a_good_reading_has_a_finite_value_whichever_way_it_is_made(value: float) -> None:
    if math.isfinite(value):
        made = Reading.good("power", 5, value, 7)
        assert made == Reading("power", 5, value, 7)
        assert (made.state, made.reason, made.said) == (State.GOOD, "", "")
        return
    for make in (Reading, Reading.good):
        with pytest.raises(ValueError, match="good reading of power"):
            make("power", 5, value, 7)


@pytest.mark.parametrize("state", [state for state in State if state is not State.GOOD])
def test_a_reading_that_is_not_good_has_no_value(state: State) -> None:
    assert Reading("power", 5, None, 7, state, "why").value is None
    with pytest.raises(ValueError, match="with value"):
        Reading("power", 5, 1.0, 7, state, "why")

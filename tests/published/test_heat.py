"""The dummy load's heat against the first-order model's closed form.

Sources: the exponential itself (any heat-transfer text; values recomputed with 60 digits elsewhere). The trip time from
a warm start, t = tau ln((k - p)/(k - 1)), has the form of the thermal-overload curve of IEC 60255-149, there with
currents squared (from memory).
"""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchlog.keying.heat import HeatBudget

TAU_S = 300.0


@pytest.mark.parametrize(
    ("k", "taus"), [(1.25, 1.6094), (1.5, 1.0986), (2, 0.6931), (3, 0.4055), (4, 0.2877), (10, 0.1054)]
)
def test_how_long_an_overload_may_last_from_cold(k: float, taus: float) -> None:
    """Overload k from cold: -tau ln(1 - 1/k). So long, and hardly longer, the guard lets it be keyed at once."""
    assert HeatBudget(100.0, TAU_S).wait_s(100.0 * k, (taus - 0.5e-4) * TAU_S) == 0.0
    assert HeatBudget(100.0, TAU_S).wait_s(100.0 * k, (taus + 0.5e-4) * TAU_S) == math.inf
    assert HeatBudget(100.0, TAU_S).advance(taus * TAU_S, 100.0 * k) == pytest.approx(1.0, abs=0.5e-4 * k)


@pytest.mark.parametrize(("taus", "percent"), [(1, 63.212), (2, 86.466), (3, 95.021), (4, 98.168), (5, 99.326)])
def test_first_order_response(taus: float, percent: float) -> None:
    load = HeatBudget(100.0, TAU_S)
    assert 100 * load.advance(taus * TAU_S, 100.0) == pytest.approx(percent, abs=0.0005)
    assert load.wait_s(100.0, 1e9) == 0.0, "its continuous rating it stands for ever"


def test_half_life_of_cooling() -> None:
    load = HeatBudget(100.0, TAU_S, 0.8)
    assert load.advance(0.6931 * TAU_S) == pytest.approx(0.4, abs=1e-4)


def test_peak_of_on_and_off_cycling() -> None:
    """On 60 s, off 240 s, tau 300 s, k 2: peak k (1 - e^(-on/tau)) / (1 - e^(-(on+off)/tau)) = 0.574."""
    load = HeatBudget(100.0, TAU_S)
    peak = 0.0
    for _ in range(20):
        peak = load.advance(60.0, 200.0)
        load.advance(240.0)
    assert peak == pytest.approx(0.574, abs=0.0005)


def test_fast_cycles_average() -> None:
    """For cycles much shorter than tau the peak tends to k x duty."""
    load = HeatBudget(100.0, TAU_S)
    for _ in range(5000):
        load.advance(0.2, 300.0)
        load.advance(0.8)
    assert load.fraction == pytest.approx(3 * 0.2, abs=0.001)


POWERS = st.floats(1.0, 2000.0)


@given(POWERS, st.floats(0.0, 1.0), st.floats(0.1, 2000.0))
def test_after_the_wait_it_is_allowed_and_not_before(power_w: float, fraction: float, for_s: float) -> None:
    load = HeatBudget(100.0, TAU_S, fraction)
    wait_s = load.wait_s(power_w, for_s)
    if math.isinf(wait_s):
        assert HeatBudget(100.0, TAU_S).advance(for_s, power_w) >= 1 - 1e-9, "not even from cold"
        return
    if wait_s > 0:
        assert HeatBudget(100.0, TAU_S, fraction).advance(for_s, power_w) > 1 - 1e-9
    load.advance(wait_s)
    assert load.advance(for_s, power_w) <= 1 + 1e-9


@pytest.mark.parametrize("bad", [(0.0, 1.0, 0.0), (1.0, 0.0, 0.0), (1.0, 1.0, -0.1), (math.nan, 1.0, 0.0)])
def test_no_budget_without_a_rating(bad: tuple[float, float, float]) -> None:
    with pytest.raises(ValueError, match="no heat budget"):
        HeatBudget(*bad)


def test_a_load_above_its_limit_gets_nothing() -> None:
    assert HeatBudget(100.0, TAU_S, 1.0).wait_s(200.0, 1.0) > 0
    assert HeatBudget(100.0, TAU_S, 1.2).wait_s(50.0, 1.0) == pytest.approx(TAU_S * math.log(1.2))

"""Readings at a constant size: no extreme lost, every slot counted, whatever the order and the length."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchlog.page.trend import BUCKETS, FINEST_S, Track

VALUES = st.one_of(st.none(), st.floats(-1e9, 1e9))
READINGS = st.lists(st.tuples(st.floats(0, 5e5), VALUES), min_size=1, max_size=60)


def track(readings: list[tuple[float, float | None]]) -> Track:
    made = Track()
    for t_s, value in readings:
        made.add(t_s, value)
    return made


@given(readings=READINGS, points=st.integers(1, 2000))
def test_the_whole_run_has_every_slot_and_every_extreme(
    readings: list[tuple[float, float | None]], points: int
) -> None:
    end_s = max(t_s for t_s, _ in readings) + 1
    found = track(readings).between(0, end_s, points)
    good = [value for _, value in readings if value is not None]
    assert len(found.t_s) <= points
    assert sum(found.n) == len(good)
    assert sum(found.missing) == len(readings) - len(good)
    if good:
        assert min(low for low in found.low if low is not None) == min(good)
        assert max(high for high in found.high if high is not None) == max(good)
        total = sum(n * mean for n, mean in zip(found.n, found.mean, strict=True) if mean is not None)
        assert total == pytest.approx(math.fsum(good), rel=1e-9, abs=1e-6 * max(map(abs, good)))


@given(readings=READINGS, order=st.randoms(use_true_random=False))
def test_the_order_readings_come_in_is_irrelevant(readings: list[tuple[float, float | None]], order: object) -> None:
    mixed = list(readings)
    order.shuffle(mixed)  # type: ignore[attr-defined]
    end_s = max(t_s for t_s, _ in readings) + 1
    for from_s in (0.0, end_s - 30, end_s / 2):
        one, other = track(readings).between(from_s, end_s, 500), track(mixed).between(from_s, end_s, 500)
        assert (one.t_s, one.low, one.high, one.n, one.missing) == (
            other.t_s,
            other.low,
            other.high,
            other.n,
            other.missing,
        )


@given(readings=READINGS, from_s=st.floats(-10, 5e5), span_s=st.floats(0, 5e5), points=st.integers(1, 2000))
def test_buckets_are_in_order_inside_and_no_more_than_asked_for(
    readings: list[tuple[float, float | None]], from_s: float, span_s: float, points: int
) -> None:
    found = track(readings).between(from_s, from_s + span_s, points)
    assert len(found.t_s) <= points
    assert found.t_s == sorted(set(found.t_s))
    assert all(from_s - found.bucket_s <= t_s <= from_s + span_s + found.bucket_s for t_s in found.t_s)
    assert all(n + missing > 0 for n, missing in zip(found.n, found.missing, strict=True))
    for n, low, mean, high in zip(found.n, found.low, found.mean, found.high, strict=True):
        assert (n == 0) == (low is None) == (mean is None) == (high is None)
        if low is not None and mean is not None and high is not None:
            slack = 1e-9 * max(abs(low), abs(high))
            assert low - slack <= mean <= high + slack


def test_the_last_minutes_stay_fine_however_long_the_run() -> None:
    made = Track()
    for n in range(200_000):  # 11 h at two a second, then the last two minutes at ten
        made.add(n / 5, float(n))
    last_s = 200_000 / 5
    fine = made.between(last_s - 120, last_s, 2000)
    assert fine.bucket_s == pytest.approx(FINEST_S)
    assert sum(fine.n) == pytest.approx(600, abs=2)
    whole = made.between(0, last_s, 2000)
    assert sum(whole.n) == 200_000
    assert 1000 <= len(whole.t_s) <= 2000
    assert (whole.low[0], whole.high[-1]) == (0.0, 199_999.0)


def test_what_is_kept_does_not_grow() -> None:
    made = Track()
    for n in range(0, 40 * 86_400, 40):  # forty days
        made.add(float(n), 1.0)
    assert len(made._levels) == math.ceil(math.log2(40 * 86_400 / (FINEST_S * BUCKETS))) + 1


def test_a_late_reading_takes_no_newer_ones_place() -> None:
    """Both fall into one place of the finest level's ring, which by then holds the newer one."""
    newer_s, late_s = 300.05, 300.05 - BUCKETS * FINEST_S
    mixed = track([(newer_s, 7.0), (late_s, 1.0)]).between(newer_s - 1, newer_s + 1, 100)
    assert (mixed.n, mixed.high) == ([1], [7.0])
    both = track([(newer_s, 7.0), (late_s, 1.0)]).between(0, newer_s + 1, 100)
    assert sum(both.n) == 2

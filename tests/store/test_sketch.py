"""What readings look like from afar, against the readings themselves."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchlog.series import RawSeries
from benchlog.store import sketch


@st.composite
def stretches(draw: st.DrawFn) -> RawSeries:
    """Up to 300 readings of any size, some without a value, some no number an instrument should say."""
    random = np.random.default_rng(draw(st.integers(0, 2**32)))
    n = draw(st.integers(1, 300))
    value = draw(st.sampled_from([0.0, -52.0, 14.1e6, 1e308])) + random.normal(0, 1, n) * draw(
        st.sampled_from([0.0, 1e-6, 1.0, 1e307])
    )
    for odd in draw(st.lists(st.sampled_from([0.0, -0.0, np.inf, -np.inf, 5e-324, -1e308]), max_size=9)):
        value[random.integers(n)] = odd
    state = random.choice(np.array([0, 3], np.uint8), n, p=[0.9, 0.1] if draw(st.booleans()) else [0.02, 0.98])
    t_ns = np.cumsum(random.integers(1, draw(st.sampled_from([10, 10**9, 10**12])), n))
    return RawSeries("power", t_ns, np.where(state == 0, value, np.nan), state, np.zeros(n, np.int64))


@given(st.lists(stretches(), min_size=1, max_size=3))
def test_every_piece_has_what_its_readings_have(made: list[RawSeries]) -> None:
    kept = [(int(one.t_ns[0]), int(one.t_ns[-1]), len(one), sketch.of(one)) for one in made]
    found = sketch.pieces(kept)
    assert found is not None
    parts = [
        (one.t_ns[at : at + sketch.PIECE] / 1e9, one.value[at : at + sketch.PIECE])
        for one in made
        for at in range(0, len(one), sketch.PIECE)
    ]
    assert len(parts) == len(found.good)
    for i, (t_s, value) in enumerate(parts):
        good = value[np.isfinite(value)]
        assert (found.good[i], found.missing[i]) == (len(good), len(value) - len(good))
        assert found.from_s[i] == pytest.approx(t_s[0], rel=1e-6)
        assert found.to_s[i] >= t_s[-1] * (1 - 1e-6)
        if len(good):
            low, high = float(good.min()), float(good.max())
            assert (found.low[i], found.high[i]) == (low, high), "no extreme is lost, or invented"
            assert low or not np.signbit(found.low[i]), "one zero, so that the bytes are the same everywhere"
            assert low <= found.mean[i] <= high
            if high - low < 1e30:
                mean = low + math.fsum(good - low) / len(good)
                assert found.mean[i] == pytest.approx(mean, rel=1e-15, abs=1e-6 * (high - low) + 1e-40)


@given(stretches(), st.integers(0), st.integers(1, 255))
def test_a_sketch_is_of_its_own_readings_alone(one: RawSeries, at: int, flipped: int) -> None:
    """Any byte altered is noticed, but for the last digits of a mean."""
    kept = bytearray(sketch.of(one))
    assert sketch.agrees(bytes(kept), one)
    assert not sketch.agrees(bytes(kept[1:]), one)
    at %= len(kept)
    kept[at] ^= flipped
    if not 20 <= at % 25 < 24:
        assert not sketch.agrees(bytes(kept), one)


def test_what_is_not_of_so_many_readings_is_no_sketch() -> None:
    n = 100
    kept = sketch.of(RawSeries("power", np.arange(n), np.ones(n), np.zeros(n, np.uint8), np.ones(n, np.int64)))
    assert sketch.pieces([(0, 9, 100, kept)]) is not None
    assert sketch.pieces([(0, 9, 130, kept)]) is None
    assert sketch.pieces([(0, 9, 100, kept[:-1])]) is None

from __future__ import annotations

import threading
from itertools import pairwise

import matplotlib as mpl
import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from benchlog.report import drawing, session


@given(st.lists(st.one_of(st.floats(-1e6, 1e6), st.just(float("nan"))), max_size=400), st.integers(1, 60))
def test_decimation_keeps_every_extreme_and_bounds_the_points(values: list[float], columns: int) -> None:
    value = np.array(values, dtype=float)
    t_s = np.arange(len(value), dtype=float)
    kept_t, kept = drawing.decimated(t_s, value, columns)
    assert len(kept) <= max(2 * columns, 1)
    assert (np.diff(kept_t) > 0).all()
    assert set(zip(kept_t, kept, strict=True)) <= set(zip(t_s, value, strict=True)) or np.isnan(kept).any()
    good = value[np.isfinite(value)]
    if len(good):
        assert np.nanmin(kept) == good.min()
        assert np.nanmax(kept) == good.max()


def test_a_long_gap_stays_a_gap() -> None:
    t_s = np.arange(10_000.0)
    value = np.ones(10_000)
    value[4000:6000] = np.nan
    kept_t, kept = drawing.decimated(t_s, value, 100)
    holes = kept_t[np.isnan(kept)]
    assert 4000 <= holes.min() < 4200
    assert 5800 <= holes.max() < 6000


@given(st.lists(st.tuples(st.floats(0, 100), st.floats(0, 10)), max_size=30), st.floats(0, 5))
def test_merged_spans_cover_the_same_and_stand_apart(spans: list[tuple[float, float]], apart: float) -> None:
    given_spans = [(start, start + length) for start, length in spans]
    out = session.merged(given_spans, apart)
    assert out == sorted(out)
    assert all(b[0] - a[1] >= apart for a, b in pairwise(out))
    for start, stop in given_spans:
        assert any(a <= start and stop <= b for a, b in out)


def test_the_processs_own_matplotlib_settings_are_left_alone() -> None:
    before = dict(mpl.rcParams)
    with drawing.style():
        figure, _ = drawing.canvas(100, 80, (20, 5, 20, 5))
        drawing.svg(figure, "one", "a figure")
    assert dict(mpl.rcParams) == before


def test_two_threads_draw_the_same_as_one() -> None:
    def draw() -> str:
        with drawing.style():
            figure, axes = drawing.canvas(200, 120, (40, 5, 30, 5))
            axes.plot([0, 1, 2], [3, 1, 2], color=drawing.DATA, marker="o")
            drawing.time_axis(axes, 2, 4)
            return drawing.svg(figure, "same", 'an "alt" & text')

    alone = draw()
    results: list[str] = []
    threads = [threading.Thread(target=lambda: results.append(draw())) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert set(results) == {alone}
    assert 'aria-label="an &quot;alt&quot; &amp; text"' in alone
    assert "var(--data)" in alone


def test_ticks_of_a_time_axis_are_few_at_any_span() -> None:
    for span_s in (1.0, 59.0, 310.0, 3600.0, 8 * 3600.0, 72 * 3600.0, 40 * 86400.0):
        with drawing.style():
            figure, axes = drawing.canvas(300, 100, (40, 5, 30, 5))
            axes.set_xlim(0, span_s)
            drawing.time_axis(axes, span_s, 6)
            shown = [t for t in axes.get_xticks() if 0 <= t <= span_s]
            del figure
        assert 2 <= len(shown) <= 7, span_s

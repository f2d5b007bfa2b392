"""A long stored session drawn from its sketches: the same as from its rows, and from its rows where that cannot be."""

from __future__ import annotations

import math
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from benchlog.acquire.registry import find
from benchlog.bench import load_bench
from benchlog.clock import Clock
from benchlog.model import Event, Reading, State
from benchlog.page import stored
from benchlog.page.stored import StoredSeries
from benchlog.page.trend import Buckets
from benchlog.plan import load_plan
from benchlog.store.reader import StoreReader
from benchlog.store.writer import SessionWriter
from tests.page.looking import ROOT

SLOTS, EVERY_NS = 6_000, 200_000_000
DOUBTFUL = ((1555, 1555), (3000, 3300), (5554, 5556), (5999, 5999))  # slots; among them some of the highest


def a_store(folder: Path, extra: str = "", every_ns: int = EVERY_NS) -> Path:
    """Power that swings, with peaks, gaps and spans that a suspect event takes out."""
    path, text = folder / "s.benchlog", (ROOT / "config/bench.toml").read_text()
    (folder / "bench.toml").write_text(text.replace('of_range = "5 %"\n', f'of_range = "5 %"\n{extra}', 1))
    bench, plan = load_bench(folder / "bench.toml", find), load_plan(ROOT / "config/plan.toml")
    writer = SessionWriter.begin(path, kind="watch", bench=bench, plan=plan, clock=Clock())
    for n in range(SLOTS):
        value = None if n % 700 > 680 else 20.0 + n / 1e3 if n % 1000 == 555 else 10 + math.sin(n / 300)
        state, why = (State.MISSED, "no answer") if value is None else (State.GOOD, "")
        writer.put(Reading("power", n * every_ns + n % 7 * 10**6, value, state=state, reason=why))
    for first, last in DOUBTFUL:
        data = {"from_ns": first * every_ns, "to_ns": last * every_ns + 10**7}
        writer.put(Event(last * every_ns, "suspect", "another's, maybe", instrument="wattmeter", data=data))
    writer.end("over")
    return path


def drawn(path: Path, points: int) -> Buckets:
    return StoredSeries(path).buckets(StoreReader(path).session("last"), "power", None, None, points)[3]


def told(found: Buckets) -> tuple[int, int, float, float, float]:
    """Slots with a value, and without; lowest, highest, mean."""
    parts = [
        (n, low, mean, high)
        for n, low, mean, high in zip(found.n, found.low, found.mean, found.high, strict=True)
        if low is not None and mean is not None and high is not None
    ]
    total = math.fsum(n * mean for n, _, mean, _ in parts) / sum(found.n)
    return sum(found.n), sum(found.missing), min(p[1] for p in parts), max(p[3] for p in parts), total


def refuse(*_: object, **__: object) -> None:
    raise AssertionError("the other way was to be taken")


@pytest.mark.parametrize("extra", ["", 'scale = -0.5\noffset = "3 W"\n'])
def test_the_same_is_drawn_from_sketches_as_from_rows(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, extra: str
) -> None:
    """Also where some readings are doubtful, and where the highest becomes the lowest."""
    path = a_store(tmp_path, extra)
    rows = told(drawn(path, 1))
    monkeypatch.setattr(stored, "FEW_ROWS", 1_000)
    monkeypatch.setattr(StoreReader, "rows", refuse)
    for points in (1, 7, 90, 2000):
        found = drawn(path, points)
        assert len(found.t_s) <= points
        assert told(found)[:4] == rows[:4]
        assert told(found)[4] == pytest.approx(rows[4], rel=1e-7)
    assert len(drawn(path, 2000).t_s) > 80, "64 readings a piece"


@pytest.mark.parametrize(
    ("unit", "every_ns", "altered"),
    [
        ("dBm", EVERY_NS, ""),
        ("W", 20 * EVERY_NS, ""),
        ("W", EVERY_NS, "UPDATE seal SET sketch = NULL WHERE first = (SELECT max(first) FROM seal)"),
        ("W", EVERY_NS, "DELETE FROM seal WHERE first = (SELECT max(first) FROM seal)"),
        ("W", EVERY_NS, "DELETE FROM seal WHERE rows = 512 AND first > 0 AND first < 200000000000"),
    ],
    ids=["the mean of dBm is not that of watts", "readings far apart", "one not made", "the last lost", "others lost"],
)
def test_where_sketches_will_not_do_the_rows_are_read(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, unit: str, every_ns: int, altered: str
) -> None:
    path = a_store(tmp_path, every_ns=every_ns)
    with closing(sqlite3.connect(path)) as db, db:
        db.execute("UPDATE session SET bench_toml = replace(bench_toml, 'unit = \"W\"', ?)", (f'unit = "{unit}"',))
        if altered:
            assert db.execute(altered).rowcount
    rows = told(drawn(path, 1))
    monkeypatch.setattr(stored, "FEW_ROWS", 1_000)
    monkeypatch.setattr(StoreReader, "few_rows", refuse)
    assert told(drawn(path, 1)) == pytest.approx(rows)

"""A channel with a correction table through the page: its series is what the record was made from, revisions too."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from benchlog.acquire.registry import find
from benchlog.analysis.corrections import Corrected
from benchlog.bench import load_bench
from benchlog.clock import Clock
from benchlog.model import Reading, State
from benchlog.page import stored
from benchlog.page.stored import StoredSeries
from benchlog.page.trend import Trend
from benchlog.plan import load_plan
from benchlog.report.record_json import dumps
from benchlog.runs.records import analyse_in
from benchlog.runs.revise import revise
from benchlog.store.reader import StoreReader
from benchlog.store.writer import SessionWriter
from tests.page.looking import ROOT, served

SECONDS = 150
BANDS_HZ = (10.12e6, 14.1e6)
TABLE = "frequency,correction,uncertainty\n9 MHz,1.10,1 %\n20 MHz,0.80,1 %\n"
PLAIN = (ROOT / "config/bench.toml").read_text()
WITH_TABLE = PLAIN.replace('of_range = "5 %"\n', 'of_range = "5 %"\ncorrection = "table.csv"\n', 1)


def bench_file(folder: Path, text: str = WITH_TABLE, table: str = TABLE) -> Path:
    (folder / "table.csv").write_text(table)
    (folder / "bench.toml").write_text(text)
    return folder / "bench.toml"


def a_store(folder: Path) -> Path:
    """Two and a half minutes at 100 W, from band to band each minute, with stretches where the counter says nothing."""
    path = folder / "s.benchlog"
    bench, plan = load_bench(bench_file(folder), find), load_plan(ROOT / "config/plan.toml")
    writer = SessionWriter.begin(path, kind="watch", bench=bench, plan=plan, clock=Clock())
    for n in range(SECONDS * 4):
        t_ns = n * 250_000_000
        writer.put(Reading("power", t_ns, 100.0, state=State.GOOD))
        if n % 2 == 0:
            silent = n % 160 > 70
            hz = None if silent else BANDS_HZ[n // 240 % 2]
            state, why = (State.MISSED, "no answer") if silent else (State.GOOD, "")
            writer.put(Reading("frequency", t_ns + 100_000_000, hz, state=state, reason=why))
    writer.end("over")
    return path


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return a_store(tmp_path_factory.mktemp("corrected"))


@pytest.fixture(scope="module")
def power(store: Path) -> Corrected:
    """As the record was made from it."""
    return analyse_in(store, 1).analysis.series["power"]


@settings(max_examples=40, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(from_s=st.floats(0, SECONDS - 1), span_s=st.floats(0.5, SECONDS), whole=st.booleans())
def test_a_series_has_the_factor_that_the_record_has(
    store: Path, power: Corrected, monkeypatch: pytest.MonkeyPatch, from_s: float, span_s: float, whole: bool
) -> None:
    """Wherever a part begins or ends, also where the counter was silent: the nearest frequency is of the session."""
    monkeypatch.setattr(stored, "FEW_ROWS", 0 if whole else 200_000)
    monkeypatch.setattr(stored, "PART_ROWS", 333)
    session = StoreReader(store).session(1)
    _, _, _, found = StoredSeries(store).buckets(session, "power", from_s, from_s + span_s, 2000)
    assert found.n
    for t_s, low, high in zip(found.t_s, found.low, found.high, strict=True):
        near = np.abs(power.t_s - t_s) <= found.bucket_s / 2 + 1e-6
        assert low is not None
        assert high is not None
        assert power.value[near].min() - 1e-9 <= low <= high <= power.value[near].max() + 1e-9


def test_the_factors_differ_from_band_to_band(power: Corrected) -> None:
    """Or the test above could not fail."""
    assert np.ptp(power.value) > 5


def test_a_revision_is_shown_at_once(tmp_path: Path) -> None:
    store = a_store(tmp_path)
    (tmp_path / "new").mkdir()
    new = bench_file(tmp_path / "new", table=TABLE.replace("1.10", "2.20").replace("0.80", "1.60"))
    with served(store) as one:

        def mean() -> float:
            (found,) = one.get("/api/sessions/1/series?channel=power&points=1").json["mean"]
            return float(found)

        before_w, first = mean(), one.get("/api/sessions/1/record").json["record"]
        document = one.get("/api/sessions/1/record.html").body
        assert one.get("/api/sessions").json[0]["revision"] is None
        revise(store, 1, new, "coupler calibrated", dumps)
        assert mean() == pytest.approx(2 * before_w)
        assert one.get("/api/sessions").json[0]["revision"] == 1
        second = one.get("/api/sessions/1/record").json["record"]
        assert first["session"]["revision"] is None
        assert second["session"]["revision"]["number"] == 1
        assert second["session"]["digest"] == first["session"]["digest"], "the readings are the same"
        assert b"coupler calibrated" in one.get("/api/sessions/1/record.html").body
        assert b"coupler calibrated" not in document


@pytest.mark.parametrize(("hz", "factor"), [(None, 1.10), (9.0e6, 1.10), (20.0e6, 0.80)])
def test_a_running_trend_has_the_factor_of_what_is_told_live(tmp_path: Path, hz: float | None, factor: float) -> None:
    bench = load_bench(bench_file(tmp_path), find)
    trend = Trend({channel.name: channel for _, channel in bench.channels()})
    if hz is not None:
        trend.take(Reading("frequency", 0, hz))
    trend.take(Reading("frequency", 500_000_000, None, state=State.MISSED, reason="no answer"))
    trend.take(Reading("power", 1_000_000_000, 50.0))
    (mean,) = trend.buckets("power", 0, 2, 1).mean
    assert mean is not None
    assert math.isclose(mean, 50.0 * factor)

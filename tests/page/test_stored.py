"""Stored sessions through the page: series against the store's own rows, records, figures, corrected needles."""

from __future__ import annotations

import json
import math
import os
import re
import sqlite3
import sys
import xml.etree.ElementTree as ET
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from benchlog.acquire.registry import find
from benchlog.bench import load_bench
from benchlog.clock import Clock
from benchlog.errors import BenchFailed
from benchlog.model import Reading, State
from benchlog.page import stored
from benchlog.page.clerk import Clerk
from benchlog.page.stored import StoredSeries
from benchlog.plan import load_plan
from benchlog.runs.records import analyse_in
from benchlog.store.enter import enter
from benchlog.store.reader import StoreReader
from benchlog.store.writer import SessionWriter
from tests.page.looking import ROOT, Served, Viewer, served

SLOTS = 5000


def a_store(path: Path) -> Path:
    """One ended session of twenty minutes: power with a spike and gaps, and needles that were typed."""
    bench, plan = load_bench(ROOT / "config/bench.toml", find), load_plan(ROOT / "config/plan.toml")
    writer = SessionWriter.begin(path, kind="watch", bench=bench, plan=plan, clock=Clock())
    wrong = enter(path, "grid current", 45.0)
    enter(path, "grid current", 4.5, corrects_ns=wrong.t_ns)
    for n in range(SLOTS):
        value = None if n % 50 == 49 else 1000.0 if n == 3210 else 60 + math.sin(n / 40)
        state = State.MISSED if value is None else State.GOOD
        writer.put(Reading("power", n * 250_000_000, value, state=state, reason="" if value else "no answer"))
    writer.end("over")
    return path


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return a_store(tmp_path_factory.mktemp("stored") / "s.benchlog")


@pytest.fixture
def one(store: Path) -> Iterator[Served]:
    with served(store) as found:
        yield found


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    from_s=st.floats(-100, 1400),
    span_s=st.floats(0.5, 1500),
    points=st.integers(1, 2000),
    way=st.sampled_from(["rows", "buckets", "sketches"]),
)
def test_a_series_is_what_the_rows_say(
    store: Path, monkeypatch: pytest.MonkeyPatch, from_s: float, span_s: float, points: int, way: str
) -> None:
    """All ways: read as it is, by way of the buckets that long sessions are kept in, and out of the sketches."""
    monkeypatch.setattr(stored, "FEW_ROWS", 200_000 if way == "rows" else 0)
    monkeypatch.setattr(stored, "UNEVEN", 2.0 if way == "sketches" else 0.0)
    monkeypatch.setattr(stored, "PART_ROWS", 700)
    session = StoreReader(store).session(1)
    to_s = from_s + span_s
    _, _, _, found = StoredSeries(store).buckets(session, "power", from_s, to_s, points)
    assert len(found.t_s) <= points
    assert found.t_s == sorted(found.t_s)
    slack_s = found.bucket_s + 1e-6
    with closing(sqlite3.connect(store)) as db:

        def rows(low_s: float, high_s: float) -> list[tuple[float | None]]:
            span = (round(low_s * 1e9), round(high_s * 1e9))
            at = "SELECT value FROM reading WHERE channel = 1 AND t_ns >= ? AND t_ns < ?"
            return db.execute(at, span).fetchall()

        inside, around = rows(from_s + 1e-6, to_s - 1e-6), rows(from_s - slack_s, to_s + slack_s)
    slots = sum(found.n) + sum(found.missing)
    assert len(inside) <= slots <= len(around)
    good = [value for (value,) in around if value is not None]
    sure = [value for (value,) in inside if value is not None]
    if sure:
        assert max(high for high in found.high if high is not None) >= max(sure)
        assert max(high for high in found.high if high is not None) <= max(good)
        assert min(low for low in found.low if low is not None) <= min(sure)


def test_the_whole_session_counts_every_slot(one: Served) -> None:
    series = one.get("/api/sessions/1/series?channel=power&points=100").json
    assert (sum(series["n"]), sum(series["missing"])) == (SLOTS - SLOTS // 50, SLOTS // 50)
    assert max(series["high"]) == 1000.0, "one spike in five thousand is seen from afar"
    assert len(series["t_s"]) == 100
    assert series["unit"] == "W"
    assert one.get("/api/sessions/1/series?channel=nobody").status == 404
    assert one.get("/api/sessions/2/series?channel=power").status == 404
    assert one.get("/api/sessions/1/series?channel=power&points=2001").status == 422
    assert one.get("/api/sessions/1/series?channel=power&from_s=nan").status == 422
    assert one.get("/api/sessions/1/series?channel=power&from_s=9&to_s=1").json["t_s"] == []
    assert one.get("/api/series?channel=power").status == 409, "no run has been on"


def test_a_wrong_needle_stays_in_the_store_and_out_of_every_number(one: Served, store: Path) -> None:
    with closing(sqlite3.connect(store)) as db:
        typed = db.execute(
            "SELECT value FROM reading JOIN channel ON channel.id = channel WHERE name = 'grid current' ORDER BY t_ns"
        ).fetchall()
    assert typed == [(45.0,), (4.5,)], "both as they were typed"
    series = one.get("/api/sessions/1/series?channel=grid%20current").json
    assert (sum(series["n"]), sum(series["missing"])) == (1, 1)
    assert [low for low in series["low"] if low is not None] == [pytest.approx(0.0045)]
    analysed = analyse_in(store, 1)
    found = analysed.analysis.series["grid current"]
    assert [value for value in found.value if value == value] == [pytest.approx(0.0045)]
    assert not analysed.altered
    assert [event.text for event in analysed.events if event.kind == "suspect"] == [
        "grid current: 45 was a wrong entry; 4.5 stands for it"
    ]


def test_the_record_is_the_one_the_command_prints(one: Served, store: Path) -> None:
    answer = one.get("/api/sessions/1/record").json
    assert answer["altered"] is False
    assert answer["record"] == json.loads(json.dumps(analyse_in(store, 1).analysis.record.as_json()))
    assert one.get("/api/sessions/2/record").status == 404
    (line,) = one.get("/api/sessions").json
    assert (line["id"], line["kind"], line["ending"], line["digest"]) == (
        1,
        "watch",
        "over",
        answer["record"]["session"]["digest"],
    )


def test_the_document_stands_alone_and_runs_nothing(one: Served) -> None:
    document = one.get("/api/sessions/1/record.html")
    assert document.headers["content-type"] == "text/html; charset=utf-8"
    policy = document.headers["content-security-policy"]
    assert "script-src" not in policy
    assert "sandbox" in policy
    assert b"Over." in document.body
    again = one.get("/api/sessions/1/record.html")
    assert again.body == document.body


def test_figures_are_drawings_of_their_own(one: Served) -> None:
    listed = one.get("/api/sessions/1/figures").json
    names = [figure["name"] for figure in listed]
    assert "power" in names
    assert len(set(names)) == len(names)
    for figure in listed:
        answer = one.get(f"/api/sessions/1/figures/{figure['name']}")
        assert answer.headers["content-type"] == "image/svg+xml"
        root = ET.fromstring(answer.body.decode())
        assert root.tag == "{http://www.w3.org/2000/svg}svg"
        used, defined = (set(re.findall(p, answer.body.decode())) for p in (r"var\(--([a-z]+)\)", r"--([a-z]+):"))
        assert used <= defined, "its colours are all there"
    assert one.get("/api/sessions/1/figures/nothing").status == 404


def test_the_record_as_pdf_and_a_clear_answer_where_that_is_not_installed(
    one: Served, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The layout itself is looked at in tests/report; here something quick stands for it, and before that nothing."""
    double = tmp_path / "weasyprint.py"
    monkeypatch.setenv("PYTHONPATH", os.pathsep.join([str(tmp_path), *sys.path]))
    double.write_text("raise ImportError\n")
    refused = one.get("/api/sessions/1/record.pdf")
    assert refused.status == 501
    assert "pip install 'benchlog[pdf]'" in refused.json["cure"]
    double.write_text(
        "class CSS:\n    def __init__(self, string): self.page = string\n"
        "class HTML:\n    def __init__(self, string, url_fetcher): self.text = string\n"
        "    def write_pdf(self, stylesheets, **_): return (stylesheets[0].page + self.text).encode()\n"
    )
    document = one.get("/api/sessions/1/record.html").body.decode()
    for asked, paper in (("", "a4"), ("?paper=a4", "a4"), ("?paper=letter", "letter")):
        answer = one.get(f"/api/sessions/1/record.pdf{asked}")
        assert (answer.status, answer.headers["content-type"]) == (200, "application/pdf")
        said = answer.body.decode()
        assert said.startswith(f"@page {{ size: {paper} }}")
        assert re.sub("<svg.*?</svg>", "", said, flags=re.DOTALL).endswith(
            re.sub("<svg.*?</svg>", "", document, flags=re.DOTALL)
        )
    assert one.get("/api/sessions/1/record.pdf?paper=a5").status == 422
    assert one.get("/api/sessions/2/record.pdf").status == 404


def test_the_last_record_of_a_run_is_told_though_others_are_asked_for_just_then(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """No key-up follows a run's end, so nothing would ask for it again."""
    tried = []

    def busy_at_first(clerk: Clerk, question: dict[str, object]) -> dict[str, object]:
        tried.append(question)
        if len(tried) < 3:
            raise BenchFailed("the record could not be worked out", where="records")
        return {"record": {"bands": [{"band": "20 m"}], "findings": []}, "altered": False, "took_s": 0.0}

    monkeypatch.setattr(Clerk, "_exchange", busy_at_first)
    monkeypatch.setattr("benchlog.page.clerk.RETRY_S", 0.01)
    with served(tmp_path / "s.benchlog") as played:
        played.begin()
        with Viewer(played.port) as viewer:
            viewer.next()
            played.house.over("ended", "done")
            told = viewer.until("band-results")[-1].data
    assert told["final"]
    assert told["bands"] == [{"band": "20 m"}]


def test_a_store_that_is_not_there_is_no_fault(tmp_path: Path) -> None:
    with served(tmp_path / "none.benchlog") as found:
        assert found.get("/api/sessions").json == []
        assert found.get("/api/sessions/1/record").status in (404, 409)
        assert found.get("/api/sessions/1/series?channel=power").status in (404, 409)


def test_a_worker_that_dies_is_told_and_the_next_question_answered(
    one: Served, monkeypatch: pytest.MonkeyPatch
) -> None:
    clerk = one.page._clerk
    assert clerk is not None
    assert one.get("/api/sessions/1/figures").status == 200
    process = clerk._process
    assert process is not None
    process.kill()
    process.wait()
    clerk._kept.clear()
    assert one.get("/api/sessions/1/record").status == 200, "another one was started"
    monkeypatch.setattr("benchlog.page.clerk.PATIENCE_S", 0.0)
    clerk._kept.clear()
    refused = one.get("/api/sessions/1/record")
    assert refused.status == 409
    assert "benchlog report" in refused.json["cure"]

"""Runs seen through their page by real processes: a sweep from its start to its record, the daemon from run to run."""

from __future__ import annotations

import json
import signal
from pathlib import Path

from tests.cli.conftest import benchlog
from tests.cli.running import PATIENCE_S
from tests.cli.serving import a_watch, serve
from tests.page.bench import a_bench
from tests.page.looking import Event, Viewer, ask
from tests.page.test_key_up import shown


def test_a_sweep_from_its_start_to_its_record(tmp_path: Path) -> None:
    """The simulated operator sweeps five bands; the stream is broken at every key-up, and misses nothing for that."""
    with a_bench(tmp_path / "bench", script="sweep") as bench, shown(bench, tmp_path, "sweep", "--json") as page:
        seen: list[Event] = []
        last = ""
        while not seen or seen[-1].kind != "ended":
            with Viewer(page.port, last) as viewer:
                seen += viewer.until("keyed-up", "ended")
                last = seen[-1].id
        with Viewer(page.port, last) as viewer:
            final = viewer.next()
            while not (final.kind == "band-results" and final.data["final"]):
                final = viewer.next()
        page.running.wait_for("The page stays at")
        record = page.get("/api/sessions/1/record")["record"]
        status = page.get("/api/status")
        code, printed = page.running.stop(signal.SIGINT)
    assert [event.kind for event in seen].count("snapshot") == 1, "no gap"
    numbers = [int(event.id.partition("-")[2]) for event in seen]
    assert numbers == list(range(numbers[0], numbers[0] + len(numbers))), "none lost, none twice"
    counted = [event.data for event in seen if event.kind == "keyed-up" and event.data["counts"]]
    wanted = [event.data["band"] for event in seen if event.kind == "wanted"]
    assert [one["band"] for one in counted] == ["80 m", "40 m", "20 m", "15 m", "10 m"]
    assert wanted[-4:] == ["40 m", "20 m", "15 m", "10 m"]
    times = [event.data["t_s"] for event in seen if event.kind == "tick"]
    assert times == sorted(times)
    assert final.data["bands"] == record["bands"]
    assert final.data["findings"] == record["findings"]
    assert json.loads(printed) == record, "what the page shows is what the command prints"
    assert code == 1, "15 m fails, so the exit status says so"
    assert (status["run"], status["last"]["how"]) == (None, "ended")
    for one, band in zip(counted, record["bands"], strict=True):
        assert abs(one["power_w"] - band["power_w"]["value"]) < 0.01 * one["power_w"]


def test_the_daemons_page_goes_from_run_to_run(tmp_path: Path) -> None:
    timetable = a_watch() + a_watch(12, "second", lasts="1 h")
    with a_bench(tmp_path / "bench") as bench, serve(bench, tmp_path, timetable) as served:
        shown_ = benchlog("status", "--port", served.port, status=0).stdout
        token = shown_.split("#token=")[1].split()[0]
        with Viewer(served.port) as viewer:
            first = viewer.next()
            if first.data["run"] is None:
                first = viewer.until("begun")[-1]
            viewer.until("tick")
            bearer = f"Bearer {token}"
            typed = {"channel": "grid current", "value": 4.5}
            assert ask(served.port, "/api/readings", "POST", typed, Authorization=bearer).status == 201
            assert viewer.until("typed")[-1].data["value"] == 4.5
            assert ask(served.port, "/api/stop", "POST", Authorization=bearer).status == 202
            assert viewer.until("ended")[-1].data["session"] == 1
            begun = viewer.until("begun")[-1].data
            assert (begun["session"], begun["kind"], begun["typed"]) == (2, "watch", [])
            assert ask(served.port, "/api/snapshot").json["run"]["session"] == 2
        assert served.daemon.stop(signal.SIGTERM)[0] == 0


def test_a_signal_ends_run_and_page_at_once(tmp_path: Path) -> None:
    with a_bench(tmp_path / "bench") as bench, shown(bench, tmp_path, "watch") as page:
        page.running.wait_for("Session 1 in")
        with Viewer(page.port) as viewer:
            viewer.next()
            page.running.process.send_signal(signal.SIGTERM)
            assert viewer.until("ended")[-1].data["text"] == "ended by the operator"
            assert page.running.process.wait(PATIENCE_S) == 1
        assert not any("stays at" in line for line in page.running.told)


def test_listen_needs_a_page(tmp_path: Path) -> None:
    done = benchlog("sweep", "--listen", "192.0.2.1", status=2)
    assert "Say --page too" in done.stderr
    with a_bench(tmp_path / "bench") as bench:
        files = ("--bench", bench.bench_file, "--plan", bench.plan_file, "--store", tmp_path / "s.benchlog")
        taken = benchlog("watch", "--page", "--listen", "no such name", *files, status=2)
        assert "no such address" in taken.stderr
        elsewhere = benchlog("watch", "--page", "--port", 0, "--listen", "192.0.2.1", *files, status=3)
        assert "cannot be had" in elsewhere.stderr

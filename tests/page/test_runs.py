"""Runs seen through their page by real processes: a sweep from its start to its record, the daemon from run to run."""

from __future__ import annotations

import json
import re
import signal
import time
from collections.abc import Callable
from pathlib import Path

from playwright.sync_api import expect

from benchlog.simulate.process import BenchProcess
from tests.cli.conftest import FACTOR, benchlog
from tests.cli.running import PATIENCE_S
from tests.cli.serving import a_watch, at_once_s, serve
from tests.page.bench import Shown, a_bench, few_bands, shown
from tests.page.browser import Look
from tests.page.looking import Event, Viewer, ask

BANDS = {"80 m": "pass", "15 m": "fail"}  # the simulated set's 15 m crystal is off
KEY_DOWN_S, REST_S = 8, 2


class Away:
    """A viewer whose connection breaks again and again, and who comes back knowing the last message it had."""

    def __init__(self, port: int) -> None:
        self.port, self.seen = port, list[Event]()

    def until(self, *kinds: str) -> Event:
        with Viewer(self.port, self.seen[-1].id if self.seen else "") as viewer:
            self.seen += viewer.until(*kinds)
        return self.seen[-1]

    def all(self, kind: str) -> list[Event]:
        return [event for event in self.seen if event.kind == kind]


def key(bench: BenchProcess, run: Away, look: Look) -> None:
    """The operator at one band: a tap to tune, then a key-down that counts."""
    strip = look.page.locator("#strip")
    bench.tell("key down")
    run.until("recognised")
    bench.tell("key up")
    assert not run.until("keyed-up").data["counts"]
    time.sleep(REST_S / FACTOR)
    bench.tell("key down")
    run.until("recognised")
    expect(strip).to_have_attribute("data-key", "down")
    expect(look.page.locator("#keyfor")).to_have_text(re.compile(rf"^\d+ s of {KEY_DOWN_S} s$"))
    run.until("long-enough")
    bench.tell("key up")
    assert run.until("keyed-up").data["counts"]
    expect(strip).not_to_have_attribute("data-key", "down")


def test_a_sweep_from_its_start_to_its_record(tmp_path: Path, look: Callable[..., Look]) -> None:
    """Looked at in a browser, and by a viewer whose connection breaks all the time; both get all of it."""

    def few(bench: BenchProcess) -> None:
        few_bands(bench, *BANDS, key_down=f"{KEY_DOWN_S} s", rest=f"{REST_S} s")

    with a_bench(tmp_path / "bench", few=few) as bench, shown(bench, tmp_path, "sweep", "--json") as page:
        away, seen = Away(page.port), look(page)
        away.until("snapshot")
        assert "token" not in seen.page.url
        expect(seen.page.locator("#next")).to_contain_text("1 of 2: set 80 m, tune, then key down 8 s.")
        for band in BANDS:
            bench.tell(f"band {band}")
            expect(seen.page.locator("#band")).to_have_text(band)
            key(bench, away, seen)
        ended = away.until("ended")
        while not (final := away.until("band-results")).data["final"]:
            pass
        page.running.wait_for("The page stays at")
        record, status = page.get("/api/sessions/1/record")["record"], page.get("/api/status")
        _as_the_record_says(seen, page, record)
        code, printed = page.running.stop(signal.SIGINT)
        expect(seen.page.locator("#lost")).to_contain_text("Connection lost")
        seen.page.close()  # it goes on trying to connect, and complaining
        seen.forgive("Failed to load resource", "ERR_")
    assert ended.data["text"] == "every band measured"
    assert len(away.all("snapshot")) == 1, "no gap"
    numbers = [int(event.id.partition("-")[2]) for event in away.seen]
    assert numbers == list(range(numbers[0], numbers[0] + len(numbers))), "none lost, none twice"
    counted = [event.data for event in away.all("keyed-up") if event.data["counts"]]
    assert [one["band"] for one in counted] == list(BANDS)
    times = [event.data["t_s"] for event in away.all("tick")]
    assert times == sorted(times)
    assert final.data["bands"] == record["bands"]
    assert final.data["findings"] == record["findings"]
    assert json.loads(printed) == record, "what the page shows is what the command prints"
    assert code == 1, "15 m fails, so the exit status says so"
    assert (status["run"], status["last"]["how"]) == (None, "ended")
    for one, band in zip(counted, record["bands"], strict=True):
        assert abs(one["power_w"] - band["power_w"]["value"]) < 0.01 * one["power_w"]


def _as_the_record_says(seen: Look, page: Shown, record: dict[str, object]) -> None:
    shown_ = seen.page
    expect(shown_.locator("#key")).to_have_text("Ended")
    expect(shown_.locator("#next")).to_have_text("Every band measured.")
    expect(shown_.locator("#recent .main-svg").first).to_be_visible()
    rows = shown_.locator("#bands tbody tr:not(.tuned)")
    expect(rows).to_have_count(len(BANDS))
    for (name, verdict), row, band in zip(BANDS.items(), rows.all(), record["bands"], strict=True):  # type: ignore[call-overload]
        expect(row).to_contain_text(verdict)
        assert f"{band['power_w']['value']:.1f} W" in row.inner_text().replace("\u00a0", " "), name
    href = shown_.get_by_role("link", name="Open the record").get_attribute("href")
    assert ask(page.port, str(href)).status == 200


def test_the_daemons_page_goes_from_run_to_run(tmp_path: Path, look: Callable[..., Look]) -> None:
    timetable = a_watch() + a_watch(2 * at_once_s() + 4, "second", lasts="1 h")
    with a_bench(tmp_path / "bench") as bench, serve(bench, tmp_path, timetable) as served:
        shown_ = benchlog("status", "--port", served.port, status=0).stdout
        served.token = shown_.split("#token=")[1].split()[0]  # type: ignore[attr-defined]
        seen = look(served)
        with Viewer(served.port) as viewer:
            first = viewer.next()
            if first.data["run"] is None:
                viewer.until("begun")
            viewer.until("tick")
            bearer = f"Bearer {served.token}"  # type: ignore[attr-defined]
            typed = {"channel": "grid current", "value": 4.5}
            assert ask(served.port, "/api/readings", "POST", typed, Authorization=bearer).status == 201
            assert viewer.until("typed")[-1].data["value"] == 4.5
            assert ask(served.port, "/api/stop", "POST", Authorization=bearer).status == 202
            assert viewer.until("ended")[-1].data["session"] == 1
            expect(seen.page.locator("#next")).to_contain_text(
                "Ended: stopped by the operator. Next: second (watch) at "
            )
            begun = viewer.until("begun")[-1].data
            assert (begun["session"], begun["kind"], begun["typed"]) == (2, "watch", [])
            assert ask(served.port, "/api/snapshot").json["run"]["session"] == 2
            expect(seen.page.locator("#about")).to_have_text("Watch, session 2, Simulated bench")
            expect(seen.page.locator("#later")).to_be_empty()
        seen.page.close()
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

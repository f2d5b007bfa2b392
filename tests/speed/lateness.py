"""Sixteen channels at 10 Hz: how long after it was due is a question asked, with the page open and a report being made.

Ours is a whole run, looked at in its store: once as the system lets it, once without the right to go first (as an
ordinary user's, without an rtprio limit). Plain is a script of interval jobs, each asking its instrument with bare
sockets, with no page to serve; the same reports are made meanwhile. A slot that nobody asked counts as late by its
whole period.
"""

from __future__ import annotations

import http.client
import json
import os
import re
import signal
import sqlite3
import subprocess
import sys
import threading
import time
from collections.abc import Iterator, Sequence
from contextlib import closing, contextmanager
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from benchlog.acquire.bus import TURN_NS
from tests.speed import long_session
from tests.speed.instrument import instruments
from tests.speed.polling import bench_toml
from tests.speed.table import COMMAND, ROOT, Line, Target

CHANNELS, EVERY_S = 16, 0.1
SETTLES_S, SPARE_S = 2.0, 3.0  # before what is looked at, and behind it: a page is there before its session begins
_PLAN = '[transmitter]\nname = "A"\n[[band]]\nname = "B"\ndial = "1 MHz"\nmode = "cw"\nmin_power = "1 kW"\n'
_NO_RIGHT = ("setpriv", "--bounding-set=-sys_nice") if os.geteuid() == 0 else ()
Late = NDArray[np.float64]


def lateness(folder: Path, rounds: int, lasts_s: float, report_hours: float) -> Iterator[Line]:
    """Median and p99, of a run that goes first and of one that may not."""
    reported = folder / "reported.benchlog"
    long_session.make(reported, report_hours)
    free, bound, plain = [], [], []
    with instruments(CHANNELS, 0.0) as ports:
        for number in range(rounds):
            with reports_made(reported, folder):
                free.append(of_a_run(ports, folder / f"late {number}.benchlog", lasts_s, ()))
            with reports_made(reported, folder):
                bound.append(of_a_run(ports, folder / f"late, bound {number}.benchlog", lasts_s, _NO_RIGHT))
            with reports_made(reported, folder):
                plain.append(of_interval_jobs(ports, lasts_s))
    for ours, how in ((free, f"lateness of {CHANNELS} channels at 10 Hz"), (bound, "the same, no real time granted")):
        for name, share, target in (("median", 50, Target()), ("p99", 99, Target(at_most=0.25))):
            sides = [[float(np.percentile(late, share)) * 1e3 for late in side] for side in (ours, plain)]
            ratios = [a / b for a, b in zip(*sides, strict=True)]
            what = f"{how}, {name} / interval jobs"
            yield Line(what, float(np.median(sides[0])), float(np.median(sides[1])), "ms", ratios, target)


@contextmanager
def reports_made(store: Path, folder: Path) -> Iterator[None]:
    """One after the other."""
    over = threading.Event()

    def again_and_again() -> None:
        while not over.is_set():
            words = [COMMAND, "report", "last", "--store", str(store), "--html", str(folder / "record.html")]
            with subprocess.Popen(words, stdout=subprocess.DEVNULL) as process:
                while process.poll() is None and not over.wait(0.05):
                    pass
                process.terminate()

    thread = threading.Thread(target=again_and_again)
    thread.start()
    try:
        yield
    finally:
        over.set()
        thread.join()


def of_a_run(ports: list[int], store: Path, lasts_s: float, started_by: Sequence[str]) -> Late:
    """A watch with its page open."""
    bench, plan = store.with_suffix(".bench.toml"), store.with_suffix(".plan.toml")
    bench.write_text(bench_toml(ports, EVERY_S))
    plan.write_text(_PLAN)
    words = [*started_by, COMMAND, "watch", "--bench", bench, "--plan", plan, "--store", store, "--page", "--port", "0"]
    with subprocess.Popen([*map(str, words)], stderr=subprocess.PIPE, stdout=subprocess.DEVNULL, text=True) as run:
        assert run.stderr
        address = next(found[1] for line in run.stderr if (found := re.search(r"http://([\d.]+:\d+)", line)))
        viewer = _Viewer(address)
        threading.Thread(target=run.stderr.read, daemon=True).start()
        time.sleep(SETTLES_S + lasts_s + SPARE_S)
        for _ in range(2):  # the run, then the page, which stays
            run.send_signal(signal.SIGINT)
            time.sleep(1)
        run.wait(30)
    if not viewer.heard:
        raise RuntimeError("the page's viewer heard nothing")
    with closing(sqlite3.connect(f"file:{store}?mode=ro", uri=True)) as db:
        rows = db.execute("SELECT channel, t_ns, took_us, note FROM reading").fetchall()
    channel, t_ns, took_us, note = np.array(rows).T
    begun = t_ns - took_us * 500 - (channel - channel.min()) * TURN_NS
    kept = (t_ns >= SETTLES_S * 1e9) & (t_ns < (SETTLES_S + lasts_s) * 1e9)
    late = np.where(note == 0, begun % (EVERY_S * 1e9) / 1e9, EVERY_S)[kept]
    if len(late) < 0.9 * lasts_s / EVERY_S * CHANNELS:
        raise RuntimeError(f"only {len(late)} slots of {len(set(channel))} channels in {lasts_s} s")
    return np.minimum(late, EVERY_S)


class _Viewer:
    """Reads the page's stream as it comes."""

    def __init__(self, address: str) -> None:
        self.heard = 0
        connection = http.client.HTTPConnection(address, timeout=20)
        connection.request("GET", "/api/stream")
        self._answer = connection.getresponse()
        threading.Thread(target=self._listen, daemon=True).start()

    def _listen(self) -> None:
        try:
            while part := self._answer.read1(65536):
                self.heard += len(part)
        except OSError:
            pass


def of_interval_jobs(ports: list[int], lasts_s: float) -> Late:
    """In a process of its own."""
    words = [sys.executable, "-m", "tests.speed.lateness", json.dumps(ports), str(lasts_s)]
    said = subprocess.run(words, cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, check=True)
    return np.array(json.loads(said.stdout))


def _interval_jobs(ports: list[int], lasts_s: float) -> list[float]:
    from datetime import UTC, datetime, timedelta

    from apscheduler.schedulers.background import BackgroundScheduler

    from tests.speed.polling import ask_bare, connected

    scheduler, begun = BackgroundScheduler(timezone=UTC), dict[int, list[float]]()
    start = datetime.now(UTC) + timedelta(seconds=SETTLES_S)

    def job(port: int, peer: object, kept: list[tuple[float, float]]) -> None:
        begun[port].append(time.time() - start.timestamp())
        ask_bare(peer, b"", kept)  # type: ignore[arg-type]

    for port in ports:
        begun[port] = []
        words = (port, connected(port), list[tuple[float, float]]())
        scheduler.add_job(job, "interval", words, seconds=EVERY_S, start_date=start)
    scheduler.start()
    time.sleep(SETTLES_S + lasts_s)
    scheduler.shutdown()
    late: list[float] = []
    for times in begun.values():
        slots = {int(at / EVERY_S): at % EVERY_S for at in reversed(times) if 0 <= at < lasts_s}
        late += [slots.get(slot, EVERY_S) for slot in range(round(lasts_s / EVERY_S))]
    return late


if __name__ == "__main__":
    print(json.dumps(_interval_jobs(json.loads(sys.argv[1]), float(sys.argv[2]))))

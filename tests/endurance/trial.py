"""One long heat run by the daemon, with a viewer on the page all the while and copies of the store being made."""

from __future__ import annotations

import contextlib
import http.client
import json
import re
import signal
import socket
import subprocess
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

from benchlog.daemon import client
from benchlog.simulate.keybox import Edge
from benchlog.simulate.process import BenchProcess
from tests.cli.serving import at_once_s
from tests.endurance.vitals import Vitals, Watcher
from tests.trials.rig import COMMAND

BAND = "80 m"
KEY_DOWN_S, REST_S = 60, 120  # simulated
TIMEOUT_S = 0.5  # real: a bench that runs fast would otherwise give its instruments no time at all
EVERY_S = 1 / 30  # real, between two readings of a channel: a stall of the machine should not cost slots
SETTLE_S = 0.1  # real: what a busy machine takes to key is not to stand in the windows
PATIENCE_S = 120.0


class NotMade(Exception):
    """The trial could not be made: it says nothing about the daemon."""


@dataclass(frozen=True)
class Ran:
    """What a run left behind."""

    store: Path
    edges: list[Edge]
    bench_began_ns: int  # CLOCK_MONOTONIC, the simulated transmitter's time 0
    factor: float
    seed: int
    vitals: list[Vitals]
    pictures: int  # snapshots the viewer was given: more than one is a break
    messages: int  # what else it was told
    how: str  # the daemon's word for how the run ended
    copies: int


def run(folder: Path, *, hours: float, factor: float, seed: int, look_s: float) -> Ran:
    """So many simulated hours. Raises NotMade."""
    folder.mkdir(parents=True, exist_ok=True)
    store = folder / "endurance.benchlog"
    with contextlib.ExitStack() as made:
        bench = made.enter_context(
            BenchProcess(folder / "bench", seed=seed, time_factor=factor, script="free", key_box="timeout")
        )
        _edit(bench, hours, factor)
        bench.tell(f"band {BAND}")
        daemon, port = made.enter_context(_daemon(bench, folder, store))
        watcher = Watcher(daemon.pid, store, look_s)
        viewer = Viewer(port)
        viewer.start()
        watcher.start()
        last = _until_over(daemon, port, time.monotonic() + at_once_s() + 3600 * hours / factor + PATIENCE_S)
        watcher.stop()
        edges, bench_began_ns = bench.edges(), bench.began_ns
        assert bench_began_ns is not None
        daemon.send_signal(signal.SIGTERM)
        if daemon.wait(PATIENCE_S) != 0:
            raise NotMade(f"the daemon ended with {daemon.returncode}")
        viewer.join()
    copies = len(list((folder / "copies").glob("*")))
    return Ran(store, edges, bench_began_ns, factor, seed, watcher.seen, viewer.pictures, viewer.messages, last, copies)


def _edit(bench: BenchProcess, hours: float, factor: float) -> None:
    plan = bench.plan_file.read_text()
    cycle = f'band = "{BAND}"\nkey_down = "{KEY_DOWN_S} s"\nrest = "{REST_S} s"\nlasts = "{hours * 3600:.0f} s"'
    plan = re.sub(r'^settle = ".*?"', f'settle = "{SETTLE_S * factor:g} s"', plan, flags=re.MULTILINE)
    bench.plan_file.write_text(re.sub(r"\[soak\].*?\n\n", f"[soak]\n{cycle}\n\n", plan, flags=re.DOTALL))
    text = bench.bench_file.read_text()
    text = re.sub(r'^timeout = ".*"', f'timeout = "{TIMEOUT_S * factor:g} s"', text, flags=re.MULTILINE)
    bench.bench_file.write_text(re.sub(r'^every = ".*"', f'every = "{EVERY_S * factor:g} s"', text, flags=re.MULTILINE))


@contextlib.contextmanager
def _daemon(bench: BenchProcess, folder: Path, store: Path) -> Iterator[tuple[subprocess.Popen[bytes], int]]:
    at = (datetime.now(UTC) + timedelta(seconds=at_once_s())).isoformat()
    timetable = folder / "timetable.toml"
    timetable.write_text(
        f'[[start]]\nname = "days on end"\nrun = "soak"\nonce = {at}\nmay_key = true\n\n'
        '[backup]\nevery = "60 s"\nfolder = "copies"\nkeep = 2\n'
    )
    with socket.create_server(("127.0.0.1", 0)) as listener:
        port: int = listener.getsockname()[1]
    words = ["--bench", bench.bench_file, "--plan", bench.plan_file, "--store", store, "--timetable", timetable]
    with (folder / "log").open("wb") as log:
        daemon = subprocess.Popen([COMMAND, "serve", *map(str, words), "--port", str(port)], stderr=log)
    try:
        _until_up(daemon, port, folder / "log")
        yield daemon, port
    finally:
        if daemon.poll() is None:
            daemon.kill()
            daemon.wait()


def _until_up(daemon: subprocess.Popen[bytes], port: int, log: Path) -> None:
    deadline = time.monotonic() + PATIENCE_S
    while b"the daemon serves" not in log.read_bytes():
        if daemon.poll() is not None or time.monotonic() > deadline:
            raise NotMade(f"the daemon did not come up: {log.read_text(errors='replace')[-500:]}")
        time.sleep(0.05)


def _until_over(daemon: subprocess.Popen[bytes], port: int, deadline: float) -> str:
    """How the run ended, in the daemon's words."""
    while time.monotonic() < deadline:
        if daemon.poll() is not None:
            raise NotMade(f"the daemon ended by itself, with {daemon.returncode}")
        said = client.status(port)
        if said["run"] is None and (last := said["last"]) is not None:
            return f"{last['how']}: {last['text']}"
        if said["missed"]:
            raise NotMade(f"the run was not begun: {said['missed']}")
        time.sleep(0.25)
    raise NotMade("the run did not end in time")


class Viewer(threading.Thread):
    """Reads the page's stream as it comes until the daemon ends."""

    def __init__(self, port: int) -> None:
        super().__init__(name="viewer", daemon=True)
        self.pictures = self.messages = 0
        self._port = port

    def run(self) -> None:
        """The thread's work."""
        connection = http.client.HTTPConnection("127.0.0.1", self._port, timeout=PATIENCE_S)
        with contextlib.suppress(OSError, http.client.HTTPException), contextlib.closing(connection):
            connection.request("GET", "/api/stream")
            answer = connection.getresponse()
            while line := answer.readline():
                if line.startswith(b"event: snapshot"):
                    self.pictures += 1
                elif line.startswith(b"data: "):
                    json.loads(line[6:])  # whole, or this thread ends and the table says so
                    self.messages += 1

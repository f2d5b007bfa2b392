"""A daemon in a process of its own, on a simulated bench, with everything that hears of it."""

from __future__ import annotations

import functools
import json
import queue
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

from benchlog.daemon import client
from benchlog.simulate.process import BenchProcess
from tests.cli.running import Running, run

PATIENCE_S = 120.0


def free_port() -> int:
    with socket.create_server(("127.0.0.1", 0)) as listener:
        port: int = listener.getsockname()[1]
        return port


def soon(seconds: float) -> str:
    """A TOML date."""
    return (datetime.now(UTC) + timedelta(seconds=seconds)).isoformat()


@functools.cache
def at_once_s() -> float:
    """How long from now a daemon is up for sure, on this machine with all that it has to do."""
    begun = time.monotonic()
    subprocess.run([sys.executable, "-c", "import benchlog.daemon.serving, benchlog.page.server"], check=True)
    return 4 * max(time.monotonic() - begun, 0.8)


def a_soak(seconds: float | None = None, name: str = "heat run", more: str = "") -> str:
    seconds = at_once_s() if seconds is None else seconds
    return f'[[start]]\nname = "{name}"\nrun = "soak"\nonce = {soon(seconds)}\nmay_key = true\n{more}\n'


def a_watch(seconds: float | None = None, name: str = "listening", lasts: str = "1 h", more: str = "") -> str:
    seconds = at_once_s() if seconds is None else seconds
    return f'[[start]]\nname = "{name}"\nrun = "watch"\nonce = {soon(seconds)}\nlasts = "{lasts}"\n{more}\n'


class Served:
    """A daemon, and where to ask it."""

    def __init__(self, daemon: Running, port: int, store: Path) -> None:
        self.daemon, self.port, self.store = daemon, port, store

    def status(self) -> dict[str, Any]:
        """As `benchlog status --json`, without the start of a process each time."""
        return client.status(self.port)

    def until(self, so: Callable[[dict[str, Any]], bool]) -> dict[str, Any]:
        deadline = time.monotonic() + PATIENCE_S
        while not so(said := self.status()):
            time.sleep(0.05)
            assert time.monotonic() < deadline, f"it never came to that: {said}; log: {''.join(self.daemon.told)}"
        return said

    def said(self) -> list[dict[str, Any]]:
        """The log."""
        return [json.loads(line) for line in self.daemon.told]


def words(bench: BenchProcess, folder: Path, timetable: str, port: int) -> tuple[object, ...]:
    (folder / "timetable.toml").write_text(timetable)
    files = ("--bench", bench.bench_file, "--plan", bench.plan_file, "--store", folder / "s.benchlog")
    return ("serve", *files, "--timetable", folder / "timetable.toml", "--port", port)


@contextmanager
def serve(bench: BenchProcess, folder: Path, timetable: str) -> Iterator[Served]:
    port = free_port()
    with run(*words(bench, folder, timetable, port)) as daemon:
        daemon.wait_for("the daemon serves")
        yield Served(daemon, port, folder / "s.benchlog")


class Hook:
    """A web server that takes notices; ``hangs`` for as long as it lives where told to."""

    def __init__(self, *, hangs: bool = False, refuses: int = 0) -> None:
        self.notices: queue.Queue[dict[str, Any]] = queue.Queue()
        self.met, self._over = threading.Event(), threading.Event()
        hook, left = self, [refuses]

        class Handler(BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                body = self.rfile.read(int(self.headers["Content-Length"]))
                hook.met.set()
                if hangs:
                    hook._over.wait(PATIENCE_S)
                    return
                left[0] -= 1
                self.send_response(503 if left[0] >= 0 else 204)
                self.end_headers()
                if left[0] < 0:
                    hook.notices.put(json.loads(body))

            def log_message(self, *_: object) -> None:
                """Quiet."""

        self._server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self.address = f"http://127.0.0.1:{self._server.server_address[1]}/bench"
        self._thread = threading.Thread(target=self._server.serve_forever, kwargs={"poll_interval": 0.05})

    def __enter__(self) -> Hook:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._over.set()
        self._server.shutdown()
        self._thread.join()
        self._server.server_close()

"""A page on a real socket, and clients that look at it as a browser would, or worse."""

from __future__ import annotations

import contextlib
import http.client
import json
import socket
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from benchlog.acquire.registry import find
from benchlog.bench import load_bench
from benchlog.clock import Clock
from benchlog.page.guards import RATES
from benchlog.page.house import Attended
from benchlog.page.server import Page
from benchlog.plan import load_plan
from benchlog.runs.happenings import Begun, Latest, Tick
from benchlog.runs.session import Session

ROOT = Path(__file__).parent.parent.parent
PATIENCE_S = 60.0
NO_RATES = dict.fromkeys(RATES, (1000000000.0, 1000000000.0))


@dataclass(frozen=True)
class Answer:
    """What came back."""

    status: int
    headers: dict[str, str]
    body: bytes

    @property
    def json(self) -> Any:
        return json.loads(self.body)


def ask(
    port: int, path: str, method: str = "GET", body: Any = None, address: str = "127.0.0.1", **headers: str
) -> Answer:
    """One request on a connection of its own; ``headers`` with _ for -."""
    connection = http.client.HTTPConnection(address, port, timeout=PATIENCE_S)
    named = {name.replace("_", "-"): value for name, value in headers.items()}
    if body is not None and not isinstance(body, bytes):
        body = json.dumps(body).encode()
        named.setdefault("Content-Type", "application/json")
    try:
        connection.request(method, path, body=body, headers=named)
        answer = connection.getresponse()
        return Answer(answer.status, {k.lower(): v for k, v in answer.getheaders()}, answer.read())
    finally:
        connection.close()


@dataclass(frozen=True)
class Event:
    """One of the stream's."""

    id: str
    kind: str
    data: Any


class Viewer:
    """An event stream that is read when the test says so."""

    def __init__(self, port: int, last_event_id: str = "", after: str = "") -> None:
        self.connection = http.client.HTTPConnection("127.0.0.1", port, timeout=PATIENCE_S)
        headers = {"Last-Event-ID": last_event_id} if last_event_id else {}
        self.connection.request("GET", f"/api/stream?after={after}" if after else "/api/stream", headers=headers)
        self.answer = self.connection.getresponse()

    def next(self) -> Event:
        """The next one; comments are passed over."""
        said: dict[str, str] = {}
        deadline = time.monotonic() + 2 * PATIENCE_S  # comments keep a silent stream from timing out
        while True:
            assert time.monotonic() < deadline, "nothing more came"
            line = self.answer.readline().decode().rstrip("\n")
            if not line and "data" in said:
                return Event(said["id"], said["event"], json.loads(said["data"]))
            if not line:
                said = {}
                continue
            key, _, value = line.partition(": ")
            said[key] = value

    def until(self, *kinds: str) -> list[Event]:
        """All up to the first of a kind, that one included."""
        seen, deadline = [self.next()], time.monotonic() + 2 * PATIENCE_S
        while seen[-1].kind not in kinds:
            assert time.monotonic() < deadline, f"none of {kinds} came"
            seen.append(self.next())
        return seen

    def close(self) -> None:
        self.answer.close()
        self.connection.close()

    def __enter__(self) -> Viewer:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


def a_session(store: Path, kind: str = "sweep", **how: Any) -> Session:
    """Of the example files; never entered, so that no instrument is asked."""
    bench, plan = load_bench(ROOT / "config/bench.toml", find), load_plan(ROOT / "config/plan.toml")
    return Session(kind, bench, plan, store=store, clock=Clock(), drivers=find, **how)  # type: ignore[arg-type]


def a_tick(session: Session, t_s: float, watts: float = 0.0) -> Tick:
    from benchlog.model import State

    power = session.bench.measuring("forward-power")
    assert power is not None
    return Tick(t_s, None, None, {power.name: Latest(power, t_s, watts, State.GOOD, "")}, 0.1)


class Served:
    """A page over an attended run that the test plays."""

    def __init__(self, page: Page, house: Attended, session: Session) -> None:
        self.page, self.house, self.session = page, house, session
        self.feed, self.port, self.token = house.feed, page.port, page.token
        self.stop = threading.Event()

    def begin(self) -> None:
        self.house.begin(self.session, self.stop)
        self.feed.tell(Begun(1, str(self.session.store)))

    def get(self, path: str, **headers: str) -> Answer:
        return ask(self.port, path, **headers)

    def post(self, path: str, body: Any = None, **headers: str) -> Answer:
        return ask(self.port, path, "POST", body, Authorization=f"Bearer {self.token}", **headers)


@contextmanager
def served(store: Path, rates: Any = NO_RATES, listen: str = "", **how: Any) -> Iterator[Served]:
    session = a_session(store, **how)
    house = Attended(session.bench.name, session.plan.transmitter.name, store)
    with Page(0, listen, rates=rates) as page:
        page.serve(house)
        found = Served(page, house, session)
        found.get("/api/status")  # its first worker thread is there now, and ends with the page
        yield found


def raw(port: int, data: bytes, wait_s: float = PATIENCE_S) -> bytes:
    """Bytes as they are, and all that comes back until the end."""
    with socket.create_connection(("127.0.0.1", port), timeout=wait_s) as one:
        parts = []
        with contextlib.suppress(ConnectionResetError, BrokenPipeError):  # it may be closed before all is sent
            one.sendall(data)
            while part := one.recv(65536):
                parts.append(part)
        return b"".join(parts)

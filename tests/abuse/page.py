"""The page's API with its guards, asked without a network: one request after another, as fast as it answers."""

from __future__ import annotations

import asyncio
import functools
import tempfile
from pathlib import Path
from typing import Any

from starlette.types import ASGIApp

from benchlog.page.api import Parts, make_api
from benchlog.page.assets import Assets
from benchlog.page.clerk import Clerk
from benchlog.page.guards import Guards, Law
from benchlog.page.house import Attended
from benchlog.page.needles import Needles
from benchlog.page.stored import StoredSeries
from benchlog.page.stream import Hub

LAW = Law("token", 80, rates={"change": (1e9, 1e9), "look": (1e9, 1e9)})
HEADERS = ((b"host", b"127.0.0.1"), (b"authorization", b"Bearer token"), (b"content-type", b"application/json"))


@functools.cache
def _app() -> tuple[ASGIApp, asyncio.AbstractEventLoop]:
    """Where no run is on, and nothing is stored."""
    house = Attended("abused", "abused", Path(tempfile.gettempdir()) / "no such store")
    clerk = Clerk(house.store, house.feed)
    clerk.close()  # nobody asks for a record
    parts = Parts(house, LAW, Hub(house.feed), clerk, StoredSeries(house.store), Needles(house), Assets())
    return Guards(make_api(parts), LAW), asyncio.new_event_loop()


def close() -> None:
    """Let go of the loop."""
    _app()[1].close()
    _app.cache_clear()


def post(path: str, body: bytes) -> tuple[int, bytes]:
    """Status and body of the answer."""
    app, loop = _app()
    scope = {
        "type": "http", "http_version": "1.1", "method": "POST", "scheme": "http", "path": path, "root_path": "",
        "raw_path": path.encode(), "query_string": b"", "headers": [*HEADERS, (b"content-length", b"%d" % len(body))],
        "client": ("127.0.0.1", 1), "server": ("127.0.0.1", 80),
    }  # fmt: skip
    given: list[dict[str, Any]] = [{"type": "http.request", "body": body, "more_body": False}]
    said: list[Any] = []

    async def receive() -> Any:
        return given.pop() if given else {"type": "http.disconnect"}

    async def send(message: Any) -> None:
        said.append(message)

    loop.run_until_complete(app(scope, receive, send))
    return said[0]["status"], b"".join(part.get("body", b"") for part in said[1:])

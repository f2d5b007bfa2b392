"""The live stream: server-sent events out of the feed, one task for each viewer.

A viewer that does not read holds up its own task and nothing else: what it has not taken stays in the feed's ring, and
when it comes back too late for that it gets the picture anew. One whose connection takes nothing for a while is let go.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import time
from collections.abc import AsyncIterator
from typing import Any

from starlette.responses import Response
from starlette.types import Receive, Scope, Send

from benchlog.page.feed import Feed
from benchlog.report.record_json import finite

MOST_VIEWERS = 32
KEEP_ALIVE_S = 10.0
STUCK_S = 15.0  # a connection that takes nothing for so long is given up
RETRY_MS = 1000


class Hub:
    """Every viewer of one feed. ``bind`` it to the server's loop before anything is put."""

    def __init__(self, feed: Feed) -> None:
        self._feed = feed
        self._loop: asyncio.AbstractEventLoop | None = None
        self._news: asyncio.Event | None = None
        self._waking = False
        self._closed = False
        self.viewers = 0
        feed.waken(self._wake)

    def bind(self) -> None:
        """From inside the loop that serves."""
        self._loop, self._news = asyncio.get_running_loop(), asyncio.Event()

    def snapshot(self, replay: str = "start") -> dict[str, Any]:
        """What a stream begins with."""
        number, picture = self._feed.snapshot()
        found: dict[str, Any] = finite({"replay": replay, "id": self._feed.event_id(number), **picture})
        return found

    def stream(self, last_event_id: str) -> Response | None:
        """For one viewer; None where there are too many."""
        if self.viewers >= MOST_VIEWERS:
            return None
        return _Stream(self, last_event_id)

    def close(self) -> None:
        """End all streams; from any thread."""
        self._closed = True
        self._wake()

    def _wake(self) -> None:
        """From the run's thread: neither waits nor raises."""
        if self._loop is None or self._waking:
            return
        self._waking = True
        with contextlib.suppress(RuntimeError):  # the loop is closed: nobody looks any more
            self._loop.call_soon_threadsafe(self._spread)

    def _spread(self) -> None:
        self._waking = False
        if self._news is not None:
            news, self._news = self._news, asyncio.Event()
            news.set()

    async def _parts(self, last_event_id: str) -> AsyncIterator[bytes]:
        """Events as bytes, without end."""
        feed = self._feed
        had = feed.number_of(last_event_id) if last_event_id else None
        if had is not None and feed.after(had, 1) is not None:
            yield f"retry: {RETRY_MS}\n\n".encode()
        else:
            had, first = self._first("gap" if last_event_id else "start")
            yield first
        said_at = time.monotonic()
        while not self._closed:
            news = self._news
            assert news is not None
            found = feed.after(had)
            if found is None:
                had, first = self._first("gap")
                yield first
                continue
            if found:
                had, said_at = found[-1].number, time.monotonic()
                yield "".join(
                    f"id: {feed.event_id(one.number)}\nevent: {one.kind}\ndata: {one.text}\n\n" for one in found
                ).encode()
                continue
            with contextlib.suppress(TimeoutError):
                await asyncio.wait_for(news.wait(), max(0.05, said_at + KEEP_ALIVE_S - time.monotonic()))
            if time.monotonic() - said_at >= KEEP_ALIVE_S:
                said_at = time.monotonic()
                yield b": still here\n\n"

    def _first(self, replay: str) -> tuple[int, bytes]:
        picture = self.snapshot(replay)
        number = self._feed.number_of(picture["id"]) or 0
        text = json.dumps(picture, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
        return number, f"retry: {RETRY_MS}\nid: {picture['id']}\nevent: snapshot\ndata: {text}\n\n".encode()


class _Stream(Response):
    """One viewer's."""

    media_type = "text/event-stream"

    def __init__(self, hub: Hub, last_event_id: str) -> None:
        super().__init__(headers={"cache-control": "no-store", "x-accel-buffering": "no"})
        del self.headers["content-length"]
        self._hub, self._last_event_id = hub, last_event_id

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Until the viewer goes, is stuck, or the server ends."""
        hub = self._hub
        hub.viewers += 1
        try:
            gone = asyncio.ensure_future(_gone(receive))
            say = asyncio.ensure_future(self._say(send))
            _, pending = await asyncio.wait({gone, say}, return_when=asyncio.FIRST_COMPLETED)
            for task in pending:
                task.cancel()
            await asyncio.gather(gone, say, return_exceptions=True)
        finally:
            hub.viewers -= 1

    async def _say(self, send: Send) -> None:
        with contextlib.suppress(OSError, TimeoutError):
            start = {"type": "http.response.start", "status": 200, "headers": self.raw_headers}
            await asyncio.wait_for(send(start), STUCK_S)
            async for part in self._hub._parts(self._last_event_id):
                await asyncio.wait_for(send({"type": "http.response.body", "body": part, "more_body": True}), STUCK_S)
            await asyncio.wait_for(send({"type": "http.response.body", "body": b""}), STUCK_S)


async def _gone(receive: Receive) -> None:
    while (await receive())["type"] != "http.disconnect":
        pass

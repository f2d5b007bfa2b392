"""Listens, and serves one house's page from a thread of its own, for as long as its context lasts."""

from __future__ import annotations

import asyncio
import contextlib
import ipaddress
import json
import secrets
import socket
import threading
from collections import Counter
from collections.abc import Mapping
from typing import Any, Self

import h11
import uvicorn
from uvicorn.protocols.http.h11_impl import H11Protocol

from benchlog.errors import BenchFailed, UsageError
from benchlog.page.api import Parts, make_api
from benchlog.page.assets import Assets
from benchlog.page.clerk import Clerk
from benchlog.page.guards import RATES, Guards, Law, is_loopback
from benchlog.page.house import House
from benchlog.page.needles import Needles
from benchlog.page.stored import StoredSeries
from benchlog.page.stream import Hub

LOOPBACK = "127.0.0.1"
_UP_S = 10.0
_DOWN_S = 5.0
_IDLE_S = 10.0  # a connection that has not asked anything by then is closed
_UNREAD_S = 20  # after so long the kernel gives up a connection whose other end takes nothing
_SEND_BUFFER = 256 * 1024
MOST_CONNECTIONS, MOST_OF_ONE = 256, 64


class Page:
    """Listens from the start, answers once ``serve`` is called. Raises BenchFailed, UsageError where it cannot listen.

    Args:
        port: of loopback, and of ``listen``; 0 for any free one.
        listen: a further address to listen on, or a name that stands for one.
        rates: of the guards, where they are not to be the usual ones.
    """

    def __init__(self, port: int, listen: str = "", *, rates: Mapping[str, tuple[float, float]] = RATES) -> None:
        self._sockets, names = _listen(port, listen)
        self.port: int = self._sockets[0].getsockname()[1]
        self.token = secrets.token_urlsafe(32)
        self._law = Law(self.token, self.port, names, rates)
        self._listens_on = listen or LOOPBACK
        self._server: uvicorn.Server | None = None
        self._thread: threading.Thread | None = None
        self._hub: Hub | None = None
        self._clerk: Clerk | None = None
        self._needles: Needles | None = None

    @property
    def address(self) -> str:
        """For a browser, with the token in the part that no browser sends."""
        name = f"[{self._listens_on}]" if ":" in self._listens_on else self._listens_on
        name = {"0.0.0.0": LOOPBACK, "[::]": "[::1]"}.get(name, name)
        return f"http://{name}:{self.port}/#token={self.token}"

    def serve(self, house: House) -> None:
        """From now on. Raises BenchFailed, where it does not come up."""
        self._hub = hub = Hub(house.feed)
        self._clerk = Clerk(house.store, house.feed)
        self._needles = Needles(house)
        self._needles.start()
        parts = Parts(house, self._law, hub, self._clerk, StoredSeries(house.store), self._needles, Assets())
        config = uvicorn.Config(
            Guards(make_api(parts), self._law),
            http=_Connection,
            ws="none",
            lifespan="off",
            log_config=None,
            log_level="critical",  # strangers' broken requests are no news; our own faults the guards tell
            access_log=False,
            server_header=False,
            timeout_graceful_shutdown=1,
            timeout_keep_alive=30,
        )
        self._server = server = uvicorn.Server(config)

        async def work() -> None:
            hub.bind()
            await server.serve(sockets=self._sockets)

        self._thread = threading.Thread(target=lambda: asyncio.run(work()), name="page", daemon=True)
        self._thread.start()
        waiting = threading.Event()
        for _ in range(round(_UP_S / 0.02)):
            if server.started:
                return
            waiting.wait(0.02)
        raise BenchFailed("the page does not come up", where=f"port {self.port}")

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        if self._hub is not None:
            self._hub.close()
        if self._clerk is not None:
            self._clerk.close()
        if self._needles is not None:
            self._needles.close()
        if self._server is not None and self._thread is not None:
            self._server.should_exit = True
            self._thread.join(_DOWN_S)
        for one in self._sockets:
            one.close()


def _listen(port: int, listen: str) -> tuple[list[socket.socket], tuple[str, ...]]:
    """Loopback and, where one is asked for, another address, on one port; and the names beside addresses."""
    if not listen or listen == "localhost" or (is_loopback(listen) and ":" not in listen):
        return [_socket(LOOPBACK, port)], ()
    try:
        found = socket.getaddrinfo(listen, port, type=socket.SOCK_STREAM, flags=socket.AI_PASSIVE)
    except (OSError, UnicodeError):
        cure = "Name an address of this computer, like 192.0.2.7."
        raise UsageError("no such address", where=f"--listen {listen}", cure=cure) from None
    address = str(found[0][4][0])
    names = () if _literal(listen) else (listen,)
    first = _socket(address, port)
    if address in ("0.0.0.0", "::"):  # loopback is in it
        return [first], names
    try:
        return [_socket(LOOPBACK, first.getsockname()[1]), first], names
    except BenchFailed:
        first.close()
        raise


def _literal(address: str) -> bool:
    with contextlib.suppress(ValueError):
        ipaddress.ip_address(address.partition("%")[0])
        return True
    return False


def _socket(address: str, port: int) -> socket.socket:
    family = socket.AF_INET6 if ":" in address else socket.AF_INET
    one = socket.socket(family, socket.SOCK_STREAM)
    try:
        one.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        if family == socket.AF_INET6 and address == "::":
            one.setsockopt(socket.IPPROTO_IPV6, socket.IPV6_V6ONLY, 0)
        # Connections inherit these. A viewer that went without a word, or takes nothing, is the kernel's to end.
        one.setsockopt(socket.IPPROTO_TCP, socket.TCP_USER_TIMEOUT, _UNREAD_S * 1000)
        one.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
        one.setsockopt(socket.IPPROTO_TCP, socket.TCP_KEEPIDLE, _UNREAD_S)
        one.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, _SEND_BUFFER)
        one.bind((address, port))
        one.listen(128)
    except OSError as exc:
        one.close()
        raise BenchFailed(
            f"the port cannot be had: {exc.strerror or exc}",
            where=f"port {port}" if address == LOOPBACK else f"port {port} of {address}",
            cure="Does another daemon run? Name another port with --port.",
        ) from None
    return one


_met: Counter[str] = Counter()  # connections by client; touched by the servers' loops, each in one step


class _Connection(H11Protocol):
    """A connection that must ask soon, and of which nobody has too many."""

    _counted = ""
    _late: asyncio.TimerHandle | None = None

    def connection_made(self, transport: Any) -> None:
        super().connection_made(transport)
        client = self.client[0] if self.client else ""
        if len(self.connections) > MOST_CONNECTIONS or _met[client] >= MOST_OF_ONE:
            transport.abort()
            return
        _met[client] += 1
        self._counted = client
        self._late = self.loop.call_later(_IDLE_S, self._look)

    def _look(self) -> None:
        """It has asked something that is answered or being answered, or it goes."""
        if self.cycle is None:
            self.transport.abort()

    def connection_lost(self, exc: Exception | None) -> None:
        super().connection_lost(exc)
        if self._late is not None:
            self._late.cancel()
        if self._counted:
            _met[self._counted] -= 1
            if not _met[self._counted]:
                del _met[self._counted]
            self._counted = ""

    def send_400_response(self, msg: str) -> None:
        body = json.dumps({"error": msg, "cure": ""}).encode()
        headers = [(b"content-type", b"application/json"), (b"connection", b"close")]
        headers.append((b"content-length", str(len(body)).encode()))
        with contextlib.suppress(h11.LocalProtocolError):
            response = h11.Response(status_code=400, headers=headers, reason=b"Bad Request")
            self.transport.write(self.conn.send(response) or b"")
            self.transport.write(self.conn.send(h11.Data(data=body)) or b"")
            self.transport.write(self.conn.send(h11.EndOfMessage()) or b"")
        self.transport.close()

"""Who may ask, what, and how often: looked at before any route sees a request.

  - Host must be a name of ours: a page elsewhere that makes its own name resolve to this computer is turned away.
  - Origin, where a browser sends one, must be ours; so must what it says of the page that asks (Sec-Fetch-Site).
  - What changes something needs the token, in the Authorization header, always. On any other address than loopback so
    does everything but the page's own files: there a cookie will do for what only looks, since a browser's event
    stream can carry no header.
  - A body is at most 16 KiB, and is there within some seconds; each client may ask so often and no more.
  - Every answer carries headers that let the page load nothing but its own files, and nobody else load it.

Key-up is held up by no rate: whoever has the token may press it as often as they like.
"""

from __future__ import annotations

import asyncio
import hashlib
import hmac
import ipaddress
import json
import logging
import time
from collections import OrderedDict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from http.cookies import CookieError, SimpleCookie
from typing import Any

from starlette.types import ASGIApp, Message, Receive, Scope, Send

LOG = logging.getLogger("benchlog")
COOKIE = "benchlog"
MOST_BODY = 16 * 1024
BODY_S = 5.0
MOST_QUERY = 4096
RATES = {"change": (10.0, 20.0), "look": (50.0, 150.0)}  # a second, and at once
MOST_CLIENTS = 1024
_SAFE = ("GET", "HEAD", "OPTIONS")
_OPEN = ("/", "/plotly.js", "/favicon.ico")  # the page's own files say nothing of any bench
_NEVER_HELD_UP = "/api/key-up"
# plotly sets its styles through the object model, which this lets it. One style sheet it would write into the page, for
# maps, is refused: each page's console notes it once, and nothing here needs it.
CSP = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; "
    "connect-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)
HEADERS = {
    "content-security-policy": CSP,
    "x-content-type-options": "nosniff",
    "referrer-policy": "no-referrer",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "x-frame-options": "DENY",
    "permissions-policy": "camera=(), geolocation=(), microphone=()",
}


@dataclass(frozen=True)
class Law:
    """What is let in."""

    token: str
    port: int
    names: tuple[str, ...] = ()  # by which it may be called, besides its addresses and localhost
    rates: Mapping[str, tuple[float, float]] = field(default_factory=lambda: RATES)

    def hosts(self, address: str) -> set[str]:
        """What a Host header may say on a connection to that address of ours."""
        names = [f"[{address}]" if ":" in address else address, *self.names]
        if is_loopback(address):
            names += ["localhost", "127.0.0.1", "[::1]"]
        return {f"{name.lower()}:{self.port}" for name in names} | ({*names} if self.port == 80 else set())

    @property
    def cookie(self) -> str:
        """What the cookie holds: proof of the token, and not the token itself."""
        return hmac.new(self.token.encode(), b"benchlog page", hashlib.sha256).hexdigest()


class Guards:
    """ASGI middleware around everything."""

    def __init__(self, app: ASGIApp, law: Law) -> None:
        self._app, self._law = app, law
        self._rates = {what: _Rate(*rate) for what, rate in law.rates.items()}

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """One request."""
        if scope["type"] != "http":
            return
        answer = _with_headers(send)
        refused = self._refused(scope)
        body = b""
        if refused is None:
            try:
                body = await asyncio.wait_for(_body(receive), BODY_S)
            except _TooLarge:
                refused = (413, "the request is too large", {})
            except _Gone:
                return
            except TimeoutError:
                refused = (408, "the request did not come in time", {"connection": "close"})
        if refused is not None:
            await _say(answer, *refused)
            return
        given = [{"type": "http.request", "body": body, "more_body": False}]

        async def receive_again() -> Message:
            return given.pop() if given else await receive()

        try:
            await self._app(scope, receive_again, answer)
        except Exception as exc:  # noqa: BLE001 - told in one line; the run and the other viewers go on
            LOG.warning("a fault in the page at %s: %r", scope["path"], exc)

    def _refused(self, scope: Scope) -> tuple[int, str, dict[str, str]] | None:
        """Status, why and headers; None where it is let in."""
        headers = _Headers(scope["headers"])
        server = scope.get("server") or ("", 0)
        changes = scope["method"] not in _SAFE
        path: str = scope["path"]
        hosts = self._law.hosts(str(server[0]))
        found = headers.all("host")
        if len(found) != 1 or found[0].lower() not in hosts:
            return 421, "this is not the host's own name for itself", {}
        origins = headers.all("origin")
        if origins and (len(origins) > 1 or origins[0].lower() not in {f"http://{host}" for host in hosts}):
            return 403, "another site's page may not ask", {}
        if path.startswith("/api/") and headers.one("sec-fetch-site") in ("cross-site", "same-site"):
            return 403, "another site's page may not ask", {}
        allowed = self._token(headers)
        if not allowed and (changes or not self._may_look(str(server[0]), path, headers)):
            wait_s = self._rates["change" if changes else "look"].wait(_client(scope))
            if wait_s:
                return 429, "too many requests", {"retry-after": str(wait_s)}
            return 401, "this needs the token", {"www-authenticate": 'Bearer realm="benchlog"'}
        if len(scope.get("query_string", b"")) > MOST_QUERY or len(scope.get("raw_path") or b"") > MOST_QUERY:
            return 414, "the address is too long", {}
        length = headers.one("content-length")
        if length and length.isdigit() and int(length) > MOST_BODY:
            return 413, "the request is too large", {"connection": "close"}
        if not (allowed and path == _NEVER_HELD_UP):
            wait_s = self._rates["change" if changes else "look"].wait(_client(scope))
            if wait_s:
                return 429, "too many requests", {"retry-after": str(wait_s)}
        return None

    def _token(self, headers: _Headers) -> bool:
        said = headers.all("authorization")
        return len(said) == 1 and hmac.compare_digest(said[0].encode(), f"Bearer {self._law.token}".encode())

    def _may_look(self, address: str, path: str, headers: _Headers) -> bool:
        if is_loopback(address) or path in _OPEN or path.startswith("/static/"):
            return True
        for text in headers.all("cookie"):
            try:
                found = SimpleCookie(text).get(COOKIE)
            except CookieError:
                continue
            if found is not None and hmac.compare_digest(found.value.encode(), self._law.cookie.encode()):
                return True
        return False


class _Rate:
    """So many a second for each client, and so many at once."""

    def __init__(self, per_s: float, at_once: float) -> None:
        self._per_s, self._at_once = per_s, at_once
        self._left: OrderedDict[str, tuple[float, float]] = OrderedDict()  # client -> (tokens, when)

    def wait(self, client: str) -> int:
        """0 where this one is within the rate, else whole seconds to wait."""
        now = time.monotonic()
        left, when = self._left.pop(client, (self._at_once, now))
        left = min(self._at_once, left + (now - when) * self._per_s)
        ok = left >= 1
        self._left[client] = (left - 1 if ok else left, now)
        while len(self._left) > MOST_CLIENTS:
            self._left.popitem(last=False)
        return 0 if ok else max(1, round((1 - left) / self._per_s))


class _Headers:
    """Latin-1, as the protocol has it."""

    def __init__(self, raw: Iterable[tuple[bytes, bytes]]) -> None:
        self._raw = list(raw)

    def all(self, name: str) -> list[str]:
        return [value.decode("latin-1") for key, value in self._raw if key.lower() == name.encode()]

    def one(self, name: str) -> str:
        found = self.all(name)
        return found[0] if found else ""


class _TooLarge(Exception):
    pass


class _Gone(Exception):
    pass


async def _body(receive: Receive) -> bytes:
    parts: list[bytes] = []
    size = 0
    while True:
        message = await receive()
        if message["type"] == "http.disconnect":
            raise _Gone
        parts.append(message.get("body", b""))
        size += len(parts[-1])
        if size > MOST_BODY:
            raise _TooLarge
        if not message.get("more_body"):
            return b"".join(parts)


def _with_headers(send: Send) -> Send:
    async def answer(message: Message) -> None:
        if message["type"] == "http.response.start":
            there = {key.lower() for key, _ in message.get("headers", [])}
            more = [(k.encode(), v.encode()) for k, v in HEADERS.items() if k.encode() not in there]
            if b"cache-control" not in there:
                more.append((b"cache-control", b"no-store"))
            message = {**message, "headers": [*message.get("headers", []), *more]}
        await send(message)

    return answer


async def _say(send: Send, status: int, why: str, headers: dict[str, Any]) -> None:
    body = json.dumps({"error": why, "cure": ""}).encode()
    fixed = {"content-type": "application/json", "content-length": str(len(body)), **headers}
    raw = [(key.encode(), str(value).encode("latin-1")) for key, value in fixed.items()]
    await send({"type": "http.response.start", "status": status, "headers": raw})
    await send({"type": "http.response.body", "body": body})


def _client(scope: Scope) -> str:
    return str((scope.get("client") or ("", 0))[0])


def is_loopback(address: str) -> bool:
    """An address of this computer that nobody else can reach."""
    try:
        return ipaddress.ip_address(address.partition("%")[0]).is_loopback
    except ValueError:
        return False

"""The daemon's control: a small API on loopback, which ``benchlog status`` and ``benchlog stop`` use.

Who may: anyone on this computer may ask how things stand; to change something takes the token that only the daemon's
own user can read (``place``). The Host header must be loopback's own, so that no web page can reach it by a name
that it makes resolve here.

    GET  /status   how things stand, ``Daemon.status``
    POST /stop     ends the run that is on, cleanly, the key up first: 202 and {"stopping": session}, 409 for no run
"""

from __future__ import annotations

import secrets
import socket
import threading
from collections.abc import Awaitable, Callable
from typing import Any, Self

import uvicorn
from fastapi import FastAPI, Request, Response
from fastapi.responses import JSONResponse

from benchlog.daemon.serving import Daemon
from benchlog.errors import BenchFailed

LOOPBACK = "127.0.0.1"
_UP_S = 10.0
_SAFE = ("GET", "HEAD")


class Control:
    """Listens from the start, answers while its context lasts. Raises BenchFailed where the port is taken."""

    def __init__(self, port: int) -> None:
        try:
            self._socket = socket.create_server((LOOPBACK, port))
        except OSError as exc:
            raise BenchFailed(
                f"the port cannot be had: {exc.strerror}",
                where=f"port {port}",
                cure="Does another daemon run? Name another port with --port.",
            ) from None
        self.port: int = self._socket.getsockname()[1]
        self.token = secrets.token_urlsafe(32)
        self._server: uvicorn.Server | None = None
        self._thread: threading.Thread | None = None

    def answer(self, daemon: Daemon) -> None:
        """From now on. Raises BenchFailed, where it does not come up."""
        config = uvicorn.Config(
            app(daemon, self.port, self.token),
            log_config=None,
            access_log=False,
            lifespan="off",
            ws="none",
            server_header=False,
            timeout_graceful_shutdown=1,
            limit_concurrency=32,
        )
        self._server = uvicorn.Server(config)
        self._thread = threading.Thread(
            target=self._server.run, kwargs={"sockets": [self._socket]}, name="control", daemon=True
        )
        self._thread.start()
        waiting = threading.Event()
        for _ in range(round(_UP_S / 0.02)):
            if self._server.started:
                return
            waiting.wait(0.02)
        raise BenchFailed("the control does not come up", where=f"port {self.port}")

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        if self._server is not None and self._thread is not None:
            self._server.should_exit = True
            self._thread.join(3.0)
        self._socket.close()


def app(daemon: Daemon, port: int, token: str) -> FastAPI:
    """The API of one daemon."""
    api = FastAPI(title="benchlog", docs_url=None, redoc_url=None, openapi_url=None)
    hosts = {f"{LOOPBACK}:{port}", f"localhost:{port}"}

    @api.middleware("http")
    async def only_ours(request: Request, go_on: Callable[[Request], Awaitable[Response]]) -> Response:
        if [host.lower() for host in request.headers.getlist("host")] not in [[host] for host in hosts]:
            return _refused(421, "this is not the host's own name for itself")
        if request.method not in _SAFE:
            said = request.headers.get("authorization", "")
            if not secrets.compare_digest(said.encode(), f"Bearer {token}".encode()):
                return _refused(401, "this needs the daemon's token")
        return await go_on(request)

    @api.get("/status")
    def status() -> dict[str, Any]:
        return daemon.status()

    @api.post("/stop")
    def stop() -> Response:
        session = daemon.stop_run("stopped by the operator")
        if session is None:
            return _refused(409, "no run is on")
        return JSONResponse({"stopping": session}, 202)

    return api


def _refused(status: int, why: str) -> JSONResponse:
    return JSONResponse({"error": why}, status)

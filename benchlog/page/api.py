"""The page's API: every route, what it takes and what it answers; described by itself at /api/openapi.json."""

from __future__ import annotations

import base64
import contextlib
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Annotated, Any

from fastapi import FastAPI, Query, Request, Response
from fastapi import Path as InPath
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse
from pydantic import FiniteFloat
from starlette.exceptions import HTTPException

from benchlog import __version__
from benchlog.clock import rfc3339
from benchlog.errors import BenchlogError, NotInstalled, UsageError
from benchlog.page.assets import Assets
from benchlog.page.clerk import Busy, Clerk, Want
from benchlog.page.guards import COOKIE, Law
from benchlog.page.house import ARMED_FROM_S, ARMED_UNTIL_S, STOP_WHY, House, OnAir, Refused
from benchlog.page.needles import Needles
from benchlog.page.shapes import (
    Armed,
    BandSet,
    Entered,
    Entry,
    Figure,
    KeyDownAsked,
    KeyedUp,
    Nothing,
    Problem,
    Record,
    Series,
    SessionLine,
    Status,
    Stopping,
)
from benchlog.page.stored import StoredSeries
from benchlog.page.stream import Hub
from benchlog.page.trend import MOST_POINTS, Buckets
from benchlog.quantities import SI_UNIT
from benchlog.report.pdf import Paper
from benchlog.runs.session import Session
from benchlog.store.enter import enter
from benchlog.store.reader import StoredSession, StoreReader

_DOCUMENT_CSP = (
    "default-src 'none'; style-src 'unsafe-inline'; img-src data:; base-uri 'none'; form-action 'none'; "
    "frame-ancestors 'none'; sandbox"
)
SessionTime = Annotated[FiniteFloat | None, Query(ge=-1e9, le=1e9)]
SessionId = Annotated[int, InPath(ge=0, le=2**53)]
_ALWAYS: dict[int | str, dict[str, Any]] = {
    status: {"model": Problem, "description": why}
    for status, why in {
        400: "Not a request",
        401: "The token is missing or wrong",
        403: "Another site's page asks, or what is asked for is not allowed",
        404: "There is no such thing",
        405: "Not with this method",
        408: "The request did not come in time",
        409: "Not now",
        413: "The request is too large",
        414: "The address is too long",
        421: "The Host header is not a name of ours",
        422: "The words make no sense",
        429: "Too many requests",
    }.items()
}


@dataclass(frozen=True)
class Parts:
    """What the routes work with."""

    house: House
    law: Law
    hub: Hub
    clerk: Clerk
    series: StoredSeries
    needles: Needles
    assets: Assets


def make_api(parts: Parts) -> FastAPI:
    """All routes. The guards are the server's business."""
    api = FastAPI(
        title="benchlog",
        version=__version__,
        description="One bench: the run that is on, what is stored, and the few things that may be changed.",
        docs_url=None,
        redoc_url=None,
        openapi_url="/api/openapi.json",
        redirect_slashes=False,
        responses=_ALWAYS,
    )
    _errors(api)
    _files(api, parts.assets)
    _looking(api, parts)
    _records(api, parts)
    _changing(api, parts)
    _describe(api)
    return api


def _errors(api: FastAPI) -> None:
    @api.exception_handler(HTTPException)
    async def plain(_: Request, exc: HTTPException) -> Response:
        said = {404: "there is no such thing here", 405: "not with this method"}.get(exc.status_code, str(exc.detail))
        return _problem(exc.status_code, said, headers=dict(exc.headers or {}))

    @api.exception_handler(RequestValidationError)
    async def words(_: Request, exc: RequestValidationError) -> Response:
        first = exc.errors()[0]
        where = ".".join(str(part) for part in first["loc"][1:])
        return _problem(422, f"{where}: {first['msg']}" if where else str(first["msg"]))

    @api.exception_handler(BenchlogError)
    async def ours(_: Request, exc: BenchlogError) -> Response:
        if isinstance(exc, NotInstalled):
            return _problem(501, exc.what, exc.cure)
        if isinstance(exc, Busy):
            return _problem(429, exc.what, exc.cure, headers={"retry-after": "3"})
        return _problem(409, exc.what, exc.cure)

    @api.exception_handler(Exception)
    async def fault(_: Request, exc: Exception) -> Response:
        return _problem(500, f"a fault in benchlog itself: {type(exc).__name__}", "Please report it.")


def _problem(status: int, error: str, cure: str = "", headers: dict[str, str] | None = None) -> JSONResponse:
    return JSONResponse({"error": error, "cure": cure}, status, headers=headers)


def _missing(what: str) -> HTTPException:
    return HTTPException(404, what)


def _files(api: FastAPI, assets: Assets) -> None:
    @api.get("/", include_in_schema=False)
    def page(request: Request) -> Response:
        return assets.answer("index.html", request.headers.get("if-none-match", ""))

    @api.get("/static/{name}", include_in_schema=False)
    def static(name: str, request: Request) -> Response:
        if name not in assets:
            raise _missing(name)
        return assets.answer(name, request.headers.get("if-none-match", ""))

    @api.get("/plotly.js", include_in_schema=False)
    def plotly(request: Request) -> Response:
        return assets.plotly(request.headers.get("if-none-match", ""), request.headers.get("accept-encoding", ""))


def _looking(api: FastAPI, parts: Parts) -> None:
    house = parts.house

    @api.get("/api/status")
    def status() -> Status:
        """How things stand: the run that is on, what is next, what was missed."""
        return Status.model_validate(house.status() | {"viewers": parts.hub.viewers})

    @api.get("/api/stream", response_class=Response, responses=_media("text/event-stream"))
    async def stream(request: Request, after: Annotated[str, Query(max_length=40)] = "") -> Response:
        """Server-sent events: a snapshot, then every message as it happens.

        After a break they go on from Last-Event-ID, which a browser says by itself; or, in a stream opened anew, from
        the message ``after`` names.
        """
        answer = parts.hub.stream(request.headers.get("last-event-id", "") or after)
        return answer or _problem(429, "too many look already", "Close a page.", {"retry-after": "10"})

    @api.get("/api/snapshot")
    def snapshot() -> dict[str, Any]:
        """The picture that the stream begins with."""
        return parts.hub.snapshot()

    @api.get("/api/series")
    def series(
        channel: Annotated[str, Query(max_length=200)],
        from_s: SessionTime = None,
        to_s: SessionTime = None,
        points: Annotated[int, Query(ge=1, le=MOST_POINTS)] = 600,
    ) -> Series:
        """A channel of the run that is on, or was last, in at most so many buckets."""
        return _running_series(parts, channel, from_s, to_s, points)


def _running_series(parts: Parts, channel: str, from_s: float | None, to_s: float | None, points: int) -> Series:
    trend, session = parts.house.feed.trend, parts.house.feed.session
    if trend is None or session is None:
        raise Refused("no run has been on", cure="Ask for a stored session's series.")
    found = next((one for _, one in session.bench.channels() if one.name == channel), None)
    if found is None:
        raise _missing(channel)
    tick = parts.house.feed.tick
    first_s = 0.0 if from_s is None else from_s
    last_s = (tick.t_s if tick else 0.0) + 1.0 if to_s is None else to_s
    return _series(channel, SI_UNIT[found.dimension], first_s, last_s, trend.buckets(channel, first_s, last_s, points))


def _series(channel: str, unit: str, from_s: float, to_s: float, found: Buckets) -> Series:
    return Series(channel=channel, unit=unit, from_s=from_s, to_s=to_s, **asdict(found))


def _records(api: FastAPI, parts: Parts) -> None:
    store = parts.house.store

    def stored(session_id: int) -> StoredSession:
        try:
            return StoreReader(store).session(session_id)
        except UsageError:
            raise _missing(f"session {session_id}") from None

    @api.get("/api/sessions")
    def sessions() -> list[SessionLine]:
        """What is in the store, the oldest first."""
        if not store.exists():
            return []
        return [_line(one) for one in StoreReader(store).sessions()]

    def made(session_id: int, want: Want) -> dict[str, Any]:
        found = stored(session_id)
        return parts.clerk.ask(found.id, found.digest, want, found.revision)

    @api.get("/api/sessions/{session_id}/record")
    def record(session_id: SessionId) -> Record:
        """The record as JSON, ``benchlog-record/1``; of a session that is on, as it is so far."""
        answer = made(session_id, "record")
        return Record(altered=answer["altered"], record=answer["record"])

    @api.get("/api/sessions/{session_id}/record.html", response_class=Response, responses=_media("text/html"))
    def document(session_id: SessionId) -> Response:
        """The record as one HTML document that stands alone."""
        headers = {"content-security-policy": _DOCUMENT_CSP}
        html = made(session_id, "document")["html"]
        return Response(html, media_type="text/html; charset=utf-8", headers=headers)

    @api.get("/api/sessions/{session_id}/record.pdf", response_class=Response, responses=_PDF)
    def printed(session_id: SessionId, paper: Paper = "a4") -> Response:
        """The same as PDF; 501 where what makes it is not installed."""
        content = base64.b64decode(made(session_id, "pdf-a4" if paper == "a4" else "pdf-letter")["pdf"])
        headers = {"content-disposition": f'inline; filename="session-{session_id}.pdf"'}
        return Response(content, media_type="application/pdf", headers=headers)

    @api.get("/api/sessions/{session_id}/figures")
    def figures(session_id: SessionId) -> list[Figure]:
        """The record's figures, by name."""
        drawn = made(session_id, "document")["figures"]
        return [Figure(name=one["name"], title=one["title"], alt=one["alt"]) for one in drawn]

    @api.get("/api/sessions/{session_id}/figures/{name}", response_class=Response, responses=_media("image/svg+xml"))
    def figure(session_id: SessionId, name: str) -> Response:
        """One of them, as SVG."""
        drawn = made(session_id, "document")["figures"]
        svg = next((one["svg"] for one in drawn if one["name"] == name), None)
        if svg is None:
            raise _missing(name)
        return Response(svg, media_type="image/svg+xml", headers={"content-security-policy": _DOCUMENT_CSP})

    @api.get("/api/sessions/{session_id}/series")
    def stored_series(
        session_id: SessionId,
        channel: Annotated[str, Query(max_length=200)],
        from_s: SessionTime = None,
        to_s: SessionTime = None,
        points: Annotated[int, Query(ge=1, le=MOST_POINTS)] = 600,
    ) -> Series:
        """A channel of a stored session, in at most so many buckets."""
        found = stored(session_id)
        if channel not in [one.name for one in found.channels]:
            raise _missing(channel)
        unit, first_s, last_s, buckets = parts.series.buckets(found, channel, from_s, to_s, points)
        return _series(channel, unit, first_s, last_s, buckets)


def _line(one: StoredSession) -> SessionLine:
    return SessionLine(
        id=one.id,
        kind=one.kind,
        transmitter=one.transmitter,
        serial=one.serial,
        bench=one.bench,
        started=rfc3339(one.started_ns),
        ended=None if one.ended_ns is None else rfc3339(one.ended_ns),
        ending=None if one.ended_ns is None else one.ending,
        digest=one.digest,
        revision=one.revision,
        channels=[channel.name for channel in one.channels],
    )


def _changing(api: FastAPI, parts: Parts) -> None:
    house = parts.house

    def on_air() -> OnAir:
        air = house.on_air
        if air is None:
            raise Refused("no run is on", cure="Nothing is keyed by benchlog then.")
        return air

    @api.post("/api/session", status_code=200)
    async def sign_in(response: Response) -> Nothing:
        """With the token: a cookie for what only looks, where that needs the token too."""
        response.set_cookie(COOKIE, parts.law.cookie, httponly=True, samesite="strict", path="/")
        return Nothing()

    # These three wait for nothing, so that no crowd of slower requests can be before them.

    @api.post("/api/key-up", status_code=202)
    async def key_up() -> KeyedUp:
        """The key up, within a second where benchlog holds it; 409 where a person does, or no run is on."""
        return KeyedUp(run=on_air().key_up())

    @api.post("/api/stop", status_code=202)
    async def stop() -> Stopping:
        """End the run that is on, cleanly, the key up first; 409 where none is on."""
        session = house.stop_run(STOP_WHY)
        if session is None:
            raise Refused("no run is on")
        return Stopping(stopping=session)

    @api.post("/api/key-down/arm")
    async def arm() -> Armed:
        """The first half of a press and hold: press. The second is good only while it is held for long enough."""
        return Armed(nonce=on_air().arm(), from_s=ARMED_FROM_S, until_s=ARMED_UNTIL_S)

    @api.post("/api/key-down", status_code=202)
    async def key_down(asked: KeyDownAsked) -> Nothing:
        """The second half: 1 to 5 s after arming, with the word that arming gave."""
        on_air().key_down(asked.nonce, asked.span)
        return Nothing()

    @api.post("/api/band-set", status_code=202)
    async def band_set(said: BandSet) -> Nothing:
        """The second half of a press that tells a heat run its next band is set: after its rest it keys that band."""
        on_air().band_set(said.nonce, said.band)
        return Nothing()

    @api.post("/api/readings", status_code=201)
    def readings(entry: Entry) -> Entered:
        """A needle's reading, of the moment its field was opened; or the correction of one."""
        entered = _enter(on_air().session, house.store, entry)
        with contextlib.suppress(BenchlogError):  # it is kept; who looks is told a second later
            parts.needles.look()
        return entered


def _enter(session: Session, store: Path, entry: Entry) -> Entered:
    channel = next((one for _, one in session.bench.channels() if one.name == entry.channel), None)
    corrects_ns = int(entry.corrects) if entry.corrects is not None else None
    found = enter(
        store,
        entry.channel,
        entry.value,
        session=session.id,
        open_for_s=entry.open_for_s,
        corrects_ns=corrects_ns,
    )
    return Entered(
        entry=str(found.t_ns),
        channel=found.channel,
        value=entry.value,
        unit=channel.unit if channel else "",
        t_s=found.t_ns / 1e9,
        time=rfc3339(session.clock.started_ns + found.t_ns),
        corrects=entry.corrects,
    )


def _media(kind: str) -> dict[int | str, dict[str, Any]]:
    return {200: {"content": {kind: {"schema": {"type": "string"}}}, "description": "As asked"}}


_PDF = _media("application/pdf") | {501: {"model": Problem, "description": "What makes PDF is not installed"}}


def _describe(api: FastAPI) -> None:
    """The token into the description, once for all that changes something."""
    made = api.openapi

    def openapi() -> dict[str, Any]:
        if api.openapi_schema is None:
            found = made()
            found.setdefault("components", {})["securitySchemes"] = {"token": {"type": "http", "scheme": "bearer"}}
            for path in found["paths"].values():
                if "post" in path:
                    path["post"]["security"] = [{"token": []}]
            api.openapi_schema = found
        return api.openapi_schema

    api.openapi = openapi  # type: ignore[method-assign]

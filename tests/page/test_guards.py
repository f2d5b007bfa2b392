"""Who is let in: on real sockets, as a stranger's page, a stranger on the network or a broken client would ask."""

from __future__ import annotations

import contextlib
import http.client
import json
import socket
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from benchlog.page import guards, server
from benchlog.page.guards import HEADERS, MOST_BODY, RATES
from benchlog.page.server import MOST_OF_ONE
from tests.page.looking import NO_RATES, PATIENCE_S, Served, Viewer, ask, raw, served

CHANGES = ["/api/stop", "/api/key-up", "/api/key-down/arm", "/api/key-down", "/api/readings", "/api/session"]
LOOKS = ["/api/status", "/api/snapshot", "/api/sessions", "/api/sessions/1/record", "/api/openapi.json"]


@pytest.fixture
def one(tmp_path: Path) -> Iterator[Served]:
    with served(tmp_path / "s.benchlog") as found:
        yield found


def own_address() -> str:
    """One of this computer's that is not loopback; none is a failure of the surroundings, told as such."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        probe.connect(("192.0.2.1", 9))  # nothing is sent
        found: str = probe.getsockname()[0]
    assert not found.startswith("127."), "this test needs a network address"
    return found


@pytest.mark.parametrize("path", CHANGES)
def test_nothing_is_changed_without_the_token(one: Served, path: str) -> None:
    for said in ({}, {"Authorization": "Bearer x"}, {"Authorization": one.token}, {"Authorization": "Bearer "},
                 {"Cookie": f"benchlog={one.page._law.cookie}"}):  # fmt: skip
        refused = ask(one.port, path, "POST", {}, **said)
        assert refused.status == 401, said
        assert refused.json["error"]
    assert one.post(path, {}).status != 401


@pytest.mark.parametrize(
    "host", ["evil.example", "evil.example:{port}", "127.0.0.1", "127.0.0.1:1", "127.0.0.1.evil.example:{port}", ""]
)
def test_a_name_made_to_resolve_here_gets_nothing(one: Served, host: str) -> None:
    """DNS rebinding: the browser then says the stranger's name."""
    for path in ["/", "/static/main.js", *LOOKS]:
        assert one.get(path, Host=host.format(port=one.port)).status == 421
    assert one.post("/api/key-up", Host=host.format(port=one.port)).status == 421


def test_two_hosts_are_none_of_ours(one: Served) -> None:
    both = f"GET / HTTP/1.1\r\nHost: 127.0.0.1:{one.port}\r\nHost: evil.example\r\n\r\n"
    assert raw(one.port, both.encode()).split()[1] in (b"400", b"421")


@pytest.mark.parametrize("origin", ["http://evil.example", "null", "https://127.0.0.1:{port}", "http://127.0.0.1"])
def test_another_sites_page_is_turned_away(one: Served, origin: str) -> None:
    told = origin.format(port=one.port)
    assert one.get("/api/status", Origin=told).status == 403
    assert one.post("/api/key-up", Origin=told).status == 403, "even with the token"
    assert one.get("/api/status", Sec_Fetch_Site="cross-site").status == 403


def test_our_own_page_is_let_in(one: Served) -> None:
    for host in (f"127.0.0.1:{one.port}", f"localhost:{one.port}", f"LOCALHOST:{one.port}"):
        assert one.get("/api/status", Host=host, Origin=f"http://{host}", Sec_Fetch_Site="same-origin").status == 200


@pytest.mark.parametrize(
    "path",
    ["/static/../server.py", "/static/..%2fserver.py", "/static/%2e%2e%2fserver.py", "/static//etc/passwd",
     "/static/%00", "/static/.", "/static/", "/../../etc/passwd", "//etc/passwd", "/static/main.js/../../server.py",
     "/static/..\\server.py", "/api/sessions/1/figures/..%2f..%2frecord", "/api/sessions/../../x/record"],
)  # fmt: skip
def test_no_path_reaches_the_file_system(one: Served, path: str) -> None:
    request = f"GET {path} HTTP/1.1\r\nHost: 127.0.0.1:{one.port}\r\nConnection: close\r\n\r\n"
    said = raw(one.port, request.encode())
    assert said.split()[1] == b"404", said[:200]
    assert b"import" not in said
    assert b"root:" not in said


def test_every_answer_says_what_may_be_loaded(one: Served) -> None:
    answers = [one.get(path) for path in ("/", "/static/main.js", "/api/status", "/nothing", "/plotly.js")]
    answers += [one.get("/api/status", Host="evil.example"), ask(one.port, "/api/stop", "POST"), one.post("/api/stop")]
    for answer in answers:
        for name, value in HEADERS.items():
            assert answer.headers[name] == value
        assert "server" not in answer.headers
    script = HEADERS["content-security-policy"].split("script-src ")[1].split(";")[0]
    assert script == "'self'"
    assert "unsafe" not in HEADERS["content-security-policy"]


@pytest.mark.parametrize("method", ["PUT", "DELETE", "PATCH", "TRACE", "OPTIONS", "HEAD", "NONSENSE"])
def test_other_methods_are_answered_in_json(one: Served, method: str) -> None:
    answer = ask(one.port, "/api/status", method, Authorization=f"Bearer {one.token}")
    assert answer.status == 405
    assert answer.headers["content-type"] == "application/json"


def test_an_oversize_body_is_refused_before_it_is_read(one: Served) -> None:
    body = b'{"channel": "' + b"x" * MOST_BODY + b'"}'
    assert one.post("/api/readings", body, Content_Type="application/json").status == 413
    head = f"POST /api/readings HTTP/1.1\r\nHost: 127.0.0.1:{one.port}\r\nAuthorization: Bearer {one.token}\r\n"
    declared = raw(one.port, f"{head}Content-Length: 1000000000\r\n\r\n".encode())
    assert declared.split()[1] == b"413"
    chunk = b"4000\r\n" + b"x" * 0x4000 + b"\r\n"
    chunked = raw(one.port, f"{head}Transfer-Encoding: chunked\r\nConnection: close\r\n\r\n".encode() + 2 * chunk)
    assert chunked.split()[1] == b"413"


def test_a_huge_address_and_huge_headers_are_refused(one: Served) -> None:
    assert one.get(f"/api/series?channel={'x' * 5000}").status == 414
    head = f"GET / HTTP/1.1\r\nHost: 127.0.0.1:{one.port}\r\nX: {'x' * 200_000}\r\n\r\n"
    assert raw(one.port, head.encode())[:12] in (b"HTTP/1.1 400", b""), "or the end, before all of it was sent"
    assert one.get("/api/status").status == 200


@pytest.mark.parametrize(
    "data", [b"\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03", b"GET\r\n\r\n", b"\x00" * 100 + b"\r\n\r\n"]
)
def test_what_is_no_request_gets_a_plain_answer(one: Served, data: bytes) -> None:
    said = raw(one.port, data)
    assert said.startswith(b"HTTP/1.1 400")
    assert json.loads(said.split(b"\r\n\r\n", 1)[1])["error"]


def test_a_body_that_never_comes_is_not_waited_for(one: Served, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(guards, "BODY_S", 0.5)
    head = f"POST /api/readings HTTP/1.1\r\nHost: 127.0.0.1:{one.port}\r\nAuthorization: Bearer {one.token}\r\n"
    began = time.monotonic()
    said = raw(one.port, f"{head}Content-Length: 100\r\n\r\nhalf".encode())
    assert said.split()[1] == b"408"
    assert time.monotonic() - began < PATIENCE_S


def test_headers_that_never_end_are_not_waited_for_and_hold_up_nobody(
    one: Served, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(server, "_IDLE_S", 1.0)
    slow = [socket.create_connection(("127.0.0.1", one.port), timeout=PATIENCE_S) for _ in range(MOST_OF_ONE // 2)]
    try:
        for connection in slow:
            connection.sendall(b"GET / HTTP/1.1\r\nHost: 127")
        assert one.get("/api/status").status == 200
        for connection in slow:
            with contextlib.suppress(ConnectionResetError):
                assert connection.recv(1) == b"", "let go after a second"
    finally:
        for connection in slow:
            connection.close()


def test_no_client_has_more_connections_than_its_share(one: Served) -> None:
    held = [socket.create_connection(("127.0.0.1", one.port), timeout=PATIENCE_S) for _ in range(MOST_OF_ONE)]
    try:
        with pytest.raises((ConnectionError, http.client.HTTPException)):
            for _ in range(3):
                one.get("/api/status")
    finally:
        for connection in held:
            connection.close()
    deadline = time.monotonic() + PATIENCE_S
    while True:
        try:
            assert one.get("/api/status").status == 200
            break
        except (ConnectionError, http.client.HTTPException):
            assert time.monotonic() < deadline


def test_rates_are_kept_but_never_for_key_up(tmp_path: Path) -> None:
    with served(tmp_path / "s.benchlog", rates=RATES) as found:
        stops = [found.post("/api/stop") for _ in range(40)]
        assert {answer.status for answer in stops} == {409, 429}
        (wait,) = {answer.headers["retry-after"] for answer in stops if answer.status == 429}
        assert int(wait) >= 1
        assert {found.post("/api/key-up").status for _ in range(60)} == {409}, "no run is on; but asked it may be"
        guesses = [ask(found.port, "/api/key-up", "POST", Authorization="Bearer guess").status for _ in range(40)]
        assert 429 in guesses
        assert set(guesses) <= {401, 429}
        looks = [found.get("/api/snapshot").status for _ in range(400)]
        assert {200, 429} == set(looks)


def test_another_address_needs_the_token_for_everything_but_the_pages_own_files(tmp_path: Path) -> None:
    address = own_address()
    with served(tmp_path / "s.benchlog", listen=address) as found:

        def there(path: str, method: str = "GET", **headers: str) -> int:
            return ask(found.port, path, method, address=address, **headers).status

        bearer = f"Bearer {found.token}"
        for path in LOOKS:
            assert there(path) == 401
            assert there(path, Authorization="Bearer x") == 401
            assert there(path, Cookie="benchlog=x") == 401
            assert there(path, Authorization=bearer) in (200, 404)
        assert {there("/"), there("/static/main.js"), there("/plotly.js")} == {200}
        assert there("/api/session", "POST") == 401
        signed = ask(found.port, "/api/session", "POST", address=address, Authorization=bearer)
        cookie = signed.headers["set-cookie"]
        assert "HttpOnly" in cookie
        assert "SameSite=strict" in cookie
        assert found.token not in cookie
        said = cookie.split(";")[0]
        assert there("/api/status", Cookie=said) == 200
        assert there("/api/stop", "POST", Cookie=said) == 401, "a cookie changes nothing"
        assert there("/api/status", Host=f"evil.example:{found.port}", Authorization=bearer) == 421
        assert found.get("/api/status").status == 200, "loopback as ever, on the same port"
        assert found.page.address.startswith(f"http://{address}:{found.port}/#token=")


def test_a_viewer_too_many_is_told_so(one: Served) -> None:
    viewers = [Viewer(one.port) for _ in range(32)]
    try:
        for viewer in viewers:
            assert viewer.next().kind == "snapshot"
        refused = one.get("/api/stream")
        assert refused.status == 429
        assert one.get("/api/status").json["viewers"] == 32
    finally:
        for viewer in viewers:
            viewer.close()
    deadline = time.monotonic() + PATIENCE_S
    while one.get("/api/status").json["viewers"]:
        assert time.monotonic() < deadline
        time.sleep(0.05)


def test_a_fault_of_ours_is_told_in_one_line(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with served(tmp_path / "s.benchlog", rates=NO_RATES) as found:
        monkeypatch.setattr(found.house, "status", lambda: {}["nothing"])
        answer = found.get("/api/status")
        assert answer.status == 500
        assert "Traceback" not in answer.body.decode()
        assert found.get("/api/snapshot").status == 200, "and the page goes on"

"""Notices through a real command and a real socket: what arrives, and what a bad receiver cannot do."""

from __future__ import annotations

import json
import socket
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from benchlog.daemon import notices
from benchlog.daemon.notices import Teller, post, run_command
from benchlog.timetable import Notices

NOTICE = {"schema": "benchlog-notice/1", "kind": "missed-start", "text": "line one\nline two; $(touch x)", "session": 3}


def python(code: str) -> tuple[str, ...]:
    return (sys.executable, "-c", code)


def test_a_command_has_the_facts_and_no_shell_sees_them(tmp_path: Path) -> None:
    out = tmp_path / "out.json"
    code = "import json, os, sys; k = [v for v in os.environ if v.startswith('BENCHLOG_NOTICE_')];"
    code += f"json.dump([json.load(sys.stdin), {{v: os.environ[v] for v in k}}], open({str(out)!r}, 'w'))"
    run_command(python(code), NOTICE, 60)
    told, facts = json.loads(out.read_text())
    assert told == NOTICE
    assert facts["BENCHLOG_NOTICE_TEXT"] == NOTICE["text"]
    assert facts["BENCHLOG_NOTICE_SESSION"] == "3"


def test_a_command_that_fails_or_hangs_is_told() -> None:
    with pytest.raises(RuntimeError, match="ended with status 7"):
        run_command(python("raise SystemExit(7)"), NOTICE, 60)
    with pytest.raises(OSError, match="No such file"):
        run_command(("no such command anywhere",), NOTICE, 60)
    begun = time.monotonic()
    with pytest.raises(RuntimeError, match=r"took longer than 0\.3 s"):
        run_command(python("import time; time.sleep(60)"), NOTICE, 0.3)
    assert time.monotonic() - begun < 30


@pytest.fixture
def dripping() -> Iterator[str]:
    """A server whose answer never ends: each byte comes in time, the whole never."""
    over = threading.Event()
    listener = socket.create_server(("127.0.0.1", 0))

    def drip() -> None:
        client, _ = listener.accept()
        with client:
            try:
                while not over.wait(0.05):
                    client.sendall(b"H")
            except OSError:
                pass

    thread = threading.Thread(target=drip)
    thread.start()
    yield f"http://127.0.0.1:{listener.getsockname()[1]}/"
    over.set()
    thread.join()
    listener.close()


def test_a_server_that_drips_is_cut_off(dripping: str) -> None:
    begun = time.monotonic()
    with pytest.raises(Exception):  # noqa: B017, PT011 - which error a cut answer makes is the library's affair
        post(dripping, NOTICE, 0.5)
    assert time.monotonic() - begun < 60, "65536 bytes, the longest line there may be, would take an hour"


def test_telling_never_waits_nor_raises(monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture) -> None:
    monkeypatch.setattr(notices, "MOST_WAITING", 5)
    monkeypatch.setattr(notices, "PAUSES_S", (0.01,))
    with socket.create_server(("127.0.0.1", 0)) as silent:
        address = f"http://127.0.0.1:{silent.getsockname()[1]}/"
        teller = Teller(Notices(webhook=address, timeout="0.2 s"), "bench")  # type: ignore[arg-type]
        for n in range(20):
            teller.tell("run-ended", f"notice {n}", session=n)
        assert "a notice is lost" in caplog.text
        teller.close(60.0)
    assert "could not be delivered by webhook" in caplog.text

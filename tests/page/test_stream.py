"""The stream through real sockets: broken, restored, slow and dead."""

from __future__ import annotations

import socket
import threading
import time
from pathlib import Path

import pytest

from benchlog.page import stream
from benchlog.page.feed import Feed
from benchlog.runs.happenings import KeyedDown
from tests.page.looking import PATIENCE_S, Viewer, a_tick, served


def test_a_stream_begins_with_the_picture_and_goes_on_with_what_happens(tmp_path: Path) -> None:
    with served(tmp_path / "s.benchlog") as one:
        with Viewer(one.port) as viewer:
            first = viewer.next()
            assert (first.kind, first.data["replay"], first.data["run"]) == ("snapshot", "start", None)
            one.begin()
            assert viewer.next().kind == "begun"
            one.feed.tell(KeyedDown(2.5))
            told = viewer.next()
            assert (told.kind, told.data) == ("keyed-down", {"t_s": 2.5})
        with Viewer(one.port) as later:
            assert later.next().data["run"]["key"]["since_s"] == 2.5
        assert viewer.answer.getheader("content-type") == "text/event-stream; charset=utf-8"


def test_a_broken_and_restored_stream_has_every_message_once(tmp_path: Path) -> None:
    """Messages go on being told all the time; the viewer breaks off eleven times, in the middle of whatever comes."""
    with served(tmp_path / "s.benchlog") as one:
        one.begin()
        ends = threading.Event()

        def tell() -> None:
            n = 0
            while not ends.wait(0.002):
                one.feed.tell(KeyedDown(float(n)))
                n += 1

        teller = threading.Thread(target=tell)
        teller.start()
        try:
            seen: list[float] = []
            last = before = ""
            for n in range(12):  # as a browser says where it was, as a page does that opens a new one, and both
                viewer = Viewer(one.port, *[(last, ""), ("", last), (last, before)][n % 3])
                before = last
                first = viewer.next()
                if not last:
                    assert first.kind == "snapshot"
                    last, first = first.id, viewer.next()
                for event in [first, *(viewer.next() for _ in range(15))]:
                    assert event.kind == "keyed-down"
                    seen.append(event.data["t_s"])
                    last = event.id
                viewer.close()
                time.sleep(0.03)
        finally:
            ends.set()
            teller.join()
        assert len(seen) == 12 * 16
        assert seen == [seen[0] + n for n in range(len(seen))], "none lost, none twice, none out of order"


def test_who_was_away_too_long_is_told_of_the_gap(tmp_path: Path) -> None:
    with served(tmp_path / "s.benchlog") as one:
        one.feed._ring = type(one.feed._ring)(maxlen=5)  # a short one, instead of ten minutes
        one.begin()
        with Viewer(one.port) as viewer:
            last = viewer.next().id
        for n in range(20):
            one.feed.tell(KeyedDown(float(n)))
        for stale in (last, Feed().event_id(3), "nonsense", f"{one.feed.server}-999999"):
            with Viewer(one.port, *((stale, "") if stale == last else ("", stale))) as viewer:
                first = viewer.next()
                assert (first.kind, first.data["replay"]) == ("snapshot", "gap"), stale
                assert first.data["run"]["key"]["since_s"] == 19.0
                one.feed.tell(KeyedDown(19.0))
                assert viewer.next().kind == "keyed-down", "and goes on from there"


def test_a_viewer_that_does_not_read_holds_up_nobody_and_is_let_go(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Its connection is full; the run tells on at once, another viewer sees everything, and in the end it is gone."""
    monkeypatch.setattr(stream, "STUCK_S", 1.0)
    with served(tmp_path / "s.benchlog") as one:
        one.begin()
        dead = socket.create_connection(("127.0.0.1", one.port))
        dead.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        dead.sendall(f"GET /api/stream HTTP/1.1\r\nHost: 127.0.0.1:{one.port}\r\n\r\n".encode())
        with Viewer(one.port) as well:
            assert well.next().kind == "snapshot"
            filler = "x" * 20_000
            longest_s = 0.0
            deadline = time.monotonic() + PATIENCE_S
            n = 0
            while one.get("/api/status").json["viewers"] > 1:
                assert time.monotonic() < deadline, "the dead viewer is still there"
                began = time.perf_counter()
                one.feed.alarm(f"{n} {filler}")
                longest_s = max(longest_s, time.perf_counter() - began)
                event = well.next()
                assert event.data["text"].split()[0] == str(n)
                n += 1
            assert n > 10, "it had more than its connection could hold"
        dead.close()


def test_a_viewer_hears_from_time_to_time_that_the_stream_is_alive(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(stream, "KEEP_ALIVE_S", 0.2)
    with served(tmp_path / "s.benchlog") as one, Viewer(one.port) as viewer:
        viewer.next()
        assert viewer.answer.readline().startswith(b": ")


def test_the_stream_ends_when_the_page_does(tmp_path: Path) -> None:
    with served(tmp_path / "s.benchlog") as one:
        viewer = Viewer(one.port)
        viewer.next()
        began = time.monotonic()
    assert time.monotonic() - began < PATIENCE_S
    assert viewer.answer.read() == b""
    viewer.close()


def test_ticks_reach_a_viewer(tmp_path: Path) -> None:
    with served(tmp_path / "s.benchlog") as one, Viewer(one.port) as viewer:
        viewer.next()  # the picture; one that is made after a tick has it already
        one.begin()
        one.feed.tell(a_tick(one.session, 1.5, 88.0))
        tick = viewer.until("tick")[-1]
        assert tick.data["latest"] == {"power": {"t_s": 1.5, "value": 88.0, "state": "good"}}
        assert tick.data["nearest_limit"]["limit"] == "load-heat"

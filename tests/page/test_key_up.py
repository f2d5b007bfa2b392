"""The key-up button, at the key box: whoever looks at the page, and however badly, the key is up within the second.

Also keying down from the page: pressed and held, and only where the bench file says so.
"""

from __future__ import annotations

import socket
import sqlite3
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

import pytest

from tests.cli.conftest import FACTOR
from tests.cli.keyed import WITHIN_S, keyed_bench, until_up
from tests.page.bench import a_bench, shown
from tests.page.looking import PATIENCE_S, Viewer, ask


@contextmanager
def crowd(port: int) -> Iterator[None]:
    """Viewers as bad as they come: ten that never read, ten that are gone half-way, ten that ask for ever."""
    connections = []
    for n in range(30):
        one = socket.create_connection(("127.0.0.1", port), timeout=PATIENCE_S)
        one.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 2048)
        words = "GET /api/stream HTTP/1.1\r\n" if n < 20 else "GET /api/series?channel=power HTTP/1.1\r\n"
        one.sendall(f"{words}Host: 127.0.0.1:{port}\r\n".encode() + (b"\r\n" if n < 20 else b""))
        connections.append(one)
    for one in connections[10:20]:
        one.close()
    try:
        yield
    finally:
        for one in connections:
            one.close()


def events(store: Path, kind: str) -> list[str]:
    with closing(sqlite3.connect(store)) as db:
        return [text for (text,) in db.execute("SELECT text FROM event WHERE kind = ? ORDER BY t_ns", (kind,))]


def test_a_soak_keys_up_and_ends_with_a_crowd_looking_on(tmp_path: Path) -> None:
    with keyed_bench(tmp_path / "bench") as bench, shown(bench, tmp_path, "soak", "--yes") as page:
        with crowd(page.port):
            page.running.wait_for("Heard")
            since_ns = time.monotonic_ns()
            answer = page.post("/api/key-up")
            assert until_up(bench, since_ns) < WITHIN_S
            assert (answer.status, answer.json) == (202, {"run": "ends"})
            page.running.wait_for("The page stays at")
            assert page.post("/api/key-up").status == 409, "no run is on any more"
            ended = page.get("/api/snapshot")["run"]["ended"]
        assert ended["text"].startswith("ended: keyed up from the page")
        edges = bench.edges()
    assert [edge.down for edge in edges] == [True, False], "and it stays up"
    with closing(sqlite3.connect(tmp_path / "s.benchlog")) as db:
        assert db.execute("SELECT ended_ns IS NOT NULL, ending FROM session").fetchall() == [(1, ended["text"])]


def test_a_keyed_sweeps_key_down_ends_and_the_sweep_goes_on(tmp_path: Path) -> None:
    with (
        a_bench(tmp_path / "bench", key_box="drop") as bench,
        shown(bench, tmp_path, "sweep", "--key", "--yes") as page,
        Viewer(page.port) as viewer,
    ):
        page.running.wait_for("Band 1 of 5")
        page.key_down("measuring")
        viewer.until("recognised")
        assert bench.edges()[-1].down
        since_ns = time.monotonic_ns()
        answer = page.post("/api/key-up")
        assert until_up(bench, since_ns) < WITHIN_S
        assert (answer.status, answer.json) == (202, {"run": "goes-on"})
        told = viewer.until("keyed-up")[-1].data
        took_s = (bench.edges()[-1].t_ns - bench.edges()[-2].t_ns) / 1e9 * FACTOR
        assert told["lasted_s"] == pytest.approx(took_s, abs=0.5), "the measured key-down, on the page too"
        page.key_down("tuning")
        told = viewer.until("keyed-up")[-1].data
        assert (told["counts"], told["band"]) == (False, "80 m")
        assert page.get("/api/snapshot")["run"]["ended"] is None
        assert page.post("/api/stop").status == 202
        assert viewer.until("ended")[-1].data["text"].startswith("ended: stopped by the operator; not measured: 80 m")
    assert "key up asked for from the page" in events(tmp_path / "s.benchlog", "note")


def test_nobody_keys_by_accident(tmp_path: Path) -> None:
    """At the key box; all that may be wrong with a press and hold is tried in test_api_as_described.py."""
    with (
        a_bench(tmp_path / "bench", key_box="drop") as bench,
        shown(bench, tmp_path, "sweep", "--key", "--yes") as page,
    ):
        page.running.wait_for("Band 1 of 5")
        tapped = page.post("/api/key-down/arm").json["nonce"]
        assert page.post("/api/key-down", {"nonce": tapped, "for": "tuning"}).json["error"] == "too soon after arming"
        forgotten = page.post("/api/key-down/arm").json["nonce"]
        page.post("/api/key-up")
        time.sleep(1.1)
        assert page.post("/api/key-down", {"nonce": forgotten, "for": "tuning"}).json["error"] == "not armed"
        assert ask(page.port, "/api/key-down/arm", "POST").status == 401
        time.sleep(0.5)
        assert bench.edges() == []


@pytest.mark.parametrize(
    ("words", "from_page", "said"),
    [
        (("sweep", "--key", "--yes"), False, "does not let the page key"),
        (("sweep",), True, "keys nothing when asked to"),
        (("watch",), True, "keys nothing when asked to"),
    ],
)
def test_the_page_keys_only_where_it_may(tmp_path: Path, words: tuple[str, ...], from_page: bool, said: str) -> None:
    with (
        a_bench(tmp_path / "bench", key_box="drop", from_page=from_page) as bench,
        shown(bench, tmp_path, *words) as page,
    ):
        page.running.wait_for("Session 1 in")
        refused = page.post("/api/key-down/arm")
        assert refused.status == 409
        assert said in refused.json["error"]
        assert page.get("/api/snapshot")["run"]["key_from_page"] is False
        assert page.post("/api/key-down", {"nonce": "x", "for": "measuring"}).status == 409
        assert bench.edges() == []


def test_where_a_hand_holds_the_key_everybody_is_told(tmp_path: Path) -> None:
    with (
        a_bench(tmp_path / "bench") as bench,
        shown(bench, tmp_path, "watch") as page,
        Viewer(page.port) as viewer,
    ):
        page.running.wait_for("Session 1 in")
        bench.tell("key down")
        viewer.until("recognised")
        refused = page.post("/api/key-up")
        assert refused.status == 409
        assert "only their hand" in refused.json["error"]
        assert "KEY UP" in viewer.until("alarm")[-1].data["text"]
        bench.tell("key up")
        viewer.until("keyed-up")


def test_no_reading_is_lost_with_a_crowd_looking_on(tmp_path: Path) -> None:
    """At a bench's own pace: every planned slot is one row, and no more of them are missed for being looked at."""
    with a_bench(tmp_path / "bench", time_factor=1.0) as bench, shown(bench, tmp_path, "watch") as page:
        page.running.wait_for("Session 1 in")
        with crowd(page.port), Viewer(page.port) as viewer:
            until = time.monotonic() + 6
            asked = 0
            while time.monotonic() < until:
                page.get("/api/series?channel=power&points=2000")
                asked += 1
                time.sleep(0.02)  # the rate that one client has
            assert asked > 20
            assert page.post("/api/stop").status == 202
            viewer.until("ended")
        page.running.wait_for("The page stays at")
    with closing(sqlite3.connect(tmp_path / "s.benchlog")) as db:
        rows = db.execute(
            """SELECT t_ns, state FROM reading JOIN channel ON channel.id = channel JOIN note ON note.id = note
               WHERE name = 'power' ORDER BY t_ns"""
        ).fetchall()
    slots = [t_ns // 200_000_000 for t_ns, _ in rows]
    assert slots == list(range(slots[0], slots[-1] + 1)), "none left out, none twice"
    assert len(slots) >= 25
    assert sum(state == "good" for _, state in rows) >= 0.9 * len(rows)

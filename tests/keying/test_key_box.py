"""The simulated key box, its cable, and the simulated bench that has one."""

from __future__ import annotations

import json
import socket
import subprocess
import sys
import time
from contextlib import ExitStack
from pathlib import Path

import pytest

from benchlog.acquire.registry import find
from benchlog.bench import load_bench
from benchlog.keying.client import Guard
from benchlog.simulate.bench import SimulatedBench
from benchlog.simulate.keybox import Cable, KeyBox, Mode
from benchlog.simulate.lease import factor_for
from benchlog.simulate.process import BenchProcess
from tests.keying.guarding import wait

RTS_ON = bytes.fromhex("FF FA 2C 05 0B FF F0")


@pytest.fixture(autouse=True)
def runtime(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    folder = tmp_path / "runtime"
    folder.mkdir(mode=0o700)
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(folder))


def keyed(box: KeyBox, port: int) -> socket.socket:
    client = socket.create_connection(("127.0.0.1", port))
    client.sendall(RTS_ON)
    wait("keyed", lambda: box.down)
    return client


@pytest.mark.parametrize(("mode", "stays"), [("hold", True), ("drop", False), ("timeout", False)])
def test_what_a_closed_connection_does(mode: Mode, stays: bool) -> None:
    seen: list[bool] = []
    with KeyBox(mode=mode, keyed=seen.append) as box:
        keyed(box, box.port).close()
        if stays:
            keyed(box, box.port).close()  # the box has seen the first end by now: it takes one after the other
            assert (box.down, seen) == (True, [True])
        else:
            wait("dropped", lambda: not box.down)
            assert seen == [True, False]
            assert [edge.down for edge in box.edges] == [True, False]


def test_what_a_pulled_cable_does() -> None:
    modes: tuple[Mode, ...] = ("hold", "drop", "timeout")
    with ExitStack() as running:
        boxes = [running.enter_context(KeyBox(mode=mode)) for mode in modes]
        cables = [running.enter_context(Cable(box.port)) for box in boxes]
        for box, cable in zip(boxes, cables, strict=True):
            client = keyed(box, cable.port)
            cable.pull()
            client.close()
        time.sleep(0.8)  # nothing must happen to two of them: there is no event to wait for
        assert [box.down for box in boxes] == [True, True, False]
        for cable in cables:
            cable.plug()
        wait("the end got through", lambda: not boxes[1].down)
        assert boxes[0].down


def test_a_reset_reaches_both_ends() -> None:
    with KeyBox(mode="drop") as box, Cable(box.port) as cable:
        client = keyed(box, cable.port)
        cable.reset()
        wait("dropped", lambda: not box.down)
        client.settimeout(5.0)
        with client, pytest.raises(ConnectionResetError):
            while client.recv(4096):
                pass
        keyed(box, cable.port).close()


def test_the_guard_keys_the_simulated_transmitter(tmp_path: Path) -> None:
    with SimulatedBench(tmp_path / "bench", time_factor=3.0, key_box="timeout") as simulated:
        bench = load_bench(simulated.bench_file, find)
        assert factor_for(bench.addresses) == 3.0, "its address is in the lease"
        assert simulated.key_box is not None
        with Guard.start(bench) as guard:
            assert simulated.now().drive == 0.0
            guard.down(5.0)
            assert simulated.now().drive == 1.0
            guard.up()
            assert simulated.now().drive == 0.0
            assert [edge.down for edge in simulated.key_box.edges] == [True, False]


def test_without_one_there_is_no_key_line(tmp_path: Path) -> None:
    with SimulatedBench(tmp_path / "bench") as simulated:
        assert load_bench(simulated.bench_file, find).key is None
        assert "key" not in simulated.addresses


def test_a_bench_process_with_a_key_box(tmp_path: Path) -> None:
    with BenchProcess(tmp_path / "bench", script="free", key_box="hold") as process:
        address = process.addresses["key"]
        assert process.edges() == []
        client = socket.create_connection(("127.0.0.1", int(address.rpartition(":")[2])))
        process.tell("cable pulled")
        assert process.edges() == [], "an answer: the cable is out by now"
        client.sendall(RTS_ON)
        before_ns = time.monotonic_ns()
        assert process.edges() == []
        process.tell("cable plugged")
        wait("keyed", lambda: bool(process.edges()))
        (edge,) = process.edges()
        assert (edge.down, edge.line) == (True, "rts")
        assert before_ns < edge.t_ns < time.monotonic_ns(), "the host's monotonic clock"
        client.close()


def test_the_option_alone_means_a_box_with_a_time_out(tmp_path: Path) -> None:
    words = [sys.executable, "-m", "benchlog.simulate", f"--folder={tmp_path}", "--script=free", "--key-box"]
    done = subprocess.run(words, input="edges\ncable askew\n", capture_output=True, text=True, check=False)
    ready, edges = done.stdout.splitlines()
    assert json.loads(edges) == {"edges": []}
    assert "not obeyed: cable askew" in done.stderr
    assert json.loads(ready)["addresses"]["key"].startswith("rfc2217://127.0.0.1:")

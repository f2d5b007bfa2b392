"""Every cause there is for the key to go up, through real processes; the box's own record of edges is the witness.

Times are from the fault to the box's edge, on the one monotonic clock, and must stay below the contract's second.
"""

from __future__ import annotations

import functools
import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from contextlib import ExitStack
from pathlib import Path

import pytest

from benchlog.errors import BenchFailed
from benchlog.keying.client import Guard, KeyRefused
from benchlog.simulate.keybox import Cable, KeyBox
from tests.keying.guarding import WITHIN_S, Raw, first, told, un_keyed_after, wait

GuardOf = Callable[..., Guard]


class Parent:
    """A program that holds the key down, and the guard it started."""

    def __init__(self, box: KeyBox) -> None:
        self.box = box
        script = Path(__file__).with_name("parent.py")
        words = [sys.executable, str(script), json.dumps(first(box.address))]
        self.process = subprocess.Popen(words, stdout=subprocess.PIPE, text=True)

    def guard_pid(self) -> int:
        """Once the key is down."""
        assert self.process.stdout is not None
        return int(self.process.stdout.readline())

    def close(self) -> None:
        self.process.kill()
        self.process.wait()
        assert self.process.stdout is not None
        self.process.stdout.close()


def gone(pid: int) -> bool:
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return True
    return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] == "Z"  # nobody's child to reap


def test_asked_the_time_asked_for_and_a_missing_heartbeat(holding_box: KeyBox, guard_of: GuardOf) -> None:
    guard = guard_of(holding_box.address)
    assert holding_box.edges == [], "opening the line keys nothing, neither with RTS nor with DTR"
    guard.down(5.0)
    assert holding_box.down
    guard.up()
    assert not holding_box.down
    down, up = guard.edges()
    assert (down.kind, up.kind, up.why) == ("down", "up", "asked")
    for event, edge in zip((down, up), holding_box.edges, strict=True):
        assert event.t_ns <= edge.t_ns <= event.t_ns + event.took_ns
        assert edge.line == "rts"

    asked_ns = time.monotonic_ns()
    guard.down(0.4)
    assert told(guard, "up").why == "the time asked for is over"
    down_edge, up_edge = holding_box.edges[2:]
    assert up_edge.t_ns - asked_ns >= 0.4e9, "the box may have seen it go down a little later"
    assert (up_edge.t_ns - down_edge.t_ns) / 1e9 < 0.8

    guard.down(10.0)
    os.kill(guard.pid, signal.SIGPIPE)  # harmless
    until = time.monotonic() + 0.8
    wait("0.8 s", lambda: time.monotonic() > until, meanwhile=guard.beat)
    assert holding_box.down, "heartbeats keep it down"
    assert len(holding_box.edges) == 5, "and a line told again is no edge"
    un_keyed_after(holding_box, time.monotonic_ns())
    assert told(guard, "up").why == "no heartbeat for 0.6 s"
    assert guard.alive
    guard.down(10.0)
    assert holding_box.down, "it serves on"

    os.kill(guard.pid, signal.SIGTERM)
    assert told(guard, "gone").why == "signal SIGTERM"
    assert not guard.is_down
    assert not guard.alive
    guard.up()
    with pytest.raises(BenchFailed, match="signal SIGTERM"):
        guard.down(1.0)


def test_the_program_dies_or_stops() -> None:
    numbers = (signal.SIGKILL, signal.SIGSTOP, signal.SIGTERM, signal.SIGINT)
    with ExitStack() as running:
        parents = {n: Parent(running.enter_context(KeyBox(mode="hold"))) for n in numbers}
        for parent in parents.values():
            running.callback(parent.close)
        guards = {number: parent.guard_pid() for number, parent in parents.items()}
        for number, parent in parents.items():
            assert parent.box.down
            parent.process.send_signal(number)
            un_keyed_after(parent.box, time.monotonic_ns())
            if number != signal.SIGSTOP:
                wait("the end of the guard", functools.partial(gone, guards[number]))


def test_signals_to_the_guard() -> None:
    numbers = (signal.SIGTERM, signal.SIGINT, signal.SIGHUP)
    with ExitStack() as running:
        boxes = [running.enter_context(KeyBox(mode="hold")) for _ in numbers]
        guards = [running.enter_context(Raw(first(box.address, heartbeat_s=5.0))) for box in boxes]
        for number, box, guard in zip(numbers, boxes, guards, strict=True):
            guard.hear("ready")
            guard.down()
            guard.process.send_signal(number)
            un_keyed_after(box, time.monotonic_ns())
            assert guard.hear("edge")["why"] == f"signal {number.name}"
            assert guard.hear("gone")["gone"] == f"signal {number.name}"
            assert guard.process.wait(60.0) == 0


@pytest.mark.parametrize("number", [signal.SIGKILL, signal.SIGSTOP])
def test_a_box_that_holds_its_state_is_keyed_up_by_a_second_guard(
    holding_box: KeyBox, guard_of: GuardOf, number: signal.Signals
) -> None:
    """Relays keep their last state too: when the guard dies, its line's closing tells them nothing."""
    guard = guard_of(holding_box.address)
    guard.down(20)
    started_s = time.monotonic()
    os.kill(guard.pid, number)
    while guard.alive:  # a guard that was stopped is found out by its silence
        guard.beat()
        time.sleep(0.05)
        assert time.monotonic() - started_s < 3
    assert holding_box.down
    guard.up()
    assert not holding_box.down
    assert not guard.is_down
    assert any(event.kind == "up" and "second guard" in event.why for event in guard.edges())


def test_the_guard_is_killed_and_the_line_drops_by_closing(box: KeyBox, guard_of: GuardOf) -> None:
    guard = guard_of(box.address)
    guard.down(10.0)
    os.kill(guard.pid, signal.SIGKILL)
    un_keyed_after(box, time.monotonic_ns())
    assert told(guard, "gone").why == "the guard ended by itself: signal SIGKILL"
    assert not guard.alive
    guard.beat()
    guard.up()
    assert not guard.is_down


def test_nobody_confirms_a_key_up_where_cable_and_guard_are_both_gone(
    box: KeyBox, cable: Cable, guard_of: GuardOf
) -> None:
    guard = guard_of(cable.address)
    guard.down(10.0)
    cable.pull()
    os.kill(guard.pid, signal.SIGKILL)
    with pytest.raises(BenchFailed, match="nobody confirms that the key is up"):
        guard.up()


def test_the_guard_hangs_and_is_ended_by_the_program(box: KeyBox, guard_of: GuardOf) -> None:
    guard = guard_of(box.address)
    guard.down(10.0)
    guard.beat()
    os.kill(guard.pid, signal.SIGSTOP)
    since_ns = time.monotonic_ns()
    wait("the key up", lambda: not box.down, meanwhile=guard.beat)
    un_keyed_after(box, since_ns)
    assert "did not answer" in told(guard, "gone").why


def test_a_guard_that_does_not_answer_a_key_down_is_ended(box: KeyBox, guard_of: GuardOf) -> None:
    """It may have keyed before it hung."""
    guard = guard_of(box.address)
    os.kill(guard.pid, signal.SIGSTOP)
    with pytest.raises(BenchFailed, match="did not answer"):
        guard.down(5.0)
    assert not guard.alive
    assert gone(guard.pid)
    assert not box.down


def test_the_load_gets_too_hot(holding_box: KeyBox, guard_of: GuardOf) -> None:
    """100 W load, 400 W, 2 s: from cold 2 s x ln(4/3) = 0.575 s at the most (reference sheet's formula)."""
    heat = {"continuous_w": 100.0, "cooling_s": 2.0, "fraction": 0.0, "assumed_w": 400.0}
    guard = guard_of(holding_box.address, heat=heat)
    with pytest.raises(KeyRefused, match="too small") as never:
        guard.down(0.6)
    assert never.value.wait_s == float("inf")
    guard.down(0.5)
    wait("up again", lambda: not guard.is_down, meanwhile=guard.beat)
    with pytest.raises(KeyRefused, match="must rest") as refused:
        guard.down(0.5)
    assert 0 < refused.value.wait_s < 10
    assert guard.heat is not None
    assert 0 < guard.heat < 1
    assert len(holding_box.edges) == 2


def test_the_heat_budget_runs_out_while_the_key_is_down(holding_box: KeyBox) -> None:
    """A first message cannot make this happen by itself, so the law is bent after the key is down."""
    code = (
        "import benchlog.keying.guard as g, sys, os\n"
        "told = g.Guard._against\n"
        "g.Guard._against = lambda self, for_s: {}\n"
        "os._exit(g.main())"
    )
    heat = {"continuous_w": 100.0, "cooling_s": 2.0, "fraction": 0.0, "assumed_w": 400.0}
    process = subprocess.Popen([sys.executable, "-c", code], stdin=subprocess.PIPE, stdout=subprocess.PIPE, bufsize=0)
    assert process.stdin is not None
    assert process.stdout is not None
    with process:
        process.stdin.write(json.dumps(first(holding_box.address, heat=heat, heartbeat_s=5.0)).encode() + b"\n")
        process.stdin.write(b'{"down": 4.0}\n')
        said = [json.loads(process.stdout.readline()) for _ in range(3)]
        assert said[2]["why"] == "the dummy load's heat budget is used up"
        process.stdin.close()
    down, up = holding_box.edges
    assert (up.t_ns - down.t_ns) / 1e9 == pytest.approx(0.575, abs=0.3)


GARBAGE = [b"\x00\xff", b"{}", b"[1]", b'{"down": true, "limits": 1}', b'"up"', b'{"up": false}', b"[" * 9999]


def test_garbage_on_its_input(holding_box: KeyBox) -> None:
    with Raw(first(holding_box.address, heartbeat_s=5.0)) as guard:
        guard.hear("ready")
        for garbage in [*(line + b"\n" for line in GARBAGE), b"endless" * 30_000]:
            guard.down()
            guard.tell(garbage)
            assert guard.hear("edge")["why"] == "words that make no sense", garbage
            assert not holding_box.down


def test_limits_cannot_be_changed(holding_box: KeyBox, guard_of: GuardOf) -> None:
    with Raw(first(holding_box.address, key_down_s=1.0)) as guard:
        guard.hear("ready")
        for attempt in (first(holding_box.address, key_down_s=100.0), {"key_down_s": 100.0}, {"heartbeat_s": 60}):
            guard.tell(attempt)
            assert "limits are those of the first message" in guard.hear("refused")["refused"]
        for too_long in (1.1, 100):
            guard.tell({"down": too_long})
            assert "longer than the limit of 1 s" in guard.hear("refused")["refused"]
        for nonsense in (0, -1, True, None, "5", 1e400, float("nan")):
            guard.tell({"down": nonsense})
            assert "not a number above 0" in guard.hear("refused")["refused"]
        assert holding_box.edges == []
        guard.down(1.0)
        guard.tell({"down": 1.0})
        assert "not extended" in guard.hear("refused")["refused"]


def test_a_full_pipe_delays_nothing(holding_box: KeyBox) -> None:
    """Nobody reads what the guard says, until its pipe takes no more; it still keys up, and the edge is not lost."""
    with Raw(first(holding_box.address, heartbeat_s=0.6)) as guard:
        guard.hear("ready")
        guard.down()
        last_ns = time.monotonic_ns()
        until = time.monotonic() + 0.4
        while time.monotonic() < until:
            guard.tell(b'{"beat": 1}\n' * 200)
            last_ns = time.monotonic_ns()
            time.sleep(0.01)
        assert holding_box.down
        un_keyed_after(holding_box, last_ns)
        guard.tell(b'{"beat": 1}\n' * 4000)
        time.sleep(0.3)  # while it hears them: answers there is no room for are dropped, the edge before them is not
        assert guard.hear("edge")["why"] == "no heartbeat for 0.6 s"


def test_a_parent_that_is_gone_delays_nothing(holding_box: KeyBox) -> None:
    with Raw(first(holding_box.address)) as guard:
        guard.hear("ready")
        guard.down()
        assert guard.process.stdin is not None
        assert guard.process.stdout is not None
        guard.process.stdout.close()
        guard.process.stdin.close()
        un_keyed_after(holding_box, time.monotonic_ns())
        assert guard.process.wait(60.0) == 0


def test_a_fault_in_the_guard_itself(holding_box: KeyBox) -> None:
    code = (
        "import benchlog.keying.guard as g, os\n"
        "def broken(self): raise RuntimeError('broken on purpose')\n"
        "g.Guard._refresh = broken\n"
        "os._exit(g.main())"
    )
    with subprocess.Popen([sys.executable, "-c", code], stdin=subprocess.PIPE, stdout=subprocess.PIPE) as process:
        assert process.stdin is not None
        assert process.stdout is not None
        process.stdin.write(json.dumps(first(holding_box.address)).encode() + b'\n{"down": 5}\n')
        process.stdin.flush()
        said = [json.loads(process.stdout.readline()) for _ in range(4)]
        assert "broken on purpose" in said[2]["why"]
        assert said[2]["edge"] == "up"
        assert "broken on purpose" in said[3]["gone"]
        assert process.wait(60.0) == 0
    assert [edge.down for edge in holding_box.edges] == [True, False]


STUCK = """
import benchlog.keying.guard as g, benchlog.keying.lines as lines, os, signal, time
told = lines.SerialLine.set
def hangs(self, down, count=[0]):
    told(self, down)
    count[0] += down
    if count[0] == 2:  # the first time it is told again
        count[0] += 1
        HERE
        time.sleep(30)
lines.SerialLine.set = hangs
os._exit(g.main())
"""
STUCK_HOW = {
    "a signal breaks into it": "pass",
    "no signal does": "signal.pthread_sigmask(signal.SIG_BLOCK, [signal.SIGALRM])",
}


def test_a_line_that_hangs() -> None:
    with ExitStack() as running:
        boxes = {how: running.enter_context(KeyBox(mode="drop")) for how in STUCK_HOW}
        processes = {}
        for how, box in boxes.items():
            words = [sys.executable, "-c", STUCK.replace("HERE", STUCK_HOW[how])]
            process = subprocess.Popen(words, stdin=subprocess.PIPE, stdout=subprocess.PIPE, bufsize=0)
            running.enter_context(process)
            assert process.stdin is not None
            running.callback(process.stdin.close)
            process.stdin.write(json.dumps(first(box.address, heartbeat_s=5.0)).encode() + b'\n{"down": 5}\n')
            processes[how] = process
        for box in boxes.values():
            wait("down", lambda box=box: bool(box.edges))  # type: ignore[misc]
        for how, box in boxes.items():
            un_keyed_after(box, box.edges[0].t_ns, within_s=0.2 + WITHIN_S)  # it hangs when it is told again
            assert len(box.edges) == 2, how
        assert processes["no signal does"].wait(60.0) != 0
        assert processes["a signal breaks into it"].poll() is None


def test_the_cable_is_pulled() -> None:
    """Only a box with a time-out of its own opens the key; the guard tries until it can, and then serves again."""
    with ExitStack() as running:
        boxes = [running.enter_context(KeyBox(mode=mode)) for mode in ("timeout", "hold")]
        cables = [running.enter_context(Cable(box.port)) for box in boxes]
        guards = [running.enter_context(Guard(first(cable.address))) for cable in cables]
        for guard, cable, box in zip(guards, cables, boxes, strict=True):
            guard.down(10.0)
            cable.pull()
            since_ns = time.monotonic_ns()
            assert "not confirmed up" in told(guard, "line").why
            assert guard.is_lost
            if box.mode == "timeout":
                un_keyed_after(box, since_ns)
            else:
                assert box.down, "what no guard can help"
            with pytest.raises(BenchFailed, match="nobody confirms"):
                guard.down(1.0)
        for cable in cables:
            cable.plug()
        for guard, box in zip(guards, boxes, strict=True):
            assert told(guard, "up").why.startswith("the key line failed")
            assert not box.down
            assert not guard.is_lost
            guard.down(5.0)
            assert box.down


def test_a_connection_is_reset() -> None:
    """A box that drops does so at once; one that holds is opened by the guard, who comes back for it."""
    with ExitStack() as running:
        boxes = [running.enter_context(KeyBox(mode=mode)) for mode in ("drop", "hold")]
        cables = [running.enter_context(Cable(box.port)) for box in boxes]
        guards = [running.enter_context(Guard(first(cable.address))) for cable in cables]
        for guard, cable, box in zip(guards, cables, boxes, strict=True):
            guard.down(10.0)
            cable.reset()
            since_ns = time.monotonic_ns()
            told(guard, "line")
            un_keyed_after(box, since_ns)
            assert told(guard, "up")


def test_a_line_lost_while_up_is_found_before_it_is_needed(box: KeyBox, cable: Cable, guard_of: GuardOf) -> None:
    guard = guard_of(cable.address)
    cable.reset()
    told(guard, "line")
    wait("it is back", lambda: not guard.is_lost, meanwhile=lambda: (guard.beat(), guard.edges(), None)[2])
    guard.down(1.0)
    assert box.down

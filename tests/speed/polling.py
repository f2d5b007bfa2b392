"""One instrument flat out, and sixteen at once, against the loop that everybody writes first."""

from __future__ import annotations

import os
import socket
import statistics
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from benchlog.acquire.bus import buses
from benchlog.acquire.registry import find
from benchlog.acquire.station import Station
from benchlog.bench import Bench, bench_from
from benchlog.clock import Clock
from benchlog.driver import Settings
from benchlog.files import TomlFile
from benchlog.model import Event, Reading
from tests.speed.instrument import instruments
from tests.speed.table import Line, Pair, Target, compared, in_turns, rates, seconds

AT_ONCE, ONE_MS, TWENTY_MS = 0.0, 0.001, 0.02
TIMEOUT_S = 1.0


class Kept(list[Reading | Event]):
    """A sink."""

    put = list.append

    @property
    def good(self) -> list[Reading]:
        """The readings with a value."""
        return [item for item in self if isinstance(item, Reading) and item.value is not None]


def bench_toml(ports: list[int], every_s: float) -> str:
    """An instrument with one channel on each port; the first two are what a run must have."""
    text = '[bench]\nname = "Bench of many"\n'
    for n, port in enumerate(ports):
        measures = ('measures = "forward-power"\nunit = "W"', 'measures = "frequency"\nunit = "Hz"', 'unit = "V"')
        text += (
            f'[[instrument]]\nname = "meter {n}"\ndriver = "scpi"\naddress = "TCPIP::127.0.0.1::{port}::SOCKET"\n'
            f'timeout = "{TIMEOUT_S} s"\n[[instrument.channel]]\nname = "channel {n}"\nask = "MEAS?"\n'
            f'every = "{every_s} s"\n{measures[min(n, 2)]}\n'
        )
    return text


def bench_of(ports: list[int], every_s: float) -> Bench:
    """The same, read."""
    return bench_from(TomlFile(Path("bench.toml"), bench_toml(ports, every_s)), find)


def connected(port: int) -> socket.socket:
    """As a careful script does it: with a time-out, and without waiting for more to send."""
    peer = socket.create_connection(("127.0.0.1", port), timeout=TIMEOUT_S)
    peer.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    return peer


def ask_bare(peer: socket.socket, buffer: bytes, kept: list[tuple[float, float]]) -> bytes:
    """One question: send, receive until the line's end, number, time, keep. Returns what came after the line."""
    peer.sendall(b"MEAS?\n")
    while b"\n" not in buffer:
        buffer += peer.recv(4096)
    line, rest = buffer.split(b"\n", 1)
    kept.append((time.time(), float(line)))
    return rest


def one_instrument(rounds: int, questions: int) -> Iterator[Line]:
    """Flat out: as fast as it answers. Rounds so short that most are disturbed by nobody else on the computer."""
    target = Target(at_least=0.85)
    few = max(questions // 5, 20)
    with across_a_wire() as core:
        with instruments(1, AT_ONCE, core) as (port,), driver(port) as ours, bare(port) as plain:
            pairs = in_turns(rounds, lambda: ours(questions), lambda: plain(questions))
            yield rates("questions through the driver, answered at once", "/s", pairs, questions, target)
        with instruments(1, AT_ONCE, core) as (port,), station(port) as ours, bare(port) as plain:
            pairs = in_turns(rounds, lambda: ours(questions), lambda: plain(questions))
            yield rates("questions to readings, answered at once", "/s", pairs, questions, target)
        with instruments(1, ONE_MS, core) as (port,), station(port) as ours, bare(port) as plain:
            pairs = in_turns(max(rounds // 40, 2), lambda: ours(few), lambda: plain(few))
            yield rates("questions to readings, answered after 1 ms", "/s", pairs, few, target)


@contextmanager
def across_a_wire() -> Iterator[int]:
    """Who asks has a core, and what answers another, which is given: an instrument is another computer.

    Left to the system, a pair now shares a core and now does not, one socket's for minutes and the other's not: that
    made the same loop 15,000 or 50,000 questions a second, and the ratio anything from 0.25 to 3.5.
    """
    ours = os.sched_getaffinity(0)
    os.sched_setaffinity(0, {max(ours)})
    try:
        yield min(ours)
    finally:
        os.sched_setaffinity(0, ours)


Side = Callable[[int], float]
"""Asks so many questions; how many seconds they took."""


@contextmanager
def bare(port: int) -> Iterator[Side]:
    """The plain loop, all in one function as one would write it."""
    with connected(port) as peer:

        def ask(questions: int) -> float:
            kept: list[tuple[float, float]] = []
            buffer = b""
            start = time.perf_counter()
            for _ in range(questions):
                peer.sendall(b"MEAS?\n")
                while b"\n" not in buffer:
                    buffer += peer.recv(4096)
                line, buffer = buffer.split(b"\n", 1)
                kept.append((time.time(), float(line)))
            taken_s = time.perf_counter() - start
            assert len(kept) == questions
            return taken_s

        yield ask


@contextmanager
def driver(port: int) -> Iterator[Side]:
    """The driver, with what the plain loop does beside it."""
    driver_class = find("scpi")
    assert not isinstance(driver_class, str)
    meter = driver_class(Settings("meter", f"TCPIP::127.0.0.1::{port}::SOCKET", options=driver_class.Options()))
    meter.open()

    def ask(questions: int) -> float:
        kept = []
        start = time.perf_counter()
        for _ in range(questions):
            kept.append((time.time(), meter.ask("MEAS?").values[0]))  # noqa: PERF401 - as in the plain loop
        taken_s = time.perf_counter() - start
        assert len(kept) == questions
        return taken_s

    yield ask
    meter.close()


@contextmanager
def station(port: int) -> Iterator[Side]:
    """The whole way to readings in a sink: stamped, with how long each took, and checked."""
    (instrument,) = bench_of([port], 0.1).instruments
    driver_class, kept = find("scpi"), Kept()
    assert not isinstance(driver_class, str)
    one = Station(instrument, driver_class, driver_class.Options(), clock=Clock(), sink=kept)
    one.connect()
    (question,) = one.questions

    def ask(questions: int) -> float:
        kept.clear()
        start = time.perf_counter()
        for _ in range(questions):
            one.poll(question, 0)
        taken_s = time.perf_counter() - start
        assert len(kept.good) == questions, one.fault
        return taken_s

    yield ask
    one.close()


def sixteen(rounds: int, slots: int) -> Iterator[Line]:
    """A round is from the moment all are due to the last answer."""
    every_s = 0.1
    against_slowest: list[Pair] = []
    in_sequence: list[Pair] = []
    with instruments(16, TWENTY_MS) as ports:
        for _ in range(rounds):
            ours = rounds_of(ports, every_s, slots)
            against_slowest += ours
            sequential = sequential_s(ports, max(slots // 4, 1))
            in_sequence.append((statistics.median(round_s for round_s, _ in ours), sequential))
    yield compared(
        "round of 16 instruments of 20 ms / its slowest one", "ms", against_slowest, Target(at_most=1.1), per=1e3
    )
    ours_s, plain_s = (statistics.median(side) for side in zip(*in_sequence, strict=True))
    ratios = [b / a for a, b in in_sequence]
    yield Line("one after the other / the same round", ours_s * 1e3, plain_s * 1e3, "ms", ratios, Target(at_least=14))


def rounds_of(ports: list[int], every_s: float, slots: int) -> list[Pair]:
    """(round, slowest exchange in it) of each slot, seconds."""
    bench, kept, clock = bench_of(ports, every_s), Kept(), Clock()
    threads = buses(bench, find, clock=clock, sink=kept)
    for bus in threads:
        bus.start()
    for bus in threads:
        bus.connected.wait()
    first = -(-clock.t_ns() // round(every_s * 1e9)) + 1
    time.sleep((slots + 2) * every_s)
    for bus in threads:
        bus.stop(clock.t_ns())
    for bus in threads:
        bus.join()
    found: dict[int, list[Reading]] = {}
    for reading in kept.good:
        found.setdefault(int(reading.t_ns // (every_s * 1e9)), []).append(reading)
    return [
        (
            (max(r.t_ns + r.took_ns / 2 for r in found[slot]) - slot * every_s * 1e9) / 1e9,
            max(r.took_ns for r in found[slot]) / 1e9,
        )
        for slot in range(first, first + slots)
        if len(found.get(slot, ())) == len(ports)
    ]


def sequential_s(ports: list[int], rounds: int) -> float:
    """A round of the script that asks one after the other."""
    peers, kept = [connected(port) for port in ports], list[tuple[float, float]]()
    taken_s = seconds(lambda: [ask_bare(peer, b"", kept) for _ in range(rounds) for peer in peers])
    for peer in peers:
        peer.close()
    return taken_s / rounds

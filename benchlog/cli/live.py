"""Runs with a person at the transmitter: ``sweep`` and ``watch``."""

from __future__ import annotations

import contextlib
import math
import signal
import threading
from collections.abc import Callable, Iterator
from pathlib import Path

import click

from benchlog.acquire.probe import probe
from benchlog.acquire.registry import find
from benchlog.bench import Bench
from benchlog.cli.options import bench_option, json_option, plan_option, read_files, store_option
from benchlog.cli.record import print_record
from benchlog.cli.screen import Screen
from benchlog.clock import Clock
from benchlog.errors import BenchFailed, UsageError
from benchlog.model import Measure, SessionKind
from benchlog.plan import Plan
from benchlog.runs.happenings import Happening, Tick
from benchlog.runs.records import record_of
from benchlog.runs.session import Session
from benchlog.runs.sweep import sweep
from benchlog.runs.watch import watch
from benchlog.simulate.lease import factor_for

NEEDED: dict[Measure, str] = {
    "forward-power": "key-downs are detected by it",
    "frequency": "bands are recognised by it",
}
Run = Callable[[Session, threading.Event], Iterator[Happening]]


@click.command("sweep")
@bench_option
@plan_option
@store_option
@json_option
def sweep_command(bench_path: Path, plan_path: Path, store_path: Path, as_json: bool) -> int:
    """Go through the plan's bands, one key-down each.

    You are told the band, the dial and what to mind; tune, and key down when ready. The key-down is detected by
    its power and recognised by its frequency, so no hand is needed at the computer. Ctrl-C ends the session and
    keeps everything. The record is printed at the end.
    """
    bench, plan = read_files(bench_path, plan_path)
    return attend("sweep", sweep, bench, plan, store_path, as_json=as_json)


@click.command("watch")
@bench_option
@plan_option
@store_option
@json_option
def watch_command(bench_path: Path, plan_path: Path, store_path: Path, as_json: bool) -> int:
    """Log whatever is keyed, in any order, until Ctrl-C.

    Each key-down is recognised by its frequency, measured and told. The record is printed at the end.
    """
    bench, plan = read_files(bench_path, plan_path)
    return attend("watch", watch, bench, plan, store_path, as_json=as_json)


def attend(
    kind: SessionKind, run: Run, bench: Bench, plan: Plan, store: Path, *, as_json: bool, at_most_s: float = math.inf
) -> int:
    """One session from its first reading to its printed record. Returns the exit status.

    ``at_most_s``, in session time, is for where nobody is there to end it.
    """
    clock = Clock(factor_for(bench.addresses))
    with Screen(plan) as screen:
        _look_round(bench, clock, screen)
        with (
            stopped_by_signals() as stop,
            Session(kind, bench, plan, store=store, clock=clock, drivers=find) as session,
        ):
            screen.say(f"Session {session.id} in {store}. Ctrl-C ends it and keeps everything.")
            for happening in run(session, stop):
                screen.show(happening)
                if isinstance(happening, Tick) and happening.t_s > at_most_s:
                    stop.set()
    return print_record(record_of(store, session.id), as_json=as_json)


def _look_round(bench: Bench, clock: Clock, screen: Screen) -> None:
    """Say who is there. Raises BenchFailed where key-downs could not be seen or told apart."""
    for measure, why in NEEDED.items():
        if bench.measuring(measure) is None:
            raise UsageError(
                f'no channel has measures = "{measure}"; {why}',
                where=str(bench.source.path),
                cure="Add it to the channel that reads it.",
            )
    power = bench.measuring("forward-power")
    for found in probe(bench, find, clock):
        if not found.fault:
            screen.say(f"{found.instrument.name}: {found.identity or 'there; cannot say who it is'}")
        elif power in found.instrument.channel:
            raise BenchFailed(
                f"{found.fault}; without forward power no key-down is seen",
                where=f'instrument "{found.instrument.name}" at {found.instrument.address}',
                cure="Is it switched on, and the address right? `benchlog check` asks every instrument.",
            )
        else:
            screen.say(f"! {found.instrument.name}: {found.fault}; it is tried again all along", "bold")
    if bench.key is not None:
        screen.say("! The bench file names a key line; this version keys nothing: you key, it listens.", "bold")
    if bench.limits.model_fields_set:
        screen.say("! Crossed limits are told in the record; nothing acts on them: you hold the key.", "bold")


@contextlib.contextmanager
def stopped_by_signals() -> Iterator[threading.Event]:
    """An event that Ctrl-C, SIGTERM and a closed terminal set; what was set before comes back afterwards."""
    stop = threading.Event()
    before = {}
    for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
        before[number] = signal.signal(number, lambda *_: stop.set())
    try:
        yield stop
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
